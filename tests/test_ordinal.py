import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize, stats

from analysis import ordinal
from analysis.ordinal.likelihood import Graded, Objective, Pull, cross, edges, full_rows
from trials.errors import UserError

LINKS = ["logit", "probit"]


def made_up_scores(seed=1, raters=4, boards=12, patches=6):
    """Invented grades of split boards: raters cross boards and their patches."""
    rng = np.random.default_rng(seed)
    frame = pd.DataFrame(
        itertools.product(range(raters), range(boards), range(patches)), columns=["rater", "board", "strip"]
    )
    frame["patch"] = frame["board"] * patches + frame["strip"]
    frame["seal"] = np.where(frame["strip"] % 2, "thin", "none")
    frame["carrier"] = np.array(["oil", "spirit", "water"])[frame["strip"] // 2 % 3]
    frame["dwell"] = rng.uniform(2, 12, len(frame)).round(1)
    eta = 0.8 * (frame["seal"] == "thin") - 0.5 * (frame["carrier"] == "water") + 0.05 * frame["dwell"]
    for term, sd in (("rater", 0.6), ("board", 0.7), ("patch", 0.6)):
        eta = eta + rng.normal(0, sd, frame[term].max() + 1)[frame[term]]
    frame["grade"] = np.digitize(eta + rng.logistic(size=len(frame)), [-1.2, 0.0, 1.2, 2.6]) + 1
    return frame


SCORES = made_up_scores()
SMALL = made_up_scores(seed=4, raters=3, boards=5)


# --- the numbers -----------------------------------------------------------------------------------


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize(
    ("terms", "nodes"),
    [(["rater"], 1), (["rater"], 5), (["patch"], 2), (["rater", "board"], 1), (["rater", "board", "patch"], 1)],
)
@pytest.mark.parametrize("pull", [None, Pull(np.diag([0.2, 0.1]), 2.0, True)])
def test_gradient_agrees_with_differences(link, terms, nodes, pull):
    matrix = np.random.default_rng(0).normal(size=(len(SCORES), 2))
    crossing = cross([SCORES[term].to_numpy() for term in terms], len(SCORES))
    objective = Objective(Graded(SCORES["grade"].to_numpy() - 1, matrix, crossing, link, nodes), pull)
    psi = np.array([-2.0, -1.0, 0.3, 1.5, 0.3, -0.2, 0.7, -0.5, 0.4][: 6 + len(terms)])
    gradient = objective(psi)[1]
    step = 1e-4 * np.eye(psi.size)

    def value(shift):
        return objective(psi + shift)[0]

    five_point = [(8 * (value(h) - value(-h)) - (value(2 * h) - value(-2 * h))) / 12e-4 for h in step]
    assert gradient == pytest.approx(five_point, abs=1e-7)


@pytest.mark.parametrize("link", LINKS)
def test_row_derivatives_agree_with_differences(link):
    thresholds, step = np.array([-1.1, 0.2, 1.7]), 1e-5
    grade, eta = np.array([0, 1, 2, 3, 1, 2]), np.array([0.3, -0.4, 2.0, -1.0, 9.0, -8.0])

    def log_p(up=0.0, low=0.0):
        a, c = np.append(thresholds, np.inf)[grade] + up, np.insert(thresholds, 0, -np.inf)[grade] + low
        tail = (stats.logistic if link == "logit" else stats.norm).sf
        is_right = a - eta + c - eta > 0
        return np.log(np.where(is_right, tail(c - eta) - tail(a - eta), tail(eta - a) - tail(eta - c)))

    rows = full_rows(link, edges(thresholds), grade, eta)
    assert rows.log_p == pytest.approx(log_p(), rel=1e-9)
    assert rows.up == pytest.approx((log_p(up=step) - log_p(up=-step)) / (2 * step), abs=1e-7)
    assert rows.low == pytest.approx((log_p(low=step) - log_p(low=-step)) / (2 * step), abs=1e-7)
    ahead, behind = (full_rows(link, edges(thresholds), grade, eta + shift) for shift in (step, -step))
    slope = [-(rows.up + rows.low) for rows in (ahead, behind)]
    assert rows.weight == pytest.approx(-(slope[0] - slope[1]) / (2 * step), abs=1e-7)
    assert rows.w_up + rows.w_low == pytest.approx(-(ahead.weight - behind.weight) / (2 * step), abs=1e-7)


@pytest.mark.parametrize("link", LINKS)
def test_far_tails_stay_finite(link):
    eta = np.array([-700.0, 700.0, -700.0, 700.0])
    rows = full_rows(link, edges(np.array([-1.0, 1.0])), np.array([2, 0, 1, 1]), eta)
    assert np.isfinite(rows.log_p).all()
    assert (rows.weight >= 0).all()


def test_laplace_agrees_with_dense_algebra():
    fit = ordinal.fit(SMALL, "grade", "seal + dwell", ["rater", "board", "patch"])
    z = np.hstack(
        [
            np.eye(SMALL[term].max() + 1)[SMALL[term]] * np.sqrt(fit.variances[term])
            for term in ("rater", "board", "patch")
        ]
    )
    slopes = fit.coefficients["estimate"]
    eta = slopes["seal[thin]"] * (SMALL["seal"] == "thin").to_numpy() + slopes["dwell"] * SMALL["dwell"].to_numpy()
    at = edges(fit.thresholds["estimate"].to_numpy())
    grade = SMALL["grade"].to_numpy() - 1

    def minus_log_joint(u):
        rows = full_rows("logit", at, grade, eta + z @ u)
        return 0.5 * u @ u - rows.log_p.sum(), u + z.T @ (rows.up + rows.low)

    mode = optimize.minimize(minus_log_joint, np.zeros(z.shape[1]), jac=True, options={"gtol": 1e-8})
    weight = full_rows("logit", at, grade, eta + z @ mode.x).weight
    curvature = np.linalg.slogdet(z.T @ (weight[:, None] * z) + np.eye(z.shape[1]))[1]
    assert fit.loglik == pytest.approx(-mode.fun - curvature / 2, abs=1e-9)
    effects = fit.random_effects
    scale = np.repeat(np.sqrt(fit.variances.to_numpy()), effects.groupby("term", sort=False).size())
    assert effects["mode"].to_numpy() == pytest.approx(scale * mode.x, abs=1e-6)


def test_many_nodes_agree_with_plain_integration():
    fit = ordinal.fit(SMALL, "grade", "seal", ["rater"], nodes=25)
    at, sd = edges(fit.thresholds["estimate"].to_numpy()), np.sqrt(fit.variances["rater"])
    total = 0.0
    for _, rows in SMALL.groupby("rater"):
        eta = fit.coefficients.loc["seal[thin]", "estimate"] * (rows["seal"] == "thin").to_numpy()
        grade = rows["grade"].to_numpy() - 1

        def density(u, eta=eta, grade=grade):
            return np.exp(full_rows("logit", at, grade, eta + sd * u).log_p.sum() + 120 - u * u / 2)

        total += np.log(integrate.quad(density, -9, 9, epsabs=0, epsrel=1e-11)[0]) - 120 - np.log(2 * np.pi) / 2
    assert fit.loglik == pytest.approx(total, abs=1e-8)


@pytest.mark.parametrize("link", LINKS)
def test_agrees_with_another_implementation(link):
    """Maximum likelihood without random terms as statsmodels' OrderedModel finds it."""
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    fit = ordinal.fit(SCORES, "grade", "seal + carrier + dwell", link=link)
    matrix = pd.DataFrame(
        {
            "seal[thin]": SCORES["seal"] == "thin",
            "carrier[spirit]": SCORES["carrier"] == "spirit",
            "carrier[water]": SCORES["carrier"] == "water",
            "dwell": SCORES["dwell"],
        }
    ).astype(float)
    other = OrderedModel(SCORES["grade"], matrix, distr=link).fit(method="bfgs", disp=False, gtol=1e-8)
    assert fit.loglik == pytest.approx(other.llf, abs=1e-8)
    assert fit.coefficients["estimate"].to_numpy() == pytest.approx(other.params[matrix.columns].to_numpy(), abs=1e-5)
    assert fit.coefficients["se"].to_numpy() == pytest.approx(other.bse[matrix.columns].to_numpy(), rel=1e-4)


def test_two_grades_are_logistic_regression():
    """Of a two-by-two table: the log odds ratio and the root of the sum of reciprocals."""
    frame = pd.DataFrame(
        {"seal": ["none"] * 20 + ["thin"] * 25, "sound": [True] * 8 + [False] * 12 + [True] * 18 + [False] * 7}
    )
    fit = ordinal.fit(frame, "sound", "seal")
    row = fit.coefficients.loc["seal[thin]"]
    assert row["estimate"] == pytest.approx(np.log(18 / 7) - np.log(8 / 12), rel=1e-10)
    assert row["se"] == pytest.approx(np.sqrt(1 / 18 + 1 / 7 + 1 / 8 + 1 / 12), rel=1e-10)
    assert fit.thresholds.loc["False|True", "estimate"] == pytest.approx(-np.log(8 / 12), rel=1e-10)
    assert fit.probabilities(pd.DataFrame({"seal": ["thin"]}))[True].item() == pytest.approx(18 / 25)


def test_averaged_probit_has_a_closed_form():
    """Averaged over N(0, s²), a probit's threshold and predictor shrink by the root of 1 + s²."""
    fit = ordinal.fit(SMALL, "grade", "seal", ["rater", "board"], link="probit")
    rows = pd.DataFrame({"seal": ["none", "thin"]})
    eta = np.array([0.0, fit.coefficients["estimate"].item()])
    places = (fit.thresholds["estimate"].to_numpy() - eta[:, None]) / np.sqrt(1 + fit.variances.sum())
    cumulated = stats.norm.cdf(places)
    table = fit.probabilities(rows, averaged=True)
    assert table.to_numpy().cumsum(axis=1)[:, :-1] == pytest.approx(cumulated, abs=1e-12)
    assert table.sum(axis=1).to_numpy() == pytest.approx([1, 1])
    assert table.attrs["note"] == "probabilities averaged over rater, board"


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("seed", [2, 3, 4])
def test_search_from_elsewhere_ends_in_the_same_place(link, seed):
    """Another method, in other parameters (logs of the distances of thresholds), from small and large spreads."""
    frame = made_up_scores(seed, boards=6)
    terms = ["rater", "board", "patch"]
    fit = ordinal.fit(frame, "grade", "seal", terms, link=link)
    crossing = cross([frame[term].to_numpy() for term in terms], len(frame))
    matrix = (frame["seal"] == "thin").to_numpy(float)[:, None]
    objective = Objective(Graded(frame["grade"].to_numpy() - 1, matrix, crossing, link), None)

    def in_distances(psi):
        distances = np.exp(psi[1:4])
        value, gradient = objective(np.concatenate([psi[0] + np.insert(np.cumsum(distances), 0, 0), psi[4:]]))
        later = np.cumsum(gradient[3::-1])[::-1]
        return value, np.concatenate([later[:1], later[1:] * distances, gradient[4:]])

    found = [
        -optimize.minimize(
            in_distances,
            np.array([-1.0, 0.0, 0.0, 0.0, 0.0, spread, spread, spread]),
            jac=True,
            method="L-BFGS-B",
            options={"ftol": 1e-15, "gtol": 1e-9},
        ).fun
        for spread in (0.2, 1.5)
    ]
    assert fit.converged
    assert max(found) == pytest.approx(fit.loglik, abs=1e-8)


# --- what must not matter --------------------------------------------------------------------------


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 10**6), random=st.sampled_from([[], ["rater"], ["rater", "board"]]))
def test_order_of_rows_does_not_matter(seed, random):
    shuffled = SMALL.sample(frac=1, random_state=seed)
    first, second = (ordinal.fit(frame, "grade", "seal + dwell", random) for frame in (SMALL, shuffled))
    assert second.loglik == pytest.approx(first.loglik, abs=1e-9)
    assert second.coefficients["estimate"].to_numpy() == pytest.approx(first.coefficients["estimate"], abs=1e-7)
    assert second.variances.to_numpy() == pytest.approx(first.variances.to_numpy(), abs=1e-7)


