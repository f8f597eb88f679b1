"""What other lots, more assessors and repeated looks bring a question, at the plan's own number of boards."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd

from analysis import priors
from analysis.precision.exact import Variances, treated_rows
from analysis.precision.outlook import Expected, Known
from analysis.precision.sizing import any_layout, fitting
from analysis.priors import RESIDUAL, Prior
from trials.design import Layout
from trials.errors import Problem, UserError
from trials.plan import Plan, Question


def lots(
    plan: Plan,
    question: Question,
    variances: Variances | None = None,
    numbers: Sequence[int] = (1, 2, 3, 4, 6),
    *,
    experiments: int = 200,
    workers: int | None = 1,
) -> pd.DataFrame:
    """Return what a question could be told with the plan's boards sorted into other numbers of lots.

    Parameters
    ----------
    variances : as for `size`; a `Prior` made of pieces tells lots from boards, others keep what they say.
    numbers : of lots; those that would leave a lot with a single board are passed over.
    experiments, workers : as for `size`, with equal seeds, so that the numbers compare well.

    Returns
    -------
    lots, df, half_width, settles, says_none, chance; one lot means boards that were not sorted by the plank they came
    from. What follows, in words, is in ``.attrs["notes"]``.
    """
    known = variances if variances is not None else priors.working(plan, plan.response(question.response))
    rows = []
    for number in sorted({*numbers, len(plan.boards.lots)}):
        if number > 1 and plan.boards.count // number < 2:
            continue
        ends = np.floor(np.arange(1, number + 1) / number * plan.boards.count + 0.5).astype(int)
        sizes = tuple(int(one) for one in np.diff(ends, prepend=0))
        changed = replace(plan, boards=replace(plan.boards, lots=sizes), added=())
        layout = any_layout(changed)
        if layout is None:
            continue
        _, told = treated_rows(changed, layout)
        found = Known(changed, layout, fitting(known, changed, told), experiments, workers).of_question(question)
        df = found.error_df if found.can_be_judged else 0.0
        rows.append((number, df, *_shown(found)))
    table = pd.DataFrame(rows, columns=["lots", "df", *_SHOWN])
    table.attrs["notes"] = (_lots_words(table),)
    return table


_SHOWN = ("half_width", "settles", "says_none", "chance")


def _shown(found: Expected) -> tuple[float, ...]:
    return tuple(getattr(found, name) for name in _SHOWN)


WORTH_SORTING = 0.1
"""A part of the half-width below which sorting into lots is said to make no difference: this project's choice."""


def _lots_words(table: pd.DataFrame) -> str:
    told = table[table["half_width"].notna()]
    if told.empty:
        return "With these boards nothing can be told, however they are sorted into lots."
    best, first = told.loc[told["half_width"].idxmin()], told.iloc[0]
    unsorted = "boards not sorted by plank" if first["lots"] == 1 else f"{first['lots']:.0f} lots"
    if best["lots"] == first["lots"] or best["half_width"] > (1 - WORTH_SORTING) * first["half_width"]:
        return "Sorting the boards by plank makes little difference here; it makes the answer hold for more wood."
    gain = 1 - best["half_width"] / first["half_width"]
    return (
        f"Sorting the boards by plank helps: {best['lots']:.0f} lots narrow the interval of {unsorted} by "
        f"{gain:.0%}, because boards of one plank differ less."
    )


def readers(
    plan: Plan,
    layout: Layout,
    question: Question,
    prior: Prior,
    assessors: Iterable[int] = (1, 2, 3, 4),
    repeats: Iterable[int] = (1, 2),
    *,
    experiments: int = 200,
    workers: int | None = 1,
) -> pd.DataFrame:
    """Return how a question gains from more assessors or repeated looks, every assessor marking every patch.

    Parameters
    ----------
    prior : with the part of the residual that comes from the readings.
    experiments, workers : as for `lots`.

    Returns
    -------
    assessors, repeats, residual, half_width, settles, says_none, chance; the last row, with infinitely many
    assessors, is what remains when only more boards help. Which of the two it is, is in words in ``.attrs["notes"]``.

    Notes
    -----
    Each reading is taken to err afresh. What one assessor sees in one patch each time does not shrink with
    repeats, so that at an equal number of readings more assessors are the better choice.
    """

    def row(prior: Prior) -> tuple[float, ...]:
        found = Known(plan, layout, prior, experiments, workers).of_question(question)
        return (float(prior.variances[RESIDUAL]), *_shown(found))

    rows = [
        (float(people), looks, *row(prior.with_readings(people * looks)))
        for people, looks in product(assessors, repeats)
    ]
    floor = prior.variances.copy()
    floor[RESIDUAL] -= prior.reading
    if floor[RESIDUAL] <= 0:
        raise UserError(
            Problem("the residual is all reading, with nothing between patches", "give a larger residual")
        )
    rows.append((math.inf, 1, *row(replace(prior, variances=floor, reading=0.0))))
    table = pd.DataFrame(rows, columns=["assessors", "repeats", "residual", *_SHOWN])
    table.attrs["notes"] = (_who_helps(table),)
    return table


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
