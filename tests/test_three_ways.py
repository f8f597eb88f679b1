"""Three ways of counting grades: against published fits, plain listings and trials with a known answer."""

import json
import math
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats

from analysis import ordinal
from analysis.decide import decide
from analysis.three_ways import Way, agreed, three_ways
from analysis.three_ways.dealt import dealt_afresh, pieces_of
from analysis.three_ways.ordered import grade_difference, grade_differences, ordered_model, scale_of
from tests.conftest import EXAMPLE
from tests.trials_made import Pieces, read, trial_of, unread
from trials import folder as folders
from trials.plan import read_plan

WINE = Path(__file__).parent / "reference" / "data" / "wine-ordinal"


def factor(name, levels, laid_on):
    return f"[[factor]]\nname = {name!r}\nlevels = {list(levels)!r}\nlaid_on = {laid_on!r}\n"


def asked(name, between=(), response="figure_clarity"):
    pair = f"between = {list(between)!r}\n" if between else ""
    return f"[[question]]\nfactor = {name!r}\nresponse = {response!r}\nworth = 0.5\n{pair}"


def plan_text(*parts, boards=8, lots=1, lanes=2, strips=1, half=False):
    head = (
        '[trial]\ntitle = "Bar front in quartersawn sycamore"\n'
        f'[boards]\ncount = {boards}\nlots = {lots}\nlength = "400 mm"\nwidth = "150 mm"\n'
        f"lanes = {lanes}\nstrips = {strips}\n"
    )
    grades = (
        f'[[response]]\nname = "figure_clarity"\nkind = "grade"\naim = "more"\nhalf_grades = {str(half).lower()}\n'
    )
    return head + grades + "".join(parts)


SEAL = factor("seal_coat", ["none", "shellac"], "lane")
CARRIER = factor("carrier", ["water", "alcohol", "oil"], "board")
DWELL = factor("glaze_dwell", ["3 min", "6 min", "12 min"], "strip")


def compared(trial, **options):
    return three_ways(trial, decide(trial), **options)


def scored(effect, half=False, patch=0.2):
    """Give grades around 3 with boards, lanes and patches that differ, and an effect of shellac."""
    pieces = []

    def value(at, draw):
        if not pieces:
            pieces.append(Pieces(draw, board=0.4, lane=0.15, patch=patch))
        clear = 3 + pieces[0].shift(at) + effect * (at.get("seal_coat") == "shellac") + draw.gauss(0, 0.4)
        return min(5, max(1, round(2 * clear) / 2 if half else round(clear)))

    return value


# --- agreement -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("half", "assessors"), [(False, 2), (True, 1), (True, 3)])
def test_a_clear_effect_is_seen_all_three_ways(tmp_path, half, assessors):
    text = plan_text(SEAL, asked("seal_coat"), boards=11, strips=2, half=half)
    (one,) = compared(trial_of(tmp_path, text, scored(1.2, half), assessors=assessors))
    assert one.agree
    assert one.about == "pair"
    for way in one.ways:
        assert way.p < 0.05
        assert way.direction == 1
        assert way.estimate == pytest.approx(1.2, abs=0.3)  # some two standard errors
        assert way.lower < way.estimate < way.upper
    assert one.sentence.startswith(
        "All three ways of counting grades say the same: with seal coat shellac instead of none "
        "figure clarity came out clearer, which is better (taken as numbers p"
    )


def test_no_effect_is_seen_in_no_way(tmp_path):
    text = plan_text(SEAL, asked("seal_coat"), boards=10, strips=2)
    (one,) = compared(trial_of(tmp_path, text, scored(0.0), assessors=2))
    assert one.agree
    assert all(way.p > 0.05 and way.lower < 0 < way.upper for way in one.ways)
    assert "cannot be told from chance" in one.sentence


