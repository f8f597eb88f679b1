"""Made-up readings of a layout, analysed as real ones are: the check of what `outlook` and `exact` reckon.

A balanced layout is analysed stratum by stratum, any other by the mixed model with Kenward and Roger's degrees of
freedom, with the rules of `analysis.responses`. Either is made ready once and then takes any number of experiments.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.model import is_curve
from analysis.precision.exact import Variances, cell_means, checked, find_term, treated_rows
from analysis.precision.made_up.experiments import Experiments, Outcome, Pair, Readings, Wanted, prepare
from analysis.precision.parallel import Progress, in_chunks
from trials import structure
from trials.design import Layout
from trials.errors import Problem, UserError
from trials.level import each_of, level_of
from trials.plan import Plan, Question
from trials.structure import Structure

__all__ = ["Simulated", "SimulatedTests", "simulate", "simulate_tests"]


@dataclass(frozen=True)
class Simulated:
    """What came of analysing made-up readings, each number with its Monte Carlo standard error.

    Attributes
    ----------
    half_width : how far the question's interval reaches to either side, on average; of the pair known least well.
    settled : the share of experiments with the right verdict at the true gain.
    says_none : the share with "not worth it" when no level differs.
    seen : the share in which the F test of the question's factor has a p-value below what the trial's level leaves.
    count, seed : how many experiments, and what they were drawn with.
    """

    half_width: float
    half_width_se: float
    settled: float
    settled_se: float
    says_none: float
    says_none_se: float
    seen: float
    seen_se: float
    count: int
    seed: int


@dataclass(frozen=True, eq=False)
class SimulatedTests:
    """Every test and every main effect's intervals in made-up experiments.

    Attributes
    ----------
    p : (count, effects) p-values by effect; NaN where it cannot be judged.
    covers : (count, differences) whether each 95 % interval holds what is true; columns factor, first, second (the
        difference is first less second), without those that cannot be judged.
    truth : (differences,) what is true of each.
    count, seed : how many experiments, and what they were drawn with.
    """

    p: pd.DataFrame
    covers: pd.DataFrame
    truth: pd.Series
    count: int
    seed: int


def simulate(
    plan: Plan,
    layout: Layout,
    question: Question,
    variances: Variances,
    gain: float,
    count: int = 200,
    seed: int = 0,
    workers: int | None = 1,
    progress: Progress | None = None,
    seen_gain: float | None = None,
    levels: tuple[str, str] | None = None,
) -> Simulated:
    """Analyse made-up normal readings as real ones are: by strata where balanced, else by the mixed model.

    Parameters
    ----------
    gain : the true difference of the question's two levels; if it names none, of the two with the fewest patches (the
        first and the last where they are alike), the rest midway; of a
        curve of the ends, along a line. The verdict is that of `analysis.decide`, about the
        pair that comes out widest apart: "worth it" is right if the gain reaches the worth, else "not worth it".
    count : how many sets of readings.
    seed : the same seed gives the same result, whatever the number of workers.
    workers, progress : as for `analysis.precision.parallel.in_chunks`.
    seen_gain : the true difference that `Simulated.seen` is about, where it is another one.
    levels : the two whose true difference `gain` is, the second less the first, where the question names none.
    """
    if count < 2:
        raise ValueError(f"a simulation takes two sets of readings or more, not {count}")
    frame, told = _laid_out(plan, layout)
    known = checked(variances, told.random)
    effect = told.by_name[question.factor]
    if not effect.can_be_judged:
        why = structure.cannot_be_judged(plan, effect, told.counts[effect.judged_against])
        raise UserError(Problem(why.rstrip("."), "change the plan before asking what it will tell"))
    pairs = Pair.all_of(frame, question.factor)
    low, high = question.between or levels or _ends(frame, question.factor)
    if question.between or len(pairs) == 1:
        pairs = [Pair(question.factor, high, low)]
    unit = _between(frame[question.factor], low, high)
    wanted = Wanted((effect,), tuple(pairs), each_of(level_of(plan), len(pairs)))
    ready = prepare(frame, told, wanted)
    # what is added to the mean lies in the model: it moves the estimates by as much and leaves their errors alone
    tested = unit * (gain if seen_gain is None else seen_gain)
    made = Experiments(Readings.of(frame, np.zeros(len(frame)), known), ready, tested)
    found = Outcome.joined(in_chunks(made, count, made.chunk, seed, workers, progress))
    moved = found.differences + ready.expected(gain * unit)
    worth_it, not_worth_it = verdicts(moved, found.half_widths, question.worth)
    settled = (worth_it if gain >= question.worth else not_worth_it).astype(float)
    says_none = verdicts(found.differences, found.half_widths, question.worth)[1].astype(float)
    if len(pairs) == 1 and gain == 2 * question.worth:  # each is the other's mirror image
        settled = says_none = (settled + says_none) / 2
    half = found.half_widths[:, np.argmax(found.half_widths.mean(axis=0))]
    (share, share_se), (seen, seen_se), (none, none_se) = map(
        _share, (settled, found.p[:, 0] < 1 - level_of(plan), says_none)
    )
    return Simulated(
        half_width=float(half.mean()),
        half_width_se=float(half.std(ddof=1) / math.sqrt(count)),
        settled=share,
        settled_se=share_se,
        says_none=none,
        says_none_se=none_se,
        seen=seen,
        seen_se=seen_se,
        count=count,
        seed=seed,
    )


def verdicts(differences: np.ndarray, half_widths: np.ndarray, worth: float) -> tuple[np.ndarray, np.ndarray]:
    """Return in which experiments the verdict is "worth it" and in which "not worth it", by `analysis.decide`'s rule.

    Parameters
    ----------
    differences, half_widths : (m, c) of the pairs compared. A single pair is about the second of two levels; of
        several it is the widest that the verdict is about, whichever of its levels is the better.
    """
    rows, widest = np.arange(len(differences)), np.argmax(np.abs(differences), axis=1)
    gain, half = differences[rows, widest], half_widths[rows, widest]
    if differences.shape[1] > 1:
        gain = np.abs(gain)
    return gain - half >= worth, gain + half < worth


def _between(carried: pd.Series, low: object, high: object) -> np.ndarray:
    """Return what is added to the mean for a difference of 1 between two levels, the rest midway or along a line."""
    if is_curve(carried):
        places = {level: level.amount for level in carried.cat.categories}
        low, high = (next(level for level in places if level == one) for one in (low, high))
        middle, width = (places[low] + places[high]) / 2, places[high] - places[low]
        return carried.map({level: (at - middle) / width for level, at in places.items()}).astype(float).to_numpy()
    return carried.map({low: -0.5, high: 0.5}).astype(float).fillna(0.0).to_numpy()


def _ends(frame: pd.DataFrame, factor: str) -> tuple[object, object]:
    """Return the two levels with the fewest patches, in the plan's order; the first and the last where alike."""
    counts = frame[factor].value_counts(sort=False)
    first, *middle, last = [level for level in frame[factor].cat.categories if counts[level]]
    if is_curve(frame[factor]):
        return first, last
    fewest = sorted((first, last, *middle), key=lambda level: int(counts[level]))[:2]
    low, high = sorted(fewest, key=list(frame[factor].cat.categories).index)
    return low, high


