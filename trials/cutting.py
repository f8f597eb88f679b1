"""Which board is cut from which place of the stock: lots kept together, neighbours known, little left over.

`cut` is pure: a plan's boards and the planks there are in, places out. It maps board numbers to places and
draws nothing at random: what a board carries is settled elsewhere and is not touched.

On a plank ``x`` runs along the grain from end A, ``y`` across it from edge A; sapwood lies along the other
edge. Boards lie along the grain, their label end towards end A and their fixed edge towards edge A.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from trials.errors import Problem, UserError
from trials.plan import Boards
from trials.planks import Plank

LEAST_OFFCUT_MM = 20.0
"""What is shorter or narrower counts as waste, not as an offcut: a working value of this project."""
_TOUCH = 1e-6
"""Millimetres below which two lengths are one."""


@dataclass(frozen=True)
class Saw:
    """How wide a cut is, and how much is cut off each end of a plank, the cut included (mm)."""

    kerf_mm: float
    end_trim_mm: float = 0.0


@dataclass(frozen=True)
class Place:
    """Where a board comes from: its lot in the plan, its plank, its section along the plank, its corner there."""

    board: int
    lot: int
    plank: str
    section: int
    x_mm: float
    y_mm: float


@dataclass(frozen=True)
class Offcut:
    """Clear wood that is left: its plank, its corner there, its extent along and across the grain, in mm."""

    plank: str
    x_mm: float
    y_mm: float
    length_mm: float
    width_mm: float


@dataclass(frozen=True)
class Neighbours:
    """Two boards that lay ``end to end`` or ``side by side`` in the plank, and how much wood was between."""

    board: int
    other: int
    how: str
    between_mm: float


@dataclass(frozen=True)
class Source:
    """A lot of the plan, the lot of stock it is cut from, and the planks cut into."""

    lot: int
    boards: tuple[int, ...]
    stock_lot: str
    planks: tuple[str, ...]


@dataclass(frozen=True)
class CuttingPlan:
    """Every board's place.

    Attributes
    ----------
    places : by board number.
    sources : by lot of the plan.
    offcuts : of the planks cut into, by plank and place.
    """

    length_mm: float
    width_mm: float
    saw: Saw
    stock: tuple[Plank, ...]
    places: tuple[Place, ...]
    sources: tuple[Source, ...]
    neighbours: tuple[Neighbours, ...]
    offcuts: tuple[Offcut, ...]

    @property
    def cut_into(self) -> tuple[Plank, ...]:
        """The planks boards come from, in the order of the stock."""
        names = {place.plank for place in self.places}
        return tuple(plank for plank in self.stock if plank.name in names)

    @property
    def untouched(self) -> tuple[Plank, ...]:
        """The planks that are left whole."""
        return tuple(plank for plank in self.stock if plank not in self.cut_into)

    @property
    def used_percent(self) -> float:
        """The boards' share of the face of the planks cut into."""
        return self._share(self.cut_into)

    @property
    def of_all_percent(self) -> float:
        """The boards' share of the face of all the stock."""
        return self._share(self.stock)

    @property
    def offcut_percent(self) -> float:
        """The offcuts' share of the face of the planks cut into."""
        left = sum(offcut.length_mm * offcut.width_mm for offcut in self.offcuts)
        return 100 * left / sum(plank.area_mm2 for plank in self.cut_into)

    def _share(self, planks: Iterable[Plank]) -> float:
        boards = len(self.places) * self.length_mm * self.width_mm
        return 100 * boards / sum(plank.area_mm2 for plank in planks)


