"""Which load is dark enough, and how many times the load one carrier needs of another: asked of a trial."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from analysis.curves.columns import ALL
from analysis.curves.dose import GroupLine, Target, basis, crossing, dose_row
from analysis.curves.drawn import no_loads
from analysis.curves.lines import NOT_PARALLEL, as_strength, strength_notes
from analysis.curves.ratio import fieller
from analysis.curves.trial_lines import (
    Lines,
    curve_of,
    estimates_of,
    lines_of,
    points_of,
    quantile_of,
    rows_of,
    unit_of,
)
from trials.errors import UserError
from trials.folder import Trial


@dataclass(frozen=True)
class LoadNeeded:
    """The load of one carrier that reaches a target, in g/L with 95 % limits; NaN where `within` is false.

    `beyond` is ``more`` or ``less`` where it would take more or less than was tried, else empty.
    """

    carrier: str
    load: float
    lower: float
    upper: float
    within: bool
    sentence: str
    beyond: str = ""


@dataclass(frozen=True)
class DarkEnough:
    """Which loads reach a target, and the answer in one sentence; no loads where nothing can be told.

    Attributes
    ----------
    response, unit : what the target is of, and what it is counted in.
    points : what the lines were fitted to, one row a patch, or a board where patches were averaged first: carrier,
        load (g/L), value (the response's own scale).
    curve : the fitted lines within the loads tried with each carrier, which pass through the loads found: the same
        columns. Like `points` without rows where nothing can be told.
    """

    response: str
    target: float
    loads: tuple[LoadNeeded, ...]
    sentence: str
    notes: tuple[str, ...] = ()
    unit: str = ""
    points: pd.DataFrame = field(default_factory=no_loads, compare=False, repr=False)
    curve: pd.DataFrame = field(default_factory=no_loads, compare=False, repr=False)


@dataclass(frozen=True)
class CarrierStrength:
    """How many times the load of `reference` a carrier needs for the same darkness, with 95 % limits.

    Limits of 0 and infinity where the readings set none.
    """

    carrier: str
    reference: str
    times: float
    lower: float
    upper: float
    sentence: str


@dataclass(frozen=True)
class Strength:
    """What a trial says of the strength of its carriers.

    Attributes
    ----------
    carriers : one each besides the reference; empty where nothing can be told.
    parallel_p, linear_p : of the tests of equal slopes and of straight lines, NaN where there is nothing to test.
    sentence : the answer, or why there is none.
    notes : what a reader has to know.
    unit, points, curve : as those of `DarkEnough`; here all lines are parallel.
    """

    response: str
    carriers: tuple[CarrierStrength, ...]
    parallel_p: float
    linear_p: float
    sentence: str
    notes: tuple[str, ...] = ()
    unit: str = ""
    points: pd.DataFrame = field(default_factory=no_loads, compare=False, repr=False)
    curve: pd.DataFrame = field(default_factory=no_loads, compare=False, repr=False)


def dark_enough(trial: Trial, target: float, *, response: str | None = None) -> DarkEnough:
    """Find the load of each carrier that reaches a target darkness.

    Parameters
    ----------
    target : on the response's own scale, e.g. an L* of 38.
    response : its name; the lightness measured, else a darkness, if not given.
    """
    try:
        lines = lines_of(trial, response)
        wanted = Target(
            float(lines.scale.there(target)), "g/L", lambda value: lines.scale.words(lines.scale.back(value))
        )
        rows = [_load_row(lines, name, wanted) for name in lines.names]
        curve = curve_of(lines, also={str(row["group"]): [float(str(row["dose"]))] for row in rows})
    except UserError as error:
        return DarkEnough("", target, (), f"Which load is dark enough cannot be told: {error.problems[0].what}.")
    loads = tuple(_load(row, lines.scale.words(target)) for row in rows)
    text = "; ".join(load.sentence for load in loads)
    return DarkEnough(
        lines.response.name, target, loads, text[:1].upper() + text[1:] + ".", (*lines.notes, *_allowed_for(lines)),
        unit_of(lines.response), points_of(lines), curve,
    )  # fmt: skip


def strength(trial: Trial, *, reference: str | None = None, response: str | None = None) -> Strength:
    """Compare the loads that carriers need for the same darkness.

    Parameters
    ----------
    reference : the carrier held to be 1; the first of the plan if not given.
    response : as `dark_enough`.
    """
    try:
        lines = lines_of(trial, response)
        if lines.carrier is None or len(lines.names) < 2:
            raise UserError("one carrier only was read")
        base = lines.names[0] if reference is None else reference
        if base not in lines.names:
            raise UserError(f"no patch with the carrier {base} was read")
        found = {name: _strength_of(lines, name, base) for name in lines.names if name != base}
        curve = curve_of(lines)
    except UserError as error:
        why = error.problems[0].what
        return Strength("", (), math.nan, math.nan, f"How strong the carriers are cannot be told: {why}.")
    table = pd.DataFrame([{"group": name} | row for name, row in found.items()])
    carriers = tuple(_carrier_strength(name, base, row) for name, row in found.items())
    notes = (*lines.notes, *strength_notes(table, lines.parallel_p, lines.linear_p))
    sentence = "; ".join(one.sentence for one in carriers)
    if lines.parallel_p < NOT_PARALLEL:
        sentence += ", but the lines are not parallel, so this holds about the middle of the loads only"
    return Strength(
        lines.response.name,
        carriers,
        lines.parallel_p,
        lines.linear_p,
        sentence[:1].upper() + sentence[1:] + ".",
        notes,
        unit_of(lines.response),
        points_of(lines),
        curve,
    )


# --- answers ---------------------------------------------------------------------------------------


def _load_row(lines: Lines, name: str, wanted: Target) -> dict[str, object]:
    rows = rows_of(lines.widest, lines.carrier, name, own=lines.own, bent=lines.bent)
    estimates, covariance = estimates_of(lines.widest, rows)
    line = GroupLine(name, estimates, covariance, lines.tried[name], lines.centre)
    near = basis(np.array([crossing(line, wanted.value)[0]]), lines.centre)[0, : len(rows)]
    return dose_row(line, wanted, quantile_of(lines.widest, near @ rows))


def _allowed_for(lines: Lines) -> list[str]:
    """Say which lines the loads are taken from."""
    several = len(lines.names) > 1
    notes = []
    if lines.bent and lines.linear_p < NOT_PARALLEL:
        notes.append(f"The lines bend (p {lines.linear_p:.2g}), and the loads follow the bend.")
    elif lines.bent:
        notes.append(f"The limits allow for lines that bend, though no bend is sure (p {lines.linear_p:.2g}).")
    else:
        few = "two loads" if lines.loads == 2 else "so few boards"
        notes.append(f"Whether the lines bend cannot be told from {few}: the limits take them as straight.")
    if several and lines.own:
        notes.append("How much more dye darkens differs from carrier to carrier.")
    elif several:
        notes.append("More dye is taken to darken alike in every carrier: there are too few boards for more.")
    return notes


def _load(row: dict[str, object], target: str) -> LoadNeeded:
    name = str(row["group"])
    load, lower, upper = (float(str(row[key])) for key in ("dose", "lower", "upper"))
    if not row["within"]:
        return LoadNeeded(name, load, lower, upper, False, str(row["says"]), str(row["beyond"]))
    start = "" if name == ALL else f"with {name} "
    return LoadNeeded(
        name,
        load,
        lower,
        upper,
        True,
        f"{start}{digits(load)} g/L ({limit_words(lower, upper)}) gives {target}",
    )


def limit_words(lower: float, upper: float) -> str:
    """Return a load's limits: ``12.0 to 15.0``, ``12.0 or more``."""
    if math.isinf(upper):
        return f"{digits(lower)} or more" if lower > 0 else "the readings set no limits"
    return f"{digits(lower)} to {digits(upper)}" if lower > 0 else f"up to {digits(upper)}"


def _strength_of(lines: Lines, name: str, base: str) -> dict[str, object]:
    first, second = (rows_of(lines.fit, lines.carrier, one, own=False) for one in (name, base))
    rows = np.vstack([first[0] - second[0], first[1]])
    estimates, covariance = estimates_of(lines.fit, rows)
    if estimates[1] == 0:
        raise UserError("the load made no difference at all")
    ratio = estimates[0] / estimates[1]
    return as_strength(
        fieller(
            float(estimates[0]), float(estimates[1]), covariance, quantile_of(lines.fit, rows[0] - ratio * rows[1])
        )
    )


def _carrier_strength(name: str, base: str, row: dict[str, object]) -> CarrierStrength:
    """Turn a strength into the load needed: half as strong needs twice as much."""
    ratio, lower, upper = (float(str(row[key])) for key in ("ratio", "lower", "upper"))
    if row["kind"] != "interval":
        says = (
            f"how much more load {name} needs than {base} cannot be told, for the load itself made no sure difference"
        )
        return CarrierStrength(name, base, 1 / ratio, 0.0, math.inf, says)
    times, least, most = (digits(1 / value, 2) for value in (ratio, upper, lower))
    says = f"{name} needs {times} times the load of {base} ({least} to {most}) for the same darkness"
    return CarrierStrength(name, base, 1 / ratio, 1 / upper, 1 / lower, says)


def digits(value: float, number: int = 3) -> str:
    """Return a number with so many digits: ``1.80``, ``12.0``, ``120``."""
    return f"{value:#.{number}g}".rstrip(".")
