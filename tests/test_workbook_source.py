"""Workbooks (.xlsx, ISO/IEC 29500) as spreadsheets write them, broken ones and files of other kinds.

Serial dates: day 1 is 1900-01-01 in the 1900 system, with a 29 February 1900 that never was, so that
2026-03-01 is 46082; the 1904 system counts from 1904-01-01 as day 0 (ISO/IEC 29500-1, 18.17.4; from memory).
"""

import contextlib
import io
import time
import zipfile
from datetime import date, datetime, timedelta
from datetime import time as clock
from pathlib import Path

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl.styles import PatternFill

from trials import csv_source, table_source, workbook_source
from trials.errors import UserError

SHEET = "xl/worksheets/sheet1.xml"
FORM = [["patch", "darkness"], [101, 3.5], [102, 4]]


def saved(workbook: openpyxl.Workbook) -> bytes:
    stream = io.BytesIO()
    workbook.save(stream)
    return stream.getvalue()


def book(*sheets: list[list[object]], titles: tuple[str, ...] = ()) -> bytes:
    workbook = openpyxl.Workbook()
    workbook.remove(workbook.active)
    for at, rows in enumerate(sheets):
        sheet = workbook.create_sheet(titles[at] if titles else f"Sheet{at + 1}")
        for row in rows:
            sheet.append(row)
    return saved(workbook)


def altered(data: bytes, part: str, old: bytes, new: bytes) -> bytes:
    """Return a workbook with a piece of one part replaced; it must be there."""
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as archive, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as out:
        for name in archive.namelist():
            content = archive.read(name)
            if name == part:
                assert old in content
                content = content.replace(old, new)
            out.writestr(name, content)
    return stream.getvalue()


def read(data: bytes, sheet: str = "", name: str = "scores.xlsx", folder: Path | None = None) -> csv_source.Table:
    if folder is None:
        return workbook_source.read(data, name, sheet)
    (folder / name).write_bytes(data)
    return table_source.read(folder / name, sheet)


def cells(table: csv_source.Table) -> list[list[str]]:
    return [list(row.cells.values()) for row in table.rows]


# --- cells to text ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "shape", "text"),
    [
        (3, None, "3"),
        (3.0, None, "3"),
        (0.1, None, "0.1"),
        (1 / 3, None, "0.3333333333333333"),
        (-2.5, "0.000", "-2.5"),
        (1e-7, None, "1e-07"),
        (123456789012, None, "123456789012"),
        (True, None, "yes"),
        (False, None, "no"),
        (" wet, then dry\n2nd coat ", None, "wet, then dry\n2nd coat"),
        ("3,50", None, "3,50"),
        ("007", None, "007"),
        (7, "000", "007"),
        (3.5, "000", "3.5"),
        (0.45, "0%", "45%"),
        (0.4567, "0.0%", "45.67%"),
        (date(2026, 3, 1), None, "2026-03-01"),
        (46082, "dd/mm/yyyy", "2026-03-01"),
        (datetime(2026, 3, 1, 14, 5), None, "2026-03-01T14:05:00"),
        (datetime(2026, 3, 1), "yyyy-mm-dd hh:mm", "2026-03-01T00:00:00"),
        (46082.75, "yyyy-mm-dd hh:mm", "2026-03-01T18:00:00"),
        (clock(9, 30), None, "09:30:00"),
        (timedelta(hours=26, minutes=30), None, "PT26H30M"),
        (timedelta(seconds=90), None, "PT1M30S"),
    ],
)
def test_cells_become_what_a_person_would_have_written(value, shape, text):
    workbook = openpyxl.Workbook()
    workbook.active.append(["patch", "value"])
    workbook.active.append([101, value])
    if shape:
        workbook.active["B2"].number_format = shape
    table = read(saved(workbook))
    assert cells(table) == [["101", text]]
    assert table.name == "scores.xlsx"
    assert not table.decimal_comma


def test_dates_of_the_1904_system():
    workbook = openpyxl.Workbook()
    workbook.epoch = openpyxl.utils.datetime.MAC_EPOCH
    workbook.active.append(["patch", "taken_at"])
    workbook.active.append([101, 366])  # 1904 was a leap year, so day 366 is 1905-01-01
    workbook.active["B2"].number_format = "yyyy-mm-dd"
    assert cells(read(saved(workbook))) == [["101", "1905-01-01"]]


