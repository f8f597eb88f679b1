"""Split layouts against values from elsewhere.

Oats: Yates (1935), Complex experiments, Journal of the Royal Statistical Society Supplement 2:181-247, complete and
with nine rows gone. The others are invented. The values in each expected.json were computed in R 4.2.2 by the
packages it names; balanced ones agree with the closed forms of the analysis of variance. Tolerances are the values'
own.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.special import betaincc, fdtri, gammaln

from analysis import combinations, mixed, model, strata
from analysis.mixed import degrees

DATA = Path(__file__).parent / "data"


@dataclass(frozen=True)
class Case:
    """A model of a reference case: its folder, what of its expected values, the response, fixed and random parts."""

    folder: str
    part: tuple[str, ...]
    response: str
    fixed: str
    random: tuple[str, ...]
    tolerance: float
    df_tolerance: float

    def __str__(self) -> str:
        return "/".join((self.folder, *self.part))

    @property
    def expected(self) -> dict[str, Any]:
        values = json.loads((DATA / self.folder / "expected.json").read_text(encoding="utf-8"))
        for key in self.part:
            values = values[key]
        return values

    def fit(self) -> mixed.MixedFit:
        return mixed.fit(read(self.folder), self.response, self.fixed, self.random)


SINGULAR = "carrier * sealer * D"
CASES = [
    Case("oats-split-plot", (), "yield", "variety * N", ("block", "block:variety"), 1e-7, 1e-5),
    Case("oats-unbalanced", (), "yield", "variety * N", ("block", "block:variety"), 1e-6, 1e-4),
    Case("oats-unbalanced", ("additive_model",), "yield", "variety + N", ("block", "block:variety"), 1e-6, 1e-4),
    Case("strip-plot", (), "L", "half * strip", ("board", "board:half", "board:strip"), 1e-7, 1e-5),
    Case("split-split-plot", (), "L", "carrier * sealer * D", ("board", "board:sealer"), 1e-7, 1e-5),
    Case(
        "split-split-plot",
        ("numeric_dwell",),
        "L",
        "carrier * sealer + sealer * dwell",
        ("board", "board:sealer"),
        1e-7,
        1e-5,
    ),
    Case(
        "split-split-plot-singular",
        ("cases", "half_zero"),
        "L_half0",
        SINGULAR,
        ("board", "board:sealer"),
        1e-6,
        1e-3,
    ),
    Case(
        "split-split-plot-singular",
        ("cases", "board_zero"),
        "L_board0",
        SINGULAR,
        ("board", "board:sealer"),
        1e-6,
        1e-3,
    ),
    Case("raters-crossed", (), "score", "sealer * dwell", ("board", "patch", "rater"), 1e-6, 1e-6),
    Case("raters-crossed", ("patch_means_model",), "score", "sealer * dwell", ("board",), 1e-6, 1e-6),
]
every_case = pytest.mark.parametrize("case", CASES, ids=str)
STRATA_CASES = [case for case in CASES if case.folder != "raters-crossed" and "unbalanced" not in case.folder]


def read(folder: str) -> pd.DataFrame:
    """Read a case's rows, factors' levels in the order in which its values were computed."""
    frame = pd.read_csv(DATA / folder / "data.csv")
    for new, old in (("N", "nitro"), ("D", "dwell")):
        if old in frame and frame[old].dtype.kind in "if":
            frame[new] = pd.Categorical(frame[old].map("{:g}".format), ordered=False)
            frame[new] = frame[new].cat.reorder_categories(sorted(frame[new].cat.categories, key=float))
    for name in frame:
        if not pd.api.types.is_numeric_dtype(frame[name]) and name not in ("N", "D"):
            levels = sorted(frame[name].unique()) if name == "variety" else frame[name].unique()
            frame[name] = pd.Categorical(frame[name], categories=levels)
    return frame


def patch_means(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.groupby(["board", "sealer", "dwell", "patch"], observed=True, as_index=False)["score"].mean()


@pytest.fixture(scope="module")
def fits() -> dict[str, mixed.MixedFit]:
    """Every model, fitted once."""
    made = {}
    for case in CASES:
        frame = read(case.folder)
        if case.part == ("patch_means_model",):
            frame = patch_means(frame)
        made[str(case)] = mixed.fit(frame, case.response, case.fixed, case.random)
    return made


def agree(found: float, expected: float, tolerance: float) -> None:
    assert found == pytest.approx(expected, rel=tolerance, abs=1e-10)


def agree_p(found: float, expected: float, tolerance: float) -> None:
    """Compare p-values; those beyond 1e-12 no closer than to 1e-5, as the values' makers advise."""
    assert found == pytest.approx(expected, rel=max(tolerance, 1e-5) if expected < 1e-12 else tolerance)


