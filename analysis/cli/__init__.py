"""The root command: the commands of both wings in the order of the work, and the demonstration."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from analysis.cli import answering, planning
from trials import __version__, shell
from trials import cli as trials_cli
from trials.errors import Problem, UserError

app = typer.Typer(add_completion=False, no_args_is_help=True, rich_markup_mode=None, pretty_exceptions_enable=False)

EXAMPLE = "lacewood-counter"


def _show_version(wanted: bool) -> None:
    if wanted:
        print(f"splitboard {__version__}")
        raise typer.Exit


@app.callback()
def root(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version and stop.")
    ] = False,
) -> None:
    """Lay out split-board finish trials, take in their results and say what they mean.

    The commands stand in the order of the work. Each takes the trial's folder (by default this one).
    """


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where to put it.")] = Path(f"{EXAMPLE}-demo"),
    example: Annotated[str, typer.Option(help="Which example.")] = EXAMPLE,
    paper: Annotated[str, typer.Option(help="a4 or us-letter.")] = "a4",
) -> None:
    """Run the whole job once on an example with invented results.

    The times in it are the example's own.

    splitboard demo counter-demo
    """
    from trials import folder as folders
    from trials import starter
    from trials.folder import clock

    if (folder / "trial.toml").exists():
        raise UserError(Problem(f"{str(folder)!r} holds a trial already", "name another folder, or delete that one"))
    place = starter.example(example)
    made = folders.load(place)
    results = [folder / "results" / path.name for path in sorted((place / "results").glob("*.csv"))]
    began = min(row["started_at"] for row in made.conditions)
    for path in (folder / "trial.toml", *results):
        folders.write_bytes(path, (place / path.relative_to(folder)).read_bytes())
    shell.say(f"The plan of the example {example} is in {folder / 'trial.toml'}; its results are invented.")
    with clock.set_to(made.record.laid_out_at):
        _show_command(f"check{shell.named(folder)}")
        planning.check(folder)
        _show_command(f"plan{shell.named(folder)} --seed {made.record.seed}")
        planning.plan(folder, made.record.seed)
        _show_command(f"sheets{shell.named(folder)} --first-day {began[:10]}")
        trials_cli.sheets(folder, paper=paper, first_day=began[:10])
    with clock.set_to(max(row["taken_at"] for row in made.readings) + "Z"):
        _show_command(f"record{''.join(map(shell.named, results))}{shell.named(folder)}")
        trials_cli.record([*results, folder])
        _show_command(f"close --yes{shell.named(folder)}")
        trials_cli.close(folder, yes=True)
        _show_command(f"decide{shell.named(folder)}")
        answering.decide(folder)
        _show_command(f"report{shell.named(folder)}")
        answering.report(folder)


def _show_command(text: str) -> None:
    shell.say(f"\n$ splitboard {text}")


WINGS = (*trials_cli.APPS, planning.app, answering.app)
ORDER = (
    "new",
    "check",
    "size",
    "plan",
    "sheets",
    "mix",
    "record",
    "correct",
    "accept",
    "close",
    "analyse",
    "decide",
    "report",
    "publish",
    "rehearse",
    "lap",
    "demo",
)
app.registered_commands += [command for wing in WINGS for command in wing.registered_commands]
app.registered_commands.sort(key=lambda command: ORDER.index(getattr(command.callback, "__name__", "")))


def main() -> None:
    """Run the command line.

    The matrices here are small: threads for each of them cost more than they bring, so they are left out unless the
    environment asks for them. It has to be said before numpy is first imported.
    """
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    shell.run(app)
