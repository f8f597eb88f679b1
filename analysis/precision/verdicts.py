"""The chance of each verdict where every pair of levels is known alike, exactly.

A verdict is about the pair of levels that came out widest apart (`analysis.decide`). Where all differences have the
same standard error and are judged by one mean square, that is the range of as many independent normal means, and the
half-width of its interval is that of any pair.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy.special import chdtri, nctdtr, ndtr, stdtrit

TRUE_GAIN = 2.0
"""The true gain, in worths, at which the chance of settling is reckoned: this project's choice."""

_Z = np.linspace(-8.0, 8.0, 161)
_DENSITY = np.exp(-np.square(_Z) / 2) * (_Z[1] - _Z[0]) / math.sqrt(2 * math.pi)
_SHARES = (np.arange(2000) + 0.5) / 2000
_RANGES = 500
"""Points of the quadrature: over the largest mean, over the mean square, and of the range in between."""


def chances(se: float, df: float, levels: int, level: float, worth: float) -> tuple[float, float]:
    """Return the chances of "worth it" at a true gain of `TRUE_GAIN` worths, and of "not worth it" at none.

    Parameters
    ----------
    se, df : of the difference of any two levels.
    levels : how many are compared; two for a pair named beforehand. Of more, two truly lie the gain apart and the
        rest midway, which of all means with that range is the hardest to find.
    level : of the intervals.
    worth : that a whole interval has to lie at or above, or below.

    Notes
    -----
    Two levels: the estimate less the worth, over its standard error, is noncentral t, and one chance is the other's
    mirror image. More: the distribution of the range of normal means, as the sum over which of them is the largest
    (Tippett 1925, Biometrika 17:364-387, for equal means; from memory), averaged over the chi-square of the mean
    square.
    """
    quantile = float(stdtrit(df, 0.5 + level / 2))
    if levels == 2:
        found = float(1 - nctdtr(df, (TRUE_GAIN - 1) * worth / se, quantile))
        return found, found
    return _of_range(levels, float(df), quantile, worth / se)


@lru_cache(maxsize=4096)
def _of_range(levels: int, df: float, quantile: float, worth: float) -> tuple[float, float]:
    """Return the two chances; the worth in standard errors of a difference."""
    half = quantile * np.sqrt(chdtri(df, 1 - _SHARES) / df)
    ends = math.sqrt(2) * TRUE_GAIN * worth / 2  # the means lie this far to either side, in their own errors
    found = 1 - _range_below(math.sqrt(2) * (worth + half), levels, ends).mean()
    return float(found), float(_range_below(math.sqrt(2) * (worth - half), levels, 0.0).mean())


def _range_below(limits: np.ndarray, levels: int, ends: float) -> np.ndarray:
    """Return the chance that the range of unit normal means lies below each limit: two at ±`ends`, the rest at 0."""
    widths = np.linspace(max(2 * ends - 12.0, 0.0), 2 * ends + 12.0, _RANGES)
    groups = ((-ends, 1), (0.0, levels - 2), (ends, 1))
    found = np.zeros(_RANGES)
    for own, (mean, count) in enumerate(groups):
        largest = _Z + mean
        others = np.ones((_RANGES, len(_Z)))
        for at, (one, number) in enumerate(groups):
            others *= (ndtr(largest - one) - ndtr(largest - one - widths[:, None])) ** (number - (at == own))
        found += count * (others @ _DENSITY)
    return np.where(limits > widths[0], np.interp(limits, widths, found), 0.0)
