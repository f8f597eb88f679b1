"""Lap boards: cells that overlap, doses, controls, and how soon a real piece meets its edge again.

Sizes, doses and waits of the protocol: common practice, no source; the figures are own arithmetic from them.
"""

import itertools
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.conftest import REPOSITORY
from trials import geometry, lap, sheets
from trials.design import lay_out
from trials.errors import UserError
from trials.plan import Lap, read_plan
from trials.sheets import drawing

EXAMPLE = REPOSITORY / "example_trials" / "lap-boards"


@pytest.fixture(scope="module")
def plan():
    return read_plan(EXAMPLE)


def test_each_wrong_measure_is_named_by_its_option(run):
    done = run("lap", "--length", "2", "--speed", "fast")
    assert done.status == 2
    assert "--length: '2' has no unit; write a length with its unit" in done.err
    assert "--speed: 'fast' does not begin with a number; write a speed with its unit" in done.err


def test_the_cells_of_the_protocol(plan):
    """Seven cells of 70 mm, 15 mm between, lanes A 0-60 and B 50-110 mm from one margin: 580 mm in all."""
    found = lap.cells(plan.boards, plan.lap)
    assert [cell.strip for cell in found] == [1, 2, 3, 4, 5, 6, 7]
    first = found[0]
    assert first.lane_a.length == pytest.approx((600 - 10 - 6 * 15) / 7)  # 71.4 mm where the margins are 5 mm
    assert (first.lane_a.y, first.lane_a.width) == (5, 60)
    assert (first.lane_b.y, first.lane_b.width) == (55, 60)
    assert (first.overlap.y, first.overlap.width) == (55, 10)
    for before, after in itertools.pairwise(found):
        assert after.lane_a.x - before.lane_a.x - before.lane_a.length == pytest.approx(15)


def test_the_dose_of_a_lane(tmp_path):
    """150 mL/m2 on 60 x 70 mm is 0.63 mL."""
    text = (EXAMPLE / "trial.toml").read_text(encoding="utf-8").replace('length = "600 mm"', 'length = "590 mm"')
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    plan = read_plan(tmp_path)
    cell = lap.cells(plan.boards, plan.lap)[0]
    assert cell.lane_a.length == pytest.approx(70)
    assert cell.dose_ml == pytest.approx(0.63)


def test_lanes_across_the_grain(tmp_path):
    text = (EXAMPLE / "trial.toml").read_text(encoding="utf-8")
    text = text.replace('pad = "60 mm" ', 'across = true\npad = "35 mm" ')
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    plan = read_plan(tmp_path)
    cell = lap.cells(plan.boards, plan.lap)[2]
    whole = geometry.patch(plan.boards, 1, 3)
    assert cell.lane_a.length == 35
    assert cell.lane_b.x - cell.lane_a.x == 25
    assert cell.lane_a.width == whole.width


def test_every_board_has_every_wait_once_in_an_order_of_its_own(plan):
    patches = lay_out(plan, 2).patches
    orders = {tuple(rows.sort_values("strip")["return_time"]) for _, rows in patches.groupby("board")}
    assert all(sorted(order) == sorted(plan.factor("return_time").levels) for order in orders)
    assert len(orders) > 3
    counts = patches.groupby(["strip", "return_time"]).size()
    assert counts.max() < patches["board"].nunique()  # no wait sits in one cell of all boards


def test_the_controls_are_the_wet_and_the_set_edge(plan):
    factor = lap.return_factor(plan)
    assert factor.name == "return_time"
    assert lap.controls(factor) == ("0 s", "24 h")
    assert lap.seconds(factor)["90 s"] == pytest.approx(90)
    assert lap.seconds(factor)["24 h"] == pytest.approx(86400)


# --- the real piece --------------------------------------------------------------------------------


@pytest.mark.parametrize(("length", "one_way", "shortest", "longest"), [(2.0, 16, 8, 24), (0.6, 10.4, 8, 12.8)])
def test_a_panel_wiped_at_a_quarter_of_a_metre_a_second(length, one_way, shortest, longest):
    found = lap.panel(length, 0.25, 8)
    assert found.one_way == pytest.approx(one_way)
    assert found.turning == pytest.approx((shortest, longest))


@pytest.mark.parametrize(("area", "minutes"), [(4, 8), (5, 10)])
def test_a_case_wiped_all_round(area, minutes):
    assert lap.round_the_piece(area, 0.5) == pytest.approx(60 * minutes)


def test_the_advice_asks_for_half_as_long_again():
    assert "after at most 8 min" in lap.advice(480)
    assert "at least 12 min (1.5 times that" in lap.advice(480)


@given(st.floats(0.1, 10), st.floats(0.01, 2), st.floats(0, 60))
def test_wiping_one_way_lies_midway_between_turn_and_far_end(length, speed, turn):
    found = lap.panel(length, speed, turn)
    assert found.one_way == pytest.approx(sum(found.turning) / 2)


