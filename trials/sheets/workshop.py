"""What the bench needs beside the drawings: mixing sheet, order of work, calendar, phone page, labels, cutting plan.

`documents` is pure but for the materials and stock files it is told to read: a trial in, files by name out.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import Path

from trials import bench, bench_page, blind, cautions, cutting, one_batch, planks, scoring_page
from trials.bench.lines import summary
from trials.bench.times import clock, span
from trials.bench_page import BenchPlan, BenchTask
from trials.errors import Problem, UserError
from trials.folder import Trial
from trials.scoring import sittings
from trials.sheets import board_svg, cutting_sheet, drawing, jar_labels, labels, mixing_sheet, plain_sheet
from trials.sheets.plain_sheet import Grid
from trials.sheets.scoring_form import file_stems


@dataclass(frozen=True)
class Wanted:
    """What is to be made, beside what every trial gets.

    Attributes
    ----------
    paper : a key of `PAPERS`.
    labels, patch_labels : label grids in words, see `trials.sheets.labels.read_grid`; the second for patches alone.
    label_start : the first label that is still on the sheet, from 1.
    stock, kerf_mm, trim_mm : a csv of the planks there are, and what the saw takes.
    svg : whether each board's drawing is wanted as SVG too.
    first_day, zone : when the work begins (the day the boards were laid out if not given), and where the shop is.
    """

    paper: str = "a4"
    labels: str = ""
    patch_labels: str = ""
    label_start: int = 1
    stock: Path | None = None
    kerf_mm: float = 3.2
    trim_mm: float = 0.0
    svg: bool = False
    first_day: date | None = None
    zone: str = "UTC"


@dataclass(frozen=True)
class Made:
    """Files by name, and what the person should know of them."""

    files: dict[str, bytes] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def documents(trial: Trial, wanted: Wanted) -> Made:
    """Make what a trial's bench needs.

    Parameters
    ----------
    trial : laid out; the boards are those of its last occasion.
    wanted : what else is asked for.

    Raises
    ------
    UserError
        A batch, the order of work, a label grid or the stock does not hold what it should.
    """
    files: dict[str, bytes] = {}
    notes: list[str] = []
    mixing = one_batch.batches(trial)
    if mixing.batches:
        files["mixing.pdf"] = mixing_sheet.document(trial, mixing, wanted.paper)
    order, why_not = _order_of_work(trial)
    notes += why_not
    if order is not None:
        files |= _order_files(trial, order, wanted)
    if trial.plan.steps and not trial.plan.rehearsal:
        files["bench.html"] = bench_page.page(_bench_plan(trial, order)).encode()
    if not trial.plan.rehearsal:
        files |= _scoring_pages(trial)
    if wanted.labels:
        files |= _labels(trial, wanted)
        if mixing.batches:
            grid = labels.read_grid(wanted.labels)
            files["labels-jars.pdf"] = jar_labels.document(trial.plan, mixing, grid, start=wanted.label_start)
    if wanted.stock is not None:
        made = cutting.cut(trial.latest_plan.boards, planks.read_stock(wanted.stock), _saw(wanted), _first(trial))
        files |= cutting_sheet.documents(made, blind.title(trial.plan), wanted.paper, mark=trial.plan.mark)
    if wanted.svg:
        plan = trial.latest_plan
        drawn = drawing.draw(plan, trial.latest_patches, wanted.paper)
        lots = len(trial.plan.boards.lots)
        files |= board_svg.documents(drawn, blind.title(trial.plan), lots=lots, mark=trial.plan.mark)
    return Made(files, tuple(dict.fromkeys(notes)))


def _first(trial: Trial) -> int:
    return int(trial.latest_patches["board"].min())


def _saw(wanted: Wanted) -> cutting.Saw:
    return cutting.Saw(wanted.kerf_mm, wanted.trim_mm)


def _bench_plan(trial: Trial, order: bench.Schedule | None) -> BenchPlan:
    """Return what the phone page says: where there is an order of work, its tasks in its order, with its dwells.

    Where several pieces are put on in one go, each piece's dwell is a task of its own, to be started as it is put on.
    """
    plain = bench_page.from_plan(trial.latest_plan, trial.latest_patches)
    if order is None:
        return plain
    known, steps = _known(plain), _step_names(trial)
    tasks: list[BenchTask] = []
    for timed in order.tasks:
        if timed.task.window is not None:
            continue
        wipes = order.wipes_of(timed.task)
        alone = len(wipes) == 1 and (wipes[0].task.lane, wipes[0].task.strip) == (timed.task.lane, timed.task.strip)
        if not alone:
            tasks.append(replace(_page_task(timed.task, steps, known), dwell_s=None, ends_with=""))
        for wipe in wipes:
            assert wipe.task.window is not None
            dwell = float(wipe.task.window.least_s)
            tasks.append(replace(_page_task(wipe.task, steps, known), dwell_s=dwell, ends_with="wipe back"))
    return replace(plain, tasks=tuple(tasks))


def _known(plain: BenchPlan) -> dict[tuple[str, int, int, int], BenchTask]:
    """Return the page's tasks by step, board, lane and strip, 0 for none."""
    return {(task.step, task.board, *_numbers(task.piece)): task for task in plain.tasks}


def _step_names(trial: Trial) -> dict[int, str]:
    return {at: step.name for at, step in enumerate(trial.plan.steps, start=1)}


