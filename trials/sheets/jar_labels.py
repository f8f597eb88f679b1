"""Labels for jars: what is in each batch, for which boards, and what to mind. Not blind."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from trials import cautions
from trials.mixing import Batch, Mixing
from trials.plan import Plan
from trials.sheets.labels import INSET_MM, LabelGrid, check

_ON_A_JAR = (
    cautions.HARDENERS, cautions.SOLVENT, cautions.OILY_RAGS, cautions.SKIN_AND_EYES, cautions.JARS,
    cautions.SPRAYING, cautions.STRONG_CHEMICALS,
)  # fmt: skip
"""What is to be minded of a jar, the gravest first; powder is in the liquid by then."""


def document(plan: Plan, mixing: Mixing, grid: LabelGrid, *, start: int = 1) -> bytes:
    """Return the labels as PDF, one a batch, numbered as on the mixing sheet.

    Parameters
    ----------
    plan : as laid out.
    mixing : its batches.
    grid : the sheets of labels.
    start : the position of the first label on the first sheet, which may be part used.

    Raises
    ------
    UserError
        The labels do not fit their sheet.
    """
    from trials.sheets import typeset

    check(grid)
    pages: list[list[dict[str, Any]]] = []
    for at, batch in enumerate(mixing.batches):
        page, place = divmod(at + start - 1, grid.count)
        while page >= len(pages):
            pages.append([])
        pages[page].append(asdict(grid.box(place + 1)) | label(plan, at + 1, batch))
    values = {
        "title": plan.title, "short_title": typeset.one_line(plan.title, 60), "mark": plan.mark,
        "width": grid.sheet_width_mm, "height": grid.sheet_height_mm, "inset": INSET_MM, "pages": pages,
    }  # fmt: skip
    return typeset.pdf("jars", values)


def label(plan: Plan, number: int, batch: Batch) -> dict[str, Any]:
    """Return what one jar's label says: `head`, `for` and `mind`, the gravest first."""
    kind = f"{batch.kind[:1].upper()}{batch.kind[1:]}"
    levels = f" ({', '.join(level for _, level in batch.levels)})" if batch.levels else ""
    boards = f"board{'s' if len(batch.boards) > 1 else ''} {', '.join(map(str, batch.boards))}"
    called = {one.name for one in cautions.named(batch.cautions) or cautions.for_text(batch.what)}
    return {
        "head": f"{number}. {kind}: {batch.what}{levels}",
        "for": "all boards" if len(batch.boards) == plan.boards.count else boards,
        "mind": [one.short for one in _ON_A_JAR if one.name in called],
    }
