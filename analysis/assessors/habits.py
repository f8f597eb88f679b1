"""How each assessor marks beside the others: higher or lower, wider or narrower, more or less steadily."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import chdtri, stdtrit

from analysis.assessors.agreement import number_column, numbers
from analysis.assessors.marks import present
from trials.errors import Problem, UserError


def severity(table: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
    """Return how much higher or lower each assessor marks than the others.

    Parameters
    ----------
    table : one row a patch, one column an assessor, numbers; blanks where there is no mark.
    level : of the intervals.

    Returns
    -------
    One row an assessor; columns difference (the mean over patches of its mark less the mean of the
    others' marks on the same patch), lower, upper (Student's t over patches), patches (how many it
    shares with another). Blank where nothing is shared; the limits also where one patch is.

    Raises
    ------
    UserError
        Fewer than two assessors, words instead of numbers.
    """
    rows = []
    for mine, others, _ in _shared(numbers(table)):
        apart = mine - others
        mean = float(apart.mean()) if len(apart) else np.nan
        half = np.nan
        if len(apart) > 1:
            error = apart.std(ddof=1) / np.sqrt(len(apart))
            half = float(stdtrit(len(apart) - 1, (1 + level) / 2) * error)
        rows.append((mean, mean - half, mean + half, len(apart)))
    return pd.DataFrame(rows, index=table.columns, columns=["difference", "lower", "upper", "patches"])


def consistency(table: pd.DataFrame) -> pd.DataFrame:
    """Return how each assessor uses the scale and how well it goes along with the others.

    Parameters
    ----------
    table : one row a patch, one column an assessor, numbers; blanks where there is no mark.

    Returns
    -------
    One row an assessor; columns spread (the standard deviation of its marks over the pooled one of the
    others' marks, on the same patches: 1 means it uses as much of the scale as they do), agreement
    (correlation with the mean of the others), scatter (standard deviation of its differences from the
    others: what is left once its severity is allowed for), patches. Blank where it cannot be reckoned.

    Raises
    ------
    UserError
        Fewer than two assessors, words instead of numbers.
    """
    rows = []
    for mine, others, theirs in _shared(numbers(table)):
        spread = agreement = scatter = np.nan
        if len(mine) > 1:
            scatter = float((mine - others).std(ddof=1))
            pooled = _pooled_sd(theirs)
            spread = float(mine.std(ddof=1) / pooled) if pooled > 0 else np.nan
            if np.ptp(mine) > 0 and np.ptp(others) > 0:
                agreement = float(np.corrcoef(mine, others)[0, 1])
        rows.append((spread, agreement, scatter, len(mine)))
    return pd.DataFrame(rows, index=table.columns, columns=["spread", "agreement", "scatter", "patches"])


def repeatability(
    frame: pd.DataFrame,
    value: str = "value",
    patch: str = "patch",
    assessor: str = "assessor",
    level: float = 0.95,
) -> pd.DataFrame:
    """Return how well each assessor repeats its own mark of a patch.

    Parameters
    ----------
    frame : one row a mark; only patches one assessor marked more than once count.
    value, patch, assessor : names of the columns.
    level : of the intervals.

    Returns
    -------
    One row an assessor who repeated anything; columns repeat_sd (standard deviation of repeated marks,
    pooled over patches), lower, upper (chi-squared), df (repeats beyond the first), patches.

    Raises
    ------
    UserError
        An unknown column, words instead of numbers, no repeated mark.
    """
    kept = present(frame, [value, patch, assessor])
    marks = pd.Series(number_column(kept[value], value), index=kept.index)
    groups = marks.groupby([kept[assessor], kept[patch]], observed=True)
    each = pd.DataFrame({"ss": ((marks - groups.transform("mean")) ** 2), "assessor": kept[assessor]})
    each["first"] = ~kept.duplicated([patch, assessor])
    each["repeated"] = groups.transform("size") > 1
    each = each[each["repeated"]]
    if each.empty:
        raise UserError(Problem("no assessor marked a patch twice", "have some patches marked again, blind"))
    rows = {}
    for name, part in each.groupby("assessor", observed=True):
        patches = int(part["first"].sum())
        df, ss = len(part) - patches, float(part["ss"].sum())
        low, high = (np.sqrt(ss / chdtri(df, tail)) for tail in ((1 - level) / 2, (1 + level) / 2))
        rows[name] = (np.sqrt(ss / df), float(low), float(high), df, patches)
    return pd.DataFrame.from_dict(rows, orient="index", columns=["repeat_sd", "lower", "upper", "df", "patches"])


def _shared(marks: np.ndarray) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """For each assessor: its marks, the mean and all of the others' marks, on the patches it shares."""
    found = []
    for at in range(marks.shape[1]):
        rest = np.delete(marks, at, axis=1)
        both = ~np.isnan(marks[:, at]) & ~np.isnan(rest).all(axis=1)
        mine, theirs = marks[both, at], rest[both]
        found.append((mine, np.nansum(theirs, axis=1) / (~np.isnan(theirs)).sum(axis=1), theirs))
    return found


def _pooled_sd(marks: np.ndarray) -> float:
    """Return the standard deviation within columns, pooled by degrees of freedom; nan without any."""
    counts = (~np.isnan(marks)).sum(axis=0)
    columns = marks[:, counts > 1]
    if not columns.size:
        return np.nan
    ss = np.nansum((columns - np.nanmean(columns, axis=0)) ** 2)
    return float(np.sqrt(ss / (counts[counts > 1] - 1).sum()))
