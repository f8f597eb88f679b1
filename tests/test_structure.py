"""Which pieces are random terms and what each factor is judged against (the rule of the trade's layouts).

The strata are those of split-plot, split-split-plot and strip-plot layouts in Cochran and Cox,
Experimental Designs, 2nd edition 1957, chapter 7 (from memory): sub-plot factors against sub-plots, the
interaction of a criss-cross against the residual.
"""

import itertools
from pathlib import Path

import pytest

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


def test_the_design_page_example(tmp_path):
    factors = {"carrier": (3, "board"), "load": (2, "board"), "seal": (2, "lane"), "dwell": (3, "strip")}
    plan = plan_of(tmp_path, factors, count=12, lots=2, lanes=2, strips=3)
    assert random_terms(plan) == ["lot", "board", "board:lane", "board:strip"]
    told = structure.of_layout(plan, lay_out(plan, 3).patches)
    # counted by hand: boards 12 - 2 lots - (6 - 1) treatments = 5;
    # lanes 24 - 12 - seal 1 - carrier:seal 2 - load:seal 1 = 8;
    # strips 36 - 12 - dwell 2 - carrier:dwell 4 - load:dwell 2 = 16;
    # patches 72 - 24 - 36 + 12 - seal:dwell 2 = 22
    assert told.error_dfs == {"lot": 1, "board": 5, "board:lane": 8, "board:strip": 16, "residual": 22}
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
    """In a full criss-cross the degrees of freedom of effects and errors add up to the patches less one."""
    plan = plan_of(
        tmp_path, {"a": (2, "board"), "b": (2, "lane"), "c": (2, "strip")}, count=boards, lanes=lanes, strips=strips
    )
    patches = lay_out(plan, 5).patches
    told = structure.of_layout(plan, patches)
    assert sum(effect.df for effect in told.effects) + sum(told.error_dfs.values()) == len(patches) - 1


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
