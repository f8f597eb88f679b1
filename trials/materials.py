"""What the trade knows of carriers, dyes, seal coats, glazes and top coats, and whether a plan's go together.

The table is ``materials.toml`` beside this module, in general words, a source to every entry and cell. A shop's own
file of the same shape overrides or adds; what comes from it is marked. A maker's sheet overrides everything.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

from trials import cautions, units
from trials.errors import Problem, UserError, nearest
from trials.plan import Factor, Plan
from trials.toml_source import Source, Table

KINDS = ("carrier", "dye", "seal coat", "glaze", "top coat")
BUILT_IN = "the built-in table"
CAUTIONS = {caution.name: caution for caution in cautions.ALL}
"""The cautions an entry may call, by their names."""

_STAGES = {"carrier": "dyed", "dye": "dyed", "seal coat": "sealed", "glaze": "glazed", "top coat": "topcoated"}
_HINTS = {
    "carrier": ("carrier", "solvent"),
    "dye": ("dye", "colourant", "colorant", "stain"),
    "seal coat": ("seal", "washcoat", "barrier"),
    "glaze": ("glaze",),
    "top coat": ("top", "finish"),
}
_NOTHING = ("", "no", "none", "without", "bare", "nothing", "unsealed", "not sealed", "not glazed")
_AS_THE_STEP_SAYS = ("yes", "with", "sealed", "glazed")
_LEVELS = {"does not": "refuse", "lifts": "warn", "check": "ask"}
_NUMBERS = {"half": "0.5", "one": "1", "two": "2", "three": "3"}
_CUT = re.compile(r"\b(\d+(?:\.\d+)?|half|one|two|three)(?: a)? lb(?: cut)?\b")


@dataclass(frozen=True)
class Range:
    """From least to most, in one unit (minutes for times, m²/L for coverage); what is not known is None."""

    least: float | None
    usual: float | None
    most: float | None
    source: str
    origin: str = BUILT_IN


@dataclass(frozen=True)
class Material:
    """One entry of the table.

    Attributes
    ----------
    kind, name, also : one of `KINDS`; how it is called, and what else it is called.
    about, source, origin : words; who says so; `BUILT_IN` or the shop's file.
    cautions : names of `CAUTIONS`.
    kind_of : what it is a closer description of, such as ``shellac`` for ``dewaxed shellac``.
    coat, sprayed, surface : what it is to what lies beneath (also when sprayed), and to what follows.
    measured : ``by mass`` or ``by volume``, for a dye.
    confounds : what a comparison of carriers also compares when this dye is in them.
    open, dry : minutes it may be worked, and minutes before the next step.
    coverage : m²/L.
    takes_cut : whether it is mixed to a pound cut.
    cut_lb : the cut that was named with it, in lb of flakes a US gallon of alcohol.
    """

    kind: str
    name: str
    also: tuple[str, ...] = ()
    about: str = ""
    source: str = ""
    origin: str = BUILT_IN
    cautions: tuple[str, ...] = ()
    kind_of: tuple[str, ...] = ()
    coat: str = ""
    sprayed: str = ""
    surface: str = ""
    measured: str = "by mass"
    confounds: str = ""
    open: Range | None = None
    dry: Range | None = None
    coverage: Range | None = None
    takes_cut: bool = False
    cut_lb: float | None = None

    @property
    def words(self) -> str:
        """The name with the cut it was named with: ``dewaxed shellac, 1 lb cut``."""
        return self.name if self.cut_lb is None else f"{self.name}, {self.cut_lb:g} lb cut"


@dataclass(frozen=True)
class Fit:
    """Whether a dye goes into a carrier: ``fits``, ``does not`` or ``check``."""

    dye: str
    carrier: str
    verdict: str
    why: str
    source: str
    origin: str = BUILT_IN


@dataclass(frozen=True)
class Over:
    """Whether a coat goes over a surface: ``fits``, ``lifts`` or ``check``; `wait` is how long before it may."""

    coat: str
    surface: str
    verdict: str
    why: str
    source: str
    cure: str = ""
    wait: Range | None = None
    origin: str = BUILT_IN


@dataclass(frozen=True)
class Materials:
    """The whole table."""

    entries: tuple[Material, ...]
    fits: tuple[Fit, ...]
    overs: tuple[Over, ...]

    def names(self, kind: str) -> tuple[str, ...]:
        """Return the names of a kind's entries."""
        return tuple(entry.name for entry in self.entries if entry.kind == kind)

    def find(self, name: str, kind: str) -> Material:
        """Return the entry of a name or synonym, a pound cut in it noted.

        Raises
        ------
        UserError
            There is none; it says the nearest.
        ValueError
            There is no such kind.
        """
        if kind not in KINDS:
            raise ValueError(f"kind is {kind!r}, not one of {KINDS}")
        text, cut = _without_cut(_plain(name))
        found = None
        for spelling in (_plain(name), text):
            found = found or self._called(spelling, kind)
        if found is None:
            raise UserError(
                Problem(
                    f"the {kind} {name!r} is not known to the materials file",
                    f"{nearest(name, self._spellings(kind))}, or add it under [[{kind.replace(' ', '_')}]] in the "
                    "shop's own materials.toml",
                )
            )
        return replace(found, cut_lb=cut) if found.takes_cut else found

    def recognise(self, text: str, kind: str) -> Material | None:
        """Return the one entry of a kind that a text names, however many words stand around it, or None."""
        try:
            return self.find(text, kind)
        except UserError:
            pass
        plain, cut = _without_cut(_plain(text))
        found = self._mentioned(plain, kind)
        closest = [entry for entry in found if all(e is entry or e.name in entry.kind_of for e in found)]
        if len(closest) != 1:
            return None
        return replace(closest[0], cut_lb=cut) if closest[0].takes_cut else closest[0]

    def known(self, text: str, kind: str) -> Material:
        """Return the one entry of a kind that a text names; where there is none raise the fault `find` raises."""
        return self.recognise(text, kind) or self.find(text, kind)

    def fit(self, dye: Material, carrier: Material) -> Fit | None:
        """Return what is known of a dye in a carrier."""
        return next((fit for fit in self.fits if (fit.dye, fit.carrier) == (dye.name, carrier.name)), None)

    def over(self, coat: str, surface: str) -> Over | None:
        """Return what is known of a coat over a surface."""
        return next((over for over in self.overs if (over.coat, over.surface) == (coat, surface)), None)

    def _called(self, plain: str, kind: str) -> Material | None:
        of_kind = [entry for entry in self.entries if entry.kind == kind]
        words = sorted(plain.split())
        for entry in of_kind:
            if sorted(_plain(entry.name).split()) == words:
                return entry
        return next((e for e in of_kind if any(sorted(_plain(also).split()) == words for also in e.also)), None)

    def _spellings(self, kind: str) -> list[str]:
        return [text for entry in self.entries if entry.kind == kind for text in (entry.name, *entry.also)]

    def _mentioned(self, plain: str, kind: str) -> list[Material]:
        """Return the entries named in a text, the longest names first; a word counts for one name only."""
        spelled = [(_plain(text), e) for e in self.entries if e.kind == kind for text in (e.name, *e.also)]
        found: list[Material] = []
        rest = f" {plain} "
        for spelling, entry in sorted(spelled, key=lambda pair: (-len(pair[0]), pair[0] != _plain(pair[1].name))):
            if f" {spelling} " in rest:
                rest = rest.replace(f" {spelling} ", " | ")
                if entry not in found:
                    found.append(entry)
        return found


