"""Paired comparisons: counted by the pieces that carry the factor, tested exactly, said in words."""

import random
import warnings
from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta, binom

from analysis import decide, preference, report
from analysis.combinations import holm
from analysis.preference import exact
from tests.conftest import SMALL
from tests.test_report import check_form
from tests.trials_made import trial_of
from trials import folder, foretell
from trials.design import lay_out
from trials.errors import UserError
from trials.scoring import sittings

ASKED = """
[[response]]
name = "clearer_fleck"
kind = "preference"
factor = "{factor}"
ask = "Which shows the fleck more clearly?"
"""
WHEN = "2026-04-02T09:30:00Z"


def compared(place, choose, factor="seal_coat", text=SMALL, boards=12, **changes):
    """Return a trial whose pairs were all compared; `choose` gets left and right patch, assessor and repeat."""
    text = text.replace("count = 4", f"count = {boards}") + ASKED.format(factor=factor)
    trial = trial_of(place / "trial", text, lambda patch, draw: 3 + draw.gauss(0, 0.5), assessors=2)
    patches = {int(row["patch"]): row for row in trial.patches.to_dict("records")}
    rows = []
    for sitting in sittings(replace(trial.plan, **changes), trial.patches, 1):
        for pair in (pair for round_ in sitting.rounds for pair in round_.pairs):
            chosen = choose(patches[pair.left], patches[pair.right], sitting.assessor, pair.repeat)
            rows.append(
                dict.fromkeys(folder.READING_COLUMNS, "")
                | {
                    "patch": str(pair.left), "against": str(pair.right), "response": pair.choice,
                    "value": str(int(chosen)), "assessor": sitting.assessor, "stage": "topcoated",
                    "repeat": str(pair.repeat),
                }
            )  # fmt: skip
    return replace(trial, readings=(*trial.readings, *rows), journal=())


def sealed_on(boards):
    """Choose the sealed patch on these boards and the other on the rest, whoever looks and wherever it lies."""
    return lambda left, right, *_: (left["seal_coat"] == "shellac") == (left["board"] in boards)


def only(trial):
    return preference.outcome(trial, trial.plan.preferences[0])


# --- the test --------------------------------------------------------------------------------------


@given(st.lists(st.sampled_from([-0.5, -0.3, -0.25, 0.0, 1 / 6, 0.25, 0.5]), min_size=1, max_size=9))
def test_sign_flips_are_those_of_a_list_of_all(apart):
    """Every one of the 2^n ways written out."""
    sums = [abs(sum(sign * one for sign, one in zip(signs, apart, strict=True)))
            for signs in product((-1, 1), repeat=len(apart))]  # fmt: skip
    expected = np.mean([one >= abs(sum(apart)) - 1e-9 for one in sums])
    assert preference.sign_flip(apart) == (pytest.approx(expected), True)


def test_darwins_maize():
    """Fifteen pairs of plants, eighths of an inch: 1726 of 32768 ways (Fisher 1935, section 21; from memory)."""
    inches = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]
    assert preference.sign_flip(inches)[0] == pytest.approx(1726 / 32768, rel=1e-12)


def test_many_unlike_sums_are_drawn_and_come_out_near_the_normal(monkeypatch):
    monkeypatch.setattr(exact, "MOST_SUMS", 500)
    apart = np.random.default_rng(1).normal(0.25, 1, 60)
    p, listed = preference.sign_flip(apart)
    z = abs(apart.sum()) / np.sqrt((apart**2).sum())
    normal = 2 * (1 - 0.5 * (1 + np.tanh(np.sqrt(2 / np.pi) * (z + 0.044715 * z**3))))  # to three places
    assert not listed
    assert p == pytest.approx(normal, abs=0.02)
    assert preference.sign_flip(apart) == (p, False)


def test_fractions_of_a_count_lie_between_the_counts_beside_them():
    low, high = ([preference.share_interval(x / 12, 12)[end] for x in (8, 8.4, 9)] for end in (0, 1))
    assert low == sorted(low)
    assert high == sorted(high)
    lower, upper = preference.share_interval(0.7, 12)
    assert beta.sf(lower, 8.4, 4.6) == pytest.approx(0.975)  # Clopper and Pearson's limits as quantiles of beta
    assert beta.cdf(upper, 9.4, 3.6) == pytest.approx(0.975)


def test_mid_p_limits_count_the_count_half():
    """The chance of more, and half that of as many, is 1 in 40 at the lower limit and 39 in 40 at the upper one."""
    lower, upper = preference.share_interval(9 / 12, 12, mid_p=True)
    more = [binom.sf(9, 12, at) + binom.pmf(9, 12, at) / 2 for at in (lower, upper)]
    assert more == pytest.approx([0.025, 0.975])
    assert preference.share_interval(1.0, 6, mid_p=True) == pytest.approx((0.05 ** (1 / 6), 1.0))
    assert preference.share_interval(0.0, 6, mid_p=True) == pytest.approx((0.0, 1 - 0.05 ** (1 / 6)))


