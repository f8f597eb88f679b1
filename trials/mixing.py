"""What to weigh and what to measure: volumes, dye, blends, retarder, shellac, dilutions, and a trial's batches.

Amounts are kept in mL, g, m² and g/L; words give them in metric first, US and imperial beside. Where the trade has
two ways of saying one thing (of carrier or up to, of the total or on top, by the gallon of alcohol or of solution)
both are shown.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from trials import geometry, units
from trials.errors import Problem, UserError
from trials.materials import BUILT_IN, Material, Materials, Schedule, is_nothing, schedule
from trials.plan import Factor, Plan

if TYPE_CHECKING:
    import pandas as pd

OZ_G = 28.349523125
LB_G = 453.59237
US_GAL_ML = 3785.411784
IMPERIAL_GAL_ML = 4546.09
FT2_M2 = 0.09290304
"""NIST Handbook 44, appendix C, and NIST SP 811, appendix B.8: all exact."""
US_FL_OZ_ML, US_QT_ML = US_GAL_ML / 128, US_GAL_ML / 4
IMPERIAL_FL_OZ_ML, IMPERIAL_QT_ML = IMPERIAL_GAL_ML / 160, IMPERIAL_GAL_ML / 4

FLAKES_G_ML = 1.11
ALCOHOL_G_ML = 0.80
"""Density of shellac flakes and of alcohol: from memory."""
DYE_G_ML = 1.5
"""Density of dye powder, for the room it takes up in its carrier: assumed."""
WASTE = 0.25
"""What rag and cup keep of a small batch, 25 to 50 %: working value, no source."""
FLOOR_ML = 60.0
"""The least that is worth mixing: working value, no source."""
SOLUBLE_G_L = 59.9
"""2 oz by weight a US quart, which may be more than dissolves: common practice, no source."""
SHRINKS = "Volumes of different liquids do not add up exactly (alcohol and water shrink by some 3 %, from memory)."

Basis = Literal["of carrier", "up to"]
Unit = Literal["g", "mL"]


# --- volumes -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Volume:
    """What an area takes: m², coats, m²/L, the share for waste, and the least that is mixed in mL."""

    area_m2: float
    coats: int
    coverage_m2_l: float
    waste: float
    floor_ml: float

    @property
    def exact_ml(self) -> float:
        """What lands on the wood."""
        return self.area_m2 * self.coats * 1000 / self.coverage_m2_l

    @property
    def with_waste_ml(self) -> float:
        """What lands on the wood and what is lost."""
        return self.exact_ml * (1 + self.waste)

    @property
    def floor_bites(self) -> bool:
        """Whether less would do than can sensibly be mixed."""
        return self.with_waste_ml < self.floor_ml

    @property
    def ml(self) -> float:
        """What to mix."""
        return max(self.with_waste_ml, self.floor_ml)

    def lines(self) -> list[str]:
        """Return it in words."""
        said = [
            f"{area_words(self.area_m2)}, {self.coats} coat{'s' if self.coats > 1 else ''} at "
            f"{coverage_words(self.coverage_m2_l)}: {volume_words(self.exact_ml)}; with {100 * self.waste:g} % for "
            f"waste {volume_words(self.with_waste_ml)}."
        ]
        if self.floor_bites:
            said.append(f"That is less than is worth mixing: make {volume_words(self.floor_ml)}.")
        return said


def volume(
    area: float | str, coverage: float | str, *, coats: int = 1, waste: float = WASTE, floor_ml: float = FLOOR_ML
) -> Volume:
    """Return what an area takes.

    Parameters
    ----------
    area, coverage : m² and m²/L, or texts with their units, such as ``"6 ft^2"`` and ``"300 ft^2/gal"``.
    coats, waste, floor_ml : how many; the share that is lost; the least that is mixed.

    Raises
    ------
    UserError
        Area, coverage or coats not above 0, or waste below 0.
    """
    surface = _above_zero(_amount(area, "area"), "the area", "m²")
    spread = _above_zero(_amount(coverage, "spread"), "the coverage", "m²/L")
    if coats < 1:
        raise UserError(Problem(f"{coats} coats is none", "write how many coats, 1 or more"))
    if not 0 <= waste < 10:
        raise UserError(Problem(f"a waste of {waste:g} is no share", "write one from 0 up, such as 0.25"))
    return Volume(surface, coats, spread, waste, floor_ml)


# --- dye ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Load:
    """How much dye in a litre: g of powder or mL of concentrate; `basis` where the writing itself settles it."""

    amount: float
    measured: Literal["by mass", "by volume"]
    text: str
    basis: Basis | None = None

    @property
    def words(self) -> str:
        """The load in metric, US and imperial: ``30.0 g/L (1 oz by weight per US qt, ...)``."""
        if self.measured == "by volume":
            unit, us_oz, imperial_oz = "mL/L", "US fl oz", "imperial fl oz"
            us, imperial = self.amount * 32 / 1000, self.amount * 40 / 1000
        else:
            unit, us_oz, imperial_oz = "g/L", "oz by weight", "oz by weight"
            us, imperial = (self.amount * quart / 1000 / OZ_G for quart in (US_QT_ML, IMPERIAL_QT_ML))
        beside = f"{_three(us)} {us_oz} per US qt, {_three(imperial)} {imperial_oz} per imperial qt"
        return f"{_three(self.amount)} {unit} ({beside})"


def read_load(text: str) -> Load:
    """Read a dye load: ``30 g/L``, ``1 oz (weight)/qt``, ``30 mL/L``, ``1 fl oz/qt``, or ``3 %`` of the total.

    Raises
    ------
    UserError
        No number, no unit, an unknown one, an ounce that does not say of what, or nothing above 0.
    """
    parts = units.split(text)
    unit = parts[1] if parts else ""
    kind = units.kind_of(unit) if unit else None
    if parts and kind == "share":
        load = Load(10 * parts[0], "by volume", text.strip(), "up to")
    elif parts and kind is None and unit.count("/") == 1:
        above, below = unit.split("/")
        poured = units.read(f"{parts[0]:.9f} {above.strip()}", "volume").amount
        load = Load(1000 * poured / units.read(f"1 {below.strip()}", "volume").amount, "by volume", text.strip())
    else:
        load = Load(units.read(text, "dye load").amount, "by mass", text.strip())
    _above_zero(load.amount, f"the dye load {text!r}", "g/L or mL/L")
    if load.basis and load.amount >= 1000:
        raise UserError(Problem(f"{text!r} leaves no room for the carrier", "write less than 100 %"))
    return load


@dataclass(frozen=True)
class Dye:
    """Dye in its carrier: so much per litre OF CARRIER, or made UP TO a litre.

    Attributes
    ----------
    load, basis : how strong, and of what.
    volume_ml : the carrier (``of carrier``) or the finished liquid (``up to``).
    """

    load: Load
    basis: Basis
    volume_ml: float

    @property
    def dye(self) -> float:
        """What to weigh in g, or measure in mL."""
        return self.load.amount * self.volume_ml / 1000

    @property
    def room_ml(self) -> float:
        """The room the dye takes up."""
        return self.dye / DYE_G_ML if self.load.measured == "by mass" else self.dye

    @property
    def carrier_ml(self) -> float:
        """The carrier to measure."""
        return self.volume_ml if self.basis == "of carrier" else self.volume_ml - self.room_ml

    @property
    def finished_ml(self) -> float:
        """Carrier and dye together."""
        return self.carrier_ml + self.room_ml

    @property
    def per_litre_finished(self) -> float:
        """The dye in a litre of the finished liquid, g or mL."""
        return 1000 * self.dye / self.finished_ml

    @property
    def difference(self) -> float:
        """By how much ``up to`` is stronger than ``of carrier`` for the same load, as a share."""
        return self.room_ml / self.volume_ml

    def lines(self) -> list[str]:
        """Return it in words, the other way of saying it too."""
        powder = self.load.measured == "by mass"
        amount = mass_words(self.dye) if powder else volume_words(self.dye)
        dose = f"{'Weigh' if powder else 'Measure'} {amount} of dye {'powder' if powder else 'concentrate'}"
        here, there = volume_words(self.volume_ml), volume_words(self.carrier_ml)
        if self.basis == "of carrier":
            said = [
                f"{dose} into {here} of carrier, {volume_words(self.finished_ml)} in all: {self.load.words}, "
                "per litre OF CARRIER.",
                f"Made UP TO {here} it would be {100 * self.difference:.1f} % stronger.",
            ]
        else:
            weaker = 100 * self.difference / (1 + self.difference)
            said = [
                f"{dose} and fill UP TO {here}, with some {there} of carrier: {self.load.words}, "
                "made up to the litre.",
                f"Into {here} OF CARRIER it would be {weaker:.1f} % weaker.",
            ]
        if not powder:
            said.append(f"The concentrate is {_three(100 * self.dye / self.finished_ml)} % of the whole.")
        if powder and self.load.amount >= SOLUBLE_G_L:
            said.append("That may be more than dissolves: let it settle and filter it.")
        return said


def dye(load: Load | str, volume_ml: float, basis: Basis = "of carrier") -> Dye:
    """Return what goes into a volume of carrier, or into a volume of finished liquid.

    A load written in per cent is one of the whole, whatever `basis` says.
    """
    strength = read_load(load) if isinstance(load, str) else load
    if basis not in ("of carrier", "up to"):
        raise ValueError(f"basis is {basis!r}, not 'of carrier' or 'up to'")
    return Dye(strength, strength.basis or basis, _above_zero(volume_ml, "the volume", "mL"))


# --- blends and retarder -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Blend:
    """A blend in parts by volume: the names, the shares of the whole, and the mL of each."""

    names: tuple[str, ...]
    shares: tuple[float, ...]
    volumes_ml: tuple[float, ...]

    def lines(self) -> list[str]:
        """Return it in words."""
        each = zip(self.names, self.shares, self.volumes_ml, strict=True)
        return [*(f"{name}: {100 * share:.2f} %, {volume_words(ml)}." for name, share, ml in each), SHRINKS]


def blend(parts: Mapping[str, float], total_ml: float) -> Blend:
    """Return the mL of each liquid in a blend given in parts by volume."""
    if not parts:
        raise UserError(Problem("a blend of nothing", "name at least one liquid and its parts"))
    for name, part in parts.items():
        _above_zero(part, f"the parts of {name!r}", "parts")
    whole = math.fsum(parts.values())
    shares = tuple(part / whole for part in parts.values())
    total = _above_zero(total_ml, "the volume", "mL")
    return Blend(tuple(parts), shares, tuple(share * total for share in shares))


@dataclass(frozen=True)
class Retarder:
    """So many per cent of retarder, both ways: of the total, and added on top.

    Attributes
    ----------
    percent : as it was said.
    volume_ml : the whole for ``of the total``, the liquid it is added to for ``on top``.
    load : the dye load of that liquid, where it is already dyed.
    """

    percent: float
    volume_ml: float
    load: Load | None = None

    @property
    def retarder_ml(self) -> float:
        """The retarder to measure, the same number either way."""
        return self.volume_ml * self.percent / 100

    @property
    def base_of_total_ml(self) -> float:
        """What it is mixed with to make `volume_ml`, of the total."""
        return self.volume_ml - self.retarder_ml

    @property
    def total_on_top_ml(self) -> float:
        """What there is after it is added on top."""
        return self.volume_ml + self.retarder_ml

    @property
    def to_add_for_of_total_ml(self) -> float:
        """What to add to `volume_ml` so that it is `percent` of the total."""
        return self.volume_ml * total_to_on_top(self.percent) / 100

    @property
    def load_on_top(self) -> float | None:
        """The load that is left of a dyed liquid once it is added on top."""
        return None if self.load is None else self.load.amount / (1 + self.percent / 100)

    def lines(self) -> list[str]:
        """Return both ways in words."""
        said = [
            f"{self.percent:g} % OF THE TOTAL: {volume_words(self.retarder_ml)} of retarder and "
            f"{volume_words(self.base_of_total_ml)} of the rest make {volume_words(self.volume_ml)}.",
            f"{self.percent:g} % ADDED ON TOP: {volume_words(self.retarder_ml)} of retarder to "
            f"{volume_words(self.volume_ml)} make {volume_words(self.total_on_top_ml)}, of which it is "
            f"{on_top_to_total(self.percent):.2f} %.",
        ]
        if self.load is not None and self.load_on_top is not None:
            unit = "g/L" if self.load.measured == "by mass" else "mL/L"
            fall = 100 * (1 - self.load_on_top / self.load.amount)
            said.append(
                f"On top of ready dye it also dilutes it, from {_three(self.load.amount)} to "
                f"{_three(self.load_on_top)} {unit} ({fall:.1f} % less): dose the dye on the final volume."
            )
        return [*said, SHRINKS]


def retarder(percent: float, volume_ml: float, load: Load | str | None = None) -> Retarder:
    """Return a share of retarder both ways."""
    _share(percent)
    strength = read_load(load) if isinstance(load, str) else load
    return Retarder(percent, _above_zero(volume_ml, "the volume", "mL"), strength)


def on_top_to_total(percent: float) -> float:
    """Return what per cent of the total it is, if `percent` is added on top."""
    return 100 * percent / (100 + percent)


def total_to_on_top(percent: float) -> float:
    """Return what per cent to add on top, so that it is `percent` of the total."""
    return 100 * percent / (100 - percent)


# --- shellac -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Shellac:
    """A pound cut: `cut_lb` pounds of dry flakes dissolved in one US gallon OF ALCOHOL, here in `alcohol_ml`."""

    cut_lb: float
    alcohol_ml: float
    flakes_g_ml: float = FLAKES_G_ML

    @property
    def flakes_g(self) -> float:
        """The flakes to weigh."""
        return self.cut_lb * LB_G / US_GAL_ML * self.alcohol_ml

    @property
    def finished_ml(self) -> float:
        """Flakes and alcohol together."""
        return self.alcohol_ml + self.flakes_g / self.flakes_g_ml

    @property
    def solids_percent(self) -> float:
        """Flakes in the whole, by weight."""
        return 100 * self.flakes_g / (self.flakes_g + self.alcohol_ml * ALCOHOL_G_ML)

    @property
    def g_per_l_finished(self) -> float:
        """Flakes in a litre of the finished solution."""
        return 1000 * self.flakes_g / self.finished_ml

    def lines(self) -> list[str]:
        """Return it in words."""
        return [
            f"{self.cut_lb:g} lb cut: weigh {mass_words(self.flakes_g)} of flakes into "
            f"{volume_words(self.alcohol_ml)} of alcohol; {volume_words(self.finished_ml)} in all, "
            f"{self.solids_percent:.1f} % solids by weight.",
            "Stir or shake every 30 min until it is dissolved, in no metal container; date the jar, and discard it "
            "when a drop on glass stays gummy.",
        ]


def shellac(cut_lb: float, *, alcohol_ml: float | None = None, finished_ml: float | None = None) -> Shellac:
    """Return a cut made with so much alcohol, or made to so much finished solution (give one of the two)."""
    if (alcohol_ml is None) == (finished_ml is None):
        raise ValueError("give alcohol_ml or finished_ml")
    _above_zero(cut_lb, "the cut", "lb")
    if alcohol_ml is None:
        room = 1 + cut_lb * LB_G / US_GAL_ML / FLAKES_G_ML
        alcohol_ml = _above_zero(finished_ml or 0.0, "the volume", "mL") / room
    return Shellac(cut_lb, _above_zero(alcohol_ml, "the alcohol", "mL"))


@dataclass(frozen=True)
class Recut:
    """A cut thinned to a weaker one, reckoned from the mass of flakes in `solution_ml` of it."""

    start: Shellac
    target_lb: float
    solution_ml: float

    @property
    def flakes_g(self) -> float:
        """The flakes in what is thinned."""
        return self.start.g_per_l_finished * self.solution_ml / 1000

    @property
    def add_ml(self) -> float:
        """The alcohol to add."""
        held = self.solution_ml * self.start.alcohol_ml / self.start.finished_ml
        return self.flakes_g / (self.target_lb * LB_G / US_GAL_ML) - held

    @property
    def per_part(self) -> float:
        """Parts of alcohol to one part of the start, both cuts per gallon of alcohol."""
        return self.add_ml / self.solution_ml

    @property
    def naive_per_part(self) -> float:
        """The same if a cut were taken as simple strength."""
        return self.start.cut_lb / self.target_lb - 1

    @property
    def mixed_per_part(self) -> float:
        """The same with the start per gallon of alcohol and the target per gallon of solution."""
        return self.flakes_g / (self.target_lb * LB_G / US_GAL_ML) / self.solution_ml - 1

    @property
    def target(self) -> Shellac:
        """What it becomes."""
        alcohol_ml = self.flakes_g / (self.target_lb * LB_G / US_GAL_ML)
        return Shellac(self.target_lb, alcohol_ml, self.start.flakes_g_ml)

    def lines(self) -> list[str]:
        """Return it in words, naming the trap."""
        return [
            f"From a {self.start.cut_lb:g} to a {self.target_lb:g} lb cut: to {volume_words(self.solution_ml)} add "
            f"{volume_words(self.add_ml)} of alcohol, {self.per_part:.2f} parts to one; solids by weight fall from "
            f"{self.start.solids_percent:.1f} to {self.target.solids_percent:.1f} %.",
            f"The trap: dividing the cuts gives {self.naive_per_part:.2f} parts, and a target taken per gallon of "
            f"solution {self.mixed_per_part:.2f}. A cut counts the alcohol, so this goes by the mass of the flakes.",
        ]


def recut(start_lb: float, target_lb: float, solution_ml: float, flakes_g_ml: float = FLAKES_G_ML) -> Recut:
    """Return what alcohol thins one cut to another.

    Raises
    ------
    UserError
        The target is not weaker than the start.
    """
    _above_zero(target_lb, "the cut", "lb")
    if target_lb >= start_lb:
        raise UserError(
            Problem(
                f"thinning a {start_lb:g} lb cut cannot make it {target_lb:g} lb",
                "name a weaker cut, or dissolve more flakes in it",
            )
        )
    return Recut(Shellac(start_lb, 1000.0, flakes_g_ml), target_lb, _above_zero(solution_ml, "the volume", "mL"))


# --- dilutions ---------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Dilution:
    """One level of a series: what to put together, how strong it comes out, and its error as a share.

    ``stock_ml`` is of the level before it (one after the other) or of the first one (straight from stock).
    """

    load: float
    stock_ml: float
    carrier_ml: float
    error: float


@dataclass(frozen=True)
class Series:
    """Half steps down from a stock, made one from the other and made straight from the stock."""

    one_after_other: tuple[Dilution, ...]
    straight: tuple[Dilution, ...]

    def lines(self) -> list[str]:
        """Return both ways in words."""
        said = []
        for name, levels in (("One after the other", self.one_after_other), ("Straight from stock", self.straight)):
            said.append(f"{name}:")
            said.extend(
                f"{_three(level.load)}: {volume_words(level.stock_ml)} and {volume_words(level.carrier_ml)} of "
                f"carrier, within {100 * level.error:.1f} %."
                for level in levels[1:]
            )
        return [*said, "Equal steps to the eye need equal ratios of load, not equal differences."]


def half_steps(start: float, levels: int, volume_ml: float, transfer_error: float = 0.02) -> Series:
    """Return a series in which each level is half the one before, the first being the stock itself.

    Parameters
    ----------
    start : the load of the stock, in any unit.
    levels : how many, the stock counted.
    volume_ml : what is wanted of each level.
    transfer_error : the relative error of one measured transfer.

    Notes
    -----
    Made one from the other, independent errors add as squares: level k has transfer_error times the root of k.
    Each level but the last is made larger by what the next one takes from it.
    """
    _above_zero(start, "the load of the stock", "g/L")
    _above_zero(volume_ml, "the volume", "mL")
    if levels < 1:
        raise ValueError("levels must be 1 or more")
    made = [volume_ml]
    for _ in range(levels - 1):
        made.insert(0, volume_ml + made[0] / 2)
    chain = [Dilution(start, made[0], 0.0, 0.0)]
    straight = [Dilution(start, volume_ml, 0.0, 0.0)]
    for step in range(1, levels):
        share = 0.5**step
        chain.append(Dilution(start * share, made[step] / 2, made[step] / 2, transfer_error * math.sqrt(step)))
        straight.append(Dilution(start * share, volume_ml * share, volume_ml * (1 - share), transfer_error))
    return Series(tuple(chain), tuple(straight))


# --- the balance -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Weighing:
    """An amount as a balance or a measure shows it: what is wanted, one division, the relative error allowed."""

    amount: float
    division: float
    allowed: float
    unit: Unit = "g"

    @property
    def shown(self) -> float:
        """The figure to weigh or measure to."""
        return round(self.amount / self.division) * self.division

    @property
    def error(self) -> float:
        """By how much that figure misses what is wanted, as a share."""
        return abs(self.shown - self.amount) / self.amount

    @property
    def doubt(self) -> float:
        """Half a division, as a share of the amount."""
        return self.division / 2 / self.amount

    @property
    def smallest(self) -> float:
        """The least that is within the error allowed."""
        return smallest_weighable(self.division, self.allowed)

    @property
    def is_enough(self) -> bool:
        """Whether the amount is within the error allowed."""
        return self.amount >= self.smallest * (1 - 1e-12)

    def lines(self) -> list[str]:
        """Return it in words."""
        tool = "A balance that reads" if self.unit == "g" else "A measure in steps of"
        shown = f"{self.shown:.{_decimals(self.division)}f} {self.unit}"
        if self.is_enough:
            return [
                f"{tool} {self.division:g} {self.unit} shows {shown}: {100 * self.error:.1f} % off, and "
                f"± {100 * self.doubt:.1f} % for half a division."
            ]
        return [
            f"{tool} {self.division:g} {self.unit} may be {100 * self.doubt:.0f} % off on "
            f"{_words(self.amount, self.unit)}: within {100 * self.allowed:g} % it takes "
            f"{_words(self.smallest, self.unit)} and more."
        ]


def smallest_weighable(division: float, allowed: float) -> float:
    """Return the least a balance weighs, or a measure holds, within a relative error.

    Half a division is its rounding; the instrument's own error comes on top, and is on its sheet.
    """
    _above_zero(division, "one division", "g or mL")
    return division / 2 / _above_zero(allowed, "the error allowed", "such as 0.02")


def weigh(amount: float, division: float, allowed: float = 0.02, unit: Unit = "g") -> Weighing:
    """Return an amount as a balance (g) or a measure (mL) of that division shows it."""
    smallest_weighable(division, allowed)
    return Weighing(_above_zero(amount, "the amount", unit), division, allowed, unit)


@dataclass(frozen=True)
class Stock:
    """An amount too small for the balance or the measure, taken from a stock.

    Attributes
    ----------
    dye, stock_ml : what is weighed (or measured), and what it is filled up to.
    take_ml, add_ml : what is taken of that, and the carrier added.
    error : rounding of all measures, added as squares, as a share of what is wanted.
    unit : of the dye.
    """

    dye: float
    stock_ml: float
    take_ml: float
    add_ml: float
    error: float
    unit: Unit = "g"

    @property
    def taken(self) -> float:
        """The dye in the part that is taken."""
        return self.dye * self.take_ml / self.stock_ml

    def lines(self) -> list[str]:
        """Return it in words."""
        return [
            f"{'Weigh' if self.unit == 'g' else 'Measure'} {_words(self.dye, self.unit)} instead, fill up to "
            f"{volume_words(self.stock_ml)}, take {volume_words(self.take_ml)} of that and add "
            f"{volume_words(self.add_ml)} of carrier: {_words(self.taken, self.unit)} in it, within "
            f"{100 * self.error:.1f} %."
        ]


def stock_route(
    wanted: Weighing, finished_ml: float, *, measure_ml: float, most_per_litre: float | None = None
) -> Stock:
    """Return how to come by an amount that is below what the balance or the measure can tell.

    Parameters
    ----------
    wanted : the amount, with the division it is weighed in and the error allowed.
    finished_ml : the finished liquid it is wanted in.
    measure_ml : one division of what liquids are measured in.
    most_per_litre : the strongest stock that is made, in the amount's unit a litre; `SOLUBLE_G_L` for powder.

    Raises
    ------
    UserError
        The batch is too small to be measured within the error allowed.

    Notes
    -----
    Five roundings come together (weighed, filled up, the figure filled up to, taken, added); each is kept within
    the error allowed over the root of 5, so that their squares add up to it at most.
    """
    most = most_per_litre or (SOLUBLE_G_L if wanted.unit == "g" else 1000.0)
    each = wanted.allowed / math.sqrt(5)
    least = smallest_weighable(measure_ml, each)
    weighed = max(smallest_weighable(wanted.division, each), wanted.amount)
    weighed = math.ceil(weighed / wanted.division - 1e-9) * wanted.division
    times = weighed / wanted.amount
    take = max(_above_zero(finished_ml, "the volume", "mL") / times, least, 1000 * wanted.amount / most)
    take = max(min(math.ceil(take / measure_ml - 1e-9) * measure_ml, finished_ml), least)
    if take > finished_ml:
        raise UserError(
            Problem(
                f"a batch of {volume_words(finished_ml)} is too small to be measured in steps of {measure_ml:g} mL",
                "make a larger batch, use a finer measure, or allow a larger error",
            )
        )
    filled = max(round(take * times / measure_ml) * measure_ml, take)
    doubts = (wanted.division / weighed, measure_ml / filled, measure_ml / take, measure_ml / finished_ml)
    error = math.hypot(*(doubt / 2 for doubt in doubts), weighed * take / filled / wanted.amount - 1)
    return Stock(weighed, filled, take, finished_ml - take, error, wanted.unit)


# --- a trial's batches -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Settings:
    """What the bench has and how it works; the kinds are ``dye``, ``seal coat``, ``glaze`` and ``top coat``.

    Attributes
    ----------
    coverage, coats : m²/L and number of coats of a kind, where they are not those of the table and the steps.
    waste, floor_ml : the share that is lost; the least that is mixed.
    balance_g, measure_ml, syringe_ml : one division of the balance, of what liquids are measured in, and of what
        concentrate is drawn up in.
    allowed : the relative error that may come of rounding the dye.
    basis : what a dye load is counted in.
    load : the dye load of a trial that does not vary it, such as ``30 g/L``.
    """

    coverage: Mapping[str, float] = field(default_factory=dict)
    coats: Mapping[str, int] = field(default_factory=dict)
    waste: float = WASTE
    floor_ml: float = FLOOR_ML
    balance_g: float = 0.01
    measure_ml: float = 0.5
    syringe_ml: float = 0.1
    allowed: float = 0.02
    basis: Basis = "of carrier"
    load: str = ""


@dataclass(frozen=True)
class Batch:
    """One liquid, made at once for every piece that gets it.

    Attributes
    ----------
    kind, what : ``dye``, ``seal coat``, ``glaze`` or ``top coat``; the material in words.
    levels : the factors and levels that call for it.
    pieces : (board, lane, strip) of each piece it covers, 0 for all lanes or strips.
    volume : from area, coats, coverage and waste; `made_ml` is that rounded up to what can be measured.
    coverage_source : where the coverage comes from.
    recipe, retarder, weighing, stock : what goes into it, and how it is weighed, as far as it is mixed here.
    lacking : what the plan would have to say for a recipe, or nothing.
    cautions : names of `trials.materials.CAUTIONS`.
    """

    kind: str
    what: str
    levels: tuple[tuple[str, str], ...]
    pieces: tuple[tuple[int, int, int], ...]
    volume: Volume
    made_ml: float
    coverage_source: str
    recipe: Dye | Shellac | None = None
    retarder: Retarder | None = None
    weighing: Weighing | None = None
    stock: Stock | None = None
    lacking: str = ""
    cautions: tuple[str, ...] = ()

    @property
    def boards(self) -> tuple[int, ...]:
        """The boards it is for."""
        return tuple(sorted({board for board, _, _ in self.pieces}))

    def lines(self) -> list[str]:
        """Return it in words, from the wood to the scales."""
        levels = ", ".join(f"{name.replace('_', ' ')} {level}" for name, level in self.levels)
        lane, strip = (any(piece[at] for piece in self.pieces) for at in (1, 2))
        piece = "patch" if lane and strip else "lane" if lane else "strip" if strip else "board"
        many = "" if len(self.pieces) == 1 else "es" if piece == "patch" else "s"
        where = f"{len(self.pieces)} {piece}{many}"
        if piece == "board":
            where += f" ({', '.join(map(str, self.boards))})"
        elif len(self.pieces) > 1 or piece != "board":
            where += f" on board{'s' if len(self.boards) > 1 else ''} {', '.join(map(str, self.boards))}"
        said = [
            f"{self.kind[:1].upper()}{self.kind[1:]}: {self.what}{f' ({levels})' if levels else ''}, for {where}."
        ]
        said += [*self.volume.lines(), f"Coverage: {self.coverage_source}."]
        if self.made_ml > self.volume.ml:
            said.append(f"Rounded up to what can be measured: {volume_words(self.made_ml)}.")
        for part in (self.recipe, self.retarder, self.weighing, self.stock):
            said += part.lines() if part else []
        return [*said, *([self.lacking] if self.lacking else [])]


@dataclass(frozen=True)
class Mixing:
    """All batches of a trial, and what could not be reckoned, in sentences."""

    batches: tuple[Batch, ...]
    left_out: tuple[str, ...]

    @property
    def cautions(self) -> tuple[str, ...]:
        """The cautions that any batch calls for."""
        return tuple(dict.fromkeys(name for batch in self.batches for name in batch.cautions))

    def lines(self) -> list[str]:
        """Return it in words."""
        said = ["Mix each in one go for all its pieces: a second batch is never quite the first."]
        return said + [line for batch in self.batches for line in batch.lines()] + list(self.left_out)


def batches(plan: Plan, patches: pd.DataFrame, materials: Materials, settings: Settings | None = None) -> Mixing:
    """Return what to mix for a laid-out trial, one batch for all pieces that get the same liquid.

    Parameters
    ----------
    plan : its factors, steps and boards.
    patches : the layout's: board, lane, strip, one column a factor, control.
    materials : from `trials.materials.load`.
    settings : the bench's.

    Raises
    ------
    UserError
        A carrier or a coat that the table does not know, a load written for another kind of dye, a coverage that
        is not above 0, or a batch too small to be measured.

    Notes
    -----
    A liquid laid on boards covers the whole face but the label end and the controls; laid on lanes or strips, these
    with the guards they run over; laid on patches, the patches. What no factor varies covers the boards; the top
    coat also the controls.
    """
    settings = settings or Settings()
    work = schedule(plan, materials)
    rows = [_row(row) for row in patches.to_dict("records")]
    made: list[Batch] = []
    left_out: list[str] = []
    for kind in ("dye", "seal coat", "glaze", "top coat"):
        factors = _factors(work, kind)
        stages = ("carrier", "dye") if kind == "dye" else (kind,)
        if not factors and not any(work.texts[stage] for stage in stages):
            continue
        wetted = rows if kind == "top coat" else [row for row in rows if not row["control"]]
        for levels, on in _groups(wetted, rows, factors, kind):
            try:
                found = _batch(work, kind, levels, _pieces(plan, rows, on, factors), settings)
            except _UnknownError as reason:
                left_out.append(str(reason))
            else:
                made += [found] if found else []
    return Mixing(tuple(made), tuple(dict.fromkeys(left_out)))


class _UnknownError(Exception):
    """Too little is said to reckon a batch; the sentence says what."""


def _row(row: Mapping[Any, Any]) -> dict[str, Any]:
    """Return a patch with empty text for what is not there."""
    return {str(key): "" if value is None or value != value else value for key, value in row.items()}


def _factors(work: Schedule, kind: str) -> tuple[Factor, ...]:
    """Return the factors whose levels need liquids of their own."""
    if kind != "dye":
        return (work.factors[kind],) if kind in work.factors else ()
    named = [work.factors[role] for role in ("carrier", "dye") if role in work.factors]
    loads = [factor for factor in work.plan.factors if _is_load(factor) or _is_retarder(factor)]
    return tuple(factor for factor in work.plan.factors if factor in [*named, *loads])


def _is_load(factor: Factor) -> bool:
    words = factor.words.casefold()
    if factor.unit == "g/L":
        return True
    if _is_retarder(factor) or not any(word in words for word in ("dye", "load", "strength", "concentrat")):
        return False
    try:
        return all(read_load(level).amount > 0 for level in factor.levels)
    except UserError:
        return False


def _is_retarder(factor: Factor) -> bool:
    return factor.unit == "percent" and "retarder" in factor.words.casefold()


def _groups(
    wetted: Sequence[dict[str, Any]], rows: Sequence[dict[str, Any]], factors: tuple[Factor, ...], kind: str
) -> Iterator[tuple[dict[str, str], list[dict[str, Any]]]]:
    """Yield the levels of each liquid, in the plan's order, and the patches that get it."""
    if not factors:
        yield {}, list(wetted)
        return
    groups: dict[tuple[str, ...], list[dict[str, Any]]] = {}
    for row in wetted:
        levels = tuple(str(row[factor.name]) for factor in factors)
        if all(levels):
            groups.setdefault(levels, []).append(row)
    for levels in sorted(groups, key=lambda each: [f.levels.index(at) for f, at in zip(factors, each, strict=True)]):
        yield dict(zip((factor.name for factor in factors), levels, strict=True)), groups[levels]