@pytest.mark.slow
def test_each_way_sees_an_effect_in_one_of_twenty_trials_without_any(tmp_path):
    """80 trials at 5 %: 0 to 9 in all but one of a hundred such tests (binomial)."""
    text = plan_text(SEAL, asked("seal_coat"), boards=8, strips=2)
    layouts = [unread(tmp_path / str(seed), text, seed) for seed in range(5)]
    seen = dict.fromkeys(("averages", "ordered", "rerandomised"), 0)
    for seed in range(80):
        (one,) = compared(read(layouts[seed % 5], scored(0.0), seed, assessors=2))
        for way in one.ways:
            seen[way.name] += way.p < 0.05
    assert stats.binom.cdf(9, 80, 0.05) > 0.98
    assert max(seen.values()) <= 9


def test_grades_bunched_at_the_end_of_the_scale_part_the_ways(tmp_path):
    """Shellac lifts nearly every patch from 4 to 5, the end of the scale, and one patch drops to 1.

    The one patch weighs heavily as a number and little as a word.
    """
    text = plan_text(SEAL, asked("seal_coat"), boards=10, strips=2)
    plain = {(board, strip): 5 if (board + strip) % 5 < 2 else 4 for board in range(1, 11) for strip in (1, 2)}

    def value(patch, _):
        if patch["seal_coat"] == "none":
            return plain[patch["board"], patch["strip"]]
        return 1 if (patch["board"], patch["strip"]) == (7, 1) else 5

    (one,) = compared(trial_of(tmp_path, text, value))
    assert one.averages.p > 0.05
    assert one.rerandomised.p > 0.1
    assert one.ordered.p < 0.05
    assert not one.agree
    assert one.sentence.startswith("The two disagree: seal coat shellac instead of none, figure clarity taken as")
    assert ": take it as open. By re-randomisation" in one.sentence
    assert f"odds {one.ordered.odds:.0f} to 1" in one.sentence


def way(name, estimate=0.5, p=0.01, half=0.3, **more):
    return Way(name, estimate, estimate - half, estimate + half, 0.95, p, p, **more)


@pytest.mark.parametrize(
    ("ways", "expected"),
    [
        ([way("averages"), way("ordered"), way("rerandomised")], True),
        ([way("averages"), way("ordered", p=0.2), way("rerandomised")], False),
        ([way("averages", p=0.04), way("ordered", p=0.06), way("rerandomised", p=0.03)], True),
        ([way("averages", p=0.04), way("ordered", p=0.11), way("rerandomised", p=0.03)], False),
        ([way("averages", p=0.02), way("ordered", p=0.06), way("rerandomised", p=0.03)], False),
        ([way("averages"), way("ordered", -0.5), way("rerandomised")], False),
        ([way("averages", 0.1, 0.6), way("ordered", -0.1, 0.6), way("rerandomised", 0.1, 0.6)], True),
        ([way("averages"), way("ordered", 1.5), way("rerandomised")], False),
        ([way("averages"), way("ordered", 1.5, half=1.2), way("rerandomised")], True),
        ([way("averages"), Way("ordered", why_not="no limit"), way("rerandomised")], True),
        ([way("averages"), Way("ordered", why_not="no limit"), way("rerandomised", p=0.4)], False),
        ([way("averages"), Way("ordered", why_not="no"), Way("rerandomised", why_not="no")], False),
    ],
)
def test_the_rule(ways, expected):
    assert agreed(ways, "pair") == expected
    assert agreed(ways[::-1], "pair") == expected


# --- the ordered way -------------------------------------------------------------------------------

ONE_PATCH = plan_text(
    factor("temp", ["cold", "warm"], "board"), factor("contact", ["no", "yes"], "board"), asked("temp"),
    asked("contact"), "[model]\ninteractions = []\n", lanes=1,
)  # fmt: skip


def wine_trial(place):
    """Eight boards in place of the eight bottles, judged by nine."""
    trial = trial_of(place, ONE_PATCH, lambda patch, draw: 3)
    wine = pd.read_csv(WINE / "data.csv")
    readings = []
    for treatment, rows in wine.groupby(["temp", "contact"]):
        patches = trial.patches.loc[
            (trial.patches["temp"] == treatment[0]) & (trial.patches["contact"] == treatment[1]), "patch"
        ]
        for bottle, patch in zip(sorted(set(rows["bottle"])), patches, strict=True):
            readings += [
                trial.readings[0]
                | {"patch": str(patch), "assessor": f"judge {row.judge}", "value": repr(float(row.rating))}
                for row in rows[rows["bottle"] == bottle].itertuples()
            ]
    return replace(trial, readings=tuple(readings))


