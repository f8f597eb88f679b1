"""Hands and hours: when so many pairs of hands are busy, in shop days that begin with their sanding."""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict

from trials.bench.task import Task

DAY_S = 86_400
"""Seconds from the opening of one shop day to that of the next."""


class Hours:
    """What the hands are doing, in seconds from the opening of the first day; on each day sanding comes first.

    Parameters
    ----------
    hands : how many tasks can go on at once.
    day_s : how long the shop is open on each day.
    """

    def __init__(self, hands: int, day_s: int) -> None:
        self.hands, self.day_s = hands, day_s
        self._at, self._busy = [0], [0]  # so many hands are busy from each of these times on
        self._sanded: defaultdict[int, list[int]] = defaultdict(list)  # by day, when each sanding ends
        self._wet: defaultdict[int, list[int]] = defaultdict(list)  # and when each wet task begins

    def earliest(self, time: int, task: Task) -> int:
        """Return the first moment from a time on when a task can begin: hands are free for it within one day."""
        length = task.length_s
        if length > self.day_s:
            raise ValueError("the work is longer than the day")
        while True:
            day = time // DAY_S
            if task.wet:
                time = max([time, *self._sanded[day]])
            closes = min([day * DAY_S + self.day_s, *(self._wet[day] if task.sands else ())])
            if time + length > closes:
                time = (day + 1) * DAY_S
                continue
            at = bisect_right(self._at, time) - 1
            while at < len(self._at) and self._at[at] < time + length:
                if self._busy[at] >= self.hands:
                    break
                at += 1
            else:
                return time
            time = self._at[at + 1]

    def take(self, time: int, task: Task) -> None:
        """Keep some hands busy with a task."""
        self._change(time, task.length_s, 1)
        if task.sands:
            self._sanded[time // DAY_S].append(time + task.length_s)
        if task.wet:
            self._wet[time // DAY_S].append(time)

    def free(self, time: int, task: Task) -> None:
        """Give hands back that were taken."""
        self._change(time, task.length_s, -1)
        if task.sands:
            self._sanded[time // DAY_S].remove(time + task.length_s)
        if task.wet:
            self._wet[time // DAY_S].remove(time)

    def _change(self, time: int, length: int, by: int) -> None:
        for at in range(self._split(time), self._split(time + length)):
            self._busy[at] += by

    def _split(self, time: int) -> int:
        """Return the place of a time among those at which something changes, made one of them."""
        at = bisect_right(self._at, time)
        if self._at[at - 1] == time:
            return at - 1
        self._at.insert(at, time)
        self._busy.insert(at, self._busy[at - 1])
        return at


def opened_after(time: int, work_s: int, day_s: int) -> int:
    """Return when the shop has been open for so long since a time."""
    day, into = divmod(time, DAY_S)
    left = max(day_s - into, 0)
    if work_s <= left:
        return time + work_s
    days, rest = divmod(work_s - left, day_s)
    return (day + days) * DAY_S + day_s if rest == 0 else (day + 1 + days) * DAY_S + rest
