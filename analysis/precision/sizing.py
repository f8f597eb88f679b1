"""How many boards, lots, assessors and repeats a question needs."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from analysis import priors
from analysis.precision.exact import Variances, treated_rows
from analysis.precision.made_up import simulate
from analysis.precision.outlook import Expected, Known
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
    boards : the numbers of boards to look at; if not given `usual_numbers`, and then numbers below the first of them
        that is enough, by halving, down to the fewest that are.
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

    def look(count: int, experiments: int = experiments, seed: int = seed) -> bool:
        """Take in a number of boards, and say whether it is enough."""
        found = _row(plan, sets, question, known, count, experiments, seed, workers)
        if found:
            rows[count] = found
        return found is not None and bool(found[_CHANCE] >= chance)

    for at, count in enumerate(wanted):
        if progress:
            progress(at, len(wanted))
        if sets.controls < count <= most and not (rows and stop()):
            look(count)
            if boards is None and count in rows and rows[count][_CHANCE] >= PLENTY and count >= plan.boards.count:
                break
    if not rows:
        what = f"none of {', '.join(map(str, wanted))} boards can be laid out"
        raise UserError(Problem(what, f"try numbers from {sets.controls + 2} to {most}"))
    if boards is None:
        for more, _ in enumerate(_fewest(rows, chance, _least(plan, sets), look)):
            if progress:
                progress(len(wanted) + more, len(wanted) + more + 1)
            if stop():
                break
        enough = [count for count, row in rows.items() if row[_CHANCE] >= chance]
        for count in range(min(enough), max(rows) + 1) if enough else ():
            exact = count in rows and rows[count][_METHOD] == "exact"
            # the best of several simulated numbers owes some of it to luck: it is looked at afresh
            if stop() or (rows[count][_CHANCE] >= chance if exact else look(count, AGAIN * experiments, seed + 1)):
                break
    table = pd.DataFrame([rows[count] for count in sorted(rows)], columns=list(COLUMNS))
    source = known.source if isinstance(known, Prior) else "Variances as given."
    table.attrs["notes"] = (_enough(table, chance, several=compares_several(plan, question)), source)
    return table


_CHANCE, _METHOD = COLUMNS.index("chance"), COLUMNS.index("method")


def compares_several(plan: Plan, question: Question) -> bool:
    """Say whether a question is about several pairs of levels."""
    return not question.between and len(plan.factor(question.factor).levels) > 2


def _least(plan: Plan, sets: Sets) -> int:
    """Return the fewest boards that tell all that is laid on boards and leave one to judge by."""
    return sets.controls + sum(len(factor.levels) - 1 for factor in plan.laid_on("board")) + 2


def _fewest(
    rows: dict[int, tuple[Any, ...]], chance: float, least: int, look: Callable[[int], bool]
) -> Iterator[int]:
    """Look at numbers of boards below the first that is enough, by halving, and yield each."""
    high = min((count for count, row in rows.items() if row[_CHANCE] >= chance), default=0)
    low = max((count for count in rows if count < high), default=least - 1)
    while high - low > 1:
        middle = (low + high) // 2
        yield middle
        if look(middle):
            high = middle
        else:
            low = middle


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
    if sets.balanced and sets.holds(count):
        told = sets.told(changed.boards.lots)
        df, found = sets.chances(changed.boards.lots, question, _for(known, changed, told))
        lesser = min(found.settles, found.says_none)
        row = (count, df, found.half_width, found.power, found.settles, found.says_none, lesser)
        return (*row, "exact", *[0.0] * 5)
    layout = _layout(changed)
    if layout is None:
        return None
    _, told = treated_rows(changed, layout)
    effect = told.by_name[question.factor]
    if not effect.can_be_judged or told.error_dfs[RESIDUAL] == 0:
        return (count, 0.0, *[math.nan] * 5, "simulated", *[math.nan] * 5)
    fitting = _for(known, changed, told)
    gain = TRUE_GAIN * question.worth
    made_up = simulate(changed, layout, question, fitting, gain, experiments, seed, workers, seen_gain=question.worth)
    lesser, lesser_se = min((made_up.settled, made_up.settled_se), (made_up.says_none, made_up.says_none_se))
    return (
        count, float(effect.error_df), made_up.half_width, made_up.seen, made_up.settled, made_up.says_none, lesser,
        "simulated",
        made_up.half_width_se, made_up.seen_se, made_up.settled_se, made_up.says_none_se, lesser_se,
    )  # fmt: skip


@lru_cache(maxsize=64)
def _layout(plan: Plan) -> Layout | None:
    """Return a layout of a plan, the same for every question; nothing where its boards cannot be laid out."""
    try:
        return lay_out(plan, 1)
    except UserError:
        return None


def _for(variances: Variances, plan: Plan, told: Structure) -> Variances:
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
    """Return a plan with another number of boards, shared over its lots in proportion.

    Whole sets of treatments stay whole in every lot, as far as the boards are whole sets besides the control boards.
    """
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


def lots(
    plan: Plan, question: Question, variances: Variances | None = None, numbers: Sequence[int] = (1, 2, 3, 4, 6)
) -> pd.DataFrame:
    """Return what a question could be told with the plan's boards sorted into other numbers of lots.

    Parameters
    ----------
    variances : as for `size`; a `Prior` made of pieces tells lots from boards, others keep what they say.
    numbers : of lots; those that would leave a lot with a single board are passed over.

    Returns
    -------
    lots, df, half_width, settles, says_none, chance; one lot means boards that were not sorted by the plank they came
    from. What follows, in words, is in ``.attrs["notes"]``.
    """
    known = variances if variances is not None else priors.working(plan, plan.response(question.response))
    rows = []
    for number in sorted({*numbers, len(plan.boards.lots)}):
        if number > 1 and plan.boards.count // number < 2:
            continue
        ends = np.floor(np.arange(1, number + 1) / number * plan.boards.count + 0.5).astype(int)
        sizes = tuple(int(one) for one in np.diff(ends, prepend=0))
        changed = replace(plan, boards=replace(plan.boards, lots=sizes), added=())
        layout = _layout(changed)
        if layout is None:
            continue
        _, told = treated_rows(changed, layout)
        found = Known(changed, layout, _for(known, changed, told)).of_question(question)
        df = found.error_df if found.can_be_judged else 0.0
        rows.append((number, df, *_shown(found)))
    table = pd.DataFrame(rows, columns=["lots", "df", *_SHOWN])
    table.attrs["notes"] = (_lots_words(table),)
    return table


_SHOWN = ("half_width", "settles", "says_none", "chance")


def _shown(found: Expected) -> tuple[float, ...]:
    return tuple(getattr(found, name) for name in _SHOWN)


WORTH_SORTING = 0.1
"""A part of the half-width below which sorting into lots is said to make no difference: this project's choice."""


