"""What a step costs: the arithmetic by hand, the [costs] table, and what is wrong with one."""

import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.conftest import EXAMPLE, SMALL
from trials import costs, units
from trials.bench_choices import Bench
from trials.costs import Cost, Costs, StepCost
from trials.errors import UserError
from trials.plan import read_plan
from trials.toml_source import Source

US_GAL_ML = 3785.411784
"""NIST Handbook 44, appendix C."""

TABLE = """\
[costs]
piece = "counter"
area = "40 ft^2"
rate = 45
day_value = 60
waste = "15 %"
price = { seal_coat = 18.38 }
coverage = { seal_coat = "400 ft^2/gal" }
rework = "5 h"
rework_risk = "10 %"

[[costs.step]]
name = "seal coat on the sealed lanes"
doing = "sealing"
liquid = "seal_coat"
hands = "45 min"
elapsed = "2 h"
"""


def read(place: Path, text: str = TABLE) -> Costs:
    (place / "trial.toml").write_text(text, encoding="utf-8")
    source = Source(place / "trial.toml")
    found = costs.read(source.root.table("costs"), Bench(coverage=(("seal coat", 5.0), ("glaze", 12.0))))
    source.finish()
    return found


@pytest.fixture
def shop(tmp_path) -> Costs:
    return read(tmp_path)


# 40 ft², 400 ft²/gal, 15 % waste, 0.75 h at 45 an hour, a bench day at 60, a rework of 5 h. All money is made up;
# each expected figure is worked by hand from these: 40 / 400 × 1.15 = 0.115 gal, × 3785.41 mL/gal = 435 mL; 0.435 L
# at 18.38 a litre = 8; 0.75 × 45 = 33.75; 8 + 33.75 = 41.75; + 60 = 101.75; 41.75 / 225 = 0.186 and
# 101.75 / 225 = 0.452.


def test_the_worked_example(shop):
    (step,) = shop.steps
    same_day = costs.step_cost(shop, step)
    over_night = costs.step_cost(shop, replace(step, days=1))
    assert same_day.volume_ml / US_GAL_ML == pytest.approx(0.115, abs=1e-9)
    assert round(same_day.volume_ml) == 435
    assert same_day.material == pytest.approx(8, abs=0.005)
    assert same_day.work == 33.75
    assert round(same_day.total) == 42
    assert round(over_night.total) == 102
    assert shop.rework == 225
    assert [round(100 * costs.break_even_risk(one.total, shop.rework)) for one in (same_day, over_night)] == [19, 45]


def test_touch_and_elapsed_hours_stay_apart(shop):
    cost = costs.step_cost(shop, shop.steps[0])
    assert (cost.touch_h, cost.elapsed_h, cost.days) == (0.75, 2, 0)
    assert cost.work == cost.touch_h * shop.rate
    assert costs.hours_sentence(cost) == "It takes 45 min more work and 2 h more waiting."


def test_the_sentence(shop):
    assert costs.sentence(shop, shop.steps[0]) == (
        "Sealing costs 42 a counter (8 material, 34 of work) if the next step follows the same day, 102 if it stands "
        "over night; at a rework of 225 it pays if it saves rework in 19 of 100 pieces, over night it pays if it "
        "saves rework in 45 of 100 pieces."
    )


def test_the_sentence_where_rework_cannot_pay(shop):
    said = costs.sentence(replace(shop, rework_hours=0.5, day_value=0), shop.steps[0])
    assert said == (
        "Sealing costs 42 a counter (8 material, 34 of work); at a rework of 22 it cannot pay by rework saved alone."
    )


@given(st.floats(0.1, 50), st.floats(1, 20), st.integers(1, 5), st.floats(0, 1))
def test_volume_goes_with_area_and_coats(area, coverage, coats, waste):
    one = costs.volume_ml(area, coverage, 1, waste)
    assert costs.volume_ml(area, coverage, coats, waste) == pytest.approx(coats * one)
    assert costs.volume_ml(2 * area, coverage, 1, waste) == pytest.approx(2 * one)
    assert one == pytest.approx(area / coverage * 1000 * (1 + waste))


