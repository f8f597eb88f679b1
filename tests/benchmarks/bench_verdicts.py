# ruff: noqa: E402  (the number of threads is read when numpy is imported)
"""Sizes, cover and verdicts of each factor's question over many kinds of layout, from readings made up elsewhere.

Run as ``python tests/benchmarks/bench_verdicts.py [trials by strata [trials by REML [words of a case]]]`` from the
project's folder. Readings come from `own_trials`; a fresh layout is drawn for every tenth of the trials, and what is
read is analysed by `analysis.strata.plan` or `analysis.mixed.prepare(...).estimate`, as `analysis.responses` does it.
A factor's row:

- size: its F test's p below .05 where it does nothing;
- cover: all its intervals hold at once (95 % said);
- low, high: the interval of a pair lies wholly above or below the truth (2.5 % said for two levels);
- wrong: 'worth it' with the true gain below the worth, and 'not worth it' with one of the worth or more, of the pair
  that leads; true gains are half just below the worth and half the worth for two levels (so 1.25 % each is said), and
  a third each of nought, just below and twice the worth for more;
- settles: 'worth it' where the last level gains twice the worth / 'not worth it' where none differ.

Shares are in per cent; the half-width of the 95 % Monte Carlo interval stands in the head of each case, at 5 %.
"""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"

import math
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
from own_trials import SPREADS, Draw, drawn, factor, heavy, laid_out, normal, plan_of, plan_text, skewed

from analysis.precision.made_up.experiments import ByStrata, Pair, Wanted, prepare
from trials import structure
from trials.errors import Problem, UserError
from trials.level import LEVEL, each_of

WORTH = 1.0
LAYOUTS = 10


@dataclass(frozen=True)
class Case:
    """A layout and what is read on it."""

    name: str
    text: str
    missing: float = 0.0
    spreads: Mapping[str, float] | None = None
    draw: Draw = normal
    interactions: float = 0.0


A, B, C, C2 = (factor(*one) for one in
               (("a", "uv", "board"), ("b", "pq", "lane"), ("c", "rst", "strip"), ("c", "rs", "strip")))  # fmt: skip
A3, D3, E2 = factor("a", "uvw", "board"), factor("d", "klm", "board"), factor("e", "gh", "board")
G2 = factor("g", "xy", "lane")
NONE = "[model]\ninteractions = []\n"
BARE = '[[control]]\nname = "bare"\nlaid_on = "{}"\n'
NO_W = '[[exclude]]\na = "w"\nc = "t"\n'
ALIKE = dict.fromkeys(SPREADS, 0.0) | {"patch": 0.5}
UNLIKE = SPREADS | {"board": 2.5}

SIX = plan_text(A, B, C, boards=6, strips=3)
SEVEN = plan_text(A3, B, C2, boards=7, strips=2)
NINE = plan_text(A3, D3, E2, B, boards=9, strips=2)
TWELVE = plan_text(A3, B, C2, boards=12, lots="2", strips=2)

CASES = (
    Case("6 boards, a2 board, b2 lane, c3 strip", SIX),
    Case("4 boards, a2 b2", plan_text(A, B, boards=4)),
    Case("3 boards, a2 uneven, b2", plan_text(A, B, boards=3)),
    Case("2 boards, lanes only", plan_text(B, boards=2)),
    Case("3 boards, b2 lane, c3 strip", plan_text(B, C, boards=3, strips=3)),
    Case("4 boards, 1 lane, c3 strips", plan_text(C, boards=4, lanes=1, strips=3)),
    Case("12 boards, 2 lots, a3 b2 c2", TWELVE),
    Case("18 board combinations on 9 boards (a3 d3 e2), b2 lane", NINE),
    Case("the same on 12 boards, 2 lots", plan_text(A3, D3, E2, B, boards=12, lots="2", strips=2)),
    Case("4 lane combinations on 2 lanes, a2, 8 boards", plan_text(A, B, G2, boards=8, strips=2)),
    Case("c3 x g2 on 3 strips, a2 b2, 8 boards",
         plan_text(A, B, C, factor("g", "xy", "strip"), boards=8, strips=3)),
    Case("7 boards, a3 uneven, b2 c2", SEVEN),
    Case("lots of 5, 4, 3, a3 b2", plan_text(A3, B, boards=12, lots="[5, 4, 3]", strips=2)),
    Case("6 boards, 5 % of patches missing", SIX, 0.05),
    Case("6 boards, 30 % missing", SIX, 0.3),
    Case(
        "12 boards of 4 strips, 2 lots, 30 % missing", plan_text(A3, B, C2, boards=12, lots="2", strips=4), 0.3
    ),
    Case("control board and control strip",
         plan_text(A, B, C, BARE.format("board"), BARE.replace("bare", "raw").format("strip"), boards=7, strips=4)),
    Case("control patch, h2 on patches in lanes b2",
         plan_text(A, B, factor("h", "ij", "patch"), BARE.format("patch"), boards=6, strips=3)),
    Case("h3 on patches in lanes b2", plan_text(A, B, factor("h", "ijk", "patch"), boards=6, strips=3)),
    Case("excluded combination (a = w with c = t), 9 boards", plan_text(A3, B, C, NO_W, boards=9, strips=3)),
    Case("no piece differs, 6 boards", SIX, spreads=ALIKE),
    Case("no piece differs, 7 boards a3", SEVEN, spreads=ALIKE),
    Case("no piece differs, 9-board fraction", NINE, spreads=ALIKE),
    Case("boards differ 5 times as much, 6 boards", SIX, spreads=UNLIKE),
    Case("the same, 7 boards a3, 30 % missing", SEVEN, 0.3, UNLIKE),
    Case("interactions there (sd .5), model says none, 6 boards", SIX + NONE, interactions=0.5),
    Case("the same, 9-board fraction, model none", NINE + NONE, interactions=0.5),
    Case("the same, 9-board fraction, default model", NINE, interactions=0.5),
    Case("heavy tails, 6 boards", SIX, draw=heavy),
    Case("heavy tails, 7 boards a3", SEVEN, draw=heavy),
    Case("skewed, 6 boards", SIX, draw=skewed),
)  # fmt: skip


