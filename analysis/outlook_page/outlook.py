"""What the page is told: what a layout will be able to tell, and what other sizes would."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from analysis.precision import Expected
from trials.selection import Alias


@dataclass(frozen=True, eq=False)
class Size:
    """What other numbers of boards, assessors and repeated looks would tell of one question.

    Attributes
    ----------
    words : the question, short: ``seal coat on figure clarity``.
    table : as `analysis.precision.size`, its sentences in ``.attrs["notes"]``.
    readers : as `analysis.precision.readers`, or None.
    worth : of the question, in the response's unit.
    chance : of settling the question that is wanted.
    several : whether several pairs of levels are compared, so that the chances of the two answers differ.
    """

    words: str
    table: pd.DataFrame
    readers: pd.DataFrame | None
    worth: float
    chance: float = 0.8
    several: bool = False

    @property
    def enough(self) -> int | None:
        """The least number of boards with the wanted chance, if one has it."""
        if "enough" in self.table.attrs:
            return None if self.table.attrs["enough"] is None else int(self.table.attrs["enough"])
        found = self.table.loc[self.table["chance"] >= self.chance, "boards"]
        return int(found.min()) if len(found) else None

    @property
    def known(self) -> pd.DataFrame:
        """The sizes that have an answer, ascending."""
        return self.table[self.table["chance"].notna() & self.table["half_width"].notna()].sort_values("boards")


@dataclass(frozen=True, eq=False)
class Outlook:
    """What a layout will be able to tell.

    Attributes
    ----------
    title : of the trial.
    boards : the boards, a sentence.
    answers : as `analysis.precision.expected`: questions first, then every other effect on each response.
    sources : where the variances come from, a sentence for each response.
    mixed_up, mixed_up_words : the pairs of effects that are mixed up, and the sentences that say so.
    notes : what else to know.
    sizes : for none, some or all of the questions.
    enough : whether the boards are enough, a sentence; empty where that is not asked.
    """

    title: str
    boards: str
    answers: tuple[Expected, ...]
    sources: tuple[str, ...] = ()
    mixed_up: tuple[Alias, ...] = ()
    mixed_up_words: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    sizes: tuple[Size, ...] = ()
    enough: str = ""

    @property
    def questions(self) -> tuple[Expected, ...]:
        """The answers that a question of the plan asks for."""
        return tuple(one for one in self.answers if one.question is not None)


def is_known(one: Expected) -> bool:
    """Whether an effect can be judged and its interval is known."""
    return one.can_be_judged and math.isfinite(one.half_width)


def worth_of(one: Expected) -> float:
    """Return what is worth having in an answer to a question."""
    if one.question is None:
        raise ValueError(f"{one.effect} on {one.response} answers no question, so nothing is said to be worth having")
    return one.question.worth
