"""Straight lines on ln dose: what load a target takes, and how many times as strong one group is as another.

The parallel-line assay (Finney 1978, Statistical Method in Biological Assay, 3rd edition, chapter 4): each group has
an intercept, all share a slope, and the distance between two lines along ln dose is the log of their relative
strength. Limits after Fieller, from the scatter within the cells of group by dose where there is any.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import fdtrc, stdtrit

from analysis.curves.columns import groups_of, logs, numbers, require
from analysis.curves.dose import GroupLine, Target, dose_row
from analysis.curves.ratio import Ratio, fieller
from trials.errors import Problem, UserError, nearest

NOT_PARALLEL = 0.05
"""Below this p-value the lines get slopes of their own (common practice, no source)."""


@dataclass(frozen=True)
class StrengthFit:
    """Relative strengths.

    Attributes
    ----------
    table : one row a group besides the reference: group, ratio, lower, upper, kind, below, above. A ratio of 1.4
        says that a dose does what 1.4 times as much does in the reference. Limits of 0 and infinity: see `kind`, as
        `analysis.curves.ratio.Ratio`; the strengths between `below` and `above` are ruled out.
    parallel_p, linear_p : of the tests of equal slopes and of straight lines; NaN where there is nothing to test.
    anova : source, df, ss, ms, f, p.
    slope, slope_se : of the common line on ln dose.
    notes : sentences to print beneath.
    """

    table: pd.DataFrame
    parallel_p: float
    linear_p: float
    anova: pd.DataFrame
    slope: float
    slope_se: float
    notes: tuple[str, ...]


def relative_strength(
    frame: pd.DataFrame,
    dose: str,
    response: str,
    group: str,
    reference: str,
    block: str | None = None,
    *,
    level: float = 0.95,
) -> StrengthFit:
    """Compare groups with a reference by parallel lines on ln dose.

    Parameters
    ----------
    frame : one row a reading.
    dose, response : columns of numbers, doses above 0.
    group, reference : column of the groups, and the one that counts as 1.
    block : column of blocks, taken as fixed.
    level : of the limits.

    Raises
    ------
    UserError
        A column or the reference is missing; one dose only; too few readings to judge by.
    """
    data = _read(frame, dose, response, group, block)
    if reference not in data.names:
        raise UserError(Problem(f"there is no {group} {reference!r}", nearest(str(reference), data.names)))
    if len(data.names) < 2:
        raise UserError(Problem(f"all readings are of {reference}", f"read another {group} to compare with"))
    anova = _analysis_of_variance(data)
    tests = anova.set_index("source")
    line = _line(data, data.parallel, float(tests.loc["residual", "ms"]), int(tests.loc["residual", "df"]))
    quantile = float(stdtrit(line.df, 0.5 + level / 2))
    if line.effects[-1] == 0:
        raise UserError(Problem(f"{response} does not change with {dose} at all", "try doses further apart"))
    rows = []
    base = line.first + data.names.index(reference)
    for at, name in enumerate(data.names):
        if name != reference:
            weights = np.zeros((2, len(line.effects)))
            weights[0, [line.first + at, base]], weights[1, -1] = (1.0, -1.0), 1.0
            rows.append({"group": name} | as_strength(_ratio(line, weights, quantile)))
    parallel_p, linear_p = float(tests.loc["non-parallelism", "p"]), float(tests.loc["non-linearity", "p"])
    table = pd.DataFrame(rows)
    return StrengthFit(
        table=table,
        parallel_p=parallel_p,
        linear_p=linear_p,
        anova=anova,
        slope=float(line.effects[-1]),
        slope_se=math.sqrt(line.covariance[-1, -1]),
        notes=strength_notes(table, parallel_p, linear_p),
    )


def dose_for(
    frame: pd.DataFrame,
    dose: str,
    response: str,
    target: float,
    group: str | None = None,
    block: str | None = None,
    *,
    level: float = 0.95,
    unit: str = "",
) -> pd.DataFrame:
    """Find the dose at which each group's mean response reaches a target.

    Parameters
    ----------
    frame : one row a reading.
    dose, response : columns of numbers, doses above 0.
    target : a mean response, known exactly.
    group : column of the groups, each with an intercept of its own; slopes of their own only where the test of equal
        slopes is below `NOT_PARALLEL`.
    block : column of blocks, taken as fixed; the target is met on the average block.
    unit : of the dose, for the sentences.

    Returns
    -------
    One row a group: group, dose, lower, upper, within, says, beyond. Where the target lies beyond the doses tried
    with a group, or where the response may not depend on the dose at all (Fieller's g above 1), there is no number:
    `within` is False, dose and limits are NaN and `says` is why; `beyond` is ``more`` or ``less`` where it would take
    more or less than was tried, else empty. ``attrs["notes"]`` says which lines were fitted.

    Raises
    ------
    UserError
        As `relative_strength`.
    """
    data = _read(frame, dose, response, group, block)
    tests = _analysis_of_variance(data).set_index("source")
    own = bool(tests.loc["non-parallelism", "p"] < NOT_PARALLEL)
    note = "All groups share one slope."
    if len(data.names) == 1:
        note = "There is one group, one line."
    elif own and np.linalg.matrix_rank(data.own_slopes) == data.own_slopes.shape[1]:
        note = "The slopes differ, so each group has its own."
    elif own:
        own, note = False, "The slopes differ, but a group with one load has none of its own; all share one."
    design = data.own_slopes if own else data.parallel
    line = _line(data, design, *_scatter(data, design))
    quantile = float(stdtrit(line.df, 0.5 + level / 2))
    rows: list[dict[str, object]] = []
    for at, name in enumerate(data.names):
        weights = np.zeros((2, len(line.effects)))
        weights[0, line.first + at] = 1.0
        weights[1, line.first + len(data.names) + (at if own else 0)] = 1.0
        tried = np.exp(data.log_dose[data.codes == at])
        own_line = GroupLine(name, weights @ line.effects, weights @ line.covariance @ weights.T, tried)
        rows.append(dose_row(own_line, Target(target, unit), quantile))
    result = pd.DataFrame(rows)
    result.attrs["notes"] = (note,)
    return result


# --- shared with the trial layer -------------------------------------------------------------------


def as_strength(found: Ratio) -> dict[str, object]:
    """Return a log strength as a strength: ratio, lower, upper, kind, below, above."""
    values = {"ratio": found.estimate, "lower": found.lower, "upper": found.upper}
    with np.errstate(over="ignore"):
        strengths = {name: float(np.exp(value)) for name, value in values.items()}
        ruled_out = {"below": float(np.exp(found.below)), "above": float(np.exp(found.above))}
    return {**strengths, "kind": found.kind, **ruled_out}


def strength_notes(table: pd.DataFrame, parallel_p: float, linear_p: float) -> tuple[str, ...]:
    """Say what speaks against the lines, and where the limits are infinite."""
    notes = []
    if parallel_p < NOT_PARALLEL:
        notes.append(
            f"The slopes differ (p {parallel_p:.2g}): one number cannot say how strong a group is at every load."
        )
    if linear_p < NOT_PARALLEL:
        notes.append(f"The lines bend (p {linear_p:.2g}): take the strengths as rough.")
    for row in table.to_dict("records"):
        if row["kind"] == "outside":
            notes.append(
                f"The load itself made no sure difference: for {row['group']} the readings rule out only strengths "
                f"between {row['below']:.3g} and {row['above']:.3g}."
            )
        elif row["kind"] == "whole line":
            notes.append(
                f"The load itself made no sure difference: the readings rule out no strength of {row['group']}."
            )
    return tuple(notes)


# --- least squares ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Data:
    """Readings with (n, b) block columns, the groups' names, (n,) the group of each row and ln dose."""

    y: np.ndarray
    blocks: np.ndarray
    names: tuple[object, ...]
    codes: np.ndarray
    log_dose: np.ndarray

    @property
    def groups(self) -> np.ndarray:
        return (self.codes[:, None] == np.arange(len(self.names))).astype(float)

    @property
    def parallel(self) -> np.ndarray:
        return np.column_stack([self.blocks, self.groups, self.log_dose])

    @property
    def own_slopes(self) -> np.ndarray:
        return np.column_stack([self.blocks, self.groups, self.groups * self.log_dose[:, None]])

    @property
    def cells(self) -> np.ndarray:
        keys = np.column_stack([self.codes, self.log_dose])
        _, cell = np.unique(keys, axis=0, return_inverse=True)
        return np.column_stack([self.blocks, np.eye(cell.max() + 1)[cell.ravel()]])


@dataclass(frozen=True)
class _Line:
    """Effects with their covariance and degrees of freedom; `first` is the first group's intercept."""

    effects: np.ndarray
    covariance: np.ndarray
    df: int
    first: int


def _read(frame: pd.DataFrame, dose: str, response: str, group: str | None, block: str | None) -> _Data:
    require(frame, [dose, response, *(name for name in (group, block) if name)])
    names, codes = groups_of(frame, group)
    blocks = np.zeros((len(frame), 0))
    if block is not None:
        which = pd.factorize(frame[block])[0]
        count = which.max() + 1
        blocks = np.vstack([np.eye(count - 1), -np.ones((1, count - 1))])[which]
    data = _Data(numbers(frame, response), blocks, names, codes, logs(frame, dose))
    if np.linalg.matrix_rank(data.parallel) < data.parallel.shape[1]:
        why = "one dose only" if np.ptp(data.log_dose) == 0 else "doses that the groups or blocks do not share"
        raise UserError(
            Problem(f"with {why} no slope can be fitted", f"read two or more settings of {dose} in a group and block")
        )
    return data


def _line(data: _Data, design: np.ndarray, mean_square: float, df: int) -> _Line:
    inverse = np.linalg.pinv(design)
    return _Line(inverse @ data.y, inverse @ inverse.T * mean_square, df, data.blocks.shape[1])


def _scatter(data: _Data, design: np.ndarray) -> tuple[float, int]:
    square, df = _left(data, design)
    if df == 0:
        raise UserError(Problem("there are no more readings than the lines need", "read more of them"))
    return square / df, df


def _left(data: _Data, design: np.ndarray) -> tuple[float, int]:
    """Return the sum of squares and the degrees of freedom a design leaves."""
    basis, sizes, _ = np.linalg.svd(design, full_matrices=False)
    basis = basis[:, sizes > sizes[0] * 1e-10] if sizes.size else basis
    left = data.y - basis @ (basis.T @ data.y)
    return float(left @ left), len(data.y) - basis.shape[1]


def _ratio(line: _Line, weights: np.ndarray, quantile: float) -> Ratio:
    numerator, divisor = weights @ line.effects
    return fieller(float(numerator), float(divisor), weights @ line.covariance @ weights.T, quantile)


def _analysis_of_variance(data: _Data) -> pd.DataFrame:
    """Return the analysis of variance of the assay, judged by the scatter within cells.

    Where each cell holds one reading, what the lines with their own slopes leave is taken instead, and where that
    is nothing either, what the parallel lines leave; what was taken cannot be tested then.
    """
    constant = np.column_stack([data.blocks, np.ones(len(data.y))])
    designs = [constant, np.column_stack([data.blocks, data.groups]), data.parallel, data.own_slopes, data.cells]
    left = [_left(data, design) for design in designs]
    error = next((at for at in (4, 3, 2) if left[at][1] > 0), None)
    if error is None:
        raise UserError(Problem("there are no more readings than the lines need", "read more of them"))
    square, error_df = left[error]
    rows = []
    for at, source in enumerate(("groups", "regression", "non-parallelism", "non-linearity")):
        ss, df = left[at][0] - left[at + 1][0], left[at][1] - left[at + 1][1]
        tested = df > 0 and at < error and square > 0
        f = ss / df / (square / error_df) if tested else math.nan
        p = float(fdtrc(df, error_df, f)) if tested else math.nan
        rows.append({"source": source, "df": df, "ss": ss, "ms": ss / df if df else math.nan, "f": f, "p": p})
    last = {"source": "residual", "df": error_df, "ss": square, "ms": square / error_df}
    rows.append(last | dict.fromkeys(("f", "p"), math.nan))
    return pd.DataFrame(rows)
