"""Take in scores and bench notes: every row checked against the plan, all faults named together.

Pure: a csv table, the plan, the layout and what is already recorded in; rows to append and faults out.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from trials.csv_source import Row, Table, number
from trials.errors import Problem, UserError, nearest
from trials.folder import CONDITION_COLUMNS
from trials.plan import STAGES, Plan, Response

if TYPE_CHECKING:
    import pandas as pd

KEY = ("patch", "response", "assessor", "stage", "repeat")
"""What makes two readings the same reading."""

_OTHER_NAMES = {"code": "patch", "rater": "assessor", "remark": "note", "notes": "note", "date": "taken_at"}
_YES_NO = {"yes": "1", "y": "1", "true": "1", "1": "1", "no": "0", "n": "0", "false": "0", "0": "0"}
_ASIDE = ("assessor", "stage", "repeat", "taken_at", "method", "note", "source")

INVENTED = "rehearsal, invented results"
"""What the source column of a rehearsal's results says; it stands on each of its pages too."""
INVENTED_METHOD = "invented"
"""How the readings of a rehearsal were taken."""


@dataclass(frozen=True)
class Defaults:
    """What the person at the keyboard says of the whole file, for cells the file leaves out."""

    assessor: str = ""
    stage: str = ""
    method: str = ""


@dataclass(frozen=True)
class Checked:
    """What a file holds after checking.

    Attributes
    ----------
    new : rows to append, as text cells in the columns of the file they go to.
    already : how many readings of the file are recorded already, value and all.
    empty : how many cells held no value.
    problems : every fault, with file, row and column.
    """

    new: tuple[dict[str, str], ...]
    already: int
    empty: int
    problems: tuple[Problem, ...]


@dataclass(frozen=True)
class _Cell:
    """One value of the file on its way to becoming a reading."""

    row: int
    column: str
    patch: str
    response: str
    value: str
    aside: dict[str, str]


class _Fault(Exception):
    """A fault of one reading; `check_readings` gathers them."""

    def __init__(self, what: str, cure: str, column: str) -> None:
        super().__init__(what)
        self.what, self.cure, self.column = what, cure, column


def is_conditions(table: Table) -> bool:
    """Whether a file holds bench notes rather than readings."""
    names = {_column_name(name) for name in table.header}
    return "step" in names and "response" not in names


def check_readings(
    table: Table,
    plan: Plan,
    patches: pd.DataFrame,
    recorded: Sequence[dict[str, str]],
    defaults: Defaults = Defaults(),
) -> Checked:
    """Check a file of scores or measurements.

    Parameters
    ----------
    table : either one row a reading (columns patch, response, value), or one row a patch and one column a
        response; beside these assessor, stage, repeat, taken_at, method, note and source where the file has them.
    plan, patches : the plan and its layout.
    recorded : the readings taken in so far.
    defaults : what to take where the file does not say.

    Raises
    ------
    UserError
        The columns are not those of a file of scores; or the file holds invented results and the plan is no
        rehearsal, or the other way round.
    """
    columns = _columns(table, plan)
    _check_origin(table, plan, columns, defaults)
    codes = {str(code) for code in patches["patch"]}
    before = {tuple(row[name] for name in KEY): (row, at) for at, row in enumerate(recorded, start=2)}
    here: dict[tuple[str, ...], int] = {}
    new: list[dict[str, str]] = []
    problems: list[Problem] = []
    already = empty = 0
    for cell in _cells(table, plan, columns):
        if not cell.value:
            empty += 1
            continue
        try:
            reading = _reading(cell, plan, codes, defaults, table)
            key = tuple(reading[name] for name in KEY)
            _check_seen_here(here, key, cell)
            if key in before:
                _check_same(before[key], reading, cell)
                already += 1
            else:
                new.append(reading)
        except _Fault as fault:
            problems.append(Problem(fault.what, fault.cure, file=table.name, line=cell.row, column=fault.column))
    if not (new or already or problems):
        problems.append(Problem("no row holds a value", "fill in the scores", file=table.name))
    return Checked(tuple(new), already, empty, tuple(dict.fromkeys(problems)))


# --- the columns -----------------------------------------------------------------------------------


def _column_name(name: str) -> str:
    word = "_".join(name.lower().split())
    return _OTHER_NAMES.get(word, word)


