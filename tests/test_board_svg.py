"""SVG drawings read back as XML and held against the geometry they must show."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree as ET

import pandas as pd
import pytest
import typst
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from trials import geometry, lap, units
from trials.design import lay_out
from trials.plan import Boards, Plan, read_plan
from trials.sheets import board_svg, drawing

SVG = "{http://www.w3.org/2000/svg}"
HUNDREDTH_MM = 0.01
SECRETS = ("qualwater", "zephyrspirit", "unsealed", "shellaque", "untouched", "carrier", "seal_coat", "seal coat")
PLAN = """
[trial]
title = "Counter <in> lacewood & more"
[boards]
count = 4
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
name = "coats"
levels = ["once", "twice"]
laid_on = "strip"
[[exclude]]
seal_coat = "unsealed"
coats = "twice"
[[control]]
name = "untouched timber"
laid_on = "lane"
[[response]]
name = "figure_clarity"
"""


def _trial(folder: Path, length: float, width: float) -> tuple[Plan, pd.DataFrame]:
    (folder / "trial.toml").write_text(PLAN.format(length=length, width=width), encoding="utf-8")
    plan = read_plan(folder)
    return plan, lay_out(plan, 7).patches


def _made(plan: Plan, patches: pd.DataFrame, paper: str = "a4", mark: str = "") -> dict[str, ET.Element]:
    drawn = drawing.draw(plan, patches, paper)
    files = board_svg.documents(drawn, plan.title, lots=len(plan.boards.lots), mark=mark)
    return {name: ET.fromstring(data) for name, data in files.items()}


def _of(root: ET.Element, kind: str, name: str) -> list[dict[str, float]]:
    """Return the numbers of every shape of a class."""
    keys = ("x", "y", "width", "height") if kind == "rect" else ("x1", "y1", "x2", "y2")
    found = [shape for shape in root.iter(SVG + kind) if shape.get("class") == name]
    return [{key: float(shape.get(key, "nan")) for key in keys} for shape in found]


def _words(root: ET.Element) -> list[str]:
    return [text.text or "" for text in root.iter(SVG + "text")]


def _codes(root: ET.Element) -> list[ET.Element]:
    """Return the figures of a board's codes, which no distance is set in."""
    return [text for text in root.iter(SVG + "text") if text.get("font-family") == board_svg.MONO]


def _near(found: list[tuple[float, ...]], wanted: list[tuple[float, ...]]) -> None:
    assert len(found) == len(wanted)
    for one, other in zip(sorted(found), sorted(wanted), strict=True):
        assert one == pytest.approx(other, abs=HUNDREDTH_MM)


def _check_geometry(root: ET.Element, boards: Boards) -> None:
    """Hold every rectangle and line against the board's geometry."""

    def corner(rect: geometry.Rect) -> tuple[float, float, float, float]:
        return rect.x, boards.width_mm - rect.y - rect.width, rect.length, rect.width

    def drawn(name: str) -> list[tuple[float, ...]]:
        return [(b["x"], b["y"], b["width"], b["height"]) for b in _of(root, "rect", name)]

    cells = [(lane, strip) for lane in range(1, boards.lanes + 1) for strip in range(1, boards.strips + 1)]
    _near(drawn("outline"), [(0, 0, boards.length_mm, boards.width_mm)])
    _near(drawn("patch"), [corner(geometry.patch(boards, *cell)) for cell in cells])
    _near(drawn("band"), [corner(band) for band in geometry.tapes(boards)])
    if boards.label_end_mm:
        _near(drawn("label-end"), [corner(geometry.label_end(boards))])
    marks = geometry.tape_marks(boards)
    # Without margins the tape ends at the board's own edges, which are drawn as the outline already.
    along = [at for at in marks["along"] if 0 < at < boards.length_mm]
    across = [boards.width_mm - at for at in marks["across"] if 0 < at < boards.width_mm]
    lines = [(line["x1"], line["y1"], line["x2"], line["y2"]) for line in _of(root, "line", "tape")]
    _near(
        [line for line in lines if line[0] == line[2] and 0 < line[0] < boards.length_mm],
        [(at, 0, at, boards.width_mm) for at in along],
    )
    _near(
        [line for line in lines if line[1] == line[3] and 0 < line[1] < boards.width_mm],
        [(boards.label_end_mm, at, boards.length_mm, at) for at in across],
    )


