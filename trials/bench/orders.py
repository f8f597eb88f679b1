"""The built-in method: every go as early as it fits, over many random orders, the best bettered bit by bit."""

from __future__ import annotations

import heapq
from collections.abc import Sequence

from trials.bench.goes import Starts, Work, place
from trials.bench.hours import Hours
from trials.draw import Draw

FRESH = 5
"""Every so many tries begin afresh, until a fifth of all are done; the others change the best one so far."""
HESITATIONS_S = (0, 60, 120, 300, 600, 1200, 1800)
"""Seconds that a go may be held back behind others that could begin later: what the search varies."""


def by_orders(work: Work, hands: int, day_s: int, draw: Draw, tries: int, enough_s: int) -> Starts:
    """Return the shortest schedule found.

    Parameters
    ----------
    work : every go of it fits in a day.
    draw : decides the orders.
    tries : how many are made.
    enough_s : a makespan that cannot be bettered; the search ends there.
    """
    best = [0] * len(work.goes)
    found = _one_order(work, hands, day_s, best)
    length = end(work, found)
    for turn in range(1, tries):
        if length <= enough_s:
            break
        if turn <= tries // FRESH:
            tried = [_hesitation(draw) for _ in best]
        else:
            tried = list(best)
            for _ in range(1 + draw.below(3)):
                tried[draw.below(len(tried))] = _hesitation(draw)
        starts = _one_order(work, hands, day_s, tried)
        if end(work, starts) <= length:
            best, found, length = tried, starts, end(work, starts)
    return shifted_left(work, hands, day_s, found)


def _hesitation(draw: Draw) -> int:
    return HESITATIONS_S[draw.below(len(HESITATIONS_S))] if draw.below(2) else 0


def end(work: Work, starts: Starts) -> int:
    """Return when the last task ends."""
    return max(starts[task.number] + task.length_s for task in work.tasks)


def _one_order(work: Work, hands: int, day_s: int, hold_s: Sequence[int]) -> Starts:
    """Place go after go, always the one that can begin first, counting how long each holds back."""
    return _Placing(work, Hours(hands, day_s), hold_s).all_placed()


class _Placing:
    """A schedule while it is made: what is placed, and what could be placed next."""

    def __init__(self, work: Work, hours: Hours, hold_s: Sequence[int]) -> None:
        self.work, self.hours, self.hold_s = work, hours, hold_s
        self.grid = work.grid_s(hours.day_s)
        self.starts: Starts = {}
        self.turn_of = {at: turn for turn, goes in enumerate(work.turns) for at in goes}
        self.begun: list[int | None] = [None] * len(work.turns)
        self.missing = [len(needs) for needs in work.needs]
        self.queue: list[tuple[int, int, int, int]] = []
        self.held: dict[int, list[int]] = {}  # by their turn, as the one before has not begun
        for at, number in enumerate(self.missing):
            if not number:
                self._ready(at)

    def all_placed(self) -> Starts:
        """Place everything, and return the starts."""
        while self.queue:
            _, _, at, known = heapq.heappop(self.queue)
            turn = self.turn_of.get(at, 0)
            not_before = (self.begun[turn - 1] or 0) if turn else 0
            go = self.work.goes[at]
            placed = place(go, not_before, self.starts, self.work, self.hours, self.grid)
            begins = placed[go.first.number]
            if begins > known and self.queue and begins + self.hold_s[at] > self.queue[0][0]:
                self._enter(at, begins)  # another can begin before it
            else:
                self._settle(at, placed)
        return self.starts

    def _enter(self, at: int, known_s: int) -> None:
        tail = self.work.tails[self.work.goes[at].first.number]
        heapq.heappush(self.queue, (known_s + self.hold_s[at], -tail, at, known_s))

    def _ready(self, at: int) -> None:
        turn = self.turn_of.get(at, 0)
        if turn and self.begun[turn - 1] is None:
            self.held.setdefault(turn, []).append(at)
        else:
            self._enter(at, 0)

    def _settle(self, at: int, placed: Starts) -> None:
        """Keep what was placed, and let in what waited for it."""
        self.starts |= placed
        for task in self.work.goes[at].tasks:
            self.hours.take(placed[task.number], task.length_s)
        turn = self.turn_of.get(at)
        if turn is not None:
            begins, earlier = placed[self.work.goes[at].first.number], self.begun[turn]
            self.begun[turn] = begins if earlier is None else min(begins, earlier)
            for other in self.held.pop(turn + 1, []):
                self._enter(other, 0)
        for other in self.work.followers[at]:
            self.missing[other] -= 1
            if not self.missing[other]:
                self._ready(other)


def shifted_left(work: Work, hands: int, day_s: int, starts: Starts) -> Starts:
    """Return a schedule in which nothing could begin earlier by itself."""
    hours, now, grid = Hours(hands, day_s), dict(starts), work.grid_s(day_s)
    for task in work.tasks:
        hours.take(now[task.number], task.length_s)
    turn_of = {at: turn for turn, goes in enumerate(work.turns) for at in goes}
    moved = True
    while moved:
        moved = False
        for at in sorted(range(len(work.goes)), key=lambda at: (now[work.goes[at].first.number], at)):
            go, turn = work.goes[at], turn_of.get(at, 0)
            not_before = min(now[work.goes[other].first.number] for other in work.turns[turn - 1]) if turn else 0
            for task in go.tasks:
                hours.free(now[task.number], task.length_s)
            placed = place(go, not_before, now, work, hours, grid)
            if all(placed[number] <= now[number] for number in placed) and any(
                placed[number] < now[number] for number in placed
            ):
                now |= placed
                moved = True
            for task in go.tasks:
                hours.take(now[task.number], task.length_s)
    return now


def dwells_kept(work: Work, hands: int, day_s: int, starts: Starts) -> Starts:
    """Return a schedule whose dwells last no longer than they must: what is put on too early is put on later.

    Nothing else is moved, and what keeps the order of work stays where it is.
    """
    hours, now = Hours(hands, day_s), dict(starts)
    for task in work.tasks:
        hours.take(now[task.number], task.length_s)
    waited_for = {number for task in work.tasks for number, _ in task.after}
    for go in work.goes:
        first = go.first
        ends = now[first.number] + first.length_s
        late = min((now[wipe.number] - ends - wipe.window.least_s for wipe in go.wipes if wipe.window), default=0)
        if late <= 0 or first.turn or first.number in waited_for:
            continue
        hours.free(now[first.number], first.length_s)
        later = now[first.number] + late
        if hours.earliest(later, first.length_s) == later:
            now[first.number] = later
        hours.take(now[first.number], first.length_s)
    return now
