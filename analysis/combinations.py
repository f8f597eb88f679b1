"""Means, differences, contrasts and slopes written as combinations of the fixed effects.

A marginal mean takes the other factors' levels with equal weight, however often each occurs, and the other numeric
variables at their averages (Searle, Speed & Milliken 1980, The American Statistician 34:216-221). Cells of several
factors come in an order in which the first-named factor's levels change fastest; a difference is the later level
less the earlier.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from analysis import formula, model
from analysis.formula import Names
from analysis.model import Coding, Column
from trials.errors import Problem, UserError, nearest

Weights = ArrayLike | Mapping[object, float]
"""Weights of a contrast: one a level in order (an array of as many axes as factors), or by level."""


@dataclass(frozen=True)
class FixedPart:
    """The variables and terms of a model, and how it codes its factors.

    Attributes
    ----------
    columns : its variables by name.
    terms : its terms without the intercept.
    coding : of the factors; what is asked of a model does not depend on it, the weights of the effects do.
    """

    columns: dict[str, Column]
    terms: tuple[Names, ...]
    coding: Coding = "sum"

    @property
    def names(self) -> tuple[str, ...]:
        """The variables of the fixed part."""
        return tuple(dict.fromkeys(name for term in self.terms for name in term))

    def read(self, term: str) -> Names:
        """Read the name of a factor or of an interaction of factors.

        Raises
        ------
        UserError
            When it is not one, or names something that is not a factor of the fixed part.
        """
        parsed = formula.parse(term)
        if len(parsed) != 1:
            raise UserError(f"{term!r} is not one term; write it as 'carrier' or 'carrier:load'")
        for name in parsed[0]:
            if name not in self.names:
                raise UserError(Problem(f"{name!r} is not in the fixed part", nearest(name, self.names)))
            if not self.columns[name].is_factor:
                raise UserError(
                    Problem(f"{name!r} is a number, without levels to take means of", "ask for its slope")
                )
        return parsed[0]


@dataclass(frozen=True)
class Combinations:
    """Some combinations of the fixed effects.

    Attributes
    ----------
    rows : (m, p) their weights.
    labels : (m, ...) what each is.
    family : (m,) which of them belong together when p-values are adjusted for their number.
    notes : sentences that say what was averaged over.
    """

    rows: np.ndarray
    labels: pd.DataFrame
    family: np.ndarray
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Cells:
    """Cells of some factors, within each cell of others.

    Attributes
    ----------
    rows : (groups, cells, p) their means.
    levels : by factor, (groups, cells) level numbers.
    labels : (cells,) what the cells within a group are called.
    """

    rows: np.ndarray
    levels: dict[str, np.ndarray]
    labels: tuple[str, ...]


def means(part: FixedPart, term: str, at: Mapping[str, float] | None = None) -> Combinations:
    """Return the marginal means of a term's cells, labelled by a column a factor.

    Parameters
    ----------
    at : by name, where numeric variables stand; at their averages if not given.
    """
    names = part.read(term)
    for name in at or {}:
        if name not in part.names or part.columns[name].is_factor:
            numeric = [one for one in part.names if not part.columns[one].is_factor]
            raise UserError(Problem(f"{name!r} is not a number of the fixed part", nearest(name, numeric)))
    cells = _cells(part, names, (), at)
    labels = pd.DataFrame({name: _shown(part.columns[name], cells.levels[name][0]) for name in names})
    return Combinations(cells.rows[0], labels, np.zeros(len(labels), dtype=np.intp), _averaged(part, names, at or {}))


def differences(part: FixedPart, term: str, by: str | Sequence[str] | None) -> Combinations:
    """Return later less earlier for every pair of a term's cells, within each cell of the factors of `by`.

    Labels: ``first`` and ``second`` (the difference is first less second), and a column a factor of `by`.
    """
    names, within = _split(part, term, by)
    cells = _cells(part, names, within, None)
    later, earlier = np.tril_indices(len(cells.labels), -1)
    labels = {"first": [cells.labels[at] for at in later], "second": [cells.labels[at] for at in earlier]}
    rows = cells.rows[:, later] - cells.rows[:, earlier]
    return _within(part, cells, within, rows, labels, _averaged(part, (*names, *within), {}))


def contrasts(
    part: FixedPart, term: str, weights: Mapping[str, Weights], by: str | Sequence[str] | None
) -> Combinations:
    """Return named weighted sums of a term's cell means, within each cell of the factors of `by`.

    Labels: ``contrast``, and a column a factor of `by`.
    """
    names, within = _split(part, term, by)
    cells = _cells(part, names, within, None)
    table = np.array([_weights(part, names, name, given) for name, given in weights.items()])
    notes = _averaged(part, (*names, *within), {})
    return _within(part, cells, within, table @ cells.rows, {"contrast": list(weights)}, notes)


def slopes(part: FixedPart, name: str, by: str | Sequence[str] | None) -> Combinations:
    """Return the slopes on a numeric variable, within each cell of the factors of `by`; labels as for `by`."""
    if name not in part.names or part.columns[name].is_factor:
        numeric = [one for one in part.names if not part.columns[one].is_factor]
        raise UserError(Problem(f"{name!r} is not a number of the fixed part", nearest(name, numeric)))
    within = _names(part, by)
    at_one, at_nought = (_cells(part, (), within, {name: value}) for value in (1.0, 0.0))
    notes = _averaged(part, (name, *within), {})
    return _within(part, at_one, within, at_one.rows - at_nought.rows, {}, notes)


def adjusted(table: pd.DataFrame, family: np.ndarray, adjust: Literal["none", "holm"]) -> pd.DataFrame:
    """Return a table of differences with its p-values adjusted for their number, within each family.

    Parameters
    ----------
    table : with a column p.
    family : (m,) which rows belong together.
    adjust : ``holm``, or ``none`` to leave the table as it is; intervals stay in either case.
    """
    if adjust not in ("none", "holm"):
        raise ValueError(f"adjust must be none or holm, not {adjust!r}")
    if adjust == "none":
        return table
    p = table["p"].to_numpy(copy=True)
    for one in np.unique(family):
        p[family == one] = holm(p[family == one])
    result = table.assign(p=p)
    note = "p-values adjusted for their number after Holm; intervals are not."
    result.attrs["notes"] = (*table.attrs.get("notes", ()), note)
    return result


def holm(p: np.ndarray) -> np.ndarray:
    """Adjust p-values for their number (Holm 1979, Scandinavian Journal of Statistics 6:65-70); NaN stays NaN."""
    result = np.full(len(p), np.nan)
    known = np.flatnonzero(~np.isnan(p))
    order = known[np.argsort(p[known], kind="stable")]
    raised = p[order] * np.arange(len(order), 0, -1)
    result[order] = np.minimum(np.maximum.accumulate(raised), 1.0)
    return result


def polynomial(positions: ArrayLike, degree: int) -> np.ndarray:
    """Return weights for the trend of a degree over levels at unequal positions.

    Parameters
    ----------
    positions : (k,) where the levels lie, e.g. minutes of dwell.
    degree : 1 the linear trend, 2 the curvature, and so on, each beside the trends of lower degree.

    Examples
    --------
    >>> polynomial([2, 5, 11], 1).round(6).tolist()
    [-4.0, -1.0, 5.0]
    """
    places = np.asarray(positions, dtype=float)
    if not 0 < degree < len(np.unique(places)):
        raise UserError(f"{len(np.unique(places))} positions have no trend of degree {degree}")
    centred = places - places.mean()
    lower = np.vander(centred / np.abs(centred).max(), degree, increasing=True)
    basis = np.linalg.qr(lower)[0]
    power: np.ndarray = centred**degree
    for _ in range(2):
        power = power - basis @ (basis.T @ power)
    return power


def one_against_rest(levels: Sequence[object], level: object) -> dict[object, float]:
    """Return weights for one level against the average of the others."""
    if level not in levels:
        raise UserError(Problem(f"there is no level {str(level)!r}", nearest(str(level), levels)))
    return {one: 1.0 if one == level else -1 / (len(levels) - 1) for one in levels}


def _names(part: FixedPart, by: str | Sequence[str] | None) -> Names:
    """Read the factors of `by`."""
    given = [] if by is None else [by] if isinstance(by, str) else list(by)
    return tuple(dict.fromkeys(name for term in given for name in part.read(term)))


def _split(part: FixedPart, term: str, by: str | Sequence[str] | None) -> tuple[Names, Names]:
    """Return the factors whose cells are compared, and those within whose cells."""
    within = _names(part, by)
    names = tuple(name for name in part.read(term) if name not in within)
    if not names:
        raise UserError(
            Problem(f"nothing of {term!r} is left to compare within {formula.label(within)!r}", "leave 'by' out")
        )
    return names, within


def _cells(part: FixedPart, names: Names, within: Names, at: Mapping[str, float] | None) -> _Cells:
    columns = part.columns
    sizes = [len(columns[name].levels) for name in (*names, *within)]
    total = int(np.prod(sizes, dtype=np.intp))
    numbers = np.array(list(np.ndindex(*sizes[::-1])), dtype=np.intp).reshape(total, len(sizes))[:, ::-1]
    levels = dict(zip((*names, *within), numbers.T, strict=True))
    rows = model.marginal_rows(columns, part.terms, part.coding, levels, total, at)
    count = int(np.prod(sizes[: len(names)], dtype=np.intp))
    shown = zip(*(_shown(columns[name], levels[name][:count]) for name in names), strict=True)
    return _Cells(
        rows=rows.reshape(-1, count, rows.shape[1]),
        levels={name: values.reshape(-1, count) for name, values in levels.items()},
        labels=tuple(", ".join(str(level) for level in cell) for cell in shown),
    )


def _shown(column: Column, numbers: np.ndarray) -> list[object]:
    return [column.levels[at] for at in numbers]


def _within(
    part: FixedPart,
    cells: _Cells,
    within: Names,
    rows: np.ndarray,
    labels: dict[str, list[str]],
    notes: tuple[str, ...],
) -> Combinations:
    """Label (groups, m, p) combinations and lay them end to end."""
    for name in within:
        if name in labels:
            raise UserError(Problem(f"factor {name!r} has the name of a column of this table", "rename it"))
    groups, number, width = rows.shape
    shown: dict[str, list[object]] = {name: [*values] * groups for name, values in labels.items()}
    for name in within:
        shown[name] = _shown(part.columns[name], np.repeat(cells.levels[name][:, 0], number))
    family = np.repeat(np.arange(groups), number)
    return Combinations(rows.reshape(-1, width), pd.DataFrame(shown, index=range(groups * number)), family, notes)


def _averaged(part: FixedPart, named: Names, at: Mapping[str, float]) -> tuple[str, ...]:
    """Say which factors were averaged over and where numeric variables stand."""
    others = [name for name in part.names if name not in named]
    factors = [name for name in others if part.columns[name].is_factor]
    notes = [f"Averaged with equal weights over the levels of {', '.join(factors)}."] if factors else []
    for name in others:
        if not part.columns[name].is_factor:
            notes.append(f"{name} stands at {at.get(name, float(part.columns[name].values.mean())):g}.")
    return tuple(notes)


def _weights(part: FixedPart, names: Names, name: str, given: Weights) -> np.ndarray:
    """Lay a contrast's weights out in the order of the cells."""
    levels = [part.columns[one].levels for one in names]
    shape = tuple(len(one) for one in levels)
    if isinstance(given, Mapping):
        table = np.zeros(shape)
        for key, weight in given.items():
            cell = key if isinstance(key, tuple) and len(names) > 1 else (key,)
            known = len(cell) == len(names) and all(level in one for level, one in zip(cell, levels, strict=True))
            if not known:
                cells = [", ".join(map(str, cell)) for cell in pd.MultiIndex.from_product(levels)]
                asked = ", ".join(map(str, cell))
                raise UserError(
                    Problem(
                        f"contrast {name!r}: {formula.label(names)!r} has no level {asked!r}", nearest(asked, cells)
                    )
                )
            table[tuple(one.index(level) for level, one in zip(cell, levels, strict=True))] = weight
    else:
        table = np.asarray(given, dtype=float)
        if table.shape != shape:
            have, want = (" by ".join(map(str, one)) for one in (table.shape, shape))
            raise UserError(
                Problem(
                    f"contrast {name!r} has {have} weights where {formula.label(names)!r} has {want} levels",
                    "give one weight a level",
                )
            )
    if not np.isfinite(table).all():
        raise UserError(f"contrast {name!r} has a weight that is not a number")
    if not table.any():
        raise UserError(Problem(f"contrast {name!r} has no weight but nought", "give it some"))
    return table.ravel(order="F")
