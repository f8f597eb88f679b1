"""What a table says otherwise than when it was written last: rows gone, added, changed, in another order.

Pure: bytes in, facts and words out. What a spreadsheet does to a file without changing what it says is no difference:
quotation marks, line ends, the mark of an encoding, separators, the order of columns, 3,50 for 3.5, empty rows.
"""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from trials import csv_source
from trials.csv_text import plain
from trials.errors import UserError
from trials.folder.place import LAYOUT

Cells = tuple[str, ...]
"""A row's cells, in the order of the columns as they were written."""

_IDENTITY = {
    "readings.csv": ("patch", "response", "assessor", "stage", "repeat", "against", "supersedes"),
    "conditions.csv": ("board", "patch", "step"),
    "layout.csv": ("patch",),
}
"""What makes two rows of a table the same row with another value."""
_SHOWN = 10
"""Changed cells that are kept in full; the table as it was tells the rest."""


@dataclass(frozen=True)
class Rows:
    """How many rows, and the first and the last of them (the header is row 1)."""

    count: int
    first: int
    last: int


@dataclass(frozen=True)
class Cell:
    """A cell that was changed, and its row in the file as it is."""

    row: int
    column: str
    was: str
    now: str


@dataclass(frozen=True)
class Difference:
    """How a file differs from the table as it was written last.

    Attributes
    ----------
    name : the file.
    gone : rows as they were numbered then.
    added, changed, moved : rows as they are numbered now.
    cells : the first cells that were changed.
    unreadable : why the file is no such table at all.
    """

    name: str
    gone: Rows | None = None
    added: Rows | None = None
    changed: Rows | None = None
    moved: Rows | None = None
    cells: tuple[Cell, ...] = ()
    unreadable: str = ""

    @property
    def words(self) -> str:
        """What differs, as clauses with commas between."""
        return ", ".join(self._clauses())

    def _clauses(self) -> Iterator[str]:
        if self.unreadable:
            yield self.unreadable
        if self.gone:
            yield _clause(self.gone, "is gone", "are gone")
        if self.added:
            yield _clause(self.added, "was added", "were added")
        if self.changed:
            such = [f"row {one.row}, column {one.column}{self._became(one)}" for one in self.cells[:1]]
            if self.changed.count > 1:
                such = [_clause(self.changed, "was changed", "were changed"), *(f"such as {one}" for one in such)]
            yield from such
        if self.moved:
            yield _clause(self.moved, "stands in another place", "stand in another order")

    def _became(self, one: Cell) -> str:
        """Say what a cell became; of the layout not, for whoever scores may read it."""
        return "" if self.name == LAYOUT else f": {one.was!r} became {one.now!r}"


def _clause(rows: Rows, one: str, several: str) -> str:
    if rows.count == 1:
        return f"row {rows.first} {one}"
    return f"{rows.count} rows {several} (the first is row {rows.first}, the last row {rows.last})"


def from_record(values: Mapping[str, Any]) -> Difference:
    """Return a difference from the plain values it was put on record as, which have its shape."""

    def rows(kind: str) -> Rows | None:
        found = values.get(kind)
        return Rows(found["count"], found["first"], found["last"]) if found else None

    cells = tuple(Cell(one["row"], one["column"], one["was"], one["now"]) for one in values.get("cells", ()))
    return Difference(
        values["name"], rows("gone"), rows("added"), rows("changed"), rows("moved"), cells,
        values.get("unreadable", ""),
    )  # fmt: skip


def written(data: bytes, name: str) -> tuple[Cells, list[Cells]]:
    """Return the columns and rows of a table as this tool writes it.

    Raises
    ------
    UserError
        It is no text.
    """
    header, *rows = csv.reader(io.StringIO(csv_source.decode(data, name), newline=""))
    return tuple(header), [tuple(map(plain, row)) for row in rows]


