"""The report: one page that answers the questions first, and the tables behind it.

`content` is pure: a trial and what was decided in, everything the page says out. `write` sets it out and puts the
files in place.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from analysis import taken_in
from analysis.answers import Answers, answers
from analysis.decide import Decision, together_words
from analysis.report import account, answer_numbers, answered, comparisons, evidence, figures, numbers, panel, words
from analysis.report.parts import Content as ReportContent
from trials import blind, cautions, phone_page
from trials import folder as folders
from trials.folder import Trial
from trials.level import chance_of, level_of
from trials.plan import Plan

if TYPE_CHECKING:
    import pandas as pd
    from jinja2 import Environment

__all__ = ["ReportContent", "content", "page", "write"]


def write(trial: Trial, decision: Decision | Answers, when: str) -> Path:
    """Write report/report.html and report/tables/*.csv into the trial's folder.

    Parameters
    ----------
    trial : as loaded; the caller holds its folder's lock.
    decision : what `decide.decide` made of it, or all of its answers where they were worked out already.
    when : the time that is printed, RFC 3339.

    Returns
    -------
    The page. Equal trials and times give equal bytes. Tables of invented results begin with a column source.

    Raises
    ------
    UserError
        A file cannot be written.
    """
    found, trial = _all_of(trial, decision), trial.as_asked
    tables = _tables(trial, found)
    with figures.theme():
        text = page(_content(trial, found, tables, when))
    place = trial.folder.report
    for name, table in tables.items():
        if trial.plan.mark:  # in every row, so that no row goes without it
            table = table.assign(source=trial.plan.mark)[["source", *table.columns]]
        text_of_table = folders.csv_text(list(table.columns), table.astype(object).to_numpy().tolist(), neutral=True)
        folders.write_text(place / "tables" / f"{name}.csv", text_of_table)
    folders.write_text(place / "report.html", text)
    return place / "report.html"


def content(trial: Trial, decision: Decision | Answers, when: str) -> ReportContent:
    """Work out everything the page says.

    Parameters
    ----------
    trial, decision, when : as for `write`.
    """
    found, trial = _all_of(trial, decision), trial.as_asked
    with figures.theme():
        return _content(trial, found, _tables(trial, found), when)


def page(shown: ReportContent) -> str:
    """Set a report out as one HTML page."""
    return _templates().get_template("report.html").render(page=shown, policy=phone_page.policy())


@cache
def _templates() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("analysis.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _all_of(trial: Trial, decision: Decision | Answers) -> Answers:
    return decision if isinstance(decision, Answers) else answers(trial, decision)


def _tables(trial: Trial, found: Answers) -> dict[str, pd.DataFrame]:
    return numbers.build(trial, found.decision) | answer_numbers.build(trial.plan, found)


def _content(trial: Trial, found: Answers, tables: dict[str, pd.DataFrame], when: str) -> ReportContent:
    plan, decision = trial.plan, found.decision
    return ReportContent(
        title=words.marked_title(plan),
        wood=words.clean(plan.wood),
        about=words.clean(plan.about),
        answers=evidence.answers(decision),
        nothing_asked="" if decision.findings else _nothing_asked(decision),
        changed=_changed(decision),
        together=words.clean(together_words(decision, plan)),
        in_short=answered.in_short(plan, found),
        asked=account.asked(trial, decision),
        evidence=evidence.evidence(plan, decision),
        answered=answered.parts(plan, found),
        boards=evidence.board_sets(trial, decision),
        board_words=evidence.board_words(plan),
        controls=evidence.controls_table(tables["controls"], plan),
        pairs=evidence.pair_groups(decision),
        pair_words=evidence.pair_words(plan, decision),
        also_seen=evidence.also_seen(plan, decision),
        also_words=_also_words(plan, decision),
        also_tables=evidence.also_tables(plan, decision),
        side_by_side=comparisons.side_by_side(trial, tables),
        who=panel.who_scored(trial, decision, tables),
        trust=account.trust(plan, decision),
        method=account.method(trial, decision, tables),
        conditions=account.conditions(trial.conditions),
        steps=account.steps(plan),
        repeat=account.repeat(trial),
        cautions=tuple((one.name, one.text, one.source) for one in cautions.for_plan(plan)),
        general=cautions.GENERAL,
        footer=account.footer(trial, when),
        mark=words.mark(plan),
        seen=blind.MUST_NOT_SEE if taken_in.too_early(trial) else "",
    )


def _changed(decision: Decision) -> str:
    if not decision.changed:
        return ""
    number = words.count(len(decision.changed), "thing")
    return f"{number} in the plan changed after the boards were laid out; what rests on it is exploratory."


def _nothing_asked(decision: Decision) -> str:
    if decision.analyses:
        return (
            "The plan asked no question, so there is none to answer; what was seen stands below and is exploratory."
        )
    return "The plan asked no question, and nothing that was recorded could be fitted."


def _also_words(plan: Plan, decision: Decision) -> tuple[str, ...]:
    made = sum(len(finding.comparisons) for finding in decision.also_seen)
    if not made:
        return ()
    return (
        "Exploratory: nobody asked for these before the boards were laid out, so they are ideas for the next trial. "
        f"{words.count(made, 'comparison was', 'comparisons were')} looked at; where factors do nothing, about "
        f"{chance_of(level_of(plan))} looks clear all the same, by chance.",
    )
