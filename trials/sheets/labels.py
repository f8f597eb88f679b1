"""Labels to stick on: each board's back and edge, each patch with its code. Blind.

Pure but for `documents`, which sets in type: a plan, its patches and a grid of labels in, what every label
says and where it lies out. A label holds no level, no control's name and no factor.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Literal

from trials import units
from trials.errors import Problem, UserError
from trials.plan import Plan
from trials.sheets.drawing import PAPERS, RULE_MM, Box
from trials.toml_source import Table

if TYPE_CHECKING:
    import pandas as pd

Kind = Literal["board", "edge", "patch"]
KINDS: tuple[Kind, ...] = ("board", "edge", "patch")

QUIET_MODULES = 4
"""Light modules that must surround a QR code: ISO/IEC 18004:2015, 5.3.8 (from memory)."""
LEAST_MODULE_MM = 0.5
"""A smaller module a phone held in the hand may not read; this and the sizes below are working values."""
LARGEST_MODULE_MM = 1.0
INSET_MM = 1.5
"""Kept free along a label's edge, because no printer feeds labels truly."""
LEAST_FIGURES_MM, LARGEST_FIGURES_MM = 3.6, 9.0
"""Size of type of a patch's code."""
FIGURES_WIDE, FIGURES_HIGH = 1.9, 1.1
"""Room three figures and the bar at their foot take, in sizes of type."""
LEAST_BOARD_LABEL_MM = (30.0, 16.0)
EDGE_STRIP_MM = 12.0
"""An edge label is printed on a strip no higher than this; what is below is cut off for a thin edge."""
LEAST_SHEET_MM = 60.0
_TOUCH_MM = 0.005


@dataclass(frozen=True)
class LabelGrid:
    """A sheet of labels: how many across and down, their size, where the first lies, the gaps, the sheet (mm)."""

    columns: int
    rows: int
    width_mm: float
    height_mm: float
    left_mm: float
    top_mm: float
    gap_across_mm: float = 0.0
    gap_down_mm: float = 0.0
    sheet_width_mm: float = 210.0
    sheet_height_mm: float = 297.0

    @property
    def count(self) -> int:
        """How many labels a sheet holds."""
        return self.columns * self.rows

    def box(self, position: int) -> Box:
        """Return where a label lies; positions count from 1, row by row from the top left."""
        row, column = divmod(position - 1, self.columns)
        x = self.left_mm + column * (self.width_mm + self.gap_across_mm)
        y = self.top_mm + row * (self.height_mm + self.gap_down_mm)
        return Box(x, y, self.width_mm, self.height_mm)


@dataclass(frozen=True)
class Label:
    """One label.

    Attributes
    ----------
    code : a patch's three digits; else empty.
    modules : a patch's QR code as the path of an SVG drawing, one unit a module, quiet zone counted in.
    """

    kind: Kind
    box: Box
    board: int
    lot: int
    code: str = ""
    modules: str = ""


@dataclass(frozen=True)
class PatchFit:
    """Where QR code (quiet zone counted in) and figures lie on a patch's label, in mm from its top left corner.

    `side` is the QR code's, with its quiet zone; `figures` is the size of the code's type.
    """

    qr: Box
    side: int
    module_mm: float
    middle_x: float
    middle_y: float
    figures: float


@dataclass(frozen=True)
class LabelSheets:
    """The labels of one kind of sheet.

    Attributes
    ----------
    title : the trial's, blind.
    trial : the first 8 hex digits of the plan's layout digest, in capitals.
    pages : the labels on each sheet.
    """

    title: str
    trial: str
    grid: LabelGrid
    fit: PatchFit | None
    lots: int
    pages: tuple[tuple[Label, ...], ...]
    mark: str = ""


