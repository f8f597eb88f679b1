"""One file, put in place in one step: written beside its place, flushed to the disk, renamed.

A rename within one folder is atomic (POSIX.1-2017, rename): whoever opens the name finds the old file or the new one.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from trials.errors import Problem, UserError

_SUFFIX = ".splitboard"
_LEFTOVER = re.compile(r"\..*\.(\d+)-[^.]+\.splitboard")
"""The name of a file that is being written: that of its place, the process's number, letters by chance."""
_OLD_S = 3600.0
"""After so long a file that is being written is taken for left over, whoever wrote it."""

_HELD: list[Path] = []
_REFUSED = (
    "another program holds it open, or you have no right to write there",
    "close it where it is open, or give yourself that right",
)
_REASONS = {
    errno.ENOENT: ("its folder is gone", "look whether it was renamed or moved"),
    errno.ENOSPC: ("the disk is full", "make room"),
    errno.EDQUOT: ("your share of the disk is used up", "make room among your own files"),
    errno.EROFS: ("the disk can only be read", "put the folder where it can be written"),
    errno.EACCES: _REFUSED,
    errno.EPERM: _REFUSED,
    errno.EFBIG: ("the file would be larger than is allowed", "have the limit raised"),
}
_CANNOT_FLUSH = (errno.EINVAL, errno.ENOTSUP, errno.EBADF, errno.EACCES, errno.EISDIR, errno.ENOSYS)
"""What systems say that cannot flush a folder."""


def write_bytes(path: Path, data: bytes) -> None:
    """Put a whole file in place in one step.

    Raises
    ------
    UserError
        The disk is full, or the folder cannot be written to; the file is then as it was.
    """
    try:
        put(path, data, like=path)
    except OSError as error:
        raise cannot_write(path, error) from None
    with contextlib.suppress(OSError):
        flush_folder(path.parent)


def write_text(path: Path, text: str) -> None:
    """Put a whole text file (UTF-8, its own line ends) in place in one step."""
    write_bytes(path, text.encode("utf-8"))


def put(path: Path, data: bytes, like: Path) -> None:
    """Write a file beside its place, flush it and rename it; the folder itself is not flushed.

    Parameters
    ----------
    like : the file whose rights it gets, if there is one.

    Raises
    ------
    OSError
        Something failed; nothing is left of it.
    """
    _make_parents(path.parent)
    handle, name = tempfile.mkstemp(
        dir=path.parent, prefix=f".{path.name[:40]}.{os.getpid()}-", suffix=_SUFFIX
    )  # fmt: skip
    try:
        try:
            _write_all(handle, data)
            os.fsync(handle)
        finally:
            os.close(handle)
        mode = like.stat().st_mode & 0o777 if like.exists() else 0o666 & ~_umask()
        Path(name).chmod(mode)
        Path(name).replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            Path(name).unlink(missing_ok=True)
        raise


@contextlib.contextmanager
def held(folder: Path) -> Iterator[None]:
    """Say that a folder is held by this process: what is written in it makes none of its name where it has gone."""
    _HELD.append(folder)
    try:
        yield
    finally:
        _HELD.remove(folder)


def _make_parents(place: Path) -> None:
    top = next((one for one in _HELD if one == place or one in place.parents), None)
    if top is None:
        place.mkdir(parents=True, exist_ok=True)
    else:
        inside = [one for one in (place, *place.parents) if top in one.parents]
        for one in reversed(inside):
            one.mkdir(exist_ok=True)


def _write_all(handle: int, data: bytes) -> None:
    rest = memoryview(data)
    while rest:
        rest = rest[os.write(handle, rest) :]


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def flush_folder(path: Path) -> None:
    """Flush a folder's own entries, where the system can.

    Raises
    ------
    OSError
        The disk failed, which is not the same as a system that has no such call.
    """
    try:
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
    except OSError as error:
        if error.errno not in _CANNOT_FLUSH:
            raise


def cannot_write(path: Path, error: OSError, unchanged: str = "nothing was changed") -> UserError:
    """Say which file cannot be written, why, what to do, and that all is as it was.

    Parameters
    ----------
    unchanged : the last of these in words.
    """
    return UserError(
        Problem(f"{path.name!r} cannot be written {why(error)}", f"{cure(error)}, then run it again; {unchanged}")
    )


def why(error: OSError) -> str:
    """Return the reason in the system's words and ours, as ``(No space left on device): the disk is full``."""
    reason = f"({error.strerror or error})"
    return f"{reason}: {_REASONS[error.errno][0]}" if error.errno in _REASONS else reason


def cure(error: OSError) -> str:
    """Return what to do about it first."""
    return _REASONS.get(error.errno or 0, ("", "see to the disk"))[1]


def sweep(folder: Path) -> None:
    """Remove what writes that were cut short have left in a trial's folder; the caller holds the lock."""
    for path in _leftovers(folder):
        with contextlib.suppress(OSError):
            path.unlink()


def _leftovers(folder: Path) -> Iterator[Path]:
    below = [folder / name for name in ("sheets", "report", "open-data")]
    places = [folder.glob(f".*{_SUFFIX}"), *(place.rglob(f".*{_SUFFIX}") for place in below)]
    for path in (path for found in places for path in found):
        match = _LEFTOVER.fullmatch(path.name)
        with contextlib.suppress(OSError):
            if match and (not _runs(int(match[1])) or time.time() - path.stat().st_mtime > _OLD_S):
                yield path


def _runs(process: int) -> bool:
    """Whether a process of this number runs on this machine; where asking would end it, it is taken to."""
    if os.name == "nt":
        return True
    try:
        os.kill(process, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except OSError:
        return True
    return True
