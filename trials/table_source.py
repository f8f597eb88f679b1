"""A table from a file of any kind a bench has: csv or a workbook, told apart by the file's first bytes."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

from trials import csv_source, limits
from trials.csv_source import Table
from trials.errors import Problem, UserError

_AS_XLSX = "open it in the spreadsheet and save it as .xlsx or csv"
_OTHER_ZIPS = (
    ("xl/workbook.bin", "a workbook in the binary variant of its format (.xlsb)", _AS_XLSX),
    (
        "word/document.xml",
        "a word processor's document",
        "copy its table into a spreadsheet and save it as .xlsx or csv",
    ),
    ("content.xml", "an OpenDocument file (.ods)", _AS_XLSX),
    ("Index/Document.iwa", "a workbook of a kind not read here", "export it as .xlsx or csv"),
)


def read(path: Path, sheet: str = "", codes: str = "") -> Table:
    """Read a table from a csv file or a workbook (.xlsx), whatever the file is called.

    Parameters
    ----------
    path : the file.
    sheet : which sheet of a workbook; where it is empty, the only one with a column patch or code.
    codes : what that column is headed, if neither.

    Raises
    ------
    UserError
        The file is neither, or `csv_source.read` or `workbook_source.read` refuses it.
    """
    data, name = limits.contents(path), path.name
    if data.startswith(b"PK\x03\x04"):
        from trials import workbook_source

        _check_workbook(data, name, workbook_source.WORKBOOK_PART)
        return workbook_source.read(data, name, sheet, codes)
    if data.startswith(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"):
        if "EncryptedPackage".encode("utf-16-le") in data:
            raise UserError(Problem("is protected by a password", "save a copy without it", file=name))
        raise UserError(Problem("is an old workbook (.xls) or document", _AS_XLSX, file=name))
    table = csv_source.from_bytes(data, name, codes)
    if sheet:
        what = f"is a csv file, so it has no sheet {sheet!r}"
        raise UserError(Problem(what, "leave --sheet out, or name the workbook", file=name))
    return table


def _check_workbook(data: bytes, name: str, part: str) -> None:
    """Refuse a zipped file that holds no workbook, naming what it is."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            held = set(archive.namelist())
    except (zipfile.BadZipFile, ValueError, OSError, EOFError, NotImplementedError, LookupError):
        what = "is a damaged workbook or another broken zipped file"
        raise UserError(Problem(what, "save it again from the spreadsheet, or as csv", file=name)) from None
    if part in held:
        return
    for other, what, cure in _OTHER_ZIPS:
        if other in held:
            raise UserError(Problem(f"is {what}", cure, file=name))
    raise UserError(
        Problem("is a zipped file that holds no workbook", "unpack it and name the table in it", file=name)
    )
