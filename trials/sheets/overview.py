"""All boards small on one sheet: where every code lies, and nothing of what it carries."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from trials.plan import Plan

if TYPE_CHECKING:
    import pandas as pd

_TURNED = str.maketrans("69", "96")


@dataclass(frozen=True)
class Cell:
    """A patch: its code, empty where the place is not used, and whether it reads as another code upside down."""

    code: str
    turns: bool


@dataclass(frozen=True)
class Small:
    """A board: its number, and its patches row by row from the far edge to the fixed edge."""

    board: int
    rows: tuple[tuple[Cell, ...], ...]


@dataclass(frozen=True)
class Plank:
    """The boards of one plank; its heading is empty where there is only one."""

    heading: str
    boards: tuple[Small, ...]


def build(plan: Plan, patches: pd.DataFrame) -> tuple[Plank, ...]:
    """Return the boards by plank and number.

    Parameters
    ----------
    patches : one row a patch, as layout.csv.
    """
    lots = [int(lot) for lot in sorted(set(patches["lot"]))]
    return tuple(
        Plank(
            f"Plank {lot}" if len(lots) > 1 else "",
            tuple(_small(plan, int(board), rows) for board, rows in patches[patches["lot"] == lot].groupby("board")),
        )
        for lot in lots
    )


def _small(plan: Plan, board: int, rows: pd.DataFrame) -> Small:
    columns = (rows["lane"], rows["strip"], rows["patch"])
    codes = {(int(lane), int(strip)): f"{int(code):03d}" for lane, strip, code in zip(*columns, strict=True)}
    lanes, strips = range(plan.boards.lanes, 0, -1), range(1, plan.boards.strips + 1)
    return Small(board, tuple(tuple(_cell(codes.get((lane, strip), "")) for strip in strips) for lane in lanes))


def _cell(code: str) -> Cell:
    return Cell(code, bool(code) and set(code) <= set("01689") and code[::-1].translate(_TURNED) != code)
