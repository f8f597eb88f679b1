"""A fitted linear mixed model, and what can be asked of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import pandas as pd

from analysis import combinations, formula, model
from analysis.combinations import Combinations, FixedPart, Weights
from analysis.mixed import degrees, estimable
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
        labels = [
            model.piece_labels(self.frame, formula.parse_random([term.name])[0], term.codes) for term in self.random
        ]
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
