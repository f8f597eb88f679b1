"""Sheets for the bench and for scoring: board drawings, the key, scoring forms; as PDF, A4 or US Letter.

`build` is pure: a plan and its patches in, everything the pages say out. `write` sets them in type and
puts the files in place. boards.pdf and the scoring forms are blind: they hold no level and no control's
name; key.pdf holds both.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from trials import blind, csv_source, geometry, lap, limits, units
from trials import folder as folders
from trials.csv_text import plain
from trials.errors import Problem, UserError
from trials.plan import Plan
from trials.sheets import drawing, key_sheet, overview, scoring_form
from trials.sheets.drawing import PAPERS, Drawing
from trials.sheets.key_sheet import Key
from trials.sheets.scoring_form import Form

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["PAPERS", "SheetData", "build", "write"]

_LONGEST_HEAD = 70
_PRINTED = ("patch", "repeat", "stage", "assessor", "source")
"""The columns of a blank table in which something stands from the beginning."""


@dataclass(frozen=True)
class Range:
    """Between which distances a lane or strip lies, as printed."""

    name: str
    start: str
    end: str


@dataclass(frozen=True)
class BoardSheet:
    """What boards.pdf says: all boards small, and one drawing of how each is set out.

    Attributes
    ----------
    planks, ticks, label_share, aspect : the boards small; who ticks off a board; the label end's share of its length,
        and its width beside its length.
    strips, lanes, unit : the tape's distances.
    drawing : of the setting out, or in `full` of every board at true scale.
    """

    summary: str
    parts_words: str
    lots: int
    strips: tuple[Range, ...]
    lanes: tuple[Range, ...]
    unit: str
    unused: bool
    drawing: Drawing
    planks: tuple[overview.Plank, ...] = ()
    ticks: tuple[str, ...] = ()
    label_share: float = 0.0
    aspect: float = 1.0


@dataclass(frozen=True)
class SheetData:
    """Everything that is printed.

    Attributes
    ----------
    paper : a key of `PAPERS`.
    blind_title : the trial's title, or a name made of the plan's digest where the title gives a level away.
    boards, full : for boards.pdf, and for boards-full-scale.pdf where it is wanted.
    key : for key.pdf.
    forms : for the scoring forms, one for each assessor.
    mark : what stands at the head of every page, of a rehearsal; else nothing.
    """

    paper: str
    blind_title: str
    boards: BoardSheet
    key: Key
    forms: tuple[Form, ...]
    mark: str = ""
    full: BoardSheet | None = None


def build(plan: Plan, patches: pd.DataFrame, seed: int, paper: str = "a4", *, full_scale: bool = False) -> SheetData:
    """Work out what the sheets say.

    Parameters
    ----------
    plan : a checked plan.
    patches : one row a patch, as layout.csv.
    seed : the layout's seed.
    paper : a key of `PAPERS`.
    full_scale : whether every board is wanted at true scale too.

    Raises
    ------
    ValueError
        The paper is not known, or the patches are not those of a layout.
    """
    if paper not in PAPERS:
        raise ValueError(f"paper {paper!r} is not one of {', '.join(PAPERS)}")
    columns = {"patch", "lot", "board", "lane", "strip", "board_order", "control", *(f.name for f in plan.factors)}
    if not columns <= set(patches.columns):
        raise ValueError(f"the patches lack the columns {', '.join(sorted(columns - set(patches.columns)))}")
    return SheetData(
        paper=paper,
        blind_title=blind.title(plan),
        boards=_board_sheet(plan, patches, paper),
        full=_full_scale(plan, patches, paper) if full_scale else None,
        key=key_sheet.build(plan, patches, seed),
        forms=scoring_form.build(plan, patches, seed),
        mark=plan.mark,
    )


def write(
    plan: Plan,
    patches: pd.DataFrame,
    seed: int,
    folder: Path,
    paper: str = "a4",
    write_bytes: Callable[[Path, bytes], None] = folders.write_bytes,
    *,
    full_scale: bool = False,
) -> list[Path]:
    """Write boards.pdf, key.pdf and each assessor's form as PDF and as blank csv.

    Parameters
    ----------
    plan, patches, seed, paper, full_scale : as for `build`.
    folder : where the files go.
    write_bytes : puts one whole file in place.

    Returns
    -------
    The files written. A csv somebody has begun to fill in is left as it is and not among them.

    Raises
    ------
    UserError
        A csv that has been filled in holds other codes than this layout's, or a file cannot be written.
        A csv in the way is noticed before anything is written.
    """
    sheets = build(plan, patches, seed, paper, full_scale=full_scale)
    blanks = {folder / form.blank_name: form.blank for form in sheets.forms}
    files = {path: blank for path, blank in blanks.items() if not _filled_in(path, blank)}
    files |= _documents(sheets, folder)
    for path, content in sorted(files.items()):
        write_bytes(path, content)
    return sorted(files)


# --- setting in type -------------------------------------------------------------------------------


def _documents(sheets: SheetData, folder: Path) -> dict[Path, bytes]:
    """Return every PDF by its path."""
    from trials.sheets import typeset

    width, height = PAPERS[sheets.paper]
    head = typeset.one_line(sheets.blind_title, _LONGEST_HEAD)
    untold = {"title": sheets.blind_title, "short_title": head, "width": width, "height": height}
    untold_drawings = untold | {
        "margin": drawing.MARGIN_MM, "above": drawing.ABOVE_MM, "rule": drawing.RULE_MM,
        "most_pages": drawing.MOST_PAGES,
    }  # fmt: skip
    named = typeset.one_line(sheets.key.title, _LONGEST_HEAD)
    key = {"short_title": named, "width": width, "height": height} | asdict(sheets.key)
    contents = {"boards": ("boards", untold_drawings | asdict(sheets.boards)), "key": ("key", key)}
    if sheets.full:
        contents["boards-full-scale"] = ("full-scale", untold_drawings | asdict(sheets.full))
    contents |= {form.stem: ("scoring", untold | asdict(form)) for form in sheets.forms}
    contents = {stem: (template, values | {"mark": sheets.mark}) for stem, (template, values) in contents.items()}
    shapes = typeset.find_shapes([values for _, values in contents.values()])
    return {
        folder / f"{stem}.pdf": typeset.pdf(template, values, shapes) for stem, (template, values) in contents.items()
    }


def _filled_in(path: Path, blank: bytes) -> bool:
    """Whether a csv holds something typed that must not be lost.

    Raises
    ------
    UserError
        It does, and its codes are not those of the blank that would replace it.
    """
    if not path.exists():
        return False
    try:
        found = _cells(limits.contents(path), path.name)
    except csv.Error as error:
        raise UserError(Problem(f"cannot be read ({error})", "move it out of the way", file=path.name)) from None
    printed = _cells(blank, path.name)
    told = {at for at, name in enumerate(found[0]) if name in _PRINTED}
    if not any(cell for row in found[1:] for at, cell in enumerate(row) if at not in told):
        return False
    codes = {row[0] for row in found[1:] if row}
    if codes - {row[0] for row in printed[1:]}:
        raise UserError(
            Problem(
                "has been filled in, and its codes are not those of this layout",
                "move it out of the folder, then write the sheets again",
                file=path.name,
            )
        )
    return True


def _cells(content: bytes, name: str) -> list[list[str]]:
    """Return the cells of a csv, whichever of the usual separators a spreadsheet saved it with."""
    text = csv_source.decode(content, name).replace(";", ",").replace("\t", ",")
    rows = csv.reader(io.StringIO(text, newline=""))
    return [[plain(cell.strip()) for cell in row] for row in rows if any(cell.strip() for cell in row)]


# --- the words around the drawings -----------------------------------------------------------------


def _board_sheet(plan: Plan, patches: pd.DataFrame, paper: str) -> BoardSheet:
    boards = plan.boards
    return replace(
        _described(plan, drawing.setting_out(plan, paper)),
        planks=overview.build(plan, patches),
        ticks=plan.assessors,
        label_share=boards.label_end_mm / boards.length_mm,
        aspect=boards.width_mm / boards.length_mm,
    )


def _full_scale(plan: Plan, patches: pd.DataFrame, paper: str) -> BoardSheet:
    return _described(plan, drawing.draw(plan, patches, paper))


def _described(plan: Plan, drawn: Drawing) -> BoardSheet:
    """Return a drawing with the words and the distances around it."""
    boards = plan.boards
    firsts = [geometry.patch(boards, 1, strip) for strip in range(1, boards.strips + 1)]
    strips = [_range(plan, f"strip {at}", one.x, one.x + one.length) for at, one in enumerate(firsts, 1)]
    beside = [geometry.patch(boards, lane, 1) for lane in range(1, boards.lanes + 1)]
    lanes = [_range(plan, f"lane {at}", one.y, one.y + one.width) for at, one in enumerate(beside, 1)]
    unit = "in" if plan.inches else "mm"
    unused = any(not patch.used for page in drawn.pages for view in page for patch in view.patches)
    return BoardSheet(
        _summary(plan), _parts_words(drawn), len(boards.lots), tuple(strips), tuple(lanes), unit, unused, drawn
    )


def _range(plan: Plan, name: str, start_mm: float, end_mm: float) -> Range:
    start, end = (units.on_the_rule(one, inches=plan.inches) for one in (start_mm, end_mm))
    return Range(name, start, end)


def _summary(plan: Plan) -> str:
    boards = plan.boards
    many = "board" if boards.count == 1 else "boards"
    sides = [units.on_the_rule(one, inches=plan.inches) for one in (boards.length_mm, boards.width_mm)]
    size = f"{' × '.join(sides)} {'in' if plan.inches else 'mm'}"
    summary = f"{boards.count} {many} of {size}, in the order of their numbers."
    if plan.lap is None:
        return summary
    cell = lap.cells(boards, plan.lap)[0]
    return (
        f"{summary} In each strip lane A is put on first and, after the return time that the key names, lane B over "
        f"its edge by {plan.lap.overlap_mm:g} mm: {cell.dose_ml:.2f} mL for each lane, by syringe, with a pad "
        f"{plan.lap.pad_mm:g} mm wide run along a straightedge; never mask the lap edge itself."
    )


def _parts_words(drawn: Drawing) -> str:
    """Say how the parts of a board are joined, or nothing where a board is on one page."""
    parts = drawn.columns * drawn.rows
    if parts == 1:
        return ""
    count, cut = "from the label end", "left"
    if drawn.rows > 1 and drawn.columns > 1:
        count, cut = "from the label end, then row by row from the fixed edge", "left and lower"
    elif drawn.rows > 1:
        count, cut = "from the fixed edge", "lower"
    return (
        f"Each board comes in {parts} parts, numbered {count}; neighbours overlap by {drawing.OVERLAP_MM:g} mm. "
        f"Cut a part at its {cut} dash-dotted line and lay it over its neighbour, so that the crosses meet and "
        "the cut edge lies on the dotted line."
    )
