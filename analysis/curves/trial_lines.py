"""The lines of a trial: its darkness on ln load, fitted by the mixed model with the trial's own pieces.

Lightness goes in as ln K/S against ln load: K/S is the scale on which dye adds up (`kubelka_munk`), and on its
logarithm twice the dye lifts every carrier's line by the same amount. Grades go in as they are. Carriers laid on
boards are held to the differences of boards.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import ndtri, stdtrit

from analysis import combinations, mixed
from analysis.curves import roles
from analysis.curves.columns import ALL
from analysis.curves.dose import basis
from analysis.curves.drawn import LOADS, along
from analysis.curves.kubelka_munk import ks, ks_of_lightness, lightness, reflectance_of_ks
from analysis.curves.lines import NOT_PARALLEL
from analysis.frame import patch_table
from analysis.mixed.degrees import variance_degrees
from trials import structure
from trials.errors import Problem, UserError
from trials.folder import Trial
from trials.level import LEVEL
from trials.plan import Factor, Kind, Plan, Response

_LOAD = "load_in_g_per_l"
_LN_LOAD = "ln_of_load"
_BEND = "ln_of_load_squared"
_IN = "darkness_in"


@dataclass(frozen=True)
class _Scale:
    """How a response goes in (`there`), comes back, and is written."""

    there: Callable[[ArrayLike], np.ndarray]
    back: Callable[[float], float]
    words: Callable[[float], str]
    note: str


@dataclass(frozen=True)
class Lines:
    """Lines on ln load, and what is behind.

    Attributes
    ----------
    fit : straight lines of one slope.
    widest : the fit that takes the least for granted: a slope each, and a bend they share, as far as can be told.
    own, bent : whether `widest` has slopes of their own and a bend.
    parallel_p, linear_p : of the tests of one slope and of straight lines; NaN where there is nothing to test.
    centre : the ln load about which lines bend.
    rows : what was fitted to; `tried` has the loads by carrier.
    """

    response: Response
    scale: _Scale
    carrier: str | None
    names: tuple[str, ...]
    fit: mixed.MixedFit
    widest: mixed.MixedFit
    own: bool
    bent: bool
    parallel_p: float
    linear_p: float
    centre: float
    rows: pd.DataFrame
    tried: dict[str, np.ndarray]
    notes: tuple[str, ...]

    @property
    def loads(self) -> int:
        """How many different loads were read."""
        return int(self.rows[_LN_LOAD].nunique())


def lines_of(trial: Trial, name: str | None) -> Lines:
    """Fit the lines of a trial.

    Parameters
    ----------
    name : of the response; the lightness measured, else a darkness, if not given.

    Raises
    ------
    UserError
        Why there are none.
    """
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
        model = _by_patches(plan, frame, load, carrier, structure.of_layout(plan, trial.patches).places)
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
    slopes = f"{carrier.name}:{_LN_LOAD}" if carrier is not None else ""
    bend = _BEND if frame[_LN_LOAD].nunique() > 2 else ""
    own, parallel_p = _tested(model, slopes)
    bent, linear_p = _tested(model, bend)
    both = _tested(model, slopes, bend)[0] if own is not None and bent is not None else None
    widest = next(one for one in (both, bent, own, fit) if one is not None)
    names = tuple(str(one) for one in fit.levels(carrier.name)) if carrier else (ALL,)
    by = frame[carrier.name].astype(str) if carrier else pd.Series(ALL, index=frame.index)
    tried = {one: frame.loc[by == one, _LOAD].to_numpy() for one in names}
    all_notes = (*read.notes, *notes, scale.note, model.note)
    return Lines(
        response, scale, carrier.name if carrier else None, names, fit, widest,
        widest in (both, own), widest in (both, bent), parallel_p, linear_p, float(frame[_LN_LOAD].mean()),
        model.frame, tried, tuple(one for one in all_notes if one),
    )  # fmt: skip


@dataclass(frozen=True)
class _Model:
    """The rows and terms the lines are fitted with, and what a reader has to know of it."""

    frame: pd.DataFrame
    parallel: str
    random: list[str]
    note: str


def _by_patches(
    plan: Plan, frame: pd.DataFrame, load: Factor, carrier: Factor | None, places: Collection[Kind]
) -> _Model:
    """Take every patch, with the other factors, the lots as they are and the pieces at random."""
    told = structure.of_layout(plan, frame, places)
    others = [one.name for one in told.effects if one.df > 0 and load.name not in one.factors]
    lots = told.lots_as_they_are
    names = [one for one in others if ":" not in one and (carrier is None or one != carrier.name)]
    words = ", ".join([*(name.replace("_", " ") for name in names), *("planks" for _ in lots)])
    note = f"These loads are for the average over {words}; a single one of them may differ." if words else ""
    others += [*told.places, *lots]
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
        "Worked out from the lightness reading (as the logarithm of K/S): compare only boards of one sheen, and do "
        "not trust it near black."
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


def _tested(model: _Model, term: str, also: str = "") -> tuple[mixed.MixedFit | None, float]:
    """Return a fit with one term more, or two, and the p-value of the first; no fit and NaN where that cannot be."""
    if not term:
        return None, math.nan
    try:
        fit = mixed.fit(model.frame, _IN, " + ".join(filter(None, [model.parallel, term, also])), model.random)
        tests = fit.tests()
    except UserError:
        return None, math.nan
    p = [float(row["p"]) for name, row in tests.iterrows() if set(str(name).split(":")) == set(term.split(":"))]
    return (None, math.nan) if not p or math.isnan(p[0]) else (fit, p[0])


# --- what pictures are drawn from ------------------------------------------------------------------


def points_of(lines: Lines) -> pd.DataFrame:
    """Return the rows the lines were fitted to, on the response's own scale."""
    rows = lines.rows
    carrier = rows[lines.carrier].astype(str) if lines.carrier else ALL
    values = rows["value"] if "value" in rows.columns else [lines.scale.back(value) for value in rows[_IN]]
    return pd.DataFrame({"carrier": carrier, "load": rows[_LOAD], "value": values}).reset_index(drop=True)


