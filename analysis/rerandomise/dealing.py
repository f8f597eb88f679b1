"""What may change places with what in a layout, and what every such arrangement adds up to.

Readings become one mean a piece; the pieces of a factor are sorted into cells within which the layout
could have dealt the factor's levels otherwise; arrangements are listed or drawn.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import permutations, product
from math import factorial, prod

import numpy as np
from scipy.linalg import qr

from analysis.formula import Names
from analysis.model import Column, ModelFrame, design, pieces

MOST_ENUMERATED = 200_000
"""Up to so many arrangements every one is looked at."""

MOST_DROPPED = 0.25
"""An interaction's exact test leaves out at most this share of the pieces (a choice of ours)."""

CHUNK = 8_192
"""Arrangements reckoned at a time: few enough to stay in the processor's cache."""

_TABLE_ROWS = 50_000
_MERGED_ROWS = 4_096
_RANK = 1e-9
_MOST_NAMED = 6
"""Of more levels only so many are given other names when arrangements that are alike are counted."""


# --- readings and pieces ---------------------------------------------------------------------------


@dataclass(frozen=True)
class Rows:
    """The usable readings of a trial and what each factor is laid on.

    Attributes
    ----------
    frame : the response and, as level numbers, every factor and every column that names a piece.
    values : (n,) the response less its mean, over `scale`.
    scale : the greatest distance of a response from the mean.
    laid_on : for each factor, the columns that name its piece.
    notes : sentences on rows left out.
    places : the columns of which each level of what is laid on them stood equally often at each value.
    """

    frame: ModelFrame
    values: np.ndarray
    scale: float
    laid_on: dict[str, Names]
    notes: tuple[str, ...] = ()
    places: Names = ()

    @property
    def rounding(self) -> float:
        """How far rounding may have moved one of the values."""
        return float(1e-15 * np.abs(self.frame.response).max() / self.scale)

    def column(self, name: str) -> Column:
        """Return a factor or a column that names a piece."""
        return self.frame.columns[name]

    def codes(self, names: Sequence[str]) -> np.ndarray:
        """Give each combination of the named columns' levels a number; zero where none is named."""
        return pieces(self.frame, tuple(names))[0] if names else np.zeros(len(self.values), dtype=np.intp)

    def keep(self, mask: np.ndarray, note: str) -> Rows:
        """Return the rows of a mask, with a note on the others."""
        columns = {name: replace(one, values=one.values[mask]) for name, one in self.frame.columns.items()}
        frame = replace(self.frame, response=self.frame.response[mask], columns=columns, index=self.frame.index[mask])
        return replace(self, frame=frame, values=self.values[mask], notes=(*self.notes, note))


def said(names: Iterable[object]) -> str:
    """Return names as the reader sees them: ``board:lane``."""
    return ":".join(str(name) for name in names)


def joined(names: Iterable[Names]) -> Names:
    """Return the columns that together name the piece where several meet."""
    return tuple(dict.fromkeys(name for group in names for name in group))


