"""The order of work as a picture: a row a board, day by day, two hours a line."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree
from xml.etree.ElementTree import Element, SubElement

from trials import blind
from trials.bench.hours import DAY_S
from trials.bench.scheduling import Schedule, Timed
from trials.bench.times import clock, span

INK, MIDDLE, PALE = "#1f282c", "#767676", "#dcdcdc"
BAND_S = 2 * 3600
"""How much of a day stands on one line."""
LEFT, ACROSS, RIGHT = 92.0, 960.0, 12.0
"""Widths in pixels of the rows' names, of the two hours, and of what is left free."""
LANE, LINE, SIZE = 17.0, 18.0, 11.0
"""Heights in pixels of a block, of a line of text, and of its letters."""
LETTER = 6.3
"""Pixels a letter takes at most, on the average of a word."""
_TICK_S = 15 * 60


@dataclass(frozen=True)
class _Row:
    """A board's stretch of work: a task, and its wipes, on the line they are drawn on within the board's row."""

    put: Timed
    wipes: tuple[Timed, ...]
    line: int


def timeline_svg(schedule: Schedule, title: str = "Order of work") -> str:
    """Return the schedule as a whole SVG file, in real text and in grey.

    Hands-on work is a dark block with the step's number, a wipe a white block with a thick edge, a dwell the dashed
    line between them, drying a pale bar. Two hours without hands-on work are left out.
    """
    pairs = "one pair of hands" if schedule.hands == 1 else f"{schedule.hands} pairs of hands"
    about = f"{schedule.days} days, {len(schedule.tasks)} tasks, {pairs}; one row a board, two hours a line."
    root = Element(
        "svg", {"xmlns": "http://www.w3.org/2000/svg", "role": "img", "aria-labelledby": "bench-t bench-d"}
    )
    SubElement(root, "title", {"id": "bench-t"}).text = _clean(title)
    SubElement(root, "desc", {"id": "bench-d"}).text = about
    frame = SubElement(root, "g", {"font-family": "sans-serif", "font-size": f"{SIZE:g}", "fill": INK})
    y = _legend(frame, schedule, title)
    rows = _rows(schedule)
    for at in _bands(schedule):
        y = _band(frame, schedule, rows, at, y)
    width, height = LEFT + ACROSS + RIGHT, y + LINE / 2
    root.attrib |= {"viewBox": f"0 0 {width:g} {height:g}", "width": f"{width:g}", "height": f"{height:g}"}
    return ElementTree.tostring(root, encoding="unicode") + "\n"


def _legend(frame: Element, schedule: Schedule, title: str) -> float:
    """Draw the title, what the marks mean and what the numbers stand for; return where they end."""
    y = LINE
    _text(frame, 8, y, title, {"font-weight": "700", "font-size": "14"})
    y += LINE
    _text(frame, 8, y, blind.MUST_NOT_SEE, {"font-weight": "700"})
    y += LINE * 0.6
    x = 8.0
    for words, draw in (("hands-on", _block), ("wipe", _wipe), ("dwell", _dwell), ("drying", _drying)):
        draw(frame, x, y, 34.0)
        _text(frame, x + 40, y + LANE - 5, words)
        x += 50 + LETTER * len(words)
    _text(frame, x, y + LANE - 5, "Numbers: the step; L a lane, S a strip.")
    y += LINE * 1.2
    for number, name in sorted(
        {one.task.step: one.task.name for one in schedule.tasks if not one.task.window}.items()
    ):
        y += LINE * 0.85
        _text(frame, 8, y, f"{number}  {name}")
    return y + LINE / 2


