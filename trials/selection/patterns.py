"""What a board can carry: its options, and the list of boards that can be made of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations_with_replacement, product
from math import comb, prod

import numpy as np

from trials.plan import KINDS, Plan
from trials.selection.places import Treatment
from trials.structure import treated_lanes, treated_strips


@dataclass(frozen=True)
class Patterns:
    """Boards by option number: board (c,), lanes (c, lanes), strips (c, strips), patches (c, lanes, strips).

    A patch of -1 carries no treatment.
    """

    board: np.ndarray
    lanes: np.ndarray
    strips: np.ndarray
    patches: np.ndarray

    def pick(self, which: slice | np.ndarray | int) -> Patterns:
        """Return some of them."""
        some = slice(which, which + 1) if isinstance(which, int) else which
        return Patterns(self.board[some], self.lanes[some], self.strips[some], self.patches[some])

    def after(self, first: Patterns) -> Patterns:
        """Return these with others before them."""
        return Patterns(
            np.concatenate([first.board, self.board]),
            np.concatenate([first.lanes, self.lanes]),
            np.concatenate([first.strips, self.strips]),
            np.concatenate([first.patches, self.patches]),
        )


class Options:
    """What the pieces of a plan can carry.

    Attributes
    ----------
    kinds : what a board, a lane, a strip and a patch can carry.
    treatments : every combination of these.
    made : (boards, lanes, strips, patches), whether a combination is admissible.
    lanes_go, strips_go : (boards, lanes) and (boards, strips), whether an option goes with a board's.
    lane_count, strip_count : how many of a board's lanes and strips are treated.
    lanes_matter, strips_matter : whether lanes and strips carry a factor.
    """

    def __init__(self, plan: Plan) -> None:
        self.kinds = tuple(plan.treatments(plan.laid_on(kind)) for kind in KINDS)
        self.treatments = [board | lane | strip | patch for board, lane, strip, patch in product(*self.kinds)]
        made = np.array([not plan.forbids(treatment) for treatment in self.treatments])
        self.made = made.reshape([len(options) for options in self.kinds])
        self.lanes_go = _goes(plan, "lane", self.kinds[0], self.kinds[1])
        self.strips_go = _goes(plan, "strip", self.kinds[0], self.kinds[2])
        self.lane_count, self.strip_count = treated_lanes(plan), treated_strips(plan)
        self.lanes_matter, self.strips_matter = bool(plan.laid_on("lane")), bool(plan.laid_on("strip"))

    def fitted(self, patterns: Patterns, mask: np.ndarray) -> Patterns:
        """Return patterns with every patch admissible: what it has, else the first option, else none."""
        board, lanes, strips = patterns.board, patterns.lanes, patterns.strips
        made = self.made[board[:, None, None], lanes[:, :, None], strips[:, None, :]] & mask[None, :, :, None]
        has = np.take_along_axis(made, np.maximum(patterns.patches, 0)[..., None], axis=3)[..., 0]
        instead = np.where(made.any(axis=3), made.argmax(axis=3), -1)
        return Patterns(board, lanes, strips, np.where(has & (patterns.patches >= 0), patterns.patches, instead))

    def numbers(self, patterns: Patterns) -> np.ndarray:
        """Return for each patch the number of its treatment in `treatments`, -1 for none: (c, patches of a board)."""
        one, other = patterns.board[:, None, None], patterns.lanes[:, :, None]
        number = (one * self.made.shape[1] + other) * self.made.shape[2] + patterns.strips[:, None, :]
        number = number * self.made.shape[3] + patterns.patches
        return np.where(patterns.patches >= 0, number, -1).reshape(len(patterns.board), -1)

    def cells(self, pattern: Patterns) -> dict[tuple[int, int], Treatment]:
        """Return the treatment of each patch of one board by (lane, strip)."""
        numbers = self.numbers(pattern).reshape(self.lane_count, self.strip_count)
        return {
            (lane + 1, strip + 1): dict(self.treatments[number])
            for (lane, strip), number in np.ndenumerate(numbers)
            if number >= 0
        }

    def undivided(self, patterns: Patterns, mask: np.ndarray) -> np.ndarray:
        """Count for each pattern the kinds of its pieces that could carry several levels and all carry the same."""
        lanes = patterns.lanes[:, mask.any(axis=1)]
        strips = patterns.strips[:, mask.any(axis=0)]
        patches = patterns.patches[:, mask]
        could = (
            self.lanes_go[patterns.board].sum(axis=1),
            self.strips_go[patterns.board].sum(axis=1),
            self.made.shape[3],
        )
        count = np.zeros(len(patterns.board), dtype=int)
        for carried, options in zip((lanes, strips, patches), could, strict=True):
            count += (carried.shape[1] > 1) & (np.asarray(options) > 1) & (carried == carried[:, :1]).all(axis=1)
        return count

    @cached_property
    def alike(self) -> list[list[int]]:
        """Groups of a board's patches, counted lane by lane, that may be exchanged without changing anything."""
        groups: dict[tuple[int, int], list[int]] = {}
        for at, (lane, strip) in enumerate(product(range(self.lane_count), range(self.strip_count))):
            key = (lane if self.lanes_matter else 0, strip if self.strips_matter else 0)
            groups.setdefault(key, []).append(at)
        return list(groups.values())


def _goes(plan: Plan, kind: str, boards: Sequence[Treatment], options: Sequence[Treatment]) -> np.ndarray:
    fitting = [plan.treatments(plan.laid_on(kind), board) for board in boards]
    return np.array([[option in some for option in options] for some in fitting])


