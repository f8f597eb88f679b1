"""Where a trial stands, and the one command that comes next; never one that would be refused."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from trials import shell
from trials.errors import UserError, command
from trials.plan import Plan

if TYPE_CHECKING:
    from trials.folder import Trial

MEASURED = "measured.csv"
"""What readings of an instrument are called where no file is at hand; readings.csv is the trial's own."""


@dataclass(frozen=True)
class Step:
    """The next command, as it is typed, and what comes before it, a sentence or nothing."""

    command: str
    first: str = ""

    def say(self) -> None:
        """Say it below a command's answer."""
        shell.next_step(self.command, self.first)


def step(folder: Path) -> Step:
    """Return what comes next in a trial's folder.

    Parameters
    ----------
    folder : as it was typed; its plan can be read.
    """
    from trials import folder as folders

    place = folders.at(folder)
    if not place.layout_file.exists():
        return Step(command("plan", folder))
    try:
        trial = folders.load(folder)
    except UserError:  # the layout is no longer the plan's
        return Step(command("check" if folders.has_readings(place) else "plan --discard-layout", folder))
    if not trial.conditions and not trial.readings:
        return Step(command("sheets", folder))
    return of_results(trial, folder)


def of_results(trial: Trial, folder: Path) -> Step:
    """Return what comes next once boards are made: what lacks, then closing, then the answers."""
    from trials import records

    if trial.closed or trial.plan.rehearsal:
        return Step(command("decide", folder))
    if records.lacking(trial.plan, trial.patches, trial.readings) or not trial.readings:
        missing = records.still_missing(trial.plan, trial.patches, trial.readings)
        who = records.unscored(trial.plan, trial.readings)
        measured = any(missing[one.name] for one in trial.plan.responses if one.kind == "measure")
        return to_record(trial.plan, folder, who, "Take in what is missing.", measured=measured)
    return Step(command("close" if _by_eye(trial.plan) else "decide", folder))


def to_record(
    plan: Plan, folder: Path, who: tuple[str, ...] = (), first: str = "", *, measured: bool = False
) -> Step:
    """Return how results are taken in: the files that the assessors' phones save, and the one of what is measured.

    Parameters
    ----------
    who : whose scores are to come; everybody's where neither theirs nor measured values are named.
    """
    from trials.scoring import scores_file

    names = who if who or measured else plan.assessors
    files = [scores_file(name) for name in names] if _by_eye(plan) else []
    return Step(command("record", folder, *files, *([MEASURED] if measured or not files else [])), first)


def _by_eye(plan: Plan) -> bool:
    return bool(plan.preferences) or any(one.kind != "measure" for one in plan.responses)
