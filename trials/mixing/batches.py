"""A trial's batches: one liquid, made at once for every piece that gets it."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from trials import geometry, units
from trials.errors import Problem, UserError
from trials.materials import BUILT_IN, Material, Materials, Schedule, is_nothing, schedule
from trials.mixing.amounts import FLOOR_ML, WASTE, Basis, volume_words
from trials.mixing.balance import Stock, Weighing, stock_route, weigh
from trials.mixing.liquids import Dye, Retarder, Shellac, Volume, dye, read_load, retarder, shellac, volume
from trials.plan import Factor, Plan

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Settings:
    """What the bench has and how it works; the kinds are ``dye``, ``seal coat``, ``glaze`` and ``top coat``.

    Attributes
    ----------
    coverage, coats : m²/L and number of coats of a kind, where they are not those of the table and the steps.
    waste, floor_ml : the share that is lost; the least that is mixed.
    balance_g, measure_ml, syringe_ml : one division of the balance, of what liquids are measured in, and of what
        concentrate is drawn up in.
    allowed : the relative error that may come of rounding the dye.
    basis : what a dye load is counted in.
    load : the dye load of a trial that does not vary it, such as ``30 g/L``.
    """

    coverage: Mapping[str, float] = field(default_factory=dict)
    coats: Mapping[str, int] = field(default_factory=dict)
    waste: float = WASTE
    floor_ml: float = FLOOR_ML
    balance_g: float = 0.01
    measure_ml: float = 0.5
    syringe_ml: float = 0.1
    allowed: float = 0.02
    basis: Basis = "of carrier"
    load: str = ""


@dataclass(frozen=True)
class Batch:
    """One liquid, made at once for every piece that gets it.

    Attributes
    ----------
    kind, what : ``dye``, ``seal coat``, ``glaze`` or ``top coat``; the material in words.
    levels : the factors and levels that call for it.
    pieces : (board, lane, strip) of each piece it covers, 0 for all lanes or strips.
    volume : from area, coats, coverage and waste; `made_ml` is that rounded up to what can be measured.
    coverage_source : where the coverage comes from.
    recipe, retarder, weighing, stock : what goes into it, and how it is weighed, as far as it is mixed here.
    lacking : what the plan would have to say for a recipe, or nothing.
    cautions : names of `trials.materials.CAUTIONS`.
    """

    kind: str
    what: str
    levels: tuple[tuple[str, str], ...]
    pieces: tuple[tuple[int, int, int], ...]
    volume: Volume
    made_ml: float
    coverage_source: str
    recipe: Dye | Shellac | None = None
    retarder: Retarder | None = None
    weighing: Weighing | None = None
    stock: Stock | None = None
    lacking: str = ""
    cautions: tuple[str, ...] = ()

    @property
    def boards(self) -> tuple[int, ...]:
        """The boards it is for."""
        return tuple(sorted({board for board, _, _ in self.pieces}))

    def lines(self) -> list[str]:
        """Return it in words, from the wood to the scales."""
        levels = ", ".join(f"{name.replace('_', ' ')} {level}" for name, level in self.levels)
        lane, strip = (any(piece[at] for piece in self.pieces) for at in (1, 2))
        piece = "patch" if lane and strip else "lane" if lane else "strip" if strip else "board"
        many = "" if len(self.pieces) == 1 else "es" if piece == "patch" else "s"
        where = f"{len(self.pieces)} {piece}{many}"
        if piece == "board":
            where += f" ({', '.join(map(str, self.boards))})"
        elif len(self.pieces) > 1 or piece != "board":
            where += f" on board{'s' if len(self.boards) > 1 else ''} {', '.join(map(str, self.boards))}"
        said = [
            f"{self.kind[:1].upper()}{self.kind[1:]}: {self.what}{f' ({levels})' if levels else ''}, for {where}."
        ]
        said += [*self.volume.lines(), f"Coverage: {self.coverage_source}."]
        if self.made_ml > self.volume.ml:
            said.append(f"Rounded up to what can be measured: {volume_words(self.made_ml)}.")
        for part in (self.recipe, self.retarder, self.weighing, self.stock):
            said += part.lines() if part else []
        return [*said, *([self.lacking] if self.lacking else [])]


@dataclass(frozen=True)
class Mixing:
    """All batches of a trial, and what could not be reckoned, in sentences."""

    batches: tuple[Batch, ...]
    left_out: tuple[str, ...]

    @property
    def cautions(self) -> tuple[str, ...]:
        """The cautions that any batch calls for."""
        return tuple(dict.fromkeys(name for batch in self.batches for name in batch.cautions))

    def lines(self) -> list[str]:
        """Return it in words."""
        said = ["Mix each in one go for all its pieces: a second batch is never quite the first."]
        return said + [line for batch in self.batches for line in batch.lines()] + list(self.left_out)


def batches(plan: Plan, patches: pd.DataFrame, materials: Materials, settings: Settings | None = None) -> Mixing:
    """Return what to mix for a laid-out trial, one batch for all pieces that get the same liquid.

    Parameters
    ----------
    plan : its factors, steps and boards.
    patches : the layout's: board, lane, strip, one column a factor, control.
    materials : from `trials.materials.load`.
    settings : the bench's.

    Raises
    ------
    UserError
        A carrier or a coat that the table does not know, a finish with a hardener, a load written for another kind of
        dye, a coverage that is not above 0, or a batch too small to be measured.

    Notes
    -----
    A liquid laid on boards covers the whole face but the label end and the controls; laid on lanes or strips, these
    with the guards they run over; laid on patches, the patches. What no factor varies covers the boards; the top
    coat also the controls.
    """
    settings = settings or Settings()
    work = schedule(plan, materials)
    work.refuse()
    rows = [_row(row) for row in patches.to_dict("records")]
    made: list[Batch] = []
    left_out: list[str] = []
    for kind in ("dye", "seal coat", "glaze", "top coat"):
        factors = _factors(work, kind)
        stages = ("carrier", "dye") if kind == "dye" else (kind,)
        if not factors and not any(work.texts[stage] for stage in stages):
            continue
        wetted = rows if kind == "top coat" else [row for row in rows if not row["control"]]
        for levels, on in _groups(wetted, rows, factors, kind):
            try:
                found = _batch(work, kind, levels, _pieces(plan, rows, on, factors), settings)
            except _UnknownError as reason:
                left_out.append(str(reason))
            else:
                made += [found] if found else []
    return Mixing(tuple(made), tuple(dict.fromkeys(left_out)))


class _UnknownError(Exception):
    """Too little is said to reckon a batch; the sentence says what."""


def _row(row: Mapping[Any, Any]) -> dict[str, Any]:
    """Return a patch with empty text for what is not there."""
    return {str(key): "" if value is None or value != value else value for key, value in row.items()}


def _factors(work: Schedule, kind: str) -> tuple[Factor, ...]:
    """Return the factors whose levels need liquids of their own."""
    if kind != "dye":
        return (work.factors[kind],) if kind in work.factors else ()
    named = [work.factors[role] for role in ("carrier", "dye") if role in work.factors]
    loads = [factor for factor in work.plan.factors if _is_load(factor) or _is_retarder(factor)]
    return tuple(factor for factor in work.plan.factors if factor in [*named, *loads])


def _is_load(factor: Factor) -> bool:
    words = factor.words.casefold()
    if factor.unit == "g/L":
        return True
    if _is_retarder(factor) or not any(word in words for word in ("dye", "load", "strength", "concentrat")):
        return False
    try:
        return all(read_load(level).amount > 0 for level in factor.levels)
    except UserError:
        return False


def _is_retarder(factor: Factor) -> bool:
    return factor.unit == "percent" and "retarder" in factor.words.casefold()


def _groups(
    wetted: Sequence[dict[str, Any]], rows: Sequence[dict[str, Any]], factors: tuple[Factor, ...], kind: str
) -> Iterator[tuple[dict[str, str], list[dict[str, Any]]]]:
    """Yield the levels of each liquid, in the plan's order, and the patches that get it."""
    if not factors:
        yield {}, list(wetted)
        return
    groups: dict[tuple[str, ...], list[dict[str, Any]]] = {}
    for row in wetted:
        levels = tuple(str(row[factor.name]) for factor in factors)
        if all(levels):
            groups.setdefault(levels, []).append(row)
    for levels in sorted(groups, key=lambda each: [f.levels.index(at) for f, at in zip(factors, each, strict=True)]):
        yield dict(zip((factor.name for factor in factors), levels, strict=True)), groups[levels]


