"""What may be told while the scoring is open: words that name no level and no control, and who may see which sheet.

Pure: a plan and texts in, texts out. A text rather goes once too often.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterator
from functools import lru_cache

from trials.plan import Plan

MAY_SEE = "Blind: whoever scores may see this."
MUST_NOT_SEE = "Not blind: whoever scores must not see this."
"""One of the two stands on every page of every sheet."""

_NUMBER = re.compile(r"\d+(?:[.,]\d+)?")
_UNITS = {
    "l": "l litre litres liter liters", "ml": "millilitre millilitres milliliter milliliters",
    "g": "g gram grams gramme grammes", "kg": "kilo kilos kilogram kilograms", "mg": "milligram milligrams",
    "s": "s sec secs second seconds", "min": "min mins minute minutes", "h": "h hr hrs hour hours",
    "d": "d day days", "oz": "oz ounce ounces", "lb": "lb lbs pound pounds", "qt": "qt quart quarts",
    "pt": "pt pint pints", "gal": "gal gallon gallons", "fl": "fl fluid", "cut": "cut cuts", "percent": "cent %",
    "mm": "mm millimetre millimetres millimeter millimeters", "cm": "cm", "m": "m metre metres meter meters",
    "in": "in inch inches", "grit": "grit grits", "us": "", "imp": "imperial", "weight": "wt", "coat": "coats",
}  # fmt: skip
_UNIT = {word: unit for unit, words in _UNITS.items() for word in (unit, *words.split())}
"""Each word for a unit, and the one that stands for all alike."""
_COUNTED = {
    word + ending
    for word in ("board", "lot", "plank", "lane", "strip", "patch", "assessor", "look", "piece", "sample", "way")
    for ending in ("", "s", "es")
}
"""Before one of these a number counts, and is no amount."""
_SHORT = 3
_ENDINGS = ("s", "ed", "d", "y", "ing")
"""What a word of three letters may end with ("oily"); a longer one with anything ("shellacked")."""


def title(plan: Plan) -> str:
    """Return the trial's title, or one that gives nothing away where it names a level or a control."""
    return untold(plan, " ".join(plan.title.split())) or f"Trial {plan.layout_digest()[:8]}"


def untold(plan: Plan, text: str) -> str:
    """Return the text, or nothing where it names a level or a control."""
    return "" if names_treatment(plan, text) else text


def names_treatment(plan: Plan, text: str) -> bool:
    """Whether a level or a control is named, as whole words; see `names`."""
    return any(names(text, told) for told in treatments(plan))


def given_away(plan: Plan, is_nothing: Callable[[str], bool]) -> Iterator[str]:
    """Say which words that whoever scores reads name a level or a control, levels aside that are nothing."""
    told = [one for one in treatments(plan) if not is_nothing(one)]
    read = [(one.name, " ".join((one.words, one.unit, "; ".join(one.anchors)))) for one in plan.responses]
    read += [(one.name, f"{one.words} {one.ask}") for one in plan.preferences]
    for name, text in read:
        named = [repr(treatment) for treatment in told if names(text, treatment)]
        if named:
            yield f"What whoever scores reads of {name!r} names {', '.join(named)}: choose words for what is seen."


def treatments(plan: Plan) -> list[str]:
    """Return all that can be laid on a patch, as the plan writes it."""
    return [level for factor in plan.factors for level in factor.levels] + [one.name for one in plan.controls]


def names(text: str, treatment: str) -> bool:
    """Whether a text names a treatment, in whatever case, spacing, punctuation and words for units.

    It must begin as a word does, and from three letters on may have an ending ("oiled"). An amount is named by its
    bare number too ("15 or 30?"), unless that is a single digit, counts something or has another unit; a treatment of
    words and an amount by its words. An "a" in lower case is an article, and not the level "A".
    """
    said, sought = _words(text), _words(treatment)
    if not sought:
        return _folded(treatment).strip() in _folded(text)
    if treatment.strip() == "A":
        return "A" in re.findall(r"\w+", text)
    if _stands(said, sought):
        return True
    words = tuple(_without_amount(sought))
    return _stands(said, words) if words else len(sought) > 1 and _bare(said, *sought[:2])


def _stands(said: tuple[str, ...], sought: tuple[str, ...]) -> bool:
    """Whether words stand in a row somewhere, written together or apart, the last one with or without an ending."""
    whole = "".join(sought)
    for start in range(len(said)) if whole else ():
        joined = ""
        for word in said[start:]:
            joined += word
            if joined == whole or (joined.startswith(whole) and _is_ending(joined[len(whole) :], whole)):
                return True
            if len(joined) >= len(whole):
                break
    return False


def _is_ending(rest: str, whole: str) -> bool:
    if not (whole[-1].isalpha() and rest.isalpha()):
        return False
    return len(whole) > _SHORT or (len(whole) == _SHORT and rest in _ENDINGS)


def _without_amount(words: tuple[str, ...]) -> Iterator[str]:
    """Yield the words but for each number and the units after it."""
    amount = False
    for word in words:
        amount = word[0].isdecimal() or (amount and word in _UNITS)
        if not amount:
            yield word


def _bare(said: tuple[str, ...], number: str, unit: str) -> bool:
    """Whether a number stands by itself, or with the unit sought: as an amount, not as a count or another amount."""
    after = (*said[1:], "")
    return any(
        word == number and len(word) > 1 and (then == unit or (then not in _UNITS and then not in _COUNTED))
        for word, then in zip(said, after, strict=False)
    )


@lru_cache(maxsize=4096)
def _words(text: str) -> tuple[str, ...]:
    """Return the words and numbers of a text as they compare: without case, letters that have none one by one.

    Words for a unit are one and the same; "per" stands for a stroke and is left out, as strokes are.
    """
    found: list[str] = []
    for part in re.findall(r"\d+(?:[.,]\d+)?|[^\W\d_]+|%", _folded(text)):
        if _NUMBER.fullmatch(part):
            found.append(_plain_number(part))
        elif any(unicodedata.category(letter) == "Lo" for letter in part):
            found += part
        elif part != "per":
            found.append(_UNIT.get(part, part))
    return tuple(found)


def _plain_number(written: str) -> str:
    whole, _, part = written.replace(",", ".").partition(".")
    part = part.rstrip("0")
    return f"{whole}.{part}" if part else whole


def _folded(text: str) -> str:
    return unicodedata.normalize("NFKC", text).casefold()
