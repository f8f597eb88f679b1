"""A trial's batches as they are read at the bench: a line or two each, and beneath it where the amounts come from."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from trials import units
from trials.materials import liquids_in
from trials.mixing.amounts import DYE_G_ML, FLAKES_G_ML, SOLUBLE_G_L, measured, millilitres, per_cent, plain
from trials.mixing.balance import Stock, Weighing
from trials.mixing.batch import Batch, Mixing, StockOffer
from trials.mixing.liquids import Dye, Retarder
from trials.mixing.mixture import Mixture, mixture
from trials.mixing.shellac import Shellac

MATTERS = 0.01
"""From which difference on the other way of counting is told: half of what the weighing is allowed."""
NO_METAL = "in glass or plastic, never in metal"
STIR_SHELLAC = (
    f"Stir or shake shellac every 30 min until it is dissolved, {NO_METAL}; date the jar, use it within 3 months, "
    "and discard it when a drop on glass stays gummy."
)
SOURCES = (
    "No metal: Popular Woodworking no. 158, November 2006, of water-soluble dye (excerpt); a supplier's chart, "
    f"rev. 2013, of shellac. What dissolves takes up room: powder {DYE_G_ML:g} g/mL (assumed), flakes "
    f"{FLAKES_G_ML:g} g/mL (from memory)."
)
MAY_NOT_DISSOLVE = "may be more than dissolves: let it settle and filter it"


def numbered(numbers: Sequence[int]) -> str:
    """Return numbers in order, runs of three and more closed up: ``1 to 4, 7``."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(map(str, run)) for run in runs)


def where(batch: Batch, boards: int) -> str:
    """Return what a batch goes on: ``boards 5, 11``, ``all 12 boards``, ``12 lanes on boards 1 to 12``."""
    lane, strip = (any(piece[at] for piece in batch.pieces) for at in (1, 2))
    many = len(batch.boards)
    every = many == boards and many > 1
    on = f"all {many} boards" if every else f"board{'s' if many > 1 else ''} {numbered(batch.boards)}"
    if not lane and not strip:
        return on
    piece = "patch" if lane and strip else "lane" if lane else "strip"
    several = "" if len(batch.pieces) == 1 else "es" if piece == "patch" else "s"
    return f"{len(batch.pieces)} {piece}{several} on {on}"


def name(batch: Batch) -> str:
    """Return a batch by its kind and what its liquids do not name: ``Dye: 15 g/L``, ``Glaze: oil glaze``."""
    made = batch.mixture
    if made and isinstance(batch.recipe, Dye):
        return f"{_capital(batch.kind)}: {', '.join(_beside(batch, made)) or batch.what}"
    return f"{_capital(batch.kind)}: {batch.what}{_coats(batch)}"


def _coats(batch: Batch) -> str:
    return f", {batch.volume.coats} coats" if batch.volume.coats > 1 else ""


def lines(mixing: Mixing) -> list[str]:
    """Return each batch in a line, in two where it cannot be weighed, then what stocks would serve better."""
    said = [line for number in range(1, len(mixing.batches) + 1) for line in of_batch(mixing, number)]
    said += [offered(mixing, offer) for offer in mixing.stocks]
    said += dict.fromkeys(f"  {rule(offer)}" for offer in mixing.stocks)
    return [*said, *notes(mixing)]


def notes(mixing: Mixing) -> list[str]:
    """Return what holds of all batches, what may not dissolve, and which loads were read as US ones."""
    said = "Mix each in one go: a second batch is never quite the first."
    listed = [
        f"{said} Dissolve dye and shellac {NO_METAL}." if any(batch.recipe for batch in mixing.batches) else said
    ]
    loads = [batch.recipe.load for batch in mixing.batches if isinstance(batch.recipe, Dye)]
    strong = [load.text for load in loads if load.unit == "g" and load.amount >= SOLUBLE_G_L]
    if strong:
        listed.append(f"{', '.join(dict.fromkeys(strong))} {MAY_NOT_DISSOLVE}.")
    assumed = assumption(list(dict.fromkeys(load.text for load in loads)))
    return [*listed, assumed] if assumed else listed


def of_batch(mixing: Mixing, number: int) -> list[str]:
    """Return one batch, by its number from 1, in a line or two."""
    return list(_line(mixing, number, mixing.batches[number - 1]))


