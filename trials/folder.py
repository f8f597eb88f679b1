"""The trial folder: what lies in it, written so that it is always either as before or as after.

Every file is written beside its place, flushed to the disk and then put there in one step; commands
that write hold the folder's lock. datapackage.json describes the tables by Data Package version 2 and
keeps the seed, the tool's version and the plan as it was laid out.
"""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trials import __version__, csv_source, data_package
from trials.errors import Problem, UserError
from trials.plan import LAID_OUT, Plan, changes, read_plan

if TYPE_CHECKING:
    import pandas as pd

    from trials.design import Layout

READING_COLUMNS = (
    "patch", "response", "value", "assessor", "stage", "repeat", "taken_at", "method", "source", "note",
)  # fmt: skip
CONDITION_COLUMNS = (
    "board", "patch", "step", "started_at", "ended_at", "temperature_c", "humidity_pct", "note",
)  # fmt: skip


@dataclass(frozen=True)
class Folder:
    """A trial's folder; nothing is read or written until a function below asks for it."""

    path: Path

    @property
    def plan_file(self) -> Path:
        """The finisher's plan."""
        return self.path / "trial.toml"

    @property
    def layout_file(self) -> Path:
        """Who gets what, where."""
        return self.path / "layout.csv"

    @property
    def readings_file(self) -> Path:
        """Every reading ever taken."""
        return self.path / "readings.csv"

    @property
    def conditions_file(self) -> Path:
        """What happened at the bench."""
        return self.path / "conditions.csv"

    @property
    def package_file(self) -> Path:
        """The description of the tables, and the record of the layout."""
        return self.path / "datapackage.json"

    @property
    def sheets(self) -> Path:
        """Where the sheets go."""
        return self.path / "sheets"

    @property
    def report(self) -> Path:
        """Where the report goes."""
        return self.path / "report"


@dataclass(frozen=True)
class Record:
    """What datapackage.json keeps of the layout: its seed, and the plan as it was then.

    Of boards added later ``added`` holds a mapping an occasion: seed, boards, version, laidOutAt. The plan's
    questions stay those of the first occasion.
    """

    seed: int
    version: str
    plan: dict[str, Any]
    layout_digest: str
    layout_hash: str
    laid_out_at: str
    added: tuple[dict[str, Any], ...] = ()

    @property
    def last_seed(self) -> int:
        """The seed of the last occasion."""
        return int(self.added[-1]["seed"]) if self.added else self.seed


def at(path: str | Path) -> Folder:
    """Return the folder at a path.

    Raises
    ------
    UserError
        There is no such folder, or the path is a file.
    """
    path = Path(path)
    if path.is_file():
        raise UserError(Problem(f"{str(path)!r} is a file", "name the trial's folder"))
    if not path.is_dir():
        raise UserError(Problem(f"there is no folder {str(path)!r}", "make one with 'splitboard new FOLDER'"))
    return Folder(path)


# --- writing ---------------------------------------------------------------------------------------


@contextlib.contextmanager
def locked(folder: Folder) -> Iterator[None]:
    """Hold the folder for one writing command at a time; a crash lets go of it by itself.

    Raises
    ------
    UserError
        Another command holds it, or the folder cannot be written to.
    """
    from filelock import FileLock, Timeout

    lock = FileLock(folder.path / ".splitboard.lock", timeout=10)
    try:
        lock.acquire()
    except Timeout:
        raise UserError(
            Problem("another splitboard command is writing to this folder", "wait for it to end and try again")
        ) from None
    except OSError as error:
        raise _cannot_write(folder.path, error) from None
    try:
        yield
    finally:
        lock.release()


def write_bytes(path: Path, data: bytes) -> None:
    """Put a whole file in place in one step.

    Raises
    ------
    UserError
        The disk is full, or the folder cannot be written to; the file is then as it was.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    except OSError as error:
        raise _cannot_write(path, error) from None
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        mode = path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_umask()
        Path(name).chmod(mode)
        Path(name).replace(path)
        _sync_folder(path.parent)
    except OSError as error:
        raise _cannot_write(path, error) from None
    finally:
        Path(name).unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Put a whole text file (UTF-8, its own line ends) in place in one step."""
    write_bytes(path, text.encode("utf-8"))


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _sync_folder(path: Path) -> None:
    """Flush the folder's own entry, where the system can."""
    with contextlib.suppress(OSError):
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _cannot_write(path: Path, error: OSError) -> UserError:
    reason = error.strerror or str(error)
    return UserError(
        Problem(f"{path.name!r} cannot be written ({reason})", "make room or give yourself the right to write there")
    )


