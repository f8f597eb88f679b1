"""Mixing: what must hold whatever the amounts, what is refused, and the batches of a whole trial."""

from __future__ import annotations

import re
from dataclasses import replace
from math import sqrt

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trials import materials, mixing
from trials.design import lay_out
from trials.errors import UserError
from trials.plan import Boards, Control, Factor, Plan, Step

amounts = st.floats(0.01, 1e4)
shares = st.floats(0.1, 90)
TABLE = materials.load()

# --- what must hold ----------------------------------------------------------------------------------------------


@settings(max_examples=50, deadline=None)
@given(amounts, st.floats(0.5, 50), st.floats(1.1, 20))
def test_volume_goes_with_area_and_against_coverage(area: float, spread: float, times: float) -> None:
    one = mixing.volume(area, spread, floor_ml=0)
    assert mixing.volume(area * times, spread, floor_ml=0).ml == pytest.approx(one.ml * times)
    assert mixing.volume(area, spread * times, floor_ml=0).ml == pytest.approx(one.ml / times)
    assert mixing.volume(area, spread, coats=3, floor_ml=0).ml == pytest.approx(3 * one.ml)
    assert mixing.volume(area, spread, floor_ml=0, waste=0).ml == pytest.approx(one.exact_ml)


@settings(max_examples=50, deadline=None)
@given(st.floats(0.5, 200), amounts)
def test_dye_of_carrier_and_up_to_turn_into_each_other(load: float, ml: float) -> None:
    of_carrier = mixing.dye(f"{load:.6f} g/L", ml)
    same = mixing.dye(f"{of_carrier.per_litre_finished:.12f} g/L", of_carrier.finished_ml, "up to")
    assert same.dye == pytest.approx(of_carrier.dye, rel=1e-6)
    assert same.carrier_ml == pytest.approx(of_carrier.carrier_ml, rel=1e-6)


@settings(max_examples=50, deadline=None)
@given(shares, amounts)
def test_a_share_of_the_total_and_one_on_top_turn_into_each_other(percent: float, ml: float) -> None:
    assert mixing.on_top_to_total(mixing.total_to_on_top(percent)) == pytest.approx(percent)
    found = mixing.retarder(percent, ml)
    assert found.retarder_ml + found.base_of_total_ml == pytest.approx(ml)
    added = found.to_add_for_of_total_ml
    assert 100 * added / (ml + added) == pytest.approx(percent)
    on_top = mixing.on_top_to_total(percent) / 100
    assert on_top * found.total_on_top_ml == pytest.approx(found.retarder_ml)


@settings(max_examples=50, deadline=None)
@given(st.lists(amounts, min_size=1, max_size=6), amounts, st.floats(0.1, 10))
def test_parts_make_the_whole_and_only_their_ratios_count(parts: list[float], ml: float, times: float) -> None:
    named = {f"liquid {at}": part for at, part in enumerate(parts)}
    found = mixing.blend(named, ml)
    assert sum(found.volumes_ml) == pytest.approx(ml)
    assert sum(found.shares) == pytest.approx(1)
    scaled = mixing.blend({name: part * times for name, part in named.items()}, ml)
    assert scaled.volumes_ml == pytest.approx(found.volumes_ml)


@settings(max_examples=50, deadline=None)
@given(st.floats(0.25, 5), st.floats(0.05, 0.95), amounts)
def test_thinning_keeps_the_flakes_and_ends_at_the_cut(start: float, part: float, ml: float) -> None:
    found = mixing.recut(start, start * part, ml)
    fresh = mixing.shellac(start * part, alcohol_ml=found.target.alcohol_ml)
    assert found.target.flakes_g == pytest.approx(found.flakes_g)
    assert found.target.finished_ml == pytest.approx(ml + found.add_ml)
    assert found.target.solids_percent == pytest.approx(fresh.solids_percent)
    assert found.mixed_per_part < found.per_part < found.naive_per_part


@settings(max_examples=50, deadline=None)
@given(st.floats(0.25, 5), amounts)
def test_a_cut_by_its_finished_volume(cut: float, ml: float) -> None:
    assert mixing.shellac(cut, finished_ml=ml).finished_ml == pytest.approx(ml)


