"""Which effects a layout mixes up, and how that is said."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from trials.plan import Plan
from trials.selection.terms import columns, effect_words
from trials.structure import piece_words

PARTLY = 0.3
"""Effects that correlate more than this are called partly mixed up: common practice, no source."""
MOST_NAMED = 3
"""So many partly mixed pairs are named, the worst ones."""
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
