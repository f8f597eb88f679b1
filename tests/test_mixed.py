"""Mixed models against dense algebra, closed forms, and what must not change an answer."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from math import erfc, sqrt

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import bdtr, bdtrc

from analysis import combinations, mixed, model, strata
from analysis.mixed import degrees, estimable
from trials.errors import UserError

FULL = "carrier * sealer * dwell"
PIECES = ("board", "board:sealer", "board:dwell")


def split_boards(
    boards: int = 6, *, seed: int = 0, sds: Sequence[float] = (1.0, 0.7, 0.5, 1.0), drop: int = 0
) -> pd.DataFrame:
    """Make up boards with halves (sealer) and strips across them (dwell); sds of board, half, strip and patch."""
    rng = np.random.default_rng(seed)
    board, half, strip = (axis.ravel() for axis in np.meshgrid(range(boards), range(2), range(3), indexing="ij"))
    frame = pd.DataFrame(
        {
            "board": [f"B{at + 1}" for at in board],
            "carrier": np.array(["water", "oil"])[board % 2],
            "sealer": np.array(["none", "shellac"])[half],
            "dwell": np.array(["12 min", "3 min", "6 min"])[strip],
            "minutes": np.array([12.0, 3.0, 6.0])[strip],
        }
    )
    frame["y"] = (
        40
        + 0.8 * half
        + rng.normal(0, sds[0], boards)[board]
        + rng.normal(0, sds[1], (boards, 2))[board, half]
        + rng.normal(0, sds[2], (boards, 3))[board, strip]
        + rng.normal(0, sds[3], len(frame))
    )
    return frame.drop(index=rng.choice(len(frame), drop, replace=False))


# --- against dense algebra -------------------------------------------------------------------------


def dense(fit: mixed.MixedFit, first_level: bool = False) -> tuple[np.ndarray, list[np.ndarray], np.ndarray]:
    """Return X, every component's n by n matrix (the residual's last) and V at the estimates."""
    coding = "first" if first_level else "sum"
    columns = model.design(fit.frame.columns, fit.fixed.terms, coding, len(fit.frame.response)).matrix
    kept = estimable.span(columns, np.ones(len(columns))).kept
    grams = [(term.codes[:, None] == term.codes).astype(float) for term in fit.random]
    grams.append(np.eye(len(columns)))
    covariance = sum(size * gram for size, gram in zip(fit.components, grams, strict=True))
    return columns[:, kept], grams, np.asarray(covariance)


def minus_two_log_likelihood(response: np.ndarray, columns: np.ndarray, covariance: np.ndarray) -> float:
    """Restricted likelihood as Patterson & Thompson (1971) and Harville (1974) write it, by brute force."""
    inverse = np.linalg.inv(covariance)
    information = columns.T @ inverse @ columns
    rest = response - columns @ np.linalg.solve(information, columns.T @ inverse @ response)
    free = len(response) - columns.shape[1]
    return float(
        np.linalg.slogdet(covariance)[1]
        + np.linalg.slogdet(information)[1]
        + rest @ inverse @ rest
        + free * np.log(2 * np.pi)
    )


DESIGNS = {
    "balanced": (split_boards(), FULL, PIECES),
    "rows gone": (split_boards(8, seed=3, drop=9), FULL, PIECES),
    "a number": (split_boards(8, seed=4, drop=5), "carrier * sealer + sealer * minutes", PIECES),
    "crossed": (
        split_boards(6, seed=5, drop=4).assign(rater=lambda frame: np.arange(len(frame)) * 7 % 5),
        "sealer + dwell",
        ("board", "rater"),
    ),
    "one component at zero": (split_boards(6, seed=8, sds=(1, 0, 0.5, 1)), FULL, PIECES),
    "nested formula": (split_boards(6, seed=9, drop=3), "carrier / sealer", ("board",)),
    "no random term": (split_boards(6, seed=9, drop=3), "carrier * sealer", ()),
}
every_design = pytest.mark.parametrize("name", DESIGNS)


@every_design
def test_deviance_is_the_restricted_likelihood_at_its_best(name: str) -> None:
    fit = mixed.fit(*_arguments(name))
    columns, grams, covariance = dense(fit, first_level=True)
    response = fit.frame.response
    assert fit.deviance == pytest.approx(minus_two_log_likelihood(response, columns, covariance), rel=1e-11)
    for at, factor in itertools.product(range(len(grams)), (0.9, 1.1)):
        other = fit.components.copy()
        other[at] = other[at] * factor if other[at] else 0.05 * other[-1] * (factor > 1)
        moved = sum(size * gram for size, gram in zip(other, grams, strict=True))
        assert minus_two_log_likelihood(response, columns, moved) >= fit.deviance - 1e-9


def _arguments(name: str) -> tuple[pd.DataFrame, str, str, Sequence[str]]:
    frame, fixed, random = DESIGNS[name]
    return frame, "y", fixed, random


@every_design
def test_estimates_solve_the_generalised_least_squares(name: str) -> None:
    fit = mixed.fit(*_arguments(name))
    columns, grams, covariance = dense(fit)
    inverse = np.linalg.inv(covariance)
    information = columns.T @ inverse @ columns
    effects = np.linalg.solve(information, columns.T @ inverse @ fit.frame.response)
    np.testing.assert_allclose(fit.effects, effects, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose(fit.precision.covariance, np.linalg.inv(information), rtol=1e-9, atol=1e-12)
    rest = inverse @ (fit.frame.response - columns @ effects)
    fitted = columns @ effects
    for size, gram in zip(fit.components[:-1], grams[:-1], strict=True):
        fitted = fitted + size * gram @ rest
    np.testing.assert_allclose(fit.fitted, fitted, rtol=1e-9)
    np.testing.assert_allclose(fit.residuals, fit.frame.response - fitted, atol=1e-8)


@every_design
def test_kenward_roger_by_the_book(name: str) -> None:
    """Every formula of Kenward & Roger (1997, sections 2 and 3) with its n by n matrices, component by component."""
    fit = mixed.fit(*_arguments(name))
    columns, grams, covariance = dense(fit)
    inverse = np.linalg.inv(covariance)
    phi = np.linalg.inv(columns.T @ inverse @ columns)
    project = inverse - inverse @ columns @ phi @ columns.T @ inverse
    count = range(len(grams))
    information = np.array([[np.trace(project @ a @ project @ b) / 2 for a in grams] for b in grams])
    weights = np.linalg.inv(information)
    p = [-columns.T @ inverse @ gram @ inverse @ columns for gram in grams]
    q = {
        (i, j): columns.T @ inverse @ grams[i] @ inverse @ grams[j] @ inverse @ columns for i in count for j in count
    }
    growth = sum(weights[i, j] * (q[i, j] - p[i] @ phi @ p[j]) for i in count for j in count)
    adjusted = phi + 2 * phi @ np.asarray(growth) @ phi
    np.testing.assert_allclose(fit.precision.adjusted, adjusted, rtol=1e-8, atol=1e-11)
    for test, own in zip(fit.f_tests(), fit.design.spans[1:], strict=True):
        rows = np.eye(len(phi))[own]
        theta = rows.T @ np.linalg.inv(rows @ phi @ rows.T) @ rows
        each = [theta @ phi @ one @ phi for one in p]
        first = sum(weights[i, j] * np.trace(each[i]) * np.trace(each[j]) for i in count for j in count)
        second = sum(weights[i, j] * np.trace(each[i] @ each[j]) for i in count for j in count)
        df, scale = degrees.matched_f(float(first), float(second), len(rows))
        found = rows @ fit.effects
        f = scale / len(rows) * found @ np.linalg.solve(rows @ adjusted @ rows.T, found)
        assert test.f == pytest.approx(f, rel=1e-7)
        assert test.denominator == pytest.approx(df, rel=1e-7)


@every_design
def test_satterthwaite_by_differences(name: str) -> None:
    """The information and the derivatives of a variance taken numerically, components at zero left out."""
    fit = mixed.fit(*_arguments(name))
    columns, grams, _ = dense(fit)
    response = fit.frame.response
    moving = [at for at, size in enumerate(fit.components) if size > 0]
    start = fit.components[moving]
    row = np.ones(columns.shape[1])

    def at(sizes: np.ndarray) -> np.ndarray:
        return np.asarray(sum(size * grams[which] for size, which in zip(sizes, moving, strict=True)))

    def variance(sizes: np.ndarray) -> float:
        return float(row @ np.linalg.solve(columns.T @ np.linalg.solve(at(sizes), columns), row))

    steps = np.diag(1e-3 * start)
    slopes = np.array([(variance(start + step) - variance(start - step)) / (2 * step.sum()) for step in steps])

    def half_deviance(sizes: np.ndarray) -> float:
        return minus_two_log_likelihood(response, columns, at(sizes)) / 2

    curvature = np.array(
        [
            [
                (
                    half_deviance(start + a + b)
                    - half_deviance(start + a - b)
                    - half_deviance(start - a + b)
                    + half_deviance(start - a - b)
                )
                / (4 * a.sum() * b.sum())
                for a in steps
            ]
            for b in steps
        ]
    )
    expected = 2 * variance(start) ** 2 / (slopes @ np.linalg.solve(curvature, slopes))
    (found,) = degrees.single_degrees(row[None], fit.precision, fit.precision.components.observed)
    assert found == pytest.approx(expected, rel=1e-4)


# --- closed forms ----------------------------------------------------------------------------------


def test_one_board_factor_is_the_two_stage_analysis() -> None:
    """Balanced boards: a carrier's test is the analysis of variance of board means (textbook)."""
    frame = split_boards(8, seed=2)
    fit = mixed.fit(frame, "y", "carrier", ["board"])
    means = frame.groupby("board", as_index=False).agg(carrier=("carrier", "first"), y=("y", "mean"))
    by_carrier = means.groupby("carrier")["y"]
    pooled = by_carrier.var().mean()
    t = (by_carrier.mean()["water"] - by_carrier.mean()["oil"]) / np.sqrt(2 * pooled / 4)
    test = fit.tests().loc["carrier"]
    assert test["f"] == pytest.approx(t**2, rel=1e-9)
    assert test["df_den"] == pytest.approx(6, rel=1e-9)


