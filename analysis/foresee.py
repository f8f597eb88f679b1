"""What a layout will be able to tell, gathered: for `check`, `plan` and the page of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from analysis import outlook_page, precision
from analysis.outlook_page import Outlook, Size
from analysis.outlook_page.sentences import besides, meaning, settled_columns
from analysis.precision import Expected, expected
from analysis.priors import Prior
from trials import foretell, selection, structure
from trials.design import Layout
from trials.foretell import Foretold
from trials.level import level_of, per_cent
from trials.plan import Plan, Question
from trials.shell import table


def told(
    plan: Plan, layout: Layout, known: Mapping[str, Prior], lacking: Sequence[str] = ()
) -> tuple[Foretold, Outlook]:
    """Return what follows from a layout alone, and how well each question and each effect will be known.

    Parameters
    ----------
    plan, layout : what it is about.
    known : by response how much pieces differ, see `analysis.priors.for_plan`.
    lacking : why that is not known of the other responses.
    """
    foretold = foretell.foretell(plan, layout)
    treated = layout.patches[layout.patches["control"] == ""]
    names = [factor.name for factor in plan.factors]
    mixed_up = selection.aliases(plan, treated[names].to_dict("records"))
    said = selection.alias_words(plan, mixed_up, plan.boards.count)
    seen = Outlook(
        title=plan.marked_title,
        boards=foretold.boards,
        answers=expected(plan, layout, known),
        sources=(*(f"{plan.response(name).words}: {prior.source}" for name, prior in known.items()), *lacking),
        mixed_up=tuple(one for one in mixed_up if not set(one.first) < set(one.second)),  # those lack combinations
        mixed_up_words=said,
        notes=tuple(note for note in foretold.notes if note not in said),
    )
    return foretold, seen


def lines(plan: Plan, foretold: Foretold, seen: Outlook) -> Iterator[str]:
    """Yield all of it as plain text: what it means first, then the numbers."""
    yield plan.marked_title
    yield ""
    yield foretold.boards
    yield ""
    yield from question_lines(plan, foretold, seen)
    if foretold.questions:
        yield ""
    yield "How each factor is judged:"
    yield from (f"- {line}" for line in foretold.factors)
    yield ""
    yield f"How well each effect will be known ({per_cent(level_of(plan))} intervals, expected half-widths):"
    yield from effect_table(plan, seen.answers)
    for title, said in (
        ("What is mixed up:", seen.mixed_up_words),
        ("What this plan cannot tell:", foretold.unseen),
        ("How much boards and readings are taken to differ:", seen.sources),
        ("To know:", seen.notes),
    ):
        if said:
            yield ""
            yield title
            yield from (f"- {one}" for one in said)


def question_lines(plan: Plan, foretold: Foretold, seen: Outlook) -> Iterator[str]:
    """Yield what will be known of each question, in words and as a bar."""
    if foretold.questions:
        yield "What you asked:"
    for forecast in foretold.questions:
        yield f"- {forecast.words}"
        for one in seen.answers:
            if one.question == forecast.question and not math.isnan(one.half_width):
                yield f"    {meaning(plan, one)}"
                yield f"    {besides(plan, one)}"
    if any(not math.isnan(one.half_width) for one in seen.questions):
        yield ""
        yield from outlook_page.lines(seen)


def effect_table(plan: Plan, answers: tuple[Expected, ...]) -> list[str]:
    """Return a row an effect: what it is judged against, df, and the half-width on each response."""
    effects = list(dict.fromkeys(one.effect for one in sorted(answers, key=lambda one: one.effect.count(":"))))
    by = {(one.effect, one.response): one for one in answers}
    responses = list(dict.fromkeys(one.response for one in answers))
    header = ["effect", "judged against", "df", *(plan.response(name).words for name in responses)]
    rows = []
    for effect in effects:
        found = [by[effect, name] for name in responses if (effect, name) in by]
        first = found[0]
        pieces = structure.judged_pieces_of(plan, effect.split(":"), first.judged_against)
        rows.append(
            [
                effect.replace("_", " ").replace(":", " × "),
                pieces if first.can_be_judged else "nothing to judge it by",
                f"{first.error_df:.3g}" if first.can_be_judged else "",
                *(f"{one.half_width:.2g}" if one.half_width == one.half_width else "" for one in found),
            ]
        )
    return table(header, rows)


def as_dict(plan: Plan, foretold: Foretold, seen: Outlook) -> dict[str, Any]:
    """Return all of it as plain values."""
    return {
        "title": foretold.title,
        "boards": foretold.boards,
        "questions": [
            {
                "factor": forecast.question.factor,
                "response": forecast.question.response,
                "worth": forecast.question.worth,
                "can_be_told": forecast.can_be_told,
                "words": forecast.words,
            }
            for forecast in foretold.questions
        ],
        "factors": list(foretold.factors),
        "expected": [_expected_dict(plan, one) for one in seen.answers],
        "mixed_up": [
            {"first": list(one.first), "second": list(one.second), "correlation": one.correlation}
            for one in seen.mixed_up
        ],
        "mixed_up_words": list(seen.mixed_up_words),
        "cannot_be_told": list(foretold.unseen),
        "sources": list(seen.sources),
        "notes": list(seen.notes),
    }


def _expected_dict(plan: Plan, one: Expected) -> dict[str, Any]:
    said = (meaning(plan, one), besides(plan, one)) if one.question else (one.why_not,)
    return {
        "effect": one.effect,
        "response": one.response,
        "asked": one.question is not None,
        "can_be_judged": one.can_be_judged,
        "judged_against": one.judged_against,
        "df": one.error_df,
        "contrast": one.contrast,
        "level": one.level,
        "half_width": one.half_width,
        "power": one.power,
        "settles": one.settles,
        "says_none": one.says_none,
        "exact": one.exact,
        "words": " ".join(filter(None, said)),
    }


# --- how many boards -------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Sized:
    """What other numbers of boards, lots, assessors and repeats would tell of one question."""

    question: Question
    shown: Size
    lots: pd.DataFrame


def sized(
    plan: Plan,
    layout: Layout,
    question: Question,
    prior: Prior,
    chance: float,
    numbers: Iterable[int] | None = None,
    experiments: int = 400,
    progress: Callable[[int, int], None] | None = None,
    stop: Callable[[], bool] = lambda: False,
) -> Sized:
    """Work out what other sizes would tell of one question.

    Parameters
    ----------
    plan, layout : as they are.
    prior : how much pieces differ in the question's response.
    chance : of settling it that is wanted.
    numbers, experiments, progress, stop : as for `analysis.precision.size`; the experiments use every core.
    """
    table = precision.size(
        plan, question, chance, prior, numbers, experiments=experiments, workers=None, progress=progress, stop=stop
    )
    half = max(experiments // 2, 2)  # many rows of a table, less hangs on each
    readers = (
        precision.readers(plan, layout, question, prior, experiments=half, workers=None)
        if 0 < prior.reading < prior.variances.iloc[-1]
        else None
    )
    words = f"{plan.factor(question.factor).words} on {plan.response(question.response).words}"
    several = precision.compares_several(plan, question)
    shown = Size(words, table, readers, question.worth, chance, several)
    return Sized(question, shown, precision.lots(plan, question, prior, experiments=half, workers=None))


def with_sizes(seen: Outlook, sizes: Sequence[Sized]) -> Outlook:
    """Return an outlook with sizes on its page."""
    return replace(seen, sizes=tuple(one.shown for one in sizes))


def size_lines(plan: Plan, one: Sized) -> Iterator[str]:
    """Yield what is to be said of one question's size: words first, then tables and a curve."""
    question, response = one.question, plan.response(one.question.response)
    worth = f"{question.worth:g} {response.unit_words(question.worth)}"
    yield f"{one.shown.words.upper()} (worth {worth})"
    yield ""
    enough, source = one.shown.table.attrs["notes"]
    yield f"- {enough} You plan {plan.boards.count}."
    yield f"- {one.lots.attrs['notes'][0]}"
    if one.shown.readers is not None:
        yield f"- {one.shown.readers.attrs['notes'][0]}"
    yield f"- {source}"
    yield ""
    chances = settled_columns(one.shown)
    yield from table(
        ["boards", "df", "half-width", f"{question.worth:g} is seen", *chances, "how"],
        [_size_row(row, list(chances.values())) for row in one.shown.table.to_dict("records")],
    )
    yield ""
    yield from outlook_page.curve_lines(one.shown.table, one.shown.chance, several=one.shown.several)
    yield ""
    yield from table(
        ["lots", "df", "half-width", *chances],
        [_row_cells(row, "lots", list(chances.values())) for row in one.lots.to_dict("records")],
    )
    if one.shown.readers is not None:
        yield ""
        yield from table(
            ["assessors", "looks", "half-width", *chances],
            [
                [
                    "endless" if math.isinf(row["assessors"]) else f"{row['assessors']:.0f}",
                    *_row_cells(row, "repeats", list(chances.values()), df=False),
                ]
                for row in one.shown.readers.to_dict("records")
            ],
        )


