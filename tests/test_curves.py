"""Curves: coverage of the limits, what cannot be told, and the answers a trial gets in sentences."""

import json
import math
import random
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit, logit

from analysis import decide
from analysis.curves import (
    board_logit,
    dose_for,
    drawn,
    fieller,
    index_time,
    ks_of_lightness,
    relative_strength,
    threshold,
    waits,
)
from analysis.curves import logit as plain
from analysis.curves.no_limits import NoLimits
from analysis.curves.of_trial import LapWindow, Wait, dark_enough, lap_window, strength
from analysis.frame import patch_table
from tests.benchmarks import bench_curves
from tests.conftest import EXAMPLE, REPOSITORY
from tests.trials_made import Pieces, trial_of
from trials import folder
from trials.errors import UserError
from trials.plan import read_plan

LAP_PLAN = (REPOSITORY / "example_trials" / "lap-boards" / "trial.toml").read_text(encoding="utf-8")
WAITS = (1.0, 2.0, 4.0, 8.0)


def laps(draw, boards, spread, slope=2.5, looks=6):
    """Return invented laps: boards in turn with an intercept of -2 and of -4."""
    rows = pd.DataFrame(
        [(board, "ab"[board % 2], wait) for board in range(boards) for wait in WAITS], columns=["board", "g", "x"]
    )
    shift = draw.normal(0, spread, boards)[rows["board"]]
    eta = np.where(rows["g"] == "a", -2.0, -4.0) + slope * np.log(rows["x"]) + shift
    return rows.assign(yes=draw.binomial(looks, expit(eta)), n=looks)


# --- limits hold what they should ------------------------------------------------------------------


def test_profile_limits_cover():
    """95 % of them within three standard errors of the simulation."""
    draw, runs = np.random.default_rng(7), 120
    inside = 0
    for _ in range(runs):
        row = threshold(laps(draw, 4, 0.0), "x", "yes", "n", "g").iloc[0]
        inside += row["lower"] <= math.exp((logit(0.1) + 2) / 2.5) <= row["upper"]
    assert abs(inside / runs - 0.95) < 3 * math.sqrt(0.95 * 0.05 / runs)


@pytest.mark.slow
@pytest.mark.parametrize("case", ["6 boards, slope 4, boards .8", "slope 12, boards .3"])
def test_limits_of_laps_seen_cover(case):
    """One look a wait and board; within four standard errors, and no promise broken more often than 3.5 in 100."""
    draw, runs = np.random.default_rng(8), 150
    rows = [row for _ in range(runs) for row in bench_curves.graded(bench_curves.GRADED[case], draw)]
    error = math.sqrt(0.95 * 0.05 / runs)
    assert sum(row["high"] or row["low"] for row in rows) / len(rows) < 0.05 + 4 * error
    assert sum(row["high"] for row in rows) / len(rows) < 0.035 + 2 * error


@pytest.mark.slow
def test_limits_of_lap_indices_cover():
    """The truth rises along a logistic curve, and boards are alike: what is open is the form and the steepness."""
    draw, runs = np.random.default_rng(9), 60
    form, case = bench_curves.MEASURED["logistic, the same, boards alike"]
    rows = [row for _ in range(runs) for row in bench_curves.measured(form, case, draw)]
    assert sum(row["high"] or row["low"] for row in rows) / len(rows) < 0.05 + 3 * math.sqrt(0.95 * 0.05 / runs)


def test_fieller_limits_cover():
    """Also when the set of ratios is not an interval, it holds the true one 95 times in 100."""
    draw, runs, inside, open_ended = np.random.default_rng(9), 2000, 0, 0
    spread = np.array([[1.0, 0.3], [0.3, 1.0]])
    for _ in range(runs):
        a, b = draw.multivariate_normal([3.0, 2.0], spread)
        found = fieller(a, b, spread, 1.959963984540054)
        open_ended += found.kind != "interval"
        ruled_out = found.kind == "outside" and found.below < 1.5 < found.above
        inside += found.lower <= 1.5 <= found.upper and not ruled_out
    assert open_ended > 100
    assert abs(inside / runs - 0.95) < 3 * math.sqrt(0.95 * 0.05 / runs)


def test_strengths_cover():
    draw, runs, inside = np.random.default_rng(10), 200, 0
    base = pd.DataFrame([(g, d) for g in "ST" for d in (1.0, 2.0, 4.0) for _ in range(3)], columns=["g", "d"])
    for _ in range(runs):
        y = 3 * np.log(base["d"] * np.where(base["g"] == "T", 1.6, 1.0)) + draw.normal(0, 1, len(base))
        row = relative_strength(base.assign(y=y), "d", "y", "g", "S").table.iloc[0]
        inside += row["lower"] <= 1.6 <= row["upper"]
    assert abs(inside / runs - 0.95) < 3 * math.sqrt(0.95 * 0.05 / runs)


# --- thresholds ------------------------------------------------------------------------------------


