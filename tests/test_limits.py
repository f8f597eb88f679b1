"""What is far too large, too deep or no file at all is refused before anything is made of it."""

import io
import os
import resource
import time
import zipfile
from pathlib import Path

import pytest

from tests.conftest import SMALL
from trials import csv_source, limits, records, table_source
from trials.design import lay_out
from trials.errors import FIRST, Problem, UserError
from trials.plan import read_plan

ROOM = 500_000_000


@pytest.fixture(autouse=True)
def _in_two_seconds_and_little_room():
    """Bound the room a test may take beside what the process holds, and its time on a processor."""
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    held = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (held + ROOM, hard))
    begun = time.process_time()
    yield
    took = time.process_time() - begun
    resource.setrlimit(resource.RLIMIT_AS, (soft, hard))
    assert took < 2


def plan_of(tmp_path, text):
    path = tmp_path / "trial.toml"
    path.write_text(text, encoding="utf-8")
    return read_plan(path)


LEVELS = ", ".join(f'"l{at}"' for at in range(1000))
PLANS = {
    "a list a hundred thousand deep": (f"x = {'[' * 100_000}", "brackets stand in one another more than 8 deep"),
    "tables in one line, nested": (f"x = {'{a = ' * 500}1{'}' * 500}", "more than 8 deep"),
    "a key of 100,000 parts": (f"{'.'.join('a' * 100_000)} = 1", "a key has more than 8 parts"),
    "a heading of 100,000 parts": (f"[{'.'.join('a' * 100_000)}]", "a key has more than 8 parts"),
    "a key of quoted parts": (f"{'.'.join(['' + chr(34) + 'a' + chr(34)] * 50_000)} = 1", "more than 8 parts"),
    "a number of 5,000 digits": (f"[boards]\ncount = {'9' * 5000}", "line 2: a number has more than 40 digits"),
    "parts of a number": (f"x = {'1_' * 50_000}1", "more than 40 digits"),
    "a file of a megabyte": ("#" * 1_000_000, "is larger than 0.5 MB"),
    "a string that never ends": ('x = """' + '\\"""' * 100_000, "is not TOML"),
    "a thousand levels": (SMALL.replace('"water", "alcohol"', LEVELS), "levels has 1,000 words; leave at most 200"),
    "ten thousand factors": (SMALL + "[[factor]]\n" * 10_000, r"there are 10,003 tables \[\[factor\]\]"),
    "keys nobody knows": ("\n".join(f"k{at} = 1" for at in range(30_000)), "more keys are not known"),
    "a worth of nearly nothing": (
        SMALL.replace("worth = 0.5", "worth = 1e-320"),
        "worth is 1e-320; write 0 or a size",
    ),
    "a title of a hundred thousand letters": (SMALL.replace("Hall", "x" * 100_000), "title has 100,032 letters"),
    "a length without end": (SMALL.replace('"400 mm"', f'"{"9" * 400} mm"'), "length"),
    "a unit raised without end": (SMALL.replace('"400 mm"', '"4 mm**9**9**9**9"'), "the unit 'mm\\*\\*9"),
    "a wait of a thousand years": (SMALL.replace('"6 min"', '"9999999999 h"'), "9999999999 h"),
}


@pytest.mark.parametrize("name", PLANS)
def test_plans_without_bound(tmp_path, name):
    text, said = PLANS[name]
    with pytest.raises(UserError, match=said) as caught:
        plan_of(tmp_path, text)
    assert len(str(caught.value)) < 60_000
    assert len(caught.value.problems) <= FIRST + 1


def test_marks_within_texts_and_remarks_count_for_nothing(tmp_path):
    deep = "[{(" * 50 + "1" * 50 + "." * 50
    text = SMALL.replace("[boards]", f'# {deep}\nabout = \'{deep}\'\nwood = """\n{deep}\\"\n"""\n[boards]')
    assert plan_of(tmp_path, text).about == deep


TABLES = {
    "5 million rows": (b"patch,darkness\n" + b"1,3\n" * 5_000_000, "5,000,001 rows, more than the 100,000"),
    "rows of carriage returns": (b"patch,darkness\r" + b"105,39.1\r" * 200_000, "200,001 rows"),
    "a million columns": (b"patch," + b"x," * 1_000_000, "a row of 2,000,006 letters"),
    "five thousand columns": (b"patch," + b"x," * 5_000, "a row of 5,002 cells, more than the 2,000"),
    "far too many cells": (b"patch,darkness\n" + (b"1;" * 1500 + b"\n") * 1000, "1,500,000 cells"),
    "more than 50 MB": (b"patch,darkness\n" + b"x" * 50_000_000, "is larger than 50 MB"),
    "one cell of 45 MB": (b"patch,darkness\n105," + b"x" * 45_000_000, "a row of 45,000,004 letters"),
    "45 MB that are no text": (b"\x81\x01" * 22_000_000, "is not text"),
}


