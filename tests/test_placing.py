"""Where treatments stand on their boards."""

from collections import Counter

import pytest

from trials.draw import Draw
from trials.placing import Places, evened


def boards(carriers, items):
    """Return a board for each carrier, with an item on each strip, all in the same order."""
    return [{(1, at): {"a": carrier, "c": item} for at, item in enumerate(items, 1)} for carrier in carriers]


def counts(laid):
    return Counter((strip, what["a"], what["c"]) for made in laid for (_, strip), what in made.items())


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(("number", "items"), [(4, "ab"), (6, "abc"), (8, "abcd"), (10, "abcde"), (8, "aabb")])
def test_every_cell_stands_everywhere_alike(seed, number, items):
    laid = boards("xy" * (number // 2), items)
    found = evened(laid, "strip", [("c",), ("a", "c")], Draw(seed))
    assert found is not None
    assert len(set(counts(found).values())) == 1
    assert [sorted(what["c"] for what in made.values()) for made in found] == [sorted(items)] * number


@pytest.mark.parametrize(
    ("carriers", "terms"), [("xxx", [("c",)]), ("xxxyyy", [("c",), ("a", "c")])]
)  # fmt: skip
def test_where_it_cannot_be_even_nothing_is_moved(carriers, terms):
    assert evened(boards(carriers, "ab"), "strip", terms, Draw(0)) is None


def test_even_over_all_is_enough_where_nothing_else_is_asked():
    found = evened(boards("xxxyyy", "ab"), "strip", [("c",)], Draw(1))
    assert found is not None
    sums = Counter((strip, what["c"]) for made in found for (_, strip), what in made.items())
    assert set(sums.values()) == {3}


def test_a_board_that_lacks_a_piece_is_left_as_it_is():
    laid = boards("xxxx", "ab")
    del laid[0][1, 1]
    assert evened(laid, "strip", [("c",)], Draw(0)) is None


def test_pieces_move_whole_and_controls_stay():
    laid = [
        {(1, 1): {"b": "p", "c": "m"}, (1, 2): "bare", (2, 1): {"b": "q", "c": "m"}, (2, 2): "bare"} for _ in range(4)
    ]
    found = evened(laid, "lane", [("b",)], Draw(2))
    assert found is not None
    assert all(made[1, 2] == made[2, 2] == "bare" for made in found)
    assert Counter(made[1, 1]["b"] for made in found) == {"p": 2, "q": 2}


def test_boards_that_are_there_count_and_stay():
    before = boards("xx", "ab")
    found = evened(boards("xx", "ab"), "strip", [("c",)], Draw(0), before)
    assert found is not None
    assert [made[1, 1]["c"] for made in found] == ["b", "b"]


def test_chance_still_decides():
    drawn = [evened(boards("xxxx", "ab"), "strip", [("c",)], Draw(seed)) for seed in range(60)]
    firsts = Counter("".join(made[1, 1]["c"] for made in laid) for laid in drawn if laid)
    assert len(firsts) == 6  # of four boards two turn the strips round
    assert max(firsts.values()) < 25  # 10 expected


def test_controls_go_where_they_have_stood_least():
    places = Places(Draw(5))
    stood = [next(iter(places.chosen(["bare"], [1, 2, 3, 4]))) for _ in range(8)]
    assert sorted(stood) == [1, 1, 2, 2, 3, 3, 4, 4]
