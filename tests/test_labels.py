"""Labels measured in the PDF itself, and their QR codes read back by a decoder from the printed page."""

from __future__ import annotations

import ctypes
import re
from collections import Counter
from pathlib import Path

import pandas as pd
import pypdfium2
import pypdfium2.raw as pdfium
import pytest
import segno
import zxingcpp
from hypothesis import given, settings
from hypothesis import strategies as st

from trials.design import lay_out
from trials.errors import UserError
from trials.plan import Plan, read_plan
from trials.sheets import labels
from trials.sheets.drawing import Box
from trials.sheets.labels import LabelGrid
from trials.toml_source import Source

TENTH_MM = 0.1
SECRETS = ("qualwater", "zephyrspirit", "unsealed", "shellaque", "untouched", "carrier", "seal_coat", "seal coat")
PLAN = """
[trial]
title = "{title}"
[boards]
count = 4
lots = 2
length = "220 mm"
width = "110 mm"
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
[[control]]
name = "untouched timber"
laid_on = "lane"
[[response]]
name = "figure_clarity"
"""
LARGE = LabelGrid(columns=3, rows=8, width_mm=70, height_mm=36, left_mm=0, top_mm=4.5)
SMALL = LabelGrid(5, 13, 38.1, 21.2, left_mm=4.75, top_mm=10.7, gap_across_mm=2.5)
TALL = LabelGrid(7, 8, 25.4, 30.5, 12.7, 12.7, 1.6, 0.4, 215.9, 279.4)


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> tuple[Plan, pd.DataFrame]:
    folder = tmp_path_factory.mktemp("labels")
    (folder / "trial.toml").write_text(PLAN.format(title="Counter in lacewood"), encoding="utf-8")
    plan = read_plan(folder)
    return plan, lay_out(plan, 7).patches


@pytest.fixture(scope="module")
def made(trial: tuple[Plan, pd.DataFrame]) -> dict[str, pypdfium2.PdfDocument]:
    """Boards on large labels from the 5th on, patches on small ones from the 12th on."""
    files = labels.documents(*trial, "Counter in lacewood", LARGE, patch_grid=SMALL, start=5, patch_start=12)
    return {name: pypdfium2.PdfDocument(data) for name, data in files.items()}


def _text(document: pypdfium2.PdfDocument) -> str:
    return " ".join(" ".join(page.get_textpage().get_text_bounded() for page in document).split())


def _words(page: pypdfium2.PdfPage) -> list[tuple[str, Box]]:
    """Return each run of text on a page, and where it lies in mm from the top left corner."""
    found, text = [], page.get_textpage()
    for at in range(text.count_rects()):
        left, bottom, right, top = text.get_rect(at)
        box = [value / 72 * 25.4 for value in (left, page.get_height() - top, right - left, top - bottom)]
        found.append((text.get_text_bounded(left, bottom, right, top).strip(), Box(*box)))
    return found


def _codes_read(page: pypdfium2.PdfPage) -> list[tuple[str, float, float, float]]:
    """Decode every QR code of a page at 300 dpi: its text, its top left corner and its side in mm."""
    image = page.render(scale=300 / 72).to_pil().convert("L")
    found = []
    for code in zxingcpp.read_barcodes(image):
        assert code.format == zxingcpp.BarcodeFormat.QRCode
        place, mm = code.position, 25.4 / 300
        side = (place.top_right.x - place.top_left.x + place.bottom_left.y - place.top_left.y) / 2
        found.append((code.text, place.top_left.x * mm, place.top_left.y * mm, side * mm))
    return found


def _paths(page: pypdfium2.PdfPage) -> list[tuple[float, Box]]:
    """Return every path's stroke in pt and where it lies on the page, in mm."""
    found = []
    for item in page.get_objects(filter=[pdfium.FPDF_PAGEOBJ_PATH], max_depth=8):
        matrix, points, x, y = item.get_matrix(), [], ctypes.c_float(), ctypes.c_float()
        for at in range(pdfium.FPDFPath_CountSegments(item)):
            pdfium.FPDFPathSegment_GetPoint(pdfium.FPDFPath_GetPathSegment(item, at), x, y)
            points.append(matrix.on_point(x.value, y.value))
        stroke = ctypes.c_float()
        pdfium.FPDFPageObj_GetStrokeWidth(item, stroke)
        xs, ys = zip(*points, strict=True)
        box = (min(xs), page.get_height() - max(ys), max(xs) - min(xs), max(ys) - min(ys))
        found.append((round(stroke.value, 2), Box(*(value / 72 * 25.4 for value in box))))
    return found


