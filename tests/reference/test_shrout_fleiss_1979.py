"""Six targets, four judges: Shrout and Fleiss (1979), Psychological Bulletin 86:420-428, tables 2 and 4.

The printed correlations (from memory) are to two places; the long values and the limits were reckoned from
the paper's formulas in another language. The second table, 24 patches by four assessors, is invented.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis import assessors

DATA = Path(__file__).parent / "data"
FORMS = {f"ICC({form},{of})": f"ICC_{form}_{of}" for of in "1k" for form in "123"}


def case(folder, patch, assessor):
    frame = pd.read_csv(DATA / folder / "data.csv")
    table = frame.pivot(index=patch, columns=assessor, values="score")
    return table, json.loads((DATA / folder / "expected.json").read_text())


SHROUT, EXPECTED = case("icc-shrout-fleiss", "target", "judge")
CROSSED, ALL = case("raters-crossed", "patch", "rater")
CASES = {
    "shrout-fleiss": (SHROUT, EXPECTED, 1e-10),
    "crossed": (CROSSED, ALL["icc_24_patches_by_4_raters"], 1e-10),
}


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("form", FORMS)
def test_value_and_limits(name, form):
    table, expected, tolerance = CASES[name]
    row = assessors.icc(table).loc[form]
    assert row["value"] == pytest.approx(expected[FORMS[form]], rel=tolerance)
    if FORMS[form] in expected["limits95"]:
        assert [row["lower"], row["upper"]] == pytest.approx(expected["limits95"][FORMS[form]], rel=tolerance)


@pytest.mark.parametrize("form", FORMS)
def test_published_to_two_places(form):
    assert assessors.icc(SHROUT)["value"][form].round(2) == EXPECTED["published"][FORMS[form]]


@pytest.mark.parametrize("name", CASES)
def test_f_is_the_ratio_of_mean_squares(name):
    table, expected, _ = CASES[name]
    ms, (n, k) = expected["ms"], table.shape
    result = assessors.icc(table)
    within, residual = (ms["between_targets"] / ms[error] for error in ("within_targets", "residual"))
    assert result["f"].to_numpy() == pytest.approx([within, residual, residual] * 2, rel=1e-10)
    assert result["df1"].tolist() == [n - 1] * 6
    assert result["df2"].tolist() == [n * (k - 1), (n - 1) * (k - 1), (n - 1) * (k - 1)] * 2


def test_limits_of_a_mean_are_those_of_one_mark_stepped_up():
    result, k = assessors.icc(SHROUT), SHROUT.shape[1]
    for end in ("lower", "upper"):
        one = result[end].to_numpy()[:3]
        np.testing.assert_allclose(result[end].to_numpy()[3:], k * one / (1 + (k - 1) * one), rtol=1e-12)
