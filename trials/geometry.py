"""Millimetres: where the patches, the tape lines and the label end lie on a board.

A board lies with its label end to the left and its fixed edge at the bottom. ``x`` runs along the grain
from the label end, ``y`` across it from the fixed edge; lanes are counted from the fixed edge, strips
from the label end.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from trials.plan import Boards


@dataclass(frozen=True)
class Rect:
    """A rectangle on a board, in mm: its corner nearest the label end and the fixed edge, and its extent."""

    x: float
    y: float
    length: float
    width: float


def board(boards: Boards) -> Rect:
    """Return the whole face."""
    return Rect(0.0, 0.0, boards.length_mm, boards.width_mm)


def label_end(boards: Boards) -> Rect:
    """Return the part at the label end that is left bare and marked."""
    return Rect(0.0, 0.0, boards.label_end_mm, boards.width_mm)


def patch(boards: Boards, lane: int, strip: int) -> Rect:
    """Return one patch; lanes and strips count from 1."""
    length, width = boards.patch_length_mm, boards.patch_width_mm
    x = boards.label_end_mm + boards.margin_mm + (strip - 1) * (length + boards.guard_mm)
    y = boards.margin_mm + (lane - 1) * (width + boards.guard_mm)
    return Rect(x, y, length, width)


def tapes(boards: Boards) -> list[Rect]:
    """Return the bare bands to be taped: the margins, and the guards between lanes and between strips."""
    first = patch(boards, 1, 1)
    last = patch(boards, boards.lanes, boards.strips)
    right, top = last.x + last.length, last.y + last.width
    bands = [
        Rect(boards.label_end_mm, 0.0, boards.length_mm - boards.label_end_mm, first.y),
        Rect(boards.label_end_mm, top, boards.length_mm - boards.label_end_mm, boards.width_mm - top),
        Rect(boards.label_end_mm, first.y, first.x - boards.label_end_mm, top - first.y),
        Rect(right, first.y, boards.length_mm - right, top - first.y),
    ]
    for lane in range(1, boards.lanes):
        below = patch(boards, lane, 1)
        bands.append(Rect(first.x, below.y + below.width, right - first.x, boards.guard_mm))
    for strip in range(1, boards.strips):
        before = patch(boards, 1, strip)
        bands.append(Rect(before.x + before.length, first.y, boards.guard_mm, top - first.y))
    return [band for band in bands if band.length > 1e-9 and band.width > 1e-9]


def tape_marks(boards: Boards) -> dict[str, list[float]]:
    """Return where to set the tape's edges, in mm: along from the label end, across from the fixed edge."""
    along, across = set(), set()
    for strip in range(1, boards.strips + 1):
        rect = patch(boards, 1, strip)
        along |= {round(rect.x, 2), round(rect.x + rect.length, 2)}
    for lane in range(1, boards.lanes + 1):
        rect = patch(boards, lane, 1)
        across |= {round(rect.y, 2), round(rect.y + rect.width, 2)}
    return {"along": sorted(along), "across": sorted(across)}


# --- paper -----------------------------------------------------------------------------------------


def stretches(extent: float, room: float, overlap: float) -> list[tuple[float, float]]:
    """Cut a length into the fewest stretches that fit on a page.

    Parameters
    ----------
    extent, room, overlap : mm: what is to be drawn, what a page holds, what neighbours share.

    Returns
    -------
    From and to of each stretch. Neighbours overlap by `overlap`, and every stretch but the last starts
    and ends on a whole millimetre where `room` allows it.

    Raises
    ------
    ValueError
        The page holds no more than the overlap.
    """
    if room <= overlap:
        raise ValueError(f"a page that holds {room} mm cannot overlap by {overlap} mm")
    if extent <= room:
        return [(0.0, extent)]
    number = math.ceil((extent - overlap) / (room - overlap))
    even = (extent - overlap) / number
    whole = float(math.ceil(even))
    fits = whole + overlap <= room and (number - 1) * whole + overlap < extent
    step = whole if fits else even
    starts = [at * step for at in range(number)]
    return [(start, start + step + overlap) for start in starts[:-1]] + [(starts[-1], extent)]


def spread(places: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Move labels along a line just so far apart that they do not touch.

    Parameters
    ----------
    places : mm, ascending: where each label would best stand.
    gap : mm between two labels; smaller where `low` to `high` has no room for it.
    low, high : mm between which they must stay.

    Notes
    -----
    The places with the smallest sum of squared moves: isotonic regression of ``place - at * gap`` by
    pooling neighbours that are out of order (Ayer, Brunk, Ewing, Reid and Silverman, Annals of
    Mathematical Statistics 26, 1955, 641-647), then kept inside the limits.
    """
    if len(places) < 2:
        return [min(max(place, low), high) for place in places]
    gap = min(gap, (high - low) / (len(places) - 1))
    pools: list[tuple[float, int]] = []
    for at, place in enumerate(places):
        mean, size = place - at * gap, 1
        while pools and pools[-1][0] > mean:
            before, number = pools.pop()
            mean, size = (before * number + mean * size) / (number + size), number + size
        pools.append((mean, size))
    level = [mean for mean, size in pools for _ in range(size)]
    last = high - (len(places) - 1) * gap
    return [min(max(mean, low), last) + at * gap for at, mean in enumerate(level)]
