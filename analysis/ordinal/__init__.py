"""Fit grades: a cumulative-link model with any number of crossed random terms.

P(Y <= k) = F(alpha_k - eta), F logistic or normal, eta = fixed part + random terms (McCullagh 1980, J. R.
Stat. Soc. B 42:109-142). A positive coefficient moves readings towards the upper end of the scale. With two
grades this is logistic (or probit) regression for the upper one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import comb
from typing import Literal

import numpy as np
import pandas as pd
from scipy.special import gammaincc, ndtr, ndtri

from analysis import combinations
from analysis.formula import parse, parse_random
from analysis.model import ModelFrame, design_at, read_frame
from analysis.ordinal import latent
from analysis.ordinal.likelihood import Graded, Link, brief_rows, cross, edges
from analysis.ordinal.search import Optimum, endless_direction, is_suspect, maximise, maximise_fixed
from analysis.ordinal.terms import (
    LOGISTIC_SD,
    FixedPart,
    Penalty,
    RandomTerm,
    fixed_part,
    pull_of,
    random_terms,
    read_grades,
    read_random,
)
from trials.errors import UserError

FEW_PIECES = 6
"""Up to so many pieces a term's z tests are called hopeful (common practice, no source)."""


@dataclass(frozen=True)
class OrdinalFit:
    """A fitted cumulative-link model.

    Attributes
    ----------
    thresholds : DataFrame by pair of neighbouring grades (``2|3``): estimate, se.
    coefficients : DataFrame by column of the design (``temp[warm]``, a difference from the first level):
        estimate, se, z, p, lower, upper. One that the readings cannot tell from the others is NaN.
    variances : Series by random term as written.
    loglik : log-likelihood at the estimates, without any penalty.
    covariance : DataFrame of the estimates' covariances: thresholds, coefficients, then ``log sd`` of each
        random term; a variance at zero is left out.
    random_effects : DataFrame, one row a piece: term, piece, mode, se (given the estimates).
    grades : the whole scale; `used` those that were given.
    penalised, converged : whether a weak penalty was used; whether the search ended at an optimum.
    notes : what a reader must know, a sentence each.
    link, nodes, level : as asked for.
    rows : labels in the frame of the rows used.
    given : (n,) for each of these, the number of its grade in `used`.
    fixed_part : the fixed part as it was fitted.
    """

    thresholds: pd.DataFrame
    coefficients: pd.DataFrame
    variances: pd.Series
    loglik: float
    covariance: pd.DataFrame
    random_effects: pd.DataFrame
    grades: tuple[object, ...]
    used: tuple[object, ...]
    penalised: bool
    converged: bool
    notes: tuple[str, ...]
    link: Link
    nodes: int
    level: float
    rows: pd.Index
    given: np.ndarray
    fixed_part: FixedPart

    def probabilities(self, rows: pd.DataFrame, averaged: bool = False) -> pd.DataFrame:
        """Return the probability of every grade for each of `rows`.

        Parameters
        ----------
        rows : one row a case, with the columns of the fixed part.
        averaged : False, for the average piece of each random term (random effects at zero); True,
            averaged over the random effects, which is what many boards and assessors together give.

        Returns
        -------
        One column a grade of the whole scale; ``attrs["note"]`` says which of the two it is. A case that
        cannot be estimated is NaN.

        Raises
        ------
        UserError
            A column missing from `rows`, or a level that was not fitted.
        """
        eta = self._predictor(rows)
        spread = float(np.sqrt(self.variances.sum())) if averaged else 0.0
        shifts, weights = _normal_grid(spread)
        at = edges(self.thresholds["estimate"].to_numpy())
        table = np.zeros((len(rows), len(self.grades)))
        for number, grade in enumerate(self.used):
            log_p = brief_rows(self.link, at, np.array(number), eta[:, None] + shifts)[0]
            table[:, self.grades.index(grade)] = np.exp(log_p) @ weights
        table[np.isnan(eta)] = np.nan
        result = pd.DataFrame(table, index=rows.index, columns=pd.Index(list(self.grades)))
        names = ", ".join(map(str, self.variances.index))
        if averaged and names:
            result.attrs["note"] = f"probabilities averaged over {names}"
        elif names:
            result.attrs["note"] = f"probabilities for the average {names} (random effects at zero)"
        else:
            result.attrs["note"] = "probabilities; the model has no random term"
        return result

    def levels(self, factor: str) -> list[object]:
        """Return the levels of a factor of the fixed part, in order."""
        latent.asked(self.fixed_part).read(f"`{factor}`")
        return list(self.fixed_part.columns[factor].levels)

    def means(self, term: str, level: float = 0.95) -> pd.DataFrame:
        """Return the average grade of each cell of a term on the average piece of each random term.

        Other factors are averaged over with equal weights; grades that are no numbers count 1, 2, 3, ….

        Returns
        -------
        A column a factor, then mean, se, df (infinite), lower, upper; NaN where it cannot be estimated.
        """
        numbers = np.array([self.grades.index(grade) + 1.0 for grade in self.used])
        if all(isinstance(grade, int | float | np.number) for grade in self.used):
            numbers = np.array(self.used, dtype=float)
        cut = len(self.thresholds)
        last = cut + len(self.fixed_part.kept)
        return latent.average_grades(
            self.fixed_part,
            self.link,
            numbers,
            self.thresholds["estimate"].to_numpy(),
            self._kept(),
            self.covariance.to_numpy()[:last, :last],
            term,
            level,
        )

    def differences(
        self,
        term: str,
        by: str | Sequence[str] | None = None,
        adjust: Literal["none", "holm"] = "none",
        level: float = 0.95,
    ) -> pd.DataFrame:
        """Return the differences between every two cells of a term, the later level less the earlier.

        They are on the scale of the link: log odds ratios for the logit.

        Returns
        -------
        first, second, a column a factor of `by`, difference, se, df (infinite), t (a z value), p, lower, upper.
        """
        wanted = combinations.differences(latent.asked(self.fixed_part), term, by)
        table = self._estimates(wanted, "difference", level)
        return combinations.adjusted(table, wanted.family, adjust)

    def contrast(
        self,
        term: str,
        weights: Mapping[str, combinations.Weights],
        by: str | Sequence[str] | None = None,
        level: float = 0.95,
    ) -> pd.DataFrame:
        """Return weighted sums of a term's cells, whose weights sum to zero, on the scale of the link.

        Returns
        -------
        contrast, a column a factor of `by`, estimate, se, df (infinite), t, p, lower, upper.
        """
        wanted = combinations.contrasts(latent.asked(self.fixed_part), term, weights, by)
        if np.abs(wanted.rows[:, 0]).max(initial=0.0) > 1e-9:
            raise UserError(
                "the weights of a contrast of grades must sum to zero; there is no zero grade to count from"
            )
        return self._estimates(wanted, "estimate", level)

    def _estimates(self, wanted: combinations.Combinations, name: str, level: float) -> pd.DataFrame:
        cut, last = len(self.thresholds), len(self.thresholds) + len(self.fixed_part.kept)
        covariance = self.covariance.to_numpy()[cut:last, cut:last]
        return latent.estimates(self.fixed_part, self._kept(), covariance, wanted, name, level)

    def _kept(self) -> np.ndarray:
        """Return the coefficients that were estimated."""
        return self.coefficients["estimate"].to_numpy()[self.fixed_part.kept]

    def _predictor(self, rows: pd.DataFrame) -> np.ndarray:
        """Return (m,) eta without random effects, NaN where it cannot be estimated."""
        part = self.fixed_part
        matrix = design_at(part.columns, part.terms, "first", rows)
        kept = matrix[:, 1 + part.kept]
        eta = kept @ self.coefficients["estimate"].to_numpy()[part.kept]
        if part.dropped.size:
            expected = np.column_stack([np.ones(len(rows)), kept]) @ part.sums
            size = 1e-7 * (1 + np.abs(matrix).max(initial=0.0))
            eta[(np.abs(matrix[:, 1 + part.dropped] - expected) > size).any(axis=1)] = np.nan
        return eta

    def __str__(self) -> str:
        parts = [self.thresholds, self.coefficients, self.variances.to_frame("variance")]
        shown = [part.to_string(float_format=lambda value: f"{value:.4g}") for part in parts if len(part)]
        return "\n\n".join([*shown, f"log-likelihood {self.loglik:.3f}", *self.notes])


