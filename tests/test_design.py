"""Layouts: full sets or the best of them, randomised within what holds them, reproducible to the letter."""

import hashlib
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.conftest import EXAMPLE
from tests.test_structure import plan_of
from trials import design, structure
from trials.design import lay_out, scoring_order
from trials.draw import Draw
from trials.errors import UserError
from trials.folder import layout_text
from trials.plan import read_plan

LIKE = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def test_columns_and_full_sets():
    plan = read_plan(EXAMPLE)
    patches = lay_out(plan, 7).patches
    assert list(patches.columns) == [
        "patch", "lot", "board", "lane", "strip", "board_order",
        "carrier", "dye_load", "seal_coat", "glaze_dwell", "control",
    ]  # fmt: skip
    assert len(patches) == 12 * 2 * 4
    treated = patches[patches["control"] == ""]
    cells = treated.groupby(["carrier", "dye_load", "seal_coat", "glaze_dwell"]).size()
    assert len(cells) == 36
    assert set(cells) == {2}
    # each lot holds every board treatment once; each board both lanes' levels, each lane all the dwells
    boards = treated.drop_duplicates("board")
    assert set(boards.groupby(["lot", "carrier", "dye_load"]).size()) == {1}
    assert (treated.groupby(["board", "lane"])["seal_coat"].nunique() == 1).all()
    assert (treated.groupby(["board", "strip"])["glaze_dwell"].nunique() == 1).all()
    assert set(treated.groupby(["board", "lane"])["glaze_dwell"].nunique()) == {3}
    # one control strip a board, over both lanes
    controls = patches[patches["control"] != ""]
    assert set(controls.groupby("board")["strip"].nunique()) == {1}
    assert set(controls.groupby("board").size()) == {2}
    assert controls["carrier"].isna().all()


def test_codes_are_three_digits_once_each():
    patches = lay_out(read_plan(EXAMPLE), 7).patches
    assert patches["patch"].is_unique
    assert patches["patch"].between(100, 999).all()
    assert not any(set(str(code)) <= design.UPSIDE_DOWN for code in patches["patch"])


def test_same_seed_same_layout_to_the_letter():
    """The digest was written down once; it must never change, on any platform or version."""
    plan = read_plan(EXAMPLE)
    text = layout_text(lay_out(plan, 20260314).patches)
    assert text == layout_text(lay_out(plan, 20260314).patches)
    assert text == (EXAMPLE / "layout.csv").read_text(encoding="utf-8")
    assert text != layout_text(lay_out(plan, 20260315).patches)


def test_draws_are_pinned():
    """First draws for seed 1 from the generator whose stream Python promises to keep (random.random)."""
    assert Draw(1).below(1000) == 134  # random.Random(1).random() is 0.13436424411240122
    assert Draw(1).shuffled(range(10)) == [8, 0, 3, 4, 5, 2, 9, 6, 7, 1]  # written down on first use


def test_codes_do_not_hint_at_the_treatment():
    """Over many seeds no level has codes that run high or low: the mean rank stays within 4 standard errors."""
    plan = read_plan(EXAMPLE)
    total: Counter[str] = Counter()
    number = 60
    for seed in range(number):
        treated = lay_out(plan, seed).patches.query("control == ''")
        ranks = treated["patch"].rank()
        for level, mean in ranks.groupby(treated["seal_coat"]).mean().items():
            total[level] += mean - ranks.mean()
    se = (72 / (12 * 36)) ** 0.5 * 72**0.5 * number**0.5  # sd of a mean of 36 of 72 ranks, times root of runs
    assert all(abs(value) < 4 * se for value in total.values())


def test_every_level_visits_every_place():
    """Randomised at every level: over seeds each lane, strip and board order carries each level."""
    plan = read_plan(EXAMPLE)
    tables = [lay_out(plan, seed).patches.query("control == ''") for seed in range(30)]
    every = pd.concat(tables)
    for place, factor in (("lane", "seal_coat"), ("strip", "glaze_dwell"), ("board_order", "carrier")):
        counts = every.groupby([place, factor]).size().unstack()
        assert counts.notna().all().all()
        assert counts.min(axis=None) > 0.3 * counts.mean(axis=None)


