"""Cutting plans checked by other means than those that made them: an independent checker and brute force."""

from __future__ import annotations

import csv
import io
import re
import time
from collections.abc import Iterator
from itertools import combinations, permutations
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from trials import cutting, planks
from trials.cutting import CuttingPlan, Saw
from trials.errors import UserError
from trials.plan import Boards
from trials.planks import Plank
from trials.sheets import cutting_sheet

TOUCH = 1e-6


def _boards(lots: tuple[int, ...], length: float = 600, width: float = 150) -> Boards:
    return Boards(lots, length, width, lanes=2, strips=3, margin_mm=5, guard_mm=3, label_end_mm=20)


@st.composite
def _cases(draw: st.DrawFn) -> tuple[Boards, tuple[Plank, ...], Saw]:
    """A shop's few planks in whole millimetres, with boards that some hold and some do not."""
    stock = []
    for number in range(draw(st.integers(1, 6))):
        length, width = draw(st.integers(60, 400)), draw(st.integers(30, 120))
        lows = draw(st.lists(st.integers(0, length - 2), max_size=2))
        avoid = tuple(sorted((float(low), float(min(low + draw(st.integers(1, 60)), length))) for low in lows))
        sap = draw(st.sampled_from([0.0, 0.0, 8.0]))
        stock.append(Plank(f"P{number}", draw(st.sampled_from("ABC")), length, width, avoid, sap))
    lots = tuple(draw(st.lists(st.integers(1, 7), min_size=1, max_size=3)))
    boards = _boards(lots, draw(st.integers(30, 160)), draw(st.integers(15, 60)))
    return boards, tuple(stock), Saw(draw(st.integers(0, 5)), draw(st.sampled_from([0, 3, 20])))


# --- an independent checker ------------------------------------------------------------------------


def _faults(plan: CuttingPlan, boards: Boards, stock: tuple[Plank, ...], saw: Saw) -> Iterator[str]:
    """Go through everything that is wrong with a cutting plan."""
    by_name = {plank.name: plank for plank in stock}
    if [place.board for place in plan.places] != list(range(1, boards.count + 1)):
        yield "a board is missing, twice or out of order"
    length, width = boards.length_mm, boards.width_mm
    for place in plan.places:
        plank = by_name[place.plank]
        if place.x_mm < saw.end_trim_mm - TOUCH or place.x_mm + length > plank.length_mm - saw.end_trim_mm + TOUCH:
            yield f"board {place.board} lies in a trimmed end"
        if place.y_mm < -TOUCH or place.y_mm + width > plank.width_mm - plank.sap_mm + TOUCH:
            yield f"board {place.board} lies in sapwood or off the plank"
        for low, high in plank.avoid:
            if place.x_mm < high - TOUCH and place.x_mm + length > low + TOUCH:
                yield f"board {place.board} lies in a stretch to avoid"
    for one, other in combinations(plan.places, 2):
        if one.plank == other.plank:
            apart_x = abs(one.x_mm - other.x_mm) >= length + saw.kerf_mm - TOUCH
            apart_y = abs(one.y_mm - other.y_mm) >= width + saw.kerf_mm - TOUCH
            if not apart_x and (not apart_y or abs(one.x_mm - other.x_mm) > TOUCH):
                yield f"boards {one.board} and {other.board} overlap, lack the kerf or cannot be sawn through"
    lots = np.repeat(np.arange(1, len(boards.lots) + 1), boards.lots)
    stock_lots = [{by_name[p.plank].lot for p in plan.places if lots[p.board - 1] == lot} for lot in set(lots)]
    if any(len(found) != 1 for found in stock_lots):
        yield "a lot comes from several lots of stock"
    if len(set.union(*stock_lots)) != len(boards.lots):
        yield "two lots come from one lot of stock"
    if [place.lot for place in plan.places] != list(lots):
        yield "a board has the wrong lot"


