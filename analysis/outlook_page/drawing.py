"""What the pictures of the page share: axes in inches, text that fits, names in two lines."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.report import figures
from analysis.report.figures import INK, LETTERS, MUTED

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SMALL = LETTERS - 1
"""Points: letters of names and notes."""

new_axes = figures.new_axes
fit = figures.fit
text_width = figures.text_width


def figure_of(axes: Axes) -> Figure:
    """Return the picture that axes belong to."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    return figure


def more_axes(figure: Figure, left: float, bottom: float, across: float, up: float) -> Axes:
    """Return further axes at a place of a picture, all in inches."""
    import seaborn

    width, height = figure.get_size_inches()
    axes = figure.add_axes((left / width, bottom / height, across / width, up / height))
    axes.patch.set_visible(False)
    seaborn.despine(ax=axes)
    return axes


def in_two_lines(text: str, room: float, size: float = SMALL) -> str:
    """Return a text on one line, or on two, each of them no wider than so many points."""
    parts = text.split()
    whole = " ".join(parts)
    if text_width(whole, size) <= room or len(parts) < 2:
        return fit(whole, room, size)
    first = 1
    while first < len(parts) - 1 and text_width(" ".join(parts[: first + 1]), size) <= room:
        first += 1
    return "\n".join(fit(" ".join(some), room, size) for some in (parts[:first], parts[first:]))


def note(axes: Axes, across: float, up: float, text: str, **more: object) -> None:
    """Write a small muted note at a share of the axes' extent."""
    look = {"color": MUTED, "fontsize": SMALL, "transform": axes.transAxes} | more
    axes.text(across, up, text, **look)  # type: ignore[arg-type]


def heading(axes: Axes, text: str, room: float) -> None:
    """Write above the axes what runs upwards."""
    axes.annotate(
        fit(text, room), (0, 1), xycoords="axes fraction", xytext=(0, 8), textcoords="offset points", color=INK
    )
