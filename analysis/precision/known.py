"""Standard errors and degrees of freedom when the variances are given."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from analysis import formula, model
from analysis.combinations import Combinations, FixedPart
from analysis.mixed import estimable
from analysis.priors import RESIDUAL


class KnownVariances:
    """How precisely combinations of fixed effects are known when the variances are given.

    Parameters
    ----------
    frame : one row a reading; fixed : the model's formula; variances : by random term, then ``residual``.

    Notes
    -----
    With V = sum s_i Z_i Z_i' the estimates have covariance C = (X'V^-1X)^-1, dC/ds_i = C X'V^-1 Z_i Z_i' V^-1 X C,
    and the expected information on the variances is tr(P V_i P V_j) / 2 (Kenward and Roger 1997, Biometrics
    53:983-997, whose degrees of freedom for one combination these are; their widening of the standard error is left
    out).
    """

    def __init__(self, frame: pd.DataFrame, fixed: str, variances: Mapping[str, float]) -> None:
        terms = formula.parse(fixed)
        pieces = formula.parse_random([name for name in variances if name != RESIDUAL])
        data = model.read_frame(frame, [], terms, pieces)
        rows = len(data.index)
        names = dict.fromkeys(name for term in terms for name in term)
        columns, setting, counts = model.settings(data.columns, names, rows)
        design = model.design(columns, terms, "sum", len(counts))
        self.part = FixedPart(columns, design.terms[1:])
        self._span = estimable.span(design.matrix, counts)
        basis = self._span.basis[setting]
        found = [model.pieces(data, term) for term in pieces]
        incidence = [np.eye(count)[codes] for codes, count in found] + [np.eye(rows)]
        values = list(variances.values())
        inverse = np.linalg.inv(sum(size * z @ z.T for size, z in zip(values, incidence, strict=True)))
        self._covariance = np.linalg.inv(basis.T @ inverse @ basis)
        pull = self._covariance @ basis.T @ inverse
        projector = inverse - inverse @ basis @ pull
        seen = [projector @ z for z in incidence]
        told = [at for at, z in enumerate(incidence) if float(np.abs(seen[at]).max()) > 1e-10 * np.abs(inverse).max()]
        self._pulls = [pull @ incidence[at] for at in told]
        information = [[np.square(incidence[i].T @ seen[j]).sum() / 2 for j in told] for i in told]
        self._known = np.linalg.pinv(np.array(information).reshape(len(told), len(told)), hermitian=True)

    def of(self, wanted: Combinations) -> tuple[np.ndarray, np.ndarray]:
        """Return the (m,) standard errors and degrees of freedom; NaN where it cannot be estimated."""
        rows = wanted.rows[:, self._span.kept] @ self._span.inverse
        variance = np.einsum("ij,jk,ik->i", rows, self._covariance, rows)
        slopes = np.array([np.square(rows @ one).sum(axis=1) for one in self._pulls])
        df = 2 * variance**2 / np.einsum("im,ij,jm->m", slopes, self._known, slopes)
        can = self._span.can_estimate(wanted.rows)
        return np.where(can, np.sqrt(variance), np.nan), np.where(can, df, np.nan)
