# ruff: noqa: E402  (the number of threads is read when numpy is imported)
"""Do averages and the ordered way see a difference of grades as often, and does p say what the interval says?

Run as ``python tests/benchmarks/bench_grades.py [trials a case]`` from the project's folder. Grades are readings of
`own_trials` about a point of the scale, rounded to whole or half grades; the true difference is that of the expected
grade, from a large sample. Shares stand with the half-width of their 95 % Monte Carlo interval.
"""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"

import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
from own_trials import SPREADS, drawn, factor, plan_text, share, written

from analysis.frame import with_factor_order
from analysis.responses import analyse
from analysis.three_ways.ordered import ordered_model

ASSESSOR = 0.3
"""Standard deviation of one assessor's reading of a patch."""


@dataclass(frozen=True)
class Case:
    """Boards of two lanes and three strips; which factor gains how much, where on the scale, and how it is graded."""

    name: str
    boards: int
    factor: str
    gain: float
    middle: float = 3.0
    whole: bool = False
    assessors: int = 1


CASES = (
    Case("lane b, 6 boards, none", 6, "b", 0.0),
    Case("lane b, 6 boards, true .7", 6, "b", 0.7),
    Case("board a, 8 boards, none", 8, "a", 0.0),
    Case("lane b, 2 assessors, none", 6, "b", 0.0, assessors=2),
    Case("lane b, whole grades at the top, -.7", 6, "b", -0.7, 4.6, whole=True),
    Case("board a, 8 boards, 2 assessors, true 1.4", 8, "a", 1.4, assessors=2),
)


def graded(values: np.ndarray, *, whole: bool) -> np.ndarray:
    """Return values as grades of one to five."""
    return np.clip(np.round(values) if whole else np.round(2 * values) / 2, 1, 5)


def true_difference(case: Case) -> float:
    """Return the difference of the expected grade."""
    spread = np.sqrt(sum(size**2 for kind, size in SPREADS.items() if kind != "lot") + ASSESSOR**2)
    chance = spread * np.random.default_rng(0).standard_normal(1_000_000)
    with_, without = (graded(case.middle + gain + chance, whole=case.whole) for gain in (case.gain, 0.0))
    return float(with_.mean() - without.mean())


def one_case(case: Case, trials: int, seed: int) -> None:
    """Print a row."""
    rng = np.random.default_rng(seed)
    text = plan_text(
        factor("a", "uv", "board"), factor("b", "pq", "lane"), boards=case.boards, strips=3, kind="grade",
        asked=[case.factor],
    )  # fmt: skip
    text = text.replace("half_grades = true\n", "" if case.whole else "half_grades = true\n")
    truth, found = true_difference(case), []
    with tempfile.TemporaryDirectory() as place:
        for at in range(trials):
            if at % 50 == 0:
                laid = written(Path(place) / str(at), text, seed + at)
                patches = with_factor_order(laid.trial.plan, laid.trial.patches)
                up = (patches[case.factor] == {"a": "v", "b": "q"}[case.factor]).to_numpy()
            patch = case.middle + case.gain * up + drawn(patches, rng, 1, SPREADS | {"lot": 0.0})[0]
            rows = []
            for who in "AB"[: case.assessors]:
                value = graded(patch + ASSESSOR * rng.standard_normal(len(patch)), whole=case.whole)
                rows += [row | {"assessor": who} for row in laid.read({"y": value}, patches).readings]
            analysis = analyse(replace(laid.trial, readings=tuple(rows)), laid.trial.plan.responses[0])
            first, second = (str(level) for level in analysis.levels(case.factor))
            one = analysis.differences(case.factor).iloc[0]
            df = float(one["df"])
            way = ordered_model(analysis).way(case.factor, first, second, df=df, df_factor=df, level=0.95)
            found.append(
                (one["p"] < 0.05, one["lower"] <= truth <= one["upper"], way.had, way.p < 0.05,
                 not way.lower <= 0 <= way.upper, way.lower <= truth <= way.upper)
            )  # fmt: skip
    table = np.array(found, dtype=float)
    had = table[table[:, 2] > 0]
    print(
        f"{case.name} ({trials} trials, true {truth:.2f})\n"
        f"  averages: p < .05 {share(table[:, 0])}, cover {share(table[:, 1])}\n"
        f"  ordered: had {share(table[:, 2])}, p < .05 {share(had[:, 3])}, interval leaves out nought "
        f"{share(had[:, 4])}, cover {share(had[:, 5])}",
        flush=True,
    )


def main() -> None:
    """Print a row a case."""
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    for at, case in enumerate(CASES):
        one_case(case, trials, 100 * at)


if __name__ == "__main__":
    main()
