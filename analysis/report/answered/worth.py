"""What a step brings, and what it costs."""

from __future__ import annotations

import math

from analysis.answers import Answers
from analysis.decide import decimals
from analysis.report import words
from analysis.report.parts import Group, Section, Table
from analysis.report.words import said
from analysis.schedules import Gain, Worth
from analysis.schedules.ranking import share_words
from trials.level import per_cent
from trials.plan import Plan


def worth(plan: Plan, found: Answers) -> Section:
    """Set what each step brings beside what it costs."""
    groups = []
    for one in found.worth:
        heading = words.clean(f"{words.capital(plan.factor(one.factor).words)}: {one.second} instead of {one.first}")
        tables = [_gains_table(plan, one)]
        if one.cost is not None and plan.priced is not None:
            tables.append(_cost_table(plan, one))
        groups.append(Group(heading, said(one.sentences), tables=tuple(tables)))
    return Section(found.later("worth"), groups=tuple(groups))


def _gains_table(plan: Plan, one: Worth) -> Table:
    rows, levels = [], {gain.level for gain in one.gains if not math.isnan(gain.level)}
    for gain in one.gains:
        digits = decimals(gain.lower, gain.upper)
        price = ""
        if one.cost is not None and plan.priced is not None and math.isfinite(gain.price_of_one):
            price = plan.priced.money(gain.price_of_one)
        rows.append(
            (
                gain.response.words, words.number(gain.gain, digits), words.interval(gain.lower, gain.upper, digits),
                "" if gain.worth is None else f"{gain.worth:g}",
                "" if math.isnan(gain.chance) else share_words(gain.chance),
                _verdict(gain), price,
            )
        )  # fmt: skip
    columns = (
        "response",
        "gain",
        f"{per_cent(min(levels))} interval" if len(levels) == 1 else "interval",
        "worth having",
        "chance to reach it",
        "verdict",
        "price of one grade or unit",
    )
    return Table(
        caption=f"What {plan.factor(one.factor).words} brings, counted towards each aim",
        columns=columns,
        numeric=(False, True, True, True, True, False, True),
        rows=tuple(tuple(map(words.clean, row)) for row in rows),
        source="tables/worth.csv",
    )


def _verdict(gain: Gain) -> str:
    if gain.worth is None:
        return "not asked beforehand"
    return gain.verdict if gain.asked else f"{gain.verdict} (asked later)"


def _cost_table(plan: Plan, one: Worth) -> Table:
    costs, cost = plan.priced, one.cost
    assert costs is not None
    assert cost is not None
    rows = [
        ("material", costs.money(cost.material)), ("work", costs.money(cost.work)),
        ("bench days blocked", costs.money(cost.waiting)), ("consumables", costs.money(cost.consumables)),
        ("in all", costs.money(cost.total)), ("hours of hands", words.plain(cost.touch_h)),
        ("hours until the next step", words.plain(cost.elapsed_h)), ("one rework", costs.money(costs.rework)),
    ]  # fmt: skip
    if costs.rework_risk is not None:
        rows.append(("reworked now", f"{100 * costs.rework_risk:.0f} of 100"))
    if costs.rework and math.isfinite(one.break_even):
        rows.append(("pays by rework saved in", f"{100 * one.break_even:.0f} of 100"))
    return Table(
        caption=f"What it costs one {words.clean(costs.piece)} more",
        columns=("of", "amount"),
        numeric=(False, True),
        rows=tuple(tuple(map(words.clean, row)) for row in rows),
        source="tables/costs.csv",
    )