def build(
    plan: Plan,
    patches: pd.DataFrame,
    grid: LabelGrid,
    title: str,
    *,
    kinds: Sequence[Kind] = KINDS,
    start: int = 1,
) -> LabelSheets:
    """Work out what the labels say and where they lie.

    Parameters
    ----------
    plan : a checked plan.
    patches : one row a patch, as layout.csv.
    grid : the sheets.
    title : the trial's blind title.
    kinds : which labels: each board's ``board`` and ``edge``, then each ``patch``, by board, lane and strip.
    start : the position of the first label on the first sheet, which may be part used.

    Raises
    ------
    UserError
        The labels do not fit the sheet, are too small for what they must hold, or there is no such position.
    """
    check(grid)
    if not 1 <= start <= grid.count:
        raise UserError(
            Problem(f"there is no label {start} on a sheet of {grid.count}", f"write one from 1 to {grid.count}")
        )
    fit = None
    if "patch" in kinds:
        fit = _fit(grid)
    if set(kinds) & {"board", "edge"}:
        _check_board_labels(grid)
    trial = plan.layout_digest()[:8].upper()
    said = [*_board_labels(patches, kinds), *(_patch_labels(patches, trial) if "patch" in kinds else ())]
    pages: list[list[Label]] = []
    for at, values in enumerate(said, start=start - 1):
        page, position = divmod(at, grid.count)
        if page == len(pages):
            pages.append([])
        pages[page].append(Label(box=grid.box(position + 1), **values))
    return LabelSheets(
        title=title,
        trial=trial,
        grid=grid,
        fit=fit,
        lots=len(plan.boards.lots),
        pages=tuple(map(tuple, pages)),
        mark=plan.mark,
    )


def documents(
    plan: Plan,
    patches: pd.DataFrame,
    title: str,
    grid: LabelGrid,
    *,
    patch_grid: LabelGrid | None = None,
    start: int = 1,
    patch_start: int = 1,
) -> dict[str, bytes]:
    """Return the label sheets and their test prints as PDF by file name.

    Parameters
    ----------
    plan, patches, title : as for `build`.
    grid : the sheets for all labels, or for the boards' where `patch_grid` is given.
    patch_grid : other sheets for the patches' labels.
    start, patch_start : the first label's position on the first sheet of `grid` and of `patch_grid`.

    Returns
    -------
    labels.pdf and labels-test-print.pdf; with a `patch_grid` labels-boards.pdf, labels-patches.pdf and a test
    print for each.

    Raises
    ------
    UserError
        As for `build`.
    """
    if patch_grid is None:
        sheets = {"labels": build(plan, patches, grid, title, start=start)}
    else:
        sheets = {
            "labels-boards": build(plan, patches, grid, title, kinds=("board", "edge"), start=start),
            "labels-patches": build(plan, patches, patch_grid, title, kinds=("patch",), start=patch_start),
        }
    return {
        f"{stem}{ending}.pdf": content
        for stem, labels in sheets.items()
        for ending, content in (("", _set(labels, test=False)), ("-test-print", _set(labels, test=True)))
    }


def qr_text(trial: str, code: str) -> str:
    """Return what a patch's QR code holds, such as ``0A1B2C3D/417``: letters of the alphanumeric mode only."""
    return f"{trial}/{code}".upper()


def read_qr_text(text: str) -> tuple[str, int] | None:
    """Return the trial and the patch of what a QR code was read as, or None where it is no label's."""
    match = re.fullmatch(r"([0-9A-F]{8})/([0-9]{3})", text.strip().upper())
    return (match[1], int(match[2])) if match else None


# --- the grid --------------------------------------------------------------------------------------

_EXAMPLE = "3 x 8, 70 mm x 36 mm, left 0 mm, top 4.5 mm, gap across 0 mm, gap down 0 mm, a4"
_KEYS = ("columns", "rows", "width", "height", "left", "top", "gap_across", "gap_down", "sheet")
_COUNTS = re.compile(r"\s*(\d{1,3})\s*[x×]\s*(\d{1,3})\s*(?:[,;]|$)\s*(.*)", re.DOTALL)
_PAIR = re.compile(r"(.+?)\s*[x×]\s*(.+)", re.DOTALL)


