"""What is asked before the scoring is closed: whether to close all the same, and whether treatments could be told."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from trials import records
from trials.errors import Problem, UserError, command, nearest
from trials.folder import COULD_TELL

if TYPE_CHECKING:
    from trials.folder import Trial

_SELF = "whoever scored"


def settle_lacking(trial: Trial, folder: Path, *, yes: bool) -> tuple[str, ...]:
    """Ask for a yes where something lacks, and return what does.

    Raises
    ------
    UserError
        There is nobody to ask, or the answer is no.
    """
    lacking = records.lacking(trial.plan, trial.patches, trial.readings)
    if lacking and not yes:
        words = "; ".join(lacking)
        if not sys.stdin.isatty():
            cure = f"record them, or close all the same with '{command('close --yes', folder)}'"
            raise UserError(Problem(f"the scoring is not complete: {words}", cure))
        if not typer.confirm(f"Not complete: {words}. Close all the same?", default=False, err=True):
            raise UserError(Problem("the scoring stays open", "record what lacks, then close"))
    return lacking


def could_tell(trial: Trial, given: Sequence[str], *, ask: bool) -> dict[str, str]:
    """Return for each scorer whether they could tell treatments while scoring; those who did not say are left out.

    Parameters
    ----------
    given : such as ``A=no``, or the answer alone where one person scored.
    ask : whether to ask for the rest, if there is a terminal.

    Raises
    ------
    UserError
        A name or an answer is not known.
    """
    who = records.scorers(trial.plan, trial.readings)
    found = dict(_given(one, who) for one in given)
    for name in who if ask and sys.stdin.isatty() else ():
        while name not in found:
            question = f"Could {name or _SELF} tell, while scoring, which treatment a patch had? {_choices()}"
            answer = typer.prompt(f"{question} (Enter: not said)", default="", show_default=False, err=True)
            if not answer.strip():
                break
            if answer.strip().casefold() in COULD_TELL:
                found[name] = answer.strip().casefold()
    return found


def _given(text: str, who: Sequence[str]) -> tuple[str, str]:
    """Return who, and the answer."""
    name, _, answer = text.rpartition("=")
    if "=" not in text and len(who) == 1:
        name = who[0]
    if name not in who:
        cure = nearest(name, who) if any(who) else "leave the option out, or write the answer alone"
        raise UserError(Problem(f"--could-tell {text!r} names nobody who has scored", cure))
    if answer.casefold() not in COULD_TELL:
        raise UserError(Problem(f"--could-tell {text!r} is no answer", f"write {_choices()} after the name and a ="))
    return name, answer.casefold()


def _choices() -> str:
    return f"{', '.join(COULD_TELL[:-1])} or {COULD_TELL[-1]}"
