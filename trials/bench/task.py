"""What is to be done at the bench: every step of every board as pieces of hands-on work, and what each waits for."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from trials import units
from trials.bench.sanding import sands, wets
from trials.errors import Problem, UserError
from trials.plan import Plan, Step

if TYPE_CHECKING:
    import pandas as pd

Piece = tuple[int, int]
"""A part of a board: its lane and its strip, 0 for all of them."""


@dataclass(frozen=True)
class Window:
    """An exact wait: from the end of a task, at least and at most so many seconds until the next begins."""

    task: int
    least_s: int
    most_s: int


@dataclass(frozen=True)
class Task:
    """One stretch of hands-on work that is not broken off.

    Attributes
    ----------
    number : its own, from 1; others refer to it.
    board, lane, strip : where; lane and strip are 0 where all of them are worked in one go.
    step : which step of the plan, from 1.
    name : what is done.
    length_s : hands-on time in seconds.
    after : tasks that end before it begins, each with the least seconds between.
    window : the dwell that ends when this begins; it then is a wipe.
    turn : the board's place in the order of work, from 1, where this task's step keeps that order, else 0.
    dry_s : least seconds of drying after it.
    control : what the piece is, where it carries no level.
    sands, wet : dry work with abrasive, or something wet: on each day all of the first ends before the second begins.
    """

    number: int
    board: int
    step: int
    name: str
    length_s: int
    after: tuple[tuple[int, int], ...] = ()
    window: Window | None = None
    lane: int = 0
    strip: int = 0
    turn: int = 0
    dry_s: int = 0
    control: str = ""
    sands: bool = False
    wet: bool = False

    @property
    def place(self) -> str:
        """Where it is done: ``board 3, strip 2``."""
        parts = [f"board {self.board}"]
        parts += [f"lane {self.lane}"] if self.lane else []
        parts += [f"strip {self.strip}"] if self.strip else []
        return ", ".join(parts)


def why_no_order(plan: Plan) -> str:
    """Say why a plan has no order of work and how it gets one, or nothing where it has one."""
    if not plan.steps:
        return (
            "The plan has no [[step]], so there will be no order of work, no calendar and no page for the bench: add "
            'one for each thing you do, such as name = "dye", stage = "dyed", hands = "4 min", dry = "12 h".'
        )
    silent = [step.name for step in plan.steps if not step.hands]
    if not silent:
        return ""
    return (
        f"There will be no order of work, for these steps do not say how long they take: {'; '.join(silent)}. Add "
        'hands = "3 min" to each, and on, dwell, wipe and dry where there are any.'
    )


def tasks(plan: Plan, patches: pd.DataFrame) -> tuple[Task, ...]:
    """Return the work of a plan on its layout, board by board in the order of work.

    Parameters
    ----------
    plan : with a hands-on time in every step.
    patches : one row a patch, as `trials.design.Layout.patches`.

    Raises
    ------
    UserError
        The plan has no steps, or some do not say how long they take.

    Notes
    -----
    A step without `Step.only` is meant for controls too. Where a factor is the dwell, only what carries a level of it
    is worked, and each piece that has a level of its own is wiped by itself. The order of work is kept by the first
    step that ends with the wood dyed, or by the first step where none does.
    """
    if not plan.steps:
        what = "the plan has no steps, so there is no work to put in order"
        raise UserError(Problem(what, 'add a [[step]] with name = "dye" and hands = "4 min" for each', "trial.toml"))
    silent = [step for step in plan.steps if not step.hands]
    if silent:
        cure = 'add hands = "4 min" (the time for one piece)'
        faults = (
            Problem(f"step {step.name!r} does not say how long it takes", cure, "trial.toml") for step in silent
        )
        raise UserError(*faults)
    boards: dict[int, list[dict[str, Any]]] = {}
    for row in sorted(patches.to_dict("records"), key=lambda row: (row["board_order"], row["lane"], row["strip"])):
        boards.setdefault(int(row["board"]), []).append(row)
    dyed = next((at for at, step in enumerate(plan.steps, start=1) if step.stage == "dyed"), 1)
    made: list[Task] = []
    for board, rows in boards.items():
        made += _of_board(plan, board, rows, dyed, len(made))
    return tuple(made)


def _of_board(plan: Plan, board: int, rows: Sequence[dict[str, Any]], dyed: int, made: int) -> list[Task]:
    """Return the tasks of one board, numbered after those already made."""
    found: list[Task] = []
    before: tuple[tuple[int, int], ...] = ()
    for at, step in enumerate(plan.steps, start=1):
        ends: list[int] = []
        dry = _seconds(step.dry) if step.dry else 0
        turn = int(rows[0]["board_order"]) if at == dyed else 0
        dry_work, wet = sands(step), wets(step)
        for piece, wipes in _pieces(plan, step, rows).items():
            put = made + len(found) + 1
            control = _control(rows, piece)
            last = 0 if wipes else dry
            length = _seconds(step.hands)
            found.append(
                Task(put, board, at, step.name, length, before, lane=piece[0], strip=piece[1], turn=turn,
                     dry_s=last, control=control, sands=dry_work, wet=wet)
            )  # fmt: skip
            ends += [] if wipes else [put]
            for wiped, dwell in wipes.items():
                number = made + len(found) + 1
                window = Window(put, dwell, dwell + _seconds(step.tolerance))
                name = f"wipe back the {step.material}" if step.material else f"wipe back: {step.name}"
                found.append(
                    Task(number, board, at, name, _seconds(step.wipe), window=window,
                         lane=wiped[0], strip=wiped[1], dry_s=dry, control=control, wet=wet)
                )  # fmt: skip
                ends.append(number)
        if ends:
            before = tuple((number, dry) for number in ends)
    return found


def _pieces(plan: Plan, step: Step, rows: Iterable[Mapping[str, Any]]) -> dict[Piece, dict[Piece, int]]:
    """Return the pieces of a board that a step is put on, and in each the pieces wiped after how many seconds."""
    factor = next((one for one in plan.factors if one.name == step.dwell), None)
    fixed = _seconds(step.dwell) if step.dwell and factor is None else 0
    kinds = {step.on, factor.laid_on if factor else step.on}
    found: dict[Piece, dict[Piece, int]] = {}
    for row in rows:
        levels = {one.name: row[one.name] for one in plan.factors} if not row["control"] else {}
        if any(levels.get(name) not in wanted for name, wanted in step.only):
            continue
        piece = _piece({step.on}, row)
        if factor is None:
            found.setdefault(piece, {piece: fixed} if fixed else {})
        elif levels:
            minutes = (factor.amounts or ())[factor.levels.index(levels[factor.name])]
            found.setdefault(piece, {})[_piece(kinds, row)] = max(round(minutes * 60), 1)
    return found


def _piece(kinds: set[str], row: Mapping[str, Any]) -> Piece:
    """Return the piece a patch is of, when it is divided in all of these ways."""
    lane = int(row["lane"]) if kinds & {"lane", "patch"} else 0
    strip = int(row["strip"]) if kinds & {"strip", "patch"} else 0
    return lane, strip


def _control(rows: Iterable[Mapping[str, Any]], piece: Piece) -> str:
    """Return which control a piece is, empty where any of it is treated."""
    lane, strip = piece
    names = {str(row["control"]) for row in rows if lane in (0, row["lane"]) and strip in (0, row["strip"])}
    return "" if "" in names else ", ".join(sorted(names))


def _seconds(written: str) -> int:
    return round(units.read(written, "time").amount * 60)
