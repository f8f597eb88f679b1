"""A simple order of work from the plan alone: step after step, board after board, piece after piece."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from trials import cautions, units
from trials.bench.sanding import makes_dust
from trials.bench_page.contract import WHOLE_BOARD, BenchPlan, BenchStep, BenchTask, TickLine
from trials.errors import Problem, UserError
from trials.folder import layout_text
from trials.plan import Boards, Factor, Plan, Step

if TYPE_CHECKING:
    import pandas as pd

_STAGE_WORDS: dict[str, tuple[str, ...]] = {
    "dyed": ("dye", "carrier", "load", "stain"),
    "sealed": ("seal",),
    "glazed": ("glaz", "dwell"),
    "topcoated": ("topcoat", "top_coat"),
}
"""Words in a factor's name that say which stage's step lays it on."""
_NOTHING = ("none", "no", "without")
"""Levels of which nothing is put on."""


def from_plan(plan: Plan, patches: pd.DataFrame) -> BenchPlan:
    """Build a simple order of work from the plan's steps and the layout.

    Parameters
    ----------
    plan : with at least one [[step]].
    patches : columns as layout.csv; boards are taken by their ``board_order``.

    Notes
    -----
    A step is done piece by piece where a factor belongs to it: the factor's name speaks of the step's stage, or
    the step's name holds the factor's. Pieces whose level is "none", and controls, get no task in such a step.
    Other steps are done to whole boards. A factor of times that belongs to a step of the stage "glazed" is its
    dwell, in the first such step.

    Raises
    ------
    UserError
        The plan has no step, or it is that of a rehearsal.
    """
    if plan.rehearsal:
        what = "this folder is a rehearsal, for which no wood is cut"
        raise UserError(Problem(what, "make the bench page in the trial's own folder"))
    if not plan.steps:
        cure = 'write each step as [[step]] with name = "...", stage = "..." and dry = "..."'
        raise UserError(Problem("the plan names no step of the work, so nothing can come next", cure, "trial.toml"))
    taken = [_factors_of(plan, step) for step in plan.steps]
    loose = tuple(factor for factor in plan.factors if not any(factor in factors for factors in taken))
    names = _told_apart([step.name for step in plan.steps])
    timed = next((at for at, step in enumerate(plan.steps) if step.stage == "glazed" and _dwell(taken[at])), -1)
    boards = tuple(int(board) for board in patches.sort_values("board_order")["board"].drop_duplicates())
    tasks = [
        task
        for at, name in enumerate(names)
        for board in boards
        for task in _tasks(plan, name, patches[patches["board"] == board], taken[at], timed=at == timed)
    ]
    whole = plan.layout_digest() + layout_text(patches)
    return BenchPlan(
        title=plan.marked_title,
        trial_id=hashlib.sha256(whole.encode()).hexdigest()[:12],
        boards=boards,
        steps=tuple(
            BenchStep(
                name=name, material=step.material, stage=step.stage, note=step.note,
                dry_s=units.read(step.dry, "time").amount * 60 if step.dry else 0.0,
                lines=_lines(plan, step, (*factors, *loose)),
            )
            for name, step, factors in zip(names, plan.steps, taken, strict=True)
        ),
        tasks=tuple(tasks),
        remarks=tuple(_remarks(plan, loose, piece_by_piece=any(_columns(factors) for factors in taken))),
    )  # fmt: skip


def _told_apart(names: list[str]) -> list[str]:
    """Return the names, those that stand more than once numbered: ``top coat``, ``top coat (2)``."""
    found: list[str] = []
    for name in names:
        number, shown = 1, name
        while shown in found:
            number += 1
            shown = f"{name} ({number})"
        found.append(shown)
    return found


def _factors_of(plan: Plan, step: Step) -> tuple[Factor, ...]:
    """Return the factors that are laid on by a step."""
    words, name = _STAGE_WORDS.get(step.stage, ()), step.name.casefold()
    return tuple(
        factor
        for factor in plan.factors
        if any(word in factor.name.casefold() for word in words) or factor.words.casefold() in name
    )


def _dwell(factors: tuple[Factor, ...]) -> Factor | None:
    """Return the factor that says how long something acts."""
    return next((f for f in factors if f.amounts is not None and f.unit and units.kind_of(f.unit) == "time"), None)


def _columns(factors: tuple[Factor, ...]) -> list[str]:
    """Return the columns of a layout that tell apart the pieces of a board these factors are laid on."""
    kinds = {factor.laid_on for factor in factors}
    return [name for name in ("lane", "strip") if name in kinds or "patch" in kinds]


# --- tasks -----------------------------------------------------------------------------------------


def _tasks(
    plan: Plan, step: str, patches: pd.DataFrame, factors: tuple[Factor, ...], *, timed: bool
) -> Iterator[BenchTask]:
    """Go through one board's tasks in a step."""
    columns = _columns(factors)
    pieces = [piece for _, piece in patches.groupby(columns, sort=True)] if columns else [patches]
    dwell = _dwell(factors) if timed else None
    for piece in pieces:
        treated = piece[piece["control"] == ""]
        if factors and treated.empty:
            continue
        levels = {factor.name: treated[factor.name].iloc[0] for factor in factors}
        if levels and all(str(level).casefold() in _NOTHING for level in levels.values()):
            continue
        words = [f"{factor.words} {levels[factor.name]}" for factor in factors]
        yield BenchTask(
            board=int(piece["board"].iloc[0]),
            piece=_piece_words(plan.boards, columns, piece.iloc[0]),
            step=step,
            carries="; ".join([", ".join(words)] * bool(words) + _controls(piece, columns, plan.boards)),
            patches=tuple(int(code) for code in treated["patch"]) if columns else (),
            dwell_s=_seconds(dwell, levels[dwell.name]) if dwell else None,
            ends_with="wipe back" if dwell else "",
        )


