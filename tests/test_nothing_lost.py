"""Nothing recorded is ever lost: killed, out of room, not allowed, two at once, corrected."""

from __future__ import annotations

import csv
import errno
import getpass
import io
import json
import os
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import REPOSITORY, SMALL
from tests.cut_short import notes, readings, without_tables
from trials import data_package, publish
from trials import folder as folders
from trials.csv_text import csv_text
from trials.design import lay_out
from trials.errors import UserError
from trials.folder import Folder, change, lock, reading, writing
from trials.plan import read_plan

CHANGES = ("append", "add boards", "lay out")
OTHERS = ("accept", "publish")
"""Changes that are no more readings and no more boards: each with a test of its own."""
REFUSALS = ("ENOSPC", "ENOSPC on", "EROFS on")
"""At one step only, or from it on."""
UNTOUCHED = "nothing was taken in"


def command(*words: object) -> list[str]:
    return [sys.executable, "-m", "tests.cut_short", *map(str, words)]


def outcome(*words: object, first: tuple[str, ...] = ()) -> Any:
    done = subprocess.run([*first, *command(*words)], cwd=REPOSITORY, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@pytest.fixture(scope="module")
def room(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Return where many folders are made and written: in memory if there is room for it, for speed."""
    memory = Path("/dev/shm")
    if memory.is_dir() and os.access(memory, os.W_OK):
        with tempfile.TemporaryDirectory(dir=memory, prefix="splitboard-") as made:
            yield Path(made)
    else:
        yield tmp_path_factory.mktemp("many")


@pytest.fixture
def work(room: Path) -> Path:
    """Return a new folder to make many in."""
    return Path(tempfile.mkdtemp(dir=room))


@pytest.fixture(scope="module")
def bases(room: Path) -> dict[str, Path]:
    """Return for each change a folder to make it in: with readings, or not yet."""
    made = {}
    for name in CHANGES:
        place = room / f"base {name}" / "trial"
        place.parent.mkdir()
        place.mkdir()
        (place / "trial.toml").write_text(SMALL, encoding="utf-8")
        plan = read_plan(place)
        layout = lay_out(plan, 1)
        folders.save_layout(Folder(place), plan, layout)
        if name != "lay out":
            folders.append(Folder(place), plan, readings(layout.patches, 6))
            folders.record_close(Folder(place), plan, "closed", "")
        made[name] = place
    made["accept"] = Path(shutil.copytree(made["append"], room / "base accept" / "trial"))
    path = made["accept"] / "readings.csv"
    path.write_text(path.read_text().replace("42.5", "24.5"))
    made["publish"] = Path(shutil.copytree(made["append"], room / "base publish" / "trial"))
    trial = folders.load(made["publish"])
    folders.append_conditions(trial.folder, trial.plan, notes(1))
    folders.record_close(trial.folder, trial.plan, "opened", "more to come")
    publish.write(folders.load(trial.folder.path), trial.folder.open_data)
    folders.record_close(trial.folder, trial.plan, "closed", "")
    return made


@pytest.fixture
def place(bases: dict[str, Path], tmp_path: Path) -> Path:
    """Return a copy of a laid-out folder with six readings."""
    return Path(shutil.copytree(bases["append"], tmp_path / "trial"))


def files(place: Path) -> dict[str, bytes]:
    """Return what anyone sees in a folder."""
    return {
        path.name: path.read_bytes()
        for path in place.iterdir()
        if path.is_file() and not path.name.startswith(".")
    }  # fmt: skip


def hidden(place: Path) -> set[str]:
    return {path.name for path in place.rglob(".*")} - {lock.LOCK}


STEPS = (*((name, "exit") for name in (*CHANGES, *OTHERS)), *(("append", act) for act in REFUSALS))
KILLS = tuple((name, 70, 20260316) for name in CHANGES)


@pytest.fixture(scope="module")
def under_way(bases: dict[str, Path], room: Path) -> Iterator[dict[str, subprocess.Popen[str]]]:
    """Begin both series of changes, each done in one process one after the other: the kills wait most of the time."""
    begun = {}
    for mode, cases in (("kill", KILLS), ("steps", STEPS)):
        words = [json.dumps([str(bases[name]), tempfile.mkdtemp(dir=room), name, *more]) for name, *more in cases]
        begun[mode] = subprocess.Popen(
            command(mode, *words), cwd=REPOSITORY, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
    yield begun
    for process in begun.values():
        process.kill()
        process.communicate()


def found_by(process: subprocess.Popen[str]) -> list[list[dict[str, Any]]]:
    """Wait for a process of changes to end; return what came of each of its cases."""
    out, err = process.communicate()
    assert process.returncode == 0, err
    return list(json.loads(out))


@pytest.fixture(scope="module")
def stopped(under_way: dict[str, subprocess.Popen[str]]) -> dict[tuple[str, str], list[dict[str, Any]]]:
    """Return for each change and act at one of its steps what came of it at each of them, and last without it."""
    return dict(zip(STEPS, found_by(under_way["steps"]), strict=True))


@pytest.fixture(scope="module")
def killed(under_way: dict[str, subprocess.Popen[str]]) -> dict[str, list[dict[str, Any]]]:
    """Return for each change what came of it when it was killed, 70 times."""
    return dict(zip(CHANGES, found_by(under_way["kill"]), strict=True))


@pytest.fixture(scope="module")
def every_step(stopped: dict[tuple[str, str], list[dict[str, Any]]]) -> dict[str, list[Path]]:
    """Return for each change the folders in which its process ended at each step, and last one with none."""
    made = {}
    for name in (*CHANGES, *OTHERS):
        found = stopped[name, "exit"]
        assert [one["status"] for one in found] == [9] * (len(found) - 1) + [0]
        made[name] = [Path(one["place"]) for one in found]
    return made


@pytest.fixture
def ended(every_step: dict[str, list[Path]], work: Path) -> Callable[[str], list[Path]]:
    """Return copies of those folders, as they were left."""

    def copied(name: str) -> list[Path]:
        return [Path(shutil.copytree(one, work / str(at) / one.name)) for at, one in enumerate(every_step[name])]

    return copied


@pytest.fixture
def known(bases: dict[str, Path], every_step: dict[str, list[Path]]) -> dict[str, dict[str, dict[str, bytes]]]:
    """Return for each change the files before it and after one that nothing interrupted."""
    made = {name: {"before": files(bases[name]), "after": files(every_step[name][-1])} for name in CHANGES}
    assert all(one["before"] != one["after"] for one in made.values())
    return made


def which(place: Path, known: dict[str, dict[str, bytes]]) -> str:
    """Open a folder by reading it; say whether it is as before or as after, and whole."""
    trial = folders.load(place)
    found = files(place)
    names = [name for name, one in known.items() if one == found]
    assert names, f"{place} is neither as before nor as after"
    package = json.loads(found["datapackage.json"])
    for table in package["resources"]:
        assert table["hash"] == f"sha256:{data_package.sha256(found[table['path']])}"
    assert len(trial.journal) == max(found.get("readings.csv", b"").count(b",darkness,"), 0)
    with folders.locked(Folder(place)):
        pass
    assert hidden(place) == set(), "something was left behind"
    assert files(place) == found
    return names[0]


# --- killed ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", CHANGES)
def test_ended_at_every_single_step(ended, known, name):
    """A process that ends before any step, or half-way through a write, leaves the one state or the other."""
    places = ended(name)
    assert len(places) > 30
    assert sum(change.committed(place) for place in places) >= 5, "no step came between the commit and the end"
    outcomes = [which(place, known[name]) for place in places]
    turn = outcomes.index("after")
    assert turn > 10
    assert outcomes == ["before"] * turn + ["after"] * (len(places) - turn)


def test_accepting_ended_at_every_single_step(ended, bases, every_step):
    """The change outside is on record or still named, and the table as it was written is never lost."""
    written, after = (bases["append"] / "readings.csv").read_bytes(), files(every_step["accept"][-1])
    outcomes = []
    for place in ended("accept"):
        said, accepted = "", ()
        try:
            accepted = folders.load(place).record.accepted
        except UserError as error:
            said = str(error)
        if said:
            assert "readings.csv: was changed outside splitboard: row 4, column value: '42.5' became" in said
            assert files(place) == files(bases["accept"])
        else:
            assert [one.why for one in accepted] == ["an editor's slip, looked at again"]
            assert (place / accepted[0].kept_as).read_bytes() == written
            assert files(place) == after
        outcomes.append(files(place) == after)
        with folders.locked(Folder(place)):
            pass
        assert hidden(place) == set()
    turn = outcomes.index(True)
    assert turn > 10
    assert outcomes == [False] * turn + [True] * (len(outcomes) - turn)


def test_publishing_ended_at_every_single_step(ended, bases, every_step):
    """No description ever stands beside tables it does not describe; the next command finishes what was begun."""
    before, after = files(bases["publish"] / "open-data"), files(every_step["publish"][-1] / "open-data")
    assert before.keys() != after.keys()
    outcomes, without = [], 0
    for place in ended("publish"):
        package = place / "open-data"
        if (package / "datapackage.json").exists():
            for table in json.loads((package / "datapackage.json").read_bytes())["resources"]:
                assert table["hash"] == f"sha256:{data_package.sha256((package / table['path']).read_bytes())}"
        else:
            without += 1
        with folders.locked(Folder(place)):
            pass
        assert files(package) in (before, after)
        assert hidden(place) == set()
        outcomes.append(files(package) == after)
        assert files(place) == files(bases["publish"])
    turn = outcomes.index(True)
    assert turn > 10
    assert without >= 3
    assert outcomes == [False] * turn + [True] * (len(outcomes) - turn)


@pytest.mark.parametrize("name", CHANGES)
def test_killed_at_a_random_moment(killed, known, name):
    """SIGKILL, 70 times for each kind of change: 210 moments."""
    found = killed[name]
    assert len(found) == 70
    assert sum(one["status"] == -9 for one in found) > 25
    amid = sum(bool(hidden(Path(one["place"])) - {lock.HOLDER}) for one in found)
    assert amid >= 5, "hardly any kill came amid the change"
    outcomes = [which(Path(one["place"]), known[name]) for one in found]
    assert min(outcomes.count("before"), outcomes.count("after")) >= 5


@pytest.mark.parametrize("name", CHANGES)
def test_a_reader_who_may_not_write_reads_the_committed_change(ended, monkeypatch, name):
    """The files lie half in the record: what is read is the state after, and nothing on the disk is touched."""
    places = ended(name)
    after = folders.load(places[-1])
    waiting = [place for place in places if change.committed(place)]
    assert {len(change.waiting(place)) for place in waiting} >= {0, 1, 2}

    def refused(*_: object) -> None:
        raise UserError("the folder can only be read")

    monkeypatch.setattr(reading, "acquired", refused)
    for place in waiting:
        on_disk = {path: path.read_bytes() for path in place.rglob("*") if path.is_file()}
        trial = folders.load(place)
        assert trial.record == after.record
        assert trial.plan == after.plan
        assert trial.patches.equals(after.patches)
        assert (trial.journal, trial.conditions) == (after.journal, after.conditions)
        assert folders.read_plan(place / "trial.toml") == after.plan
        assert folders.load_layout(folders.at(place), after.plan).equals(after.patches)
        assert {path: path.read_bytes() for path in place.rglob("*") if path.is_file()} == on_disk


def test_what_a_power_cut_could_take_is_on_the_disk_first(place, monkeypatch):
    """Every file is flushed before it is renamed, every folder before the next step relies on its entries.

    Without that order a power cut may keep a rename and lose what was renamed (POSIX.1-2017, fsync: only what was
    flushed is promised).
    """
    trial, log = folders.load(place), []
    real = {name: getattr(os, name) for name in ("fsync", "replace", "unlink")}

    def flushed(handle: int) -> None:
        number = os.fstat(handle).st_ino
        (path,) = [path for path in (place, *place.rglob("*")) if path.stat().st_ino == number]
        log.append(("flush", str(path.relative_to(place.parent))))
        real["fsync"](handle)

    def renamed(old: Path, new: Path) -> None:
        log.append(("rename", str(Path(old).relative_to(place.parent)), str(Path(new).relative_to(place.parent))))
        real["replace"](old, new)

    def removed(path: Path, **named: Any) -> None:
        log.append(("remove", Path(path).name))
        real["unlink"](path, **named)

    monkeypatch.setattr(os, "fsync", flushed)
    monkeypatch.setattr(os, "replace", renamed)
    monkeypatch.setattr(os, "unlink", removed)
    folders.append(trial.folder, trial.plan, [row("1")], notes(1))
    monkeypatch.undo()
    record = f"trial/{change.RECORD}"
    names = ("readings.csv", "conditions.csv", "datapackage.json", change.MANIFEST)
    into_record = [log.index(step) for step in log if step[0] == "rename" and step[2].startswith(record)]
    assert [log[at][2] for at in into_record] == [f"{record}/{name}" for name in names]
    for at in into_record:
        assert log[at - 1] == ("flush", log[at][1]), "renamed before its contents were flushed"
    commit = into_record[-1]
    assert {("flush", record), ("flush", "trial")} <= set(log[into_record[-2] : commit])
    placed = [at for at, step in enumerate(log) if step[0] == "rename" and step[1].startswith(record) and at > commit]
    assert [log[at][2] for at in placed] == [f"trial/{name}" for name in ("conditions.csv", names[0], names[2])]
    assert ("flush", record) in log[commit : placed[0]]
    gone = log.index(("remove", change.MANIFEST))
    assert ("flush", "trial") in log[placed[-1] : gone]


def test_a_damaged_record_is_told_in_one_sentence(ended):
    cut = next(place for place in ended("append") if change.committed(place))
    (cut / change.RECORD / "readings.csv").write_bytes(b"patch,resp")
    before = files(cut)
    with pytest.raises(UserError, match=r"'readings.csv' in \.splitboard\.change is damaged") as caught:
        folders.load(cut)
    assert len(caught.value.problems) == 1
    with pytest.raises(UserError, match="is damaged"), folders.locked(Folder(cut)):
        pass
    (cut / change.RECORD / change.MANIFEST).write_bytes(b"{")
    with pytest.raises(UserError, match=r"'manifest.json' in \.splitboard\.change is damaged"):
        folders.load(cut)
    assert files(cut) == before


def test_only_left_over_files_of_our_own_are_swept(place):
    ended = subprocess.run([sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, check=True)
    gone = int(ended.stdout)
    (place / "sheets").mkdir()
    left = [place / f".readings.csv.{gone}-abc_1234.splitboard", place / "sheets" / f".key.pdf.{gone}-x.splitboard"]
    old = place / f".layout.csv.{os.getpid()}-abcd1234.splitboard"
    kept = [place / ".readings.csv.swp", place / ".splitboard", place / f".trial.toml.{os.getpid()}-1.splitboard"]
    for path in (*left, old, *kept):
        path.write_bytes(b"half")
    os.utime(old, (time.time() - 7200,) * 2)
    with folders.locked(Folder(place)):
        assert not any(path.exists() for path in (*left, old))
    assert all(path.exists() for path in kept)


# --- no room, no right -----------------------------------------------------------------------------


@pytest.mark.parametrize("act", REFUSALS)
def test_refused_at_every_single_step(stopped, known, act):
    """Whatever is refused, once or from then on: as before, and said so; or as after."""
    words = {
        "ENOSPC": "the disk is full; make room",
        "EROFS": "the disk can only be read; put the folder where it can be written",
    }
    found = stopped["append", act]
    assert found[-1]["status"] == 0
    said = [one for one in found if one["status"] == 2]
    assert len(said) >= 12
    for one in found:
        assert one["status"] in (0, 2), one["said"]
        if one["status"] == 2:
            assert words[act.split()[0]] in one["said"]
            assert one["said"].count(". ") == 0
        counts = "counts already" in one["said"]
        wanted = "after" if one["status"] == 0 or counts else "before"
        if wanted == "before":
            assert files(Path(one["place"])) == known["append"]["before"]
            assert re.search(r"then run it again; nothing was (taken in|changed)\.$", one["said"])
        assert which(Path(one["place"]), known["append"]) == wanted, one
    assert sum(UNTOUCHED in one["said"] for one in said) >= 10
    too_late = [one["reached"] for one in said if "counts already" in one["said"]]
    assert too_late == ["rename", "rename"], "of three files, the second and third once the first is in place"


def unshared() -> tuple[str, ...]:
    """Return how to run a command where mounting is its own affair, or nothing where that is not allowed."""
    for words in (("unshare", "-m"), ("unshare", "-r", "-m")):
        try:
            trial = [*words, "sh", "-c", "mount -t tmpfs -o size=64k none /mnt"]
            if subprocess.run(trial, capture_output=True, check=False).returncode == 0:
                return words
        except OSError:
            break
    return ()


def test_a_disk_that_is_really_full_and_one_that_can_only_be_read(bases, tmp_path):
    words = unshared()
    if not words:
        pytest.skip("mounting a small disk is not allowed here")
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = (*words, "sh", "-c", f'mount -t tmpfs -o size=160k none "{disk}" && exec "$@"', "sh")
    *tries, last = outcome("small disk", bases["append"], disk, first=mount)
    before = {name: data.decode() for name, data in sorted(files(bases["append"]).items())}
    full = [one for one in tries if one["status"] == 2]
    assert len(full) >= 3
    assert len(full) < len(tries)
    for one in full:
        assert one["files"] == before
        assert one["hidden"] == []
        assert "(No space left on device): the disk is full; make room, then run it again; nothing was" in one["said"]
        assert one["again"] == 0
    assert all(one["after"] == tries[-1]["files"] != before for one in tries)
    assert last["status"] == 2
    assert "the disk can only be read" in last["said"]
    assert last["rows"] == 18


def test_a_file_that_may_not_grow(bases, tmp_path):
    """The limit of the process (RLIMIT_FSIZE), a real refusal in the midst of a write."""
    (found,) = outcome("limit", bases["append"], tmp_path)
    assert found["status"] == 2
    assert "'datapackage.json' cannot be written (File too large)" in found["said"]
    assert UNTOUCHED in found["said"]
    assert found["hidden"] == []
    assert files(Path(found["place"])) == files(bases["append"])


@pytest.mark.parametrize(
    ("number", "says"),
    [
        (errno.EDQUOT, "): your share of the disk is used up; make room among your own files, then run it again;"),
        (
            errno.EACCES,
            "(Permission denied): another program holds it open, or you have no right to write there; close it",
        ),
        (
            errno.EPERM,
            "(Operation not permitted): another program holds it open, or you have no right to write there; close it",
        ),
        (errno.EIO, "(Input/output error); see to the disk, then run it again; nothing was changed."),
    ],
)
def test_a_refusal_in_words(number, says):
    assert says in str(writing.cannot_write(Path("readings.csv"), OSError(number, os.strerror(number))))


# --- two at once -----------------------------------------------------------------------------------


def test_two_writers_at_once_lose_nothing_and_readers_see_whole_states(place):
    """2 processes x 25 readings, and meanwhile every look at the folder finds table and description in step."""
    writers = [
        subprocess.Popen(command("take in", place, name, 25), cwd=REPOSITORY, stdout=subprocess.DEVNULL)
        for name in ("one", "two")
    ]
    looked = [6]
    while any(writer.poll() is None for writer in writers):
        trial = folders.load(place)
        assert len(trial.conditions) == len(trial.journal) - 6
        assert [row["repeat"] for row in trial.journal[6:]] == [str(at + 7) for at in range(len(trial.conditions))]
        looked.append(len(trial.journal))
    assert [writer.returncode for writer in writers] == [0, 0]
    assert looked == sorted(looked)
    assert len(set(looked)) > 5
    journal = folders.load(place).journal
    assert len(journal) == 56
    assert {row["note"] for row in journal[6:]} == {f"{name}-{at}" for name in ("one", "two") for at in range(25)}
    package = json.loads((place / "datapackage.json").read_bytes())
    for table in package["resources"]:
        assert table["hash"] == f"sha256:{data_package.sha256((place / table['path']).read_bytes())}"


@pytest.fixture
def holder(place: Path):
    """Return a process that holds the lock."""
    process = subprocess.Popen(
        command("hold", place), cwd=REPOSITORY, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdin is not None
    assert process.stdout.readline() == "held\n"
    yield process
    process.kill()
    process.wait()
    process.stdin.close()
    process.stdout.close()


def test_who_waits_in_vain_is_told_for_whom(place, holder, monkeypatch):
    monkeypatch.setattr(lock, "WAIT_S", 0.2)
    who = re.escape(f"pid {holder.pid} ({getpass.getuser()} on {socket.gethostname()})")
    with (
        pytest.raises(
            UserError, match=rf"^{who} has been writing here since [0-2]\d:[0-5]\d \(splitboard record\); "
        ),
        folders.locked(Folder(place)),
    ):
        pass
    assert len(folders.load(place).readings) == 6, "readers need no lock"


def test_a_killed_holder_lets_go_at_once_and_its_name_does_no_harm(place, holder, monkeypatch):
    monkeypatch.setattr(lock, "WAIT_S", 0.0)
    holder.kill()
    holder.wait()
    assert (place / lock.HOLDER).exists()
    with folders.locked(Folder(place)):
        assert json.loads((place / lock.HOLDER).read_bytes())["pid"] == os.getpid()
    assert hidden(place) == set()


@pytest.mark.parametrize("text", ["", "{", "[]", '{"pid": 4, "since": "yesterday"}'])
def test_a_torn_holder_file_does_no_harm(place, holder, monkeypatch, text):
    monkeypatch.setattr(lock, "WAIT_S", 0.1)
    (place / lock.HOLDER).write_text(text)
    with pytest.raises(UserError, match="another splitboard command"), folders.locked(Folder(place)):
        pass


def test_a_holder_of_another_day_is_told_with_its_date(tmp_path):
    words = {"pid": 4312, "user": "alva", "machine": "bench-pc", "command": "splitboard record"}
    (tmp_path / lock.HOLDER).write_text(json.dumps(words | {"since": "2026-03-16T10:02:00Z"}))
    found = lock._held_by(tmp_path / lock.HOLDER)
    assert re.fullmatch(
        r"pid 4312 \(alva on bench-pc\) has been writing here since 2026-03-1[567] \d\d:\d\d \(splitboard record\)",
        found,
    )


def test_the_lock_is_in_no_package(place, tmp_path):
    with folders.locked(Folder(place)):
        trial = folders.load(place)
        assert {".splitboard.lock", ".splitboard.lock.holder"} <= {path.name for path in place.iterdir()}
        publish.write(trial, tmp_path / "package")
    assert not [path.name for path in (tmp_path / "package").iterdir() if path.name.startswith(".")]
    assert "splitboard.lock" not in (place / "datapackage.json").read_text()


# --- the journal -----------------------------------------------------------------------------------


def row(value: str = "", **cells: str) -> dict[str, str]:
    return dict.fromkeys(folders.READING_COLUMNS, "") | {"value": value} | cells


def test_corrected_and_withdrawn_readings_do_not_stand():
    rows = [
        row("1"), row("2"), row("3"), row("4"),
        row("20", supersedes="3"),  # row 6 corrects row 3
        row("200", supersedes="6"),  # row 7 corrects the correction
        row("", supersedes="4"),  # row 8 withdraws row 4
        row("", supersedes="5"),  # row 9 withdraws row 5
        row("5", supersedes="9"),  # row 10 takes that back
    ]  # fmt: skip
    found = folders.standing(rows)
    assert [one["value"] for one in found] == ["1", "200", "5"]
    assert all(any(one is given for given in rows) for one in found)
    assert folders.standing([]) == []


@pytest.mark.parametrize("named", ["1", "4", "9", "0", "-2", "two", "2.0", "²", "٢", " 2"])
def test_a_correction_of_no_earlier_row_is_damage(named):
    with pytest.raises(UserError, match=r"readings\.csv, row 4, column supersedes: .* not the number of an earlier"):
        folders.standing([row("1"), row("2"), row("3", supersedes=named)])


def test_a_reading_is_superseded_once():
    rows = [row("1"), row("2", supersedes="2"), row("3", supersedes="2")]
    with pytest.raises(UserError, match=r"row 4, column supersedes: row 2 is superseded by row 3 already"):
        folders.standing(rows)


@pytest.mark.parametrize("column", folders.KEY)
def test_a_correction_names_the_reading_it_corrects(column):
    """A row's number alone is not enough: rows may have been sorted."""
    cells = {"patch": "105", "response": "darkness", "assessor": "A", "stage": "aged", "repeat": "1", "against": ""}
    rows = [row("1", **cells), row("2", **cells | {column: "other"}), row("3", **cells, supersedes="3")]
    with pytest.raises(UserError, match=rf"row 4, column supersedes: the row corrects {column} .* row 3 holds other"):
        folders.standing(rows)
    assert [one["value"] for one in folders.standing([*rows[:2], rows[2] | {"supersedes": "2"}])] == ["2", "3"]


def test_a_correction_that_cannot_be_is_not_taken_in(place):
    trial, before = folders.load(place), files(place)
    with pytest.raises(UserError, match="column supersedes"):
        folders.append(trial.folder, trial.plan, [row("1", supersedes="8")])
    assert files(place) == before


def test_the_trial_tells_what_stands_from_what_came_in(place):
    trial = folders.load(place)
    new = [trial.journal[0] | {"value": "39", "supersedes": "2", "reason": "misread"}]
    folders.append(trial.folder, trial.plan, new, notes(2))
    after = folders.load(place)
    assert after.journal == (*trial.journal, *new)
    assert after.readings == (*trial.journal[1:], *new)
    assert len(after.conditions) == 2
    assert replace(after, readings=()).journal == after.journal


def test_nothing_to_add_changes_nothing(place):
    trial, before = folders.load(place), files(place)
    folders.append(trial.folder, trial.plan)
    assert files(place) == before


OLD = (
    b'\xef\xbb\xbfpatch,response,value,assessor,stage,repeat,taken_at,method,source,note\r\n'
    b'%d,darkness,41.5,,topcoated,1,,,a.csv,"two\nlines, ""quoted"""\r\n'
    b'%d,darkness,"42.50",,topcoated,1,,,a.csv,\n'
    b'%d,darkness,43,,topcoated,1,,,a.csv,d\xc3\xa9j\xc3\xa0 lu'
)  # fmt: skip


@pytest.fixture
def old(place: Path) -> Path:
    """Return a folder whose readings.csv is from before the last three columns."""
    codes = folders.load(place).patches["patch"]
    without_tables(place)
    (place / "readings.csv").write_bytes(OLD % tuple(codes[:3]))
    return place


def test_an_old_journal_is_read_and_stays_old_while_it_can(old):
    trial = folders.load(old)
    assert [one["value"] for one in trial.readings] == ["41.5", "42.50", "43"]
    assert all((one["against"], one["supersedes"], one["reason"]) == ("", "", "") for one in trial.journal)
    before = (old / "readings.csv").read_bytes()
    more = trial.journal[0] | {"value": "44", "repeat": "2", "source": "", "note": "x"}
    few = {name: cell for name, cell in more.items() if name not in ("against", "reason")}
    folders.append(trial.folder, trial.plan, [few])
    assert (old / "readings.csv").read_bytes() == before + b"\n%s,darkness,44,,topcoated,2,,,,x\n" % few[
        "patch"
    ].encode()
    described = json.loads((old / "datapackage.json").read_bytes())["resources"][1]["schema"]["fields"]
    assert len(described) == 10


def test_an_old_journal_is_widened_and_otherwise_byte_for_byte_as_it_was(old):
    trial = folders.load(old)
    before = (old / "readings.csv").read_bytes()
    folders.append(
        trial.folder, trial.plan, [trial.journal[1] | {"value": "40", "supersedes": "3", "reason": "misread, by me"}]
    )
    lines = before.split(b"\n")
    assert (old / "readings.csv").read_bytes().split(b"\n") == [
        lines[0].removesuffix(b"\r") + b",against,supersedes,reason\r", lines[1],
        lines[2].removesuffix(b"\r") + b",,,\r", lines[3] + b",,,", lines[4] + b",,,",
        lines[3].split(b",")[0] + b',darkness,40,,topcoated,1,,,a.csv,,,3,"misread, by me"', b"",
    ]  # fmt: skip
    after = folders.load(old)
    assert after.journal[:3] == trial.journal
    assert [one["value"] for one in after.readings] == ["41.5", "43", "40"]
    described = json.loads((old / "datapackage.json").read_bytes())["resources"][1]["schema"]["fields"]
    assert [field["name"] for field in described] == list(folders.READING_COLUMNS)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda text: text + '100,darkness,"41,,topcoated,1,,,,,,,\n',  # a quotation mark that is never closed
        lambda text: text.encode("utf-16"),
        lambda text: (text + "100,darkness,41,,topcoated,1,,,,déjà lu,,,\n").encode("cp1252"),
    ],
)
def test_nothing_is_added_to_a_journal_it_would_spoil(place, spoil):
    trial = folders.load(place)
    without_tables(place)
    path = place / "readings.csv"
    spoilt = spoil(path.read_text())
    path.write_bytes(spoilt if isinstance(spoilt, bytes) else spoilt.encode())
    before = files(place)
    with pytest.raises(UserError) as caught:
        folders.append(trial.folder, trial.plan, [row("42", note="größer")])
    assert len(caught.value.problems) == 1
    assert files(place) == before


