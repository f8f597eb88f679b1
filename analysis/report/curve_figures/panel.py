"""A panel with rows beneath it: carriers named beside a piece of their line, what was found in words and as a bar."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analysis.curves.columns import ALL
from analysis.report import figures, words
from analysis.report.figures import DASHES, INK, LETTERS, MUTED, RULE, fit, new_axes, style, text_width, theme

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SMALL = LETTERS - 1
LEFT, _PANEL, FOOT, LINE = 0.58, 1.95, 0.52, 0.18
"""Inches: left of a panel, its height, its ticks and label, a line of words."""
_HEADING, _BAR_ROW, _PLAIN_ROW = 0.3, 0.46, 0.25
"""Inches: the heading of rows, a row with a bar, one without."""
PANEL_ROOM = 72 * (figures.WIDTH - LEFT - figures.SIDE)
"""Points: what a panel and its rows have room for from side to side."""
MARGIN = 72 * (LEFT - figures.SIDE)
"""Points: what stands left of them."""
LANES = (-0.1, 0.3, -0.3, 0.1)
"""Where points of one load stand side by side, as shares of a carrier's room, neighbours in value apart."""
_FAR = 3.0
"""Limits so many times beyond all else are not drawn to their ends; an arrow says that they go on (common sense)."""


@dataclass(frozen=True)
class Row:
    """One carrier: its name, what was found in words, and as amounts; NaN where there is nothing to draw."""

    name: str
    amount: str
    middle: float = math.nan
    lower: float = math.nan
    upper: float = math.nan


@dataclass(frozen=True)
class Panel:
    """A panel, and beneath it axes with the same scale and a row a carrier."""

    panel: Axes
    below: Axes
    notes: int

    @classmethod
    def of(
        cls, rows: Sequence[Row], tried: Iterable[float], marks: Sequence[tuple[str, float]], *, bars: bool
    ) -> Panel:
        """Make room for all of it, and draw the rows and the upright lines."""
        body = len(rows) * (_BAR_ROW if bars else _PLAIN_ROW)
        top = 0.3 + LINE * len(marks)
        up = 0.06 + body + _HEADING + FOOT
        panel = new_axes(figures.WIDTH, up + _PANEL + top, LEFT, up, PANEL_ROOM / 72, _PANEL)
        below = _more_axes(figures.figure_of(panel), 0.06, body)
        below.set_ylim(len(rows) - 0.5, -0.5)
        low, high = _scale(rows, [*tried, *(value for _, value in marks)])
        for axes in (panel, below):
            axes.set_xscale("log")
            axes.set_xlim(low, high)
            axes.minorticks_off()
        for line, (text, value) in enumerate(marks):
            _upright(panel, below, text, value, line)
        for at, row in enumerate(rows):
            _row_below(below, at, row, bars=bars)
        return cls(panel, below, len(marks))

    def lines(self, curve: pd.DataFrame, names: Sequence[str], x: str, y: str) -> None:
        """Draw the fitted lines, each in its carrier's style."""
        for at, name in enumerate(names):
            rows = curve[curve["carrier"] == name]
            tone, _, dash = style(at)
            self.panel.plot(rows[x], rows[y], color=tone, linestyle=dash, linewidth=1.7, zorder=2)

    def mark_height(self, height: float) -> None:
        """Draw the height that is asked for from side to side."""
        self.panel.axhline(height, color=INK, linewidth=0.8, zorder=1.5)

    def heights(
        self,
        values: Sequence[float],
        asked: float | None,
        said: Callable[[float], str],
        ticks: Sequence[float] | None,
    ) -> None:
        """Set the upright scale, with a tick at what is asked for and others that leave room for it."""
        from matplotlib.ticker import MaxNLocator

        low, high = float(np.nanmin(values)), float(np.nanmax(values))
        spare = 0.04 * (high - low) or 0.5
        self.panel.set_ylim(low - spare, high + spare)
        found = MaxNLocator(5, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high) if ticks is None else ticks
        wanted = [*([] if asked is None else [asked]), *(one for one in found if low - spare <= one <= high + spare)]
        kept = _apart(wanted, wanted, [1.3 * SMALL] * len(wanted), 72 * _PANEL / (high - low + 2 * spare))
        self.panel.set_yticks(kept, [fit(said(value), LEFT * 72 - 9, SMALL) for value in kept])
        self.panel.tick_params(axis="y", left=True, length=3)

    def amounts(self, tried: Iterable[float], said: Callable[[float], str]) -> None:
        """Set ticks at what was tried, the shortest and the longest first, as many as have room."""
        found = sorted(set(map(float, tried)))
        found = [*found[:1], *found[1:][-1:], *found[1:-1]]
        low, high = np.log(self.panel.get_xlim())
        room = [text_width(said(value), SMALL) + 5 for value in found]
        kept = _apart(found, [math.log(value) for value in found], room, PANEL_ROOM / (high - low))
        self.panel.set_xticks(kept, [said(value) for value in kept])
        self.panel.tick_params(axis="x", bottom=True, length=3)

    def name(self, upright: str, along: str, heading: str) -> None:
        """Write what runs upwards and along, and what the rows say."""
        for axes, text, high in ((self.panel, upright, 6 + 13 * self.notes), (self.below, heading, 6)):
            axes.annotate(fit(text, PANEL_ROOM + MARGIN), (0, 1), xycoords="axes fraction",
                          xytext=(-MARGIN, high), textcoords="offset points", color=INK)  # fmt: skip
        self.panel.set_xlabel(fit(along, PANEL_ROOM))


