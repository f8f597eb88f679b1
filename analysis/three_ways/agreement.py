"""When two or three ways of counting grades say the same."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations

from analysis.three_ways.way import CLEAR, Way

NEAR = 2.0
"""Two p-values on either side of what is clear say the same while neither is further from it than this factor: common
sense, no source."""


def agreed(ways: Sequence[Way], about: str, at: float = CLEAR) -> bool:
    """Return whether all ways that can be compared, two at least, say the same.

    Parameters
    ----------
    ways : one that cannot be had, or is too blunt, is passed over.
    about : ``pair`` or ``factor``: which p is compared.
    at : a p below counts as clear of chance.

    Notes
    -----
    The rule, this project's own:

    1. p lies on the same side of `at` in all, or within a factor of two of it in all.
    2. Unless none is clear of chance, all that have a direction have the same.
    3. Of any two that have an interval in grades, one's holds the other's estimate.
    """
    taken = [way for way in ways if way.compared]
    if len(taken) < 2:
        return False
    return _same_side(taken, about, at) and _same_direction(taken, about, at) and _sizes_fit(taken)


def is_clear(way: Way, about: str, at: float = CLEAR) -> bool:
    """Return whether a way tells the difference from chance."""
    return way.had and way.p_about(about) < at


def _same_side(ways: Sequence[Way], about: str, at: float) -> bool:
    if len({is_clear(way, about, at) for way in ways}) == 1:
        return True
    return all(at / NEAR <= way.p_about(about) <= at * NEAR for way in ways)


def _same_direction(ways: Sequence[Way], about: str, at: float) -> bool:
    if not any(is_clear(way, about, at) for way in ways):
        return True
    return len({way.direction for way in ways if way.direction}) <= 1


def _sizes_fit(ways: Sequence[Way]) -> bool:
    sized = [way for way in ways if not (math.isnan(way.estimate) or math.isnan(way.lower) or math.isnan(way.upper))]
    return all(
        one.lower <= other.estimate <= one.upper or other.lower <= one.estimate <= other.upper
        for one, other in combinations(sized, 2)
    )
