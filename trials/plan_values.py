"""What a plan decides, value by value, each with its place: what two plans are compared by.

Titles, notes, steps and names of assessors decide nothing and have no place here. A value is the same whatever unit,
order or default it is written with.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from trials import brief as briefs
from trials.errors import UserError
from trials.plan import Model, Plan, response_of

Place = tuple[str, ...]
"""Where something stands in a plan, such as ("response", "darkness", "aim")."""
Values = dict[Place, tuple[Any, str]]
"""By place a value and its unit."""
GIVEN = "given"
"""The value of what is there or is not, such as a whole table."""

_Keys = Mapping[Any, tuple[str, str]]
_BOARDS: _Keys = {
    "lots": ("lots", ""), "length_mm": ("length", "mm"), "width_mm": ("width", "mm"), "lanes": ("lanes", ""),
    "strips": ("strips", ""), "margin_mm": ("margin", "mm"), "guard_mm": ("guard", "mm"),
    "label_end_mm": ("label_end", "mm"),
}  # fmt: skip
_FACTOR: _Keys = {"levels": ("levels", ""), "laid_on": ("laid_on", "")}
_RESPONSE: _Keys = {
    key: (key, "") for key in ("kind", "grades", "half_grades", "unit", "low", "high", "aim", "stages")
}  # fmt: skip
_ANCHORS: _Keys = {grade: (str(grade), "") for grade in range(1, 101)}
_PREFERENCE: _Keys = {key: (key, "") for key in ("kind", "factor", "ask", "stage", "pairs")}
_PIECE: _Keys = {
    "return_s": ("return_time", "s"), "rate_m2_min": ("rate", "m²/min"), "hands": ("hands", ""), "risk": ("risk", ""),
}  # fmt: skip
_LAP: _Keys = {
    "pad_mm": ("pad", "mm"), "overlap_mm": ("overlap", "mm"), "dose_ml_m2": ("dose", "mL/m²"),
    "across": ("across", ""),
}  # fmt: skip
_COSTS: _Keys = {
    "area_m2": ("area", "m²"), "rate": ("rate", ""), "currency": ("currency", ""), "day_value": ("day_value", ""),
    "waste": ("waste", ""), "rework_hours": ("rework", "h"), "rework_material": ("rework_material", ""),
    "rework_risk": ("rework_risk", ""),
}  # fmt: skip
_COST_STEP: _Keys = {
    "liquid": ("liquid", ""), "coats": ("coats", ""), "touch_h": ("hands", "h"), "elapsed_h": ("elapsed", "h"),
    "days": ("stands", "days"), "consumables": ("consumables", ""), "only": ("only", ""),
}  # fmt: skip
_ALL = (_BOARDS, _FACTOR, _RESPONSE, _PREFERENCE, _PIECE, _LAP, _COSTS, _COST_STEP)
KEYS = {"anchors"} | {key for keys in _ALL for key, _ in keys.values()}
"""Keys of trial.toml that a table always has, but in an older record."""


def by_place(plan: Mapping[str, Any]) -> Values:
    """Return what a plan decides, but for its questions: by place its value and unit."""
    found = _table(plan["boards"], _BOARDS, "boards")
    for one in plan["factors"]:
        found |= _table(one, _FACTOR, "factor", one["name"])
    found |= {("exclude", _levels(one["levels"])): (GIVEN, "") for one in plan.get("exclusions", ())}
    found |= {("control", one["name"], one["laid_on"]): (one["count"], "") for one in plan.get("controls", ())}
    for one in plan.get("unusable", ()):
        found["unusable", *(f"{kind} {one[kind]}" for kind in ("board", "lane", "strip"))] = (GIVEN, "")
    for key, value in (asdict(Model()) | plan.get("model", {})).items():
        names = [":".join(sorted(one)) if key == "interactions" else one for one in value or ()]
        found["model", key] = (value if value is None or isinstance(value, str) else sorted(names), "")
    found["added",] = (list(plan.get("added", ())), "")
    for one in plan.get("responses", ()):
        aim = {"aim": one["target"]} if one.get("target") is not None else {}
        ends = {} if one.get("kind") == "measure" else {"low": None, "high": None}  # else they follow from the kind
        found |= _table(one | aim | ends, _RESPONSE, "response", one["name"])
        if "anchors" in one:
            found |= _table(dict(enumerate(one["anchors"], start=1)), _ANCHORS, "response", one["name"], "anchors")
    for one in plan.get("preferences", ()):
        found |= _table(one | {"kind": "preference"}, _PREFERENCE, "response", one["name"])
    found |= _brief(plan)
    if plan.get("piece"):
        waits = [plan["piece"][key] for key in ("return_s", "helper_s")]
        found |= _table(plan["piece"] | {"return_s": waits}, _PIECE, "piece")
    if plan.get("lap"):
        found |= _table(plan["lap"], _LAP, "lap")
    if plan.get("costs"):
        found |= _costs(plan["costs"], plan.get("steps", ()))
    found["analysis", "grades"] = (plan.get("grades", Plan.grades), "")
    for one in plan.get("spreads", ()):
        found |= {("spread", one["response"], piece): (size, "") for piece, size in one["pieces"]}
    return found


def _table(values: Mapping[Any, Any], keys: _Keys, *place: str) -> Values:
    """Return that a table is there, and its values by their keys in trial.toml; an older record lacks some."""
    found = {(*place, key): (values[name], unit) for name, (key, unit) in keys.items() if name in values}
    return {place: (GIVEN, "")} | found


def _levels(named: Iterable[tuple[str, Sequence[str]]]) -> str:
    return " with ".join(sorted(f"{name} {' or '.join(sorted(levels))}" for name, levels in named))


def _brief(plan: Mapping[str, Any]) -> Values:
    lines = list(plan.get("brief", ()))
    if not lines:
        return {}
    try:
        read = briefs.read([response_of(one) for one in plan.get("responses", ())], lines)
    except UserError:  # it is about a response that has become another one: then the lines themselves
        return {("brief", str(at)): (line, "") for at, line in enumerate(lines, start=1)}
    ends = {one.response.name: (one.low, one.high) for one in read.conditions}
    return {
        ("brief", name, key): (end, "")
        for name, both in ends.items()
        for key, end in zip(("at least", "at most"), both, strict=True)
        if math.isfinite(end)
    }


def _costs(costs: Mapping[str, Any], steps: Sequence[Mapping[str, Any]]) -> Values:
    own = {step["name"]: step.get("only", ()) for step in steps}
    found = _table(costs, _COSTS, "costs")
    for key, name, unit in (("price", "prices", ""), ("coverage", "coverage", "m²/L")):
        found |= {("costs", key, liquid): (amount, unit) for liquid, amount in costs.get(name, ())}
    for step in costs.get("steps", ()):
        only = _levels(step.get("only") or own.get(step["name"], ()))
        found |= _table(step | {"only": only}, _COST_STEP, "costs", "step", step["name"])
    return found
