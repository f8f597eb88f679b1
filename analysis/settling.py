"""How likely more boards settle an open question: made once, told wherever boards are proposed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from analysis import priors
from analysis.decide import TOO_CLOSE, Decision, Finding, boards_to_settle
from analysis.precision.made_up import simulate
from analysis.responses import Analysis
from trials.design import Layout
from trials.errors import UserError
from trials.plan import Plan, Question

EXPERIMENTS = 300
"""Made-up experiments a chance, shared out over the open questions: a Monte Carlo error of 3 of 100 for one."""
LEAST, SEED = 100, 1


@dataclass(frozen=True)
class Chance:
    """How likely an open question gets the right verdict, if its difference is the one that was found.

    Attributes
    ----------
    factor, response : of the question.
    boards : how many more.
    now, now_se : the chance on boards as those read, and its Monte Carlo standard error.
    then, then_se : the same with the boards added; both at the level of a later look, so that they compare.
    settle : how many more would settle it, as `analysis.decide.boards_to_settle` reckons; None for too many.
    count, seed : how many made-up experiments each, and what they were drawn with.
    """

    factor: str
    response: str
    boards: int
    now: float
    now_se: float
    then: float
    then_se: float
    settle: int | None
    count: int
    seed: int


def chances(
    plan: Plan, longer: Plan, before: pd.DataFrame, added: pd.DataFrame, found: Decision,
    asked: Sequence[Finding], place: Path,
) -> tuple[Chance, ...]:  # fmt: skip
    """Return the chance of each question that is too close to call, before and after boards are added.

    Parameters
    ----------
    plan, longer : without and with the boards added.
    before, added : patches of the layout, and those of the added boards.
    asked : what the boards are for; what is no open question, or cannot be told, has no chance.
    place : the trial's folder.
    """
    fits = {one.response.name: one for one in found.analyses}
    open_ = [one for one in asked if is_open_by_width(one) and one.response in fits]
    count = max(EXPERIMENTS // max(len(open_), 1), LEAST)
    added_boards = longer.boards.count - plan.boards.count
    return tuple(
        chance
        for one in open_
        for chance in _chance(plan, longer, before, added, one, fits[one.response], place, count, added_boards)
    )


def is_open_by_width(one: Finding) -> bool:
    """Whether a question is open for want of a narrower interval alone."""
    return one.verdict == TOO_CLOSE and one.same is None and one.leading is not None and one.worth is not None


def _chance(
    plan: Plan, longer: Plan, before: pd.DataFrame, added: pd.DataFrame, one: Finding, fit: Analysis, place: Path,
    count: int, boards: int,
) -> Iterator[Chance]:  # fmt: skip
    lead = one.leading
    if lead is None or one.worth is None:
        return
    own = [asked for asked in plan.questions if (asked.factor, asked.response) == (one.factor, one.response)]
    between = own[0].between if len(own) == 1 else (lead.first, lead.second)
    question = Question(one.factor, one.response, one.worth, between)
    read = before[before["patch"].astype(str).isin(fit.table.treated["patch"].astype(str))]
    both = pd.concat([read, added], ignore_index=True)
    pair = (lead.first, lead.second)
    try:
        now, then = (
            simulate(
                which, Layout(patches.reset_index(drop=True), SEED, ()), question,
                priors.so_far(which, place, fit).variances, lead.gain, count, SEED, levels=pair,
            )
            for which, patches in ((replace(plan, added=longer.added), read), (longer, both))
        )  # fmt: skip
    except UserError:  # what was read can be analysed, but not what is made up of it
        return
    settle = boards_to_settle(fit, lead, one.worth, one.level)
    yield Chance(
        one.factor, one.response, boards, now.settled, now.settled_se, then.settled, then.settled_se, settle, count,
        SEED,
    )  # fmt: skip


def words(chance: Chance) -> str:
    """Say what boards do for a question, and how many would settle it."""
    more = "1 more board" if chance.boards == 1 else f"{chance.boards} more boards"
    about = f"{chance.factor} on {chance.response}".replace("_", " ")
    now, then = (round(100 * share) for share in (chance.now, chance.then))
    if then > now:
        verb = "raises" if chance.boards == 1 else "raise"
        first = f"{more} {verb} the chance of settling {about} from {now} to {then} of 100"
    else:
        first = f"The chance of settling {about} is {now} of 100 with these boards and {then} with {more}"
    first += ", if the difference is what was found"
    if chance.settle is None:
        return f"{first}; more boards like these would hardly settle it."
    return f"{first}; about {chance.settle} more may settle it."
