"""Grades as ordered words: the cumulative-link mixed model on the single readings.

The random terms are those of the layout, besides the patch where patches have several readings, and the
assessor where there are several. A factor is judged by the differences of the expected grade over their own standard
errors, so that p and interval say the same; on the log-odds a large coefficient and its standard error grow together,
and the test loses what it should see (Hauck and Donner 1977, Journal of the American Statistical Association
72:851-853; from memory). They go by t and F with the degrees of freedom the layout has for the factor, not by z: the
pieces are as few for words as for numbers (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import fdtrc, stdtr, stdtrit

from analysis import ordinal
from analysis.model import design_at
from analysis.ordinal import OrdinalFit
from analysis.responses import Analysis
from analysis.three_ways.way import Way, cut
from trials import structure
from trials.errors import UserError
from trials.plan import Response

FAR = 8.0
"""A difference or a standard error beyond so many logits (odds of 3000 to 1) is no value: common sense, no source."""

MOST = 700.0
"""The odds of more logits than this are no floating-point number."""

STEP = 1e-4
"""By how many logits a threshold is moved for a slope."""


@dataclass(frozen=True)
class Ordered:
    """The ordered model of one response.

    Attributes
    ----------
    analysis : the fit of the averages, whose layout and degrees of freedom it takes.
    fit : the model, or None where there is none.
    without_limit : factors to whose effect the grades set no limit.
    why_not : why there is no fit.
    notes : what a reader has to know of it.
    """

    analysis: Analysis
    fit: OrdinalFit | None
    without_limit: frozenset[str] = frozenset()
    why_not: str = ""
    notes: tuple[str, ...] = ()

    def way(self, factor: str, first: str, second: str, *, df: float, df_factor: float, level: float) -> Way:
        """Return what the model says of a factor's second level instead of its first.

        Parameters
        ----------
        df, df_factor : degrees of freedom to judge the pair by, and the factor at all its levels.
        level : of the intervals.
        """
        blank = Way("ordered", level=level, notes=self.notes)
        if self.fit is None:
            return replace(blank, why_not=self.why_not)
        table = _differences(self.fit, factor)
        found = table[[{row.first, row.second} == {first, second} for row in table.itertuples()]]
        if found.empty or not (np.isfinite(found["difference"]) & (found["se"] > 0) & np.isfinite(found["se"])).all():
            return replace(blank, why_not="the ordered model cannot tell the two levels apart in these readings")
        difference, se = float(found["difference"].iloc[0]), float(found["se"].iloc[0])
        difference = difference if found["first"].iloc[0] == second else -difference
        if factor in self.without_limit or se > FAR:
            return replace(blank, why_not=_NO_LIMIT)
        half = float(stdtrit(df, 0.5 + level / 2)) * se
        odds, lower, upper = np.exp(np.clip([difference, difference - half, difference + half], -MOST, MOST))
        way = replace(blank, odds=float(odds), odds_lower=float(lower), odds_upper=float(upper))
        return self._measured(way, self.fit, factor, (first, second), df, df_factor)

    def _measured(
        self, way: Way, fit: OrdinalFit, factor: str, pair: tuple[str, str], df: float, df_factor: float
    ) -> Way:
        """Add the difference in grades, its interval and p, and p of the factor at all its levels."""
        treated = self.analysis.table.treated
        difference, se = grade_difference(fit, treated, factor, *pair)
        if not (np.isfinite([difference, se]).all() and se > 0):
            return way
        half = float(stdtrit(df, 0.5 + way.level / 2)) * se
        span = float(self.analysis.response.grades - 1)
        lower, upper = cut(difference - half, difference + half, span)
        p_factor, p_factor_judged = _whole_factor(fit, treated, factor, df_factor)
        return replace(
            way,
            estimate=difference,
            lower=lower,
            upper=upper,
            p=2 * float(stdtr(df, -abs(difference) / se)),
            judged=f"t with {df:.3g} degrees of freedom",
            p_factor=p_factor,
            p_factor_judged=p_factor_judged,
        )


_NO_LIMIT = "the readings set the ordered model no limit, as where the grades of two levels do not overlap"


def ordered_model(analysis: Analysis) -> Ordered:
    """Fit the ordered model of a response.

    It has the fixed part of the model of the averages. Where the grades set no limit to some effect (complete
    separation), or the search does not settle, the factors' own effects are fitted without interactions.
    """
    frame, random = readings_frame(analysis)
    effects = [effect for effect in analysis.told.effects if effect.df > 0]
    alone = " + ".join([*(effect.name for effect in effects if len(effect.factors) == 1), *analysis.told.places])
    try:
        fit = _fitted(analysis, frame, analysis.told.fixed, random)
        notes: tuple[str, ...] = ()
        if (fit.penalised or not fit.converged) and alone and alone != analysis.told.fixed:
            fit = _fitted(analysis, frame, alone, random)
            notes = ("The ordered model does without interactions, for with them the grades set it no limit.",)
        if not fit.converged:
            return Ordered(analysis, None, why_not="the search for the best ordered model did not settle")
        factors = [effect.name for effect in effects if len(effect.factors) == 1]
        lost = _lost(analysis, frame, fit, random, factors) if fit.penalised else frozenset()
    except UserError as error:
        return Ordered(analysis, None, why_not=error.problems[0].what)
    return Ordered(analysis, fit, lost, notes=(*notes, *fit.notes))


def readings_frame(analysis: Analysis) -> tuple[pd.DataFrame, list[str]]:
    """Return the single readings of the treated patches with their layout, and the random terms of their model."""
    table = analysis.table
    layout = table.treated.drop(columns=["value", "readings"])
    frame = table.readings.merge(layout, on="patch", how="inner", validate="many_to_one")
    frame = frame.assign(assessor=frame["assessor"].replace("", "(no name)"))
    random = structure.of_readings(analysis.told, frame)
    return frame, random


def scale_of(response: Response) -> list[float]:
    """Return the grades of a response's scale, lowest first; with the half grades where these are allowed."""
    whole = range(1, response.grades + 1)
    if not response.half_grades:
        return list(whole)
    return sorted([*whole, *(grade + 0.5 for grade in whole[:-1])])