@settings(max_examples=8, deadline=None)
@given(
    names=st.lists(st.text(min_size=1, max_size=6), min_size=5, max_size=5, unique=True),
    link=st.sampled_from(LINKS),
)
def test_names_of_levels_do_not_matter(names, link):
    """Pieces may be called anything; the factor's own first level is kept first."""
    seal = pd.Categorical.from_codes((SMALL["seal"] == "thin").astype(int), [f"a{names[0]}", f"b{names[1]}"])
    renamed = SMALL.assign(seal=seal, board=[names[at] for at in SMALL["board"]])
    first, second = (ordinal.fit(frame, "grade", "seal", ["board"], link=link) for frame in (SMALL, renamed))
    assert second.loglik == pytest.approx(first.loglik, abs=1e-9)
    assert second.coefficients["estimate"].to_numpy() == pytest.approx(first.coefficients["estimate"], abs=1e-7)
    assert set(second.random_effects["piece"]) == set(names)


@settings(max_examples=8, deadline=None)
@given(
    seed=st.integers(0, 50),
    link=st.sampled_from(LINKS),
    random=st.sampled_from([[], ["rater"], ["board", "rater"]]),
)
def test_reversed_scale_flips_signs(seed, link, random):
    frame = made_up_scores(seed, raters=3, boards=6)
    first = ordinal.fit(frame, "grade", "seal + dwell", random, link=link)
    second = ordinal.fit(frame.assign(grade=6 - frame["grade"]), "grade", "seal + dwell", random, link=link)
    assert second.loglik == pytest.approx(first.loglik, abs=1e-9)
    assert second.coefficients["estimate"].to_numpy() == pytest.approx(-first.coefficients["estimate"], abs=1e-6)
    assert second.thresholds["estimate"].to_numpy() == pytest.approx(
        -first.thresholds["estimate"].to_numpy()[::-1], abs=1e-6
    )
    assert second.variances.to_numpy() == pytest.approx(first.variances.to_numpy(), abs=1e-6)