def _pieces(
    plan: Plan, rows: Sequence[dict[str, Any]], on: Sequence[dict[str, Any]], factors: tuple[Factor, ...]
) -> dict[tuple[int, int, int], float]:
    """Return the pieces a liquid covers and the mm² of each, less the controls that do not get it."""
    laid = {factor.laid_on for factor in factors}
    by_lane = bool(laid & {"lane", "patch"})
    by_strip = bool(laid & {"strip", "patch"})

    def piece(row: Mapping[str, Any]) -> tuple[int, int, int]:
        return int(row["board"]), int(row["lane"]) * by_lane, int(row["strip"]) * by_strip

    whole = _mm2(plan, by_lane, by_strip)
    one = geometry.patch(plan.boards, 1, 1)
    covered = dict.fromkeys(map(piece, on), whole)
    gets = {(row["board"], row["lane"], row["strip"]) for row in on}
    for row in rows:
        if row["control"] and piece(row) in covered and (row["board"], row["lane"], row["strip"]) not in gets:
            covered[piece(row)] -= one.length * one.width
    return covered


def _mm2(plan: Plan, by_lane: bool, by_strip: bool) -> float:
    """Return the area of one piece: a face, a lane or a strip with the guards it runs over, or a patch."""
    boards = plan.boards
    first, last = geometry.patch(boards, 1, 1), geometry.patch(boards, boards.lanes, boards.strips)
    if not by_lane and not by_strip:
        return (boards.length_mm - boards.label_end_mm) * boards.width_mm
    length = first.length if by_strip else last.x + last.length - first.x
    width = first.width if by_lane else last.y + last.width - first.y
    return length * width


