"""Made-up experiments: analysed as real ones, the same on any number of cores, right as often as promised."""

import json
import os
import subprocess
import sys
import threading
from dataclasses import replace

import joblib
import numpy as np
import pandas as pd
import pytest

from analysis import combinations, mixed, precision, responses
from analysis.precision.exact import treated_rows
from analysis.precision.made_up import SimulatedTests, simulate, simulate_tests
from analysis.precision.made_up.experiments import Pair, Readings, Wanted, prepare
from analysis.precision.parallel import in_chunks
from tests.conftest import REPOSITORY, SMALL
from tests.trials_made import trial_of
from trials import structure
from trials.design import lay_out
from trials.errors import UserError
from trials.plan import Question, read_plan

VARIANCES = {"board": 0.25, "board:lane": 0.05, "board:strip": 0.04, "residual": 0.2}
MARKED = {"board": 1.0, "board:lane": 0.5, "board:strip": 0.5, "residual": 0.2}
"""Variances so large that hardly any is estimated at zero."""

EIGHT = SMALL.replace("count = 4", "count = 8")
TWELVE = SMALL.replace("count = 4", "count = 12").replace("strips = 2", "strips = 4")
UNEVEN_LOTS = SMALL.replace("count = 4", "count = 10\nlots = 2")
THREE = EIGHT.replace('["water", "alcohol"]', '["water", "alcohol", "oil"]').replace("count = 8", "count = 9")
SEAL = Question("seal_coat", "figure_clarity", 0.5)
CARRIER = Question("carrier", "figure_clarity", 0.5)


