"""The workbooks spreadsheets write (ISO/IEC 29500, .xlsx): one sheet read as a table of text cells.

Values only: what a formula gave when the workbook was last saved. Hidden rows and columns are read; of
merged cells the first holds the value, the others are empty; charts and pictures are passed over.
"""

from __future__ import annotations

import io
import math
import re
import warnings
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from itertools import islice
from typing import TYPE_CHECKING, Any

from trials import csv_source, limits
from trials.csv_source import Line, Table
from trials.errors import Problem, UserError, nearest

if TYPE_CHECKING:
    from openpyxl import Workbook

WORKBOOK_PART = "xl/workbook.xml"
"""The part that makes a zipped file a workbook."""
LARGEST_PARTS = {"xl/worksheets/": 100_000_000, "xl/sharedStrings": 20_000_000, "": 10_000_000}
"""How many bytes a part may unpack to, by the beginning of its name."""
LARGEST_IN_ALL = 150_000_000
LAST_ROW = 1_048_576
"""The last row a sheet can have (ISO/IEC 29500 applications' limit; from memory)."""

_BROKEN = (
    ArithmeticError, AssertionError, AttributeError, EOFError, LookupError, NotImplementedError, OSError,
    RuntimeError, SyntaxError, TypeError, ValueError, zipfile.BadZipFile, zlib.error,
)  # fmt: skip
"""What the zip, XML and workbook libraries raise on a broken file; SyntaxError is the XML parser's."""
_ERRORS = ("#NULL!", "#DIV/0!", "#VALUE!", "#REF!", "#NAME?", "#NUM!", "#N/A", "#GETTING_DATA")
_XML = (".xml", ".rels")
_MARK = re.compile(
    rb"<(?:[\w.-]+:)?(?:(?P<row>row)(?=[\s/>])(?P<said>[^>]*)|(?P<formula>f)(?=[\s/>])|(?:v|is)(?=[\s/>]))"
)
_ROW_NUMBER = re.compile(rb"\br\s*=\s*[\"']([0-9]{1,9})[\"']")
_DOCTYPE = re.compile(rb"<!(?:DOCTYPE|ENTITY)", re.IGNORECASE)
_STRICT = b"http://purl.oclc.org/ooxml/spreadsheetml/main"
_CHUNK = 1 << 20
MARGIN = 30
"""How many columns to the right of anything in the first rows cells are still looked at."""


@dataclass(frozen=True)
class _Extent:
    """How far down the fullest sheet goes, whatever size its sheets claim, and whether any holds formulas."""

    last_row: int
    formulas: bool


@dataclass(frozen=True)
class _Sheet:
    """One sheet's lines, and the faults of its cells by row."""

    lines: tuple[Line, ...]
    faults: tuple[tuple[int, int, str, str], ...]


def read(data: bytes, name: str, sheet: str = "", codes: str = "") -> Table:
    """Read one sheet of a workbook.

    Parameters
    ----------
    data, name : the file's bytes and its name.
    sheet : the sheet's name; where it is empty, the only one with a column patch or code is read.
    codes : what that column is headed, if neither.

    Returns
    -------
    Table
        Its name names the sheet too, where the workbook has several.

    Raises
    ------
    UserError
        The file is broken or far too large; no sheet or several could be meant; a cell holds an error or a
        formula without a result; and whatever `csv_source.from_lines` refuses.
    """
    extent = _examine(data, name)
    with _openpyxl_at_work(name):
        workbook = _load(data, data_only=True)
        titles = [found.title for found in workbook.worksheets]
        hidden = [found.title for found in workbook.worksheets if found.sheet_state != "visible"]
        top = min(csv_source.HEADER_WITHIN, extent.last_row)
        tops = {title: _lines(workbook, title, top, name).lines for title in titles}
    title = _chosen(tops, hidden, sheet, name, codes)
    with _openpyxl_at_work(name):
        width = max((len(line.cells) for line in tops[title]), default=0) + MARGIN
        formulas = _load(data, data_only=False) if extent.formulas else None
        found = _lines(workbook, title, extent.last_row, name, width, formulas)
    full_name = name if len(titles) == 1 else f"{name}, sheet {title}"
    return _table(found, full_name, codes)


# --- before anything is parsed ---------------------------------------------------------------------


def _examine(data: bytes, name: str) -> _Extent:
    """Refuse what is broken, too large unpacked, or no plain workbook; return how far its sheets go."""
    last_row, formulas, rows, cells = 0, False, 0, 0
    with _openpyxl_at_work(name), zipfile.ZipFile(io.BytesIO(data)) as archive:
        _check_sizes(archive.infolist(), name)
        for part in archive.infolist():
            sheet = part.filename.startswith("xl/worksheets/")
            row = filled = 0
            for chunk in _chunks(archive, part) if part.filename.endswith(_XML) else ():
                _check_plain(chunk, part.filename, name)
                if sheet and b"\0" in chunk:
                    last_row, formulas = LAST_ROW, True
                for mark in _MARK.finditer(chunk) if sheet else ():
                    if mark.lastgroup == "said":
                        said = _ROW_NUMBER.search(mark["said"])
                        row = int(said[1]) if said else row + 1
                        continue
                    if row != filled:
                        rows, filled, last_row = rows + 1, row, max(last_row, row)
                    if mark.lastgroup == "formula":
                        formulas = True
                    else:
                        cells += 1
                _check_filled(rows, cells, name)
    return _Extent(min(last_row, LAST_ROW), formulas)


