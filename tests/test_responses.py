"""From readings to effects: averaging, the right error for each factor, both routes agreeing."""

import pickle
import random
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t as student

from analysis import checks, decide, frame, responses
from analysis.responses import analyse
from tests.conftest import SMALL
from tests.trials_made import Pieces, read, trial_of, unread
from trials.design import Layout
from trials.errors import UserError
from trials.foretell import foretell

BALANCED = SMALL.replace("count = 4", "count = 8").replace("strips = 2", "strips = 4")


def simulated(place, seed=1, text=BALANCED, leave_out=lambda patch: False):
    pieces = Pieces(random.Random(seed), board=2.0, lane=1.0, strip=1.0, patch=1.0)

    def value(patch, draw):
        if leave_out(patch):
            return None
        up = {"alcohol": -3.0, "shellac": 1.0, "6 min": -1.0}
        return (
            45 + sum(up.get(patch[name], 0) for name in ("carrier", "seal_coat", "glaze_dwell")) + pieces.shift(patch)
        )

    return trial_of(place, text, value, seed)


def test_balanced_boards_give_the_strata_tests(tmp_path):
    """Darkness on made-up balanced boards: REML with Kenward-Roger equals the exact analysis by strata.

    Holds whenever no variance component is estimated at zero (Kenward and Roger 1997, section 4).
    """
    trial = simulated(tmp_path)
    analysis = responses.analyse(trial, trial.plan.response("darkness"))
    assert not analysis.fit.singular
    marginal = analysis.fit.tests()
    assert set(analysis.tests["method"]) == {"strata"}
    for column in ("f", "df_num", "df_den", "p"):
        np.testing.assert_allclose(analysis.tests[column], marginal[column][analysis.tests.index], rtol=1e-6)


def test_differences_agree_by_both_routes(tmp_path):
    trial = simulated(tmp_path)
    analysis = responses.analyse(trial, trial.plan.response("darkness"))
    for factor in ("carrier", "seal_coat", "glaze_dwell"):
        exact = analysis.differences(factor)
        mixed = analysis.fit.differences(factor)
        for column in ("difference", "se", "df", "p", "lower", "upper"):
            np.testing.assert_allclose(exact[column].astype(float), mixed[column].astype(float), rtol=1e-6)


def test_differences_are_the_later_level_less_the_earlier(tmp_path):
    trial = simulated(tmp_path)
    analysis = responses.analyse(trial, trial.plan.response("darkness"))
    treated = analysis.table.treated
    means = treated.groupby("seal_coat", observed=True)["value"].mean()
    (row,) = analysis.differences("seal_coat").to_dict("records")
    assert (row["first"], row["second"]) == ("shellac", "none")
    assert row["difference"] == pytest.approx(means["shellac"] - means["none"])
    within = analysis.differences("seal_coat", by="carrier")
    cells = treated.groupby(["carrier", "seal_coat"], observed=True)["value"].mean()
    for row in within.to_dict("records"):
        assert row["difference"] == pytest.approx(cells[row["carrier"], "shellac"] - cells[row["carrier"], "none"])
        assert row["lower"] < row["difference"] < row["upper"]


def test_gaps_turn_to_restricted_likelihood_and_say_so(tmp_path):
    trial = simulated(tmp_path, leave_out=lambda patch: patch["board"] == 3 and patch["strip"] == 2)
    analysis = responses.analyse(trial, trial.plan.response("darkness"))
    assert analysis.strata is None
    assert set(analysis.tests["method"]) == {"Kenward-Roger"}
    assert any("not balanced" in note for note in analysis.notes)
    assert any("2 of 64 patches have no reading" in note for note in analysis.notes)
    assert analysis.differences("seal_coat")["se"].notna().all()


