"""Measured laps: how much of a full double coat an edge shows after a wait, and when it shows a stated part.

The lap index is the step in lightness at the overlap as a share of the step of an edge that has set. Its curve
``1 - exp(-(t / tau)^k)`` rises from 0 to 1 (a working form of this project's, common practice, no source). It is
fitted by least squares as ``1 - (1 - q)^((t / t_q)^k)``, in which t_q, the wait at index q, is itself a parameter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import fdtri, stdtrit

from analysis.curves.columns import groups_of, logs, numbers, require
from analysis.curves.drawn import CURVES
from analysis.curves.logit import limit
from trials.errors import Problem, UserError

_START_POWER = 2.0
_POWERS = (0.2, 12.0)
_BEYOND = 4.0
"""How far beyond the waits tried, in ln t, a board's own wait is sought."""


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
    board : column of the boards. Each then has a wait of its own, and the limits are Student's t over the boards'
        logarithms; without it they are profile limits, as if every lap came from a board of its own.

    Returns
    -------
    One row a group: group, x, lower, upper, method (``profile`` or ``boards``), ``attrs["notes"]``, ``attrs["k"]``,
    and ``attrs["curves"]``, the `IndexCurves` behind it. All NaN where a group's laps do not rise to the index within
    reach of the waits tried.

    Raises
    ------
    UserError
        A column is missing; too few laps or boards.
    """
    if not 0 < at < 1:
        raise UserError(Problem(f"a lap index of {at:g} is not a share between 0 and 1", "write 0.2 for a fifth"))
    require(frame, [x, index, *(name for name in (group, board) if name)])
    log_x, seen = logs(frame, x), numbers(frame, index)
    names, codes = groups_of(frame, group)
    if np.ptp(log_x) == 0:
        raise UserError(Problem(f"all laps waited the same {x}", "lay out two or more return times"))
    if board is None:
        return _by_profile(_Laps(log_x, seen, codes, len(names), at), names, level)
    boards = pd.factorize(frame[board])[0]
    whose = np.array([codes[boards == one][0] for one in range(boards.max() + 1)])
    if (whose[boards] != codes).any():
        raise UserError(Problem(f"a board holds several settings of {group}", "give one board one of them"))
    return _by_boards(_Laps(log_x, seen, boards, boards.max() + 1, at), whose, names, level)


@dataclass(frozen=True)
class IndexCurves:
    """The fitted curves: how the lap index grows with x, of the middle board (on ln x) where boards are told apart.

    Attributes
    ----------
    at : the index asked for.
    power : k, shared by all.
    ln_x : the ln x at which each group reaches `at`; without those that do not.
    """

    at: float
    power: float
    ln_x: dict[object, float]

    def heights(self, group: object, x: np.ndarray) -> np.ndarray:
        """Return a group's index at each of (n,) amounts above 0."""
        with np.errstate(over="ignore"):
            grown = np.exp(self.power * (np.log(x) - self.ln_x[group]))
        return np.asarray(-np.expm1(np.log1p(-self.at) * grown))


@dataclass(frozen=True)
class _Laps:
    """(n,) ln waits, indices and the number of each row's curve; how many curves; the index asked for."""

    log_x: np.ndarray
    seen: np.ndarray
    curve: np.ndarray
    count: int
    at: float

    def left(self, middles: np.ndarray, log_power: float) -> np.ndarray:
        """Return what curves leave, by the ln wait at which each reaches the index and the ln of their power."""
        grown = np.exp(np.clip(np.exp(log_power) * (self.log_x - middles[self.curve]), -60.0, 60.0))
        return self.seen + np.expm1(np.log1p(-self.at) * grown)

    @property
    def reach(self) -> tuple[float, float]:
        return float(self.log_x.min()) - _BEYOND, float(self.log_x.max()) + _BEYOND


