"""What a step of the finish costs one finished piece, and how much it has to bring to pay.

Touch hours are hours of hands on the piece; elapsed hours are those until the next step can begin. Only the first are
paid by the hour; the second cost nothing while they end within the working day, and a bench day for each day that
the piece stands. All amounts of money are in one currency, which is shown and never converted.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from trials import units
from trials.bench_choices import KINDS, Bench
from trials.errors import Problem, UserError, nearest
from trials.plan import Plan, Step
from trials.toml_source import Table

MINUTES_A_DAY = 1440.0

Only = tuple[tuple[str, tuple[str, ...]], ...]


@dataclass(frozen=True)
class StepCost:
    """One step as it is done on a whole finished piece, not on a sample board.

    Attributes
    ----------
    name : the plan's step, or one of its own.
    doing : what the work is called in a sentence, such as ``sealing``.
    liquid : a key of `trials.bench_choices.KINDS`, or empty where nothing liquid is put on.
    coats : how many.
    touch_h : hours of hands on the piece: applying, scuffing, cleaning up.
    elapsed_h : hours until the next step can begin.
    days : bench days the piece stands for it.
    consumables : what else is used up, in money.
    only : the levels of factors it is done for; empty for every piece.
    """

    name: str
    doing: str = ""
    liquid: str = ""
    coats: int = 1
    touch_h: float = 0.0
    elapsed_h: float = 0.0
    days: float = 0.0
    consumables: float = 0.0
    only: Only = ()

    def concerns(self, treatment: Mapping[str, str]) -> bool:
        """Whether it is done for a treatment; factors the treatment does not name do not stand in its way."""
        return all(treatment.get(factor, levels[0]) in levels for factor, levels in self.only)


@dataclass(frozen=True)
class Costs:
    """What material, work and waiting cost in this shop.

    Attributes
    ----------
    area_m2 : the surface of one finished piece.
    rate : an hour of work.
    currency, piece : what money is counted in, and what the finished thing is called, in words.
    day_value : a bench day that a piece blocks.
    prices, coverage : by liquid, a litre in money and the m² it covers.
    waste : how much more is used than the surface takes, 0.15 for 15 %.
    rework_hours, rework_material : what it takes to make a spoilt piece good.
    rework_risk : the share of pieces that is spoilt now, or None where the plan does not say.
    steps : what the steps take.
    """

    area_m2: float
    rate: float
    currency: str = ""
    piece: str = "piece"
    day_value: float = 0.0
    prices: tuple[tuple[str, float], ...] = ()
    coverage: tuple[tuple[str, float], ...] = ()
    waste: float = 0.0
    rework_hours: float = 0.0
    rework_material: float = 0.0
    rework_risk: float | None = None
    steps: tuple[StepCost, ...] = ()

    @property
    def rework(self) -> float:
        """What one rework costs."""
        return self.rework_hours * self.rate + self.rework_material

    def money(self, amount: float) -> str:
        """Return an amount as it is read: ``42``, ``7.50 euro`` below ten where it is not whole."""
        shown = f"{amount:.2f}" if abs(amount) < 10 and abs(amount - round(amount)) >= 0.005 else f"{amount:.0f}"
        return f"{shown} {self.currency}".strip()


@dataclass(frozen=True)
class Cost:
    """What something costs one piece, in its parts; touch and elapsed hours apart.

    Attributes
    ----------
    volume_ml : how much liquid it takes, the waste in it.
    material, work, waiting, consumables : money.
    touch_h, elapsed_h, days : hours of hands, hours until the next step, bench days.
    """

    volume_ml: float = 0.0
    material: float = 0.0
    work: float = 0.0
    waiting: float = 0.0
    consumables: float = 0.0
    touch_h: float = 0.0
    elapsed_h: float = 0.0
    days: float = 0.0

    @property
    def total(self) -> float:
        """All of it in money."""
        return self.material + self.work + self.waiting + self.consumables

    def __add__(self, other: Cost) -> Cost:
        return Cost(*(getattr(self, name) + getattr(other, name) for name in self.__dataclass_fields__))

    def __sub__(self, other: Cost) -> Cost:
        return Cost(*(getattr(self, name) - getattr(other, name) for name in self.__dataclass_fields__))


def volume_ml(area_m2: float, coverage_m2_l: float, coats: int = 1, waste: float = 0.0) -> float:
    """Return how much liquid an area takes: area × coats / coverage × (1 + waste)."""
    if min(area_m2, coverage_m2_l) <= 0 or coats < 1 or waste < 0:
        raise ValueError("area and coverage lie above 0, coats are 1 or more, waste is not below 0")
    return area_m2 * coats * 1000 / coverage_m2_l * (1 + waste)


def step_cost(costs: Costs, step: StepCost) -> Cost:
    """Return what a step costs one piece: material + touch hours × rate + days × bench day + consumables.

    Raises
    ------
    UserError
        The step puts on a liquid whose price or coverage is not given.
    """
    volume = material = 0.0
    if step.liquid:
        price, coverage = dict(costs.prices).get(step.liquid), dict(costs.coverage).get(step.liquid)
        for value, key, example in ((price, "price", "18.5"), (coverage, "coverage", '"9.8 m^2/L"')):
            if value is None:
                what = (
                    f"what {step.name!r} costs cannot be reckoned: the {key} of its {KINDS[step.liquid]} is missing"
                )
                raise UserError(Problem(what, f"add {key} = {{ {step.liquid} = {example} }} to [costs]"))
        assert price is not None
        assert coverage is not None
        volume = volume_ml(costs.area_m2, coverage, step.coats, costs.waste)
        material = volume / 1000 * price
    return Cost(
        volume_ml=volume, material=material, work=step.touch_h * costs.rate, waiting=step.days * costs.day_value,
        consumables=step.consumables, touch_h=step.touch_h, elapsed_h=step.elapsed_h, days=step.days,
    )  # fmt: skip


def treatment_cost(costs: Costs, treatment: Mapping[str, str]) -> Cost:
    """Return what the steps that a treatment goes through cost one piece."""
    return sum((step_cost(costs, step) for step in costs.steps if step.concerns(treatment)), Cost())


def extra_cost(costs: Costs, factor: str, first: str, second: str) -> Cost:
    """Return what the second level of a factor costs beyond the first, all else alike."""
    concerned = [step for step in costs.steps if any(name == factor for name, _ in step.only)]
    narrowed = replace(costs, steps=tuple(concerned))
    return treatment_cost(narrowed, {factor: second}) - treatment_cost(narrowed, {factor: first})


def break_even_risk(extra: float, rework: float) -> float:
    """Return how much of the rework an extra cost has to save to pay, as a share of pieces; above 1 it cannot."""
    if rework < 0:
        raise ValueError(f"a rework cannot cost {rework:g}")
    if extra <= 0:
        return 0.0
    return extra / rework if rework > 0 else math.inf


def price_of_one(extra: float, gain: float) -> float:
    """Return what one grade (or one of the response's unit) costs; infinite where nothing is gained."""
    return extra / gain if gain > 0 else math.inf


def wait_days(elapsed_h: float, day_min: float) -> float:
    """Return the bench days a wait takes: none within a shop day, else whole days, begun ones counted."""
    minutes = elapsed_h * 60
    return 0.0 if minutes <= day_min else float(math.ceil(minutes / MINUTES_A_DAY))


# --- in words --------------------------------------------------------------------------------------


def sentence(costs: Costs, step: StepCost) -> str:
    """Say what a step costs a piece, at once and left over night, and what rework it has to save."""
    same_day, over_night = (step_cost(costs, replace(step, days=days)) for days in (0.0, 1.0))
    doing = step.doing or step.name
    parts = [(same_day.material, "material"), (same_day.work, "of work"), (same_day.consumables, "consumables")]
    shown = ", ".join(f"{amount:.0f} {what}" for amount, what in parts if amount)
    said = f"{doing[:1].upper()}{doing[1:]} costs {costs.money(same_day.total)} a {costs.piece}"
    said += f" ({shown})" if shown else ""
    if costs.day_value:
        said += f" if the next step follows the same day, {costs.money(over_night.total)} if it stands over night"
    if not costs.rework:
        return f"{said}."
    said += f"; at a rework of {costs.money(costs.rework)} {_pays(same_day.total, costs.rework)}"
    if costs.day_value:
        said += f", over night {_pays(over_night.total, costs.rework)}"
    return f"{said}."


def hours_sentence(cost: Cost) -> str:
    """Say the touch hours and the elapsed hours of an extra cost, never added up; less where it saves them."""
    days = f"{abs(cost.days):.3g} bench day{'' if abs(cost.days) == 1 else 's'}"
    parts = [(cost.touch_h, _hours(cost.touch_h), " work"), (cost.elapsed_h, _hours(cost.elapsed_h), " waiting")]
    parts.append((cost.days, days, ""))
    said = [f"{words} {'more' if size > 0 else 'less'}{what}" for size, words, what in parts if size]
    return f"It takes {' and '.join(said)}." if said else "It takes no time more."


def _hours(hours: float) -> str:
    return f"{60 * abs(hours):.0f} min" if abs(hours) < 1 else f"{abs(hours):.3g} h"


def _pays(extra: float, rework: float) -> str:
    share = break_even_risk(extra, rework)
    if share > 1:
        return "it cannot pay by rework saved alone"
    return f"it pays if it saves rework in {100 * share:.0f} of 100 pieces"


# --- from the plan ---------------------------------------------------------------------------------


def read(table: Table, bench: Bench) -> Costs:
    """Read the [costs] table of a plan; faults are noted at their keys.

    Parameters
    ----------
    table : with the keys below.
    bench : whose coverages serve where [costs] gives none, and whose day a wait may end within.

    Notes
    -----
    Amounts of money are bare numbers, all else has its unit::

        [costs]
        currency = "euro"
        piece = "counter"             # what the finished thing is called
        area = "3.7 m^2"              # of one of them
        rate = 45                     # an hour of work
        day_value = 60                # a bench day that a piece blocks
        waste = "15 %"
        price = { seal_coat = 18.5 }                # a litre: dye, seal_coat, glaze, top_coat
        coverage = { seal_coat = "9.8 m^2/L" }      # else the bench's
        rework = "5 h"                # hands-on time to make a spoilt piece good
        rework_material = 20
        rework_risk = "10 %"          # pieces spoilt now

        [[costs.step]]
        name = "seal coat on the sealed lanes"      # a step of the plan, which gives `only`
        doing = "sealing"
        liquid = "seal_coat"
        coats = 1
        hands = "45 min"              # for one finished piece
        elapsed = "2 h"               # until the next step can begin
        stands = "1 day"              # bench days it blocks; reckoned from `elapsed` if not given
        consumables = 0
        only = { seal_coat = "shellac 1 lb cut" }   # where it is no step of the plan
    """
    table.allow(
        (
            "currency", "piece", "area", "rate", "day_value", "waste", "price", "coverage", "rework",
            "rework_material", "rework_risk", "step",
        )
    )  # fmt: skip
    for key, example in (("area", '"3.7 m^2"'), ("rate", "45")):
        if key not in table:
            table.fault(None, f"{key!r} is missing here", f"add {key} = {example}")
    coverage = {name: dict(bench.coverage).get(words) for name, words in KINDS.items()}
    coverage |= _by_liquid(table, "coverage")
    risk = _quantity(table, "rework_risk", "share") / 100
    if risk > 1:
        table.fault(
            "rework_risk", f"rework_risk is {table.values['rework_risk']!r}", "write a share of 100 % at most"
        )
    return Costs(
        area_m2=_quantity(table, "area", "area", above=True),
        rate=_money(table, "rate"),
        currency=table.text("currency", "") if "currency" in table else "",
        piece=table.text("piece", "piece"),
        day_value=_money(table, "day_value"),
        prices=tuple((name, value) for name, value in _by_liquid(table, "price").items() if value is not None),
        coverage=tuple((name, value) for name, value in coverage.items() if value is not None),
        waste=_quantity(table, "waste", "share") / 100,
        rework_hours=_quantity(table, "rework", "time") / 60,
        rework_material=_money(table, "rework_material"),
        rework_risk=risk if "rework_risk" in table else None,
        steps=tuple(_step(one, bench.day_min) for one in table.tables("step")),
    )


def for_plan(costs: Costs, plan: Plan) -> Costs:
    """Return costs whose steps take from the plan's steps of the same name whom they are for.

    Raises
    ------
    UserError
        A step names a factor or a level that the plan does not have.
    """
    own = {step.name: step for step in plan.steps}
    steps = tuple(_like(step, own[step.name]) if step.name in own else step for step in costs.steps)
    for step in steps:
        for name, levels in step.only:
            known = [factor.name for factor in plan.factors]
            if name not in known:
                raise UserError(
                    Problem(
                        f"the cost of {step.name!r} is for a factor {name!r} there is none of", nearest(name, known)
                    )
                )
            for level in levels:
                if level not in plan.factor(name).levels:
                    what = f"the cost of {step.name!r} is for {level!r}, which is not a level of {name}"
                    raise UserError(Problem(what, nearest(level, plan.factor(name).levels)))
    return replace(costs, steps=steps)


def _like(step: StepCost, own: Step) -> StepCost:
    return step if step.only else replace(step, only=own.only)


def _step(table: Table, day_min: float) -> StepCost:
    table.allow(("name", "doing", "liquid", "coats", "hands", "elapsed", "stands", "consumables", "only"))
    elapsed = _quantity(table, "elapsed", "time") / 60
    days = _quantity(table, "stands", "time") / MINUTES_A_DAY if "stands" in table else wait_days(elapsed, day_min)
    only = table.values.get("only", {})
    if not isinstance(only, dict):
        table.fault("only", f"only is {only!r}", 'write it as only = { seal_coat = "shellac 1 lb cut" }')
        only = {}
    levels = {name: value if isinstance(value, list) else [value] for name, value in only.items()}
    for name, each in levels.items():
        if not each or not all(isinstance(level, str) for level in each):
            table.fault("only", f"only names {each!r} for {name}", "write levels between quotation marks")
    return StepCost(
        name=table.text("name"),
        doing=table.text("doing", "") if "doing" in table else "",
        liquid=table.choice("liquid", KINDS) if "liquid" in table else "",
        coats=table.count("coats", 1, 1, 20),
        touch_h=_quantity(table, "hands", "time") / 60,
        elapsed_h=elapsed,
        days=days,
        consumables=_money(table, "consumables"),
        only=tuple((name, tuple(str(level) for level in each)) for name, each in levels.items() if each),
    )


def _money(table: Table, key: str) -> float:
    amount = table.number(key)
    if amount is not None and amount < 0:
        table.fault(key, f"{key} is {amount:g}", "write an amount of money of 0 or more, without quotes")
    return amount or 0.0


def _quantity(table: Table, key: str, kind: str, *, above: bool = False) -> float:
    if key not in table:
        return 0.0
    try:
        amount = units.read(table.values[key], kind).amount
    except UserError as error:
        table.fault(key, f"{key}: {error.problems[0].what}", error.problems[0].cure)
        return 0.0
    if amount < 0 or (above and amount == 0):
        table.fault(key, f"{key} is {table.values[key]!r}", f"write one {'above 0' if above else 'of 0 or more'}")
        return 0.0
    return amount


def _by_liquid(table: Table, key: str) -> dict[str, float | None]:
    """Return amounts by liquid: bare prices, or coverages with their unit."""
    written = table.values.get(key, {})
    if not isinstance(written, dict):
        table.fault(key, f"{key} is {written!r}", f"write it by liquid, such as {{ dye = … }}: {', '.join(KINDS)}")
        return {}
    inner = Table(table.source, (*table.path, key), written)
    inner.allow(KINDS)
    if key == "price":
        return {name: _money(inner, name) for name in written if name in KINDS}
    return {name: _quantity(inner, name, "spread", above=True) or None for name in written if name in KINDS}
