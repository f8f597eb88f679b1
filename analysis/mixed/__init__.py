"""Linear mixed models: any nested and crossed random terms, tests and means with honest degrees of freedom.

`fit` reads a frame, finds the variance components (`reml`) and how well they leave the fixed effects known
(`degrees`). The `MixedFit` it returns answers questions: tests of terms, means, differences, contrasts,
slopes, predictions (their weights: `analysis.combinations`). Tables carry their footnotes in ``.attrs["notes"]``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from analysis import combinations, formula, model
from analysis.combinations import Combinations, FixedPart, Weights
from analysis.mixed import checks, degrees, estimable, reml
from analysis.mixed.degrees import FTest, Method, Precision
from analysis.mixed.estimable import Span
from analysis.model import Design, ModelFrame
from trials.errors import Problem, UserError, nearest

RESIDUAL = "residual"

FOOTNOTES: dict[Method, str] = {
    "kenward-roger": "F, standard errors and degrees of freedom after Kenward and Roger.",
    "satterthwaite": "Degrees of freedom after Satterthwaite.",
}


@dataclass(frozen=True)
class Pieces:
    """The pieces of one random term.

    Attributes
    ----------
    name : the term as the caller wrote it.
    codes : (n,) the piece of each row, from 0.
    effects : (m,) their predicted effects (best linear unbiased predictors).
    errors : (m,) standard errors of prediction, the variances taken as known.
    """

    name: str
    codes: np.ndarray
    effects: np.ndarray
    errors: np.ndarray


@dataclass(frozen=True, repr=False, eq=False)
class MixedFit:
    """A fitted linear mixed model.

    Attributes
    ----------
    response : the column explained.
    frame : the rows used.
    setting : (n,) which of the distinct settings of the fixed part each row has.
    design : (c, p) the fixed part at those settings, sum-to-zero coded.
    span : the space of its columns.
    effects : (r,) estimates of the effects whose columns were kept.
    precision : how well these are known.
    components : (k + 1,) the variances of the random terms, then of the residual.
    random : the random terms and their pieces.
    deviance : -2 log restricted likelihood, constants included, as for first-level coding of the factors. It may
        be compared between fits with the same fixed part only: see `likelihood_ratio`.
    notes : sentences to print beneath what is shown of the fit.
    """

    response: str
    frame: ModelFrame
    setting: np.ndarray
    design: Design
    span: Span
    effects: np.ndarray
    precision: Precision
    components: np.ndarray
    random: tuple[Pieces, ...]
    deviance: float
    notes: tuple[str, ...]

    def __str__(self) -> str:
        head = f"{self.response}: {len(self.frame.response)} readings, restricted maximum likelihood"
        return "\n\n".join([head, self.variances.to_string(), self.tests().to_string(), *self.notes])

    __repr__ = __str__

    @property
    def singular(self) -> bool:
        """Whether a random term's variance is estimated at zero."""
        return bool((self.components[:-1] == 0).any())

    @property
    def fixed(self) -> FixedPart:
        """The fixed part, for `analysis.combinations`."""
        return FixedPart(self.frame.columns, self.design.terms[1:])

    @cached_property
    def coefficients(self) -> pd.DataFrame:
        """Fixed effects in sum-to-zero coding: estimate, se (Kenward & Roger's); NaN for a column left out."""
        table = np.full((len(self.design.names), 2), np.nan)
        table[self.span.kept, 0] = self.effects
        table[self.span.kept, 1] = np.sqrt(self.precision.adjusted.diagonal())
        return pd.DataFrame(table, index=pd.Index(self.design.names, name="effect"), columns=["estimate", "se"])

    @cached_property
    def variances(self) -> pd.Series:
        """The variance of each random term as the caller wrote it, then of the ``residual``."""
        return pd.Series(self.components, index=[*(term.name for term in self.random), RESIDUAL], name="variance")

    @cached_property
    def random_effects(self) -> pd.DataFrame:
        """Predicted effects of the pieces: index (term, piece), columns effect, se (given the variances)."""
        labels = [model.piece_labels(self.frame, _term(term.name), term.codes) for term in self.random]
        keys = [(term.name, label) for term, own in zip(self.random, labels, strict=True) for label in own]
        return pd.DataFrame(
            {
                "effect": [effect for term in self.random for effect in term.effects],
                "se": [error for term in self.random for error in term.errors],
            },
            index=pd.MultiIndex.from_tuples(keys, names=["term", "piece"]),
            dtype=float,
        )

    @cached_property
    def fitted(self) -> pd.Series:
        """Fixed part plus the pieces' predicted effects, by the frame's own row labels."""
        values = (self.design.matrix[:, self.span.kept] @ self.effects)[self.setting]
        for term in self.random:
            values = values + term.effects[term.codes]
        return pd.Series(values, index=self.frame.index, name="fitted")

    @cached_property
    def residuals(self) -> pd.Series:
        """Readings less fitted values."""
        return pd.Series(self.frame.response - self.fitted.to_numpy(), index=self.frame.index, name="residual")

    def tests(self, df: Method = "kenward-roger") -> pd.DataFrame:
        """Test each term of the fixed part.

        Hypotheses are marginal under sum-to-zero coding: a factor's test is about its means averaged over the other
        factors with equal weights, a number's about the slope, and where it is in an interaction with a number, a
        factor's is about the differences where that number is zero.

        Parameters
        ----------
        df : ``kenward-roger`` (the F is Kenward & Roger's scaled one) or ``satterthwaite``.

        Returns
        -------
        By term: f, df_num, df_den, p.
        """
        found = self.f_tests(df)
        table = {
            "f": np.array([test.f for test in found], dtype=float),
            "df_num": np.array([test.numerator for test in found], dtype=int),
            "df_den": np.array([test.denominator for test in found], dtype=float),
            "p": np.array([test.p for test in found], dtype=float),
        }
        names = pd.Index([formula.label(term) for term in self.fixed.terms], name="term")
        result = pd.DataFrame(table, index=names, copy=False)
        scant = [name for name, test in zip(result.index, found, strict=True) if test.denominator < 2]
        notes = [
            f"{name!r} is judged by less than two degrees of freedom, by which little can be told." for name in scant
        ]
        result.attrs["notes"] = (FOOTNOTES[df], *self.notes, *notes)
        return result

    def f_tests(self, df: Method = "kenward-roger") -> list[FTest]:
        """Return the tests of the terms, in order, without a table around them."""
        if df not in FOOTNOTES:
            raise ValueError(f"df must be one of {', '.join(FOOTNOTES)}, not {df!r}")
        if df == "kenward-roger" and not len(self.span.relations):
            return [degrees.f_test(self.effects[own], self.precision.part(own), df) for own in self.design.spans[1:]]
        rows = estimable.hypotheses(self.design, self.span)
        return [degrees.f_test(own @ self.effects, self.precision.of(own), df) for own in rows]

    def levels(self, factor: str) -> list[object]:
        """Return the levels of a factor of the fixed part, in order."""
        self.fixed.read(f"`{factor}`")
        return list(self.frame.columns[factor].levels)

    def means(self, term: str, level: float = 0.95, at: Mapping[str, float] | None = None) -> pd.DataFrame:
        """Return marginal means: other factors averaged over with equal weights, numbers at their averages.

        Parameters
        ----------
        term : a factor or an interaction of factors, e.g. ``carrier:load``.
        level : of the confidence intervals.
        at : where numeric variables stand instead, by name.

        Returns
        -------
        A row a cell, the first factor's levels changing fastest: a column a factor, then mean, se, df, lower,
        upper; NaN where a mean cannot be estimated.
        """
        wanted = combinations.means(self.fixed, term, at)
        return self._table(wanted, "mean", level, tested=False)

    def differences(
        self,
        term: str,
        by: str | Sequence[str] | None = None,
        adjust: Literal["none", "holm"] = "none",
        level: float = 0.95,
    ) -> pd.DataFrame:
        """Return the differences between every two of a term's means, the later level less the earlier.

        Parameters
        ----------
        by : factors within each of whose levels the comparison is made; they may be part of the term or not.
        adjust : ``holm`` adjusts the p-values for their number, within each level of `by`; intervals are as they
            are for one difference.

        Returns
        -------
        first, second, a column a factor of `by`, difference (first less second), se, df, t, p, lower, upper.
        Cells of several factors are called ``water, 30 g/L``.
        """
        wanted = combinations.differences(self.fixed, term, by)
        return combinations.adjusted(self._table(wanted, "difference", level), wanted.family, adjust)

    def contrast(
        self,
        term: str,
        weights: Mapping[str, Weights],
        by: str | Sequence[str] | None = None,
        level: float = 0.95,
    ) -> pd.DataFrame:
        """Return weighted sums of a term's means.

        Parameters
        ----------
        weights : by name, the weights: one a level in order, with an axis for each factor of an interaction (e.g.
            ``np.outer([-1, 1], combinations.polynomial(minutes, 1))``), or by level, those not named having none
            (e.g. ``combinations.one_against_rest(levels, "oil")``).
        by : factors within each of whose levels the contrast is made.

        Returns
        -------
        contrast, a column a factor of `by`, estimate, se, df, t, p, lower, upper.
        """
        return self._table(combinations.contrasts(self.fixed, term, weights, by), "estimate", level)

    def trend(self, name: str, by: str | Sequence[str] | None = None, level: float = 0.95) -> pd.DataFrame:
        """Return the slope on a numeric variable, others at their averages, overall or by levels of factors.

        Returns
        -------
        A column a factor of `by`, then slope, se, df, t, p, lower, upper.
        """
        return self._table(combinations.slopes(self.fixed, name, by), "slope", level)

    def predict(self, rows: pd.DataFrame, level: float = 0.95, new: Sequence[str] | None = None) -> pd.DataFrame:
        """Predict the response for rows that give the fixed part's variables.

        Parameters
        ----------
        rows : a column each for the variables of the fixed part.
        new : the random terms whose own differences the prediction interval allows for, with ``residual`` for those
            of single readings: ``["board"]`` is for the mean of a new board. All of them if not given: one
            reading on new pieces throughout.

        Returns
        -------
        mean, se, df, lower, upper (of the mean over all pieces), new_se, new_df, new_lower, new_upper (of what is
        found on new pieces; its degrees of freedom after Satterthwaite).
        """
        weights = model.design_at(self.frame.columns, self.fixed.terms, "sum", rows)
        wanted = Combinations(weights, pd.DataFrame(index=rows.index), np.zeros(len(rows)))
        table = self._table(wanted, "mean", level, tested=False)
        fresh = self._fresh(new)
        slopes = self.precision.slopes_of(weights[:, self.span.kept])
        size = self.components[-1]
        slopes[:-1] += np.where(fresh[:-1], size, 0.0)[:, None]
        slopes[-1] += self.components[fresh].sum()
        se = np.sqrt(table["se"].to_numpy() ** 2 + self.components[fresh].sum())
        df = degrees.variance_degrees(slopes[-1], slopes, self.precision.components.expected)
        half = degrees.half_width(se, df, level)
        mean = table["mean"].to_numpy()
        return table.assign(new_se=se, new_df=df, new_lower=mean - half, new_upper=mean + half)

    def _fresh(self, new: Sequence[str] | None) -> np.ndarray:
        """Say of each component whether it is among the new ones."""
        names = list(self.variances.index)
        wanted = names if new is None else [new] if isinstance(new, str) else list(new)
        for name in wanted:
            if name not in names:
                raise UserError(Problem(f"{name!r} is not a random term of this fit", nearest(name, names)))
        return np.array([name in wanted for name in names])

    def _table(self, wanted: Combinations, name: str, level: float, *, tested: bool = True) -> pd.DataFrame:
        """Estimate combinations of all effects."""
        if not 0 < level < 1:
            raise UserError(f"a confidence level lies between 0 and 1, not at {level:g}")
        kept = wanted.rows[:, self.span.kept]
        known = self.span.can_estimate(wanted.rows)
        slopes = self.precision.slopes_of(kept)
        variance = np.einsum("ij,ij->i", kept @ self.precision.adjusted, kept)
        df = degrees.variance_degrees(slopes[-1], slopes, self.precision.components.expected)
        estimate, se, df = (np.where(known, one, np.nan) for one in (kept @ self.effects, np.sqrt(variance), df))
        half = degrees.half_width(se, df, level)
        numbers = {name: estimate, "se": se, "df": df}
        if tested:
            numbers |= {"t": estimate / se, "p": degrees.two_sided(estimate / se, df)}
        numbers |= {"lower": estimate - half, "upper": estimate + half}
        for label in wanted.labels:
            if label in numbers:
                raise UserError(Problem(f"factor {label!r} has the name of a column of this table", "rename it"))
        table = wanted.labels.assign(**numbers)
        table.attrs["notes"] = self._footnotes(wanted, known)
        return table

    def _footnotes(self, wanted: Combinations, known: np.ndarray) -> tuple[str, ...]:
        """Say how a table was made and what it lacks."""
        notes = [*wanted.notes, FOOTNOTES["kenward-roger"]]
        for at in np.flatnonzero(~known):
            what = ", ".join(str(value) for value in wanted.labels.iloc[at])
            notes.append(f"{what or 'This'} cannot be estimated: the readings do not hold all it is made of.")
        return tuple(notes)