def _bands(schedule: Schedule) -> list[int]:
    """Return the beginnings of the two hours in which there is work."""
    found = set()
    for timed in schedule.tasks:
        day = timed.start_s // DAY_S * DAY_S
        found |= {day + (time - day) // BAND_S * BAND_S for time in (timed.start_s, timed.end_s - 1)}
    return sorted(found)


def _rows(schedule: Schedule) -> dict[int, list[_Row]]:
    """Return each board's work, what overlaps in time on lines of its own; boards in the order they are begun."""
    found: dict[int, list[_Row]] = {}
    busy: dict[int, list[int]] = {}
    for timed in schedule.tasks:
        if timed.task.window:
            continue
        wipes = schedule.wipes_of(timed.task)
        lines = busy.setdefault(timed.task.board, [])
        end = max(one.end_s for one in (timed, *wipes))
        needed = max(len({(one.task.lane, one.task.strip) for one in wipes}), 1)
        line = next(
            (at for at in range(len(lines)) if all(until <= timed.start_s for until in lines[at : at + needed])),
            len(lines),
        )
        lines += [0] * (line + needed - len(lines))
        lines[line : line + needed] = [end] * needed
        found.setdefault(timed.task.board, []).append(_Row(timed, wipes, line))
    return found


def _band(frame: Element, schedule: Schedule, rows: dict[int, list[_Row]], begins: int, y: float) -> float:
    """Draw two hours of a day; return where they end."""
    ends = min(begins + BAND_S, begins // DAY_S * DAY_S + schedule.day_s)
    y += LINE
    first = begins % DAY_S == 0 or begins == next(at for at in _bands(schedule) if at // DAY_S == begins // DAY_S)
    if first:
        _text(frame, 8, y, f"Day {begins // DAY_S + 1}", {"font-weight": "700"})
    top = y + 4
    marks = range(begins, ends + 1, _TICK_S)
    for time in marks:
        anchor = "end" if time == begins + BAND_S else "middle"
        _text(frame, _x(time, begins), y, clock(schedule.opens_s, time), {"text-anchor": anchor, "fill": "#444444"})
    grid = SubElement(frame, "g", {"stroke": PALE, "stroke-width": "1"})
    y = top
    for board, work in rows.items():
        y = _board(frame, board, work, (begins, ends), y)
    for time in marks:
        x = f"{_x(time, begins):g}"
        SubElement(grid, "line", {"x1": x, "x2": x, "y1": f"{top:g}", "y2": f"{y:g}"})
    return y + LINE / 2


def _board(frame: Element, board: int, work: Sequence[_Row], band: tuple[int, int], y: float) -> float:
    """Draw a board's row of two hours, if it has any work in them; return where it ends."""
    begins, ends = band
    here = [row for row in work if any(begins < one.end_s and one.start_s < ends for one in (row.put, *row.wipes))]
    if not here:
        return y
    top = min(row.line for row in here)
    lines = max(row.line + max(len(row.wipes), 1) for row in here) - top
    _text(frame, 8, y + LANE - 4, f"board {board}")
    _all_drying(frame, work, band, y, lines)
    for row in here:
        _stretch(frame, row, band, y + (row.line - top) * LANE)
    return y + lines * LANE + 4


def _all_drying(frame: Element, work: Sequence[_Row], band: tuple[int, int], y: float, lines: int) -> None:
    """Draw the drying of a board, over all of its lines: from the end of a step to the least moment it may go on."""
    begins, ends = band
    spans: list[tuple[int, int]] = []
    for step in sorted({row.put.task.step for row in work}):
        tasks = [one for row in work for one in (row.put, *row.wipes) if one.task.step == step]
        last = max(tasks, key=lambda one: one.end_s + one.task.dry_s)
        spans.append((last.end_s, last.end_s + last.task.dry_s))
    for start, stop in spans:
        if min(stop, ends) > max(start, begins):
            x, until = _x(max(start, begins), begins), _x(min(stop, ends), begins)
            _drying(frame, x, y + (lines - 1) * LANE / 2, until - x)


def _stretch(frame: Element, row: _Row, band: tuple[int, int], y: float) -> None:
    """Draw a task, its dwells and its wipes."""
    for at, wipe in enumerate(row.wipes):
        _part(frame, band, (row.put.end_s, wipe.start_s), y + at * LANE, _dwell)
    _part(frame, band, (row.put.start_s, row.put.end_s), y, _block, row.put)
    for at, wipe in enumerate(row.wipes):
        _part(frame, band, (wipe.start_s, wipe.end_s), y + at * LANE, _wipe, wipe)
        _name_dwell(frame, band, (row.put.end_s, wipe), y + at * LANE)


def _name_dwell(frame: Element, band: tuple[int, int], dwell: tuple[int, Timed], y: float) -> None:
    """Write on a dwell which lane or strip it is of, where there is room."""
    ended, wipe = dwell
    start, stop = max(ended, band[0]), min(wipe.start_s, band[1])
    text = _piece(wipe)
    room = LETTER * len(text) + 2
    wide = (stop - start) / BAND_S * ACROSS
    if text and wide >= room + 6:
        middle = _x(start, band[0]) + wide / 2
        _box(frame, (middle - room / 2, y + 1, room, LANE - 2), {"fill": "#ffffff"})
        _text(frame, middle, y + LANE - 5, text, {"text-anchor": "middle"})


def _part(
    frame: Element, band: tuple[int, int], span_s: tuple[int, int], y: float, draw: object, timed: Timed | None = None
) -> None:
    """Draw what of a stretch of time falls in the two hours."""
    start, stop = max(span_s[0], band[0]), min(span_s[1], band[1])
    if start >= stop:
        return
    x, wide = _x(start, band[0]), (stop - start) / BAND_S * ACROSS
    group = SubElement(frame, "g")
    if timed is not None:
        when = f"{timed.task.place}: {timed.task.name}, {span(timed.task.length_s)}"
        SubElement(group, "title").text = _clean(when)
    assert callable(draw)
    draw(group, x, y, wide)
    if timed is not None:
        _label(group, timed, x, y, wide)


def _label(group: Element, timed: Timed, x: float, y: float, wide: float) -> None:
    """Write the step and the piece in a block, as much of it as there is room for."""
    task = timed.task
    for text in (f"{task.step} {_piece(timed)}".strip(), f"{task.step}"):
        if len(text) * LETTER <= wide - (5 if task.window else 0):
            ink = INK if task.window else "#ffffff"
            _text(group, x + wide / 2, y + LANE - 5, text, {"text-anchor": "middle", "fill": ink})
            return


def _piece(timed: Timed) -> str:
    lane, strip = timed.task.lane, timed.task.strip
    return (f"L{lane}" if lane else "") + (f"S{strip}" if strip else "")


def _x(time_s: int, begins: int) -> float:
    return LEFT + (time_s - begins) / BAND_S * ACROSS


def _block(parent: Element, x: float, y: float, wide: float) -> None:
    _box(parent, (x + 0.5, y + 1, max(wide - 1, 0.5), LANE - 2), {"fill": "#333b40"})


def _wipe(parent: Element, x: float, y: float, wide: float) -> None:
    inside = max(wide - 2, 1.0)
    _box(parent, (x + 1, y + 2, inside, LANE - 4), {"fill": "#ffffff", "stroke": INK, "stroke-width": "2"})


def _dwell(parent: Element, x: float, y: float, wide: float) -> None:
    middle = f"{y + LANE / 2:g}"
    place = {"x1": f"{x:.2f}", "x2": f"{x + wide:.2f}", "y1": middle, "y2": middle}
    SubElement(parent, "line", place | {"stroke": INK, "stroke-width": "2", "stroke-dasharray": "4 3"})


def _drying(parent: Element, x: float, y: float, wide: float) -> None:
    _box(parent, (x, y + LANE / 2 - 3, wide, 6.0), {"fill": PALE, "stroke": MIDDLE, "stroke-width": "0.5"})


def _box(parent: Element, box: Iterable[float], look: dict[str, str]) -> None:
    x, y, wide, high = (f"{value:.2f}" for value in box)
    SubElement(parent, "rect", {"x": x, "y": y, "width": wide, "height": high} | look)


def _text(parent: Element, x: float, y: float, words: str, look: dict[str, str] | None = None) -> None:
    SubElement(parent, "text", {"x": f"{x:.2f}", "y": f"{y:.2f}"} | (look or {})).text = _clean(words)


def _clean(words: str) -> str:
    """Return words less what XML has no place for."""
    return "".join(letter for letter in words if letter.isprintable())