def _scale(rows: Sequence[Row], amounts: Sequence[float]) -> tuple[float, float]:
    """Return from where to where a log scale goes: all amounts, and the limits that do not lie far beyond them."""
    low, high = min(amounts), max(amounts)
    if not low > 0:
        raise ValueError("what is drawn on a log scale must be above nought")
    ends = [value for row in rows for value in (row.middle, row.lower, row.upper)]
    near = [value for value in ends if low / _FAR <= value <= high * _FAR]
    low, high = min(low, *near, math.inf), max(high, *near, 0.0)
    spare = 0.1 * math.log(high / low) or 0.5
    return low * math.exp(-spare), high * math.exp(spare)


def _apart(values: Sequence[float], places: Sequence[float], room: Sequence[float], scale: float) -> list[float]:
    """Return, of values in the order of their worth, those whose words do not touch; `scale` is points a place."""
    kept: list[int] = []
    for at, place in enumerate(places):
        if all(scale * abs(place - places[one]) >= (room[at] + room[one]) / 2 for one in kept):
            kept.append(at)
    return sorted(values[at] for at in kept)


def _upright(panel: Axes, below: Axes, text: str, value: float, line: int) -> None:
    """Draw an upright line through the panel and the rows' bars, and say above what it is."""
    dash = DASHES[line]
    low, high = np.log(panel.get_xlim())
    right = (math.log(value) - low) / (high - low) < 0.5
    panel.plot([value] * 2, [0, 1], color=INK, linewidth=1.2, linestyle=dash, zorder=1.2,
               transform=panel.get_xaxis_transform())  # fmt: skip
    panel.plot([value] * 2, [1, 1 + 13 * (line + 0.8) / (72 * _PANEL)], color=RULE, linewidth=0.8, clip_on=False,
               zorder=0.5, transform=panel.get_xaxis_transform())  # fmt: skip
    panel.annotate(fit(text, PANEL_ROOM / 2, SMALL), (value, 1), xycoords=panel.get_xaxis_transform(),
                   xytext=(3 if right else -3, 3 + 13 * line), textcoords="offset points",
                   ha="left" if right else "right", color=MUTED, fontsize=SMALL)  # fmt: skip
    rows = round(max(below.get_ylim()) + 0.5)
    for at in range(rows):
        below.plot([value] * 2, [at + 0.02, at + 0.4], color=INK, linewidth=1.2, linestyle=dash, zorder=1)