@given(value=st.one_of(st.floats(allow_nan=False, allow_infinity=False), st.integers(-(2**53), 2**53)))
@settings(max_examples=60, deadline=None)
def test_a_number_comes_back_as_it_was(value):
    data = altered(book([["patch", "value"], [101, 77]]), SHEET, b"<v>77</v>", f"<v>{value!r}</v>".encode())
    text = cells(read(data))[0][1]
    assert csv_source.number(text) == value
    assert len(text) <= len(repr(value))


# --- faults of cells -------------------------------------------------------------------------------


@pytest.mark.parametrize("error", ["#REF!", "#DIV/0!", "#N/A", "#NAME?", "#VALUE!", "#NUM!", "#NULL!"])
def test_a_cell_with_an_error_is_a_fault_with_its_place(error):
    with pytest.raises(UserError) as caught:
        read(book([["Title"], ["patch", "darkness"], [101, 3], [102, error]]))
    assert str(caught.value) == (
        f"scores.xlsx, row 4, column B: the cell holds the error {error}; correct it in the spreadsheet."
    )


def test_faults_name_the_sheet_where_there_are_several():
    with pytest.raises(UserError) as caught:
        read(book([["notes"]], [*FORM, [103, "#REF!"]], titles=("Notes", "Scores")))
    assert str(caught.value).startswith("scores.xlsx, sheet Scores, row 4, column B: ")


def test_an_error_above_the_header_does_no_harm():
    assert cells(read(book([["Total", "#REF!"], *FORM]))) == [["101", "3.5"], ["102", "4"]]


def test_a_formula_never_calculated_is_a_fault_even_in_a_row_of_its_own():
    with pytest.raises(UserError) as caught:
        read(book([["patch", "darkness"], [101, 3], [102, "=1+2"], ["=100+3", "=B2"]]))
    assert str(caught.value).splitlines() == [
        f"scores.xlsx, row {row}, column {column}: the cell holds a formula that was never calculated; "
        "open and save it once in the spreadsheet."
        for row, column in ((3, "B"), (4, "A"), (4, "B"))
    ]


@pytest.mark.parametrize(
    ("cached", "text"),
    [
        (b'<c r="B3"><f>1+2</f><v>3</v></c>', "3"),
        (b'<c r="B3" t="str"><f>A1</f><v>dry</v></c>', "dry"),
        (b'<c r="B3" t="str"><f>""</f><v></v></c>', ""),
        (b'<c r="B3" t="b"><f>1=1</f><v>1</v></c>', "yes"),
    ],
)
def test_a_formula_gives_what_it_gave_when_saved(cached, text):
    data = book([["patch", "darkness", "note"], [101, 3, "x"], [102, 77, "y"]])
    assert cells(read(altered(data, SHEET, b'<c r="B3" t="n"><v>77</v></c>', cached)))[1] == ["102", text, "y"]


def test_a_cached_error_of_a_formula():
    data = altered(
        book(FORM), SHEET, b'<c r="B3" t="n"><v>4</v></c>', b'<c r="B3" t="e"><f>1/0</f><v>#DIV/0!</v></c>'
    )
    with pytest.raises(UserError, match=r"row 3, column B: the cell holds the error #DIV/0!"):
        read(data)


def test_a_serial_that_is_no_date():
    workbook = openpyxl.Workbook()
    workbook.active.append(["patch", "taken_at"])
    workbook.active.append([101, 99999999999])
    workbook.active["B2"].number_format = "yyyy-mm-dd"
    with pytest.raises(UserError, match=r"row 2, column B: the cell holds the error #VALUE!"):
        read(saved(workbook))


def test_a_value_beside_the_table_is_a_fault():
    with pytest.raises(UserError) as caught:
        read(book([*FORM, [103, 2, None, "see back"]]))
    assert "row 4, column D: 'see back' stands in a column without a name" in str(caught.value)
    with pytest.raises(UserError, match=r"row 1: column B has no name"):
        read(book([["patch", None, "darkness"], [101, "x", 3]]))


# --- the shape of the sheet ------------------------------------------------------------------------


