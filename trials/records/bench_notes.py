"""Bench notes: what was done to which board or patch, when, how warm and how damp."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from trials.cells import AMOUNTS, Fault, amount, in_order, place, time
from trials.csv_source import Row, Table
from trials.errors import Problem, UserError, nearest
from trials.folder import CONDITION_COLUMNS
from trials.plan import Plan
from trials.records.columns import column_name
from trials.records.taking import Checked

if TYPE_CHECKING:
    import pandas as pd


def is_conditions(table: Table) -> bool:
    """Whether a file holds bench notes rather than readings."""
    names = {column_name(name) for name in table.header}
    return "step" in names and "response" not in names


def check_conditions(table: Table, plan: Plan, patches: pd.DataFrame, recorded: Sequence[dict[str, str]]) -> Checked:
    """Check a file of bench notes.

    Parameters
    ----------
    table : one row a note, columns as conditions.csv.
    plan, patches : the plan and its layout.
    recorded : the notes taken in so far.

    Raises
    ------
    UserError
        A column is not known, or the plan is a rehearsal.
    """
    if plan.rehearsal:
        what = "these are bench notes, and this folder is a rehearsal, for which no wood was cut"
        raise UserError(Problem(what, "record them in the trial's own folder", file=table.name))
    columns = {column_name(name): name for name in table.header}
    problems = [
        Problem(
            f"column {name!r} is not known", nearest(name, CONDITION_COLUMNS), file=table.name, line=1, column=name
        )
        for word, name in columns.items()
        if word not in CONDITION_COLUMNS
    ]
    if problems:
        raise UserError(*problems)
    places = {name: {str(code) for code in patches[name]} for name in ("board", "patch")}
    known = {tuple(row[name] for name in CONDITION_COLUMNS) for row in recorded}
    new: list[dict[str, str]] = []
    already = 0
    for row in table.rows:
        try:
            note = _bench_note(row, columns, places)
            key = tuple(note[name] for name in CONDITION_COLUMNS)
            already += key in known
            if key not in known:
                new.append(note)
                known.add(key)
        except Fault as fault:
            problems.append(fault.at(table.name, row.number, len(problems)))
    return Checked(tuple(new), already, 0, tuple(problems))


def _bench_note(row: Row, columns: dict[str, str], places: dict[str, set[str]]) -> dict[str, str]:
    cells = {name: row.cells[columns[name]] if name in columns else "" for name in CONDITION_COLUMNS}
    if not cells["step"]:
        raise Fault("the row names no step of the work", "write what was done, such as dye", "step")
    for name in ("board", "patch"):
        place(cells[name], name, places[name])
    for name in ("started_at", "ended_at"):
        cells[name] = time(cells[name], name)
    in_order(cells["started_at"], cells["ended_at"])
    for name in AMOUNTS:
        cells[name] = amount(cells[name], name)
    return cells
