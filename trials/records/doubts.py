"""What can be right but seldom is, held until somebody says that it is.

No doubt names a treatment: who scores may be reading the screen.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from operator import itemgetter
from statistics import fmean, median
from typing import Any

from trials import units
from trials.errors import FIRST, Problem
from trials.limits import LISTED
from trials.plan import STAGES, Plan, Response, Step
from trials.records.taking import Held, Taken

Rows = Sequence[dict[str, str]]

FAR = 3.5
"""Robust standard deviations from the middle beyond which a value is taken for an outlier: Iglewicz and Hoaglin, How
to Detect and Handle Outliers, ASQC 1993 (from memory)."""
FEWEST = 10
"""Readings without which nothing is said of what is usual: a working value of this project's own, no source."""
FEWEST_ALIKE = 8
"""Marks all the same that are held: a working value of this project's own, no source."""
LIKELY_THE_SAME = 0.8
"""How alike two assessors' names are that may be one person's, 1 being the same letters."""


def held(
    file: str,
    taken: Sequence[Taken],
    plan: Plan,
    patches: Mapping[str, Mapping[str, Any]],
    standing: Rows,
    conditions: Rows,
) -> Iterator[Held]:
    """Yield every doubt about the readings of a file.

    Parameters
    ----------
    taken : what the file holds that is new.
    patches : the layout's rows by code.
    standing : the readings that stand beside them.
    conditions : the bench notes.
    """
    values = [one for one in taken if one.reading["value"]]
    for response in plan.responses:
        own = [one for one in values if one.reading["response"] == response.name]
        for stage in response.stages:
            here = [one for one in own if one.reading["stage"] == stage]
            before = [row for row in standing if (row["response"], row["stage"]) == (response.name, stage)]
            if response.kind == "measure":
                yield from _stands_alone(file, here, before, response)
            if response.kind == "grade":
                yield from _unlike_the_others(file, here, before, response)
            if response.kind != "measure":
                yield from _all_alike(file, here, response)
    yield from _before_dry(file, values, plan, patches, conditions)
    yield from _one_person(file, taken, standing)


def _held(file: str, one: Taken, what: str, cure: str) -> Held:
    return Held(Problem(what, cure, file=file, line=one.cell.row, column=one.cell.column), frozenset({one.cell.row}))


# --- unlikely values -------------------------------------------------------------------------------


def robust_spread(values: Sequence[float]) -> float:
    """Return what a standard deviation would be but for outliers: 1.4826 times the median distance from the median.

    Where more than half of the values are the same, 1.2533 times the mean distance. As Iglewicz and Hoaglin 1993.
    """
    middle = median(values)
    apart = [abs(value - middle) for value in values]
    return 1.4826 * median(apart) or 1.2533 * fmean(apart)


def _stands_alone(file: str, here: Sequence[Taken], before: Rows, response: Response) -> Iterator[Held]:
    """Hold measured values that lie far from the middle with no other patch's value near them.

    The treatments themselves may lie far apart, and controls further; but then several patches lie there.
    """
    placed = [(one.reading["patch"], float(one.reading["value"])) for one in here]
    placed += [(row["patch"], float(row["value"])) for row in before]
    values = [value for _, value in placed]
    if len(values) < FEWEST or not (spread := robust_spread(values)):
        return
    middle, apart = median(values), _apart(placed)
    for one in here:
        value = float(one.reading["value"])
        far = abs(value - middle) / spread
        if far > FAR and apart[one.reading["patch"], value] > spread:
            what = (
                f"{response.words} of patch {one.reading['patch']} is {value:g}, which stands alone: the middle of "
                f"all is {middle:g}, and this is {far:.1f} times their usual spread ({spread:.3g}) from it"
            )
            yield _held(file, one, what, "read it again, or say yes if it is right")


def _apart(placed: Sequence[tuple[str, float]]) -> dict[tuple[str, float], float]:
    """Return how far each patch's value lies from the nearest of another patch."""
    apart = dict.fromkeys(placed, math.inf)
    rising = sorted(apart, key=itemgetter(1))
    for order in (rising, rising[::-1]):
        before, other = ("", math.inf), math.inf
        for patch, value in order:
            other = other if patch == before[0] else before[1]
            apart[patch, value] = min(apart[patch, value], abs(value - other))
            before = patch, value
    return apart


def _unlike_the_others(file: str, here: Sequence[Taken], before: Rows, response: Response) -> Iterator[Held]:
    """Hold grades that are more than half the scale away from what the same patch was given otherwise."""
    marks: dict[str, list[float]] = {}
    for row in (*(one.reading for one in here), *before):
        marks.setdefault(row["patch"], []).append(float(row["value"]))
    given = {patch: _given_otherwise(values) for patch, values in marks.items()}
    for one in here:
        value, patch = float(one.reading["value"]), one.reading["patch"]
        otherwise = given[patch][value]
        if abs(value - otherwise) > (response.grades - 1) / 2:
            what = (
                f"{response.words} of patch {patch} is {value:g}, more than half the scale from the "
                f"{otherwise:g} it was given otherwise"
            )
            yield _held(file, one, what, "look at the form again, or say yes if it is right")


def _given_otherwise(marks: Sequence[float]) -> dict[float, float]:
    """Return for each mark the middle of the others; for one alone the mark itself."""
    ordered = sorted(marks)
    found: dict[float, float] = {}
    for at, mark in enumerate(ordered):
        if mark not in found:
            found[mark] = median(ordered[:at] + ordered[at + 1 :]) if len(ordered) > 1 else mark
    return found


