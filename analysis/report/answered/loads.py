"""Which load is dark enough, and how strong the carriers are."""

from __future__ import annotations

import math

from analysis.answers import Answers
from analysis.curves.of_trial import DarkEnough, Strength
from analysis.report import curve_figures, evidence, words
from analysis.report.parts import Group, Picture, Section, Table
from analysis.report.words import said
from trials.plan import Plan


def loads(plan: Plan, found: Answers) -> Section:
    """Say which load of each carrier is dark enough, and how many times as much one needs as another."""
    groups = []
    if found.dark is not None:
        dark = found.dark
        rows = [
            (load.carrier or "all", _grams(load.load), _grams(load.lower), _grams(load.upper),
             "yes" if load.within else "no")
            for load in dark.loads
        ]  # fmt: skip
        table = Table(
            caption="Load that is dark enough (g/L)",
            columns=("carrier", "load", "from", "to", "inside the loads tried"),
            numeric=(False, True, True, True, False),
            rows=tuple(tuple(map(words.clean, row)) for row in rows),
            notes=("Limits are 95% ones after Fieller (1954). No figure is given far outside what was tried.",),
            source="tables/dark_enough.csv",
        )
        shown, pictures = (table,) if rows else (), (_picture(plan, dark, "dark-enough"),) if rows else ()
        sentences = said((dark.sentence, *dark.notes, *found.later("dark")))
        groups.append(Group("Dark enough", sentences, pictures, shown))
    if found.strength is not None:
        groups.append(_strength(plan, found))
    return Section(groups=tuple(groups))


def _strength(plan: Plan, found: Answers) -> Group:
    strength = found.strength
    assert strength is not None
    rows = [
        (one.carrier, one.reference, words.number(one.times, 2), words.interval(one.lower, one.upper, 2))
        for one in strength.carriers
    ]
    tests = [
        f"{name}: {words.p_phrase(p)}" if not math.isnan(p) else f"{name}: not to be tested with these loads"
        for name, p in (("that the lines are parallel", strength.parallel_p),
                        ("that they are straight", strength.linear_p))
    ]  # fmt: skip
    table = Table(
        caption="Load needed for the same darkness",
        columns=("carrier", "against", "times the load", "95% interval"),
        numeric=(False, False, True, True),
        rows=tuple(tuple(map(words.clean, row)) for row in rows),
        notes=(f"Tests, a small p speaks against it: {'; '.join(tests)}. Limits after Fieller (1954).",),
        source="tables/strength.csv",
    )
    shown = (table,) if rows else ()
    sentences = said((strength.sentence, *strength.notes, *found.later("strength")))
    drawn = found.dark is not None and found.dark.loads  # the same lines, with the darkness wanted among them
    pictures = (_picture(plan, strength, "strength"),) if rows and not drawn else ()
    return Group("How much dye each carrier needs", sentences, pictures, shown)


def _picture(plan: Plan, told: DarkEnough | Strength, name: str) -> Picture:
    title = f"{words.capital(told.response.replace('_', ' '))} by dye load"
    figure, caption = curve_figures.dye_lines(told), curve_figures.dye_lines_caption(told)
    words_for_it, table = curve_figures.dye_lines_told(told), name.replace("-", "_")
    return evidence.picture(plan, figure, name, title, caption, words_for_it, table, "dye_points", "dye_curves")


def _grams(value: float) -> str:
    if math.isnan(value):
        return "not known"
    return "no end" if math.isinf(value) else f"{value:.3g}"