def check(grid: LabelGrid) -> None:
    """Refuse a grid that does not fit its sheet.

    Raises
    ------
    UserError
        Labels run off the sheet, or a length is below what it can be.
    """
    problems = []
    lengths = (grid.width_mm, grid.height_mm, grid.columns, grid.rows)
    if min(lengths) <= 0 or min(grid.left_mm, grid.top_mm, grid.gap_across_mm, grid.gap_down_mm) < 0:
        raise UserError(Problem("a sheet of labels has no length below 0", f"write it as {_EXAMPLE!r}"))
    if max(grid.sheet_width_mm, grid.sheet_height_mm) < LEAST_SHEET_MM:
        size = f"{grid.sheet_width_mm:g} × {grid.sheet_height_mm:g} mm"
        raise UserError(Problem(f"a sheet of {size} is too small", f"take one {LEAST_SHEET_MM:g} mm long at least"))
    ways = (
        (
            "across",
            "left",
            "wide",
            grid.columns,
            grid.width_mm,
            grid.gap_across_mm,
            grid.left_mm,
            grid.sheet_width_mm,
        ),
        ("down", "top", "high", grid.rows, grid.height_mm, grid.gap_down_mm, grid.top_mm, grid.sheet_height_mm),
    )
    for way, side, word, count, extent, gap, margin, room in ways:
        needed = margin + count * extent + (count - 1) * gap
        if needed > room + _TOUCH_MM:
            what = (
                f"{count} labels {way} of {extent:g} mm with gaps of {gap:g} mm and {margin:g} mm free at the {side} "
                f"take {needed:.1f} mm, {needed - room:.1f} mm more than the sheet is {word} ({room:.1f} mm)"
            )
            problems.append(Problem(what, "measure the sheet again"))
    if problems:
        raise UserError(*problems)


def read_grid(text: str) -> LabelGrid:
    """Read a grid from text such as ``3 x 8, 70 mm x 36 mm, left 0 mm, top 4.5 mm, a4``.

    First the labels across and down, then a label's width and height; then, in any order and as needed,
    ``left`` and ``top`` (where left out, the labels lie in the middle of the sheet), ``gap across`` and
    ``gap down`` or ``gap`` for both (none), and the paper: a4, us-letter or ``sheet 100 mm x 150 mm`` (a4).

    Raises
    ------
    UserError
        The text is not understood, or the labels do not fit the sheet.
    """
    counts = _COUNTS.fullmatch(text)
    parts = [part.strip() for part in re.split(r"[,;](?!\d)", counts[3]) if part.strip()] if counts else []
    if counts is None or not parts:
        raise UserError(Problem(f"{text!r} does not describe a sheet of labels", f"write it as {_EXAMPLE!r}"))
    values = dict(zip(("width", "height"), _pair(parts[0]), strict=True))
    sheet = PAPERS["a4"]
    for part in parts[1:]:
        word, _, rest = part.rpartition(" ") if part in PAPERS else _keyword(part)
        if part in PAPERS:
            sheet = PAPERS[part]
        elif word == "sheet":
            sheet = _pair(rest)
        elif word == "gap":
            values |= dict.fromkeys(("gap_across", "gap_down"), _mm(rest))
        elif word in _KEYS[4:8]:
            values[word] = _mm(rest)
        else:
            raise UserError(
                Problem(f"{part!r} of the sheet of labels is not understood", f"write it as {_EXAMPLE!r}")
            )
    return _grid(int(counts[1]), int(counts[2]), values, sheet)


