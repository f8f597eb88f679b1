"""How good boards are: the information they give on the model, as one number, and what an exchange would make of it.

References
----------
Goos and Vandebroek (2003), D-optimal split-plot designs with given numbers and sizes of whole plots,
Technometrics 45:235-246, for exchanging whole plots (followed in method only).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np

from trials.selection.model import Candidates, Model
from trials.selection.places import ChosenBoard
from trials.structure import random_terms

Aim = Literal["D", "I", "L"]
Lots = Literal["random", "fixed"]
SHARE = 0.01
"""Part of the prediction variance in criterion L, so that what is not asked for stays estimable: common practice."""
WORSE = 100.0
"""How much that weighs which makes any one wanted difference worse than it has to be at least: all else."""
_RIDGE = 1e-6
_SINGULAR = 1e-9


class Criterion:
    """The worth of boards for a model; more is better.

    The information has the lots' columns first, then the model's.

    Attributes
    ----------
    kind : ``D``, ``I`` or ``L``.
    lots : whether lots are ``random`` or ``fixed``.
    lot_columns : the column of each lot that has one.
    base : the information there is before any board is chosen: of the boards already laid out, and that
        random lots vary no more than they do.
    weight : the matrix W of which I and L are the trace with the inverse information.
    """

    def __init__(
        self,
        model: Model,
        kind: Aim,
        lots_of: Sequence[int],
        lots: Lots = "random",
        already: Sequence[ChosenBoard] = (),
        wanted: Mapping[str, float] | None = None,
    ) -> None:
        self.model, self.kind, self.lots = model, kind, lots
        present = sorted({*lots_of, *(board.lot for board in already)})
        differ = lots == "fixed" or model.ratios["lot"] > 0
        count_lots = differ and ("lot" in random_terms(model.plan) or bool(already))
        blocks = present[int(lots == "fixed") :] if count_lots and len(present) > 1 else []
        self.lot_columns = {lot: at for at, lot in enumerate(blocks)}
        self.base = np.zeros((len(blocks) + model.size,) * 2)
        if lots == "random" and blocks:
            self.base[range(len(blocks)), range(len(blocks))] = 1 / model.ratios["lot"]
        own = [len(blocks) + at for at in model.likely_small]
        self.base[own, own] += 1 / model.ratios["residual"]
        for board in already:
            self.add(self.base, model.whitened_cells(board.cells), board.lot)
        self.weight = self._weights(wanted)
        self._root = _root(self.weight)
        self._wanted = [_root(model.contrast_moments({name: worth})) for name, worth in (wanted or {}).items()]
        self._most: list[float] = []

    def _weights(self, wanted: Mapping[str, float] | None) -> np.ndarray:
        moments = self.model.prediction_moments()
        if self.kind != "L":
            return moments
        own = self.model.contrast_moments(wanted or {})
        return own + SHARE * np.trace(own) / np.trace(moments) * moments

    def columns(self, lot: int) -> np.ndarray:
        """Return the columns that a board of a lot has values in: the lot's own, if it has one, and the model's."""
        own = [self.lot_columns[lot]] if lot in self.lot_columns else []
        return np.array(own + list(range(len(self.lot_columns), len(self.base))))

    def add(self, information: np.ndarray, whitened: np.ndarray, lot: int, sign: float = 1.0) -> None:
        """Add a board's information to the whole, or take it off."""
        product, first = whitened.T @ whitened, len(self.lot_columns)
        information[first:, first:] += sign * product
        if lot in self.lot_columns:
            at = self.lot_columns[lot]
            information[at, at] += sign * product[0, 0]
            information[at, first:] += sign * product[0]
            information[first:, at] += sign * product[0]

    def information(self, whitened: Sequence[np.ndarray], lots_of: Sequence[int]) -> np.ndarray:
        """Return the information of a list of boards, given the whitened rows and the lot of each."""
        total = self.base.copy()
        for rows, lot in zip(whitened, lots_of, strict=True):
            self.add(total, rows, lot)
        return total

    def value(self, information: np.ndarray) -> float:
        """Return how good information is; more is better.

        Returns
        -------
        log det of the information on the coefficients (D) or minus log tr(inverse W) (I and L); minus infinity
        if it is singular.

        Notes
        -----
        With the lots first, the last block of the Cholesky factor is that of the information on the model's
        coefficients clear of the lots (its Schur complement).
        """
        lower = _factor(information)
        if lower is None:
            return -np.inf
        own = lower[-self.model.size :, -self.model.size :]
        if self.kind == "D":
            return 2 * float(np.log(np.diagonal(own)).sum())
        worse = sum(
            max(np.log(_spread(own, root) / most), 0.0) for root, most in zip(self._wanted, self._most, strict=False)
        )
        return -float(np.log(_spread(own, self._root))) - WORSE * worse

    def no_worse_than(self, information: np.ndarray) -> None:
        """Count from now on against boards whatever any one wanted difference is known worse by than with these."""
        lower = _factor(information)
        if lower is not None:
            own = lower[-self.model.size :, -self.model.size :]
            self._most = [_spread(own, root) * (1 + _SINGULAR) for root in self._wanted]

    def reported(self, value: float) -> float:
        """Return a value as it is reported: log det for D, the trace, of which less is better, for I and L."""
        return value if self.kind == "D" else float(np.exp(-value))

    def efficiency(self, value: float, best: float) -> float:
        """Return how good a value is relative to another: as a ratio of boards needed, 0 if it is singular."""
        return min(1.0, float(np.exp((value - best) / (self.model.size if self.kind == "D" else 1))))

    def scores(self, without: np.ndarray, candidates: Candidates, lot: int) -> np.ndarray:
        """Return for each candidate what the criterion becomes with it, up to a constant.

        Notes
        -----
        With G the inverse of the information without the board, X a candidate's rows, V its variance and
        S = V + XGX': det(M + X'V^-1X) = det(M) det(S) / det(V), and
        tr((M + X'V^-1X)^-1 W) = tr(GW) - tr(S^-1 XGWGX').
        Where M is singular, as it is at poor starts and where no board can be spared, a small ridge is added:
        the scores are then good to rank candidates by, not exact.
        """
        if _factor(without) is None:
            without = without + _RIDGE * max(float(np.trace(without)) / len(without), 1.0) * np.eye(len(without))
        inverse = np.linalg.inv(without)
        at = self.columns(lot)
        rows = self.model.rows[candidates.used]
        rows = np.hstack([np.ones((len(rows), 1)), rows]) if len(at) > self.model.size else rows
        small = _met(rows, inverse[np.ix_(at, at)], candidates.places) + candidates.variance
        if self.kind == "D":
            return _log_det(small) - candidates.log_det
        last = inverse[:, -self.model.size :]
        inner = last @ self.weight @ last.T
        gain = _trace_of_solved(small, _met(rows, inner[np.ix_(at, at)], candidates.places))
        left = float(np.trace(inverse[-self.model.size :, -self.model.size :] @ self.weight)) - gain
        return np.asarray(-np.log(np.maximum(left, np.finfo(float).tiny)))


