"""Which patches are compared side by side: two that differ in one factor alone, on pieces as near as there are.

A factor laid on lanes gives pairs across the two lanes of a board, in the same strip; one laid on boards pairs boards
of the same lot first. Each piece stands in one pair of pieces for any two levels, so that pairs of pieces are
independent of each other.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence
from itertools import combinations
from typing import TYPE_CHECKING, Any

from trials import structure
from trials.draw import Draw
from trials.plan import Plan, Preference

if TYPE_CHECKING:
    import pandas as pd

Patch = dict[str, Any]

PIECE: dict[str, tuple[str, ...]] = {structure.piece_words(term, 1): of for term, of in structure.COLUMNS.items()}
"""The columns that name a piece of each kind: of ``lane``, board and lane."""


def pairs(plan: Plan, preference: Preference, patches: pd.DataFrame, draw: Draw) -> list[tuple[int, int]]:
    """Return the codes of patches to compare: (level named first in the plan, level named later).

    Parameters
    ----------
    plan, patches : the plan and its layout; controls are compared with nothing.
    draw : which pieces meet, and which pairs are taken where the plan wants fewer than there are.
    """
    factor = plan.factor(preference.factor)
    treated = [row for row in patches.to_dict("records") if not row["control"]]
    others = [other.name for other in plan.factors if other.name != factor.name]
    found: list[tuple[int, int]] = []
    for first, second in combinations(factor.levels, 2):
        sides = [_pieces(treated, factor.name, level, PIECE[factor.laid_on]) for level in (first, second)]
        matched = list(_matched(sides[0], sides[1], others, draw))
        found += _as_many(matched, preference.pairs, draw)
    return found


def _pieces(rows: Sequence[Patch], factor: str, level: str, columns: tuple[str, ...]) -> list[list[Patch]]:
    """Return the pieces that carry a level, each as its patches."""
    found: dict[Hashable, list[Patch]] = {}
    for row in rows:
        if row[factor] == level:
            found.setdefault(tuple(row[name] for name in columns), []).append(row)
    return list(found.values())


def _matched(
    firsts: list[list[Patch]], seconds: list[list[Patch]], others: list[str], draw: Draw
) -> Iterator[list[tuple[int, int]]]:
    """Yield for each pair of pieces its pairs of patches; the nearest pieces, with the most in common, meet first."""
    firsts, seconds = draw.shuffled(firsts), draw.shuffled(seconds)
    candidates = []
    for one, first in enumerate(firsts):
        for two, second in enumerate(seconds):
            alike = _alike(first, second, others)
            if alike:
                candidates.append((_apart(first[0], second[0]), -len(alike), one, two, alike))
    taken: set[tuple[str, int]] = set()
    for _, _, one, two, alike in sorted(candidates, key=lambda candidate: candidate[:4]):
        if not taken & {("first", one), ("second", two)}:
            taken |= {("first", one), ("second", two)}
            yield alike


def _apart(first: Patch, second: Patch) -> int:
    """Return how far two pieces are apart: 0 on one board, 1 within a lot, 2 from two lots."""
    if first["board"] == second["board"]:
        return 0
    return 1 if first["lot"] == second["lot"] else 2


def _alike(first: list[Patch], second: list[Patch], others: list[str]) -> list[tuple[int, int]]:
    """Return pairs of patches of two pieces that carry the same levels of all other factors, the nearest together."""
    free = list(second)
    found = []
    for row in first:
        same = [other for other in free if all(other[name] == row[name] for name in others)]
        if same:
            near = min(same, key=lambda other: (other["strip"] != row["strip"], other["lane"] != row["lane"]))
            free.remove(near)
            found.append((int(row["patch"]), int(near["patch"])))
    return found


def _as_many(matched: list[list[tuple[int, int]]], wanted: int, draw: Draw) -> list[tuple[int, int]]:
    """Return as many pairs as are wanted, 0 for all, spread over the pairs of pieces as evenly as can be."""
    queues = [draw.shuffled(pairs_here) for pairs_here in draw.shuffled(matched)]
    found: list[tuple[int, int]] = []
    while any(queues) and (not wanted or len(found) < wanted):
        for queue in queues:
            if queue and (not wanted or len(found) < wanted):
                found.append(queue.pop())
    return found
