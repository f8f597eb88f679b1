"""The fixed part of a model: a frame read into variables, terms turned into columns of numbers."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import product
from math import log, prod
from typing import Literal

import numpy as np
import pandas as pd

from analysis.formula import Names
from trials.errors import Problem, UserError, nearest
from trials.telling_apart import line_and_bend

Coding = Literal["sum", "first"]

LARGEST = 1e150
"""Beyond this a value's square leaves the range of double precision."""


class Amount(str):
    """A level that is an amount: over levels that all are such a line and its bend are fitted, not each by itself.

    In a pair with other factors it is the line alone.
    """

    amount: float

    def __new__(cls, level: str, amount: float) -> Amount:
        """Make a level, as it is called, of an amount."""
        made = super().__new__(cls, level)
        made.amount = amount
        return made

    def __getnewargs__(self) -> tuple[str, float]:  # type: ignore[override]
        """Return what makes it again, where experiments are made up side by side."""
        return str(self), self.amount


def is_curve(series: pd.Series) -> bool:
    """Whether a column's levels are amounts over which a line and its bend are fitted."""
    return isinstance(series.dtype, pd.CategoricalDtype) and all(
        isinstance(one, Amount) for one in series.cat.categories
    )


@dataclass(frozen=True)
class Column:
    """One variable of a frame, ready for a model.

    Attributes
    ----------
    name : the column's name.
    levels : its levels in order (empty for a numeric variable).
    values : (n,) level numbers from 0, or the numbers themselves.
    """

    name: str
    levels: tuple[object, ...]
    values: np.ndarray

    @property
    def is_factor(self) -> bool:
        """Whether the variable has levels rather than numbers."""
        return bool(self.levels)

    @cached_property
    def amounts(self) -> tuple[float, ...]:
        """Where its levels lie, if a line and its bend are fitted over them."""
        found = tuple(level.amount for level in self.levels if isinstance(level, Amount))
        return found if len(found) == len(self.levels) else ()


@dataclass(frozen=True)
class ModelFrame:
    """The rows a model can use, and how many it could not.

    Attributes
    ----------
    response : (n,) or (n, m) the values to explain.
    columns : by name, every variable of the fixed and the random part.
    index : the kept rows' labels in the frame that was given.
    missing : how many rows were left out because a value was missing.
    """

    response: np.ndarray
    columns: dict[str, Column]
    index: pd.Index
    missing: int


@dataclass(frozen=True)
class Design:
    """The columns of the fixed part.

    Attributes
    ----------
    columns : by name, the variables it was made from.
    coding : how factors are coded.
    matrix : (n, p) its numbers; the first column is the intercept.
    terms : the terms in order, the empty one (the intercept) first.
    spans : for each term, its slice of the columns.
    """

    columns: dict[str, Column]
    coding: Coding
    matrix: np.ndarray
    terms: tuple[Names, ...]
    spans: tuple[slice, ...]

    @cached_property
    def names(self) -> tuple[str, ...]:
        """(p,) a name for each column, e.g. ``carrier[water]:load[30 g/L]``."""
        names: list[str] = ["(mean)"]
        for term, contrasts in zip(self.terms[1:], codings(self.columns, self.terms[1:]), strict=True):
            shown = [
                _effect_names(self.columns[name], self.coding if name in contrasts else "each", alone=len(term) == 1)
                for name in term
            ]
            names.extend(":".join(parts) for parts in product(*shown))
        return tuple(names)


# --- the frame -------------------------------------------------------------------------------------


