"""The journal: readings and bench notes, to which rows are added and from which none is ever taken.

A reading that was wrong is corrected by a further row, which names the reading it corrects and the row of that.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from trials import cells, csv_source, limits
from trials.csv_text import csv_text, neutral, plain
from trials.errors import Problem, UserError
from trials.folder import change
from trials.folder.description import kept, put, tables_seen
from trials.folder.place import CONDITIONS, READINGS, Folder
from trials.folder.reading import Where, steadily
from trials.plan import Plan

if TYPE_CHECKING:
    import pandas as pd

READING_COLUMNS = (
    "patch", "response", "value", "assessor", "stage", "repeat", "taken_at", "method", "source", "note",
    "against", "supersedes", "reason",
)  # fmt: skip
FIRST_COLUMNS = READING_COLUMNS[:10]
"""The columns of a readings.csv in which nothing was compared or corrected before there were columns for it."""
KEY = ("patch", "response", "assessor", "stage", "repeat", "against")
"""What makes two readings the same reading; of a correction, what names the row it takes the place of."""
CONDITION_COLUMNS = (
    "board", "patch", "step", "started_at", "ended_at", "temperature_c", "humidity_pct", "note",
)  # fmt: skip

_ONLY_OURS = "this file is written by 'splitboard record' only: put it back from a copy"


def has_readings(folder: Folder) -> bool:
    """Whether any reading has been taken in."""
    return bool(load_readings(folder))


def load_readings(folder: Folder) -> list[dict[str, str]]:
    """Return every row of readings.csv as text cells, in the order they were taken in, corrected ones too."""
    return steadily(folder, lambda where: readings_seen(folder, where))


def load_conditions(folder: Folder) -> list[dict[str, str]]:
    """Return what was noted at the bench as text cells."""
    return steadily(folder, lambda where: conditions_seen(folder, where))


def readings_seen(folder: Folder, where: Where) -> list[dict[str, str]]:
    """Read the readings of a folder that stands still."""
    return readings_in(tables_seen(folder, where))


def conditions_seen(folder: Folder, where: Where) -> list[dict[str, str]]:
    """Read the bench notes of a folder that stands still."""
    return conditions_in(tables_seen(folder, where))


def readings_in(tables: Mapping[str, bytes]) -> list[dict[str, str]]:
    """Return the rows of readings.csv among tables, of which there may be none."""
    return _load(tables.get(READINGS), READINGS, READING_COLUMNS, FIRST_COLUMNS)


def conditions_in(tables: Mapping[str, bytes]) -> list[dict[str, str]]:
    """Return the rows of conditions.csv among tables, of which there may be none."""
    return _load(tables.get(CONDITIONS), CONDITIONS, CONDITION_COLUMNS, CONDITION_COLUMNS)


def check_cells(
    plan: Plan,
    patches: pd.DataFrame,
    readings: Sequence[dict[str, str]],
    conditions: Sequence[dict[str, str]],
) -> None:
    """Make sure that every cell holds what it may hold when it is recorded.

    Raises
    ------
    UserError
        Every cell that does not, with file, row and column.
    """
    problems = [*cells.of_readings(readings, plan, patches), *cells.of_conditions(conditions, patches)]
    if problems:
        raise UserError(*problems)


def standing(rows: Sequence[dict[str, str]]) -> list[dict[str, str]]:
    """Return the readings that stand: neither corrected by a later row nor withdrawn.

    Parameters
    ----------
    rows : every row of readings.csv from row 2 on.

    Returns
    -------
    Those that stand, the very dictionaries. A row that supersedes another and has no value withdraws it.

    Raises
    ------
    UserError
        A row supersedes what is no earlier row, a row of another reading, or one superseded already.
    """
    gone: dict[int, int] = {}
    for number, row in enumerate(rows, start=2):
        named = row.get("supersedes", "")
        if not named:
            continue
        if not (named.isascii() and named.isdigit() and 2 <= int(named) < number):
            raise _no_such_row(f"{named!r} is not the number of an earlier row", number)
        if int(named) in gone:
            raise _no_such_row(f"row {int(named)} is superseded by row {gone[int(named)]} already", number)
        gone[int(named)] = number
        superseded = rows[int(named) - 2]
        for column in KEY:
            here, there = row.get(column, ""), superseded.get(column, "")
            if here != there:
                what = f"the row corrects {column} {here or '(empty)'}, but row {named} holds {there or 'none'}"
                raise _no_such_row(what, number)
    return [
        row
        for number, row in enumerate(rows, start=2)
        if number not in gone and (row["value"] or not row.get("supersedes"))
    ]


def _no_such_row(what: str, number: int) -> UserError:
    return UserError(Problem(what, _ONLY_OURS, file="readings.csv", line=number, column="supersedes"))


def append(
    folder: Folder, plan: Plan, readings: Sequence[dict[str, str]] = (), conditions: Sequence[dict[str, str]] = ()
) -> None:
    """Add readings and bench notes at the end of their tables, as one change; the caller holds the lock.

    Parameters
    ----------
    readings : text cells by column; of a reading that is neither compared nor a correction the last three columns
        may be missing.
    conditions : text cells by column.

    Raises
    ------
    UserError
        A file cannot be written, or is not as it was written last: nothing is taken in then. A row supersedes what
        cannot be superseded.
    """
    change.finish(folder.path)
    tables = tables_seen(folder, lambda path: path)
    contents: dict[str, bytes] = {}
    if readings:
        standing([*readings_in(tables), *readings])
        contents[READINGS] = _with_readings(tables.get(READINGS), readings)
    if conditions:
        rows = [[row[column] for column in CONDITION_COLUMNS] for row in conditions]
        contents[CONDITIONS] = _longer(tables.get(CONDITIONS), CONDITIONS, CONDITION_COLUMNS, rows)
    if contents:
        put(folder, plan, kept(folder), contents, "nothing was taken in")


def append_readings(folder: Folder, plan: Plan, rows: Sequence[dict[str, str]]) -> None:
    """Add readings at the end of readings.csv; see `append`."""
    append(folder, plan, readings=rows)


def append_conditions(folder: Folder, plan: Plan, rows: Sequence[dict[str, str]]) -> None:
    """Add bench notes at the end of conditions.csv; see `append`."""
    append(folder, plan, conditions=rows)


def _with_readings(before: bytes | None, new: Sequence[dict[str, str]]) -> bytes:
    """Return readings.csv with rows added; one from before the last three columns gets them once they are needed."""
    later = READING_COLUMNS[len(FIRST_COLUMNS) :]
    rows = [[*(row[column] for column in FIRST_COLUMNS), *(row.get(column, "") for column in later)] for row in new]
    if before is None or tuple(_records(before, READINGS)[0]) == READING_COLUMNS:
        return _longer(before, READINGS, READING_COLUMNS, rows)
    if any(any(row[len(FIRST_COLUMNS) :]) for row in rows):
        return _longer(before, READINGS, READING_COLUMNS, rows, widen_by=len(later))
    return _longer(before, READINGS, FIRST_COLUMNS, [row[: len(FIRST_COLUMNS)] for row in rows])


def _longer(
    before: bytes | None, name: str, columns: Sequence[str], rows: Sequence[Sequence[str]], widen_by: int = 0
) -> bytes:
    """Return a table with rows added: what stood there stays, byte for byte but for the cells it is widened by.

    Raises
    ------
    UserError
        Read again, the table would not hold what it held before and the new rows.
    """
    header = csv_text(columns, []).encode()
    rows = [[neutral(cell) for cell in row] for row in rows]
    before = header if before is None else before
    held = _records(before, name)
    if not before.endswith((b"\n", b"\r")):
        before += b"\n"
    if widen_by:
        before = _widened(before, columns[-widen_by:])
        held = [list(columns), *([*row, *[""] * widen_by] for row in held[1:])]
    after = before + csv_text(columns, rows).encode()[len(header) :]
    if not _reads_as(after, name, [*held, *map(list, rows)]):
        what = "nothing can be added to it as it is: quotation marks that do not pair up, or not saved as UTF-8"
        raise UserError(Problem(what, _ONLY_OURS, file=name))
    return after


def _widened(data: bytes, names: Sequence[str]) -> bytes:
    """Return a csv file whose header has these columns more and whose rows have as many empty cells more."""
    lines = io.StringIO(data.decode("utf-8", "surrogateescape"), newline="").readlines()
    reader = csv.reader(lines)
    out, done = [], 0
    for number, _ in enumerate(reader):
        record = "".join(lines[done : reader.line_num])
        body = record.rstrip("\r\n")
        out.append(body + "".join(f",{'' if number else name}" for name in names) + record[len(body) :])
        done = reader.line_num
    return "".join(out).encode("utf-8", "surrogateescape")


def _reads_as(data: bytes, name: str, wanted: list[list[str]]) -> bool:
    try:
        return _records(data, name) == wanted
    except UserError:
        return False


def _load(data: bytes | None, name: str, columns: Sequence[str], first: Sequence[str]) -> list[dict[str, str]]:
    """Return a table's rows; `first` are the columns it may have alone, the others are then empty."""
    if data is None:
        return []
    records = _records(data, name)
    header = records[0] if records else []
    if header not in (list(columns), list(first)):
        what = f"the first row is not {','.join(columns)}"
        raise UserError(Problem(what, _ONLY_OURS, file=name, line=1))
    typed = (lambda row: map(plain, row)) if b"'" in data else iter
    rows = []
    for number, row in enumerate(records[1:], start=2):
        if len(row) != len(header):
            what = f"the row has {len(row)} cells, the header {len(header)}"
            raise UserError(Problem(what, _ONLY_OURS, file=name, line=number))
        rows.append(dict.fromkeys(columns, "") | dict(zip(header, typed(row), strict=True)))
    return rows


def _records(data: bytes, name: str) -> list[list[str]]:
    text = csv_source.decode(data, name)
    limits.check_table(text, name)
    try:
        return list(csv.reader(io.StringIO(text, newline="")))
    except csv.Error as error:
        raise UserError(Problem(f"is damaged ({error})", _ONLY_OURS, file=name)) from None
