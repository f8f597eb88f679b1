"""The csv files spreadsheets and instruments write, read as they are.

UTF-8 with or without a mark, UTF-16, Windows-1252; comma, semicolon or tab between cells, as the header has
it or a line ``sep=;`` says; point or comma in decimals; RFC 4180 quoting; any line ending; lines above the
header (a form's title, what an instrument says of itself) put aside.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from trials import limits
from trials.csv_text import plain
from trials.errors import Problem, UserError, typed

_SIGNATURES = (
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture (PNG)"),
    (b"\xff\xd8\xff", "a picture (JPEG)"),
    (b"GIF8", "a picture (GIF)"),
    (b"II*\0", "a picture (TIFF)"),
    (b"MM\0*", "a picture (TIFF)"),
    (b"RIFF", "a picture, a sound or a film"),
    (b"BM", "a picture (BMP)"),
    (b"PK\x03\x04", "a spreadsheet workbook or another zipped file"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet workbook or document"),
    (b"{\\rtf", "a word processor's document"),
    (b"\x1f\x8b", "a compressed file"),
    (b"<!DOCTYPE", "a web page"),
    (b"<html", "a web page"),
    (b"<?xml", "an XML file"),
)
_TEXT_SIGNATURES = (b"BM", b"RIFF")
_CONTROL = bytes({*range(32)} - {*b"\t\r\n\f\x1a"})
SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab"}


HEADER_WITHIN = 40
"""How many lines of a file are looked through for its header."""
PATCH_NAMES = ("patch", "code")
"""What the column with the patches' codes is headed."""
_OTHER_HEADERS = ("plank", "step")
"""Columns that make a header of a line too: those of the stock and of bench notes."""


@dataclass(frozen=True)
class Row:
    """One row of a file: its number there (the first line is row 1) and its cells by column."""

    number: int
    cells: dict[str, str]


@dataclass(frozen=True)
class Table:
    """A file's table as text cells.

    Attributes
    ----------
    name : the file's name, and the sheet's where a workbook has several.
    header : the columns as written, trimmed.
    rows : every row that holds anything, its cells as they were before `csv_text.neutral`.
    decimal_comma : whether a comma in a number is a decimal one.
    preamble : the lines above the header.
    header_row : where in the file the header stands.
    """

    name: str
    header: tuple[str, ...]
    rows: tuple[Row, ...]
    decimal_comma: bool
    preamble: tuple[str, ...] = ()
    header_row: int = 1


@dataclass(frozen=True)
class Line:
    """One line of a file: its number there and its trimmed cells."""

    number: int
    cells: Sequence[str]


def read(path: Path) -> Table:
    """Read a csv file.

    Raises
    ------
    UserError
        There is no such file, it is no text, it holds more than `trials.limits` allows, it has no header or no row,
        two columns share a name, or a row has more cells than the header.
    """
    return from_bytes(limits.contents(path), path.name)


def from_bytes(data: bytes, name: str, codes: str = "") -> Table:
    """Read a csv file from its bytes; `read` says what is refused.

    `codes` is what the column with the patches' codes is headed, if not patch or code.
    """
    text = decode(data, name)
    if "\0" in text:
        raise UserError(Problem("is not text", "save the table as csv and name that file", file=name))
    limits.check_table(text, name)
    physical = re.findall(r"[^\r\n]*(?:\r\n?|\n)|[^\r\n]+", text)
    said = _said_separator(physical, name)
    above = [_line(at, line, said) for at, line in enumerate(physical[:HEADER_WITHIN], start=1)]
    if said:
        above[0] = Line(1, ())
    at = header_at(above, codes)
    start = at if at is not None else next((at for at, line in enumerate(physical) if line.strip()), 0) + bool(said)
    separator = said or _separator(physical[start:], start, name)
    lines = _lines(physical[start:], start, separator, name)
    if not lines:
        raise UserError(Problem("the file is empty", "save the table into it again", file=name))
    skipped = above[:start] if at is not None else []
    preamble = tuple(physical[line.number - 1].strip() for line in skipped if any(line.cells))
    check_no_reading_above(skipped, lines[0], name)
    return from_lines(
        name, lines, preamble=preamble, decimal_comma=separator != ",", known=at is not None, lettered=False
    )


