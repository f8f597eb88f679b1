"""Which schedule meets a brief: every combination of levels, the chance that a new board meets it, its cost.

`rank` ranks them; `confirm` says what a confirmation board should read; `by_cost` and `worth_it` set money beside
what was found.
"""

from __future__ import annotations

from analysis.schedules.confirming import Confirmation, confirm
from analysis.schedules.ranking import Ranking, rank
from analysis.schedules.together import Together, together
from analysis.schedules.worth import Gain, Priced, Worth, by_cost, worth_it
from trials.brief import Brief, Condition, read

__all__ = [
    "Brief",
    "Condition",
    "Confirmation",
    "Gain",
    "Priced",
    "Ranking",
    "Together",
    "Worth",
    "by_cost",
    "confirm",
    "rank",
    "read",
    "together",
    "worth_it",
]
