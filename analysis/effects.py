"""What each factor did to one response: tests, means and differences, each against the right pieces.

A balanced layout is judged stratum by stratum, by the exact analysis of variance: it is what the
randomisation itself justifies, also when a variance component is estimated at zero. Any other layout is
judged by restricted maximum likelihood with Kenward and Roger's degrees of freedom (1997, Biometrics
53:983-997), which agrees with it where both apply.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import stdtr, stdtrit

from analysis import mixed, strata
from analysis.frame import PatchTable, patch_table
from trials import structure
from trials.errors import UserError
from trials.folder import Trial
from trials.plan import Plan, Response
from trials.structure import Effect, Structure

LEVEL = 0.95


@dataclass(frozen=True)
class Analysis:
    """One response, fitted.

    Attributes
    ----------
    plan : the plan of the trial.
    table : the values the fit is of.
    told : what the patches that were read can tell.
    fit : the mixed model.
    for_these_lots : the same with the lots as they are, not as a sample of all lots: what means are taken from.
    strata : the analysis of variance by strata, or None where the layout is not balanced.
    tests : one row an effect: judged_against, f, df_num, df_den, p, method; NaN where it cannot be judged.
    notes : what a reader has to know of the fit.
    """

    plan: Plan
    table: PatchTable
    told: Structure
    fit: mixed.MixedFit
    for_these_lots: mixed.MixedFit
    strata: pd.DataFrame | None
    tests: pd.DataFrame
    notes: tuple[str, ...]

    @property
    def response(self) -> Response:
        """The response that was fitted."""
        return self.table.response


@dataclass(frozen=True)
class Unfitted:
    """A response that could not be fitted, and why."""

    response: Response
    why: str


def analyse(trial: Trial, response: Response) -> Analysis:
    """Fit one response of a trial.

    Raises
    ------
    UserError
        Nothing recorded, or nothing that a model could be fitted to.
    """
    plan = trial.plan
    table = patch_table(trial, response)
    told = structure.of_layout(plan, table.treated)
    named = table.treated.rename(columns={"value": response.name})
    fit = mixed.fit(named, response.name, told.fixed, told.fitted_random)
    by_lots = _with_lots_as_they_are(named, response.name, told, fit)
    by_strata, why_not = _by_strata(table, told)
    tests = pd.DataFrame(list(_tests(told, fit, by_strata))).set_index("effect")
    notes = [*table.notes, *_in_bench_words(fit.notes), *_method_notes(by_strata, why_not)]
    notes += [structure.describe_left_out(plan, left_out) for left_out in told.left_out]
    return Analysis(plan, table, told, fit, by_lots, by_strata, tests, tuple(dict.fromkeys(notes)))


def analyse_all(trial: Trial) -> tuple[list[Analysis], list[Unfitted]]:
    """Fit every response of the plan; one that cannot be fitted is returned with its reason."""
    fitted, unfitted = [], []
    for response in trial.plan.responses:
        try:
            fitted.append(analyse(trial, response))
        except UserError as error:
            unfitted.append(Unfitted(response, str(error)))
    return fitted, unfitted


def _with_lots_as_they_are(
    named: pd.DataFrame, response: str, told: Structure, fit: mixed.MixedFit
) -> mixed.MixedFit:
    """Return a fit whose means are those of the lots in the trial, equally weighted.

    With two or three lots the mean of all lots there could be is hardly known, and nobody asked for it; the
    differences between levels are the same either way where every lot holds every level.
    """
    if "lot" not in told.fitted_random:
        return fit
    rest = [term for term in told.fitted_random if term != "lot"]
    return mixed.fit(named.assign(lot=named["lot"].astype("category")), response, f"{told.fixed} + lot", rest)


def _in_bench_words(notes: Iterable[str]) -> Iterator[str]:
    """Give a fit's notes with pieces called by their names: lanes, not ``board:lane``."""
    for note in notes:
        for term in structure.COLUMNS:
            note = note.replace(repr(term), structure.piece_words(term))
        yield note