def test_without_random_terms_it_is_least_squares() -> None:
    fit = mixed.fit(split_boards(6, seed=9, drop=3), "y", "carrier * sealer", [])
    table = fit.tests()
    assert table["df_den"].to_numpy() == pytest.approx(33 - 4)
    rest = fit.residuals.to_numpy()
    assert fit.variances["residual"] == pytest.approx(rest @ rest / 29, rel=1e-12)
    assert list(fit.random_effects.index) == []


def test_prediction_of_a_new_reading_without_random_terms() -> None:
    """Mean and one new reading of a single sample: the textbook intervals t s / sqrt(n) and t s sqrt(1 + 1/n)."""
    frame = pd.DataFrame({"y": [1.0, 2.0, 4.0, 7.0, 8.0]})
    fit = mixed.fit(frame, "y", "1", [])
    row = fit.predict(pd.DataFrame(index=["next"])).loc["next"]
    quantile = 2.776445105  # Student's t, 4 degrees of freedom, 97.5 %: any printed table has 2.776
    s = frame["y"].std()
    assert row["mean"] == pytest.approx(4.4)
    assert row["upper"] - row["mean"] == pytest.approx(quantile * s / 5**0.5, rel=1e-8)
    assert row["new_upper"] - row["mean"] == pytest.approx(quantile * s * 1.2**0.5, rel=1e-8)


