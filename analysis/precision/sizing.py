"""How many boards a question needs."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from analysis import priors
from analysis.precision.exact import Variances, treated_rows
from analysis.precision.made_up import simulate
from analysis.precision.outlook import ENOUGH, Known
from analysis.precision.scaled import Sets
from analysis.precision.verdicts import TRUE_GAIN
from analysis.priors import RESIDUAL, Prior
from trials.design import Layout, lay_out
from trials.errors import Problem, UserError
from trials.plan import Plan, Question
from trials.plan_file import MOST_PATCHES
from trials.structure import Structure

MOST_SETS = 12
"""As many full sets of boards as `size` tries when it is not told how many."""
PLENTY = 0.95
"""A chance beyond which `size` tries no larger numbers by itself."""
COLUMNS = (
    "boards", "df", "half_width", "power", "settles", "says_none", "chance", "method",
    "half_width_se", "power_se", "settles_se", "says_none_se", "chance_se",
)  # fmt: skip
AGAIN = 2
"""So many times the usual number of experiments settle whether a number found by searching is enough."""
MOST_TIMES = 8
"""Boards are searched for up to so many times those there are: more is no advice (common sense, no source)."""

Progress = Callable[[int, int], None]
"""Called with the numbers of boards done and their number in all."""


def size(
    plan: Plan,
    question: Question,
    chance: float = 0.8,
    variances: Variances | None = None,
    boards: Iterable[int] | None = None,
    *,
    experiments: int = 400,
    seed: int = 0,
    workers: int | None = 1,
    progress: Progress | None = None,
    stop: Callable[[], bool] = lambda: False,
) -> pd.DataFrame:
    """Return what a question could be told with other numbers of boards.

    Parameters
    ----------
    chance : that is wanted, of either answer where it is the true one.
    variances : as for `expected`; working values if not given.
    boards : the numbers of boards to look at; if not given `usual_numbers` and what `enough_boards` finds.
    experiments : how many are made up and analysed where a number is not balanced.
    seed : of these experiments.
    workers : processes for them; None for one a core.
    progress : told how far it is.
    stop : asked now and then whether to end with what there is.

    Returns
    -------
    boards, df (of the interval), half_width, power (at the worth), settles, says_none (see `Expected`), chance (the
    lesser of these two); method, ``exact`` or ``simulated``, and the Monte Carlo standard errors of a simulated row
    (0 for an exact one). Rows without an answer hold NaN, and numbers of boards that cannot be laid out are left out.
    What follows, in words, is in ``.attrs["notes"]``. Lots keep their proportions as far as whole sets allow.

    Raises
    ------
    UserError
        None of the numbers of boards can be laid out.
    """
    if not 0 < chance < 1:
        raise ValueError(f"a chance lies between 0 and 1, not at {chance}")
    known = variances if variances is not None else priors.working(plan, plan.response(question.response))
    sets = Sets(plan)
    wanted = usual_numbers(plan, sets) if boards is None else sorted(set(boards))
    most = MOST_PATCHES // (plan.boards.lanes * plan.boards.strips)
    rows: dict[int, tuple[Any, ...]] = {}

    def look(count: int, times: int = AGAIN) -> bool:
        """Take in a number of boards, and say whether it is enough."""
        row = _row(plan, sets, question, known, count, times * experiments, seed, workers)
        if row:
            rows[count] = row
        return row is not None and bool(row[_CHANCE] >= chance)

    for at, count in enumerate(wanted):
        if progress:
            progress(at, len(wanted))
        if sets.controls < count <= most and not (rows and stop()):
            look(count, 1)
            if boards is None and count in rows and rows[count][_CHANCE] >= PLENTY and count >= plan.boards.count:
                break
    if not rows:
        what = f"none of {', '.join(map(str, wanted))} boards can be laid out"
        raise UserError(Problem(what, f"try numbers from {sets.controls + 2} to {most}"))
    if boards is None:
        found = None if stop() else enough_boards(plan, question, known, chance, look, stop)
    table = pd.DataFrame([rows[count] for count in sorted(rows)], columns=list(COLUMNS))
    source = known.source if isinstance(known, Prior) else "Variances as given."
    if boards is None and not stop():
        table.attrs["enough"] = found
    table.attrs["notes"] = (_enough(table, chance, several=compares_several(plan, question)), source)
    return table


_CHANCE = COLUMNS.index("chance")


def compares_several(plan: Plan, question: Question) -> bool:
    """Say whether a question is about several pairs of levels."""
    return not question.between and len(plan.factor(question.factor).levels) > 2


def _least(plan: Plan, sets: Sets) -> int:
    """Return the fewest boards that tell all that is laid on boards and leave one to judge by."""
    return sets.controls + sum(len(factor.levels) - 1 for factor in plan.laid_on("board")) + 2


def enough_boards(
    plan: Plan,
    question: Question,
    known: Variances,
    chance: float = ENOUGH,
    look: Callable[[int], bool] | None = None,
    stop: Callable[[], bool] = lambda: False,
) -> int | None:
    """Return about the fewest boards that settle a question with a chance; None where `MOST_TIMES` as many do not.

    Parameters
    ----------
    known : how much pieces differ.
    look : says of a number whether it is enough, as `size` does; if not given by `AGAIN` as many made-up trials as
        there, or exactly.
    stop : asked whether to end early, without a number.

    Notes
    -----
    Where the number lies is found by the interval that known variances give, which costs no experiments: over whole
    sets, or over ever larger numbers where they are not balanced, then by halving. Then it is looked at properly,
    and one board more as long as that is not enough, or one less as long as that is.
    """
    sets = Sets(plan)
    own, most = plan.boards.count, MOST_PATCHES // (plan.boards.lanes * plan.boards.strips)
    most = min(most, sets.controls + MOST_TIMES * max(own, sets.one_set))
    low, high = _least(plan, sets) - 1, 0
    steps = range(sets.controls + sets.one_set, most + 1, sets.one_set)
    for count in steps if sets.balanced else _growing(max(own, low + 1), most):
        if stop():
            return None
        if _near(plan, sets, question, known, count) >= chance:
            high = count
            break
        low = max(low, count)
    while high - low > max(1, high // 20) and not stop():
        middle = (low + high) // 2
        if _near(plan, sets, question, known, middle) >= chance:
            high = middle
        else:
            low = middle

    def simulated(count: int) -> bool:
        row = _row(plan, sets, question, known, count, AGAIN * 400, 0, 1)
        return row is not None and bool(row[_CHANCE] >= chance)

    is_enough, least = look or simulated, _least(plan, sets)
    for count in range(high, min(high + max(sets.one_set, own) + 1, most + 1)) if high else ():
        if stop():
            return None
        if is_enough(count):
            while count == high > least and is_enough(high - 1):
                high = count = high - 1
            return count
    return None


def _growing(first: int, most: int) -> Iterator[int]:
    count = first
    while count < most:
        yield count
        count = math.ceil(1.5 * count)
    yield most


def _near(plan: Plan, sets: Sets, question: Question, known: Variances, count: int) -> float:
    """Return the lesser chance of the verdicts with so many boards, the variances taken as known; 0 for none."""
    changed = with_boards(plan, count)
    if _is_exact(sets, changed, count):
        _, found = sets.chances(
            changed.boards.lots, question, fitting(known, changed, sets.told(changed.boards.lots))
        )
        lesser = min(found.settles, found.says_none)
    else:
        layout = any_layout(changed)
        if layout is None:
            return 0.0
        _, told = treated_rows(changed, layout)
        if not told.by_name[question.factor].can_be_judged or told.error_dfs[RESIDUAL] == 0:
            return 0.0
        lesser = Known(changed, layout, fitting(known, changed, told), experiments=0).of_question(question).chance
    return 0.0 if math.isnan(lesser) else lesser


def _is_exact(sets: Sets, changed: Plan, count: int) -> bool:
    first, *rest = changed.boards.lots
    whole = all(lot % sets.one_set == 0 for lot in (first - sets.controls, *rest))
    return sets.balanced and sets.holds(count) and whole


def usual_numbers(plan: Plan, sets: Sets) -> list[int]:
    """Return numbers of boards to look at: whole sets, the plan's own, and some that hold less than a set."""
    whole = [sets.controls + sets.one_set * number for number in range(1, MOST_SETS + 1)]
    own = plan.boards.count
    if not sets.balanced:
        whole = [math.ceil(own * share) for share in (0.5, 0.75, 1, 1.5, 2, 3)]
    least = _least(plan, sets)
    full = sets.controls + sets.one_set
    parts = {int(part) for part in np.linspace(least, full, 4)[:3]} if least < full else set[int]()
    return sorted({*whole, own, *parts})