def csv_text(columns: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    """Return a table as csv (RFC 4180 quoting, LF line ends)."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(["" if cell is None or cell != cell else cell for cell in row] for row in rows)
    return out.getvalue()


# --- the layout ------------------------------------------------------------------------------------


def layout_text(patches: pd.DataFrame) -> str:
    """Return layout.csv as it is written."""
    return csv_text(list(patches.columns), patches.astype(object).to_numpy().tolist())


def save_layout(folder: Folder, plan: Plan, layout: Layout) -> None:
    """Write layout.csv and the record of it; the caller holds the lock and has seen that no reading exists."""
    text = layout_text(layout.patches)
    record = {
        "splitboard:seed": layout.seed,
        "splitboard:version": __version__,
        "splitboard:laidOutAt": now(),
        "splitboard:planDigest": plan.digest(),
        "splitboard:layoutDigest": plan.layout_digest(),
        "splitboard:layoutHash": data_package.sha256(text.encode()),
        "splitboard:plan": plan.as_dict(),
    }
    write_text(folder.layout_file, text)
    _describe(folder, plan, record)


def add_to_layout(folder: Folder, plan: Plan, plan_text: str, patches: pd.DataFrame, added: Layout) -> None:
    """Write the plan and the layout with the boards of a later occasion; the caller holds the lock.

    Parameters
    ----------
    plan, plan_text : the plan with the occasion in it, and trial.toml as it is to be.
    patches : as they were; their rows stay as they are, the new ones stand below.
    added : the new boards.

    Notes
    -----
    Three files change. Should one of them not be writable, those before it are put back.
    """
    import pandas as pd

    together = pd.concat([patches, added.patches], ignore_index=True)
    text = layout_text(together)
    record = _kept(folder)
    first_plan = record["splitboard:plan"]
    occasion = {
        "seed": added.seed, "boards": plan.added[-1], "version": __version__, "laidOutAt": now(),
    }  # fmt: skip
    record |= {
        "splitboard:planDigest": plan.digest(),
        "splitboard:layoutDigest": plan.layout_digest(),
        "splitboard:layoutHash": data_package.sha256(text.encode()),
        "splitboard:plan": plan.as_dict() | {"questions": first_plan.get("questions", [])},
        "splitboard:added": [*record.get("splitboard:added", []), occasion],
    }
    before = {path: path.read_bytes() for path in (folder.layout_file, folder.plan_file, folder.package_file)}
    try:
        write_text(folder.layout_file, text)
        write_text(folder.plan_file, plan_text)
        _describe(folder, plan, record)
    except UserError:
        for path, content in before.items():
            if path.read_bytes() != content:
                write_bytes(path, content)
        raise


def load_record(folder: Folder) -> Record:
    """Read what was kept when the boards were laid out.

    Raises
    ------
    UserError
        The boards are not laid out yet, or datapackage.json is gone or damaged.
    """
    values = _package(folder)
    if not values and not folder.layout_file.exists():
        raise UserError(Problem("the boards are not laid out yet", "run 'splitboard plan' first"))
    try:
        return Record(
            seed=int(values["splitboard:seed"]),
            version=str(values["splitboard:version"]),
            plan=dict(values["splitboard:plan"]),
            layout_digest=str(values["splitboard:layoutDigest"]),
            layout_hash=str(values["splitboard:layoutHash"]),
            laid_out_at=str(values["splitboard:laidOutAt"]),
            added=tuple(dict(one) for one in values.get("splitboard:added", [])),
        )
    except (KeyError, TypeError, ValueError):
        raise UserError(
            Problem(
                "the record of the layout (its seed and plan) is missing or damaged",
                "put the file back from a copy; without readings, 'splitboard plan' writes it anew",
                file="datapackage.json",
            )
        ) from None


def load_layout(folder: Folder, plan: Plan) -> pd.DataFrame:
    """Read layout.csv and make sure that it still is what the plan laid out.

    Returns
    -------
    The patches, columns and types as `trials.design.Layout.patches`.

    Raises
    ------
    UserError
        Not laid out yet; the plan's boards, factors, exclusions or controls have changed since; or a cell of
        layout.csv has been edited (which one, and what stood there).
    """
    record = load_record(folder)
    if not folder.layout_file.exists():
        raise UserError(
            Problem(
                "layout.csv is gone", "put it back from a copy; without readings, 'splitboard plan' writes it anew"
            )
        )
    if plan.rehearsal != bool(record.plan.get("rehearsal")):
        was = "a trial" if plan.rehearsal else "a rehearsal"
        cure = "take rehearsal = true out again" if plan.rehearsal else "put rehearsal = true back under [trial]"
        what = f"the plan no longer says what this folder was laid out as, {was}"
        raise UserError(Problem(what, cure, file="trial.toml"))
    if plan.layout_digest() != record.layout_digest:
        changed = ", ".join(changes(record.plan, plan.as_dict(), LAID_OUT))
        cure = "undo the change, or run 'splitboard plan' to lay the boards out anew"
        if has_readings(folder):
            cure = "undo the change; for another plan start a follow-up with 'splitboard new FOLDER --like THIS_ONE'"
        raise UserError(
            Problem(f"the plan was changed after the boards were laid out ({changed})", cure, file="trial.toml")
        )
    table = csv_source.read(folder.layout_file)
    patches = _as_patches(table, plan)
    if data_package.sha256(layout_text(patches).encode()) != record.layout_hash:
        raise _edited(table, patches, plan, record)
    return patches


def _as_patches(table: csv_source.Table, plan: Plan) -> pd.DataFrame:
    """Return the cells of layout.csv with their types."""
    import pandas as pd

    names = [factor.name for factor in plan.factors]
    numbers = ["patch", "lot", "board", "lane", "strip", "board_order"]
    columns = [*numbers, *names, "control"]
    if table.header != tuple(columns):
        raise UserError(
            Problem(
                f"the columns are {', '.join(table.header)}, but the plan's layout has {', '.join(columns)}",
                "put it back from a copy; without readings, 'splitboard plan' writes it anew",
                file=table.name, line=1,
            )
        )  # fmt: skip
    rows = []
    for row in table.rows:
        cells: dict[str, object] = {name: row.cells[name] or None for name in names}
        for name in numbers:
            if not row.cells[name].isdecimal():
                raise UserError(
                    Problem(
                        f"{row.cells[name]!r} is not a whole number",
                        "undo the edit; without readings, 'splitboard plan' writes the layout anew",
                        file=table.name, line=row.number, column=name,
                    )
                )  # fmt: skip
            cells[name] = int(row.cells[name])
        rows.append(cells | {"control": row.cells["control"]})
    return pd.DataFrame(rows, columns=columns)


def _edited(table: csv_source.Table, patches: pd.DataFrame, plan: Plan, record: Record) -> UserError:
    """Say which cells of layout.csv are not as they were laid out."""
    from trials.design import lay_out

    cure = "undo the edit; without readings, 'splitboard plan' writes the layout anew"
    laid_out = None if record.added else lay_out(plan, record.seed).patches
    if laid_out is None or data_package.sha256(layout_text(laid_out).encode()) != record.layout_hash:
        # boards were added, or the search for it was stopped: the seed alone does not give it again
        return UserError(Problem("the layout is not the one that was recorded", cure, file=table.name))
    if len(laid_out) != len(patches):
        return UserError(
            Problem(f"there are {len(patches)} patches, but {len(laid_out)} were laid out", cure, file=table.name)
        )
    problems = []
    for at, row in enumerate(table.rows):
        for column in patches.columns:
            found, was = patches[column].iloc[at], laid_out[column].iloc[at]
            if found != was and not (found is None and was != was) and not (found != found and was != was):
                shown, stood = (
                    "empty" if value is None or value != value else repr(str(value)) for value in (found, was)
                )
                what = f"holds {shown} where {stood} was laid out"
                problems.append(Problem(what, cure, file=table.name, line=row.number, column=column))
    return UserError(*(problems or [Problem("the layout is not the one that was recorded", cure, file=table.name)]))


# --- the readings ----------------------------------------------------------------------------------


def has_readings(folder: Folder) -> bool:
    """Whether any reading has been taken in."""
    return bool(load_readings(folder))


def load_readings(folder: Folder) -> list[dict[str, str]]:
    """Return every reading as text cells, in the order they were taken in."""
    return _load(folder.readings_file, READING_COLUMNS)


def load_conditions(folder: Folder) -> list[dict[str, str]]:
    """Return what was noted at the bench as text cells."""
    return _load(folder.conditions_file, CONDITION_COLUMNS)


def _load(path: Path, columns: Sequence[str]) -> list[dict[str, str]]:
    if not path.exists():
        return []
    lines = list(csv.reader(io.StringIO(csv_source.decode(path.read_bytes(), path.name), newline="")))
    if not lines or tuple(lines[0]) != tuple(columns):
        raise UserError(
            Problem(
                f"the first row is not {','.join(columns)}",
                "this file is written by 'splitboard record' only: put it back from a copy",
                file=path.name, line=1,
            )
        )  # fmt: skip
    rows = []
    for number, cells in enumerate(lines[1:], start=2):
        if len(cells) != len(columns):
            raise UserError(
                Problem(
                    f"the row has {len(cells)} cells, the header {len(columns)}",
                    "this file is written by 'splitboard record' only: put it back from a copy",
                    file=path.name, line=number,
                )
            )  # fmt: skip
        rows.append(dict(zip(columns, cells, strict=True)))
    return rows


def append_readings(folder: Folder, plan: Plan, rows: Sequence[dict[str, str]]) -> None:
    """Add readings at the end of readings.csv; the caller holds the lock."""
    _append(folder.readings_file, READING_COLUMNS, rows)
    _describe(folder, plan, _kept(folder))


def append_conditions(folder: Folder, plan: Plan, rows: Sequence[dict[str, str]]) -> None:
    """Add bench notes at the end of conditions.csv; the caller holds the lock."""
    _append(folder.conditions_file, CONDITION_COLUMNS, rows)
    _describe(folder, plan, _kept(folder))


def _append(path: Path, columns: Sequence[str], rows: Sequence[dict[str, str]]) -> None:
    """Write the file anew with the rows added: what stood there stays, byte for byte."""
    before = path.read_bytes() if path.exists() else csv_text(columns, []).encode()
    if not before.endswith(b"\n"):
        before += b"\n"
    added = csv_text(columns, [[row[column] for column in columns] for row in rows])
    write_bytes(path, before + added.split("\n", 1)[1].encode())


# --- the data package ------------------------------------------------------------------------------


def _package(folder: Folder) -> dict[str, Any]:
    if not folder.package_file.exists():
        return {}
    try:
        values = json.loads(folder.package_file.read_bytes())
    except (ValueError, OSError):
        values = None
    if not isinstance(values, dict):
        raise UserError(
            Problem("is damaged", "put it back from a copy; without readings, 'splitboard plan' writes it anew",
                    file="datapackage.json")
        )  # fmt: skip
    return values


def _kept(folder: Folder) -> dict[str, Any]:
    """Return the record of the layout as it stands in datapackage.json."""
    return {key: value for key, value in _package(folder).items() if key.startswith("splitboard:")}


def _describe(folder: Folder, plan: Plan, record: dict[str, Any]) -> None:
    """Write datapackage.json for the tables there are."""
    possible = (
        (folder.layout_file, "Who gets what, where: one row a patch", data_package.layout_fields(plan), ("patch",)),
        (folder.readings_file, "One row a reading", data_package.reading_fields(plan), ()),
        (folder.conditions_file, "What happened at the bench", data_package.condition_fields(), ()),
    )
    tables = [
        data_package.Table(path.name, title, path.read_bytes(), fields, key, refers_to_layout=not key)
        for path, title, fields, key in possible
        if path.exists()
    ]
    created = record.get("splitboard:laidOutAt") or now()
    package = data_package.describe(plan, folder.path.resolve().name, created, tables, record)
    write_text(folder.package_file, json.dumps(package, indent=2, ensure_ascii=False) + "\n")


def now() -> str:
    """Return the time in UTC, RFC 3339, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


# --- the whole -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Trial:
    """A laid-out trial as it lies in its folder: the plan, its patches and what was recorded."""

    folder: Folder
    plan: Plan
    record: Record
    patches: pd.DataFrame
    readings: tuple[dict[str, str], ...]
    conditions: tuple[dict[str, str], ...]

    @property
    def latest_patches(self) -> pd.DataFrame:
        """The patches of the last occasion: all of them unless boards were added later."""
        if not self.plan.added:
            return self.patches
        return self.patches[self.patches["lot"] == len(self.plan.boards.lots)].reset_index(drop=True)

    @property
    def latest_plan(self) -> Plan:
        """The plan with the boards of the last occasion alone, as its sheets count them."""
        if not self.plan.added:
            return self.plan
        return replace(self.plan, boards=replace(self.plan.boards, lots=self.plan.added[-1:]))

    @property
    def latest_sheets(self) -> Path:
        """Where the sheets of the last occasion go."""
        number = len(self.plan.added) + 1
        return self.folder.sheets if number == 1 else self.folder.sheets / f"occasion-{number}"


def load(path: str | Path) -> Trial:
    """Read a laid-out trial, checked: the plan, the layout it gave, the readings.

    Raises
    ------
    UserError
        As `at`, `trials.plan.read_plan`, `load_layout` and `load_readings`.
    """
    folder = at(path)
    plan = read_plan(folder.path)
    patches = load_layout(folder, plan)
    return Trial(
        folder, plan, load_record(folder), patches,
        tuple(load_readings(folder)), tuple(load_conditions(folder)),
    )  # fmt: skip
