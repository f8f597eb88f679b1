"""A sheet of headings, lines and tables, its cautions short at the head and whole at the end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from trials import cautions
from trials.folder import Trial
from trials.sheets import PAPERS, typeset

_LONGEST_HEAD = 70


@dataclass(frozen=True)
class Grid:
    """A table on a sheet: which columns are numbers, and how wide they are beside each other (0: as needed)."""

    header: Sequence[str]
    rows: Sequence[Sequence[str]]
    numeric: Sequence[bool]
    widths: Sequence[int]


Section = tuple[str, Sequence[str], Sequence[Grid]]
"""A heading, lines, and tables."""


def document(
    trial: Trial,
    paper: str,
    kind: str,
    foot: str,
    opening: Sequence[str],
    sections: Sequence[Section],
    called: Sequence[cautions.Caution] = (),
) -> bytes:
    """Set a sheet of sections as PDF; `called` are its cautions."""
    width, height = PAPERS[paper]
    values: dict[str, Any] = {
        "kind": kind,
        "title": trial.plan.title,
        "short_title": typeset.one_line(trial.plan.title, _LONGEST_HEAD),
        "width": width,
        "height": height,
        "foot": foot,
        "mark": trial.plan.mark,
        "opening": list(opening),
        "sections": [
            {"heading": heading, "lines": list(lines), "tables": [_table(grid) for grid in grids]}
            for heading, lines, grids in sections
        ],
        "cautions": [asdict(one) for one in called],
        "general": cautions.GENERAL,
    }
    return typeset.pdf("plain", values)


def _table(grid: Grid) -> dict[str, Any]:
    return {
        "header": list(grid.header),
        "rows": [list(row) for row in grid.rows],
        "numeric": list(grid.numeric),
        "widths": list(grid.widths),
    }