def _row_below(axes: Axes, at: int, row: Row, *, bars: bool) -> None:
    """Draw a piece of a carrier's line with its name and what was found, and the bar beneath."""
    tone, marker, dash = style(at)
    height = at - 0.2 if bars else float(at)
    place = axes.get_yaxis_transform()
    start, end = -MARGIN / PANEL_ROOM, -7 / PANEL_ROOM
    axes.plot([start, end], [height] * 2, color=tone, linestyle=dash, linewidth=1.7, transform=place, clip_on=False)
    axes.plot([(start + end) / 2], [height], marker=marker, markersize=6.5, color=tone, markeredgecolor="white",
              markeredgewidth=0.5, transform=place, clip_on=False)  # fmt: skip
    room = PANEL_ROOM - text_width(row.amount, LETTERS) - LETTERS
    axes.text(0, height, fit(row.name, room), transform=place, va="center")
    axes.text(1, height, row.amount, transform=place, va="center", ha="right")
    if bars:
        axes.plot([0, 1], [at + 0.21] * 2, color=RULE, linewidth=0.8, transform=place, zorder=0)
        _bar(axes, at + 0.21, row, style(at))


def _bar(axes: Axes, height: float, row: Row, look: tuple[str, str, Any]) -> None:
    """Draw limits as a bar, with an arrow where they go on beyond the scale."""
    tone, marker, dash = look
    left, right = axes.get_xlim()
    if not math.isnan(row.lower):
        low, high = max(row.lower, left), min(row.upper, right)
        axes.plot([low, high], [height] * 2, color=tone, linewidth=2.4, linestyle=dash, solid_capstyle="butt")
        for beyond, end, sign in ((row.lower < left, left, "<"), (row.upper > right, right, ">")):
            if beyond:
                axes.plot([end], [height], marker=sign, markersize=6, color=tone, clip_on=False)
    if left <= row.middle <= right:
        axes.plot([row.middle], [height], marker=marker, markersize=7, color=tone, markeredgecolor="white", zorder=4)


def _more_axes(figure: Figure, bottom: float, up: float) -> Axes:
    """Return axes without a frame beneath the panel, all in inches."""
    width, height = figure.get_size_inches()
    axes = figure.add_axes((LEFT / width, bottom / height, PANEL_ROOM / 72 / width, up / height))
    axes.patch.set_visible(False)
    axes.set_axis_off()
    return axes


def moved(axes: Axes, points: float) -> Any:
    """Return the scale of the data, moved sideways by so many points."""
    from matplotlib.transforms import ScaledTranslation

    return axes.transData + ScaledTranslation(points / 72, 0, figures.figure_of(axes).dpi_scale_trans)


# --- text ------------------------------------------------------------------------------------------


def named(carrier: str) -> str:
    """Return what a carrier is called beside its row."""
    return "all boards" if carrier == ALL else carrier


def with_carrier(carrier: str) -> str:
    """Return `` with alcohol``, or nothing where there is one carrier only."""
    return "" if carrier == ALL else f" with {carrier}"


def wrapped(text: str, room: float, size: float, most: int, between: str = " ") -> list[str]:
    """Return a text in lines no wider than so many points, the last of at most so many cut where it must be."""
    first, *rest = text.split(between)
    lines = [first]
    for at, part in enumerate(rest):
        longer = lines[-1] + between + part
        if text_width(words.clean(longer), size) <= room:
            lines[-1] = longer
        elif len(lines) < most:
            lines[-1] += between.rstrip()
            lines.append(part)
        else:
            lines[-1] = between.join([lines[-1], *rest[at:]])
            break
    return [fit(line, room, size) for line in lines]


def nothing(sentence: str) -> Figure:
    """Draw a sentence that says why there is nothing to draw."""
    with theme():
        lines = wrapped(sentence, figures.ACROSS, LETTERS, 12)
        height = 0.2 + 0.2 * len(lines)
        axes = new_axes(figures.WIDTH, height, figures.SIDE, 0.1, figures.WIDTH - 2 * figures.SIDE, height - 0.2)
        axes.set_axis_off()
        for at, line in enumerate(lines):
            axes.text(0, 1 - (at + 0.5) / len(lines), line, va="center", color=MUTED, transform=axes.transAxes)
        return figures.figure_of(axes)
