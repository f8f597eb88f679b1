"""The commands before and at the bench: new, sheets, mix, lap. Each parses, calls and prints."""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from trials import shell
from trials.cli import onward
from trials.errors import Problem, UserError, command
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
        text = starter.from_example(example)
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
    shell.next_step(command("check", folder))


def _prompt(question: str, default: str) -> str:
    return str(typer.prompt(question, default=default, show_default=bool(default), err=True))


@app.command()
def sheets(
    folder: FolderArgument = Path(),
    paper: Annotated[str, typer.Option(help="a4 or us-letter.")] = "a4",
    labels: Annotated[
        str, typer.Option(help="A label grid, such as '3 x 8, 70 mm x 36 mm, top 4.5 mm'.", show_default="no labels")
    ] = "",
    patch_labels: Annotated[str, typer.Option(help="A smaller grid for the patches' labels.")] = "",
    label_start: Annotated[int, typer.Option(min=1, help="The first label still on the sheet.")] = 1,
    stock: Annotated[
        Path | None, typer.Option(help="A csv of planks (plank, lot, length, width): the cutting plan.")
    ] = None,
    kerf: Annotated[str, typer.Option(help="What the saw takes.")] = "3.2 mm",
    svg: Annotated[bool, typer.Option("--svg", help="Each board's drawing as SVG too.")] = False,
    full_scale: Annotated[bool, typer.Option("--full-scale", help="Each board at true scale too, in parts.")] = False,
    first_day: Annotated[str, typer.Option(help="When the work begins.", show_default="the day of the layout")] = "",
    zone: Annotated[str, typer.Option(help="Where the shop is, such as Europe/London.")] = "UTC",
    as_json: JsonOption = False,
) -> None:
    """Write all that the bench and the scorers need.

    Board drawings, key, scoring forms and mixing sheet as PDF; the order of work as PDF, picture and calendar; the
    bench page for a phone; labels and a cutting plan where they are asked for.

    splitboard sheets counter-trial --paper us-letter
    """
    from trials import folder as folders
    from trials import sheets as paper_sheets
    from trials.sheets import handing_out, workshop

    if paper not in paper_sheets.PAPERS:
        names = " or ".join(paper_sheets.PAPERS)
        raise UserError(Problem(f"paper {paper!r} is not known", f"write {names}"))
    wanted = workshop.Wanted(
        paper, labels, patch_labels, label_start, stock, workshop.kerf(kerf), 0.0, svg, _day(first_day), zone
    )
    trial = folders.load(folder)
    with folders.locked(trial.folder):
        more = workshop.documents(trial, wanted)
        written = paper_sheets.write(
            trial.latest_plan,
            trial.latest_patches,
            trial.record.last_seed,
            trial.latest_sheets,
            paper,
            full_scale=full_scale,
        )
        for name, content in sorted(more.files.items()):
            folders.write_bytes(trial.latest_sheets / name, content)
            written.append(trial.latest_sheets / name)
    blind = {path: handing_out.may_be_seen(path.name) for path in written}
    place = trial.folder.path
    data = {
        "files": [str(path) for path in written],
        "for_the_bench": [str(path) for path in written if not blind[path]],
        "for_whoever_scores": [str(path) for path in written if blind[path]],
        "kept_from_whoever_scores": [str(place / name) for name in handing_out.KEPT_APART],
        "notes": list(more.notes),
    }
    said = handing_out.lines(trial.latest_sheets, [path.name for path in written], trial.latest_plan)
    shell.answer("sheets", as_json=as_json, data=data, lines=[*said, *more.notes])
    if trial.readings:
        onward.of_results(trial, folder).say()
    else:
        onward.to_record(trial.plan, folder, first="Make and score the boards.").say()


def _day(written: str) -> date | None:
    if not written:
        return None
    from trials.cells import FIRST_YEAR, LAST_YEAR

    try:
        day = date.fromisoformat(written)
    except ValueError:
        raise UserError(Problem(f"{written!r} is not a date", "write it as 2026-03-16")) from None
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise UserError(Problem(f"{written!r} lies outside the years {FIRST_YEAR} to {LAST_YEAR}", "correct it"))
    return day


