"""Time cumulative-link fits on one thread: ``python tests/benchmarks/bench_ordinal.py [repeats]``.

Prints medians and their ratios; the ratios, not the times, compare machines. The scores are invented: 288
grades of 72 patches on 12 boards by 4 raters.
"""
# ruff: noqa: E402 - the threads are set before numpy is imported

import os

for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[variable] = "1"

import statistics
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from analysis import ordinal

DATA = Path(__file__).resolve().parents[1] / "reference" / "data" / "wine-ordinal" / "data.csv"


def made_up_scores(seed: int = 1) -> pd.DataFrame:
    """Invent 288 grades; raters cross boards, and each board has six patches."""
    rng = np.random.default_rng(seed)
    rater, board, strip = (axis.ravel() for axis in np.indices((4, 12, 6)))
    patch = board * 6 + strip
    eta = 0.8 * (strip % 2) - 0.5 * (strip // 2 == 2)
    eta = eta + rng.normal(0, 0.6, 4)[rater] + rng.normal(0, 0.7, 12)[board] + rng.normal(0, 0.6, 72)[patch]
    return pd.DataFrame(
        {
            "rater": rater,
            "board": board,
            "patch": patch,
            "seal": np.where(strip % 2, "thin", "none"),
            "carrier": np.array(["oil", "spirit", "water"])[strip // 2],
            "grade": np.digitize(eta + rng.logistic(size=eta.size), [-1.2, 0.0, 1.2, 2.6]) + 1,
        }
    )


def main(repeats: int) -> None:
    """Time each case and print its median, quickest and slowest run and ratio to the plain fit."""
    wine, scores = pd.read_csv(DATA), made_up_scores()
    three = ["rater", "board", "patch"]
    separated = scores.assign(grade=np.where(scores["seal"] == "thin", 5, scores["grade"]))
    cases = {
        "288 scores, no random term": lambda: ordinal.fit(scores, "grade", "seal * carrier"),
        "288 scores, rater": lambda: ordinal.fit(scores, "grade", "seal * carrier", ["rater"]),
        "288 scores, rater, board, patch": lambda: ordinal.fit(scores, "grade", "seal * carrier", three),
        "the same, probit": lambda: ordinal.fit(scores, "grade", "seal * carrier", three, link="probit"),
        "the same, separated": lambda: ordinal.fit(separated, "grade", "seal * carrier", three),
        "288 scores, patch, 10 nodes": lambda: ordinal.fit(scores, "grade", "seal * carrier", ["patch"], nodes=10),
        "72 grades of wine, judge": lambda: ordinal.fit(wine, "rating", "temp + contact", ["judge"]),
        "the same, 10 nodes": lambda: ordinal.fit(wine, "rating", "temp + contact", ["judge"], nodes=10),
        "72 grades, judge, bottle": lambda: ordinal.fit(wine, "rating", "temp + contact", ["judge", "bottle"]),
    }
    plain = 0.0
    print(f"{'case':34}{'median ms':>10}{'min':>8}{'max':>8}{'ratio':>8}")
    for name, case in cases.items():
        case()
        times = []
        for _ in range(repeats):
            start = time.perf_counter()
            case()
            times.append(1000 * (time.perf_counter() - start))
        median = statistics.median(times)
        plain = plain or median
        print(f"{name:34}{median:10.1f}{min(times):8.1f}{max(times):8.1f}{median / plain:8.1f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 15)
