"""Files as spreadsheets write them: encodings, separators, decimals (RFC 4180 for the quoting)."""

import codecs
import contextlib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from trials import csv_source, table_source
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


# --- RFC 4180, section 2, rule by rule -------------------------------------------------------------

RULES = {
    "1 each record on a line of its own, ended by CRLF": b"patch,darkness,note\r\n101,3,dry\r\n102,4,wet\r\n",
    "2 the last record may or may not end with a line break": b"patch,darkness,note\r\n101,3,dry\r\n102,4,wet",
    "3 an optional header line first": b"patch,darkness,note\r\n101,3,dry\r\n102,4,wet\r\n",
    "5 each field may or may not be in double quotes": b'"patch","darkness",note\r\n101,"3","dry"\r\n"102",4,wet',
}


@pytest.mark.parametrize("data", RULES.values(), ids=RULES.keys())
def test_rfc_4180_rules_with_one_result(tmp_path, data):
    table = read(tmp_path, data)
    assert [list(row.cells.values()) for row in table.rows] == [["101", "3", "dry"], ["102", "4", "wet"]]
    assert table.preamble == ()


def test_rfc_4180_rule_4_same_number_of_fields_and_commas_between(tmp_path):
    """Rule 4: one or more fields separated by commas, the same number in each line; spaces are part of a field.

    The one departure: spaces at a cell's ends are dropped, as codes and numbers never begin or end with them.
    """
    assert read(tmp_path, b"patch,note\r\n101,wet  then dry\r\n").rows[0].cells["note"] == "wet  then dry"
    assert read(tmp_path, b"patch,note\r\n101, dry \r\n").rows[0].cells["note"] == "dry"
    with pytest.raises(UserError, match="3 cells, the header 2"):
        read(tmp_path, b"patch,note\r\n101,dry,wet\r\n")


def test_rfc_4180_rule_6_line_breaks_quotes_and_commas_within_quotes(tmp_path):
    table = read(tmp_path, b'patch,note,value\r\n101,"b\r\nbb, b",3\r\n')
    assert table.rows[0].cells == {"patch": "101", "note": "b\r\nbb, b", "value": "3"}


def test_rfc_4180_rule_7_a_double_quote_within_quotes_is_doubled(tmp_path):
    assert read(tmp_path, b'patch,note,value\r\n101,"b""bb",3\r\n').rows[0].cells["note"] == 'b"bb'
    with pytest.raises(UserError, match="quotation marks do not pair up"):
        read(tmp_path, b'patch,note,value\r\n101,"b"bb",3\r\n')


# --- lines above the header ------------------------------------------------------------------------


def test_title_lines_are_put_aside_and_rows_keep_their_numbers(tmp_path):
    table = read(tmp_path, b"Scores of the lacewood counter\n\nAssessor;Ines;\npatch;darkness\n101;3,5\n\n102;4\n")
    assert table.header == ("patch", "darkness")
    assert [row.number for row in table.rows] == [5, 7]
    assert table.preamble == ("Scores of the lacewood counter", "Assessor;Ines;")
    assert table.decimal_comma


@pytest.mark.parametrize(
    ("top", "header"),
    [
        ("Instrument;reader 3;\nIlluminant: D65", "patch;L*;a*"),
        ("Code;A-17\nDate;2026-03-01", "Patch;darkness;note"),
        ("Patch;412", "patch;darkness;note"),
        ('Board 5" wide\nsaid "dry', "CODE;darkness;note"),
        ("a,b,c,d,e\nf", "patch;400 nm;410 nm"),
        ("a,b,c,d,e\nf", "patch;400;410;420"),
    ],
    ids=["instrument", "a code above", "a patch above", "stray quotes", "other separator", "bare wavelengths"],
)
def test_header_below_what_an_instrument_says_of_itself(tmp_path, top, header):
    columns = header.split(";")
    table = read(tmp_path, f"{top}\n{header}\n101{';1' * (len(columns) - 1)}\n".encode())
    assert table.header == tuple(columns)
    assert [row.cells[columns[1]] for row in table.rows] == ["1"]
    assert list(table.preamble) == top.splitlines()


