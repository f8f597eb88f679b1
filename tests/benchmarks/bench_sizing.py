# ruff: noqa: E402  (the number of threads is read when numpy is imported)
"""How long a whole table of sizes takes where the layout is balanced: medians, one thread.

Run as ``python tests/benchmarks/bench_sizing.py`` from the project's folder. The ratio is against laying each size
out and asking what is expected of it, timed in turn so that a busy machine slows both.
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

from analysis import precision, priors
from analysis.precision.scaled import Sets
from trials.design import lay_out
from trials.plan import Plan, read_plan

EXAMPLE = Path(__file__).resolve().parents[2] / "example_trials" / "lacewood-counter"
SIZES = range(6, 73, 6)
RUNS = 5


def from_counts(sets: Sets, plan: Plan) -> list[float]:
    """Return the chance of settling each question at each size, from counts alone."""
    known = {response.name: priors.working(plan, response) for response in plan.responses}
    found = []
    for boards in SIZES:
        changed = precision.with_boards(plan, boards)
        for question in plan.questions:
            prior = known[question.response].on(changed)
            found.append(sets.chances(changed.boards.lots, question, prior)[3])
    return found


def laid_out(plan: Plan) -> list[float]:
    """Return the same by laying every size out."""
    found = []
    for boards in SIZES:
        changed = precision.with_boards(plan, boards)
        known = {response.name: priors.working(changed, response) for response in plan.responses}
        found += [one.settles for one in precision.expected(changed, lay_out(changed, 1), known) if one.question]
    return found


def seconds(work: Callable[[], object]) -> float:
    """Return how long some work takes."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> None:
    """Print medians and the ratio."""
    plan = read_plan(EXAMPLE)
    started = time.perf_counter()
    sets = Sets(plan)
    assert sets.balanced
    begun = time.perf_counter() - started
    pairs = [(seconds(lambda: from_counts(sets, plan)), seconds(lambda: laid_out(plan))) for _ in range(RUNS)]
    cells = len(SIZES) * len(plan.questions)
    print(f"{cells} exact chances ({len(SIZES)} sizes, {len(plan.questions)} questions), made ready in {begun:.3f} s")
    print(f"from counts {1000 * median(fast for fast, _ in pairs):.1f} ms")
    print(f"laid out    {1000 * median(slow for _, slow in pairs):.1f} ms")
    print(f"ratio       {median(slow / fast for fast, slow in pairs):.0f}")
    largest = max(
        abs(one - other) for one, other in zip(from_counts(sets, plan), laid_out(plan), strict=True) if one == one
    )
    print(f"largest difference {largest:.1e}")


if __name__ == "__main__":
    main()
