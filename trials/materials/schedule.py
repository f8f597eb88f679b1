"""Which materials a plan names: by factor, by level, by step."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from trials.materials.table import KINDS, Material, Materials
from trials.materials.words import AS_THE_STEP_SAYS, NOTHING, is_nothing, plain
from trials.plan import Factor, Plan

STAGES = {"carrier": "dyed", "dye": "dyed", "seal coat": "sealed", "glaze": "glazed", "top coat": "topcoated"}
"""The stage that each kind of material ends."""
_HINTS = {
    "carrier": ("carrier", "solvent"),
    "dye": ("dye", "colourant", "colorant", "stain"),
    "seal coat": ("seal", "washcoat", "barrier"),
    "glaze": ("glaze",),
    "top coat": ("top", "finish"),
}


@dataclass(frozen=True)
class Schedule:
    """Which factor varies which kind of material, and what the steps say of each kind.

    Attributes
    ----------
    factors : the factor that varies a kind, for the kinds that are varied.
    texts : the words of the steps at each kind's stage.
    unknown : levels and step materials the table does not know.
    """

    plan: Plan
    materials: Materials
    factors: Mapping[str, Factor]
    texts: Mapping[str, str]
    unknown: tuple[str, ...]

    def material(self, kind: str, treatment: Mapping[str, Any]) -> Material | None:
        """Return what a treatment is given of a kind, or None for nothing and for what is not known.

        A step that describes the level more closely counts: level ``shellac``, step ``dewaxed shellac``.
        """
        step = self.materials.recognise(self.texts[kind], kind) if self.texts[kind] else None
        if kind not in self.factors:
            return step
        level = str(treatment.get(self.factors[kind].name) or "")
        if is_nothing(level):
            return None
        if plain(level) in AS_THE_STEP_SAYS:
            return step
        named = self.materials.recognise(level, kind)
        if named and step and named.name in (step.name, *step.kind_of):
            return replace(step, cut_lb=step.cut_lb if named.cut_lb is None else named.cut_lb)
        return named

    def is_sprayed(self, kind: str, treatment: Mapping[str, Any]) -> bool:
        """Whether a coat is sprayed, from the words of its level and step."""
        level = str(treatment.get(self.factors[kind].name) or "") if kind in self.factors else ""
        return bool(re.search(r"\b(?:spray|mist|hvlp)", f"{self.texts[kind]} {level}".casefold()))


def schedule(plan: Plan, materials: Materials) -> Schedule:
    """Find out which factor varies which material, and what the steps say."""
    factors, unknown = _roles(plan, materials)
    texts: dict[str, str] = {}
    for kind, stage in STAGES.items():
        steps = [step for step in plan.steps if step.stage == stage]
        texts[kind] = "; ".join(text for step in steps for text in (step.material, step.name, step.note) if text)
        told = {"carrier", "dye"} if kind == "dye" else {kind}
        if kind == "carrier" or told & set(factors):
            continue
        carrier = _without_dyes(texts[kind], materials) if kind == "dye" else ""
        if not materials.recognise(texts[kind], kind) and not materials.recognise(carrier, "carrier"):
            unknown.extend(step.material for step in steps if step.material)
    texts["carrier"] = _without_dyes(texts["carrier"], materials)
    return Schedule(plan, materials, factors, texts, tuple(dict.fromkeys(unknown)))


def _roles(plan: Plan, materials: Materials) -> tuple[dict[str, Factor], list[str]]:
    """Return the factor that varies each kind, and the levels of such factors that are not known."""
    best: dict[str, tuple[int, Factor]] = {}
    unknown: list[str] = []
    for factor in plan.factors:
        if factor.amounts is not None:
            continue
        words = factor.words.casefold()
        hinted = [kind for kind in KINDS if any(hint in words for hint in _HINTS[kind])]
        named = [level for level in factor.levels if plain(level) not in (*NOTHING, *AS_THE_STEP_SAYS)]
        known = {kind: sum(bool(materials.recognise(level, kind)) for level in named) for kind in hinted or KINDS}
        if not hinted:
            known = {kind: count for kind, count in known.items() if named and count == len(named)}
            known = known if len(known) == 1 else {}
        if not known:
            continue
        kind = max(known, key=lambda kind: known[kind])
        unknown.extend(level for level in named if not materials.recognise(level, kind))
        if (known[kind] or not named) and (kind not in best or known[kind] > best[kind][0]):
            best[kind] = (known[kind], factor)
    return {kind: best[kind][1] for kind in KINDS if kind in best}, unknown


def _without_dyes(text: str, materials: Materials) -> str:
    """Take the names of dyes out of a text, so that ``water-soluble powder in alcohol`` names one carrier."""
    rest = f" {plain(text)} "
    for entry in materials.entries:
        for spelling in (entry.name, *entry.also) if entry.kind == "dye" else ():
            rest = rest.replace(f" {plain(spelling)} ", " | ")
    return rest.strip()
