"""datapackage.json: the tables of a trial described by Data Package version 2 (published 2024-06-26).

Pure: tables and their bytes in, plain values out. The standard has no property for a column's unit, so
the unit stands in the field's name or description. Levels and names of responses stand both among a field's
``categories`` and in its ``enum``, because checkers of version 1 know the latter alone.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from trials.csv_text import APOSTROPHE, neutral
from trials.plan import STAGES, Plan, Response

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
DIALECT = {
    "header": True,
    "delimiter": ",",
    "lineTerminator": "\n",
    "quoteChar": '"',
    "doubleQuote": True,
    "skipInitialSpace": False,
}
"""How the csv files are written, said in full, so that no reader has to guess it."""


@dataclass(frozen=True)
class Table:
    """One csv file of the package: its name there, what it holds, its bytes and its columns."""

    path: str
    title: str
    data: bytes
    fields: list[dict[str, Any]]
    key: tuple[str, ...] = ()
    refers_to_layout: bool = False


def describe(
    plan: Plan, folder_name: str, created: str, tables: Sequence[Table], kept: dict[str, Any]
) -> dict[str, Any]:
    """Return the whole description.

    Parameters
    ----------
    created : when the boards were laid out, RFC 3339.
    kept : properties of our own (``splitboard:…``), passed through.
    """
    return {
        "$schema": PROFILE,
        "name": _slug(folder_name),
        "title": plan.title,
        "description": plan.about or plan.title,
        "created": created,
        "resources": [_resource(table) for table in tables],
        **kept,
    }


def _resource(table: Table) -> dict[str, Any]:
    fields = _fields_there(table)
    schema: dict[str, Any] = {"fields": fields, "missingValues": [""]}
    if table.key:
        schema["primaryKey"] = list(table.key)
    if table.refers_to_layout:
        names = [field["name"] for field in fields if field["name"] in ("patch", "against")]
        schema["foreignKeys"] = [
            {"fields": [name], "reference": {"resource": "layout", "fields": ["patch"]}} for name in names
        ]
    return {
        "name": table.path.removesuffix(".csv"),
        "title": table.title,
        "description": APOSTROPHE,
        "path": table.path,
        "type": "table",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "dialect": dict(DIALECT),
        "bytes": len(table.data),
        "hash": f"sha256:{sha256(table.data)}",
        "schema": schema,
    }


def _fields_there(table: Table) -> list[dict[str, Any]]:
    """Return the fields the file has, for one from before a column was thought of lacks it.

    A file that another program saved in its own way is described by all of them, as it was written.
    """
    text = table.data.decode("utf-8-sig", errors="replace")
    header = next(csv.reader(io.StringIO(text, newline="")), [])
    if not {*header} <= {field["name"] for field in table.fields}:
        return [_as_written(field) for field in table.fields]
    return [_as_written(field) for field in table.fields if field["name"] in header]


def _as_written(field: dict[str, Any]) -> dict[str, Any]:
    """Return a field with its list of words as they stand in the file; its name, an identifier, is never run."""
    if "categories" not in field:
        return field
    words = [neutral(word) for word in field["categories"]]
    return field | {"categories": words, "constraints": field["constraints"] | {"enum": words}}


def layout_fields(plan: Plan) -> list[dict[str, Any]]:
    """Return the columns of layout.csv."""
    fields = [
        _whole("patch", "blind three-digit code", required=True),
        _whole("lot", "boards sawn from one plank or flitch", required=True),
        _whole("board", "board number", required=True),
        _whole("lane", "division along the grain, from the fixed edge", required=True),
        _whole("strip", "division across the grain, from the label end", required=True),
        _whole("board_order", "place of the board in the order of work", required=True),
    ]
    for factor in plan.factors:
        text = f"{factor.words}, laid on {factor.laid_on}; empty on a control"
        fields.append(_one_of(factor.name, text, factor.levels, ordered=bool(factor.amounts)))
    controls = dict.fromkeys(control.name for control in plan.controls)
    return [*fields, _one_of("control", "name of the control; empty if treated", tuple(controls))]


def reading_fields(plan: Plan, withdrawals: bool = True) -> list[dict[str, Any]]:
    """Return the columns of readings.csv.

    Parameters
    ----------
    plan : whose responses and paired comparisons may be read.
    withdrawals : whether a row may withdraw another one; where none does, every row needs a value.
    """
    asked = (*(response.name for response in plan.responses), *(one.name for one in plan.preferences))
    scales = [f"{response.name}: {scale(response)}" for response in plan.responses]
    scales += [
        f"{one.name}: 1 where the left of the pair was chosen, 0 where the right was" for one in plan.preferences
    ]
    value = "; ".join(["the value", *scales])
    return [
        _whole("patch", "blind code of the patch; of a pair, the one on the left", required=True),
        _one_of("response", "what was scored, measured or compared", asked, required=True),
        _field("value", "number", f"{value}; empty in a row that withdraws another", required=not withdrawals),
        _field("assessor", "string", "who scored, or which instrument"),
        _one_of("stage", "after which step of the work", STAGES, ordered=True),
        _whole("repeat", "1 for the first reading of its kind, 2 for the second, …"),
        _field("taken_at", "string", "when the reading was taken, ISO 8601"),
        _field("method", "string", "how it was taken"),
        _field("source", "string", "the file it came in"),
        _field("note", "string", "a remark"),
        _whole("against", "of a pair, blind code of the other patch, the one on the right"),
        _whole(
            "supersedes",
            "the row of this file that this one corrects, counted with the header as row 1; the row corrected counts "
            "no longer, and without a value here it is withdrawn",
            least=2,
        ),
        _field("reason", "string", "why it was corrected"),
    ]


def scale(response: Response) -> str:
    """Return in words what a response's values are."""
    if response.kind == "yes_no":
        return "1 for yes, 0 for no"
    if response.kind == "grade":
        return f"grades from 1 to {response.grades}" + (", halves too" if response.half_grades else "")
    return f"measured in {response.unit}" if response.unit else "measured, without a unit"


