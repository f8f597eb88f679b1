"""The optional tables of trial.toml: the model, what cannot be used, what is expected, laps, brief and costs."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from trials import brief as briefs
from trials import costs as prices
from trials import units
from trials.errors import UserError, nearest
from trials.plan import Boards, Factor, Lap, Model, Plan, Response, Spread, Unusable
from trials.toml_source import Table


def unusable(root: Table, boards: Boards) -> Iterator[Unusable]:
    """Yield the patches that carry nothing, from [[unusable]]."""
    for table in root.tables("unusable"):
        table.allow(("board", "lane", "strip", "why"))
        board = table.count("board", 0, 1, boards.count) if "board" in table else 0
        if "board" not in table:
            table.fault(None, "this [[unusable]] does not say on which board", "add board = 3, counted from 1")
        lane = table.count("lane", 0, 1, boards.lanes) if "lane" in table else 0
        strip = table.count("strip", 0, 1, boards.strips) if "strip" in table else 0
        if not lane and not strip:
            table.fault(
                None,
                "this [[unusable]] names neither lane nor strip, so nothing is left of the board",
                "add lane = 1 or strip = 3 or both, or take the board out of the count",
            )
        yield Unusable(board, lane, strip, table.text("why", ""))


def model(root: Table, factors: tuple[Factor, ...]) -> Model:
    """Return what the boards are to be chosen for, from [model]."""
    table = root.table("model")
    table.allow(("interactions", "curvature", "criterion"))
    names = {factor.name: factor for factor in factors}
    curvature = table.words("curvature", ())
    for name in curvature:
        if name not in names:
            table.fault("curvature", f"{name!r} is not a factor", nearest(name, names))
        elif names[name].amounts is None or len(names[name].levels) < 3:
            table.fault(
                "curvature",
                f"{name!r} has no curvature: it takes three levels or more, all of them amounts",
                "take it out of curvature",
            )
    criterion = table.choice("criterion", ("D", "I"), "D")
    return Model(_pairs(table, names), curvature, "I" if criterion == "I" else "D")


def _pairs(table: Table, names: Collection[str]) -> tuple[tuple[str, str], ...] | None:
    """Return the pairs of factors of `interactions`, None where it is not given."""
    written = table.values.get("interactions")
    if written is None:
        return None
    cure = 'write pairs of factors, such as interactions = [["carrier", "seal_coat"]], or [] for none'
    if not isinstance(written, list):
        table.fault("interactions", f"interactions is {written!r}", cure)
        return None
    found: list[tuple[str, str]] = []
    for pair in written:
        if not isinstance(pair, list) or len(pair) != 2 or not all(isinstance(name, str) for name in pair):
            table.fault("interactions", f"{pair!r} is not a pair of factors", cure)
            continue
        unknown = [name for name in pair if name not in names]
        for name in unknown:
            table.fault("interactions", f"{name!r} is not a factor", nearest(name, names))
        if unknown:
            continue
        if pair[0] == pair[1]:
            table.fault("interactions", f"{pair[0]!r} is paired with itself", cure)
        elif {*pair} in [{*other} for other in found]:
            table.fault("interactions", f"{pair[0]} with {pair[1]} stands there twice", "leave one out")
        else:
            order = list(names)
            first, second = sorted(pair, key=order.index)
            found.append((first, second))
    return tuple(found)


SPREAD_PIECES = ("lot", "board", "lane", "strip", "patch", "reading")
"""What can differ, from the largest to the smallest."""


def spreads(root: Table, responses: tuple[Response, ...]) -> Iterator[Spread]:
    """Yield the standard deviations the finisher expects, from [[spread]]."""
    known = [response.name for response in responses]
    seen: set[str] = set()
    for table in root.tables("spread"):
        table.allow(("response", *SPREAD_PIECES))
        name = table.text("response")
        if name and name not in known:
            table.fault("response", f"the spread is of {name!r}, which is not a response", nearest(name, known))
        elif name in seen:
            table.fault("response", f"there are two spreads of {name!r}", "keep one of them")
        seen.add(name)
        given = {piece: table.number(piece) for piece in SPREAD_PIECES if piece in table}
        for piece, size in given.items():
            if size is not None and size < 0:
                table.fault(piece, f"{piece} is {size:g}", "write a standard deviation, 0 or more")
        if not given and not table.source.problems:
            table.fault(None, "this [[spread]] says nothing", "add board = 2.0 (a standard deviation) and so on")
        yield Spread(name, tuple((piece, size) for piece, size in given.items() if size is not None))


def lap(root: Table, boards: Boards, factors: tuple[Factor, ...]) -> Lap | None:
    """Return how laps are made, from [lap]; nothing where the plan has none."""
    if "lap" not in root:
        return None
    table = root.table("lap")
    table.allow(("pad", "overlap", "dose", "across"))
    pad = table.length_mm("pad", 60.0, 10, 500)
    overlap = table.length_mm("overlap", 10.0, 1, 200)
    if overlap >= pad:
        table.fault("overlap", f"the overlap of {overlap:g} mm is as wide as the pad's lane", "make it narrower")
    dose = 150.0
    if "dose" in table:
        try:
            dose = units.read(table.values["dose"], "dose").amount
        except UserError as error:
            table.fault("dose", error.problems[0].what, error.problems[0].cure)
        if not dose > 0:
            table.fault("dose", f"dose is {dose:g} mL/m^2", "write what goes on, more than 0")
    across = table.flag("across", default=False)
    if boards.lanes != 1:
        table.fault(None, "a lap board has one lane: lanes A and B lie within its strips", "write lanes = 1")
    room = boards.patch_length_mm if across else boards.patch_width_mm
    if 2 * pad - overlap > room + 1e-9:
        side = "length" if across else "width"
        table.fault(
            "pad" if "pad" in table else None,
            f"two lanes of {pad:g} mm that overlap by {overlap:g} mm take {2 * pad - overlap:g} mm, but a cell has "
            f"{room:.0f} mm",
            f"take a narrower pad, fewer strips, or a larger {side}",
        )
    if not any(one.laid_on == "strip" and one.unit == "min" for one in factors):
        table.fault(
            None,
            "no factor on strips has times as its levels, so there is no return time to vary",
            'add a [[factor]] named return_time, laid on strip, with levels such as ["0 s", "60 s", "180 s", "24 h"]',
        )
    return Lap(pad, overlap, dose, across)


def brief(root: Table, responses: tuple[Response, ...]) -> tuple[str, ...]:
    """Return what the finish has to come to, from [brief], as lines that `trials.brief.read` can read."""
    if "brief" not in root:
        return ()
    table = root.table("brief")
    table.allow(("needs",))
    lines = table.words("needs")
    if "needs" in table and not table.values["needs"]:
        table.fault("needs", "the brief has no condition", 'write one, such as needs = ["darkness at most 38"]')
    if lines:
        try:
            briefs.read(responses, lines)
        except UserError as error:
            for one in error.problems:
                table.fault("needs", one.what, one.cure)
    return lines


def costs(root: Table, plan: Plan) -> prices.Costs | None:
    """Return what the steps cost, from [costs]; every step is reckoned once, so that what is missing is said."""
    if "costs" not in root:
        return None
    table = root.table("costs")
    before = len(table.source.problems)
    read = prices.read(table, plan.bench)
    if len(table.source.problems) > before:  # what is missing follows from that
        return read
    try:
        for step in prices.for_plan(read, plan).steps:
            prices.step_cost(read, step)
    except UserError as error:
        for one in error.problems:
            table.fault(None, one.what, one.cure)
    return read
