"""Quantities as a finisher writes them: a number and its unit, never one without the other.

Conversions are pint's, whose US measures are those of NIST Handbook 44, appendix C. An ounce must say
whether it is one of weight or of fluid: powder is weighed, concentrate is poured.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from trials import limits
from trials.errors import Problem, UserError

BASES = {
    "length": "mm",
    "time": "min",
    "dye load": "g/L",
    "volume": "mL",
    "mass": "g",
    "area": "m^2",
    "spread": "m^2/L",
    "share": "percent",
    "dose": "mL/m^2",
    "speed": "m/s",
    "rate": "m^2/min",
}
"""Each kind of quantity the trade measures, and the unit it is kept in."""

_ASKED = {
    "length": "a length with its unit, such as '600 mm' or '24 in'",
    "time": "a time with its unit, such as '3 min'",
    "dye load": "a load with its unit, such as '15 g/L' or '1 oz (weight)/qt'",
    "volume": "a volume with its unit, such as '500 mL'",
    "mass": "a mass with its unit, such as '20 g'",
    "area": "an area with its unit, such as '0.8 m^2'",
    "spread": "a coverage with its unit, such as '7 m^2/L'",
    "share": "a share with its unit, such as '5 %'",
    "dose": "a dose with its unit, such as '150 mL/m^2'",
    "speed": "a speed with its unit, such as '0.25 m/s'",
    "rate": "a rate of wiping with its unit, such as '0.5 m^2/min'",
}
_LONGEST_MIN = 100 * 365.25 * 24 * 60
"""A hundred years, in minutes: a date and a time to dry are a date again."""
_LONGEST_UNIT = 60
_NOT_A_POWER = re.compile(r"(?:\^|\*\*)(?!\s*[+-]?[1-4]\b(?!\s*(?:\^|\*\*)))|(?<![\^*\w+-])\s*\d")
"""What is no unit but arithmetic: a power other than one from 1 to 4, or a bare number."""
_NUMBER = r"[+-]?\d+(?:[.,]\d+)?"
_QUANTITY = re.compile(rf"^\s*({_NUMBER})\s*(.*?)\s*$", re.DOTALL)
_WEIGHT_OUNCE = re.compile(r"\boz\.?\s*(?:\((?:weight|wt)\.?\)|weight\b|wt\b\.?)")
_FLUID_OUNCE = re.compile(r"\b(?:fl\.?|fluid)\s*(?:oz|ounces?)\b\.?|\boz\.?\s*\(fluid\)")
_IMPERIAL = re.compile(r"\b(?:imp\.?|imperial|UK)\s+(qt|quart|pt|pint|gal|gallon|cup|fluid_ounce)s?\b", re.IGNORECASE)
_US = re.compile(r"\bUS\s+(?=qt|quart|pt|pint|gal|gallon|cup|fluid_ounce)")
_MEASURE = re.compile(
    r"(?<!\w)(?:(US|imp\.?|imperial|UK)\s+)?(fl oz|gallon|gal|quart|qt|pint|pt|cup)s?\b", re.IGNORECASE
)
_BARE_OUNCE = re.compile(r"\b(?:oz|ounces?)\b")


@dataclass(frozen=True)
class Quantity:
    """An amount in the unit its kind is kept in (`BASES`), with the text it was written as."""

    amount: float
    kind: str
    text: str


def split(text: str) -> tuple[float, str] | None:
    """Return the leading number of `text` and what follows it, or None where there is no number."""
    match = _QUANTITY.match(text)
    return (float(match.group(1).replace(",", ".")), match.group(2)) if match else None


def read(text: object, kind: str) -> Quantity:
    """Read a quantity of a given kind.

    Parameters
    ----------
    text : as written, e.g. ``"600 mm"``.
    kind : a key of `BASES`.

    Raises
    ------
    UserError
        Not text, no number, no unit, an unknown unit, a unit of another kind, an ounce that does not say of what,
        or an amount out of all proportion. The fault has no place; the caller knows it.
    """
    if not isinstance(text, str):
        raise UserError(Problem(f"{text!r} has no unit", f"write {_ASKED[kind]}, between quotation marks"))
    parts = split(text)
    if parts is None:
        raise UserError(Problem(f"{text!r} does not begin with a number", f"write {_ASKED[kind]}"))
    number, unit = parts
    if not unit:
        raise UserError(Problem(f"{text!r} has no unit", f"write {_ASKED[kind]}"))
    amount = number * _per_unit(unit, kind)
    most = _LONGEST_MIN if kind == "time" else limits.MOST
    if not (limits.is_sensible(amount) and abs(amount) <= most):
        raise UserError(Problem(f"{text!r} is out of all proportion", f"write {_ASKED[kind]}"))
    return Quantity(amount, kind, text.strip())


def kind_of(unit: str) -> str | None:
    """Return which kind of quantity a unit measures, or None for a unit of no kind known here.

    Raises
    ------
    UserError
        An ounce that does not say of what.
    """
    parsed = _parse(unit)
    if parsed is None:
        return None
    for kind, base in BASES.items():
        if kind == "share":
            if unit in ("%", "percent"):
                return kind
        elif parsed.check(base):
            return kind
    return None


def assumed_us(text: str) -> str:
    """Return the measure that was taken as a US one because the text does not say, such as ``qt``, or nothing."""
    found = _MEASURE.findall(_FLUID_OUNCE.sub("fl oz", text))
    return next((measure for system, measure in found if not system), "")


def ounces_in(text: str) -> Literal["US", "imperial"] | None:
    """Return whose ounces and quarts a text is written in, or None where in none."""
    plain = _FLUID_OUNCE.sub("fl oz", text)
    found = _MEASURE.findall(plain)
    if found:
        return "US" if any(system.casefold() in ("", "us") for system, _ in found) else "imperial"
    return "US" if re.search(r"\b(?:oz|ounces?)\b", plain) else None


@cache
def _per_unit(unit: str, kind: str) -> float:
    """Return how many of the kept unit one `unit` is."""
    parsed = _parse(unit)
    if parsed is None:
        raise UserError(Problem(f"the unit {unit!r} is not known", f"write {_ASKED[kind]}"))
    base = _registry().Quantity(1, BASES[kind])
    if parsed.dimensionality != base.dimensionality:
        other = kind_of(unit)
        measures = f"measures {other}" if other else "measures something else"
        raise UserError(Problem(f"{unit!r} {measures}, not {kind}", f"write {_ASKED[kind]}"))
    return float(parsed.to(base.units).magnitude)


@cache
def _parse(unit: str) -> Any | None:
    """Return one `unit` as a pint quantity, or None where pint does not know it."""
    import pint

    text = _FLUID_OUNCE.sub("fluid_ounce", unit.replace("²", "^2").replace("³", "^3"))
    text = _US.sub("", _WEIGHT_OUNCE.sub("avoirdupois_ounce", text))
    text = _IMPERIAL.sub(lambda match: f"imperial_{match.group(1)}", text)
    if _BARE_OUNCE.search(text):
        raise UserError(
            Problem(
                f"{unit!r} does not say whether the ounce is one of weight or of fluid",
                "write 'oz (weight)' for powder or 'fl oz' for a liquid",
            )
        )
    if not re.fullmatch(r"[\w\s/*^%.()-]+", text) or re.match(r"[\d(]", text):
        return None
    if len(text) > _LONGEST_UNIT or _NOT_A_POWER.search(text):
        return None
    try:
        parsed = _registry().parse_expression("percent" if text == "%" else text)
    except (pint.errors.PintError, AssertionError, ValueError, TypeError, SyntaxError):
        return None
    return parsed if isinstance(parsed, _registry().Quantity) else None


@cache
def _registry() -> Any:
    import pint

    registry: Any = pint.UnitRegistry()
    registry.define("avoirdupois_ounce = 28.349523125 * gram")
    return registry