@app.command()
def mix(
    folder: Annotated[
        Path | None, typer.Argument(metavar="[FOLDER]", help="A trial's folder: all its batches.")
    ] = None,
    volume: Annotated[str, typer.Option(help="How much to make, such as '500 mL'; of dye, how much carrier.")] = "",
    area: Annotated[str, typer.Option(help="Or what it is to cover, such as '0.8 m^2'.")] = "",
    coverage: Annotated[str, typer.Option(help="How far a litre goes, such as '7 m^2/L'.")] = "",
    coats: Annotated[int, typer.Option(min=1, max=50, help="How many coats.")] = 1,
    waste: Annotated[
        str, typer.Option(help="How much more to make than the wood takes, such as '25 %'.", show_default="25 %")
    ] = "",
    load: Annotated[
        str, typer.Option(help="Dye: '30 g/L' or '1 oz (weight)/qt' of powder; '3 %' of concentrate, by volume.")
    ] = "",
    basis: Annotated[str, typer.Option(help="A load counts the litre 'of carrier', or 'up to' the whole.")] = "",
    cut: Annotated[
        float, typer.Option(min=0, max=10, help="Shellac: pounds of flakes in a US gallon of alcohol.")
    ] = 0.0,
    from_cut: Annotated[float, typer.Option(min=0, max=10, help="The ready cut that is thinned to --cut.")] = 0.0,
    retarder: Annotated[float, typer.Option(min=0, max=90, help="Per cent of retarder by volume.")] = 0.0,
    parts: Annotated[str, typer.Option(help="A blend by volume, such as 'alcohol 3, thinner 1'.")] = "",
    balance: Annotated[
        str, typer.Option(help="One division of the balance or the syringe.", show_default="0.01 g, 0.1 mL")
    ] = "",
    why: Annotated[bool, typer.Option("--why", help="Say where amounts come from, and cautions whole.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Say what to weigh and measure for a batch.

    One batch as the options say, or every batch of a laid-out trial.

    splitboard mix --volume "1 US qt" --load "1 oz (weight)/US qt" --retarder 5
    """
    from trials import one_batch

    asked = one_batch.Asked(
        volume, area, coverage, coats, waste, load, basis, cut, from_cut, retarder, parts, balance
    )
    if folder is not None:
        if asked != one_batch.Asked():
            raise UserError(Problem("a trial's folder is named and a single batch asked for", "name one of the two"))
        data, lines = one_batch.of_trial(folder, why=why)
    else:
        data, lines = one_batch.reckon(asked, why=why)
    shell.answer("mix", as_json=as_json, data=data, lines=lines)


@app.command()
def lap(
    length: Annotated[str, typer.Option(help="Length of a lane, such as '2 m'.")] = "",
    speed: Annotated[str, typer.Option(help="Of the pad, such as '0.25 m/s'.")] = "",
    turn: Annotated[str, typer.Option(help="To turn and reload, such as '8 s'.")] = "",
    area: Annotated[str, typer.Option(help="Until the first edge is met again, such as '4 m^2'.")] = "",
    rate: Annotated[str, typer.Option(help="Of wiping, such as '0.5 m^2/min'.")] = "",
    as_json: JsonOption = False,
) -> None:
    """Say how soon a real piece meets its wet edge again.

    Either of a panel wiped in lanes, or of work that goes round a piece. Time one real panel first: it is personal.

    splitboard lap --length "2 m" --speed "0.25 m/s" --turn "8 s"
    """
    from trials import lap as laps
    from trials import units

    given = {"length": length, "speed": speed, "turn": turn, "area": area, "rate": rate}
    found, problems = {}, []
    for option, text in given.items():
        try:
            found[option] = units.read(text, "time" if option == "turn" else option).amount if text else 0.0
        except UserError as error:
            problems += [Problem(f"--{option}: {one.what}", one.cure) for one in error.problems]
    if problems:
        raise UserError(*problems)
    of_panel, of_piece = (length, speed, turn), (area, rate)
    if not (all(of_panel) and not any(of_piece)) and not (all(of_piece) and not any(of_panel)):
        cure = "write --length, --speed and --turn for a panel, or --area and --rate for a piece"
        if any(of_piece) and not any(of_panel):
            cure = "write --area and --rate, or --length, --speed and --turn for a panel"
        raise UserError(Problem("that is not enough to reckon a return time from", cure))
    if all(of_panel):
        waits = laps.panel(found["length"] / 1000, found["speed"], 60 * found["turn"])
        shortest, longest = waits.turning
        data = {"one_way_s": waits.one_way, "turning_s": [shortest, longest]}
        lines = [
            laps.advice(longest),
            f"All lanes wiped one way: {laps.time_words(waits.one_way)} everywhere.",
            f"Back and forth: {laps.time_words(shortest)} at the turn to {laps.time_words(longest)} at the far end.",
        ]
    else:
        wait = laps.round_the_piece(found["area"], found["rate"])
        data = {"round_s": wait}
        lines = [laps.advice(wait)]
    shell.answer("lap", as_json=as_json, data=data, lines=lines)
