# ruff: noqa: E402  (the number of threads is read when numpy is imported)
"""How long boards take to be chosen, and how near the best of 200 starts the default comes; one thread.

Run as ``python -m tests.benchmarks.bench_selection`` from the project's folder. Times are the processor's own.
"""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[name] = "1"

import sys
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

from trials.plan import Boards, Control, Exclusion, Factor, Plan
from trials.selection import choose, default_places
from trials.selection.criterion import Criterion
from trials.selection.model import Model
from trials.selection.patterns import all_patterns

RUNS = 5
MANY = 200
MAINS = ["carrier", "dye_load", "sealer", "dwell"]
AIMS = {12: 1.0, 24: 3.0}
"""Seconds within which the default search is to be done, by the number of boards."""


def lacewood(boards: int, controls: int = 0, lots: int = 1) -> Plan:
    """Return boards of two lanes by three strips, four factors and two forbidden combinations."""
    factors = (
        Factor("carrier", ("water", "alcohol", "oil"), "board"),
        Factor("dye_load", ("10 g/L", "20 g/L", "30 g/L"), "board"),
        Factor("sealer", ("none", "shellac"), "lane"),
        Factor("dwell", ("2 min", "4 min", "6 min", "8 min"), "strip"),
    )
    forbidden = (
        Exclusion((("carrier", ("oil",)), ("dye_load", ("30 g/L",))), ""),
        Exclusion((("carrier", ("water",)), ("dwell", ("8 min",))), ""),
    )
    bare = (Control("bare", "patch", controls),) if controls else ()
    stock = Boards((boards // lots,) * lots, 900, 300, 2, 3, 10, 0, 30)
    return Plan("", "", "", stock, factors, forbidden, bare)


def seconds(work: Callable[[], object]) -> float:
    """Return the median processor time of some runs."""
    times = []
    for _ in range(RUNS):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return median(times)


def searches() -> None:
    """Print for each plan the time of the default search and how near it comes to many starts."""
    print(f"{'boards, model':34} {'s':>6} {'aim':>5} {'s/aim':>6} {'ms a start':>10} {'D-eff.':>8} {'worst':>8}")
    for boards in AIMS:
        for title, plan, terms in (
            ("four factors", lacewood(boards), MAINS),
            ("and what interactions fit", lacewood(boards), None),
            ("and three lots", lacewood(boards, lots=3), None),
            ("and a control patch a board", lacewood(boards, controls=1), None),
        ):
            choose(plan, 1, terms, starts=1)
            took = seconds(lambda plan=plan, terms=terms: choose(plan, 1, terms))
            many = choose(plan, 2, terms, starts=MANY)
            size = Model(plan, many.terms).size
            near = [np.exp((choose(plan, seed, terms).value - many.value) / size) for seed in range(3, 3 + RUNS)]
            print(
                f"{boards:3d} {title:30} {took:6.2f} {AIMS[boards]:5.1f} {took / AIMS[boards]:6.2f} "
                f"{took / len(choose(plan, 1, terms).efficiencies) * 1e3:10.1f} {median(near):8.5f} {min(near):8.5f}"
            )


def exchanges() -> None:
    """Print how much faster a board's candidates are scored than by a determinant of the whole for each."""
    plan = lacewood(12)
    print(f"\n{'model':34} {'candidates':>10} {'us':>8} {'us plain':>9} {'plain/ours':>10}")
    for title, terms in (("four factors", MAINS), ("and what interactions fit", choose(plan, 1).terms)):
        model = Model(plan, terms)
        criterion = Criterion(model, "D", [1] * 12)
        listed = all_patterns(model.options, np.ones((2, 3), dtype=bool))
        candidates, number = model.candidates(listed), len(listed.board)
        rows = [model.whitened(listed.pick(at)) for at in range(number)]
        single = np.array([one.T @ one for one in rows])
        whole = criterion.information(rows[:: number // 11][:11], [1] * 11)

        def ours(c=criterion, w=whole, some=candidates) -> object:
            return [c.scores(w, some, 1) for _ in range(20)]

        def plain(w=whole, one=single) -> object:
            return [np.linalg.slogdet(w + one)[1] for _ in range(20)]

        fast, slow = seconds(ours) / 20 * 1e6, seconds(plain) / 20 * 1e6
        print(f"{title:34} {number:10d} {fast:8.0f} {slow:9.0f} {slow / fast:10.1f}")


def main() -> None:
    """Print both tables."""
    assert len(default_places(lacewood(12))) == 12
    searches()
    exchanges()


if __name__ == "__main__":
    main()
