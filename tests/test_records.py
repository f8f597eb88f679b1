"""Taking in results: every row checked, every fault named with row and column, nothing half taken in."""

import csv
import re
from pathlib import Path

import pytest

from tests.conftest import SMALL
from trials import folder as folders


def write(path: Path, rows: list[list[object]]) -> Path:
    with path.open("w", newline="") as file:
        csv.writer(file).writerows(rows)
    return path


def codes(laid_out: Path) -> list[int]:
    with (laid_out / "layout.csv").open() as file:
        return [int(row["patch"]) for row in csv.DictReader(file)]


def scores(laid_out: Path, name: str = "scores.csv", assessor: str = "A", value: int = 3) -> Path:
    rows: list[list[object]] = [["patch", "figure_clarity", "assessor"]]
    marks = [[code, value + at % 2, assessor] for at, code in enumerate(codes(laid_out))]
    return write(laid_out.parent / name, rows + marks)


def recorded(laid_out: Path) -> list[dict[str, str]]:
    return folders.load_readings(folders.at(laid_out))


def test_a_file_goes_in_once(laid_out, run):
    file = scores(laid_out)
    first = run("record", file, laid_out)
    assert first.status == 0
    assert "16 readings taken in" in first.out
    before = (laid_out / "readings.csv").read_bytes()
    again = run("record", laid_out, file)
    assert again.status == 0
    assert "0 readings taken in, 16 recorded already" in again.out
    assert (laid_out / "readings.csv").read_bytes() == before


def test_appending_leaves_what_was_there(laid_out, run):
    run("record", scores(laid_out), laid_out)
    before = (laid_out / "readings.csv").read_bytes()
    run("record", scores(laid_out, "b.csv", "B", 4), laid_out)
    after = (laid_out / "readings.csv").read_bytes()
    assert after.startswith(before)
    assert len(recorded(laid_out)) == 32


def test_long_form_with_defaults(laid_out, run):
    code = codes(laid_out)[0]
    file = write(
        laid_out.parent / "long.csv",
        [["Code", "Response", "Value", "taken_at"], [code, "Darkness", "41,5", "2026-03-14 15:09"]],
    )
    assert run("record", file, laid_out, "--method", "colorimeter").status == 0
    (row,) = recorded(laid_out)
    assert row == {
        "patch": str(code), "response": "darkness", "value": "41.5", "assessor": "", "stage": "topcoated",
        "repeat": "1", "taken_at": "2026-03-14T15:09:00", "method": "colorimeter", "source": "long.csv", "note": "",
        "against": "", "supersedes": "", "reason": "",
    }  # fmt: skip


FAULTS = [
    (["999", "3", "A"], "patch", "no patch of this trial has the code '999'"),
    (["{code}", "7", "A"], "figure_clarity", "figure clarity is 7, but its grades go from 1 to 5"),
    (["{code}", "0", "A"], "figure_clarity", "its grades go from 1 to 5"),
    (["{code}", "3.5", "A"], "figure_clarity", "in whole grades"),
    (["{code}", "good", "A"], "figure_clarity", "is 'good', which is not a number"),
    (["{code}", "1.234,5", "A"], "figure_clarity", "which is not a number"),
    (["{code}", "3", "Z"], "assessor", "'Z' is not one of the plan's assessors"),
    (["{code}", "3", ""], "assessor", "it does not say who scored"),
    (["", "3", "A"], "patch", "a value but no code"),
]


@pytest.mark.parametrize(("row", "column", "says"), FAULTS, ids=[fault[2][:30] for fault in FAULTS])
def test_a_bad_row_stops_the_whole_file(laid_out, run, row, column, says):
    first, second = codes(laid_out)[:2]
    bad = [cell.format(code=second) for cell in row]
    file = write(laid_out.parent / "bad.csv", [["patch", "figure_clarity", "assessor"], [first, 3, "A"], bad])
    done = run("record", file, laid_out)
    assert done.status == 2
    assert f"bad.csv, row 3, column {column}: " in done.err
    assert says in done.err
    assert "Traceback" not in done.err
    assert not (laid_out / "readings.csv").exists()