@dataclass(frozen=True)
class Comparison:
    """A likelihood-ratio test: twice the gain in log-likelihood, degrees of freedom, p, and how p was had."""

    statistic: float
    df: int
    p: float
    note: str = ""


def fit(
    frame: pd.DataFrame,
    response: str,
    fixed: str,
    random: Sequence[str] = (),
    *,
    link: Link = "logit",
    nodes: int = 1,
    penalty: Literal["auto", "weak"] | Penalty | None = "auto",
    grades: Sequence[object] | None = None,
    level: float = 0.95,
) -> OrdinalFit:
    """Fit grades by maximum likelihood.

    Parameters
    ----------
    frame : one row a grade given.
    response : its column: numbers (half grades too), yes/no, or an ordered categorical.
    fixed : right-hand side of the model, e.g. ``carrier * load``; ``1`` for none.
    random : random terms, e.g. ``["board", "assessor"]``, nested or crossed.
    link : ``logit`` or ``probit``.
    nodes : 1 for Laplace's approximation; more for adaptive Gauss-Hermite quadrature, with one random term.
    penalty : ``auto`` uses a weak penalty only when the readings leave an estimate without limit, and says
        so; ``weak`` always; None never; or a `Penalty`.
    grades : the whole scale in order, so that grades never given are known.
    level : of the intervals.

    Raises
    ------
    UserError
        What is wrong with the frame or the model, in one sentence each.
    """
    _check_options(frame, link, nodes, penalty, level)
    terms, written = parse(fixed), read_random([random] if isinstance(random, str) else random)
    scale, codes = read_grades(frame, response, grades)
    if response in {name for term in (*terms, *written.values()) for name in term}:
        raise UserError(f"{response!r} stands on both sides of the model; take it out of the fixed and random terms")
    data = read_frame(frame.assign(**{response: codes}), response, terms, written.values())
    used, given = _used_grades(data, scale, response)
    part = fixed_part(data, terms)
    pieces, left_out = random_terms(data, written, len(used))
    if nodes > 1 and (len(pieces) > 1 or not written):
        raise UserError(f"{nodes} nodes need exactly one random term, and there are {len(pieces)}; use nodes=1")

    graded = Graded(given, part.matrix, cross([term.codes for term in pieces], given.size), link, nodes)
    optimum, is_penalised, why = _maximise(graded, part, [term.name for term in pieces], penalty)
    notes = [*_frame_notes(data, scale, used), *_fixed_notes(part), *left_out, *why, *_term_notes(pieces, optimum)]
    covariance = _covariance(part, used, pieces, optimum)
    thresholds, coefficients = _tables(part, used, optimum, covariance, level)
    return OrdinalFit(
        thresholds=thresholds,
        coefficients=coefficients,
        variances=pd.Series(optimum.spreads**2, [term.name for term in pieces], dtype=float, name="variance"),
        loglik=optimum.loglik,
        covariance=covariance,
        random_effects=_effects_table(pieces, optimum),
        grades=scale,
        used=used,
        penalised=is_penalised,
        converged=optimum.converged,
        notes=tuple(notes),
        link=link,
        nodes=nodes,
        level=level,
        rows=data.index,
        given=given,
        fixed_part=part,
    )


