"""Lap lanes: the same edge met again after stated waits, and how soon a real piece meets its edge again.

A cell of a lap board is one strip: lane A is put on, left for the return time, and lane B put on beside it so that
the two overlap by a stated width. Every cell of a board gets one return time, at random; a wait of nought is the wet
control (a fresh edge) and one of a day the set control (a full double coat).

Sizes, dose and waits are this project's protocol, common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

from trials import geometry
from trials.errors import Problem, UserError
from trials.geometry import Rect
from trials.plan import Boards, Factor, Lap, Plan

WET, SET = "0 s", "24 h"
"""The waits of the two controls: the edge met at once, and an edge that has set."""
WAITS = (WET, "60 s", "90 s", "180 s", "300 s", "600 s", SET)
"""The waits of the protocol, one a cell."""
_DAY_MIN = 24 * 60
SAFETY = 1.5
"""The least return time at which a lap shows should be so many times the longest of the piece: a working value."""


@dataclass(frozen=True)
class Cell:
    """One cell of a lap board, in mm as `geometry.patch`: two lanes put on one after the other, and what they share.

    ``dose_ml`` is what one lane gets.
    """

    strip: int
    lane_a: Rect
    lane_b: Rect
    overlap: Rect
    dose_ml: float


def cells(boards: Boards, lap: Lap) -> list[Cell]:
    """Return the cells of a board, from the label end.

    Lane A lies at the fixed edge, lane B beyond it; where the plan says ``across`` the lanes run across the grain and
    lane A lies towards the label end.
    """
    found = []
    for strip in range(1, boards.strips + 1):
        whole = geometry.patch(boards, 1, strip)
        first, second = (0.0, lap.pad_mm - lap.overlap_mm)
        if lap.across:
            lane_a, lane_b = (Rect(whole.x + at, whole.y, lap.pad_mm, whole.width) for at in (first, second))
            overlap = Rect(whole.x + second, whole.y, lap.overlap_mm, whole.width)
        else:
            lane_a, lane_b = (Rect(whole.x, whole.y + at, whole.length, lap.pad_mm) for at in (first, second))
            overlap = Rect(whole.x, whole.y + second, whole.length, lap.overlap_mm)
        dose = lap.dose_ml_m2 * lane_a.length * lane_a.width / 1e6
        found.append(Cell(strip, lane_a, lane_b, overlap, dose))
    return found


LEAST_CLEAR_MM = 12.0
"""What a code needs beside the lanes: a working value."""


def clear_of(patch: Rect, cell: Cell) -> Rect:
    """Return the part of a patch beyond both lanes, where its code goes; the whole patch where that is too narrow."""
    end, side = cell.lane_b.x + cell.lane_b.length, cell.lane_b.y + cell.lane_b.width
    beyond_end, beyond_side = patch.x + patch.length - end, patch.y + patch.width - side
    if max(beyond_end, beyond_side) < LEAST_CLEAR_MM:
        return patch
    if beyond_side >= beyond_end:
        return Rect(patch.x, side, patch.length, beyond_side)
    return Rect(end, patch.y, beyond_end, patch.width)


def return_factor(plan: Plan) -> Factor | None:
    """Return the factor whose levels are the return times: the one on strips whose levels are times."""
    return next((one for one in plan.laid_on("strip") if one.unit == "min"), None)


def controls(factor: Factor) -> tuple[str | None, str | None]:
    """Return the levels that are the wet and the set control, where there are: no wait at all, and a day or more."""
    assert factor.amounts is not None
    by = dict(zip(factor.amounts, factor.levels, strict=True))
    longest = max(by)
    return by.get(0.0), by[longest] if longest >= _DAY_MIN else None


def seconds(factor: Factor) -> dict[str, float]:
    """Return each return time in seconds by its level."""
    assert factor.amounts is not None
    return {level: 60 * amount for level, amount in zip(factor.levels, factor.amounts, strict=True)}


# --- the real piece --------------------------------------------------------------------------------


@dataclass(frozen=True)
class ReturnTimes:
    """How soon a worker meets the edge again, in seconds, with the reckoning in words.

    Attributes
    ----------
    one_way : lanes all wiped the same way; the same wait everywhere.
    turning : back and forth; the shortest and the longest wait, at the turn and at the far end.
    """

    one_way: float
    turning: tuple[float, float]

    @property
    def longest(self) -> float:
        """The longest wait of wiping back and forth."""
        return self.turning[1]


def panel(length_m: float, speed_m_s: float, turn_s: float) -> ReturnTimes:
    """Return the waits on a panel wiped in lanes.

    Parameters
    ----------
    length_m : of a lane.
    speed_m_s : of the pad.
    turn_s : from the end of one lane to the start of the next, reloading included.

    Raises
    ------
    UserError
        A length or speed is not above nought, or the turn is below it.
    """
    _above_nought(("the lane's length", length_m), ("the pad's speed", speed_m_s))
    if turn_s < 0:
        raise UserError(Problem(f"the time to turn and reload is {turn_s:g} s", "write 0 s or more"))
    along = length_m / speed_m_s
    return ReturnTimes(along + turn_s, (turn_s, 2 * along + turn_s))


def round_the_piece(area_m2: float, rate_m2_min: float) -> float:
    """Return the wait in seconds where the work goes round a piece: area until the first edge is met, by rate.

    Raises
    ------
    UserError
        Either is not above nought.
    """
    _above_nought(("the area before the first edge is met again", area_m2), ("the rate of wiping", rate_m2_min))
    return 60 * area_m2 / rate_m2_min


def _above_nought(*given: tuple[str, float]) -> None:
    for words, value in given:
        if not value > 0:
            raise UserError(Problem(f"{words} is {value:g}", "write a number above 0"))


def advice(longest_s: float) -> str:
    """Say what a longest return time asks of the carrier."""
    wanted = SAFETY * longest_s
    return (
        f"The edge is met again after at most {time_words(longest_s)}. Use a carrier that stays free of laps for at "
        f"least {time_words(wanted)} ({SAFETY:g} times that, to be safe), stop at an edge of the piece, or wipe "
        "every lane in the same direction."
    )


def time_words(duration_s: float) -> str:
    """Return a time as it is said at the bench: ``16 s``, ``8 min``, ``9 min 30 s``."""
    whole = round(duration_s)
    if whole < 100:
        return f"{duration_s:.2g} s" if duration_s < 10 else f"{whole} s"
    minutes, rest = divmod(whole, 60)
    return f"{minutes} min" + (f" {rest} s" if rest else "")
