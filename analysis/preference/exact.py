"""Exact tests of choices between two: how often must one be picked before chance is no longer enough.

References
----------
Fisher (1935), The Design of Experiments, section 21 (signs of differences). Clopper and Pearson (1934), Biometrika
26:404-413. ISO 5495:2005, the paired comparison test. Berry and Armitage (1995), The Statistician 44:417-423 (mid-p
limits). All cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from scipy.optimize import brentq
from scipy.special import bdtrc, betainc, ndtri, stdtrit

MOST_SUMS = 2**20
"""More different sums of signs than this are not listed; chance is then drawn."""
DRAWS = 100_000
SEED = 5495
"""Of the draws, so that the same choices give the same answer."""
_SAME = 1e-8


def fewest_agreeing(n: int, sides: Literal[1, 2] = 2, level: float = 0.05) -> int | None:
    """Return how many of `n` independent choices must agree for a p-value of at most `level`.

    Parameters
    ----------
    n : choices, each one way or the other, no ties.
    sides : 1 where only one way was in question beforehand, 2 where either was.

    Returns
    -------
    None where not even `n` of `n` are enough.
    """
    if n < 0 or sides not in (1, 2) or not 0 < level < 1:
        raise ValueError(f"n is {n}, sides {sides}, level {level}: n from 0, sides 1 or 2, level between 0 and 1")
    for agreeing in range(n // 2 + 1, n + 1):
        if sides * _at_least(agreeing, n) <= level:
            return agreeing
    return None


def _at_least(count: int, n: int) -> float:
    """Return the chance of `count` or more of `n` by tossing a coin."""
    return 1.0 if count <= 0 else float(bdtrc(count - 1, n, 0.5))


def sign_flip(apart: Sequence[float] | np.ndarray) -> tuple[float, bool]:
    """Test whether units lean one way, by turning each unit round or not, in all ways.

    Parameters
    ----------
    apart : (units,) how far each unit's share lies from one half.

    Returns
    -------
    The two-sided p-value, the part of all ways whose sum is as far from 0 or further; and whether all were listed.
    With more than `MOST_SUMS` different sums it is drawn `DRAWS` times from `SEED`, the ways at hand counted too.
    """
    sizes = np.abs(np.asarray(apart, dtype=float))
    seen = abs(float(np.sum(apart)))
    sums, chances = np.zeros(1), np.ones(1)
    for size in sizes:
        both = np.round(np.concatenate([sums - size, sums + size]), 10)
        sums, where = np.unique(both, return_inverse=True)
        chances = np.bincount(where, np.tile(chances, 2)) / 2
        if len(sums) > MOST_SUMS:
            return _drawn(sizes, seen), False
    return min(1.0, float(chances[np.abs(sums) >= seen - _SAME].sum())), True


def _drawn(sizes: np.ndarray, seen: float) -> float:
    rng = np.random.default_rng(SEED)
    further = 0
    for _ in range(DRAWS // 1000):
        signs = rng.integers(0, 2, (1000, len(sizes))) * 2 - 1
        further += int((np.abs(signs @ sizes) >= seen - _SAME).sum())
    return (further + 1) / (DRAWS + 1)


def share_interval(share: float, n: float, level: float = 0.95, *, mid_p: bool = False) -> tuple[float, float]:
    """Return an interval of the share with which one of two is picked.

    Parameters
    ----------
    share : the mean over units of each unit's share.
    n : how many plain choices it is as good as (`effective`); it need be no whole number, nor need n × share.
    mid_p : whether the chance of the count itself is counted half in either tail.

    Notes
    -----
    Clopper and Pearson's limits, which hold more often than said, the more so the fewer choices there are; with mid-p
    tails they hold about as often as said.
    """
    if not 0 <= share <= 1 or n < 1:
        raise ValueError(f"share is {share} of {n}; it must lie between 0 and 1, of at least one")
    tail, count, part = (1 - level) / 2, n * share, 0.5 if mid_p else 0.0

    def no_less(at: float) -> float:
        return float(betainc(count, n - count + 1, at)) if count > 0 else 1.0

    def more(at: float) -> float:
        return float(betainc(count + 1, n - count, at)) if count < n else 0.0

    lower = brentq(lambda at: (1 - part) * no_less(at) + part * more(at) - tail, 0, 1) if count > 0 else 0.0
    upper = brentq(lambda at: (1 - part) * more(at) + part * no_less(at) - 1 + tail, 0, 1) if count < n else 1.0
    return float(lower), float(upper)


def effective(shares: Sequence[float] | np.ndarray, comparisons: int, level: float = 0.95) -> float:
    """Return how many plain choices units of several looks each are as good as.

    Parameters
    ----------
    shares : (units,) the share of each with which one of two was picked.
    comparisons : how many looks there were in all; it is never more than these, nor fewer than the units.
    level : of the interval it is for.

    Notes
    -----
    A plain choice of mean m varies by m (1 - m); shares of several looks vary by less, which is how much better they
    are. The variance is found from few units, which Student's t over the normal quantile, squared, allows for (Korn
    and Graubard 1998, Survey Methodology 24:193-201, from memory). Units of one look each are plain choices.
    """
    each = np.asarray(shares, dtype=float)
    plain = each.mean() * (1 - each.mean())
    found = float(each.var())
    if plain <= _SAME or len(each) < 2 or found <= 0:
        return float(len(each))
    wider = (stdtrit(len(each) - 1, 0.5 + level / 2) / ndtri(0.5 + level / 2)) ** 2
    return float(np.clip(len(each) * plain / found / wider, len(each), max(comparisons, len(each))))
