"""layout.csv: written when the boards are laid out, and from then on only read and compared with its record."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from trials import __version__, csv_source, data_package, limits
from trials.csv_text import csv_text
from trials.errors import Problem, UserError
from trials.folder import change
from trials.folder.clock import now
from trials.folder.description import ANEW, BACK, SCORING, Record, described, is_closed, kept, record_seen, with_act
from trials.folder.journal import conditions_seen, load_conditions, load_readings, readings_seen
from trials.folder.place import Folder
from trials.folder.reading import Where, steadily
from trials.plan import LAID_OUT, Plan, changes

if TYPE_CHECKING:
    import pandas as pd

    from trials.design import Layout


def layout_text(patches: pd.DataFrame, *, neutral: bool = False) -> str:
    """Return layout.csv as its digest is taken of it or, `neutral`, as it is written."""
    return csv_text(list(patches.columns), patches.astype(object).to_numpy().tolist(), neutral)


def _hash(patches: pd.DataFrame) -> str:
    return data_package.sha256(layout_text(patches).encode())


def check_free(folder: Folder, *, discard: bool) -> None:
    """Make sure that boards may be laid out here; the caller holds the lock.

    Parameters
    ----------
    discard : whether a layout that exists is to be set aside.

    Raises
    ------
    UserError
        Readings or bench notes have been taken in, so the plan is frozen; or there is a layout to be set aside first.
    """
    what = "readings" if load_readings(folder) else "bench notes" if load_conditions(folder) else ""
    if what:
        more = "add boards to it with 'splitboard plan --add 4', or " if what == "readings" else ""
        cure = f"{more}start a follow-up with 'splitboard new NEW_FOLDER --like {folder.path}' and lay that out"
        raise UserError(Problem(f"{what} have been taken in, so the plan is frozen", cure))
    if not discard and _laid_out(folder):
        cure = (
            "go on with 'splitboard sheets', or add --discard-layout to lay them out anew: the layout there is, and "
            "its record, are then kept under a dated name"
        )
        raise UserError(Problem("the boards are laid out already", cure))


def _laid_out(folder: Folder) -> list[Path]:
    """Return the files of the layout there is."""
    return [path for path in (folder.layout_file, folder.package_file) if path.exists()]


def save_layout(folder: Folder, plan: Plan, layout: Layout, *, discard: bool = False) -> tuple[str, ...]:
    """Write layout.csv and the record of it; the caller holds the lock.

    Parameters
    ----------
    discard : whether a layout that exists is set aside.

    Returns
    -------
    The names under which the files of that layout are kept.

    Raises
    ------
    UserError
        As `check_free`; or a file cannot be written.
    """
    change.finish(folder.path)
    check_free(folder, discard=discard)
    aside = {folder.aside(path): limits.contents(path) for path in _laid_out(folder)}
    record = {
        "splitboard:seed": layout.seed,
        "splitboard:version": __version__,
        "splitboard:laidOutAt": now(),
        "splitboard:planDigest": plan.digest(),
        "splitboard:layoutDigest": plan.layout_digest(),
        "splitboard:layoutHash": _hash(layout.patches),
        "splitboard:plan": plan.as_dict(),
    }
    contents = aside | {folder.layout_file.name: layout_text(layout.patches, neutral=True).encode()}
    contents[folder.package_file.name] = described(folder, plan, record, contents)
    change.make(folder.path, contents)
    return tuple(aside)


def add_to_layout(folder: Folder, plan: Plan, plan_text: str, patches: pd.DataFrame, added: Layout) -> None:
    """Write the plan and the layout with the boards of a later occasion, as one change; the caller holds the lock.

    A scoring that was closed is open again with them.

    Parameters
    ----------
    plan, plan_text : the plan with the occasion in it, and trial.toml as it is to be.
    patches : as they were; their rows stay as they are, the new ones stand below.
    added : the new boards.
    """
    import pandas as pd

    change.finish(folder.path)
    patches = pd.concat([patches, added.patches], ignore_index=True)
    record = kept(folder)
    first_plan = record["splitboard:plan"]
    occasion = {
        "seed": added.seed, "boards": plan.added[-1], "version": __version__, "laidOutAt": now(),
    }  # fmt: skip
    record |= {
        "splitboard:planDigest": plan.digest(),
        "splitboard:layoutDigest": plan.layout_digest(),
        "splitboard:layoutHash": _hash(patches),
        "splitboard:plan": plan.as_dict() | {"questions": first_plan.get("questions", [])},
        "splitboard:added": [*record.get("splitboard:added", []), occasion],
    }
    if is_closed(record.get(SCORING, [])):
        record = with_act(record, "opened", len(load_readings(folder)), "boards were added")
    text = layout_text(patches, neutral=True)
    contents = {folder.layout_file.name: text.encode(), folder.plan_file.name: plan_text.encode()}
    contents[folder.package_file.name] = described(folder, plan, record, contents)
    change.make(folder.path, contents)


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
    return steadily(folder, lambda where: layout_seen(folder, plan, where))


def layout_seen(folder: Folder, plan: Plan, where: Where) -> pd.DataFrame:
    """Read the layout of a folder that stands still; see `load_layout`."""
    record = record_seen(folder, where)
    path = where(folder.layout_file)
    if not path.exists():
        raise UserError(
            Problem(
                "layout.csv is gone",
                BACK,
            )
        )
    if plan.rehearsal != bool(record.plan.get("rehearsal")):
        was = "a trial" if plan.rehearsal else "a rehearsal"
        cure = "take rehearsal = true out again" if plan.rehearsal else "put rehearsal = true back under [trial]"
        what = f"the plan no longer says what this folder was laid out as, {was}"
        raise UserError(Problem(what, cure, file="trial.toml"))
    if plan.layout_digest() != record.layout_digest:
        changed = ", ".join(changes(record.plan, plan.as_dict(), LAID_OUT))
        cure = "undo the change, or run 'splitboard plan --discard-layout' to lay the boards out anew"
        if readings_seen(folder, where) or conditions_seen(folder, where):
            cure = "undo the change; for another plan start a follow-up with 'splitboard new FOLDER --like THIS_ONE'"
        raise UserError(
            Problem(f"the plan was changed after the boards were laid out ({changed})", cure, file="trial.toml")
        )
    table = csv_source.read(path)
    patches = _as_patches(table, plan)
    if _hash(patches) != record.layout_hash:
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
                BACK,
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
                        f"undo the edit; {ANEW}",
                        file=table.name, line=row.number, column=name,
                    )
                )  # fmt: skip
            cells[name] = int(row.cells[name])
        rows.append(cells | {"control": row.cells["control"]})
    return pd.DataFrame(rows, columns=columns)


def _edited(table: csv_source.Table, patches: pd.DataFrame, plan: Plan, record: Record) -> UserError:
    """Say which cells of layout.csv are not as they were laid out."""
    from trials.design import lay_out

    cure = f"undo the edit; {ANEW}"
    laid_out = None if record.added else lay_out(plan, record.seed).patches
    if laid_out is None or _hash(laid_out) != record.layout_hash:
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
