# ruff: noqa: E402  (the number of threads is read when numpy is imported)
"""How many balanced experiments a second are simulated and tested: medians, one thread.

Run as ``python tests/benchmarks/bench_strata.py`` from the project's folder.
"""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"

import itertools
import sys
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
import pandas as pd

from analysis import strata

FIXED = "carrier * sealer * dwell"
PIECES = ["board", "board:sealer", "board:dwell"]
VARIANCES = {"board": 1.0, "board:sealer": 0.5, "board:dwell": 0.25, "residual": 1.0}
COUNT = 50_000
RUNS = 7


def layout() -> pd.DataFrame:
    """Return twelve boards of two halves by three strips: 72 patches, seven terms."""
    frame = pd.DataFrame(itertools.product(range(12), ("none", "shellac"), ("d3", "d6", "d12")))
    frame.columns = ["board", "sealer", "dwell"]
    return frame.assign(carrier=np.array(["water", "alcohol", "oil"])[frame["board"] % 3])


def pieces(frame: pd.DataFrame) -> dict[str, np.ndarray]:
    """Number the pieces of each kind."""
    return {name: frame.groupby(name.split(":")).ngroup().to_numpy() for name in PIECES}


def drawn(codes: dict[str, np.ndarray], count: int, rng: np.random.Generator) -> np.ndarray:
    """Draw (72, count) readings, piece by piece."""
    result = rng.standard_normal((72, count))
    for name, code in codes.items():
        result += (rng.standard_normal((code.max() + 1, count)) * VARIANCES[name] ** 0.5)[code]
    return result


def by_readings(plan: strata.StrataPlan, codes: dict[str, np.ndarray], rng: np.random.Generator) -> np.ndarray:
    return np.hstack([plan.f(drawn(codes, strata.CHUNK, rng)) for _ in range(COUNT // strata.CHUNK)])


def report(title: str, count: int, work: Callable[[], object]) -> None:
    times = []
    for _ in range(RUNS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    print(f"{title:52s} {count / median(times):12,.0f} a second (aim 100,000)")


if __name__ == "__main__":
    rng = np.random.default_rng(1)
    frame = layout()
    plan = strata.plan(frame, FIXED, PIECES)
    mean = np.zeros(len(frame))
    codes = pieces(frame)
    readings = drawn(codes, COUNT, rng)
    report("tested only, readings given", COUNT, lambda: plan.f(readings))
    report("readings drawn piece by piece and tested", COUNT, lambda: by_readings(plan, codes, rng))
    report("the same with p-values", COUNT, lambda: plan.p(by_readings(plan, codes, rng)))
    report("coordinates drawn in the strata and tested", COUNT, lambda: plan.simulate(mean, VARIANCES, COUNT, rng))
    report("exact power of seven terms", 7, lambda: plan.power(mean + 1.0, VARIANCES))
    start = time.perf_counter()
    strata.plan(frame, FIXED, PIECES)
    print(f"finding the strata of 72 patches: {(time.perf_counter() - start) * 1e3:.1f} ms, once")
