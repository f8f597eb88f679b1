"""Choose what each piece of wood carries: full sets of treatments, randomised at every level.

The draws are made from the one generator whose stream Python promises to keep (``random.Random`` with an
integer seed, its ``random()`` method), so that a seed gives the same layout on every platform and version.
"""

from __future__ import annotations

import hashlib
import random
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

from trials.errors import Problem, UserError
from trials.plan import Factor, Plan
from trials.structure import treated_lanes, treated_strips

if TYPE_CHECKING:
    import pandas as pd

T = TypeVar("T")
Treatment = dict[str, str]

UPSIDE_DOWN = set("01689")
"""Digits that read as digits when a board is turned round."""


@dataclass(frozen=True)
class Layout:
    """Who gets what, where.

    Attributes
    ----------
    patches : one row a patch: patch (its blind code), lot, board, lane, strip, board_order, one column a
        factor, control (empty for a treated patch). Lanes are counted from the fixed edge, strips from
        the label end, board_order is the order in which the boards are worked.
    seed : the seed it came from.
    notes : what the finisher should know of it, in words.
    """

    patches: pd.DataFrame
    seed: int
    notes: tuple[str, ...]


class Draw:
    """Random choices that depend on nothing but the seed."""

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed).random

    def below(self, number: int) -> int:
        """Return a whole number from 0 to ``number - 1``."""
        return int(self._random() * number)

    def shuffled(self, items: Sequence[T]) -> list[T]:
        """Return the items in random order (Fisher-Yates)."""
        result = list(items)
        for at in range(len(result) - 1, 0, -1):
            other = self.below(at + 1)
            result[at], result[other] = result[other], result[at]
        return result


def lay_out(plan: Plan, seed: int) -> Layout:
    """Lay a plan out on its boards.

    Parameters
    ----------
    plan : a checked plan.
    seed : any whole number; the same seed gives the same layout.

    Raises
    ------
    UserError
        The boards, lanes, strips or patches do not hold the full set of treatments; it says how many would.
    """
    import pandas as pd

    draw = Draw(seed)
    notes: list[str] = []
    _check_room(plan)
    boards = _boards(plan, draw, notes)
    order = draw.shuffled(range(1, plan.boards.count + 1))
    rows: list[dict[str, object]] = []
    for board in boards:
        rows.extend(row | {"board_order": order[board.number - 1]} for row in _patches(plan, board, draw, notes))
    codes = draw.shuffled(_codes(len(rows)))[: len(rows)]
    table = pd.DataFrame([{"patch": code} | row for code, row in zip(codes, rows, strict=True)])
    names = [factor.name for factor in plan.factors]
    columns = ["patch", "lot", "board", "lane", "strip", "board_order", *names, "control"]
    return Layout(table[columns], seed, tuple(dict.fromkeys(notes)))


@dataclass(frozen=True)
class _Board:
    number: int
    lot: int
    treatment: Treatment
    control: str


# --- does it fit -----------------------------------------------------------------------------------


def _check_room(plan: Plan) -> None:
    """Refuse a plan whose pieces do not hold the full set, saying how many would."""
    problems = []
    sets = plan.treatments(plan.laid_on("board"))
    room = plan.boards.count - plan.controls_on("board")
    if room < len(sets):
        factors = _product_words(plan.laid_on("board"))
        spare = f" besides the {plan.controls_on('board')} control boards" if plan.controls_on("board") else ""
        total = len(sets) + plan.controls_on("board")
        problems.append(
            Problem(
                f"{_number(room, 'board')}{spare} cannot hold the {len(sets)} board treatments ({factors})",
                f"lay out {total} boards for one of each or {total + len(sets)} for two, take fewer levels, "
                "or lay a factor on lane or strip",
                file="trial.toml",
            )
        )
    for kind, room in (("lane", treated_lanes(plan)), ("strip", treated_strips(plan))):
        needed = max(len(plan.treatments(plan.laid_on(kind), given)) for given in sets)
        if room < needed:
            factors = _product_words(plan.laid_on(kind))
            problems.append(
                Problem(
                    f"a board's {_number(room, kind)} cannot hold the {needed} {kind} treatments ({factors})",
                    f"divide the boards into {needed} {kind}s or a multiple of it, or take fewer levels",
                    file="trial.toml",
                )
            )
    if problems:
        raise UserError(*problems)


