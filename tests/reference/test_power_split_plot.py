"""Exact power of a split-plot layout.

Invented cell means and variances; power from the noncentral F distribution in R 4.2.2, and from 20 000 simulated
experiments a case there. R's noncentral F is off by 9e-10 in one value, hence the absolute part of the tolerance.
"""

import json
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis import precision, strata

DATA = Path(__file__).parent / "data" / "power-split-plot"
MEANS = pd.read_csv(DATA / "data.csv", keep_default_na=False)
EXPECTED = json.loads((DATA / "expected.json").read_text())["configs"]
CASES = [(name, row["term"]) for name, case in EXPECTED.items() for row in case["analytic"]]


def layout(name):
    cells = MEANS[MEANS["config"] == name]
    boards = product(sorted(set(cells["carrier"])), range(EXPECTED[name]["boards_per_carrier"]))
    rows = [(f"{carrier}-{board}", carrier, sealer) for carrier, board in boards for sealer in set(cells["sealer"])]
    return pd.DataFrame(rows, columns=["board", "carrier", "sealer"])


def variances(name):
    return {"board": EXPECTED[name]["s2_board"], "residual": EXPECTED[name]["s2_res"]}


def cell_means(name):
    return MEANS.loc[MEANS["config"] == name, ["carrier", "sealer", "mean"]]


def value(name, term, which="analytic"):
    return next(row for row in EXPECTED[name][which] if row["term"] == term)


@pytest.mark.parametrize(("name", "term"), CASES)
def test_power_from_cell_means(name, term):
    found = precision.power(layout(name), (term, cell_means(name)), variances(name))
    assert found == pytest.approx(value(name, term)["power"], rel=1e-8, abs=1e-9)


@pytest.mark.parametrize(("name", "term"), [case for case in CASES if ":" in case[1]])
def test_power_from_an_array_and_a_series(name, term):
    expected = pytest.approx(value(name, term)["power"], rel=1e-8, abs=1e-9)
    array = np.array(EXPECTED[name]["cell_means"], dtype=float)
    assert precision.power(layout(name), {term: array}, pd.Series(variances(name))) == expected
    assert precision.power(layout(name), {"sealer:carrier": array.T}, variances(name)) == expected
    cells = cell_means(name).set_index(["carrier", "sealer"])["mean"]
    assert precision.power(layout(name), (term, cells), variances(name)) == expected


@pytest.mark.parametrize(("name", "term"), [case for case in CASES if ":" not in case[1]])
def test_power_from_effects_of_levels(name, term):
    effects = dict(enumerate(EXPECTED[name]["effects"][term], start=1))
    found = precision.power(layout(name), {term: effects}, variances(name))
    assert found == pytest.approx(value(name, term)["power"], rel=1e-8, abs=1e-9)


@pytest.mark.parametrize(("name", "term"), CASES)
def test_noncentrality_and_degrees_of_freedom(name, term):
    frame = layout(name).astype({"carrier": "category", "sealer": "category"})
    made = strata.plan(frame, "carrier * sealer", ["board"])
    mean = layout(name).merge(cell_means(name), how="left")["mean"].to_numpy()
    at, expected = made.terms.index(term), value(name, term)
    assert (made.df[at], made.term_error_df[at]) == (expected["ndf"], expected["ddf"])
    noncentrality = made.noncentrality(mean - mean.mean(), variances(name))[at]
    assert noncentrality == pytest.approx(expected["ncp"], rel=1e-10, abs=1e-10)


@pytest.mark.parametrize(("name", "term"), CASES)
def test_power_against_simulated_experiments(name, term):
    simulated = value(name, term, "simulated")
    found = precision.power(layout(name), (term, cell_means(name)), variances(name))
    assert abs(found - simulated["power"]) < 4.5 * simulated["mc_se"]
