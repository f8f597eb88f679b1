"""The boards of a trial before anything is laid on them: their lots, their controls, what cannot be used."""

from __future__ import annotations

from dataclasses import dataclass

from trials.draw import Draw
from trials.placing import Cell, Places
from trials.plan import Plan


@dataclass(frozen=True)
class Stock:
    """One board.

    Attributes
    ----------
    number, lot : both counted from 1; boards are numbered through the lots.
    control : the name of the control the whole board is, or empty.
    lanes, strips : for each, in order of position, the name of the control it is, or empty.
    unusable : the patches that carry nothing.
    """

    number: int
    lot: int
    control: str
    lanes: tuple[str, ...]
    strips: tuple[str, ...]
    unusable: frozenset[Cell]

    @property
    def free_lanes(self) -> list[int]:
        """The lanes that carry levels."""
        return [at for at, name in enumerate(self.lanes, start=1) if not name]

    @property
    def free_strips(self) -> list[int]:
        """The strips that carry levels."""
        return [at for at, name in enumerate(self.strips, start=1) if not name]

    @property
    def cells(self) -> list[Cell]:
        """Every patch that can be used."""
        every = ((lane, strip) for lane in range(1, len(self.lanes) + 1) for strip in range(1, len(self.strips) + 1))
        return [cell for cell in every if cell not in self.unusable]

    def control_at(self, cell: Cell) -> str:
        """Return the name of the control that a patch is because of its board, lane or strip, or nothing."""
        return self.control or self.lanes[cell[0] - 1] or self.strips[cell[1] - 1]


def boards_of(plan: Plan, lots: tuple[int, ...], draw: Draw, places: Places, first: int = 1) -> list[Stock]:
    """Return boards in the order of their numbers, controls drawn.

    Parameters
    ----------
    lots : how many boards each lot holds; the lots and boards are counted on from those of the plan before `first`.
    first : the number of the first board; the lots are those from its own on.
    """
    numbered = _numbered(lots, first)
    controls = _control_boards(plan, numbered, draw) if first == 1 else {}
    before = 0 if first == 1 else len(plan.boards.lots) - len(lots)
    found = []
    for lot, numbers in enumerate(numbered, start=before + 1):
        for number in numbers:
            unusable = frozenset(
                (lane, strip)
                for lane in range(1, plan.boards.lanes + 1)
                for strip in range(1, plan.boards.strips + 1)
                if any(one.board == number and one.covers(lane, strip) for one in plan.unusable)
            )
            lanes = _control_pieces(plan, "lane", plan.boards.lanes, places)
            strips = _control_pieces(plan, "strip", plan.boards.strips, places)
            found.append(Stock(number, lot, controls.get(number, ""), lanes, strips, unusable))
    return found


def _numbered(lots: tuple[int, ...], first: int) -> list[list[int]]:
    found = []
    for size in lots:
        found.append(list(range(first, first + size)))
        first += size
    return found


def _control_boards(plan: Plan, numbered: list[list[int]], draw: Draw) -> dict[int, str]:
    """Choose the boards that are controls, spread over the lots."""
    names = [control.name for control in plan.controls if control.laid_on == "board" for _ in range(control.count)]
    queues = draw.shuffled([draw.shuffled(numbers) for numbers in numbered])
    chosen: list[int] = []
    while len(chosen) < len(names):
        queues.sort(key=len, reverse=True)
        for queue in queues:
            if queue and len(chosen) < len(names):
                chosen.append(queue.pop())
    return dict(zip(chosen, draw.shuffled(names), strict=True))


def _control_pieces(plan: Plan, kind: str, number: int, places: Places) -> tuple[str, ...]:
    """Return for each lane (or strip) the control it is, or nothing; controls go where they have stood least."""
    names = [control.name for control in plan.controls if control.laid_on == kind for _ in range(control.count)]
    chosen = places.chosen([(kind, name) for name in names], [(kind, at) for at in range(1, number + 1)])
    return tuple(names[chosen[kind, at]] if (kind, at) in chosen else "" for at in range(1, number + 1))
