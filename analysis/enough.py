"""Are a plan's boards enough for its questions: enough, weak or hopeless, and how many boards would be enough."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from analysis import precision
from analysis.outlook_page import Outlook
from analysis.outlook_page.outlook import is_known
from analysis.outlook_page.sentences import about, settled, subject
from analysis.precision import Expected
from analysis.precision.outlook import ENOUGH as LIMIT
from analysis.precision.outlook import chances
from analysis.precision.scaled import Sets
from analysis.priors import Prior
from trials.level import level_of
from trials.plan import Plan

ENOUGH, WEAK, HOPELESS = "enough", "weak", "hopeless"
_WORST_FIRST = (HOPELESS, WEAK, ENOUGH)


@dataclass(frozen=True)
class Grade:
    """Whether a plan's boards are enough for its questions.

    Attributes
    ----------
    word : ``enough``, ``weak`` or ``hopeless``, that of the weakest question; empty where it cannot be said.
    weakest : that question.
    boards : how many would be enough for every question; None where that was not looked for, or none was found.
    most : up to how many were looked at.
    stops : whether it is hopeless and nothing else is asked: how long an edge may wait is not foretold.
    rough : whether the number is reckoned from these boards alone, where they are not balanced.
    """

    word: str
    weakest: Expected | None = None
    boards: int | None = None
    most: int = 0
    rough: bool = False
    stops: bool = False


def graded(plan: Plan, seen: Outlook, known: Mapping[str, Prior], stop: Callable[[], bool] = lambda: False) -> Grade:
    """Return whether a plan's boards are enough, and how many would be.

    Parameters
    ----------
    seen : what the layout will tell.
    known : by response how much pieces differ.
    stop : asked whether to end the search for a number early.
    """
    asked = seen.questions
    if not asked or len(asked) < len(plan.questions) or not all(one.grade for one in asked):
        return Grade("")
    weakest = min(asked, key=lambda one: (_WORST_FIRST.index(one.grade), _known(one.chance), _known(one.settles)))
    if weakest.grade == ENOUGH:
        return Grade(ENOUGH, weakest)
    stops = weakest.grade == HOPELESS and plan.lap is None
    short = [one for one in asked if one.grade != ENOUGH]
    rough = not Sets(plan).balanced
    found = [
        _roughly(plan, one)
        if rough or one.question is None
        else precision.enough_boards(plan, one.question, known[one.response], stop=stop)
        for one in short
    ]
    numbers = [one for one in found if one is not None]
    boards = max(numbers) if len(numbers) == len(found) else None
    return Grade(weakest.grade, weakest, boards, precision.MOST_TIMES * plan.boards.count, rough, stops)


def _roughly(plan: Plan, one: Expected) -> int | None:
    """Return about how many boards would settle a question, reckoned from these alone: other layouts take long.

    The variance of a difference shrinks with the boards, and each brings one more degree of freedom.
    """
    own = plan.boards.count
    if not is_known(one) or one.question is None or not math.isfinite(one.se):
        return None
    levels = 2 if one.question.between else one.df + 1
    for boards in range(own + 1, precision.MOST_TIMES * own + 1):
        se, df = one.se * math.sqrt(own / boards), one.error_df + boards - own
        found = chances(se, df, levels, one.df, one.question.worth, level_of(plan))
        if min(found.settles, found.says_none) >= LIMIT:
            return boards
    return None


def _known(chance: float) -> float:
    return 0.0 if math.isnan(chance) else chance


def words(plan: Plan, grade: Grade) -> str:
    """Say whether the boards are enough, by which question, and how many would be."""
    one, number = grade.weakest, len(plan.questions)
    if one is None and not plan.questions:
        return "Whether these boards are enough cannot be said: no [[question]] says what they are to settle."
    if one is None:
        return "Whether these boards are enough cannot be said: how often a question is settled is not known."
    boards = "1 board" if plan.boards.count == 1 else f"{plan.boards.count} boards"
    often = about(one, settled(one)) if is_known(one) else "never, for nothing is left to judge it by"
    least = f" Least sure is {subject(one)}: {often}." if number > 1 else ""
    if grade.word == ENOUGH:
        which = f"{subject(one)} {often}" if number == 1 else "each question 80 times in 100 or more"
        return f"Enough: {boards} settle {which}.{least}"
    which = f", the weakest of {number} questions," if number > 1 else ""
    first = f"{grade.word.capitalize()}: with {boards} {subject(one)}{which} is settled {often}."
    if plan.lap is not None:
        first += " How well the wait will be known is not foretold."
    if grade.rough:
        roughly = f" Roughly {grade.boards} boards would be enough;" if grade.boards is not None else ""
        return f"{first}{roughly or ' How many would be enough,'} 'splitboard size' reckons it."
    if grade.boards is None:
        return f"{first} Up to {grade.most} boards no number is enough: call more worth having, or fewer levels."
    return f"{first} About {grade.boards} boards would be enough."


def as_dict(plan: Plan, grade: Grade | None) -> dict[str, Any]:
    """Return the grade as plain values; nothing of a trial with results, whose answers are there."""
    if grade is None:
        return {}
    return {"enough": {"grade": grade.word, "boards": grade.boards, "words": words(plan, grade)}}
