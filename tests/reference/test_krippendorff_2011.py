"""Four observers, twelve units, gaps: Krippendorff (2011), Computing Krippendorff's alpha-reliability.

The printed values (.743, .815, .849, .797) are from memory; the long ones were reckoned twice, by a library
and by the formula, which agreed to 1e-12.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis import assessors

DATA = Path(__file__).parent / "data" / "krippendorff-alpha"
EXPECTED = json.loads((DATA / "expected.json").read_text())
LONG = pd.read_csv(DATA / "data.csv")
TABLE = LONG.pivot(index="unit", columns="coder", values="value")
LEVELS = ["nominal", "ordinal", "interval", "ratio"]


@pytest.mark.parametrize("level", LEVELS)
def test_alpha(level):
    assert assessors.krippendorff(TABLE, level) == pytest.approx(EXPECTED["alpha"][level], abs=1e-12)
    assert assessors.krippendorff(TABLE, level) == pytest.approx(EXPECTED["published"][level], abs=5e-4)


@pytest.mark.parametrize("level", LEVELS)
def test_alpha_from_marks_one_a_row(level):
    table = assessors.wide(LONG, value="value", patch="unit", assessor="coder")
    assert assessors.krippendorff(table, level) == pytest.approx(EXPECTED["alpha"][level], abs=1e-12)


def test_names_instead_of_numbers():
    words = TABLE.map(lambda mark: np.nan if np.isnan(mark) else f"grade {mark:.0f}")
    assert assessors.krippendorff(words, "nominal") == pytest.approx(EXPECTED["alpha"]["nominal"], abs=1e-12)


def test_ordered_categories_are_grades():
    names = ["pale", "even", "blotched", "dark", "black"]
    kind = pd.CategoricalDtype(names, ordered=True)
    words = TABLE.map(lambda mark: None if np.isnan(mark) else names[int(mark) - 1]).astype(kind)
    assert assessors.krippendorff(words, "ordinal") == pytest.approx(EXPECTED["alpha"]["ordinal"], abs=1e-12)
