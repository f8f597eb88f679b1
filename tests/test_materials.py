"""The materials table: sources, what goes with what, a shop's own file, and what is said of a plan."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trials import materials
from trials.errors import UserError
from trials.plan import Boards, Exclusion, Factor, Plan, Step, read_plan

TABLE = materials.load()
EXAMPLE = Path(__file__).parents[1] / "example_trials" / "lacewood-counter"
DYED = Step("dye", "water-soluble powder in water", "dyed", "24 h", "")


def _plan(*factors: Factor, steps: tuple[Step, ...] = (), exclusions: tuple[Exclusion, ...] = ()) -> Plan:
    return Plan("Counter", "", "", Boards((4,), 600, 150, 2, 2, 5, 3, 20), factors, exclusions, steps=steps)


def _factor(name: str, *levels: str) -> Factor:
    return Factor(name, levels, "board")


def _said(plan: Plan, level: str | None = None) -> list[str]:
    found = materials.checks(plan, TABLE).checks
    return [str(check) for check in found if level in (None, check.level)]


# --- the table ---------------------------------------------------------------------------------------------------


def test_every_entry_and_every_cell_names_its_source() -> None:
    cells = [*TABLE.entries, *TABLE.fits, *TABLE.overs]
    ranges = [r for e in TABLE.entries for r in (e.open, e.dry, e.coverage) if r]
    ranges += [over.wait for over in TABLE.overs if over.wait]
    assert len(TABLE.entries) > 20
    assert len(ranges) > 40
    for cell in [*cells, *ranges]:
        assert len(cell.source) > 10
        assert cell.origin == materials.BUILT_IN
        for part in cell.source.split(";"):
            assert re.search(r"page text|excerpt|from memory|no source", part), part
            unnamed = re.search(r"\ba (?:woodworking|maker|finish|reader|supplier)|web guides", part)
            assert not unnamed or "weak" in part, part
        assert not re.search(r"\bpp?\. ?\d", cell.source), "the pages were never seen in print"


def test_cautions_are_known_and_surfaces_are_reached() -> None:
    for entry in TABLE.entries:
        assert set(entry.cautions) <= set(materials.CAUTIONS)
        assert entry.surface or entry.confounds
        assert entry.kind in ("carrier", "dye") or entry.coat
        assert entry.kind == "dye" or entry.coverage
        assert "Skin and eyes" in entry.cautions
        assert ("Alcohol and other solvents" in entry.cautions) == bool(set(entry.liquids) - {"water"})
    oily = {e.name for e in TABLE.entries if "Oily rags" in e.cautions}
    assert {"oil", "oil glaze", "gel stain", "oil varnish", "wiping oil"} <= oily


def test_every_dye_has_its_cell_for_every_carrier() -> None:
    pairs = {(fit.dye, fit.carrier) for fit in TABLE.fits}
    assert pairs == {(dye, carrier) for dye in TABLE.names("dye") for carrier in TABLE.names("carrier")}


@pytest.mark.parametrize(
    ("dye", "verdicts"),
    [
        # own solvents: Popular Woodworking no. 155, June 2006; water dye let down with alcohol: WOODWEB, 2000;
        # concentrate: Popular Woodworking no. 158, November 2006; the rest common practice, no source
        ("water-soluble powder", ("fits", "check", "does not", "does not")),
        ("alcohol-soluble powder", ("does not", "fits", "check", "does not")),
        ("oil-soluble powder", ("does not", "check", "check", "fits")),
        ("liquid dye concentrate", ("fits", "fits", "fits", "does not")),
        ("oil-bound pigment", ("check", "does not", "does not", "fits")),
    ],
)
def test_which_dye_goes_into_which_carrier(dye: str, verdicts: tuple[str, ...]) -> None:
    for carrier, verdict in zip(("water", "alcohol", "lacquer-thinner blend", "oil"), verdicts, strict=True):
        assert TABLE.fit(TABLE.find(dye, "dye"), TABLE.find(carrier, "carrier")).verdict == verdict


@pytest.mark.parametrize(
    ("surface", "verdicts"),
    [
        # waterborne over water dye, oil over water dye: Popular Woodworking no. 133, April 2003; alcohol dye:
        # Woodsmith, Dye stains made easy; lacquer over glaze: Woodworking Network, Wood glazing 101; waterborne over
        # oil: WOODWEB, 2008; the rest common practice, no source
        ("water dye", ("fits", "fits", "lifts", "fits", "fits")),
        ("alcohol or metal-complex dye", ("lifts", "fits", "check", "fits", "check")),
        ("oil dye", ("fits", "fits", "check", "check", "check")),
        ("glaze", ("fits", "fits", "check", "fits", "check")),
    ],
)
def test_which_coat_goes_over_what(surface: str, verdicts: tuple[str, ...]) -> None:
    coats = (
        "alcohol shellac, brushed or wiped", "shellac, sprayed thin", "waterborne film, brushed",
        "oil varnish or wiping oil", "lacquer, sprayed",
    )  # fmt: skip
    for coat, verdict in zip(coats, verdicts, strict=True):
        assert TABLE.over(coat, surface).verdict == verdict


def test_times_stand_as_the_trade_gives_them() -> None:
    """Common practice, no source, but for 24 h after water dye (WOODWEB, 2005)."""
    water, alcohol = TABLE.find("water", "carrier"), TABLE.find("alcohol", "carrier")
    assert (water.open.least, water.open.usual, water.open.most) == (2, 4, 8)
    assert water.dry.most == 24 * 60
    assert alcohol.open.most == pytest.approx(1.5)
    glaze = TABLE.find("oil glaze", "glaze")
    assert (glaze.open.least, glaze.open.usual, glaze.open.most) == (5, 10, 30)
    assert water.open.usual > alcohol.open.usual


# --- names -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "kind", "words"),
    [
        ("Water", "carrier", "water"),
        ("denatured alcohol", "carrier", "alcohol"),
        ("mineral spirits", "carrier", "oil"),
        ("alcohol + retarder", "carrier", "alcohol with retarder"),
        ("shellac 1 lb cut", "seal coat", "shellac, 1 lb cut"),
        ("1-lb-cut shellac", "seal coat", "shellac, 1 lb cut"),
        ("shellac, ½ pound cut", "seal coat", "shellac, 0.5 lb cut"),
        ("dewaxed shellac 1 1/2 lb cut", "seal coat", "dewaxed shellac, 1.5 lb cut"),
        ("two pound cut wax-free shellac", "seal coat", "dewaxed shellac, 2 lb cut"),
        ("oil glaze", "glaze", "oil glaze"),
        ("gel stain", "glaze", "gel stain"),
        ("Water-based polyurethane", "top coat", "waterborne film"),
        ("metal-complex dye", "dye", "liquid dye concentrate"),
        ("water soluble dye powder", "dye", "water-soluble powder"),
    ],
)
def test_find(written: str, kind: str, words: str) -> None:
    assert TABLE.find(written, kind).words == words


def test_every_name_and_synonym_finds_an_entry_of_its_own() -> None:
    for entry in TABLE.entries:
        assert TABLE.find(entry.name, entry.kind) == entry
        for also in entry.also:
            assert TABLE.find(also, entry.kind).name == entry.name


@settings(max_examples=50, deadline=None)
@given(st.sampled_from([(e.kind, e.name) for e in TABLE.entries]), st.randoms())
def test_case_and_order_of_words_do_not_matter(named: tuple[str, str], draw) -> None:
    kind, name = named
    words = name.replace(",", "").upper().split()
    draw.shuffle(words)
    assert TABLE.find(" ".join(words), kind).name == name


@settings(max_examples=50, deadline=None)
@given(st.text(max_size=30))
def test_any_text_is_found_or_refused_in_words(text: str) -> None:
    if TABLE.recognise(text, "carrier"):
        assert TABLE.known(text, "carrier").kind == "carrier"
        return
    with pytest.raises(UserError, match="is not known to the materials file") as caught:
        TABLE.known(text, "carrier")
    assert len(caught.value.problems) == 1


def test_an_unknown_name_gets_the_nearest() -> None:
    with pytest.raises(UserError, match=r"the carrier 'watre' is not known to the materials file; write 'water'"):
        TABLE.find("watre", "carrier")
    with pytest.raises(ValueError, match="kind is 'varnish'"):
        TABLE.find("water", "varnish")


def test_recognise_takes_the_closest_of_several_and_no_guess() -> None:
    assert TABLE.recognise("dewaxed shellac, 1 lb cut in alcohol", "seal coat").words == "dewaxed shellac, 1 lb cut"
    assert TABLE.recognise("3 alcohol : 1 lacquer thinner : 0.2 retarder", "carrier").name == "lacquer-thinner blend"
    assert TABLE.recognise("water or alcohol", "carrier") is None
    assert TABLE.recognise("moon dust", "glaze") is None


# --- what is said of a plan --------------------------------------------------------------------------------------


def test_a_dye_that_does_not_dissolve_is_refused() -> None:
    steps = (Step("dye", "oil-soluble powder", "dyed", "", ""),)
    found = materials.checks(_plan(_factor("carrier", "water", "oil"), steps=steps), TABLE)
    (check,) = found.checks
    assert check.level == "refuse"
    assert check.words == "oil-soluble powder does not dissolve in water"
    assert check.where == "carrier water"
    assert "take oil for it" in check.cure
    assert "name the combination under [[exclude]]" in check.cure


def test_a_combination_the_plan_never_makes_is_not_complained_about() -> None:
    dyes = _factor("dye_type", "water-soluble powder", "oil-soluble powder")
    carriers = _factor("carrier", "water", "oil")
    assert len(_said(_plan(dyes, carriers), "refuse")) == 2
    never = (
        Exclusion((("carrier", ("oil",)), ("dye_type", ("water-soluble powder",))), ""),
        Exclusion((("carrier", ("water",)), ("dye_type", ("oil-soluble powder",))), ""),
    )
    assert _said(_plan(dyes, carriers, exclusions=never), "refuse") == []
    assert len(_said(_plan(dyes, carriers, exclusions=never[:1]), "refuse")) == 1


def test_brushed_shellac_over_alcohol_dye_is_warned_of_and_sprayed_is_not() -> None:
    carriers = _factor("carrier", "water", "alcohol")
    brushed = Step("seal", "dewaxed shellac 1 lb cut", "sealed", "2 h", "")
    (said,) = _said(_plan(carriers, steps=(DYED.__class__("dye", "", "dyed", "24 h", ""), brushed)), "warn")
    assert said.startswith("Carrier alcohol: a brushed or wiped alcohol coat over alcohol dye lifts and streaks it")
    assert "spray it thin" in said
    assert "common practice, no source" in said
    sprayed = replace(brushed, material="dewaxed shellac, sprayed in mist coats")
    assert _said(_plan(carriers, steps=(sprayed,)), "warn") == []


def test_only_the_levels_concerned_are_named() -> None:
    plan = _plan(
        _factor("carrier", "water", "alcohol"), _factor("seal_coat", "none", "shellac 1 lb cut"),
        steps=(Step("glaze", "oil glaze", "glazed", "", ""),),
    )  # fmt: skip
    wheres = {check.where for check in materials.checks(plan, TABLE).checks}
    assert wheres == {
        "carrier alcohol with seal coat shellac 1 lb cut",
        "carrier water with seal coat none",
        "carrier alcohol with seal coat none",
    }


@pytest.mark.parametrize(
    ("seal", "top", "level"),
    [
        ("dewaxed shellac", "waterborne varnish", None),
        ("shellac", "waterborne varnish", "ask"),
        ("waxed shellac", "oil varnish", "warn"),
        ("waxed shellac", "lacquer", "warn"),
        ("waterborne sealer", "shellac", "ask"),
        ("waterborne sealer", "lacquer", "ask"),
        ("thin oil varnish", "lacquer", "ask"),
        ("thin oil varnish", "shellac", "ask"),
    ],
)
def test_seal_coats_under_top_coats(seal: str, top: str, level: str | None) -> None:
    """WOODWEB, Shellac as a sealer, 2005; Finish defects with waterborne over oil stain, 2008."""
    steps = (
        DYED, Step("seal", seal, "sealed", "12 h", ""), Step("top coat", top, "topcoated", "", ""),
    )  # fmt: skip
    plan = _plan(_factor("grit", "coarse", "fine"), steps=steps)
    found = materials.checks(plan, TABLE).checks
    over_seal = [check.level for check in found if "water dye" not in check.words]
    assert over_seal == ([] if level is None else [level])


def test_a_second_coat_of_one_film_is_not_asked_about() -> None:
    steps = (DYED, Step("", "lacquer washcoat", "sealed", "", ""), Step("", "lacquer", "topcoated", "", ""))
    assert _said(_plan(_factor("grit", "coarse", "fine"), steps=steps)) == []


def test_where_nothing_is_known_the_makers_sheet_is_asked_for() -> None:
    steps = (
        DYED,
        Step("", "waterborne sealer", "sealed", "12 h", ""),
        Step("", "waterborne glaze", "glazed", "", ""),
    )
    asked = _said(_plan(_factor("grit", "coarse", "fine"), steps=steps), "ask")
    (said,) = asked
    assert said.startswith("Nothing is known here of waterborne glaze over waterborne film; check the maker's sheet")


def test_a_dry_that_is_too_short_is_warned_of() -> None:
    def warned(dry: str) -> list[str]:
        steps = (Step("", "gel stain", "glazed", dry, ""), Step("", "waterborne varnish", "topcoated", "", ""))
        return _said(_plan(_factor("grit", "coarse", "fine"), steps=steps), "warn")

    (said,) = warned("24 h")
    assert said.startswith(
        "The steps leave 24 h before waterborne film goes over gel stain, which needs at least 48 h"
    )
    assert warned("72 h") == []


def test_a_powder_whose_type_is_not_said_confounds_carriers() -> None:
    steps = (Step("dye", "powdered dye, as the key says", "dyed", "", ""),)
    (said,) = _said(_plan(_factor("carrier", "water", "alcohol"), steps=steps))
    assert "another carrier then means another powder" in said
    one = (Step("dye", "metal-complex dye concentrate", "dyed", "", ""),)
    assert _said(_plan(_factor("carrier", "water", "alcohol"), steps=one)) == []


def test_names_that_are_not_known_are_listed_and_no_more() -> None:
    plan = _plan(
        _factor("carrier", "water", "xylol"), _factor("species", "lacewood", "silky oak"),
        steps=(Step("top", "moon dust", "topcoated", "", ""),),
    )  # fmt: skip
    found = materials.checks(plan, TABLE)
    assert found.checks == ()
    assert found.unknown == ("xylol", "moon dust")
    (said,) = found.lines()
    assert said.startswith("Not known to the materials file: xylol; moon dust. ")
    assert "[[carrier]] or [[top_coat]]" in said
    assert "every caution that could apply is called" in said


def test_what_is_said_to_write_makes_it_known(tmp_path: Path) -> None:
    """An entry with all the keys that the sentence names."""
    own = _shop(
        tmp_path,
        """