def _inside(inner: Box, outer: Box, slack: float = TENTH_MM) -> bool:
    return (
        inner.x >= outer.x - slack
        and inner.y >= outer.y - slack
        and inner.x + inner.width <= outer.x + outer.width + slack
        and inner.y + inner.height <= outer.y + outer.height + slack
    )


# --- QR codes --------------------------------------------------------------------------------------


def test_every_qr_code_is_read_once_and_lies_on_its_label(
    trial: tuple[Plan, pd.DataFrame], made: dict[str, pypdfium2.PdfDocument]
) -> None:
    plan, patches = trial
    ordered = patches.sort_values(["board", "lane", "strip"])
    wanted = [f"{plan.layout_digest()[:8].upper()}/{patch:03d}" for patch in ordered["patch"]]
    fit, found = labels._fit(SMALL), []
    for page in made["labels-patches.pdf"]:
        found += [(round(y), x, text, y, side) for text, x, y, side in _codes_read(page)]
    assert sorted(text for _, _, text, _, _ in found) == sorted(wanted)
    by_text = {text: (x, y, side) for _, x, text, y, side in found}
    for at, text in enumerate(wanted, start=11):
        box, (x, y, side) = SMALL.box(at % SMALL.count + 1), by_text[text]
        quiet = labels.QUIET_MODULES * fit.module_mm
        assert side == pytest.approx(21 * fit.module_mm, abs=0.2)  # a pixel is 0.085 mm
        assert (x, y) == pytest.approx((box.x + fit.qr.x + quiet, box.y + fit.qr.y + quiet), abs=0.2)
        assert labels.read_qr_text(text) == (text[:8], int(text[9:]))


@pytest.mark.parametrize("grid", [LARGE, TALL, LabelGrid(1, 1, 60, 30, 1, 1, 0, 0, 62, 32)])
def test_qr_codes_are_read_from_any_sheet(grid: LabelGrid, trial: tuple[Plan, pd.DataFrame]) -> None:
    plan, patches = trial
    few = patches.head(12)
    document = pypdfium2.PdfDocument(labels._set(labels.build(plan, few, grid, "", kinds=("patch",)), test=False))
    found = [text for page in document for text, *_ in _codes_read(page)]
    assert Counter(found) == Counter(f"{plan.layout_digest()[:8].upper()}/{patch:03d}" for patch in few["patch"])


def test_qr_codes_are_drawn_to_a_tenth_of_a_millimetre(made: dict[str, pypdfium2.PdfDocument]) -> None:
    """The drawing's own extent, from the coordinates in the file: 21 modules square inside the quiet zone."""
    fit = labels._fit(SMALL)
    quiet, extent = labels.QUIET_MODULES * fit.module_mm, 21 * fit.module_mm
    (page,) = made["labels-patches.pdf"]
    every = [box for _, box in _paths(page)]
    drawn = [box for box in every if box.width == pytest.approx(extent, abs=TENTH_MM)]
    places = [SMALL.box(at) for at in range(12, 12 + len(drawn))]
    for box, label in zip(sorted(drawn, key=lambda b: (round(b.y), b.x)), places, strict=True):
        corner = (label.x + fit.qr.x + quiet, label.y + fit.qr.y + quiet)
        assert (box.x, box.y) == pytest.approx(corner, abs=TENTH_MM)
        assert box.height == pytest.approx(extent, abs=TENTH_MM)
        around = Box(box.x - quiet, box.y - quiet, extent + 2 * quiet, extent + 2 * quiet)
        assert _inside(around, label, -labels.INSET_MM + TENTH_MM)
        others = [other for other in every if other != box]
        assert not any(_inside(Box(o.x + o.width / 2, o.y + o.height / 2, 0, 0), around, 0) for o in others)
    assert len(drawn) == 48