def test_any_text_comes_back_as_it_went_in(place):
    """RFC 4180: commas, quotation marks and line ends of every kind within a cell."""
    odd = ["a,b", 'say "yes"', "one\ntwo", "one\rtwo", "one\r\ntwo", "\r", " spaced ", "'", "見本 ⟂", "=1+1", "\t"]
    trial = folders.load(place)
    for note in odd:
        repeat = str(odd.index(note) + 2)
        folders.append(trial.folder, trial.plan, [trial.journal[0] | {"repeat": repeat, "note": note}])
    assert [one["note"] for one in folders.load(place).journal[6:]] == odd


def test_a_cell_too_long_to_be_read_again_is_not_taken_in(place):
    trial, before = folders.load(place), files(place)
    with pytest.raises(UserError, match=r"readings\.csv: nothing can be added"):
        folders.append(trial.folder, trial.plan, [row("1", note="x" * (csv.field_size_limit() + 1))])
    assert files(place) == before


def test_the_folder_writes_tables_as_everything_else_does():
    assert folders.csv_text is csv_text
    lines = list(csv.reader(io.StringIO(folders.csv_text(["a"], [["x\ry"], [None], [float("nan")]]), newline="")))
    assert lines == [["a"], ["x\ry"], [""], [""]]


# --- the scoring -----------------------------------------------------------------------------------


