"""Pictures of results as SVG with real text: gains against what is worth having, means over raw patches, pairs.

One function a question, each of them a function of results; one look, set in `theme`. Levels differ by marker, line
style and lightness, so that the pictures hold in grey. Sizes suit a phone: a picture is `WIDTH` inches wide and its
letters stay readable when it is scaled down to 320 px.
"""

from __future__ import annotations

import math
import unicodedata
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analysis.decide import Comparison, Finding
from analysis.report import words
from analysis.responses import Analysis
from trials import geometry
from trials.plan import Factor, Response

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK = "#1f282c"
MUTED = "#556067"
RULE = "#c9cfcc"
BAND = "#e3e8e1"
TONES = ("#1c3440", "#7c3f22", "#35697a", "#8d6a1c", "#6f7f5a", "#8c84a6")
"""From dark to light, each at least 3 : 1 against white (WCAG 2.2, success criterion 1.4.11)."""
MARKERS = ("o", "s", "^", "D", "v", "P")
DASHES: tuple[Any, ...] = ("-", (0, (5, 2)), (0, (1.2, 1.6)), (0, (8, 2, 1.2, 2)), (0, (3, 1.4)), (0, (9, 2, 3, 2)))

WIDTH = 4.4
"""Inches; 422 CSS pixels."""
LETTERS = 10.0
"""Points; 13 CSS pixels, 10 on a phone."""
SIDE, _ROW, _BESIDE = 0.14, 0.56, 1.55
"""Inches: the margins of a picture of rows, a row's height, the room for names beside a picture of pairs."""
_SPARE = 1.06
"""What a screen's own rounding of letters may add to a text's width: measured, up to 5 % at these sizes."""
ACROSS = 72 * (WIDTH - 2 * SIDE)
"""Points: what a picture of rows has room for from side to side."""
_MOST_LEVELS_LEVEL = 5
"""More levels than this along the foot of a picture have their names set upright: as many as have room."""


_in_theme = ContextVar("_in_theme", default=False)


@contextmanager
def theme() -> Iterator[None]:
    """Set the one look of all pictures, whatever the user's own matplotlib settings are.

    Each picture sets it for itself; who draws many sets it once around them all, which is faster.
    """
    if _in_theme.get():
        yield
        return
    import matplotlib
    import seaborn

    look = seaborn.axes_style("white") | {
        "font.family": ["sans-serif"],
        "font.sans-serif": ["DejaVu Sans"],
        "font.size": LETTERS,
        "text.color": INK,
        "text.parse_math": False,
        "axes.edgecolor": MUTED,
        "axes.labelcolor": INK,
        "axes.labelsize": LETTERS,
        "axes.linewidth": 0.8,
        "xtick.color": MUTED,
        "ytick.color": MUTED,
        "xtick.labelcolor": INK,
        "ytick.labelcolor": INK,
        "xtick.labelsize": LETTERS - 1,
        "ytick.labelsize": LETTERS - 1,
        "figure.facecolor": "none",
        "axes.facecolor": "none",
        "svg.fonttype": "none",
        "svg.hashsalt": "splitboard",
    }
    with matplotlib.rc_context(), warnings.catch_warnings():
        # The reader's own fonts show the text: what the font used to measure it lacks does not matter.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        warnings.filterwarnings("ignore", message="Matplotlib currently does not support")
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(look)
        token = _in_theme.set(True)
        try:
            yield
        finally:
            _in_theme.reset(token)


# --- the pictures ----------------------------------------------------------------------------------


def gains(finding: Finding, response: Response) -> Figure:
    """Draw a finding's comparisons towards the aim, against no difference and what is worth having.

    Parameters
    ----------
    finding : with at least one comparison whose interval is known.
    response : its response.
    """
    rows = [one for one in words.towards_better(finding) if not math.isnan(one.gain_lower)]
    if not rows:
        raise ValueError("the finding has no comparison with an interval")
    low = min(0.0, *(one.gain_lower for one in rows))
    high = max(0.0, finding.worth or 0.0, *(one.gain_upper for one in rows))
    with theme():
        axes = rows_axes(len(rows), low, high, top=0.52)
        _worth_band(axes, finding.worth, len(rows))
        for at, one in enumerate(rows):
            _gain_row(axes, at, one, leading=finding.leading in (one, one.turned()))
        axes.set_xlabel(fit(words.gain_axis(response), ACROSS))
        return figure_of(axes)


