"""What to weigh and measure now: a batch as it is asked for in words, or every batch of a laid-out trial."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trials import bench_choices, cautions, materials, mixing, shell, units
from trials import folder as folders
from trials.errors import Problem, UserError
from trials.mixing import words
from trials.plan import Plan

if TYPE_CHECKING:
    import pandas as pd

MAKERS_SHEET = "The maker's sheet, the safety data sheet and local rules come before all of this"


_NUMBER = re.compile(r"\d+(?:\.\d+)?")


@dataclass(frozen=True)
class Asked:
    """A batch as it is asked for; what is not said is empty, or 0."""

    volume: str = ""
    area: str = ""
    coverage: str = ""
    coats: int = 1
    waste: str = ""
    load: str = ""
    basis: str = ""
    cut: float = 0.0
    from_cut: float = 0.0
    retarder: float = 0.0
    parts: str = ""
    balance: str = ""


def reckon(asked: Asked, *, why: bool = False) -> tuple[dict[str, Any], list[str]]:
    """Return a batch as plain values and as lines of text: the recipe, what it was taken to mean, what to mind.

    Parameters
    ----------
    asked : what was said.
    why : whether sources are told, and cautions whole.

    Raises
    ------
    UserError
        Too little is said, or two things that do not go together, or an amount cannot be read.
    """
    faults = list(_contradictions(asked))
    if faults:
        raise UserError(*faults)
    parts = _parts(asked.parts, slowed=bool(asked.retarder)) if asked.parts else {}
    amount_ml, spread = _amount(asked)
    data: dict[str, Any] = {"volume_ml": amount_ml}
    if asked.from_cut:
        made, lines = _thinned(asked, amount_ml)
        holds = ["shellac in alcohol"]
    elif asked.cut:
        made, lines = _dissolved(asked, amount_ml, data)
        holds = ["shellac in alcohol"]
    elif asked.load:
        made, lines, holds = _dyed(asked, amount_ml, parts, data)
    else:
        made = mixing.mixture(None, parts or {"carrier": 1.0}, liquid_ml=amount_ml, percent=asked.retarder)
        lines = [f"{made.words}."]
        holds = list(parts) or ["carrier"]
    if asked.retarder:
        on_top = _on_top(asked, made, parts, data)
        lines[1:1] = [on_top] if "stock" not in data and asked.retarder >= 100 * words.MATTERS else []
        holds.append("retarder")
    if parts:
        data["blend"] = {part.what: part.amount for part in made.parts if part.what in parts}
    told = [asked.volume, asked.area, asked.coverage, asked.load]
    system = next((found for text in told if (found := units.ounces_in(text))), None)
    if system and "stock" not in data:
        lines.insert(1, f"In {system} measures: {made.in_ounces(system)}.")
    lines += spread
    if words.shrinks(parts):
        lines.append("Alcohol and water shrink by some 3 % as they meet (from memory), so it makes a little less.")
    if assumed := words.assumption(told):
        lines.append(assumed)
    if why and (asked.load or asked.cut):
        lines.append(words.SOURCES)
    data["recipe"] = _values(made)
    data["makes_ml"] = made.makes_ml
    doubts = _doubtful(parts, slowed=bool(asked.retarder))
    return data, [*doubts, *lines, "", *_cautions(holds, why=why)]


def _contradictions(asked: Asked) -> Iterator[Problem]:
    """Yield what is missing and what does not go together, each beginning with what to type."""
    if asked.volume and asked.area:
        yield Problem("Say how much in one way: --volume, or --area with --coverage; leave the other out")
    elif not asked.volume and not asked.area:
        yield Problem("Say how much: --volume '500 mL', or --area '0.8 m^2' with --coverage '7 m^2/L'")
    elif asked.volume and (asked.coverage or asked.coats != 1 or asked.waste):
        yield Problem("Leave out --coverage, --coats and --waste beside --volume: they go with --area")
    elif asked.area and not asked.coverage:
        yield Problem("Say how far a litre goes: --coverage '7 m^2/L', from the maker's sheet")
    if not (asked.load or asked.cut or asked.from_cut or asked.retarder or asked.parts):
        yield Problem(
            "Say what to mix: --load '30 g/L' for dye, --cut 1 for shellac, --parts 'alcohol 3, lacquer thinner 1' "
            "for a blend, or --retarder 5"
        )
    if asked.from_cut and not asked.cut:
        yield Problem(f"Say to which cut it is thinned, such as --cut 1 --from-cut {asked.from_cut:g}")
    for option, value in (("--load", asked.load), ("--parts", asked.parts)):
        if asked.cut and value:
            yield Problem(f"Ask for --cut and {option} one at a time: they are two batches, mixed apart")
    if asked.from_cut and asked.retarder:
        yield Problem("Leave --retarder out: a cut is thinned here with alcohol alone")
    if asked.basis not in ("", "of carrier", "up to"):
        yield Problem(f"Write --basis 'of carrier' or --basis 'up to': it is {asked.basis!r}")
    elif asked.basis and not asked.load:
        yield Problem("Add --load, or leave --basis out: it says what a dye load counts")
    if asked.balance and (asked.from_cut or not (asked.load or asked.cut)):
        yield Problem("Leave --balance out: nothing is weighed here")


def _amount(asked: Asked) -> tuple[float, list[str]]:
    """Return what is to be made, in mL, and from which area."""
    if asked.volume:
        amount = units.read(asked.volume, "volume").amount
        if not amount > 0:
            raise UserError(Problem(f"the volume is {asked.volume}", "write one above 0"))
        return amount, []
    waste = units.read(asked.waste, "share").amount / 100 if asked.waste else mixing.WASTE
    found = mixing.volume(asked.area, asked.coverage, coats=asked.coats, waste=waste)
    coats = f"{asked.coats} coat{'s' if asked.coats > 1 else ''}"
    said = (
        f"{asked.area} in {coats} at {asked.coverage} takes {mixing.millilitres(found.exact_ml)}; with "
        f"{100 * waste:g} % more for rag and cup {mixing.millilitres(found.with_waste_ml)}"
    )
    least = f", and less than {mixing.millilitres(found.floor_ml)} is not worth mixing" if found.floor_bites else ""
    return found.ml, [f"{said}{least}."]


def _thinned(asked: Asked, amount_ml: float) -> tuple[mixing.Mixture, list[str]]:
    """Return a ready cut thinned to a weaker one."""
    found = mixing.recut_to(asked.from_cut, asked.cut, amount_ml)
    made = mixing.Mixture(
        (
            mixing.Part(found.solution_ml, "mL", f"of the {asked.from_cut:g} lb cut"),
            mixing.Part(found.add_ml, "mL", "alcohol"),
        ),
        amount_ml,
    )
    return made, [
        f"{made.words} of a {asked.cut:g} lb cut.",
        f"By the mass of the flakes: {found.per_part:.2f} parts of alcohol to one, and solids by weight fall from "
        f"{found.start.solids_percent:.1f} to {found.target.solids_percent:.1f} %.",
        f"The trap: a cut counts the alcohol, not the whole, so dividing the cuts ({found.naive_per_part:.2f} parts "
        f"to one) makes {found.naive_cut_lb:.2f} lb, and charts that count the target by the gallon of solution say "
        f"{found.mixed_per_part:.2f}.",
    ]


def _dissolved(asked: Asked, amount_ml: float, data: dict[str, Any]) -> tuple[mixing.Mixture, list[str]]:
    """Return flakes dissolved to a cut."""
    cut = mixing.shellac(asked.cut, finished_ml=amount_ml)
    data["shellac"] = {"flakes_g": cut.flakes_g, "alcohol_ml": cut.alcohol_ml, "finished_ml": cut.finished_ml}
    division = _tools(asked, "g").balance_g
    weighed = mixing.weigh(cut.flakes_g, division)
    made = mixing.mixture(cut, {"alcohol": 1.0}, percent=asked.retarder, division=division)
    lines = [f"{made.words}."]
    if not weighed.is_enough:
        lines.append(
            f"That is too little for a balance that reads {division:g} g, which may be "
            f"{mixing.per_cent(weighed.doubt)} off: make more, or weigh on a finer one."
        )
    return made, [*lines, f"A {asked.cut:g} lb cut: {words.cut_words(cut)}.", words.STIR_SHELLAC]


def _dyed(
    asked: Asked, amount_ml: float, parts: dict[str, float], data: dict[str, Any]
) -> tuple[mixing.Mixture, list[str], list[str]]:
    """Return dye in its carrier, and what it holds in words."""
    load = mixing.read_load(asked.load)
    if load.basis == "up to" and asked.basis == "of carrier":
        what = f"Leave --basis out: {asked.load!r} is a share of the whole"
        raise UserError(Problem(f"{what}; or write what is of the carrier in mL/L"))
    basis: mixing.Basis = "up to" if asked.basis == "up to" else "of carrier"
    dye = mixing.dye(load, amount_ml, basis)
    carriers = parts or {"carrier": 1.0}
    tools = _tools(asked, load.unit)
    weighed = mixing.weigh_dye(dye, tools)
    made = mixing.mixture(dye, carriers, percent=asked.retarder, division=weighed.division)
    data["dye"] = {
        "amount": dye.dye, "unit": load.unit, "carrier_ml": dye.carrier_ml, "finished_ml": dye.finished_ml,
        "basis": dye.basis, "enough": weighed.is_enough,
    }  # fmt: skip
    if weighed.is_enough:
        lines = [f"{made.words}."]
    else:
        stock = mixing.stock_route(weighed, dye.finished_ml, tools)
        data["stock"] = {"dye": stock.dye, "made_ml": stock.made_ml, "error": stock.error}
        tool = "a balance" if load.unit == "g" else "a syringe"
        blended = mixing.mixture(None, carriers, liquid_ml=stock.liquid_ml, percent=asked.retarder)
        lines = [
            f"By way of a stock: {words.stock_words(stock, 'carrier')}; makes {mixing.millilitres(dye.finished_ml)}.",
            f"The dye in it, {mixing.plain(dye.dye)} {load.unit}, is too little for {tool} that reads "
            f"{weighed.division:g} {load.unit} (± {mixing.per_cent(weighed.doubt)}); this way it is within "
            f"{mixing.per_cent(stock.error)}.",
        ]
        if len(blended.parts) > 1:
            lines.insert(1, f"Mix what is called carrier there first: {blended.words}.")
    if load.basis:
        lines.append(
            f"{asked.load} is taken as liquid concentrate by volume of the whole; write a load of powder in g/L or "
            "oz (weight)/qt."
        )
    elif not asked.basis and weighed.is_enough and dye.difference >= words.MATTERS:
        other = mixing.mixture(mixing.dye(load, amount_ml, "up to"), carriers, percent=asked.retarder)
        liquids = ", ".join(part.words for part in other.parts)
        lines.append(
            f"The load counts the carrier; if you meant made up to {mixing.millilitres(amount_ml)}: {liquids} "
            f"(write --basis 'up to')."
        )
    lines.append(f"Stir the dye into the liquid, {words.NO_METAL}.")
    if load.unit == "g" and load.amount >= mixing.SOLUBLE_G_L:
        lines.append(f"{mixing.plain(load.amount)} g/L {words.MAY_NOT_DISSOLVE}.")
    dyes = "powder dye" if load.unit == "g" else "liquid dye concentrate"
    return made, lines, [dyes, *(parts or ["carrier"])]


def _tools(asked: Asked, unit: mixing.Unit) -> mixing.Tools:
    """Return what is weighed and measured with, the balance or the syringe as it was said."""
    if not asked.balance:
        return mixing.Tools()
    kind = "mass" if unit == "g" else "volume"
    try:
        division = units.read(asked.balance, kind).amount
    except UserError as error:
        such = "the balance, such as --balance '0.01 g'" if kind == "mass" else "the syringe, as --balance '0.1 mL'"
        raise UserError(Problem(f"Write one division of {such}: {error.problems[0].what}")) from None
    return mixing.Tools(balance_g=division) if unit == "g" else mixing.Tools(syringe_ml=division)


def _on_top(asked: Asked, made: mixing.Mixture, parts: dict[str, float], data: dict[str, Any]) -> str:
    """Say what the retarder would come to if it were added on top."""
    liquid_ml = sum(part.amount for part in made.parts)
    slow = mixing.retarder(asked.retarder, liquid_ml, asked.load or None)
    data["retarder"] = {"of_total_ml": slow.retarder_ml, "on_top_total_ml": slow.total_on_top_ml}
    carriers = parts or {made.parts[-1].what: 1.0}
    other = mixing.mixture(None, carriers, liquid_ml=liquid_ml, percent=asked.retarder, on_top=True)
    room_ml = made.makes_ml - liquid_ml
    return words.on_top(slow, mixing.Mixture(other.parts, other.makes_ml + room_ml))


def _parts(written: str, *, slowed: bool) -> dict[str, float]:
    """Read ``alcohol 3, thinner 1``, the number first or last."""
    found: dict[str, float] = {}
    for part in re.split(r"[,;]", written):
        said = part.split()
        numbers = [word for word in said if _NUMBER.fullmatch(word)]
        name = re.sub(r"^(?:parts? )?(?:of )?", "", " ".join(word for word in said if word not in numbers))
        if not name or len(numbers) != 1 or numbers[0] not in (said[0], said[-1]):
            raise UserError(
                Problem(f"{part.strip()!r} is not a name and a number of parts", "write 'alcohol 3, thinner 1'")
            )
        if materials.load().hardener(name):
            raise UserError(materials.refusal(name, "leave it to a licensed shop"))
        if name in found or (slowed and name.casefold() == "retarder"):
            twice = "leave --retarder out, or take the retarder out of --parts" if slowed else "add its parts up"
            raise UserError(Problem(f"{name} is named twice", twice))
        found[name] = float(numbers[0])
    return found


def _doubtful(parts: dict[str, float], *, slowed: bool) -> list[str]:
    """Say of which liquids of a blend it is not known whether they mix.

    Raises
    ------
    UserError
        Two of them do not.
    """
    pairs = materials.doubtful([*parts, "retarder"] if slowed else list(parts))
    for pair in pairs:
        if pair.verdict == "no":
            what = f"{pair.first} and {pair.second} do not mix, for {pair.why} ({pair.source})"
            raise UserError(Problem(what, "take another liquid instead of one of them"))
    if not pairs:
        return []
    named = "; ".join(f"{pair.first} and {pair.second}" for pair in pairs)
    return [f"Nothing is known here of whether these mix: {named}. Read their sheets, and try a spoonful in a jar."]


def _cautions(holds: Sequence[str], *, why: bool) -> list[str]:
    """Return the cautions that a batch's own words call for."""
    called = [one.name for text in dict.fromkeys(holds) for one in cautions.for_text(text)]
    return _told(cautions.named(called, "; ".join(holds)), why=why)


