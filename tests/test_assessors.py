"""Agreement, severity, spread and repeats of assessors; made-up marks with answers worked out beside them."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from analysis import assessors, frame
from trials.errors import UserError
from trials.plan import Response

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


@pytest.fixture(scope="module")
def thousand_icc() -> list[pd.DataFrame]:
    """Return the correlations of 1000 made-up tables of 12 patches, made once for all forms."""
    rng = np.random.default_rng(5)
    return [assessors.icc(simulated(rng, 12)) for _ in range(1000)]


@pytest.mark.slow
@pytest.mark.parametrize(("form", "truth"), [("ICC(1,1)", 1 / 1.25), ("ICC(3,1)", 1 / 1.25), ("ICC(3,k)", 4 / 4.25)])
def test_limits_cover(thousand_icc, form, truth):
    limits = [found.loc[form, ["lower", "upper"]] for found in thousand_icc]
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


# --- second looks in the means of patches ----------------------------------------------------------


def marks_of(*rows):
    """Marks from (patch, assessor, repeat, value)."""
    return pd.DataFrame(rows, columns=["patch", "assessor", "repeat", "value"])


def test_a_second_look_does_not_weigh_an_assessor_double():
    """A gave patch 1 a 2 and then a 4, B a 5: (3 + 5) / 2 = 4, not (2 + 4 + 5) / 3; patch 2 is (1 + 2) / 2."""
    found, notes = frame.patch_means(
        marks_of((1, "A", 1, 2.0), (1, "A", 2, 4.0), (1, "B", 1, 5.0), (2, "A", 1, 1.0), (2, "B", 1, 2.0))
    )
    assert found["value"].tolist() == [4.0, 1.5]
    assert found["readings"].tolist() == [3, 2]
    assert notes[-1] == "Repeated looks of one assessor at a patch were averaged first."


def test_second_looks_do_not_weigh_in_the_severity_either():
    """B marks 1 higher than A on both patches they share; A's mark of patch 3, alone, is brought half a grade up."""
    found, _ = frame.patch_means(
        marks_of((1, "A", 1, 1.0), (1, "A", 2, 3.0), (1, "B", 1, 3.0), (2, "A", 1, 4.0), (2, "B", 1, 5.0),
                 (3, "A", 1, 2.0), (3, "A", 2, 3.0))
    )  # fmt: skip
    assert found["value"].tolist() == pytest.approx([2.5, 4.5, 3.0])


def test_first_looks_leave_second_looks_out():
    found = assessors.first_looks(marks_of((1, "A", 2, 4.0), (1, "A", 1, 2.0), (1, "B", 2, 5.0)))
    assert found.loc[1].to_dict() == {"A": 2.0, "B": 5.0}


# --- drift -----------------------------------------------------------------------------------------


def session(rng, patches=20, drifts=(0.0, 0.0), noise=0.4, again=4):
    """Marks of two assessors, each in an order of its own, with second looks, drifting from first to last."""
    quality = rng.normal(3, 1, patches)
    rows = []
    for at, moved in enumerate(drifts):
        looks = [(patch, 1) for patch in rng.permutation(patches)]
        looks += [(patch, 2) for patch, _ in looks[:again]]
        for place, (patch, repeat) in enumerate(looks):
            mark = quality[patch] + 0.3 * at + moved * place / (len(looks) - 1) + rng.normal(0, noise)
            rows.append((patch, "AB"[at], repeat, mark, f"2026-03-14T10:{place:02d}:00Z"))
    return pd.DataFrame(rows, columns=["patch", "assessor", "repeat", "value", "taken_at"])


def by_statsmodels(frame_):
    """The same model as an ordinary least squares formula, dummy by dummy."""
    import statsmodels.formula.api as smf

    place = frame_.groupby("assessor")["taken_at"].rank() - 1
    place /= place.groupby(frame_["assessor"]).transform("max")
    table = frame_.assign(at_a=place * (frame_["assessor"] == "A"), at_b=place * (frame_["assessor"] == "B"))
    return smf.ols("value ~ C(patch) + C(assessor) + at_a + at_b", table).fit()


