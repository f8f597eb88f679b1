"""A rehearsal: made-up results for a trial's very layout, analysed and reported as real ones will be.

It shows the finisher the report before wood is cut. It lies in a folder of its own, says on every page that its
results are invented, and can never be taken for the trial.
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd
import tomlkit
from tomlkit.items import Table as TomlTable

from analysis import answers as every_answer
from analysis import decide as decisions
from analysis import report
from analysis.decide import Decision, Finding
from analysis.priors import Prior
from analysis.rehearse import made_up, truth
from analysis.rehearse.truth import Truth, parse
from trials import csv_source, records, toml_source
from trials import folder as folders
from trials.design import Layout
from trials.errors import Problem, UserError
from trials.folder import Folder, Trial
from trials.plan import Plan, Question, digest_of, read_plan
from trials.sheets import scoring_form

__all__ = ["Answer", "Rehearsal", "lines", "parse", "rehearse"]

PREFIX = "Rehearsal, invented results: "
MARK = "splitboard:rehearsal"
"""Stands in the datapackage.json of a rehearsal."""
_OURS = {
    "trial.toml", "layout.csv", "readings.csv", "conditions.csv", "datapackage.json", "results", "report", "sheets",
    ".splitboard.lock", ".splitboard.lock.holder", ".splitboard.change",
}  # fmt: skip


@dataclass(frozen=True)
class Answer:
    """One question of a rehearsal: what was put in and what came out.

    Attributes
    ----------
    question : the plan's.
    first, second : the levels that are compared: those the finding is about, else the question's.
    difference : how much the second truly differs from the first, in the response's unit, before marks are rounded.
    estimate, lower, upper : what the trial would have found, or None where it could not tell.
    verdict : one of the four verdicts.
    finding : the whole answer.
    """

    question: Question
    first: str
    second: str
    difference: float
    estimate: float | None
    lower: float | None
    upper: float | None
    verdict: str
    finding: Finding


@dataclass(frozen=True)
class Rehearsal:
    """A rehearsal as it was run.

    Attributes
    ----------
    folder, page : where it lies, and its report.
    plan : the plan rehearsed, marked as a rehearsal.
    decision : what its made-up results say.
    effects : what was put in, in sentences.
    answers : question by question.
    seed : of the made-up results.
    """

    folder: Path
    page: Path
    plan: Plan
    decision: Decision
    effects: tuple[str, ...]
    answers: tuple[Answer, ...]
    seed: int


def rehearse(
    trial_folder: str | Path,
    into: str | Path | None = None,
    effects: Mapping[tuple[str, str], float] | None = None,
    *,
    seed: int = 1,
    when: str | None = None,
    variances: Mapping[str, Prior] | None = None,
) -> Rehearsal:
    """Make up results for a laid-out trial, take them in, analyse them and write the report.

    Parameters
    ----------
    trial_folder : a laid-out trial; nothing in it is touched, except that the rehearsal is put there by default.
    into : the folder to make; a rehearsal that lies there is replaced as a whole.
    effects : true differences by factor and response, as `parse` gives them; None puts in what each question is
        worth.
    seed : the same plan, layout, effects and seed give the same files, but for the time in the report.
    when : the time that the report prints, RFC 3339; None is now.
    variances : by response, instead of what the plan, the trial it is like or the working values say.

    Raises
    ------
    UserError
        The boards are not laid out, the folder is a rehearsal itself, the plan names no response, or the place is
        taken by something else.
    """
    trial = folders.load(trial_folder)
    place = trial.folder.path / "rehearsal" if into is None else Path(into)
    _check_trial(trial)
    _check_place(place)
    put_in = truth.of_worths(trial.plan) if effects is None else truth.stated(trial.plan, effects)
    with _made_aside(place) as folder:
        plan = _write_plan(trial, folder, place)
        _save_layout(trial, plan, folder)
        notes = _write_results(trial, plan, folder, put_in, variances or {}, seed)
        _take_in(plan, trial.patches, folder)
        made = folders.load(folder.path)
        found = every_answer.answers(made, decisions.decide(made))
        decision = found.decision
        page = report.write(made, found, when or folders.now()).relative_to(folder.path)
    pairs = zip(made.as_asked.plan.questions, decision.findings, strict=True)
    answers = tuple(_answer(plan, *pair, put_in) for pair in pairs if not pair[1].withdrawn)
    return Rehearsal(place, place / page, plan, decision, (*put_in.words, *notes), answers, seed)


# --- in words --------------------------------------------------------------------------------------


def lines(rehearsal: Rehearsal) -> list[str]:
    """Say what was put in and what came out, the plain words first."""
    said = [rehearsal.plan.title, ""]
    for answer in rehearsal.answers:
        said.append(f"- {_answer_words(rehearsal.plan, answer)}")
    said += ["", *rehearsal.effects]
    said.append(
        f"True differences are meant before marks are rounded to the scale. This is one draw of chance, seed "
        f"{rehearsal.seed}: another seed gives another, and none of it says anything about the wood."
    )
    return said


def _answer_words(plan: Plan, answer: Answer) -> str:
    factor, response = plan.factor(answer.question.factor), plan.response(answer.question.response)
    instead = f"{answer.second} instead of {answer.first}"
    moved = f"moved {response.words} by {truth.amount_words(response, answer.difference)} ({instead})"
    if answer.difference == 0:
        moved = f"did nothing to {response.words} ({instead})"
    sentence = (
        f"In this made-up run {factor.words} truly {moved}; the trial would have said: {answer.finding.sentence}"
    )
    if answer.lower is None or answer.upper is None:
        return sentence
    holds = "holds" if answer.lower <= answer.difference <= answer.upper else "misses"
    return f"{sentence} The interval {holds} the true difference."


def _answer(plan: Plan, question: Question, finding: Finding, put_in: Truth) -> Answer:
    leading = finding.leading
    first, second = truth.pair_of(plan, question) if leading is None else (leading.first, leading.second)
    return Answer(
        question=question,
        first=first,
        second=second,
        difference=put_in.difference(question.factor, question.response, first, second),
        estimate=None if leading is None else leading.difference,
        lower=None if leading is None else leading.lower,
        upper=None if leading is None else leading.upper,
        verdict=finding.verdict,
        finding=finding,
    )


# --- the place -------------------------------------------------------------------------------------


def _check_trial(trial: Trial) -> None:
    if trial.plan.rehearsal:
        raise UserError(Problem("this folder is a rehearsal itself", "name the folder of the trial"))
    if not trial.plan.responses:
        raise UserError(
            Problem("the plan names no response, so there is nothing to rehearse", "add a [[response]]",
                    file="trial.toml")
        )  # fmt: skip


def _check_place(place: Path) -> None:
    """Refuse a place that holds anything but an earlier rehearsal."""
    if not place.is_symlink() and (not place.exists() or (place.is_dir() and not any(place.iterdir()))):
        return
    if place.is_symlink() or not place.is_dir() or not _is_rehearsal(place):
        raise UserError(
            Problem(f"{str(place)!r} is there already and is no rehearsal", "name another folder with --into")
        )
    others = sorted(path.name for path in place.iterdir() if path.name not in _OURS)
    if others:
        what = f"the rehearsal in {str(place)!r} would be replaced, but {others[0]!r} in it is none of its own files"
        raise UserError(Problem(what, "move that out of it, or name another folder with --into"))


def _is_rehearsal(place: Path) -> bool:
    try:
        kept = json.loads((place / "datapackage.json").read_bytes())
    except (OSError, ValueError):
        return False
    return isinstance(kept, dict) and kept.get(MARK) is True


@contextmanager
def _made_aside(place: Path) -> Iterator[Folder]:
    """Give an empty folder of the place's name and, if all went well, put it there instead of what there is."""
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        holder = Path(tempfile.mkdtemp(dir=place.parent, prefix=".rehearsal."))
    except OSError as error:
        raise _cannot_write(place, error) from None
    try:
        new = holder / place.resolve().name
        new.mkdir()
        yield Folder(new)
        try:
            if place.exists():
                place.rename(holder / ".before")
            new.rename(place)
        except OSError as error:
            raise _cannot_write(place, error) from None
    finally:
        shutil.rmtree(holder, ignore_errors=True)


