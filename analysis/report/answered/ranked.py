"""Which schedule meets the brief."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping
from typing import Any

from analysis.answers import Answers, Schedules
from analysis.report import curve_figures, evidence, words
from analysis.report.parts import Group, Picture, Section, Table
from analysis.report.words import said
from analysis.schedules import Ranking
from trials.plan import Plan


def schedules(plan: Plan, found: Answers) -> Section:
    """Say which combinations of levels meet the brief, with what chance and at which cost."""
    ranked = found.schedules
    assert ranked is not None
    opening = found.later("schedules")
    if ranked.ranking is None:
        return Section(said([ranked.why_not, *opening]))
    priced = ranked.priced.sentences if ranked.priced is not None else ()
    groups = []
    if ranked.ranking.best is not None:
        groups.append(Group("The likeliest", (), (_picture(plan, ranked.ranking),), tuple(_tables(plan, ranked))))
    groups.append(Group("How the chances were got", said(ranked.ranking.notes)))
    return Section(said([*ranked.ranking.sentences, *priced, *opening]), groups=tuple(groups))


def _picture(plan: Plan, ranking: Ranking) -> Picture:
    figure, told = curve_figures.chances(ranking), curve_figures.chances_told(ranking)
    caption = curve_figures.chances_caption(ranking)
    return evidence.picture(plan, figure, "chances", "Chance of meeting the brief", caption, told, "schedules")


def _tables(plan: Plan, ranked: Schedules) -> Iterator[Table]:
    yield _likeliest(plan, ranked)
    if ranked.priced is not None:
        yield _prices(plan, ranked)


def _likeliest(plan: Plan, ranked: Schedules) -> Table:
    assert ranked.ranking is not None
    table = ranked.ranking.table[ranked.ranking.table["chance"].notna()].head(curve_figures.SHOWN)
    rows = []
    for at, row in enumerate(table.to_dict("records")):
        as_good = "the best" if at == 0 else "no" if row["told_from_best"] else "yes"
        cells = (
            _levels(plan, row), f"{100 * row['chance']:.0f}", f"{100 * row['lower']:.0f} to {100 * row['upper']:.0f}",
            as_good, str(row["state"]),
        )  # fmt: skip
        rows.append(tuple(map(words.clean, cells)))
    return Table(
        caption="The likeliest schedules",
        columns=(_heads(plan), "chance, of 100", "95% interval", "may be as good as the best", "tried"),
        numeric=(False, True, True, False, False),
        rows=tuple(rows),
        notes=("Chance that a patch of a new board meets all of the brief. Every combination stands in the file.",),
        source="tables/schedules.csv",
    )


def _prices(plan: Plan, ranked: Schedules) -> Table:
    assert ranked.priced is not None
    assert plan.priced is not None
    money = plan.priced.money
    rows = []
    for row in ranked.priced.table.to_dict("records"):
        amounts = (money(row[name]) for name in ("total", "material", "work", "waiting", "consumables"))
        cells = (_levels(plan, row), *amounts, words.plain(row["touch_h"]), words.plain(row["elapsed_h"]))
        rows.append(tuple(map(words.clean, cells)))
    heads = ("in all", "material", "work", "bench days", "consumables", "hours of hands", "hours until the next step")
    return Table(
        caption=f"What the best few cost one {words.clean(plan.priced.piece)}, of what the plan prices",
        columns=(_heads(plan), *heads),
        numeric=(False, *(True for _ in heads)),
        rows=tuple(rows),
        source="tables/schedule_costs.csv",
    )


def _heads(plan: Plan) -> str:
    return ", ".join(factor.words for factor in plan.factors)


def _levels(plan: Plan, row: Mapping[Hashable, Any]) -> str:
    return ", ".join(str(row[factor.name]) for factor in plan.factors)
