"""The way of counting grades that the plan chose, put in the place of the averages."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from scipy.special import ndtri

from analysis import decide
from analysis.decide import Decision, Finding
from analysis.responses import Analysis
from analysis.three_ways.compared import Compared
from analysis.three_ways.way import SAID
from trials.plan import Plan


def chosen(decision: Decision, ways: Sequence[Compared], plan: Plan) -> Decision:
    """Return a decision whose answers on grades are counted as the plan says.

    Parameters
    ----------
    ways : as `analysis.three_ways.three_ways` of the decision, led by the plan's choice.

    Notes
    -----
    With the plan's ``averages`` it is the decision as it was. An answer that the chosen way cannot give stays with
    the averages, and says so. The standard error set beside the chosen way's interval is the one that would give
    an interval of that length by the normal distribution.
    """
    if plan.grades == "averages":
        return decision
    analyses = {one.response.name: one for one in decision.analyses}
    by_question = {_key(one.question.factor, one.question.response, one.question.between): one for one in ways}
    findings = []
    for question, finding in zip(plan.questions, decision.findings, strict=True):
        found = by_question.get(_key(question.factor, question.response, question.between))
        findings.append(
            _counted(analyses[finding.response], finding, found) if found and finding.leading else finding
        )
    return replace(decision, findings=tuple(decide.over_all_asked(findings)))


def _key(factor: str, response: str, between: Sequence[str]) -> tuple[object, ...]:
    return factor, response, tuple(between)


def _counted(analysis: Analysis, finding: Finding, found: Compared) -> Finding:
    way = found.led
    if not way.had or math.isnan(way.lower) or math.isnan(way.upper):
        why = way.why_not or "it gives no interval"
        said = (
            f" Counted {SAID[way.name]}, as the plan wants, it cannot be had: {why}; so grades are taken as numbers."
        )
        return replace(finding, sentence=finding.sentence + said)
    factor = analysis.plan.factor(finding.factor)
    se = (way.upper - way.lower) / (2 * float(ndtri(0.5 + way.level / 2)))
    row: dict[str, Any] = {
        "first": found.second, "second": found.first, "difference": way.estimate, "lower": way.lower,
        "upper": way.upper, "se": se, "df": math.inf, "p": way.p,
    }  # fmt: skip
    one = decide.comparison(analysis, factor, row, way.level)
    again = decide.told(analysis, found.question, [one], way.level, SAID[way.name])
    kept = {name: getattr(finding, name) for name in ("asked", "changed", "withdrawn")}
    return replace(again, p=way.p_about(found.about), **kept)
