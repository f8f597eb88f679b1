"""At which x something shows with a stated risk: a logit on ln x, an intercept a group, one slope for all.

Limits are those of the profile likelihood: all ln x at which the risk may be reached while twice the log-likelihood
drops by no more than the chi-square allows. Between boards they are what Bayes' rule leaves (`board_logit`). Only
slopes above nought come into it, for a longer wait does not make a lap go away; with them the set is always one
stretch, which may be endless.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
from scipy.special import gammaincinv, logit

from analysis.curves import board_logit
from analysis.curves import logit as plain
from analysis.curves.columns import ALL, boards_of, groups_of, numbers, require
from analysis.curves.drawn import CURVES
from analysis.curves.logit import Counts
from trials.errors import Problem, UserError

PROFILE, FIRTH, BOARDS = "profile", "firth-profile", "bayes, boards random"


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
    board : column of the boards. Each then has a random shift, and the share is that over all boards. What a board
        shows of one group is taken as a board of its own.
    level : of the limits.

    Returns
    -------
    One row a group: group, x, lower, upper, method. Method is ``profile``; ``firth-profile`` where the readings
    separate, completely or in part; or ``bayes, boards random``, where x is the middle of what is likely. A lower
    limit of 0 and an upper one of infinity mean that the readings set none, NaN that the search for it did not end;
    all NaN, that what shows does not grow with x. ``attrs["notes"]`` says so; ``attrs["curves"]`` are the
    `ChanceCurves` behind it.

    Raises
    ------
    UserError
        A column that is missing or has no such numbers; one x only; too few boards; a search that does not end.
    """
    if not 0 < at < 1:
        raise UserError(Problem(f"a risk of {at:g} is not a share between 0 and 1", "write 0.1 for 1 in 10"))
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, not at {level}")
    data = _read(frame, x, successes, trials, group, board)
    if board is not None:
        table, notes = _with_boards(data, at, level)
    else:
        table, notes = _without_boards(data, at, level, firth=plain.separates(data.counts))
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
        middle = board_logit.predictor_of(self.at, self.spread)
        return board_logit.chances_of(middle + self.slope * (np.log(x) - self.ln_x[group]), self.spread)


@dataclass(frozen=True)
class _Data:
    """What was read: counts with a column a group and ln x last, the groups' names and (n,) the number of each row's.

    (n,) boards from 0, and (boards,) the group of each; both empty where boards are not told apart.
    """

    counts: Counts
    names: tuple[object, ...]
    x: str
    codes: np.ndarray
    boards: np.ndarray
    whose: np.ndarray


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
    none = np.zeros(0, dtype=int)
    whose, boards = boards_of(frame, board, codes) if board is not None else (none, none)
    if board is not None and len(whose) == len(names):
        raise UserError(
            Problem("there is one board a group, so how boards differ cannot be told", "read more boards of a group")
        )
    return _Data(Counts(design, yes, of), names, x, codes, boards, whose)


def _without_boards(data: _Data, at: float, level: float, *, firth: bool) -> tuple[pd.DataFrame, list[str]]:
    method = FIRTH if firth else PROFILE
    try:
        whole = plain.fit(data.counts, firth=firth)
    except ValueError as error:
        raise UserError(Problem(str(error), f"read more settings of {data.x}, or more at each")) from error
    if whole.effects[-1] <= 0:
        return _none(data, method), [_wrong_way(data)]
    allowed = float(2 * gammaincinv(0.5, level))

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
    counts, log_x = data.counts, data.counts.design[:, -1]
    if not _grows(counts, data.codes):
        return _none(data, BOARDS), [_wrong_way(data)]
    looks = board_logit.Looks(log_x, counts.yes, counts.trials, data.boards, data.whose)
    tail = (1 - level) / 2
    found = board_logit.posterior(looks, at, [0.5, tail, 1 - tail])
    least, most = np.exp(log_x.min()) / board_logit.REACH, np.exp(log_x.max()) * board_logit.REACH
    rows = [
        {
            "group": name, "x": x, "lower": lower if lower > least else 0.0,
            "upper": upper if upper < most else np.inf, "method": BOARDS,
        }
        for name, (x, lower, upper) in zip(data.names, np.exp(found.quantiles).tolist(), strict=True)
    ]  # fmt: skip
    notes = [
        f"The risk is that over all boards; {len(data.whose)} were read, which differ by a standard deviation of "
        f"about {found.spread:.2g} in the log odds."
    ]
    middles = dict(zip(data.names, found.quantiles[:, 0].tolist(), strict=True))
    return _with_curves(rows, ChanceCurves(at, found.slope, found.spread, middles)), notes


def _grows(counts: Counts, codes: np.ndarray) -> bool:
    """Say whether the best slope is above nought: so it is where the likelihood rises from a slope of nought."""
    shares = np.bincount(codes, counts.yes) / np.bincount(codes, counts.trials)
    return float((counts.yes - counts.trials * shares[codes]) @ counts.design[:, -1]) > 1e-12


def _row(name: object, middle: float, drop: Callable[[float], float], step: float, method: str) -> dict[str, object]:
    lower, upper = (_limit(drop, middle, side, step) for side in (-1.0, 1.0))
    with np.errstate(over="ignore"):
        return {
            "group": name, "x": float(np.exp(middle)), "lower": float(np.exp(lower)), "upper": float(np.exp(upper)),
            "method": method,
        }  # fmt: skip


def _limit(drop: Callable[[float], float], middle: float, side: float, step: float) -> float:
    try:
        return plain.limit(drop, middle, side, step)
    except ValueError:
        return np.nan


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
    """Say which limits there are not."""
    notes = []
    for row in table[table["x"].notna()].to_dict("records"):
        whose = "" if row["group"] == ALL else f" of {row['group']}"
        ends = {"lower": row["lower"], "upper": row["upper"]}
        open_ends = " or ".join(words for words, end in ends.items() if end == 0 or np.isinf(end))
        unfound = " or ".join(words for words, end in ends.items() if np.isnan(end))
        notes += [f"The readings set no {open_ends} limit to the {x}{whose}."] if open_ends else []
        notes += [f"The search for the {unfound} limit to the {x}{whose} did not end."] if unfound else []
    return notes