def test_a_level_costs_what_its_steps_cost(shop):
    plan = read_plan(EXAMPLE)
    own = costs.for_plan(shop, plan)
    assert own.steps[0].only == (("seal_coat", ("shellac 1 lb cut",)),)
    sealed = costs.step_cost(own, own.steps[0])
    assert costs.extra_cost(own, "seal_coat", "none", "shellac 1 lb cut") == sealed
    assert costs.extra_cost(own, "seal_coat", "shellac 1 lb cut", "none").total == -sealed.total
    assert costs.extra_cost(own, "carrier", "water", "oil") == Cost()
    both = replace(own, steps=(*own.steps, StepCost("buff", touch_h=0.1)))
    bare = costs.treatment_cost(both, {"seal_coat": "none", "carrier": "oil"})
    assert bare.total == pytest.approx(4.5)
    assert costs.treatment_cost(both, {"seal_coat": "shellac 1 lb cut"}).total == pytest.approx(4.5 + sealed.total)


def test_a_step_for_a_level_there_is_not(shop):
    plan = read_plan(EXAMPLE)
    for only, what in ((("seal_coat", ("varnish",)), "'varnish'"), (("lacquer", ("x",)), "'lacquer'")):
        wrong = replace(shop, steps=(StepCost("seal", only=(only,)),))
        with pytest.raises(UserError, match=what):
            costs.for_plan(wrong, plan)


@pytest.mark.parametrize(("elapsed_h", "days"), [(0, 0), (2, 0), (8, 0), (16, 1), (24, 1), (25, 2), (48, 2)])
def test_bench_days(elapsed_h, days):
    assert costs.wait_days(elapsed_h, 480) == days


def test_the_bench_day_is_the_plans(tmp_path):
    """Seven hours end on the day they began where the day has eight, and take a bench day where it has six."""
    table = TABLE.replace('"2 h"', '"7 h"') + 'only = { seal_coat = "shellac" }\n'
    for day, days in (("8 h", 0), ("6 h", 1)):
        (tmp_path / "trial.toml").write_text(f'{SMALL}[bench]\nday = "{day}"\n\n{table}', encoding="utf-8")
        (step,) = read_plan(tmp_path).costs.steps
        assert step.days == days


def test_break_even_and_price_at_their_ends():
    assert costs.break_even_risk(-3, 225) == 0
    assert costs.break_even_risk(3, 0) == math.inf
    assert costs.price_of_one(42, 1.05) == pytest.approx(40)
    assert costs.price_of_one(42, 0) == math.inf
    with pytest.raises(ValueError, match="cannot cost"):
        costs.break_even_risk(3, -1)


def test_the_table(shop):
    assert shop.area_m2 == pytest.approx(40 * 0.3048**2)
    assert dict(shop.coverage) == {
        "seal_coat": pytest.approx(units.read("400 ft^2/gal", "spread").amount),
        "glaze": 12.0,
    }
    assert (shop.waste, shop.rework_hours, shop.rework_risk, shop.piece) == (0.15, 5, 0.1, "counter")


@pytest.mark.parametrize(
    ("old", "new", "line", "what"),
    [
        ('area = "40 ft^2"', "area = 40", 3, "has no unit"),
        ('area = "40 ft^2"', 'area = "0 m^2"', 3, "above 0"),
        ("rate = 45", 'rate = "45"', 4, "not a number"),
        ("rate = 45", "rate = -45", 4, "0 or more"),
        ('waste = "15 %"', 'waste = "15 g"', 6, "measures mass"),
        ("{ seal_coat = 18.38 }", "{ seal = 18.38 }", 7, "no key 'seal'"),
        ("{ seal_coat = 18.38 }", "18.38", 7, "by liquid"),
        ('"400 ft^2/gal"', "400", 8, "has no unit"),
        ('rework_risk = "10 %"', 'rework_risk = "110 %"', 10, "100 % at most"),
        ('hands = "45 min"', 'hours = "45 min"', 16, "no key 'hours'"),
        ('liquid = "seal_coat"', 'liquid = "varnish"', 15, "not one of"),
        ('elapsed = "2 h"', 'elapsed = "2 h"\nonly = "shellac"', 18, "only is 'shellac'"),
    ],
)
def test_faults_of_the_table(tmp_path, old, new, line, what):
    assert TABLE.count(old) == 1
    with pytest.raises(UserError) as raised:
        read(tmp_path, TABLE.replace(old, new))
    fault = raised.value.problems[0]
    assert what in str(fault)
    assert fault.line == line


def test_what_is_missing(tmp_path):
    with pytest.raises(UserError, match="'area' is missing"):
        read(tmp_path, TABLE.replace('area = "40 ft^2"\n', ""))
    shop = read(tmp_path, TABLE.replace("price = { seal_coat = 18.38 }\n", ""))
    with pytest.raises(UserError, match="the price of its seal coat is missing"):
        costs.step_cost(shop, shop.steps[0])
