"""The lock: one writing command at a time, and the next one is told whom it waits for.

The lock is the operating system's own on an open file, so a crash lets go of it by itself. Beside it the holder
writes who it is; that file is for people to be told from only, and one left over by a crash means nothing.
"""

from __future__ import annotations

import contextlib
import errno
import getpass
import json
import os
import socket
import sys
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from trials import limits
from trials.errors import Problem, UserError
from trials.folder import change, writing
from trials.folder.clock import now
from trials.folder.place import Folder
from trials.folder.writing import cannot_write

if TYPE_CHECKING:
    from filelock import BaseFileLock

LOCK = ".splitboard.lock"
HOLDER = ".splitboard.lock.holder"
WAIT_S = 10.0
"""How long a command waits for another one."""


@contextlib.contextmanager
def locked(folder: Folder) -> Iterator[None]:
    """Hold the folder for one writing command at a time; what an earlier one was cut short in is settled first.

    Raises
    ------
    UserError
        Another command holds it (which one, whose and since when), or the folder cannot be written to.
    """
    lock = acquired(folder, WAIT_S)
    holder = folder.path / HOLDER
    try:
        _sign(holder)
        change.settle(folder.path)
        if (folder.open_data / change.RECORD).exists():
            change.settle(folder.open_data)
        with writing.held(folder.path):
            yield
    finally:
        with contextlib.suppress(OSError):
            holder.unlink(missing_ok=True)
        lock.release()


def acquired(folder: Folder, wait_s: float) -> BaseFileLock:
    """Return the lock, held; `wait_s` is how long to wait for it."""
    from filelock import FileLock, Timeout

    lock = FileLock(folder.path / LOCK, timeout=wait_s)
    try:
        there = folder.path.stat().st_ino
        lock.acquire()
        if folder.path.stat().st_ino != there:  # the lock's file has just made a folder of the name that was left
            lock.release()
            (folder.path / LOCK).unlink(missing_ok=True)
            folder.path.rmdir()
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))
    except Timeout:
        raise UserError(Problem(_held_by(folder.path / HOLDER), "wait for it to end and try again")) from None
    except OSError as error:
        raise cannot_write(folder.path, error) from None
    return lock


def _sign(holder: Path) -> None:
    """Write who holds the lock; where that cannot be done, at least no one else's name stays there."""
    words = {
        "pid": os.getpid(),
        "user": _user(),
        "machine": socket.gethostname(),
        "command": _command(),
        "since": now(),
    }
    with contextlib.suppress(OSError):
        holder.unlink(missing_ok=True)
        holder.write_text(json.dumps(words), encoding="utf-8")


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "somebody"


def _command() -> str:
    """Return the program and which of its commands, without what else was typed."""
    program = Path(sys.argv[0]).stem if sys.argv else ""
    words = sys.argv[1:2] if program == "splitboard" else []
    return " ".join(["splitboard", *words])


def _held_by(holder: Path) -> str:
    """Say who has been writing since when, as far as it is known."""
    try:
        words = json.loads(limits.contents(holder, limits.PLAN_BYTES))
        since = datetime.fromisoformat(words["since"]).astimezone()
        today = since.date() == datetime.now().astimezone().date()
        at = since.strftime("%H:%M" if today else "%Y-%m-%d %H:%M")
        who = f"pid {words['pid']} ({words['user']} on {words['machine']})"
        return f"{who} has been writing here since {at} ({words['command']})"
    except (UserError, ValueError, KeyError, TypeError, RecursionError):
        return "another splitboard command is writing to this folder"
