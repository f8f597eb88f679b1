"""Mixing arithmetic against published factors and hand-reckoned tables of the trade.

Factors: NIST Handbook 44, appendix C, "General tables of units of measurement", and NIST SP 811, appendix B.8.
Tables marked "own arithmetic" were reckoned by hand from those factors; half a unit of the last digit is allowed.
"""

from __future__ import annotations

import pytest

from trials import mixing


def test_factors_of_handbook_44() -> None:
    """NIST Handbook 44, appendix C; quart, pint and fluid ounce in mL follow from 231 cubic inches."""
    assert mixing.OZ_G == 28.349523125
    assert pytest.approx(16 * mixing.OZ_G, rel=1e-15) == mixing.LB_G
    assert pytest.approx(231 * 25.4**3 / 1000, rel=1e-12) == mixing.US_GAL_ML
    assert pytest.approx(946.352946, abs=5e-7) == mixing.US_QT_ML
    assert pytest.approx(473.176473, abs=5e-7) == mixing.US_QT_ML / 2
    assert mixing.US_FL_OZ_ML == 29.5735295625
    assert pytest.approx(568.26125, rel=1e-12) == mixing.IMPERIAL_GAL_ML / 8
    assert pytest.approx(28.4130625, rel=1e-12) == mixing.IMPERIAL_FL_OZ_ML
    assert pytest.approx((12 * 0.0254) ** 2, rel=1e-12) == mixing.FT2_M2
    # own arithmetic
    assert pytest.approx(1.200950, abs=5e-7) == mixing.IMPERIAL_GAL_ML / 8 / (mixing.US_QT_ML / 2)
    assert pytest.approx(0.960760, abs=5e-7) == mixing.IMPERIAL_FL_OZ_ML / mixing.US_FL_OZ_ML


@pytest.mark.parametrize(
    ("written", "grams_a_litre"),
    [
        ("1 oz (weight)/gal", 7.489),
        ("0.5 oz (weight)/qt", 14.978),
        ("1 oz (weight)/qt", 29.957),
        ("0.5 oz (weight)/pt", 29.957),
        ("4 oz (weight)/gal", 29.957),
        ("1.5 oz (weight)/qt", 44.935),
        ("2 oz (weight)/qt", 59.913),
        ("1 oz (weight)/US pt", 59.913),
        ("1 oz (weight)/imperial pt", 49.888),
        ("1 oz (weight)/imperial qt", 24.944),
    ],
)
def test_dye_loads(written: str, grams_a_litre: float) -> None:
    """Own arithmetic."""
    load = mixing.read_load(written)
    assert load.measured == "by mass"
    assert load.amount == pytest.approx(grams_a_litre, abs=5e-4)


def test_a_gram_a_litre_in_ounces() -> None:
    """Own arithmetic: 1 g/L is 0.033382 oz by weight a US quart."""
    assert pytest.approx(0.033382, abs=5e-7) == mixing.US_QT_ML / 1000 / mixing.OZ_G
    a_quart = mixing.read_load("29.957 g/L").amount * mixing.US_QT_ML / 1000
    assert mixing.in_ounces(a_quart, "g", "US") == "1.00 oz (weight)"


def test_concentrate_by_the_fluid_ounce() -> None:
    """Own arithmetic: 1 US fl oz a US quart is 31.25 mL a litre of carrier, 3.030 % of the whole."""
    load = mixing.read_load("1 fl oz/US qt")
    assert load.measured == "by volume"
    assert load.amount == pytest.approx(31.25)
    made = mixing.dye(load, 1000)
    assert 100 * made.dye / made.finished_ml == pytest.approx(3.030, abs=5e-4)
    assert mixing.read_load("1 imperial fl oz/imperial qt").amount == pytest.approx(25)


def test_of_carrier_and_up_to_differ_by_two_per_cent() -> None:
    """Own arithmetic: at 30 g/L and an assumed density of 1.5 g/mL."""
    assert mixing.dye("30 g/L", 1000).difference == pytest.approx(0.02, abs=5e-4)


def test_balance() -> None:
    """Own arithmetic: on 3.00 g a balance of 1 g may be 17 % off, one of 0.01 g stays within 0.3 %."""
    assert mixing.weigh(3, 1).doubt == pytest.approx(0.17, abs=5e-3)
    assert mixing.weigh(3, 0.01).doubt <= 0.003
    assert mixing.weigh(3, 0.01).is_enough
    assert not mixing.weigh(3, 1).is_enough


