"""Whatever a file holds, it is taken in whole or refused in sentences; 6,200 files here, the readers have more."""

import csv
import io
import random
import string

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.conftest import SMALL
from trials import csv_source, records
from trials import folder as folders
from trials.design import lay_out
from trials.errors import UserError
from trials.plan import read_plan

STEPS = """
[[response]]
name = "smooth"
kind = "yes_no"
stages = ["sealed", "topcoated"]

[[response]]
name = "clearer_fleck"
kind = "preference"
factor = "seal_coat"
ask = "Which shows the fleck more clearly?"

[[step]]
name = "top coat"
stage = "topcoated"
dry = "48 h"
"""
HEADERS = (
    "patch", "code", "figure_clarity", "darkness", "smooth", "response", "value", "assessor", "stage", "repeat",
    "taken_at", "method", "note", "against", "reason", "supersedes", "source", "L*", "", "Patch ", "step", "board",
    "started_at", "ended_at", "temperature_c", "humidity_pct",
)  # fmt: skip
ODD = (
    "", "nan", "inf", "-inf", "1e400", "−3", "3,5", "3.5", "1.234,5", "0x10", "１", "yes", "NO", "left", "right",
    "=1+1", "2026-03-14", "2026-03-14T25:00", "2026-03-14T10:00+01:00", "9999-12-31T23:59:59", "0001-01-01T00:00",
    "topcoated", "glazed", "A", "B", "a", "figure_clarity", "clearer_fleck", "darkness", "smooth", "dye", "top coat",
    "\ud7ff", "\u202e", "x" * 300, "1" * 400, "   ", "'", '"', "rehearsal, invented results", "invented",
)  # fmt: skip


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    place = tmp_path_factory.mktemp("trial")
    (place / "trial.toml").write_text(SMALL + STEPS, encoding="utf-8")
    plan = read_plan(place)
    return plan, lay_out(plan, 1).patches


CODES = tuple(f"{{{at}}}" for at in range(16))
CALM = (*CODES, *map(str, range(-2, 8)), "0.5", "2.5", "4e0", "١", "½", "2026-03-14 10:00")
CELLS = (*CALM, *ODD)
"""What rows are made of; one row in four is of what is calm alone."""
KNOWN = (
    (),
    ("patch", "figure_clarity", "assessor", "repeat", "taken_at", "reason"),
    ("patch", "response", "value", "stage", "against", "reason"),
    ("board", "step", "started_at", "ended_at", "temperature_c"),
)


def table_of(drawn):
    """Return header, rows and separator from 39 bytes: one draw a file takes a fraction of the time of one a cell."""
    left = iter(drawn)

    def one_of(choices):
        return choices[next(left) % len(choices)]

    known = list(one_of(KNOWN))
    mixed = [known.pop(next(left) % len(known)) for _ in range(len(known))]
    header = mixed or [one_of(HEADERS) for _ in range(1 + next(left) % 8)]
    kinds = [one_of((CELLS, CELLS, CELLS, CALM)) for _ in range(1 + next(left) % 3)]
    rows = [[one_of(cells) for _ in range(8)] for cells in kinds]
    return header, rows, one_of(",;\t")


TABLES = st.binary(min_size=39, max_size=39).map(table_of)

USUAL = {
    "assessor": "A",
    "response": "figure_clarity",
    "value": "3",
    "figure_clarity": "2",
    "repeat": "2",
    "reason": "",
}


def text_of(header, rows, separator, codes):
    """Return a file; a cell such as {3} is the code of a patch there is, and most rows begin with one."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=separator)
    writer.writerow(header)
    for row in rows:
        cells = [cell.format(*codes) if cell in CODES else cell for cell in row[: len(header)]]
        if "patch" in header and row[-1] not in ODD:
            cells[header.index("patch")] = codes[len(row[-1] + row[0]) % len(codes)]
            cells = [
                USUAL.get(name, cell) if other not in ODD else cell
                for name, cell, other in zip(header, cells, row[::-1], strict=False)
            ]
        writer.writerow(cells)
    return out.getvalue()


RECORDED = {"assessor": "A", "stage": "topcoated", "repeat": "1", "response": "figure_clarity", "value": "3"}


@settings(max_examples=6000)
@given(TABLES)
def test_any_table_gives_readings_or_sentences(small, table):
    plan, patches = small
    codes = [str(code) for code in patches["patch"]]
    text = text_of(*table, codes)
    recorded = [dict.fromkeys(folders.READING_COLUMNS, "") | RECORDED | {"patch": code} for code in codes[:9]]
    notes = [
        dict.fromkeys(folders.CONDITION_COLUMNS, "")
        | {"board": "1", "step": "top coat", "ended_at": "2026-03-14T09:00"}
    ]
    try:
        table = csv_source.from_bytes(text.encode(), "a.csv")
        if records.is_conditions(table):
            checked = records.check_conditions(table, plan, patches, notes)
        else:
            checked = records.check_readings(table, plan, patches, recorded, conditions=notes)
    except UserError as error:
        refused = error.problems
    else:
        refused = (*checked.problems, *(held.problem for held in checked.held))
        assert_whole(checked)
    assert all(problem.file in ("a.csv", "") and str(problem).endswith(".") for problem in refused)


def assert_whole(checked):
    for row in checked.new:
        assert all(isinstance(cell, str) for cell in row.values())
        if "response" in row and row["response"] != "clearer_fleck" and row["value"]:
            assert abs(float(row["value"])) < 1e308
    assert len(checked.rows) in (len(checked.new), 0)


@pytest.mark.slow
def test_a_folder_is_as_before_or_holds_the_whole_file(laid_out, run):
    """200 files spoiled at random through the command itself: what it refuses leaves no trace."""
    draw = random.Random(1)
    codes = [str(code) for code in folders.load(laid_out).patches["patch"]]
    good = [["patch", "figure_clarity", "assessor"], *([code, str(2 + at % 3), "A"] for at, code in enumerate(codes))]
    statuses = set()
    for _ in range(200):
        rows = [list(row) for row in good]
        for _ in range(draw.choice([0, 1, 1, 2])):
            row = draw.choice(rows)
            row[draw.randrange(3)] = draw.choice([*ODD[:20], "".join(draw.choices(string.printable, k=4))])
        out = io.StringIO(newline="")
        csv.writer(out).writerows(rows)
        data = bytearray(out.getvalue().encode("utf-8", "surrogatepass"))
        if draw.random() < 0.3:
            data[draw.randrange(len(data))] = draw.randrange(256)
        file = laid_out.parent / "spoiled.csv"
        file.write_bytes(bytes(data))
        before = {path.name: path.read_bytes() for path in laid_out.iterdir() if path.is_file()}
        done = run("record", file, laid_out, "--assessor", "A")
        statuses.add(done.status)
        assert done.status in (0, 2), done.err
        after = {path.name: path.read_bytes() for path in laid_out.iterdir() if path.is_file()}
        if done.status == 2:
            assert after == before
        elif after != before:
            assert len(folders.load(laid_out).journal) % 16 in (0, 15), "a cell may be empty, a row never half there"
        for name in ("readings.csv", "datapackage.json"):
            if name in before:
                (laid_out / name).write_bytes(before[name])
            elif (laid_out / name).exists():
                (laid_out / name).unlink()
    assert statuses == {0, 2}
