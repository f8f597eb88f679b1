"""Reading a folder as it stands between two changes, without holding the lock.

A reader looks at the files before and after: if any of them was put in place in between, it reads again. Files of a
committed change that could not be put in place yet (another command is at it, or the folder cannot be written to) are
read where they lie.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from trials import limits
from trials import plan as plans
from trials.errors import Problem, UserError
from trials.folder import change
from trials.folder.lock import acquired
from trials.folder.place import Folder

Where = Callable[[Path], Path]
"""Gives for a file of the folder the path at which it is read now."""
_Found = TypeVar("_Found")
_PATIENCE_S = 10.0
_PAUSE_S = 0.005


def at(path: str | Path) -> Folder:
    """Return the folder at a path; a change that was cut short there is carried out first.

    Raises
    ------
    UserError
        There is no such folder, or the path is a file.
    """
    folder = Folder(limits.folder(Path(path)))
    _finish_if_free(folder)
    return folder


def read_plan(path: str | Path) -> plans.Plan:
    """Read and check a trial's plan, as `trials.plan.read_plan` does, as it stands between two changes.

    Parameters
    ----------
    path : trial.toml, or the folder that holds it.
    """
    path = Path(path)
    file = Folder(path).plan_file if path.is_dir() else path
    return steadily(Folder(file.parent), lambda where: plans.read_plan(where(file)))


def steadily(folder: Folder, read: Callable[[Where], _Found]) -> _Found:
    """Return what `read` finds while no file of the folder changes.

    Raises
    ------
    UserError
        As `read` does; or the files change so often that they cannot be read.
    """
    _finish_if_free(folder)
    end = time.monotonic() + _PATIENCE_S
    while True:
        before = _signature(folder)
        try:
            found = read(_where(folder, change.waiting(folder.path)))
        except (UserError, FileNotFoundError):
            if _signature(folder) == before:
                raise
        else:
            if _signature(folder) == before:
                return found
        if time.monotonic() > end:
            raise UserError(Problem("the folder is being written to all the time", "wait a little and try again"))
        time.sleep(_PAUSE_S)


def _finish_if_free(folder: Folder) -> None:
    """Carry out a change that was cut short, unless its writer is still at it or the folder cannot be written to."""
    if not change.committed(folder.path):
        return
    with contextlib.suppress(UserError):
        lock = acquired(folder, 0)
        try:
            change.finish(folder.path)
        finally:
            lock.release()


def _where(folder: Folder, waiting: tuple[str, ...]) -> Where:
    def where(path: Path) -> Path:
        return folder.path / change.RECORD / path.name if path.name in waiting else path

    return where


def _signature(folder: Folder) -> list[tuple[int, int, int] | None]:
    """Return what changes whenever a file of the folder is put in place."""
    files = (
        folder.plan_file, folder.layout_file, folder.readings_file, folder.conditions_file, folder.package_file,
        folder.path / change.RECORD / change.MANIFEST,
    )  # fmt: skip
    found: list[tuple[int, int, int] | None] = []
    for path in files:
        try:
            stat = path.stat()
            found.append((stat.st_ino, stat.st_mtime_ns, stat.st_size))
        except OSError:
            found.append(None)
    return found
