"""The parts of the report that answer more than the questions: cost, laps, loads, schedules, grades, what next."""

from __future__ import annotations

from analysis.answers import Answers
from analysis.report import words
from analysis.report.answered.ahead import ahead
from analysis.report.answered.laps import laps
from analysis.report.answered.loads import loads
from analysis.report.answered.ranked import schedules
from analysis.report.answered.ways import ways
from analysis.report.answered.worth import worth
from analysis.report.parts import Part
from trials.plan import Plan

__all__ = ["in_short", "parts"]


def in_short(plan: Plan, found: Answers) -> tuple[tuple[str, str], ...]:
    """Return the answers beside the questions, a sentence each with the name of the part that bears it out."""
    said: list[tuple[str, str, str]] = []
    for one in found.worth:
        if one.cost is not None:
            said.append((" ".join(one.sentences[:2]), "worth", "worth"))
    if found.laps is not None:
        against = found.laps.against
        sentence = against.sentence if against is not None else found.laps.windows[0].sentence
        said.append((sentence, "laps", "laps"))
    if found.dark is not None:
        said.append((found.dark.sentence, "loads", "dark"))
    if found.strength is not None:
        said.append((found.strength.sentence, "loads", "strength"))
    if found.schedules is not None:
        ranking = found.schedules.ranking
        sentence = found.schedules.why_not if ranking is None else ranking.sentences[0]
        said.append((sentence, "schedules", "schedules"))
    return tuple(
        (words.clean(f"{sentence} (Exploratory.)" if name in found.exploratory else sentence), link)
        for sentence, link, name in said
    )


def parts(plan: Plan, found: Answers) -> tuple[Part, ...]:
    """Return the parts that this trial has something to say in, in the order of the page."""
    made = (
        Part("worth", "Is it worth its cost?", worth(plan, found)) if found.worth else None,
        Part("laps", "How long may the edge wait?", laps(plan, found)) if found.laps is not None else None,
        Part("loads", "Which load, which carrier?", loads(plan, found)) if found.dark or found.strength else None,
        Part("schedules", "Which schedule meets the brief?", schedules(plan, found)) if found.schedules else None,
        Part("ways", "Grades, counted three ways", ways(plan, found)) if found.ways else None,
        Part("next", "What to do next", ahead(plan, found)),
    )
    return tuple(one for one in made if one is not None)
