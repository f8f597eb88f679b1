"""Who looks at what, in which order: all patches, second looks well apart, pairs that differ in one factor alone."""

from collections import Counter

import pytest

from tests.conftest import SMALL
from trials.design import lay_out, scoring_order
from trials.draw import Draw
from trials.errors import UserError
from trials.plan import read_plan
from trials.scoring import HOW_TO_LOOK, PIECE, sittings
from trials.scoring import pairs as pairs_of

SIDE_BY_SIDE = """
[[response]]
name = "clearer_fleck"
kind = "preference"
factor = "{factor}"
ask = "Which shows the fleck more clearly?"
"""
FACTORS = ("carrier", "seal_coat", "glaze_dwell")


def plan_of(tmp_path, text=SMALL, extra=""):
    path = tmp_path / "trial.toml"
    path.write_text(text.replace("[scoring]\n", f"[scoring]\n{extra}"), encoding="utf-8")
    return read_plan(path)


@pytest.fixture
def small(tmp_path):
    plan = plan_of(tmp_path)
    return plan, lay_out(plan, 1).patches


def test_every_patch_is_seen_once_and_a_fifth_of_them_twice(small):
    plan, patches = small
    for sitting in sittings(plan, patches, 1):
        (looks,) = [one.looks for one in sitting.rounds]
        first = [look.patch for look in looks if look.repeat == 1]
        again = [look.patch for look in looks if look.repeat == 2]
        assert sorted(first) == sorted(patches["patch"])
        assert len(again) == len(set(again)) == 4  # a fifth of 16, rounded up
        assert first == scoring_order(patches, 1, sitting.assessor), "page and paper go the same way"
        at = {(look.patch, look.repeat): number for number, look in enumerate(looks)}
        assert min(at[code, 2] - at[code, 1] for code in again) > len(patches) // 3


def test_each_assessor_has_an_order_and_second_looks_of_their_own(small):
    plan, patches = small
    one, two = sittings(plan, patches, 1)
    assert (one.assessor, two.assessor) == ("A", "B")
    assert one.rounds != two.rounds
    assert one.sitting_id != two.sitting_id
    assert sittings(plan, patches, 1) == (one, two)
    assert sittings(plan, patches, 2)[0].rounds != one.rounds
    assert one.how_to_look == HOW_TO_LOOK


@pytest.mark.parametrize(("share", "again"), [("0 %", 0), ("25 %", 4), ("50 %", 8)])
def test_the_plan_says_how_many_come_twice(tmp_path, share, again):
    plan = plan_of(tmp_path, extra=f'repeats = "{share}"\nrest_after = 10\n')
    (sitting, _) = sittings(plan, lay_out(plan, 1).patches, 1)
    assert sum(look.repeat == 2 for look in sitting.rounds[0].looks) == again
    assert sitting.rest_after == 10


def test_what_is_measured_is_not_asked(small, tmp_path):
    plan, patches = small
    assert [scale.name for scale in sittings(plan, patches, 1)[0].scales] == ["figure_clarity"]
    only_measured = plan_of(tmp_path, SMALL.replace('kind = "grade"\naim', 'kind = "measure"\naim'))
    assert sittings(only_measured, patches, 1) == ()


def test_nobody_named_gives_one_sitting(tmp_path):
    plan = plan_of(tmp_path, SMALL.split("[scoring]")[0])
    (sitting,) = sittings(plan, lay_out(plan, 1).patches, 1)
    assert sitting.assessor == ""


@pytest.mark.parametrize("factor", FACTORS)
def test_pairs_differ_in_the_one_factor_alone(tmp_path, factor):
    plan = plan_of(tmp_path, SMALL + SIDE_BY_SIDE.format(factor=factor))
    patches = lay_out(plan, 1).patches
    rows = {row["patch"]: row for row in patches.to_dict("records")}
    found = pairs_of(plan, plan.preferences[0], patches, Draw(1))
    assert len(found) == 8  # 16 patches, each in one pair
    assert Counter(code for pair in found for code in pair).most_common(1)[0][1] == 1
    levels = plan.factor(factor).levels
    for one, two in found:
        assert (rows[one][factor], rows[two][factor]) == levels
        assert all(rows[one][name] == rows[two][name] for name in FACTORS if name != factor)