def test_odds_and_grades_of_the_wines(tmp_path):
    """Randall (1989), Biometrical J. 31:781-793, as refitted in tests/reference/data/wine-ordinal (Laplace)."""
    expected = json.loads((WINE / "expected.json").read_text())["clmm_laplace"]
    found = compared(wine_trial(tmp_path))
    probabilities = np.array(expected["prob_averaged_over_judges"]) @ np.arange(1, 6)
    cold_no, warm_no, cold_yes, warm_yes = probabilities  # in the order of expected["cells"]
    in_grades = [(warm_no + warm_yes - cold_no - cold_yes) / 2, (cold_yes + warm_yes - cold_no - warm_no) / 2]
    coefficients = {row["name"]: row for row in expected["coefficients"]}
    for one, name, size in zip(found, ("tempwarm", "contactyes"), in_grades, strict=True):
        row = coefficients[name]
        ordered = one.ordered
        assert math.log(ordered.odds) == pytest.approx(row["estimate"], rel=1e-4)
        half = stats.t.ppf(0.975, 5) * row["se"]  # 8 boards less the mean and two factors
        assert math.log(ordered.odds_upper) - math.log(ordered.odds) == pytest.approx(half, rel=1e-3)
        se = (ordered.upper - ordered.estimate) / stats.t.ppf(0.975, 5)  # held to the published covariances below
        assert ordered.p == pytest.approx(2 * stats.t.sf(ordered.estimate / se, 5), rel=1e-8)
        assert ordered.p_factor == pytest.approx(ordered.p, rel=1e-8)
        assert ordered.estimate == pytest.approx(size, rel=1e-4)
        assert ordered.direction == 1
        assert one.agree


@pytest.mark.parametrize("wider", [1, 20])
def test_interval_in_grades_of_the_wines(wider):
    """The delta method worked anew from the published estimates and covariances, the mean grade by quadrature.

    As published the spread of the judges hardly adds to it; so once more with an error 20 times as large.
    """
    expected = json.loads((WINE / "expected.json").read_text())["clmm_laplace"]
    fit = ordinal.fit(pd.read_csv(WINE / "data.csv"), "rating", "temp + contact", ["judge"])
    at = np.array([*(row["estimate"] for row in expected["coefficients"]), math.log(expected["random"][0]["sd"])])

    def warmer_by(values):
        def grade(eta):
            def given(z):
                upper = stats.logistic.sf(values[:4] - eta - math.exp(values[6]) * z)
                return (1 + upper.sum()) * stats.norm.pdf(z)

            return integrate.quad(given, -9, 9)[0]

        return sum(grade(values[4] + other) - grade(other) for other in (0, values[5])) / 2

    steps = 1e-4 * np.eye(7)
    slope = np.array([(warmer_by(at + step) - warmer_by(at - step)) / 2e-4 for step in steps])
    times = np.array([1, 1, 1, 1, 1, 1, wider])
    se = math.sqrt((slope * times) @ np.array(expected["vcov"]) @ (slope * times))
    fit = replace(fit, covariance=fit.covariance * np.outer(times, times))
    found = grade_difference(fit, pd.read_csv(WINE / "data.csv"), "temp", "cold", "warm")
    assert found == pytest.approx((warmer_by(at), se), rel=1e-3)


def test_two_grades_and_nothing_random_give_the_difference_of_two_shares():
    """With two grades the model is saturated: the share of a binomial, whose variance is p (1 - p) / n."""
    frame = pd.DataFrame({"seal": ["none"] * 40 + ["thin"] * 50, "grade": [1] * 28 + [2] * 12 + [1] * 15 + [2] * 35})
    fit = ordinal.fit(frame, "grade", "seal")
    se = math.sqrt(0.3 * 0.7 / 40 + 0.7 * 0.3 / 50)
    assert grade_difference(fit, frame, "seal", "none", "thin") == pytest.approx((0.4, se), rel=1e-6)
    assert grade_difference(fit, frame, "seal", "thin", "none") == pytest.approx((-0.4, se), rel=1e-6)