@every_case
def test_variances_and_deviance(case: Case, fits: dict[str, mixed.MixedFit]) -> None:
    fit, expected = fits[str(case)], case.expected["reml"]
    for name, value in expected["variance_components"].items():
        found = fit.variances["residual" if name == "Residual" else name]
        assert found == 0 if value == 0 else found == pytest.approx(value, rel=min(case.tolerance, 1e-6))
    assert fit.deviance == pytest.approx(expected["reml_minus2loglik"], rel=1e-9)
    assert fit.singular == expected["singular"]
    assert len(fit.frame.response) == expected["n"]


@every_case
@pytest.mark.parametrize("method", ["kenward-roger", "satterthwaite"])
def test_tests_of_terms(case: Case, method: degrees.Method, fits: dict[str, mixed.MixedFit]) -> None:
    keys = [f"{kind}_{method.replace('-', '_')}" for kind in ("anova", "anova_type3")]
    listed = next((case.expected[key] for key in keys if key in case.expected), None)
    if listed is None:
        assert case.part == ("patch_means_model",)  # its values have the one table only
        return
    table = fits[str(case)].tests(method)
    assert list(table.index) == [row["term"] for row in listed]
    for row in listed:
        found = table.loc[row["term"]]
        assert found["df_num"] == row["ndf"]
        agree(found["f"], row["F"], case.tolerance)
        agree(found["df_den"], row["ddf"], case.df_tolerance)
        agree_p(found["p"], row["p"], 10 * case.df_tolerance)


@every_case
def test_first_level_effects(case: Case, fits: dict[str, mixed.MixedFit]) -> None:
    """Estimates, both standard errors and both degrees of freedom of effects coded as the values' makers coded."""
    fit, listed = fits[str(case)], case.expected["reml"]["fixed_effects"]
    first = model.design(fit.design.columns, fit.design.terms[1:], "first", len(fit.design.matrix))
    places = {name.replace("[", "").replace("]", ""): at for at, name in enumerate(first.names)}
    rows = np.linalg.lstsq(first.matrix, fit.design.matrix, rcond=None)[0]
    precision = fit.precision.of(rows)
    own = np.eye(len(rows))
    kenward_roger = degrees.single_degrees(own, precision, precision.components.expected)
    satterthwaite = degrees.single_degrees(own, precision, precision.components.observed)
    for row in listed:
        at = places[row["name"].replace("(Intercept)", "(mean)")]
        agree((rows @ fit.effects)[at], row["estimate"], 1e-6)
        agree(np.sqrt(precision.covariance[at, at]), row["se"], case.tolerance)
        agree(np.sqrt(precision.adjusted[at, at]), row["se_kenward_roger"], case.tolerance)
        agree(kenward_roger[at], row["df_kenward_roger"], case.df_tolerance)
        agree(satterthwaite[at], row["df_satterthwaite"], max(case.df_tolerance, 1e-5))


def _lists(prefix: str) -> Iterator[tuple[Case, str]]:
    for case in CASES:
        for key in case.expected:
            if key.startswith(prefix):
                yield case, key


@pytest.mark.parametrize(("case", "key"), [*_lists("emmeans"), *_lists("means_at")], ids=str)
def test_means(case: Case, key: str, fits: dict[str, mixed.MixedFit]) -> None:
    fit = fits[str(case)]
    listed = case.expected[key]
    factors = [name for name in listed[0] if name in fit.fixed.names]
    table = fit.means(":".join(factors))
    assert len(table) == len(listed)
    by_cell = table.astype(dict.fromkeys(factors, str)).set_index(factors)
    for row in listed:
        found = by_cell.loc[tuple(row[name] for name in factors) if len(factors) > 1 else row[factors[0]]]
        agree(found["mean"], row["estimate"], case.tolerance)
        compare(found, row, case)


