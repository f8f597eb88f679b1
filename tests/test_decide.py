"""Verdicts: the interval against the stated worth, said in plain words; what cannot be told is said."""

import json
import math
import random
from dataclasses import replace

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import stdtrit

from analysis import decide, follow_up
from analysis.decide import CANNOT_BE_TOLD, NOT_WORTH_IT, TOO_CLOSE, WORTH_IT, Comparison
from tests.conftest import EXAMPLE, SMALL
from tests.trials_made import Pieces, read, trial_of, unread
from trials import folder, structure
from trials.design import Layout
from trials.foretell import foretell
from trials.plan import Response
from trials.selection.aliases import same_as


def comparison(gain: float, lower: float, upper: float) -> Comparison:
    return Comparison("a", "b", gain, lower, upper, gain, lower, upper, 0.1, 9, 0.5)


@pytest.mark.parametrize(
    ("interval", "verdict"),
    [
        ((0.5, 1.0), WORTH_IT),
        ((0.49, 1.0), TOO_CLOSE),
        ((-0.2, 0.5), TOO_CLOSE),
        ((-0.2, 0.49), NOT_WORTH_IT),
        ((-1.0, -0.6), NOT_WORTH_IT),
        ((math.nan, math.nan), CANNOT_BE_TOLD),
    ],
)
def test_verdicts(interval, verdict):
    assert decide.judge(comparison(sum(interval) / 2, *interval), 0.5) == verdict


@given(st.floats(-5, 5), st.floats(0.01, 3), st.floats(0.1, 3))
def test_turning_a_comparison_twice_gives_it_back(gain, half, worth):
    one = comparison(gain, gain - half, gain + half)
    assert one.turned().turned() == one
    assert one.turned().gain_lower == -one.gain_upper
    assert decide.judge(one, worth) in (WORTH_IT, NOT_WORTH_IT, TOO_CLOSE)


def test_interval_words():
    grade = Response("g", "grade", 5, False, "", 1, 5, "more", None, ("topcoated",), ())
    assert decide.interval_words(grade, 0.2, 1.0) == "0.20 to 1.00 higher"
    assert decide.interval_words(grade, -1.0, -0.2) == "0.20 to 1.00 lower"
    assert decide.interval_words(grade, -0.4, 2.0) == "0.4 lower to 2.0 higher"
    lightness = replace(grade, kind="measure", unit="L*")
    assert decide.interval_words(lightness, -12.7, -3.0) == "3.0 to 12.7 darker"


# --- the example against the truth its results were made from --------------------------------------


@pytest.fixture(scope="module")
def example() -> decide.Decision:
    return decide.decide(folder.load(EXAMPLE))


def test_the_examples_answers_hold_the_truth(example):
    """The truth behind the invented results lies inside every interval of the asked questions."""
    truth = json.loads((EXAMPLE / "truth.json").read_text(encoding="utf-8"))["questions"]
    compared = 0
    for finding in example.findings:
        for one in finding.comparisons:
            for known in truth:
                if (known["factor"], known["response"]) == (finding.factor, finding.response):
                    sign = {(known["first"], known["second"]): 1, (known["second"], known["first"]): -1}
                    if (one.first, one.second) in sign:
                        assert one.lower <= sign[one.first, one.second] * known["difference"] <= one.upper
                        compared += 1
    assert compared == len(truth) == 6


def test_the_examples_verdicts(example):
    assert [finding.verdict for finding in example.findings] == [WORTH_IT, NOT_WORTH_IT, WORTH_IT, TOO_CLOSE]
    assert all(finding.asked for finding in example.findings)
    assert "depends on carrier" in example.findings[1].depends[0]  # true in the simulation
    assert len(example.also_seen) == 12 - 4
    assert not any(finding.asked for finding in example.also_seen)


def test_sentences_say_estimate_interval_worth_and_verdict(example):
    for finding in example.findings:
        assert "95% interval" in finding.sentence
        assert f"You said {finding.worth:g}" in finding.sentence
        assert finding.verdict in finding.sentence
        assert finding.sentence.endswith(".")
    assert "about" in example.findings[3].sentence
    assert "more boards" in example.findings[3].sentence


