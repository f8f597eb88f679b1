"""Grades, counted three ways."""

from __future__ import annotations

from analysis.answers import Answers
from analysis.decide import decimals
from analysis.report import words
from analysis.report.parts import Group, Section, Table
from analysis.report.words import said
from analysis.three_ways import Compared
from analysis.three_ways.way import SAID
from trials.plan import Plan


def ways(plan: Plan, found: Answers) -> Section:
    """Say whether three ways of counting grades agree, question by question."""
    agree = sum(one.agree for one in found.ways)
    number = len(found.ways)
    which = "all" if agree == number else str(agree) if agree else "none"
    opening = [
        "A grade is a word with a number on it, so each question on grades was answered three ways: grades taken as "
        "numbers in the mixed model; as ordered words only (cumulative-link mixed model); and by dealing the "
        "treatments afresh as the layout could have dealt them (re-randomisation).",
        f"The ways agree on {which} of {words.count(number, 'question')}. The plan's choice, shown in the answers: "
        f"{SAID[plan.grades]}.",
    ]
    opening += found.way_words
    groups = tuple(_way_group(plan, one) for one in found.ways)
    return Section(said(opening), groups=groups)


def _way_group(plan: Plan, one: Compared) -> Group:
    factor, response = plan.factor(one.question.factor), plan.response(one.question.response)
    rows = []
    for way in one.ways:
        digits = decimals(way.lower, way.upper) if way.had else 2
        name = words.capital(SAID[way.name]) + (" (the plan's choice)" if way is one.led else "")
        if not way.had:
            rows.append((name, "", "", "", "", way.why_not))
            continue
        rows.append(
            (
                name, words.number(way.estimate, digits), words.interval(way.lower, way.upper, digits),
                words.p_value(way.p_about(one.about)), words.p_value(way.p_all) if way.p_all == way.p_all else "",
                way.judged if one.about == "pair" else way.p_factor_judged,
            )
        )  # fmt: skip
    table = Table(
        caption=f"{words.capital(response.words)} by {factor.words}: {one.second} instead of {one.first}",
        columns=("grades", "difference (grades)", "interval", "p", "p by Holm", "judged by"),
        numeric=(False, True, True, True, True, False),
        rows=tuple(tuple(map(words.clean, row)) for row in rows),
        notes=said([_plain(note, plan) for way in one.ways for note in way.notes if way.name != "averages"]),
        source="tables/three_ways.csv",
    )
    return Group(
        words.clean(f"{words.capital(response.words)} by {factor.words}"), said((one.sentence,)), tables=(table,)
    )


_PLAIN = (
    ("pieces of assessor", "assessors"),
    ("pieces of lot", "lots"),
    ("board:lane", "lanes"),
    ("board:strip", "strips"),
)


def _plain(note: str, plan: Plan) -> str:
    """Return a fit's note in the words of the shop: ``board:strip`` are strips."""
    for term, plain in _PLAIN:
        note = note.replace(term, plain)
    for factor in plan.factors:
        note = note.replace(f"'{factor.name}'", factor.words)
    return words.capital(note)
