"""Which effects a layout mixes up, and how that is said."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import TYPE_CHECKING

import numpy as np

from trials.plan import Plan, Response
from trials.selection.model import RATIOS
from trials.selection.terms import columns, effect_words
from trials.structure import COLUMNS, Structure, piece_words
from trials.telling_apart import Columns
from trials.telling_apart import same_as as one_with

if TYPE_CHECKING:
    import pandas as pd

PARTLY = 0.3
"""Effects that correlate more than this are called partly mixed up: common practice, no source."""
MOST_NAMED = 3
"""So many partly mixed pairs are named, the worst ones."""
MOST_LEVELS = 8
"""Of more levels of a factor the first so many are tried for the worst."""
_EQUAL = 1e-9

Effect = tuple[str, ...]


@dataclass(frozen=True)
class Alias:
    """Two effects that a layout mixes up; each is the factors it is about.

    ``correlation`` is the largest one (canonical) between the columns of the two; 1 is complete.
    """

    first: Effect
    second: Effect
    correlation: float

    @property
    def complete(self) -> bool:
        """Whether the two (or some part of them) cannot be told apart at all."""
        return self.correlation > 1 - 1e-6


def aliases(plan: Plan, treatments: Sequence[Mapping[str, str]]) -> tuple[Alias, ...]:
    """Find which effects a layout mixes up.

    Parameters
    ----------
    plan : the plan.
    treatments : the levels of every treated patch of the layout.

    Returns
    -------
    Every two effects (of one factor or of two together) that are completely mixed up or correlate by more
    than `PARTLY`, worst first. An interaction is taken clear of its own two factors; one that is (in part)
    nothing but its own factors, because combinations are missing, comes paired with the first of them.
    """
    names = [factor.name for factor in plan.factors]
    effects: list[Effect] = [*((name,) for name in names), *combinations(names, 2)]
    own = {effect: _clear_columns(plan, effect, treatments) for effect in effects}
    found = []
    for effect in effects:
        levels = [len(plan.factor(name).levels) - 1 for name in effect]
        if len(effect) == 2 and own[effect].shape[1] < levels[0] * levels[1]:
            found.append(Alias(effect[:1], effect, 1.0))
    for first, second in combinations(effects, 2):
        if own[first].shape[1] and own[second].shape[1]:
            largest = float(np.linalg.svd(own[first].T @ own[second], compute_uv=False)[0])
            if largest > PARTLY + _EQUAL:
                found.append(Alias(first, second, min(largest, 1.0)))
    return tuple(sorted(found, key=lambda alias: -round(alias.correlation, 9)))


def _clear_columns(plan: Plan, effect: Effect, treatments: Sequence[Mapping[str, str]]) -> np.ndarray:
    """Return an orthonormal basis of an effect's columns, clear of the mean and of its own factors."""
    inner = [columns(plan, name, treatments) for name in effect if len(effect) > 1]
    around = np.linalg.svd(np.hstack([np.ones((len(treatments), 1)), *inner]), full_matrices=False)
    basis = around[0][:, around[1] > 1e-9 * around[1][0]]
    own = columns(plan, ":".join(effect), treatments)
    rest = own - basis @ (basis.T @ own)
    left, sizes, _ = np.linalg.svd(rest, full_matrices=False)
    return np.asarray(left[:, sizes > 1e-8 * np.sqrt(len(treatments))])


# --- what an answer is one and the same as ---------------------------------------------------------------


@dataclass(frozen=True)
class Same:
    """Interactions that one factor's effect cannot be told from.

    Attributes
    ----------
    pairs : the two factors of each.
    moved : how much the factor's difference moves, at most, where the effect of the one differs by 1 between levels
        of the other.
    """

    pairs: tuple[tuple[str, str], ...]
    moved: float


