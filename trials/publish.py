"""The open data package: a trial as files that anyone may read without this tool.

`build` is pure: a trial in, the files' bytes out. While the scoring is open the package gives no treatment away: it
holds the readings and the blind codes, and nothing that says what was done to a patch.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trials import data_package
from trials.blind import names_treatment, untold
from trials.csv_text import csv_text
from trials.errors import Problem, UserError
from trials.folder import change, writing
from trials.plan import INVENTED, Plan
from trials.publish_page import read_me
from trials.records import INVENTED_METHOD

if TYPE_CHECKING:
    from trials.folder import Trial

FILES = ("datapackage.json", "layout.csv", "readings.csv", "conditions.csv", "README.md")
"""What a package may hold."""
UNNAMED = "A finish trial"
"""The title while the scoring is open, where the trial's own names a level."""

_LEFT_OUT = (
    "The scoring is not closed, so the treatments are left out: layout.csv holds the codes alone, neither the plan "
    "nor the seed is there, and the title, the description and the questions go without words that name a level or a "
    "control."
)
_REMARKS_LEFT_OUT = "Remarks and names of files that name a level or a control are left empty."
_CONDITIONS_LEFT_OUT = (
    "What happened at the bench is left out, because it names boards, patches or what was put on them."
)
_REMARKS = ("method", "source", "note", "reason")
"""The columns of readings.csv that a person fills in freely."""


def build(trial: Trial, closed: bool) -> dict[str, bytes]:
    """Return the package's files by name, in the order they are read.

    Parameters
    ----------
    trial : as loaded.
    closed : whether the scoring is closed; a rehearsal hides nothing either way.

    Notes
    -----
    Equal trials give equal bytes: the only time in them is when the boards were laid out. Every correction stands in
    readings.csv as the row it is.
    """
    shown = closed or trial.plan.rehearsal
    told, tables = _plan_told(trial, shown), _tables(trial, shown)
    package = data_package.describe(told, _name(trial, shown), trial.record.laid_out_at, tables, _kept(trial, shown))
    files = {"datapackage.json": (json.dumps(package, indent=2, ensure_ascii=False) + "\n").encode()}
    files |= {table.path: table.data for table in tables}
    page = read_me(trial, told, shown, left_out(trial, shown), tables)
    return files | {"README.md": page.encode()}


def left_out(trial: Trial, closed: bool) -> tuple[str, ...]:
    """Say in sentences what `build` leaves out of the package, and why."""
    if closed or trial.plan.rehearsal:
        return ()
    found = [_LEFT_OUT]
    if _journal(trial, shown=False) != list(trial.journal):
        found.append(_REMARKS_LEFT_OUT)
    if trial.conditions and not _conditions(trial, shown=False):
        found.append(_CONDITIONS_LEFT_OUT)
    return tuple(found)


def write(trial: Trial, to: Path) -> list[Path]:
    """Write the package into a folder and return its files.

    Parameters
    ----------
    trial : as loaded; its own word says whether the scoring is closed.
    to : a new or empty folder, or one that holds an earlier package and nothing else.

    Raises
    ------
    UserError
        The folder holds something else, or cannot be written to.
    """
    _check_place(to)
    files = build(trial, trial.closed)
    try:
        to.mkdir(parents=to.parent != trial.folder.path, exist_ok=True)
    except OSError as error:
        raise writing.cannot_write(to, error) from None
    # of an earlier package the description goes first, and what this one hides with it: none describes other tables
    change.make(
        to, dict(reversed(files.items())), gone=[name for name in FILES if name not in files or name == FILES[0]]
    )
    return [to / name for name in files]


def _check_place(to: Path) -> None:
    cure = "name a new folder for the package"
    if to.exists() and not to.is_dir():
        raise UserError(Problem(f"{str(to)!r} is a file", cure))
    try:
        others = sorted(
            path.name
            for path in (to.iterdir() if to.exists() else ())
            if path.name not in FILES and not path.name.startswith(".")
        )
    except OSError as error:
        raise UserError(Problem(f"{str(to)!r} cannot be read ({error.strerror or error})", cure)) from None
    if others:
        raise UserError(Problem(f"{str(to)!r} holds other files, such as {others[0]!r}", cure))


# --- what is told ----------------------------------------------------------------------------------


def _plan_told(trial: Trial, shown: bool) -> Plan:
    """Return the plan with the title, the description and the wood that may be told."""
    plan = trial.plan
    if not shown:
        title = untold(plan, plan.title) or UNNAMED
        plan = replace(plan, title=title, about=untold(plan, plan.about), wood=untold(plan, plan.wood))
    if _invented(trial):
        plan = replace(plan, about=f"{(plan.mark or INVENTED).capitalize()}. {plan.about}".strip())
    return plan


