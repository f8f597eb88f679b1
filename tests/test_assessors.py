"""Agreement, severity, spread and repeats of assessors; made-up marks with answers worked out beside them."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from analysis import assessors
from trials.errors import UserError

LEVELS = ["nominal", "ordinal", "interval", "ratio"]
T_975_3DF = 3.182446305  # Student's t, 3 degrees of freedom (any table: 3.182)
CHI2_3DF = (0.215795283, 9.348403604)  # chi-squared, 3 degrees of freedom, 2.5% and 97.5% (any table: 0.216, 9.348)


def table(**marks):
    return pd.DataFrame(marks, index=[f"patch {at}" for at in range(len(next(iter(marks.values()))))])


def simulated(rng, patches=24, assessors_=4, severity=(0.0, 0.0, 0.0, 0.0)):
    quality = rng.normal(3, 1, patches)
    marks = quality[:, None] + np.array(severity) + rng.normal(0, 0.5, (patches, assessors_))
    return pd.DataFrame(marks, columns=list("ABCD")[:assessors_])


# --- Krippendorff's alpha --------------------------------------------------------------------------


def alpha_by_pairs(marks, distance):
    """Alpha from its definition: mean distance of pairs within patches over that of all pairs."""
    patches = [row[~np.isnan(row)] for row in marks]
    patches = [row for row in patches if len(row) > 1]
    every = np.concatenate(patches)
    within = sum(distance(a, b) / (len(row) - 1) for row in patches for a in row for b in row) / len(every)
    overall = sum(distance(a, b) for a in every for b in every) / len(every) / (len(every) - 1)
    return 1 - within / overall, every


MARKS = arrays(
    float, st.tuples(st.integers(2, 6), st.integers(2, 4)), elements=st.sampled_from([1.0, 2, 3, 5, np.nan])
)


@given(MARKS, st.sampled_from(LEVELS))
@settings(deadline=None, max_examples=80)
def test_alpha_is_one_less_the_ratio_of_mean_distances(marks, level):
    try:
        alpha = assessors.krippendorff(pd.DataFrame(marks), level)
    except UserError:
        return
    paired = [row[~np.isnan(row)] for row in marks if (~np.isnan(row)).sum() > 1]
    every = np.concatenate(paired)

    def rank_distance(a, b):
        low, high = min(a, b), max(a, b)
        between = ((every >= low) & (every <= high)).sum()
        return (between - ((every == low).sum() + (every == high).sum()) / 2) ** 2 if a != b else 0.0

    distance = {
        "nominal": lambda a, b: float(a != b),
        "ordinal": rank_distance,
        "interval": lambda a, b: (a - b) ** 2,
        "ratio": lambda a, b: ((a - b) / (a + b)) ** 2,
    }[level]
    assert alpha == pytest.approx(alpha_by_pairs(marks, distance)[0], abs=1e-12)


@pytest.mark.parametrize("level", LEVELS)
def test_alpha_of_perfect_agreement_is_one(level):
    assert assessors.krippendorff(table(A=[1, 2, 3], B=[1, 2, 3], C=[1, None, 3]), level) == 1


@pytest.mark.parametrize("level", LEVELS)
def test_alpha_does_not_depend_on_order(level):
    marks = pd.DataFrame(np.random.default_rng(3).integers(1, 6, (10, 3)).astype(float), columns=list("ABC"))
    alpha = assessors.krippendorff(marks, level)
    assert assessors.krippendorff(marks.sample(frac=1, random_state=1)[["C", "A", "B"]], level) == pytest.approx(
        alpha
    )


def test_ordinal_alpha_sees_order_only():
    marks = pd.DataFrame(np.random.default_rng(4).integers(1, 6, (12, 3)).astype(float))
    assert assessors.krippendorff(marks**3, "ordinal") == pytest.approx(assessors.krippendorff(marks, "ordinal"))
    assert assessors.krippendorff(5 - 2 * marks, "interval") == pytest.approx(
        assessors.krippendorff(marks, "interval")
    )


def test_interval_of_alpha():
    marks = simulated(np.random.default_rng(1))
    alpha = assessors.krippendorff(marks, "interval")
    first, again = (assessors.krippendorff_interval(marks, "interval", draws=400, seed=2) for _ in range(2))
    assert first == again
    assert first[0] < alpha < first[1]
    narrower = assessors.krippendorff_interval(marks, "interval", draws=400, seed=2, coverage=0.5)
    assert first[0] < narrower[0] < narrower[1] < first[1]


def test_interval_of_alpha_is_wider_when_boards_are_drawn_whole():
    rng = np.random.default_rng(6)
    boards = np.repeat(np.arange(6), 8)
    quality = rng.normal(3, 1.5, 6)[boards]
    marks = pd.DataFrame(quality[:, None] + rng.normal(0, 0.8, (48, 3)))
    patches = assessors.krippendorff_interval(marks, "interval", draws=600)
    whole = assessors.krippendorff_interval(marks, "interval", draws=600, boards=list(boards))
    assert whole[1] - whole[0] > patches[1] - patches[0]


@pytest.mark.slow
def test_interval_of_alpha_covers():
    """True alpha of many patches is variance between over the total; 60 patches, 250 trials."""
    rng = np.random.default_rng(12)
    truth = 1 / (1 + 0.25)
    covered = 0
    for seed in range(250):
        low, high = assessors.krippendorff_interval(simulated(rng, 60), "interval", draws=200, seed=seed)
        covered += low <= truth <= high
    assert covered / 250 > 0.88  # the percentile interval falls somewhat short of its 95%


# --- intraclass correlations -----------------------------------------------------------------------


def test_perfect_and_shifted_agreement():
    same = assessors.icc(table(A=[1, 2, 4], B=[1, 2, 4]))
    assert same[["value", "lower", "upper"]].to_numpy() == pytest.approx(np.ones((6, 3)))
    assert (same["p"] == 0).all()
    shifted = assessors.icc(table(A=[1, 2, 3], B=[2, 3, 4]))
    # between patches 2, within 0.5, assessors 1.5, residual 0
    assert shifted["value"]["ICC(1,1)"] == pytest.approx(1.5 / 2.5)
    assert shifted["value"]["ICC(2,1)"] == pytest.approx(2 / (2 + 2 * 1.5 / 3))
    assert shifted["value"]["ICC(3,1)"] == 1


def test_severity_lowers_all_forms_but_the_third():
    rng = np.random.default_rng(2)
    marks = simulated(rng)
    shifted = marks + np.array([1.0, 0, 0, -1.0])
    before, after = assessors.icc(marks), assessors.icc(shifted)
    assert (after["value"][["ICC(1,1)", "ICC(2,1)"]] < before["value"][["ICC(1,1)", "ICC(2,1)"]]).all()
    assert after["value"]["ICC(3,1)"] == pytest.approx(before["value"]["ICC(3,1)"])


def test_each_form_says_what_it_means():
    result = assessors.icc(simulated(np.random.default_rng(2)))
    assert result["meaning"].is_unique
    assert result.index.tolist() == [f"ICC({form},{of})" for of in "1k" for form in "123"]
    assert (result["lower"] < result["value"]).all()
    assert (result["value"] < result["upper"]).all()


@pytest.mark.slow
@pytest.mark.parametrize(("form", "truth"), [("ICC(1,1)", 1 / 1.25), ("ICC(3,1)", 1 / 1.25), ("ICC(3,k)", 4 / 4.25)])
def test_limits_cover(form, truth):
    rng = np.random.default_rng(5)
    limits = [assessors.icc(simulated(rng, 12)).loc[form, ["lower", "upper"]] for _ in range(1000)]
    covered = np.mean([low <= truth <= high for low, high in limits])
    assert abs(covered - 0.95) < 3.3 * (0.95 * 0.05 / 1000) ** 0.5


# --- severity and consistency ----------------------------------------------------------------------

HARD = table(A=[2.0, 3, 4, 5], B=[1.0, 3, 3, 4], C=[1.0, 2, 2, 4])
"""A less the mean of B and C: 1, 0.5, 1.5, 1: mean 1, standard deviation 0.408."""


def test_severity_by_hand():
    row = assessors.severity(HARD).loc["A"]
    half = T_975_3DF * np.sqrt(1 / 6) / 2
    assert row.tolist() == pytest.approx([1, 1 - half, 1 + half, 4], abs=1e-8)


def test_severity_uses_shared_patches_only():
    gaps = table(A=[1.0, 2, None, 9], B=[2.0, 3, 4, None], C=[None, 3.0, 5, None])
    result = assessors.severity(gaps)
    assert result["difference"].tolist() == pytest.approx([-1, (1 + 0.5 - 1) / 3, (0.5 + 1) / 2])
    assert result["patches"].tolist() == [2, 3, 2]


def test_severities_of_a_full_table_add_up_to_nothing():
    assert assessors.severity(simulated(np.random.default_rng(9)))["difference"].sum() == pytest.approx(0, abs=1e-12)


def test_consistency_by_hand():
    row = assessors.consistency(HARD).loc["A"]
    assert row["scatter"] == pytest.approx(np.sqrt(1 / 6))
    pooled = (np.var(HARD["B"], ddof=1) + np.var(HARD["C"], ddof=1)) / 2
    assert row["spread"] == pytest.approx(np.sqrt(np.var(HARD["A"], ddof=1) / pooled))
    assert row["agreement"] == pytest.approx(np.corrcoef(HARD["A"], (HARD["B"] + HARD["C"]) / 2)[0, 1])


def test_spread_of_one_who_uses_half_the_scale():
    marks = simulated(np.random.default_rng(3))
    marks["B"] = marks["A"] / 2
    result = assessors.consistency(marks[["A", "B"]])
    assert result["spread"].tolist() == pytest.approx([2, 0.5])
    assert result["agreement"].tolist() == pytest.approx([1, 1])


@pytest.mark.slow
def test_interval_of_severity_covers():
    rng = np.random.default_rng(7)
    shift = (0.6, 0.0, 0.0, 0.0)
    rows = [assessors.severity(simulated(rng, 10, severity=shift)).loc["A"] for _ in range(1000)]
    covered = np.mean([row["lower"] <= 0.6 <= row["upper"] for row in rows])
    assert abs(covered - 0.95) < 3.3 * (0.95 * 0.05 / 1000) ** 0.5


# --- repeats ---------------------------------------------------------------------------------------

REPEATS = pd.DataFrame(
    {
        "patch": [101, 101, 102, 102, 103, 103, 104, 101, 101],
        "assessor": list("AAAAAAABB"),
        "value": [1.0, 2, 2, 2, 3, 4, 5, 2, 2],
    }
)
"""A: squares about the patch means 0.5 + 0 + 0.5 on 3 degrees of freedom; B repeats itself."""


def test_repeats_by_hand():
    result = assessors.repeatability(REPEATS)
    ends = [np.sqrt(1 / chi2) for chi2 in reversed(CHI2_3DF)]
    assert result.loc["A"].tolist() == pytest.approx([np.sqrt(1 / 3), *ends, 3, 3], rel=1e-6)
    assert result.loc["B", ["repeat_sd", "df", "patches"]].tolist() == [0, 1, 1]


def test_wide_averages_repeats():
    marks = assessors.wide(REPEATS)
    assert marks["A"].tolist() == [1.5, 2, 3.5, 5]
    assert marks.loc[101, "B"] == 2
    assert np.isnan(marks.loc[102, "B"])


# --- words -----------------------------------------------------------------------------------------


def test_sentences():
    repeats = assessors.repeatability(REPEATS)
    said = assessors.describe(HARD, repeats)
    assert said[0] == "A marks 1.0 grade higher than the others (95% interval 0.4 to 1.6)."
    assert "C marks 0.9 grade lower than the others (95% interval 0.1 to 1.6)." in said
    assert (
        "Whether B marks higher or lower than the others is not settled: −0.1 grade (95% interval −0.9 to +0.6)."
        in said
    )
    assert "A's marks are spread 1.03 times as widely as the others'." in said
    assert (
        "Marking a patch again, A repeats its mark with a standard deviation of 0.6 grade "
        "(3 patches; 95% interval 0.3 to 2.2)." in said
    )
    assert "B gave the same mark on the one patch marked again." in said


@pytest.mark.parametrize(
    ("marks", "sentence"),
    [
        (table(A=[1.0], B=[3.0]), "A marks 2 grade lower than the others on the one patch they share."),
        (table(A=[1.0], B=[1.0]), "A marks just as the others on the one patch they share."),
        (table(A=[2, 3], B=[1, 2]), "A marks every patch 1 grade higher than the others' mean."),
        (table(A=[2, 3], B=[2, 3]), "A marks every patch just as the others do on average."),
        (table(A=[1, None], B=[None, 2]), "A shares no marked patch with the others, so nothing can be said of A."),
    ],
)
def test_sentences_where_little_is_known(marks, sentence):
    assert assessors.describe(marks)[0] == sentence


# --- refusals --------------------------------------------------------------------------------------

FULL = table(A=[1, 2, 3], B=[1, 3, 3])
REFUSED = {
    "alike": (lambda: assessors.krippendorff(table(A=[3, 3], B=[3, 3]), "ordinal"), "all marks that can be compared"),
    "one assessor": (
        lambda: assessors.krippendorff(FULL[["A"]], "ordinal"),
        "two assessors or more; the table has 1",
    ),
    "one unit": (lambda: assessors.krippendorff(FULL.iloc[:1], "ordinal"), "only one patch"),
    "no pair": (lambda: assessors.krippendorff(table(A=[1, None], B=[None, 2]), "nominal"), "no patch has"),
    "words": (
        lambda: assessors.krippendorff(table(A=["pale", "dark"], B=[1, 2]), "interval"),
        "the mark 'pale' (column 'A', row 'patch 0') is not a number",
    ),
    "infinite": (lambda: assessors.krippendorff(table(A=[1, np.inf], B=[1, 2]), "interval"), "'inf'"),
    "negative": (lambda: assessors.krippendorff(table(A=[-1, 2], B=[1, 2]), "ratio"), "-1 is below zero"),
    "name twice": (lambda: assessors.krippendorff(FULL.set_axis(["A", "A"], axis=1), "ordinal"), "named 'A'"),
    "interval of alike": (lambda: assessors.krippendorff_interval(table(A=[3, 3], B=[3, 3]), "ordinal"), "all marks"),
    "one board": (
        lambda: assessors.krippendorff_interval(FULL, "ordinal", boards=["b", "b", "b"]),
        "all marked patches lie on one board",
    ),
    "no board": (
        lambda: assessors.krippendorff_interval(FULL, "ordinal", boards=["b", "c", None]),
        "has no board",
    ),
    "gap": (
        lambda: assessors.icc(table(A=[1, 2, 3], B=[1, None, 3])),
        "patch 'patch 1' has no mark by 'B'",
    ),
    "one patch": (lambda: assessors.icc(FULL.iloc[:1]), "two patches or more"),
    "one column": (lambda: assessors.icc(FULL[["A"]]), "two assessors or more"),
    "no difference": (lambda: assessors.icc(table(A=[3, 3], B=[3, 3])), "same mean mark"),
    "opposite": (lambda: assessors.icc(table(A=[1, 2], B=[2, 1])), "same mean mark"),
    "severity of words": (lambda: assessors.severity(table(A=["x", "y"], B=[1, 2])), "not a number"),
    "never repeated": (lambda: assessors.repeatability(REPEATS.drop_duplicates(["patch", "assessor"])), "twice"),
    "no such column": (lambda: assessors.repeatability(REPEATS, value="valu"), "no column 'valu' in the marks"),
    "no marks": (lambda: assessors.wide(REPEATS.iloc[:0]), "none of the 0 rows"),
    "words twice": (lambda: assessors.wide(REPEATS.assign(value="dark")), "twice, in words"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_refused_in_one_sentence(case):
    act, words = REFUSED[case]
    with pytest.raises(UserError) as caught:
        act()
    message = str(caught.value)
    assert words in message
    assert len(caught.value.problems) == 1
    assert "\n" not in message


def test_wrong_arguments():
    with pytest.raises(ValueError, match="level is 'grade'"):
        assessors.krippendorff(FULL, "grade")
    with pytest.raises(ValueError, match="between 0 and 1"):
        assessors.icc(FULL, level=95)
    with pytest.raises(TypeError, match="DataFrame"):
        assessors.krippendorff(FULL.to_numpy(), "nominal")
    with pytest.raises(ValueError, match="2 entries for 3 rows"):
        assessors.krippendorff_interval(FULL, "ordinal", boards=["b", "c"])
