"""One response of a trial, fitted: tests, means and differences, each against the right pieces.

A balanced layout is judged stratum by stratum, by the exact analysis of variance: it is what the
randomisation itself justifies, also when a variance component is estimated at zero. Any other layout is
judged by restricted maximum likelihood with Kenward and Roger's degrees of freedom (1997, Biometrics
53:983-997), which agrees with it where both apply.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy.special import stdtr, stdtrit

from analysis import combinations, mixed, off_curve, scatter, strata
from analysis.combinations import Weights
from analysis.frame import PatchTable, patch_table
from trials import structure
from trials.errors import Problem, UserError
from trials.folder import Trial
from trials.level import LEVEL, level_of, per_cent
from trials.plan import Plan, Response
from trials.structure import Effect, Structure


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
    unequal : factors whose levels scatter very differently, which makes every test and interval rough.
    separate : of those, the ones whose two levels are judged each by its own boards, by name.
    off_curve : of factors fitted as a line and its bend, p of their levels lying along it, by name.
    """

    plan: Plan
    table: PatchTable
    told: Structure
    fit: mixed.MixedFit
    for_these_lots: mixed.MixedFit
    strata: pd.DataFrame | None
    tests: pd.DataFrame
    notes: tuple[str, ...]
    unequal: tuple[scatter.Unequal, ...] = ()
    separate: Mapping[str, scatter.Separate] = field(default_factory=dict)
    off_curve: Mapping[str, float] = field(default_factory=dict)

    @property
    def response(self) -> Response:
        """The response that was fitted."""
        return self.table.response

    @property
    def level(self) -> float:
        """At which level its intervals stand where no other is asked for, as `trials.level.level_of`."""
        return level_of(self.plan)

    def levels(self, factor: str) -> list[object]:
        """Return the levels of a factor that were read, in the plan's order."""
        return self.fit.levels(factor)

    def means(self, term: str, level: float | None = None) -> pd.DataFrame:
        """Return the mean at each level of a factor (or each cell of a pair ``a:b``), over the lots of the trial.

        Returns
        -------
        Columns: the factors', mean, se, df, lower, upper. Where the effect cannot be judged the mean stands
        without an interval (NaN), for its error is not known.
        """
        found = self.for_these_lots.means(term, self.level if level is None else level)
        effects = [self.told.by_name.get(name) for name in term.split(":")]
        if any(effect is not None and not effect.can_be_judged for effect in effects):
            return found.assign(**dict.fromkeys(("se", "df", "lower", "upper"), np.nan))
        return found

    def differences(
        self, term: str, by: str | None = None, adjust: Literal["none", "holm"] = "none", level: float | None = None
    ) -> pd.DataFrame:
        """Return every difference between two levels of a factor (or cells of a pair), the later less the earlier.

        Parameters
        ----------
        by : a factor within each of whose levels they are taken.
        adjust : ``holm`` adjusts the p-values for their number, within each level of `by`.

        Returns
        -------
        As `analysis.mixed.MixedFit.differences`: first, second, difference (first less second), se, df, t, p,
        lower, upper; NaN for all but the difference where the effect cannot be judged.
        """
        level = self.level if level is None else level
        concerned = [effect for effect in self.told.effects if self._concerns(effect, term, by)]
        judged = all(effect.can_be_judged for effect in concerned)
        from_levels = term not in self.plan.model.curvature  # else levels are compared from the curve
        if self.strata is not None and by is None and judged and len(concerned) == 1 and from_levels:
            found = _stratum_differences(self, concerned[0], level)
            return combinations.adjusted(found, np.zeros(len(found), dtype=np.intp), adjust)
        found = self.fit.differences(term, by=by, adjust=adjust, level=level)
        if not judged:
            return found.assign(**dict.fromkeys(("se", "df", "t", "p", "lower", "upper"), np.nan))
        return found

    def contrast(
        self, term: str, weights: Mapping[str, Weights], by: str | None = None, level: float | None = None
    ) -> pd.DataFrame:
        """Return weighted sums of a term's means, as `analysis.mixed.MixedFit.contrast`."""
        return self.fit.contrast(term, weights, by=by, level=self.level if level is None else level)

    def _concerns(self, effect: Effect, term: str, by: str | None) -> bool:
        """Whether differences of a term within the levels of `by` rest on an effect."""
        own = set(term.split(":"))
        return set(effect.factors) <= own | ({by} if by else set()) and bool(set(effect.factors) & (own - {by}))


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
    told = structure.of_layout(plan, table.treated, structure.of_layout(plan, trial.patches).places)
    if told.error_dfs["residual"] == 0:
        raise UserError(
            Problem(
                f"with {len(table.treated)} patches read, what differs in {response.words} from patch to patch "
                "cannot be told from what the treatments and the larger pieces do",
                "read more of the patches, or lay out more boards",
            )
        )
    named = table.treated.rename(columns={"value": response.name})
    fit = mixed.fit(named, response.name, told.fixed, told.fitted_random)
    these = told.for_these_lots
    by_lots = fit if these[0] == told.fixed else mixed.fit(named, response.name, *these)
    by_strata, why_not = _by_strata(table, told)
    unequal = scatter.unequal(plan, table.treated, fit)
    separate = {
        one.factor.name: found
        for one in unequal
        if by_strata is not None and (found := scatter.separate(told, one.factor, table.treated, by_lots))
    }
    tests = pd.DataFrame(list(_tests(told, fit, by_strata, table.treated, separate))).set_index("effect")
    notes = [*table.notes, *_in_bench_words(fit.notes), *_method_notes(by_strata, why_not)]
    notes += [structure.describe_left_out(plan, left_out) for left_out in told.left_out]
    notes += occasion_notes(plan)
    off = off_curve.lack_of_fit(plan, told, named, response.name)
    notes += off_curve.words(plan, off)
    return Analysis(
        plan, table, told, fit, by_lots, by_strata, tests, tuple(dict.fromkeys(notes)), unequal, separate, off
    )  # fmt: skip


