"""What a layout can be expected to tell, against simulation, fitted models and independent power formulas."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.power import FTestAnovaPower, TTestPower

from analysis import combinations, decide, mixed, precision, priors, strata
from analysis.outlook_page import sentences
from analysis.precision import made_up, verdicts
from tests.conftest import EXAMPLE, SMALL
from tests.trials_made import Pieces, trial_of
from trials import structure
from trials.design import lay_out
from trials.errors import UserError
from trials.plan import Question, read_plan

DATA = Path(__file__).parent / "reference" / "data"
VARIANCES = {"board": 0.25, "board:lane": 0.05, "board:strip": 0.04, "residual": 0.2}
WITH_LOTS = {"lot": 0.3, **VARIANCES}
SEAL = Question("seal_coat", "figure_clarity", 0.5)
CARRIER = Question("carrier", "figure_clarity", 1.0)
ONE_STRATUM = """\
[trial]
title = "Sample pieces of quartersawn lacewood"
[boards]
count = 12
length = "200 mm"
width = "150 mm"
[[factor]]
name = "carrier"
levels = ["water", "alcohol", "oil"]
laid_on = "board"
[[response]]
name = "darkness"
kind = "measure"
unit = "L*"
aim = "less"
"""


def planned(tmp_path, text):
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    return read_plan(tmp_path)


@pytest.fixture
def small(tmp_path):
    return planned(tmp_path, SMALL.replace("count = 4", "count = 8"))


@pytest.fixture
def uneven(tmp_path):
    """Two lots of five boards each for two carriers."""
    return planned(tmp_path, SMALL.replace("count = 4", "count = 10\nlots = 2"))


@pytest.fixture(scope="module")
def example():
    return read_plan(EXAMPLE)


def told_of(plan):
    return structure.of_layout(plan, lay_out(plan, 1).patches)


# --- power -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("worth", [0.5, 1.5, 3.0])
def test_one_stratum_against_an_independent_formula(tmp_path, worth):
    """Cohen's f of three means with two of them a worth apart and one midway is worth / sqrt(6) / sd."""
    plan = planned(tmp_path, ONE_STRATUM)
    found = precision.power(plan, ("carrier", worth), {"residual": 1.3**2})
    f = worth / math.sqrt(6) / 1.3
    assert found == pytest.approx(FTestAnovaPower().power(f, nobs=12, alpha=0.05, k_groups=3), rel=1e-8)


def test_two_lanes_are_a_paired_t_test(tmp_path):
    """A difference within boards has the variance 2 s2 a board, on one degree of freedom a board less one."""
    text = ONE_STRATUM.replace('["water", "alcohol", "oil"]', '["none", "shellac"]').replace(
        'laid_on = "board"', 'laid_on = "lane"'
    )
    text = text.replace("count = 12", "count = 13")  # an odd number, so that no place of a lane stands in the model
    plan = planned(tmp_path, text.replace('width = "150 mm"', 'width = "150 mm"\nlanes = 2'))
    found = precision.power(plan, ("carrier", 0.8), {"board": 4.0, "residual": 0.6})
    expected = TTestPower().power(0.8 / math.sqrt(2 * 0.6), nobs=13, alpha=0.05, alternative="two-sided")
    assert found == pytest.approx(expected, rel=1e-7)


TERMS = ["carrier", "seal_coat", "glaze_dwell", "carrier:seal_coat", "seal_coat:glaze_dwell"]


@pytest.mark.parametrize("term", TERMS)
def test_against_simulated_strata(small, term):
    layout = lay_out(small, 3)
    told = told_of(small)
    treated = layout.patches
    made = strata.plan(treated, told.fixed, told.random)
    signs = np.prod(
        [np.where(treated[name] == small.factor(name).levels[1], 0.5, -0.5) for name in term.split(":")], 0
    )
    worth = 0.9
    count = 20_000
    f = made.simulate(worth * signs, VARIANCES, count, np.random.default_rng(5))
    at = made.terms.index(term)
    significant = float((made.p(f)[at] < 0.05).mean())
    found = precision.power(small, (term, worth), VARIANCES)
    assert abs(found - significant) < 4.5 * math.sqrt(found * (1 - found) / count)


