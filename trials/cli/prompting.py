"""Results typed in at the prompt: each patch is in the folder before the next one is asked for."""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING, Any

from trials import shell
from trials.cli.settling import How, still_open, with_yes
from trials.errors import Problem, UserError, nearest

if TYPE_CHECKING:
    from trials.folder import Trial
    from trials.records import Defaults
    from trials.records.typed import Prompted


def type_in(trial: Trial, defaults: Defaults, only: str, how: How) -> list[tuple[dict[str, Any], list[str]]]:
    """Ask for one patch after the other; each is in the folder before the next one is asked for."""
    from trials import folder as folders
    from trials.records import typed

    still_open(trial)
    if trial.plan.rehearsal:
        raise UserError(Problem("this folder is a rehearsal, which takes in invented results only", "name the trial"))
    chosen = _what_to_ask(trial, defaults, only)
    if not chosen.looks:
        raise UserError(
            Problem("everything there is to ask for is recorded", "correct a reading with 'splitboard correct'")
        )
    shell.say(typed.HELP)

    def ask(question: str) -> str:
        print(f"{question}: ", end="", file=sys.stderr, flush=True)
        line = sys.stdin.readline()
        if not line:
            raise typed.Stop
        return line.rstrip("\n")

    taken = 0
    for rows in typed.session(trial.plan, chosen, ask, shell.say, _local_now):
        if how.write:
            with folders.locked(trial.folder):
                taken += _keep(folders.load(trial.folder.path), rows, defaults, ask, how)
        else:
            taken += len(rows)
    shell.say()
    verb = "taken in" if how.write else "would be taken in"
    many = "reading" if taken == 1 else "readings"
    return [({"file": "", "kind": "readings", "new": taken}, [f"At the prompt: {taken} {many} {verb}."])]


def _local_now() -> str:
    return datetime.now().astimezone().isoformat(timespec="seconds")


def _what_to_ask(trial: Trial, defaults: Defaults, only: str) -> Prompted:
    """Settle who scores, after which step and what, then return what is left to ask."""
    from trials.records import typed

    plan = trial.plan
    responses = {response.name: response for response in plan.responses}
    names = [*responses, *(preference.name for preference in plan.preferences)]
    if only and only not in names:
        raise UserError(Problem(f"{only!r} is not a response of the plan", nearest(only, names)))
    measured = only in responses and responses[only].kind == "measure"
    assessor = defaults.assessor or (plan.assessors[0] if len(plan.assessors) == 1 else "")
    if measured:
        assessor = defaults.assessor
    elif not assessor:
        raise UserError(
            Problem("it does not say who scores", f"add --assessor {' or '.join(plan.assessors) or 'NAME'}")
        )
    stages = {stage for name, one in responses.items() if only in ("", name) for stage in one.stages if
              name == only or one.kind != "measure"}  # fmt: skip
    stages |= {one.stage for one in plan.preferences if only in ("", one.name)}
    if not stages:
        raise UserError(
            Problem("nothing is scored by eye in this plan", f"add --only with one of {', '.join(names)}")
        )
    stage = defaults.stage or (stages.pop() if len(stages) == 1 else "")
    if not stage or (stages and stage not in stages):
        cure = f"add --stage with one of {', '.join(sorted(stages))}"
        raise UserError(Problem("it does not say after which step it is scored", cure))
    return typed.to_ask(plan, trial.patches, trial.record.last_seed, assessor, stage, only, trial.readings)


def _keep(trial: Trial, rows: list[dict[str, str]], defaults: Defaults, ask: Callable[[str], str], how: How) -> int:
    """Take in what was typed for one patch; a doubt is asked about at once. Return how many readings went in."""
    from trials import folder as folders
    from trials import records
    from trials.records import typed

    still_open(trial)  # it may have been closed elsewhere meanwhile
    table = typed.as_table(rows, trial.readings)
    checked = records.check_readings(
        table, trial.plan, trial.patches, trial.journal, defaults, conditions=trial.conditions
    )
    if checked.problems:
        raise UserError(*(Problem(problem.what, problem.cure) for problem in checked.problems))
    if checked.held and not how.doubtful_too:
        for doubt in checked.held:
            shell.say(f"  Doubtful: {doubt.problem.what}.")
        try:
            said = ask("  Is that right? yes or no").strip().casefold()
        except typed.Stop:
            said = ""  # the session ends with its next question
        if said not in ("yes", "y"):
            shell.say("  Not taken in; it will be asked for again next time.")
            return 0
    kept = [row | {"source": typed.BY_HAND} for row in with_yes(checked)]
    folders.append(trial.folder, trial.plan, readings=kept)
    return len(kept)