def test_titles_gaps_hidden_and_merged_cells():
    workbook = openpyxl.Workbook()
    sheet = workbook.active
    rows = {2: ["Scores", "Ines"], 4: ["Code", "darkness", "note"], 5: [101, 3], 7: [102, 4, "wet"], 8: [103, 5]}
    for number, row in rows.items():
        for at, value in enumerate(row, start=2):
            sheet.cell(number, at, value)
    sheet.merge_cells("B9:B10")
    sheet["B9"], sheet["C9"], sheet["C10"] = 104, 2, 3
    sheet.row_dimensions[8].hidden = sheet.column_dimensions["D"].hidden = True
    table = read(saved(workbook))
    assert table.header == ("Code", "darkness", "note")
    assert table.preamble == ("Scores;Ines",)
    assert [row.number for row in table.rows] == [5, 7, 8, 9, 10]
    assert cells(table) == [["101", "3", ""], ["102", "4", "wet"], ["103", "5", ""], ["104", "2", ""], ["", "3", ""]]


def test_no_reading_is_lost_above_the_header():
    with pytest.raises(UserError, match="row 1: the row looks like a reading"):
        read(book([[101, 3], *FORM]))


@pytest.mark.parametrize(
    "more",
    [
        b'<row r="1048576"><c r="XFD1048576" s="1"/></row>',
        b'<row r="1048576"><c r="A1048576"><v>109</v></c></row>',
        b'<row r="999999999"><c r="A999999999"><v>109</v></c></row>',
        b"".join(
            b'<row r="%d"><c r="A%d" s="1"/><c r="XFD%d" s="1"/></row>' % (at, at, at) for at in range(9, 60_000)
        ),
    ],
    ids=["last cell formatted", "last row filled", "a row past the last", "many rows formatted"],
)
def test_a_sheet_in_use_to_its_last_row_takes_no_minutes(more):
    workbook = openpyxl.Workbook()
    for row in FORM:
        workbook.active.append(row)
    workbook.active["C1"].fill = PatternFill("solid", fgColor="FFEEEE")
    data = altered(saved(workbook), SHEET, b"</sheetData>", more + b"</sheetData>")
    data = altered(data, SHEET, b'<dimension ref="A1:C3" />', b'<dimension ref="A1:XFD1048576" />')
    begun = time.monotonic()
    table = read(data)
    assert time.monotonic() - begun < 10
    filled = more.startswith(b'<row r="1048576"><c r="A')
    assert [row.number for row in table.rows] == [2, 3, *([1_048_576] if filled else [])]


def test_rows_and_cells_without_their_places():
    """The places of rows and cells may be left out; each then follows the one before (ISO/IEC 29500-1, 18.3.1)."""
    data = book(FORM)
    for place in (
        b' r="1"',
        b' r="2"',
        b' r="3"',
        b' r="A1"',
        b' r="B1"',
        b' r="A2"',
        b' r="B2"',
        b' r="A3"',
        b' r="B3"',
    ):
        data = altered(data, SHEET, place, b"")
    assert cells(read(data)) == [["101", "3.5"], ["102", "4"]]


def test_parts_in_utf_16():
    with zipfile.ZipFile(io.BytesIO(book(FORM))) as archive:
        text = archive.read(SHEET)
    assert cells(read(altered(book(FORM), SHEET, text, text.decode().encode("utf-16")))) == [
        ["101", "3.5"],
        ["102", "4"],
    ]


# --- which sheet -----------------------------------------------------------------------------------


def test_the_only_sheet_with_a_header_is_read():
    data = book([["to do"], ["buy dye"]], [["Title"], *FORM], [], titles=("Notes", "Scores", "Empty"))
    assert read(data).name == "scores.xlsx, sheet Scores"
    assert (
        cells(read(data))
        == cells(read(data, "Scores"))
        == cells(read(data, " scores "))
        == [["101", "3.5"], ["102", "4"]]
    )


def test_a_hidden_sheet_is_read_if_named_or_alone():
    workbook = openpyxl.Workbook()
    for title, value in (("Shown", 3), ("Old", 4)):
        sheet = workbook.create_sheet(title)
        sheet.append(["patch", "darkness"])
        sheet.append([101, value])
    workbook["Old"].sheet_state = "hidden"
    assert cells(read(saved(workbook))) == [["101", "3"]]
    assert cells(read(saved(workbook), "Old")) == [["101", "4"]]
    del workbook["Shown"]
    assert cells(read(saved(workbook))) == [["101", "4"]]