@pytest.mark.parametrize("term", TERMS)
def test_plan_layout_structure_and_prior_agree(small, term):
    expected = precision.power(small, (term, 0.7), VARIANCES)
    prior = priors.Prior(pd.Series(VARIANCES), "")
    assert precision.power(told_of(small), (term, 0.7), VARIANCES) == pytest.approx(expected, rel=1e-10)
    assert precision.power(small, (term, 0.7), prior) == expected


def test_lots_and_controls(example):
    expected = precision.power(example, ("glaze_dwell", 0.5), WITH_LOTS)
    assert precision.power(lay_out(example, 4), ("glaze_dwell", 0.5), WITH_LOTS) == pytest.approx(expected, rel=1e-10)
    assert precision.power(told_of(example), ("glaze_dwell", 0.5), WITH_LOTS) == pytest.approx(expected, rel=1e-10)


def test_the_means_taken_for_a_worth_are_the_hardest_to_find(tmp_path):
    plan = planned(tmp_path, ONE_STRATUM)
    hardest = precision.power(plan, ("carrier", 2.0), {"residual": 1.0})
    for middle in (-1.0, -0.4, 0.3, 1.0):
        means = {"water": -1.0, "alcohol": middle, "oil": 1.0}
        assert precision.power(plan, ("carrier", means), {"residual": 1.0}) > hardest
    midway = {"water": 3.0, "alcohol": 4.0, "oil": 5.0}
    assert precision.power(plan, ("carrier", midway), {"residual": 1.0}) == pytest.approx(hardest, rel=1e-12)


def test_no_effect_has_the_power_of_the_level(small):
    assert precision.power(small, ("seal_coat", 0.0), VARIANCES, level=0.1) == pytest.approx(0.1, rel=1e-9)


def test_nothing_to_judge_by(tmp_path):
    plan = planned(tmp_path, SMALL.replace("count = 4", "count = 2"))
    assert math.isnan(precision.power(plan, ("carrier", 1.0), VARIANCES))
    assert math.isnan(precision.power(told_of(plan), ("carrier", 1.0), VARIANCES))


@pytest.mark.parametrize(
    ("effect", "variances", "why"),
    [
        (("carier", 1.0), VARIANCES, "no effect 'carier'; write 'carrier'"),
        (("carrier", 1.0), {"board": 1.0, "residual": 1.0}, "no variance is given for 'board:lane'"),
        (("carrier", 1.0), WITH_LOTS, "'lot', which is no piece"),
        (("carrier", 1.0), VARIANCES | {"board": -1.0}, "variance of 'board' is -1"),
        (("carrier", {"water": 1.0}), VARIANCES, "no mean is given for alcohol"),
        (("carrier", [1.0, 2.0, 3.0]), VARIANCES, "3 means for 2 levels"),
        (("carrier", math.nan), VARIANCES, "not a finite number"),
    ],
)
def test_what_does_not_go_together_is_said(small, effect, variances, why):
    with pytest.raises(UserError, match=why):
        precision.power(small, effect, variances)


def test_an_unbalanced_layout_is_refused(uneven):
    for given in (uneven, told_of(uneven)):
        with pytest.raises(UserError, match="not balanced"):
            precision.power(given, ("carrier", 1.0), WITH_LOTS)


# --- expected --------------------------------------------------------------------------------------


def test_standard_errors_of_a_criss_cross_layout(small):
    """By hand: 8 boards of 2 by 2; the boards' mean square is s + 2 l + 2 t + 4 b, the lanes' s + 2 l."""
    found = {one.effect: one for one in precision.expected(small, lay_out(small, 1), {"figure_clarity": VARIANCES})}
    board, lane, strip, rest = VARIANCES.values()
    squares = {
        "carrier": rest + 2 * lane + 2 * strip + 4 * board,
        "seal_coat": rest + 2 * lane,
        "glaze_dwell": rest + 2 * strip,
    }
    for name, square in squares.items():
        assert found[name].se == pytest.approx(math.sqrt(square * 2 / 16), rel=1e-9)
        # 8 boards less a mean a carrier; within boards the place of the lane (or strip) takes one more
        assert found[name].error_df == pytest.approx(6 if name == "carrier" else 5, rel=1e-6)
        assert found[name].exact
    assert found["seal_coat:glaze_dwell"].se == pytest.approx(math.sqrt(rest * 4 / 8), rel=1e-9)


