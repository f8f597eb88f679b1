"""Enough, weak or hopeless: the grade of a plan by its weakest question, and how many boards would be enough."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from analysis import enough, foresee, precision, priors
from analysis.outlook_page import Outlook
from tests.conftest import SMALL
from trials.design import lay_out
from trials.plan import read_plan

ONE_PLANK = """\
[trial]
title = "One plank"
[boards]
count = 4
length = "400 mm"
width = "150 mm"
lanes = 2
[[factor]]
name = "seal_coat"
levels = ["none", "shellac 1 lb cut"]
laid_on = "lane"
[[response]]
name = "figure_clarity"
kind = "grade"
aim = "more"
[[question]]
factor = "seal_coat"
response = "figure_clarity"
worth = 0.5
[scoring]
assessors = ["K"]
"""


def grade_of(place, text):
    (place / "trial.toml").write_text(text, encoding="utf-8")
    plan = read_plan(place)
    known, lacking = priors.for_plan(plan, place)
    _, seen = foresee.told(plan, lay_out(plan, 1), known, lacking)
    return plan, seen, known, enough.graded(plan, seen, known)


@pytest.mark.parametrize(("boards", "word"), [(4, "hopeless"), (10, "weak"), (24, "enough")])
def test_a_plan_is_graded_by_its_chance_of_settling_and_told_the_number_that_would_do(tmp_path, boards, word):
    plan, _, known, found = grade_of(tmp_path, ONE_PLANK.replace("count = 4", f"count = {boards}"))
    assert found.word == word
    if word != "enough":
        (question,) = plan.questions
        prior = known["figure_clarity"]
        table = precision.size(plan, question, 0.8, prior, boards=[found.boards - 1, found.boards]).set_index(
            "boards"
        )
        assert table.loc[found.boards, "chance"] >= 0.8 > table.loc[found.boards - 1, "chance"]
        assert enough.words(plan, found).endswith(f"About {found.boards} boards would be enough.")
    assert enough.words(plan, found).startswith(word.capitalize())


def test_the_limits_are_twenty_and_eighty_of_a_hundred(tmp_path):
    _, seen, _, _ = grade_of(tmp_path, ONE_PLANK)
    (one,) = seen.questions

    def word(settles, says_none=None):
        return replace(one, settles=settles, says_none=settles if says_none is None else says_none).grade

    assert [word(chance) for chance in (0.1999, 0.2, 0.7999, 0.8)] == ["hopeless", "weak", "weak", "enough"]
    assert word(0.32, 0.05) == "weak", "one of the two answers can come"
    assert word(0.95, 0.7) == "weak", "either answer has to"
    assert word(float("nan")) == ""
    assert replace(one, can_be_judged=False).grade == "hopeless"


def test_the_weakest_question_gives_the_plan_its_grade(tmp_path):
    more = SMALL + '[[question]]\nfactor = "carrier"\nresponse = "darkness"\nworth = 20\n'
    plan, seen, known, found = grade_of(tmp_path, more.replace("count = 4", "count = 12"))
    by = {one.effect: one.grade for one in seen.questions}
    assert by["carrier"] == "enough"
    assert found.weakest.effect == "seal_coat"
    assert found.word == by["seal_coat"]
    nothing = enough.graded(replace(plan, questions=()), Outlook("", "", ()), known)
    assert nothing.word == ""
    assert "no [[question]]" in enough.words(replace(plan, questions=()), nothing)


def test_a_hopeless_plan_stops_check_and_waits_for_anyway(tmp_path, run):
    (tmp_path / "trial.toml").write_text(ONE_PLANK, encoding="utf-8")
    checked = run("check", tmp_path)
    assert checked.status == 1
    said = next(line for line in checked.out.splitlines() if line.startswith("Hopeless: "))
    assert checked.out.splitlines().index(said) == 2, "before all else"
    assert "Next:" not in checked.err
    waits = run("plan", tmp_path, "--graded")
    assert waits.status == 1
    assert waits.out.strip() == said
    assert "--anyway" in waits.err
    assert not (tmp_path / "layout.csv").exists()
    done = run("plan", tmp_path, "--anyway", "--json")
    assert done.status == 0
    assert json.loads(done.out)["data"]["enough"] == {"grade": "hopeless", "boards": 22, "words": said}
    assert said.removeprefix("Hopeless: ") in (tmp_path / "foretold.html").read_text(encoding="utf-8")
    assert "Next: splitboard sheets" in run("plan", tmp_path, "--anyway", "--discard-layout").err


def test_a_lap_trial_is_not_stopped_for_its_wait_is_not_foretold(tmp_path, run):
    assert run("new", tmp_path / "laps", "--example", "lap-boards").status == 0
    done = run("check", tmp_path / "laps")
    assert done.status == 0
    assert "How well the wait will be known is not foretold." in done.out


def test_size_names_the_number_that_check_does(tmp_path, run):
    (tmp_path / "trial.toml").write_text(ONE_PLANK, encoding="utf-8")
    assert "22 boards settle the question" in run("size", tmp_path).out
    assert "About 22 boards would be enough" in run("check", tmp_path).out
