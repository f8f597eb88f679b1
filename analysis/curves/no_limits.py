"""Why a wait has no 95 % limits."""

from __future__ import annotations

from enum import StrEnum


class NoLimits(StrEnum):
    """The reasons there are."""

    ONE_BOARD = "one board a carrier"
    """How boards differ is not known."""
    BETWEEN = "between waits tried"
    """Laps turn too suddenly: the limits are the waits tried on either side, and not 95 % ones."""
