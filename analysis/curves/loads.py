"""Which load is dark enough, and how many times the load one carrier needs of another: asked of a trial.

Lightness goes in as ln K/S against ln load: K/S is the scale on which dye adds up (`kubelka_munk`), and on its
logarithm twice the dye lifts every carrier's line by the same amount. Grades go in as they are. The lines are fitted
by the mixed model with the trial's own pieces, so that carriers laid on boards are held to the differences of boards.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from analysis import combinations, mixed
from analysis.curves import roles
from analysis.curves.columns import ALL
from analysis.curves.drawn import LOADS, along, no_loads
from analysis.curves.kubelka_munk import ks, ks_of_lightness, lightness, reflectance_of_ks
from analysis.curves.lines import NOT_PARALLEL, GroupLine, Target, as_strength, dose_row, strength_notes
from analysis.curves.ratio import fieller
from analysis.frame import patch_table
from analysis.mixed.degrees import variance_degrees
from trials import structure
from trials.errors import Problem, UserError
from trials.folder import Trial
from trials.plan import Factor, Plan, Response

LEVEL = 0.95
_LOAD = "load_in_g_per_l"
_LN_LOAD = "ln_of_load"
_BEND = "ln_of_load_squared"
_IN = "darkness_in"


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
        lines = _lines(trial, response)
        wanted = Target(
            float(lines.scale.there(target)), "g/L", lambda value: lines.scale.words(lines.scale.back(value))
        )
        own = lines.carrier is not None and lines.parallel_p < NOT_PARALLEL
        fit = lines.fit_own if own and lines.fit_own is not None else lines.fit
        rows = [_load_row(lines, fit, name, wanted, own=own) for name in lines.names]
        curve = _curve(lines, fit, own=own, also={str(row["group"]): [float(str(row["dose"]))] for row in rows})
    except UserError as error:
        return DarkEnough("", target, (), f"Which load is dark enough cannot be told: {error.problems[0].what}.")
    loads = tuple(_load(row, lines.scale.words(target)) for row in rows)
    notes = [
        *lines.notes,
        "The slopes differ, so each carrier has its own." if own else "All carriers share one slope.",
    ]
    text = "; ".join(load.sentence for load in loads)
    return DarkEnough(
        lines.response.name, target, loads, text[:1].upper() + text[1:] + ".", tuple(notes), _unit(lines.response),
        _points(lines), curve,
    )  # fmt: skip


def strength(trial: Trial, *, reference: str | None = None, response: str | None = None) -> Strength:
    """Compare the loads that carriers need for the same darkness.

    Parameters
    ----------
    reference : the carrier held to be 1; the first of the plan if not given.
    response : as `dark_enough`.
    """
    try:
        lines = _lines(trial, response)
        if lines.carrier is None or len(lines.names) < 2:
            raise UserError("one carrier only was read")
        base = lines.names[0] if reference is None else reference
        if base not in lines.names:
            raise UserError(f"no patch with the carrier {base} was read")
        found = {name: _strength_of(lines, name, base) for name in lines.names if name != base}
        curve = _curve(lines, lines.fit, own=False)
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
        _unit(lines.response),
        _points(lines),
        curve,
    )


# --- the lines of a trial --------------------------------------------------------------------------


@dataclass(frozen=True)
class _Scale:
    """How a response goes in (`there`), comes back, and is written."""

    there: Callable[[ArrayLike], np.ndarray]
    back: Callable[[float], float]
    words: Callable[[float], str]
    note: str


@dataclass(frozen=True)
class _Lines:
    """Lines on ln load: one slope (`fit`) and a slope each (`fit_own`, where it can be), and what is behind."""

    response: Response
    scale: _Scale
    carrier: str | None
    names: tuple[str, ...]
    fit: mixed.MixedFit
    fit_own: mixed.MixedFit | None
    parallel_p: float
    linear_p: float
    rows: pd.DataFrame
    tried: dict[str, np.ndarray]
    notes: tuple[str, ...]


def _lines(trial: Trial, name: str | None) -> _Lines:
    plan = trial.plan
    load, carrier, response = roles.dye_load(plan), roles.carrier(plan), roles.darkness(plan, name)
    if load is None:
        raise UserError("no factor of this trial is a dye load in g/L")
    if response is None:
        raise UserError("no response of this trial is a lightness or a darkness")
    read = patch_table(trial, response)
    frame, notes = _frame(read.treated, load, response)
    laid = [factor for factor in (load, carrier) if factor is not None]
    try:
        model = _by_patches(plan, frame, load, carrier)
        fit = mixed.fit(model.frame, _IN, model.parallel, model.random)
    except UserError:
        if any(factor.laid_on != "board" for factor in laid):
            raise
        model = _by_boards(frame, laid)
        fit = mixed.fit(model.frame, _IN, model.parallel)
    scale = _scale(response)
    slope = fit.trend(_LN_LOAD).iloc[0]
    if scale.note and slope["slope"] < 0 and slope["p"] < NOT_PARALLEL:
        raise UserError("more dye came out lighter, so that loads or readings look mixed up")
    own, parallel_p = None, math.nan
    if carrier is not None:
        own, parallel_p = _tested(model, f"{carrier.name}:{_LN_LOAD}")
    linear_p = _tested(model, _BEND)[1] if frame[_LN_LOAD].nunique() > 2 else math.nan
    names = tuple(str(one) for one in fit.levels(carrier.name)) if carrier else (ALL,)
    by = frame[carrier.name].astype(str) if carrier else pd.Series(ALL, index=frame.index)
    tried = {one: frame.loc[by == one, _LOAD].to_numpy() for one in names}
    all_notes = (*read.notes, *notes, scale.note, model.note)
    return _Lines(
        response, scale, carrier.name if carrier else None, names, fit, own, parallel_p, linear_p, model.frame, tried,
        tuple(one for one in all_notes if one),
    )  # fmt: skip


@dataclass(frozen=True)
class _Model:
    """The rows and terms the lines are fitted with, and what a reader has to know of it."""

    frame: pd.DataFrame
    parallel: str
    random: list[str]
    note: str


def _by_patches(plan: Plan, frame: pd.DataFrame, load: Factor, carrier: Factor | None) -> _Model:
    """Take every patch, with the other factors, the lots as they are and the pieces at random."""
    told = structure.of_layout(plan, frame)
    others = [one.name for one in told.effects if one.df > 0 and load.name not in one.factors]
    if "lot" in told.random:
        frame = frame.assign(lot=frame["lot"].astype("category"))
        others.append("lot")
    names = [one for one in others if ":" not in one and (carrier is None or one != carrier.name)]
    words = ", ".join("lots" if name == "lot" else name.replace("_", " ") for name in names)
    note = f"Averaged over {words}." if words else ""
    return _Model(frame, " + ".join([*others, _LN_LOAD]), _pieces(told, frame, load, carrier), note)


def _by_boards(frame: pd.DataFrame, laid: list[Factor]) -> _Model:
    """Take the mean of each board, where what is asked lies on boards and patches are too coarse for a model."""
    keys = ["board", _LOAD, _LN_LOAD, _BEND, *(factor.name for factor in laid)]
    means = frame.groupby(keys, observed=True, as_index=False)[_IN].mean()
    words = [factor.name for factor in laid if factor.amounts is None]
    note = "Each board's patches were averaged first, for they differ too little, or too few were read, for a model."
    return _Model(means, " + ".join([*words, _LN_LOAD]), [], note)


def _frame(treated: pd.DataFrame, load: Factor, response: Response) -> tuple[pd.DataFrame, list[str]]:
    """Return the treated patches with their ln load and the response as it goes in."""
    assert load.amounts is not None
    amounts = treated[load.name].astype(str).map(dict(zip(load.levels, load.amounts, strict=True))).astype(float)
    frame = treated[amounts > 0].reset_index(drop=True)
    logs = np.log(amounts[amounts > 0].to_numpy())
    if len(np.unique(logs)) < 2:
        raise UserError("one load only was read, so what more dye does is not known")
    frame = frame.assign(
        **{
            _LOAD: amounts[amounts > 0].to_numpy(),
            _LN_LOAD: logs,
            _BEND: (logs - logs.mean()) ** 2,
            _IN: _scale(response).there(frame["value"].to_numpy(dtype=float)),
        }
    )
    left_out = len(treated) - len(frame)
    return frame, [f"{left_out} patches without dye are left out of the lines."] if left_out else []


def _scale(response: Response) -> _Scale:
    if response.unit not in ("L*", "Y"):
        return _Scale(lambda value: np.asarray(value, dtype=float), float, "{:.3g}".format, "")
    note = (
        "Darkness is taken as the logarithm of K/S (single-constant, broadband): compare like surfaces, and do not "
        "trust it for nearly black ones."
    )
    if response.unit == "L*":
        return _Scale(
            lambda value: _positive_log(ks_of_lightness(value)),
            lambda value: float(lightness(reflectance_of_ks(math.exp(value)))), "L* {:.3g}".format, note,
        )  # fmt: skip
    by = 100.0 if response.high is None or response.high > 1 else 1.0
    return _Scale(
        lambda value: _positive_log(ks(np.asarray(value) / by)),
        lambda value: float(reflectance_of_ks(math.exp(value))) * by, "Y {:.3g}".format, note,
    )  # fmt: skip


def _positive_log(ratio: np.ndarray) -> np.ndarray:
    if (ratio <= 0).any():
        raise UserError(Problem("a perfect white has no darkness to take the logarithm of", "correct that reading"))
    return np.log(ratio)


def _pieces(told: structure.Structure, frame: pd.DataFrame, load: Factor, carrier: Factor | None) -> list[str]:
    """Return the random terms of the lines."""
    on_boards = [carrier.name] if carrier is not None and carrier.laid_on == "board" else []
    found = structure.of_lines(told, frame, [*on_boards, *([_LN_LOAD] if load.laid_on == "board" else [])])
    if found is None:
        raise UserError("there are no more boards than the lines need, so how boards differ is not known")
    return found


def _tested(model: _Model, term: str) -> tuple[mixed.MixedFit | None, float]:
    """Return a fit with one term more and the p-value of that term; no fit and NaN where it cannot be tested."""
    try:
        fit = mixed.fit(model.frame, _IN, f"{model.parallel} + {term}", model.random)
        tests = fit.tests()
    except UserError:
        return None, math.nan
    wanted = set(term.split(":"))
    name = next((one for one in tests.index if set(str(one).split(":")) == wanted), None)
    p = float(tests.loc[name, "p"]) if name is not None else math.nan
    return (None, p) if math.isnan(p) else (fit, p)


# --- what pictures are drawn from ------------------------------------------------------------------


def _points(lines: _Lines) -> pd.DataFrame:
    """Return the rows the lines were fitted to, on the response's own scale."""
    rows = lines.rows
    carrier = rows[lines.carrier].astype(str) if lines.carrier else ALL
    values = rows["value"] if "value" in rows.columns else [lines.scale.back(value) for value in rows[_IN]]
    return pd.DataFrame({"carrier": carrier, "load": rows[_LOAD], "value": values}).reset_index(drop=True)


