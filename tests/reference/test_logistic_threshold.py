"""Waits at a stated risk with profile limits, and Firth's penalty where readings separate.

Reckoned in another language from invented readings (two independent maximisations agreed). Method: Firth (1993),
Biometrika 80:27-38; Heinze and Schemper (2002), Statistics in Medicine 21:2409-2419.
"""

import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.special import gammaincinv

from analysis.curves import fieller, logit, threshold
from analysis.curves.logit import Counts
from trials.errors import UserError

DATA = Path(__file__).parent / "data"


def case(name):
    expected = json.loads((DATA / name / "expected.json").read_text(encoding="utf-8"))
    return pd.read_csv(DATA / name / "data.csv"), expected


LAPS, LAP = case("logistic-threshold")
SEPARATE, FIRTH = case("logistic-separation")
WAITS = LAPS[LAPS["set"] == "lap"]


@pytest.mark.parametrize("number", range(4))
def test_profile_limits(number):
    known = LAP["lap"]["doses"][number]
    found = threshold(WAITS, "x", "yes", "n", "group", known["p"]).set_index("group").loc[known["carrier"]]
    assert found["method"] == "profile"
    assert found["x"] == pytest.approx(known["minutes"], rel=1e-6)
    assert np.log([found["lower"], found["upper"]]) == pytest.approx(known["log_minutes95_profile"], rel=1e-5)


def _lap_counts():
    alcohol = (WAITS["group"] == "alcohol").to_numpy(float)
    design = np.column_stack([alcohol, 1 - alcohol, np.log(WAITS["x"])])
    return Counts(design, WAITS["yes"].to_numpy(float), WAITS["n"].to_numpy(float))


def test_estimates_and_covariance():
    fit = logit.fit(_lap_counts())
    assert fit.effects == pytest.approx([row["estimate"] for row in LAP["lap"]["coefficients"]], rel=1e-8)
    assert fit.covariance == pytest.approx(np.array(LAP["lap"]["vcov"]), rel=1e-7)


@pytest.mark.parametrize("number", range(4))
def test_fieller_limits(number):
    known = LAP["lap"]["doses"][number]
    fit = logit.fit(_lap_counts())
    at = ["alcohol", "water"].index(known["carrier"])
    spread = fit.covariance[np.ix_([at, 2], [at, 2])] * [[1, -1], [-1, 1]]
    found = fieller(
        math.log(known["p"] / (1 - known["p"])) - fit.effects[at], fit.effects[2], spread, 1.959963984540054
    )
    assert found.g == pytest.approx(known["g"], rel=1e-6)
    assert [found.lower, found.upper] == pytest.approx([known["lower95"], known["upper95"]], rel=1e-6)


def _separate(name):
    rows = SEPARATE[SEPARATE["set"] == name]
    columns = {"complete": [], "quasi": ["alcohol"], "two_groups": ["thin"], "one_group_none": []}[name]
    design = [np.ones(len(rows)), *((rows["group"] == one).to_numpy(float) for one in columns)]
    if rows["x"].notna().all():
        design.append(np.log(rows["x"].to_numpy()))
    return Counts(np.column_stack(design), rows["yes"].to_numpy(float), rows["n"].to_numpy(float))


@pytest.mark.parametrize("name", ["complete", "quasi", "two_groups", "one_group_none"])
def test_firth_estimates_and_profiles(name):
    counts, known = _separate(name), FIRTH[name]
    fit = logit.fit(counts, firth=True)
    assert fit.loglik == pytest.approx(known["penalised_loglik"], rel=1e-6)
    assert fit.covariance == pytest.approx(np.array(known["vcov"]), rel=1e-6)
    allowed = 2 * gammaincinv(0.5, 0.95)
    for at, row in enumerate(known["coefficients"]):
        assert fit.effects[at] == pytest.approx(row["estimate"], rel=1e-6)
        along = np.delete(np.eye(len(fit.effects)), at, axis=1)

        def loss(value, at=at, along=along):
            base = np.where(np.arange(len(fit.effects)) == at, value, 0.0)
            return 2 * (fit.loglik - logit.fit(counts, firth=True, along=along, base=base).loglik)

        assert loss(0.0) == pytest.approx(row["chisq_penalised_lr"], rel=1e-6)
        limits = [logit.limit(lambda v, loss=loss: loss(v) - allowed, fit.effects[at], side, 1.0) for side in (-1, 1)]
        assert limits == pytest.approx([row["lower95_profile"], row["upper95_profile"]], rel=1e-5)


def test_what_separates():
    assert logit.separates(_separate("complete"))
    assert logit.separates(_separate("one_group_none"))
    assert logit.separates(_separate("two_groups"))
    assert not logit.separates(_lap_counts())


def test_threshold_where_readings_separate():
    rows = SEPARATE[SEPARATE["set"] == "complete"]
    found = threshold(rows, "x", "yes", "n", at=0.5)
    assert found["method"].tolist() == ["firth-profile"]
    assert found["x"][0] == pytest.approx(FIRTH["complete"]["x_at_half"], rel=1e-6)
    assert found["lower"][0] < 5 < found["upper"][0]
    assert "Firth" in found.attrs["notes"][0]


def test_quasi_separation_by_one_group():
    """All laps seen with one carrier, some with the other: its intercept has no finite estimate, Firth's has."""
    rows = pd.DataFrame({"g": ["a"] * 4 + ["b"] * 4, "x": [1, 2, 4, 8] * 2, "yes": [1, 2, 3, 5, 6, 6, 6, 6], "n": 6})
    found = threshold(rows, "x", "yes", "n", "g").set_index("group")
    assert set(found["method"]) == {"firth-profile"}
    assert found.loc["b", "lower"] < 0.01 < found.loc["b", "upper"] < 2
    assert np.isfinite(found["x"]).all()


def test_faults_are_one_sentence():
    with pytest.raises(UserError, match="only amounts above 0"):
        threshold(WAITS.assign(x=WAITS["x"] - 1), "x", "yes", "n", "group")
    with pytest.raises(UserError, match="not between 0 and n"):
        threshold(WAITS.assign(yes=13), "x", "yes", "n", "group")
    with pytest.raises(UserError, match="one x only"):
        threshold(WAITS.assign(x=2.0), "x", "yes", "n", "group")
    with pytest.raises(UserError, match="there is no column 'carrier'"):
        threshold(WAITS, "x", "yes", "n", "carrier")
    with pytest.raises(UserError, match="a risk of 10 is not a share between 0 and 1"):
        threshold(WAITS, "x", "yes", "n", "group", at=10)
