"""Correct or withdraw one reading: a new row that says which row it takes the place of, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from trials import folder as folders
from trials.csv_source import Row, Table
from trials.errors import Problem, UserError, nearest
from trials.folder import KEY
from trials.plan import Plan
from trials.records.taking import Checked, check_readings, reading_words

if TYPE_CHECKING:
    import pandas as pd

BY_HAND = "typed in"
"""The source of what was entered at the keyboard."""


@dataclass(frozen=True)
class Which:
    """Which reading is meant; what is left empty need not be told where one reading alone fits."""

    patch: str
    response: str
    assessor: str = ""
    stage: str = ""
    repeat: str = ""
    against: str = ""


def correction(
    plan: Plan, patches: pd.DataFrame, recorded: Sequence[dict[str, str]], which: Which, value: str, why: str
) -> Checked:
    """Return the row that corrects a reading, checked like any other.

    Parameters
    ----------
    plan, patches : the plan and its layout.
    recorded : every row taken in so far.
    value : what it should have been; empty takes the reading out. What is doubtful is held, as in a file.
    why : the reason, which the report counts with the correction.

    Raises
    ------
    UserError
        No reading fits, or several do; no reason is given; the value is the one recorded, or is none.
    """
    names = [response.name for response in plan.responses] + [preference.name for preference in plan.preferences]
    if which.response not in names:
        raise UserError(Problem(f"{which.response!r} is not a response of the plan", nearest(which.response, names)))
    if not why.strip():
        raise UserError(Problem("a correction needs a reason", 'add --why "misread my own writing"'))
    found = _meant(plan, recorded, which)
    if found["value"] == value.strip():
        what = f"{_words(found)} is recorded as {value} already"
        raise UserError(Problem(what, "give the value it should have been"))
    cells = {**{name: found[name] for name in KEY}, "value": value, "reason": why.strip()}
    cells |= {name: found[name] for name in ("taken_at", "method", "note")}
    if plan.rehearsal:
        raise UserError(Problem("a rehearsal's results are invented", "there is nothing to correct in it"))
    table = Table(BY_HAND, tuple(cells), (Row(0, cells),), decimal_comma=False)
    checked = check_readings(table, plan, patches, recorded)
    if checked.problems:
        raise UserError(*(Problem(problem.what, problem.cure) for problem in checked.problems))
    doubts = tuple(replace(one, problem=replace(one.problem, file="", line=None, column="")) for one in checked.held)
    return replace(checked, held=doubts)


def _meant(plan: Plan, recorded: Sequence[dict[str, str]], which: Which) -> dict[str, str]:
    """Return the one reading that is meant."""
    standing = folders.standing(recorded)
    wanted = {name: getattr(which, name) for name in KEY if getattr(which, name)}
    fitting = [row for row in standing if all(row[name] == text for name, text in wanted.items())]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        told = " and ".join(name for name in KEY if len({row[name] for row in fitting}) > 1)
        what = (
            f"{len(fitting)} readings fit: {'; '.join(map(_words, fitting[:4]))}{'; …' if len(fitting) > 4 else ''}"
        )
        options = " and ".join(f"--{name}" for name in told.split(" and "))
        raise UserError(Problem(what, f"say which with {options}"))
    own = [row for row in standing if row["patch"] == which.patch]
    here = [row for row in own if row["response"] == which.response]
    cure = "there are: " + "; ".join(map(_words, here[:6])) if here else "look at the code again"
    raise UserError(Problem(f"no such reading of patch {which.patch} is recorded", cure))


def _words(row: dict[str, str]) -> str:
    return f"{reading_words(tuple(row[name] for name in KEY))}: {row['value']}"
