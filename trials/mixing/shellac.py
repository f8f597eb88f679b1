"""Shellac by the pound cut: dissolved, and thinned from one cut to another."""

from __future__ import annotations

from dataclasses import dataclass

from trials.errors import Problem, UserError
from trials.mixing.amounts import ALCOHOL_G_ML, FLAKES_G_ML, LB_G, US_GAL_ML, above_zero


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
    def naive_cut_lb(self) -> float:
        """The cut that `naive_per_part` would come to."""
        held = self.solution_ml * self.start.alcohol_ml / self.start.finished_ml
        alcohol_ml = held + self.naive_per_part * self.solution_ml
        return self.flakes_g / alcohol_ml * US_GAL_ML / LB_G

    @property
    def target(self) -> Shellac:
        """What it becomes."""
        alcohol_ml = self.flakes_g / (self.target_lb * LB_G / US_GAL_ML)
        return Shellac(self.target_lb, alcohol_ml, self.start.flakes_g_ml)


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


def recut_to(start_lb: float, target_lb: float, finished_ml: float) -> Recut:
    """Return how so much of a weaker cut is made from a stronger one; see `recut`."""
    return recut(
        start_lb,
        target_lb,
        above_zero(finished_ml, "the volume", "mL") / (1 + recut(start_lb, target_lb, 1.0).per_part),
    )