def read_frame(
    frame: pd.DataFrame, response: str | Sequence[str], fixed: Iterable[Names], random: Iterable[Names] = ()
) -> ModelFrame:
    """Take from a frame what a model needs, leaving out rows with a missing value.

    Parameters
    ----------
    frame : one row a reading. Text, categorical and yes/no columns are factors, numeric columns are
        numbers; every column of a random term is a factor whatever its type.
    response : the column to explain, or several.
    fixed, random : terms as `parse` and `parse_random` return them.

    Raises
    ------
    UserError
        An unknown column, no row left, a response that is not a number, infinite or too large a value,
        a factor with one level.
    """
    responses = [response] if isinstance(response, str) else list(response)
    fixed_names = list(dict.fromkeys(name for term in fixed for name in term))
    random_names = list(dict.fromkeys(name for term in random for name in term))
    wanted = list(dict.fromkeys([*responses, *fixed_names, *random_names]))
    _require(frame, wanted)

    numbers = np.empty((len(frame), len(responses)))
    for at, name in enumerate(responses):
        numbers[:, at] = _numbers(frame[name], name)
    columns = {name: _column(frame[name], name, factor=False) for name in fixed_names}
    for name in random_names:
        if name not in columns or not columns[name].is_factor:
            # a number used as a number and as a piece's name: the piece gets a column of its own
            key = name if name not in columns else f"{name}\0"
            columns[key] = _column(frame[name], name, factor=True)
    present: np.ndarray = ~np.any(np.isnan(numbers), axis=1)
    for column in columns.values():
        present &= column.values >= 0 if column.is_factor else ~np.isnan(column.values)
    if not present.any():
        raise UserError(
            f"none of the {_rows(len(frame))} has a value in each of {', '.join(wanted)}; there is nothing to fit"
        )
    columns = {key: _keep(column, present) for key, column in columns.items()}
    for name in fixed_names:
        _varies(columns[name], int(present.sum()))
    return ModelFrame(
        response=numbers[present, 0] if isinstance(response, str) else numbers[present],
        columns=columns,
        index=frame.index if present.all() else frame.index[present],
        missing=int((~present).sum()),
    )


def _keep(column: Column, present: np.ndarray) -> Column:
    """Return the column at the rows that are present, with the levels that occur there."""
    values = column.values if present.all() else column.values[present]
    if not column.is_factor:
        return Column(column.name, (), values)
    occurs = np.bincount(values, minlength=len(column.levels)) > 0
    if occurs.all():
        return Column(column.name, column.levels, values)
    number = np.cumsum(occurs) - 1
    levels = tuple(level for level, used in zip(column.levels, occurs, strict=True) if used)
    return Column(column.name, levels, number[values])


def _varies(column: Column, rows: int) -> None:
    """Refuse a variable of the fixed part that is the same in every row."""
    if column.is_factor and len(column.levels) < 2:
        only = str(column.levels[0])
        raise UserError(
            Problem(
                f"factor {column.name!r} has one level only, {only!r}, in the {_rows(rows)} that can be used",
                "leave it out of the model",
            )
        )
    if not column.is_factor and column.values.min() == column.values.max():
        raise UserError(Problem(f"{column.name!r} has the same value in every row", "leave it out of the model"))


def _rows(count: int) -> str:
    return "one row" if count == 1 else f"{count} rows"


def _require(frame: pd.DataFrame, names: Iterable[str]) -> None:
    unknown = [name for name in names if name not in frame.columns]
    if unknown:
        raise UserError(
            *(Problem(f"there is no column {name!r} in the frame", nearest(name, frame.columns)) for name in unknown)
        )
    doubled = [name for name in names if list(frame.columns).count(name) > 1] if not frame.columns.is_unique else []
    if doubled:
        raise UserError(Problem(f"there are two columns named {doubled[0]!r}", "rename one of them"))


def _numbers(series: pd.Series, name: str) -> np.ndarray:
    """Return a numeric column as floats, or say what is not a number in it."""
    if series.dtype.kind == "c":
        raise UserError(Problem(f"column {name!r} holds complex numbers", "give their sizes"))
    try:
        values = series.to_numpy(dtype=float, na_value=np.nan)
    except (TypeError, ValueError):
        bad = pd.to_numeric(series, errors="coerce").isna() & series.notna()
        example = series[bad].iloc[0] if bad.any() else series.iloc[0]
        raise UserError(
            Problem(
                f"column {name!r} holds {str(example)!r}, which is not a number", "correct it or leave the row out"
            )
        ) from None
    if np.isinf(values).any():
        raise UserError(Problem(f"column {name!r} holds an infinite value", "correct it or leave the row out"))
    if (np.abs(values[~np.isnan(values)]) > LARGEST).any():
        largest = np.nanmax(np.abs(values))
        raise UserError(
            Problem(f"column {name!r} holds {largest:.3g}, too large to reckon with", "choose another unit")
        )
    return values


