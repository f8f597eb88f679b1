"""Boards that scatter far more than was foreseen, and what may be the cause of it."""

from __future__ import annotations

import math

from scipy.special import chdtri

from analysis import priors
from analysis.responses import Analysis
from trials.folder import Trial

SEVERAL = 2.0
"""So many times the standard deviation foreseen, clear of chance at 1 %, is worth a word: common sense, no source."""


def cause_words(trial: Trial, analysis: Analysis, factor: str) -> str:
    """Name an interaction that is not in the model where boards scatter several times as much as was foreseen.

    Returns
    -------
    A sentence with a blank before it; nothing where the factor is not judged against boards, no interaction between
    boards was left out, or nothing was foreseen.
    """
    plan, told = trial.plan, analysis.told
    on_boards = {one.name for one in plan.laid_on("board")}
    pairs = [one.factors for one in told.left_out if set(one.factors) <= on_boards]
    foreseen = priors.foreseen(plan, trial.folder.path, analysis.response)
    if factor not in on_boards or not pairs or foreseen is None:
        return ""
    patches = told.counts["residual"] / told.counts.get("board", told.counts["residual"])
    seen, expected = (
        float(sizes.get("board", 0.0) + sizes["residual"] / patches) for sizes in (analysis.fit.variances, foreseen)
    )
    df = told.error_dfs[told.by_name[factor].judged_against]
    if seen < SEVERAL**2 * expected or df * seen / expected < chdtri(df, 0.01):
        return ""
    names = " or ".join(" × ".join(plan.factor(name).words for name in pair) for pair in pairs[:2])
    return (
        f" Boards treated alike differ {math.sqrt(seen / expected):.1f} times as much as was foreseen (standard "
        f"deviation {math.sqrt(seen):.2g} for {math.sqrt(expected):.2g}): an interaction that is not in the model "
        f"may be the cause, such as {names}."
    )