@settings(max_examples=50, deadline=None)
@given(amounts, st.integers(1, 8), amounts)
def test_dilutions_leave_what_is_wanted_of_each(start: float, levels: int, ml: float) -> None:
    series = mixing.half_steps(start, levels, ml, 0.03)
    chain = series.one_after_other
    for at, level in enumerate(chain):
        taken = chain[at + 1].stock_ml if at + 1 < levels else 0.0
        assert level.stock_ml + level.carrier_ml - taken == pytest.approx(ml)
        assert level.error == pytest.approx(0.03 * sqrt(at))
        straight = series.straight[at]
        assert straight.load * ml == pytest.approx(start * straight.stock_ml)
        assert straight.stock_ml + straight.carrier_ml == pytest.approx(ml)


@settings(max_examples=50, deadline=None)
@given(st.floats(0.05, 5), st.sampled_from([0.01, 0.1, 1.0]), st.floats(60, 500))
def test_a_stock_brings_the_amount_within_the_error_allowed(grams: float, readability: float, ml: float) -> None:
    wanted = mixing.weigh(grams, readability)
    route = mixing.stock_route(wanted, ml, measure_ml=0.5)
    assert route.dye >= wanted.smallest
    assert route.take_ml <= route.stock_ml * (1 + 1e-9)
    assert route.take_ml + route.add_ml == pytest.approx(ml)
    assert route.taken == pytest.approx(grams, rel=0.02)
    assert route.error <= 0.02 * (1 + 1e-9)
    if 1000 * grams / ml < mixing.SOLUBLE_G_L / 2:
        assert 1000 * route.dye / route.stock_ml <= mixing.SOLUBLE_G_L * 1.02


@settings(max_examples=50, deadline=None)
@given(st.floats(0.001, 1), st.floats(0.001, 0.2), amounts)
def test_the_smallest_amount_is_just_within_the_error(readability: float, allowed: float, grams: float) -> None:
    smallest = mixing.smallest_weighable(readability, allowed)
    assert mixing.weigh(smallest, readability, allowed).doubt == pytest.approx(allowed)
    found = mixing.weigh(grams, readability, allowed)
    assert found.is_enough == (grams >= smallest * (1 - 1e-12))
    assert found.error <= found.doubt * (1 + 1e-6) + 1e-12


# --- words -------------------------------------------------------------------------------------------------------


def _bare_ounces(lines: list[str]) -> list[str]:
    return [line for line in lines if re.search(r"(?<!US fl )(?<!imperial fl )\boz\b(?! by weight)", line)]


def test_an_ounce_always_says_of_what() -> None:
    wanted = mixing.weigh(0.2, 0.1)
    said = [
        *mixing.volume(0.5, 7).lines(),
        *mixing.dye("1 oz (weight)/qt", 500).lines(),
        *mixing.dye("30 mL/L", 500, "up to").lines(),
        *mixing.blend({"alcohol": 3, "retarder": 1}, 100).lines(),
        *mixing.retarder(5, 500, "30 g/L").lines(),
        *mixing.shellac(1, alcohol_ml=100).lines(),
        *mixing.recut(2, 1, 100).lines(),
        *mixing.half_steps(60, 4, 100).lines(),
        *wanted.lines(),
        *mixing.stock_route(wanted, 100, measure_ml=0.5).lines(),
    ]
    assert not _bare_ounces(said)
    assert _bare_ounces(["1 oz of it"])
    assert sum("mL" in line and "US fl oz" in line and "imperial fl oz" in line for line in said) > 10


def test_figures_are_written_with_three_digits() -> None:
    assert mixing.volume_words(94.635) == "94.6 mL (3.20 US fl oz, 3.33 imperial fl oz)"
    assert mixing.mass_words(2.835) == "2.83 g (0.100 oz by weight)"
    assert mixing.volume_words(12345).startswith("12345 mL (417 US fl oz")
    assert mixing.area_words(0.81) == "0.810 m² (8.72 ft²)"


def test_a_floor_that_bites_is_said() -> None:
    little = mixing.volume(0.1, 7.36)
    assert little.floor_bites
    assert little.ml == 60
    assert "less than is worth mixing" in "\n".join(little.lines())
    assert "less than is worth mixing" not in "\n".join(mixing.volume(1, 7.36).lines())


