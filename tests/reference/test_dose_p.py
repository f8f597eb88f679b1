"""Dose at which a stated share responds: the budworm readings of Collett (1991), Modelling Binary Data, p. 75.

Published doses and standard errors (Venables and Ripley, Modern Applied Statistics, 4th edition, section 7.2) are
from memory, to two places, for females. The long values were reckoned in another language by the delta method, and
so is the formula here: var(m) = (v_aa + 2 m v_ab + m^2 v_bb) / b^2 at m = (logit p - a) / b.
"""

import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.curves import fieller, logit, threshold
from analysis.curves.logit import Counts

DATA = Path(__file__).parent / "data" / "logistic-threshold"
EXPECTED = json.loads((DATA / "expected.json").read_text(encoding="utf-8"))
MOTHS = pd.read_csv(DATA / "data.csv").query("set == 'budworm'")
FEMALE = (MOTHS["group"] == "F").to_numpy(float)
FIT = logit.fit(
    Counts(
        np.column_stack([FEMALE, 1 - FEMALE, MOTHS["x"]]), MOTHS["yes"].to_numpy(float), MOTHS["n"].to_numpy(float)
    )
)
NUMBERS = {"F": (0, "dose_p_female"), "M": (1, "dose_p_male")}


def dose(at, share):
    """Return log2 dose and its standard error."""
    a, b = FIT.effects[[at, 2]]
    m = (math.log(share / (1 - share)) - a) / b
    v = FIT.covariance[np.ix_([at, 2], [at, 2])]
    return m, math.sqrt(v[0, 0] + 2 * m * v[0, 1] + m * m * v[1, 1]) / b


@pytest.mark.parametrize("sex", NUMBERS)
@pytest.mark.parametrize("number", range(3))
def test_dose_and_standard_error(sex, number):
    at, key = NUMBERS[sex]
    known = EXPECTED["budworm"][key][number]
    assert dose(at, known["p"]) == pytest.approx((known["dose"], known["se"]), rel=1e-6)


@pytest.mark.parametrize("number", range(3))
def test_published(number):
    found = dose(0, (number + 1) / 4)
    # a unit of the last place, for the print's own rounding (4.296 is printed as 4.3)
    assert found[0] == pytest.approx(EXPECTED["published"]["dose"][number], abs=0.006)
    assert found[1] == pytest.approx(EXPECTED["published"]["se"][number], abs=0.0006)


@pytest.mark.parametrize("sex", NUMBERS)
@pytest.mark.parametrize("number", range(3))
def test_the_threshold_is_the_same_dose(sex, number):
    known = EXPECTED["budworm"][NUMBERS[sex][1]][number]
    frame = MOTHS.assign(x=2.0 ** MOTHS["x"])
    found = threshold(frame, "x", "yes", "n", "group", known["p"]).set_index("group").loc[sex]
    assert np.log2(found["x"]) == pytest.approx(known["dose"], rel=1e-6)
    assert (
        np.log2(found["lower"]) < known["dose"] - known["se"] < known["dose"] + known["se"] < np.log2(found["upper"])
    )


def test_fieller_limits():
    known = EXPECTED["budworm"]["fieller_female_50"]
    spread = FIT.covariance[np.ix_([0, 2], [0, 2])] * [[1, -1], [-1, 1]]
    found = fieller(-FIT.effects[0], FIT.effects[2], spread, 1.959963984540054)
    assert [found.lower, found.upper] == pytest.approx([known["lower95"], known["upper95"]], rel=1e-7)
    assert found.g == pytest.approx(known["g"], rel=1e-7)
