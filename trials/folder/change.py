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

from trials import data_package, limits
from trials.errors import Problem, UserError
from trials.folder import writing

RECORD = ".splitboard.change"
"""The hidden folder."""
MANIFEST = "manifest.json"


def make(
    folder: Path,
    contents: Mapping[str, bytes],
    unchanged: str = "nothing was changed",
    before: Mapping[str, bytes] | None = None,
    gone: Sequence[str] = (),
) -> None:
    """Change several files of a folder as one; the caller holds the lock.

    Parameters
    ----------
    folder : where the files lie.
    contents : the new bytes of each by its name.
    unchanged : that all is as it was, in words.
    before : what files of the folder held when their new contents were made of it.
    gone : names of files that are taken away before any is put in place; they may be there or not.

    Raises
    ------
    UserError
        Something cannot be written: either all is as it was, or (said so) the change stands and is waiting for its
        files to be put in place. Or a file is a symbolic link, or holds something else than `before` by now.
    """
    finish(folder)
    for name in (*contents, *gone):
        if (folder / name).is_symlink():
            what = f"{name!r} is a symbolic link, and what it points to would be left as it is"
            raise UserError(Problem(what, f"put the file itself in its place, then run it again; {unchanged}"))
    record = folder / RECORD
    _remove(record)
    name = next(iter(contents))
    try:
        for name, data in contents.items():
            writing.put(record / name, data, like=folder / name)
        writing.flush_folder(record)
        writing.flush_folder(folder)
        for name, data in (before or {}).items():
            if (folder / name).read_bytes() != data:
                what = f"{name!r} was changed by another program while this was being written"
                raise UserError(Problem(what, f"run it again; {unchanged}"))
        hashes = {name: data_package.sha256(data) for name, data in contents.items()}
        writing.put(
            record / MANIFEST, json.dumps({"files": hashes, "gone": [*gone]}).encode(), like=record / MANIFEST
        )
    except OSError as error:
        raise writing.cannot_write(folder / name, error, unchanged) from None
    finally:
        if not committed(folder):
            _remove(record)
    _carry_out(folder, tuple(contents), gone, untouched=True, unchanged=unchanged)


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
    hashes, _ = _manifest(record)
    found = []
    for name in hashes:
        try:
            whole = data_package.sha256(limits.contents(record / name)) == hashes[name]
        except limits.NoFile:
            continue  # in its place already
        if not whole:
            raise _damaged(name)
        found.append(name)
    return tuple(found)


def _manifest(record: Path) -> tuple[dict[str, str], tuple[str, ...]]:
    """Return a committed change's files with their hashes, and the names that are taken away; none of none."""
    try:
        values = json.loads(limits.contents(record / MANIFEST, limits.PLAN_BYTES))
        hashes = {name: text for name, text in values["files"].items() if Path(name).name == name}
        return hashes, tuple(name for name in values.get("gone", ()) if Path(name).name == name)
    except limits.NoFile:
        return {}, ()
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        raise _damaged(MANIFEST) from None


def finish(folder: Path) -> None:
    """Carry out a committed change that was cut short; the caller holds the lock.

    Raises
    ------
    UserError
        The record is damaged, or a file cannot be put in its place.
    """
    if committed(folder):
        names = waiting(folder)
        hashes, gone = _manifest(folder / RECORD)
        still = [name for name in gone if name in names or name not in hashes]
        _carry_out(folder, names, still, untouched=False, unchanged="")


def settle(folder: Path) -> None:
    """Leave nothing of what was cut short: carry out a committed change, throw away one that is not.

    The caller holds the lock.
    """
    finish(folder)
    if not committed(folder):
        _remove(folder / RECORD)
    writing.sweep(folder)


def _carry_out(folder: Path, names: Sequence[str], gone: Sequence[str], *, untouched: bool, unchanged: str) -> None:
    """Take away what goes, then rename each file into its place.

    Those without one yet come first, for they alone may need room on the disk; but last those that were taken away.
    """
    record = folder / RECORD
    try:
        writing.flush_folder(record)  # the commit itself, before anything is seen of it
        for name in gone:
            (folder / name).unlink(missing_ok=True)
            untouched = False
        for name in sorted(names, key=lambda name: (name in gone, (folder / name).exists())):
            (record / name).replace(folder / name)
            untouched = False
        writing.flush_folder(folder)
    except OSError as error:
        if untouched and _taken_back(record):
            raise writing.cannot_write(folder / names[0], error, unchanged) from None
        left = [name for name in names if (record / name).exists()]  # looked for only: none may be readable now
        if not left:
            return  # every file is in place; the next command flushes once more and clears up
        what = f"{left[0]!r} cannot be put in its place {writing.why(error)}"
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
    if record.is_dir() and not record.is_symlink():
        shutil.rmtree(record, ignore_errors=True)
        return
    with contextlib.suppress(OSError):
        record.unlink()


def _damaged(name: str) -> UserError:
    what = f"{name!r} in {RECORD} is damaged, so a change that was cut short cannot be carried out"
    return UserError(Problem(what, f"move {RECORD} out of the folder and compare its files with those in place"))
