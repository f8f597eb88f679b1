"""Cautions a plan's own words call for: general information, each with its source.

Materials of the table call what stands in their entry. What is left of a text is looked through for words in a few
languages. A material that is not known calls every caution that could apply to it, and so does a plan whose words
name nothing that is known here, or are in another script: a caution rather appears once too often.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import cache

from trials.materials.hardeners import hardener_in
from trials.materials.hazards import (
    ALL,
    BY_NAME,
    CEILING,
    DYE_POWDER,
    FOOD,
    GENERAL,
    HARDENERS,
    JARS,
    METHANOL,
    METHANOL_SOURCE,
    OILY_RAGS,
    SKIN_AND_EYES,
    SOLVENT,
    SPRAYING,
    STRONG_CHEMICALS,
    WASTE,
    WOOD_DUST,
    Caution,
)  # fmt: skip
from trials.materials.in_plan import schedule
from trials.materials.liquids import Liquid, liquids, liquids_in
from trials.materials.reading import load
from trials.materials.table import Material, Materials
from trials.materials.words import is_nothing, plain
from trials.plan import Plan

__all__ = [
    "ALL", "FOOD", "GENERAL", "HARDENERS", "JARS", "OILY_RAGS", "SKIN_AND_EYES", "SOLVENT", "SPRAYING",
    "STRONG_CHEMICALS", "WOOD_DUST", "Caution", "for_plan", "for_text", "named",
]  # fmt: skip

_DYES = (
    "dye", "dyed", "aniline", "stain(?!less)", "pigment", "powder", "colour", "color", "tint", "toner", "concentrate",
    "g l", "oz weight", "*beize", "*farb", "*pulver", "teint", "colorant", "tinte", "tinta", "kleurstof", "*beits",
)  # fmt: skip
_SOLVENTS = (
    "alcohol", "ethanol", "methanol", "isoprop", "spirit", "meths", "shellac", "lacquer", "thinner", "solvent",
    "naphtha", "retarder", "turpentine", "ngr", "grain raising", "metal complex", "varnish",
    "*urethane", "nitro", "oil", "*wax", "glaze", "stain(?!less)", "glycol", r"ether\b", "polish", "lb cut",
    "*alkohol", "*schellack", "*(?<![bs])lack", "*verdünn", "*öl", "*lasur", "*wachs", "alcool", "gomme", "vernis",
    "huile", "solvant", "barniz", "aceite", "goma laca", "alcol", "olio", "gommalacca", "vernice", r"*lak\b", "*olie",
)  # fmt: skip
_OILS = (
    "oil", "linseed", "tung", "danish", "varnish", "alkyd", r"gel\b", "glaze", "glazing", "wiping", "stain(?!less)",
    "spirit", r"spar\b", "boiled", "*urethane", "*wax", "*öl", "leinsamen", "*firnis", "*lasur", "huile", "lin cuit",
    "vernis", "aceite", "barniz", "olio", "vernice", "*olie",
)  # fmt: skip
_SPRAYS = (
    "spray", "hvlp", "airless", r"mist\b", r"gun\b", "booth", "*spritz", "pistol", "pulvér", "*spuit",
)  # fmt: skip
_STRONG = (
    "ammonia", "fume", "fuming", "*chromate", r"lye\b", "caustic", "*hydroxide", "bleach", "*peroxide", "oxalic",
    "nitric", "potash", "*ammoniak", "*räucher", "*lauge", "soude", "*bleich", "sosa", "soda",
)  # fmt: skip
_RULES: tuple[tuple[Caution, tuple[str, ...]], ...] = (
    (DYE_POWDER, _DYES),
    (SOLVENT, _SOLVENTS),
    (SPRAYING, _SPRAYS),
    (OILY_RAGS, _OILS),
    (SKIN_AND_EYES, _DYES + _SOLVENTS + _OILS),
    (WASTE, _SOLVENTS + _OILS + _SPRAYS),
    (STRONG_CHEMICALS, _STRONG),
)
"""Which words call which caution: at a word's beginning, with a star anywhere in it."""

_STEPS_NAMES = re.compile(r"\b(?:glaz\w*|seal\w*|coat\w*|topcoat\w*|wash ?coat\w*|finish\w*|stain resist\w*)\b")
"""Words that tell of a step or a look, where it is said elsewhere what goes on."""
_PUT_ON = re.compile(r"\b(?:product|brand|material|liquid|mix|recipe|coating|paint|polish|oil|varnish|lacquer|wax)")
"""Words of a factor whose levels are liquids, whatever they are called."""
_EVERY = tuple(caution for caution in ALL if caution is not WOOD_DUST)
_ON_A_COAT = tuple(caution for caution in _EVERY if caution not in (DYE_POWDER, STRONG_CHEMICALS))


def for_plan(plan: Plan, table: Materials | None = None) -> tuple[Caution, ...]:
    """Return the cautions a plan's words call for, wood dust always first.

    Parameters
    ----------
    plan : every text a person typed into it is read: title, factors, levels, controls, exclusions, steps, ....
    table : the materials, the built-in ones if not given.
    """
    called, at_hand = _said_in(plan, table or load())
    return _told(called | {WOOD_DUST}, at_hand)


def for_text(text: str, table: Materials | None = None) -> tuple[Caution, ...]:
    """Return the cautions that the words of one jar, step or part of a blend call for; wood dust is never one.

    Parameters
    ----------
    text : as a person typed it; where it names nothing that is known here, every caution is called. The name of a
        kind alone, such as ``carrier``, stands for every entry of it.
    table : the materials, the built-in ones if not given.
    """
    table = table or load()
    called, at_hand = _said_of("; ".join(table.names(plain(text))) or text, table)
    if table.hardener(text):
        called, at_hand = called | set(_ON_A_COAT), set(liquids())
    if not called - {SPRAYING, WASTE} or _in_another_script(text):
        called, at_hand = set(_EVERY), set(liquids())
    return _told(called, at_hand)