def _fitted(
    analysis: Analysis, frame: pd.DataFrame, fixed: str, random: list[str], *, is_held: bool = True
) -> OrdinalFit:
    penalty = "auto" if is_held else None
    return ordinal.fit(frame, "value", fixed, random, grades=scale_of(analysis.response), penalty=penalty)  # type: ignore[arg-type]


def _lost(
    analysis: Analysis, frame: pd.DataFrame, fit: OrdinalFit, random: list[str], factors: list[str]
) -> frozenset[str]:
    """Return the factors whose differences run off once the weak penalty is taken away."""
    fixed = " + ".join(":".join(term) for term in fit.fixed_part.terms) or "1"
    loose = _fitted(analysis, frame, fixed, random, is_held=False)
    lost = set()
    for factor in factors:
        sizes = _differences(loose, factor)[["difference", "se"]].abs().to_numpy(dtype=float)
        if not (sizes < FAR).all():
            lost.add(factor)
    return frozenset(lost)


def _differences(fit: OrdinalFit, factor: str) -> pd.DataFrame:
    """Return the differences between a factor's levels; se is NaN where the covariances give no variance."""
    with np.errstate(invalid="ignore"):
        return fit.differences(factor)


def _whole_factor(fit: OrdinalFit, treated: pd.DataFrame, factor: str, df: float) -> tuple[float, str]:
    """Return p of a factor at all its levels, by Wald's statistic of its differences in grades, and how."""
    differences, covariance = grade_differences(fit, treated, factor, [str(one) for one in fit.levels(factor)])
    number = len(differences)
    if not np.isfinite(covariance).all() or np.linalg.matrix_rank(covariance) < number:
        return float("nan"), ""
    statistic = float(differences @ np.linalg.solve(covariance, differences)) / number
    return float(fdtrc(number, df, statistic)), f"F with {number} and {df:.3g} degrees of freedom"


