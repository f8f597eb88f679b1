"""A confirmation board: between which values its readings should lie."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analysis import priors
from analysis.decide import Decision, decimals
from analysis.responses import Analysis
from analysis.schedules.predicting import RESIDUAL, cautions, predict
from analysis.schedules.ranking import treatment_words
from trials.errors import Problem, UserError, nearest
from trials.folder import Trial
from trials.plan import Response


@dataclass(frozen=True)
class Confirmation:
    """What one response should come to on a confirmation board.

    Attributes
    ----------
    response : which.
    patches, readings : how many patches are averaged, each in a strip of its own of one lane, and how many readings
        of each.
    mean, lower, upper : the prediction and its interval, within the scale.
    level : of the interval.
    sentence : in words.
    notes : what could not be reckoned with.
    """

    response: Response
    patches: int
    readings: int
    mean: float
    lower: float
    upper: float
    level: float
    sentence: str
    notes: tuple[str, ...]


def confirm(
    trial: Trial,
    decision: Decision,
    treatment: Mapping[str, str],
    patches: int = 1,
    readings: int | None = None,
    level: float = 0.95,
) -> tuple[Confirmation, ...]:
    """Return for every fitted response the prediction interval of a new board of one combination.

    Parameters
    ----------
    treatment : the level of every factor.
    patches, readings : how many are averaged; as many readings a patch as in the trial if not given.

    Raises
    ------
    UserError
        The combination names a wrong factor or level, is never made, or cannot be estimated.
    """
    if patches < 1 or (readings is not None and readings < 1) or not 0 < level < 1:
        raise ValueError("a board has one patch or more, each read once or more; a level lies between 0 and 1")
    _check(trial, treatment)
    return tuple(_one(trial, one, treatment, patches, readings, level) for one in decision.analyses)


def _check(trial: Trial, treatment: Mapping[str, str]) -> None:
    for factor in trial.plan.factors:
        if factor.name not in treatment:
            raise UserError(Problem(f"the combination does not say its {factor.words}", f"add {factor.name}"))
        if treatment[factor.name] not in factor.levels:
            what = f"{treatment[factor.name]!r} is not a level of {factor.words}"
            raise UserError(Problem(what, nearest(treatment[factor.name], factor.levels)))
    if trial.plan.forbids(treatment):
        raise UserError(Problem(f"{treatment_words(treatment)} is never made", "choose a combination that is"))


def _one(
    trial: Trial, analysis: Analysis, treatment: Mapping[str, str], patches: int, readings: int | None, level: float
) -> Confirmation:
    response = analysis.response
    had = max(round(float(analysis.table.treated["readings"].mean())), 1)
    taken = had if readings is None else readings
    part, notes = _residual_part(trial, analysis, had, taken)
    predicted = predict(analysis, [treatment], {"board:strip": 1 / patches, RESIDUAL: part / patches})
    if not predicted.known[0]:
        what = f"{treatment_words(treatment)} cannot be estimated from what was read of {response.words}"
        raise UserError(Problem(what, "choose a combination that can, or try it"))
    ends = [float(predicted.quantile(share)[0]) for share in ((1 - level) / 2, (1 + level) / 2)]
    low, high = (1.0, float(response.grades)) if response.kind == "grade" else (response.low, response.high)
    if response.kind == "yes_no":
        low, high = 0.0, 1.0
    lower, upper = (float(np.clip(end, low, high)) for end in ends)
    mean = float(np.clip(predicted.mean[0].mean(), low, high))
    sentence = _sentence(response, patches, taken, mean, (lower, upper), level)
    return Confirmation(response, patches, taken, mean, lower, upper, level, sentence, (*notes, *cautions(analysis)))


def _residual_part(trial: Trial, analysis: Analysis, had: int, taken: int) -> tuple[float, list[str]]:
    """Return the residual variance with so many readings a patch, relative to that of the trial's."""
    residual = float(analysis.for_these_lots.variances[RESIDUAL])
    if taken == had or residual <= 0:
        return 1.0, []
    prior = priors.carried_over(trial.plan, analysis.response, trial)
    share = min(prior.reading * prior.readings / had, residual)
    if share <= 0:
        words = analysis.response.words
        return 1.0, [f"How much readings of one patch differ in {words} is not known; taken as read {had} times."]
    return (residual - share + share * had / taken) / residual, []


def _sentence(
    response: Response, patches: int, readings: int, mean: float, ends: tuple[float, float], level: float
) -> str:
    digits = decimals(*ends)
    unit = response.unit_words(2 if response.kind == "grade" else mean)
    what = "one patch" if patches == 1 else f"the mean of {patches} patches"
    often = "" if readings == 1 else f", {readings} readings each"
    return (
        f"On a new board {response.words} of {what}{often} should lie between {ends[0]:.{digits}f} and "
        f"{ends[1]:.{digits}f} {unit} ({100 * level:g}% prediction interval, about {mean:.{digits}f}); if it does "
        "not, something at the bench has changed or the model does not hold."
    )
