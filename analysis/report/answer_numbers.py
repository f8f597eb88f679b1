"""The numbers behind the answers beside the questions: worth, laps, loads, schedules, grades, next boards."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import pandas as pd

from analysis.answers import Answers
from analysis.curves.of_trial import LapWindow
from analysis.schedules import Worth
from trials.plan import Plan

WORTH = (
    "factor", "first", "second", "response", "asked", "worth", "gain", "lower", "upper", "verdict", "chance",
    "price_of_one", "price_lower", "price_upper",
)  # fmt: skip
COSTS = (
    "factor", "first", "second", "currency", "total", "material", "work", "waiting", "consumables", "volume_ml",
    "touch_h", "elapsed_h", "days", "rework", "rework_risk", "break_even",
)  # fmt: skip
LAP_WINDOWS = (
    "response", "at", "carrier", "minutes", "lower", "upper", "no_limits", "method", "piece_s", "helper_s", "verdict",
    "bay_m2", "sentence",
)  # fmt: skip
LAP_POINTS = ("response", "carrier", "minutes", "seen", "looks", "share")
LAP_CURVES = ("response", "carrier", "minutes", "chance")
DARK_ENOUGH = ("response", "target", "carrier", "load", "lower", "upper", "within", "sentence")
STRENGTH = ("response", "carrier", "reference", "times", "lower", "upper", "parallel_p", "linear_p", "sentence")
DYE_POINTS = ("response", "carrier", "load", "value")
CONFIRMATION = ("response", "patches", "readings", "mean", "lower", "upper", "interval_level", "sentence")
THREE_WAYS = (
    "response", "factor", "first", "second", "about", "way", "chosen", "agree", "estimate", "lower", "upper",
    "interval_level", "p", "p_holm", "odds", "odds_lower", "odds_upper", "judged", "why_not", "sentence",
)  # fmt: skip
SCHEDULES = (
    "state", "chance", "lower", "upper", "monte_carlo_se", "behind", "behind_lower", "behind_upper", "told_from_best",
)  # fmt: skip
PRICED = ("total", "material", "work", "waiting", "consumables", "touch_h", "elapsed_h", "days")


def build(plan: Plan, found: Answers) -> dict[str, pd.DataFrame]:
    """Return every table by the name of its file, each with its columns whatever was found.

    Returns
    -------
    worth and costs (of the steps asked about), lap_windows, lap_points and lap_curves (return times in minutes),
    dark_enough and strength (loads in g/L) with dye_points and dye_curves, schedules (a row a combination) and
    schedule_costs, confirmation, three_ways (a row a way of counting grades), next_boards (a row a patch).
    """
    ranked = found.schedules
    ranking = ranked.ranking if ranked is not None else None
    priced = ranked.priced if ranked is not None else None
    factors = tuple(factor.name for factor in plan.factors)
    windows = found.laps.windows if found.laps is not None else ()
    told = [one for one in (found.dark, found.strength) if one is not None]
    schedules = (*factors, *SCHEDULES)
    return {
        "worth": _frame(WORTH, (row for one in found.worth for row in _worth(one))),
        "costs": _frame(COSTS, (row for one in found.worth for row in _costs(plan, one))),
        "lap_windows": _frame(LAP_WINDOWS, (row for one in windows for row in _window(found, one))),
        "lap_points": _stacked(LAP_POINTS, ((one.response, one.points) for one in windows)),
        "lap_curves": _stacked(LAP_CURVES, ((one.response, one.curve) for one in windows)),
        "dark_enough": _frame(DARK_ENOUGH, _dark(found)),
        "strength": _frame(STRENGTH, _strength(found)),
        "dye_points": _stacked(DYE_POINTS, ((one.response, one.points) for one in told[:1])),
        "dye_curves": _stacked(DYE_POINTS, ((one.response, one.curve) for one in told[:1])),
        "schedules": ranking.table if ranking is not None else _frame(schedules, ()),
        "schedule_costs": priced.table if priced is not None else _frame((*schedules, *PRICED), ()),
        "confirmation": _frame(CONFIRMATION, _confirmation(found)),
        "three_ways": _frame(THREE_WAYS, _ways(found)),
        "next_boards": _next(plan, found),
    }


def _frame(columns: tuple[str, ...], rows: Iterable[Mapping[str, Any]]) -> pd.DataFrame:
    return pd.DataFrame(list(rows), columns=list(columns))


def _stacked(columns: tuple[str, ...], frames: Iterable[tuple[str, pd.DataFrame]]) -> pd.DataFrame:
    """Return frames one beneath the other, each with its response."""
    parts = [frame.assign(response=response) for response, frame in frames if len(frame)]
    return pd.concat(parts, ignore_index=True)[list(columns)] if parts else _frame(columns, ())


def _worth(one: Worth) -> Iterator[dict[str, Any]]:
    for gain in one.gains:
        row = {key: value for key, value in vars(gain).items() if key in WORTH}
        yield row | {"factor": one.factor, "first": one.first, "second": one.second, "response": gain.response.name}


def _costs(plan: Plan, one: Worth) -> Iterator[dict[str, Any]]:
    if one.cost is None or plan.priced is None:
        return
    yield vars(one.cost) | {
        "factor": one.factor, "first": one.first, "second": one.second, "currency": plan.priced.currency,
        "total": one.cost.total, "rework": plan.priced.rework, "rework_risk": plan.priced.rework_risk,
        "break_even": one.break_even,
    }  # fmt: skip


def _window(found: Answers, one: LapWindow) -> Iterator[dict[str, Any]]:
    """Give a row a carrier; the piece is held to the first window only."""
    assert found.laps is not None
    against = found.laps.against if one is found.laps.windows[0] else None
    held = {answer.carrier: answer for answer in against.answers} if against is not None else {}
    for wait in one.waits:
        row: dict[str, Any] = vars(wait) | {"response": one.response, "at": one.risk, "method": one.method}
        if against is not None and wait.carrier in held:
            row |= {"piece_s": against.piece_s, "helper_s": against.helper_s}
            row |= {"verdict": held[wait.carrier].verdict, "bay_m2": held[wait.carrier].bay_m2}
            row |= {"sentence": held[wait.carrier].sentence}
        yield row


def _dark(found: Answers) -> Iterator[dict[str, Any]]:
    if found.dark is not None:
        for load in found.dark.loads:
            yield vars(load) | {"response": found.dark.response, "target": found.dark.target}


def _strength(found: Answers) -> Iterator[dict[str, Any]]:
    one = found.strength
    if one is not None:
        for carrier in one.carriers:
            yield vars(carrier) | {
                "response": one.response, "parallel_p": one.parallel_p, "linear_p": one.linear_p,
            }  # fmt: skip


def _confirmation(found: Answers) -> Iterator[dict[str, Any]]:
    if found.schedules is not None:
        for one in found.schedules.confirmation:
            yield {key: value for key, value in vars(one).items() if key in CONFIRMATION} | {
                "response": one.response.name, "interval_level": one.level,
            }  # fmt: skip


def _ways(found: Answers) -> Iterator[dict[str, Any]]:
    for one in found.ways:
        for way in one.ways:
            yield vars(way) | {
                "response": one.question.response, "factor": one.question.factor, "first": one.first,
                "second": one.second, "about": one.about, "way": way.name, "chosen": way is one.led,
                "agree": one.agree, "sentence": one.sentence, "interval_level": way.level, "p_holm": way.p_all,
            }  # fmt: skip


def _next(plan: Plan, found: Answers) -> pd.DataFrame:
    if found.next.boards is not None:
        return found.next.boards.layout.patches
    names = ("patch", "lot", "board", "lane", "strip", "board_order", *(one.name for one in plan.factors), "control")
    return _frame(names, ())
