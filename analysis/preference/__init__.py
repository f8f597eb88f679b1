"""Paired comparisons: which of two patches side by side was picked, counted by the pieces that carry the factor."""

from __future__ import annotations

from analysis.preference.abilities import abilities
from analysis.preference.comparisons import choices, units
from analysis.preference.exact import effective, fewest_agreeing, share_interval, sign_flip
from analysis.preference.outcome import Choice, Outcome, SecondLooks, outcome
from analysis.preference.sentences import answer, beside
from trials.errors import UserError
from trials.folder import Trial

__all__ = [
    "Choice",
    "Outcome",
    "SecondLooks",
    "abilities",
    "answer",
    "beside",
    "choices",
    "effective",
    "fewest_agreeing",
    "outcome",
    "outcomes",
    "sentences",
    "share_interval",
    "sign_flip",
    "units",
]


def outcomes(trial: Trial) -> tuple[tuple[Outcome, ...], tuple[str, ...]]:
    """Return every paired comparison of the plan that has choices, and for the others why there is nothing to say."""
    made, missing = [], []
    for preference in trial.plan.preferences:
        try:
            made.append(outcome(trial, preference))
        except UserError as error:
            missing.append(f"{error}")
    return tuple(made), tuple(missing)


def sentences(trial: Trial) -> tuple[str, ...]:
    """Say what the paired comparisons of a trial show; nothing where the plan has none."""
    made, missing = outcomes(trial)
    return (*(text for found in made for text in (*answer(trial.plan, found), *beside(found))), *missing)