def _most(plank: Plank, boards: Boards, saw: Saw) -> int:
    """Return how many boards a plank holds, by trying every whole millimetre."""
    length, kerf, end = int(boards.length_mm), int(saw.kerf_mm), int(plank.length_mm - saw.end_trim_mm)
    best = [0] * (end + length + kerf + 2)
    for x in range(end - length, int(saw.end_trim_mm) - 1, -1):
        clear = all(x >= high or x + length <= low for low, high in plank.avoid)
        best[x] = max(best[x + 1], 1 + best[x + length + kerf] if clear else 0)
    rows = 0
    while (rows + 1) * boards.width_mm + rows * kerf <= plank.width_mm - plank.sap_mm:
        rows += 1
    return rows * best[int(saw.end_trim_mm)] if end - length >= saw.end_trim_mm else 0


def _by_brute_force(boards: Boards, stock: tuple[Plank, ...], saw: Saw) -> tuple[int, float] | None:
    """Return the fewest planks and the least area of them, over every choice there is."""
    held = {plank.name: _most(plank, boards, saw) for plank in stock}
    names = sorted({plank.lot for plank in stock})
    found = []
    for chosen in permutations(names, len(boards.lots)):
        total: tuple[int, float] | None = (0, 0.0)
        for number, name in zip(boards.lots, chosen, strict=True):
            of_lot = [plank for plank in stock if plank.lot == name]
            every = (group for size in range(1, len(of_lot) + 1) for group in combinations(of_lot, size))
            enough = [group for group in every if sum(held[plank.name] for plank in group) >= number]
            if not enough or total is None:
                total = None
                break
            best = min((len(group), sum(plank.length_mm * plank.width_mm for plank in group)) for group in enough)
            total = (total[0] + best[0], total[1] + best[1])
        if total is not None:
            found.append(total)
    return min(found, default=None)


def _cut(boards: Boards, stock: tuple[Plank, ...], saw: Saw) -> CuttingPlan | None:
    try:
        return cutting.cut(boards, stock, saw)
    except UserError:
        return None


@given(_cases())
@settings(max_examples=150)
def test_plans_are_sound_and_the_best_there_is(case: tuple[Boards, tuple[Plank, ...], Saw]) -> None:
    boards, stock, saw = case
    plan, best = _cut(boards, stock, saw), _by_brute_force(boards, stock, saw)
    assert (plan is None) == (best is None)
    if plan is not None:
        assert list(_faults(plan, boards, stock, saw)) == []
        area = sum(plank.length_mm * plank.width_mm for plank in plan.cut_into)
        assert (len(plan.cut_into), area) == best
        assert plan.used_percent == pytest.approx(100 * boards.count * boards.length_mm * boards.width_mm / area)


def test_the_checker_finds_faults() -> None:
    """It would be worth nothing if it let a bad plan through."""
    boards, stock, saw = _boards((2,)), (Plank("A", "A", 1300, 330),), Saw(3, 10)
    plan = cutting.cut(boards, stock, saw)
    assert list(_faults(plan, boards, stock, saw)) == []
    assert len(list(_faults(plan, boards, stock, Saw(4, 10)))) == 1
    assert list(_faults(plan, boards, (Plank("A", "A", 600, 330),), saw))
    assert list(_faults(plan, boards, (Plank("A", "A", 1300, 330, ((100, 110),)),), saw))
    assert list(_faults(plan, boards, (Plank("A", "A", 1300, 330, (), 40),), saw))
    assert list(_faults(plan, _boards((1, 1)), stock, saw))
    assert list(_faults(plan, _boards((3,)), stock, saw))


@given(_cases())
@settings(max_examples=80)
def test_offcuts_are_clear_wood(case: tuple[Boards, tuple[Plank, ...], Saw]) -> None:
    boards, stock, saw = case
    plan = _cut(boards, stock, saw)
    if plan is None:
        return
    by_name = {plank.name: plank for plank in stock}
    for offcut in plan.offcuts:
        plank, right = by_name[offcut.plank], offcut.x_mm + offcut.length_mm
        assert min(offcut.length_mm, offcut.width_mm) >= cutting.LEAST_OFFCUT_MM
        assert offcut.x_mm >= saw.end_trim_mm - TOUCH
        assert right <= plank.length_mm - saw.end_trim_mm + TOUCH
        assert offcut.y_mm + offcut.width_mm <= plank.width_mm - plank.sap_mm + TOUCH
        beside = any(place.x_mm == offcut.x_mm for place in plan.places if place.plank == offcut.plank)
        assert beside or all(right <= low + TOUCH or offcut.x_mm >= high - TOUCH for low, high in plank.avoid)
        for place in plan.places:
            if place.plank == offcut.plank:
                along = max(place.x_mm - right, offcut.x_mm - place.x_mm - boards.length_mm)
                across = offcut.y_mm - place.y_mm - boards.width_mm
                assert max(along, across) >= saw.kerf_mm - TOUCH
    for one, other in combinations(plan.offcuts, 2):
        assert (
            one.plank != other.plank
            or one.x_mm + one.length_mm <= other.x_mm + TOUCH
            or one.y_mm + one.width_mm <= other.y_mm + TOUCH
        )
    assert 0 < plan.used_percent + plan.offcut_percent <= 100 + TOUCH


