"""Which pieces are random terms and what each factor is judged against (the rule of the trade's layouts).

The strata are those of split-plot, split-split-plot and strip-plot layouts in Cochran and Cox,
Experimental Designs, 2nd edition 1957, chapter 7 (from memory): sub-plot factors against sub-plots, the
interaction of a criss-cross against the residual.
"""

import itertools
import math
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from tests.conftest import SMALL
from trials import structure
from trials.design import lay_out
from trials.plan import read_plan
from trials.structure import random_terms


def plan_of(tmp_path: Path, factors: dict[str, tuple[int, str]], **boards: object):
    settings = {"count": 8, "lanes": 1, "strips": 1, "length": '"900 mm"', "width": '"300 mm"'} | boards
    text = "[boards]\n" + "".join(f"{key} = {value}\n" for key, value in settings.items())
    for name, (levels, laid_on) in factors.items():
        listed = ", ".join(f'"{name} {at}"' for at in range(levels))
        text += f'[[factor]]\nname = "{name}"\nlevels = [{listed}]\nlaid_on = "{laid_on}"\n'
    (tmp_path / "trial.toml").write_text(text)
    return read_plan(tmp_path)


@pytest.mark.parametrize(
    ("factors", "boards", "terms"),
    [
        # whole boards only
        ({"a": (2, "board")}, {}, []),
        ({"a": (2, "board")}, {"lots": 2}, ["lot"]),
        ({"a": (2, "board")}, {"lots": 8}, []),  # a board a lot: the lot is the board
        # the split board: two lanes and no strips, so the lane is the patch
        ({"a": (2, "board"), "b": (2, "lane")}, {"lanes": 2}, ["board"]),
        ({"b": (2, "lane")}, {"lanes": 2, "lots": 4}, ["lot", "board"]),
        # lanes read at several places
        ({"a": (2, "board"), "b": (2, "lane")}, {"lanes": 2, "strips": 3}, ["board", "board:lane"]),
        # split-split: patches inside lanes
        (
            {"a": (2, "board"), "b": (2, "lane"), "c": (3, "patch")},
            {"lanes": 2, "strips": 3},
            ["board", "board:lane"],
        ),
        # criss-cross
        ({"b": (2, "lane"), "c": (3, "strip")}, {"lanes": 2, "strips": 3}, ["board", "board:lane", "board:strip"]),
        # strips across lanes that carry nothing
        ({"c": (3, "strip")}, {"lanes": 2, "strips": 3}, ["board", "board:strip"]),
        # strips alone: the strip is the patch
        ({"c": (3, "strip")}, {"strips": 3}, ["board"]),
        # patches over the board
        ({"c": (6, "patch")}, {"lanes": 2, "strips": 3}, ["board"]),
        # boards that hold several patches and carry it all
        ({"a": (2, "board")}, {"lanes": 2, "strips": 2}, ["board"]),
    ],
)
def test_random_terms(tmp_path, factors, boards, terms):
    assert random_terms(plan_of(tmp_path, factors, **boards)) == terms


def test_control_strip_leaves_lane_as_patch(tmp_path):
    plan = plan_of(tmp_path, {"b": (2, "lane")}, lanes=2, strips=2)
    text = (tmp_path / "trial.toml").read_text() + '[[control]]\nname = "bare"\nlaid_on = "strip"\n'
    (tmp_path / "trial.toml").write_text(text)
    assert random_terms(plan) == ["board", "board:lane"]
    assert random_terms(read_plan(tmp_path)) == ["board"]


def test_control_lane_leaves_strip_as_patch(tmp_path):
    """A lane that is a control carries no level: of two lanes one is left, and a strip is then one patch of it."""
    plan = plan_of(tmp_path, {"c": (2, "strip")}, lanes=2, strips=2)
    text = (tmp_path / "trial.toml").read_text() + '[[control]]\nname = "bare"\nlaid_on = "lane"\n'
    (tmp_path / "trial.toml").write_text(text)
    assert random_terms(plan) == ["board", "board:strip"]
    assert structure.treated_lanes(read_plan(tmp_path)) == 1
    assert random_terms(read_plan(tmp_path)) == ["board"]


