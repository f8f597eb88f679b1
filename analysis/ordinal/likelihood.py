"""The likelihood of a cumulative-link model and its gradient.

A row of grade k has probability F(a) - F(c), where a and c are the thresholds above and below k less
the row's linear predictor, eta. Random terms add sd_r u_r to eta, u ~ N(0, I); they are integrated out
by Laplace's approximation, or, for a single term, by adaptive Gauss-Hermite quadrature (Pinheiro and
Bates 1995, J. Comput. Graph. Statist. 4:12-35). Both come with an exact gradient: what the mode of u
and the curvature there contribute is had by differentiating the equation that defines the mode.

Probabilities are never found by subtracting one distribution function from another; for the logit

    log(F(a) - F(c)) = log F(a) + log F(-c) + log(1 - exp(c - a)).

A standard deviation may be negative here: the likelihood is the same for sd and -sd, so that zero, the
edge of what a variance can be, is an ordinary point.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import expit, log_expit, log_ndtr

Link = Literal["logit", "probit"]

MODE_STEP = 1e-7
"""A Newton step for the modes this small leaves an error of its square, below 1e-13."""


@dataclass(frozen=True)
class Crossing:
    """Which piece of each random term a row belongs to.

    Attributes
    ----------
    order : (r,) numbers of the terms as they were given; the one with most pieces comes first here.
    place : (r, n) where in the joined vector of all pieces.
    sizes : (r,) how many pieces each term has.
    tables : (r - 1 + (r - 1)², n) for each row the cells it adds to: in the tables of the first term by
        the others (m, s), then in that of the others by the others (s, s), laid end to end.
    """

    order: np.ndarray
    place: np.ndarray
    sizes: np.ndarray
    tables: np.ndarray


@dataclass(frozen=True)
class Graded:
    """What is fitted.

    Attributes
    ----------
    grade : (n,) grade numbers from 0, each of them given at least once.
    matrix : (n, p) columns of the fixed part, without an intercept.
    crossing : the random terms.
    link : the distribution F.
    nodes : points of quadrature a piece; 1 is Laplace's approximation.
    """

    grade: np.ndarray
    matrix: np.ndarray
    crossing: Crossing
    link: Link
    nodes: int = 1


@dataclass(frozen=True)
class Pull:
    """A weak penalty: coefficients' (p, p) matrix, spreads' prior scale, whether spreads shun zero."""

    matrix: np.ndarray
    spread: float
    is_positive: bool


def cross(codes: Sequence[np.ndarray], rows: int) -> Crossing:
    """Lay out random terms, each given as its rows' (n,) piece numbers from 0."""
    counts = np.array([code.max() + 1 for code in codes], dtype=np.intp)
    order = np.argsort(-counts, kind="stable")
    sizes = counts[order]
    if not sizes.size:
        return Crossing(order, np.empty((0, rows), np.intp), sizes, np.empty((0, rows), np.intp))
    place = np.array(codes)[order] + (np.cumsum(sizes) - sizes)[:, None]
    most, others = sizes[0], sizes[1:].sum()
    inner = place[1:] - most
    tall = place[0] * others + inner
    square = most * others + (inner[:, None, :] * others + inner[None, :, :]).reshape(-1, rows)
    return Crossing(order, place, sizes, np.vstack([tall, square]))


# --- one row ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Edges:
    """The thresholds above and below each of the K grades, and what follows from their distance."""

    upper: np.ndarray
    lower: np.ndarray
    log_width: np.ndarray
    ratio: np.ndarray


@dataclass(frozen=True)
class Rows:
    """The rows' log-probabilities and derivatives; "up" is by the upper edge a, "low" by the lower edge c.

    With g the derivative of the log-probability by eta and w minus its derivative by eta, `g_up` is
    dg/da, `w_up` is dw/da and so on; `cross` is the second derivative of the log-probability by a and c.
    """

    log_p: np.ndarray
    up: np.ndarray
    low: np.ndarray
    g_up: np.ndarray
    g_low: np.ndarray
    w_up: np.ndarray
    w_low: np.ndarray
    cross: np.ndarray

    @property
    def weight(self) -> np.ndarray:
        """Minus the second derivative of the log-probability by eta, never negative."""
        return self.g_up + self.g_low


def edges(thresholds: np.ndarray) -> Edges:
    """Return the edges of the grades, the outermost infinite."""
    upper, lower = np.append(thresholds, np.inf), np.insert(thresholds, 0, -np.inf)
    shrunk = np.exp(lower - upper)
    return Edges(upper, lower, np.log(-np.expm1(lower - upper)), shrunk / -np.expm1(lower - upper))


