"""The csv files spreadsheets and instruments write, read as they are.

UTF-8 with or without a mark, UTF-16, Windows-1252; comma, semicolon or tab between cells; point or comma
in decimals; RFC 4180 quoting; any line ending.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path

from trials.errors import Problem, UserError

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
LARGEST_BYTES = 50_000_000
SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab"}


@dataclass(frozen=True)
class Row:
    """One row of a file: its number there (the header is row 1) and its cells by column."""

    number: int
    cells: dict[str, str]


@dataclass(frozen=True)
class Table:
    """A csv file as text cells.

    Attributes
    ----------
    name : the file's name.
    header : the columns as written, trimmed.
    rows : every row that holds anything.
    decimal_comma : whether a comma in a number is a decimal one.
    """

    name: str
    header: tuple[str, ...]
    rows: tuple[Row, ...]
    decimal_comma: bool


def read(path: Path) -> Table:
    """Read a csv file.

    Raises
    ------
    UserError
        There is no such file, it is no text, it has no header or no row, two columns share a name, or
        a row has more cells than the header.
    """
    text = decode(_bytes(path), path.name)
    separator = _separator(text, path.name)
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
        lines = [(reader.line_num, [cell.strip() for cell in cells]) for cells in reader]
    except csv.Error as error:
        raise UserError(
            Problem(
                f"the quotation marks do not pair up ({error})", "save it again as csv from the spreadsheet",
                file=path.name, line=reader.line_num,
            )
        ) from None  # fmt: skip
    filled = [(number, cells) for number, cells in lines if any(cells)]
    if not filled:
        raise UserError(Problem("the file is empty", "save the table into it again", file=path.name))
    header = _header(filled[0], path.name)
    if len(filled) == 1:
        raise UserError(Problem("there is a header and no row below it", "fill in the scores", file=path.name))
    return Table(path.name, header, _rows(filled[1:], header, path.name), separator != ",")


def _bytes(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise UserError(Problem(f"{path.name} is a folder", "name the csv file inside it"))
        if path.stat().st_size > LARGEST_BYTES:
            raise UserError(
                Problem(
                    f"is larger than {LARGEST_BYTES // 1_000_000} MB",
                    "check that it is the right file",
                    file=path.name,
                )
            )
        return path.read_bytes()
    except FileNotFoundError:
        raise UserError(Problem(f"there is no file {str(path)!r}", "check its name and folder")) from None
    except OSError as error:
        reason = error.strerror or error
        raise UserError(Problem(f"cannot be read ({reason})", "check its name and rights", file=path.name)) from None


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
    control = sum(byte < 32 and byte not in b"\t\r\n\f\x1a" for byte in data)
    if b"\0" in data or control > len(data) // 100:
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


def _separator(text: str, name: str) -> str:
    """Return the separator of the first filled line, as most lines bear it out."""
    if "\0" in text:
        raise UserError(Problem("is not text", "save the table as csv and name that file", file=name))
    lines = [line for line in text.splitlines() if line.strip()]
    if not lines:
        raise UserError(Problem("the file is empty", "save the table into it again", file=name))
    bare = re.sub(r'"[^"]*"', "", lines[0])
    counts = {separator: bare.count(separator) for separator in SEPARATORS}
    best = max(counts, key=lambda separator: counts[separator])
    if counts[best] == 0:
        words = ", ".join(SEPARATORS.values())
        raise UserError(
            Problem(
                f"the first row, {lines[0].strip()[:60]!r}, has one cell only",
                f"write a header such as patch,response,value with a separator ({words})",
                file=name, line=1,
            )
        )  # fmt: skip
    return best


def _header(line: tuple[int, list[str]], name: str) -> tuple[str, ...]:
    number, cells = line
    while cells and not cells[-1]:
        cells = cells[:-1]
    for at, cell in enumerate(cells):
        if not cell:
            raise UserError(Problem(f"column {at + 1} has no name", "name it in the header", file=name, line=number))
        if cell in cells[:at]:
            raise UserError(Problem(f"two columns are named {cell!r}", "rename one", file=name, line=number))
    return tuple(cells)


def _rows(lines: list[tuple[int, list[str]]], header: tuple[str, ...], name: str) -> tuple[Row, ...]:
    problems, rows = [], []
    for number, cells in lines:
        if any(cells[len(header) :]):
            what = f"the row has {len(cells)} cells, the header {len(header)}"
            cure = "put a cell that holds the separator between quotation marks"
            problems.append(Problem(what, cure, file=name, line=number))
        padded = [*cells, *[""] * len(header)]
        rows.append(Row(number, dict(zip(header, padded[: len(header)], strict=True))))
    if problems:
        raise UserError(*problems)
    return tuple(rows)


_PLAIN_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?")


def number(text: str) -> float | None:
    """Return a cell as a number, with a point or a comma before its decimals, or None if it is none.

    A cell with both, or with several of either, is not guessed at.
    """
    trimmed = text.strip().replace("−", "-")
    if not _PLAIN_NUMBER.fullmatch(trimmed):
        return None
    return float(trimmed.replace(",", "."))
