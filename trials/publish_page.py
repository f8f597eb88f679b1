"""README.md of the open package: what the trial asked and how its files hang together, in plain words."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from trials import cautions, data_package, prespecified
from trials.blind import untold
from trials.csv_text import APOSTROPHE
from trials.plan import Plan

if TYPE_CHECKING:
    from trials.folder import Trial


def read_me(
    trial: Trial, told: Plan, shown: bool, missing: Sequence[str], tables: Sequence[data_package.Table]
) -> str:
    """Return the page.

    Parameters
    ----------
    trial : as loaded.
    told : its plan with the title and the description that may be told.
    shown : whether treatments may be told.
    missing : what is left out, in sentences.
    tables : the package's tables.
    """
    parts = [
        f"# {_marked(told.title)}",
        _marked(told.about),
        f"Wood: {_marked(told.wood)}." if told.wood else "",
        *missing,
        "## What was asked",
        *_questions(trial, shown),
        *_changed(trial, shown),
        "## What was read",
        *_responses(trial.as_asked.plan, shown),
        *(_laid_out(trial) if shown else ()),
        "## The files",
        *_files(tables),
        "## Reading them",
        *_reading(tables),
        *(_cautions(trial.plan) if shown else ()),
        "## What the boards cannot tell",
        cautions.FOOD,
        "## Citing and reusing it",
        "This package names no author and grants no licence: whoever publishes it says here how it may be cited and "
        "reused, and adds `contributors` and `licenses` to datapackage.json.",
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def _marked(text: str) -> str:
    """Return a person's words on one line, their signs kept from being read as marks of the page."""
    line = "".join(letter for letter in " ".join(text.split()) if letter.isprintable())
    return re.sub(r"([\\`*_\[\]<>|#&~])", r"\\\1", line)


def _list(lines: Iterable[str]) -> str:
    """Return a list; a line that begins with spaces stands under the one above."""
    return "\n".join(f"{line[: len(line) - len(line.lstrip())]}- {line.lstrip()}" for line in lines)


def _questions(trial: Trial, shown: bool) -> tuple[str, ...]:
    """Return what was asked when the boards were laid out, also what has been withdrawn since."""
    plan, asked = trial.as_asked.plan, []
    for question in prespecified.asked(plan, trial.record.plan):
        response = plan.response(question.response)
        factor = _words(plan, plan.factor(question.factor).words, shown, "one of the factors")
        between = f" ({_marked(' against '.join(question.between))})" if question.between and shown else ""
        unit = _words(plan, response.unit_words(question.worth), shown, "units")
        words = _words(plan, response.words, shown, "a response")
        asked.append(f"What {factor}{between} does to {words}; {question.worth:g} {unit} would be worth having.")
    for preference in plan.preferences:
        words = _words(plan, preference.ask, shown, "which of two patches is better in one respect")
        asked.append(f"Of two patches side by side: {words}")
    if not asked:
        return ("No question was named before the wood was cut.",)
    return ("Named before any wood was cut; whatever else is found in the tables is exploratory.", _list(asked))


def changed_lines(trial: Trial, shown: bool) -> list[str]:
    """Say what the plan says otherwise since the boards were laid out; while treatments are hidden, naming none."""
    said = prespecified.lines(trial.changed)
    return said if shown else [untold(trial.plan, line) or "- something that names a level" for line in said]


def _changed(trial: Trial, shown: bool) -> tuple[str, ...]:
    first, *rest = changed_lines(trial, shown) or [""]
    return (_marked(first), _list(_marked(line.removeprefix("- ")) for line in rest)) if first else ()


def _responses(plan: Plan, shown: bool) -> tuple[str, ...]:
    """Return each response with its scale, which way it should go, when it was read and the words of its grades."""
    lines = []
    for response in plan.responses:
        scale = _marked(data_package.scale(response))
        lines.append(f"`{response.name}`: {scale}; {response.aim_words}; read when {' and '.join(response.stages)}")
        if shown or untold(plan, " ".join(response.anchors)):
            lines += [f"  {grade}: {_marked(words)}" for grade, words in enumerate(response.anchors, start=1)]
    lines += [f"`{one.name}`: which of two patches was chosen; read when {one.stage}" for one in plan.preferences]
    return (_list(lines),) if lines else ("The plan named nothing to be read.",)


def _words(plan: Plan, text: str, shown: bool, instead: str) -> str:
    return _marked(text if shown else untold(plan, text) or instead)


def _laid_out(trial: Trial) -> tuple[str, ...]:
    plan, boards = trial.plan, trial.plan.boards
    lines = [
        f"{_marked(factor.words)}, laid on {factor.laid_on}: {', '.join(_marked(level) for level in factor.levels)}"
        for factor in plan.factors
    ]
    lines += [f"control, without any of these: {_marked(control.name)}" for control in plan.controls]
    lines += [f"never made: {_marked(one.words)} ({_marked(one.why)})" for one in plan.exclusions]
    later = [
        f" Later {_count(occasion['boards'], 'board')} of them came in, with seed {occasion['seed']}."
        for occasion in trial.record.added
    ]
    steps = [f"{_marked(step.name)}: {_marked(step.material)}" for step in plan.steps]
    return (
        "## How the boards were laid out",
        f"{_count(boards.count, 'board')} from {_count(len(boards.lots), 'lot')}, each with "
        f"{_count(boards.lanes, 'lane')} along the grain and {_count(boards.strips, 'strip')} across it; where a "
        "lane and a strip meet is a patch. What is laid on a board, a lane or a strip is put on it in one go, so "
        "it is judged against such pieces, not against patches.",
        _list(lines),
        f"Drawn at random by splitboard {trial.record.version} with seed {trial.record.seed}.{''.join(later)}",
        *(("The steps of the work, which datapackage.json holds in full:", _list(steps)) if steps else ()),
    )


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _files(tables: Sequence[data_package.Table]) -> tuple[str, ...]:
    found = [
        "datapackage.json describes the tables below by Data Package version 2: each column's type, the words it may "
        "hold, and which column refers to which."
    ]
    for table in tables:
        lines = [f"`{field['name']}`: {_marked(field['description'])}" for field in table.fields]
        found += [f"### {table.path}", f"{table.title}.", _list(lines)]
    return tuple(found)


def _reading(tables: Sequence[data_package.Table]) -> tuple[str, ...]:
    paths = {table.path for table in tables}
    found = [
        "Each table is csv: UTF-8, a comma between cells, a point in decimals, an empty cell where there is nothing.",
        APOSTROPHE,
    ]
    if "readings.csv" in paths:
        found.append(
            "`patch` in readings.csv is a code of layout.csv, and so is `against`. Nothing in readings.csv was ever "
            "changed or taken out: a correction is a row of its own, and `supersedes` names the row it corrects, "
            "counted with the header as row 1. To have the readings that stand, leave out every row that is named so "
            "and every row that corrects without a value."
        )
    if "conditions.csv" in paths:
        found.append("`patch` in conditions.csv is a code of layout.csv, and `board` a board there.")
    return tuple(found)


def _cautions(plan: Plan) -> tuple[str, ...]:
    """Return what to mind in doing the steps again, where the plan names steps."""
    if not plan.steps:
        return ()
    called = [f"{_marked(one.name)}: {_marked(one.text)} ({_marked(one.source)})" for one in cautions.for_plan(plan)]
    return ("## Cautions", cautions.GENERAL, _list(called))
