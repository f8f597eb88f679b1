"""Pictures of laps against the wait."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis.curves import laps as lap_words
from analysis.curves import waits
from analysis.curves.columns import ALL
from analysis.curves.no_limits import NoLimits
from analysis.curves.of_trial import LapWindow, Wait
from analysis.report import figures, words
from analysis.report.curve_figures.panel import (
    Panel,
    Row,
    moved,
    named,
    nothing,
    with_carrier,
)
from analysis.report.figures import style, theme
from trials import lap

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def lap_window(window: LapWindow, piece_s: float | None = None, helper_s: float | None = None) -> Figure:
    """Draw the share of laps seen against the return time, the fitted curves, and how long each edge may wait.

    Parameters
    ----------
    piece_s, helper_s : the longest time until a real piece's edge is met again, in seconds, alone and with a helper.
    """
    if not window.waits or window.points.empty:
        return nothing(window.sentence)
    rows = [Row(named(wait.carrier), _wait_amount(window, wait), *_ends(wait)) for wait in window.waits]
    given = (("this piece", piece_s), ("with a helper", helper_s))
    marks = [(f"{name}: {lap.time_words(value)}", value / 60) for name, value in given if value is not None]
    with theme():
        picture = Panel.of(rows, window.points["minutes"], marks, bars=True)
        for at, wait in enumerate(window.waits):
            _lap_points(picture.panel, window, at, wait.carrier)
        picture.lines(window.curve, [wait.carrier for wait in window.waits], "minutes", "chance")
        picture.mark_height(window.risk)
        shares = [*window.points["share"], *window.curve["chance"], 0.0, 1.0]
        picture.heights(shares, window.risk, lambda share: f"{words.plain(round(100 * share, 6))} %", [0, 0.5, 1])
        picture.amounts(window.points["minutes"], lambda minutes: lap.time_words(60 * minutes))
        how = "lap index (of a full double coat)" if window.measured else "share of laps seen"
        picture.name(how, "return time (log scale)", f"longest wait {_at_risk(window)} (level line)")
        return figures.figure_of(picture.panel)


def lap_window_told(window: LapWindow, piece_s: float | None = None, helper_s: float | None = None) -> list[str]:
    """Return what `lap_window` draws in words, for those who hear it."""
    told = []
    for wait in window.waits:
        rows = window.points[window.points["carrier"] == wait.carrier].to_dict("records")
        if window.measured:
            read = [f"{lap.time_words(60 * row['minutes'])} {words.number(row['share'], 2)}" for row in rows]
            start = "mean lap index after"
        else:
            read = [f"{lap.time_words(60 * row['minutes'])} {row['seen']:.0f} of {row['looks']}" for row in rows]
            start = "laps seen after"
        told.append(f"{named(wait.carrier)}: {start} {', '.join(read)}; may wait {_wait_amount(window, wait)}")
    for name, value in (("this piece waits", piece_s), ("with a helper it waits", helper_s)):
        if value is not None:
            told.append(f"{name} {lap.time_words(value)}")
    return list(map(words.clean, told))


def lap_window_caption(window: LapWindow, piece_s: float | None = None, helper_s: float | None = None) -> str:
    """Say in one sentence how long the edge may wait, or whether a real piece fits."""
    if not window.told:
        return words.clean(window.sentence)
    if piece_s is not None:
        return words.clean(_piece_sentence(window, piece_s, helper_s))
    until = _at_risk(window)
    if window.measured:
        until = f"until a lap shows {100 * window.risk:g} % of a full double coat"
    known = [wait for wait in window.waits if not math.isnan(wait.minutes)]
    parts = [f"{_wait_amount(window, wait)}{with_carrier(wait.carrier)}" for wait in known]
    unknown = [
        f"how long{with_carrier(wait.carrier)} cannot be told" for wait in window.waits if math.isnan(wait.minutes)
    ]
    said = "; ".join([f"the edge may wait {words.listed(parts)} {until}", *unknown])
    return words.clean(words.capital(said) + ".")


def _piece_sentence(window: LapWindow, piece_s: float, helper_s: float | None) -> str:
    """Say with which carriers a piece fits, those that fit first."""
    against = window.window_against(piece_s, helper_s=helper_s)
    helped = f" only with a helper ({lap.time_words(helper_s)})" if helper_s is not None else ""
    said = (
        (lap_words.FITS, "fits", ""), (lap_words.HELPED, "fits", helped), (lap_words.MAY_NOT, "may not fit", ""),
        (lap_words.DOES_NOT, "does not fit", ""), (lap_words.UNTOLD, "cannot be judged", ""),
    )  # fmt: skip
    parts = []
    for verdict, verb, rest in said:
        names = [one.carrier for one in against.answers if one.verdict == verdict]
        if names:
            listed = words.listed(names) if verb == "fits" else " or ".join(names)
            parts.append(f"{verb}{'' if names == [ALL] else f' with {listed}'}{rest}")
    return words.capital(f"{_at_risk(window)} this piece's {lap.time_words(piece_s)} {', and '.join(parts)}.")


def _at_risk(window: LapWindow) -> str:
    if window.measured:
        return f"at a lap index of {100 * window.risk:g} %"
    return f"at a risk of {lap_words.risk_words(window.risk)}"


def _wait_amount(window: LapWindow, wait: Wait) -> str:
    """Return ``5 min (3 min to 8 min)``, or what else is known of a wait."""
    if math.isnan(wait.minutes):
        return "cannot be told"
    if math.isinf(wait.minutes):
        return f"{waits.time_words(wait.lower)} or more" if 60 * wait.lower >= 1 else "longer than tried"
    shortest = float(window.points["minutes"].min())
    if wait.minutes < shortest:
        return f"less than {waits.time_words(shortest)}"
    if wait.no_limits is NoLimits.BETWEEN:
        return waits.apart_words(wait.lower, wait.upper)
    return f"{waits.time_words(wait.minutes)} ({waits.limit_words(wait.lower, wait.upper)})"


def _ends(wait: Wait) -> tuple[float, float, float]:
    """Return a wait and its limits as they are drawn: beyond those tried there is no wait, but a lower limit."""
    if math.isinf(wait.minutes):
        return math.nan, wait.lower, math.inf
    return wait.minutes, wait.lower, wait.upper


def _lap_points(axes: Axes, window: LapWindow, at: int, carrier: str) -> None:
    """Draw what was seen of one carrier, larger where more laps were looked at, carriers beside each other."""
    rows = window.points[window.points["carrier"] == carrier]
    tone, marker, _ = style(at)
    most = float(window.points["looks"].max())
    shift = 8.0 * (at - (len(window.waits) - 1) / 2) / max(1, len(window.waits) / 3)
    axes.scatter(
        rows["minutes"], rows["share"], s=14 + 34 * rows["looks"] / most, marker=marker, facecolors=tone,
        edgecolors="white", linewidths=0.7, transform=moved(axes, shift), clip_on=False, zorder=3,
    )  # fmt: skip
