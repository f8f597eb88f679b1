"""Boards on paper: every board at true scale, cut over as few pages as hold it, and nothing that tells a treatment.

Pure: a plan and its patches in, millimetres on pages out. On a page ``x`` runs to the right and ``y``
down from the top left corner; the board lies with its label end to the left and its fixed edge below.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING

from trials import geometry, lap, units
from trials.geometry import Rect
from trials.plan import Boards, Plan

if TYPE_CHECKING:
    import pandas as pd

PAPERS: dict[str, tuple[float, float]] = {"a4": (210.0, 297.0), "us-letter": (215.9, 279.4)}
"""Width and height in mm, upright: A4 by ISO 216; US Letter is 8.5 × 11 in (ASME Y14.1, from memory)."""

OVERLAP_MM = 15.0
"""What neighbouring parts of a board share; this and the spaces below are working values of this project."""
MARGIN_MM = 9.0
HEAD_MM, FOOT_MM = 7.0, 11.0
ABOVE_MM, BELOW_MM, BESIDE_MM = 7.0, 14.0, 18.0
"""Room around the wood: for its name and the joins above, the tape's distances below and to the left."""
LABEL_GAP_MM = 2.9
"""From one tape distance to the next, so that 6.5 pt figures do not touch."""
RULE_MM = 100.0
MOST_PAGES = 1000
"""Beyond this many pages nobody glues them together: each board is drawn small enough for one."""


@dataclass(frozen=True)
class Box:
    """A rectangle on a page, in mm from the page's top left corner."""

    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True)
class Mark:
    """A tape line: where it meets the board's edge, where its distance is printed, and the distance in words."""

    at: float
    text_at: float
    text: str


@dataclass(frozen=True)
class PatchDrawing:
    """A patch on a page.

    Attributes
    ----------
    box : the whole patch, even where it runs off this part.
    free : what of it lies on this part and is not covered when the parts are joined; none has no extent.
    code : its three digits, on one part only; on the others empty.
    place : lane and strip in words.
    words : what stands there instead of the code: ``not used``, or on which part the code is.
    """

    box: Box
    free: Box
    code: str
    place: str
    words: str
    used: bool


@dataclass(frozen=True)
class Join:
    """An edge where a part meets its neighbour.

    Attributes
    ----------
    line : where this part ends: a line as a box without width or height.
    begins : where the next part begins on this one, or None on the part that is laid over another.
    crosses : middle points of the register crosses.
    """

    line: Box
    begins: Box | None
    crosses: tuple[tuple[float, float], ...]
    words: str
    across: bool


@dataclass(frozen=True)
class View:
    """One part of one board on a page.

    Attributes
    ----------
    shows : what of the board is seen: from and to along the grain, from and to across, in mm of wood.
    window : where it lies on the page.
    outline, label_end, bands, tapes : the whole board's, on the page; what lies outside the window is cut off.
    edges : which of the board's own edges the part holds: ``label end``, ``far end``, ``fixed edge``, ``far edge``.
    laps : the cells of a lap board.
    """

    board: int
    lot: int
    part: int
    parts: int
    shows: tuple[float, float, float, float]
    window: Box
    outline: Box
    label_end: Box
    bands: tuple[Box, ...]
    tapes: tuple[Box, ...]
    patches: tuple[PatchDrawing, ...]
    along: tuple[Mark, ...]
    across: tuple[Mark, ...]
    joins: tuple[Join, ...]
    edges: tuple[str, ...]
    laps: tuple[LapDrawing, ...] = ()


@dataclass(frozen=True)
class LapDrawing:
    """A lap cell on a page: the lane put on first, the one put on beside it, and what they share."""

    lane_a: Box
    lane_b: Box
    overlap: Box


@dataclass(frozen=True)
class Drawing:
    """The drawings of all boards.

    Attributes
    ----------
    width, height : of the page, in mm, turned so that the boards take the fewest pages.
    scale : how many mm of wood one mm of paper stands for: 1, unless `MOST_PAGES` would be passed.
    columns, rows : how many parts a board is cut into along and across.
    pages : the parts on each page, boards by number.
    """

    width: float
    height: float
    scale: int
    columns: int
    rows: int
    pages: tuple[tuple[View, ...], ...]


