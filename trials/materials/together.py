"""Whether the materials that a plan names go together."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from trials import units
from trials.materials import hardeners
from trials.materials.hazards import HARDENERS, SPRAYING
from trials.materials.in_plan import STAGES, Schedule, schedule, with_hardener
from trials.materials.table import BUILT_IN, Material, Materials
from trials.materials.words import is_nothing
from trials.plan import Plan

_LEVELS = {"does not": "refuse", "lifts": "warn", "does not hold": "warn", "check": "ask"}


@dataclass(frozen=True)
class Check:
    """One thing to mind before the wood is cut.

    Attributes
    ----------
    level : ``refuse``, ``warn`` or ``ask``.
    where : the levels it concerns, or nothing where it concerns the whole plan.
    words, cure : what is the matter, and what to do.
    source, origin : who says so, and which table it stands in.
    cautions : names of the cautions that it or its cure calls.
    """

    level: str
    where: str
    words: str
    cure: str
    source: str
    origin: str
    cautions: tuple[str, ...] = ()

    def __str__(self) -> str:
        start = f"{self.where}: {self.words}" if self.where else self.words
        own = "" if self.origin == BUILT_IN else f", in {self.origin}"
        return f"{start[:1].upper()}{start[1:]}; {self.cure} ({self.source}{own})."


@dataclass(frozen=True)
class Checked:
    """What there is to mind, the gravest first, what is not known and of which kinds, and the cautions called."""

    checks: tuple[Check, ...]
    unknown: tuple[str, ...]
    cautions: tuple[str, ...] = ()
    unknown_kinds: tuple[str, ...] = ()

    def lines(self) -> list[str]:
        """Return it as sentences."""
        listed = [str(check) for check in self.checks]
        if self.unknown:
            heads = " or ".join(f"[[{kind.replace(' ', '_')}]]" for kind in self.unknown_kinds)
            listed.append(
                f"Not known to the materials file: {'; '.join(self.unknown)}. What goes with it is not said, and "
                "every caution that could apply is called; to have it known, write into materials.toml beside the "
                f"plan {heads} with name, source, cautions, liquids, surface, dry, coverage, and coat for a coat."
            )
        return listed


def checks(plan: Plan, materials: Materials) -> Checked:
    """Say of a plan's materials what does not go together, what lifts, and what nothing is known of.

    Parameters
    ----------
    plan : its factors, their exclusions and its steps are looked at.
    materials : from `load`.

    Notes
    -----
    Only combinations that the plan makes are looked at. A name that the table does not know is listed, no more.
    """
    work = schedule(plan, materials)
    found: dict[tuple[str, ...], tuple[Check, dict[str, dict[str, None]]]] = {}
    for treatment in plan.treatments(tuple(work.factors.values())):
        for check, kinds in _of_treatment(work, treatment):
            key = (check.level, check.words, check.cure)
            levels = found.setdefault(key, (check, {}))[1]
            for factor in (work.factors[kind] for kind in kinds if kind in work.factors):
                levels.setdefault(factor.name, {})[treatment[factor.name]] = None
    named = [_refusal(where, text) for where, text in work.refused]
    named += [replace(check, where=_where(plan, levels)) for check, levels in found.values()]
    order = list(dict.fromkeys(_LEVELS.values()))
    calls = [HARDENERS.name] if with_hardener(plan) else []
    calls += [name for check in named for name in check.cautions]
    listed = tuple(sorted(named, key=lambda check: order.index(check.level)))
    return Checked(listed, work.unknown, tuple(dict.fromkeys(calls)), work.unknown_kinds)


def _refusal(where: str, text: str) -> Check:
    """Return what is said of a hardener."""
    fault = hardeners.refusal(text)
    calls = (HARDENERS.name, SPRAYING.name)
    return Check("refuse", where, fault.what, fault.cure, hardeners.SOURCE, BUILT_IN, calls)


def _of_treatment(work: Schedule, treatment: Mapping[str, str]) -> Iterator[tuple[Check, tuple[str, ...]]]:
    """Yield what there is to mind of one treatment, each with the kinds of material it concerns."""
    carrier, dye = work.material("carrier", treatment), work.material("dye", treatment)
    if carrier and dye:
        check = _into(work, dye, carrier)
        if check:
            yield check, ("carrier", "dye")
    if dye and dye.confounds and "carrier" in work.factors:
        cure = "say so when the result is told, or use one dye that goes into all of them"
        yield Check("warn", "", f"{dye.name}: {dye.confounds}", cure, dye.source, dye.origin), ()
    beneath = carrier or dye
    concerned: tuple[str, ...] = ("carrier", "dye")
    surface = (dye.surface if dye else "") or (carrier.surface if carrier else "")
    for kind in ("seal coat", "glaze", "top coat"):
        above = work.material(kind, treatment)
        if above is None:
            if kind in work.factors and is_nothing(str(treatment.get(work.factors[kind].name) or "")):
                concerned = (*concerned, kind)
            elif kind in work.factors or work.texts[kind]:
                surface = ""
            continue
        if surface and beneath:
            coat = above.sprayed if above.sprayed and work.is_sprayed(kind, treatment) else above.coat
            concerned = (*concerned, kind)
            for check in _onto(work, beneath, surface, above, coat):
                yield check, concerned
        beneath, surface, concerned = above, above.surface, (kind,)


def _into(work: Schedule, dye: Material, carrier: Material) -> Check | None:
    """Return what is to be said of a dye in a carrier."""
    fit = work.materials.fit(dye, carrier)
    if fit is None:
        words = f"nothing is known here of {dye.name} in {carrier.name}"
        return Check("ask", "", words, "check the maker's sheet", "no entry in the table", _origin(dye, carrier))
    if fit.verdict == "fits":
        return None
    cure = "check the maker's sheet" if fit.verdict == "check" else _goes_into(work, dye)
    return Check(_LEVELS[fit.verdict], "", fit.why, cure, fit.source, fit.origin)


def _goes_into(work: Schedule, dye: Material) -> str:
    """Say what a dye does go into."""
    good = [fit.carrier for fit in work.materials.fits if fit.dye == dye.name and fit.verdict == "fits"]
    instead = f"take {' or '.join(good)} for it, or" if good else "take"
    varied = "carrier" in work.factors or "dye" in work.factors
    return f"{instead} another dye{', or name the combination under [[exclude]]' if varied else ''}"


def _onto(work: Schedule, beneath: Material, surface: str, above: Material, coat: str) -> Iterator[Check]:
    """Yield what is to be said of a coat over a surface: whether it holds, and whether it waits long enough."""
    over = work.materials.over(coat, surface)
    if over is None and coat and coat in (beneath.coat, beneath.sprayed):
        pass  # one film over itself is a second coat
    elif over is None:
        words = f"nothing is known here of {coat or above.name} over {surface}"
        yield Check("ask", "", words, "check the maker's sheet", "no entry in the table", _origin(beneath, above))
    elif over.verdict != "fits":
        cure = over.cure
        if over.verdict == "check":
            cure = f"{cure}, and check the maker's sheet" if cure else "check the maker's sheet"
        yield Check(_LEVELS[over.verdict], "", over.why, cure, over.source, over.origin, over.cautions)
    wait = (over.wait if over else None) or beneath.dry
    given = _dries(work.plan, STAGES[beneath.kind], STAGES[above.kind])
    if wait and wait.least is not None and given is not None and given < wait.least:
        words = (
            f"the steps leave {_hours(given)} before {above.name} goes over {beneath.name}, which needs at least "
            f"{_hours(wait.least)}"
        )
        yield Check("warn", "", words, "give the step before it a longer dry", wait.source, wait.origin)


def _dries(plan: Plan, after: str, before: str) -> float | None:
    """Return the minutes between the end of one stage and the next coat, or None where the plan does not say."""
    stages = [step.stage for step in plan.steps]
    if after not in stages or before not in stages:
        return None
    last = len(stages) - 1 - stages[::-1].index(after)
    between = [step.dry for step in plan.steps[last : stages.index(before)] if step.dry]
    return sum(units.read(dry, "time").amount for dry in between) if between else None


def _hours(minutes: float) -> str:
    return f"{minutes:g} min" if minutes < 120 else f"{minutes / 60:g} h"


def _origin(*entries: Material) -> str:
    return next((entry.origin for entry in entries if entry.origin != BUILT_IN), BUILT_IN)


def _where(plan: Plan, levels: Mapping[str, Mapping[str, None]]) -> str:
    """Name the levels concerned; a factor of which every level is concerned is left out."""
    factors = {
        name: plan.factor(name) for name, among in levels.items() if len(among) < len(plan.factor(name).levels)
    }
    return " with ".join(f"{factor.words} {' or '.join(levels[name])}" for name, factor in factors.items())
