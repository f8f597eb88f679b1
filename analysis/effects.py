"""Questions put to any fit alike: a trial's response, a mixed model, a cumulative-link model.

A fit answers with means, differences and contrasts (`Fit`); what is here builds on those three. Intervals come
with every estimate; letters that mark levels not told apart come only when asked for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations as choose
from typing import Literal, Protocol

import numpy as np
import pandas as pd

from analysis.combinations import Weights, holm, one_against_rest, polynomial


class Fit(Protocol):
    """What a fit can be asked."""

    def levels(self, factor: str) -> list[object]:
        """Return a factor's levels in order."""

    def means(self, term: str, level: float = ...) -> pd.DataFrame:
        """Return the marginal means of a term, with intervals."""

    def differences(
        self, term: str, by: str | None = ..., adjust: Literal["none", "holm"] = ..., level: float = ...
    ) -> pd.DataFrame:
        """Return the differences between a term's cells, later less earlier, with intervals."""

    def contrast(
        self, term: str, weights: Mapping[str, Weights], by: str | None = ..., level: float = ...
    ) -> pd.DataFrame:
        """Return weighted sums of a term's cells, with intervals."""


def interaction(fit: Fit, first: str, second: str, level: float = 0.95) -> pd.DataFrame:
    """Return how much a difference of one factor changes with another: differences of differences.

    Parameters
    ----------
    fit : whose model holds both factors and their interaction.
    first, second : the factors; every two levels of one are crossed with every two of the other.

    Returns
    -------
    contrast (``alcohol - water, shellac - none``), estimate, se, df, t, p, lower, upper.
    """
    tables = [_pairs(fit.levels(name)) for name in (first, second)]
    weights: dict[str, Weights] = {
        f"{one}, {other}": np.outer(left, right)
        for one, left in tables[0].items()
        for other, right in tables[1].items()
    }
    return fit.contrast(f"`{first}`:`{second}`", weights, level=level)


def _pairs(levels: Sequence[object]) -> dict[str, np.ndarray]:
    """Return the weights of every difference between two levels, the later less the earlier."""
    unit = np.eye(len(levels))
    return {
        f"{levels[later]} - {levels[earlier]}": unit[later] - unit[earlier]
        for earlier, later in choose(range(len(levels)), 2)
    }


def trends(
    fit: Fit, factor: str, positions: Sequence[float], degree: int = 2, by: str | None = None, level: float = 0.95
) -> pd.DataFrame:
    """Return the linear trend over a factor's levels, its curvature, and so on, whatever their spacing.

    Parameters
    ----------
    positions : where each level lies, e.g. minutes of dwell.
    degree : the highest; as many as there are levels less one at most.

    Returns
    -------
    contrast (``linear``, ``curvature``, ``degree 3``, …), estimate, se, df, t, p, lower, upper. The linear one
    is per unit of position; the others are in units of their own and tell by sign and p only.
    """
    degrees = range(1, min(degree, len(positions) - 1) + 1)
    names = {1: "linear", 2: "curvature"}
    weights: dict[str, Weights] = {}
    for one in degrees:
        own = polynomial(positions, one)
        if one == 1:
            own = own / (own @ np.asarray(positions, dtype=float))
        weights[names.get(one, f"degree {one}")] = own
    return fit.contrast(f"`{factor}`", weights, by=by, level=level)


def against_rest(fit: Fit, factor: str, by: str | None = None, level: float = 0.95) -> pd.DataFrame:
    """Return each level of a factor against the mean of the others.

    Returns
    -------
    contrast (the level), estimate, se, df, t, p, lower, upper.
    """
    levels = fit.levels(factor)
    weights: dict[str, Weights] = {str(one): one_against_rest(levels, one) for one in levels}
    return fit.contrast(f"`{factor}`", weights, by=by, level=level)


def family(tables: Sequence[pd.DataFrame]) -> list[pd.DataFrame]:
    """Return tables of differences or contrasts with p-values adjusted for all of them together (Holm 1979)."""
    sizes = np.cumsum([len(table) for table in tables])[:-1]
    together = holm(np.concatenate([table["p"].to_numpy(dtype=float) for table in tables]))
    return [table.assign(p=p) for table, p in zip(tables, np.split(together, sizes), strict=True)]


def letters(differences: pd.DataFrame, at: float = 0.05) -> dict[object, str]:
    """Mark levels that are not told apart with a common letter.

    Parameters
    ----------
    differences : of one factor, with columns first, second and p; every two levels once.
    at : two levels are told apart when their p is below.

    Returns
    -------
    The letters of each level, in the order of the levels. Levels that share a letter are not shown to be alike,
    only not shown to differ; one whose differences are not known shares letters with all.

    Notes
    -----
    Insert and absorb: Piepho (2004), Journal of Computational and Graphical Statistics 13:456-466.
    """
    levels = list(dict.fromkeys([*differences["second"], *differences["first"]]))
    columns = [frozenset(levels)]
    for row in differences.to_dict("records"):
        if row["p"] < at:
            split = [
                column - {gone}
                for column in columns
                for gone in ((row["first"], row["second"]) if {row["first"], row["second"]} <= column else (None,))
            ]
            kept = dict.fromkeys(split)
            columns = [column for column in kept if not any(column < other for other in kept)]
    columns.sort(key=lambda column: sorted(levels.index(level) for level in column))
    return {level: "".join(_letter(at) for at, column in enumerate(columns) if level in column) for level in levels}


def _letter(number: int) -> str:
    """Return a, b, …, z, then aa, ab, … with a mark between."""
    alphabet = "abcdefghijklmnopqrstuvwxyz"
    return alphabet[number] if number < len(alphabet) else f"({number + 1})"


def p_words(p: float) -> str:
    """Return what follows the letter p in a sentence: ``= 0.012``, or ``< 0.001``."""
    return f"= {p:.3f}" if p >= 0.001 else "< 0.001"
