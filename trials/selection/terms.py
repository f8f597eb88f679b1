"""The terms of the model: which there are by default, their columns, and how they are called."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from trials.errors import Problem, UserError
from trials.plan import Factor, Plan
from trials.selection.places import BoardPlace, ChosenBoard, Treatment
from trials.structure import (
    FEW,
    LeftOut,
    judged_against,
    keeps_array,
    pairs_by_weight,
    parting_first,
    piece_words,
    random_terms,
    room,
    treated_lanes,
    treated_strips,
)
from trials.telling_apart import Columns, beyond_the_bend, spoils

if TYPE_CHECKING:
    import pandas as pd

_DEPENDENT = 1e-8
BEYOND = 3
"""As a power: whatever lies beyond the bend. It is not fitted but taken as likely small, so that each amount is on
some board and a curve that does not fit shows (DuMouchel and Jones 1994, A simple Bayesian modification of D-optimal
designs, Technometrics 36:37-47, from memory, in method)."""


def default_terms(
    plan: Plan,
    places: Sequence[BoardPlace],
    already: Sequence[ChosenBoard] = (),
    fraction: Sequence[Treatment] = (),
) -> tuple[tuple[str, ...], list[LeftOut]]:
    """Return the terms of the plan's model, and the interactions given up.

    Parameters
    ----------
    plan : the plan; its ``model`` says which interactions are wanted.
    places : the boards to be treated.
    already : boards that are laid out already and count as well.
    fraction : the board treatments of an array that fits the boards: what would take from it is given up.

    Returns
    -------
    Every factor, and the interactions the plan states or, where it leaves them to the boards, as many as
    there is room for with `structure.FEW` degrees of freedom left to judge by, those of questioned factors first.

    Raises
    ------
    UserError
        A stated interaction can never be estimated.
    """
    left = _room(plan, places, [board for board in already if board.cells])
    for factor in plan.factors:
        left[judged_against(plan, [factor.name])] -= _df(plan, factor)
    if plan.model.interactions is not None:
        return _stated_terms(plan, left), []
    kept, given_up, array = _main_terms(plan), [], None
    if keeps_array(plan, len(places)):
        array = _columns_of(plan, fraction)
    for names in parting_first(plan, _table(plan, already), pairs_by_weight(plan)):
        first, second = (plan.factor(name) for name in names)
        stratum, df = judged_against(plan, names), _pair_df(plan, first, second)
        never = _never_made(plan, first, second)
        if never and not {*names} & {*plan.model.curvature}:
            given_up.append(LeftOut(names, f"{never} is never made"))
        elif array is not None and spoils(plan, array, names):
            given_up.append(LeftOut(names, "so many boards tell the factors apart best without it"))
        elif left[stratum] - df < FEW:
            why = f"there are too few {piece_words(stratum)} to judge it by as well as the rest"
            given_up.append(LeftOut(names, why))
        else:
            left[stratum] -= df
            kept.append(_pair_term(plan, first, second))
    return tuple(kept), given_up


def _columns_of(plan: Plan, fraction: Sequence[Treatment]) -> Columns | None:
    """Return the columns of board treatments, all else at its first level."""
    rest = {factor.name: factor.levels[0] for factor in plan.factors}
    cells = [ChosenBoard(1, {}, (), (), {(1, 1): rest | treatment}) for treatment in fraction]
    return Columns(plan, _table(plan, cells)) if fraction else None


def _table(plan: Plan, boards: Sequence[ChosenBoard]) -> pd.DataFrame:
    """Return one row a treated patch: its lot and what it carries."""
    import pandas as pd

    rows = [{"lot": board.lot, **cell} for board in boards for cell in board.cells.values()]
    return pd.DataFrame(rows, columns=["lot", *(factor.name for factor in plan.factors)])


def _stated_terms(plan: Plan, left: dict[str, int]) -> tuple[str, ...]:
    """Return the factors and exactly the interactions the plan states."""
    kept = _main_terms(plan)
    for one, other in plan.model.interactions or ():
        first, second = plan.factor(one), plan.factor(other)
        stratum = judged_against(plan, (one, other))
        left[stratum] -= _pair_df(plan, first, second)
        if stratum == "board" and left[stratum] < 0 <= left[stratum] + _pair_df(plan, first, second):
            raise refused(plan, (one, other), "there are too few boards to estimate it as well as the rest")
        kept.append(_pair_term(plan, first, second))
    treatments = plan.treatments(plan.factors)
    blocks = [np.ones((len(treatments), 1)), *(columns(plan, term, treatments) for term in kept)]
    found = Counter(
        np.repeat(range(len(blocks)), [block.shape[1] for block in blocks])[independent(np.hstack(blocks))]
    )
    for at, (term, block) in enumerate(zip(kept, blocks[1:], strict=True), start=1):
        if ":" in term and found[at] < block.shape[1]:
            names = factors_of(term)
            never = _never_made(plan, plan.factor(names[0]), plan.factor(names[1]))
            why = f"{never} is never made" if never else "what can be made does not tell it from the other effects"
            raise refused(plan, names, why)
    return tuple(kept)


def refused(plan: Plan, names: Sequence[str], why: str) -> UserError:
    """Refuse an interaction that the plan states and the boards cannot estimate."""
    what = f"the interaction {effect_words(plan, names)} that the model asks for cannot be estimated: {why}"
    return UserError(Problem(what, "leave it out of the model's interactions or make room for it", file="trial.toml"))


def _main_terms(plan: Plan) -> list[str]:
    terms = []
    for factor in plan.factors:
        bent = factor.name in plan.model.curvature
        powers = range(1, 1 + min(BEYOND, len(factor.levels) - 1)) if bent else ()
        terms += [f"{factor.name}^{power}" for power in powers] or [factor.name]
    return terms


def _pair_term(plan: Plan, *pair: Factor) -> str:
    return ":".join(f"{one.name}^1" if one.name in plan.model.curvature else one.name for one in pair)


def _df(plan: Plan, factor: Factor) -> int:
    most = len(factor.levels) - 1
    return min(2, most) if factor.name in plan.model.curvature else most


def _pair_df(plan: Plan, first: Factor, second: Factor) -> int:
    first_df, second_df = (1 if one.name in plan.model.curvature else len(one.levels) - 1 for one in (first, second))
    return first_df * second_df


def _room(plan: Plan, places: Sequence[BoardPlace], already: Sequence[ChosenBoard]) -> dict[str, int]:
    """Return the degrees of freedom between the pieces of each stratum, treatments and error together."""
    full = {
        (lane, strip) for lane in range(1, treated_lanes(plan) + 1) for strip in range(1, treated_strips(plan) + 1)
    }
    boards = [(place.lot, frozenset(full - place.unusable)) for place in places]
    boards += [(board.lot, frozenset(board.cells)) for board in already]
    terms = random_terms(plan)
    left = room(boards, terms, lots_apart="lot" in terms or bool(already))
    left["residual"] -= len(places) * plan.controls_on("patch")
    return left


def _never_made(plan: Plan, first: Factor, second: Factor) -> str:
    """Return in words a combination of two factors' levels that is never made, or nothing."""
    made = [(made[first.name], made[second.name]) for made in plan.treatments((first, second))]
    for one, other in product(first.levels, second.levels):
        if (one, other) not in made:
            return f"{first.words} {one} with {second.words} {other}"
    return ""


