"""Grades counted in three ways: as numbers, as ordered words, and by dealing the treatments afresh.

A grade is a word with a number on it. The averages take the number at its word; the ordered model takes only
the order; re-randomisation takes nothing but how the boards were laid out. Where the three say the same the
answer does not hang on how grades are counted.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from analysis.combinations import holm
from analysis.decide import Decision, Finding, decide
from analysis.responses import Analysis
from analysis.three_ways import words
from analysis.three_ways.agreement import agreed
from analysis.three_ways.chosen import chosen
from analysis.three_ways.compared import Compared
from analysis.three_ways.dealt import dealt_afresh
from analysis.three_ways.ordered import Ordered, ordered_model
from analysis.three_ways.way import NAMES, Name, Way
from trials import structure
from trials.folder import Trial
from trials.level import level_of
from trials.plan import Plan, Question

__all__ = ["Compared", "Name", "Way", "agreed", "chosen", "decided", "three_ways"]


def three_ways(
    trial: Trial,
    decision: Decision,
    seed: int = 0,
    progress: Callable[[int, int], None] | None = None,
    *,
    leading: Name = "averages",
) -> tuple[Compared, ...]:
    """Answer every question on a graded response three ways.

    Parameters
    ----------
    trial : as loaded.
    decision : what `analysis.decide.decide` made of it.
    seed : of re-randomisation, where there are too many arrangements to look at each; the same seed gives the
        same answer.
    progress : told how many questions are done, and of how many.
    leading : the way that comes first in words.

    Returns
    -------
    One a question on grades, in the plan's order. Control patches take no part. A way that cannot be had says why
    and has NaN for its numbers.

    Notes
    -----
    Holm's adjustment is over all questions that were asked before any reading, each way by itself; a question
    on what is measured counts with its p from the averages, and one that a way cannot answer counts as p = 1.

    Raises
    ------
    ValueError
        No such way to lead.
    """
    if leading not in NAMES:
        raise ValueError(f"leading is {leading!r}; it must be one of {', '.join(NAMES)}")
    trial = trial.as_asked
    analyses = {analysis.response.name: analysis for analysis in decision.analyses}
    asked = list(zip(trial.plan.questions, decision.findings, strict=True))
    graded = [at for at, (question, _) in enumerate(asked) if _is_graded(trial, question)]
    models = {
        name: ordered_model(analyses[name])
        for name in dict.fromkeys(asked[at][0].response for at in graded)
        if name in analyses
    }
    found: dict[int, Compared] = {}
    for at in graded:
        question, finding = asked[at]
        if question.response in models:
            found[at] = _compared(models[question.response], question, finding, seed, leading)
        else:
            found[at] = _nothing(trial.plan, question, _reason(finding), leading)
        if progress is not None:
            progress(len(found), len(graded))
    together = _together(asked, found)
    return tuple(_told(trial, together[at]) for at in graded)


def decided(trial: Trial) -> Decision:
    """Fit every response and answer every question of a trial, grades counted as its plan says.

    Raises
    ------
    UserError
        Nothing at all can be fitted.
    """
    decision, trial = decide(trial), trial.as_asked
    if trial.plan.grades == "averages":
        return decision
    return chosen(decision, three_ways(trial, decision, leading=trial.plan.grades), trial.plan)


def _is_graded(trial: Trial, question: Question) -> bool:
    return any(one.name == question.response and one.kind == "grade" for one in trial.plan.responses)


# --- one question ----------------------------------------------------------------------------------


def _compared(model: Ordered, question: Question, finding: Finding, seed: int, leading: Name) -> Compared:
    """Answer one question three ways, without words."""
    analysis, factor = model.analysis, question.factor
    effect = analysis.told.by_name[factor]
    if not effect.can_be_judged:
        pieces = analysis.told.counts[effect.judged_against]
        return _nothing(
            analysis.plan, question, structure.cannot_be_judged(analysis.plan, effect, pieces).rstrip("."), leading
        )
    levels = [str(level) for level in analysis.levels(factor)]
    if len(levels) < 2 or not set(question.between) <= set(levels):
        return _nothing(analysis.plan, question, "the levels to compare were not all read", leading)
    first, second = _pair(analysis, question, finding, levels)
    averages, df, df_factor = _averages(analysis, finding)
    is_one_pair = len(levels) == 2 or bool(question.between)
    dealt = dealt_afresh(analysis, factor, (first, second), is_one_pair=is_one_pair, seed=seed)
    about = dealt.about if is_one_pair else "factor"
    ordered = model.way(factor, first, second, df=df, df_factor=df_factor, level=finding.level)
    return Compared(
        question, first, second, about, _with_p(averages, about), _with_p(ordered, about), _with_p(dealt.way, about),
        leading=leading, agree=False, sentence="",
    )  # fmt: skip


def _pair(analysis: Analysis, question: Question, finding: Finding, levels: Sequence[str]) -> tuple[str, str]:
    """Return the pair of levels in question, the finding's own where it leads with one."""
    if finding.leading is not None:
        return finding.leading.first, finding.leading.second
    if question.between:
        return question.between[0], question.between[1]
    means = analysis.table.treated.groupby(question.factor, observed=True)["value"].mean()
    if len(levels) > 2:
        return str(means.idxmin()), str(means.idxmax())
    return levels[0], levels[1]


