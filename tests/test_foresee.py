"""check, size, plan and plan --add as a finisher meets them: what is said, written and refused."""

import json
import os
import shutil
from pathlib import Path

import pytest

from analysis import foresee, priors
from tests.conftest import EXAMPLE, SMALL, Outcome, outcome
from tests.test_cli import files, wrong
from trials import folder as folders
from trials.design import lay_out
from trials.plan import read_plan

EIGHT = """\
[trial]
title = "Eight boards of quartersawn lacewood for a reception counter"

[boards]
count = 8
lots = 2
length = "480 mm"
width = "150 mm"
lanes = 2
strips = 3

[[factor]]
name = "carrier"
levels = ["water", "alcohol", "oil"]
laid_on = "board"

[[factor]]
name = "dye_load"
levels = ["10 g/L", "20 g/L", "40 g/L"]
laid_on = "board"

[[factor]]
name = "seal_coat"
levels = ["none", "shellac"]
laid_on = "lane"

[[factor]]
name = "glaze_dwell"
levels = ["3 min", "6 min", "9 min", "12 min"]
laid_on = "strip"

[[exclude]]
carrier = "oil"
dye_load = "40 g/L"
why = "does not dissolve"

[[response]]
name = "figure_clarity"
kind = "grade"

[[question]]
factor = "seal_coat"
response = "figure_clarity"
worth = 0.5

[[question]]
factor = "carrier"
response = "figure_clarity"
worth = 0.5

[scoring]
assessors = ["A", "B"]
"""


@pytest.fixture
def eight(tmp_path: Path) -> Path:
    place = tmp_path / "eight"
    place.mkdir()
    (place / "trial.toml").write_text(EIGHT, encoding="utf-8")
    return place


# --- check -----------------------------------------------------------------------------------------


def test_check_says_first_what_it_means_then_the_numbers(run, eight):
    done = run("check", eight)
    assert done.status == 1, "hopeless"
    text = done.out
    order = [
        "What you asked:",
        "truly gains 1 grade (twice what you call worth having), the answer will be 'worth it' about",
        "The interval will reach about",
        "◆",
        "How each factor is judged:",
        "How well each effect will be known",
        "What is mixed up:",
        "What this plan cannot tell:",
        "How much boards and readings are taken to differ:",
        "To know:",
    ]
    places = [text.index(part) for part in order]
    assert places == sorted(places)
    assert "figure clarity: Working values, not measured" in text
    assert "carrier oil with dye load 40 g/L is nowhere on the boards" in text
    assert "Boards divided into 4 strips would hold them all." in text
    assert files(eight).keys() == {"trial.toml"}


def test_check_of_patches_that_leave_nothing_to_judge_by_says_so(run, tmp_path):
    """Two lanes of one board, one level each."""
    text = SMALL.replace("count = 4", "count = 1").replace("strips = 2", "strips = 1")
    names = ("carrier", "seal_coat", "glaze_dwell", "figure_clarity")
    board, lane, strip, response = (text.index(f'name = "{name}"') for name in names)
    head = len("[[factor]]\n")
    text = text[: board - head] + text[lane - head : strip - head] + text[response - len("[[response]]\n") :]
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    done = run("check", tmp_path)
    assert done.status == 1
    assert "the 2 lanes leave nothing to judge it by" in done.out


def test_check_as_json_holds_the_same(run, eight):
    data = json.loads(run("check", eight, "--json").out)["data"]
    seal = next(one for one in data["expected"] if one["asked"] and one["effect"] == "seal_coat")
    assert seal["judged_against"] == "board:lane"
    assert 0 < seal["half_width"] < 2
    assert 0 < seal["settles"] < 1
    assert data["mixed_up"]
    assert all(0 < one["correlation"] <= 1 for one in data["mixed_up"])


def test_check_writes_the_page_when_asked(run, eight):
    assert run("check", eight, "--page").status == 1, "hopeless"
    page = (eight / "foretold.html").read_text(encoding="utf-8")
    assert page.startswith("<!DOCTYPE html>")
    assert "<svg" in page
    assert "carrier × dye load" in page


