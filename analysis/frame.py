"""Join the layout and the readings of one response into the table a model takes, one row a patch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analysis.model import Amount
from trials.errors import Problem, UserError
from trials.folder import Trial
from trials.plan import Factor, Plan, Response


@dataclass(frozen=True)
class PatchTable:
    """The readings of one response at one stage, averaged to one value a patch.

    Attributes
    ----------
    response : what was read.
    treated : one row a treated patch that was read: the columns of the layout (factors as ordered
        categories in the plan's order), ``value`` (the mean of its readings), ``readings`` (how many).
    controls : the same for the control patches.
    readings : one row a reading: patch, assessor, repeat, taken_at (as recorded, or empty), value.
    unread : codes of the patches without a reading.
    notes : what was left out or adjusted, and why.
    """

    response: Response
    treated: pd.DataFrame
    controls: pd.DataFrame
    readings: pd.DataFrame
    unread: tuple[int, ...]
    notes: tuple[str, ...]


def patch_table(trial: Trial, response: Response) -> PatchTable:
    """Build the table of one response.

    Raises
    ------
    UserError
        Nothing has been recorded of this response, or nothing on a treated patch.
    """
    here = [row for row in trial.readings if row["response"] == response.name]
    chosen = [row for row in here if row["stage"] == response.stage]
    if not chosen:
        other = f" at the stage {response.stage!r}" if here else ""
        raise UserError(
            Problem(f"nothing is recorded of {response.words} yet{other}", "take in scores with 'splitboard record'")
        )
    readings = pd.DataFrame(
        {
            "patch": [int(row["patch"]) for row in chosen],
            "assessor": [row["assessor"] for row in chosen],
            "repeat": [int(row["repeat"]) for row in chosen],
            "taken_at": [row["taken_at"] for row in chosen],
            "value": [float(row["value"]) for row in chosen],
        }
    )
    notes = []
    if len(here) > len(chosen):
        notes.append(f"{len(here) - len(chosen)} readings at earlier stages are kept but not used here.")
    values, how = patch_means(readings)
    notes += how
    table = with_factor_order(trial.plan, trial.patches).merge(values, on="patch", how="left")
    unread = tuple(int(code) for code in table.loc[table["value"].isna(), "patch"])
    if unread:
        notes.append(_unread_words(unread, len(table)))
    table = table[table["value"].notna()]
    treated = table[table["control"] == ""].reset_index(drop=True)
    if treated.empty:
        raise UserError(
            Problem(
                f"{response.words} is recorded on control patches only", "take in the scores of the treated patches"
            )
        )
    controls = table[table["control"] != ""].reset_index(drop=True)
    return PatchTable(response, treated, controls, readings, unread, tuple(notes))


def with_factor_order(plan: Plan, patches: pd.DataFrame) -> pd.DataFrame:
    """Return the layout with each factor as an ordered category in the plan's order of levels.

    Lots, lanes and strips are categories as well, for a model may take them as they are.
    """
    columns: dict[str, object] = {name: patches[name].astype("category") for name in ("lot", "lane", "strip")}
    columns |= {
        factor.name: pd.Categorical(patches[factor.name], categories=_levels(plan, factor), ordered=True)
        for factor in plan.factors
    }
    return patches.assign(**columns)


def _levels(plan: Plan, factor: Factor) -> pd.Index:
    """Return a factor's levels; amounts where the plan wants a line and its bend fitted over them."""
    if factor.name not in plan.model.curvature or factor.amounts is None:
        return pd.Index(factor.levels)
    amounts = zip(factor.levels, factor.amounts, strict=True)
    return pd.Index([Amount(level, amount) for level, amount in amounts], dtype=object)


def patch_means(readings: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Average the readings of each patch over assessors and repeats.

    Where every assessor read every patch the plain mean is taken. Where some did not, a patch's mean
    would move with who happened to read it; then each assessor's own severity is taken out first, by least
    squares on patch and assessor.

    Returns
    -------
    Columns patch, value, readings; and sentences that say what was done.
    """
    each = readings.groupby(["patch", "assessor"], as_index=False)["value"].mean()
    counts = readings.groupby("patch")["value"].size().rename("readings")
    wide = each.pivot_table(index="patch", columns="assessor", values="value")
    notes: list[str] = []
    names = [str(name) for name in wide.columns]
    if len(names) > 1:
        notes.append(f"Each patch's value is the mean of {len(names)} assessors: {', '.join(names)}.")
    if wide.isna().to_numpy().any():
        severity = assessor_severity(wide)
        wide = wide - severity
        gaps = int(wide.isna().to_numpy().sum())
        notes.append(
            f"{gaps} of {wide.size} marks are missing, so each assessor's severity was taken out before averaging."
        )
    if readings["repeat"].max() > 1:
        notes.append("Repeated looks of one assessor at a patch were averaged first.")
    values = wide.mean(axis=1).rename("value")
    return pd.concat([values, counts], axis=1).reset_index(), notes


def assessor_severity(wide: pd.DataFrame) -> pd.Series:
    """Return how far each assessor marks above the rest, from marks with gaps.

    Parameters
    ----------
    wide : one row a patch, one column an assessor; gaps are NaN.

    Returns
    -------
    One value an assessor, summing to zero, by least squares on patch and assessor. An assessor who shares
    no patch with another cannot be compared and gets 0.
    """
    rows, columns = np.nonzero(wide.notna().to_numpy())
    patches, assessors = np.eye(len(wide))[rows], np.eye(wide.shape[1])[columns]
    marks = wide.to_numpy()[rows, columns]
    solution = np.linalg.lstsq(np.hstack([patches, assessors]), marks, rcond=None)[0]
    severity = solution[len(wide) :]
    return pd.Series(severity - severity.mean(), index=wide.columns)


def _unread_words(unread: Sequence[int], total: int) -> str:
    shown = ", ".join(str(code) for code in unread[:8]) + (" …" if len(unread) > 8 else "")
    return f"{len(unread)} of {total} patches have no reading ({shown}) and are left out."
