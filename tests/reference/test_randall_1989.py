"""Bitterness of wine.

Randall (1989), The analysis of sensory data by generalised linear model, Biometrical J. 31:781-793.

Nine judges graded eight bottles, two for each of two temperatures and two ways of pressing. The values
beside the data were made with R 4.2.2: without random terms by maximum likelihood to full precision, with
them from a likelihood written for the purpose (Laplace, adaptive Gauss-Hermite, second derivatives by
Richardson's extrapolation). Tolerances are those the values are good to.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis import ordinal

DATA = Path(__file__).parent / "data" / "wine-ordinal"
FRAME = pd.read_csv(DATA / "data.csv")
EXPECTED = json.loads((DATA / "expected.json").read_text())
MIXED = ["clmm_laplace", "clmm_agq10", "clmm_agq30", "clmm_probit_agq10"]
EXACT, ESTIMATE, SE = 1e-7, 1e-5, 1e-4


def fitted(fixed, random=(), case=None):
    options = {"link": case["link"], "nodes": case["nAGQ"]} if case else {}
    if not random:
        options.pop("nodes", None)
    return ordinal.fit(FRAME, "rating", fixed, random, **options)


def column(case, name):
    return [row[name] for row in case["coefficients"]]


def joined(fit, name):
    return np.concatenate([fit.thresholds[name], fit.coefficients[name]])


def test_cumulative_logit():
    case, fit = EXPECTED["clm"], fitted("temp + contact")
    assert joined(fit, "estimate") == pytest.approx(column(case, "estimate"), rel=EXACT)
    assert joined(fit, "se") == pytest.approx(column(case, "se"), rel=EXACT)
    assert fit.coefficients["z"].to_numpy() == pytest.approx(column(case, "z")[4:], rel=EXACT)
    assert fit.coefficients["p"].to_numpy() == pytest.approx(column(case, "p")[4:], rel=1e-6)
    assert fit.loglik == pytest.approx(case["logLik"], rel=1e-10)
    assert fit.covariance.to_numpy() == pytest.approx(np.array(case["vcov"]), rel=EXACT)
    assert list(fit.thresholds.index) == ["1|2", "2|3", "3|4", "4|5"]
    assert list(fit.coefficients.index) == ["temp[warm]", "contact[yes]"]
    assert fit.notes == ()


def test_cumulative_logit_probabilities():
    rows = pd.DataFrame([name.split() for name in EXPECTED["clm"]["prob_rows"]], columns=["temp", "contact"])
    table = fitted("temp + contact").probabilities(rows)
    assert table.to_numpy() == pytest.approx(np.array(EXPECTED["clm"]["prob"]), rel=EXACT)
    assert list(table.columns) == [1, 2, 3, 4, 5]


@pytest.mark.parametrize(
    ("test", "smaller", "larger"),
    [
        ("lr_temp", "contact", "temp + contact"),
        ("lr_contact", "temp", "temp + contact"),
        ("lr_interaction", "temp + contact", "temp * contact"),
    ],
)
def test_likelihood_ratio(test, smaller, larger):
    case, found = EXPECTED["clm"][test], ordinal.compare(fitted(smaller), fitted(larger))
    assert (found.statistic, found.df) == (pytest.approx(case["chisq"], rel=EXACT), case["df"])
    assert found.p == pytest.approx(case["p"], rel=1e-6)


def test_cumulative_probit():
    case = EXPECTED["clm_probit"]
    fit = ordinal.fit(FRAME, "rating", "temp + contact", link="probit")
    assert joined(fit, "estimate") == pytest.approx(column(case, "estimate"), rel=EXACT)
    assert joined(fit, "se") == pytest.approx(column(case, "se"), rel=EXACT)
    assert fit.loglik == pytest.approx(case["logLik"], rel=1e-10)


@pytest.mark.parametrize("name", MIXED)
def test_random_judge(name):
    case = EXPECTED[name]
    fit = fitted("temp + contact", ["judge"], case)
    assert fit.converged
    assert joined(fit, "estimate") == pytest.approx(column(case, "estimate"), rel=ESTIMATE)
    assert joined(fit, "se") == pytest.approx(column(case, "se"), rel=SE)
    assert fit.variances["judge"] == pytest.approx(case["random"][0]["variance"], rel=ESTIMATE)
    log_sd = fit.covariance.loc["log sd judge", "log sd judge"]
    assert np.sqrt(log_sd) == pytest.approx(case["random"][0]["se_of_log_sd"], rel=SE)
    assert fit.covariance.to_numpy() == pytest.approx(np.array(case["vcov"]), rel=2 * SE, abs=1e-5)
    assert fit.loglik == pytest.approx(case["logLik"], rel=1e-9)


@pytest.mark.parametrize("name", MIXED)
def test_random_judge_likelihood_ratios(name):
    case = EXPECTED[name]
    larger = fitted("temp + contact", ["judge"], case)
    for test, smaller in (
        ("lr_temp", fitted("contact", ["judge"], case)),
        ("lr_contact", fitted("temp", ["judge"], case)),
        ("lr_judge", fitted("temp + contact", case=case)),
    ):
        found = ordinal.compare(smaller, larger)
        half = 0.5 if test == "lr_judge" else 1.0
        assert (found.statistic, found.df) == (pytest.approx(case[test]["chisq"], rel=EXACT), case[test]["df"])
        assert found.p == pytest.approx(half * case[test]["p"], rel=1e-6)


@pytest.mark.parametrize("name", MIXED)
def test_random_judge_probabilities(name):
    case = EXPECTED[name]
    fit, cells = fitted("temp + contact", ["judge"], case), pd.DataFrame(case["cells"])
    average, averaged = fit.probabilities(cells), fit.probabilities(cells, averaged=True)
    assert average.to_numpy() == pytest.approx(np.array(case["prob_average_judge"]), rel=ESTIMATE)
    assert averaged.to_numpy() == pytest.approx(np.array(case["prob_averaged_over_judges"]), rel=ESTIMATE)
    assert "average judge" in average.attrs["note"]
    assert "averaged over judge" in averaged.attrs["note"]


@pytest.mark.parametrize("name", MIXED)
def test_random_judge_modes(name):
    # the modes given were found with estimates that are good to 2e-5 only
    case = EXPECTED[name]
    effects = fitted("temp + contact", ["judge"], case).random_effects
    assert list(effects["piece"]) == list(case["judge_modes_clmm"])
    assert effects["mode"].to_numpy() == pytest.approx(list(case["judge_modes_clmm"].values()), abs=5e-5)


def test_published_figures():
    """Printed in tutorials on these data; from memory."""
    published, clm = EXPECTED["published"], fitted("temp + contact")
    mixed = fitted("temp + contact", ["judge"])
    temp, contact = "temp[warm]", "contact[yes]"
    assert clm.coefficients.loc[temp, "estimate"] == pytest.approx(published["clm_temp"], abs=5e-4)
    assert clm.coefficients.loc[contact, "estimate"] == pytest.approx(published["clm_contact"], abs=5e-4)
    assert clm.loglik == pytest.approx(published["clm_logLik"], abs=5e-3)
    assert mixed.coefficients.loc[temp, "estimate"] == pytest.approx(published["clmm_temp"], abs=5e-4)
    assert mixed.coefficients.loc[contact, "estimate"] == pytest.approx(published["clmm_contact"], abs=5e-5)
    assert mixed.coefficients.loc[temp, "se"] == pytest.approx(published["clmm_temp_se"], abs=5e-5)
    assert mixed.coefficients.loc[contact, "se"] == pytest.approx(published["clmm_contact_se"], abs=1e-4)
    assert mixed.variances["judge"] == pytest.approx(published["clmm_variance"], abs=5e-4)
    assert mixed.loglik == pytest.approx(published["clmm_logLik"], abs=5e-3)


def test_bottle_adds_nothing():
    """With a bottle term the variance is zero and the likelihood that of the judges alone."""
    fit = fitted("temp + contact", ["judge", "bottle"])
    assert fit.variances["bottle"] == 0
    assert fit.variances["judge"] == pytest.approx(EXPECTED["clmm_laplace"]["random"][0]["variance"], rel=ESTIMATE)
    assert fit.loglik == pytest.approx(EXPECTED["clmm_laplace"]["logLik"], rel=1e-9)
    assert "The variance of bottle was estimated at zero." in fit.notes
    assert ordinal.compare(fitted("temp + contact", ["judge"]), fit).p == 1