[[top_coat]]
name = "moon dust"
source = "its maker's sheet"
cautions = ["Skin and eyes"]
liquids = ["water"]
coat = "waterborne film, brushed"
surface = "waterborne film"
dry = "4 h"
coverage = "9 m^2/L"
""",
    )
    plan = _plan(_factor("grit", "coarse", "fine"), steps=(Step("top", "moon dust", "topcoated", "", ""),))
    assert materials.checks(plan, own).lines() == []


def test_the_gravest_comes_first() -> None:
    plan = _plan(
        _factor("carrier", "water", "alcohol", "oil"), _factor("seal_coat", "none", "shellac"),
        steps=(Step("dye", "alcohol-soluble powder", "dyed", "", ""), Step("", "waterborne", "topcoated", "", "")),
    )  # fmt: skip
    levels = [check.level for check in materials.checks(plan, TABLE).checks]
    assert levels == sorted(levels, key=["refuse", "warn", "ask"].index)
    assert set(levels) == {"refuse", "warn", "ask"}


def test_the_example_is_spoken_of() -> None:
    found = materials.checks(read_plan(EXAMPLE), TABLE)
    assert found.unknown == ()
    assert {check.level for check in found.checks} == {"warn", "ask"}
    assert any(check.where == "carrier alcohol with seal coat shellac 1 lb cut" for check in found.checks)


@pytest.mark.parametrize("surface", ["water dye", "alcohol or metal-complex dye"])
def test_a_wiped_oil_glaze_over_dye_is_asked_about(surface: str) -> None:
    """Woodworking Network, 2012, says that it lifts; WOODWEB, 2000, has a finisher who does it: excerpts."""
    assert TABLE.over("wiped oil glaze", surface).verdict == "check"


def test_wax_does_not_hold_what_lies_over_it() -> None:
    """WOODWEB, Shellac as a sealer, 2005 (forum, excerpt): it is the bond that fails, nothing is lifted."""
    for coat in ("waterborne film, brushed", "oil varnish or wiping oil", "lacquer, sprayed"):
        over = TABLE.over(coat, "waxed shellac")
        assert over.verdict == "does not hold"
        assert "lift" not in over.why


def test_every_cure_that_advises_spraying_calls_its_caution() -> None:
    advised = [over for over in TABLE.overs if re.search(r"spray|mist", over.cure)]
    assert len(advised) == 3
    for over in advised:
        assert over.cautions == ("Spraying",)
        assert "proper booth" in over.cure


def test_a_steps_material_comes_before_its_name() -> None:
    """The step's name holds a name of its own, ``glaze``, which is one of the oil glaze."""
    step = Step("glaze, wiped back after its dwell", "waterborne glaze", "glazed", "", "")
    found = materials.checks(_plan(_factor("grit", "coarse", "fine"), steps=(step,)), TABLE)
    assert found.unknown == ()
    assert materials.schedule(_plan(steps=(step,)), TABLE).material("glaze", {}).name == "waterborne glaze"