@pytest.mark.parametrize("name", TABLES)
def test_tables_without_bound(tmp_path, name):
    data, said = TABLES[name]
    (tmp_path / "a.csv").write_bytes(data)
    with pytest.raises(UserError, match=said):
        table_source.read(tmp_path / "a.csv")


def workbook(cells_of_row, rows):
    """Return a workbook of one sheet, as bytes."""
    from openpyxl import Workbook

    stream = io.BytesIO()
    book = Workbook()
    book.active.append(["patch", "darkness"])
    book.save(stream)
    body = "".join(f'<row r="{at}">{cells_of_row}</row>' for at in range(1, rows + 1))
    xml = f'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>{body}</sheetData></worksheet>'
    out = io.BytesIO()
    with zipfile.ZipFile(stream) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.namelist():
            new.writestr(part, xml if part == "xl/worksheets/sheet1.xml" else old.read(part))
    return out.getvalue()


@pytest.mark.parametrize(
    ("cells", "rows", "said"),
    [
        ("<c><v>1</v></c>", 300_000, "more than 100,000 rows"),
        ("<c><v>1</v></c>" * 1200, 900, "more than 1,000,000 cells"),
    ],
)
def test_workbooks_without_bound(tmp_path, cells, rows, said):
    (tmp_path / "a.xlsx").write_bytes(workbook(cells, rows))
    with pytest.raises(UserError, match=said):
        table_source.read(tmp_path / "a.xlsx")


def test_what_is_no_plain_file_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe.csv")
    for path in (tmp_path / "pipe.csv", tmp_path / "zero.csv"):
        if path.name == "zero.csv":
            path.symlink_to("/dev/zero")
        with pytest.raises(UserError, match="is no plain file"):
            table_source.read(path)
    with pytest.raises(UserError, match="is a folder"):
        limits.contents(tmp_path)
    with pytest.raises(limits.NoFile):
        limits.contents(tmp_path / "none")


def test_the_first_faults_of_a_file_are_said_and_how_many_more_there_are():
    many = [Problem(f"fault {kind}", "y", file="a.csv") for kind in "abcdefghijklmnopqrstuvwxyz"]
    found = UserError(*many, Problem("z", file="b.csv")).problems
    assert found[:FIRST] == tuple(many[:FIRST])
    assert [str(one) for one in found[FIRST:]] == ["b.csv: z.", "a.csv: and 6 more; mend these first."]


def test_of_more_than_three_alike_one_is_told_with_their_number():
    few = [Problem(f"no patch has the code '{code}'", "look", file="a.csv", line=code) for code in (3, 5, 9)]
    other = Problem("grade 9 is too high", file="a.csv", line=4)
    assert UserError(*few, other).problems == (*few, other)
    many = [Problem(f"no patch has the code '{at}x'", "look", file="a.csv", line=at) for at in range(2, 1002)] * 100
    found = UserError(*many, other).problems
    assert [str(one) for one in found] == [
        "a.csv, row 2: no patch has the code '2x'; look.",
        "a.csv: and 99,999 more like it, from row 2 to 1001.",
        "a.csv, row 4: grade 9 is too high.",
    ]
    assert UserError(*found).problems == found


def test_a_sentence_names_a_long_value_and_does_not_print_it():
    said = str(Problem(f"the code is {'x' * 1_000_000}!", "mend it"))
    assert said.startswith("the code is xxx")
    assert said.endswith("xxx!; mend it.")
    assert len(said) < 1100


def test_each_of_many_bad_rows_is_counted_and_the_first_have_their_cures(tmp_path):
    plan = plan_of(tmp_path, SMALL)
    patches = lay_out(plan, 1).patches
    rows = [f"{at},3.5,board {at},x{at}" for at in range(1000, 11_000)]
    table = csv_source.from_bytes("\n".join(["patch,darkness,note,assessor", *rows]).encode(), "a.csv")
    problems = records.check_readings(table, plan, patches, []).problems
    assert len(problems) == 10_000
    assert [bool(problem.cure) for problem in problems[:25]] == [True] * FIRST + [False] * 5
    said = str(UserError(*problems).problems[-1])
    assert said == "a.csv, column patch: and 9,999 more like it, from row 3 to 10001."


@pytest.mark.parametrize("value", ["1e-320", "1e300", "-1e13", "0.0000000001"])
def test_a_measured_value_out_of_all_proportion_is_none(tmp_path, value):
    plan = plan_of(tmp_path, SMALL)
    patches = lay_out(plan, 1).patches
    table = csv_source.from_bytes(f"patch,darkness\n{patches['patch'][0]},{value}\n".encode(), "a.csv")
    (problem,) = records.check_readings(table, plan, patches, []).problems
    assert "of no size that is reckoned with (1e-09 to 1e+12)" in str(problem)
