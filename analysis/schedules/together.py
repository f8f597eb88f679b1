"""How responses go together from piece to piece, and how the errors of their means do.

The covariance of two responses between the pieces of a stratum is a quarter of the difference between the variance
component of their sum and that of their difference, each response first divided by its own scatter, both by
restricted maximum likelihood: cov(x, y) = (var(x + y) − var(x − y)) / 4. Beside the responses' own components this
need not make a valid matrix; then all correlations of the stratum are shrunk by the same share until it is one. A
component at zero has no covariances.

The errors of two responses' means follow from these: with A = (X'V⁻¹X)⁻¹X'V⁻¹ of each they have the covariance
A_x V_xy A_y'.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis import mixed
from analysis.responses import Analysis
from trials import structure
from trials.errors import UserError

RESIDUAL = "residual"


@dataclass(frozen=True)
class Together:
    """The covariances of r responses.

    Attributes
    ----------
    names : the responses.
    strata : by random term and ``residual`` the (r, r) covariance matrix between its pieces.
    shrunk : by the same the share taken off the correlations to make it valid.
    effects : (p, p) covariance of the errors of all fixed effects, response after response.
    notes : what could not be told.
    """

    names: tuple[str, ...]
    strata: dict[str, np.ndarray]
    shrunk: dict[str, float]
    effects: np.ndarray
    notes: tuple[str, ...]

    @property
    def spread(self) -> np.ndarray:
        """(r, r) covariance of what is read on one patch of a new board, a new lane and a new strip."""
        return sum(self.strata.values(), np.zeros((len(self.names),) * 2))

    @property
    def correlation(self) -> np.ndarray:
        """(r, r) the same as correlations."""
        return correlations(self.spread)


def correlations(covariance: np.ndarray) -> np.ndarray:
    """Return correlations, nought beside a variance of nought."""
    size = np.sqrt(np.diag(covariance))
    scale = np.divide(1.0, size, out=np.zeros_like(size), where=size > 0)
    result = covariance * np.outer(scale, scale)
    np.fill_diagonal(result, 1.0)
    return result


def together(analyses: Sequence[Analysis]) -> Together:
    """Estimate how responses go together.

    Parameters
    ----------
    analyses : one a response; two responses are taken together on the patches where both were read.
    """
    terms = list(dict.fromkeys(term for one in analyses for term in one.for_these_lots.variances.index))
    raw = {term: np.zeros((len(analyses),) * 2) for term in terms}
    notes: list[str] = []
    for i, first in enumerate(analyses):
        for term, size in first.for_these_lots.variances.items():
            raw[str(term)][i, i] = size
        for j, second in enumerate(analyses[:i]):
            found = cross_covariances(first, second)
            if found is None:
                names = f"{second.response.words} and {first.response.words}"
                notes.append(f"How {names} go together cannot be told; they are taken as independent.")
            for term, size in (found or {}).items():
                if term in raw:
                    raw[term][i, j] = raw[term][j, i] = size
    valid = {term: shrink(matrix) for term, matrix in raw.items()}
    strata = {term: matrix for term, (matrix, _) in valid.items()}
    shrunk = {term: share for term, (_, share) in valid.items()}
    responses = tuple(one.response.name for one in analyses)
    return Together(responses, strata, shrunk, _effects(analyses, strata), tuple(notes))


def cross_covariances(first: Analysis, second: Analysis) -> dict[str, float] | None:
    """Return the covariance of two responses by random term, or None where too few patches hold both."""
    treated = first.table.treated.merge(second.table.treated[["patch", "value"]], on="patch", suffixes=("", "_too"))
    if treated.empty:
        return None
    told = structure.of_layout(first.plan, treated, first.told.places)
    if told.error_dfs[RESIDUAL] == 0:
        return None
    scales = [float(np.sqrt(one.for_these_lots.components.sum())) for one in (first, second)]
    if min(scales) <= 0:
        return None
    x, y = treated["value"] / scales[0], treated["value_too"] / scales[1]
    fixed, random = told.for_these_lots
    found = []
    for values in (x + y, x - y):
        try:
            found.append(mixed.fit(treated.assign(value=values), "value", fixed, random).variances)
        except UserError:  # nothing left to tell apart, as when one response copies the other
            found.append(pd.Series(0.0, index=[*random, RESIDUAL]))
    return {str(term): float(found[0][term] - found[1][term]) / 4 * scales[0] * scales[1] for term in found[0].index}


def shrink(matrix: np.ndarray) -> tuple[np.ndarray, float]:
    """Return a valid covariance matrix with the same variances, and the share taken off its correlations."""
    size = np.sqrt(np.diag(matrix))
    scale = np.divide(1.0, size, out=np.zeros_like(size), where=size > 0)
    off = matrix * np.outer(scale, scale)
    np.fill_diagonal(off, 0.0)
    lowest = float(np.linalg.eigvalsh(off)[0])
    kept = min(1.0, -1 / lowest) if lowest < 0 else 1.0
    return off * kept * np.outer(size, size) + np.diag(size**2), 1 - kept


def _effects(analyses: Sequence[Analysis], strata: Mapping[str, np.ndarray]) -> np.ndarray:
    """Return the covariance of the errors of all fixed effects."""
    weights = [_estimators(one) for one in analyses]
    blocks = [[np.zeros(0)] * len(analyses) for _ in analyses]
    for i, first in enumerate(analyses):
        blocks[i][i] = first.for_these_lots.precision.adjusted
        for j, second in enumerate(analyses[:i]):
            shared = _shared(first, second, {term: matrix[i, j] for term, matrix in strata.items()})
            blocks[i][j] = weights[i] @ shared @ weights[j].T
            blocks[j][i] = blocks[i][j].T
    return np.block(blocks)


def _estimators(analysis: Analysis) -> np.ndarray:
    """Return A, (p, n): the fixed effects' estimates are A y."""
    fit = analysis.for_these_lots
    columns = fit.design.matrix[:, fit.span.kept][fit.setting]
    variance = np.eye(len(columns)) * fit.components[-1]
    for term, size in zip(fit.random, fit.components, strict=False):
        variance += size * (term.codes[:, None] == term.codes)
    return fit.precision.covariance @ np.linalg.solve(variance, columns).T


def _shared(first: Analysis, second: Analysis, covariances: Mapping[str, float]) -> np.ndarray:
    """Return V_xy, the covariance of every reading of one response with every reading of the other."""
    tables = [one.table.treated for one in (first, second)]
    result = np.zeros((len(tables[0]), len(tables[1])))
    for term, size in covariances.items():
        if size:
            labels = [pd.MultiIndex.from_frame(table[list(structure.COLUMNS[term])]) for table in tables]
            codes = pd.factorize(labels[0].append(labels[1]))[0]
            own, other = codes[: len(tables[0])], codes[len(tables[0]) :]
            result += size * (own[:, None] == other)
    return result