def saved(data: bytes, name: str, columns: Cells) -> list[Cells]:
    """Return the rows of a table as any program may have saved it, its cells under the columns as they were written.

    Raises
    ------
    UserError
        It is no such table.
    """
    if len(csv_source.decode(data, name).split()) <= 1:
        header, rows = tuple(csv_source.decode(data, name).strip().replace('"', "").replace(";", ",").split(",")), []
    else:
        table = csv_source.from_bytes(data, name)
        header, rows = table.header, [row.cells for row in table.rows]
    held = [column for column in header if column in columns or any(row[column] for row in rows)]
    apart = [column for column in (*columns, *held) if column not in columns or column not in held]
    if apart:
        raise UserError(f"its columns are not those it was written with ({', '.join(apart)})")
    return [tuple(row[column] for column in columns) for row in rows]


def find(name: str, was: bytes, now: bytes | None) -> Difference | None:
    """Return how a file differs from the table as it was written last, or None where it says the same.

    Parameters
    ----------
    now : the file's bytes; None where there is no file.
    """
    if was == now:
        return None
    columns, old = written(was, name)
    if now is None:
        return Difference(name, unreadable="the file is gone")
    try:
        new = saved(now, name, columns)
    except UserError as error:
        return Difference(name, unreadable=error.problems[0].what)
    before, after = [_meaning(row) for row in old], [_meaning(row) for row in new]
    if before == after:
        return None
    gone, added = _left_over(before, after), _left_over(after, before)
    stayed = [at for at in range(len(after)) if at not in added]
    order = [before[at] for at in range(len(before)) if at not in gone]
    moved = [at for at, row in zip(stayed, order, strict=True) if after[at] != row]
    pairs = _pairs(name, columns, before, after, gone, added)
    cells = [
        Cell(at + 2, column, old[was_at][place], new[at][place])
        for was_at, at in pairs
        for place, column in enumerate(columns)
        if before[was_at][place] != after[at][place]
    ]
    paired_old, paired_new = {one for one, _ in pairs}, {one for _, one in pairs}
    return Difference(
        name, _rows(gone - paired_old), _rows(added - paired_new), _rows(paired_new), _rows(moved),
        tuple(cells[:_SHOWN]),
    )  # fmt: skip


def mended(was: bytes, now: bytes, name: str) -> list[Cells]:
    """Return a file's rows, each that says the same as one written before in the very cells of that.

    Raises
    ------
    UserError
        As `saved`.
    """
    columns, old = written(was, name)
    known = {_meaning(row): row for row in old}
    return [known.get(_meaning(row), row) for row in saved(now, name, columns)]


def _meaning(row: Cells) -> Cells:
    """Return a row's cells in the one form in which they are compared."""
    return tuple(_said(cell) for cell in row)


def _said(cell: str) -> str:
    text = cell.strip()
    number = csv_source.number(text)
    return text.replace("\r\n", "\n").replace("\r", "\n") if number is None else f"{number:.15g}"


def _left_over(rows: Sequence[Cells], others: Sequence[Cells]) -> set[int]:
    """Return the places of the rows that have no match among others."""
    free = Counter(others)
    found = set()
    for at, row in enumerate(rows):
        if free[row]:
            free[row] -= 1
        else:
            found.add(at)
    return found


def _pairs(
    name: str, columns: Cells, before: Sequence[Cells], after: Sequence[Cells], gone: set[int], added: set[int]
) -> list[tuple[int, int]]:
    """Return which rows that are gone became which that were added: the same reading, else the same place."""
    places = [columns.index(column) for column in _IDENTITY.get(name, ()) if column in columns]

    def by_identity(rows: Sequence[Cells], ats: set[int]) -> dict[Cells, int]:
        keys = {at: tuple(rows[at][place] for place in places) for at in ats}
        count = Counter(keys.values())
        return {key: at for at, key in keys.items() if count[key] == 1}

    olds, news = by_identity(before, gone), by_identity(after, added)
    pairs = {olds[key]: news[key] for key in olds if key in news}
    left, free = gone - pairs.keys(), added - set(pairs.values())
    pairs |= {at: at for at in left & free}
    return sorted(pairs.items(), key=lambda pair: pair[1])


def _rows(places: set[int] | list[int]) -> Rows | None:
    return Rows(len(places), min(places) + 2, max(places) + 2) if places else None