def test_the_design_page_example(tmp_path):
    factors = {"carrier": (3, "board"), "load": (2, "board"), "seal": (2, "lane"), "dwell": (3, "strip")}
    plan = plan_of(tmp_path, factors, count=12, lots=2, lanes=2, strips=3)
    assert random_terms(plan) == ["lot", "board", "board:lane", "board:strip"]
    told = structure.of_layout(plan, lay_out(plan, 3).patches)
    # counted by hand: boards 12 - 2 lots - (6 - 1) treatments = 5;
    # lanes 24 - 12 - seal 1 - carrier:seal 2 - load:seal 1 - place 1 = 7;
    # strips 36 - 12 - dwell 2 - carrier:dwell 4 - load:dwell 2 = 16;
    # patches 72 - 24 - 36 + 12 - seal:dwell 2 = 22
    assert told.error_dfs == {"lot": 1, "board": 5, "board:lane": 7, "board:strip": 16, "residual": 22}
    against = {effect.name: effect.judged_against for effect in told.effects}
    assert against == {
        "carrier": "board", "load": "board", "seal": "board:lane", "dwell": "board:strip", "carrier:load": "board",
        "carrier:seal": "board:lane", "load:seal": "board:lane", "carrier:dwell": "board:strip",
        "load:dwell": "board:strip", "seal:dwell": "residual",
    }  # fmt: skip
    assert told.counts == {"lot": 2, "board": 12, "board:lane": 24, "board:strip": 36, "residual": 72}
    assert not told.left_out


def test_one_board_a_carrier_cannot_be_judged(tmp_path):
    plan = plan_of(tmp_path, {"carrier": (3, "board"), "seal": (2, "lane")}, count=3, lanes=2)
    told = structure.of_layout(plan, lay_out(plan, 0).patches)
    carrier = told.by_name["carrier"]
    assert not carrier.can_be_judged
    assert "board cannot be told apart" in structure.cannot_be_judged(plan, carrier, told.counts["board"])
    # the interaction is left out so that the seal coat still has lanes to be judged by
    assert told.by_name["seal"].can_be_judged
    assert told.by_name["seal"].error_df == 2
    assert told.fitted_random == []


def test_boards_of_single_patches_are_called_boards(tmp_path):
    plan = plan_of(tmp_path, {"a": (2, "board")}, count=3)
    told = structure.of_layout(plan, lay_out(plan, 1).patches)
    assert told.by_name["a"].judged_against == "residual"
    said = structure.describe(plan, told)[0]
    assert said.endswith("so it is judged against boards: 3 of them, 1 degree of freedom to judge by.")


def test_pairs_give_way_to_factors(tmp_path):
    plan = plan_of(tmp_path, {"carrier": (3, "board"), "load": (2, "board")}, count=6, lanes=2, strips=2)
    told = structure.of_layout(plan, lay_out(plan, 0).patches)
    assert [left_out.factors for left_out in told.left_out] == [("carrier", "load")]
    assert told.by_name["carrier"].error_df == 2  # 6 boards - mean - 2 - 1


def test_missing_cell_takes_the_pair_out(tmp_path):
    plan_of(tmp_path, {"carrier": (3, "board"), "load": (2, "board")}, count=10)
    text = (tmp_path / "trial.toml").read_text() + '[[exclude]]\ncarrier = "carrier 2"\nload = "load 1"\n'
    (tmp_path / "trial.toml").write_text(text)
    plan = read_plan(tmp_path)
    told = structure.of_layout(plan, lay_out(plan, 0).patches)
    assert "carrier carrier 2 with load load 1 is nowhere" in told.left_out[0].why
    assert told.by_name["carrier"].error_df == 10 - 1 - 2 - 1


@pytest.mark.parametrize(("boards", "lanes", "strips"), list(itertools.product([2, 4], repeat=3)))
def test_degrees_of_freedom_add_up(tmp_path, boards, lanes, strips):
    """In a full criss-cross those of effects, places and errors add up to the patches less one."""
    plan = plan_of(
        tmp_path, {"a": (2, "board"), "b": (2, "lane"), "c": (2, "strip")}, count=boards, lanes=lanes, strips=strips
    )
    patches = lay_out(plan, 5).patches
    told = structure.of_layout(plan, patches)
    places = sum({"lane": lanes, "strip": strips}[kind] - 1 for kind in told.places)
    assert sum(effect.df for effect in told.effects) + places + sum(told.error_dfs.values()) == len(patches) - 1