def _piece_words(boards: Boards, columns: list[str], first: pd.Series[Any]) -> str:
    if not columns or (boards.lanes == boards.strips == 1):
        return WHOLE_BOARD
    if columns == ["lane"]:
        return f"lane {first['lane']}"
    if columns == ["strip"]:
        over = {1: "", 2: " over both lanes"}.get(boards.lanes, f" over all {boards.lanes} lanes")
        return f"strip {first['strip']}{over}"
    return f"lane {first['lane']}, strip {first['strip']}"


def _controls(piece: pd.DataFrame, columns: list[str], boards: Boards) -> list[str]:
    """Say which part of a piece is a control, so that it is not treated with the rest."""
    told = []
    for name, rows in piece[piece["control"] != ""].groupby("control", sort=True):
        lanes, strips = set(rows["lane"]), set(rows["strip"])
        if len(rows) == len(piece):
            where = "all of it"
        elif "lane" in columns or lanes == set(piece["lane"]):
            where = "strip " + ", ".join(str(strip) for strip in sorted(strips))
        elif strips == set(piece["strip"]):
            where = "lane " + ", ".join(str(lane) for lane in sorted(lanes))
        else:
            where = "patch " + ", ".join(str(code) for code in rows["patch"])
        told.append(f"control ({name}): {where}")
    return told


def _seconds(factor: Factor, level: str) -> float:
    assert factor.amounts is not None  # a dwell is a factor of amounts
    amount = factor.amounts[factor.levels.index(level)]
    return round(units.read(f"{amount:.12g} {factor.unit}", "time").amount * 60, 3)


# --- lines to tick and remarks ---------------------------------------------------------------------


def _lines(plan: Plan, step: Step, factors: tuple[Factor, ...]) -> tuple[TickLine, ...]:
    """Return the cautions a step's own words and its factors' call for.

    Wood dust stands where something is sanded. A sanding step that names no other material gets no more than that;
    any other step whose words name nothing that is known gets every caution the whole plan calls for.
    """
    about = replace(
        plan, title="", wood="", about="", factors=factors, controls=(), exclusions=(), responses=(), steps=(step,)
    )
    called = cautions.for_plan(about)
    silent = replace(about, factors=(), steps=())
    words, sanded = f"{step.name} {step.material} {step.note}", makes_dust(step)
    if called == cautions.for_plan(silent):
        called = (cautions.WOOD_DUST,) if sanded and words.isascii() else cautions.for_plan(plan)
    return tuple(
        TickLine(one.name, one.short, closing=one is cautions.OILY_RAGS, whole=one.text)
        for one in called
        if sanded or one is not cautions.WOOD_DUST
    )


def _remarks(plan: Plan, loose: tuple[Factor, ...], *, piece_by_piece: bool) -> Iterator[str]:
    yield cautions.GENERAL
    if loose:
        names = ", ".join(factor.words for factor in loose)
        yield f"No step of the plan says when it is laid on: {names}. Go by the key sheet."
    if plan.controls and piece_by_piece:
        names = ", ".join(dict.fromkeys(control.name for control in plan.controls))
        yield (
            f"Controls ({names}) have no task of their own in steps that are done piece by piece: "
            "treat them as the key sheet says."
        )