def _curve(
    lines: _Lines, fit: mixed.MixedFit, *, own: bool, also: Mapping[str, Sequence[float]] | None = None
) -> pd.DataFrame:
    """Return each carrier's line within the loads tried with it, on the response's own scale."""
    parts = []
    for name in lines.names:
        (intercept, slope), _ = _estimates(fit, _rows_of(fit, lines.carrier, name, own=own))
        loads = along(lines.tried[name], (also or {}).get(name, ()))
        values = [lines.scale.back(float(value)) for value in intercept + slope * np.log(loads)]
        parts.append(pd.DataFrame({"carrier": name, "load": loads, "value": values}))
    return pd.concat(parts, ignore_index=True)[list(LOADS)]


def _unit(response: Response) -> str:
    return "grades" if response.kind == "grade" else response.unit


# --- answers ---------------------------------------------------------------------------------------


def _rows_of(fit: mixed.MixedFit, carrier: str | None, name: str, *, own: bool) -> np.ndarray:
    """Return the (2, p) weights of a carrier's intercept and slope."""
    if carrier is None:
        rows = np.zeros((2, len(fit.design.names)))
        rows[0, 0], rows[1, fit.design.names.index(_LN_LOAD)] = 1.0, 1.0
        return rows
    at = [str(level) for level in fit.levels(carrier)].index(name)
    intercepts = combinations.means(fit.fixed, carrier, {_LN_LOAD: 0.0}).rows
    slopes = combinations.slopes(fit.fixed, _LN_LOAD, carrier if own else None).rows
    return np.vstack([intercepts[at], slopes[at if own else 0]])