def _row(
    plan: Plan, sets: Sets, question: Question, known: Variances, count: int, experiments: int, seed: int,
    workers: int | None,
) -> tuple[Any, ...] | None:  # fmt: skip
    """Return a row of the table; nothing where so many boards cannot be laid out."""
    changed = with_boards(plan, count)
    if _is_exact(sets, changed, count):
        told = sets.told(changed.boards.lots)
        df, found = sets.chances(changed.boards.lots, question, fitting(known, changed, told))
        lesser = min(found.settles, found.says_none)
        row = (count, df, found.half_width, found.power, found.settles, found.says_none, lesser)
        return (*row, "exact", *[0.0] * 5)
    layout = any_layout(changed)
    if layout is None:
        return None
    _, told = treated_rows(changed, layout)
    effect = told.by_name[question.factor]
    if not effect.can_be_judged or told.error_dfs[RESIDUAL] == 0:
        return (count, 0.0, *[math.nan] * 5, "simulated", *[math.nan] * 5)
    known = fitting(known, changed, told)
    gain = TRUE_GAIN * question.worth
    made_up = simulate(changed, layout, question, known, gain, experiments, seed, workers, seen_gain=question.worth)
    lesser, lesser_se = min((made_up.settled, made_up.settled_se), (made_up.says_none, made_up.says_none_se))
    return (
        count, float(effect.error_df), made_up.half_width, made_up.seen, made_up.settled, made_up.says_none, lesser,
        "simulated",
        made_up.half_width_se, made_up.seen_se, made_up.settled_se, made_up.says_none_se, lesser_se,
    )  # fmt: skip