def test_prediction_for_the_mean_of_a_new_board() -> None:
    """Balanced boards: the mean of one more board has the variance of board means times 1 + 1/m, on m - 1 degrees."""
    frame = split_boards(6, seed=2, sds=(2, 0, 0, 1))
    fit = mixed.fit(frame, "y", "1", ["board"])
    means = frame.groupby("board")["y"].mean()
    table = fit.predict(frame.head(1), new=["board"])
    inner = fit.variances["residual"] / 6
    assert table["new_se"].iloc[0] ** 2 == pytest.approx(means.var() * (1 + 1 / 6) - inner, rel=1e-9)
    everything = fit.predict(frame.head(1))["new_se"].iloc[0]
    assert everything**2 == pytest.approx(means.var() / 6 + fit.variances.sum(), rel=1e-9)


# --- what must not change an answer ----------------------------------------------------------------

layouts = st.builds(
    split_boards,
    st.sampled_from([6, 8]),
    seed=st.integers(0, 10_000),
    sds=st.tuples(*[st.sampled_from([0.0, 0.5, 2.0])] * 3, st.just(1.0)),
    drop=st.integers(0, 4),
)
few = settings(max_examples=25, deadline=None)


def _same(first: mixed.MixedFit, second: mixed.MixedFit, rel: float = 1e-6) -> None:
    pd.testing.assert_frame_equal(first.tests(), second.tests(), rtol=rel)
    np.testing.assert_allclose(first.components, second.components, rtol=rel, atol=rel * first.components[-1])


@few
@given(layouts, st.randoms(use_true_random=False))
def test_order_of_rows_does_not_matter(frame: pd.DataFrame, lot: object) -> None:
    fit = mixed.fit(frame, "y", FULL, PIECES)
    rng = np.random.default_rng(lot.randrange(2**32))  # type: ignore[attr-defined]
    other = mixed.fit(frame.iloc[rng.permutation(len(frame))], "y", FULL, PIECES)
    _same(fit, other)
    pd.testing.assert_series_equal(fit.residuals.sort_index(), other.residuals.sort_index(), rtol=1e-6, atol=1e-7)


@few
@given(layouts)
def test_names_of_levels_and_pieces_do_not_matter(frame: pd.DataFrame) -> None:
    """New names come in another order, so that coding changes too."""
    renamed = frame.assign(
        board=frame["board"].map(lambda name: f"{ord(name[1]) * 7919 % 101} №"),
        carrier=frame["carrier"].map({"water": "a: 'вода'", "oil": 'b "oil"'}),
        sealer=frame["sealer"].map({"none": True, "shellac": False}),
        dwell=frame["dwell"].map({"12 min": 0.5, "3 min": -1, "6 min": 1e9}).astype(object).astype("category"),
    )
    fit, other = (mixed.fit(one, "y", FULL, PIECES) for one in (frame, renamed))
    _same(fit, other)
    assert fit.deviance == pytest.approx(other.deviance, abs=1e-7)


@few
@given(layouts, st.sampled_from([-40.0, 0.0, 1e6]), st.sampled_from([1e-100, 0.03, 1e100]))
def test_units_of_the_response_do_not_matter(frame: pd.DataFrame, shift: float, factor: float) -> None:
    fit = mixed.fit(frame, "y", FULL, PIECES)
    other = mixed.fit(frame.assign(y=(frame["y"] + shift) * factor), "y", FULL, PIECES)
    rel = 1e-4 if shift > 1e3 else 1e-6  # a shift of 1e6 leaves the readings ten digits
    pd.testing.assert_frame_equal(fit.tests(), other.tests(), rtol=rel)
    np.testing.assert_allclose(other.components / factor**2, fit.components, rtol=rel, atol=rel)
    free = len(frame) - len(fit.effects)
    assert other.deviance - 2 * free * np.log(factor) == pytest.approx(fit.deviance, abs=1e-4)


