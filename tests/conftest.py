"""What several tests need: a small plan, a laid-out trial folder, the command line."""

from __future__ import annotations

import contextlib
import functools
import io
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import hypothesis
import pytest
import typer

# a busy machine is no fault of the code, and some strategies throw much away
_PATIENT = [hypothesis.HealthCheck.too_slow, hypothesis.HealthCheck.filter_too_much]
hypothesis.settings.register_profile("patient", deadline=None, suppress_health_check=_PATIENT)
hypothesis.settings.load_profile("patient")

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # as the command line does, before numpy is imported

REPOSITORY = Path(__file__).parent.parent
EXAMPLE = REPOSITORY / "example_trials" / "lacewood-counter"

SMALL = """\
[trial]
title = "Hall cabinet in quartersawn sycamore"

[boards]
count = 4
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

[[factor]]
name = "glaze_dwell"
levels = ["3 min", "6 min"]
laid_on = "strip"

[[response]]
name = "figure_clarity"
kind = "grade"
aim = "more"

[[response]]
name = "darkness"
kind = "measure"
unit = "L*"
aim = "less"

[[question]]
factor = "seal_coat"
response = "figure_clarity"
worth = 0.5

[scoring]
assessors = ["A", "B"]
"""


@dataclass(frozen=True)
class Outcome:
    """What a command did."""

    status: int
    out: str
    err: str


def outcome(*words: object) -> Outcome:
    """Run a command as the shell does, errors and exit status included."""
    from analysis import cli

    if words[0] == "plan" and not {"--add", "--graded"} & set(words):
        words = (*words, "--anyway")  # the plans of tests are small: most of them are hopeless
    words = tuple(word for word in words if word != "--graded")
    out, err = io.StringIO(), io.StringIO()
    with (
        pytest.MonkeyPatch.context() as patch,
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        patch.setattr(sys, "argv", ["splitboard", *map(str, words)])
        try:
            cli.main()
            status = 0
        except SystemExit as stop:
            status = stop.code if isinstance(stop.code, int) else int(stop.code is not None)
    return Outcome(status, out.getvalue(), err.getvalue())


@pytest.fixture(scope="session", autouse=True)
def _commands_read_once() -> Iterator[None]:
    """Let Typer read the signatures of the commands once a process, as a command line does, not once a command."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(typer.main, "get_command", functools.cache(typer.main.get_command))
        yield


@pytest.fixture
def run() -> Callable[..., Outcome]:
    """Run a command as the shell does, errors and exit status included."""
    return outcome


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder with the small plan, not laid out."""
    place = tmp_path / "trial"
    place.mkdir()
    (place / "trial.toml").write_text(SMALL, encoding="utf-8")
    return place


@pytest.fixture(scope="session")
def laid_out_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the small plan laid out with seed 1, which nobody writes in: `laid_out` copies it."""
    place = tmp_path_factory.mktemp("laid out") / "trial"
    place.mkdir()
    (place / "trial.toml").write_text(SMALL, encoding="utf-8")
    assert outcome("plan", place, "--seed", 1).status == 0
    return place


@pytest.fixture
def laid_out(laid_out_once: Path, tmp_path: Path) -> Path:
    """Return the folder laid out with seed 1."""
    return Path(shutil.copytree(laid_out_once, tmp_path / "trial"))
