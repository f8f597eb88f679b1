"""The stock there is to cut boards from: planks, read from a csv file or from text."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from trials import csv_source, units
from trials.errors import Problem, UserError, nearest

COLUMNS = ("plank", "lot", "length", "width")
MORE_COLUMNS = ("avoid", "sap")
"""Columns a stock table may leave out: stretches to avoid along the plank, the width of sapwood at an edge."""
_EXAMPLE = "A1: 2400 mm x 210 mm, lot A, avoid 400 mm to 450 mm, sap 15 mm"
_PLANK = re.compile(r"\s*([^:]+?)\s*:\s*(.+?)\s*[x×]\s*(.+)", re.DOTALL)
_FROM_TO = re.compile(r"\s*(?:from\s+)?(.+?)\s*(?:\bto\b|–|-(?!\d+/\d))\s*(.+?)\s*", re.DOTALL)
_LONGEST_MM = 20_000.0


@dataclass(frozen=True)
class Plank:
    """A piece of stock.

    Attributes
    ----------
    name : what is written on it.
    lot : the lot it is of; planks of one tree or bundle share theirs.
    avoid : from and to, in mm from end A, of stretches no board may hold, such as a knot; the cut beside
        one may lie in it.
    sap_mm : width along the edge opposite edge A that no board may hold.
    """

    name: str
    lot: str
    length_mm: float
    width_mm: float
    avoid: tuple[tuple[float, float], ...] = ()
    sap_mm: float = 0.0

    @property
    def clear_width_mm(self) -> float:
        """The width boards may take."""
        return self.width_mm - self.sap_mm

    @property
    def area_mm2(self) -> float:
        """The whole face, sapwood and all."""
        return self.length_mm * self.width_mm


def read_stock(path: Path) -> tuple[Plank, ...]:
    """Read the stock from a csv file with the columns plank, lot, length, width and perhaps avoid and sap.

    Lengths carry their units; an empty lot makes the plank a lot of its own; avoid holds stretches such as
    ``400 mm to 450 mm; 1900 mm to 1960 mm``, measured from end A.

    Raises
    ------
    UserError
        The file cannot be read, or with every fault in it.
    """
    table = csv_source.read(path)
    missing = [column for column in COLUMNS if column not in table.header]
    if missing:
        cure = f"head the columns {', '.join(COLUMNS)} (and {' and '.join(MORE_COLUMNS)}, if you need them)"
        raise UserError(Problem(f"there is no column {missing[0]!r}", cure, file=table.name, line=1))
    odd = [column for column in table.header if column not in (*COLUMNS, *MORE_COLUMNS, "note")]
    if odd:
        cure = nearest(odd[0], (*COLUMNS, *MORE_COLUMNS, "note"))
        raise UserError(Problem(f"there is no such column as {odd[0]!r}", cure, file=table.name, line=1))
    return _planks((row.cells, table.name, row.number) for row in table.rows)


def read_stock_text(text: str) -> tuple[Plank, ...]:
    """Read the stock from text, a plank a line (or between semicolons).

    Each reads ``A1: 2400 mm x 210 mm, lot A, avoid 400 mm to 450 mm, sap 15 mm``; all from ``lot`` on may be
    left out, and ``avoid`` may stand several times.

    Raises
    ------
    UserError
        With every fault in it.
    """
    lines = [line.strip() for line in re.split(r"[;\n]", text) if line.strip()]
    found, problems = [], []
    for number, line in enumerate(lines, start=1):
        parts = [part.strip() for part in re.split(r",(?!\d)", line)]
        head = _PLANK.fullmatch(parts[0])
        if head is None:
            problems.append(Problem(f"{line!r} does not name a plank and its size", f"write it as {_EXAMPLE!r}"))
            continue
        length = units.with_unit_of(head[2], head[3])
        cells = {"plank": head[1], "length": length, "width": head[3], "avoid": ""}
        for part in parts[1:]:
            word, _, rest = part.partition(" ")
            if word not in ("lot", "avoid", "sap"):
                problems.append(
                    Problem(f"{part!r} of plank {head[1]!r} is not understood", f"write it as {_EXAMPLE!r}")
                )
            cells[word] = f"{cells['avoid']}; {rest}" if word == "avoid" else rest.strip()
        found.append((cells, "the stock", number))
    if problems:
        raise UserError(*problems)
    return _planks(found)


def _planks(rows: Iterable[tuple[Mapping[str, str], str, int]]) -> tuple[Plank, ...]:
    """Return the planks of rows, each with the name of its file and its number there; raise every fault."""
    planks: dict[str, Plank] = {}
    problems: list[Problem] = []
    for cells, file, number in rows:
        try:
            plank = _plank(cells)
            if plank.name in planks:
                raise UserError(Problem(f"there are two planks {plank.name!r}", "give each a name", column="plank"))
            planks[plank.name] = plank
        except UserError as error:
            problems += [Problem(p.what, p.cure, file=file, line=number, column=p.column) for p in error.problems]
    if problems:
        raise UserError(*problems)
    return tuple(planks.values())


def _plank(cells: Mapping[str, str]) -> Plank:
    """Return the plank of one row.

    Raises
    ------
    UserError
        With the row's first fault and its column.
    """
    name = cells["plank"].strip()
    if not name:
        raise UserError(Problem("the plank has no name", "write what is marked on it", column="plank"))
    length = _length(cells["length"], "length")
    width = _length(cells["width"], "width")
    sap = _length(cells["sap"], "sap") if cells.get("sap", "").strip() else 0.0
    if sap >= width:
        raise UserError(
            Problem(f"sapwood of {sap:g} mm leaves nothing of {width:g} mm", "measure again", column="sap")
        )
    pieces = [piece for piece in re.split(r";|,(?!\d)|\band\b", cells.get("avoid", "")) if piece.strip()]
    avoid = tuple(sorted(_stretch(piece, length) for piece in pieces))
    return Plank(name, cells.get("lot", "").strip() or name, length, width, avoid, sap)


def _stretch(text: str, length_mm: float) -> tuple[float, float]:
    match = _FROM_TO.fullmatch(text)
    if match is None:
        cure = "write from and to, measured from end A, such as '400 mm to 450 mm'"
        raise UserError(Problem(f"{text.strip()!r} is no stretch to avoid", cure, column="avoid"))
    low_text = units.with_unit_of(match[1], match[2])
    low, high = _length(low_text, "avoid", least=0.0), _length(match[2], "avoid")
    if not low < high <= length_mm + 1e-6:
        what = f"{text.strip()!r} does not lie on a plank of {length_mm:g} mm, the smaller distance first"
        raise UserError(Problem(what, "measure both from end A", column="avoid"))
    return low, high


def _length(text: str, column: str, least: float = 1.0) -> float:
    """Return a length in mm.

    Raises
    ------
    UserError
        It is none, or out of all proportion.
    """
    try:
        amount = units.read(text, "length").amount
    except UserError as error:
        raise UserError(Problem(error.problems[0].what, error.problems[0].cure, column=column)) from None
    if not least <= amount <= _LONGEST_MM:
        cure = f"write a length from {least:g} mm to {_LONGEST_MM / 1000:g} m"
        raise UserError(Problem(f"{column} is {text.strip()!r}", cure, column=column))
    return amount
