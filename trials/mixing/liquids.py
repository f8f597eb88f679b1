"""Volumes, dye in its carrier, blends, and retarder."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from trials import units
from trials.errors import Problem, UserError
from trials.mixing.amounts import DYE_G_ML, FLOOR_ML, WASTE, Basis, Unit, above_zero, amount_of, check_share, plain


@dataclass(frozen=True)
class Volume:
    """What an area takes: m², coats, m²/L, how much more is made, and the least that is mixed in mL."""

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
        """What lands on the wood, and what rag and cup keep on top of it."""
        return self.exact_ml * (1 + self.waste)

    @property
    def floor_bites(self) -> bool:
        """Whether less would do than can sensibly be mixed."""
        return self.with_waste_ml < self.floor_ml

    @property
    def ml(self) -> float:
        """What to mix."""
        return max(self.with_waste_ml, self.floor_ml)


def volume(
    area: float | str, coverage: float | str, *, coats: int = 1, waste: float = WASTE, floor_ml: float = FLOOR_ML
) -> Volume:
    """Return what an area takes.

    Parameters
    ----------
    area, coverage : m² and m²/L, or texts with their units, such as ``"6 ft^2"`` and ``"300 ft^2/gal"``.
    coats, waste, floor_ml : how many; how much more to make than the wood takes, as a share of that; the least that
        is mixed, in mL.

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
        raise UserError(
            Problem(f"a waste of {100 * waste:g} % is no share", "write one from 0 to below 1000 %, such as '25 %'")
        )
    return Volume(surface, coats, spread, waste, floor_ml)


@dataclass(frozen=True)
class Load:
    """How much dye in a litre: g of powder or mL of concentrate; `basis` where the writing itself settles it."""

    amount: float
    measured: Literal["by mass", "by volume"]
    text: str
    basis: Basis | None = None

    @property
    def unit(self) -> Unit:
        """What it is weighed or measured in."""
        return "g" if self.measured == "by mass" else "mL"

    @property
    def words(self) -> str:
        """The load in metric: ``30 g/L``."""
        return f"{plain(self.amount)} {self.unit}/L"


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
