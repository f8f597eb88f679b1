"""What one assessor looks at, in which order: codes alone, from which no treatment follows."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass


@dataclass(frozen=True)
class Scale:
    """One response as it is scored: ``grade`` or ``yes_no``, its grades in words from 1 up, when it is read."""

    name: str
    words: str
    kind: str
    grades: int
    half_grades: bool
    anchors: tuple[str, ...]
    stages: tuple[str, ...]


@dataclass(frozen=True)
class Choice:
    """One paired comparison as it is asked: the response's name, and the question in words."""

    name: str
    ask: str


@dataclass(frozen=True)
class Look:
    """A patch to score; `repeat` is 2 where the assessor has seen it before in this round."""

    patch: int
    repeat: int = 1


@dataclass(frozen=True)
class Pair:
    """Two patches side by side; on a repeat, 2, the sides are swapped."""

    choice: str
    left: int
    right: int
    repeat: int = 1


@dataclass(frozen=True)
class Round:
    """All that is scored after one stage of the work: single patches first, then pairs."""

    stage: str
    looks: tuple[Look, ...]
    pairs: tuple[Pair, ...] = ()


@dataclass(frozen=True)
class Sitting:
    """What one assessor scores.

    Attributes
    ----------
    assessor : who; empty where the plan names nobody and the page asks.
    sitting_id : letters and digits; the same boards and assessor give the same again, others another.
    rounds : in the order of the work.
    scales, choices : what is asked of a patch and of a pair.
    rest_after : looks between two rests.
    how_to_look : sentences to read before the first patch.
    mark : what stands at the head where results are invented.
    """

    assessor: str
    sitting_id: str
    rounds: tuple[Round, ...]
    scales: tuple[Scale, ...]
    choices: tuple[Choice, ...]
    rest_after: int
    how_to_look: tuple[str, ...]
    mark: str = ""


def scores_file(assessor: str) -> str:
    """Return the name that the scoring page saves an assessor's scores under (``tableName`` in its table.js)."""
    word = re.sub(r"\W+", "-", unicodedata.normalize("NFC", assessor))[:40].strip("-_")
    return f"scores-{word or 'assessor'}.csv"
