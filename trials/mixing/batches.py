"""The batches of a laid-out trial, from its plan and its patches."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from trials import cautions, geometry, units
from trials.errors import Problem, UserError
from trials.materials import BUILT_IN, Material, Materials, Schedule, is_nothing, schedule
from trials.mixing.balance import Stock, Weighing, one_stock, stock_route, weigh, weigh_dye
from trials.mixing.batch import Batch, Mixing, Settings, StockOffer
from trials.mixing.liquids import Dye, dye, read_load, volume
from trials.mixing.mixture import mixture
from trials.mixing.shellac import Shellac, shellac
from trials.plan import Factor, Plan

if TYPE_CHECKING:
    import pandas as pd


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
        A finish with a hardener, a load written for another kind of
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
    for kind in ("dye", "seal coat", "glaze", "top coat"):
        factors = _factors(work, kind)
        stages = ("carrier", "dye") if kind == "dye" else (kind,)
        if not factors and not any(work.texts[stage] for stage in stages):
            continue
        wetted = rows if kind == "top coat" else [row for row in rows if not row["control"]]
        for levels, on in _groups(wetted, rows, factors, kind):
            found = _batch(work, kind, levels, _pieces(plan, rows, on, factors), settings)
            made += [found] if found else []
    stocks = tuple(_stocks(plan, made, settings))
    served = {number for offer in stocks for number in offer.numbers}
    made = [replace(one, stock=None) if at in served else one for at, one in enumerate(made, start=1)]
    return Mixing(tuple(made), stocks, plan.boards.count)


def _stocks(plan: Plan, made: Sequence[Batch], settings: Settings) -> Iterator[StockOffer]:
    """Yield one stock for the loads of a dye in a carrier, where it is better than weighing each."""
    groups: dict[tuple[Any, ...], list[tuple[int, Batch]]] = {}
    for at, one in enumerate(made, start=1):
        if isinstance(one.recipe, Dye):
            other = tuple(level for name, level in one.levels if not _is_load(plan.factor(name)))
            groups.setdefault((one.what, other), []).append((at, one))
    for group in groups.values():
        recipes = [one.recipe for _, one in group if isinstance(one.recipe, Dye)]
        if len({recipe.load.amount for recipe in recipes}) < 2:
            continue
        try:
            stock = one_stock(
                [recipe.load for recipe in recipes], [one.made_ml for _, one in group], recipes[0].basis,
                settings.tools,
            )  # fmt: skip
        except UserError:
            continue
        if stock.is_better and stock.weighing.is_enough and stock.error <= settings.allowed:
            first = group[0][1]
            yield StockOffer(tuple(at for at, _ in group), first.carrier, first.percent, stock)


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
    said = "; ".join(levels.values()) or work.texts[kind].split("; ")[0]
    written = _load(work, levels, settings) if kind == "dye" else ""
    coats = settings.coats.get(kind) or _coats(f"{'; '.join(levels.values())}; {work.texts[kind]}")
    spread, source = _coverage(work, kind, entry, settings)
    amount = volume(sum(pieces.values()) / 1e6, spread, coats=coats, waste=settings.waste, floor_ml=settings.floor_ml)
    made_ml = _up(amount.ml, settings.measure_ml)
    recipe = _recipe(kind, named, written, made_ml, settings)
    percent = _retarder(work, levels) if kind == "dye" else 0.0
    weighing, stock = _weighed(recipe, settings)
    unknown = [levels[role.name] for each, role in work.factors.items() if _is_unknown(work, each, role, levels)]
    carrier = _called(work, "carrier", named, levels) if kind == "dye" else "alcohol"
    mixed = (
        mixture(recipe, {carrier: 1.0}, percent=percent, division=weighing.division) if recipe and weighing else None
    )
    lacking = _lacking(kind, named, recipe, bool(written))
    what = named[0].words if named and kind != "dye" else said
    if kind == "dye" and (recipe or lacking):  # else ready-made: by its own name
        what = f"{_called(work, 'dye', named, levels)} in {carrier}"
    return Batch(
        kind, what, tuple(levels.items()), tuple(sorted(pieces)), amount, made_ml, source, recipe, mixed, percent,
        weighing, stock, lacking,
        _cautions(work, kind, named, recipe, levels, unknown if named else [what]),
    )  # fmt: skip


def _up(ml: float, measure_ml: float) -> float:
    """Round up to what can be measured: to whole mL from 10."""
    step = max(measure_ml, 1.0 if ml > 10 else 0.1)
    return math.ceil(ml / step - 1e-9) * step


def _lacking(kind: str, named: Sequence[Material], recipe: Dye | Shellac | None, written: bool) -> str:
    """Say what a recipe waits for; what comes ready-made waits for nothing."""
    if recipe or written:
        return ""
    dye = next((each for each in named if each.kind == "dye"), None)
    if kind == "dye" and named and not (dye and dye.surface == "glaze"):
        return "The plan gives no dye load, so the dye is not reckoned."
    if any(each.takes_cut for each in named):
        return "The plan gives no pound cut, so the flakes are not reckoned."
    return ""


def _cautions(
    work: Schedule,
    kind: str,
    named: Sequence[Material],
    recipe: Dye | Shellac | None,
    levels: Mapping[str, str],
    unknown: Sequence[str],
) -> tuple[str, ...]:
    """Return the names of the cautions that a liquid calls for; what is not known calls by its words."""
    calls = [name for each in named for name in each.cautions]
    if isinstance(recipe, Dye) and recipe.load.measured == "by mass":
        calls.insert(0, "Dye powder")
    calls += [one.name for text in unknown for one in cautions.for_text(text)]
    if work.is_sprayed(kind, levels):
        calls.append("Spraying")
    return tuple(dict.fromkeys(calls))


def _named(work: Schedule, kind: str, levels: Mapping[str, str]) -> list[Material]:
    """Return the entries a liquid is made of: the dye and its carrier, or the coat."""
    kinds = ("dye", "carrier") if kind == "dye" else (kind,)
    return [entry for entry in (work.material(each, levels) for each in kinds) if entry]


def _is_unknown(work: Schedule, kind: str, role: Factor, levels: Mapping[str, str]) -> bool:
    """Whether a level names a material that the table does not know."""
    return role.name in levels and not is_nothing(levels[role.name]) and work.material(kind, levels) is None


def _called(work: Schedule, kind: str, named: Sequence[Material], levels: Mapping[str, str]) -> str:
    """Return the dye or the carrier by its name in the table, or as the plan calls it."""
    entry = next((each for each in named if each.kind == kind), None)
    level = levels.get(work.factors[kind].name, "") if kind in work.factors else ""
    return entry.name if entry else level or kind


def _coverage(work: Schedule, kind: str, entry: Material | None, settings: Settings) -> tuple[float, str]:
    """Return m²/L and where it comes from; of what is not known that of its kind which goes least far."""
    if kind in settings.coverage:
        return settings.coverage[kind], "as given for this trial"
    if entry and entry.coverage and entry.coverage.usual:
        origin = "" if entry.coverage.origin == BUILT_IN else f" ({entry.coverage.origin})"
        return entry.coverage.usual, entry.coverage.source + origin
    alike = [each.coverage for each in work.materials.entries if each.kind == ("carrier" if kind == "dye" else kind)]
    return min(each.usual for each in alike if each and each.usual), "of what is not known, as for others of its kind"


def _coats(text: str) -> int:
    """Return how many coats a text speaks of, one where it does not say."""
    number = {"one": 1, "two": 2, "three": 3, "four": 4}
    pattern = r"\b(one|two|three|four|[1-9])(?! ?(?:lb|pound))(?: [a-z-]+){0,2} coats?\b"
    match = re.search(pattern, text.casefold())
    return int(number.get(match.group(1), match.group(1))) if match else 1


def _load(work: Schedule, levels: Mapping[str, str], settings: Settings) -> str:
    """Return the dye load as it is written, or nothing."""
    return next((levels[name] for name in levels if _is_load(work.plan.factor(name))), settings.load)


def _retarder(work: Schedule, levels: Mapping[str, str]) -> float:
    """Return the retarder in per cent."""
    written = next((levels[name] for name in levels if _is_retarder(work.plan.factor(name))), "")
    return units.read(written, "share").amount if written else 0.0


def _recipe(
    kind: str, named: Sequence[Material], written: str, made_ml: float, settings: Settings
) -> Dye | Shellac | None:
    """Return dye or shellac in what it is dissolved in, as far as it is mixed at the bench."""
    if kind != "dye":
        cut = named[0].cut_lb if named else None
        if not cut:
            return None
        return shellac(cut, alcohol_ml=_up(shellac(cut, finished_ml=made_ml).alcohol_ml, settings.measure_ml))
    if not written:
        return None
    mixed = dye(written, made_ml, settings.basis)
    entry = next((each for each in named if each.kind == "dye"), None)
    if entry and entry.measured != mixed.load.measured:
        ask = "'30 g/L' or '1 oz (weight)/qt'" if entry.measured == "by mass" else "'30 mL/L' or '1 fl oz/qt'"
        raise UserError(
            Problem(f"{entry.name} is measured {entry.measured}, and its load is {written!r}", f"write it like {ask}")
        )
    return mixed


def _weighed(recipe: Dye | Shellac | None, settings: Settings) -> tuple[Weighing | None, Stock | None]:
    """Return how a recipe's powder or flakes are weighed, and the way round a balance that is too coarse."""
    if recipe is None:
        return None, None
    if isinstance(recipe, Shellac):
        return weigh(recipe.flakes_g, settings.balance_g, settings.allowed), None
    wanted = weigh_dye(recipe, settings.tools)
    return wanted, None if wanted.is_enough else stock_route(wanted, recipe.finished_ml, settings.tools)
