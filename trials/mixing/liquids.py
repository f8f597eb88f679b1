"""Volumes, dye in its carrier, blends, retarder, shellac and dilutions."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from trials import units
from trials.errors import Problem, UserError
from trials.mixing.amounts import (
    ALCOHOL_G_ML,
    DYE_G_ML,
    FLAKES_G_ML,
    FLOOR_ML,
    IMPERIAL_QT_ML,
    LB_G,
    OZ_G,
    SHRINKS,
    SOLUBLE_G_L,
    US_GAL_ML,
    US_QT_ML,
    WASTE,
    Basis,
    above_zero,
    amount_of,
    area_words,
    check_share,
    coverage_words,
    mass_words,
    three,
    volume_words,
)


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
    surface = above_zero(amount_of(area, "area"), "the area", "m²")
    spread = above_zero(amount_of(coverage, "spread"), "the coverage", "m²/L")
    if coats < 1:
        raise UserError(Problem(f"{coats} coats is none", "write how many coats, 1 or more"))
    if not 0 <= waste < 10:
        raise UserError(Problem(f"a waste of {waste:g} is no share", "write one from 0 up, such as 0.25"))
    return Volume(surface, coats, spread, waste, floor_ml)


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
        beside = f"{three(us)} {us_oz} per US qt, {three(imperial)} {imperial_oz} per imperial qt"
        return f"{three(self.amount)} {unit} ({beside})"


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
    above_zero(load.amount, f"the dye load {text!r}", "g/L or mL/L")
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
            said.append(f"The concentrate is {three(100 * self.dye / self.finished_ml)} % of the whole.")
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
    return Dye(strength, strength.basis or basis, above_zero(volume_ml, "the volume", "mL"))


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
        above_zero(part, f"the parts of {name!r}", "parts")
    whole = math.fsum(parts.values())
    shares = tuple(part / whole for part in parts.values())
    total = above_zero(total_ml, "the volume", "mL")
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
                f"On top of ready dye it also dilutes it, from {three(self.load.amount)} to "
                f"{three(self.load_on_top)} {unit} ({fall:.1f} % less): dose the dye on the final volume."
            )
        return [*said, SHRINKS]


def retarder(percent: float, volume_ml: float, load: Load | str | None = None) -> Retarder:
    """Return a share of retarder both ways."""
    check_share(percent)
    strength = read_load(load) if isinstance(load, str) else load
    return Retarder(percent, above_zero(volume_ml, "the volume", "mL"), strength)


def on_top_to_total(percent: float) -> float:
    """Return what per cent of the total it is, if `percent` is added on top."""
    return 100 * percent / (100 + percent)


def total_to_on_top(percent: float) -> float:
    """Return what per cent to add on top, so that it is `percent` of the total."""
    return 100 * percent / (100 - percent)


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
    above_zero(cut_lb, "the cut", "lb")
    if alcohol_ml is None:
        room = 1 + cut_lb * LB_G / US_GAL_ML / FLAKES_G_ML
        alcohol_ml = above_zero(finished_ml or 0.0, "the volume", "mL") / room
    return Shellac(cut_lb, above_zero(alcohol_ml, "the alcohol", "mL"))


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
    above_zero(target_lb, "the cut", "lb")
    if target_lb >= start_lb:
        raise UserError(
            Problem(
                f"thinning a {start_lb:g} lb cut cannot make it {target_lb:g} lb",
                "name a weaker cut, or dissolve more flakes in it",
            )
        )
    return Recut(Shellac(start_lb, 1000.0, flakes_g_ml), target_lb, above_zero(solution_ml, "the volume", "mL"))


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
                f"{three(level.load)}: {volume_words(level.stock_ml)} and {volume_words(level.carrier_ml)} of "
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
    above_zero(start, "the load of the stock", "g/L")
    above_zero(volume_ml, "the volume", "mL")
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
