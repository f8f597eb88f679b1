"""Exact power of a balanced layout's F tests.

The F statistic of a term in its own stratum has a noncentral F distribution (Nelder 1965, Proceedings of the Royal
Society A 283:147-178; Cochran and Cox 1957, Experimental Designs, chapter 7).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, TypeAlias

import numpy as np
import pandas as pd
from scipy.special import fdtri, ncfdtr

from analysis import formula, strata
from analysis.frame import with_factor_order
from analysis.priors import RESIDUAL, Prior
from trials import structure
from trials.design import Layout, lay_out
from trials.errors import Problem, UserError, nearest
from trials.level import LEVEL
from trials.plan import Plan
from trials.structure import Effect, Structure

Variances: TypeAlias = "Mapping[str, float] | pd.Series | Prior"

_PLACES = ("patch", "lot", "board", "lane", "strip", "board_order", "control")


def power(
    plan_or_structure: Plan | Layout | Structure | pd.DataFrame,
    effect: tuple[str, Any] | Mapping[str, Any],
    variances: Variances,
    level: float = 0.05,
) -> float:
    """Return the exact power of one effect's F test in a balanced layout.

    Parameters
    ----------
    plan_or_structure : a plan (laid out with a fixed seed; it makes no difference in a balanced layout), its
        structure (which knows counts of pieces only, so that lots of unlike size are not seen; give the plan then),
        or a frame with a row a reading, such as the patches of a layout. Of a frame the columns that are not places
        (patch, lot, board, lane, strip, board_order, control) and are not named in `variances` are the factors,
        whatever their type; the model holds them and their pairs and no places, and the strata are those of
        `variances`.
    effect : the term and what is true of it, as ``("carrier", what)`` or ``{"carrier": what}``. What is true is

        - a number, the smallest worthwhile difference: two levels lie so far apart and the rest midway, which of
          all means with that difference is the hardest to find. For a pair of factors it is a difference of
          differences;
        - means by level, ``{"water": 44, "oil": 46}`` (a pair's by tuples of levels), also as a Series;
        - an array of means, an axis a factor of the term, in the order of the levels;
        - a frame with columns for the term's factors (it may have more) and ``mean``.
    variances : by piece as the strata are called, ``residual`` included: a mapping, a Series such as
        `analysis.mixed.MixedFit.variances`, or a `analysis.priors.Prior`.
    level : of the test.

    Returns
    -------
    The chance that the test is significant; NaN where nothing is left to judge the term by.

    Raises
    ------
    UserError
        The layout is not balanced, or the effect or a variance does not go with it.
    """
    if not 0 < level < 1:
        raise ValueError(f"a level lies between 0 and 1, not at {level}")
    term, truth = _one_effect(effect)
    if isinstance(plan_or_structure, Structure):
        return _power_of_structure(plan_or_structure, term, truth, variances, level)
    frame, fixed, names = _balanced_parts(plan_or_structure, variances)
    made = strata.plan(frame, fixed, names)
    at = find_term(term, made.terms)
    mean = _readings_mean(frame, formula.parse(term)[0], truth)
    return float(made.power(mean, checked(variances, names), level)[at])


def _one_effect(effect: tuple[str, Any] | Mapping[str, Any]) -> tuple[str, Any]:
    pairs = list(effect.items()) if isinstance(effect, Mapping) else [effect]
    if len(pairs) != 1 or len(pairs[0]) != 2 or not isinstance(pairs[0][0], str):
        raise ValueError("an effect is one term and what is true of it, e.g. ('carrier', 2.0)")
    return pairs[0]


def find_term(term: str, known: Sequence[str]) -> int:
    """Return the number of a term, whatever the order of its factors."""
    parsed = formula.parse(term)
    if len(parsed) == 1:
        for at, name in enumerate(known):
            if set(formula.parse(name)[0]) == set(parsed[0]):
                return at
    raise UserError(Problem(f"the layout has no effect {term!r}", nearest(term, known)))


def checked(variances: Variances, names: Sequence[str]) -> dict[str, float]:
    """Return the variances of these pieces and of the residual, or say which do not fit."""
    given = variances.variances if isinstance(variances, Prior) else variances
    found = {str(name): float(value) for name, value in given.items()}
    wanted = [*names, RESIDUAL]
    lacking = [name for name in wanted if name not in found]
    if lacking:
        raise UserError(
            Problem(f"no variance is given for {' and '.join(map(repr, lacking))}", "give it, 0 for none")
        )
    spare = [name for name in found if name not in wanted]
    if spare:
        cure = "add it to the variance of the piece it is the same as, and leave it out"
        raise UserError(
            Problem(f"a variance is given for {spare[0]!r}, which is no piece of its own in this layout", cure)
        )
    for name, value in found.items():
        if not (math.isfinite(value) and value >= 0):
            raise UserError(Problem(f"the variance of {name!r} is {value:g}", "give a number of 0 or more"))
    if found[RESIDUAL] == 0:
        raise UserError(Problem("the variance of 'residual' is 0", "give a number above 0"))
    return {name: found[name] for name in wanted}


def _balanced_parts(
    given: Plan | Layout | pd.DataFrame, variances: Variances
) -> tuple[pd.DataFrame, str, Sequence[str]]:
    """Return the treated rows, the fixed part and the strata."""
    if isinstance(given, Plan):
        frame, told = treated_rows(given, lay_out(given, 1))
        return frame, told.fixed, told.random
    if not isinstance(given, Layout | pd.DataFrame):
        raise TypeError("power is of a Plan, a Layout, a Structure or a DataFrame")
    frame = given.patches if isinstance(given, Layout) else given
    if "control" in frame:
        frame = frame[frame["control"].fillna("") == ""]
    values = variances.variances if isinstance(variances, Prior) else variances
    pieces = [str(name) for name in dict(values.items()) if name != RESIDUAL]
    names = sorted(pieces, key=lambda name: name.count(":"))
    if "lot" in names:
        names = ["lot", *(name for name in names if name != "lot")]
    used = {part for term in formula.parse_random(names) for part in term}
    factors = [str(name) for name in frame.columns if name not in used and name not in _PLACES]
    if not factors:
        raise UserError(Problem("the frame has no column that is a factor", "give the columns of the treatments"))
    as_factors = {
        name: frame[name].cat.remove_unused_categories()
        if isinstance(frame[name].dtype, pd.CategoricalDtype)
        else frame[name].astype("category")
        for name in factors
    }
    return frame.assign(**as_factors), f"({' + '.join(f'`{name}`' for name in factors)})^2", names


def treated_rows(plan: Plan, layout: Layout) -> tuple[pd.DataFrame, Structure]:
    """Return a layout's treated patches, factors in the plan's order, and what they can tell."""
    patches = with_factor_order(plan, layout.patches)
    treated = patches[patches["control"] == ""].reset_index(drop=True)
    return treated, structure.of_layout(plan, treated)


def _readings_mean(frame: pd.DataFrame, factors: tuple[str, ...], truth: Any) -> np.ndarray:
    """Return the (n,) expected readings."""
    levels = [list(frame[name].cat.categories) for name in factors]
    shape = tuple(len(one) for one in levels)
    codes = tuple(frame[name].cat.codes.to_numpy() for name in factors)
    if isinstance(truth, pd.DataFrame):
        keys = [name for name in truth.columns if name != "mean"]
        if "mean" not in truth or not set(factors) <= set(keys) or not set(keys) <= set(frame.columns):
            raise UserError(
                Problem(f"the means lack a column of {', '.join((*factors, 'mean'))}", "name the columns like these")
            )
        table = truth.set_index(keys)["mean"]
        wanted = list(frame[keys].itertuples(index=False, name=None))
        return _looked_up(table.to_dict(), wanted if len(keys) > 1 else [key for (key,) in wanted])
    if isinstance(truth, Mapping | pd.Series):
        wanted = list(frame[list(factors)].itertuples(index=False, name=None))
        return _looked_up(dict(truth.items()), wanted if len(factors) > 1 else [key for (key,) in wanted])
    return cell_means(shape, truth)[codes]


def _looked_up(table: dict[Any, Any], wanted: list[Any]) -> np.ndarray:
    for cell in wanted:
        if cell not in table:
            words = ", ".join(map(str, cell)) if isinstance(cell, tuple) else cell
            raise UserError(Problem(f"no mean is given for {words}", "give the mean of every cell"))
    return _finite(np.array([table[cell] for cell in wanted], dtype=float))


def cell_means(shape: tuple[int, ...], truth: Any) -> np.ndarray:
    """Return the (k, ...) means of a term's cells from a worth or from the means themselves."""
    given = _finite(np.asarray(truth, dtype=float))
    if given.ndim:
        if given.shape != shape:
            have, want = (" by ".join(map(str, one)) for one in (given.shape, shape))
            raise UserError(Problem(f"there are {have} means for {want} levels", "give one a cell"))
        return given
    signs: np.ndarray = np.ones(())
    for count in shape:
        ends = np.zeros(count)
        ends[[0, -1]] = -1.0, 1.0
        signs = np.multiply.outer(signs, ends)
    return float(given) * signs / np.square(signs).sum()


def _finite(values: np.ndarray) -> np.ndarray:
    if not np.isfinite(values).all():
        raise UserError(Problem("a mean or a worth is not a finite number", "correct it"))
    return values


def _power_of_structure(told: Structure, term: str, truth: Any, variances: Variances, level: float) -> float:
    """Return the power from counts alone: every cell has as many patches, every piece too."""
    known = checked(variances, told.random)
    effect = told.effects[find_term(term, [one.name for one in told.effects])]
    shape = tuple(told.by_name[name].df + 1 for name in effect.factors)
    rows = told.counts[RESIDUAL]
    if effect.df != math.prod(count - 1 for count in shape) or not _shares_out(told):
        raise UserError(Problem("the layout is not balanced", "ask for the precision expected of its layout instead"))
    if not effect.can_be_judged:
        return math.nan
    if isinstance(truth, Mapping | pd.Series | pd.DataFrame):
        raise TypeError("a structure has no names of levels: give a worth, or an array of means in order")
    means = cell_means(shape, truth)
    if means.ndim == 2 and tuple(formula.parse(term)[0]) != effect.factors and np.ndim(truth):
        raise UserError(Problem(f"the effect is called {effect.name!r}", "give its means in that order"))
    for axis in range(means.ndim):
        means = means - means.mean(axis=axis, keepdims=True)
    square = mean_square(told, effect, known)
    noncentrality = rows / means.size * float(np.square(means).sum()) / square
    return f_power(effect.df, effect.error_df, noncentrality, level)


def _shares_out(told: Structure) -> bool:
    """Say whether pieces hold equal numbers of smaller ones and these a full set of levels, as far as counts show."""
    if any(pair.why.endswith("nowhere on the boards") for pair in told.left_out):
        return False
    for name, count in told.counts.items():
        levels = [one.df + 1 for one in told.effects if len(one.factors) == 1 and one.judged_against == name]
        around = [told.counts[outer] for outer in told.random if told.counts[outer] < count and _holds(outer, name)]
        per_piece, odd = divmod(count, max(around, default=1))
        if odd or per_piece % math.prod(levels):
            return False
    return True


def _holds(outer: str, inner: str) -> bool:
    """Say whether the pieces of one term lie within those of another."""
    own, within = set(structure.COLUMNS[outer]), set(structure.COLUMNS[inner])
    return inner == RESIDUAL or outer == "lot" or own < within


def mean_square(told: Structure, effect: Effect, variances: Mapping[str, float]) -> float:
    """Return the expected mean square that an effect of a balanced layout is judged by."""
    rows = told.counts[RESIDUAL]
    return variances[RESIDUAL] + sum(rows / told.counts[name] * variances[name] for name in _inside(told, effect))


def _inside(told: Structure, effect: Effect) -> list[str]:
    """Return the pieces whose variances are in the mean square that an effect is judged by."""
    own = effect.judged_against
    if own == RESIDUAL:
        return []
    return [name for name in told.random if set(structure.COLUMNS[own]) <= set(structure.COLUMNS[name])]


def f_power(df: int, error_df: float, noncentrality: float, level: float = 1 - LEVEL) -> float:
    """Return the chance that an F test of this noncentrality is significant."""
    return float(1 - ncfdtr(df, error_df, noncentrality, fdtri(df, error_df, 1 - level)))


def is_even(frame: pd.DataFrame, told: Structure) -> bool:
    """Say whether every effect lies in one stratum and all its cells have as many patches."""
    cells = (frame.groupby(list(one.factors), observed=True).size() for one in told.effects)
    return all(sizes.nunique() == 1 for sizes in cells) and is_balanced(frame, told)


def is_balanced(frame: pd.DataFrame, told: Structure) -> bool:
    """Say whether every effect lies in one stratum."""
    try:
        strata.plan(frame, told.fixed, told.random)
    except UserError:
        return False
    return True