@pytest.mark.parametrize("seed", range(4))
def test_drift_is_the_least_squares_of_another_library(seed):
    marks = session(np.random.default_rng(seed), drifts=(0.0, 0.8)).drop(index=[3, 17, 30])
    found, other = assessors.drift(marks), by_statsmodels(marks)
    for name, column in (("A", "at_a"), ("B", "at_b")):
        limits = other.conf_int().loc[column]
        expected = [other.params[column], limits[0], limits[1], other.bse[column], other.df_resid]
        got = found.loc[name, ["change", "lower", "upper", "se", "df"]].tolist()
        assert got == pytest.approx(expected, rel=1e-9)


def test_drift_does_not_depend_on_the_order_of_rows():
    marks = session(np.random.default_rng(1), drifts=(0.5, 0.0))
    mixed_up = marks.sample(frac=1, random_state=2)
    pd.testing.assert_frame_equal(assessors.drift(marks), assessors.drift(mixed_up), rtol=1e-9)


def test_intervals_of_drift_hold_as_often_as_they_say():
    """1200 intervals of 95 %: 1140 expected, standard deviation 7.5 if all were independent; four of them allowed."""
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(600):
        found = assessors.drift(session(rng, patches=10, drifts=(0.6, -0.2), again=3))
        held += int(((found["lower"] <= [0.6, -0.2]) & (found["upper"] >= [0.6, -0.2])).sum())
    assert abs(held - 1140) < 4 * 7.55


def test_exact_marks_give_back_their_drift():
    found = assessors.drift(session(np.random.default_rng(5), drifts=(1.5, -0.5), noise=0))
    assert found["change"].tolist() == pytest.approx([1.5, -0.5])
    assert found["se"].max() < 1e-9


@pytest.mark.parametrize(
    ("times", "why"),
    [
        (["", "", "", ""], "no times"),
        (["2026-03-14T10:00:00", "", "", "2026-03-14T10:01:00"], "some of its marks bear no time"),
        (["2026-03-14T10:00:00"] * 4, "bear the same time"),
    ],
)
def test_without_an_order_drift_is_not_told(times, why):
    marks = session(np.random.default_rng(2), patches=4, again=0)
    marks.loc[marks["assessor"] == "A", "taken_at"] = times
    found = assessors.drift(marks)
    assert found.loc["A", ["change", "lower", "upper", "se", "df"]].isna().all()
    assert why in found.loc["A", "why"]
    assert found.loc["B", "why"] == ""


def test_one_assessor_without_second_looks_cannot_be_told_from_the_patches():
    marks = session(np.random.default_rng(2), drifts=(0.0,), again=0)
    assert "cannot be told from the patches" in assessors.drift(marks).loc["A", "why"]


def test_one_assessor_with_second_looks_is_judged_by_them():
    """Every patch is seen twice, 20 of 39 steps apart and 0.5 higher: 0.975 in all."""
    marks = session(np.random.default_rng(2), drifts=(0.975,), noise=0, again=20)
    assert assessors.drift(marks).loc["A", "change"] == pytest.approx(0.975)


def test_two_who_look_in_the_same_order_cannot_be_told_from_the_patches():
    marks = session(np.random.default_rng(2), drifts=(0.2,), again=0)
    both = pd.concat([marks, marks.assign(assessor="B", value=marks["value"] + 0.1)])
    assert assessors.drift(both)["why"].str.contains("cannot be told from the patches").all()


def test_times_of_several_zones_are_one_order():
    """09:30 at +02:00 is 07:30 UTC, before 08:00 without a zone."""
    marks = pd.concat([session(np.random.default_rng(2), patches=3, again=0, noise=0.1)] * 1)
    own = marks["assessor"] == "A"
    first = marks.assign(taken_at=marks["taken_at"].where(~own, ["2026-03-14T08:00:00", "2026-03-14T09:30:00+02:00",
                                                               "2026-03-14T08:30:00Z"] * 2))  # fmt: skip
    second = marks.assign(taken_at=marks["taken_at"].where(~own, [f"2026-03-14T0{hour}" for hour in "213213"]))
    assert assessors.drift(first)["change"].tolist() == assessors.drift(second)["change"].tolist()