def test_what_boards_leave_open_by_sampling():
    """60,000 curves drawn beforehand and weighed by the readings, boards averaged by Gauss-Hermite quadrature.

    The weights leave some 9,000 curves' worth, a probability of 0.025 to about 0.0016.
    """
    draw, count = np.random.default_rng(3), 60_000
    waits, seen = np.log([1.0, 3.0, 10.0]), np.array([[0, 0, 1], [0, 1, 1], [0, 0, 0]])
    looks = board_logit.Looks(
        np.tile(waits, 3), seen.ravel().astype(float), np.ones(9), np.repeat([0, 1, 2], 3), np.zeros(3, dtype=int)
    )
    found = board_logit.posterior(looks, 0.2, [0.025, 0.5, 0.975])
    reach = math.log(board_logit.REACH)
    middle = draw.uniform(waits[0] - reach, waits[-1] + reach, count)
    slope = board_logit.SLOPE[0] * np.exp(draw.normal(0, board_logit.SLOPE[1], count))
    spread = np.abs(board_logit.SPREAD[0] * draw.standard_cauchy(count))
    kept = (slope > 0.4) & (slope < 40) & (spread < board_logit.SPREAD[1]) & (slope * spread < 15)
    middle, slope, spread = middle[kept], slope[kept], spread[kept]
    z, weights = np.polynomial.hermite_e.hermegauss(31)
    at = middle[:, None] + spread[:, None] * z
    likely = np.ones(len(middle))
    for board in seen:
        sides = [
            expit((1 if one else -1) * slope[:, None] * (wait - at)) for wait, one in zip(waits, board, strict=True)
        ]
        likely *= np.prod(sides, axis=0) @ weights / weights.sum()
    wide = np.linspace(0, 15, 200)
    offsets = np.interp(slope * spread, wide, [board_logit.predictor_of(0.2, one) for one in wide])
    places = middle + offsets / slope
    for probability, place in zip((0.025, 0.5, 0.975), found.quantiles[0], strict=True):
        assert likely[places <= place].sum() / likely.sum() == pytest.approx(probability, abs=0.006)


def test_the_averaged_predictor():
    """Against a fine sum by hand; without a spread it is the plain logit."""
    z = np.linspace(-9, 9, 20001)
    weights = np.exp(-(z**2) / 2) * (z[1] - z[0]) / math.sqrt(2 * math.pi)
    for spread in (0.5, 2.0, 6.0):
        middle = board_logit.predictor_of(0.1, spread)
        assert weights @ expit(middle + spread * z) == pytest.approx(0.1, abs=1e-8)
    assert board_logit.predictor_of(0.2, 0.0) == pytest.approx(logit(0.2), abs=1e-10)


def test_boards_that_turn_at_once_at_different_waits():
    """Ever steeper curves would fit ever better; the answer lies among the boards all the same."""
    turns = [1.5, 3.0, 1.5, 3.0, 6.0, 6.0]
    frame = pd.DataFrame(
        [(board, wait, int(wait > turn)) for board, turn in enumerate(turns) for wait in WAITS],
        columns=["board", "x", "yes"],
    ).assign(n=1)
    found = threshold(frame, "x", "yes", "n", board="board", at=0.5)
    assert 1.5 < found["x"][0] < 6
    assert 0 < found["lower"][0] < found["x"][0] < found["upper"][0] < math.inf


def test_more_scatter_between_boards_makes_wider_limits():
    frame = laps(np.random.default_rng(5), 8, 2.0)
    with_boards, without = (threshold(frame, "x", "yes", "n", "g", board=one) for one in ("board", None))
    assert (with_boards["upper"] / with_boards["lower"] > without["upper"] / without["lower"]).all()
    assert "over all boards; 8 were read" in with_boards.attrs["notes"][0]


def test_scale_and_order_do_not_matter():
    frame = laps(np.random.default_rng(6), 4, 0.5)
    first = threshold(frame, "x", "yes", "n", "g").set_index("group")
    shuffled = frame.sample(frac=1, random_state=1).assign(x=lambda one: 60 * one["x"])
    second = threshold(shuffled, "x", "yes", "n", "g").set_index("group").loc[first.index]
    for column in ("x", "lower", "upper"):
        assert second[column].to_numpy() == pytest.approx(60 * first[column].to_numpy(), rel=1e-6)


def test_the_wrong_way_gives_no_number():
    frame = pd.DataFrame({"x": WAITS, "yes": [5, 4, 3, 1], "n": 6})
    found = threshold(frame, "x", "yes", "n")
    assert found[["x", "lower", "upper"]].isna().to_numpy().all()
    assert found.attrs["notes"] == (
        "What shows does not grow with x in these readings, so no x can be named for a risk.",
    )


def test_an_endless_limit_is_said():
    frame = pd.DataFrame({"x": WAITS, "yes": [1, 2, 1, 3], "n": 6})
    found = threshold(frame, "x", "yes", "n")
    assert found["lower"][0] == 0
    assert found.attrs["notes"] == ("The readings set no lower limit to the x.",)


def test_one_board_a_group_is_refused():
    with pytest.raises(UserError, match="one board a group"):
        threshold(laps(np.random.default_rng(1), 2, 0), "x", "yes", "n", "g", board="board")


def test_a_search_without_an_end_is_said(monkeypatch):
    """The limits where only they are not found; no number where the curve is not."""
    frame, found = laps(np.random.default_rng(6), 4, 0.5), plain.fit

    def lost(counts, **options):
        if options.get("along") is not None or lost.always:
            raise ValueError("the search for the effects did not end")
        return found(counts, **options)

    lost.always = False
    monkeypatch.setattr(plain, "fit", lost)
    table = threshold(frame, "x", "yes", "n", "g")
    assert (table["x"] > 0).all()
    assert table[["lower", "upper"]].isna().to_numpy().all()
    assert table.attrs["notes"] == tuple(
        f"The search for the lower or upper limit to the x of {name} did not end." for name in "ab"
    )
    lost.always = True
    with pytest.raises(UserError, match="the search for the effects did not end; read more settings of x"):
        threshold(frame, "x", "yes", "n", "g")