def _line(mixing: Mixing, number: int, batch: Batch) -> Iterator[str]:
    start = f"{_capital(where(batch, mixing.boards))}: "
    made = batch.mixture
    if made is None or made.dissolved is None:  # nothing is dissolved here
        told = "" if batch.lacking else ", as it comes"
        yield f"{start}{millilitres(batch.made_ml)} {batch.what}{_coats(batch)}{told}."
        if batch.lacking:
            yield f"  {batch.lacking}"
        return
    beside = [batch.what] if isinstance(batch.recipe, Shellac) else list(_beside(batch, made))
    told = f" ({', '.join(beside)})" if beside else ""
    if batch.weighing and not batch.weighing.is_enough:
        ways = "by way of the stock below." if mixing.offer(number) else "so:"
        little = f"{plain(made.dissolved.amount)} {made.dissolved.unit} {made.dissolved.what}"
        do = "weigh" if made.dissolved.unit == "g" else "measure"
        yield f"{start}{little} in {made.liquids}{told} is too little to {do}, {ways}"
        if batch.stock and not mixing.offer(number):
            yield f"  {stock_words(batch.stock, carrier_words(batch))}."
        return
    yield f"{start}{made.dissolved.words} in {made.liquids}{told}."


def _beside(batch: Batch, made: Mixture) -> Iterator[str]:
    """Yield the levels that the recipe itself does not show: carrier and retarder stand in it."""
    named = {part.what for part in made.parts}
    if isinstance(batch.recipe, Dye) and batch.recipe.load.text not in dict(batch.levels).values():
        yield batch.recipe.load.text
    yield from (level for name, level in batch.levels if level not in named and "retarder" not in name.casefold())


def carrier_words(one: Batch | StockOffer) -> str:
    """Return what a batch or a stock is thinned with: ``alcohol``, ``alcohol with its 5 % retarder``."""
    return f"{one.carrier} with its {one.percent:g} % retarder" if one.percent else one.carrier


def stock_words(stock: Stock, carrier: str) -> str:
    """Return the way by stocks: ``0.62 g dye, carrier up to 69 mL; 6.2 mL of that and 94 mL carrier``."""
    dye = "g dye" if stock.unit == "g" else "mL dye concentrate"
    said = f"{plain(stock.dye)} {dye}, {carrier} up to {measured(stock.steps[0].filled_ml)}"
    for before, step in zip(stock.steps, stock.steps[1:], strict=False):
        said += f"; {measured(before.take_ml)} of that, {carrier} up to {measured(step.filled_ml)}"
    add = f" and {measured(stock.add_ml)} {carrier}" if stock.add_ml else ""
    return f"{said}; {measured(stock.steps[-1].take_ml)} of that{add}"


def offered(mixing: Mixing, offer: StockOffer) -> str:
    """Return one stock and what each batch takes of it."""
    load, weigh, into = stock_row(offer)
    takes = []
    for number, share in zip(offer.numbers, offer.stock.shares, strict=True):
        thinned = f" and {measured(share.add_ml)} {carrier_words(offer)}" if share.add_ml else ""
        boards = where(mixing.batches[number - 1], mixing.boards)
        takes.append(f"{share.load.text} ({boards}) {measured(share.take_ml)}{thinned}")
    return f"Or one {load}: {weigh} in {into}. Of that: {'; '.join(takes)}."


def stock_row(offer: StockOffer) -> tuple[str, str, str]:
    """Return what a stock is called, what is weighed for it, and into what."""
    stock = offer.stock
    made = mixture(stock.dye, {offer.carrier: 1.0}, percent=offer.percent, division=stock.weighing.division)
    weigh = made.dissolved.words if made.dissolved else ""
    return f"stock of {stock.dye.load.text}", weigh, made.liquids


def rule(offer: StockOffer) -> str:
    """Say why a stock is offered."""
    tool = "balance" if offer.stock.weighing.unit == "g" else "syringe"
    return (
        f"Its roundings come to {per_cent(offer.stock.error)} at most; half a division of the {tool} alone is "
        f"{per_cent(offer.stock.straight)} of the weakest batch."
    )


# --- where the amounts come from ---------------------------------------------------------------------