def grid_of(table: Table) -> LabelGrid | None:
    """Read a grid from a TOML table with the keys `_KEYS`: two counts, six lengths, and the paper as for `read_grid`.

    Returns
    -------
    The grid, or None where faults were noted in the table's source.
    """
    before = len(table.source.problems)
    table.allow(_KEYS)
    for key in _KEYS[:4]:
        if key not in table:
            table.fault(None, f"{key!r} is missing here", f"add {key} = " + ("3" if key in _KEYS[:2] else '"70 mm"'))
    columns, rows = table.count("columns", 1, most=100), table.count("rows", 1, most=100)
    lengths = {key: table.length_mm(key, 1.0, 1.0, 2000.0) for key in _KEYS[2:4]}
    lengths |= {key: table.length_mm(key, 0.0, 0.0, 2000.0) for key in _KEYS[4:8] if key in table}
    paper = table.text("sheet", "a4")
    try:
        sheet = PAPERS[paper] if paper in PAPERS else _pair(paper)
        if len(table.source.problems) == before:
            return _grid(columns, rows, lengths, sheet)
    except UserError as error:
        for problem in error.problems:
            table.fault("sheet" if "sheet" in table else None, problem.what, problem.cure)
    return None


def _grid(columns: int, rows: int, values: dict[str, float], sheet: tuple[float, float]) -> LabelGrid:
    """Return a checked grid, in the middle of the sheet where no margin is given."""
    across, down = values.get("gap_across", 0.0), values.get("gap_down", 0.0)
    free_x = sheet[0] - columns * values["width"] - (columns - 1) * across
    free_y = sheet[1] - rows * values["height"] - (rows - 1) * down
    grid = LabelGrid(
        columns=columns,
        rows=rows,
        width_mm=values["width"],
        height_mm=values["height"],
        left_mm=values.get("left", max(free_x / 2, 0.0)),
        top_mm=values.get("top", max(free_y / 2, 0.0)),
        gap_across_mm=across,
        gap_down_mm=down,
        sheet_width_mm=sheet[0],
        sheet_height_mm=sheet[1],
    )
    check(grid)
    return grid


def _keyword(part: str) -> tuple[str, str, str]:
    match = re.fullmatch(r"([a-z][a-z ]*?)\s+(\d.*)", part, re.DOTALL)
    return (match[1].replace(" ", "_"), " ", match[2]) if match else ("", "", "")


def _pair(text: str) -> tuple[float, float]:
    """Return the two lengths of ``70 mm x 36 mm``; the first may leave its unit to the second."""
    match = _PAIR.fullmatch(text.strip())
    if match is None:
        raise UserError(Problem(f"{text.strip()!r} is not a width and a height", "write it as '70 mm x 36 mm'"))
    return _mm(units.with_unit_of(match[1], match[2])), _mm(match[2])


def _mm(text: str) -> float:
    return units.read(text, "length").amount


# --- what fits on a label --------------------------------------------------------------------------


def _fit(grid: LabelGrid) -> PatchFit:
    """Lay out a patch's label: the code beside its QR code or below it, whichever gives the larger modules.

    Raises
    ------
    UserError
        A module would be smaller than `LEAST_MODULE_MM`.
    """
    side = 21 + 2 * QUIET_MODULES  # version 1, which holds 16 such letters at level Q (ISO/IEC 18004:2015, table 7)
    width, height = grid.width_mm - 2 * INSET_MM, grid.height_mm - 2 * INSET_MM
    least_wide, least_high = LEAST_FIGURES_MM * FIGURES_WIDE, LEAST_FIGURES_MM * FIGURES_HIGH
    beside, below = min(height, width - least_wide), min(width, height - least_high)
    module = max(beside, below) / side
    if module < LEAST_MODULE_MM:
        least = side * LEAST_MODULE_MM + 2 * INSET_MM
        what = (
            f"a label of {grid.width_mm:g} × {grid.height_mm:g} mm is too small for a patch's code and QR code: its "
            f"squares would be {max(module, 0.0):.2f} mm, and a phone needs {LEAST_MODULE_MM:g} mm"
        )
        cure = f"take labels of at least {least + least_wide:.1f} × {least:.1f} mm"
        raise UserError(Problem(what, f"{cure} or {least:.1f} × {least + least_high:.1f} mm"))
    module = min(module, LARGEST_MODULE_MM)
    extent = module * side
    if beside >= below:
        figures = min((width - extent) / FIGURES_WIDE, height / FIGURES_HIGH, LARGEST_FIGURES_MM)
        free = max(width - extent - figures * FIGURES_WIDE, 0.0) / 2
        qr = Box(INSET_MM + free, INSET_MM + (height - extent) / 2, extent, extent)
        middle = (qr.x + extent + figures * FIGURES_WIDE / 2, grid.height_mm / 2)
    else:
        figures = min((height - extent) / FIGURES_HIGH, width / FIGURES_WIDE, LARGEST_FIGURES_MM)
        free = max(height - extent - figures * FIGURES_HIGH, 0.0) / 2
        qr = Box(INSET_MM + (width - extent) / 2, INSET_MM + free, extent, extent)
        middle = (grid.width_mm / 2, qr.y + extent + figures * FIGURES_HIGH / 2)
    return PatchFit(qr, side, module, *middle, figures)


