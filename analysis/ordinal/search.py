"""The search for the maximum of a cumulative-link model's likelihood.

Without random terms Newton's method finds it, the log-likelihood being concave. With them, quasi-Newton
steps go near, and Newton's method with second derivatives by differences of the exact gradient finishes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import logit, ndtri

from analysis.ordinal.likelihood import (
    Graded,
    Objective,
    Pull,
    at_rows,
    brief_rows,
    by_threshold,
    curvature,
    edges,
    find_modes,
    first_variances,
    full_rows,
    inverse_parts,
)


@dataclass(frozen=True)
class Optimum:
    """Where the likelihood is largest.

    Attributes
    ----------
    thresholds, coefficients, spreads : (K - 1,), (p,), (r,) estimates; spreads are standard deviations.
    hessian : of minus the (penalised) log-likelihood, in the three of them in turn.
    loglik : log-likelihood, without any penalty.
    effects, effect_sd : (q,) modes of the random effects, and their standard deviations given the estimates.
    converged : whether a step from here would gain nothing.
    """

    thresholds: np.ndarray
    coefficients: np.ndarray
    spreads: np.ndarray
    hessian: np.ndarray
    loglik: float
    effects: np.ndarray
    effect_sd: np.ndarray
    converged: bool


def maximise(graded: Graded, pull: Pull | None = None, start: Optimum | None = None) -> Optimum:
    """Find the maximum of the (penalised) log-likelihood; `start` is the fit without random terms, if known."""
    fixed = start or maximise_fixed(graded, pull)
    return fixed if not graded.crossing.sizes.size else _maximise_mixed(graded, pull, fixed)


# --- no random term: Newton's method ---------------------------------------------------------------


def maximise_fixed(graded: Graded, pull: Pull | None = None) -> Optimum:
    """Find the maximum without random terms; the log-likelihood is concave (Pratt 1981, JASA 76:103-106)."""
    grade, matrix = graded.grade, graded.matrix
    share = np.cumsum(np.bincount(grade))[:-1] / grade.size
    cut = share.size
    psi = np.concatenate([(logit if graded.link == "logit" else ndtri)(share), np.zeros(matrix.shape[1])])
    value, gradient, hessian = _fixed_terms(graded, pull, psi)
    converged = False
    for _ in range(60):
        try:
            step = -np.linalg.solve(hessian, gradient)
        except np.linalg.LinAlgError:
            break
        decrement = -gradient @ step
        if not np.isfinite(decrement) or decrement < 0:
            break
        size = 1.0
        new = _fixed_terms(graded, pull, psi + step)
        while not new[0] <= value + 1e-13 * abs(value) and size > 1e-6:
            size /= 2
            new = _fixed_terms(graded, pull, psi + size * step)
        if size <= 1e-6:
            break
        psi = psi + size * step
        value, gradient, hessian = new
        if decrement < 1e-16 * max(1.0, abs(value)):
            converged = True
            break
    thresholds, coefficients = psi[:cut], psi[cut:]
    loglik = -value + (0.5 * coefficients @ pull.matrix @ coefficients if pull else 0.0)
    none = np.empty(0)
    return Optimum(thresholds, coefficients, none, hessian, float(loglik), none, none, converged)


def _fixed_terms(graded: Graded, pull: Pull | None, psi: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
    """Return minus the log-likelihood, its gradient and its second derivatives."""
    grade, matrix = graded.grade, graded.matrix
    cut = psi.size - matrix.shape[1]
    thresholds, coefficients = psi[:cut], psi[cut:]
    if (np.diff(thresholds) <= 0).any():
        return np.inf, psi, np.eye(psi.size)
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        rows = full_rows(graded.link, edges(thresholds), grade, matrix @ coefficients)
    value = -rows.log_p.sum()
    gradient = np.concatenate([-by_threshold(grade, rows.up, rows.low), matrix.T @ (rows.up + rows.low)])
    hessian = np.empty((psi.size, psi.size))
    hessian[:cut, :cut] = np.diag(by_threshold(grade, rows.g_up + rows.cross, rows.g_low + rows.cross))
    between = np.arange(cut - 1)
    beside = np.bincount(grade, rows.cross)[1:-1]
    hessian[between, between + 1] = hessian[between + 1, between] = -beside
    is_grade = (grade[:, None] == np.arange(cut + 1)).astype(float)
    mixed = -(is_grade[:, :-1].T @ (rows.g_up[:, None] * matrix) + is_grade[:, 1:].T @ (rows.g_low[:, None] * matrix))
    hessian[:cut, cut:], hessian[cut:, :cut] = mixed, mixed.T
    hessian[cut:, cut:] = matrix.T @ (rows.weight[:, None] * matrix)
    if pull:
        value += 0.5 * coefficients @ pull.matrix @ coefficients
        gradient[cut:] += pull.matrix @ coefficients
        hessian[cut:, cut:] += pull.matrix
    return float(value), gradient, hessian


def is_suspect(fitted: Optimum) -> bool:
    """Whether an estimate is so far out, or so loose, that the readings may set no limit to it.

    Judged for predictors of unit variance: beyond 8, or in some direction with a standard error above 10.
    """
    if not fitted.converged or (np.abs(fitted.coefficients) > 8).any():
        return True
    return bool(np.linalg.eigvalsh(fitted.hessian)[0] < 10.0**-2)


def endless_direction(graded: Graded) -> np.ndarray | None:
    """Find (p,) a direction in which the coefficients can grow for ever and no row becomes less likely.

    Such a direction exists or not by linear programming over thresholds and coefficients (Albert and
    Anderson 1984, Biometrika 71:1-10, on when it does). Random terms neither make nor mend one.
    """
    from scipy.optimize import linprog

    grade, matrix = graded.grade, graded.matrix
    cut = int(grade.max())
    is_grade = (grade[:, None] == np.arange(cut + 1)).astype(float)
    to_upper = np.hstack([is_grade[:, :-1], -matrix])[grade < cut]
    to_lower = np.hstack([-is_grade[:, 1:], matrix])[grade > 0]
    room = np.vstack([to_upper, to_lower])
    found = linprog(-room.sum(axis=0), A_ub=-room, b_ub=np.zeros(len(room)), bounds=(-1, 1), method="highs")
    return found.x[cut:] if found.status == 0 and -found.fun > 1e-6 else None


# --- random terms: the search ----------------------------------------------------------------------


def _maximise_mixed(graded: Graded, pull: Pull | None, fixed: Optimum) -> Optimum:
    """Search by quasi-Newton steps from the fit without random terms, then finish by Newton's method."""
    objective = Objective(graded, pull)
    sizes = graded.crossing.sizes
    first, second = (0.7, 0.35) if graded.link == "logit" else (0.4, 1.0)
    spreads = np.full(sizes.size, first)
    stretch = np.sqrt(1 + second * (spreads**2).sum())  # a mixed model's estimates are larger by about this
    psi = np.concatenate([stretch * fixed.thresholds, stretch * fixed.coefficients, spreads])
    inverse = np.zeros((psi.size, psi.size))
    inverse[: -sizes.size, : -sizes.size] = stretch**2 * np.linalg.pinv(fixed.hessian, hermitian=True)
    inverse[np.arange(-sizes.size, 0), np.arange(-sizes.size, 0)] = 1 / (1.0 + sizes)

    psi = quasi_newton(objective, psi, inverse)
    psi = _set_to_zero(objective, psi)
    psi, hessian, converged = newton(objective, psi)

    thresholds, coefficients, spreads = objective.split(psi)
    value = objective(psi)[0]
    extra = objective.penalty(coefficients, spreads)[0]
    effects, effect_sd = _effects(graded, objective, psi)
    turn = np.concatenate([np.ones(objective.cuts[1]), np.where(spreads < 0, -1.0, 1.0)])
    back = np.argsort(graded.crossing.order)  # from largest first to the order the terms were given in
    places = np.concatenate([np.arange(objective.cuts[1]), objective.cuts[1] + back])
    pieces = np.concatenate([np.split(np.arange(sizes.sum()), np.cumsum(sizes)[:-1])[at] for at in back])
    return Optimum(
        thresholds,
        coefficients,
        np.abs(spreads)[back],
        (hessian * np.outer(turn, turn))[np.ix_(places, places)],
        float(extra - value),
        effects[pieces],
        effect_sd[pieces],
        converged,
    )


