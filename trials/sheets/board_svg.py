"""Each board as one SVG drawing at true scale, for a screen, a plotter or a wide printer. Blind.

Pure: the drawings that boards.pdf prints in, the same boards out, whole: what the pages hold in parts is laid
together again, so a board is the same on both.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import replace
from xml.etree import ElementTree as ET

from trials import blind, geometry
from trials.sheets import drawing
from trials.sheets.drawing import Box, Drawing, LapDrawing, Mark, PatchDrawing, View

NAMESPACE = "http://www.w3.org/2000/svg"
LEFT_MM, TOP_MM, RIGHT_MM, BOTTOM_MM = 20.0, 16.0, 8.0, 34.0
"""Room around the wood for titles and distances: working values of this project."""
LEAST_WIDTH_MM = 128.0
"""So that the check rule and its words have room beside a small board."""
INK, GREY, PALE = "#000000", "#5a5a5a", "#e1e1e1"
SERIF, MONO = "'Libertinus Serif', serif", "'DejaVu Sans Mono', monospace"
EVERY_EDGE = ("label end", "far end", "fixed edge", "far edge")


def documents(drawn: Drawing, title: str, *, lots: int, mark: str = "") -> dict[str, bytes]:
    """Return one SVG file a board, by file name such as ``board-03.svg``.

    Parameters
    ----------
    drawn : the boards as `trials.sheets.drawing.draw` lays them out, on any paper.
    title : the trial's blind title.
    lots : how many lots there are; a single one is not named.
    mark : what stands at the head, of a rehearsal.

    Returns
    -------
    UTF-8, no reference to anything outside the file; the same drawings give the same bytes.
    """
    boards = whole_boards(drawn)
    digits = len(str(max((view.board for view in boards), default=0)))
    return {f"board-{view.board:0{digits}d}.svg": _svg(view, title, lots, mark) for view in boards}


def whole_boards(drawn: Drawing) -> tuple[View, ...]:
    """Return each board in one piece, by number, in mm of wood.

    Returns
    -------
    Views whose coordinates count from the wood's top left corner: ``x`` along from the label end, ``y`` down
    from the far edge.
    """
    parts: dict[int, list[View]] = {}
    for page in drawn.pages:
        for view in page:
            parts.setdefault(view.board, []).append(_moved(view, drawn.scale))
    return tuple(_joined(views) for _, views in sorted(parts.items()))


# --- laying the parts together ---------------------------------------------------------------------


def _moved(view: View, scale: int) -> View:
    """Return a part in mm of wood from the wood's top left corner."""
    left, top = view.outline.x, view.outline.y

    def box(one: Box) -> Box:
        return Box((one.x - left) * scale, (one.y - top) * scale, one.width * scale, one.height * scale)

    return replace(
        view,
        window=box(view.window),
        outline=box(view.outline),
        label_end=box(view.label_end),
        bands=tuple(map(box, view.bands)),
        tapes=tuple(map(box, view.tapes)),
        patches=tuple(replace(patch, box=box(patch.box), free=box(patch.free)) for patch in view.patches),
        along=tuple(replace(one, at=(one.at - left) * scale) for one in view.along),
        across=tuple(replace(one, at=(one.at - top) * scale) for one in view.across),
        laps=tuple(LapDrawing(box(one.lane_a), box(one.lane_b), box(one.overlap)) for one in view.laps),
    )


def _joined(parts: list[View]) -> View:
    """Return a board from its parts, each thing once."""
    first = parts[0]
    return replace(
        first,
        part=1,
        parts=1,
        shows=(0.0, first.outline.width, 0.0, first.outline.height),
        window=first.outline,
        bands=_once(box for part in parts for box in part.bands),
        tapes=_once(box for part in parts for box in part.tapes),
        patches=_whole_patches(patch for part in parts for patch in part.patches),
        along=_spread((one for part in parts for one in part.along), first.outline.width),
        across=_spread((one for part in parts for one in part.across), first.outline.height),
        joins=(),
        edges=EVERY_EDGE,
        laps=tuple({round(cell.lane_a.x, 3): cell for part in parts for cell in part.laps}.values()),
    )