def fit(frame: pd.DataFrame, response: str, fixed: str, random: Sequence[str] = ()) -> MixedFit:
    """Fit a linear mixed model by restricted maximum likelihood.

    Parameters
    ----------
    frame : one row a reading. Text, categorical and yes/no columns are factors, numeric columns are numbers.
    response : the column to explain.
    fixed : right-hand side in Wilkinson & Rogers' notation, e.g. ``carrier * load + depth``.
    random : the kinds of piece that carry an error of their own, e.g. ``["board", "board:lane"]``; any nesting and
        crossing. The residual is not named.

    Raises
    ------
    UserError
        What keeps the model from being fitted, in one sentence.
    """
    terms = formula.parse(fixed)
    names = (random,) if isinstance(random, str) else tuple(random)
    random_terms = [_term(name) for name in names]
    data = model.read_frame(frame, response, terms, random_terms)
    design, setting, counts = _settings(data, terms)
    space = _space(design, counts)
    start, rest, scale = _standardised(response, data.response, space.basis, setting)
    found = [model.pieces(data, term) for term in random_terms]
    codes, sizes = [code for code, _ in found], [size for _, size in found]
    checks.pieces_repeat(names, codes, sizes)
    sums = reml.moments(space.basis, setting, rest, codes, sizes)
    point = _components(names, sums)
    unit = scale * scale * point.residual
    deviance = point.criterion + sums.free * (1 + float(np.log(2 * np.pi)) + 2 * float(np.log(scale)))
    return MixedFit(
        response=response,
        frame=data,
        setting=setting,
        design=design,
        span=space,
        effects=space.inverse @ (start - scale * (sums.cross @ (sums.spread(point.ratios) * point.scores))),
        precision=degrees.effects_precision(sums, point, space.inverse, unit),
        components=np.append(point.ratios, 1.0) * unit,
        random=_pieces(names, codes, sums, point, scale),
        deviance=deviance + _log_volume(design, space, counts),
        notes=_notes(data, design, space, names, point),
    )


