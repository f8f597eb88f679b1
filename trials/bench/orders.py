"""A first schedule for the solver to better, every go as early as it fits; and how one is tidied."""

from __future__ import annotations

import heapq

from trials.bench.goes import Starts, Work, place
from trials.bench.hours import Hours


def end(work: Work, starts: Starts) -> int:
    """Return when the last task ends."""
    return max(starts[task.number] + task.length_s for task in work.tasks)


def first_order(work: Work, hands: int, day_s: int) -> Starts:
    """Return a schedule made by placing go after go, always the one that can begin first; every go fits in a day."""
    return shifted_left(work, hands, day_s, _Placing(work, Hours(hands, day_s)).all_placed())


class _Placing:
    """A schedule while it is made: what is placed, and what could be placed next."""

    def __init__(self, work: Work, hours: Hours) -> None:
        self.work, self.hours = work, hours
        self.grid = work.grid_s(hours.day_s)
        self.starts: Starts = {}
        self.turn_of = {at: turn for turn, goes in enumerate(work.turns) for at in goes}
        self.begun: list[int | None] = [None] * len(work.turns)
        self.missing = [len(needs) for needs in work.needs]
        self.queue: list[tuple[int, bool, int, int]] = []
        self.held: dict[int, list[int]] = {}  # by their turn, as the one before has not begun
        for at, number in enumerate(self.missing):
            if not number:
                self._ready(at)

    def all_placed(self) -> Starts:
        """Place everything, and return the starts."""
        while self.queue:
            known, _, _, at = heapq.heappop(self.queue)
            turn = self.turn_of.get(at, 0)
            not_before = (self.begun[turn - 1] or 0) if turn else 0
            go = self.work.goes[at]
            placed = place(go, not_before, self.starts, self.work, self.hours, self.grid)
            begins = placed[go.first.number]
            if begins > known and self.queue and self._entry(at, begins) > self.queue[0]:
                self._enter(at, begins)  # another comes before it
            else:
                self._settle(at, placed)
        return self.starts

    def _enter(self, at: int, known_s: int) -> None:
        heapq.heappush(self.queue, self._entry(at, known_s))

    def _entry(self, at: int, known_s: int) -> tuple[int, bool, int, int]:
        """Return a go as it stands in the queue: the earliest first, then sanding, then what most follows."""
        first = self.work.goes[at].first
        return known_s, not first.sands, -self.work.tails[first.number], at

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
            self.hours.take(placed[task.number], task)
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
        hours.take(now[task.number], task)
    turn_of = {at: turn for turn, goes in enumerate(work.turns) for at in goes}
    moved = True
    while moved:
        moved = False
        for at in sorted(range(len(work.goes)), key=lambda at: (now[work.goes[at].first.number], at)):
            go, turn = work.goes[at], turn_of.get(at, 0)
            not_before = min(now[work.goes[other].first.number] for other in work.turns[turn - 1]) if turn else 0
            for task in go.tasks:
                hours.free(now[task.number], task)
            placed = place(go, not_before, now, work, hours, grid)
            if all(placed[number] <= now[number] for number in placed) and any(
                placed[number] < now[number] for number in placed
            ):
                now |= placed
                moved = True
            for task in go.tasks:
                hours.take(now[task.number], task)
    return now


def dwells_kept(work: Work, hands: int, day_s: int, starts: Starts) -> Starts:
    """Return a schedule whose dwells last no longer than they must: what is put on too early is put on later.

    Nothing else is moved, and what keeps the order of work stays where it is.
    """
    hours, now = Hours(hands, day_s), dict(starts)
    for task in work.tasks:
        hours.take(now[task.number], task)
    waited_for = {number for task in work.tasks for number, _ in task.after}
    for go in work.goes:
        first = go.first
        ends = now[first.number] + first.length_s
        late = min((now[wipe.number] - ends - wipe.window.least_s for wipe in go.wipes if wipe.window), default=0)
        if late <= 0 or first.turn or first.number in waited_for:
            continue
        hours.free(now[first.number], first)
        later = now[first.number] + late
        if hours.earliest(later, first) == later:
            now[first.number] = later
        hours.take(now[first.number], first)
    return now
