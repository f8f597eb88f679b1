"""Do the values look as the model takes them to be? Said in words, with what to do about it."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from scipy.special import stdtr

from analysis import mixed
from analysis.effects import p_words
from analysis.responses import Analysis
from trials.errors import UserError

WILD = 3.5
"""A residual so many robust spreads from zero is named: Iglewicz and Hoaglin (1993), from memory."""
FEW = 12
"""With fewer patches than this no shape can be seen in residuals: common practice, no source."""
DOUBT = 0.01
"""Below this p a shape is mentioned; several are looked for, so the bar is higher than usual."""


def checks(analysis: Analysis) -> list[str]:
    """Return what there is to say of the residuals of a fit, at least one sentence."""
    left = np.array(analysis.fit.residuals)
    sentences = [*_wild_patches(analysis, left)]
    if not sentences:
        sentences.append("No single patch stands out from what its treatment and pieces lead one to expect.")
    sentences += rough(analysis)
    if len(left) >= FEW:
        sentences += _shape(analysis, left)
    return sentences


def _wild_patches(analysis: Analysis, left: np.ndarray) -> Iterator[str]:
    """Name the patches far from what was expected of them."""
    spread = 1.4826 * float(np.median(np.abs(left - np.median(left))))
    if spread <= 0:
        return
    treated = analysis.table.treated
    for at in np.argsort(-np.abs(left))[:5]:
        if abs(left[at]) > WILD * spread:
            code, value = treated["patch"].iloc[at], treated["value"].iloc[at]
            yield (
                f"Patch {code} reads {value:.3g}, {abs(left[at]) / spread:.1f} times the usual spread from what its "
                "treatment and pieces lead one to expect: look at it again."
            )


def rough(analysis: Analysis) -> list[str]:
    """Name the factors whose levels scatter very differently, and what that does to the answers."""
    sentences = []
    for one in analysis.unequal:
        factor, response = one.factor.words, analysis.response.words
        own = (
            f" What {factor} does is judged by each level's own boards (Welch 1947), which allows for it."
            if one.factor.name in analysis.separate
            else ""
        )
        sentences.append(
            f"{response[:1].upper()}{response[1:]} scatters {one.ratio:.1f} times as much with {factor} {one.most} "
            f"as with {one.least}: all tests and intervals of it are rough.{own}"
        )
    return sentences


def _shape(analysis: Analysis, left: np.ndarray) -> Iterator[str]:
    """Say whether the scatter or the steps grow with the readings, and which scale would mend it."""
    growth = rank_correlation(np.array(analysis.fit.fitted), np.abs(left))
    steps = non_additivity(analysis)
    reasons, rising = [], False
    less, more = analysis.response.less_more
    if growth is not None and growth[1] < DOUBT:
        rising |= growth[0] > 0
        reasons.append(
            f"readings scatter more where they are {more if growth[0] > 0 else less} (p {p_words(growth[1])})"
        )
    if steps is not None and steps[1] < DOUBT:
        rising |= steps[0] > 0
        grow = "larger" if steps[0] > 0 else "smaller"
        reasons.append(f"the steps between levels are {grow} where readings are {more} (p {p_words(steps[1])})")
    if not reasons:
        yield "Residuals show no shape: neither scatter nor steps change with the size of the readings."
        return
    said = " and ".join(reasons)
    yield f"{said[:1].upper()}{said[1:]}: {_advice(analysis, rising=rising)}."


def _advice(analysis: Analysis, *, rising: bool) -> str:
    """Return which scale to try, where there is a reason for one."""
    values = analysis.table.treated["value"]
    if analysis.response.unit == "L*" and values.between(1, 99).all():
        return (
            "dye adds up on K/S, not on L*, so the readings may be simpler when turned into K/S "
            "(Kubelka and Munk 1931) before they are taken in"
        )
    if rising and analysis.response.kind == "measure" and (values > 0).all():
        return "on the logarithm of the readings differences become ratios, which may be what stays the same"
    return "read the intervals with some doubt"


def rank_correlation(first: np.ndarray, second: np.ndarray) -> tuple[float, float] | None:
    """Return Spearman's rank correlation and its p (t approximation), or None where one of them is constant."""
    ranks = [pd.Series(values).rank().to_numpy() for values in (first, second)]
    if min(np.ptp(rank) for rank in ranks) == 0 or len(first) < 4:
        return None
    r = float(np.corrcoef(*ranks)[0, 1])
    df = len(first) - 2
    t = abs(r) * np.sqrt(df / max(1 - r * r, 1e-300))
    return r, float(2 * stdtr(df, -t))


def non_additivity(analysis: Analysis) -> tuple[float, float] | None:
    """Return the coefficient and p of Tukey's one degree of freedom for non-additivity.

    The square of what the factors alone predict is added to the model of the factors; if it helps, the steps
    between levels grow (positive) or shrink with the readings (Tukey 1949, Biometrics 5:232-242; its error here
    is the mixed model's). None where it cannot be had, as with one factor of two levels.
    """
    factors = [effect.name for effect in analysis.told.effects if len(effect.factors) == 1 and effect.df > 0]
    if len(factors) < 2:
        return None
    frame, name = analysis.table.treated, "squared_prediction"
    try:
        plain = mixed.fit(frame, "value", " + ".join(factors), analysis.told.fitted_random)
        predicted = plain.predict(frame)["mean"].to_numpy()
        centred = predicted - predicted.mean()
        squared = centred**2 / max(float(np.mean(centred**2)), 1e-300)
        fit = mixed.fit(
            frame.assign(**{name: squared}), "value", " + ".join([*factors, name]), analysis.told.fitted_random
        )
    except UserError:
        return None
    row = fit.tests().loc[name]
    return float(fit.coefficients.loc[name, "estimate"]), float(row["p"])
