"""Places and hours that matter: a few cases of ``tests/benchmarks/bench_places.py``, with wide limits.

Readings are made up by the benchmark, not by the project.
"""

import pytest

from tests.benchmarks.bench_places import CASES, EFFECTS, plan_of, run

pytestmark = pytest.mark.slow


def found(name, effects, layouts=30, trials=20):
    factors, boards = CASES[name]
    asked = tuple(one for one in EFFECTS if one.name in ("none", *effects))
    shares, halves, without, told = run(plan_of(factors, boards), asked, layouts, trials)
    sizes = {effect: dict(zip(factors, share.mean(axis=0), strict=True)) for effect, share in shares.items()}
    widths = {effect: dict(zip(factors, half.mean(axis=0), strict=True)) for effect, half in halves.items()}
    costs = dict(zip(factors, halves["none"].mean(axis=0) / without.mean(axis=0), strict=True))
    return sizes, widths, costs, told


def test_a_place_in_the_model_widens_nothing_and_costs_little():
    """Two lanes of eight boards: with the place evened out and not fitted sizes were .000 and widths six-fold."""
    sizes, widths, costs, told = found("8 boards", ("lane 3", "strip 1"))
    assert told.places == ("lane", "strip")
    for effect, factor in (("lane 3", "b"), ("strip 1", "c")):
        assert 0.015 < sizes[effect][factor] < 0.1  # 600 trials at .05: four standard errors are .036
        assert widths[effect][factor] == pytest.approx(widths["none"][factor])
    assert max(costs.values()) < 1.1


def test_an_hour_left_to_chance_is_seldom_taken_for_a_treatment():
    """A hump over the day was taken for a treatment 18 to 27 times in 100 when turns were evened out."""
    sizes, *_ = found("8 boards", ("hump 2 sd", "hump 3.0"))
    assert sizes["hump 2 sd"]["a"] < 0.1
    assert sizes["hump 3.0"]["a"] < 0.13  # trials of one layout go together: 30 layouts