def test_readings_that_separate_need_no_other_way():
    """All boards turn between 2 and 4: limits on either side, wherever boards are told apart."""
    frame = pd.DataFrame([(board, wait, int(wait > 3)) for board in range(6) for wait in WAITS],
                         columns=["board", "x", "yes"]).assign(n=1)  # fmt: skip
    (row,) = threshold(frame, "x", "yes", "n", board="board").to_dict("records")
    assert 0.5 < row["lower"] < 2 < row["upper"] < 4
    assert row["method"] == "bayes, boards random"


# --- the curves themselves -------------------------------------------------------------------------


@pytest.mark.parametrize("at", [0.1, 0.5])
def test_curves_of_chances_against_another_program(at):
    """Intercepts and slope as reckoned in R (tests/reference/data/logistic-threshold, glm), to its digits."""
    place = REPOSITORY / "tests" / "reference" / "data" / "logistic-threshold"
    laps_read = pd.read_csv(place / "data.csv").query("set == 'lap'")
    known = json.loads((place / "expected.json").read_text(encoding="utf-8"))["lap"]["coefficients"]
    effects = {row["name"]: row["estimate"] for row in known}
    found = threshold(laps_read, "x", "yes", "n", "group", at)
    minutes = np.geomspace(0.5, 20, 7)
    for name in ("alcohol", "water"):
        expected = expit(effects[f"carrier{name}"] + effects["t"] * np.log(minutes))
        assert found.attrs["curves"].heights(name, minutes) == pytest.approx(expected, rel=1e-6)


def test_curves_over_boards_by_quadrature():
    """The share over all boards by Gauss-Hermite quadrature, of the shift-free line through each threshold."""
    frame = laps(np.random.default_rng(5), 8, 1.0)
    found = threshold(frame, "x", "yes", "n", "g", 0.1, board="board")
    curves = found.attrs["curves"]
    assert curves.spread > 0.3
    z, weights = np.polynomial.hermite_e.hermegauss(80)
    middle = board_logit.predictor_of(0.1, curves.spread)
    for row in found.to_dict("records"):
        for minutes in (1.0, 3.0, 8.0):
            eta = middle + curves.slope * math.log(minutes / row["x"])
            expected = weights @ expit(eta + curves.spread * z) / weights.sum()
            assert curves.heights(row["group"], np.array([minutes])) == pytest.approx([expected], abs=1e-7)


def test_where_laps_go_the_wrong_way_there_is_no_curve():
    frame = pd.DataFrame({"x": WAITS, "yes": [5, 4, 3, 1], "n": 6})
    assert threshold(frame, "x", "yes", "n").attrs["curves"].ln_x == {}


def test_points_along_a_line_stay_within_what_was_tried():
    found = drawn.along([3.0, 1.0, 10.0], [0.5, 4.0, 12.0, math.nan])
    assert (found[0], found[-1]) == (1, 10)
    assert 4.0 in found
    assert (np.diff(found) > 0).all()
    assert len(found) == 61
    assert list(drawn.along([3.0])) == [3.0]


# --- measured laps ---------------------------------------------------------------------------------


def index_laps(noise, spread, boards=6, seed=2):
    draw = np.random.default_rng(seed)
    frame = pd.DataFrame([(b, "ab"[b % 2], x) for b in range(boards) for x in WAITS], columns=["board", "g", "x"])
    tau = np.where(frame["g"] == "a", 3.0, 6.0) * np.exp(draw.normal(0, spread, boards))[frame["board"]]
    return frame.assign(index=1 - np.exp(-((frame["x"] / tau) ** 1.8)) + draw.normal(0, noise, len(frame)))


@pytest.mark.parametrize("board", [None, "board"])
def test_a_curve_without_noise_is_found_again(board):
    found = index_time(index_laps(1e-6, 0.0), "x", "index", "g", board=board)
    true = np.array([3.0, 6.0]) * (-math.log(0.8)) ** (1 / 1.8)
    assert found["x"].to_numpy() == pytest.approx(true, rel=1e-4)
    assert found.attrs["k"] == pytest.approx(1.8, rel=1e-4)
    waits = np.array([0.7, 2.0, 5.0])
    for group, tau in (("a", 3.0), ("b", 6.0)):
        expected = 1 - np.exp(-((waits / tau) ** 1.8))
        assert found.attrs["curves"].heights(group, waits) == pytest.approx(expected, rel=1e-3)


def test_index_limits_cover():
    true = 3.0 * (-math.log(0.8)) ** (1 / 1.8)
    rows = [
        index_time(index_laps(0.05, 0.4, seed=seed), "x", "index", "g", board="board").iloc[0] for seed in range(60)
    ]
    inside = sum(row["lower"] <= true <= row["upper"] for row in rows)
    assert abs(inside / 60 - 0.95) < 3 * math.sqrt(0.95 * 0.05 / 60)


def test_laps_that_never_show_give_no_wait():
    frame = index_laps(0.01, 0.1)
    frame.loc[frame["g"] == "b", "index"] = 0.0
    found = index_time(frame, "x", "index", "g", board="board").set_index("group")
    assert math.isnan(found.loc["b", "x"])
    assert found.loc["a", "x"] > 0
    assert "Laps of b do not pass the index 0.2" in found.attrs["notes"][-1]
    assert list(found.attrs["curves"].ln_x) == ["a"]