def _pieces(
    plan: Plan, rows: Sequence[dict[str, Any]], on: Sequence[dict[str, Any]], factors: tuple[Factor, ...]
) -> dict[tuple[int, int, int], float]:
    """Return the pieces a liquid covers and the mm² of each, less the controls that do not get it."""
    laid = {factor.laid_on for factor in factors}
    by_lane = bool(laid & {"lane", "patch"})
    by_strip = bool(laid & {"strip", "patch"})

    def piece(row: Mapping[str, Any]) -> tuple[int, int, int]:
        return int(row["board"]), int(row["lane"]) * by_lane, int(row["strip"]) * by_strip

    whole = _mm2(plan, by_lane, by_strip)
    one = geometry.patch(plan.boards, 1, 1)
    covered = dict.fromkeys(map(piece, on), whole)
    gets = {(row["board"], row["lane"], row["strip"]) for row in on}
    for row in rows:
        if row["control"] and piece(row) in covered and (row["board"], row["lane"], row["strip"]) not in gets:
            covered[piece(row)] -= one.length * one.width
    return covered


def _mm2(plan: Plan, by_lane: bool, by_strip: bool) -> float:
    """Return the area of one piece: a face, a lane or a strip with the guards it runs over, or a patch."""
    boards = plan.boards
    first, last = geometry.patch(boards, 1, 1), geometry.patch(boards, boards.lanes, boards.strips)
    if not by_lane and not by_strip:
        return (boards.length_mm - boards.label_end_mm) * boards.width_mm
    length = first.length if by_strip else last.x + last.length - first.x
    width = first.width if by_lane else last.y + last.width - first.y
    return length * width


