"""Everything a trial answers beside its questions: the whole of it on made trials, and what the command shows."""

import json
import math
import shutil
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from analysis import answers, decide, follow_up, one_out, three_ways
from tests.conftest import EXAMPLE
from tests.trials_made import Pieces, laid_out_as, trial_of
from trials import folder as folders
from trials.piece import Piece
from trials.plan import digest_of, read_plan

MORE = """
[analysis]
grades = "ordered"
"""

LAPS = """
[trial]
title = "Lap boards in quartersawn sycamore"
[boards]
count = 6
lots = 1
lanes = 1
strips = 6
length = "600 mm"
width = "150 mm"
[[factor]]
name = "carrier"
levels = ["water", "alcohol"]
laid_on = "board"
[[factor]]
name = "return_time"
levels = ["60 s", "120 s", "240 s", "480 s", "960 s", "24 h"]
laid_on = "strip"
[[response]]
name = "lap_step"
kind = "measure"
unit = "L*"
aim = "less"
[[response]]
name = "lap_visibility"
kind = "grade"
half_grades = true
"""


def with_more(place: Path) -> Path:
    """Copy the example as if its plan had said from the beginning how grades count."""
    shutil.copytree(EXAMPLE, place)
    plan = place / "trial.toml"
    plan.write_text(plan.read_text(encoding="utf-8") + MORE, encoding="utf-8")
    package = place / "datapackage.json"
    values = json.loads(package.read_bytes())
    values["splitboard:plan"]["grades"] = "ordered"
    values["splitboard:planDigest"] = digest_of(values["splitboard:plan"])
    for key in ("splitboard:seal", "splitboard:noticed"):
        values.pop(key, None)
    package.write_text(json.dumps(values), encoding="utf-8")
    return place


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    return folders.load(with_more(tmp_path_factory.mktemp("answers") / "trial"))


@pytest.fixture(scope="module")
def found(whole):
    return answers.answers(whole, decide.decide(whole))


def test_everything_is_answered_in_words(found):
    (seal, dwell) = found.worth
    assert (seal.factor, seal.second) == ("seal_coat", "shellac 1 lb cut")
    assert seal.cost is not None
    assert dwell.cost is None
    assert found.laps is None
    assert found.dark.target == 40
    assert [one.carrier for one in found.dark.loads] == ["water", "alcohol", "oil"]
    assert [one.carrier for one in found.strength.carriers] == ["alcohol", "oil"]
    assert found.schedules.ranking.best is not None
    assert len(found.schedules.priced.table) == 5
    assert len(found.ways) == 3
    assert found.next.count == 4


def test_what_was_written_afterwards_is_said_so(found, whole):
    """It was laid out with its brief, and with the choice of how grades count."""
    assert found.exploratory == ("laps", "strength")
    assert not found.ways_later
    plan = whole.record.plan | {"brief": ["darkness at most 45"], "grades": "averages"}
    before = replace(whole, record=replace(whole.record, plan=plan))
    again = answers.answers(before, decide.decide(before))
    assert again.exploratory == ("laps", "dark", "schedules", "strength")
    assert [(one.before, one.now) for one in again.ways_later] == [("averages", "ordered")]
    assert again.decision.findings == decide.decide(before).findings  # the averages, chosen beforehand, stand


def test_the_plan_chooses_how_grades_count(found, whole):
    """Under ``ordered`` an answer on grades has the ordered model's numbers, one on measurements its own."""
    plain = decide.decide(whole)
    for question, finding, before in zip(whole.plan.questions, found.decision.findings, plain.findings, strict=True):
        if question.response == "darkness":
            assert replace(finding, p_all=before.p_all) == before
            continue
        way = next(one for one in found.ways if one.question == question)
        assert way.led.name == "ordered"
        assert finding.leading.difference == way.ordered.estimate
        assert finding.p_all == pytest.approx(way.ordered.p_all)
        assert "as ordered words" in finding.sentence
        assert before.leading.difference == way.averages.estimate
        assert finding.verdict == decide.judge(finding.leading, question.worth)