def _page_task(
    task: bench.Task, steps: Mapping[int, str], known: Mapping[tuple[str, int, int, int], BenchTask]
) -> BenchTask:
    """Return a task of the schedule as the page shows it, with what the page knows of its piece."""
    step = steps[task.step]
    piece = " and ".join(
        f"{kind} {number}" for kind, number in (("lane", task.lane), ("strip", task.strip)) if number
    )
    return known.get((step, task.board, task.lane, task.strip)) or BenchTask(
        task.board, piece or bench_page.WHOLE_BOARD, step
    )


def _scoring_pages(trial: Trial) -> dict[str, bytes]:
    """Return a page for each assessor, or one for all where the plan names nobody."""
    sat = sittings(trial.latest_plan, trial.latest_patches, trial.record.last_seed)
    stems = file_stems(trial.plan.assessors) if trial.plan.assessors else ("scoring",)
    pages = [scoring_page.page(sitting).encode() for sitting in sat]
    return {f"{stem}.html": page for stem, page in zip(stems, pages, strict=False)}


def _numbers(piece: str) -> tuple[int, int]:
    """Return the lane and the strip that a piece in words names, 0 for none."""
    lane, strip = (re.search(rf"{kind} (\d+)", piece) for kind in ("lane", "strip"))
    return int(lane.group(1)) if lane else 0, int(strip.group(1)) if strip else 0


def _labels(trial: Trial, wanted: Wanted) -> dict[str, bytes]:
    patch_grid = labels.read_grid(wanted.patch_labels) if wanted.patch_labels else None
    return labels.documents(
        trial.plan, trial.latest_patches, blind.title(trial.plan), labels.read_grid(wanted.labels),
        patch_grid=patch_grid, start=wanted.label_start, patch_start=wanted.label_start,
    )  # fmt: skip


# --- the order of work -----------------------------------------------------------------------------


def _order_of_work(trial: Trial) -> tuple[bench.Schedule | None, list[str]]:
    """Return the order of work, or why there is none."""
    plan = trial.latest_plan
    if why_not := bench.why_no_order(plan):
        return None, [why_not]
    day = f"{plan.bench.day_min:g} min"
    tasks = bench.tasks(plan, trial.latest_patches)
    return bench.schedule(tasks, plan.bench.hands, day, seed=trial.record.last_seed), []


def _order_files(trial: Trial, order: bench.Schedule, wanted: Wanted) -> dict[str, bytes]:
    """Return the bench sheet, the timeline and the calendar."""
    title = trial.plan.marked_title
    made = datetime.fromisoformat(trial.record.laid_out_at)
    rags = cautions.OILY_RAGS.short if cautions.OILY_RAGS in cautions.for_plan(trial.plan) else ""
    first_day = wanted.first_day or made.date()
    return {
        "order-of-work.pdf": _bench_sheet(trial, order, wanted.paper),
        "order-of-work.svg": bench.timeline_svg(order, title).encode(),
        "order-of-work.ics": bench.calendar(order, title, first_day, wanted.zone, made, rags=rags).encode(),
    }


def _bench_sheet(trial: Trial, made: bench.Schedule, paper: str) -> bytes:
    """Set the order of work, a table a day with room to write the true times."""
    sections = []
    known = {}
    if not trial.plan.rehearsal:  # which has no bench page
        known = _known(bench_page.from_plan(trial.latest_plan, trial.latest_patches))
    steps = _step_names(trial)
    for day in range(1, made.days + 1):
        here = [one for one in made.tasks if one.day == day]
        seconds = any((made.opens_s + one.start_s) % 60 for one in here)
        rows = [
            [
                clock(made.opens_s, one.start_s, seconds=seconds),
                one.task.place,
                f"{one.task.name} ({span(one.task.length_s)})",
                "; ".join(part for part in (_carried(one.task, steps, known), _until(made, one, seconds)) if part),
                "",
            ]
            for one in here
        ]
        grid = Grid(
            ("start", "piece", "what", "goes on; watch for", "true start and end"),
            rows,
            (True, *[False] * 4),
            (0, 2, 3, 5, 2),
        )
        hours = f"{clock(made.opens_s, 0)} to {clock(made.opens_s, made.day_s)}"
        if rows:
            sections.append((f"Day {day}, {hours}", (), (grid,)))
    return plain_sheet.document(
        trial,
        paper,
        "Order of work",
        "Times are a plan: write down the true ones.",
        summary(made),
        sections,
        cautions.for_plan(trial.plan),
    )


def _carried(task: bench.Task, steps: Mapping[int, str], known: Mapping[tuple[str, int, int, int], BenchTask]) -> str:
    """Return what goes on in a task, and which part of the piece is a control; nothing for a wipe."""
    return "" if task.window else _page_task(task, steps, known).carries


def _until(made: bench.Schedule, one: bench.Timed, seconds: bool) -> str:
    """Say by when a wipe must be done, or when the wipes of what is put on fall due."""
    if one.task.window:
        put = next(other for other in made.tasks if other.task.number == one.task.window.task)
        return f"not after {clock(made.opens_s, put.end_s + one.task.window.most_s, seconds=seconds)}"
    due = [
        f"{wipe.task.place} at {clock(made.opens_s, wipe.start_s, seconds=seconds)}"
        for wipe in made.wipes_of(one.task)
    ]
    return f"wipe {', '.join(due)}" if due else ""


def kerf(text: str) -> float:
    """Read what the saw takes, in mm.

    Raises
    ------
    UserError
        It is no length, or out of range.
    """
    from trials import units

    amount = units.read(text, "length").amount
    if not 0 <= amount <= 20:
        raise UserError(Problem(f"the saw takes {text}", "write a length from 0 mm to 20 mm, such as '3.2 mm'"))
    return amount
