"""The tables as they were written last, kept in datapackage.json, and held against the files whenever they are read.

Kept whole (deflated: RFC 1950, as text: RFC 4648), so that what was changed outside can be named and put back; some
ten bytes a reading. A folder from before they were kept is taken as it is and gets them with the next write.
"""

from __future__ import annotations

import base64
import zlib
from collections.abc import Mapping
from typing import Any

from trials import limits
from trials.errors import Problem, UserError, typed
from trials.folder import differences
from trials.folder.differences import Difference
from trials.folder.place import LAYOUT, TABLES, Folder
from trials.folder.reading import Where

KEPT = "splitboard:tables"
"""Where they stand in datapackage.json."""


def packed(tables: Mapping[str, bytes]) -> dict[str, str]:
    """Return tables as they are kept, by the files' names."""
    return {name: base64.b64encode(zlib.compress(data, 1)).decode() for name, data in tables.items()}


def unpacked(package: Mapping[str, Any]) -> dict[str, bytes] | None:
    """Return the tables as they were written last, or None where they were not kept yet.

    Raises
    ------
    ValueError, TypeError, AttributeError
        What was kept is damaged.
    """
    if KEPT not in package:
        return None
    return {name: _inflated(base64.b64decode(text)) for name, text in package[KEPT].items() if name in TABLES}


def _inflated(data: bytes) -> bytes:
    inflater = zlib.decompressobj()
    try:
        found = inflater.decompress(data, limits.TABLE_BYTES)
    except zlib.error as error:
        raise ValueError(str(error)) from None
    if not inflater.eof:
        raise ValueError("cut short")
    return found


def on_disk(folder: Folder, where: Where) -> dict[str, bytes]:
    """Return the bytes of the tables there are."""
    places = {name: where(folder.path / name) for name in TABLES}
    return {name: limits.contents(path) for name, path in places.items() if path.exists()}


def changed(kept: Mapping[str, bytes], there: Mapping[str, bytes]) -> list[Difference]:
    """Return how files differ from the tables as they were written last."""
    found = [differences.find(name, data, there.get(name)) for name, data in kept.items()]
    strange = [Difference(name, unreadable="it was not there") for name in there if name not in kept]
    return [*(one for one in found if one), *strange]


def refused(folder: Folder, found: list[Difference]) -> UserError:
    """Return what is said of tables that were changed outside."""
    back = f"'splitboard accept {typed(folder.path)} --put-back' puts it back as it was"
    problems = []
    for one in found:
        cure = back
        if one.name != LAYOUT and not one.unreadable:
            cure += f", and 'splitboard accept {typed(folder.path)} --why \"...\"' puts the change on record"
        problems.append(Problem(f"was changed outside splitboard: {one.words}", cure, file=one.name))
    return UserError(*problems)
