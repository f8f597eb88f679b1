"""What a layout will be able to tell of each effect."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np
from scipy.special import gammaln, stdtrit

from analysis import combinations, priors
from analysis.precision import verdicts
from analysis.precision.exact import Variances, cell_means, checked, f_power, is_balanced, is_even, treated_rows
from analysis.precision.known import KnownVariances
from analysis.precision.made_up import simulate
from analysis.precision.verdicts import TRUE_GAIN
from analysis.priors import Prior
from trials import structure
from trials.design import Layout
from trials.errors import UserError
from trials.level import LEVEL, each_of, level_of
from trials.plan import Plan, Question
from trials.structure import Effect

EXPERIMENTS = 1000
"""Made up where a chance has no exact form; its standard error is then at most 0.016."""


ENOUGH, HOPELESS = 0.8, 0.2
"""Chances of settling a question from which boards are enough, and below which they are hopeless: this project's
choice, the first common practice for the power of a test."""


@dataclass(frozen=True)
class Expected:
    """What a layout will tell of one effect on one response.

    Attributes
    ----------
    effect, response : what it is about.
    question : the question of the plan it answers, or None.
    can_be_judged, judged_against, df : from the layout's structure.
    error_df : degrees of freedom of the interval.
    contrast : the difference that what follows is about; a difference of differences for a pair of factors.
    level : of its interval, raised where every pair of levels is compared at once (Bonferroni).
    se : standard error at the given variances.
    half_width : how far the interval reaches to either side, on average.
    power : chance that the effect's F test finds a difference of the worth; NaN without a worth.
    settles : chance of the verdict "worth it" when the true gain is twice the worth: of the one pair that is asked
        about, else of two levels, the rest midway. The verdict is that of `analysis.decide`, about the pair that came
        out widest apart.
    says_none : chance of the verdict "not worth it" when no level differs. With two levels it is the same by
        symmetry; with more the widest of several differences is wide by chance, and it is much less.
    exact : whether the layout is balanced, so that the numbers are exact for these variances.
    source : where the variances come from.
    why_not : why it cannot be judged; empty otherwise.
    """

    effect: str
    response: str
    question: Question | None
    can_be_judged: bool
    judged_against: str
    df: int
    error_df: float
    contrast: str
    level: float
    se: float
    half_width: float
    power: float
    settles: float
    says_none: float
    exact: bool
    source: str
    why_not: str

    @property
    def grade(self) -> str:
        """Whether the boards are enough for the question, weak or hopeless; empty where its chances are not known.

        Enough: either answer has the chance `ENOUGH` where it is the true one. Hopeless: neither has `HOPELESS`.
        """
        if not self.can_be_judged:
            return "hopeless"
        if math.isnan(self.settles) or math.isnan(self.says_none):
            return ""
        if self.chance >= ENOUGH:
            return "enough"
        return "hopeless" if max(self.settles, self.says_none) < HOPELESS else "weak"

    @property
    def chance(self) -> float:
        """The lesser of the two chances, whichever answer is the harder to come by."""
        return min(self.settles, self.says_none)


def expected(
    plan: Plan, layout: Layout, variances_by_response: Mapping[str, Variances] | None = None
) -> tuple[Expected, ...]:
    """Work out what a layout will tell: of each question, then of every other effect on each response.

    Parameters
    ----------
    variances_by_response : by response, one value a random term of the layout and the ``residual``; responses that
        are not named are left out. Working values (`analysis.priors.working`) for all if not given.
    """
    if variances_by_response is None:
        variances_by_response = {one.name: priors.working(plan, one) for one in plan.responses}
    known = {name: Known(plan, layout, variances) for name, variances in variances_by_response.items()}
    found = [known[one.response].of_question(one) for one in plan.questions if one.response in known]
    asked = {(one.effect, one.response) for one in found}
    for name, here in known.items():
        rest = [effect for effect in here.told.effects if (effect.name, name) not in asked]
        found += [here.of_effect(effect, name, None) for effect in rest]
    return tuple(found)


class Known:
    """A layout with its variances taken as known."""

    def __init__(
        self, plan: Plan, layout: Layout, variances: Variances, experiments: int = EXPERIMENTS,
        workers: int | None = 1,
    ) -> None:  # fmt: skip
        self.plan, self.layout, self.level = plan, layout, level_of(plan)
        self.experiments, self.workers = experiments, workers
        self.frame, self.told = treated_rows(plan, layout)
        self.variances = checked(variances, self.told.random)
        self.source = variances.source if isinstance(variances, Prior) else "Variances as given."
        self.precision = KnownVariances(self.frame, self.told.fixed, self.variances)
        self.exact = is_even(self.frame, self.told)
        self.by_strata = self.exact or is_balanced(self.frame, self.told)

    def of_question(self, question: Question) -> Expected:
        """Return what can be expected of a question."""
        return self.of_effect(self.told.by_name[question.factor], question.response, question)

    def of_effect(self, effect: Effect, response: str, question: Question | None) -> Expected:
        """Return what can be expected of an effect; with a question, of that."""
        start = Expected(
            effect.name, response, question, effect.can_be_judged, effect.judged_against, effect.df, effect.error_df,
            "", self.level, math.nan, math.nan, math.nan, math.nan, math.nan, self.exact, self.source, "",
        )  # fmt: skip
        if not effect.can_be_judged:
            why = structure.cannot_be_judged(self.plan, effect, self.told.counts[effect.judged_against])
            return replace(start, why_not=why[:1].upper() + why[1:])
        between = question.between if question else ()
        contrast, se, df, levels = self._widest(effect, between)
        if math.isnan(se):
            return replace(start, can_be_judged=False, why_not=f"{effect.name} cannot be estimated from this layout.")
        found = chances(se, df, levels, effect.df, question.worth if question else None, self.level)
        if (
            question
            and not self.exact
            and self.experiments
            and (self.by_strata or levels > 2 or min(self.variances.values()) == 0)
        ):
            found = replace(found, **self._made_up(question))
        return replace(start, contrast=contrast, error_df=df, se=se, **asdict(found))

    def _made_up(self, question: Question) -> dict[str, float]:
        """Return half-width and chances by analysing made-up readings; not known where none can be analysed.

        They have no exact form where levels are not known alike: by strata their plain means are compared, whatever
        their numbers. And where pieces are said not to differ at all a fit, which does not know that, is less precise
        than known variances make it. Of two levels in a model fitted by likelihood the approximation is good.
        """
        gain, count = TRUE_GAIN * question.worth, self.experiments * (4 if self.by_strata else 1)
        try:
            found = simulate(
                self.plan,
                self.layout,
                question,
                self.variances,
                gain,
                count,
                workers=self.workers,
                seen_gain=question.worth,
            )
        except UserError:
            return {"power": math.nan, "settles": math.nan, "says_none": math.nan}
        return {
            "half_width": found.half_width,
            "power": found.seen,
            "settles": found.settled,
            "says_none": found.says_none,
        }

    def _widest(self, effect: Effect, between: Sequence[str]) -> tuple[str, float, float, int]:
        """Return the least well known of an effect's comparisons: name, se, df, and how many levels are compared."""
        if len(effect.factors) == 1:
            wanted = combinations.differences(self.precision.part, f"`{effect.name}`", None)
            names = [f"{row.first} - {row.second}" for row in wanted.labels.itertuples()]
            pick = [
                at for at, row in enumerate(wanted.labels.itertuples()) if {row.first, row.second} == set(between)
            ]
        else:
            levels = [self.precision.part.columns[name].levels for name in effect.factors]
            table = np.sign(cell_means(tuple(len(one) for one in levels), 1.0))
            names = [" by ".join(f"{one[-1]} - {one[0]}" for one in levels)]
            term = ":".join(f"`{name}`" for name in effect.factors)
            wanted, pick = combinations.contrasts(self.precision.part, term, {names[0]: table}, None), [0]
        se, df = self.precision.of(wanted)
        chosen = pick or list(range(len(se)))
        at = max(chosen, key=lambda one: -1.0 if math.isnan(se[one]) else se[one])
        compared = 2 if len(chosen) == 1 else len(self.precision.part.columns[effect.name].levels)
        return names[at], float(se[at]), float(df[at]), compared


