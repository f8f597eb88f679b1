"""How far assessors agree: Krippendorff's alpha and the intraclass correlations.

Every table here has one row a patch and one column an assessor, blanks where a patch was not marked.

References
----------
Krippendorff (2011), Computing Krippendorff's alpha-reliability. Shrout and Fleiss (1979), Intraclass
correlations: uses in assessing rater reliability, Psychological Bulletin 86:420-428.
Efron and Tibshirani (1993), An Introduction to the Bootstrap, chapter 13 (percentile interval). All
cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, get_args

import numpy as np
import pandas as pd
from scipy.special import fdtrc, fdtri

from analysis.model import LARGEST
from trials.errors import Problem, UserError

Level = Literal["nominal", "ordinal", "interval", "ratio"]

MEANINGS = {
    "ICC(1,1)": "one mark, each patch marked by assessors of its own; severity counts as disagreement",
    "ICC(2,1)": "one mark, these assessors standing for others like them; severity counts as disagreement",
    "ICC(3,1)": "one mark, these assessors and no others; severity does not count",
    "ICC(1,k)": "the mean mark of a patch, each patch marked by assessors of its own; severity counts",
    "ICC(2,k)": "the mean mark of a patch, these assessors standing for others like them; severity counts",
    "ICC(3,k)": "the mean mark of a patch, these assessors and no others; severity does not count",
}
"""What each of Shrout and Fleiss's six forms says."""


def krippendorff(table: pd.DataFrame, level: Level) -> float:
    """Return Krippendorff's alpha: 1 perfect agreement, 0 no better than chance, below 0 worse.

    Parameters
    ----------
    table : one row a patch, one column an assessor; blanks where there is no mark. Patches with fewer
        than two marks are passed over.
    level : ``nominal`` for names, ``ordinal`` for grades (numbers, or ordered categories alike in every
        column), ``interval`` for measured values, ``ratio`` for measured values with a true zero.

    Raises
    ------
    UserError
        Fewer than two patches with two marks, all marks alike (alpha has no value then), words where
        numbers are needed, a value below zero at ratio level.
    """
    counts, values, _ = _value_counts(table, level)
    return float(_alphas(counts, values, level, np.ones((1, len(counts))))[0])


def krippendorff_interval(
    table: pd.DataFrame,
    level: Level,
    *,
    boards: Sequence[object] | None = None,
    draws: int = 2000,
    seed: int = 0,
    coverage: float = 0.95,
) -> tuple[float, float]:
    """Return a bootstrap interval of Krippendorff's alpha, the patches drawn anew with replacement.

    Parameters
    ----------
    table, level : as for `krippendorff`.
    boards : the board of each row. Given, whole boards are drawn, as patches of a board are alike.
    draws, seed : how many times, and the seed; the same seed gives the same interval.
    coverage : between 0 and 1. With few patches or boards the interval is too narrow, as such intervals are.

    Raises
    ------
    UserError
        As for `krippendorff`, or when most draws hold one mark only.
    """
    if not 0 < coverage < 1 or draws < 1:
        raise ValueError("coverage must lie between 0 and 1, and draws be at least 1")
    counts, values, used = _value_counts(table, level)
    groups = np.arange(len(counts))
    if boards is not None:
        if len(boards) != len(table):
            raise ValueError(f"boards has {len(boards)} entries for {len(table)} rows")
        groups = pd.factorize(np.asarray(boards, dtype=object)[used])[0]
        if groups.min() < 0:
            raise UserError("a marked patch has no board; name the board of every row")
    size = int(groups.max()) + 1
    if size == 1:
        raise UserError("all marked patches lie on one board; how sure alpha is takes several")
    rng = np.random.default_rng(seed)
    drawn = rng.multinomial(size, np.full(size, 1 / size), size=draws)
    alphas = _alphas(counts, values, level, drawn[:, groups].astype(float))
    if np.isnan(alphas).mean() > 0.5:
        raise UserError("nearly all marks are alike; there is too little to say how sure alpha is")
    lower, upper = np.nanquantile(alphas, [(1 - coverage) / 2, (1 + coverage) / 2])
    return float(lower), float(upper)


