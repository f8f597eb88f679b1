"""One value of a file made into a reading as it is recorded, or the fault that keeps it from being one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from trials.cells import Fault, repeat, time, value
from trials.errors import nearest
from trials.plan import STAGES, Plan, Preference, Response
from trials.records.columns import INVENTED_METHOD, Cell

_SIDES = {"left": "1", "1": "1", "right": "0", "0": "0"}


@dataclass(frozen=True)
class Defaults:
    """What the person at the keyboard says of the whole file, for cells the file leaves out."""

    assessor: str = ""
    stage: str = ""
    method: str = ""


def reading(
    cell: Cell, plan: Plan, patches: Mapping[str, Mapping[str, Any]], defaults: Defaults, source: str
) -> dict[str, str]:
    """Return one reading as it is recorded.

    Parameters
    ----------
    patches : the layout's rows by code.
    source : the file it comes from.

    Raises
    ------
    Fault
    """
    response = _response(cell, plan)
    aside = {name: text for name, text in cell.aside.items() if text}
    if "supersedes" in aside:
        what, cure = "the row already is a correction, of another file", "name the readings that stand alone"
        raise Fault(what, cure, "supersedes")
    usual = "" if isinstance(response, Response) and response.kind == "measure" else "by eye"
    code = _code(cell.patch, patches, "patch")
    method = aside.get("method") or defaults.method or usual
    return {
        "patch": code,
        "response": response.name,
        "value": _recorded(cell, response) if cell.value else "",
        "assessor": _assessor(aside.get("assessor") or defaults.assessor, plan, response),
        "stage": _stage(aside.get("stage") or defaults.stage, response),
        "repeat": repeat(aside.get("repeat", "1")),
        "taken_at": time(aside.get("taken_at", ""), "taken_at"),
        "method": INVENTED_METHOD if plan.mark else method,
        "source": f"{plan.mark}: {source}" if plan.mark else source,
        "note": aside.get("note", ""),
        "against": _against(aside.get("against", ""), code, plan, response, patches),
        "supersedes": "",
        "reason": aside.get("reason", ""),
    }


# --- codes -----------------------------------------------------------------------------------------


def _code(written: str, patches: Mapping[str, Any], column: str) -> str:
    code = written.strip().removesuffix(".0").removesuffix(",0")
    if not code:
        raise Fault("the row has a value but no code", "write the patch's three-digit code", column)
    if code not in patches:
        raise Fault(f"no patch of this trial has the code {written!r}", lambda: _likely_code(code, patches), column)
    return code


def _likely_code(code: str, codes: Mapping[str, Any]) -> str:
    """Return the codes that differ in one digit or a swap of two."""
    if len(code) != 3:
        return "look at the board again"
    swaps = {code[:at] + code[at + 1] + code[at] + code[at + 2 :] for at in range(len(code) - 1)}
    near = [
        known
        for known in sorted(codes)
        if known in swaps or sum(a != b for a, b in zip(known, code, strict=True)) == 1
    ]
    if len(near) == 1:
        return f"it is most likely {near[0]}: look at the board again"
    if 0 < len(near) <= 4:
        return "look at the board again; near it are " + ", ".join(near)
    return "look at the board again"


def _against(
    written: str, code: str, plan: Plan, response: Response | Preference, patches: Mapping[str, Mapping[str, Any]]
) -> str:
    """Return the other patch of a comparison: a pair that the comparison is about, which the plan decides."""
    if isinstance(response, Response):
        if written:
            what = f"{response.words} is read patch by patch, but the row compares {code} with {written}"
            raise Fault(what, "leave the column against empty", "against")
        return ""
    if not written:
        what = f"{response.words} compares two patches, and the row names one"
        raise Fault(what, "write the patch at the left under patch and the one at the right under against", "against")
    other = _code(written, patches, "against")
    one, two = patches[code], patches[other]
    alike = all(one[factor.name] == two[factor.name] for factor in plan.factors if factor.name != response.factor)
    if one["control"] or two["control"] or not alike or one[response.factor] == two[response.factor]:
        what = f"{code} and {other} are no pair of this comparison"
        raise Fault(what, "look at the labels and at the scoring page again", "against")
    return other


# --- values ----------------------------------------------------------------------------------------


def _response(cell: Cell, plan: Plan) -> Response | Preference:
    every: list[Response | Preference] = [*plan.responses, *plan.preferences]
    for response in every:
        if response.name == "_".join(cell.response.lower().split()) or response.name == cell.response:
            return response
    names = [response.name for response in every]
    raise Fault(f"{cell.response!r} is not a response of the plan", lambda: nearest(cell.response, names), "response")


def _recorded(cell: Cell, response: Response | Preference) -> str:
    return _side(cell) if isinstance(response, Preference) else value(cell.value, response, cell.column)


def _side(cell: Cell) -> str:
    if cell.value.lower() not in _SIDES:
        what = f"the choice is {cell.value!r}"
        raise Fault(what, "write left (1) or right (0); there are no ties", cell.column)
    return _SIDES[cell.value.lower()]


# --- who, when, how often --------------------------------------------------------------------------


def _assessor(name: str, plan: Plan, response: Response | Preference) -> str:
    if isinstance(response, Response) and response.kind == "measure":
        return name
    if not name:
        if len(plan.assessors) == 1:
            return plan.assessors[0]
        if plan.assessors:
            raise Fault(
                "it does not say who scored", f"add --assessor with one of {', '.join(plan.assessors)}", "assessor"
            )
        return ""
    if plan.assessors and name not in plan.assessors:
        raise Fault(
            f"{name!r} is not one of the plan's assessors",
            lambda: nearest(name, plan.assessors) + " or add the name to [scoring] in trial.toml",
            "assessor",
        )
    return name


def _stage(stage: str, response: Response | Preference) -> str:
    stages = (response.stage,) if isinstance(response, Preference) else response.stages
    if not stage:
        if len(stages) == 1:
            return stages[0]
        raise Fault(
            f"it does not say after which step {response.words} was read",
            f"add --stage with one of {', '.join(stages)}",
            "stage",
        )
    if stage not in stages:
        known = stage in STAGES
        what = (
            f"{response.words} is not read at stage {stage!r}" if known else f"{stage!r} is not a stage of the work"
        )
        raise Fault(what, f"the plan reads it at: {', '.join(stages)}", "stage")
    return stage
