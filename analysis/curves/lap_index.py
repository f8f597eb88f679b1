"""Measured laps: how much of a full double coat an edge shows after a wait, and when it shows a stated part.

The lap index is the step in lightness at the overlap as a share of the step of an edge that has set. It rises from 0
to 1, along ``1 - exp(-(t / tau)^k)`` or along a logistic curve in ln t with the slope k (working forms of this
project's, common practice, no source): both are fitted by least squares, each board with a wait t_q of its own at
which it reaches the index q, all boards with one k. What is named is that of the form that fits better; the limits
reach as far as those of either, for laps enough to tell the two apart are seldom measured.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.special import expit, logit, stdtrit

from analysis.curves.columns import boards_of, groups_of, logs, numbers, require
from analysis.curves.drawn import CURVES
from analysis.curves.no_limits import NoLimits
from trials.errors import Problem, UserError

_POWERS = (0.2, 40.0)
_BEYOND = 4.0
"""How far beyond the waits tried, in ln t, a board's own wait is sought."""
_STEP = 0.05
"""How finely it is sought at first."""


def index_time(
    frame: pd.DataFrame,
    x: str,
    index: str,
    group: str | None = None,
    at: float = 0.2,
    *,
    board: str | None = None,
    level: float = 0.95,
) -> pd.DataFrame:
    """Find the wait at which a lap index is reached.

    Parameters
    ----------
    frame : one row a lap.
    x : column of the waits, above 0; controls left out.
    index : column of the lap index.
    group : column of the groups; all share the power k.
    at : the index asked for.
    board : column of the boards, each with a wait of its own. Without it each group is one board.

    Returns
    -------
    One row a group: group, x, lower, upper, no_limits, ``attrs["notes"]``, ``attrs["k"]``, and ``attrs["curves"]``,
    the `IndexCurves` behind it. Limits have two parts, their squares added: how boards differ (Student's t over
    their logarithms) and what is left open of k (all k whose sum of squares is less than Student's t squared away);
    they are the wider ones of the two forms. `no_limits` is None or `NoLimits`: limits are NaN where there is one
    board a group, and the waits tried on either side where laps come so suddenly that no k is too great. All NaN
    where a group's laps do not rise to the index within reach of the waits tried.

    Raises
    ------
    UserError
        A column is missing; too few laps.
    """
    if not 0 < at < 1:
        raise UserError(Problem(f"a lap index of {at:g} is not a share between 0 and 1", "write 0.2 for a fifth"))
    require(frame, [x, index, *(name for name in (group, board) if name)])
    log_x, seen = logs(frame, x), numbers(frame, index)
    names, codes = groups_of(frame, group)
    if np.ptp(log_x) == 0:
        raise UserError(Problem(f"all laps waited the same {x}", "lay out two or more return times"))
    whose, boards = boards_of(frame, board, codes) if board is not None else (np.arange(len(names)), codes)
    if len(seen) < len(whose) + 2:
        raise UserError(Problem("there are no more laps than the curves need", "measure more of them"))
    laps = _Laps(log_x, seen, boards, len(whose))
    fits = [_fit(laps, form, at, level) for form in ("weibull", "logistic")]
    fits.sort(key=lambda one: one.square)
    best = fits[0]
    inside = _inside(laps, best.middles)
    reached = np.array([inside[whose == one].all() for one in range(len(names))])
    rows, curves = [], {}
    for one, name in enumerate(names):
        row = {"group": name} | dict.fromkeys(("x", "lower", "upper"), np.nan) | {"no_limits": None}
        if reached[one]:
            curves[name] = float(best.middles[whose == one].mean())
            row |= {"x": np.exp(curves[name])} | _limits(fits, whose, reached, one, np.unique(log_x), level)
        rows.append(row)
    table = pd.DataFrame(rows).astype({"no_limits": object})
    table["no_limits"] = table["no_limits"].where(table["no_limits"].notna(), None)
    table.attrs["notes"] = tuple(
        f"Laps of {name} do not pass the index {at:g} near the waits tried, so no wait can be named."
        for name in table.loc[~reached, "group"]
    )
    table.attrs["k"] = best.power
    table.attrs[CURVES] = IndexCurves(at, best.power, curves, best.form)
    return table


@dataclass(frozen=True)
class IndexCurves:
    """The fitted curves: how the lap index grows with x, of the middle board (on ln x) where boards are told apart.

    Attributes
    ----------
    at : the index asked for.
    power : k, shared by all.
    ln_x : the ln x at which each group reaches `at`; without those that do not.
    form : ``weibull`` or ``logistic``.
    """

    at: float
    power: float
    ln_x: dict[object, float]
    form: str = "weibull"

    def heights(self, group: object, x: np.ndarray) -> np.ndarray:
        """Return a group's index at each of (n,) amounts above 0."""
        return _heights(self.form, self.at, self.power * (np.log(x) - self.ln_x[group]))


def _heights(form: str, at: float, away: np.ndarray) -> np.ndarray:
    """Return the index so far away, in k times ln t, from where it is `at`."""
    if form == "logistic":
        return np.asarray(expit(logit(at) + away))
    return np.asarray(-np.expm1(np.log1p(-at) * np.exp(np.clip(away, -60.0, 60.0))))


