"""Whether what a step brings is worth what it costs, and what the likeliest combinations cost."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import pandas as pd
from scipy.special import stdtr

from analysis.decide import CANNOT_BE_TOLD, Decision, Finding, compare, decimals, judge
from analysis.responses import Analysis
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
from trials.level import per_cent
from trials.plan import Plan, Question, Response


@dataclass(frozen=True)
class Gain:
    """What a step brings to one response, counted towards its aim.

    Attributes
    ----------
    response, asked, worth : what it is about; `worth` is None where none was named.
    gain, lower, upper, level : in the response's unit with the interval and its level; NaN where nothing can be told.
    verdict : as `analysis.decide.judge`; empty where no worth was named.
    chance : that the gain reaches the worth, by the t distribution of the estimate; NaN where there is none.
    price_of_one, price_lower, price_upper : money for one grade or unit gained, with the interval that the gain's
        implies; infinite where the gain may be none, NaN without costs.
    depends : on what the gain depends, as the finding says.
    why_not : why nothing can be told.
    """

    response: Response
    asked: bool
    worth: float | None
    gain: float = math.nan
    lower: float = math.nan
    upper: float = math.nan
    level: float = math.nan
    verdict: str = CANNOT_BE_TOLD
    chance: float = math.nan
    price_of_one: float = math.nan
    price_lower: float = math.nan
    price_upper: float = math.nan
    depends: tuple[str, ...] = ()
    why_not: str = ""

    @property
    def sign(self) -> int:
        """1 where it is clearly better, -1 where clearly worse, 0 where it may be either."""
        return 1 if self.lower > 0 else -1 if self.upper < 0 else 0


@dataclass(frozen=True)
class Worth:
    """What taking one level of a factor instead of another brings and costs.

    Attributes
    ----------
    factor, first, second : what is said is said of `second` instead of `first`.
    gains : one a response, those asked about first.
    cost : of the second level beyond the first, for one finished piece; None where the plan gives none for it.
    break_even : the share of pieces whose rework it has to save; above 1 it cannot pay by that alone, NaN without
        costs.
    sentences : all of it in words.
    """

    factor: str
    first: str
    second: str
    gains: tuple[Gain, ...]
    cost: Cost | None
    break_even: float
    sentences: tuple[str, ...]


def worth_it(decision: Decision, plan: Plan) -> tuple[Worth, ...]:
    """Put what each step that was asked about brings beside what it costs.

    Returns
    -------
    One for each factor of a question whose two levels are settled: it has two, or the question names a pair. Gains
    are given for every response, those not asked about without a verdict.

    Raises
    ------
    UserError
        A cost is for a factor or level the plan does not have, or lacks a price or a coverage.
    """
    asked = [
        (finding, pair)
        for question, finding in zip(plan.questions, decision.findings, strict=True)
        if (pair := _pair(question, finding, plan))
    ]
    pairs = dict.fromkeys((finding.factor, pair) for finding, pair in asked)
    return tuple(
        _worth(
            decision, plan, factor, pair, _first([one for one, its in asked if (one.factor, its) == (factor, pair)])
        )
        for factor, pair in pairs
    )


def _first(asked: Sequence[Finding]) -> list[Finding]:
    """Leave out what was asked once more, with another worth, after the boards were laid out."""
    before = {one.response for one in asked if one.asked}
    return [one for one in asked if one.asked or one.response not in before]


def _pair(question: Question, finding: Finding, plan: Plan) -> tuple[str, str] | None:
    """Return the two levels a question is about, the first one as it was named; None where it is about more."""
    levels = question.between or plan.factor(question.factor).levels
    if len(levels) != 2:
        return None
    if finding.leading is not None:
        return finding.leading.first, finding.leading.second
    return levels[0], levels[1]


def _worth(decision: Decision, plan: Plan, factor: str, pair: tuple[str, str], asked: Sequence[Finding]) -> Worth:
    gains, cost, share = list(_gains(decision, plan, asked, pair)), _cost(plan, factor, *pair), math.nan
    if cost is not None and plan.priced is not None:
        gains = [_priced(one, cost.total) for one in gains]
        share = break_even_risk(cost.total, plan.priced.rework)
    said = _sentences(decision, plan, factor, pair, gains, cost)
    return Worth(factor, *pair, tuple(gains), cost, share, tuple(dict.fromkeys(said)))


def _cost(plan: Plan, factor: str, first: str, second: str) -> Cost | None:
    """Return what the second level costs beyond the first, None where no step of the costs is about the factor."""
    if plan.priced is None:
        return None
    own = for_plan(plan.priced, plan)
    if not any(name == factor for step in own.steps for name, _ in step.only):
        return None
    return extra_cost(own, factor, first, second)


def _gains(decision: Decision, plan: Plan, asked: Sequence[Finding], pair: tuple[str, str]) -> Iterator[Gain]:
    """Give the gain in each response, those with a question of this pair before the others."""
    analyses = {one.response.name: one for one in decision.analyses}
    seen = {one.response for one in asked}
    rest = [one for one in decision.also_seen if one.factor == asked[0].factor and one.response not in seen]
    for one in (*asked, *rest):
        yield _gain(one, plan, analyses.get(one.response), *pair)


def _gain(finding: Finding, plan: Plan, analysis: Analysis | None, first: str, second: str) -> Gain:
    """Return one response's gain, with an interval of its own also where the finding compares more levels."""
    response, made, level = plan.response(finding.response), finding.comparisons, finding.level
    if len(made) > 1 and analysis is not None:
        found, level = compare(analysis, plan.factor(finding.factor), (first, second))
        made = tuple(found)
    if not made:
        _, _, why = finding.sentence.partition(" cannot be told: ")
        return Gain(response, finding.asked, finding.worth, why_not=why or finding.sentence)
    one = made[0] if made[0].second == second else made[0].turned()
    chance = math.nan
    if finding.worth is not None and one.se > 0:
        chance = float(stdtr(one.df, (one.gain - finding.worth) / one.se))
    verdict = judge(one, finding.worth) if finding.worth is not None else ""
    return Gain(
        response, finding.asked, finding.worth, one.gain, one.gain_lower, one.gain_upper, level, verdict, chance,
        depends=finding.depends,
    )  # fmt: skip