def _size_row(row: Mapping[Any, Any], chances: Sequence[str]) -> list[str]:
    cells = _row_cells(row, "boards", chances)
    return [*cells[:3], _share(row["power"], row["power_se"]), *cells[3:], row["method"]]


def _row_cells(row: Mapping[Any, Any], first: str, chances: Sequence[str], *, df: bool = True) -> list[str]:
    return [
        f"{row[first]:.0f}",
        *([f"{row['df']:.3g}"] if df else []),
        "" if math.isnan(row["half_width"]) else f"{row['half_width']:.2g}",
        *(_share(row[name], row.get(f"{name}_se", 0.0)) for name in chances),
    ]


def _share(value: float, error: float) -> str:
    if math.isnan(value):
        return ""
    return f"{value:.0%}" + (f" ± {error:.1%}" if error else "")


def size_dict(one: Sized) -> dict[str, Any]:
    """Return the same as plain values."""
    return {
        "factor": one.question.factor,
        "response": one.question.response,
        "worth": one.question.worth,
        "enough": one.shown.enough,
        "boards": one.shown.table.to_dict("records"),
        "lots": one.lots.to_dict("records"),
        "readers": [] if one.shown.readers is None else one.shown.readers.to_dict("records"),
        "notes": [
            *one.shown.table.attrs["notes"],
            *one.lots.attrs["notes"],
            *(() if one.shown.readers is None else one.shown.readers.attrs["notes"]),
        ],
    }