def test_degrees_of_freedom_are_those_of_the_strata(example):
    found = precision.expected(example, lay_out(example, 1), {"figure_clarity": WITH_LOTS})
    told = told_of(example)
    assert {one.effect for one in found} == set(told.by_name)
    for one in found:
        assert one.exact
        assert one.error_df == pytest.approx(told.by_name[one.effect].error_df, rel=1e-6)


def test_power_agrees_with_the_exact_one(example):
    for one in precision.expected(example, lay_out(example, 1), {"figure_clarity": WITH_LOTS}):
        if one.question and not one.question.between:
            exact = precision.power(example, (one.effect, one.question.worth), WITH_LOTS)
            assert one.power == pytest.approx(exact, rel=1e-6)


@pytest.mark.parametrize("name", ["oats-split-plot", "oats-unbalanced"])
def test_degrees_of_freedom_are_kenward_and_rogers_at_the_fitted_variances(name):
    frame = pd.read_csv(DATA / name / "data.csv")
    frame = frame.assign(nitro=frame["nitro"].astype(str))
    fit = mixed.fit(frame, "yield", "nitro * variety", ["block", "block:variety"])
    known = precision.KnownVariances(frame[["block", "variety", "nitro"]], "nitro * variety", dict(fit.variances))
    for term in ("nitro", "variety"):
        wanted = combinations.differences(known.part, term, None)
        se, df = known.of(wanted)
        table = fit.differences(term)
        rows = wanted.rows[:, fit.span.kept]
        covariance = np.einsum("ij,ij->i", rows @ fit.precision.covariance, rows)
        assert se == pytest.approx(np.sqrt(covariance), rel=1e-6)
        assert df == pytest.approx(table["df"].to_numpy(), rel=1e-5)


def test_bonferroni_only_where_all_pairs_are_compared(example):
    found = {one.effect: one for one in precision.expected(example, lay_out(example, 1)) if one.question}
    assert found["carrier"].level == pytest.approx(1 - 0.05 / 3)
    assert found["glaze_dwell"].level == pytest.approx(0.95)
    assert found["glaze_dwell"].contrast == "12 min - 3 min"


def test_boards_added_later_are_foreseen_at_the_level_they_are_decided_at(tmp_path):
    """99 %, and p below .01; whether several pairs are compared does not hang on it."""
    plan = planned(tmp_path, SMALL.replace("count = 4", "count = 8"))
    layout = lay_out(plan, 1)
    first, later = (
        precision.expected(one, layout, {"figure_clarity": VARIANCES}) for one in (plan, replace(plan, added=(4,)))
    )
    for one, two in zip(first, later, strict=True):
        assert (one.level, two.level) == pytest.approx((0.95, 0.99))
        assert two.se == pytest.approx(one.se)
        wider = stats.t.ppf(0.995, one.error_df) / stats.t.ppf(0.975, one.error_df)
        assert two.half_width == pytest.approx(one.half_width * wider)
        assert not sentences.several_pairs(two)
    assert later[0].settles < first[0].settles
    assert later[0].power < first[0].power


def test_what_cannot_be_judged_is_said(tmp_path):
    plan = planned(tmp_path, SMALL.replace("count = 4", "count = 2"))
    found = {one.effect: one for one in precision.expected(plan, lay_out(plan, 1), {"darkness": VARIANCES})}
    assert not found["carrier"].can_be_judged
    assert math.isnan(found["carrier"].se)
    assert "cannot be told apart" in found["carrier"].why_not
    assert found["seal_coat"].can_be_judged