def test_the_good_rows_when_asked_for(laid_out, run):
    first, second = codes(laid_out)[:2]
    file = write(
        laid_out.parent / "bad.csv",
        [["patch", "figure_clarity", "assessor"], [first, 3, "A"], [second, 9, "A"], ["000", 2, "A"]],
    )
    done = run("record", file, laid_out, "--good-rows")
    assert done.status == 0
    assert "1 reading taken in, 2 left out" in done.out
    assert "row 3" in done.err
    assert "row 4" in done.err
    assert [row["patch"] for row in recorded(laid_out)] == [str(first)]


def test_all_bad_rows_are_named_at_once(laid_out, run):
    rows = [["patch", "figure_clarity", "assessor"], *([code, 9, "A"] for code in codes(laid_out))]
    done = run("record", write(laid_out.parent / "bad.csv", rows), laid_out)
    assert "row 2," in done.err
    assert "and 15 more like it, from row 3 to 17." in done.err


def test_the_same_reading_twice(laid_out, run):
    code = codes(laid_out)[0]
    header = ["patch", "figure_clarity", "assessor"]
    done = run("record", write(laid_out.parent / "two.csv", [header, [code, 3, "A"], [code, 3, "A"]]), laid_out)
    assert done.status == 2
    assert "stands in row 2 already" in done.err
    run("record", write(laid_out.parent / "one.csv", [header, [code, 3, "A"]]), laid_out)
    done = run("record", write(laid_out.parent / "other.csv", [header, [code, 4, "A"]]), laid_out)
    assert done.status == 2
    assert "is recorded as 3 (readings.csv row 2), and this says 4" in done.err
    assert "nothing recorded is overwritten" in done.err
    repeat = write(laid_out.parent / "repeat.csv", [[*header, "repeat"], [code, 4, "A", 2]])
    assert run("record", repeat, laid_out).status == 0
    assert [row["value"] for row in recorded(laid_out)] == ["3", "4"]


def test_wrong_stage(laid_out, run):
    code = codes(laid_out)[0]
    header = ["patch", "figure_clarity", "assessor", "stage"]
    done = run("record", write(laid_out.parent / "a.csv", [header, [code, 3, "A", "glazed"]]), laid_out)
    assert done.status == 2
    assert "figure clarity is not read at stage 'glazed'; the plan reads it at: topcoated" in done.err
    done = run("record", write(laid_out.parent / "a.csv", [header, [code, 3, "A", "polished"]]), laid_out)
    assert "'polished' is not a stage of the work" in done.err


def test_two_stages_need_to_be_told(folder, run):
    text = SMALL.replace('unit = "L*"', 'unit = "L*"\nstages = ["topcoated", "bare"]')
    (folder / "trial.toml").write_text(text)
    run("plan", folder, "--seed", 3)
    file = write(folder.parent / "a.csv", [["patch", "darkness"], [codes(folder)[0], 60]])
    assert "add --stage with one of bare, topcoated" in run("record", file, folder).err
    assert run("record", file, folder, "--stage", "bare").status == 0
    assert run("record", file, folder, "--stage", "topcoated").status == 0
    assert [row["stage"] for row in recorded(folder)] == ["bare", "topcoated"]


@pytest.mark.parametrize(
    ("header", "says"),
    [
        (["patch", "figure_claritty"], "column 'figure_claritty' is not known; write 'figure_clarity'"),
        (["figure_clarity", "note"], "no column with the patches' codes"),
        (["patch", "note"], "no column for any response"),
        (["patch", "code", "figure_clarity"], "mean the same"),
    ],
)
def test_headers(laid_out, run, header, says):
    file = write(laid_out.parent / "a.csv", [header, [codes(laid_out)[0]] * len(header)])
    done = run("record", file, laid_out)
    assert done.status == 2
    assert says in done.err


