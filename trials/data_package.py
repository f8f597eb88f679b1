"""datapackage.json: the tables of a trial described by Data Package version 2 (published 2024-06-26).

Pure: tables and their bytes in, plain values out. The standard has no property for a column's unit, so
the unit stands in the field's name or description.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from trials.plan import Plan

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"


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
    schema: dict[str, Any] = {"fields": table.fields, "missingValues": [""]}
    if table.key:
        schema["primaryKey"] = list(table.key)
    if table.refers_to_layout:
        schema["foreignKeys"] = [{"fields": ["patch"], "reference": {"resource": "layout", "fields": ["patch"]}}]
    return {
        "name": table.path.removesuffix(".csv"),
        "title": table.title,
        "path": table.path,
        "type": "table",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": len(table.data),
        "hash": f"sha256:{sha256(table.data)}",
        "schema": schema,
    }


def layout_fields(plan: Plan) -> list[dict[str, Any]]:
    """Return the columns of layout.csv."""
    fields: list[dict[str, Any]] = [
        {"name": "patch", "type": "integer", "description": "blind three-digit code"},
        {"name": "lot", "type": "integer", "description": "boards sawn from one plank or flitch"},
        {"name": "board", "type": "integer", "description": "board number"},
        {"name": "lane", "type": "integer", "description": "division along the grain, from the fixed edge"},
        {"name": "strip", "type": "integer", "description": "division across the grain, from the label end"},
        {"name": "board_order", "type": "integer", "description": "place of the board in the order of work"},
    ]
    for factor in plan.factors:
        field: dict[str, Any] = {"name": factor.name, "type": "string", "categories": list(factor.levels)}
        field["description"] = f"{factor.words}, laid on {factor.laid_on}"
        if factor.amounts:
            field["categoriesOrdered"] = True
        fields.append(field)
    return [*fields, {"name": "control", "type": "string", "description": "name of the control; empty if treated"}]


def reading_fields(plan: Plan) -> list[dict[str, Any]]:
    """Return the columns of readings.csv."""
    described = {
        "patch": "blind code of the patch",
        "response": "what was scored or measured",
        "value": "the value; yes is 1 and no is 0",
        "assessor": "who scored, or which instrument",
        "stage": "after which step of the work",
        "repeat": "1 for the first reading of its kind, 2 for the second, …",
        "taken_at": "when the reading was taken",
        "method": "how it was taken",
        "source": "the file it came in",
        "note": "a remark",
    }
    kinds = {"patch": "integer", "value": "number", "repeat": "integer"}
    fields: list[dict[str, Any]] = [
        {"name": name, "type": kinds.get(name, "string"), "description": text} for name, text in described.items()
    ]
    next(field for field in fields if field["name"] == "response")["categories"] = [
        response.name for response in plan.responses
    ]
    return fields


def condition_fields() -> list[dict[str, Any]]:
    """Return the columns of conditions.csv."""
    described = {
        "board": ("integer", "board it was done to"),
        "patch": ("integer", "patch it was done to, where it was one"),
        "step": ("string", "step of the work"),
        "started_at": ("string", "when it began"),
        "ended_at": ("string", "when it ended"),
        "temperature_c": ("number", "air temperature, degrees Celsius"),
        "humidity_pct": ("number", "relative humidity, per cent"),
        "note": ("string", "a remark"),
    }
    return [{"name": name, "type": kind, "description": text} for name, (kind, text) in described.items()]


def _slug(text: str) -> str:
    word = "".join(letter if letter.isascii() and letter.isalnum() else "-" for letter in text.lower()).strip("-")
    return word or "trial"


def sha256(data: bytes) -> str:
    """Return the SHA-256 of some bytes in hexadecimal."""
    return hashlib.sha256(data).hexdigest()