@settings(max_examples=8, deadline=None)
@given(scale=st.floats(1e-6, 1e6), shift=st.floats(-1e3, 1e3))
def test_units_of_a_number_do_not_matter(scale, shift):
    first = ordinal.fit(SMALL, "grade", "seal * dwell", ["rater"])
    second = ordinal.fit(SMALL.assign(dwell=(SMALL["dwell"] + shift) * scale), "grade", "seal * dwell", ["rater"])
    assert second.loglik == pytest.approx(first.loglik, abs=1e-8)
    assert second.coefficients.loc["dwell", "estimate"] * scale == pytest.approx(
        first.coefficients.loc["dwell", "estimate"], rel=1e-5
    )


def test_order_of_random_terms_does_not_matter():
    fits = [
        ordinal.fit(SMALL, "grade", "seal", list(terms))
        for terms in itertools.permutations(["rater", "board", "patch"])
    ]
    for fit in fits[1:]:
        assert fit.variances[fits[0].variances.index].to_numpy() == pytest.approx(
            fits[0].variances.to_numpy(), abs=1e-8
        )
        assert fit.covariance.loc["log sd board", "seal[thin]"] == pytest.approx(
            fits[0].covariance.loc["log sd board", "seal[thin]"], abs=1e-7
        )


@pytest.mark.parametrize("penalty", ["auto", "weak"])
def test_choice_of_first_level_does_not_matter(penalty):
    first = ordinal.fit(SMALL, "grade", "carrier * seal", ["rater"], penalty=penalty)
    turned = SMALL.assign(carrier=pd.Categorical(SMALL["carrier"], ["water", "oil", "spirit"]))
    second = ordinal.fit(turned, "grade", "carrier * seal", ["rater"], penalty=penalty)
    rows = SMALL[["carrier", "seal"]].drop_duplicates()
    assert second.loglik == pytest.approx(first.loglik, abs=1e-8)
    assert second.probabilities(rows).to_numpy() == pytest.approx(first.probabilities(rows).to_numpy(), abs=1e-7)


