"""The columns of a layout, and which interactions they can tell from everything else."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from trials.plan import Plan

if TYPE_CHECKING:
    import pandas as pd

Pair = tuple[str, str]

_SAME = 1 - 1e-9
_NOUGHT = 1e-9
_PARTLY = 1e-6


def line_and_bend(amounts: Sequence[float]) -> np.ndarray:
    """Return a straight line over amounts and its bend, each of mean nought: (amounts, 2), of two (2, 1)."""
    places = np.asarray(amounts, dtype=float)
    centred = places - places.mean()
    basis, _ = np.linalg.qr(np.vander(centred / np.abs(centred).max(), min(3, len(places)), increasing=True))
    return np.asarray(basis[:, 1:] * np.sqrt(len(places)))


def beyond_the_bend(amounts: Sequence[float]) -> np.ndarray:
    """Return what sets amounts apart beside a line and its bend, (amounts, amounts - 3), of mean square 1."""
    lower = np.column_stack([np.ones(len(amounts)), line_and_bend(amounts)])
    whole, _ = np.linalg.qr(np.column_stack([lower, np.eye(len(amounts))]))
    return np.asarray(whole[:, 3:] * np.sqrt(len(amounts)))


class Columns:
    """The treated patches of a layout as columns of numbers, each worked out once.

    Parameters
    ----------
    plan : whose factors they carry.
    treated : one row a treated patch, as layout.csv.
    """

    def __init__(self, plan: Plan, treated: pd.DataFrame) -> None:
        self._treated = treated
        self.mean = np.ones((len(treated), 1))
        self._parts = {
            factor.name: np.eye(len(factor.levels))[
                [factor.levels.index(str(level)) for level in treated[factor.name]]
            ]
            for factor in plan.factors
        }
        self._curves = {
            factor.name: line_and_bend(factor.amounts)
            for factor in plan.factors
            if factor.name in plan.model.curvature and factor.amounts is not None
        }
        self._levels = {factor.name: factor.levels for factor in plan.factors}
        self._terms: dict[tuple[str, ...], np.ndarray] = {}
        self._pieces: dict[tuple[str, ...], np.ndarray] = {}

    def term(self, term: tuple[str, ...]) -> np.ndarray:
        """Return the contrast columns of a term (each level against the first, crossed for a pair).

        Amounts of which a curve is fitted have a line and its bend, and the line alone within a pair.
        """
        if term not in self._terms:
            block = self.mean
            for name in term:
                part = self._parts[name][:, 1:]
                if name in self._curves:
                    part = self._parts[name] @ self._curves[name][:, : 2 if len(term) == 1 else 1]
                block = (block[:, :, None] * part[:, None, :]).reshape(len(block), -1)
            self._terms[term] = block
        return self._terms[term]

    def pieces(self, names: tuple[str, ...]) -> np.ndarray:
        """Return one 0/1 column for each piece that these columns of the layout name."""
        if names not in self._pieces:
            codes = self._treated.groupby(list(names), sort=False).ngroup().to_numpy()
            self._pieces[names] = np.eye(int(codes.max(initial=-1)) + 1)[codes]
        return self._pieces[names]

    def number(self, names: tuple[str, ...]) -> int:
        """Return how many such pieces there are."""
        return self.pieces(names).shape[1]

    def missing_cell(self, pair: Pair) -> tuple[str, str] | None:
        """Return a combination of two factors' levels that no patch carries, if there is one and it is needed.

        A line goes through amounts that are not there.
        """
        if set(pair) & set(self._curves):
            return None
        counts = self._parts[pair[0]].T @ self._parts[pair[1]]
        first, second = np.nonzero(counts == 0)
        return (self._levels[pair[0]][first[0]], self._levels[pair[1]][second[0]]) if len(first) else None


def rank(blocks: Sequence[np.ndarray]) -> int:
    """Return the rank of columns given in blocks."""
    return int(np.linalg.matrix_rank(np.hstack(blocks)))


def told_apart(
    plan: Plan, columns: Columns, wanted: Sequence[Pair], *, stated: bool, array: bool
) -> tuple[list[Pair], dict[Pair, str]]:
    """Return the interactions these patches can tell from all else, and why they cannot tell the others.

    Parameters
    ----------
    wanted : the pairs of factors to look at, in the order in which they come in.
    stated : whether the plan names them: of two that are one and the same the first then stands, because the plan
        says so; otherwise neither does.
    array : whether an orthogonal array of boards is to be kept, see `structure.keeps_array`.
    """
    basis = _orthonormal([columns.mean, *(columns.term((factor.name,)) for factor in plan.factors)])
    clear: dict[Pair, np.ndarray] = {}
    hidden: dict[Pair, str] = {}
    for pair in wanted:
        own = _orthonormal([_clear_of(columns.term(pair), basis)])
        missing = columns.missing_cell(pair)
        if missing:
            cell = (f"{plan.factor(name).words} {level}" for name, level in zip(pair, missing, strict=True))
            hidden[pair] = f"{' with '.join(cell)} is nowhere on the boards"
        elif own.shape[1] < columns.term(pair).shape[1]:
            hidden[pair] = f"these boards cannot tell it from {_behind(plan, columns, pair)}"
        elif array and (spoilt := spoils(plan, columns, pair)):
            hidden[pair] = f"boards that tell the factors apart best mix it in part with {_some(spoilt)}"
        else:
            clear[pair] = own
    kept: list[Pair] = []
    for pair, own in clear.items():
        twins = [other for other in clear if other != pair and _one_and_the_same(own, clear[other])]
        rest = _orthonormal([_clear_of(own, basis)])
        if twins and not stated:
            names = " or ".join(_words(plan, other) for other in twins)
            hidden[pair] = f"these boards cannot tell it from {names}"
        elif rest.shape[1] < own.shape[1]:
            hidden[pair] = "these boards cannot tell it from the other effects together"
        else:
            basis = np.hstack([basis, rest])
            kept.append(pair)
    return kept, hidden


def _words(plan: Plan, pair: Sequence[str]) -> str:
    return " × ".join(plan.factor(name).words for name in pair)


def _behind(plan: Plan, columns: Columns, pair: Pair) -> str:
    """Return in words the factors from which an interaction cannot be told."""
    mean = _orthonormal([columns.mean])
    own = _own_part(columns, pair)
    same = [
        factor.words
        for factor in plan.factors
        if factor.name not in pair
        and _one_and_the_same(own, _orthonormal([_clear_of(columns.term((factor.name,)), mean)]))
    ]
    return " or ".join(same) if same else "the factors by themselves"


def same_as(plan: Plan, columns: Columns, name: str) -> list[Pair]:
    """Return the pairs of other factors whose interaction is one and the same as (a part of) a factor's effect."""
    mean = _orthonormal([columns.mean])
    own = _orthonormal([_clear_of(columns.term((name,)), mean)])
    others = [factor.name for factor in plan.factors if factor.name != name]
    return [pair for pair in combinations(others, 2) if _one_and_the_same(own, _own_part(columns, pair))]