def quasi_newton(
    objective: Callable[[np.ndarray], tuple[float, np.ndarray]], psi: np.ndarray, inverse: np.ndarray
) -> np.ndarray:
    """Go downhill by BFGS steps (Nocedal and Wright 2006, chapter 6) until next to nothing is to be had."""
    value, gradient = objective(psi)
    for _ in range(200):
        step = -inverse @ gradient
        promised = -gradient @ step
        if not promised > 1e-10:
            break
        size = min(1.0, 2.0 / np.abs(step).max())
        new_value, new_gradient = objective(psi + size * step)
        while not new_value <= value - 1e-4 * size * promised and size > 1e-8:
            size /= 3
            new_value, new_gradient = objective(psi + size * step)
        if size <= 1e-8:
            break
        moved, change = size * step, new_gradient - gradient
        along = moved @ change
        if along > 1e-12:
            carried = inverse @ change
            inverse = (
                inverse
                + np.outer(moved, moved) * ((along + change @ carried) / along**2)
                - (np.outer(carried, moved) + np.outer(moved, carried)) / along
            )
        psi, value, gradient = psi + moved, new_value, new_gradient
    return psi


def _set_to_zero(objective: Objective, psi: np.ndarray) -> np.ndarray:
    """Put at zero every standard deviation that does no good above it."""
    value = objective(psi)[0]
    for at in range(objective.cuts[1], psi.size):
        if abs(psi[at]) < 0.1:
            trial = psi.copy()
            trial[at] = 0.0
            if objective(trial)[0] <= value + 1e-9:
                psi = trial
    return psi