def test_one_board_a_carrier_is_said_not_guessed(tmp_path):
    trial = simulated(tmp_path, text=SMALL.replace("count = 4", "count = 2"))
    analysis = responses.analyse(trial, trial.plan.response("darkness"))
    row = analysis.tests.loc["carrier"]
    assert row["method"] == "cannot be judged"
    assert np.isnan(row["p"])
    assert analysis.differences("carrier")[["se", "p", "lower", "upper"]].isna().all(axis=None)
    assert analysis.means("carrier")[["lower", "upper"]].isna().all(axis=None)
    assert analysis.means("carrier")["mean"].notna().all()
    assert "carrier:seal_coat" not in analysis.tests.index
    assert analysis.tests.loc["seal_coat", "method"] == "strata"


def test_lanes_read_at_one_patch_each_are_the_patches(tmp_path):
    """When all but one patch of every lane went unread the lane has nothing of its own to be told by."""
    trial = simulated(tmp_path, leave_out=lambda patch: patch["strip"] != 1)
    analysis = responses.analyse(trial, trial.plan.response("darkness"))
    assert analysis.told.random == ("board",)
    assert analysis.tests.loc["seal_coat", "judged_against"] == "residual"
    assert analysis.tests.loc["seal_coat", "p"] > 0


def test_notes_call_pieces_by_their_names(tmp_path):
    trial = simulated(tmp_path, seed=3)
    notes = " ".join(responses.analyse(trial, trial.plan.response("figure_clarity")).notes)
    assert "board:" not in notes


def test_wild_patch_is_named_by_its_code(tmp_path):
    trial = simulated(tmp_path)
    code = trial.patches["patch"].iloc[10]
    readings = tuple(
        row | {"value": "95"} if row["patch"] == str(code) and row["response"] == "darkness" else row
        for row in trial.readings
    )
    from dataclasses import replace

    analysis = responses.analyse(replace(trial, readings=readings), trial.plan.response("darkness"))
    assert any(f"Patch {code} reads 95" in sentence for sentence in checks.checks(analysis))


def test_constant_readings_are_refused_in_words(tmp_path):
    trial = trial_of(tmp_path, SMALL, lambda patch, draw: 3.0)
    fitted, unfitted = responses.analyse_all(trial)
    assert not fitted
    assert "every value of 'figure_clarity' is 3" in unfitted[0].why


def test_too_few_patches_read_is_said_in_words(tmp_path):
    """Three of every four patches: lanes and strips take all there is to tell one patch from another by."""

    def value(patch, draw):
        return None if patch["lane"] == patch["strip"] == 2 else draw.random()

    trial = trial_of(tmp_path, SMALL, value)
    with pytest.raises(UserError, match="with 12 patches read, what differs in darkness from patch to patch cannot"):
        responses.analyse(trial, trial.plan.response("darkness"))


def test_nothing_recorded(tmp_path):
    trial = trial_of(tmp_path, SMALL, lambda patch, draw: None)
    with pytest.raises(UserError, match="nothing is recorded of darkness yet"):
        responses.analyse(trial, trial.plan.response("darkness"))


# --- averaging over assessors ----------------------------------------------------------------------


def test_plain_means_when_every_assessor_marked_everything():
    readings = pd.DataFrame(
        {"patch": [1, 1, 2, 2], "assessor": ["A", "B"] * 2, "repeat": 1, "value": [3.0, 4.0, 2.0, 4.0]}
    )
    values, notes = frame.patch_means(readings)
    assert values.set_index("patch")["value"].to_dict() == {1: 3.5, 2: 3.0}
    assert values["readings"].tolist() == [2, 2]
    assert "mean of 2 assessors: A, B" in notes[0]


def test_a_missing_mark_does_not_shift_a_patch():
    """B marks one grade below A everywhere; a patch that B skipped must not look a half grade better."""
    rows = [(patch, "A", float(patch)) for patch in range(1, 5)] + [
        (patch, "B", patch - 1.0) for patch in range(1, 4)
    ]
    readings = pd.DataFrame(rows, columns=["patch", "assessor", "value"]).assign(repeat=1)
    values, notes = frame.patch_means(readings)
    assert np.diff(values["value"]) == pytest.approx([1.0, 1.0, 1.0])
    assert any("severity was taken out" in note for note in notes)


