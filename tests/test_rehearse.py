"""A rehearsal: what is put in comes out, every page says that it is invented, and it is never taken for the trial."""

import csv
import hashlib
import json
import math
import re
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pypdfium2
import pytest

from analysis import decide, priors, rehearse, report
from analysis.priors import Prior
from analysis.rehearse import made_up, truth
from analysis.report import words
from tests.conftest import SMALL
from tests.test_report import check_form
from tests.test_report_page import browser  # noqa: F401
from tests.trials_made import trial_of
from trials import csv_source, records, sheets
from trials import folder as folders
from trials.design import lay_out
from trials.errors import UserError
from trials.plan import read_plan

WHEN = "2026-04-02T09:30:00Z"
MARK = "Rehearsal, invented results"

FULL = """\
# a comment at the top
[trial]
wood = "sycamore"   # a comment beside
about = '''Two lines
of words'''

[boards]
count = 6
lots = 2
length = "500 mm"
lanes = 2
strips = 4
[[factor]]
name = "carrier"
levels = ["water", "alcohol", "oil"]
laid_on = "board"
[[factor]]
name = "seal_coat"
levels = ["none", "shellac"]
laid_on = "lane"
[[factor]]
name = "glaze_dwell"
levels = ["3 min", "6 min", "12 min"]
laid_on = "strip"
[[control]]
name = "bare"
[[response]]
name = "figure_clarity"
half_grades = true
[[response]]
name = "darkness"
kind = "measure"
unit = "L*"
aim = 40
stages = ["dyed", "topcoated"]
[[response]]
name = "sheen"
kind = "measure"
unit = "GU"
low = 0
aim = "less"
[[response]]
name = "acceptable"
kind = "yes_no"
[[question]]
factor = "glaze_dwell"
response = "figure_clarity"
worth = 0.5
between = ["12 min", "3 min"]
[[question]]
factor = "carrier"
response = "darkness"
worth = 3
[[question]]
factor = "seal_coat"
response = "sheen"
worth = 8
[[question]]
factor = "seal_coat"
response = "acceptable"
worth = 0.2
[scoring]
assessors = ["Ines", "Otto, the elder"]
"""


def laid(place: Path, text: str, seed: int = 4) -> Path:
    """Lay a plan out in a folder."""
    place.mkdir(parents=True)
    (place / "trial.toml").write_text(text, encoding="utf-8")
    plan = read_plan(place)
    folders.save_layout(folders.Folder(place), plan, lay_out(plan, seed))
    return place


