"""The same pictures in characters, for a terminal 80 wide."""

from __future__ import annotations

import math
import textwrap

import pandas as pd

from analysis.outlook_page import sentences
from analysis.outlook_page.outlook import Outlook, is_known, worth_of
from analysis.precision import Expected
from analysis.precision.verdicts import TRUE_GAIN
from analysis.report import words

WIDTH = 80
_A_WORTH = 22
"""Characters for one worth; the scale runs from no gain to `_END` worths."""
_END = 3
LEGEND = "Scale from 0, no gain; │ worth having; ◆ twice that, in the interval to expect."

HEIGHT = 8
_MOST_ACROSS, _EDGE, _COLUMN = 70, 9, 5
"""Characters: the widest line, what stands before the first column, and a column."""
_BEYOND, _FEWEST = 3, 6
"""As many sizes beyond the one that is enough, and as many at least, as are shown."""
_BLOCKS = " ▁▂▃▄▅▆▇█"


def lines(outlook: Outlook) -> list[str]:
    """Return for each question a line of words and a bar: the interval to expect about twice the worth.

    Parameters
    ----------
    outlook : of which the answers to questions are shown.

    Returns
    -------
    Lines of at most 80 characters, a legend first; none if nothing was asked.
    """
    if not outlook.questions:
        return []
    found = [LEGEND] if any(map(is_known, outlook.questions)) else []
    for one in outlook.questions:
        found += _question(one)
    return found


def _question(one: Expected) -> list[str]:
    start = words.capital(sentences.subject(one))
    if not is_known(one):
        return ["", *_wrapped(f"{start}: {one.why_not or 'cannot be judged from this layout.'}")]
    text = f"{start} (worth {words.plain(worth_of(one))}): settled {sentences.about(one, sentences.settled(one))}"
    return ["", *_wrapped(text), f"  0 {bar(one.half_width / worth_of(one))}"]


def bar(half_width: float) -> str:
    """Draw the interval about twice the worth on a scale in worths; what leaves the scale ends in an arrow."""
    length = _END * _A_WORTH
    centre, worth = round(TRUE_GAIN * _A_WORTH), _A_WORTH
    low, high = round((TRUE_GAIN - half_width) * _A_WORTH), round((TRUE_GAIN + half_width) * _A_WORTH)
    row = ["·"] * (length + 1)
    for at in range(max(low, 0), min(high, length) + 1):
        row[at] = "─"
    row[max(low, 0)] = "◄" if low < 0 else "├"
    row[min(high, length)] = "►" if high > length else "┤"
    row[worth] = "┼" if low < worth else "│"
    row[centre] = "◆"
    return "".join(row)


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent="  ")


def curve_lines(table: pd.DataFrame, chance: float, *, several: bool = False) -> list[str]:
    """Draw the chance of settling a question against the number of boards as columns of blocks.

    Parameters
    ----------
    table : as `analysis.precision.size`; simulated chances (``method``) have a ~ before them.
    chance : that is wanted, drawn across.
    several : whether the two answers have chances of their own, of which the lesser is drawn.

    Returns
    -------
    Lines of at most 70 characters.
    """
    if not 0 < chance < 1:
        raise ValueError(f"a chance lies between 0 and 1, not at {chance}")
    rows = _thinned(table.sort_values("boards"), chance)
    levels = [_level(value) for value in rows["chance"]]
    wanted = math.ceil(HEIGHT * chance) - 1
    lesser = ", by the rarer of the two answers" if several else ""
    found = [f"times in 100 that it is settled{lesser} (wanted: {100 * chance:.3g}, drawn across)"]
    for height in reversed(range(HEIGHT)):
        gap = "╌" if height == wanted else " "
        cells = [f"{gap}{_block(level, height, gap) * 3}{gap}" for level in levels]
        edge = "100" if height == HEIGHT - 1 else f"{100 * chance:.0f}" if height == wanted else ""
        found.append(f"{edge:>7} │{''.join(cells)}".rstrip())
    found.append(f"{'0':>7} └{'─' * _COLUMN * len(levels)}")
    found.append(f"{'boards':>7}  {''.join(f'{int(count):^{_COLUMN}}' for count in rows['boards'])}".rstrip())
    found.append(f"{'of 100':>7}  {''.join(f'{text:^{_COLUMN}}' for text in _values(rows))}".rstrip())
    return found


def _thinned(rows: pd.DataFrame, chance: float) -> pd.DataFrame:
    """Return the sizes worth showing, as many as have room: none far beyond what is enough."""
    room = (_MOST_ACROSS - _EDGE) // _COLUMN
    enough = (rows["chance"] >= chance).to_numpy()
    if enough.any():
        rows = rows.iloc[: max(int(enough.argmax()) + 1 + _BEYOND, _FEWEST)]
    step = math.ceil(len(rows) / room) or 1
    return rows.iloc[(len(rows) - 1) % step :: step]


def _level(value: float) -> int:
    """Return how many eighths of a row a chance fills."""
    return 0 if math.isnan(value) else round(value * HEIGHT * 8)


def _block(level: int, height: int, gap: str) -> str:
    filled = min(max(level - 8 * height, 0), 8)
    return _BLOCKS[filled] if filled else gap


def _values(rows: pd.DataFrame) -> list[str]:
    methods = rows["method"] if "method" in rows else ["exact"] * len(rows)
    return [_value(*pair) for pair in zip(rows["chance"], methods, strict=True)]


def _value(chance: float, method: str) -> str:
    if math.isnan(chance):
        return "–"
    return ("~" if method == "simulated" else "") + sentences.per_hundred(chance).replace(" ", "")