# --- every board -----------------------------------------------------------------------------------


def pattern_number(options: Options, mask: np.ndarray) -> int:
    """Return how many boards there are to list at most, those that differ in order alone counting once."""
    patches = options.made.shape[3]
    inside = prod(_several(patches, int(mask.reshape(-1)[group].sum())) for group in options.alike)
    pieces = 0
    for lanes, strips in zip(options.lanes_go, options.strips_go, strict=True):
        ways = [_several(int(lanes.sum()), size) for size in _group_sizes(mask)]
        pieces += prod(ways) * prod(_several(int(strips.sum()), size) for size in _group_sizes(mask.T))
    return pieces * inside


def _several(options: int, number: int) -> int:
    return comb(options + number - 1, number)


def _groups(mask: np.ndarray) -> list[list[int]]:
    """Return the lanes of a mask that are masked alike, those that are not used at all left out."""
    groups: dict[bytes, list[int]] = {}
    for at, row in enumerate(mask):
        if row.any():
            groups.setdefault(row.tobytes(), []).append(at)
    return list(groups.values())


def _group_sizes(mask: np.ndarray) -> list[int]:
    return [len(group) for group in _groups(mask)]


def all_patterns(options: Options, mask: np.ndarray) -> Patterns:
    """List every admissible board of a mask, those that differ in order alone once."""
    found: list[tuple[int, Sequence[int], Sequence[int], np.ndarray]] = []
    for board in range(len(options.kinds[0])):
        for lanes in _fillings(options.lanes_go[board], mask):
            for strips in _fillings(options.strips_go[board], mask.T):
                found.extend(
                    (board, lanes, strips, patches) for patches in _inside(options, board, lanes, strips, mask)
                )
    listed = Patterns(*(np.array(column) for column in zip(*found, strict=True)))
    fitted = options.fitted(listed, mask)
    return fitted.pick(np.flatnonzero((fitted.patches >= 0).any(axis=(1, 2))))


def _fillings(goes: np.ndarray, mask: np.ndarray) -> Iterator[list[int]]:
    """Return what the lanes of a mask can carry; an unused lane is put down as carrying the first option."""
    going, groups = np.flatnonzero(goes).tolist(), _groups(mask)
    for filling in product(*(combinations_with_replacement(going, len(group)) for group in groups)):
        lanes = [going[0]] * len(mask)
        for group, carried in zip(groups, filling, strict=True):
            for at, option in zip(group, carried, strict=True):
                lanes[at] = option
        yield lanes


def _inside(
    options: Options, board: int, lanes: Sequence[int], strips: Sequence[int], mask: np.ndarray
) -> Iterator[np.ndarray]:
    """Return what the patches of a board can carry, given the rest."""
    if options.made.shape[3] == 1:
        yield np.zeros(mask.shape, dtype=int)
        return
    flat = (options.made[board][np.ix_(lanes, strips)] & mask[:, :, None]).reshape(-1, options.made.shape[3])
    groups = [[at for at in group if flat[at].any()] for group in options.alike]
    groups = [group for group in groups if group]
    choices = (combinations_with_replacement(np.flatnonzero(flat[group[0]]).tolist(), len(group)) for group in groups)
    cells = [at for group in groups for at in group]
    for filling in product(*choices):
        patches = np.full(len(flat), -1)
        patches[cells] = [option for carried in filling for option in carried]
        yield patches.reshape(mask.shape)


# --- one part of a board ---------------------------------------------------------------------------


def one_part_changed(options: Options, now: Patterns, mask: np.ndarray) -> Patterns:
    """List the boards that differ in the board treatment, one lane, one strip or one patch."""
    board, lanes, strips = int(now.board[0]), now.lanes[0], now.strips[0]
    goes, reaches = options.lanes_go, options.strips_go
    every = np.arange(len(goes))
    lane, in_lane = _each(np.flatnonzero(mask.any(axis=1)), np.flatnonzero(goes[board]))
    strip, in_strip = _each(np.flatnonzero(mask.any(axis=0)), np.flatnonzero(reaches[board]))
    here = options.made[board][np.ix_(lanes, strips)] & mask[:, :, None]
    in_patch = np.argwhere(here)
    sizes = np.cumsum([len(every), len(lane), len(strip), len(in_patch)])
    found = Patterns(
        *(np.repeat(part, sizes[-1], axis=0) for part in (now.board, now.lanes, now.strips, now.patches))
    )
    found.board[: sizes[0]] = every
    found.lanes[: sizes[0]] = np.where(goes[:, lanes], lanes, goes.argmax(axis=1)[:, None])
    found.strips[: sizes[0]] = np.where(reaches[:, strips], strips, reaches.argmax(axis=1)[:, None])
    found.lanes[np.arange(sizes[0], sizes[1]), lane] = in_lane
    found.strips[np.arange(sizes[1], sizes[2]), strip] = in_strip
    found.patches[np.arange(sizes[2], sizes[3]), in_patch[:, 0], in_patch[:, 1]] = in_patch[:, 2]
    fitted = options.fitted(found, mask)
    return fitted.pick(np.flatnonzero((fitted.patches >= 0).any(axis=(1, 2))))


def _each(places: np.ndarray, carried: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return every place with everything it can carry."""
    return np.repeat(places, len(carried)), np.tile(carried, len(places))