def _once(boxes: Iterable[Box]) -> tuple[Box, ...]:
    """Return boxes without those that are the same to a thousandth of a millimetre."""
    found = {tuple(round(side, 3) for side in (b.x, b.y, b.width, b.height)): b for b in boxes}
    return tuple(found[key] for key in sorted(found))


def _whole_patches(patches: Iterable[PatchDrawing]) -> tuple[PatchDrawing, ...]:
    """Return every patch once, by lane and strip, with its code and all its free face, whichever parts had them."""
    found: dict[str, list[PatchDrawing]] = {}
    for patch in patches:
        found.setdefault(patch.place, []).append(patch)
    whole = []
    for parts in found.values():
        code = next((part.code for part in parts if part.code), "")
        free = _around([part.free for part in parts if part.free.width > 0]) or parts[0].free
        words = "" if parts[0].used else parts[0].words
        whole.append(replace(parts[0], code=code, free=free, words=words))
    return tuple(sorted(whole, key=lambda patch: (-round(patch.box.y, 3), round(patch.box.x, 3))))


def _around(boxes: list[Box]) -> Box | None:
    """Return the box around boxes, if there are any."""
    if not boxes:
        return None
    left, top = min(box.x for box in boxes), min(box.y for box in boxes)
    right, bottom = max(box.x + box.width for box in boxes), max(box.y + box.height for box in boxes)
    return Box(left, top, right - left, bottom - top)


def _spread(marks: Iterable[Mark], extent: float) -> tuple[Mark, ...]:
    """Return tape distances once each, their figures set apart anew along the whole edge."""
    once = sorted({mark.text: mark for mark in marks}.values(), key=lambda mark: mark.at)
    texts = geometry.spread([mark.at for mark in once], drawing.LABEL_GAP_MM, -2.0, extent + 2.0)
    return tuple(replace(mark, text_at=at) for mark, at in zip(once, texts, strict=True))


# --- drawing ---------------------------------------------------------------------------------------


def _svg(view: View, title: str, lots: int, mark: str) -> bytes:
    """Return one board's drawing."""
    wood = view.outline
    width = max(LEFT_MM + wood.width + RIGHT_MM, LEAST_WIDTH_MM)
    height = TOP_MM + wood.height + BOTTOM_MM
    name = f"Board {view.board}" + (f", lot {view.lot}" if lots > 1 else "")
    root = ET.Element(
        "svg", xmlns=NAMESPACE, version="1.1", role="img", width=f"{_n(width)}mm", height=f"{_n(height)}mm",
        viewBox=f"0 0 {_n(width)} {_n(height)}",
    )  # fmt: skip
    ET.SubElement(root, "title").text = _clean(f"{mark}: {name}: {title}" if mark else f"{name}: {title}")
    ET.SubElement(root, "desc").text = f"Board drawing at true scale, in millimetres. {blind.MAY_SEE}"
    _patterns(ET.SubElement(root, "defs"))
    _rect(root, Box(0, 0, width, height), fill="#ffffff")
    _head(root, name, title, mark, width)
    board = ET.SubElement(root, "g", id="board", transform=f"translate({_n(LEFT_MM)} {_n(TOP_MM)})")
    _wood(board, view, lots)
    _distances(board, view)
    _foot(root, TOP_MM + wood.height + 19)
    ET.indent(root)
    return b'<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="utf-8") + b"\n"


def _wood(parent: ET.Element, view: View, lots: int) -> None:
    if view.label_end.width > 0:
        _rect(parent, view.label_end, fill="url(#bare)", stroke=INK, width=0.2, name="label-end")
    for band in view.bands:
        _rect(parent, band, fill=PALE, name="band")
    for tape in view.tapes:
        line = _line(parent, tape.x, tape.y, tape.x + tape.width, tape.y + tape.height, 0.15, "tape")
        line.set("stroke-dasharray", "1.2 0.9")
    for cell in view.laps:
        _lap(parent, cell)
    for patch in view.patches:
        _patch(parent, patch, covered=not view.laps)
    _rect(parent, view.outline, stroke=INK, width=0.3, name="outline")
    end = view.label_end
    if end.width >= 6 and end.height >= 18:
        size = min(end.width * 0.5, 9.0)
        words = f"{view.board} lot {view.lot}" if lots > 1 and end.height >= 30 else str(view.board)
        x, y = end.x + end.width / 2, end.y + end.height / 2
        across = len(words) * size * 0.6 + 2
        _rect(parent, Box(x - size * 0.6, y - across / 2, size * 1.2, across), fill="#ffffff")
        _text(parent, x, y, size, words, bold=True, turned=True)