def _all_alike(file: str, here: Sequence[Taken], response: Response) -> Iterator[Held]:
    """Hold the marks of an assessor who gave every patch the same."""
    by_assessor: dict[str, list[Taken]] = {}
    for one in here:
        by_assessor.setdefault(one.reading["assessor"], []).append(one)
    for assessor, marks in by_assessor.items():
        given = {one.reading["value"] for one in marks}
        if len(given) == 1 and len({one.reading["patch"] for one in marks}) >= FEWEST_ALIKE:
            who = f" by {assessor}" if assessor else ""
            what = f"all {len(marks)} marks of {response.words}{who} are {given.pop()}, as if nobody had looked"
            problem = Problem(
                what, "look at the form again, or say yes if it is right", file=file, line=marks[0].cell.row,
                column=marks[0].cell.column,
            )  # fmt: skip
            yield Held(problem, frozenset(one.cell.row for one in marks))


# --- too early -------------------------------------------------------------------------------------


def _before_dry(
    file: str, taken: Sequence[Taken], plan: Plan, patches: Mapping[str, Mapping[str, Any]], conditions: Rows
) -> Iterator[Held]:
    """Hold what was read before its surface was dry, or before its coat was on, by the bench times."""
    if not conditions:
        return
    of_patch, of_board = _by(conditions, "patch"), _by([row for row in conditions if not row["patch"]], "board")
    surfaces: dict[tuple[str, str], tuple[bool, datetime | None]] = {}
    for one in taken:
        row = one.reading
        if not row["taken_at"]:
            continue
        at = _clock(row["taken_at"])
        key = row["patch"], row["stage"]
        if key not in surfaces:
            board = str(patches[row["patch"]]["board"])
            mine = [*of_patch.get(row["patch"], ()), *of_board.get(board, ())]
            surfaces[key] = _surface(plan, row["stage"], mine)
        done, dry = surfaces[key]
        if not done:
            what = (
                f"patch {row['patch']} was read as {row['stage']}, but by the bench notes its board was not yet then"
            )
            yield _held(file, one, what, "correct the stage, record the bench notes first, or say yes if it is right")
        elif dry is not None and at < dry:
            what = (
                f"patch {row['patch']} was read on {at:%Y-%m-%d at %H:%M}, but by the bench times it was dry only "
                f"from {dry:%Y-%m-%d, %H:%M}"
            )
            yield _held(file, one, what, "correct the time, read it again when it is dry, or say yes if it is right")


def _by(rows: Rows, column: str) -> dict[str, list[dict[str, str]]]:
    found: dict[str, list[dict[str, str]]] = {}
    for row in rows:
        found.setdefault(row[column], []).append(row)
    return found


def _surface(plan: Plan, stage: str, mine: Rows) -> tuple[bool, datetime | None]:
    """Return whether the step that ends a stage is among a patch's bench notes, and when all up to it were dry."""
    dry: datetime | None = None
    done = True
    for step in plan.steps:
        if not step.stage or STAGES.index(step.stage) > STAGES.index(stage):
            continue
        ends = [row["ended_at"] or row["started_at"] for row in mine if row["step"] == step.name]
        times = [_clock(end) + _drying(step) for end in ends if end]
        dry = max([*times, *([dry] if dry else [])], default=None)
        if step.stage == stage and not step.only and mine and not ends:
            done = False
    return done, dry


def _drying(step: Step) -> timedelta:
    return timedelta(minutes=units.read(step.dry, "time").amount) if step.dry else timedelta()


def _clock(text: str) -> datetime:
    """Return the time on the wall, whichever zone it was written with."""
    return datetime.fromisoformat(text).replace(tzinfo=None)


# --- who -------------------------------------------------------------------------------------------


def new_assessors(taken: Sequence[Taken], standing: Rows) -> Iterator[str]:
    """Say of every assessor whether readings of theirs are recorded already."""
    known = dict.fromkeys(_names(standing))
    names = f"{', '.join([*known][:FIRST])}{', …' if len(known) > FIRST else ''}"
    so_far = f"; so far there are readings by {names}" if known else ""
    new = [name for name in _names(one.reading for one in taken) if name not in known]
    for name in new[:FIRST]:
        yield f"{name} has not scored in this trial before{so_far}."


def _one_person(file: str, taken: Sequence[Taken], standing: Rows) -> Iterator[Held]:
    """Hold the readings of a new assessor whose name is nearly one that is recorded."""
    known = _names(standing)[:LISTED]
    for name in _names(one.reading for one in taken)[:LISTED]:
        near = difflib.get_close_matches(name.casefold(), [other.casefold() for other in known], 1, LIKELY_THE_SAME)
        if name in known or not near:
            continue
        other = next(other for other in known if other.casefold() == near[0])
        own = [one for one in taken if one.reading["assessor"] == name]
        what = f"{name!r} has no readings yet, but {other!r} has: they may be one person"
        problem = Problem(what, f"write {other!r}, or say yes if they are two", file=file, line=own[0].cell.row,
                          column="assessor")  # fmt: skip
        yield Held(problem, frozenset(one.cell.row for one in own))


def _names(rows: Iterable[Mapping[str, str]]) -> list[str]:
    return list(dict.fromkeys(row["assessor"] for row in rows if row["assessor"]))
