"""A model made ready once for any number of responses: all that does not depend on the readings, done beforehand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from analysis import formula, model
from analysis.combinations import Combinations, FixedPart
from analysis.formula import Names
from analysis.mixed import checks, degrees, estimable, reml
from analysis.mixed.degrees import Precision
from analysis.mixed.estimable import Span
from analysis.mixed.fitted import MixedFit, Pieces
from analysis.model import Design, ModelFrame
from trials.errors import Problem, UserError


@dataclass(frozen=True, eq=False)
class FixedSide:
    """The fixed part of a model over the rows of a frame.

    Attributes
    ----------
    frame : the rows used.
    setting : (n,) which of the distinct settings of the fixed part each row has.
    counts : (c,) how many rows have each.
    design : (c, p) the fixed part at those settings, sum-to-zero coded.
    span : the space of its columns.
    """

    frame: ModelFrame
    setting: np.ndarray
    counts: np.ndarray
    design: Design
    span: Span


@dataclass(frozen=True)
class Standardised:
    """A response beside the fixed part.

    Attributes
    ----------
    response : its name.
    start : (r,) Q'y.
    rest : (n,) what is left of y, scaled to a mean square of one.
    scale : by how much that was.
    """

    response: str
    start: np.ndarray
    rest: np.ndarray
    scale: float


@dataclass(frozen=True, eq=False)
class Estimates:
    """Combinations of the fixed effects, estimated.

    Attributes
    ----------
    values : (m,) the estimates.
    precision : how well these are known.
    components : (k + 1,) the variances of the random terms, then of the residual.
    """

    values: np.ndarray
    precision: Precision
    components: np.ndarray

    def part(self, span: slice) -> Estimates:
        """Return consecutive combinations by themselves."""
        return Estimates(self.values[span], self.precision.part(span), self.components)

    def f_test(self) -> degrees.FTest:
        """Test that all of them are zero, after Kenward and Roger; none may be a combination of others."""
        return degrees.f_test(self.values, self.precision, "kenward-roger")

    def half_widths(self, level: float = 0.95) -> np.ndarray:
        """Return how far each one's confidence interval reaches to either side, as tables of differences have it."""
        variances = self.precision.covariance.diagonal()
        slopes = np.array([*(one.diagonal() for one in self.precision.slopes), variances])
        df = degrees.variance_degrees(variances, slopes, self.precision.components.expected)
        return degrees.half_width(np.sqrt(self.precision.adjusted.diagonal()), df, level)