def test_every_command_counts_grades_alike(whole, found, run):
    """What is analysed, decided and reported says one thing, and without an assessor like is set beside like."""
    assert three_ways.decided(whole).findings == found.decision.findings
    (sentence,) = {one.sentence for one in found.decision.findings if one.factor == "glaze_dwell"}
    assert sentence in run("analyse", whole.folder.path).out
    plain = decide.decide(whole)
    for one in one_out.one_out(whole, found.decision):
        same = [it for it in plain.findings if (it.factor, it.response) == (one.before.factor, one.before.response)]
        assert one.before.leading == same[0].leading


def test_a_choice_that_cannot_be_had_is_said(whole):
    """Carrier lies on boards of two lots: dealt afresh it has arrangements enough, but no interval in grades."""
    question = replace(whole.plan.questions[0], factor="carrier", between=())
    trial = laid_out_as(whole, grades="rerandomised", questions=(question,))
    found = answers.answers(trial, decide.decide(trial))
    (finding,) = found.decision.findings
    assert "Counted by re-randomisation, as the plan wants, it cannot be had: " in finding.sentence


def test_holm_over_the_questions_asked_beforehand(found, whole):
    """p-values of three questions by hand: sorted, times 3, 2, 1, never falling (Holm 1979)."""
    plain = decide.decide(whole)
    ranked = sorted(plain.findings, key=lambda one: one.p)
    highest = 0.0
    for at, one in enumerate(ranked):
        highest = max(highest, min(1.0, one.p * (len(ranked) - at)))
        assert one.p_all == pytest.approx(highest)
    said = "Counting that 4 questions were asked (p by Holm), clear of chance are seal coat"
    assert decide.together_words(plain, whole.plan).startswith(said)
    assert all(math.isnan(one.p_all) for one in plain.also_seen)


def test_one_question_needs_no_holm(whole):
    alone = laid_out_as(whole, questions=whole.plan.questions[:1])
    decision = decide.decide(alone)
    assert decision.findings[0].p_all == decision.findings[0].p
    assert decide.together_words(decision, alone.plan) == ""


def test_a_later_question_has_no_share_in_holm(whole):
    later = replace(whole.plan.questions[0], worth=0.25)
    trial = replace(whole, plan=replace(whole.plan, questions=(*whole.plan.questions, later)))
    decision = decide.decide(trial)
    assert not decision.findings[-1].asked
    assert math.isnan(decision.findings[-1].p_all)
    assert decision.findings[0].p_all == decide.decide(whole).findings[0].p_all


# --- what next -------------------------------------------------------------------------------------


def test_the_boards_proposed_are_those_that_are_laid_out(whole, found, run, tmp_path):
    shutil.copytree(whole.folder.path, tmp_path / "trial")
    outcome = run("plan", tmp_path / "trial", "--add", found.next.count, "--seed", found.next.seed)
    assert outcome.status == 0
    laid = folders.load(tmp_path / "trial").patches
    added = laid[laid["board"] > 12].reset_index(drop=True)
    proposed = found.next.boards.layout.patches.reset_index(drop=True)
    columns = ["patch", "board", "lane", "strip", *(factor.name for factor in whole.plan.factors)]
    pd.testing.assert_frame_equal(
        added[columns].astype(str).replace("nan", ""), proposed[columns].astype(str).replace("nan", "")
    )


def test_nothing_is_proposed_where_all_is_settled(whole):
    settled = tuple(one for one in whole.plan.questions if one.response == "figure_clarity" and not one.between)
    trial = replace(whole, plan=replace(whole.plan, questions=settled, brief=()))
    found = answers.answers(trial, decide.decide(trial))
    assert found.next.boards is None
    assert "Every question is settled" in found.next.sentence


