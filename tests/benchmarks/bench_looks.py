# ruff: noqa: E402  (the number of threads is read when numpy is imported)
"""Do verdicts hold as often as said after boards were added, and where one level scatters three times as much?

Run as ``python tests/benchmarks/bench_looks.py [trials]`` from the project's folder. Readings come from
`own_trials`. Looks: boards are laid out, judged, and boards added (each occasion a lot) until a verdict is given or
the looks are over; readings are analysed as a real trial's are. "At the edge" half of the trials have a true gain
just below the worth and half have the worth itself. Unequal scatter: every difference of the second level's boards
and of what stands on them is three times as large; each trial goes through `analysis.responses.analyse`. Shares stand
with the half-width of their 95 % Monte Carlo interval.
"""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"

import sys
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
import pandas as pd
from own_trials import SPREADS, drawn, factor, laid_out, plan_of, plan_text, share, written

from analysis.frame import with_factor_order
from analysis.precision.made_up.experiments import Pair, Wanted, prepare
from analysis.responses import analyse
from trials import structure
from trials.design import add_boards
from trials.level import LEVEL, each_of, level_of

WORTH = 1.0
LAYOUTS = 20


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


def looks(text: str, added: Sequence[int], name: str, trials: int, seed: int, *, raised: bool) -> None:
    """Print a row a number of looks."""
    rng = np.random.default_rng(seed)
    each = max(trials // LAYOUTS, 1)
    seen: list[list[np.ndarray]] = []
    for at in range(LAYOUTS):
        stages = occasions(text, added, 100 * seed + 10 * at)
        last = stages[-1][1]
        values = drawn(last, rng, each)
        differences, halves, p, levels = [], [], [], []
        for plan, patches in stages:
            told = structure.of_layout(plan, patches)
            pairs = tuple(Pair.all_of(patches, name))
            level = level_of(plan) if raised else LEVEL
            wanted = Wanted((told.by_name[name],), pairs, each_of(level, len(pairs)))
            here = last["patch"].isin(patches["patch"]).to_numpy()
            found = prepare(patches, told, wanted).of(values[:, here].T)
            differences.append(found.differences)
            halves.append(found.half_widths)
            p.append(found.p[:, 0])
            levels.append(level)
        seen.append([np.array(differences), np.array(halves), np.array(p), np.array(levels)])
    d, h, p = (np.concatenate([one[part] for one in seen], axis=1) for part in range(3))
    levels = seen[0][3]
    edge = np.where(np.arange(d.shape[1]) % 2 == 0, WORTH - 1e-9, WORTH)
    for many in range(1, len(d) + 1):
        print(f"  {many} look{'s' if many > 1 else ''}: {_row(d[:many], h[:many], p[:many], levels[:many], edge)}")


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
    """Print a row a factor of a trial in which level v of a scatters three times as much."""
    rng = np.random.default_rng(seed)
    found: dict[str, list[tuple[bool, bool, str]]] = {}
    spoken = []
    with tempfile.TemporaryDirectory() as place:
        for at in range(trials):
            if at % 50 == 0:
                laid = written(Path(place) / str(at), text, seed + at)
                patches = with_factor_order(laid.trial.plan, laid.trial.patches)
                wider = np.where(patches["a"] == "v", 3.0, 1.0)
            values = drawn(patches, rng, 1, SPREADS | {"lot": 0.0}, wider=wider)[0]
            made = analyse(laid.read({"y": values}, patches), laid.trial.plan.responses[0])
            spoken.append(any(one.factor.name == "a" for one in made.unequal))
            for one in laid.trial.plan.factors:
                pairs = len(one.levels) * (len(one.levels) - 1) // 2
                table = made.differences(one.name, level=each_of(made.level, pairs))
                inside = ((table["lower"] <= 0) & (table["upper"] >= 0)).all()
                row = made.tests.loc[one.name]
                found.setdefault(one.name, []).append((bool(inside), row["p"] < 0.05, str(row["method"])))
    for name, rows in found.items():
        inside, small, methods = zip(*rows, strict=True)
        welch = share(np.array(methods) == "Welch")
        print(f"  {name}: size {share(small)}, cover {share(inside)}, Welch in {welch}", flush=True)
    print(f"  said to scatter unequally: a {share(spoken)}")


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
    for at, (what, text, added, name) in enumerate(cases):
        for raised in (False, True):
            print(f"{what}, {'later looks at 99 %' if raised else 'every look at 95 %'} ({trials} trials)")
            looks(text, added, name, trials, at + 1, raised=raised)
            sys.stdout.flush()
    for what, text in (
        ("6 boards, level v of a scatters 3 times as much", six),
        ("7 boards, a2 uneven, the same", plan_text(a, b, c, boards=7, strips=3, asked=["a"])),
        ("12 boards, the same", plan_text(a, b, boards=12, strips=2, asked=["a"])),
        ("7 boards, a3 uneven, b2 c2, the same", plan_text(a3, b, factor("c", "rs", "strip"), boards=7, strips=2)),
    ):
        print(f"{what} ({trials // 2} trials)")
        unequal(text, trials // 2, 5)


if __name__ == "__main__":
    main()
