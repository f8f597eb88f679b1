"""Strata of balanced layouts: what they must add up to, what they refuse, and simulation with them."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis import mixed, strata
from trials.errors import UserError


def layout(boards: int, lanes: int, strips: int, seed: int = 0) -> pd.DataFrame:
    """Make up boards in two lots, lanes along them and strips across, a factor on each, and a made-up reading."""
    rows = list(itertools.product(range(boards), range(lanes), range(strips)))
    frame = pd.DataFrame(rows, columns=["board", "lane", "strip"])
    frame["carrier"] = np.array(["water", "oil"])[frame["board"] % 2]
    frame["sealer"] = "s" + frame["lane"].astype(str)
    frame["dwell"] = "d" + frame["strip"].astype(str)
    frame["minutes"] = frame["strip"] * 3.0 + 3
    frame["y"] = 50 + np.random.default_rng(seed).normal(size=len(frame)) + frame["strip"]
    return frame


CRISS_CROSS = ["board", "board:lane", "board:strip"]
FULL = "carrier * sealer * dwell"
layouts = st.builds(
    layout, st.sampled_from([4, 6]), st.integers(2, 3), st.integers(2, 4), seed=st.integers(0, 10_000)
)
few = settings(max_examples=25, deadline=None)


@few
@given(layouts)
def test_sums_of_squares_add_up(frame: pd.DataFrame) -> None:
    table = strata.table(frame, "y", FULL, CRISS_CROSS)
    assert table["ss"].sum() == pytest.approx(((frame["y"] - frame["y"].mean()) ** 2).sum())
    assert table["df"].sum() == len(frame) - 1
    by_board = frame.groupby("board")["y"].agg(["mean", "size"])
    between = (by_board["size"] * (by_board["mean"] - frame["y"].mean()) ** 2).sum()
    assert table.loc["board", "ss"].sum() == pytest.approx(between)


@few
@given(layouts, st.permutations(["carrier", "sealer", "dwell"]), st.randoms(use_true_random=False))
def test_order_of_terms_and_rows_does_not_matter(frame: pd.DataFrame, order: list[str], lot: object) -> None:
    rng = np.random.default_rng(lot.randrange(2**32))  # type: ignore[attr-defined]
    mixed_up = frame.iloc[rng.permutation(len(frame))]
    table = strata.table(frame, "y", FULL, CRISS_CROSS)
    other = strata.table(mixed_up, "y", " + ".join(order) + " + (carrier + sealer + dwell) ^ 3", CRISS_CROSS)
    other.index = pd.MultiIndex.from_tuples(
        [(stratum, ":".join(sorted(term.split(":")))) for stratum, term in other.index], names=other.index.names
    )
    table.index = pd.MultiIndex.from_tuples(
        [(stratum, ":".join(sorted(term.split(":")))) for stratum, term in table.index], names=table.index.names
    )
    pd.testing.assert_frame_equal(table.sort_index(), other.sort_index(), rtol=1e-9, atol=1e-9)


@few
@given(layouts)
def test_expected_mean_squares_are_those_of_the_textbook(frame: pd.DataFrame) -> None:
    """A piece's variance counts once for each of its readings, in its own stratum and those above it."""
    plan = strata.plan(frame, FULL, CRISS_CROSS)
    lanes, strips = frame["lane"].nunique(), frame["strip"].nunique()
    np.testing.assert_allclose(
        plan.multipliers,
        [[lanes * strips, strips, lanes, 1], [0, strips, 0, 1], [0, 0, lanes, 1], [0, 0, 0, 1]],
    )
    variances = {"board": 4.0, "board:lane": 3.0, "board:strip": 2.0, "residual": 1.0}
    np.testing.assert_allclose(plan.expected_mean_squares(variances)[-1], 1)


def test_terms_lie_where_they_were_laid_on() -> None:
    table = strata.table(layout(6, 2, 3), "y", FULL, CRISS_CROSS)
    assert {term: stratum for stratum, term in table.index if term != "residual"} == {
        "carrier": "board",
        "sealer": "board:lane",
        "carrier:sealer": "board:lane",
        "dwell": "board:strip",
        "carrier:dwell": "board:strip",
        "sealer:dwell": "residual",
        "carrier:sealer:dwell": "residual",
    }
    assert [stratum for stratum, term in table.index if term == "residual"] == [*CRISS_CROSS, "residual"]