def _column(series: pd.Series, name: str, *, factor: bool) -> Column:
    """Return the whole column; a missing value is level -1 of a factor, NaN of a number."""
    kind = series.dtype.kind
    if kind in "iufc" and not factor:
        return Column(name, (), _numbers(series, name))
    if isinstance(series.dtype, pd.CategoricalDtype):
        return Column(name, tuple(series.cat.categories), series.cat.codes.to_numpy().astype(np.intp))
    plain = isinstance(series.dtype, np.dtype) and kind not in "mM"
    codes, found = pd.factorize(series.to_numpy() if plain else series.to_numpy(dtype=object))
    levels = found.tolist()
    try:
        order = sorted(range(len(levels)), key=lambda at: levels[at])
    except TypeError:  # levels of several kinds
        order = sorted(range(len(levels)), key=lambda at: str(levels[at]))
    rank = np.empty(len(levels) + 1, dtype=np.intp)
    rank[order] = np.arange(len(levels))
    rank[-1] = -1
    return Column(name, tuple(levels[at] for at in order), rank[codes])


def pieces(frame: ModelFrame, term: Names) -> tuple[np.ndarray, int]:
    """Give each piece of a random term a number.

    Returns
    -------
    (n,) piece numbers from 0, and how many pieces there are. Only pieces that occur are counted.
    """
    used = _piece_columns(frame, term)
    codes = np.zeros(len(used[0].values), dtype=np.intp)
    bound = 1
    for column in used:
        codes = codes * len(column.levels) + column.values
        codes, bound = _close_up(codes, bound * len(column.levels))
    return codes, bound


def piece_labels(frame: ModelFrame, term: Names, codes: np.ndarray) -> tuple[str, ...]:
    """Return what the pieces are called whose numbers `pieces` gave: their levels, joined by colons."""
    first = np.full(int(codes.max()) + 1, -1, dtype=np.intp)
    first[codes[::-1]] = np.arange(len(codes))[::-1]
    levels = [[str(column.levels[at]) for at in column.values[first]] for column in _piece_columns(frame, term)]
    return tuple(":".join(parts) for parts in zip(*levels, strict=True))


def _piece_columns(frame: ModelFrame, term: Names) -> list[Column]:
    return [frame.columns.get(f"{name}\0") or frame.columns[name] for name in term]


def settings(
    columns: dict[str, Column], names: Iterable[str], rows: int
) -> tuple[dict[str, Column], np.ndarray, np.ndarray]:
    """Find the distinct settings of some variables.

    Returns
    -------
    The variables at each of the c settings; (n,) the setting of each row, from 0; (c,) how many rows have it.
    """
    codes, bound = np.zeros(rows, dtype=np.intp), 1
    for name in names:
        values, size = columns[name].values, len(columns[name].levels)
        if not columns[name].is_factor:
            distinct, values = np.unique(values, return_inverse=True)
            size = len(distinct)
        codes, bound = _close_up(codes * size + values, bound * size)
    example = np.empty(bound, dtype=np.intp)
    example[codes] = np.arange(rows)
    at_each = {name: Column(name, columns[name].levels, columns[name].values[example]) for name in names}
    return at_each, codes, np.bincount(codes, minlength=bound)


def _close_up(codes: np.ndarray, bound: int) -> tuple[np.ndarray, int]:
    """Renumber codes below `bound` so that every number from 0 occurs, the order kept."""
    if bound > 8 * len(codes) + 1024:
        values, codes = np.unique(codes, return_inverse=True)
        return codes.astype(np.intp), len(values)
    occurs = np.zeros(bound, dtype=np.intp)
    occurs[codes] = 1
    number = np.cumsum(occurs)
    return number[codes] - 1, int(number[-1])


# --- columns of numbers ----------------------------------------------------------------------------


