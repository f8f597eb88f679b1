"""How many boards, and how many assessors, a question needs."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd

from analysis import priors
from analysis.precision.exact import Variances, treated_rows
from analysis.precision.outlook import Known
from analysis.priors import RESIDUAL, Prior
from trials.design import Layout, lay_out
from trials.errors import Problem, UserError
from trials.plan import Plan, Question
from trials.plan_file import MOST_PATCHES
from trials.structure import Structure

MOST_SETS = 12
"""As many full sets of boards as `size` tries when it is not told how many."""


def size(
    plan: Plan,
    question: Question,
    chance: float = 0.8,
    variances: Variances | None = None,
    boards: Iterable[int] | None = None,
) -> pd.DataFrame:
    """Return what a question could be told with other numbers of boards.

    Parameters
    ----------
    chance : of settling the question that is wanted.
    variances : as for `expected`; working values if not given.
    boards : the numbers of boards to look at; those that are not whole sets of board treatments (besides the control
        boards) are passed over. One set to `MOST_SETS` sets if not given.

    Returns
    -------
    boards, df (of the interval), half_width, power, settles; rows without an answer hold NaN. What follows, in
    words, is in ``.attrs["notes"]``. Lots keep their proportions as far as whole sets allow.
    """
    if not 0 < chance < 1:
        raise ValueError(f"a chance lies between 0 and 1, not at {chance}")
    known = variances if variances is not None else priors.working(plan, plan.response(question.response))
    controls = plan.controls_on("board")
    one_set = len(plan.treatments(plan.laid_on("board")))
    wanted = (
        [controls + one_set * sets for sets in range(1, MOST_SETS + 1)] if boards is None else sorted(set(boards))
    )
    most = MOST_PATCHES // (plan.boards.lanes * plan.boards.strips)
    whole = [count for count in wanted if count > controls and (count - controls) % one_set == 0 and count <= most]
    if not whole:
        raise UserError(
            Problem(
                f"none of the numbers of boards is a whole number of sets of {one_set}"
                + (f" besides {controls} control boards" if controls else "")
                + f" and at most {most}",
                f"try {controls + one_set}, {controls + 2 * one_set} and so on",
            )
        )
    rows = [_at_size(plan, question, known, count, one_set) for count in whole]
    table = pd.DataFrame(rows, columns=["boards", "df", "half_width", "power", "settles"])
    source = known.source if isinstance(known, Prior) else "Variances as given."
    table.attrs["notes"] = (_enough(table, chance), source)
    return table


def _at_size(
    plan: Plan, question: Question, variances: Variances, count: int, one_set: int
) -> tuple[int, float, float, float, float]:
    changed = with_boards(plan, count)
    layout = lay_out(changed, 1)
    _, told = treated_rows(changed, layout)
    fitting = _for_lots(variances, told)
    found = Known(changed, layout, fitting).of_question(question)
    df = found.error_df if found.can_be_judged else 0.0
    return count, df, found.half_width, found.power, found.settles


def _for_lots(variances: Variances, told: Structure) -> Variances:
    """Leave the variance of lots out where one lot is left: it is the same in every patch then.

    Where each lot was a single board, the boards' variance holds that of the lots, which have none of their own.
    """
    given = variances.variances if isinstance(variances, Prior) else variances
    found = {str(name): value for name, value in given.items() if name != "lot" or "lot" in told.random}
    return {"lot": 0.0, **found} if "lot" in told.random else found


def with_boards(plan: Plan, count: int) -> Plan:
    """Return a plan with another number of boards, whole sets of treatments shared over its lots in proportion."""
    controls = plan.controls_on("board")
    one_set = len(plan.treatments(plan.laid_on("board")))
    sets = (count - controls) // one_set
    if sets < 1 or (count - controls) % one_set:
        raise ValueError(f"{count} boards are not whole sets of {one_set} besides {controls} control boards")
    share = np.cumsum(plan.boards.lots) / plan.boards.count
    ends = np.floor(share * sets + 0.5).astype(int)
    lots = [int(number) * one_set for number in np.diff(ends, prepend=0) if number]
    lots[0] += controls
    return replace(plan, boards=replace(plan.boards, lots=tuple(lots)))


def _enough(table: pd.DataFrame, chance: float) -> str:
    """Say how many boards are needed, or that none of the numbers is enough."""
    enough = table[table["settles"] >= chance]
    if len(enough):
        first = enough.iloc[0]
        return f"{int(first['boards'])} boards settle the question with a chance of {first['settles']:.0%}."
    last = table.iloc[-1]
    reached = f"{last['settles']:.0%}" if pd.notna(last["settles"]) else "none"
    return f"No number up to {int(last['boards'])} boards reaches a chance of {chance:.0%}; there it is {reached}."


def readers(
    plan: Plan,
    layout: Layout,
    question: Question,
    prior: Prior,
    assessors: Iterable[int] = (1, 2, 3, 4),
    repeats: Iterable[int] = (1, 2),
) -> pd.DataFrame:
    """Return how a question gains from more assessors or repeated looks, every assessor marking every patch.

    Parameters
    ----------
    prior : with the part of the residual that comes from the readings.

    Returns
    -------
    assessors, repeats, residual, half_width, settles; the last row, with infinitely many assessors, is what remains
    when only more boards help. A sentence that says which of the two it is, is in ``.attrs["notes"]``.

    Notes
    -----
    Each reading is taken to err afresh. What one assessor sees in one patch each time does not shrink with
    repeats, so that at an equal number of readings more assessors are the better choice.
    """
    rows = []
    for people, looks in product(assessors, repeats):
        rows.append(
            (float(people), looks, *_with_readers(plan, layout, question, prior.with_readings(people * looks)))
        )
    floor = prior.variances.copy()
    floor[RESIDUAL] -= prior.reading
    if floor[RESIDUAL] <= 0:
        raise UserError(
            Problem("the residual is all reading, with nothing between patches", "give a larger residual")
        )
    rows.append((math.inf, 1, *_with_readers(plan, layout, question, replace(prior, variances=floor, reading=0.0))))
    table = pd.DataFrame(rows, columns=["assessors", "repeats", "residual", "half_width", "settles"])
    table.attrs["notes"] = (_who_helps(table),)
    return table


def _with_readers(plan: Plan, layout: Layout, question: Question, prior: Prior) -> tuple[float, float, float]:
    found = Known(plan, layout, prior).of_question(question)
    return float(prior.variances[RESIDUAL]), found.half_width, found.settles


WORTH_MORE_EYES = 0.1
"""A part of the half-width below which more assessors are said not to help: this project's choice."""


def _who_helps(table: pd.DataFrame) -> str:
    first, last = table["half_width"].iloc[0], table["half_width"].iloc[-1]
    if math.isnan(first):
        return "More assessors do not help: the layout has nothing to judge this by; only more boards do."
    gain = 1 - last / first
    people = "one assessor" if table["assessors"].iloc[0] == 1 else f"{table['assessors'].iloc[0]:.0f} assessors"
    if gain < WORTH_MORE_EYES:
        return (
            f"Only more boards help: even endless assessors would narrow the interval of {people} by no more than "
            f"{gain:.0%}, because the wood itself differs."
        )
    return (
        f"More assessors help: beyond {people} they can narrow the interval by up to {gain:.0%}; what is left after "
        "that, the wood itself, only more boards reduce."
    )