def test_check_of_a_laid_out_trial_is_about_its_own_layout(run, eight):
    run("plan", eight, "--seed", 11)
    plan = read_plan(eight)
    layout = lay_out(plan, 11)
    known, _ = priors.for_plan(plan, eight)
    _, seen = foresee.told(plan, layout, known)
    data = json.loads(run("check", eight, "--json").out)["data"]
    assert [one["half_width"] for one in data["expected"]] == pytest.approx(
        [one.half_width for one in seen.answers], nan_ok=True
    )


def test_check_of_a_trial_with_results_uses_what_they_showed(run):
    text = run("check", EXAMPLE).out
    assert "darkness: Fitted to what this trial has found so far of darkness." in text


def test_check_names_the_source_of_every_variance(run, eight):
    text = (eight / "trial.toml").read_text(encoding="utf-8")
    path = os.path.relpath(EXAMPLE, eight)
    (eight / "trial.toml").write_text(
        text.replace("[boards]", f'like = "{path}"\nexample = true\n[boards]', 1), encoding="utf-8"
    )
    assert "is not on the same scale" not in run("check", eight).err
    assert "Fitted in the trial 'Reception counter" in run("check", eight).out
    (eight / "trial.toml").write_text(
        text + '[[spread]]\nresponse = "figure_clarity"\nboard = 0.4\n', encoding="utf-8"
    )
    assert "Standard deviations from the plan: board 0.4." in run("check", eight).out


def test_a_fraction_says_what_it_mixes_up(run, tmp_path):
    """Four boards of three two-level factors: the half fraction I = abc, every factor an interaction's alias."""
    text = "[boards]\ncount = 4\nlanes = 2\n"
    for name in ("carrier", "dye_load", "top_coat"):
        text += f'[[factor]]\nname = "{name}"\nlevels = ["low", "high"]\nlaid_on = "board"\n'
    text += '[[factor]]\nname = "seal_coat"\nlevels = ["none", "shellac"]\nlaid_on = "lane"\n'
    text += '[[response]]\nname = "darkness"\nkind = "grade"\n'
    text += '[[question]]\nfactor = "seal_coat"\nresponse = "darkness"\nworth = 1\n'
    (tmp_path / "trial.toml").write_text(text)
    done = run("check", tmp_path)
    assert "With these 4 boards, carrier cannot be told from dye load × top coat" in done.out
    assert "With these 4 boards, dye load cannot be told from carrier × top coat" in done.out
    assert "a regular fraction, one in 2 of the full set, of resolution III" in done.out


# --- size ------------------------------------------------------------------------------------------


def test_size_says_boards_lots_and_assessors(run, folder):
    done = run("size", folder)
    assert done.status == 0
    assert "boards settle the question with a chance of" in done.out
    assert "You plan 4." in done.out
    assert "by plank" in done.out
    assert "ssessors" in done.out
    assert "exact" in done.out
    assert "times in 100 that it is settled (wanted: 80, drawn across)" in done.out


def test_size_simulates_what_is_not_balanced_and_gives_its_error(run, eight):
    done = run("size", eight, "--boards", "8,12", "--experiments", "60")
    assert "simulated" in done.out
    assert "±" in done.out
    data = json.loads(run("size", eight, "--boards", "8", "--experiments", "60", "--json").out)["data"]
    row = data["questions"][0]["boards"][0]
    assert row["boards"] == 8
    assert row["method"] == "simulated"
    assert 0 < row["settles_se"] < 0.1
    assert data["questions"][0]["lots"]
    assert data["questions"][0]["readers"]


def test_size_puts_its_curve_on_the_page(run, folder):
    assert run("size", folder, "--boards", "2,4,6", "--page").status == 0
    assert "size-0" in (folder / "foretold.html").read_text(encoding="utf-8")