@lru_cache(maxsize=64)
def any_layout(plan: Plan) -> Layout | None:
    """Return a layout of a plan, the same for every question; nothing where its boards cannot be laid out."""
    try:
        return lay_out(plan, 1)
    except UserError:
        return None


def fitting(variances: Variances, plan: Plan, told: Structure) -> Variances:
    """Return the variances for a changed plan: made anew of their pieces, or with those of lots as they apply.

    Where one lot is left its variance is the same in every patch; where each lot was a single board, the boards'
    variance holds that of the lots, which have none of their own.
    """
    if isinstance(variances, Prior) and variances.pieces:
        return variances.on(plan)
    given = variances.variances if isinstance(variances, Prior) else variances
    found = {str(name): value for name, value in given.items() if name != "lot" or "lot" in told.random}
    return {"lot": 0.0, **found} if "lot" in told.random else found


def with_boards(plan: Plan, count: int) -> Plan:
    """Return a plan with another number of boards, shared over its lots in proportion; with its own as it is.

    Whole sets of treatments stay whole in every lot, as far as the boards are whole sets besides the control boards.
    """
    if count == plan.boards.count:
        return replace(plan, added=())
    controls = plan.controls_on("board")
    one_set = len(plan.treatments(plan.laid_on("board")))
    sets, odd = divmod(count - controls, one_set)
    if count <= controls:
        raise ValueError(f"{count} boards are no more than the {controls} control boards")
    pieces, unit = (count, 1) if odd else (sets, one_set)
    share = np.cumsum(plan.boards.lots) / plan.boards.count
    ends = np.floor(share * pieces + 0.5).astype(int)
    lots = [int(number) * unit for number in np.diff(ends, prepend=0) if number]
    lots[0] += 0 if odd else controls
    kept = tuple(one for one in plan.unusable if one.board <= count)
    return replace(plan, boards=replace(plan.boards, lots=tuple(lots)), unusable=kept, added=())


def _enough(table: pd.DataFrame, chance: float, *, several: bool) -> str:
    """Say how many boards are needed, or that none of the numbers is enough."""
    enough = table[table["chance"] >= chance]
    if "enough" in table.attrs:
        enough = table[table["boards"] == (table.attrs["enough"] or -1)]
    row = enough.iloc[0] if len(enough) else table.iloc[-1]
    about = "" if row["method"] == "exact" else "about "
    reached = f"{about}{row['chance']:.0%}"
    if several:
        reached = (
            f"{about}{row['settles']:.0%} if one level gains twice the worth, {row['says_none']:.0%} if none does"
        )
    if len(enough):
        return f"{int(row['boards'])} boards settle the question with a chance of {reached}."
    if math.isnan(row["chance"]):
        reached = "none"
    return f"No number up to {int(row['boards'])} boards reaches a chance of {chance:.0%}; there it is {reached}."