def header_at(lines: Sequence[Line], codes: str = "") -> int | None:
    """Return the place of the header among the first lines of a file, or None if none is one for certain.

    A header has a column patch or code (of a file about something else: plank or step) beside others and
    holds no number but wavelengths. A wide one with patch at the top is taken at once; else the widest with
    patch; of equals the upper.
    """
    best, best_rank = None, (0, 0)
    top = True
    for at, line in enumerate(lines[:HEADER_WITHIN]):
        names = {column_name(cell) for cell in line.cells if cell}
        if codes and column_name(codes) in names:
            names.add(PATCH_NAMES[0])
        if not names:
            continue
        if len(names) >= 2 and not _holds_values(line.cells):
            kind = (
                3 if "patch" in names else 2 if names & set(PATCH_NAMES) else 1 if names & set(_OTHER_HEADERS) else 0
            )
            if top and len(names) >= 3 and kind in (1, 3):
                return at
            if kind and (kind, len(names)) > best_rank:
                best, best_rank = at, (kind, len(names))
        top = False
    return best


def column_name(name: str) -> str:
    """Return a column's name as names are compared: case and spaces do not matter."""
    return "_".join(name.lower().split())


def cure_for_codes(table: Table) -> str:
    """Return how to name the column of codes: the one in which every cell is a code, where there is one."""
    for name in table.header:
        written = [row.cells[name] for row in table.rows if row.cells[name]]
        if written and all(re.fullmatch(r"[0-9]{3}", text) for text in written):
            return f"if it is the column {name!r}, add --codes {typed(name)}"
    return "name it patch in the header, or add --codes NAME with its name"


def _holds_values(cells: Sequence[str]) -> bool:
    """Whether some cell is a number, other than a row of wavelengths in nm."""
    values = [value for cell in cells if (value := number(cell)) is not None]
    return bool(values) and not (len(values) >= 3 and all(300 <= value <= 1100 for value in values))


def check_no_reading_above(above: Sequence[Line], header: Line, name: str) -> None:
    """Refuse a file with what looks like a reading above its header, lest it be lost without a word."""
    at = next((at for at, cell in enumerate(header.cells) if column_name(cell) in PATCH_NAMES), None)
    for line in above:
        if at is None or len(line.cells) <= at or not re.fullmatch(r"[0-9]{3}", line.cells[at]):
            continue
        if any(number(cell) is not None for place, cell in enumerate(line.cells) if place != at):
            what = f"the row looks like a reading, but it stands above the header in row {header.number}"
            raise UserError(Problem(what, "put the header above all readings", file=name, line=line.number))


def from_lines(
    name: str, lines: Sequence[Line], *, preamble: tuple[str, ...], decimal_comma: bool, known: bool, lettered: bool
) -> Table:
    """Make a table of a file's filled lines, the first of which is the header.

    Parameters
    ----------
    known : whether the header was known for one; if not, rows that do not fit it speak against it.
    lettered : whether faults name columns by letter, as a workbook does.

    Raises
    ------
    UserError
        There is no row, a column that holds anything has no name, two share one, or a row has more cells.
    """
    header = _header(lines, name, lettered)
    if len(lines) == 1:
        raise UserError(
            Problem("there is a header and no row below it", "fill in the scores", file=name, line=lines[0].number)
        )
    width = 1 + max(header.values())
    problems = [_too_wide(line, width, name, lettered) for line in lines[1:] if any(line.cells[width:])]
    if problems and not known:
        what = f"none of the first {HEADER_WITHIN} rows is a header with a column patch or code"
        raise UserError(Problem(what, "write one above the rows, such as patch, response, value", file=name))
    if problems:
        raise UserError(*problems)
    rows = (
        Row(line.number, {key: plain(line.cells[at]) if at < len(line.cells) else "" for key, at in header.items()})
        for line in lines[1:]
    )
    return Table(name, tuple(header), tuple(rows), decimal_comma, preamble, lines[0].number)


