"""Whether what a step brings is worth what it costs, and what the likeliest combinations cost."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd
from scipy.special import stdtr

from analysis.decide import Finding, decimals
from analysis.schedules.ranking import Ranking, share_words, treatment_words
from trials.costs import (
    Cost,
    Costs,
    break_even_risk,
    extra_cost,
    for_plan,
    hours_sentence,
    price_of_one,
    treatment_cost,
)
from trials.plan import Plan


@dataclass(frozen=True)
class Worth:
    """A finding beside its cost.

    Attributes
    ----------
    cost : of the finding's second level beyond the first, for one finished piece.
    gain, gain_lower, gain_upper : the finding's, towards the aim.
    chance : that the gain reaches the worth, by the t distribution of the estimate; NaN where it cannot be told or
        no worth was named.
    price_of_one, price_lower, price_upper : money for one grade or unit gained, with the interval that the gain's
        implies; infinite where the gain may be none.
    break_even : the share of pieces whose rework it has to save; above 1 it cannot pay by that alone.
    depends : on what the gain depends, as the finding says.
    sentences : all of it in words.
    """

    cost: Cost
    gain: float
    gain_lower: float
    gain_upper: float
    chance: float
    price_of_one: float
    price_lower: float
    price_upper: float
    break_even: float
    depends: tuple[str, ...]
    sentences: tuple[str, ...]


def worth_it(finding: Finding, costs: Costs, plan: Plan) -> Worth:
    """Put what a finding's leading comparison gains beside what it costs.

    Parameters
    ----------
    finding : an answer; where nothing can be told the gain is NaN and the words say so.
    costs : as the plan gives them.

    Raises
    ------
    UserError
        A cost is for a factor or level the plan does not have, or lacks a price or a coverage.
    """
    leading = finding.leading
    if leading is None:
        nothing = (math.nan,) * 7
        return Worth(Cost(), *nothing, math.nan, (), (f"{finding.sentence} So its cost cannot be set against it.",))
    cost = extra_cost(for_plan(costs, plan), finding.factor, leading.first, leading.second)
    chance = math.nan
    if finding.worth is not None and leading.se > 0:
        chance = float(stdtr(leading.df, (leading.gain - finding.worth) / leading.se))
    prices = [
        price_of_one(max(cost.total, 0.0), gain) for gain in (leading.gain, leading.gain_upper, leading.gain_lower)
    ]
    found = Worth(
        cost, leading.gain, leading.gain_lower, leading.gain_upper, chance, prices[0], prices[1], prices[2],
        break_even_risk(cost.total, costs.rework), finding.depends, (),
    )  # fmt: skip
    return Worth(**(vars(found) | {"sentences": tuple(_sentences(finding, costs, plan, found))}))


def _sentences(finding: Finding, costs: Costs, plan: Plan, found: Worth) -> list[str]:
    leading, response = finding.leading, plan.response(finding.response)
    assert leading is not None
    factor = plan.factor(finding.factor).words
    digits = decimals(found.gain_lower, found.gain_upper)
    unit = response.unit_words(abs(found.gain))
    sense = "dearer" if found.cost.total > 0 else "cheaper"
    money = f"{costs.money(abs(found.cost.total))} {sense} a {costs.piece}" if found.cost.total else "no dearer"
    verb = "gains" if found.gain >= 0 else "loses"
    said = [
        f"{factor[:1].upper()}{factor[1:]} {leading.second} instead of {leading.first} is {money} and {verb} "
        f"{abs(found.gain):.{digits}f} {unit} of {response.words}, counted towards the aim (95% interval "
        f"{found.gain_lower:.{digits}f} to {found.gain_upper:.{digits}f})."
    ]
    if not math.isnan(found.chance):
        said.append(
            f"That it gains the {finding.worth:g} {response.unit_words(finding.worth or 0)} you said is worth having "
            f"has a chance of {share_words(found.chance)}."
        )
    said += _pays(costs, found, response.unit_words(1))
    if found.cost.touch_h or found.cost.elapsed_h:
        said.append(hours_sentence(found.cost))
    others = " or ".join(one.words for one in plan.factors if one.name != finding.factor)
    said += found.depends or ([f"There is no sign that the gain depends on {others}."] if others else [])
    return said


def _pays(costs: Costs, found: Worth, unit: str) -> list[str]:
    if found.cost.total <= 0:
        return ["By the costs the plan gives it costs nothing more, so any gain pays."]
    said = []
    if math.isfinite(found.price_of_one):
        most = (
            costs.money(found.price_upper)
            if math.isfinite(found.price_upper)
            else "no limit, for it may gain nothing"
        )
        said.append(
            f"One {unit} gained costs {costs.money(found.price_of_one)} ({costs.money(found.price_lower)} to {most})."
        )
    else:
        said.append("It costs more and gained nothing.")
    if costs.rework:
        said.append(_rework_words(costs, found.break_even))
    return said


def _rework_words(costs: Costs, share: float) -> str:
    money = costs.money(costs.rework)
    if share > 1:
        return f"A rework costs {money}: rework saved alone cannot pay for it."
    said = f"At a rework of {money} it pays by that alone if it saves rework in {100 * share:.0f} of 100 pieces"
    if costs.rework_risk is None:
        return f"{said}."
    now = f"{100 * costs.rework_risk:.0f} of 100 are reworked now"
    return f"{said}; {now}" + (", so it cannot." if costs.rework_risk < share else ".")


@dataclass(frozen=True)
class Priced:
    """The likeliest combinations and what each costs.

    Attributes
    ----------
    table : the first rows of a ranking with total, material, work, waiting, consumables, touch_h, elapsed_h, days.
    sentences : which is the cheapest that cannot be told from the best.
    """

    table: pd.DataFrame
    sentences: tuple[str, ...]


def by_cost(ranking: Ranking, costs: Costs, plan: Plan, count: int = 5) -> Priced:
    """Compare by cost the likeliest combinations of a ranking."""
    own = for_plan(costs, plan)
    told = ranking.table[ranking.table["chance"].notna()].head(count).reset_index(drop=True)
    if told.empty:
        return Priced(told, ("No combination can be told, so none is priced.",))
    treatments = [ranking.treatment(row) for row in range(len(told))]
    found = [treatment_cost(own, one) for one in treatments]
    parts = ("total", "material", "work", "waiting", "consumables", "touch_h", "elapsed_h", "days")
    table = told.assign(**{part: [getattr(cost, part) for cost in found] for part in parts})
    return Priced(table, tuple(_priced_words(costs, table, treatments)))


def _priced_words(costs: Costs, table: pd.DataFrame, treatments: Sequence[Mapping[str, str]]) -> list[str]:
    best, alike = table.iloc[0], table[~table["told_from_best"]]
    cheapest = int(alike["total"].astype(float).idxmin())
    said = [f"The likeliest costs {costs.money(best['total'])} a {costs.piece}."]
    if table["total"].iloc[cheapest] < best["total"]:
        said.append(
            f"{treatment_words(treatments[cheapest])} cannot be told from it and costs "
            f"{costs.money(table['total'].iloc[cheapest])} ({share_words(table['chance'].iloc[cheapest])})."
        )
    else:
        said.append("None of those that cannot be told from it is cheaper.")
    return said