def compare(smaller: OrdinalFit, larger: OrdinalFit) -> Comparison:
    """Test by likelihood ratio what the larger model has and the smaller has not.

    Returns
    -------
    Under the smaller model each variance added lies at the edge of what it can be, so the statistic follows
    chi-squared on fewer degrees of freedom half of the time: with one variance and nothing else added, p is
    halved (Self and Liang 1987, JASA 82:605-610; with several variances their case of independent ones).

    Raises
    ------
    UserError
        Fits of different data, link, nodes, or not nested; penalised or not converged.
    """
    _check_comparable(smaller, larger)
    coefficients = larger.fixed_part.matrix.shape[1] - smaller.fixed_part.matrix.shape[1]
    variances = len(larger.variances) - len(smaller.variances)
    if coefficients + variances == 0:
        raise UserError("both fits are of the same model; there is nothing to compare")
    statistic, df = max(0.0, 2 * (larger.loglik - smaller.loglik)), coefficients + variances
    if variances == 0:
        return Comparison(statistic, df, _chi_squared_tail(statistic, df))
    p = sum(
        comb(variances, free) / 2**variances * _chi_squared_tail(statistic, coefficients + free)
        for free in range(variances + 1)
    )
    is_half = df == 1
    how = "is halved" if is_half else "weighs degrees of freedom"
    return Comparison(statistic, df, p, f"p {how}, as a variance cannot be less than zero")