def test_a_sheet_of_charts_only():
    workbook = openpyxl.Workbook()
    for row in FORM:
        workbook.active.append(row)
    chart = openpyxl.chart.BarChart()
    chart.add_data(openpyxl.chart.Reference(workbook.active, min_col=2, min_row=1, max_row=3), titles_from_data=True)
    workbook.create_chartsheet("Chart").add_chart(chart)
    table = read(saved(workbook))
    assert (table.name, len(table.rows)) == ("scores.xlsx", 2)
    with pytest.raises(UserError, match="has no sheet 'Chart'"):
        read(saved(workbook), "Chart")


@pytest.mark.parametrize(
    ("sheets", "titles", "sheet", "says"),
    [
        ((FORM, FORM), ("Ines", "Otto"), "", "2 sheets have a header with a column patch or code: Ines, Otto"),
        (([["a", "b"]], [["c", "d"]]), ("One", "Two"), "", "header with a column patch or code: One, Two; write one"),
        (([["a", "b"], [1, 2]],), ("One",), "", "its sheet 'One' has no header with a column patch or code"),
        ((FORM, FORM), ("Ines", "Otto"), "Oto", "has no sheet 'Oto'; write 'Otto'"),
        ((FORM, []), ("Ines", "Empty"), "Empty", "scores.xlsx, sheet Empty: the sheet is empty"),
        ((FORM[:1],), ("One",), "", "row 1: there is a header and no row below it"),
        (([["patch", "patch"], [1, 2]],), ("One",), "One", "two columns are named 'patch'"),
    ],
)  # fmt: skip
def test_sheets_that_cannot_be_read(sheets, titles, sheet, says):
    with pytest.raises(UserError) as caught:
        read(book(*sheets, titles=titles), sheet)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_bench_notes_need_no_patch():
    assert cells(read(book([["step", "board"], ["dye", 2]]))) == [["dye", "2"]]


# --- files of other kinds, and broken ones ---------------------------------------------------------


def zipped(**parts: bytes) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name.replace("__", "/").replace("_dot_", "."), content)
    return stream.getvalue()


OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (OLE + bytes(600), "is an old workbook (.xls) or document; open it in the spreadsheet and"),
        (OLE + bytes(600) + "EncryptedPackage".encode("utf-16-le"), "is protected by a password; save a copy"),
        (zipped(mimetype=b"x", content_dot_xml=b"<a/>"), "is an OpenDocument file (.ods)"),
        (zipped(xl__workbook_dot_bin=b"x"), "is a workbook in the binary variant of its format (.xlsb)"),
        (zipped(word__document_dot_xml=b"x"), "is a word processor's document"),
        (zipped(scores_dot_csv=b"patch,a\n1,2\n"), "is a zipped file that holds no workbook"),
        (zipped(xl__workbook_dot_xml=b"<a/>"), "the workbook is damaged"),
        (b"PK\x03\x04" + bytes(100), "is a damaged workbook"),
        (book(FORM)[:3000], "is a damaged workbook"),
        (b"%PDF-1.7\n", "is a PDF document"),
        (b"<html><table></table></html>", "is a web page"),
        (b"<?xml version='1.0'?><Workbook/>", "is an XML file"),
    ],
)  # fmt: skip
def test_other_files_are_refused_in_one_sentence(tmp_path, data, says):
    with pytest.raises(UserError) as caught:
        read(data, folder=tmp_path)
    assert str(caught.value).startswith("scores.xlsx: ")
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_the_name_of_a_file_does_not_matter(tmp_path):
    assert cells(read(book(FORM), name="scores.csv", folder=tmp_path)) == [["101", "3.5"], ["102", "4"]]
    csv = read(b"patch;darkness\n101;3,5\n", name="scores.xlsx", folder=tmp_path)
    assert cells(csv) == [["101", "3,5"]]
    with pytest.raises(UserError, match="is a csv file, so it has no sheet 'One'"):
        table_source.read(tmp_path / "scores.xlsx", "One")
    with pytest.raises(UserError, match="there is no file"):
        table_source.read(tmp_path / "none.xlsx")


def test_what_unpacks_to_far_too_much_is_refused_before_it_is_unpacked(tmp_path):
    stream = io.BytesIO(book(FORM))
    with (
        zipfile.ZipFile(stream, "a", zipfile.ZIP_DEFLATED) as archive,
        archive.open("xl/worksheets/more.xml", "w") as part,
    ):
        for _ in range(201):
            part.write(bytes(1_000_000))
    begun = time.monotonic()
    with pytest.raises(UserError, match=r"its part xl/worksheets/more\.xml unpacks to more than 100 MB"):
        read(stream.getvalue(), folder=tmp_path)
    assert time.monotonic() - begun < 2


