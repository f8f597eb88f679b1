"""The whole trial as it lies in its folder, read at one moment between two changes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trials import prespecified
from trials.folder.description import Record, record_seen, tables_seen
from trials.folder.journal import check_cells, conditions_in, readings_in, standing
from trials.folder.layout_file import layout_seen
from trials.folder.place import Folder
from trials.folder.reading import Where, at, steadily
from trials.plan import Plan, read_plan
from trials.prespecified import Changed

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Trial:
    """A laid-out trial: the plan, its patches and what was recorded.

    Attributes
    ----------
    patches : as `trials.design.Layout.patches`.
    readings : those that stand, neither corrected by a later one nor withdrawn.
    conditions : what was noted at the bench.
    journal : every row of readings.csv, from row 2 on; of a trial that was never in a folder, its readings.
    """

    folder: Folder
    plan: Plan
    record: Record
    patches: pd.DataFrame
    readings: tuple[dict[str, str], ...]
    conditions: tuple[dict[str, str], ...]
    journal: tuple[dict[str, str], ...] = ()

    def __post_init__(self) -> None:
        if not self.journal:
            object.__setattr__(self, "journal", self.readings)

    @property
    def closings(self) -> tuple[dict[str, Any], ...]:
        """The acts on the scoring, the first one first; see `trials.folder.Record`."""
        return self.record.scoring

    @property
    def closed(self) -> bool:
        """Whether the scoring is closed now."""
        return self.record.closed

    @property
    def changed(self) -> tuple[Changed, ...]:
        """What the plan says otherwise than when the boards were laid out."""
        return self.record.changed(self.plan, len(self.journal))

    @property
    def as_asked(self) -> Trial:
        """The trial with what was asked put back as the boards were laid out for it: what is answered first."""
        return replace(self, plan=prespecified.as_asked(self.plan, self.record.plan))

    @property
    def latest_patches(self) -> pd.DataFrame:
        """The patches of the last occasion: all of them unless boards were added later."""
        if not self.plan.added:
            return self.patches
        return self.patches[self.patches["lot"] == len(self.plan.boards.lots)].reset_index(drop=True)

    @property
    def latest_plan(self) -> Plan:
        """The plan with the boards of the last occasion alone, as its sheets count them."""
        if not self.plan.added:
            return self.plan
        return replace(self.plan, boards=replace(self.plan.boards, lots=self.plan.added[-1:]))

    @property
    def latest_sheets(self) -> Path:
        """Where the sheets of the last occasion go."""
        number = len(self.plan.added) + 1
        return self.folder.sheets if number == 1 else self.folder.sheets / f"occasion-{number}"


def load(path: str | Path) -> Trial:
    """Read a laid-out trial, checked: the plan, the layout it gave, the readings.

    Raises
    ------
    UserError
        As `at`, `read_plan`, `load_layout`, `load_readings` and `standing`.
    """
    folder = at(path)
    return steadily(folder, lambda where: _seen(folder, where))


def _seen(folder: Folder, where: Where) -> Trial:
    plan = read_plan(where(folder.plan_file))
    tables = tables_seen(folder, where)
    patches = layout_seen(folder, plan, where, tables)
    journal, conditions = readings_in(tables), conditions_in(tables)
    check_cells(plan, patches, journal, conditions)
    return Trial(
        folder, plan, record_seen(folder, where), patches, tuple(standing(journal)), tuple(conditions), tuple(journal)
    )
