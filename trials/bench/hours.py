"""Hands and hours: when so many pairs of hands are busy, within shop days of a stated length."""

from __future__ import annotations

from bisect import bisect_right

DAY_S = 86_400
"""Seconds from the opening of one shop day to that of the next."""


class Hours:
    """What the hands are doing, in seconds from the opening of the first day.

    Parameters
    ----------
    hands : how many tasks can go on at once.
    day_s : how long the shop is open on each day.
    """

    def __init__(self, hands: int, day_s: int) -> None:
        self.hands, self.day_s = hands, day_s
        self._at, self._busy = [0], [0]  # so many hands are busy from each of these times on

    def earliest(self, time: int, length: int) -> int:
        """Return the first moment from a time on when some hands are free for so long, within one day."""
        if length > self.day_s:
            raise ValueError("the work is longer than the day")
        while True:
            if time % DAY_S + length > self.day_s:
                time = (time // DAY_S + 1) * DAY_S
            at = bisect_right(self._at, time) - 1
            while at < len(self._at) and self._at[at] < time + length:
                if self._busy[at] >= self.hands:
                    break
                at += 1
            else:
                return time
            time = self._at[at + 1]

    def take(self, time: int, length: int) -> None:
        """Keep some hands busy."""
        self._change(time, length, 1)

    def free(self, time: int, length: int) -> None:
        """Give hands back that were taken."""
        self._change(time, length, -1)

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