def test_size_refuses_in_words(run, folder):
    assert "write numbers from 1 to 500" in wrong(run, folder, "size", folder, "--boards", "six")
    assert "not one to plan for" in wrong(run, folder, "size", folder, "--chance", "1.5")
    assert "none of 1 boards can be laid out" in wrong(run, folder, "size", folder, "--boards", "1")
    text = SMALL[: SMALL.index("[[question]]")]
    (folder / "trial.toml").write_text(text)
    assert "the plan asks no question" in wrong(run, folder, "size", folder)


# --- plan ------------------------------------------------------------------------------------------


def test_plan_of_boards_that_hold_a_part_says_which_and_writes_the_page(run, eight):
    done = run("plan", eight, "--seed", 4)
    assert done.status == 0
    assert "treatments were chosen to estimate best: carrier, dye load, seal coat, glaze dwell" in done.out
    assert done.out.startswith("Hopeless: with 8 boards ")
    assert "foretold.html" in done.err
    assert {"layout.csv", "datapackage.json", "foretold.html", "trial.toml"} <= files(eight).keys()
    first = (eight / "layout.csv").read_bytes()
    run("plan", eight, "--seed", 4)
    assert (eight / "layout.csv").read_bytes() == first


# --- plan --add ------------------------------------------------------------------------------------


@pytest.fixture
def recorded(tmp_path) -> Path:
    """The example, laid out and recorded, in a folder of its own."""
    return Path(shutil.copytree(EXAMPLE, tmp_path / "counter"))


@pytest.fixture(scope="module")
def grown_once(tmp_path_factory) -> tuple[Path, Outcome]:
    """The example with four boards added, which nobody writes in, and what was said when they were added."""
    place = Path(shutil.copytree(EXAMPLE, tmp_path_factory.mktemp("grown") / "counter"))
    done = outcome("plan", place, "--add", 4, "--seed", 9)
    assert done.status == 0, done.err
    return place, done


@pytest.fixture
def grown(grown_once, tmp_path) -> Path:
    """The example with four boards added, in a folder of its own."""
    return Path(shutil.copytree(grown_once[0], tmp_path / "grown" / "counter"))


def test_added_boards_leave_everything_recorded_alone(grown_once):
    before = files(EXAMPLE)
    place, done = grown_once
    assert "chosen to settle what is still open: glaze dwell on figure clarity" in done.out
    after = files(place)
    assert after["readings.csv"] == before["readings.csv"]
    assert after["conditions.csv"] == before["conditions.csv"]
    assert after["layout.csv"].startswith(before["layout.csv"])
    assert after["trial.toml"].startswith(before["trial.toml"].rstrip(b"\n"))
    trial = folders.load(place)
    assert trial.plan.boards.lots == (6, 6, 4)
    assert trial.plan.added == (4,)
    assert trial.patches["patch"].is_unique
    assert trial.record.seed == 20260314
    assert trial.record.added[0]["seed"] == 9
    new = trial.patches[trial.patches["lot"] == 3]
    assert sorted(set(new["board"])) == [13, 14, 15, 16]
    assert set(new["control"]) == {"", "bare, top coat only"}


def test_answers_stand_until_the_new_boards_are_read(run, recorded, grown):
    """The first occasion's answers are the same numbers after boards were added, and questions stay asked."""
    before = json.loads(run("decide", recorded, "--json").out)["data"]["findings"]
    text = run("decide", grown).out
    assert text.count("so intervals are now 99% ones, not 95% ones.") == 1
    assert "95% interval " not in text.split("What you asked:")[1].split("\n\n")[0]
    after = json.loads(run("decide", grown, "--json").out)["data"]["findings"]
    assert [one["leading"]["difference"] for one in after] == pytest.approx(
        [one["leading"]["difference"] for one in before]
    )
    assert all(one["asked"] for one in after)


