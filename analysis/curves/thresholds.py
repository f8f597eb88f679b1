"""At which x something shows with a stated risk: a logit on ln x, an intercept a group, one slope for all.

Limits are those of the profile likelihood: all ln x at which the risk may be reached while twice the log-likelihood
drops by no more than the chi-square (or, between boards, Student's t squared) allows. Only slopes above nought come
into it, for a longer wait does not make a lap go away; with them the set is always one stretch, which may be endless.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from scipy.special import gammaincinv, logit, stdtrit

from analysis.curves import board_logit
from analysis.curves import logit as plain
from analysis.curves.columns import ALL, groups_of, numbers, require
from analysis.curves.drawn import CURVES
from analysis.curves.logit import Counts
from trials.errors import Problem, UserError

PROFILE, FIRTH, BOARDS = "profile", "firth-profile", "profile, boards random"


def threshold(
    frame: pd.DataFrame,
    x: str,
    successes: str,
    trials: str,
    group: str | None = None,
    at: float = 0.1,
    *,
    board: str | None = None,
    level: float = 0.95,
) -> pd.DataFrame:
    """Find the x at which a stated share shows it.

    Parameters
    ----------
    frame : one row a setting looked at.
    x : column of the amounts, above 0, e.g. minutes.
    successes, trials : columns of how many showed it, of how many.
    group : column of the groups, each with an intercept of its own; None for one group.
    at : the share, e.g. 0.1 for 1 in 10.
    board : column of the boards. Each then has a random shift, the share is that over all boards, and the limits are
        widened for there being few (Student's t with boards less groups for degrees of freedom).
    level : of the limits.

    Returns
    -------
    One row a group: group, x, lower, upper, method. Method is ``profile``; ``firth-profile`` where the readings
    separate, completely or in part; or ``profile, boards random``. A lower limit of 0 and an upper one of infinity
    mean that the profile does not close; all NaN, that what shows does not grow with x. ``attrs["notes"]`` says so;
    ``attrs["curves"]`` are the `ChanceCurves` behind it.

    Raises
    ------
    UserError
        A column that is missing or has no such numbers; one x only; too few boards.
    """
    if not 0 < at < 1:
        raise UserError(Problem(f"a risk of {at:g} is not a share between 0 and 1", "write 0.1 for 1 in 10"))
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, not at {level}")
    data = _read(frame, x, successes, trials, group, board)
    separates = plain.separates(data.counts)
    if data.boards is not None and not separates:
        table, notes = _with_boards(data, at, level)
    else:
        table, notes = _without_boards(data, at, level, firth=separates)
    table.attrs["notes"] = tuple(notes + _endless(table, x))
    return table


@dataclass(frozen=True)
class ChanceCurves:
    """The fitted curves: how the share that shows grows with x.

    Attributes
    ----------
    at : the share asked for.
    slope : on ln x.
    spread : standard deviation of the boards' shifts; 0 where boards are not told apart.
    ln_x : the ln x at which each group reaches `at`; empty where what shows does not grow.
    """

    at: float
    slope: float
    spread: float
    ln_x: dict[object, float]

    def heights(self, group: object, x: np.ndarray) -> np.ndarray:
        """Return a group's share, over all boards, at each of (n,) amounts above 0."""
        middle = board_logit.predictor_of(self.at, self.spread)[0] if self.spread else float(logit(self.at))
        return board_logit.chances_of(middle + self.slope * (np.log(x) - self.ln_x[group]), self.spread)


@dataclass(frozen=True)
class _Data:
    """What was read: counts with a column a group and ln x last, the groups' names, (n,) boards from 0."""

    counts: Counts
    names: tuple[object, ...]
    x: str
    boards: np.ndarray | None
    board_df: int

    @property
    def log_x(self) -> np.ndarray:
        return self.counts.design[:, -1]


def _read(frame: pd.DataFrame, x: str, successes: str, trials: str, group: str | None, board: str | None) -> _Data:
    require(frame, [x, successes, trials, *(name for name in (group, board) if name)])
    amounts, yes, of = (numbers(frame, name) for name in (x, successes, trials))
    if (amounts <= 0).any():
        raise UserError(
            Problem(f"{x} is {amounts.min():g} in a row, and only amounts above 0 have a place on the curve",
                    "leave such rows out")
        )  # fmt: skip
    if (of < 1).any() or (yes < 0).any() or (yes > of).any():
        raise UserError(Problem(f"{successes} is not between 0 and {trials} in every row", "correct these counts"))
    names, codes = groups_of(frame, group)
    dummies = (codes[:, None] == np.arange(len(names))).astype(float)
    design = np.column_stack([dummies, np.log(amounts)])
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise UserError(
            Problem(f"each group was looked at with one {x} only, so how {successes} grows with it cannot be told",
                    f"lay out two or more settings of {x} in some group")
        )  # fmt: skip
    if board is None:
        return _Data(Counts(design, yes, of), names, x, None, 0)
    boards = np.unique(frame[board].astype(str), return_inverse=True)[1]
    pairs = np.unique(np.column_stack([boards, codes]), axis=0)
    nested = len(pairs) == boards.max() + 1
    df = int(boards.max() + 1 - (len(names) if nested else 1))
    if df < 1:
        raise UserError(
            Problem("there is one board a group, so how boards differ cannot be told", "read more boards of a group")
        )
    return _Data(Counts(design, yes, of), names, x, boards, df)


def _without_boards(data: _Data, at: float, level: float, *, firth: bool) -> tuple[pd.DataFrame, list[str]]:
    method = FIRTH if firth else PROFILE
    whole = plain.fit(data.counts, firth=firth)
    if whole.effects[-1] <= 0:
        return _none(data, method), [_wrong_way(data)]
    allowed = float(2 * gammaincinv(0.5, level))
    if data.boards is not None:
        allowed = _between_boards(data, level)

    def drop(column: int, log_x: float) -> float:
        return 2 * (whole.loglik - _held(data.counts, column, at, log_x, whole, firth=firth)) - allowed

    rows, middles = [], {}
    for column, name in enumerate(data.names):
        middle = (logit(at) - whole.effects[column]) / whole.effects[-1]
        middles[name] = float(middle)
        toward = np.zeros(len(whole.effects))
        toward[column], toward[-1] = -1.0, -middle
        step = float(np.sqrt(toward @ whole.covariance @ toward) / whole.effects[-1])
        rows.append(_row(name, middle, partial(drop, column), step, method))
    notes = ["The readings separate, so Firth's penalty was used."] if firth else []
    if data.boards is not None:
        notes.append(
            "How boards differ could not be told from such readings: the limits allow for there being only "
            f"{data.boards.max() + 1} of them, but may still be too narrow."
        )
    return _with_curves(rows, ChanceCurves(at, float(whole.effects[-1]), 0.0, middles)), notes


def _held(counts: Counts, column: int, at: float, log_x: float, whole: plain.Fit, *, firth: bool) -> float:
    """Return the greatest log-likelihood when a group's risk is reached at a stated ln x, the slope not below nought.

    The group's intercept is then ``logit(at) - slope * log_x``.
    """
    width = counts.design.shape[1]
    along, base = np.delete(np.eye(width), column, axis=1), np.zeros(width)
    along[column, -1], base[column] = -log_x, logit(at)
    start = np.delete(whole.effects, column)
    found = plain.fit(counts, firth=firth, along=along, base=base, start=start)
    if found.effects[-1] < 0:
        found = plain.fit(counts, firth=firth, along=along[:, :-1], base=base, start=start[:-1])
    return found.loglik


def _with_boards(data: _Data, at: float, level: float) -> tuple[pd.DataFrame, list[str]]:
    assert data.boards is not None
    boards, counts = data.boards, data.counts
    whole = board_logit.fit(counts, boards, plain.fit(counts).effects)
    if whole.effects[-1] <= 0:
        return _none(data, BOARDS), [_wrong_way(data)]
    allowed = _between_boards(data, level)
    middle_of = board_logit.predictor_of(at, whole.spread)[0]

    rows, middles = [], {}
    for column, name in enumerate(data.names):
        middle = (middle_of - whole.effects[column]) / whole.effects[-1]
        middles[name] = float(middle)
        drop = _board_drop(data, column, at, whole, allowed)
        rows.append(_row(name, middle, drop, 0.5, BOARDS, fine=1e-7))
    notes = [
        f"The risk is that over all boards; boards differ by a standard deviation of {whole.spread:.2g} in the log "
        f"odds. The limits allow for {boards.max() + 1} boards, {data.board_df} degrees of freedom."
    ]
    if whole.effects[-1] >= board_logit.STEEPEST - 1e-6:
        notes.append(f"Each board turns so suddenly that the steepness over its {data.x} could not be told.")
    return _with_curves(rows, ChanceCurves(at, float(whole.effects[-1]), whole.spread, middles)), notes


def _board_drop(
    data: _Data, column: int, at: float, whole: board_logit.BoardFit, allowed: float
) -> Callable[[float], float]:
    assert data.boards is not None
    greatest = board_logit.profile(data.counts, data.boards, column, at, whole)
    return lambda log_x: 2 * (whole.loglik - greatest(log_x)) - allowed


def _between_boards(data: _Data, level: float) -> float:
    """Return how far twice the log-likelihood may drop with few boards: Student's t squared."""
    return float(stdtrit(data.board_df, 0.5 + level / 2) ** 2)


def _row(
    name: object, middle: float, drop: Callable[[float], float], step: float, method: str, fine: float = 1e-11
) -> dict[str, object]:
    lower, upper = (plain.limit(drop, middle, side, step, fine) for side in (-1.0, 1.0))
    with np.errstate(over="ignore"):
        return {
            "group": name, "x": float(np.exp(middle)), "lower": float(np.exp(lower)), "upper": float(np.exp(upper)),
            "method": method,
        }  # fmt: skip


def _with_curves(rows: list[dict[str, object]], curves: ChanceCurves) -> pd.DataFrame:
    table = pd.DataFrame(rows)
    table.attrs[CURVES] = curves
    return table


def _none(data: _Data, method: str) -> pd.DataFrame:
    nothing = dict.fromkeys(("x", "lower", "upper"), np.nan)
    rows = [{"group": name} | nothing | {"method": method} for name in data.names]
    return _with_curves(rows, ChanceCurves(np.nan, np.nan, 0.0, {}))


def _wrong_way(data: _Data) -> str:
    return f"What shows does not grow with {data.x} in these readings, so no {data.x} can be named for a risk."


def _endless(table: pd.DataFrame, x: str) -> list[str]:
    """Say which limits the readings do not set."""
    notes = []
    for row in table.to_dict("records"):
        open_ends = [words for words, endless in (("lower", row["lower"] == 0), ("upper", np.isinf(row["upper"])))
                     if endless]  # fmt: skip
        if open_ends:
            whose = "" if row["group"] == ALL else f" of {row['group']}"
            ends = " or ".join(open_ends)
            notes.append(f"The readings set no {ends} limit to the {x}{whose}.")
    return notes
