"""How long may an edge wait? The return times of a trial made into a window for each carrier, and held to a piece.

A board is one piece of wood and gets one carrier, so boards are what the limits are taken from. The two controls,
the wet edge and the set one, have no place on the curve: the one is where nothing can show, the other where all does.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import pandas as pd

from analysis.curves import roles
from analysis.curves.columns import ALL
from analysis.curves.drawn import lap_curve, lap_points, no_lap_curve, no_lap_points
from analysis.curves.lap_index import index_time
from analysis.curves.no_limits import NoLimits
from analysis.curves.thresholds import threshold
from analysis.curves.waits import Wait, time_words, wait_of, why_no_limits
from analysis.decide import Decision
from analysis.frame import patch_table
from trials import lap
from trials.errors import UserError
from trials.folder import Trial
from trials.plan import Factor, Response

INDEX = 0.2
"""The lap index at which a measured lap counts as showing (working value)."""
_LEAST_BAY_M2 = 0.05
"""A smaller bay is no way to work (common sense, no source)."""
FITS, MAY_NOT, DOES_NOT, UNTOLD = "fits", "may not fit", "does not fit", "cannot be told"
HELPED = "fits with a helper"
BOARDS = "boards"
"""How measured laps are judged: by a wait of each board's own."""


@dataclass(frozen=True)
class PieceAnswer:
    """Whether a real piece fits a carrier's window; `bay_m2` is the largest bay that would, where that helps."""

    carrier: str
    verdict: str
    bay_m2: float | None
    sentence: str


@dataclass(frozen=True)
class AgainstPiece:
    """A real piece held to the windows of all carriers, in numbers and in words.

    `helper_s` is its return time with one more pair of hands; None where that is not known.
    """

    piece_s: float
    answers: tuple[PieceAnswer, ...]
    sentence: str
    helper_s: float | None = None


@dataclass(frozen=True)
class LapWindow:
    """What a trial says of return times.

    Attributes
    ----------
    response : which response it was taken from; empty where nothing can be told.
    risk : the share of laps that may show (graded laps), or the lap index (measured ones).
    waits : one a carrier; empty where nothing can be told.
    method : as `threshold` or `index_time` name it.
    sentence : the answer, or why there is none.
    notes : what a reader has to know.
    measured : whether the laps were measured, so that `risk` is a lap index.
    points : what was read, one row a carrier and return time: carrier, minutes, seen, looks, share, method. Of
        measured laps `seen` is NaN, `looks` how many were measured and `share` their mean index.
    curve : the fitted curves within the waits tried with each carrier, which pass through the waits found: carrier,
        minutes, chance (of measured laps the index), method. Like `points` without rows where nothing can be told.
    """

    response: str
    risk: float
    waits: tuple[Wait, ...]
    method: str
    sentence: str
    notes: tuple[str, ...] = ()
    measured: bool = False
    points: pd.DataFrame = field(default_factory=no_lap_points, compare=False, repr=False)
    curve: pd.DataFrame = field(default_factory=no_lap_curve, compare=False, repr=False)

    @property
    def told(self) -> bool:
        """Whether anything can be told of any carrier."""
        return any(not math.isnan(wait.minutes) for wait in self.waits)

    def window_against(
        self, piece_s: float, rate_m2_min: float | None = None, helper_s: float | None = None
    ) -> AgainstPiece:
        """Hold a real piece's return time to the windows.

        Parameters
        ----------
        piece_s : the longest time until its edge is met again, in seconds.
        rate_m2_min : how much surface is wiped in a minute, to say how large a bay may be.
        helper_s : the same time as `piece_s` with one more pair of hands.
        """
        if not all(given is None or given > 0 for given in (piece_s, rate_m2_min, helper_s)):
            raise ValueError("the piece's return times and the rate of wiping must be above nought")
        answers = tuple(_answer(wait, piece_s, rate_m2_min, helper_s) for wait in self.waits)
        said = _joined(answer.sentence for answer in answers) if answers else self.sentence
        return AgainstPiece(piece_s, answers, said, helper_s)


