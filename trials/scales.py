"""The scales in words, for the responses the trade scores by eye: five grades each, running as the name does.

The wording is this project's own. Five grades with every one described, three being the middle, follow
the usual advice for anchored scales; no published scale for finish grades was found.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Scale:
    """Five grades in words.

    Attributes
    ----------
    anchors : of grade 1 to 5; a higher grade is more of what the name says.
    aim : ``more`` or ``less``, whichever is wanted of it; empty where that is the finisher's to say.
    says : the beginning of a sentence about it: ``laps show`` 0.3 grade more.
    less, more : what a lower and a higher grade are called there.
    """

    anchors: tuple[str, str, str, str, str]
    aim: str
    says: str
    less: str
    more: str

    @property
    def the_other_aim(self) -> str:
        """The aim where the words run the other way; empty where there is none."""
        return {"more": "less", "less": "more"}.get(self.aim, "")

    @property
    def the_other_way(self) -> str:
        """The anchors from the last to the first, as a plan says them."""
        return f"anchors = {json.dumps(self.anchors[::-1], ensure_ascii=False)}"


SCALES = {
    "darkness": Scale(
        (
            "like bare wood under clear coat",
            "light tint, the wood's colour leads",
            "middle brown, both share",
            "deep, the wood's colour just shows",
            "near black, no wood colour",
        ),
        "", "darkness came out", "lighter", "darker",
    ),
    "figure_clarity": Scale(
        (
            "fleck lost; the surface reads as one tone",
            "fleck found only by searching at 0.5 m",
            "fleck plain at 0.5 m, fades at 2 m",
            "fleck plain at 2 m, edges soft",
            "fleck crisp at 2 m, edges sharp, ground even",
        ),
        "more", "figure clarity came out", "less clear", "clearer",
    ),
    "lap_visibility": Scale(
        (
            "no line in any light",
            "line seen only in raking light",
            "line seen at 0.5 m only",
            "line seen at 2 m when told where",
            "dark line seen at 2 m at once",
        ),
        "less", "laps show", "less", "more",
    ),
    "blotch": Scale(
        (
            "none in any light",
            "patches only in raking light",
            "faint patches at 0.5 m",
            "patches seen at 1 m",
            "cloudy patches break up the board at 2 m",
        ),
        "less", "blotch came out", "weaker", "stronger",
    ),
    "grain_raise": Scale(
        (
            "smooth as sanded",
            "felt only with a dry cloth",
            "slight nap, one scuff clears it",
            "clearly furry to a fingertip",
            "rough, catches a cloth",
        ),
        "less", "grain raise came out", "smoother", "rougher",
    ),
}  # fmt: skip
"""The scale of a graded response by its name."""


def anchors(response: str, grades: int) -> tuple[str, ...]:
    """Return the words for each grade of a response, or nothing where there are none of that number."""
    return SCALES[response].anchors if grades == 5 and response in SCALES else ()


def spread_out(words: Sequence[str], grades: int) -> tuple[str, ...]:
    """Return words for every grade, of which the lowest, the middle and the highest are given.

    ``none, plain, strong`` for five grades is ``none, between 1 and 3, plain, between 3 and 5, strong``.
    """
    middle = (grades + 1) // 2
    given = dict(zip((1, middle, grades), words, strict=True))
    return tuple(
        given.get(grade, f"between 1 and {middle}" if grade < middle else f"between {middle} and {grades}")
        for grade in range(1, grades + 1)
    )
