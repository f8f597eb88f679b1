"""What the results say: analyse, decide, report. Each parses, calls and prints."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trials import prespecified, shell
from trials.cli import onward
from trials.errors import Problem, UserError, command, nearest
from trials.shell import FolderArgument, JsonOption

if TYPE_CHECKING:
    import pandas as pd

    from analysis.answers import Answers
    from analysis.decide import Decision, Finding
    from analysis.responses import Analysis
    from trials.folder import Trial

app = typer.Typer(add_completion=False, no_args_is_help=True, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.command()
def analyse(
    folder: FolderArgument = Path(),
    response: Annotated[str, typer.Option(help="Only this response.")] = "",
    letters: Annotated[
        bool, typer.Option("--letters", help="Mark levels that were not told apart with a common letter.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Fit what was recorded; show what each factor did.

    splitboard analyse counter-trial --response figure_clarity
    """
    from analysis import preference, three_ways

    trial = _load(folder)
    names = [known.name for known in trial.as_asked.plan.responses]
    if response and response not in names:
        raise UserError(Problem(f"{response!r} is not a response of the plan", nearest(response, names)))
    decision = three_ways.decided(trial)
    chosen = [fit for fit in decision.analyses if response in ("", fit.response.name)]
    refused = [one for one in decision.unfitted if response in ("", one.response.name)]
    compared = () if response else preference.sentences(trial.as_asked)
    if not chosen and not compared:
        raise UserError(*(one.why.removesuffix(".") for one in refused))
    trial = _looked(trial)
    data = {
        "responses": [_analysis_data(fit) for fit in chosen],
        "not_fitted": [{"response": one.response.name, "why": one.why} for one in refused],
        "side_by_side": list(compared),
    }
    lines = [trial.plan.marked_title, ""] if trial.plan.mark else []
    lines += [line for fit in chosen for line in _analysis_lines(fit, decision, letters=letters)]
    lines += [f"{one.response.words}: {one.why}" for one in refused]
    lines += [*([""] if lines and compared else []), *compared]
    shell.answer("analyse", as_json=as_json, data=data, lines=lines)
    shell.next_step(command("decide", folder))


@app.command()
def decide(folder: FolderArgument = Path(), as_json: JsonOption = False) -> None:
    """Answer the plan's questions, with intervals and verdicts.

    Then what a step brings beside what it costs, how long an edge may wait, which load is dark enough, which
    schedule meets the brief, and which boards to make next.

    splitboard decide counter-trial
    """
    from analysis import preference
    from analysis.cli import answer_lines

    trial = _load(folder)
    found = _answers(trial)
    trial = _looked(trial)
    compared = preference.sentences(trial.as_asked)
    lines = [
        *_finding_lines(trial, found.decision),
        *(["", "Side by side:", *(f"- {one}" for one in compared)] if compared else []),
        *answer_lines.lines(trial.as_asked.plan, found, folder),
        *_also_lines(trial, found.decision),
    ]
    data = _decision_data(found.decision) | {"side_by_side": list(compared)} | answer_lines.data(found)
    shell.answer("decide", as_json=as_json, data=data, lines=lines)
    shell.next_step(command("report", folder))


@app.command()
def report(folder: FolderArgument = Path(), as_json: JsonOption = False) -> None:
    """Write the report: one page, and its tables as csv.

    splitboard report counter-trial
    """
    from analysis import report as pages
    from trials import folder as folders

    trial = _load(folder)
    shell.say("Fitting and drawing …")
    found = _answers(trial)
    trial = _looked(trial)
    with folders.locked(trial.folder):
        page = pages.write(trial, found, folders.now())
    data = {"report": str(page)} | _decision_data(found.decision)
    marked = [trial.plan.marked_title] if trial.plan.mark else []
    shell.answer("report", as_json=as_json, data=data, lines=[*marked, str(page)])
    shell.say("Open it in a browser: its first page has the answers, and prints on its own.")
    if not trial.plan.rehearsal:
        shell.next_step(command("publish", folder))


def _load(folder: Path) -> Trial:
    from trials import folder as folders

    trial = folders.load(folder)
    if not trial.readings:
        raise UserError(
            Problem(
                "nothing is recorded yet", f"take scores in with '{onward.to_record(trial.plan, folder).command}'"
            )
        )
    return trial


def _looked(trial: Trial) -> Trial:
    """Put on record that results are looked at while the scoring is open, which is said too, or the plan changed."""
    from analysis import taken_in
    from trials import folder as folders

    early = taken_in.too_early(trial)
    if early:
        shell.say(taken_in.warning(trial) + "\n")
    seen = [act["rows"] for act in trial.closings if act["act"] == taken_in.LOOKED]
    with contextlib.suppress(UserError):  # what cannot be written can be read
        if early and len(trial.journal) not in seen:
            with folders.locked(trial.folder):
                folders.record_close(trial.folder, trial.plan, taken_in.LOOKED, "")
        elif any(not one.noticed_at for one in trial.changed):
            with folders.locked(trial.folder):
                folders.put_on_record(trial.folder, trial.plan, {})
        else:
            return trial
        return folders.load(trial.folder.path)
    return trial


def _answers(trial: Trial) -> Answers:
    from analysis import answers
    from analysis.decide import decide as decided

    shell.say("Fitting …")
    return answers.answers(trial, decided(trial))


# --- what is shown ---------------------------------------------------------------------------------


