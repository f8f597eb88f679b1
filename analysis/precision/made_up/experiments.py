"""Experiments of one layout: readings drawn, and analysed by what was made ready once."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import pandas as pd
from scipy.special import fdtrc, stdtrit

from analysis import combinations, mixed, strata
from analysis.mixed import Prepared
from analysis.model import is_curve
from analysis.precision.exact import find_term
from analysis.priors import RESIDUAL
from analysis.strata import StrataPlan
from trials import structure
from trials.errors import UserError
from trials.structure import Effect, Structure

BY_MIXED_MODEL, BY_STRATA = 50, strata.CHUNK
"""Experiments a chunk: about a tenth of a second's work, and what stays in the processor's cache."""


@dataclass(frozen=True)
class Pair:
    """Two levels of a factor; the difference is high less low."""

    factor: str
    high: object
    low: object

    @classmethod
    def all_of(cls, frame: pd.DataFrame, factor: str) -> list[Pair]:
        """Return all pairs of a factor's levels that occur, the later level less the earlier."""
        levels = [level for level in frame[factor].cat.categories if (frame[factor] == level).any()]
        return [cls(factor, levels[i], levels[j]) for i in range(len(levels)) for j in range(i)]


@dataclass(frozen=True)
class Wanted:
    """What is asked of every experiment.

    Attributes
    ----------
    effects : whose tests; NaN for one that cannot be judged.
    pairs : the differences, each of a factor that can be judged.
    level : of their intervals.
    """

    effects: tuple[Effect, ...]
    pairs: tuple[Pair, ...]
    level: float


@dataclass(frozen=True, eq=False)
class Outcome:
    """What m experiments say.

    Attributes
    ----------
    p : (m, e) p-values of the effects.
    differences, half_widths : (m, c) of the pairs.
    """

    p: np.ndarray
    differences: np.ndarray
    half_widths: np.ndarray

    @classmethod
    def joined(cls, parts: Sequence[Outcome]) -> Outcome:
        """Put the experiments of several chunks together."""
        columns = zip(*((one.p, one.differences, one.half_widths) for one in parts), strict=True)
        return cls(*(np.concatenate(column) for column in columns))


class Analysis(Protocol):
    """An analysis made ready for a layout."""

    @property
    def chunk(self) -> int:
        """How many experiments to analyse at once."""

    def expected(self, mean: np.ndarray) -> np.ndarray:
        """Return the (c,) true differences from (n,) expected readings in the model; NaN if not estimable."""

    def of(self, readings: np.ndarray, tested: np.ndarray | None = None) -> Outcome:
        """Analyse (n, m) readings; the tests are of the same readings with (n,) `tested` added to their mean."""


@dataclass(frozen=True, eq=False)
class ByStrata:
    """The exact analysis of a balanced layout, each effect by the mean square of its own stratum.

    Attributes
    ----------
    made : its strata.
    places : (e,) the number of each effect among the terms of `made`; -1 for one that cannot be judged.
    weights : (c, n) the differences of plain means.
    strata : (c,) the stratum of each difference.
    roots : (c,) the half-width of each for a mean square of one.
    """

    made: StrataPlan
    places: np.ndarray
    weights: np.ndarray
    strata: np.ndarray
    roots: np.ndarray
    chunk: int = BY_STRATA

    @classmethod
    def ready(cls, made: StrataPlan, frame: pd.DataFrame, wanted: Wanted) -> ByStrata:
        """Make it ready."""
        places = [find_term(one.name, made.terms) if one.can_be_judged else -1 for one in wanted.effects]
        weights = np.zeros((len(wanted.pairs), len(frame)))
        for row, pair in zip(weights, wanted.pairs, strict=True):
            for level, sign in ((pair.high, 1.0), (pair.low, -1.0)):
                own = (frame[pair.factor] == level).to_numpy()
                row[own] = sign / own.sum()
        at = made.term_stratum[[find_term(pair.factor, made.terms) for pair in wanted.pairs]]
        quantiles = stdtrit(made.error_df[at], 0.5 + wanted.level / 2)
        return cls(made, np.array(places), weights, at, quantiles * np.sqrt(np.square(weights).sum(axis=1)))

    def expected(self, mean: np.ndarray) -> np.ndarray:
        """Return the (c,) true differences."""
        return self.weights @ mean

    def of(self, readings: np.ndarray, tested: np.ndarray | None = None) -> Outcome:
        """Analyse (n, m) readings; the tests are of the same readings with (n,) `tested` added to their mean."""
        made, terms = self.made, len(self.made.df)
        moved = readings if tested is None else readings + tested[:, None]
        squares = made.sums_of_squares(moved).T
        errors = squares[:, terms:] / np.where(made.error_df > 0, made.error_df, np.nan)
        p = np.full((len(squares), len(self.places)), np.nan)
        judged = np.flatnonzero(self.places >= 0)
        at = self.places[judged]
        f = squares[:, at] / made.df[at] / errors[:, made.term_stratum[at]]
        p[:, judged] = fdtrc(made.df[at], made.term_error_df[at], f)
        return Outcome(p, (self.weights @ readings).T, np.sqrt(errors[:, self.strata]) * self.roots)