def _own_part(columns: Columns, pair: Pair) -> np.ndarray:
    """Return orthonormal columns of an interaction, clear of its own two factors."""
    inner = _orthonormal([columns.mean, *(columns.term((name,)) for name in pair)])
    return _orthonormal([_clear_of(columns.term(pair), inner)])


def spoils(plan: Plan, columns: Columns, pair: Pair) -> list[str]:
    """Return the factors that an interaction is partly mixed up with on boards that tell all board factors apart.

    That is an orthogonal array; an interaction let in because a few degrees of freedom are left would take from it.
    """
    on_boards = plan.laid_on("board")
    if not set(pair) <= {factor.name for factor in on_boards}:
        return []
    mean = _orthonormal([columns.mean])
    own = {factor: _orthonormal([_clear_of(columns.term((factor.name,)), mean)]) for factor in on_boards}
    if any(_mixed(one, other) for one, other in combinations(own.values(), 2)):
        return []
    both = _own_part(columns, pair)
    return [factor.words for factor in on_boards if factor.name not in pair and _mixed(both, own[factor])]


def _some(names: Sequence[str]) -> str:
    return f"{', '.join(names[:-1])} and {names[-1]}" if len(names) > 1 else names[0]


def _mixed(one: np.ndarray, other: np.ndarray) -> bool:
    return bool((np.abs(one.T @ other) > _PARTLY).any())


def _one_and_the_same(one: np.ndarray, other: np.ndarray) -> bool:
    """Whether some part of two effects, given by orthonormal columns, is the same."""
    found = np.linalg.svd(one.T @ other, compute_uv=False)
    return bool(len(found) and found[0] > _SAME)


def _clear_of(columns: np.ndarray, basis: np.ndarray) -> np.ndarray:
    return np.asarray(columns - basis @ (basis.T @ columns))


def _orthonormal(blocks: Sequence[np.ndarray]) -> np.ndarray:
    """Return orthonormal columns that span those of the blocks."""
    left, sizes, _ = np.linalg.svd(np.hstack(blocks), full_matrices=False)
    return np.asarray(left[:, sizes > _NOUGHT * np.sqrt(len(left))])