def test_unequal_numbers_of_boards_are_not_called_exact(tmp_path):
    plan = planned(tmp_path, SMALL.replace("count = 4", "count = 7"))
    found = precision.expected(plan, lay_out(plan, 1), {"figure_clarity": VARIANCES})
    assert not any(one.exact for one in found)
    carrier = next(one for one in found if one.effect == "carrier")
    assert carrier.se == pytest.approx(math.sqrt((0.2 + 0.1 + 0.08 + 1.0) * (1 / 12 + 1 / 16)), rel=1e-9)
    with pytest.raises(UserError, match="not balanced"):
        precision.power(told_of(plan), ("carrier", 1.0), VARIANCES)


# --- the chances of the verdicts -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("levels", "df", "worth"), [(3, 4, 2.5), (3, 8, 4.0), (4, 8, 3.0), (3, 1, 2.0), (6, 20, 6.0)]
)
def test_chances_of_several_levels_against_drawing_means(levels, df, worth):
    """Level means and one chi-square, 100 000 times: four Monte Carlo standard errors are at most 0.006."""
    rng = np.random.default_rng(levels)
    level = 1 - 0.05 / math.comb(levels, 2)
    means = rng.standard_normal((100_000, levels)) / math.sqrt(2)
    half = stats.t.ppf(0.5 + level / 2, df) * np.sqrt(rng.chisquare(df, len(means)) / df)
    none = (np.ptp(means, axis=1) + half < worth).mean()
    means[:, [0, -1]] += -worth, worth
    gains = (np.ptp(means, axis=1) - half >= worth).mean()
    assert verdicts.chances(1.0, df, levels, level, worth) == pytest.approx((gains, none), abs=0.006)


def test_the_verdict_reckoned_with_is_that_of_decide():
    """The pair furthest apart and its own interval, turned so that it is a gain; a single pair as it was named."""

    def said(differences, halves):
        made = [
            decide.Comparison("x", "y", *[gain, gain - half, gain + half] * 2, 1.0, 9.0, 0.5)
            for gain, half in zip(differences, halves, strict=True)
        ]
        leading = max(made, key=lambda one: abs(one.gain))
        return decide.judge(leading.turned() if len(made) > 1 and leading.gain < 0 else leading, 1.0)

    rng = np.random.default_rng(2)
    for pairs in (1, 3):
        differences, halves = rng.normal(0, 0.8, (200, pairs)), rng.uniform(0.2, 1.5, (200, pairs))
        worth_it, not_worth_it = made_up.verdicts(differences, halves, 1.0)
        found = [said(*both) for both in zip(differences, halves, strict=True)]
        assert list(worth_it) == [one == decide.WORTH_IT for one in found]
        assert list(not_worth_it) == [one == decide.NOT_WORTH_IT for one in found]
        assert len(set(found)) == 3


def test_levels_on_unequal_numbers_of_boards_are_made_up(tmp_path):
    """Seven boards for three carriers: the chances are those of a simulation with numbers of its own."""
    text = SMALL.replace('"water", "alcohol"', '"water", "alcohol", "oil"').replace("count = 4", "count = 7")
    plan = planned(tmp_path, text)
    question = Question("carrier", "figure_clarity", 2.0, ())
    plan = replace(plan, questions=(question,))
    variances = VARIANCES | {"board": 0.1}
    layout = lay_out(plan, 1)
    one = precision.expected(plan, layout, {"figure_clarity": variances})[0]
    found = precision.simulate(plan, layout, question, variances, 4.0, count=1000, seed=5)
    assert not one.exact
    assert one.chance == one.says_none < one.settles
    for said, share in ((one.settles, found.settled), (one.says_none, found.says_none)):
        assert abs(said - share) < 4.5 * math.sqrt(2 * share * (1 - share) / 1000)


# --- simulation ------------------------------------------------------------------------------------


