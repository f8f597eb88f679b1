"""Every combination of a plan's levels, ranked by the chance that a new board meets the brief."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from analysis.decide import Decision
from analysis.responses import Analysis
from analysis.schedules import chances
from analysis.schedules.predicting import cautions, predict
from analysis.schedules.together import Together, together
from trials import brief as briefs
from trials.brief import Brief
from trials.errors import Problem, UserError
from trials.folder import Trial
from trials.level import LEVEL, level_of, per_cent
from trials.plan import Plan

DRAWS = 1000

_LEAST = 1e-4
"""A drawn chance nearer to nought or one counts as this near."""

TRIED, NOT_TRIED, NEVER_MADE, UNKNOWN = "tried", "not tried", "never made", "cannot be estimated"


@dataclass(frozen=True)
class Ranking:
    """What a brief comes to.

    Attributes
    ----------
    brief : the conditions.
    table : one row a combination, the likeliest first, then those that cannot be told, then those never made: a
        column a factor; state (``tried``, ``not tried``, ``never made``, ``cannot be estimated``); chance that one
        new patch on a new board meets all conditions, its 95 % interval lower and upper, its Monte Carlo standard
        error; behind, behind_lower and behind_upper, how far it falls short of the best, with intervals that hold
        for all combinations at once, whichever is picked as the best; and told_from_best.
    together : how the responses go together.
    draws, seed : of the simulation.
    sentences : what it means.
    notes : how it was made and what it does not hold.
    """

    brief: Brief
    table: pd.DataFrame
    together: Together
    draws: int
    seed: int
    sentences: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def best(self) -> dict[str, str] | None:
        """The levels of the likeliest combination, or None where nothing can be told."""
        return self.treatment(0) if self.table["chance"].notna().any() else None

    @property
    def alike(self) -> pd.DataFrame:
        """The rows of the likeliest combination and of those not to be told from it."""
        return self.table[self.table["chance"].notna() & ~self.table["told_from_best"]]

    @property
    def mean_of_alike(self) -> float:
        """The mean chance of these: what the best, picked because it came out best, may well be; NaN for none."""
        return float(self.alike["chance"].mean())

    def treatment(self, row: int) -> dict[str, str]:
        """Return the levels of a row of the table."""
        names = self.table.columns[: self.table.columns.get_loc("state")]
        return {str(name): str(self.table[name].iloc[row]) for name in names}


def rank(
    trial: Trial, decision: Decision, brief: Brief | Sequence[str], draws: int = DRAWS, seed: int = 1
) -> Ranking:
    """Rank the combinations of a trial's levels by the chance that they meet a brief.

    Parameters
    ----------
    trial, decision : with results, decided.
    brief : the conditions, or their lines as `trials.brief.read` takes them.
    draws, seed : of the simulation; the same seed gives the same answer.

    Raises
    ------
    UserError
        A condition that cannot be read, or on a response that could not be fitted.
    """
    if draws < 100:
        raise ValueError(f"an interval of the chance takes 100 draws or more, not {draws}")
    wanted = brief if isinstance(brief, Brief) else briefs.read(trial.plan.responses, brief)
    analyses = [_fitted(decision, condition.response.name) for condition in wanted.conditions]
    names = [factor.name for factor in trial.plan.factors]
    settings = [
        dict(zip(names, levels, strict=True)) for levels in product(*(one.levels for one in trial.plan.factors))
    ]
    made = [one for one in settings if not trial.plan.forbids(one)]
    related = together(analyses)
    predicted = [predict(one, made) for one in analyses]
    known = np.logical_and.reduce([one.known for one in predicted])
    found = chances.by_draw(predicted, wanted.conditions, related, draws, np.random.default_rng(seed))
    table = _table(settings, made, found, known, _tried(analyses, names), level_of(trial.plan))
    notes = tuple(_notes(trial.plan, analyses, related, table, draws, seed))
    ranking = Ranking(wanted, table, related, draws, seed, (), notes)
    return replace(ranking, sentences=tuple(_sentences(trial.plan, ranking)))


def _fitted(decision: Decision, name: str) -> Analysis:
    for one in decision.analyses:
        if one.response.name == name:
            return one
    why = next((one.why for one in decision.unfitted if one.response.name == name), "it was not fitted")
    raise UserError(Problem(f"the brief asks for {name}, of which nothing can be told ({why.rstrip('.')})"))


def _tried(analyses: Sequence[Analysis], names: list[str]) -> set[tuple[str, ...]]:
    """Return the combinations on whose patches every response was read."""
    read = [set(map(tuple, one.table.treated[names].astype(str).to_numpy().tolist())) for one in analyses]
    return set.intersection(*read)


def _table(
    settings: list[dict[str, str]],
    made: list[dict[str, str]],
    found: np.ndarray,
    known: np.ndarray,
    tried: set[tuple[str, ...]],
    level: float,
) -> pd.DataFrame:
    chance = np.where(known, found.mean(axis=0), np.nan)
    best = int(np.nanargmax(chance)) if known.any() else 0
    tails = [(1 - LEVEL) / 2, (1 + LEVEL) / 2]
    lower, upper = np.quantile(found, tails, axis=0)
    short_lower, short_upper = _behind(found, np.flatnonzero(known), best, level)
    columns = {
        "chance": chance, "lower": lower, "upper": upper,
        "monte_carlo_se": found.std(axis=0, ddof=1) / len(found) ** 0.5,
        "behind": chance[best] - chance, "behind_lower": short_lower, "behind_upper": short_upper,
    }  # fmt: skip
    numbers = pd.DataFrame({name: np.where(known, values, np.nan) for name, values in columns.items()})
    states = [(TRIED if tuple(one.values()) in tried else NOT_TRIED) for one in made]
    numbers.insert(0, "state", [state if sure else UNKNOWN for state, sure in zip(states, known, strict=True)])
    numbers["told_from_best"] = numbers["behind_lower"] > 0
    table = pd.concat([pd.DataFrame(made, columns=list(settings[0])), numbers], axis=1)
    never = pd.DataFrame([one | {"state": NEVER_MADE} for one in settings if one not in made])
    table = table.sort_values("chance", ascending=False, kind="stable", na_position="last")
    if len(never):
        never = never.reindex(columns=table.columns).astype(dict.fromkeys(columns, float) | {"told_from_best": bool})
        table = pd.concat([table, never.assign(told_from_best=False)])
    return table.reset_index(drop=True)


def _behind(found: np.ndarray, known: np.ndarray, best: int, level: float) -> tuple[np.ndarray, np.ndarray]:
    """Return (m,) limits of how far each combination falls short of the one that was picked as the best.

    Parameters
    ----------
    found : (draws, m) chances.
    known : which of them are known.
    best : the one picked.

    Notes
    -----
    The chances are compared as normal deviates, in which a drawn mean counts alike near nought and near one half. By
    how many standard errors the best of combinations that are all alike comes out ahead of the others is seen in the
    draws themselves: each less its mean is such a case, of which the best is picked again. The limits are that many
    standard errors from the estimates, and turned back into chances wherever the chance of the one picked may lie by
    its own interval. So where all are alike none is said to be less likely in `level` of the trials.
    """
    lower, upper = np.full((2, found.shape[1]), np.nan)
    if not len(known):
        return lower, upper
    deviates = ndtri(np.clip(found[:, known], _LEAST, 1 - _LEAST))
    means, own = deviates.mean(axis=0), int(np.flatnonzero(known == best)[0])
    errors = deviates - means
    covariance = errors.T @ errors / (len(errors) - 1)
    variances = np.diag(covariance)
    spread = np.sqrt(np.maximum(variances[:, None] + variances - 2 * covariance, 1e-12))
    picked = errors.argmax(axis=1)
    ahead = (errors.max(axis=1)[:, None] - errors) / spread[picked]
    half = float(np.quantile(ahead.max(axis=1), level)) * spread[own]
    half[own] = 0.0
    low, high = np.quantile(deviates[:, own], [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
    at = np.linspace(float(low), float(high), 41)[:, None]
    for limits, sign, outermost in ((lower, -1, np.min), (upper, 1, np.max)):
        limits[known] = outermost(ndtr(at) - ndtr(at - (means[own] - means + sign * half)), axis=0)
    return lower, upper


# --- in words --------------------------------------------------------------------------------------


def share_words(share: float) -> str:
    """Return ``72 of 100``, with ``less than 1`` and ``more than 99`` at the ends."""
    if share < 0.005:
        return "less than 1 of 100"
    if share >= 0.995:
        return "more than 99 of 100"
    return f"{100 * share:.0f} of 100"


def _about(share: float) -> str:
    words = share_words(share)
    return words if words.startswith(("less", "more")) else f"about {words}"


def treatment_words(treatment: Mapping[str, str]) -> str:
    """Return ``carrier alcohol, dye load 30 g/L``."""
    return ", ".join(f"{name.replace('_', ' ')} {level}" for name, level in treatment.items())


def _sentences(plan: Plan, ranking: Ranking) -> list[str]:
    names, table = [factor.name for factor in plan.factors], ranking.table
    told = table[table["chance"].notna()]
    if told.empty:
        return ["No combination of the plan's levels can be told from what was read."]
    first = told.iloc[0]
    level, rest = ranking.alike.iloc[1:], len(told) - len(ranking.alike)
    interval = f"{per_cent(LEVEL)} interval {100 * first['lower']:.0f} to {100 * first['upper']:.0f}"
    if len(level):
        mean = _about(ranking.mean_of_alike)
        interval += f"; on average over it and the {len(level)} not to be told from it {mean}"
    said = [
        f"The brief is {ranking.brief.words}. Likeliest to meet it on a new board: "
        f"{treatment_words({name: str(first[name]) for name in names})}, {_about(first['chance'])} "
        f"patches ({interval})" + (", a combination that was not tried." if first["state"] == NOT_TRIED else ".")
    ]
    if first["upper"] < 0.5:
        said.append("Even so it is more likely missed than met: ease the brief, or try other levels.")
    if len(level):
        shown = [
            f"{treatment_words({name: str(row[name]) for name in names})} ({share_words(row['chance'])})"
            for row in level.head(3).to_dict("records")
        ]
        more = f" and {len(level) - 3} more" if len(level) > 3 else ""
        others = f" The {rest} others are less likely." if rest else ""
        said.append(f"Not to be told from it: {'; '.join(shown)}{more}.{others}")
    elif rest:
        said.append(f"All {rest} others are less likely.")
    said += _states(table)
    return said


def _states(table: pd.DataFrame) -> list[str]:
    counts = table["state"].value_counts()
    said = []
    for state, words in (
        (NOT_TRIED, "not tried: their chances rest on effects adding up as in the model"),
        (UNKNOWN, "not to be estimated from what was read"),
        (NEVER_MADE, "never made: the plan forbids them"),
    ):
        if state in counts:
            number = int(counts[state])
            said.append(f"{number} combination{'s are' if number > 1 else ' is'} {words}.")
    return said


def _notes(
    plan: Plan, analyses: Sequence[Analysis], related: Together, table: pd.DataFrame, draws: int, seed: int
) -> list[str]:
    error = table["monte_carlo_se"].max()
    notes = [
        "Chances are for one new patch on a new board of the trial's lots, read by the trial's assessors and "
        "instruments as often as its patches were.",
        f"From {draws} draws of the fits' parameters, seed {seed}; Monte Carlo standard error at most {error:.3f}.",
        "The best is the one that came out best, so the others are compared with it by intervals that hold for all "
        f"at once with {per_cent(level_of(plan))}, whichever is picked.",
        "The best of many looks better than it is, so the mean over all that cannot be told from it stands beside "
        "its chance: make a confirmation board before it is relied on.",
    ]
    if len(analyses) > 1:
        for i, second in enumerate(related.names):
            for j, first in enumerate(related.names[:i]):
                size = related.correlation[i, j]
                pair = f"{first.replace('_', ' ')} and {second.replace('_', ' ')}"
                notes.append(f"From one new patch to another {pair} go together with a correlation of {size:.2f}.")
        if any(one.response.kind == "yes_no" for one in analyses):
            notes.append("A yes or no goes by its fitted share; its correlations are those of the noughts and ones.")
    notes += related.notes
    return notes + [line for one in analyses for line in cautions(one)]
