"""How precisely a fixed effect is known: adjusted covariance, degrees of freedom, F and t.

Kenward & Roger (1997, Biometrics 53:983-997) inflate the covariance of the fixed effects for the variance
components having been estimated, and match an F distribution to the test; Satterthwaite (1946, Biometrics Bulletin
2:110-114) matches a chi-square to one contrast's variance, and Fai & Cornelius (1996, Journal of Statistical
Computation and Simulation 54:363-378) join several contrasts. The covariance matrix of the readings is linear in the
components, so that the second derivatives in Kenward & Roger's formulas vanish.

Components are taken in the basis of `reml.Point.information`: each random term's own variance, and last all
of V growing in proportion, by which the derivative of any fixed effect's variance is that variance itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from scipy.linalg import lapack
from scipy.special import fdtrc, stdtr, stdtrit

from analysis.mixed.reml import Moments, Point

Method = Literal["kenward-roger", "satterthwaite"]

NEGLIGIBLE = 1e-14
"""Relative size below which the uncertainty of the components adds nothing: infinite degrees of freedom."""


EXACT = 1e-9
"""Relative difference of Kenward & Roger's A1 and l A2 up to which an F test counts as exact."""


@dataclass(frozen=True)
class Components:
    """How well the variance components are known, in units of the residual variance.

    Attributes
    ----------
    expected : (k+1, k+1) their covariance from the expected information.
    information : (k+1, k+1) the observed information.
    moving : (k+1,) whether each is above zero.
    """

    expected: np.ndarray
    information: np.ndarray
    moving: np.ndarray

    @cached_property
    def observed(self) -> np.ndarray:
        """(k+1, k+1) their covariance from the observed information; nought for those at zero."""
        result = np.zeros_like(self.information)
        places = np.ix_(self.moving, self.moving)
        result[places] = np.linalg.inv(self.information[places])
        return result


@dataclass(frozen=True)
class Precision:
    """What is known of p effects.

    Attributes
    ----------
    covariance : (p, p) C = (X'V^-1 X)^-1.
    adjusted : (p, p) the same after Kenward & Roger.
    slopes : (k, p, p) derivative of C by each random term's variance in units of the residual variance.
    components : what is known of the variances.
    """

    covariance: np.ndarray
    adjusted: np.ndarray
    slopes: np.ndarray
    components: Components

    def part(self, span: slice) -> Precision:
        """Return what is known of consecutive effects."""
        return Precision(
            self.covariance[span, span], self.adjusted[span, span], self.slopes[:, span, span], self.components
        )

    def of(self, rows: np.ndarray) -> Precision:
        """Return what is known of combinations of the effects, (m, p)."""
        across = rows.T
        return Precision(
            rows @ self.covariance @ across,
            rows @ self.adjusted @ across,
            rows @ self.slopes @ across,
            self.components,
        )

    def slopes_of(self, rows: np.ndarray) -> np.ndarray:
        """Return the (k+1, m) derivatives of the variances of (m, p) combinations by the components."""
        return np.array([np.einsum("ij,ij->i", rows @ by, rows) for by in (*self.slopes, self.covariance)])


@dataclass(frozen=True)
class FTest:
    """An F test: the statistic, its degrees of freedom and its p-value."""

    f: float
    numerator: int
    denominator: float
    p: float


def effects_precision(sums: Moments, point: Point, inverse: np.ndarray, unit: float) -> Precision:
    """Return how well the fixed effects are known.

    With B = C X'V^-1 Z and S = Z'PZ the derivative of C by a term's variance is B_i B_i', and Kenward & Roger's
    adjustment 2 C {sum W_ij (Q_ij - P_i C P_j)} C is 2 B (S * W) B', W repeated for pieces: in the basis whose last
    component is all of V, that component's share of the sum vanishes.

    Parameters
    ----------
    inverse : (r, r) R^-1, which turns effects of the orthonormal columns into those of the design's.
    unit : the residual variance in units of the response squared.
    """
    weights = sums.spread(point.ratios)
    pulls = sums.cross - (sums.cross * weights) @ point.projected
    covariance = (pulls * weights) @ sums.cross.T
    covariance.flat[:: len(covariance) + 1] += 1.0
    expected = np.linalg.inv(point.information(sums.free, expected=True))
    turned = inverse @ pulls
    growth = 2 * turned @ (point.projected * (sums.members @ expected[:-1, :-1] @ sums.members.T))
    own = [turned[:, first : first + size] for first, size in zip(sums.starts, sums.sizes, strict=True)]
    covariance = inverse @ covariance @ inverse.T * unit
    return Precision(
        covariance=covariance,
        adjusted=covariance + growth @ turned.T * unit,
        slopes=np.array([one @ one.T * unit for one in own]).reshape(-1, *covariance.shape),
        components=Components(
            expected, point.information(sums.free, expected=False), np.append(point.ratios > 0, True)
        ),
    )


def f_test(effects: np.ndarray, precision: Precision, method: Method) -> FTest:
    """Test that l effects, none a combination of others, are all zero.

    Parameters
    ----------
    effects : (l,) the estimates.
    precision : of these effects.

    Notes
    -----
    Satterthwaite's degrees of freedom depend on how the hypothesis is written when l > 1; Kenward & Roger's do not.
    """
    number = len(effects)
    if number == 0:
        return FTest(np.nan, 0, np.nan, np.nan)
    if method == "satterthwaite":
        f, denominator = _satterthwaite(effects, precision)
    else:
        denominator, scale = _kenward_roger(precision)
        f = scale / number * float(effects @ _divided(effects, precision.adjusted))
    return FTest(f, number, denominator, float(fdtrc(number, denominator, f)))


