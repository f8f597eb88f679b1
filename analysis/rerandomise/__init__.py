# ruff: noqa: PT028  (`test` is the name of a test of a hypothesis, not of this code)
"""Randomisation tests that deal the treatments afresh only as the layout itself could have dealt them.

A factor was laid on pieces by lot: carriers over boards, seal coats over the lanes of each board. If
the factor does nothing, every other deal of that kind would have given the same readings on the same
pieces, so the share of deals whose statistic is at least as large as the one seen is a p-value that
rests on the layout alone: no normal distribution, no equal variances.

References
----------
Fisher (1935), The Design of Experiments, chapter 3. Edgington and Onghena (2007), Randomization Tests,
4th edition (restricted arrangements). Freedman and Lane (1983), Journal of Business and Economic
Statistics 1:292-298 (permuted residuals). Clopper and Pearson (1934), Biometrika 26:404-413.
All cited from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import factorial, prod

import numpy as np
import pandas as pd
from scipy.special import betaincinv

from analysis.formula import Names, parse
from analysis.model import read_frame
from analysis.rerandomise.dealing import (
    CHUNK,
    MOST_ENUMERATED,
    Deal,
    Rows,
    basis,
    drawn_labellings,
    drawn_sums,
    every_labelling,
    every_sum,
    extremes,
    indicators,
    lay_deal,
    said,
    stratum_of,
)
from trials.errors import Problem, UserError, nearest

DEFAULT_DRAWS = 99_999
"""Arrangements drawn where there are too many to look at each."""

TIE = 1e-9
"""Relative tolerance within which two statistics count as equal."""

Statistic = Callable[[np.ndarray, np.ndarray, np.ndarray], float]


@dataclass(frozen=True)
class Rerandomisation:
    """The outcome of a randomisation test; it can be unpacked as ``p, draws, exact, statistic``.

    Attributes
    ----------
    p : share of the arrangements at least as extreme as the one laid out, that one included.
    draws : how many arrangements were looked at; drawn ones without the one laid out.
    exact : whether every arrangement was looked at.
    statistic : its value for the layout as it is: F in the term's own stratum, or the difference.
    df : degrees of freedom of F; none for another statistic.
    count : how many of the `draws` arrangements were at least as extreme.
    interval : 95% Clopper-Pearson interval of the exact p; both ends are p where it is exact.
    arrangements : how many distinct arrangements the layout could have had.
    smallest_p : the smallest p this test can give, whatever the readings.
    notes : sentences on what was dealt, what was left out, and what is approximate.
    """

    p: float
    draws: int
    exact: bool
    statistic: float
    df: tuple[int, int] | None
    count: int
    interval: tuple[float, float]
    arrangements: int
    smallest_p: float
    notes: tuple[str, ...]

    def __iter__(self) -> Iterator[float | int | bool]:
        return iter((self.p, self.draws, self.exact, self.statistic))


def test(
    frame: pd.DataFrame,
    response: str,
    term: str,
    structure: Mapping[str, Sequence[str]],
    draws: int | None = None,
    seed: int = 0,
    *,
    statistic: str | Statistic = "f",
    alternative: str = "two-sided",
    places: Sequence[str] = (),
) -> Rerandomisation:
    """Test a factor or an interaction by dealing it afresh over the pieces it is laid on.

    Parameters
    ----------
    frame : one row a reading. Rows with a gap in a column that is used are left out, and a note says so.
    response : the column to explain, numbers.
    term : a factor, ``"sealer"``, or an interaction, ``"carrier:sealer"``.
    structure : for each factor, the columns that name the piece it is laid on. The last column is the
        piece that is dealt, the earlier ones the larger pieces it stays in:
        ``["board"]`` boards over the whole trial; ``["lot", "board"]`` boards within their lot;
        ``["board", "lane"]`` lanes within their board; ``["board", "strip"]`` strips within their board,
        each moving whole, over all its lanes; ``["board", "lane", "patch"]`` patches within their lane.
        Factors that are not tested belong here too: the test leaves them where they are.
    draws : how many arrangements to draw. Left out, every arrangement is looked at where there are at
        most 200 000, and 99 999 are drawn otherwise.
    seed : of the draws; the same seed gives the same answer.
    statistic : ``"f"``; ``"difference"``, second level less first, for a factor of two levels (for an
        interaction of such factors, the difference of the differences); or, for a single factor, a
        function of ``(values, levels, blocks)``, arrays with one entry a piece: its mean, its level and
        the number of the larger piece it stays in. It returns a number, large meaning extreme.
    alternative : ``"two-sided"``, or for a difference ``"greater"`` or ``"less"``.
    places : columns, last ones of a factor's piece, that were evened out when the layout was drawn: ``["lane"]``
        where each level was put on each lane equally often. Then larger pieces exchange the orders in which the
        levels lie on them, which keeps that so, and what places do is taken off.

    Raises
    ------
    UserError
        The readings or the layout do not allow the test; one sentence says why.
    ValueError, TypeError
        An argument of the wrong kind.

    Notes
    -----
    The readings are first reduced to one mean a piece, so that a piece counts once however often it was
    read. Pieces change places only within their larger piece and among those that have the same levels
    of the other factors; such arrangements are a part of the layout's own, so the test is exact for the
    claim that the factor does nothing, whatever the others do. Arrangements are ranked by the term's
    sum of squares once larger pieces and other factors are fitted. Its mean square over the stratum's
    residual mean square, as laid out, is the F reported; without gaps it is the one of the analysis of
    variance. Equal statistics count as at least as extreme.

    In an interaction one factor is dealt over its pieces, each of which takes its differences between
    the levels of the other factors along (half differences of split boards, for one). This is exact for
    the claim that the dealt factor shifts all parts of its piece alike. It asks for pieces that hold
    every level of the others; up to a quarter of the pieces may be left out for that. Two factors laid
    on the same pieces have no such test: then residuals of the model without the term are dealt, and
    a note calls the result approximate.
    """
    _check_choices(draws, seed, statistic, alternative)
    rows, factors = _read(frame, response, term, structure, places)
    deal = _choose_deal(rows, factors)
    if deal is None:
        if statistic != "f":
            raise UserError(
                Problem(f"{term!r} has no exact test in this layout", "use F, which gives an approximate one")
            )
        return _test_residuals(rows, factors, draws or DEFAULT_DRAWS, seed)
    if callable(statistic):
        if deal.inside:
            raise ValueError("a statistic of one's own is for a single factor, not for an interaction")
        return _test_by_function(deal, statistic, draws, seed)
    return _test_by_sums(deal, statistic, alternative, draws, seed)


def clopper_pearson(count: int, draws: int) -> tuple[float, float]:
    """Return the 95% interval of a share that was seen `count` times in `draws` (Clopper and Pearson, 1934)."""
    lower = float(betaincinv(count, draws - count + 1, 0.025)) if count else 0.0
    upper = float(betaincinv(count + 1, draws - count, 0.975)) if count < draws else 1.0
    return lower, upper


# --- reading what was asked ------------------------------------------------------------------------


def _check_choices(draws: object, seed: object, statistic: object, alternative: str) -> None:
    if draws is not None and (isinstance(draws, bool) or not isinstance(draws, int | np.integer) or draws < 1):
        raise ValueError(f"draws is {draws!r}; it must be a whole number from 1")
    if isinstance(seed, bool) or not isinstance(seed, int | np.integer) or seed < 0:
        raise ValueError(f"seed is {seed!r}; it must be a whole number from 0")
    if not callable(statistic) and statistic not in ("f", "difference"):
        raise ValueError(f"statistic is {statistic!r}; it must be 'f', 'difference' or a function")
    if alternative not in ("two-sided", "greater", "less"):
        raise ValueError(f"alternative is {alternative!r}; it must be 'two-sided', 'greater' or 'less'")
    if alternative != "two-sided" and statistic != "difference":
        raise ValueError("only a difference has sides; write statistic='difference'")


def _read(
    frame: pd.DataFrame, response: str, term: str, structure: Mapping[str, Sequence[str]], places: Sequence[str]
) -> tuple[Rows, Names]:
    """Take in the frame; return its rows and the factors of the term."""
    laid_on = _read_structure(structure)
    factors = _read_term(term, laid_on)
    names = dict.fromkeys([*laid_on, *(name for columns in laid_on.values() for name in columns)])
    if response in names:
        raise UserError(f"{response!r} is given both as the response and as a part of the layout; it cannot be both")
    data = read_frame(frame, response, (), [(name,) for name in names])
    if len(data.response) == 1:
        raise UserError(f"only one of the {len(frame)} rows can be used; there is nothing to compare")
    if np.ptp(data.response) <= 1e-15 * np.abs(data.response).max():
        raise UserError(
            f"{response!r} has the same value in all {len(data.response)} usable rows; there is nothing to test"
        )
    notes: tuple[str, ...] = ()
    if data.missing:
        s, were = ("", "was") if data.missing == 1 else ("s", "were")
        notes = (f"{data.missing} row{s} with a gap in a column that is used {were} left out.",)
    values = data.response - data.response.mean()
    scale = float(np.abs(values).max())
    evened = tuple(name for name in places if any(columns[-1] == name for columns in laid_on.values()))
    rows = Rows(data, values / scale, scale, laid_on, notes, evened)
    for name in laid_on:
        _check_laid_on(rows, name)
    for name in factors:
        levels = rows.column(name).levels
        if len(levels) < 2:
            raise UserError(
                f"factor {name!r} has one level only, {str(levels[0])!r}, in the usable rows, so nothing to test"
            )
    return rows, factors


def _read_structure(structure: Mapping[str, Sequence[str]]) -> dict[str, Names]:
    if not isinstance(structure, Mapping):
        raise TypeError("structure maps a factor to the columns that name its piece, {'sealer': ['board', 'lane']}")
    laid_on = {}
    for factor, columns in structure.items():
        names = (columns,) if isinstance(columns, str) else tuple(dict.fromkeys(columns))
        if not names:
            raise UserError(
                Problem(f"structure names no piece for {factor!r}", "name its columns, e.g. ['board', 'lane']")
            )
        laid_on[factor] = names
    return laid_on


def _read_term(term: str, laid_on: dict[str, Names]) -> Names:
    if term in laid_on:
        return (term,)
    terms = parse(term)
    if len(terms) != 1:
        raise UserError(Problem(f"{term!r} is not one term", "write one factor, or an interaction as 'a:b'"))
    for name in terms[0]:
        if name not in laid_on:
            raise UserError(Problem(f"structure does not say what {name!r} is laid on", nearest(name, laid_on)))
    return terms[0]


def _check_laid_on(rows: Rows, factor: str) -> None:
    """Refuse a factor that takes two levels on one of its pieces."""
    names, column = rows.laid_on[factor], rows.column(factor)
    codes = rows.codes(names)
    low, high = extremes(codes, column.values)
    if (low == high).all():
        return
    at = int(np.flatnonzero(low[codes] != high[codes])[0])
    piece = ", ".join(f"{name} {str(rows.column(name).levels[rows.column(name).values[at]])!r}" for name in names)
    levels = " and ".join(repr(str(column.levels[end[codes[at]]])) for end in (low, high))
    raise UserError(
        Problem(
            f"factor {factor!r} is said to be laid on {said(names)} but has both {levels} on {piece}",
            "name the whole piece, from the largest to the one that gets a level in one go",
        )
    )


def _choose_deal(rows: Rows, factors: Names) -> Deal | None:
    """Find the factor of the term whose dealing tests it, or none where no exact test exists."""
    if len(factors) == 1:
        deal = lay_deal(rows, factors[0])
        if deal is None or deal.arrangements == 1:
            raise UserError(_why_not(rows, factors[0]))
        return deal
    found = [lay_deal(rows, name, tuple(other for other in factors if other != name)) for name in factors]
    usable = [deal for deal in found if deal is not None and deal.arrangements > 1]
    return max(usable, key=lambda deal: (len(deal.rows.values), deal.arrangements), default=None)


def _why_not(rows: Rows, factor: str) -> Problem:
    names = rows.laid_on[factor]
    if not rows.codes(names).any():
        return Problem(
            f"all {len(rows.values)} usable rows lie on one {said(names)}", f"give {factor!r} more of them to compare"
        )
    within = f" within one {said(names[:-1])}" if names[:-1] else ""
    if names[-1] in rows.places:
        return Problem(
            f"{factor!r} cannot be dealt afresh: it stands equally often at each {names[-1]}, and no two "
            f"{said(names[:-1])}s that are otherwise alike have it in different orders",
            "lay out more of them",
        )
    return Problem(
        f"{factor!r} cannot be dealt afresh: no two pieces ({said(names)}){within} differ in it and share the "
        "levels of the other factors",
        "check which piece it is laid on",
    )


# --- the tests -------------------------------------------------------------------------------------


def _test_by_sums(deal: Deal, statistic: str, alternative: str, draws: int | None, seed: int) -> Rerandomisation:
    """Compare arrangements by the size of the term's sums: its square is the sum of squares."""
    total = float(np.sqrt((deal.clean**2).sum()))
    rounding = deal.rows.rounding * np.sqrt(deal.clean.size)
    if total <= rounding:
        piece = said(deal.rows.laid_on[deal.dealt])
        raise UserError(f"the pieces ({piece}) do not differ beyond their larger pieces; there is nothing to test")
    value, df, notes = _difference(deal) if statistic == "difference" else _f_value(deal, rounding)
    sign = {"two-sided": 0, "greater": 1, "less": -1}[alternative]

    def size(sums: np.ndarray) -> np.ndarray:
        return sign * sums[:, 0] if sign else np.sqrt(np.einsum("ij,ij->i", sums, sums))

    seen = float(size(deal.observed)[0])
    limit = seen - TIE / 2 * abs(seen) - 1e-12 * total - rounding  # half of it on the root is TIE on F
    exact = draws is None and deal.arrangements <= MOST_ENUMERATED
    draws = deal.arrangements if exact else draws or DEFAULT_DRAWS
    chunks = every_sum(deal) if exact else drawn_sums(deal, draws, np.random.default_rng(seed))
    count = sum(int((size(sums) >= limit).sum()) for sums in chunks)
    alike = 1 if sign else deal.mirrored
    return _outcome(deal, count, draws, exact, statistic=value, df=df, alike=alike, notes=notes)