@pytest.mark.parametrize(
    ("factors", "boards", "says", "cure"),
    [
        (
            {"a": (3, "board"), "b": (2, "board")},
            {"count": 5},
            "The 5 boards do not hold the 6 board treatments",
            "6 boards would hold one of each, 12 boards two.",
        ),
        (
            {"b": (3, "lane")},
            {"lanes": 2, "strips": 2},
            "The 2 lanes of a board do not hold the 3 lane treatments",
            "Boards divided into 3 lanes would hold them all.",
        ),
        (
            {"c": (4, "strip")},
            {"lanes": 2, "strips": 3},
            "The 3 strips of a board do not hold the 4 strip treatments",
            "Boards divided into 4 strips would hold them all.",
        ),
        (
            {"b": (2, "lane"), "c": (3, "patch")},
            {"lanes": 2, "strips": 2},
            "treatments were chosen to estimate best: b, c",
            "3 patches for each lane would hold them all.",
        ),
    ],
)
def test_boards_that_do_not_hold_the_set_get_the_best_of_it(tmp_path, factors, boards, says, cure):
    plan = plan_of(tmp_path, factors, **boards)
    layout = lay_out(plan, 0)
    assert says in layout.notes[0]
    assert layout.notes[1] == cure
    for factor in plan.factors:
        assert set(layout.patches[factor.name]) == set(factor.levels)
    told = structure.of_layout(plan, layout.patches)
    assert all(told.by_name[factor.name].df == len(factor.levels) - 1 for factor in plan.factors)


def test_too_few_boards_for_the_factors_are_refused(tmp_path):
    with pytest.raises(UserError, match="3 treated boards cannot tell apart"):
        lay_out(plan_of(tmp_path, {"a": (3, "board"), "b": (2, "board")}, count=3), 0)


def test_a_search_that_is_stopped_keeps_what_it_has(tmp_path):
    plan = plan_of(tmp_path, {"a": (4, "board"), "b": (3, "board"), "c": (3, "strip")}, count=8, strips=3)
    seen = []
    layout = lay_out(plan, 1, progress=lambda *how: seen.append(how), stop=lambda: len(seen) >= 1)
    assert len(layout.patches) == 24
    assert any("stopped early" in note for note in layout.notes)
    assert lay_out(plan, 1).patches.equals(lay_out(plan, 1).patches)


# --- places and the order of work -------------------------------------------------------------------


def stands(treated, kind, factors):
    """Count how often each cell of some factors stands at each place."""
    return treated.groupby([kind, *factors]).size().unstack(kind, fill_value=0)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    ("factors", "boards", "even"),
    [
        ({"a": (2, "board"), "b": (2, "lane"), "c": (2, "strip")}, {"count": 8}, ("lane", "strip")),
        ({"a": (2, "board"), "b": (2, "lane"), "c": (3, "strip")}, {"count": 6, "strips": 3}, ("strip",)),
        ({"a": (3, "board"), "b": (2, "lane"), "c": (2, "strip")}, {"count": 12, "lots": 2}, ("lane", "strip")),
        (
            {"a": (3, "board"), "d": (3, "board"), "c": (3, "strip")},
            {"count": 9, "lanes": 1, "strips": 3},
            ("strip",),
        ),
        ({"a": (2, "board"), "b": (2, "lane"), "c": (2, "strip")}, {"count": 4}, ()),  # too little left to judge by
        ({"a": (2, "board"), "b": (2, "lane"), "c": (2, "strip")}, {"count": 5}, ()),
        ({"b": (2, "lane"), "rub": (3, "patch")}, {"count": 6, "strips": 3}, ("lane",)),
        ({"a": (2, "board"), "c": (5, "strip")}, {"count": 10, "lanes": 1, "strips": 5}, ("strip",)),
        ({"a": (2, "board"), "b": (2, "lane"), "c": (4, "strip")}, {"count": 16, "strips": 4}, ("lane", "strip")),
    ],
)
def test_places_are_evened_out_and_fitted_or_neither(tmp_path, factors, boards, even, seed):
    plan = plan_of(tmp_path, factors, **{"lanes": 2, "strips": 2, **boards})
    layout = lay_out(plan, seed)
    told = structure.of_layout(plan, layout.patches)
    assert told.places == even
    assert all(kind in told.fixed.split(" + ") for kind in even)
    for kind in even:
        for effect in told.effects:
            cells = stands(layout.patches, kind, effect.factors)
            assert (cells.nunique(axis=1) == 1).all()
        assert told.by_name[plan.laid_on(kind)[0].name].error_df >= structure.FEW