def test_the_ordered_way_is_the_cumulative_link_model_of_the_single_grades(tmp_path):
    text = plan_text(SEAL, DWELL, asked("seal_coat"), asked("glaze_dwell", ["12 min", "3 min"]), boards=9, strips=3)
    trial = trial_of(tmp_path, text, scored(0.9, patch=0.9), assessors=2)
    rows = [
        {"patch": int(row["patch"]), "who": row["assessor"], "y": int(float(row["value"]))} for row in trial.readings
    ]
    frame = pd.DataFrame(rows).merge(trial.patches, on="patch")
    random = ["board", "board:lane", "board:strip", "patch", "who"]
    decision = decide(trial)
    frame = frame.assign(
        strip=frame["strip"].astype("category")
    )  # each dwell is as often on each strip, so that stands
    fit = ordinal.fit(frame, "y", "seal_coat * glaze_dwell + strip", random, grades=[1, 2, 3, 4, 5])
    seal, dwell = three_ways(trial, decision)
    alone = fit.differences("seal_coat").iloc[0]
    assert math.log(seal.ordered.odds) == pytest.approx(alone["difference"], rel=1e-3)
    half = stats.t.ppf(0.975, 8) * alone["se"]  # nine boards of two lanes leave 8 degrees of freedom
    assert math.log(seal.ordered.odds_lower) == pytest.approx(alone["difference"] - half, rel=5e-3)
    pairs = fit.differences("glaze_dwell").set_index(["first", "second"])
    turn = 1 if ("3 min", "12 min") in pairs.index else -1
    found = pairs.loc[("3 min", "12 min") if turn == 1 else ("12 min", "3 min")]
    assert (dwell.first, dwell.second) == ("12 min", "3 min")
    assert math.log(dwell.ordered.odds) == pytest.approx(turn * found["difference"], rel=1e-3, abs=1e-4)
    assert dwell.ordered.judged == "t with 14 degrees of freedom"
    assert dwell.ordered.p_factor_judged == "F with 2 and 14 degrees of freedom"
    model, treated = ordered_model(decision.analyses[0]), decision.analyses[0].table.treated
    levels = ["3 min", "6 min", "12 min"]
    steps, covariance = grade_differences(model.fit, treated, "glaze_dwell", levels)
    last = grade_difference(model.fit, treated, "glaze_dwell", "6 min", "12 min")
    apart = covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1]
    assert (steps[1] - steps[0], math.sqrt(apart)) == pytest.approx(last)
    f = steps @ np.linalg.inv(covariance) @ steps / 2
    assert dwell.ordered.p_factor == pytest.approx(stats.f.sf(f, 2, 14))


def test_half_grades_and_grades_never_given(tmp_path):
    text = plan_text(SEAL, asked("seal_coat"), boards=8, strips=2, half=True)

    def value(patch, draw):
        return draw.choice([1.5, 3, 4.5] if patch["seal_coat"] == "none" else [3, 4.5])

    trial = trial_of(tmp_path, text, value, assessors=2)
    assert scale_of(trial.plan.responses[0]) == [1, 1.5, 2, 2.5, 3, 3.5, 4, 4.5, 5]
    model = ordered_model(decide(trial).analyses[0])
    assert list(model.fit.thresholds.index) == ["1.5|3", "3|4.5"]
    (one,) = compared(trial)
    assert any("were never given" in note for note in one.ordered.notes)
    assert all(way.had and 0 < way.p < 1 for way in one.ways)


# --- re-randomisation ------------------------------------------------------------------------------


def swapped(values, shift=0.0):
    """List every deal of two lanes over each board: the share whose mean difference is as large as the one seen."""
    gaps = np.array([second - first - shift for first, second in values])
    sums = np.array([np.dot(signs, gaps) for signs in product((1, -1), repeat=len(gaps))])
    return float(np.mean(np.abs(sums) >= abs(gaps.sum()) - 1e-9))


