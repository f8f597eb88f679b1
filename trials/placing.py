"""Where things stand on their boards: evened out where that can be done exactly, otherwise left to chance.

What is nearer the edge of a board may come out differently for that reason alone. `trials.structure` says which kinds
of place are to be evened out, and for which terms of the model.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Sequence
from itertools import permutations
from math import factorial
from typing import TypeVar

import numpy as np

from trials.draw import Draw

T = TypeVar("T")
Treatment = dict[str, str]
Cell = tuple[int, int]
"""A lane and a strip, both counted from 1."""
Mark = tuple[str, ...]
"""A cell of a term: the term's number and the levels."""
Carried = dict[Cell, Treatment | str]
"""What the patches of a board carry: a treatment, or the name of a control; a patch left bare is missing."""

MOST_ORDERS = 6
"""So many orders of a board's pieces are all tried; where there are more, those that turn one drawn order round."""
STARTS, SWEEPS = 100, 20
"""Random beginnings at most, and times that every board is looked at again in each."""


def evened(
    laid: Sequence[Carried], kind: str, terms: Sequence[Sequence[str]], draw: Draw, before: Sequence[Carried] = ()
) -> list[Carried] | None:
    """Put the lanes (or strips) of boards where no term of the model depends on the place.

    Parameters
    ----------
    laid : what each board carries, in any places.
    kind : ``lane`` or ``strip``; such a piece moves whole.
    terms : the factors of each term that is to be even, laid on boards and on pieces of this kind.
    before : boards that count as well and stay as they are.

    Returns
    -------
    Drawn among arrangements in which every cell of every term stands equally often at every place; None where there
    is no such arrangement, or none is found.
    """
    axis = 0 if kind == "lane" else 1
    pieces = [_pieces(made, axis) for made in (*before, *laid)]
    whole = [own for own in pieces if own]
    if len({tuple(own) for own in whole}) != 1 or any(
        len({frozenset(one) for one in own.values()}) > 1 for own in whole
    ):
        return None  # a piece is lacking on some board, or does not reach as far as the others
    places = list(whole[0])
    marks = [[_marks(one, terms) for one in own.values()] for own in pieces]
    orders = _search(marks, [at >= len(before) for at in range(len(marks))], len(places), draw)
    if orders is None:
        return None
    found = []
    for made, own, order in zip(laid, pieces[len(before) :], orders[len(before) :], strict=True):
        moved = {
            (place, across) if axis == 0 else (across, place): what
            for place, at in zip(places, order, strict=False)
            for across, what in own[places[at]].items()
        }
        found.append({**made, **moved})
    return found


def _pieces(made: Carried, axis: int) -> dict[int, dict[int, Treatment]]:
    """Return by place what the treated patches of each lane (or strip) of a board carry; none of a control board."""
    found: dict[int, dict[int, Treatment]] = {}
    for cell, what in sorted(made.items()):
        if not isinstance(what, str):
            found.setdefault(cell[axis], {})[cell[1 - axis]] = what
    return dict(sorted(found.items()))


def _marks(piece: dict[int, Treatment], terms: Sequence[Sequence[str]]) -> list[Mark]:
    """Return the cells of the terms that a piece is in."""
    treatment = next(iter(piece.values()))
    return [(str(at), *(treatment[name] for name in term)) for at, term in enumerate(terms)]


def _search(
    marks: Sequence[Sequence[Sequence[Mark]]], free: Sequence[bool], places: int, draw: Draw
) -> list[list[int]] | None:
    """Return for each board the number of the piece at each place, such that all marks stand everywhere alike.

    Parameters
    ----------
    marks : by board and piece.
    free : whether a board's pieces may be moved.
    """
    total = Counter(mark for own in marks for one in own for mark in one)
    if any(count % places for count in total.values()):
        return None
    number = {mark: at * places for at, mark in enumerate(total)}
    least = sum(count**2 for count in total.values()) // places
    if factorial(min(places, 10)) <= MOST_ORDERS:
        every = [list(order) for order in permutations(range(places))]
    else:
        drawn = draw.shuffled(range(places))
        every = [drawn[at:] + drawn[:at] for at in range(places)]
    orders = [
        _orders(own, every) if may_move else [list(range(len(own)))]
        for own, may_move in zip(marks, free, strict=True)
    ]
    # by board (orders, places × marks of a piece): the numbers of what an order counts as
    tables = [
        np.array(
            [[number[mark] + place for place, at in enumerate(order) for mark in own[at]] for order in some],
            dtype=np.intp,
        )
        for own, some in zip(marks, orders, strict=True)
    ]
    moving = [at for at, table in enumerate(tables) if len(table) > 1]
    for _ in range(STARTS):
        counts = np.zeros(len(total) * places, dtype=np.intp)
        chosen = [draw.below(len(table)) for table in tables]
        for table, order in zip(tables, chosen, strict=True):
            np.add.at(counts, table[order], 1)
        for _ in range(SWEEPS):
            if int(np.square(counts).sum()) == least:
                return [some[at] for some, at in zip(orders, chosen, strict=True)]
            for at in draw.shuffled(moving):
                np.subtract.at(counts, tables[at][chosen[at]], 1)
                added = counts[tables[at]].sum(axis=1)
                best = np.flatnonzero(added == added.min())
                chosen[at] = int(best[draw.below(len(best))])
                np.add.at(counts, tables[at][chosen[at]], 1)
    return None


def _orders(own: Sequence[Sequence[Mark]], every: Sequence[Sequence[int]]) -> list[list[int]]:
    """Return the orders of a board's pieces, alike where boards carry the same; one of none for a control board."""
    alike = sorted(range(len(own)), key=lambda at: list(own[at]))
    return [[alike[at] for at in order] for order in every] if own else [[]]


class Places:
    """What has stood where so far in a trial: what is no treatment, such as control strips, is spread over places."""

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
