"""Logistic curves on ln x of boards that differ: what the readings leave open, by Bayes' rule on a grid.

A board's curve has the shared slope b and stands at a ln x of its own, normal about its group's middle with standard
deviation t; b t is then the spread of the log odds. What is asked for is the ln x at which a share p of all boards'
looks shows: ``middle + c(p, b t) / b``, with c as `predictor_of` has it.

Maximum likelihood with its chi-square misses that ln x too often where boards are few, for it takes them as alike
whenever chance lets them look so. Here slope and spread are weighed by how well they explain the readings and by what
is likely beforehand (`SLOPE`, `SPREAD`: working values, under which limits of made-up trials hold what they should,
see ``tests/benchmarks/bench_curves.py``); middles are all as likely on the scale of ln x. Readings that separate need
nothing of their own then.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import expit, log_expit, logit

SLOPE = (4.0, 1.0)
"""Of the slope beforehand: median, standard deviation of its logarithm. With 4, 1 in 10 is 9 in 10 when x trebles."""
SPREAD = (0.5, 2.0)
"""Of boards' standard deviation in ln x beforehand: scale of a half Cauchy, and where that is cut off."""
REACH = 20.0
"""How many times beyond the least and the greatest x a limit is sought."""
_GRID = np.linspace(-6.5, 6.5, 121)
_WEIGHTS = np.exp(-(_GRID**2) / 2) / np.exp(-(_GRID**2) / 2).sum()
_SLOPES = np.geomspace(0.4, 40.0, 40)
_SPREADS = SPREAD[0] * np.tan(np.arctan(SPREAD[1] / SPREAD[0]) * (np.arange(16) + 0.5) / 16)
"""All as likely as each other."""
_WIDEST = 15.0
"""The greatest spread of log odds that is looked at."""
_STEP = 0.04


@dataclass(frozen=True)
class Looks:
    """(n,) ln x, how many showed it, of how many, and the number of the board; (boards,) the group of each."""

    log_x: np.ndarray
    yes: np.ndarray
    trials: np.ndarray
    board: np.ndarray
    group: np.ndarray


@dataclass(frozen=True)
class Posterior:
    """What is known of the curves after the readings.

    Attributes
    ----------
    slope : on ln x, its middle value.
    spread : standard deviation of boards in the log odds, its middle value.
    quantiles : (groups, k) ln x at which each group reaches the share asked for, at each probability asked for.
    """

    slope: float
    spread: float
    quantiles: np.ndarray


def posterior(looks: Looks, share: float, probabilities: Sequence[float]) -> Posterior:
    """Weigh slopes, spreads and middles by the readings.

    Parameters
    ----------
    looks : at two or more x, each board of one group, groups numbered from 0.
    share : of all boards' looks, e.g. 0.1.
    probabilities : k of them, e.g. 0.025, 0.5 and 0.975.
    """
    least, most = float(looks.log_x.min() - np.log(REACH)), float(looks.log_x.max() + np.log(REACH))
    by_group = np.zeros((int(looks.group.max()) + 1, len(_SPREADS), _steps(least, most), len(_SLOPES)))
    for board, group in enumerate(looks.group):
        rows = np.column_stack([looks.log_x, looks.yes, looks.trials])[looks.board == board]
        by_group[group] += _of_board(tuple(map(tuple, rows.tolist())), least, most)
    by_group = np.exp(by_group - by_group.max(axis=(1, 2, 3), keepdims=True))
    totals, before = by_group.sum(axis=2), _beforehand()
    middles = least + _STEP * np.arange(by_group.shape[2])
    asked = middles[None, :, None] + _offsets(share)[:, None, :]
    quantiles = []
    for group, one in enumerate(by_group):
        others = before * np.delete(totals, group, axis=0).prod(axis=0)
        quantiles.append(_quantiles(asked, one * others[:, None, :], probabilities))
    together = before * totals.prod(axis=0)
    (slope,) = np.exp(_quantiles(np.broadcast_to(np.log(_SLOPES), together.shape), together, [0.5]))
    (wide,) = _quantiles(_SPREADS[:, None] * _SLOPES, together, [0.5])
    return Posterior(float(slope), float(wide), np.array(quantiles))


def predictor_of(risk: float, spread: float) -> float:
    """Return the log odds of the middle board at which a share `risk` of all boards' looks shows."""
    shifts = spread * _GRID
    middle = float(logit(risk) * np.sqrt(1 + 0.346 * spread**2))
    for _ in range(60):
        chance = expit(middle + shifts)
        step = float((_WEIGHTS @ chance - risk) / (_WEIGHTS @ (chance * (1 - chance))))
        middle -= float(np.clip(step, -1.0, 1.0))
        if abs(step) < 1e-11:
            break
    return middle


def chances_of(predictors: np.ndarray, spread: float) -> np.ndarray:
    """Return the share of all boards' looks that shows at each of (n,) log odds of the middle board."""
    return np.asarray(expit(predictors[:, None] + spread * _GRID) @ _WEIGHTS)


def _steps(least: float, most: float) -> int:
    return int((most - least) / _STEP) + 1


@lru_cache(maxsize=64)
def _of_board(rows: tuple[tuple[float, ...], ...], least: float, most: float) -> np.ndarray:
    """Return the log likelihood of a board's looks, averaged over where it stands about its group's middle.

    Parameters
    ----------
    rows : ln x, how many showed it, of how many.
    least, most : the middles looked at.

    Returns
    -------
    (spreads, middles, slopes), at most 0.
    """
    beyond = round(2 * SPREAD[1] / _STEP)
    places = least + _STEP * np.arange(-beyond, _steps(least, most) + beyond)
    logs = np.zeros((len(places), len(_SLOPES)))
    for log_x, yes, trials in rows:
        eta = _SLOPES * (log_x - places)[:, None]
        logs += trials * log_expit(-eta) + yes * eta
    likely = np.exp(logs - logs.max())
    found = []
    for spread in _SPREADS:
        away = (places[beyond:-beyond, None] - places) / spread
        kernel = np.exp(-(away**2) / 2)
        found.append(np.log(np.maximum(kernel @ likely / kernel.sum(axis=1, keepdims=True), 1e-300)))
    return np.array(found, dtype=np.float32)


@lru_cache(maxsize=8)
def _offsets(share: float) -> np.ndarray:
    """Return how far the ln x asked for lies from a group's middle, (spreads, slopes)."""
    wide = np.minimum(_SPREADS[:, None] * _SLOPES, _WIDEST)
    return np.array([[predictor_of(share, one) for one in row] for row in wide]) / _SLOPES


def _beforehand() -> np.ndarray:
    """Return what is likely beforehand, (spreads, slopes)."""
    median, deviation = SLOPE
    slopes = np.exp(-((np.log(_SLOPES / median) / deviation) ** 2) / 2)
    return np.where(_SPREADS[:, None] * _SLOPES > _WIDEST, 0.0, slopes)


def _quantiles(values: np.ndarray, weights: np.ndarray, probabilities: Sequence[float]) -> np.ndarray:
    """Return quantiles of weighted values, to a two-thousandth of their range and nearer."""
    mass, edges = np.histogram(values, 2000, weights=weights)
    below = np.append(0.0, np.cumsum(mass)) / mass.sum()
    return np.asarray(np.interp(probabilities, below, edges))
