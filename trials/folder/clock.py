"""The time as it is written."""

from __future__ import annotations

from datetime import UTC, datetime


def now() -> str:
    """Return the time in UTC, RFC 3339, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
