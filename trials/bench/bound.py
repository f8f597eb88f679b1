"""How soon all work could be over at best: what no order of it can go below."""

from __future__ import annotations

from collections.abc import Sequence

from trials.bench.goes import Starts, Work, place
from trials.bench.hours import Hours, opened_after


def bound(work: Work, hands: int, day_s: int) -> int:
    """Return a number of seconds from the opening of the first day before which not all work can be done.

    Notes
    -----
    The larger of two: the end of all work if there were hands for everything, and, over all tasks that cannot begin
    before some moment and are followed by at least so much time, when the shop has been open long enough for the
    hands to do them all, and that time after it.
    """
    heads = earliest_starts(work, day_s)
    best = max(heads[task.number] + task.length_s for task in work.tasks)
    tails = sorted({work.tails[task.number] for task in work.tasks}, reverse=True)
    for head in sorted(set(heads.values())):
        later = [(work.tails[task.number], task.length_s) for task in work.tasks if heads[task.number] >= head]
        for tail, total in _sums(later, tails):
            best = max(best, opened_after(head, -(-total // hands), day_s) + tail)
    return best


def earliest_starts(work: Work, day_s: int) -> Starts:
    """Return when each task could begin at the earliest, if there were hands for everything."""
    starts: Starts = {}
    endless = Hours(len(work.tasks), day_s)
    for go in work.goes:
        starts |= place(go, 0, starts, work, endless, work.grid_s(day_s))
    return starts


def _sums(tasks: Sequence[tuple[int, int]], tails: Sequence[int]) -> list[tuple[int, int]]:
    """Return for each tail the hands-on time of all tasks followed by that much or more."""
    ordered = sorted(tasks, reverse=True)
    found, total, at = [], 0, 0
    for tail in tails:
        while at < len(ordered) and ordered[at][0] >= tail:
            total += ordered[at][1]
            at += 1
        if at:
            found.append((tail, total))
    return found
