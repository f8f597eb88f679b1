"""Pictures of schedules against the brief."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import TYPE_CHECKING

import numpy as np

from analysis.report import figures, words
from analysis.report.curve_figures.panel import (
    FOOT,
    LINE,
    SMALL,
    nothing,
    wrapped,
)
from analysis.report.figures import INK, LETTERS, MUTED, RULE, fit, new_axes, text_width, theme
from analysis.schedules import Ranking
from analysis.schedules.ranking import NOT_TRIED, share_words, treatment_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SHOWN = 8
"""Combinations drawn if not said otherwise."""


def chances(ranking: Ranking, shown: int = SHOWN) -> Figure:
    """Draw the chance of the likeliest combinations to meet the brief, with intervals, of 100 patches.

    Parameters
    ----------
    shown : how many combinations at most.
    """
    rows = list(_chance_rows(ranking, shown))
    if not rows:
        return nothing(ranking.sentences[0])
    names = ", ".join(name.replace("_", " ") for name in ranking.treatment(0))
    signs = [sign for sign, drawn in (("thin: less likely than the first", not all(row.strong for row in rows)),
                                      ("open: not tried", not all(row.tried for row in rows))) if drawn]  # fmt: skip
    with theme():
        heads = wrapped(names, figures.ACROSS, SMALL, 2)
        heads += wrapped("; ".join(signs), figures.ACROSS, SMALL, 1) if signs else []
        texts = [_row_texts(row) for row in rows]
        tops = np.cumsum([0.0, *(0.34 + LINE * len(text) for text in texts)])
        top = 0.16 + 0.17 * len(heads)
        width = figures.WIDTH - 2 * figures.SIDE
        axes = new_axes(figures.WIDTH, FOOT + tops[-1] + top, figures.SIDE, FOOT, width, tops[-1])
        _chance_axes(axes, float(tops[-1]))
        for at, head in enumerate(reversed(heads)):
            axes.annotate(head, (0, 1), xycoords="axes fraction", xytext=(0, 7 + 12 * at),
                          textcoords="offset points", color=MUTED, fontsize=SMALL)  # fmt: skip
        for start, row, text in zip(tops, rows, texts, strict=False):
            _chance_row(axes, float(start), row, text)
        return figures.figure_of(axes)


def chances_told(ranking: Ranking, shown: int = SHOWN) -> list[str]:
    """Return what `chances` draws in words, for those who hear it."""
    told = []
    for at, row in enumerate(_chance_rows(ranking, shown)):
        rank = "the likeliest" if at == 0 else "as likely as far as can be told" if row.strong else "less likely"
        told.append(f"{row.treatment}: {row.amount}, {rank}" + ("" if row.tried else ", not tried"))
    rest = int(ranking.table["chance"].notna().sum()) - len(told)
    if rest > 0:
        told.append(f"{words.count(rest, 'more combination is', 'more combinations are')} not drawn")
    return list(map(words.clean, told))


def chances_caption(ranking: Ranking) -> str:
    """Say in one sentence which combination is likeliest to meet the brief, and how surely it stands first."""
    rows = list(_chance_rows(ranking, len(ranking.table)))
    if not rows:
        return words.clean(ranking.sentences[0])
    first, level = rows[0], sum(row.strong for row in rows[1:])
    tried = "" if first.tried else ", not tried yet"
    chance = f"{share_words(first.chance / 100)} patches ({first.lower:.0f} to {first.upper:.0f})"
    said = f"Likeliest to meet the brief is {first.treatment}{tried}: {chance}"
    if level:
        average = f"{100 * ranking.mean_of_alike:.0f} on average over it and these"
        said += f", but {words.count(level, 'other combination')} may be as good ({average})"
    elif len(rows) > 1:
        said += ", ahead of all others"
    return words.clean(said + ".")


@dataclass(frozen=True)
class _Chance:
    """One combination: its levels, its chance and limits of 100 patches, in words too."""

    levels: str
    treatment: str
    amount: str
    chance: float
    lower: float
    upper: float
    strong: bool
    tried: bool


def _chance_rows(ranking: Ranking, shown: int) -> Iterator[_Chance]:
    """Give the likeliest combinations of those that can be told."""
    told = ranking.table[ranking.table["chance"].notna()].head(shown)
    for at, row in enumerate(told.to_dict("records")):
        chance, lower, upper = (100 * float(row[name]) for name in ("chance", "lower", "upper"))
        amount = f"{share_words(chance / 100)} ({lower:.0f} to {upper:.0f})"
        treatment, tried = ranking.treatment(at), row["state"] != NOT_TRIED
        levels, said = ", ".join(treatment.values()), treatment_words(treatment)
        yield _Chance(levels, said, amount, chance, lower, upper, not row["told_from_best"], tried)


def _row_texts(row: _Chance) -> list[tuple[str, str]]:
    """Return the lines of a combination's words, left and right: no level is broken in two where it has room."""
    rights = [row.amount] if row.tried else [row.amount, "not tried"]
    room = figures.ACROSS - max(text_width(right, LETTERS) for right in rights) - LETTERS
    return list(zip_longest(wrapped(row.levels, room, LETTERS, 2, ", "), rights, fillvalue=""))


def _chance_axes(axes: Axes, height: float) -> None:
    """Set a scale of 0 to 100 along, and inches downwards."""
    axes.set_xlim(-2, 102)
    axes.set_ylim(height, 0)
    axes.set_xticks(range(0, 101, 20))
    axes.tick_params(bottom=True, length=3)
    axes.yaxis.set_visible(False)
    axes.spines["left"].set_visible(False)
    axes.set_xlabel(fit("patches of 100 on new boards that meet the brief", figures.ACROSS))


def _chance_row(axes: Axes, start: float, row: _Chance, texts: Sequence[tuple[str, str]]) -> None:
    """Draw one combination beneath its words, from so many inches downwards."""
    place = axes.get_yaxis_transform()
    tone, thick, marker, size = (INK, 3.0, "D", 8) if row.strong else (MUTED, 1.4, "o", 6.5)
    for line, (left, right) in enumerate(texts):
        axes.text(0, start + LINE * (line + 0.8), left, transform=place, va="center")
        axes.text(1, start + LINE * (line + 0.8), right, transform=place, va="center", ha="right")
    height = start + LINE * (len(texts) + 0.75)
    axes.plot([0, 100], [height] * 2, color=RULE, linewidth=0.8, zorder=0)
    axes.plot([row.lower, row.upper], [height] * 2, color=tone, linewidth=thick, solid_capstyle="butt")
    edge, face = ("white", tone) if row.tried else (tone, "white")
    axes.plot([row.chance], [height], marker=marker, markersize=size, markerfacecolor=face, markeredgecolor=edge,
              markeredgewidth=1.0 if row.tried else 1.5)  # fmt: skip