# --- hardeners ---------------------------------------------------------------------------------------------------

WITH_HARDENER = [
    "two-component polyurethane varnish with isocyanate hardener", "acid-cured conversion varnish",
    "2K waterborne polyurethane with hardener", "2K-Lack", "Zweikomponentenlack", "Öl mit Härter", "2-K Wasserlack",
    "precatalysed lacquer", "pre-cat lacquer", "catalyzed lacquer", "post-catalysed varnish", "conversion varnish",
    "two-part epoxy", "epoxy resin", "Epoxidharz", "vernis bi-composant", "vernis avec durcisseur", "vernis époxy",
    "barniz de dos componentes", "barniz con catalizador", "vernice bicomponente", "vernice con indurente",
    "tweecomponentenlak", "lak met verharder", "waterborne film with crosslinker", "oil varnish, 5 % polyisocyanate",
    "wiping oil with accelerator", "TWO PACK LACQUER",
    "moisture-cured polyurethane varnish", "Swedish finish", "feuchtigkeitshärtender Lack", "post-cat lacquer",
    "varnish + Catalyst 10:1", "urea-formaldehyde varnish",
]  # fmt: skip


@pytest.mark.parametrize("text", WITH_HARDENER)
def test_a_hardener_is_never_taken_for_a_plain_finish(text: str) -> None:
    for kind in materials.KINDS:
        assert TABLE.recognise(text, kind) is None
        with pytest.raises(UserError, match=r"is not planned here.*; leave it out of the trial") as caught:
            TABLE.known(text, kind)
        (problem,) = caught.value.problems
        assert repr(text) in problem.what


