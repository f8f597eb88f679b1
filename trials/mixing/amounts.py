"""Factors, densities, and how amounts are written: as a balance and a beaker show them."""

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
"""How much more is made than the wood takes, for what rag and cup keep, 25 to 50 %: working value, no source."""
FLOOR_ML = 60.0
"""The least that is worth mixing: working value, no source."""
SOLUBLE_G_L = 59.9
"""2 oz by weight a US quart, which may be more than dissolves: common practice, no source."""
Basis = Literal["of carrier", "up to"]
Unit = Literal["g", "mL"]
System = Literal["US", "imperial"]


def grams(amount: float, division: float = 0.01) -> str:
    """Return g as a balance of that division shows it, to three figures at most: ``0.90 g``, ``28.3 g``."""
    return f"{_shown(amount, division)} g"


def millilitres(ml: float, division: float = 0.0) -> str:
    """Return mL as a beaker shows it: whole ones from 10, tenths below, or in steps of the division it is read to."""
    if not division:
        return f"{ml:.0f} mL" if ml >= 9.95 else f"{ml:.1f} mL" if ml >= 0.095 else f"{ml:.2g} mL"
    return f"{_shown(ml, division)} mL"


def measured(ml: float) -> str:
    """Return mL that were rounded to a division already: ``15.3 mL``, ``60 mL``."""
    return f"{ml:.2f}".rstrip("0").rstrip(".") + " mL"


def amount_words(amount: float, unit: Unit, division: float = 0.0) -> str:
    """Return an amount of g or mL in words."""
    return grams(amount, division or 0.01) if unit == "g" else millilitres(amount, division)


def in_ounces(amount: float, unit: Unit, system: System) -> str:
    """Return an amount of g or mL in ounces, by weight or fluid."""
    if unit == "g":
        return f"{three(amount / OZ_G)} oz (weight)"
    return f"{three(amount / (US_FL_OZ_ML if system == 'US' else IMPERIAL_FL_OZ_ML))} fl oz"


def per_cent(share: float) -> str:
    """Return a share in per cent, to a figure or two: ``0.04 %``, ``0.6 %``, ``12 %``."""
    return f"{100 * share:.{0 if share >= 0.0995 else 1 if share >= 0.00095 else 2}f} %"


def three(amount: float) -> str:
    """Write an amount to three figures, without exponent; whole numbers stay whole."""
    return f"{amount:.{_places(amount)}f}" if amount > 0 and math.isfinite(amount) else f"{amount:g}"


def plain(amount: float) -> str:
    """Write an amount to three figures without the noughts at its end: ``15``, ``7.49``."""
    text = three(amount)
    return text.rstrip("0").rstrip(".") if "." in text else text


def _shown(amount: float, division: float) -> str:
    """Write an amount to one division, to three figures at most."""
    places, of_division = _places(amount), decimals(division)
    return (
        f"{amount:.{places}f}" if places < of_division else f"{round(amount / division) * division:.{of_division}f}"
    )


def _places(amount: float) -> int:
    if amount <= 0:
        return 2
    return min(max(0, 2 - math.floor(math.log10(amount * (1 + 1e-9)))), 6)


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
