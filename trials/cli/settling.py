"""What goes in of what was checked: faults stop it, doubts wait for a yes, a closed scoring takes nothing more."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import typer

from trials import shell
from trials.errors import Problem, UserError, command, first

if TYPE_CHECKING:
    from trials.folder import Trial
    from trials.records import Checked


@dataclass(frozen=True)
class How:
    """How a file's rows are taken in."""

    good_rows: bool
    doubtful_too: bool
    write: bool


def still_open(trial: Trial) -> None:
    """Refuse readings after the scoring was closed: whoever scores may know by then what was done."""
    if trial.closed:
        again = command('close --open-again --why "..."', trial.folder.path)
        cure = f"correct single readings with 'splitboard correct', or open it again with '{again}'"
        raise UserError(Problem(f"the scoring was closed on {when(trial.closings[-1]['at'])}", cure))


def when(at: str) -> str:
    """Return a time on record as it is read."""
    return at[:16].replace("T", " at ") + (" UTC" if at.endswith("Z") else "")


def settle(found: Sequence[Checked], how: How) -> list[tuple[dict[str, str], ...]]:
    """Return the rows of each file that go in, once faults and doubts are dealt with."""
    problems = [problem for checked in found for problem in checked.problems]
    held = [doubt for checked in found for doubt in checked.held]
    doubts = [doubt.problem for doubt in held]
    if problems and not how.good_rows:
        total = len(problems)
        shell.say(f"Nothing was taken in: {total} {'row is' if total == 1 else 'faults are'} in the way.")
        raise UserError(*problems)
    for problem in first(problems):
        shell.say(f"Left out: {problem}")
    if held and not how.doubtful_too:
        if not how.write:
            for problem in first(doubts):
                shell.say(f"Would be asked about: {problem}")
        elif sys.stdin.isatty():
            for problem in first(doubts):
                shell.say(f"Doubtful: {problem}")
            if not typer.confirm("Are these right as they stand?", default=False, err=True):
                raise UserError(Problem("nothing was taken in", "correct the file, or add --good-rows for the rest"))
        elif how.good_rows:
            for problem in first(doubts):
                shell.say(f"Left out: {problem}")
            return [checked.without_held() for checked in found]
        else:
            shell.say("Nothing was taken in: some readings are doubtful. If all of them are right, add --yes.")
            raise UserError(*doubts)
    return [with_yes(checked) for checked in found]


def with_yes(checked: Checked) -> tuple[dict[str, str], ...]:
    """Return the new rows, those that were held saying so in their notes."""
    from trials.records import CONFIRMED

    doubted = {row for doubt in checked.held for row in doubt.rows}
    if not doubted:
        return checked.new
    return tuple(
        row | {"note": "; ".join(part for part in (row["note"], CONFIRMED) if part)} if at in doubted else row
        for row, at in zip(checked.new, checked.rows, strict=True)
    )