def test_an_open_brief_is_what_boards_are_for_once_the_questions_are_settled(whole):
    settled = tuple(one for one in whole.plan.questions if one.response == "figure_clarity" and not one.between)
    trial = replace(whole, plan=replace(whole.plan, questions=settled))
    assert not follow_up.is_settled(trial, decide.decide(trial))
    found = answers.answers(trial, decide.decide(trial))
    assert "tell apart the schedules that may meet the brief" in found.next.sentence
    bare = replace(whole, plan=replace(whole.plan, questions=(), brief=()))
    assert "the plan asks no question" in answers.answers(bare, decide.decide(bare)).next.sentence


# --- laps ------------------------------------------------------------------------------------------


def lap_trial(tmp_path, more="", step_of=None):
    """Six boards: with water laps show from about 10 minutes, with alcohol from about 3; steps measured too."""
    pieces = []
    waits = {"60 s": 1, "120 s": 2, "240 s": 4, "480 s": 8, "960 s": 16, "24 h": 1440}

    def value(at, draw):
        if not pieces:
            pieces.append(Pieces(draw, board=0.3, patch=0.5))
        middle = {"water": 10.0, "alcohol": 3.0}[at["carrier"]]
        if at["response"] == "lap_step":
            middle = (step_of or {}).get(at["carrier"], middle)
        place = 2.0 * (math.log(waits[at["return_time"]]) - math.log(middle)) + pieces[0].shift(at)
        share = 1 / (1 + math.exp(-place))
        if at["response"] == "lap_step":
            return 6 * share + draw.gauss(0, 0.2)
        return min(5, max(1, round(2 * (1 + 4 * share) - draw.gauss(0, 0.3)) / 2))

    return trial_of(tmp_path / "laps", LAPS + more, value)


def test_laps_are_held_to_the_real_piece(tmp_path):
    trial = lap_trial(tmp_path, '\n[piece]\nname = "counter"\narea = "2 m^2"\nrate = "0.5 m^2/min"\n')
    found = answers.answers(trial, decide.decide(trial))
    assert [one.response for one in found.laps.windows] == ["lap_visibility", "lap_step"]
    assert found.laps.against.piece_s == pytest.approx(240)
    waits = {wait.carrier: wait.minutes for wait in found.laps.windows[0].waits}
    assert waits["water"] > waits["alcohol"]
    assert "they agree" in found.laps.agreement
    assert "water" in found.laps.agreement


def test_graded_and_measured_laps_that_disagree(tmp_path):
    trial = lap_trial(tmp_path, step_of={"water": 2.0, "alcohol": 12.0})
    found = answers.answers(trial, decide.decide(trial))
    assert found.laps.against is None
    assert found.laps.agreement.startswith("They disagree: by lap visibility the edge may wait longest with water")


def test_a_piece_beside_a_trial_without_return_times_is_not_passed_over(whole):
    piece = Piece("counter", 480.0, 240.0)
    found = answers.answers(replace(whole, plan=replace(whole.plan, piece=piece)), decide.decide(whole))
    assert found.laps.against.answers == ()
    assert "cannot be told: no factor of this trial is a return time" in found.laps.against.sentence


# --- the command -----------------------------------------------------------------------------------


def test_decide_shows_it_all(whole, run):
    outcome = run("decide", whole.folder.path)
    assert outcome.status == 0
    for heading in ("What you asked:", "Is seal coat shellac 1 lb cut worth it?", "Which load is dark enough?",
                    "How much dye does each carrier need?", "Which schedule meets the brief?",
                    "Grades, counted three ways:", "What next?", "Also seen (exploratory"):  # fmt: skip
        assert heading in outcome.out, heading
    assert "Counting that 4 questions were asked (p by Holm)" in outcome.out
    assert "42 euro" in outcome.out
    assert "splitboard plan --add 4 --seed" in outcome.out
    assert "Before the piece, make one more board to confirm the choice: carrier water" in outcome.out


def test_decide_for_machines(whole, found, run):
    data = json.loads(run("decide", whole.folder.path, "--json").out)["data"]
    assert data["worth"][0]["gains"][0]["chance"] == pytest.approx(found.worth[0].gains[0].chance)
    assert data["worth"][0]["cost"]["total"] == pytest.approx(found.worth[0].cost.total)
    assert len(data["schedules"]["ranking"]) == 36
    assert data["schedules"]["asked_beforehand"] is True
    assert data["three_ways"][0]["leading"] == "ordered"
    assert len(data["next"]["patches"]) == 32
    assert data["findings"][0]["p_all"] == pytest.approx(found.decision.findings[0].p_all)


