"""Tasks grouped into goes: what is put on together with all that must be wiped at the end of its dwell."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from trials.bench.hours import DAY_S, Hours
from trials.bench.task import Task

Starts = dict[int, int]
"""The start of tasks by their numbers, in seconds from the opening of the first day."""


@dataclass(frozen=True)
class Go:
    """A task and the wipes whose windows follow from it."""

    first: Task
    wipes: tuple[Task, ...]

    @property
    def tasks(self) -> tuple[Task, ...]:
        """All of them."""
        return (self.first, *self.wipes)


class Work:
    """All tasks, looked at as goes.

    Parameters
    ----------
    tasks : numbered differently, a task after those it waits for.

    Raises
    ------
    ValueError
        A task waits for one that does not come before it, or for a wipe at the exact end of a dwell.
    """

    def __init__(self, tasks: Sequence[Task]) -> None:
        self.tasks = tuple(tasks)
        self.task = {task.number: task for task in tasks}
        wipes: dict[int, list[Task]] = {}
        before: set[int] = set()
        for task in tasks:
            if not {number for number, _ in task.after} <= before or task.number in before or task.length_s < 1:
                raise ValueError(f"task {task.number} is numbered twice, has no length, or comes too early")
            if task.window:
                if task.window.task not in before or self.task[task.window.task].window or task.turn:
                    raise ValueError(f"task {task.number} cannot end a dwell")
                wipes.setdefault(task.window.task, []).append(task)
            before.add(task.number)
        self.goes = [Go(task, tuple(wipes.get(task.number, ()))) for task in tasks if not task.window]
        self.go_of = {task.number: at for at, go in enumerate(self.goes) for task in go.tasks}

    @cached_property
    def needs(self) -> list[set[int]]:
        """For each go, the goes that come before it."""
        return [
            {self.go_of[number] for task in go.tasks for number, _ in task.after} - {at}
            for at, go in enumerate(self.goes)
        ]

    @cached_property
    def followers(self) -> list[list[int]]:
        """For each go, the goes that wait for it."""
        found: list[list[int]] = [[] for _ in self.goes]
        for at, needs in enumerate(self.needs):
            for other in needs:
                found[other].append(at)
        return found

    @cached_property
    def turns(self) -> list[list[int]]:
        """The goes of each place in the order of work, in that order."""
        found: dict[int, list[int]] = {}
        for at, go in enumerate(self.goes):
            if go.first.turn:
                found.setdefault(go.first.turn, []).append(at)
        return [found[turn] for turn in sorted(found)]

    @cached_property
    def tails(self) -> Starts:
        """For each task the least seconds from its end to the end of all work."""
        tails = dict.fromkeys(self.task, 0)
        for task in reversed(self.tasks):
            waits = [*task.after, *([(task.window.task, task.window.least_s)] if task.window else [])]
            for number, gap in waits:
                tails[number] = max(tails[number], gap + task.length_s + tails[task.number])
        return tails

    def grid_s(self, day_s: int) -> int:
        """Return the largest number of seconds of which all times are multiples."""
        parts = [DAY_S, day_s]
        for task in self.tasks:
            parts += [task.length_s, *(gap for _, gap in task.after)]
            parts += [task.window.least_s, task.window.most_s] if task.window else []
        return math.gcd(*parts)


def release(task: Task, starts: Mapping[int, int], work: Work) -> int:
    """Return the moment from which a task may begin, for what must come before it."""
    return max((starts[number] + work.task[number].length_s + gap for number, gap in task.after), default=0)


def place(go: Go, from_s: int, starts: Mapping[int, int], work: Work, hours: Hours, grid_s: int) -> Starts:
    """Return the earliest starts of a go from a moment on; the wipes fall in their windows and on the same day."""
    first, wipes = go.first, go.wipes
    ready = {wipe.number: release(wipe, starts, work) for wipe in wipes if wipe.after}
    time = hours.earliest(max(from_s, release(first, starts, work)), first)
    while True:
        later, begins = time, time
        for wipe in wipes:
            least, most = _window(wipe, time + first.length_s)
            begins = hours.earliest(max(least, ready.get(wipe.number, 0)), wipe)
            if begins > most:
                later = max(later, time + begins - most)
            elif begins // DAY_S != time // DAY_S:
                later = max(later, (time // DAY_S + 1) * DAY_S)
        if later == time:
            if len(wipes) == 1:
                return {first.number: time, wipes[0].number: begins}
            found = _together(wipes, time + first.length_s, ready, hours, time // DAY_S)
            if found is not None:
                return {first.number: time, **found}
            later = time + grid_s
        time = hours.earliest(later, first)


def fits(go: Go, hands: int, day_s: int) -> bool:
    """Whether a go can be done within one day when there is nothing else to do."""
    if any(task.length_s > day_s for task in go.tasks):
        return False
    return _together(go.wipes, go.first.length_s, {}, Hours(hands, day_s), 0) is not None


def _window(wipe: Task, end: int) -> tuple[int, int]:
    assert wipe.window is not None
    return end + wipe.window.least_s, end + wipe.window.most_s


def _together(wipes: Sequence[Task], end: int, ready: Mapping[int, int], hours: Hours, day: int) -> Starts | None:
    """Return starts of wipes that all fall in their windows after a task's end, or None where there are none.

    Any that there are can be had by taking the wipes in some order, each as early as it goes; these are gone through.
    """
    if not wipes:
        return {}
    tried = set()
    for wipe in sorted(wipes, key=lambda wipe: _window(wipe, end)[1]):
        least, most = _window(wipe, end)
        like = (least, most, wipe.length_s, ready.get(wipe.number, 0))
        begins = hours.earliest(max(least, like[3]), wipe)
        if begins > most or begins // DAY_S != day:
            return None  # later ones only make it later
        if like in tried:
            continue
        tried.add(like)
        hours.take(begins, wipe)
        rest = _together([other for other in wipes if other is not wipe], end, ready, hours, day)
        hours.free(begins, wipe)
        if rest is not None:
            return {wipe.number: begins, **rest}
    return None