def _difference(deal: Deal) -> tuple[float, None, tuple[str, ...]]:
    """Return second level less first, on the scale of the response."""
    factors = (deal.dealt, *deal.inside)
    if any(len(deal.rows.column(name).levels) != 2 for name in factors):
        raise UserError(Problem(f"a difference in {said(factors)!r} needs factors of two levels", "use F"))
    size = float(deal.observed[0, 0]) / np.sqrt(deal.information) * np.sqrt(2.0) ** len(deal.inside)
    return float(size * deal.rows.scale), None, ()


def _f_value(deal: Deal, rounding: float) -> tuple[float, tuple[int, int], tuple[str, ...]]:
    """Return F of the term in its own stratum, its degrees of freedom, and notes."""
    factors = (deal.dealt, *deal.inside)
    stratum = stratum_of(deal.rows, factors)
    values = stratum.values
    notes: tuple[str, ...] = ()

    def columns(names: Names) -> np.ndarray:
        return indicators(deal.rows.codes(names)[stratum.rows])

    fitted = basis(np.hstack([*stratum.larger, columns(stratum.fixed)]))
    apart = [columns((name,)) for name in stratum.fixed if name not in factors]
    if fitted.shape[1] == len(values) and apart:
        fitted = basis(np.hstack([*stratum.larger, columns(factors), *apart]))
        notes = ("F is judged against the interactions with the other factors: nothing else is left over.",)
    df = (deal.observed.size, len(values) - fitted.shape[1])
    if not df[1]:
        raise UserError(_no_error(factors, stratum.piece))
    residual = float(((values - fitted @ (fitted.T @ values)) ** 2).sum())
    parts_a_mean = len(values) / len(deal.labels) / deal.combinations
    explained = float((deal.observed**2).sum()) * parts_a_mean
    f = explained * df[1] / df[0] / residual if residual > rounding**2 else float("inf")
    return f, df, notes


