"""Times of the bench in words: how long, which day, what the clock says."""

from __future__ import annotations

import re

from trials.bench.hours import DAY_S
from trials.errors import Problem, UserError

_CLOCK = re.compile(r"^\s*([01]?\d|2[0-3]):([0-5]\d)\s*$")


def span(seconds: int) -> str:
    """Return a length of time as it is read: ``2 h 30 min``, ``45 s``."""
    hours, rest = divmod(seconds, 3600)
    minutes, left = divmod(rest, 60)
    parts = [f"{hours} h"] if hours else []
    parts += [f"{minutes} min"] if minutes else []
    parts += [f"{left} s"] if left or not parts else []
    return " ".join(parts)


def clock(opens_s: int, time_s: int, *, seconds: bool = False) -> str:
    """Return what the clock says: ``08:05``, with seconds where there are any, or where others on a day have some.

    Parameters
    ----------
    opens_s : the opening of the shop, seconds after midnight.
    time_s : seconds from the opening of the first day.
    """
    minutes, left = divmod((opens_s + time_s) % DAY_S, 60)
    text = f"{minutes // 60:02d}:{minutes % 60:02d}"
    return f"{text}:{left:02d}" if left or seconds else text


def read_clock(text: str) -> int:
    """Return the seconds after midnight of a time of day such as ``08:00``.

    Raises
    ------
    UserError
        It is no time of day.
    """
    match = _CLOCK.match(text)
    if match is None:
        raise UserError(Problem(f"{text!r} is not a time of day", "write hours and minutes, such as 08:00"))
    return int(match.group(1)) * 3600 + int(match.group(2)) * 60
