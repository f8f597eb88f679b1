"""The parts of the report that give account: what was asked, how far to trust the answers, how they were got."""

from __future__ import annotations

import platform
from collections.abc import Iterator, Sequence
from importlib.metadata import version

import pandas as pd

from analysis import checks, taken_in
from analysis.decide import BY_NOW, Decision
from analysis.report import numbers, words
from analysis.report.parts import Group, Section, Step, Table
from analysis.responses import Analysis
from trials import __version__, cautions, data_package, prespecified, structure
from trials import folder as folders
from trials.folder import Trial
from trials.level import chance_of, level_of, per_cent
from trials.plan import Plan, Response

Tables = dict[str, pd.DataFrame]


def asked(trial: Trial, decision: Decision) -> Section:
    """Say what was asked and scored, and when the boards were laid out."""
    plan = trial.plan
    sentences = [f"The boards were laid out on {words.time_words(trial.record.laid_out_at)}."]
    tables = []
    if plan.questions:
        sentences.append("A question counts as asked beforehand if it stood in the plan, just so, on that day.")
        rows = []
        for question, finding in zip(plan.questions, decision.findings, strict=True):
            factor, response = plan.factor(question.factor), plan.response(question.response)
            pair = question.between or (factor.levels if len(factor.levels) == 2 else ())
            levels = " against ".join(reversed(pair)) or "every pair of levels"
            worth = f"{question.worth:g} {response.unit_words(question.worth)}"
            before = "no, later" if not finding.asked else "yes, withdrawn since" if finding.withdrawn else "yes"
            p_all = words.p_value(finding.p_all) if finding.p_all == finding.p_all else ""
            p = words.p_value(finding.p) if finding.p == finding.p else ""
            rows.append((factor.words, words.clean(levels), response.words, worth, before, p, p_all))
        columns = ("factor", "compared", "response", "worth having", "asked beforehand", "p", "p by Holm")
        note = (
            "p is of no difference at all; by Holm (1979) it is taken over all questions asked beforehand, so that "
            f"{chance_of(level_of(plan))} trials at most shows any of them by chance alone. Everything else "
            "is exploratory."
        )
        numeric = (False,) * 5 + (True,) * 2
        tables.append(Table("The questions", columns, numeric, tuple(rows), (note,), "tables/findings.csv"))
    else:
        sentences.append("The plan asks no question, so whatever was found is exploratory.")
    if plan.responses:
        tables.append(_responses(plan.responses))
    return Section(sentences=tuple(sentences), groups=tuple(_changed(decision)), tables=tuple(tables))


def _changed(decision: Decision) -> Iterator[Group]:
    """Say what the plan says otherwise since, and what its questions come to by it."""
    if decision.changed:
        said = tuple(words.clean(prespecified.words(one)) for one in decision.changed)
        yield Group(words.clean(prespecified.heading(decision.changed)), said)
    if decision.by_now:
        yield Group(BY_NOW, tuple(words.clean(one.sentence) for one in decision.by_now))


def _responses(responses: Sequence[Response]) -> Table:
    rows = []
    for response in responses:
        ends = ""
        if response.anchors:
            ends = f"1: {response.anchors[0]}; {response.grades}: {response.anchors[-1]}"
        cells = (response.words, words.scale_words(response), ends, response.aim_words, response.stage)
        rows.append(tuple(map(words.clean, cells)))
    columns = ("response", "how it is read", "ends of the scale", "aim", "read when")
    return Table("What was scored or measured", columns, (False,) * 5, tuple(rows))


# --- how far to trust it ---------------------------------------------------------------------------


def trust(plan: Plan, decision: Decision) -> Section:
    """Say what speaks for and against the answers."""
    told = {
        analysis.response.name: [*checks.checks(analysis), *words.own_notes(analysis), *_scale_notes(analysis)]
        for analysis in decision.analyses
    }
    shared = [note for note in next(iter(told.values()), []) if all(note in notes for notes in told.values())]
    groups = []
    if len(told) > 1 and shared:
        groups.append(Group("All responses", tuple(map(words.clean, shared))))
    for analysis in decision.analyses:
        own = [note for note in told[analysis.response.name] if len(told) == 1 or note not in shared]
        if own:
            groups.append(Group(words.capital(analysis.response.words), tuple(map(words.clean, own))))
    unseen = tuple(map(words.clean, dict.fromkeys(_cannot_be_told(plan, decision))))
    groups.append(Group("What this trial cannot tell", unseen))
    return Section(groups=tuple(groups))


def _scale_notes(analysis: Analysis) -> Iterator[str]:
    if analysis.response.kind == "yes_no":
        yield (
            "Yes counts as 1 and no as 0, and shares are fitted like measurements: intervals near 0 and 1 are rough, "
            "and may reach beyond them."
        )
    if analysis.response.kind == "grade":
        yield "Grades are taken as numbers: a step from 1 to 2 counts as much as one from 4 to 5."