def draw(plan: Plan, patches: pd.DataFrame, paper: str) -> Drawing:
    """Draw every board by its number, one a page or over as few pages as hold it.

    Parameters
    ----------
    plan : the plan.
    patches : one row a patch, as layout.csv.
    paper : a key of `PAPERS`.
    """
    short, long = PAPERS[paper]
    sizes = ((long, short), (short, long))
    frames = [_Frame(width, height, plan, 1) for width, height in sizes]
    frame = min(frames, key=lambda frame: frame.pages)
    if frame.pages > MOST_PAGES:
        frames = [_Frame(width, height, plan, _scale(width, height, plan.boards)) for width, height in sizes]
        frame = min(frames, key=lambda frame: (frame.scale, frame.pages))
    pages = []
    boards = [(int(number), rows) for number, rows in patches.groupby("board", sort=True)]
    for number, rows in boards:
        pages += [(_view(frame, number, rows, part),) for part in range(len(frame.parts))]
    return Drawing(frame.width, frame.height, frame.scale, len(frame.columns), len(frame.rows), tuple(pages))


def setting_out(plan: Plan, paper: str) -> Drawing:
    """Draw one board for all of them, alike as they are set out: the distances of every mark, on one page.

    Its number is 0, and in place of a code each patch bears its lane and strip.
    """
    import pandas as pd

    short, long = PAPERS[paper]
    frames = [_Frame(*size, plan, max(_scale(*size, plan.boards), 1)) for size in ((long, short), (short, long))]
    frame = min(frames, key=lambda frame: frame.scale)
    places = product(range(1, plan.boards.lanes + 1), range(1, plan.boards.strips + 1))
    rows = pd.DataFrame([{"lot": 0, "lane": lane, "strip": strip, "patch": 0} for lane, strip in places])
    (view,) = (_view(frame, 0, rows, part) for part in range(len(frame.parts)))
    patches = tuple(replace(one, code="", words=_short_place(plan, one.place), place="") for one in view.patches)
    return Drawing(frame.width, frame.height, frame.scale, 1, 1, ((replace(view, patches=patches),),))


def _short_place(plan: Plan, place: str) -> str:
    """Return ``lane 1, strip 3``, without what every patch has."""
    lane, strip = place.split(", ")
    told = [*([lane] if plan.boards.lanes > 1 else []), *([strip] if plan.boards.strips > 1 else [])]
    return ", ".join(told) or "the patch"


class _Frame:
    """A page, turned one way: what it holds of boards of this size."""

    def __init__(self, width: float, height: float, plan: Plan, scale: int) -> None:
        boards = plan.boards
        self.width, self.height, self.boards, self.scale = width, height, boards, scale
        self.inches = plan.inches
        self.cells = {cell.strip: cell for cell in lap.cells(boards, plan.lap)} if plan.lap else {}
        self.columns = geometry.stretches(boards.length_mm / scale, _room(width, height)[0], OVERLAP_MM)
        self.rows = geometry.stretches(boards.width_mm / scale, _room(width, height)[1], OVERLAP_MM)
        self.parts = [(column, row) for row, column in product(range(len(self.rows)), range(len(self.columns)))]

    @property
    def pages(self) -> int:
        return self.boards.count * len(self.parts)


def _room(width: float, height: float) -> tuple[float, float]:
    """Return how many mm of wood a page holds, along and across."""
    along = width - 2 * MARGIN_MM - BESIDE_MM
    across = height - 2 * MARGIN_MM - HEAD_MM - FOOT_MM - ABOVE_MM - BELOW_MM
    return along, across


def _scale(width: float, height: float, boards: Boards) -> int:
    along, across = _room(width, height)
    return math.ceil(max(boards.length_mm / along, boards.width_mm / across))


# --- one part of one board -------------------------------------------------------------------------


