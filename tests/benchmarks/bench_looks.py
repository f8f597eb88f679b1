# ruff: noqa: E402  (the number of threads is read when numpy is imported)
"""Do verdicts hold as often as said after boards were added, and where one level scatters three times as much?

Run as ``python tests/benchmarks/bench_looks.py [trials [words]]`` from the project's folder. Readings come from
`own_trials`. Looks: boards are laid out, judged, and boards added (each occasion a lot) until a verdict is given or
the looks are over; readings are analysed as a real trial's are. "At the edge" half of the trials have a true gain
just below the worth and half have the worth itself. Unequal scatter: every difference of the second level's boards
and of what stands on them is three times as large, and what `analysis.scatter` finds is done. Shares stand
with the half-width of their 95 % Monte Carlo interval.
"""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"

import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
import pandas as pd
from own_trials import SPREADS, drawn, factor, laid_out, plan_of, plan_text, share
from scipy.special import stdtr, stdtrit

from analysis import mixed, scatter
from analysis.frame import with_factor_order
from analysis.precision.made_up.experiments import ByMixedModel, ByStrata, Pair, Wanted, prepare
from trials import structure
from trials.design import add_boards
from trials.level import LEVEL, each_of, level_of

WORTH = 1.0
LAYOUTS = 10


def occasions(text: str, added: Sequence[int], seed: int) -> list:
    """Return for each look the plan, the treated patches so far, and what they tell."""
    plan = plan_of(text)
    layout, patches = laid_out(plan, seed)
    found = [(plan, patches)]
    everything = layout.patches
    for at, count in enumerate(added):
        boards = replace(plan.boards, lots=(*plan.boards.lots, count))
        plan = replace(plan, boards=boards, added=(*plan.added, count))
        wanted = {one.name: 1.0 for one in plan.factors if one.name in ("a", "b")}
        more = add_boards(plan, everything, seed + 1 + at, wanted)
        everything = pd.concat([everything, more.patches], ignore_index=True)
        found.append((plan, with_factor_order(plan, everything)))
    return found


