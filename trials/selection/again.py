"""The boards laid out before, once more: what boards that are added have at least to be worth."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from trials.plan import KINDS
from trials.selection.model import Model
from trials.selection.patterns import Patterns
from trials.selection.places import ChosenBoard
from trials.selection.search import Held, Search


def once_more(search: Search, already: Sequence[ChosenBoard]) -> list[Held]:
    """Return the boards there are already as they would lie on the places to be treated, several times where needed.

    Where a place has fewer patches for treatments than the board had, it carries what goes there.
    """
    found = []
    for at, stand in enumerate(search.stands):
        pattern = search.model.options.fitted(_pattern(search.model, already[at % len(already)]), stand.mask)
        found.append(search.held(pattern, stand))
    return found


def _pattern(model: Model, board: ChosenBoard) -> Patterns:
    """Return what a board carries by option number; the first option where nothing says it."""
    plan, options = model.plan, model.options
    names = [[factor.name for factor in plan.laid_on(kind)] for kind in KINDS]

    def option(kind: int, lane: int = 0, strip: int = 0) -> int:
        here = (cell for cell in board.cells if lane in (0, cell[0]) and strip in (0, cell[1]))
        carried = next((board.cells[cell] for cell in here), None)
        return 0 if carried is None else options.kinds[kind].index({name: carried[name] for name in names[kind]})

    lanes, strips = range(1, options.lane_count + 1), range(1, options.strip_count + 1)
    return Patterns(
        np.array([option(0)]),
        np.array([[option(1, lane) for lane in lanes]]),
        np.array([[option(2, strip=strip) for strip in strips]]),
        np.array([[[option(3, lane, strip) for strip in strips] for lane in lanes]]),
    )