@pytest.mark.parametrize(
    ("column", "says", "notes"),
    [
        ("Remarks", "", ["streaky", "streaky"]),
        ("Bemerkungen", "", ["streaky", "streaky"]),
        ("Was mir auffiel", "column 'Was mir auffiel' is taken as the note", ["streaky", "streaky"]),
        ("Bench", "column 'Bench' is taken as the note", ["streaky", "streaky"]),
        ("Lamp height", "left unread, as the trial knows no such column: 'Lamp height'", ["", ""]),
    ],
)
def test_a_column_not_known_stops_nothing(laid_out, run, column, says, notes):
    cell = "40" if column == "Lamp height" else "streaky"
    rows = [[code, 3, "A", cell] for code in codes(laid_out)[:2]]
    file = write(laid_out.parent / "a.csv", [["patch", "figure_clarity", "assessor", column], *rows])
    done = run("record", file, laid_out)
    assert done.status == 0
    assert says in done.out
    assert ("column" in done.out) == bool(says)
    assert [row["note"] for row in recorded(laid_out)] == notes


def test_rows_are_those_of_the_file_below_a_title(laid_out, run):
    file = write(laid_out.parent / "a.csv", [["Hall"], ["patch", "figure_claritty", "assessor"], [100, 3, "A"]])
    assert "a.csv, row 2, column figure_claritty:" in run("record", file, laid_out).err


def test_an_instruments_column_of_names_is_named_by_an_option(laid_out, run):
    rows = [[code, 61.5] for code in codes(laid_out)[:2]]
    file = write(laid_out.parent / "a.csv", [["Lab meter, 8 mm"], ["Sample name", "darkness"], *rows])
    done = run("record", file, laid_out)
    assert done.status == 2
    table = write(laid_out.parent / "b.csv", [["Sample name", "darkness"], *rows])
    assert "if it is the column 'Sample name', add --codes \"Sample name\"" in run("record", table, laid_out).err
    assert "there is no column 'Smple'; write 'Sample name'" in run("record", table, laid_out, "--codes", "Smple").err
    assert run("record", file, laid_out, "--codes", "sample name").status == 0
    assert [row["value"] for row in recorded(laid_out)] == ["61.5", "61.5"]


def test_a_form_with_slips_is_cured_step_by_step(laid_out, run):
    """A title above the header, remarks, a decimal comma, a misspelt name, a grade too high, a strange code."""
    known = codes(laid_out)
    lines = ["Hall cabinet", "Patch;Figure clarity;Remarks;Assessor", *(f"{code};3;even;A" for code in known[:3])]
    lines += [f"{known[3]};9;streaky;A", "000;2;;A", f"{known[4]};4;;a A"]
    file = laid_out.parent / "form.csv"
    file.write_text("\n".join(lines), encoding="utf-8")
    said = run("record", file, laid_out).err
    assert "form.csv, row 6, column Figure clarity: figure clarity is 9, but its grades go from 1 to 5" in said
    assert "form.csv, row 7, column patch: no patch of this trial has the code '000'; " in said
    assert "form.csv, row 8, column assessor: 'a A' is not one of the plan's assessors" in said
    assert not recorded(laid_out)
    cured = "\n".join(lines).replace(";9;", ";4;").replace("000;", f"{known[5]};").replace("a A", "A")
    file.write_text(cured, encoding="utf-8")
    dry = run("record", file, laid_out, "--dry-run")
    assert "6 readings would be taken in." in dry.out
    assert "10 patches lack figure clarity by A" in dry.out
    assert run("record", file, laid_out).out == dry.out.replace("would be taken in", "taken in")
    assert [row["note"] for row in recorded(laid_out)] == ["even", "even", "even", "streaky", "", ""]


def test_the_same_fault_in_every_row_is_told_once(laid_out, run):
    rows = [[code, 9, "A"] for code in codes(laid_out)[:6]]
    file = write(laid_out.parent / "a.csv", [["patch", "figure_clarity", "assessor"], *rows])
    said = run("record", file, laid_out).err.splitlines()
    assert said[0] == "Nothing was taken in: 6 faults are in the way."
    assert said[1].startswith("a.csv, row 2, column figure_clarity: figure clarity is 9")
    assert said[2:] == ["a.csv, column figure_clarity: and 5 more like it, from row 3 to 7."]


def test_a_misspelt_response_is_told_before_a_reason_is_asked_for(laid_out, run):
    done = run("correct", codes(laid_out)[0], "darknes", 40, laid_out)
    assert "'darknes' is not a response of the plan; write 'darkness'" in done.err