def _fit(laps: _Laps, held: tuple[int, float] | None = None) -> tuple[np.ndarray, float, float]:
    """Return the curves' ln waits, the ln power and the sum of squares, one curve's ln wait held if so."""
    from scipy.optimize import least_squares

    free = [one for one in range(laps.count) if held is None or one != held[0]]

    def left(values: np.ndarray) -> np.ndarray:
        return laps.left(_placed(values[:-1], free, held, laps.count), values[-1])

    low, high = laps.reach
    bounds = ([low] * len(free) + [np.log(_POWERS[0])], [high] * len(free) + [np.log(_POWERS[1])])
    starts = [
        np.append(np.full(len(free), share * low + (1 - share) * high), np.log(_START_POWER))
        for share in (0.35, 0.5, 0.65)
    ]
    tries = [least_squares(left, start, bounds=bounds, xtol=1e-12, ftol=1e-13, gtol=1e-12) for start in starts]
    found = min(tries, key=lambda one: float(one.cost))
    return _placed(found.x[:-1], free, held, laps.count), float(found.x[-1]), 2 * float(found.cost)


def _placed(values: np.ndarray, free: list[int], held: tuple[int, float] | None, count: int) -> np.ndarray:
    middles = np.empty(count)
    middles[free] = values
    if held is not None:
        middles[held[0]] = held[1]
    return middles


def _by_profile(laps: _Laps, names: tuple[object, ...], level: float) -> pd.DataFrame:
    middles, log_power, square = _fit(laps)
    df = len(laps.seen) - laps.count - 1
    if df < 1:
        raise UserError(Problem("there are no more laps than the curves need", "measure more of them"))
    allowed = square * (1 + float(fdtri(1, df, level)) / df)
    rows = []
    for one, name in enumerate(names):

        def drop(middle: float, one: int = one) -> float:
            return _fit(laps, (one, middle))[2] - allowed

        lower, upper = (limit(drop, middles[one], side, 0.25) for side in (-1.0, 1.0))
        with np.errstate(over="ignore"):
            rows.append({"group": name, "x": np.exp(middles[one]), "lower": np.exp(lower), "upper": np.exp(upper)})
    reached = _inside(laps, middles)
    return _table(rows, reached, "profile", log_power, laps.at, [])


def _by_boards(laps: _Laps, whose: np.ndarray, names: tuple[object, ...], level: float) -> pd.DataFrame:
    df = laps.count - len(names)
    if df < 1:
        raise UserError(
            Problem("there is one board a group, so how boards differ cannot be told", "read more boards of a group")
        )
    middles, log_power, _ = _fit(laps)
    inside = _inside(laps, middles)
    means = np.array([middles[whose == one].mean() for one in range(len(names))])
    scatter = np.sqrt(((middles - means[whose]) ** 2).sum() / df)
    half = float(stdtrit(df, 0.5 + level / 2)) * scatter / np.sqrt(np.bincount(whose, minlength=len(names)))
    reached = np.array([inside[whose == one].all() for one in range(len(names))])
    if not reached.all():
        half = np.full(len(names), np.nan)
    rows = [
        {"group": name, "x": np.exp(means[one]), "lower": np.exp(means[one] - half[one]),
         "upper": np.exp(means[one] + half[one])}
        for one, name in enumerate(names)
    ]  # fmt: skip
    note = f"Each board has a wait of its own; the limits are those of {laps.count} boards, {df} degrees of freedom."
    return _table(rows, reached, "boards", log_power, laps.at, [note])


def _inside(laps: _Laps, middles: np.ndarray) -> np.ndarray:
    low, high = laps.reach
    return (middles > low + 1e-3) & (middles < high - 1e-3)


def _table(
    rows: list[dict[str, object]], reached: np.ndarray, method: str, log_power: float, at: float, notes: list[str]
) -> pd.DataFrame:
    table = pd.DataFrame(rows).assign(method=method)
    table.loc[~reached, ["x", "lower", "upper"]] = np.nan
    for name in table.loc[~reached, "group"]:
        notes.append(f"Laps of {name} do not pass the index {at:g} near the waits tried, so no wait can be named.")
    table.attrs["notes"] = tuple(notes)
    table.attrs["k"] = power = float(np.exp(log_power))
    curves = {row["group"]: float(np.log(row["x"])) for row in table.to_dict("records") if not np.isnan(row["x"])}
    table.attrs[CURVES] = IndexCurves(at, power, curves)
    return table