@dataclass(frozen=True, eq=False)
class Prepared:
    """A linear mixed model, ready for the readings.

    Attributes
    ----------
    side : its fixed part.
    names : the random terms as the caller wrote them.
    codes : for each, (n,) the piece of each row, from 0.
    ground : what fixed part and pieces come down to.
    unread : the likelihood's derivatives where all components are zero, readings apart.
    """

    side: FixedSide
    names: tuple[str, ...]
    codes: tuple[np.ndarray, ...]
    ground: reml.Ground
    unread: reml.Point

    @property
    def fixed(self) -> FixedPart:
        """The fixed part, for `analysis.combinations`."""
        return FixedPart(self.side.frame.columns, self.side.design.terms[1:])

    @cached_property
    def hypotheses(self) -> dict[str, np.ndarray]:
        """By term, the (l, r) combinations of the effects kept that its test is about, as in `MixedFit.tests`."""
        if len(self.side.span.relations):
            rows = estimable.hypotheses(self.side.design, self.side.span)
        else:
            each = np.eye(len(self.side.span.kept))
            rows = [each[own] for own in self.side.design.spans[1:]]
        return {formula.label(term): found for term, found in zip(self.fixed.terms, rows, strict=True)}

    def combined(self, wanted: Combinations) -> np.ndarray:
        """Return combinations of all effects as (m, r) combinations of those kept; NaN where not estimable."""
        known = self.side.span.can_estimate(wanted.rows)
        return np.where(known[:, None], wanted.rows[:, self.side.span.kept], np.nan)

    def fit(self, values: np.ndarray, response: str = "value") -> MixedFit:
        """Fit the model to readings, with the same result as `analysis.mixed.fit`.

        Parameters
        ----------
        values : (n,) one a row of ``side.frame``.
        response : what they are called.
        """
        return self.fitted(standardised(response, self._checked(values), self.side))

    def estimate(self, values: np.ndarray, rows: np.ndarray) -> Estimates:
        """Estimate some combinations of the effects and nothing else, which is the quicker the fewer they are.

        Parameters
        ----------
        values : (n,) one a row of ``side.frame``.
        rows : (m, r) combinations of the effects kept, as `hypotheses` and `combined` give them.
        """
        left = standardised("value", self._checked(values), self.side)
        sums = self.ground.moments(left.rest)
        point = self._components(sums)
        unit = left.scale * left.scale * point.residual
        turned = rows @ self.side.span.inverse
        found = left.start - left.scale * (sums.cross @ (sums.spread(point.ratios) * point.scores))
        return Estimates(
            values=turned @ found,
            precision=degrees.effects_precision(sums, point, turned, unit),
            components=np.append(point.ratios, 1.0) * unit,
        )

    def expected(self, mean: np.ndarray, rows: np.ndarray) -> np.ndarray:
        """Return the (m,) true values of combinations where the (n,) expected readings are in the fixed part."""
        along = self.side.span.basis.T @ np.bincount(self.side.setting, mean, len(self.side.counts))
        return rows @ (self.side.span.inverse @ along)

    def fitted(self, left: Standardised) -> MixedFit:
        """Fit the model to a response of which the fixed part was taken out."""
        side, sums = self.side, self.ground.moments(left.rest)
        point = self._components(sums)
        scale = left.scale
        unit = scale * scale * point.residual
        deviance = point.criterion + sums.free * (1 + float(np.log(2 * np.pi)) + 2 * float(np.log(scale)))
        start = left.start - scale * (sums.cross @ (sums.spread(point.ratios) * point.scores))
        return MixedFit(
            response=left.response,
            frame=side.frame,
            setting=side.setting,
            design=side.design,
            span=side.span,
            effects=side.span.inverse @ start,
            precision=degrees.effects_precision(sums, point, side.span.inverse, unit),
            components=np.append(point.ratios, 1.0) * unit,
            random=self._pieces(sums, point, scale),
            deviance=deviance + self._log_volume,
            notes=self._notes(point),
        )

    def _checked(self, values: np.ndarray) -> np.ndarray:
        rows = len(self.side.setting)
        if np.shape(values) != (rows,):
            raise ValueError(f"readings of shape {np.shape(values)} for a model of {rows} rows")
        if not np.isfinite(values).all():
            raise ValueError("a reading is not a finite number")
        return values

    def _components(self, sums: reml.Moments) -> reml.Point:
        """Find the variance components, or say why they cannot be found."""
        checks.residual_is_left(self.names, sums)
        try:
            return reml.minimise(sums, reml.first_point(sums, self.unread))
        except reml.NoResidual:
            raise checks.no_residual(self.names) from None

    def _pieces(self, sums: reml.Moments, point: reml.Point, scale: float) -> tuple[Pieces, ...]:
        """Predict the pieces' effects: b = D Z'Py, with prediction variance D - D Z'PZ D."""
        weights = sums.spread(point.ratios)
        effects = scale * weights * point.scores
        variance = np.maximum(weights - weights * weights * point.projected.diagonal(), 0.0)
        errors = scale * np.sqrt(point.residual * variance)
        each = [slice(first, first + size) for first, size in zip(sums.starts, sums.sizes, strict=True)]
        return tuple(
            Pieces(name, code, effects[own], errors[own])
            for name, code, own in zip(self.names, self.codes, each, strict=True)
        )

    @cached_property
    def _log_volume(self) -> float:
        """Log |X'X| for first-level coding."""
        design, space = self.side.design, self.side.span
        terms = design.terms[1:]
        if not len(space.relations):
            return 2 * (space.log_volume - model.log_volume_of_first_coding(design.columns, terms))
        first = model.design(design.columns, terms, "first", len(self.side.counts))
        return 2 * estimable.span(first.matrix, self.side.counts).log_volume

    def _notes(self, point: reml.Point) -> tuple[str, ...]:
        """Say what a reader of the fit should know."""
        notes = []
        data, design, space = self.side.frame, self.side.design, self.side.span
        if data.missing:
            rows = "1 row was" if data.missing == 1 else f"{data.missing} rows were"
            notes.append(f"{rows} left out because a value was missing.")
        if len(space.relations):
            left_out = sorted(set(range(len(design.names))) - set(space.kept.tolist()))
            gone = {
                formula.label(term)
                for term, own in zip(design.terms, design.spans, strict=True)
                for at in left_out
                if own.start <= at < own.stop
            }
            listed = ", ".join(repr(name) for name in sorted(gone))
            notes.append(
                f"The readings hold only {len(space.kept)} of the {len(design.names)} effects of the fixed part: "
                f"some of {listed} cannot be estimated."
            )
        for name, ratio in zip(self.names, point.ratios, strict=True):
            if ratio == 0:
                why = "its pieces differ no more than their readings do"
                notes.append(f"The variance of {name!r} is estimated at zero: {why}.")
        return tuple(notes)