def _columns(table: Table, plan: Plan) -> dict[str, str]:
    """Return which column of the file holds what: our name to the file's."""
    responses = [response.name for response in plan.responses]
    if not responses:
        raise UserError(Problem("the plan names no response, so there is nothing to take in", "add a [[response]]",
                                file="trial.toml"))  # fmt: skip
    by_lower = {name.lower(): name for name in responses}
    found: dict[str, str] = {}
    problems = []
    long = {"response", "value"} <= {_column_name(name) for name in table.header}
    known = ["patch", *_ASIDE, *(("response", "value") if long else responses)]
    for name in table.header:
        word = _column_name(name)
        ours = by_lower.get(word, word)
        if ours not in known:
            problems.append(
                Problem(f"column {name!r} is not known", nearest(word, known), file=table.name, line=1, column=name)
            )
        elif ours in found:
            problems.append(
                Problem(
                    f"columns {found[ours]!r} and {name!r} mean the same", "take one out", file=table.name, line=1
                )
            )
        found[ours] = name
    if "patch" not in found:
        what = "there is no column with the patches' codes"
        problems.append(Problem(what, "name it patch in the header", file=table.name, line=1))
    elif not long and not any(name in found for name in responses):
        what = f"there is no column for any response of the plan ({', '.join(responses)})"
        problems.append(Problem(what, "name the columns as in the plan", file=table.name, line=1))
    if problems:
        raise UserError(*problems)
    return found


def _check_origin(table: Table, plan: Plan, columns: dict[str, str], defaults: Defaults) -> None:
    """Keep invented rows out of a trial and real ones out of a rehearsal, the good rows of the file too."""
    for row in table.rows:
        source, method = (row.cells[columns[name]] if name in columns else "" for name in ("source", "method"))
        says_so = INVENTED.partition(", ")[2] in source.casefold()
        invented = says_so or (method or defaults.method).casefold() == INVENTED_METHOD
        if invented and not plan.rehearsal:
            what, cure = (
                "the row is an invented result of a rehearsal, which no trial takes in",
                "name the file of what was really scored",
            )
            column = "source" if says_so else "method"
        elif plan.rehearsal and not says_so:
            what, cure = (
                "the row is not marked as invented, and this folder is a rehearsal, which takes in nothing else",
                "record what was really scored in the trial's own folder",
            )
            column = "source"
        else:
            continue
        raise UserError(Problem(what, cure, file=table.name, line=row.number, column=columns.get(column, "")))


def _cells(table: Table, plan: Plan, columns: dict[str, str]) -> Iterator[_Cell]:
    """Go through the file's values, row by row."""
    names = [response.name for response in plan.responses if response.name in columns]
    for row in table.rows:
        aside = {name: row.cells[columns[name]] for name in _ASIDE if name in columns}
        patch = row.cells[columns["patch"]]
        if "value" in columns:
            response, value = row.cells[columns["response"]], row.cells[columns["value"]]
            yield _Cell(row.number, columns["value"], patch, response, value, aside)
        else:
            for name in names:
                yield _Cell(row.number, columns[name], patch, name, row.cells[columns[name]], aside)


# --- one reading -----------------------------------------------------------------------------------


def _reading(cell: _Cell, plan: Plan, codes: set[str], defaults: Defaults, table: Table) -> dict[str, str]:
    """Return one reading as it is recorded."""
    response = _response(cell, plan)
    aside = {name: text for name, text in cell.aside.items() if text}
    usual = "by eye" if response.kind != "measure" else ""
    return {
        "patch": _code(cell, codes),
        "response": response.name,
        "value": _value(cell, response),
        "assessor": _assessor(aside.get("assessor") or defaults.assessor, plan, response),
        "stage": _stage(aside.get("stage") or defaults.stage, response),
        "repeat": _repeat(aside.get("repeat", "1")),
        "taken_at": _time(aside.get("taken_at", ""), "taken_at"),
        "method": INVENTED_METHOD if plan.rehearsal else aside.get("method") or defaults.method or usual,
        "source": f"{INVENTED}: {table.name}" if plan.rehearsal else table.name,
        "note": aside.get("note", ""),
    }


def _code(cell: _Cell, codes: set[str]) -> str:
    code = cell.patch.strip().removesuffix(".0").removesuffix(",0")
    if not code:
        raise _Fault("the row has a value but no code", "write the patch's three-digit code", "patch")
    if code not in codes:
        raise _Fault(f"no patch of this trial has the code {cell.patch!r}", _likely_code(code, codes), "patch")
    return code


