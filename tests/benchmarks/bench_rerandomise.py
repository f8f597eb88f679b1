# ruff: noqa: E402  (the number of threads is read when numpy is imported)
"""How many arrangements a second each kind of randomisation test gets through: medians, one thread.

Run as ``python tests/benchmarks/bench_rerandomise.py`` from the project's folder.
"""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"

import sys
import time
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
import pandas as pd

from analysis import rerandomise

RUNS = 7
DRAWS = 499_999
STRUCTURE = {"carrier": ["board"], "sealer": ["board", "lane"], "dwell": ["board", "strip"]}


def trial(boards: int) -> pd.DataFrame:
    """Return boards of two lanes by three strips, three carriers, nothing with an effect."""
    rng = np.random.default_rng(1)
    rows = [
        (board, "abc"[board % 3], lane, "nt"[(lane + board) % 2], strip, (strip + board) % 3)
        for board in range(boards)
        for lane in range(2)
        for strip in range(3)
    ]
    frame = pd.DataFrame(rows, columns=["board", "carrier", "lane", "sealer", "strip", "dwell"])
    return frame.assign(y=rng.normal(size=len(frame)))


def timed(frame: pd.DataFrame, term: str, structure: dict[str, list[str]], draws: int | None) -> tuple[float, int]:
    """Return median seconds and how many arrangements were looked at."""
    seconds = []
    for seed in range(RUNS):
        start = time.perf_counter()
        result = rerandomise.test(frame, "y", term, structure, draws=draws, seed=seed)
        seconds.append(time.perf_counter() - start)
    return median(seconds), result.draws


def main() -> None:
    """Print one line a kind of test."""
    small, large = trial(12), trial(24)
    patches = {"dwell": ["board", "lane", "strip"]}
    cases = [
        ("carrier over 12 boards, all", small, "carrier", STRUCTURE, None),
        ("sealer over lanes of 12 boards, all", small, "sealer", STRUCTURE, None),
        ("carrier over 12 boards, drawn from a table", small, "carrier", STRUCTURE, DRAWS),
        ("carrier over 24 boards, shuffled", large, "carrier", STRUCTURE, DRAWS),
        ("sealer over lanes of 12 boards, drawn", small, "sealer", STRUCTURE, DRAWS),
        ("dwell over strips of 12 boards, drawn", small, "dwell", STRUCTURE, DRAWS),
        ("dwell over patches of 24 lanes, drawn", small, "dwell", patches, DRAWS),
        ("carrier:sealer over 24 boards, shuffled", large, "carrier:sealer", STRUCTURE, DRAWS),
        ("carrier:dwell over 24 boards, shuffled", large, "carrier:dwell", STRUCTURE, DRAWS),
    ]
    print(f"{'test':45} {'arrangements':>12} {'ms':>8} {'a second':>12}")
    for name, frame, term, structure, draws in cases:
        seconds, looked_at = timed(frame, term, structure, draws)
        print(f"{name:45} {looked_at:12d} {seconds * 1e3:8.1f} {looked_at / seconds:12.3g}")


if __name__ == "__main__":
    main()
