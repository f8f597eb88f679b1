"""The trial folder: what is frozen, what is noticed, what is never lost."""

import contextlib
import csv
import io
import json
import os
import re
import signal
import tempfile
from pathlib import Path

import pytest

from tests.conftest import SMALL
from tests.test_records import codes, scores
from trials import csv_source, csv_text, limits
from trials import folder as folders
from trials.errors import UserError
from trials.folder import change, lock
from trials.folder.seal import seal
from trials.sheets import scoring_form


def files(place: Path) -> dict[str, bytes]:
    return {
        path.name: path.read_bytes() for path in place.iterdir() if path.is_file() and not path.name.startswith(".")
    }


def test_a_layout_is_set_aside_only_when_asked_and_the_seed_gives_it_again(laid_out, run):
    before = files(laid_out)
    for words in ((), ("--seed", 2)):
        done = run("plan", laid_out, *words)
        assert done.status == 2
        assert (
            f"the boards are laid out already; go on with 'splitboard sheets {laid_out}', or add --discard-layout"
            in done.err
        )
        assert files(laid_out) == before
    done = run("plan", laid_out, "--seed", 2, "--discard-layout", "--json")
    assert done.status == 0
    aside = json.loads(done.out)["data"]["set_aside"]
    after = files(laid_out)
    assert [after[name] for name in aside] == [before[name] for name in ("layout.csv", "datapackage.json")]
    assert all(re.fullmatch(r"(layout|datapackage)\.20\d\d-\d\d-\d\dT\d{6}Z\.(csv|json)", name) for name in aside)
    assert after["layout.csv"] != before["layout.csv"]
    assert run("plan", laid_out, "--seed", 1, "--discard-layout").status == 0
    assert files(laid_out)["layout.csv"] == before["layout.csv"]
    assert set(after.items()) - {(name, after[name]) for name in before} <= set(files(laid_out).items())


def test_fresh_seeds_differ(folder, run):
    run("plan", folder)
    first = json.loads((folder / "datapackage.json").read_text())["splitboard:seed"]
    (folder / "datapackage.json").unlink()
    (folder / "layout.csv").unlink()
    run("plan", folder)
    assert json.loads((folder / "datapackage.json").read_text())["splitboard:seed"] != first


def test_plan_is_frozen_once_there_are_readings(laid_out, run):
    run("record", scores(laid_out), laid_out)
    before = files(laid_out)
    done = run("plan", laid_out, "--seed", 9)
    assert done.status == 2
    assert "the plan is frozen" in done.err
    assert "splitboard new NEW_FOLDER --like" in done.err
    assert files(laid_out) == before


def test_plan_is_frozen_once_there_are_bench_notes(laid_out, run):
    """Boards dyed already need the key by which they were dyed."""
    notes = laid_out.parent / "bench.csv"
    notes.write_text("board,step,started_at\n1,dye,2026-03-14 09:00\n")
    assert run("record", notes, laid_out).status == 0
    before = files(laid_out)
    for words in (("--seed", 9), ("--seed", 9, "--discard-layout")):
        done = run("plan", laid_out, *words)
        assert done.status == 2
        assert "bench notes have been taken in, so the plan is frozen; start a follow-up" in done.err
        assert files(laid_out) == before


def test_an_edited_layout_is_noticed_cell_by_cell(laid_out, run):
    path = laid_out / "layout.csv"
    rows = list(csv.reader(path.read_text().splitlines()))
    at = rows[0].index("carrier")
    before_it = rows[3][at]
    rows[3][at] = "alcohol" if rows[3][at] == "water" else "water"
    with path.open("w", newline="") as file:
        csv.writer(file).writerows(rows)
    before = files(laid_out)
    for command in (("sheets", laid_out), ("record", scores(laid_out), laid_out), ("decide", laid_out)):
        done = run(*command)
        assert done.status == 2
        assert "layout.csv: was changed outside splitboard: row 4, column carrier; " in done.err
        assert not any(level in done.err for level in (before_it, rows[3][at]))  # whoever scores may read it
    assert files(laid_out) == before


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (
            lambda text: text.replace("patch,", "code,", 1),
            "its columns are not those it was written with (patch, code)",
        ),
        (
            lambda text: "\n".join(text.splitlines()[:-2]) + "\n",
            "2 rows are gone (the first is row 16, the last row 17)",
        ),
        (lambda text: text.replace("\n", "x\n", 2).replace("x\n", "\n", 1), "layout.csv"),
    ],
)
def test_other_damage_to_the_layout(laid_out, run, spoil, says):
    path = laid_out / "layout.csv"
    path.write_text(spoil(path.read_text()))
    done = run("sheets", laid_out)
    assert done.status == 2
    assert says in done.err


def test_a_layout_saved_by_a_spreadsheet_is_still_the_layout(laid_out):
    """Same cells, other separators and line ends: nothing was edited."""
    path = laid_out / "layout.csv"
    path.write_bytes(path.read_text().replace(",", ";").replace("\n", "\r\n").encode("utf-8-sig"))
    assert len(folders.load(laid_out).patches) == 16


