"""What a balance and a measure can tell, and the way round by a stock that is thinned."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from trials.errors import Problem, UserError
from trials.mixing.amounts import SOLUBLE_G_L, Basis, Unit, above_zero, millilitres
from trials.mixing.liquids import Dye, Load

SYRINGE_HOLDS_ML = 20.0
"""What is drawn up in a syringe rather than measured in a cylinder: working value, no source."""


@dataclass(frozen=True)
class Tools:
    """One division of the balance (g), of the cylinder and of the syringe (mL), and the relative error allowed."""

    balance_g: float = 0.01
    measure_ml: float = 0.5
    syringe_ml: float = 0.1
    allowed: float = 0.02

    def division(self, ml: float) -> float:
        """Return one division of what a volume is measured in: the syringe, where it holds it and is the finer."""
        return min(self.syringe_ml, self.measure_ml) if ml <= SYRINGE_HOLDS_ML + 1e-9 else self.measure_ml

    def least_ml(self, allowed: float) -> float:
        """Return the least volume that is measured within a relative error."""
        least = smallest_weighable(self.division(0), allowed)
        return least if least <= SYRINGE_HOLDS_ML else max(SYRINGE_HOLDS_ML, self.measure_ml / 2 / allowed)

    def up(self, ml: float) -> float:
        """Return a volume rounded up to what can be measured."""
        return _up(ml, self.division(ml))

    def near(self, ml: float) -> float:
        """Return the volume nearest to one that can be measured."""
        return round(ml / self.division(ml)) * self.division(ml)


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


def smallest_weighable(division: float, allowed: float) -> float:
    """Return the least a balance weighs, or a measure holds, within a relative error.

    Half a division is its rounding; the instrument's own error comes on top, and is on its sheet.
    """
    above_zero(division, "one division", "g or mL")
    return division / 2 / above_zero(allowed, "the error allowed", "such as 0.02")


def weigh(amount: float, division: float, allowed: float = 0.02, unit: Unit = "g") -> Weighing:
    """Return an amount as a balance (g) or a measure (mL) of that division shows it."""
    smallest_weighable(division, allowed)
    return Weighing(above_zero(amount, "the amount", unit), division, allowed, unit)


def weigh_dye(dye: Dye, tools: Tools) -> Weighing:
    """Return the powder of a dye on the balance, or its concentrate in the syringe."""
    unit = dye.load.unit
    return weigh(dye.dye, tools.balance_g if unit == "g" else tools.syringe_ml, tools.allowed, unit)


# --- an amount too small to weigh --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Thinning:
    """One stock: what it is filled up to with carrier, and what is taken of it for the next step (mL)."""

    filled_ml: float
    take_ml: float


@dataclass(frozen=True)
class Stock:
    """An amount too small for the balance or the measure, by way of stocks thinned one after the other.

    Attributes
    ----------
    dye : what is weighed (or measured) for the first stock.
    steps : the stocks; what is taken of the last goes into the batch.
    add_ml : the carrier added to that.
    error : rounding of all measures, added as squares, as a share of what is wanted.
    unit : of the dye.
    """

    dye: float
    steps: tuple[Thinning, ...]
    add_ml: float
    error: float
    unit: Unit = "g"

    @property
    def taken(self) -> float:
        """The dye that ends in the batch."""
        return self.dye * math.prod(step.take_ml / step.filled_ml for step in self.steps)

    @property
    def made_ml(self) -> float:
        """All the stock that is made on the way."""
        return math.fsum(step.filled_ml for step in self.steps)

    @property
    def liquid_ml(self) -> float:
        """The carrier that it takes in all, whole mL."""
        return math.ceil(self.made_ml + self.add_ml - math.fsum(step.take_ml for step in self.steps[:-1]))


def stock_route(
    wanted: Weighing, finished_ml: float, tools: Tools | None = None, *, most_per_litre: float | None = None
) -> Stock:
    """Return how to come by an amount that is below what the balance or the measure can tell.

    Parameters
    ----------
    wanted : the amount, with the division it is weighed in and the error allowed.
    finished_ml : the finished liquid it is wanted in.
    tools : what liquids are measured in.
    most_per_litre : the strongest stock that is made, in the amount's unit a litre, unless the batch itself is
        stronger; `SOLUBLE_G_L` for powder.

    Raises
    ------
    UserError
        The batch is too small to be measured within the error allowed.

    Notes
    -----
    Weighing, each filling up, each taking and the batch itself are rounded: each is kept within the error allowed
    over the root of their number, so that their squares add up to it at most. One more stock is made where that
    halves what is made on the way, or where fewer do not hold the error.
    """
    tools = tools or Tools()
    above_zero(finished_ml, "the volume", "mL")
    most = most_per_litre or (SOLUBLE_G_L if wanted.unit == "g" else 1000.0)
    most = max(most, 1000 * wanted.amount / finished_ml)
    found = None
    for number in (1, 2, 3, 4):
        route = _route(wanted, finished_ml, tools, most, number)
        if route and (found is None or route.made_ml < found.made_ml / 2):
            found = route
    if found is None:
        raise UserError(
            Problem(
                f"a batch of {millilitres(finished_ml)} is too small to measure in steps of {tools.measure_ml:g} mL",
                "make a larger batch, use a finer measure, or allow a larger error",
            )
        )
    return found


def _route(wanted: Weighing, finished_ml: float, tools: Tools, most: float, number: int) -> Stock | None:
    """Return the way by so many stocks, or None where it does not hold the error allowed."""
    each = wanted.allowed / math.sqrt(2 * number + 2)
    least_ml = tools.least_ml(each)
    weighed = _up(max(smallest_weighable(wanted.division, each), wanted.amount), wanted.division)
    left = weighed / wanted.amount  # how many times it is still to be thinned
    steps: list[Thinning] = []
    doubts = [wanted.division / 2 / weighed]
    for still in range(number, 0, -1):
        fill_ml = least_ml if steps else max(least_ml, 1000 * weighed / most)
        if still > 1:
            take = tools.up(least_ml)
            filled = tools.near(max(take * left ** (1 / still), fill_ml))
        else:
            take = tools.up(max(least_ml, min(finished_ml / left, finished_ml), fill_ml / left))
            filled = tools.near(take * left)
        steps.append(Thinning(max(filled, take), take))
        left *= take / steps[-1].filled_ml
        doubts += [tools.division(volume) / 2 / volume for volume in (steps[-1].filled_ml, take)]
    take = steps[-1].take_ml
    if take >= finished_ml + tools.division(finished_ml):
        return None
    add = tools.near(max(finished_ml - take, 0.0))
    doubts.append(tools.division(finished_ml) / 2 / finished_ml)
    error = math.hypot(*doubts, left - 1)
    route = Stock(weighed, tuple(steps), add, error, wanted.unit)
    return route if error <= wanted.allowed * (1 + 1e-9) else None


def _up(amount: float, division: float) -> float:
    return math.ceil(amount / division - 1e-9) * division


# --- one stock for several loads ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Share:
    """What one load takes of a stock: mL of it, mL of carrier added, and all roundings together as a share."""

    load: Load
    take_ml: float
    add_ml: float
    error: float

    @property
    def makes_ml(self) -> float:
        """The batch."""
        return self.take_ml + self.add_ml


@dataclass(frozen=True)
class OneStock:
    """The strongest of several loads mixed once, and each load thinned from it with carrier.

    Attributes
    ----------
    dye, weighing : the stock, and its powder on the balance (or its concentrate in the syringe).
    shares : what each load takes, in the order they were given in.
    straight : half a division of the balance on the weakest batch, were it weighed by itself, as a share.
    """

    dye: Dye
    weighing: Weighing
    shares: tuple[Share, ...]
    straight: float

    @property
    def error(self) -> float:
        """The largest of the shares' errors."""
        return max(share.error for share in self.shares)

    @property
    def is_better(self) -> bool:
        """Whether all its roundings come to less than the balance's alone on the weakest batch."""
        return self.error < self.straight


