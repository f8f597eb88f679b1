"""What the bench page is told: steps, tasks in the order of work, and the lines that must be ticked.

Nothing here knows how the order was found: a schedule, or `trials.bench_page.from_plan`, fills it in.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

WHOLE_BOARD = "whole board"
"""The piece words of a task that is done to a board in one go."""


@dataclass(frozen=True)
class TickLine:
    """A caution that is ticked before the first start of a step in each session.

    Attributes
    ----------
    name : a short heading, ``Oily rags``.
    text : one line that says what to do.
    closing : whether it must be ticked once more before a session that did the step is closed.
    whole : all there is to say of it, folded away until it is asked for.
    """

    name: str
    text: str
    closing: bool = False
    whole: str = ""


@dataclass(frozen=True)
class BenchStep:
    """One step of the schedule; ``dry_s`` is how long it dries (seconds) before the next step on the same board."""

    name: str
    material: str = ""
    stage: str = ""
    note: str = ""
    dry_s: float = 0.0
    lines: tuple[TickLine, ...] = ()


@dataclass(frozen=True)
class BenchTask:
    """One thing to do: a step on a piece of a board.

    Attributes
    ----------
    board : the board's number.
    piece : the piece in words: ``lane 2``, ``strip 3 over both lanes``, `WHOLE_BOARD`.
    step : the name of one of the plan's steps.
    carries : what goes on, in words: ``carrier alcohol, dye load 30 g/L``; may be empty.
    patches : codes of the patches the piece holds; empty for a whole board. They get a row each in the csv.
    dwell_s : how long it must act, exactly (seconds), or None where it just takes its time.
    ends_with : what is done at the end of the dwell: ``wipe back``.
    wait_s : the least wait (seconds) after the task before it in the list was stopped.
    """

    board: int
    piece: str
    step: str
    carries: str = ""
    patches: tuple[int, ...] = ()
    dwell_s: float | None = None
    ends_with: str = ""
    wait_s: float = 0.0


@dataclass(frozen=True)
class BenchPlan:
    """All that the page shows.

    Attributes
    ----------
    title : of the trial.
    trial_id : letters, digits and hyphens; what was tapped is kept on the phone under this name, so a page made
        anew for the same boards carries on, and one for other boards starts afresh.
    boards : their numbers in the order of work.
    steps : in the order of work, each name once.
    tasks : in the order of work.
    remarks : sentences to show at the end of the page.

    Raises
    ------
    ValueError
        A task names an unknown step or board, a name stands twice, a duration is no number or below zero.
    """

    title: str
    trial_id: str
    boards: tuple[int, ...]
    steps: tuple[BenchStep, ...]
    tasks: tuple[BenchTask, ...]
    remarks: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not re.fullmatch(r"[A-Za-z0-9-]+", self.trial_id):
            raise ValueError(f"trial_id {self.trial_id!r} holds more than letters, digits and hyphens")
        names = [step.name for step in self.steps]
        for what, values in (("step", names), ("board", list(self.boards))):
            if len(set(values)) < len(values):
                raise ValueError(f"a {what} stands twice")
        for task in self.tasks:
            if task.step not in names:
                raise ValueError(f"a task names the step {task.step!r}, which is none of {names}")
            if task.board not in self.boards:
                raise ValueError(f"a task names board {task.board}, which is none of {self.boards}")
            if task.dwell_s is not None and not 0 < task.dwell_s < math.inf:
                raise ValueError(f"a dwell of {task.dwell_s} s cannot be timed")
        for name, lasts_s in [(step.name, step.dry_s) for step in self.steps] + [
            (t.step, t.wait_s) for t in self.tasks
        ]:
            if not 0 <= lasts_s < math.inf:
                raise ValueError(f"{name}: {lasts_s} s is no time to wait")