def _check_comparable(smaller: OrdinalFit, larger: OrdinalFit) -> None:
    """Refuse two fits whose likelihoods do not compare."""
    for fitted, which in ((smaller, "smaller"), (larger, "larger")):
        if fitted.penalised:
            raise UserError(f"the {which} model was fitted with a penalty; a likelihood-ratio test needs one without")
        if not fitted.converged:
            raise UserError(
                f"the fit of the {which} model has not converged; a likelihood-ratio test needs its maximum"
            )
    if smaller.given.size != larger.given.size:
        raise UserError(
            f"the smaller model was fitted to {smaller.given.size} rows and the larger to {larger.given.size}; "
            "fit both to the rows that are complete in all columns"
        )
    if (
        not smaller.rows.equals(larger.rows)
        or smaller.used != larger.used
        or not np.array_equal(smaller.given, larger.given)
    ):
        raise UserError("the two models were fitted to different readings; fit both to the same frame")
    if smaller.link != larger.link:
        raise UserError(f"one model has link {smaller.link!r} and the other {larger.link!r}; use the same for both")
    if len(smaller.variances) and len(larger.variances) and smaller.nodes != larger.nodes:
        raise UserError(f"one model has {smaller.nodes} nodes and the other {larger.nodes}; use the same for both")
    inner, outer = smaller.fixed_part.matrix, larger.fixed_part.matrix
    left = inner - outer @ (outer.T @ inner) / len(outer)
    lacking = [name for name in smaller.variances.index if _names(name) not in map(_names, larger.variances.index)]
    if np.abs(left).max(initial=0.0) > 1e-6 or lacking:
        raise UserError("the smaller model is no part of the larger one; a likelihood-ratio test needs nested models")


def _names(random_term: str) -> frozenset[str]:
    return frozenset(parse_random([random_term])[0])


def _chi_squared_tail(statistic: float, df: int) -> float:
    if df == 0:
        return float(statistic < 1e-8)  # rounding of two equal likelihoods
    return float(gammaincc(df / 2, statistic / 2))


# --- reading ---------------------------------------------------------------------------------------


def _check_options(frame: pd.DataFrame, link: str, nodes: int, penalty: object, level: float) -> None:
    """Refuse what no caller should pass."""
    if not isinstance(frame, pd.DataFrame):
        raise TypeError(f"frame must be a DataFrame, not {type(frame).__name__}")
    if link not in ("logit", "probit"):
        raise ValueError(f"link must be 'logit' or 'probit', not {link!r}")
    if not 1 <= nodes <= 100:
        raise ValueError(f"nodes must lie between 1 and 100, not {nodes}")
    if penalty not in (None, "auto", "weak") and not isinstance(penalty, Penalty):
        raise ValueError(f"penalty must be 'auto', 'weak', None or a Penalty, not {penalty!r}")
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, not {level}")


