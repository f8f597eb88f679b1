"""Everything the page says, as ready strings, tables and pictures, so that a template only sets them out."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import pandas as pd
from markupsafe import Markup

from analysis.outlook_page import intervals, mixed_up, sentences, sizes
from analysis.outlook_page.outlook import Outlook, Size, is_known
from analysis.precision import Expected
from analysis.report import words
from analysis.report.parts import Table
from trials import __version__, structure
from trials.design import Layout
from trials.level import level_of, per_cent
from trials.plan import Plan, Response


@dataclass(frozen=True)
class Card:
    """One question: how often it is settled, as a badge, what that means, and what goes with it."""

    badge: str
    known: bool
    sentence: str
    besides: str


@dataclass(frozen=True)
class Picture:
    """A picture and the sentence beneath it."""

    svg: Markup
    caption: str


@dataclass(frozen=True)
class Content:
    """What the page says, from top to bottom."""

    title: str
    boards: str
    summary: str
    cards: tuple[Card, ...]
    apart: tuple[Picture, ...]
    size_pictures: tuple[Picture, ...]
    size_tables: tuple[Table, ...]
    effects: tuple[Table, ...]
    reading: tuple[str, ...]
    unseen: tuple[str, ...]
    mixed_up: tuple[Picture, ...]
    mixed_up_words: tuple[str, ...]
    sources: tuple[str, ...]
    notes: tuple[str, ...]
    footer: tuple[str, ...]


def content(plan: Plan, layout: Layout, outlook: Outlook) -> Content:
    """Work out everything the page says.

    Parameters
    ----------
    plan, layout : what the outlook is of.
    outlook : as gathered.
    """
    shown = [(response, _answers_on(response, outlook)) for response in plan.responses]
    return Content(
        title=words.clean(outlook.title) or "A trial without a title",
        boards=words.clean(outlook.boards),
        summary=" ".join(filter(None, (words.clean(outlook.enough), sentences.summary(outlook)))),
        cards=tuple(_card(plan, one) for one in outlook.questions),
        apart=tuple(_apart(outlook)),
        size_pictures=tuple(_size_pictures(outlook.sizes)),
        size_tables=tuple(_size_tables(outlook)),
        effects=tuple(_effects_table(response, found) for response, found in shown if any(map(is_known, found))),
        reading=tuple(_reading(outlook.answers, level_of(plan))),
        unseen=tuple(_unseen(plan, layout, outlook)),
        mixed_up=tuple(_mixed_up(outlook)),
        mixed_up_words=_cleaned(outlook.mixed_up_words)
        or (() if outlook.mixed_up else (sentences.NOTHING_MIXED_UP,)),
        sources=_cleaned(outlook.sources),
        notes=_cleaned([note for note in outlook.notes if note not in outlook.mixed_up_words]),
        footer=_footer(plan, layout),
    )


def _cleaned(texts: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(words.clean(text) for text in texts))


def _answers_on(response: Response, outlook: Outlook) -> list[Expected]:
    return [one for one in outlook.answers if one.response == response.name]


def _card(plan: Plan, one: Expected) -> Card:
    known = is_known(one)
    badge = f"settled {sentences.about(one, sentences.settled(one))}" if known else "cannot be judged"
    return Card(badge, known, words.clean(sentences.meaning(plan, one)), words.clean(sentences.besides(plan, one)))


# --- pictures --------------------------------------------------------------------------------------


def _apart(outlook: Outlook) -> Iterator[Picture]:
    if any(map(is_known, outlook.questions)):
        svg = intervals.expected_figure(outlook.questions)
        yield Picture(Markup(svg), sentences.told_apart(outlook.questions))


def _size_pictures(given: Sequence[Size]) -> Iterator[Picture]:
    drawn = [one for one in given if len(one.known)]
    for at in range(0, len(drawn), sizes.MOST_LINES):
        some = drawn[at : at + sizes.MOST_LINES]
        caption = sentences.boards_needed(some)
        if any(sentences.has_simulated(one.table) for one in some):
            caption += " Open marks are simulated, with two standard errors to either side."
        yield Picture(Markup(sizes.size_figure(some, f"size-{at}")), caption)
    read = sizes.with_readers(given)
    for at in range(0, len(read), sizes.MOST_LINES):
        some = read[at : at + sizes.MOST_LINES]
        yield Picture(Markup(sizes.readers_figure(some, f"assessors-{at}")), sentences.readers_help(some))


def _mixed_up(outlook: Outlook) -> Iterator[Picture]:
    svg = mixed_up.mixed_up_figure(outlook.mixed_up)
    if svg:
        complete = sum(one.complete for one in outlook.mixed_up)
        drawn = len(mixed_up.drawn_pairs(outlook.mixed_up))
        yield Picture(Markup(svg), sentences.mixed_up_count(len(outlook.mixed_up), drawn, complete))


# --- tables ----------------------------------------------------------------------------------------


def _effects_table(response: Response, answers: Sequence[Expected]) -> Table:
    unit = words.counted_in(response)
    rows = tuple(tuple(_effect_cells(one)) for one in answers if is_known(one))
    return Table(
        caption=f"{words.capital(words.clean(response.words))}{f' ({words.clean(unit)})' if unit else ''}",
        columns=("effect", "difference", "judged against", "df", "half-width", "seen", "settled"),
        numeric=(False, False, False, True, True, True, True),
        rows=rows,
    )


def _reading(answers: Sequence[Expected], level: float) -> Iterator[str]:
    """Say how the table of effects is read."""
    if any(map(is_known, answers)):
        yield (
            f"Half-width: how far the {per_cent(level)} interval reaches to either side, on average. Seen: times in "
            f"100 that a difference of just the worth has p below {1 - level:.2g}. Settled: times in 100 that the "
            "whole interval lies on the right side of the worth, when the truth is twice the worth, or nothing. A "
            "dash: not asked."
        )
        if any(sentences.several_pairs(one) for one in answers):
            yield (
                "Where several pairs of levels are compared at once, their intervals hold together with "
                f"{per_cent(level)} (Bonferroni), and the pair known least well is shown. Settled is then two "
                "numbers: when two levels lie twice the worth apart, and when none differs."
            )
        if not all(one.exact for one in answers):
            yield "The layout is not balanced, so the numbers are approximate."


def _effect_cells(one: Expected) -> Iterator[str]:
    yield sentences.effect(one.effect.split(":"))
    yield words.clean(one.contrast).replace(" - ", f" {words.MINUS} ")
    yield structure.piece_words(one.judged_against)
    yield words.degrees(one.error_df)
    yield sentences.amount(one.half_width)
    yield from (
        ("–", "–")
        if one.question is None
        else (
            sentences.per_hundred(one.power),
            sentences.settled_short(one),
        )
    )


def _unseen(plan: Plan, layout: Layout, outlook: Outlook) -> Iterator[str]:
    """Say of each effect that cannot be estimated or judged why not; the same reason is given once."""
    given: dict[str, None] = {}
    for one in outlook.answers:
        if not is_known(one):
            reason = one.why_not or f"{sentences.subject(one)} cannot be judged from this layout."
            given.setdefault(words.clean(reason), None)
    told = structure.of_layout(plan, layout.patches)
    for left_out in told.left_out:
        given.setdefault(words.clean(structure.describe_left_out(plan, left_out)), None)
    yield from given


def _size_tables(outlook: Outlook) -> Iterator[Table]:
    for one in outlook.sizes:
        shown = one.table[one.table["boards"] <= sizes.last_shown((one,))]
        chances = sentences.settled_columns(one)
        yield Table(
            caption=f"Boards: {words.clean(one.words)} (worth {words.plain(one.worth)})",
            columns=("boards", "df", "half-width", "seen", *chances),
            numeric=(True,) * (4 + len(chances)),
            rows=tuple(_size_cells(row, list(chances.values())) for row in shown.to_dict("records")),
            notes=(*_new(one.table, outlook), *(_SIMULATED if sentences.has_simulated(shown) else ())),
        )
        if one.readers is not None:
            yield _readers_table(one, one.readers, _new(one.readers, outlook))


_SIMULATED = ("What stands after ± is two standard errors of a simulated chance.",)


def _new(table: pd.DataFrame, outlook: Outlook) -> tuple[str, ...]:
    """Return a table's own notes, without those that the sources say anyway."""
    notes = _cleaned(table.attrs.get("notes", ()))
    return tuple(note for note in notes if not any(note in source for source in _cleaned(outlook.sources)))