def _priced(gain: Gain, extra: float) -> Gain:
    if math.isnan(gain.gain):
        return gain
    found = [price_of_one(max(extra, 0.0), size) for size in (gain.gain, gain.upper, gain.lower)]
    return replace(gain, price_of_one=found[0], price_lower=found[1], price_upper=found[2])


# --- in words --------------------------------------------------------------------------------------


def _sentences(
    decision: Decision, plan: Plan, factor: str, pair: tuple[str, str], gains: Sequence[Gain], cost: Cost | None
) -> Iterator[str]:
    asked = [one for one in gains if one.worth is not None]
    yield f"{_capital(plan.factor(factor).words)} {pair[1]} instead of {pair[0]}: {_verdicts(asked)}."
    if cost is not None and plan.priced is not None:
        yield _cost_words(plan.priced, cost)
    else:
        yield "What it costs the plan does not say ([costs] in trial.toml)."
    yield from (_gain_words(one) for one in gains)
    if cost is not None and plan.priced is not None:
        yield from _pays(plan.priced, cost, asked)
        if cost.touch_h or cost.elapsed_h:
            yield hours_sentence(cost)
    yield from _disagreements(gains)
    analyses = {one.response.name: one for one in decision.analyses}
    yield from (line for one in asked for line in one.depends)
    for one in asked:
        if one.response.name in analyses:
            yield from _no_sign(analyses[one.response.name], factor)


def _verdicts(asked: Iterable[Gain]) -> str:
    found, by = list(asked), dict[str, list[str]]()
    for one in found:
        twice = sum(other.response.name == one.response.name for other in found) > 1
        at = f" (worth {one.worth:g})" if twice else ""
        by.setdefault(one.verdict, []).append(f"{one.response.words}{at}")
    return "; ".join(f"{verdict} for {' and '.join(names)}" for verdict, names in by.items())


def _cost_words(costs: Costs, cost: Cost) -> str:
    if abs(cost.total) < 0.005:
        return f"It costs a {costs.piece} no more."
    parts = [(cost.material, "material"), (cost.work, "work"), (cost.waiting, "waiting"),
             (cost.consumables, "consumables")]  # fmt: skip
    shown = ", ".join(f"{costs.money(amount)} of {what}" for amount, what in parts if abs(amount) >= 0.005)
    sense = "more" if cost.total > 0 else "less"
    return f"It costs a {costs.piece} {costs.money(abs(cost.total))} {sense} ({shown})."


def _gain_words(one: Gain) -> str:
    name = one.response.words
    if math.isnan(one.gain):
        return f"What it does to {name} cannot be told: {one.why_not}"
    digits = decimals(one.lower, one.upper)
    size = f"{abs(one.gain):.{digits}f}"
    amount = f"{size} {one.response.unit_words(float(size))} {_merit(one.gain)}"
    if float(size) == 0:
        amount = "no better and no worse"
    said = f"It makes {name} {amount} ({per_cent(one.level)} interval {_towards(one.lower, one.upper, digits)})"
    if one.worth is None:
        return f"{said}; not asked beforehand."
    worth = f"{one.worth:g} {one.response.unit_words(one.worth)}"
    later = "" if one.asked else "; asked after the boards were laid out, so exploratory"
    return f"{said}: the chance that it reaches the {worth} worth having is {share_words(one.chance)}{later}."


def _merit(gain: float) -> str:
    return "better" if gain >= 0 else "worse"