def test_a_number_is_a_term_like_another() -> None:
    """Linear and quadratic in the minutes take the dwell's two degrees of freedom between them."""
    frame = layout(6, 2, 3).assign(squared=lambda rows: (rows["minutes"] - 6) ** 2)
    whole = strata.table(frame, "y", "sealer * dwell", CRISS_CROSS)
    split = strata.table(frame, "y", "sealer * (minutes + squared)", CRISS_CROSS)
    parts = split.loc["board:strip"].drop(index="residual")
    assert list(parts.index) == ["minutes", "squared"]
    assert parts["ss"].sum() == pytest.approx(whole.loc[("board:strip", "dwell"), "ss"])
    slope = strata.table(frame, "y", "minutes", CRISS_CROSS).loc[("board:strip", "minutes")]
    x = frame["minutes"] - frame["minutes"].mean()
    assert slope["ss"] == pytest.approx((x @ frame["y"]) ** 2 / (x @ x))


def test_unequal_numbers_of_boards_do_not_matter_to_a_board_factor() -> None:
    """Five boards, three of water: the carrier's F is the square of Student's two-sample t on board means."""
    frame = layout(5, 2, 3, seed=3)
    table = strata.table(frame, "y", "carrier", ["board"])
    means = frame.groupby("board").agg(carrier=("carrier", "first"), y=("y", "mean"))
    groups = means.groupby("carrier")["y"]
    pooled = ((groups.var() * (groups.size() - 1)).sum()) / 3
    t = (groups.mean()["water"] - groups.mean()["oil"]) / np.sqrt(pooled * (1 / 3 + 1 / 2))
    assert table.loc[("board", "carrier"), "f"] == pytest.approx(t**2)


def test_nothing_left_over_gives_no_test() -> None:
    table = strata.table(layout(2, 2, 3), "y", FULL, CRISS_CROSS)
    assert table.loc[("board", "residual"), "df"] == 0
    assert table.loc["board", ["f", "p"]].isna().all(axis=None)
    plan = strata.plan(layout(2, 2, 3), FULL, CRISS_CROSS)
    variances = dict.fromkeys(plan.strata, 1.0)
    assert np.isnan(plan.power(np.zeros(12), variances)).all()
    assert np.isnan(plan.f(np.random.default_rng(1).normal(size=(12, 2)))).all()


def test_without_pieces_it_is_the_plain_analysis() -> None:
    table = strata.table(layout(4, 2, 3), "y", "sealer * dwell", [])
    assert set(table.index.get_level_values("stratum")) == {"residual"}
    fit = mixed.fit(layout(4, 2, 3), "y", "sealer * dwell", [])
    np.testing.assert_allclose(table["f"].dropna(), fit.tests()["f"], rtol=1e-9)


@pytest.mark.parametrize("factor", [1e-140, 1e147])
def test_units_do_not_matter(factor: float) -> None:
    frame = layout(6, 2, 3)
    table, other = (strata.table(one, "y", FULL, CRISS_CROSS) for one in (frame, frame.assign(y=frame["y"] * factor)))
    np.testing.assert_allclose(table[["f", "p"]], other[["f", "p"]], rtol=1e-9)


# --- many readings at once -------------------------------------------------------------------------


def test_many_columns_are_many_tables() -> None:
    frame = layout(6, 2, 3)
    plan = strata.plan(frame, FULL, CRISS_CROSS)
    readings = np.random.default_rng(2).normal(size=(36, 1100))
    f, p = plan.f(readings), plan.p(plan.f(readings))
    for at in (0, 511, 512, 1099):
        table = strata.table(frame.assign(y=readings[:, at]), "y", FULL, CRISS_CROSS)
        rows = [(plan.strata[stratum], term) for term, stratum in zip(plan.terms, plan.term_stratum, strict=True)]
        np.testing.assert_allclose(f[:, at], table.loc[rows, "f"], rtol=1e-9)
        np.testing.assert_allclose(p[:, at], table.loc[rows, "p"], rtol=1e-9)
    with pytest.raises(ValueError, match="35 rows of readings for a layout of 36"):
        plan.f(readings[1:])


def _readings(frame: pd.DataFrame, variances: dict[str, float], count: int, rng: np.random.Generator) -> np.ndarray:
    """Draw readings piece by piece, as they come about."""
    result = rng.normal(0, variances["residual"] ** 0.5, (len(frame), count))
    for name, size in variances.items():
        if name != "residual":
            codes = frame.groupby(name.split(":")).ngroup().to_numpy()
            result += rng.normal(0, size**0.5, (codes.max() + 1, count))[codes]
    return result


