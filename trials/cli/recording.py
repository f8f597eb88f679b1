"""The command that takes results in, from files or at the prompt. Faults stop it; doubts wait for a yes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trials import shell
from trials.cli import onward, prompting
from trials.cli.settling import How, settle, still_open
from trials.errors import Problem, UserError
from trials.shell import JsonOption

if TYPE_CHECKING:
    from trials.folder import Trial
    from trials.records import Checked, Defaults
    from trials.records.sources import Options

app = typer.Typer(add_completion=False, no_args_is_help=True, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.command()
def record(
    paths: Annotated[
        list[Path] | None,
        typer.Argument(metavar="FILE... [FOLDER]", help="Files of results (csv, xlsx), and the trial's folder."),
    ] = None,
    assessor: Annotated[str, typer.Option(help="Who scored, where the file does not say.")] = "",
    stage: Annotated[str, typer.Option(help="After which step, where the file does not say.")] = "",
    method: Annotated[str, typer.Option(help="How it was read, such as an instrument's kind.")] = "",
    sheet: Annotated[str, typer.Option(help="Which sheet of a workbook.", show_default="the one with codes")] = "",
    codes: Annotated[
        str, typer.Option(metavar="NAME", help="The column of codes, if it is not headed patch or code.")
    ] = "",
    illuminant: Annotated[str, typer.Option(help="Of an instrument's readings, such as D65.")] = "",
    observer: Annotated[str, typer.Option(help="Of an instrument's readings: 2 or 10 degrees.")] = "",
    by_hand: Annotated[bool, typer.Option("--by-hand", help="Type the scores in, patch by patch.")] = False,
    only: Annotated[str, typer.Option(help="With --by-hand: the one response to ask for.")] = "",
    yes: Annotated[bool, typer.Option("--yes", help="What looks doubtful is right: take it in.")] = False,
    good_rows: Annotated[
        bool, typer.Option("--good-rows", help="Take the good rows of a file that has bad ones.")
    ] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only show what would be taken in.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Take in scores, readings or bench notes.

    From the scoring page, a spreadsheet, an instrument or the bench page; or typed in at the prompt.

    splitboard record scores-A.csv counter-trial
    """
    from trials import folder as folders
    from trials import records
    from trials.records.sources import Options

    place, files = _split_paths(paths or [], by_hand=by_hand)
    trial = folders.load(place)
    if assessor and trial.plan.assessors and assessor not in trial.plan.assessors:
        names = ", ".join(trial.plan.assessors)
        raise UserError(Problem(f"{assessor!r} is not one of the plan's assessors", f"write one of {names}"))
    defaults = records.Defaults(assessor, stage, method)
    how = How(good_rows, yes, write=not dry_run)
    if by_hand:
        taken = prompting.type_in(trial, defaults, only, how)
        standing = list(folders.load(place).readings)
    else:
        with folders.locked(trial.folder):
            trial = folders.load(place)
            taken, rows = _take_in(trial, files, defaults, Options(sheet, codes, illuminant, observer), how)
        standing = folders.standing([*trial.journal, *rows])
    lacking = records.lacking(trial.plan, trial.patches, standing)
    missing = records.still_missing(trial.plan, trial.patches, standing)
    lines = [line for _, file_lines in taken for line in file_lines]
    lines += [f"Still to come: {'; '.join(lacking)}."] if lacking else []
    data = {
        "files": [file_data for file_data, _ in taken],
        "still_missing": missing,
        "lacking": list(lacking),
        "dry_run": dry_run,
    }
    shell.answer("record", as_json=as_json, data=data, lines=lines)
    if not dry_run:
        onward.step(place).say()


def _split_paths(paths: list[Path], *, by_hand: bool) -> tuple[Path, list[Path]]:
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
    if by_hand and files:
        raise UserError(
            Problem(f"{files[0].name} is named, and --by-hand asks at the prompt", "leave out one of them")
        )
    if not files and not by_hand:
        cure = "write splitboard record SCORES.csv FOLDER, or add --by-hand to type them in"
        raise UserError(Problem("no file of scores is named", cure))
    return (places[0] if places else Path()), files


# --- files -----------------------------------------------------------------------------------------


def _take_in(
    trial: Trial, files: list[Path], defaults: Defaults, options: Options, how: How
) -> tuple[list[tuple[dict[str, Any], list[str]]], list[dict[str, str]]]:
    """Check every file, then write; a fault in any of them stops all, unless the good rows are asked for.

    Return what is said of each file, and the readings that were, or would be, taken in.
    """
    from trials import folder as folders
    from trials import records
    from trials.records import sources

    journal, conditions = list(trial.journal), list(trial.conditions)
    found: list[tuple[str, str, Checked]] = []
    tables = [sources.read(file, trial.plan, options) for file in files]
    tables.sort(key=lambda source: not records.is_conditions(source.table))  # bench times before what they judge
    for source in tables:
        table = source.table
        if records.is_conditions(table):
            checked = records.check_conditions(table, trial.plan, trial.patches, conditions)
            conditions += checked.new
            found.append((table.name, "bench notes", checked))
            continue
        still_open(trial)
        usual = replace(defaults, method=defaults.method or source.method)
        checked = records.check_readings(
            table, trial.plan, trial.patches, journal, usual, instrument=source.instrument, conditions=conditions
        )
        journal += checked.new
        found.append((table.name, "readings", replace(checked, said=(*source.said, *checked.said))))
    settled = settle([checked for _, _, checked in found], how)
    rows: dict[str, list[dict[str, str]]] = {"readings": [], "bench notes": []}
    for (_, what, _), settled_rows in zip(found, settled, strict=True):
        rows[what] += settled_rows
    if how.write:
        folders.append(trial.folder, trial.plan, readings=rows["readings"], conditions=rows["bench notes"])
    said = [
        _file_words(name, what, checked, len(went_in), write=how.write)
        for (name, what, checked), went_in in zip(found, settled, strict=True)
    ]
    return said, rows["readings"]


def _file_words(
    name: str, what: str, checked: Checked, count: int, *, write: bool
) -> tuple[dict[str, Any], list[str]]:
    verb = "taken in" if write else "would be taken in"
    line = f"{name}: {count} {what.removesuffix('s') if count == 1 else what} {verb}"
    left_out = len(checked.problems) + len(checked.new) - count
    if checked.corrections:
        line += f", {checked.corrections} of them corrections"
    if checked.already:
        line += f", {checked.already} recorded already"
    if left_out:
        line += f", {left_out} left out"
    data = {
        "file": name, "kind": what, "new": count, "already": checked.already, "corrections": checked.corrections,
        "left_out": [str(problem) for problem in checked.problems],
        "doubtful": [str(doubt.problem) for doubt in checked.held],
    }  # fmt: skip
    return data, [line + ".", *checked.said]
