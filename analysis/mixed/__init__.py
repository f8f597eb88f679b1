"""Linear mixed models: any nested and crossed random terms, tests and means with honest degrees of freedom.

`fit` reads a frame, finds the variance components (`reml`) and how well they leave the fixed effects known
(`degrees`). The `MixedFit` it returns answers questions: tests of terms, means, differences, contrasts,
slopes, predictions (their weights: `analysis.combinations`). Tables carry their footnotes in ``.attrs["notes"]``.
`prepare` does once what does not depend on the readings, for models that are fitted to many of them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from analysis import formula, model
from analysis.mixed import prepared
from analysis.mixed.degrees import FTest, Method, Precision
from analysis.mixed.estimable import Span
from analysis.mixed.fitted import FOOTNOTES, RESIDUAL, MixedFit, Pieces
from analysis.mixed.prepared import Estimates, Prepared, prepare
from trials.errors import UserError

__all__ = [
    "FOOTNOTES",
    "RESIDUAL",
    "Estimates",
    "FTest",
    "Method",
    "MixedFit",
    "Pieces",
    "Precision",
    "Prepared",
    "Span",
    "fit",
    "likelihood_ratio",
    "prepare",
]


def fit(frame: pd.DataFrame, response: str, fixed: str, random: Sequence[str] = ()) -> MixedFit:
    """Fit a linear mixed model by restricted maximum likelihood.

    Parameters
    ----------
    frame : one row a reading. Text, categorical and yes/no columns are factors, numeric columns are numbers.
    response : the column to explain.
    fixed : right-hand side in Wilkinson & Rogers' notation, e.g. ``carrier * load + depth``.
    random : the kinds of piece that carry an error of their own, e.g. ``["board", "board:lane"]``; any nesting and
        crossing. The residual is not named.

    Raises
    ------
    UserError
        What keeps the model from being fitted, in one sentence.
    """
    terms = formula.parse(fixed)
    names, random_terms = prepared.read_random(random)
    data = model.read_frame(frame, response, terms, random_terms)
    side = prepared.fixed_side(data, terms)
    left = prepared.standardised(response, data.response, side)
    return prepared.with_pieces(side, names, random_terms).fitted(left)


def likelihood_ratio(larger: MixedFit, smaller: MixedFit) -> float:
    """Return the p-value of one random term, from the fits with and without it.

    Restricted likelihoods compare fits with the same fixed part only. A variance cannot be negative, so that under
    the hypothesis of none the statistic is zero half the time (Self & Liang 1987, Journal of the American
    Statistical Association 82:605-610): the chi-square p-value is halved.

    Raises
    ------
    UserError
        When the fits differ in more than that one term.
    """
    if set(larger.fixed.terms) != set(smaller.fixed.terms):
        raise UserError("restricted likelihoods of different fixed parts cannot be compared; fit both with the same")
    if larger.response != smaller.response or not np.array_equal(larger.frame.response, smaller.frame.response):
        raise UserError("the two fits are not of the same readings and cannot be compared")
    more, fewer = ({term.name for term in one.random} for one in (larger, smaller))
    if not fewer < more or len(more - fewer) != 1:
        raise UserError("the first fit must have all the second's random terms and just one more")
    (term,) = more - fewer
    if larger.variances[term] == 0:
        return 1.0
    return float(chdtrc(1, max(smaller.deviance - larger.deviance, 0.0))) / 2