def newton(objective: Objective, psi: np.ndarray) -> tuple[np.ndarray, np.ndarray, bool]:
    """Finish by Newton's method; a standard deviation at zero stays there.

    Returns
    -------
    The parameters, the (d, d) second derivatives there, and whether the search has converged.
    """
    free = np.ones(psi.size, dtype=bool)
    free[objective.cuts[1] :] = psi[objective.cuts[1] :] != 0
    value, gradient = objective(psi)
    hessian = np.eye(psi.size)
    for _ in range(8):
        hessian = difference_hessian(objective, psi)
        if not np.isfinite(hessian).all():
            break
        inverse = _downhill_inverse(hessian[np.ix_(free, free)])
        travelled = np.zeros(int(free.sum()))
        for _ in range(12):  # steps with the same second derivatives
            step = -inverse @ gradient[free]
            trial = psi.copy()
            trial[free] += step
            new_value, new_gradient = objective(trial)
            is_better = new_value <= value + 1e-10 * max(1.0, abs(value))
            if _length(gradient[free], inverse) < 1e-10 or not is_better:
                break
            travelled += step
            psi, value, gradient = trial, new_value, new_gradient
        is_still = (np.abs(travelled) < 1e-4 * np.sqrt(np.diag(inverse))).all()
        if _length(gradient[free], inverse) < 1e-7 and is_still:
            return psi, hessian, bool(np.linalg.eigvalsh(hessian[np.ix_(free, free)])[0] > 0)
        if not travelled.any():
            break
    return psi, hessian, False


def _length(gradient: np.ndarray, inverse: np.ndarray) -> float:
    """Return the length of the Newton step in standard errors."""
    return float(np.sqrt(gradient @ inverse @ gradient))


def difference_hessian(objective: Objective, psi: np.ndarray) -> np.ndarray:
    """Return second derivatives by central differences of the gradient."""
    gaps = np.diff(objective.split(psi)[0])
    step = min(1e-4, 0.2 * gaps.min()) if gaps.size else 1e-4
    columns = []
    for at in range(psi.size):
        ahead, behind = psi.copy(), psi.copy()
        ahead[at] += step
        behind[at] -= step
        columns.append((objective(ahead)[1] - objective(behind)[1]) / (2 * step))
    hessian = np.array(columns)
    return (hessian + hessian.T) / 2


def _downhill_inverse(hessian: np.ndarray) -> np.ndarray:
    """Invert second derivatives, a direction that curves down being taken as curving up."""
    roots, vectors = np.linalg.eigh(hessian)
    return (vectors / np.maximum(np.abs(roots), 1e-8)) @ vectors.T


def _effects(graded: Graded, objective: Objective, psi: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the random effects' modes and their standard deviations given the estimates."""
    thresholds, coefficients, spreads = objective.split(psi)
    crossing, at = graded.crossing, edges(thresholds)
    scale = np.repeat(spreads, crossing.sizes)
    eta = graded.matrix @ coefficients
    u = find_modes(graded, at, eta, spreads, objective.modes)
    weight = brief_rows(graded.link, at, graded.grade, eta + at_rows(crossing, scale * u))[2]
    h = curvature(crossing, weight, spreads)
    inverse, tall = inverse_parts(h)
    variances = np.concatenate([first_variances(h, tall), np.diag(inverse)])
    return scale * u, np.abs(scale) * np.sqrt(variances)
