"""Which schedule meets a brief: closed forms, orthant chances, and made-up trials whose truth is known."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr
from scipy.stats import multivariate_normal
from scipy.stats import t as student

from analysis import decide, follow_up, mixed, schedules
from analysis.decide import Comparison, Decision, Finding
from analysis.responses import analyse
from analysis.schedules import chances
from analysis.schedules import ranking as ranking_of
from analysis.schedules.predicting import predict
from analysis.schedules.together import cross_covariances, shrink
from tests.conftest import EXAMPLE
from tests.trials_made import trial_of
from trials import folder
from trials.brief import read
from trials.costs import Costs, StepCost
from trials.errors import UserError
from trials.folder import Trial
from trials.plan import Question

TRIALS = 100

PLAN = """\
[trial]
title = "Reception counter in quartersawn lacewood"

[boards]
count = 8
length = "400 mm"
width = "150 mm"
lanes = 2
strips = 2

[[factor]]
name = "carrier"
levels = ["water", "alcohol"]
laid_on = "board"

[[factor]]
name = "seal_coat"
levels = ["none", "shellac"]
laid_on = "lane"

[[response]]
name = "darkness"
kind = "measure"
unit = "L*"
aim = "less"

[[response]]
name = "gloss"
kind = "measure"
unit = "GU"
aim = "more"

[[question]]
factor = "seal_coat"
response = "gloss"
worth = 2
"""
BRIEF = ["darkness at most 38", "figure_clarity at least 3.5", "lap_visibility at most 2.5"]
SHOP = Costs(
    3.7, 45, piece="counter", prices=(("seal_coat", 18.4),), coverage=(("seal_coat", 9.8),), waste=0.15,
    rework_hours=5, rework_risk=0.3,
    steps=(StepCost("seal coat on the sealed lanes", "sealing", "seal_coat", touch_h=0.75, elapsed_h=2),),
)  # fmt: skip


@pytest.fixture(scope="module")
def trial() -> Trial:
    return folder.load(EXAMPLE)


@pytest.fixture(scope="module")
def decision(trial) -> Decision:
    return decide.decide(trial)


@pytest.fixture(scope="module")
def ranking(trial, decision) -> schedules.Ranking:
    return schedules.rank(trial, decision, BRIEF)


# --- the brief -------------------------------------------------------------------------------------


def test_a_brief_is_read_and_said(trial):
    lines = ["darkness between 30 and 38 L*", "figure_clarity at least 4", "figure_clarity at most 4,5"]
    found = read(trial.plan.responses, lines)
    assert found.words == "darkness between 30 and 38 L* and figure clarity between 4 and 4.5"


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("darkness < 38", "is not a condition"),
        ("darknes at most 38", "write 'darkness'"),
        ("darkness at most 38 GU", "not the unit"),
        ("darkness at most 138", "off the scale"),
        ("figure_clarity at least 6", "off the scale"),
        ("figure_clarity is yes", "does not go with"),
        ("darkness between 40 and 30", "wrong way round"),
    ],
)
def test_lines_that_are_no_condition(trial, line, what):
    with pytest.raises(UserError, match=what):
        read(trial.plan.responses, [line])


def test_conditions_that_cannot_both_be_met(trial):
    with pytest.raises(UserError, match="cannot both be met"):
        read(trial.plan.responses, ["darkness at most 30", "darkness at least 40"])
    with pytest.raises(UserError, match="no condition"):
        read(trial.plan.responses, [])


@pytest.mark.parametrize(
    ("line", "readings", "cut"),
    [
        ("figure_clarity at least 4", 1, (3.75, math.inf)),  # half grades: 4, 4.5 and 5 will do
        ("figure_clarity at least 4", 2, (3.875, math.inf)),  # the mean of two comes in quarters
        ("figure_clarity at least 3.6", 1, (3.75, math.inf)),
        ("figure_clarity at most 3.6", 1, (-math.inf, 3.75)),
        ("figure_clarity at least 1", 1, (-math.inf, math.inf)),
        ("figure_clarity at most 5", 1, (-math.inf, math.inf)),
        ("darkness at most 38", 2, (-math.inf, 38)),
    ],
)
def test_where_a_condition_cuts(trial, line, readings, cut):
    assert read(trial.plan.responses, [line]).conditions[0].cut(readings) == cut


# --- chances ---------------------------------------------------------------------------------------


def inside(lower, upper, correlation, times=400):
    shift = np.random.default_rng(3).random((times, len(lower)))
    limits = [np.tile(np.asarray(one, dtype=float), (times, 1)) for one in (lower, upper)]
    found = chances.rectangle(*limits, np.linalg.cholesky(np.asarray(correlation))[None], shift)
    return found.mean(), found.std() / times**0.5


@pytest.mark.parametrize("rho", [-0.7, 0.3, 0.9])
def test_quadrant(rho):
    """1/4 + arcsin(rho) / 2 pi (Sheppard 1899, Philosophical Transactions A 192:101-167)."""
    found, error = inside([0, 0], [np.inf, np.inf], [[1, rho], [rho, 1]])
    assert found == pytest.approx(0.25 + math.asin(rho) / (2 * math.pi), abs=4 * error + 1e-4)


def test_octant():
    """1/8 + (sum of the three arcsines) / 4 pi: the same source's formula, one dimension on."""
    rho = [0.5, -0.2, 0.4]
    matrix = [[1, rho[0], rho[1]], [rho[0], 1, rho[2]], [rho[1], rho[2], 1]]
    found, error = inside([0, 0, 0], [np.inf] * 3, matrix)
    assert found == pytest.approx(1 / 8 + sum(map(math.asin, rho)) / (4 * math.pi), abs=4 * error + 1e-4)