def test_the_second_occasion_is_recorded_and_judged_as_a_block(run, grown, tmp_path):
    trial = folders.load(grown)
    new = trial.latest_patches
    rows = ["patch,figure_clarity,lap_visibility,assessor"]
    for assessor in "AB":
        for at, patch in enumerate(new.to_dict("records")):
            grade = 3.0 + (patch["seal_coat"] == "shellac 1 lb cut") - (at % 3 == 0) * 0.5
            rows.append(f"{patch['patch']},{grade},{3.5 - (at % 2) * 0.5},{assessor}")
    (tmp_path / "second.csv").write_text("\n".join(rows) + "\n")
    done = run("record", tmp_path / "second.csv", grown)
    assert done.status == 0, done.err
    text = run("analyse", grown, "--response", "figure_clarity").out
    assert "128 patches" not in text
    assert "Boards were added later (lot 3; each occasion counts as a lot)" in text
    assert run("report", grown).status == 0
    page = (grown / "report" / "report.html").read_text(encoding="utf-8")
    assert "added on occasion 2" in page
    assert "99% interval" in page
    assert "95% interval of the gain" not in page


def test_sheets_of_the_second_occasion_are_of_its_boards_alone(run, grown):
    import pypdfium2

    done = run("sheets", grown)
    assert done.status == 0, done.err
    assert "occasion-2" in done.out
    trial = folders.load(grown)
    document = pypdfium2.PdfDocument(grown / "sheets" / "occasion-2" / "boards.pdf")
    text = " ".join(page.get_textpage().get_text_bounded() for page in document)
    new, old = trial.latest_patches, trial.patches[trial.patches["lot"] < 3]
    assert all(str(code) in text for code in new["patch"])
    assert not any(f" {code} " in text for code in old["patch"])


def test_adding_twice(run, grown):
    assert run("plan", grown, "--add", 2, "--seed", 10).status == 0
    trial = folders.load(grown)
    assert trial.plan.boards.lots == (6, 6, 4, 2)
    assert trial.patches["patch"].is_unique
    assert [one["boards"] for one in trial.record.added] == [4, 2]


def test_adding_is_refused_in_words(run, laid_out, recorded):
    assert "nothing is recorded yet" in wrong(run, laid_out, "plan", laid_out, "--add", 2)
    assert "three-digit codes" in wrong(run, recorded, "plan", recorded, "--add", 400)
    path = recorded / "trial.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("lanes = 2 ", "lanes = 3 "), encoding="utf-8")
    assert "the plan was changed" in wrong(run, recorded, "plan", recorded, "--add", 2)


def test_a_follow_up_is_planned_from_what_the_trial_found(run, grown):
    following = grown.parent / "next"
    assert run("new", following, "--like", grown).status == 0
    plan = read_plan(following)
    assert plan.like == "../counter"
    assert plan.added == ()
    assert plan.boards.lots == (6, 6, 4)
    text = run("check", following).out
    assert "darkness: Fitted in the trial 'Reception counter in quartersawn lacewood', darkness." in text


def test_a_search_stopped_by_hand_does_not_promise_its_seed(run, eight, monkeypatch):
    """Ctrl-C during the search: the best so far is laid out, and the seed alone would not give it again."""
    from trials.shell import LongWork

    seen: list[int] = []

    def progress(self, done, *_):
        seen.append(done)
        if len(seen) == 1:
            self.interrupt()

    monkeypatch.setattr(LongWork, "progress", progress)
    done = run("plan", eight, "--seed", 4)
    assert done.status == 0
    assert len(seen) <= 2  # of eight
    assert "The search was stopped early" in done.out
    assert "Seed 4 does not give this layout again, for the search was stopped" in done.out
    path = eight / "layout.csv"
    path.write_text(path.read_text().replace("shellac", "none", 1))
    assert "was changed outside splitboard" in wrong(run, eight, "sheets", eight)


def test_added_boards_are_foreseen_from_what_was_found(run, recorded):
    data = json.loads(run("plan", recorded, "--add", 2, "--seed", 1, "--json").out)["data"]
    after = json.loads(run("check", recorded, "--json").out)["data"]
    assert [one["half_width"] for one in data["expected"]] == pytest.approx(
        [one["half_width"] for one in after["expected"]]
    )