def _told(called: Sequence[cautions.Caution], *, why: bool) -> list[str]:
    """Return cautions in lines: short, or whole with their sources."""
    if why:
        return ["Mind:", *(f"- {one.name}: {one.text} ({one.source})" for one in called), f"- {cautions.GENERAL}"]
    return ["Mind:", *(f"- {one.name}: {one.short}" for one in called), f"{MAKERS_SHEET}; more with --why."]


def _values(made: mixing.Mixture) -> list[dict[str, Any]]:
    return [{"what": part.what, "amount": part.amount, "unit": part.unit} for part in made.all]


# --- a trial's batches -----------------------------------------------------------------------------


def of_trial(place: Path, *, why: bool = False) -> tuple[dict[str, Any], list[str]]:
    """Return every batch of a laid-out trial as plain values and as lines of text.

    Parameters
    ----------
    place : the trial's folder.
    why : whether it is also said where the amounts come from, and cautions are told whole.

    Raises
    ------
    UserError
        The trial cannot be read, or one of its batches cannot be reckoned.
    """
    trial = folders.load(place)
    made = batches(trial)
    data = {
        "batches": [
            {
                "kind": one.kind,
                "what": one.what,
                "levels": dict(one.levels),
                "boards": list(one.boards),
                "made_ml": one.made_ml,
                "recipe": _values(one.mixture) if one.mixture else [],
                "lines": words.of_batch(made, at),
            }
            for at, one in enumerate(made.batches, start=1)
        ],
        "stocks": [words.offered(made, offer) for offer in made.stocks],
    }
    if not made.batches:
        what = "the plan's factors and steps name nothing to mix"
        raise UserError(Problem(what, 'name materials in the [[step]]s, such as material = "powdered dye in water"'))
    lines = words.lines(made)
    if why:
        lines += ["", *shell.table(words.COLUMNS, words.amounts(made)), "", *words.reasons(made)]
    return data, [*lines, "", *_told(cautions.named(made.cautions, trial.plan), why=why)]


def batches(trial: folders.Trial) -> mixing.Mixing:
    """Return the batches of the boards of a trial's last occasion."""
    return batches_of(trial.plan, trial.latest_patches, trial.folder.path)


def batches_of(plan: Plan, patches: pd.DataFrame, place: Path) -> mixing.Mixing:
    """Return the batches of a layout, whether it is written yet or not; `mixing.batches` says what is refused."""
    table = materials.load(bench_choices.materials_file(plan.bench, place))
    return mixing.batches(plan, patches, table, bench_choices.settings(plan.bench))