def test_drawn_correlations_close_in_on_the_estimate():
    """Their scatter is that of a sample correlation, (1 − rho²) / sqrt(df) for many degrees of freedom (textbook)."""
    rho, df = 0.6, 400
    drawn = chances.drawn_roots(np.array([[1, rho], [rho, 1]]), df, 4000, np.random.default_rng(5))
    found = (drawn @ drawn.transpose(0, 2, 1))[:, 0, 1]
    assert found.mean() == pytest.approx(rho, abs=0.003)
    assert found.std() == pytest.approx((1 - rho**2) / df**0.5, rel=0.06)
    assert chances.drawn_roots(np.eye(1), df, 10, np.random.default_rng(5)).shape == (1, 1, 1)


def test_a_rectangle_off_the_centre():
    matrix = [[1, 0.6, 0.3], [0.6, 1, 0.1], [0.3, 0.1, 1]]
    found, error = inside([-9, -0.5, -9], [0.3, 9, 1], matrix)
    mirror = np.diag([1, -1, 1])  # the second limit is a lower one
    exact = multivariate_normal.cdf([0.3, 0.5, 1], cov=mirror @ np.array(matrix) @ mirror)
    assert found == pytest.approx(exact, abs=4 * error + 2e-4)


def test_independent_responses_multiply_exactly():
    found, error = inside([-0.3, -np.inf], [1.1, 0.4], np.eye(2))
    assert found == pytest.approx((ndtr(1.1) - ndtr(-0.3)) * ndtr(0.4), rel=1e-12)
    assert error < 1e-12


def test_one_condition_is_students_t(trial, decision):
    """One response alone, mean and pieces unknown: the closed form of the t prediction, within Monte Carlo error."""
    found = schedules.rank(trial, decision, ["darkness at most 38"], draws=4000)
    dark = next(one for one in decision.analyses if one.response.name == "darkness")
    names = [factor.name for factor in trial.plan.factors]
    one = predict(dark, found.table[names].to_dict("records"))
    closed = student.cdf((38 - one.mean) / one.total, one.df).mean(axis=1)
    off = (found.table["chance"].to_numpy() - closed) / found.table["monte_carlo_se"].clip(lower=1e-5)
    assert np.abs(off).max() < 4
    assert closed.max() - closed.min() > 0.5


