"""Cautions: what the agencies say about a material appears when a plan names the material."""

from __future__ import annotations

import re
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
    assert _names(_with_level(level)) == {caution.name for caution in cautions.ALL}


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
    found = {caution.name: caution for caution in cautions.for_plan(_with_level("denatured alcohol"))}
    solvent = found["Alcohol and other solvents"].text
    assert "Ethanol: catches fire from 13 °C (55 °F), burns from 3.3 % in air, limit 1000 ppm" in solvent
    assert "180 days" in found["Waste"].text
    rags = cautions.OILY_RAGS
    assert "water" in rags.text
    assert "1910.106(h)(8)(iii)" in rags.source


# --- solvents ----------------------------------------------------------------------------------------------------


def _solvent(text: str) -> cautions.Caution:
    return next(one for one in cautions.for_text(text) if one.name == "Alcohol and other solvents")


@pytest.mark.parametrize(
    ("text", "told", "untold"),
    [
        ("lacquer thinner", ["lacquer thinner"], ["thanol:", "acetone"]),
        (
            "acetone 2, alcohol 1",
            ["Ethanol: catches fire from 13 °C", "acetone: catches fire from -18 °C"],
            ["mineral spirits"],
        ),
        ("mineral spirits", ["Mineral spirits: catches fire from 39 °C"], ["thanol:", "methanol"]),
        ("naphtha", ["Naphtha"], ["ineral spirits"]),
        ("shellac 1 lb cut", ["Ethanol:", "methanol, which passes through the skin"], ["acetone"]),
        ("oil glaze", ["Mineral spirits"], ["thanol:"]),
        ("xylol", ["Xylene: catches fire from 27 °C"], ["thanol:"]),
    ],
)
def test_the_solvent_caution_speaks_of_the_solvents_at_hand(text: str, told: list[str], untold: list[str]) -> None:
    solvent = _solvent(text)
    for words in told:
        assert words.casefold() in solvent.text.casefold()
    for words in untold:
        assert words not in solvent.text
    assert ("methanol: NIOSH" in solvent.source) == ("methanol" in solvent.text)


@pytest.mark.parametrize("text", ["zzz", "solvent of Uncle's", "vernis"])
def test_where_the_solvent_is_not_known_all_are_spoken_of(text: str) -> None:
    solvent = _solvent(text).text.casefold()
    for name in ("ethanol", "methanol", "acetone", "lacquer thinner", "mineral spirits", "toluene"):
        assert f"{name}: catches fire" in solvent


def test_the_name_of_a_kind_stands_for_all_of_it() -> None:
    carrier = {one.name for one in cautions.for_text("carrier")}
    assert carrier == {"Alcohol and other solvents", "Oily rags", "Skin and eyes", "Waste", "Jars"}
    for name in ("Ethanol:", "lacquer thinner:", "mineral spirits:"):
        assert name in _solvent("carrier").text


def test_a_limit_is_no_permission_and_what_else_the_solvent_caution_must_say() -> None:
    text = _solvent("lacquer thinner 1, alcohol 1").text
    for words in (
        "no permission", "charges itself as it is poured", "bonded and grounded", "cartridges may not stop",
        "warm water away from any flame", "extinguisher", "alone",
    ):  # fmt: skip
        assert words in text


# --- what does not apply is not shown ----------------------------------------------------------------------------

WATERBORNE = replace(
    BARE,
    about="Which seal coat and finish leave the coat clear?",
    factors=(Factor("carrier", ("water",), "board"), Factor("seal_coat", ("none", "waterborne sealer"), "lane")),
    steps=(
        Step("sand, then finish the black line", "abrasive paper", "bare", "", ""),
        Step("dye", "water-soluble powder in water", "dyed", "", ""),
        Step("seal coat on the sealed lanes", "waterborne sealer", "sealed", "", ""),
        Step("glaze, wiped back", "waterborne glaze", "glazed", "", ""),
        Step("top coat", "waterborne polyurethane, two coats", "topcoated", "", "finish by noon"),
    ),
)


def test_waterborne_coats_call_no_flash_point_but_skin_and_eyes() -> None:
    assert _names(WATERBORNE) == {"Wood dust", "Dye powder", "Skin and eyes", "Jars"}
    for text in ("water", "waterborne film", "waterborne glaze", "waterborne sealer"):
        assert {one.name for one in cautions.for_text(text)} == {"Skin and eyes", "Jars"}


