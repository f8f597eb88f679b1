"""Variance components by restricted maximum likelihood, all algebra in the small space of the pieces.

The model is y = X b + sum_i Z_i u_i + e with independent u_i ~ N(0, s_i I) and e ~ N(0, s_e I). The restricted
likelihood (Patterson & Thompson 1971, Biometrika 58:545-554) is that of the readings with the fixed part projected
off. Let Q be an orthonormal basis of the fixed part and U one of what Z adds to it; then all it needs is T = Z'U,
r = U'y and the sum of squares outside both, e: in units of s_e the covariance on U is W = I + T'DT with D the ratios
s_i / s_e repeated for each piece, and

    Z'PZ = T W^-1 T',  Z'Py = T W^-1 r,  y'Py = e + r'W^-1 r.

Nothing is subtracted, so nothing cancels, and a step costs the cube of the number of pieces whatever the number of
rows or fixed effects. The components are found by Newton's method on the scale of the variances, not of their
logarithms, so that zero can be reached; the first step takes the expected information, later ones the observed
information where it is positive definite (Jennrich & Sampson 1976, Technometrics 18:11-17).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import lapack

CONVERGED = 1e-14
"""The Newton decrement g'J^-1 g below which a fit is at its optimum; in units of the log likelihood."""

MOST_STEPS = 200
RANK = 1e-11
"""Squared length, relative to the longest, below which a piece adds nothing to the space of the others."""

NO_RESIDUAL = 1e-11
"""Residual variance over total variance at which the residual counts as nil."""


KEPT_MEMORY = 1 << 24
"""Bytes; freed blocks up to this size stay with the process."""


def keep_freed_memory() -> None:
    """Have glibc keep freed blocks instead of handing each back to the system.

    It keeps blocks up to the size of the largest one freed so far (mallopt(3), M_MMAP_THRESHOLD). Without this the
    matrices of every step are mapped anew, page by page, which takes a third of the time of a fit with 250 pieces.
    The block asked for is never written to; with another C library nothing happens.
    """
    np.empty(KEPT_MEMORY, dtype=np.uint8)


keep_freed_memory()


class NoResidual(ArithmeticError):
    """The residual variance is zero: fixed part and pieces explain every difference between rows."""


@dataclass(frozen=True)
class Moments:
    """What the rows come down to.

    Attributes
    ----------
    cross : (p, q) Q'Z.
    loadings : (q + 1, d) T = Z'U, and beneath it r' = y'U.
    grams : (k, d, d) T_i'T_i of each random term's rows of T.
    outside : e, the sum of squares of y outside the fixed part and the pieces.
    total : its sum of squares outside the fixed part alone.
    free : rows less rank of the fixed part.
    starts : (k,) where each random term's pieces start among the q.
    sizes : (k,) how many pieces each has.
    members : (q, k) a one at each piece's own term.
    """

    cross: np.ndarray
    loadings: np.ndarray
    grams: np.ndarray
    outside: float
    total: float
    free: int
    starts: np.ndarray
    sizes: np.ndarray
    members: np.ndarray

    def spread(self, per_term: np.ndarray) -> np.ndarray:
        """Repeat a value a term for each of its pieces."""
        return np.repeat(per_term, self.sizes)

    def term_sums(self, per_piece: np.ndarray) -> np.ndarray:
        """Sum (q, ...) values of pieces by term."""
        if not len(self.sizes):
            return per_piece
        return np.add.reduceat(per_piece, self.starts, axis=0)


@dataclass(frozen=True)
class Factor:
    """The criterion at given ratios.

    Attributes
    ----------
    ratios : (k,) s_i / s_e.
    lower : (d, d) Cholesky factor of W.
    quadratic : y'Py.
    criterion : -2 log restricted likelihood less its constants, the residual variance profiled out.
    """

    ratios: np.ndarray
    lower: np.ndarray
    quadratic: float
    criterion: float


@dataclass(frozen=True)
class Point:
    """The criterion and its derivatives at given ratios, in units of the residual variance there.

    With P the projector of restricted likelihood at unit residual variance and G_i = Z_i Z_i':

    Attributes
    ----------
    ratios, criterion : as in `Factor`.
    residual : the profiled residual variance y'Py / (n - p).
    projected : (q, q) S = Z'PZ.
    scores : (q,) u = Z'Py.
    traces : (k,) tr(P G_i).
    norms : (k, k) tr(P G_i P G_j).
    squares : (k,) y'P G_i P y over the residual variance.
    bends : (k, k) y'P G_i P G_j P y over the residual variance.
    """

    ratios: np.ndarray
    criterion: float
    residual: float
    projected: np.ndarray
    scores: np.ndarray
    traces: np.ndarray
    norms: np.ndarray
    squares: np.ndarray
    bends: np.ndarray

    def curvature(self, *, expected: bool) -> tuple[np.ndarray, np.ndarray]:
        """Return twice the (k, k) information on the random terms, and (k,) theirs with the direction V."""
        if expected:
            return self.norms, self.traces
        return 2 * self.bends - self.norms, 2 * self.squares - self.traces

    def information(self, free: int, *, expected: bool) -> np.ndarray:
        """Return the (k+1, k+1) information on the components, at unit residual variance.

        The last row belongs to the direction V itself (all components growing together) instead of the residual
        alone: the same linear family, but without cancellation. In that basis tr(PVPV) = n - p.
        """
        corner, edge = self.curvature(expected=expected)
        result = np.empty((len(edge) + 1, len(edge) + 1))
        result[:-1, :-1], result[-1, :-1], result[:-1, -1], result[-1, -1] = corner, edge, edge, free
        return result / 2


