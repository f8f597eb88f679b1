"""Whether some levels of a factor scatter more than others; two levels on boards judged each by its own boards."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.mixed import MixedFit
from trials.plan import Factor, Plan
from trials.structure import Structure

UNEQUAL = 2.0
"""Spreads that differ by this factor are spoken of: at a true ratio of 3 the 95 % intervals of this project's layouts
cover 90 to 94 % (simulated in ``tests/benchmarks/bench_looks.py``)."""

FEWEST = 8
"""A level with fewer patches than this says next to nothing of its own scatter: common sense, no source."""

LEAST_DF = 2
"""A level's own variance by less is next to unknown: the interval would be twice as wide as need be, or more."""

_WITHIN = {"board": ("board", "board:lane", "board:strip"), "lane": ("board:lane",), "strip": ("board:strip",)}
"""By the kind of piece that carries a factor, the pieces whose own differences count as scatter of its levels."""


@dataclass(frozen=True)
class Unequal:
    """Two levels of a factor whose readings scatter very differently.

    Attributes
    ----------
    factor, most, least : which scatters most, and which least.
    ratio : of their standard deviations.
    """

    factor: Factor
    most: str
    least: str
    ratio: float


@dataclass(frozen=True)
class Separate:
    """The difference of two levels, each judged by its own boards: its standard error and degrees of freedom."""

    se: float
    df: float


def unequal(plan: Plan, treated: pd.DataFrame, fit: MixedFit) -> tuple[Unequal, ...]:
    """Find the factors whose levels scatter very differently.

    Parameters
    ----------
    treated : the patches that were read, in the rows of the fit.

    Notes
    -----
    Scatter is what treatments and larger pieces leave: for a factor on boards the predicted differences of boards,
    lanes and strips count as well, for one on lanes or strips those of its own pieces.
    """
    return tuple(_unequal(plan, treated, fit))


def _unequal(plan: Plan, treated: pd.DataFrame, fit: MixedFit) -> Iterator[Unequal]:
    for factor in plan.factors:
        left = np.array(fit.residuals)
        for pieces in fit.random:
            if pieces.name in _WITHIN.get(factor.laid_on, ()):
                left = left + pieces.effects[pieces.codes]
        groups = pd.Series(left).groupby(treated[factor.name].to_numpy()).agg(["std", "size"])
        spread = groups["std"][groups["size"] >= FEWEST]
        if len(spread) > 1 and spread.min() > 0 and spread.max() >= UNEQUAL * spread.min():
            most, least = str(spread.idxmax()), str(spread.idxmin())
            yield Unequal(factor, most, least, float(spread.max() / spread.min()))


def separate(told: Structure, factor: Factor, treated: pd.DataFrame, fit: MixedFit) -> Separate | None:
    """Judge the difference of a factor's two levels by the boards of each, or return None where that does not apply.

    Parameters
    ----------
    treated : the patches that were read, of a balanced layout, in the rows of the fit.
    fit : of a model that holds the lots in its fixed part, if it knows of them.

    Notes
    -----
    Welch (1947, Biometrika 34:28-35), with Satterthwaite's degrees of freedom. A level's variance is what the other
    terms of the model leave of its boards' means, each level fitted by itself. It applies to two levels on boards
    that leave `LEAST_DF` degrees of freedom each, in a layout balanced by strata: there every board holds the same
    treatments, so that their means can be compared. It does not to three levels, nor to lanes, strips and patches,
    which are compared within boards.
    """
    effect = told.by_name[factor.name]
    levels = treated[factor.name].astype(str).to_numpy()
    if factor.laid_on != "board" or not effect.can_be_judged or len(set(levels)) != 2:
        return None
    boards, at = np.unique(treated["board"].to_numpy(), return_inverse=True)
    sizes = np.bincount(at)
    means = np.bincount(at, treated["value"].to_numpy(dtype=float)) / sizes
    fixed = fit.design.matrix[fit.setting]
    columns = np.array([np.bincount(at, column) / sizes for column in fixed.T]).T
    carries = np.empty(len(boards), dtype=object)
    carries[at] = levels
    variances, dfs = [], []
    for level in sorted(set(levels)):
        own = carries == level
        solved, _, rank, _ = np.linalg.lstsq(columns[own], means[own], rcond=1e-9)
        df = int(own.sum()) - int(rank)
        if df < LEAST_DF:
            return None
        rest = means[own] - columns[own] @ solved
        variances.append(float(rest @ rest) / df / own.sum())
        dfs.append(df)
    total = sum(variances)
    if not total > 0:
        return None
    return Separate(total**0.5, total**2 / sum(one**2 / df for one, df in zip(variances, dfs, strict=True)))