@pytest.mark.parametrize("word", ["together", "polyester", "stainless", "spare", "Angela", "soil"])
def test_words_within_words_call_nothing(word: str) -> None:
    assert _names(replace(WATERBORNE, about=word)) == _names(WATERBORNE)


@pytest.mark.parametrize("material", ["moon dust", "", "Grandfather's topcoat"])
def test_a_top_coat_that_is_not_known_calls_all_that_could_apply(material: str) -> None:
    unknown = replace(WATERBORNE, steps=(*WATERBORNE.steps[:-1], Step("top coat", material, "topcoated", "", "")))
    every = {caution.name for caution in cautions.ALL}
    assert _names(unknown) == every - {"Ammonia, dichromate, lye, bleach"}
    assert "acetone:" in next(one.text for one in cautions.for_plan(unknown) if one.name.startswith("Alcohol"))


@pytest.mark.parametrize("factor", ["product", "brand_of_varnish", "wax"])
def test_products_that_are_not_known_call_all(factor: str) -> None:
    shop = Factor(factor, ("none", "Uncle's red", "Uncle's blue"), "lane")
    assert _names(replace(WATERBORNE, factors=(*WATERBORNE.factors, shop))) == {one.name for one in cautions.ALL}
    known = replace(shop, levels=("none", "waterborne film", "waterborne glaze"))
    assert "Spraying" not in _names(replace(WATERBORNE, factors=(*WATERBORNE.factors, known)))
    coats = replace(shop, levels=("1 coat", "2 coats"))
    assert "Spraying" not in _names(replace(WATERBORNE, factors=(*WATERBORNE.factors, coats)))


@pytest.mark.parametrize(
    "coat",
    [
        "two-component polyurethane varnish with isocyanate hardener", "acid-cured conversion varnish, sprayed",
        "2K waterborne polyurethane with hardener", "precatalysed lacquer",
    ],
)  # fmt: skip
def test_a_hardener_calls_its_caution_and_every_other(coat: str) -> None:
    hard = replace(WATERBORNE, steps=(*WATERBORNE.steps[:-1], Step("top coat", coat, "topcoated", "", "")))
    assert {"Hardeners, catalysts, isocyanates", "Spraying", "Alcohol and other solvents", "Waste"} <= _names(hard)
    (caution,) = [one for one in cautions.for_plan(hard) if one is cautions.HARDENERS]
    for words in ("asthma", "formaldehyde", "supplied air", "health checks", "licensed shop", "maker's sheet"):
        assert words in caution.text
    assert {"Hardeners, catalysts, isocyanates", "Spraying", "Waste"} <= {one.name for one in cautions.for_text(coat)}


@pytest.mark.parametrize("text", ["Uncle Joe's mix", "Uncle Joe's mix, sprayed"])
def test_a_jar_that_is_not_known_calls_every_caution_sprayed_or_not(text: str) -> None:
    assert {one.name for one in cautions.for_text(text)} == {one.name for one in cautions.ALL} - {"Wood dust"}


# --- what the cautions must say ----------------------------------------------------------------------------------


def test_dust_of_finished_wood_static_and_oily_dust() -> None:
    for words in ("dyed and finished wood", "hose", "vacuum", "heats up like an oily rag"):
        assert words in cautions.WOOD_DUST.text


def test_rags_at_home_and_in_a_business_do_not_contradict_waste() -> None:
    """NFPA tip sheet on oily rags, 2017; OSHA 29 CFR 1910.106(h)(8)(iii)."""
    home, business = cautions.OILY_RAGS.text.split("In a business")
    assert "outdoors" in home
    assert "closed metal can that is emptied at least daily" in business
    assert "not dried outdoors" in business
    assert "both oil and solvent is both" in business


@pytest.mark.parametrize("caution", cautions.ALL, ids=lambda caution: caution.name)
def test_every_source_says_how_it_was_read(caution: cautions.Caution) -> None:
    for part in caution.source.split("; "):
        assert re.search(r"page text|abstract|excerpt|from memory|no source", part), part


def test_other_countries_have_their_own_rules() -> None:
    assert "Outside the USA your own rules" in cautions.GENERAL


def test_cautions_of_a_batch_come_by_name_and_by_words() -> None:
    assert [one.name for one in cautions.named(["Waste", "Dye powder"])] == ["Dye powder", "Waste", "Jars"]
    assert "Alcohol and other solvents" in {one.name for one in cautions.for_text("lacquer thinner 1, acetone 2")}
    assert {one.name for one in cautions.for_text("zzz")} > {"Spraying", "Waste"}
    with pytest.raises(KeyError):
        cautions.named(["none such"])
