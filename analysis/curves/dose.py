"""The dose at which a line on ln dose, straight or bent, reaches a target."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import Polynomial

from analysis.curves.columns import ALL


@dataclass(frozen=True)
class GroupLine:
    """A group's line on ln dose: (2,) intercept and slope, or (3,) with its bend, their covariance, the doses tried.

    The bend is the effect of the square of ln dose less `centre`.
    """

    name: object
    estimates: np.ndarray
    covariance: np.ndarray
    tried: np.ndarray
    centre: float = 0.0

    @property
    def ends(self) -> tuple[float, float]:
        """The least and the greatest ln dose tried."""
        return math.log(self.tried.min()), math.log(self.tried.max())


@dataclass(frozen=True)
class Target:
    """A response to reach, the dose's unit, and how a response is written."""

    value: float
    unit: str = ""
    show: Callable[[float], str] = "{:.3g}".format


def basis(log_dose: np.ndarray, centre: float) -> np.ndarray:
    """Return (n, 3) what a line's estimates are weighed with at (n,) ln doses."""
    return np.column_stack([np.ones_like(log_dose), log_dose, (log_dose - centre) ** 2])


def crossing(line: GroupLine, value: float) -> tuple[float, str]:
    """Return the ln dose within those tried at which a line first reaches a value on its way, and an empty text.

    Where it does not, the nearer end, and whether it would take ``more`` or ``less``.
    """
    least, most = line.ends
    rise = np.sign(line.estimates @ _way(line))
    height = _height(line) - value
    roots = [root for root in _real_roots(height) if height.deriv()(root) * rise > 0]
    found = [root for root in roots if least - 1e-9 <= root <= most + 1e-9]
    if found:
        return min(found), ""
    return (most, "more") if height(most) * rise < 0 else (least, "less")


def dose_row(line: GroupLine, target: Target, quantile: float) -> dict[str, object]:
    """Return group, dose, lower, upper, within, says and beyond of one group.

    Limits are those doses about the estimate at which the line may stand at the target (Fieller's, where it is
    straight): 0 and infinity where they do not end.
    """
    unknown: dict[str, object] = {
        "group": line.name, "dose": math.nan, "lower": math.nan, "upper": math.nan, "within": False, "beyond": "",
    }  # fmt: skip
    way = _way(line)
    if abs(line.estimates @ way) <= quantile * math.sqrt(way @ line.covariance @ way):
        return unknown | {"says": f"the load made no sure difference{_with(line.name)}, so none can be named"}
    place, beyond = crossing(line, target.value)
    if beyond:
        return unknown | {"says": _beyond(line, target, above=beyond == "more"), "beyond": beyond}
    powers = _powers(line)
    variance = Polynomial([0.0])
    for (one, other), covariance in np.ndenumerate(line.covariance):
        variance = variance + powers[one] * powers[other] * float(covariance)
    ends = _real_roots((_height(line) - target.value) ** 2 - quantile**2 * variance)
    lower = max((end for end in ends if end < place), default=-math.inf)
    upper = min((end for end in ends if end > place), default=math.inf)
    with np.errstate(over="ignore"):
        dose, lower, upper = (float(np.exp(value)) for value in (place, lower, upper))
    return unknown | {"dose": dose, "lower": lower, "upper": upper, "within": True, "says": ""}


def _powers(line: GroupLine) -> list[Polynomial]:
    powers = [Polynomial([1.0]), Polynomial([0.0, 1.0]), Polynomial([-line.centre, 1.0]) ** 2]
    return powers[: len(line.estimates)]


def _height(line: GroupLine) -> Polynomial:
    height = Polynomial([0.0])
    for one, power in zip(line.estimates, _powers(line), strict=True):
        height = height + power * float(one)
    return height


def _way(line: GroupLine) -> np.ndarray:
    """Return the weights of the slope from the least dose tried to the greatest."""
    least, most = line.ends
    return np.array([0.0, 1.0, least + most - 2 * line.centre])[: len(line.estimates)]


def _real_roots(polynomial: Polynomial) -> list[float]:
    found = polynomial.trim().roots()
    return [float(root.real) for root in found if abs(float(root.imag)) < 1e-9 * (1 + abs(complex(root)))]


def _beyond(line: GroupLine, target: Target, *, above: bool) -> str:
    end = float(line.tried.max() if above else line.tried.min())
    amount = f"{end:g} {target.unit}".strip()
    reached = target.show(float(_height(line)(math.log(end)))) + _with(line.name)
    if above:
        return f"{amount}, the most tried, gives {reached}; {target.show(target.value)} was not reached"
    return f"{amount}, the least tried, already gives {reached}; {target.show(target.value)} would take less"


def _with(name: object) -> str:
    return "" if name == ALL else f" with {name}"