def _batch(
    work: Schedule,
    kind: str,
    levels: dict[str, str],
    pieces: Mapping[tuple[int, int, int], float],
    settings: Settings,
) -> Batch | None:
    """Return one liquid's batch, or None where the level is to leave it out."""
    if kind != "dye" and kind in work.factors and is_nothing(levels[work.factors[kind].name]):
        return None
    named = _named(work, kind, levels)
    entry = next((each for each in named if each.kind == ("carrier" if kind == "dye" else kind)), None)
    spread, source = _coverage(work, kind, entry, levels, settings)
    coats = settings.coats.get(kind) or _coats(f"{'; '.join(levels.values())}; {work.texts[kind]}")
    amount = volume(sum(pieces.values()) / 1e6, spread, coats=coats, waste=settings.waste, floor_ml=settings.floor_ml)
    made_ml = math.ceil(amount.ml / settings.measure_ml - 1e-9) * settings.measure_ml
    recipe, slow = _recipe(work, kind, named, levels, made_ml, settings)
    weighing, stock = _weighed(recipe, settings)
    return Batch(
        kind, " in ".join(each.words for each in named) or "; ".join(levels.values()) or work.texts[kind],
        tuple(levels.items()), tuple(sorted(pieces)), amount, made_ml, source, recipe, slow, weighing, stock,
        _lacking(kind, entry, recipe), _cautions(work, kind, named, recipe, levels),
    )  # fmt: skip


def _lacking(kind: str, entry: Material | None, recipe: Dye | Shellac | None) -> str:
    """Say what a recipe waits for."""
    if recipe is None and kind == "dye":
        return "The plan gives no dye load, so the dye is not reckoned."
    if recipe is None and entry and entry.takes_cut:
        return "The plan gives no pound cut, so the flakes are not reckoned."
    return ""


def _cautions(
    work: Schedule, kind: str, named: Sequence[Material], recipe: Dye | Shellac | None, levels: Mapping[str, str]
) -> tuple[str, ...]:
    """Return the names of the cautions that a liquid calls for."""
    calls = [name for each in named for name in each.cautions]
    if isinstance(recipe, Dye) and recipe.load.measured == "by mass":
        calls.insert(0, "Dye powder")
    if work.is_sprayed(kind, levels):
        calls.append("Spraying")
    return tuple(dict.fromkeys(calls))