def _cannot_be_told(plan: Plan, decision: Decision) -> Iterator[str]:
    yield from (f"{words.capital(one.response.words)}: {one.why}" for one in decision.unfitted)
    for analysis in decision.analyses:
        yield from (structure.describe_left_out(plan, left_out) for left_out in analysis.told.left_out)
        for effect in analysis.told.effects:
            if not effect.can_be_judged:
                pieces = analysis.told.counts[effect.judged_against]
                yield words.capital(structure.cannot_be_judged(plan, effect, pieces))
    yield "Interactions of three and more factors are taken as chance."
    yield "The answers hold for this wood, these materials and these hands; another lot of wood may differ."
    yield cautions.FOOD


# --- how it was worked out -------------------------------------------------------------------------


def method(trial: Trial, decision: Decision, tables: Tables) -> Section:
    """Say how the trial was laid out and how the numbers were got."""
    plan = trial.plan
    laid_out = structure.of_layout(plan, trial.patches)
    groups = [
        Group("What each factor is judged against", tuple(
            words.capital(words.clean(line)) for line in structure.describe(plan, laid_out)
        )),
        Group("Chance and blinding", tuple(_chance(trial))),
        Group("What was left out or averaged", tuple(map(words.clean, _left_out(trial, decision)))),
        Group("Corrections", tuple(map(words.clean, (*taken_in.corrections(trial), *taken_in.outside(trial))))),
        Group("The model", tuple(_models(plan, decision))),
        Group("Software", tuple(_software(trial))),
    ]  # fmt: skip
    shown = [table for analysis in decision.analyses for table in _response_tables(plan, analysis, tables)]
    return Section(facts=tuple(_design(trial)), groups=tuple(groups), tables=tuple(shown))


def _design(trial: Trial) -> Iterator[tuple[str, str]]:
    plan, boards = trial.plan, trial.plan.boards
    lots = f" from {words.count(len(boards.lots), 'lot')} ({', '.join(map(str, boards.lots))})"
    yield "boards", f"{words.count(boards.count, 'board')} of {boards.length_mm:g} × {boards.width_mm:g} mm{lots}"
    yield (
        "each board",
        f"{words.count(boards.lanes, 'lane')} along the grain, {words.count(boards.strips, 'strip')} across it; "
        f"patches of {boards.patch_length_mm:.0f} × {boards.patch_width_mm:.0f} mm",
    )
    controls = int((trial.patches["control"] != "").sum())
    spare = f", {controls} of them controls" if controls else ""
    yield "patches", f"{len(trial.patches)}{spare}"
    for factor in plan.factors:
        yield factor.words, words.clean(f"{', '.join(factor.levels)}; laid on {factor.laid_on}")
    for control in plan.controls:
        pieces = words.count(control.count, control.laid_on, "patches" if control.laid_on == "patch" else "")
        yield "control", words.clean(f"{control.name}; {pieces} {_each(control.laid_on)}")
    for exclusion in plan.exclusions:
        why = f" ({exclusion.why})" if exclusion.why else ""
        yield "never made", words.clean(exclusion.words + why)


def _each(kind: str) -> str:
    return "in all" if kind == "board" else "of each board"


def _chance(trial: Trial) -> Iterator[str]:
    yield (
        f"splitboard {trial.record.version} gave boards, lanes, strips and patches their treatments at random, "
        f"boards within their lots, from seed {trial.record.seed}; the same plan and seed give the same layout "
        "again."
    )
    for number, occasion in enumerate(trial.record.added, start=2):
        yield (
            f"{words.count(int(occasion['boards']), 'board')} added on occasion {number} "
            f"({words.time_words(str(occasion['laidOutAt']))}, seed {occasion['seed']}) were chosen to settle what "
            "the results had left open until then. The occasion counts as a lot."
        )
    yield (
        "Every patch bears a random three-digit code and nothing else. The scoring forms hold codes only, in a "
        "random order of its own for each assessor; a control or a strong colour may all the same be known by eye."
    )
    yield from map(words.clean, taken_in.blinding(trial))