def _name(trial: Trial, shown: bool) -> str:
    name = trial.folder.path.resolve().name
    return name if shown else untold(trial.plan, name) or UNNAMED


def _invented(trial: Trial) -> bool:
    """Whether any result is invented."""
    return bool(trial.plan.mark) or any(
        row["method"].casefold() == INVENTED_METHOD or INVENTED in row["source"].casefold() for row in trial.journal
    )


def _kept(trial: Trial, shown: bool) -> dict[str, Any]:
    """Return the record of the layout under our own names; while treatments are hidden, none that leads to them."""
    record = trial.record
    if not shown:
        return {"splitboard:version": record.version, "splitboard:treatments": "left out until the scoring is closed"}
    kept = {
        "splitboard:version": record.version,
        "splitboard:seed": record.seed,
        "splitboard:laidOutAt": record.laid_out_at,
        "splitboard:layoutDigest": record.layout_digest,
        "splitboard:plan": record.plan,
    }
    if trial.changed:
        kept["splitboard:planNow"] = trial.plan.as_dict()
        kept["splitboard:changed"] = [asdict(one) | {"place": one.place} for one in trial.changed]
    if record.added:
        kept["splitboard:added"] = list(record.added)
    if record.edited:
        kept["splitboard:edited"] = list(record.edited)
    if record.accepted:
        kept["splitboard:accepted"] = [asdict(one) for one in record.accepted]
    if trial.closings:
        kept["splitboard:scoring"] = [dict(act) for act in trial.closings]
    return kept


# --- the tables ------------------------------------------------------------------------------------


def _tables(trial: Trial, shown: bool) -> list[data_package.Table]:
    layout = data_package.layout_fields(trial.plan)
    patches = trial.patches
    if not shown:
        layout = layout[:1]
        patches = patches[["patch"]].sort_values("patch")
    rows = patches.astype(object).to_numpy().tolist()
    tables = [_table("layout.csv", _layout_title(shown), layout, rows, key=("patch",))]
    if trial.journal:
        fields = _reading_fields(trial)
        tables.append(_table("readings.csv", "One row a reading", fields, _cells(fields, _journal(trial, shown))))
    conditions = _conditions(trial, shown)
    if conditions:
        fields = data_package.condition_fields()
        tables.append(_table("conditions.csv", "What happened at the bench", fields, _cells(fields, conditions)))
    return tables


def _layout_title(shown: bool) -> str:
    return "Who gets what, where: one row a patch" if shown else "The patches' blind codes"


def _cells(fields: Sequence[dict[str, Any]], rows: Sequence[dict[str, str]]) -> list[list[str]]:
    return [[row[field["name"]] for field in fields] for row in rows]


def _table(
    path: str, title: str, fields: list[dict[str, Any]], rows: Sequence[Sequence[object]], key: tuple[str, ...] = ()
) -> data_package.Table:
    data = csv_text([field["name"] for field in fields], rows, neutral=True).encode()
    return data_package.Table(path, title, data, fields, key, not key)


def _reading_fields(trial: Trial) -> list[dict[str, Any]]:
    """Return the columns of readings.csv, with responses that were read though the plan has dropped them since."""
    withdrawals = any(row["supersedes"] and not row["value"] for row in trial.journal)
    fields = data_package.reading_fields(trial.plan, withdrawals)
    at = next(at for at, field in enumerate(fields) if field["name"] == "response")
    words = list(dict.fromkeys([*fields[at].get("categories", ()), *(row["response"] for row in trial.journal)]))
    fields[at] |= {"categories": words, "constraints": {"required": True, "enum": words}}
    return fields


def _journal(trial: Trial, shown: bool) -> list[dict[str, str]]:
    """Return every reading ever taken in; while treatments are hidden, without the remarks that name one."""
    if shown:
        return list(trial.journal)
    return [row | {name: untold(trial.plan, row[name]) for name in _REMARKS} for row in trial.journal]


def _conditions(trial: Trial, shown: bool) -> Sequence[dict[str, str]]:
    """Return the bench notes; while treatments are hidden, only if none says what was done where."""
    tells = any(
        row["board"] or row["patch"] or names_treatment(trial.plan, f"{row['step']} {row['note']}")
        for row in trial.conditions
    )
    return () if tells and not shown else trial.conditions
