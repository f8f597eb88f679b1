"""What one way of counting grades says of a question."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from trials.plan import GRADINGS as NAMES
from trials.plan import Grading as Name

__all__ = ["CLEAR", "NAMES", "SAID", "Name", "Way", "cut", "first_inside"]

SAID: dict[Name, str] = {
    "averages": "taken as numbers",
    "ordered": "as ordered words",
    "rerandomised": "by re-randomisation",
}
"""What each way is called in a sentence."""

CLEAR = 0.05
"""A p below counts as clear of chance: common practice, no source."""

ENOUGH = 1_000
"""Arrangements below which p by re-randomisation is too blunt to be compared: of 64, with grades of which many are
alike, .013 of true nulls were refused at .05."""


@dataclass(frozen=True)
class Way:
    """One way's result; a number that cannot be had is NaN.

    Attributes
    ----------
    name : which way.
    estimate, lower, upper : the pair's second level less its first, in grades, with the interval.
    level : the interval's level.
    p : of the pair's difference.
    p_factor : of the factor at all of its levels; the same as `p` where there are two.
    judged : what p was reckoned from, in words: ``t with 8 degrees of freedom``.
    p_factor_judged : the same for `p_factor`.
    odds, odds_lower, odds_upper : the odds of a higher grade at the second level over those at the first, from
        the ordered model alone.
    why_not : why this way gives no answer; empty where it does. Numbers may stand beside it: a p that could not
        have been clear of chance, for one.
    notes : what a reader has to know, a sentence each.
    arrangements : how many the layout could have had, of re-randomisation alone.
    p_all : p of what was compared, by Holm over the questions asked beforehand; NaN for a later question.
    """

    name: Name
    estimate: float = math.nan
    lower: float = math.nan
    upper: float = math.nan
    level: float = math.nan
    p: float = math.nan
    p_factor: float = math.nan
    judged: str = ""
    p_factor_judged: str = ""
    odds: float = math.nan
    odds_lower: float = math.nan
    odds_upper: float = math.nan
    why_not: str = ""
    notes: tuple[str, ...] = ()
    arrangements: int | None = None
    p_all: float = math.nan

    @property
    def had(self) -> bool:
        """Whether this way gives an answer."""
        return not self.why_not

    @property
    def compared(self) -> bool:
        """Whether it takes part in the comparison; with few arrangements p is too blunt for that."""
        return self.had and (self.arrangements is None or self.arrangements >= ENOUGH)

    @property
    def direction(self) -> int:
        """1 where the second level came out higher, -1 lower, 0 the same or not known."""
        if not math.isnan(self.odds):
            return (self.odds > 1) - (self.odds < 1)
        return (self.estimate > 0) - (self.estimate < 0)

    def p_about(self, about: str) -> float:
        """Return p of the ``pair``, or of the ``factor`` as a whole."""
        return self.p if about == "pair" else self.p_factor


def cut(lower: float, upper: float, span: float) -> tuple[float, float]:
    """Cut an interval of a difference at what the scale allows: two grades lie no further apart than its ends."""
    return max(lower, -span), min(upper, span)


def first_inside(is_inside: Callable[[float], bool], outside: float, inside: float, tolerance: float) -> float:
    """Return where a claim that fails `outside` and holds `inside` begins to hold, by halving the stretch between.

    Where it holds at both ends, the far end.
    """
    if is_inside(outside):
        return outside
    while abs(inside - outside) > tolerance:
        middle = (inside + outside) / 2
        if is_inside(middle):
            inside = middle
        else:
            outside = middle
    return outside