@pytest.mark.parametrize("size", [(220, 110), (620, 400), (2400, 300)])
def test_shapes_are_the_geometrys(size: tuple[float, float], tmp_path: Path) -> None:
    """From one page, and from parts on several."""
    plan, patches = _trial(tmp_path, *size)
    made = _made(plan, patches)
    assert list(made) == [f"board-{number}.svg" for number in (1, 2, 3, 4)]
    for root in made.values():
        _check_geometry(root, plan.boards)


@st.composite
def _boards(draw: st.DrawFn) -> Boards:
    board = Boards(
        lots=(2,),
        length_mm=draw(st.integers(1000, 15000)) / 10,
        width_mm=draw(st.integers(400, 7000)) / 10,
        lanes=draw(st.integers(1, 5)),
        strips=draw(st.integers(1, 8)),
        margin_mm=draw(st.sampled_from([0.0, 5.0, 12.5])),
        guard_mm=draw(st.sampled_from([0.0, 3.0])),
        label_end_mm=draw(st.sampled_from([0.0, 20.0])),
    )
    assume(board.patch_length_mm >= 15 and board.patch_width_mm >= 15)
    return board


@given(_boards(), st.sampled_from(["a4", "us-letter"]))
@settings(max_examples=25)
def test_any_board_is_whole_and_holds_every_code_once(boards: Boards, paper: str) -> None:
    cells = [
        (board, lane, strip)
        for board in (1, 2)
        for lane in range(1, boards.lanes + 1)
        for strip in range(1, boards.strips + 1)
    ]
    table = pd.DataFrame(cells, columns=["board", "lane", "strip"]).assign(lot=1)
    table["patch"] = range(100, 100 + len(table))
    made = _made(Plan(title="", wood="", about="", boards=boards, factors=()), table, paper)
    codes = []
    for root in made.values():
        _check_geometry(root, boards)
        codes += [text.text for text in _codes(root)]
    assert codes == [str(code) for code in table["patch"]]


def test_codes_stand_in_their_patches_with_a_foot(tmp_path: Path) -> None:
    plan, patches = _trial(tmp_path, 620, 400)
    made = _made(plan, patches)
    for row in patches.to_dict("records"):
        root = made[f"board-{row['board']}.svg"]
        (text,) = [text for text in _codes(root) if text.text == f"{row['patch']:03d}"]
        rect = geometry.patch(plan.boards, row["lane"], row["strip"])
        x, y = float(text.get("x", "nan")), plan.boards.width_mm - float(text.get("y", "nan"))
        assert x == pytest.approx(rect.x + rect.length / 2, abs=HUNDREDTH_MM)
        assert abs(y - rect.y - rect.width / 2) < 3
        feet = [foot for foot in _of(root, "rect", "foot") if abs(foot["x"] + foot["width"] / 2 - x) < HUNDREDTH_MM]
        below = [plan.boards.width_mm - foot["y"] for foot in feet]
        assert any(rect.y < foot < y for foot in below)
    unused = [words for root in made.values() for words in _words(root) if words == "not used"]
    assert len(unused) == 48 - len(patches) > 0


def test_units_are_millimetres(tmp_path: Path) -> None:
    plan, patches = _trial(tmp_path, 220, 110)
    for root in _made(plan, patches).values():
        width, height = root.get("width", ""), root.get("height", "")
        assert root.get("viewBox") == f"0 0 {width[:-2]} {height[:-2]}"
        assert width[-2:] == height[-2:] == "mm"
        assert float(width[:-2]) > 220
        (rule,) = _of(root, "line", "rule")
        assert rule["x2"] - rule["x1"] == 100
        ticks = [tick["x1"] - rule["x1"] for tick in _of(root, "line", "rule-tick")]
        assert ticks == pytest.approx([5 * at for at in range(21)], abs=1e-6)


def test_another_renderer_shows_true_scale(tmp_path: Path) -> None:
    """Set as a picture at its own size by another program, 1 mm is 1 mm."""
    plan, patches = _trial(tmp_path, 220, 110)
    data = board_svg.documents(drawing.draw(plan, patches, "a4"), "", lots=2)["board-1.svg"]
    (tmp_path / "board.svg").write_bytes(data)
    page = b'#set page(width: auto, height: auto, margin: 0pt)\n#image("board.svg")'
    (tmp_path / "page.typ").write_bytes(page)
    shown = ET.fromstring(typst.compile(str(tmp_path / "page.typ"), root=str(tmp_path), format="svg"))
    wide, high = (float(side) / 72 * 25.4 for side in shown.get("viewBox", "").split()[2:])
    assert wide == pytest.approx(220 + board_svg.LEFT_MM + board_svg.RIGHT_MM, abs=0.1)
    assert high == pytest.approx(110 + board_svg.TOP_MM + board_svg.BOTTOM_MM, abs=0.1)