def test_three_levels_hold_together(example):
    carrier = example.findings[2]
    assert "The other pairs: water instead of alcohol too close to call; alcohol instead of oil" in carrier.sentence
    assert len(carrier.comparisons) == 3
    assert carrier.level == pytest.approx(1 - 0.05 / 3)
    assert "holding for all 3 pairs at once" in carrier.sentence


def test_a_later_look_is_decided_at_99_per_cent(tmp_path):
    """The same readings, once as a first look and once after boards were added."""
    trial = trial_of(tmp_path, SMALL, values({"shellac": 1.0}))
    once = decide.decide(trial)
    again = decide.decide(replace(trial, plan=replace(trial.plan, added=(2,))))
    for first, later in zip((*once.findings, *once.also_seen), (*again.findings, *again.also_seen), strict=True):
        assert (first.together, later.together) == pytest.approx((0.95, 0.99))
        assert "95% interval" in first.sentence
        assert "99% interval" in later.sentence
        assert "95%" not in later.sentence
        one, two = first.leading, later.leading
        assert (one.difference, one.se, one.p) == pytest.approx((two.difference, two.se, two.p))
        if two.upper - two.lower < 8:  # not cut at the ends of the scale
            wider = stdtrit(one.df, 0.995) / stdtrit(one.df, 0.975)
            assert two.upper - two.lower == pytest.approx((one.upper - one.lower) * wider)
    found = again.analyses[0]
    means = found.means("seal_coat")
    reach = (means["upper"] - means["mean"]).to_numpy()
    assert reach == pytest.approx((stdtrit(means["df"], 0.995) * means["se"]).to_numpy())
    (note,) = (line for line in found.notes if "added later" in line)
    assert note.endswith("so intervals are now 99% ones, not 95% ones.")


def test_what_would_settle_it_counts_with_the_level_of_the_next_look(tmp_path):
    """Added boards are judged at 99 %, with more degrees of freedom: worked out here for one gain by hand."""
    trial = trial_of(tmp_path, SMALL, values({}))
    analysis = decide.decide(trial).analyses[0]
    half = 0.5
    one = Comparison("none", "shellac", 0.7, 0.2, 1.2, 0.7, 0.7 - half, 0.7 + half, half / stdtrit(6, 0.975), 6, 0.1)
    more = decide.boards_to_settle(analysis, one, 0.4, 0.95)
    boards = trial.plan.boards.count

    def reach(times):
        return half * stdtrit(6 * times, 0.995) / stdtrit(6, 0.975) / math.sqrt(times)

    assert reach((boards + more) / boards) <= 0.3 < reach((boards + more - 2) / boards)
    assert decide.boards_to_settle(analysis, one, 0.699, 0.95) is None


def test_a_question_that_cannot_be_told_counts_as_one_with_p_1():
    """By hand (Holm, 1979): 3 x 0.01 and 2 x 0.03, the third being one that cannot be told; a later one has none."""
    told = [
        decide.Finding("a", "y", asked, 1.0, TOO_CLOSE, "", None, (), 0.95, p=p)
        for p, asked in ((0.03, True), (math.nan, True), (0.01, True), (0.001, False))
    ]
    found = [one.p_all for one in decide.over_all_asked(told)]
    assert found == pytest.approx([0.06, math.nan, 0.03, math.nan], nan_ok=True)


def test_simulate_gives_the_committed_results(tmp_path):
    """The script in the example folder makes the files that lie beside it, to the letter."""
    import importlib.util

    spec = importlib.util.spec_from_file_location("simulate", EXAMPLE / "simulate.py")
    assert spec is not None
    assert spec.loader is not None
    simulate = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(simulate)
    (tmp_path / "trial.toml").write_bytes((EXAMPLE / "trial.toml").read_bytes())
    simulate.HERE = tmp_path
    simulate.main()
    for path in sorted([*(EXAMPLE / "results").glob("*.csv"), EXAMPLE / "truth.json"]):
        made = tmp_path / path.relative_to(EXAMPLE)
        assert made.read_bytes() == path.read_bytes()


# --- other trials ----------------------------------------------------------------------------------


