# ruff: noqa: E402  (the number of threads is read when numpy is imported)
"""What is said beforehand of a question against what comes of it, from readings made up elsewhere.

Run as ``python tests/benchmarks/bench_forecasts.py [trials by strata [trials by REML [words of a case]]]`` from the
project's folder. Said is what `analysis.precision.expected` gives for the true standard deviations, stated in the
plan's own [[spread]], on the mean of the layouts; real are the verdicts of `analysis.decide`'s rule on readings of
`own_trials`, on the same layouts. For each question: how often 'worth it' comes out where two levels truly lie
twice the worth apart and the rest midway, how often 'not worth it' where nothing is gained, and how far the interval
reaches (its mean half-width, of the pair known least well). After ± stands the half-width of the 95 % Monte Carlo
interval. Of each case some trials go through `analysis.responses.analyse` and `analysis.decide.answer` as well; how
many verdicts are alike is said last.
"""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"

import math
import sys
import tempfile
from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
import pandas as pd
from own_trials import SPREADS, drawn, factor, laid_out, plan_of, plan_text, share, written

from analysis import precision, priors
from analysis.decide import NOT_WORTH_IT, TOO_CLOSE, WORTH_IT, answer
from analysis.precision.made_up.experiments import ByStrata, Pair, Wanted, prepare
from analysis.responses import analyse
from trials import structure
from trials.level import LEVEL, each_of
from trials.plan import Question

WORTH = 1.0
LAYOUTS = 10
THROUGH = 10
"""Trials of a case that go through the whole analysis as well."""


@dataclass(frozen=True)
class Case:
    """A layout, its questions and what pieces differ."""

    name: str
    text: str
    spreads: Mapping[str, float] | None = None


A2, A3, A4 = (factor("a", levels, "board") for levels in ("uv", "uvw", "uvwx"))
B2, B3, C2, C3, C4 = (
    factor(*one)
    for one in (("b", "pq", "lane"), ("b", "pqo", "lane"), ("c", "rs", "strip"), ("c", "rst", "strip"),
                ("c", "rstu", "strip"))
)  # fmt: skip
D3, E2, G2 = factor("d", "klm", "board"), factor("e", "gh", "board"), factor("g", "xy", "strip")
NO_W = '[[exclude]]\na = "w"\nc = "t"\n'
ALIKE = dict.fromkeys(SPREADS, 0.0) | {"patch": 0.5}
ABC, AB = ("a", "b", "c"), ("a", "b")

CASES = (
    Case("8 boards, a2 b2 c3", plan_text(A2, B2, C3, boards=8, strips=3, asked=ABC)),
    Case("8 boards of 4 strips, a2 b2 c4", plan_text(A2, B2, C4, boards=8, strips=4, asked=ABC)),
    Case("12 boards of 3 lanes, a2 b3", plan_text(A2, B3, boards=12, lanes=3, strips=2, asked=AB)),
    Case("12 boards, 2 lots, a3 b2", plan_text(A3, B2, boards=12, lots="2", strips=2, asked=AB)),
    Case("24 boards, a3 b2 c3", plan_text(A3, B2, C3, boards=24, strips=3, asked=ABC)),
    Case("12 boards, a4 b2", plan_text(A4, B2, boards=12, strips=2, asked=AB)),
    Case("9-board fraction, a3 d3 e2, b2",
         plan_text(A3, D3, E2, B2, boards=9, strips=2, asked=("a", "d", "e", "b"))),
    Case("12-board fraction, 2 lots",
         plan_text(A3, D3, E2, B2, boards=12, lots="2", strips=2, asked=("a", "d", "e", "b"))),
    Case("12-board fraction, 2 lots, no piece differs",
         plan_text(A3, D3, E2, B2, boards=12, lots="2", strips=2, asked=("a", "d", "e", "b")), ALIKE),
    Case("8 boards, c3 x g2 on 3 strips, a2 b2",
         plan_text(A2, B2, C3, G2, boards=8, strips=3, asked=("a", "b", "c", "g"))),
    Case("7 boards, a3 uneven, b2 c2", plan_text(A3, B2, C2, boards=7, strips=2, asked=ABC)),
    Case("lots of 5, 4, 3, a3 b2", plan_text(A3, B2, boards=12, lots="[5, 4, 3]", strips=2, asked=AB)),
    Case("9 boards, a = w with c = t left out, b2", plan_text(A3, B2, C3, NO_W, boards=9, strips=3, asked=ABC)),
    Case("20 boards of 3 lanes, a4 b3 (sets of 4)", plan_text(A4, B3, boards=20, lanes=3, strips=2, asked=AB)),
)  # fmt: skip


def stated(spreads: Mapping[str, float]) -> str:
    """Return the [[spread]] table that says what pieces truly differ."""
    return '[[spread]]\nresponse = "y"\nreading = 0\n' + "".join(
        f"{name} = {size}\n" for name, size in spreads.items()
    )


def ends(patches: pd.DataFrame, name: str) -> tuple[str, str]:
    """Return the two levels on the fewest patches, in the plan's order; the first and the last where alike."""
    counts = patches[name].value_counts(sort=False)
    levels = list(counts.index)
    fewest = sorted([levels[0], levels[-1], *levels[1:-1]], key=lambda one: counts[one])[:2]
    return tuple(sorted(fewest, key=levels.index))  # type: ignore[return-value]