@pytest.mark.parametrize("gain", [0.0, 1.0])
def test_settling_and_half_width_against_simulation(small, gain):
    layout = lay_out(small, 1)
    plan = replace(small, questions=(SEAL,))
    expected = precision.expected(plan, layout, {"figure_clarity": VARIANCES})[0]
    found = precision.simulate(plan, layout, SEAL, VARIANCES, gain, count=4000, seed=11)
    error = math.sqrt(expected.settles * (1 - expected.settles) / found.count)
    assert abs(found.settled - expected.settles) < 4.5 * error
    assert abs(found.says_none - expected.says_none) < 4.5 * error
    assert abs(found.half_width - expected.half_width) < 4.5 * found.half_width_se
    assert 0.05 < expected.settles < 0.95


@pytest.mark.slow
def test_an_unbalanced_layout_against_fitted_models(uneven):
    """Approximate here: a component fitted at zero, and Kenward and Roger's widening, shift both a little."""
    layout = lay_out(uneven, 1)
    plan = replace(uneven, questions=(CARRIER,))
    expected = precision.expected(plan, layout, {"figure_clarity": WITH_LOTS})[0]
    assert not expected.exact
    found = precision.simulate(plan, layout, CARRIER, WITH_LOTS, 2.0, count=600, seed=2)
    assert found.half_width == pytest.approx(expected.half_width, rel=0.05)
    assert abs(found.settled - expected.settles) < 0.05


def test_a_simulation_is_repeated_by_its_seed(small):
    layout = lay_out(small, 1)
    first, again, other = (
        precision.simulate(small, layout, SEAL, VARIANCES, 0.0, count=50, seed=seed) for seed in (1, 1, 2)
    )
    assert first == again
    assert first.half_width != other.half_width


# --- size ------------------------------------------------------------------------------------------


WHOLE = [6, 12, 18, 24, 30, 36]


def test_more_boards_tell_more(example):
    table = precision.size(example, example.questions[0], boards=WHOLE)
    assert list(table["boards"]) == WHOLE
    assert set(table["method"]) == {"exact"}
    told = table[table["df"] > 0]
    assert (np.diff(told["half_width"]) < 0).all()
    assert (np.diff(told["power"]) > 0).all()
    assert (np.diff(told["settles"]) > 0).all()


@pytest.mark.parametrize("boards", WHOLE)
def test_whole_sets_without_laying_out_are_as_laid_out(example, boards):
    """Exact numbers from counts alone equal those by generalised least squares of the layout itself."""
    prior = priors.working(example, example.response("figure_clarity"))
    table = precision.size(example, example.questions[0], variances=prior, boards=[boards])
    changed = precision.with_boards(example, boards)
    layout = lay_out(changed, 3)
    found = precision.expected(changed, layout, {"figure_clarity": prior.on(changed)})[0]
    row = table.iloc[0]
    wanted = (found.error_df, found.half_width, found.power, found.settles)
    assert (row["df"], row["half_width"], row["power"], row["settles"]) == pytest.approx(wanted, rel=1e-9)


def test_a_number_that_is_not_whole_sets_is_simulated(small):
    table = precision.size(small, SEAL, 0.8, VARIANCES, boards=[5, 6], experiments=150)
    assert list(table["method"]) == ["simulated", "exact"]
    odd = table.iloc[0]
    assert odd["settles_se"] == pytest.approx(math.sqrt(odd["settles"] * (1 - odd["settles"]) / 150))
    again = precision.size(small, SEAL, 0.8, VARIANCES, boards=[5], experiments=150, workers=2)
    assert again.iloc[0]["settles"] == odd["settles"]
    exact = precision.size(small, SEAL, 0.8, VARIANCES, boards=[4, 6])
    assert exact["settles"].iloc[0] - 4 * odd["settles_se"] < odd["settles"]
    assert odd["settles"] < exact["settles"].iloc[1] + 4 * odd["settles_se"]


def test_boards_that_hold_a_fraction_are_looked_at_too(example):
    table = precision.size(example, example.questions[0], boards=[2, 5], experiments=60)
    assert list(table["boards"]) == [5]  # two boards cannot tell carrier and load apart
    assert table["method"].iloc[0] == "simulated"
    with pytest.raises(UserError, match="none of 2 boards can be laid out"):
        precision.size(example, example.questions[0], boards=[2])