def values(up: dict[str, float], spread: float = 0.2, base: float = 3.0, seed: int = 4):
    pieces = Pieces(random.Random(seed), board=spread, lane=spread, strip=spread, patch=spread)

    def value(patch, draw):
        return (
            base
            + sum(up.get(patch[name], 0) for name in ("carrier", "seal_coat", "glaze_dwell"))
            + pieces.shift(patch)
        )

    return value


def test_a_question_added_after_the_layout_is_not_asked_beforehand(tmp_path):
    trial = trial_of(tmp_path, SMALL, values({"shellac": 1.0}))
    later = replace(trial.plan.questions[0], worth=0.1)
    trial = replace(trial, plan=replace(trial.plan, questions=(trial.plan.questions[0], later)))
    assert [finding.asked for finding in decide.decide(trial).findings] == [True, False]


def test_one_board_a_carrier_cannot_be_told(tmp_path):
    text = SMALL.replace("count = 4", "count = 2").replace('factor = "seal_coat"', 'factor = "carrier"')
    finding = decide.decide(trial_of(tmp_path, text, values({}))).findings[0]
    assert finding.verdict == CANNOT_BE_TOLD
    assert finding.leading is None
    assert "carrier and board cannot be told apart" in finding.sentence


def test_an_unread_response_cannot_be_told(tmp_path):
    inner = values({})
    trial = trial_of(
        tmp_path, SMALL, lambda patch, draw: None if patch["response"] == "figure_clarity" else inner(patch, draw)
    )
    finding = decide.decide(trial).findings[0]
    assert finding.verdict == CANNOT_BE_TOLD
    assert "nothing is recorded of figure clarity yet" in finding.sentence


@pytest.mark.parametrize(
    ("aim", "up", "verdict"),
    [
        ('"more"', 2.0, WORTH_IT),
        ('"less"', 2.0, NOT_WORTH_IT),
        ('"less"', -2.0, WORTH_IT),
        ("5", 2.0, WORTH_IT),  # from 3 to 5: two grades closer to the target
        ("1", 2.0, NOT_WORTH_IT),  # away from it
        ("4", 2.0, NOT_WORTH_IT),  # from one below to one above: no closer
    ],
)
def test_aims(tmp_path, aim, up, verdict):
    text = (
        SMALL.replace("count = 4", "count = 8")
        .replace('aim = "more"', f"aim = {aim}")
        .replace("figure_clarity", "fleck")
    )
    finding = decide.decide(trial_of(tmp_path, text, values({"shellac": up}, spread=0.05))).findings[0]
    assert finding.verdict == verdict
    assert finding.leading.difference == pytest.approx(up, abs=0.15)


def test_an_interval_stays_on_the_scale(tmp_path):
    """Two shares differ by 1 at most, so the interval of their difference ends there."""
    text = SMALL.replace('kind = "grade"\naim = "more"', 'kind = "yes_no"\naim = "more"')
    trial = trial_of(tmp_path, text, lambda patch, draw: float(draw.random() < 0.5))
    decision = decide.decide(trial)
    found = [one for one in (*decision.findings, *decision.also_seen) if one.response == "figure_clarity"]
    assert len(found) == 3
    for finding in found:
        assert finding.comparisons
        assert all(-1 <= one.lower <= one.upper <= 1 for one in finding.comparisons)


def test_readings_without_any_scatter_give_no_verdict(tmp_path):
    """Coarse grades can come out alike on every board; that is no interval of no width."""
    trial = trial_of(tmp_path, SMALL, lambda patch, draw: 4.0 if patch["seal_coat"] == "shellac" else 3.0)
    finding = decide.decide(trial).findings[0]
    assert finding.verdict == CANNOT_BE_TOLD
    assert "cannot be told" in finding.sentence


def test_an_enormous_interval_is_too_few_boards_not_too_close(tmp_path):
    near, far = comparison(0.45, -0.55, 1.45), comparison(-3.0, -24.0, 18.0)
    analysis = decide.decide(trial_of(tmp_path, SMALL, values({}))).analyses[0]
    said = [decide._verdict_words(analysis, one, 0.5, TOO_CLOSE, 0.95) for one in (near, far)]
    assert said[0].endswith("it lies so close to that mark that more boards would hardly settle it")
    assert said[1].endswith("4 boards like these are far too few to tell")


