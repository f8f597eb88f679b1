"""Where the files of a trial lie."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import count
from pathlib import Path

from trials.folder import clock

LAYOUT, READINGS, CONDITIONS = TABLES = ("layout.csv", "readings.csv", "conditions.csv")
"""The names of the tables."""


@dataclass(frozen=True)
class Folder:
    """A trial's folder; nothing is read or written until a function of this package asks for it."""

    path: Path

    def aside(self, path: Path, now: str = "") -> str:
        """Return a name of its own, dated, under which a file of this folder is kept that makes way for another.

        Parameters
        ----------
        now : the time, RFC 3339; empty is the clock's.
        """
        stamp = (now or clock.now()).replace(":", "")
        names = (f"{path.stem}.{stamp}{f'-{at}' if at else ''}{path.suffix}" for at in count())
        return next(name for name in names if not (self.path / name).exists())

    @property
    def plan_file(self) -> Path:
        """The finisher's plan."""
        return self.path / "trial.toml"

    @property
    def layout_file(self) -> Path:
        """Who gets what, where."""
        return self.path / LAYOUT

    @property
    def readings_file(self) -> Path:
        """Every reading ever taken."""
        return self.path / READINGS

    @property
    def conditions_file(self) -> Path:
        """What happened at the bench."""
        return self.path / CONDITIONS

    @property
    def package_file(self) -> Path:
        """The description of the tables, and the record of the layout."""
        return self.path / "datapackage.json"

    @property
    def sheets(self) -> Path:
        """Where the sheets go."""
        return self.path / "sheets"

    @property
    def open_data(self) -> Path:
        """Where the package for others goes."""
        return self.path / "open-data"

    @property
    def report(self) -> Path:
        """Where the report goes."""
        return self.path / "report"