def test_header_is_looked_for_in_forty_lines(tmp_path):
    body = "patch,darkness\n101,3\n"
    assert len(read(tmp_path, ("a title\n" * 39 + body).encode()).preamble) == 39
    with pytest.raises(UserError, match="has one cell only"):
        read(tmp_path, ("a title\n" * 40 + body).encode())
    with pytest.raises(UserError, match=r"none of the first 40 rows is a header with a column patch or code"):
        read(tmp_path, b"sample,L*\n101,3,4,5\n102,3,4,5\n")


def test_a_header_at_the_top_is_not_passed_over(tmp_path):
    table = read(tmp_path, b"plank,lot,length,width,note\nA1,L,2400 mm,200 mm,x\ncode,patch,long,wide,y\n")
    assert table.header == ("plank", "lot", "length", "width", "note")
    assert len(table.rows) == 2
    again = read(tmp_path, b"patch,darkness\n101,3\npatch,darkness\n102,4\n")
    assert [row.cells["patch"] for row in again.rows] == ["101", "patch", "102"]


def test_no_reading_is_lost_above_the_header(tmp_path):
    with pytest.raises(UserError, match=r"scores.csv, row 2: the row looks like a reading, but it stands above"):
        read(tmp_path, b"pach,darkness\n101,3\npatch,darkness\n102,4\n")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "utf-16-le", "cp1252"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_the_line_that_names_the_separator(tmp_path, separator, encoding):
    text = f"sep={separator}\r\npatch{separator}note\r\n101{separator}größer; breiter\r\n"
    if separator == ";":
        text = text.replace("größer; breiter", '"größer; breiter"')
    table = read(tmp_path, text.encode(encoding))
    assert table.header == ("patch", "note")
    assert table.rows == (csv_source.Row(3, {"patch": "101", "note": "größer; breiter"}),)
    assert table.preamble == ()


def test_a_separator_that_is_none(tmp_path):
    with pytest.raises(UserError, match=r"row 1: the first row says that '\|' stands between cells"):
        read(tmp_path, b"sep=|\npatch|darkness\n101|3\n")
    with pytest.raises(UserError, match="the file is empty"):
        read(tmp_path, b"sep=;\n")


def test_an_unnamed_column_counts_only_if_it_holds_something(tmp_path):
    assert read(tmp_path, b",patch,,darkness\n,101,,3\n").header == ("patch", "darkness")


# --- anything at all -------------------------------------------------------------------------------

GOOD = (
    TEXT.encode(),
    b"sep=;\r\nTitle;;\r\npatch;L*;a*\r\n101;50,5;1\r\n102;51;2\r\n",
    ("Instrument\tx\n" + TEXT.replace(",", "\t")).encode("utf-16"),
    b'Illuminant: D65\ncode,"dark ""ness""",note\n101,3,"a\nb"\n',
)


@st.composite
def damaged(draw: st.DrawFn, kinds: tuple[bytes, ...]) -> bytes:
    """Return a good file with some bytes overwritten, put in, taken out or repeated."""
    data = bytearray(draw(st.sampled_from(kinds)))
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.integers(0, len(data)))
        upto = min(len(data), at + draw(st.integers(0, 6)))
        piece = draw(
            st.one_of(st.binary(max_size=4), st.sampled_from([b'"', b";", b",", b"\t", b"\n", b"\r", b"\0"]))
        )
        data[at:upto] = piece * draw(st.integers(0, 3))
    return bytes(data)


@settings(max_examples=2500, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    data=st.one_of(
        st.binary(max_size=300),
        st.text(max_size=200).map(lambda text: text.encode("utf-8", "ignore")),
        damaged(GOOD),
    )
)
def test_anything_is_read_or_refused_in_words(tmp_path_factory, data):
    path = tmp_path_factory.getbasetemp() / "any.csv"
    path.write_bytes(data)
    with contextlib.suppress(UserError):
        table = table_source.read(path)
        assert all(set(row.cells) == set(table.header) for row in table.rows)