def lane_values(trial):
    table = trial.patches[trial.patches["control"] == ""].assign(patch=lambda t: t["patch"].astype(str))
    read = pd.DataFrame(list(trial.readings))[["patch", "value"]].astype({"value": float})
    joined = table.merge(read, on="patch").groupby(["board", "seal_coat"])["value"].mean().unstack()
    return list(zip(joined["none"], joined["shellac"], strict=True))


def test_p_and_interval_are_those_of_a_plain_listing(tmp_path):
    text = plan_text(SEAL, asked("seal_coat"), boards=7, strips=2, half=True)
    trial = trial_of(tmp_path, text, scored(0.6, half=True), seed=4)
    (one,) = compared(trial)
    pairs, dealt = lane_values(trial), one.rerandomised
    assert dealt.p == pytest.approx(swapped(pairs), abs=1e-12)
    assert dealt.p_factor == dealt.p
    assert dealt.judged == "all 128 arrangements"
    assert dealt.estimate == pytest.approx(np.mean([second - first for first, second in pairs]))
    fine = 4 / 2000
    assert swapped(pairs, dealt.lower - fine) <= 0.05 < swapped(pairs, dealt.lower + 2 * fine)
    assert swapped(pairs, dealt.upper + fine) <= 0.05 < swapped(pairs, dealt.upper - 2 * fine)


@pytest.mark.parametrize("boards", [10, 11])
def test_few_arrangements_are_shown_and_take_no_part(tmp_path, boards):
    """Ten boards turn their lanes round in 252 ways, five each way; eleven in 2048 ways, any way."""
    trial = trial_of(tmp_path, plan_text(SEAL, asked("seal_coat"), boards=boards, strips=2), scored(1.2), assessors=2)
    (one,) = compared(trial)
    dealt = replace(one.rerandomised, p=0.9, p_factor=0.9, estimate=-9.0)
    assert dealt.arrangements == {10: 252, 11: 2048}[boards]
    assert dealt.had
    assert agreed((one.averages, one.ordered, dealt), "pair") == (boards == 10)
    assert ("too blunt to be compared" in one.sentence) == (boards == 10)


def test_controls_are_not_dealt(tmp_path):
    """A control strip on every board whose grades would drown all else."""
    control = '[[control]]\nname = "bare"\nlaid_on = "strip"\n'
    text = plan_text(SEAL, asked("seal_coat"), control, boards=7, strips=3, half=True)
    value = scored(0.6, half=True)

    def with_controls(patch, draw):
        return value(patch, draw) if not patch["control"] else 1 + 4 * (patch["lane"] % 2)

    trial = trial_of(tmp_path, text, with_controls, seed=4)
    (one,) = compared(trial)
    assert one.rerandomised.p == pytest.approx(swapped(lane_values(trial)), abs=1e-12)
    assert not ordered_model(decide(trial).analyses[0]).analysis.table.treated["control"].any()


def test_a_named_pair_of_three_is_dealt_on_its_own_pieces(tmp_path):
    """Two deals of the pair on each of eight boards; the strip with the third level stays out."""
    text = plan_text(DWELL, asked("glaze_dwell", ["3 min", "12 min"]), boards=8, lanes=1, strips=3)

    def value(patch, draw):
        return {"3 min": 2, "6 min": draw.choice([1, 5]), "12 min": 3}[patch["glaze_dwell"]] + draw.choice([0, 0, 1])

    trial = trial_of(tmp_path, text, value)
    (one,) = compared(trial)
    read = {row["patch"]: float(row["value"]) for row in trial.readings}
    rows = trial.patches.assign(value=[read[str(patch)] for patch in trial.patches["patch"]])
    wide = rows.pivot(index="board", columns="glaze_dwell", values="value")
    pairs = list(zip(wide["3 min"], wide["12 min"], strict=True))
    assert one.about == "pair"
    assert one.rerandomised.p == pytest.approx(swapped(pairs), abs=1e-12)
    assert one.rerandomised.estimate == pytest.approx(float((wide["12 min"] - wide["3 min"]).mean()))
    assert one.rerandomised.notes[0] == "The test is on the pieces with 3 min and 12 min alone."
    assert one.rerandomised.p_factor > 0