def likelihood_ratio(larger: MixedFit, smaller: MixedFit) -> float:
    """Return the p-value of one random term, from the fits with and without it.

    Restricted likelihoods compare fits with the same fixed part only. A variance cannot be negative, so that under
    the hypothesis of none the statistic is zero half the time (Self & Liang 1987, Journal of the American
    Statistical Association 82:605-610): the chi-square p-value is halved.

    Raises
    ------
    UserError
        When the fits differ in more than that one term.
    """
    if set(larger.fixed.terms) != set(smaller.fixed.terms):
        raise UserError("restricted likelihoods of different fixed parts cannot be compared; fit both with the same")
    if larger.response != smaller.response or not np.array_equal(larger.frame.response, smaller.frame.response):
        raise UserError("the two fits are not of the same readings and cannot be compared")
    more, fewer = ({term.name for term in one.random} for one in (larger, smaller))
    if not fewer < more or len(more - fewer) != 1:
        raise UserError("the first fit must have all the second's random terms and just one more")
    (term,) = more - fewer
    if larger.variances[term] == 0:
        return 1.0
    return float(chdtrc(1, max(smaller.deviance - larger.deviance, 0.0))) / 2


def _term(name: str) -> formula.Names:
    """Read a random term by itself, so that one written twice is seen."""
    return formula.parse_random([name])[0]


