"""Parallel lines and inverse prediction with Fieller's limits, reckoned in another language from invented readings.

Method: Finney (1978), Statistical Method in Biological Assay, chapter 4; Fieller (1954), Journal of the Royal
Statistical Society B 16:175-185.
"""

import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.special import stdtrit

from analysis import mixed
from analysis.curves import dose_for, fieller, relative_strength
from trials.errors import UserError

DATA = Path(__file__).parent / "data" / "relative-potency"
READINGS = pd.read_csv(DATA / "data.csv")
EXPECTED = json.loads((DATA / "expected.json").read_text(encoding="utf-8"))
CASES = {"parallel": "parallel", "weak": "weak_whole_line", "weak_shift": "weak_shift_outside"}


def assay(name):
    return relative_strength(READINGS[READINGS["set"] == name], "dose", "y", "prep", "S", "block")


@pytest.mark.parametrize("name", CASES)
def test_analysis_of_variance(name):
    rows = EXPECTED[CASES[name]]["anova"]
    found = assay(name).anova
    assert found["df"].tolist() == [row["df"] for row in rows]
    assert found["ss"].to_numpy() == pytest.approx([row["ss"] for row in rows], rel=1e-9, abs=1e-10)
    for one, row in zip(found.to_dict("records"), rows, strict=True):
        if row["F"] is not None:
            assert one["f"] == pytest.approx(row["F"], rel=1e-9)
            assert one["p"] == pytest.approx(row["p"], rel=1e-8)


@pytest.mark.parametrize("name", CASES)
def test_slope_and_validity(name):
    known, found = EXPECTED[CASES[name]], assay(name)
    assert found.slope == pytest.approx(known["common_slope"], rel=1e-9)
    assert found.slope_se == pytest.approx(known["slope_se_residual_ms"], rel=1e-9)
    p = {row["term"]: row["p"] for row in known["anova"]}
    assert found.parallel_p == pytest.approx(p["non-parallelism"], rel=1e-9)
    if p["non-linearity"] is None:
        assert math.isnan(found.linear_p)
    else:
        assert found.linear_p == pytest.approx(p["non-linearity"], rel=1e-9)


@pytest.mark.parametrize("name", CASES)
def test_strength_and_limits(name):
    known = EXPECTED[CASES[name]]["with_residual_ms_of_full_model"]
    fit = assay(name)
    (row,) = fit.table.to_dict("records")
    assert row["ratio"] == pytest.approx(known["potency"], rel=1e-9)
    assert row["kind"] == known["kind"]
    if known["kind"] == "interval":
        assert [row["lower"], row["upper"]] == pytest.approx(known["potency95"], rel=1e-9)
    else:
        assert (row["lower"], row["upper"]) == (0, math.inf)
        assert "made no sure difference" in fit.notes[-1]
    if known["kind"] == "outside":
        assert np.log([row["below"], row["above"]]) == pytest.approx([known["below"], known["above"]], rel=1e-9)


def test_random_blocks():
    """The mixed model with Kenward and Roger's covariance, as the trial layer uses it."""
    frame = READINGS[READINGS["set"] == "parallel"].assign(x=lambda one: np.log(one["dose"]))
    fit = mixed.fit(frame, "y", "prep + x", ["block"])
    known = EXPECTED["parallel_random_blocks"]["potency"]
    row = fit.differences("prep").iloc[0]
    slope = fit.trend("x").iloc[0]
    spread = np.diag([row["se"] ** 2, slope["se"] ** 2])  # balanced: difference and slope are uncorrelated
    found = fieller(row["difference"], slope["slope"], spread, stdtrit(known["df_slope_kenward_roger"], 0.975))
    assert slope["df"] == pytest.approx(known["df_slope_kenward_roger"], rel=1e-6)
    assert abs(found.estimate) == pytest.approx(known["estimate"], rel=1e-8)
    limits = sorted(abs(value) for value in (found.lower, found.upper))
    assert limits == pytest.approx([known["lower95"], known["upper95"]], rel=1e-6)


@pytest.mark.parametrize("target", [28, 33])
def test_inverse_prediction(target):
    known = EXPECTED["inverse_prediction"][f"target_{target}"]
    frame = READINGS[READINGS["set"] == "calibration"]
    (row,) = dose_for(frame, "dose", "y", target).to_dict("records")
    assert row["within"]
    assert row["dose"] == pytest.approx(known["dose"], rel=1e-9)
    assert [row["lower"], row["upper"]] == pytest.approx(known["dose95"], rel=1e-9)


@pytest.mark.parametrize(
    ("target", "says"),
    [(40, "8 g/L, the most tried, gives 34.4; 40 was not reached"),
     (15, "1 g/L, the least tried, already gives 20; 15 would take less")],
)  # fmt: skip
def test_no_number_beyond_the_doses_tried(target, says):
    frame = READINGS[READINGS["set"] == "calibration"]
    (row,) = dose_for(frame, "dose", "y", target, unit="g/L").to_dict("records")
    assert not row["within"]
    assert math.isnan(row["dose"])
    assert math.isnan(row["lower"])
    assert row["says"] == says


def test_faults_are_one_sentence():
    frame = READINGS[READINGS["set"] == "parallel"]
    with pytest.raises(UserError, match="there is no prep 'Q'"):
        relative_strength(frame, "dose", "y", "prep", "Q", "block")
    with pytest.raises(UserError, match="no column 'load'"):
        relative_strength(frame, "load", "y", "prep", "S", "block")
    with pytest.raises(UserError, match="one dose only"):
        relative_strength(frame[frame["dose"] == 2], "dose", "y", "prep", "S", "block")
    with pytest.raises(UserError, match="only amounts above 0"):
        relative_strength(frame.assign(dose=frame["dose"] - 1), "dose", "y", "prep", "S", "block")