def cut(boards: Boards, stock: Sequence[Plank], saw: Saw, first: int = 1) -> CuttingPlan:
    """Find a place in the stock for every board.

    Parameters
    ----------
    boards : the plan's.
    stock : the planks, no name twice.
    saw : its kerf, and the ends' trim.
    first : the number of the first board to cut; those before it have been cut already.

    Returns
    -------
    The plan that cuts into the fewest planks, and among those into the smallest area of planks. Every lot
    of the plan comes from one lot of stock, and no two from the same.

    Raises
    ------
    UserError
        The stock does not hold the boards.
    ValueError
        A plank's name stands twice, or the saw's widths are below nothing.

    Notes
    -----
    Exact, whatever the number of planks. Boards are of one size and lie along the grain, so a plank holds
    so many sections times so many boards abreast, and taking each section as near end A as may be gives the
    most. For a pair of a plan's lot and a lot of stock the planks are a covering knapsack, solved by dynamic
    programming over the boards still to be placed; the pairs are then an assignment problem.
    """
    if len({plank.name for plank in stock}) < len(stock) or min(saw.kerf_mm, saw.end_trim_mm) < 0:
        raise ValueError("planks must have names of their own, and a kerf and a trim of 0 mm or more")
    lots = _lots(boards, first)
    _check_size(boards, stock, saw)
    groups: dict[str, list[Plank]] = {}
    for plank in stock:
        groups.setdefault(plank.lot, []).append(plank)
    names = list(groups)
    scale = 1 + sum(_hundredths(plank) for plank in stock)
    covers = [[_cover(groups[name], len(numbers), boards, saw) for name in names] for numbers in lots.values()]
    costs = [[None if cover is None else cover[0] * scale + cover[1] for cover in row] for row in covers]
    chosen = _assign(costs)
    if chosen is None:
        raise UserError(_too_little(boards, lots, groups, saw))
    sources: list[Source] = []
    places: list[Place] = []
    for at, (lot, numbers) in enumerate(lots.items()):
        cover = covers[at][chosen[at]]
        assert cover is not None
        planks = [groups[names[chosen[at]]][step] for step in cover[2]]
        places += _place(numbers, lot, planks, boards, saw)
        sources.append(Source(lot, tuple(numbers), names[chosen[at]], tuple(plank.name for plank in planks)))
    return CuttingPlan(
        length_mm=boards.length_mm, width_mm=boards.width_mm, saw=saw, stock=tuple(stock), places=tuple(places),
        sources=tuple(sources), neighbours=tuple(_neighbours(places, boards)),
        offcuts=tuple(_offcuts(places, stock, boards, saw)),
    )  # fmt: skip


def starts(plank: Plank, length_mm: float, saw: Saw) -> list[float]:
    """Return where sections of a length begin on a plank, in mm from end A, as many as there can be."""
    found: list[float] = []
    at, end = saw.end_trim_mm, plank.length_mm - saw.end_trim_mm
    blocks = sorted(plank.avoid)
    while at + length_mm <= end + _TOUCH:
        block = next((b for b in blocks if b[0] < at + length_mm - _TOUCH and b[1] > at + _TOUCH), None)
        if block is None:
            found.append(at)
            at += length_mm + saw.kerf_mm
        else:
            at = block[1]
    return found


def abreast(plank: Plank, width_mm: float, saw: Saw) -> int:
    """Return how many boards of a width lie side by side in a plank."""
    return max(0, math.floor((plank.clear_width_mm + saw.kerf_mm + _TOUCH) / (width_mm + saw.kerf_mm)))


def holds(plank: Plank, boards: Boards, saw: Saw) -> int:
    """Return how many boards a plank gives."""
    side_by_side = abreast(plank, boards.width_mm, saw)
    return side_by_side * len(starts(plank, boards.length_mm, saw)) if side_by_side else 0


# --- choosing --------------------------------------------------------------------------------------


def _lots(boards: Boards, first: int) -> dict[int, list[int]]:
    """Return the numbers of the boards of each lot, from the first to be cut on."""
    found, number = {}, 1
    for lot, size in enumerate(boards.lots, start=1):
        numbers = [at for at in range(number, number + size) if at >= first]
        number += size
        if numbers:
            found[lot] = numbers
    if not found:
        raise ValueError(f"there is no board {first} among {boards.count}")
    return found


def _hundredths(plank: Plank) -> int:
    """Return a plank's face in whole units, so that sums of faces compare exactly."""
    return round(plank.length_mm * 100) * round(plank.width_mm * 100)


def _cover(planks: Sequence[Plank], number: int, boards: Boards, saw: Saw) -> tuple[int, int, tuple[int, ...]] | None:
    """Return how many planks give so many boards at least, their area, and which: the fewest, then the smallest."""
    best: list[tuple[int, int, tuple[int, ...]] | None] = [(0, 0, ()), *[None] * number]
    for at, plank in enumerate(planks):
        given = holds(plank, boards, saw)
        if not given:
            continue
        for wanted in range(number, 0, -1):
            rest = best[max(0, wanted - given)]
            if rest is None:
                continue
            tried = (rest[0] + 1, rest[1] + _hundredths(plank), (*rest[2], at))
            before = best[wanted]
            best[wanted] = tried if before is None or tried < before else before
    return best[number]


