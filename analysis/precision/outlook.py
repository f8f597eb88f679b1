"""What a layout will be able to tell of each effect."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import gammaln, nctdtr, stdtrit

from analysis import combinations, priors
from analysis.precision.exact import LEVEL, Variances, cell_means, checked, f_power, is_even, treated_rows
from analysis.precision.known import KnownVariances
from analysis.priors import Prior
from trials import structure
from trials.design import Layout
from trials.plan import Plan, Question
from trials.structure import Effect

TRUE_GAIN = 2.0
"""The true gain, in worths, at which the chance of settling is reckoned: this project's choice."""


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
    settles : chance of settling the question: that the whole interval lies at or above the worth when the true gain
        of this one comparison is twice the worth. By symmetry it is also the chance that the whole interval lies
        below the worth when there is no gain at all.
    exact : whether the layout is balanced, so that the numbers are exact for these variances.
    source : where the variances come from.
    words : the same in a sentence or two.
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
    exact: bool
    source: str
    words: str


def expected(
    plan: Plan, layout: Layout, variances_by_response: Mapping[str, Variances] | None = None
) -> tuple[Expected, ...]:
    """Work out what a layout will tell: of each question, then of every other effect on each response.

    Parameters
    ----------
    variances_by_response : by response, one value a random term of the layout and the ``residual``; responses that
        are not named are left out. Working values (`analysis.priors.working`) for all if not given.

    Notes
    -----
    With `TRUE_GAIN` as it is, the estimate less the worth, over its standard error, is noncentral t with
    noncentrality worth / se; the question is settled when that exceeds the interval's quantile.
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

    def __init__(self, plan: Plan, layout: Layout, variances: Variances) -> None:
        self.plan = plan
        self.frame, self.told = treated_rows(plan, layout)
        self.variances = checked(variances, self.told.random)
        self.source = variances.source if isinstance(variances, Prior) else "Variances as given."
        self.precision = KnownVariances(self.frame, self.told.fixed, self.variances)
        self.exact = is_even(self.frame, self.told)

    def of_question(self, question: Question) -> Expected:
        """Return what can be expected of a question."""
        return self.of_effect(self.told.by_name[question.factor], question.response, question)

    def of_effect(self, effect: Effect, response: str, question: Question | None) -> Expected:
        """Return what can be expected of an effect; with a question, of that."""
        start = Expected(
            effect.name, response, question, effect.can_be_judged, effect.judged_against, effect.df,
            effect.error_df, "", LEVEL, math.nan, math.nan, math.nan, math.nan, self.exact, self.source, "",
        )  # fmt: skip
        if not effect.can_be_judged:
            why = structure.cannot_be_judged(self.plan, effect, self.told.counts[effect.judged_against])
            return replace(start, words=why[:1].upper() + why[1:])
        between = question.between if question else ()
        contrast, se, df, pairs = self._widest(effect, between)
        if math.isnan(se):
            return replace(start, can_be_judged=False, words=f"{effect.name} cannot be estimated from this layout.")
        worth = question.worth if question else None
        level, half_width, power, settles = chances(se, df, pairs, effect.df, worth)
        made = replace(
            start, contrast=contrast, error_df=df, level=level, se=se, half_width=half_width, power=power,
            settles=settles,
        )  # fmt: skip
        return replace(made, words=_words(self.plan, effect, made))

    def _widest(self, effect: Effect, between: Sequence[str]) -> tuple[str, float, float, int]:
        """Return the least well known of an effect's comparisons: name, se, df, and how many are made at once."""
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
        return names[at], float(se[at]), float(df[at]), len(chosen)


def chances(
    se: float, df: float, pairs: int, effect_df: int, worth: float | None
) -> tuple[float, float, float, float]:
    """Return an interval's level and half-width, the power at a worth, and the chance of settling it.

    Parameters
    ----------
    se, df : of the difference.
    pairs : how many are compared at once.
    effect_df : of the effect's F test.
    worth : of the difference; without one power and chance are NaN.
    """
    level = 1 - (1 - LEVEL) / pairs
    quantile = float(stdtrit(df, 0.5 + level / 2))
    half_width = quantile * se * _mean_root(df)
    if worth is None:
        return level, half_width, math.nan, math.nan
    power = f_power(effect_df, df, (worth / se) ** 2)
    return level, half_width, power, float(1 - nctdtr(df, (TRUE_GAIN - 1) * worth / se, quantile))


def _mean_root(df: float) -> float:
    """Return the mean of an estimated standard error over the true one: that of a chi over root df."""
    return float(math.sqrt(2 / df) * np.exp(gammaln((df + 1) / 2) - gammaln(df / 2)))


def _words(plan: Plan, effect: Effect, made: Expected) -> str:
    """Say what to expect."""
    against = structure.judged_pieces(plan, effect)
    about = "" if made.exact else "about "
    text = (
        f"{' with '.join(plan.factor(name).words for name in effect.factors)}: judged against {against}, "
        f"{about}{made.error_df:.3g} degrees of freedom; the interval of {made.contrast} will reach about "
        f"{made.half_width:.2g} to either side."
    )
    text = text[:1].upper() + text[1:]
    if made.question is None:
        return text
    worth = made.question.worth
    gain = TRUE_GAIN * worth
    unit = plan.response(made.response).unit_words(gain)
    return (
        f"{text} If the true gain between these two is {gain:g} {unit}, {TRUE_GAIN:g} "
        f"times the worth, the chance that it comes out worth it is {made.settles:.0%}; if there is none, the chance "
        f"that it comes out not worth it is the same. A difference of just {worth:g} will be seen at all (p below "
        f"{1 - LEVEL:.2g}) with a chance of {made.power:.0%}. {made.source}"
    )