def test_one_board_a_group_gives_no_limits():
    found = index_time(index_laps(0.02, 0.0, boards=2), "x", "index", "g", board="board")
    assert found["x"].to_numpy() == pytest.approx(np.array([3.0, 6.0]) * (-math.log(0.8)) ** (1 / 1.8), rel=0.15)
    assert found[["lower", "upper"]].isna().to_numpy().all()
    assert set(found["no_limits"]) == {NoLimits.ONE_BOARD}


def test_laps_that_come_suddenly_give_the_waits_on_either_side():
    """No reading between nothing and all: how steep cannot be told, and where only to a neighbouring wait."""
    frame = index_laps(0.0, 0.0).assign(
        index=lambda one: np.where(one["x"] > np.where(one["g"] == "a", 1, 4), 1.0, 0)
    )
    frame["index"] += np.random.default_rng(1).normal(0, 0.02, len(frame))
    found = index_time(frame, "x", "index", "g", board="board")
    assert set(found["no_limits"]) == {NoLimits.BETWEEN}
    assert found["lower"].tolist() == pytest.approx([1, 4])
    assert found["upper"].tolist() == pytest.approx([2, 8])


# --- doses -----------------------------------------------------------------------------------------


def test_slopes_of_their_own_where_the_test_says_so():
    draw = np.random.default_rng(1)
    frame = pd.DataFrame([(g, d) for g in "ST" for d in (1.0, 2.0, 4.0) for _ in range(3)], columns=["g", "d"])
    slope = np.where(frame["g"] == "S", 2.0, 6.0)
    frame["y"] = slope * np.log(frame["d"]) + draw.normal(0, 0.1, len(frame))
    found = dose_for(frame, "d", "y", 2.0, "g").set_index("group")
    assert found.loc["S", "dose"] == pytest.approx(math.e, rel=0.05)
    assert found.loc["T", "dose"] == pytest.approx(math.exp(1 / 3), rel=0.05)
    assert found.attrs["notes"] == ("The slopes differ, so each group has its own.",)
    fit = relative_strength(frame, "d", "y", "g", "S")
    assert fit.parallel_p < 1e-6
    assert "The slopes differ" in fit.notes[0]


# --- of a trial ------------------------------------------------------------------------------------


DYE_PLAN = """\
[trial]
title = "Tray in quartersawn lacewood"
[boards]
count = 12
length = "480 mm"
width = "150 mm"
lanes = 2
strips = 1
[[factor]]
name = "carrier"
levels = ["alcohol", "oil"]
laid_on = "board"
[[factor]]
name = "dye_load"
levels = ["10 g/L", "20 g/L", "40 g/L"]
laid_on = "board"
[[factor]]
name = "seal_coat"
levels = ["none", "shellac"]
laid_on = "lane"
[[response]]
name = "darkness"
kind = "measure"
unit = "L*"
low = 0
high = 100
aim = "less"
[[question]]
factor = "carrier"
response = "darkness"
worth = 2
"""
LOADS = {"10 g/L": 10.0, "20 g/L": 20.0, "40 g/L": 40.0}


def darkness(times, scatter):
    """Return a maker of L* in which oil needs `times` the load: K/S is 0.1 a g/L, boards scatter in L*."""
    pieces: dict[int, Pieces] = {}

    def value(patch, draw):
        own = pieces.setdefault(0, Pieces(draw, board=scatter, patch=scatter / 3))
        load = LOADS[patch["dye_load"]] / (times if patch["carrier"] == "oil" else 1)
        ratio = 0.1 * load
        share = 1 / (1 + ratio + math.sqrt(ratio * (ratio + 2)))
        return 116 * share ** (1 / 3) - 16 + own.shift(patch)

    return value


@pytest.fixture(scope="module")
def dyed(tmp_path_factory):
    return trial_of(tmp_path_factory.mktemp("dyed"), DYE_PLAN, darkness(1.8, 0.7))


def test_strength_of_a_trial(dyed):
    found = strength(dyed)
    (oil,) = found.carriers
    assert oil.lower < 1.8 < oil.upper
    assert oil.upper / oil.lower < 1.6
    assert found.sentence.startswith(f"Oil needs {oil.times:#.2g} times the load of alcohol (")
    assert found.sentence.endswith(" for the same darkness.")
    assert min(found.parallel_p, found.linear_p) > 0.01
    turned = strength(dyed, reference="oil").carriers[0]
    assert turned.times == pytest.approx(1 / oil.times, rel=1e-8)
    assert (turned.lower, turned.upper) == pytest.approx((1 / oil.upper, 1 / oil.lower), rel=1e-6)


def test_strength_is_judged_against_boards(tmp_path):
    """The same scatter from patch to patch, with and without boards that differ: the limits follow the boards."""
    widths = []
    for scatter in (0.3, 2.0):
        (oil,) = strength(trial_of(tmp_path / str(scatter), DYE_PLAN, darkness(1.8, scatter))).carriers
        widths.append(math.log(oil.upper / oil.lower))
    assert widths[1] > 3 * widths[0]