def _batch(
    work: Schedule,
    kind: str,
    levels: dict[str, str],
    pieces: Mapping[tuple[int, int, int], float],
    settings: Settings,
) -> Batch | None:
    """Return one liquid's batch, or None where the level is to leave it out."""
    if kind != "dye" and kind in work.factors and is_nothing(levels[work.factors[kind].name]):
        return None
    named = _named(work, kind, levels)
    entry = next((each for each in named if each.kind == ("carrier" if kind == "dye" else kind)), None)
    spread, source = _coverage(work, kind, entry, levels, settings)
    coats = settings.coats.get(kind) or _coats(f"{'; '.join(levels.values())}; {work.texts[kind]}")
    amount = volume(sum(pieces.values()) / 1e6, spread, coats=coats, waste=settings.waste, floor_ml=settings.floor_ml)
    made_ml = math.ceil(amount.ml / settings.measure_ml - 1e-9) * settings.measure_ml
    recipe, slow = _recipe(work, kind, named, levels, made_ml, settings)
    weighing, stock = _weighed(recipe, settings)
    return Batch(
        kind, " in ".join(each.words for each in named) or "; ".join(levels.values()) or work.texts[kind],
        tuple(levels.items()), tuple(sorted(pieces)), amount, made_ml, source, recipe, slow, weighing, stock,
        _lacking(kind, entry, recipe), _cautions(work, kind, named, recipe, levels),
    )  # fmt: skip


