"""Whether an assessor's marks rise or fall from the first patch of a session to the last."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from analysis.assessors.agreement import number_column
from analysis.assessors.marks import present
from trials.errors import Problem, UserError, nearest

NO_TIMES = "no times of looking were recorded"
SOME_TIMES = "some of its marks bear no time, so the order of looking is not known"
SAME_TIME = "all its marks bear the same time, so the order of looking is not known"
ONE_MARK = "there is one mark only"
NOT_APART = "a drift cannot be told from the patches themselves: no other order of looking to compare with"
NO_SPARE = "there are too few marks to say how sure it is"

_NONE = 1e-8
"""A length below this part of what it was is taken as none."""


def drift(
    frame: pd.DataFrame,
    value: str = "value",
    patch: str = "patch",
    assessor: str = "assessor",
    taken_at: str = "taken_at",
    level: float = 0.95,
) -> pd.DataFrame:
    """Return how far each assessor's marks moved from the first look of its session to the last.

    Parameters
    ----------
    frame : one row a mark, hidden repeats too; the order of rows is not taken as the order of looking.
    value, patch, assessor, taken_at : names of the columns; times are RFC 3339, blank where not recorded. One
        without a zone counts as UTC.
    level : of the intervals.

    Returns
    -------
    One row an assessor; columns change (in the unit of the marks), lower, upper (Student's t), se, df, marks, why
    (what keeps it from being told, or empty). What cannot be estimated is NaN.

    Raises
    ------
    UserError
        An unknown column, no marks, words instead of numbers.

    Notes
    -----
    Least squares of mark on patch + assessor + a straight line for each assessor over its own looks, 0 at the first
    and 1 at the last, looks at the same time sharing their mean place. An assessor with a mark without a time gets
    no line. Scatter is taken to be equal and independent over marks.
    """
    if isinstance(frame, pd.DataFrame) and taken_at not in frame.columns:
        raise UserError(Problem(f"there is no column {taken_at!r} in the marks", nearest(taken_at, frame.columns)))
    kept = present(frame, [value, patch, assessor])
    marks = number_column(kept[value], value)
    patches, assessors = pd.factorize(kept[patch])[0], pd.Categorical(kept[assessor])
    names = list(assessors.categories)
    why: dict[object, str] = {}
    lines = []
    for at, name in enumerate(names):
        own = assessors.codes == at
        place, reason = _places_in_session(kept.loc[own, taken_at])
        if reason:
            why[name] = reason
        else:
            line = np.zeros(len(kept))
            line[own] = place
            lines.append((name, line))
    known = np.hstack([np.eye(patches.max() + 1)[patches], np.eye(len(names))[assessors.codes]])
    found = _slopes(known, lines, marks, level)
    rows = []
    for at, name in enumerate(names):
        change, lower, upper, se, df, untold = found.get(name, (np.nan,) * 5 + (why.get(name, ""),))
        rows.append((change, lower, upper, se, df, int((assessors.codes == at).sum()), untold))
    return pd.DataFrame(rows, index=names, columns=["change", "lower", "upper", "se", "df", "marks", "why"])


def _places_in_session(times: pd.Series) -> tuple[np.ndarray, str]:
    """Return where each of an assessor's looks lies from 0 to 1, or why that is not known."""
    written = ["" if pd.isna(time) else str(time) for time in times]
    if len(written) == 1:
        return np.zeros(1), ONE_MARK
    if not all(written):
        return np.zeros(len(written)), SOME_TIMES if any(written) else NO_TIMES
    ranks = pd.Series([_moment(text) for text in written]).rank(method="average").to_numpy()
    if np.ptp(ranks) == 0:
        return ranks, SAME_TIME
    return (ranks - ranks.min()) / np.ptp(ranks), ""


def _moment(text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise UserError(Problem(f"the time {text!r} cannot be read", "write it as 2026-03-14T15:09:00")) from None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def _slopes(
    known: np.ndarray, lines: list[tuple[object, np.ndarray]], marks: np.ndarray, level: float
) -> dict[object, tuple[float, float, float, float, float, str]]:
    """Return for each assessor with a line change, lower, upper, se, df and why not.

    Parameters
    ----------
    known : (marks, patches + assessors) what a mark is due to beside the lines.
    lines : an assessor and its (marks,) places in the session, each.
    """
    if not lines:
        return {}
    columns = np.column_stack([line for _, line in lines])
    within = _rest(known, columns)
    told = [_can_be_told(within, at, columns[:, at]) for at in range(len(lines))]
    solution, _, rank, _ = np.linalg.lstsq(within, _rest(known, marks), rcond=_NONE)
    left = _rest(np.hstack([known, columns]), marks)
    df = float(len(marks) - np.linalg.matrix_rank(known) - rank)
    noise = float(left @ left) / df if df > 0 else np.nan
    spread = np.sqrt(np.diag(np.linalg.pinv(within.T @ within, rcond=_NONE**2)) * noise)
    found: dict[object, tuple[float, float, float, float, float, str]] = {}
    for at, (name, _) in enumerate(lines):
        if not told[at]:
            found[name] = (np.nan, np.nan, np.nan, np.nan, np.nan, NOT_APART)
            continue
        change, se = float(solution[at]), float(spread[at])
        half = float(stdtrit(df, (1 + level) / 2)) * se if df > 0 else np.nan
        found[name] = (change, change - half, change + half, se, df, "" if df > 0 else NO_SPARE)
    return found


def _rest(known: np.ndarray, columns: np.ndarray) -> np.ndarray:
    """Return what of some columns the known ones do not explain."""
    rest: np.ndarray = columns - known @ np.linalg.lstsq(known, columns, rcond=None)[0]
    return rest


def _can_be_told(within: np.ndarray, at: int, line: np.ndarray) -> bool:
    """Whether an assessor's line differs from what patches, assessors and the other lines make of it."""
    own, others = within[:, at], np.delete(within, at, axis=1)
    return bool(np.linalg.norm(_rest(others, own)) > _NONE * np.linalg.norm(line))