def prepare(frame: pd.DataFrame, fixed: str, random: Sequence[str] = ()) -> Prepared:
    """Make a linear mixed model ready for any number of responses.

    Parameters
    ----------
    frame, fixed, random : as for `analysis.mixed.fit`. Rows that lack a value are left out; readings are then given
        for the rest, in order.

    Raises
    ------
    UserError
        What keeps the model from being fitted, whatever is read, in one sentence.
    """
    terms = formula.parse(fixed)
    names, random_terms = read_random(random)
    side = fixed_side(model.read_frame(frame, [], terms, random_terms), terms)
    return with_pieces(side, names, random_terms)


def read_random(random: Sequence[str]) -> tuple[tuple[str, ...], list[Names]]:
    """Return the random terms as written and as read, each by itself, so that one written twice is seen."""
    names = (random,) if isinstance(random, str) else tuple(random)
    return names, [formula.parse_random([name])[0] for name in names]


def fixed_side(data: ModelFrame, terms: Sequence[Names]) -> FixedSide:
    """Find the space of the fixed part over the rows, or say that it has no room."""
    names = dict.fromkeys(name for term in terms for name in term)
    columns, setting, counts = model.settings(data.columns, names, len(data.index))
    design = model.design(columns, terms, "sum", len(counts))
    try:
        space = estimable.span(design.matrix, counts)
    except OverflowError:
        raise UserError(
            Problem("a product of numeric columns is too large to reckon with", "choose another unit")
        ) from None
    checks.enough_rows(int(counts.sum()), len(space.kept))
    return FixedSide(data, setting, counts, design, space)


def standardised(name: str, response: np.ndarray, side: FixedSide) -> Standardised:
    """Take the fixed part out of a response and scale what is left."""
    basis, setting = side.span.basis, side.setting
    top = float(np.abs(response).max()) or 1.0
    rest = response / top
    start = np.zeros(basis.shape[1])
    for _ in range(2):  # the second time for what rounding left the first
        along = basis.T @ np.bincount(setting, rest)
        start += along
        rest = rest - (basis @ along)[setting]
    size = float(np.sqrt(rest @ rest / (len(rest) - len(start))))
    checks.something_left(name, response, size * top)
    return Standardised(name, start * top, rest / size, size * top)


def with_pieces(side: FixedSide, names: Sequence[str], random_terms: Sequence[Names]) -> Prepared:
    """Add the random terms, or say why their variances could not be told."""
    found = [model.pieces(side.frame, term) for term in random_terms]
    codes, sizes = [code for code, _ in found], [size for _, size in found]
    checks.pieces_repeat(names, codes, sizes)
    ground = reml.ground(side.span.basis, side.setting, codes, sizes)
    unread = ground.nothing_read()
    checks.told_apart(names, unread, ground.free)
    return Prepared(side, tuple(names), tuple(codes), ground, unread)