def test_nonsense_is_refused():
    with pytest.raises(UserError, match="the pad's speed is 0"):
        lap.panel(2, 0, 8)
    with pytest.raises(UserError, match="time to turn and reload is -1 s"):
        lap.panel(2, 0.25, -1)
    with pytest.raises(UserError, match=r"rate of wiping is -0\.5"):
        lap.round_the_piece(4, -0.5)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('pad = "60 mm" ', 'pad = "80 mm" ', "take 150 mm, but a cell has 140 mm"),
        ('overlap = "10 mm"', 'overlap = "70 mm"', "as wide as the pad's lane"),
        ('dose = "150 mL/m^2"', 'dose = "150 mL"', "measures volume, not dose"),
        ('dose = "150 mL/m^2"', 'dose = "-3 mL/m^2"', "more than 0"),
        ("lanes = 1 ", "lanes = 2 ", "a lap board has one lane"),
        (
            '"0 s", "60 s", "90 s", "180 s", "300 s", "600 s", "24 h"',
            '"short", "long"',
            "no factor on strips has times",
        ),
        ('overlap = "10 mm"', 'overlapp = "10 mm"', "write 'overlap'"),
    ],
)
def test_faults_of_the_lap_table(tmp_path: Path, old, new, says):
    text = (EXAMPLE / "trial.toml").read_text(encoding="utf-8")
    assert old in text
    (tmp_path / "trial.toml").write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(UserError) as caught:
        read_plan(tmp_path)
    assert any(says in str(problem) for problem in caught.value.problems)


# --- on paper --------------------------------------------------------------------------------------


def test_the_drawing_shows_both_lanes_and_keeps_the_code_off_them(plan):
    """Measured on the page, in mm: lanes 60 mm wide that share 10 mm, the code's room beyond them."""
    drawn = drawing.draw(plan, lay_out(plan, 1).patches, "a4")
    view = drawn.pages[0][0]
    assert drawn.scale == 1
    for cell in view.laps:
        assert cell.lane_a.height == pytest.approx(60)
        assert cell.overlap.height == pytest.approx(10)
        assert cell.lane_b.y + cell.lane_b.height == pytest.approx(cell.overlap.y + cell.overlap.height)
    for patch in view.patches:
        if patch.code:
            assert all(patch.free.y + patch.free.height <= cell.lane_b.y + 1e-6 for cell in view.laps)


def test_the_first_sheet_tells_the_dose_and_not_the_wait(plan):
    said = sheets.build(plan, lay_out(plan, 1).patches, 1).boards.summary
    assert "0.64 mL for each lane" in said
    assert not any(level in said for level in plan.factor("return_time").levels)


def test_a_narrow_rest_keeps_the_code_where_it_was(plan):
    whole = geometry.patch(plan.boards, 1, 1)
    cell = lap.cells(plan.boards, Lap(70.0, 10.0, 150.0))[0]
    assert lap.clear_of(whole, cell) == whole


# --- the command -----------------------------------------------------------------------------------


def test_the_command_reckons_a_panel_and_a_case(run):
    done = run("lap", "--length", "2 m", "--speed", "0.25 m/s", "--turn", "8 s")
    assert done.status == 0
    assert "All lanes wiped one way: 16 s" in done.out
    assert "8 s at the turn to 24 s at the far end" in done.out
    assert "at least 36 s (1.5 times that" in done.out
    done = run("lap", "--area", "4 m^2", "--rate", "0.5 m^2/min")
    assert "after at most 8 min" in done.out
    feet = run("lap", "--length", "2 ft", "--speed", "25 cm/s", "--turn", "8 s", "--json")
    assert '"one_way_s": 10.43' in feet.out  # 0.6096 m


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((), "write --length, --speed and --turn"),
        (("--length", "2 m", "--speed", "0.25 m/s"), "write --length, --speed and --turn"),
        (("--length", "2", "--speed", "0.25 m/s", "--turn", "8 s"), "has no unit"),
        (("--length", "2 m", "--speed", "0 m/s", "--turn", "8 s"), "the pad's speed is 0"),
        (("--area", "4 m^2"), "write --area and --rate"),
        (("--length", "2 m", "--area", "4 m^2"), "write --length, --speed and --turn"),
    ],
)
def test_the_command_refuses_in_words(run, words, says):
    done = run("lap", *words)
    assert done.status == 2
    assert says in done.err


def test_a_lap_trial_begins_from_the_example(run, tmp_path):
    assert run("new", tmp_path / "laps", "--example", "lap-boards").status == 0
    done = run("check", tmp_path / "laps")
    assert done.status == 0
    assert "0 s is the wet control and 24 h the set control" in done.out
    assert "0.64 mL" in done.out