def _used_grades(data: ModelFrame, scale: tuple[object, ...], response: str) -> tuple[tuple[object, ...], np.ndarray]:
    """Return the grades that were given and, for each row, the number of its grade among them."""
    numbers, given = np.unique(data.response, return_inverse=True)
    used = tuple(scale[int(number)] for number in numbers)
    if len(used) < 2:
        rows = "the one row that can be used has" if given.size == 1 else f"all {given.size} usable rows have"
        raise UserError(f"{rows} grade {used[0]} in {response!r}; there is no difference to explain")
    return used, given


# --- fitting ---------------------------------------------------------------------------------------


def _maximise(
    graded: Graded, part: FixedPart, random_names: list[str], penalty: Literal["auto", "weak"] | Penalty | None
) -> tuple[Optimum, bool, list[str]]:
    """Fit, with a weak penalty where asked for or needed; return the optimum, whether, and why."""
    weak = penalty if isinstance(penalty, Penalty) else Penalty()
    words = f"weak penalty was used (effects about {weak.effect:g} logits, spreads up to about {weak.component:g})"
    if penalty == "weak" or isinstance(penalty, Penalty):
        return maximise(graded, pull_of(part, weak, graded.link)), True, [f"A {words}, as asked."]

    alone = maximise_fixed(graded)
    endless = _endless_effects(graded, part, alone) if is_suspect(alone) else []
    if not endless or penalty is None:
        optimum = maximise(graded, start=alone)
        limit = 10.0 if graded.link == "logit" else 10 / LOGISTIC_SD
        runaway = [name for name, spread in zip(random_names, optimum.spreads, strict=True) if spread > limit]
        endless += [f"the spread of {name}" for name in runaway]
        if not endless and optimum.converged:
            return optimum, False, []
    what = f"The readings set no limit to {_listed(endless or ['one of the estimates'])}"
    if penalty is None:
        note = f"{what}, so the estimates are of no use; fit with penalty='auto'."
        return replace(optimum, converged=False), False, [note]
    optimum = maximise(graded, pull_of(part, weak, graded.link))
    return optimum, True, [f"{what}, so a {words}: read it as 'at least' so far from zero, not as a value."]


def _endless_effects(graded: Graded, part: FixedPart, alone: Optimum) -> list[str]:
    """Name the coefficients to which the readings set no limit: those that `alone` has let run off."""
    direction = endless_direction(graded)
    if direction is None:
        return []
    ranges = np.ptp(graded.matrix @ np.linalg.inv(part.back), axis=0)
    for reach, far in ((np.abs(part.back @ alone.coefficients) * ranges, 8.0), (np.abs(part.back @ direction), 0.0)):
        names = [part.names[at] for at, size in zip(part.kept, reach, strict=True) if size > far]
        if names:
            return names
    return []


# --- tables and notes ------------------------------------------------------------------------------


def _covariance(part: FixedPart, used: tuple[object, ...], terms: list[RandomTerm], optimum: Optimum) -> pd.DataFrame:
    """Return the covariances of thresholds, coefficients and log standard deviations."""
    cut, p = optimum.thresholds.size, optimum.coefficients.size
    free = optimum.spreads > 0
    turn = np.eye(cut + p + int(free.sum()))
    turn[:cut, cut : cut + p] = part.centre @ part.back
    turn[cut : cut + p, cut : cut + p] = part.back
    turn[cut + p :, cut + p :] = np.diag(1 / optimum.spreads[free])
    chosen = np.concatenate([np.ones(cut + p, dtype=bool), free])
    try:
        inverse = np.linalg.inv(optimum.hessian[np.ix_(chosen, chosen)])
    except np.linalg.LinAlgError:
        inverse = np.full(turn.shape, np.nan)
    spreads = [f"log sd {term.name}" for term, is_free in zip(terms, free, strict=True) if is_free]
    names = [*_threshold_names(used), *(part.names[at] for at in part.kept), *spreads]
    return pd.DataFrame(turn @ inverse @ turn.T, index=names, columns=names)


