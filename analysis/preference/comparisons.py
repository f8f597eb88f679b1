"""The choices of one paired comparison as a table, and the pairs of pieces that they count for.

Choices between patches on the same two pieces, by several assessors or on a second look, hang together: what the wood
and the hand did to a piece is in all of them. The unit is therefore the pair of pieces that carry the factor.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from trials.errors import Problem, UserError
from trials.folder import Trial
from trials.plan import Plan, Preference
from trials.scoring import PIECE

COLUMNS = (
    "first", "second", "second_chosen", "first_patch", "second_patch", "first_piece", "second_piece", "assessor",
    "repeat", "second_left", "left_chosen",
)  # fmt: skip
"""The columns of `choices`."""


def choices(trial: Trial, preference: Preference) -> pd.DataFrame:
    """Return what was chosen, one row a choice, with the columns `COLUMNS`.

    Returns
    -------
    first, second : the levels, in the plan's order; second_chosen 1 or 0; first_patch and second_patch their codes;
    first_piece and second_piece the pieces that carry them, as tuples of the layout's numbers; assessor; repeat;
    second_left : whether the second level lay on the left; left_chosen 1 or 0.

    Raises
    ------
    UserError
        Nothing was compared.
    """
    factor = trial.plan.factor(preference.factor)
    order = {level: at for at, level in enumerate(factor.levels)}
    patches = {str(row["patch"]): row for row in trial.patches.to_dict("records")}
    rows = []
    for reading in trial.readings:
        if reading["response"] != preference.name or reading["stage"] != preference.stage:
            continue
        left, right, chosen = patches[reading["patch"]], patches[reading["against"]], int(float(reading["value"]))
        second_left = order[str(left[factor.name])] > order[str(right[factor.name])]
        first, second = (right, left) if second_left else (left, right)
        rows.append((
            str(first[factor.name]), str(second[factor.name]), int(chosen == second_left), int(first["patch"]),
            int(second["patch"]), _piece(first, factor.laid_on), _piece(second, factor.laid_on),
            reading["assessor"], int(reading["repeat"] or 1), bool(second_left), chosen,
        ))  # fmt: skip
    if not rows:
        raise UserError(
            Problem(f"nothing is recorded of {preference.words} yet", "take in choices with 'splitboard record'")
        )
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _piece(patch: dict[str, object], kind: str) -> tuple[object, ...]:
    return tuple(patch[column] for column in PIECE[kind])


def units(found: pd.DataFrame) -> pd.DataFrame:
    """Return the pairs of pieces behind the choices between two levels, one row each.

    Parameters
    ----------
    found : rows of `choices` of the same two levels.

    Returns
    -------
    Columns share (with which the second level was picked: second looks of an assessor at a pair of patches averaged
    first, then all), comparisons (how many), board (of both pieces where they share one, else NaN). Pairs of pieces
    that have a piece in common are not independent and make one unit.
    """
    joined = found.assign(unit=_linked(found))
    once = joined.groupby(["unit", "first_patch", "second_patch", "assessor"], as_index=False)["second_chosen"].mean()
    shares = once.groupby("unit")["second_chosen"].mean()
    boards = [
        first[0] if first[0] == second[0] else np.nan
        for first, second in zip(joined["first_piece"], joined["second_piece"], strict=True)
    ]
    by_unit = pd.Series(boards, dtype=float).groupby(joined["unit"].to_numpy())
    one_board = (by_unit.nunique() == 1) & (by_unit.count() == by_unit.size())
    return pd.DataFrame(
        {
            "share": shares,
            "comparisons": joined.groupby("unit").size(),
            "board": by_unit.first().where(one_board),
        }
    )


def _linked(found: pd.DataFrame) -> np.ndarray:
    """Return for each choice the number of its unit."""
    ends, pieces = pd.factorize(pd.concat([found["first_piece"], found["second_piece"]]))
    first, second = ends[: len(found)], ends[len(found) :]
    links = coo_array((np.ones(len(found)), (first, second)), shape=(len(pieces), len(pieces)))
    numbers: np.ndarray = connected_components(links, directed=False)[1]
    return numbers[first]


def unit_words(plan: Plan, preference: Preference, counted: pd.DataFrame) -> tuple[str, str]:
    """Return what a unit is called, one and many: ``board`` where each lies on a board of its own."""
    kind = plan.factor(preference.factor).laid_on
    if kind != "board" and counted["board"].notna().all() and counted["board"].is_unique:
        return "board", "boards"
    many = "patches" if kind == "patch" else f"{kind}s"
    return f"pair of {many}", f"pairs of {many}"
