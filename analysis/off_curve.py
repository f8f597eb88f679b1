"""Do levels that are fitted as a line and its bend lie along it."""

from __future__ import annotations

import pandas as pd

from analysis import mixed
from analysis.effects import p_words
from trials.plan import Plan
from trials.structure import Structure
from trials.telling_apart import beyond_the_bend

CLEAR = 0.05
"""A curve is said not to fit from p below this."""


def lack_of_fit(plan: Plan, told: Structure, named: pd.DataFrame, response: str) -> dict[str, float]:
    """Return for each factor fitted as a curve p of its levels lying along it, where there are levels enough to tell.

    Parameters
    ----------
    named : one row a treated patch, with a column `response`.

    Notes
    -----
    What lies beyond the bend comes into the model as columns of numbers, each tested by itself; the smallest p counts
    times their number (Bonferroni).
    """
    found = {}
    for name in plan.model.curvature:
        factor = plan.factor(name)
        read = [level for level in factor.levels if (named[name] == level).any()]
        columns = len(read) - 3
        if columns < 1 or told.by_name[name].error_df <= columns or factor.amounts is None:
            continue
        table = beyond_the_bend([factor.amounts[factor.levels.index(level)] for level in read])
        at = named[name].astype(str).map({level: number for number, level in enumerate(read)}).to_numpy()
        extra = {f"beyond {number}": table[at, number] for number in range(columns)}
        fixed = " + ".join([told.fixed, *(f"`{key}`" for key in extra)])
        tests = mixed.fit(named.assign(**extra), response, fixed, told.fitted_random).tests()
        smallest = float(tests.loc[list(extra), "p"].min())
        found[name] = min(1.0, columns * smallest)
    return found


def words(plan: Plan, found: dict[str, float]) -> list[str]:
    """Say of each curve whether its levels lie along it."""
    return [
        off_words(plan, name, p)
        or f"{plan.factor(name).words} is fitted as a line and its bend; nothing speaks against it (p {p_words(p)})."
        for name, p in found.items()
    ]


def off_words(plan: Plan, name: str, p: float) -> str:
    """Say that levels do not lie along their curve; nothing where they may."""
    if not p < CLEAR:
        return ""
    factor = plan.factor(name).words
    return (
        f"The levels of {factor} do not lie along a line and its bend (p {p_words(p)}), so what is said of two of "
        "them may be off; taken out of curvature each is fitted by itself."
    )
