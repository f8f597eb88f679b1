"""More boards for a trial that has results: laid out to settle what its answers left open."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from analysis import priors, settling
from analysis.decide import CANNOT_BE_TOLD, TOO_CLOSE, Decision, Finding, boards_to_settle
from analysis.schedules import rank
from analysis.settling import Chance
from trials import structure, toml_source
from trials.design import Layout, Progress, add_boards
from trials.errors import Problem, UserError
from trials.folder import Trial
from trials.plan import Plan
from trials.plan_file import MOST_PATCHES
from trials.selection.terms import effect_words
from trials.telling_apart import Columns, same_as


@dataclass(frozen=True)
class FollowUp:
    """A later occasion, laid out and not yet written.

    Attributes
    ----------
    plan, plan_text : the plan with the occasion in it, and trial.toml as it is to be.
    layout : the new boards.
    words : what they were chosen for, a sentence.
    chances : of each question they are for that a narrower interval can settle.
    """

    plan: Plan
    plan_text: str
    layout: Layout
    words: str
    chances: tuple[Chance, ...] = ()


def lay_out_more(
    trial: Trial,
    decision: Decision,
    count: int,
    seed: int,
    day: str,
    progress: Progress | None = None,
    stop: Callable[[], bool] | None = None,
) -> FollowUp:
    """Lay out more boards, chosen so that with those there are they best settle the questions still open.

    Parameters
    ----------
    trial : with results, decided as `decision`.
    count : how many boards.
    seed : of the new layout.
    day : when, for the plan.

    Raises
    ------
    UserError
        The plan asks no question, or the boards are more than there are codes for.

    Notes
    -----
    What an answer's difference is worth is measured in the scatter of its own response, so that questions about
    unlike responses count alike.
    """
    plan = trial.plan
    patches = (plan.boards.count + count) * plan.boards.lanes * plan.boards.strips
    if patches > MOST_PATCHES:
        raise UserError(Problem(f"{patches} patches are more than the {MOST_PATCHES} three-digit codes", "add fewer"))
    asked, words = _open(trial, decision)
    boards = replace(plan.boards, lots=(*plan.boards.lots, count))
    longer = replace(plan, boards=boards, added=(*plan.added, count))
    layout = add_boards(
        longer, trial.patches, seed, _wanted(decision, asked), ratios=_ratios(trial, longer, decision, asked),
        progress=progress, stop=stop,
    )  # fmt: skip
    text = toml_source.text_of(trial.folder.plan_file).rstrip("\n")
    text += f"\n\n# Written by 'splitboard plan --add {count}': boards of a later occasion.\n"
    text += f'[[added]]\nboards = {count}\non = "{day}"\n'
    words += _parted_words(longer, trial.patches, layout, asked)
    likely = settling.chances(plan, longer, trial.patches, layout.patches, decision, asked, trial.folder.path)
    words = " ".join((words, *map(settling.words, likely)))
    return FollowUp(longer, text, layout, words, likely)


def is_settled(trial: Trial, decision: Decision) -> bool:
    """Whether no question is open, nor which schedule meets the brief."""
    return bool(_asked(decision)) and not _unanswered(decision) and not _between_schedules(trial, decision)


def _open(trial: Trial, decision: Decision) -> tuple[list[Finding], str]:
    """Return what the boards are for, and say it: the open questions, else the schedules not yet told apart."""
    still = _unanswered(decision)
    if still:
        beyond = [one for one in still if _is_beyond(decision, one)]
        wanted = [one for one in still if one not in beyond] or still
        words = f"The new boards are chosen to settle what is still open: {about(wanted)}."
        if beyond and wanted != still:
            words += f" Open too, and not to be settled by more boards like these: {about(beyond)}."
        return wanted, words
    between = _between_schedules(trial, decision)
    if between:
        words = f"The new boards are chosen to tell apart the schedules that may meet the brief: {about(between)}."
        return between, words
    if not _asked(decision):
        raise UserError(
            Problem("the plan asks no question, so there is none to settle", "add a [[question]] to trial.toml first")
        )
    return _asked(decision), "Every question is settled already; these boards make all answers firmer."


def _unanswered(decision: Decision) -> list[Finding]:
    """Return the questions without a verdict, and those whose answer may as well be an interaction's."""
    return [one for one in _asked(decision) if one.verdict in (TOO_CLOSE, CANNOT_BE_TOLD) or one.same is not None]