def test_a_strong_powder_is_warned_of() -> None:
    assert "more than dissolves" in "\n".join(mixing.dye("2 oz (weight)/qt", 500).lines())
    assert "more than dissolves" not in "\n".join(mixing.dye("1 oz (weight)/qt", 500).lines())


# --- what is refused ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: mixing.read_load("1 oz/qt"), "does not say whether the ounce is one of weight or of fluid"),
        (lambda: mixing.read_load("30"), "has no unit"),
        (lambda: mixing.read_load("30 mL/kg"), "measures mass, not volume"),
        (lambda: mixing.read_load("0 g/L"), "is 0; write an amount above 0"),
        (lambda: mixing.read_load("100 %"), "leaves no room for the carrier"),
        (lambda: mixing.volume(1, 0), "the coverage is 0; write an amount above 0"),
        (lambda: mixing.volume(1, -3), "the coverage is -3; write an amount above 0"),
        (lambda: mixing.volume(1, float("nan")), "the coverage is nan"),
        (lambda: mixing.volume(1, "7 L"), "measures volume, not spread"),
        (lambda: mixing.volume(1, 7, waste=-0.1), "a waste of -0.1 is no share"),
        (lambda: mixing.volume(1, 7, coats=0), "0 coats is none"),
        (lambda: mixing.retarder(100, 50), "100 % is no share"),
        (lambda: mixing.blend({"alcohol": 3, "retarder": 0}, 50), "the parts of 'retarder' is 0"),
        (lambda: mixing.recut(1, 2, 50), "thinning a 1 lb cut cannot make it 2 lb"),
        (lambda: mixing.stock_route(mixing.weigh(0.1, 0.1), 5, measure_ml=0.5), "too small to be measured"),
    ],
)
def test_bad_input_gets_one_sentence(call, says) -> None:
    with pytest.raises(UserError) as caught:
        call()
    assert len(caught.value.problems) == 1
    assert says in str(caught.value)


def test_programmers_mistakes() -> None:
    with pytest.raises(ValueError, match="basis"):
        mixing.dye("30 g/L", 100, "on top")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="alcohol_ml or finished_ml"):
        mixing.shellac(1)


# --- a trial's batches -------------------------------------------------------------------------------------------

BOARDS = Boards((8,), 480, 150, 2, 4, 5, 3, 20)
PLAN = Plan(
    title="Counter in quartersawn lacewood (invented)",
    wood="lacewood",
    about="",
    boards=BOARDS,
    factors=(
        Factor("carrier", ("water", "alcohol"), "board"),
        Factor("dye_load", ("15 g/L", "30 g/L"), "board", (15.0, 30.0), "g/L"),
        Factor("seal_coat", ("none", "shellac 1 lb cut"), "lane"),
        Factor("glaze_dwell", ("3 min", "6 min", "12 min"), "strip", (3.0, 6.0, 12.0), "min"),
    ),
    controls=(Control("bare, top coat only", "strip", 1),),
    steps=(
        Step("dye", "powdered dye in water or alcohol, as the key says", "dyed", "24 h", ""),
        Step("seal coat on the sealed lanes", "dewaxed shellac in alcohol", "sealed", "2 h", ""),
        Step("glaze", "oil glaze", "glazed", "48 h", ""),
        Step("top coat", "oil varnish, two coats", "topcoated", "48 h", ""),
    ),
)
PATCHES = lay_out(PLAN, 7).patches
FACE = 460 * 150
PATCH = BOARDS.patch_length_mm * BOARDS.patch_width_mm


def _batches(**changed) -> dict[tuple[str, ...], mixing.Batch]:
    made = mixing.batches(PLAN, PATCHES, TABLE, mixing.Settings(floor_ml=0, **changed))
    assert made.left_out == ()
    return {(batch.kind, *(level for _, level in batch.levels)): batch for batch in made.batches}


def test_each_liquid_of_its_own_gets_a_batch() -> None:
    assert list(_batches()) == [
        ("dye", "water", "15 g/L"),
        ("dye", "water", "30 g/L"),
        ("dye", "alcohol", "15 g/L"),
        ("dye", "alcohol", "30 g/L"),
        ("seal coat", "shellac 1 lb cut"),
        ("glaze",),
        ("top coat",),
    ]