def _check_plain(chunk: bytes, part: str, name: str) -> None:
    if _DOCTYPE.search(chunk) or _DOCTYPE.search(chunk.replace(b"\0", b"")):
        what = f"its part {part} declares entities, which no spreadsheet writes"
        raise UserError(Problem(what, "save it again from the spreadsheet", file=name))
    if part == WORKBOOK_PART and _STRICT in chunk:
        what = "the workbook is saved in the strict variant of its format"
        raise UserError(Problem(what, "save it as an ordinary .xlsx workbook or as csv", file=name))


def _check_filled(rows: int, cells: int, name: str) -> None:
    if rows > limits.ROWS:
        raise limits.too_large(f"more than {limits.ROWS:,} rows", name)
    if cells > limits.CELLS:
        raise limits.too_large(f"more than {limits.CELLS:,} cells", name)


def _check_sizes(parts: Sequence[zipfile.ZipInfo], name: str) -> None:
    for part in parts:
        limit = next(size for start, size in LARGEST_PARTS.items() if part.filename.startswith(start))
        if part.filename.endswith(_XML) and part.file_size > limit:
            what = f"its part {part.filename} unpacks to more than {limit // 1_000_000} MB"
            cure = "delete the empty rows and columns round the table, or save the table as csv"
            raise UserError(Problem(what, cure, file=name))
    if sum(part.file_size for part in parts) > LARGEST_IN_ALL:
        what = f"it unpacks to more than {LARGEST_IN_ALL // 1_000_000} MB"
        raise UserError(Problem(what, "copy the sheet into a workbook of its own", file=name))


def _chunks(archive: zipfile.ZipFile, part: zipfile.ZipInfo) -> Iterator[bytes]:
    """Go through a part's bytes in pieces that end where a tag ends, so that none is split."""
    with archive.open(part) as stream:
        rest = b""
        while piece := stream.read(_CHUNK):
            end = piece.rfind(b">") + 1
            yield rest + piece[:end]
            rest = piece[end:] if end else rest[-_CHUNK:] + piece
        yield rest


@contextmanager
def _openpyxl_at_work(name: str) -> Iterator[None]:
    """Turn what the libraries raise on a broken workbook into one sentence; hush their warnings."""
    try:
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", module=r"openpyxl(\.|$)")
            warnings.filterwarnings("ignore", module=r"zipfile(\.|$)")
            yield
    except _BROKEN as error:
        encrypted = isinstance(error, RuntimeError) and "encrypted" in str(error)
        what = "the workbook is protected by a password" if encrypted else "the workbook is damaged"
        cure = "take the password off" if encrypted else "open it in the spreadsheet and save it again, or as csv"
        raise UserError(Problem(what, cure, file=name)) from None


def _load(data: bytes, *, data_only: bool) -> Workbook:
    from openpyxl import load_workbook

    return load_workbook(io.BytesIO(data), read_only=True, data_only=data_only, keep_links=False)


# --- which sheet -----------------------------------------------------------------------------------


def _chosen(tops: dict[str, tuple[Line, ...]], hidden: Sequence[str], sheet: str, name: str, codes: str = "") -> str:
    """Return the title of the sheet to read."""
    if not tops:
        raise UserError(Problem("the workbook has no sheet with cells", "name the one with the table", file=name))
    if sheet:
        for title in tops:
            if title == sheet or title.strip().casefold() == sheet.strip().casefold():
                return title
        raise UserError(Problem(f"the workbook has no sheet {sheet!r}", nearest(sheet, tops), file=name))
    headed = [title for title, lines in tops.items() if csv_source.header_at(lines, codes) is not None]
    shown = [title for title in headed if title not in hidden] or headed
    if len(shown) == 1:
        return shown[0]
    if shown:
        what = f"{len(shown)} sheets have a header with a column patch or code: {', '.join(shown)}"
        raise UserError(Problem(what, f"say which with --sheet, such as --sheet {shown[0]!r}", file=name))
    if len(tops) == 1:
        what = f"its sheet {next(iter(tops))!r} has no header with a column patch or code"
    else:
        what = f"none of its sheets has a header with a column patch or code: {', '.join(tops)}"
    cure = f"write one above the rows, within the first {csv_source.HEADER_WITHIN}, or add --codes with its name"
    raise UserError(Problem(what, cure, file=name))