def _left_out(trial: Trial, decision: Decision) -> Iterator[str]:
    """Say what was never made, what was not read, and what was read and not used."""
    plan = trial.plan
    for exclusion in plan.exclusions:
        why = f": {exclusion.why}" if exclusion.why else ""
        yield f"Never made, as planned: {exclusion.words}{why}."
    for one in plan.unusable:
        place = " ".join(f"{kind} {at}" for kind, at in (("lane", one.lane), ("strip", one.strip)) if at)
        yield f"Not used, as planned: board {one.board}, {place}{f': {one.why}' if one.why else ''}."
    for refused in decision.unfitted:
        yield f"{words.capital(refused.response.words)} was not analysed: {refused.why}"
    for analysis in decision.analyses:
        for note in analysis.table.notes:
            yield f"{words.capital(analysis.response.words)}: {note}"
    if not (plan.exclusions or plan.unusable or decision.unfitted) and all(
        not analysis.table.unread for analysis in decision.analyses
    ):
        yield "Every patch that was laid out was read, and no reading was left out."


def _software(trial: Trial) -> Iterator[str]:
    yield (
        f"Laid out by splitboard {trial.record.version}; analysed by splitboard {__version__} on Python "
        f"{platform.python_version()} with {_packages()}."
    )
    yield (
        "What was drawn at random here (re-randomisations, chances of schedules, the boards proposed) was drawn from "
        "fixed seeds, so that the same readings give the same page."
    )


def _packages() -> str:
    return ", ".join(f"{name} {version(name)}" for name in ("numpy", "scipy", "pandas"))


def _models(plan: Plan, decision: Decision) -> Iterator[str]:
    by_words: dict[str, list[str]] = {}
    for analysis in decision.analyses:
        by_words.setdefault(words.model_words(plan, analysis.told), []).append(analysis.response.words)
    for text, responses in by_words.items():
        yield text if len(by_words) == 1 else f"{words.capital(words.listed(responses))}: {text}"
    if by_words:
        yield (
            "Variances are estimated by restricted maximum likelihood, with the degrees of freedom of Kenward and "
            "Roger (1997). In a balanced layout tests and differences come from the analysis of variance by strata. "
            "A mean averages over the other factors and the lots of this trial, each of them counting alike."
        )


def _response_tables(plan: Plan, analysis: Analysis, tables: Tables) -> Iterator[Table]:
    yield _tests_table(plan, analysis, tables)
    yield _means_table(plan, analysis, tables)
    yield _variance_table(analysis, tables)


def _tests_table(plan: Plan, analysis: Analysis, tables: Tables) -> Table:
    rows = []
    for row in numbers.of_response(tables["tests"], analysis.response):
        name = words.effect_words(plan, analysis.told.by_name[row["effect"]])
        against = structure.piece_words(row["judged_against"])
        if row["f"] != row["f"]:
            rows.append((name, f"{against}: cannot be judged", "", "", "", ""))
            continue
        cells = (f"{row['f']:.2f}", words.degrees(row["df_num"]), words.degrees(row["df_den"]))
        rows.append((name, against, *cells, words.p_value(row["p"])))
    return Table(
        caption=f"Tests: {analysis.response.words}",
        columns=("effect", "judged against", "F", "df", "error df", "p"),
        numeric=(False, False, True, True, True, True),
        rows=tuple(rows),
        notes=("How large an effect is stands in the comparisons and means, not here.",),
        source="tables/tests.csv",
    )


def _means_table(plan: Plan, analysis: Analysis, tables: Tables) -> Table:
    rows = []
    for name in numbers.estimable(plan, analysis):
        for row in numbers.of_response(tables["means"], analysis.response, term=name):
            cells = words.amount_cells(row["mean"], row["lower"], row["upper"])
            rows.append(
                (words.clean(f"{plan.factor(name).words}: {row['first_level']}"), *cells, str(row["patches"]))
            )
    unit = words.counted_in(analysis.response)
    return Table(
        caption=f"Means: {analysis.response.words}",
        columns=("level", f"mean ({unit})" if unit else "mean", f"{per_cent(analysis.level)} interval", "patches"),
        numeric=(False, True, True, True),
        rows=tuple(rows),
        notes=("The means of every two factors together stand in the same file.",),
        source="tables/means.csv",
    )


def _variance_table(analysis: Analysis, tables: Tables) -> Table:
    found = numbers.of_response(tables["variances"], analysis.response)
    unit = words.counted_in(analysis.response)
    rows = tuple(
        (
            row["from"], f"{row['standard_deviation']:.3g}", f"{row['variance']:.3g}",
            str(row["pieces"]),
        )
        for row in found
    )  # fmt: skip
    return Table(
        caption=f"How much pieces of the same treatment differ: {analysis.response.words}",
        columns=("from", f"typical difference ({unit})" if unit else "typical difference", "variance", "pieces"),
        numeric=(False, True, True, True),
        rows=rows,
        notes=(
            "The typical difference is a standard deviation. One estimated at 0 does not show that the pieces are "
            "alike.",
        ),
        source="tables/variances.csv",
    )


# --- conditions and steps --------------------------------------------------------------------------

_QUANTITIES = (("temperature_c", "temperature (°C)"), ("humidity_pct", "relative humidity (%)"))