@dataclass(frozen=True)
class Ground:
    """What the rows come down to before anything is read.

    Attributes
    ----------
    cross, grams, free, starts, sizes, members : as in `Moments`.
    codes : for each random term, (n,) the piece of each row, from 0.
    loadings : (q, d) T = Z'U.
    leading : (d,) the pieces whose rows of T are a triangle.
    corner : (d, d) that triangle, in their order.
    """

    cross: np.ndarray
    codes: tuple[np.ndarray, ...]
    loadings: np.ndarray
    leading: np.ndarray
    corner: np.ndarray
    grams: np.ndarray
    free: int
    starts: np.ndarray
    sizes: np.ndarray
    members: np.ndarray

    def moments(self, response: np.ndarray) -> Moments:
        """Add the readings: (n,), orthogonal to the fixed part."""
        scores = np.empty(len(self.loadings))
        for code, first, size in zip(self.codes, self.starts, self.sizes, strict=True):
            scores[first : first + size] = np.bincount(code, response, size)
        return self._read(scores, float(response @ response))

    def nothing_read(self) -> Point:
        """Return the point at which all components are zero as far as it does not depend on the readings.

        What does depend on them is as for one reading outside the fixed part and the pieces: see `first_point`.
        """
        blank = self._read(np.zeros(len(self.loadings)), 1.0)
        return differentiate(blank, factorise(blank, np.zeros(len(self.sizes))))

    def _read(self, scores: np.ndarray, total: float) -> Moments:
        along = np.zeros(0)
        if len(self.leading):
            along = lapack.dtrtrs(self.corner, scores[self.leading], lower=1)[0]
        loadings = np.vstack([self.loadings, along])
        outside = max(total - float(along @ along), 0.0)
        return Moments(
            self.cross, loadings, self.grams, outside, total, self.free, self.starts, self.sizes, self.members
        )


def moments(
    basis: np.ndarray, setting: np.ndarray, response: np.ndarray, codes: Sequence[np.ndarray], sizes: Sequence[int]
) -> Moments:
    """Sum the rows by piece.

    Parameters
    ----------
    basis : (c, p) orthonormal columns that span the fixed part, at each of its distinct settings.
    setting : (n,) the setting of each row, from 0.
    response : (n,) orthogonal to the basis.
    codes : for each random term, (n,) the piece of each row, from 0.
    sizes : for each random term, how many pieces.
    """
    return ground(basis, setting, codes, sizes).moments(response)


def ground(basis: np.ndarray, setting: np.ndarray, codes: Sequence[np.ndarray], sizes: Sequence[int]) -> Ground:
    """Sum by piece all but the readings; parameters as for `moments`."""
    rows, rank = len(setting), basis.shape[1]
    count = np.asarray(sizes, dtype=np.intp)
    starts = np.cumsum(count) - count
    pieces = int(count.sum())
    together, cross = np.empty((pieces, pieces)), np.empty((rank, pieces))
    for i, (code, first, size) in enumerate(zip(codes, starts, count, strict=True)):
        own = slice(first, first + size)
        cross[:, own] = _column_sums(basis, setting, code, size)
        for other, at, width in zip(codes[i:], starts[i:], count[i:], strict=True):
            shared = _counts(code, size, other, width)
            together[own, at : at + width] = shared
            together[at : at + width, own] = shared.T
    together -= cross.T @ cross
    loadings, leading, corner = _loadings(together)
    grams = np.empty((len(count), loadings.shape[1], loadings.shape[1]))
    for gram, first, size in zip(grams, starts, count, strict=True):
        part = loadings[first : first + size]
        gram[:] = part.T @ part
    members = np.repeat(np.eye(len(count)), count, axis=0)
    return Ground(cross, tuple(codes), loadings, leading, corner, grams, rows - rank, starts, count, members)


def _counts(first: np.ndarray, size: int, second: np.ndarray, width: int) -> np.ndarray:
    """Count the rows at every pair of two codes, (size, width)."""
    return np.bincount(first * width + second, minlength=size * width).reshape(size, width)


def _column_sums(basis: np.ndarray, setting: np.ndarray, code: np.ndarray, size: int) -> np.ndarray:
    """Sum the rows' columns by piece, (p, size): by way of counts while these are few."""
    if len(basis) * size <= 16 * len(code):
        return basis.T @ _counts(setting, len(basis), code, size)
    return np.array([np.bincount(code, column, size) for column in basis.T[:, setting]])


