"""Changes of a trial's folder in processes of their own, which end, fail or are killed at a chosen or random moment.

Run as ``python -m tests.cut_short MODE ...``; `tests.test_nothing_lost` does. Each mode prints JSON. The modes steps
and kill take any number of jobs, each a JSON list of the arguments of `at_every_step` or `killed`.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

from trials import folder as folders
from trials import publish
from trials.errors import UserError
from trials.folder import Folder, accepting, clock, description, guarded, layout_file
from trials.plan import read_plan

WHEN = "2026-03-16T10:00:00Z"
TAKES_ROOM = ("write", "half", "flush", "make a file", "make a folder", "rename")
"""The steps that a full disk or one that can only be read may refuse."""


def readings(patches: Any, count: int, **cells: str) -> list[dict[str, str]]:
    """Return invented readings of the first patches."""
    made = {"response": "darkness", "stage": "topcoated", "repeat": "1", "source": "invented.csv"}
    rows = []
    for at, code in enumerate(patches["patch"].astype(str)[:count]):
        value = {"patch": code, "value": f"{40 + at}.5"}
        rows.append(dict.fromkeys(folders.READING_COLUMNS, "") | made | value | cells)
    return rows


def notes(count: int) -> list[dict[str, str]]:
    """Return invented bench notes."""
    blank = dict.fromkeys(folders.CONDITION_COLUMNS, "")
    return [blank | {"board": str(at + 1), "step": "dye", "temperature_c": "20.5"} for at in range(count)]


def without_tables(place: Path) -> None:
    """Make a folder one from before its tables were kept in the record."""
    path = place / "datapackage.json"
    later = (guarded.KEPT, "splitboard:seal", "splitboard:noticed")
    path.write_text(json.dumps({key: one for key, one in json.loads(path.read_bytes()).items() if key not in later}))


# --- the changes -----------------------------------------------------------------------------------


def prepared(change: str, base: Path) -> Callable[[Folder], None]:
    """Return what makes a change in a copy of a folder, with all that is slow done already."""
    accepting.now = description.now = layout_file.now = clock.now = lambda: WHEN
    with folders.locked(Folder(base)):  # what this imports is imported before processes part
        pass
    if change == "accept":
        plan = read_plan(base)
        return lambda folder: folders.accept(folder, plan, "an editor's slip, looked at again") and None
    trial = folders.load(base)
    plan, patches = trial.plan, trial.patches
    if change == "publish":
        publish.write(trial, base.parent / "package")  # what this imports
        return lambda folder: publish.write(folders.load(folder.path), folder.open_data) and None
    if change == "append":
        rows, bench = readings(patches, 12, note='a "note",\nof two lines'), notes(3)
        return lambda folder: folders.append(folder, plan, rows, bench)
    if change == "lay out":
        from trials.design import lay_out

        layout = lay_out(plan, 77)
        return lambda folder: folders.save_layout(folder, plan, layout, discard=True)
    assert change == "add boards"
    from trials.design import Layout

    text = (base / "trial.toml").read_text() + "\n[[added]]\nboards = 2\n"
    (base.parent / "longer").mkdir()
    (base.parent / "longer" / "trial.toml").write_text(text)
    longer = read_plan(base.parent / "longer")
    shutil.rmtree(base.parent / "longer")
    new = patches.head(8).copy()
    new["patch"] = [code for code in range(100, 999) if code not in set(patches["patch"])][:8]
    new["lot"], new["board"], new["board_order"] = 2, new["board"] + 4, new["board_order"] + 4
    added = Layout(new, 5, ())
    return lambda folder: folders.add_to_layout(folder, longer, text, patches, added)


def done(change: Callable[[Folder], None], place: Path) -> tuple[int, str]:
    """Make a change as a command does; return its exit status and what it says."""
    try:
        with folders.locked(Folder(place)):
            change(Folder(place))
    except UserError as error:
        return 2, str(error)
    except BaseException:
        return 70, traceback.format_exc()
    return 0, ""


# --- at every step, at random moments --------------------------------------------------------------


class Steps:
    """Counts the steps by which a process changes a disk, and does something at one of them."""

    def __init__(self, at: int, act: str) -> None:
        self.at, self.act, self.seen, self.name, self.on = at, act, 0, "", True
        self._write, self._fsync = os.write, os.fsync
        os.write, os.fsync = self._writing, self._flushing
        sys.addaudithook(self._hook)

    def _hook(self, event: str, details: tuple[Any, ...]) -> None:
        names = {
            "os.mkdir": "make a folder", "os.rename": "rename", "os.remove": "remove", "os.rmdir": "remove a folder",
            "os.chmod": "set rights",
        }  # fmt: skip
        if event == "open" and details[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
            self._step("make a file")
        elif event in names:
            self._step(names[event])

    def _writing(self, handle: int, data: Any) -> int:
        self._step("write")
        if len(data) > 1:
            self._step("half", lambda: self._write(handle, data[: len(data) // 2]))
        return self._write(handle, data)

    def _flushing(self, handle: int) -> None:
        self._step("flush")
        self._fsync(handle)

    def _step(self, name: str, first: Callable[[], object] = lambda: None) -> None:
        if not self.on or (self.act != "exit" and name not in TAKES_ROOM):
            return
        self.seen += 1
        if self.seen == self.at or (self.seen > self.at and self.act.endswith(" on")):
            self.name = self.name or name
            if self.act == "exit":
                first()
                os._exit(9)
            number = getattr(errno, self.act.split()[0])
            raise OSError(number, os.strerror(number))


def _forked(work: Callable[[], tuple[int, str]], said: Path) -> int:
    """Do some work in a child process, which leaves what it has to say in a file."""
    child = os.fork()
    if child:
        return child
    status, text = work()
    said.write_text(text)
    os._exit(status)


def at_every_step(base: Path, work: Path, change_name: str, act: str) -> list[dict[str, Any]]:
    """Make a change again and again, each time with the act one step later, until it comes to its end."""
    change = prepared(change_name, base)
    found: list[dict[str, Any]] = []
    while not found or found[-1]["reached"]:
        place = work / f"{len(found):03}" / base.name
        shutil.copytree(base, place)

        def one(place: Path = place, at: int = len(found) + 1) -> tuple[int, str]:
            steps = Steps(at, act)
            status, text = done(change, place)
            steps.on = False
            return status, json.dumps([text, steps.name])

        said = work / "said"
        said.unlink(missing_ok=True)
        _, ended = os.waitpid(_forked(one, said), 0)
        status = os.waitstatus_to_exitcode(ended)
        text, name = json.loads(said.read_text()) if said.exists() else ("", "exit")
        found.append({"place": str(place), "status": status, "said": text, "reached": name})
    return found


def _slow_fsync(handle: int, _fsync: Callable[[int], None] = os.fsync) -> None:
    time.sleep(0.002)
    _fsync(handle)


def killed(base: Path, work: Path, change_name: str, times: int, seed: int) -> list[dict[str, Any]]:
    """Make a change many times, each time killed at a random moment of about as long as it takes.

    The disk is one that takes two milliseconds to flush: on one in memory most kills would come before any writing.
    """
    change = prepared(change_name, base)
    os.fsync = _slow_fsync
    draw = random.Random(seed)
    longest = 0.02
    found = []
    for at in range(times):
        place = work / f"{at:03}" / base.name
        shutil.copytree(base, place)
        begins, begun = os.pipe()

        def one(place: Path = place, begun: int = begun) -> tuple[int, str]:
            os.write(begun, b"!")
            return done(change, place)

        child = _forked(one, work / "said")
        os.read(begins, 1)
        time.sleep(draw.uniform(0, longest))
        os.kill(child, signal.SIGKILL)
        _, ended = os.waitpid(child, 0)
        status = os.waitstatus_to_exitcode(ended)
        longest *= 1.05 if status else 0.9  # so that about three in ten come too late, however busy the machine is
        os.close(begins)
        os.close(begun)
        found.append({"place": str(place), "status": status})
    return found


# --- a disk that is full, one that can only be read ------------------------------------------------


def small_disk(base: Path, disk: Path) -> list[dict[str, Any]]:
    """Fill a small disk by and by, take readings in each time, and at last make it one that can only be read."""
    change = prepared("append", base)
    found = []
    filler, page = disk / "filler", os.sysconf("SC_PAGE_SIZE")
    for free in range(16):
        place = disk / "trial"
        shutil.rmtree(place, ignore_errors=True)
        shutil.copytree(base, place)
        left = os.statvfs(disk)
        filler.write_bytes(b"x" * (left.f_bavail * left.f_frsize - free * page))
        status, said = done(change, place)
        found.append({"status": status, "said": said, "files": seen(place), "hidden": hidden(place)})
        filler.unlink()
        found[-1]["again"], _ = done(change, place) if status else (0, "")
        found[-1]["after"] = seen(place)
    subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
    status, said = done(change, disk / "trial")
    found.append({"status": status, "said": said, "rows": len(folders.load(disk / "trial").journal)})
    return found


def limited(base: Path, work: Path) -> list[dict[str, Any]]:
    """Take readings in where no file may grow longer than the layout's description is."""
    change = prepared("append", base)
    shutil.copytree(base, work / "trial")

    def one() -> tuple[int, str]:
        hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
        resource.setrlimit(resource.RLIMIT_FSIZE, ((base / "datapackage.json").stat().st_size, hard))
        return done(change, work / "trial")

    _, ended = os.waitpid(_forked(one, work / "said"), 0)
    status, said = os.waitstatus_to_exitcode(ended), (work / "said").read_text()
    return [{"status": status, "said": said, "place": str(work / "trial"), "hidden": hidden(work / "trial")}]


