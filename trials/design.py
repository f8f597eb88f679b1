"""The layout: what each piece of wood carries, randomised at every level, and the blind codes.

Boards that hold the full set of treatments get it (`full_sets`); for any others the treatments are chosen that tell
the most (`selection`).
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trials import blind, full_sets, selection, structure
from trials.draw import Draw
from trials.placing import Carried, Places, evened
from trials.plan import Plan
from trials.stock import Stock, boards_of

if TYPE_CHECKING:
    import pandas as pd

Progress = Callable[[int, int, float], None]
"""Called with the starts of a search that are done, their number and the best value so far."""

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


def lay_out(
    plan: Plan, seed: int, *, progress: Progress | None = None, stop: Callable[[], bool] | None = None
) -> Layout:
    """Lay a plan out on its boards.

    Parameters
    ----------
    plan : a checked plan.
    seed : any whole number; the same seed gives the same layout.
    progress : told how a search for the best treatments goes on, where one is needed.
    stop : asked now and then; once it says so the search ends with the best it has.

    Raises
    ------
    UserError
        The boards cannot tell even the single factors apart; it says how many could.
    """
    draw, notes = Draw(seed), list[str]()
    places = Places(draw)
    boards = boards_of(plan, plan.boards.lots, draw, places)
    try:
        carried = full_sets.lay(plan, boards, draw, places, notes)
    except full_sets.NotHeldError as reason:
        treated = [board for board in boards if not board.control]
        chosen = selection.choose(plan, seed, boards=_places_of(treated), progress=progress, stop=stop)
        carried = _carried(boards, chosen)
        cure = reason.problem.cure
        notes = [*chosen.notes[:1], f"{cure[:1].upper()}{cure[1:]}.", *chosen.notes[1:]]
    return Layout(_table(plan, boards, carried, draw), seed, tuple(dict.fromkeys(notes)))


def add_boards(
    plan: Plan,
    before: pd.DataFrame,
    seed: int,
    wanted: Mapping[str, float],
    *,
    ratios: Mapping[str, float] | None = None,
    progress: Progress | None = None,
    stop: Callable[[], bool] | None = None,
) -> Layout:
    """Lay out the boards of a later occasion, chosen so that with the earlier ones they best settle what is open.

    Parameters
    ----------
    plan : with the occasion as the last of `Plan.added`: it is a lot of its own.
    before : the patches laid out so far, as `Layout.patches`; they are not touched and their codes not used again.
    seed : as for `lay_out`.
    wanted : the factors whose differences are still open, and what each difference is worth.
    ratios : variances by random term relative to the residual, where they are known.

    Returns
    -------
    The patches of the new boards only; their turns at the bench follow those of the earlier boards.
    """
    draw = Draw(seed)
    places = Places(draw)
    first = int(before["board"].max()) + 1
    boards = boards_of(plan, plan.added[-1:], draw, places, first)
    chosen = selection.choose(
        plan, seed, criterion="L", boards=_places_of(boards), already=_chosen_before(plan, before),
        wanted=wanted, ratios=ratios, progress=progress, stop=stop,
    )  # fmt: skip
    return Layout(_table(plan, boards, _carried(boards, chosen), draw, before), seed, chosen.notes)


# --- from boards to patches ------------------------------------------------------------------------


def _table(
    plan: Plan,
    boards: Sequence[Stock],
    carried: Sequence[Carried],
    draw: Draw,
    before: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Return one row a patch: turns and codes drawn, lanes and strips evened out where `structure` says so.

    Parameters
    ----------
    before : the patches laid out so far; turns follow theirs, and codes are not among theirs.
    """
    import pandas as pd

    earlier = [] if before is None else [before]
    worked, used = (0, set[int]()) if before is None else (int(before["board_order"].max()), set(before["patch"]))
    turns = [worked + turn for turn in draw.shuffled(range(1, len(boards) + 1))]

    def table(carried: Sequence[Carried], codes: Sequence[int]) -> pd.DataFrame:
        return _with_codes(plan, boards, carried, turns, codes)

    number = sum(map(len, carried))
    codes = _reading_as_nothing(plan, draw.shuffled(_codes(number, used)), number)
    told = structure.of_layout(plan, pd.concat([*earlier, table(carried, codes)]))
    for kind, terms in structure.to_be_evened(plan, told).items():
        tried = evened(carried, kind, terms, draw, [made for rows in earlier for made in _carried_there(plan, rows)])
        if tried is not None and kind in structure.of_layout(plan, pd.concat([*earlier, table(tried, codes)])).places:
            carried = tried
    return table(carried, codes)


