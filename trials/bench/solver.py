"""The schedule as a constraint problem, for OR-tools to solve."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from trials.bench.goes import Go, Starts, Work
from trials.bench.hours import DAY_S


@dataclass(frozen=True)
class Solved:
    """Starts of all tasks, where any were found, and a makespan that is proved to be out of reach below."""

    starts: Starts | None
    bound_s: int


def solve(
    work: Work,
    hands: int,
    day_s: int,
    *,
    heads: Starts,
    least_s: int,
    most_s: int,
    seed: int,
    effort: float,
    hint: Starts | None = None,
) -> Solved:
    """Return the shortest schedule that the solver finds.

    Parameters
    ----------
    heads : the earliest start of each task, in seconds.
    least_s, most_s : bounds of the makespan in seconds.
    effort : what it may spend, in the solver's own count of work, so that equal input gives equal output however
        busy the machine is.
    """
    from ortools.sat.python import cp_model

    model = cp_model.CpModel()
    grid = work.grid_s(day_s)
    day, open_s = DAY_S // grid, day_s // grid
    days = most_s // DAY_S + 1
    latest = {task.number: most_s - work.tails[task.number] - task.length_s for task in work.tasks}
    begin: dict[int, Any] = {}
    spans = []
    for task in work.tasks:
        length = task.length_s // grid
        allowed = [
            [at * day, min(at * day + open_s - length, latest[task.number] // grid)]
            for at in range(heads[task.number] // DAY_S, latest[task.number] // DAY_S + 1)
        ]
        begin[task.number] = model.new_int_var_from_domain(
            cp_model.Domain.from_intervals(allowed), f"start {task.number}"
        )
        if hint:
            model.add_hint(begin[task.number], hint[task.number] // grid)
        spans.append(model.new_fixed_size_interval_var(begin[task.number], length, f"work {task.number}"))
    if hands == 1:
        model.add_no_overlap(spans)
    else:
        model.add_cumulative(spans, [1] * len(spans), hands)
    _add_waits(model, work, begin, grid)
    _add_days(model, work, begin, (day, open_s, days), grid, day_s)
    _add_turns(model, work, begin, most_s // grid)
    _add_sanding(cp_model, model, work, begin, (day, open_s, days), grid)
    for first, second in alike(work):
        model.add(begin[first] <= begin[second])
    makespan = model.new_int_var(-(-least_s // grid), most_s // grid, "makespan")
    for task in work.tasks:
        if not work.tails[task.number]:
            model.add(makespan >= begin[task.number] + task.length_s // grid)
    model.minimize(makespan)
    solver = _solver(cp_model, seed, effort)
    status = solver.solve(model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return Solved(None, most_s + 1 if status == cp_model.INFEASIBLE else least_s)
    proved = max(least_s, round(solver.best_objective_bound) * grid)
    return Solved({number: int(solver.value(var)) * grid for number, var in begin.items()}, proved)


def _solver(cp_model: Any, seed: int, effort: float) -> Any:
    """Return a solver that gives equal output for equal input."""
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.linearization_level = 0  # 12 boards in 7 s: 246 min, and 255 min with it
    solver.parameters.random_seed = seed % 2**31
    solver.parameters.max_deterministic_time = effort
    return solver


def _add_waits(model: Any, work: Work, begin: dict[int, Any], grid: int) -> None:
    """Keep drying times and dwells."""
    for task in work.tasks:
        for number, gap in task.after:
            model.add(begin[task.number] >= begin[number] + (work.task[number].length_s + gap) // grid)
        if task.window:
            ended = begin[task.window.task] + work.task[task.window.task].length_s // grid
            model.add(begin[task.number] >= ended + task.window.least_s // grid)
            model.add(begin[task.number] <= ended + task.window.most_s // grid)


def _add_days(
    model: Any, work: Work, begin: dict[int, Any], day: tuple[int, int, int], grid: int, day_s: int
) -> None:
    """Keep dwells from lasting over night, where they are long enough for it."""
    length, open_s, days = day
    for task in work.tasks:
        if task.window and task.window.most_s >= DAY_S - day_s:
            which = model.new_int_var(0, days - 1, f"day {task.number}")
            for number in (task.number, task.window.task):
                model.add(begin[number] >= which * length)
                model.add(begin[number] + work.task[number].length_s // grid <= which * length + open_s)


def _add_sanding(
    cp_model: Any, model: Any, work: Work, begin: dict[int, Any], day: tuple[int, int, int], grid: int
) -> None:
    """Keep sanding before what is wet, on each day that may have both."""
    length, open_s, days = day
    for opens in range(0, days * length, length):
        hours = cp_model.Domain(opens, opens + open_s - 1)  # of starts: one at closing time is the next day's
        here = [task for task in work.tasks if begin[task.number].domain.overlaps_with(hours)]
        if not (any(task.sands for task in here) and any(task.wet for task in here)):
            continue
        clean = model.new_int_var(opens, opens + open_s, "clean down")  # sanding may last until closing
        for task in here:
            if not (task.sands or task.wet):
                continue
            then = model.new_bool_var(f"{task.number} then")
            start = begin[task.number]
            model.add_linear_expression_in_domain(start, hours.complement()).only_enforce_if(~then)
            kept = start + task.length_s // grid <= clean if task.sands else start >= clean
            model.add(kept).only_enforce_if(then)


def _add_turns(model: Any, work: Work, begin: dict[int, Any], most: int) -> None:
    """Keep the order of work: the first start of each board no earlier than that of the one before."""
    firsts = []
    for goes in work.turns:
        starts = [begin[work.goes[at].first.number] for at in goes]
        if len(starts) == 1:
            firsts.append(starts[0])
        else:
            first = model.new_int_var(0, most, "first start")
            model.add_min_equality(first, starts)
            firsts.append(first)
    for before, after in pairwise(firsts):
        model.add(before <= after)


def alike(work: Work) -> Iterable[tuple[int, int]]:
    """Yield pairs of tasks that may be put in order without loss, because they or their boards are alike."""
    boards: dict[int, list[Go]] = {}
    for go in work.goes:
        boards.setdefault(go.first.board, []).append(go)
    first_of: dict[object, int] = {}
    apart = all(work.task[number].board == task.board for task in work.tasks for number, _ in task.after)
    waiting: dict[int, set[tuple[int, int]]] = {task.number: set() for task in work.tasks}
    for task in work.tasks:
        for number, gap in task.after:
            waiting[number].add((task.number, gap))
    for goes in boards.values():
        last: dict[object, int] = {}
        for go in goes:
            like = (go.first.step, go.first.turn, go.first.after, _looks(go, waiting))
            if like in last:
                yield last[like], go.first.number
            last[like] = go.first.number
        if apart and not any(go.first.turn for go in goes):
            whole = _board_looks(goes)
            number = goes[0].first.number
            if whole in first_of:
                yield first_of[whole], number
            first_of[whole] = number


def _looks(go: Go, waiting: Mapping[int, set[tuple[int, int]]]) -> object:
    """Return what goes have in common that can change places: their lengths and dwells, and what waits for them."""
    return tuple(
        (task.length_s, task.sands, task.wet, task.after,
         task.window and (task.window.least_s, task.window.most_s), frozenset(waiting[task.number]))
        for task in go.tasks
    )  # fmt: skip


def _board_looks(goes: list[Go]) -> object:
    """Return what boards have in common that can change places: all of their work, told by its place among it."""
    numbers = {task.number: at for at, task in enumerate(task for go in goes for task in go.tasks)}
    return tuple(
        (task.length_s, task.sands, task.wet, tuple((numbers[number], gap) for number, gap in task.after),
         task.window and (numbers[task.window.task], task.window.least_s, task.window.most_s))
        for go in goes for task in go.tasks
    )  # fmt: skip
