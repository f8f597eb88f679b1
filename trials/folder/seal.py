"""The seal of datapackage.json: digests over all that it records, so that what was changed in it outside is named.

What a digest within the same file can show is that the file was changed by something that did not write the digest
anew: a slip, an editor, a half-restored copy. Against intent it helps only where it is also kept elsewhere, which is
why the report prints it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from trials.plan import LAID_OUT, digest_of

SEAL = "splitboard:seal"
PLAN = "splitboard:plan"
NOTICED = "splitboard:noticed"
"""Where the changes of the plan stand that have been noticed; records from before there was a seal have neither."""
_WHOLE = "whole"
_OURS = "splitboard:"
_CALLED = {"added": "the boards added", "noticed": "the changes noticed", "accepted": "the changes accepted",
           _WHOLE: "the seal"}  # fmt: skip


def seal(package: Mapping[str, Any]) -> dict[str, str]:
    """Return the digest (SHA-256) of each part of the record, the tables kept in it too, and of all of these."""
    parts = {key: value for key, value in package.items() if key.startswith(_OURS) and key != SEAL}
    digests = {key: digest_of(value) for key, value in sorted(parts.items())}
    return digests | {_WHOLE: digest_of(digests)}


def broken(package: Mapping[str, Any]) -> tuple[str, ...]:
    """Name the parts of a record that are not as they were written; none where all are.

    Raises
    ------
    KeyError, TypeError, AttributeError
        It is no record.
    """
    if SEAL not in package:
        return (SEAL,) if NOTICED in package else _odd_digests(package)
    was, now = package[SEAL], seal(package)
    apart = [key for key in {**was, **now} if was.get(key) != now.get(key)]
    return tuple(key for key in apart if key != _WHOLE or apart == [_WHOLE])


def part_words(part: str) -> str:
    """Return what a part of the record is called: ``the seed``, ``the scoring``."""
    name = part.removeprefix(_OURS)
    return _CALLED.get(name) or "the " + re.sub(r"([A-Z])", r" \1", name).lower()


def _odd_digests(package: Mapping[str, Any]) -> tuple[str, ...]:
    """Hold a record without a seal against the digests of its plan, which with boards added are not all of one."""
    plan = package[PLAN]
    digests = {"splitboard:layoutDigest": digest_of({key: plan[key] for key in LAID_OUT if key in plan})}
    if not package.get("splitboard:added") and not plan.get("rehearsal"):
        digests["splitboard:planDigest"] = digest_of(plan)
    return (PLAN,) if any(package.get(key, now) != now for key, now in digests.items()) else ()