def _by_strata(table: PatchTable, told: Structure) -> tuple[pd.DataFrame | None, str]:
    """Return the analysis of variance by strata, or the reason why the layout is not balanced."""
    try:
        return strata.table(table.treated, "value", told.fixed, list(told.random)), ""
    except UserError as error:
        return None, error.problems[0].what


def _tests(told: Structure, fit: mixed.MixedFit, by_strata: pd.DataFrame | None) -> Iterator[dict[str, object]]:
    """Give one row an effect."""
    marginal: dict[Any, Any] = fit.tests().to_dict("index")
    exact: dict[Any, Any] = {} if by_strata is None else by_strata.to_dict("index")
    for effect in told.effects:
        row: dict[str, object] = {"effect": effect.name, "judged_against": effect.judged_against}
        if not effect.can_be_judged:
            yield row | {
                "f": np.nan,
                "df_num": effect.df,
                "df_den": np.nan,
                "p": np.nan,
                "method": "cannot be judged",
            }
        elif exact:
            found = exact[effect.judged_against, effect.name]
            error = exact[effect.judged_against, "residual"]
            yield row | {
                "f": found["f"],
                "df_num": found["df"],
                "df_den": error["df"],
                "p": found["p"],
                "method": "strata",
            }
        else:
            yield row | marginal[effect.name] | {"method": "Kenward-Roger"}


def _method_notes(by_strata: pd.DataFrame | None, why_not: str) -> list[str]:
    if by_strata is not None:
        return ["The layout is balanced, so every factor is judged exactly, against the pieces it was laid on."]
    return [
        f"The layout is not balanced ({why_not}), so the factors are judged by restricted maximum likelihood "
        "with Kenward-Roger degrees of freedom."
    ]


# --- means and differences -------------------------------------------------------------------------


def means(analysis: Analysis, term: str, level: float = LEVEL) -> pd.DataFrame:
    """Return the mean at each level of a factor (or each cell of a pair ``a:b``), over the lots of the trial.

    Returns
    -------
    Columns: the factors', mean, se, df, lower, upper. Where the effect cannot be judged the mean stands
    without an interval (NaN), for its error is not known.
    """
    found = analysis.for_these_lots.means(term, level)
    effects = [analysis.told.by_name.get(name) for name in term.split(":")]
    if any(effect is not None and not effect.can_be_judged for effect in effects):
        found = found.assign(se=np.nan, df=np.nan, lower=np.nan, upper=np.nan)
    return found


def differences(analysis: Analysis, factor: str, level: float = LEVEL) -> pd.DataFrame:
    """Return every difference between two levels of a factor, averaged over the other factors.

    Returns
    -------
    Columns first, second, difference (second minus first), se, df, t, p, lower, upper, in the plan's
    order of levels. NaN for all but the difference where the factor cannot be judged.
    """
    effect = analysis.told.by_name[factor]
    if analysis.strata is not None and effect.can_be_judged:
        return _stratum_differences(analysis, effect, level)
    found = _in_plan_order(analysis.fit.differences(factor, level=level), analysis.plan, factor)
    if not effect.can_be_judged:
        found = found.assign(se=np.nan, df=np.nan, t=np.nan, p=np.nan, lower=np.nan, upper=np.nan)
    return found


def differences_within(analysis: Analysis, factor: str, by: str, level: float = LEVEL) -> pd.DataFrame:
    """Return the differences between levels of a factor within each level of another one.

    Returns
    -------
    As `differences`, with a column named as `by`.
    """
    pair = analysis.told.interaction(factor, by)
    if pair is None:
        raise ValueError(f"the model holds no interaction of {factor} and {by}")
    found = _in_plan_order(analysis.fit.differences(pair.name, by=by, level=level), analysis.plan, factor)
    if not (pair.can_be_judged and analysis.told.by_name[factor].can_be_judged):
        found = found.assign(se=np.nan, df=np.nan, t=np.nan, p=np.nan, lower=np.nan, upper=np.nan)
    return found