def lap_window(
    trial: Trial,
    decision: Decision | None = None,
    risk: float = 0.1,
    *,
    response: str | None = None,
    seen_at: float | None = None,
    index: float = INDEX,
) -> LapWindow:
    """Say how long an edge may wait with each carrier of a trial.

    Parameters
    ----------
    decision : the trial's decision, whose tables then need not be made again.
    risk : the share of laps that may show, e.g. 0.1.
    response : the name of the response; a graded lap_something is taken before a measured one.
    seen_at : the grade up to which a lap counts as seen; the middle of the scale if not given, which of five grades
        is a line at 0.5 m (4 is one in raking light only): a working value.
    index : for measured laps, the lap index that counts as showing.
    """
    times, laps = roles.return_time(trial.plan), roles.laps(trial.plan, response)
    if times is None:
        return _untold("no factor of this trial is a return time")
    if laps is None:
        return _untold("nothing is scored or measured of laps")
    try:
        table, notes = _laps_read(trial, decision, laps, times)
        if laps.kind == "measure":
            return _measured(laps, times, table, notes, index)
        middle = (laps.grades + 1) / 2
        return _graded(laps, times, table, notes, risk, middle if seen_at is None else seen_at)
    except UserError as error:
        return _untold(error.problems[0].what)


def _untold(why: str) -> LapWindow:
    return LapWindow("", math.nan, (), "", f"How long an edge may wait cannot be told: {why}.")


def _laps_read(
    trial: Trial, decision: Decision | None, laps: Response, times: Factor
) -> tuple[pd.DataFrame, list[str]]:
    """Return one row a lap: value, minutes, carrier and board; and what was done to get there."""
    made = [one.table for one in decision.analyses if one.response.name == laps.name] if decision else []
    read = made[0] if made else patch_table(trial, laps)
    assert times.amounts is not None
    minutes = dict(zip(times.levels, times.amounts, strict=True))
    carrier = roles.carrier(trial.plan)
    treated = read.treated
    table = pd.DataFrame(
        {
            "value": treated["value"].astype(float),
            "minutes": treated[times.name].astype(str).map(minutes).astype(float),
            "carrier": treated[carrier.name] if carrier else ALL,
            "board": treated["board"].astype(str),
        }
    )
    return table, list(read.notes)


def _waiting(table: pd.DataFrame, times: Factor) -> tuple[pd.DataFrame, list[str]]:
    """Return the laps without the controls."""
    wet, set_edge = lap.controls(times)
    assert times.amounts is not None
    most = max(times.amounts) if set_edge else math.inf
    kept = table[(table["minutes"] > 0) & (table["minutes"] < most)]
    left_out = [level for level in (wet, set_edge) if level]
    if kept.empty or kept["minutes"].nunique() < 2:
        raise UserError("one return time only was read besides the controls")
    words = f"The controls ({' and '.join(left_out)}) are not points of the curve and are left out of it."
    return kept, [words] if left_out else []


# --- graded laps -----------------------------------------------------------------------------------


def _graded(
    laps: Response, times: Factor, table: pd.DataFrame, notes: list[str], risk: float, seen_at: float
) -> LapWindow:
    kept, more = _waiting(table, times)
    seen = _seen(laps, kept["value"], seen_at)
    counts = kept.assign(seen=seen.astype(int), looks=1)
    longest = float(kept["minutes"].max())
    if not seen.any() or seen.all():
        which = "no lap was seen at any" if not seen.any() else "a lap was seen at every"
        raise UserError(f"{which} of the return times, {time_words(kept['minutes'].min())} to {time_words(longest)}")
    found = _with_boards(counts, risk)
    what = f"at a risk of {risk_words(risk)}"
    waits = tuple(wait_of(row, kept["minutes"], what) for row in found.to_dict("records"))
    if laps.kind == "grade":
        ends = f"{seen_at:g} or less" if laps.aim != "less" else f"{laps.grades + 1 - seen_at:g} or more"
        more.append(f"A lap of grade {ends} counts as seen.")
    method = str(found["method"].iloc[0])
    said = _joined(wait.sentence for wait in waits)
    return LapWindow(
        laps.name, risk, waits, method, said, (*notes, *more, *found.attrs["notes"], *why_no_limits(waits)),
        points=lap_points(counts, method), curve=lap_curve(found, counts),
    )  # fmt: skip


def _seen(laps: Response, values: pd.Series, seen_at: float) -> pd.Series:
    """Say of each lap whether it was seen: on a scale that goes the other way round a high grade is a plain lap."""
    if laps.kind == "yes_no":
        return values >= 0.5 if laps.aim == "less" else values < 0.5
    return values <= seen_at if laps.aim != "less" else values >= laps.grades + 1 - seen_at