@pytest.mark.parametrize("text", WITH_HARDENER)
def test_a_hardener_in_a_plan_is_refused_by_name(text: str) -> None:
    for plan, where in (
        (_plan(_factor("grit", "coarse", "fine"), steps=(Step("top coat", text, "topcoated", "", ""),)), "Step"),
        (_plan(_factor("grit", "coarse", "fine"), steps=(Step("top", "varnish", "topcoated", "", text),)), "Step"),
        (_plan(_factor("top_coat", "varnish", text)), "Top coat"),
    ):
        first = materials.checks(plan, TABLE).checks[0]
        assert first.level == "refuse"
        assert str(first).startswith(where)
        assert text in str(first)
        assert first.cautions[0] == "Hardeners, catalysts, isocyanates"
        assert text not in materials.checks(plan, TABLE).unknown
        with pytest.raises(UserError, match="is not planned here"):
            materials.schedule(plan, TABLE).refuse()


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("hardening oil", "wiping oil"),
        ("varnish without hardener", "oil varnish"),
        ("isocyanate-free varnish", "oil varnish"),
        ("varnish, no catalyst", "oil varnish"),
        ("varnish in 2 parts, 2 kg", "oil varnish"),
        ("Lack, formaldehydfrei: lacquer", "lacquer"),
    ],
)
def test_what_says_it_has_no_hardener_is_not_refused(text: str, name: str) -> None:
    assert TABLE.recognise(text, "top coat").name == name


