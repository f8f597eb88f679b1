"""What a cumulative-link model takes from a frame: grades, random terms, the fixed part, a weak penalty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.linalg import block_diag

from analysis.formula import Names, parse_random
from analysis.model import LARGEST, Column, ModelFrame, coding_table, design, pieces
from analysis.ordinal.likelihood import Link, Pull
from trials.errors import Problem, UserError, nearest

LOGISTIC_SD = np.pi / np.sqrt(3)
"""Standard deviation of the logistic distribution: so much longer is a logit than a probit."""


@dataclass(frozen=True)
class Penalty:
    """A weak penalty that keeps estimates finite when the readings alone do not.

    Attributes
    ----------
    effect : standard deviation, in logits, of the normal prior on each level's departure from the mean of
        its factor, and on the slope of a number divided by its standard deviation. At 2.5 two standard
        deviations move the odds 150-fold (Gelman et al. 2008, Ann. Appl. Stat. 2:1360-1383, give a Cauchy
        prior this scale; the normal one is common practice, no source).
    component : scale, in logits, of the half-normal prior on each random term's standard deviation.
    keep_positive : also add the logarithm of each standard deviation, so that no variance is estimated at
        zero (Chung et al. 2013, Psychometrika 78:685-709).
    """

    effect: float = 2.5
    component: float = 2.5
    keep_positive: bool = False


@dataclass(frozen=True)
class FixedPart:
    """The fixed part as it was fitted, so that new rows can be coded alike.

    Attributes
    ----------
    columns, terms : as `analysis.model` gives them.
    names : the design's columns, intercept left out.
    kept, dropped : which of `names` could be estimated, and which could not, being sums of the kept ones.
    sums : (1 + kept, dropped) how each of the latter is made of the intercept and the kept ones.
    matrix : (n, p) the kept columns made uncorrelated, of mean 0 and variance 1.
    centre, back : (p,), (p, p); matrix = (kept columns - centre) @ back.
    """

    columns: dict[str, Column]
    terms: tuple[Names, ...]
    names: tuple[str, ...]
    kept: np.ndarray
    dropped: np.ndarray
    sums: np.ndarray
    matrix: np.ndarray
    centre: np.ndarray
    back: np.ndarray


@dataclass(frozen=True)
class RandomTerm:
    """A random term: its name as written, each row's piece number from 0, the pieces' names."""

    name: str
    codes: np.ndarray
    labels: tuple[str, ...]


def read_random(random: Sequence[str]) -> dict[str, Names]:
    """Return the random terms by the text they were written in, each once."""
    written: dict[str, Names] = {}
    for text in random:
        term = parse_random([text])[0]
        if frozenset(term) not in map(frozenset, written.values()):
            written[text] = term
    return written


def read_grades(
    frame: pd.DataFrame, response: str, grades: Sequence[object] | None
) -> tuple[tuple[object, ...], pd.Series]:
    """Return the scale in order and, for each row, the number of its grade from 0 (NaN where missing)."""
    columns = list(frame.columns)
    if response not in columns:
        raise UserError(Problem(f"there is no column {response!r} in the frame", nearest(response, columns)))
    if columns.count(response) > 1:
        raise UserError(Problem(f"there are two columns named {response!r}", "rename one of them"))
    series = frame[response]
    scale = _scale(series, response) if grades is None else tuple(grades)
    for grade in scale:
        if isinstance(grade, int | float) and LARGEST < abs(grade) < np.inf:
            what = f"column {response!r} holds {float(grade):.3g}, too large to be a grade"
            raise UserError(Problem(what, "correct it or leave the row out"))
    if len(set(scale)) < len(scale):
        raise UserError(Problem("a grade stands twice in the scale that was given", "name each grade once, in order"))
    number = {grade: at for at, grade in enumerate(scale)}
    present = series.notna()
    unknown = [value for value in series[present] if value not in number]
    if unknown:
        infinite = isinstance(unknown[0], float) and np.isinf(unknown[0])
        what = "an infinite value" if infinite else f"{str(unknown[0])!r}, which is not on the scale that was given"
        raise UserError(Problem(f"column {response!r} holds {what}", "correct it or leave the row out"))
    codes = np.full(len(series), np.nan)
    codes[present.to_numpy()] = [number[value] for value in series[present]]
    return scale, pd.Series(codes, index=frame.index)


def _scale(series: pd.Series, name: str) -> tuple[object, ...]:
    """Return the grades of a column in order, when its type tells the order."""
    if isinstance(series.dtype, pd.CategoricalDtype) and series.cat.ordered:
        return tuple(series.cat.categories)
    values = [value.item() if isinstance(value, np.generic) else value for value in series.dropna().unique()]
    if not all(isinstance(value, (bool, int, float)) for value in values):
        text = next(value for value in values if not isinstance(value, (bool, int, float)))
        cure = "name the grades from lowest to highest (grades=[...]), or make the column an ordered categorical"
        raise UserError(Problem(f"column {name!r} holds {str(text)!r}, and no order of its grades is known", cure))
    finite = [value for value in values if np.isfinite(value)]
    if all(float(value).is_integer() and not isinstance(value, bool) for value in finite):
        finite = [int(value) for value in finite]
    return tuple(sorted(finite))


def random_terms(data: ModelFrame, written: dict[str, Names], grades: int) -> tuple[list[RandomTerm], list[str]]:
    """Return the random terms the readings can tell apart, and a sentence for each of the others."""
    terms: list[RandomTerm] = []
    notes: list[str] = []
    rows = data.response.size
    for text, names in written.items():
        codes, count = pieces(data, names)
        twin = next((term.name for term in terms if len(term.labels) == count == _pairs(term.codes, codes)), None)
        if count == 1:
            notes.append(f"There is one {text} only, so the random term {text!r} is left out.")
        elif twin is not None:
            notes.append(f"{text!r} names the same pieces as {twin!r}, so it is left out.")
        elif count == rows and grades == 2:
            notes.append(f"{text!r} has one row a piece, which two grades cannot show, so it is left out.")
        else:
            first = np.unique(codes, return_index=True)[1]
            columns = [data.columns.get(f"{name}\0") or data.columns[name] for name in names]
            labels = tuple(":".join(str(column.levels[column.values[row]]) for column in columns) for row in first)
            terms.append(RandomTerm(text, codes, labels))
    return terms, notes


def _pairs(first: np.ndarray, second: np.ndarray) -> int:
    """Count the pairs of pieces that occur."""
    return len(np.unique(np.column_stack([first, second]), axis=0))


# --- the fixed part --------------------------------------------------------------------------------


def fixed_part(data: ModelFrame, terms: tuple[Names, ...]) -> FixedPart:
    """Build the design, leave out columns that are sums of earlier ones, and make the rest uncorrelated."""
    n = data.response.size
    built = design(data.columns, terms, "first", n)
    if not np.isfinite(built.matrix).all():
        raise UserError(Problem("the numbers of the fixed part are too large to reckon with", "choose another unit"))
    basis = [np.full(n, 1 / np.sqrt(n))]
    kept, dropped = [], []
    for at, column in enumerate(built.matrix.T[1:]):
        scaled = column / np.abs(column).max(initial=1e-300)
        left = scaled
        for _ in range(2):  # once more takes out what rounding left
            left = left - np.array(basis).T @ (np.array(basis) @ left)
        length = np.linalg.norm(left)
        if length > 1e-11 * np.linalg.norm(scaled):
            kept.append(at)
            basis.append(left / length)
        else:
            dropped.append(at)
    matrix = np.array(basis[1:]).reshape(len(kept), n).T * np.sqrt(n)
    own, others = built.matrix[:, 1:][:, kept], built.matrix[:, 1:][:, dropped]
    centre = own.mean(axis=0)
    back = np.linalg.inv(np.triu(matrix.T @ (own - centre) / n))
    sums = back @ (matrix.T @ others) / n
    sums = np.vstack([others.mean(axis=0) - centre @ sums, sums])
    columns = np.array(kept, dtype=np.intp), np.array(dropped, dtype=np.intp)
    return FixedPart(data.columns, terms, built.names[1:], *columns, sums, matrix, centre, back)


def pull_of(part: FixedPart, penalty: Penalty, link: Link) -> Pull:
    """Write a penalty for the uncorrelated columns of the fixed part."""
    unit = 1.0 if link == "logit" else 1 / LOGISTIC_SD
    n, p = part.matrix.shape
    back = np.zeros((1, p))
    for is_centred in (True, False):  # without its main effects an interaction does not allow a shift
        columns = {name: _standard(column, is_centred) for name, column in part.columns.items()}
        coded = design(columns, part.terms, "sum", n)
        back, *_ = np.linalg.lstsq(coded.matrix, part.matrix, rcond=None)
        if np.allclose(coded.matrix @ back, part.matrix, atol=1e-6):
            break
    departures = block_diag(*(_departures(term, part) for term in part.terms)) @ back[1:] if p else back[1:]
    return Pull(
        departures.T @ departures / (unit * penalty.effect) ** 2, unit * penalty.component, penalty.keep_positive
    )


def _departures(term: Names, part: FixedPart) -> np.ndarray:
    """Return what turns a term's sum-to-zero coefficients into departures of all its levels from their mean.

    They are scaled so that, if independent normal with variance 1 before they are made to sum to zero, each
    level's departure still has variance 1.
    """
    present: set[frozenset[str]] = {frozenset(other) for other in part.terms} | {frozenset()}
    table: np.ndarray = np.eye(1)
    for name in term:
        levels = len(part.columns[name].levels)
        if levels and frozenset(term) - {name} in present:
            table = np.kron(table, coding_table(levels, "sum") * np.sqrt((levels - 1) / levels))
        elif levels:
            table = np.kron(table, np.eye(levels))
    return table


def _standard(column: Column, is_centred: bool) -> Column:
    """Return a number in units of its standard deviation; a factor as it is."""
    if column.is_factor:
        return column
    values = column.values - column.values.mean()
    return replace(column, values=(values if is_centred else column.values) / values.std())
