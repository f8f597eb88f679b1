"""The commands on what was taken in: correct, accept, close, publish."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from trials import shell
from trials.cli import onward
from trials.cli.settling import How, settle, when
from trials.errors import Problem, UserError, command, typed
from trials.shell import FolderArgument, JsonOption

app = typer.Typer(add_completion=False, no_args_is_help=True, rich_markup_mode=None, pretty_exceptions_enable=False)


@app.command()
def correct(
    patch: Annotated[str, typer.Argument(metavar="PATCH", help="The patch's code.")],
    response: Annotated[str, typer.Argument(metavar="RESPONSE", help="What was read, such as darkness.")],
    value: Annotated[
        str, typer.Argument(metavar="[VALUE]", help="What it should have been.", show_default=False)
    ] = "",
    folder: FolderArgument = Path(),
    why: Annotated[str, typer.Option(help="The reason; the report counts it.")] = "",
    assessor: Annotated[str, typer.Option(help="Whose reading, where several have read it.")] = "",
    stage: Annotated[str, typer.Option(help="At which stage, where there are several.")] = "",
    repeat: Annotated[str, typer.Option(help="Which look, where there are several.")] = "",
    against: Annotated[str, typer.Option(help="The other patch of a comparison.")] = "",
    withdraw: Annotated[bool, typer.Option("--withdraw", help="Take the reading out; give no value.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="It looks doubtful and is right: take it in.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Correct a reading: the old one stays on record, with the reason.

    splitboard correct 417 darkness 41.2 counter-trial --why "misread my own writing"
    """
    from trials import folder as folders
    from trials.records import corrections

    if value and folder == Path() and Path(value).is_dir():  # the value was left out
        folder, value = Path(value), ""
    if withdraw == bool(value):
        cure = "give the value it should have been, or --withdraw and no value"
        raise UserError(Problem("it does not say what becomes of the reading", cure))
    with folders.locked(folders.at(folder)):
        trial = folders.load(folder)
        which = corrections.Which(patch, response, assessor, stage, repeat, against)
        checked = corrections.correction(trial.plan, trial.patches, trial.journal, which, value, why)
        (settled,) = settle([checked], How(good_rows=False, doubtful_too=yes, write=True))
        rows = [row | {"source": corrections.BY_HAND} for row in settled]
        folders.append(trial.folder, trial.plan, readings=rows)
    row = rows[0]
    before = trial.journal[int(row["supersedes"]) - 2]["value"]
    becomes = f"{row['value']} instead of {before}" if row["value"] else f"withdrawn ({before} was recorded)"
    line = f"{response.replace('_', ' ')} of patch {patch}: {becomes}. The old row stays, marked as superseded."
    late = trial.closed and not trial.plan.rehearsal
    lines = [line, *(["The scoring is closed, so the report will say that this came after it."] if late else [])]
    shell.answer("correct", as_json=as_json, data={"row": row, "was": before}, lines=lines)
    onward.step(folder).say()