def test_a_prediction_agrees_with_the_fits_own(trial, decision):
    """A new patch on new pieces throughout: what `MixedFit.predict` says in the same lot."""
    dark = next(one for one in decision.analyses if one.response.name == "darkness")
    treatment = {"carrier": "oil", "dye_load": "15 g/L", "seal_coat": "none", "glaze_dwell": "6 min"}
    assert dark.told.places == ("lane",)
    rows = dark.table.treated.assign(**treatment).groupby(["lot", "lane"], as_index=False).first()
    by_lane = dark.for_these_lots.predict(rows)["mean"].to_numpy().reshape(2, 2)
    assert predict(dark, [treatment]).mean[0] == pytest.approx(by_lane.mean(axis=1))  # lanes alike often
    told = replace(dark.told, places=())
    table = dark.table.treated.rename(columns={"value": "darkness"})
    dark = replace(dark, told=told, for_these_lots=mixed.fit(table, "darkness", *told.for_these_lots))
    one = predict(dark, [treatment])
    own = dark.for_these_lots.predict(rows[rows["lane"] == 1])
    assert one.mean[0] == pytest.approx(own["mean"].to_numpy())
    assert one.total[0] == pytest.approx(own["new_se"].to_numpy())
    assert one.df[0] == pytest.approx(own["new_df"].to_numpy())
    middle = one.quantile(0.975)
    assert one.below(middle) == pytest.approx([0.975])


# --- how responses go together ---------------------------------------------------------------------


def test_shrinking_makes_a_valid_matrix_and_no_more():
    bad = np.array([[4, 3.9, -3.9], [3.9, 4, 3.9], [-3.9, 3.9, 4]])
    made, share = shrink(bad)
    assert np.linalg.eigvalsh(made)[0] == pytest.approx(0, abs=1e-9)
    assert np.diag(made) == pytest.approx(np.diag(bad))
    assert made[0, 1] == pytest.approx((1 - share) * bad[0, 1])
    assert 0 < share < 1
    good = np.array([[4, 1.0], [1, 2]])
    assert shrink(good)[0] == pytest.approx(good)
    assert shrink(np.array([[4, 1.0], [1, 0]]))[0] == pytest.approx(np.diag([4, 0]))


def readings_of(trial: Trial, means: dict, rng: np.random.Generator, board, lane, patch) -> Trial:
    """Return the trial read anew: correlated shifts of boards, lanes and patches about the means."""
    shifts = {}
    found = {}
    for row in trial.patches.to_dict("records"):
        total = np.array(means[row["carrier"], row["seal_coat"]], dtype=float)
        for key, root in (
            (("b", row["board"]), board),
            (("l", row["board"], row["lane"]), lane),
            (row["patch"], patch),
        ):
            if key not in shifts:
                shifts[key] = root @ rng.standard_normal(2)
            total = total + shifts[key]
        found[str(row["patch"])] = dict(zip(("darkness", "gloss"), total, strict=True))
    return replace(
        trial,
        readings=tuple(one | {"value": repr(float(found[one["patch"]][one["response"]]))} for one in trial.readings),
    )


def roots(sizes, correlations):
    made = []
    for (first, second), rho in zip(sizes, correlations, strict=True):
        covariance = np.array([[first**2, rho * first * second], [rho * first * second, second**2]])
        made.append(np.linalg.cholesky(covariance))
    return made


@pytest.fixture(scope="module")
def laid_out(tmp_path_factory) -> Trial:
    return trial_of(tmp_path_factory.mktemp("schedules") / "trial", PLAN, lambda patch, draw: draw.gauss(0, 1))