def test_a_place_left_to_chance_is_any_place(tmp_path):
    """Six boards, two lanes: either way round on each, 64 ways; by hand 40 draws differ in about 30 of them."""
    plan = plan_of(tmp_path, {"a": (2, "board"), "b": (2, "lane")}, count=6, lanes=2)
    drawn = [lay_out(plan, seed).patches.query("lane == 1")["b"] == "b 1" for seed in range(60)]
    assert len({tuple(one) for one in drawn}) > 25
    counts = np.bincount([int(one.sum()) for one in drawn], minlength=7)
    assert counts[3] < 35  # at random 19 of 60 have three boards each way round; evened out it would be all
    assert counts[[0, 1, 5, 6]].sum() > 2  # and 13 have one or none


def test_the_order_of_work_is_any_order(tmp_path):
    """Four boards of two treatments: six orders of the treatments, each as likely as another."""
    plan = plan_of(tmp_path, {"a": (2, "board")}, count=4)
    orders = Counter(tuple(lay_out(plan, seed).patches.sort_values("board_order")["a"]) for seed in range(240))
    assert len(orders) == 6
    assert max(orders.values()) < 75  # 40 expected; a binomial count beyond has a chance of 1e-8


def test_controls_are_spread_over_places():
    controls = lay_out(read_plan(EXAMPLE), 3).patches.query("control != ''")
    assert set(controls.groupby("strip").size()) == {6}


def test_boards_added_to_even_ones_are_even_with_them(tmp_path):
    plan = plan_of(tmp_path, {"a": (2, "board"), "b": (2, "lane")}, count=8, lanes=2, strips=2)
    before = lay_out(plan, 1).patches
    for more, even in ((4, True), (3, False)):
        longer = replace(plan, boards=replace(plan.boards, lots=(8, more)), added=(more,))
        both = pd.concat([before, design.add_boards(longer, before, 2, {"b": 1.0}).patches])
        told = structure.of_layout(longer, both)
        assert told.places == ("lane",)  # stays in the model, as the first boards were drawn for it
        assert (stands(both, "lane", ["a", "b"]).nunique(axis=1) == 1).all() == even


def test_boards_added_to_others_are_drawn_freely(tmp_path):
    plan = plan_of(tmp_path, {"a": (2, "board"), "b": (2, "lane")}, count=4, lanes=2, strips=2)
    before = lay_out(plan, 1).patches
    longer = replace(plan, boards=replace(plan.boards, lots=(4, 4)), added=(4,))
    both = pd.concat([before, design.add_boards(longer, before, 2, {"b": 1.0}).patches])
    assert structure.of_layout(longer, both).places == ()


def test_no_carrier_sits_in_one_lot_only(tmp_path):
    """Lots are blocks: with fewer boards in a lot than treatments each level still visits several lots."""
    plan = plan_of(tmp_path, {"carrier": (3, "board"), "load": (3, "board")}, count=8, lots=2, lanes=2)
    boards = lay_out(plan, 3).patches.drop_duplicates("board")
    for factor in ("carrier", "load"):
        assert set(boards.groupby(factor)["lot"].nunique()) == {2}


def test_unusable_patches_carry_nothing(tmp_path):
    plan_of(tmp_path, {"a": (2, "board"), "b": (2, "lane")}, count=4, lanes=2, strips=3)
    text = (tmp_path / "trial.toml").read_text()
    text += '[[unusable]]\nboard = 2\nlane = 1\nstrip = 3\nwhy = "knot"\n[[unusable]]\nboard = 4\nstrip = 1\n'
    (tmp_path / "trial.toml").write_text(text)
    patches = lay_out(read_plan(tmp_path), 0).patches
    assert len(patches) == 4 * 6 - 1 - 2
    assert patches.query("board == 2 and lane == 1 and strip == 3").empty
    assert patches.query("board == 4 and strip == 1").empty