def seen(place: Path) -> dict[str, str]:
    """Return the text of a trial's files."""
    return {path.name: path.read_text() for path in sorted(place.iterdir()) if not path.name.startswith(".")}


def hidden(place: Path) -> list[str]:
    """Return what is left behind in a trial's folder."""
    return sorted(path.name for path in place.rglob(".*") if path.name != ".splitboard.lock")


# --- several at once -------------------------------------------------------------------------------


def take_in(place: Path, name: str, times: int) -> list[dict[str, Any]]:
    """Take readings in one at a time, as so many commands would."""
    folder, plan = folders.at(place), folders.read_plan(place)
    row = folders.load_readings(folder)[0]
    for at in range(times):
        with folders.locked(folder):
            repeat = str(len(folders.load_readings(folder)) + 1)
            folders.append(folder, plan, [row | {"note": f"{name}-{at}", "repeat": repeat}], notes(1))
    return []


def hold(place: Path) -> list[dict[str, Any]]:
    """Hold the lock until the one who asked goes away."""
    sys.argv = ["splitboard", "record", "scores.csv"]
    with folders.locked(Folder(place)):
        print("held", flush=True)
        with contextlib.suppress(OSError):
            sys.stdin.read()
    return []


def main(mode: str, *words: str) -> None:
    """Do what a mode asks for and print what came of it."""
    found: list[Any]
    if mode == "hold":
        hold(Path(words[0]))
        return
    if mode == "take in":
        found = take_in(Path(words[0]), words[1], int(words[2]))
    elif mode in ("steps", "kill"):
        work = at_every_step if mode == "steps" else killed
        jobs = [json.loads(word) for word in words]
        found = [work(Path(base), Path(place), *rest) for base, place, *rest in jobs]
    elif mode == "small disk":
        found = small_disk(Path(words[0]), Path(words[1]))
    else:
        found = limited(Path(words[0]), Path(words[1]))
    print(json.dumps(found))


if __name__ == "__main__":
    main(*sys.argv[1:])
