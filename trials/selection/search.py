"""The search: several starts, each improved by exchanging boards, or one part of a board, for better ones.

References
----------
Goos and Vandebroek (2003), Technometrics 45:235-246 (whole boards). Jones and Goos (2007), A
candidate-set-free algorithm for generating D-optimal split-plot designs, Applied Statistics 56:347-364
(parts of boards). Both are followed in method only.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Literal

import numpy as np

from trials.draw import Draw
from trials.selection.criterion import Criterion
from trials.selection.model import Candidates
from trials.selection.patterns import Options, Patterns, all_patterns, one_part_changed, pattern_number
from trials.selection.places import Stand

Exchange = Literal["boards", "parts"]
Progress = Callable[[int, int, float], None]
MOST_PATTERNS = 3000
"""More admissible boards than this are not listed; parts of boards are exchanged instead."""
MOST_NUMBERS = 1e6
"""They are not listed either if their matrices hold more numbers than this."""
MOST_SWEEPS = 50
OFTEN = 3
"""What so many starts come to is hardly ever missed by all of them: pairs of boards are tried where fewer do."""
MOST_PAIRS, MOST_OF_PAIRS = 60, 600
"""Of more pairs none is tried; of all pairs so many first boards are, the best ones by themselves."""
STARTS, PARTS_STARTS = 50, 20
"""Starts where boards are listed, and where parts of boards are exchanged. The best known boards are then found
(tests/benchmarks/bench_layout_choice)."""
CHEAP, DEAR = 60_000, 12_000
"""More starts while no more boards than this are looked at in all; as few as with parts where one round looks at more
than the second."""
TIE = 1e-7
"""What gains less than this is no gain, so that rounding never decides."""
LEVEL = 0.999
"""Boards as efficient as this beside the best are as good."""


@dataclass(frozen=True)
class Held:
    """What a board carries at some point of the search, and its number in the list of all boards of its mask."""

    pattern: Patterns
    number: int = 0


@dataclass(frozen=True)
class Found:
    """What a search ended with: its value (more is better), the boards, and the value of each start.

    Of boards that are as good, within `LEVEL`, they are those of which most compare something within themselves.
    """

    value: float
    boards: list[Held]
    values: list[float]

    @property
    def often(self) -> bool:
        """Whether several starts ended as well, if so many were made."""
        return sum(value >= max(self.values) - TIE for value in self.values) >= min(OFTEN, len(self.values) - 2)


class Search:
    """Starts and exchanges; what is found does not depend on anything but the draw.

    Attributes
    ----------
    exchange : whether whole ``boards`` or ``parts`` of boards are exchanged.
    stopped : whether the search was told to stop.
    opening : boards to begin with, if there are such.
    """

    def __init__(
        self,
        criterion: Criterion,
        stands: Sequence[Stand],
        draw: Draw,
        exchange: Exchange | None = None,
        stop: Callable[[], bool] | None = None,
        first: Sequence[int] = (),
    ) -> None:
        """Prepare a search.

        Parameters
        ----------
        stop : asked before each board; once it says so nothing more is exchanged.
        first : board treatments of the first start, by number, in any order; drawn if empty.
        """
        self.criterion, self.model, self.stands = criterion, criterion.model, stands
        self.lots_of = [stand.lot for stand in stands]
        self._draw, self._stop, self._first = draw, stop, first
        self.stopped = False
        self.opening: list[Held] = []
        masks = {stand.shape: stand.mask for stand in stands}
        self.exchange: Exchange = exchange or _fitting_exchange(self.model.options, list(masks.values()))
        self._listed: dict[bytes, Candidates] = {}
        if self.exchange == "boards":
            listed = {shape: all_patterns(self.model.options, mask) for shape, mask in masks.items()}
            self._listed = {shape: self.model.candidates(patterns) for shape, patterns in listed.items()}

    def run(self, starts: int | None, most: int, progress: Progress | None = None) -> Found:
        """Return the best of several starts (see `STARTS`); while none can estimate the model, of up to `most`."""
        starts = starts or self._starts()
        values: list[float] = []
        best, ended = -np.inf, list[list[Held]]()
        while len(values) < (starts if np.isfinite(best) else most):
            held = list(self.opening) if self.opening and not values else self._start(() if values else self._first)
            value = self.improve(held)
            values.append(value)
            ended.append(held)
            best = max(best, value)
            if progress:
                progress(len(values), max(starts, len(values)), self.criterion.reported(best))
            if self.stopped:
                break
        if not np.isfinite(best):
            return Found(best, ended[0], values)
        good = [at for at, value in enumerate(values) if self.criterion.efficiency(value, best) >= LEVEL]
        chosen = min(good, key=lambda at: (self.undivided(ended[at]), -round(values[at] / TIE)))
        return Found(values[chosen], ended[chosen], values)

    def _starts(self) -> int:
        if self.exchange == "parts":
            return PARTS_STARTS
        listed = sum(len(self._listed[stand.shape].patterns.board) for stand in self.stands)
        return min(max(CHEAP // listed, STARTS), 4 * STARTS) if listed <= DEAR else PARTS_STARTS

    def undivided(self, boards: Sequence[Held]) -> int:
        """Count where boards could compare levels within themselves and do not: all lanes alike, say."""
        return sum(
            int(self.model.options.undivided(held.pattern, stand.mask)[0])
            for held, stand in zip(boards, self.stands, strict=True)
        )

    def held(self, pattern: Patterns, stand: Stand) -> Held:
        """Return a board as it is held: where boards are listed, the one that tells the same."""
        if self.exchange == "parts":
            return Held(pattern)
        listed = self._listed[stand.shape].patterns
        wanted, there = self._gram(pattern), np.flatnonzero(listed.board == pattern.board[0])
        apart = [float(np.abs(self._gram(listed.pick(int(at))) - wanted).max()) for at in there]
        number = int(there[int(np.argmin(apart))])
        return Held(listed.pick(number), number)

    def _gram(self, pattern: Patterns) -> np.ndarray:
        rows = self.model.whitened(pattern)
        return np.asarray(rows.T @ rows)

    def value(self, boards: Sequence[Held]) -> float:
        """Return the criterion of boards."""
        return self.criterion.value(self.information(boards))

    def information(self, boards: Sequence[Held]) -> np.ndarray:
        """Return the information of boards."""
        return self.criterion.information([self.model.whitened(board.pattern) for board in boards], self.lots_of)

    def improve(self, boards: list[Held]) -> float:
        """Exchange board by board, in place, until nothing is gained; return the value reached."""
        rows = [self.model.whitened(board.pattern) for board in boards]
        unmoved = 0
        for _ in range(MOST_SWEEPS):
            information = self.criterion.information(rows, self.lots_of)
            for at in range(len(boards)):
                moved = self._improve_board(at, boards, rows, information)
                unmoved = 0 if moved else unmoved + 1
                if unmoved >= len(boards) or self.stopped:
                    return self.criterion.value(self.criterion.information(rows, self.lots_of))
        return self.criterion.value(self.criterion.information(rows, self.lots_of))

    def improve_pairs(self, boards: list[Held]) -> bool:
        """Exchange two boards at once, in place, where listed boards gain by it; say whether any did."""
        pairs = list(combinations(range(len(boards)), 2))
        if self.exchange != "boards" or len(pairs) > MOST_PAIRS:
            return False
        rows = [self.model.whitened(board.pattern) for board in boards]
        information, tried, gained = self.criterion.information(rows, self.lots_of), set[tuple[object, ...]](), False
        for one, other in pairs:
            key = tuple((boards[at].number, self.lots_of[at], self.stands[at].shape) for at in (one, other))
            if key in tried or self._asked_to_stop():
                continue
            tried.add(key)
            if self._improve_pair(one, other, boards, rows, information, max(MOST_OF_PAIRS // len(pairs), 1)):
                gained = True
                tried.clear()
        return gained

    def _improve_pair(
        self, one: int, other: int, boards: list[Held], rows: list[np.ndarray], information: np.ndarray, most: int
    ) -> bool:
        """Exchange two boards for the best two of those tried; say whether that was a gain."""
        value, lots = self.criterion.value(information), (self.lots_of[one], self.lots_of[other])
        listed = [self._listed[self.stands[at].shape] for at in (one, other)]
        rest = information.copy()
        for at, lot in zip((one, other), lots, strict=True):
            self.criterion.add(rest, rows[at], lot, -1.0)
        alone = self.criterion.scores(rest, listed[0], lots[0])
        best, pick = -np.inf, (boards[one], boards[other])
        for first in np.argsort(-alone, kind="stable")[:most]:
            held = Held(listed[0].patterns.pick(int(first)), int(first))
            with_first = rest.copy()
            self.criterion.add(with_first, self.model.whitened(held.pattern), lots[0])
            scores = self.criterion.scores(with_first, listed[1], lots[1])
            second = int(scores.argmax())
            both = Held(listed[1].patterns.pick(second), second)
            self.criterion.add(with_first, self.model.whitened(both.pattern), lots[1])
            reached = self.criterion.value(with_first)
            if reached > best + TIE:
                best, pick = reached, (held, both)
        if best <= value + TIE:
            return False
        for at, held, lot in zip((one, other), pick, lots, strict=True):
            self.criterion.add(information, rows[at], lot, -1.0)
            boards[at], rows[at] = held, self.model.whitened(held.pattern)
            self.criterion.add(information, rows[at], lot)
        return True

    def divide(self, boards: list[Held]) -> None:
        """Exchange boards that compare nothing within themselves, in place, for such as do and are as good."""
        best = self.value(boards)
        for at, stand in enumerate(self.stands):
            now = int(self.model.options.undivided(boards[at].pattern, stand.mask)[0])
            if not now or self._asked_to_stop():
                continue
            rows = [self.model.whitened(board.pattern) for board in boards]
            without = self.criterion.information(rows, self.lots_of)
            self.criterion.add(without, rows[at], stand.lot, -1.0)
            candidates = self._candidates(stand, boards[at])
            fewer = np.flatnonzero(self.model.options.undivided(candidates.patterns, stand.mask) < now)
            if len(fewer):
                scores = self.criterion.scores(without, candidates, stand.lot)[fewer]
                number = int(fewer[np.flatnonzero(scores >= scores.max() - TIE)[0]])
                held = Held(candidates.patterns.pick(number), number if self.exchange == "boards" else 0)
                tried = [*boards[:at], held, *boards[at + 1 :]]
                if self.criterion.efficiency(self.value(tried), best) >= LEVEL:
                    boards[at] = held

    def _improve_board(self, at: int, boards: list[Held], rows: list[np.ndarray], information: np.ndarray) -> bool:
        """Exchange one board for the best it could become; say whether that was a gain."""
        lot, moved = self.lots_of[at], False
        while not self._asked_to_stop():
            value = self.criterion.value(information)
            self.criterion.add(information, rows[at], lot, -1.0)
            best = self._best(information, self.stands[at], boards[at])
            new_rows = rows[at] if best is None else self.model.whitened(best.pattern)
            self.criterion.add(information, new_rows, lot)
            if best is None:
                break
            if np.isfinite(value) and self.criterion.value(information) <= value + TIE:
                self.criterion.add(information, new_rows, lot, -1.0)
                self.criterion.add(information, rows[at], lot)
                break
            boards[at], rows[at], moved = best, new_rows, True
            if self.exchange == "boards":
                break
        return moved

    def _best(self, without: np.ndarray, stand: Stand, now: Held) -> Held | None:
        """Return what scores best in place of a board, or None if nothing scores better than the board itself."""
        candidates = self._candidates(stand, now)
        scores = self.criterion.scores(without, candidates, stand.lot)
        best = int(np.flatnonzero(scores >= scores.max() - TIE)[0])
        if scores[best] <= scores[now.number] + TIE:
            return None
        return Held(candidates.patterns.pick(best), best if self.exchange == "boards" else 0)

    def _candidates(self, stand: Stand, now: Held) -> Candidates:
        """Return what a board could become, the board as it is among them."""
        if self.exchange == "boards":
            return self._listed[stand.shape]
        others = one_part_changed(self.model.options, now.pattern, stand.mask)
        return self.model.candidates(others.after(now.pattern))

    def _asked_to_stop(self) -> bool:
        self.stopped = self.stopped or bool(self._stop and self._stop())
        return self.stopped

    # --- starts --------------------------------------------------------------------------------------

    def _start(self, first: Sequence[int]) -> list[Held]:
        """Return boards to begin with: the board treatments given, or each about equally often; the rest drawn."""
        number, every = len(self.stands), range(len(self.model.options.kinds[0]))
        whole = [at % len(every) for at in range(number - number % len(every))]
        filled = first or [*whole, *self._draw.shuffled(every)[: number % len(every)]]
        return [self._drawn(stand, at) for stand, at in zip(self.stands, self._draw.shuffled(filled), strict=True)]

    def _drawn(self, stand: Stand, board: int) -> Held:
        if self.exchange == "boards":
            patterns = self._listed[stand.shape].patterns
            own = np.flatnonzero(patterns.board == board)
            number = int(own[self._draw.below(len(own))])
            return Held(patterns.pick(number), number)
        for _ in range(20):
            pattern = self._random_pattern(stand.mask, board)
            if (pattern.patches >= 0).any():
                break
        return Held(pattern)

    def _random_pattern(self, mask: np.ndarray, board: int) -> Patterns:
        options = self.model.options
        lanes = self._some(np.flatnonzero(options.lanes_go[board]), options.lane_count)
        strips = self._some(np.flatnonzero(options.strips_go[board]), options.strip_count)
        made = options.made[board][np.ix_(lanes, strips)] & mask[:, :, None]
        choices = [np.flatnonzero(some).tolist() for some in made.reshape(-1, made.shape[2])]
        patches = [some[self._draw.below(len(some))] if some else -1 for some in choices]
        return Patterns(np.array([board]), lanes[None], strips[None], np.array(patches).reshape(1, *mask.shape))

    def _some(self, options: np.ndarray, number: int) -> np.ndarray:
        """Return so many options, each as often as the others as far as it goes."""
        shuffled = self._draw.shuffled(options.tolist())
        return np.array([shuffled[at % len(shuffled)] for at in range(number)])


def _fitting_exchange(options: Options, masks: Sequence[np.ndarray]) -> Exchange:
    """Return ``boards`` where all boards can be listed and scored at once."""
    cells = options.lane_count * options.strip_count
    numbers = [pattern_number(options, mask) for mask in masks]
    few = max(numbers) <= MOST_PATTERNS and max(numbers) * cells**2 <= MOST_NUMBERS
    return "boards" if few and sum(numbers) <= 10 * MOST_PATTERNS else "parts"