def _settings(data: ModelFrame, terms: Sequence[formula.Names]) -> tuple[Design, np.ndarray, np.ndarray]:
    """Return the fixed part at each of its distinct settings, the setting of each row, and how many rows have it."""
    names = dict.fromkeys(name for term in terms for name in term)
    columns, setting, counts = model.settings(data.columns, names, len(data.response))
    return model.design(columns, terms, "sum", len(counts)), setting, counts


def _space(design: Design, counts: np.ndarray) -> Span:
    """Find the space of the fixed part, or say that it has no room."""
    try:
        space = estimable.span(design.matrix, counts)
    except OverflowError:
        raise UserError(
            Problem("a product of numeric columns is too large to reckon with", "choose another unit")
        ) from None
    checks.enough_rows(int(counts.sum()), len(space.kept))
    return space


def _standardised(
    name: str, response: np.ndarray, basis: np.ndarray, setting: np.ndarray
) -> tuple[np.ndarray, np.ndarray, float]:
    """Return Q'y, what is left of y scaled to a mean square of one, and by how much that was."""
    top = float(np.abs(response).max()) or 1.0
    rest = response / top
    start = np.zeros(basis.shape[1])
    for _ in range(2):  # the second time for what rounding left the first
        along = basis.T @ np.bincount(setting, rest)
        start += along
        rest = rest - (basis @ along)[setting]
    size = float(np.sqrt(rest @ rest / (len(rest) - len(start))))
    checks.something_left(name, response, size * top)
    return start * top, rest / size, size * top