@dataclass(frozen=True)
class Chances:
    """The level and half-width of a difference's interval, and what `Expected` says of its chances."""

    level: float
    half_width: float
    power: float
    settles: float
    says_none: float


def chances(se: float, df: float, levels: int, effect_df: int, worth: float | None, all_at: float = LEVEL) -> Chances:
    """Return an interval's level and half-width, the power at a worth, and the chances of the verdicts.

    Parameters
    ----------
    se, df : of the difference of any two levels.
    levels : how many are compared at once; two for a single difference.
    effect_df : of the effect's F test.
    worth : of the difference; without one power and chances are NaN.
    all_at : the level at which all intervals hold together, and whose rest the F test's p has to be below.
    """
    level = each_of(all_at, levels * (levels - 1) // 2)
    half_width = float(stdtrit(df, 0.5 + level / 2)) * se * _mean_root(df)
    if worth is None:
        return Chances(level, half_width, math.nan, math.nan, math.nan)
    power = f_power(effect_df, df, (worth / se) ** 2, 1 - all_at)
    return Chances(level, half_width, power, *verdicts.chances(se, df, levels, level, worth))


def _mean_root(df: float) -> float:
    """Return the mean of an estimated standard error over the true one: that of a chi over root df."""
    return float(math.sqrt(2 / df) * np.exp(gammaln((df + 1) / 2) - gammaln(df / 2)))
