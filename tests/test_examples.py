"""The examples: marked on every page, their dates in order; a trial begun from one bears no mark."""

import csv
import json
import re
from pathlib import Path

import pypdfium2
import pytest

from tests.conftest import REPOSITORY, outcome
from tests.test_cli import wrong
from trials import folder
from trials.plan import INVENTED

EXAMPLES = ("lacewood-counter", "lap-boards")
TABLES = ("layout.csv", "readings.csv", "conditions.csv")


@pytest.fixture(scope="module", params=EXAMPLES)
def demo(request, tmp_path_factory):
    """Return an example's name and the folder in which the whole job was run on it."""
    place = tmp_path_factory.mktemp("demo of an example") / request.param
    done = outcome("demo", place, "--example", request.param)
    assert done.status == 0, done.err
    assert outcome("publish", place).status == 0
    return request.param, place, done


def test_the_job_gives_the_tables_that_lie_there(demo):
    name, place, _ = demo
    for table in TABLES:
        assert (place / table).read_bytes() == (REPOSITORY / "example_trials" / name / table).read_bytes()


def test_dates_run_forwards(demo):
    _, place, _ = demo
    trial = folder.load(place)
    begun, ended = trial.record.laid_out_at[:19], trial.closings[-1]["at"][:19]
    work = sorted(row["started_at"] for row in trial.conditions)
    looks = sorted(row["taken_at"] for row in trial.readings)
    assert all(re.fullmatch(r"2026-0[34]-\d\dT\d\d:\d\d:\d\d", time) for time in (begun, *work, *looks, ended))
    assert begun < work[0] < work[-1] < looks[0] < looks[-1] <= ended
    for calendar in (place / "sheets").glob("*.ics"):
        assert f"DTSTART:{work[0][:10].replace('-', '')}" in calendar.read_text(encoding="utf-8")


def test_every_page_and_every_reading_is_marked(demo):
    _, place, done = demo
    said = f"example, {INVENTED}"
    assert {row["method"] for row in folder.load(place).readings} == {"invented"}
    assert all(row["source"].startswith(said) for row in folder.load(place).readings)
    pages = [path for path in place.rglob("*") if path.suffix in (".html", ".svg", ".ics", ".md", ".pdf")]
    assert {path.suffix for path in pages} >= {".html", ".md", ".pdf"}
    for path in pages:
        for text in texts(path):
            assert said in text.casefold().replace("\\", ""), path
    for table in (place / "report" / "tables").glob("*.csv"):
        with table.open(encoding="utf-8", newline="") as file:
            assert {row["source"] for row in csv.DictReader(file)} <= {said}
    assert json.loads((place / "open-data" / "datapackage.json").read_text())["description"].startswith("Example")
    assert done.out.count(said.capitalize()) >= 3  # check, plan and decide


def texts(path: Path) -> list[str]:
    """Return the text of each page."""
    if path.suffix == ".pdf":
        return [page.get_textpage().get_text_bounded() for page in pypdfium2.PdfDocument(path)]
    return [path.read_text(encoding="utf-8")]


@pytest.mark.parametrize("name", EXAMPLES)
def test_a_trial_begun_from_an_example_is_a_trial(run, tmp_path, name):
    place = tmp_path / "a trial"
    assert run("new", place, "--example", name).status == 0
    text = (place / "trial.toml").read_text(encoding="utf-8")
    assert text.startswith(f"# Begun from the example {name}")
    assert INVENTED not in text.casefold()
    assert "example =" not in text
    plan = folder.read_plan(place / "trial.toml")
    made = folder.load(REPOSITORY / "example_trials" / name)
    assert plan.mark == ""
    assert plan.layout_digest() == made.plan.layout_digest()
    assert run("plan", place, "--seed", made.record.seed).status == 0
    for results in (REPOSITORY / "example_trials" / name / "results").glob("scores-*.csv"):
        assert "invented result, which no trial takes in" in wrong(run, place, "record", results, place)


def test_the_mark_stays_and_no_trial_is_planned_from_what_was_invented(run, tmp_path):
    made = REPOSITORY / "example_trials" / "lacewood-counter"
    place = tmp_path / "unmarked"
    place.mkdir()
    for name in (*TABLES, "datapackage.json"):
        (place / name).write_bytes((made / name).read_bytes())
    text = (made / "trial.toml").read_text(encoding="utf-8")
    (place / "trial.toml").write_text(re.sub(r"(?m)^example = .*\n", "", text), encoding="utf-8")
    assert "put example = true back under [trial]" in wrong(run, place, "decide", place)
    assert run("new", tmp_path / "after", "--like", made).status == 0
    after = folder.read_plan(tmp_path / "after" / "trial.toml")
    assert after.example
    assert (tmp_path / "after" / after.like).resolve() == made.resolve()
    written = tmp_path / "after" / "trial.toml"
    written.write_text(re.sub(r"(?m)^example = .*\n", "", written.read_text(encoding="utf-8")), encoding="utf-8")
    assert "whose results are invented" in wrong(run, tmp_path / "after", "check", tmp_path / "after")