def test_unusable_patches_and_controls_in_boards_that_are_chosen(tmp_path):
    plan_of(tmp_path, {"a": (5, "board"), "b": (2, "lane"), "c": (4, "strip")}, count=7, lots=2, lanes=3, strips=4)
    text = (tmp_path / "trial.toml").read_text()
    text += "[[unusable]]\nboard = 3\nlane = 2\nstrip = 2\n"
    for kind in ("board", "lane", "strip", "patch"):
        text += f'[[control]]\nname = "bare {kind}"\nlaid_on = "{kind}"\n'
    (tmp_path / "trial.toml").write_text(text)
    plan = read_plan(tmp_path)
    patches = lay_out(plan, 5).patches
    assert len(patches) == 7 * 12 - 1
    sizes = patches.groupby("control").size()
    whole = patches.query("control == 'bare board'")["board"].nunique()
    assert whole == 1
    assert sizes["bare patch"] == 6
    assert (patches.query("control == ''").groupby("board").size() >= 2 * 3 - 1 - 1).all()
    assert patches.query("board == 3 and lane == 2 and strip == 2").empty


def test_boards_added_later_leave_the_first_alone(tmp_path):
    plan = plan_of(tmp_path, {"a": (3, "board"), "b": (2, "lane")}, count=6, lanes=2, strips=2)
    before = lay_out(plan, 1).patches
    longer = replace(plan, boards=replace(plan.boards, lots=(6, 4)), added=(4,))
    more = design.add_boards(longer, before, 2, {"a": 1.0})
    assert set(more.patches["board"]) == {7, 8, 9, 10}
    assert set(more.patches["lot"]) == {2}
    assert not set(more.patches["patch"]) & set(before["patch"])
    assert sorted(more.patches.drop_duplicates("board")["board_order"]) == [7, 8, 9, 10]
    assert set(more.patches["a"]) == set(plan.factor("a").levels)
    assert more.patches.equals(design.add_boards(longer, before, 2, {"a": 1.0}).patches)


def test_added_boards_settle_the_open_question_better_than_those_for_another(tmp_path):
    """Lanes hold two of three settings: boards added for the settings know these better than boards added for a."""
    plan = plan_of(tmp_path, {"a": (4, "board"), "b": (3, "lane")}, count=6, lanes=2, strips=1)
    before = lay_out(plan, 1).patches
    longer = replace(plan, boards=replace(plan.boards, lots=(6, 3)), added=(3,))

    def variance(patches, factor):
        """Mean variance of the differences of a factor, with boards fixed, by least squares."""
        columns = [pd.get_dummies(patches[name].astype(str)).to_numpy(float) for name in ("lot", "a", "b")]
        x = np.hstack([np.ones((len(patches), 1)), *(block[:, 1:] for block in columns)])
        pieces = pd.get_dummies(patches["board"].astype(str)).to_numpy(float)
        inverse = np.linalg.inv(x.T @ np.linalg.inv(np.eye(len(x)) + pieces @ pieces.T) @ x)
        start = x.shape[1] - 2 if factor == "b" else x.shape[1] - 2 - 3
        own = inverse[start:, start:][: 2 if factor == "b" else 3, : 2 if factor == "b" else 3]
        size = len(own)
        return float(np.trace(own) * (size + 1) - own.sum())  # sum over all differences, the first level's too

    made = {
        factor: pd.concat([before, design.add_boards(longer, before, 2, {factor: 0.5}).patches]) for factor in "ab"
    }
    assert variance(made["a"], "a") < variance(made["b"], "a")
    assert variance(made["b"], "b") <= variance(made["a"], "b")


def test_uneven_boards_are_shared_as_evenly_as_can_be(tmp_path):
    plan = plan_of(tmp_path, {"a": (5, "board")}, count=12, lots=3)
    layout = lay_out(plan, 2)
    sizes = layout.patches.groupby("a").size()
    assert sorted(sizes) == [2, 2, 2, 3, 3]
    assert set(layout.patches.groupby("lot")["a"].nunique()) == {4}
    assert "10 or 15 boards would share out evenly" in layout.notes[0]