def _lacking(kind: str, entry: Material | None, recipe: Dye | Shellac | None) -> str:
    """Say what a recipe waits for."""
    if recipe is None and kind == "dye":
        return "The plan gives no dye load, so the dye is not reckoned."
    if recipe is None and entry and entry.takes_cut:
        return "The plan gives no pound cut, so the flakes are not reckoned."
    return ""


def _cautions(
    work: Schedule, kind: str, named: Sequence[Material], recipe: Dye | Shellac | None, levels: Mapping[str, str]
) -> tuple[str, ...]:
    """Return the names of the cautions that a liquid calls for."""
    calls = [name for each in named for name in each.cautions]
    if isinstance(recipe, Dye) and recipe.load.measured == "by mass":
        calls.insert(0, "Dye powder")
    if work.is_sprayed(kind, levels):
        calls.append("Spraying")
    return tuple(dict.fromkeys(calls))


def _named(work: Schedule, kind: str, levels: Mapping[str, str]) -> list[Material]:
    """Return the entries a liquid is made of: the dye and its carrier, or the coat."""
    kinds = ("dye", "carrier") if kind == "dye" else (kind,)
    if kind == "dye" and "carrier" in work.factors:
        work.materials.known(levels[work.factors["carrier"].name], "carrier")
    return [entry for entry in (work.material(each, levels) for each in kinds) if entry]


