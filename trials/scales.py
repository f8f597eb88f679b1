"""The five anchored grades in words, for the responses the trade scores by eye.

The wording is this project's own. Five grades with every one described, three being the middle, follow
the usual advice for anchored scales; no published scale for finish grades was found.
"""

from __future__ import annotations

ANCHORS: dict[str, tuple[str, str, str, str, str]] = {
    "darkness": (
        "like bare wood under clear coat",
        "light tint, the wood's colour leads",
        "middle brown, both share",
        "deep, the wood's colour just shows",
        "near black, no wood colour",
    ),
    "figure_clarity": (
        "fleck lost; the surface reads as one tone",
        "fleck found only by searching at 0.5 m",
        "fleck plain at 0.5 m, fades at 2 m",
        "fleck plain at 2 m, edges soft",
        "fleck crisp at 2 m, edges sharp, ground even",
    ),
    "lap_visibility": (
        "dark line seen at 2 m at once",
        "line seen at 2 m when told where",
        "line seen at 0.5 m only",
        "line seen only in raking light",
        "no line in any light",
    ),
    "blotch": (
        "cloudy patches break up the board at 2 m",
        "patches seen at 1 m",
        "faint patches at 0.5 m",
        "patches only in raking light",
        "none in any light",
    ),
    "grain_raise": (
        "rough, catches a cloth",
        "clearly furry to a fingertip",
        "slight nap, one scuff clears it",
        "felt only with a dry cloth",
        "smooth as sanded",
    ),
}
"""Grade 1 to 5 by response. Lap visibility, blotch and grain raise are marked so that 5 is best."""


def anchors(response: str, grades: int) -> tuple[str, ...]:
    """Return the words for each grade of a response, or nothing where there are none of that number."""
    return ANCHORS.get(response, ()) if grades == 5 else ()
