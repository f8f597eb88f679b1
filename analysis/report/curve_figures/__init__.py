"""Pictures of curves and chances: laps against the wait, darkness against the load, schedules against the brief.

The look is that of `figures`. Carriers are named in rows beneath a picture, each beside a piece of its line with its
marker; the row holds what was found for it in words, and as a bar on the picture's own scale.
"""

from __future__ import annotations

from analysis.report.curve_figures.dyes import dye_lines, dye_lines_caption, dye_lines_told
from analysis.report.curve_figures.laps import lap_window, lap_window_caption, lap_window_told
from analysis.report.curve_figures.schedules import SHOWN, chances, chances_caption, chances_told

__all__ = [
    "SHOWN",
    "chances",
    "chances_caption",
    "chances_told",
    "dye_lines",
    "dye_lines_caption",
    "dye_lines_told",
    "lap_window",
    "lap_window_caption",
    "lap_window_told",
]
