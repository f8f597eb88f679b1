"""The picture of which effects are mixed up: a stair of names, a mark where two of them meet."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.outlook_page import sentences
from analysis.outlook_page.drawing import SMALL, figure_of, fit, new_axes, text_width
from analysis.report import inline_svg
from analysis.report.figures import INK, MUTED, RULE, WIDTH, theme
from trials.selection import Alias

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Effect = tuple[str, ...]

MOST_EFFECTS = 12
"""As many effects as have room for their marks and numbers."""
_ROOM = 72 * (WIDTH - 0.1)
_WIDEST, _NARROWEST, _HIGH, _KEY = 52.0, 20.0, 27.0, 34.0
"""Points: the width a column may have, the height of a row, the room for the key."""
_LARGEST = 12.0
"""Points: the side of a mark of complete confusion; others are smaller in proportion."""


def mixed_up_figure(mixed_up: Sequence[Alias], name: str = "mixed-up") -> str:
    """Draw which effects are mixed up with which, and how much.

    Parameters
    ----------
    mixed_up : as `trials.selection.aliases`, worst first.
    name : letters, digits and hyphens; another one for each picture of a page.

    Returns
    -------
    An SVG element; an empty text if nothing is mixed up. With more than `MOST_EFFECTS` effects, those mixed up most.
    """
    if not mixed_up:
        return ""
    effects = drawn_effects(mixed_up)
    pairs = drawn_pairs(mixed_up)
    with theme():
        cell, margin = _columns(effects)
        height = len(effects) * _HIGH + _KEY
        axes = new_axes(WIDTH, height / 72, 0.05, 0, _ROOM / 72, height / 72)
        axes.set_axis_off()
        axes.set_xlim(0, _ROOM)
        axes.set_ylim(height, 0)
        _stair(axes, effects, cell, margin)
        for pair in pairs:
            _mark(axes, pair, effects, cell, margin)
        _key(axes, pairs, len(effects) * _HIGH)
        return inline_svg.element(figure_of(axes), name, "Which effects are mixed up", _description(mixed_up))


def drawn_effects(mixed_up: Sequence[Alias]) -> list[Effect]:
    """Return the effects that are drawn, from the worst mixed up on: single factors first."""
    found: dict[Effect, None] = {}
    for pair in mixed_up:
        both = found | dict.fromkeys((pair.first, pair.second))
        if len(both) <= MOST_EFFECTS:
            found = both
    return sorted(found, key=len)


def drawn_pairs(mixed_up: Sequence[Alias]) -> list[Alias]:
    """Return the pairs whose effects are both drawn."""
    effects = set(drawn_effects(mixed_up))
    return [pair for pair in mixed_up if {pair.first, pair.second} <= effects]


def _columns(effects: Sequence[Effect]) -> tuple[float, float]:
    """Return the width of a column, and of the room before the first, in points."""
    widths = [text_width(sentences.effect(one), SMALL) + 6 for one in effects]
    cell = _WIDEST
    while True:
        margin = max(width - at * cell for at, width in enumerate(widths))
        if margin + (len(effects) - 1) * cell <= _ROOM or cell <= _NARROWEST:
            return cell, min(max(margin, 0.0), _ROOM - (len(effects) - 1) * cell)
        cell -= 1


def _stair(axes: Axes, effects: Sequence[Effect], cell: float, margin: float) -> None:
    """Write each name so that it ends one column further to the right than the one above."""
    for at, one in enumerate(effects):
        end = margin + at * cell
        text = _name(one, end - 4)
        axes.text(end - 2, (at + 0.5) * _HIGH, text, ha="right", va="center", fontsize=SMALL)


def _name(factors: Effect, room: float) -> str:
    """Return an effect's name; where it is too long, each of its factors is cut by itself."""
    whole = sentences.effect(factors)
    if text_width(whole, SMALL) <= room:
        return whole
    each = (room - (len(factors) - 1) * text_width(" × ", SMALL)) / len(factors)
    return " × ".join(fit(sentences.effect((factor,)), each, SMALL) for factor in factors)


def _mark(axes: Axes, pair: Alias, effects: Sequence[Effect], cell: float, margin: float) -> None:
    """Draw a mark where the row of one effect meets the column that comes down to the other."""
    row, column = sorted((effects.index(pair.first), effects.index(pair.second)))
    across, down = margin + (column - 0.5) * cell, (row + 0.36) * _HIGH
    axes.plot([margin + row * cell + 1, across], [down, down], color=RULE, linewidth=0.8, zorder=0)
    axes.plot([across, across], [down, (column + 0.26) * _HIGH], color=RULE, linewidth=0.8, zorder=0)
    side = _LARGEST * pair.correlation
    face = INK if pair.complete else "white"
    axes.plot([across], [down], marker="s", markersize=side, markerfacecolor=face, markeredgecolor=INK,
              markeredgewidth=1.2, linestyle="none")  # fmt: skip
    text = "complete" if pair.complete else f"r = {pair.correlation:.2f}"
    if text_width(text, SMALL) > cell:
        text = "" if pair.complete else f"{pair.correlation:.2f}"
    if text_width(text, SMALL) > cell:
        text = text.removeprefix("0")
    axes.text(across, down + 0.26 * _HIGH, text, ha="center", va="top", fontsize=SMALL)


def _key(axes: Axes, pairs: Sequence[Alias], top: float) -> None:
    """Say what the two kinds of marks stand for, those that are drawn."""
    lines = []
    if any(pair.complete for pair in pairs):
        lines.append((INK, _LARGEST, "complete: the two cannot be told apart"))
    if any(not pair.complete for pair in pairs):
        lines.append(("white", _LARGEST / 2, "partly, the larger the more, with the correlation r"))
    for at, (face, side, text) in enumerate(lines):
        height = top + 9 + 16 * at
        axes.plot([8], [height], marker="s", markersize=side, markerfacecolor=face, markeredgecolor=INK,
                  markeredgewidth=1.2, linestyle="none")  # fmt: skip
        axes.text(20, height, fit(text, _ROOM - 20, SMALL), va="center", color=MUTED, fontsize=SMALL)


def _description(mixed_up: Sequence[Alias]) -> str:
    pairs = drawn_pairs(mixed_up)
    texts = [
        f"{sentences.effect(one.first)} with {sentences.effect(one.second)}: "
        + ("complete" if one.complete else f"r = {one.correlation:.2f}")
        for one in pairs
    ]
    complete = sum(one.complete for one in mixed_up)
    return f"{sentences.mixed_up_count(len(mixed_up), len(pairs), complete)} {'; '.join(texts)}."
