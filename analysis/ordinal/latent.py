"""Means and differences from a fitted cumulative-link model.

Differences and contrasts are on the scale of the link (log odds for the logit): how far a level moves the
readings along the scale, whichever grades it moves them between. Means are the average grade a term's cell is
expected to get on the average piece, by the delta method.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from analysis import combinations
from analysis.combinations import Combinations
from analysis.ordinal.likelihood import Link, brief_rows, edges
from analysis.ordinal.terms import FixedPart


def asked(part: FixedPart) -> combinations.FixedPart:
    """Return the fixed part as `analysis.combinations` takes it."""
    return combinations.FixedPart(part.columns, part.terms, "first")


def estimates(
    part: FixedPart, coefficients: np.ndarray, covariance: np.ndarray, wanted: Combinations, name: str, level: float
) -> pd.DataFrame:
    """Estimate combinations of the coefficients whose intercepts cancel.

    Parameters
    ----------
    coefficients, covariance : (p,), (p, p) of the kept coefficients.

    Returns
    -------
    The labels, then `name`, se, df (infinite: these are z tests), t, p, lower, upper; NaN where the readings
    cannot tell.
    """
    kept = wanted.rows[:, 1 + part.kept]
    estimate = kept @ coefficients
    se = np.sqrt(np.einsum("ij,jk,ik->i", kept, covariance, kept))
    lost = ~_can_be_estimated(part, wanted.rows, intercept=0.0)
    estimate[lost], se[lost] = np.nan, np.nan
    with np.errstate(divide="ignore", invalid="ignore"):
        z = estimate / se
    half = ndtri(0.5 + level / 2) * se
    table = {"se": se, "df": np.inf, "t": z, "p": 2 * ndtr(-np.abs(z))}
    return wanted.labels.assign(**{name: estimate}, **table, lower=estimate - half, upper=estimate + half)


def average_grades(
    part: FixedPart,
    link: Link,
    scale: np.ndarray,
    thresholds: np.ndarray,
    coefficients: np.ndarray,
    covariance: np.ndarray,
    term: str,
    level: float,
) -> pd.DataFrame:
    """Return the average grade of each cell of a term, other factors averaged over with equal weights.

    Parameters
    ----------
    scale : (k,) the used grades as numbers.
    thresholds, coefficients, covariance : (k - 1,), (p,), (k - 1 + p, same) of both together.

    Returns
    -------
    The factors' columns, then mean, se, df (infinite), lower, upper, by the delta method.
    """
    own = asked(part)
    names = own.read(term)
    rest = [name for name in own.names if name not in names and part.columns[name].is_factor]
    cells = combinations.means(own, ":".join((*_quoted(names), *_quoted(rest))))
    grade, slope = _expected(link, scale, thresholds, cells.rows[:, 1 + part.kept] @ coefficients)
    gradient = np.hstack([slope[:, :-1], slope[:, -1:] * cells.rows[:, 1 + part.kept]])
    lost = ~_can_be_estimated(part, cells.rows, intercept=1.0)
    grade[lost], gradient[lost] = np.nan, np.nan
    table = cells.labels[list(names)].assign(mean=grade)
    groups = table.groupby(list(names), observed=True, sort=False)
    numbers = groups.ngroup().to_numpy()
    share = np.zeros((int(numbers.max()) + 1, len(table)))
    share[numbers, np.arange(len(table))] = 1 / np.bincount(numbers)[numbers]
    mean, gradient = share @ grade, share @ gradient
    se = np.sqrt(np.einsum("ij,jk,ik->i", gradient, covariance, gradient))
    half = ndtri(0.5 + level / 2) * se
    labels = table.loc[~table.duplicated(list(names)), list(names)].reset_index(drop=True)
    return labels.assign(mean=mean, se=se, df=np.inf, lower=mean - half, upper=mean + half)


def _expected(
    link: Link, scale: np.ndarray, thresholds: np.ndarray, eta: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return (m,) expected grades and (m, k) their derivatives by each threshold and, last, by eta.

    E = s_k - sum_j (s_(j+1) - s_j) F(alpha_j - eta), so dE/dalpha_j = -(s_(j+1) - s_j) f(alpha_j - eta).
    """
    at = edges(thresholds)
    number = np.arange(len(scale))
    log_p = np.stack([brief_rows(link, at, np.array(one), eta)[0] for one in number], axis=1)
    steps, places = np.diff(scale), thresholds[None, :] - eta[:, None]
    if link == "logit":
        tail = 1 / (1 + np.exp(np.abs(places)))
        density = tail * (1 - tail)
    else:
        density = np.exp(-0.5 * places**2) / np.sqrt(2 * np.pi)
    by_threshold = -steps * density
    return np.exp(log_p) @ scale, np.column_stack([by_threshold, -by_threshold.sum(axis=1)])


def _can_be_estimated(part: FixedPart, rows: np.ndarray, intercept: float) -> np.ndarray:
    """Say of each combination whether the coefficients that were dropped follow from those kept."""
    if not part.dropped.size:
        return np.ones(len(rows), dtype=bool)
    kept = np.column_stack([np.full(len(rows), intercept), rows[:, 1 + part.kept]])
    return (np.abs(rows[:, 1 + part.dropped] - kept @ part.sums) <= 1e-7 * (1 + np.abs(rows).max())).all(axis=1)


def _quoted(names: Iterable[str]) -> list[str]:
    """Return names as a formula takes them."""
    return [f"`{name}`" for name in names]
