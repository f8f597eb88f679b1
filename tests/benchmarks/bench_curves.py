# ruff: noqa: E402  (the number of threads is read when numpy is imported)
"""How often the limits of laps and loads hold the truth they were made from.

Run as ``python tests/benchmarks/bench_curves.py [TRIALS] [WORDS OF A CASE]`` from the project's folder; 300 trials of
every case take about ten minutes on an idle core. Readings are made up by rules of their own: boards differ by a
normal shift; laps show with log odds that are straight in ln minutes, or with an index that rises along one of two
curves; darkness is straight or bent in ln load. `promise broken` is a lower limit above the truth, `none` how often
no limits, or only the waits tried on either side, were given. All shares are in 100, with their standard error.
"""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"

import math
import sys
import tempfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.special import expit, logit

from analysis.curves import board_logit, index_time, threshold
from analysis.curves.of_trial import dark_enough
from tests.trials_made import read, unread

WAITS = np.array([1.0, 1.5, 3.0, 5.0, 10.0])
RISK, INDEX = 0.1, 0.2
CARRIERS = {"water": 7.0, "alcohol": 2.6}
"""Minutes after which half of the laps on a middling board are seen."""
READING = 0.3 * math.sqrt(1.5) / 7
"""Noise of a lap index: three readings of 0.3 in L*, of a double coat of 7."""


@dataclass(frozen=True)
class Laps:
    """Boards a carrier, how steep (log odds or k a unit of ln minutes), boards' standard deviation in ln minutes."""

    boards: int
    steep: float
    spread: float
    carriers: tuple[str, ...] = ("water", "alcohol")


GRADED = {
    "6 boards, slope 4, boards .8": Laps(3, 4, 0.2),
    "the same, boards alike": Laps(3, 4, 0),
    "slope 2, boards 1.5": Laps(3, 2, 0.75),
    "slope 12, boards .3": Laps(3, 12, 0.025),
    "12 boards": Laps(6, 4, 0.2),
    "2 boards, 1 a carrier": Laps(1, 4, 0.2),
    "4 boards, 1 carrier, water": Laps(4, 4, 0.2, ("water",)),
    "4 boards, 1 carrier, alcohol": Laps(4, 4, 0.2, ("alcohol",)),
    "slope 1.5, boards 1": Laps(3, 1.5, 2 / 3),
    "slope 8, boards 1.6": Laps(3, 8, 0.2),
    "slope 4, boards 2": Laps(3, 4, 0.5),
}
MEASURED = {
    "own form, k 3, boards .2": ("weibull", Laps(3, 3, 0.2)),
    "own form, k 8, boards .2": ("weibull", Laps(3, 8, 0.2)),
    "own form, k 3, boards .05": ("weibull", Laps(3, 3, 0.05)),
    "own form, k 8, boards .05": ("weibull", Laps(3, 8, 0.05)),
} | {f"logistic, {name}": ("logistic", laps) for name, laps in list(GRADED.items())[:8]}
LOADS = (10.0, 20.0, 40.0)


@dataclass(frozen=True)
class Darkness:
    """Boards a carrier and load, slopes of the two carriers, bend, boards' standard deviation, loads tried."""

    boards: int
    slopes: tuple[float, float]
    bend: float = 0.0
    spread: float = 0.14
    loads: tuple[float, ...] = LOADS


DARK = {
    "straight, parallel": Darkness(2, (0.8, 0.8)),
    "straight, boards .3": Darkness(2, (0.8, 0.8), spread=0.3),
    "lines bend": Darkness(2, (0.8, 0.8), -0.25),
    "slopes .6 and .9": Darkness(2, (0.6, 0.9)),
    "both": Darkness(2, (0.6, 0.9), -0.25),
    "two loads": Darkness(3, (0.8, 0.8), loads=(10.0, 40.0)),
}
PLAN = """\
[trial]
title = "Made-up dye loads"
[boards]
count = {count}
length = "480 mm"
width = "150 mm"
lanes = 2
strips = 1
[[factor]]
name = "carrier"
levels = ["alcohol", "oil"]
laid_on = "board"
[[factor]]
name = "dye_load"
levels = [{loads}]
laid_on = "board"
[[factor]]
name = "seal_coat"
levels = ["none", "shellac"]
laid_on = "lane"
[[response]]
name = "darkness"
kind = "measure"
unit = "units"
aim = "more"
"""
Row = dict[str, float]


def graded(case: Laps, draw: np.random.Generator) -> list[Row]:
    """Make one trial of laps seen or not, one look a wait and board, and hold its limits to the truth."""
    rows, truths = [], {}
    for carrier in case.carriers:
        middle = math.log(CARRIERS[carrier])
        truths[carrier] = math.exp(middle + board_logit.predictor_of(RISK, case.steep * case.spread) / case.steep)
        for board in range(case.boards):
            odds = case.steep * (np.log(WAITS) - middle - draw.normal(0, case.spread))
            seen = draw.random(len(WAITS)) < expit(odds)
            rows.append(pd.DataFrame({"x": WAITS, "seen": seen.astype(int), "of": 1, "g": carrier})
                        .assign(board=f"{carrier} {board}"))  # fmt: skip
    frame = pd.concat(rows, ignore_index=True)
    if case.boards < 2 or frame["seen"].nunique() < 2:
        return [_held(math.nan, math.nan, truth) for truth in truths.values()]
    found = threshold(frame, "x", "seen", "of", "g", RISK, board="board").set_index("group")
    return [_held(found.loc[one, "lower"], found.loc[one, "upper"], truth) for one, truth in truths.items()]


