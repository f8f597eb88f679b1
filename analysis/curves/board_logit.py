"""Logistic regression of counts with a random shift for each board, by maximum likelihood.

The likelihood of a board is averaged over its shift by the trapezium rule on a fixed fine grid, which for smooth
integrands is as good as exact and has an exact slope. The risk that is held in a profile is the one over all boards,
not that of the average board: with c(p, s) the shift-free predictor at which a share p of all boards' readings shows,
``intercept + slope * ln x = c(p, s)``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import expit, log_expit, logit

from analysis.curves.logit import Counts

_GRID = np.linspace(-6.5, 6.5, 121)
_LOG_WEIGHTS = -(_GRID**2) / 2 - np.log(2 * np.pi) / 2 + np.log(_GRID[1] - _GRID[0])
STEEPEST = 12.0
"""The greatest slope on ln x, at which a risk of 1 in 10 becomes one of 9 in 10 while x grows by 1.44 times.

Boards that each turn all at once, but not at the same x, would be fitted ever better by ever steeper curves.
"""
_WIDEST = 15.0


@dataclass(frozen=True)
class BoardFit:
    """Estimates at an optimum.

    Attributes
    ----------
    effects : (p,) the effects, for a board without a shift.
    spread : standard deviation of the boards' shifts, on the logit scale.
    loglik : log-likelihood without the binomial coefficients.
    """

    effects: np.ndarray
    spread: float
    loglik: float


def fit(counts: Counts, boards: np.ndarray, start: np.ndarray) -> BoardFit:
    """Fit all effects and the boards' spread.

    Parameters
    ----------
    boards : (n,) the board of each row, from 0.
    start : (p,) effects to start from. The last is the slope on ln x, kept from 0 to `STEEPEST`.
    """

    def value(free: np.ndarray) -> tuple[float, np.ndarray]:
        loglik, slope, by_spread = _loglik(counts, boards, free[:-1], free[-1])
        return -loglik, -np.append(slope, by_spread)

    free, least = _least(value, [np.append(start * (1 + spread), spread) for spread in (0.3, 1.0, 3.0)])
    return BoardFit(free[:-1], float(free[-1]), -least)


def profile(
    counts: Counts, boards: np.ndarray, intercept: int, risk: float, whole: BoardFit
) -> Callable[[float], float]:
    """Return the greatest log-likelihood as a function of the ln x at which a group reaches a risk over all boards.

    Parameters
    ----------
    intercept : the column of the group's intercept; the last column is the slope, from 0 to `STEEPEST`.
    whole : the fit without anything held. Each search starts there, and where the last one ended.
    """
    width = counts.design.shape[1]
    others = [column for column in range(width) if column != intercept]
    best = np.append(whole.effects[others], whole.spread)
    last = best

    def value(free: np.ndarray, log_x: float) -> tuple[float, np.ndarray]:
        effects = np.zeros(width)
        effects[others] = free[:-1]
        middle, middle_by_spread = predictor_of(risk, free[-1])
        effects[intercept] = middle - effects[-1] * log_x
        loglik, slope, by_spread = _loglik(counts, boards, effects, free[-1])
        slope_free = slope[others]
        slope_free[-1] -= slope[intercept] * log_x
        return -loglik, -np.append(slope_free, by_spread + slope[intercept] * middle_by_spread)

    def greatest(log_x: float) -> float:
        nonlocal last
        last, least = _least(lambda free: value(free, log_x), [last, best])
        return -least

    return greatest


def predictor_of(risk: float, spread: float) -> tuple[float, float]:
    """Return the shift-free predictor at which a share `risk` of all boards' readings shows, and its derivative."""
    weights, shifts = np.exp(_LOG_WEIGHTS), spread * _GRID
    middle = float(logit(risk) * np.sqrt(1 + 0.346 * spread**2))
    for _ in range(60):
        chance = expit(middle + shifts)
        density = chance * (1 - chance)
        step = (weights @ chance - risk) / (weights @ density)
        middle -= float(np.clip(step, -1.0, 1.0))
        if abs(step) < 1e-11:
            break
    chance = expit(middle + shifts)
    density = chance * (1 - chance)
    return middle, float(-(weights @ (density * _GRID)) / (weights @ density))


def chances_of(predictors: np.ndarray, spread: float) -> np.ndarray:
    """Return the share of all boards' readings that shows at each of (n,) shift-free predictors."""
    if spread == 0:
        return np.asarray(expit(predictors))
    return np.asarray(expit(predictors[:, None] + spread * _GRID) @ np.exp(_LOG_WEIGHTS))


def _loglik(
    counts: Counts, boards: np.ndarray, effects: np.ndarray, spread: float
) -> tuple[float, np.ndarray, float]:
    """Return the log-likelihood, and its derivatives by the effects and by the spread."""
    eta = (counts.design @ effects)[:, None] + spread * _GRID
    log_chance = log_expit(eta)
    rows = counts.trials[:, None] * (log_chance - eta) + counts.yes[:, None] * eta
    by_board = (np.arange(boards.max() + 1)[:, None] == boards) @ rows
    by_board += _LOG_WEIGHTS
    peak = by_board.max(axis=1, keepdims=True)
    total = np.exp(by_board - peak).sum(axis=1, keepdims=True)
    shares = np.exp(by_board - peak) / total
    left = (counts.yes[:, None] - counts.trials[:, None] * np.exp(log_chance)) * shares[boards]
    loglik = float((peak + np.log(total)).sum())
    return loglik, counts.design.T @ left.sum(axis=1), float((left @ _GRID).sum())


def _least(
    value: Callable[[np.ndarray], tuple[float, np.ndarray]], starts: list[np.ndarray]
) -> tuple[np.ndarray, float]:
    """Return where a function is least and how small it is there; the slope and the spread, last, have bounds."""
    from scipy.optimize import minimize

    bounds = [(None, None)] * (len(starts[0]) - 2) + [(0.0, STEEPEST), (0.0, _WIDEST)]
    fine = {"ftol": 1e-15, "gtol": 1e-8, "maxiter": 2000}
    found = [minimize(value, start, jac=True, method="L-BFGS-B", bounds=bounds, options=fine) for start in starts]
    best = min(found, key=lambda one: float(one.fun))
    return np.asarray(best.x), float(best.fun)