def _finding_lines(trial: Trial, decision: Decision) -> Iterator[str]:
    from analysis import checks
    from analysis.decide import BY_NOW, together_words
    from analysis.responses import occasion_notes

    yield trial.plan.marked_title
    yield ""
    if decision.changed:
        yield from (*prespecified.lines(decision.changed), "")
    if decision.findings:
        yield "What you asked:"
    for finding in decision.findings:
        yield from _one_finding(finding)
        if finding.standing:
            yield f"    {finding.standing}"
    together = together_words(decision, trial.as_asked.plan)
    if together:
        yield f"  {together}"
    yield from (f"  {line}" for line in occasion_notes(trial.plan))
    asked = {finding.response for finding in decision.findings}
    for fit in decision.analyses:
        if fit.response.name in asked:
            yield from (f"  {line}" for line in checks.rough(fit))
    if decision.by_now:
        yield from ("", BY_NOW)
    for finding in decision.by_now:
        yield from _one_finding(finding)


def _also_lines(trial: Trial, decision: Decision) -> Iterator[str]:
    if decision.also_seen:
        from trials.level import chance_of, level_of

        chance = chance_of(level_of(trial.plan))
        yield ""
        yield f"Also seen (exploratory, not asked beforehand; of so many, {chance} looks clear by chance alone):"
    for finding in decision.also_seen:
        yield from _one_finding(finding)


def _one_finding(finding: Finding) -> Iterator[str]:
    yield f"- {finding.sentence}"
    for sentence in finding.depends:
        yield f"    {sentence}"


def _decision_data(decision: Decision) -> dict[str, Any]:
    return {
        "changed": [asdict(one) | {"place": one.place} for one in decision.changed],
        "by_now": [_finding_data(finding) for finding in decision.by_now],
        "findings": [_finding_data(finding) for finding in decision.findings],
        "also_seen": [_finding_data(finding) for finding in decision.also_seen],
        "not_fitted": [{"response": one.response.name, "why": one.why} for one in decision.unfitted],
    }


def _finding_data(finding: Finding) -> dict[str, Any]:
    return asdict(finding) | {"standing": finding.standing}


def _analysis_lines(fit: Analysis, decision: Decision, *, letters: bool) -> Iterator[str]:
    """Give one response: what it means, then the means, then the tests."""
    from analysis import checks
    from trials.level import per_cent

    name = fit.response.name
    yield f"{fit.response.words.upper()} — {len(fit.table.treated)} patches"
    yield ""
    for finding in (*decision.findings, *decision.also_seen):
        if finding.response == name:
            yield from _one_finding(finding)
    for factor in fit.plan.factors:
        if fit.told.by_name[factor.name].df > 0:
            yield ""
            yield f"Mean {fit.response.words} by {factor.words}, with {per_cent(fit.level)} intervals:"
            yield from _means_lines(fit, factor.name, factor.words, letters=letters)
    if letters:
        yield ""
        yield "Levels with a common letter were not told apart (p by Holm); that does not show them to be alike."
    yield ""
    yield "What each factor is judged against:"
    yield from shell.table(["effect", "judged against", "F", "df", "p"], [_test_row(row) for row in _rows(fit.tests)])
    yield ""
    yield from (f"- {note}" for note in (*fit.notes, *checks.checks(fit)))
    yield ""


def _means_lines(fit: Analysis, factor: str, words: str, *, letters: bool) -> list[str]:
    from analysis import effects

    header, marks = [words, "mean", "from", "to"], {}
    if letters:
        header.append("letters")
        marks = effects.letters(fit.differences(factor, adjust="holm"), 1 - fit.level)
    rows = []
    for row in fit.means(factor).to_dict("records"):
        cells = [str(row[factor]), *(_number(row[column]) for column in ("mean", "lower", "upper"))]
        rows.append([*cells, *([marks[row[factor]]] if letters else [])])
    return shell.table(header, rows)


def _test_row(row: dict[str, Any]) -> list[str]:
    from analysis import effects

    effect = row["effect"].replace("_", " ").replace(":", " × ")
    if row["f"] != row["f"]:
        return [effect, "nothing to judge it by", "", "", ""]
    df = f"{row['df_num']:.0f}, {row['df_den']:.4g}"
    p = effects.p_words(row["p"]).removeprefix("= ")
    return [effect, _pieces(row["judged_against"]), f"{row['f']:.2f}", df, p]


def _pieces(term: str) -> str:
    from trials import structure

    return structure.piece_words(term)


def _number(value: float) -> str:
    return "not known" if value != value else f"{value:.2f}"


def _rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return list(frame.reset_index().to_dict("records"))


def _analysis_data(fit: Analysis) -> dict[str, Any]:
    from analysis import checks, effects

    estimable = [effect.name for effect in fit.told.effects if effect.df > 0]
    factors = [factor.name for factor in fit.plan.factors if factor.name in estimable]
    return {
        "response": fit.response.name,
        "patches": len(fit.table.treated),
        "balanced": fit.strata is not None,
        "formula": fit.told.fixed,
        "random": fit.told.fitted_random,
        "variances": fit.fit.variances.to_dict(),
        "tests": _rows(fit.tests),
        "means": {name: _rows(fit.means(name).set_index(name)) for name in factors},
        "differences": {name: _rows(fit.differences(name).set_index("first")) for name in factors},
        "interactions": {
            effect.name: _rows(effects.interaction(fit, *effect.factors, level=fit.level).set_index("contrast"))
            for effect in fit.told.effects
            if len(effect.factors) == 2 and effect.can_be_judged
        },
        "notes": list(fit.notes),
        "checks": checks.checks(fit),
    }
