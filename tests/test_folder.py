"""The trial folder: what is frozen, what is noticed, what is never lost."""

import csv
import json
import os
import re
import tempfile
from pathlib import Path

import pytest

from tests.conftest import SMALL
from tests.test_records import codes, scores
from trials import folder as folders
from trials.errors import UserError


def files(place: Path) -> dict[str, bytes]:
    return {
        path.name: path.read_bytes() for path in place.iterdir() if path.is_file() and not path.name.startswith(".")
    }


def test_a_layout_is_set_aside_only_when_asked_and_the_seed_gives_it_again(laid_out, run):
    before = files(laid_out)
    for words in ((), ("--seed", 2)):
        done = run("plan", laid_out, *words)
        assert done.status == 2
        assert "the boards are laid out already; go on with 'splitboard sheets', or add --discard-layout" in done.err
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
    rows[3][at] = "alcohol" if rows[3][at] == "water" else "water"
    with path.open("w", newline="") as file:
        csv.writer(file).writerows(rows)
    before = files(laid_out)
    for command in (("sheets", laid_out), ("record", scores(laid_out), laid_out), ("decide", laid_out)):
        done = run(*command)
        assert done.status == 2
        assert "layout.csv, row 4, column carrier: holds" in done.err
        assert "was laid out" in done.err
    assert files(laid_out) == before


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda text: text.replace("patch,", "code,", 1), "the columns are"),
        (lambda text: "\n".join(text.splitlines()[:-2]) + "\n", "there are 14 patches, but 16 were laid out"),
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
    assert "run 'splitboard plan --discard-layout'" in done.err
    assert run("plan", laid_out, "--discard-layout").status == 0
    assert run("record", scores(laid_out), laid_out).status == 0
    (laid_out / "trial.toml").write_text(SMALL)
    done = run("decide", laid_out)
    assert done.status == 2
    assert "follow-up" in done.err


def test_renaming_the_trial_is_no_change_of_the_layout(laid_out):
    (laid_out / "trial.toml").write_text(SMALL.replace("Hall cabinet", "Hall press"))
    assert folders.load(laid_out).plan.title.startswith("Hall press")


def test_not_laid_out_yet(folder, run):
    done = run("sheets", folder)
    assert done.status == 2
    assert "not laid out yet; run 'splitboard plan' first" in done.err


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
    assert "readings.csv, row 2" in done.err


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