def _components(names: Sequence[str], sums: reml.Moments) -> reml.Point:
    """Find the variance components, or say why they cannot be found."""
    start = reml.differentiate(sums, reml.factorise(sums, np.zeros(len(names))))
    checks.told_apart(names, start, sums.free)
    checks.residual_is_left(names, sums)
    try:
        return reml.minimise(sums, start)
    except reml.NoResidual:
        raise checks.no_residual(names) from None


def _pieces(
    names: Sequence[str], codes: Sequence[np.ndarray], sums: reml.Moments, point: reml.Point, scale: float
) -> tuple[Pieces, ...]:
    """Predict the pieces' effects: b = D Z'Py, with prediction variance D - D Z'PZ D."""
    weights = sums.spread(point.ratios)
    effects = scale * weights * point.scores
    variance = np.maximum(weights - weights * weights * point.projected.diagonal(), 0.0)
    errors = scale * np.sqrt(point.residual * variance)
    each = [slice(first, first + size) for first, size in zip(sums.starts, sums.sizes, strict=True)]
    return tuple(
        Pieces(name, code, effects[own], errors[own]) for name, code, own in zip(names, codes, each, strict=True)
    )


def _log_volume(design: Design, space: Span, counts: np.ndarray) -> float:
    """Return log |X'X| for first-level coding."""
    terms = design.terms[1:]
    if not len(space.relations):
        return 2 * (space.log_volume - model.log_volume_of_first_coding(design.columns, terms))
    first = model.design(design.columns, terms, "first", len(counts))
    return 2 * estimable.span(first.matrix, counts).log_volume


def _notes(data: ModelFrame, design: Design, space: Span, names: Sequence[str], point: reml.Point) -> tuple[str, ...]:
    """Say what a reader of the fit should know."""
    notes = []
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
    for name, ratio in zip(names, point.ratios, strict=True):
        if ratio == 0:
            notes.append(
                f"The variance of {name!r} is estimated at zero: its pieces differ no more than their readings do."
            )
    return tuple(notes)