def _no_error(factors: Names, piece: Names) -> Problem:
    return Problem(
        f"{said(factors)!r} has no error to be judged against: no two pieces ({said(piece)}) were treated alike",
        "repeat the treatments on more pieces",
    )


def _test_by_function(deal: Deal, statistic: Statistic, draws: int | None, seed: int) -> Rerandomisation:
    """Compare arrangements by a function of the caller's."""
    means = deal.means[:, 0] * deal.rows.scale + deal.rows.frame.response.mean()
    names = np.empty(len(deal.scores), dtype=object)
    names[:] = deal.rows.column(deal.dealt).levels

    def value(labels: np.ndarray) -> float:
        number = float(statistic(means.copy(), names[labels], deal.blocks.copy()))
        if np.isnan(number):
            raise ValueError("the statistic is not a number for one of the arrangements")
        return number

    observed = value(deal.labels)
    exact = draws is None and deal.arrangements <= MOST_ENUMERATED
    draws = deal.arrangements if exact else draws or DEFAULT_DRAWS
    chunks = every_labelling(deal) if exact else drawn_labellings(deal, draws, np.random.default_rng(seed))
    count = sum(value(labels) >= observed - TIE * abs(observed) for labels in chunks)
    return _outcome(deal, count, draws, exact, statistic=observed)