# --- the cells -------------------------------------------------------------------------------------


def _lines(
    workbook: Workbook,
    title: str,
    last_row: int,
    name: str,
    width: int | None = None,
    formulas: Workbook | None = None,
) -> _Sheet:
    """Return a sheet's filled lines, and what is wrong with single cells.

    `formulas` is the same workbook with its formulas in place of what they gave.
    """
    lines: list[Line] = []
    faults: list[tuple[int, int, str, str]] = []
    written = _rows(formulas, title, last_row, width) if formulas is not None else iter(())
    empty, filled_cells = None, 0
    for number, row in enumerate(_rows(workbook, title, last_row, width), start=1):
        formula_row = next(written, ())
        if row is empty:  # one object stands for every row that a gap leaves out
            continue
        cells = []
        for at, cell in enumerate(row):
            text, fault = _read(cell, formula_row[at] if at < len(formula_row) else None)
            cells.append(text)
            if fault:
                faults.append((number, at, *fault))
        filled = max((at for at, text in enumerate(cells, start=1) if text), default=0)
        if filled or (faults and faults[-1][0] == number):
            lines.append(Line(number, cells[:filled]))
            filled_cells += filled
            _check_filled(len(lines), filled_cells, name)
        else:
            empty = row
    return _Sheet(tuple(lines), tuple(faults))


def _rows(workbook: Workbook, title: str, last_row: int, width: int | None) -> Iterator[Sequence[Any]]:
    """Go through a sheet's rows to the last, whatever size the sheet claims to have."""
    sheet: Any = workbook[title]
    sheet.reset_dimensions()
    return islice(sheet.iter_rows(max_col=width), last_row)


def _read(cell: Any, written: Any) -> tuple[str, tuple[str, str] | None]:
    """Return a cell's text and its fault, if it has one; `written` is the cell with its formula."""
    value = cell.value
    if value is None:
        # a formula that gave an empty text has the type "str"; one never calculated has none
        if written is not None and written.data_type == "f" and cell.data_type != "str":
            return "", (
                "the cell holds a formula that was never calculated",
                "open and save it once in the spreadsheet",
            )
        return "", None
    if cell.data_type == "e" or value in _ERRORS:
        return str(value), (f"the cell holds the error {str(value)[:40]}", "correct it in the spreadsheet")
    return _text(value, cell), None


def _text(value: object, cell: Any) -> str:
    """Return a cell as a person would have written it."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        shape = cell.number_format or ""
        if "%" in shape and math.isfinite(value):
            return f"{_number(float(f'{value * 100:.15g}'))}%"
        return _number(value).zfill(len(shape) if re.fullmatch("0{2,}", shape) and value == value // 1 else 0)
    if isinstance(value, datetime):
        if value.time() == time() and not re.search("h", cell.number_format or "", re.IGNORECASE):
            return value.date().isoformat()
        return value.isoformat(timespec="milliseconds" if value.microsecond else "seconds")
    if isinstance(value, time):
        return value.isoformat(timespec="milliseconds" if value.microsecond else "seconds")
    if isinstance(value, timedelta):
        return _duration(value)
    if isinstance(value, date):
        return value.isoformat()
    return str(value).strip()


def _duration(value: timedelta) -> str:
    """Return a span of time by ISO 8601, such as PT26H30M; one below nothing has its sign first."""
    minutes, seconds = divmod(abs(value.total_seconds()), 60)
    hours, minutes = divmod(int(minutes), 60)
    parts = ((hours, "H"), (minutes, "M"), (seconds, "S"))
    words = "".join(f"{_number(number)}{unit}" for number, unit in parts if number) or "0S"
    return f"{'-' if value < timedelta() else ''}PT{words}"


def _number(value: float) -> str:
    """Return a number in the fewest digits that give it again, whole ones without a point."""
    if isinstance(value, float) and math.isfinite(value) and value == int(value) and abs(value) < 1e15:
        return str(int(value))
    return repr(value)


def _table(sheet: _Sheet, name: str, codes: str) -> Table:
    """Make the table of a sheet's lines; the faults of cells above its header count for nothing."""
    lines = sheet.lines
    if not lines:
        raise UserError(Problem("the sheet is empty", "name the one with the table", file=name))
    within = [line for line in lines if line.number <= csv_source.HEADER_WITHIN]
    at = csv_source.header_at(within, codes)
    above, table = (lines[:at], lines[at:]) if at is not None else ((), lines)
    problems = [
        Problem(what, cure, file=name, line=row, column=csv_source.column_letter(column))
        for row, column, what, cure in sheet.faults
        if row >= table[0].number
    ]
    if problems:
        raise UserError(*problems)
    csv_source.check_no_reading_above(above, table[0], name)
    preamble = tuple(";".join(line.cells).strip(";") for line in above)
    return csv_source.from_lines(
        name, table, preamble=preamble, decimal_comma=False, known=at is not None, lettered=True
    )