def _cannot_write(place: Path, error: OSError) -> UserError:
    reason = error.strerror or str(error)
    return UserError(Problem(f"{str(place)!r} cannot be written ({reason})", "name another folder with --into"))


# --- the files -------------------------------------------------------------------------------------


def _write_plan(trial: Trial, folder: Folder, place: Path) -> Plan:
    """Write the trial's own text, comments and all, marked as a rehearsal; return it as read again.

    An earlier trial that it names is reckoned from the folder the plan will lie in, `place`.
    """
    title = PREFIX + trial.plan.title
    document = tomlkit.parse(toml_source.text_of(trial.folder.plan_file))
    if "trial" not in document:
        document.add("trial", tomlkit.table())
    heading = document["trial"]
    flag = tomlkit.item(True)
    if isinstance(heading, TomlTable):
        flag.comment("every result in this folder is invented")
    heading["title"] = title
    heading["rehearsal"] = flag
    like = trial.plan.like
    if like and not Path(like).is_absolute():
        like = Path(os.path.relpath(trial.folder.path.resolve() / like, place.resolve())).as_posix()
        heading["like"] = like
    folders.write_text(folder.plan_file, tomlkit.dumps(document))
    plan = read_plan(folder.plan_file)
    if plan != replace(trial.plan, title=plan.title, like=like, rehearsal=True):
        raise RuntimeError("the copy of trial.toml does not read like the trial's own")
    return plan