def same_as(
    plan: Plan, told: Structure, treated: pd.DataFrame, name: str, between: Sequence[str] = ()
) -> Same | None:
    """Return the interactions that a factor's effect is one and the same as, on these patches.

    Parameters
    ----------
    told : what the patches can tell.
    treated : one row a treated patch, as layout.csv.
    between : the two levels compared; every two if empty.

    Notes
    -----
    With X the model's columns, V the variances of `RATIOS` and Z an interaction's cells, an estimate l'b moves by
    l'(X'V^-1X)^-1 X'V^-1 Z g where the cells are g (the alias matrix of Box and Wilson 1951, JRSS B 13:1-45). Of the
    cells g the worst are sought among those that are 1 where some levels of both meet and 0 elsewhere.
    """
    apart = Columns(plan, treated)
    pairs = one_with(plan, apart, name)
    if not pairs:
        return None
    rows = treated[[factor.name for factor in plan.factors]].astype(str).to_dict("records")
    terms = [effect.factors for effect in told.effects if effect.df > 0 and effect.factors != (name,)]
    blocks = [columns(plan, ":".join(term), rows) for term in ((name,), *terms)]
    x = np.hstack([blocks[0], np.ones((len(rows), 1)), *blocks[1:]])
    variance = np.eye(len(rows))
    for term in told.random:
        pieces = apart.pieces(COLUMNS[term])
        variance += RATIOS[term] * pieces @ pieces.T
    pull = np.linalg.solve(variance, x)
    levels = plan.factor(name).levels
    contrasts = columns(plan, name, [{name: level} for level in levels])
    own = np.linalg.pinv(x.T @ pull)[: contrasts.shape[1]] @ pull.T
    compared = [between] if between else combinations(levels, 2)
    differences = [(contrasts[levels.index(one)] - contrasts[levels.index(other)]) @ own for one, other in compared]
    moved = {pair: max(_worst(plan, pair, rows, difference) for difference in differences) for pair in pairs}
    found = tuple(pair for pair in pairs if moved[pair] > 1e-6)
    return Same(found, max(moved.values())) if found else None


def _worst(plan: Plan, pair: Effect, rows: Sequence[Mapping[str, str]], difference: np.ndarray) -> float:
    """Return the most that a difference, as weights of patches, moves by where some levels of two factors meet."""
    levels = [plan.factor(name).levels for name in pair]
    cells = np.zeros((len(levels[0]), len(levels[1])))
    for row, weight in zip(rows, difference, strict=True):
        cells[levels[0].index(row[pair[0]]), levels[1].index(row[pair[1]])] += weight
    some = [np.array(list(product((0, 1), repeat=min(size, MOST_LEVELS)))) for size in cells.shape]
    cut = cells[: some[0].shape[1], : some[1].shape[1]]
    return float(np.abs(some[0] @ cut @ some[1].T).max())


def same_words(plan: Plan, response: Response, same: Same) -> str:
    """Say what an answer may as well be, and by how much that moves it."""
    one, *others = same.pairs
    rest = [f"that of {plan.factor(first).words} on {plan.factor(second).words}" for first, second in others]
    if len(rest) >= MOST_NAMED:
        rest = [*rest[: MOST_NAMED - 1], f"that of one on another in {len(rest) - MOST_NAMED + 1} more pairs"]
    or_else = "".join(f", or {words}" for words in rest)
    first, second = (plan.factor(name).words for name in one)
    size = f"{same.moved:.2g}"
    return (
        f"It may as well be that the effect of {first} depends on {second}{or_else}: these boards cannot tell "
        f"{'these' if rest else 'the two'} apart, and each {response.unit_words(1)} of that moves this difference by "
        f"up to {size} {response.unit_words(float(size))}."
    )


# --- in words --------------------------------------------------------------------------------------


def alias_words(plan: Plan, found: Sequence[Alias], boards: int) -> tuple[str, ...]:
    """Say in words what is mixed up: a sentence for each group of effects that are one, and one for the rest."""
    with_these = f"With {'this' if boards == 1 else 'these'} {boards} {piece_words('board', boards)}"
    missing = [alias.second for alias in found if alias.complete and set(alias.first) < set(alias.second)]
    sentences = []
    if missing:
        some = _listed(plan, missing, "and")
        sentences.append(f"{with_these}, {some} cannot be estimated in full: combinations are missing.")
    for group in _mixed_groups(found):
        first, *others = sorted(group, key=len)
        sentences.append(
            f"{with_these}, {effect_words(plan, first)} cannot be told from {_listed(plan, others, 'or')}."
        )
    partly = [alias for alias in found if not alias.complete]
    if partly:
        named = [
            f"{effect_words(plan, alias.first)} with {effect_words(plan, alias.second)} ({alias.correlation:.2f})"
            for alias in partly[:MOST_NAMED]
        ]
        weaker = len(partly) - len(named)
        rest = f", and {weaker} weaker {'one' if weaker == 1 else 'ones'}" if weaker else ""
        sentences.append(f"Partly mixed up (correlation in brackets): {', '.join(named)}{rest}.")
    return tuple(sentences)


def _listed(plan: Plan, effects: Sequence[Effect], joint: str) -> str:
    *most, last = (effect_words(plan, effect) for effect in effects)
    return f"{', '.join(most)} {joint} {last}" if most else last


def _mixed_groups(found: Sequence[Alias]) -> list[list[Effect]]:
    """Join effects that cannot be told apart, directly or through others."""
    groups: list[list[Effect]] = []
    for alias in found:
        if alias.complete and not set(alias.first) < set(alias.second):
            joined = [group for group in groups if alias.first in group or alias.second in group]
            group = list(dict.fromkeys([*(effect for one in joined for effect in one), alias.first, alias.second]))
            groups = [*(other for other in groups if other not in joined), group]
    return groups
