"""What can hurt at the bench: the cautions' words, each with its source and how that was read."""

from __future__ import annotations

from dataclasses import dataclass

GENERAL = (
    "General information, no legal or medical advice, and no list is complete. The maker's sheet and safety data "
    "sheet, local codes and the authority having jurisdiction, and licensed practice come first. Outside the "
    "USA your own rules hold instead of those named here."
)
"""What stands above the cautions wherever they are shown."""

FOOD = (
    "Whether the finish is fit to touch food, or for toys and what children chew: ask its maker for the certificate "
    "and for how long it must cure."
)
"""What no trial on boards can tell."""


@dataclass(frozen=True)
class Caution:
    """What to mind, in words, and who says so.

    Attributes
    ----------
    name : a short heading.
    short : one line that stands by itself, for the top of a sheet, a step or a jar's label.
    text : whole sentences.
    source : the agencies and papers behind it, and how each was read.
    """

    name: str
    short: str
    text: str
    source: str


WOOD_DUST = Caution(
    "Wood dust",
    "Wood dust harms lungs and burns: collect it at the tool, wear a particulate respirator.",
    "Wood dust is listed as a carcinogen and burns: collect it at the tool, and wear a particulate respirator "
    "when sanding, between coats too; dust of dyed and finished wood carries dye and coating with it. Dust charges "
    "the hose: ground it. Never draw solvent or its vapour into a vacuum cleaner, whose motor sparks. Dust with oil "
    "or fresh finish in it heats up like an oily rag: empty bag and bin outdoors when you stop. A dust mask does "
    "nothing against vapour.",
    "NIOSH and OSHA on wood dust, NFPA 664 (from memory); dyed dust, vacuum and oily dust: common practice, no "
    "source",
)
DYE_POWDER = Caution(
    "Dye powder",
    "Never breathe dye powder: respirator, gloves, powder into liquid, wipe spills up wet.",
    "Breathing or touching dye powder can bring on asthma, eczema and severe allergy, and some dyes may cause "
    "cancer; once sensitised, a person reacts to tiny amounts. Weigh it in moving air that draws dust away from "
    "the face, with slow, smooth movements and a short way to carry; wear gloves, long sleeves, an apron and a "
    "fitted particulate respirator. Add powder to liquid, keep the lid on, wipe spills up wet, never sweep them.",
    "NIOSH Hazard Controls HC 13, publication 97-107, 1997 (abstract); HSE (UK), Dyes and dyeing (excerpt); "
    "respirators: OSHA 29 CFR 1910.134 (from memory)",
)
SOLVENT = Caution(
    "Alcohol and other solvents",
    "It burns and its vapour travels: no flame, spark or heater, fresh air, lid on.",
    "Vapour is heavier than air and travels to pilot lights, heaters and switches: no flame, spark or smoking, fresh "
    "air throughout, small closed containers. Solvent charges itself as it is poured: pour slowly, from and into "
    "metal that is bonded and grounded. Warm shellac or alcohol in warm water away from any flame, never over one. "
    "Against vapour wear the cartridge the safety data sheet names. Have an extinguisher at hand, and nobody should "
    "be alone with it.",
    "vapour: an industrial safety course page (excerpt, weak); OSHA 29 CFR 1910.106 and NFPA 30 (from memory); "
    "heating: a supplier's shellac mixing chart, 2013 (page text, weak); extinguisher and company: common practice, "
    "no source",
)
METHANOL = "Denatured alcohol may hold methanol, which passes through the skin and which cartridges may not stop."
METHANOL_SOURCE = "methanol: NIOSH (from memory)"
CEILING = "A limit is a ceiling for the mean of a working day, no permission: stay far below it."
SPRAYING = Caution(
    "Spraying",
    "Spray only in a proper booth, with the respirator the sheet names; not planned here.",
    "Spraying what burns needs a proper booth with the right electrical rating, and any mist, of waterborne coats "
    "too, the respirator its safety data sheet names; it is outside what this trial plans.",
    "OSHA 29 CFR 1910.107 and NFPA 33 (from memory); waterborne mist: common practice, no source",
)
HARDENERS = Caution(
    "Hardeners, catalysts, isocyanates",
    "Hardener or catalyst: not planned here. Maker's sheet, supplied air, a licensed shop.",
    "Isocyanates, in the hardeners of two-component finishes, can bring on asthma for life, also in tiny amounts "
    "and through the skin too; once sensitised, a person reacts to a trace. A cartridge mask is not enough for "
    "spraying them. Epoxy hardeners can sensitise the skin. Acid-cured and conversion finishes give off "
    "formaldehyde, which is listed as a carcinogen. These sheets plan no such work: the maker's sheet and safety "
    "data sheet, supplied air, health checks and a licensed shop.",
    "NIOSH publication 96-111, Preventing asthma and death from diisocyanate exposure, 1996 (from memory); OSHA 29 "
    "CFR 1910.1048, formaldehyde (from memory); HSE (UK) on isocyanate paints (from memory); epoxy: from memory",
)
SKIN_AND_EYES = Caution(
    "Skin and eyes",
    "Gloves by the safety data sheet, and splash goggles.",
    "Choose gloves by the safety data sheet, for thin nitrile soon gives way in thinner; wear splash goggles.",
    "NIOSH Pocket Guide to Chemical Hazards, ethyl alcohol (page text); gloves: from memory",
)
JARS = Caution(
    "Jars",
    "Name on the jar, lid on, out of reach of children and pets; never a food container.",
    "Write on every jar what is in it and what to mind, keep the lid on and the jar out of reach of children and "
    "pets; never use a container that held or could hold food or drink.",
    "common practice, no source",
)
OILY_RAGS = Caution(
    "Oily rags",
    "Rags wet with oil catch fire by themselves: never pile them, see to them before you go.",
    "Rags wet with linseed or tung oil, oil varnish, oil glaze or gel stain heat up and catch fire by themselves: "
    "never pile them. At home spread or hang them outdoors, weighted and away from buildings; when dry put them "
    "into a metal container with a tight lid, filled with water and detergent, and ask the municipality about "
    "disposal. In a business they go straight into a closed metal can that is emptied at least daily, and are not "
    "dried outdoors. A rag with both oil and solvent is both: an oily rag, and solvent waste. Do not leave the "
    "shop before the rags are seen to.",
    "NFPA tip sheet on oily rags, 2017 (page text); OSHA 29 CFR 1910.106(h)(8)(iii) and 1910.125(e)(4) (excerpt)",
)
WASTE = Caution(
    "Waste",
    "Nothing goes down the drain: wipes and remains into a closed, labelled container.",
    "Keep solvent wipes in a closed, labelled container without free liquid; a business in the USA for at most 180 "
    "days, and it may not let solvent evaporate to be rid of it. Spent solvent may be hazardous waste; states "
    "differ. Nothing goes down the drain.",
    "US EPA rule on solvent-contaminated wipes: a consultant's summary (excerpt), 40 CFR 261.4 (paragraph from "
    "memory); evaporation: from memory",
)
STRONG_CHEMICALS = Caution(
    "Ammonia, dichromate, lye, bleach",
    "Ammonia, dichromate, lye, strong bleach: not planned here, ask a licensed specialist.",
    "Fuming with strong ammonia, dichromates, lye and strong bleaches are beyond these sheets, which give no way of "
    "working with them: ask a licensed specialist.",
    "this project's own rule, no source",
)

ALL = (
    WOOD_DUST, HARDENERS, DYE_POWDER, SOLVENT, SPRAYING, OILY_RAGS, SKIN_AND_EYES, WASTE, STRONG_CHEMICALS, JARS,
)  # fmt: skip
"""Every caution, in the order in which they stand."""
BY_NAME = {caution.name: caution for caution in ALL}
