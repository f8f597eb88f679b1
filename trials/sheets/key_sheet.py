"""The key: what every code carries, board by board in the order of work, and by code. Not blind.

Pure: a plan and its patches in, what the page says out.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from trials import cautions
from trials.cautions import Caution
from trials.plan import Factor, Plan

if TYPE_CHECKING:
    import pandas as pd

STRIPS_ABREAST = 6
"""Strips of a board side by side in the key; more go below."""
FACTORS_ABREAST = 5
"""Factors that have a column each in the table by code; more are written out in one."""
UNUSED = "not used"


@dataclass(frozen=True)
class Cell:
    """A patch in the key: its code (empty where there is none), what it alone carries, and if it is a control."""

    code: str
    words: str
    control: bool


@dataclass(frozen=True)
class Lane:
    """A lane's part of a block: its number, what is laid on it, its patches in the order of the strips."""

    number: int
    words: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True)
class Block:
    """Neighbouring strips of a board: their numbers and what is laid on them; the farthest lane first."""

    strips: tuple[tuple[int, str], ...]
    lanes: tuple[Lane, ...]


@dataclass(frozen=True)
class Board:
    """A board's turn in the order of work, and what it carries."""

    turn: int
    board: int
    lot: int
    words: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class CodeRow:
    """A line of the table by code."""

    code: str
    place: str
    carries: tuple[str, ...]


@dataclass(frozen=True)
class Key:
    """What key.pdf says."""

    title: str
    facts: tuple[tuple[str, str], ...]
    never: tuple[str, ...]
    lots: int
    boards: tuple[Board, ...]
    columns_by_code: tuple[str, ...]
    codes: tuple[CodeRow, ...]
    general: str
    cautions: tuple[Caution, ...]


def build(plan: Plan, patches: pd.DataFrame, seed: int) -> Key:
    """Write the key out.

    Parameters
    ----------
    plan : the plan.
    patches : one row a patch, as layout.csv.
    seed : the layout's.
    """
    rows: list[dict[str, Any]] = patches.to_dict("records")
    by_turn: dict[int, list[dict[str, Any]]] = {}
    for row in rows:
        by_turn.setdefault(int(row["board_order"]), []).append(row)
    return Key(
        title=plan.title,
        facts=_facts(plan, seed),
        never=tuple(_never(plan)),
        lots=len(plan.boards.lots),
        boards=tuple(_board(plan, turn, by_turn[turn]) for turn in sorted(by_turn)),
        columns_by_code=_columns(plan),
        codes=tuple(_code_row(plan, row) for row in sorted(rows, key=lambda row: int(row["patch"]))),
        general=cautions.GENERAL,
        cautions=cautions.for_plan(plan),
    )


def _facts(plan: Plan, seed: int) -> tuple[tuple[str, str], ...]:
    """Return the heads and words of the list on the first page."""
    boards = plan.boards
    facts = [
        ("boards", f"{boards.count} of {boards.length_mm:g} × {boards.width_mm:g} mm, lots: {len(boards.lots)}"),
        ("each board", f"lanes: {boards.lanes}, strips: {boards.strips}"),
    ]
    if plan.wood:
        facts.insert(0, ("wood", plan.wood))
    facts += [(factor.words, f"{', '.join(factor.levels)} (laid on {factor.laid_on})") for factor in plan.factors]
    facts += [(f"control {control.name}", f"{control.laid_on}: {control.count}") for control in plan.controls]
    return (*facts, ("layout", f"seed {seed}, plan {plan.layout_digest()[:12]}"))


def _never(plan: Plan) -> Iterable[str]:
    for exclusion in plan.exclusions:
        yield exclusion.words + (f" ({exclusion.why})" if exclusion.why else "")


# --- boards ----------------------------------------------------------------------------------------


def _board(plan: Plan, turn: int, rows: Sequence[dict[str, Any]]) -> Board:
    by_place = {(int(row["lane"]), int(row["strip"])): row for row in rows}
    strips = range(1, plan.boards.strips + 1)
    blocks = [strips[start : start + STRIPS_ABREAST] for start in range(0, len(strips), STRIPS_ABREAST)]
    words = _laid(plan, "board", rows)
    whole = all(_control(row) for row in rows)
    first = rows[0]
    return Board(
        turn=turn,
        board=int(first["board"]),
        lot=int(first["lot"]),
        words=words,
        blocks=tuple(_block(plan, by_place, block, control_board=whole) for block in blocks),
    )


def _block(
    plan: Plan, by_place: dict[tuple[int, int], dict[str, Any]], strips: range, *, control_board: bool
) -> Block:
    heads = []
    for strip in strips:
        rows = [row for (_, at), row in by_place.items() if at == strip]
        heads.append((strip, _laid(plan, "strip", rows)))
    lanes = []
    for lane in range(plan.boards.lanes, 0, -1):
        rows = [row for (at, _), row in by_place.items() if at == lane]
        cells = (_cell(plan, by_place.get((lane, strip)), control_board=control_board) for strip in strips)
        lanes.append(Lane(lane, _laid(plan, "lane", rows), tuple(cells)))
    return Block(tuple(heads), tuple(lanes))


def _cell(plan: Plan, row: dict[str, Any] | None, *, control_board: bool) -> Cell:
    if row is None:
        return Cell("", UNUSED, control=False)
    control = _control(row)
    if control:
        return Cell(_code(row), "" if control_board else control, control=True)
    return Cell(_code(row), _levels(plan.laid_on("patch"), row), control=False)


def _laid(plan: Plan, kind: str, rows: Iterable[dict[str, Any]]) -> str:
    """Return what one board, lane, strip or patch carries in words: its levels, or the control it is."""
    rows = list(rows)
    treated = [row for row in rows if not _control(row)]
    if treated:
        return _levels(plan.laid_on(kind), treated[0])
    names = {_control(row) for row in rows} & {control.name for control in plan.controls if control.laid_on == kind}
    return f"control: {names.pop()}" if len(names) == 1 else ""


def _levels(factors: Sequence[Factor], row: dict[str, Any]) -> str:
    return "; ".join(f"{factor.words} {row[factor.name]}" for factor in factors)


def _control(row: dict[str, Any]) -> str:
    """Return the name of a patch's control, or nothing for a treated patch (an empty cell may read as NaN)."""
    value = row["control"]
    return value if isinstance(value, str) else ""


def _code(row: dict[str, Any]) -> str:
    return f"{int(row['patch']):03d}"


# --- by code ---------------------------------------------------------------------------------------


def _columns(plan: Plan) -> tuple[str, ...]:
    heads = tuple(factor.words for factor in plan.factors)
    if len(heads) > FACTORS_ABREAST:
        return ("carries",)
    return (*heads, "control") if plan.controls else heads


def _code_row(plan: Plan, row: dict[str, Any]) -> CodeRow:
    control = _control(row)
    place = f"{row['board']} · {row['lane']} · {row['strip']}"
    if len(plan.factors) > FACTORS_ABREAST:
        words = f"control: {control}" if control else _levels(plan.factors, row)
        return CodeRow(_code(row), place, (words,))
    levels = tuple("" if control else str(row[factor.name]) for factor in plan.factors)
    return CodeRow(_code(row), place, (*levels, control) if plan.controls else levels)