def test_what_was_done_with_the_scoring_is_on_record(place, monkeypatch):
    trial = folders.load(place)
    assert trial.closed
    assert [(act["act"], act["rows"], act["why"]) for act in trial.closings] == [("closed", 6, "")]
    seen = []
    for act, why in (("looked", ""), ("opened", "a meter came"), ("looked", ""), ("closed", "")):
        folders.record_close(trial.folder, trial.plan, act, why)
        seen.append(folders.load(place).closed)
    assert seen == [True, False, False, True]
    after = folders.load(place)
    assert [act["act"] for act in after.closings] == ["closed", "looked", "opened", "looked", "closed"]
    assert after.closings[2]["why"] == "a meter came"
    assert after.record.plan == trial.record.plan
    folders.append(trial.folder, trial.plan, [trial.journal[0] | {"repeat": "2"}])
    assert folders.load(place).closings == after.closings
    with pytest.raises(ValueError, match="act must be one of"):
        folders.record_close(trial.folder, trial.plan, "shut", "")


def test_boards_that_are_added_open_the_scoring_again(every_step):
    trial = folders.load(every_step["add boards"][-1])
    assert not trial.closed
    last = trial.closings[-1]
    assert (last["act"], last["rows"], last["why"]) == ("opened", 6, "boards were added")
    assert trial.plan.added == (2,)


