"""The commands of the lower wing: new, sheets, record. Each parses, calls and prints."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from trials import shell
from trials.errors import Problem, UserError
from trials.shell import FolderArgument, JsonOption

app = typer.Typer(add_completion=False, no_args_is_help=True, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.command()
def new(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The folder to make.")],
    example: Annotated[str, typer.Option(help="Begin with an example, such as lacewood-counter.")] = "",
    like: Annotated[Path | None, typer.Option(help="Begin with the plan of an earlier trial's folder.")] = None,
) -> None:
    """Make a trial folder.

    It begins with an example, an earlier trial's plan, or the answers to a few questions.

    splitboard new counter-trial --example lacewood-counter
    """
    from trials import folder as folders
    from trials import starter

    if (folder / "trial.toml").exists():
        raise UserError(Problem(f"{str(folder)!r} holds a trial already", "choose another folder"))
    if folder.exists() and not folder.is_dir():
        raise UserError(Problem(f"{str(folder)!r} is a file", "choose another name"))
    if example:
        text = (starter.example(example) / "trial.toml").read_text(encoding="utf-8")
    elif like is not None:
        text = starter.follow_up(like, folder)
    elif sys.stdin.isatty():
        text = starter.plan_text(starter.ask_all(_prompt, shell.say))
    else:
        raise UserError(
            Problem("there is nobody to ask", "add --example lacewood-counter, or run it at a terminal to be asked")
        )
    folders.write_text(folder / "trial.toml", text)
    shell.say(f"Wrote {folder / 'trial.toml'}. It is a text file: read it through and change what is not yours.")
    shell.next_step(f"splitboard check {folder}")


def _prompt(question: str, default: str) -> str:
    return str(typer.prompt(question, default=default, show_default=bool(default), err=True))


@app.command()
def sheets(
    folder: FolderArgument = Path(),
    paper: Annotated[str, typer.Option(help="a4 or us-letter.")] = "a4",
    as_json: JsonOption = False,
) -> None:
    """Write board drawings, key and scoring forms as PDF.

    splitboard sheets counter-trial --paper us-letter
    """
    from trials import folder as folders
    from trials import sheets as paper_sheets

    if paper not in paper_sheets.PAPERS:
        names = " or ".join(paper_sheets.PAPERS)
        raise UserError(Problem(f"paper {paper!r} is not known", f"write {names}"))
    trial = folders.load(folder)
    with folders.locked(trial.folder):
        written = paper_sheets.write(
            trial.latest_plan, trial.latest_patches, trial.record.last_seed, trial.latest_sheets, paper
        )
    shell.answer(
        "sheets",
        as_json=as_json,
        data={"files": [str(path) for path in written]},
        lines=[str(path) for path in written],
    )
    shell.say("Print at 100 % and check the 100 mm rule. Keep key.pdf away from whoever scores.")
    shell.next_step("make and score the boards, then splitboard record SCORES.csv" + shell.named(folder))


@app.command()
def record(
    paths: Annotated[
        list[Path], typer.Argument(metavar="FILE... [FOLDER]", help="Csv files of scores, and the trial's folder.")
    ],
    assessor: Annotated[str, typer.Option(help="Who scored, where the file does not say.")] = "",
    stage: Annotated[str, typer.Option(help="After which step, where the file does not say.")] = "",
    method: Annotated[str, typer.Option(help="How it was read, such as an instrument's kind.")] = "",
    good_rows: Annotated[
        bool, typer.Option("--good-rows", help="Take the good rows of a file that has bad ones.")
    ] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only show what would be taken in.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Take in scores, readings or bench notes from csv.

    splitboard record scores-A.csv counter-trial --assessor A
    """
    from trials import folder as folders
    from trials import records

    place, files = _split_paths(paths)
    trial = folders.load(place)
    if assessor and trial.plan.assessors and assessor not in trial.plan.assessors:
        names = ", ".join(trial.plan.assessors)
        raise UserError(Problem(f"{assessor!r} is not one of the plan's assessors", f"write one of {names}"))
    defaults = records.Defaults(assessor, stage, method)
    with folders.locked(trial.folder):
        taken = _take_in(trial, files, defaults, good_rows=good_rows, write=not dry_run)
        readings = folders.load_readings(trial.folder)
    missing = records.still_missing(trial.plan, trial.patches, readings)
    lines = [line for _, file_lines in taken for line in file_lines]
    lines += [f"{count} patches still lack {name.replace('_', ' ')}." for name, count in missing.items() if count]
    data = {"files": [file_data for file_data, _ in taken], "still_missing": missing, "dry_run": dry_run}
    shell.answer("record", as_json=as_json, data=data, lines=lines)
    if not dry_run:
        shell.next_step(
            ("record what is missing, or " if any(missing.values()) else "")
            + "splitboard report"
            + shell.named(place)
        )