def test_a_balanced_layouts_covariance_is_its_mean_cross_product(laid_out):
    """Between patches: the cross product of what lanes leave over, by its degrees of freedom (textbook MANOVA)."""
    rng = np.random.default_rng(11)
    means = {(a, b): (0, 0) for a in ("water", "alcohol") for b in ("none", "shellac")}
    trial = readings_of(laid_out, means, rng, *roots([(6, 5), (3, 3), (1, 2)], [0.2, 0.1, 0.6]))
    both = [analyse(trial, response) for response in trial.plan.responses]
    assert all((one.for_these_lots.components > 0).all() for one in both)
    left = [
        one.table.treated["value"] - one.table.treated.groupby(["board", "lane"])["value"].transform("mean")
        for one in both
    ]
    df = len(left[0]) - len(left[0]) // 2  # 32 patches in 16 lanes
    assert cross_covariances(*both)["residual"] == pytest.approx(float(left[0] @ left[1]) / df, rel=1e-6)
    lanes = [one.table.treated.groupby(["board", "lane"])["value"].mean().unstack() for one in both]
    turned = np.where(_sealed_second(both[0]), 1, -1)
    halves = [(lane[2] - lane[1]) * turned for lane in lanes]
    carrier = both[0].table.treated.groupby("board")["carrier"].first()
    over = [half - half.groupby(carrier, observed=True).transform("mean") for half in halves]
    over = [half - turned * (turned @ half) / 8 for half in over]  # a carrier's boards lie either way alike often
    between = float(over[0] @ over[1]) / 5 / 2  # 8 differences of two lanes less one mean a carrier and the place
    expected = between - cross_covariances(*both)["residual"] / 2
    assert cross_covariances(*both)["board:lane"] == pytest.approx(expected, rel=1e-5)


def _sealed_second(analysis):
    treated = analysis.table.treated
    return (treated[treated["lane"] == 2].groupby("board")["seal_coat"].first() == "shellac").to_numpy()


@pytest.mark.slow
def test_made_up_trials(laid_out):
    """Coverage of the prediction intervals, calibration of the joint chance, and the correlation, by simulation.

    The truth of each trial is drawn anew about the limits; what a new patch does is reckoned from it exactly. Each
    bound is four standard errors over the trials.
    """
    rng = np.random.default_rng(2024)
    board, lane, patch = roots([(2.0, 3.0), (0.8, 1.2), (1.0, 1.5)], [0.7, 0.0, -0.4])
    spread = sum(root @ root.T for root in (board, lane, patch))
    covered, predicted, true, between, held = [], [], [], [], []
    for seed in range(TRIALS):
        means = {(a, b): rng.normal((38, 60), (4, 6)) for a in ("water", "alcohol") for b in ("none", "shellac")}
        trial = readings_of(laid_out, means, rng, board, lane, patch)
        both = [analyse(trial, response) for response in trial.plan.responses]
        decision = Decision((), (), tuple(both), ())
        between.append(cross_covariances(*both)["board"])
        found = schedules.rank(trial, decision, ["darkness at most 38", "gloss at least 60"], draws=200, seed=seed)
        for row in range(len(found.table)):
            treatment = found.treatment(row)
            mean = means[treatment["carrier"], treatment["seal_coat"]]
            mirrored = spread * [[1, -1], [-1, 1]]
            true.append(multivariate_normal.cdf([38 - mean[0], mean[1] - 60], cov=mirrored))
            predicted.append(found.table["chance"][row])
            held.append(found.table["lower"][row] <= true[-1] <= found.table["upper"][row])
            for at, one in enumerate(schedules.confirm(trial, decision, treatment)):
                ends = (np.array([one.lower, one.upper]) - mean[at]) / spread[at, at] ** 0.5
                covered.append(float(ndtr(ends[1]) - ndtr(ends[0])))
    assert mean_of(covered) == pytest.approx(0.95, abs=4 * error_of(covered))
    assert mean_of(held) == pytest.approx(0.95, abs=4 * error_of(held))
    off = np.array(predicted) - true
    assert off.mean() == pytest.approx(0, abs=4 * error_of(off))
    for low, high in ((0.1, 0.4), (0.4, 0.7), (0.7, 1.0)):
        part = off[(np.array(predicted) >= low) & (np.array(predicted) < high)]
        assert len(part) > 20
        assert part.mean() == pytest.approx(0, abs=4 * part.std(ddof=1) / len(part) ** 0.5)
    assert np.mean(between) == pytest.approx(0.7 * 2 * 3, abs=4 * error_of(between))
    assert 4 * error_of(covered) < 0.03
    assert 4 * error_of(between) < 0.7 * 2 * 3  # so that no correlation at all would be noticed