def test_size_says_how_many_boards_or_that_none_is_enough(small):
    few = precision.size(small, SEAL, 0.8, VARIANCES, boards=range(2, 22, 2))
    first = few[few["settles"] >= 0.8]["boards"].iloc[0]
    assert few.attrs["notes"][0].startswith(f"{first} boards settle the question")
    none = precision.size(small, SEAL, 0.99, VARIANCES, boards=[2, 4])
    assert none.attrs["notes"][0].startswith("No number up to 4 boards reaches a chance of 99%")


def test_the_usual_numbers_hold_whole_sets_and_the_plans_own(small):
    table = precision.size(small, SEAL, 0.8, VARIANCES)
    assert {2, 4, 6} <= set(table["boards"])
    assert table["settles"].iloc[-1] >= 0.95 or table["boards"].iloc[-1] == 24
    assert table["boards"].is_monotonic_increasing


def test_numbers_between_whole_sets_are_looked_at(tmp_path):
    """Six carriers: of 12 boards too few and 18 enough, the fewest in between that are enough are searched for."""
    carriers = ", ".join(f'"{name}"' for name in ("water", "alcohol", "oil", "milk", "lye", "wax"))
    plan = planned(tmp_path, SMALL.replace('"water", "alcohol"', carriers).replace("count = 4", "count = 18"))
    variances = VARIANCES | {"board": 0.2}
    table = precision.size(plan, SEAL, 0.8, variances, experiments=100).set_index("boards")
    whole = table[table["method"] == "exact"]["chance"]
    first = int(whole[whole >= 0.8].index[0])
    between = table.loc[first - 5 : first - 1]
    assert len(between) >= 2
    assert set(between["method"]) == {"simulated"}
    enough = int(table[table["chance"] >= 0.8].index[0])
    assert first - 6 < enough < first
    assert table.attrs["notes"][0].startswith(f"{enough} boards settle the question with a chance of about")
    assert table.loc[enough - 1, "chance"] < 0.8  # looked at and not enough
    more = table.loc[enough, "chance"]
    assert table.loc[enough, "chance_se"] == pytest.approx(math.sqrt(more * (1 - more) / 200))  # looked at afresh


def test_size_ends_early_with_what_it_has(small):
    asked = []
    table = precision.size(small, SEAL, 0.8, VARIANCES, stop=lambda: bool(asked.append(1)) or len(asked) > 2)
    assert 1 <= len(table) <= 3
    assert table.attrs["notes"][0]


def test_size_counts_boards_by_both_answers(tmp_path):
    """Three levels: that none differs is the harder to say, so it takes more boards than what a gain takes."""
    text = SMALL.replace('"3 min", "6 min"', '"3 min", "6 min", "9 min"').replace("strips = 2", "strips = 3")
    plan = planned(tmp_path, text)
    dwell = Question("glaze_dwell", "figure_clarity", 1.0, ())
    table = precision.size(plan, dwell, 0.8, VARIANCES, boards=range(2, 26, 2))
    assert (table["chance"] == table[["settles", "says_none"]].min(axis=1)).all()
    gained = int(table[table["settles"] >= 0.8]["boards"].iloc[0])
    both = table[table["chance"] >= 0.8].iloc[0]
    assert both["boards"] > gained
    chances = f"{both['settles']:.0%} if one level gains twice the worth, {both['says_none']:.0%} if none does"
    assert table.attrs["notes"][0] == f"{both['boards']} boards settle the question with a chance of {chances}."


def test_sorting_by_plank_helps_what_is_laid_on_boards(example):
    """The boards of one lot differ less (working values), which carriers gain from and seal coats do not."""
    unsorted = replace(example, boards=replace(example.boards, lots=(12,)))
    carrier = precision.lots(unsorted, example.questions[2], numbers=[1, 2])
    assert carrier["half_width"].iloc[1] < carrier["half_width"].iloc[0]
    assert carrier.attrs["notes"][0].startswith("Sorting the boards by plank helps: 2 lots narrow")
    seal = precision.lots(unsorted, example.questions[0], numbers=[1, 2])
    assert "makes little difference" in seal.attrs["notes"][0]


