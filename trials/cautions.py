"""Cautions a plan's own words call for: general information, each with its source.

A caution rather appears once too often. Words are looked for anywhere inside the plan's words, in a few
languages; a plan whose words name nothing that is known here, or are in another script, gets them all.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from trials.plan import Plan

GENERAL = (
    "General information, no legal or medical advice, and no list is complete. The maker's sheet and safety data "
    "sheet, local codes and the authority having jurisdiction, and licensed practice come first. Outside the "
    "USA your own rules hold instead of those named here."
)
"""What stands above the cautions wherever they are shown."""


@dataclass(frozen=True)
class Caution:
    """What to mind, in words, and who says so.

    Attributes
    ----------
    name : a short heading.
    short : one line that stands by itself, for the top of a sheet, a step or a jar's label.
    text : whole sentences.
    source : the agencies and papers behind it; what was not read again for this list is marked "from memory".
    """

    name: str
    short: str
    text: str
    source: str


WOOD_DUST = Caution(
    "Wood dust",
    "Wood dust harms lungs and burns: collect it at the tool, wear a particulate respirator.",
    "Wood dust is listed as a carcinogen and burns: collect it at the tool, and wear a particulate respirator "
    "when sanding, between coats too. A dust mask does nothing against vapour.",
    "NIOSH and OSHA on wood dust (from memory)",
)
DYE_POWDER = Caution(
    "Dye powder",
    "Never breathe dye powder: respirator, gloves, powder into liquid, wipe spills up wet.",
    "Breathing or touching dye powder can bring on asthma, eczema and severe allergy, and some dyes may cause "
    "cancer; once sensitised, a person reacts to tiny amounts. Weigh it in moving air that draws dust away from "
    "the face, with slow, smooth movements and a short way to carry; wear gloves, long sleeves, an apron and a "
    "fitted particulate respirator. Add powder to liquid, keep the lid on, wipe spills up wet, never sweep them.",
    "NIOSH Hazard Controls HC 13, publication 97-107 (1997); HSE (UK), Dyes and dyeing; respirators: OSHA 29 CFR "
    "1910.134 (from memory)",
)
SOLVENT = Caution(
    "Alcohol and other solvents",
    "It burns and its vapour travels: no flame, spark or heater, fresh air, lid on.",
    "Ethanol flashes at 13 °C (55 °F) and burns from 3.3 % in air; its limit for a working day is 1000 ppm. "
    "Denatured alcohol may hold methanol, which also passes through the skin. Vapour is heavier than air and "
    "travels to pilot lights, heaters and switches: no flame, spark or smoking, fresh air throughout, small "
    "closed containers, bonded and grounded pouring. Never heat shellac or alcohol over a flame. Against vapour "
    "wear the cartridge the safety data sheet names.",
    "NIOSH Pocket Guide to Chemical Hazards, ethyl alcohol; OSHA 29 CFR 1910.106; NFPA 30 (from memory); methanol: "
    "NIOSH (from memory)",
)
SPRAYING = Caution(
    "Spraying",
    "Spray only in a proper booth, with the respirator the sheet names; not planned here.",
    "Spraying what burns needs a proper booth with the right electrical rating; it is outside what this trial plans.",
    "OSHA 29 CFR 1910.107; NFPA 33 (both from memory)",
)
SKIN_AND_EYES = Caution(
    "Skin and eyes",
    "Gloves by the safety data sheet, and splash goggles.",
    "Choose gloves by the safety data sheet, for thin nitrile soon gives way in thinner; wear splash goggles.",
    "NIOSH Pocket Guide to Chemical Hazards, ethyl alcohol; gloves: from memory",
)
OILY_RAGS = Caution(
    "Oily rags",
    "Rags wet with oil catch fire by themselves: never pile them, see to them before you go.",
    "Rags wet with linseed or tung oil, oil varnish, oil glaze or gel stain heat up and catch fire by themselves. "
    "Never pile them. Spread or hang them outdoors, weighted and away from buildings; when dry put them into a "
    "metal container with a tight lid, filled with water and detergent, and ask the municipality about disposal. "
    "In a workplace: closed metal waste cans, emptied daily. Do not leave the shop before the rags are seen to.",
    "NFPA tip sheet on oily rags (2017); OSHA 29 CFR 1910.106(h)(8)(iii) and 1910.125(e)(4)",
)
WASTE = Caution(
    "Waste",
    "Nothing goes down the drain: wipes and remains into a closed, labelled container.",
    "Keep solvent wipes in a closed, labelled container without free liquid, for at most 180 days under the US EPA "
    "rule; spent solvent may be hazardous waste and states differ. Nothing goes down the drain, and a business may "
    "not let solvent evaporate to be rid of it.",
    "US EPA rule on solvent-contaminated wipes, 40 CFR 261.4 (paragraph from memory); evaporation: from memory",
)
STRONG_CHEMICALS = Caution(
    "Ammonia, dichromate, lye, bleach",
    "Ammonia, dichromate, lye, strong bleach: not planned here, ask a licensed specialist.",
    "Fuming with strong ammonia, dichromates, lye and strong bleaches are beyond these sheets, which give no way of "
    "working with them: ask a licensed specialist.",
    "This project's own rule",
)
HARDENERS = Caution(
    "Hardeners, catalysts, isocyanates",
    "Hardener or catalyst: not planned here. Maker's sheet, supplied air, a licensed shop.",
    "Isocyanates, in the hardeners of two-component finishes, can bring on asthma for life, in tiny amounts "
    "and through the skin too; once sensitised, a person reacts to a trace. Epoxy hardeners can sensitise the "
    "skin. Acid-cured and conversion finishes give off formaldehyde, which is listed as a carcinogen. These sheets "
    "plan no such work: the maker's sheet and safety data sheet, supplied air, health checks and a licensed shop.",
    "NIOSH topic page on isocyanates; NIOSH publication 96-111, Preventing asthma and death from diisocyanate "
    "exposure (1996); OSHA 29 CFR 1910.1048, formaldehyde; HSE (UK) on isocyanate paints (all from memory)",
)

ALL = (
    HARDENERS, DYE_POWDER, SOLVENT, SPRAYING, OILY_RAGS, SKIN_AND_EYES, WASTE, STRONG_CHEMICALS, WOOD_DUST,
)  # fmt: skip
_BY_NAME = {caution.name: caution for caution in ALL}

_DYES = (
    "dye", "dyed", "aniline", "stain", "pigment", "powder", "colour", "color", "tint", "toner", "concentrate",
    "g/l", "oz (weight)", "beize", "farb", "pulver", "teinture", "colorant", "tinte", "tinta", "kleurstof", "beits",
)  # fmt: skip
_SOLVENTS = (
    "alcohol", "ethanol", "methanol", "isoprop", "spirit", "meths", "shellac", "lacquer", "thinner", "solvent",
    "naphtha", "retarder", "acetone", "turpentine", "ngr", "grain raising", "metal-complex", "metal complex",
    "toluene", "xylene", "varnish", "urethane", "conversion", "nitro", "oil", "wax", "seal", "coat", "finish",
    "glaze", "stain", "glycol", "ether", "polish", "pound cut", "lb cut", "alkohol", "schellack", "lack", "verdünn",
    "öl", "lasur", "wachs", "alcool", "gomme", "vernis", "huile", "solvant", "barniz", "aceite", "goma laca", "alcol",
    "olio", "gommalacca", "vernice", "lak", "olie",
)  # fmt: skip
_OILS = (
    "oil", "linseed", "tung", "danish", "varnish", "alkyd", "gel", "glaze", "glazing", "wiping", "stain", "spirit",
    "spar", "boiled", "urethane", "wax", "öl", "leinsamen", "firnis", "lasur", "huile", "lin cuit", "vernis",
    "aceite", "barniz", "olio", "vernice", "olie",
)  # fmt: skip
_SPRAYS = ("spray", "hvlp", "airless", "mist coat", "gun", "booth", "spritz", "pistol", "pulvér", "spuit")
_STRONG = (
    "ammonia", "fume", "fuming", "dichromate", "chromate", "lye", "caustic", "hydroxide", "bleach", "peroxide",
    "oxalic", "nitric", "potash", "ammoniak", "räucher", "lauge", "soude", "bleich", "sosa", "soda",
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


def for_plan(plan: Plan) -> tuple[Caution, ...]:
    """Return the cautions a plan's words call for, wood dust always first.

    Parameters
    ----------
    plan : every text a person typed into it is read: title, factors, levels, controls, exclusions, steps, ....
    """
    text = "\n".join(_typed(plan)).casefold()
    called = [caution for caution, words in _RULES if any(word in text for word in words)]
    if not called or _in_another_script(text):
        called = [caution for caution, _ in _RULES]
    return (WOOD_DUST, *called)


def for_text(text: str) -> tuple[Caution, ...]:
    """Return the cautions that the words of one jar, step or part of a blend call for; wood dust is never one.

    Parameters
    ----------
    text : as a person typed it; where it names nothing that is known here, every caution is called.
    """
    plain = text.casefold()
    called = tuple(caution for caution, words in _RULES if any(word in plain for word in words))
    return tuple(caution for caution, _ in _RULES) if not called or _in_another_script(plain) else called


def named(names: Iterable[str], text: str = "") -> tuple[Caution, ...]:
    """Return the cautions of these names in their standing order, told of the materials that `text` names.

    Raises
    ------
    KeyError
        There is no caution of one of the names.
    """
    wanted = {_BY_NAME[name] for name in names}
    return tuple(caution for caution in ALL if caution in wanted)


def _typed(plan: Plan) -> Iterator[str]:
    """Go through the plan's words as a person typed them."""
    yield from (plan.title, plan.wood, plan.about)
    for factor in plan.factors:
        yield from (factor.words, *factor.levels, factor.unit)
    for control in plan.controls:
        yield control.name
    for exclusion in plan.exclusions:
        yield exclusion.why
    for response in plan.responses:
        yield response.words
    for step in plan.steps:
        yield from (step.name, step.material, step.note)


def _in_another_script(text: str) -> bool:
    """Whether a letter is neither Latin nor one of the Greek ones that stand in units."""
    letters = (letter for letter in text if letter.isalpha() and not letter.isascii())
    return any(not unicodedata.name(letter, "").startswith(("LATIN", "GREEK", "MICRO", "OHM")) for letter in letters)