def test_strengths_of_trials_cover(tmp_path):
    inside, dark, runs = 0, 0, 40
    trial = trial_of(tmp_path, DYE_PLAN, darkness(1.8, 1.0))
    for seed in range(runs):
        draw, make = random.Random(seed), darkness(1.8, 1.0)
        patches = {str(patch["patch"]): patch for patch in trial.patches.to_dict("records")}
        readings = tuple(row | {"value": repr(make(patches[row["patch"]], draw))} for row in trial.readings)
        again = replace(trial, readings=readings, journal=readings)
        (oil,) = strength(again).carriers
        inside += oil.lower <= 1.8 <= oil.upper
        load = dark_enough(again, 47).loads[0]  # K/S 2.2013
        dark += load.lower <= 22.013 <= load.upper
    assert abs(inside / runs - 0.95) < 3 * math.sqrt(0.95 * 0.05 / runs)
    assert abs(dark / runs - 0.95) < 3 * math.sqrt(0.95 * 0.05 / runs)


def test_dark_enough(dyed):
    """L* 40 is Y 0.11251 and K/S 3.5003: 35 g/L in alcohol by the truth, and 63 in oil, more than was tried."""
    alcohol, oil = dark_enough(dyed, 40).loads
    assert alcohol.lower < 35.003 < alcohol.upper
    assert alcohol.within
    assert not oil.within
    assert math.isnan(oil.load)
    assert oil.sentence.startswith("40 g/L, the most tried, gives L* 4")
    assert oil.sentence.endswith(" with oil; L* 40 was not reached")
    light = dark_enough(dyed, 90).loads[0]
    assert light.sentence.startswith("10 g/L, the least tried, already gives L* ")
    assert "has no K/S" in dark_enough(dyed, 130).sentence
    assert [load.beyond for load in (alcohol, oil, light)] == ["", "more", "less"]


def test_loads_follow_lines_that_bend(tmp_path):
    """Boards alike: the limits hold the true loads of bent lines, the straight ones would not."""
    height = {10: 0.0, 20: 0.8, 40: 1.0}

    def value(patch, draw):
        return height[int(LOADS[patch["dye_load"]])] - 0.2 * (patch["carrier"] == "oil") + draw.gauss(0, 0.03)

    text = DYE_PLAN.replace('unit = "L*"\nlow = 0\nhigh = 100\naim = "less"', 'unit = "units"\naim = "more"')
    found = dark_enough(trial_of(tmp_path, text, value), 0.5)
    bend = np.polynomial.Polynomial.fit(np.log([10, 20, 40]), list(height.values()), 2)
    for load, lift in zip(found.loads, (0.0, 0.2), strict=True):
        true = min(math.exp(root.real) for root in (bend - 0.5 - lift).roots())
        assert load.lower < true < load.upper < 1.2 * load.lower
    assert found.notes[-2].startswith("The lines bend (p ")
    assert found.notes[-2].endswith("), and the loads follow the bend.")


def test_two_loads_show_no_bend(tmp_path):
    text = DYE_PLAN.replace('"10 g/L", "20 g/L", "40 g/L"', '"10 g/L", "40 g/L"')
    found = dark_enough(trial_of(tmp_path, text, darkness(1.8, 0.5)), 45)
    assert (
        found.notes[-2] == "Whether the lines bend cannot be told from two loads: the limits take them as straight."
    )
    assert found.notes[-1] == "How much more dye darkens differs from carrier to carrier."


def test_loads_as_they_are_drawn(dyed):
    """The points are the readings; lines bend evenly on ln K/S, or not at all, and pass through the load found."""
    found = dark_enough(dyed, 40)
    assert found.unit == "L*"
    read = patch_table(dyed, dyed.plan.response("darkness")).treated
    expected = read.assign(load=read["dye_load"].astype(str).map(LOADS))[["carrier", "load", "value"]]
    assert sorted(found.points.to_numpy().tolist()) == sorted(expected.to_numpy().tolist())
    for told in (found, strength(dyed)):
        assert list(told.points.columns) == list(told.curve.columns) == ["carrier", "load", "value"]
        slopes = []
        for name in ("alcohol", "oil"):
            line = told.curve[told.curve["carrier"] == name]
            assert (line["load"].min(), line["load"].max()) == (10, 40)
            assert len(line) in (60, 61)
            height, place = np.log(ks_of_lightness(line["value"])), np.log(line["load"])
            degree = 2 if told is found else 1
            fitted = np.polynomial.Polynomial.fit(place, height, degree)
            assert fitted(place) == pytest.approx(height, abs=1e-9)
            slopes.append(fitted.convert().coef[-1])
        assert slopes[0] == pytest.approx(slopes[1], rel=1e-6)
    at = found.curve[found.curve["load"] == found.loads[0].load]
    assert at["carrier"].tolist() == ["alcohol"]
    assert at["value"].tolist() == pytest.approx([40])
    oil = strength(dyed).carriers[0]
    heights = strength(dyed).curve.set_index(["carrier", "load"])["value"]
    apart = np.log(ks_of_lightness(heights["alcohol"].iloc[:1])) - np.log(ks_of_lightness(heights["oil"].iloc[:1]))
    assert float(apart[0]) / slopes[0] == pytest.approx(math.log(oil.times), rel=1e-6)


def test_a_line_goes_no_further_than_its_own_carriers_loads(dyed):
    kept = tuple(
        row for row in dyed.readings
        if tuple(dyed.patches.set_index("patch").loc[int(row["patch"]), ["carrier", "dye_load"]]) != ("oil", "40 g/L")
    )  # fmt: skip
    found = dark_enough(replace(dyed, readings=kept, journal=kept), 40)
    ends = found.curve.groupby("carrier")["load"].max().to_dict()
    assert ends == found.points.groupby("carrier")["load"].max().to_dict() == {"alcohol": 40, "oil": 20}