def test_entities_are_refused():
    laughs = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]><worksheet'
    for encoded in (laughs, laughs.decode().encode("utf-16-le")):
        with pytest.raises(UserError, match="declares entities"):
            read(altered(book(FORM), SHEET, b"<worksheet", encoded))


def test_the_strict_variant_is_refused_in_words():
    main = b"http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    data = altered(book(FORM), "xl/workbook.xml", main, b"http://purl.oclc.org/ooxml/spreadsheetml/main")
    with pytest.raises(UserError, match="strict variant"):
        read(data)


def test_an_encrypted_part():
    data = bytearray(book(FORM))
    for signature, flags in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        at = data.find(signature)
        while at >= 0:
            data[at + flags] |= 1
            at = data.find(signature, at + 4)
    with pytest.raises(UserError, match="the workbook is protected by a password"):
        read(bytes(data))


PARTS = (
    SHEET,
    "xl/sharedStrings.xml",
    "xl/workbook.xml",
    "xl/styles.xml",
    "[Content_Types].xml",
    "xl/_rels/workbook.xml.rels",
)
PIECES = (
    b"",
    b"<",
    b">",
    b'"',
    b"/",
    b"&",
    b"0",
    b"-9",
    b"1e999",
    b"<f>",
    b"<v/>",
    b't="e"',
    b' s="99"',
    b"\0",
    b"\xff",
)


@st.composite
def damaged(draw: st.DrawFn, good: bytes) -> bytes:
    """Return a workbook with pieces of a part's XML, or of the zipped file itself, overwritten."""
    raw = draw(st.booleans())
    part = draw(st.sampled_from(PARTS))
    with zipfile.ZipFile(io.BytesIO(good)) as archive:
        content = bytearray(good if raw else archive.read(part))
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(content)))
        upto = min(len(content), at + draw(st.integers(0, 12)))
        content[at:upto] = draw(st.one_of(st.sampled_from(PIECES), st.binary(max_size=3)))
    if raw:
        return bytes(content)
    with zipfile.ZipFile(io.BytesIO(good)) as archive:
        whole = archive.read(part)
    return altered(good, part, whole, bytes(content))


def with_shared_strings(data: bytes, cell: bytes, text: str) -> bytes:
    """Return a workbook with the inline text of one cell moved to the table of shared strings."""
    inline = b'<c r="%b" t="inlineStr"><is><t>%b</t></is></c>' % (cell, text.encode())
    data = altered(data, SHEET, inline, b'<c r="%b" t="s"><v>0</v></c>' % cell)
    kind = b"application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"
    entry = b'<Override PartName="/xl/sharedStrings.xml" ContentType="%b"/></Types>' % kind
    stream = io.BytesIO(altered(data, "[Content_Types].xml", b"</Types>", entry))
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    with zipfile.ZipFile(stream, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/sharedStrings.xml", f'<sst xmlns="{main}"><si><r><t>{text}</t></r></si></sst>')
    return stream.getvalue()


def busy_book() -> bytes:
    workbook = openpyxl.Workbook()
    for row in [["Title"], ["patch", "darkness", "note", "taken_at"], [101, 3.5, "wet", datetime(2026, 3, 1, 9)]]:
        workbook.active.append(row)
    workbook.active.append([102, True, "=1+1", 0.5])
    workbook.active["D4"].number_format = "0%"
    workbook.create_sheet("Notes").append(["x"])
    data = altered(saved(workbook), SHEET, b"<f>1+1</f><v />", b"<f>1+1</f><v>2</v>")
    return with_shared_strings(data, b"C3", "wet")


BUSY = busy_book()


def test_the_workbook_that_is_damaged_below_is_good():
    assert cells(read(BUSY)) == [["101", "3.5", "wet", "2026-03-01T09:00:00"], ["102", "yes", "2", "50%"]]


@settings(
    max_examples=700, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(data=damaged(BUSY), sheet=st.sampled_from(["", "", "Sheet", "Notes"]))
def test_a_damaged_workbook_is_read_or_refused_in_words(tmp_path_factory, data, sheet):
    path = tmp_path_factory.getbasetemp() / "any.xlsx"
    path.write_bytes(data)
    with contextlib.suppress(UserError):
        table = table_source.read(path, sheet)
        assert all(set(row.cells) == set(table.header) for row in table.rows)
