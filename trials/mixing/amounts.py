"""Factors, densities, and how amounts are written: metric first, US and imperial beside."""

from __future__ import annotations

import math
from typing import Literal

from trials import units
from trials.errors import Problem, UserError

OZ_G = 28.349523125
LB_G = 453.59237
US_GAL_ML = 3785.411784
IMPERIAL_GAL_ML = 4546.09
FT2_M2 = 0.09290304
"""NIST Handbook 44, appendix C, and NIST SP 811, appendix B.8: all exact."""
US_FL_OZ_ML, US_QT_ML = US_GAL_ML / 128, US_GAL_ML / 4
IMPERIAL_FL_OZ_ML, IMPERIAL_QT_ML = IMPERIAL_GAL_ML / 160, IMPERIAL_GAL_ML / 4

FLAKES_G_ML = 1.11
ALCOHOL_G_ML = 0.80
"""Density of shellac flakes and of alcohol: from memory."""
DYE_G_ML = 1.5
"""Density of dye powder, for the room it takes up in its carrier: assumed."""
WASTE = 0.25
"""What rag and cup keep of a small batch, 25 to 50 %: working value, no source."""
FLOOR_ML = 60.0
"""The least that is worth mixing: working value, no source."""
SOLUBLE_G_L = 59.9
"""2 oz by weight a US quart, which may be more than dissolves: common practice, no source."""
SHRINKS = "Volumes of different liquids do not add up exactly (alcohol and water shrink by some 3 %, from memory)."

Basis = Literal["of carrier", "up to"]
Unit = Literal["g", "mL"]


def volume_words(ml: float) -> str:
    """Return mL with US and imperial fluid ounces."""
    return f"{three(ml)} mL ({three(ml / US_FL_OZ_ML)} US fl oz, {three(ml / IMPERIAL_FL_OZ_ML)} imperial fl oz)"


def mass_words(grams: float) -> str:
    """Return g with ounces by weight."""
    return f"{three(grams)} g ({three(grams / OZ_G)} oz by weight)"


def amount_words(amount: float, unit: Unit) -> str:
    """Return an amount of g or mL in words."""
    return mass_words(amount) if unit == "g" else volume_words(amount)


def area_words(square_metres: float) -> str:
    """Return m² with square feet."""
    return f"{three(square_metres)} m² ({three(square_metres / FT2_M2)} ft²)"


def coverage_words(m2_l: float) -> str:
    """Return m²/L with square feet a US and an imperial gallon."""
    us, imperial = (m2_l / FT2_M2 * gallon / 1000 for gallon in (US_GAL_ML, IMPERIAL_GAL_ML))
    return f"{three(m2_l)} m²/L ({three(us)} ft² per US gal, {three(imperial)} ft² per imperial gal)"


def three(amount: float) -> str:
    """Write an amount to three figures, without exponent; whole numbers stay whole."""
    if amount <= 0 or not math.isfinite(amount):
        return f"{amount:g}"
    return f"{amount:.{min(max(0, 2 - math.floor(math.log10(amount * (1 + 1e-9)))), 6)}f}"


def decimals(step: float) -> int:
    """Return how many decimals a step is written with."""
    return max(0, -math.floor(math.log10(step) + 1e-9))


def amount_of(value: float | str, kind: str) -> float:
    """Return a quantity in the unit its kind is kept in, from a number or a text with its unit."""
    return units.read(value, kind).amount if isinstance(value, str) else value


def above_zero(amount: float, what: str, unit: str) -> float:
    """Return an amount, refusing what is not above 0."""
    if not (math.isfinite(amount) and amount > 0):
        raise UserError(Problem(f"{what} is {amount:g}", f"write an amount above 0 ({unit})"))
    return amount


def check_share(percent: float) -> None:
    """Refuse what is no share of a liquid, in per cent."""
    if not 0 <= percent < 100:
        raise UserError(Problem(f"{percent:g} % is no share of a liquid", "write one from 0 to below 100 %"))
