"""What the trade knows of carriers, dyes, seal coats, glazes and top coats, and whether a plan's go together.

The table is ``materials.toml`` in this folder, in general words, a source to every entry and cell. A shop's own
file of the same shape overrides or adds; what comes from it is marked. A maker's sheet overrides everything.
"""

from __future__ import annotations

from trials.materials.hardeners import refusal
from trials.materials.hazards import BY_NAME as CAUTIONS
from trials.materials.in_plan import Schedule, schedule
from trials.materials.liquids import Liquid, Mix, doubtful, liquids, liquids_in, mix
from trials.materials.reading import load
from trials.materials.table import BUILT_IN, KINDS, Fit, Material, Materials, Over, Range
from trials.materials.together import Check, Checked, checks
from trials.materials.words import is_nothing

__all__ = [
    "BUILT_IN", "CAUTIONS", "KINDS", "Check", "Checked", "Fit", "Liquid", "Material", "Materials", "Mix", "Over",
    "Range", "Schedule", "checks", "doubtful", "is_nothing", "liquids", "liquids_in", "load", "mix", "refusal",
    "schedule",
]  # fmt: skip
