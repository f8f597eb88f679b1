"""A change of several files that is one change: a record written ahead, one rename that commits it.

The new contents are written into a hidden folder and flushed to the disk. The rename of a manifest beside them
commits the change: before it the trial's folder is as it was, after it as it will be. Then each file is renamed into
its place, and the manifest and the hidden folder are removed. Cut short after the commit, the change is carried out
by whichever command opens the folder next; cut short before, it is thrown away by the next one that writes.
(The method is write-ahead logging: C. Mohan and others, ACM Transactions on Database Systems 17, 1992, pages 94-162.)
"""

from __future__ import annotations

import contextlib
import json
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path

from trials import data_package
from trials.errors import Problem, UserError
from trials.folder import writing

RECORD = ".splitboard.change"
"""The hidden folder."""
MANIFEST = "manifest.json"


def make(folder: Path, contents: Mapping[str, bytes], unchanged: str = "nothing was changed") -> None:
    """Change several files of a folder as one; the caller holds the lock.

    Parameters
    ----------
    folder : where the files lie.
    contents : the new bytes of each by its name.
    unchanged : that all is as it was, in words.

    Raises
    ------
    UserError
        Something cannot be written: either all is as it was, or (said so) the change stands and is waiting for its
        files to be put in place.
    """
    finish(folder)
    record = folder / RECORD
    _remove(record)
    name = next(iter(contents))
    try:
        for name, data in contents.items():
            writing.put(record / name, data, like=folder / name)
        writing.flush_folder(record)
        writing.flush_folder(folder)
        hashes = {name: data_package.sha256(data) for name, data in contents.items()}
        writing.put(record / MANIFEST, json.dumps({"files": hashes}).encode(), like=record / MANIFEST)
    except OSError as error:
        raise writing.cannot_write(folder / name, error, unchanged) from None
    finally:
        if not committed(folder):
            _remove(record)
    _carry_out(folder, tuple(contents), untouched=True, unchanged=unchanged)


def committed(folder: Path) -> bool:
    """Whether a change is committed that has not been carried out to its end."""
    return (folder / RECORD / MANIFEST).exists()


def waiting(folder: Path) -> tuple[str, ...]:
    """Return the files of a committed change that still lie in the record: that is where their contents are.

    Raises
    ------
    UserError
        The record is damaged.
    """
    record = folder / RECORD
    try:
        hashes = json.loads((record / MANIFEST).read_bytes())["files"]
        names = [name for name in hashes if Path(name).name == name]
    except FileNotFoundError:
        return ()
    except (ValueError, KeyError, TypeError):
        raise _damaged(MANIFEST) from None
    found = []
    for name in names:
        try:
            whole = data_package.sha256((record / name).read_bytes()) == hashes[name]
        except FileNotFoundError:
            continue  # in its place already
        if not whole:
            raise _damaged(name)
        found.append(name)
    return tuple(found)


def finish(folder: Path) -> None:
    """Carry out a committed change that was cut short; the caller holds the lock.

    Raises
    ------
    UserError
        The record is damaged, or a file cannot be put in its place.
    """
    if committed(folder):
        _carry_out(folder, waiting(folder), untouched=False, unchanged="")


def settle(folder: Path) -> None:
    """Leave nothing of what was cut short: carry out a committed change, throw away one that is not.

    The caller holds the lock.
    """
    finish(folder)
    if not committed(folder):
        _remove(folder / RECORD)
    writing.sweep(folder)


def _carry_out(folder: Path, names: Sequence[str], *, untouched: bool, unchanged: str) -> None:
    """Rename each file into its place, those without one yet first: they alone may need room on the disk."""
    record = folder / RECORD
    try:
        writing.flush_folder(record)  # the commit itself, before anything is seen of it
        for name in sorted(names, key=lambda name: (folder / name).exists()):
            (record / name).replace(folder / name)
            untouched = False
        writing.flush_folder(folder)
    except OSError as error:
        if untouched and _taken_back(record):
            raise writing.cannot_write(folder / names[0], error, unchanged) from None
        if not waiting(folder):
            return  # every file is in place; the next command flushes once more and clears up
        what = f"{waiting(folder)[0]!r} cannot be put in its place {writing.why(error)}"
        kept = "what was to be written is kept and counts already, so do not enter it once more"
        raise UserError(Problem(what, f"{writing.cure(error)}, then run any command: {kept}")) from None
    with contextlib.suppress(OSError):
        (record / MANIFEST).unlink()
        writing.flush_folder(record)
        _remove(record)
        writing.flush_folder(folder)


def _taken_back(record: Path) -> bool:
    """Undo a commit nothing was carried out of yet, if that can be done."""
    with contextlib.suppress(OSError):
        (record / MANIFEST).unlink()
        _remove(record)
        return True
    return False


def _remove(record: Path) -> None:
    shutil.rmtree(record, ignore_errors=True)


def _damaged(name: str) -> UserError:
    what = f"{name!r} in {RECORD} is damaged, so a change that was cut short cannot be carried out"
    return UserError(Problem(what, f"move {RECORD} out of the folder and compare its files with those in place"))