def _threshold_names(used: tuple[object, ...]) -> list[str]:
    return [f"{first}|{second}" for first, second in pairwise(used)]


def _tables(
    part: FixedPart, used: tuple[object, ...], optimum: Optimum, covariance: pd.DataFrame, level: float
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the tables of thresholds and of coefficients."""
    cut, p = optimum.thresholds.size, optimum.coefficients.size
    with np.errstate(invalid="ignore"):
        se = np.sqrt(np.diag(covariance.to_numpy()))
    slopes = part.back @ optimum.coefficients
    places = optimum.thresholds + part.centre @ slopes
    thresholds = pd.DataFrame({"estimate": places, "se": se[:cut]}, index=_threshold_names(used))
    table = np.full((len(part.names), 2), np.nan)
    table[part.kept] = np.column_stack([slopes, se[cut : cut + p]])
    coefficients = pd.DataFrame(table, index=list(part.names), columns=["estimate", "se"])
    z = coefficients["estimate"] / coefficients["se"]
    margin = ndtri((1 + level) / 2) * coefficients["se"]
    coefficients = coefficients.assign(
        z=z,
        p=2 * ndtr(-np.abs(z)),
        lower=coefficients["estimate"] - margin,
        upper=coefficients["estimate"] + margin,
    )
    return thresholds, coefficients


def _effects_table(terms: list[RandomTerm], optimum: Optimum) -> pd.DataFrame:
    """Return one row a piece: its term, its name, the mode of its effect and the se of that."""
    rows = [(term.name, piece) for term in terms for piece in term.labels]
    table = pd.DataFrame(rows, columns=["term", "piece"])
    return table.assign(mode=optimum.effects, se=optimum.effect_sd)


def _normal_grid(sd: float) -> tuple[np.ndarray, np.ndarray]:
    """Return points and weights that average over N(0, sd²); equal steps are exact to rounding."""
    if sd == 0:
        return np.zeros(1), np.ones(1)
    points = np.linspace(-9, 9, 361)
    weights = np.exp(-0.5 * points**2)
    return sd * points, weights / weights.sum()


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _frame_notes(data: ModelFrame, scale: tuple[object, ...], used: tuple[object, ...]) -> list[str]:
    notes = []
    if data.missing:
        rows = "1 row was" if data.missing == 1 else f"{data.missing} rows were"
        notes.append(f"{rows} left out because a value is missing.")
    unused = [str(grade) for grade in scale if grade not in used]
    if unused:
        which = f"Grade {unused[0]} was" if len(unused) == 1 else f"Grades {_listed(unused)} were"
        notes.append(f"{which} never given.")
    return notes


def _fixed_notes(part: FixedPart) -> list[str]:
    names = [part.names[at] for at in part.dropped]
    return [f"{_listed(names)} cannot be told from the other effects in these rows."] if names else []


def _term_notes(terms: list[RandomTerm], optimum: Optimum) -> list[str]:
    """Say which variances are zero and which terms have few pieces; and when the search failed."""
    notes = []
    for term, spread in zip(terms, optimum.spreads, strict=True):
        if spread == 0:
            notes.append(f"The variance of {term.name} was estimated at zero.")
        elif len(term.labels) <= FEW_PIECES:
            notes.append(
                f"With {len(term.labels)} pieces of {term.name} z, p and the intervals lean to the hopeful side; "
                "check with a randomisation test."
            )
    if not optimum.converged:
        notes.append("The search for the best fit did not settle; do not rely on these estimates.")
    return notes