def mean_of(values) -> float:
    return float(np.mean(values))


def error_of(values) -> float:
    """Return the standard error of a mean over the trials, whose own values go together."""
    by_trial = np.reshape(values, (TRIALS, -1)).mean(axis=1)
    return float(by_trial.std(ddof=1) / TRIALS**0.5)


# --- the example -----------------------------------------------------------------------------------


def test_the_example_is_ranked(trial, ranking):
    table = ranking.table
    assert len(table) == 36
    assert (table["state"] == "tried").all()
    assert table["chance"].is_monotonic_decreasing
    assert ((table["lower"] <= table["chance"]) & (table["chance"] <= table["upper"])).all()
    assert not table["told_from_best"][0]
    assert ranking.best == ranking.treatment(0)
    assert ranking.best["seal_coat"] == "shellac 1 lb cut"  # by truth.json it lifts figure clarity by 0.9 grade
    assert "darkness of L* 38 or darker" in ranking.sentences[0]
    assert any("seed 1" in note for note in ranking.notes)


@pytest.mark.parametrize("middle", [0.0, -1.0])
def test_of_combinations_that_are_alike_none_is_said_to_be_less_likely(middle):
    """Ten alike, whose chances come out by chance alone: in 95 of 100 trials none is told from the best.

    300 trials: 6 to 25 would be seen in all but one of a hundred such tests (binomial). Compared as if the best had
    been named beforehand, some are told in more than half of the trials.
    """
    rng = np.random.default_rng(4)
    told = before = 0
    for _ in range(300):
        found = ndtr(middle + 0.4 * (rng.standard_normal(10) + rng.standard_normal((400, 10))))
        best = int(found.mean(axis=0).argmax())
        lower, upper = ranking_of._behind(found, np.arange(10), best, 0.95)
        assert lower[best] == upper[best] == 0
        assert (lower <= upper).all()
        told += bool((lower > 0).any())
        before += bool((np.quantile(found[:, [best]] - found, 0.025, axis=0) > 0).any())
    assert 6 <= told <= 25
    assert before > 100


def test_a_combination_far_behind_is_told_from_the_best():
    """Three drawn means 0, 0.1 and 3 standard deviations apart, each known to a tenth of one."""
    rng = np.random.default_rng(4)
    found = ndtr(np.array([1.0, 0.9, -2.0]) + 0.1 * rng.standard_normal((1000, 3)))
    lower, upper = ranking_of._behind(found, np.arange(3), 0, 0.95)
    assert lower[1] < 0 < upper[1]
    short = float(ndtr(1.0) - ndtr(-2.0))
    assert 0.75 * short < lower[2] < short < upper[2]


def test_the_mean_of_those_that_are_alike_stands_beside_the_best(ranking):
    alike = ranking.table[ranking.table["chance"].notna() & ~ranking.table["told_from_best"]]
    assert len(alike) > 1
    assert ranking.mean_of_alike == pytest.approx(alike["chance"].mean())
    said = (
        f"on average over it and the {len(alike) - 1} not to be told from it about {100 * ranking.mean_of_alike:.0f}"
    )
    assert said in ranking.sentences[0]


def test_the_same_seed_gives_the_same_answer_and_another_nearly(trial, decision, ranking):
    again = schedules.rank(trial, decision, BRIEF)
    assert again.table.equals(ranking.table)
    other = schedules.rank(trial, decision, BRIEF, seed=2).table.sort_index()
    names = [factor.name for factor in trial.plan.factors]
    both = ranking.table.merge(other, on=names, suffixes=("", "_too"))
    error = np.hypot(both["monte_carlo_se"], both["monte_carlo_se_too"]).clip(lower=1e-5)
    assert ((both["chance"] - both["chance_too"]).abs() < 5 * error).all()


