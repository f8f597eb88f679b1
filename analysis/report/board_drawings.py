"""The boards as they were laid out, drawn to scale, each patch in a grey that stands for its value.

Pure: a trial's layout and the values of one response in; shapes in CSS pixels, ready for a template, out. All boards
of a trial have one scale, chosen so that a code and a value can be read on the smallest patch.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from analysis.report import words
from analysis.report.greys import Shade, ink_on
from trials import geometry
from trials.folder import Trial
from trials.plan import Boards, Plan, Response

WIDTH_PX = 340.0
"""How wide a board is drawn, unless its patches need more."""
WIDEST_PX = 1800.0
LETTER_SHARE = 0.6
"""A letter's width beside its height, on the wide side for the usual screen fonts: common practice, no source."""
LEAST_LETTER_PX, GREATEST_LETTER_PX = 9.0, 15.0
LABEL_PX, LETTER_PX, LINE_PX = 12.0, 6.6, 13.0
"""Of the words beside lanes and above strips: their size, a letter's width, the distance of lines."""
GUTTER_PX, HEAD_PX, HEAD_LINES = 84.0, 33.0, 2
"""Room for words beside the lanes; above the strips, and how many lines that is."""
MARK_PX = 17.0
"""Room below a board for the mark of a rehearsal."""
LEAST_ROOM = 6
"""Letters; a strip narrower than this has its number instead of words."""
MOST_CODES = 60
"""More patches than this with a treatment of their own are not written out beside a board."""
UNREAD = "no value"

Corner = tuple[str, str, str, str]


@dataclass(frozen=True)
class Patch:
    """One patch: its place, its grey and what is written on it; `kind` says read, unread or unused, and control."""

    kind: str
    place: Corner
    fill: str
    ink: str
    middle: str
    code: str
    code_y: str
    code_size: str
    value: str
    value_y: str
    value_size: str


@dataclass(frozen=True)
class Label:
    """A line of words beside a lane (where it ends) or above a strip (its middle)."""

    x: str
    y: str
    text: str


@dataclass(frozen=True)
class Board:
    """One board, ready to draw.

    Attributes
    ----------
    heading, words : which board it is and what it carries as a whole.
    more : sentences on what the drawing had no room for.
    name, title, description : an id of its own, and what is read out in its place.
    width, height : of the drawing, in CSS pixels.
    outline, label_end : x, y, width and height.
    mark, mark_y : what stands below the board, a part of the drawing wherever it is copied to, and where; of a
        trial that was really made nothing.
    """

    heading: str
    words: str
    more: tuple[str, ...]
    name: str
    title: str
    description: str
    width: str
    height: str
    outline: Corner
    label_end: Corner
    lanes: tuple[Label, ...]
    strips: tuple[Label, ...]
    patches: tuple[Patch, ...]
    mark: str
    mark_y: str


def draw(trial: Trial, response: Response | None, values: Mapping[int, float], name: str) -> tuple[Board, ...]:
    """Draw every board of a trial, by number.

    Parameters
    ----------
    response : what the values are of, or None to draw the layout alone.
    values : of the patches that were read, by code.
    name : begins the ids of these drawings.
    """
    shade = Shade(response, values)
    scale = _Scale(trial.plan.boards, max((len(shade.text(value)) for value in values.values()), default=3))
    boards: dict[int, list[dict[Any, Any]]] = {}
    for row in trial.patches.to_dict("records"):
        boards.setdefault(int(row["board"]), []).append(row)
    return tuple(
        _board(_carried(trial.plan, rows), trial.plan, scale, shade, f"{name}-{number}")
        for number, rows in sorted(boards.items())
    )


# --- scale and places ------------------------------------------------------------------------------


class _Scale:
    """Pixels to the millimetre, and how large letters on a patch are: code and value on one line or on two."""

    def __init__(self, boards: Boards, letters: int) -> None:
        self.boards = boards
        two = (max(letters, 3) * LETTER_SHARE, 2.6)
        one = ((letters + 6) * LETTER_SHARE, 1.3)
        needed = min(LEAST_LETTER_PX / self._letter(1.0, *lines) for lines in (two, one))
        self.per_mm = min(max(WIDTH_PX / boards.length_mm, needed), WIDEST_PX / boards.length_mm)
        sizes = [self._letter(self.per_mm, *lines) for lines in (two, one)]
        self.two_lines = sizes[0] >= min(sizes[1], GREATEST_LETTER_PX)
        self.letter = min(sizes[0] if self.two_lines else sizes[1], GREATEST_LETTER_PX)

    def _letter(self, per_mm: float, letters_wide: float, lines_high: float) -> float:
        """Return the size of letters with which a patch holds a text of this extent."""
        long, wide = self.boards.patch_length_mm * per_mm, self.boards.patch_width_mm * per_mm
        return min(0.9 * long / letters_wide, wide / lines_high)

    def box(self, rect: geometry.Rect) -> tuple[float, float, float, float]:
        """Return a rectangle of the board in pixels: left, top, width, height."""
        top = self.boards.width_mm - rect.y - rect.width
        return (
            GUTTER_PX + rect.x * self.per_mm,
            HEAD_PX + top * self.per_mm,
            rect.length * self.per_mm,
            rect.width * self.per_mm,
        )