def test_one_carrier_still_has_loads(tmp_path):
    start = DYE_PLAN.index('[[factor]]\nname = "carrier"')
    text = (
        DYE_PLAN[:start] + DYE_PLAN[DYE_PLAN.index('[[factor]]\nname = "dye_load"') : DYE_PLAN.index("[[question]]")]
    )
    trial = trial_of(tmp_path, text, lambda patch, draw: darkness(1, 0.3)(patch | {"carrier": "alcohol"}, draw))
    (one,) = dark_enough(trial, 45).loads
    assert one.within
    assert one.sentence == f"{one.load:#.3g} g/L ({one.lower:#.3g} to {one.upper:#.3g}) gives L* 45"
    assert strength(trial).sentence == "How strong the carriers are cannot be told: one carrier only was read."


def test_what_a_trial_cannot_tell_is_said(tmp_path, dyed):
    one_load = DYE_PLAN.replace('["10 g/L", "20 g/L", "40 g/L"]', '["10 g/L", "20 g/L"]')
    trial = trial_of(tmp_path, one_load, darkness(1.8, 0.5))
    kept = tuple(
        row for row in trial.readings
        if trial.patches.set_index("patch").loc[int(row["patch"]), "dye_load"] == "10 g/L"
    )  # fmt: skip
    assert "one load only was read" in strength(replace(trial, readings=kept, journal=kept)).sentence
    assert "nothing is recorded of darkness" in strength(replace(trial, readings=(), journal=())).sentence
    assert "no factor of this trial is a return time" in lap_window(dyed).sentence
    backwards = tuple(row | {"value": repr(100 - float(row["value"]))} for row in trial.readings)
    assert "more dye came out lighter" in strength(replace(trial, readings=backwards, journal=backwards)).sentence
    same = tuple(row | {"value": "50.0"} for row in trial.readings)
    flat = replace(trial, readings=same, journal=same)
    assert strength(flat).sentence.startswith("How ")
    assert "cannot be told" in strength(flat).sentence
    assert strength(flat).carriers == ()
    for told in (strength(flat), dark_enough(flat, 45), strength(replace(trial, readings=(), journal=()))):
        for frame in (told.points, told.curve):
            assert list(frame.columns) == ["carrier", "load", "value"]
            assert frame.empty


def test_a_load_without_effect_gives_no_number(tmp_path):
    trial = trial_of(tmp_path, DYE_PLAN, lambda patch, draw: draw.gauss(45, 3), seed=3)
    (oil,) = strength(trial).carriers
    assert (oil.lower, oil.upper) == (0, math.inf)
    assert "the load itself made no sure difference" in oil.sentence
    assert all(
        math.isnan(load.load) and "no sure difference" in load.sentence for load in dark_enough(trial, 45).loads
    )


def test_coarse_grades_are_averaged_to_boards(tmp_path):
    """Both lanes of every board get the same grade, so that only boards show scatter."""
    text = DYE_PLAN.replace(
        'kind = "measure"\nunit = "L*"\nlow = 0\nhigh = 100', 'kind = "grade"\nhalf_grades = true'
    )
    make, seen = darkness(1.8, 2.0), {}

    def grade(patch, draw):
        return seen.setdefault(patch["board"], min(5, max(1, round(2 * (6 - make(patch, draw) / 14)) / 2)))

    found = strength(trial_of(tmp_path, text, grade))
    assert found.carriers[0].lower < 1.8 < found.carriers[0].upper
    assert "averaged first" in found.notes[0]
    assert found.unit == "grades"
    assert len(found.points) == 12
    assert set(found.points["value"]) <= set(seen.values())


def test_the_example():
    """Its truth: the carriers differ in L*, oil is the palest; its glaze dwell is no return time."""
    trial = folder.load(EXAMPLE)
    alcohol, oil = strength(trial).carriers
    assert oil.lower > 1
    assert alcohol.lower < 1.2 < alcohol.upper
    assert not lap_window(trial).told


def visibility(patch, draw, shifts, boards=0.3):
    minutes = {"0 s": 0, "60 s": 1, "90 s": 1.5, "180 s": 3, "300 s": 5, "600 s": 10, "24 h": 1440}
    shift = shifts.setdefault(patch["board"], draw.gauss(0, boards))
    tau = {"water": 3, "alcohol": 8}[patch["carrier"]] * math.exp(shift)
    index = 1 - math.exp(-((minutes[patch["return_time"]] / tau) ** 2))
    if patch["response"] == "lap_step":
        return 6 * index + draw.gauss(0, 0.2)
    return min(5, max(1, round(2 * (1 + 4 * index - draw.gauss(0, 0.8))) / 2))


@pytest.fixture(scope="module")
def lapped(tmp_path_factory):
    shifts = {}
    return trial_of(
        tmp_path_factory.mktemp("laps"), LAP_PLAN, lambda patch, draw: visibility(patch, draw, shifts), seed=9
    )


def test_lap_window_of_grades(lapped):
    found = lap_window(lapped)
    water, alcohol = found.waits
    assert found.response == "lap_visibility"
    assert water.lower <= water.minutes <= water.upper
    assert water.minutes < alcohol.minutes
    assert "at a risk of 1 in 10" in water.sentence
    assert "The controls (0 s and 24 h)" in found.notes[0]
    assert lap_window(lapped, decide.decide(lapped)).waits == found.waits