def _split_paths(paths: list[Path]) -> tuple[Path, list[Path]]:
    """Tell the trial's folder from the files, in whichever order they were given."""
    places = [path for path in paths if path.is_dir()]
    files = [path for path in paths if not path.is_dir()]
    if len(places) > 1:
        raise UserError(Problem(f"two folders are named, {str(places[0])!r} and {str(places[1])!r}", "name one"))
    lost = [path for path in files if not path.exists()]
    if lost:
        raise UserError(
            *(Problem(f"there is no file or folder {str(path)!r}", "check its name and folder") for path in lost)
        )
    if not files:
        raise UserError(Problem("no file of scores is named", "write splitboard record SCORES.csv FOLDER"))
    return (places[0] if places else Path()), files


def _take_in(
    trial: Any, files: list[Path], defaults: Any, *, good_rows: bool, write: bool
) -> list[tuple[dict[str, Any], list[str]]]:
    """Check every file, then write; a fault in any of them stops all, unless the good rows are asked for."""
    from trials import csv_source, records
    from trials import folder as folders

    readings, conditions = list(folders.load_readings(trial.folder)), list(folders.load_conditions(trial.folder))
    taken: list[tuple[dict[str, Any], list[str]]] = []
    problems: list[Problem] = []
    new_readings: list[dict[str, str]] = []
    new_conditions: list[dict[str, str]] = []
    for file in files:
        table = csv_source.read(file)
        if records.is_conditions(table):
            checked = records.check_conditions(table, trial.plan, trial.patches, conditions)
            conditions += checked.new
            new_conditions += checked.new
            what = "bench notes"
        else:
            checked = records.check_readings(table, trial.plan, trial.patches, readings, defaults)
            readings += checked.new
            new_readings += checked.new
            what = "readings"
        problems += checked.problems
        taken.append(_file_words(file.name, what, checked, write=write))
    if problems and not good_rows:
        total = len(problems)
        shell.say(f"Nothing was taken in: {total} {'row is' if total == 1 else 'faults are'} in the way.")
        raise UserError(*problems)
    for problem in problems:
        shell.say(f"Left out: {problem}")
    if write and new_readings:
        folders.append_readings(trial.folder, trial.plan, new_readings)
    if write and new_conditions:
        folders.append_conditions(trial.folder, trial.plan, new_conditions)
    return taken


def _file_words(name: str, what: str, checked: Any, *, write: bool) -> tuple[dict[str, Any], list[str]]:
    verb = "taken in" if write else "would be taken in"
    line = f"{name}: {len(checked.new)} {what} {verb}"
    if checked.already:
        line += f", {checked.already} recorded already"
    if checked.problems:
        line += f", {len(checked.problems)} left out"
    data = {
        "file": name, "kind": what, "new": len(checked.new), "already": checked.already,
        "left_out": [str(problem) for problem in checked.problems],
    }  # fmt: skip
    return data, [line + "."]


def main() -> None:
    """Run the lower wing alone."""
    shell.run(app)