def test_a_time_that_is_none_is_said():
    marks = session(np.random.default_rng(2)).assign(taken_at="after lunch")
    with pytest.raises(UserError, match="'after lunch' cannot be read"):
        assessors.drift(marks)


# --- each assessor in one sentence -----------------------------------------------------------------

GRADE = Response("figure_clarity", "grade", 5, True, "", 1, 5, "more", None, ("topcoated",), ())


def sentence_of(marks, name="B", response=GRADE):
    rows = assessors.each(marks).set_index("assessor", drop=False)
    return assessors.in_one_sentence(rows.loc[name], response)


def test_everything_of_an_assessor_in_one_sentence():
    said = sentence_of(session(np.random.default_rng(3), patches=30, drifts=(0.0, 1.0), noise=0.2, again=6))
    assert said.startswith("B marks 0.")
    assert "grade clearer than the others (95% interval" in said
    assert "gave 6 patches seen twice the same mark never (standard deviation of a repeated mark" in said
    assert "from the first patch to the last the marks moved 1.0" in said
    assert said.count(".\n") == 0
    assert said.endswith(".")


def test_one_assessor_alone_says_what_cannot_be_told():
    said = sentence_of(marks_of((1, "A", 1, 3.0), (2, "A", 1, 4.0), (1, "A", 2, 3.0)).assign(taken_at=""), "A")
    assert "how high it marks beside others cannot be told" in said
    assert "gave 1 patch seen twice the same mark again" in said
    assert "whether the marks drifted cannot be told: no times of looking were recorded" in said


def test_each_holds_what_the_single_functions_say():
    marks = session(np.random.default_rng(7), drifts=(0.3, 0.0))
    found = assessors.each(marks).set_index("assessor")
    off = assessors.severity(assessors.first_looks(marks))
    assert found["difference"].tolist() == off["difference"].tolist()
    assert found["repeat_sd"].tolist() == assessors.repeatability(marks)["repeat_sd"].tolist()
    assert found["drift"].tolist() == assessors.drift(marks)["change"].tolist()
    assert found["repeated"].tolist() == [4, 4]


# --- agreement in words ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("marks", "said"),
    [
        ({"A": [1, 2, 3, 4, 5, 5], "B": [1, 2, 3, 4, 5, 5]}, "they see the same thing"),
        ({"A": [1, 2, 3, 4, 5, 5], "B": [5, 4, 3, 2, 1, 1]}, "no better than chance"),
        ({"A": [3, 3, 3, 3, 3, 3], "B": [3, 3, 3, 3, 3, 3]}, "cannot be told: all marks that"),
    ],
)
def test_alpha_is_put_into_words(marks, said):
    frame_ = pd.DataFrame(marks)
    found = assessors.agreed(frame_, "ordinal", dict(enumerate([1, 1, 2, 2, 3, 3])))
    assert said in assessors.alpha_sentence(found.iloc[0])


def test_patches_that_lack_a_mark_are_left_out_of_the_correlations_and_said():
    marks = pd.DataFrame({"A": [1, 2, 4, 5, 3.0], "B": [1, 3, 4, 4, np.nan]})
    found = assessors.agreed(marks, "ordinal", dict(enumerate("aabbc"))).set_index("measure")
    assert found.loc["ICC(2,1)", "patches"] == 4
    assert found.loc["ICC(2,1)", "value"] == assessors.icc(marks.dropna()).loc["ICC(2,1)", "value"]
    said = assessors.correlation_sentence(found.loc["ICC(2,1)"], found.loc["ICC(2,k)"])
    assert "1 of 5 patches lack somebody's mark" in said


def test_one_assessor_has_no_agreement():
    assert assessors.agreed(pd.DataFrame({"A": [1, 2]}), "ordinal", {0: 1, 1: 2}).empty