def _test_residuals(rows: Rows, factors: Names, draws: int, seed: int) -> Rerandomisation:
    """Test an interaction by dealing the residuals of the model without it (Freedman and Lane, 1983)."""
    stratum = stratum_of(rows, factors)

    def columns(names: Sequence[str]) -> np.ndarray:
        return indicators(rows.codes(names)[stratum.rows])

    without = [columns([other for other in stratum.fixed if other != name]) for name in factors]
    smaller = basis(np.hstack([*stratum.larger, *without]))
    term, whole = (basis(columns(names), smaller) for names in (factors, stratum.fixed))
    if smaller.shape[1] + whole.shape[1] == len(stratum.values):
        whole = term
    df = (term.shape[1], len(stratum.values) - smaller.shape[1] - whole.shape[1])
    if not df[0]:
        raise UserError(f"{said(factors)!r} cannot be told apart from its own factors: too few combinations occur")
    if not df[1]:
        raise UserError(_no_error(factors, stratum.piece))
    residuals = stratum.values - smaller @ (smaller.T @ stratum.values)
    total = float(residuals @ residuals)
    if total <= rows.rounding**2 * len(residuals):
        raise UserError(f"nothing is left for {said(factors)!r} to explain once its own factors are fitted")

    def f_values(errors: np.ndarray) -> np.ndarray:
        explained, shared, full = (((errors @ part) ** 2).sum(axis=1) for part in (term, smaller, whole))
        return explained * df[1] / df[0] / np.maximum(total - shared - full, 1e-24 * total)

    observed = float(f_values(residuals[None])[0])
    common = [name for name in stratum.piece if all(name in rows.laid_on[factor][:-1] for factor in factors)]
    blocks = rows.codes(common)[stratum.rows]
    shuffles = _shuffled(residuals, blocks, draws, np.random.default_rng(seed))
    count = sum(int((f_values(errors) >= observed * (1 - TIE)).sum()) for errors in shuffles)
    within = f", within each {said(common)}" if common else ""
    note = (
        f"Approximate: {said(factors)!r} has no exact randomisation test in this layout; the residuals of the model "
        f"without it were dealt afresh over {len(residuals)} pieces ({said(stratum.piece)}){within}."
    )
    return Rerandomisation(
        p=(1 + count) / (1 + draws),
        draws=draws,
        exact=False,
        statistic=observed,
        df=df,
        count=count,
        interval=clopper_pearson(count, draws),
        arrangements=prod(factorial(int(size)) for size in np.bincount(blocks)),
        smallest_p=1 / (1 + draws),
        notes=(note, *rows.notes, *stratum.notes),
    )