# --- columns ---------------------------------------------------------------------------------------


def columns(plan: Plan, term: str, treatments: Sequence[Mapping[str, str]]) -> np.ndarray:
    """Return a term's columns for a list of treatments, (treatments, columns).

    Raises
    ------
    ValueError
        The term names no factor of the plan, or a power that it does not have.
    """
    block = np.ones((len(treatments), 1))
    for part in term.split(":"):
        factor, by_level = _part(plan, part)
        codes = [factor.levels.index(treatment[factor.name]) for treatment in treatments]
        block = (block[:, :, None] * by_level[codes][:, None, :]).reshape(len(treatments), -1)
    return block


def _part(plan: Plan, part: str) -> tuple[Factor, np.ndarray]:
    """Return the factor of one part of a term, and the part's columns, one row a level."""
    name, _, power = part.partition("^")
    factor = next((factor for factor in plan.factors if factor.name == name), None)
    if factor is None:
        raise ValueError(f"term part {part!r} names no factor of the plan")
    if not power:
        return factor, _contrasts(len(factor.levels))
    if power not in ("1", "2", str(BEYOND)) or factor.amounts is None:
        raise ValueError(f"term part {part!r} needs the power 1, 2 or 3 and a factor whose levels are amounts")
    if power == str(BEYOND):
        return factor, beyond_the_bend(factor.amounts)
    amounts = np.array(factor.amounts, dtype=float)
    coded = 2 * (amounts - amounts.min()) / (amounts.max() - amounts.min()) - 1
    return factor, coded[:, None] ** int(power)


def _contrasts(levels: int) -> np.ndarray:
    """Return orthogonal contrasts of so many levels, (levels, levels - 1), of mean square 1."""
    result = np.zeros((levels, levels - 1))
    for at in range(1, levels):
        result[:at, at - 1], result[at, at - 1] = -1.0, at
    return result * np.sqrt(levels / (result**2).sum(axis=0))


def independent(matrix: np.ndarray) -> list[int]:
    """Return the columns that do not follow from the ones before them."""
    basis = np.zeros((len(matrix), 0))
    kept = []
    for at, column in enumerate(matrix.T):
        rest = column - basis @ (basis.T @ column)
        rest = rest - basis @ (basis.T @ rest)
        size = float(np.linalg.norm(rest))
        if size > _DEPENDENT * max(1.0, float(np.linalg.norm(column))):
            basis = np.column_stack([basis, rest / size])
            kept.append(at)
    return kept


# --- words -----------------------------------------------------------------------------------------


def factors_of(term: str) -> tuple[str, ...]:
    """Return the factors a term is about."""
    return tuple(part.partition("^")[0] for part in term.split(":"))


def firm_terms(terms: Sequence[str]) -> list[str]:
    """Return the terms that are to be estimated."""
    return [term for term in terms if not term.endswith(f"^{BEYOND}")]


def effect_words(plan: Plan, parts: Sequence[str]) -> str:
    """Return an effect as it is read: ``carrier × seal coat``."""
    named = (part.partition("^") for part in parts)
    return " × ".join(
        plan.factor(name).words + {"": "", "1": " (straight line)", "2": " (curvature)"}.get(power, " (beyond)")
        for name, _, power in named
    )