def means(analysis: Analysis, factor: Factor, table: pd.DataFrame) -> Figure:
    """Draw the mean at each level with its interval, over the values of its patches.

    Parameters
    ----------
    table : as `Analysis.means` of the factor.
    """
    response = analysis.response
    low, high = _extent(analysis, table)
    with theme():
        axes = rows_axes(len(table), low, high, top=0.3 if response.target is None else 0.5)
        if response.target is not None:
            axes.axvline(response.target, color=MUTED, linewidth=1, linestyle=DASHES[2])
            note_above(axes, response.target, f"target {response.target:g}", 0)
        treated = analysis.table.treated
        for at, row in enumerate(table.to_dict("records")):
            values = np.sort(treated.loc[treated[factor.name] == row[factor.name], "value"].to_numpy(float))
            _mean_row(axes, at, str(row[factor.name]), values, row)
        axes.set_xlabel(fit(words.axis(response), ACROSS))
        return figure_of(axes)


def pair(analysis: Analysis, along: Factor, lines: Factor, table: pd.DataFrame) -> Figure:
    """Draw the mean of every cell of two factors with its interval, a line for each level of one of them.

    Parameters
    ----------
    along, lines : the factor along the foot, and the one with a line for each level.
    table : as `Analysis.means` of the pair.
    """
    upright = len(along.levels) > _MOST_LEVELS_LEVEL
    foot, left, top = (1.25 if upright else 0.58), 0.48, 0.3
    across = 72 * (WIDTH - left - _BESIDE)
    height = 2.75 + (0.65 if upright else 0.0)
    with theme():
        axes = new_axes(WIDTH, height, left, foot, across / 72, height - foot - top)
        for at, level in enumerate(lines.levels):
            rows = table[table[lines.name].astype(str) == level]
            _pair_line(axes, at, _places(along, rows, at, len(lines.levels)), rows)
        _pair_scale(axes, along, across, upright=upright)
        _pair_names(axes, along, lines, across, table)
        axes.text(0, 1.04, fit(words.axis(analysis.response), across), transform=axes.transAxes, color=INK)
        axes.set_xlabel(fit(along.words, across))
        return figure_of(axes)


def arrange(first: Factor, second: Factor) -> tuple[Factor, Factor]:
    """Return which of two factors goes along the foot and which has lines: more levels, or amounts, go along."""
    along = sorted((first, second), key=lambda factor: (len(factor.levels), factor.amounts is not None))
    return along[1], along[0]


# --- axes ------------------------------------------------------------------------------------------


def new_axes(width: float, height: float, left: float, bottom: float, across: float, up: float) -> Axes:
    """Return axes at a place of a new picture, all in inches."""
    import seaborn
    from matplotlib.figure import Figure as NewFigure

    figure = NewFigure(figsize=(width, height))
    figure.patch.set_visible(False)
    axes = figure.add_axes((left / width, bottom / height, across / width, up / height))
    axes.patch.set_visible(False)
    seaborn.despine(ax=axes)
    return axes


def rows_axes(number: int, low: float, high: float, top: float) -> Axes:
    """Return axes for so many rows, the first on top, along a scale that holds `low` to `high`."""
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    foot, body = 0.52, number * _ROW
    axes = new_axes(WIDTH, foot + body + top, SIDE, foot, WIDTH - 2 * SIDE, body)
    spare = 0.05 * (high - low) or 0.5
    axes.set_xlim(low - spare, high + spare)
    axes.set_ylim(number - 0.5, -0.5)
    axes.yaxis.set_visible(False)
    axes.spines["left"].set_visible(False)
    axes.xaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 2.5, 5, 10]))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: words.plain(value)))
    axes.tick_params(bottom=True, length=3)
    return axes