def test_units_of_several_looks_are_as_good_as_more_plain_choices():
    assert preference.effective([1, 0, 1, 1, 0, 1], 6) == 6
    assert preference.effective([1, 0, 1, 1, 0, 1], 24) == 6  # every look at a unit the same
    assert preference.effective([0.5, 0.75, 0.5, 0.75], 16) == 16  # no more alike than looks at one chance would be
    assert preference.effective([0.75] * 4, 16) == preference.effective([1.0] * 4, 16) == 4  # nothing to tell it by
    assert 12 < preference.effective(np.array([4, 3, 2, 4, 1, 3, 4, 2, 3, 4, 0, 3]) / 4, 48) < 24


@pytest.mark.parametrize(("units", "looks"), [(8, 1), (8, 4), (12, 1), (12, 4)])
def test_the_interval_holds_as_often_as_it_says(units, looks):
    """Shares that differ from unit to unit, true ones of 0.5 to 0.9: 2000 trials, a standard error of 0.005."""
    rng = np.random.default_rng(units + looks)
    held = 0
    for true in (0.5, 0.6, 0.7, 0.8, 0.9):
        for shares in rng.binomial(looks, rng.beta(2 * true, 2 * (1 - true), (400, units))) / looks:
            good_as = preference.effective(shares, units * looks)
            lower, upper = preference.share_interval(shares.mean(), good_as, mid_p=True)
            held += lower <= true <= upper
    assert 0.93 <= held / 2000 <= 0.98


def test_chance_is_ruled_out_no_more_often_than_one_in_twenty():
    """No difference, but boards that differ: 2000 trials, 100 expected at most, standard deviation 9.7."""
    rng = np.random.default_rng(8)
    settled = 0
    for _ in range(2000):
        own = rng.choice([0.1, 0.9], 12)
        settled += preference.sign_flip(rng.binomial(4, own) / 4 - 0.5)[0] <= 0.05
    assert settled < 130


# --- units -----------------------------------------------------------------------------------------


def test_looks_at_the_same_board_count_once(tmp_path):
    trial = compared(tmp_path, sealed_on(range(1, 10)))
    (one,) = only(trial).choices
    assert (one.picked, one.over, one.unit_many) == ("shellac", "none", "boards")
    assert (one.agreeing, one.even, one.units) == (9, 0, 12)
    assert one.share == 0.75
    assert one.comparisons > 48  # two pairs a board, two assessors, and second looks
    assert one.p == pytest.approx(2 * sum([220, 66, 12, 1]) / 4096)  # binomial coefficients of 12
    assert (one.lower, one.upper) == preference.share_interval(0.75, 12, mid_p=True)
    assert one.fewest == 10


def test_a_second_look_does_not_weigh_double(tmp_path):
    """A picks the sealed patch at the first look, the other at the second; B always the sealed one."""

    def choose(left, right, assessor, repeat):
        return (left["seal_coat"] == "shellac") == (assessor == "B" or repeat == 1)

    trial = compared(tmp_path, choose)
    found = preference.choices(trial, trial.plan.preferences[0])
    board = found[(found["assessor"] == "A") & (found["repeat"] == 2)].iloc[0]
    counted = preference.units(found[found["first_piece"] == board["first_piece"]])
    again = (
        (found["first_piece"] == board["first_piece"]) & (found["assessor"] == "A") & (found["repeat"] == 2)
    ).sum()
    seen_twice_by_b = ((found["first_piece"] == board["first_piece"]) & (found["assessor"] == "B")).sum() - 2
    assert counted["share"].tolist() == pytest.approx([1 - 0.5 * again / 4])
    assert counted["comparisons"].tolist() == [4 + again + seen_twice_by_b]


def test_a_factor_on_boards_counts_pairs_of_boards(tmp_path):
    trial = compared(tmp_path, lambda left, right, *_: left["carrier"] == "alcohol", factor="carrier")
    (one,) = only(trial).choices
    assert (one.unit, one.units, one.agreeing) == ("pair of boards", 6, 6)
    assert one.p == pytest.approx(2 / 64)


def test_pairs_that_share_a_piece_are_one_unit():
    rows = pd.DataFrame(
        {
            "first_piece": [(1,), (1,), (3,)], "second_piece": [(2,), (4,), (5,)], "first_patch": [1, 2, 3],
            "second_patch": [4, 5, 6], "assessor": "A", "second_chosen": [1, 0, 1],
        }
    )  # fmt: skip
    assert preference.units(rows)["share"].tolist() == [0.5, 1.0]


