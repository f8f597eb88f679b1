"""Logistic regression of counts, by maximum likelihood or with Firth's penalty, any effects held on a line.

Firth (1993, Biometrika 80:27-38) adds half the log determinant of the information, by which estimates stay finite
where the readings separate; limits are taken from the penalised profile, never from standard errors (Heinze and
Schemper 2002, Statistics in Medicine 21:2409-2419). The penalty is that of all effects, also of those held.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.special import expit, log_expit

SEARCH = 60
"""Steps of Fisher's scoring, which creeps where effects are held far off, before another search takes over."""
CLOSE = 1e-10
"""The largest slope of the (penalised) log-likelihood at an optimum."""
LOOSE = 1e-5
"""The same for the other search, beyond which it did not arrive: some 1e-10 of the log-likelihood."""
_SPAN = 64.0
"""How far from the estimate, in ln x, a profile is followed before its limit is called infinite."""


@dataclass(frozen=True)
class Counts:
    """The readings: (n, p) design, (n,) how many showed it, (n,) of how many."""

    design: np.ndarray
    yes: np.ndarray
    trials: np.ndarray


@dataclass(frozen=True)
class Fit:
    """Estimates at an optimum.

    Attributes
    ----------
    effects : (p,) all effects, those held included.
    covariance : (p, p) the inverse of the information of all effects, without the penalty.
    loglik : log-likelihood without the binomial coefficients, with the penalty where it was used.
    """

    effects: np.ndarray
    covariance: np.ndarray
    loglik: float


def fit(
    counts: Counts,
    *,
    firth: bool = False,
    along: np.ndarray | None = None,
    base: np.ndarray | None = None,
    start: np.ndarray | None = None,
) -> Fit:
    """Find the effects of greatest likelihood.

    Parameters
    ----------
    firth : whether to add Firth's penalty.
    along, base : (p, q) and (p,): the effects are ``along @ free + base``. Free altogether if not given.
    start : (q,) the free effects to start from.

    Raises
    ------
    ValueError
        The search did not end: the readings separate and no penalty was asked for, or the design is singular.
    """
    width = counts.design.shape[1]
    along = np.eye(width) if along is None else along
    base = np.zeros(width) if base is None else base
    free = np.zeros(along.shape[1]) if start is None else start
    at = _stand(counts, along @ free + base, firth=firth)
    for _ in range(SEARCH):
        slope = along.T @ at.slope
        if np.abs(slope).max(initial=0.0) < CLOSE:
            break
        step = np.linalg.solve(along.T @ at.information @ along, slope)
        step *= min(1.0, 4 / np.abs(step).max())
        size, further = 1.0, _stand(counts, along @ (free + step) + base, firth=firth)
        while not further.loglik >= at.loglik - 1e-12 and size > 1e-6:
            size /= 2
            further = _stand(counts, along @ (free + size * step) + base, firth=firth)
        if size <= 1e-6:
            break
        free, at = free + size * step, further
    if np.abs(along.T @ at.slope).max(initial=0.0) > 1e-8:
        at = _otherwise(counts, along, base, free, firth=firth)
    return Fit(at.effects, np.linalg.inv(at.information), at.loglik)


@dataclass(frozen=True)
class _Standing:
    effects: np.ndarray
    loglik: float
    slope: np.ndarray
    information: np.ndarray


def _stand(counts: Counts, effects: np.ndarray, *, firth: bool) -> _Standing:
    design, yes, trials = counts.design, counts.yes, counts.trials
    eta = design @ effects
    chance = expit(eta)
    weight = trials * chance * expit(-eta)
    information = design.T @ (design * weight[:, None])
    loglik = float(yes @ log_expit(eta) + (trials - yes) @ log_expit(-eta))
    left = yes - trials * chance
    if firth:
        sign, log_volume = np.linalg.slogdet(information)
        if sign <= 0:
            return _Standing(effects, -np.inf, np.zeros_like(effects), information)
        pull = weight * np.einsum("ij,ij->i", design @ np.linalg.inv(information), design)
        loglik += float(log_volume) / 2
        left = left + pull * (0.5 - chance)
    return _Standing(effects, loglik, design.T @ left, information)


def _otherwise(counts: Counts, along: np.ndarray, base: np.ndarray, free: np.ndarray, *, firth: bool) -> _Standing:
    """Go on by a quasi-Newton search."""
    from scipy.optimize import minimize

    def value(at: np.ndarray) -> tuple[float, np.ndarray]:
        here = _stand(counts, along @ at + base, firth=firth)
        return -here.loglik, -(along.T @ here.slope)

    found = minimize(value, free, jac=True, method="BFGS", options={"gtol": 1e-9, "maxiter": 2000})
    if np.abs(found.jac).max() > LOOSE:
        raise ValueError("the search for the effects did not end")
    return _stand(counts, along @ found.x + base, firth=firth)


def separates(counts: Counts) -> bool:
    """Whether some direction of the effects fits all readings ever better, completely or in part.

    A linear programme: of all directions that push no reading the wrong way, is there one that pushes any the right
    way (Albert and Anderson 1984, Biometrika 71:1-10, for what it means)? Readings of both kinds in one row allow
    neither way.
    """
    from scipy.optimize import linprog

    all_yes, none = counts.yes == counts.trials, counts.yes == 0
    pushes = counts.design * np.where(all_yes, 1.0, -1.0)[:, None]
    one_way, both = pushes[all_yes | none], counts.design[~(all_yes | none)]
    if not len(one_way):
        return False
    found = linprog(
        -one_way.sum(axis=0), A_ub=-one_way, b_ub=np.zeros(len(one_way)),
        A_eq=both if len(both) else None, b_eq=np.zeros(len(both)) if len(both) else None, bounds=(-1, 1),
    )  # fmt: skip
    return bool(-found.fun > 1e-7)


def limit(drop: Callable[[float], float], estimate: float, towards: float, step: float, fine: float = 1e-11) -> float:
    """Follow a profile from its estimate until the likelihood has dropped enough.

    Parameters
    ----------
    drop : twice the loss of log-likelihood at a value, less what is allowed; below nought at the estimate.
    towards : -1 or 1.
    step : how far to look first; doubled until beyond the limit.
    fine : how closely the limit is found.

    Returns
    -------
    The limit, or an infinity where the profile does not close within 64 to that side.
    """
    from scipy.optimize import brentq

    @cache
    def at(reach: float) -> float:
        return drop(estimate + towards * reach)

    near, far = 0.0, max(step, 1e-3)
    while at(far) < 0:
        if far >= _SPAN:
            return towards * np.inf
        near, far = far, min(2 * far, _SPAN)
    found = brentq(at, near, far, xtol=fine, rtol=1e-12)
    return float(estimate + towards * found)
