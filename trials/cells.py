"""What a cell of a table may hold: the same rules when a result comes in and whenever it is read again."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime
from operator import itemgetter
from typing import TYPE_CHECKING

from trials import limits
from trials.csv_source import number
from trials.errors import FIRST, Problem, nearest
from trials.plan import STAGES, Plan, Preference, Response

if TYPE_CHECKING:
    import pandas as pd

FIRST_YEAR, LAST_YEAR = 1970, 2199
"""Of any time on record: a clock that was never set says 1970, and what is reckoned from a time stays a time."""
AMOUNTS = {"temperature_c": (-30, 60, "degrees Celsius"), "humidity_pct": (0, 100, "per cent")}
"""Of the air at the bench: the least, the most, the unit."""

_RECORDED_NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?(e[+-]?[0-9]{1,3})?", re.IGNORECASE)
_YES_NO = {"yes": "1", "y": "1", "true": "1", "1": "1", "no": "0", "n": "0", "false": "0", "0": "0"}
_ONLY_OURS = (
    "this file is written by splitboard only: put it back from a copy, or undo what changed in trial.toml since"
)


class Fault(Exception):
    """What is wrong with one reading, what to do, and in which column."""

    def __init__(self, what: str, cure: str | Callable[[], str], column: str) -> None:
        super().__init__(what)
        self.what, self.column = what, column
        self._cure = cure

    @property
    def cure(self) -> str:
        """What to do; one that has to be looked for is looked for only when it is asked for."""
        return self._cure if isinstance(self._cure, str) else self._cure()

    def at(self, file: str, row: int, before: int) -> Problem:
        """Return the fault of a row, of which the file has so many before; only of the first is the cure said."""
        cure = self.cure if before < FIRST else ""
        return Problem(self.what, cure, file=file, line=row, column=self.column)


# --- one cell --------------------------------------------------------------------------------------


def value(text: str, response: Response, column: str) -> str:
    """Return a value of a response as it is recorded: a number, yes being 1 and no 0.

    Raises
    ------
    Fault
    """
    found = _of_kind(text, response, column)
    for limit, outside in ((response.low, "below"), (response.high, "above")):
        if limit is not None and (float(found) < limit if outside == "below" else float(found) > limit):
            raise Fault(f"{response.words} is {text}, {outside} the plan's limit of {limit:g}", "correct it", column)
    return found


def _of_kind(text: str, response: Response, column: str) -> str:
    """Return a value of a response's kind as it is recorded, whatever limits the plan sets."""
    if response.kind == "yes_no":
        if text.lower() not in _YES_NO:
            raise Fault(f"{response.words} is {text!r}", "write yes or no", column)
        return _YES_NO[text.lower()]
    found = number(text)
    if found is None or not math.isfinite(found):
        raise Fault(f"{response.words} is {text!r}, which is not a number", "correct it", column)
    if not limits.is_sensible(found):
        size = f"{limits.LEAST:g} to {limits.MOST:g}"
        raise Fault(f"{response.words} is {text}, of no size that is reckoned with ({size})", "correct it", column)
    if response.kind == "grade":
        step = 0.5 if response.half_grades else 1.0
        kind = "in whole or half grades" if response.half_grades else "in whole grades"
        if not 1 <= found <= response.grades or found % step:
            raise Fault(
                f"{response.words} is {text}, but its grades go from 1 to {response.grades} {kind}",
                "look at the form again and correct it",
                column,
            )
    return f"{found:.12g}"


def repeat(text: str) -> str:
    """Return which look it was, as it is recorded.

    Raises
    ------
    Fault
    """
    found = number(text)
    if found is None or not 1 <= found <= 99 or found != int(found):
        raise Fault(f"repeat is {text!r}", "write 1 for the first look, 2 for the second, and so on", "repeat")
    return str(int(found))


def time(text: str, column: str) -> str:
    """Return a time in ISO 8601.

    Raises
    ------
    Fault
    """
    if not text:
        return ""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise Fault(f"{text!r} is not a time", "write it as 2026-03-14 15:09 (ISO 8601)", column) from None
    if not FIRST_YEAR <= found.year <= LAST_YEAR:
        raise Fault(f"{text!r} lies outside the years {FIRST_YEAR} to {LAST_YEAR}", "correct the year", column)
    return found.isoformat()


def amount(text: str, column: str) -> str:
    """Return how warm or damp it was, as it is recorded; `column` is one of `AMOUNTS`.

    Raises
    ------
    Fault
    """
    if not text:
        return ""
    low, high, unit = AMOUNTS[column]
    found = number(text)
    if found is None or not low <= found <= high:
        raise Fault(f"{column} is {text!r}", f"write {unit}, from {low} to {high}", column)
    return f"{found:g}"