def measured(form: str, case: Laps, draw: np.random.Generator) -> list[Row]:
    """Make one trial of lap indices, each divided by its board's own set control."""
    rows, truths = [], {}
    for carrier in case.carriers:
        truth = math.log(CARRIERS[carrier]) + (logit(INDEX) + 1) / 4
        truths[carrier] = math.exp(truth)
        for board in range(case.boards):
            away = case.steep * (np.log(WAITS) - truth - draw.normal(0, case.spread))
            index = expit(logit(INDEX) + away) if form == "logistic" else 1 - (1 - INDEX) ** np.exp(away)
            full = 1 + draw.normal(0, READING)
            rows.append(pd.DataFrame({"x": WAITS, "index": (index + draw.normal(0, READING, len(WAITS))) / full})
                        .assign(g=carrier, board=f"{carrier} {board}"))  # fmt: skip
    frame = pd.concat(rows, ignore_index=True)
    found = index_time(frame, "x", "index", "g", INDEX, board="board").set_index("group")
    told = [found.loc[one, ["lower", "upper"]] if found.loc[one, "no_limits"] is None else (math.nan, math.nan)
            for one in truths]  # fmt: skip
    return [_held(*limits, truth) for limits, truth in zip(told, truths.values(), strict=True)]


def dark(case: Darkness, place: Path) -> Callable[[np.random.Generator], list[Row]]:
    """Return a maker of trials read as darkness, carriers and loads on boards, held to the loads that reach one."""
    loads = ", ".join(f'"{load:g} g/L"' for load in case.loads)
    count = 2 * len(case.loads) * case.boards
    trial = unread(place, PLAN.format(count=count, loads=loads))
    middle = math.log(20)

    def height(carrier: str, log_load: float) -> float:
        away = log_load - middle
        return float(case.slopes[carrier == "oil"] * away + case.bend * away**2 - 0.35 * (carrier == "oil"))

    target = height("alcohol", math.log(17))
    truths = [17.0, math.exp(brentq(lambda one: height("oil", one) - target, math.log(10), math.log(40)))]

    def make(draw: np.random.Generator) -> list[Row]:
        shifts = draw.normal(0, case.spread, count + 1)

        def value(patch: dict[str, Any], _: object) -> float:
            log_load = math.log(float(patch["dye_load"].split()[0]))
            return height(patch["carrier"], log_load) + shifts[patch["board"]] + draw.normal(0, case.spread / 3)

        found = dark_enough(read(trial, value), target).loads
        return [_held(one.lower, one.upper, truth) for one, truth in zip(found, truths, strict=True)]

    return make


def _held(lower: float, upper: float, truth: float) -> Row:
    none = math.isnan(lower)
    return {
        "none": none, "high": lower > truth, "low": upper < truth, "lower": lower / truth, "upper": upper / truth,
    }  # fmt: skip


def table(title: str, names: tuple[str, ...], make: Callable[[np.random.Generator], list[Row]], trials: int) -> None:
    """Print a line a carrier."""
    draw = np.random.default_rng(zlib.crc32(title.encode()))
    found = [make(draw) for _ in range(trials)]
    for at, name in enumerate(names):
        rows = pd.DataFrame([one[at] for one in found]).astype(float)
        given = rows[rows["none"] == 0]
        none = f"none {_share(rows['none'])}"
        if given.empty:
            print(f"{title:42s} {name:8s} {none}", flush=True)
            continue
        cover = _share(1 - given["high"] - given["low"])
        print(
            f"{title:42s} {name:8s} cover {cover}  promise broken {_share(given['high'])}  {none}  "
            f"limits {given['lower'].median():.2f} to {given['upper'].median():.2f} times the truth", flush=True,
        )  # fmt: skip


def _share(of: pd.Series) -> str:
    mean = float(of.mean())
    return f"{100 * mean:5.1f} ± {100 * math.sqrt(mean * (1 - mean) / len(of)):.1f}"


if __name__ == "__main__":
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    wanted = " ".join(sys.argv[2:])
    for title, one in GRADED.items():
        if wanted in f"seen: {title}":
            table(f"seen: {title}", one.carriers, lambda draw, one=one: graded(one, draw), trials)
    for title, one in DARK.items():
        if wanted in f"load: {title}":
            with tempfile.TemporaryDirectory() as place:
                table(f"load: {title}", ("alcohol", "oil"), dark(one, Path(place)), trials)
    for title, (form, one) in MEASURED.items():
        if wanted in f"index: {title}":
            table(f"index: {title}", one.carriers, lambda draw, one=one, form=form: measured(form, one, draw), trials)