def _averages(analysis: Analysis, finding: Finding) -> tuple[Way, float, float]:
    """Return what the finding says, and the degrees of freedom to judge its pair and its factor by."""
    row = analysis.tests.loc[finding.factor]
    p_factor, num, den = (float(row[name]) for name in ("p", "df_num", "df_den"))
    error_df = float(analysis.told.by_name[finding.factor].error_df)
    den = den if den > 0 else error_df
    if finding.leading is None:
        return Way("averages", why_not=_reason(finding)), error_df, den
    one = finding.leading
    way = Way(
        "averages", one.difference, one.lower, one.upper, finding.level, one.p, p_factor,
        judged=f"t with {one.df:.3g} degrees of freedom",
        p_factor_judged=f"F with {num:.3g} and {den:.3g} degrees of freedom",
        notes=analysis.notes,
    )  # fmt: skip
    return way, one.df if one.df > 0 else error_df, den


def _reason(finding: Finding) -> str:
    """Return why a finding tells nothing, without what it is about."""
    head, _, tail = finding.sentence.partition(" cannot be told: ")
    return (tail or head).split("\n")[0].rstrip(".")


def _with_p(way: Way, about: str) -> Way:
    """Say that a way cannot be had where its p is no number."""
    if way.had and math.isnan(way.p_about(about)):
        return replace(way, why_not="its p cannot be reckoned from these readings")
    return way


def _nothing(plan: Plan, question: Question, why: str, leading: Name) -> Compared:
    """Return a question that no way can answer."""
    first, second = question.between or ("", "")
    averages, ordered, rerandomised = (Way(name, level=level_of(plan), why_not=why) for name in NAMES)
    return Compared(question, first, second, "pair", averages, ordered, rerandomised, leading, False, "")


# --- all questions together ------------------------------------------------------------------------


def _together(asked: Sequence[tuple[Question, Finding]], found: dict[int, Compared]) -> dict[int, Compared]:
    """Add p by Holm over the questions asked beforehand, each way by itself."""
    before = [at for at, (_, finding) in enumerate(asked) if finding.asked]
    for name in NAMES:
        p = np.array([_p(asked[at][1], found.get(at), name) for at in before])
        known = ~np.isnan(p)
        for at, adjusted, is_known in zip(before, holm(np.where(known, p, 1.0)), known, strict=True):
            if at in found and is_known:
                way: Way = getattr(found[at], name)
                found[at] = replace(found[at], **{name: replace(way, p_all=float(adjusted))})  # type: ignore[arg-type]
    return found


def _p(finding: Finding, compared: Compared | None, name: Name) -> float:
    """Return a question's p in one way; that of the averages where it is not about grades."""
    if compared is not None:
        way: Way = getattr(compared, name)
        return way.p_about(compared.about)
    return finding.p


def _told(trial: Trial, compared: Compared) -> Compared:
    """Add whether the ways agree, and the sentence."""
    at = 1 - level_of(trial.plan)
    agree = agreed(compared.ways, compared.about, at)
    factor, response = (trial.plan.factor(compared.question.factor).words,
                        trial.plan.response(compared.question.response))  # fmt: skip
    pair = (compared.first, compared.second)
    sentence = words.sentence(compared.ways, compared.about, factor, response, pair, is_agreed=agree, at=at)
    return replace(compared, agree=agree, sentence=sentence)