def test_a_single_set_has_no_answer_for_what_is_laid_on_boards(small):
    table = precision.size(small, CARRIER, variances=VARIANCES, boards=[2, 4])
    assert table.loc[0, "df"] == 0
    assert math.isnan(table.loc[0, "settles"])
    assert table.loc[1, "settles"] > 0


def test_size_at_the_plans_own_number_is_what_is_expected(example):
    question = example.questions[0]
    table = precision.size(example, question, variances=WITH_LOTS, boards=[12])
    found = precision.expected(example, lay_out(example, 1), {"figure_clarity": WITH_LOTS})[0]
    row = table.iloc[0]
    assert (row["half_width"], row["settles"]) == pytest.approx((found.half_width, found.settles), rel=1e-9)


@pytest.mark.parametrize(("boards", "lots"), [(6, (6,)), (12, (6, 6)), (18, (12, 6)), (24, (12, 12))])
def test_lots_grow_in_proportion(example, boards, lots):
    assert precision.with_boards(example, boards).boards.lots == lots


def test_more_assessors_help_only_against_what_readings_add(small):
    layout = lay_out(small, 1)
    noisy = priors.Prior(pd.Series(VARIANCES), "", reading=0.19, readings=1)
    table = precision.readers(small, layout, SEAL, noisy)
    assert table.attrs["notes"][0].startswith("More assessors help")
    assert (np.diff(table.loc[table["repeats"] == 1, "half_width"]) < 0).all()
    assert table["residual"].iloc[-1] == pytest.approx(0.2 - 0.19)
    steady = replace(noisy, reading=0.002)
    assert precision.readers(small, layout, SEAL, steady).attrs["notes"][0].startswith("Only more boards help")


# --- variances to plan with ------------------------------------------------------------------------


def test_working_values_go_with_the_plan(example):
    for response in example.responses:
        prior = priors.working(example, response)
        assert list(prior.variances.index) == [*structure.random_terms(example), "residual"]
        assert prior.source.startswith("Working values, not measured")


def test_working_lightness_is_two_between_boards_and_one_within(tmp_path, example):
    plan = planned(tmp_path, ONE_STRATUM)
    alone = priors.working(plan, plan.responses[0]).variances
    assert alone.to_dict() == pytest.approx({"residual": 2.0**2 + 1.0**2}, rel=2e-3)
    split = priors.working(example, example.response("darkness")).variances
    assert split["lot"] + split["board"] == pytest.approx(4.0)
    assert split.drop(["lot", "board"]).sum() == pytest.approx(1.0, abs=5e-3)


def test_readings_shrink_only_their_own_part(example):
    one = priors.working(replace(example, assessors=("A",)), example.response("figure_clarity"))
    two = priors.working(example, example.response("figure_clarity"))
    assert one.with_readings(2).variances["residual"] == pytest.approx(two.variances["residual"])
    assert one.variances["residual"] - two.variances["residual"] == pytest.approx(0.4**2 / 2)


def test_an_unknown_unit_has_no_working_value(example):
    with pytest.raises(UserError, match="no working value"):
        priors.working(example, replace(example.response("darkness"), unit="gloss units"))


def test_variances_of_an_earlier_trial(tmp_path):
    pieces = []

    def value(patch, draw):
        pieces.append(Pieces(draw, board=0.5, lane=0.3, strip=0.3, patch=0.4)) if not pieces else None
        return 3 + pieces[0].shift(patch)

    trial = trial_of(tmp_path / "earlier", SMALL.replace("count = 4", "count = 8"), value)
    prior = priors.carried_over(trial.plan, trial.plan.response("darkness"), trial)
    assert list(prior.variances.index) == ["board", "board:lane", "board:strip", "residual"]
    assert "Hall cabinet" in prior.source
    assert 0 < precision.power(trial.plan, ("seal_coat", 0.5), prior) < 1
