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
from analysis.priors import Prior
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
    """

    word: str
    weakest: Expected | None = None
    boards: int | None = None
    most: int = 0


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
    short = [one.question for one in asked if one.grade != ENOUGH and one.question is not None]
    found = [precision.enough_boards(plan, one, known[one.response], stop=stop) for one in short]
    numbers = [one for one in found if one is not None]
    boards = max(numbers) if len(numbers) == len(found) else None
    return Grade(weakest.grade, weakest, boards, precision.MOST_TIMES * plan.boards.count)


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
    if grade.boards is None:
        return f"{first} Up to {grade.most} boards no number is enough: call more worth having, or fewer levels."
    return f"{first} About {grade.boards} boards would be enough."


def as_dict(plan: Plan, grade: Grade | None) -> dict[str, Any]:
    """Return the grade as plain values; nothing of a trial with results, whose answers are there."""
    if grade is None:
        return {}
    return {"enough": {"grade": grade.word, "boards": grade.boards, "words": words(plan, grade)}}