def _assign(costs: Sequence[Sequence[int | None]]) -> list[int] | None:
    """Return the column of each row so that the sum is least and no column serves twice, or None if it cannot be.

    The Hungarian method (Kuhn, Naval Research Logistics Quarterly 2, 1955, 83-97) in whole numbers.
    """
    never = 1 + sum(max((cost or 0 for cost in row), default=0) for row in costs) * 2
    rows, columns = len(costs), max(len(costs), len(costs[0]))
    table = [[never if cost is None else cost for cost in row] + [never] * (columns - len(row)) for row in costs]
    up, down = [0] * (rows + 1), [0] * (columns + 1)
    holder = [0] * (columns + 1)
    for row in range(1, rows + 1):
        holder[0], at = row, 0
        least: list[float] = [math.inf] * (columns + 1)
        came, seen = [0] * (columns + 1), [False] * (columns + 1)
        while holder[at]:
            seen[at], here, step, following = True, holder[at], math.inf, 0
            for column in range(1, columns + 1):
                if seen[column]:
                    continue
                slack = table[here - 1][column - 1] - up[here] - down[column]
                if slack < least[column]:
                    least[column], came[column] = slack, at
                if least[column] < step:
                    step, following = least[column], column
            for column in range(columns + 1):
                if seen[column]:
                    up[holder[column]] += int(step)
                    down[column] -= int(step)
                else:
                    least[column] -= step
            at = following
        while at:
            holder[at] = holder[came[at]]
            at = came[at]
    found = {row - 1: column - 1 for column, row in enumerate(holder) if row and column}
    chosen = [found[row] for row in range(rows)]
    return None if any(table[row][column] == never for row, column in enumerate(chosen)) else chosen


# --- refusing --------------------------------------------------------------------------------------


def _check_size(boards: Boards, stock: Sequence[Plank], saw: Saw) -> None:
    """Refuse boards that are larger than every plank.

    Raises
    ------
    UserError
        There is no stock, or no plank gives even one board.
    """
    if not stock:
        raise UserError(Problem("there is no stock to cut from", "name at least one plank"))
    widest = max(stock, key=lambda plank: plank.clear_width_mm)
    if not any(abreast(plank, boards.width_mm, saw) for plank in stock):
        short = boards.width_mm - widest.clear_width_mm
        what = (
            f"the boards are {boards.width_mm:g} mm wide, and the widest plank, {widest.name!r}, has "
            f"{widest.clear_width_mm:g} mm of clear width, {short:.1f} mm too little"
        )
        raise UserError(Problem(what, "take wider stock or plan narrower boards"))
    if not any(holds(plank, boards, saw) for plank in stock):
        wide = [plank for plank in stock if abreast(plank, boards.width_mm, saw)]
        clear, name = max((_longest_clear(plank, saw), plank.name) for plank in wide)
        what = (
            f"the boards are {boards.length_mm:g} mm long, and the longest clear stretch of stock wide enough, in "
            f"{name!r}, is {clear:.1f} mm, {boards.length_mm - clear:.1f} mm too little"
        )
        raise UserError(Problem(what, "take longer stock or plan shorter boards"))


def _longest_clear(plank: Plank, saw: Saw) -> float:
    clear = _without((saw.end_trim_mm, plank.length_mm - saw.end_trim_mm), plank.avoid)
    return max((high - low for low, high in clear), default=0.0)