def hashes(place: Path, without: str = "") -> dict[str, str]:
    """Return the SHA-256 of every file below a folder."""
    return {
        str(path.relative_to(place)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(place.rglob("*"))
        if path.is_file() and not (without and path.relative_to(place).parts[0] == without)
    }


def cells(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def plan_of(tmp_path: Path, text: str):
    (tmp_path / "trial.toml").write_text(text, encoding="utf-8")
    return read_plan(tmp_path)


@pytest.fixture(scope="module")
def trial(tmp_path_factory) -> Path:
    """Lay out a plan with every kind of response and control patches."""
    return laid(tmp_path_factory.mktemp("trials") / "hall", FULL)


@pytest.fixture(scope="module")
def run_of(trial):
    """Return the rehearsal of the full plan, what the trial's files were before it, and its folder."""
    before = hashes(trial)
    made = rehearse.rehearse(trial, seed=5, when=WHEN)
    return made, before


@pytest.fixture
def small(tmp_path) -> Path:
    return laid(tmp_path / "small" / "trial", SMALL, seed=1)


@pytest.fixture
def no_page(monkeypatch) -> None:
    """Save the time that the pictures take, where a test is about something else."""

    def write(trial, decision, when) -> Path:
        folders.write_text(trial.folder.report / "report.html", when)
        return trial.folder.report / "report.html"

    monkeypatch.setattr(report, "write", write)


# --- the folder ------------------------------------------------------------------------------------


def test_the_trials_own_files_stay_as_they_were(trial, run_of):
    made, before = run_of
    assert made.folder == trial / "rehearsal"
    assert hashes(trial, without="rehearsal") == before
    assert sorted(path.name for path in trial.iterdir()) == sorted({*before, "rehearsal"})


def test_it_holds_the_same_layout_and_the_plan_with_its_comments(trial, run_of):
    made, _ = run_of
    assert (made.folder / "layout.csv").read_bytes() == (trial / "layout.csv").read_bytes()
    text = (made.folder / "trial.toml").read_text(encoding="utf-8")
    assert "# a comment at the top\n" in text
    assert 'wood = "sycamore"   # a comment beside\n' in text
    assert tomllib.loads(text)["trial"]["rehearsal"] is True
    own, copy = read_plan(trial), read_plan(made.folder)
    assert copy == replace(own, rehearsal=True, title=f"{MARK}: {own.title}")
    assert made.plan == copy
    kept, trials = folders.load_record(folders.at(made.folder)), folders.load_record(folders.at(trial))
    assert kept.plan["rehearsal"] is True
    assert (kept.seed, kept.laid_out_at, kept.layout_hash) == (trials.seed, trials.laid_out_at, trials.layout_hash)
    package = json.loads((made.folder / "datapackage.json").read_text(encoding="utf-8"))
    assert package["splitboard:rehearsal"] is True
    assert package["title"].startswith(MARK)
    assert {resource["name"] for resource in package["resources"]} == {"layout", "readings"}


@pytest.mark.usefixtures("no_page")
@pytest.mark.parametrize(
    "heading",
    ["", '[trial]\r\ntitle = "Say \\"so\\" — naïve"\r\n', 'trial.title = "Dotted"\n', 'trial = {title = "Inline"}\n'],
    ids=["none", "crlf", "dotted", "inline"],
)
def test_a_plan_however_it_is_written_keeps_its_text(tmp_path, heading):
    _, rest = SMALL.split("\n\n", 1)
    place = laid(tmp_path / "trial", f"{heading}\n# mine\n{rest}")
    made = rehearse.rehearse(place, when=WHEN)
    text = (made.folder / "trial.toml").read_text(encoding="utf-8")
    assert "# mine" in text
    assert read_plan(made.folder).title == f"{MARK}: {read_plan(place).title}"


@pytest.mark.usefixtures("no_page")
def test_what_was_kept_of_the_trial_is_kept_of_the_rehearsal(small):
    file = small / "datapackage.json"
    values = json.loads(file.read_text(encoding="utf-8"))
    occasion = {"seed": 9, "boards": 1, "version": "0", "laidOutAt": WHEN}
    del values["splitboard:seal"], values["splitboard:noticed"]  # a record from before there were these
    file.write_text(json.dumps(values | {"splitboard:added": [occasion]}), encoding="utf-8")
    later = '[[question]]\nfactor = "carrier"\nresponse = "darkness"\nworth = 2\n\n[scoring]'
    plan = small / "trial.toml"
    plan.write_text(plan.read_text(encoding="utf-8").replace("[scoring]", later), encoding="utf-8")
    made = rehearse.rehearse(small, when=WHEN)
    assert folders.load_record(folders.at(made.folder)).added == (occasion,)
    assert [answer.finding.asked for answer in made.answers] == [True, False]


def test_results_come_as_the_forms_are_handed_in(trial, run_of):
    made, _ = run_of
    files = {path.name: cells(path) for path in (made.folder / "results").iterdir()}
    assert set(files) == {
        "scoring-Ines.csv", "scoring-Otto-the-elder.csv", "measuring-dyed.csv", "measuring-topcoated.csv",
    }  # fmt: skip
    codes = {row["patch"] for row in cells(trial / "layout.csv")}
    for rows in files.values():
        assert {row["patch"] for row in rows} == codes
        assert {(row["source"], row["method"]) for row in rows} == {("rehearsal, invented results", "invented")}
    assert {row["assessor"] for row in files["scoring-Otto-the-elder.csv"]} == {"Otto, the elder"}
    assert "sheen" not in files["measuring-dyed.csv"][0]
    order = [row["patch"] for row in files["scoring-Ines.csv"]]
    assert order != sorted(order)
    assert {float(row["figure_clarity"]) % 0.5 for row in files["scoring-Ines.csv"]} == {0.0}
    assert {row["acceptable"] for row in files["scoring-Ines.csv"]} == {"yes", "no"}
    assert all(re.fullmatch(r"\d+(\.\d)?", row["darkness"]) for row in files["measuring-dyed.csv"])


def test_the_readings_went_through_the_records(trial, run_of):
    made, _ = run_of
    loaded = folders.load(made.folder)
    counts = pd.DataFrame(loaded.readings).groupby(["response", "stage"]).size().to_dict()
    patches = len(loaded.patches)
    assert counts == {
        ("figure_clarity", "topcoated"): 2 * patches, ("acceptable", "topcoated"): 2 * patches,
        ("darkness", "dyed"): patches, ("darkness", "topcoated"): patches, ("sheen", "topcoated"): patches,
    }  # fmt: skip
    assert {row["method"] for row in loaded.readings} == {"invented"}
    assert all(row["source"].startswith("rehearsal, invented results: ") for row in loaded.readings)
    assert not (trial / "readings.csv").exists()


def test_equal_seeds_give_equal_bytes_and_others_do_not(trial, run_of, tmp_path, monkeypatch):
    made, _ = run_of
    again = rehearse.rehearse(trial, tmp_path / "else" / "rehearsal", seed=5, when=WHEN)
    assert hashes(again.folder) == hashes(made.folder)
    assert rehearse.lines(again) == rehearse.lines(made)
    monkeypatch.setattr(report, "write", lambda made, *_: made.folder.path / "none")
    other = rehearse.rehearse(trial, tmp_path / "other", seed=6, when=WHEN)
    same, changed = hashes(made.folder), hashes(other.folder)
    assert same["layout.csv"] == changed["layout.csv"]
    assert same["results/measuring-dyed.csv"] != changed["results/measuring-dyed.csv"]


# --- where it may go -------------------------------------------------------------------------------


def refused(call, *words: object, **named: object) -> str:
    with pytest.raises(UserError) as caught:
        call(*words, **named)
    assert len(caught.value.problems) == 1
    return str(caught.value)


@pytest.mark.usefixtures("no_page")
def test_a_rehearsal_is_replaced_as_a_whole(small):
    first = rehearse.rehearse(small, when=WHEN)
    sheets.write(first.plan, folders.load(first.folder).patches, 1, first.folder / "sheets")
    (first.folder / "results" / "left-over.csv").write_text("x")
    again = rehearse.rehearse(small, seed=2, when=WHEN)
    assert {path.name for path in again.folder.iterdir()} == {
        "trial.toml", "layout.csv", "datapackage.json", "readings.csv", "results", "report",
    }  # fmt: skip
    assert not (again.folder / "results" / "left-over.csv").exists()
    assert not [path for path in small.iterdir() if path.name.startswith(".")]


@pytest.mark.usefixtures("no_page")
def test_nothing_else_is_ever_replaced(small, tmp_path):
    taken = tmp_path / "taken"
    taken.mkdir()
    (taken / "photograph.jpg").write_text("mine")
    assert "is there already and is no rehearsal" in refused(rehearse.rehearse, small, taken)
    assert "is no rehearsal" in refused(rehearse.rehearse, small, small)
    assert "is no rehearsal" in refused(rehearse.rehearse, small, taken / "photograph.jpg")
    made = rehearse.rehearse(small, when=WHEN)
    (tmp_path / "link").symlink_to(made.folder)
    assert "is no rehearsal" in refused(rehearse.rehearse, small, tmp_path / "link")
    (made.folder / "my notes.txt").write_text("mine")
    before = hashes(made.folder)
    assert "'my notes.txt' in it is none of its own files" in refused(rehearse.rehearse, small)
    assert hashes(made.folder) == before
    assert (taken / "photograph.jpg").read_text() == "mine"


@pytest.mark.usefixtures("no_page")
def test_an_empty_folder_will_do_and_a_file_in_the_way_will_not(small, tmp_path):
    (tmp_path / "empty").mkdir()
    made = rehearse.rehearse(small, tmp_path / "empty", when=WHEN)
    assert made.page == tmp_path / "empty" / "report" / "report.html"
    assert made.page.exists()
    (tmp_path / "file").write_text("x")
    assert "cannot be written" in refused(rehearse.rehearse, small, tmp_path / "file" / "below")


@pytest.mark.usefixtures("no_page")
def test_what_fails_on_the_way_leaves_the_last_rehearsal(small, monkeypatch):
    made = rehearse.rehearse(small, when=WHEN)
    before = hashes(small)

    def fail(*_: object) -> None:
        raise RuntimeError("no page today")

    monkeypatch.setattr(report, "write", fail)
    with pytest.raises(RuntimeError, match="no page today"):
        rehearse.rehearse(small, seed=9, when=WHEN)
    assert hashes(small) == before
    assert made.page.exists()
    assert not list(small.glob(".rehearsal.*"))


@pytest.mark.usefixtures("no_page")
def test_it_needs_a_laid_out_trial_that_is_none_itself(folder, small):
    assert "run 'splitboard plan " in refused(rehearse.rehearse, folder)
    made = rehearse.rehearse(small, when=WHEN)
    assert "this folder is a rehearsal itself" in refused(rehearse.rehearse, made.folder)
    assert not (made.folder / "rehearsal").exists()


def test_without_responses_there_is_nothing_to_rehearse(tmp_path):
    text = re.sub(r"\[\[(response|question)\]\]\n([^\[]+\n)+", "", SMALL).replace('["A", "B"]', "[]")
    text = text.replace("assessors = []", "")
    assert "names no response" in refused(rehearse.rehearse, laid(tmp_path / "bare", text))


# --- never taken for the trial ---------------------------------------------------------------------


def check(path: Path, place: Path):
    trial = folders.load(place)
    return records.check_readings(csv_source.read(path), trial.plan, trial.patches, trial.readings)


@pytest.mark.usefixtures("no_page")
def test_a_trial_takes_no_invented_row_and_a_rehearsal_no_real_one(small, tmp_path):
    made = rehearse.rehearse(small, when=WHEN)
    for name in ("results/scoring-A.csv", "results/measuring.csv", "readings.csv"):
        said = refused(check, made.folder / name, small)
        assert said.startswith(f"{Path(name).name}, row 2, column source: the row is an invented result")
        assert "which no trial takes in; name the file of what was really scored" in said
    rows = cells(made.folder / "results" / "scoring-A.csv")
    kept = ["patch", "figure_clarity", "assessor", "method"]
    without = tmp_path / "scores.csv"
    without.write_text(folders.csv_text(kept, [[row[name] for name in kept] for row in rows]))
    assert "column method: the row is an invented result" in refused(check, without, small)
    real = tmp_path / "real.csv"
    real.write_text(folders.csv_text(kept[:3], [[row["patch"], 3, "A"] for row in rows]))
    assert len(check(real, small).new) == len(rows)
    said = refused(check, real, made.folder)
    assert said.startswith("real.csv, row 2: the row is not marked as invented, and this folder is a rehearsal")
    assert "own folder" in said


@pytest.mark.usefixtures("no_page")
def test_the_commands_refuse_too_the_good_rows_as_well(small, run, tmp_path):
    made = rehearse.rehearse(small, when=WHEN)
    before = hashes(small)
    real = tmp_path / "mixed.csv"
    code = cells(small / "layout.csv")[0]["patch"]
    other = cells(small / "layout.csv")[1]["patch"]
    source = "rehearsal, invented results"
    rows = [[code, 3, "A", ""], [other, 3, "A", source]]
    real.write_text(folders.csv_text(["patch", "figure_clarity", "assessor", "source"], rows))
    for command in (["record", real, small, "--good-rows"], ["record", real, made.folder, "--good-rows"]):
        done = run(*command)
        assert done.status == 2
        assert len(done.err.strip().splitlines()) == 1
        assert "Traceback" not in done.err
    assert run("record", real, small).err.startswith("mixed.csv, row 3, column source: ")
    notes = tmp_path / "bench.csv"
    notes.write_text("board,step\n1,dye\n")
    assert "for which no wood was cut" in run("record", notes, made.folder).err
    assert {k: v for k, v in hashes(small).items() if ".lock" not in k} == before
    assert run("record", made.folder / "results" / "scoring-A.csv", made.folder).out.startswith(
        "scoring-A.csv: 0 readings taken in, 16 recorded already"
    )


@pytest.mark.usefixtures("no_page")
@pytest.mark.parametrize("edit", ["rehearsal = false", "", "rehearsal = 1"], ids=["false", "gone", "no flag"])
def test_a_rehearsal_whose_plan_was_edited_is_not_opened(small, run, edit):
    made = rehearse.rehearse(small, when=WHEN)
    file = made.folder / "trial.toml"
    text = file.read_text(encoding="utf-8")
    file.write_text(re.sub(r"rehearsal = true.*", edit, text), encoding="utf-8")
    for command in ("decide", "report", "analyse", "sheets"):
        done = run(command, made.folder)
        assert done.status == 2
        assert "rehearsal" in done.err
        assert "Traceback" not in done.err


def test_a_trial_is_not_made_a_rehearsal_by_an_edit(small, run):
    file = small / "trial.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("[trial]\n", "[trial]\nrehearsal = true\n"))
    done = run("decide", small)
    assert done.status == 2
    assert "rehearsal" in done.err


# --- the mark --------------------------------------------------------------------------------------


def test_the_page_says_so_at_its_head_in_its_title_and_in_each_picture(run_of):
    made, _ = run_of
    text = made.page.read_text(encoding="utf-8")
    page = check_form(text)
    assert page.texts["title"][0].startswith(MARK)
    assert page.texts["h1"][0].startswith(MARK)
    body = text.partition("<body")[2]
    assert body.index(MARK) < body.index("<header>") < body.index('id="answer"')
    pictures = re.findall(
        r"<svg class=\"(?:picture|drawing)[^>]*>.*?</svg>\n?(?=</div>|<figcaption>)", text, re.DOTALL
    )
    assert len(pictures) == len(page.of("figure"))
    assert all(re.search(rf"<text[^>]*>{MARK}</text>", picture) for picture in pictures)


def test_a_title_cannot_be_made_to_hide_it(run_of):
    made, _ = run_of
    assert words.marked_title(replace(made.plan, title="Hall cabinet")) == f"{MARK}: Hall cabinet"
    assert words.marked_title(made.plan) == made.plan.title
    assert words.marked_title(replace(made.plan, title="Hall cabinet", rehearsal=False)) == "Hall cabinet"


NOT_IN_THE_PLAN = {
    "preferences", "strengths", "costs", "lap_windows", "lap_points", "lap_curves", "dark_enough", "strength",
    "dye_points", "dye_curves", "schedules", "schedule_costs", "confirmation",
}  # fmt: skip
"""Tables of what this plan does not have: pairs, costs, return times, dye loads, a brief."""


def test_each_row_of_each_table_says_so(run_of):
    made, _ = run_of
    tables = sorted((made.folder / "report" / "tables").glob("*.csv"))
    assert len(tables) == 27
    for table in tables:
        rows = cells(table)
        assert table.read_text(encoding="utf-8").startswith("source,")
        assert bool(rows) is (table.stem not in NOT_IN_THE_PLAN), table.stem
        assert {next(iter(row.items())) for row in rows} <= {("source", "rehearsal, invented results")}


def test_a_real_trial_bears_no_mark(tmp_path):
    loaded = trial_of(tmp_path / "trial", SMALL, lambda patch, draw: 3 + round(draw.gauss(0, 0.8)), assessors=2)
    page = report.write(loaded, decide.decide(loaded), WHEN)
    shown = re.sub(r"<style>.*?</style>", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    assert "rehearsal" not in shown.lower()
    assert 'class="edge"' not in shown
    assert "source" not in cells(page.parent / "tables" / "findings.csv")[0]
    sheets.write(loaded.plan, loaded.patches, 1, tmp_path / "sheets")
    for file in (tmp_path / "sheets").glob("*.pdf"):
        assert not any("REHEARSAL" in text for text in page_texts(file.read_bytes()))
    assert b"source" not in (tmp_path / "sheets" / "blank-scoring-A.csv").read_bytes()


def page_texts(data: bytes) -> list[str]:
    """Return the text of every page of a PDF, on one line each."""
    document = pypdfium2.PdfDocument(data)
    return [" ".join(page.get_textpage().get_text_range().split()) for page in document]


@pytest.mark.parametrize("paper", ["a4", "us-letter"])
def test_every_page_of_the_sheets_says_so(run_of, tmp_path, paper):
    made, _ = run_of
    loaded = folders.load(made.folder)
    written = sheets.write(loaded.plan, loaded.patches, loaded.record.seed, tmp_path / "sheets", paper)
    pages = [(path.name, text) for path in written if path.suffix == ".pdf" for text in page_texts(path.read_bytes())]
    assert {name for name, _ in pages} == {
        "boards.pdf", "key.pdf", "scoring-Ines.pdf", "scoring-Otto-the-elder.pdf", "measuring.pdf",
    }  # fmt: skip
    assert len(pages) > 10
    assert [name for name, text in pages if MARK.upper() not in text] == []
    for path in written:
        if path.suffix == ".pdf":
            title = pypdfium2.PdfDocument(path.read_bytes()).get_metadata_dict()["Title"]
            assert title.startswith("rehearsal, invented results: ")


def test_a_blank_form_of_a_rehearsal_is_marked_and_is_not_taken_for_filled_in(run_of, tmp_path):
    made, _ = run_of
    loaded = folders.load(made.folder)
    sheets.write(loaded.plan, loaded.patches, loaded.record.seed, tmp_path)
    blank = tmp_path / "blank-scoring-Ines.csv"
    rows = list(csv.DictReader(blank.read_text(encoding="utf-8-sig").splitlines()))
    assert {row["source"] for row in rows} == {"rehearsal, invented results"}
    assert blank in sheets.write(loaded.plan, loaded.patches, loaded.record.seed, tmp_path)


@pytest.mark.browser
def test_every_printed_page_says_so(browser, run_of):  # noqa: F811
    made, _ = run_of
    page = browser.new_context().new_page()
    page.goto(made.page.as_uri())
    for paper in ("A4", "Letter"):
        texts = page_texts(page.pdf(format=paper))
        assert len(texts) > 5
        assert [at for at, text in enumerate(texts, start=1) if MARK not in text] == []
    page.context.close()


@pytest.mark.browser
def test_the_mark_stays_in_sight_and_the_page_fits(browser, run_of):  # noqa: F811
    made, _ = run_of
    page = browser.new_context().new_page()
    page.goto(made.page.as_uri())
    for width in (360, 1280):
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        page.evaluate("window.scrollTo(0, document.body.scrollHeight / 2)")
        assert 0 <= page.locator("p.mark").bounding_box()["y"] < 100
    page.context.close()


def test_what_the_commands_print_says_so(run_of, run):
    made, _ = run_of
    assert run("decide", made.folder).out.splitlines()[0].startswith(MARK)
    assert rehearse.lines(made)[0].startswith(MARK)


# --- what is put in --------------------------------------------------------------------------------


def test_each_question_is_given_its_worth_towards_its_aim(run_of):
    made, _ = run_of
    by_response = {answer.question.response: answer for answer in made.answers}
    levels = {name: (one.first, one.second, one.difference) for name, one in by_response.items()}
    assert levels["figure_clarity"] == ("12 min", "3 min", 0.5)
    assert levels["sheen"] == ("none", "shellac", -8.0)
    assert levels["acceptable"] == ("none", "shellac", 0.2)
    put_in = truth.of_worths(made.plan)
    # L* begins at 45 and the target is 40: the last carrier is 3 nearer to it
    assert put_in.difference("carrier", "darkness", "water", "oil") == -3.0
    assert put_in.difference("carrier", "darkness", "water", "alcohol") == -1.5
    assert put_in.difference("glaze_dwell", "figure_clarity", "12 min", "6 min") == 0.25
    assert put_in.difference("carrier", "sheen", "water", "oil") == 0.0
    assert "Put in: seal coat on sheen: shellac \N{MINUS SIGN}8 GU against none." in made.effects


def test_what_comes_out_is_the_decision(run_of):
    made, _ = run_of
    said = rehearse.lines(made)
    for answer, finding in zip(made.answers, made.decision.findings, strict=True):
        assert answer.finding == finding
        assert answer.verdict == finding.verdict
        line = next(text for text in said if finding.sentence in text)
        assert line.startswith(f"- In this made-up run {answer.question.factor.replace('_', ' ')} truly moved")
        assert "the trial would have said: " in line
        if answer.lower is not None:
            inside = answer.lower <= answer.difference <= answer.upper
            assert line.endswith(f"The interval {'holds' if inside else 'misses'} the true difference.")
    assert said.index(next(text for text in said if text.startswith("- "))) == 2


@pytest.mark.usefixtures("no_page")
def test_large_effects_come_out_and_none_does_not(small):
    large = rehearse.rehearse(small, effects={("seal_coat", "figure_clarity"): 2.0}, when=WHEN)
    (answer,) = large.answers
    assert answer.difference == 2.0
    assert answer.estimate > 1
    assert "moved figure clarity by +2 grades (shellac instead of none)" in "".join(rehearse.lines(large))
    assert large.effects[1] == "No other factor was made to do anything."
    nothing = rehearse.rehearse(small, effects={}, when=WHEN)
    assert nothing.answers[0].difference == 0.0
    assert "truly did nothing to figure clarity" in "".join(rehearse.lines(nothing))
    assert nothing.effects[0] == "No factor was made to do anything."
    assert nothing.effects[1].startswith("How much pieces differ in figure clarity: Working values, not measured")


def test_differences_have_the_mean_and_the_variance_they_should(small):
    """Two levels on strips of four boards: var = 2 (strip / 4 + residual / 8), lanes and boards cancel."""
    loaded = folders.load(small)
    response = loaded.plan.response("darkness")
    put_in = truth.stated(loaded.plan, {("glaze_dwell", "darkness"): -2.0})
    prior = priors.working(loaded.plan, response)
    late = loaded.patches["glaze_dwell"] == "6 min"
    codes = {value: loaded.patches.loc[late == value, "patch"].tolist() for value in (True, False)}
    found = []
    for seed in range(200):
        made = made_up.values(response, loaded.patches, put_in, prior, [""], seed)
        means = {value: np.mean([float(made["topcoated", "", code]) for code in codes[value]]) for value in codes}
        found.append(means[True] - means[False])
    variance = 2 * (prior.variances["board:strip"] / 4 + prior.variances["residual"] / 8)
    assert abs(np.mean(found) + 2.0) < 4 * math.sqrt(variance / 200)
    assert abs(np.var(found, ddof=1) - variance) < 4 * variance * math.sqrt(2 / 199)


@pytest.mark.usefixtures("no_page")
def test_what_the_layout_cannot_tell_is_said_of_the_rehearsal_too(tmp_path):
    text = SMALL.replace("count = 4", "count = 2").replace('factor = "seal_coat"', 'factor = "carrier"')
    made = rehearse.rehearse(laid(tmp_path / "trial", text), when=WHEN)
    (answer,) = made.answers
    assert (answer.first, answer.second, answer.difference) == ("water", "alcohol", 0.5)
    assert answer.estimate is answer.lower is answer.upper is None
    assert answer.verdict == decide.CANNOT_BE_TOLD
    line = rehearse.lines(made)[2]
    assert line.startswith("- In this made-up run carrier truly moved figure clarity by +0.5 grade (alcohol instead")
    assert line.endswith(answer.finding.sentence)


def test_a_yes_comes_as_often_as_it_should():
    """Shares of 2000 draws against 0.5 and the effect, four standard errors of a binomial share."""
    patches = pd.DataFrame({"patch": range(4000), "board": 1, "seal_coat": ["none", "shellac"] * 2000, "control": ""})
    response = replace(read_response(), name="acceptable", kind="yes_no", unit="", low=0.0, high=1.0)
    put_in = truth.Truth({("seal_coat", "acceptable"): {"none": -0.2, "shellac": 0.2}}, ())
    prior = Prior(pd.Series({"residual": 0.2}), "")
    found = made_up.values(response, patches, put_in, prior, ["A", "B"], 1)
    assert all(found["topcoated", "A", code] == found["topcoated", "B", code] for code in range(4000))
    for at, share in ((0, 0.3), (1, 0.7)):
        yes = np.mean([found["topcoated", "A", code] == "yes" for code in range(at, 4000, 2)])
        assert abs(yes - share) < 4 * math.sqrt(share * (1 - share) / 2000)


def test_the_values_vary_as_the_variances_say():
    """Sample variances of one-way nested draws against what was asked (chi-squared, four standard errors)."""
    rows = [
        {"patch": 100 + 4 * board + at, "lot": 1, "board": board, "lane": 1, "strip": at, "control": ""}
        for board in range(200)
        for at in range(4)
    ]
    patches = pd.DataFrame(rows)
    response = read_response()
    prior = Prior(pd.Series({"board": 4.0, "residual": 1.5}), "", reading=0.5, readings=2)
    found = made_up.values(response, patches, truth.Truth({}, ()), prior, ["", "x"], 3)
    table = np.array([[float(found["topcoated", who, row["patch"]]) for row in rows] for who in ("", "x")])
    reading = (table[0] - table[1]).var(ddof=1) / 2
    assert abs(reading - 1.0) < 4 * math.sqrt(2 / 799)
    boards = table.mean(axis=0).reshape(200, 4)
    within = boards.var(axis=1, ddof=1).mean()
    assert abs(within - 1.5) < 4 * 1.5 * math.sqrt(2 / 600)
    between = boards.mean(axis=1).var(ddof=1)
    expected = 4.0 + 1.5 / 4
    assert abs(between - expected) < 4 * expected * math.sqrt(2 / 199)
    assert abs(table.mean() - 45) < 4 * math.sqrt(expected / 200)


def read_response():
    from trials.plan import Response

    return Response("darkness", "measure", 0, False, "L*", None, None, "less", None, ("topcoated",), ())


def test_differences_asked_twice_are_met_as_well_as_possible():
    levels = ("a", "b", "c")
    agree = truth.solve(levels, [("a", "b", 1.0), ("b", "c", 2.0)], evenly=False)
    assert agree == pytest.approx({"a": -4 / 3, "b": -1 / 3, "c": 5 / 3})
    # three wants of 1 round a circle cannot all be had: by symmetry the least squares are none at all
    assert truth.solve(levels, [("a", "b", 1.0), ("b", "c", 1.0), ("c", "a", 1.0)], evenly=False) == dict.fromkeys(
        levels, 0.0
    )
    assert truth.solve(("a", "b", "c", "d"), [("a", "d", 3.0)], evenly=True) == {
        "a": -1.5,
        "b": -0.5,
        "c": 0.5,
        "d": 1.5,
    }
    assert truth.solve(("a", "b", "c", "d"), [("d", "a", 3.0)], evenly=False) == {"a": 1.5, "b": 0, "c": 0, "d": -1.5}


def test_worths_that_do_not_agree_are_said(tmp_path):
    text = FULL.replace("[scoring]", """[[question]]
factor = "glaze_dwell"
response = "figure_clarity"
worth = 1
between = ["12 min", "6 min"]
[[question]]
factor = "glaze_dwell"
response = "figure_clarity"
worth = 1
between = ["6 min", "3 min"]
[scoring]""")  # fmt: skip
    put_in = truth.of_worths(plan_of(tmp_path, text))
    # wants 0.5, 1 and 1 of a - b - c: least squares give 0.5, 0.5 and 1 (each misses by 0.5)
    assert put_in.difference("glaze_dwell", "figure_clarity", "12 min", "3 min") == 1.0
    assert put_in.difference("glaze_dwell", "figure_clarity", "12 min", "6 min") == 0.5
    (said,) = [text for text in put_in.words if "cannot all hold at once" in text]
    assert "3 min instead of 12 min +1, not +0.5" in said


@pytest.mark.parametrize(
    ("lines_", "centre", "direction"),
    [
        ('kind = "grade"', 3.0, 1),
        ('kind = "grade"\ngrades = 10', 5.5, 1),
        ('kind = "yes_no"', 0.5, 1),
        ('kind = "measure"\nunit = "L*"\naim = "less"', 45.0, -1),
        ('kind = "measure"\nunit = "L*"\nlow = 20\nhigh = 60', 40.0, 1),
        ('kind = "measure"\nunit = "L*"\naim = 30', 45.0, -1),
        ('kind = "measure"\nunit = "L*"\naim = 44.5', 45.5, -1),
        ('kind = "measure"\nunit = "min"', 0.0, 1),
        ('kind = "grade"\naim = 3', 2.0, 1),
    ],
)
def test_where_a_response_begins_and_which_way_is_better(tmp_path, lines_, centre, direction):
    text = SMALL.replace('kind = "grade"\naim = "more"', lines_)
    plan = plan_of(tmp_path, text)
    response = plan.response("figure_clarity")
    put_in = truth.stated(plan, {("seal_coat", "figure_clarity"): direction * 1.0})
    prior, _ = made_up.variances(plan, response, put_in)
    assert truth.centre(response, put_in, prior) == centre
    assert truth.better(response) == direction


def test_a_response_with_one_limit_begins_well_inside_it(tmp_path):
    plan = plan_of(tmp_path, FULL)
    response, put_in = plan.response("sheen"), truth.of_worths(plan_of(tmp_path, FULL))
    prior, note = made_up.variances(plan, response, put_in)
    # a quarter of the worth of 8 is 2; four of it and the effect itself
    assert prior.variances.sum() == pytest.approx(4.0)
    assert truth.centre(response, put_in, prior) == pytest.approx(16.0)
    assert "no working value for how much sheen differs" in note
    assert "a standard deviation of 2 GU, a quarter of the worth stated" in note
    bare = replace(plan, questions=())
    assert "a quarter of one unit of it" in made_up.variances(bare, response, truth.Truth({}, ()))[1]
    limited = replace(response, high=100.0)
    assert "a quarter of its scale" in made_up.variances(bare, limited, truth.Truth({}, ()))[1]
    effect = truth.stated(bare, {("seal_coat", "sheen"): 4.0})
    assert "a quarter of the effect stated" in made_up.variances(bare, response, effect)[1]


def test_the_missing_working_value_is_said(run_of):
    made, _ = run_of
    assert any("no working value for how much sheen differs" in text for text in made.effects)
    assert any(text.startswith("Factors act at the last stage") for text in made.effects)
    assert any(
        "which level of carrier, seal coat should win, so the rehearsal lets the last-named win" in text
        for text in made.effects
    )


@pytest.mark.usefixtures("no_page")
def test_variances_can_be_handed_in(small):
    none = {
        "darkness": Prior(pd.Series({"board": 0.0, "board:lane": 0.0, "board:strip": 0.0, "residual": 0.0}), ""),
    }
    made = rehearse.rehearse(small, effects={("carrier", "darkness"): 6.0}, variances=none, when=WHEN)
    layout = {row["patch"]: row["carrier"] for row in cells(small / "layout.csv")}
    values = {(layout[row["patch"]], row["darkness"]) for row in cells(made.folder / "results" / "measuring.csv")}
    assert values == {("water", "42"), ("alcohol", "48")}


@pytest.mark.usefixtures("no_page")
def test_an_earlier_trial_is_still_found_from_the_rehearsal(tmp_path):
    place = laid(tmp_path / "shop" / "trial", SMALL.replace("[trial]\n", '[trial]\nlike = "../earlier"\n'))
    still = Prior(pd.Series({"residual": 1.0}), "")
    known = {"darkness": still, "figure_clarity": still}
    made = rehearse.rehearse(place, variances=known, when=WHEN)
    assert made.plan.like == "../../earlier"
    other = rehearse.rehearse(place, tmp_path / "elsewhere", variances=known, when=WHEN)
    assert other.plan.like == "../shop/earlier"
    assert "like names '../earlier'" in refused(rehearse.rehearse, place)


@pytest.mark.usefixtures("no_page")
def test_the_plans_own_spreads_count(tmp_path):
    pieces = "".join(f"{name} = 0\n" for name in ("lot", "board", "lane", "strip", "patch", "reading"))
    spread = f'[[spread]]\nresponse = "darkness"\n{pieces}'
    made = rehearse.rehearse(laid(tmp_path / "trial", SMALL.replace("[scoring]", f"{spread}[scoring]")), when=WHEN)
    assert {row["darkness"] for row in cells(made.folder / "results" / "measuring.csv")} == {"45"}
    assert any("differ in darkness: Standard deviations from the plan" in text for text in made.effects)


def test_factors_act_at_the_last_stage_and_not_on_controls(trial, tmp_path):
    loaded = folders.load(trial)
    still = Prior(pd.Series({"board": 0.0, "residual": 0.0}), "")
    put_in = truth.stated(loaded.plan, {("seal_coat", "darkness"): 4.0})
    response = loaded.plan.response("darkness")
    found = made_up.values(response, loaded.patches, put_in, still, [""], 1)
    begin = truth.centre(response, put_in, still)
    for row in loaded.patches.to_dict("records"):
        assert float(found["dyed", "", row["patch"]]) == begin
        added = 0.0 if row["control"] else {"none": -2.0, "shellac": 2.0}[row["seal_coat"]]
        assert float(found["topcoated", "", row["patch"]]) == begin + added


def test_values_stay_within_the_scale(tmp_path, trial):
    loaded = folders.load(trial)
    wild = Prior(pd.Series({"board": 400.0, "residual": 400.0}), "")
    for name, allowed in (("figure_clarity", (1.0, 5.0)), ("sheen", (0.0, math.inf))):
        found = made_up.values(loaded.plan.response(name), loaded.patches, truth.Truth({}, ()), wild, ["A"], 1)
        numbers = [float(text) for text in found.values()]
        assert min(numbers) >= allowed[0]
        assert max(numbers) <= allowed[1]
        assert len(set(numbers)) > 2


def test_fine_measures_keep_the_decimals_they_need():
    response = replace(read_response(), unit="mm")
    patches = pd.DataFrame({"patch": range(100, 160), "lot": 1, "board": 1, "lane": 1, "strip": 1, "control": ""})
    for deviation, decimals in ((30.0, 1), (0.9, 1), (0.02, 3)):
        prior = Prior(pd.Series({"residual": deviation**2}), "")
        texts = made_up.values(response, patches, truth.Truth({}, ()), prior, [""], 1).values()
        assert max(len(text.partition(".")[2]) for text in texts) == decimals
        assert len(set(texts)) > 10


# --- effects as they are typed ---------------------------------------------------------------------


def test_effects_are_read(tmp_path):
    plan = plan_of(tmp_path, FULL)
    assert rehearse.parse(plan, []) is None
    assert rehearse.parse(plan, ["none"]) == rehearse.parse(plan, [" None "]) == {}
    typed = ["seal_coat on figure_clarity = 0.8; Glaze dwell on Darkness = −2,5", "carrier on acceptable=.3"]
    assert rehearse.parse(plan, typed) == {
        ("seal_coat", "figure_clarity"): 0.8, ("glaze_dwell", "darkness"): -2.5, ("carrier", "acceptable"): 0.3,
    }  # fmt: skip


FAULTS = [
    ("sealcoat on figure_clarity = 1", "'sealcoat' in 'sealcoat on figure_clarity = 1' is not a factor of the plan; "
     "write 'seal_coat'."),
    ("seal_coat on clarity = 1", "'clarity' in 'seal_coat on clarity = 1' is not a response of the plan; write"),
    ("seal_coat on darkness = lots", "'lots' in 'seal_coat on darkness = lots' is not a number; write an amount"),
    ("seal_coat on darkness = ", "'' in 'seal_coat on darkness =' is not a number"),
    ("seal_coat on darkness = 1e999", "is not a number"),
    ("seal_coat: 0.8", "'seal_coat: 0.8' does not say which factor moves which response by how much; write it as"),
    ("seal_coat on figure_clarity = 5", "5 in 'seal_coat on figure_clarity = 5' is more than the scale holds"),
    ("carrier on sheen = 1; carrier on sheen = 2", "the effect of carrier on sheen is stated twice; keep one"),
    ("none; carrier on sheen = 1", "'none' does not say which factor"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "says"), FAULTS, ids=[says[:25] for _, says in FAULTS])
def test_one_sentence_for_each_fault(tmp_path, text, says):
    assert says in refused(rehearse.parse, plan_of(tmp_path, FULL), [text])


def test_all_faults_are_named_at_once(tmp_path):
    with pytest.raises(UserError) as caught:
        rehearse.parse(plan_of(tmp_path, FULL), ["sealcoat on clarity = x", "what"])
    assert len(caught.value.problems) == 4