class _Part:
    """Where a part of a board lies on its page."""

    def __init__(self, frame: _Frame, part: int) -> None:
        self.column, self.row = frame.parts[part]
        self.left, self.right = frame.columns[self.column]
        self.low, self.high = frame.rows[self.row]
        self.scale, self._inches = frame.scale, frame.inches
        self.last = (len(frame.columns) - 1, len(frame.rows) - 1)
        self.window = Box(
            MARGIN_MM + BESIDE_MM,
            MARGIN_MM + HEAD_MM + ABOVE_MM,
            self.right - self.left,
            self.high - self.low,
        )

    def words(self, distance: float) -> str:
        """Return a distance as the rule shows it."""
        return units.on_the_rule(distance, inches=self._inches)

    def x(self, along: float) -> float:
        """Return where on the page a distance from the label end lies."""
        return self.window.x + along / self.scale - self.left

    def y(self, across: float) -> float:
        """Return where on the page a distance from the fixed edge lies."""
        return self.window.y + self.high - across / self.scale

    def box(self, rect: Rect) -> Box:
        """Return a rectangle of the board on the page."""
        return Box(self.x(rect.x), self.y(rect.y + rect.width), rect.length / self.scale, rect.width / self.scale)

    @property
    def uncovered(self) -> Box:
        """The window without the overlaps that the parts to the right and above are laid over."""
        right = OVERLAP_MM if self.column < self.last[0] else 0.0
        above = OVERLAP_MM if self.row < self.last[1] else 0.0
        window = self.window
        return Box(window.x, window.y + above, window.width - right, window.height - above)


def _view(frame: _Frame, number: int, rows: pd.DataFrame, part: int) -> View:
    boards, scale = frame.boards, frame.scale
    here = _Part(frame, part)
    marks = geometry.tape_marks(boards)
    return View(
        board=number,
        lot=int(rows["lot"].iloc[0]),
        part=part + 1,
        parts=len(frame.parts),
        shows=(here.left * scale, here.right * scale, here.low * scale, here.high * scale),
        window=here.window,
        outline=here.box(geometry.board(boards)),
        label_end=here.box(geometry.label_end(boards)),
        bands=tuple(box for box in map(here.box, geometry.tapes(boards)) if _common(box, here.window)),
        tapes=tuple(_tape_lines(here, boards, marks)),
        patches=tuple(_patches(frame, here, rows, part)),
        along=_marks_along(here, marks["along"]),
        across=_marks_across(here, marks["across"]),
        joins=tuple(_joins(frame, here, part)),
        edges=tuple(_edges(here)),
        laps=tuple(_laps(frame, here, rows)),
    )


def _edges(here: _Part) -> Iterator[str]:
    if here.column == 0:
        yield "label end"
    if here.column == here.last[0]:
        yield "far end"
    if here.row == 0:
        yield "fixed edge"
    if here.row == here.last[1]:
        yield "far edge"


def _tape_lines(here: _Part, boards: Boards, marks: dict[str, list[float]]) -> Iterator[Box]:
    """Return the tape's edges as lines, from the label end's mark to the far edges."""
    whole = here.box(geometry.board(boards))
    for along in marks["along"]:
        line = Box(here.x(along), whole.y, 0.0, whole.height)
        if _common(replace(line, width=1e-3), here.window):
            yield line
    start = here.x(boards.label_end_mm)
    for across in marks["across"]:
        line = Box(start, here.y(across), whole.x + whole.width - start, 0.0)
        if _common(replace(line, height=1e-3), here.window):
            yield line


def _marks_along(here: _Part, places: list[float]) -> tuple[Mark, ...]:
    low, high = here.window.x, here.window.x + here.window.width
    inside = [place for place in places if low - 1e-6 <= here.x(place) <= high + 1e-6]
    texts = geometry.spread([here.x(place) for place in inside], LABEL_GAP_MM, low - 2, high + 2)
    return tuple(Mark(here.x(place), text, here.words(place)) for place, text in zip(inside, texts, strict=True))


def _marks_across(here: _Part, places: list[float]) -> tuple[Mark, ...]:
    low, high = here.window.y, here.window.y + here.window.height
    inside = [place for place in reversed(places) if low - 1e-6 <= here.y(place) <= high + 1e-6]
    texts = geometry.spread([here.y(place) for place in inside], LABEL_GAP_MM, low - 2, high + 2)
    return tuple(Mark(here.y(place), text, here.words(place)) for place, text in zip(inside, texts, strict=True))


# --- patches ---------------------------------------------------------------------------------------