def _coverage(
    work: Schedule, kind: str, entry: Material | None, levels: Mapping[str, str], settings: Settings
) -> tuple[float, str]:
    """Return m²/L and where it comes from."""
    if kind in settings.coverage:
        return settings.coverage[kind], "as given for this trial"
    spread = entry.coverage if entry else None
    if spread and spread.usual is not None:
        return spread.usual, spread.source + ("" if spread.origin == BUILT_IN else f" ({spread.origin})")
    said = "; ".join(levels.values()) or work.texts[kind]
    what = f"of the {kind} {said!r}" if said else f"of the {kind}"
    raise _UnknownError(f"No coverage is known {what}, so it is not reckoned; give it in m²/L.")


def _coats(text: str) -> int:
    """Return how many coats a text speaks of, one where it does not say."""
    number = {"one": 1, "two": 2, "three": 3, "four": 4}
    pattern = r"\b(one|two|three|four|[1-9])(?! ?(?:lb|pound))(?: [a-z-]+){0,2} coats?\b"
    match = re.search(pattern, text.casefold())
    return int(number.get(match.group(1), match.group(1))) if match else 1


def _recipe(
    work: Schedule,
    kind: str,
    named: Sequence[Material],
    levels: Mapping[str, str],
    made_ml: float,
    settings: Settings,
) -> tuple[Dye | Shellac | None, Retarder | None]:
    """Return what goes into a batch, as far as it is mixed at the bench."""
    if kind != "dye":
        cut = named[0].cut_lb if named else None
        if not cut:
            return None, None
        alcohol_ml = shellac(cut, finished_ml=made_ml).alcohol_ml
        return shellac(cut, alcohol_ml=math.ceil(alcohol_ml / settings.measure_ml - 1e-9) * settings.measure_ml), None
    factors = {name: work.plan.factor(name) for name in levels}
    written = next((levels[name] for name, factor in factors.items() if _is_load(factor)), settings.load)
    mixed = dye(written, made_ml, settings.basis) if written else None
    entry = next((each for each in named if each.kind == "dye"), None)
    if mixed and entry and entry.measured != mixed.load.measured:
        ask = "'30 g/L' or '1 oz (weight)/qt'" if entry.measured == "by mass" else "'30 mL/L' or '1 fl oz/qt'"
        raise UserError(
            Problem(f"{entry.name} is measured {entry.measured}, and its load is {written!r}", f"write it like {ask}")
        )
    percent = next((units.read(levels[n], "share").amount for n, f in factors.items() if _is_retarder(f)), 0.0)
    slow = retarder(percent, mixed.carrier_ml if mixed else made_ml, mixed.load if mixed else None)
    return mixed, slow if percent else None