def _too_little(boards: Boards, lots: dict[int, list[int]], groups: dict[str, list[Plank]], saw: Saw) -> Problem:
    """Say how many boards fit at most, which lots of the plan lack how many, and what would hold them."""
    given = {name: sum(holds(plank, boards, saw) for plank in planks) for name, planks in groups.items()}
    names, total = list(given), sum(map(len, lots.values()))
    none = [total] * len(lots)
    chosen = _assign(
        [[total - min(len(numbers), held) for held in given.values()] + none for numbers in lots.values()]
    )
    assert chosen is not None
    lacks, lacking, clear_mm = [], 0, 0.0
    for (lot, numbers), column in zip(lots.items(), chosen, strict=True):
        name = names[column] if column < len(names) else ""
        more = len(numbers) - min(len(numbers), given.get(name, 0))
        if more:
            source = f"of lot {name!r}" if given.get(name, 0) else "of a lot not yet used"
            lacks.append(f"lot {lot} of the plan lacks {more} ({source})")
            lacking += more
            clear_mm += more * boards.length_mm + (more - 1) * saw.kerf_mm + 2 * saw.end_trim_mm
    what = (
        f"the stock holds {total - lacking} of the {total} boards of {boards.length_mm:g} × {boards.width_mm:g} mm "
        f"when each lot of the plan comes from one lot of stock: {', '.join(lacks)}"
    )
    cure = (
        f"add {math.ceil(clear_mm / 10) / 100:g} m of clear stock at least {boards.width_mm:g} mm wide, which holds "
        f"{lacking} more, or plan fewer boards"
    )
    return Problem(what, cure)


# --- placing ---------------------------------------------------------------------------------------


def _place(numbers: Sequence[int], lot: int, planks: Sequence[Plank], boards: Boards, saw: Saw) -> Iterator[Place]:
    """Go through a lot's boards by number: plank by plank, section by section from end A, in each from edge A."""
    left = list(numbers)
    for plank in planks:
        rows = abreast(plank, boards.width_mm, saw)
        for section, x in enumerate(starts(plank, boards.length_mm, saw), start=1):
            taken, left = left[:rows], left[rows:]
            for row, number in enumerate(taken):
                yield Place(number, lot, plank.name, section, x, row * (boards.width_mm + saw.kerf_mm))


def _neighbours(places: Sequence[Place], boards: Boards) -> Iterator[Neighbours]:
    """Go through the pairs that were next to each other in a plank, by board number."""
    rows: dict[tuple[str, float], list[Place]] = {}
    sections: dict[tuple[str, int], list[Place]] = {}
    for place in places:
        rows.setdefault((place.plank, place.y_mm), []).append(place)
        sections.setdefault((place.plank, place.section), []).append(place)
    found = [
        Neighbours(one.board, other.board, "end to end", other.x_mm - one.x_mm - boards.length_mm)
        for row in rows.values()
        for one, other in pairwise(row)
    ]
    found += [
        Neighbours(one.board, other.board, "side by side", other.y_mm - one.y_mm - boards.width_mm)
        for section in sections.values()
        for one, other in pairwise(section)
    ]
    yield from sorted(found, key=lambda pair: (pair.board, pair.other))


def _offcuts(places: Sequence[Place], stock: Sequence[Plank], boards: Boards, saw: Saw) -> Iterator[Offcut]:
    """Go through what is left of the planks cut into: between and after the sections, and beside their boards."""
    for plank in stock:
        here = [place for place in places if place.plank == plank.name]
        if not here:
            continue
        sections: dict[float, int] = {}
        for place in here:
            sections[place.x_mm] = sections.get(place.x_mm, 0) + 1
        cuts = [(x - saw.kerf_mm, x + boards.length_mm + saw.kerf_mm) for x in sections]
        clear = _without((saw.end_trim_mm, plank.length_mm - saw.end_trim_mm), [*plank.avoid, *cuts])
        found = [Offcut(plank.name, low, 0.0, high - low, plank.clear_width_mm) for low, high in clear]
        for x, number in sections.items():
            y = number * (boards.width_mm + saw.kerf_mm)
            found.append(Offcut(plank.name, x, y, boards.length_mm, plank.clear_width_mm - y))
        yield from sorted(
            (one for one in found if min(one.length_mm, one.width_mm) >= LEAST_OFFCUT_MM),
            key=lambda one: (one.x_mm, one.y_mm),
        )


def _without(whole: tuple[float, float], taken: Iterable[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return what is left of a stretch when others are taken out of it."""
    found, at = [], whole[0]
    for low, high in sorted(taken):
        if low > at:
            found.append((at, min(low, whole[1])))
        at = max(at, high)
    found.append((at, whole[1]))
    return [(low, high) for low, high in found if high - low > _TOUCH]
