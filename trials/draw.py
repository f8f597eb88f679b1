"""Random choices that a seed alone decides.

The draws are made from the one generator whose stream Python promises to keep (``random.Random`` with an
integer seed, its ``random()`` method), so that a seed gives the same layout on every platform and version.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import TypeVar

T = TypeVar("T")


class Draw:
    """Random choices that depend on nothing but the seed."""

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed).random

    def below(self, number: int) -> int:
        """Return a whole number from 0 to ``number - 1``."""
        return int(self._random() * number)

    def shuffled(self, items: Sequence[T]) -> list[T]:
        """Return the items in random order (Fisher-Yates)."""
        result, draw = list(items), self._random
        for at in range(len(result) - 1, 0, -1):
            other = int(draw() * (at + 1))  # `below`, without the call: this is the innermost loop of a layout
            result[at], result[other] = result[other], result[at]
        return result