def _px(value: float) -> str:
    return f"{value:.1f}"


def _corner(box: tuple[float, float, float, float]) -> Corner:
    x, y, width, height = (_px(value) for value in box)
    return x, y, width, height


# --- one board -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Cell:
    """A place on a board: its code and control (each empty where there is none), and what it alone carries."""

    code: str
    control: str
    words: str


@dataclass(frozen=True)
class _Carried:
    """What a board carries in words: as a whole, by lane, by strip, by place (lane, strip)."""

    number: int
    lot: int
    turn: int
    words: str
    lanes: dict[int, str]
    strips: dict[int, str]
    cells: dict[tuple[int, int], _Cell]


def _carried(plan: Plan, rows: list[dict[Any, Any]]) -> _Carried:
    """Say what each piece of a board carries."""
    cells = {
        (lane, strip): _Cell("", "", "")
        for lane in range(1, plan.boards.lanes + 1)
        for strip in range(1, plan.boards.strips + 1)
    }
    for row in rows:
        alone = "" if row["control"] else _laid(plan, "patch", [row])
        cells[int(row["lane"]), int(row["strip"])] = _Cell(f"{int(row['patch']):03d}", row["control"], alone)
    return _Carried(
        number=int(rows[0]["board"]),
        lot=int(rows[0]["lot"]),
        turn=int(rows[0]["board_order"]),
        words=_laid(plan, "board", rows),
        lanes={at: _laid(plan, "lane", [row for row in rows if row["lane"] == at]) for at, _ in cells},
        strips={at: _laid(plan, "strip", [row for row in rows if row["strip"] == at]) for _, at in cells},
        cells=cells,
    )


def _laid(plan: Plan, kind: Literal["board", "lane", "strip", "patch"], rows: list[dict[Any, Any]]) -> str:
    """Return what is laid on a piece with these patches, or the control it is."""
    treated = [row for row in rows if not row["control"]]
    if treated:
        return "; ".join(f"{factor.words} {treated[0][factor.name]}" for factor in plan.laid_on(kind))
    controls = sorted({row["control"] for row in rows})
    return f"control: {controls[0]}" if len(controls) == 1 else ""


def _board(carried: _Carried, plan: Plan, scale: _Scale, shade: Shade, name: str) -> Board:
    boards = plan.boards
    lot = f", lot {carried.lot}" if len(boards.lots) > 1 else ""
    heading = f"Board {carried.number}{lot}"
    beside = [_lane_labels(scale, lane, text) for lane, text in _levels(plan, "lane", carried.lanes).items()]
    above = [_strip_labels(scale, strip, text) for strip, text in _levels(plan, "strip", carried.strips).items()]
    whole = all(whole for _, whole in (*beside, *above))
    said = f"{words.capital(words.clean(carried.words))}. " if carried.words else ""
    mark = words.mark(plan)
    foot = HEAD_PX + boards.width_mm * scale.per_mm + 1
    return Board(
        heading=heading,
        words=f"{said}Number {carried.turn} in the order of work.",
        more=tuple(_more(carried, shortened=not whole)),
        name=name,
        title=f"{heading}: {shade.response.words if shade.response else 'what it carries'}",
        description=_description(carried, shade),
        width=_px(GUTTER_PX + boards.length_mm * scale.per_mm + 1),
        height=_px(foot + (MARK_PX if mark else 0.0)),
        outline=_corner(scale.box(geometry.board(boards))),
        label_end=_corner(scale.box(geometry.label_end(boards))),
        lanes=tuple(label for labels, _ in beside for label in labels),
        strips=tuple(label for labels, _ in above for label in labels),
        patches=tuple(_patch(scale, shade, place, cell) for place, cell in carried.cells.items()),
        mark=mark,
        mark_y=_px(foot + LABEL_PX),
    )


def _levels(plan: Plan, kind: Literal["lane", "strip"], pieces: dict[int, str]) -> dict[int, str]:
    """Return what to write beside pieces; the one factor or the one control there is need not be named each time."""
    factors = plan.laid_on(kind)
    name = f"{factors[0].words} " if len(factors) == 1 else ""
    shown = pieces
    if len(plan.controls) == 1:
        shown = {number: "control" if text.startswith("control: ") else text for number, text in pieces.items()}
    bare = {number: f"{kind} {number}" if len(pieces) > 1 else "" for number in pieces}
    return {number: words.clean(text.removeprefix(name)) or bare[number] for number, text in shown.items()}


