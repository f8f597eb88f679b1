"""What the pictures of curves are drawn from: what was read, as points, and the fitted curves between them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

import numpy as np
import pandas as pd

CURVES = "curves"
"""Under this name a table of waits carries its fitted curves (``table.attrs``)."""
LAP_POINTS = ("carrier", "minutes", "seen", "looks", "share", "method")
LAP_CURVE = ("carrier", "minutes", "chance", "method")
LOADS = ("carrier", "load", "value")
_POINTS = 60


class Curves(Protocol):
    """Fitted curves of several groups, as `thresholds.ChanceCurves` and `lap_index.IndexCurves`."""

    @property
    def ln_x(self) -> dict[object, float]:
        """The ln x at which each group reaches what was asked for."""

    def heights(self, group: object, x: np.ndarray) -> np.ndarray:
        """Return a group's height at each of (n,) amounts."""


def no_lap_points() -> pd.DataFrame:
    """Return the frame of points where nothing can be told: carrier and method are text, the others numbers."""
    return _empty(LAP_POINTS)


def no_lap_curve() -> pd.DataFrame:
    """Return the frame of curves where nothing can be told."""
    return _empty(LAP_CURVE)


def no_loads() -> pd.DataFrame:
    """Return the frame of loads, points or lines, where nothing can be told."""
    return _empty(LOADS)


def lap_points(laps: pd.DataFrame, method: str) -> pd.DataFrame:
    """Return how many laps were seen, or what index they showed, one row a carrier and return time.

    Parameters
    ----------
    laps : one row a lap: carrier, minutes, and either seen (0 or 1) or index.
    method : of the fit, as its table names it.

    Returns
    -------
    carrier, minutes, seen, looks, share, method: so many laps seen of those looked at, and their share. Of measured
    laps `seen` is NaN, `looks` how many were measured and `share` their mean index.
    """
    graded = "seen" in laps.columns
    value = "seen" if graded else "index"
    by = laps.groupby(["carrier", "minutes"], observed=True, sort=True)[value]
    table = by.agg(looks="size", share="mean").reset_index()
    table["seen"] = by.sum().to_numpy(dtype=float) if graded else np.nan
    table = table.assign(carrier=table["carrier"].astype(str), method=method)
    return table[list(LAP_POINTS)]


def lap_curve(found: pd.DataFrame, laps: pd.DataFrame) -> pd.DataFrame:
    """Return each carrier's fitted curve within the waits tried with it, the wait found among its points.

    Parameters
    ----------
    found : as `threshold` or `index_time` return it.
    laps : one row a lap: carrier and minutes.

    Returns
    -------
    carrier, minutes, chance, method: the chance that a lap is seen, or for measured laps the lap index.
    """
    curves: Curves = found.attrs[CURVES]
    parts = []
    for row in found.to_dict("records"):
        if row["group"] in curves.ln_x:
            minutes = along(laps.loc[laps["carrier"] == row["group"], "minutes"], [row["x"]])
            columns = {"minutes": minutes, "chance": curves.heights(row["group"], minutes)}
            parts.append(pd.DataFrame(columns).assign(carrier=str(row["group"]), method=row["method"]))
    return pd.concat(parts, ignore_index=True)[list(LAP_CURVE)] if parts else no_lap_curve()


def along(tried: Iterable[float], also: Iterable[float] = ()) -> np.ndarray:
    """Return some 60 ascending amounts from the least tried to the most, even on a log scale, and `also` between."""
    amounts = np.asarray(list(tried), dtype=float)
    least, most = amounts.min(), amounts.max()
    steps = np.clip(np.geomspace(least, most, _POINTS), least, most)
    inside = [one for one in also if least < one < most]
    return np.unique(np.concatenate([steps, inside]))


def _empty(columns: tuple[str, ...]) -> pd.DataFrame:
    kinds: dict[str, type] = {"carrier": object, "method": object, "looks": int}
    return pd.DataFrame({name: pd.Series(dtype=kinds.get(name, float)) for name in columns})