# --- scales ----------------------------------------------------------------------------------------


def test_half_grades_and_words_fit_alike():
    words = ["poor", "fair", "good", "fine", "best"]
    whole = ordinal.fit(SMALL, "grade", "seal")
    half = ordinal.fit(SMALL.assign(grade=SMALL["grade"] / 2), "grade", "seal")
    text = SMALL.assign(grade=[words[at - 1] for at in SMALL["grade"]])
    named = ordinal.fit(text, "grade", "seal", grades=words)
    ordered = ordinal.fit(text.assign(grade=pd.Categorical(text["grade"], words, ordered=True)), "grade", "seal")
    assert list(half.probabilities(SMALL.head(1)).columns) == [0.5, 1.0, 1.5, 2.0, 2.5]
    assert list(ordered.thresholds.index) == ["poor|fair", "fair|good", "good|fine", "fine|best"]
    for fit in (half, named, ordered):
        assert fit.loglik == pytest.approx(whole.loglik, abs=1e-10)
        assert fit.coefficients["estimate"].item() == pytest.approx(whole.coefficients["estimate"].item(), abs=1e-10)


def test_grades_never_given_are_said_and_kept():
    frame = SMALL[SMALL["grade"] != 3]
    fit = ordinal.fit(frame, "grade", "seal", ["rater"], grades=[1, 2, 3, 4, 5, 6])
    table = fit.probabilities(frame.head(2))
    assert list(table.columns) == [1, 2, 3, 4, 5, 6]
    assert (table[[3, 6]].to_numpy() == 0).all()
    assert table.sum(axis=1).to_numpy() == pytest.approx([1, 1])
    assert "Grades 3 and 6 were never given." in fit.notes
    assert list(fit.thresholds.index) == ["1|2", "2|4", "4|5"]