def test_dye_on_boards_covers_the_face_less_label_end_and_controls() -> None:
    found = _batches()["dye", "water", "30 g/L"]
    carrying = PATCHES[(PATCHES["carrier"] == "water") & (PATCHES["dye_load"] == "30 g/L")]
    assert found.boards == tuple(sorted(carrying["board"].unique()))
    assert found.volume.area_m2 == pytest.approx(2 * (FACE - 2 * PATCH) / 1e6)
    # 300 square feet a US gallon: NIST Handbook 44, appendix C
    assert found.volume.coverage_m2_l == pytest.approx(300 * 0.09290304 / 3.785411784)
    assert found.recipe.dye == pytest.approx(0.030 * found.made_ml)
    assert "Dye powder" in found.cautions


def test_a_seal_coat_on_lanes_covers_lanes_with_the_guards_they_run_over() -> None:
    found = _batches()["seal coat", "shellac 1 lb cut"]
    lane = (460 - 2 * 5) * BOARDS.patch_width_mm
    assert len(found.pieces) == 8
    assert found.volume.area_m2 == pytest.approx(8 * (lane - PATCH) / 1e6)
    assert found.what == "dewaxed shellac, 1 lb cut"
    assert found.recipe.cut_lb == 1
    assert found.recipe.finished_ml >= found.volume.ml
    assert "Alcohol and other solvents" in found.cautions


def test_what_no_factor_varies_covers_the_boards_and_the_top_coat_the_controls_too() -> None:
    found = _batches()
    assert found["glaze",].volume.area_m2 == pytest.approx(8 * (FACE - 2 * PATCH) / 1e6)
    assert found["top coat",].volume.area_m2 == pytest.approx(8 * FACE / 1e6)
    assert found["top coat",].volume.coats == 2
    assert "Oily rags" in found["top coat",].cautions


def test_areas_of_lanes_strips_and_patches() -> None:
    for laid_on, area in (
        ("strip", BOARDS.patch_length_mm * (150 - 2 * 5)),
        ("patch", PATCH),
        ("lane", (460 - 2 * 5) * BOARDS.patch_width_mm),
    ):
        factor = Factor("top_coat", ("oil varnish", "lacquer"), laid_on)
        plan = replace(PLAN, factors=(factor,), controls=(), steps=())
        patches = lay_out(plan, 3).patches
        made = mixing.batches(plan, patches, TABLE).batches
        assert [batch.what for batch in made] == ["oil varnish", "lacquer"]
        for batch in made:
            assert batch.volume.area_m2 == pytest.approx(len(batch.pieces) * area / 1e6)
        number = {"strip": 8 * 4, "patch": 8 * 8, "lane": 8 * 2}[laid_on]
        assert sum(len(batch.pieces) for batch in made) == number


def test_volumes_are_rounded_up_to_what_can_be_measured() -> None:
    for batch in _batches(measure_ml=2.0).values():
        assert batch.made_ml >= batch.volume.ml - 1e-9
        assert batch.made_ml - batch.volume.ml < 2
        assert batch.made_ml % 2 == pytest.approx(0, abs=1e-9)


def test_a_coarse_balance_takes_the_way_over_a_stock() -> None:
    made = mixing.batches(PLAN, PATCHES, TABLE, mixing.Settings(balance_g=0.1)).batches
    weak = next(batch for batch in made if ("dye_load", "15 g/L") in batch.levels)
    assert not weak.weighing.is_enough
    assert weak.stock.taken == pytest.approx(weak.recipe.dye, rel=0.02)
    fine = mixing.batches(PLAN, PATCHES, TABLE, mixing.Settings(balance_g=0.001)).batches
    assert all(batch.stock is None for batch in fine)


def test_settings_override_the_table() -> None:
    found = _batches(coverage={"dye": 5.0}, coats={"dye": 3}, waste=0.5, basis="up to")
    dye = found["dye", "alcohol", "15 g/L"]
    assert (dye.volume.coverage_m2_l, dye.volume.coats, dye.volume.waste) == (5.0, 3, 0.5)
    assert dye.coverage_source == "as given for this trial"
    assert dye.recipe.carrier_ml < dye.made_ml
    with pytest.raises(UserError, match="the coverage is 0"):
        mixing.batches(PLAN, PATCHES, TABLE, mixing.Settings(coverage={"dye": 0.0}))