@pytest.mark.parametrize(
    ("percent", "on_top_total", "share_of_total", "to_add"),
    [(2, 1020, 1.961, 20.41), (5, 1050, 4.762, 52.63), (10, 1100, 9.091, 111.11), (20, 1200, 16.667, 250.00)],
)
def test_retarder_both_ways(percent: float, on_top_total: float, share_of_total: float, to_add: float) -> None:
    """Own arithmetic, for a litre."""
    found = mixing.retarder(percent, 1000)
    assert found.retarder_ml == pytest.approx(10 * percent)
    assert found.base_of_total_ml == pytest.approx(1000 - 10 * percent)
    assert found.total_on_top_ml == pytest.approx(on_top_total)
    assert mixing.on_top_to_total(percent) == pytest.approx(share_of_total, abs=5e-4)
    assert found.to_add_for_of_total_ml == pytest.approx(to_add, abs=5e-3)


def test_retarder_on_a_quart_and_on_ready_dye() -> None:
    """Own arithmetic: 5 % on a US quart; 29.957 g/L falls to 28.530 g/L."""
    found = mixing.retarder(5, mixing.US_QT_ML, "1 oz (weight)/qt")
    assert found.retarder_ml == pytest.approx(47.3, abs=0.05)
    assert found.base_of_total_ml == pytest.approx(899.0, abs=0.05)
    assert found.total_on_top_ml == pytest.approx(993.7, abs=0.05)
    assert found.load_on_top == pytest.approx(28.530, abs=5e-4)
    assert mixing.per_cent(1 - found.load_on_top / found.load.amount) == "4.8 %"


def test_parts() -> None:
    """Own arithmetic: 3 : 1 : 0.2."""
    found = mixing.blend({"alcohol": 3, "lacquer thinner": 1, "retarder": 0.2}, 100)
    assert [100 * share for share in found.shares] == pytest.approx([71.43, 23.81, 4.76], abs=5e-3)


@pytest.mark.parametrize(
    ("cut", "flakes", "solids", "finished_gal", "per_litre"),
    [
        (0.5, 59.9, 7.0, 1.05, 57),
        (1, 119.8, 13.0, 1.11, 108),
        (1.5, 179.7, 18.3, 1.16, 155),
        (2, 239.7, 23.1, 1.22, 197),
        (3, 359.5, 31.0, 1.32, 272),
    ],
)
def test_pound_cuts(cut: float, flakes: float, solids: float, finished_gal: float, per_litre: float) -> None:
    """Own arithmetic; densities of flakes (1.11) and alcohol (0.80 g/mL) from memory."""
    made = mixing.shellac(cut, alcohol_ml=1000)
    assert made.flakes_g == pytest.approx(flakes, abs=0.05)
    # the 2 lb row reads 23.05 before rounding
    assert made.solids_percent == pytest.approx(solids, abs=0.0501)
    assert made.finished_ml / 1000 == pytest.approx(finished_gal, abs=5e-3)
    assert made.g_per_l_finished == pytest.approx(per_litre, abs=0.5)


def test_small_batches_of_shellac() -> None:
    """A supplier's shellac mixing chart, rev. 2013: a 1 lb cut is 4 oz weight a US quart, 1 oz a cup of alcohol."""
    assert mixing.shellac(1, alcohol_ml=mixing.US_QT_ML).flakes_g == pytest.approx(4 * mixing.OZ_G)
    assert mixing.shellac(1, alcohol_ml=mixing.US_QT_ML / 4).flakes_g == pytest.approx(mixing.OZ_G)


def test_two_pounds_in_a_gallon_make_a_fifth_more() -> None:
    """Two pounds take up about 20 %: note to a Fine Woodworking cut-conversion chart, in a reader's blog."""
    made = mixing.shellac(2, alcohol_ml=mixing.US_GAL_ML)
    assert made.finished_ml / mixing.US_GAL_ML == pytest.approx(1.20, abs=0.02)


