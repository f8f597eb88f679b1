"""Which combinations of the fixed effects a frame can estimate, and what each term's test is about.

A column that depends on earlier ones adds nothing and is left out. A combination of the effects can be estimated when
it is a combination of the rows of the design (Searle 1971, Linear Models, chapter 5).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import lapack

from analysis import model
from analysis.formula import Names
from analysis.model import Column, Design

DEPENDENT = 1e-11
"""Length, relative to the column's own, below which what a column adds to earlier ones is rounding."""


@dataclass(frozen=True)
class Span:
    """The space of the fixed part.

    Attributes
    ----------
    basis : (c, r) Q at each distinct setting; with a row of it for each reading its columns are orthonormal.
    inverse : (r, r) upper triangular R^-1, where Q R are the columns kept.
    kept : (r,) which columns of the design those are.
    relations : (p - r, p) combinations of all columns that are zero at every setting.
    """

    basis: np.ndarray
    inverse: np.ndarray
    kept: np.ndarray
    relations: np.ndarray

    @property
    def log_volume(self) -> float:
        """Half of log |X'X| over the columns kept."""
        return -float(np.log(np.abs(self.inverse.diagonal())).sum())

    def can_estimate(self, rows: np.ndarray) -> np.ndarray:
        """Say of each of (m, p) combinations of the effects whether it can be estimated."""
        if not len(self.relations):
            return np.ones(len(rows), dtype=bool)
        sizes = np.abs(rows) @ np.abs(self.relations).T
        return np.all(np.abs(rows @ self.relations.T) <= 1e-8 * sizes, axis=1)


def span(matrix: np.ndarray, counts: np.ndarray) -> Span:
    """Find the space of the columns of a design.

    Parameters
    ----------
    matrix : (c, p) the columns at each distinct setting.
    counts : (c,) how many readings have it.

    Raises
    ------
    OverflowError
        A column leaves the range of double precision.
    """
    sizes = np.abs(matrix).max(axis=0)
    if not np.isfinite(sizes).all():
        raise OverflowError("a column of the design leaves the range of double precision")
    root = np.sqrt(counts)[:, None]
    scaled = matrix * (root / np.where(sizes > 0, sizes, 1.0))
    kept = np.arange(matrix.shape[1])
    found = _orthonormal(scaled) if len(matrix) >= len(kept) else None
    if found is None:
        kept = _independent(scaled)
        found = _orthonormal(scaled[:, kept])
    if found is None:
        raise ArithmeticError("columns told to be independent are not")
    basis, upper = found[0] / root, found[1]
    inverse = lapack.dtrtri(upper)[0] / sizes[kept, None]
    return Span(basis, inverse, kept, _relations(matrix, counts, basis, inverse, kept, sizes))


def _orthonormal(columns: np.ndarray) -> tuple[np.ndarray, np.ndarray] | None:
    """Return Q and R by Householder reflections; nothing when a column depends on earlier ones."""
    packed, reflectors, _, _ = lapack.dgeqrf(columns)
    upper = np.triu(packed[: columns.shape[1]])
    if (np.abs(upper.diagonal()) <= DEPENDENT * np.sqrt((upper * upper).sum(axis=0))).any():
        return None
    return lapack.dorgqr(packed, reflectors)[0], upper


def _independent(columns: np.ndarray) -> np.ndarray:
    """Return the numbers of the columns that do not depend on earlier ones."""
    basis = np.zeros((len(columns), 0))
    kept = []
    for at, column in enumerate(columns.T):
        rest = column - basis @ (basis.T @ column)
        rest = rest - basis @ (basis.T @ rest)
        size = np.linalg.norm(rest)
        if size > DEPENDENT * np.linalg.norm(column):
            basis = np.column_stack([basis, rest / size])
            kept.append(at)
    return np.array(kept, dtype=np.intp)


def _relations(
    matrix: np.ndarray,
    counts: np.ndarray,
    basis: np.ndarray,
    inverse: np.ndarray,
    kept: np.ndarray,
    sizes: np.ndarray,
) -> np.ndarray:
    """Write each column left out as a combination of the columns kept."""
    result = np.zeros((matrix.shape[1] - len(kept), matrix.shape[1]))
    if not len(result):
        return result
    left_out = np.setdiff1d(np.arange(matrix.shape[1]), kept)
    weights = (inverse @ (basis.T @ (matrix[:, left_out] * counts[:, None]))).T
    small = np.abs(weights) * sizes[kept] <= 1e-9 * np.maximum(sizes[left_out, None], 1e-300)
    result[:, kept] = np.where(small, 0.0, -weights)
    result[np.arange(len(left_out)), left_out] = 1.0
    return result


def hypotheses(design: Design, space: Span) -> list[np.ndarray]:
    """Return for each term the (l, r) combinations of the kept effects that its test holds to be zero.

    With every column kept these are the term's own effects, marginal hypotheses under sum-to-zero coding, written as
    differences from first levels (it is what Satterthwaite's degrees of freedom are usually given for). Otherwise
    they are those of Goodnight (1978, Tests of hypotheses in fixed effects linear models; type III): what can be
    estimated of a term and the terms that contain it, orthogonal to what can be estimated of the latter alone, which
    does not depend on coding or order.
    """
    columns = design.columns
    if not len(space.relations):
        own = np.eye(len(space.kept))
        firsts = model.first_level_rows(columns, design.terms[1:])
        return [rows @ own[part] for rows, part in zip(firsts, design.spans[1:], strict=True)]
    full, spans = model.each_level_columns(columns, design.terms[1:], len(design.matrix))
    left, sizes, right = np.linalg.svd(full, full_matrices=False)
    rank = len(space.kept)
    rows, weights = right[:rank], left[:, :rank] / sizes[:rank]
    above = [_containing(columns, term, design.terms[1:]) for term in design.terms[1:]]
    about = []
    for containing in above:
        elsewhere = np.ones(full.shape[1], dtype=bool)
        for at in containing:
            elsewhere[spans[at + 1]] = False
        about.append(_null_space(rows[:, elsewhere]))
    to_kept = weights.T @ design.matrix[:, space.kept]
    result = []
    for at, containing in enumerate(above):
        higher = [about[other] for other in containing if other != at]
        own = about[at]
        if higher:
            together = np.vstack(higher)
            own = _null_space((together @ own.T).T) @ own if len(together) else own
        result.append(own @ to_kept)
    return result


def _containing(columns: dict[str, Column], term: Names, terms: tuple[Names, ...]) -> list[int]:
    """Return the numbers of the terms that hold the term's factors, perhaps more, and just its numeric variables."""
    numeric = {name for name in term if not columns[name].is_factor}
    return [
        at
        for at, other in enumerate(terms)
        if set(term) <= set(other) and {name for name in other if not columns[name].is_factor} == numeric
    ]


def _null_space(columns: np.ndarray) -> np.ndarray:
    """Return orthonormal (m, a) combinations of the a rows of a matrix that are zero."""
    if not columns.shape[1]:
        return np.eye(len(columns))
    left, sizes, _ = np.linalg.svd(columns)
    return left[:, int((sizes > 1e-9).sum()) :].T