@few
@given(layouts, st.sampled_from([0.0, 50.0]), st.sampled_from([1e-6, 60.0, 1e8]))
def test_units_of_a_numeric_variable_do_not_matter(frame: pd.DataFrame, shift: float, factor: float) -> None:
    fit = mixed.fit(frame, "y", "carrier + minutes", PIECES)
    other = mixed.fit(frame.assign(minutes=(frame["minutes"] + shift) * factor), "y", "carrier + minutes", PIECES)
    _same(fit, other)
    slopes = [one.trend("minutes").loc[0, ["slope", "se"]].to_numpy(dtype=float) for one in (fit, other)]
    np.testing.assert_allclose(slopes[1] * factor, slopes[0], rtol=1e-6)


@few
@given(st.sampled_from([4, 6, 8]), st.integers(0, 10_000))
def test_balanced_interior_fits_are_the_strata(boards: int, seed: int) -> None:
    """Balanced, no variance at zero: Kenward-Roger, Satterthwaite and the strata agree, and nothing is inflated."""
    frame = split_boards(boards, seed=seed, sds=(3, 2, 2, 1))
    fit = mixed.fit(frame, "y", FULL, PIECES)
    if fit.singular:
        return
    table = strata.table(frame, "y", FULL, PIECES)
    by_term = table.reset_index("stratum").drop(index="residual")
    error_df = {name: table.loc[(name, "residual"), "df"] for name in table.index.unique("stratum")}
    expected = by_term["stratum"].map(error_df)
    for method in ("kenward-roger", "satterthwaite"):
        tests = fit.tests(method)
        np.testing.assert_allclose(tests["f"], by_term.loc[tests.index, "f"], rtol=1e-6)
        np.testing.assert_allclose(tests["df_den"], expected.loc[tests.index], rtol=1e-6)
    np.testing.assert_allclose(fit.precision.adjusted, fit.precision.covariance, rtol=1e-7, atol=1e-12)


@few
@given(layouts)
def test_marginal_hypotheses_need_no_coding(frame: pd.DataFrame) -> None:
    """With every cell filled the construction for incomplete designs says the same as the effects' own columns."""
    fit = mixed.fit(frame, "y", "carrier * sealer * dwell", ["board"])
    full = fit.span
    odd = estimable.Span(full.basis, full.inverse, full.kept, np.zeros((1, len(full.kept))))
    own = estimable.hypotheses(fit.design, full)
    found = estimable.hypotheses(fit.design, odd)
    for one, other in zip(own, found, strict=True):
        first, second = (
            degrees.f_test(row @ fit.effects, fit.precision.of(row), "kenward-roger") for row in (one, other)
        )
        assert first.f == pytest.approx(second.f, rel=1e-7)
        assert first.numerator == second.numerator


# --- tables ----------------------------------------------------------------------------------------


def test_differences_are_later_less_earlier() -> None:
    fit = mixed.fit(split_boards(), "y", FULL, PIECES)
    table = fit.differences("sealer:dwell", by="sealer")
    assert list(table.columns) == ["first", "second", "sealer", "difference", "se", "df", "t", "p", "lower", "upper"]
    assert list(zip(table["first"], table["second"], strict=True))[:3] == [
        ("3 min", "12 min"),
        ("6 min", "12 min"),
        ("6 min", "3 min"),
    ]
    assert table["sealer"].tolist() == ["none"] * 3 + ["shellac"] * 3
    means = fit.means("sealer:dwell").set_index(["sealer", "dwell"])["mean"]
    assert table["difference"].iloc[0] == pytest.approx(means["none", "3 min"] - means["none", "12 min"])
    pd.testing.assert_frame_equal(table, fit.differences("dwell", by=["sealer"]))
    cells = fit.differences("sealer:dwell")
    assert len(cells) == 15
    assert cells.loc[0, ["first", "second"]].tolist() == ["shellac, 12 min", "none, 12 min"]


def test_holm_adjusts_within_each_level_of_by() -> None:
    fit = mixed.fit(split_boards(), "y", FULL, PIECES)
    plain, adjusted = (fit.differences("dwell", by="sealer", adjust=how)["p"] for how in ("none", "holm"))
    for start in (0, 3):
        np.testing.assert_allclose(
            adjusted[start : start + 3], combinations.holm(plain[start : start + 3].to_numpy())
        )
    assert (adjusted >= plain).all()