def test_a_pair_with_too_few_boards_is_tested_as_the_whole_factor(tmp_path):
    """Three lots of one board a carrier leave 2 x 2 x 2 deals of a pair, and 6 x 6 x 6 of the three carriers."""
    text = plan_text(CARRIER, SEAL, asked("carrier", ["water", "oil"]), boards=9, lots=3)

    def value(patch, draw):
        return {"water": 2, "alcohol": 3, "oil": 4}[patch["carrier"]] + draw.choice([-1, 0, 1])

    (one,) = compared(trial_of(tmp_path, text, value, assessors=2))
    assert one.about == "factor"
    assert one.rerandomised.judged == ""
    assert one.rerandomised.p_factor_judged == "all 216 arrangements"  # 3! in each of three lots
    assert one.rerandomised.p_factor >= 6 / 216  # the names of the levels may change places everywhere
    assert "allow no answer: there are only 8 arrangements" in one.rerandomised.notes[0]
    assert math.isnan(one.rerandomised.estimate)
    assert "that can be compared say the same: figure clarity differs between" in one.sentence
    assert "By re-randomisation differs" in one.sentence
    assert one.sentence.endswith("of 216 arrangements that is too blunt to be compared.")


def test_no_pair_named_is_the_factor_as_a_whole(tmp_path):
    text = plan_text(CARRIER, SEAL, asked("carrier"), boards=9)
    trial = trial_of(tmp_path, text, scored(0.5))
    decision = decide(trial)
    (one,) = three_ways(trial, decision)
    assert one.about == "factor"
    assert one.averages.p_factor == decision.analyses[0].tests.loc["carrier", "p"]
    assert one.averages.p == decision.findings[0].leading.p
    assert one.averages.level == pytest.approx(1 - 0.05 / 3)
    assert one.rerandomised.p_factor_judged == "all 1680 arrangements"  # 9! / (3! 3! 3!)


def test_drawn_arrangements_follow_the_seed(tmp_path):
    text = plan_text(SEAL, asked("seal_coat"), boards=24)
    trial = trial_of(tmp_path, text, scored(0.3), assessors=1)
    decision = decide(trial)
    first, again, other = (three_ways(trial, decision, seed=seed)[0].rerandomised for seed in (1, 1, 2))
    assert first == again
    assert first.judged == "99999 arrangements drawn with seed 1"
    assert first.p != other.p
    assert abs(first.p - other.p) < 0.02


STRIP = factor("dwell", ["a", "b"], "strip")


@pytest.mark.parametrize(
    ("factors", "expected"),
    [
        ([SEAL], {"seal_coat": ["board", "lane"], "buff": ["board", "lane", "patch"]}),
        ([STRIP], {"dwell": ["board", "strip"], "buff": ["board", "strip", "patch"]}),
        ([SEAL, STRIP], {"seal_coat": ["board", "lane"], "dwell": ["board", "strip"], "buff": ["board", "patch"]}),
        ([CARRIER], {"carrier": ["lot", "board"], "buff": ["board", "patch"]}),
    ],
)
def test_a_factor_is_dealt_over_what_it_is_laid_on(tmp_path, factors, expected):
    buff = factor("buff", ["x", "y"], "patch")
    (tmp_path / "trial.toml").write_text(plan_text(*factors, buff, asked("buff"), strips=2), encoding="utf-8")
    assert pieces_of(read_plan(tmp_path)) == expected


# --- what cannot be had ----------------------------------------------------------------------------