def test_a_plan_changed_after_the_layout_is_noticed(laid_out, run):
    (laid_out / "trial.toml").write_text(SMALL.replace("strips = 2", "strips = 4"))
    done = run("sheets", laid_out)
    assert done.status == 2
    assert "the plan was changed after the boards were laid out (boards strips: 2 → 4)" in done.err
    assert f"run 'splitboard plan --discard-layout {laid_out}'" in done.err
    assert f"Next: splitboard plan --discard-layout {laid_out}" in run("check", laid_out).err
    assert run("plan", laid_out, "--discard-layout").status == 0
    assert run("record", scores(laid_out), laid_out).status == 0
    (laid_out / "trial.toml").write_text(SMALL)
    done = run("decide", laid_out)
    assert done.status == 2
    assert "follow-up" in done.err


def test_renaming_the_trial_is_no_change_of_the_layout(laid_out, run):
    (laid_out / "trial.toml").write_text(SMALL.replace("Hall cabinet", "Hall press"))
    assert f"Next: splitboard sheets {laid_out}" in run("check", laid_out).err
    assert folders.load(laid_out).plan.title.startswith("Hall press")


def test_not_laid_out_yet(folder, run):
    done = run("sheets", folder)
    assert done.status == 2
    assert f"not laid out yet; run 'splitboard plan {folder}' first" in done.err


def test_damaged_record(laid_out, run):
    (laid_out / "datapackage.json").write_text("{")
    assert "is damaged" in run("sheets", laid_out).err
    (laid_out / "datapackage.json").unlink()
    assert "missing or damaged" in run("sheets", laid_out).err
    assert run("plan", laid_out, "--seed", 1, "--discard-layout").status == 0


def test_damaged_readings_are_not_read_as_if_they_were_whole(laid_out, run):
    run("record", scores(laid_out), laid_out)
    path = laid_out / "readings.csv"
    path.write_text(path.read_text().replace(",A,", ",", 1))
    done = run("decide", laid_out)
    assert done.status == 2
    assert "readings.csv: was changed outside splitboard: row 2, column assessor: 'A' became" in done.err


def test_a_write_that_fails_leaves_the_file_as_it_was(tmp_path, monkeypatch):
    path = tmp_path / "readings.csv"
    folders.write_text(path, "before\n")

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(UserError, match="No space left"):
        folders.write_text(path, "after\n")
    assert path.read_text() == "before\n"
    assert [file.name for file in tmp_path.iterdir()] == ["readings.csv"]


def test_read_only_folder(laid_out, run, monkeypatch):
    """Told in words; the rights themselves are feigned, since the tests may run as root."""

    def refused(**_: object) -> None:
        raise PermissionError(13, "Permission denied")

    file = scores(laid_out)
    monkeypatch.setattr(tempfile, "mkstemp", refused)
    done = run("record", file, laid_out)
    assert done.status == 2
    assert "'readings.csv' cannot be written (Permission denied)" in done.err


def test_a_second_writer_waits_and_is_told(laid_out, monkeypatch):
    import filelock

    monkeypatch.setattr(filelock.FileLock, "acquire", _timed_out)
    with pytest.raises(UserError, match="another splitboard command"), folders.locked(folders.at(laid_out)):
        pass


def _timed_out(self, *args, **kwargs):
    import filelock

    raise filelock.Timeout("lock")