def test_an_easier_brief_is_likelier(trial, decision, ranking):
    easier = schedules.rank(trial, decision, [BRIEF[0].replace("38", "40"), *BRIEF[1:]])
    names = [factor.name for factor in trial.plan.factors]
    both = ranking.table.merge(easier.table, on=names, suffixes=("", "_easier"))
    assert (both["chance_easier"] >= both["chance"]).all()


def test_what_is_forbidden_and_what_was_not_tried_are_marked(trial, decision):
    forbidding = replace(trial.plan, exclusions=(_exclusion(),))
    narrowed = replace(trial, plan=forbidding)
    table = schedules.rank(narrowed, decision, ["darkness at most 38"]).table
    never = table[table["state"] == "never made"]
    assert len(never) == 6
    assert set(zip(never["carrier"], never["dye_load"], strict=True)) == {("oil", "30 g/L")}
    assert never["chance"].isna().all()
    assert table["chance"].notna().sum() == 30


def _exclusion():
    from trials.plan import Exclusion

    return Exclusion((("carrier", ("oil",)), ("dye_load", ("30 g/L",))), "does not dissolve")


def test_a_combination_that_was_not_tried(laid_out):
    gone = laid_out.patches[(laid_out.patches["carrier"] == "water") & (laid_out.patches["seal_coat"] == "shellac")][
        "patch"
    ].astype(str)
    left = replace(laid_out, readings=tuple(one for one in laid_out.readings if one["patch"] not in set(gone)))
    found = schedules.rank(left, decide.decide(left), ["darkness at most 0"])
    state = found.table.set_index(["carrier", "seal_coat"])["state"]
    assert state["water", "shellac"] == "not tried"
    assert (state.drop(("water", "shellac")) == "tried").all()
    assert any("not tried" in one for one in found.sentences)


def test_a_response_that_was_not_read(trial, decision):
    without = replace(decision, analyses=decision.analyses[1:])
    with pytest.raises(UserError, match="figure_clarity, of which nothing can be told"):
        schedules.rank(trial, without, ["figure_clarity at least 4"])


def test_yes_or_no_goes_by_its_share(tmp_path):
    text = PLAN.replace(
        'name = "gloss"\nkind = "measure"\nunit = "GU"\naim = "more"', 'name = "gloss"\nkind = "yes_no"'
    )
    text = text.replace("worth = 2", "worth = 0.2")
    trial = trial_of(tmp_path / "trial", text, lambda patch, draw: float(draw.random() < 0.4))
    decision = decide.decide(trial)
    yes, no = (schedules.rank(trial, decision, [f"gloss is {word}"]).table for word in ("yes", "no"))
    both = yes.merge(no, on=["carrier", "seal_coat"], suffixes=("", "_no"))
    assert (both["chance"] + both["chance_no"]).to_numpy() == pytest.approx(1)
    share = trial_share(decision)
    assert both["chance"].mean() == pytest.approx(share, abs=0.06)  # clipped at none and all, so not quite the share


def trial_share(decision):
    return next(one for one in decision.analyses if one.response.name == "gloss").table.treated["value"].mean()


# --- confirmation and cost -------------------------------------------------------------------------


def test_a_confirmation_board(trial, decision, ranking):
    one, many = (schedules.confirm(trial, decision, ranking.best, patches=number) for number in (1, 100))
    for single, mean in zip(one, many, strict=True):
        assert single.lower <= single.mean <= single.upper
        assert single.lower < single.upper
        assert single.mean == mean.mean
        assert f"{100 * single.level:g}% prediction interval" in single.sentence
    dark = one[[found.response.name for found in one].index("darkness")]
    by_hand = predict(decision.analyses[2], [ranking.best])
    assert by_hand.below(np.array([dark.lower])) == pytest.approx([0.025], abs=1e-6)
    assert schedules.confirm(trial, decision, ranking.best, readings=8)[0].readings == 8


