"""Which materials a plan names: by factor, by level, by step."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from trials.errors import UserError
from trials.materials.hardeners import hardener_in, refusal
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
_NAMES = {
    "carrier": ("carrier", "solvent"),
    "dye": ("dye", "stain"),
    "seal coat": ("seal coat", "sealer", "washcoat", "barrier"),
    "glaze": ("glaze",),
    "top coat": ("top coat", "topcoat", "finish"),
}
"""Names of factors whose levels are materials of a kind, known or not; one of these words may follow."""
_OF_WHICH = re.compile(r" (?:colou?r|brand|type|kind|material|product|name)$")


@dataclass(frozen=True)
class Schedule:
    """Which factor varies which kind of material, and what the steps say of each kind.

    Attributes
    ----------
    factors : the factor that varies a kind, for the kinds that are varied.
    texts : the words of the steps at each kind's stage.
    named : the materials alone of these steps.
    unknown : levels and step materials the table does not know.
    unknown_kinds : the kinds of these, and of steps that name nothing the table knows.
    refused : what tells of a hardener, each with where it stands.
    """

    plan: Plan
    materials: Materials
    factors: Mapping[str, Factor]
    texts: Mapping[str, str]
    named: Mapping[str, str]
    unknown: tuple[str, ...]
    unknown_kinds: tuple[str, ...]
    refused: tuple[tuple[str, str], ...]

    def step(self, kind: str) -> Material | None:
        """Return what the steps say of a kind: their materials come before their names and notes."""
        said = (self.named[kind], self.texts[kind])
        return next((found for text in said if text and (found := self.materials.recognise(text, kind))), None)

    def refuse(self) -> None:
        """Raise the faults of what tells of a hardener, if there is any.

        Raises
        ------
        UserError
            Each with its place, its words and its cure.
        """
        faults = [(where, refusal(text)) for where, text in self.refused]
        if faults:
            raise UserError(
                *(replace(fault, what=f"{where}: {fault.what}", file="trial.toml") for where, fault in faults)
            )

    def material(self, kind: str, treatment: Mapping[str, Any]) -> Material | None:
        """Return what a treatment is given of a kind, or None for nothing and for what is not known.

        A step that describes the level more closely counts: level ``shellac``, step ``dewaxed shellac``.
        """
        step = self.step(kind)
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
    factors, levels = _roles(plan, materials)
    texts: dict[str, str] = {}
    named: dict[str, str] = {}
    for kind, stage in STAGES.items():
        steps = [step for step in plan.steps if step.stage == stage]
        texts[kind] = "; ".join(text for step in steps for text in (step.material, step.name, step.note) if text)
        named[kind] = "; ".join(step.material for step in steps if step.material)
    for said in (texts, named):
        said["carrier"] = _without_dyes(said["carrier"], materials)
    refused = tuple((where, text) for where, text in with_hardener(plan) if materials.hardener(text))
    made = Schedule(plan, materials, factors, texts, named, (), (), refused)
    unknown, kinds = [level for _, level in levels], {kind for kind, _ in levels}
    for kind, stage in STAGES.items():
        told = {"carrier", "dye"} if kind == "dye" else {kind}
        if kind == "carrier" or told & set(factors) or not texts[kind]:
            continue
        if not any(made.step(each) for each in (("dye", "carrier") if kind == "dye" else (kind,))):
            kinds.add(kind)
            unknown.extend(step.material for step in plan.steps if step.stage == stage and step.material)
    listed = tuple(dict.fromkeys(text for text in unknown if not materials.hardener(text)))
    return replace(made, unknown=listed, unknown_kinds=tuple(kind for kind in KINDS if kind in kinds))


def with_hardener(plan: Plan) -> tuple[tuple[str, str], ...]:
    """Return the texts of a plan that tell of a hardener, whether an entry names them or not, after their places."""
    said = [(f"step {step.name!r}", text) for step in plan.steps for text in (step.material, step.name, step.note)]
    for factor in plan.factors:
        for level in factor.levels:
            whole = f"{level} {factor.words}"  # a level 2K of the factor grit is none, 10 % of the factor hardener is
            said.append((factor.words, level if hardener_in(level) and hardener_in(whole) else whole))
    said += [("control", control.name) for control in plan.controls]
    return tuple((where, text) for where, text in dict.fromkeys(said) if hardener_in(text))


def _roles(plan: Plan, materials: Materials) -> tuple[dict[str, Factor], list[tuple[str, str]]]:
    """Return the factor that varies each kind, and the kind and words of each level that is not known."""
    best: dict[str, tuple[int, Factor]] = {}
    unknown: list[tuple[str, str]] = []
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
        unknown.extend((kind, level) for level in named if not materials.recognise(level, kind))
        materials_all = _OF_WHICH.sub("", plain(words)) in _NAMES[kind] and not any(
            level[:1].isdigit() for level in named
        )
        if (known[kind] or not named or materials_all) and (kind not in best or known[kind] > best[kind][0]):
            best[kind] = (known[kind], factor)
    return {kind: best[kind][1] for kind in KINDS if kind in best}, unknown


def _without_dyes(text: str, materials: Materials) -> str:
    """Take the names of dyes out of a text, so that ``water-soluble powder in alcohol`` names one carrier."""
    rest = f" {plain(text)} "
    for entry in materials.entries:
        for spelling in (entry.name, *entry.also) if entry.kind == "dye" else ():
            rest = rest.replace(f" {plain(spelling)} ", " | ")
    return rest.strip()
