"""The order of work as lines to be read at the bench, day by day."""

from __future__ import annotations

from trials.bench.hours import DAY_S
from trials.bench.scheduling import Schedule, Timed
from trials.bench.times import clock, span


def bench_lines(schedule: Schedule) -> list[str]:
    """Return the work in order of time, by day, with when each wipe falls due; then how good the order is."""
    lines: list[str] = []
    wide = max(len(timed.task.place) for timed in schedule.tasks)
    day = 0
    for timed in schedule.tasks:
        if timed.day != day:
            day = timed.day
            opens, closes = clock(schedule.opens_s, 0), clock(schedule.opens_s, schedule.day_s)
            lines += [*([""] if lines else []), f"Day {day}, {opens} to {closes}"]
        lines.append(
            f"  {clock(schedule.opens_s, timed.start_s):8}  {timed.task.place:{wide}}  {_what(schedule, timed)}"
        )
    return [*lines, "", *summary(schedule)]


def _what(schedule: Schedule, timed: Timed) -> str:
    """Return what is done, for how long, and what follows or must be kept."""
    task = timed.task
    parts = [f"{task.name} ({span(task.length_s)})"]
    if task.window:
        put = next(one for one in schedule.tasks if one.task.number == task.window.task)
        parts.append(f"not after {clock(schedule.opens_s, put.end_s + task.window.most_s)}")
    for wipe in schedule.wipes_of(task):
        where = f"{wipe.task.place.split(', ', 1)[1]} " if wipe.task.place != task.place else ""
        parts.append(f"wipe {where}at {clock(schedule.opens_s, wipe.start_s)}")
    if task.control:
        parts.append(f"control: {task.control}")
    return "; ".join(parts)


def summary(schedule: Schedule) -> list[str]:
    """Return how long the work takes, how much shorter it could be at most, and what else should be known."""
    pairs = "one pair of hands" if schedule.hands == 1 else f"{schedule.hands} pairs of hands"
    ends = f"day {schedule.days} at {clock(schedule.opens_s, schedule.makespan_s)}"
    lines = [f"With {pairs} the last work ends on {ends}."]
    if schedule.makespan_s == schedule.bound_s:
        lines.append("No order ends sooner.")
    elif (schedule.bound_s - 1) // DAY_S + 1 < schedule.days:
        lines.append("One day fewer may be possible.")
    if schedule.dry_s > schedule.makespan_s:
        day = (schedule.dry_s - 1) // DAY_S + 1
        lines.append(f"All of it is dry on day {day} at {clock(schedule.opens_s, schedule.dry_s)}.")
    return [*lines, *schedule.notes]
