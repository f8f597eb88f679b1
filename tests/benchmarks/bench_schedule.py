"""How long the order of work comes out: the first order made and the solver against what no order can go below.

Run as ``python -m tests.benchmarks.bench_schedule`` from the project's folder. Times are the processor's own; the
lengths are the same on every run.
"""

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from trials.bench import Schedule, Task, Window, schedule

CASES = ((6, 1), (12, 1), (12, 2), (18, 1), (18, 2))
"""Boards and pairs of hands."""
LENGTHS_MIN = (4, 3, 3, 3, 5, 2)
DWELLS_MIN = (5, 10, 15)
DRYING_MIN = {3: 30, 4: 45, 5: 20}
"""Steps of a board: the second and the last end a dwell, which differs by board; the others wait until it is dry."""


def boards(number: int) -> tuple[Task, ...]:
    """Return the work of boards of six steps."""
    made: list[Task] = []
    for board in range(number):
        dwell_s = 60 * DWELLS_MIN[board % 3]
        for step, length in enumerate(LENGTHS_MIN, start=1):
            before = len(made)
            window = Window(before, dwell_s, dwell_s + 60) if step in (2, 6) else None
            after = ((before, 60 * DRYING_MIN[step]),) if step in DRYING_MIN else ()
            made.append(Task(before + 1, board + 1, step, f"step {step}", 60 * length, after, window))
    return tuple(made)


def timed(work: tuple[Task, ...], hands: int, seconds: float, method: str) -> tuple[Schedule, float]:
    """Return a schedule and the processor time it took."""
    begun = time.process_time()
    made = schedule(work, hands, "24 h", limit_seconds=seconds, method=method)
    return made, time.process_time() - begun


def main() -> None:
    """Print the table."""
    methods = [("first order", 0.0, "orders"), ("solver, 5 s", 5.0, "best"), ("solver, 20 s", 20.0, "best")]
    print(f"{'boards, hands':14} {'method':12} {'min':>5} {'bound':>6} {'longer':>7} {'to best':>8} {'s':>6}")
    for number, hands in CASES:
        work = boards(number)
        found = [(name, *timed(work, hands, seconds, method)) for name, seconds, method in methods]
        best = min(made.makespan_s for _, made, _ in found)
        bound = max(made.bound_s for _, made, _ in found)
        for name, made, took in found:
            print(
                f"{number:6d} {hands:7d} {name:12} {made.makespan_s / 60:5.0f} {bound / 60:6.0f} "
                f"{made.makespan_s / bound - 1:7.1%} {made.makespan_s / best:8.3f} {took:6.2f}",
                flush=True,
            )


if __name__ == "__main__":
    main()