def design(columns: dict[str, Column], terms: Sequence[Names], coding: Coding, rows: int) -> Design:
    """Turn terms into columns of numbers.

    A factor of a term is coded by contrasts where the term without it is in the model too, and by one
    column a level where it is not, so that any formula spans what it says.

    Parameters
    ----------
    columns : by name, as `read_frame` gives them.
    terms : without the intercept, as `parse` gives them.
    coding : ``sum`` (contrasts sum to zero) or ``first`` (differences from the first level).
    rows : n, needed when there is no term at all.
    """

    def part(column: Column, table: np.ndarray) -> np.ndarray:
        return table.T[:, column.values] if column.is_factor else column.values[None]

    matrix, spans = _assemble(columns, terms, coding, rows, part)
    return Design(columns, coding, matrix, ((), *terms), spans)


def _effect_names(column: Column, coding: Coding | Literal["each"], *, alone: bool) -> list[str]:
    if not column.is_factor:
        return [column.name]
    if column.amounts:
        width = table_of(column, coding, alone=alone).shape[1]
        return [f"{column.name}[{name}]" for name in ("mean", "line", "bend")[coding != "each" :][:width]]
    shown = {"first": column.levels[1:], "sum": column.levels[:-1], "each": column.levels}[coding]
    return [f"{column.name}[{level}]" for level in shown]


def design_at(columns: dict[str, Column], terms: Sequence[Names], coding: Coding, rows: pd.DataFrame) -> np.ndarray:
    """Return the (m, p) matrix for new rows, coded like the fitted ones.

    Raises
    ------
    UserError
        A column missing from `rows`, or a level that was not in the fitted frame.
    """
    needed = list(dict.fromkeys(name for term in terms for name in term))
    _require(rows, needed)
    given: dict[str, np.ndarray] = {}
    for name in needed:
        column = columns[name]
        if column.is_factor:
            number = {level: at for at, level in enumerate(column.levels)}
            unknown = [value for value in rows[name] if value not in number]
            if unknown:
                raise UserError(
                    Problem(
                        f"{name!r} has no level {str(unknown[0])!r} in what was fitted",
                        nearest(str(unknown[0]), column.levels),
                    )
                )
            given[name] = np.array([number[value] for value in rows[name]], dtype=np.intp)
        else:
            given[name] = _numbers(rows[name], name)

    def part(column: Column, table: np.ndarray) -> np.ndarray:
        return table.T[:, given[column.name]] if column.is_factor else given[column.name][None]

    return _assemble(columns, terms, coding, len(rows), part)[0]


def marginal_rows(
    columns: dict[str, Column],
    terms: Sequence[Names],
    coding: Coding,
    cells: Mapping[str, np.ndarray],
    count: int,
    numbers: Mapping[str, float] | None = None,
) -> np.ndarray:
    """Return the (m, p) combinations of the fixed effects that are the marginal means of cells.

    Parameters
    ----------
    cells : by factor, (m,) level numbers. Factors left out are averaged over with equal weights.
    count : m, needed when there is no factor at all.
    numbers : by name, where a numeric variable stands; at its average if not given.
    """

    def part(column: Column, table: np.ndarray) -> np.ndarray:
        if not column.is_factor:
            return np.full((1, count), (numbers or {}).get(column.name, float(column.values.mean())))
        if column.name in cells:
            return table.T[:, cells[column.name]]
        return np.broadcast_to(table.mean(axis=0)[:, None], (table.shape[1], count))

    return _assemble(columns, terms, coding, count, part)[0]


def each_level_columns(
    columns: dict[str, Column], terms: Sequence[Names], rows: int
) -> tuple[np.ndarray, tuple[slice, ...]]:
    """Return the (n, p) columns of terms with one column a level for every factor, and each term's slice."""

    def part(column: Column, table: np.ndarray) -> np.ndarray:
        return table.T[:, column.values] if column.is_factor else column.values[None]

    return _assemble(columns, terms, "each", rows, part)