def reasons(mixing: Mixing) -> list[str]:
    """Return where the amounts come from: conventions, then each source of a coverage once."""
    said = []
    dyes = [batch for batch in mixing.batches if isinstance(batch.recipe, Dye)]
    if dyes:
        for what in dict.fromkeys(batch.what for batch in dyes):
            at = [at for at, batch in enumerate(mixing.batches, start=1) if batch.what == what]
            said.append(f"Batch{'es' if len(at) > 1 else ''} {numbered(at)}: {what}.")
        said += list(dict.fromkeys(_counted(batch.recipe) for batch in dyes if isinstance(batch.recipe, Dye)))
        slowed = next((batch for batch in dyes if batch.percent), None)
        if slowed:
            said.append("Retarder is a share of all the liquid, by volume.")
    cuts = [(batch.what, batch.recipe) for batch in mixing.batches if isinstance(batch.recipe, Shellac)]
    said += [f"{_capital(what)}: {cut_words(cut)}." for what, cut in cuts] + ([STIR_SHELLAC] if cuts else [])
    volumes = [batch.volume for batch in mixing.batches]
    if volumes:
        said.append(f"{100 * volumes[0].waste:g} % more is made than the wood takes, for what rag and cup keep.")
    if any(volume.floor_bites for volume in volumes):
        said.append(f"Less than {millilitres(volumes[0].floor_ml)} is not worth mixing, so that is the least.")
    for source in dict.fromkeys(batch.coverage_source for batch in mixing.batches if batch.coverage_source):
        of = [batch.kind for batch in mixing.batches if batch.coverage_source == source]
        said.append(f"Coverage of the {' and the '.join(dict.fromkeys(of))}: {source}.")
    for number, batch in enumerate(mixing.batches, start=1):
        system = next((found for _, level in batch.levels if (found := units.ounces_in(level))), None)
        if system and batch.mixture:
            said.append(f"Batch {number} in {system} measures: {batch.mixture.in_ounces(system)}.")
    return [*said, SOURCES] if any(batch.recipe for batch in mixing.batches) else said


def _counted(made: Dye) -> str:
    """Say what a load counts."""
    if made.load.basis:
        return "A load in per cent is liquid concentrate by volume of the whole."
    if made.basis == "of carrier":
        return "Dye loads count the litre of carrier, not of the whole."
    return "Dye loads count the litre of the whole, carrier and dye together."


COLUMNS = ("", "on", "coats", "coverage", "on the wood", "to make", "weighed to")


def amounts(mixing: Mixing) -> list[list[str]]:
    """Return a row a batch under `COLUMNS`: what the wood takes, what is made, and the balance's rounding."""
    rows = []
    for number, batch in enumerate(mixing.batches, start=1):
        volume = batch.volume
        row = [
            str(number),
            f"{plain(volume.area_m2)} m²",
            str(volume.coats),
            f"{plain(volume.coverage_m2_l)} m²/L",
            millilitres(volume.exact_ml),
            millilitres(batch.made_ml),
            doubt(batch.weighing),
        ]
        rows.append(row)
    return rows


def doubt(weighing: Weighing | None) -> str:
    """Return half a division as a share of what is weighed."""
    if weighing is None:
        return ""
    return f"± {per_cent(weighing.doubt)}" if weighing.is_enough else "too little"


def cut_words(made: Shellac) -> str:
    """Return what a cut is."""
    return f"{made.cut_lb:g} lb of flakes to a US gallon of alcohol, {made.solids_percent:.1f} % solids by weight"


def on_top(slow: Retarder, made: Mixture) -> str:
    """Return what retarder added on top would come to."""
    carriers = ", ".join(part.words for part in made.parts if part.what != "retarder")
    said = f"If you meant {slow.percent:g} % on top: {carriers}; makes {millilitres(made.makes_ml)}"
    if slow.load is not None and slow.load_on_top is not None:
        fall = 1 - slow.load_on_top / slow.load.amount
        said += f", and the dye falls to {plain(slow.load_on_top)} {slow.load.unit}/L ({per_cent(fall)} less)"
    return said + "."


def shrinks(names: Iterable[str]) -> bool:
    """Whether a blend holds water and an alcohol."""
    found = {liquid.name for name in names for liquid in liquids_in(name)}
    return "water" in found and bool(found & {"ethanol", "methanol", "isopropyl alcohol"})


def assumption(texts: Sequence[str]) -> str:
    """Say which measures were taken as US ones, or nothing."""
    taken = [(text, units.assumed_us(text)) for text in texts if text]
    if not any(measure for _, measure in taken):
        return ""
    measure = next(measure for _, measure in taken if measure)
    return f"Read as {', '.join(text for text, found in taken if found)} (US; write 'imp {measure}' for imperial)."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
