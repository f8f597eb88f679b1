"""Where treatments stand, and in which order boards are worked."""

from itertools import permutations

import pytest

from trials.draw import Draw
from trials.placing import Places, Request, evenly, order_of_work


def counts(requests, orders):
    found: dict[tuple[object, object], int] = {}
    for request, order in zip(requests, orders, strict=True):
        for place, at in zip(request.places, order, strict=True):
            found[place, request.items[at]] = found.get((place, request.items[at]), 0) + 1
    return found


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(("boards", "levels"), [(6, 2), (6, 3), (8, 4)])
def test_every_item_stands_everywhere_alike(seed, boards, levels):
    requests = [Request(tuple("abcd"[:levels]), tuple(range(levels)), at % 2) for at in range(boards)]
    found = counts(requests, evenly(requests, Draw(seed)))
    assert max(found.values()) - min(found.values()) <= 1
    assert len(found) == levels**2


def test_it_is_even_within_groups_as_well():
    """Two boards of each of six treatments turn their two lanes round: 64 ways of a 4096, all of them even."""
    requests = [Request(("a", "b"), (1, 2), at // 2) for at in range(12)]
    orders = evenly(requests, Draw(3))
    assert all(orders[at] != orders[at + 1] for at in range(0, 12, 2))


def test_chance_still_decides():
    requests = [Request(("a", "b"), (1, 2), at // 2) for at in range(12)]
    firsts = {tuple(tuple(order) for order in evenly(requests, Draw(seed))) for seed in range(30)}
    assert len(firsts) > 15


def test_more_items_than_orders_can_be_listed():
    requests = [Request(tuple("abcdefgh"), tuple(range(8))) for _ in range(4)]
    assert all(sorted(order) == list(range(8)) for order in evenly(requests, Draw(1)))


def test_controls_go_where_they_have_stood_least():
    places = Places(Draw(5))
    stood = [next(iter(places.chosen(["bare"], [1, 2, 3, 4]))) for _ in range(8)]
    assert sorted(stood) == [1, 1, 2, 2, 3, 3, 4, 4]


def test_the_order_of_work_is_the_most_even_of_many():
    """Of four boards of two treatments only orders like a b b a keep a drift off; found by trying all 24."""
    marks = [{"dye": name} for name in "aabb"]

    def uneven(turns):
        return (sum(turns[:2]) - 5) ** 2

    best = min(uneven(turns) for turns in permutations(range(1, 5)))
    assert uneven(order_of_work(marks, Draw(2))) == best == 0
    assert len({tuple(order_of_work(marks, Draw(seed))) for seed in range(40)}) > 4
