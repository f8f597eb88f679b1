"""A file of results read in whichever form it came: a csv or a workbook, a form, or an instrument's export."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from trials import colorimeter, table_source
from trials.csv_source import PATCH_NAMES, Row, Table
from trials.errors import Problem, UserError, nearest
from trials.plan import Plan
from trials.records.columns import column_name


@dataclass(frozen=True)
class Options:
    """What the person at the keyboard says of how the file is to be read."""

    sheet: str = ""
    codes: str = ""
    illuminant: str = ""
    observer: str = ""


@dataclass(frozen=True)
class Source:
    """A file as a table to check.

    Attributes
    ----------
    instrument : columns of an instrument and the responses they are readings of.
    method : how an instrument read it; empty for anything else.
    said : what was left unread, in sentences.
    """

    table: Table
    instrument: dict[str, str]
    method: str = ""
    said: tuple[str, ...] = ()


def read(path: Path, plan: Plan, options: Options) -> Source:
    """Read a file of results.

    Raises
    ------
    UserError
        It cannot be read, or it is an instrument's export in which the plan has no response.
    """
    table = _with_codes(table_source.read(path, options.sheet, options.codes), options.codes)
    own = {response.name.lower() for response in plan.responses}
    names = {column_name(name) for name in table.header}
    if names & own or {"response", "value"} <= names or not colorimeter.is_colours(table):
        return Source(table, {})
    colours = colorimeter.prepared(table, options.illuminant, options.observer)
    responses = _read_in(plan, table.name)
    aside = [name for name in colorimeter.AXES if name in colours.table.header and name not in responses]
    wanted = {
        name: responses[name] for name in colorimeter.AXES if name in colours.table.header and name in responses
    }
    if not wanted:
        what = f"the file holds {', '.join(aside)}, and the plan has no response measured in any of them"
        raise UserError(Problem(what, 'give a response of kind "measure" unit = "L*" in trial.toml', file=table.name))
    left = [*colours.aside, *aside]
    said = (
        (f"{table.name}: left unread, as no response of the plan is read in it: {', '.join(left)}.",) if left else ()
    )
    return Source(_without(colours.table, aside), wanted, colours.method, said)


def _with_codes(table: Table, named: str) -> Table:
    """Return the table with the column that holds the codes named patch."""
    if not named:
        return table
    column = next((name for name in table.header if column_name(name) == column_name(named)), None)
    if column is None:
        raise UserError(Problem(f"there is no column {named!r}", nearest(named, table.header), file=table.name))
    ours = {column: PATCH_NAMES[0]}
    rows = tuple(
        Row(row.number, {ours.get(name, name): text for name, text in row.cells.items()}) for row in table.rows
    )
    return replace(table, header=tuple(ours.get(name, name) for name in table.header), rows=rows)


def _read_in(plan: Plan, file: str) -> dict[str, str]:
    """Return which response is read in which of an instrument's values."""
    found: dict[str, str] = {}
    for name in colorimeter.AXES:
        fitting = [one.name for one in plan.responses if one.kind == "measure" and one.unit.replace(" ", "") == name]
        if len(fitting) > 1:
            what = f"{' and '.join(fitting)} are both measured in {name}, so it cannot be told which the file holds"
            raise UserError(Problem(what, f"rename the column {name} to the response it is of", file=file))
        if fitting:
            found[name] = fitting[0]
    return found


def _without(table: Table, columns: list[str]) -> Table:
    kept = tuple(name for name in table.header if name not in columns)
    rows = tuple(Row(row.number, {name: row.cells[name] for name in kept}) for row in table.rows)
    return replace(table, header=kept, rows=rows)