def _stratum_differences(analysis: Analysis, effect: Effect, level: float) -> pd.DataFrame:
    """Take a main effect's differences in its own stratum: var = MS (1/n_i + 1/n_j).

    Holds in a balanced layout, where a factor's contrasts lie wholly in one stratum (Cochran and Cox 1957,
    chapter 7).
    """
    assert analysis.strata is not None
    (factor,) = effect.factors
    groups = analysis.table.treated.groupby(factor, observed=True)["value"].agg(["mean", "size"])
    square, df = analysis.strata.loc[(effect.judged_against, "residual"), ["ms", "df"]]
    rows = []
    levels = list(groups.index)
    for at, first in enumerate(levels):
        for second in levels[at + 1 :]:
            difference = groups["mean"][second] - groups["mean"][first]
            se = np.sqrt(square * (1 / groups["size"][first] + 1 / groups["size"][second]))
            rows.append({"first": first, "second": second, "difference": difference, "se": se, "df": df})
    return _with_interval(pd.DataFrame(rows), level)


def _with_interval(found: pd.DataFrame, level: float) -> pd.DataFrame:
    """Add t, p and the interval to columns difference, se and df."""
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (found["difference"] / found["se"]).to_numpy()
    half = stdtrit(found["df"].to_numpy(), 0.5 + level / 2) * found["se"]
    p = 2 * stdtr(found["df"].to_numpy(), -np.abs(t))
    return found.assign(t=t, p=p, lower=found["difference"] - half, upper=found["difference"] + half)


def _in_plan_order(found: pd.DataFrame, plan: Plan, factor: str) -> pd.DataFrame:
    """Turn each difference round so that it is the later level minus the earlier one, as the plan lists them."""
    order = {level: at for at, level in enumerate(plan.factor(factor).levels)}
    turn = np.array(
        [order[first] < order[second] for first, second in zip(found["first"], found["second"], strict=True)]
    )
    sign = np.where(turn, -1.0, 1.0)
    return found.assign(
        first=np.where(turn, found["first"], found["second"]),
        second=np.where(turn, found["second"], found["first"]),
        difference=sign * found["difference"],
        t=sign * found["t"],
        lower=np.where(turn, -found["upper"], found["lower"]),
        upper=np.where(turn, -found["lower"], found["upper"]),
    )


# --- checks of the fit -----------------------------------------------------------------------------

WILD = 3.5
"""A residual this many robust spreads from zero is named (Iglewicz and Hoaglin 1993, from memory)."""
UNEQUAL = 3.0
"""Spreads that differ by this factor are mentioned: common practice, no source."""


def checks(analysis: Analysis) -> list[str]:
    """Say in words whether the values look as the model takes them to be."""
    treated = analysis.table.treated
    left = np.array(analysis.fit.residuals)
    spread = 1.4826 * float(np.median(np.abs(left - np.median(left))))
    sentences = []
    if spread > 0:
        wild = np.abs(left) > WILD * spread
        for at in np.flatnonzero(wild)[:5]:
            code, value = treated["patch"].iloc[at], treated["value"].iloc[at]
            sentences.append(
                f"Patch {code} reads {value:.3g}, {abs(left[at]) / spread:.1f} times the usual spread from what its "
                "treatment and pieces lead one to expect: look at it again."
            )
    if not sentences:
        sentences.append("No single patch stands out from what its treatment and pieces lead one to expect.")
    sentences += list(_unequal_spreads(analysis, left))
    return sentences


def _unequal_spreads(analysis: Analysis, left: np.ndarray) -> Iterator[str]:
    """Name factors whose levels scatter very differently."""
    for factor in analysis.plan.factors:
        groups = pd.Series(left).groupby(analysis.table.treated[factor.name].to_numpy()).agg(["std", "size"])
        groups = groups[groups["size"] >= 4]
        if len(groups) > 1 and groups["std"].min() > 0 and groups["std"].max() / groups["std"].min() > UNEQUAL:
            most, least = groups["std"].idxmax(), groups["std"].idxmin()
            ratio = groups["std"].max() / groups["std"].min()
            yield (
                f"Readings scatter {ratio:.1f} times as much with {factor.words} {most} as with {least}: "
                "intervals that compare the two are rough."
            )
