"""Mixing: what must hold whatever the amounts, what is refused, and the batches of a whole trial."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest
from hypothesis import assume, given, settings
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
@given(st.floats(0.25, 5), st.floats(0.05, 0.95), amounts)
def test_so_much_of_a_thinned_cut_holds_the_flakes_of_a_fresh_one(start: float, part: float, ml: float) -> None:
    found = mixing.recut_to(start, start * part, ml)
    assert found.solution_ml + found.add_ml == pytest.approx(ml)
    assert found.flakes_g == pytest.approx(mixing.shellac(start * part, finished_ml=ml).flakes_g)


@settings(max_examples=100, deadline=None)
@given(st.floats(1e-4, 5), st.sampled_from([0.001, 0.01, 0.1, 1.0]), st.floats(60, 500), st.sampled_from([0.1, 0.5]))
def test_a_stock_brings_the_amount_within_the_error_allowed(
    g: float, balance: float, ml: float, syringe: float
) -> None:
    wanted = mixing.weigh(g, balance)
    assume(not wanted.is_enough)
    tools = mixing.Tools(balance, syringe_ml=syringe)
    try:
        route = mixing.stock_route(wanted, ml, tools)
    except UserError:
        assert syringe == 0.5
        return
    assert route.dye >= wanted.smallest
    assert all(step.take_ml <= step.filled_ml * (1 + 1e-9) for step in route.steps)
    assert route.steps[-1].take_ml + route.add_ml == pytest.approx(ml, abs=0.25 + 1e-9)
    assert route.taken == pytest.approx(g, rel=0.02)
    assert route.error <= 0.02 * (1 + 1e-9)
    if 1000 * g / ml < mixing.SOLUBLE_G_L / 2:
        assert 1000 * route.dye / route.steps[0].filled_ml <= mixing.SOLUBLE_G_L * 1.03


def test_a_very_weak_load_is_thinned_twice_and_not_out_of_litres() -> None:
    """0.05 g/L for 100 mL is 5 mg; by one stock it took 3136 mL of it."""
    route = mixing.stock_route(mixing.weigh(0.005, 0.01), 100)
    assert len(route.steps) == 2
    assert route.made_ml < 200
    assert len(mixing.stock_route(mixing.weigh(0.2, 0.01), 100).steps) == 1


@settings(max_examples=50, deadline=None)
@given(
    st.lists(st.tuples(st.floats(1, 60), st.floats(60, 300)), min_size=2, max_size=5),
    st.sampled_from(["of carrier", "up to"]),
    st.sampled_from(["g/L", "mL/L"]),
)
def test_what_is_taken_of_one_stock_adds_up(wanted, basis, unit) -> None:
    loads = [mixing.read_load(f"{load:.3f} {unit}") for load, _ in wanted]
    volumes = [round(ml) for _, ml in wanted]
    found = mixing.one_stock(loads, volumes, basis, mixing.Tools())
    assert sum(share.take_ml for share in found.shares) <= found.dye.finished_ml + 1e-6
    assert found.dye.finished_ml - sum(share.take_ml for share in found.shares) < 1.2
    for load, ml, share in zip(loads, volumes, found.shares, strict=True):
        thinner = found.dye.load.amount / load.amount
        assert ml - 0.3 <= share.makes_ml <= ml + 0.3 + thinner * (0.1 if share.take_ml <= 20 else 0.5)
        # what the share holds, weighed against a batch of the load made by itself
        held = found.dye.per_litre_finished * share.take_ml / share.makes_ml
        alone = mixing.dye(load, 1000, basis).per_litre_finished
        assert held == pytest.approx(alone, rel=share.error + 1e-9)


def test_one_stock_is_better_where_a_light_weight_is_rounded_more_than_all_its_measures() -> None:
    three = [mixing.read_load(load) for load in ("10 g/L", "20 g/L", "40 g/L")]
    fine, coarse = mixing.Tools(balance_g=0.001), mixing.Tools(balance_g=0.01)
    assert mixing.one_stock(three, [60, 60, 60], "of carrier", coarse).is_better
    assert not mixing.one_stock(three, [60, 60, 60], "of carrier", fine).is_better
    assert not mixing.one_stock(three[1:], [600, 600], "of carrier", coarse).is_better


@settings(max_examples=50, deadline=None)
@given(st.floats(0.001, 1), st.floats(0.001, 0.2), amounts)
def test_the_smallest_amount_is_just_within_the_error(readability: float, allowed: float, grams: float) -> None:
    smallest = mixing.smallest_weighable(readability, allowed)
    assert mixing.weigh(smallest, readability, allowed).doubt == pytest.approx(allowed)
    found = mixing.weigh(grams, readability, allowed)
    assert found.is_enough == (grams >= smallest * (1 - 1e-12))
    assert found.error <= found.doubt * (1 + 1e-6) + 1e-12


# --- words -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("grams", "division", "says"),
    [
        (0.9, 0.01, "0.90 g"),
        (28.3495, 0.01, "28.3 g"),
        (0.9, 0.001, "0.900 g"),
        (6.53, 0.1, "6.5 g"),
        (98.5, 1, "98 g"),
    ],
)
def test_grams_are_written_as_the_balance_shows_them(grams: float, division: float, says: str) -> None:
    assert mixing.grams(grams, division) == says


@pytest.mark.parametrize(
    ("ml", "says"), [(60.0, "60 mL"), (47.3, "47 mL"), (8.57, "8.6 mL"), (946.35, "946 mL"), (9.97, "10 mL")]
)
def test_millilitres_are_written_as_a_beaker_shows_them(ml: float, says: str) -> None:
    assert mixing.millilitres(ml) == says


def test_ounces_say_of_what() -> None:
    assert mixing.in_ounces(28.349523125, "g", "US") == "1.00 oz (weight)"
    assert mixing.in_ounces(946.353, "mL", "US") == "32.0 fl oz"
    assert mixing.in_ounces(1136.5225, "mL", "imperial") == "40.0 fl oz"


def test_a_floor_bites() -> None:
    little = mixing.volume(0.1, 7.36)
    assert little.floor_bites
    assert little.ml == 60
    assert not mixing.volume(1, 7.36).floor_bites


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
        (lambda: mixing.volume(1, 7, waste=-0.1), "a waste of -10 % is no share"),
        (lambda: mixing.volume(1, 7, coats=0), "0 coats is none"),
        (lambda: mixing.retarder(100, 50), "100 % is no share"),
        (lambda: mixing.blend({"alcohol": 3, "retarder": 0}, 50), "the parts of 'retarder' is 0"),
        (lambda: mixing.recut(1, 2, 50), "thinning a 1 lb cut cannot make it 2 lb"),
        (lambda: mixing.stock_route(mixing.weigh(0.1, 0.1), 1), "too small to measure"),
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


@pytest.mark.parametrize(
    ("numbers", "says"),
    [((5, 11), "5, 11"), ((1, 2, 3, 4, 7), "1 to 4, 7"), ((3,), "3"), ((1, 2, 9, 10, 11), "1, 2, 9 to 11")],
)
def test_runs_of_boards_are_closed_up(numbers, says) -> None:
    assert mixing.words.numbered(numbers) == says


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
    made = mixing.batches(PLAN, PATCHES, TABLE, mixing.Settings(balance_g=0.5)).batches
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
        assert "Dye powder" not in batch.cautions
        assert batch.percent == float(levels["retarder"].split()[0])
        if batch.percent:
            slow, alcohol = batch.mixture.parts
            assert (slow.what, alcohol.what) == ("retarder", "alcohol")
            assert slow.amount == pytest.approx(0.05 * batch.made_ml)
            assert slow.amount + alcohol.amount == pytest.approx(batch.made_ml)


def test_a_layout_read_from_csv_gives_the_same(tmp_path) -> None:
    PATCHES.to_csv(tmp_path / "layout.csv", index=False)
    read = pd.read_csv(tmp_path / "layout.csv")
    assert mixing.batches(PLAN, read, TABLE) == mixing.batches(PLAN, PATCHES, TABLE)


def test_a_batch_is_a_line_and_two_at_most_where_it_cannot_be_weighed() -> None:
    made = mixing.batches(PLAN, PATCHES, TABLE)
    said = mixing.words.lines(made)
    assert len(said) == len(made.batches) + 1  # and one note
    on = mixing.words.numbered(made.batches[0].boards)
    assert said[0] == f"Boards {on}: 0.90 g dye in 60 mL water (15 g/L)."
    assert said[4].startswith("8 lanes on all 8 boards: 6.59 g shellac flakes in 55 mL alcohol")
    assert said[5].endswith("mL oil glaze, as it comes.")
    assert "mL oil varnish, 2 coats, as it comes." in said[6]
    assert set(made.cautions) <= set(materials.CAUTIONS)
    coarse = mixing.batches(PLAN, PATCHES, TABLE, mixing.Settings(balance_g=0.5))
    assert all(len(mixing.words.of_batch(coarse, at)) <= 2 for at in range(1, 8))
    assert "0.9 g dye in 60 mL water (15 g/L) is too little to weigh, so:" in mixing.words.of_batch(coarse, 1)[0]


def test_several_loads_of_one_dye_in_a_carrier_are_offered_from_one_stock() -> None:
    loads = Factor("dye_load", ("10 g/L", "20 g/L", "40 g/L"), "board", (10.0, 20.0, 40.0), "g/L")
    plan = replace(
        PLAN, factors=(PLAN.factors[0], loads), controls=(), steps=PLAN.steps[:1], boards=replace(BOARDS, lots=(12,))
    )
    patches = lay_out(plan, 2).patches
    made = mixing.batches(plan, patches, TABLE)
    assert [(offer.numbers, offer.carrier) for offer in made.stocks] == [((1, 2, 3), "water"), ((4, 5, 6), "alcohol")]
    for offer in made.stocks:
        for number, share in zip(offer.numbers, offer.stock.shares, strict=True):
            batch = made.batches[number - 1]
            assert dict(batch.levels)["dye_load"] == share.load.text
            assert share.makes_ml == pytest.approx(batch.made_ml, abs=1)
    assert not mixing.batches(plan, patches, TABLE, mixing.Settings(balance_g=0.001)).stocks
    coarse = mixing.batches(plan, patches, TABLE, mixing.Settings(balance_g=0.05))
    assert "by way of the stock below" in mixing.words.of_batch(coarse, 1)[0]
    assert all(batch.stock is None for batch in coarse.batches)


def test_what_may_not_dissolve_and_what_was_read_as_us_is_said_once() -> None:
    loads = Factor("dye_load", ("1 oz (weight)/qt", "2 oz (weight)/qt"), "board", (29.957, 59.914), "g/L")
    plan = replace(PLAN, factors=(PLAN.factors[0], loads), controls=(), steps=PLAN.steps[:1])
    said = mixing.words.lines(mixing.batches(plan, lay_out(plan, 2).patches, TABLE))
    assert said[-2:] == [
        "2 oz (weight)/qt may be more than dissolves: let it settle and filter it.",
        "Read as 1 oz (weight)/qt, 2 oz (weight)/qt (US; write 'imp qt' for imperial).",
    ]


def test_an_entry_of_the_shops_own_without_a_coverage_goes_as_far_as_others(tmp_path) -> None:
    own = tmp_path / "materials.toml"
    own.write_text(
        '[[top_coat]]\nname = "moon dust"\n[[top_coat]]\nname = "sun dust"\ncoverage = { most = "9 m^2/L" }\n'
    )
    for dust in ("moon dust", "sun dust"):
        plan = replace(PLAN, steps=(*PLAN.steps[:3], Step("top coat", dust, "topcoated", "", "")))
        (batch,) = (b for b in mixing.batches(plan, PATCHES, materials.load(own)).batches if b.kind == "top coat")
        assert (batch.what, batch.coverage_source) == (dust, "of what is not known, as for others of its kind")
        assert batch.volume.coverage_m2_l == pytest.approx(9.82, abs=0.005)


def test_ready_made_stains_are_used_as_they_come() -> None:
    stains = Factor("stain", ("walnut gel stain", "brown stain"), "board")  # neither load nor coverage is said
    plan = replace(PLAN, factors=(stains,), controls=(), steps=(Step("stain", "as the key says", "dyed", "", ""),))
    made = mixing.batches(plan, lay_out(plan, 2).patches, TABLE)
    assert [batch.what for batch in made.batches] == ["walnut gel stain", "brown stain"]
    assert [line.split(": ")[1] for line in mixing.words.lines(made)[:2]] == [
        "60 mL walnut gel stain, as it comes.",
        "60 mL brown stain, as it comes.",
    ]
    assert all(batch.cautions for batch in made.batches)


@pytest.mark.parametrize("name", ["dye", "dye_colour", "stain"])
def test_a_factor_called_after_a_material_gets_a_batch_a_level_known_or_not(name: str) -> None:
    colours = Factor(name, ("walnut", "mahogany"), "board")
    plan = replace(PLAN, factors=(colours, PLAN.factors[1]), controls=(), steps=PLAN.steps[:1])
    made = mixing.batches(plan, lay_out(plan, 2).patches, TABLE)
    assert [batch.what for batch in made.batches][::2] == ["walnut in carrier", "mahogany in carrier"]
    assert ": 0.90 g dye in 60 mL carrier (walnut, 15 g/L)." in mixing.words.lines(made)[0]


def test_a_load_for_another_kind_of_dye_is_refused() -> None:
    poured = replace(PLAN, steps=(Step("dye", "metal-complex dye", "dyed", "", ""), *PLAN.steps[1:]))
    with pytest.raises(UserError, match="liquid dye concentrate is measured by volume, and its load is '15 g/L'"):
        mixing.batches(poured, PATCHES, TABLE)


def test_what_is_not_known_is_mixed_under_the_plans_own_name() -> None:
    unknown = replace(PLAN.factors[0], levels=("water with retarder", "moon juice"))
    steps = (*PLAN.steps[:3], Step("top coat", "moon dust", "topcoated", "", ""))
    plan = replace(PLAN, factors=(unknown, *PLAN.factors[1:]), steps=steps)
    patches = PATCHES.replace({"carrier": {"water": "water with retarder", "alcohol": "moon juice"}})
    made = mixing.batches(plan, patches, TABLE)
    said = mixing.words.lines(made)
    assert ": 0.90 g dye in 60 mL water with retarder (15 g/L)." in said[0]
    assert ": 1.80 g dye in 60 mL moon juice (30 g/L)." in said[3]
    assert "mL moon dust, as it comes." in said[6]
    # as for the others of its kind: 300 and 400 ft2/gal
    assert made.batches[0].volume.coverage_m2_l == pytest.approx(7.36, abs=0.005)
    assert made.batches[6].volume.coverage_m2_l == pytest.approx(9.82, abs=0.005)
    assert "as for others of its kind" in made.batches[6].coverage_source
    assert set(made.batches[2].cautions) > {"Dye powder", "Spraying", "Oily rags"}


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