def curve_of(lines: Lines, *, also: Mapping[str, Sequence[float]] | None = None) -> pd.DataFrame:
    """Return each carrier's line within the loads tried with it, on the response's own scale.

    Parameters
    ----------
    also : by carrier, loads to have among the points; the lines are then the widest ones, else the parallel ones.
    """
    parts = []
    for name in lines.names:
        fit, own, bent = (lines.fit, False, False) if also is None else (lines.widest, lines.own, lines.bent)
        line, _ = estimates_of(fit, rows_of(fit, lines.carrier, name, own=own, bent=bent))
        loads = along(lines.tried[name], (also or {}).get(name, ()))
        heights = basis(np.log(loads), lines.centre)[:, : len(line)] @ line
        values = [lines.scale.back(float(value)) for value in heights]
        parts.append(pd.DataFrame({"carrier": name, "load": loads, "value": values}))
    return pd.concat(parts, ignore_index=True)[list(LOADS)]


def unit_of(response: Response) -> str:
    """Return what a response is counted in."""
    return "grades" if response.kind == "grade" else response.unit


def rows_of(fit: mixed.MixedFit, carrier: str | None, name: str, *, own: bool, bent: bool = False) -> np.ndarray:
    """Return the (2, p) weights of a carrier's intercept and slope; (3, p) with the bend."""
    nought = {_LN_LOAD: 0.0} | ({_BEND: 0.0} if bent else {})
    if carrier is None:
        rows = np.zeros((2 + bent, len(fit.design.names)))
        for at, term in enumerate((fit.design.names[0], *nought)):
            rows[at, fit.design.names.index(term)] = 1.0
        return rows
    at = [str(level) for level in fit.levels(carrier)].index(name)
    slopes = combinations.slopes(fit.fixed, _LN_LOAD, carrier if own else None).rows
    bends = combinations.slopes(fit.fixed, _BEND, None).rows if bent else slopes[:0]
    return np.vstack([combinations.means(fit.fixed, carrier, nought).rows[at], slopes[at if own else 0], *bends])


def estimates_of(fit: mixed.MixedFit, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return weighted sums of the effects and their covariance (Kenward and Roger's)."""
    if not fit.span.can_estimate(rows).all():
        raise UserError("the readings do not tell carrier and load apart")
    kept = rows[:, fit.span.kept]
    return kept @ fit.effects, kept @ fit.precision.adjusted @ kept.T


def quantile_of(fit: mixed.MixedFit, row: np.ndarray) -> float:
    """Return Student's t for one weighted sum, by Satterthwaite's degrees of freedom."""
    kept = row[None, fit.span.kept]
    slopes = fit.precision.slopes_of(kept)
    df = float(variance_degrees(slopes[-1], slopes, fit.precision.components.expected)[0])
    if not df >= 1:
        raise UserError("there are too few pieces to judge by")
    return float(stdtrit(df, 0.5 + LEVEL / 2) if math.isfinite(df) else ndtri(0.5 + LEVEL / 2))
