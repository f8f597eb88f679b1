"""Take in a file of readings: every row checked, every fault named, what is doubtful held for a yes.

Pure: a table, the plan, the layout and what is recorded already in; rows to append, faults and doubts out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from trials import folder as folders
from trials.cells import Fault
from trials.csv_source import Table
from trials.errors import Problem
from trials.folder import KEY
from trials.plan import Plan
from trials.records import columns as of_file
from trials.records.columns import Cell
from trials.records.reading import Defaults, reading

if TYPE_CHECKING:
    import pandas as pd

_NOTHING_SAID = Defaults()

CONFIRMED = "doubtful, confirmed"
"""What the note of a reading says that was held and let through."""


@dataclass(frozen=True)
class Taken:
    """A reading on its way in, and where it stands in the file."""

    cell: Cell
    reading: dict[str, str]


@dataclass(frozen=True)
class Held:
    """What is doubtful, and the rows of the file that wait for a yes because of it."""

    problem: Problem
    rows: frozenset[int]


@dataclass(frozen=True)
class Checked:
    """What a file holds after checking.

    Attributes
    ----------
    new : rows to append, as text cells in the columns of the file they go to.
    already : how many readings of the file are recorded already, value and all.
    empty : how many cells held no value.
    problems : every fault, with file, row and column.
    held : every doubt; the rows are among `new`.
    rows : where each of `new` stands in the file.
    said : what is worth knowing, in sentences.
    """

    new: tuple[dict[str, str], ...]
    already: int
    empty: int
    problems: tuple[Problem, ...]
    held: tuple[Held, ...] = ()
    rows: tuple[int, ...] = ()
    said: tuple[str, ...] = ()

    @property
    def corrections(self) -> int:
        """How many of the new rows correct or withdraw an earlier one."""
        return sum(bool(row.get("supersedes")) for row in self.new)

    def without_held(self) -> tuple[dict[str, str], ...]:
        """Return the new rows that nothing is held against."""
        waiting = frozenset().union(*(held.rows for held in self.held))
        return tuple(row for row, at in zip(self.new, self.rows, strict=True) if at not in waiting)


def check_readings(
    table: Table,
    plan: Plan,
    patches: pd.DataFrame,
    recorded: Sequence[dict[str, str]],
    defaults: Defaults = _NOTHING_SAID,
    *,
    instrument: Mapping[str, str] | None = None,
    conditions: Sequence[dict[str, str]] = (),
) -> Checked:
    """Check a file of scores or measurements.

    Parameters
    ----------
    table : either one row a reading (columns patch, response, value), or one row a patch and one column a
        response; beside these assessor, stage, repeat, taken_at, method, note, source, against and reason where the
        file has them. A reason makes a row that differs from what is recorded a correction.
    plan, patches : the plan and its layout.
    recorded : every row taken in so far.
    defaults : what to take where the file does not say.
    instrument : the columns of an instrument and the responses they are readings of.
    conditions : the bench notes, for when a patch was dry.

    Raises
    ------
    UserError
        The columns are not those of a file of scores; or the file holds invented results and the plan is no
        rehearsal, or the other way round.
    """
    from trials.records import doubts

    where, said = of_file.find(table, plan, instrument or {})
    of_file.check_origin(table, plan, where, defaults.method)
    by_code = {str(row["patch"]): row for row in _rows(patches)}
    before = dict(_standing(recorded))
    here: dict[tuple[str, ...], int] = {}
    taken: list[Taken] = []
    problems: list[Problem] = []
    already = empty = 0
    for cell in of_file.cells(table, plan, where):
        if not cell.value and not (cell.long and cell.aside.get("reason")):
            empty += 1
            continue
        try:
            made = reading(cell, plan, by_code, defaults, table.name)
            key = tuple(made[name] for name in KEY)
            _check_seen_here(here, key, cell)
            if key in before and before[key][0]["value"] == made["value"]:
                already += 1
                continue
            taken.append(Taken(cell, made | _superseding(before.get(key), made, cell)))
        except Fault as fault:
            problems.append(fault.at(table.name, cell.row, len(problems)))
    if not (taken or already or problems):
        problems.append(Problem("no row holds a value", "fill in the scores", file=table.name))
    corrected = {one.reading["supersedes"] for one in taken}
    standing = [row for row, at in before.values() if str(at) not in corrected]
    return Checked(
        tuple(one.reading for one in taken), already, empty, tuple(dict.fromkeys(problems)),
        tuple(doubts.held(table.name, taken, plan, by_code, standing, conditions)),
        tuple(one.cell.row for one in taken),
        (*said, *doubts.new_assessors(taken, standing)),
    )  # fmt: skip


def _rows(patches: pd.DataFrame) -> Iterator[dict[str, Any]]:
    """Yield each patch as a row, as `DataFrame.to_dict` does in several times the time."""
    names = list(patches.columns)
    for row in zip(*(patches[name].tolist() for name in names), strict=True):
        yield dict(zip(names, row, strict=True))


def _standing(recorded: Sequence[dict[str, str]]) -> Iterator[tuple[tuple[str, ...], tuple[dict[str, str], int]]]:
    """Yield the key of each reading that stands, with the row and its number in readings.csv."""
    stand = {id(row) for row in folders.standing(recorded)}
    for at, row in enumerate(recorded, start=2):
        if id(row) in stand:
            yield tuple(row[name] for name in KEY), (row, at)


def _check_seen_here(here: dict[tuple[str, ...], int], key: tuple[str, ...], cell: Cell) -> None:
    if key in here:
        first = here[key]
        raise Fault(
            f"{reading_words(key)} stands in row {first} already",
            "take one of the two out, or mark a second look with 2 in a column named repeat",
            cell.column,
        )
    here[key] = cell.row


def _superseding(known: tuple[dict[str, str], int] | None, made: dict[str, str], cell: Cell) -> dict[str, str]:
    """Return the cells that make a reading a correction of one recorded before, or nothing where there is none."""
    words = reading_words(tuple(made[name] for name in KEY))
    if known is None:
        if made["reason"]:
            what = f"the row gives a reason, but {words} is not recorded, so there is nothing to correct"
            raise Fault(
                what, "leave the reason empty, or look at the code, the assessor and the stage again", "reason"
            )
        return {}
    row, at = known
    if not made["reason"]:
        raise Fault(
            f"{words} is recorded as {row['value']} (readings.csv row {at}), and this says {made['value']}",
            "nothing recorded is overwritten: take the row out, mark a second look with repeat 2, or correct it with "
            "a reason by 'splitboard correct'",
            cell.column,
        )
    return {"supersedes": str(at)}


def reading_words(key: Sequence[str]) -> str:
    """Return what a reading is of, in words; `key` holds the cells of `KEY`."""
    patch, response, assessor, stage, repeat, against = key
    by = f" by {assessor}" if assessor else ""
    again = f", repeat {repeat}" if repeat != "1" else ""
    where = f"patches {patch} and {against}" if against else f"patch {patch}"
    return f"{response.replace('_', ' ')} of {where}{by} ({stage}{again})"
