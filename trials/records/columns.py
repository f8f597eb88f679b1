"""Which column of a file of results holds what."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from trials import csv_source
from trials.csv_source import Table
from trials.errors import Problem, UserError, spelt_like
from trials.plan import INVENTED, Plan

_OTHER_NAMES = {
    "code": "patch", "left": "patch", "right": "against", "rater": "assessor", "remark": "note", "remarks": "note",
    "notes": "note", "comment": "note", "comments": "note", "bemerkung": "note", "bemerkungen": "note",
    "anmerkung": "note", "anmerkungen": "note", "date": "taken_at", "why": "reason",
}  # fmt: skip
ASIDE = ("assessor", "stage", "repeat", "taken_at", "method", "note", "source", "against", "reason", "supersedes")
"""What may stand beside a value."""

INVENTED_METHOD = "invented"
"""How the readings of a rehearsal or an example were taken."""


@dataclass(frozen=True)
class Cell:
    """One value of the file on its way to becoming a reading.

    Attributes
    ----------
    row, column : where it stands in the file.
    long : whether the row holds this value alone.
    aside : what stands beside it, by our name.
    """

    row: int
    column: str
    patch: str
    response: str
    value: str
    long: bool
    aside: dict[str, str]


def column_name(name: str) -> str:
    """Return our name for a column as a person may have written it."""
    word = csv_source.column_name(name)
    return _OTHER_NAMES.get(word, word)


def find(table: Table, plan: Plan, instrument: Mapping[str, str]) -> tuple[dict[str, str], tuple[str, ...]]:
    """Return which column of the file holds what: our name to the file's; and what is said of columns not known.

    A column that is not known is left unread, or is the note where it holds text; one that is spelt almost like a
    column that lacks is a fault, lest its values be lost.

    Parameters
    ----------
    instrument : the columns of an instrument, such as ``L*``, and the responses that they are readings of.

    Raises
    ------
    UserError
        A column is misspelt or stands twice, or there is none for the codes or for any response.
    """
    responses = [response.name for response in plan.responses]
    if not responses and not plan.preferences:
        raise UserError(Problem("the plan names no response, so there is nothing to take in", "add a [[response]]",
                                file="trial.toml"))  # fmt: skip
    by_lower = {name.lower(): name for name in responses} | {
        column.lower(): response for column, response in instrument.items()
    }
    found: dict[str, str] = {}
    problems, unknown = [], []
    file, top = table.name, table.header_row
    long = {"response", "value"} <= {column_name(name) for name in table.header}
    known = ["patch", *ASIDE, *(("response", "value") if long else responses)]
    for name in table.header:
        word = column_name(name)
        ours = by_lower.get(name.lower(), by_lower.get(word, word))
        if ours not in known:
            unknown.append(name)
        elif ours in found:
            what = f"columns {found[ours]!r} and {name!r} mean the same"
            problems.append(Problem(what, "take one out", file=file, line=top))
        else:
            found[ours] = name
    for name in list(unknown):
        if meant := spelt_like(column_name(name), [one for one in known if one not in found]):
            problems.append(
                Problem(f"column {name!r} is not known", f"write {meant!r}", file=file, line=top, column=name)
            )
            found[meant] = name
            unknown.remove(name)
    if "patch" not in found:
        what = "there is no column with the patches' codes"
        problems.append(Problem(what, csv_source.cure_for_codes(table), file=file, line=top))
    elif not long and not any(name in found for name in responses):
        what = f"there is no column for any response of the plan ({', '.join(responses)})"
        problems.append(Problem(what, "name the columns as in the plan", file=file, line=top))
    if problems:
        raise UserError(*problems)
    said = []
    note = next((name for name in unknown if "note" not in found and _is_text(table, name)), None)
    if note is not None:
        found["note"] = note
        said.append(f"{file}: column {note!r} is taken as the note.")
    if left := [repr(name) for name in unknown if name != note]:
        said.append(f"{file}: left unread, as the trial knows no such column: {', '.join(left)}.")
    return found, tuple(said)


def _is_text(table: Table, name: str) -> bool:
    """Whether a column holds remarks: text somewhere and a number nowhere."""
    written = [row.cells[name] for row in table.rows if row.cells[name]]
    return bool(written) and all(csv_source.number(text) is None for text in written)


def check_origin(table: Table, plan: Plan, columns: dict[str, str], usual_method: str) -> None:
    """Keep invented rows out of a trial and real ones out of a rehearsal, the good rows of the file too.

    An example takes in any row, and marks it as it marks its own.
    """
    for row in table.rows:
        source, method = (row.cells[columns[name]] if name in columns else "" for name in ("source", "method"))
        says_so = INVENTED in source.casefold()
        invented = says_so or (method or usual_method).casefold() == INVENTED_METHOD
        if invented and not plan.mark:
            what, cure = (
                "the row is an invented result, which no trial takes in",
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


def cells(table: Table, plan: Plan, columns: dict[str, str]) -> Iterator[Cell]:
    """Go through the file's values, row by row."""
    names = [response.name for response in plan.responses if response.name in columns]
    for row in table.rows:
        aside = {name: row.cells[columns[name]] for name in ASIDE if name in columns}
        patch = row.cells[columns["patch"]]
        if "value" in columns:
            response, value = row.cells[columns["response"]], row.cells[columns["value"]]
            yield Cell(row.number, columns["value"], patch, response, value, True, aside)
        else:
            for name in names:
                yield Cell(row.number, columns[name], patch, name, row.cells[columns[name]], False, aside)