def test_qr_codes_are_drawings_not_pictures(made: dict[str, pypdfium2.PdfDocument]) -> None:
    for document in made.values():
        for page in document:
            assert not list(page.get_objects(filter=[pdfium.FPDF_PAGEOBJ_IMAGE], max_depth=8))


@given(st.text("0123456789ABCDEF", min_size=8, max_size=8), st.integers(100, 999))
@settings(max_examples=30)
def test_qr_codes_are_those_of_the_standard(trial_id: str, code: int) -> None:
    """Short enough for version 1 (21 modules a side) with a quarter of it spoilt: level Q."""
    text = labels.qr_text(trial_id, str(code))
    made = segno.make(text, micro=False)
    assert (made.designator, made.mode) == ("1-Q", "alphanumeric")
    rows = labels._modules(text)
    assert len(rows) == 21
    assert {len(row) for row in rows} == {21}
    drawn = [[0] * 29 for _ in range(29)]
    for x, y, length, back in re.findall(r"M(\d+) (\d+)h(\d+)v1H(\d+)z", labels._path(rows)):
        assert x == back
        for at in range(int(x), int(x) + int(length)):
            drawn[int(y)][at] += 1
    assert [row[4:25] for row in drawn[4:25]] == [list(row) for row in rows]
    assert sum(map(sum, drawn)) == sum(map(sum, rows))


# --- what is said ----------------------------------------------------------------------------------


def test_every_label_is_there_once(trial: tuple[Plan, pd.DataFrame], made: dict[str, pypdfium2.PdfDocument]) -> None:
    plan, patches = trial
    text = _text(made["labels-boards.pdf"])
    for board in range(1, 5):
        lot = 1 if board <= 2 else 2
        assert len(re.findall(rf"Board {board} lot {lot}\b", text)) == 2
    assert text.count("label end") == 8
    assert text.count("grain") == text.count("Counter in lacewood") == 4
    assert text.count(plan.layout_digest()[:8].upper()) == 8
    codes = Counter(re.findall(r"\b\d{3}\b", _text(made["labels-patches.pdf"])))
    assert codes == Counter(f"{patch:03d}" for patch in patches["patch"])


def test_each_code_stands_on_its_label_with_a_bar_at_its_foot(
    trial: tuple[Plan, pd.DataFrame], made: dict[str, pypdfium2.PdfDocument]
) -> None:
    ordered = trial[1].sort_values(["board", "lane", "strip"])["patch"]
    (page,) = made["labels-patches.pdf"]
    found = dict(_words(page))
    fit = labels._fit(SMALL)
    bars = [box for _, box in _paths(page) if box.height == pytest.approx(0.07 * fit.figures, abs=0.02)]
    assert len(bars) == len(ordered)
    for at, patch in enumerate(ordered, start=12):
        box = found[f"{patch:03d}"]
        assert _inside(box, SMALL.box(at))
        below = [bar for bar in bars if _inside(bar, SMALL.box(at))]
        assert len(below) == 1
        assert below[0].y > box.y + box.height / 2


def test_labels_begin_where_a_sheet_is_not_used_yet(
    trial: tuple[Plan, pd.DataFrame], made: dict[str, pypdfium2.PdfDocument]
) -> None:
    (page,) = made["labels-boards.pdf"]
    for words, box in _words(page):
        assert any(_inside(box, LARGE.box(at)) for at in range(5, 13)), words
    built = labels.build(*trial, LARGE, "", start=24)
    assert [len(labels_) for labels_ in built.pages] == [1, 24, 24, 7]
    assert built.pages[0][0].box == LARGE.box(24)
    assert built.pages[1][0].box == LARGE.box(1)


def test_labels_tell_no_treatment(made: dict[str, pypdfium2.PdfDocument]) -> None:
    assert sorted(made) == [
        "labels-boards-test-print.pdf", "labels-boards.pdf", "labels-patches-test-print.pdf", "labels-patches.pdf",
    ]  # fmt: skip
    for name, document in made.items():
        told = (name + _text(document) + str(document.get_metadata_dict())).lower()
        assert "counter in lacewood" in told
        for secret in SECRETS:
            assert secret not in told


