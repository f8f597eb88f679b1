"""Pictures of darkness against the dye load."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.curves.loads import digits, limit_words
from analysis.curves.of_trial import DarkEnough, Strength
from analysis.report import figures, words
from analysis.report.curve_figures.panel import (
    LANES,
    Panel,
    Row,
    moved,
    named,
    nothing,
)
from analysis.report.figures import style, theme

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def dye_lines(told: DarkEnough | Strength) -> Figure:
    """Draw the darkness against the dye load, a line a carrier, and the loads that reach a target if there is one."""
    names = list(dict.fromkeys(told.curve["carrier"]))
    if not names:
        return nothing(told.sentence)
    target = told.target if isinstance(told, DarkEnough) else None
    rows = _load_rows(told) if isinstance(told, DarkEnough) else _strength_rows(told, names)
    with theme():
        picture = Panel.of(rows, told.points["load"], [], bars=target is not None)
        for at, name in enumerate(names):
            _load_points(picture.panel, told, at, name, len(names))
        picture.lines(told.curve, names, "load", "value")
        values = [*told.points["value"], *told.curve["value"]]
        picture.heights([*values, *([] if target is None else [target])], target, words.plain, None)
        picture.amounts(told.points["load"], words.plain)
        of = told.response.replace("_", " ") + (f" ({told.unit})" if told.unit else "")
        if target is not None:
            picture.mark_height(target)
        level = " (level line)" if target is not None else ""
        picture.name(of, "dye load (g/L, log scale)", _load_heading(told) + level)
        return figures.figure_of(picture.panel)


def dye_lines_told(told: DarkEnough | Strength) -> list[str]:
    """Return what `dye_lines` draws in words, for those who hear it."""
    names = list(dict.fromkeys(told.curve["carrier"]))
    if not names:
        return []
    rows = _load_rows(told) if isinstance(told, DarkEnough) else _strength_rows(told, names)
    said = []
    for name, row in zip(names, rows, strict=True):
        points = told.points[told.points["carrier"] == name].groupby("load")["value"]
        means = [f"{words.plain(load)} g/L {values.mean():.3g}" for load, values in points]
        line = told.curve[told.curve["carrier"] == name]["value"]
        said.append(
            f"{row.name}: mean of what was read at {', '.join(means)}; line from {line.iloc[0]:.3g} to "
            f"{line.iloc[-1]:.3g}; {_load_heading(told)}: {row.amount}"
        )
    return list(map(words.clean, said))


def dye_lines_caption(told: DarkEnough | Strength) -> str:
    """Say in one sentence which loads reach the target, or how many times as much a carrier needs."""
    return words.clean(told.sentence)


def _load_rows(told: DarkEnough) -> list[Row]:
    rows = []
    for one in told.loads:
        tried = told.curve.loc[told.curve["carrier"] == one.carrier, "load"]
        amount = f"{digits(one.load)} g/L ({limit_words(one.lower, one.upper)})" if one.within else {
            "more": f"more than {words.plain(tried.max())} g/L", "less": f"less than {words.plain(tried.min())} g/L",
        }.get(one.beyond, "cannot be told")  # fmt: skip
        rows.append(Row(named(one.carrier), amount, one.load, one.lower, one.upper))
    return rows


def _strength_rows(told: Strength, names: Sequence[str]) -> list[Row]:
    known = {one.carrier: one for one in told.carriers}
    rows = []
    for name in names:
        amount = "1, to compare with"
        if name in known:
            one = known[name]
            limits = f"{digits(one.lower, 2)} to {digits(one.upper, 2)}" if math.isfinite(one.upper) else ""
            amount = f"{digits(one.times, 2)} times ({limits})" if limits else "cannot be told"
        rows.append(Row(name, amount))
    return rows


def _load_heading(told: DarkEnough | Strength) -> str:
    """Return what the rows say of each carrier."""
    if isinstance(told, DarkEnough):
        return f"load for {told.target:g} {told.unit}".rstrip()
    return f"load needed, as many times that of {told.carriers[0].reference}"


def _load_points(axes: Axes, told: DarkEnough | Strength, at: int, name: str, count: int) -> None:
    """Draw what was read with one carrier, side by side, carriers beside each other."""
    rows = told.points[told.points["carrier"] == name].sort_values("value")
    tone, marker, _ = style(at)
    room = 24.0 / count
    for lane, place in enumerate(LANES):
        shift = room * (at - (count - 1) / 2 + place)
        mine = rows.iloc[lane :: len(LANES)]
        axes.plot(
            mine["load"], mine["value"], marker=marker, markersize=3.4, alpha=0.75,
            markerfacecolor="none", markeredgecolor=tone, markeredgewidth=0.7, transform=moved(axes, shift),
            clip_on=False, linestyle="none", zorder=1,
        )  # fmt: skip
