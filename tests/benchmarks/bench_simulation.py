# ruff: noqa: E402  (the number of threads is read when numpy is imported)
"""How many made-up experiments of a layout are analysed a second: medians, one thread.

Run as ``python tests/benchmarks/bench_simulation.py`` from the project's folder. An experiment is a set of readings
drawn, a model fitted, and one question's difference and F test. The ratio is against a plain loop over
`analysis.mixed.fit` and its tables, timed in turn so that a busy machine slows both; it is the median of the
rounds' ratios.
"""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"

import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

from analysis import mixed
from analysis.precision.exact import treated_rows
from analysis.precision.made_up import simulate, simulate_tests
from analysis.precision.made_up.experiments import Readings
from trials.design import Layout, lay_out
from trials.plan import Plan, Question, read_plan

TWELVE_BOARDS = """\
[trial]
title = "Sample boards of quartersawn lacewood"
[boards]
count = 12
length = "400 mm"
width = "150 mm"
lanes = 2
strips = 3
[[factor]]
name = "carrier"
levels = ["water", "alcohol", "oil"]
laid_on = "board"
[[factor]]
name = "load"
levels = ["10 g/L", "30 g/L"]
laid_on = "board"
[[factor]]
name = "seal_coat"
levels = ["none", "shellac"]
laid_on = "lane"
[[factor]]
name = "glaze_dwell"
levels = ["3 min", "6 min", "12 min"]
laid_on = "strip"
[[response]]
name = "darkness"
kind = "measure"
unit = "L*"
aim = "less"
"""
VARIANCES = {"board": 0.25, "board:lane": 0.05, "board:strip": 0.04, "residual": 0.2}
QUESTION = Question("carrier", "darkness", 0.5)
ROUNDS = 9


def planned() -> Plan:
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "trial.toml").write_text(TWELVE_BOARDS, encoding="utf-8")
        return read_plan(Path(folder))


def with_gaps(layout: Layout, left: int) -> Layout:
    """Keep so many patches, chosen at random."""
    kept = np.sort(np.random.default_rng(0).permutation(len(layout.patches))[:left])
    return replace(layout, patches=layout.patches.iloc[kept].reset_index(drop=True))


def plain_loop(plan: Plan, layout: Layout, count: int) -> None:
    frame, told = treated_rows(plan, layout)
    drawn = Readings.of(frame, np.zeros(len(frame)), VARIANCES).drawn(count, np.random.default_rng(1))
    for column in drawn.T:
        fit = mixed.fit(frame.assign(value=column), "value", told.fixed, told.fitted_random)
        fit.differences(QUESTION.factor)
        fit.tests()


def rate(count: int, work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return count / (time.perf_counter() - start)


def report(title: str, rates: list[float], aim: str = "") -> None:
    print(f"{title:60s} {median(rates):9,.0f} a second{aim}")


if __name__ == "__main__":
    plan = planned()
    whole = lay_out(plan, 1)
    gaps = with_gaps(whole, 63)
    simulate(plan, gaps, QUESTION, VARIANCES, 1.0, 50)
    pairs = [
        (
            rate(400, lambda: simulate(plan, gaps, QUESTION, VARIANCES, 1.0, 400)),
            rate(50, lambda: plain_loop(plan, gaps, 50)),
        )
        for _ in range(ROUNDS)
    ]
    report("63 patches, one question, restricted likelihood", [ours for ours, _ in pairs], " (aim 400)")
    report("the same by a plain loop over fits and their tables", [theirs for _, theirs in pairs])
    print(f"{'ratio':60s} {median(ours / theirs for ours, theirs in pairs):9.1f} (aim 3 or more)")
    report(
        "63 patches, every test and difference",
        [rate(200, lambda: simulate_tests(plan, gaps, VARIANCES, count=200)) for _ in range(3)],
    )
    report(
        "72 patches, balanced, one question, by strata",
        [rate(20_000, lambda: simulate(plan, whole, QUESTION, VARIANCES, 1.0, 20_000)) for _ in range(5)],
    )
    simulate(plan, gaps, QUESTION, VARIANCES, 1.0, 100, workers=None)
    report(
        "63 patches, one question, on all cores",
        [rate(2000, lambda: simulate(plan, gaps, QUESTION, VARIANCES, 1.0, 2000, workers=None)) for _ in range(3)],
    )