def test_a_confirmation_board_that_cannot_be(trial, decision, ranking):
    with pytest.raises(UserError, match="is not a level of carrier"):
        schedules.confirm(trial, decision, ranking.best | {"carrier": "wine"})
    with pytest.raises(UserError, match="does not say its carrier"):
        schedules.confirm(trial, decision, {"seal_coat": "none"})


def finding(gain: float, se: float = 0.1, df: float = 8) -> Finding:
    half = se * student.ppf(0.975, df)
    leading = Comparison(
        "none", "shellac 1 lb cut", gain, gain - half, gain + half, gain, gain - half, gain + half, se, df, 0.01
    )
    return Finding("seal_coat", "figure_clarity", True, 0.5, "", "It did.", leading, (leading,), 0.95)


def worth_of(plan, *findings: Finding, costs: Costs | None = SHOP, also: tuple[Finding, ...] = ()):
    """What `worth_it` makes of findings on one factor, without fits behind them."""
    questions = tuple(Question(one.factor, one.response, one.worth or 0.0) for one in findings)
    (found,) = schedules.worth_it(Decision(findings, also, (), ()), replace(plan, costs=costs, questions=questions))
    return found


def test_worth_it(trial):
    found = worth_of(trial.plan, finding(0.6))
    assert found.cost.total == pytest.approx(3.7 / 9.8 * 1.15 * 18.4 + 0.75 * 45)
    assert found.break_even == pytest.approx(found.cost.total / 225)
    (gain,) = found.gains
    assert gain.chance == pytest.approx(student.cdf(1.0, 8))  # (0.6 − 0.5) / 0.1 on 8 degrees of freedom
    assert gain.price_of_one == pytest.approx(found.cost.total / 0.6)
    assert gain.price_lower < gain.price_of_one < gain.price_upper
    assert found.sentences[0] == "Seal coat shellac 1 lb cut instead of none: too close to call for figure clarity."
    said = " ".join(found.sentences)
    assert "It costs a counter 42 more (7.99 of material, 34 of work)." in said
    assert "the chance that it reaches the 0.5 grade worth having is 83 of 100" in said
    assert "if it saves 19 in 100; 30 in 100 are spoilt now." in said
    assert "for one grade of figure clarity" in said


def test_worth_it_at_its_ends(trial):
    loss = worth_of(trial.plan, finding(-0.6))
    assert any(
        one.startswith("It makes figure clarity 0.60 grade worse (95% interval 0.37 to 0.83 worse)")
        for one in loss.sentences
    )
    assert "It costs more, and figure clarity is no better for it." in loss.sentences
    assert loss.gains[0].price_of_one == math.inf
    free = worth_of(trial.plan, finding(0.6), costs=replace(SHOP, steps=()))
    assert free.cost is None
    assert any("the plan does not say" in one for one in free.sentences)
    saved = replace(SHOP, steps=(replace(SHOP.steps[0], only=(("seal_coat", ("none",)),)),))
    assert any("any gain pays" in one for one in worth_of(trial.plan, finding(0.6), costs=saved).sentences)
    untold = worth_of(
        trial.plan, replace(finding(0.6), leading=None, comparisons=(), sentence="It cannot be told: one board.")
    )
    assert math.isnan(untold.gains[0].chance)
    assert "What it does to figure clarity cannot be told: one board." in untold.sentences
    depends = worth_of(trial.plan, replace(finding(0.6), depends=("It depends on carrier.",)))
    assert "It depends on carrier." in depends.sentences


def test_a_question_of_afterwards_is_called_exploratory(trial):
    said = " ".join(worth_of(trial.plan, replace(finding(0.6), asked=False)).sentences)
    assert "is 83 of 100; asked after the boards were laid out, so exploratory." in said