def test_the_sides_do_not_matter_to_the_answer(tmp_path):
    trial = compared(tmp_path, sealed_on(range(1, 10)))
    turned = tuple(
        row | {"patch": row["against"], "against": row["patch"], "value": str(1 - int(row["value"]))}
        if row["against"]
        else row
        for row in trial.readings
    )
    assert only(replace(trial, readings=turned)).choices == only(trial).choices


def test_what_is_compared_at_another_stage_is_not_counted(tmp_path):
    trial = compared(tmp_path, sealed_on(range(1, 10)))
    other = tuple(row | {"stage": "dyed"} if row["against"] else row for row in trial.readings)
    with pytest.raises(UserError, match="nothing is recorded of clearer fleck"):
        only(replace(trial, readings=other))


# --- in words --------------------------------------------------------------------------------------


def test_the_answer_in_words(tmp_path):
    said = preference.sentences(compared(tmp_path, sealed_on(range(1, 10))))
    assert said[0].startswith("Which shows the fleck more clearly? Seal coat shellac was picked over none in ")
    assert (
        "on 9 of 12 boards (chance alone would do as well in 1 of 7 trials; share 0.75, 95% interval 0.46 to 0.93): "
        "not settled."
    ) in said[0]
    assert "10 of 12 would have to agree" in said[-1]


def test_a_settled_answer_in_words(tmp_path):
    said = preference.sentences(compared(tmp_path, sealed_on(range(1, 12))))
    assert "in 1 of 158 trials" in said[0]  # 2 × (12 + 1) / 4096
    assert said[0].endswith(": settled.")


def test_five_pairs_cannot_settle_it(tmp_path):
    trial = compared(tmp_path, sealed_on(range(1, 13)), boards=4)
    assert "4 boards cannot settle it, whichever way they go; it takes 6 at least" in preference.sentences(trial)[0]
    (one,) = only(trial).choices
    assert one.lower <= 0.5  # so the interval does not settle it either


def test_a_liking_for_the_left_is_seen(tmp_path):
    trial = compared(tmp_path, lambda *_: True)
    found = only(trial)
    assert found.left == found.comparisons
    said = preference.sentences(trial)
    assert any("the left was preferred as a side" in text for text in said)
    assert all(looks.same == 0 for looks in found.second_looks)


def test_who_picks_the_same_again_is_counted(tmp_path):
    trial = compared(tmp_path, sealed_on(range(1, 10)))
    found = only(trial)
    assert [looks.assessor for looks in found.second_looks] == ["A", "B"]
    assert all(looks.same == looks.pairs == 5 for looks in found.second_looks)  # a fifth of 24 pairs, rounded up
    said = preference.sentences(trial)
    assert "A picked the same patch again in 5 of 5 pairs shown again with the sides swapped." in said


def test_nothing_asked_and_nothing_recorded(tmp_path):
    trial = compared(tmp_path, sealed_on(range(1, 10)))
    assert preference.sentences(replace(trial, plan=replace(trial.plan, preferences=()))) == ()
    unread = replace(trial, readings=tuple(row for row in trial.readings if not row["against"]))
    (said,) = preference.sentences(unread)
    assert "nothing is recorded of clearer fleck yet" in said


# --- several levels --------------------------------------------------------------------------------

THREE = SMALL.replace('levels = ["none", "shellac"]', 'levels = ["none", "shellac", "oil"]').replace(
    "lanes = 2", "lanes = 3"
)
STRENGTH = {"none": 0.0, "shellac": 1.0, "oil": 0.5}


def by_strength(seed):
    draw = random.Random(seed)

    def choose(left, right, *_):
        odds = np.exp(STRENGTH[left["seal_coat"]] - STRENGTH[right["seal_coat"]])
        return draw.random() < odds / (1 + odds)

    return choose


def test_three_levels_are_compared_in_pairs_and_ranked(tmp_path):
    trial = compared(tmp_path, by_strength(2), text=THREE)
    found = only(trial)
    assert len(found.choices) == 3
    assert {one.level for one in found.choices} == {1 - 0.05 / 3}
    assert all(one.p_all >= one.p for one in found.choices)
    assert found.abilities is not None
    assert found.abilities.index.tolist() == ["none", "shellac", "oil"]
    assert found.abilities["share_picked"].sum() == pytest.approx(1)
    assert any("Bradley and Terry" in text for text in preference.sentences(trial))


@pytest.mark.parametrize(("comparisons", "fewest"), [(1, 6), (3, 7), (6, 8), (10, 9)])
def test_the_fewest_pairs_that_settle_anything(comparisons, fewest):
    """All agree everywhere: p is twice one half to the number of units, and Holm's adjustment has the last word."""
    assert foretell.fewest_pairs(comparisons) == fewest
    for units in (fewest - 1, fewest):
        p, _ = preference.sign_flip([0.5] * units)
        assert (holm(np.full(comparisons, p)).max() <= 0.05) == (units == fewest)
        assert foretell.can_settle([units] * comparisons) == [units == fewest] * comparisons