def _carried_there(plan: Plan, patches: pd.DataFrame) -> list[Carried]:
    """Return what each board of a layout carries."""
    names = [factor.name for factor in plan.factors]
    found: dict[int, Carried] = {}
    for row in patches.to_dict("records"):
        what = row["control"] or {name: str(row[name]) for name in names}
        found.setdefault(row["board"], {})[row["lane"], row["strip"]] = what
    return list(found.values())


def _with_codes(
    plan: Plan, boards: Sequence[Stock], carried: Sequence[Carried], turns: Sequence[int], codes: Sequence[int]
) -> pd.DataFrame:
    import pandas as pd

    names = [factor.name for factor in plan.factors]
    rows: list[dict[str, object]] = []
    for board, made, turn in zip(boards, carried, turns, strict=True):
        for (lane, strip), what in sorted(made.items()):
            levels: dict[str, object] = {"control": what} if isinstance(what, str) else {"control": "", **what}
            place = {"lot": board.lot, "board": board.number, "lane": lane, "strip": strip, "board_order": turn}
            rows.append({"patch": codes[len(rows)]} | place | dict.fromkeys(names) | levels)
    return pd.DataFrame(rows)[["patch", "lot", "board", "lane", "strip", "board_order", *names, "control"]]


# --- what was chosen, and where it stands ----------------------------------------------------------


def _places_of(boards: Sequence[Stock]) -> list[selection.BoardPlace]:
    """Return treated boards as the selection counts them: over the lanes and strips that carry levels."""
    found = []
    for board in boards:
        lanes, strips = board.free_lanes, board.free_strips
        blocked = {
            (lanes.index(lane) + 1, strips.index(strip) + 1)
            for lane, strip in board.unusable
            if lane in lanes and strip in strips
        }
        found.append(selection.BoardPlace(board.number, board.lot, frozenset(blocked)))
    return found


def _carried(boards: Sequence[Stock], chosen: selection.Selection) -> list[Carried]:
    """Return what each board carries, controls included."""
    treated = iter(chosen.boards)
    found = []
    for board in boards:
        made: Carried = {cell: name for cell in board.cells if (name := board.control_at(cell))}
        if not board.control:
            one = next(treated)
            lanes, strips = board.free_lanes, board.free_strips
            here: Carried = {**one.cells, **one.controls}
            made |= {(lanes[lane - 1], strips[strip - 1]): what for (lane, strip), what in here.items()}
        found.append(made)
    return found


def _chosen_before(plan: Plan, before: pd.DataFrame) -> list[selection.ChosenBoard]:
    """Return the boards laid out so far: as much of them as the selection reads, their lots and treatments."""
    treated = before[before["control"] == ""]
    found = []
    for _, rows in treated.groupby("board"):
        lanes = {lane: at for at, lane in enumerate(sorted(rows["lane"].unique()), start=1)}
        strips = {strip: at for at, strip in enumerate(sorted(rows["strip"].unique()), start=1)}
        cells = {
            (lanes[row["lane"]], strips[row["strip"]]): {factor.name: row[factor.name] for factor in plan.factors}
            for row in rows.to_dict("records")
        }
        found.append(selection.ChosenBoard(int(rows["lot"].iloc[0]), {}, (), (), cells))
    return found


# --- codes -----------------------------------------------------------------------------------------


def _reading_as_nothing(plan: Plan, drawn: list[int], number: int) -> list[int]:
    """Return the first codes drawn; those that read as a level ("150" of a grit) come where the rest run out."""
    amounts = [told for told in blind.treatments(plan) if re.search(r"\d{3}", told)]
    return sorted(drawn, key=lambda code: any(blind.names(str(code), told) for told in amounts))[:number]


def _codes(number: int, used: Collection[int]) -> list[int]:
    """Return the three-digit codes to draw from.

    Codes that read as another number when the board is turned round are used only when the rest do
    not go round.
    """
    left = [code for code in range(100, 1000) if code not in used]
    plain = [code for code in left if not set(str(code)) <= UPSIDE_DOWN]
    return plain if number <= len(plain) else left


def scoring_order(patches: pd.DataFrame, seed: int, assessor: str) -> list[int]:
    """Return the codes in the order one assessor scores them: a fresh random order for each name."""
    own = int.from_bytes(hashlib.sha256(f"{seed}/{assessor}".encode()).digest()[:8], "big")
    return Draw(own).shuffled(sorted(int(code) for code in patches["patch"]))
