"""The materials table read from its file, a shop's own file laid over it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

from trials import units
from trials.errors import Problem, UserError, nearest
from trials.materials.hardeners import hardener_in
from trials.materials.hazards import BY_NAME, HARDENERS, OILY_RAGS, SKIN_AND_EYES, SOLVENT, SPRAYING, WASTE
from trials.materials.liquids import liquids
from trials.materials.table import BUILT_IN, KINDS, Fit, Material, Materials, Over, Range
from trials.materials.words import plain
from trials.toml_source import Source, Table

_TEXTS = ("about", "coat", "sprayed", "surface", "confounds")
_LISTS = ("also", "kind_of", "cautions", "liquids")
_RANGES = {"open": "time", "dry": "time", "coverage": "spread"}
_KEYS = ("name", "source", "measured", "pound_cut", *_TEXTS, *_LISTS, *_RANGES)
_ANY = tuple(one.name for one in (HARDENERS, SOLVENT, SPRAYING, OILY_RAGS, SKIN_AND_EYES, WASTE))
"""The cautions of an entry that does not say which it calls; one that calls none says so with an empty list."""


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
    entries = {(entry.kind, plain(entry.name)): entry for entry in below.entries}
    for kind in KINDS:
        seen: set[str] = set()
        for table in root.tables(kind.replace(" ", "_")):
            name = table.text("name")
            if plain(name) in seen:
                table.fault("name", f"there are two entries {name!r} of this kind", "leave one of them out")
            seen.add(plain(name))
            before = entries.get((kind, plain(name)), Material(kind, name, source=own))
            entries[kind, plain(name)] = entry = _entry(table, before, origin, own)
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
    _known_cautions(table, changed.get("cautions", ()))
    calls = changed.get("cautions", before.cautions if before.cautions or "cautions" in table else _ANY)
    if any(hardener_in(said) for said in (before.name, *changed.get("also", before.also))):
        calls = (HARDENERS.name, *calls)
    changed["cautions"] = tuple(dict.fromkeys(calls))
    known = [liquid.name for liquid in liquids()]
    for name in changed.get("liquids", ()):
        if name not in known:
            table.fault("liquids", f"nothing is known here of a liquid {name!r}", nearest(name, known))
    if "measured" in table:
        changed["measured"] = table.choice("measured", ("by mass", "by volume"))
    if "pound_cut" in table:
        changed["takes_cut"] = table.flag("pound_cut", default=False)
    changed["source"] = table.text("source", own or None) if "source" in table or not own else own
    return replace(before, origin=origin, **changed)


def _known_cautions(table: Table, names: Iterable[str]) -> None:
    for name in names:
        if name not in BY_NAME:
            table.fault("cautions", f"there is no caution {name!r}", nearest(name, BY_NAME))


def _is_called(entry: Material, text: str) -> bool:
    return plain(text) in [plain(spelling) for spelling in (entry.name, *entry.also)]


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
        table.allow(("coat", "surface", "verdict", "why", "cure", "wait", "cautions", "source"))
        calls = table.words("cautions", ())
        _known_cautions(table, calls)
        yield Over(
            table.choice("coat", coats, None),
            table.choice("surface", surfaces, None),
            table.choice("verdict", ("fits", "lifts", "does not hold", "check"), None),
            table.text("why"),
            table.text("source", own or None),
            table.text("cure") if "cure" in table else "",
            _range(table, "wait", "time", origin, own) if "wait" in table else None,
            origin,
            calls,
        )