def _number(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def _product_words(factors: Sequence[Factor]) -> str:
    return " × ".join(f"{factor.words} {len(factor.levels)}" for factor in factors)


# --- boards ----------------------------------------------------------------------------------------


def _boards(plan: Plan, draw: Draw, notes: list[str]) -> list[_Board]:
    """Give each board its lot and its treatment, at random within lots."""
    sets = plan.treatments(plan.laid_on("board"))
    numbers = [(lot, number) for lot, numbers in _numbered_lots(plan) for number in numbers]
    control_boards = _control_boards(plan, draw)
    uses = [0] * len(sets)
    boards = []
    for lot, members in _numbered_lots(plan):
        free = [number for number in members if number not in control_boards]
        chosen = _choose(sets, len(free), uses, draw)
        treated = dict(zip(free, draw.shuffled(chosen), strict=True))
        for number in members:
            control = control_boards.get(number, "")
            treatment = {} if control else sets[treated[number]]
            boards.append(_Board(number, lot, treatment, control))
    if len(set(uses)) > 1:
        names = _product_words(plan.laid_on("board"))
        whole = len(sets) * min(uses) + plan.controls_on("board")
        notes.append(
            f"{len(numbers)} boards hold the full set of {len(sets)} board treatments ({names}) unevenly: "
            f"{min(uses)} boards of some and {max(uses)} of others. "
            f"{whole} or {whole + len(sets)} boards would share out evenly."
        )
    return boards


def _numbered_lots(plan: Plan) -> list[tuple[int, list[int]]]:
    """Return each lot with its board numbers; boards are numbered through the lots."""
    lots, start = [], 1
    for lot, size in enumerate(plan.boards.lots, start=1):
        lots.append((lot, list(range(start, start + size))))
        start += size
    return lots


def _control_boards(plan: Plan, draw: Draw) -> dict[int, str]:
    """Choose the boards that are controls, spread over the lots."""
    names = [control.name for control in plan.controls if control.laid_on == "board" for _ in range(control.count)]
    if not names:
        return {}
    queues = draw.shuffled([draw.shuffled(numbers) for _, numbers in _numbered_lots(plan)])
    chosen: list[int] = []
    while len(chosen) < len(names):
        queues.sort(key=len, reverse=True)
        for queue in queues:
            if queue and len(chosen) < len(names):
                chosen.append(queue.pop())
    return dict(zip(chosen, draw.shuffled(names), strict=True))


def _choose(sets: list[Treatment], room: int, uses: list[int], draw: Draw) -> list[int]:
    """Choose `room` treatments for one lot, the least used first, levels spread within the lot.

    `uses` counts over the whole trial and is brought up to date.
    """
    chosen: list[int] = []
    levels: dict[tuple[str, str], int] = {}
    for _ in range(room):

        def cost(at: int) -> tuple[int, int, int]:
            in_lot = sum(levels.get(item, 0) for item in sets[at].items())
            return uses[at], chosen.count(at), in_lot

        best = min(cost(at) for at in range(len(sets)))
        at = draw.shuffled([at for at in range(len(sets)) if cost(at) == best])[0]
        chosen.append(at)
        uses[at] += 1
        for item in sets[at].items():
            levels[item] = levels.get(item, 0) + 1
    return chosen


# --- lanes, strips and patches ---------------------------------------------------------------------


def _patches(plan: Plan, board: _Board, draw: Draw, notes: list[str]) -> list[dict[str, object]]:
    """Return the rows of one board."""
    none: dict[str, object] = {factor.name: None for factor in plan.factors}
    place: dict[str, object] = {"lot": board.lot, "board": board.number}
    cells = [(lane, strip) for lane in range(1, plan.boards.lanes + 1) for strip in range(1, plan.boards.strips + 1)]
    if board.control:
        return [place | {"lane": lane, "strip": strip, "control": board.control} | none for lane, strip in cells]
    lanes = _share_out(plan, "lane", plan.boards.lanes, board, draw, notes)
    strips = _share_out(plan, "strip", plan.boards.strips, board, draw, notes)
    made: dict[tuple[int, int], Treatment | str] = {}
    for lane, strip in cells:
        on_lane, on_strip = lanes[lane - 1], strips[strip - 1]
        if isinstance(on_lane, str) or isinstance(on_strip, str):
            made[lane, strip] = on_lane if isinstance(on_lane, str) else str(on_strip)
            continue
        treatment = board.treatment | on_lane | on_strip
        if plan.treatments(plan.laid_on("patch"), treatment):
            made[lane, strip] = treatment
        else:
            notes.append("Some patches are left bare, because the plan forbids what would meet there.")
    _control_patches(plan, made, draw)
    _lay_on_patches(plan, made, draw)
    rows = []
    for (lane, strip), what in made.items():
        carried = none | {"control": what} if isinstance(what, str) else {"control": "", **what}
        rows.append(place | {"lane": lane, "strip": strip} | carried)
    return rows


def _share_out(
    plan: Plan, kind: str, number: int, board: _Board, draw: Draw, notes: list[str]
) -> list[Treatment | str]:
    """Return what each lane (or strip) of a board carries: a treatment, or the name of a control."""
    controls = [control.name for control in plan.controls if control.laid_on == kind for _ in range(control.count)]
    options = plan.treatments(plan.laid_on(kind), board.treatment)
    room = number - len(controls)
    if room % len(options):
        notes.append(
            f"The {room} {kind}s of a board do not share out evenly over {len(options)} {kind} treatments; "
            f"{len(options) * (room // len(options) + 1)} would."
        )
    carried: list[Treatment | str] = [*_filled(options, room, draw), *controls]
    return draw.shuffled(carried)


def _filled(options: Sequence[T], room: int, draw: Draw) -> list[T]:
    """Return `room` options, each as often as the others as far as it goes, the odd ones drawn."""
    return [*(list(options) * (room // len(options))), *draw.shuffled(options)[: room % len(options)]]


def _control_patches(plan: Plan, made: dict[tuple[int, int], Treatment | str], draw: Draw) -> None:
    """Make single patches controls, at random places among the treated ones."""
    names = [control.name for control in plan.controls if control.laid_on == "patch" for _ in range(control.count)]
    free = draw.shuffled([cell for cell, what in made.items() if not isinstance(what, str)])
    if len(names) >= len(free) and names:
        raise UserError(
            Problem(
                f"{len(names)} control patches leave no patch of {len(free)} on a board for the factors",
                "take fewer",
                file="trial.toml",
            )
        )
    made.update(zip(free, names, strict=False))


def _lay_on_patches(plan: Plan, made: dict[tuple[int, int], Treatment | str], draw: Draw) -> None:
    """Lay the patch factors, a full set within each piece that holds patches of one treatment so far."""
    factors = plan.laid_on("patch")
    if not factors:
        return
    groups: dict[tuple[object, ...], list[tuple[int, int]]] = {}
    for cell, what in made.items():
        if not isinstance(what, str):
            groups.setdefault(_patch_group(plan, cell, what), []).append(cell)
    for cells in groups.values():
        treatment = made[cells[0]]
        assert isinstance(treatment, dict)
        options = plan.treatments(factors, treatment)
        if len(cells) < len(options):
            piece = _group_words(plan)
            raise UserError(
                Problem(
                    f"the {len(options)} patch treatments ({_product_words(factors)}) do not fit on one {piece}, "
                    f"which has {len(cells)} {'patch' if len(cells) == 1 else 'patches'} for them",
                    f"divide the boards so that one {piece} has {len(options)} patches or a multiple of it",
                    file="trial.toml",
                )
            )
        for cell, option in zip(cells, draw.shuffled(_filled(options, len(cells), draw)), strict=True):
            made[cell] = treatment | option


def _patch_group(plan: Plan, cell: tuple[int, int], treatment: Treatment) -> tuple[object, ...]:
    """Return what marks the piece within which a full set of patch treatments is laid."""
    lanes, strips = plan.laid_on("lane"), plan.laid_on("strip")
    if lanes and strips:
        return tuple(treatment[factor.name] for factor in (*lanes, *strips))
    if lanes:
        return ("lane", cell[0])
    if strips:
        return ("strip", cell[1])
    return ()


def _group_words(plan: Plan) -> str:
    lanes, strips = plan.laid_on("lane"), plan.laid_on("strip")
    if lanes and strips:
        return "lane and strip treatment of a board"
    return "lane" if lanes else "strip" if strips else "board"


# --- codes -----------------------------------------------------------------------------------------


def _codes(number: int) -> list[int]:
    """Return the three-digit codes to draw from.

    Codes that read as another number when the board is turned round are used only when the rest do
    not go round.
    """
    plain = [code for code in range(100, 1000) if not set(str(code)) <= UPSIDE_DOWN]
    return plain if number <= len(plain) else list(range(100, 1000))


def scoring_order(patches: pd.DataFrame, seed: int, assessor: str) -> list[int]:
    """Return the codes in the order one assessor scores them: a fresh random order for each name."""
    own = int.from_bytes(hashlib.sha256(f"{seed}/{assessor}".encode()).digest()[:8], "big")
    return Draw(own).shuffled(sorted(int(code) for code in patches["patch"]))
