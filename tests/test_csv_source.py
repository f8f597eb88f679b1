"""Files as spreadsheets write them: encodings, separators, decimals (RFC 4180 for the quoting)."""

import codecs
import contextlib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from trials import csv_source
from trials.errors import UserError

TEXT = 'patch,darkness,note\n101,3.5,"wet, then dry"\n102,4,größer als „3“ – €\n'


def read(tmp_path: Path, data: bytes) -> csv_source.Table:
    path = tmp_path / "scores.csv"
    path.write_bytes(data)
    return csv_source.read(path)


@pytest.mark.parametrize(
    "data",
    [
        TEXT.encode(),
        codecs.BOM_UTF8 + TEXT.encode(),
        codecs.BOM_UTF16_LE + TEXT.encode("utf-16-le"),
        codecs.BOM_UTF16_BE + TEXT.encode("utf-16-be"),
        TEXT.encode("utf-16-le"),
        TEXT.encode("cp1252"),
        TEXT.replace("\n", "\r\n").encode(),
        TEXT.replace("\n", "\r").encode(),
        TEXT.rstrip("\n").encode(),
        ("\n" + TEXT + "\n,,\n").encode(),
    ],
    ids=[
        "utf8",
        "utf8 mark",
        "utf16le mark",
        "utf16be mark",
        "utf16le",
        "cp1252",
        "crlf",
        "cr",
        "no end",
        "blank rows",
    ],
)
def test_encodings_and_line_ends(tmp_path, data):
    table = read(tmp_path, data)
    assert table.header == ("patch", "darkness", "note")
    assert [row.cells["darkness"] for row in table.rows] == ["3.5", "4"]
    assert table.rows[0].cells["note"] == "wet, then dry"
    assert table.rows[1].cells["note"] == "größer als „3“ – €"


@pytest.mark.parametrize("separator", [";", "\t"])
def test_separators_with_decimal_comma(tmp_path, separator):
    table = read(tmp_path, f"patch{separator}darkness\n101{separator}3,5\n".encode())
    assert csv_source.number(table.rows[0].cells["darkness"]) == 3.5


def test_quoted_decimal_comma(tmp_path):
    assert read(tmp_path, b'patch,darkness\n101,"3,5"\n').rows[0].cells["darkness"] == "3,5"


def test_rows_are_numbered_as_in_the_file(tmp_path):
    table = read(tmp_path, b'patch,note\n\n101,"two\nlines"\n\n102,x\n')
    assert [row.number for row in table.rows] == [4, 6]


@pytest.mark.parametrize(
    ("text", "value"),
    [("3.5", 3.5), ("3,5", 3.5), (" -2 ", -2), ("−2", -2), ("1e-3", 0.001), (",5", 0.5), ("4.", 4), ("+7", 7)],
)
def test_numbers(text, value):
    assert csv_source.number(text) == value


@pytest.mark.parametrize(
    "text", ["", "three", "1.234,5", "1,234.5", "1 234", "1.2.3", "0x1F", "nan", "inf", "½", "1e9999"]
)
def test_not_numbers(text):
    assert csv_source.number(text) is None


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"\x89PNG\r\n\x1a\n" + bytes(100), "is a picture (PNG)"),
        (b"\xff\xd8\xff\xe0" + bytes(100), "is a picture (JPEG)"),
        (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n", "is a PDF document"),
        (b"PK\x03\x04" + bytes(100), "is a spreadsheet workbook"),
        (b"<!DOCTYPE html><html></html>", "is a web page"),
        (bytes(range(256)) * 4, "is not text"),
        (b"", "the file is empty"),
        (b"\n\n  \n", "the file is empty"),
        (b"patch,darkness\n", "a header and no row"),
        (b"just words\n", "has one cell only"),
        (b"patch,patch\n1,2\n", "two columns are named 'patch'"),
        (b"patch,,note\n1,2,3\n", "column 2 has no name"),
        (b"patch,note\n1,2,3\n", "row 2: the row has 3 cells, the header 2"),
        (b'patch,note\n1,"open\n', "quotation marks do not pair up"),
    ],
)
def test_files_that_are_no_table(tmp_path, data, says):
    with pytest.raises(UserError) as caught:
        read(tmp_path, data)
    assert says in str(caught.value)
    assert "scores.csv" in str(caught.value)


def test_no_file(tmp_path):
    with pytest.raises(UserError, match="there is no file"):
        csv_source.read(tmp_path / "nothing.csv")
    with pytest.raises(UserError, match="is a folder"):
        csv_source.read(tmp_path)


@settings(max_examples=1500, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    data=st.one_of(st.binary(max_size=300), st.text(max_size=200).map(lambda text: text.encode("utf-8", "ignore")))
)
def test_anything_is_read_or_refused_in_words(tmp_path_factory, data):
    path = tmp_path_factory.getbasetemp() / "any.csv"
    path.write_bytes(data)
    with contextlib.suppress(UserError):
        table = csv_source.read(path)
        assert all(set(row.cells) == set(table.header) for row in table.rows)
