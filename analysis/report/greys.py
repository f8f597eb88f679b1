"""The greys that stand for values on the drawings of the boards, and what is written on them."""

from __future__ import annotations

import math
from collections.abc import Mapping

from analysis.report import words
from trials.plan import Response

LIGHT, DARK = 0.97, 0.42
"""The greys of the lowest and the highest value, as shares of white's sRGB value."""


class Shade:
    """How the values of one response are written, and the grey that stands for each."""

    def __init__(self, response: Response | None, values: Mapping[int, float]) -> None:
        self.response, self.values = response, values
        self.by_lightness = response is not None and response.unit.strip().casefold() == "l*"
        self.low, self.high = min(values.values(), default=0.0), max(values.values(), default=0.0)
        self.spread = self.high - self.low

    def text(self, value: float) -> str:
        """Return a value as it stands on its patch."""
        kind = self.response.kind if self.response else ""
        if kind == "yes_no" and value in (0.0, 1.0):
            return "yes" if value else "no"
        if kind != "measure":
            return words.plain(round(value, 2))
        decimals = 2 if self.spread == 0 else 2 - math.floor(math.log10(self.spread))
        return words.number(value, min(max(decimals, 0), 6))

    def fill(self, value: float) -> str:
        """Return the grey of a value: its own lightness, or its place between the lowest and the highest."""
        if self.by_lightness:
            return grey_of_lightness(value)
        share = (value - self.low) / self.spread if self.spread > 0 else 0.4
        return grey(LIGHT + share * (DARK - LIGHT))

    @property
    def legend(self) -> str:
        """What the greys stand for."""
        if self.by_lightness:
            return (
                "Each patch is shown in the neutral grey of its L*, which a screen or a printer gives only roughly."
            )
        if self.spread == 0:
            return "All patches that were read have the same value, and so the same grey."
        low, high = self.text(self.low), self.text(self.high)
        if self.response is None or self.response.kind == "yes_no":
            return f"Lightest grey is {low}, darkest {high}."
        more = "laps show more" if self.response.is_of_laps else self.response.went(more=True)
        return f"Darker grey means {more}: from {low} (lightest) to {high} (darkest)."


def grey(level: float) -> str:
    """Return the grey with this share of white's sRGB value."""
    return "#" + f"{round(255 * min(max(level, 0.0), 1.0)):02x}" * 3


def grey_of_lightness(lightness: float) -> str:
    """Return the neutral grey of a CIE 1976 lightness, clipped to 0 to 100.

    Source: CIE 15:2004, 8.2.1, for Y from L*; IEC 61966-2-1:1999 for sRGB from linear light.
    """
    clipped = min(max(lightness, 0.0), 100.0)
    luminance = ((clipped + 16) / 116) ** 3 if clipped > 8 else clipped * 27 / 24389
    return grey(12.92 * luminance if luminance <= 0.0031308 else 1.055 * luminance ** (1 / 2.4) - 0.055)


def ink_on(fill: str) -> str:
    """Return black or white, whichever has more contrast with a grey (relative luminance as in WCAG 2)."""
    coded = int(fill[1:3], 16) / 255
    luminance = coded / 12.92 if coded <= 0.04045 else ((coded + 0.055) / 1.055) ** 2.4
    return "#000000" if (luminance + 0.05) ** 2 >= 1.05 * 0.05 else "#ffffff"