def _lap(parent: ET.Element, cell: LapDrawing) -> None:
    """Draw a lap cell: both lanes, named in the order they are put on, and what they share."""
    _rect(parent, cell.overlap, fill="url(#lap)", name="overlap")
    _rect(parent, cell.lane_a, stroke=GREY, width=0.2, name="lane-a")
    _rect(parent, cell.lane_b, stroke=GREY, width=0.2, name="lane-b").set("stroke-dasharray", "2 0.8 0.4 0.8")
    a, b = cell.lane_a, cell.lane_b
    beside = cell.overlap.width if cell.overlap.height > cell.overlap.width else 0.0
    _text(parent, a.x + 1.5, a.y + a.height - 4, 3.2, "A", anchor="start", colour=GREY)
    _text(parent, b.x + beside + 1.5, b.y + 4, 3.2, "B", anchor="start", colour=GREY)


def _patch(parent: ET.Element, patch: PatchDrawing, *, covered: bool) -> None:
    """Draw a patch, with its words in the part of it that is free; it hides what is below where it is `covered`."""
    fill = ("#ffffff" if covered else "none") if patch.used else "url(#unused)"
    _rect(parent, patch.box, fill=fill, stroke=INK, width=0.25, name="patch").set("data-place", patch.place)
    free = patch.free
    x, y = free.x + free.width / 2, free.y + free.height / 2
    if patch.code:
        size = min(free.height * 0.52, free.width * 0.44, 20.0)
        _text(parent, x, y - 0.11 * size, size, patch.code, bold=True, font=MONO)
        _rect(parent, Box(x - 0.875 * size, y + 0.4 * size, 1.75 * size, 0.07 * size), fill=INK, name="foot")
    elif not patch.used and max(free.width, free.height) >= 21 and min(free.width, free.height) >= 5:
        turned = free.width < 21
        _rect(parent, Box(x - 2, y - 8, 4, 16) if turned else Box(x - 8, y - 2, 16, 4), fill="#ffffff")
        _text(parent, x, y, 2.8, patch.words, colour=GREY, turned=turned)
    if free.width >= 44 and free.height >= 22:
        _text(parent, free.x + 2, free.y + 3, 2.5, patch.place, colour=GREY, anchor="start")


def _distances(parent: ET.Element, view: View) -> None:
    """Draw the edges to measure from and the tape's distances from them."""
    foot, wide = view.outline.height, view.outline.width
    for one in view.along:
        _line(parent, one.at, foot + 1.2, one.text_at, foot + 3.6, 0.15, "tick", GREY)
        _text(parent, one.text_at, foot + 4.2, 2.3, one.text, anchor="end", turned=True)
    for one in view.across:
        _line(parent, -1.2, one.at, -3.6, one.text_at, 0.15, "tick", GREY)
        _text(parent, -4.2, one.text_at, 2.3, one.text, anchor="end")
    _line(parent, 0, foot + 0.8, wide, foot + 0.8, 0.7, "fixed-edge")
    _line(parent, -0.8, 0, -0.8, foot, 0.7, "label-end-edge")
    words = ": measure across from this edge" if wide >= 60 else ""
    _text(parent, wide / 2, foot + 14, 2.6, f"fixed edge{words}")
    words = ": measure along from this edge" if foot >= 60 else ""
    _text(parent, -15.5, foot / 2, 2.6, f"label end{words}", turned=True)


def _head(parent: ET.Element, name: str, title: str, mark: str, width: float) -> None:
    _text(parent, LEFT_MM, 5, 4.2, name, bold=True, anchor="start")
    _text(parent, LEFT_MM, 10.5, 3.0, title, anchor="start")
    _text(parent, LEFT_MM, 14.2, 2.4, blind.MAY_SEE, anchor="start")
    if mark:
        _text(parent, width - RIGHT_MM, 10.5, 3.2, mark.upper(), bold=True, anchor="end")
    right, y = width - RIGHT_MM, 5.0
    _line(parent, right - 32, y, right, y, 0.25, "grain")
    for x, inwards in ((right - 32, 2.4), (right, -2.4)):
        points = f"{_n(x)},{_n(y)} {_n(x + inwards)},{_n(y - 0.9)} {_n(x + inwards)},{_n(y + 0.9)}"
        ET.SubElement(parent, "polygon", points=points, fill=INK)
    _text(parent, right - 34, y, 2.8, "grain", anchor="end")


