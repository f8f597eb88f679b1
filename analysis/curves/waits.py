"""How long an edge may wait with one carrier, in words."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from analysis.curves.columns import ALL
from analysis.curves.no_limits import NoLimits
from trials import lap

_NO_LIMITS = {
    NoLimits.ONE_BOARD: "One board a carrier was read: how boards differ is not known, so there are no limits.",
    NoLimits.BETWEEN: "Laps come too suddenly to say the wait more closely than by the waits tried on either side.",
}


@dataclass(frozen=True)
class Wait:
    """How long an edge may wait with one carrier, in minutes with 95 % limits; NaN where it cannot be told.

    Where laps stay rarer than asked up to the longest wait tried, `minutes` is infinite and `lower` no more than
    that wait. `no_limits` says why `lower` and `upper` are not 95 % limits, where they are not.
    """

    carrier: str
    minutes: float
    lower: float
    upper: float
    sentence: str
    no_limits: NoLimits | None = None


def wait_of(row: dict[str, object], tried: pd.Series, what: str) -> Wait:
    """Make one carrier's answer; beyond the longest wait tried nothing is promised."""
    name = str(row["group"])
    minutes, lower, upper = (float(str(row[key])) for key in ("x", "lower", "upper"))
    shortest, longest = float(tried.min()), float(tried.max())
    start = "the edge" if name == ALL else f"with {name} the edge"
    if math.isnan(minutes) or (lower <= 0 and math.isinf(upper) and row["no_limits"] is not None):
        return Wait(
            name, minutes, lower, upper, f"{start.replace('the edge', 'how long the edge may wait')} cannot be told"
        )
    why = NoLimits(str(row["no_limits"])) if row["no_limits"] is not None else None
    if why is NoLimits.BETWEEN:
        return Wait(name, minutes, lower, upper, f"{start} may wait {apart_words(lower, upper)} {what}", why)
    if why is NoLimits.ONE_BOARD:
        on_it = "longer than any wait tried" if minutes > longest else time_words(minutes)
        on_it = f"less than {time_words(shortest)}, the shortest tried," if minutes < shortest else on_it
        told = minutes if minutes <= longest else math.inf
        return Wait(name, told, lower, upper, f"{start} may wait {on_it} {what} on the one board read", why)
    if minutes > longest:
        held = min(lower, longest)
        says = f"{start} may wait {time_words(longest)}, the longest tried, and perhaps longer {what}"
        if held < longest:
            says = f"{start} may wait longer than any wait tried {what}, but for sure only {time_words(held)}"
        return Wait(name, math.inf, held, upper, says)
    if minutes < shortest:
        says = f"{start} may wait less than {time_words(shortest)}, the shortest tried, {what}"
        if 60 * minutes >= 1:
            says += f"; the curve puts it at {time_words(minutes)} ({limit_words(lower, upper)})"
        return Wait(name, minutes, lower, upper, says)
    limits = limit_words(lower, upper)
    return Wait(name, minutes, lower, upper, f"{start} may wait {time_words(minutes)} ({limits}) {what}")


def why_no_limits(waits: Iterable[Wait]) -> list[str]:
    """Return why some waits have no limits, a sentence a reason."""
    found = {wait.no_limits for wait in waits}
    return [words for reason, words in _NO_LIMITS.items() if reason in found]


def limit_words(lower: float, upper: float) -> str:
    """Return a wait's limits, in minutes, as they are said at the bench: ``3 min to 5 min``, ``3 min or more``."""
    if math.isnan(lower):
        return "limits not known"
    low_end = 60 * lower < 1
    if low_end and math.isinf(upper):
        return "the readings set no limits"
    if math.isinf(upper):
        return f"{time_words(lower)} or more"
    return f"up to {time_words(upper)}" if low_end else f"{time_words(lower)} to {time_words(upper)}"


def apart_words(lower: float, upper: float) -> str:
    """Return ``3 min but not 5 min``, of two waits tried with nothing between them to go by."""
    if lower == 0 or math.isinf(upper):
        return f"{time_words(lower)} or more" if lower else f"less than {time_words(upper)}"
    return f"{time_words(lower)} but not {time_words(upper)}"


def time_words(minutes: float) -> str:
    """Return a wait as it is said at the bench, to no more than its first two digits or so."""
    seconds = 60 * minutes
    if seconds >= 100:
        seconds = 10 * round(seconds / 10) if seconds < 600 else 60 * round(seconds / 60)
    return lap.time_words(seconds)