def test_a_worth_asked_once_more_afterwards_is_told_once_by_the_first(trial):
    was = replace(finding(0.6), verdict="not worth it", worth=1.0, depends=("It depends on carrier.",))
    said = worth_of(trial.plan, was, replace(was, asked=False, worth=0.2)).sentences
    assert said[0].endswith(": not worth it for figure clarity.")
    assert said.count("It depends on carrier.") == 1


def test_the_eye_and_the_instrument_disagree(trial):
    darker = replace(finding(-2, 0.2), response="darkness", worth=None)
    said = " ".join(worth_of(trial.plan, finding(0.6), also=(darker,)).sentences)
    assert "do not go one way: figure clarity gets better, darkness worse" in said
    same = replace(darker, comparisons=(darker.comparisons[0].turned().turned(),), leading=finding(2, 0.2).leading)
    lighter = replace(same, comparisons=(finding(2, 0.2).leading,))
    assert "do not go one way" not in " ".join(worth_of(trial.plan, finding(0.6), also=(lighter,)).sentences)


def test_grades_and_measurements_of_one_thing(trial):
    """Lap visibility and a measured lap step are one thing seen by two: what one shows the other should."""
    step = replace(trial.plan.response("darkness"), name="lap_step")
    plan = replace(trial.plan, responses=(*trial.plan.responses, step))
    eye = replace(finding(0.6), response="lap_visibility")
    for gain, words in ((2.0, "agree: of lap visibility and lap step both say better"),
                        (0.1, "lap visibility is clearly better, lap step may be either")):  # fmt: skip
        meter = replace(finding(gain, 0.2), response="lap_step", worth=None, asked=False)
        assert words in " ".join(worth_of(plan, eye, also=(meter,)).sentences)


def test_worth_it_says_on_what_the_gain_depends(trial, decision):
    found = next(one for one in schedules.worth_it(decision, trial.plan) if one.factor == "seal_coat")
    assert [one.response.name for one in found.gains] == ["figure_clarity", "lap_visibility", "darkness"]
    assert found.gains[2].verdict == ""
    said = " ".join(found.sentences)
    assert "no sign that its gain in figure clarity depends on" in said
    asked = next(one for one in decision.findings if one.factor == "seal_coat")
    assert found.gains[0].gain == asked.leading.gain


def test_the_best_by_cost(trial, ranking):
    found = schedules.by_cost(ranking, SHOP, trial.plan)
    sealed = found.table["seal_coat"] == "shellac 1 lb cut"
    assert (found.table.loc[sealed, "total"] > 41).all()
    assert (found.table.loc[~sealed, "total"] == 0).all()
    assert found.sentences[0] == "Of what the plan prices, the likeliest costs 42 a counter."
    assert len(found.table) == 5


def test_added_boards_are_split_also_where_boards_were_found_alike(tmp_path):
    """A board variance fitted at nought is no reason to lay one seal coat on both lanes of a board."""
    text = """
[boards]
count = 4
lanes = 2
length = "600 mm"
width = "200 mm"
[[factor]]
name = "seal"
levels = ["none", "shellac"]
laid_on = "lane"
[[response]]
name = "lightness"
kind = "measure"
unit = "L*"
aim = "more"
[[question]]
factor = "seal"
response = "lightness"
worth = 1
"""
    trial = trial_of(
        tmp_path / "alike",
        text,
        lambda patch, draw: 50 + patch["lane"] + 0.1 * draw.gauss(0, 1) * (-1) ** patch["lane"],
    )
    decision = decide.decide(trial)
    assert decision.analyses[0].fit.variances["board"] == 0
    for seed in (1, 2, 3):
        patches = follow_up.lay_out_more(trial, decision, 4, seed, "2026-01-15").layout.patches
        assert (patches.groupby("board")["seal"].nunique() == 2).all()


def test_next_boards_are_laid_out(laid_out):
    found = follow_up.lay_out_more(laid_out, decide.decide(laid_out), 4, 1, "2026-01-15")
    assert found.plan.boards.count == 12
    assert found.layout.patches["board"].nunique() == 4