def _root(weight: np.ndarray) -> np.ndarray:
    values, vectors = np.linalg.eigh(weight)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0)))


def _spread(lower: np.ndarray, root: np.ndarray) -> float:
    """Return tr((LL')^-1 RR')."""
    return float((np.linalg.solve(lower, root) ** 2).sum())


def _factor(information: np.ndarray) -> np.ndarray | None:
    """Return the lower Cholesky factor, or None of a matrix that is singular to rounding."""
    try:
        lower = np.linalg.cholesky(information)
    except np.linalg.LinAlgError:
        return None
    pivots = np.diagonal(lower) ** 2
    return None if pivots.min() <= _SINGULAR * pivots.max() else np.asarray(lower)


def _met(rows: np.ndarray, matrix: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Return X matrix X' of every candidate, (patches, patches, c).

    Every two treatments are multiplied once and looked up, unless there are far more of these than are wanted.
    """
    padded = np.vstack([rows, np.zeros(rows.shape[1])])
    turned = padded @ matrix
    if len(padded) ** 2 > 10 * places.size * len(places):
        return np.einsum("icp,jcp->ijc", turned[places], padded[places])
    met = turned @ padded.T
    return np.asarray(met[places[:, None, :], places[None, :, :]])


def _log_det(small: np.ndarray) -> np.ndarray:
    """Return the log determinants of symmetric matrices stacked last, by elimination; `small` is used up."""
    total = np.ones(small.shape[2])
    log = np.zeros(small.shape[2])
    for at in range(len(small)):
        total *= small[at, at]
        if at % 8 == 7:
            log, total = log + np.log(total), np.ones_like(total)
        factors = small[at + 1 :, at] / small[at, at]
        small[at + 1 :, at + 1 :] -= factors[:, None] * small[at, at + 1 :]
    return np.asarray(log + np.log(total))


def _trace_of_solved(small: np.ndarray, inner: np.ndarray) -> np.ndarray:
    """Return tr(small^-1 inner) of symmetric matrices stacked last, by elimination; both are used up."""
    total = np.zeros(small.shape[2])
    for at in range(len(small)):
        total += inner[at, at] / small[at, at]
        factors = small[at + 1 :, at] / small[at, at]
        small[at + 1 :, at + 1 :] -= factors[:, None] * small[at, at + 1 :]
        inner[at + 1 :] -= factors[:, None] * inner[at]
        inner[:, at + 1 :] -= factors[None] * inner[:, at][:, None]
    return total
