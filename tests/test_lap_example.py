"""The lap boards' invented results: made again to the letter, and analysed beside the truth they were made from.

One trial shows little of how often limits hold the truth; the curves' own tests see to that.
"""

import importlib.util
import json
import math
import random
from types import ModuleType

import numpy as np
import pytest

from analysis import decide
from analysis.curves.of_trial import LapWindow, lap_window
from tests.conftest import REPOSITORY
from trials import folder

LAPS = REPOSITORY / "example_trials" / "lap-boards"
TRUTH = json.loads((LAPS / "truth.json").read_text(encoding="utf-8"))
TRUE_WAITS = {one["carrier"]: one for one in TRUTH["waits"]}
TABLES = ("layout.csv", "readings.csv", "conditions.csv")
RESULTS = ("scores-A.csv", "steps.csv", "bench.csv")


@pytest.fixture(scope="module")
def windows() -> tuple[LapWindow, LapWindow]:
    """Return what the grades and what the measurements say."""
    trial = folder.load(LAPS)
    decision = decide.decide(trial)
    return lap_window(trial, decision), lap_window(trial, decision, response="lap_step")


def script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("simulate_laps", LAPS / "simulate.py")
    assert spec is not None
    assert spec.loader is not None
    simulate = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(simulate)
    return simulate


# --- made again ------------------------------------------------------------------------------------


def test_simulate_gives_the_files_that_lie_there(tmp_path):
    simulate = script()
    (tmp_path / "trial.toml").write_bytes((LAPS / "trial.toml").read_bytes())
    simulate.HERE = tmp_path
    for _ in range(2):
        simulate.main()
        for name in (*(f"results/{result}" for result in RESULTS), *TABLES, "truth.json"):
            assert (tmp_path / name).read_bytes() == (LAPS / name).read_bytes()
    assert {path.name for path in (tmp_path / "results").iterdir()} == set(RESULTS)


# --- the truth itself ------------------------------------------------------------------------------


def test_the_stated_waits_follow_from_the_truth():
    """The risk over all boards by Gauss-Hermite quadrature instead of a fine sum; the index from its own formula."""
    truth, risk, index = TRUTH["truth"], TRUTH["risk"], TRUTH["index"]
    at, weights = np.polynomial.hermite_e.hermegauss(60)
    for carrier, half in truth["half_seen_min"].items():
        log_odds = truth["slope"] * math.log(TRUE_WAITS[carrier]["seen_min"] / half)
        chance = weights @ (1 / (1 + np.exp(-log_odds - truth["boards"] * at))) / weights.sum()
        assert chance == pytest.approx(risk, abs=2e-5)
        wanted = half * math.exp((math.log(index / (1 - index)) - truth["step"]["log_odds"]) / truth["slope"])
        assert TRUE_WAITS[carrier]["index_min"] == pytest.approx(wanted, abs=1e-4)


@pytest.mark.parametrize("log_odds", [-2.0, 0.0, 1.0])
def test_grades_are_seen_as_often_as_stated(log_odds):
    """5000 grades; a binomial share lies beyond four standard errors with a probability of 6e-5."""
    simulate, draw = script(), random.Random(5)
    grades = [float(simulate._grade(log_odds, draw)) for _ in range(5000)]
    chance = 1 / (1 + math.exp(-log_odds))
    assert {2 * grade % 1 for grade in grades} == {0.0}
    share = sum(grade >= 3 for grade in grades) / 5000
    assert abs(share - chance) < 4 * math.sqrt(chance * (1 - chance) / 5000)


# --- analysed --------------------------------------------------------------------------------------


def test_no_command_refuses(run, tmp_path):
    place = tmp_path / "laps"
    place.mkdir()
    for path in LAPS.iterdir():
        if path.suffix in (".toml", ".csv", ".json"):
            (place / path.name).write_bytes(path.read_bytes())
    for command in ("analyse", "decide", "report"):
        done = run(command, place)
        assert done.status == 0, done.err
        if command == "decide":
            assert "By lap visibility and by lap step the edge may wait longest with water: they agree." in done.out
    assert (place / "report" / "report.html").exists()


def test_both_carriers_get_waits_with_limits(windows):
    for window in windows:
        assert {wait.carrier for wait in window.waits} == {"water", "alcohol"}
        for wait in window.waits:
            assert 0 < wait.lower < wait.minutes < wait.upper < math.inf
    assert [window.method for window in windows] == ["bayes, boards random", "boards"]


@pytest.mark.parametrize(("at", "truth"), [(0, "seen_min"), (1, "index_min")])
def test_the_true_waits_lie_within_the_limits(windows, at, truth):
    """Grades at a risk of 1 in 10, steps at an index of a fifth."""
    window = windows[at]
    assert window.risk == TRUTH["risk" if at == 0 else "index"]
    for wait in window.waits:
        assert wait.lower <= TRUE_WAITS[wait.carrier][truth] <= wait.upper


def test_grades_and_measurements_agree_on_the_carriers(windows):
    """Water leaves the edge open for longer, as in truth, by both; the measured limits do not even overlap."""
    for window in windows:
        water, alcohol = sorted(window.waits, key=lambda wait: wait.carrier, reverse=True)
        assert water.carrier == "water"
        assert water.minutes > alcohol.minutes
    assert TRUE_WAITS["water"]["seen_min"] > TRUE_WAITS["alcohol"]["seen_min"]
    water, alcohol = sorted(windows[1].waits, key=lambda wait: wait.carrier, reverse=True)
    assert water.lower > alcohol.upper