@pytest.mark.parametrize("boards", [4, 6, 8, 10, 12, 24])
def test_whole_sets_have_the_places_of_their_layouts(tmp_path, boards):
    """What is reckoned from counts alone is what a layout of so many boards has."""
    factors = {"a": (2, "board"), "b": (2, "lane"), "c": (3, "strip")}
    base = plan_of(tmp_path, factors, count=4, lanes=2, strips=3)
    named = replace(base, model=replace(base.model, interactions=tuple(structure.pairs_by_weight(base))))
    wanted = structure.of_layout(named, lay_out(named, 1).patches)
    plan = replace(base, boards=replace(base.boards, lots=(boards,)))
    laid_out = structure.of_layout(plan, lay_out(plan, 2).patches)
    reckoned = structure.of_whole_sets(plan, wanted)
    assert reckoned.places == laid_out.places
    assert reckoned.error_dfs == laid_out.error_dfs
    assert reckoned.effects == laid_out.effects


def test_a_place_stays_in_the_model_where_patches_went_unread(tmp_path):
    plan = plan_of(tmp_path, {"a": (2, "board"), "b": (2, "lane"), "c": (2, "strip")}, count=8, lanes=2, strips=2)
    patches = lay_out(plan, 1).patches
    whole = structure.of_layout(plan, patches)
    assert whole.places == ("lane", "strip")
    read = patches.drop(index=[0, 5, 6])
    assert structure.of_layout(plan, read).places == ()
    told = structure.of_layout(plan, read, whole.places)
    assert told.places == ("lane", "strip")
    assert all(effect.df == 1 for effect in told.effects)
    # of two boards that lie alike nothing tells a lane from what is on it: the factor comes first
    turned = patches.groupby("board")["b"].first()
    alike = turned.index[turned == turned.iloc[0]][:2]
    few = structure.of_layout(plan, patches[patches["board"].isin(alike)], whole.places)
    assert "lane" not in few.places
    assert few.by_name["b"].df == 1


@pytest.mark.parametrize(
    ("unread", "random", "seal", "dwell"),
    [
        ("strip > 9", ("board", "board:lane", "board:strip"), "board:lane", "board:strip"),
        ("strip == 2", ("board",), "residual", "board"),  # one strip a board: it is the board, a lane of it a patch
        ("lane == 2", ("board",), "board", "residual"),
    ],
)
def test_what_pieces_are_among_the_patches_read(tmp_path, unread, random, seal, dwell):
    plan = plan_of(tmp_path, {"seal": (2, "lane"), "dwell": (2, "strip")}, lanes=2, strips=2, count=8)
    patches = lay_out(plan, 3).patches
    told = structure.of_layout(plan, patches.drop(patches.query(unread).index))
    assert told.random == random
    assert told.by_name["seal"].judged_against == seal
    assert told.by_name["dwell"].judged_against == dwell
    assert all(effect.df <= 1 for effect in told.effects)


def test_one_board_keeps_its_factors_and_drops_their_pair(tmp_path):
    """Nothing can be judged on one board, but the model still leaves patches something to differ by."""
    plan = plan_of(tmp_path, {"seal": (2, "lane"), "dwell": (3, "strip")}, lanes=2, strips=3, count=1)
    told = structure.of_layout(plan, lay_out(plan, 0).patches)
    assert [left_out.factors for left_out in told.left_out] == [("seal", "dwell")]
    assert told.error_dfs["residual"] == 2
    assert not any(effect.can_be_judged for effect in told.effects)


# --- boards that do not hold every combination ------------------------------------------------------


def table_of(plan, boards: list[dict[str, str]]):
    """One patch a board, carrying what is given."""
    names = [factor.name for factor in plan.factors]
    rows = [
        {"patch": 100 + at, "lot": 1, "board": at + 1, "lane": 1, "strip": 1, "board_order": at + 1, "control": ""}
        | {name: board[name] for name in names}
        for at, board in enumerate(boards)
    ]
    return pd.DataFrame(rows)


def half_fraction(words: str, copies: int = 1) -> list[dict[str, str]]:
    """The runs of two-level factors whose product of signs is plus, the defining relation I = words."""
    runs = [dict(zip(words, signs, strict=True)) for signs in itertools.product((-1, 1), repeat=len(words))]
    kept = [run for run in runs if math.prod(run.values()) == 1]
    return [{name: f"{name} {(sign + 1) // 2}" for name, sign in run.items()} for run in kept] * copies