def _lane_labels(scale: _Scale, lane: int, text: str) -> tuple[list[Label], bool]:
    """Return the lines beside a lane, as many as it has room for, and whether they hold the whole text."""
    _, y, _, height = scale.box(geometry.patch(scale.boards, lane, 1))
    lines = _wrapped(text, int((GUTTER_PX - 8) / LETTER_PX), max(int(height / LINE_PX), 1))
    first = y + height / 2 + LABEL_PX / 3 - (len(lines) - 1) * LINE_PX / 2
    labels = [Label(_px(GUTTER_PX - 6), _px(first + at * LINE_PX), line) for at, line in enumerate(lines)]
    return labels, _same(lines, text)


def _strip_labels(scale: _Scale, strip: int, text: str) -> tuple[list[Label], bool]:
    """Return the lines above a strip and whether they hold the whole text; a narrow strip has its number only."""
    x, _, width, _ = scale.box(geometry.patch(scale.boards, 1, strip))
    room = int((width + scale.boards.guard_mm * scale.per_mm) / LETTER_PX)
    number = str(strip) if len(str(strip)) <= room else ""
    lines = _wrapped(text, room, HEAD_LINES) if room >= LEAST_ROOM else [number]
    first = HEAD_PX - 6 - (len(lines) - 1) * LINE_PX
    labels = [Label(_px(x + width / 2), _px(first + at * LINE_PX), line) for at, line in enumerate(lines)]
    return labels, _same(lines, text)


def _wrapped(text: str, room: int, lines: int) -> list[str]:
    """Return a text on at most so many lines of so many letters; what is cut off leaves a sign."""
    if words.width(text) > len(text):
        room //= 2
    return textwrap.wrap(text, max(room, 2), max_lines=lines, placeholder="…") or [""]


def _same(lines: list[str], text: str) -> bool:
    return "".join("".join(lines).split()) == "".join(text.split())


def _patch(scale: _Scale, shade: Shade, place: tuple[int, int], cell: _Cell) -> Patch:
    box = x, y, width, height = scale.box(geometry.patch(scale.boards, *place))
    value = shade.values.get(int(cell.code)) if cell.code else None
    kind = "unused" if not cell.code else "unread" if value is None and shade.response else "read"
    fill = "#ffffff" if value is None else shade.fill(value)
    shown = shade.text(value) if value is not None else UNREAD if kind == "unread" else ""
    size, middle = scale.letter, y + height / 2
    if scale.two_lines:
        code_y, value_y = middle - 0.3 * size, middle + size
        shown_size = size if shown != UNREAD else min(size, 0.9 * width / (len(UNREAD) * LETTER_SHARE))
    else:
        code_y, value_y, shown_size = middle + 0.35 * size, middle, size
    return Patch(
        kind=f"{kind} control" if cell.control else kind,
        place=_corner(box),
        fill=fill,
        ink=ink_on(fill),
        middle=_px(x + width / 2),
        code=cell.code if scale.two_lines or not shown else f"{cell.code} · {shown}",
        code_y=_px(code_y),
        code_size=_px(min(size, LABEL_PX) if scale.two_lines else size),
        value=shown if scale.two_lines else "",
        value_y=_px(value_y),
        value_size=_px(shown_size),
    )


# --- in words --------------------------------------------------------------------------------------


def _more(carried: _Carried, *, shortened: bool) -> Iterator[str]:
    """Say what the drawing had no room for: names cut short, and what single patches carry."""
    if shortened:
        for kind, pieces in (("Lanes", carried.lanes), ("Strips", carried.strips)):
            named = [f"{number} {words.clean(text)}" for number, text in pieces.items() if text]
            if named:
                yield f"{kind}: {'; '.join(named)}."
    groups: dict[str, list[str]] = {}
    for cell in carried.cells.values():
        if cell.words:
            groups.setdefault(words.clean(cell.words), []).append(cell.code)
    if sum(map(len, groups.values())) > MOST_CODES:
        yield "What each patch carries stands in tables/patch_values.csv."
    else:
        yield from (f"{words.capital(text)}: {', '.join(sorted(codes))}." for text, codes in groups.items())


def _description(carried: _Carried, shade: Shade) -> str:
    """Say the whole drawing in words, patch by patch."""
    parts = []
    for (lane, strip), cell in carried.cells.items():
        if not cell.code:
            continue
        value = shade.values.get(int(cell.code))
        control = f"control: {cell.control}" if cell.control else ""
        laid = dict.fromkeys(
            text for text in (carried.lanes[lane], carried.strips[strip], cell.words, control) if text
        )
        place = ", ".join([f"lane {lane}, strip {strip}", *map(words.clean, laid)])
        read = f": {UNREAD if value is None else shade.text(value)}" if shade.response else ""
        parts.append(f"{cell.code} ({place}){read}")
    return "; ".join(parts) + "."