def test_missing_rows_are_counted():
    frame = SMALL.astype({"grade": float})
    frame.loc[[3, 8], "grade"] = np.nan
    fit = ordinal.fit(frame, "grade", "seal")
    assert "2 rows were left out because a value is missing." in fit.notes
    assert fit.rows.size == len(SMALL) - 2
    assert list(fit.probabilities(SMALL.head(1)).columns) == [1, 2, 3, 4, 5]


# --- trouble ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("random", [[], ["rater"], ["rater", "board", "patch"]])
@pytest.mark.parametrize("link", LINKS)
def test_separation_is_found_and_said(link, random):
    frame = SCORES.assign(grade=np.where(SCORES["seal"] == "thin", 5, SCORES["grade"]))
    fit = ordinal.fit(frame, "grade", "seal + carrier", random, link=link)
    note = next(note for note in fit.notes if "at least" in note)
    assert fit.penalised
    assert fit.converged
    assert note.startswith("The readings set no limit to seal[thin], so a weak penalty was used")
    assert np.isfinite(fit.coefficients.to_numpy()).all()
    assert 3 < fit.coefficients.loc["seal[thin]", "estimate"] < 15
    unpenalised = ordinal.fit(frame, "grade", "seal + carrier", random, link=link, penalty=None)
    assert not unpenalised.converged
    assert not unpenalised.penalised
    assert any("of no use" in note for note in unpenalised.notes)