def analyse_all(trial: Trial) -> tuple[list[Analysis], list[Unfitted]]:
    """Fit every response of the plan; one that cannot be fitted is returned with its reason."""
    fitted, unfitted = [], []
    for response in trial.plan.responses:
        try:
            fitted.append(analyse(trial, response))
        except UserError as error:
            unfitted.append(Unfitted(response, str(error)))
    return fitted, unfitted


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


def _tests(
    told: Structure,
    fit: mixed.MixedFit,
    by_strata: pd.DataFrame | None,
    treated: pd.DataFrame,
    separate: Mapping[str, scatter.Separate],
) -> Iterator[dict[str, object]]:
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
        elif effect.name in separate:
            own = separate[effect.name]
            f = float(np.ptp(treated.groupby(effect.name, observed=True)["value"].mean()) / own.se) ** 2
            p = 2 * float(stdtr(own.df, -(f**0.5)))
            yield row | {"f": f, "df_num": effect.df, "df_den": own.df, "p": p, "method": "Welch"}
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


def occasion_notes(plan: Plan) -> list[str]:
    """Say that boards were added, and what that does to the intervals; nothing where none were."""
    if not plan.added:
        return []
    lots = len(plan.boards.lots)
    which = f"lot {lots}" if len(plan.added) == 1 else f"lots {lots - len(plan.added) + 1} to {lots}"
    return [
        f"Boards were added later ({which}; each occasion counts as a lot), and who looks again is wrong more often "
        f"than who looks once, so intervals are now {per_cent(level_of(plan))} ones, not {per_cent(LEVEL)} ones."
    ]


def _stratum_differences(analysis: Analysis, effect: Effect, level: float) -> pd.DataFrame:
    """Take a main effect's differences in its own stratum: var = MS (1/n_i + 1/n_j).

    Holds in a balanced layout, where a factor's contrasts lie wholly in one stratum (Cochran and Cox 1957,
    chapter 7). Two levels that scatter very differently are judged each by its own boards where that applies.
    """
    assert analysis.strata is not None
    (factor,) = effect.factors
    groups = analysis.table.treated.groupby(factor, observed=True)["value"].agg(["mean", "size"])
    square, df = analysis.strata.loc[(effect.judged_against, "residual"), ["ms", "df"]]
    own = analysis.separate.get(factor)
    rows = []
    levels = list(groups.index)
    for at, first in enumerate(levels):
        for second in levels[at + 1 :]:
            difference = groups["mean"][second] - groups["mean"][first]
            se = np.sqrt(square * (1 / groups["size"][first] + 1 / groups["size"][second]))
            se, df = (own.se, own.df) if own else (se, df)
            rows.append({"first": second, "second": first, "difference": difference, "se": se, "df": df})
    return _with_interval(pd.DataFrame(rows), level)


def _with_interval(found: pd.DataFrame, level: float) -> pd.DataFrame:
    """Add t, p and the interval to columns difference, se and df."""
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (found["difference"] / found["se"]).to_numpy()
    half = stdtrit(found["df"].to_numpy(), 0.5 + level / 2) * found["se"]
    p = 2 * stdtr(found["df"].to_numpy(), -np.abs(t))
    return found.assign(t=t, p=p, lower=found["difference"] - half, upper=found["difference"] + half)