def truth(patches: pd.DataFrame, question: Question, gain: float) -> np.ndarray:
    """Return (n,) what the question's factor adds to each patch."""
    low, high = ends(patches, question.factor)
    values = patches[question.factor].astype(str)
    return gain * ((values == high).to_numpy(float) - (values == low).to_numpy(float)) / 2


def verdicts(differences: np.ndarray, halves: np.ndarray) -> list[str]:
    """Return each trial's verdict: about the pair furthest apart, said of its better level; a single one as is."""
    found = []
    for row, half in zip(differences, halves, strict=True):
        at = int(np.abs(row).argmax())
        gain = abs(row[at]) if len(row) > 1 else row[at]
        found.append(WORTH_IT if gain - half[at] >= WORTH else NOT_WORTH_IT if gain + half[at] < WORTH else TOO_CLOSE)
    return found


def one_case(case: Case, by_strata: int, by_reml: int, seed: int) -> dict[str, dict[str, np.ndarray]]:
    """Print a case; return by factor whether each trial said what is true, and what was said of that beforehand."""
    rng = np.random.default_rng(seed)
    spreads = case.spreads or SPREADS
    plan = plan_of(case.text + stated(spreads))
    known, _ = priors.for_plan(plan)
    kept: dict[str, dict[str, list[np.ndarray]]] = defaultdict(lambda: defaultdict(list))
    methods = Counter[str]()
    for at in range(LAYOUTS):
        layout, patches = laid_out(plan, 1000 * seed + at)
        told = structure.of_layout(plan, patches)
        said = {one.effect: one for one in precision.expected(plan, layout, known) if one.question}
        values = None
        for question in plan.questions:
            effect = told.by_name[question.factor]
            if not effect.can_be_judged:
                continue
            pairs = tuple(Pair.all_of(patches, question.factor))
            ready = prepare(patches, told, Wanted((effect,), pairs, each_of(LEVEL, len(pairs))))
            method = "strata" if isinstance(ready, ByStrata) else "REML"
            if values is None:
                values = drawn(
                    patches, rng, max((by_strata if method == "strata" else by_reml) // LAYOUTS, 2), spreads
                )
            methods[method] += len(values)
            here = kept[question.factor]
            for key, gain, wanted in (("gain", 2 * WORTH, WORTH_IT), ("none", 0.0, NOT_WORTH_IT)):
                made = ready.of((values + truth(patches, question, gain)).T)
                here[key].append(np.array([one == wanted for one in verdicts(made.differences, made.half_widths)]))
            here["half"].append(made.half_widths[:, made.half_widths.mean(axis=0).argmax()])
            one = said[question.factor]
            here["said"].append(np.array([[one.settles, one.says_none, one.half_width]]))
    print(f"{case.name} ({', '.join(f'{count} by {what}' for what, count in methods.items())})")
    found = {name: {key: np.concatenate(parts) for key, parts in by.items()} for name, by in kept.items()}
    for name, by in found.items():
        settles, says_none, half = by["said"].mean(axis=0)
        error = 1.96 * by["half"].std() / math.sqrt(len(by["half"]))
        print(
            f"  {name}: worth it {settles:.3f}, real {share(by['gain'])}; not worth it {says_none:.3f}, real "
            f"{share(by['none'])}; reaches {half:.3f}, real {by['half'].mean():.3f} ± {error:.3f}",
            flush=True,
        )
    print(f"  through the whole analysis: {through(case, spreads, seed)}", flush=True)
    return found


def through(case: Case, spreads: Mapping[str, float], seed: int) -> str:
    """Say how many verdicts of the whole analysis are those of the short way, on the same readings."""
    rng, alike, all_ = np.random.default_rng(seed + 500), 0, 0
    with tempfile.TemporaryDirectory() as place:
        made = written(Path(place) / "trial", case.text, seed)
        plan = made.trial.plan
        _, patches = laid_out(plan, seed)
        told = structure.of_layout(plan, patches)
        for values in drawn(patches, rng, THROUGH, spreads):
            gained = values + sum(truth(patches, question, 2 * WORTH) for question in plan.questions)
            fitted = analyse(made.read({"y": gained}, patches), plan.responses[0])
            for question in plan.questions:
                effect = told.by_name[question.factor]
                if effect.can_be_judged:
                    pairs = tuple(Pair.all_of(patches, question.factor))
                    ready = prepare(patches, told, Wanted((effect,), pairs, each_of(LEVEL, len(pairs))))
                    short = ready.of(gained[:, None])
                    all_ += 1
                    (verdict,) = verdicts(short.differences, short.half_widths)
                    alike += verdict == answer(fitted, question).verdict
    return f"{alike} of {all_} verdicts alike"


def main() -> None:
    """Print every case, or those whose names hold the words after the numbers."""
    by_strata = int(sys.argv[1]) if len(sys.argv) > 1 else 6000
    by_reml = int(sys.argv[2]) if len(sys.argv) > 2 else 1200
    wanted = sys.argv[3] if len(sys.argv) > 3 else ""
    for at, case in enumerate(CASES, start=1):
        if wanted in case.name:
            one_case(case, by_strata, by_reml, at)


if __name__ == "__main__":
    main()