def test_tables_say_how_they_were_made() -> None:
    fit = mixed.fit(split_boards(), "y", "carrier * sealer + minutes", ["board"])
    assert fit.means("carrier").attrs["notes"] == (
        "Averaged with equal weights over the levels of sealer.",
        "minutes stands at 7.",
        "F, standard errors and degrees of freedom after Kenward and Roger.",
    )
    assert "minutes stands at 3." in fit.means("carrier", at={"minutes": 3}).attrs["notes"]
    notes = fit.differences("carrier", by="sealer", adjust="holm").attrs["notes"]
    assert notes[-1] == "p-values adjusted for their number after Holm; intervals are not."
    assert "Degrees of freedom after Satterthwaite." in fit.tests("satterthwaite").attrs["notes"]


def test_holm_by_hand() -> None:
    """Holm (1979): 0.01 x 4, 0.02 x 3, then 0.02 x 2 raised to 0.06, 0.9; a missing value is not counted."""
    found = combinations.holm(np.array([0.02, np.nan, 0.01, 0.9, 0.02]))
    np.testing.assert_allclose(found, [0.06, np.nan, 0.04, 0.9, 0.06])


def test_contrasts_by_level_or_in_order() -> None:
    fit = mixed.fit(split_boards(), "y", FULL, PIECES)
    levels = ["12 min", "3 min", "6 min"]
    table = fit.contrast(
        "dwell", {"long": combinations.one_against_rest(levels, "12 min"), "same": [1, -0.5, -0.5]}, by="carrier"
    )
    assert list(table.columns) == ["contrast", "carrier", "estimate", "se", "df", "t", "p", "lower", "upper"]
    assert table["contrast"].tolist() == ["long", "same"] * 2
    np.testing.assert_allclose(table["estimate"][::2], table["estimate"][1::2])
    crossed = fit.contrast("sealer:dwell", {"lasts": np.outer([-1, 1], combinations.polynomial([12, 3, 6], 1))})
    means = fit.means("sealer:dwell").set_index(["sealer", "dwell"])["mean"]
    weights = {"12 min": 5.0, "3 min": -4.0, "6 min": -1.0}
    wanted = sum(weight * (means["shellac", one] - means["none", one]) for one, weight in weights.items())
    assert crossed["estimate"].iloc[0] == pytest.approx(wanted)


def test_polynomial_weights_are_those_of_the_tables() -> None:
    """Equally spaced: Fisher & Yates's orthogonal polynomials for five levels, up to a factor (any edition)."""
    for degree, printed in (
        (1, [-2, -1, 0, 1, 2]),
        (2, [2, -1, -2, -1, 2]),
        (3, [-1, 2, 0, -2, 1]),
        (4, [1, -4, 6, -4, 1]),
    ):
        found = combinations.polynomial([10, 20, 30, 40, 50], degree)
        np.testing.assert_allclose(found / found[0] * printed[0], printed, atol=1e-9)


def test_slopes_and_means_at_a_number() -> None:
    fit = mixed.fit(split_boards(), "y", "carrier * minutes", PIECES)
    slope = fit.trend("minutes", by="carrier").set_index("carrier")["slope"]
    at = [fit.means("carrier", at={"minutes": value}).set_index("carrier")["mean"] for value in (3.0, 12.0)]
    np.testing.assert_allclose((at[1] - at[0]) / 9, slope)
    assert fit.trend("minutes")["slope"].iloc[0] == pytest.approx(slope.mean())


def test_random_effects_are_named_and_shrunk() -> None:
    frame = split_boards(6, seed=1)
    fit = mixed.fit(frame, "y", FULL, ["board", "board:sealer"])
    table = fit.random_effects
    assert table.index.names == ["term", "piece"]
    assert ("board:sealer", "B3:shellac") in table.index
    assert table.loc["board", "effect"].sum() == pytest.approx(0, abs=1e-9)
    assert (table["se"] < np.sqrt(fit.variances.max())).all()


def test_missing_values_are_counted() -> None:
    frame = split_boards().reset_index(drop=True).astype({"sealer": object})
    frame.loc[3, "y"] = np.nan
    frame.loc[5, "sealer"] = None
    fit = mixed.fit(frame, "y", FULL, PIECES)
    assert fit.notes[0] == "2 rows were left out because a value was missing."
    assert 3 not in fit.fitted.index


def test_an_empty_cell_is_said_not_guessed() -> None:
    frame = split_boards(8, seed=4)
    frame = frame[(frame["carrier"] != "oil") | (frame["dwell"] != "3 min")]
    fit = mixed.fit(frame, "y", "carrier * dwell", ["board"])
    assert "some of 'carrier:dwell' cannot be estimated" in " ".join(fit.notes)
    table = fit.means("carrier:dwell").set_index(["carrier", "dwell"])
    assert np.isnan(table.loc[("oil", "3 min"), ["mean", "se", "df", "lower"]].to_numpy(dtype=float)).all()
    assert table["mean"].notna().sum() == 5
    assert "oil, 3 min cannot be estimated" in " ".join(table.attrs["notes"])
    assert fit.means("dwell").set_index("dwell")["mean"].isna().to_dict() == {
        "12 min": False,
        "3 min": True,
        "6 min": False,
    }
    assert fit.coefficients["estimate"].isna().sum() == 1
    additive = mixed.fit(frame, "y", "carrier + dwell", ["board"])
    assert additive.means("carrier:dwell")["mean"].notna().all()


