"""datapackage.json: the tables as they lie there, and beside them the record of the layout and of the scoring."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Literal, TypedDict, get_args, get_type_hints

from trials import data_package, limits, prespecified
from trials.cells import FIRST_YEAR, LAST_YEAR
from trials.errors import Problem, UserError, command, typed
from trials.folder import change, differences, guarded
from trials.folder.clock import now
from trials.folder.differences import Difference
from trials.folder.place import Folder
from trials.folder.reading import Where, steadily
from trials.folder.seal import NOTICED, PLAN, SEAL, broken, part_words, seal
from trials.folder.shape import fits
from trials.plan import Plan
from trials.prespecified import Changed

SCORING = "splitboard:scoring"
"""Where the acts on the scoring stand."""
ACCEPTED = "splitboard:accepted"
"""Where changes of a table made outside stand that were put on record."""
EDITED = "splitboard:edited"
"""Where edits of this record stand that were accepted."""
LAYOUT_HASH = "splitboard:layoutHash"
LAID_DOWN = {guarded.KEPT, LAYOUT_HASH}
"""What the tables are held against: an edit of these is never accepted, for it may say what lies on which board."""


class _Occasion(TypedDict):
    seed: int
    boards: int
    version: str
    laidOutAt: str


class Occasion(_Occasion, total=False):
    """Boards added later, as they stand in the record; older ones without their plan."""

    plan: Plan


class Edited(TypedDict):
    """An edit of the record itself that was accepted: which parts, and where the edited file is kept."""

    at: str
    why: str
    parts: tuple[str, ...]
    kept_as: str


class Notice(TypedDict):
    """A change of the plan as it was first noticed; `rows` readings.csv had then, None where that is not known.

    Beside these it holds before and now, as `Changed`.
    """

    what: tuple[str, ...]
    at: str
    rows: int | None


class Telling(TypedDict):
    """Whether an assessor could tell, while scoring, which treatment a patch had, as asked at closing."""

    assessor: str
    answer: Literal["no", "some", "most"]


COULD_TELL = get_args(get_type_hints(Telling)["answer"])
"""Of how many patches an assessor could tell the treatment."""


@dataclass(frozen=True)
class Act:
    """What was done with the scoring, as it stands in the record; `rows` readings.csv had then."""

    act: Literal["closed", "opened", "looked"]
    at: str
    rows: int
    why: str = ""
    could_tell: tuple[Telling, ...] = ()


ACTS = get_args(get_type_hints(Act)["act"])
"""What can be done with a scoring: close it, open it again, look at results before it is closed."""


@dataclass(frozen=True)
class Accepted:
    """A change of a table made outside and put on record: when, why, what, and where the table is kept as it was."""

    at: str
    why: str
    difference: Difference
    kept_as: str


@dataclass(frozen=True)
class Record:
    """What datapackage.json keeps: the seed, the plan as it was laid out, and what was done with the scoring.

    ``plan`` is that of the first occasion. Of boards added later ``added`` holds a mapping an occasion: seed, boards,
    version, laidOutAt, plan. Of the acts on the scoring ``scoring`` holds a mapping each: act (of `ACTS`), at (RFC
    3339), rows (of readings.csv then, without the header), why, could_tell (of a closing, see `Telling`). ``noticed``
    holds the changes of the plan that were noticed, each a mapping: what, before, now (as `Changed`), at, rows; it is
    None in a record from before they were looked for. ``digest`` is that of all of the record.
    """

    seed: int
    version: str
    plan: dict[str, Any]
    layout_digest: str
    layout_hash: str
    laid_out_at: str
    added: tuple[dict[str, Any], ...] = ()
    scoring: tuple[dict[str, Any], ...] = ()
    accepted: tuple[Accepted, ...] = ()
    edited: tuple[dict[str, Any], ...] = ()
    noticed: tuple[dict[str, Any], ...] | None = None
    digest: str = ""

    @property
    def laid_out(self) -> dict[str, Any]:
        """The plan of the last occasion; an older record keeps it in the place of the first."""
        return dict(self.added[-1].get("plan", self.plan)) if self.added else self.plan

    def changed(self, plan: Plan, rows: int) -> tuple[Changed, ...]:
        """Return what a plan says otherwise than when the boards were laid out.

        Parameters
        ----------
        rows : of readings.csv, without the header.
        """
        found = prespecified.changed(self.plan, self.laid_out, plan)
        edits = [
            Changed(("record", "plan"), "as it was laid out", "edited outside", "", self.laid_out_at, one["at"])
            for one in self.edited
            if PLAN in one["parts"]
        ]
        return (*edits, *(_dated(one, self.laid_out_at, self.noticed, rows) for one in found))

    @property
    def last_seed(self) -> int:
        """The seed of the last occasion."""
        return int(self.added[-1]["seed"]) if self.added else self.seed

    @property
    def closed(self) -> bool:
        """Whether the scoring is closed now."""
        return is_closed(self.scoring)


def _dated(one: Changed, at: str, noticed: Sequence[Mapping[str, Any]] | None, rows: int) -> Changed:
    """Return a change with when it was first noticed and how many readings were in then.

    Where nobody looked for changes from the beginning, what is noticed now may have been there before the readings.
    """
    for entry in noticed or ():
        if entry["what"] == list(one.what) and entry["before"] == one.before and entry["now"] == one.now:
            return replace(one, laid_out_at=at, noticed_at=str(entry["at"]), readings=entry["rows"])
    return replace(one, laid_out_at=at, readings=None if rows and noticed is None else rows)


def is_closed(acts: Sequence[Mapping[str, Any]]) -> bool:
    """Whether the last act that closed or opened the scoring closed it."""
    settled = [act["act"] for act in acts if act["act"] in ("closed", "opened")]
    return settled[-1:] == ["closed"]


def load_record(folder: Folder) -> Record:
    """Read what was kept when the boards were laid out, and since.

    Raises
    ------
    UserError
        The boards are not laid out yet, or datapackage.json is gone or damaged.
    """
    return steadily(folder, lambda where: record_seen(folder, where))


def record_seen(folder: Folder, where: Where) -> Record:
    """Read the record of a folder that stands still; see `load_record`."""
    values = _package(folder, where)
    if not folder.path.is_dir():
        what = f"there is no folder {str(folder.path)!r} any more"
        raise UserError(Problem(what, "look whether it was renamed or moved, then run it again"))
    if not values and not where(folder.layout_file).exists():
        raise UserError(Problem("the boards are not laid out yet", f"run '{command('plan', folder.path)}' first"))
    return _as_record(folder, values)


def _as_record(folder: Folder, values: Mapping[str, Any]) -> Record:
    """Return the record that stands in datapackage.json, checked and held against its seal."""
    try:
        prespecified.check(_shaped(values["splitboard:plan"], Plan))
        record = Record(
            seed=_shaped(values["splitboard:seed"], int),
            version=str(values["splitboard:version"]),
            plan=_shaped(values["splitboard:plan"], Plan),
            layout_digest=str(values["splitboard:layoutDigest"]),
            layout_hash=str(values[LAYOUT_HASH]),
            laid_out_at=_time(values["splitboard:laidOutAt"]),
            added=_shaped(values.get("splitboard:added", []), tuple[Occasion, ...]),
            scoring=tuple(_act(one) for one in _shaped(values.get(SCORING, []), tuple[Act, ...])),
            accepted=tuple(_accepted(one) for one in _shaped(values.get(ACCEPTED, []), tuple[Accepted, ...])),
            edited=_shaped(values.get(EDITED, []), tuple[Edited, ...]),
            noticed=_shaped(values[NOTICED], tuple[Notice, ...]) if NOTICED in values else None,
            digest=seal(values)["whole"],
        )
        _check_seal(folder, values)
    except (KeyError, TypeError, ValueError, AttributeError):
        raise UserError(
            Problem(
                "the record of the layout (its seed and plan) is missing or damaged",
                back(folder),
                file="datapackage.json",
            )
        ) from None
    return record


def _check_seal(folder: Folder, values: Mapping[str, Any]) -> None:
    parts = broken(values)
    if parts:
        what = f"what is on record here was changed outside ({', '.join(map(part_words, parts))})"
        cure = "put the file back from a copy"
        if not LAID_DOWN & set(parts):
            cure += (
                f", or 'splitboard accept {typed(folder.path)} --why \"...\"' goes on with it: the report tells it, "
                "and with another plan on record every answer is exploratory"
            )
        raise UserError(Problem(what, cure, file="datapackage.json"))


def _act(act: dict[str, Any]) -> dict[str, Any]:
    return act | {"at": _time(act["at"]), "why": act.get("why", "")}


def _shaped(value: Any, kind: Any) -> Any:
    if not fits(value, kind):
        raise ValueError(value)
    return tuple(value) if isinstance(value, list) else value


def _time(text: str) -> str:
    if not FIRST_YEAR <= datetime.fromisoformat(_shaped(text, str)).year <= LAST_YEAR:
        raise ValueError(text)
    return text


def _accepted(values: Mapping[str, Any]) -> Accepted:
    difference = differences.from_record(values["difference"])
    return Accepted(_time(values["at"]), values["why"], difference, values["kept_as"])


def record_close(folder: Folder, plan: Plan, act: str, why: str, could_tell: Mapping[str, str] | None = None) -> None:
    """Put on record that the scoring was closed, opened again or looked at; the caller holds the lock.

    Parameters
    ----------
    act : one of `ACTS`.
    why : the reason, which may be empty.
    could_tell : one of `COULD_TELL` for each assessor who was asked.
    """
    from trials.folder.journal import load_readings  # above this module

    if act not in ACTS:
        raise ValueError(f"act must be one of {', '.join(ACTS)}, not {act!r}")
    values = with_act(kept(folder), act, len(load_readings(folder)), why)
    if could_tell:
        values[SCORING][-1]["could_tell"] = [{"assessor": who, "answer": said} for who, said in could_tell.items()]
    put_on_record(folder, plan, values)


def with_act(record: dict[str, Any], act: str, rows: int, why: str) -> dict[str, Any]:
    """Return the record with one more act on the scoring, which was done just now."""
    one = {"act": act, "at": now(), "rows": rows, "why": why}
    return record | {SCORING: [*record.get(SCORING, []), one]}


def put_on_record(folder: Folder, plan: Plan, values: Mapping[str, Any]) -> None:
    """Write the record with these values in it, and with what has changed in the plan; the caller holds the lock.

    Parameters
    ----------
    values : by our own names.
    """
    change.finish(folder.path)
    put(folder, plan, kept(folder) | dict(values), {})


def kept(folder: Folder) -> dict[str, Any]:
    """Return the record as it stands in datapackage.json, under our own names; the caller holds the lock.

    Raises
    ------
    UserError
        It was changed outside, or is damaged.
    """
    record_seen(folder, lambda path: path)
    return {key: value for key, value in _package(folder, lambda path: path).items() if key.startswith("splitboard:")}


def accept_edit(folder: Folder, plan: Plan, why: str) -> tuple[str, str] | None:
    """Seal an edited record anew and say in it that it was edited; the caller holds the lock.

    Returns
    -------
    The parts in words, and the name under which the edited file is kept; None where nothing was edited.
    """
    change.finish(folder.path)
    package = _package(folder, lambda path: path)
    try:
        parts = broken(package) if package else ()
        tables = guarded.unpacked(package)
    except (KeyError, TypeError, ValueError, AttributeError):
        raise _damaged(folder) from None
    if not parts:
        return None
    if LAID_DOWN & set(parts):
        cure = "put the file back from a copy, such as the one a cloud drive or a backup kept"
        what = "cannot be accepted: what it keeps of the tables was changed, and says what lies on which board"
        raise UserError(Problem(what, cure, file="datapackage.json"))
    edited: Edited = {
        "at": now(), "why": why, "parts": tuple(map(str, parts)), "kept_as": folder.aside(folder.package_file),
    }  # fmt: skip
    record = {key: value for key, value in package.items() if key.startswith("splitboard:")}
    record |= {EDITED: [*record.get(EDITED, []), edited | {"parts": list(parts)}], NOTICED: record.get(NOTICED, [])}
    there = guarded.on_disk(folder, lambda path: path)
    contents = {edited["kept_as"]: limits.contents(folder.package_file, limits.RECORD_BYTES)}
    contents[folder.package_file.name] = described(folder, plan, record, tables if tables is not None else there)
    _as_record(folder, json.loads(contents[folder.package_file.name]))
    change.make(folder.path, contents, before=there)
    return ", ".join(map(part_words, parts)), edited["kept_as"]


def tables_seen(folder: Folder, where: Where) -> dict[str, bytes]:
    """Return the tables of a folder that stands still, as they were written last, by the files' names.

    A file that another program saved without changing what it says is taken for what was written.

    Raises
    ------
    UserError
        A file was changed outside: what differs, and what to do.
    """
    kept_tables, there = tables_kept(folder, where), guarded.on_disk(folder, where)
    if kept_tables is None:
        return there
    found = guarded.changed(kept_tables, there)
    if found:
        raise guarded.refused(folder, found)
    return kept_tables


def tables_kept(folder: Folder, where: Where) -> dict[str, bytes] | None:
    """Return the tables as they were written last, whatever the files hold now; None if they were not kept yet."""
    package = _package(folder, where)
    try:
        if NOTICED in package:
            _as_record(folder, package)
        return guarded.unpacked(package)
    except (ValueError, TypeError, AttributeError):
        raise _damaged(folder) from None


def put(
    folder: Folder,
    plan: Plan,
    record: dict[str, Any],
    contents: Mapping[str, bytes],
    unchanged: str = "nothing was changed",
    tables: Mapping[str, bytes] | None = None,
) -> None:
    """Change files of the folder, and the description of its tables with them; the caller holds the lock.

    Parameters
    ----------
    record : what stands under our own names.
    contents : the new bytes of the files that change, by name.
    unchanged : that all is as it was, in words.
    tables : as they were written last, where it is known that files were changed outside.

    Raises
    ------
    UserError
        As `tables_seen` and `change.make`.

    Notes
    -----
    Changes of the plan that are noticed now for the first time are put on record with it.
    """
    there = guarded.on_disk(folder, lambda path: path)
    tables = tables_seen(folder, lambda path: path) if tables is None else tables
    saved_otherwise = {name: data for name, data in tables.items() if there.get(name) != data}
    new = saved_otherwise | dict(contents)
    record = _with_noticed(plan, record, tables)
    new[folder.package_file.name] = described(folder, plan, record, {**tables, **new})
    if len(new[folder.package_file.name]) > limits.RECORD_BYTES:
        what = f"the trial's tables would take more than {limits.RECORD_BYTES // 1_000_000} MB, deflated"
        raise UserError(Problem(what, f"leave out what is no result; {unchanged}"))
    change.make(folder.path, new, unchanged, before=there)


def described(folder: Folder, plan: Plan, record: dict[str, Any], contents: Mapping[str, bytes]) -> bytes:
    """Return datapackage.json for the tables there will be, sealed.

    Parameters
    ----------
    record : what stands under our own names.
    contents : the bytes of the tables, by name.
    """
    possible = (
        (folder.layout_file, "Who gets what, where: one row a patch", data_package.layout_fields(plan), ("patch",)),
        (folder.readings_file, "One row a reading", data_package.reading_fields(plan), ()),
        (folder.conditions_file, "What happened at the bench", data_package.condition_fields(), ()),
    )
    tables = []
    for path, title, fields, key in possible:
        if path.name in contents:
            data = contents[path.name]
            tables.append(data_package.Table(path.name, title, data, fields, key, refers_to_layout=not key))
    record = record | {guarded.KEPT: guarded.packed({table.path: table.data for table in tables})}
    created = record.get("splitboard:laidOutAt") or now()
    package = data_package.describe(plan, folder.path.resolve().name, created, tables, record)
    package[SEAL] = seal(package)
    return (json.dumps(package, indent=2, ensure_ascii=False) + "\n").encode()


def _with_noticed(plan: Plan, record: dict[str, Any], tables: Mapping[str, bytes]) -> dict[str, Any]:
    """Return the record with the changes of the plan that are noticed now for the first time.

    Parameters
    ----------
    tables : as they are before this change.
    """
    from trials.folder.journal import readings_in  # above this module

    noticed, added = record.get(NOTICED), record.get("splitboard:added", [])
    first = record["splitboard:plan"]
    found = prespecified.changed(first, added[-1].get("plan", first) if added else first, plan)
    rows = len(readings_in(tables)) if found else 0
    new = [
        {"what": list(one.what), "before": one.before, "now": one.now, "at": now(), "rows": one.readings}
        for one in (_dated(one, "", noticed, rows) for one in found)
        if not one.noticed_at
    ]
    return record | {NOTICED: [*(noticed or []), *new]}


def _package(folder: Folder, where: Where) -> dict[str, Any]:
    path = where(folder.package_file)
    if not path.exists():
        return {}
    data = limits.contents(path, limits.RECORD_BYTES)
    try:
        if sum(data.count(mark) for mark in b"[{,") > limits.RECORD_MARKS:
            raise _damaged(folder)
        values = json.loads(data)
        json.dumps(values, ensure_ascii=False, allow_nan=False).encode()  # neither half a character nor an infinity
    except (ValueError, RecursionError):
        values = None
    if not isinstance(values, dict):
        raise _damaged(folder)
    return values


def _damaged(folder: Folder) -> UserError:
    return UserError(Problem("is damaged", back(folder), file="datapackage.json"))


def anew(folder: Folder) -> str:
    """Return how the boards are laid out anew."""
    return f"without results, '{command('plan --discard-layout', folder.path)}' lays the boards out anew"


def back(folder: Folder) -> str:
    """Return what to do about a file of the layout that is not as it was written."""
    return f"put it back from a copy; {anew(folder)}"