def test_forbidden_meeting_of_lane_and_strip_is_left_bare(tmp_path):
    plan_of(tmp_path, {"b": (2, "lane"), "c": (3, "strip")}, lanes=2, strips=3, count=2)
    text = (tmp_path / "trial.toml").read_text() + '[[exclude]]\nb = "b 1"\nc = "c 2"\n'
    (tmp_path / "trial.toml").write_text(text)
    layout = lay_out(read_plan(tmp_path), 0)
    assert len(layout.patches) == 2 * 5
    assert not ((layout.patches["b"] == "b 1") & (layout.patches["c"] == "c 2")).any()
    assert any("left bare" in note for note in layout.notes)


def test_forbidden_combination_across_board_and_lane(tmp_path):
    plan_of(tmp_path, {"a": (2, "board"), "b": (2, "lane")}, lanes=2, count=4)
    text = (tmp_path / "trial.toml").read_text() + '[[exclude]]\na = "a 0"\nb = "b 1"\n'
    (tmp_path / "trial.toml").write_text(text)
    patches = lay_out(read_plan(tmp_path), 0).patches
    assert set(patches[patches["a"] == "a 0"]["b"]) == {"b 0"}
    assert set(patches[patches["a"] == "a 1"]["b"]) == {"b 0", "b 1"}


@pytest.mark.parametrize("laid_on", ["board", "lane", "strip", "patch"])
def test_controls_of_every_kind(tmp_path, laid_on):
    plan_of(tmp_path, {"a": (2, "board"), "c": (3, "patch")}, count=6, lots=2, lanes=3, strips=4)
    text = (tmp_path / "trial.toml").read_text() + f'[[control]]\nname = "bare"\nlaid_on = "{laid_on}"\ncount = 2\n'
    (tmp_path / "trial.toml").write_text(text)
    patches = lay_out(read_plan(tmp_path), 4).patches
    controls = patches[patches["control"] == "bare"]
    expected = {"board": 2 * 12, "lane": 6 * 2 * 4, "strip": 6 * 2 * 3, "patch": 6 * 2}[laid_on]
    assert len(controls) == expected
    if laid_on == "board":
        assert set(controls.groupby("lot")["board"].nunique()) == {1}  # spread over the lots


def test_scoring_orders_differ_by_assessor_and_hold_every_code():
    patches = lay_out(read_plan(EXAMPLE), 7).patches
    first, second = scoring_order(patches, 7, "A"), scoring_order(patches, 7, "B")
    assert first != second
    assert sorted(first) == sorted(second) == sorted(patches["patch"])
    assert first == scoring_order(patches, 7, "A")


@LIKE
@given(
    seed=st.integers(0, 2**63),
    a=st.integers(2, 3), b=st.integers(2, 3), c=st.integers(2, 4), p=st.integers(2, 3),
    boards=st.integers(1, 3), lots=st.integers(1, 3), lanes=st.integers(1, 2),
)  # fmt: skip
def test_every_treatment_as_planned(tmp_path_factory, seed, a, b, c, p, boards, lots, lanes):
    """Whatever the plan, each board holds the full set of what is laid on its lanes, strips and patches."""
    factors = {"a": (a, "board"), "b": (b, "lane"), "c": (c, "strip"), "rub": (p, "patch")}
    settings = {"count": a * boards, "lots": min(lots, a), "lanes": b * lanes, "strips": c * p}
    plan = plan_of(tmp_path_factory.mktemp("plan"), factors, **settings)
    patches = lay_out(plan, seed).patches
    assert patches["patch"].is_unique
    assert len(patches.drop_duplicates(["board", "lane", "strip"])) == len(patches)
    assert set(patches.groupby("board").size()) == {b * lanes * c * p}
    assert set(patches.groupby(["board", "b", "c", "rub"]).size()) == {lanes}
    assert set(patches.groupby("a")["board"].nunique()) == {boards}
    assert sorted(patches.drop_duplicates("board")["board_order"]) == list(range(1, a * boards + 1))


def test_lowest_bits_of_large_seeds_matter(tmp_path: Path):
    plan = plan_of(tmp_path, {"a": (2, "board")}, count=8, lanes=2, strips=2)
    digests = {
        hashlib.sha256(layout_text(lay_out(plan, 2**62 + at).patches).encode()).hexdigest() for at in range(20)
    }
    assert len(digests) == 20