def test_labels_of_controls_look_like_the_rest(trial: tuple[Plan, pd.DataFrame]) -> None:
    plan, patches = trial
    bare = patches.assign(control="", carrier="x", seal_coat="y")
    assert labels.build(plan, patches, SMALL, "t", kinds=("patch",)) == labels.build(
        plan, bare, SMALL, "t", kinds=("patch",)
    )


def test_a_rehearsal_is_named_on_every_board(tmp_path: Path) -> None:
    text = PLAN.format(title="x").replace("[boards]", "rehearsal = true\n[boards]", 1)
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    plan = read_plan(tmp_path)
    made = labels.documents(plan, lay_out(plan, 7).patches, "x", LARGE)
    document = pypdfium2.PdfDocument(made["labels.pdf"])
    assert _text(document).count("rehearsal, invented results") == 4
    assert "rehearsal" in document.get_metadata_dict()["Title"]


@pytest.mark.parametrize("grid", [LARGE, LabelGrid(6, 17, 30, 16, 5, 5), LabelGrid(1, 2, 200, 140, 5, 5)])
def test_long_words_stay_on_the_label(grid: LabelGrid, trial: tuple[Plan, pd.DataFrame]) -> None:
    plan, patches = trial
    many = pd.concat([patches.assign(board=patches["board"] + 8000, lot=2)])
    title = "A very long title of a trial that would not end " * 4
    built = labels.build(plan, many, grid, title, kinds=("board", "edge"))
    document = pypdfium2.PdfDocument(labels._set(built, test=False))
    boxes = [grid.box(at) for at in range(1, grid.count + 1)]
    text = _text(document)
    assert text.count("Board 8004") == 2
    assert text.count("…") == (4 if grid.width_mm == 30 else 0)
    assert text.count("A very long") == (4 if grid.width_mm == 30 else 16)
    for page in document:
        for words, box in _words(page):
            if "Board" in words or "label end" in words:
                assert any(_inside(box, one) for one in boxes), (words, box)


def test_the_same_plan_gives_the_same_bytes(trial: tuple[Plan, pd.DataFrame]) -> None:
    assert labels.documents(*trial, "t", LARGE) == labels.documents(*trial, "t", LARGE)


# --- test print ------------------------------------------------------------------------------------


@pytest.mark.parametrize("grid", [LARGE, SMALL, TALL])
def test_the_test_print_outlines_every_label(grid: LabelGrid, trial: tuple[Plan, pd.DataFrame]) -> None:
    kinds = ("patch",)
    document = pypdfium2.PdfDocument(labels._set(labels.build(*trial, grid, "t", kinds=kinds), test=True))
    (page,) = document
    size = [side / 72 * 25.4 for side in page.get_size()]
    assert size == pytest.approx([grid.sheet_width_mm, grid.sheet_height_mm], abs=TENTH_MM)
    drawn = [box for stroke, box in _paths(page) if stroke == 0.3]
    wanted = [
        (
            grid.left_mm + column * (grid.width_mm + grid.gap_across_mm),
            grid.top_mm + row * (grid.height_mm + grid.gap_down_mm),
        )
        for row in range(grid.rows)
        for column in range(grid.columns)
    ]
    assert len(drawn) == len(wanted)
    for box, (x, y) in zip(drawn, wanted, strict=True):
        assert (box.x, box.y) == pytest.approx((x, y), abs=TENTH_MM)
        assert (box.width, box.height) == pytest.approx((grid.width_mm, grid.height_mm), abs=TENTH_MM)
    words = _text(document)
    assert "steel rule" in words
    assert all(re.search(rf"(?<!\d){at}(?!\d)", words) for at in range(1, grid.count + 1))


def test_the_test_print_has_a_cross_and_a_rule(made: dict[str, pypdfium2.PdfDocument]) -> None:
    (page,) = made["labels-boards-test-print.pdf"]
    paths = _paths(page)
    rule = [box.width for stroke, box in paths if stroke == 0.6]
    assert rule == pytest.approx([100], abs=TENTH_MM)
    cross = [
        (box.x + box.width / 2, box.y + box.height / 2)
        for stroke, box in paths
        if stroke == 0.5 and max(box.width, box.height) > 15
    ]
    assert len(cross) == 2
    for middle in cross:
        assert middle == pytest.approx((105, 148.5), abs=TENTH_MM)


