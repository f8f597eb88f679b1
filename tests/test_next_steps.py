"""Every "Next:" line is a command that can be pasted as it stands and is not refused, at each stage of a trial."""

from __future__ import annotations

import csv
import random
import shlex
from pathlib import Path

import pytest

from tests.conftest import SMALL, Outcome, outcome
from trials import errors
from trials.scoring import scores_file

NAME = "Mein Prüfbrett (Öl)"
PLAN = SMALL.replace("count = 4", "count = 12").replace("worth = 0.5", "worth = 1")


def next_words(done: Outcome) -> list[str]:
    """Return the words of the one command that comes next, as a shell reads them."""
    (line,) = [line for line in done.err.splitlines() if line.startswith("Next: ")]
    words = shlex.split(line.removeprefix("Next: "))
    assert words[0] == "splitboard"
    return words[1:]


def paste(done: Outcome) -> Outcome:
    """Run the command that comes next; it is not refused."""
    words = next_words(done)
    after = outcome(*words)
    assert after.status == 0, f"{words}: {after.err}"
    return after


def codes(place: Path) -> list[dict[str, str]]:
    """Return the rows of the layout."""
    return list(csv.DictReader((place / "layout.csv").read_text(encoding="utf-8").splitlines()))


def score(place: Path, assessor: str, name: str) -> None:
    """Write a file of scores as the assessor's phone saves it, darkness beside it."""
    rows = codes(place)
    draw = random.Random(assessor)
    lines = ["patch,assessor,figure_clarity" + (",darkness" if assessor == "A" else "")]
    for row in rows:
        gain = 2 * (row["seal_coat"] == "shellac")
        cells = [row["patch"], assessor, str(2 + gain + draw.choice((0, 0, 1)))]
        lines.append(",".join([*cells, *([f"{40 + draw.random():.1f}"] if assessor == "A" else [])]))
    Path(name).write_text("\n".join(lines) + "\n", encoding="utf-8")


def test_each_command_named_next_can_be_pasted_at_every_stage(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    place = Path(NAME)
    place.mkdir()
    (place / "trial.toml").write_text(PLAN, encoding="utf-8")

    checked = outcome("check", NAME)
    assert next_words(outcome("size", NAME, "--boards", "4,8"))[0] == "check", "the number can still be chosen"
    planned = paste(checked)
    assert next_words(outcome("check", NAME)) == ["sheets", NAME]
    drawn = paste(planned)
    assert next_words(drawn) == ["record", "scores-A.csv", "scores-B.csv", NAME]

    score(place, "A", "scores-A.csv")
    half = outcome("record", "scores-A.csv", NAME)
    assert next_words(half) == ["record", "scores-B.csv", NAME], "who has not scored yet"
    for command in ("check", "size"):
        more = ("--boards", "8") if command == "size" else ()
        assert next_words(outcome(command, NAME, *more))[0] == "record", "the plan is frozen"
    score(place, "B", "scores-B.csv")
    scored = paste(half)
    assert next_words(scored) == ["close", NAME]
    kept = {path: path.read_bytes() for path in place.glob("*.*")}
    found = scored
    for name in ("close", "decide", "report", "publish"):
        assert next_words(found)[0] == name
        found = paste(found)
    assert "Next:" not in found.err
    assert f'Give away the whole folder "{NAME}/open-data"' in found.err

    for command in ("check", "size"):
        more = ("--boards", "8") if command == "size" else ()
        assert next_words(outcome(command, NAME, *more)) == ["decide", NAME]
    code = codes(place)[0]["patch"]
    late = outcome("correct", code, "darkness", "41", NAME, "--why", "misread")
    assert next_words(late) == ["decide", NAME]
    assert next_words(outcome("sheets", NAME)) == ["decide", NAME]
    opened = outcome("close", NAME, "--open-again", "--why", "a third look")
    assert next_words(opened)[0] == "record"
    assert all(path.exists() for path in kept)


def test_refusals_name_the_folder_in_the_command_that_cures_them(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    place = Path(NAME)
    place.mkdir()
    (place / "trial.toml").write_text(PLAN, encoding="utf-8")
    assert f"'splitboard plan \"{NAME}\"'" in outcome("sheets", NAME).err
    assert outcome("plan", NAME).status == 0
    assert f"'splitboard sheets \"{NAME}\"'" in outcome("plan", NAME).err
    assert f"'splitboard record scores-A.csv scores-B.csv \"{NAME}\"'" in outcome("decide", NAME).err
    score(place, "A", "scores-A.csv")
    assert outcome("record", "scores-A.csv", NAME).status == 0
    assert f"'splitboard plan --add 4 \"{NAME}\"'" in outcome("plan", NAME).err


@pytest.mark.parametrize(
    ("folder", "typed"),
    [
        (".", "splitboard check"),
        ("counter", "splitboard check counter"),
        (NAME, f'splitboard check "{NAME}"'),
        ("-5 boards", 'splitboard check "./-5 boards"'),
        ("it's", 'splitboard check "it\'s"'),
        ('a "b"', "splitboard check 'a \"b\"'"),
    ],
)
def test_a_command_as_it_is_typed(folder, typed):
    found = errors.command("check", Path(folder))
    assert found == typed
    assert Path(shlex.split(found + " .")[2]) == Path(folder)


def test_the_file_of_scores_is_named_as_the_page_saves_it():
    names = {"A": "scores-A.csv", "Käthe O'Neil": "scores-Käthe-O-Neil.csv", "…": "scores-assessor.csv"}
    assert {name: scores_file(name) for name in names} == names