def in_order(first: str, second: str) -> None:
    """Make sure that a step ends no earlier than it begins, where both times are given.

    Raises
    ------
    Fault
    """
    if not (first and second):
        return
    start, end = datetime.fromisoformat(first), datetime.fromisoformat(second)
    if (start.tzinfo is None) != (end.tzinfo is None):
        raise Fault("one time names its zone and the other does not", "write both alike", "ended_at")
    if start > end:
        raise Fault("the step ends before it begins", "swap or correct the times", "ended_at")


def place(text: str, column: str, known: Sequence[str] | set[str]) -> str:
    """Return the board or patch a note is of.

    Raises
    ------
    Fault
    """
    if text and text not in known:
        raise Fault(f"this trial has no {column} {text!r}", lambda: nearest(text, sorted(known)), column)
    return text


# --- whole tables, read again ----------------------------------------------------------------------


def of_readings(rows: Sequence[Mapping[str, str]], plan: Plan, patches: pd.DataFrame) -> Iterator[Problem]:
    """Yield what is wrong with the cells of readings.csv; the plan's limits judge only what comes in."""
    codes = {str(code) for code in patches["patch"]}
    asked: dict[str, Response | Preference] = {one.name: one for one in plan.responses}
    asked |= {one.name: one for one in plan.preferences}

    def of_value(response: str, text: str, supersedes: str) -> None:
        if text or not supersedes:
            _recorded_value(text, asked.get(response), response)

    rules: tuple[tuple[tuple[str, ...], Callable[..., object]], ...] = (
        (("patch",), lambda text: place(_named(text, "patch"), "patch", codes)),
        (("against",), lambda text: place(text, "patch", codes)),
        (("response", "value", "supersedes"), of_value),
        (("stage",), _known_stage),
        (("repeat",), _recorded_repeat),
        (("taken_at",), lambda text: time(text, "taken_at")),
    )
    return _faults("readings.csv", rows, rules)


def of_conditions(rows: Sequence[Mapping[str, str]], patches: pd.DataFrame) -> Iterator[Problem]:
    """Yield what is wrong with the cells of conditions.csv."""
    known = {name: {str(code) for code in patches[name]} for name in ("board", "patch")}

    def of_times(first: str, second: str) -> None:
        in_order(time(first, "started_at"), time(second, "ended_at"))

    def of_amount(column: str) -> Callable[[str], None]:
        def of(text: str) -> None:
            if text:
                _plain(text, column)
                amount(text, column)

        return of

    rules: tuple[tuple[tuple[str, ...], Callable[..., object]], ...] = (
        (("board",), lambda text: place(text, "board", known["board"])),
        (("patch",), lambda text: place(text, "patch", known["patch"])),
        (("step",), lambda text: _named(text, "step")),
        (("started_at", "ended_at"), of_times),
        *(((column,), of_amount(column)) for column in AMOUNTS),
    )
    return _faults("conditions.csv", rows, rules)


def _faults(
    name: str, rows: Sequence[Mapping[str, str]], rules: Sequence[tuple[tuple[str, ...], Callable[..., object]]]
) -> Iterator[Problem]:
    """Hold every row's cells against rules; the same cells are looked at once."""
    for columns, rule in rules:
        cells = itemgetter(*columns)
        faults: dict[str | tuple[str, ...], Fault] = {}
        for one in set(map(cells, rows)):
            try:
                rule(*([one] if isinstance(one, str) else one))
            except Fault as fault:
                faults[one] = fault
        for at, row in enumerate(rows if faults else (), start=2):
            found = faults.get(cells(row))
            if found:
                yield Problem(found.what, _ONLY_OURS, file=name, line=at, column=found.column)


def _recorded_value(text: str, asked: Response | Preference | None, response: str) -> None:
    _named(response, "response")
    if isinstance(asked, Response):
        _of_kind(text, asked, "value")
    elif asked is not None and text not in ("0", "1"):
        raise Fault(f"the choice is {text!r}, not 1 (left) or 0 (right)", "", "value")
    _plain(text, "value")


def _plain(text: str, column: str) -> None:
    if not _RECORDED_NUMBER.fullmatch(text) or not limits.is_sensible(float(text)):
        raise Fault(f"{text!r} is not a number as it is recorded", "", column)


def _named(text: str, column: str) -> str:
    if not text:
        raise Fault(f"the row names no {column}", "", column)
    return text


def _recorded_repeat(text: str) -> None:
    if repeat(text) != text:
        raise Fault(f"{text!r} is not a number as it is recorded", "", "repeat")


def _known_stage(text: str) -> None:
    if text not in STAGES:
        raise Fault(f"{text!r} is not a stage of the work", "", "stage")