def _likely_code(code: str, codes: set[str]) -> str:
    """Return the code that differs in one digit or a swap of two, if there is just one."""
    swaps = {code[:at] + code[at + 1] + code[at] + code[at + 2 :] for at in range(len(code) - 1)}
    near = [
        known
        for known in sorted(codes)
        if known in swaps or (len(known) == len(code) and sum(a != b for a, b in zip(known, code, strict=True)) == 1)
    ]
    if 0 < len(near) <= 4:
        return "look at the board again; near it are " + ", ".join(near)
    return "look at the board again"


def _response(cell: _Cell, plan: Plan) -> Response:
    for response in plan.responses:
        if response.name == "_".join(cell.response.lower().split()) or response.name == cell.response:
            return response
    names = [response.name for response in plan.responses]
    raise _Fault(f"{cell.response!r} is not a response of the plan", nearest(cell.response, names), "response")


def _value(cell: _Cell, response: Response) -> str:
    text = cell.value
    if response.kind == "yes_no":
        if text.lower() not in _YES_NO:
            raise _Fault(f"{response.words} is {text!r}", "write yes or no", cell.column)
        return _YES_NO[text.lower()]
    value = number(text)
    if value is None or not math.isfinite(value):
        raise _Fault(f"{response.words} is {text!r}, which is not a number", "correct it", cell.column)
    if response.kind == "grade":
        step = 0.5 if response.half_grades else 1.0
        kind = "in whole or half grades" if response.half_grades else "in whole grades"
        if not 1 <= value <= response.grades or value % step:
            raise _Fault(
                f"{response.words} is {text}, but its grades go from 1 to {response.grades} {kind}",
                "look at the form again and correct it",
                cell.column,
            )
    for limit, outside in ((response.low, "below"), (response.high, "above")):
        if limit is not None and (value < limit if outside == "below" else value > limit):
            raise _Fault(
                f"{response.words} is {text}, {outside} the plan's limit of {limit:g}", "correct it", cell.column
            )
    return f"{value:.12g}"


def _assessor(name: str, plan: Plan, response: Response) -> str:
    if response.kind == "measure":
        return name
    if not name:
        if len(plan.assessors) == 1:
            return plan.assessors[0]
        if plan.assessors:
            raise _Fault(
                "it does not say who scored", f"add --assessor with one of {', '.join(plan.assessors)}", "assessor"
            )
        return ""
    if plan.assessors and name not in plan.assessors:
        raise _Fault(
            f"{name!r} is not one of the plan's assessors",
            nearest(name, plan.assessors) + " or add the name to [scoring] in trial.toml",
            "assessor",
        )
    return name


def _stage(stage: str, response: Response) -> str:
    if not stage:
        if len(response.stages) == 1:
            return response.stage
        raise _Fault(
            f"it does not say after which step {response.words} was read",
            f"add --stage with one of {', '.join(response.stages)}",
            "stage",
        )
    if stage not in response.stages:
        known = stage in STAGES
        what = (
            f"{response.words} is not read at stage {stage!r}" if known else f"{stage!r} is not a stage of the work"
        )
        raise _Fault(what, f"the plan reads it at: {', '.join(response.stages)}", "stage")
    return stage


def _repeat(text: str) -> str:
    value = number(text)
    if value is None or value < 1 or value != int(value) or value > 99:
        raise _Fault(f"repeat is {text!r}", "write 1 for the first look, 2 for the second, and so on", "repeat")
    return str(int(value))


def _time(text: str, column: str) -> str:
    if not text:
        return ""
    try:
        return datetime.fromisoformat(text).isoformat()
    except ValueError:
        raise _Fault(f"{text!r} is not a time", "write it as 2026-03-14 15:09 (ISO 8601)", column) from None


def _check_seen_here(here: dict[tuple[str, ...], int], key: tuple[str, ...], cell: _Cell) -> None:
    if key in here:
        first = here[key]
        raise _Fault(
            f"{_reading_words(key)} stands in row {first} already",
            "take one of the two out, or mark a second look with 2 in a column named repeat",
            cell.column,
        )
    here[key] = cell.row