def test_after_boards_were_added_more_must_agree(tmp_path):
    """Six of six: p is 1 in 32, which is enough at a first look and not at a later one, where eight are needed."""
    trial = compared(tmp_path, lambda left, *_: left["seal_coat"] == "shellac", boards=6)
    later = replace(trial, plan=replace(trial.plan, added=(2,)))
    (first,), (second,) = only(trial).choices, only(later).choices
    assert first.p == second.p == pytest.approx(1 / 32)
    assert first.settled
    assert not second.settled
    assert (first.level, second.level) == pytest.approx((0.95, 0.99))
    assert second.fewest is None
    assert second.needed == 8


def test_fewer_pairs_can_do_where_others_are_settled_first():
    assert foretell.can_settle([6, 9, 7]) == [True] * 3  # 0.008 × 3, 0.016 × 2, 0.031
    assert foretell.can_settle([6, 9, 6]) == [False, True, False]  # 0.031 × 2


@pytest.mark.filterwarnings("error")
def test_six_boards_cannot_settle_three_levels_and_that_is_said(tmp_path):
    """Shellac over oil over none on every board; the check counts them too, and no warning is given."""

    def choose(left, right, *_):
        return STRENGTH[left["seal_coat"]] > STRENGTH[right["seal_coat"]]

    trial = compared(tmp_path, choose, text=THREE, boards=6)
    assert [one.p_all for one in only(trial).choices] == pytest.approx([3 / 32] * 3)
    for text in list(preference.sentences(trial))[:3]:
        assert text.endswith("6 boards cannot settle it, whichever way they go; it takes 7 at least.")
    notes = foretell.foretell(trial.plan, lay_out(trial.plan, 1)).notes
    assert any("fewer than 7 cannot settle it, even if all agree" in note for note in notes)


def test_a_perfect_fit_warns_of_nothing():
    """Each level beat the other once in two looks at every pair: the fit meets the shares exactly."""
    wins = pd.DataFrame(
        {"first": ["a", "a", "b"], "second": ["b", "c", "c"], "first_wins": [1.0, 1, 1], "n": [2, 2, 2]}
    )
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert preference.abilities(wins, ["a", "b", "c"])["share_picked"].tolist() == pytest.approx([1 / 3] * 3)


def test_a_level_never_picked_has_no_ability_and_that_is_said(tmp_path):
    def choose(left, right, *_):
        return left["seal_coat"] != "none" and (right["seal_coat"] == "none" or left["board"] % 2 == 0)

    found = only(compared(tmp_path, choose, text=THREE))
    assert found.abilities is None
    assert "none was never picked over any other" in found.no_abilities


def test_levels_never_compared_have_no_abilities():
    wins = pd.DataFrame({"first": ["a", "c"], "second": ["b", "d"], "first_wins": [2, 3], "n": [4, 5]})
    with pytest.raises(UserError, match="never compared with the others"):
        preference.abilities(wins, ["a", "b", "c", "d"])


def test_abilities_of_two_are_the_log_odds():
    wins = pd.DataFrame({"first": ["a"], "second": ["b"], "first_wins": [4], "n": [16]})
    found = preference.abilities(wins, ["a", "b"])
    assert found.loc["b", "log_strength"] == pytest.approx(np.log(3))
    assert found.loc["b", "se"] == pytest.approx(np.sqrt(1 / 4 + 1 / 12))


# --- the report ------------------------------------------------------------------------------------


def test_the_report_shows_it_side_by_side(tmp_path):
    trial = compared(tmp_path, by_strength(2), text=THREE)
    path = report.write(trial, decide.decide(trial), WHEN)
    page = check_form(path.read_text(encoding="utf-8"))
    assert "Side by side" in page.texts["h2"]
    for text in preference.sentences(trial):
        assert text in page.flat
    rows = pd.read_csv(path.parent / "tables" / "preferences.csv")
    assert rows["p"].tolist() == [one.p for one in only(trial).choices]
    assert rows["share"].tolist() == [one.share for one in only(trial).choices]
    strengths = pd.read_csv(path.parent / "tables" / "strengths.csv")
    assert strengths["log_strength"].tolist() == only(trial).abilities["log_strength"].tolist()


def test_the_report_of_a_plan_without_comparisons_has_no_such_section(tmp_path):
    trial = trial_of(tmp_path / "trial", SMALL, lambda patch, draw: 3 + draw.gauss(0, 0.5))
    assert report.content(trial, decide.decide(trial), WHEN).side_by_side is None
