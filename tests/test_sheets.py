"""Sheets measured and read from the PDF files themselves."""

from __future__ import annotations

import ctypes
import re
import subprocess
import sys
import time
import unicodedata
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import pandas as pd
import pypdfium2
import pypdfium2.raw as pdfium
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from trials import cautions, csv_source, geometry, records, sheets, units
from trials.design import lay_out, scoring_order
from trials.errors import UserError
from trials.plan import Boards, Plan, read_plan
from trials.scoring import sittings
from trials.sheets import drawing, overview, scoring_form, typeset

SEED = 7
TENTH_MM = 0.1

PLAN = """
[trial]
title = "Reception counter in quartersawn lacewood"
[boards]
count = {count}
lots = 2
length = "{length} mm"
width = "{width} mm"
lanes = 3
strips = 4
[[factor]]
name = "carrier"
levels = ["qualwater", "zephyrspirit"]
laid_on = "board"
[[factor]]
name = "seal_coat"
levels = ["unsealed", "shellaque one"]
laid_on = "lane"
[[factor]]
name = "glaze_dwell"
levels = ["33 minutes", "66 minutes"]
laid_on = "strip"
[[exclude]]
seal_coat = "unsealed"
glaze_dwell = "66 minutes"
[[control]]
name = "untouched timber"
laid_on = "lane"
[[response]]
name = "figure_clarity"
half_grades = true
[[response]]
name = "sheen"
kind = "measure"
unit = "GU"
low = 0
high = 100
[[response]]
name = "acceptable"
kind = "yes_no"
[scoring]
assessors = ["Ines", "Otto"]
"""
SECRETS = (
    "qualwater", "zephyrspirit", "unsealed", "shellaque", "33 minutes", "66 minutes", "untouched",
    "carrier", "seal coat", "seal_coat", "glaze",
)  # fmt: skip
PAPER_MM = {"a4": (210.0, 297.0), "us-letter": (8.5 * 25.4, 11 * 25.4)}
"""ISO 216; 8.5 × 11 in."""


def _plan(text: str, folder: Path) -> Plan:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    return read_plan(folder)


@dataclass(frozen=True)
class Sheets:
    """A trial and where its sheets lie."""

    plan: Plan
    patches: pd.DataFrame
    folder: Path

    def pdf(self, stem: str) -> pypdfium2.PdfDocument:
        return pypdfium2.PdfDocument((self.folder / f"{stem}.pdf").read_bytes())


def _written(text: str, folder: Path, paper: str) -> Sheets:
    plan = _plan(text, folder)
    patches = lay_out(plan, SEED).patches
    sheets.write(plan, patches, SEED, folder / "sheets", paper, full_scale=True)
    return Sheets(plan, patches, folder / "sheets")


