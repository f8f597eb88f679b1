"""What `decide` shows beside the questions: each answer in words first, then its numbers."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trials import shell
from trials.errors import command

if TYPE_CHECKING:
    import pandas as pd

    from analysis.answers import Answers, Laps, Next, Schedules
    from trials.plan import Plan

_SHOWN = 8
"""Combinations in the list: the likeliest; all of them stand in the report's tables and in --json."""


def lines(plan: Plan, found: Answers, folder: Path) -> Iterator[str]:
    """Give every answer beside the questions, section by section."""
    said = {line for finding in found.decision.findings for line in finding.depends}
    for one in found.worth:
        name = plan.factor(one.factor).words
        rest = [line for line in one.sentences if line not in said]  # they stand above, beside the question
        yield from _section(f"Is {name} {one.second} worth it?", [*rest, *(found.later("worth") if one.cost else ())])
    if found.laps is not None:
        yield from _section("How long may the edge wait?", [*_lap_lines(found.laps), *found.later("laps")])
    if found.dark is not None:
        rest = [found.dark.sentence, *found.dark.notes, *found.later("dark")]
        yield from _section("Which load is dark enough?", rest)
    if found.strength is not None:
        rest = [found.strength.sentence, *found.strength.notes, *found.later("strength")]
        yield from _section("How much dye does each carrier need?", rest)
    if found.schedules is not None:
        yield from _schedule_lines(plan, found.schedules, found.later("schedules"))
    if found.ways:
        yield from _section("Grades, counted three ways:", [*(one.sentence for one in found.ways), *found.way_words])
    yield from _section("What next?", _next_lines(found, folder))


def data(found: Answers) -> dict[str, Any]:
    """Return the answers for machines."""
    ranked = found.schedules
    ranking = ranked.ranking if ranked is not None else None
    return {
        "worth": [_worth_data(one) for one in found.worth],
        "lap_windows": [_window_data(one) for one in found.laps.windows] if found.laps else [],
        "piece": asdict(found.laps.against) if found.laps and found.laps.against else None,
        "dark_enough": _told_data(found.dark),
        "strength": _told_data(found.strength),
        "schedules": {
            "brief": ranking.brief.words if ranking else "",
            "asked_beforehand": "schedules" not in found.exploratory,
            "draws": ranking.draws if ranking else None,
            "seed": ranking.seed if ranking else None,
            "mean_of_alike": _known(ranking.mean_of_alike) if ranking else None,
            "ranking": _rows(ranking.table) if ranking else [],
            "costs": _rows(ranked.priced.table) if ranked.priced else [],
            "confirmation": [asdict(one) | {"response": one.response.name} for one in ranked.confirmation],
            "sentences": _ranked_sentences(ranked),
            "notes": list(ranking.notes) if ranking else [],
        }
        if ranked is not None
        else None,
        "exploratory": list(found.exploratory),
        "three_ways": [asdict(one) for one in found.ways],
        "next": {
            "boards": found.next.count,
            "seed": found.next.seed,
            "sentence": found.next.sentence,
            "chances": [asdict(one) for one in found.next.boards.chances] if found.next.boards else [],
            "patches": _rows(found.next.boards.layout.patches) if found.next.boards else [],
        },
    }


# --- in words --------------------------------------------------------------------------------------


def _section(heading: str, said: Iterable[str]) -> Iterator[str]:
    yield ""
    yield heading
    yield from (f"- {line}" for line in said)


def _lap_lines(laps: Laps) -> Iterator[str]:
    first, *others = laps.windows
    if laps.against is not None:
        yield laps.against.sentence
    else:
        yield first.sentence
        if first.told:
            yield "Give the real piece a [piece] table in trial.toml, and it is held to this."
    yield from (f"By {one.response.replace('_', ' ')}: {one.sentence}" for one in others if one.told)
    yield from (one.sentence for one in others if not one.told)
    if laps.agreement:
        yield laps.agreement
    yield from dict.fromkeys(note for one in laps.windows for note in one.notes)


def _ranked_sentences(found: Schedules) -> list[str]:
    said = [found.why_not] if found.ranking is None else list(found.ranking.sentences)
    said += found.priced.sentences if found.priced is not None else []
    return said


def _schedule_lines(plan: Plan, found: Schedules, later: Sequence[str]) -> Iterator[str]:
    yield from _section("Which schedule meets the brief?", [*_ranked_sentences(found), *later])
    if found.ranking is None or found.ranking.best is None:
        return
    table = found.ranking.table[found.ranking.table["chance"].notna()].head(_SHOWN)
    costs = found.priced.table["total"].tolist() if found.priced is not None else []
    header = [*(factor.words for factor in plan.factors), "of 100", "from", "to", "tried"]
    rows = []
    for at, row in enumerate(table.to_dict("records")):
        shares = [f"{100 * row[name]:.0f}" for name in ("chance", "lower", "upper")]
        cells = [
            *(str(row[factor.name]) for factor in plan.factors),
            *shares,
            "yes" if row["state"] == "tried" else "no",
        ]
        if plan.priced is not None:
            cells.append(plan.priced.money(costs[at]) if at < len(costs) else "")
        rows.append(cells)
    yield ""
    yield "Chance that a patch of a new board meets the brief, of 100, with 95% intervals; the likeliest:"
    yield from shell.table([*header, *(["cost"] if plan.priced is not None else [])], rows)
    yield ""
    yield from (f"- {note}" for note in found.ranking.notes)


def _next_lines(found: Answers, folder: Path) -> Iterator[str]:
    yield found.next.sentence
    yield from board_lines(found.next)
    if found.next.boards is not None:
        yield f"To lay out just these: {command(found.next.words, folder)}"
    ranked = found.schedules
    if ranked is None or ranked.ranking is None or ranked.ranking.best is None:
        return
    from analysis.schedules.ranking import treatment_words

    yield f"Before the piece, make one more board to confirm the choice: {treatment_words(ranked.ranking.best)}."
    for one in ranked.confirmation:
        if one.patches == 1:
            yield one.sentence


def board_lines(found: Next) -> Iterator[str]:
    """Give the boards that are proposed, one a line."""
    for board, carried in found.carried():
        parts = [f"{name.replace('_', ' ')} {_listed(levels)}" for name, levels in carried.items()]
        yield f"Board {board}: {'; '.join(parts)}."


def _listed(levels: Sequence[str]) -> str:
    *rest, last = levels
    return f"{', '.join(rest)} and {last}" if rest else last


# --- for machines ----------------------------------------------------------------------------------


def _rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(key): _known(value) for key, value in row.items()} for row in frame.to_dict("records")]


def _known(value: Any) -> Any:
    return None if isinstance(value, float) and math.isnan(value) else value


def _worth_data(one: Any) -> dict[str, Any]:
    gains = [vars(gain) | {"response": gain.response.name} for gain in one.gains]
    cost = vars(one.cost) | {"total": one.cost.total} if one.cost is not None else None
    return vars(one) | {"gains": gains, "cost": cost}


def _window_data(one: Any) -> dict[str, Any]:
    kept = ("response", "risk", "method", "sentence", "notes")
    return {key: getattr(one, key) for key in kept} | {"waits": [vars(wait) for wait in one.waits]}


def _told_data(one: Any) -> dict[str, Any] | None:
    """Return what is told of loads or strengths, without the frames their pictures are drawn from."""
    if one is None:
        return None
    frames = ("points", "curve")
    values = {key: value for key, value in vars(one).items() if key not in frames}
    return {
        key: [vars(each) for each in value] if key in ("loads", "carriers") else value
        for key, value in values.items()
    }
