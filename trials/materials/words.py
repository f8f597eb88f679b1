"""A text as plain words, the way names of materials are compared."""

from __future__ import annotations

import re
from functools import lru_cache

NOTHING = ("", "no", "none", "without", "bare", "nothing", "unsealed", "not sealed", "not glazed")
AS_THE_STEP_SAYS = ("yes", "with", "sealed", "glazed")
_NUMBERS = {"half": "0.5", "one": "1", "two": "2", "three": "3"}
_CUT = re.compile(r"\b(\d+(?:\.\d+)?|half|one|two|three)(?: a)? lb(?: cut)?\b")


@lru_cache(maxsize=4096)
def plain(text: str) -> str:
    """Return a text as lower-case words and numbers: ``1½ pound-cut Shellac`` becomes ``1.5 lb cut shellac``."""
    words = text.casefold().replace("1½", "1.5").replace("½", "0.5")
    words = re.sub(r"\b(\d+)[ -]1/2\b", r"\1.5", words).replace("1/2", "0.5")
    words = re.sub(r"(\d),(\d)", r"\1.\2", words)
    words = re.sub(r"[^\w.]+|(?<!\d)\.|\.(?!\d)|_", " ", words)
    words = re.sub(r"\b(\d+(?:\.\d+)?)(?=lb|pound)", r"\1 ", words)
    return " ".join(re.sub(r"\b(?:lbs|pounds?)\b", "lb", words).split())


def without_cut(words: str) -> tuple[str, float | None]:
    """Take a pound cut out of plain words, and return it where there is just one."""
    cuts = [float(_NUMBERS.get(cut, cut)) for cut in _CUT.findall(words)]
    rest = " ".join(_CUT.sub(" ", words).split())
    return rest, cuts[0] if len(set(cuts)) == 1 and cuts[0] > 0 else None


def is_nothing(level: str) -> bool:
    """Whether a level says that a coat is left out: ``none``, ``bare``, ``unsealed``."""
    return plain(level) in NOTHING
