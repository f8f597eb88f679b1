"""layout.csv: written when the boards are laid out, and from then on only read and compared with its record."""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trials import __version__, csv_source, data_package, limits, prespecified
from trials.csv_text import csv_text
from trials.errors import Problem, UserError, command, typed
from trials.folder import change, guarded
from trials.folder.clock import now
from trials.folder.description import (
    LAYOUT_HASH,
    SCORING,
    anew,
    back,
    described,
    is_closed,
    kept,
    put,
    record_seen,
    tables_kept,
    tables_seen,
    with_act,
)
from trials.folder.journal import conditions_in, load_readings, readings_in
from trials.folder.place import CONDITIONS, LAYOUT, READINGS, Folder
from trials.folder.reading import Where, steadily
from trials.folder.seal import NOTICED
from trials.plan import Plan
from trials.scales import SCALES

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
    what = _results(folder)
    if what:
        more = f"add boards to it with '{command('plan --add 4', folder.path)}', or " if what == "readings" else ""
        cure = (
            f"{more}start a follow-up with 'splitboard new NEW_FOLDER --like {typed(folder.path)}' and lay that out"
        )
        raise UserError(Problem(f"{what} have been taken in, so the plan is frozen", cure))
    if not discard and _laid_out(folder):
        cure = (
            f"go on with '{command('sheets', folder.path)}', or add --discard-layout to lay them out anew: the "
            "layout there is, and its record, are then kept under a dated name"
        )
        raise UserError(Problem("the boards are laid out already", cure))


def _results(folder: Folder) -> str:
    """Return what has been taken in, if anything, whatever state the files are in."""
    held = [guarded.on_disk(folder, lambda path: path)]
    with contextlib.suppress(UserError):  # a damaged record keeps no tables
        held.append(tables_kept(folder, lambda path: path) or {})
    for what, name in (("readings", READINGS), ("bench notes", CONDITIONS)):
        if any(len(tables.get(name, b"").strip().splitlines()) > 1 for tables in held):
            return what
    return ""


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
        LAYOUT_HASH: _hash(layout.patches),
        "splitboard:plan": plan.as_dict(),
        NOTICED: [],
    }
    contents = aside | {folder.layout_file.name: layout_text(layout.patches, neutral=True).encode()}
    tables = guarded.on_disk(folder, lambda path: path) | contents
    contents[folder.package_file.name] = described(folder, plan, record, tables)
    change.make(folder.path, contents)
    return tuple(aside)