@pytest.mark.parametrize("name", ["lap_visibility", "lap_step"])
def test_windows_as_they_are_drawn(lapped, name):
    """The points against the readings themselves, counted here; the curves pass through each wait at the risk."""
    found = lap_window(lapped, response=name)
    assert found.measured == (name == "lap_step")
    assert list(found.points.columns) == ["carrier", "minutes", "seen", "looks", "share", "method"]
    assert list(found.curve.columns) == ["carrier", "minutes", "chance", "method"]
    patches = lapped.patches.set_index("patch")
    rows = pd.DataFrame([
        {"value": float(row["value"]), **patches.loc[int(row["patch"]), ["board", "carrier", "return_time"]]}
        for row in lapped.readings if row["response"] == name
    ])  # fmt: skip
    full = rows[rows["return_time"] == "24 h"].set_index("board")["value"]
    for point in found.points.to_dict("records"):
        level = f"{60 * point['minutes']:.0f} s"
        cell = rows[(rows["carrier"] == point["carrier"]) & (rows["return_time"] == level)]
        assert point["looks"] == len(cell) == 3
        if name == "lap_step":
            assert math.isnan(point["seen"])
            assert point["share"] == pytest.approx((cell["value"] / cell["board"].map(full)).mean())
        else:
            assert point["seen"] == (cell["value"] >= 3).sum()
            assert point["share"] == point["seen"] / 3
    assert len(found.points) == 10
    for frame in (found.points, found.curve):
        assert set(frame["method"]) == {found.method}
    for wait in found.waits:
        line = found.curve[found.curve["carrier"] == wait.carrier].set_index("minutes")["chance"]
        assert (line.index.min(), line.index.max(), len(line)) == (1, 10, 61)
        assert line[wait.minutes] == pytest.approx(found.risk, abs=1e-9)
        assert line.is_monotonic_increasing


def test_a_window_of_which_nothing_is_told_has_empty_frames(dyed):
    found = lap_window(dyed)
    assert list(found.points.columns) == ["carrier", "minutes", "seen", "looks", "share", "method"]
    assert list(found.curve.columns) == ["carrier", "minutes", "chance", "method"]
    assert found.points.empty
    assert found.curve.empty
    assert found == lap_window(dyed)


def test_lap_window_of_steps(lapped):
    """The wait at index 0.2 is tau times 0.472 by the truth: 1.4 min in water, 3.8 min in alcohol."""
    found = lap_window(lapped, response="lap_step")
    water, alcohol = found.waits
    assert water.lower < 3 * math.sqrt(-math.log(0.8)) < water.upper
    assert alcohol.lower < 8 * math.sqrt(-math.log(0.8)) < alcohol.upper
    assert "until a lap shows 20 % of a full double coat" in found.sentence


def test_a_piece_held_to_the_window(lapped):
    window = lap_window(lapped, response="lap_step")
    water = window.waits[0]
    fits = window.window_against(60 * water.lower - 1)
    assert fits.answers[0].verdict == "fits"
    between = window.window_against(60 * water.minutes, 0.5)
    assert between.answers[0].verdict == "may not fit"
    too_long = window.window_against(60 * water.upper + 1, 0.5)
    assert too_long.answers[0].verdict == "does not fit"
    bay = too_long.answers[0].bay_m2
    assert 0.9 * water.lower * 0.5 <= bay <= water.lower * 0.5
    assert f"unless it is worked in bays of at most {bay:g} m²" in too_long.sentence
    with pytest.raises(ValueError, match="above nought"):
        window.window_against(0)


@pytest.mark.parametrize("name", ["lap_visibility", "lap_step"])
def test_with_one_board_a_carrier_nothing_is_promised(lapped, name):
    boards = lapped.patches.groupby("carrier")["board"].first()
    kept = set(lapped.patches.loc[lapped.patches["board"].isin(boards), "patch"].astype(str))
    rows = tuple(row for row in lapped.readings if row["patch"] in kept)
    window = lap_window(replace(lapped, readings=rows, journal=rows), response=name)
    assert {wait.no_limits for wait in window.waits} == {NoLimits.ONE_BOARD}
    assert all(one.sentence.endswith(" on the one board read") for one in window.waits)
    assert window.notes[-1].startswith("One board a carrier was read: how boards differ is not known")
    held = window.window_against(1)
    assert {answer.verdict for answer in held.answers} == {"cannot be told"}
    json.dumps([vars(wait) for wait in window.waits])


def test_a_sudden_lap_is_said(lapped):
    """The set control's step from 180 s on, none before: 90 s is promised, and no more."""
    times = lapped.patches.set_index("patch")["return_time"]
    rows = tuple(
        row | {"value": "0.0" if times[int(row["patch"])] in ("0 s", "60 s", "90 s") else repr(6.0 + 0.01 * at)}
        for at, row in enumerate(lapped.readings)
        if row["response"] == "lap_step"
    )  # fmt: skip
    window = lap_window(replace(lapped, readings=rows, journal=rows), response="lap_step")
    assert window.waits[0].sentence == (
        "with water the edge may wait 90 s but not 3 min until a lap shows 20 % of a full double coat"
    )
    assert window.notes[-1].startswith("Laps come too suddenly")
    assert [one.verdict for one in window.window_against(89).answers] == ["fits", "fits"]
    assert [one.verdict for one in window.window_against(91).answers] == ["may not fit", "may not fit"]