def _estimates(fit: mixed.MixedFit, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return weighted sums of the effects and their covariance (Kenward and Roger's)."""
    if not fit.span.can_estimate(rows).all():
        raise UserError("the readings do not tell carrier and load apart")
    kept = rows[:, fit.span.kept]
    return kept @ fit.effects, kept @ fit.precision.adjusted @ kept.T


def _quantile(fit: mixed.MixedFit, row: np.ndarray) -> float:
    """Return Student's t for one weighted sum, by Satterthwaite's degrees of freedom."""
    kept = row[None, fit.span.kept]
    slopes = fit.precision.slopes_of(kept)
    df = float(variance_degrees(slopes[-1], slopes, fit.precision.components.expected)[0])
    if not df >= 1:
        raise UserError("there are too few pieces to judge by")
    return float(stdtrit(df, 0.5 + LEVEL / 2)) if math.isfinite(df) else 1.959963984540054


def _load_row(lines: _Lines, fit: mixed.MixedFit, name: str, wanted: Target, *, own: bool) -> dict[str, object]:
    rows = _rows_of(fit, lines.carrier, name, own=own)
    estimates, covariance = _estimates(fit, rows)
    line = GroupLine(name, estimates, covariance, lines.tried[name])
    guess = (wanted.value - estimates[0]) / estimates[1] if estimates[1] else 0.0
    ends = np.log([line.tried.min(), line.tried.max()])
    return dose_row(line, wanted, _quantile(fit, rows[0] + np.clip(guess, *ends) * rows[1]))


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
        f"{start}{digits(load)} g/L ({digits(lower)} to {digits(upper)}) gives {target}",
    )


def _strength_of(lines: _Lines, name: str, base: str) -> dict[str, object]:
    first, second = (_rows_of(lines.fit, lines.carrier, one, own=False) for one in (name, base))
    rows = np.vstack([first[0] - second[0], first[1]])
    estimates, covariance = _estimates(lines.fit, rows)
    if estimates[1] == 0:
        raise UserError("the load made no difference at all")
    ratio = estimates[0] / estimates[1]
    return as_strength(
        fieller(float(estimates[0]), float(estimates[1]), covariance, _quantile(lines.fit, rows[0] - ratio * rows[1]))
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
