"""Levels that scatter unequally: named from a ratio of 2, and two levels on boards judged each by its own boards."""

import random
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analysis import checks, decide, mixed, responses, scatter
from analysis.frame import with_factor_order
from tests.trials_made import Pieces, trial_of
from trials import structure
from trials.design import lay_out
from trials.plan import read_plan

HEAD = """\
[trial]
title = "Sample boards of cherry"
[boards]
count = {boards}
lots = {lots}
length = "400 mm"
width = "150 mm"
lanes = 2
strips = 3
[[response]]
name = "darkness"
kind = "measure"
unit = "L*"
aim = "less"
[[question]]
factor = "carrier"
response = "darkness"
worth = 1.0
"""


def factor(name, levels, laid_on):
    return f"[[factor]]\nname = {name!r}\nlevels = {levels!r}\nlaid_on = {laid_on!r}\n"


CARRIER = factor("carrier", ["water", "alcohol"], "board")
LOAD = factor("dye_load", ["15 g/L", "30 g/L"], "board")
SEAL = factor("seal_coat", ["none", "shellac"], "lane")
THREE = CARRIER.replace("'alcohol'", "'alcohol', 'oil'")


def plan_text(*factors, boards=6, lots=1):
    return HEAD.format(boards=boards, lots=lots) + "".join(factors)


def times(ratio, seed=3, gain=0.0):
    """Give values of which those with alcohol scatter so many times as much."""
    pieces = Pieces(random.Random(seed), board=0.5, lane=0.35, patch=0.5)

    def value(patch, _):
        wide = patch["carrier"] == "alcohol"
        return 40 + gain * wide + pieces.shift(patch) * (ratio if wide else 1) + (patch["dye_load"] == "30 g/L" if
            "dye_load" in patch else 0)  # fmt: skip

    return value


def analysed(trial):
    return responses.analyse(trial, trial.plan.responses[0])


def board_means(analysis):
    return analysis.table.treated.groupby(["carrier", "board"], observed=True)["value"].mean()


def test_two_levels_are_judged_by_welchs_test_of_the_boards_means(tmp_path):
    analysis = analysed(trial_of(tmp_path, plan_text(CARRIER, SEAL, boards=9), times(4)))
    means = board_means(analysis)
    expected = stats.ttest_ind(means["alcohol"], means["water"], equal_var=False)
    limits = expected.confidence_interval(0.95)
    (row,) = analysis.differences("carrier").to_dict("records")
    assert (row["first"], row["second"]) == ("alcohol", "water")
    assert (row["t"], row["df"], row["p"]) == pytest.approx((expected.statistic, expected.df, expected.pvalue))
    assert (row["lower"], row["upper"]) == pytest.approx((limits.low, limits.high))
    test = analysis.tests.loc["carrier"]
    assert (test["f"], test["df_den"], test["p"]) == pytest.approx(
        (expected.statistic**2, expected.df, expected.pvalue)
    )
    assert test["method"] == "Welch"
    assert analysis.tests.loc["seal_coat", "method"] == "strata"
    finding = decide.answer(analysis, analysis.plan.questions[0])
    assert finding.p == pytest.approx(expected.pvalue)
    (said,) = checks.rough(analysis)
    assert "times as much with carrier alcohol as with water: all tests and intervals of it are rough." in said
    assert said.endswith("judged by each level's own boards (Welch 1947), which allows for it.")


def test_what_else_boards_carry_is_taken_out_within_each_level(tmp_path):
    """Two lots and a second factor on boards: each level's boards leave 8 - 1 - 1 - 1 degrees of freedom."""
    analysis = analysed(trial_of(tmp_path, plan_text(CARRIER, LOAD, SEAL, boards=16, lots=2), times(4)))
    treated = analysis.table.treated
    boards = treated.groupby(["board", "carrier", "dye_load", "lot"], observed=True)["value"].mean().reset_index()
    total, parts = 0.0, []
    for _, own in boards.groupby("carrier", observed=True):
        columns = np.column_stack([np.ones(8), own["dye_load"] == "30 g/L", own["lot"] == 2]).astype(float)
        rest = own["value"] - columns @ np.linalg.pinv(columns) @ own["value"]
        total += (rest**2).sum() / 5 / 8
        parts.append((rest**2).sum() / 5 / 8)
    (row,) = analysis.differences("carrier").to_dict("records")
    assert row["se"] == pytest.approx(total**0.5)
    assert row["df"] == pytest.approx(total**2 / sum(one**2 / 5 for one in parts))
    assert abs(row["difference"]) == pytest.approx(np.ptp(boards.groupby("carrier", observed=True)["value"].mean()))


