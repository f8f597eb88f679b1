"""What came out of a paired comparison: level against level, sides, second looks."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analysis import combinations
from analysis.preference.abilities import abilities
from analysis.preference.comparisons import choices, unit_words, units
from analysis.preference.exact import effective, fewest_agreeing, share_interval, sign_flip
from trials.errors import UserError
from trials.folder import Trial
from trials.foretell import can_settle, fewest_pairs
from trials.level import each_of, level_of
from trials.plan import Preference


@dataclass(frozen=True)
class Choice:
    """Two levels compared, said of the one picked more often, `picked`.

    Attributes
    ----------
    picked, over : the levels; picked is the one with the greater share, the later in the plan where it is 1/2.
    times, comparisons : how often it was picked in how many comparisons, all of them counted.
    agreeing, even, units : on how many units it was picked more often than not, as often as not, and how many there
        are; `unit` and `unit_many` are what one and several are called.
    share, lower, upper, level : the mean over units of the share with which it was picked, its interval
        (`exact.share_interval`; it holds one half wherever the test, at the interval's level, does not rule chance
        out) and the interval's level.
    p, p_all : two-sided, by exact sign flips over units; p_all by Holm over the pairs of levels.
    listed : whether all sign flips were listed, not drawn.
    fewest : units that would have to agree, were each all one way, or None where so few can never settle it.
    needed : the fewest units that could settle it.
    at : it is settled by a p_all no higher.
    """

    picked: str
    over: str
    times: int
    comparisons: int
    agreeing: int
    even: int
    units: int
    unit: str
    unit_many: str
    share: float
    lower: float
    upper: float
    level: float
    p: float
    p_all: float
    listed: bool
    fewest: int | None
    needed: int
    at: float

    @property
    def settled(self) -> bool:
        """Whether chance alone is ruled out, over all pairs of levels."""
        return self.p_all <= self.at


@dataclass(frozen=True)
class SecondLooks:
    """How often an assessor picked the same patch again when the sides were swapped."""

    assessor: str
    same: int
    pairs: int


@dataclass(frozen=True)
class Outcome:
    """All that one paired comparison showed.

    Attributes
    ----------
    choices : one for every two levels that were compared, in the plan's order.
    abilities : with three levels or more, as `abilities.abilities`; None with two, or where none are finite.
    no_abilities : why there are none; empty otherwise.
    left, comparisons, left_lower, left_upper : how often the left of the two was picked, and the interval of its
        share, every comparison counted.
    second_looks : one for each assessor who saw a pair again.
    assessors : how many there were.
    """

    preference: Preference
    choices: tuple[Choice, ...]
    abilities: pd.DataFrame | None
    no_abilities: str
    left: int
    comparisons: int
    left_lower: float
    left_upper: float
    second_looks: tuple[SecondLooks, ...]
    assessors: int


def outcome(trial: Trial, preference: Preference) -> Outcome:
    """Work out one paired comparison.

    Raises
    ------
    UserError
        Nothing was compared.
    """
    found = choices(trial, preference)
    levels = trial.plan.factor(preference.factor).levels
    by_pair = {(str(one), str(two)): rows for (one, two), rows in found.groupby(["first", "second"], sort=False)}
    order = [(one, two) for at, one in enumerate(levels) for two in levels[at + 1 :] if (one, two) in by_pair]
    counted = [units(by_pair[pair]) for pair in order]
    tests = [sign_flip(each["share"].to_numpy() - 0.5) for each in counted]
    together = pd.DataFrame({"p": [p for p, _ in tests]})
    together = combinations.adjusted(together, np.zeros(len(order), dtype=np.intp), "holm")
    at_once = level_of(trial.plan)
    level, at = each_of(at_once, len(order)), 1 - at_once
    made = []
    can = can_settle([len(each) for each in counted], at)
    for number, (pair, each) in enumerate(zip(order, counted, strict=True)):
        named = unit_words(trial.plan, preference, each)
        test = (*tests[number], float(together["p"].iloc[number]))
        one = _choice(pair, by_pair[pair], each, test, level, at, named)
        if can[number]:
            one = replace(one, fewest=fewest_agreeing(one.units, level=1 - level) or one.units)
        made.append(replace(one, needed=fewest_pairs(len(order) - sum(can), at)) if not can[number] else one)
    strength, why = _abilities(order, counted, levels)
    left, total = int(found["left_chosen"].sum()), len(found)
    bounds = share_interval(left / total, total, mid_p=True)
    return Outcome(
        preference, tuple(made), strength, why, left, total, *bounds, tuple(_second_looks(found)),
        found["assessor"].nunique(),
    )  # fmt: skip


def _choice(
    pair: tuple[str, str],
    found: pd.DataFrame,
    counted: pd.DataFrame,
    test: tuple[float, bool, float],
    level: float,
    at: float,
    named: tuple[str, str],
) -> Choice:
    """Return two levels compared, turned so that it is said of the one picked more often."""
    shares, times = counted["share"].to_numpy(), int(found["second_chosen"].sum())
    first, second = pair
    if shares.mean() < 0.5 - 1e-12:
        first, second, shares, times = second, first, 1 - shares, len(found) - times
    share, number = min(float(shares.mean()), 1.0), len(shares)
    p, listed, p_all = test
    lower, upper = share_interval(share, effective(shares, len(found), level), level, mid_p=True)
    return Choice(
        picked=second,
        over=first,
        times=times,
        comparisons=len(found),
        agreeing=int((shares > 0.5 + 1e-9).sum()),
        even=int((np.abs(shares - 0.5) <= 1e-9).sum()),
        units=number,
        unit=named[0],
        unit_many=named[1],
        share=share,
        lower=min(lower, 0.5) if p > 1 - level else lower,
        upper=upper,
        level=level,
        p=p,
        p_all=p_all,
        listed=listed,
        fewest=None,
        needed=number,
        at=at,
    )


def _abilities(
    order: list[tuple[str, str]], counted: list[pd.DataFrame], levels: tuple[str, ...]
) -> tuple[pd.DataFrame | None, str]:
    """Return the abilities of three levels or more, each unit counted once, or why there are none."""
    if len(levels) < 3:
        return None, ""
    rows = [
        (one, two, float((1 - each["share"]).sum()), len(each))
        for (one, two), each in zip(order, counted, strict=True)
    ]
    try:
        return abilities(pd.DataFrame(rows, columns=["first", "second", "first_wins", "n"]), levels), ""
    except UserError as error:
        return None, error.problems[0].what


def _second_looks(found: pd.DataFrame) -> list[SecondLooks]:
    """Compare the first two looks of an assessor at a pair, where the sides were swapped between them."""
    rows = []
    for assessor, own in found.groupby("assessor", sort=True):
        same = pairs = 0
        for _, looks in own.groupby(["first_patch", "second_patch"]):
            two = looks.sort_values("repeat").head(2)
            if two["second_left"].nunique() == 2:
                pairs += 1
                same += int(two["second_chosen"].nunique() == 1)
        if pairs:
            rows.append(SecondLooks(str(assessor), same, pairs))
    return rows
