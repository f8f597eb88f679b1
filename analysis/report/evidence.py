"""The parts of the report that show results: answers, pictures, drawings of the boards."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pandas as pd
from markupsafe import Markup

from analysis import decide
from analysis.decide import Decision, Finding
from analysis.report import board_drawings, figures, greys, inline_svg, numbers, words
from analysis.report.parts import Answer, BoardSet, Evidence, Group, Picture, Table
from analysis.responses import Analysis
from trials.folder import Trial
from trials.level import chance_of, level_of, per_cent
from trials.plan import Factor, Plan, Response
from trials.structure import Effect

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MOST_BOARD_PX = 520.0
"""Boards drawn wider than this scroll on a small screen instead of shrinking."""


def answers(decision: Decision) -> tuple[Answer, ...]:
    """Return every answered question with its verdict."""
    return tuple(
        Answer(
            finding.verdict, *words.VERDICT_MARKS[finding.verdict], words.clean(finding.sentence), _mark(finding),
            tuple(map(words.clean, finding.depends)), f"question-{at}",
        )
        for at, finding in enumerate(decision.findings, start=1)
    )  # fmt: skip


def _mark(finding: Finding) -> str:
    """Return what stands beside the verdict where it is not simply that on a question asked beforehand."""
    if not finding.asked:
        return "not asked beforehand"
    return "exploratory" if finding.changed else "withdrawn" if finding.withdrawn else ""


def question_words(plan: Plan, finding: Finding) -> str:
    """Return what a finding answers, as a question."""
    factor, response = plan.factor(finding.factor), plan.response(finding.response)
    if finding.worth is None:
        return f"{words.capital(response.words)} by {factor.words}"
    return f"Does {factor.words} change {response.words} by {finding.worth:g} {response.unit_words(finding.worth)}?"


def evidence(plan: Plan, decision: Decision) -> tuple[Evidence, ...]:
    """Return what stands behind each answered question."""
    by_name = {analysis.response.name: analysis for analysis in decision.analyses}
    return tuple(
        _evidence(plan, finding, by_name.get(finding.response), f"question-{at}")
        for at, finding in enumerate(decision.findings, start=1)
    )


def also_seen(plan: Plan, decision: Decision) -> tuple[Evidence, ...]:
    """Return what stands behind each thing seen beside the questions, its sentences first."""
    by_name = {analysis.response.name: analysis for analysis in decision.analyses}
    found = []
    for at, finding in enumerate(decision.also_seen, start=1):
        pictures = _means_picture(by_name[finding.response], plan.factor(finding.factor), f"also-{at}")
        sentences = tuple(map(words.clean, (finding.sentence, *finding.depends)))
        found.append(Evidence(f"also-{at}", question_words(plan, finding), tuple(pictures), None, sentences))
    return tuple(found)


def _evidence(plan: Plan, finding: Finding, analysis: Analysis | None, name: str) -> Evidence:
    heading = question_words(plan, finding)
    sentences = (words.clean(finding.standing),) if finding.standing else ()
    if analysis is None:
        return Evidence(name, heading, (), None, (words.clean(finding.sentence), *sentences))
    factor = plan.factor(finding.factor)
    if finding.leading is None:
        sentences = (words.clean(finding.sentence), *sentences)
    pictures = [*_gains_picture(finding, factor, analysis, name)]
    pictures += _means_picture(analysis, factor, name)
    table = comparisons_table([finding], plan, analysis.response) if finding.comparisons else None
    return Evidence(name, heading, tuple(pictures), table, sentences)


# --- pictures --------------------------------------------------------------------------------------


def _gains_picture(finding: Finding, factor: Factor, analysis: Analysis, name: str) -> Iterator[Picture]:
    response = analysis.response
    rows = [one for one in words.towards_better(finding) if one.gain_lower == one.gain_lower]
    if not rows or finding.leading is None:
        return
    caption = words.gain_sentence(finding, factor, response)
    told = [
        f"{one.second} instead of {one.first}: {words.with_interval(one.gain, one.gain_lower, one.gain_upper)}"
        for one in rows
    ]
    title = f"Gain in {response.words} from {factor.words}, against what is worth having"
    figure = figures.gains(finding, response)
    yield picture(analysis.plan, figure, f"{name}-gain", title, caption, told, "comparisons")


def _means_picture(analysis: Analysis, factor: Factor, name: str) -> Iterator[Picture]:
    if analysis.told.by_name[factor.name].df == 0:
        return
    response, table = analysis.response, analysis.means(factor.name)
    rows = table.to_dict("records")
    known = [row for row in rows if row["mean"] == row["mean"]]
    if not known:
        return
    told = [f"{row[factor.name]}: {words.with_interval(row['mean'], row['lower'], row['upper'])}" for row in rows]
    low, high = min(known, key=lambda row: row["mean"]), max(known, key=lambda row: row["mean"])
    shown = [
        f"{row[factor.name]} ({words.number(row['mean'], decide.decimals(row['lower'], row['upper']))})"
        for row in (high, low)
    ]
    bars = (
        f"bars are {per_cent(analysis.level)} intervals of the means"
        if low["lower"] == low["lower"]
        else "no interval can be given"
    )
    least, most = response.least_most
    aim = f" ({response.aim_words})" if most == "highest" else ""
    caption = (
        f"{words.capital(response.words)} by {factor.words}: {most} with {shown[0]}, {least} with {shown[1]}{aim}; "
        f"small signs are patches, {bars}."
    )
    title = f"Mean {response.words} by {factor.words}, over the values of the patches"
    figure = figures.means(analysis, factor, table)
    yield picture(analysis.plan, figure, f"{name}-means", title, caption, told, "means")


def picture(
    plan: Plan, figure: Figure, name: str, title: str, caption: str, told: list[str], *sources: str
) -> Picture:
    """Return a figure as it stands on the page.

    Parameters
    ----------
    name : another one for each picture of the page.
    title, caption : what it shows, and what it says.
    told : its numbers in words, for those who hear it.
    sources : the tables with the numbers.
    """
    svg = inline_svg.element(figure, name, title, f"{caption} {'; '.join(told)}.", words.mark(plan))
    return Picture(Markup(svg), words.clean(caption), ", ".join(f"tables/{one}.csv" for one in sources))


# --- comparisons -----------------------------------------------------------------------------------


def comparisons_table(findings: list[Finding], plan: Plan, response: Response) -> Table:
    """Return the comparisons of some findings on one response."""
    unit = words.counted_in(response)
    several = any(len(finding.comparisons) > 1 for finding in findings)
    bounds = "interval" if several else f"{per_cent(findings[0].level)} interval"
    heads = [f"difference ({unit})" if unit else "difference", bounds]
    towards = response.aim != "more"
    if towards:
        heads += ["gain", f"{bounds} of the gain"]
    rows = []
    for finding in findings:
        factor = f"{plan.factor(finding.factor).words}: " if len(findings) > 1 else ""
        for one in words.towards_better(finding):
            cells = [f"{factor}{one.second} instead of {one.first}"]
            cells += words.amount_cells(one.difference, one.lower, one.upper)
            if towards:
                cells += words.amount_cells(one.gain, one.gain_lower, one.gain_upper)
            rows.append((*map(words.clean, cells), words.p_value(one.p)))
    return Table(
        caption=f"Comparisons in {response.words}",
        columns=("comparison", *heads, "p"),
        numeric=(False, *(True for _ in heads), True),
        rows=tuple(rows),
        notes=tuple(dict.fromkeys(map(words.level_note, (one for one in findings if len(one.comparisons) > 1)))),
        source="tables/comparisons.csv",
    )


def also_tables(plan: Plan, decision: Decision) -> tuple[Table, ...]:
    """Return the comparisons nobody asked for, a table a response."""
    tables = []
    for analysis in decision.analyses:
        found = [
            finding
            for finding in decision.also_seen
            if finding.response == analysis.response.name and finding.comparisons
        ]
        if found:
            tables.append(comparisons_table(found, plan, analysis.response))
    return tuple(tables)


# --- pairs -----------------------------------------------------------------------------------------


def pair_groups(decision: Decision) -> tuple[Group, ...]:
    """Return for each response the cells of every two factors whose joint effect is in the model."""
    groups = []
    for number, analysis in enumerate(decision.analyses, start=1):
        pairs = [effect for effect in analysis.told.effects if len(effect.factors) == 2 and effect.df > 0]
        pictures = tuple(_pair_picture(analysis, effect, f"pair-{number}-{at}") for at, effect in enumerate(pairs, 1))
        if pictures:
            groups.append(Group(words.capital(analysis.response.words), (), pictures))
    return tuple(groups)


def pair_words(plan: Plan, decision: Decision) -> tuple[str, ...]:
    """Say how to read the pairs, and how many of them would stand out by chance."""
    judged = sum(
        len(effect.factors) == 2 and effect.can_be_judged
        for analysis in decision.analyses
        for effect in analysis.told.effects
    )
    if not judged:
        return ()
    level = level_of(plan)
    return (
        "Where the lines run alongside each other, what one factor does is the same at each level of the other, as "
        "far as this trial can see. Signs are means, bars their "
        f"{per_cent(level)} intervals.",
        "Where there is no sign of it, that does not show that there is none: this trial may be too small to see it. "
        f"{words.count(judged, 'pair was', 'pairs were')} looked at, and if no two factors acted on each other, "
        f"{chance_of(level)} would still show p below {1 - level:.2g}.",
    )


def _pair_picture(analysis: Analysis, effect: Effect, name: str) -> Picture:
    plan = analysis.plan
    along, lines = figures.arrange(*(plan.factor(factor) for factor in effect.factors))
    table = analysis.means(effect.name)
    told = [
        f"{row[along.name]} with {row[lines.name]}: {words.with_interval(row['mean'], row['lower'], row['upper'])}"
        for row in table.to_dict("records")
    ]
    title = f"Mean {analysis.response.words} by {along.words} and {lines.words}"
    figure = figures.pair(analysis, along, lines, table)
    return picture(plan, figure, name, title, words.pair_sentence(analysis, effect), told, "means")


# --- boards ----------------------------------------------------------------------------------------


def board_sets(trial: Trial, decision: Decision) -> tuple[BoardSet, ...]:
    """Return every board with the values of each response; without any, what the boards carry."""
    read = numbers.read_tables(trial, decision)
    if not read:
        boards = board_drawings.draw(trial, None, {}, "boards")
        return (BoardSet("What the boards carry", "", boards, _wide(boards)),)
    sets = []
    for number, table in enumerate(read, start=1):
        values = numbers.patch_values(table)
        boards = board_drawings.draw(trial, table.response, values, f"boards-{number}")
        legend = greys.Shade(table.response, values).legend
        heading = words.capital(words.axis(table.response))
        sets.append(BoardSet(heading, legend, boards, _wide(boards)))
    return tuple(sets)


def _wide(boards: tuple[board_drawings.Board, ...]) -> bool:
    return any(float(board.width) > MOST_BOARD_PX for board in boards)


def board_words(plan: Plan) -> tuple[str, ...]:
    """Say how to read the drawings."""
    boards = plan.boards
    sentences = [
        f"Each board is drawn to scale ({boards.length_mm:g} × {boards.width_mm:g} mm), its label end to the left "
        "and its fixed edge at the bottom. A patch shows its code and beneath or beside it its value."
    ]
    laid = [
        f"{kind}s carry {words.listed([factor.words for factor in plan.laid_on(kind)])}"
        for kind in ("board", "lane", "strip")
        if plan.laid_on(kind)
    ]
    if plan.laid_on("patch"):
        laid.append(f"single patches carry {words.listed([factor.words for factor in plan.laid_on('patch')])}")
    sentences.append(
        words.capital("; ".join(laid)) + ". Lanes run along the grain (rows), strips across it (columns)."
    )
    if plan.controls:
        sentences.append("Control patches have a broken outline; they carry no factor and are not in the model.")
    return tuple(sentences)


def controls_table(controls: pd.DataFrame, plan: Plan) -> Table | None:
    """Return what the controls read."""
    rows = []
    for response in plan.responses:
        for row in numbers.of_response(controls, response):
            half = (row["highest"] - row["lowest"]) / 2
            shown = decide.decimals(-half, half)
            cells = [words.number(row[column], shown) for column in ("mean", "lowest", "highest")]
            rows.append((words.clean(row["control"]), words.axis(response), str(row["patches"]), *cells))
    columns = ("control", "response", "patches", "mean", "smallest", "largest")
    numeric = (False, False, True, True, True, True)
    return Table("The controls", columns, numeric, tuple(rows), (), "tables/controls.csv") if rows else None