@pytest.mark.parametrize(
    ("factors", "boards"), [((THREE, SEAL), 9), ((CARRIER, SEAL), 4), ((CARRIER, LOAD, SEAL), 8)]
)
def test_elsewhere_the_common_error_stays(tmp_path, factors, boards):
    """Three levels; two boards a level; four boards a level, of which two loads leave two each, which is enough."""
    analysis = analysed(trial_of(tmp_path, plan_text(*factors, boards=boards), times(6)))
    found = scatter.separate(
        analysis.told, analysis.plan.factor("carrier"), analysis.table.treated, analysis.for_these_lots
    )
    assert (found is None) == (boards != 8)
    if boards != 8:
        assert analysis.unequal
        assert analysis.tests.loc["carrier", "method"] == "strata"
        assert all(line.endswith("all tests and intervals of it are rough.") for line in checks.rough(analysis))


def test_equal_scatter_is_not_spoken_of(tmp_path):
    analysis = analysed(trial_of(tmp_path, plan_text(CARRIER, SEAL, boards=10), times(1)))
    assert analysis.unequal == ()
    assert checks.rough(analysis) == []
    assert analysis.tests.loc["carrier", "method"] == "strata"


def test_a_ratio_of_two_is_named_and_no_less(tmp_path):
    """What is left of the readings with alcohol is stretched to just above and just below twice that with water."""
    trial = trial_of(tmp_path, plan_text(CARRIER, SEAL, boards=8), times(1))
    table = analysed(trial).table.treated
    told = structure.of_layout(trial.plan, table)
    fit = mixed.fit(table, "value", told.fixed, told.fitted_random)
    left = np.array(fit.residuals) + sum(one.effects[one.codes] for one in fit.random)
    wide = (table["carrier"] == "alcohol").to_numpy()
    even = left * np.where(wide, left[~wide].std() / left[wide].std(), 1.0)
    for ratio, number in ((1.9, 0), (2.1, 1)):
        values = dict(zip(table["patch"].astype(str), even * np.where(wide, ratio, 1.0), strict=True))
        rows = tuple(row | {"value": repr(float(values[row["patch"]]))} for row in trial.readings)
        found = analysed(replace(trial, readings=rows)).unequal
        assert len([one for one in found if one.factor.name == "carrier"]) == number


@pytest.mark.slow
def test_intervals_hold_where_three_boards_scatter_three_times_as_much_as_four(tmp_path):
    """By the common error 89 of 100 intervals hold; by each level's own boards, where that is called for, 93 do.

    150 trials at 93 %: 131 or more hold in all but one of a hundred such tests (binomial).
    """
    (tmp_path / "trial.toml").write_text(plan_text(CARRIER, SEAL, boards=7), encoding="utf-8")
    plan = read_plan(tmp_path)
    patches = with_factor_order(plan, lay_out(plan, 1).patches)
    told = structure.of_layout(plan, patches)
    model = mixed.prepare(patches, told.fixed, told.fitted_random)
    fewer = patches.groupby("carrier", observed=True)["board"].nunique().idxmin()
    wide = np.where(patches["carrier"] == fewer, 3.0, 1.0)
    rng, held = np.random.default_rng(2), 0
    for _ in range(150):
        value = np.zeros(len(patches))
        for columns, spread in ((["board"], 0.5), (["board", "lane"], 0.35), (["patch"], 0.5)):
            codes = patches.groupby(columns).ngroup().to_numpy()
            value += spread * rng.standard_normal(codes.max() + 1)[codes] * wide
        fit = model.fit(value)
        fit = replace(fit, frame=replace(fit.frame, response=value))
        own = None
        if any(one.factor.name == "carrier" for one in scatter.unequal(plan, patches, fit)):
            own = scatter.separate(told, plan.factor("carrier"), patches.assign(value=value), fit)
        boards = pd.Series(value).groupby([patches["carrier"], patches["board"]], observed=True).mean()
        one, other = boards["water"], boards["alcohol"]
        if own is None:
            common = stats.ttest_ind(other, one).confidence_interval(0.95)
            held += common.low <= 0 <= common.high
        else:
            held += abs(other.mean() - one.mean()) <= stats.t.ppf(0.975, own.df) * own.se
    assert held >= 131