def condition_fields() -> list[dict[str, Any]]:
    """Return the columns of conditions.csv."""
    return [
        _whole("board", "board it was done to"),
        _whole("patch", "patch it was done to, where it was one"),
        _field("step", "string", "step of the work", required=True),
        _field("started_at", "string", "when it began, ISO 8601"),
        _field("ended_at", "string", "when it ended, ISO 8601"),
        _field("temperature_c", "number", "air temperature, degrees Celsius"),
        _field("humidity_pct", "number", "relative humidity, per cent", minimum=0, maximum=100),
        _field("note", "string", "a remark"),
    ]


def _field(name: str, kind: str, text: str, required: bool = False, **limits: float) -> dict[str, Any]:
    """Return one field; `limits` are the standard's own constraints."""
    constraints: dict[str, Any] = ({"required": True} if required else {}) | limits
    return {"name": name, "type": kind, "description": text} | ({"constraints": constraints} if constraints else {})


def _whole(name: str, text: str, required: bool = False, least: int = 1) -> dict[str, Any]:
    return _field(name, "integer", text, required, minimum=least)


def _one_of(
    name: str, text: str, words: Sequence[str], required: bool = False, ordered: bool = False
) -> dict[str, Any]:
    """Return a field that holds one of these words, or any text where there are none."""
    field = _field(name, "string", text, required)
    if words:
        field["categories"] = list(words)
        field["constraints"] = field.get("constraints", {}) | {"enum": list(words)}
    if words and ordered:
        field["categoriesOrdered"] = True
    return field


def _slug(text: str) -> str:
    word = "".join(letter if letter.isascii() and letter.isalnum() else "-" for letter in text.lower()).strip("-")
    return word or "trial"


def sha256(data: bytes) -> str:
    """Return the SHA-256 of some bytes in hexadecimal."""
    return hashlib.sha256(data).hexdigest()