def _named(work: Schedule, kind: str, levels: Mapping[str, str]) -> list[Material]:
    """Return the entries a liquid is made of: the dye and its carrier, or the coat."""
    kinds = ("dye", "carrier") if kind == "dye" else (kind,)
    if kind == "dye" and "carrier" in work.factors:
        work.materials.known(levels[work.factors["carrier"].name], "carrier")
    return [entry for entry in (work.material(each, levels) for each in kinds) if entry]


def _coverage(
    work: Schedule, kind: str, entry: Material | None, levels: Mapping[str, str], settings: Settings
) -> tuple[float, str]:
    """Return m²/L and where it comes from."""
    if kind in settings.coverage:
        return settings.coverage[kind], "as given for this trial"
    spread = entry.coverage if entry else None
    if spread and spread.usual is not None:
        return spread.usual, spread.source + ("" if spread.origin == BUILT_IN else f" ({spread.origin})")
    said = "; ".join(levels.values()) or work.texts[kind]
    what = f"of the {kind} {said!r}" if said else f"of the {kind}"
    raise _UnknownError(f"No coverage is known {what}, so it is not reckoned; give it in m²/L.")


def _coats(text: str) -> int:
    """Return how many coats a text speaks of, one where it does not say."""
    number = {"one": 1, "two": 2, "three": 3, "four": 4}
    pattern = r"\b(one|two|three|four|[1-9])(?! ?(?:lb|pound))(?: [a-z-]+){0,2} coats?\b"
    match = re.search(pattern, text.casefold())
    return int(number.get(match.group(1), match.group(1))) if match else 1


def _recipe(
    work: Schedule,
    kind: str,
    named: Sequence[Material],
    levels: Mapping[str, str],
    made_ml: float,
    settings: Settings,
) -> tuple[Dye | Shellac | None, Retarder | None]:
    """Return what goes into a batch, as far as it is mixed at the bench."""
    if kind != "dye":
        cut = named[0].cut_lb if named else None
        if not cut:
            return None, None
        alcohol_ml = shellac(cut, finished_ml=made_ml).alcohol_ml
        return shellac(cut, alcohol_ml=math.ceil(alcohol_ml / settings.measure_ml - 1e-9) * settings.measure_ml), None
    factors = {name: work.plan.factor(name) for name in levels}
    written = next((levels[name] for name, factor in factors.items() if _is_load(factor)), settings.load)
    mixed = dye(written, made_ml, settings.basis) if written else None
    entry = next((each for each in named if each.kind == "dye"), None)
    if mixed and entry and entry.measured != mixed.load.measured:
        ask = "'30 g/L' or '1 oz (weight)/qt'" if entry.measured == "by mass" else "'30 mL/L' or '1 fl oz/qt'"
        raise UserError(
            Problem(f"{entry.name} is measured {entry.measured}, and its load is {written!r}", f"write it like {ask}")
        )
    percent = next((units.read(levels[n], "share").amount for n, f in factors.items() if _is_retarder(f)), 0.0)
    slow = retarder(percent, mixed.carrier_ml if mixed else made_ml, mixed.load if mixed else None)
    return mixed, slow if percent else None


def _weighed(recipe: Dye | Shellac | None, settings: Settings) -> tuple[Weighing | None, Stock | None]:
    """Return how a recipe's powder or flakes are weighed, and the way round a balance that is too coarse."""
    if recipe is None:
        return None, None
    if isinstance(recipe, Shellac):
        return weigh(recipe.flakes_g, settings.balance_g, settings.allowed), None
    if recipe.load.measured == "by mass":
        wanted = weigh(recipe.dye, settings.balance_g, settings.allowed)
    else:
        wanted = weigh(recipe.dye, settings.syringe_ml, settings.allowed, "mL")
    if wanted.is_enough:
        return wanted, None
    return wanted, stock_route(wanted, recipe.finished_ml, measure_ml=settings.measure_ml)