@few
@given(st.integers(0, 10_000), st.permutations(["12 min", "3 min", "6 min"]), st.booleans())
def test_an_empty_cell_leaves_tests_free_of_order(seed: int, order: list[str], turned: bool) -> None:
    """Goodnight's hypotheses do not depend on which level comes first, hence on which column was left out."""
    frame = split_boards(8, seed=seed)
    frame = frame[(frame["carrier"] != "oil") | (frame["dwell"] != "3 min")]
    carriers = ["water", "oil"] if turned else ["oil", "water"]
    other = frame.assign(
        dwell=pd.Categorical(frame["dwell"], categories=order),
        carrier=pd.Categorical(frame["carrier"], categories=carriers),
    )
    fits = [mixed.fit(one, "y", "dwell * carrier * sealer", ["board"]) for one in (frame, other)]
    _same(*fits)
    assert fits[0].tests()["df_num"].tolist() == [2, 1, 1, 1, 2, 1, 1]


def test_a_variance_at_zero_is_said() -> None:
    fit = mixed.fit(*_arguments("one component at zero"))
    assert fit.singular
    assert "The variance of 'board:sealer' is estimated at zero" in " ".join(fit.notes)


def test_a_fit_prints_as_a_page() -> None:
    text = str(mixed.fit(*_arguments("one component at zero")))
    for words in ("y: 36 readings", "board:sealer", "residual", "df_den", "is estimated at zero"):
        assert words in text
    assert max(map(len, text.splitlines())) <= 118


def test_variances_carry_the_names_given() -> None:
    fit = mixed.fit(split_boards(), "y", FULL, ["board", "sealer:board"])
    assert list(fit.variances.index) == ["board", "sealer:board", "residual"]


def test_likelihood_ratio_of_a_random_term() -> None:
    frame = split_boards(8, seed=1)
    fits = [mixed.fit(frame, "y", FULL, random) for random in (["board", "board:dwell"], ["board"])]
    p = mixed.likelihood_ratio(*fits)
    statistic = fits[1].deviance - fits[0].deviance
    assert p == pytest.approx(0.5 * erfc(sqrt(statistic / 2)))
    at_zero = mixed.fit(frame, "y", FULL, ["board", "board:sealer"])
    assert at_zero.singular
    assert mixed.likelihood_ratio(at_zero, fits[1]) == 1


def test_likelihoods_of_different_fixed_parts_are_not_compared() -> None:
    frame = split_boards(8, seed=1)
    larger = mixed.fit(frame, "y", FULL, ["board", "board:sealer"])
    for fixed, random, why in (
        ("carrier", ["board"], "different fixed parts"),
        (FULL, ["board", "board:dwell"], "just one more"),
    ):
        with pytest.raises(UserError, match=why):
            mixed.likelihood_ratio(larger, mixed.fit(frame, "y", fixed, random))
    with pytest.raises(UserError, match="not of the same readings"):
        mixed.likelihood_ratio(larger, mixed.fit(frame.iloc[1:], "y", FULL, ["board"]))


# --- hostile frames --------------------------------------------------------------------------------


def _lone(value: float) -> pd.DataFrame:
    frame = split_boards().reset_index(drop=True)
    frame.loc[4, "y"] = value
    return frame


