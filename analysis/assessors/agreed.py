"""How far those who scored a response agree, in one table, and what that means for the boards."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from analysis.assessors.agreement import MEANINGS, Level, icc, krippendorff, krippendorff_interval
from trials.errors import UserError

AGREED = ("measure", "value", "lower", "upper", "patches", "assessors", "meaning", "note")
"""The columns of `agreed`."""

ALPHA = "Krippendorff's alpha"

RELIABLE, TENTATIVE = 0.8, 2 / 3
"""Alpha from which marks are taken as reliable, and from which tentative conclusions are allowed: Krippendorff
(2004), Content Analysis, chapter 11; from memory."""


def agreed(table: pd.DataFrame, level: Level, boards: Mapping[object, object]) -> pd.DataFrame:
    """Return Krippendorff's alpha and the six intraclass correlations, with 95 % intervals.

    Parameters
    ----------
    table : one row a patch, one column an assessor, numbers, from first looks; blanks where there is no mark.
    level : of alpha.
    boards : the board of each patch; alpha's interval draws whole boards.

    Returns
    -------
    The columns `AGREED`, one row a measure; patches counts those it is taken from: with two marks or more for alpha,
    with everybody's mark for the correlations. Where it has no value, or no interval, note says why. No rows for
    fewer than two assessors.
    """
    if table.shape[1] < 2:
        return pd.DataFrame(columns=list(AGREED))
    rows = [_alpha(table, level, boards)]
    full = table.dropna()
    base = {"patches": len(full), "assessors": table.shape[1]}
    missing = len(table) - len(full)
    note = f"{missing} of {len(table)} patches lack somebody's mark and are left out" if missing else ""
    try:
        found = icc(full)
        for form, row in found.iterrows():
            rows.append(base | {name: row[name] for name in ("value", "lower", "upper", "meaning")})
            rows[-1] |= {"measure": str(form), "note": note}
    except UserError as error:
        unknown = {"value": np.nan, "lower": np.nan, "upper": np.nan, "note": error.problems[0].what}
        rows += [base | unknown | {"measure": form, "meaning": meaning} for form, meaning in MEANINGS.items()]
    return pd.DataFrame(rows, columns=list(AGREED))


def _alpha(table: pd.DataFrame, level: Level, boards: Mapping[object, object]) -> dict[str, object]:
    shared = int((table.notna().sum(axis=1) > 1).sum())
    row: dict[str, object] = {
        "measure": ALPHA, "value": np.nan, "lower": np.nan, "upper": np.nan, "patches": shared,
        "assessors": table.shape[1], "meaning": f"any two marks of a patch, as {_AS[level]}", "note": "",
    }  # fmt: skip
    try:
        row["value"] = krippendorff(table, level)
        limits = krippendorff_interval(table, level, boards=[boards[patch] for patch in table.index])
        row["lower"], row["upper"] = limits
    except UserError as error:
        row["note"] = error.problems[0].what
    return row


_AS = {
    "nominal": "the same or not",
    "ordinal": "grades in order",
    "interval": "distances",
    "ratio": "ratios",
}


def alpha_sentence(row: Mapping[str, object]) -> str:
    """Say how far the assessors agree and what that means for the boards.

    Parameters
    ----------
    row : of alpha, from `agreed`.
    """
    value, lower, upper = (float(str(row[name])) for name in ("value", "lower", "upper"))
    if np.isnan(value):
        return f"How far the assessors agree cannot be told: {row['note']}."
    bounds = f"95% interval {_short(lower)} to {_short(upper)}, whole boards drawn"
    if np.isnan(lower):
        bounds = f"no interval: {row['note']}"
    return (
        f"{ALPHA} over {row['patches']} patches is {_short(value)} ({bounds}; 1 is perfect agreement, 0 what chance "
        f"would give): {_meaning(value)}."
    )


def _meaning(alpha: float) -> str:
    if alpha >= RELIABLE:
        return "they see the same thing, and one assessor's mark of a patch nearly stands for the other's"
    if alpha >= TENTATIVE:
        return "they agree well enough for careful conclusions; trust the mean of them, not one mark of one patch"
    if alpha > 0:
        return (
            "they often differ on a patch, so lean on means over many patches, and take a verdict that only just "
            "turned with care; patches that hardly differ look so too"
        )
    return (
        "they agree no better than chance, so these marks tell little of the boards; go through the scale together "
        "on a few spare pieces before scoring again"
    )


def correlation_sentence(single: Mapping[str, object], mean: Mapping[str, object]) -> str:
    """Say what one assessor's mark and the mean of all who scored are worth.

    Parameters
    ----------
    single, mean : the rows of ICC(2,1) and ICC(2,k), from `agreed`.
    """
    if np.isnan(float(str(single["value"]))):
        return f"No intraclass correlation can be given: {single['note']}."
    one, many = (
        f"{_short(float(str(row['value'])))} ({_short(float(str(row['lower'])))} to "
        f"{_short(float(str(row['upper'])))})"
        for row in (single, mean)
    )
    note = f"; {single['note']}" if single["note"] else ""
    return (
        "Of the six intraclass correlations two matter here: ICC(2,1), how far a single assessor's mark can be "
        f"relied on to tell patches apart, is {one}; ICC(2,k), the same of the mean of the {single['assessors']} who "
        f"scored, which the answers rest on, is {many}{note}."
    )


def _short(value: float) -> str:
    text = f"{abs(value):.2f}"
    return text if float(text) == 0 or value > 0 else f"\N{MINUS SIGN}{text}"
