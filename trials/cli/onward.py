"""Where a trial stands, and the one command that comes next; never one that would be refused."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from trials import shell
from trials.errors import UserError, command
from trials.plan import Plan

if TYPE_CHECKING:
    from trials.folder import Trial


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
        who = records.unscored(trial.plan, trial.readings)
        return to_record(trial.plan, folder, who, "Take in what is missing.")
    return Step(command("close" if _by_eye(trial.plan) else "decide", folder))


def to_record(plan: Plan, folder: Path, who: tuple[str, ...] = (), first: str = "") -> Step:
    """Return how results are taken in: the files that the assessors' phones save, else one of readings."""
    files = [scores_file(name) for name in who or plan.assessors]
    return Step(command("record", folder, *(files if files and _by_eye(plan) else ["readings.csv"])), first)


def _by_eye(plan: Plan) -> bool:
    return bool(plan.preferences) or any(one.kind != "measure" for one in plan.responses)


def scores_file(assessor: str) -> str:
    """Return the name that the scoring page saves an assessor's scores under (``tableName`` in its table.js)."""
    word = re.sub(r"\W+", "-", unicodedata.normalize("NFC", assessor))[:40].strip("-_")
    return f"scores-{word or 'assessor'}.csv"
