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
TIE = 1e-7
"""What gains less than this is no gain, so that rounding never decides."""


@dataclass(frozen=True)
class Held:
    """What a board carries at some point of the search, and its number in the list of all boards of its mask."""

    pattern: Patterns
    number: int = 0


@dataclass(frozen=True)
class Found:
    """What a search ended with: its value (more is better), the boards, and the value of each start."""

    value: float
    boards: list[Held]
    values: list[float]


class Search:
    """Starts and exchanges; what is found does not depend on anything but the draw.

    Attributes
    ----------
    exchange : whether whole ``boards`` or ``parts`` of boards are exchanged.
    stopped : whether the search was told to stop.
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
        masks = {stand.shape: stand.mask for stand in stands}
        self.exchange: Exchange = exchange or _fitting_exchange(self.model.options, list(masks.values()))
        self._listed: dict[bytes, Candidates] = {}
        if self.exchange == "boards":
            listed = {shape: all_patterns(self.model.options, mask) for shape, mask in masks.items()}
            self._listed = {shape: self.model.candidates(patterns) for shape, patterns in listed.items()}

    def run(self, starts: int, most: int, progress: Progress | None = None) -> Found:
        """Return the best of several starts; more are made, up to `most`, while none can estimate the model."""
        values: list[float] = []
        best, boards = -np.inf, list[Held]()
        while len(values) < starts or (not np.isfinite(best) and len(values) < most and not self.stopped):
            held = self._start(self._first if not values else ())
            value = self.improve(held)
            values.append(value)
            if not boards or value > best + TIE:
                best, boards = value, held
            if progress:
                progress(len(values), max(starts, len(values)), self.criterion.reported(best))
            if self.stopped:
                break
        return Found(best, boards, values)

    def value(self, boards: Sequence[Held]) -> float:
        """Return the criterion of boards."""
        rows = [self.model.whitened(board.pattern) for board in boards]
        return self.criterion.value(self.criterion.information(rows, self.lots_of))

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