def figure_of(axes: Axes) -> Figure:
    """Return the picture that axes belong to."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    return figure


def _extent(analysis: Analysis, table: pd.DataFrame) -> tuple[float, float]:
    """Return the least and the greatest number a picture of means has to hold."""
    numbers = [analysis.table.treated["value"], table["mean"], table["lower"], table["upper"]]
    values = pd.concat(numbers).dropna().to_list()
    target = analysis.response.target
    if target is not None:
        values.append(target)
    return float(min(values)), float(max(values))


def _row_words(axes: Axes, at: int, left: str, right: str) -> None:
    """Write what a row shows above it, at its left and right end."""
    room = ACROSS - text_width(right, LETTERS) - LETTERS
    place = axes.get_yaxis_transform()
    size = LETTERS if text_width(left, LETTERS) <= room else LETTERS - 1  # a little smaller before it is cut
    axes.text(0, at - 0.26, fit(left, room, size), transform=place, va="center", ha="left", fontsize=size)
    axes.text(1, at - 0.26, right, transform=place, va="center", ha="right")


def note_above(axes: Axes, value: float, text: str, line: int) -> None:
    """Write above the rows what an upright line stands for, on the side that has more room."""
    low, high = axes.get_xlim()
    right = (value - low) / (high - low) < 0.5
    axes.annotate(
        fit(text, ACROSS / 2), (value, 1), xycoords=axes.get_xaxis_transform(),
        xytext=(2 if right else -2, 3 + 13 * line), textcoords="offset points",
        ha="left" if right else "right", color=MUTED, fontsize=LETTERS - 1,
    )  # fmt: skip


# --- gains -----------------------------------------------------------------------------------------


def _worth_band(axes: Axes, worth: float | None, rows: int) -> None:
    """Draw no difference and what is worth having: strong where intervals lie, faint where words stand."""
    marks = [(0.0, "no difference", MUTED, DASHES[0])]
    if worth is not None:
        marks.append((worth, f"worth having from {worth:g}", INK, DASHES[1]))
    for line, (value, text, tone, dash) in enumerate(marks):
        note_above(axes, value, text, line)
        top = -0.5 - 0.33 * line
        axes.plot([value, value], [top, rows - 0.5], color=RULE, linewidth=0.8, clip_on=False, zorder=0.5)
        for at in range(rows):
            axes.plot([value, value], [at - 0.1, at + 0.34], color=tone, linewidth=1.1, linestyle=dash, zorder=1)
    if worth is not None:
        for at in range(rows):
            axes.fill_between([worth, axes.get_xlim()[1]], at - 0.1, at + 0.34, color=BAND, linewidth=0, zorder=0)


def _gain_row(axes: Axes, at: int, one: Comparison, *, leading: bool) -> None:
    """Draw one comparison, the leading one stronger than the rest."""
    amount = words.with_interval(one.gain, one.gain_lower, one.gain_upper)
    _row_words(axes, at, f"{one.second} instead of {one.first}", amount)
    tone, thick, marker, size = (INK, 3.0, "D", 8) if leading else (MUTED, 1.6, "o", 6)
    height = at + 0.12
    axes.plot([one.gain_lower, one.gain_upper], [height] * 2, color=tone, linewidth=thick, solid_capstyle="butt")
    axes.plot([one.gain], [height], marker=marker, color=tone, markersize=size, markeredgecolor="white")


# --- means -----------------------------------------------------------------------------------------


def _mean_row(axes: Axes, at: int, level: str, values: np.ndarray, row: dict[Any, Any]) -> None:
    tone, marker, dash = style(at)
    known = not math.isnan(row["lower"])
    _row_words(axes, at, level, words.with_interval(row["mean"], row["lower"], row["upper"]))
    axes.scatter(values, at + 0.16 + jitter(len(values)) * 0.32, s=11, marker=marker, facecolors="none",
                 edgecolors=tone, linewidths=0.7, alpha=0.75, clip_on=False)  # fmt: skip
    if known:
        axes.plot([row["lower"], row["upper"]], [at + 0.16] * 2, color=tone, linewidth=2.2, linestyle=dash)
    edge, face = ("white", tone) if known else (tone, "white")
    axes.plot([row["mean"]], [at + 0.16], marker=marker, markersize=8.5, markeredgecolor=edge, markerfacecolor=face)


def style(at: int) -> tuple[str, str, Any]:
    """Return the tone, marker and line style of the level number `at`; no two of the first 36 share all three."""
    number, round_ = at % len(TONES), at // len(TONES)
    return TONES[number], MARKERS[(number + round_) % len(MARKERS)], DASHES[(number + 2 * round_) % len(DASHES)]


def jitter(number: int) -> np.ndarray:
    """Return so many places from -0.5 to 0.5, always the same, neighbours far apart: steps of the golden ratio."""
    return (np.arange(1, number + 1) * (math.sqrt(5) - 1) / 2) % 1 - 0.5


# --- pairs -----------------------------------------------------------------------------------------


def _places(along: Factor, rows: pd.DataFrame, at: int, lines: int) -> np.ndarray:
    """Return where the points of a line stand along the foot: beside each other, so that intervals stay apart."""
    order = {level: place for place, level in enumerate(along.levels)}
    spread = min(0.3, 0.09 * (lines - 1))
    shift = spread * (at / (lines - 1) - 0.5) if lines > 1 else 0.0
    return np.array([order[str(level)] + shift for level in rows[along.name]], dtype=float)


def _pair_line(axes: Axes, at: int, places: np.ndarray, rows: pd.DataFrame) -> None:
    tone, marker, dash = style(at)
    order = np.argsort(places)
    heights = rows["mean"].to_numpy(float)
    axes.plot(places[order], heights[order], color=tone, linewidth=1.6, linestyle=dash)
    axes.vlines(places, rows["lower"], rows["upper"], colors=tone, linewidth=1.1)
    axes.plot(places, heights, color=tone, marker=marker, markersize=7, linestyle="none", markeredgecolor="white")


def _pair_scale(axes: Axes, along: Factor, across: float, *, upright: bool) -> None:
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    axes.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 2.5, 5, 10]))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: words.plain(value)))
    axes.tick_params(left=True, bottom=True, length=3)
    axes.set_xlim(-0.4, len(along.levels) - 0.7)
    room = 60.0 if upright else across / len(along.levels)
    axes.set_xticks(range(len(along.levels)), [fit(level, room, LETTERS - 1) for level in along.levels],
                    rotation=90 if upright else 0)  # fmt: skip


def _pair_names(axes: Axes, along: Factor, lines: Factor, across: float, table: pd.DataFrame) -> None:
    """Write each line's level beside its last point, moved apart where they would touch."""
    low, high = axes.get_ylim()
    axes.set_ylim(low, high)
    beside, small = 72 * _BESIDE - 0.02 * across, LETTERS - 1
    name = fit(lines.words, beside, small)
    axes.text(1.02, 1.04, name, transform=axes.transAxes, color=MUTED, fontsize=small)
    last = sorted(_last_means(along, lines, table), key=lambda found: found[1])
    spots = geometry.spread([mean for _, mean in last], (high - low) * 0.085, low, high)
    place = axes.get_yaxis_transform()
    for spot, (at, mean) in zip(spots, last, strict=True):
        tone, marker, _ = style(at)
        axes.plot([1.0, 1.025, 1.05], [mean, spot, spot], color=tone, linewidth=0.8, transform=place, clip_on=False)
        axes.plot([1.075], [spot], marker=marker, markersize=5.5, color=tone, transform=place, clip_on=False)
        level = fit(lines.levels[at], beside - 0.1 * across, small)
        axes.text(1.11, spot, level, transform=place, va="center", fontsize=small)


