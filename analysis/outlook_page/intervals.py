"""The picture of what can be told apart: the interval to expect at no gain, and at twice the worth."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.outlook_page import sentences
from analysis.outlook_page.drawing import SMALL, figure_of, fit, new_axes, text_width
from analysis.outlook_page.outlook import is_known, worth_of
from analysis.precision import Expected
from analysis.precision.verdicts import TRUE_GAIN
from analysis.report import inline_svg
from analysis.report.figures import BAND, INK, LETTERS, MUTED, RULE, WIDTH, theme

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SIDE, _ROW, _TOP, _FOOT = 0.14, 0.62, 0.28, 0.56
"""Inches: margins at the sides, a row's height, the room above and below the rows."""
_ACROSS = 72 * (WIDTH - 2 * _SIDE)
_LEAST_REACH, _MOST_REACH = 0.8, 1.8
"""Worths to either side of no gain and of twice the worth that are drawn; what reaches further leaves an arrow."""
DOTS = (0, (1, 1.2))


def expected_figure(answers: Sequence[Expected], name: str = "expected") -> str:
    """Draw the interval to expect of each question about no gain and about twice the worth, in worths.

    Parameters
    ----------
    answers : at least one, each to a question; those that cannot be judged say so.
    name : letters, digits and hyphens; another one for each picture of a page.

    Returns
    -------
    An SVG element.
    """
    if not answers:
        raise ValueError("there is no question to draw")
    with theme():
        axes = _axes(answers)
        for at, one in enumerate(answers):
            _row(axes, at, one)
        title = "What can be told apart, question by question"
        return inline_svg.element(figure_of(axes), name, title, _description(answers))


def _axes(answers: Sequence[Expected]) -> Axes:
    rows = len(answers)
    widest = max((one.half_width / worth_of(one) for one in answers if is_known(one)), default=_LEAST_REACH)
    reach = min(max(widest, _LEAST_REACH), _MOST_REACH) + 0.15
    axes = new_axes(WIDTH, _FOOT + rows * _ROW + _TOP, _SIDE, _FOOT, WIDTH - 2 * _SIDE, rows * _ROW)
    axes.set_xlim(-reach, TRUE_GAIN + reach)
    axes.set_ylim(rows - 0.5, -0.5)
    axes.yaxis.set_visible(False)
    axes.spines["left"].set_visible(False)
    axes.set_xticks([0, 1, TRUE_GAIN], ["no gain", "worth", "twice"])
    axes.tick_params(bottom=True, length=3)
    axes.set_xlabel("true gain, in worths")
    axes.text(1, -0.5 - 0.14 / _ROW, fit("settled, of 100 trials", _ACROSS, SMALL), color=MUTED, fontsize=SMALL,
              transform=axes.get_yaxis_transform(), ha="right")  # fmt: skip
    return axes


def _row(axes: Axes, at: int, one: Expected) -> None:
    known = is_known(one)
    right = sentences.settled_short(one) if known else ""
    room = _ACROSS - text_width(right, LETTERS) - LETTERS
    place = axes.get_yaxis_transform()
    axes.text(0, at - 0.27, fit(sentences.subject(one), room), transform=place, va="center", ha="left")
    axes.text(1, at - 0.27, right, transform=place, va="center", ha="right")
    if not known:
        axes.text(0, at + 0.14, fit("cannot be judged from this layout", _ACROSS, SMALL), transform=place,
                  va="center", color=MUTED, fontsize=SMALL)  # fmt: skip
        return
    _, high = axes.get_xlim()
    top, foot = at - 0.08, at + 0.38
    axes.fill_between([1, high], top, foot, color=BAND, linewidth=0, zorder=0)
    axes.plot([1, 1], [top, foot], color=INK, linewidth=1.2, zorder=1)
    for value in (0, TRUE_GAIN):
        axes.plot([value, value], [top, foot], color=RULE, linewidth=0.8, zorder=0.5)
    half = one.half_width / worth_of(one)
    _interval(axes, 0, half, at + 0.04, hollow=True)
    _interval(axes, TRUE_GAIN, half, at + 0.26, hollow=False)


def _interval(axes: Axes, centre: float, half: float, height: float, *, hollow: bool) -> None:
    """Draw an interval, its part beyond the worth dotted, with an arrow where it leaves the picture."""
    low, high = axes.get_xlim()
    start, end = max(centre - half, low), min(centre + half, high)
    tone = MUTED if hollow else INK
    inner = (start, min(end, 1)) if centre < 1 else (max(start, 1), end)
    axes.plot(inner, [height] * 2, color=tone, linewidth=3, solid_capstyle="butt", zorder=2)
    outer = (1, end) if centre < 1 else (start, 1)
    if outer[0] < outer[1]:
        axes.plot(outer, [height] * 2, color=tone, linewidth=3, linestyle=DOTS, zorder=2)
    for edge, cut, marker in ((start, centre - half < low, "<"), (end, centre + half > high, ">")):
        if cut:
            axes.plot(
                [edge], [height], marker=marker, color=tone, markersize=6, linestyle="none", clip_on=False, zorder=3
            )
    shape, face = ("o", "white") if hollow else ("D", INK)
    axes.plot([centre], [height], marker=shape, markersize=6, linestyle="none", markerfacecolor=face,
              markeredgecolor=tone, zorder=3)  # fmt: skip


def _description(answers: Sequence[Expected]) -> str:
    parts = []
    for one in answers:
        if is_known(one):
            half = sentences.amount(one.half_width / worth_of(one))
            parts.append(f"{sentences.subject(one)}: plus or minus {half} worths, settled {sentences.settled(one)}")
        else:
            parts.append(f"{sentences.subject(one)}: cannot be judged")
    return f"{sentences.told_apart(answers)} {'; '.join(parts)}."
