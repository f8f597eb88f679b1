"""What a balance or a measure can tell, and the way round by a stock."""

from __future__ import annotations

import math
from dataclasses import dataclass

from trials.errors import Problem, UserError
from trials.mixing.amounts import SOLUBLE_G_L, Unit, above_zero, amount_words, decimals, volume_words


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
        shown = f"{self.shown:.{decimals(self.division)}f} {self.unit}"
        if self.is_enough:
            return [
                f"{tool} {self.division:g} {self.unit} shows {shown}: {100 * self.error:.1f} % off, and "
                f"± {100 * self.doubt:.1f} % for half a division."
            ]
        return [
            f"{tool} {self.division:g} {self.unit} may be {100 * self.doubt:.0f} % off on "
            f"{amount_words(self.amount, self.unit)}: within {100 * self.allowed:g} % it takes "
            f"{amount_words(self.smallest, self.unit)} and more."
        ]


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
            f"{'Weigh' if self.unit == 'g' else 'Measure'} {amount_words(self.dye, self.unit)} instead, fill up to "
            f"{volume_words(self.stock_ml)}, take {volume_words(self.take_ml)} of that and add "
            f"{volume_words(self.add_ml)} of carrier: {amount_words(self.taken, self.unit)} in it, within "
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
    take = max(above_zero(finished_ml, "the volume", "mL") / times, least, 1000 * wanted.amount / most)
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