def _shuffled(values: np.ndarray, blocks: np.ndarray, draws: int, rng: np.random.Generator) -> Iterator[np.ndarray]:
    """Yield the values in drawn orders, (some, m) at a time, each staying in its block."""
    places = [np.flatnonzero(blocks == block) for block in range(blocks.max() + 1)]
    for start in range(0, draws, CHUNK):
        size = min(CHUNK, draws - start)
        shuffled = np.empty((size, len(values)))
        for place in places:
            shuffled[:, place] = rng.permuted(np.broadcast_to(values[place], (size, len(place))), axis=1)
        yield shuffled


# --- the outcome -----------------------------------------------------------------------------------


def _outcome(
    deal: Deal,
    count: int,
    draws: int,
    exact: bool,
    *,
    statistic: float,
    df: tuple[int, int] | None = None,
    alike: int = 1,
    notes: tuple[str, ...] = (),
) -> Rerandomisation:
    """Put a result together; `alike` arrangements always share the largest statistic."""
    smallest = alike / deal.arrangements
    p = count / draws if exact else (1 + count) / (1 + draws)
    interval = (p, p) if exact else clopper_pearson(count, draws)
    sentences = [_what_was_dealt(deal, draws, exact), *deal.rows.notes, *deal.notes, *notes]
    if deal.orders.shape[1] == 1 and len(np.unique(deal.counts, axis=0)) > 1:
        sentences.append("The sets within which pieces change places hold unlike numbers of each level.")
    if deal.notes or deal.rows.notes:
        sentences.append("The test is good only if the gaps have nothing to do with the treatments.")
    if not exact:
        sentences.append(f"The exact p lies between {interval[0]:.4g} and {interval[1]:.4g} (95% interval).")
    if smallest > 0.05:
        sentences.append(f"So few arrangements cannot give a p below {smallest:.3g}, whatever the readings.")
    return Rerandomisation(
        p=p,
        draws=draws,
        exact=exact,
        statistic=statistic,
        df=df,
        count=count,
        interval=interval,
        arrangements=deal.arrangements,
        smallest_p=smallest if exact else max(smallest, 1 / (1 + draws)),
        notes=tuple(sentences),
    )


def _what_was_dealt(deal: Deal, draws: int, exact: bool) -> str:
    names = deal.rows.laid_on[deal.dealt]
    parts = [f"{deal.dealt!r} was dealt afresh over {len(deal.labels)} pieces ({said(names)})"]
    if deal.orders.shape[1] > 1:
        parts.append(f"{said(names[:-1])}s that are otherwise alike exchanging the orders in which it lies on them")
    elif names[:-1]:
        parts.append(f"within each {said(names[:-1])}")
    if deal.kept:
        parts.append("only among those with the same " + " and ".join(repr(name) for name in deal.kept))
    if deal.inside:
        parts.append(f"each piece taking its differences between levels of {said(deal.inside)!r} along")
    how = f"all {draws} arrangements" if exact else f"{draws} of {deal.arrangements:.6g} arrangements, drawn by lot"
    return ", ".join(parts) + f": {how}."
