"""What three ways of counting grades say, in one plain sentence or few."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.decide import decimals
from analysis.effects import p_words
from analysis.three_ways.agreement import is_clear
from analysis.three_ways.way import CLEAR, SAID, Way
from trials.plan import Response


def sentence(
    ways: Sequence[Way],
    about: str,
    factor: str,
    response: Response,
    pair: tuple[str, str],
    *,
    is_agreed: bool,
    at: float = CLEAR,
) -> str:
    """Say whether the ways agree, what they say, and why one cannot be had.

    Parameters
    ----------
    ways : the leading one first.
    about : ``pair`` or ``factor``.
    factor : as it is read.
    pair : what is said is said of the second level instead of the first.
    at : a p below counts as clear of chance.
    """
    taken = [way for way in ways if way.compared]
    lacking = _lacking([way for way in ways if not way.had]) + _aside(
        [way for way in ways if way.had and not way.compared], about, response, at
    )
    if not any(way.had for way in ways):
        reasons = "; ".join(dict.fromkeys(way.why_not for way in ways))
        return f"{_capital(factor)}, {response.words}: no way of counting grades gives an answer: {reasons}."
    if len(taken) < 2:
        one = taken[0] if taken else next(way for way in ways if way.had)
        return (
            f"{_capital(_subject(about, factor, pair))}: {response.words} can be told in one way only, "
            f"{SAID[one.name]} {_said(one, about, response, at)}, and nothing bears it out.{lacking}"
        )
    number = "three" if len(taken) == 3 else "two"
    if is_agreed:
        ps = ", ".join(f"{SAID[way.name]} p {p_words(way.p_about(about))}" for way in taken)
        opening = "All three" if number == "three" else "The two"
        what = _together(taken, about, factor, response, pair, at)
        possible = "" if number == "three" else " that can be compared"
        return f"{opening} ways of counting grades{possible} say the same: {what} ({ps}).{lacking}"
    each = ", ".join(f"{SAID[way.name]} {_said(way, about, response, at)}" for way in taken)
    subject = _subject(about, factor, pair)
    return f"The {number} disagree: {subject}, {response.words} {each}: take it as open.{lacking}"


def _subject(about: str, factor: str, pair: tuple[str, str]) -> str:
    if about == "factor":
        return f"{factor} at all its levels"
    return f"{factor} {pair[1]} instead of {pair[0]}"


def _together(
    ways: Sequence[Way], about: str, factor: str, response: Response, pair: tuple[str, str], at: float
) -> str:
    """Say what ways that agree say."""
    clear = [is_clear(way, about, at) for way in ways]
    subject = _subject(about, factor, pair)
    if not any(clear):
        return f"whether {subject} changes {response.words} cannot be told from chance"
    nearly = "" if all(clear) else ", though hardly clear of chance"
    if about == "factor":
        return f"{response.words} differs between the levels of {factor}{nearly}"
    direction = next(way.direction for way in ways if way.direction)
    more = direction > 0
    merit = response.merit(more=more)
    said = f"{response.says} {response.less_more[more]}" + (f", which is {merit}" if merit else "")
    return f"with {subject} {said}{nearly}"


def _said(way: Way, about: str, response: Response, at: float) -> str:
    """Say what one way says: ``0.6 grade clearer (p = 0.012)``."""
    p = f"(p {p_words(way.p_about(about))})"
    if about == "factor":
        return f"differs {p}" if is_clear(way, about, at) else f"does not differ clearly {p}"
    if way.name == "ordered" and not math.isnan(way.odds):
        times = way.odds if way.odds >= 1 else 1 / way.odds
        return f"{_direction(way, response)}, odds {_times(times)} to 1 {p}"
    digits = decimals(way.lower, way.upper)
    size = f"{abs(way.estimate):.{digits}f}"
    if float(size) == 0:
        return f"the same {p}"
    return f"{size} {response.unit_words(float(size))} {_direction(way, response)} {p}"


def _direction(way: Way, response: Response) -> str:
    return response.went(more=way.direction > 0) if way.direction else "the same"


def _times(odds: float) -> str:
    return f"{odds:.1f}" if odds < 10 else f"{odds:.0f}"


def _lacking(ways: Sequence[Way]) -> str:
    return "".join(f" {_capital(SAID[way.name])} it cannot be had: {way.why_not}." for way in ways)


def _aside(ways: Sequence[Way], about: str, response: Response, at: float) -> str:
    """Say what a way says that is too blunt to be compared with the others."""
    return "".join(
        f" {_capital(SAID[way.name])} {_said(way, about, response, at)}; of {way.arrangements} arrangements that is "
        "too blunt to be compared."
        for way in ways
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
