"""A brief: what a finish has to come to, as conditions on responses, each in the response's own unit."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from trials.errors import Problem, UserError, nearest
from trials.plan import Response

_NUMBER = r"([+-]?\d+(?:[.,]\d+)?)"
_FORMS = (
    (re.compile(rf"^(\w+)\s+at\s+least\s+{_NUMBER}\s*(.*)$"), "at least"),
    (re.compile(rf"^(\w+)\s+at\s+most\s+{_NUMBER}\s*(.*)$"), "at most"),
    (re.compile(rf"^(\w+)\s+between\s+{_NUMBER}\s+and\s+{_NUMBER}\s*(.*)$"), "between"),
    (re.compile(r"^(\w+)\s+is\s+(yes|no)$"), "is"),
)
_NOTHING_FINER = 1e-9


@dataclass(frozen=True)
class Condition:
    """One thing a piece has to come to.

    Attributes
    ----------
    response : what is scored or measured.
    low, high : the least and the most that will do; infinite where there is no limit. For a yes or no, 1 is yes.
    """

    response: Response
    low: float = -math.inf
    high: float = math.inf

    @property
    def words(self) -> str:
        """The condition as it is written and read: ``darkness of L* 38 or darker``."""
        name, unit = self.response.words, self.response.unit if self.response.kind == "measure" else ""
        if self.response.kind == "yes_no":
            return f"{name} is {'yes' if self.low == 1 else 'no'}"
        is_lightness = self.response.unit == "L*" and not self.response.is_of_laps
        if is_lightness and math.isinf(self.low) != math.isinf(self.high):
            limit = f"{self.low:g} or lighter" if math.isinf(self.high) else f"{self.high:g} or darker"
            return f"{name} of L* {limit}"
        if math.isinf(self.low):
            return f"{name} at most {self.high:g} {unit}".strip()
        if math.isinf(self.high):
            return f"{name} at least {self.low:g} {unit}".strip()
        return f"{name} between {self.low:g} and {self.high:g} {unit}".strip()

    def cut(self, readings: float = 1.0) -> tuple[float, float]:
        """Return between which values of a smooth scale a reading meets the condition.

        Parameters
        ----------
        readings : how many marks are averaged; the mean of k marks in steps of s comes in steps of s / k.

        Notes
        -----
        A grade is taken as the smooth value rounded to the nearest step, so that a limit lies half a step outside
        the last grade that will do. Beyond the ends of the scale there is nothing, so a limit there is none.
        """
        response = self.response
        if response.kind != "grade":
            return self.low, self.high
        step = (0.5 if response.half_grades else 1.0) / max(readings, 1.0)
        low, high = self.low, self.high
        if math.isfinite(low):
            low = -math.inf if low <= 1 else (math.ceil(low / step - _NOTHING_FINER) - 0.5) * step
        if math.isfinite(high):
            high = math.inf if high >= response.grades else (math.floor(high / step + _NOTHING_FINER) + 0.5) * step
        return low, high


@dataclass(frozen=True)
class Brief:
    """Conditions that are all to be met at once, one a response."""

    conditions: tuple[Condition, ...]

    @property
    def words(self) -> str:
        """All of it as it is read."""
        *rest, last = (one.words for one in self.conditions)
        return f"{', '.join(rest)} and {last}" if rest else last


def read(responses: Sequence[Response], lines: Sequence[str]) -> Brief:
    """Read a brief.

    Parameters
    ----------
    responses : what can be asked for.
    lines : each ``NAME at least 4``, ``NAME at most 38``, ``NAME between 34 and 38`` or, for a yes or no, ``NAME is
        yes``; the response's own unit may follow. Two lines on one response have both to be met.

    Raises
    ------
    UserError
        Every line that cannot be read, or cannot be met.
    """
    if not lines:
        raise UserError(Problem("the brief has no condition", "write one, such as 'darkness at most 38'"))
    found: dict[str, Condition] = {}
    faults: list[Problem] = []
    for number, line in enumerate(lines, start=1):
        try:
            one = _condition(responses, line)
            found[one.response.name] = _both(found.get(one.response.name), one)
        except UserError as error:
            faults += [Problem(f"line {number} of the brief: {fault.what}", fault.cure) for fault in error.problems]
    if faults:
        raise UserError(*faults)
    return Brief(tuple(found.values()))


def _condition(responses: Sequence[Response], line: str) -> Condition:
    for pattern, form in _FORMS:
        match = pattern.match(" ".join(line.split()))
        if match:
            name, *rest = match.groups()
            response = _response(responses, name)
            if (form == "is") != (response.kind == "yes_no"):
                other = f"'{name} is yes'" if response.kind == "yes_no" else f"'{name} at least …' or 'at most …'"
                raise UserError(Problem(f"{line!r} does not go with {response.words}", f"write {other}"))
            if form == "is":
                return Condition(response, 1, math.inf) if rest[0] == "yes" else Condition(response, -math.inf, 0)
            return _limits(response, form, rest, line)
    cure = "write it like 'darkness at most 38', 'figure_clarity at least 4' or 'darkness between 34 and 38'"
    raise UserError(Problem(f"{line!r} is not a condition", cure))


def _response(responses: Sequence[Response], name: str) -> Response:
    found = {one.name: one for one in responses}
    if name not in found:
        raise UserError(Problem(f"there is no response {name!r}", nearest(name, found)))
    return found[name]


def _limits(response: Response, form: str, rest: Sequence[str], line: str) -> Condition:
    *numbers, unit = rest
    allowed = {"", response.unit} if response.kind == "measure" else {"", "grade", "grades"}
    if unit not in allowed:
        raise UserError(
            Problem(f"{unit!r} in {line!r} is not the unit of {response.words}", f"write {response.hint}")
        )
    values = [float(number.replace(",", ".")) for number in numbers]
    low, high = _scale(response)
    for value in values:
        if not low <= value <= high:
            raise UserError(Problem(f"{value:g} is off the scale of {response.words}", f"write {response.hint}"))
    if form == "between":
        if values[0] > values[1]:
            raise UserError(Problem(f"{line!r} has its limits the wrong way round", "write the smaller first"))
        return Condition(response, values[0], values[1])
    return Condition(response, low=values[0]) if form == "at least" else Condition(response, high=values[0])


def _scale(response: Response) -> tuple[float, float]:
    if response.kind == "grade":
        return 1, response.grades
    low, high = response.low, response.high
    return -math.inf if low is None else low, math.inf if high is None else high


def _both(first: Condition | None, second: Condition) -> Condition:
    if first is None:
        return second
    both = Condition(second.response, max(first.low, second.low), min(first.high, second.high))
    if both.low > both.high:
        raise UserError(Problem(f"{first.words} and {second.words} cannot both be met", "take one of the two out"))
    return both