def test_repeats_of_one_assessor_weigh_as_one():
    readings = pd.DataFrame({"patch": 1, "assessor": ["A", "A", "B"], "repeat": [1, 2, 1], "value": [2.0, 4.0, 5.0]})
    values, _ = frame.patch_means(readings)
    assert values["value"].tolist() == [4.0]


CURVE = """
[boards]
count = 12
length = "600 mm"
width = "200 mm"
[[factor]]
name = "dwell"
levels = ["1 min", "2 min", "5 min", "9 min"]
laid_on = "board"
[[response]]
name = "lightness"
kind = "measure"
unit = "L*"
aim = "more"
[[question]]
factor = "dwell"
response = "lightness"
worth = 1
[model]
curvature = ["dwell"]
"""


def test_amounts_are_fitted_as_a_line_and_its_bend(tmp_path):
    """Twelve whole boards: least squares on x and x squared written out; what lies beyond by comparing two fits."""
    plain = unread(tmp_path / "curve", CURVE)
    for off in (0.0, 3.0):
        at = {"1 min": 0.0, "2 min": off, "5 min": 0.0, "9 min": 0.0}
        trial = read(plain, lambda patch, draw, at=at: 50 + at[patch["dwell"]] + draw.gauss(0, 0.5), 2)
        found = analyse(trial, trial.plan.responses[0])
        amounts = pickle.loads(pickle.dumps(found.table.treated))["dwell"].cat.categories
        assert [level.amount for level in amounts] == [1, 2, 5, 9]
        minutes = found.table.treated["dwell"].astype(str).str.split().str[0].astype(float).to_numpy()
        value = found.table.treated["value"].to_numpy()
        x = np.column_stack([np.ones(12), minutes, minutes**2])
        effects, (left,), *_ = np.linalg.lstsq(x, value, rcond=None)
        row = found.differences("dwell").set_index(["first", "second"]).loc[("9 min", "2 min")]
        contrast = np.array([0, 7.0, 77.0])
        se = np.sqrt(left / 9 * contrast @ np.linalg.inv(x.T @ x) @ contrast)
        assert row["difference"] == pytest.approx(contrast @ effects)
        assert row["se"] == pytest.approx(se)
        assert row["df"] == pytest.approx(9)
        whole = np.column_stack([x, minutes**3])
        beyond = np.linalg.lstsq(whole, value, rcond=None)[1][0]
        p = student.sf(np.sqrt((left - beyond) / (beyond / 8)), 8) * 2
        assert found.off_curve["dwell"] == pytest.approx(p)
        said = decide.decide(trial).findings[0].sentence
        assert ("do not lie along a line and its bend" in said) == (p < 0.05)
        assert (p < 0.05) == bool(off)


def test_a_level_that_is_nowhere_cannot_be_asked_about(tmp_path):
    eight = CURVE.replace('"9 min"]', '"9 min", "12 min", "15 min", "20 min"]').replace("count = 12", "count = 6")
    trial = unread(tmp_path / "nowhere", eight)
    missing = set(trial.plan.factor("dwell").levels) - set(trial.patches["dwell"])
    assert missing
    seen = foretell(trial.plan, Layout(trial.patches, 1, ()))
    assert not seen.sound
    assert "nowhere on the boards" in seen.questions[0].words
    assert all(any(level in line for line in seen.unseen) for level in missing)
    there = [level for level in trial.plan.factor("dwell").levels if level not in missing]
    asked = replace(trial.plan.questions[0], between=(there[0], there[-1]))
    assert foretell(replace(trial.plan, questions=(asked,)), Layout(trial.patches, 1, ())).sound