BOARD = ("board",)
REFUSED = {
    "no rows": (split_boards().head(0), FULL, BOARD, "there is nothing to fit"),
    "one row": (split_boards().head(1), "1", (), "one row cannot tell 1 effect"),
    "all missing": (split_boards().assign(y=np.nan), FULL, BOARD, "there is nothing to fit"),
    "constant": (split_boards().assign(y=3.25), FULL, BOARD, "every value of 'y' is 3.25"),
    "nought": (split_boards().assign(y=0), FULL, BOARD, "every value of 'y' is 0"),
    "text": (split_boards().assign(y="dark"), FULL, BOARD, "'dark', which is not a number"),
    "infinite": (_lone(np.inf), FULL, BOARD, "an infinite value"),
    "1e300": (_lone(1e300), FULL, BOARD, "too large to reckon with"),
    "1e-300": (split_boards().assign(y=split_boards()["y"] * 1e-300), FULL, BOARD, "too small to reckon with"),
    "complex": (split_boards().assign(y=1j), FULL, BOARD, "complex numbers"),
    "product too large": (
        split_boards().assign(
            a=np.linspace(1e149, 9e149, 36), b=np.linspace(1e149, 9e149, 36), c=np.linspace(1e149, 9e149, 36)
        ),
        "a:b:c",
        BOARD,
        "a product of numeric columns is too large",
    ),
    "one level": (split_boards().query("carrier == 'oil'"), FULL, BOARD, "'carrier' has one level only, 'oil'"),
    "unknown column": (split_boards(), "carier", BOARD, "write 'carrier'"),
    "unknown piece": (split_boards(), FULL, ("boards",), "write 'board'"),
    "too many effects": (split_boards(4).head(12), "board * sealer * dwell", (), "12 rows cannot tell 12 effects"),
    "nothing left over": (
        split_boards(4, seed=278, drop=4),
        FULL,
        PIECES,
        "take as many degrees of freedom as there are rows",
    ),
    "one row a piece": (split_boards(), FULL, ("board", "board:sealer:dwell"), "what the residual is"),
    "one piece": (split_boards().query("board == 'B1'"), "dwell", BOARD, "one piece only, all 6 rows are of it"),
    "same pieces": (
        split_boards().assign(plank=lambda frame: frame["board"].str.lower()),
        FULL,
        ("board", "plank"),
        "'board' and 'plank' are the same pieces",
    ),
    "twice": (split_boards(), FULL, ("board", "board"), "are the same pieces"),
    "unrepeated": (split_boards(2), "carrier + sealer", BOARD, "no piece more than the fixed part takes"),
    "fixed part exact": (
        split_boards().assign(y=lambda frame: frame["minutes"] * 0.1),
        "minutes",
        BOARD,
        "gives every value of 'y' exactly",
    ),
    "pieces exact": (
        split_boards().assign(y=lambda frame: frame["board"].map(lambda name: ord(name[1]) ** 0.5)),
        "sealer",
        BOARD,
        "the residual variance is zero",
    ),
    "two columns of a name": (
        pd.concat([split_boards(), split_boards()[["y"]]], axis=1),
        FULL,
        BOARD,
        "two columns named 'y'",
    ),
    "formula cut short": (split_boards(), "carrier *", BOARD, "ends too soon"),
    "whole formula": (split_boards(), "y ~ carrier", BOARD, "to the right of the ~"),
    "nested piece": (split_boards(), FULL, ("board/sealer",), "write it as 'board' or 'board:lane'"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refusals_are_one_sentence(name: str) -> None:
    frame, fixed, random, words = REFUSED[name]
    with pytest.raises(UserError) as refusal:
        mixed.fit(frame, "y", fixed, random)
    assert words in str(refusal.value)
    assert len(refusal.value.problems) == 1
    assert "\n" not in str(refusal.value)


def test_variances_that_cannot_be_told_apart() -> None:
    """Four patches paired in all three ways: the pairs' matrices add up to the board's and twice the residual's."""
    frame = split_boards(8, seed=1).query("dwell != '6 min'").reset_index(drop=True)
    frame["diagonal"] = np.where((frame["sealer"] == "none") == (frame["dwell"] == "3 min"), "up", "down")
    pairs = ["board:sealer", "board:dwell", "board:diagonal"]
    with pytest.raises(UserError, match="'board:diagonal' and 'residual' cannot be told apart") as refusal:
        mixed.fit(frame, "y", "carrier", ["board", *pairs])
    assert len(refusal.value.problems) == 1
    for left_out in pairs:
        mixed.fit(frame, "y", "carrier", ["board", *(one for one in pairs if one != left_out)])


def test_questions_that_make_no_sense_are_refused() -> None:
    fit = mixed.fit(split_boards(), "y", "carrier * sealer + minutes", ["board"])
    with pytest.raises(UserError, match="'minutes' is a number"):
        fit.means("minutes")
    with pytest.raises(UserError, match="not in the fixed part"):
        fit.means("dwell")
    with pytest.raises(UserError, match="'carrier \\+ sealer' is not one term"):
        fit.differences("carrier + sealer")
    with pytest.raises(UserError, match="nothing of 'carrier' is left"):
        fit.differences("carrier", by="carrier")
    with pytest.raises(UserError, match="not a number of the fixed part"):
        fit.trend("carrier")
    with pytest.raises(UserError, match="has no level 'wax'"):
        fit.contrast("carrier", {"a": {"wax": 1}})
    with pytest.raises(UserError, match="3 weights where 'carrier' has 2 levels"):
        fit.contrast("carrier", {"a": [1, 0, -1]})
    with pytest.raises(UserError, match="no weight but nought"):
        fit.contrast("carrier", {"a": [0, 0]})
    with pytest.raises(UserError, match="not a random term"):
        fit.predict(split_boards(), new=["bord"])
    with pytest.raises(UserError, match="has no level 'wax'"):
        fit.predict(split_boards().assign(carrier="wax"))
    with pytest.raises(UserError, match="between 0 and 1"):
        fit.means("carrier", level=95)
    with pytest.raises(ValueError, match="kenward-roger, satterthwaite"):
        fit.tests("residual")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="none or holm"):
        fit.differences("carrier", adjust="tukey")  # type: ignore[arg-type]


def test_odd_names_are_read() -> None:
    names = {"carrier": "träger öl", "sealer": "se'al\"er: 1", "dwell": "время", "board": "board no."}
    frame = split_boards().rename(columns=names)
    fixed = "`träger öl` * `se'al\"er: 1` * время"
    fit = mixed.fit(frame, "y", fixed, ["`board no.`", "`board no.`:`se'al\"er: 1`"])
    plain = mixed.fit(split_boards(), "y", FULL, ["board", "board:sealer"])
    np.testing.assert_allclose(fit.components, plain.components, rtol=1e-9)
    assert fit.means("`se'al\"er: 1`")["se'al\"er: 1"].tolist() == ["none", "shellac"]


def test_factors_named_like_columns_are_refused_where_they_clash() -> None:
    fit = mixed.fit(split_boards().rename(columns={"carrier": "t", "sealer": "first"}), "y", "t * first", ["board"])
    assert fit.means("t:first")["first"].tolist() == ["none", "none", "shellac", "shellac"]
    for term, by, name in (("first", "t", "t"), ("t", "first", "first")):
        with pytest.raises(UserError, match=f"factor '{name}' has the name of a column"):
            fit.differences(term, by=by)


def test_a_number_as_a_piece_and_as_a_number() -> None:
    frame = split_boards(8, seed=3).assign(board=lambda frame: frame["board"].str[1:].astype(int))
    fit = mixed.fit(frame, "y", "sealer + minutes", ["board", "board:minutes"])
    named = mixed.fit(split_boards(8, seed=3), "y", "sealer + minutes", ["board", "board:dwell"])
    np.testing.assert_allclose(fit.components, named.components, rtol=1e-9)


@pytest.mark.parametrize("ratio", [1e-4, 1e4])
def test_lopsided_variances(ratio: float) -> None:
    """A residual far larger or smaller than the boards' variance is still found, to six digits of the closed form."""
    frame = split_boards(6, seed=1, sds=(1, 0, 0, 1))
    boards = frame.groupby("board")["y"].transform("mean")
    frame["y"] = (frame["y"] - boards) * ratio**0.5 + (boards - boards.mean()) * 3
    fit = mixed.fit(frame, "y", "1", ["board"])
    means = frame.groupby("board")["y"].mean()
    within = ((frame["y"] - frame.groupby("board")["y"].transform("mean")) ** 2).sum() / 30
    between = means.var() - within / 6
    if between > 0:
        np.testing.assert_allclose(fit.components, [between, within], rtol=1e-8)
    else:
        assert fit.components[0] == 0


# --- error rates -----------------------------------------------------------------------------------


def _within_binomial(hits: int, count: int, chance: float) -> bool:
    """Say whether a number of hits is one a binomial gives with chance 1 - 1e-6."""
    return bool(bdtr(hits, count, chance) > 5e-7 and bdtrc(hits - 1, count, chance) > 5e-7)


@pytest.mark.slow
def test_p_values_are_uniform_without_effects() -> None:
    """Rows missing at random, variances away from zero: Kenward-Roger tests keep their level."""
    count, hits = 600, np.zeros((2, 3), dtype=int)
    for seed in range(count):
        frame = split_boards(6, seed=seed, sds=(1, 0, 0, 1), drop=5)
        frame["y"] -= 0.8 * (frame["sealer"] == "shellac")
        fit = mixed.fit(frame, "y", "carrier * sealer", ["board"])
        p = np.array([test.p for test in fit.f_tests()])
        hits += np.array([p < 0.05, p < 0.5])
    for chance, row in zip((0.05, 0.5), hits, strict=True):
        assert all(_within_binomial(int(one), count, chance) for one in row)


@pytest.mark.slow
def test_intervals_cover() -> None:
    """95 % intervals of a difference that mixes strata, and for one reading on a new board."""
    count, covered, foretold = 500, 0, 0
    rng = np.random.default_rng(5)
    for seed in range(count):
        frame = split_boards(8, seed=seed, sds=(1.5, 0, 0, 1), drop=4)
        fit = mixed.fit(frame, "y", "carrier * sealer", ["board"])
        row = fit.differences("carrier", by="sealer").iloc[0]
        covered += row["lower"] <= 0 <= row["upper"]
        ahead = fit.predict(pd.DataFrame({"carrier": ["oil"], "sealer": ["none"]})).iloc[0]
        foretold += ahead["new_lower"] <= 40 + rng.normal(0, 1.5) + rng.normal() <= ahead["new_upper"]
    assert _within_binomial(covered, count, 0.95)
    assert 0.93 < foretold / count < 0.975


def test_newton_reaches_the_optimum_from_bad_layouts() -> None:
    """Sixty unbalanced frames, true variances often zero: no gradient left, none outside its bound."""
    for seed in range(60):
        rng = np.random.default_rng(seed)
        sds = (*rng.choice([0.0, 0.3, 1.0], 3), 1.0)
        frame = split_boards(6, seed=seed, sds=sds, drop=6)
        fit = mixed.fit(frame, "y", "carrier * sealer", PIECES)
        columns, grams, covariance = dense(fit)
        inverse = np.linalg.inv(covariance)
        project = inverse - inverse @ columns @ fit.precision.covariance @ columns.T @ inverse
        for size, gram in zip(fit.components, grams, strict=True):
            left = fit.frame.response @ project @ gram @ project @ fit.frame.response
            taken = np.sum(project * gram)
            assert left == pytest.approx(taken, rel=1e-5) if size else left <= taken * (1 + 1e-9)