@given(st.integers(1, 5), st.integers(0, 3), st.randoms(use_true_random=False))
def test_assignments_are_those_of_scipy(rows: int, more: int, draw: object) -> None:
    random = np.random.default_rng(draw.randrange(10**6))  # type: ignore[attr-defined]
    costs = random.integers(0, 50, (rows, rows + more))
    never = random.random(costs.shape) < 0.3
    table = [[None if n else int(c) for c, n in zip(*line, strict=True)] for line in zip(costs, never, strict=True)]
    chosen = cutting._assign(table)
    big = np.where(never, 10_000, costs)
    at = linear_sum_assignment(big)
    if big[at].sum() >= 10_000:
        assert chosen is None
    else:
        assert chosen is not None
        assert len(set(chosen)) == rows
        assert sum(costs[row, column] for row, column in enumerate(chosen)) == costs[at].sum()


def test_a_plank_worked_out_by_hand() -> None:
    """2500 mm, 20 trimmed, knot at 700-750: one section before it, two after (750 + 3 × 600 > 2480)."""
    stock = (Plank("A1", "A", 2500, 330, ((700, 750),), 15),)
    plan = cutting.cut(_boards((5,)), stock, Saw(3, 20))
    assert [(p.board, p.x_mm, p.y_mm) for p in plan.places] == [
        (1, 20, 0), (2, 20, 153), (3, 750, 0), (4, 750, 153), (5, 1353, 0),
    ]  # fmt: skip
    assert [(n.board, n.other, n.how, n.between_mm) for n in plan.neighbours] == [
        (1, 2, "side by side", 3),
        (1, 3, "end to end", 130),
        (2, 4, "end to end", 130),
        (3, 4, "side by side", 3),
        (3, 5, "end to end", 3),
    ]
    assert [(o.x_mm, o.y_mm, o.length_mm, o.width_mm) for o in plan.offcuts] == [
        (623, 0, 77, 315), (1353, 153, 600, 162), (1956, 0, 524, 315),
    ]  # fmt: skip
    assert plan.used_percent == pytest.approx(100 * 5 * 90_000 / 825_000)


def test_boards_added_later_are_cut_alone() -> None:
    stock = (Plank("A", "A", 2000, 160), Plank("B", "B", 2000, 160))
    plan = cutting.cut(_boards((3, 2)), stock, Saw(3), first=4)
    assert [(place.board, place.lot) for place in plan.places] == [(4, 2), (5, 2)]
    with pytest.raises(ValueError, match="no board 6"):
        cutting.cut(_boards((3, 2)), stock, Saw(3), first=6)


def test_many_planks_are_quick() -> None:
    rng = np.random.default_rng(4)
    stock = tuple(
        Plank(f"{lot}-{at}", str(lot), float(rng.integers(700, 3000)), float(rng.integers(150, 500)))
        for lot in range(40)
        for at in range(10)
    )
    boards = _boards((12,) * 30)
    began = time.process_time()
    plan = cutting.cut(boards, stock, Saw(3.2, 25))
    assert time.process_time() - began < 5
    assert list(_faults(plan, boards, stock, Saw(3.2, 25))) == []