def test_the_thinning_trap() -> None:
    """Flakes displace 0.10 gal a pound: note to a Fine Woodworking cut-conversion chart, in a reader's blog.

    From 2 to 1 lb: 1.00 naively, 0.83 with both cuts per gallon of alcohol, 0.67 with the target per gallon of
    solution; from 3 to 1 lb 1.5 (own arithmetic from that note).
    """
    room = mixing.LB_G / (0.10 * mixing.US_GAL_ML)
    found = mixing.recut(2, 1, 1000, flakes_g_ml=room)
    assert found.naive_per_part == pytest.approx(1.00)
    assert found.per_part == pytest.approx(0.83, abs=5e-3)
    assert found.mixed_per_part == pytest.approx(0.67, abs=5e-3)
    assert mixing.recut(3, 1, 1000, flakes_g_ml=room).per_part == pytest.approx(1.5, abs=0.05)
    # at the density of flakes from memory the published ratio is kept to a hundredth
    assert mixing.recut_to(3, 1, 500).per_part == pytest.approx(1.5, abs=0.02)
    assert mixing.recut_to(2, 1, 500).per_part == pytest.approx(0.83, abs=0.01)


@pytest.mark.parametrize(
    ("written", "m2_l", "ml_m2", "ml_ft2"),
    [
        ("200 ft^2/gal", 4.91, 203.7, 18.9),
        ("300 ft^2/gal", 7.36, 135.8, 12.6),
        ("400 ft^2/gal", 9.82, 101.9, 9.5),
        ("500 ft^2/gal", 12.27, 81.5, 7.6),
    ],
)
def test_coverages(written: str, m2_l: float, ml_m2: float, ml_ft2: float) -> None:
    """Own arithmetic."""
    found = mixing.volume(1.0, written)
    assert found.coverage_m2_l == pytest.approx(m2_l, abs=5e-3)
    assert found.exact_ml == pytest.approx(ml_m2, abs=0.05)
    assert mixing.volume("1 ft^2", written).exact_ml == pytest.approx(ml_ft2, abs=0.05)


def test_volumes_for_boards() -> None:
    """Own arithmetic: twelve boards 6 × 12 in, and twelve of 150 × 450 mm."""
    small = mixing.volume("6 ft^2", "300 ft^2/gal", waste=0.25)
    assert small.exact_ml == pytest.approx(75.7, abs=0.05)
    assert small.ml == pytest.approx(94.6, abs=0.05)
    assert mixing.dye("1 oz (weight)/qt", small.ml).dye == pytest.approx(2.83, abs=5e-3)
    more = mixing.volume("6 ft^2", "200 ft^2/gal", waste=0.25)
    # 141.95 mL before rounding
    assert more.ml == pytest.approx(142.0, abs=0.0501)
    assert mixing.dye("1 oz (weight)/qt", more.ml).dye == pytest.approx(4.25, abs=5e-3)
    metric = mixing.volume(12 * 0.150 * 0.450, 7.36, waste=0.25)
    # 110.05 and 137.56 mL from the coverage as printed
    assert metric.exact_ml == pytest.approx(110.0, abs=0.1)
    assert metric.ml == pytest.approx(137.5, abs=0.1)


def test_a_seal_coat_for_forty_square_feet() -> None:
    """Own arithmetic: 40 ft² at 400 ft²/gal and 15 % waste is 0.115 gal, 435 mL, some 47 g of flakes at 1 lb."""
    found = mixing.volume("40 ft^2", "400 ft^2/gal", waste=0.15)
    assert found.ml / mixing.US_GAL_ML == pytest.approx(0.115, abs=5e-4)
    assert found.ml == pytest.approx(435, abs=0.5)
    assert mixing.shellac(1, finished_ml=found.ml).flakes_g == pytest.approx(47, abs=0.5)


def test_half_steps() -> None:
    """Own arithmetic: from 2 oz by weight a quart, each straight from the stock in 0, 1, 3, 7 parts of carrier."""
    loads = [59.913 / 2**step for step in range(5)]
    for load, printed in zip(loads, [59.9, 30.0, 15.0, 7.49, 3.74], strict=True):
        assert load == pytest.approx(printed, abs=0.05 if load > 10 else 5e-3)
    tools = mixing.Tools(measure_ml=0.001, syringe_ml=0.001)
    each = [mixing.read_load(f"{load:.6f} g/L") for load in loads]
    series = mixing.one_stock(each, [100.0] * 5, "up to", tools)
    parts = [share.add_ml / share.take_ml for share in series.shares[:4]]
    assert parts == pytest.approx([0, 1, 3, 7], abs=1e-3)