@dataclass(frozen=True)
class Check:
    """One thing to mind before the wood is cut.

    Attributes
    ----------
    level : ``refuse``, ``warn`` or ``ask``.
    where : the levels it concerns, or nothing where it concerns the whole plan.
    words, cure : what is the matter, and what to do.
    source, origin : who says so, and which table it stands in.
    """

    level: str
    where: str
    words: str
    cure: str
    source: str
    origin: str

    def __str__(self) -> str:
        start = f"{self.where}: {self.words}" if self.where else self.words
        own = "" if self.origin == BUILT_IN else f", in {self.origin}"
        return f"{start[:1].upper()}{start[1:]}; {self.cure} ({self.source}{own})."


@dataclass(frozen=True)
class Checked:
    """What there is to mind, the gravest first, and what the table does not know."""

    checks: tuple[Check, ...]
    unknown: tuple[str, ...]

    def lines(self) -> list[str]:
        """Return it as sentences."""
        listed = [str(check) for check in self.checks]
        if self.unknown:
            listed.append(f"Not known to the materials file: {'; '.join(self.unknown)}.")
        return listed


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
        if _plain(level) in _AS_THE_STEP_SAYS:
            return step
        named = self.materials.recognise(level, kind)
        if named and step and named.name in (step.name, *step.kind_of):
            return replace(step, cut_lb=step.cut_lb if named.cut_lb is None else named.cut_lb)
        return named

    def is_sprayed(self, kind: str, treatment: Mapping[str, Any]) -> bool:
        """Whether a coat is sprayed, from the words of its level and step."""
        level = str(treatment.get(self.factors[kind].name) or "") if kind in self.factors else ""
        return bool(re.search(r"\b(?:spray|mist|hvlp)", f"{self.texts[kind]} {level}".casefold()))


