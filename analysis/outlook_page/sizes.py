"""The pictures of size: what more boards bring a question, and what more assessors do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import pandas as pd

from analysis.outlook_page import sentences
from analysis.outlook_page.drawing import SMALL, figure_of, fit, heading, in_two_lines, more_axes, new_axes, note
from analysis.outlook_page.outlook import Size
from analysis.report import inline_svg, words
from analysis.report.figures import INK, MUTED, WIDTH, style, theme
from trials import geometry

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_LINES = 4
"""As many questions as one picture of lines has room to name."""
_LEFT, _BESIDE = 0.42, 1.5
_CHANCE, _WIDTHS, _BETWEEN, _FOOT, _TOP = 1.9, 1.0, 0.42, 0.54, 0.32
"""Inches: the margins, the heights of the two panels and the room between, below and above them."""
_ACROSS = WIDTH - _LEFT - _BESIDE
_BEYOND = 2
"""As many sizes as are drawn beyond the one that is enough for every question."""
_FEWEST_SIZES = 5
_MOST_WIDTH = 2.5
"""Worths: the half-width at which the second panel ends."""
_MOST_TICKS = 8
_UNDER = 0.2
"""A chance this much below the wanted one leaves no room for the word beneath that line."""


def size_figure(sizes: Sequence[Size], name: str = "size") -> str:
    """Draw the chance of settling each question, and its interval's half-width, against the number of boards.

    Parameters
    ----------
    sizes : 1 to `MOST_LINES` questions.
    name : letters, digits and hyphens; another one for each picture of a page.

    Returns
    -------
    An SVG element. Simulated chances are open marks with two of their standard errors to either side.
    """
    if not 1 <= len(sizes) <= MOST_LINES:
        raise ValueError(f"a picture holds 1 to {MOST_LINES} questions, not {len(sizes)}")
    last = last_shown(sizes)
    tables = [one.known[one.known["boards"] <= last] for one in sizes]
    with theme():
        height = _FOOT + _WIDTHS + _BETWEEN + _CHANCE + _TOP
        upper = new_axes(WIDTH, height, _LEFT, _FOOT + _WIDTHS + _BETWEEN, _ACROSS, _CHANCE)
        lower = more_axes(figure_of(upper), _LEFT, _FOOT, _ACROSS, _WIDTHS)
        _chance_scale(upper, sizes, tables)
        for at, (one, table) in enumerate(zip(sizes, tables, strict=True)):
            _chances(upper, at, one, table)
            _half_widths(lower, at, one, table)
        _boards_scale(upper, lower, tables)
        _width_scale(lower, sizes, tables)
        _names(upper, sizes, tables)
        title = "What more boards bring"
        return inline_svg.element(figure_of(upper), name, title, sentences.boards_needed(sizes))


def last_shown(sizes: Sequence[Size]) -> int:
    """Return the largest number of boards worth showing: a little more than each of the questions needs."""
    boards = sorted({int(count) for one in sizes for count in one.table["boards"]})
    enough = [one.enough for one in sizes if len(one.known)]
    if not boards:
        return 0
    if not enough or None in enough:
        return boards[-1]
    at = boards.index(max(count for count in enough if count is not None))
    return boards[min(max(at + _BEYOND, _FEWEST_SIZES - 1), len(boards) - 1)]


def _look(at: int) -> dict[str, object]:
    """Return how the line number `at` is drawn: thinner than the one beneath, so that equal ones are both seen."""
    tone, _, dash = style(at)
    return {"color": tone, "linestyle": dash, "linewidth": 3.4 - 0.8 * at, "zorder": 2 + at}


def _marks(at: int, *, filled: bool) -> dict[str, object]:
    tone, marker, _ = style(at)
    return {
        "marker": marker, "markersize": 8.5 - 1.2 * at, "linestyle": "none", "markeredgecolor": tone,
        "markerfacecolor": tone if filled else "white", "zorder": 3 + at,
    }  # fmt: skip


def _chances(axes: Axes, at: int, one: Size, table: pd.DataFrame) -> None:
    boards, chances = table["boards"].to_numpy(float), 100 * table["chance"].to_numpy(float)
    axes.plot(boards, chances, clip_on=False, **_look(at))  # type: ignore[arg-type]
    simulated = _is_simulated(table)
    if "chance_se" in table:
        errors = 200 * table["chance_se"].to_numpy(float)
        for count, chance, error in zip(boards, chances, errors, strict=True):
            if error > 0:
                span = [max(chance - error, 0), min(chance + error, 100)]
                axes.plot([count] * 2, span, color=style(at)[0], linewidth=1, marker="_", markersize=6, zorder=2 + at)
    for filled in (True, False):
        some = simulated != filled
        axes.plot(boards[some], chances[some], clip_on=False, **_marks(at, filled=filled))  # type: ignore[arg-type]
    if one.enough is not None:
        reached = float(table.loc[table["boards"] == one.enough, "chance"].iloc[0])
        axes.plot([one.enough] * 2, [0, 100 * reached], color=MUTED, linewidth=0.8, linestyle=(0, (1, 2)), zorder=1)


def _is_simulated(table: pd.DataFrame) -> pd.Series:
    method = table["method"] if "method" in table else pd.Series("exact", index=table.index)
    return (method == "simulated").to_numpy()


def _half_widths(axes: Axes, at: int, one: Size, table: pd.DataFrame) -> None:
    boards, widths = table["boards"].to_numpy(float), table["half_width"].to_numpy(float) / one.worth
    axes.plot(boards, widths, **_look(at))  # type: ignore[arg-type]
    axes.plot(boards, widths, **_marks(at, filled=True))  # type: ignore[arg-type]


def _chance_scale(axes: Axes, sizes: Sequence[Size], tables: Sequence[pd.DataFrame]) -> None:
    axes.set_ylim(0, 100)
    axes.set_yticks([0, 20, 40, 60, 80, 100])
    axes.tick_params(left=True, bottom=True, length=3)
    ends = [float(table["chance"].iloc[-1]) for table in tables if len(table)]
    for chance in sorted({one.chance for one in sizes}):
        axes.axhline(100 * chance, color=MUTED, linewidth=1, linestyle=(0, (5, 3)), zorder=1)
        in_the_way = any(chance - _UNDER < end < chance for end in ends)
        left = {"xytext": (2, 3), "ha": "left", "va": "bottom"}
        right = {"xytext": (0, -3), "ha": "right", "va": "top"}
        axes.annotate("wanted", (0 if in_the_way else 1, 100 * chance), xycoords=axes.get_yaxis_transform(),
                      textcoords="offset points", color=MUTED, fontsize=SMALL,
                      **(left if in_the_way else right))  # type: ignore[arg-type]  # fmt: skip
    heading(axes, "settled, of 100 trials", 72 * _ACROSS)


def _width_scale(axes: Axes, sizes: Sequence[Size], tables: Sequence[pd.DataFrame]) -> None:
    widths = [float(table["half_width"].max()) / one.worth for one, table in zip(sizes, tables, strict=True)]
    most = max((width for width in widths if math.isfinite(width)), default=1.0)
    axes.set_ylim(0, min(max(1.1 * most, 1.25), _MOST_WIDTH))
    axes.set_yticks([0, 1, 2] if axes.get_ylim()[1] >= 2 else [0, 0.5, 1], None)
    axes.yaxis.set_major_formatter(lambda value, _: words.plain(value))
    axes.tick_params(left=True, bottom=True, length=3)
    axes.axhline(1, color=MUTED, linewidth=1, linestyle=(0, (5, 3)), zorder=1)
    note(axes, 1.03, 1 / axes.get_ylim()[1], "one worth", va="center")
    heading(axes, "half-width, in worths", 72 * _ACROSS)


def _boards_scale(upper: Axes, lower: Axes, tables: Sequence[pd.DataFrame]) -> None:
    boards = sorted({int(count) for table in tables for count in table["boards"]})
    least, most = (boards[0], boards[-1]) if boards else (0, 1)
    spare = 0.04 * (most - least) or 0.5
    shown: list[int] = []
    for count in boards:
        if not shown or count - shown[-1] >= (most - least) / _MOST_TICKS:  # else their numbers would touch
            shown.append(count)
    for axes, named in ((upper, False), (lower, True)):
        axes.set_xlim(least - spare, most + spare)
        axes.set_xticks(shown, [str(count) if named else "" for count in shown])
    lower.set_xlabel("boards")


def _names(axes: Axes, sizes: Sequence[Size], tables: Sequence[pd.DataFrame]) -> None:
    """Write each question beside the last point of its line, moved apart where two would touch."""
    ends = [100 * float(table["chance"].iloc[-1]) if len(table) else 0.0 for table in tables]
    order = sorted(range(len(sizes)), key=lambda at: (ends[at], -at))
    gap = 100 * 31 / (72 * _CHANCE)
    spots = geometry.spread([ends[at] for at in order], gap, 5, 97)
    place = axes.get_yaxis_transform()
    for spot, at in zip(spots, order, strict=True):
        look = _look(at)
        axes.plot([1.03, 1.17], [spot] * 2, transform=place, clip_on=False, **look)  # type: ignore[arg-type]
        axes.plot([1.1], [spot], transform=place, clip_on=False, **_marks(at, filled=True))  # type: ignore[arg-type]
        text = in_two_lines(sizes[at].words, 72 * (_BESIDE - 0.2 * _ACROSS) - 3)
        if not len(tables[at]):
            text = fit(text, 72 * (_BESIDE - 0.2 * _ACROSS) - 3, SMALL) + "\ncannot be judged"
        axes.text(1.2, spot, text, transform=place, va="center", fontsize=SMALL, linespacing=1.1)


# --- assessors -------------------------------------------------------------------------------------

_PANEL, _PANEL_ROOM = 1.66, 1.0
_SPACE, _ABOVE = 0.5, 0.52


def with_readers(sizes: Sequence[Size]) -> list[Size]:
    """Return those for which something is known of more assessors."""
    return [one for one in sizes if one.readers is not None and bool(one.readers["chance"].notna().any())]


def readers_figure(sizes: Sequence[Size], name: str = "assessors") -> str:
    """Draw the chance of settling each question against the number of assessors, a line for each number of looks.

    Parameters
    ----------
    sizes : 1 to `MOST_LINES` questions that have `readers`.
    name : letters, digits and hyphens; another one for each picture of a page.

    Returns
    -------
    An SVG element.
    """
    if not 1 <= len(sizes) <= MOST_LINES or len(with_readers(sizes)) < len(sizes):
        raise ValueError(f"a picture holds 1 to {MOST_LINES} questions whose readers are known, not {len(sizes)}")
    rows = math.ceil(len(sizes) / 2)
    foot = 0.78
    height = foot + rows * (_PANEL_ROOM + _ABOVE) + (rows - 1) * 0.3
    with theme():
        figure = None
        for at, one in enumerate(sizes):
            left = _LEFT + (at % 2) * (_PANEL + _SPACE)
            bottom = height - (at // 2 + 1) * (_PANEL_ROOM + _ABOVE) - (at // 2) * 0.3
            if figure is None:
                axes = new_axes(WIDTH, height, left, bottom, _PANEL, _PANEL_ROOM)
                figure = figure_of(axes)
            else:
                axes = more_axes(figure, left, bottom, _PANEL, _PANEL_ROOM)
            _reader_panel(axes, one)
        assert figure is not None
        _reader_key(figure_of(axes).axes[0], sizes, height - _ABOVE - _PANEL_ROOM)
        title = "What more assessors bring"
        return inline_svg.element(figure, name, title, sentences.readers_help(sizes))


def _reader_panel(axes: Axes, one: Size) -> None:
    assert one.readers is not None
    table = one.readers[one.readers["chance"].notna()]
    finite = table[table["assessors"] < math.inf]
    counts = sorted({int(count) for count in finite["assessors"]})
    beyond = (counts[-1] if counts else 0) + 1
    for at, looks in enumerate(sorted(set(finite["repeats"]))):
        rows = finite[finite["repeats"] == looks].sort_values("assessors")
        axes.plot(rows["assessors"], 100 * rows["chance"], clip_on=False, **_look(at))  # type: ignore[arg-type]
        axes.plot(rows["assessors"], 100 * rows["chance"], clip_on=False, **_marks(at, filled=True))  # type: ignore[arg-type]
    endless = table.loc[table["assessors"] == math.inf, "chance"]
    for chance in endless:
        axes.plot([beyond], [100 * chance], marker="D", markersize=6, markerfacecolor="white", markeredgecolor=INK,
                  linestyle="none", clip_on=False, zorder=4)  # fmt: skip
    axes.axhline(100 * one.chance, color=MUTED, linewidth=1, linestyle=(0, (5, 3)), zorder=1)
    axes.set_xlim((counts[0] if counts else beyond) - 0.3, beyond + 0.3)
    axes.set_ylim(0, 100)
    axes.set_yticks([0, 50, 100])
    named = [*counts, beyond] if len(endless) else counts
    axes.set_xticks(named, [*map(str, counts), "∞"][: len(named)])
    axes.tick_params(left=True, bottom=True, length=3)
    axes.annotate(in_two_lines(one.words, 72 * (_PANEL + 0.3)), (0, 1), xycoords="axes fraction", xytext=(-12, 10),
                  textcoords="offset points", fontsize=SMALL, color=INK, linespacing=1.1)  # fmt: skip


def _reader_key(axes: Axes, sizes: Sequence[Size], above: float) -> None:
    """Say at the foot of the picture what its lines stand for; `above` is how high the axes stand, in inches."""
    from matplotlib.lines import Line2D

    figure = figure_of(axes)
    width, height = (float(side) for side in figure.get_size_inches())
    looks = sorted({int(count) for one in sizes if one.readers is not None for count in one.readers["repeats"]})
    figure.text(_LEFT / width, 0.36 / height, "assessors (∞: endlessly many), settled of 100 trials", fontsize=SMALL,
                color=INK)  # fmt: skip
    left = _LEFT
    for at, count in enumerate(looks[:MOST_LINES]):
        line = Line2D([left / width, (left + 0.4) / width], [0.17 / height] * 2, **_look(at))  # type: ignore[arg-type]
        figure.add_artist(line)
        figure.text((left + 0.47) / width, 0.12 / height, words.count(count, "look"), fontsize=SMALL, color=MUTED)
        left += 1.05
