"""Which factor and response of a plan a curve is about: return time, dye load, carrier, lap, darkness."""

from __future__ import annotations

from trials.plan import Factor, Plan, Response


def return_time(plan: Plan) -> Factor | None:
    """Return the factor of return times: amounts of time, of a plan with laps or by its own name.

    A glaze's dwell is a time too, so that where the plan does not say how laps are made the factor's name must
    speak of a return.
    """
    timed = [factor for factor in plan.factors if factor.unit == "min" and factor.amounts is not None]
    named = [factor for factor in timed if "return" in factor.name or "lap" in factor.name]
    if named:
        return named[0]
    on_strips = [factor for factor in timed if factor.laid_on == "strip"]
    return on_strips[0] if plan.lap is not None and on_strips else None


def dye_load(plan: Plan) -> Factor | None:
    """Return the factor whose levels are loads of dye, in g/L."""
    return next((factor for factor in plan.factors if factor.unit == "g/L" and factor.amounts is not None), None)


def carrier(plan: Plan) -> Factor | None:
    """Return the factor of carriers: the one of that name, or the only one laid on boards whose levels are words."""
    in_words = [factor for factor in plan.factors if factor.amounts is None]
    named = [factor for factor in in_words if factor.name == "carrier"]
    on_boards = [factor for factor in in_words if factor.laid_on == "board"]
    if named:
        return named[0]
    return on_boards[0] if len(on_boards) == 1 else None


def laps(plan: Plan, name: str | None = None) -> Response | None:
    """Return the response that says how much a lap shows: of that name, or one called lap_something, grades first."""
    found = [one for one in plan.responses if one.name == name or (name is None and one.is_of_laps)]
    return min(found, key=lambda one: one.kind == "measure", default=None)


def darkness(plan: Plan, name: str | None = None) -> Response | None:
    """Return the response that says how dark it came out: of that name, or L* or Y measured, or called darkness."""
    if name is not None:
        return next((one for one in plan.responses if one.name == name), None)
    measured = [one for one in plan.responses if one.unit in ("L*", "Y") and not one.is_of_laps]
    called = [one for one in plan.responses if one.name.startswith("dark") and one.kind in ("measure", "grade")]
    return next(iter([*measured, *called]), None)