def extremes(codes: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the least and the greatest value on each piece."""
    count = int(codes.max()) + 1
    low, high = np.full(count, values.max()), np.full(count, values.min())
    np.minimum.at(low, codes, values)
    np.maximum.at(high, codes, values)
    return low, high


def is_constant(codes: np.ndarray, values: np.ndarray) -> bool:
    """Whether the values are alike within every piece."""
    low, high = extremes(codes, values)
    return bool((low == high).all())


def piece_means(rows: Rows, codes: np.ndarray, others: Sequence[str]) -> tuple[np.ndarray, tuple[str, ...]]:
    """Average the readings of each piece.

    Where the pieces hold unlike mixes of the levels of `others`, or of places, those are evened out first, by effects
    estimated inside the pieces alone; how the tested factor was dealt plays no part in that.

    Returns
    -------
    (m,) means, and sentences on what was uneven.
    """
    size = np.bincount(codes)
    mean = np.bincount(codes, weights=rows.values) / size
    uneven = []
    for name in (*others, *(place for place in rows.places if place not in others)):
        column = rows.column(name)
        mix = np.zeros((len(size), len(column.levels)))
        np.add.at(mix, (codes, column.values), 1)
        if np.ptp(mix / size[:, None], axis=0).max() > 1e-9:
            uneven.append(name)
    if uneven:
        columns = design(rows.frame.columns, [(name,) for name in uneven], "sum", len(codes)).matrix[:, 1:]
        inside = np.column_stack([np.bincount(codes, weights=column) / size for column in columns.T])
        slope = np.linalg.lstsq(columns - inside[codes], rows.values - mean[codes], rcond=None)[0]
        listed = " and ".join(repr(name) for name in uneven)
        note = f"The pieces hold unlike mixes of {listed}; their means were evened out for that by least squares."
        return mean - inside @ slope, (note,)
    if np.ptp(size):
        note = f"The pieces have from {size.min()} to {size.max()} readings each; their means count alike."
        return mean, (note,)
    return mean, ()


def indicators(codes: np.ndarray) -> np.ndarray:
    """Return one 0/1 column for each code that occurs."""
    return (codes[:, None] == np.unique(codes)).astype(float)


def basis(columns: np.ndarray, given: np.ndarray | None = None) -> np.ndarray:
    """Return an orthonormal basis of the columns, less what lies in the orthonormal `given`."""
    if given is not None:
        columns = columns - given @ (given.T @ columns)
    vectors, triangle, _ = qr(columns, mode="economic", pivoting=True)
    return vectors[:, np.abs(np.diag(triangle)) > _RANK * np.sqrt(len(columns))]


@dataclass(frozen=True)
class Stratum:
    """The pieces on which a term is judged.

    Attributes
    ----------
    piece : the columns that name them.
    rows : (m,) a row of each piece.
    values : (m,) their means.
    fixed : the factors that have one level on each of them.
    larger : indicator columns of the larger pieces they make up.
    notes : sentences on how the means were made.
    """

    piece: Names
    rows: np.ndarray
    values: np.ndarray
    fixed: Names
    larger: list[np.ndarray]
    notes: tuple[str, ...]


def stratum_of(rows: Rows, factors: Names) -> Stratum:
    """Find the pieces where the factors meet, and the larger pieces they are parts of."""
    piece = joined(rows.laid_on[factor] for factor in factors)
    codes = rows.codes(piece)
    first = np.unique(codes, return_index=True)[1]
    fixed = tuple(name for name in rows.laid_on if is_constant(codes, rows.column(name).values))
    values, notes = piece_means(rows, codes, [name for name in rows.laid_on if name not in fixed])
    larger = [np.ones((len(first), 1))]
    for names in dict.fromkeys([*rows.laid_on.values(), *(rows.laid_on[factor][:-1] for factor in factors)]):
        numbers = rows.codes(names)
        if numbers.max() < codes.max() and is_constant(codes, numbers):
            larger.append(indicators(numbers[first]))
    larger += [indicators(at[first]) for at in map(rows.codes, zip(rows.places)) if is_constant(codes, at)]
    return Stratum(piece, first, values, fixed, larger, notes)


# --- a factor dealt over its pieces ----------------------------------------------------------------


@dataclass(frozen=True)
class Deal:
    """One factor dealt over its pieces.

    Attributes
    ----------
    rows : the readings it rests on.
    dealt, inside, kept : the factor dealt; the other factors of the term; those that stay where they are
        and differ between pieces that could otherwise change places.
    means : (m, r) what each piece brings along: its mean, or its contrasts between levels of `inside`.
    clean : (m, r) the same, free of larger pieces and of the other factors.
    labels, blocks : (m,) level laid out; larger piece.
    units : (u, k) what changes places whole: the numbers of its pieces, -1 for none. A piece; or, where places were
        evened out, the pieces of a larger piece in the order of their places.
    orders : (o, k) the levels of the pieces of a unit, in every order that was laid out; -1 for none.
    kinds, cells : (u,) the number of its order; the set within which units change places.
    scores : (levels, df) such that ``sum_i scores[label_i] clean_i'`` holds, squared and summed, the
        term's sum of squares.
    information : of the second level, when there are two: a difference is that sum over its root.
    notes : sentences on how the means were made.
    """

    rows: Rows
    dealt: str
    inside: Names
    kept: Names
    means: np.ndarray
    clean: np.ndarray
    labels: np.ndarray
    blocks: np.ndarray
    units: np.ndarray
    orders: np.ndarray
    kinds: np.ndarray
    cells: np.ndarray
    scores: np.ndarray
    information: float
    notes: tuple[str, ...]

    @property
    def observed(self) -> np.ndarray:
        """The sums of the arrangement laid out, (1, df * r)."""
        return (self.scores[self.labels].T @ self.clean).reshape(1, -1)

    @property
    def combinations(self) -> int:
        """How many combinations of levels of `inside` each piece holds."""
        return _combinations(self.rows, self.inside)

    @cached_property
    def counts(self) -> np.ndarray:
        """How often each order lies in each cell, (cells, orders)."""
        table = np.zeros((self.cells.max() + 1, len(self.orders)), dtype=int)
        np.add.at(table, (self.cells, self.kinds), 1)
        return table

    @cached_property
    def parts(self) -> tuple[np.ndarray, np.ndarray]:
        """What units bring along, (u, k, r), and the scores of the orders, (o, k, df); nought where there is none."""
        clean, scores = (np.vstack([one, np.zeros((1, one.shape[1]))]) for one in (self.clean, self.scores))
        return clean[self.units], scores[self.orders]

    def levels(self, kinds: np.ndarray) -> np.ndarray:
        """Return the levels, (m,), of an arrangement of orders, (u,)."""
        result = np.empty(len(self.labels), dtype=np.intp)
        there = self.units >= 0
        result[self.units[there]] = self.orders[kinds][there]
        return result

    @cached_property
    def ways(self) -> list[int]:
        """How many distinct arrangements each cell has."""
        return [factorial(int(row.sum())) // prod(factorial(int(n)) for n in row) for row in self.counts]

    @property
    def arrangements(self) -> int:
        """How many distinct arrangements there are."""
        return prod(self.ways)

    @property
    def mirrored(self) -> int:
        """How many arrangements differ only in the names of levels that were laid out equally often."""
        laid_out = self.counts.T[self.counts.sum(axis=0) > 0]
        if self.orders.shape[1] == 1:
            return prod(factorial(int(n)) for n in np.unique(laid_out, axis=0, return_counts=True)[1])
        known = {tuple(order): at for at, order in enumerate(self.orders.tolist())}
        found = 0
        for names in permutations(range(min(len(self.scores), _MOST_NAMED))):
            called = dict(enumerate(names))
            renamed = [known.get(tuple(called.get(level, level) for level in order), -1) for order in known]
            found += -1 not in renamed and bool((self.counts[:, renamed] == self.counts).all())
        return found


def lay_deal(rows: Rows, dealt: str, inside: Names = ()) -> Deal | None:
    """Reduce the readings to what each piece of the dealt factor brings along.

    Returns
    -------
    Nothing when too few pieces hold every combination of levels of the inside factors.
    """
    whole = _whole_pieces(rows, dealt, inside)
    if whole is None:
        return None
    rows = whole
    codes = rows.codes(rows.laid_on[dealt])
    others = [name for name in rows.laid_on if name != dealt and name not in inside]
    fixed = [name for name in others if is_constant(codes, rows.column(name).values)]
    combinations = _combinations(rows, inside)
    parts, notes = piece_means(
        rows, codes * combinations + rows.codes(inside), [name for name in others if name not in fixed]
    )
    means = parts.reshape(-1, combinations) @ _contrasts([len(rows.column(name).levels) for name in inside])

    first = np.unique(codes, return_index=True)[1]
    blocks, levels = rows.codes(rows.laid_on[dealt][:-1])[first], rows.codes(fixed)[first]
    apart = [blocks, levels, *_orders_inside(rows, codes, blocks, inside)]
    labels = rows.column(dealt).values[first]
    place = rows.laid_on[dealt][-1]
    if place in rows.places:
        places = rows.codes((place,))[first]
        units, orders, kinds, cells = _by_orders(labels, blocks, places, levels)
        apart.append(places)
    else:
        units, orders, kinds = (
            np.arange(len(labels))[:, None],
            np.arange(len(rows.column(dealt).levels))[:, None],
            labels,
        )
        cells = np.unique(np.column_stack(apart), axis=0, return_inverse=True)[1].reshape(-1)
    held = basis(np.hstack([indicators(one) for one in apart]))
    scores, information = _scores(labels, len(rows.column(dealt).levels), held)
    return Deal(
        rows=rows,
        dealt=dealt,
        inside=inside,
        kept=tuple(name for name in fixed if not is_constant(blocks, rows.column(name).values[first])),
        means=means,
        clean=means - held @ (held.T @ means),
        labels=labels,
        blocks=blocks,
        units=units,
        orders=orders,
        kinds=kinds,
        cells=cells,
        scores=scores,
        information=information,
        notes=notes,
    )


def _by_orders(
    labels: np.ndarray, blocks: np.ndarray, places: np.ndarray, levels: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Let larger pieces exchange the orders of their pieces, which keeps every level equally often at every place.

    Returns
    -------
    `units`, `orders`, `kinds` and `cells` as those of `Deal`. Larger pieces of a cell have pieces at the same places
    with the same levels of the other factors, and hold the same levels of the dealt one.
    """
    units = np.full((blocks.max() + 1, places.max() + 1), -1)
    units[blocks, places] = np.arange(len(labels))
    there = units >= 0
    order, other = (np.where(there, one[units], -1) for one in (labels, levels))
    orders, kinds = np.unique(order, axis=0, return_inverse=True)
    alike = np.column_stack([other, np.sort(order, axis=1)])
    cells = np.unique(alike, axis=0, return_inverse=True)[1]
    return units, orders, kinds.reshape(-1), cells.reshape(-1)


def _orders_inside(rows: Rows, codes: np.ndarray, blocks: np.ndarray, inside: Names) -> Iterator[np.ndarray]:
    """Yield by piece in which order levels of the inside factors lie on it, where their places were evened out.

    What a place does is in a piece's differences between these levels, so that only pieces with the same order may
    change places; an order that is the same throughout a larger piece is taken off with that.
    """
    for name in inside:
        place = rows.laid_on[name][-1]
        if place in rows.places:
            lies: dict[int, set[tuple[int, int]]] = {}
            for piece, at, level in zip(codes, rows.codes((place,)), rows.column(name).values, strict=True):
                lies.setdefault(int(piece), set()).add((int(at), int(level)))
            orders = [tuple(sorted(lies[piece])) for piece in range(len(lies))]
            known = {order: at for at, order in enumerate(dict.fromkeys(orders))}
            found = np.array([known[order] for order in orders])
            if not is_constant(blocks, found):
                yield found


def _combinations(rows: Rows, names: Names) -> int:
    return prod(len(rows.column(name).levels) for name in names)


def _whole_pieces(rows: Rows, dealt: str, inside: Names) -> Rows | None:
    """Keep the pieces of the dealt factor that hold every combination of levels of the inside factors."""
    codes, within = rows.codes(rows.laid_on[dealt]), rows.codes(inside)
    held = np.zeros((codes.max() + 1, within.max() + 1), dtype=bool)
    held[codes, within] = True
    whole = held.sum(axis=1) == _combinations(rows, inside)
    if whole.all():
        return rows
    if whole.mean() < 1 - MOST_DROPPED:
        return None
    lost = int((~whole).sum())
    some = "1 piece" if lost == 1 else f"{lost} pieces"
    note = f"{some} ({said(rows.laid_on[dealt])}) without every level of {said(inside)} left out."
    return rows.keep(whole[codes], note)


def _scores(labels: np.ndarray, levels: int, held: np.ndarray) -> tuple[np.ndarray, float]:
    """Score the levels so that the squared sums of scored values are the sum of squares.

    Pieces change places only where all that is `held` is the same, so one matrix suits all arrangements.
    """
    columns = (labels[:, None] == np.arange(levels)).astype(float)
    free = columns - held @ (held.T @ columns)
    information, vectors = np.linalg.eigh(free.T @ free)
    lasting = information > _RANK * len(labels)
    scores = vectors[:, lasting] / np.sqrt(information[lasting])
    if scores.shape == (2, 1) and scores[1, 0] < 0:
        scores = -scores
    return scores, float((free[:, -1] ** 2).sum())


def _contrasts(levels: Sequence[int]) -> np.ndarray:
    """Return orthonormal contrasts between combinations of levels; of two levels, second less first."""
    table = np.ones((1, 1))
    for count in levels:
        steps = np.triu(-np.ones((count, count - 1)))
        steps[np.arange(1, count), np.arange(count - 1)] = np.arange(1, count)
        table = np.kron(table, steps / np.sqrt((steps**2).sum(axis=0)))
    return table


# --- the arrangements ------------------------------------------------------------------------------


def every_sum(deal: Deal) -> Iterator[np.ndarray]:
    """Yield the sums of all arrangements, (some, df * r) at a time."""
    tables = sorted((_table(deal, cell) for cell in range(len(deal.counts))), key=len)
    longest = tables.pop()
    rest = _merge([np.zeros((1, longest.shape[1])), *tables], MOST_ENUMERATED)[0]
    step = max(1, MOST_ENUMERATED // 8 // len(rest))
    for at in range(0, len(longest), step):
        yield (longest[at : at + step, None] + rest).reshape(-1, rest.shape[1])


def drawn_sums(deal: Deal, draws: int, rng: np.random.Generator) -> Iterator[np.ndarray]:
    """Yield the sums of drawn arrangements: small cells by a row of their table, large ones by a shuffle."""
    small = np.array([ways <= _TABLE_ROWS for ways in deal.ways])
    tables = _merge([_table(deal, int(cell)) for cell in np.flatnonzero(small)], _MERGED_ROWS)
    large = [np.flatnonzero(deal.cells == cell) for cell in np.flatnonzero(~small)]
    for start in range(0, draws, CHUNK):
        size = min(CHUNK, draws - start)
        sums = np.zeros((size, deal.scores.shape[1] * deal.clean.shape[1]))
        for table in tables:
            sums += table[rng.integers(0, len(table), size)]
        for places in large:
            moved = rng.permuted(np.broadcast_to(places, (size, len(places))), axis=1)
            clean, scores = deal.parts
            for at in range(deal.units.shape[1]):
                own = scores[deal.kinds[places], at]
                parts = [column[moved] @ own for column in np.ascontiguousarray(clean[:, at].T)]
                sums += np.stack(parts, axis=2).reshape(size, -1)
        yield sums


def every_labelling(deal: Deal) -> Iterator[np.ndarray]:
    """Yield the levels, (m,), of each arrangement in turn."""
    order = np.argsort(deal.cells, kind="stable")
    for parts in product(*(_arrangements(row) for row in deal.counts)):
        kinds = np.empty(len(order), dtype=np.intp)
        kinds[order] = np.concatenate(parts)
        yield deal.levels(kinds)


def drawn_labellings(deal: Deal, draws: int, rng: np.random.Generator) -> Iterator[np.ndarray]:
    """Yield the levels, (m,), of drawn arrangements."""
    places = [np.flatnonzero(deal.cells == cell) for cell in range(len(deal.counts))]
    for _ in range(draws):
        kinds = deal.kinds.copy()
        for cell in places:
            kinds[cell] = rng.permutation(kinds[cell])
        yield deal.levels(kinds)


def _arrangements(counts: Sequence[int]) -> np.ndarray:
    """Return every distinct order of so many of each level, (arrangements, pieces)."""
    left = np.array([counts])
    labels = np.empty((1, 0), dtype=np.int16)
    for _ in range(int(sum(counts))):
        row, level = np.nonzero(left)
        labels = np.column_stack([labels[row], level.astype(np.int16)])
        left = left[row]
        left[np.arange(len(row)), level] -= 1
    return labels


def _table(deal: Deal, cell: int) -> np.ndarray:
    """Return what each arrangement of a cell adds to the sums, (arrangements, df * r)."""
    kinds = _arrangements(deal.counts[cell])
    table = np.zeros((len(kinds), deal.scores.shape[1], deal.clean.shape[1]))
    clean, scores = deal.parts
    for at, values in enumerate(clean[deal.cells == cell]):
        table += sum(scores[kinds[:, at], place, :, None] * own for place, own in enumerate(values))
    return table.reshape(len(kinds), -1)


def _merge(tables: Sequence[np.ndarray], most: int) -> list[np.ndarray]:
    """Join tables into tables of every pair of rows, as long as they stay within `most` rows."""
    merged: list[np.ndarray] = []
    for table in tables:
        if merged and len(merged[-1]) * len(table) <= most:
            merged[-1] = (merged[-1][:, None] + table).reshape(-1, table.shape[1])
        else:
            merged.append(table)
    return merged