def _foot(parent: ET.Element, y: float) -> None:
    """Draw the check rule."""
    length = drawing.RULE_MM
    _line(parent, LEFT_MM, y + 4, LEFT_MM + length, y + 4, 0.2, "rule")
    for tick in range(0, int(length) + 1, 5):
        rise = 1.8 if tick % 50 == 0 else 1.3 if tick % 10 == 0 else 0.7
        _line(parent, LEFT_MM + tick, y + 4, LEFT_MM + tick, y + 4 - rise, 0.18, "rule-tick")
        if tick % 50 == 0:
            _text(parent, LEFT_MM + tick, y + 0.8, 2.3, f"{tick} mm" if tick == length else str(tick))
    words = "Check before use: this line is 100 mm by a steel rule. If not, print again at 100 % (“actual size”)."
    _text(parent, LEFT_MM, y + 7.5, 2.4, words, anchor="start")


def _patterns(parent: ET.Element) -> None:
    """Define the hatches of the label end, of places that are not used and of what two lanes of a lap share."""
    for name, gap, colour in (("bare", 1.6, "#bebebe"), ("unused", 2.4, "#8c8c8c"), ("lap", 1.8, "#969696")):
        pattern = ET.SubElement(
            parent, "pattern", id=name, width=_n(gap), height=_n(gap), patternUnits="userSpaceOnUse"
        )
        path = f"M0 {_n(gap)}L{_n(gap)} 0"
        ET.SubElement(pattern, "path", {"d": path, "stroke": colour, "stroke-width": "0.12", "fill": "none"})


# --- single shapes ---------------------------------------------------------------------------------


def _rect(
    parent: ET.Element, box: Box, *, fill: str = "none", stroke: str = "", width: float = 0.0, name: str = ""
) -> ET.Element:
    values = {"x": _n(box.x), "y": _n(box.y), "width": _n(box.width), "height": _n(box.height), "fill": fill}
    values |= {"stroke": stroke, "stroke-width": _n(width)} if stroke else {}
    return ET.SubElement(parent, "rect", values | ({"class": name} if name else {}))


def _line(
    parent: ET.Element, x1: float, y1: float, x2: float, y2: float, width: float, name: str, colour: str = INK
) -> ET.Element:
    ends = {"x1": _n(x1), "y1": _n(y1), "x2": _n(x2), "y2": _n(y2)}
    return ET.SubElement(parent, "line", ends | {"stroke": colour, "stroke-width": _n(width), "class": name})


def _text(
    parent: ET.Element,
    x: float,
    y: float,
    size: float,
    words: str,
    *,
    bold: bool = False,
    turned: bool = False,
    anchor: str = "middle",
    colour: str = INK,
    font: str = SERIF,
) -> None:
    """Write a line of text whose middle height lies at `y`, or one that reads upwards with its middle at `x`."""
    values = {"x": _n(x), "y": _n(y), "dy": "0.34em", "font-size": _n(size), "font-family": font}
    values |= {"text-anchor": anchor, "fill": colour} | ({"font-weight": "bold"} if bold else {})
    values |= {"transform": f"rotate(-90 {_n(x)} {_n(y)})"} if turned else {}
    ET.SubElement(parent, "text", values).text = _clean(words)


def _n(value: float) -> str:
    """Return a length to a thousandth of a millimetre."""
    return f"{round(value, 3) + 0.0:.3f}".rstrip("0").rstrip(".")


def _clean(text: str) -> str:
    """Return text on one line without the control characters XML 1.0 cannot hold."""
    shown = ("\ufffd" if unicodedata.category(letter) in ("Cc", "Cs", "Cn") else letter for letter in text)
    return " ".join("".join(" " if letter.isspace() else letter for letter in shown).split())
