"""The ratio of two estimates and its limits after Fieller.

Fieller (1954, Journal of the Royal Statistical Society B 16:175-185): the ratios r for which a - r b does not differ
from nought. They need not form an interval: where the divisor itself may be nought, they reach to infinity.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

Kind = Literal["interval", "outside", "whole line"]


@dataclass(frozen=True)
class Ratio:
    """A ratio a / b and the values that agree with the readings.

    Attributes
    ----------
    estimate : a / b.
    lower, upper : its limits; infinite unless `kind` is ``interval``.
    g : Fieller's g, (t se(b) / b)^2; above 1 the divisor may be nought.
    kind : ``interval``; ``outside``, all up to `below` and all from `above`; or ``whole line``, any value.
    below, above : where the values between are ruled out; NaN unless `kind` is ``outside``.
    """

    estimate: float
    lower: float
    upper: float
    g: float
    kind: Kind
    below: float = math.nan
    above: float = math.nan


def fieller(numerator: float, divisor: float, covariance: ArrayLike, quantile: float) -> Ratio:
    """Return numerator / divisor with Fieller's limits.

    Parameters
    ----------
    covariance : (2, 2) of numerator and divisor.
    quantile : of Student's t, or of the normal, e.g. 1.96.

    Raises
    ------
    ValueError
        The divisor is nought.
    """
    if divisor == 0:
        raise ValueError("the divisor is nought")
    spread = np.asarray(covariance, dtype=float) * quantile**2
    g = spread[1, 1] / divisor**2
    square = divisor**2 - spread[1, 1]
    half = numerator * divisor - spread[0, 1]
    rest = numerator**2 - spread[0, 0]
    estimate, room = numerator / divisor, half**2 - square * rest
    if square > 0:
        reach = math.sqrt(max(room, 0.0))
        return Ratio(estimate, (half - reach) / square, (half + reach) / square, g, "interval")
    if square < 0 < room:
        reach = math.sqrt(room)
        return Ratio(estimate, -math.inf, math.inf, g, "outside", (half + reach) / square, (half - reach) / square)
    return Ratio(estimate, -math.inf, math.inf, g, "whole line")