def is_nothing(level: str) -> bool:
    """Whether a level says that a coat is left out: ``none``, ``bare``, ``unsealed``."""
    return _plain(level) in _NOTHING


def load(shop_file: Path | None = None) -> Materials:
    """Return the built-in table, a shop's own file laid over it.

    Parameters
    ----------
    shop_file : a TOML file of the same shape; an entry of a name that is known needs only the keys that differ.

    Raises
    ------
    UserError
        The file is missing or faulty, each fault with its line and its cure.
    """
    built_in = _built_in()
    if shop_file is None:
        return built_in
    if not shop_file.is_file():
        raise UserError(
            Problem(f"there is no materials file {shop_file.name!r}", "name the shop's own file, or leave it out")
        )
    return _laid_over(built_in, Source(shop_file, quoted=False), f"the shop's own {shop_file.name}")


def schedule(plan: Plan, materials: Materials) -> Schedule:
    """Find out which factor varies which material, and what the steps say."""
    factors, unknown = _roles(plan, materials)
    texts: dict[str, str] = {}
    for kind, stage in _STAGES.items():
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
    named = [replace(check, where=_where(plan, levels)) for check, levels in found.values()]
    order = list(_LEVELS.values())
    return Checked(tuple(sorted(named, key=lambda check: order.index(check.level))), work.unknown)


# --- whether things go together ----------------------------------------------------------------------------------


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
        yield Check(_LEVELS[over.verdict], "", over.why, cure, over.source, over.origin)
    wait = (over.wait if over else None) or beneath.dry
    given = _dries(work.plan, _STAGES[beneath.kind], _STAGES[above.kind])
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


# --- names in a plan ---------------------------------------------------------------------------------------------


def _roles(plan: Plan, materials: Materials) -> tuple[dict[str, Factor], list[str]]:
    """Return the factor that varies each kind, and the levels of such factors that are not known."""
    best: dict[str, tuple[int, Factor]] = {}
    unknown: list[str] = []
    for factor in plan.factors:
        if factor.amounts is not None:
            continue
        words = factor.words.casefold()
        hinted = [kind for kind in KINDS if any(hint in words for hint in _HINTS[kind])]
        named = [level for level in factor.levels if _plain(level) not in (*_NOTHING, *_AS_THE_STEP_SAYS)]
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
    rest = f" {_plain(text)} "
    for entry in materials.entries:
        for spelling in (entry.name, *entry.also) if entry.kind == "dye" else ():
            rest = rest.replace(f" {_plain(spelling)} ", " | ")
    return rest.strip()