def column_letter(at: int) -> str:
    """Return the letter a spreadsheet gives the column at `at`, which counts from 0."""
    letters = ""
    at += 1
    while at:
        at, rest = divmod(at - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def _header(lines: Sequence[Line], name: str, lettered: bool) -> dict[str, int]:
    """Return the columns and their places; an unnamed column without a value is none."""
    line = lines[0]
    last = max(at for at, cell in enumerate(line.cells) if cell)
    found: dict[str, int] = {}
    for at, cell in enumerate(line.cells[: last + 1]):
        if not cell:
            if any(at < len(row.cells) and row.cells[at] for row in lines[1:]):
                place = column_letter(at) if lettered else str(at + 1)
                what = f"column {place} has no name"
                raise UserError(Problem(what, "name it in the header", file=name, line=line.number))
            continue
        if cell in found:
            raise UserError(Problem(f"two columns are named {cell!r}", "rename one", file=name, line=line.number))
        found[cell] = at
    return found


def _too_wide(line: Line, width: int, name: str, lettered: bool) -> Problem:
    if lettered:
        at, cell = next((at, cell) for at, cell in enumerate(line.cells) if at >= width and cell)
        what = f"{cell[:60]!r} stands in a column without a name"
        cure = "name the column in the header or take the value out"
        return Problem(what, cure, file=name, line=line.number, column=column_letter(at))
    what = f"the row has {len(line.cells)} cells, the header {width}"
    return Problem(what, "put a cell that holds the separator between quotation marks", file=name, line=line.number)


def decode(data: bytes, name: str) -> str:
    """Turn a file's bytes into text, whichever of the usual encodings it is in.

    Raises
    ------
    UserError
        The bytes are a picture, a PDF or something else that is not text.
    """
    for signature, what in _SIGNATURES:
        if data.startswith(signature) and (signature not in _TEXT_SIGNATURES or b"\0" in data[:4096]):
            raise UserError(
                Problem(f"is {what}, not a csv file", "save the table as csv and name that file", file=name)
            )
    try:
        if data.startswith((b"\xff\xfe", b"\xfe\xff")):
            return data.decode("utf-16")
        if b"\0" in data:
            return data.decode(_utf16_without_mark(data))
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        pass
    if b"\0" in data or len(data) - len(data.translate(None, _CONTROL)) > len(data) // 100:
        raise UserError(Problem("is not text", "save the table as csv and name that file", file=name))
    return data.decode("cp1252", errors="replace")


def _utf16_without_mark(data: bytes) -> str:
    """Return which UTF-16 the zero bytes speak for, or UTF-8 (which will then be refused as not text)."""
    even, odd = data[0::2].count(0), data[1::2].count(0)
    if odd > len(data) // 5 and even == 0:
        return "utf-16-le"
    if even > len(data) // 5 and odd == 0:
        return "utf-16-be"
    raise UnicodeDecodeError("utf-8", data, data.index(0), data.index(0) + 1, "a zero byte")


def _said_separator(physical: Sequence[str], name: str) -> str:
    """Return the separator a first line such as ``sep=;`` names, or none."""
    found = re.fullmatch(r'"?sep=(.?)"?[,;\t]*', physical[0].strip("\r\n "), re.IGNORECASE) if physical else None
    if found is None:
        return ""
    if found[1] not in SEPARATORS:
        words = ", ".join(SEPARATORS.values())
        what = f"the first row says that {found[1]!r} stands between cells"
        raise UserError(Problem(what, f"save the file with one of {words} there", file=name, line=1))
    return found[1]


def _likely_separator(line: str) -> tuple[str, int]:
    """Return the separator a line has most of outside quotation marks, and how often."""
    bare = re.sub(r'"[^"]*"', "", line)
    best = max(SEPARATORS, key=bare.count)
    return best, bare.count(best)


def _line(number: int, physical: str, said: str) -> Line:
    """Return one physical line's cells, taken by itself, by its own separator unless one was said."""
    separator = said or _likely_separator(physical)[0]
    try:
        cells = next(csv.reader([physical], delimiter=separator), [])
    except csv.Error:
        return Line(number, (physical.strip(),))
    return Line(number, tuple(cell.strip() for cell in cells))


def _lines(physical: Sequence[str], start: int, separator: str, name: str) -> list[Line]:
    """Return the filled lines of the table, as RFC 4180 has them, numbered as in the file."""
    reader = csv.reader(physical, delimiter=separator, strict=True)
    try:
        lines = [Line(start + reader.line_num, [cell.strip() for cell in cells]) for cells in reader]
    except csv.Error as error:
        raise UserError(
            Problem(
                f"the quotation marks do not pair up ({error})", "save it again as csv from the spreadsheet",
                file=name, line=start + reader.line_num,
            )
        ) from None  # fmt: skip
    return [line for line in lines if any(line.cells)]


def _separator(physical: Sequence[str], start: int, name: str) -> str:
    """Return the separator of the first filled line."""
    at, line = next(((at, line) for at, line in enumerate(physical, start + 1) if line.strip()), (0, ""))
    if not line:
        raise UserError(Problem("the file is empty", "save the table into it again", file=name))
    best, count = _likely_separator(line)
    if count == 0:
        words = ", ".join(SEPARATORS.values())
        raise UserError(
            Problem(
                f"the first row, {line.strip()[:60]!r}, has one cell only",
                f"write a header such as patch,response,value with a separator ({words})",
                file=name, line=at,
            )
        )  # fmt: skip
    return best


_PLAIN_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?")


def number(text: str) -> float | None:
    """Return a cell as a number, with a point or a comma before its decimals, or None if it is none.

    A cell with both, or with several of either, is not guessed at.
    """
    trimmed = text.strip().replace("−", "-")
    if not _PLAIN_NUMBER.fullmatch(trimmed):
        return None
    return float(trimmed.replace(",", "."))