def add_to_layout(folder: Folder, plan: Plan, plan_text: str, patches: pd.DataFrame, added: Layout) -> None:
    """Write the plan and the layout with the boards of a later occasion, as one change; the caller holds the lock.

    A scoring that was closed is open again with them. The plan goes on record as that of these boards alone.

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
    occasion = {
        "seed": added.seed, "boards": plan.added[-1], "version": __version__, "laidOutAt": now(),
        "plan": plan.as_dict(),
    }  # fmt: skip
    record |= {
        "splitboard:layoutDigest": plan.layout_digest(),
        LAYOUT_HASH: _hash(patches),
        "splitboard:added": [*record.get("splitboard:added", []), occasion],
    }
    if is_closed(record.get(SCORING, [])):
        record = with_act(record, "opened", len(load_readings(folder)), "boards were added")
    text = layout_text(patches, neutral=True)
    put(folder, plan, record, {folder.layout_file.name: text.encode(), folder.plan_file.name: plan_text.encode()})


def load_layout(folder: Folder, plan: Plan) -> pd.DataFrame:
    """Read layout.csv and make sure that it still is what the plan laid out.

    Returns
    -------
    The patches, columns and types as `trials.design.Layout.patches`.

    Raises
    ------
    UserError
        Not laid out yet; the plan's boards, factors, exclusions or controls have changed since; or a cell of
        layout.csv has been edited (which one).
    """
    return steadily(folder, lambda where: layout_seen(folder, plan, where))


def layout_seen(folder: Folder, plan: Plan, where: Where, tables: Mapping[str, bytes] | None = None) -> pd.DataFrame:
    """Read the layout of a folder that stands still, or from its tables; see `load_layout`."""
    record = record_seen(folder, where)
    tables = tables_seen(folder, where) if tables is None else tables
    if LAYOUT not in tables:
        raise UserError(Problem("layout.csv is gone", back(folder)))
    for kind, words, says in (("rehearsal", "a rehearsal", plan.rehearsal), ("example", "an example", plan.example)):
        if says != bool(record.plan.get(kind)):
            what = f"the plan no longer says what this folder was laid out as, {'a trial' if says else words}"
            cure = f"take {kind} = true out again" if says else f"put {kind} = true back under [trial]"
            raise UserError(Problem(what, cure, file="trial.toml"))
    _check_scales(plan, record.plan)
    found = prespecified.changed(record.plan, record.laid_out, plan)
    changed = ", ".join(prespecified.words(one) for one in found if one.what[0] in prespecified.LAYOUT)
    if changed:
        again = command("plan --discard-layout", folder.path)
        cure = f"undo the change, or run '{again}' to lay the boards out anew"
        if readings_in(tables) or conditions_in(tables):
            another = f"'splitboard new NEW_FOLDER --like {typed(folder.path)}'"
            cure = f"undo the change; for another plan start a follow-up with {another}"
        raise UserError(
            Problem(f"the plan was changed after the boards were laid out ({changed})", cure, file="trial.toml")
        )
    table = csv_source.from_bytes(tables[LAYOUT], LAYOUT)
    patches = _as_patches(folder, table, plan)
    if _hash(patches) != record.layout_hash:
        cure = f"undo the edit; {anew(folder)}"
        raise UserError(Problem("the layout is not the one that was recorded", cure, file=table.name))
    return patches


def _check_scales(plan: Plan, laid_out: Mapping[str, Any]) -> None:
    """Refuse a plan by whose words the grades run the other way than when its boards were laid out."""
    before = {one["name"]: one for one in laid_out.get("responses", ())}
    for response in plan.responses:
        was = before.get(response.name, {})
        words = tuple(was.get("anchors", ()))
        if words and words == response.anchors[::-1]:
            last, scale = len(words), SCALES.get(response.name)
            aim = f'aim = "{scale.the_other_aim}" and ' if scale and was.get("aim") in ("more", "less") else ""
            what = (
                f"when the boards were laid out, grade {last} of {response.words} was {words[-1]!r}; by the plan "
                f"it is now {response.anchors[-1]!r}"
            )
            cure = f"to keep what was scored write {aim}anchors = {json.dumps(words, ensure_ascii=False)} under it"
            raise UserError(Problem(what, cure, file="trial.toml"))


def _as_patches(folder: Folder, table: csv_source.Table, plan: Plan) -> pd.DataFrame:
    """Return the cells of layout.csv with their types."""
    import pandas as pd

    names = [factor.name for factor in plan.factors]
    numbers = ["patch", "lot", "board", "lane", "strip", "board_order"]
    columns = [*numbers, *names, "control"]
    if table.header != tuple(columns):
        raise UserError(
            Problem(
                f"the columns are {', '.join(table.header)}, but the plan's layout has {', '.join(columns)}",
                back(folder),
                file=table.name, line=1,
            )
        )  # fmt: skip
    rows = []
    for row in table.rows:
        cells: dict[str, object] = {name: row.cells[name] or None for name in names}
        for name in numbers:
            if not re.fullmatch("[0-9]{1,6}", row.cells[name]):
                raise UserError(
                    Problem(
                        f"{row.cells[name]!r} is not a whole number",
                        f"undo the edit; {anew(folder)}",
                        file=table.name, line=row.number, column=name,
                    )
                )  # fmt: skip
            cells[name] = int(row.cells[name])
        rows.append(cells | {"control": row.cells["control"]})
    return pd.DataFrame(rows, columns=columns)
