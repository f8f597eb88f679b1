"""What the curves read from a frame: numbers, and groups in their order."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from trials.errors import Problem, UserError, nearest

ALL = "all"
"""The name of the one group where none are told apart."""


def require(frame: pd.DataFrame, names: Sequence[str]) -> None:
    """Check that a frame has rows, and these columns without gaps."""
    for name in names:
        if name not in frame.columns:
            raise UserError(Problem(f"there is no column {name!r}", nearest(name, frame.columns)))
        if frame[name].isna().any():
            raise UserError(Problem(f"column {name!r} has gaps", "leave out the rows without a value"))
    if frame.empty:
        raise UserError("there are no readings")


def numbers(frame: pd.DataFrame, name: str) -> np.ndarray:
    """Return a column of finite numbers."""
    try:
        found = frame[name].to_numpy(dtype=float)
    except (TypeError, ValueError):
        found = np.array([np.nan])
    if not np.isfinite(found).all():
        raise UserError(Problem(f"column {name!r} is not all numbers", "write a number in each row"))
    return found


def logs(frame: pd.DataFrame, name: str) -> np.ndarray:
    """Return the natural logarithms of a column of amounts above 0."""
    found = numbers(frame, name)
    if (found <= 0).any():
        raise UserError(
            Problem(f"{name} is {found.min():g} in a row, and only amounts above 0 have a place on the line",
                    "leave such rows out")
        )  # fmt: skip
    return np.log(found)


def groups_of(frame: pd.DataFrame, group: str | None) -> tuple[tuple[object, ...], np.ndarray]:
    """Return the groups, in the order of their categories or of their coming, and (n,) the number of each row's."""
    if group is None:
        return (ALL,), np.zeros(len(frame), dtype=int)
    column = frame[group]
    if isinstance(column.dtype, pd.CategoricalDtype):
        kept = column.cat.remove_unused_categories()
        return tuple(kept.cat.categories), kept.cat.codes.to_numpy(dtype=int)
    codes, names = pd.factorize(column)
    return tuple(names), codes


def boards_of(frame: pd.DataFrame, board: str, codes: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return (boards,) the group of each board, and (n,) the number of each row's board.

    A board that holds several groups is a board of each, for the readings of one group tell of that group alone.
    """
    pairs = np.column_stack([codes, pd.factorize(frame[board].astype(str))[0]])
    found, boards = np.unique(pairs, axis=0, return_inverse=True)
    return found[:, 0], boards.ravel()
