"""Curves: the wait at which a lap shows, the load that makes wood dark enough, and how strong a carrier is.

Plain numbers first: `threshold` and `index_time` (when does it show), `dose_for` (how much for a target),
`relative_strength` (how many times as much), `ks` (what a darkness is worth in dye). `analysis.curves.of_trial` asks
them of a trial and answers in sentences.
"""

from analysis.curves.kubelka_munk import ks, ks_of_lightness, lightness, reflectance, reflectance_of_ks
from analysis.curves.lap_index import index_time
from analysis.curves.lines import StrengthFit, dose_for, relative_strength
from analysis.curves.ratio import Ratio, fieller
from analysis.curves.thresholds import threshold

__all__ = [
    "Ratio",
    "StrengthFit",
    "dose_for",
    "fieller",
    "index_time",
    "ks",
    "ks_of_lightness",
    "lightness",
    "reflectance",
    "reflectance_of_ks",
    "relative_strength",
    "threshold",
]