def _loadings(inner: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return T from Z'Z outside the fixed part, written over: a pivoted Cholesky factor, its leading rows, these."""
    if not len(inner):
        return np.zeros((0, 0)), np.zeros(0, dtype=np.intp), np.zeros((0, 0))
    tolerance = RANK * float(inner.diagonal().max())
    packed, order, rank, _ = lapack.dpstrf(inner.T, lower=1, tol=tolerance, overwrite_a=1)
    order = order - 1
    corner = np.tril(packed[:rank, :rank])
    loadings = np.empty((len(inner), rank))
    loadings[order[:rank]] = corner
    loadings[order[rank:]] = packed[rank:, :rank]
    return loadings, order[:rank], corner


def minimise(data: Moments, point: Point) -> Point:
    """Find the components at which the restricted likelihood is greatest, from a point where all are zero.

    Raises
    ------
    NoResidual
        When the residual variance is zero.
    ArithmeticError
        When no optimum is found, which has not been seen.
    """
    for step in range(MOST_STEPS):
        gain = point.squares - point.traces
        moving = (point.ratios > 0) | (gain > 0)
        if not moving.any():
            return point
        change, growth = _direction(point, data.free, moving, expected=step == 0)
        decrement = float(gain @ change) / 2
        if decrement < CONVERGED:
            return point
        better = _search(data, point, change / max(growth, 0.05))
        if better is None:
            if decrement < 1e-8:  # the criterion's own rounding hides what is left
                return point
            break
        point = differentiate(data, better)
    raise ArithmeticError("the restricted likelihood has no maximum that could be found")


def _direction(point: Point, free: int, moving: np.ndarray, *, expected: bool) -> tuple[np.ndarray, float]:
    """Return the (k,) Newton change of the components and the factor by which all of V changes."""
    gain = (point.squares - point.traces)[moving]
    for use_expected in (True,) if expected else (False, True):
        corner, edge = point.curvature(expected=use_expected)
        corner, edge = corner[moving][:, moving], edge[moving]
        _, solved, failed = lapack.dposv(corner - edge[:, None] * edge / free, gain)
        if not failed:
            break
    change = np.zeros(len(moving))
    change[moving] = solved
    return change, 1 - float(edge @ solved) / free


def _search(data: Moments, point: Point, change: np.ndarray) -> Factor | None:
    """Halve the step until the criterion falls; a component stops at zero."""
    length = 1.0
    while length > 1e-10:
        tried = factorise(data, np.maximum(point.ratios + length * change, 0.0))
        if tried.criterion < point.criterion:
            return tried
        length /= 2
    return None


def factorise(data: Moments, ratios: np.ndarray) -> Factor:
    """Return the Cholesky factor of W, and the criterion.

    Raises
    ------
    NoResidual
        When the residual variance is zero.
    """
    size = data.loadings.shape[1]
    inside = (ratios @ data.grams.reshape(len(ratios), size * size)).reshape(size, size)
    inside.flat[:: len(inside) + 1] += 1.0
    solved, log_det = data.loadings[-1], 0.0
    if ratios.any():
        inside = lapack.dpotrf(inside.T, lower=1, clean=1, overwrite_a=1)[0]
        solved = lapack.dtrtrs(inside, solved, lower=1)[0]
        log_det = 2 * float(np.log(inside.diagonal()).sum())
    quadratic = data.outside + float(solved @ solved)
    if quadratic <= NO_RESIDUAL * data.total:
        raise NoResidual
    return Factor(ratios, inside, quadratic, log_det + data.free * float(np.log(quadratic / data.free)))


def first_point(data: Moments, unread: Point) -> Point:
    """Return the point at which all components are zero, from what `Ground.nothing_read` knows of it."""
    residual = data.total / data.free
    scores = data.loadings[:-1] @ data.loadings[-1]
    criterion = data.free * float(np.log(residual))
    squares, bends = _in_scores(data, unread.projected, scores, residual)
    return replace(unread, criterion=criterion, residual=residual, scores=scores, squares=squares, bends=bends)


def differentiate(data: Moments, factor: Factor) -> Point:
    """Return the derivatives of the criterion."""
    residual = factor.quadratic / data.free
    known = data.loadings.T
    if factor.ratios.any():
        # not solved with all at once: OpenBLAS sets threads to that however little it is, which takes far longer
        known = lapack.dtrtri(factor.lower, lower=1)[0] @ known
    products = known.T @ known
    projected, scores = products[:-1, :-1], products[-1, :-1]
    squares, bends = _in_scores(data, projected, scores, residual)
    return Point(
        ratios=factor.ratios,
        criterion=factor.criterion,
        residual=residual,
        projected=projected,
        scores=scores,
        traces=data.term_sums(projected.diagonal()),
        norms=data.members.T @ (projected * projected) @ data.members,
        squares=squares,
        bends=bends,
    )


def _in_scores(
    data: Moments, projected: np.ndarray, scores: np.ndarray, residual: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return the (k,) squares and (k, k) bends of a `Point`."""
    by_term = data.members * scores[:, None]
    return scores @ by_term / residual, by_term.T @ (projected @ by_term) / residual
