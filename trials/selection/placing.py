"""Where the chosen boards go: which lot, which board of it, and in which order what they carry lies on them.

None of it makes the boards worse by the criterion: lots are shared out evenly, and what is left open is drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from trials.draw import Draw
from trials.selection.criterion import Criterion
from trials.selection.patterns import Options, Patterns
from trials.selection.places import Cell, ChosenBoard, Stand
from trials.selection.search import TIE, Held

# --- lots ------------------------------------------------------------------------------------------


def spread_over_lots(criterion: Criterion, stands: Sequence[Stand], boards: Sequence[Held]) -> list[Held]:
    """Exchange boards between lots where that is better, or as good and spreads the levels more evenly.

    Only boards of one shape are exchanged, so that each fits its new place.
    """
    boards, lots_of = list(boards), [stand.lot for stand in stands]
    rows = [criterion.model.whitened(board.pattern) for board in boards]
    levels = _levels(criterion.model.options, boards)
    by_lot = {lot: levels[[own == lot for own in lots_of]].sum(axis=0) for lot in sorted(set(lots_of))}
    information = criterion.information(rows, lots_of)
    value, uneven = criterion.value(information), _unevenness(by_lot)
    for one, other in combinations(range(len(boards)), 2):
        here, there = lots_of[one], lots_of[other]
        if here == there or stands[one].shape != stands[other].shape or np.array_equal(rows[one], rows[other]):
            continue
        more = levels[other] - levels[one]
        new_lots = by_lot | {here: by_lot[here] + more, there: by_lot[there] - more}
        new = _unevenness(new_lots)
        tried = _swapped(criterion, information, (rows[one], rows[other]), (here, there))
        reached = criterion.value(tried) if tried is not information else value
        if reached > value + TIE or (new < uneven and reached >= value - TIE):
            value, uneven, by_lot, information = reached, new, new_lots, tried
            boards[one], boards[other] = boards[other], boards[one]
            rows[one], rows[other] = rows[other], rows[one]
            levels[[one, other]] = levels[[other, one]]
    return boards


def _levels(options: Options, boards: Sequence[Held]) -> np.ndarray:
    """Count for each board the patches that carry each level of each factor."""
    items = sorted({item for treatment in options.treatments for item in treatment.items()})
    at = {item: column for column, item in enumerate(items)}
    counts = np.zeros((len(boards), len(items)), dtype=int)
    for row, board in zip(counts, boards, strict=True):
        for cell in options.cells(board.pattern).values():
            row[[at[item] for item in cell.items()]] += 1
    return counts


def _unevenness(by_lot: dict[int, np.ndarray]) -> tuple[int, int]:
    """Return how many levels are in one lot only, and the sum of squares of their counts by lot."""
    counts = np.array(list(by_lot.values()))
    return int(((counts > 0).sum(axis=0) == 1).sum()), int((counts**2).sum())


def _swapped(
    criterion: Criterion, information: np.ndarray, rows: tuple[np.ndarray, np.ndarray], lots: tuple[int, int]
) -> np.ndarray:
    """Return the information once two boards have changed lots; the same where lots do not count."""
    if not criterion.lot_columns:
        return information
    result = information.copy()
    for own, here, there in ((rows[0], *lots), (rows[1], *lots[::-1])):
        criterion.add(result, own, here, -1.0)
        criterion.add(result, own, there)
    return result


# --- boards, lanes, strips and patches -------------------------------------------------------------


def placed(
    options: Options,
    stands: Sequence[Stand],
    boards: Sequence[Held],
    controls: Sequence[dict[Cell, str]],
    draw: Draw,
) -> tuple[ChosenBoard, ...]:
    """Give the boards of a lot a random order, and what lies on them random places.

    A board keeps to places of its own shape, and lanes and strips to places that are masked alike.
    """
    laid = [
        _as_it_lies(stand, pattern)
        for stand, pattern in zip(stands, _shuffled_in_lots(stands, boards, draw), strict=True)
    ]
    groups = _groups_of_patches(options)
    ones = [_in_any_order(one, mask, groups, draw) for mask, one in laid]
    return tuple(_chosen(options, *board) for board in zip(stands, ones, controls, strict=True))


def _chosen(options: Options, stand: Stand, one: Patterns, controls: dict[Cell, str]) -> ChosenBoard:
    treatment = dict(options.kinds[0][int(one.board[0])])
    lanes = tuple(dict(options.kinds[1][at]) for at in one.lanes[0])
    strips = tuple(dict(options.kinds[2][at]) for at in one.strips[0])
    return ChosenBoard(stand.lot, treatment, lanes, strips, options.cells(one), dict(controls))


def _shuffled_in_lots(stands: Sequence[Stand], boards: Sequence[Held], draw: Draw) -> list[Patterns]:
    """Shuffle the boards of each lot among its places of one shape."""
    groups: dict[tuple[int, bytes], list[int]] = {}
    for at, stand in enumerate(stands):
        groups.setdefault((stand.lot, stand.shape), []).append(at)
    result = [board.pattern for board in boards]
    for group in groups.values():
        for at, other in zip(group, draw.shuffled(group), strict=True):
            result[at] = boards[other].pattern
    return result


def _as_it_lies(stand: Stand, pattern: Patterns) -> tuple[np.ndarray, Patterns]:
    """Turn a board from the standard order of its mask to that of its place; return its mask as well."""
    lanes, strips = np.argsort(stand.lanes), np.argsort(stand.strips)
    patches = pattern.patches[:, lanes][:, :, strips]
    mask = stand.mask[lanes][:, strips]
    return mask, Patterns(pattern.board, pattern.lanes[:, lanes], pattern.strips[:, strips], patches)


def _in_any_order(one: Patterns, mask: np.ndarray, groups: np.ndarray, draw: Draw) -> Patterns:
    """Draw the places of a board's lanes, strips and patches, each among those that are masked alike."""
    lanes = _order([row.tobytes() for row in mask], draw)
    strips = _order([column.tobytes() for column in mask.T], draw)
    flat = one.patches[:, lanes][:, :, strips].reshape(-1)
    kinds = np.where(flat >= 0, groups, -1 - np.arange(len(flat))).tolist()
    patches = flat[_order(kinds, draw)].reshape(one.patches.shape)
    return Patterns(one.board, one.lanes[:, lanes], one.strips[:, strips], patches)


def _order(kinds: Sequence[object], draw: Draw) -> list[int]:
    """Return a random order in which things change places only with those of their own kind."""
    groups: dict[object, list[int]] = {}
    for at, kind in enumerate(kinds):
        groups.setdefault(kind, []).append(at)
    order = list(range(len(kinds)))
    for group in groups.values():
        for place, at in zip(group, draw.shuffled(group), strict=True):
            order[place] = at
    return order


def _groups_of_patches(options: Options) -> np.ndarray:
    """Return for each patch of a board the number of the group within which patches may be exchanged freely."""
    groups = np.full(options.lane_count * options.strip_count, -1)
    for number, group in enumerate(options.alike):
        groups[group] = number
    return groups