@pytest.mark.parametrize("acts", [["closed"], [{"act": "closed"}], [{"act": "closed", "at": "x", "rows": "many"}], 3])
def test_a_damaged_record_of_the_scoring(place, acts):
    path = place / "datapackage.json"
    path.write_text(json.dumps(json.loads(path.read_bytes()) | {"splitboard:scoring": acts}))
    with pytest.raises(UserError, match=r"datapackage\.json: .* damaged"):
        folders.load(place)


def test_the_package_is_light_to_import():
    heavy = "[name for name in ('pandas', 'numpy', 'scipy', 'pint', 'filelock', 'matplotlib') if name in sys.modules]"
    code = f"import sys, trials.folder; print({heavy})"
    done = subprocess.run([sys.executable, "-c", code], cwd=REPOSITORY, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_command_that_fails_half_way_is_undone(place, run: Callable[..., Any], monkeypatch):
    """The same through a whole command: the description cannot be written, so boards are not added either."""
    trial = folders.load(place)
    folders.append(trial.folder, trial.plan, readings(trial.patches, 16, repeat="2"))
    before, real = files(place), writing.put

    def failing(path: Path, *args: Any, **named: Any) -> None:
        if path.name == "datapackage.json":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(path, *args, **named)

    monkeypatch.setattr(writing, "put", failing)
    done = run("plan", place, "--add", 2, "--seed", 1)
    assert done.status == 2
    assert "'datapackage.json' cannot be written (No space left on device): the disk is full; make room" in done.err
    assert files(place) == before
    assert hidden(place) == set()


# --- names that lead elsewhere ---------------------------------------------------------------------


@pytest.mark.parametrize("name", ["readings.csv", "datapackage.json", "conditions.csv"])
def test_a_symbolic_link_is_read_and_never_replaced(place, tmp_path, name):
    trial = folders.load(place)
    folders.append(trial.folder, trial.plan, conditions=notes(1))
    target = (place / name).rename(tmp_path / "elsewhere")
    (place / name).symlink_to(target)
    before = target.read_bytes()
    assert folders.load(place).journal == trial.journal
    with pytest.raises(UserError, match=rf"'{name}' is a symbolic link.*; nothing was taken in\."):
        folders.append(trial.folder, trial.plan, [trial.journal[0] | {"repeat": "2"}], notes(2))
    assert (place / name).is_symlink()
    assert target.read_bytes() == before
    assert hidden(place) == set()


def test_a_folder_renamed_under_a_command_leaves_nothing_of_its_name(place, monkeypatch):
    """At each step of the change; what was committed is carried out where the folder is now."""
    moved, outcomes = place.with_name("moved"), []
    trial, before = folders.load(place), files(place)
    real = {name: getattr(os, name) for name in ("fsync", "replace", "unlink")}
    for at in range(1, 40):
        steps = iter(range(1, 100))

        def stepping(name: str, at: int = at, steps: Iterator[int] = steps) -> Callable[..., None]:
            def step(*words: Any, **named: Any) -> None:
                if next(steps) == at:
                    place.rename(moved)
                real[name](*words, **named)

            return step

        for name in real:
            monkeypatch.setattr(os, name, stepping(name))
        said = ""
        try:
            with folders.locked(trial.folder):
                folders.append(trial.folder, trial.plan, [trial.journal[0] | {"repeat": "2"}])
        except UserError as error:
            said = str(error)
        monkeypatch.undo()
        if not moved.exists():
            break
        assert not place.exists(), at
        journal = folders.load(moved).journal
        assert len(journal) == 6 + (not said), said
        assert not said or "look whether it was renamed or moved, then run it again" in said
        outcomes.append(not said)
        shutil.rmtree(moved)
        place.mkdir()
        for name, data in before.items():
            (place / name).write_bytes(data)
    assert outcomes == sorted(outcomes)
    assert set(outcomes) == {False, True}