def test_large_effect_without_separation_is_left_alone():
    frame = pd.DataFrame({"x": [0.0] * 2000 + [1.0] * 2000, "sound": [0] * 1999 + [1] + [0] + [1] * 1999})
    fit = ordinal.fit(frame, "sound", "x")
    assert not fit.penalised
    assert fit.coefficients["estimate"].item() == pytest.approx(2 * np.log(1999), rel=1e-9)


def test_endless_spread_is_found_and_said():
    frame = SMALL.assign(sound=SMALL["board"] > 2)
    fit = ordinal.fit(frame, "sound", "seal", ["board"])
    assert fit.penalised
    assert fit.converged
    assert any(note.startswith("The readings set no limit to the spread of board") for note in fit.notes)


def test_weak_penalty_is_the_prior_it_says():
    """Two levels, sum coding: half the difference has a normal prior of the stated width."""
    frame = pd.DataFrame({"seal": ["none"] * 6 + ["thin"] * 6, "sound": [0, 0, 0, 0, 1, 1, 0, 1, 1, 1, 1, 1]})
    fit = ordinal.fit(frame, "sound", "seal", penalty=ordinal.Penalty(effect=0.8))

    def minus_log_posterior(psi):
        eta = psi[0] + psi[1] * np.where(frame["seal"] == "thin", 1, -1)
        sign = np.where(frame["sound"] == 1, 1, -1)
        return np.log1p(np.exp(-sign * eta)).sum() + 0.5 * (psi[1] / 0.8) ** 2

    found = optimize.minimize(minus_log_posterior, [0.0, 0.0], options={"gtol": 1e-9}, tol=1e-12)
    assert fit.coefficients["estimate"].item() == pytest.approx(2 * found.x[1], abs=1e-5)
    assert "A weak penalty was used (effects about 0.8 logits, spreads up to about 2.5), as asked." in fit.notes


def test_variance_at_zero_is_said_and_can_be_kept_off():
    rng = np.random.default_rng(3)
    frame = SMALL.assign(grade=rng.integers(1, 5, len(SMALL)), lot=np.arange(len(SMALL)) % 9)
    fit = ordinal.fit(frame, "grade", "seal", ["lot", "rater"])
    assert fit.variances["lot"] == 0
    assert "The variance of lot was estimated at zero." in fit.notes
    assert "log sd lot" not in fit.covariance.index
    assert (fit.random_effects.query("term == 'lot'")["mode"] == 0).all()
    held = ordinal.fit(frame, "grade", "seal", ["lot", "rater"], penalty=ordinal.Penalty(keep_positive=True))
    assert (held.variances > 0).all()


def test_single_assessor_is_left_out():
    frame = SMALL[SMALL["rater"] == 0]
    fit = ordinal.fit(frame, "grade", "seal", ["rater", "board"])
    assert list(fit.variances.index) == ["board"]
    assert "There is one rater only, so the random term 'rater' is left out." in fit.notes
    alone = ordinal.fit(frame, "grade", "seal", ["rater"], nodes=9)
    assert alone.loglik == pytest.approx(ordinal.fit(frame, "grade", "seal").loglik, abs=1e-12)


def test_terms_of_the_same_pieces_are_left_out():
    fit = ordinal.fit(
        SMALL.assign(slab=9 - SMALL["board"]), "grade", "seal", ["board", "slab", "board:rater", "rater:board"]
    )
    assert list(fit.variances.index) == ["board", "board:rater"]
    assert "'slab' names the same pieces as 'board', so it is left out." in fit.notes
    single = ordinal.fit(
        SMALL.assign(sound=SMALL["grade"] > 2, reading=range(len(SMALL))), "sound", "seal", ["reading"]
    )
    assert single.variances.empty
    assert any("one row a piece" in note for note in single.notes)


def test_few_assessors_are_mentioned():
    fit = ordinal.fit(SCORES, "grade", "seal", ["rater"])
    assert any("4 pieces of rater" in note and "randomisation test" in note for note in fit.notes)
    assert "4 pieces of rater" in str(fit)


