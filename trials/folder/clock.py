"""The time as it is written."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import UTC, datetime

_SET: ContextVar[str] = ContextVar("the time that the clock was set to", default="")


def now() -> str:
    """Return the time in UTC, RFC 3339, to the second."""
    return _SET.get() or datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


@contextmanager
def set_to(time: str) -> Iterator[None]:
    """Let the clock stand at a time, RFC 3339: an example's own, so that its dates follow one another."""
    before = _SET.set(time)
    try:
        yield
    finally:
        _SET.reset(before)
