"""A table that was changed outside: put on record as it is now, or put back as it was; either way nothing is lost."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, replace

from trials.csv_text import csv_text
from trials.errors import Problem, UserError, typed
from trials.folder import change, differences, guarded
from trials.folder.clock import now
from trials.folder.description import ACCEPTED, Accepted, accept_edit, kept, put, record_seen, tables_kept
from trials.folder.differences import Difference
from trials.folder.journal import check_cells, conditions_in, readings_in, standing
from trials.folder.layout_file import layout_seen
from trials.folder.place import LAYOUT, Folder
from trials.plan import Plan


def outside(folder: Folder) -> list[Difference]:
    """Return how the tables differ from what was written last; the caller holds the lock.

    Raises
    ------
    UserError
        None of them does, or the record of the layout is damaged.
    """
    change.finish(folder.path)
    kept_tables = tables_kept(folder, lambda path: path)
    there = guarded.on_disk(folder, lambda path: path)
    found = [] if kept_tables is None else guarded.changed(kept_tables, there)
    if not found:
        record_seen(folder, lambda path: path)
        raise UserError(
            Problem("nothing was changed outside splitboard", "there is nothing to accept or to put back")
        )
    return found


def accept(folder: Folder, plan: Plan, why: str) -> list[Accepted]:
    """Put on record that tables were changed outside, and go on with them; the caller holds the lock.

    Each is kept as it was under a dated name. A record that was edited itself comes first and alone; as it was is not
    known, and as it is it is kept.

    Raises
    ------
    UserError
        Nothing was changed; the layout was, which says what lies on the boards already; or what stands in a table now
        could not have been recorded.
    """
    edited = accept_edit(folder, plan, why)
    if edited is not None:
        parts, kept_as = edited
        return [Accepted(now(), why, Difference("datapackage.json", unreadable=f"{parts} edited"), kept_as)]
    found = outside(folder)
    here = guarded.on_disk(folder, lambda path: path)
    before = tables_kept(folder, lambda path: path) or {}
    back = f"put it back with 'splitboard accept {typed(folder.path)} --put-back'"
    for one in found:
        if one.name == LAYOUT:
            what = "what was laid on a board stays on it, so no other layout is accepted"
            raise UserError(Problem(what, back, file=one.name))
        if one.unreadable:
            raise UserError(Problem(f"cannot be accepted: {one.unreadable}", back, file=one.name))
    after = {one.name: _rewritten(before[one.name], here[one.name], one.name) for one in found}
    try:
        _check(folder, plan, before | after)
    except UserError as error:
        problems = (replace(one, cure=f"correct it there, or {back}") if one.line else one for one in error.problems)
        raise UserError(*problems) from None
    made = [Accepted(now(), why, one, folder.aside(folder.path / one.name)) for one in found]
    record = kept(folder)
    record |= {ACCEPTED: [*record.get(ACCEPTED, []), *(asdict(one) for one in made)]}
    aside = {one.kept_as: before[one.difference.name] for one in made}
    put(folder, plan, record, aside | after, tables=before)
    return made


def put_back(folder: Folder) -> list[tuple[str, str]]:
    """Put the tables back as they were written last; the caller holds the lock.

    Returns
    -------
    Of each its name, and the name under which the changed file is kept (empty where there was none).
    """
    found = outside(folder)
    here = guarded.on_disk(folder, lambda path: path)
    before = tables_kept(folder, lambda path: path) or {}
    names = [(one.name, folder.aside(folder.path / one.name) if one.name in here else "") for one in found]
    contents = {as_name: here[name] for name, as_name in names if as_name}
    contents |= {name: before[name] for name, _ in names if name in before}
    change.make(folder.path, contents, before=here, gone=[name for name, _ in names if name not in before])
    return names


def _rewritten(was: bytes, now: bytes, name: str) -> bytes:
    columns, _ = differences.written(was, name)
    return csv_text(columns, differences.mended(was, now, name), neutral=True).encode()


def _check(folder: Folder, plan: Plan, tables: Mapping[str, bytes]) -> None:
    """Make sure that every row could have been recorded as it stands."""
    patches = layout_seen(folder, plan, lambda path: path, tables)
    readings = readings_in(tables)
    check_cells(plan, patches, readings, conditions_in(tables))
    standing(readings)