def _towards(lower: float, upper: float, digits: int) -> str:
    """Return ``0.12 to 0.52 worse`` or ``1.59 worse to 0.39 better``."""
    low, high = f"{abs(lower):.{digits}f}", f"{abs(upper):.{digits}f}"
    if lower >= 0 or upper <= 0:
        first, second = (low, high) if lower >= 0 else (high, low)
        return f"{first} to {second} {_merit(lower)}"
    return f"{low} worse to {high} better"


def _pays(costs: Costs, cost: Cost, asked: Iterable[Gain]) -> Iterator[str]:
    """Say at what gain and at what rework saved it breaks even."""
    if cost.total <= 0:
        yield "By the costs the plan gives it costs nothing more, so any gain pays."
        return
    for one in asked:
        if math.isnan(one.gain):
            continue
        unit, name = one.response.unit_words(1), one.response.words
        if not math.isfinite(one.price_of_one):
            yield f"It costs more, and {name} is no better for it."
            continue
        most = costs.money(one.price_upper) if math.isfinite(one.price_upper) else "no limit, for it may gain none"
        yield (
            f"You pay about {costs.money(one.price_of_one)} ({costs.money(one.price_lower)} to {most}) for one "
            f"{unit} of {name}."
        )
    if costs.rework:
        yield _rework_words(costs, break_even_risk(cost.total, costs.rework))


def _rework_words(costs: Costs, share: float) -> str:
    money = costs.money(costs.rework)
    if share > 1:
        return f"Fewer spoilt {costs.piece}s alone cannot pay for it: a rework costs {money}."
    needed = f"{100 * share:.0f} in 100"
    if costs.rework_risk is None:
        return f"Fewer spoilt {costs.piece}s alone pay for it if it saves {needed}; a rework costs {money}."
    now = f"{100 * costs.rework_risk:.0f} in 100 are spoilt now"
    if costs.rework_risk < share:
        return f"Fewer spoilt {costs.piece}s alone cannot pay for it: it would have to save {needed}, and only {now}."
    return f"Fewer spoilt {costs.piece}s alone pay for it if it saves {needed}; {now}."


def _no_sign(analysis: Analysis, factor: str) -> Iterator[str]:
    """Say of which factors there is no sign that the gain depends on them, and of which it cannot be told."""
    none: list[str] = []
    untold: list[str] = []
    response = analysis.response.words
    for other in analysis.plan.factors:
        if other.name == factor:
            continue
        effect = next((one for one in analysis.told.effects if set(one.factors) == {factor, other.name}), None)
        if effect is None or not effect.can_be_judged:
            untold.append(other.words)
        elif float(analysis.tests.loc[effect.name, "p"]) >= 1 - analysis.level:
            none.append(other.words)
    if none:
        yield f"There is no sign that its gain in {response} depends on {' or '.join(none)}."
    if untold:
        yield f"Whether its gain in {response} depends on {' or '.join(untold)} cannot be told from this layout."


def _disagreements(gains: Sequence[Gain]) -> Iterator[str]:
    """Say where the eye and the instrument say different things."""
    told = [one for one in gains if not math.isnan(one.gain)]
    seen = [one for one in told if one.response.kind != "measure"]
    measured = [one for one in told if one.response.kind == "measure"]
    for eye in seen:
        for meter in measured:
            alike = set(eye.response.name.split("_")) & set(meter.response.name.split("_"))
            if eye.sign * meter.sign < 0:
                better, worse = (eye, meter) if eye.sign > 0 else (meter, eye)
                yield (
                    f"Grades and measurements do not go one way: {better.response.words} gets better, "
                    f"{worse.response.words} worse. Decide which of the two the piece is judged by."
                )
            elif alike and eye.sign != meter.sign:
                clear, unclear = (eye, meter) if eye.sign else (meter, eye)
                way = "better" if clear.sign > 0 else "worse"
                yield (
                    f"Grades and measurements of one thing do not agree: {clear.response.words} is clearly {way}, "
                    f"{unclear.response.words} may be either."
                )
            elif alike:
                same = {1: "both say better", -1: "both say worse", 0: "neither shows a difference clear of chance"}
                names = f"{eye.response.words} and {meter.response.words}"
                yield f"Grades and measurements agree: of {names} {same[eye.sign]}."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


# --- combinations ----------------------------------------------------------------------------------


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
    said = [f"Of what the plan prices, the likeliest costs {costs.money(best['total'])} a {costs.piece}."]
    if table["total"].iloc[cheapest] < best["total"]:
        said.append(
            f"{_capital(treatment_words(treatments[cheapest]))} cannot be told from it and costs "
            f"{costs.money(table['total'].iloc[cheapest])} ({share_words(table['chance'].iloc[cheapest])})."
        )
    else:
        said.append("None of those that cannot be told from it is cheaper.")
    return said