def test_naming_a_pair_turns_the_comparison(tmp_path):
    text = SMALL.replace("worth = 0.5", 'worth = 0.5\nbetween = ["shellac", "none"]')
    finding = decide.decide(trial_of(tmp_path, text, values({"shellac": 1.0}))).findings[0]
    assert (finding.leading.first, finding.leading.second) == ("shellac", "none")
    assert finding.verdict == NOT_WORTH_IT
    assert "it is the worse of the two" in finding.sentence


@pytest.mark.slow
def test_intervals_hold_the_truth_as_often_as_they_say(tmp_path):
    """The 95 % interval of a lane difference covers the truth in 95 % of simulated trials (binomial bounds)."""
    layouts = [unread(tmp_path / str(seed), SMALL, seed) for seed in range(6)]
    covered = 0
    number = 120
    for seed in range(number):
        trial = read(layouts[seed % 6], values({"shellac": 0.7}, spread=0.3, seed=seed), seed)
        (finding,) = decide.decide(trial).findings
        covered += finding.leading.lower <= 0.7 <= finding.leading.upper
    # Binomial(120, 0.95): P(below 106) and P(all 120) are under 0.3 %
    assert 106 <= covered < 120


FRACTION = """
[boards]
count = {count}
lanes = {lanes}
length = "600 mm"
width = "200 mm"
{factors}
[[response]]
name = "clarity"
kind = "measure"
unit = "L*"
aim = "more"
[[question]]
factor = "{asked}"
response = "clarity"
worth = 2
"""


def fraction(count: int, lanes: int, names: str, asked: str) -> str:
    """Return a plan of two-level factors on boards that do not hold the full set."""
    factors = "".join(f'[[factor]]\nname = "{name}"\nlevels = ["v1", "v2"]\nlaid_on = "board"\n' for name in names)
    return FRACTION.format(count=count, lanes=lanes, factors=factors, asked=asked)


def sign(patch, *names: str) -> int:
    return math.prod(1 if patch[name] == "v2" else -1 for name in names)


def test_an_answer_that_is_one_and_the_same_as_an_interaction_says_so(tmp_path):
    """Five factors on eight boards: what looks like the last one's is an interaction's; more boards part them."""
    plain = unread(tmp_path / "aliased", fraction(8, 2, "abcde", "e"))
    told = structure.of_layout(plain.plan, plain.patches)
    same = same_as(plain.plan, told, plain.patches, "e")
    first, second = same.pairs[0]
    # by hand: the effect of one differs by 4 between the levels of the other where its product with it counts 1
    assert same.moved == pytest.approx(0.5)
    foretold = foretell(plain.plan, Layout(plain.patches, 1, ())).questions[0].words
    words = f"It may as well be that the effect of {first} depends on {second}"
    assert words in foretold
    trial = read(plain, lambda patch, draw: 50 + 4 * sign(patch, first, second) + draw.gauss(0, 0.4))
    decision = decide.decide(trial)
    finding = decision.findings[0]
    assert abs(finding.leading.difference) == pytest.approx(8, abs=1)
    assert words in finding.sentence
    assert "moves this difference by up to 0.5 L*" in finding.sentence
    assert not follow_up.is_settled(trial, decision)
    more = follow_up.lay_out_more(trial, decision, 4, 1, "2026-01-15")
    assert f"They part e from {first} × {second}" in more.words
    patches = pd.concat([trial.patches, more.layout.patches], ignore_index=True)
    longer = read(
        replace(plain, plan=more.plan, patches=patches),
        lambda patch, draw: 50 + 4 * sign(patch, first, second) + draw.gauss(0, 0.4),
    )
    after = decide.decide(longer).findings[0]
    assert abs(after.leading.difference) < 1
    assert words not in after.sentence


def test_boards_that_scatter_too_much_name_an_interaction(tmp_path):
    plain = unread(tmp_path / "array", fraction(12, 1, "abcdef", "f"))
    trial = read(plain, lambda patch, draw: 50 + 5 * sign(patch, "a", "b") + draw.gauss(0, 1))
    assert "an interaction that is not in the model may be the cause, such as a × b" in (
        decide.decide(trial).findings[0].sentence
    )
    calm = read(plain, lambda patch, draw: 50 + draw.gauss(0, 2))
    assert "not in the model" not in decide.decide(calm).findings[0].sentence
