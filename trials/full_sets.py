"""Lay the full set of treatments on boards that hold it: every combination, as often as the others."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

from trials.draw import Draw
from trials.errors import Problem
from trials.placing import Carried, Cell, Places, Treatment
from trials.plan import Factor, Plan
from trials.stock import Stock
from trials.structure import treated_lanes, treated_strips

T = TypeVar("T")


class NotHeldError(Exception):
    """The boards do not hold the full set; the problem says what does not fit and how many would."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.what)
        self.problem = problem


def lay(plan: Plan, boards: Sequence[Stock], draw: Draw, places: Places, notes: list[str]) -> list[Carried]:
    """Return what each board carries, at random within lots.

    Parameters
    ----------
    boards : control boards included.
    draw, places : what decides, and what has stood where so far.
    notes : gets what the finisher should know.

    Raises
    ------
    NotHeldError
        There are too few boards, lanes, strips or patches.
    """
    _check_room(plan, boards)
    treated = [board for board in boards if not board.control]
    treatments = _shared_over_boards(plan, boards, draw, notes)
    lanes = _share_out(plan, "lane", treated, treatments, draw, notes)
    strips = _share_out(plan, "strip", treated, treatments, draw, notes)
    laid = [
        _meet(plan, board, treatments[board.number], lanes[board.number], strips[board.number], notes)
        for board in treated
    ]
    for made in laid:
        _control_patches(plan, made, places)
    _lay_on_patches(plan, laid, draw)
    done = iter(laid)
    return [dict.fromkeys(board.cells, board.control) if board.control else next(done) for board in boards]


def product_words(factors: Sequence[Factor]) -> str:
    """Return factors and their numbers of levels: ``carrier 3 × dye load 2``."""
    return " × ".join(f"{factor.words} {len(factor.levels)}" for factor in factors)


# --- does it fit -----------------------------------------------------------------------------------


def _check_room(plan: Plan, boards: Sequence[Stock]) -> None:
    sets = plan.treatments(plan.laid_on("board"))
    room = sum(not board.control for board in boards)
    if room < len(sets):
        controls = len(boards) - room
        spare = f" besides the {controls} control boards" if controls else ""
        raise NotHeldError(
            Problem(
                f"{_number(room, 'board')}{spare} cannot hold the {len(sets)} board treatments "
                f"({product_words(plan.laid_on('board'))})",
                f"{len(sets) + controls} boards would hold one of each, {2 * len(sets) + controls} boards two",
            )
        )
    for kind, room in (("lane", treated_lanes(plan)), ("strip", treated_strips(plan))):
        needed = max(len(plan.treatments(plan.laid_on(kind), given)) for given in sets)
        if room < needed:
            raise NotHeldError(
                Problem(
                    f"a board's {_number(room, kind)} cannot hold the {needed} {kind} treatments "
                    f"({product_words(plan.laid_on(kind))})",
                    f"boards divided into {needed} {kind}s would hold them all",
                )
            )