@pytest.mark.parametrize("factor", FACTORS)
def test_each_piece_meets_one_other(tmp_path, factor):
    """Pairs of pieces are the units of the test of a preference: they must not share a piece."""
    plan = plan_of(tmp_path, SMALL + SIDE_BY_SIDE.format(factor=factor))
    patches = lay_out(plan, 3).patches
    rows = {row["patch"]: row for row in patches.to_dict("records")}
    columns = PIECE[plan.factor(factor).laid_on]
    met: dict[tuple, set[tuple]] = {}
    for one, two in pairs_of(plan, plan.preferences[0], patches, Draw(1)):
        first, second = (tuple(rows[code][name] for name in columns) for code in (one, two))
        met.setdefault(first, set()).add(second)
        met.setdefault(second, set()).add(first)
    assert {len(others) for others in met.values()} == {1}
    if factor != "carrier":
        assert all(piece[0] == other[0] for piece, others in met.items() for other in others), "on the same board"


def test_sides_are_shared_out_and_swapped_on_repeats(tmp_path):
    plan = plan_of(tmp_path, SMALL + SIDE_BY_SIDE.format(factor="seal_coat"))
    patches = lay_out(plan, 1).patches
    level = dict(zip(patches["patch"], patches["seal_coat"], strict=True))
    for sitting in sittings(plan, patches, 1):
        pairs = sitting.rounds[-1].pairs
        once = [(pair.left, pair.right) for pair in pairs if pair.repeat == 1]
        again = [(pair.left, pair.right) for pair in pairs if pair.repeat == 2]
        assert Counter(level[left] for left, _ in once) == {"none": 4, "shellac": 4}
        assert len(again) == 2
        assert {(right, left) for left, right in again} <= set(once)
    orders = [
        [(pair.left, pair.right) for pair in sitting.rounds[-1].pairs] for sitting in sittings(plan, patches, 1)
    ]
    assert {frozenset(pair) for pair in orders[0]} == {frozenset(pair) for pair in orders[1]}, (
        "the same pairs for all"
    )
    assert orders[0] != orders[1]


def test_fewer_pairs_are_spread_over_the_boards(tmp_path):
    plan = plan_of(tmp_path, SMALL + SIDE_BY_SIDE.format(factor="seal_coat") + "pairs = 4\n")
    patches = lay_out(plan, 1).patches
    board = dict(zip(patches["patch"], patches["board"], strict=True))
    found = pairs_of(plan, plan.preferences[0], patches, Draw(1))
    assert sorted(board[one] for one, _ in found) == [1, 2, 3, 4]


@pytest.mark.parametrize(
    ("extra", "says"),
    [
        (SIDE_BY_SIDE.format(factor="wax"), "'wax' is not a factor"),
        (SIDE_BY_SIDE.format(factor="carrier").replace("Which", "Is shellac or none"), "the question names 'none'"),
        (SIDE_BY_SIDE.format(factor="carrier") + "grades = 5\n", "no key 'grades'"),
        (SIDE_BY_SIDE.format(factor="carrier") + 'stage = "waxed"\n', "'waxed' is not a stage"),
        (
            SIDE_BY_SIDE.format(factor="carrier")
            + '[[question]]\nfactor = "carrier"\nresponse = "clearer_fleck"\nworth = 1\n',
            "is a question by itself",
        ),
    ],
)  # fmt: skip
def test_comparisons_that_cannot_be_asked(tmp_path, extra, says):
    with pytest.raises(UserError, match=says):
        plan_of(tmp_path, SMALL + extra)


@pytest.mark.parametrize(
    ("key", "says"),
    [('repeats = "80 %"', "from '0 %' to '50 %'"), ("repeats = 5", "repeats"), ("rest_after = 1", "3 to")],
)
def test_scoring_that_cannot_be_done(tmp_path, key, says):
    with pytest.raises(UserError, match=says):
        plan_of(tmp_path, extra=key + "\n")


def test_a_plan_without_the_new_keys_has_the_digest_it_had(tmp_path):
    """Laid out before there were comparisons: the record must still agree with the plan."""
    plan = plan_of(tmp_path)
    assert {"preferences", "scoring"}.isdisjoint(plan.as_dict())
    assert {"preferences", "scoring"} <= set(
        plan_of(tmp_path, SMALL + SIDE_BY_SIDE.format(factor="carrier"), 'repeats = "10 %"\n').as_dict()
    )
