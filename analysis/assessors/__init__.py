"""Who marks higher, wider or less steadily than the others, in numbers and in words.

Every table here has one row a patch and one column an assessor, blanks where a patch was not marked;
`wide` makes it from readings with one row a mark. How far the assessors agree is in `agreement`, whose
`krippendorff`, `krippendorff_interval` and `icc` can be had from here.
"""

from __future__ import annotations

from math import floor, log10

import numpy as np
import pandas as pd
from scipy.special import chdtri, stdtrit

from analysis.assessors.agreement import icc, krippendorff, krippendorff_interval, number_column, numbers
from trials.errors import Problem, UserError, nearest

__all__ = [
    "consistency",
    "describe",
    "icc",
    "krippendorff",
    "krippendorff_interval",
    "repeatability",
    "severity",
    "wide",
]


def wide(frame: pd.DataFrame, value: str = "value", patch: str = "patch", assessor: str = "assessor") -> pd.DataFrame:
    """Turn marks, one a row, into a table with one row a patch and one column an assessor.

    Repeated marks are averaged; rows without a value, a patch or an assessor are passed over.

    Raises
    ------
    UserError
        An unknown column, nothing left, or repeated marks that are words.
    """
    kept = _present(frame, [value, patch, assessor])
    if not pd.api.types.is_numeric_dtype(kept[value]):
        twice = kept.duplicated([patch, assessor])
        if twice.any():
            row = kept[twice].iloc[0]
            who, where = str(row[assessor]), str(row[patch])
            raise UserError(
                Problem(f"{who!r} marked patch {where!r} twice, in words that cannot be averaged", "keep one of them")
            )
        return kept.pivot(index=patch, columns=assessor, values=value)
    return kept.pivot_table(index=patch, columns=assessor, values=value, aggfunc="mean", observed=True)


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
    kept = _present(frame, [value, patch, assessor])
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


# --- in words --------------------------------------------------------------------------------------


def describe(table: pd.DataFrame, repeats: pd.DataFrame | None = None, unit: str = "grade") -> tuple[str, ...]:
    """Say of each assessor, in plain sentences, how it marks.

    Parameters
    ----------
    table : one row a patch, one column an assessor, numbers; blanks where there is no mark.
    repeats : what `repeatability` returned, where marks were repeated.
    unit : what a mark counts, in the singular.

    Raises
    ------
    UserError
        As `severity`.
    """
    off, use = severity(table), consistency(table)
    sentences = []
    for at, name in enumerate(table.columns):
        sentences.append(_severity_sentence(str(name), off.iloc[at], unit))
        spread, agreement = use["spread"].iloc[at], use["agreement"].iloc[at]
        if not np.isnan(spread):
            sentences.append(f"{name}'s marks are spread {spread:.2f} times as widely as the others'.")
        if not np.isnan(agreement):
            told = f"go along with the mean of the others at a correlation of {agreement:.2f}"
            sentences.append(f"{name}'s marks {told}.")
        elif off["patches"].iloc[at]:
            sentences.append(f"Whether {name} ranks patches as the others do cannot be told from these marks.")
        if repeats is not None and name in repeats.index:
            sentences.append(_repeat_sentence(str(name), repeats.iloc[repeats.index.get_loc(name)], unit))
    return tuple(sentences)


def _severity_sentence(name: str, row: pd.Series, unit: str) -> str:
    mean, lower, upper, patches = row["difference"], row["lower"], row["upper"], int(row["patches"])
    if not patches:
        return f"{name} shares no marked patch with the others, so nothing can be said of {name}."
    way = "higher" if mean > 0 else "lower"
    equal = abs(mean) < 1e-9
    if np.isnan(lower):
        size = "just as" if equal else f"{abs(mean):.3g} {unit} {way} than"
        return f"{name} marks {size} the others on the one patch they share."
    if upper - lower < 1e-9 * max(1, abs(mean)):
        size = "just as the others do on average" if equal else f"{abs(mean):.3g} {unit} {way} than the others' mean"
        return f"{name} marks every patch {size}."
    places = _places((upper - lower) / 2)
    if lower <= 0 <= upper:
        return (
            f"Whether {name} marks higher or lower than the others is not settled: {_signed(mean, places)} {unit} "
            f"(95% interval {_signed(lower, places)} to {_signed(upper, places)})."
        )
    near, far = sorted((abs(lower), abs(upper)))
    return (
        f"{name} marks {abs(mean):.{places}f} {unit} {way} than the others "
        f"(95% interval {near:.{places}f} to {far:.{places}f})."
    )


def _signed(value: float, places: int) -> str:
    """Return a number with its sign, none on a zero."""
    text = f"{abs(value):.{places}f}"
    return text if not float(text) else ("+" if value > 0 else "−") + text


def _places(half: float) -> int:
    """Return decimals enough to show the first figure of half the interval."""
    return max(0, -floor(log10(half)))


def _repeat_sentence(name: str, row: pd.Series, unit: str) -> str:
    sd, patches = float(row["repeat_sd"]), int(row["patches"])
    on = "the one patch marked again" if patches == 1 else f"all {patches} patches marked again"
    if sd == 0:
        return f"{name} gave the same mark on {on}."
    places = _places(sd)
    return (
        f"Marking a patch again, {name} repeats its mark with a standard deviation of {sd:.{places}f} {unit} "
        f"({patches} patch{'' if patches == 1 else 'es'}; "
        f"95% interval {row['lower']:.{places}f} to {row['upper']:.{places}f})."
    )


# --- the marks -------------------------------------------------------------------------------------


def _present(frame: pd.DataFrame, names: list[str]) -> pd.DataFrame:
    """Return the rows of a frame of marks that have a value, a patch and an assessor."""
    if not isinstance(frame, pd.DataFrame):
        raise TypeError("the marks must be a DataFrame with one row a mark")
    for name in names:
        if name not in frame.columns:
            raise UserError(Problem(f"there is no column {name!r} in the marks", nearest(name, frame.columns)))
    kept = frame.dropna(subset=names).reset_index(drop=True)
    if kept.empty:
        raise UserError(f"none of the {len(frame)} rows has {', '.join(names)}; there are no marks")
    return kept


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
