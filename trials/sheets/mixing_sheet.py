"""The mixing sheet: every batch of a trial with what to weigh and measure, then where the amounts come from."""

from __future__ import annotations

from collections.abc import Iterator

from trials import cautions
from trials.folder import Trial
from trials.mixing import Batch, Mixing, StockOffer, measured, millilitres, words
from trials.sheets import plain_sheet
from trials.sheets.plain_sheet import Grid, Section


def document(trial: Trial, mixing: Mixing, paper: str) -> bytes:
    """Set the batches as PDF: one table to work from, stocks where they serve better, and beneath it the reasons."""
    opening = [
        "The maker's sheet comes before anything printed here.",
        *words.notes(mixing),
    ]
    return plain_sheet.document(
        trial, paper, "Mixing sheet", "Keep apart from the scoring.", opening, list(_sections(mixing)),
        cautions.named(mixing.cautions, trial.plan),
    )  # fmt: skip


def _sections(mixing: Mixing) -> Iterator[Section]:
    rows = [_row(mixing, number, batch) for number, batch in enumerate(mixing.batches, start=1)]
    header = ("", "batch", "weigh", "into", "boards")
    yield "All batches", (), (Grid(header, rows, (True, False, True, False, False), (0, 5, 3, 4, 3)),)
    ways = [
        f"{number}: {words.stock_words(batch.stock, words.carrier_words(batch))}."
        for number, batch in enumerate(mixing.batches, start=1)
        if batch.stock
    ]
    if ways:
        yield "Too little to weigh or measure: by way of a stock that is thinned", ways, ()
    if mixing.stocks:
        grids = [_stock(mixing, offer) for offer in mixing.stocks]
        rules = dict.fromkeys(words.rule(offer) for offer in mixing.stocks)
        yield "Or one stock a carrier, made once and thinned", tuple(rules), grids
    widths = (0, 0, 0, 0, 0, 0, 0)
    grid = Grid(words.COLUMNS, words.amounts(mixing), (True,) * 7, widths)
    yield "Where the amounts come from", words.reasons(mixing), (grid,)


def _row(mixing: Mixing, number: int, batch: Batch) -> list[str]:
    """Return a batch's row: number, what it is, what is weighed, into what, for which boards."""
    where = words.where(batch, mixing.boards).removeprefix("boards ").removeprefix("board ")
    made = batch.mixture
    if made is None or made.dissolved is None:
        return [str(number), words.name(batch), batch.lacking or "as it comes", millilitres(batch.made_ml), where]
    weigh = made.dissolved.words
    if batch.weighing and not batch.weighing.is_enough:
        weigh = "too little, see below"
    return [str(number), words.name(batch), weigh, made.liquids, where]


def _stock(mixing: Mixing, offer: StockOffer) -> Grid:
    """Return a stock's table: the stock, then what each batch takes of it."""
    stock = offer.stock
    name, weigh, into = words.stock_row(offer)
    rows = [["", name, weigh, into.removesuffix(f" {offer.carrier}"), ""]]
    for number, share in zip(offer.numbers, stock.shares, strict=True):
        where = words.where(mixing.batches[number - 1], mixing.boards).removeprefix("boards ").removeprefix("board ")
        add = measured(share.add_ml) if share.add_ml else "nothing"
        rows.append([str(number), share.load.text, f"{measured(share.take_ml)} of the stock", add, where])
    header = ("", f"with {words.carrier_words(offer)}", "weigh or take", "into, or add", "boards")
    return Grid(header, rows, (True, False, True, False, False), (0, 5, 3, 4, 3))