def looks(text: str, added: Sequence[int], name: str, trials: int, seed: int) -> None:
    """Print a row a number of looks, with every look at 95 % and with the later ones at their own level."""
    rng = np.random.default_rng(seed)
    each = max(trials // LAYOUTS, 1)
    parts: list[list[np.ndarray]] = []
    levels: list[float] = []
    for at in range(LAYOUTS):
        stages = occasions(text, added, 100 * seed + 10 * at)
        levels = [level_of(plan) for plan, _ in stages]
        last = stages[-1][1]
        values = drawn(last, rng, each)
        found = []
        for (plan, patches), level in zip(stages, levels, strict=True):
            told = structure.of_layout(plan, patches)
            pairs = tuple(Pair.all_of(patches, name))
            here = last["patch"].isin(patches["patch"]).to_numpy()
            wanted = Wanted((told.by_name[name],), pairs, each_of(LEVEL, len(pairs)))
            found.append(_both(prepare(patches, told, wanted), values[:, here].T, each_of(level, len(pairs))))
        parts.append([np.array(column) for column in zip(*found, strict=True)])
    d, plain, raised, p = (np.concatenate([one[at] for one in parts], axis=1) for at in range(4))
    edge = np.where(np.arange(d.shape[1]) % 2 == 0, WORTH - 1e-9, WORTH)
    for what, half, at in (
        ("every look at 95 %", plain, np.full(len(d), LEVEL)),
        ("later looks at 99 %", raised, np.array(levels)),
    ):
        for many in range(1, len(d) + 1):
            row = _row(d[:many], half[:many], p[:many], at[:many], edge)
            print(f"  {what}, {many} look{'s' if many > 1 else ''}: {row}", flush=True)


def _both(ready: ByStrata | ByMixedModel, readings: np.ndarray, level: float) -> tuple[np.ndarray, ...]:
    """Return differences, half-widths at the level made ready and at another, and p of each of (n, m) readings."""
    if isinstance(ready, ByStrata):
        found = ready.of(readings)
        df = ready.made.error_df[ready.strata]
        wider = stdtrit(df, 0.5 + level / 2) * np.sqrt(np.square(ready.weights).sum(axis=1)) / ready.roots
        return found.differences, found.half_widths, found.half_widths * wider, found.p[:, 0]
    rows = []
    for column in np.ascontiguousarray(readings.T):
        made = ready.model.estimate(column, ready.rows)
        pairs = made.part(ready.pairs)
        halves = [pairs.half_widths(one) for one in (ready.level, level)]
        rows.append((pairs.values, *halves, made.part(ready.tests[0]).f_test().p))
    return tuple(np.array(one) for one in zip(*rows, strict=True))


def _row(d: np.ndarray, h: np.ndarray, p: np.ndarray, levels: np.ndarray, edge: np.ndarray) -> str:
    covers, wrong_yes, wrong_no = _ended(d, h, edge)
    settled, _, _ = _ended(d, h, np.full(len(edge), 2 * WORTH), settles=True)
    below, at = edge < WORTH, edge >= WORTH
    any_p = (p < 1 - levels[:, None]).any(axis=0)
    return (
        f"cover at the edge {share(covers)}; wrong 'worth it' just below {share(wrong_yes[below])}, wrong 'not' at "
        f"it {share(wrong_no[at])}; settled at twice the worth {share(settled)}; any p below what is left, no effect "
        f"{share(any_p)}"
    )


def _ended(
    d: np.ndarray, h: np.ndarray, gain: np.ndarray, *, settles: bool = False
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Go on until a verdict is given: whether the interval of the last look holds, and which verdict it gave."""
    trials, pairs = d.shape[1:]
    up = np.zeros(pairs)
    up[_with_last(pairs)] = 1.0
    held, yes, no = (np.zeros(trials, dtype=bool) for _ in range(3))
    open_ = np.ones(trials, dtype=bool)
    for look in range(len(d)):
        estimate = d[look] + gain[:, None] * up
        lead = np.abs(estimate).argmax(axis=1)
        rows = np.arange(trials)
        sign = np.where(estimate[rows, lead] < 0, -1.0, 1.0) if pairs > 1 else np.ones(trials)
        leading, half = sign * estimate[rows, lead], h[look][rows, lead]
        truth = sign * gain * up[lead]
        says_yes, says_no = leading - half >= WORTH, leading + half < WORTH
        inside = (np.abs(d[look]) <= h[look]).all(axis=1)
        held[open_] = inside[open_]
        yes |= open_ & says_yes & (settles | (truth < WORTH))
        no |= open_ & says_no & (truth >= WORTH)
        open_ &= ~(says_yes | says_no)
    return (yes if settles else held), yes, no


def _with_last(pairs: int) -> list[int]:
    """Return which pairs the last level is in: as `Pair.all_of` lists them, these are the last ones."""
    levels = {1: 2, 3: 3, 6: 4}[pairs]
    return list(range(pairs - levels + 1, pairs))


def unequal(text: str, trials: int, seed: int) -> None:
    """Print a row a factor of a balanced trial in which level v of a scatters three times as much."""
    rng = np.random.default_rng(seed)
    plan = plan_of(text)
    each = max(trials // LAYOUTS, 1)
    found: dict[str, list[np.ndarray]] = {one.name: [] for one in plan.factors}
    spoken, separate, common = [], [], []
    for at in range(LAYOUTS):
        _, patches = laid_out(plan, 100 * seed + at)
        told = structure.of_layout(plan, patches)
        values = drawn(patches, rng, each, SPREADS | {"lot": 0.0}, wider=np.where(patches["a"] == "v", 3.0, 1.0))
        made = {}
        for one in plan.factors:
            pairs = tuple(Pair.all_of(patches, one.name))
            ready = prepare(patches, told, Wanted((told.by_name[one.name],), pairs, each_of(LEVEL, len(pairs))))
            assert isinstance(ready, ByStrata)
            made[one.name] = ready.of(values.T)
        plain = made["a"]
        inside = (np.abs(plain.differences) <= plain.half_widths).all(axis=1)
        common.append(np.column_stack([plain.p[:, 0] < 1 - LEVEL, inside]))
        model = mixed.prepare(patches, told.fixed, told.fitted_random)
        for row, reading in enumerate(values):
            fit = model.fit(reading)
            fit = replace(fit, frame=replace(fit.frame, response=reading))
            named = [one.factor.name for one in scatter.unequal(plan, patches, fit)]
            spoken.append("a" in named)
            own = None
            if "a" in named:
                own = scatter.separate(told, plan.factor("a"), patches.assign(value=reading), fit)
            separate.append(own is not None)
            if own is not None:
                made["a"].half_widths[row] = stdtrit(own.df, 0.5 + LEVEL / 2) * own.se
                made["a"].p[row] = 2 * stdtr(own.df, -abs(made["a"].differences[row, 0]) / own.se)
        for name, one in made.items():
            inside = (np.abs(one.differences) <= one.half_widths).all(axis=1)
            found[name].append(np.column_stack([one.p[:, 0] < 1 - LEVEL, inside]))
    for name, rows in found.items():
        small, inside = np.concatenate(rows).T
        print(f"  {name}: size {share(small)}, cover {share(inside)}", flush=True)
    small, inside = np.concatenate(common).T
    print(f"  a by the common error: size {share(small)}, cover {share(inside)}")
    print(f"  said to scatter unequally by a: {share(spoken)}, judged by own boards: {share(separate)}", flush=True)


def main() -> None:
    """Print both tables."""
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    a, b, c = factor("a", "uv", "board"), factor("b", "pq", "lane"), factor("c", "rst", "strip")
    a3 = factor("a", "uvw", "board")
    six = plan_text(a, b, c, boards=6, strips=3, asked=["a", "b"])
    cases = (
        ("a on boards, 6 boards and twice 4 more", six, (4, 4), "a"),
        ("b on lanes, 6 boards and twice 4 more", six, (4, 4), "b"),
        ("a on boards, 6 boards and twice 2 more", six, (2, 2), "a"),
        ("a3 on 9 boards and twice 3 more", plan_text(a3, b, boards=9, strips=2, asked=["a", "b"]), (3, 3), "a"),
    )
    wanted = sys.argv[2] if len(sys.argv) > 2 else ""
    for at, (what, text, added, name) in enumerate(cases):
        if wanted not in what:
            continue
        print(f"{what} ({trials} trials)", flush=True)
        looks(text, added, name, trials, at + 1)
    for what, text in (
        ("6 boards, level v of a scatters 3 times as much", six),
        (
            "7 boards, a2 uneven, level v of a scatters 3 times as much",
            plan_text(a, b, c, boards=7, strips=3, asked=["a"]),
        ),
        ("12 boards, level v of a scatters 3 times as much", plan_text(a, b, boards=12, strips=2, asked=["a"])),
        (
            "7 boards, a3 uneven, b2 c2, level v of a scatters 3 times as much",
            plan_text(a3, b, factor("c", "rs", "strip"), boards=7, strips=2),
        ),
    ):
        if wanted not in what:
            continue
        print(f"{what} ({trials} trials)", flush=True)
        unequal(text, trials, 5)


if __name__ == "__main__":
    main()