@pytest.fixture
def planned(tmp_path):
    def _planned(text):
        (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
        return read_plan(tmp_path)

    return _planned


def laid_out(plan, gone=0):
    """Lay a plan out and lose some patches of it."""
    layout = lay_out(plan, 1)
    left = np.sort(np.random.default_rng(0).permutation(len(layout.patches))[gone:])
    return replace(layout, patches=layout.patches.iloc[left].reset_index(drop=True))


# --- a model made ready ----------------------------------------------------------------------------

MODELS = {
    "balanced": (EIGHT, 0, {}),
    "patches missing": (TWELVE, 9, {}),
    "lots": (UNEVEN_LOTS, 0, {"lot": 0.3}),
    "three levels, gaps": (THREE, 5, {}),
}


@pytest.mark.parametrize("name", MODELS)
def test_a_model_made_ready_gives_the_same_fit(planned, name):
    text, gone, more = MODELS[name]
    plan = planned(text)
    frame, told = treated_rows(plan, laid_out(plan, gone))
    drawn = Readings.of(frame, np.zeros(len(frame)), VARIANCES | more).drawn(5, np.random.default_rng(3))
    model = mixed.prepare(frame, told.fixed, told.fitted_random)
    for values in drawn.T:
        _same_fit(mixed.fit(frame.assign(value=values), "value", told.fixed, told.fitted_random), model, values)


def test_a_model_with_an_empty_cell_gives_the_same_fit(planned):
    """Effects that cannot be estimated are left out, and the tests are about what is left of the terms."""
    plan = planned(THREE)
    frame, _ = treated_rows(plan, laid_out(plan))
    frame = frame[~((frame["carrier"] == "oil") & (frame["seal_coat"] == "none"))].reset_index(drop=True)
    drawn = Readings.of(frame, np.zeros(len(frame)), VARIANCES).drawn(3, np.random.default_rng(3))
    fixed, random = "carrier * seal_coat", ["board"]
    model = mixed.prepare(frame, fixed, random)
    assert len(model.side.span.relations)
    for values in drawn.T:
        _same_fit(mixed.fit(frame.assign(value=values), "value", fixed, random), model, values)


def _same_fit(fit, model, values):
    """Compare a fit with that of a model made ready, and with the estimates it makes without fitting all of it."""
    again = model.fit(values)
    assert again.notes == fit.notes
    assert again.deviance == pytest.approx(fit.deviance, rel=1e-12)
    for one, other in (
        (again.effects, fit.effects),
        (again.components, fit.components),
        (again.precision.adjusted, fit.precision.adjusted),
        (again.tests(), fit.tests()),
        (again.random_effects, fit.random_effects),
    ):
        np.testing.assert_allclose(one, other, rtol=1e-9, atol=1e-12)
    tests, pairs = fit.tests(), fit.differences("carrier")
    wanted = model.combined(combinations.differences(model.fixed, "carrier", None))
    rows = np.vstack([wanted, *(model.hypotheses[name] for name in tests.index)])
    found = model.estimate(values, rows)
    part = slice(len(wanted))
    np.testing.assert_allclose(found.values[part], pairs["difference"], rtol=1e-9, atol=1e-12)
    half = (pairs["upper"] - pairs["lower"]) / 2
    np.testing.assert_allclose(found.part(part).half_widths(), half, rtol=1e-9)
    np.testing.assert_allclose(found.components, fit.components, rtol=1e-9, atol=1e-12)
    stop = len(wanted)
    for name, row in tests.iterrows():
        own = slice(stop, stop + len(model.hypotheses[name]))
        stop = own.stop
        if own.start == own.stop:
            assert np.isnan(row["p"])
            continue
        test = found.part(own).f_test()
        assert (test.f, test.denominator, test.p) == pytest.approx((row["f"], row["df_den"], row["p"]), rel=1e-8)


def test_rows_that_lack_a_value_are_left_out_beforehand(planned):
    plan = planned(TWELVE)
    frame, told = treated_rows(plan, laid_out(plan))
    frame = frame.assign(depth=np.where(frame.index == 7, np.nan, np.arange(len(frame)) % 5))
    values = np.random.default_rng(1).normal(size=len(frame))
    model = mixed.prepare(frame, "carrier + depth", told.random)
    fit = mixed.fit(frame.assign(value=values), "value", "carrier + depth", told.random)
    again = model.fit(np.delete(values, 7))
    assert again.notes == fit.notes
    assert again.effects == pytest.approx(fit.effects, rel=1e-10)


def test_readings_that_do_not_go_with_the_model_are_refused(planned):
    plan = planned(EIGHT)
    frame, told = treated_rows(plan, laid_out(plan))
    model = mixed.prepare(frame, told.fixed, told.random)
    with pytest.raises(ValueError, match=r"shape \(3,\) for a model of 32 rows"):
        model.fit(np.zeros(3))
    with pytest.raises(ValueError, match="not a finite number"):
        model.estimate(np.full(32, np.nan), np.zeros((1, 1)))
    with pytest.raises(UserError, match="every value of 'gloss' is 2"):
        model.fit(np.full(32, 2.0), "gloss")
    with pytest.raises(UserError, match="one row a piece"):
        mixed.prepare(frame, told.fixed, ["patch"])


# --- analysed as real experiments are --------------------------------------------------------------


@pytest.mark.parametrize("name", MODELS)
def test_made_up_readings_are_analysed_as_real_ones(tmp_path, planned, name):
    """The tests of all effects and the intervals of all main effects, beside those of a trial with these readings."""
    text, gone, more = MODELS[name]
    plan = planned(text)
    layout = laid_out(plan, gone)
    frame, _ = treated_rows(plan, layout)
    told = structure.of_layout(plan, frame, treated_rows(plan, lay_out(plan, 1))[1].places)  # as all was laid out
    singles = [effect.name for effect in told.effects if len(effect.factors) == 1]
    pairs = tuple(pair for factor in singles for pair in Pair.all_of(frame, factor))
    drawn = Readings.of(frame, np.zeros(len(frame)), VARIANCES | more).drawn(3, np.random.default_rng(8))
    found = prepare(frame, told, Wanted(told.effects, pairs, 0.95)).of(drawn)
    for at, column in enumerate(drawn.T):
        values = dict(zip(frame["patch"], column, strict=True))
        trial = trial_of(tmp_path / str(at), text, lambda patch, draw, values=values: values.get(patch["patch"]))
        analysis = responses.analyse(trial, plan.response("darkness"))
        assert (analysis.strata is not None) == (name == "balanced")
        np.testing.assert_allclose(found.p[at], analysis.tests.loc[list(told.by_name), "p"].astype(float), rtol=1e-7)
        table = pd.concat([analysis.differences(factor).assign(factor=factor) for factor in singles])
        table = table.set_index(["factor", "first", "second"])
        for pair, difference, half in zip(pairs, found.differences[at], found.half_widths[at], strict=True):
            row = table.loc[(pair.factor, pair.high, pair.low)]
            assert difference == pytest.approx(row["difference"], rel=1e-7, abs=1e-10)
            assert half == pytest.approx((row["upper"] - row["lower"]) / 2, rel=1e-7)


@pytest.mark.parametrize(("text", "gone"), [(EIGHT, 0), (TWELVE, 8)])
def test_what_is_true_moves_estimates_and_nothing_else(planned, text, gone):
    """Intervals cover the same experiments whatever is true, for the readings differ by what the model holds."""
    plan = planned(text)
    layout = laid_out(plan, gone)
    cells = {("none", "water"): 1.0, ("none", "alcohol"): 2.0, ("shellac", "water"): 5.0, ("shellac", "alcohol"): 1.0}
    means = {"carrier": 1.5, "seal_coat": {"none": 40.0, "shellac": 43.0}, "seal_coat:carrier": cells}
    nothing = simulate_tests(plan, layout, VARIANCES, count=60, seed=4)
    something = simulate_tests(plan, layout, VARIANCES, means, count=60, seed=4)
    pd.testing.assert_frame_equal(something.covers, nothing.covers)
    assert something.truth.to_dict() == pytest.approx(
        {
            ("carrier", "alcohol", "water"): 1.5 + (2 + 1 - 1 - 5) / 2,
            ("seal_coat", "shellac", "none"): 3.0 + (5 + 1 - 1 - 2) / 2,
            ("glaze_dwell", "6 min", "3 min"): 0.0,
        }
    )
    np.testing.assert_allclose(something.p["glaze_dwell"], nothing.p["glaze_dwell"], rtol=1e-6)
    assert something.p["carrier:seal_coat"].max() < nothing.p["carrier:seal_coat"].max()
    turned = np.array([[1.0, 5.0], [2.0, 1.0]])
    again = simulate_tests(plan, layout, VARIANCES, means | {"seal_coat:carrier": turned.T}, count=60, seed=4)
    pd.testing.assert_frame_equal(again.p, something.p)


def test_what_cannot_be_judged_has_no_test(planned):
    plan = planned(SMALL.replace("count = 4", "count = 2"))
    found = simulate_tests(plan, lay_out(plan, 1), VARIANCES, count=20)
    assert found.p["carrier"].isna().all()
    assert found.p["seal_coat"].notna().all()
    assert "carrier" not in found.covers.columns.get_level_values("factor")
    with pytest.raises(UserError, match="one board for each setting"):
        simulate(plan, lay_out(plan, 1), CARRIER, VARIANCES, 1.0, count=20)


def test_the_worst_of_all_pairs_is_widened(planned):
    """Three levels and no pair named: three intervals at once, each of 1 - 0.05 / 3."""
    plan = planned(THREE)
    layout = laid_out(plan, 5)
    both = (
        (simulate(plan, layout, CARRIER, VARIANCES, 0.0, 40, 5), 0.95),
        (
            simulate(plan, layout, replace(CARRIER, between=("water", "oil")), VARIANCES, 0.0, 40, 5),
            0.95,
        ),
    )
    wide, narrow = both[0][0], both[1][0]
    assert wide.seen == narrow.seen
    assert 1.2 < wide.half_width / narrow.half_width < 1.6
    turned = simulate(plan, layout, replace(CARRIER, between=("oil", "water")), VARIANCES, 1.0, 40, 5)
    assert turned.half_width == pytest.approx(narrow.half_width, rel=1e-9)


@pytest.mark.parametrize(
    ("means", "why"),
    [
        ({"carier": 1.0}, "no effect 'carier'"),
        ({"carrier": {"water": 1.0}}, "no mean is given for alcohol"),
        ({"carrier": [1.0, 2.0, 3.0]}, "3 means for 2 levels"),
        ({"carrier:seal_coat": {("water", "none"): 1.0}}, "no mean is given for water, shellac"),
    ],
)
def test_means_that_do_not_go_with_the_layout_are_refused(planned, means, why):
    plan = planned(EIGHT)
    with pytest.raises(UserError, match=why):
        simulate_tests(plan, lay_out(plan, 1), VARIANCES, means, count=10)


def test_too_few_patches_are_said(planned):
    plan = planned(SMALL)
    layout = lay_out(plan, 1)
    patches = layout.patches[(layout.patches["lane"] != 2) | (layout.patches["strip"] != 2)]
    short = replace(layout, patches=patches.reset_index(drop=True))
    with pytest.raises(UserError, match="with 12 patches what differs from patch to patch cannot be told"):
        simulate_tests(plan, short, VARIANCES, count=10)


# --- over cores ------------------------------------------------------------------------------------


def first_draws(count, seed):
    return np.random.default_rng(seed).normal(size=count), os.getpid(), threading.get_ident()


def threads_of_matrix_library(count, seed):
    return int(os.environ["OPENBLAS_NUM_THREADS"])


def test_the_result_does_not_depend_on_the_number_of_workers(planned):
    plan = planned(EIGHT)
    layout = laid_out(plan, 3)
    seen = []
    alone = simulate(plan, layout, SEAL, VARIANCES, 1.0, 130, 9)
    shared = simulate(plan, layout, SEAL, VARIANCES, 1.0, 130, 9, 2, lambda done, total: seen.append((done, total)))
    assert alone == shared
    assert seen == [(50, 130), (100, 130), (130, 130)]
    one, other = (simulate_tests(plan, layout, VARIANCES, None, 110, 9, workers) for workers in (1, None))
    pd.testing.assert_frame_equal(one.p, other.p)
    pd.testing.assert_frame_equal(one.covers, other.covers)


def test_longer_runs_begin_as_shorter_ones():
    short, long = (np.concatenate([one[0] for one in in_chunks(first_draws, n, 20, seed=7)]) for n in (60, 110))
    assert len(long) == 110
    np.testing.assert_array_equal(long[:60], short)
    assert len(set(long)) == 110


def test_the_callers_own_back_end_is_used():
    apart = in_chunks(first_draws, 8, 1, seed=1, workers=2)
    assert os.getpid() not in {process for _, process, _ in apart}
    with joblib.parallel_config(backend="threading", n_jobs=2):
        inside = in_chunks(first_draws, 8, 1, seed=1, workers=None)
        both = in_chunks(first_draws, 8, 1, seed=1, workers=2)
    for found in (inside, both):
        assert {process for _, process, _ in found} == {os.getpid()}
        assert threading.get_ident() not in {thread for _, _, thread in found}
        for one, other in zip(found, apart, strict=True):
            np.testing.assert_array_equal(one[0], other[0])
    with joblib.parallel_config(n_jobs=1):
        single = in_chunks(first_draws, 8, 1, seed=1, workers=None)
    assert {process for _, process, _ in single} == {os.getpid()}


def test_processes_share_the_cores_among_them(monkeypatch):
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        monkeypatch.delenv(name, raising=False)
    threads = in_chunks(threads_of_matrix_library, 4, 1, seed=1, workers=2)
    assert 2 * max(threads) <= max(joblib.cpu_count(), 2)


def test_one_worker_does_without_joblib(planned, tmp_path):
    planned(TWELVE)
    script = (
        "import json, sys; from pathlib import Path; from analysis.precision import simulate; "
        "from trials.design import lay_out; from trials.plan import Question, read_plan; "
        "plan = read_plan(Path(sys.argv[1])); question = Question('seal_coat', 'figure_clarity', 0.5); "
        "simulate(plan, lay_out(plan, 1), question, json.loads(sys.argv[2]), 1.0, 600, 1); "
        "print('joblib' in sys.modules)"
    )
    command = [sys.executable, "-c", script, str(tmp_path), json.dumps(VARIANCES)]
    done = subprocess.run(command, cwd=REPOSITORY, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_no_work_and_no_workers_are_refused():
    with pytest.raises(ValueError, match="nothing to do: 0 in chunks of 5"):
        in_chunks(first_draws, 0, 5, seed=1)
    with pytest.raises(ValueError, match="one worker or more, not -1"):
        in_chunks(first_draws, 10, 5, seed=1, workers=-1)


# --- as often as promised --------------------------------------------------------------------------


def keeps_its_promises(found: SimulatedTests) -> None:
    """Check 5 % false alarms and 95 % coverage within four standard errors.

    A normal variable is beyond four of its standard deviations with a probability of 6.3e-5, one of ten or so checks
    of a layout in which all is right with less than 0.001.
    """
    allowed = 4 * np.sqrt(0.05 * 0.95 / found.count)
    assert found.p.notna().all(axis=None)
    rates = pd.concat([(found.p < 0.05).mean(), 1 - found.covers.mean()])
    assert len(rates) >= 9
    worst = (rates - 0.05).abs()
    assert (worst < allowed).all(), rates[worst >= allowed].to_dict()


def test_balanced_boards_keep_their_promises(planned):
    plan = planned(EIGHT)
    keeps_its_promises(simulate_tests(plan, lay_out(plan, 1), VARIANCES, count=40_000, seed=21))


@pytest.mark.slow
def test_boards_with_gaps_keep_their_promises(planned):
    """Twelve boards of 2 by 4 patches, a twelfth of them gone, and pieces that differ markedly."""
    plan = planned(TWELVE)
    layout = laid_out(plan, 8)
    assert not precision.expected(plan, layout, {"figure_clarity": MARKED})[0].exact
    keeps_its_promises(simulate_tests(plan, layout, MARKED, count=1500, seed=22))


def test_unequal_numbers_of_boards_keep_their_promises(planned):
    """Five boards of one carrier and six of the other are judged by strata all the same."""
    plan = planned(SMALL.replace("count = 4", "count = 11"))
    layout = lay_out(plan, 1)
    assert sorted(layout.patches.groupby("carrier").size()) == [20, 24]
    keeps_its_promises(simulate_tests(plan, layout, VARIANCES, count=40_000, seed=23))


@pytest.mark.parametrize("boards", [6, 7])
def test_one_set_of_experiments_serves_two_gains(tmp_path, boards):
    """Seen at one gain and settled at another, from one set: the same numbers as from two with the same seed."""
    (tmp_path / "trial.toml").write_text(SMALL.replace("count = 4", f"count = {boards}"), encoding="utf-8")
    plan = read_plan(tmp_path)
    layout = lay_out(plan, 1)
    variances = {"board": 0.2, "board:lane": 0.1, "board:strip": 0.1, "residual": 0.3}
    question = replace(plan.questions[0], factor="carrier")
    both = precision.simulate(plan, layout, question, variances, 1.0, 100, 3, seen_gain=0.5)
    one, other = (precision.simulate(plan, layout, question, variances, gain, 100, 3) for gain in (1.0, 0.5))
    assert (both.half_width, both.settled) == pytest.approx((one.half_width, one.settled), rel=1e-9)
    assert both.seen == other.seen