def _weighed(recipe: Dye | Shellac | None, settings: Settings) -> tuple[Weighing | None, Stock | None]:
    """Return how a recipe's powder or flakes are weighed, and the way round a balance that is too coarse."""
    if recipe is None:
        return None, None
    if isinstance(recipe, Shellac):
        return weigh(recipe.flakes_g, settings.balance_g, settings.allowed), None
    if recipe.load.measured == "by mass":
        wanted = weigh(recipe.dye, settings.balance_g, settings.allowed)
    else:
        wanted = weigh(recipe.dye, settings.syringe_ml, settings.allowed, "mL")
    if wanted.is_enough:
        return wanted, None
    return wanted, stock_route(wanted, recipe.finished_ml, measure_ml=settings.measure_ml)


# --- words -------------------------------------------------------------------------------------------------------


def volume_words(ml: float) -> str:
    """Return mL with US and imperial fluid ounces."""
    return f"{_three(ml)} mL ({_three(ml / US_FL_OZ_ML)} US fl oz, {_three(ml / IMPERIAL_FL_OZ_ML)} imperial fl oz)"


def mass_words(grams: float) -> str:
    """Return g with ounces by weight."""
    return f"{_three(grams)} g ({_three(grams / OZ_G)} oz by weight)"


def _words(amount: float, unit: Unit) -> str:
    return mass_words(amount) if unit == "g" else volume_words(amount)