def _kenward_roger(precision: Precision) -> tuple[float, float]:
    """Return the denominator degrees of freedom and the factor of F, from Kenward & Roger's A1 and A2."""
    number, count = len(precision.covariance), len(precision.slopes) + 1
    if number == 1:
        alone = np.append(precision.slopes[:, 0, 0] / precision.covariance[0, 0], 1.0)
        both = float(alone @ precision.components.expected @ alone)
        return matched_f(both, both, 1)
    side_by_side = precision.slopes.transpose(1, 0, 2).reshape(number, -1)
    shares = np.empty((count, number, number))
    shares[:-1] = _divided(side_by_side, precision.covariance).reshape(number, -1, number).transpose(1, 0, 2)
    shares[-1] = np.eye(number)
    flat = shares.reshape(count, -1)
    traces = flat[:, :: number + 1].sum(axis=1)
    products = flat @ shares.transpose(0, 2, 1).reshape(count, -1).T
    first = float(traces @ precision.components.expected @ traces)
    second = float((precision.components.expected * products).sum())
    return matched_f(first, second, number)


def _divided(right: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """Solve for a covariance matrix; without the overhead of numpy's own call, which matters here."""
    _, solved, failed = lapack.dposv(covariance, right)
    return np.linalg.solve(covariance, right) if failed else solved


def matched_f(first: float, second: float, number: int) -> tuple[float, float]:
    """Return Kenward & Roger's denominator degrees of freedom m and scale lambda.

    Parameters
    ----------
    first, second : their A1 and A2.
    number : l, how many effects are tested together.

    Notes
    -----
    B = (A1 + 6 A2) / 2l and g = ((l+1) A1 - (l+4) A2) / ((l+2) A2) give c1, c2, c3 and by them the mean
    E* = 1 / (1 - A2/l) and the variance V* = (2/l) (1 + c1 B) / ((1 - c2 B)^2 (1 - c3 B)) of the F statistic. Then
    m = 4 + (l+2) / (l rho - 1) with rho = V* / 2E*^2, and lambda = m / (E* (m - 2)). Where A1 = l A2, as in every
    balanced layout, this comes to m = 2l / A2 and lambda = 1 (their section 3.3), and is taken from there: the
    general formula divides nought by nought at two degrees of freedom.
    """
    if second <= NEGLIGIBLE:
        return np.inf, 1.0
    if abs(first - number * second) <= EXACT * first:
        return 2 * number / second, 1.0
    b = (first + 6 * second) / (2 * number)
    g = ((number + 1) * first - (number + 4) * second) / ((number + 2) * second)
    under = 3 * number + 2 * (1 - g)
    c1, c2, c3 = g / under, (number - g) / under, (number + 2 - g) / under
    mean = 1 - second / number
    above = mean * mean * (1 + c1 * b)
    below = (1 - c2 * b) ** 2 * (1 - c3 * b)  # l rho = above / below
    denominator = 4 + (number + 2) * below / (above - below)
    scale = 1.0 if abs(denominator - 2) < 1e-2 else denominator * mean / (denominator - 2)
    return denominator, scale


def _satterthwaite(effects: np.ndarray, precision: Precision) -> tuple[float, float]:
    """Return F and its degrees of freedom: uncorrelated combinations, each with its own, then joined."""
    sizes, axes = np.linalg.eigh(precision.covariance)
    each = single_degrees(axes.T, precision, precision.components.observed)
    found = effects @ axes
    return float((found * found / sizes).sum()) / len(effects), _joined(each)


def _joined(each: np.ndarray) -> float:
    """Return Fai & Cornelius's degrees of freedom of several uncorrelated contrasts from those of each."""
    if np.isinf(each).all() or np.ptp(each) <= 1e-8 * each[0]:
        return float(each.mean())
    if (each <= 2).any():
        return 2.0
    total = float(np.sum(1 / (1 - 2 / each)))
    return 2 * total / (total - len(each))


def single_degrees(rows: np.ndarray, precision: Precision, components: np.ndarray) -> np.ndarray:
    """Return the degrees of freedom of each of m combinations of the effects taken by itself.

    Parameters
    ----------
    rows : (m, p) the combinations.
    components : (k+1, k+1) covariance of the components: `Components.expected` gives Kenward & Roger's degrees of
        freedom, `Components.observed` Satterthwaite's.
    """
    slopes = precision.slopes_of(rows)
    return variance_degrees(slopes[-1], slopes, components)


def variance_degrees(variance: np.ndarray, slopes: np.ndarray, components: np.ndarray) -> np.ndarray:
    """Return Satterthwaite's 2 v^2 / var(v) for m variances v.

    Parameters
    ----------
    variance : (m,) the variances.
    slopes : (k+1, m) their derivatives by the components.
    components : (k+1, k+1) covariance of the components.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        shares = slopes / variance
        uncertainty = np.einsum("im,im->m", shares, components @ shares)
        return np.where(uncertainty > NEGLIGIBLE, 2 / uncertainty, np.where(variance > 0, np.inf, np.nan))


def two_sided(t: np.ndarray, df: np.ndarray) -> np.ndarray:
    """Return the two-sided p-value of Student's t."""
    return 2 * stdtr(df, -np.abs(t))


def half_width(se: np.ndarray, df: np.ndarray, level: float) -> np.ndarray:
    """Return how far a confidence interval of the given level reaches to either side."""
    return se * stdtrit(df, 0.5 + level / 2)