# --- on the scale of the grades --------------------------------------------------------------------


def grade_difference(
    fit: OrdinalFit, treated: pd.DataFrame, factor: str, first: str, second: str
) -> tuple[float, float]:
    """Return the difference of the expected grade, second level less first, and its standard error."""
    (difference,), ((variance,),) = grade_differences(fit, treated, factor, [first, second])
    return float(difference), float(np.sqrt(variance)) if variance >= 0 else float("nan")


def grade_differences(
    fit: OrdinalFit, treated: pd.DataFrame, factor: str, levels: Sequence[str]
) -> tuple[np.ndarray, np.ndarray]:
    """Return the (l - 1,) differences of the expected grade from the first of l levels, and their covariance.

    Parameters
    ----------
    treated : the patches; each combination of the other factors that was read counts once.

    Notes
    -----
    The expected grade is averaged over boards, assessors and all other random terms, as a mean of many readings
    is. Its standard error is by the delta method from the covariances of thresholds, coefficients and spreads.
    """
    others = [
        name for name in dict.fromkeys(name for term in fit.fixed_part.terms for name in term) if name != factor
    ]
    kept = treated[others].astype(object).drop_duplicates() if others else pd.DataFrame(index=[0])
    cells = pd.concat([kept.assign(**{factor: level}) for level in levels], ignore_index=True)
    grades = _expected(fit, cells)
    known = np.isfinite(grades.reshape(len(levels), -1)).all(axis=0)
    number = len(levels) - 1
    if not known.any():
        return np.full(number, np.nan), np.full((number, number), np.nan)
    cells, grades = cells[np.tile(known, len(levels))], grades[np.tile(known, len(levels))]
    count = int(known.sum())
    less_first = np.column_stack([-np.ones(number), np.eye(number)])
    weights = np.repeat(less_first, count, axis=1) / count
    gradient = weights @ np.column_stack(list(_slopes(fit, cells)))
    return weights @ grades, gradient @ fit.covariance.to_numpy() @ gradient.T


def _expected(fit: OrdinalFit, cells: pd.DataFrame) -> np.ndarray:
    """Return (n,) the expected grade of each cell."""
    return fit.probabilities(cells, averaged=True).to_numpy() @ np.array(fit.grades, dtype=float)


def _slopes(fit: OrdinalFit, cells: pd.DataFrame) -> Iterator[np.ndarray]:
    """Give the slope of each cell's expected grade by everything the fit's covariance is of, in its order.

    Moving all thresholds down is moving the cell up, so coefficients take their slopes from the thresholds.
    """
    part = fit.fixed_part
    places = fit.thresholds["estimate"].to_numpy()
    step = min(STEP, 0.25 * float(np.diff(places).min(initial=1.0)))
    by_threshold = []
    for at in range(len(places)):
        moved = step * (np.arange(len(places)) == at)
        up, down = (
            _expected(replace(fit, thresholds=fit.thresholds.assign(estimate=places + side)), cells)
            for side in (moved, -moved)
        )
        by_threshold.append((up - down) / (2 * step))
    yield from by_threshold
    by_place = -np.sum(by_threshold, axis=0)
    matrix = design_at(part.columns, part.terms, "first", cells)[:, 1 + part.kept]
    yield from (by_place * column for column in matrix.T)
    free = [name for name in fit.variances.index if f"log sd {name}" in fit.covariance.index]
    if free:
        up, down = (_expected(replace(fit, variances=fit.variances * times), cells) for times in (1.001, 0.999))
        by_share = (up - down) / 0.002  # by the logarithm of the sum of the variances
        yield from (by_share * 2 * fit.variances[name] / fit.variances.sum() for name in free)
