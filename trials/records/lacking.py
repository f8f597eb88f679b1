"""What a trial's results still lack: whose scores, and readings of which patches."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from trials.plan import Plan

if TYPE_CHECKING:
    import pandas as pd


def still_missing(plan: Plan, patches: pd.DataFrame, standing: Iterable[dict[str, Any]]) -> dict[str, int]:
    """Count for each response the patches without any reading at the stage its questions are answered at."""
    rows = list(standing)
    return {response.name: _missing(plan, response.name, patches, rows) for response in plan.responses}


def scorers(plan: Plan, standing: Iterable[dict[str, Any]]) -> tuple[str, ...]:
    """Return who has scored by eye, those that the plan names first; empty text where no name was given."""
    by_eye = _by_eye(plan) | {one.name for one in plan.preferences}
    found = dict.fromkeys(row["assessor"] for row in standing if row["response"] in by_eye)
    return (*(name for name in plan.assessors if name in found), *(one for one in found if one not in plan.assessors))


def unscored(plan: Plan, standing: Iterable[dict[str, Any]]) -> tuple[str, ...]:
    """Return the assessors of the plan by whom nothing was scored yet."""
    if not (_by_eye(plan) or plan.preferences):
        return ()
    done = scorers(plan, standing)
    return tuple(name for name in plan.assessors if name not in done)


def lacking(plan: Plan, patches: pd.DataFrame, standing: Iterable[dict[str, Any]]) -> tuple[str, ...]:
    """Say what lacks, a clause each; a patch that could not be scored lacks its score as well.

    Returns
    -------
    Such as ``("18 patches lack darkness", "Sam has not scored")``; nothing where all is there.
    """
    rows = list(standing)
    absent = unscored(plan, rows)
    by_eye = _by_eye(plan)
    said = []
    for response in plan.responses:
        if response.name in by_eye and plan.assessors:
            for name in (one for one in plan.assessors if one not in absent):
                own = [row for row in rows if row["assessor"] == name]
                if count := _missing(plan, response.name, patches, own):
                    said.append(f"{_lack(count)} {response.words} by {name}")
        elif count := _missing(plan, response.name, patches, rows):
            said.append(f"{_lack(count)} {response.words}")
    if absent:
        names = " and ".join([", ".join(absent[:-1]), absent[-1]] if absent[1:] else absent)
        said.append(f"{names} {'has' if len(absent) == 1 else 'have'} not scored")
    return tuple(said)


def _lack(count: int) -> str:
    return "1 patch lacks" if count == 1 else f"{count} patches lack"


def _by_eye(plan: Plan) -> set[str]:
    return {response.name for response in plan.responses if response.kind != "measure"}


def _missing(plan: Plan, name: str, patches: pd.DataFrame, rows: Sequence[dict[str, Any]]) -> int:
    stage = plan.response(name).stage
    return len(patches) - len({row["patch"] for row in rows if row["response"] == name and row["stage"] == stage})
