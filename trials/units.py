"""Quantities as a finisher writes them: a number and its unit, never one without the other.

Conversions are pint's, whose US measures are those of NIST Handbook 44, appendix C. An ounce must say
whether it is one of weight or of fluid: powder is weighed, concentrate is poured.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from fractions import Fraction
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
    "length": "a length with its unit, such as '600 mm' or '5 1/2 in'",
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
_QUANTITY = re.compile(r"^\s*([+-]?\d+(?:[.,]\d+)?)\s*(.*?)\s*$", re.DOTALL)
_FRACTION = re.compile(r"^\s*(?:(\d+)(?:\s+|\s*-\s*))?(\d+)\s*/\s*(\d+)(?![\d.,/])\s*(.*?)\s*$", re.DOTALL)
"""``5 1/2 in``, ``5-1/2"`` or ``3/4 in``: a whole number, a fraction, and what follows."""
_VULGAR = re.compile(r"[\u00bc-\u00be\u2150-\u215e]")
_FOOT = r"(?:ft\b\.?|feet\b|foot\b|['\u2032\u2019])"
_INCH = r"(?:in\b\.?|inch\b|inches\b|''|[\"\u2033\u201d])"
_TAPE = (("foot", re.compile(_FOOT)), ("inch", re.compile(_INCH)))
_FEET_AND_INCHES = re.compile(rf"^\s*(\d+)\s*{_FOOT}\s*-?\s*(\d.*?)\s*{_INCH}\s*$")
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
    """Return the leading number of `text` and what follows it, or None where there is no number.

    The number may be a tape's: ``5 1/2 in``, ``5½"``, and feet with inches, which come out in inches.
    """
    plain = _written_out(text)
    if both := _FEET_AND_INCHES.match(plain):
        inches = split(both.group(2))
        return (12 * float(both.group(1)) + inches[0], "in") if inches and not inches[1] else None
    if (found := _FRACTION.match(plain)) and not _wrong_fraction(text):
        whole, above, below, unit = found.groups()
        return float(whole or 0) + float(above) / float(below), unit
    match = _QUANTITY.match(plain)
    return (float(match.group(1).replace(",", ".")), match.group(2)) if match else None


def with_unit_of(text: str, other: str) -> str:
    """Return `text` with the unit of `other` where it has none of its own, as in ``400 to 450 mm``."""
    bare, unit = split(text), split(other)
    return f"{text} {unit[1]}".strip() if bare and unit and not bare[1] else text


def in_inches(text: str) -> bool:
    """Whether a length is written in inches or feet, so that whoever wrote it works by such a rule."""
    return any(unit.search(_written_out(text)) for _, unit in _TAPE)


def on_the_rule(length_mm: float, *, inches: bool) -> str:
    """Return a length as a rule shows it, without its unit: to half a millimetre, or to a sixteenth of an inch.

    ``288.333 mm`` is ``288.5``; in inches ``11 3/8``.
    """
    if not inches:
        return f"{round(2 * length_mm) / 2:g}"
    whole, part = divmod(Fraction(round(16 * length_mm / 25.4), 16), 1)
    return " ".join(str(piece) for piece in (whole, part) if piece) or "0"


def _written_out(text: str) -> str:
    """Return text with ``½`` as `` 1/2``."""
    text = text.replace("\u2044", "/")
    return _VULGAR.sub(lambda sign: " " + unicodedata.normalize("NFKC", sign.group()).replace("\u2044", "/"), text)


def _wrong_fraction(text: str) -> str:
    """Return what is wrong with a fraction, such as ``1/0`` or ``5 3/2``, or nothing."""
    plain = _written_out(text)
    both = _FEET_AND_INCHES.match(plain)
    found = _FRACTION.match(both.group(2) if both else plain)
    if found is None:
        return ""
    whole, above, below, _ = found.groups()
    sensible = int(below) > 0 and (whole is None or int(above) < int(below))
    return "" if sensible else f"{above}/{below}"


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
    if wrong := _wrong_fraction(text):
        raise UserError(Problem(f"{wrong} in {text!r} is not a fraction of one", f"write {_ASKED[kind]}"))
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

    if tape := next((name for name, sign in _TAPE if sign.fullmatch(unit)), ""):
        unit = tape
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