def brief_rows(
    link: Link, at: Edges, grade: np.ndarray, eta: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return log-probability, its derivative by eta and minus its second derivative."""
    a, c = at.upper[grade] - eta, at.lower[grade] - eta
    if link == "logit":
        above, below = expit(-a), expit(c)
        log_p = log_expit(a) + log_expit(-c) + at.log_width[grade]
        return log_p, below - above, above * (1 - above) + below * (1 - below)
    log_p = _log_normal_between(a, c)
    a, c, up, low = _normal_ratios(a, c, log_p)
    pull = up - low
    return log_p, -pull, up * (a + pull) - low * (c + pull)


def full_rows(link: Link, at: Edges, grade: np.ndarray, eta: np.ndarray) -> Rows:
    """Return log-probabilities and all their derivatives."""
    a, c = at.upper[grade] - eta, at.lower[grade] - eta
    if link == "logit":
        above, below, ratio = expit(-a), expit(c), at.ratio[grade]
        to_a, from_c = expit(a), expit(-c)
        f_a, f_c = above * to_a, below * from_c
        return Rows(
            log_p=log_expit(a) + log_expit(-c) + at.log_width[grade],
            up=above + ratio,
            low=-below - ratio,
            g_up=f_a,
            g_low=f_c,
            w_up=f_a * (above - to_a),
            w_low=f_c * (from_c - below),
            cross=ratio * (1 + ratio) + np.zeros_like(a),
        )
    log_p = _log_normal_between(a, c)
    a, c, up, low = _normal_ratios(a, c, log_p)
    pull = up - low
    g_up, g_low = up * (a + pull), -low * (c + pull)
    return Rows(
        log_p=log_p,
        up=up,
        low=-low,
        g_up=g_up,
        g_low=g_low,
        w_up=up * (1 - g_up - (a + up) * (a + pull)) + low * (up * (c + pull) + g_up),
        w_low=-low * (1 - g_low + (low - c) * (c + pull)) + up * (low * (a + pull) - g_low),
        cross=up * low,
    )


def _log_normal_between(a: np.ndarray, c: np.ndarray) -> np.ndarray:
    """Log-probability of a standard normal between c and a, taken in the tail where it is exact."""
    is_right = c > 0
    far, near = np.where(is_right, -a, c), np.where(is_right, -c, a)
    log_near = log_ndtr(near)
    return log_near + np.log(-np.expm1(log_ndtr(far) - log_near))


def _normal_ratios(
    a: np.ndarray, c: np.ndarray, log_p: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return the edges (0 for an infinite one, which has no weight) and density over probability at each."""
    half_log = 0.5 * np.log(2 * np.pi)
    up, low = np.exp(-0.5 * a * a - half_log - log_p), np.exp(-0.5 * c * c - half_log - log_p)
    return np.where(np.isinf(a), 0.0, a), np.where(np.isinf(c), 0.0, c), up, low


def by_threshold(grade: np.ndarray, up: np.ndarray, low: np.ndarray) -> np.ndarray:
    """Sum over the rows each threshold bounds: from above those below it, from below those above it."""
    return np.bincount(grade, up)[:-1] + np.bincount(grade, low)[1:]


# --- random terms: modes and curvature -------------------------------------------------------------


@dataclass(frozen=True)
class Curvature:
    """H = Λ Z'WZ Λ + I, split after the first term: [[D, B], [B', C]], D diagonal.

    Attributes
    ----------
    diagonal : (m,) D.
    tall : (m, s) D⁻¹B.
    small : (s, s) what is left of C when the first term is eliminated, C - B'D⁻¹B.
    """

    diagonal: np.ndarray
    tall: np.ndarray
    small: np.ndarray

    def solve(self, right: np.ndarray) -> np.ndarray:
        """Return H⁻¹ times a (q,) vector."""
        m = self.diagonal.size
        head = right[:m] / self.diagonal
        if not self.small.size:
            return head
        tail = np.linalg.solve(self.small, right[m:] - self.tall.T @ right[:m])
        return np.concatenate([head - self.tall @ tail, tail])

    def log_determinant(self) -> float:
        """Return log |H|."""
        return float(np.log(self.diagonal).sum() + np.linalg.slogdet(self.small)[1])


def curvature(crossing: Crossing, weight: np.ndarray, spreads: np.ndarray) -> Curvature:
    """Return H for the rows' weights and the terms' standard deviations."""
    sizes, n = crossing.sizes, weight.size
    m, s = int(sizes[0]), int(sizes[1:].sum())
    diagonal = 1 + spreads[0] ** 2 * np.bincount(crossing.place[0], weight, m)
    if not s:
        return Curvature(diagonal, np.empty((m, 0)), np.empty((0, 0)))
    repeated = np.broadcast_to(weight, (len(crossing.tables), n)).ravel()
    counts = np.bincount(crossing.tables.ravel(), repeated, m * s + s * s)
    scale = np.repeat(spreads[1:], sizes[1:])
    off = counts[: m * s].reshape(m, s) * (spreads[0] * scale)
    tall = off / diagonal[:, None]
    small = counts[m * s :].reshape(s, s) * np.outer(scale, scale) - off.T @ tall
    small[np.arange(s), np.arange(s)] += 1
    return Curvature(diagonal, tall, small)


def find_modes(graded: Graded, at: Edges, eta: np.ndarray, spreads: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Return the (q,) u that maximises the log-probability of rows and u, for Λu added to eta."""
    crossing = graded.crossing
    scale = np.repeat(spreads, crossing.sizes)
    here = crossing.place.ravel()

    def evaluate(u: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        log_p, slope, weight = brief_rows(graded.link, at, graded.grade, eta + at_rows(crossing, scale * u))
        return 0.5 * u @ u - log_p.sum(), slope, weight

    u = start
    value, slope, weight = evaluate(u)
    for _ in range(100):
        total = np.bincount(here, np.broadcast_to(slope, crossing.place.shape).ravel(), u.size)
        step = curvature(crossing, weight, spreads).solve(scale * total - u)
        size = 1.0
        new = evaluate(u + step)
        while not new[0] <= value + 1e-12 * abs(value) and size > 1e-9:
            size /= 2
            new = evaluate(u + size * step)
        u = u + size * step
        value, slope, weight = new
        if np.abs(step).max() < MODE_STEP:
            break
    return u


def at_rows(crossing: Crossing, pieces: np.ndarray) -> np.ndarray:
    """Sum, for each row, the values of the pieces it belongs to."""
    return pieces[crossing.place].sum(axis=0)


# --- random terms: the integrated likelihood -------------------------------------------------------


class Objective:
    """Minus the (penalised) log-likelihood and its gradient; remembers the last modes to start from.

    The parameters are thresholds, coefficients and standard deviations, joined.
    """

    def __init__(self, graded: Graded, pull: Pull | None) -> None:
        self.graded, self.pull = graded, pull
        self.modes = np.zeros(int(graded.crossing.sizes.sum()))
        self.cuts = (int(graded.grade.max()), int(graded.grade.max()) + graded.matrix.shape[1])

    def split(self, psi: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return thresholds, coefficients and standard deviations."""
        first, second = self.cuts
        return psi[:first], psi[first:second], psi[second:]

    def __call__(self, psi: np.ndarray) -> tuple[float, np.ndarray]:
        """Return the value and its gradient; infinity where the thresholds are out of order."""
        thresholds, coefficients, spreads = self.split(psi)
        if (np.diff(thresholds) <= 0).any() or not np.isfinite(psi).all():
            return np.inf, np.full(psi.size, np.nan)
        graded, at = self.graded, edges(thresholds)
        eta = graded.matrix @ coefficients
        with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
            modes = find_modes(graded, at, eta, spreads, self.modes)
            integrate = _laplace if graded.nodes == 1 else _quadrature
            value, up, low, by_spread = integrate(graded, at, eta, spreads, modes)
        if not np.isfinite(value):
            return np.inf, np.full(psi.size, np.nan)
        self.modes = modes
        by_coefficient = -graded.matrix.T @ (up + low)
        gradient = np.concatenate([by_threshold(graded.grade, up, low), by_coefficient, by_spread])
        extra, extra_gradient = self.penalty(coefficients, spreads)
        gradient[self.cuts[0] :] += extra_gradient
        return value + extra, gradient

    def penalty(self, coefficients: np.ndarray, spreads: np.ndarray) -> tuple[float, np.ndarray]:
        """Return the penalty and its gradient by coefficients and standard deviations."""
        if self.pull is None:
            return 0.0, np.zeros(coefficients.size + spreads.size)
        pulled, shrunk = self.pull.matrix @ coefficients, spreads / self.pull.spread**2
        value = 0.5 * coefficients @ pulled + 0.5 * spreads @ shrunk
        if self.pull.is_positive:
            with np.errstate(divide="ignore"):
                value -= np.log(np.abs(spreads)).sum()
                shrunk = shrunk - 1 / spreads
        return float(value), np.concatenate([pulled, shrunk])


Integrated = tuple[float, np.ndarray, np.ndarray, np.ndarray]
"""Minus the log-likelihood and its derivatives by each row's upper and lower edge and by the sds."""


def _laplace(graded: Graded, at: Edges, eta: np.ndarray, spreads: np.ndarray, u: np.ndarray) -> Integrated:
    """Integrate by Laplace's approximation: -log-probability of rows and u at the mode, + log|H| / 2."""
    crossing = graded.crossing
    scale = np.repeat(spreads, crossing.sizes)
    rows = full_rows(graded.link, at, graded.grade, eta + at_rows(crossing, scale * u))
    h = curvature(crossing, rows.weight, spreads)
    value = 0.5 * u @ u - rows.log_p.sum() + 0.5 * h.log_determinant()

    by_term = _leverage(crossing, h, spreads)
    half = 0.5 * (spreads @ by_term)
    # how the value changes with the mode, through the weights, and so with what moves the mode
    of_mode = -half * (rows.w_up + rows.w_low)
    here = crossing.place.ravel()
    total = np.bincount(here, np.broadcast_to(of_mode, crossing.place.shape).ravel(), u.size)
    moved = h.solve(scale * total)
    shift = at_rows(crossing, scale * moved)

    up = -rows.up + half * rows.w_up + shift * rows.g_up
    low = -rows.low + half * rows.w_low + shift * rows.g_low
    slope = -(rows.up + rows.low)
    by_spread = (-(up + low) * u[crossing.place] + rows.weight * by_term + slope * moved[crossing.place]).sum(axis=1)
    return float(value), up, low, by_spread


def _leverage(crossing: Crossing, h: Curvature, spreads: np.ndarray) -> np.ndarray:
    """Return (r, n): for each term and row, the sum over terms t of H⁻¹ at the row's pieces, times sd_t."""
    inverse, tall = inverse_parts(h)
    r, n = crossing.place.shape
    m, s = h.tall.shape
    first = first_variances(h, tall)[crossing.place[0]]
    if r == 1:
        return spreads[0] * first[None, :]
    with_first = -tall.ravel()[crossing.tables[: r - 1]]
    others = inverse.ravel()[crossing.tables[r - 1 :] - m * s].reshape(r - 1, r - 1, n)
    result = np.empty((r, n))
    result[0] = spreads[0] * first + spreads[1:] @ with_first
    result[1:] = spreads[0] * with_first + np.tensordot(others, spreads[1:], axes=([1], [0]))
    return result


def inverse_parts(h: Curvature) -> tuple[np.ndarray, np.ndarray]:
    """Return the lower right part of H⁻¹ (s, s) and minus its upper right part (m, s)."""
    inverse = np.linalg.inv(h.small)
    return inverse, h.tall @ inverse


def first_variances(h: Curvature, tall: np.ndarray) -> np.ndarray:
    """Return the diagonal of H⁻¹ for the first term's pieces."""
    return 1 / h.diagonal + (tall * h.tall).sum(axis=1)


def _quadrature(graded: Graded, at: Edges, eta: np.ndarray, spreads: np.ndarray, u: np.ndarray) -> Integrated:
    """Integrate a single term by Gauss-Hermite quadrature centred at the mode and scaled by the curvature."""
    points, weights = np.polynomial.hermite.hermgauss(graded.nodes)
    piece, sd, grade = graded.crossing.place[0], spreads[0], graded.grade
    belongs = (np.arange(u.size)[:, None] == piece).astype(float)
    rows = full_rows(graded.link, at, grade, eta + sd * u[piece])
    weight, w_eta = belongs @ rows.weight, -belongs @ (rows.w_up + rows.w_low)
    scale = 1 / np.sqrt(1 + sd**2 * weight)

    v = u[:, None] + np.sqrt(2) * scale[:, None] * points
    there = full_rows(graded.link, at, grade[:, None], eta[:, None] + sd * v[piece])
    terms = np.log(weights) + points**2 + belongs @ there.log_p - 0.5 * v * v
    top = terms.max(axis=1, keepdims=True)
    share = np.exp(terms - top)
    total = share.sum(axis=1, keepdims=True)
    share /= total
    value = -(top + np.log(total)).sum() - np.log(scale).sum() + 0.5 * np.log(np.pi) * u.size

    slope = -(there.up + there.low)
    h_u = v - sd * (belongs @ slope)
    # how each piece's integral changes with its nodes' scale and centre
    by_scale = 1 / scale - np.sqrt(2) * (share * h_u) @ points
    by_centre = -(share * h_u).sum(axis=1) - 0.5 * by_scale * scale**3 * sd**3 * w_eta
    widen, shift = 0.5 * by_scale * scale**3, by_centre * scale**2

    row_share = share[piece]
    up = -(row_share * there.up).sum(axis=1) + (widen * sd**2)[piece] * rows.w_up - (shift * sd)[piece] * rows.g_up
    low = (
        -(row_share * there.low).sum(axis=1) + (widen * sd**2)[piece] * rows.w_low - (shift * sd)[piece] * rows.g_low
    )
    at_mode = -belongs @ (rows.up + rows.low)
    by_spread = (
        -(share * v * (belongs @ slope)).sum()
        + (widen * (2 * sd * weight + sd**2 * w_eta * u)).sum()
        + (shift * (sd * weight * u - at_mode)).sum()
    )
    return float(value), up, low, np.array([by_spread])
