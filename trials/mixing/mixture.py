"""What goes together: amounts in the order they are measured in, and what they make."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from trials.mixing.amounts import System, Unit, amount_words, in_ounces, millilitres
from trials.mixing.liquids import Dye, blend, retarder
from trials.mixing.shellac import Shellac


@dataclass(frozen=True)
class Part:
    """One amount: g or mL of something, and the division it is weighed or measured to (0: as a beaker shows it)."""

    amount: float
    unit: Unit
    what: str
    division: float = 0.0

    @property
    def words(self) -> str:
        """The amount and the name: ``28.3 g dye``."""
        return f"{amount_words(self.amount, self.unit, self.division)} {self.what}"


@dataclass(frozen=True)
class Mixture:
    """What is weighed or measured, in order, and the mL it makes; what is dissolved comes first, if anything is."""

    parts: tuple[Part, ...]
    makes_ml: float
    dissolved: Part | None = None

    @property
    def words(self) -> str:
        """The recipe: ``28.3 g dye, 47 mL retarder, 899 mL carrier; makes 965 mL``."""
        return f"{', '.join(part.words for part in self.all)}; makes {millilitres(self.makes_ml)}"

    @property
    def all(self) -> tuple[Part, ...]:
        """Every part, what is dissolved first."""
        return (self.dissolved, *self.parts) if self.dissolved else self.parts

    @property
    def liquids(self) -> str:
        """What it is dissolved in: ``57 mL alcohol and 3.0 mL retarder``."""
        return " and ".join(part.words for part in self.parts)

    def in_ounces(self, system: System) -> str:
        """Return the recipe in ounces."""
        parts = ", ".join(f"{in_ounces(part.amount, part.unit, system)} {part.what}" for part in self.all)
        return f"{parts}; makes {in_ounces(self.makes_ml, 'mL', system)}"


def mixture(
    solute: Dye | Shellac | None,
    carriers: Mapping[str, float],
    *,
    liquid_ml: float = 0.0,
    percent: float = 0.0,
    on_top: bool = False,
    division: float = 0.0,
) -> Mixture:
    """Return what goes together, the retarder before the carriers.

    Parameters
    ----------
    solute : the dye or the flakes, which say how much liquid there is; without either `liquid_ml` does.
    carriers : names and parts by volume.
    liquid_ml : carriers and retarder together (carriers alone if `on_top`), without a solute.
    percent, on_top : the retarder in per cent of carriers and retarder together, or added on top of the carriers.
    division : what the solute is weighed or measured to.
    """
    room_ml, dissolved = 0.0, None
    if isinstance(solute, Dye):
        liquid_ml, room_ml = solute.carrier_ml, solute.room_ml
        what = "dye" if solute.load.unit == "g" else "dye concentrate"
        dissolved = Part(solute.dye, solute.load.unit, what, division)
    elif solute is not None:
        liquid_ml, room_ml = solute.alcohol_ml, solute.finished_ml - solute.alcohol_ml
        dissolved = Part(solute.flakes_g, "g", "shellac flakes", division)
    slow = retarder(percent, liquid_ml)
    base_ml = liquid_ml if on_top else slow.base_of_total_ml
    blended = blend(carriers, base_ml)
    parts = [Part(slow.retarder_ml, "mL", "retarder")] if percent else []
    parts += [Part(ml, "mL", name) for name, ml in zip(blended.names, blended.volumes_ml, strict=True)]
    return Mixture(tuple(parts), base_ml + slow.retarder_ml + room_ml, dissolved)