def _last_means(along: Factor, lines: Factor, table: pd.DataFrame) -> Iterator[tuple[int, float]]:
    """Give for each line its number and its last mean that is known."""
    known = table[table["mean"].notna()]
    order = {level: place for place, level in enumerate(along.levels)}
    for at, level in enumerate(lines.levels):
        rows = known[known[lines.name].astype(str) == level]
        if len(rows):
            places = rows[along.name].astype(str).map(order)
            yield at, float(rows.loc[places.idxmax(), "mean"])


# --- text ------------------------------------------------------------------------------------------


def fit(text: str, room: float, size: float = LETTERS) -> str:
    """Return a text on one line that takes no more than so many points; what is cut off leaves a sign."""
    whole = " ".join(text.split())
    if text_width(words.clean(whole), size) <= room:
        return words.clean(whole)
    fits, fails = 0, len(whole)
    while fails - fits > 1:
        middle = (fits + fails) // 2
        if text_width(whole[:middle] + "…", size) <= room:
            fits = middle
        else:
            fails = middle
    return words.clean(whole[:fits]) + "…"


def text_width(text: str, size: float) -> float:
    """Return a text's width in points in a wide screen font, with some to spare; wide letters (UAX 11) are square."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    wide = [letter for letter in text if unicodedata.east_asian_width(letter) in "WF"]
    rest = text.translate(dict.fromkeys(map(ord, wide)))
    width, _, _ = text_to_path.get_text_width_height_descent(rest, FontProperties(size=size), ismath=False)
    return _SPARE * (float(width) + size * len(wide))