def one_stock(loads: Sequence[Load], volumes_ml: Sequence[float], basis: Basis, tools: Tools) -> OneStock:
    """Return one stock for several loads of one dye in one carrier.

    Parameters
    ----------
    loads, volumes_ml : two or more, and the finished liquid wanted of each.
    basis : what the loads count; in a stock ``of carrier`` the room that the dye takes up is allowed for.
    tools : what is at hand to measure with.

    Notes
    -----
    A load r times weaker than the stock, in which a share k is carrier, takes t of it and (r - 1) k t of carrier, so
    that V = t (1 + (r - 1) k). Rounded up, t lies within a division of that, and the stock holds all that is taken.
    """
    strongest = max(loads, key=lambda load: load.amount)
    litre = Dye(strongest, strongest.basis or basis, 1000.0)
    carrier = 1000.0 / litre.finished_ml if litre.basis == "of carrier" else 1.0
    taken = []
    for load, volume_ml in zip(loads, volumes_ml, strict=True):
        above_zero(volume_ml, "the volume", "mL")
        thinner = (strongest.amount / load.amount - 1) * carrier
        take = tools.up(volume_ml / (1 + thinner))
        taken.append((load, take, tools.near(thinner * take), thinner))
    stock = Dye(strongest, litre.basis, float(math.ceil(math.fsum(take for _, take, _, _ in taken) * carrier - 1e-9)))
    weighing = weigh_dye(stock, tools)
    of_stock = math.hypot(weighing.doubt, tools.division(stock.volume_ml) / 2 / stock.volume_ml)
    shares = []
    for load, take, add, thinner in taken:
        whole = take + add
        off = abs((1 + thinner) / (1 + add / take) - 1)
        doubt_take, doubt_add = tools.division(take) / 2, tools.division(add) / 2 if add else 0.0
        error = math.hypot(of_stock, off, doubt_take * add / take / whole, doubt_add / whole)
        shares.append(Share(load, take, add, error))
    least = min(
        (weigh_dye(Dye(load, load.basis or basis, ml), tools) for load, ml in zip(loads, volumes_ml, strict=True)),
        key=lambda weighed: weighed.amount,
    )
    return OneStock(stock, weighing, tuple(shares), least.doubt)