def test_effects_that_cannot_be_told_apart():
    frame = SMALL.assign(coat=SMALL["seal"].map({"none": "a", "thin": "b"}))
    fit = ordinal.fit(frame, "grade", "seal + coat")
    plain = ordinal.fit(SMALL, "grade", "seal")
    assert np.isnan(fit.coefficients.loc["coat[b]", "estimate"])
    assert "coat[b] cannot be told from the other effects in these rows." in fit.notes
    assert fit.loglik == pytest.approx(plain.loglik, abs=1e-12)
    seen, unseen = pd.DataFrame({"seal": ["thin"], "coat": ["b"]}), pd.DataFrame({"seal": ["thin"], "coat": ["a"]})
    assert fit.probabilities(seen).to_numpy() == pytest.approx(plain.probabilities(seen).to_numpy())
    assert fit.probabilities(unseen).isna().all(axis=None)


HOSTILE = {
    "constant": (SMALL.assign(grade=3), "grade", "seal", "all 90 usable rows have grade 3 in 'grade'"),
    "one row": (SMALL.head(1), "grade", "1", "the one row that can be used has grade"),
    "no row": (SMALL.head(0), "grade", "seal", "nothing to fit"),
    "all missing": (SMALL.assign(grade=np.nan), "grade", "seal", "nothing to fit"),
    "one level": (SMALL.assign(seal="thin"), "grade", "seal", "factor 'seal' has one level only"),
    "infinite grade": (
        SMALL.assign(grade=[np.inf, *[1.0, 2.0] * 44, 1.0]),
        "grade",
        "seal",
        "holds an infinite value",
    ),
    "enormous grade": (
        SMALL.assign(grade=[1e300, *[1.0, 2.0] * 44, 1.0]),
        "grade",
        "seal",
        "holds 1e+300, too large to be a grade",
    ),
    "infinite number": (
        SMALL.assign(dwell=[np.inf, *[1.0, 2.0] * 44, 1.0]),
        "grade",
        "dwell",
        "holds an infinite value",
    ),
    "words": (SMALL.assign(grade=["good", "bad"] * 45), "grade", "seal", "no order of its grades is known"),
    "unknown response": (SMALL, "graed", "seal", "write 'grade'"),
    "unknown factor": (SMALL, "grade", "sael", "write 'seal'"),
    "both sides": (SMALL, "grade", "seal + grade", "both sides"),
    "twice": (pd.concat([SMALL, SMALL[["grade"]]], axis=1), "grade", "seal", "two columns named 'grade'"),
    "unreadable": (SMALL, "grade", "seal +", "ends too soon"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_frames_get_one_sentence(name):
    frame, response, fixed, says = HOSTILE[name]
    with pytest.raises(UserError) as caught:
        ordinal.fit(frame, response, fixed, ["rater"])
    assert says in str(caught.value)
    assert len(caught.value.problems) == 1


def test_scale_faults():
    with pytest.raises(UserError, match="holds '5', which is not on the scale"):
        ordinal.fit(SMALL, "grade", "seal", grades=[1, 2, 3, 4])
    with pytest.raises(UserError, match="a grade stands twice"):
        ordinal.fit(SMALL, "grade", "seal", grades=[1, 2, 3, 4, 5, 5])


def test_odd_names():
    frame = SMALL.rename(columns={"seal": "seal [coat]|", "rater": "who?", "grade": "clear / figure"})
    fit = ordinal.fit(frame, "clear / figure", "`seal [coat]|`", ["`who?`"])
    plain = ordinal.fit(SMALL, "grade", "seal", ["rater"])
    assert list(fit.coefficients.index) == ["seal [coat]|[thin]"]
    assert fit.loglik == pytest.approx(plain.loglik, abs=1e-12)


def test_new_rows_must_be_known():
    fit = ordinal.fit(SMALL, "grade", "seal + dwell")
    with pytest.raises(UserError, match="no level 'thik'"):
        fit.probabilities(pd.DataFrame({"seal": ["thik"], "dwell": [4]}))
    with pytest.raises(UserError, match="no column 'dwell'"):
        fit.probabilities(pd.DataFrame({"seal": ["thin"]}))
    assert fit.probabilities(pd.DataFrame({"seal": ["thin"], "dwell": [np.nan]})).isna().all(axis=None)


def test_quadrature_needs_one_term():
    with pytest.raises(UserError, match="need exactly one random term, and there are 2"):
        ordinal.fit(SMALL, "grade", "seal", ["rater", "board"], nodes=10)
    with pytest.raises(UserError, match="and there are 0"):
        ordinal.fit(SMALL, "grade", "seal", nodes=10)


@pytest.mark.parametrize("option", [{"link": "loglog"}, {"nodes": 0}, {"penalty": "strong"}, {"level": 95}])
def test_programmers_mistakes(option):
    with pytest.raises(ValueError, match="must"):
        ordinal.fit(SMALL, "grade", "seal", ["rater"], **option)


def test_frame_must_be_a_frame():
    with pytest.raises(TypeError, match="DataFrame"):
        ordinal.fit({"grade": [1, 2]}, "grade", "1")


def test_interval_level():
    fit = ordinal.fit(SMALL, "grade", "seal", level=0.9).coefficients.iloc[0]
    assert fit["upper"] - fit["lower"] == pytest.approx(2 * stats.norm.ppf(0.95) * fit["se"])


# --- comparing -------------------------------------------------------------------------------------


def test_comparison_of_several_variances_weighs_degrees_of_freedom():
    smaller = ordinal.fit(SCORES, "grade", "1", ["patch"])
    larger = ordinal.fit(SCORES, "grade", "seal", ["board", "patch", "rater"])
    found = ordinal.compare(smaller, larger)
    tails = stats.chi2.sf(found.statistic, [1, 2, 3])
    assert found.df == 3
    assert found.p == pytest.approx(tails @ [0.25, 0.5, 0.25])
    assert "weighs" in found.note


SEPARATED = SMALL.assign(grade=np.where(SMALL["seal"] == "thin", 5, SMALL["grade"]))


@pytest.mark.parametrize(
    ("smaller", "larger", "says"),
    [
        ({"fixed": "seal"}, {"fixed": "dwell"}, "no part of the larger"),
        ({"random": ["rater"]}, {"random": ["board"]}, "no part of the larger"),
        ({"fixed": "seal"}, {"fixed": "seal"}, "same model"),
        ({"frame": SMALL.head(80)}, {"fixed": "seal * dwell"}, "fitted to 80 rows and the larger to 90"),
        ({"frame": SMALL.assign(grade=6 - SMALL["grade"])}, {"fixed": "seal * dwell"}, "different readings"),
        ({"link": "probit"}, {"fixed": "seal * dwell"}, "one model has link 'probit'"),
        ({"random": ["rater"], "nodes": 5}, {"fixed": "seal * dwell", "random": ["rater"]}, "one model has 5 nodes"),
        ({"frame": SEPARATED, "fixed": "1"}, {"frame": SEPARATED}, "fitted with a penalty"),
        ({"frame": SEPARATED, "fixed": "1"}, {"frame": SEPARATED, "penalty": None}, "has not converged"),
    ],
)
def test_comparisons_that_are_refused(smaller, larger, says):
    plain = {"frame": SMALL, "response": "grade", "fixed": "seal"}
    with pytest.raises(UserError, match=says):
        ordinal.compare(ordinal.fit(**plain | smaller), ordinal.fit(**plain | larger))


def test_same_space_in_other_words_is_nested():
    """Dwell as a number is part of dwell as a factor."""
    frame = SMALL.assign(dwell=np.arange(len(SMALL)) % 3 * 5.0)
    frame["step"] = frame["dwell"].astype(str)
    found = ordinal.compare(ordinal.fit(frame, "grade", "dwell"), ordinal.fit(frame, "grade", "step"))
    assert found.df == 1