def one_case(case: Case, by_strata: int, by_reml: int, seed: int) -> None:
    """Print a case."""
    rng = np.random.default_rng(seed)
    plan = plan_of(case.text)
    found: dict[str, list[tuple[np.ndarray, np.ndarray, np.ndarray]]] = {}
    methods, refused, trials = set(), 0, 0
    for at in range(LAYOUTS):
        layout, whole = laid_out(plan, 1000 * seed + at)
        patches = whole
        if case.missing:
            kept = np.sort(rng.permutation(len(whole))[round(case.missing * len(whole)) :])
            patches = whole.iloc[kept].reset_index(drop=True)
        told = structure.of_layout(plan, patches, structure.of_layout(plan, layout.patches).places)
        count, values = 0, np.zeros((0, 0))
        for one in plan.factors:
            effect = told.by_name[one.name]
            pairs = tuple(Pair.all_of(patches, one.name))
            try:
                if not effect.can_be_judged:
                    raise UserError(Problem("nothing to judge it by"))
                ready = prepare(patches, told, Wanted((effect,), pairs, each_of(LEVEL, len(pairs))))
                method = "strata" if isinstance(ready, ByStrata) else "REML"
                if not count:
                    count = max((by_strata if method == "strata" else by_reml) // LAYOUTS, 1)
                    values = drawn(patches, rng, count, case.spreads or SPREADS, case.draw)
                    if case.interactions:
                        values = values + _interactions(plan, patches, rng, count, case.interactions)
                made = ready.of(values.T)
            except UserError:
                refused += 1
                continue
            methods.add(method)
            found.setdefault(one.name, []).append((made.differences, made.half_widths, made.p[:, 0]))
        trials += count
    error = 196 * math.sqrt(0.05 * 0.95 / max(trials, 1))
    lost = f", {refused} factors of a layout could not be told" if refused else ""
    print(f"{case.name} ({' and '.join(sorted(methods))}, {trials} trials, ± {error:.1f}{lost})")
    for name, parts in found.items():
        d, h, p = (np.concatenate([one[at] for one in parts]) for at in range(3))
        print(f"  {name}: {_row(d, h, p)}", flush=True)


def _interactions(plan, patches, rng: np.random.Generator, count: int, size: float) -> np.ndarray:
    """Return (count, n) what every two factors do together: random over their cells, nought on average over each."""
    total = np.zeros((count, len(patches)))
    names = [one.name for one in plan.factors]
    codes = {one: patches[one].cat.codes.to_numpy() for one in names}
    for i, first in enumerate(names):
        for second in names[i + 1 :]:
            shape = (count, codes[first].max() + 1, codes[second].max() + 1)
            cells = size * rng.standard_normal(shape)
            cells -= cells.mean(axis=1, keepdims=True)
            cells -= cells.mean(axis=2, keepdims=True)
            total += cells[:, codes[first], codes[second]]
    return total


def _row(d: np.ndarray, h: np.ndarray, p: np.ndarray) -> str:
    pairs = d.shape[1]
    levels = {1: 2, 3: 3, 6: 4}[pairs]
    up = np.zeros(pairs)
    up[pairs - levels + 1 :] = 1.0  # the pairs of the last level, as `Pair.all_of` lists them
    turn = np.arange(len(d))
    gains = (
        np.where(turn % 2 == 0, WORTH - 1e-9, WORTH)
        if pairs == 1
        else np.choose(turn % 3, [0.0, WORTH - 1e-9, 2 * WORTH])
    )
    yes, no, truth = _verdict(d, h, gains, up)
    settles = _verdict(d, h, np.full(len(d), 2 * WORTH), up)[0]
    rejects = _verdict(d, h, np.zeros(len(d)), up)[1]
    shares = {
        "size": p < 0.05,
        "cover": (np.abs(d) <= h).all(axis=1),
        "low": d - h > 0,
        "high": d + h < 0,
        "wrong 'worth it'": yes & (truth < WORTH),
        "wrong 'not'": no & (truth >= WORTH),
        "settles at twice": settles,
        "at none": rejects,
    }
    return ", ".join(f"{what} {100 * np.mean(held):.1f}" for what, held in shares.items())


def _verdict(d: np.ndarray, h: np.ndarray, gains: np.ndarray, up: np.ndarray) -> tuple[np.ndarray, ...]:
    """Return whether each trial says 'worth it', whether 'not worth it', and the true gain of the pair that leads."""
    estimate = d + gains[:, None] * up
    rows, lead = np.arange(len(d)), np.abs(estimate).argmax(axis=1)
    sign = np.where((estimate[rows, lead] < 0) & (len(up) > 1), -1.0, 1.0)
    leading, half = sign * estimate[rows, lead], h[rows, lead]
    return leading - half >= WORTH, leading + half < WORTH, sign * gains * up[lead]


def main() -> None:
    """Print every case, or those whose names hold the words after the numbers."""
    by_strata = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    by_reml = int(sys.argv[2]) if len(sys.argv) > 2 else 400
    wanted = sys.argv[3] if len(sys.argv) > 3 else ""
    for at, case in enumerate(CASES, start=1):
        if wanted in case.name:
            one_case(case, by_strata, by_reml, at)


if __name__ == "__main__":
    main()