def test_in_a_half_fraction_each_factor_hides_an_interaction(tmp_path):
    """I = abc: a = bc, b = ac, c = ab (Box, Hunter and Hunter 2005, chapter 6; from memory)."""
    plan = plan_of(tmp_path, dict.fromkeys("abc", (2, "board")), count=8)
    told = structure.of_layout(plan, table_of(plan, half_fraction("abc", copies=2)))
    assert {left.factors: left.why for left in told.left_out} == {
        ("a", "b"): "these boards cannot tell it from c",
        ("a", "c"): "these boards cannot tell it from b",
        ("b", "c"): "these boards cannot tell it from a",
    }
    assert all(effect.can_be_judged for effect in told.effects)
    assert told.error_dfs["residual"] == 8 - 1 - 3


def test_interactions_that_are_one_another_are_both_left_out(tmp_path):
    """I = abcd, resolution IV: ab = cd, ac = bd, ad = bc; the factors are clear."""
    plan = plan_of(tmp_path, dict.fromkeys("abcd", (2, "board")), count=16)
    told = structure.of_layout(plan, table_of(plan, half_fraction("abcd", copies=2)))
    assert [effect.name for effect in told.effects] == list("abcd")
    why = {left.factors: left.why for left in told.left_out}
    assert why["a", "b"] == "these boards cannot tell it from c × d"
    assert why["b", "d"] == "these boards cannot tell it from a × c"
    assert len(why) == 6


def test_what_the_plan_states_stands_for_its_alias(tmp_path):
    plan_of(tmp_path, dict.fromkeys("abcd", (2, "board")), count=16)
    text = (tmp_path / "trial.toml").read_text() + '[model]\ninteractions = [["c", "d"]]\n'
    (tmp_path / "trial.toml").write_text(text)
    plan = read_plan(tmp_path)
    told = structure.of_layout(plan, table_of(plan, half_fraction("abcd", copies=2)))
    assert [effect.name for effect in told.effects] == ["a", "b", "c", "d", "c:d"]
    assert {left.why for left in told.left_out} == {"the plan does not ask for it"}
    assert len(told.left_out) == 5


def test_interactions_come_in_by_what_is_asked_and_leave_four_to_judge_by(tmp_path):
    """10 boards: 9 degrees of freedom, 4 factors; 5 are left, so that one of the six interactions comes in."""
    plan_of(tmp_path, dict.fromkeys("abcd", (2, "board")), count=10)
    text = (tmp_path / "trial.toml").read_text()
    text += '[[response]]\nname = "shade"\nkind = "grade"\n'
    text += "".join(f'[[question]]\nfactor = "{name}"\nresponse = "shade"\nworth = 1\n' for name in "bd")
    (tmp_path / "trial.toml").write_text(text)
    plan = read_plan(tmp_path)
    told = structure.of_layout(plan, lay_out(plan, 1).patches)
    pairs = [effect.name for effect in told.effects if len(effect.factors) == 2]
    assert pairs == ["b:d"]
    assert told.error_dfs["residual"] == structure.FEW


# --- single readings, and lines --------------------------------------------------------------------


def told_of(tmp_path):
    (tmp_path / "trial.toml").write_text(SMALL, encoding="utf-8")
    plan = read_plan(tmp_path)
    patches = lay_out(plan, 1).patches
    return structure.of_layout(plan, patches), patches


def test_single_readings_add_what_is_repeated(tmp_path):
    """Assessors and repeated readings cross the pieces: they are terms once there are several of them."""
    told, patches = told_of(tmp_path)
    once = patches[["patch"]].assign(assessor="A")
    twice = pd.concat([once, once.assign(assessor="B")])
    assert structure.of_readings(told, once) == told.fitted_random
    assert structure.of_readings(told, twice) == [*told.fitted_random, "patch", "assessor"]
    assert structure.of_readings(told, pd.concat([once, once])) == [*told.fitted_random, "patch"]


def test_lines_leave_boards_to_judge_by_where_there_are_more_than_they_need(tmp_path):
    told, patches = told_of(tmp_path)
    assert "board" in told.random
    loads = patches.assign(load=patches["board"].map({1: 1.0, 2: 2.0, 3: 3.0, 4: 4.0}))
    without = replace(told, error_dfs=told.error_dfs | {"board": 0})  # as with a load of its own on each board
    assert structure.of_lines(without, loads, ["load"])[0] == "board"  # 4 boards, a level and a slope
    assert structure.of_lines(without, loads.assign(group=loads["board"].map(str)), ["group"]) is None
    assert structure.of_lines(told, loads, ["load"]) == [term for term in told.fitted_random if term != "lot"]
