"""The model the boards are chosen for: the row of every treatment, and the variance within a board."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from trials.plan import Plan
from trials.selection.patterns import Options, Patterns
from trials.selection.terms import BEYOND, columns, factors_of, independent
from trials.structure import judged_against, random_terms

RATIOS = {"lot": 1.0, "board": 1.0, "board:lane": 0.5, "board:strip": 0.5, "residual": 1.0}
"""Variances by random term relative to the residual, where none are given: a guess, no source."""


@dataclass(frozen=True)
class Candidates:
    """Boards to choose among, ready to be scored.

    Attributes
    ----------
    patterns : the c boards.
    used : (t,) numbers of the treatments they carry.
    places : (patches of a board, c), position in `used` of what a patch carries; t for nothing.
    variance : (patches, patches, c or 1) their variances, 1 on its own for a patch that carries nothing.
    log_det : (c or 1,) log determinants of these.
    """

    patterns: Patterns
    used: np.ndarray
    places: np.ndarray
    variance: np.ndarray
    log_det: np.ndarray


class Model:
    """The columns of the model for every treatment, and how patches of a board vary together.

    Attributes
    ----------
    rows : (treatments, size), the model's columns, the mean first.
    owners : for each column the random term it is judged against, ``mean`` for the first.
    likely_small : columns whose coefficient is taken as about nought, give or take one residual standard deviation.
    variance : (patches, patches) of a board, lane by lane, in residual variances.
    ratios : variances by random term.
    """

    def __init__(self, plan: Plan, terms: Sequence[str], ratios: Mapping[str, float] | None = None) -> None:
        self.plan, self.terms, self.options = plan, tuple(terms), Options(plan)
        self.ratios = RATIOS | dict(ratios or {})
        if min(self.ratios.values()) < 0 or self.ratios["residual"] == 0:
            raise ValueError(f"variance ratios {self.ratios}: write 0 or more, and a residual above 0")
        rows, made = self._columns(self.options.treatments), self.options.made.reshape(-1)
        self._kept = independent(rows[made])
        self.rows = rows[:, self._kept]
        owners = ["mean", *(judged_against(plan, factors_of(term)) for term in terms)]
        self.owners = [owners[self._term_of[at]] for at in self._kept]
        small = [bool(at) and terms[at - 1].endswith(f"^{BEYOND}") for at in range(len(owners))]
        self.likely_small = [at for at, kept in enumerate(self._kept) if small[self._term_of[kept]]]
        self.size = len(self._kept)
        self.variance = self._variance()
        self._whiteners: dict[bytes, np.ndarray] = {}

    def _columns(self, treatments: Sequence[Mapping[str, str]]) -> np.ndarray:
        blocks = [np.ones((len(treatments), 1)), *(columns(self.plan, term, treatments) for term in self.terms)]
        self._term_of = [at for at, block in enumerate(blocks) for _ in range(block.shape[1])]
        return np.hstack(blocks)

    def rows_of(self, treatments: Sequence[Mapping[str, str]]) -> np.ndarray:
        """Return the model's rows of any treatments, admissible or not: (treatments, size)."""
        return self._columns(treatments)[:, self._kept]

    def columns_of(self, term: str) -> list[int]:
        """Return the columns of a term."""
        at = 1 + self.terms.index(term)
        return [column for column, kept in enumerate(self._kept) if self._term_of[kept] == at]

    def _variance(self) -> np.ndarray:
        terms, ratios = random_terms(self.plan), self.ratios
        lanes, strips = self.options.lane_count, self.options.strip_count
        variance = ratios["residual"] * np.eye(lanes * strips)
        if "board" in terms:
            variance += ratios["board"]
        if "board:lane" in terms:
            variance += ratios["board:lane"] * np.kron(np.eye(lanes), np.ones((strips, strips)))
        if "board:strip" in terms:
            variance += ratios["board:strip"] * np.kron(np.ones((lanes, lanes)), np.eye(strips))
        return variance

    # --- one board -----------------------------------------------------------------------------------

    def whitened(self, pattern: Patterns) -> np.ndarray:
        """Return L^-1 X of one board, V = LL' the variance of its treated patches: (treated patches, size)."""
        numbers = self.options.numbers(pattern)[0]
        there = numbers >= 0
        return np.asarray(self._whitener(there) @ self.rows[numbers[there]])

    def whitened_cells(self, cells: Mapping[tuple[int, int], Mapping[str, str]]) -> np.ndarray:
        """Return L^-1 X of a board given by what its patches carry, by (lane, strip)."""
        at = sorted(cells)
        there = np.zeros((self.options.lane_count, self.options.strip_count), dtype=bool)
        for lane, strip in at:
            there[lane - 1, strip - 1] = True
        return np.asarray(self._whitener(there.reshape(-1)) @ self.rows_of([cells[cell] for cell in at]))

    def _whitener(self, there: np.ndarray) -> np.ndarray:
        key = there.tobytes()
        if key not in self._whiteners:
            lower = np.linalg.cholesky(self.variance[np.ix_(there, there)])
            self._whiteners[key] = np.linalg.inv(lower)
        return self._whiteners[key]

    # --- many boards ---------------------------------------------------------------------------------

    def candidates(self, patterns: Patterns) -> Candidates:
        """Return boards ready to be scored."""
        numbers = self.options.numbers(patterns)
        used, places = np.unique(numbers, return_inverse=True)
        places = places.reshape(numbers.shape).T
        if used[0] < 0:
            used, places = used[1:], np.where(numbers.T < 0, len(used) - 1, places - 1)
        there = numbers.T >= 0
        if there.all():
            variance = self.variance[:, :, None]
        else:
            both = there[:, None, :] & there[None, :, :]
            variance = np.where(both, self.variance[:, :, None], np.eye(len(there))[:, :, None])
        log_det = np.linalg.slogdet(variance.transpose(2, 0, 1))[1]
        return Candidates(patterns, used, places, variance, log_det)

    # --- what is wanted of it ------------------------------------------------------------------------

    def prediction_moments(self) -> np.ndarray:
        """Return the weights that give the prediction variance averaged over all admissible treatments."""
        rows = self.rows[self.options.made.reshape(-1)]
        return np.asarray(rows.T @ rows / len(rows))

    def contrast_moments(self, wanted: Mapping[str, float]) -> np.ndarray:
        """Return the weights that give the mean variance of differences between levels, in worths squared.

        Parameters
        ----------
        wanted : for each factor the difference worth knowing of; every two of its levels are compared,
            each averaged over the levels of all other factors, forbidden combinations included, as they are compared
            in the analysis.
        """
        factors = self.plan.factors
        every = [
            dict(zip((factor.name for factor in factors), levels, strict=True))
            for levels in product(*(factor.levels for factor in factors))
        ]
        rows = self.rows_of(every)
        total, number = np.zeros((self.size, self.size)), 0
        for name, worth in wanted.items():
            levels = next((factor.levels for factor in self.plan.factors if factor.name == name), ())
            if not levels or worth <= 0:
                raise ValueError(f"wanted {name!r}: {worth!r}: write a factor of the plan and a worth above 0")
            carried = np.array([levels.index(treatment[name]) for treatment in every])
            means = np.array([rows[carried == level].mean(axis=0) for level in range(len(levels))])
            one, other = np.triu_indices(len(levels), 1)
            differences = (means[one] - means[other]) / worth
            total += differences.T @ differences
            number += len(differences)
        return total / number
