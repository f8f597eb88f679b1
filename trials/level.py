"""At which level a trial is decided: the one place that says it."""

from __future__ import annotations

from trials.plan import Plan

LEVEL = 0.95
"""Of the intervals of a first look."""

LATER = 0.99
"""Of every look after boards were added with results at hand. A verdict sought two or three times, 95 % at the first
look and 99 % afterwards, holds about as often as one sought once (simulated in ``tests/benchmarks/bench_looks.py``);
how often somebody will look need not be known beforehand."""


def level_of(plan: Plan) -> float:
    """Return the level of a trial's decision intervals: boards can only be added once there are results."""
    return LATER if plan.added else LEVEL


def each_of(level: float, pairs: int) -> float:
    """Return the level of each of several intervals that hold together with `level` (Bonferroni)."""
    return 1 - (1 - level) / max(pairs, 1)


def all_of(level: float, pairs: int) -> float:
    """Return the level at which several intervals, each of `level`, hold together (Bonferroni)."""
    return 1 - (1 - level) * max(pairs, 1)


def per_cent(share: float) -> str:
    """Return ``98.3%``, or ``95%``."""
    return f"{100 * share:.3g}%"


def chance_of(level: float) -> str:
    """Return how often an interval of this level misses, or a p falls below what it leaves, by chance alone."""
    return f"one in {'twenty' if level == LEVEL else f'{1 / (1 - level):.0f}'}"
