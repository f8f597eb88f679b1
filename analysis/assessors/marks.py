"""Marks, one a row, and the table of them: one row a patch, one column an assessor."""

from __future__ import annotations

import pandas as pd

from trials.errors import Problem, UserError, nearest


def wide(frame: pd.DataFrame, value: str = "value", patch: str = "patch", assessor: str = "assessor") -> pd.DataFrame:
    """Turn marks, one a row, into a table with one row a patch and one column an assessor.

    Repeated marks are averaged; rows without a value, a patch or an assessor are passed over.

    Raises
    ------
    UserError
        An unknown column, nothing left, or repeated marks that are words.
    """
    kept = present(frame, [value, patch, assessor])
    if not pd.api.types.is_numeric_dtype(kept[value]):
        twice = kept.duplicated([patch, assessor])
        if twice.any():
            row = kept[twice].iloc[0]
            who, where = str(row[assessor]), str(row[patch])
            raise UserError(
                Problem(f"{who!r} marked patch {where!r} twice, in words that cannot be averaged", "keep one of them")
            )
        return kept.pivot(index=patch, columns=assessor, values=value)
    return kept.pivot_table(index=patch, columns=assessor, values=value, aggfunc="mean", observed=True)


def present(frame: pd.DataFrame, names: list[str]) -> pd.DataFrame:
    """Return the rows of a frame of marks that have a value, a patch and an assessor."""
    if not isinstance(frame, pd.DataFrame):
        raise TypeError("the marks must be a DataFrame with one row a mark")
    for name in names:
        if name not in frame.columns:
            raise UserError(Problem(f"there is no column {name!r} in the marks", nearest(name, frame.columns)))
    kept = frame.dropna(subset=names).reset_index(drop=True)
    if kept.empty:
        raise UserError(f"none of the {len(frame)} rows has {', '.join(names)}; there are no marks")
    return kept


def first_looks(frame: pd.DataFrame) -> pd.DataFrame:
    """Return each assessor's first mark of each patch as a table with one row a patch, one column an assessor.

    Agreement is about single marks, so second looks are left out of it and not averaged in.

    Parameters
    ----------
    frame : one row a mark; columns patch, assessor, repeat, value.
    """
    order = frame.sort_values("repeat", kind="stable")
    return wide(order.drop_duplicates(["patch", "assessor"]))