def test_near_codes_are_offered(laid_out, run):
    known = codes(laid_out)
    wrong = next(
        code for code in range(100, 1000)
        if code not in known and sum(a != b for a, b in zip(str(code), str(known[0]), strict=True)) == 1
    )  # fmt: skip
    file = write(laid_out.parent / "a.csv", [["patch", "figure_clarity", "assessor"], [wrong, 3, "A"]])
    error = run("record", file, laid_out).err
    offered = re.findall(r"\b\d{3}\b", error.split("has the code")[1])
    assert str(known[0]) in offered


def test_dry_run_changes_nothing(laid_out, run):
    before = {path.name: path.read_bytes() for path in laid_out.iterdir() if path.is_file()}
    done = run("record", scores(laid_out), laid_out, "--dry-run")
    assert "16 readings would be taken in" in done.out
    assert {path.name: path.read_bytes() for path in laid_out.iterdir() if path.is_file()} == before


def test_bench_notes(laid_out, run):
    header = ["board", "step", "started_at", "ended_at", "temperature_c", "humidity_pct"]
    good = [1, "dye", "2026-03-14 09:00", "2026-03-14 09:04", "20,5", 48]
    file = write(laid_out.parent / "bench.csv", [header, good])
    assert "1 bench note taken in" in run("record", file, laid_out).out
    assert "0 bench notes taken in, 1 recorded already" in run("record", file, laid_out).out
    assert folders.load_conditions(folders.at(laid_out))[0]["temperature_c"] == "20.5"
    for column, cell, says in (
        (0, 77, "no board '77'"), (2, "nine", "is not a time"), (3, "2026-03-14 08:00", "ends before it begins"),
        (4, 900, "from -30 to 60"), (5, 120, "from 0 to 100"), (1, "", "names no step"),
    ):  # fmt: skip
        bad = list(good)
        bad[column] = cell
        done = run("record", write(laid_out.parent / "bad.csv", [header, bad]), laid_out)
        assert done.status == 2
        assert says in done.err


def test_still_missing(laid_out, run):
    done = run("record", scores(laid_out), laid_out)
    assert "Still to come: 16 patches lack darkness; B has not scored." in done.out
    assert "figure clarity" not in done.out.split("taken in", 1)[1]


def test_what_would_be_taken_in_is_not_missing(laid_out, run):
    done = run("record", scores(laid_out), laid_out, "--dry-run")
    assert "16 readings would be taken in" in done.out
    assert "Still to come: 16 patches lack darkness; B has not scored." in done.out


def test_a_patch_that_an_assessor_left_out_is_missing(laid_out, run):
    some = codes(laid_out)[1:]
    rows = [["patch", "figure_clarity", "assessor"], *([code, 2 + at % 3, "A"] for at, code in enumerate(some))]
    done = run("record", write(laid_out.parent / "a.csv", rows), laid_out)
    assert "1 patch lacks figure clarity by A" in done.out


def test_no_treatment_is_shown_while_recording(laid_out, run):
    done = run("record", scores(laid_out), laid_out)
    shown = done.out + done.err
    assert not any(level in shown for level in ("water", "alcohol", "shellac", "3 min"))


def test_yes_no(folder, run):
    text = SMALL.replace('kind = "measure"\nunit = "L*"', 'kind = "yes_no"')
    (folder / "trial.toml").write_text(text)
    run("plan", folder, "--seed", 3)
    first, second, third = codes(folder)[:3]
    rows = [["patch", "darkness", "assessor"], [first, "Yes", "A"], [second, "n", "A"]]
    assert run("record", write(folder.parent / "a.csv", rows), folder).status == 0
    assert [row["value"] for row in recorded(folder)] == ["1", "0"]
    rows = [["patch", "darkness", "assessor"], [third, "perhaps", "A"]]
    assert "write yes or no" in run("record", write(folder.parent / "a.csv", rows), folder).err


def test_key_columns_are_recorded_columns():
    assert set(folders.KEY) <= set(folders.READING_COLUMNS)
