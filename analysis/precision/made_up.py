"""Made-up readings of a layout, analysed as real ones are: the check of what `outlook` and `exact` reckon."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from analysis import mixed, strata
from analysis.precision.exact import LEVEL, Variances, checked, find_term, is_balanced, treated_rows
from analysis.priors import RESIDUAL
from trials import structure
from trials.design import Layout
from trials.errors import Problem, UserError
from trials.plan import Plan, Question
from trials.structure import Effect, Structure


@dataclass(frozen=True)
class Simulated:
    """What came of analysing made-up readings, each number with its Monte Carlo standard error."""

    half_width: float
    half_width_se: float
    settled: float
    settled_se: float
    count: int
    seed: int


def simulate(
    plan: Plan,
    layout: Layout,
    question: Question,
    variances: Variances,
    gain: float,
    count: int = 200,
    seed: int = 0,
) -> Simulated:
    """Analyse made-up normal readings as real ones are: by strata where balanced, else by the mixed model.

    Parameters
    ----------
    gain : the true difference of the question's two levels (the last and the first if it names none; the rest lie
        midway). Settled is an interval wholly at or above the worth if the gain is, wholly below it otherwise.
    count : how many sets of readings.
    seed : the same seed gives the same result.
    """
    if count < 2:
        raise ValueError(f"a simulation takes two sets of readings or more, not {count}")
    frame, told = treated_rows(plan, layout)
    known = checked(variances, told.random)
    factor, levels = plan.factor(question.factor), list(plan.factor(question.factor).levels)
    effect = told.by_name[factor.name]
    if not effect.can_be_judged:
        why = structure.cannot_be_judged(plan, effect, told.counts[effect.judged_against])
        raise UserError(Problem(why.rstrip("."), "change the plan before asking what it will tell"))
    low, high = question.between or (levels[0], levels[-1])
    pairs = 1 if question.between else len(levels) * (len(levels) - 1) // 2
    mean = frame[factor.name].map({low: -gain / 2, high: gain / 2}).astype(float).fillna(0.0).to_numpy()
    drawn = mean[:, None] + _drawn(frame, known, count, np.random.default_rng(seed))
    level = 1 - (1 - LEVEL) / pairs
    analyse = _by_strata if is_balanced(frame, told) else _by_mixed
    centre, half = analyse(frame, told, effect, (low, high), level, drawn)
    settled = centre - half >= question.worth if gain >= question.worth else centre + half < question.worth
    share = float(settled.mean())
    return Simulated(
        half_width=float(half.mean()),
        half_width_se=float(half.std(ddof=1) / math.sqrt(count)),
        settled=share,
        settled_se=math.sqrt(share * (1 - share) / count),
        count=count,
        seed=seed,
    )


def _drawn(frame: pd.DataFrame, variances: Mapping[str, float], count: int, rng: np.random.Generator) -> np.ndarray:
    """Draw (n, count) readings about a mean of nought."""
    result = rng.standard_normal((len(frame), count)) * math.sqrt(variances[RESIDUAL])
    for name, variance in variances.items():
        if name != RESIDUAL:
            codes = frame.groupby(list(structure.COLUMNS[name]), sort=False).ngroup().to_numpy()
            result += math.sqrt(variance) * rng.standard_normal((int(codes.max()) + 1, count))[codes]
    return result


def _by_strata(
    frame: pd.DataFrame, told: Structure, effect: Effect, pair: tuple[str, str], level: float, drawn: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return (count,) differences and half-widths from each stratum's own mean square."""
    made = strata.plan(frame, told.fixed, told.random)
    at = made.term_stratum[find_term(effect.name, made.terms)]
    df = int(made.error_df[at])
    squares = made.sums_of_squares(drawn)[len(made.df) + at] / df
    rows = [(frame[effect.name] == one).to_numpy() for one in pair]
    centre = drawn[rows[1]].mean(axis=0) - drawn[rows[0]].mean(axis=0)
    se = np.sqrt(squares * sum(1 / own.sum() for own in rows))
    return centre, stdtrit(df, 0.5 + level / 2) * se


def _by_mixed(
    frame: pd.DataFrame, told: Structure, effect: Effect, pair: tuple[str, str], level: float, drawn: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return (count,) differences and half-widths from a mixed model fitted to each set of readings."""
    found = []
    for column in drawn.T:
        fit = mixed.fit(frame.assign(value=column), "value", told.fixed, told.fitted_random)
        table = fit.differences(effect.name, level=level)
        row = table[[{one, two} == set(pair) for one, two in zip(table["first"], table["second"], strict=True)]].iloc[
            0
        ]
        sign = 1 if row["first"] == pair[1] else -1
        found.append((sign * row["difference"], (row["upper"] - row["lower"]) / 2))
    centre, half = np.array(found).T
    return centre, half