def area_words(square_metres: float) -> str:
    """Return m² with square feet."""
    return f"{_three(square_metres)} m² ({_three(square_metres / FT2_M2)} ft²)"


def coverage_words(m2_l: float) -> str:
    """Return m²/L with square feet a US and an imperial gallon."""
    us, imperial = (m2_l / FT2_M2 * gallon / 1000 for gallon in (US_GAL_ML, IMPERIAL_GAL_ML))
    return f"{_three(m2_l)} m²/L ({_three(us)} ft² per US gal, {_three(imperial)} ft² per imperial gal)"


def _three(amount: float) -> str:
    """Write an amount to three figures, without exponent; whole numbers stay whole."""
    if amount <= 0 or not math.isfinite(amount):
        return f"{amount:g}"
    return f"{amount:.{min(max(0, 2 - math.floor(math.log10(amount * (1 + 1e-9)))), 6)}f}"


def _decimals(step: float) -> int:
    return max(0, -math.floor(math.log10(step) + 1e-9))


def _amount(value: float | str, kind: str) -> float:
    return units.read(value, kind).amount if isinstance(value, str) else value


def _above_zero(amount: float, what: str, unit: str) -> float:
    if not (math.isfinite(amount) and amount > 0):
        raise UserError(Problem(f"{what} is {amount:g}", f"write an amount above 0 ({unit})"))
    return amount


def _share(percent: float) -> None:
    if not 0 <= percent < 100:
        raise UserError(Problem(f"{percent:g} % is no share of a liquid", "write one from 0 to below 100 %"))