def test_the_package_describes_the_tables(laid_out, run):
    """Data Package 2.0: names, hashes, schema of every table; the plan and the seed beside them."""
    run("record", scores(laid_out), laid_out)
    package = json.loads((laid_out / "datapackage.json").read_text())
    assert package["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"
    by_name = {resource["name"]: resource for resource in package["resources"]}
    assert set(by_name) == {"layout", "readings"}
    for name, resource in by_name.items():
        data = (laid_out / f"{name}.csv").read_bytes()
        assert resource["bytes"] == len(data)
        header = data.split(b"\n", 1)[0].decode().split(",")
        assert [field["name"] for field in resource["schema"]["fields"]] == header
    assert by_name["layout"]["schema"]["primaryKey"] == ["patch"]
    assert package["splitboard:seed"] == 1
    assert package["splitboard:plan"]["title"].startswith("Hall cabinet")


def test_follow_up(laid_out, run, tmp_path):
    done = run("new", tmp_path / "second", "--like", laid_out)
    assert done.status == 0
    assert (tmp_path / "second" / "trial.toml").read_text() == SMALL
    assert not (tmp_path / "second" / "layout.csv").exists()
    assert len(codes(laid_out)) == 16


FORMULAS = ("=cmd()|'/C calc'!A0", "+1 drop", "-2; =1+1", "@SUM(1)", "'=already", " \t=x", "plain; -3,5", "-3.5")


def test_no_table_holds_a_cell_that_a_spreadsheet_runs_and_each_comes_back(folder, run):
    """In readings, bench notes, the layout and the forms alike; the record's digest is of what the cells mean."""
    text = SMALL.replace('"water", "alcohol"', '"=water()", "-alcohol; +x"').replace('["A", "B"]', '["=A()", "@B"]')
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    assert run("plan", folder, "--seed", 1).status == 0
    trial = folders.load(folder)
    assert {*trial.patches["carrier"]} == {"=water()", "-alcohol; +x"}
    rows = [
        dict.fromkeys(folders.READING_COLUMNS, "")
        | {
            "patch": str(code),
            "response": "darkness",
            "value": "-3.5",
            "stage": "topcoated",
            "repeat": "1",
            "note": note,
        }
        for code, note in zip(trial.patches["patch"], FORMULAS, strict=False)
    ]
    notes = [dict.fromkeys(folders.CONDITION_COLUMNS, "") | {"step": note, "note": note} for note in FORMULAS]
    for _ in range(2):
        folders.append(trial.folder, trial.plan, rows, notes)
    trial = folders.load(folder)
    assert [row["note"] for row in trial.journal] == [*FORMULAS, *FORMULAS]
    assert [row["step"] for row in trial.conditions] == [*FORMULAS, *FORMULAS]
    forms = scoring_form.build(trial.plan, trial.patches, 1)
    tables = [(folder / name).read_bytes() for name in ("layout.csv", "readings.csv", "conditions.csv")]
    tables += [form.blank for form in forms]
    for table in tables:
        cells = [cell for row in csv.reader(io.StringIO(table.decode("utf-8-sig"), newline="")) for cell in row]
        assert [cell for cell in cells if csv_text.neutral(csv_text.plain(cell)) != cell] == []
    assert {row.cells["assessor"] for row in csv_source.from_bytes(forms[0].blank, "a.csv").rows} == {"=A()"}
    fields = json.loads((folder / "datapackage.json").read_bytes())["resources"][0]["schema"]["fields"]
    assert fields[6]["constraints"]["enum"] == ["'=water()", "'-alcohol;' +x"]


def _spoiled(record, path, value):
    """Put a value at a path into a copy of a record."""
    record = json.loads(json.dumps(record))
    *above, last = path
    inner = record
    for name in above:
        inner = inner[name]
    inner[last] = value
    return record


DAMAGE = (None, "a text", [1, 2], {"a": 1}, 3.5, -1, "\ud800")
PLACES = (
    ("splitboard:plan",), ("splitboard:plan", "questions"), ("splitboard:plan", "boards"),
    ("splitboard:plan", "factors", 0, "levels"), ("splitboard:plan", "boards", "lots"), ("splitboard:plan", "title"),
    ("splitboard:seed",), ("splitboard:scoring",), ("splitboard:scoring", 0, "at"), ("splitboard:scoring", 0, "act"),
    ("splitboard:added",), ("splitboard:laidOutAt",), ("splitboard:version",), ("splitboard:layoutHash",), ("title",),
)  # fmt: skip


def test_a_record_damaged_in_any_way_is_refused_or_does_no_harm(laid_out):
    folder = folders.at(laid_out)
    plan = folders.read_plan(laid_out)
    folders.record_close(folder, plan, "closed", "")
    record = json.loads(folder.package_file.read_bytes())
    refused = set()
    for place in PLACES:
        for value in DAMAGE:
            spoiled = _spoiled(record, place, value)
            with contextlib.suppress(ValueError):  # half a character has no digest
                spoiled["splitboard:seal"] = seal(spoiled)
            folder.package_file.write_text(json.dumps(spoiled))
            try:
                found = folders.load_record(folder)
            except UserError:
                refused.add((place[-1], str(value)))
            else:
                assert found.closed or not found.scoring
                assert found.changed(plan, 0) is not None
    assert len(refused) > 80
    assert {("questions", "None"), ("questions", "a text"), ("boards", "3.5"), ("title", "\ud800")} <= refused


@pytest.mark.parametrize(
    "text", ["[" * 100_000, '{"a":' * 100_000, "9" * 5000, '{"splitboard:seed": 1e999}', "NaN", '"\\ud800"', ""]
)
def test_a_record_that_is_no_record(laid_out, text):
    (laid_out / "datapackage.json").write_text(text)
    with pytest.raises(UserError, match=r"datapackage\.json: is damaged"):
        folders.load(laid_out)


def test_a_record_of_far_too_much(laid_out):
    (laid_out / "datapackage.json").write_text('["' + "x" * limits.RECORD_BYTES + '"]')
    with pytest.raises(UserError, match=r"datapackage\.json: is larger than 20 MB"):
        folders.load(laid_out)


@pytest.mark.parametrize("name", ["trial.toml", "readings.csv", "datapackage.json", lock.HOLDER, change.RECORD])
def test_a_pipe_in_a_files_place_is_not_waited_for(laid_out, name):
    folder, plan = folders.at(laid_out), folders.read_plan(laid_out)
    (laid_out / name).unlink(missing_ok=True)
    os.mkfifo(laid_out / name)
    signal.alarm(20)  # ends the process, should it wait
    try:
        with folders.locked(folder):
            folders.record_close(folder, plan, "closed", "")
        assert folders.load(laid_out).closed
        assert name.startswith(".")
    except UserError as error:
        assert f"{name}: is no plain file" in str(error)  # noqa: PT017
    finally:
        signal.alarm(0)