@pytest.fixture(scope="module", params=["a4", "us-letter"])
def small(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Sheets:
    """Boards that fit on one page."""
    text = PLAN.format(count=4, length=220, width=110)
    return _written(text, tmp_path_factory.mktemp("small"), request.param)


@pytest.fixture(scope="module", params=["a4", "us-letter"])
def tiled(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Sheets:
    """Boards that take several pages both ways."""
    text = PLAN.format(count=2, length=620, width=400)
    return _written(text, tmp_path_factory.mktemp("tiled"), request.param)


# --- reading a PDF ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Shape:
    """A path on a page: its stroke in pt, its extent in mm from the page's top left corner, its clip likewise."""

    stroke: float
    points: int
    left: float
    top: float
    right: float
    bottom: float
    clip: tuple[float, float, float, float] | None

    @property
    def width(self) -> float:
        return self.right - self.left

    @property
    def height(self) -> float:
        return self.bottom - self.top


def _millimetres(page: pypdfium2.PdfPage, x: float, y: float) -> tuple[float, float]:
    return x / 72 * 25.4, (page.get_height() - y) / 72 * 25.4


def _point(segment: object) -> tuple[float, float]:
    x, y = ctypes.c_float(), ctypes.c_float()
    pdfium.FPDFPathSegment_GetPoint(segment, x, y)
    return x.value, y.value


def _clip(page: pypdfium2.PdfPage, item: object) -> tuple[float, float, float, float] | None:
    """Return the smallest clip around an object, if it is clipped."""
    path = pdfium.FPDFPageObj_GetClipPath(item)
    found = []
    for at in range(max(pdfium.FPDFClipPath_CountPaths(path), 0)):
        number = pdfium.FPDFClipPath_CountPathSegments(path, at)
        points = [_point(pdfium.FPDFClipPath_GetPathSegment(path, at, step)) for step in range(number)]
        xs, ys = zip(*(_millimetres(page, *point) for point in points), strict=True)
        found.append((min(xs), min(ys), max(xs), max(ys)))
    return min(found, key=lambda box: (box[2] - box[0]) * (box[3] - box[1])) if found else None


def _shapes(page: pypdfium2.PdfPage) -> list[Shape]:
    shapes = []
    for item in page.get_objects(filter=[pdfium.FPDF_PAGEOBJ_PATH]):
        matrix, points = item.get_matrix(), []
        for at in range(pdfium.FPDFPath_CountSegments(item)):
            x, y = matrix.on_point(*_point(pdfium.FPDFPath_GetPathSegment(item, at)))
            points.append(_millimetres(page, x, y))
        stroke = ctypes.c_float()
        pdfium.FPDFPageObj_GetStrokeWidth(item, stroke)
        xs, ys = zip(*points, strict=True)
        shapes.append(
            Shape(round(stroke.value, 2), len(points), min(xs), min(ys), max(xs), max(ys), _clip(page, item))
        )
    return shapes


OUTLINE, PATCH = 0.9, 0.7
"""Strokes, in pt, that only board outlines and patches have among the rectangles."""


def _rectangles(page: pypdfium2.PdfPage, stroke: float) -> list[Shape]:
    return [shape for shape in _shapes(page) if shape.stroke == stroke and shape.points == 5]


def _drawn_pages(document: pypdfium2.PdfDocument) -> Iterator[pypdfium2.PdfPage]:
    """Go through the pages that hold a board."""
    for page in document:
        if _rectangles(page, OUTLINE):
            yield page


def _text(document: pypdfium2.PdfDocument) -> str:
    """Return all text on one line, with places to break taken out."""
    whole = " ".join(page.get_textpage().get_text_bounded() for page in document)
    return " ".join(whole.replace("\u200b", "").replace("\ufffe", "").split())


def _bold_codes(document: pypdfium2.PdfDocument) -> Counter[str]:
    """Count the runs of three figures set in the bold face of codes."""
    found: Counter[str] = Counter()
    for page in document:
        text = page.get_textpage()
        for item in page.get_objects(filter=[pdfium.FPDF_PAGEOBJ_TEXT]):
            name = ctypes.create_string_buffer(200)
            pdfium.FPDFFont_GetBaseFontName(pdfium.FPDFTextObj_GetFont(item), name, 200)
            size = pdfium.FPDFTextObj_GetText(item, text, None, 0)
            words = (ctypes.c_ushort * (size // 2))()
            pdfium.FPDFTextObj_GetText(item, text, words, size)
            letters = "".join(map(chr, words)).strip("\0 ")
            if b"Mono-Bold" in name.value and re.fullmatch(r"\d{3}", letters):
                found[letters] += 1
    return found


def _codes(patches: pd.DataFrame) -> list[str]:
    return [f"{code:03d}" for code in patches["patch"]]


# --- true scale ------------------------------------------------------------------------------------


def test_pages_are_the_paper(small: Sheets, tiled: Sheets) -> None:
    sizes = {tuple(sorted(size)) for size in PAPER_MM.values()}
    for trial in (small, tiled):
        for stem in ("boards", "boards-full-scale", "key", "scoring-Ines"):
            for page in trial.pdf(stem):
                size = sorted(side / 72 * 25.4 for side in page.get_size())
                assert any(size == pytest.approx(paper, abs=TENTH_MM) for paper in sizes)


def test_the_rule_on_every_page_is_100_mm(small: Sheets, tiled: Sheets) -> None:
    for trial in (small, tiled):
        for page in trial.pdf("boards-full-scale"):
            lines = [shape for shape in _shapes(page) if shape.stroke == 0.6 and shape.height == 0]
            assert [line.width for line in lines] == pytest.approx([100.0], abs=TENTH_MM)
            ticks = sorted(
                shape.left
                for shape in _shapes(page)
                if shape.stroke == 0.5 and shape.width == 0 and abs(shape.bottom - lines[0].top) < 0.01
            )
            steps = [after - before for before, after in pairwise(ticks)]
            assert steps == pytest.approx([5.0] * 20, abs=0.01)
            words = page.get_textpage().get_text_bounded()
            assert "steel rule" in words
            assert "100 %" in words
            assert "actual size" in words


def test_boards_and_patches_are_true_to_a_tenth_of_a_millimetre(small: Sheets) -> None:
    boards = small.plan.boards
    drawn = 0
    for page in _drawn_pages(small.pdf("boards-full-scale")):
        patches = _rectangles(page, PATCH)
        for outline in _rectangles(page, OUTLINE):
            drawn += 1
            assert outline.width == pytest.approx(boards.length_mm, abs=TENTH_MM)
            assert outline.height == pytest.approx(boards.width_mm, abs=TENTH_MM)
            found = {
                (round(p.left - outline.left, 1), round(outline.bottom - p.bottom, 1), p.width, p.height)
                for p in patches
                if p.top >= outline.top and p.bottom <= outline.bottom
            }
            wanted = [geometry.patch(boards, lane, strip) for lane in (1, 2, 3) for strip in (1, 2, 3, 4)]
            assert sorted(found) == [
                pytest.approx((r.x, r.y, r.length, r.width), abs=TENTH_MM)
                for r in sorted(wanted, key=lambda r: (r.x, r.y))
            ]
    assert drawn == boards.count


def test_a_patch_on_several_parts_is_true_to_scale(tiled: Sheets) -> None:
    boards = tiled.plan.boards
    for page in _drawn_pages(tiled.pdf("boards-full-scale")):
        for patch in _rectangles(page, PATCH):
            assert patch.width == pytest.approx(boards.patch_length_mm, abs=TENTH_MM)
            assert patch.height == pytest.approx(boards.patch_width_mm, abs=TENTH_MM)


def test_nothing_is_drawn_off_the_page(small: Sheets, tiled: Sheets) -> None:
    for trial in (small, tiled):
        for page in (*trial.pdf("boards"), *trial.pdf("boards-full-scale")):
            width, height = (side / 72 * 25.4 for side in page.get_size())
            for shape in _shapes(page):
                seen = shape.clip or (shape.left, shape.top, shape.right, shape.bottom)
                assert seen[0] >= 4
                assert seen[1] >= 4
                assert seen[2] <= width - 4
                assert seen[3] <= height - 4


# --- parts of a board ------------------------------------------------------------------------------


def _seen(page: pypdfium2.PdfPage) -> tuple[float, float, float, float]:
    """Return what of its board a page shows: from and to along, from and to across, in mm."""
    (outline,) = _rectangles(page, OUTLINE)
    assert outline.clip is not None
    left, top, right, bottom = outline.clip
    return left - outline.left, right - outline.left, outline.bottom - bottom, outline.bottom - top


def test_the_parts_of_a_board_cover_it_and_overlap(tiled: Sheets) -> None:
    boards = tiled.plan.boards
    pages = list(_drawn_pages(tiled.pdf("boards-full-scale")))
    parts = len(pages) // boards.count
    assert parts > 3
    for start in range(0, len(pages), parts):
        seen = [_seen(page) for page in pages[start : start + parts]]
        along = sorted({(round(s[0], 1), round(s[1], 1)) for s in seen})
        across = sorted({(round(s[2], 1), round(s[3], 1)) for s in seen})
        assert len(seen) == len(along) * len(across)
        for stretches, extent in ((along, boards.length_mm), (across, boards.width_mm)):
            assert len(stretches) > 1
            assert stretches[0][0] <= 0
            assert stretches[-1][1] >= extent
            for (_, end), (begin, _) in pairwise(stretches):
                assert end - begin == pytest.approx(15, abs=TENTH_MM)


def test_register_crosses_meet(tiled: Sheets) -> None:
    """Every cross stands at the same place of the board on each of the pages that bear it."""
    pages = list(_drawn_pages(tiled.pdf("boards-full-scale")))
    parts = len(pages) // tiled.plan.boards.count
    places: Counter[tuple[float, float]] = Counter()
    for page in pages[:parts]:
        (outline,) = _rectangles(page, OUTLINE)
        flat = [
            s for s in _shapes(page) if s.stroke == 0.5 and s.height == 0 and s.width == pytest.approx(4.8, abs=0.01)
        ]
        assert flat
        for line in flat:
            along, across = (line.left + line.right) / 2 - outline.left, outline.bottom - line.top
            places[round(along, 1), round(across, 1)] += 1
    assert set(places.values()) <= {2, 4}


def test_parts_say_what_they_show(tiled: Sheets) -> None:
    pages = list(_drawn_pages(tiled.pdf("boards-full-scale")))
    for page in pages:
        words = " ".join(page.get_textpage().get_text_bounded().split())
        left, right, low, high = (round(value) for value in _seen(page))
        match = re.search(r"part (\d+) of (\d+): (\d+) to (\d+) mm from the label end, (\d+) to (\d+) mm", words)
        assert match
        assert int(match[2]) == len(pages) // tiled.plan.boards.count
        printed = [int(number) for number in match.groups()[2:]]
        assert printed == pytest.approx([left, right, low, high], abs=1)


@pytest.mark.parametrize(("width", "pages"), [(150, 3), (180, 4)])
def test_the_page_is_turned_for_fewest_pages(width: float, pages: int, tmp_path: Path) -> None:
    """600 mm: 3 parts across a wide page, 4 across an upright one, which alone holds 180 mm of width."""
    plan = _plan(PLAN.format(count=2, length=600, width=width), tmp_path)
    drawn = drawing.draw(plan, lay_out(plan, SEED).patches, "a4")
    assert len(drawn.pages) == 2 * pages
    assert (drawn.width > drawn.height) == (width == 150)


def test_boards_too_many_and_too_large_are_drawn_smaller(tmp_path: Path) -> None:
    plan = _plan(PLAN.format(count=60, length=6000, width=1500), tmp_path)
    patches = lay_out(plan, SEED).patches
    drawn = drawing.draw(plan, patches, "a4")
    assert drawn.scale > 1
    assert len(drawn.pages) <= 60
    outline = drawn.pages[0][0].outline
    assert outline.width * drawn.scale == pytest.approx(6000)
    text = _text(pypdfium2.PdfDocument(_pdf_of_boards(plan, patches)))
    assert f"1 mm here is {drawn.scale} mm of wood" in text
    assert "steel rule" not in text


def _pdf_of_boards(plan: Plan, patches: pd.DataFrame) -> bytes:
    made: dict[str, bytes] = {}
    sheets.write(
        plan, patches, SEED, Path("nowhere"), full_scale=True,
        write_bytes=lambda path, data: made.update({path.name: data}),
    )  # fmt: skip
    return made["boards-full-scale.pdf"]


@st.composite
def _boards(draw: st.DrawFn) -> Boards:
    board = Boards(
        lots=(draw(st.integers(1, 4)),),
        length_mm=draw(st.integers(100, 1500)),
        width_mm=draw(st.integers(40, 700)),
        lanes=draw(st.integers(1, 6)),
        strips=draw(st.integers(1, 12)),
        margin_mm=draw(st.sampled_from([0.0, 5.0, 12.5])),
        guard_mm=draw(st.sampled_from([0.0, 3.0])),
        label_end_mm=draw(st.sampled_from([0.0, 20.0])),
    )
    assume(board.patch_length_mm >= 15 and board.patch_width_mm >= 15)
    return board


def _bare_table(boards: Boards) -> pd.DataFrame:
    places = [
        (board, lane, strip)
        for board in range(1, boards.count + 1)
        for lane in range(1, boards.lanes + 1)
        for strip in range(1, boards.strips + 1)
    ]
    table = pd.DataFrame(places, columns=["board", "lane", "strip"])
    return table.assign(patch=range(100, 100 + len(table)), lot=1, board_order=table["board"], control="")


@given(_boards(), st.sampled_from(sorted(PAPER_MM)))
@settings(max_examples=60, deadline=None)
def test_every_code_is_drawn_once_where_its_patch_is(boards: Boards, paper: str) -> None:
    plan = Plan(title="", wood="", about="", boards=boards, factors=())
    drawn = drawing.draw(plan, _bare_table(boards), paper)
    codes: Counter[str] = Counter()
    for view in (view for page in drawn.pages for view in page):
        window = view.window
        assert window.x + window.width <= drawn.width - drawing.MARGIN_MM + 1e-6
        assert (
            window.y + window.height + drawing.BELOW_MM <= drawn.height - drawing.MARGIN_MM - drawing.FOOT_MM + 1e-6
        )
        for patch in view.patches:
            if patch.code:
                codes[patch.code] += 1
                assert patch.free.x >= max(patch.box.x, window.x) - 1e-6
                assert (
                    patch.free.x + patch.free.width
                    <= min(patch.box.x + patch.box.width, window.x + window.width) + 1e-6
                )
                assert patch.free.width >= 5
                assert patch.free.height >= 5
    assert codes == Counter(str(code) for code in range(100, 100 + len(codes)))
    assert len(codes) == boards.count * boards.lanes * boards.strips


# --- all boards on one sheet, and how each is set out ----------------------------------------------


def test_boards_are_seen_on_one_sheet_and_set_out_on_another(small: Sheets, tiled: Sheets) -> None:
    for trial in (small, tiled):
        document = trial.pdf("boards")
        assert len(document) <= 3
        first = " ".join(_text(document).split())
        assert first.startswith(f"All {trial.plan.boards.count} boards")
        assert all(f"Board {number}" in first for number in range(1, trial.plan.boards.count + 1))
        assert first.count("Ines") == first.count("Otto") == trial.plan.boards.count


def test_two_hundred_boards_are_quickly_seen() -> None:
    boards = Boards((100, 100), 480, 150, 2, 4, 5, 3, 20)
    plan = Plan(title="Many", wood="", about="", boards=boards, factors=())
    table = _bare_table(boards).assign(lot=lambda rows: 1 + (rows["board"] > 100))
    table["patch"] = [100 + at % 900 for at in range(len(table))]
    started = time.perf_counter()
    made: dict[str, bytes] = {}
    sheets.write(plan, table, SEED, Path("nowhere"), write_bytes=lambda path, data: made.update({path.name: data}))
    assert time.perf_counter() - started < 20
    text = _text(pypdfium2.PdfDocument(made["boards.pdf"]))
    assert "Plank 1" in text
    assert "Board 200" in " ".join(text.split())


@pytest.mark.parametrize(
    ("code", "turns"),
    [("689", False), ("698", True), ("916", False), ("619", False), ("601", True), ("123", False), ("808", False)],
)
def test_a_code_that_reads_otherwise_upside_down_has_a_foot(code: str, turns: bool) -> None:
    assert overview._cell(code).turns is turns


def test_a_plan_in_inches_is_set_out_in_sixteenths_on_any_paper(tmp_path: Path) -> None:
    text = (
        PLAN.format(count=4, length=220, width=110).replace('"220 mm"', '"23 5/8 in"').replace('"110 mm"', "'6 in'")
    )
    assert "23 5/8 in" in text
    trial = _written(text, tmp_path, "a4")
    assert trial.plan.inches
    words = " ".join(_text(trial.pdf("boards")).split())
    marks = geometry.tape_marks(trial.plan.boards)
    for distance in (*marks["along"], *marks["across"]):
        assert units.on_the_rule(distance, inches=True) in words
    assert "of 23 5/8 × 6 in" in words
    assert not re.search(r"\d/(?:32|64)\b|\d mm\b", words.replace("1 mm here", "").replace("mm of wood", ""))


@pytest.mark.parametrize(
    ("length_mm", "inches", "words"),
    [
        (288.333, False, "288.5"), (20, False, "20"), (0.2, False, "0"), (25.4 * 9.125, True, "9 1/8"),
        (25.4 * 5.328125, True, "5 5/16"), (25.4 * 13.890625, True, "13 7/8"), (25.4, True, "1"), (0.1, True, "0"),
        (25.4 * 0.5, True, "1/2"), (25.4 * 0.97, True, "1"),
    ],
)  # fmt: skip
def test_lengths_are_written_as_a_rule_shows_them(length_mm: float, inches: bool, words: str) -> None:
    assert units.on_the_rule(length_mm, inches=inches) == words


# --- what is said ----------------------------------------------------------------------------------


def test_every_code_stands_once_on_the_drawings(small: Sheets, tiled: Sheets) -> None:
    for trial in (small, tiled):
        for stem in ("boards", "boards-full-scale"):
            assert _bold_codes(trial.pdf(stem)) == Counter(_codes(trial.patches))


def test_forbidden_places_are_marked_unused(small: Sheets) -> None:
    boards = small.plan.boards
    unused = boards.count * boards.lanes * boards.strips - len(small.patches)
    assert unused > 0
    text = " ".join(_text(small.pdf("boards-full-scale")).split())
    assert text.count("not used") == unused + 1  # and once among the signs explained


def test_tape_distances_are_printed(small: Sheets) -> None:
    marks = geometry.tape_marks(small.plan.boards)
    for stem, times in (("boards", 1), ("boards-full-scale", small.plan.boards.count)):
        text = _text(small.pdf(stem))
        for distance in (*marks["along"], *marks["across"]):
            shown = re.escape(units.on_the_rule(distance, inches=False))
            assert len(re.findall(shown, text)) >= times


def test_blind_sheets_tell_no_treatment(small: Sheets, tiled: Sheets) -> None:
    for trial in (small, tiled):
        blind = [path for path in trial.folder.iterdir() if path.name != "key.pdf"]
        assert len(blind) == 8
        for path in blind:
            told = path.name + path.read_bytes().decode("latin-1")
            if path.suffix == ".pdf":
                document = pypdfium2.PdfDocument(path.read_bytes())
                told += _text(document) + str(document.get_metadata_dict())
            for secret in SECRETS:
                assert secret not in told.lower(), (path.name, secret)


def test_controls_are_drawn_like_the_rest(small: Sheets) -> None:
    """All patches that carry a code are the same rectangles, and nothing else is drawn in them but the code."""
    data = sheets.build(small.plan, small.patches, SEED, full_scale=True)
    shapes = {
        (round(p.box.width, 6), round(p.box.height, 6), p.words)
        for page in data.full.drawing.pages
        for view in page
        for p in view.patches
        if p.used
    }
    assert len(shapes) == 1
    assert (small.patches["control"] != "").any()


def test_a_title_that_tells_a_level_is_kept_off_blind_sheets(tmp_path: Path) -> None:
    title = "Is QualWater good enough?"
    trial = _written(PLAN.replace("Reception counter in quartersawn lacewood", title).format(
        count=4, length=220, width=110), tmp_path, "a4")  # fmt: skip
    for stem in ("boards", "boards-full-scale", "scoring-Ines"):
        document = trial.pdf(stem)
        assert "qualwater" not in (_text(document) + str(document.get_metadata_dict())).lower()
        assert f"Trial {trial.plan.layout_digest()[:8]}" in _text(document)
    assert title in _text(trial.pdf("key"))


def test_the_key_holds_every_code_with_what_it_carries(small: Sheets) -> None:
    text = _text(small.pdf("key"))
    factors = [factor.name for factor in small.plan.factors]
    for row in small.patches.to_dict("records"):
        place = f"{row['patch']:03d} {row['board']} · {row['lane']} · {row['strip']}"
        carries = row["control"] or " ".join(str(row[name]) for name in factors)
        assert f"{place} {carries}" in text
    assert "Not blind" in text
    assert "must not see it" in text


def test_the_key_has_cautions_short_at_its_head_and_whole_at_its_end(small: Sheets) -> None:
    document = small.pdf("key")
    pages = [" ".join(page.get_textpage().get_text_bounded().split()) for page in document]
    called = cautions.for_plan(small.plan)
    assert called[0] is cautions.WOOD_DUST
    for caution in called:
        assert caution.short in pages[0]
        assert caution.text not in pages[0]
        assert f"{caution.name}. {caution.text[:40]}" in "".join(pages[1:])
    assert "Source:" not in pages[0]
    assert "Outside the USA your own rules" in " ".join(pages[-2:])


def test_the_key_goes_through_the_boards_in_the_order_of_work(small: Sheets) -> None:
    text = _text(small.pdf("key"))
    treated = small.patches[small.patches["control"] == ""]
    order = treated.drop_duplicates("board").sort_values("board_order")
    found = re.findall(r"(\d+)\. Board (\d+) lot (\d+) carrier (\w+)", text)
    assert found == [
        (str(row.board_order), str(row.board), str(row.lot), str(row.carrier)) for row in order.itertuples()
    ]


def test_the_keys_boards_agree_with_the_layout(small: Sheets) -> None:
    by_code = {f"{row['patch']:03d}": row for row in small.patches.to_dict("records")}
    seen = 0
    for board in sheets.build(small.plan, small.patches, SEED).key.boards:
        for block in board.blocks:
            for lane in block.lanes:
                for (strip, strip_words), cell in zip(block.strips, lane.cells, strict=True):
                    if not cell.code:
                        continue
                    seen += 1
                    row = by_code[cell.code]
                    assert (row["board"], row["lane"], row["strip"]) == (board.board, lane.number, strip)
                    if row["control"]:
                        assert cell.words == row["control"]
                    else:
                        assert lane.words == f"seal coat {row['seal_coat']}"
                        assert strip_words == f"glaze dwell {row['glaze_dwell']}"
    assert seen == len(small.patches)


# --- scoring ---------------------------------------------------------------------------------------


def test_each_assessor_has_an_order_of_their_own(small: Sheets) -> None:
    orders = []
    for assessor in small.plan.assessors:
        found = _bold_codes(small.pdf(f"scoring-{assessor}"))
        (sitting,) = (one for one in sittings(small.plan, small.patches, SEED) if one.assessor == assessor)
        looks = [(f"{look.patch:03d}", str(look.repeat)) for look in sitting.rounds[0].looks]
        assert found == Counter(code for code, _ in looks), "what the phone page asks is asked on paper"
        assert list(found) == list(dict.fromkeys(code for code, _ in looks))
        table = csv_source.read(small.folder / f"blank-scoring-{assessor}.csv")
        assert [(row.cells["patch"], row.cells["repeat"]) for row in table.rows] == looks
        orders.append([code for code, repeat in looks if repeat == "1"])
        assert len(looks) == len(small.patches) * 6 // 5
        assert orders[-1] == [f"{code:03d}" for code in scoring_order(small.patches, SEED, assessor)]
    assert orders[0] != orders[1]
    assert sorted(orders[0]) == sorted(orders[1]) == sorted(_codes(small.patches))


def test_the_form_says_what_to_write_and_how_to_hand_it_in(small: Sheets) -> None:
    text = _text(small.pdf("scoring-Otto"))
    for words in (
        "fleck crisp at 2 m, edges sharp, ground even",
        "1 to 5, halves allowed",
        "yes or no",
        "raking light",
        "label end to your left",
        "If you made the boards yourself, let a day go by",
        "splitboard record scores-Otto.csv",
    ):
        assert words in text
    assert text.count("Rest a few minutes") == (len(small.patches) * 6 // 5 - 1) // 15
    assert "GU" not in text
    assert "at the stage" not in text, "the plan has no such step"


def test_the_blank_table_has_the_header_that_the_form_prints(small: Sheets) -> None:
    for stem in ("scoring-Ines", "measuring"):
        first = (small.folder / f"blank-{stem}.csv").read_text(encoding="utf-8-sig").splitlines()[0]
        assert f"whose first line is {first} Save it as" in _text(small.pdf(stem))


def test_the_form_of_an_instrument_is_for_measuring(small: Sheets) -> None:
    text = " ".join(_text(small.pdf("measuring")).split())
    for words in (
        "Measuring form", "0 to 100 GU", "instrument", "geometry", "aperture", "calibrated on", "three places",
        'splitboard record measured.csv --method "INSTRUMENT, GEOMETRY, APERTURE, CALIBRATED"',
    ):  # fmt: skip
        assert words in text
    for words in ("Scoring", "2 m", "eyes", "Rest", "lamp", "--assessor"):
        assert words not in text


def test_lightness_is_told_from_darkness(tmp_path: Path) -> None:
    text = PLAN.replace('"GU"', '"L*"').format(count=4, length=220, width=110)
    assert "0 to 100 L*; 0 is black, 100 white" in _text(_written(text, tmp_path / "l", "a4").pdf("measuring"))
    step = text.replace("low = 0\nhigh = 100", "")
    assert "black" not in _text(_written(step, tmp_path / "step", "a4").pdf("measuring"))


def test_pairs_and_every_stage_are_on_the_form(tmp_path: Path) -> None:
    text = PLAN.replace("half_grades = true", 'half_grades = true\nstages = ["dyed", "topcoated"]') + (
        '[[response]]\nname = "finer"\nkind = "preference"\nfactor = "seal_coat"\nask = "Which is finer?"\n'
    )
    trial = _written(text.format(count=4, length=220, width=110), tmp_path, "a4")
    (form,) = (one for one in scoring_form.build(trial.plan, trial.patches, SEED) if one.assessor == "Ines")
    (sitting,) = (one for one in sittings(trial.plan, trial.patches, SEED) if one.assessor == "Ines")
    for shown, asked in zip(form.rounds, sitting.rounds, strict=True):
        assert [(int(row.code), row.repeat) for row in shown.rows] == [(one.patch, one.repeat) for one in asked.looks]
        sides = [(int(left), int(right)) for some in shown.pairs for left, right in some.sides]
        assert sides == [(pair.left, pair.right) for pair in asked.pairs]
    assert [bool(one.pairs) for one in form.rounds] == [False, True]
    words = _text(trial.pdf("scoring-Ines"))
    assert words.count("Stage: ") == 2
    assert "Which is finer?" in words
    assert "splitboard record --by-hand --assessor Ines" in words
    header = (trial.folder / "blank-scoring-Ines.csv").read_text(encoding="utf-8-sig").splitlines()[0]
    assert header == "patch,figure_clarity,acceptable,repeat,stage,assessor,note"


def test_the_stage_is_said_where_the_plan_has_such_a_step(tmp_path: Path) -> None:
    text = PLAN.replace("[scoring]", '[[step]]\nname = "top"\nmaterial = "varnish"\nstage = "topcoated"\n[scoring]')
    trial = _written(text.format(count=4, length=220, width=110), tmp_path, "a4")
    assert "Score at the stage: topcoated" in _text(trial.pdf("scoring-Ines"))
    assert "Measure at the stage: topcoated" in _text(trial.pdf("measuring"))


def test_the_blank_table_is_taken_in_once_filled(small: Sheets, tmp_path: Path) -> None:
    blank = (small.folder / "blank-scoring-Ines.csv").read_bytes()
    assert blank.startswith(b"\xef\xbb\xbfpatch,figure_clarity,acceptable,repeat,assessor,note\r\n")
    filled = tmp_path / "scores.csv"
    filled.write_bytes(re.sub(rb",,,(\d),Ines,\r\n", rb",3.5,yes,\1,Ines,\r\n", blank))
    checked = records.check_readings(csv_source.read(filled), small.plan, small.patches, [])
    assert not checked.problems
    assert len(checked.new) == 2 * len(small.patches) * 6 // 5
    assert Counter(row["repeat"] for row in checked.new)["2"] == 2 * len(small.patches) // 5
    assert {row["assessor"] for row in checked.new} == {"Ines"}


def test_without_assessors_there_is_one_form(tmp_path: Path) -> None:
    text = PLAN[: PLAN.index("[scoring]")].format(count=4, length=220, width=110)
    trial = _written(text, tmp_path, "a4")
    assert {path.name for path in trial.folder.iterdir()} == {
        "boards.pdf", "boards-full-scale.pdf", "key.pdf", "scoring.pdf", "blank-scoring.csv", "measuring.pdf",
        "blank-measuring.csv",
    }  # fmt: skip
    words = _text(trial.pdf("scoring"))
    assert "splitboard record scores.csv" in words
    assert "--assessor" not in words


def test_a_table_somebody_filled_in_is_never_lost(tmp_path: Path) -> None:
    trial = _written(PLAN.format(count=4, length=220, width=110), tmp_path, "a4")
    table = trial.folder / "blank-scoring-Ines.csv"
    filled = table.read_bytes().replace(b",,,1,Ines,\r\n", b",1,,1,Ines,\r\n", 1).replace(b",", b";")
    table.write_bytes(filled)
    written = sheets.write(trial.plan, trial.patches, SEED, trial.folder)
    assert table.read_bytes() == filled
    assert table not in written
    assert len(written) == 7
    before = {path: path.read_bytes() for path in trial.folder.iterdir()}
    other = trial.patches.assign(patch=trial.patches["patch"].to_numpy() % 899 + 101)
    with pytest.raises(UserError, match=r"blank-scoring-Ines\.csv: has been filled in.*move it out of the folder"):
        sheets.write(trial.plan, other, SEED, trial.folder)
    assert {path: path.read_bytes() for path in trial.folder.iterdir()} == before


@given(st.lists(st.text(min_size=1, max_size=300), min_size=1, max_size=8, unique=True))
def test_file_names_are_safe_and_told_apart(assessors: list[str]) -> None:
    stems = scoring_form.file_stems(assessors)
    assert len({unicodedata.normalize("NFKC", stem).casefold() for stem in stems}) == len(assessors)
    for stem in stems:
        assert re.fullmatch(r"scoring-[\w-]+", stem)
        assert len(f"{stem}.pdf".encode()) <= 255


def test_names_that_collide_are_told_apart() -> None:
    stems = scoring_form.file_stems(["Anna B", "anna/b", "../Anna B", "Anna-B-2", "!!!"])
    assert stems == (
        "scoring-Anna-B",
        "scoring-anna-b-2",
        "scoring-Anna-B-3",
        "scoring-Anna-B-2-2",
        "scoring-assessor",
    )


# --- what people type ------------------------------------------------------------------------------

INJECTIONS = (
    '#panic("x")', "]", "#[", "$x^2$", "*bold* _it_ `raw`", "<label> @ref", "\\ // /* */", "{{ x }}",
    "#import \"a.typ\"", "= Heading", "--- ~ '", "Ελλ Жук שלום ½ Å",
)  # fmt: skip


@pytest.mark.parametrize("typed", INJECTIONS)
def test_what_was_typed_prints_as_it_stands(typed: str, tmp_path: Path) -> None:
    quoted = typed.replace("\\", "\\\\").replace('"', '\\"')
    text = PLAN.format(count=4, length=220, width=110)
    for words in ("Reception counter in quartersawn lacewood", "qualwater", "untouched timber", "Ines"):
        text = text.replace(f'"{words}"', f'"{words[:4]} {quoted}"')
    text = text.replace('kind = "yes_no"', f'anchors = ["{quoted} low", "{quoted} high"]\ngrades = 2')
    trial = _written(text, tmp_path, "a4")
    form = next(path.stem for path in trial.folder.glob("scoring-Ines*.pdf"))
    squeezed = {stem: _text(trial.pdf(stem)).replace(" ", "") for stem in ("boards", "key", form)}
    wanted = typed.replace(" ", "")
    if any(unicodedata.bidirectional(letter) == "R" for letter in typed):
        wanted = wanted[:6]
    for stem, words in (("boards", "Rece"), ("key", "Rece"), ("key", "qual"), ("key", "unto"), (form, "Ines")):
        assert words + wanted in squeezed[stem], (stem, words)
    assert wanted + ("low" if len(wanted) == len(typed.replace(" ", "")) else "") in squeezed[form]
    assert typed.replace(" ", "")[:6] in trial.pdf("boards").get_metadata_dict()["Title"].replace(" ", "")


def test_control_characters_and_turned_text_are_numbered() -> None:
    shapes = typeset.find_shapes({"title": "a\x07b \u202ec \U0010fffe d"})
    assert shapes.none == {"\x07", "\u202e", "\U0010fffe"}
    assert not shapes.borrowed


def test_letters_the_fonts_lack_are_borrowed_or_numbered() -> None:
    shapes = typeset.find_shapes("Ærø Ωμέγα Жук שלום 山田")
    assert shapes.borrowed | shapes.none == {"山", "田"}


def test_a_name_in_another_script_still_prints(tmp_path: Path) -> None:
    text = PLAN.replace("Otto", "山田 花子").replace("qualwater", "水\\u0007").format(count=4, length=220, width=110)
    trial = _written(text, tmp_path, "a4")
    key = _text(trial.pdf("key"))
    assert "(U+0007)" in key
    assert "printed as their Unicode number" in key
    assert "carrier 水(U+0007)" in key or "carrier (U+6C34)(U+0007)" in key
    assert (trial.folder / "blank-scoring-山田-花子.csv").exists()


def test_long_words_may_break_but_what_is_typed_may_not() -> None:
    shown = typeset._printable("a" * 60, "title", missing=frozenset())
    assert max(map(len, shown.split("\u200b"))) <= 22
    assert shown.replace("\u200b", "") == "a" * 60
    assert typeset._printable("a" * 60, "commands", missing=frozenset()) == "a" * 60


# --- the files -------------------------------------------------------------------------------------


def test_the_same_plan_gives_the_same_bytes(small: Sheets, tmp_path: Path) -> None:
    """In another process, at another time, in another time zone."""
    paper = "a4" if small.pdf("key")[0].get_width() < 600 else "us-letter"
    code = (
        "import sys; from pathlib import Path; from trials import sheets; from trials.plan import read_plan;"
        "from trials.design import lay_out; plan = read_plan(sys.argv[1]);"
        f"sheets.write(plan, lay_out(plan, {SEED}).patches, {SEED}, Path(sys.argv[2]), {paper!r}, full_scale=True)"
    )
    command = [sys.executable, "-c", code, str(small.folder.parent), str(tmp_path)]
    root = Path(sheets.__file__).parent.parent
    subprocess.run(command, check=True, cwd=root, env={"TZ": "Pacific/Auckland", "PYTHONHASHSEED": "5"})
    again = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    assert again == {path.name: path.read_bytes() for path in small.folder.iterdir()}


def test_a_layout_read_back_from_csv_gives_the_same_sheets(small: Sheets) -> None:
    """An empty cell may come back as NaN."""
    patches = small.patches.copy()
    patches["control"] = patches["control"].where(patches["control"] != "", None)
    assert sheets.build(small.plan, patches, SEED) == sheets.build(small.plan, small.patches, SEED)


def test_files_go_through_the_writer_given(small: Sheets, tmp_path: Path) -> None:
    made: dict[Path, bytes] = {}
    written = sheets.write(small.plan, small.patches, SEED, tmp_path / "x", write_bytes=made.__setitem__)
    assert written == sorted(made)
    assert not (tmp_path / "x").exists()
    assert all(data.startswith(b"%PDF" if path.suffix == ".pdf" else b"\xef\xbb\xbf") for path, data in made.items())


def test_a_programmers_mistakes_are_told(small: Sheets) -> None:
    with pytest.raises(ValueError, match="a4, us-letter"):
        sheets.build(small.plan, small.patches, SEED, "a3")
    with pytest.raises(ValueError, match="lack the columns lane"):
        sheets.build(small.plan, small.patches.drop(columns="lane"), SEED)


def test_twelve_boards_are_quick(tmp_path: Path) -> None:
    plan = _plan(PLAN.format(count=12, length=600, width=150), tmp_path)
    patches = lay_out(plan, SEED).patches
    began = time.process_time()
    sheets.write(plan, patches, SEED, tmp_path / "sheets")
    assert time.process_time() - began < 3


def test_all_nine_hundred_codes_can_be_printed(tmp_path: Path) -> None:
    text = PLAN.format(count=75, length=150, width=80).replace("lanes = 3", "lanes = 3\nlabel_end = '10 mm'")
    text = text.replace('[[exclude]]\nseal_coat = "unsealed"\nglaze_dwell = "66 minutes"\n', "")
    trial = _written(text + 'repeats = "0 %"\n', tmp_path, "a4")
    assert len(trial.patches) == 900
    for stem in ("boards", "scoring-Ines"):
        assert _bold_codes(trial.pdf(stem)) == Counter(str(code) for code in range(100, 1000))
