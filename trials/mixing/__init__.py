"""What to weigh and what to measure: volumes, dye, blends, retarder, shellac, stocks, and a trial's batches.

Amounts are kept in mL, g, m² and g/L, and written as a balance and a beaker show them. Where the trade has two ways
of saying one thing (of carrier or up to, of the total or on top, by the gallon of alcohol or of solution) one recipe
is given, and the other way beneath it where it comes out differently.
"""

from __future__ import annotations

from trials.mixing import words
from trials.mixing.amounts import (
    ALCOHOL_G_ML,
    DYE_G_ML,
    FLAKES_G_ML,
    FLOOR_ML,
    FT2_M2,
    IMPERIAL_FL_OZ_ML,
    IMPERIAL_GAL_ML,
    IMPERIAL_QT_ML,
    LB_G,
    OZ_G,
    SOLUBLE_G_L,
    US_FL_OZ_ML,
    US_GAL_ML,
    US_QT_ML,
    WASTE,
    Basis,
    System,
    Unit,
    grams,
    in_ounces,
    measured,
    millilitres,
    per_cent,
    plain,
)
from trials.mixing.balance import (
    OneStock,
    Share,
    Stock,
    Thinning,
    Tools,
    Weighing,
    one_stock,
    smallest_weighable,
    stock_route,
    weigh,
    weigh_dye,
)
from trials.mixing.batch import Batch, Mixing, Settings, StockOffer
from trials.mixing.batches import batches
from trials.mixing.liquids import (
    Blend,
    Dye,
    Load,
    Retarder,
    Volume,
    blend,
    dye,
    on_top_to_total,
    read_load,
    retarder,
    total_to_on_top,
    volume,
)
from trials.mixing.mixture import Mixture, Part, mixture
from trials.mixing.shellac import Recut, Shellac, recut, recut_to, shellac

__all__ = [
    "ALCOHOL_G_ML", "DYE_G_ML", "FLAKES_G_ML", "FLOOR_ML", "FT2_M2", "IMPERIAL_FL_OZ_ML", "IMPERIAL_GAL_ML",
    "IMPERIAL_QT_ML", "LB_G", "OZ_G", "SOLUBLE_G_L", "US_FL_OZ_ML", "US_GAL_ML", "US_QT_ML", "WASTE", "Basis",
    "Batch", "Blend", "Dye", "Load", "Mixing", "Mixture", "OneStock", "Part", "Recut", "Retarder", "Settings",
    "Share", "Shellac", "Stock", "StockOffer", "System", "Thinning", "Tools", "Unit", "Volume", "Weighing",
    "batches", "blend", "dye", "grams", "in_ounces", "measured", "millilitres", "mixture", "on_top_to_total",
    "one_stock", "per_cent", "plain", "read_load", "recut", "recut_to", "retarder", "shellac",
    "smallest_weighable", "stock_route", "total_to_on_top", "volume", "weigh", "weigh_dye", "words",
]  # fmt: skip
