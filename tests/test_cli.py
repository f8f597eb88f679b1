"""The commands as a new user meets them: help, JSON, wrong input, the whole job once."""

import json
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import EXAMPLE, REPOSITORY, SMALL
from tests.test_records import codes, scores
from trials import __version__, starter
from trials.plan import read_plan

COMMANDS = (
    "new", "check", "size", "plan", "sheets", "mix", "record", "correct", "accept", "close", "analyse", "decide",
    "report", "publish", "rehearse", "lap", "demo",
)  # fmt: skip
HEAVY = (
    "numpy",
    "pandas",
    "scipy",
    "statsmodels",
    "seaborn",
    "matplotlib",
    "pint",
    "typst",
    "jinja2",
    "pyDOE3",
    "rich",
    "joblib",
)


def files(place: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(place)): path.read_bytes()
        for path in place.rglob("*")
        if path.is_file() and not path.name.startswith(".")
    }


# --- help ------------------------------------------------------------------------------------------


def test_help_names_every_command_in_the_order_of_the_work(run):
    done = run("--help")
    assert done.status == 0
    found = re.findall(r"^  (\w+)  ", done.out.split("Commands:")[1], re.MULTILINE)
    assert tuple(found) == COMMANDS
    assert "..." not in done.out.split("Commands:")[1]  # no description is cut short


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_an_example(run, command):
    done = run(command, "--help")
    assert done.status == 0
    assert f"splitboard {command}" in done.out.split("Options")[0].split("\n", 1)[1]


def test_version(run):
    assert run("--version").out.strip() == f"splitboard {__version__}"