def _save_layout(trial: Trial, plan: Plan, folder: Folder) -> None:
    """Write the trial's own layout and its record: as old as the trial's, and marked."""
    folders.save_layout(folder, plan, Layout(trial.patches, trial.record.seed, ()))
    first = trial.record.plan | {"rehearsal": True}
    values = {
        "splitboard:laidOutAt": trial.record.laid_out_at,
        "splitboard:version": trial.record.version,
        "splitboard:plan": first,
        "splitboard:planDigest": digest_of(first),
        MARK: True,
    }
    if trial.record.added:
        values["splitboard:added"] = list(trial.record.added)
    folders.put_on_record(folder, plan, values)


def _write_results(
    trial: Trial, plan: Plan, folder: Folder, put_in: Truth, known: Mapping[str, Prior], seed: int
) -> list[str]:
    """Write what each assessor and instrument would hand in, a file a form and stage; return what had to be said."""
    forms = scoring_form.build(plan, trial.patches, trial.record.seed)
    notes, values = [], {}
    for response in plan.responses:
        prior = known.get(response.name)
        if prior is None:
            prior, note = made_up.variances(trial.plan, response, put_in, trial.folder.path)
            notes.append(note)
        readers = [form.assessor for form in forms if response.name in [column.name for column in form.responses]]
        values[response.name] = made_up.values(response, trial.patches, put_in, prior, readers, seed)
    if any(len(response.stages) > 1 for response in plan.responses):
        notes.append("Factors act at the last stage of a response only; before it the wood alone differs.")
    for form in forms:
        for stage in form.stages:
            read = [column.name for column in form.responses if stage in column.stages]
            columns = ["patch", *read, *(["assessor"] if form.assessor else []), "stage", "method", "source"]
            said = [*([form.assessor] if form.assessor else []), stage, records.INVENTED_METHOD, plan.mark]
            rows = [
                [code, *(values[name][stage, form.assessor, int(code)] for name in read), *said]
                for code in form.codes
            ]
            name = form.stem if len(form.stages) == 1 else f"{form.stem}-{stage}"
            folders.write_text(folder.path / "results" / f"{name}.csv", folders.csv_text(columns, rows, neutral=True))
    return notes


def _take_in(plan: Plan, patches: pd.DataFrame, folder: Folder) -> None:
    """Take the made-up files in as ``splitboard record`` takes in real ones."""
    taken: list[dict[str, str]] = []
    for file in sorted((folder.path / "results").glob("*.csv")):
        checked = records.check_readings(csv_source.read(file), plan, patches, taken)
        if checked.problems:
            raise RuntimeError(f"made-up results are refused: {checked.problems[0]}")
        taken += checked.new
    folders.append_readings(folder, plan, taken)
