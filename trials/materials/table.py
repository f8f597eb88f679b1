"""Entries of the materials table, which dye goes into which carrier, and which coat goes over what."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from trials.errors import Problem, UserError, nearest
from trials.materials import hardeners
from trials.materials.words import plain, without_cut

KINDS = ("carrier", "dye", "seal coat", "glaze", "top coat")
BUILT_IN = "the built-in table"


@dataclass(frozen=True)
class Range:
    """From least to most, in one unit (minutes for times, m²/L for coverage); what is not known is None."""

    least: float | None
    usual: float | None
    most: float | None
    source: str
    origin: str = BUILT_IN


@dataclass(frozen=True)
class Material:
    """One entry of the table.

    Attributes
    ----------
    kind, name, also : one of `KINDS`; how it is called, and what else it is called.
    about, source, origin : words; who says so; `BUILT_IN` or the shop's file.
    cautions : names of `trials.materials.CAUTIONS`.
    liquids : what it holds or is thinned with, names of `trials.materials.liquids`.
    kind_of : what it is a closer description of, such as ``shellac`` for ``dewaxed shellac``.
    coat, sprayed, surface : what it is to what lies beneath (also when sprayed), and to what follows.
    measured : ``by mass`` or ``by volume``, for a dye.
    confounds : what a comparison of carriers also compares when this dye is in them.
    open, dry : minutes it may be worked, and minutes before the next step.
    coverage : m²/L.
    takes_cut : whether it is mixed to a pound cut.
    cut_lb : the cut that was named with it, in lb of flakes a US gallon of alcohol.
    """

    kind: str
    name: str
    also: tuple[str, ...] = ()
    about: str = ""
    source: str = ""
    origin: str = BUILT_IN
    cautions: tuple[str, ...] = ()
    liquids: tuple[str, ...] = ()
    kind_of: tuple[str, ...] = ()
    coat: str = ""
    sprayed: str = ""
    surface: str = ""
    measured: str = "by mass"
    confounds: str = ""
    open: Range | None = None
    dry: Range | None = None
    coverage: Range | None = None
    takes_cut: bool = False
    cut_lb: float | None = None

    @property
    def words(self) -> str:
        """The name with the cut it was named with: ``dewaxed shellac, 1 lb cut``."""
        return self.name if self.cut_lb is None else f"{self.name}, {self.cut_lb:g} lb cut"


@dataclass(frozen=True)
class Fit:
    """Whether a dye goes into a carrier: ``fits``, ``does not`` or ``check``."""

    dye: str
    carrier: str
    verdict: str
    why: str
    source: str
    origin: str = BUILT_IN


@dataclass(frozen=True)
class Over:
    """Whether a coat goes over a surface: ``fits``, ``lifts``, ``does not hold`` or ``check``.

    `wait` is how long before it may, `cautions` names those that the cure calls.
    """

    coat: str
    surface: str
    verdict: str
    why: str
    source: str
    cure: str = ""
    wait: Range | None = None
    origin: str = BUILT_IN
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Materials:
    """The whole table."""

    entries: tuple[Material, ...]
    fits: tuple[Fit, ...]
    overs: tuple[Over, ...]

    def names(self, kind: str) -> tuple[str, ...]:
        """Return the names of a kind's entries."""
        return tuple(entry.name for entry in self.entries if entry.kind == kind)

    def find(self, name: str, kind: str) -> Material:
        """Return the entry of a name or synonym, a pound cut in it noted.

        Raises
        ------
        UserError
            There is none, and it says the nearest; or the text tells of a hardener that no entry names.
        ValueError
            There is no such kind.
        """
        if kind not in KINDS:
            raise ValueError(f"kind is {kind!r}, not one of {KINDS}")
        if self.hardener(name):
            raise UserError(hardeners.refusal(name))
        text, cut = without_cut(plain(name))
        found = None
        for spelling in (plain(name), text):
            found = found or self._called(spelling, kind)
        if found is None:
            raise UserError(
                Problem(
                    f"the {kind} {name!r} is not known to the materials file",
                    f"{nearest(name, self._spellings(kind))}, or add it under [[{kind.replace(' ', '_')}]] in the "
                    "shop's own materials.toml",
                )
            )
        return replace(found, cut_lb=cut) if found.takes_cut else found

    def recognise(self, text: str, kind: str) -> Material | None:
        """Return the one entry of a kind that a text names, however many words stand around it, or None."""
        try:
            return self.find(text, kind)
        except UserError:
            pass
        if self.hardener(text):
            return None
        words, cut = without_cut(plain(text))
        found, _ = self.mentioned(words, (kind,))
        closest = [entry for entry in found if all(e is entry or e.name in entry.kind_of for e in found)]
        if len(closest) != 1:
            return None
        return replace(closest[0], cut_lb=cut) if closest[0].takes_cut else closest[0]

    def known(self, text: str, kind: str) -> Material:
        """Return the one entry of a kind that a text names; where there is none raise the fault `find` raises."""
        return self.recognise(text, kind) or self.find(text, kind)

    def fit(self, dye: Material, carrier: Material) -> Fit | None:
        """Return what is known of a dye in a carrier."""
        return next((fit for fit in self.fits if (fit.dye, fit.carrier) == (dye.name, carrier.name)), None)

    def over(self, coat: str, surface: str) -> Over | None:
        """Return what is known of a coat over a surface."""
        return next((over for over in self.overs if (over.coat, over.surface) == (coat, surface)), None)

    def _called(self, text: str, kind: str) -> Material | None:
        of_kind = [entry for entry in self.entries if entry.kind == kind]
        words = sorted(text.split())
        for entry in of_kind:
            if sorted(plain(entry.name).split()) == words:
                return entry
        return next((e for e in of_kind if any(sorted(plain(also).split()) == words for also in e.also)), None)

    def _spellings(self, kind: str) -> list[str]:
        return [text for entry in self.entries if entry.kind == kind for text in (entry.name, *entry.also)]

    def mentioned(self, text: str, kinds: Iterable[str] = KINDS) -> tuple[list[Material], str]:
        """Return the entries that a text names by whole words, the longest names first, and what is left of it.

        A word counts for one name only; where entries of several kinds have that name each counts.
        """
        among = tuple(kinds)
        spelled = [(plain(said), e) for e in self.entries if e.kind in among for said in (e.name, *e.also)]
        found: list[Material] = []
        taken: set[tuple[str, str]] = set()
        rest = f" {plain(text)} "
        for spelling, entry in sorted(spelled, key=lambda pair: (-len(pair[0]), pair[0] != plain(pair[1].name))):
            again = any(said == spelling and kind != entry.kind for said, kind in taken)
            if not again and f" {spelling} " not in rest:
                continue
            rest = rest.replace(f" {spelling} ", " | ")
            taken.add((spelling, entry.kind))
            if entry not in found:
                found.append(entry)
        return found, rest.strip()

    def hardener(self, text: str) -> str:
        """Return the words of a text that tell of a hardener, where no entry has them in a name of its own."""
        if not hardeners.hardener_in(text):
            return ""
        rest = f" {plain(text)} "
        for entry in self.entries:
            for said in (entry.name, *entry.also):
                if hardeners.hardener_in(said):
                    rest = rest.replace(f" {plain(said)} ", " | ")
        return hardeners.hardener_in(rest)
