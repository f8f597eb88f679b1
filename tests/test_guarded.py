"""Tables changed outside splitboard: named, put on record or put back; saved again without a change, no change."""

from __future__ import annotations

import csv
import io
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.conftest import SMALL, outcome
from tests.cut_short import notes, readings, without_tables
from trials import folder as folders
from trials.errors import UserError
from trials.folder import Folder, differences, guarded

Rows = list[list[str]]


@pytest.fixture(scope="module")
def recorded_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with 16 readings, one of them corrected, and three bench notes."""
    place = tmp_path_factory.mktemp("recorded") / "trial"
    place.mkdir()
    (place / "trial.toml").write_text(SMALL, encoding="utf-8")
    assert outcome("plan", place, "--seed", 1).status == 0
    trial = folders.load(place)
    noted = readings(trial.patches, 16, note='a "note",\nof two lines')
    folders.append(trial.folder, trial.plan, noted, notes(3))
    assert outcome("correct", noted[4]["patch"], "darkness", 43.5, place, "--why", "misread").status == 0
    return place


@pytest.fixture
def place(recorded_once: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(recorded_once, tmp_path / "trial"))


def table(path: Path) -> Rows:
    return list(csv.reader(io.StringIO(path.read_text(encoding="utf-8"), newline="")))


def text(rows: Rows, **form: str) -> str:
    file = io.StringIO(newline="")
    csv.writer(file, **({"lineterminator": "\n"} | form)).writerows(rows)  # type: ignore[arg-type]
    return file.getvalue()


def with_cell(rows: Rows, row: int, column: str, cell: str) -> Rows:
    changed = [list(one) for one in rows]
    changed[row - 1][rows[0].index(column)] = cell
    return changed


def reordered(rows: Rows) -> Rows:
    return [row[::-1] for row in rows]


def decimal_commas(rows: Rows) -> Rows:
    at = rows[0].index("value")
    return [[cell.replace(".", ",") if place == at else cell for place, cell in enumerate(row)] for row in rows]


# --- saved again without a change ------------------------------------------------------------------

SAVED: dict[str, Callable[[Rows], bytes]] = {
    "every cell in quotation marks": lambda rows: '\n'.join(
        ",".join('"' + cell.replace('"', '""') + '"' for cell in row) for row in rows
    ).encode(),
    "line ends of another system": lambda rows: text(rows, lineterminator="\r\n").encode(),
    "no last line end": lambda rows: text(rows).rstrip("\n").encode(),
    "a mark of the encoding": lambda rows: text(rows).encode("utf-8-sig"),
    "another encoding": lambda rows: text(rows).encode("utf-16"),
    "semicolons": lambda rows: text(rows, delimiter=";").encode(),
    "semicolons and decimal commas": lambda rows: text(decimal_commas(rows), delimiter=";").encode(),
    "tabs": lambda rows: text(rows, delimiter="\t").encode(),
    "its separator said": lambda rows: ("sep=;\n" + text(rows, delimiter=";")).encode(),
    "columns in another order": lambda rows: text(reordered(rows)).encode(),
    "empty rows below": lambda rows: (text(rows) + "," * (len(rows[0]) - 1) + "\n\n").encode(),
    "an empty column beside": lambda rows: text([[*row, ""] for row in rows]).encode(),
}  # fmt: skip


@pytest.mark.parametrize("how", SAVED)
def test_saved_again_without_a_change_is_no_change(place, how):
    trial = folders.load(place)
    written = (place / "readings.csv").read_bytes()
    (place / "readings.csv").write_bytes(SAVED[how](table(place / "readings.csv")))
    assert (place / "readings.csv").read_bytes() != written
    again = folders.load(place)
    assert (again.journal, again.readings) == (trial.journal, trial.readings)
    with folders.locked(trial.folder):
        folders.append(trial.folder, trial.plan, readings(trial.patches, 1, repeat="2"))
    assert (place / "readings.csv").read_bytes().startswith(written), "the next write has it as it was written"


# --- changed ---------------------------------------------------------------------------------------

EDITS: dict[str, tuple[str, Callable[[Rows], Rows | None], str]] = {
    "a value": ("readings.csv", lambda rows: with_cell(rows, 6, "value", "1"), "row 6, column value: '44.5' became"),
    "a decimal comma where another number stood": (
        "readings.csv", lambda rows: with_cell(rows, 6, "value", "3,5"), "row 6, column value: '44.5' became '3,5'",
    ),
    "a text": ("readings.csv", lambda rows: with_cell(rows, 3, "value", "abc"), "row 3, column value: '41.5' became"),
    "a blank": ("readings.csv", lambda rows: with_cell(rows, 3, "value", ""), "row 3, column value: '41.5' became"),
    "not a number": ("readings.csv", lambda rows: with_cell(rows, 3, "value", "nan"), "'41.5' became 'nan'"),
    "too large": ("readings.csv", lambda rows: with_cell(rows, 3, "value", "1e300"), "'41.5' became '1e300'"),
    "without end": ("readings.csv", lambda rows: with_cell(rows, 3, "value", "1e999"), "'41.5' became '1e999'"),
    "values": (
        "readings.csv",
        lambda rows: with_cell(with_cell(rows, 6, "value", "1"), 9, "note", "x"),
        "2 rows were changed (the first is row 6, the last row 9), such as row 6, column value: '44.5' became '1'",
    ),
    "rows gone": ("readings.csv", lambda rows: rows[:10], "8 rows are gone (the first is row 11, the last row 18)"),
    "a correction gone": ("readings.csv", lambda rows: rows[:-1], "row 18 is gone"),
    "all gone": ("readings.csv", lambda rows: rows[:1], "17 rows are gone (the first is row 2, the last row 18)"),
    "a row added": ("readings.csv", lambda rows: [*rows, [*rows[3][:5], "7", *rows[3][6:]]], "row 19 was added"),
    "sorted": ("readings.csv", lambda rows: [rows[0], *sorted(rows[1:], key=lambda row: row[2])],
               "stand in another order"),
    "two swapped": ("readings.csv", lambda rows: [*rows[:3], rows[4], rows[3], *rows[5:]],
                    "2 rows stand in another order (the first is row 4, the last row 5)"),
    "a column gone": ("readings.csv", lambda rows: [row[:2] + row[3:] for row in rows], "its columns are not those"),
    "the file gone": ("readings.csv", lambda rows: None, "the file is gone"),
    "a time": ("conditions.csv", lambda rows: with_cell(rows, 2, "started_at", "9999-12-31"), "started_at: ''"),
    "a note gone": ("conditions.csv", lambda rows: rows[:-1], "row 4 is gone"),
    "a level": ("layout.csv", lambda rows: with_cell(rows, 4, "carrier", "oil"), "row 4, column carrier"),
    "codes swapped": (
        "layout.csv",
        lambda rows: with_cell(with_cell(rows, 2, "patch", rows[2][0]), 3, "patch", rows[1][0]),
        "2 rows were changed (the first is row 2, the last row 3)",
    ),
}  # fmt: skip


def edit(place: Path, how: str) -> None:
    name, change, _ = EDITS[how]
    rows = change(table(place / name))
    if rows is None:
        (place / name).unlink()
    else:
        (place / name).write_text(text(rows), encoding="utf-8")


@pytest.mark.parametrize("how", EDITS)
def test_a_change_outside_is_named_and_nothing_goes_on_until_it_is_put_back(place, how):
    before = {path.name: path.read_bytes() for path in place.iterdir() if path.is_file()}
    trial = folders.load(place)
    edit(place, how)
    name, _, says = EDITS[how]
    with pytest.raises(UserError) as caught:
        folders.load(place)
    (problem,) = caught.value.problems
    assert problem.file == name
    assert says in problem.what
    assert "--put-back' puts it back as it was" in problem.cure
    changed = (place / name).read_bytes() if (place / name).exists() else None
    for work in (
        lambda: folders.append(trial.folder, trial.plan, readings(trial.patches, 1, repeat="2")),
        lambda: folders.record_close(trial.folder, trial.plan, "closed", ""),
    ):
        with pytest.raises(UserError, match="was changed outside splitboard"):
            work()
    assert ((place / name).read_bytes() if (place / name).exists() else None) == changed
    with folders.locked(trial.folder):
        (back,) = folders.put_back(trial.folder)
    after = {path.name: path.read_bytes() for path in place.iterdir() if path.is_file()}
    assert {one: after[one] for one in before} == before
    assert back[0] == name
    assert (after[back[1]] if back[1] else None) == changed, "nor is the changed file lost"


def test_every_command_stops_at_a_change_outside(place, run):
    edit(place, "a value")
    before = {path.name: path.read_bytes() for path in place.iterdir() if path.is_file()}
    for words in (
        ("check",), ("size",), ("sheets",), ("mix",), ("close",), ("analyse",), ("decide",), ("report",),
        ("publish",), ("rehearse",), ("plan", "--add", 2), ("plan", "--discard-layout"),
    ):  # fmt: skip
        done = run(words[0], place, *words[1:])
        assert done.status == 2, words
        assert "was changed outside splitboard" in done.err or "the plan is frozen" in done.err
    assert {path.name: path.read_bytes() for path in place.iterdir() if path.is_file()} == before


def test_what_was_accepted_is_on_record_and_the_table_as_it_was_is_kept(place, run):
    written = (place / "readings.csv").read_bytes()
    edit(place, "values")
    assert "it does not say what becomes of the change" in run("accept", place).err
    done = run("accept", place, "--why", "misread twice", "--json")
    assert done.status == 0, done.err
    assert f"Next: splitboard record scores-A.csv scores-B.csv {place}" in done.err, "the scoring is open"
    (kept,) = json.loads(done.out)["data"]["files"]
    assert (place / kept["kept_as"]).read_bytes() == written
    trial = folders.load(place)
    assert trial.journal[4]["value"] == "1"
    (accepted,) = trial.record.accepted
    assert (accepted.why, accepted.difference.changed) == ("misread twice", differences.Rows(2, 6, 9))
    from analysis import taken_in

    (said,) = taken_in.outside(trial)
    assert "(misread twice): 2 rows were changed" in said
    assert run("accept", place, "--why", "again").err.startswith("nothing was changed outside splitboard")
    (place / "datapackage.json").rename(place / "away.json")
    assert "the record of the layout (its seed and plan) is missing" in run("accept", place, "--put-back").err
    (place / "away.json").rename(place / "datapackage.json")
    assert run("close", place, "--yes").status == 0
    assert folders.load(place).record.accepted == (accepted,)


@pytest.mark.parametrize(
    ("how", "says"),
    [
        ("a text", "readings.csv, row 3, column value: darkness is 'abc', which is not a number"),
        ("a blank", "readings.csv, row 3, column value: darkness is '', which is not a number"),
        ("not a number", "column value: darkness is 'nan'"),
        ("without end", "column value: darkness is '1e999'"),
        ("too large", "column value: darkness is 1e300, of no size that is reckoned with (1e-09 to 1e+12)"),
        ("a time", "conditions.csv, row 2, column started_at: '9999-12-31' lies outside the years 1970 to 2199"),
        ("two swapped", ""),
        ("a column gone", "cannot be accepted: its columns are not those"),
        ("the file gone", "cannot be accepted: the file is gone"),
        ("a level", "what was laid on a board stays on it, so no other layout is accepted"),
        ("codes swapped", "no other layout is accepted"),
    ],
)
def test_only_what_could_have_been_recorded_is_accepted(place, run, how, says):
    edit(place, how)
    before = {path.name: path.read_bytes() for path in place.iterdir() if path.is_file()}
    done = run("accept", place, "--why", "x")
    assert done.status == (2 if says else 0)
    assert says in done.err
    if says:
        assert {path.name: path.read_bytes() for path in place.iterdir() if path.is_file()} == before


def test_a_correction_of_a_row_that_was_swapped_is_not_accepted(place, run):
    rows = table(place / "readings.csv")
    assert rows[-1][11] == "6"
    rows[5], rows[7] = rows[7], rows[5]
    (place / "readings.csv").write_text(text(rows), encoding="utf-8")
    assert "row 18, column supersedes: the row corrects patch" in run("accept", place, "--why", "sorted").err


def test_a_table_that_was_never_written_is_no_results(laid_out, run):
    (laid_out / "readings.csv").write_text(",".join(folders.READING_COLUMNS) + "\n100,darkness,1,,,,,,,,,,\n")
    assert "readings.csv: was changed outside splitboard: it was not there" in run("analyse", laid_out).err
    assert run("accept", laid_out, "--put-back").status == 0
    assert not (laid_out / "readings.csv").exists()
    assert len(list(laid_out.glob("readings.*.csv"))) == 1
    assert folders.load(laid_out).journal == ()


# --- folders from before, damage -------------------------------------------------------------------


def test_a_folder_from_before_opens_and_is_guarded_from_its_next_write_on(place):
    without_tables(place)
    edit(place, "a value")
    trial = folders.load(place)
    assert trial.journal[4]["value"] == "1"
    folders.record_close(trial.folder, trial.plan, "closed", "")
    edit(place, "rows gone")
    with pytest.raises(UserError, match="8 rows are gone"):
        folders.load(place)


@pytest.mark.parametrize(
    ("how", "says"),
    [
        (
            "a decimal comma where another number stood",
            "row 6, column value: '3,5' is not a number as it is recorded",
        ),
        ("a text", "row 3, column value: darkness is 'abc'"),
        ("a blank", "row 3, column value: darkness is ''"),
        ("not a number", "row 3, column value: darkness is 'nan'"),
        ("without end", "row 3, column value: darkness is '1e999'"),
        ("a time", "conditions.csv, row 2, column started_at: '9999-12-31' lies outside"),
    ],
)
def test_a_bad_cell_of_a_folder_from_before_is_named(place, how, says):
    without_tables(place)
    edit(place, how)
    with pytest.raises(UserError) as caught:
        folders.load(place)
    assert says in str(caught.value)


@pytest.mark.parametrize("kept", ["", 3, {"readings.csv": 3}, {"readings.csv": "x"}, {"readings.csv": "AAAA"}])
def test_damaged_tables_on_record(place, kept):
    path = place / "datapackage.json"
    path.write_text(json.dumps(json.loads(path.read_bytes()) | {guarded.KEPT: kept}))
    with pytest.raises(UserError, match=r"datapackage\.json: "):
        folders.load(place)


def test_another_program_saves_while_a_command_writes(place, monkeypatch):
    """What it saved is not written over: the command stops before its change is committed."""
    from trials.folder import writing

    trial, real = folders.load(place), writing.flush_folder
    rows = table(place / "readings.csv")

    def saving(path: Path) -> None:
        (place / "readings.csv").write_text(text(rows[:5]), encoding="utf-8")
        real(path)

    monkeypatch.setattr(writing, "flush_folder", saving)
    with pytest.raises(UserError, match=r"'readings\.csv' was changed by another program"):
        folders.append(trial.folder, trial.plan, readings(trial.patches, 1, repeat="2"))
    monkeypatch.undo()
    assert table(place / "readings.csv") == rows[:5]
    with folders.locked(Folder(place)):
        assert [name for name, _ in folders.put_back(Folder(place))] == ["readings.csv"]
    assert folders.load(place).journal == trial.journal
