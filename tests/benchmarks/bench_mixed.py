# ruff: noqa: E402  (the number of threads is read when numpy is imported)
"""How long a mixed model with its Kenward-Roger table takes, beside statsmodels' fit alone: medians, one thread.

Run as ``python tests/benchmarks/bench_mixed.py`` from the project's folder. Each round times both sides one after the
other, so that a busy machine slows both; the ratio is the median of the rounds' ratios.
"""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"

import sys
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
import pandas as pd

from analysis import mixed

FIXED = "carrier * sealer * dwell"
PIECES = ["board", "board:sealer", "board:dwell"]
FLOP_OF_A_STEP = 6e7
"""Arithmetic of one dense evaluation with 249 pieces, three of which are the least a fit needs."""


@dataclass(frozen=True)
class Layout:
    """Boards of two halves by three strips, perhaps each read by several assessors, some readings gone."""

    boards: int
    assessors: int = 1
    gone: float = 0.0

    @property
    def random(self) -> list[str]:
        return PIECES if self.assessors == 1 else [*PIECES, "assessor"]

    def readings(self) -> pd.DataFrame:
        rng = np.random.default_rng(1)
        axes = np.meshgrid(range(self.boards), range(2), range(3), range(self.assessors), indexing="ij")
        board, half, strip, assessor = (axis.ravel() for axis in axes)
        frame = pd.DataFrame(
            {
                "board": [f"B{at}" for at in board],
                "carrier": np.array(["water", "alcohol", "oil"])[board % 3],
                "sealer": np.array(["none", "shellac"])[half],
                "dwell": np.array(["d3", "d6", "d12"])[strip],
                "assessor": [f"A{at}" for at in assessor],
            }
        )
        frame["y"] = (
            40.0
            + 2 * half
            - 0.8 * strip
            + rng.normal(0, 1.0, self.boards)[board]
            + rng.normal(0, 0.7, (self.boards, 2))[board, half]
            + rng.normal(0, 0.5, (self.boards, 3))[board, strip]
            + rng.normal(0, 0.4, self.assessors)[assessor]
            + rng.normal(0, 1.0, len(frame))
        )
        kept = np.sort(rng.permutation(len(frame))[: round(len(frame) * (1 - self.gone))])
        return frame.iloc[kept].reset_index(drop=True)


def seconds(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def peer_fit(frame: pd.DataFrame, crossed: bool) -> Callable[[], object]:
    """Return statsmodels' fit: boards as groups, or with crossed assessors everything as one group's components."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    formula = "y ~ carrier * sealer * dwell"
    if not crossed:
        parts = {"half": "0 + C(sealer)", "strip": "0 + C(dwell)"}
        return lambda: MixedLM.from_formula(formula, frame, groups="board", vc_formula=parts).fit(reml=True)
    wide = frame.assign(everything=1, half=frame["board"] + frame["sealer"], strip=frame["board"] + frame["dwell"])
    parts = {name: f"0 + C({name})" for name in ("board", "half", "strip", "assessor")}
    return lambda: MixedLM.from_formula(formula, wide, groups="everything", vc_formula=parts).fit(reml=True)


def against_peer(title: str, layout: Layout, rounds: int, target: float) -> None:
    frame = layout.readings()
    peer = peer_fit(frame, layout.assessors > 1)

    def ours() -> object:
        return mixed.fit(frame, "y", FIXED, layout.random).tests()

    ours()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns of components near zero
        peer()
        pairs = [(median(seconds(ours) for _ in range(9)), seconds(peer)) for _ in range(rounds)]
    fit, other = (median(one) * 1e3 for one in zip(*pairs, strict=True))
    ratio = median(theirs / mine for mine, theirs in pairs)
    said = f"{fit:8.2f} ms, the peer's fit {other:8.1f} ms, ratio {ratio:6.1f} (aim {target:g} or more)"
    print(f"{title:34s} {len(frame):5d} rows {said}")


def against_arithmetic(title: str, layout: Layout, rounds: int) -> None:
    frame = layout.readings()
    square = np.random.default_rng(2).normal(size=(249, 249))

    def ours() -> object:
        return mixed.fit(frame, "y", FIXED, layout.random).tests()

    def product() -> object:
        return square @ square

    ours()
    pairs = [(seconds(ours), median(seconds(product) for _ in range(9))) for _ in range(rounds)]
    limits = [3 * FLOP_OF_A_STEP / (2 * 249**3 / one) for _, one in pairs]
    ratio = median(mine / limit for (mine, _), limit in zip(pairs, limits, strict=True))
    fit, limit = median(mine for mine, _ in pairs) * 1e3, median(limits) * 1e3
    said = f"{fit:8.2f} ms, its arithmetic {limit:8.2f} ms, ratio {ratio:6.2f} (aim 3 or less)"
    print(f"{title:34s} {len(frame):5d} rows {said}")


def parts_of(title: str, layout: Layout) -> None:
    frame = layout.readings()
    fit = mixed.fit(frame, "y", FIXED, layout.random)
    times = {
        "fit": lambda: mixed.fit(frame, "y", FIXED, layout.random),
        "Kenward-Roger": lambda: fit.f_tests(),
        "as a table": lambda: fit.tests(),
        "Satterthwaite": lambda: fit.f_tests("satterthwaite"),
        "means of cells": lambda: fit.means("carrier:sealer"),
        "differences": lambda: fit.differences("dwell", by="sealer"),
    }
    shown = ", ".join(f"{name} {median(seconds(work) for _ in range(50)) * 1e3:.2f}" for name, work in times.items())
    print(f"{title}: {shown} ms")


if __name__ == "__main__":
    against_peer("balanced, 7 terms", Layout(12), 9, 30)
    against_peer("an eighth of the rows gone", Layout(12, gone=0.125), 9, 30)
    against_peer("assessors crossed, a tenth gone", Layout(24, 4, 0.1), 5, 60)
    against_arithmetic("nine assessors crossed", Layout(40, 9, 0.075), 60)
    parts_of("balanced, 72 rows", Layout(12))
    parts_of("nine assessors, 1998 rows", Layout(40, 9, 0.075))