@pytest.mark.parametrize(
    "text",
    [
        "mix 2 parts water, 1 part alcohol", "two coats on each part", "rub out with 2K grit paper", "hardwax oil",
        "hard maple, hardened off", "catalpa", "at 12 k", "1K varnish", "accelerated drying", "härtere Bürste",
    ],
)  # fmt: skip
def test_words_of_the_shop_that_are_no_hardener(text: str) -> None:
    plan = _plan(_factor("grit", "coarse", "fine"), steps=(Step("", "varnish", "topcoated", "", text),))
    assert all(check.level != "refuse" for check in materials.checks(plan, TABLE).checks)


def test_a_level_is_read_with_its_factor() -> None:
    assert _said(_plan(_factor("grit", "1K", "2K")), "refuse") == []
    none, some = "none", "10 %"
    (said,) = _said(_plan(_factor("hardener", none, some)), "refuse")
    assert said.startswith("Hardener: '10 % hardener' tells of a hardener")


def test_an_entry_of_that_very_name_is_known(tmp_path: Path) -> None:
    own = _shop(tmp_path, '[[top_coat]]\nname = "precatalysed lacquer"\ncoat = "lacquer, sprayed"\n')
    assert own.recognise("precatalysed lacquer, two coats", "top coat").name == "precatalysed lacquer"
    assert own.recognise("precatalysed lacquer with hardener", "top coat") is None
    assert own.recognise("catalysed lacquer", "top coat") is None
    plan = _plan(_factor("top_coat", "varnish", "precatalysed lacquer"))
    assert all(check.level != "refuse" for check in materials.checks(plan, own).checks)


