"""Sanding and what is wet: no dust on wet colour, no sander beside solvent.

The rule, kept by `trials.bench.hours.Hours` and by the solver: on each day all sanding ends before anything wet
begins.
"""

from __future__ import annotations

import re

from trials.plan import Step

REASON = (
    "On each day all sanding comes before anything wet, so that no dust falls on wet colour and no sander runs "
    "beside solvent. Clean down after it; boards still wet from the day before stand out of the dust."
)
"""The rule in words, with why it is kept."""

_ABRASIVE = re.compile(
    r"\b(?:sand(?!al|y|stone)|scuff|abras|denib|de-nib|rub(?:bed|bing)? (?:down|out|back)|scrap(?:e|ing)"
    r"|plan(?:e|ing)\b|schleif|pon[cç]|lij|carteggi|schu+r)|schliff|sandpaper|grit\b"
)
"""Words of work that makes dust, in the languages that the cautions know."""
_LIQUID = re.compile(
    r"dye|stain|beiz|teint|tint|seal|shellac|glaz|coat|oil|varnish|lacquer|wax|finish|paint|polish|alcohol|spirit"
    r"|naphtha|acetone|thinner|solvent|turpentine"
)
_SEALER = re.compile(r"\bsanding[ -]?sealers?")
_WET_SANDING = re.compile(r"\bwet[ -]?(?:and[ -]dry[ -])?(?:sand|scuff)")


def makes_dust(step: Step) -> bool:
    """Whether there may be dust at a step, be it only at its side: a caution is rather shown once too often."""
    words = _SEALER.sub("", f"{step.name} {step.material} {step.note}".casefold())
    return step.stage == "bare" or bool(_ABRASIVE.search(words))


def sands(step: Step) -> bool:
    """Whether a step is dry work with abrasive: its name speaks of that before any liquid, and it puts nothing on.

    The material counts too where the step ends with bare wood.
    """
    name = step.name.casefold()
    found, liquid = _ABRASIVE.search(name), _LIQUID.search(name)
    puts_on = step.dwell or (liquid and step.stage in ("dyed", "glazed"))
    if puts_on or _SEALER.search(name) or _WET_SANDING.search(name):
        return False
    if found and (liquid is None or found.start() < liquid.start()):
        return True
    return step.stage == "bare" and not liquid and bool(_ABRASIVE.search(step.material.casefold()))


def wets(step: Step) -> bool:
    """Whether a step leaves something wet or has solvent about: all but sanding, and dry work on bare wood."""
    if sands(step):
        return False
    return step.stage != "bare" or bool(step.dwell or _LIQUID.search(f"{step.name} {step.material}".casefold()))