def _check_board_labels(grid: LabelGrid) -> None:
    """Refuse labels too small for a board's.

    Raises
    ------
    UserError
        They are.
    """
    width, height = LEAST_BOARD_LABEL_MM
    if grid.width_mm < width or grid.height_mm < height:
        what = f"a label of {grid.width_mm:g} × {grid.height_mm:g} mm is too small for a board's number and arrows"
        raise UserError(Problem(what, f"take labels of at least {width:g} × {height:g} mm for the boards"))


# --- what is said ----------------------------------------------------------------------------------


def _board_labels(patches: pd.DataFrame, kinds: Sequence[Kind]) -> Iterator[dict[str, Any]]:
    """Go through the boards by number: for each what goes on its back, and on its edge."""
    for board, rows in patches.groupby("board", sort=True):
        for kind in ("board", "edge"):
            if kind in kinds:
                yield {"kind": kind, "board": int(board), "lot": int(rows["lot"].iloc[0])}


def _patch_labels(patches: pd.DataFrame, trial: str) -> Iterator[dict[str, Any]]:
    """Go through the patches as they lie, so that a board's are stuck on in turn."""
    ordered = patches.sort_values(["board", "lane", "strip"], kind="stable")
    for board, lot, patch in zip(ordered["board"], ordered["lot"], ordered["patch"], strict=True):
        code = f"{int(patch):03d}"
        modules = _path(_modules(qr_text(trial, code)))
        yield {"kind": "patch", "board": int(board), "lot": int(lot), "code": code, "modules": modules}


def _modules(text: str) -> tuple[bytearray, ...]:
    """Return a QR code's rows, 1 for dark: version 1 at level Q, which bears a quarter of it being spoilt."""
    import segno

    return tuple(segno.make_qr(text, error="q", boost_error=False, version=1, mode="alphanumeric").matrix)


def _path(rows: Iterable[Sequence[int]]) -> str:
    """Return dark modules as one SVG path: a rectangle for each run in a row, words apart by spaces."""
    pieces = []
    for y, row in enumerate(rows, start=QUIET_MODULES):
        start = None
        for x, dark in enumerate([*row, 0], start=QUIET_MODULES):
            if dark and start is None:
                start = x
            elif not dark and start is not None:
                pieces.append(f"M{start} {y}h{x - start}v1H{start}z")
                start = None
    return " ".join(pieces)


# --- setting in type -------------------------------------------------------------------------------


def _set(labels: LabelSheets, *, test: bool) -> bytes:
    """Return a PDF: the labels, or the outlines of a sheet to hold them against."""
    from trials.sheets import typeset

    grid = labels.grid
    values = asdict(labels) | {
        "width": grid.sheet_width_mm,
        "height": grid.sheet_height_mm,
        "short_title": typeset.one_line(labels.title, 90),
        "inset": INSET_MM,
        "strip": EDGE_STRIP_MM,
        "test": test,
        "outlines": [asdict(grid.box(at)) for at in range(1, grid.count + 1)] if test else [],
        "rule": RULE_MM if max(grid.sheet_width_mm, grid.sheet_height_mm) >= RULE_MM + 8 else RULE_MM / 2,
    }
    if test:
        values["pages"] = []
    return typeset.pdf("labels", values)
