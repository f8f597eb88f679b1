"""The cutting plan on paper: every plank with its boards, where to saw, what is left. Blind.

Pure but for `documents`, which sets in type: a cutting plan in, what the pages say out.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass

from trials.csv_text import neutral
from trials.cutting import CuttingPlan, Place
from trials.planks import Plank
from trials.sheets.drawing import PAPERS, Box

COLUMNS = ("board", "lot", "plank", "section", "from_end_a_mm", "from_edge_a_mm")
"""The columns of cutting.csv: the corner of each board's label end and fixed edge, measured on its plank."""
SIDE_MM = 16.0
"""The page's margins at its sides."""
TALLEST_MM = 60.0
"""No plank is drawn wider than this: a working value, so that several go on a page."""


@dataclass(frozen=True)
class BoardBox:
    """A board in a plank's drawing."""

    board: int
    box: Box


@dataclass(frozen=True)
class PlankDrawing:
    """A plank, drawn small, end A to the left and edge A below, and in words.

    Attributes
    ----------
    width, height : of the drawing, in mm of paper.
    waste : trimmed ends, stretches avoided and sapwood.
    sections : for each section its boards from edge A, and from and to which distance from end A it runs.
    """

    name: str
    lot: str
    size: str
    width: float
    height: float
    boards: tuple[BoardBox, ...]
    waste: tuple[Box, ...]
    offcuts: tuple[Box, ...]
    sections: tuple[tuple[str, str, str], ...]
    rips: tuple[str, ...]
    left: tuple[str, ...]


@dataclass(frozen=True)
class CuttingSheet:
    """What cutting.pdf says.

    Attributes
    ----------
    facts : heads and words of the list at the beginning.
    sources : for each lot of the plan its boards, its lot of stock and its planks.
    scale : how many mm of wood one mm of the drawings stands for.
    """

    title: str
    paper: str
    facts: tuple[tuple[str, str], ...]
    sources: tuple[tuple[str, str, str, str], ...]
    scale: int
    planks: tuple[PlankDrawing, ...]
    end_to_end: str
    side_by_side: str
    untouched: str


