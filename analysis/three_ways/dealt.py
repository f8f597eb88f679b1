"""Grades by re-randomisation: the treatments dealt afresh only as the layout could have dealt them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pandas as pd

from analysis import rerandomise
from analysis.rerandomise import MOST_ENUMERATED, Rerandomisation
from analysis.responses import Analysis
from analysis.three_ways.way import Way, first_inside
from trials.errors import UserError
from trials.plan import Plan

INTERVAL_DRAWS = 9_999
"""Arrangements drawn for each end of an interval where there are too many to look at each one many times."""

FINE = 2_000
"""An end of an interval is found to one part in so many of the scale."""


@dataclass(frozen=True)
class Dealt:
    """What re-randomisation says of a question, and whether it is of the ``pair`` or of the whole ``factor``."""

    way: Way
    about: str


def pieces_of(plan: Plan) -> dict[str, list[str]]:
    """Return for each factor the columns that name the piece it is laid on, from the piece it stays in.

    Boards are dealt within their lot, lanes and strips within their board. Patches are dealt within their lane
    or strip where that carries a factor; where both do, within their board, among patches that are alike in them.
    """
    lanes, strips = bool(plan.laid_on("lane")), bool(plan.laid_on("strip"))
    within = ["lane"] if lanes and not strips else ["strip"] if strips and not lanes else []
    columns = {
        "board": ["lot", "board"],
        "lane": ["board", "lane"],
        "strip": ["board", "strip"],
        "patch": ["board", *within, "patch"],
    }
    return {factor.name: columns[factor.laid_on] for factor in plan.factors}


def dealt_afresh(analysis: Analysis, factor: str, pair: tuple[str, str], *, is_one_pair: bool, seed: int) -> Dealt:
    """Test a question by dealing the factor afresh over the values of the treated patches.

    Parameters
    ----------
    pair : the levels; the estimate is the second less the first.
    is_one_pair : whether the question is about this pair alone: two levels, or a pair that it names. Then the
        test is of the pair, on its own pieces, those with other levels left out. Where these have too few
        arrangements for a p clear of chance, and where the question names no pair, the test is of the factor at all
        of its levels.
    seed : of the draws.
    """
    levels = int(analysis.table.treated[factor].nunique())
    way = _of_pair(analysis, factor, pair, seed) if is_one_pair else Way("rerandomised")
    if levels == 2:
        return Dealt(replace(way, p_factor=way.p, p_factor_judged=way.judged), "pair")
    whole = _of_factor(analysis, factor, seed)
    if is_one_pair and way.had:
        return Dealt(replace(way, p_factor=whole.p_factor, p_factor_judged=whole.p_factor_judged), "pair")
    if is_one_pair and not whole.had:
        return Dealt(way, "pair")
    if is_one_pair:
        too_few = f"The pieces with {pair[0]} and {pair[1]} alone allow no answer: {way.why_not}."
        whole = replace(whole, notes=(too_few, *whole.notes))
    return Dealt(whole, "factor")


def _test(
    analysis: Analysis, frame: pd.DataFrame, factor: str, draws: int | None, seed: int, statistic: str
) -> Rerandomisation:
    """Deal a factor afresh as the layout of a trial could have dealt it."""
    return rerandomise.test(
        frame,
        "value",
        factor,
        pieces_of(analysis.plan),
        draws,
        seed,
        statistic=statistic,
        places=analysis.told.places,
    )


def _of_factor(analysis: Analysis, factor: str, seed: int) -> Way:
    """Test a factor at all of its levels, by F in its own stratum."""
    blank = Way("rerandomised")
    try:
        found = _test(analysis, analysis.table.treated, factor, None, seed, "f")
    except UserError as error:
        return replace(blank, why_not=error.problems[0].what)
    notes = ("The test is of the factor at all of its levels, not of one pair.", *found.notes)
    return replace(
        blank, p_factor=found.p, p_factor_judged=_judged(found, seed), why_not=_too_few(found, 1 - analysis.level),
        notes=notes, arrangements=found.arrangements,
    )  # fmt: skip


def _of_pair(analysis: Analysis, factor: str, pair: tuple[str, str], seed: int) -> Way:
    """Test one pair on its own pieces, with an interval of the differences that are not refused."""
    blank = Way("rerandomised", level=analysis.level)
    treated = analysis.table.treated
    chosen = treated[treated[factor].isin(pair)]
    own = chosen.assign(**{factor: pd.Categorical(chosen[factor].astype(str), categories=pair, ordered=True)})
    try:
        found = _test(analysis, own, factor, None, seed, "difference")
    except UserError as error:
        return replace(blank, why_not=error.problems[0].what)
    way = replace(
        blank, estimate=found.statistic, p=found.p, judged=_judged(found, seed), notes=found.notes,
        arrangements=found.arrangements,
    )  # fmt: skip
    if len(chosen) < len(treated):
        way = replace(way, notes=(f"The test is on the pieces with {pair[0]} and {pair[1]} alone.", *way.notes))
    too_few = _too_few(found, 1 - analysis.level)
    if too_few:
        return replace(way, why_not=too_few)
    lower, upper = _interval(analysis, own, factor, found, seed)
    return replace(way, lower=lower, upper=upper)


def _interval(
    analysis: Analysis, own: pd.DataFrame, factor: str, found: Rerandomisation, seed: int
) -> tuple[float, float]:
    """Return the least and greatest shift of the second level that the test does not refuse.

    A shift is taken off every value of the second level; what is left is tested as before. This takes the
    factor to shift all pieces alike (Edgington and Onghena 2007, Randomization Tests; from memory).
    """
    is_second = (own[factor] == own[factor].cat.categories[1]).to_numpy()
    # so many arrangements are looked at each time that all of them would take too long
    draws = None if found.arrangements <= MOST_ENUMERATED // 10 else INTERVAL_DRAWS

    def is_not_refused(shift: float) -> bool:
        shifted = own.assign(value=own["value"] - shift * is_second)
        try:
            left = _test(analysis, shifted, factor, draws, seed, "difference")
        except UserError:  # nothing at all is left to differ: the shift explains everything
            return True
        return left.p > 1 - analysis.level

    span = float(analysis.response.grades - 1)
    middle, fine = found.statistic, span / FINE
    lower = first_inside(is_not_refused, min(-span, middle), middle, fine)
    upper = first_inside(is_not_refused, max(span, middle), middle, fine)
    return lower, upper


def _judged(found: Rerandomisation, seed: int) -> str:
    if found.exact:
        return f"all {found.draws} arrangements"
    return f"{found.draws} arrangements drawn with seed {seed}"


def _too_few(found: Rerandomisation, at: float) -> str:
    """Say that no readings could have given a p clear of chance, if so."""
    if found.smallest_p < at:
        return ""
    return f"there are only {found.arrangements} arrangements, so that p cannot fall below {found.smallest_p:.2g}"
