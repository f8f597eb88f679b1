"""Where things stand: every treatment about as often at every place, so that place and treatment stay apart.

What is nearer the edge of a board, or worked later, may come out differently for that reason alone.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from itertools import permutations
from math import factorial
from operator import getitem
from typing import TypeVar

from trials.draw import Draw

T = TypeVar("T")
Marks = list[list[tuple[int, int]]]
"""By place and item of a request: the numbers of what the item counts as there, in the trial and within its group."""

MOST_ORDERS = 120
"""As many orders of a board's pieces as are listed; of more, as many are drawn."""
STARTS, MOST_LOOKS = 12, 20_000
"""Random beginnings of which the one that ends most even is taken; fewer, down to one, where a sweep over all boards
compares so many orders that the beginnings together would look at more than this."""
SWEEPS = 10
"""Times that every board is looked at again, at most."""
ORDERS_OF_WORK = 500
"""Random orders of work of which the most even is taken."""


@dataclass(frozen=True)
class Request:
    """Treatments that are to stand on the pieces of one board.

    Attributes
    ----------
    items : one for each place; equal items are the same treatment.
    places : where they go.
    within : what they are to be even within, besides the trial as a whole, such as the board's treatment.
    """

    items: tuple[Hashable, ...]
    places: tuple[Hashable, ...]
    within: Hashable = None


def evenly(requests: Sequence[Request], draw: Draw) -> list[list[int]]:
    """Put treatments on the pieces of boards so that each stands everywhere about equally often.

    Returns
    -------
    For each request the number of the item at each place. Drawn among orders that are equally even; several
    beginnings are made, each bettered board by board, and the most even is kept.
    """
    every = [_orders(len(request.items), draw) for request in requests]
    marks, different = _marks(requests)
    best: tuple[int, list[list[int]]] | None = None
    for _ in range(min(STARTS, max(MOST_LOOKS // max(sum(map(len, every)), 1), 1))):
        counts = [0] * different
        chosen = [draw.shuffled(range(len(request.items))) for request in requests]
        for table, order in zip(marks, chosen, strict=True):
            _count(counts, table, order, 1)
        for _ in range(SWEEPS):
            moved = False
            for at in draw.shuffled(range(len(requests))):
                _count(counts, marks[at], chosen[at], -1)
                found = _most_even(marks[at], [chosen[at], *draw.shuffled(every[at])], counts)
                moved = moved or found != chosen[at]
                chosen[at] = found
                _count(counts, marks[at], found, 1)
            if not moved:
                break
        uneven = sum(count**2 for count in counts)
        if best is None or uneven < best[0]:
            best = (uneven, chosen)
    assert best is not None
    return best[1]


def _orders(number: int, draw: Draw) -> list[list[int]]:
    if factorial(min(number, 10)) <= MOST_ORDERS:
        return [list(order) for order in permutations(range(number))]
    return [draw.shuffled(range(number)) for _ in range(MOST_ORDERS)]


def _marks(requests: Sequence[Request]) -> tuple[list[Marks], int]:
    """Return what each item of each request counts as at each place, and how many different marks there are.

    They are numbered here once, since the search counts them far more often than there are of them.
    """
    number: dict[Hashable, int] = {}

    def numbered(mark: Hashable) -> int:
        return number.setdefault(mark, len(number))

    tables = [
        [
            [(numbered((place, item)), numbered((request.within, (place, item)))) for item in request.items]
            for place in request.places
        ]
        for request in requests
    ]
    return tables, len(number)


def _count(counts: list[int], marks: Marks, order: Sequence[int], step: int) -> None:
    """Add a step to the counts of what an order stands for."""
    for row, at in zip(marks, order, strict=True):
        for mark in row[at]:
            counts[mark] += step


def _most_even(marks: Marks, orders: Sequence[list[int]], counts: Sequence[int]) -> list[int]:
    """Return the first of the orders that add least to the sum of the squared counts."""
    entry: Callable[[list[int], int], int] = getitem
    added = [[counts[one] + counts[other] for one, other in row] for row in marks]
    return min(orders, key=lambda order: sum(map(entry, added, order)))


class Places:
    """What has stood where so far in a trial."""

    def __init__(self, draw: Draw) -> None:
        self._draw = draw
        self._counts: Counter[Hashable] = Counter()

    def chosen(self, what: Sequence[Hashable], places: Sequence[T]) -> dict[T, int]:
        """Return a place for each of some things, among places of which there are more, where they stood least."""
        free = self._draw.shuffled(places)
        found: dict[T, int] = {}
        for at, item in enumerate(what):
            place = min((one for one in free if one not in found), key=lambda one: self._counts[one, item])
            self._counts[place, item] += 1
            found[place] = at
        return found


def order_of_work(marks: Sequence[Mapping[str, Hashable]], draw: Draw) -> list[int]:
    """Return the turn of each board, from 1, such that no mark comes early or late as a whole.

    Parameters
    ----------
    marks : for each board what is to be spread over the order of work, such as its lot and its levels.
    draw : of so many random orders the most even one is taken.

    Notes
    -----
    The unevenness of an order is the sum over all marks of the squared distance of its boards' mean turn from the
    middle, times their number: the part of a steady drift that would be mistaken for the mark.
    """
    groups: dict[Hashable, list[int]] = {}
    for board, mark in enumerate(marks):
        for item in mark.items():
            groups.setdefault(item, []).append(board)
    middle = (len(marks) + 1) / 2

    def uneven(turns: list[int]) -> float:
        sums = ((sum(turns[at] - middle for at in boards), len(boards)) for boards in groups.values())
        return sum(total**2 / number for total, number in sums)

    orders = [draw.shuffled(range(1, len(marks) + 1)) for _ in range(ORDERS_OF_WORK)]
    return min(orders, key=uneven)
