"""What a batch of a trial is: one liquid, made at once for every piece that gets it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from trials.mixing.amounts import FLOOR_ML, WASTE, Basis
from trials.mixing.balance import OneStock, Stock, Tools, Weighing
from trials.mixing.liquids import Dye, Volume
from trials.mixing.mixture import Mixture
from trials.mixing.shellac import Shellac


@dataclass(frozen=True)
class Settings:
    """What the bench has and how it works; the kinds are ``dye``, ``seal coat``, ``glaze`` and ``top coat``.

    Attributes
    ----------
    coverage, coats : m²/L and number of coats of a kind, where they are not those of the table and the steps.
    waste, floor_ml : how much more is made than the wood takes, as a share of that; the least that is mixed.
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

    @property
    def tools(self) -> Tools:
        """What is weighed and measured with."""
        return Tools(self.balance_g, self.measure_ml, self.syringe_ml, self.allowed)


@dataclass(frozen=True)
class Batch:
    """One liquid, made at once for every piece that gets it.

    Attributes
    ----------
    kind, what : ``dye``, ``seal coat``, ``glaze`` or ``top coat``; the material in words.
    levels : the factors and levels that call for it.
    pieces : (board, lane, strip) of each piece it covers, 0 for all lanes or strips.
    volume, made_ml : from area, coats, coverage and waste; that rounded up to what can be measured.
    coverage_source : where the coverage comes from.
    recipe, mixture, percent : dye or shellac in what it is dissolved in, what goes together, and the retarder in it,
        as far as it is mixed here; what is not is used as it comes.
    weighing, stock : how the dye or the flakes are weighed, and the way round where they cannot be.
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
    mixture: Mixture | None = None
    percent: float = 0.0
    weighing: Weighing | None = None
    stock: Stock | None = None
    lacking: str = ""
    cautions: tuple[str, ...] = ()

    @property
    def carrier(self) -> str:
        """What it is mixed in and thinned with, retarder aside."""
        return self.mixture.parts[-1].what if self.mixture else "carrier"

    @property
    def boards(self) -> tuple[int, ...]:
        """The boards it is for."""
        return tuple(sorted({board for board, _, _ in self.pieces}))


@dataclass(frozen=True)
class StockOffer:
    """One stock that serves several batches: their numbers, from 1; carrier, per cent of retarder in it, stock."""

    numbers: tuple[int, ...]
    carrier: str
    percent: float
    stock: OneStock


@dataclass(frozen=True)
class Mixing:
    """All batches of a trial, and stocks that serve several of them better; `boards` is how many the trial has."""

    batches: tuple[Batch, ...]
    stocks: tuple[StockOffer, ...] = ()
    boards: int = 0

    @property
    def cautions(self) -> tuple[str, ...]:
        """The cautions that any batch calls for."""
        return tuple(dict.fromkeys(name for batch in self.batches for name in batch.cautions))

    def offer(self, number: int) -> StockOffer | None:
        """Return the stock that serves a batch, by its number from 1."""
        return next((one for one in self.stocks if number in one.numbers), None)