def test_concentrate_is_measured_and_retarder_is_of_the_total() -> None:
    plan = replace(
        PLAN,
        factors=(
            Factor("retarder", ("0 %", "5 %"), "board", (0.0, 5.0), "percent"),
            Factor("dye_load", ("1 fl oz/qt", "2 fl oz/qt"), "board"),
        ),
        controls=(),
        steps=(Step("dye", "metal-complex dye concentrate in alcohol", "dyed", "", ""),),
    )
    made = mixing.batches(plan, lay_out(plan, 1).patches, TABLE).batches
    assert len(made) == 4
    for batch in made:
        levels = dict(batch.levels)
        assert batch.what == "liquid dye concentrate in alcohol"
        assert batch.recipe.load.measured == "by volume"
        assert (batch.retarder is not None) == (levels["retarder"] == "5 %")
        assert "Dye powder" not in batch.cautions
        if batch.retarder:
            assert batch.retarder.base_of_total_ml == pytest.approx(0.95 * batch.made_ml)
            assert "OF THE TOTAL" in "\n".join(batch.lines())


def test_a_layout_read_from_csv_gives_the_same(tmp_path) -> None:
    PATCHES.to_csv(tmp_path / "layout.csv", index=False)
    read = pd.read_csv(tmp_path / "layout.csv")
    assert mixing.batches(PLAN, read, TABLE) == mixing.batches(PLAN, PATCHES, TABLE)


def test_no_quantity_of_a_batch_says_a_bare_ounce() -> None:
    made = mixing.batches(PLAN, PATCHES, TABLE, mixing.Settings(balance_g=0.1))
    assert not _bare_ounces(made.lines())
    assert set(made.cautions) <= set(materials.CAUTIONS)


def test_what_cannot_be_mixed_is_refused_or_said() -> None:
    unknown = replace(PLAN.factors[0], levels=("watre", "alcohol"))
    plan = replace(PLAN, factors=(unknown, *PLAN.factors[1:]))
    patches = PATCHES.replace({"carrier": {"water": "watre"}})
    with pytest.raises(UserError, match="carrier 'watre' is not known to the materials file; write 'water'"):
        mixing.batches(plan, patches, TABLE)
    poured = replace(PLAN, steps=(Step("dye", "metal-complex dye", "dyed", "", ""), *PLAN.steps[1:]))
    with pytest.raises(UserError, match="liquid dye concentrate is measured by volume, and its load is '15 g/L'"):
        mixing.batches(poured, PATCHES, TABLE)
    odd = replace(PLAN, steps=(*PLAN.steps[:3], Step("top coat", "moon dust", "topcoated", "", "")))
    made = mixing.batches(odd, PATCHES, TABLE)
    assert any("moon dust" in line for line in made.left_out)
    assert not any(batch.kind == "top coat" for batch in made.batches)


def test_what_a_recipe_waits_for_is_said() -> None:
    plan = replace(
        PLAN,
        factors=(Factor("carrier", ("water", "alcohol"), "board"), Factor("seal_coat", ("no", "yes"), "lane")),
        steps=(
            Step("dye", "powdered dye", "dyed", "", ""), Step("seal", "sprayed dewaxed shellac", "sealed", "", ""),
        ),
        controls=(),
    )  # fmt: skip
    patches = lay_out(plan, 5).patches
    waiting = mixing.batches(plan, patches, TABLE).batches
    assert [batch.lacking for batch in waiting] == [
        "The plan gives no dye load, so the dye is not reckoned.",
        "The plan gives no dye load, so the dye is not reckoned.",
        "The plan gives no pound cut, so the flakes are not reckoned.",
    ]
    assert waiting[2].cautions[-1] == "Spraying"
    given_load = mixing.batches(plan, patches, TABLE, mixing.Settings(load="15 g/L")).batches
    assert given_load[0].recipe.dye == pytest.approx(0.015 * given_load[0].made_ml)
    assert given_load[0].lacking == ""