@lru_cache(maxsize=4096)
def _plain(text: str) -> str:
    """Return a text as lower-case words and numbers: ``1½ pound-cut Shellac`` becomes ``1.5 lb cut shellac``."""
    plain = text.casefold().replace("1½", "1.5").replace("½", "0.5")
    plain = re.sub(r"\b(\d+)[ -]1/2\b", r"\1.5", plain).replace("1/2", "0.5")
    plain = re.sub(r"(\d),(\d)", r"\1.\2", plain)
    plain = re.sub(r"[^\w.]+|(?<!\d)\.|\.(?!\d)|_", " ", plain)
    plain = re.sub(r"\b(\d+(?:\.\d+)?)(?=lb|pound)", r"\1 ", plain)
    return " ".join(re.sub(r"\b(?:lbs|pounds?)\b", "lb", plain).split())


def _without_cut(plain: str) -> tuple[str, float | None]:
    """Take a pound cut out of plain words, and return it where there is just one."""
    cuts = [float(_NUMBERS.get(cut, cut)) for cut in _CUT.findall(plain)]
    rest = " ".join(_CUT.sub(" ", plain).split())
    return rest, cuts[0] if len(set(cuts)) == 1 and cuts[0] > 0 else None


# --- the files ---------------------------------------------------------------------------------------------------

_TEXTS = ("about", "coat", "sprayed", "surface", "confounds")
_LISTS = ("also", "kind_of", "cautions")
_RANGES = {"open": "time", "dry": "time", "coverage": "spread"}
_KEYS = ("name", "source", "measured", "pound_cut", *_TEXTS, *_LISTS, *_RANGES)


@cache
def _built_in() -> Materials:
    return _laid_over(Materials((), (), ()), Source(Path(__file__).with_name("materials.toml")), BUILT_IN)


def _laid_over(below: Materials, source: Source, origin: str) -> Materials:
    """Read a file and lay it over a table; its faults are raised together."""
    root = source.root
    known = (*(kind.replace(" ", "_") for kind in KINDS), "fit", "over")
    if root.values and not any(isinstance(value, list) for value in root.values.values()):
        raise UserError(Problem("is no materials file", f"head its tables {', '.join(known)}", file=source.name))
    for key in [key for key in root.values if key not in known]:
        first = (key, 0) if isinstance(root.values[key], list) else (key,)
        source.fault(first, f"there is no [[{key}]] in a materials file", nearest(key, known))
    own = "" if origin == BUILT_IN else f"own record, {source.name}"
    entries = {(entry.kind, _plain(entry.name)): entry for entry in below.entries}
    for kind in KINDS:
        seen: set[str] = set()
        for table in root.tables(kind.replace(" ", "_")):
            name = table.text("name")
            if _plain(name) in seen:
                table.fault("name", f"there are two entries {name!r} of this kind", "leave one of them out")
            seen.add(_plain(name))
            before = entries.get((kind, _plain(name)), Material(kind, name, source=own))
            entries[kind, _plain(name)] = entry = _entry(table, before, origin, own)
            for also in entry.also:
                taken = [
                    e.name for e in entries.values() if e.kind == kind and e is not entry and _is_called(e, also)
                ]
                if taken:
                    table.fault("also", f"{also!r} is already a name of {taken[0]!r}", "take it out of also")
    made = Materials(tuple(entries.values()), (), ())
    fits = {(fit.dye, fit.carrier): fit for fit in below.fits}
    fits |= {(fit.dye, fit.carrier): fit for fit in _fits(root, made, origin, own)}
    overs = {(over.coat, over.surface): over for over in below.overs}
    overs |= {(over.coat, over.surface): over for over in _overs(root, made, origin, own)}
    source.finish()
    return replace(made, fits=tuple(fits.values()), overs=tuple(overs.values()))