def compare(found: pd.Series, row: dict[str, Any], case: Case) -> None:
    """Compare what every table of estimates has."""
    agree(found["se"], row["se"], case.tolerance)
    agree(found["df"], row["df"], case.df_tolerance)
    width = abs(row["upper95"] - row["lower95"])
    for end in ("lower", "upper"):
        assert found[end] == pytest.approx(row[f"{end}95"], rel=case.tolerance, abs=case.df_tolerance * width)
    if "t" in found and "t" in row:
        agree(found["t"], row["t"], 10 * case.tolerance)
        agree_p(found["p"], row["p"], 10 * case.df_tolerance)


DIFFERENCES = {
    "contrasts_nitro": ("N", None),
    "contrasts_variety": ("variety", None),
    "nitro_within_variety": ("N", "variety"),
    "variety_within_nitro": ("variety", "N"),
    "contrasts_half": ("half", None),
    "contrasts_strip": ("strip", None),
    "strip_within_half": ("strip", "half"),
    "half_within_strip": ("half", "strip"),
    "contrasts_carrier": ("carrier", None),
    "contrasts_sealer": ("sealer", None),
    "sealer_within_carrier": ("sealer", "carrier"),
    "carrier_within_sealer": ("carrier", "sealer"),
    "contrasts_cells": ("sealer:dwell", None),
}


@pytest.mark.parametrize(
    ("case", "key"), [(case, key) for case in CASES for key in DIFFERENCES if key in case.expected], ids=str
)
def test_differences(case: Case, key: str, fits: dict[str, mixed.MixedFit]) -> None:
    """In the values' own order: each level less every earlier one."""
    term, by = DIFFERENCES[key]
    listed = case.expected[key]
    plain, adjusted = (fits[str(case)].differences(term, by=by, adjust=how) for how in ("none", "holm"))
    assert len(plain) == len(listed)
    for at, row in enumerate(listed):
        found = plain.iloc[at]
        shown = f"{found['first']} - {found['second']}".replace(", ", " ")
        assert shown == row["contrast"].replace("N0", "0")
        if by:
            assert str(found[by]) == row[by]
        agree(found["difference"], row["estimate"], 10 * case.tolerance)
        compare(found, row, case)
        if "p_holm" in row:
            agree_p(adjusted["p"].iloc[at], row["p_holm"], 10 * case.df_tolerance)


CONTRASTS = {
    "trend_nitro": ("N", None, {"linear": [-3, -1, 1, 3], "quadratic": [1, -1, -1, 1], "cubic": [-1, 3, -3, 1]}),
    "dwell_trend": (
        "D",
        None,
        {"linear_steps": [-1, 0, 1], "linear_minutes": (2, 5, 10), "curvature_minutes": [5, -8, 3]},
    ),
}
CONTRASTS["dwell_trend_within_sealer"] = ("D", "sealer", CONTRASTS["dwell_trend"][2])


@pytest.mark.parametrize(
    ("case", "key"), [(case, key) for case in CASES for key in CONTRASTS if key in case.expected], ids=str
)
def test_trends_over_levels(case: Case, key: str, fits: dict[str, mixed.MixedFit]) -> None:
    term, by, weights = CONTRASTS[key]
    weights = {
        name: combinations.polynomial(given, 1) if isinstance(given, tuple) else given
        for name, given in weights.items()
    }
    table = fits[str(case)].contrast(term, weights, by=by)
    listed = case.expected[key]
    assert len(table) == len(listed)
    for at, row in enumerate(listed):
        assert table["contrast"].iloc[at] == row["contrast"]
        agree(table["estimate"].iloc[at], row["estimate"], 10 * case.tolerance)
        compare(table.iloc[at], row, case)


def test_interaction_contrasts(fits: dict[str, mixed.MixedFit]) -> None:
    (case,) = [case for case in CASES if case.folder == "strip-plot"]
    listed = case.expected["interaction_contrasts"]
    strips = ["d2", "d5", "d10", "d20"]
    weights = {}
    for row in listed:
        later, earlier = row["strip_revpairwise"].split(" - ")
        weights[row["strip_revpairwise"]] = {
            ("sealed", later): 1.0,
            ("bare", later): -1.0,
            ("sealed", earlier): -1.0,
            ("bare", earlier): 1.0,
        }
    table = fits[str(case)].contrast("half:strip", weights)
    same = np.outer([-1, 1], [-1, 1, 0, 0])
    assert strips[:2] == ["d2", "d5"]
    for at, row in enumerate(listed):
        agree(table["estimate"].iloc[at], row["estimate"], 10 * case.tolerance)
        compare(table.iloc[at], row, case)
    by_table = fits[str(case)].contrast("half:strip", {"d5 - d2": same})
    assert by_table["estimate"].iloc[0] == pytest.approx(table["estimate"].iloc[0])