# --- a shop's own file -------------------------------------------------------------------------------------------


def _shop(folder: Path, text: str) -> materials.Materials:
    path = folder / "materials.toml"
    path.write_text(text, encoding="utf-8")
    return materials.load(path)


def test_a_shop_overrides_only_what_it_says_and_is_named(tmp_path: Path) -> None:
    own = _shop(
        tmp_path,
        """
[[carrier]]
name = "Water"
coverage = "9 m^2/L"

[[carrier]]
name = "citrus solvent"
also = ["citrus"]
surface = "oil dye"
coverage = { least = "5 m^2/L", usual = "6 m^2/L", source = "measured on six boards" }

[[fit]]
dye = "oil-soluble powder"
carrier = "citrus solvent"
verdict = "fits"
why = "tried"

[[fit]]
dye = "liquid dye concentrate"
carrier = "water"
verdict = "does not"
why = "ours turned to curd in hard water"
""",
    )
    water = own.find("water", "carrier")
    assert water.coverage.usual == pytest.approx(9)
    assert water.coverage.source == "own record, materials.toml"
    assert water.coverage.origin == water.origin == "the shop's own materials.toml"
    assert water.open == TABLE.find("water", "carrier").open
    citrus = own.find("citrus", "carrier")
    assert citrus.coverage.source == "measured on six boards"
    assert own.fit(own.find("oil-soluble powder", "dye"), citrus).verdict == "fits"
    assert len(own.fits) == len(TABLE.fits) + 1
    plan = _plan(
        _factor("carrier", "water", "alcohol"), steps=(Step("dye", "metal-complex dye", "dyed", "", ""),)
    )  # fmt: skip
    (check,) = materials.checks(plan, own).checks
    assert check.level == "refuse"
    assert "in the shop's own materials.toml" in str(check)
    assert materials.load() == TABLE


@pytest.mark.parametrize(
    ("lines", "calls", "not_these"),
    [
        ('name = "moss balm"', {"Spraying", "Oily rags", "Hardeners, catalysts, isocyanates"}, {"Dye powder"}),
        ('name = "moss balm"\ncautions = []', set(), {"Spraying", "Oily rags", "Hardeners, catalysts, isocyanates"}),
        ('name = "moss balm"\ncautions = ["Waste"]', {"Waste"}, {"Spraying"}),
        ('name = "2K balm"\ncautions = []', {"Hardeners, catalysts, isocyanates"}, {"Spraying"}),
        ('name = "balm"\nalso = ["balm and hardener"]\ncautions = []', {"Hardeners, catalysts, isocyanates"}, set()),
        ('name = "oil varnish"', {"Oily rags"}, {"Spraying", "Hardeners, catalysts, isocyanates"}),
    ],
)
def test_an_entry_that_names_no_caution_calls_all_and_a_hardener_always_its_own(
    tmp_path: Path, lines: str, calls: set[str], not_these: set[str]
) -> None:
    own = _shop(tmp_path, f"[[top_coat]]\n{lines}\n")
    entry = own.find(lines.split('"')[1], "top coat")
    assert calls <= set(entry.cautions)
    assert not not_these & set(entry.cautions)