def _number(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


# --- boards ----------------------------------------------------------------------------------------


def _shared_over_boards(plan: Plan, boards: Sequence[Stock], draw: Draw, notes: list[str]) -> dict[int, Treatment]:
    """Return the treatment of each treated board by its number, spread over the lots."""
    sets = plan.treatments(plan.laid_on("board"))
    uses = [0] * len(sets)
    found: dict[int, Treatment] = {}
    for lot in dict.fromkeys(board.lot for board in boards):
        free = [board.number for board in boards if board.lot == lot and not board.control]
        chosen = _choose(sets, len(free), uses, draw)
        found.update(zip(free, (sets[at] for at in draw.shuffled(chosen)), strict=True))
    if len(set(uses)) > 1:
        controls = sum(bool(board.control) for board in boards)
        whole = len(sets) * min(uses) + controls
        notes.append(
            f"{len(boards)} boards hold the full set of {len(sets)} board treatments "
            f"({product_words(plan.laid_on('board'))}) unevenly: {min(uses)} boards of some and {max(uses)} of "
            f"others. {whole} or {whole + len(sets)} boards would share out evenly."
        )
    return found


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


def _share_out(
    plan: Plan, kind: str, boards: Sequence[Stock], treatments: dict[int, Treatment], draw: Draw, notes: list[str]
) -> dict[int, dict[int, Treatment]]:
    """Return what each treated lane (or strip) of each board carries, by the board's number."""
    found = {}
    for board in boards:
        free = board.free_lanes if kind == "lane" else board.free_strips
        options = plan.treatments(plan.laid_on(kind), treatments[board.number])
        if len(free) % len(options):
            notes.append(
                f"The {len(free)} {kind}s of a board do not share out evenly over {len(options)} {kind} treatments; "
                f"{len(options) * (len(free) // len(options) + 1)} would."
            )
        found[board.number] = dict(zip(free, _filled(options, len(free), draw), strict=True))
    return found


def _filled(options: Sequence[T], room: int, draw: Draw) -> list[T]:
    """Return `room` options in random order, each as often as the others as far as it goes, the odd ones drawn."""
    return draw.shuffled([*(list(options) * (room // len(options))), *draw.shuffled(options)[: room % len(options)]])


def _meet(
    plan: Plan,
    board: Stock,
    treatment: Treatment,
    lanes: dict[int, Treatment],
    strips: dict[int, Treatment],
    notes: list[str],
) -> Carried:
    """Return what the patches of a board carry where its lanes and strips meet."""
    made: Carried = {}
    for cell in board.cells:
        control = board.control_at(cell)
        if control:
            made[cell] = control
            continue
        carried = treatment | lanes[cell[0]] | strips[cell[1]]
        if plan.treatments(plan.laid_on("patch"), carried):
            made[cell] = carried
        else:
            notes.append("Some patches are left bare, because the plan forbids what would meet there.")
    return made


def _control_patches(plan: Plan, made: Carried, places: Places) -> None:
    """Make single patches controls, among the treated ones where they have stood least."""
    names = [control.name for control in plan.controls if control.laid_on == "patch" for _ in range(control.count)]
    free = [cell for cell, what in made.items() if not isinstance(what, str)]
    if names and len(names) >= len(free):
        raise NotHeldError(
            Problem(f"{len(names)} control patches leave no patch of {len(free)} on a board for the factors",
                    "take fewer")
        )  # fmt: skip
    made.update({cell: names[at] for cell, at in places.chosen(names, free).items()})


def _lay_on_patches(plan: Plan, laid: Sequence[Carried], draw: Draw) -> None:
    """Lay the patch factors, a full set within each piece that holds patches of one treatment so far."""
    factors = plan.laid_on("patch")
    if not factors:
        return
    for made in laid:
        groups: dict[tuple[object, ...], list[Cell]] = {}
        for cell, what in made.items():
            if not isinstance(what, str):
                groups.setdefault(_patch_group(plan, cell, what), []).append(cell)
        for cells in groups.values():
            treatment = made[cells[0]]
            assert isinstance(treatment, dict)
            options = plan.treatments(factors, treatment)
            _check_patches(plan, len(cells), len(options))
            made.update(
                {cell: treatment | own for cell, own in zip(cells, _filled(options, len(cells), draw), strict=True)}
            )


def _check_patches(plan: Plan, room: int, needed: int) -> None:
    if room < needed:
        piece = _group_words(plan)
        raise NotHeldError(
            Problem(
                f"the {needed} patch treatments ({product_words(plan.laid_on('patch'))}) do not fit on one {piece}, "
                f"which has {room} {'patch' if room == 1 else 'patches'} for them",
                f"{needed} patches for each {piece} would hold them all",
            )
        )


def _patch_group(plan: Plan, cell: Cell, treatment: Treatment) -> tuple[object, ...]:
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
