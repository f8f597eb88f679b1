"""Cautions: what the agencies say about a material appears when a plan names the material."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trials import cautions
from trials.plan import Boards, Control, Factor, Plan, Step

BARE = Plan(
    title="Counter",
    wood="",
    about="",
    boards=Boards((4,), 600, 150, 1, 1, 5, 3, 20),
    factors=(Factor("grit", ("150", "220"), "board"),),
)


def _names(plan: Plan) -> set[str]:
    return {caution.name for caution in cautions.for_plan(plan)}


def _with_level(level: str) -> Plan:
    return replace(BARE, factors=(Factor("carrier", (level, "water"), "board"),))


@pytest.mark.parametrize(
    ("level", "name"),
    [
        ("alcohol-soluble dye powder", "Dye powder"),
        ("15 g/L", "Dye powder"),
        ("denatured alcohol", "Alcohol and other solvents"),
        ("shellac 1 lb cut", "Alcohol and other solvents"),
        ("Schellack", "Alcohol and other solvents"),
        ("boiled linseed oil", "Oily rags"),
        ("ÖL", "Oily rags"),
        ("gel stain", "Oily rags"),
        ("oil glaze", "Waste"),
        ("sprayed lacquer", "Spraying"),
        ("fumed", "Ammonia, dichromate, lye, bleach"),
    ],
)
def test_a_material_calls_its_caution(level: str, name: str) -> None:
    assert name in _names(_with_level(level))


def test_every_text_of_the_plan_is_read() -> None:
    oil = "linseed oil"
    plans = (
        replace(BARE, title=oil),
        replace(BARE, wood=oil),
        replace(BARE, about=oil),
        replace(BARE, controls=(Control(oil, "board", 1),)),
        replace(BARE, steps=(Step(oil, "", "", "", ""),)),
        replace(BARE, steps=(Step("", oil, "", "", ""),)),
        replace(BARE, steps=(Step("", "", "", "", oil),)),
    )
    for plan in plans:
        assert "Oily rags" in _names(plan)
        assert "Spraying" not in _names(plan)


@pytest.mark.parametrize("level", ["хорошее масло", "亜麻仁", "zzz"])
def test_words_that_say_nothing_here_call_every_caution(level: str) -> None:
    assert _names(_with_level(level)) == {
        "Wood dust",
        "Dye powder",
        "Alcohol and other solvents",
        "Spraying",
        "Oily rags",
        "Skin and eyes",
        "Waste",
        "Ammonia, dichromate, lye, bleach",
    }


@given(st.text(max_size=20), st.text(alphabet="abcdefghij oilspray", max_size=20))
def test_more_words_never_take_a_caution_away(first: str, more: str) -> None:
    named = replace(BARE, about=f"dye {first}")
    assert _names(named) <= _names(replace(named, title=more))


def test_wood_dust_comes_first_and_every_caution_names_its_source() -> None:
    found = cautions.for_plan(_with_level("zzz"))
    assert found[0].name == "Wood dust"
    assert all(caution.text.endswith(".") and caution.source for caution in found)


@pytest.mark.parametrize("caution", cautions.ALL, ids=lambda caution: caution.name)
def test_the_short_form_is_one_line_that_stands_by_itself(caution: cautions.Caution) -> None:
    assert caution.short.endswith(".")
    assert "\n" not in caution.short
    assert 40 < len(caution.short) <= 90


def test_the_agencies_figures_stand_as_published() -> None:
    """NIOSH Pocket Guide, ethyl alcohol: flashes at 55 °F, burns from 3.3 %, 1000 ppm; US EPA wipes: 180 days."""
    texts = {caution.name: caution.text for caution in cautions.for_plan(_with_level("zzz"))}
    solvent = texts["Alcohol and other solvents"]
    assert "13 °C (55 °F)" in solvent
    assert round((55 - 32) / 1.8) == 13
    assert "3.3 %" in solvent
    assert "1000 ppm" in solvent
    assert "180 days" in texts["Waste"]
    assert "water" in texts["Oily rags"]
    assert "1910.106(h)(8)(iii)" in next(c.source for c in cautions.for_plan(BARE) if c.name == "Oily rags")


def test_cautions_of_a_batch_come_by_name_and_by_words() -> None:
    assert [one.name for one in cautions.named(["Waste", "Dye powder"])] == ["Dye powder", "Waste"]
    assert "Alcohol and other solvents" in {one.name for one in cautions.for_text("lacquer thinner 1, acetone 2")}
    assert {one.name for one in cautions.for_text("zzz")} > {"Spraying", "Waste"}
    with pytest.raises(KeyError):
        cautions.named(["none such"])