def out_of_reach(decision: Decision) -> list[Finding]:
    """Return the open questions that more boards like these would hardly settle, where no other is open."""
    still = _unanswered(decision)
    return still if all(_is_beyond(decision, one) for one in still) else []


def _is_beyond(decision: Decision, one: Finding) -> bool:
    """Whether more boards like these would hardly settle an open question."""
    fit = next((fit for fit in decision.analyses if fit.response.name == one.response), None)
    if fit is None or one.leading is None or one.worth is None or not settling.is_open_by_width(one):
        return False
    return boards_to_settle(fit, one.leading, one.worth, one.level) is None


def _asked(decision: Decision) -> list[Finding]:
    """Return the questions that still stand: for one that was taken out nobody wants more boards."""
    return [one for one in decision.findings if not one.withdrawn]


def _between_schedules(trial: Trial, decision: Decision) -> list[Finding]:
    """Return what was found on the factors in which the schedules not told from the likeliest differ from it."""
    if not trial.plan.brief:
        return []
    try:
        ranking = rank(trial, decision, trial.plan.brief)
    except UserError:
        return []
    alike = ranking.alike
    differing = {factor.name for factor in trial.plan.factors if alike[factor.name].nunique() > 1}
    named = {condition.response.name for condition in ranking.brief.conditions}
    found = (*decision.findings, *decision.also_seen)
    return [one for one in found if one.factor in differing and one.response in named and one.comparisons]


def _parted_words(longer: Plan, before: pd.DataFrame, layout: Layout, asked: list[Finding]) -> str:
    """Say from which interactions the new boards part the factors asked about."""
    patches = pd.concat([before, layout.patches], ignore_index=True)
    columns = Columns(longer, patches[patches["control"] == ""])
    said = []
    for name in dict.fromkeys(one.factor for one in asked if one.same is not None):
        still = same_as(longer, columns, name)
        before_them = {pair: None for one in asked if one.factor == name and one.same for pair in one.same.pairs}
        parted = [effect_words(longer, pair) for pair in before_them if pair not in still]
        if parted:
            said.append(f" They part {longer.factor(name).words} from {' and '.join(parted)}.")
    return "".join(said)


def about(findings: list[Finding]) -> str:
    """Name what findings are about, in a sentence."""
    names = [f"{one.factor} on {one.response}".replace("_", " ") for one in findings]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _wanted(decision: Decision, asked: list[Finding]) -> dict[str, float]:
    """Return for each factor asked about the smallest worth, in residual standard deviations of its response."""
    found: dict[str, float] = {}
    for one in asked:
        fit = next((fit for fit in decision.analyses if fit.response.name == one.response), None)
        scatter = float(np.sqrt(fit.fit.variances["residual"])) if fit is not None else 1.0
        worth = (one.worth or 1.0) / (scatter if scatter > 0 else 1.0)
        found[one.factor] = min(worth, found.get(one.factor, worth))
    return found


def _ratios(trial: Trial, longer: Plan, decision: Decision, asked: list[Finding]) -> dict[str, float]:
    """Return variances by piece relative to the residual, the mean over the responses asked about."""
    names = {one.response for one in asked}
    found: dict[str, list[float]] = {}
    for fit in decision.analyses:
        if fit.response.name in names and fit.fit.variances["residual"] > 0:
            known = priors.so_far(longer, trial.folder.path, fit).variances
            for term in structure.random_terms(longer):
                found.setdefault(term, []).append(float(known[term] / known["residual"]))
    return {term: float(np.mean(ratios)) for term, ratios in found.items()}
