"""Questions put to any fit alike: interactions, trends, one against the rest, families, letters."""

import json
from itertools import combinations as choose

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis import effects, mixed, ordinal, responses
from tests.conftest import EXAMPLE
from tests.reference.test_split_layouts import DATA
from trials import folder


@pytest.fixture(scope="module")
def split() -> mixed.MixedFit:
    """An invented split-split-plot whose contrasts were computed elsewhere."""
    frame = pd.read_csv(DATA / "split-split-plot" / "data.csv")
    frame["dwell"] = frame["dwell"].astype("category")
    return mixed.fit(frame, "L", "carrier * sealer * dwell", ["board", "board:sealer"])


def expected(case: str) -> dict:
    return json.loads((DATA / case / "expected.json").read_text())


def test_linear_trend_over_unequal_dwells(split):
    """Against the trend of the reference case (R package emmeans, as its expected.json says)."""
    found = effects.trends(split, "dwell", [2, 5, 10]).set_index("contrast")
    frame = pd.read_csv(DATA / "split-split-plot" / "data.csv")
    means = frame.groupby("dwell")["L"].mean()
    slope = np.polyfit(means.index, means, 1)[0]
    assert found.loc["linear", "estimate"] == pytest.approx(slope, rel=1e-9)
    known = {row["contrast"]: row for row in expected("split-split-plot")["dwell_trend"]}
    for name in ("linear", "curvature"):
        row = known[f"{name}_minutes"]
        assert found.loc[name, "t"] == pytest.approx(-abs(row["t"]), rel=1e-7)
        assert found.loc[name, "df"] == pytest.approx(row["df"], rel=1e-5)
        assert found.loc[name, "p"] == pytest.approx(row["p"], rel=1e-6)


def test_interaction_contrasts():
    """Differences of differences against the strip-plot reference (R, as its expected.json says)."""
    frame = pd.read_csv(DATA / "strip-plot" / "data.csv")
    fit = mixed.fit(frame, "L", "half * strip", ["board", "board:half", "board:strip"])
    found = effects.interaction(fit, "half", "strip")
    known = expected("strip-plot")["interaction_contrasts"]
    assert len(found) == len(known)
    for column in ("estimate", "se", "t"):
        ours, theirs = (
            sorted(abs(value) for value in values) for values in (found[column], [row[column] for row in known])
        )
        np.testing.assert_allclose(ours, theirs, rtol=1e-7)
    assert (found["lower"] < found["estimate"]).all()


def test_one_against_the_rest(split):
    found = effects.against_rest(split, "carrier").set_index("contrast")
    means = split.means("carrier").set_index("carrier")["mean"]
    for level in means.index:
        assert found.loc[level, "estimate"] == pytest.approx(means[level] - means.drop(level).mean())
    assert found["estimate"].sum() == pytest.approx(0, abs=1e-9)


def test_a_family_over_several_tables_is_one_holm():
    """Against the Holm values of the p-adjust reference (R's p.adjust; Holm 1979)."""
    case = DATA / "p-adjust"
    p = pd.read_csv(case / "data.csv")["p"]
    known = json.loads((case / "expected.json").read_text())["holm"]
    tables = [pd.DataFrame({"p": part}) for part in (p[:3], p[3:])]
    together = np.concatenate([table["p"].to_numpy() for table in effects.family(tables)])
    np.testing.assert_allclose(together, known, rtol=1e-12)


# --- the same questions to every fit ----------------------------------------------------------------


@pytest.fixture(scope="module")
def fits() -> dict[str, effects.Fit]:
    trial = folder.load(EXAMPLE)
    response = trial.plan.response("figure_clarity")
    analysis = responses.analyse(trial, response)
    treated = analysis.table.treated
    marks = analysis.table.readings.merge(treated.drop(columns=["value"]), on="patch")
    grades = ordinal.fit(marks, "value", "carrier + seal_coat * glaze_dwell", ["board", "assessor"])
    return {"response": analysis, "mixed": analysis.fit, "grades": grades}


@pytest.mark.parametrize("kind", ["response", "mixed", "grades"])
def test_every_fit_answers_with_intervals(fits, kind):
    fit = fits[kind]
    for table, estimate in (
        (fit.means("seal_coat"), "mean"),
        (fit.differences("carrier"), "difference"),
        (fit.differences("seal_coat", by="glaze_dwell", adjust="holm"), "difference"),
        (effects.interaction(fit, "seal_coat", "glaze_dwell"), "estimate"),
        (effects.against_rest(fit, "carrier"), "estimate"),
        (effects.trends(fit, "glaze_dwell", [3, 6, 12]), "estimate"),
    ):
        assert (table["lower"] < table[estimate]).all()
        assert (table[estimate] < table["upper"]).all()
    (row,) = fit.differences("seal_coat").to_dict("records")
    assert (row["first"], row["second"]) == ("shellac 1 lb cut", "none")
    assert row["difference"] > 0
    assert row["p"] < 1e-4


def test_grades_average_between_the_ends_of_the_scale(fits):
    means = fits["grades"].means("seal_coat")
    assert means["mean"].between(1, 5).all()
    plain = fits["mixed"].means("seal_coat")
    np.testing.assert_allclose(means["mean"], plain["mean"], atol=0.15)  # the same marks, on another scale


def test_average_grade_has_the_delta_methods_error():
    """The gradient behind the interval of an average grade, against differences of the expected grade itself."""
    from analysis.ordinal import latent

    scale, thresholds = np.array([1.0, 2.0, 3.5, 5.0]), np.array([-1.0, 0.3, 2.0])
    for link in ("logit", "probit"):
        value, slope = latent._expected(link, scale, thresholds, np.array([0.4]))
        for at in range(4):
            step = np.zeros(4)
            step[at] = 1e-6
            ends = [
                latent._expected(link, scale, thresholds + sign * step[:3], np.array([0.4]) + sign * step[3])[0][0]
                for sign in (1, -1)
            ]
            assert slope[0, at] == pytest.approx((ends[0] - ends[1]) / 2e-6, rel=1e-6)
        assert 1 < value[0] < 5


def test_contrasts_of_grades_must_sum_to_zero(fits):
    from trials.errors import UserError

    with pytest.raises(UserError, match="must sum to zero"):
        fits["grades"].contrast("carrier", {"all": [1, 1, 1]})


# --- letters ---------------------------------------------------------------------------------------


def table(levels: list[str], apart: set[frozenset[str]]) -> pd.DataFrame:
    rows = [(later, earlier, 0.001 if {later, earlier} in apart else 0.5) for earlier, later in choose(levels, 2)]
    return pd.DataFrame(rows, columns=["first", "second", "p"])


def test_letters_of_a_chain():
    found = effects.letters(table(["low", "mid", "high"], {frozenset({"low", "high"})}))
    assert found == {"low": "a", "mid": "ab", "high": "b"}
    assert effects.letters(table(["x", "y"], set())) == {"x": "a", "y": "a"}
    assert effects.letters(table(["x", "y"], {frozenset({"x", "y"})})) == {"x": "a", "y": "b"}


@settings(max_examples=150, deadline=None)
@given(st.integers(2, 6), st.data())
def test_letters_are_shared_exactly_by_levels_not_told_apart(number, data):
    levels = [f"level {at}" for at in range(number)]
    apart = {frozenset(pair) for pair in choose(levels, 2) if data.draw(st.booleans())}
    found = effects.letters(table(levels, apart))
    for one, other in choose(levels, 2):
        assert bool(set(found[one]) & set(found[other])) == (frozenset({one, other}) not in apart)