def test_everything_the_bench_needs_is_said(tmp_path: Path) -> None:
    plan, patches = _trial(tmp_path, 620, 400)
    marks = geometry.tape_marks(plan.boards)
    for number, root in enumerate(_made(plan, patches).values(), start=1):
        words = _words(root)
        lot = 1 if number <= 2 else 2
        for wanted in (
            f"Board {number}, lot {lot}", f"{number} lot {lot}", "Counter <in> lacewood & more", "grain", "100 mm",
            "fixed edge: measure across from this edge", "label end: measure along from this edge",
        ):  # fmt: skip
            assert wanted in words
        for distance in (*marks["along"], *marks["across"]):
            assert units.on_the_rule(distance, inches=False) in words


def test_drawings_are_blind_and_hold_nothing_from_outside(tmp_path: Path) -> None:
    plan, patches = _trial(tmp_path, 220, 110)
    drawn = drawing.draw(plan, patches, "a4")
    for name, data in board_svg.documents(drawn, plan.title, lots=2).items():
        text = data.decode("utf-8")
        for secret in SECRETS:
            assert secret not in (name + text).lower()
        assert not re.search(r"href|@import|<script|<image|<style|<!ENTITY", text)
        assert set(re.findall(r"url\(([^)]*)\)", text)) == {"#bare", "#unused"}
        assert re.findall(r"https?:[^\"\s]+", text) == ["http://www.w3.org/2000/svg"]


def test_the_same_drawing_gives_the_same_bytes_on_any_paper(tmp_path: Path) -> None:
    plan, patches = _trial(tmp_path, 620, 400)
    both = [board_svg.documents(drawing.draw(plan, patches, paper), "", lots=2) for paper in ("a4", "us-letter")]
    assert both[0] == both[1]


def test_a_rehearsal_is_marked_and_any_title_is_well_formed(tmp_path: Path) -> None:
    plan, patches = _trial(tmp_path, 220, 110)
    drawn = drawing.draw(plan, patches, "a4")
    made = board_svg.documents(drawn, "a\x01 ]]> \ud800 <b>", lots=2, mark="rehearsal, invented results")
    for data in made.values():
        words = _words(ET.fromstring(data))
        assert "REHEARSAL, INVENTED RESULTS" in words
        assert "a\ufffd ]]> \ufffd <b>" in words


@pytest.mark.parametrize("across", [False, True])
def test_lap_cells_are_drawn_with_the_code_in_the_clear(across: bool, tmp_path: Path) -> None:
    text = f"""
[trial]
title = "Lap boards"
[boards]
count = 2
length = "600 mm"
width = "150 mm"
lanes = 1
strips = 3
guard = "15 mm"
[lap]
pad = "60 mm"
overlap = "10 mm"
dose = "150 mL/m^2"
across = {str(across).lower()}
[[factor]]
name = "return_time"
levels = ["0 s", "60 s", "24 h"]
laid_on = "strip"
[[response]]
name = "lap_visibility"
"""
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    plan = read_plan(tmp_path)
    patches = lay_out(plan, 7).patches
    assert plan.lap is not None
    cells = lap.cells(plan.boards, plan.lap)
    for root in _made(plan, patches).values():
        _check_geometry(root, plan.boards)
        for name in ("lane_a", "lane_b", "overlap"):
            drawn = _of(root, "rect", name.replace("_", "-"))
            wanted = [getattr(cell, name) for cell in cells]
            _near(
                [(b["x"], 150 - b["y"] - b["height"], b["width"], b["height"]) for b in drawn],
                [(r.x, r.y, r.length, r.width) for r in wanted],
            )
        assert sum(words == "A" for words in _words(root)) == sum(words == "B" for words in _words(root)) == 3
        for cell in cells:
            clear = lap.clear_of(geometry.patch(plan.boards, 1, cell.strip), cell)
            middles = [
                float(shown.get("x", "nan"))
                for shown in root.iter(SVG + "text")
                if re.fullmatch(r"\d{3}", shown.text)
            ]
            assert any(abs(at - clear.x - clear.length / 2) < HUNDREDTH_MM for at in middles)