def _assemble(
    columns: dict[str, Column],
    terms: Sequence[Names],
    coding: Coding | Literal["each"],
    rows: int,
    part: Callable[[Column, np.ndarray], np.ndarray],
) -> tuple[np.ndarray, tuple[slice, ...]]:
    """Multiply out every term; `part` gives (width, rows) for a variable and its coding table."""
    blocks, spans, stop = [np.ones((1, rows))], [slice(0, 1)], 1
    parts: dict[tuple[str, bool, bool], np.ndarray] = {}
    for term, contrasts in zip(terms, codings(columns, terms), strict=True):
        block = blocks[0]
        for name in term:
            key = name, name in contrasts, len(term) == 1
            if key not in parts:
                column = columns[name]
                parts[key] = part(column, table_of(column, coding if key[1] else "each", alone=key[2]))
            block = parts[key] if block is blocks[0] else _products(block, parts[key])
        blocks.append(block)
        spans.append(slice(stop, stop + len(block)))
        stop += len(block)
    return np.concatenate(blocks).T, tuple(spans)


def _products(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Multiply each row of one (a, n) array with each of another (b, n): (a b, n)."""
    with np.errstate(over="ignore"):  # `analysis.estimable.span` refuses what overflows
        return (first[:, None, :] * second[None, :, :]).reshape(-1, first.shape[1])


def codings(columns: dict[str, Column], terms: Sequence[Names]) -> list[frozenset[str]]:
    """Return for each term which of its factors are coded by contrasts; the rest have a column a level."""
    present: set[frozenset[str]] = {frozenset(term) for term in terms} | {frozenset()}
    return [
        frozenset(name for name in term if columns[name].is_factor and frozenset(term) - {name} in present)
        for term in terms
    ]


def table_of(column: Column, coding: Coding | Literal["each"], *, alone: bool) -> np.ndarray:
    """Return a variable's coding table, (levels, width); that of a curve as `Amount` says.

    Parameters
    ----------
    alone : whether its term is about nothing else.
    """
    if not column.amounts:
        return coding_table(len(column.levels), coding)
    table = line_and_bend(column.amounts)[:, : 2 if alone else 1]
    return np.column_stack([np.ones(len(table)), table]) if coding == "each" else table


@lru_cache(maxsize=256)
def coding_table(levels: int, coding: Coding | Literal["each"]) -> np.ndarray:
    """Return the (levels, levels - 1) contrast table of a factor, or with ``each`` one column a level."""
    table = np.eye(levels)
    if coding == "first":
        table = table[:, 1:]
    elif coding == "sum":
        table = table[:, :-1] - table[:, -1:]
    table.flags.writeable = False
    return table


def first_level_rows(columns: dict[str, Column], terms: Sequence[Names]) -> list[np.ndarray]:
    """Return for each term the (d, d) matrix that turns its sum-to-zero effects into first-level ones."""
    result = []
    for term, contrasts in zip(terms, codings(columns, terms), strict=True):
        rows: np.ndarray = np.eye(1)
        for name in term:
            levels = len(columns[name].levels)
            if columns[name].amounts:
                rows = np.kron(rows, np.eye(table_of(columns[name], "sum", alone=len(term) == 1).shape[1]))
            elif name in contrasts:
                table = coding_table(levels, "sum")
                rows = np.kron(rows, table[1:] - table[0])
            elif columns[name].is_factor:
                rows = np.kron(rows, np.eye(levels))
        result.append(rows)
    return result


def log_volume_of_first_coding(columns: dict[str, Column], terms: Sequence[Names]) -> float:
    """Return log |det T| where the sum-to-zero columns are the first-level columns times T.

    A factor of k levels contributes log k for each column of its term's other factors; a curve is its own coding.
    """
    total = 0.0
    for term, contrasts in zip(terms, codings(columns, terms), strict=True):
        widths = {
            name: table_of(columns[name], "sum" if name in contrasts else "each", alone=len(term) == 1).shape[1] or 1
            for name in term
        }
        whole = prod(widths.values())
        own = (name for name in contrasts if not columns[name].amounts)
        total += sum(whole // widths[name] * log(len(columns[name].levels)) for name in own)
    return total
