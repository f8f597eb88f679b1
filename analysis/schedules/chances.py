"""The chance that one new patch meets every condition at once, with what is not known of the fits drawn.

Each draw takes for every response a scale w from chi-square / df, then the fixed effects' errors, jointly over the
responses, from a normal distribution divided by √w; given those, what new pieces read is multivariate normal with
its variances divided by w and its correlations drawn as well. One response alone is so predicted by Student's t
exactly. The chance given a draw is a rectangle of that distribution, after Genz (1992, Journal of Computational and
Graphical Statistics 1:141-149): exact for one response, else over quasi-random nodes. The mean over the draws is the
chance, their quantiles its interval. The w of different responses are drawn independently.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import gammaincinv, ndtr, ndtri

from analysis.schedules.predicting import Predicted
from analysis.schedules.together import Together
from trials.brief import Condition

NODES = 24
"""Quasi-random nodes a draw: their error averages out over the draws."""

_PRIMES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37)
_SURE = 1e-12
_LEAST = 1e-9


def by_draw(
    predicted: Sequence[Predicted],
    conditions: Sequence[Condition],
    related: Together,
    draws: int,
    rng: np.random.Generator,
) -> np.ndarray:
    """Return the (draws, m) chance of each of m treatments given each draw, over the lots.

    Parameters
    ----------
    predicted, conditions : one a response, in the order of `related`.
    """
    errors = rng.standard_normal((draws, len(related.effects))) @ _root(related.effects).T
    uniform = rng.random((draws, len(predicted)))
    shift = rng.random((draws, len(predicted)))
    df = min((float(one.df[one.known].min()) for one in predicted if one.known.any()), default=np.inf)
    roots = drawn_roots(related.correlation, df, draws, rng)
    lots = predicted[0].mean.shape[1]
    result = np.zeros((draws, len(predicted[0].mean)))
    for at in np.flatnonzero(np.logical_and.reduce([one.known for one in predicted])):
        for lot in range(lots):
            limits = np.empty((2, draws, len(predicted)))
            start = 0
            for which, (one, condition) in enumerate(zip(predicted, conditions, strict=True)):
                own = errors[:, start : start + one.weights.shape[-1]] @ one.weights[at, lot]
                scale = np.sqrt(_chi_square(one.df[at, lot], uniform[:, which]))
                limits[:, :, which] = _standardised(one, condition, one.mean[at, lot] + own / scale, scale)
                start += one.weights.shape[-1]
            result[:, at] += rectangle(limits[0], limits[1], roots, shift) / lots
    return result


def rectangle(lower: np.ndarray, upper: np.ndarray, root: np.ndarray, shift: np.ndarray) -> np.ndarray:
    """Return the chance that standard normals, correlated, all lie within their limits.

    Parameters
    ----------
    lower, upper : (n, r) limits.
    root : (n, r, r) lower triangle of each correlation matrix, or (1, r, r) of one for all.
    shift : (n, r) where between 0 and 1 the nodes of each begin.
    """
    count = lower.shape[1]
    steps = np.sqrt(np.array([_PRIMES[at % len(_PRIMES)] for at in range(count)]))
    nodes = np.arange(1, NODES + 1)
    chance = np.ones((len(lower), 1))
    drawn: list[np.ndarray] = []
    for at in range(count):
        pulled: np.ndarray = sum((root[:, at, j, None] * drawn[j] for j in range(at)), np.zeros((1, 1)))
        own = root[:, at, at, None]
        low = ndtr((lower[:, at, None] - pulled) / own)
        width = ndtr((upper[:, at, None] - pulled) / own) - low
        chance = chance * width
        if at + 1 < count and root[:, at + 1 :, at].any():
            place = (shift[:, at, None] + nodes * steps[at]) % 1.0
            drawn.append(ndtri(np.clip(low + place * width, _SURE, 1 - _SURE)))
        else:
            drawn.append(np.zeros((1, 1)))
    return np.clip(chance, 0.0, 1.0).mean(axis=1)


def drawn_roots(correlation: np.ndarray, df: float, draws: int, rng: np.random.Generator) -> np.ndarray:
    """Return the (draws, r, r) lower triangles of correlation matrices, drawn as an estimate leaves them open.

    Parameters
    ----------
    correlation : (r, r) the estimate.
    df : by how many degrees of freedom it is known; those of an inverse Wishart distribution, of which the
        correlations are taken (its Wishart drawn by triangles, after Bartlett 1933, Proceedings of the Royal Society
        of Edinburgh 53:260-283, from memory).
    """
    size = len(correlation)
    known = _definite(correlation)
    if size == 1 or not np.isfinite(df):
        return np.linalg.cholesky(known)[None]
    df = max(df, size + 1.0)
    triangle = np.tril(rng.standard_normal((draws, size, size)), -1)
    triangle[:, range(size), range(size)] = np.sqrt(rng.chisquare(df - np.arange(size), (draws, size)))
    turned = np.linalg.cholesky(known) @ np.linalg.inv(triangle).transpose(0, 2, 1)
    covariance = turned @ turned.transpose(0, 2, 1)
    scale = np.sqrt(covariance[:, range(size), range(size)])
    covariance /= scale[:, :, None] * scale[:, None, :]
    return np.linalg.cholesky(covariance * (1 - _LEAST) + np.eye(size) * _LEAST)


def _standardised(one: Predicted, condition: Condition, mean: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """Return the (2, draws) limits of a condition in standard deviations of new pieces about the drawn mean."""
    if one.analysis.response.kind == "yes_no":  # a yes is what lies above the point that leaves its share there
        point = ndtri(1 - np.clip(mean, 0.0, 1.0))
        nothing = np.full_like(point, np.inf)
        return np.array([point, nothing] if condition.low == 1 else [-nothing, point])
    readings = float(one.analysis.table.treated["readings"].mean())
    spread = max(one.spread, _LEAST) / scale
    return np.array([(limit - mean) / spread for limit in condition.cut(round(readings))])


def _chi_square(df: float, uniform: np.ndarray) -> np.ndarray:
    """Return chi-square / df at these shares of its distribution."""
    if not np.isfinite(df):
        return np.ones_like(uniform)
    return np.maximum(2 * gammaincinv(df / 2, uniform) / df, _LEAST)


def _root(covariance: np.ndarray) -> np.ndarray:
    """Return a root of a covariance matrix, what is below nought taken as nought."""
    sizes, axes = np.linalg.eigh(covariance)
    return axes * np.sqrt(np.maximum(sizes, 0.0))


def _definite(correlation: np.ndarray) -> np.ndarray:
    """Return the matrix with correlations a trifle smaller, so that it has a triangle, where it must be."""
    lowest = float(np.linalg.eigvalsh(correlation)[0])
    if lowest > _LEAST:
        return correlation
    kept = (1 - 10 * _LEAST) / (1 - min(lowest, 0.0))
    return correlation * kept + np.eye(len(correlation)) * (1 - kept)
