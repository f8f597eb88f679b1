"""What is known of each assessor, in one row."""

from __future__ import annotations

import numpy as np
import pandas as pd

from analysis.assessors.habits import consistency, repeatability, severity
from analysis.assessors.marks import first_looks
from analysis.assessors.session import drift

EACH = (
    "assessor", "marks", "patches", "shared", "difference", "difference_lower", "difference_upper", "spread",
    "agreement", "scatter", "repeated", "repeated_same", "repeat_sd", "repeat_lower", "repeat_upper", "drift",
    "drift_lower", "drift_upper", "drift_unknown",
)  # fmt: skip
"""The columns of `each`."""


def each(frame: pd.DataFrame) -> pd.DataFrame:
    """Return how each assessor marks: beside the others, on a second look, and over the session.

    Parameters
    ----------
    frame : one row a mark; columns patch, assessor, repeat, taken_at, value (numbers).

    Returns
    -------
    One row an assessor with the columns `EACH`: marks, patches (marked at all), shared (with another), difference
    with its interval (`severity`), spread, agreement and scatter (`consistency`), all of these from first looks;
    repeated (patches marked again), repeated_same (those of them with all marks equal), repeat_sd with its interval
    (`repeatability`); drift with its interval, and drift_unknown, why there is none (`drift`). NaN where not known.
    """
    table = first_looks(frame)
    alone = table.shape[1] < 2
    off, use = (None, None) if alone else (severity(table), consistency(table))
    groups = frame.groupby(["assessor", "patch"])["value"]
    counts, ranges = groups.size(), groups.max() - groups.min()
    again = repeatability(frame) if (counts > 1).any() else None
    moved = drift(frame)
    rows = []
    for name in table.columns:
        twice = counts[name] > 1
        row: dict[str, object] = dict.fromkeys(EACH, np.nan)
        row |= {"assessor": name, "marks": int(counts[name].sum()), "patches": len(counts[name]), "shared": 0}
        row |= {"repeated": int(twice.sum()), "repeated_same": int((ranges[name][twice] < 1e-9).sum())}
        if off is not None and use is not None:
            row |= _named(off.loc[name], difference="difference", lower="difference_lower", upper="difference_upper")
            row |= _named(use.loc[name], spread="spread", agreement="agreement", scatter="scatter")
            row["shared"] = int(off.loc[name, "patches"])
        if again is not None and name in again.index:
            row |= _named(again.loc[name], repeat_sd="repeat_sd", lower="repeat_lower", upper="repeat_upper")
        row |= _named(moved.loc[name], change="drift", lower="drift_lower", upper="drift_upper", why="drift_unknown")
        rows.append(row)
    return pd.DataFrame(rows, columns=list(EACH))


def _named(row: pd.Series, **names: str) -> dict[str, object]:
    return {new: row[old] for old, new in names.items()}
