"""24 patches on 6 boards, each scored by 4 assessors (invented): what agreement and averaging make of it.

Values reckoned in another language: the correlations from the mean squares, the tests of the patches' means from a
mixed model with Kenward and Roger's degrees of freedom.
"""

import json
from pathlib import Path

import pandas as pd
import pytest

from analysis import assessors, frame, mixed

DATA = Path(__file__).parent / "data" / "raters-crossed"
EXPECTED = json.loads((DATA / "expected.json").read_text())
MARKS = pd.read_csv(DATA / "data.csv").rename(columns={"rater": "assessor", "score": "value"}).assign(repeat=1)
BOARDS = dict(zip(MARKS["patch"], MARKS["board"], strict=True))
AGAIN = MARKS[MARKS["assessor"] == "R1"].head(9).assign(repeat=2, value=5)


@pytest.mark.parametrize("marks", [MARKS, pd.concat([AGAIN, MARKS])], ids=["once", "with second looks"])
def test_correlations_are_of_first_looks(marks):
    found = assessors.agreed(assessors.first_looks(marks), "ordinal", BOARDS).set_index("measure")
    expected = EXPECTED["icc_24_patches_by_4_raters"]
    for form in "123":
        for of in "1k":
            assert found.loc[f"ICC({form},{of})", "value"] == pytest.approx(expected[f"ICC_{form}_{of}"], rel=1e-10)
    assert set(found["patches"]) == {24}
    assert set(found["assessors"]) == {4}


def test_means_of_patches_judge_the_factors_as_expected():
    means, notes = frame.patch_means(MARKS)
    assert notes == ["Each patch's value is the mean of 4 assessors: R1, R2, R3, R4."]
    table = means.merge(MARKS.drop_duplicates("patch")[["patch", "board", "sealer", "dwell"]], on="patch")
    tests = mixed.fit(table, "value", "sealer * dwell", ["board"]).tests()
    for row in EXPECTED["patch_means_model"]["anova_kenward_roger"]:
        assert tests.loc[row["term"], "f"] == pytest.approx(row["F"], rel=1e-6)
        assert tests.loc[row["term"], "df_den"] == pytest.approx(row["ddf"], rel=1e-6)