def test_complete_separation_is_said_and_no_number_given(tmp_path):
    text = plan_text(SEAL, asked("seal_coat"), boards=11, strips=2)

    def value(patch, draw):
        return draw.choice([1, 2]) if patch["seal_coat"] == "none" else draw.choice([4, 5])

    (one,) = compared(trial_of(tmp_path, text, value, assessors=2))
    assert not one.ordered.had
    assert "no limit, as where the grades of two levels do not overlap" in one.ordered.why_not
    assert all(math.isnan(number) for number in (one.ordered.odds, one.ordered.p, one.ordered.estimate))
    assert one.rerandomised.p == pytest.approx(2 / 2**11)
    assert one.agree
    assert one.sentence.startswith(
        "The two ways of counting grades that can be compared say the same: with seal coat"
    )
    assert "As ordered words it cannot be had: the readings set the ordered model no limit" in one.sentence


def test_separation_by_one_factor_leaves_the_other_its_numbers(tmp_path):
    text = plan_text(CARRIER, SEAL, asked("carrier"), asked("seal_coat"), boards=12, strips=2)

    def value(patch, draw):
        chance = 0.75 if patch["seal_coat"] == "shellac" else 0.25
        return {"water": 1, "alcohol": 1, "oil": 4}[patch["carrier"]] + (draw.random() < chance)

    carrier, seal = compared(trial_of(tmp_path, text, value, assessors=2))
    assert not carrier.ordered.had
    assert seal.ordered.had
    assert 1 < seal.ordered.odds < 100
    assert seal.ordered.p < 0.05


def test_too_few_boards_for_any_deal(tmp_path):
    text = plan_text(SEAL, asked("seal_coat"), boards=3, strips=3)
    (one,) = compared(trial_of(tmp_path, text, scored(0.8), assessors=2))
    assert not one.rerandomised.had
    assert one.rerandomised.why_not == "there are only 8 arrangements, so that p cannot fall below 0.25"
    assert one.rerandomised.p >= 0.25
    assert math.isnan(one.rerandomised.lower)
    assert "By re-randomisation it cannot be had: there are only 8 arrangements" in one.sentence


def test_a_factor_that_cannot_be_judged(tmp_path):
    text = plan_text(CARRIER, SEAL, asked("carrier", ["water", "oil"]), boards=3, strips=2)
    (one,) = compared(trial_of(tmp_path, text, scored(0.8), assessors=2))
    assert not any(way.had for way in one.ways)
    assert not one.agree
    assert "no way of counting grades gives an answer: carrier: one board for each setting" in one.sentence


@pytest.mark.parametrize("grade", [lambda patch, draw: 4, lambda patch, draw: None])
def test_nothing_to_compare(tmp_path, grade):
    text = plan_text(
        SEAL, asked("seal_coat"), '[[response]]\nname = "gloss"\nkind = "measure"\nunit = "GU"\naim = "more"\n'
    )

    def value(patch, draw):
        return grade(patch, draw) if patch["response"] == "figure_clarity" else draw.uniform(10, 20)

    (one,) = compared(trial_of(tmp_path, text, value))
    assert not one.agree
    assert all(way.why_not and math.isnan(way.p) for way in one.ways)
    assert "nan" not in one.sentence


@pytest.mark.parametrize("seed", range(12))
def test_gaps_and_few_grades_give_numbers_or_reasons(tmp_path, seed):
    """Unbalanced, a third of the readings missing, one to three assessors, few grades used."""
    text = plan_text(
        CARRIER, SEAL, DWELL, asked("carrier"), asked("carrier", ["water", "oil"]), asked("seal_coat"),
        asked("glaze_dwell", ["3 min", "6 min"]), boards=7, strips=3, half=bool(seed % 2),
    )  # fmt: skip
    scale = [(1, 5), (4, 5), (2, 3, 4), (1, 2, 3, 4, 5)][seed % 4]

    def value(patch, draw):
        return None if draw.random() < 1 / 3 else draw.choice(scale)

    found = compared(trial_of(tmp_path, text, value, seed=seed, assessors=1 + seed % 3))
    assert len(found) == 4
    for one in found:
        assert "nan" not in one.sentence
        for each in one.ways:
            numbers = (each.estimate, each.lower, each.upper, each.odds, each.odds_lower, each.odds_upper)
            assert not any(math.isinf(number) for number in numbers)
            assert each.why_not or 0 < each.p_about(one.about) <= 1
            if each.had and not math.isnan(each.lower):
                assert -4 <= each.lower <= each.estimate <= each.upper <= 4