@dataclass(frozen=True, eq=False)
class ByMixedModel:
    """The analysis of any layout, by restricted maximum likelihood after Kenward and Roger.

    Attributes
    ----------
    model : the model, ready for readings.
    rows : (c + l, r) the differences, then what the tests are about, as combinations of the effects.
    pairs : the rows that are differences.
    tests : for each effect its rows; None for one that cannot be judged.
    level : of the intervals.
    """

    model: Prepared
    rows: np.ndarray
    pairs: slice
    tests: tuple[slice | None, ...]
    level: float
    chunk: int = BY_MIXED_MODEL

    @classmethod
    def ready(cls, model: Prepared, wanted: Wanted) -> ByMixedModel:
        """Make it ready."""
        blocks, stop, tests = [_rows_of(model, pair) for pair in wanted.pairs], len(wanted.pairs), []
        for effect in wanted.effects:
            own = model.hypotheses[effect.name] if effect.can_be_judged else np.zeros((0, 0))
            if len(own):
                blocks.append(own)
            tests.append(slice(stop, stop + len(own)) if len(own) else None)
            stop += len(own)
        return cls(model, np.vstack(blocks), slice(len(wanted.pairs)), tuple(tests), wanted.level)

    def expected(self, mean: np.ndarray) -> np.ndarray:
        """Return the (c,) true differences, in which other factors' levels weigh alike."""
        return self.model.expected(mean, self.rows[self.pairs])

    def of(self, readings: np.ndarray, tested: np.ndarray | None = None) -> Outcome:
        """Analyse (n, m) readings, one experiment after the other.

        What is added to the mean lies in the model, so that it moves the estimates by as much and leaves variances
        and standard errors alone: the tests need no second fit.
        """
        count, pairs = readings.shape[1], self.pairs.stop
        moved = 0.0 if tested is None else self.model.expected(tested, self.rows)
        p, differences, halves = (
            np.empty((count, len(self.tests))),
            np.empty((count, pairs)),
            np.empty((count, pairs)),
        )
        for at, column in enumerate(np.ascontiguousarray(readings.T)):
            found = self.model.estimate(column, self.rows)
            shifted = replace(found, values=found.values + moved)
            p[at] = [np.nan if own is None else shifted.part(own).f_test().p for own in self.tests]
            differences[at] = found.values[self.pairs]
            halves[at] = found.part(self.pairs).half_widths(self.level)
        return Outcome(p, differences, halves)


def _rows_of(model: Prepared, pair: Pair) -> np.ndarray:
    """Return a difference as (1, r) combination of the effects."""
    weights = {f"{pair.high} - {pair.low}": {pair.high: 1.0, pair.low: -1.0}}
    return model.combined(combinations.contrasts(model.fixed, f"`{pair.factor}`", weights, None))


def prepare(frame: pd.DataFrame, told: Structure, wanted: Wanted) -> Analysis:
    """Make the analysis of a layout ready, with the rules by which `analysis.responses` analyses readings.

    Raises
    ------
    UserError
        The layout cannot be analysed, whatever is read.
    """
    model = mixed.prepare(frame, told.fixed, told.fitted_random)
    if any(is_curve(frame[pair.factor]) for pair in wanted.pairs):  # compared from the curve, not by their means
        return ByMixedModel.ready(model, wanted)
    try:
        made = strata.plan(frame, told.fixed, list(told.random))
    except UserError:  # not balanced
        return ByMixedModel.ready(model, wanted)
    return ByStrata.ready(made, frame, wanted)


@dataclass(frozen=True, eq=False)
class Readings:
    """Normal readings of a layout.

    Attributes
    ----------
    mean : (n,) what is expected.
    pieces : for each random term (n,) the piece of each row, and the standard deviation between pieces.
    deviation : of the residual.
    """

    mean: np.ndarray
    pieces: tuple[tuple[np.ndarray, float], ...]
    deviation: float

    @classmethod
    def of(cls, frame: pd.DataFrame, mean: np.ndarray, variances: Mapping[str, float]) -> Readings:
        """Make them for a layout; variances by random term, ``residual`` included."""
        pieces = tuple(
            (frame.groupby(list(structure.COLUMNS[name]), sort=False).ngroup().to_numpy(), math.sqrt(variance))
            for name, variance in variances.items()
            if name != RESIDUAL
        )
        return cls(mean, pieces, math.sqrt(variances[RESIDUAL]))

    def drawn(self, count: int, rng: np.random.Generator) -> np.ndarray:
        """Draw (n, count) readings."""
        result = rng.standard_normal((len(self.mean), count)) * self.deviation + self.mean[:, None]
        for codes, deviation in self.pieces:
            result += deviation * rng.standard_normal((int(codes.max()) + 1, count))[codes]
        return result


@dataclass(frozen=True, eq=False)
class Experiments:
    """Work for `analysis.precision.parallel.in_chunks`: draw readings and analyse them.

    ``tested``, where it is given, is (n,) added to the mean for the tests alone.
    """

    readings: Readings
    analysis: Analysis
    tested: np.ndarray | None = None

    @property
    def chunk(self) -> int:
        """How many at once."""
        return self.analysis.chunk

    def __call__(self, count: int, seed: np.random.SeedSequence) -> Outcome:
        """Draw and analyse so many experiments."""
        return self.analysis.of(self.readings.drawn(count, np.random.default_rng(seed)), self.tested)
