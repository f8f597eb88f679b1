"""The order of work for the hands there are: as short as can be found, and how far that is from the shortest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from trials import units
from trials.bench import sanding, solver
from trials.bench.bound import bound, earliest_starts
from trials.bench.goes import Starts, Work
from trials.bench.hours import DAY_S
from trials.bench.orders import dwells_kept, end, first_order, shifted_left
from trials.bench.possible import check_possible
from trials.bench.task import Task
from trials.bench.task import tasks as all_tasks
from trials.bench.times import read_clock
from trials.errors import Problem, UserError

if TYPE_CHECKING:
    import pandas as pd

    from trials.plan import Plan

Method = Literal["best", "orders", "solver"]

EFFORT_A_SECOND = 0.25
"""The solver's own count of work in about a second; it was from 0.1 to 0.6."""
MOST_HANDS = 20


@dataclass(frozen=True)
class Timed:
    """A task and when it begins: seconds from the opening of the first day, and the day, from 1."""

    task: Task
    start_s: int

    @property
    def end_s(self) -> int:
        """When it ends."""
        return self.start_s + self.task.length_s

    @property
    def day(self) -> int:
        """The shop day it is done on."""
        return self.start_s // DAY_S + 1


@dataclass(frozen=True)
class Schedule:
    """Work in order of time.

    Attributes
    ----------
    tasks : with their starts, in order of time.
    hands : how many tasks go on at once, at most.
    day_s : the hours of the shop.
    opens_s : when it opens, seconds after midnight.
    makespan_s : from the opening of the first day to the end of the last task, nights included.
    bound_s : no schedule for these hands and hours has a shorter makespan.
    method : ``orders`` or ``solver``, whichever found it.
    notes : what should be known of it, in words.
    """

    tasks: tuple[Timed, ...]
    hands: int
    day_s: int
    opens_s: int
    makespan_s: int
    bound_s: int
    method: str
    seed: int
    notes: tuple[str, ...] = ()

    @property
    def days(self) -> int:
        """How many days it runs over."""
        return self.tasks[-1].day

    @property
    def gap(self) -> float:
        """By which share of the bound it may be longer than the shortest there is."""
        return self.makespan_s / self.bound_s - 1

    @property
    def dry_s(self) -> int:
        """When the last coat is dry."""
        return max(timed.end_s + timed.task.dry_s for timed in self.tasks)

    def wipes_of(self, task: Task) -> tuple[Timed, ...]:
        """Return the wipes that end a task's dwells."""
        return tuple(one for one in self.tasks if one.task.window and one.task.window.task == task.number)


def schedule(
    tasks: Sequence[Task],
    hands: int = 1,
    day: str = "8 h",
    start: str = "08:00",
    *,
    seed: int = 0,
    limit_seconds: float = 5.0,
    method: Method = "best",
) -> Schedule:
    """Put tasks in order of time.

    Parameters
    ----------
    tasks : as `trials.bench.task.tasks` makes them; those with a turn keep the order of work.
    hands : how many tasks can go on at once.
    day : the hours of the shop, such as ``"8 h"``, and `start` the time of day at which it opens.
    seed : the solver's; the same seed gives the same schedule.
    limit_seconds : about how long to search at most; counted in work done, not by the clock.
    method : ``orders`` takes the first order that is made, the others let the constraint solver better it.

    Raises
    ------
    UserError
        The work cannot be done with these hands and hours, with what would make it possible; or the hours or hands
        are out of range.
    ValueError
        No tasks, or tasks that do not hang together.
    """
    if not tasks:
        raise ValueError("there are no tasks")
    if not 1 <= hands <= MOST_HANDS:
        raise UserError(Problem(f"hands is {hands}", f"write a whole number from 1 to {MOST_HANDS}"))
    day_s, opens_s = _day_s(day), read_clock(start)
    work = Work(tasks)
    check_possible(work, hands, day_s)
    least_s, starts, found_by = bound(work, hands, day_s), first_order(work, hands, day_s), "orders"
    if method != "orders":
        effort = max(limit_seconds, 0.01) * EFFORT_A_SECOND
        better, least_s = _bettered(work, hands, day_s, starts, least_s=least_s, seed=seed, effort=effort)
        if better is not starts:
            starts, found_by = shifted_left(work, hands, day_s, better), "solver"
    starts = dwells_kept(work, hands, day_s, starts)
    return _schedule(work, starts, (hands, day_s, opens_s), least_s, found_by, seed)


def _bettered(
    work: Work, hands: int, day_s: int, starts: Starts, *, least_s: int, seed: int, effort: float
) -> tuple[Starts, int]:
    """Return a shorter schedule, where one is found, and what none can be shorter than.

    Where that would be a day earlier, one that ends then is looked for by itself.
    """
    heads = earliest_starts(work, day_s)
    for a_day_less in (False, True):
        now_s = end(work, starts)
        day = (now_s - 1) // DAY_S
        if least_s >= (day * DAY_S if a_day_less else now_s):
            continue
        most_s = (day - 1) * DAY_S + day_s if a_day_less else now_s
        found = solver.solve(
            work,
            hands,
            day_s,
            heads=heads,
            least_s=least_s,
            most_s=most_s,
            seed=seed,
            effort=effort,
            hint=starts if a_day_less else None,
        )
        least_s = found.bound_s if found.bound_s <= most_s else day * DAY_S + 1
        if found.starts is not None and end(work, found.starts) < now_s:
            starts = found.starts
    return starts, least_s


def faults(plan: Plan, patches: pd.DataFrame) -> tuple[Problem, ...]:
    """Return why the work of a plan cannot be done at its bench, each with what would make it possible.

    Nothing where it can, and where the steps do not all say how long they take.
    """
    if not plan.steps or not all(step.hands for step in plan.steps):
        return ()
    try:
        check_possible(Work(all_tasks(plan, patches)), plan.bench.hands, _day_s(f"{plan.bench.day_min:g} min"))
    except UserError as error:
        return error.problems
    return ()


def _schedule(
    work: Work, starts: Starts, shop: tuple[int, int, int], least_s: int, method: str, seed: int
) -> Schedule:
    timed = sorted(
        (Timed(task, starts[task.number]) for task in work.tasks), key=lambda one: (one.start_s, one.task.number)
    )
    notes = []
    if any(task.sands for task in work.tasks) and any(task.wet for task in work.tasks):
        notes.append(sanding.REASON)
    controls = sorted({task.board for task in work.tasks if task.control})
    if controls:
        named = ", ".join(map(str, controls))
        notes.append(
            f"Controls get every step that is not kept from them: board {named}."
            ' To keep a step from them name the levels it is for, as only = { carrier = ["water", "oil"] }.'
        )
    return Schedule(tuple(timed), *shop, end(work, starts), least_s, method, seed, tuple(notes))


def _day_s(day: str) -> int:
    seconds = round(units.read(day, "time").amount * 60)
    if not 60 <= seconds <= DAY_S:
        raise UserError(Problem(f"a shop day of {day!r} is out of range", "write a time from 1 min to 24 h"))
    return seconds