@app.command()
def accept(
    folder: FolderArgument = Path(),
    why: Annotated[str, typer.Option(help="The reason, on record; the report tells it.")] = "",
    put_back: Annotated[
        bool, typer.Option("--put-back", help="Put the table back as it was written last instead.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Put on record that a table was changed outside splitboard.

    The table goes on as it is now, and as it was it is kept under a dated name.

    splitboard accept counter-trial --why "typed in the readings that were lost"
    """
    from trials import folder as folders

    if put_back == bool(why.strip()):
        cure = 'add either --why "..." to go on with the table as it is now, or --put-back to have it as it was'
        raise UserError(Problem("it does not say what becomes of the change", cure))
    place = folders.at(folder)
    with folders.locked(place):
        if put_back:
            kept = folders.put_back(place)
            lines = [f"{name} is as it was written last." for name, _ in kept]
            lines += [f"As it was changed it is kept as {name}." for _, name in kept if name]
        else:
            accepted = folders.accept(place, folders.read_plan(place.plan_file), why.strip())
            kept = [(one.difference.name, one.kept_as) for one in accepted]
            lines = [f"{one.difference.name}: {one.difference.words}." for one in accepted]
            told = {place.package_file.name: "The edited file"}
            lines += [
                f"{told.get(one.difference.name, 'As it was it')} is kept as {one.kept_as}; the report tells it."
                for one in accepted
            ]
    data = {
        "act": "put back" if put_back else "accepted",
        "files": [{"file": name, "kept_as": as_} for name, as_ in kept],
    }
    shell.answer("accept", as_json=as_json, data=data, lines=lines)
    onward.step(folder).say()


@app.command()
def close(
    folder: FolderArgument = Path(),
    open_again: Annotated[bool, typer.Option("--open-again", help="Take more readings in after all.")] = False,
    why: Annotated[str, typer.Option(help="The reason, on record; needed to open again.")] = "",
    could_tell: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=ANSWER",
            help="Could A tell treatments while scoring? A=no, A=some or A=most; for each assessor.",
        ),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Close even if something lacks, and ask nothing.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Close the scoring; from then on the treatments may be seen.

    It says first what lacks. That it was closed, when, after how many readings, and whether whoever scored could tell
    treatments is put on record, and the report says it.

    splitboard close counter-trial
    """
    from trials import folder as folders
    from trials import records
    from trials.cli import closing

    if open_again and could_tell:
        raise UserError(Problem("--could-tell is asked when the scoring is closed", "leave it out to open it again"))
    if open_again and not why.strip():
        raise UserError(Problem("opening the scoring again needs a reason", 'add --why "a third assessor came"'))
    with folders.locked(folders.at(folder)):
        trial = folders.load(folder)
        if trial.plan.rehearsal:
            raise UserError(Problem("a rehearsal's results are invented", "there is no scoring to close in it"))
        if trial.closed != open_again:
            what = f"the scoring was closed on {when(trial.closings[-1]['at'])}" if trial.closed else "it is open"
            raise UserError(Problem(f"there is nothing to do: {what}", f"go on with '{onward.step(folder).command}'"))
        if not trial.readings:
            raise UserError(
                Problem(
                    "no reading is recorded, so there is nothing to close",
                    f"take scores in with '{onward.to_record(trial.plan, folder).command}'",
                )
            )
        lacking = () if open_again else closing.settle_lacking(trial, folder, yes=yes)
        told = {} if open_again else closing.could_tell(trial, could_tell or (), ask=not yes)
        folders.record_close(trial.folder, trial.plan, "opened" if open_again else "closed", why.strip(), told)
    missing = records.still_missing(trial.plan, trial.patches, trial.readings)
    data = {
        "act": "opened" if open_again else "closed", "readings": len(trial.readings), "still_missing": missing,
        "lacking": lacking, "could_tell": told,
    }  # fmt: skip
    if open_again:
        lines = ["The scoring is open again; the report will say so and why."]
    else:
        lines = [
            f"The scoring is closed with {len(trial.readings)} readings. Who scored may now see what was done: "
            "the key is in sheets/key.pdf.",
            *([f"Not complete: {'; '.join(lacking)}."] if lacking else []),
        ]
    shell.answer("close", as_json=as_json, data=data, lines=lines)
    who = records.unscored(trial.plan, trial.readings)
    onward.to_record(trial.plan, folder, who).say() if open_again else shell.next_step(command("decide", folder))


@app.command()
def publish(
    folder: FolderArgument = Path(),
    to: Annotated[
        Path | None, typer.Option(help="Where to write it.", show_default="open-data in the folder")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Write the open data package, for others to use.

    Until the scoring is closed it holds no treatments.

    splitboard publish counter-trial
    """
    from trials import folder as folders
    from trials import publish as publishing
    from trials import publish_page

    trial = folders.load(folder)
    place = to if to is not None else trial.folder.open_data
    with folders.locked(trial.folder):
        written = publishing.write(trial, place)
    notes = publishing.left_out(trial, trial.closed)
    changed = publish_page.changed_lines(trial, trial.closed)
    data = {"files": [str(path) for path in written], "notes": list(notes), "changed": changed}
    shell.answer("publish", as_json=as_json, data=data, lines=[*map(str, written), *notes, *changed])
    if not trial.closed and not trial.plan.rehearsal:
        onward.step(folder).say()
        return
    shell.say(f"Give away the whole folder {typed(place)}: its README.md says what each file holds.")
