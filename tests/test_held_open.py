"""Files that another program holds open, as on Windows: any call that meets one is refused, at each step of a change.

The calls are those that Python tells its audit hooks of; none of them changes anything once it is refused.
"""

import os
import shutil
import sys
from pathlib import Path

import pytest

from tests.conftest import SMALL
from tests.cut_short import WHEN, notes, readings
from trials import folder as folders
from trials import publish
from trials.design import lay_out
from trials.errors import UserError
from trials.folder import Folder, accepting, clock, description, layout_file
from trials.plan import read_plan

CALLS = (
    "open",
    "os.rename",
    "os.remove",
    "os.rmdir",
    "os.mkdir",
    "os.chmod",
    "os.listdir",
    "os.scandir",
    "os.truncate",
)


class Held:
    """Refuses calls on files in a folder: the one of a number, those from it on, or those on one file."""

    def __init__(self) -> None:
        self.place, self.at, self.on, self.name, self.seen, self.refused = "", 0, False, "", 0, 0
        sys.addaudithook(self._hook)

    def begin(self, place: Path, at: int = 0, on: bool = False, name: str = "") -> None:
        self.at, self.on, self.name, self.seen, self.refused = at, on, name, 0, 0
        self.place = str(place)

    def end(self) -> int:
        """Refuse nothing more; return how often it did."""
        self.place = ""
        return self.refused

    def _hook(self, event: str, details: tuple[object, ...]) -> None:
        if not self.place or event not in CALLS:
            return
        paths = [
            str(one) for one in details[:2] if isinstance(one, (str, os.PathLike)) and str(one).startswith(self.place)
        ]
        if not paths:
            return
        self.seen += 1
        named = self.name and any(Path(path).name == self.name for path in paths)
        if named or self.seen == self.at or (self.on and self.at and self.seen > self.at):
            self.refused += 1
            raise PermissionError(13, "Permission denied", paths[0])


@pytest.fixture(scope="module")
def held():
    return Held()


@pytest.fixture(autouse=True)
def _no_clock(monkeypatch):
    for module in (description, layout_file, clock, accepting):
        monkeypatch.setattr(module, "now", lambda: WHEN)


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    """Return a laid-out folder with readings."""
    place = tmp_path_factory.mktemp("held") / "trial"
    place.mkdir()
    (place / "trial.toml").write_text(SMALL, encoding="utf-8")
    plan = read_plan(place)
    layout = lay_out(plan, 1)
    folders.save_layout(Folder(place), plan, layout)
    folders.append(Folder(place), plan, readings(layout.patches, 6), notes(2))
    return place


def changes(base):
    """Return what is done."""
    plan = read_plan(base)
    trial = folders.load(base)
    rows, bench = readings(trial.patches, 8, assessor="B"), notes(3)
    return {
        "append": lambda folder: folders.append(folder, plan, rows, bench),
        "publish": lambda folder: publish.write(folders.load(folder.path), folder.path / "open-data"),
        "load": lambda folder: folders.load(folder.path),
    }  # fmt: skip


def files(place):
    return {
        path.relative_to(place): path.read_bytes()
        for path in sorted(place.rglob("*"))
        if path.is_file() and not path.name.startswith(".")
    }


def done(change, place):
    """Do it as a command does; return what is said of it."""
    try:
        with folders.locked(Folder(place)):
            change(Folder(place))
    except UserError as error:
        return str(error)
    return ""


@pytest.mark.parametrize(("name", "on"), [("append", False), ("append", True), ("publish", True), ("load", False)])
def test_refused_at_every_step(base, held, tmp_path, name, on):
    change = changes(base)[name]
    before = files(base)
    place = tmp_path / "trial"
    shutil.copytree(base, place)
    assert done(change, place) == ""
    after = files(place)
    at = 0
    while True:
        at += 1
        shutil.rmtree(place)
        shutil.copytree(base, place)
        held.begin(place, at, on)
        try:
            said = done(change, place)
        finally:
            refused = held.end()
        if not refused:
            break
        with folders.locked(Folder(place)):  # what is waiting to be put in place is, now that it can be
            found = files(place)
        assert found in (before, after)
        if found == after:
            assert not said or "counts already" in said or name == "load"
        else:
            assert said
            assert done(change, place) == ""
            assert files(place) == after
    assert at > 8
    assert not said


@pytest.mark.parametrize("file", ["layout.csv", "readings.csv", "datapackage.json", "trial.toml"])
@pytest.mark.parametrize("name", ["append", "load"])
def test_one_file_held_open_all_along(base, held, tmp_path, name, file):
    change = changes(base)[name]
    place = tmp_path / "trial"
    shutil.copytree(base, place)
    before = files(place)
    held.begin(place, name=file)
    try:
        said = done(change, place)
    finally:
        refused = held.end()
    assert bool(said) == bool(refused)
    assert not refused or file in said
    assert not refused or "close it where it is open" in said
    with folders.locked(Folder(place)):
        found = files(place)
    assert found == before or not refused or "counts already" in said