def simulate_tests(
    plan: Plan,
    layout: Layout,
    variances: Variances,
    means: Mapping[str, Any] | None = None,
    count: int = 1000,
    seed: int = 0,
    workers: int | None = 1,
    progress: Progress | None = None,
) -> SimulatedTests:
    """Return what the tests of all effects and the intervals of all main effects say in made-up experiments.

    Parameters
    ----------
    means : what is true, by effect, all added up: a worth, the means by level (a pair's by tuples of levels) or an
        array of them, as `analysis.precision.power` takes it. Nothing if not given.
    count, seed, workers, progress : as for `simulate`.
    """
    frame, told = _laid_out(plan, layout)
    known = checked(variances, told.random)
    mean = np.zeros(len(frame))
    for term, truth in (means or {}).items():
        effect = told.effects[find_term(term, list(told.by_name))]
        if effect.df == 0:
            raise UserError(
                Problem(f"this layout cannot tell the effect of {term!r} from anything else", "leave its means out")
            )
        mean = mean + _mean_of(frame, effect.factors, term, truth)
    judged = [effect for effect in told.effects if effect.can_be_judged]
    pairs = [pair for effect in judged if len(effect.factors) == 1 for pair in Pair.all_of(frame, effect.name)]
    ready = prepare(frame, told, Wanted(told.effects, tuple(pairs), level_of(plan)))
    made = Experiments(Readings.of(frame, mean, known), ready)
    found = Outcome.joined(in_chunks(made, count, made.chunk, seed, workers, progress))
    truth = ready.expected(mean)
    labels = pd.MultiIndex.from_tuples(
        [(one.factor, one.high, one.low) for one in pairs], names=["factor", "first", "second"]
    )
    covers = pd.DataFrame(np.abs(found.differences - truth) <= found.half_widths, columns=labels)
    can = ~np.isnan(truth)
    return SimulatedTests(
        p=pd.DataFrame(found.p, columns=pd.Index(list(told.by_name), name="effect")),
        covers=covers.loc[:, can],
        truth=pd.Series(truth, index=labels, name="difference")[can],
        count=count,
        seed=seed,
    )


def _laid_out(plan: Plan, layout: Layout) -> tuple[pd.DataFrame, Structure]:
    """Return the treated patches and what they can tell, or say that nothing can be analysed."""
    frame, told = treated_rows(plan, layout)
    if told.error_dfs["residual"] == 0:
        raise UserError(
            Problem(
                f"with {len(frame)} patches what differs from patch to patch cannot be told from what the treatments "
                "and the larger pieces do",
                "lay out more boards",
            )
        )
    return frame, told


def _mean_of(frame: pd.DataFrame, factors: tuple[str, ...], term: str, truth: Any) -> np.ndarray:
    """Return the (n,) expected readings by one effect."""
    named = tuple(term.replace("`", "").split(":"))
    order = tuple(named.index(name) for name in factors)
    levels = [list(frame[name].cat.categories) for name in factors]
    if isinstance(truth, Mapping):
        cells = pd.MultiIndex.from_product(levels)
        keys = [
            cell[0] if len(factors) == 1 else tuple(cell[order.index(at)] for at in range(len(order)))
            for cell in cells
        ]
        lacking = [key for key in keys if key not in truth]
        if lacking:
            words = ", ".join(map(str, lacking[0])) if isinstance(lacking[0], tuple) else lacking[0]
            raise UserError(Problem(f"no mean is given for {words}", "give the mean of every cell"))
        truth = np.array([truth[key] for key in keys], dtype=float).reshape([len(one) for one in levels])
    elif np.ndim(truth):
        truth = np.transpose(np.asarray(truth, dtype=float), order)
    codes = tuple(frame[name].cat.codes.to_numpy() for name in factors)
    return cell_means(tuple(len(one) for one in levels), truth)[codes]


def _share(which: np.ndarray) -> tuple[float, float]:
    """Return the share of experiments of which something holds, and its Monte Carlo standard error."""
    share = float(which.mean())
    return share, math.sqrt(share * (1 - share) / len(which))