def build(cutting: CuttingPlan, title: str, paper: str = "a4") -> CuttingSheet:
    """Work out what the sheet says.

    Parameters
    ----------
    cutting : every board's place.
    title : the trial's blind title.
    paper : a key of `PAPERS`.

    Raises
    ------
    ValueError
        The paper is not known.
    """
    if paper not in PAPERS:
        raise ValueError(f"paper {paper!r} is not one of {', '.join(PAPERS)}")
    cut_into = cutting.cut_into
    room = PAPERS[paper][0] - 2 * SIDE_MM
    longest, widest = max(p.length_mm for p in cut_into), max(p.width_mm for p in cut_into)
    scale = max(1, -int(-max(longest / room, widest / TALLEST_MM) // 1))
    return CuttingSheet(
        title=title,
        paper=paper,
        facts=_facts(cutting),
        sources=tuple(
            (f"lot {source.lot}", _numbers(source.boards), source.stock_lot, ", ".join(source.planks))
            for source in cutting.sources
        ),
        scale=scale,
        planks=tuple(_plank(cutting, plank, scale) for plank in cut_into),
        end_to_end=_pairs(cutting, "end to end"),
        side_by_side=_pairs(cutting, "side by side"),
        untouched=", ".join(plank.name for plank in cutting.untouched),
    )


def documents(cutting: CuttingPlan, title: str, paper: str = "a4", mark: str = "") -> dict[str, bytes]:
    """Return cutting.pdf, and cutting.csv with a row a board.

    Parameters
    ----------
    cutting, title, paper : as for `build`.
    mark : what stands at the head of every page, of a rehearsal.
    """
    from trials.sheets import typeset

    sheet = build(cutting, title, paper)
    width, height = PAPERS[paper]
    values = asdict(sheet) | {
        "width": width,
        "height": height,
        "side": SIDE_MM,
        "mark": mark,
        "short_title": typeset.one_line(title, 70),
    }
    return {"cutting.pdf": typeset.pdf("cutting", values), "cutting.csv": table(cutting.places)}


def table(places: Iterable[Place]) -> bytes:
    """Return the places as csv with the columns `COLUMNS`, by board: UTF-8 with a mark, as spreadsheets read it."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for one in sorted(places, key=lambda place: place.board):
        corner = (f"{one.x_mm:.1f}", f"{one.y_mm:.1f}")
        writer.writerow([one.board, neutral(one.lot), neutral(one.plank), one.section, *corner])
    return b"\xef\xbb\xbf" + out.getvalue().encode("utf-8")


# --- words -----------------------------------------------------------------------------------------


def _facts(cutting: CuttingPlan) -> tuple[tuple[str, str], ...]:
    saw, many = cutting.saw, len(cutting.places)
    planks = f"{len(cutting.cut_into)} of {len(cutting.stock)}"
    return (
        ("boards", f"{many} of {cutting.length_mm:g} × {cutting.width_mm:g} mm"),
        ("saw", f"kerf {saw.kerf_mm:g} mm, {saw.end_trim_mm:g} mm trimmed off each end"),
        ("planks cut into", planks),
        ("used", f"{cutting.used_percent:.1f} % of these planks, {cutting.of_all_percent:.1f} % of all the stock"),
        ("offcuts", f"{cutting.offcut_percent:.1f} % of these planks"),
    )


def _numbers(numbers: Iterable[int]) -> str:
    """Return numbers in a row as ``1–6, 9``."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(str(run[0]) if len(run) == 1 else f"{run[0]}–{run[-1]}" for run in runs)


def _pairs(cutting: CuttingPlan, how: str) -> str:
    """Return the pairs of neighbours, and the wood between them where it is more than a cut."""
    found = []
    for pair in cutting.neighbours:
        if pair.how == how:
            wide = pair.between_mm > cutting.saw.kerf_mm + 0.05
            found.append(f"{pair.board} and {pair.other}" + (f" ({pair.between_mm:.0f} mm between)" if wide else ""))
    return "; ".join(found)


# --- a plank ---------------------------------------------------------------------------------------


def _plank(cutting: CuttingPlan, plank: Plank, scale: int) -> PlankDrawing:
    def box(x: float, y: float, length: float, width: float) -> Box:
        return Box(x / scale, (plank.width_mm - y - width) / scale, length / scale, width / scale)

    here = [place for place in cutting.places if place.plank == plank.name]
    offcuts = [one for one in cutting.offcuts if one.plank == plank.name]
    avoided = f", {plank.sap_mm:g} mm of sapwood" if plank.sap_mm else ""
    return PlankDrawing(
        name=plank.name,
        lot=plank.lot,
        size=f"{plank.length_mm:g} × {plank.width_mm:g} mm{avoided}",
        width=plank.length_mm / scale,
        height=plank.width_mm / scale,
        boards=tuple(
            BoardBox(one.board, box(one.x_mm, one.y_mm, cutting.length_mm, cutting.width_mm)) for one in here
        ),
        waste=tuple(box(*sides) for sides in _waste(cutting, plank)),
        offcuts=tuple(box(one.x_mm, one.y_mm, one.length_mm, one.width_mm) for one in offcuts),
        sections=tuple(_sections(cutting, here)),
        rips=tuple(f"{y:.1f} to {y + cutting.width_mm:.1f}" for y in sorted({place.y_mm for place in here})),
        left=tuple(f"{one.length_mm:.0f} × {one.width_mm:.0f} mm" for one in offcuts),
    )


def _waste(cutting: CuttingPlan, plank: Plank) -> Iterator[tuple[float, float, float, float]]:
    """Go through what no board may hold, as corner and extent on the plank."""
    trim = cutting.saw.end_trim_mm
    stretches = [(0.0, trim), (plank.length_mm - trim, plank.length_mm), *plank.avoid]
    for low, high in stretches:
        if high > low:
            yield low, 0.0, min(high, plank.length_mm) - low, plank.width_mm
    if plank.sap_mm:
        yield 0.0, plank.clear_width_mm, plank.length_mm, plank.sap_mm


def _sections(cutting: CuttingPlan, here: list[Place]) -> Iterator[tuple[str, str, str]]:
    numbers: dict[float, list[int]] = {}
    for place in here:
        numbers.setdefault(place.x_mm, []).append(place.board)
    for x, boards in sorted(numbers.items()):
        yield ", ".join(map(str, boards)), f"{x:.1f}", f"{x + cutting.length_mm:.1f}"