# --- refusals --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("boards", "stock", "words"),
    [
        (_boards((9,)), "A: 2500 mm x 160 mm", "the stock holds 4 of the 9 boards of 600 × 150 mm"),
        (_boards((9,)), "A: 2500 mm x 160 mm", "lot 1 of the plan lacks 5 (of lot 'A'); add 3.02 m of clear stock"),
        (_boards((2, 3)), "A: 3300 mm x 160 mm", "lot 1 of the plan lacks 2 (of a lot not yet used)"),
        (_boards((2,), width=200), "A: 2500 mm x 160 mm", "has 160 mm of clear width, 40.0 mm too little"),
        (_boards((2,), length=900), "A: 2 m x 160 mm, avoid 850 mm to 1200 mm", "is 850.0 mm, 50.0 mm too little"),
        (_boards((2,)), "", "there is no stock to cut from"),
    ],
)
def test_stock_that_is_too_little_is_refused_in_a_sentence(boards: Boards, stock: str, words: str) -> None:
    with pytest.raises(UserError) as caught:
        cutting.cut(boards, planks.read_stock_text(stock), Saw(3))
    text = str(caught.value)
    assert words in text
    assert "\n" not in text


@given(_cases())
@settings(max_examples=60)
def test_a_refusal_counts_the_boards_that_fit(case: tuple[Boards, tuple[Plank, ...], Saw]) -> None:
    boards, stock, saw = case
    try:
        cutting.cut(boards, stock, saw)
    except UserError as error:
        match = re.match(r"the stock holds (\d+) of the (\d+) boards", str(error))
        held = [sum(_most(p, boards, saw) for p in stock if p.lot == lot) for lot in sorted({p.lot for p in stock})]
        if match is None:
            assert sum(held) == 0
            return
        every = permutations([*held, *[0] * len(boards.lots)], len(boards.lots))
        most = max(sum(map(min, boards.lots, chosen)) for chosen in every)
        assert (int(match[1]), int(match[2])) == (most, boards.count)


def test_a_programmers_mistakes_are_told() -> None:
    plank = Plank("A", "A", 2000, 160)
    with pytest.raises(ValueError, match="names of their own"):
        cutting.cut(_boards((1,)), (plank, plank), Saw(3))
    with pytest.raises(ValueError, match="0 mm or more"):
        cutting.cut(_boards((1,)), (plank,), Saw(-1))


# --- reading the stock -----------------------------------------------------------------------------


def test_stock_is_read_from_csv(tmp_path: Path) -> None:
    file = tmp_path / "stock.csv"
    file.write_text(
        'plank,lot,length,width,avoid,sap\nA1,A,2.4 m,8 1/4 in,,\n'
        + 'B1,,2400 mm,210 mm,"400 to 450 mm, 1.9 m to 1960 mm",15 mm\n',
        encoding="utf-8",
    )  # fmt: skip
    first, second = planks.read_stock(file)
    assert first == Plank("A1", "A", 2400, pytest.approx(209.55))
    assert second == Plank("B1", "B1", 2400, 210, ((400, 450), (1900, 1960)), 15)


def test_text_and_csv_agree(tmp_path: Path) -> None:
    text = "A1: 2400 x 210 mm, lot A, avoid 400 mm to 450 mm, avoid 1900 to 1960,5 mm, sap 15 mm\nB: 2,4 m x 21 cm"
    (tmp_path / "s.csv").write_text(
        "plank;lot;length;width;avoid;sap\n"
        "A1;A;2400 mm;210 mm;\"400 mm to 450 mm; 1900 mm to 1960,5 mm\";15 mm\nB;;2400 mm;210 mm;;\n",
        encoding="utf-8",
    )  # fmt: skip
    assert planks.read_stock_text(text) == planks.read_stock(tmp_path / "s.csv")