@dataclass(frozen=True)
class _Laps:
    """(n,) ln waits, indices and the number of each row's board; how many boards."""

    log_x: np.ndarray
    seen: np.ndarray
    board: np.ndarray
    count: int

    @cached_property
    def places(self) -> np.ndarray:
        """The ln t at which a board's own wait is sought at first."""
        return np.arange(self.log_x.min() - _BEYOND, self.log_x.max() + _BEYOND, _STEP)

    @cached_property
    def of_board(self) -> np.ndarray:
        """(n, boards) which rows are of a board."""
        return (self.board[:, None] == np.arange(self.count)).astype(float)


@dataclass(frozen=True)
class _Fit:
    """A form at its best k: (boards,) ln waits, sum of squares; (2, boards) ln waits at the least and greatest k.

    `endless` says whether no k is too great.
    """

    form: str
    power: float
    middles: np.ndarray
    square: float
    ends: np.ndarray
    endless: bool


def _fit(laps: _Laps, form: str, at: float, level: float) -> _Fit:
    from scipy.optimize import brentq, minimize_scalar

    def square(log_power: float) -> float:
        return _middles(laps, form, at, np.exp(log_power))[1]

    least, most = np.log(_POWERS)
    tried = np.linspace(least, most, 24)
    squares = np.array([square(one) for one in tried])
    near = int(squares.argmin())
    bounds = tried[max(near - 1, 0)], tried[min(near + 1, len(tried) - 1)]
    found = minimize_scalar(square, bounds=bounds, method="bounded", options={"xatol": 1e-6})
    log_power = float(found.x) if found.fun < squares[near] else float(tried[near])
    middles, lowest = _middles(laps, form, at, np.exp(log_power))
    df = len(laps.seen) - laps.count - 1
    allowed = lowest * (1 + float(stdtrit(df, 0.5 + level / 2)) ** 2 / df)
    ends = []
    for end in (least, most):
        closed = lowest > 0 and square(end) > allowed
        ends.append(brentq(lambda one: square(one) - allowed, log_power, end, xtol=1e-4) if closed else end)
    at_ends = np.array([_middles(laps, form, at, np.exp(end))[0] for end in ends])
    return _Fit(form, float(np.exp(log_power)), middles, lowest, at_ends, ends[1] == most)


def _middles(laps: _Laps, form: str, at: float, power: float) -> tuple[np.ndarray, float]:
    """Return each board's best ln wait at a stated k, by a grid and ever closer parabolas, and the sum of squares."""
    left = laps.seen - _heights(form, at, power * (laps.log_x - laps.places[:, None]))
    nearest = laps.places[(left**2 @ laps.of_board).argmin(axis=0)]

    def squares(middles: np.ndarray) -> np.ndarray:
        left = laps.seen - _heights(form, at, power * (laps.log_x - middles[..., laps.board]))
        return left**2 @ laps.of_board

    middles = nearest
    for step in (_STEP, _STEP / 10, _STEP / 100):
        before, here, after = squares(middles + step * np.array([[-1.0], [0.0], [1.0]]))
        bend = before - 2 * here + after
        move = np.divide(before - after, 2 * bend, out=np.zeros_like(here), where=bend > 0)
        middles = middles + step * np.clip(move, -1.0, 1.0)
    return middles, float(squares(middles).sum())


def _inside(laps: _Laps, middles: np.ndarray) -> np.ndarray:
    return (middles > laps.places[0] + _STEP) & (middles < laps.places[-1] - _STEP)


def _limits(
    fits: list[_Fit], whose: np.ndarray, reached: np.ndarray, group: int, tried: np.ndarray, level: float
) -> dict[str, object]:
    """Return lower, upper and no_limits of one group; `fits` has the better form first."""
    told, mine = reached[whose], whose == group
    df = int(told.sum() - reached.sum())
    if df < 1:
        return {"no_limits": NoLimits.ONE_BOARD}

    def half(middles: np.ndarray) -> float:
        means = np.array([middles[whose == one].mean() for one in range(len(reached))])
        scatter = ((middles - means[whose])[told] ** 2).sum() / df
        return float(stdtrit(df, 0.5 + level / 2) * np.sqrt(scatter / mine.sum()))

    if all(fit.endless for fit in fits):
        return _on_either_side(fits[0].middles, mine, half, tried)
    ends = []
    for fit in fits:
        mean, apart = fit.middles[mine].mean(), half(fit.middles)
        moved = np.append(fit.ends[:, mine].mean(axis=1), mean) - mean
        ends += [mean - np.hypot(apart, moved.min()), mean + np.hypot(apart, moved.max())]
    return {"lower": np.exp(min(ends)), "upper": np.exp(max(ends))}


def _on_either_side(
    middles: np.ndarray, mine: np.ndarray, half: Callable[[np.ndarray], float], tried: np.ndarray
) -> dict[str, object]:
    """Return the waits tried between which a group's laps come, each board's taken as midway between its own two."""
    edges = np.concatenate([[tried[0] - _BEYOND], tried, [tried[-1] + _BEYOND]])
    above = np.clip(np.searchsorted(edges, middles), 1, len(edges) - 1)
    midway = (edges[above - 1] + edges[above]) / 2
    lower, upper = midway[mine].mean() - half(midway), midway[mine].mean() + half(midway)
    before, after = tried[tried < lower], tried[tried > upper]
    return {
        "lower": float(np.exp(before[-1])) if before.size else 0.0,
        "upper": float(np.exp(after[0])) if after.size else np.inf, "no_limits": NoLimits.BETWEEN,
    }  # fmt: skip