def _entry(table: Table, before: Material, origin: str, own: str) -> Material:
    """Read one entry over what is known of it: its keys replace what stood there."""
    table.allow(_KEYS)
    changed: dict[str, Any] = {key: table.text(key) for key in _TEXTS if key in table}
    changed |= {key: table.words(key) for key in _LISTS if key in table}
    changed |= {key: _range(table, key, kind, origin, own) for key, kind in _RANGES.items() if key in table}
    for name in changed.get("cautions", ()):
        if name not in CAUTIONS:
            table.fault("cautions", f"there is no caution {name!r}", nearest(name, CAUTIONS))
    if "measured" in table:
        changed["measured"] = table.choice("measured", ("by mass", "by volume"))
    if "pound_cut" in table:
        changed["takes_cut"] = table.flag("pound_cut", default=False)
    changed["source"] = table.text("source", own or None) if "source" in table or not own else own
    return replace(before, origin=origin, **changed)


def _is_called(entry: Material, text: str) -> bool:
    return _plain(text) in [_plain(spelling) for spelling in (entry.name, *entry.also)]


def _range(table: Table, key: str, kind: str, origin: str, own: str) -> Range | None:
    """Read ``{ least, usual, most, source }``, or one text for the usual value alone."""
    value = table.values[key]
    given = {"usual": value} if isinstance(value, str) else value
    if not isinstance(given, dict):
        table.fault(key, f"{key} is {value!r}", f'write it as {key} = {{ least = "…", usual = "…", most = "…" }}')
        return None
    inner = Table(table.source, (*table.path, key), given)
    inner.allow(("least", "usual", "most", "source"))
    amounts: dict[str, float | None] = dict.fromkeys(("least", "usual", "most"))
    for part in [part for part in amounts if part in given]:
        try:
            amounts[part] = units.read(given[part], kind).amount
        except UserError as error:
            inner.fault(part, f"{key} {part}: {error.problems[0].what}", error.problems[0].cure)
    known = [amount for amount in amounts.values() if amount is not None]
    if not any(part in given for part in amounts):
        inner.fault(None, f"{key} names neither least nor usual nor most", "add one of them")
    if known != sorted(known):
        inner.fault(None, f"{key} does not rise from least over usual to most", "put them in order")
    if any(amount <= 0 for amount in known):
        inner.fault(None, f"{key} is zero or negative", "write an amount above 0")
    said = inner.text("source", own or None) if "source" in given or not own else own
    return Range(**amounts, source=said, origin=origin)


def _fits(root: Table, made: Materials, origin: str, own: str) -> Iterator[Fit]:
    for table in root.tables("fit"):
        table.allow(("dye", "carrier", "verdict", "why", "source"))
        dye = table.choice("dye", made.names("dye"), None)
        carrier = table.choice("carrier", made.names("carrier"), None)
        verdict = table.choice("verdict", ("fits", "does not", "check"), None)
        yield Fit(dye, carrier, verdict, table.text("why"), table.text("source", own or None), origin)


def _overs(root: Table, made: Materials, origin: str, own: str) -> Iterator[Over]:
    coats = sorted({text for entry in made.entries for text in (entry.coat, entry.sprayed) if text})
    surfaces = sorted({entry.surface for entry in made.entries if entry.surface})
    for table in root.tables("over"):
        table.allow(("coat", "surface", "verdict", "why", "cure", "wait", "source"))
        yield Over(
            table.choice("coat", coats, None),
            table.choice("surface", surfaces, None),
            table.choice("verdict", ("fits", "lifts", "check"), None),
            table.text("why"),
            table.text("source", own or None),
            table.text("cure") if "cure" in table else "",
            _range(table, "wait", "time", origin, own) if "wait" in table else None,
            origin,
        )