def test_a_narrow_sheet_has_its_rule_along_it(trial: tuple[Plan, pd.DataFrame]) -> None:
    grid = LabelGrid(1, 4, 60, 30, 1, 1, 0, 0, 62, 122)
    (page,) = pypdfium2.PdfDocument(labels._set(labels.build(*trial, grid, "t"), test=True))
    assert [box.height for stroke, box in _paths(page) if stroke == 0.6] == pytest.approx([100], abs=TENTH_MM)
    for _, box in _paths(page):
        assert _inside(box, Box(0, 0, 62, 122), 0.3)


# --- grids -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "grid"),
    [
        ("3x8, 70 mm x 36 mm", LARGE),
        ("3 × 8; 7 cm × 36 mm; left 0 mm; top 4,5 mm; a4", LARGE),
        ("5 x 13, 38,1 x 21,2 mm, gap across 2.5 mm", SMALL),
        (
            "7 x 8, 1 in x 30.5 mm, left 0.5 in, top 0.5 in, gap across 1.6 mm, gap down 0.4 mm, us-letter",
            TALL,
        ),
        ("1 x 1, 60 mm x 30 mm, sheet 62 mm x 32 mm", LabelGrid(1, 1, 60, 30, 1, 1, 0, 0, 62, 32)),
        ("2 x 2, 60 mm x 30 mm, gap 4 mm, left 1 mm, top 2 mm", LabelGrid(2, 2, 60, 30, 1, 2, 4, 4)),
    ],
)
def test_grids_are_read_from_text(text: str, grid: LabelGrid) -> None:
    found = labels.read_grid(text)
    for name in LabelGrid.__dataclass_fields__:
        assert getattr(found, name) == pytest.approx(getattr(grid, name), abs=1e-6), name


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            "3 x 8, 70 mm x 36 mm, left 5 mm",
            "3 labels across of 70 mm with gaps of 0 mm and 5 mm free at the left take 215.0 mm, 5.0 mm more than "
            "the sheet is wide (210.0 mm); measure the sheet again.",
        ),
        ("3 x 8, 60 mm x 37 mm, top 4 mm, gap down 1 mm", "take 307.0 mm, 10.0 mm more than the sheet is high"),
        ("3 x 8", "'3 x 8' does not describe a sheet of labels; write it as '3 x 8, 70 mm"),
        ("three, 70 mm x 36 mm", "does not describe a sheet of labels"),
        ("3 x 8, 70 x 36", "'70' has no unit"),
        ("3 x 8, 70 mm", "'70 mm' is not a width and a height"),
        ("3 x 8, 70 mm x 36 mm, middle 3 mm", "'middle 3 mm' of the sheet of labels is not understood"),
        ("3 x 8, 70 mm x 36 mm, left 3 g", "'g' measures mass, not length"),
        ("0 x 8, 70 mm x 36 mm", "no length below 0"),
        ("1 x 1, 7 mm x 7 mm, sheet 10 mm x 10 mm", "a sheet of 10 × 10 mm is too small"),
    ],
)
def test_grids_that_cannot_be_are_refused_in_a_sentence(text: str, words: str) -> None:
    with pytest.raises(UserError) as caught:
        labels.read_grid(text)
    assert words in str(caught.value)
    assert len(caught.value.problems) == 1


def test_grids_are_read_from_a_toml_table(tmp_path: Path) -> None:
    file = tmp_path / "trial.toml"
    lines = ["[labels]", "columns = 3", "rows = 8", 'width = "70 mm"', 'height = "36 mm"', 'top = "4.5 mm"']
    file.write_text("\n".join(lines), encoding="utf-8")
    assert labels.grid_of(Source(file).root.table("labels")) == LARGE
    file.write_text("\n".join([*lines[:3], 'width = "70"', 'leftt = "3 mm"', 'sheet = "a7"']), encoding="utf-8")
    source = Source(file)
    assert labels.grid_of(source.root.table("labels")) is None
    with pytest.raises(UserError) as caught:
        source.finish()
    text = str(caught.value)
    assert "line 4: width: '70' has no unit" in text
    assert "there is no key 'leftt' in [labels]; write 'left'" in text
    assert "'height' is missing here" in text
    file.write_text("\n".join([*lines, 'left = "5 mm"']), encoding="utf-8")
    source = Source(file)
    assert labels.grid_of(source.root.table("labels")) is None
    assert "5.0 mm more than the sheet is wide" in str(source.problems[0])


