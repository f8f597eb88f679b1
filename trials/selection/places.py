"""The boards to be treated before and after the choice, and which of their patches carry a treatment at all."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import permutations
from math import factorial

import numpy as np

from trials.draw import Draw
from trials.errors import Problem, UserError
from trials.plan import Plan
from trials.structure import treated_lanes, treated_strips

Treatment = dict[str, str]
Cell = tuple[int, int]
"""A patch by its lane and strip, both counted from 1 over the treated ones only."""
MOST_ORDERS = 120
"""Boards are compared in all orders of their lanes (or strips) while there are no more than these."""


@dataclass(frozen=True)
class BoardPlace:
    """A board that is to be treated.

    Attributes
    ----------
    number : its number in the trial, from 1.
    lot : the lot it is from, from 1.
    unusable : its patches that carry nothing, by (lane, strip) counted over the treated lanes and strips.
    """

    number: int
    lot: int
    unusable: frozenset[Cell] = frozenset()


@dataclass(frozen=True)
class ChosenBoard:
    """What one treated board carries.

    Attributes
    ----------
    lot : the lot it is from, counted from 1.
    treatment : the levels of the factors laid on boards.
    lanes, strips : for each treated lane and strip its levels, in order of position.
    cells : the whole treatment of each treated patch by (lane, strip), both counted from 1 over the
        treated ones only; missing are control patches, unusable ones and those left bare because the plan
        forbids what would meet there.
    controls : the names of the control patches by (lane, strip), counted alike.
    """

    lot: int
    treatment: Treatment
    lanes: tuple[Treatment, ...]
    strips: tuple[Treatment, ...]
    cells: dict[Cell, Treatment]
    controls: dict[Cell, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Stand:
    """A board's place as the search sees it: two boards whose masks differ only in order look the same.

    Attributes
    ----------
    lot : its lot.
    mask : (lanes, strips), whether a patch carries a treatment; lanes and strips in a standard order.
    lanes, strips : the place on the board, from 0, of each lane and strip of the mask.
    """

    lot: int
    mask: np.ndarray
    lanes: tuple[int, ...]
    strips: tuple[int, ...]

    @property
    def shape(self) -> bytes:
        """What two boards share that can hold each other's treatments."""
        return self.mask.tobytes()


def default_places(plan: Plan, already: Sequence[ChosenBoard] = ()) -> tuple[BoardPlace, ...]:
    """Return all boards of the plan but control boards or, with boards there already, all of the other lots.

    Control boards are the last ones of the largest lots, control lanes and strips the last ones of a board.
    """
    taken = {board.lot for board in already}
    lots: dict[int, list[int]] = {}
    start = 1
    for lot, size in enumerate(plan.boards.lots, start=1):
        if lot not in taken:
            lots[lot] = list(range(start, start + size))
        start += size
    for _ in range(0 if already else plan.controls_on("board")):
        if any(lots.values()):
            max(lots.values(), key=len).pop()
    return tuple(BoardPlace(at, lot, _unusable(plan, at)) for lot, numbers in lots.items() for at in numbers)


def _unusable(plan: Plan, number: int) -> frozenset[Cell]:
    own = [some for some in plan.unusable if some.board == number]
    return frozenset(cell for cell in _cells(plan) if any(some.covers(*cell) for some in own))


def _cells(plan: Plan) -> list[Cell]:
    lanes, strips = treated_lanes(plan), treated_strips(plan)
    return [(lane, strip) for lane in range(1, lanes + 1) for strip in range(1, strips + 1)]


def draw_controls(plan: Plan, places: Sequence[BoardPlace], draw: Draw) -> list[dict[Cell, str]]:
    """Draw the control patches of each board, each position of the trial about equally often.

    Raises
    ------
    UserError
        A board has no patch left for the factors.
    """
    names = [control.name for control in plan.controls if control.laid_on == "patch" for _ in range(control.count)]
    used: Counter[Cell] = Counter()
    used_by: Counter[tuple[Cell, str]] = Counter()
    drawn = []
    for place in places:
        free = draw.shuffled([cell for cell in _cells(plan) if cell not in place.unusable])
        if len(free) <= len(names):
            raise _nothing_left(place, len(free), len(names))
        controls: dict[Cell, str] = {}
        for name in draw.shuffled(names):
            cell = min(free, key=lambda cell: (used[cell], used_by[cell, name]))
            free.remove(cell)
            used[cell] += 1
            used_by[cell, name] += 1
            controls[cell] = name
        drawn.append(controls)
    return drawn


def _nothing_left(place: BoardPlace, free: int, controls: int) -> UserError:
    if free == 0:
        what, cure = "has no usable patch", "leave it out of the boards or make it a control"
    else:
        patches = "patch is" if free == 1 else "patches are"
        what = f"has no patch left for the factors: {free} {patches} usable and {controls} taken by controls"
        cure = "take fewer control patches"
    return UserError(Problem(f"board {place.number} {what}", cure, file="trial.toml"))


def stands(plan: Plan, places: Sequence[BoardPlace], controls: Sequence[dict[Cell, str]]) -> list[Stand]:
    """Return where each board stands, with its unusable and control patches masked."""
    standard: dict[bytes, tuple[np.ndarray, tuple[int, ...], tuple[int, ...]]] = {}
    result = []
    for place, own in zip(places, controls, strict=True):
        mask = np.ones((treated_lanes(plan), treated_strips(plan)), dtype=bool)
        for lane, strip in (*place.unusable, *own):
            if not (1 <= lane <= mask.shape[0] and 1 <= strip <= mask.shape[1]):
                raise ValueError(f"board {place.number} has no treated patch {(lane, strip)}")
            mask[lane - 1, strip - 1] = False
        key = mask.tobytes()
        if key not in standard:
            standard[key] = _standard(mask)
        result.append(Stand(place.lot, *standard[key]))
    return result


def _standard(mask: np.ndarray) -> tuple[np.ndarray, tuple[int, ...], tuple[int, ...]]:
    """Return a mask in standard order, with the order of lanes and strips that makes it so."""
    if factorial(mask.shape[0]) > MOST_ORDERS and mask.shape[1] < mask.shape[0]:
        turned, strips, lanes = _standard(mask.T)
        return np.ascontiguousarray(turned.T), lanes, strips
    if factorial(mask.shape[0]) <= MOST_ORDERS:
        orders = [list(order) for order in permutations(range(mask.shape[0]))]
    else:
        orders = [list(np.argsort(-mask.sum(axis=1), kind="stable"))]
    tried = [(order, list(np.lexsort(~mask[order][::-1]))) for order in orders]
    best = max(tried, key=lambda both: mask[np.ix_(*both)].tobytes())
    chosen = np.ascontiguousarray(mask[np.ix_(*best)])
    return chosen, tuple(int(at) for at in best[0]), tuple(int(at) for at in best[1])