def conditions(rows: Sequence[dict[str, str]]) -> Section:
    """Sum up the bench notes step by step, then show them all."""
    if not rows:
        return Section(sentences=("No bench notes were recorded.",))
    by_step: dict[str, list[dict[str, str]]] = {}
    for row in rows:
        by_step.setdefault(row["step"], []).append(row)
    summary = []
    for step, here in by_step.items():
        times = sorted(row["started_at"] for row in here if row["started_at"])
        when = words.time_words(times[0]) if times else ""
        if times and times[-1] != times[0]:
            when += f" to {words.time_words(times[-1])}"
        summary.append((words.clean(step), str(len(here)), when, *(_range(here, name) for name, _ in _QUANTITIES)))
    heads = tuple(head for _, head in _QUANTITIES)
    first = Table(
        "Conditions by step: least to most", ("step", "notes", "begun", *heads), (False, True, False, True, True),
        tuple(summary), (), "conditions.csv",
    )  # fmt: skip
    columns = ("step", "board", "patch", "from", "to", *heads, "note")
    every = [
        (
            row["step"], row["board"], row["patch"], words.time_words(row["started_at"]),
            words.time_words(row["ended_at"]), row["temperature_c"], row["humidity_pct"], row["note"],
        )
        for row in rows
    ]  # fmt: skip
    second = Table(
        "Every bench note", columns, (False, True, True, False, False, True, True, False),
        tuple(tuple(map(words.clean, row)) for row in every), (), "conditions.csv",
    )  # fmt: skip
    return Section(tables=(first, second))


def _range(rows: Sequence[dict[str, str]], name: str) -> str:
    found = [float(row[name]) for row in rows if row[name]]
    if not found:
        return ""
    low, high = words.plain(min(found)), words.plain(max(found))
    return low if low == high else f"{low} to {high}"


def steps(plan: Plan) -> tuple[Step, ...]:
    """Return the schedule as it was planned."""
    made = []
    for step in plan.steps:
        parts = [step.material, f"dry {step.dry}" if step.dry else "", step.note]
        said = words.clean("; ".join(part for part in parts if part))
        ends = f" Then the wood is {step.stage}." if step.stage else ""
        made.append(Step(words.clean(step.name), (f"{words.capital(said)}." if said else "") + ends))
    return tuple(made)


def repeat(trial: Trial) -> Section:
    """Say what another shop needs and does to repeat the trial, and to get these numbers again."""
    plan, boards = trial.plan, trial.plan.boards
    wood = f" of {words.clean(plan.wood)}" if plan.wood else ""
    size = f"{boards.length_mm:g} × {boards.width_mm:g} mm"
    lots = words.count(len(boards.lots), "lot")
    scored = words.listed([response.words for response in plan.responses]) or "what matters to you"
    again = (
        f"For the same trial on wood of your own: put trial.toml into a folder of its own, prepare "
        f"{words.count(boards.count, 'board')} of {size}{wood} from {lots}, run 'splitboard plan' there (it draws a "
        "new order at random) and 'splitboard sheets', and follow the sheets, their cautions first."
    )
    return Section(
        sentences=(
            again,
            f"Score or measure {scored} blind, by the codes alone, with the anchors given above; take the results in "
            "with 'splitboard record', end the scoring with 'splitboard close', then run 'splitboard report'.",
            f"For these very numbers: the folder with trial.toml, layout.csv and readings.csv is all it takes; "
            f"'splitboard plan --seed {trial.record.seed}' gives this layout again, 'splitboard report' this page. "
            "'splitboard publish' makes a package of it for others.",
            "A second trial on another lot of wood says more than more boards of this one; keep the questions and "
            "what is worth having as they are, so that the two can be set side by side.",
        )
    )


# --- how the page was made -------------------------------------------------------------------------


def footer(trial: Trial, when: str) -> tuple[str, ...]:
    """Say what made the page, from what."""
    cells = [[row[column] for column in folders.READING_COLUMNS] for row in trial.journal]
    readings = data_package.sha256(folders.csv_text(folders.READING_COLUMNS, cells).encode())
    return (
        f"Made by splitboard {__version__} with the command splitboard report, {words.time_words(when)}.",
        f"Python {platform.python_version()}, {_packages()}.",
        f"Layout by splitboard {trial.record.version}, seed {trial.record.seed}.",
        f"Plan SHA-256 {trial.plan.digest()}.",
        f"Layout SHA-256 {trial.record.layout_hash}.",
        f"Record SHA-256 {trial.record.digest}.",
        f"{words.count(len(trial.journal), 'reading')}, SHA-256 {readings}.",
        "One file without scripts; nothing is fetched from a network. The tables named lie beside it in the folder "
        "report/tables.",
    )