def test_stock_in_fractions_of_an_inch():
    (plank,) = planks.read_stock_text('A1: 7 ft 10 1/2 in x 8-1/4", avoid 23 5/8 to 26-1/2 in, avoid 30½" - 31¼"')
    assert (plank.length_mm, plank.width_mm) == pytest.approx((94.5 * 25.4, 8.25 * 25.4))
    assert np.ravel(plank.avoid) == pytest.approx(25.4 * np.array([23.625, 26.5, 30.5, 31.25]))
    (plank,) = planks.read_stock_text("A1: 94 1/2 x 8 1/4 in")
    assert plank.length_mm == pytest.approx(94.5 * 25.4)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("plank,lot,length\nA,A,2 m", "s.csv, row 1: there is no column 'width'"),
        ("plank,lot,length,width,sapp\nA,A,2 m,1 m,", "there is no such column as 'sapp'; write 'sap'"),
        ("plank,lot,length,width\nA,A,2400,210 mm", "s.csv, row 2, column length: '2400' has no unit"),
        ("plank,lot,length,width\n,A,2 m,210 mm", "row 2, column plank: the plank has no name"),
        ("plank,lot,length,width\nA,A,2 m,210 mm\nA,B,2 m,210 mm", "row 3, column plank: there are two planks 'A'"),
        ("plank,lot,length,width,sap\nA,A,2 m,10 mm,10 mm", "column sap: sapwood of 10 mm leaves nothing of 10 mm"),
        ("plank,lot,length,width,avoid\nA,A,2 m,10 mm,3 m", "column avoid: '3 m' is no stretch to avoid"),
        ("plank,lot,length,width,avoid\nA,A,2 m,10 mm,1 m to 3 m", "does not lie on a plank of 2000 mm"),
        (
            "plank,lot,length,width\nA,A,0 mm,10 mm",
            "column length: length is '0 mm'; write a length from 1 mm to 20 m",
        ),
    ],
)
def test_faults_of_a_stock_table_are_told(rows: str, words: str, tmp_path: Path) -> None:
    (tmp_path / "s.csv").write_text(rows + "\n", encoding="utf-8")
    with pytest.raises(UserError) as caught:
        planks.read_stock(tmp_path / "s.csv")
    assert words in str(caught.value)


def test_faults_of_a_stock_text_are_told_together() -> None:
    with pytest.raises(UserError) as caught:
        planks.read_stock_text("A1 2500 mm; B: 2 m x 100 mm, knot 3 mm")
    assert [p.what for p in caught.value.problems] == [
        "'A1 2500 mm' does not name a plank and its size",
        "'knot 3 mm' of plank 'B' is not understood",
    ]


# --- the sheet -------------------------------------------------------------------------------------


@pytest.mark.parametrize("paper", ["a4", "us-letter"])
def test_the_sheet_tells_every_cut_and_offcut(paper: str) -> None:
    stock = planks.read_stock_text("A1: 2500 mm x 330 mm, lot A, avoid 700 mm to 750 mm, sap 15 mm; B1: 2 m x 160 mm")
    plan = cutting.cut(_boards((4, 2)), stock, Saw(3, 20))
    made = cutting_sheet.documents(plan, "A counter", paper, mark="rehearsal, invented results")
    document = pypdfium2.PdfDocument(made["cutting.pdf"])
    text = " ".join(" ".join(page.get_textpage().get_text_bounded() for page in document).split())
    assert "A counter" in document.get_metadata_dict()["Title"]
    for words in (
        "20.0 to 620.0: 1, 2", "750.0 to 1350.0: 3, 4", "0.0 to 150.0; 153.0 to 303.0", "REHEARSAL, INVENTED RESULTS",
        "Side by side: 1 and 2; 3 and 4.", "1 and 3 (130 mm between)", "lot 2 5–6 B1 B1", "kerf 3 mm",
    ):  # fmt: skip
        assert words in text
    for offcut in plan.offcuts:
        assert f"{offcut.length_mm:.0f} × {offcut.width_mm:.0f} mm" in text
    rows = list(csv.DictReader(io.StringIO(made["cutting.csv"].decode("utf-8-sig"))))
    assert [(int(row["board"]), row["plank"], float(row["from_end_a_mm"])) for row in rows] == [
        (place.board, place.plank, place.x_mm) for place in plan.places
    ]


def test_planks_stay_on_the_page_and_boards_in_the_plank() -> None:
    stock = (Plank("long", "A", 6000, 160), Plank("wide", "B", 900, 1400))
    sheet = cutting_sheet.build(cutting.cut(_boards((3, 9)), stock, Saw(3)), "", "us-letter")
    for plank in sheet.planks:
        assert plank.width <= 215.9 - 2 * cutting_sheet.SIDE_MM
        assert plank.height <= cutting_sheet.TALLEST_MM
        for board in plank.boards:
            assert board.box.width * sheet.scale == pytest.approx(600)
            assert 0 <= board.box.y <= board.box.y + board.box.height <= plank.height + TOUCH
    with pytest.raises(ValueError, match="a4, us-letter"):
        cutting_sheet.build(cutting.cut(_boards((3, 9)), stock, Saw(3)), "", "a3")