def test_a_brief_on_what_was_not_read_is_said(whole, run, tmp_path):
    place = with_more(tmp_path / "trial")
    plan = place / "trial.toml"
    gloss = '\n[[response]]\nname = "gloss"\nkind = "measure"\nunit = "GU"\naim = "more"\n'
    plan.write_text(
        plan.read_text(encoding="utf-8").replace('"figure_clarity at least 3"', '"gloss at least 3"') + gloss,
        encoding="utf-8",
    )
    assert read_plan(place).brief[1] == "gloss at least 3"
    outcome = run("decide", place)
    assert outcome.status == 0
    assert "Which schedule meets the brief cannot be told: the brief asks for gloss" in outcome.out


def test_no_boards_are_proposed_where_more_would_hardly_settle_it(monkeypatch):
    trial = folders.load(EXAMPLE)
    decision = three_ways.decided(trial)
    assert not follow_up.out_of_reach(decision), "some of what is open can be settled"
    monkeypatch.setattr(follow_up, "boards_to_settle", lambda *_: None)
    monkeypatch.setattr(follow_up, "lay_out_more", lambda *_: pytest.fail("boards are proposed all the same"))
    (still,) = {one.factor for one in follow_up.out_of_reach(decision)}
    assert still == "glaze_dwell"
    found = answers._next(trial, decision)
    assert found.boards is None
    assert "would hardly settle it. None are proposed." in found.sentence


def test_what_more_boards_do_for_an_open_question_is_said_once_and_agrees():
    """The number in the finding's sentence, in the proposal's and in the fact are one."""
    trial = folders.load(EXAMPLE)
    decision = three_ways.decided(trial)
    proposed = answers._next(trial, decision)
    (chance,) = proposed.boards.chances
    assert (chance.factor, chance.response, chance.boards) == ("glaze_dwell", "figure_clarity", answers.HANDFUL)
    assert chance.now < chance.then
    assert 0 < chance.then_se < 0.04
    (still,) = (one for one in decision.findings if one.verdict == decide.TOO_CLOSE)
    assert f"about {chance.settle} more boards" in still.sentence
    assert f"about {chance.settle} more may settle it" in proposed.sentence
    assert f"from {100 * chance.now:.0f} to {100 * chance.then:.0f} of 100" in proposed.sentence


def test_a_wait_without_a_lower_limit_is_open(tmp_path):
    """The questions may be settled: while it is not known how long the edge may wait, boards are still needed."""
    trial = lap_trial(tmp_path, '\n[piece]\nname = "counter"\narea = "2 m^2"\nrate = "0.5 m^2/min"\n')
    laps = answers.answers(trial, decide.decide(trial)).laps
    first = laps.windows[0]
    clear = replace(laps, windows=(replace(first, waits=tuple(replace(one, lower=1.0) for one in first.waits)),),
                    against=None)  # fmt: skip
    assert answers.open_waits(clear) == ()
    for lower in (0.0, math.nan):
        (water, *rest) = clear.windows[0].waits
        bare = replace(clear, windows=(replace(first, waits=(replace(water, lower=lower), *rest)),))
        assert answers.open_waits(bare) == (water.carrier,)
    fits = replace(laps.against.answers[0], verdict="may not fit")
    held = replace(clear, against=replace(laps.against, answers=(fits,)))
    assert answers.open_waits(held) == (fits.carrier,)


def test_an_open_wait_stands_where_all_else_is_settled(whole, found, monkeypatch):
    monkeypatch.setattr(follow_up, "is_settled", lambda *_: True)
    monkeypatch.setattr(answers, "open_waits", lambda _: ("water",))
    said = answers._next(whole, found.decision, None).sentence
    assert said.startswith("Still open: how long the edge may wait with water.")