def _size_cells(row: dict[str, float], chances: Sequence[str]) -> tuple[str, ...]:
    if not math.isfinite(row["half_width"]):
        return (f"{int(row['boards'])}", *["–"] * (3 + len(chances)))
    return (
        f"{int(row['boards'])}", words.degrees(row["df"]), sentences.amount(row["half_width"]),
        sentences.per_hundred(row["power"]), *(_with_error(row[name], row[f"{name}_se"]) for name in chances),
    )  # fmt: skip


def _with_error(chance: float, error: float) -> str:
    text = sentences.per_hundred(chance)
    return f"{text} ± {sentences.amount(200 * error)}" if error > 0 and math.isfinite(chance) else text


def _readers_table(one: Size, readers: pd.DataFrame, notes: tuple[str, ...]) -> Table:
    looks = sorted({int(count) for count in readers.loc[readers["assessors"] < math.inf, "repeats"]})
    rows = []
    for people, some in readers.groupby("assessors"):
        by_looks = {int(row["repeats"]): sentences.per_hundred(row["chance"]) for row in some.to_dict("records")}
        endless = isinstance(people, float) and math.isinf(people)
        cells = [next(iter(by_looks.values()))] * len(looks) if endless else [by_looks.get(at, "") for at in looks]
        rows.append(("endlessly many" if endless else f"{people:.0f}", *cells))
    return Table(
        caption=f"Assessors, settled of 100 trials: {words.clean(one.words)}",
        columns=("assessors", *(f"{words.count(count, 'look')} each" for count in looks)),
        numeric=(True,) * (1 + len(looks)),
        rows=tuple(rows),
        notes=notes,
    )


def _footer(plan: Plan, layout: Layout) -> tuple[str, ...]:
    return (
        f"Made by splitboard {__version__}.",
        f"Layout drawn with seed {layout.seed}. Plan SHA-256 {plan.digest()}.",
        "What stands here follows from the plan, the layout and the variances named; no reading has gone into it but "
        "through these. One file without scripts; nothing is fetched from a network.",
    )