def made_window(**waits):
    """Return a window of waits in minutes: carrier=(minutes, lower, upper)."""
    made = tuple(Wait(name, *found, f"with {name} the edge may wait so long") for name, found in waits.items())
    return LapWindow("lap_visibility", 0.1, made, "profile", "Said.")


def test_a_piece_that_fits_with_a_helper():
    """Only at or below the lower limit does a return time fit, the helper's too: 4 min 30 s here."""
    window = made_window(alcohol=(6, 4.5, 8))
    found = window.window_against(540, 0.25, 270)
    (answer,) = found.answers
    assert (answer.verdict, answer.bay_m2, found.helper_s) == ("fits with a helper", 1.1, 270)
    assert found.sentence == (
        "With alcohol the edge may wait so long: this piece's 9 min does not fit alone; with a helper (4 min 30 s) "
        "it does, or in bays of at most 1.1 m²."
    )
    assert window.window_against(540, helper_s=270).sentence.endswith("with a helper (4 min 30 s) it does.")
    assert window.window_against(400, helper_s=270).sentence.endswith(
        "this piece's 6 min 40 s may not fit alone; with a helper (4 min 30 s) it does."
    )
    above = window.window_against(540, 0.25, 271).answers[0]
    assert above.verdict == "does not fit"
    assert above.sentence.endswith(
        "this piece's 9 min does not fit alone, and with a helper (4 min 31 s) it may not either, unless it is "
        "worked in bays of at most 1.1 m²"
    )
    assert window.window_against(1200, None, 600).sentence.endswith(
        "20 min does not fit alone, and with a helper (10 min) it does not either."
    )
    assert window.window_against(200, 0.25, 100).sentence.endswith("this piece's 3 min 20 s fits.")
    assert window.window_against(540, None, 540).sentence.endswith("this piece's 9 min does not fit.")
    with pytest.raises(ValueError, match="above nought"):
        window.window_against(540, None, 0)


def test_one_piece_and_carriers_that_differ():
    window = made_window(alcohol=(12, 10, 15), water=(3, 2, 4), oil=(6, 4.5, 8), spirit=(math.nan,) * 3)
    assert window.window_against(540).sentence == (
        "With alcohol the edge may wait so long: this piece's 9 min fits; with water the edge may wait so long: this "
        "piece's 9 min does not fit; with oil the edge may wait so long: this piece's 9 min does not fit; with "
        "spirit the edge may wait so long, so whether this piece's 9 min fits cannot be told."
    )
    helped = window.window_against(540, None, 270)
    assert [answer.verdict for answer in helped.answers] == [
        "fits", "does not fit", "fits with a helper", "cannot be told",
    ]  # fmt: skip
    assert helped.sentence == (
        "With alcohol the edge may wait so long: this piece's 9 min fits. With water the edge may wait so long: this "
        "piece's 9 min does not fit alone, and with a helper (4 min 30 s) it does not either. With oil the edge may "
        "wait so long: this piece's 9 min does not fit alone; with a helper (4 min 30 s) it does. With spirit the "
        "edge may wait so long, so whether this piece's 9 min fits cannot be told."
    )


def test_laps_that_tell_nothing_are_said(lapped):
    never = tuple(row | {"value": "1.0"} for row in lapped.readings if row["response"] == "lap_visibility")
    found = lap_window(replace(lapped, readings=never, journal=never))
    assert not found.told
    assert found.sentence.endswith("no lap was seen at any of the return times, 60 s to 10 min.")
    assert found.window_against(23).sentence == found.sentence
    assert "nothing is scored or measured of laps" in lap_window(lapped, response="grain").sentence


def test_waits_beyond_those_tried(lapped):
    """Laps seen at every third wait of 10 min only: no number beyond, and no promise beyond the lower limit."""
    codes = lapped.patches.set_index("patch")["return_time"]
    chosen = [row for row in lapped.readings if row["response"] == "lap_visibility"]
    late = 0
    readings = []
    for row in chosen:
        seen = codes[int(row["patch"])] in ("600 s", "24 h")
        late += seen
        readings.append(row | {"value": "4.0" if seen and late % 4 == 1 else "1.0"})
    found = lap_window(replace(lapped, readings=tuple(readings), journal=tuple(readings)), risk=0.9)
    assert all(math.isinf(wait.minutes) and wait.lower <= 10 for wait in found.waits)
    assert all("may wait" in wait.sentence and "tried" in wait.sentence for wait in found.waits)
    early = lap_window(lapped, risk=0.001)
    assert "less than 60 s, the shortest tried, at a risk of 1 in 1000" in early.waits[0].sentence


def test_the_lap_plan_is_read_as_such():
    from analysis.curves import roles

    plan = read_plan(REPOSITORY / "example_trials" / "lap-boards")
    assert roles.return_time(plan).name == "return_time"
    assert roles.carrier(plan).name == "carrier"
    assert roles.laps(plan).name == "lap_visibility"
    assert roles.dye_load(plan) is None
    assert roles.return_time(read_plan(EXAMPLE)) is None


def test_a_wait_that_no_wait_tried_bounds_cannot_be_told():
    row = {"group": "water", "x": 3.0, "lower": 0.0, "upper": math.inf, "no_limits": NoLimits.BETWEEN.value}
    found = waits.wait_of(row, pd.Series([1.0, 5.0]), "at a risk of 1 in 10")
    assert "cannot be told" in found.sentence