def test_slopes(fits: dict[str, mixed.MixedFit]) -> None:
    (case,) = [case for case in CASES if case.part == ("numeric_dwell",)]
    table = fits[str(case)].trend("dwell", by="sealer")
    for at, row in enumerate(case.expected["slopes"]):
        assert table["sealer"].iloc[at] == row["sealer"]
        agree(table["slope"].iloc[at], row["dwell.trend"], case.tolerance)
        compare(table.iloc[at], row, case)


@pytest.mark.parametrize("case", [case for case in STRATA_CASES if "aov_strata" in case.expected], ids=str)
def test_strata(case: Case) -> None:
    table = strata.table(read(case.folder), case.response, case.fixed, case.random)
    assert table.index.names == ["stratum", "term"]
    listed = {
        (
            "residual" if stratum == "Within" else stratum,
            "residual" if row["term"] == "Residuals" else row["term"],
        ): row
        for stratum, rows in case.expected["aov_strata"].items()
        for row in rows
    }
    assert set(table.index) == set(listed)
    for key, row in listed.items():
        found = table.loc[key]
        assert found["df"] == row["df"]
        for ours, theirs in (("ss", "ss"), ("ms", "ms"), ("f", "F")):
            if row[theirs] is None:
                assert np.isnan(found[ours])
            else:
                assert found[ours] == pytest.approx(row[theirs], rel=1e-9)
        if row["p"] is None:
            assert np.isnan(found["p"])
        else:
            agree_p(found["p"], row["p"], 1e-8)


def test_moment_components() -> None:
    """Expected mean squares solved for the variances, the value at zero left negative."""
    for case in CASES:
        if "moment_components" not in case.expected:
            continue
        frame = read(case.folder)
        plan = strata.plan(frame, case.fixed, case.random)
        table = strata.table(frame, case.response, case.fixed, case.random)
        squares = [table.loc[(stratum, "residual"), "ms"] for stratum in plan.strata]
        found = dict(zip(plan.strata, np.linalg.solve(plan.multipliers, squares), strict=True))
        for name, value in case.expected["moment_components"].items():
            assert found["residual" if name == "Residual" else name] == pytest.approx(value, rel=1e-8)


def exact_power(row: dict[str, float]) -> float:
    """Sum the noncentral F as a Poisson mixture of central ones (Johnson, Kotz & Balakrishnan 1995, chapter 30)."""
    df, error_df, half = row["ndf"], row["ddf"], row["ncp"] / 2
    critical = df * fdtri(df, error_df, 0.95)
    steps = np.arange(300)
    weights = np.exp(steps * np.log(half) - half - gammaln(steps + 1)) if half else steps == 0
    return float((weights * betaincc(df / 2 + steps, error_df / 2, critical / (critical + error_df))).sum())


def test_power() -> None:
    """Noncentral F of a split plot: boards carry carriers, halves of boards carry sealers."""
    expected = json.loads((DATA / "power-split-plot" / "expected.json").read_text(encoding="utf-8"))
    cells = pd.read_csv(DATA / "power-split-plot" / "data.csv")
    for name, config in expected["configs"].items():
        rows = cells[cells["config"].fillna("null") == name].drop(columns="config")
        boards = pd.DataFrame({"board": range(config["boards_per_carrier"])})
        frame = rows.merge(boards, how="cross")
        frame["board"] = frame["carrier"].astype(str) + "." + frame["board"].astype(str)
        frame = frame.astype({"carrier": str, "sealer": str})
        plan = strata.plan(frame, "carrier * sealer", ["board"])
        variances = {"board": config["s2_board"], "residual": config["s2_res"]}
        found = plan.noncentrality(frame["mean"].to_numpy(), variances)
        power = plan.power(frame["mean"].to_numpy(), variances)
        for row in config["analytic"]:
            at = plan.terms.index(row["term"])
            assert (plan.df[at], plan.term_error_df[at]) == (row["ndf"], row["ddf"])
            assert found[at] == pytest.approx(row["ncp"], rel=1e-8, abs=1e-10)
            assert power[at] == pytest.approx(exact_power(row), rel=1e-12)
            # R sums Applied Statistics' algorithm AS 226 until 1e-9 is left (from memory); one value is 9e-10 off
            assert power[at] == pytest.approx(row["power"], rel=1e-8, abs=1e-9)