def _with_boards(counts: pd.DataFrame, risk: float) -> pd.DataFrame:
    """Take boards as the pieces; where a carrier has but one there are no limits."""
    if counts.groupby("carrier", observed=True)["board"].nunique().max() > 1:
        return threshold(counts, "minutes", "seen", "looks", "carrier", risk, board="board").assign(no_limits=None)
    found = threshold(counts, "minutes", "seen", "looks", "carrier", risk)
    found.attrs["notes"] = ()
    return found.assign(lower=math.nan, upper=math.nan, no_limits=NoLimits.ONE_BOARD)


# --- measured laps ---------------------------------------------------------------------------------


def _measured(laps: Response, times: Factor, table: pd.DataFrame, notes: list[str], index: float) -> LapWindow:
    if lap.controls(times)[1] is None:
        raise UserError("there is no set control, an edge that waited a day, to hold the measured steps to")
    assert times.amounts is not None
    kept, more = _waiting(table, times)
    full = table[table["minutes"] == max(times.amounts)].groupby("board")["value"].mean()
    usable = full.index[full > 0]
    lost = sorted(set(table["board"]) - set(usable))
    if lost:
        more.append(f"Boards without a step at their set control are left out: {', '.join(lost)}.")
    kept = kept[kept["board"].isin(usable)]
    if kept.empty:
        raise UserError("no board shows a step at its set control")
    kept = kept.assign(index=kept["value"] / kept["board"].map(full))
    found = index_time(kept, "minutes", "index", "carrier", index, board="board")
    what = f"until a lap shows {100 * index:g} % of a full double coat"
    waits = tuple(wait_of(row, kept["minutes"], what) for row in found.to_dict("records"))
    said = _joined(wait.sentence for wait in waits)
    return LapWindow(
        laps.name, index, waits, BOARDS, said, (*notes, *more, *found.attrs["notes"], *why_no_limits(waits)),
        measured=True, points=lap_points(kept, BOARDS), curve=lap_curve(found.assign(method=BOARDS), kept),
    )  # fmt: skip


# --- in words --------------------------------------------------------------------------------------


def risk_words(risk: float) -> str:
    """Return ``1 in 10`` or ``15 %``."""
    one_in = 1 / risk
    return f"1 in {round(one_in)}" if abs(one_in - round(one_in)) < 1e-6 else f"{100 * risk:.3g} %"


def _joined(parts: Iterable[str]) -> str:
    """Join what is said of each carrier: by semicolons, or by full stops where a part has one of its own."""
    said = list(parts)
    if not any(";" in part for part in said):
        said = ["; ".join(said)]
    return " ".join(f"{part[:1].upper()}{part[1:]}." for part in said)


def _answer(wait: Wait, piece_s: float, rate_m2_min: float | None, helper_s: float | None) -> PieceAnswer:
    """Hold the piece to one window: it fits where its return time is at or below the lower limit."""
    this = f"this piece's {lap.time_words(piece_s)}"
    alone = _verdict(wait, piece_s)
    if alone == UNTOLD:
        return PieceAnswer(wait.carrier, UNTOLD, None, f"{wait.sentence}, so whether {this} fits cannot be told")
    if alone == FITS:
        return PieceAnswer(wait.carrier, FITS, None, f"{wait.sentence}: {this} fits")
    answer = PieceAnswer(wait.carrier, alone, None, f"{wait.sentence}: {this} {alone}")
    bay_words = ", unless it is worked in bays of at most {:g} m²"
    if helper_s is not None and helper_s < piece_s:
        helper = f"with a helper ({lap.time_words(helper_s)}) it"
        helped = _verdict(wait, helper_s)
        if helped == FITS:
            answer = PieceAnswer(wait.carrier, HELPED, None, f"{answer.sentence} alone; {helper} does")
            bay_words = ", or in bays of at most {:g} m²"
        else:
            either = f"{answer.sentence} alone, and {helper} {helped.removesuffix(' fit')} either"
            answer = replace(answer, sentence=either)
    bay = wait.lower * rate_m2_min if rate_m2_min is not None else 0.0
    if bay < _LEAST_BAY_M2:
        return answer
    held = _rounded_down(bay)
    return replace(answer, bay_m2=held, sentence=answer.sentence + bay_words.format(held))


def _verdict(wait: Wait, piece_s: float) -> str:
    """Say whether a return time fits a window."""
    if math.isnan(wait.minutes) or math.isnan(wait.lower):
        return UNTOLD
    if piece_s / 60 <= wait.lower:
        return FITS
    return DOES_NOT if piece_s / 60 > wait.upper else MAY_NOT


def _rounded_down(area: float) -> float:
    size = 10.0 ** (math.floor(math.log10(area)) - 1)
    return round(math.floor(area / size + 1e-9) * size, 10)