def icc(table: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
    """Return the six intraclass correlations of Shrout and Fleiss (1979).

    Parameters
    ----------
    table : one row a patch, one column an assessor, a number in every cell.
    level : of the intervals.

    Returns
    -------
    Rows ``ICC(1,1)``, ``ICC(2,1)``, ``ICC(3,1)``, ``ICC(1,k)``, ``ICC(2,k)``, ``ICC(3,k)``; columns
    value, lower, upper, f, df1, df2, p, meaning. The limits of forms 2 use Satterthwaite's df.

    Raises
    ------
    UserError
        A gap (named), fewer than two patches or assessors, patches that do not differ.
    """
    if not 0 < level < 1:
        raise ValueError(f"level is {level!r}; it must lie between 0 and 1")
    marks = numbers(table)
    patches, assessors = _check_complete(table, marks)
    centred = marks - marks.mean()
    between = assessors * (centred.mean(axis=1) ** 2).sum()
    severity_ss = patches * (centred.mean(axis=0) ** 2).sum()
    rest = centred - centred.mean(axis=1, keepdims=True) - centred.mean(axis=0, keepdims=True)
    residual_ss = float((rest**2).sum())
    rounding = 1e-28 * float((marks**2).sum())
    between, severity_ss, residual_ss = (ss if ss > rounding else 0.0 for ss in (between, severity_ss, residual_ss))
    if not between:
        raise UserError("all patches have the same mean mark; there is nothing for the assessors to tell apart")
    b = between / (patches - 1)
    w = (severity_ss + residual_ss) / (patches * (assessors - 1))
    j = severity_ss / (assessors - 1)
    e = residual_ss / ((patches - 1) * (assessors - 1))
    return _icc_table(b, w, j, e, (patches, assessors, (1 - level) / 2))


# --- the intraclass correlations -------------------------------------------------------------------


def _icc_table(b: float, w: float, j: float, e: float, shape: tuple[int, int, float]) -> pd.DataFrame:
    """Turn the mean squares between patches, within, of assessors and residual into the six forms."""
    n, k, tail = shape
    one = (b - w) / (b + (k - 1) * w)
    two = (b - e) / (b + (k - 1) * e + k * (j - e) / n)
    three = (b - e) / (b + (k - 1) * e)
    df1, df_within, df_residual = n - 1, n * (k - 1), (n - 1) * (k - 1)
    limits_one = _ratio_limits(b, w, df1, df_within, tail)
    limits_three = _ratio_limits(b, e, df1, df_residual, tail)
    limits_two = _limits_two(b, j, e, two, shape)
    singles = {"1": (one, limits_one), "2": (two, limits_two), "3": (three, limits_three)}
    means = {"1": (b - w) / b, "2": _step_up(two, k), "3": (b - e) / b}
    rows = {}
    for form, (value, limits) in singles.items():
        error, df2 = (w, df_within) if form == "1" else (e, df_residual)
        f = b / error if error else np.inf
        test = (f, df1, df2, float(fdtrc(df1, df2, f)) if error else 0.0)
        low, high = limits if form == "2" else (_from_ratio(limit, k) for limit in limits)
        rows[f"ICC({form},1)"] = (value, low, high, *test)
        low, high = (_step_up(limit, k) for limit in (low, high))
        rows[f"ICC({form},k)"] = (means[form], low, high, *test)
    result = pd.DataFrame.from_dict(
        rows, orient="index", columns=["value", "lower", "upper", "f", "df1", "df2", "p"]
    ).loc[list(MEANINGS)]
    return result.assign(meaning=list(MEANINGS.values()))


def _ratio_limits(b: float, error: float, df1: int, df2: int, tail: float) -> tuple[float, float]:
    """Return the limits of the ratio of expected mean squares."""
    if not error:
        return np.inf, np.inf
    f = b / error
    return f / fdtri(df1, df2, 1 - tail), f * fdtri(df2, df1, 1 - tail)


def _from_ratio(ratio: float, k: int) -> float:
    return float((ratio - 1) / (ratio + k - 1)) if np.isfinite(ratio) else 1.0


def _step_up(value: float, k: int) -> float:
    """Return the reliability of a mean of k marks from that of one (Spearman and Brown)."""
    return float(k * value / (1 + (k - 1) * value)) if value > -1 / (k - 1) else -np.inf


def _limits_two(b: float, j: float, e: float, value: float, shape: tuple[int, int, float]) -> tuple[float, float]:
    """Return the limits of ICC(2,1), Shrout and Fleiss (1979), page 424."""
    n, k, tail = shape
    if not e and not j:
        return 1.0, 1.0
    first, second = k * value * j, (n * (1 + (k - 1) * value) - k * value) * e
    df = (k - 1) * (n - 1) * (first + second) ** 2 / ((n - 1) * first**2 + second**2)
    high, low = fdtri(n - 1, df, 1 - tail), fdtri(df, n - 1, 1 - tail)
    spread = k * j + (k * n - k - n) * e
    return (
        float(n * (b - high * e) / (high * spread + n * b)),
        float(n * (low * b - e) / (spread + n * low * b)),
    )


# --- Krippendorff's alpha --------------------------------------------------------------------------


def _value_counts(table: pd.DataFrame, level: Level) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Count how often each value was given to each patch with two marks or more.

    Returns
    -------
    (u, k) counts; (k,) values in order (their numbers, or 0, 1, … for names and ordered categories);
    (rows,) which rows were used.
    """
    if level not in get_args(Level):
        raise ValueError(f"level is {level!r}; it must be one of {', '.join(get_args(Level))}")
    codes, values = _coded(table, level)
    used = (codes >= 0).sum(axis=1) > 1
    if used.sum() < 2:
        found = "no patch has" if not used.any() else "only one patch has"
        raise UserError(Problem(f"{found} marks by two assessors", "agreement takes two such patches or more"))
    codes = codes[used]
    counts = np.zeros((len(codes), len(values)))
    rows, columns = np.nonzero(codes >= 0)
    np.add.at(counts, (rows, codes[rows, columns]), 1)
    given = counts.sum(axis=0) > 0
    if given.sum() == 1:
        raise UserError("all marks that can be compared are alike; alpha has no value where nothing differs")
    return counts[:, given], values[given], used


def _coded(table: pd.DataFrame, level: Level) -> tuple[np.ndarray, np.ndarray]:
    """Return (rows, assessors) value numbers, -1 for a blank, and the values."""
    _check_table(table)
    kinds = list(table.dtypes)
    if level == "ordinal" and isinstance(kinds[0], pd.CategoricalDtype) and kinds[0].ordered:
        if any(kind != kinds[0] for kind in kinds):
            raise UserError("the assessors' columns have unlike ordered categories; give them all the same")
        codes = np.column_stack([table[name].cat.codes.to_numpy() for name in table.columns]).astype(np.intp)
        return codes, np.arange(len(kinds[0].categories), dtype=float)
    if level == "nominal":
        flat, names = pd.factorize(table.astype(object).to_numpy().reshape(-1))
        return flat.reshape(table.shape), np.arange(len(names), dtype=float)
    marks = numbers(table)
    if level == "ratio" and np.nanmin(marks, initial=0) < 0:
        raise UserError(f"a mark of {np.nanmin(marks):g} is below zero, which a value with a true zero cannot be")
    values, flat = np.unique(marks[~np.isnan(marks)], return_inverse=True)
    codes = np.full(marks.shape, -1, dtype=np.intp)
    codes[~np.isnan(marks)] = flat
    return codes, values


def _alphas(counts: np.ndarray, values: np.ndarray, level: Level, weights: np.ndarray) -> np.ndarray:
    """Return alpha for each row of patch weights, (draws, u); nan where nothing differs.

    Disagreement within patches is summed patch by patch, that expected from the totals of the values.
    """
    sizes = counts.sum(axis=1)
    shares, totals = weights / (sizes - 1), weights @ counts
    if level == "ordinal":
        # the squared distance of two values is that of their mean ranks, which the totals decide
        ranks = np.cumsum(totals, axis=1) - totals / 2
        apart = sizes * (ranks**2 @ counts.T) - (ranks @ counts.T) ** 2
        observed = 2 * (shares * apart).sum(axis=1)
        expected = 2 * (totals.sum(axis=1) * (totals * ranks**2).sum(axis=1) - (totals * ranks).sum(axis=1) ** 2)
    else:
        distances = _distances(values, level)
        observed = shares @ ((counts @ distances) * counts).sum(axis=1)
        expected = ((totals @ distances) * totals).sum(axis=1)
    alphas = np.full(len(weights), np.nan)
    differ = (totals > 0).sum(axis=1) > 1
    alphas[differ] = 1 - (totals.sum(axis=1) - 1)[differ] * observed[differ] / expected[differ]
    return alphas


def _distances(values: np.ndarray, level: Level) -> np.ndarray:
    """Return Krippendorff's squared differences between values, in a unit that does not matter."""
    if level == "nominal":
        return 1.0 - np.eye(len(values))
    values = values / np.abs(values).max()
    sums = values[:, None] + values if level == "ratio" else np.ones(1)
    return ((values[:, None] - values) / np.where(sums > 0, sums, 1)) ** 2


# --- reading a table -------------------------------------------------------------------------------


def _check_table(table: pd.DataFrame) -> None:
    if not isinstance(table, pd.DataFrame):
        raise TypeError("table must be a DataFrame with one row a patch and one column an assessor")
    if table.shape[1] < 2:
        raise UserError(f"agreement takes two assessors or more; the table has {table.shape[1]}")
    doubled = table.columns[table.columns.duplicated()]
    if len(doubled):
        raise UserError(Problem(f"two columns are named {str(doubled[0])!r}", "give each assessor one column"))


def numbers(table: pd.DataFrame) -> np.ndarray:
    """Return the marks as numbers, (patches, assessors), blanks as nan."""
    _check_table(table)
    return np.column_stack([number_column(table[name], name) for name in table.columns])


def number_column(series: pd.Series, name: object) -> np.ndarray:
    """Return one column of marks as numbers, blanks as nan, or say which mark is none."""
    found = pd.to_numeric(series.astype(object), errors="coerce").to_numpy(dtype=float)
    bad = (np.isnan(found) & series.notna().to_numpy()) | (np.abs(found) > LARGEST)
    if bad.any():
        at = int(np.flatnonzero(bad)[0])
        what = "is not a number" if np.isnan(found[at]) else "is too large"
        where = f"column {str(name)!r}, row {str(series.index[at])!r}"
        raise UserError(
            Problem(f"the mark {str(series.iloc[at])!r} ({where}) {what}", "correct it or leave it blank")
        )
    return found


def _check_complete(table: pd.DataFrame, marks: np.ndarray) -> tuple[int, int]:
    gaps = np.argwhere(np.isnan(marks))
    if len(gaps):
        row, column = gaps[0]
        more = f" ({len(gaps)} gaps in all)" if len(gaps) > 1 else ""
        raise UserError(
            Problem(
                f"patch {str(table.index[row])!r} has no mark by {str(table.columns[column])!r}{more}; "
                "an intraclass correlation needs every cell filled",
                "leave the patch or the assessor out, or use Krippendorff's alpha, which allows gaps",
            )
        )
    if len(marks) < 2:
        raise UserError(f"agreement takes two patches or more; the table has {len(marks)}")
    return marks.shape[0], marks.shape[1]