def _patches(frame: _Frame, here: _Part, rows: pd.DataFrame, part: int) -> Iterator[PatchDrawing]:
    """Return the patches seen on a part, used or not."""
    columns = (rows["lane"], rows["strip"], rows["patch"])
    codes = {(int(lane), int(strip)): f"{int(code):03d}" for lane, strip, code in zip(*columns, strict=True)}
    for lane, strip in product(range(1, frame.boards.lanes + 1), range(1, frame.boards.strips + 1)):
        rect = geometry.patch(frame.boards, lane, strip)
        box = here.box(rect)
        if _common(box, here.window) is None:
            continue
        clear = here.box(lap.clear_of(rect, frame.cells[strip])) if strip in frame.cells else box
        free = _common(clear, here.uncovered) or Box(clear.x, clear.y, 0.0, 0.0)
        code = codes.get((lane, strip), "")
        home = _home(frame, rect)
        words = "" if code else "not used"
        if code and home != part:
            words = f"code on part {home + 1}"
        place = f"lane {lane}, strip {strip}"
        yield PatchDrawing(box, free, code if home == part else "", place, words, used=bool(code))


def _laps(frame: _Frame, here: _Part, rows: pd.DataFrame) -> Iterator[LapDrawing]:
    """Return the lap cells seen on a part that are used."""
    used = set(rows["strip"])
    for strip, cell in frame.cells.items():
        boxes = [here.box(rect) for rect in (cell.lane_a, cell.lane_b, cell.overlap)]
        if strip in used and any(_common(box, here.window) for box in boxes):
            yield LapDrawing(*boxes)


def _home(frame: _Frame, rect: Rect) -> int:
    """Return the part that shows most of a patch once the parts are joined: its code is printed there."""
    column = _most(frame.columns, rect.x / frame.scale, (rect.x + rect.length) / frame.scale)
    row = _most(frame.rows, rect.y / frame.scale, (rect.y + rect.width) / frame.scale)
    return row * len(frame.columns) + column


def _most(stretches: list[tuple[float, float]], start: float, end: float) -> int:
    """Return which stretch, cut off where the next begins, holds most of the way from `start` to `end`."""
    ends = [low for low, _ in stretches[1:]] + [stretches[-1][1]]
    held = [round(min(end, high) - max(start, low), 6) for (low, _), high in zip(stretches, ends, strict=True)]
    return held.index(max(held))


def _common(one: Box, other: Box) -> Box | None:
    """Return what two boxes share, or None."""
    left, top = max(one.x, other.x), max(one.y, other.y)
    right = min(one.x + one.width, other.x + other.width)
    bottom = min(one.y + one.height, other.y + other.height)
    return Box(left, top, right - left, bottom - top) if right - left > 1e-6 and bottom - top > 1e-6 else None


# --- joins -----------------------------------------------------------------------------------------


def _joins(frame: _Frame, here: _Part, part: int) -> Iterator[Join]:
    """Return the edges at which a part meets others: right and left of it, above and below."""
    window = here.window
    top, bottom = window.y, window.y + window.height
    left, right = window.x, window.x + window.width
    across, along = len(frame.columns), 1
    half = OVERLAP_MM / 2
    if here.column < here.last[0]:
        begins = Box(right - OVERLAP_MM, top, 0.0, window.height)
        crosses = ((right - half, top), (right - half, bottom))
        yield Join(
            Box(right, top, 0.0, window.height), begins, crosses, f"part {part + 1 + along} begins", across=False
        )
    if here.column > 0:
        crosses = ((left + half, top), (left + half, bottom))
        yield Join(
            Box(left, top, 0.0, window.height), None, crosses, f"lay over part {part + 1 - along}", across=False
        )
    if here.row < here.last[1]:
        begins = Box(left, top + OVERLAP_MM, window.width, 0.0)
        crosses = ((left, top + half), (right, top + half))
        yield Join(
            Box(left, top, window.width, 0.0), begins, crosses, f"part {part + 1 + across} begins", across=True
        )
    if here.row > 0:
        crosses = ((left, bottom - half), (right, bottom - half))
        words = f"lay over part {part + 1 - across}"
        yield Join(Box(left, bottom, window.width, 0.0), None, crosses, words, across=True)
