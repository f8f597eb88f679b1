"""One question on grades, answered three ways."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.three_ways.way import NAMES, Name, Way
from trials.plan import Question


@dataclass(frozen=True)
class Compared:
    """One question on a graded response, answered three ways.

    Attributes
    ----------
    question : of the plan.
    first, second : the pair of levels: what is said is said of `second` instead of `first`. The finding's own
        leading pair, where it has one.
    about : ``pair``, or ``factor`` where p is of the factor at all of its levels: the question names no pair of
        several, or the pair's own pieces allow no re-randomisation. The same for all three ways.
    averages, ordered, rerandomised : what each way says.
    leading : which of them comes first in words.
    agree : whether all that can be had, two at least, say the same; see `agreed` for the rule.
    sentence : all of that in plain words.
    """

    question: Question
    first: str
    second: str
    about: str
    averages: Way
    ordered: Way
    rerandomised: Way
    leading: Name
    agree: bool
    sentence: str

    @property
    def ways(self) -> tuple[Way, ...]:
        """The three, the leading one first."""
        found = {"averages": self.averages, "ordered": self.ordered, "rerandomised": self.rerandomised}
        return (found[self.leading], *(found[name] for name in NAMES if name != self.leading))

    @property
    def led(self) -> Way:
        """The way that leads."""
        return self.ways[0]