def test_simulated_tests_keep_their_power() -> None:
    """Power by the noncentral F, by readings drawn piece by piece, and by coordinates drawn in the strata."""
    frame = layout(8, 2, 3)
    plan = strata.plan(frame, FULL, CRISS_CROSS)
    variances = {"board": 1.0, "board:lane": 0.5, "board:strip": 0.5, "residual": 1.0}
    mean = 0.9 * (frame["carrier"] == "oil") + 0.8 * (frame["sealer"] == "s1") + 0.3 * frame["strip"]
    mean = (mean + 0.5 * (frame["sealer"] == "s1") * frame["strip"]).to_numpy()
    exact = plan.power(mean, variances)
    count, rng = 20_000, np.random.default_rng(11)
    drawn = mean[:, None] + _readings(frame, variances, count, rng)
    for f in (plan.f(drawn), plan.simulate(mean, variances, count, rng)):
        found = (plan.p(f) < 0.05).mean(axis=1)
        assert (np.abs(found - exact) < 4.9 * np.sqrt(exact * (1 - exact) / count)).all()  # 1e-6 by the normal
    assert exact.max() > 0.6
    assert exact.min() == pytest.approx(0.05)


# --- refusals --------------------------------------------------------------------------------------

WHOLE = layout(6, 2, 3)
REFUSED = {
    "a row gone": (WHOLE.drop(index=4), FULL, CRISS_CROSS, "'board' hold unlike numbers of rows, 5 to 6"),
    "a value gone": (
        WHOLE.assign(y=WHOLE["y"].where(WHOLE.index != 4)),
        FULL,
        CRISS_CROSS,
        "(rows with a value missing: 1)",
    ),
    "a term over two strata": (
        WHOLE.assign(sealer=np.where(WHOLE.index % 5 == 0, "s0", WHOLE["sealer"])),
        "sealer",
        ["board"],
        "term 'sealer' is spread over the strata 'board' and 'residual'",
    ),
    "terms out of balance": (
        WHOLE.assign(load=np.where(WHOLE["board"].isin([0, 2, 5]), "30 g/L", "15 g/L")),
        "carrier + load",
        CRISS_CROSS,
        "what is found of term 'load' depends on term 'carrier'",
    ),
    "strata that meet unequally": (
        WHOLE.assign(tray=[0, 1, 2, 0, 1, 2, 0, 1, 2, 3, 4, 5, 3, 4, 5, 3, 4, 5] * 2).assign(
            tray=lambda rows: rows["tray"].where(rows.index != 0, 1).where(rows.index != 1, 0)
        ),
        "sealer",
        ["board", "tray"],
        "do not meet those of the strata before it equally often",
    ),
    "terms that say the same": (
        WHOLE.assign(coat=WHOLE["sealer"].str.upper()),
        "sealer + coat",
        CRISS_CROSS,
        "depends on term 'sealer'",
    ),
    "levels read unlike numbers of times": (
        layout(6, 2, 3).query("lane == strip or strip == 2"),
        "sealer * dwell",
        [],
        "depends on",
    ),
    "smaller pieces first": (WHOLE, FULL, ["board:lane", "board"], "name larger pieces before smaller ones"),
    "one piece twice": (WHOLE, FULL, ["board", "board"], "stratum 'board' has no pieces that an earlier"),
    "the residual named": (WHOLE, FULL, ["board", "board:lane:strip"], "what the residual is"),
    "constant": (WHOLE.assign(y=3.5), FULL, CRISS_CROSS, "every value of 'y' is 3.5"),
    "one row": (WHOLE.head(1), "1", [], "one row has no strata"),
    "one level": (WHOLE.query("carrier == 'oil'"), FULL, CRISS_CROSS, "one level only, 'oil'"),
    "unknown": (WHOLE, "carier", CRISS_CROSS, "write 'carrier'"),
    "no number": (WHOLE.assign(y="pale"), FULL, CRISS_CROSS, "'pale', which is not a number"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refusals_are_one_sentence(name: str) -> None:
    frame, fixed, pieces, words = REFUSED[name]
    with pytest.raises(UserError) as refusal:
        strata.table(frame, "y", fixed, pieces)
    assert words in str(refusal.value)
    assert len(refusal.value.problems) == 1
    assert "\n" not in str(refusal.value)