def _lots_words(table: pd.DataFrame) -> str:
    told = table[table["half_width"].notna()]
    if told.empty:
        return "With these boards nothing can be told, however they are sorted into lots."
    best, first = told.loc[told["half_width"].idxmin()], told.iloc[0]
    unsorted = "boards not sorted by plank" if first["lots"] == 1 else f"{first['lots']:.0f} lots"
    if best["lots"] == first["lots"] or best["half_width"] > (1 - WORTH_SORTING) * first["half_width"]:
        return "Sorting the boards by plank makes little difference here; it makes the answer hold for more wood."
    gain = 1 - best["half_width"] / first["half_width"]
    return (
        f"Sorting the boards by plank helps: {best['lots']:.0f} lots narrow the interval of {unsorted} by "
        f"{gain:.0%}, because boards of one plank differ less."
    )


def readers(
    plan: Plan,
    layout: Layout,
    question: Question,
    prior: Prior,
    assessors: Iterable[int] = (1, 2, 3, 4),
    repeats: Iterable[int] = (1, 2),
) -> pd.DataFrame:
    """Return how a question gains from more assessors or repeated looks, every assessor marking every patch.

    Parameters
    ----------
    prior : with the part of the residual that comes from the readings.

    Returns
    -------
    assessors, repeats, residual, half_width, settles, says_none, chance; the last row, with infinitely many
    assessors, is what remains when only more boards help. Which of the two it is, is in words in ``.attrs["notes"]``.

    Notes
    -----
    Each reading is taken to err afresh. What one assessor sees in one patch each time does not shrink with
    repeats, so that at an equal number of readings more assessors are the better choice.
    """
    rows = []
    for people, looks in product(assessors, repeats):
        rows.append(
            (float(people), looks, *_with_readers(plan, layout, question, prior.with_readings(people * looks)))
        )
    floor = prior.variances.copy()
    floor[RESIDUAL] -= prior.reading
    if floor[RESIDUAL] <= 0:
        raise UserError(
            Problem("the residual is all reading, with nothing between patches", "give a larger residual")
        )
    rows.append((math.inf, 1, *_with_readers(plan, layout, question, replace(prior, variances=floor, reading=0.0))))
    table = pd.DataFrame(rows, columns=["assessors", "repeats", "residual", *_SHOWN])
    table.attrs["notes"] = (_who_helps(table),)
    return table


def _with_readers(plan: Plan, layout: Layout, question: Question, prior: Prior) -> tuple[float, ...]:
    found = Known(plan, layout, prior).of_question(question)
    return (float(prior.variances[RESIDUAL]), *_shown(found))


WORTH_MORE_EYES = 0.1
"""A part of the half-width below which more assessors are said not to help: this project's choice."""


def _who_helps(table: pd.DataFrame) -> str:
    first, last = table["half_width"].iloc[0], table["half_width"].iloc[-1]
    if math.isnan(first):
        return "More assessors do not help: the layout has nothing to judge this by; only more boards do."
    gain = 1 - last / first
    people = "one assessor" if table["assessors"].iloc[0] == 1 else f"{table['assessors'].iloc[0]:.0f} assessors"
    if gain < WORTH_MORE_EYES:
        return (
            f"Only more boards help: even endless assessors would narrow the interval of {people} by no more than "
            f"{gain:.0%}, because the wood itself differs."
        )
    return (
        f"More assessors help: beyond {people} they can narrow the interval by up to {gain:.0%}; what is left after "
        "that, the wood itself, only more boards reduce."
    )
