"""Liquids: their figures as the agencies publish them, and which two mix.

Figures: NIOSH Pocket Guide to Chemical Hazards, ethyl alcohol as read, the others from memory. Mixing: general
chemistry, from memory.
"""

from __future__ import annotations

import re
from itertools import combinations

import pytest

from trials import materials

READ = re.compile(r"page text|excerpt|from memory|no source")


def test_every_liquid_and_every_pair_says_where_it_is_from_and_how_that_was_read() -> None:
    pairs = [materials.mix(one.name, other.name) for one, other in combinations(materials.liquids(), 2)]
    known = [pair for pair in pairs if pair.why]
    assert len(known) > 30
    for said in [*materials.liquids(), *known]:
        assert all(READ.search(part) for part in said.source.split(";")), said


def test_degrees_agree_with_each_other() -> None:
    found = [re.findall(r"(-?\d+) °C \((-?\d+) °F\)", liquid.flash) for liquid in materials.liquids()]
    figures = [pair for pairs in found for pair in pairs]
    assert len(figures) >= 12
    for celsius, fahrenheit in figures:
        assert abs((int(fahrenheit) - 32) / 1.8 - int(celsius)) < 0.6


@pytest.mark.parametrize(
    ("first", "second", "verdict"),
    [
        ("water", "alcohol", "yes"),
        ("acetone", "denatured alcohol", "yes"),
        ("Lacquer thinner", "alcohol", "yes"),
        ("mineral spirits", "water", "no"),
        ("boiled linseed oil", "water", "no"),
        ("linseed oil", "naphtha", "yes"),
        ("lacquer thinner", "water", "not known"),
        ("alcohol", "white spirit", "not known"),
        ("isopropyl alcohol", "ethyl alcohol", "yes"),
        ("moon dust", "water", "not known"),
        ("water and alcohol", "acetone", "not known"),
    ],
)
def test_whether_two_liquids_mix(first: str, second: str, verdict: str) -> None:
    assert materials.mix(first, second).verdict == materials.mix(second, first).verdict == verdict


def test_of_a_blend_only_the_doubtful_pairs_are_named() -> None:
    found = materials.doubtful(["lacquer thinner", "water", "mineral spirits"])
    assert [(pair.first, pair.second) for pair in found if pair.verdict == "no"] == [("water", "mineral spirits")]
    assert found[0].verdict == "no"
    assert materials.doubtful(["alcohol", "lacquer thinner", "retarder"]) == ()


def test_the_longest_name_wins() -> None:
    assert [one.name for one in materials.liquids_in("Isopropyl Alcohol")] == ["isopropyl alcohol"]
    assert [one.name for one in materials.liquids_in("3 paint thinner : 1 acetone")] == ["acetone", "mineral spirits"]
    assert materials.liquids_in("oilcloth") == ()
