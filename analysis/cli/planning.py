"""What comes before the wood is cut: check, size, plan, rehearse. Each parses, calls and prints."""

from __future__ import annotations

import secrets
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trials import blind, prespecified, shell
from trials.cli import onward
from trials.errors import Problem, UserError, command
from trials.shell import FolderArgument, JsonOption

if TYPE_CHECKING:
    from analysis.enough import Grade
    from trials.design import Layout
    from trials.folder import Folder, Trial
    from trials.materials import Checked
    from trials.plan import Plan
    from trials.prespecified import Changed

app = typer.Typer(add_completion=False, no_args_is_help=True, rich_markup_mode=None, pretty_exceptions_enable=False)

PAGE = "foretold.html"


@app.command()
def check(
    folder: FolderArgument = Path(),
    page: Annotated[bool, typer.Option("--page", help=f"Write {PAGE}, the same with pictures.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Say what a plan will and will not be able to tell.

    splitboard check counter-trial
    """
    from analysis import enough, foresee, outlook_page, priors
    from trials import bench
    from trials import folder as folders
    from trials.materials import CAUTIONS
    from trials.materials.words import is_nothing

    place = folders.at(folder)
    plan = folders.read_plan(place.plan_file)
    layout = _layout(place, plan)
    so_far = _with_results(place)
    known, lacking = priors.for_plan(plan, place.path, so_far)
    foretold, seen = foresee.told(plan, layout, known, lacking)
    changed = _changed(place, plan)
    grade = None
    if so_far is None:
        with shell.long_work("How many boards would do:") as work:
            grade = enough.graded(plan, seen, known, work.stop)
    data = foresee.as_dict(plan, foretold, seen) | enough.as_dict(plan, grade)
    data["changed"] = [asdict(one) | {"place": one.place} for one in changed]
    lines = list(foresee.lines(plan, foretold, seen))
    if changed:
        lines[2:2] = [*prespecified.lines(changed), ""]
    if grade is not None:
        seen = replace(seen, enough=enough.words(plan, grade))
        lines[2:2] = [seen.enough, ""]
    checked = _materials(place, plan)
    data["materials"] = [asdict(one) for one in checked.checks]
    data["materials_not_known"] = list(checked.unknown)
    if checked.lines():
        lines += ["", "Do the materials go together:", *(f"- {line}" for line in checked.lines())]
    data["cautions"] = list(checked.cautions)
    if checked.cautions:
        lines += ["", "Mind:", *(f"- {CAUTIONS[name].short}" for name in checked.cautions)]
    data["given_away"] = list(blind.given_away(plan, is_nothing))
    if data["given_away"]:
        lines += ["", "Not blind:", *(f"- {line}" for line in data["given_away"])]
    refused = [one for one in checked.checks if one.level == "refuse"]
    impossible = bench.faults(plan, layout.patches)
    data["bench"] = [str(one) for one in impossible]
    if impossible:
        more = [f"- and {len(impossible) - 2} more like these"] if len(impossible) > 2 else []
        lines += ["", "What cannot be done at the bench:", *(f"- {one}" for one in impossible[:2]), *more]
    not_mixed = [] if refused else _not_mixed(place, plan, layout)
    data["mixing"] = not_mixed
    if not_mixed:
        lines += ["", "What cannot be mixed:", *(f"- {one}" for one in not_mixed)]
    if page:
        with folders.locked(place):
            outlook_page.write(place.path / PAGE, plan, layout, seen)
        data["page"] = str(place.path / PAGE)
        lines += ["", str(place.path / PAGE)]
    unworded = plan.unworded()
    data["unworded"] = [str(one) for one in unworded]
    if unworded:
        lines += ["", "Grades without words:", *(f"- {one}" for one in unworded)]
    hopeless = grade is not None and grade.stops
    sound = foretold.sound and not (refused or impossible or not_mixed or unworded or hopeless)
    shell.answer("check", as_json=as_json, data=data, lines=lines, ok=sound)
    if refused:
        shell.say("Materials are in the way: mend what is refused above.")
    if not sound:
        if hopeless and place.layout_file.exists():
            onward.step(folder).say()
        elif hopeless:
            shell.say("Write more boards as count in trial.toml, or ask for less; then check again.")
        raise typer.Exit(shell.ANSWER_IS_NO)
    onward.step(folder).say()


def _materials(place: Folder, plan: Plan) -> Checked:
    """Return whether the materials the plan names go together."""
    from trials import bench_choices, materials

    return materials.checks(plan, materials.load(bench_choices.materials_file(plan.bench, place.path)))


def _not_mixed(place: Folder, plan: Plan, layout: Layout) -> list[str]:
    """Return what stops the mixing sheet, by reckoning its batches."""
    from trials import one_batch

    try:
        one_batch.batches_of(plan, layout.patches, place.path)
    except UserError as error:
        return [str(one) for one in error.problems]
    return []


def _changed(place: Folder, plan: Plan) -> tuple[Changed, ...]:
    """Return what the plan says otherwise than when its boards were laid out, if they are."""
    from trials import folder as folders

    if not place.package_file.exists():
        return ()
    return folders.load_record(place).changed(plan, len(folders.load_readings(place)))


def _with_results(place: Folder) -> Trial | None:
    """Return the trial in a folder, if anything has been recorded of it."""
    from trials import folder as folders

    return folders.load(place.path) if folders.has_readings(place) else None


def _laid_out(place: Folder, plan: Plan) -> Layout | None:
    """Return the layout there is, if it is still the plan's."""
    from trials import folder as folders
    from trials.design import Layout

    if not place.layout_file.exists():
        return None
    try:
        return Layout(folders.load_layout(place, plan), folders.load_record(place).last_seed, ())
    except UserError:
        if plan.added:
            raise
    return None


def _layout(place: Folder, plan: Plan) -> Layout:
    """Return the layout there is, if it is still the plan's; otherwise one from any seed."""
    from trials.design import lay_out

    laid_out = _laid_out(place, plan)
    if laid_out:
        return laid_out
    with shell.long_work("Looking for the best boards:") as work:
        return lay_out(plan, 0, progress=work.progress, stop=work.stop)


@app.command()
def size(
    folder: FolderArgument = Path(),
    chance: Annotated[float, typer.Option(help="The chance of settling a question that is wanted.")] = 0.8,
    boards: Annotated[
        str, typer.Option(help="Numbers of boards to look at, such as 6,8,12.", show_default="a range of them")
    ] = "",
    experiments: Annotated[
        int, typer.Option(min=50, max=100_000, help="Made-up trials for a number that is not balanced.")
    ] = 400,
    page: Annotated[bool, typer.Option("--page", help=f"Write {PAGE}, the same with pictures.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Say how many boards, lots and assessors each question needs.

    splitboard size counter-trial --chance 0.9
    """
    from analysis import foresee, outlook_page, priors
    from trials import folder as folders

    if not 0.05 <= chance <= 0.99:
        raise UserError(Problem(f"a chance of {chance:g} is not one to plan for", "write one from 0.05 to 0.99"))
    place = folders.at(folder)
    plan = folders.read_plan(place.plan_file)
    if not plan.questions:
        raise UserError(Problem("the plan asks no question", "add a [[question]]: size is about settling questions"))
    numbers = _numbers(boards)
    layout = _layout(place, plan)
    known, lacking = priors.for_plan(plan, place.path, _with_results(place))
    found = []
    for question in plan.questions:
        if question.response in known:
            with shell.long_work(f"{question.factor} on {question.response}: size") as work:
                prior = known[question.response]
                found.append(
                    foresee.sized(
                        plan, layout, question, prior, chance, numbers, experiments, work.progress, work.stop
                    )
                )
    data: dict[str, Any] = {
        "chance": chance,
        "questions": [foresee.size_dict(one) for one in found],
        "lacking": list(lacking),
    }
    lines = [plan.marked_title, ""]
    for one in found:
        lines += [*foresee.size_lines(plan, one), ""]
    lines += [f"- {reason}" for reason in lacking]
    if page:
        _, seen = foresee.told(plan, layout, known, lacking)
        with folders.locked(place):
            outlook_page.write(place.path / PAGE, plan, layout, foresee.with_sizes(seen, found))
        data["page"] = str(place.path / PAGE)
        lines.append(str(place.path / PAGE))
    shell.answer("size", as_json=as_json, data=data, lines=lines)
    _after_size(folder, place)


def _after_size(folder: Path, place: Folder) -> None:
    """Say what comes next: the number is set before the boards are laid out, and added to afterwards."""
    from trials import folder as folders

    if folders.has_readings(place) or folders.load_conditions(place):
        onward.step(folder).say()
    else:
        shell.next_step(command("check", folder), "Write the number of boards you choose as count in trial.toml.")


def _numbers(written: str) -> list[int] | None:
    if not written:
        return None
    parts = [part.strip() for part in written.split(",")]
    odd = [part for part in parts if not part.isdecimal() or not 1 <= int(part) <= 500]
    if odd:
        raise UserError(
            Problem(f"{odd[0]!r} is not a number of boards", "write numbers from 1 to 500, such as 6,8,12")
        )
    return [int(part) for part in parts]


@app.command()
def plan(
    folder: FolderArgument = Path(),
    seed: Annotated[
        int | None, typer.Option(min=0, help="Seed of the randomisation.", show_default="a fresh one, recorded")
    ] = None,
    add: Annotated[
        int,
        typer.Option("--add", min=0, max=500, help="Lay out so many more boards for a trial with results.",
                     show_default=False),
    ] = 0,
    anyway: Annotated[
        bool, typer.Option("--anyway", help="Lay out a plan that is hopeless all the same.")
    ] = False,
    discard_layout: Annotated[
        bool, typer.Option("--discard-layout", help="Lay out anew; the old layout is kept under a dated name.")
    ] = False,
    as_json: JsonOption = False,
) -> None:  # fmt: skip
    """Lay the plan out on its boards, at random.

    Every board, lane, strip and patch gets its treatment, every patch its blind code. Boards that do not hold every
    combination get those that tell the most.

    splitboard plan counter-trial
    """
    if add and discard_layout:
        raise UserError(
            Problem("--add leaves the layout as it is, and --discard-layout does not", "write one of them")
        )
    if add:
        _add(folder, add, seed, as_json=as_json)
    else:
        _lay_out(folder, seed, discard=discard_layout, anyway=anyway, as_json=as_json)


def _lay_out(folder: Path, seed: int | None, *, discard: bool, anyway: bool, as_json: bool) -> None:
    from analysis import enough
    from trials import folder as folders
    from trials.design import lay_out

    place = folders.at(folder)
    checked = folders.read_plan(place.plan_file)
    if faults := checked.unworded():
        raise UserError(*faults)
    with folders.locked(place):
        folders.check_free(place, discard=discard)
        with shell.long_work("Looking for the best boards:") as work:
            layout = lay_out(checked, _seed(place, seed), progress=work.progress, stop=work.stop)
        grade = _graded(place, checked, layout)
        if grade.stops and not anyway:
            said = enough.words(checked, grade)
            shell.answer("plan", as_json=as_json, data=enough.as_dict(checked, grade), lines=[said], ok=False)
            shell.say("Nothing is laid out. Add --anyway to lay it out all the same.")
            raise typer.Exit(shell.ANSWER_IS_NO)
        aside = folders.save_layout(place, checked, layout, discard=discard)
    boards = checked.boards
    count = "1 board is" if boards.count == 1 else f"{boards.count} boards are"
    lines = [f"{count} laid out, {len(layout.patches)} patches, each with a code of its own."]
    lines += [f"The layout there was is kept as {' and '.join(aside)}."] if aside else []
    data = {"boards": boards.count, "patches": len(layout.patches), "set_aside": list(aside)}
    data |= enough.as_dict(checked, grade)
    said = enough.words(checked, grade)
    _show_layout(
        folder,
        place,
        checked,
        layout,
        layout,
        data,
        [said, "", *lines],
        said=said,
        stopped=work.stop(),
        as_json=as_json,
    )


def _graded(place: Folder, plan: Plan, layout: Layout) -> Grade:
    """Return whether a layout's boards are enough."""
    from analysis import enough, foresee, priors

    known, lacking = priors.for_plan(plan, place.path)
    _, seen = foresee.told(plan, layout, known, lacking)
    with shell.long_work("How many boards would do:") as work:
        return enough.graded(plan, seen, known, work.stop)


def _show_layout(
    folder: Path, place: Folder, plan: Plan, laid: Layout, whole: Layout, data: dict[str, Any], lines: list[str],
    so_far: Trial | None = None, *, said: str = "", stopped: bool, as_json: bool,
) -> None:  # fmt: skip
    """Say what was laid out and what it will tell, and write the page of that."""
    from analysis import foresee, outlook_page, priors
    from trials import folder as folders

    known, lacking = priors.for_plan(plan, place.path, so_far)
    foretold, seen = foresee.told(plan, whole, known, lacking)
    seen = replace(seen, enough=said)
    with folders.locked(place):
        outlook_page.write(place.path / PAGE, plan, whole, seen)
    lines += [*(outlook_page.lines(seen) if so_far is not None else ()), ""]
    lines += [*dict.fromkeys([*laid.notes, *seen.mixed_up_words, *lacking])]
    told = foresee.as_dict(plan, foretold, seen)
    again = (
        "does not give this layout again, for the search was stopped; layout.csv holds it"
        if stopped
        else "gives this layout again; it is kept in datapackage.json"
    )
    lines += [f"Seed {laid.seed} {again}."]
    data |= {
        "layout": str(place.layout_file),
        "seed": laid.seed,
        "notes": list(laid.notes),
        "outlook": str(place.path / PAGE),
        **{key: told[key] for key in ("expected", "mixed_up")},
    }
    shell.answer("plan", as_json=as_json, data=data, lines=lines)
    shell.say(f"Wrote {place.layout_file}. It tells which code carries what: who scores should not read it.")
    shell.say(f"Wrote {place.path / PAGE}: what these boards will be able to tell, with pictures.")
    shell.next_step(command("sheets", folder))


def _add(folder: Path, count: int, seed: int | None, *, as_json: bool) -> None:
    """Lay out more boards for a trial that has results."""
    import pandas as pd

    from analysis import follow_up, three_ways
    from trials import folder as folders
    from trials.design import Layout

    place = folders.at(folder)
    with folders.locked(place):
        trial = folders.load(folder)
        if not trial.readings:
            what = "nothing is recorded yet, so there is nothing to add to"
            cure = f"raise count in trial.toml and run '{command('plan --discard-layout', folder)}'"
            if trial.conditions:  # the boards are being made, so the plan is frozen
                what = "no reading is recorded yet, so what is still open is not known"
                cure = f"take in scores of these boards first, with '{onward.to_record(trial.plan, folder).command}'"
            raise UserError(Problem(what, cure))
        drawn = seed if seed is not None else secrets.randbelow(10**9)
        shell.say("Fitting what was recorded …")
        with shell.long_work("Looking for the best boards:") as work:
            more = follow_up.lay_out_more(
                trial, three_ways.decided(trial), count, drawn, folders.now()[:10], work.progress, work.stop
            )
        folders.add_to_layout(place, more.plan, more.plan_text, trial.patches, more.layout)
    whole = Layout(pd.concat([trial.patches, more.layout.patches], ignore_index=True), drawn, more.layout.notes)
    boards = "1 board is" if count == 1 else f"{count} boards are"
    patches = len(more.layout.patches)
    lines = [
        f"{boards} added, {patches} patch{'' if patches == 1 else 'es'} with codes of their own.",
        "What was recorded is untouched.",
        more.words,
        "They count as a lot of their own, so that what differs between the occasions is not taken for a treatment.",
    ]
    data = {"boards": more.plan.boards.count, "added": count, "patches": len(more.layout.patches)}
    _show_layout(
        folder, place, more.plan, more.layout, whole, data, lines, trial, stopped=work.stop(), as_json=as_json
    )


def _seed(place: Folder, asked: int | None) -> int:
    """Return the seed to lay out with: the one asked for, the one recorded, or a fresh one."""
    from trials import folder as folders

    if asked is not None:
        return asked
    if place.package_file.exists():
        try:
            return folders.load_record(place).seed
        except UserError:
            shell.say("The record of an earlier layout cannot be read; a fresh seed is drawn.")
    return secrets.randbelow(10**9)


@app.command()
def rehearse(
    folder: FolderArgument = Path(),
    into: Annotated[
        Path | None, typer.Option(help="Where to put it.", show_default="rehearsal/ in the trial's folder")
    ] = None,
    effect: Annotated[
        list[str] | None,
        typer.Option(
            metavar="TEXT",
            help="What is true, such as 'seal_coat on figure_clarity = 0.8' (give it again for more), or none.",
            show_default="each question's worth",
        ),
    ] = None,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the made-up results.")] = 1,
    as_json: JsonOption = False,
) -> None:
    """Make up results for this very layout, to see the report first.

    It stands in a folder of its own, and every page says that its results are invented.

    splitboard rehearse counter-trial --effect "seal_coat on figure_clarity = 1"
    """
    from analysis import rehearse as rehearsals
    from trials import folder as folders

    plan = folders.load(folder).plan
    shell.say("Making up results, fitting and drawing …")
    made = rehearsals.rehearse(folder, into, rehearsals.parse(plan, effect or []), seed=seed)
    data = {
        "folder": str(made.folder),
        "report": str(made.page),
        "seed": made.seed,
        "effects": list(made.effects),
        "answers": [asdict(one) for one in made.answers],
    }
    shell.answer("rehearse", as_json=as_json, data=data, lines=[*rehearsals.lines(made), "", str(made.page)])
    onward.step(folder).say()
