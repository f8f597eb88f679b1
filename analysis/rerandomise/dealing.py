"""What may change places with what in a layout, and what every such arrangement adds up to.

Readings become one mean a piece; the pieces of a factor are sorted into cells within which the layout
could have dealt the factor's levels otherwise; arrangements are listed or drawn.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product
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
    """

    frame: ModelFrame
    values: np.ndarray
    scale: float
    laid_on: dict[str, Names]
    notes: tuple[str, ...] = ()

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

    Where the pieces hold unlike mixes of the levels of `others`, those are evened out first, by effects
    estimated inside the pieces alone; how the tested factor was dealt plays no part in that.

    Returns
    -------
    (m,) means, and sentences on what was uneven.
    """
    size = np.bincount(codes)
    mean = np.bincount(codes, weights=rows.values) / size
    uneven = []
    for name in others:
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
    labels, blocks, cells : (m,) level laid out; larger piece; set within which pieces change places.
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
        """How often each level lies in each cell, (cells, levels)."""
        table = np.zeros((self.cells.max() + 1, len(self.scores)), dtype=int)
        np.add.at(table, (self.cells, self.labels), 1)
        return table

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
        return prod(factorial(int(n)) for n in np.unique(laid_out, axis=0, return_counts=True)[1])


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
    held = basis(np.hstack([indicators(blocks), indicators(levels)]))
    labels = rows.column(dealt).values[first]
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
        cells=np.unique(np.column_stack([blocks, levels]), axis=0, return_inverse=True)[1].reshape(-1),
        scores=scores,
        information=information,
        notes=notes,
    )


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
            scores = deal.scores[deal.labels[places]]
            parts = [column[moved] @ scores for column in np.ascontiguousarray(deal.clean.T)]
            sums += np.stack(parts, axis=2).reshape(size, -1)
        yield sums


def every_labelling(deal: Deal) -> Iterator[np.ndarray]:
    """Yield the levels, (m,), of each arrangement in turn."""
    order = np.argsort(deal.cells, kind="stable")
    for parts in product(*(_arrangements(row) for row in deal.counts)):
        labels = np.empty(len(order), dtype=np.intp)
        labels[order] = np.concatenate(parts)
        yield labels


def drawn_labellings(deal: Deal, draws: int, rng: np.random.Generator) -> Iterator[np.ndarray]:
    """Yield the levels, (m,), of drawn arrangements."""
    places = [np.flatnonzero(deal.cells == cell) for cell in range(len(deal.counts))]
    for _ in range(draws):
        labels = deal.labels.copy()
        for cell in places:
            labels[cell] = rng.permutation(labels[cell])
        yield labels


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
    labels = _arrangements(deal.counts[cell])
    table = np.zeros((len(labels), deal.scores.shape[1], deal.clean.shape[1]))
    for at, values in enumerate(deal.clean[deal.cells == cell]):
        table += deal.scores[labels[:, at], :, None] * values
    return table.reshape(len(labels), -1)


def _merge(tables: Sequence[np.ndarray], most: int) -> list[np.ndarray]:
    """Join tables into tables of every pair of rows, as long as they stay within `most` rows."""
    merged: list[np.ndarray] = []
    for table in tables:
        if merged and len(merged[-1]) * len(table) <= most:
            merged[-1] = (merged[-1][:, None] + table).reshape(-1, table.shape[1])
        else:
            merged.append(table)
    return merged
