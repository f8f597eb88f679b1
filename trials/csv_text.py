"""Tables as csv text, and cells that a spreadsheet would run as a formula, made harmless and back again.

A spreadsheet that opens a csv file takes a cell beginning with an equals sign, a plus, a minus or an at sign for a
formula, whoever typed it. The common advice (OWASP, CSV Injection) is an apostrophe in front, which shows the cell
as text. `neutral` puts it there and `plain` takes it away, so that nothing is lost.
"""

from __future__ import annotations

import csv
import re
import unicodedata
from collections.abc import Sequence
from typing import TypeVar, cast

APOSTROPHE = (
    "Text that a spreadsheet would run as a formula (it begins with =, +, - or @ or the like) has an apostrophe in "
    "front, in each part between semicolons; take it off to have the text as it was typed."
)
"""What is said of cells that were made harmless, see `neutral`."""

_Cell = TypeVar("_Cell")

_STARTS = frozenset("=+-@\t\r\n＝＋－＠")
"""What makes a cell a formula: OWASP, CSV Injection, with the full-width forms it names (from memory)."""
_QUOTES = frozenset("'\"`´‘’‚‛“”„‟‹›«»＇＂")
_BLANKS = frozenset(("Cc", "Cf", "Zl", "Zp", "Zs"))
"""Unicode categories of what shows nothing: controls, joiners and marks, line and paragraph ends, spaces."""
_NUMBER = re.compile(r" *[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+)? *")


def csv_text(columns: Sequence[str], rows: Sequence[Sequence[object]], neutral: bool = False) -> str:
    """Return a table as csv (RFC 4180 quoting, LF line ends).

    Parameters
    ----------
    columns : the header.
    rows : the cells below it; None and not-a-number are left empty.
    neutral : whether text that a spreadsheet would run is made harmless, in the header too.
    """
    lines = _Lines()
    writer = csv.writer(lines, lineterminator="\r\n")  # so that a cell with either half of it is quoted
    for row in (columns, *rows):
        cells = ["" if cell is None or cell != cell else cell for cell in row]
        writer.writerow([_harmless(cell) for cell in cells] if neutral else cells)
    return "".join(lines)


class _Lines(list[str]):
    """What a csv writer writes to: it gives one record at a time."""

    def write(self, record: str) -> None:
        self.append(record.removesuffix("\r\n") + "\n")


def neutral(cell: _Cell) -> _Cell:
    """Return a cell that no spreadsheet runs.

    Parameters
    ----------
    cell : text is looked at; anything else, such as a number, is returned as it is.

    Notes
    -----
    Text gets an apostrophe in front where it begins with ``= + - @`` (full-width ones too), a tab, a carriage return
    or a line feed, also behind spaces, quotation marks or characters that show nothing. Plain numbers such as
    ``-3.2``, ``+4``, ``-1e-5`` and ``3,5`` stay. Where the comma is the decimal sign, spreadsheets part cells at
    semicolons, so each part between semicolons is treated so. `plain` gives the cell back.
    """
    return cast(_Cell, _harmless(cell))


def plain(cell: _Cell) -> _Cell:
    """Return a cell as it was before `neutral`.

    An apostrophe was put there by `neutral` exactly where what stands behind it would be run.
    """
    if not isinstance(cell, str) or "'" not in cell:
        return cell
    parts = cell.split(";")
    marked = (part[0:1] == "'" and _would_run(part[1:], whole) for part, whole in _with_whole(parts))
    found = ";".join(part[1:] if mark else part for part, mark in zip(parts, marked, strict=True))
    return cast(_Cell, found)


def _harmless(cell: object) -> object:
    if not isinstance(cell, str):
        return cell
    parts = cell.split(";")
    return ";".join(f"'{part}" if _would_run(part, whole) else part for part, whole in _with_whole(parts))


def _with_whole(parts: Sequence[str]) -> list[tuple[str, bool]]:
    """Return each part of a cell, and whether it is read by itself: the first is read with all the rest."""
    return [(part, at > 0 or len(parts) == 1) for at, part in enumerate(parts)]


def _would_run(text: str, whole: bool) -> bool:
    """Whether a spreadsheet may take a cell for a formula that is this text, or (not `whole`) begins with it."""
    for letter in text:
        if letter in _STARTS:
            return not (whole and _NUMBER.fullmatch(text))
        if letter not in _QUOTES and unicodedata.category(letter) not in _BLANKS:
            return False
    return False