@pytest.mark.parametrize("words", [["--help"], ["--version"], ["record", "--help"]])
def test_help_starts_without_the_heavy_libraries(words):
    code = (
        "import sys; sys.argv = ['splitboard', *sys.argv[1:]]\n"
        "from analysis.cli import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        f"print(sorted(set({HEAVY!r}) & set(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *words], capture_output=True, text=True, cwd=REPOSITORY, check=True
    )
    assert done.stderr.strip() == "[]"


# --- wrong input: a clear sentence, exit status 2, nothing changed ------------------------------------


def wrong(run, place: Path, *words: object) -> str:
    before = files(place)
    done = run(*words)
    assert done.status == 2, done
    assert "Traceback" not in done.err
    assert done.err.strip()
    assert files(place) == before
    return done.err


def test_an_empty_folder(run, tmp_path):
    for command in ("check", "size", "plan", "sheets", "analyse", "decide", "report", "rehearse"):
        error = wrong(run, tmp_path, command, tmp_path)
        assert "holds no trial.toml" in error
        assert "splitboard new FOLDER" in error


def test_no_folder(run, tmp_path):
    assert "there is no folder" in wrong(run, tmp_path, "check", tmp_path / "nowhere")
    (tmp_path / "file").write_text("x")
    assert "is a file" in wrong(run, tmp_path, "check", tmp_path / "file")


def test_a_trial_toml_that_is_not_toml(run, folder):
    (folder / "trial.toml").write_text("[trial\ntitle = oops")
    error = wrong(run, folder, "plan", folder)
    assert "trial.toml, line 1: is not TOML" in error


def test_an_unknown_code_in_the_scores(run, laid_out):
    file = scores(laid_out)
    file.write_text(file.read_text().replace(f"\n{codes(laid_out)[4]},", "\n1000,"))
    error = wrong(run, laid_out, "record", file, laid_out)
    assert "scores.csv, row 6, column patch: no patch of this trial has the code '1000'" in error


def test_a_score_of_7_on_five_grades(run, laid_out):
    error = wrong(run, laid_out, "record", scores(laid_out, value=7), laid_out)
    assert "scores.csv, row 2, column figure_clarity: figure clarity is 7, but its grades go from 1 to 5" in error


@pytest.mark.parametrize(
    ("data", "what"), [(b"\x89PNG\r\n\x1a\n\0\0", "a picture (PNG)"), (b"%PDF-1.7\n\xff\xff", "a PDF document")]
)
def test_a_scores_file_that_is_a_picture_or_a_pdf(run, laid_out, tmp_path, data, what):
    (tmp_path / "scores.csv").write_bytes(data)
    error = wrong(run, laid_out, "record", tmp_path / "scores.csv", laid_out)
    assert f"scores.csv: is {what}, not a csv file" in error


def test_plan_after_results_exist(run, laid_out):
    run("record", scores(laid_out), laid_out)
    assert "the plan is frozen" in wrong(run, laid_out, "plan", laid_out)


def test_a_layout_edited_by_hand(run, laid_out):
    path = laid_out / "layout.csv"
    path.write_text(path.read_text().replace("shellac", "none", 1))
    error = wrong(run, laid_out, "sheets", laid_out)
    assert re.search(r"layout\.csv: .* row \d+, column seal_coat; ", error)


def test_nothing_recorded_yet(run, laid_out):
    for command in ("analyse", "decide", "report"):
        assert "nothing is recorded yet" in wrong(run, laid_out, command, laid_out)


def test_constant_scores_are_said_once_with_one_full_stop(run, laid_out):
    same = laid_out.parent / "same.csv"
    same.write_text("patch,figure_clarity,assessor\n" + "".join(f"{code},3,A\n" for code in codes(laid_out)))
    run("record", same, laid_out, "--yes")
    error = wrong(run, laid_out, "analyse", laid_out, "--response", "figure_clarity")
    assert error == "every value of 'figure_clarity' is 3; there is no difference to explain.\n"


def test_wrong_words(run, laid_out):
    assert "write a4 or us-letter" in wrong(run, laid_out, "sheets", laid_out, "--paper", "foolscap")
    run("record", scores(laid_out), laid_out)
    assert "write 'darkness'" in wrong(run, laid_out, "analyse", laid_out, "--response", "darknes")
    assert "no file of scores is named" in wrong(run, laid_out, "record", laid_out)
    assert "there is no file or folder 'nothing.csv'" in wrong(run, laid_out, "record", "nothing.csv", laid_out)
    assert "there is no file or folder 'elsewhere'" in wrong(run, laid_out, "record", scores(laid_out), "elsewhere")
    assert "No such option" in wrong(run, laid_out, "check", "--loud")
    assert "No such command" in wrong(run, laid_out, "bake")
    assert "holds a trial already" in wrong(run, laid_out, "new", laid_out, "--example", "lacewood-counter")
    assert "write 'lacewood-counter'" in wrong(run, laid_out, "new", laid_out / "x", "--example", "lacewood")


def test_errors_as_json(run, folder):
    (folder / "trial.toml").write_text(SMALL.replace("count = 4", "count = 0"))
    done = run("check", folder, "--json")
    assert done.status == 2
    given = json.loads(done.out)
    assert given["ok"] is False
    assert given["errors"][0] | {"what": ""} == {
        "what": "", "cure": "write a whole number from 1 to 500, without quotes",
        "file": "trial.toml", "line": 5, "column": "count",
    }  # fmt: skip


def test_a_fault_of_our_own_keeps_its_traceback_and_says_so(run, laid_out, monkeypatch):
    from trials import records

    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("oops")

    monkeypatch.setattr(records, "check_readings", broken)
    done = run("record", scores(laid_out), laid_out)
    assert done.status == 70
    assert "ZeroDivisionError" in done.err
    assert "a fault of splitboard's own" in done.err
    assert not (laid_out / "readings.csv").exists()


def test_a_folder_with_a_blank_in_its_name_is_named_as_it_is_typed(run, folder):
    place = folder.with_name("it's my trial")
    folder.rename(place)
    for command in ("check", "plan", "sheets"):
        said = run(command, place).err
        assert Path(shlex.split(said.partition("Next: ")[2])[-1]) == place, said
    (place / "layout.csv").unlink()
    said = run("sheets", place).err
    assert Path(shlex.split(said.partition("; '")[2].rpartition("' puts")[0])[2]) == place, said


# --- what check says -------------------------------------------------------------------------------


def test_check_says_what_can_be_told(run, folder):
    done = run("check", folder)
    assert done.status == 0
    assert "16 patches" in done.out
    assert "It can be judged, by comparing lanes on the same boards" in done.out
    assert "carrier is laid on whole boards" in done.out
    assert "Next: splitboard plan" in done.err


def test_check_says_no_when_a_question_cannot_be_told(run, folder):
    text = SMALL.replace("count = 4", "count = 2").replace('factor = "seal_coat"', 'factor = "carrier"')
    (folder / "trial.toml").write_text(text)
    done = run("check", folder)
    assert done.status == 1
    assert "one board for each setting, so carrier and board cannot be told apart" in done.out


def test_check_says_how_many_boards_would_do(run, folder):
    (folder / "trial.toml").write_text(SMALL.replace("count = 4", "count = 1"))
    done = run("check", folder)
    assert done.status == 2
    assert "1 treated board cannot tell apart what is laid on boards" in done.err
    assert "lay out 2 boards or more" in done.err


def test_check_says_first_what_sheets_would_leave_out_or_refuse(folder, run):
    plan = folder / "trial.toml"
    plan.write_text(SMALL + '\n[costs]\narea = "2 m^2"\nrate = 40\nprice = { glaze = 18 }\n')
    said = run("check", folder).out
    assert "no [[step]], so there will be no order of work, no calendar and no page for the bench: add one" in said
    assert "no [[costs.step]], so no cost will be said" in said
    plan.write_text(SMALL.replace("glaze_dwell", "dye_load").replace('"3 min", "6 min"', '"0 g/L", "9 g/L"'))
    run("plan", folder, "--seed", 1, "--anyway")
    done, refused = run("check", folder), run("sheets", folder)
    assert (done.status, refused.status) == (1, 2)
    assert f"What cannot be mixed:\n- {refused.err.strip()}" in done.out


# --- a trial begun by questions ----------------------------------------------------------------------


def answered(*answers: str):
    given = iter(answers)
    said: list[str] = []
    return starter.ask_all(lambda question, default: next(given), said.append), said


ASKED = {
    "what to compare on every piece": (
        'Bar "front"', "sycamore", "water, alcohol", "", "shellac 1 lb cut, thinned varnish", "3, 6 min",
        "oil varnish", "15 3/4 in", '5 1/2"', "blotch, laps", "no", "Jo, Sam", "3", "1",
    ),
    "a load, with an instrument": (
        "Rail", "", "", "10, 20, 40 g/L", "", "", "", "400 mm", "150 mm", "figure clarity", "yes", "", "4", "1",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", ASKED)
def test_a_plan_from_plain_questions_needs_no_hand_work(tmp_path, run, name):
    answers, said = answered(*ASKED[name])
    assert not said[1:]
    place = tmp_path / "asked"
    place.mkdir()
    (place / "trial.toml").write_text(starter.plan_text(answers))
    done = run("check", place)
    assert done.status == 0
    assert "Not known to the materials file" not in done.out
    assert run("plan", place, "--seed", 1).status == 0
    made = run("sheets", place)
    assert made.status == 0
    assert all(sheet in made.out for sheet in ("order-of-work.pdf", "bench.html", "mixing.pdf"))


def test_what_is_asked_stands_in_the_plan(tmp_path):
    (tmp_path / "trial.toml").write_text(starter.plan_text(answered(*ASKED["a load, with an instrument"])[0]))
    plan = read_plan(tmp_path)
    assert plan.wood == ""
    assert plan.factor("dye_load").levels == ("10 g/L", "20 g/L", "40 g/L")
    assert [(one.name, one.kind, one.aim, one.stages) for one in plan.responses] == [
        ("figure_clarity", "grade", "more", ("dyed",)), ("darkness", "measure", "less", ("dyed",)),
    ]  # fmt: skip
    assert [(one.factor, one.response) for one in plan.questions] == [("dye_load", "figure_clarity")]


def test_questions_are_put_again_until_they_can_be_used():
    answers, said = answered(
        "x", "y", "water", "water, oil", "15, 30", "15 g/L, 30 g/L", "", "", "", "400", "400 mm", "150 mm", "shine",
        "clarity", "maybe", "no", "", "2", "none", "1",
    )  # fmt: skip
    assert answers.carriers == ("water", "oil")
    assert answers.loads == ("15 g/L", "30 g/L")
    assert answers.looks == ("figure_clarity",)
    expected = (
        "One alone cannot be compared", "has no unit", "'shine' has no scale in words yet", "neither yes nor no",
        "'none' is not a number",
    )  # fmt: skip
    assert all(any(part in text for text in said) for part in expected)


def test_nobody_to_ask(run, tmp_path):
    assert "add --example lacewood-counter" in wrong(run, tmp_path, "new", tmp_path / "x")


# --- JSON and the whole job ------------------------------------------------------------------------


@pytest.fixture
def example(tmp_path: Path) -> Path:
    """Return a copy of the example: looking at an open trial is put on record in it."""
    return Path(shutil.copytree(EXAMPLE, tmp_path / "counter"))


@pytest.mark.parametrize("command", ["check", "analyse", "decide"])
def test_json_holds_no_nan_and_the_same_answer(run, command, example):
    done = run(command, example, "--json")
    assert done.status == 0
    given = json.loads(done.out, parse_constant=lambda word: pytest.fail(f"{word} is not JSON"))
    assert given["ok"] is True
    assert given["schema"] == f"splitboard/{command}/1"
    plain = run(command, example).out
    if command == "decide":
        assert all(finding["sentence"] in plain for finding in given["data"]["findings"])
        (chance,) = given["data"]["next"]["chances"]
        assert 0 < chance["now"] < chance["then"] < 1
        assert f"from {100 * chance['now']:.0f} to {100 * chance['then']:.0f} of 100" in plain


def test_letters_only_when_asked_for(run, example):
    plain = run("analyse", example, "--response", "darkness").out
    assert "letters" not in plain
    marked = run("analyse", example, "--response", "darkness", "--letters").out
    assert re.search(r"water +[\d.]+ +[\d.]+ +[\d.]+  ab?", marked)
    assert "does not show them to be alike" in marked


def test_the_whole_job_on_the_example(run, tmp_path):
    place = tmp_path / "demo"
    done = run("demo", place)
    assert done.status == 0, done.err
    report = done.out.strip().splitlines()[-1]
    assert Path(report) == place / "report" / "report.html"
    assert Path(report).exists()
    assert (place / "layout.csv").read_bytes() == (EXAMPLE / "layout.csv").read_bytes()
    assert {path.name for path in (place / "sheets").iterdir()} >= {"boards.pdf", "key.pdf"}
    again = run("demo", place)
    assert again.status == 2
    assert "holds a trial already" in again.err