def test_a_shops_new_entry_is_asked_about_where_it_does_not_say(tmp_path: Path) -> None:
    own = _shop(tmp_path, '[[carrier]]\nname = "citrus solvent"\nsurface = "oil dye"\n')
    plan = _plan(_factor("carrier", "citrus solvent", "oil"), steps=(Step("", "oil-soluble dye", "dyed", "", ""),))
    (check,) = materials.checks(plan, own).checks
    assert (check.level, check.where) == ("ask", "carrier citrus solvent")
    assert check.origin == "the shop's own materials.toml"


@pytest.mark.parametrize(
    ("text", "line", "what", "cure"),
    [
        ('[[carier]]\nname = "x"', 1, "there is no [[carier]] in a materials file", "write 'carrier'"),
        ('[[carrier]]\nabout = "x"', 1, "'name' is missing here", 'add name = "…"'),
        ('[[carrier]]\nname = "x"\ncoverge = "5 m^2/L"', 3, "there is no key 'coverge'", "write 'coverage'"),
        ('[[carrier]]\nname = "x"\ncoverage = "5"', 3, "coverage usual: '5' has no unit", "write a coverage"),
        ('[[carrier]]\nname = "x"\ncoverage = "0 m^2/L"', 3, "coverage is zero or negative", "above 0"),
        ('[[carrier]]\nname = "x"\ncoverage = "-2 m^2/L"', 3, "coverage is zero or negative", "above 0"),
        ('[[carrier]]\nname = "x"\ncoverage = 5', 3, "coverage is 5", "least ="),
        ('[[glaze]]\nname = "x"\ndry = { least = "3 h", most = "2 h" }', 3, "does not rise", "put them in order"),
        ('[[glaze]]\nname = "x"\ndry = { usual = "3 L" }', 3, "measures volume, not time", "write a time"),
        ('[[glaze]]\nname = "x"\ndry = { }', 3, "names neither least nor usual nor most", "add one"),
        ('[[glaze]]\nname = "x"\ncautions = ["Oily rag"]', 3, "there is no caution 'Oily rag'", "write 'Oily rags'"),
        ('[[glaze]]\nname = "x"\nliquids = ["acetonne"]', 3, "of a liquid 'acetonne'", "write 'acetone'"),
        (
            '[[over]]\ncoat = "waterborne glaze"\nsurface = "glaze"\nverdict = "fits"\ncautions = ["Spray"]\nwhy="y"',
            5, "there is no caution 'Spray'", "write 'Spraying'",
        ),
        ('[[glaze]]\nname = "x"\n[[glaze]]\nname = "X"', 4, "there are two entries 'X'", "leave one"),
        (
            '[[fit]]\ndye = "x"\ncarrier = "water"\nverdict = "fits"\nwhy = "y"',
            2, "dye is 'x', which is not one of", "write one of",
        ),
        (
            '[[over]]\ncoat = "lacquer, sprayed"\nsurface = "glaze"\nverdict = "fit"\nwhy = "y"',
            4, "verdict is 'fit'", "write 'fits'",
        ),
        (
            '[[carrier]]\nname = "x"\nalso = ["ethanol"]',
            3, "'ethanol' is already a name of 'alcohol'", "take it out",
        ),
        ("[[carrier]\n", 1, "is not TOML", "one key = value a line"),
    ],
)  # fmt: skip
def test_faults_of_a_shops_file(tmp_path: Path, text: str, line: int, what: str, cure: str) -> None:
    with pytest.raises(UserError) as caught:
        _shop(tmp_path, text)
    found = [problem for problem in caught.value.problems if what in problem.what]
    assert len(found) == 1
    assert found[0].line == line
    assert found[0].file == "materials.toml"
    assert cure in found[0].cure


def test_all_faults_are_told_together_and_a_missing_file_by_name(tmp_path: Path) -> None:
    with pytest.raises(UserError) as caught:
        _shop(tmp_path, '[[carrier]]\nname = "x"\ncoverage = "5"\n\n[[glaze]]\nabout = "y"\n')
    assert [problem.line for problem in caught.value.problems] == [3, 5]
    with pytest.raises(UserError, match=r"there is no materials file 'shop\.toml'"):
        materials.load(tmp_path / "shop.toml")