@given(st.integers(1, 6), st.integers(1, 15), st.floats(10, 80), st.floats(10, 60), st.floats(0, 8), st.floats(0, 8))
@settings(max_examples=60)
def test_a_grid_is_taken_if_and_only_if_its_last_label_is_on_the_sheet(
    columns: int, rows: int, width: float, height: float, gap: float, margin: float
) -> None:
    grid = LabelGrid(columns, rows, width, height, margin, margin, gap, gap)
    last = grid.box(grid.count)
    right, bottom = last.x + last.width - 210, last.y + last.height - 297
    if 0 < max(right, bottom) < 0.01:
        return
    if max(right, bottom) <= 0:
        labels.check(grid)
    else:
        with pytest.raises(UserError) as caught:
            labels.check(grid)
        for more in (right, bottom):
            assert (more > 0) == (f", {more:.1f} mm more than" in str(caught.value))


@given(st.floats(8, 100), st.floats(8, 100))
@settings(max_examples=80)
def test_what_a_patchs_label_holds_fits_or_is_refused(width: float, height: float) -> None:
    grid = LabelGrid(1, 1, width, height, 0, 0)
    try:
        fit = labels._fit(grid)
    except UserError as error:
        least = re.search(r"at least ([\d.]+) × ([\d.]+) mm or ([\d.]+) × ([\d.]+) mm", str(error))
        assert least is not None
        sizes = [float(size) for size in least.groups()]
        assert width < sizes[0] + 0.06 or height < sizes[1] + 0.06
        assert width < sizes[2] + 0.06 or height < sizes[3] + 0.06
        labels._fit(LabelGrid(1, 1, sizes[0] + 0.06, sizes[1] + 0.06, 0, 0))
        labels._fit(LabelGrid(1, 1, sizes[2] + 0.06, sizes[3] + 0.06, 0, 0))
        return
    room = Box(0, 0, width, height)
    half = (fit.figures * labels.FIGURES_WIDE / 2, fit.figures * labels.FIGURES_HIGH / 2)
    figures = Box(fit.middle_x - half[0], fit.middle_y - half[1], 2 * half[0], 2 * half[1])
    assert fit.module_mm >= labels.LEAST_MODULE_MM
    assert fit.figures >= labels.LEAST_FIGURES_MM - 1e-9
    assert fit.qr.width == pytest.approx(29 * fit.module_mm)
    assert _inside(fit.qr, room, -labels.INSET_MM + 1e-6)
    assert _inside(figures, room, -labels.INSET_MM + 1e-6)
    assert figures.x >= fit.qr.x + fit.qr.width - 1e-6 or figures.y >= fit.qr.y + fit.qr.height - 1e-6


def test_labels_too_small_or_places_not_there_are_refused(trial: tuple[Plan, pd.DataFrame]) -> None:
    with pytest.raises(UserError, match=r"squares would be 0\.24 mm, and a phone needs 0\.5 mm; take labels of"):
        labels.build(*trial, LabelGrid(5, 13, 38, 10, 0, 0), "", kinds=("patch",))
    with pytest.raises(UserError, match="too small for a board's number and arrows; take labels of at least 30 × 16"):
        labels.build(*trial, LabelGrid(5, 13, 25, 20, 0, 0), "")
    with pytest.raises(UserError, match="there is no label 25 on a sheet of 24; write one from 1 to 24"):
        labels.build(*trial, LARGE, "", start=25)


@pytest.mark.parametrize("text", ["", "0A1B2C3D", "0A1B2C3D/12", "0A1B2C3D/1234", "0A1B2C3G/123", "x 0A1B2C3D/123"])
def test_other_qr_codes_are_no_labels(text: str) -> None:
    assert labels.read_qr_text(text) is None