# --- all together ----------------------------------------------------------------------------------


def test_the_example_trial_says_the_same_three_ways():
    trial = folders.load(EXAMPLE)
    told = []
    found = three_ways(trial, decide(trial), progress=lambda done, of: told.append((done, of)))
    assert told == [(1, 3), (2, 3), (3, 3)]
    assert [one.question.response for one in found] == ["figure_clarity", "lap_visibility", "figure_clarity"]
    truth = json.loads((EXAMPLE / "truth.json").read_text())["questions"]
    size = {(one["factor"], one["response"], one["first"], one["second"]): one["difference"] for one in truth}
    for one in found:
        assert one.agree
        forward = (one.question.factor, one.question.response, one.first, one.second)
        backward = (*forward[:2], one.second, one.first)
        true = size[forward] if forward in size else -size[backward]
        assert all(way.direction == math.copysign(1, true) for way in one.ways)
        assert all(way.lower < true < way.upper for way in one.ways)


def test_p_is_adjusted_over_the_questions_asked_beforehand():
    """Holm (1979) by hand: the smallest p times four, the next times three, and so on, never falling."""
    trial = folders.load(EXAMPLE)
    decision = decide(trial)
    found = three_ways(trial, decision)
    measured = float(next(a for a in decision.analyses if a.response.name == "darkness").tests.loc["carrier", "p"])
    for name in ("averages", "ordered", "rerandomised"):
        ways = [getattr(one, name) for one in found]
        ordered = sorted([measured, *(each.p for each in ways)])
        steps = np.maximum.accumulate([p * times for p, times in zip(ordered, (4, 3, 2, 1), strict=True)])
        adjusted = dict(zip(ordered, np.minimum(steps, 1), strict=True))
        assert [each.p_all for each in ways] == pytest.approx([adjusted[each.p] for each in ways])


def test_a_question_asked_later_is_not_adjusted(tmp_path):
    trial = trial_of(tmp_path, plan_text(SEAL, asked("seal_coat")), scored(0.5), assessors=2)
    decision = decide(trial)
    later = replace(decision, findings=tuple(replace(one, asked=False) for one in decision.findings))
    before, after = (three_ways(trial, one)[0] for one in (decision, later))
    assert before.averages.p_all == before.averages.p == after.averages.p
    assert math.isnan(after.averages.p_all)


@pytest.mark.parametrize("leading", ["averages", "ordered", "rerandomised"])
def test_the_leading_way_comes_first(tmp_path, leading):
    said = {"averages": "taken as numbers", "ordered": "as ordered words", "rerandomised": "by re-randomisation"}
    trial = trial_of(tmp_path, plan_text(SEAL, asked("seal_coat"), boards=11), scored(0.5), assessors=2)
    (one,) = compared(trial, leading=leading)
    assert one.led.name == leading
    assert one.ways[0] is one.led
    assert min(said, key=lambda name: one.sentence.index(said[name])) == leading


def test_no_such_way_to_lead(tmp_path):
    trial = trial_of(tmp_path, plan_text(SEAL, asked("seal_coat")), scored(0.5))
    with pytest.raises(ValueError, match="leading is 'words'; it must be one of averages, ordered, rerandomised"):
        compared(trial, leading="words")


def test_the_levels_may_be_turned_round(tmp_path):
    trial = trial_of(tmp_path, plan_text(SEAL, asked("seal_coat"), strips=2), scored(0.5), assessors=2)
    analysis = decide(trial).analyses[0]
    model = ordered_model(analysis)
    there, back = (
        (
            dealt_afresh(analysis, "seal_coat", pair, is_one_pair=True, seed=0).way,
            model.way("seal_coat", *pair, df=7, df_factor=7, level=0.95),
        )
        for pair in (("none", "shellac"), ("shellac", "none"))
    )
    for one, other in zip(there, back, strict=True):
        assert (one.estimate, one.lower, one.p) == pytest.approx((-other.estimate, -other.upper, other.p), abs=1e-9)
    assert there[1].odds == pytest.approx(1 / back[1].odds)
