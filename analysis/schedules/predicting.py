"""What a response is likely to be on a new board: means, their errors, and how much new pieces differ.

A new board comes from one of the trial's lots, each as likely as another: the lots stand in the fixed part, and a
treatment is predicted in each of them. Board, lane, strip and patch are new; assessors and instruments are the
trial's. The degrees of freedom of mean and pieces together are Satterthwaite's (1946, Biometrics Bulletin 2:110-114).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd
from scipy.special import stdtr, stdtrit

from analysis import model
from analysis.mixed import degrees
from analysis.responses import Analysis
from trials import structure

RESIDUAL = "residual"


@dataclass(frozen=True)
class Predicted:
    """One response of m treatments in each of l lots.

    Attributes
    ----------
    analysis : the fit it comes from.
    weights : (m, l, p) of the effects; nought throughout where a treatment cannot be estimated.
    known : (m,) whether it can be.
    mean, se, df : (m, l) the mean over all pieces of the lot, its standard error (Kenward and Roger's), and the
        degrees of freedom of mean and new pieces together.
    spread : standard deviation of what is read on new pieces about that mean.
    """

    analysis: Analysis
    weights: np.ndarray
    known: np.ndarray
    mean: np.ndarray
    se: np.ndarray
    df: np.ndarray
    spread: float

    @property
    def total(self) -> np.ndarray:
        """(m, l) standard deviation of the error of prediction."""
        return np.hypot(self.se, self.spread)

    def below(self, values: np.ndarray) -> np.ndarray:
        """Return for (m,) values the chance that a new piece is read below, over the lots."""
        return stdtr(self.df, (values[:, None] - self.mean) / self.total).mean(axis=1)

    def quantile(self, share: float) -> np.ndarray:
        """Return (m,) values with this share of the new pieces below them, over the lots, by halving."""
        ends = self.mean + stdtrit(self.df, share) * self.total
        low, high = ends.min(axis=1), ends.max(axis=1)
        for _ in range(60):
            middle = (low + high) / 2
            under = self.below(middle) < share
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        return (low + high) / 2


def predict(
    analysis: Analysis, treatments: Sequence[Mapping[str, str]], shares: Mapping[str, float] | None = None
) -> Predicted:
    """Predict a response for treatments on a new board of the trial's lots.

    Parameters
    ----------
    treatments : the level of every factor.
    shares : by random term what part of its variance counts, 1 where not given: 1 / m for the mean over m of its
        pieces.
    """
    fit = analysis.for_these_lots
    lots = fit.levels("lot") if "lot" in fit.fixed.names else [None]
    weights, known = _weights(analysis, treatments, lots)
    flat = weights.reshape(-1, weights.shape[-1])
    names = list(fit.variances.index)
    counted = np.array([(shares or {}).get(name, 1.0) for name in names])
    variance = float(counted @ fit.components)
    slopes = fit.precision.slopes_of(flat)
    slopes[:-1] += (counted[:-1] * fit.components[-1])[:, None]
    slopes[-1] += variance
    error = np.einsum("ij,ij->i", flat @ fit.precision.adjusted, flat)
    df = degrees.variance_degrees(slopes[-1], slopes, fit.precision.components.expected)
    shape = weights.shape[:2]
    return Predicted(
        analysis, weights, known, (flat @ fit.effects).reshape(shape), np.sqrt(error).reshape(shape),
        df.reshape(shape), float(np.sqrt(variance)),
    )  # fmt: skip


def _weights(
    analysis: Analysis, treatments: Sequence[Mapping[str, str]], lots: Sequence[object]
) -> tuple[np.ndarray, np.ndarray]:
    """Return the (m, l, p) weights of the kept effects and whether each treatment can be estimated."""
    fit = analysis.for_these_lots
    places = {name: fit.levels(name) for name in analysis.told.places}
    names = [name for name in fit.fixed.names if name not in ("lot", *places)]
    read = {name: set(fit.levels(name)) for name in names}
    known = np.array([all(one[name] in read[name] for name in names) for one in treatments])
    weights = np.zeros((len(treatments), len(lots), len(fit.span.kept)))
    asked = np.flatnonzero(known)
    if len(asked):
        stands = [dict(zip(places, at, strict=True)) for at in product(*places.values())]
        rows = pd.DataFrame(
            [
                {name: treatments[int(at)][name] for name in names} | {"lot": lot} | stand
                for at in asked
                for lot in lots
                for stand in stands
            ]
        )
        whole = model.design_at(fit.frame.columns, fit.fixed.terms, "sum", rows)
        whole = whole.reshape(len(asked), len(lots), len(stands), -1).mean(axis=2)
        told = fit.span.can_estimate(whole.reshape(-1, whole.shape[-1])).reshape(len(asked), len(lots)).all(axis=1)
        weights[asked] = whole[:, :, fit.span.kept]
        known[asked] = told
    weights[~known] = 0
    return weights, known


def cautions(analysis: Analysis) -> list[str]:
    """Say which pieces' own differences are not in a prediction, because the layout cannot tell them."""
    told = analysis.told
    missing = [term for term in told.random if term != "lot" and term not in told.fitted_random]
    return [
        f"How much {structure.piece_words(term)} differ in {analysis.response.words} cannot be told from this "
        "layout, so its chances and intervals are surer than they should be."
        for term in missing
    ]