def _check_same(known: tuple[dict[str, str], int], reading: dict[str, str], cell: _Cell) -> None:
    row, at = known
    if row["value"] != reading["value"]:
        raise _Fault(
            f"{_reading_words(tuple(reading[name] for name in KEY))} is recorded as {row['value']} "
            f"(readings.csv row {at}), and this says {reading['value']}",
            "nothing recorded is overwritten: take the row out, or mark a second look with repeat 2",
            cell.column,
        )


def _reading_words(key: tuple[str, ...]) -> str:
    patch, response, assessor, stage, repeat = key
    by = f" by {assessor}" if assessor else ""
    again = f", repeat {repeat}" if repeat != "1" else ""
    return f"{response.replace('_', ' ')} of patch {patch}{by} ({stage}{again})"


# --- bench notes -----------------------------------------------------------------------------------


def check_conditions(table: Table, plan: Plan, patches: pd.DataFrame, recorded: Sequence[dict[str, str]]) -> Checked:
    """Check a file of bench notes: what was done to which board or patch, when, how warm and how damp."""
    if plan.rehearsal:
        what = "these are bench notes, and this folder is a rehearsal, for which no wood was cut"
        raise UserError(Problem(what, "record them in the trial's own folder", file=table.name))
    columns = {_column_name(name): name for name in table.header}
    problems = [
        Problem(
            f"column {name!r} is not known", nearest(name, CONDITION_COLUMNS), file=table.name, line=1, column=name
        )
        for word, name in columns.items()
        if word not in CONDITION_COLUMNS
    ]
    if problems:
        raise UserError(*problems)
    places = {name: {str(value) for value in patches[name]} for name in ("board", "patch")}
    known = {tuple(row[name] for name in CONDITION_COLUMNS) for row in recorded}
    new: list[dict[str, str]] = []
    already = 0
    for row in table.rows:
        try:
            note = _bench_note(row, columns, places)
            key = tuple(note[name] for name in CONDITION_COLUMNS)
            already += key in known
            if key not in known:
                new.append(note)
                known.add(key)
        except _Fault as fault:
            problems.append(Problem(fault.what, fault.cure, file=table.name, line=row.number, column=fault.column))
    return Checked(tuple(new), already, 0, tuple(problems))


def _bench_note(row: Row, columns: dict[str, str], places: dict[str, set[str]]) -> dict[str, str]:
    cells = {name: row.cells[columns[name]] if name in columns else "" for name in CONDITION_COLUMNS}
    if not cells["step"]:
        raise _Fault("the row names no step of the work", "write what was done, such as dye", "step")
    for name in ("board", "patch"):
        if cells[name] and cells[name] not in places[name]:
            raise _Fault(
                f"this trial has no {name} {cells[name]!r}", nearest(cells[name], sorted(places[name])), name
            )
    for name in ("started_at", "ended_at"):
        cells[name] = _time(cells[name], name)
    if cells["started_at"] and cells["ended_at"] and not _in_order(cells["started_at"], cells["ended_at"]):
        raise _Fault("the step ends before it begins", "swap or correct the times", "ended_at")
    for name, low, high, unit in (
        ("temperature_c", -30, 60, "degrees Celsius"),
        ("humidity_pct", 0, 100, "per cent"),
    ):
        if cells[name]:
            value = number(cells[name])
            if value is None or not low <= value <= high:
                raise _Fault(f"{name} is {cells[name]!r}", f"write {unit}, from {low} to {high}", name)
            cells[name] = f"{value:g}"
    return cells


def _in_order(first: str, second: str) -> bool:
    start, end = datetime.fromisoformat(first), datetime.fromisoformat(second)
    if (start.tzinfo is None) != (end.tzinfo is None):
        raise _Fault("one time names its zone and the other does not", "write both alike", "ended_at")
    return start <= end


def still_missing(plan: Plan, patches: pd.DataFrame, recorded: Iterable[dict[str, str]]) -> dict[str, int]:
    """Count for each response the patches without any reading at the stage its questions are answered at."""
    have: dict[str, set[str]] = {response.name: set() for response in plan.responses}
    stages = {response.name: response.stage for response in plan.responses}
    for row in recorded:
        if row["response"] in have and row["stage"] == stages[row["response"]]:
            have[row["response"]].add(row["patch"])
    return {name: len(patches) - len(codes) for name, codes in have.items()}