def named(names: Iterable[str], said: Plan | str = "") -> tuple[Caution, ...]:
    """Return the cautions of these names in their standing order, told of the materials that a plan or a text names.

    Raises
    ------
    KeyError
        There is no caution of one of the names.
    """
    _, at_hand = _said_in(said, load()) if isinstance(said, Plan) else _said_of(said, load())
    return _told({BY_NAME[name] for name in names}, at_hand)


def _said_in(plan: Plan, table: Materials) -> tuple[set[Caution], set[Liquid]]:
    """Return the cautions that a plan calls, and the liquids at hand."""
    called: set[Caution] = set()
    at_hand: set[Liquid] = set()
    for text, is_material in _typed(plan):
        calls, thins = _said_of(text if is_material else _STEPS_NAMES.sub(" ", text.casefold()), table)
        called |= calls
        at_hand |= thins
    for factor in plan.factors:
        named_here = [level for level in factor.levels if not is_nothing(level) and not level[:1].isdigit()]
        if _PUT_ON.search(factor.words.casefold()) and not all(_said_of(level, table)[0] for level in named_here):
            called, at_hand = called | set(_EVERY), set(liquids())
    for kind in schedule(plan, table).unknown_kinds:
        called |= set(_EVERY if kind in ("carrier", "dye") else _ON_A_COAT)
        at_hand = set(liquids())
    if not called or any(_in_another_script(text) for text, _ in _typed(plan)):
        called, at_hand = set(_EVERY), set(liquids())
    return called, at_hand


def _said_of(text: str, table: Materials) -> tuple[set[Caution], set[Liquid]]:
    """Return the cautions that a text calls, and the liquids that it names or that its materials hold."""
    entries, rest = table.mentioned(text)
    called = {BY_NAME[name] for entry in entries for name in entry.cautions}
    called |= {caution for caution, words in _RULES if _pattern(words).search(rest)}
    if hardener_in(text):
        called.add(HARDENERS)
    named_here = {liquid for liquid in liquids_in(text) if liquid.flash}
    if named_here:
        called |= {SOLVENT, SKIN_AND_EYES, WASTE}
    held = {name for entry in entries for name in _held(entry, text, named_here)}
    return called, named_here | {liquid for liquid in liquids() if liquid.name in held}


def _held(entry: Material, text: str, named_here: set[Liquid]) -> tuple[str, ...]:
    """Return what an entry holds; a carrier that is called by the name of one solvent is that solvent."""
    by_its_name = f" {plain(entry.name)} " in f" {plain(text)} "
    return () if entry.kind == "carrier" and named_here and not by_its_name else entry.liquids


def _told(called: set[Caution], at_hand: set[Liquid]) -> tuple[Caution, ...]:
    """Return cautions in their order, that of solvents with the figures of what is at hand, jars with any liquid."""
    wet = called - {WOOD_DUST, SPRAYING, STRONG_CHEMICALS}
    listed = [caution for caution in ALL if caution in (called | {JARS} if wet else called)]
    return tuple(_of_solvents(at_hand) if caution is SOLVENT else caution for caution in listed)


def _of_solvents(at_hand: set[Liquid]) -> Caution:
    """Return the caution of solvents with the figures of those at hand, of all where none is known."""
    burning = [liquid for liquid in liquids() if liquid.flash]
    among = [liquid for liquid in burning if liquid in at_hand] or burning
    figures = "; ".join(_figures(liquid) for liquid in among)
    text = f"{figures[:1].upper()}{figures[1:]}. {CEILING} {SOLVENT.text}"
    sources = [*dict.fromkeys(liquid.source for liquid in among), SOLVENT.source]
    if any(liquid.name == "ethanol" for liquid in among):
        text, sources = f"{text} {METHANOL}", [*sources, METHANOL_SOURCE]
    return replace(SOLVENT, text=text, source="; ".join(sources))


def _figures(liquid: Liquid) -> str:
    """Return when a liquid burns and what its limit is, in words."""
    parts = [f"{liquid.name}: catches fire from {liquid.flash}"]
    if liquid.burns:
        parts.append(f"burns from {liquid.burns} in air")
    if liquid.ceiling:
        parts.append(f"limit {liquid.ceiling}")
    return ", ".join(parts) + (f" ({liquid.note})" if liquid.note else "")


def _typed(plan: Plan) -> Iterator[tuple[str, bool]]:
    """Go through the plan's words as a person typed them, each with whether it says what goes on the wood."""
    yield from ((text, False) for text in (plan.title, plan.wood, plan.about))
    for factor in plan.factors:
        yield factor.words, False
        yield from ((f"{level} {factor.unit if factor.amounts else ''}", True) for level in factor.levels)
    yield from ((control.name, False) for control in plan.controls)
    yield from ((exclusion.why, False) for exclusion in plan.exclusions)
    yield from ((response.words, False) for response in plan.responses)
    for step in plan.steps:
        yield step.name, not step.material
        yield step.material, True
        yield step.note, False


@cache
def _pattern(words: tuple[str, ...]) -> re.Pattern[str]:
    return re.compile("|".join(word[1:] if word.startswith("*") else rf"\b{word}" for word in words))


def _in_another_script(text: str) -> bool:
    """Whether a letter is neither Latin nor one of the Greek ones that stand in units."""
    letters = (letter for letter in text if letter.isalpha() and not letter.isascii())
    return any(not unicodedata.name(letter, "").startswith(("LATIN", "GREEK", "MICRO", "OHM")) for letter in letters)
