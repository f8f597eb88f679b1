"""Who scored: how far the assessors agree, how each of them marks, and whether an answer hangs on one of them."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from analysis import assessors
from analysis.decide import Decision
from analysis.report import numbers, words
from analysis.report.parts import Group, Section, Table
from trials.folder import Trial
from trials.level import per_cent
from trials.plan import Response

Tables = dict[str, pd.DataFrame]


def who_scored(trial: Trial, decision: Decision, tables: Tables) -> Section:
    """Say of each response who scored it, how far they agree, and whether an answer hangs on one of them.

    Parameters
    ----------
    trial, decision : as for `analysis.report.content`.
    tables : as `numbers.build` of them.
    """
    groups = []
    for table in numbers.read_tables(trial, decision):
        response = table.response
        sentences = [*_agreement(response, tables), *_pairs(response, tables), *_each(response, tables)]
        sentences += list(dict.fromkeys(row["sentence"] for row in numbers.of_response(tables["one_out"], response)))
        if sentences:
            shown = tuple(_correlations(response, tables))
            groups.append(
                Group(words.capital(response.words), tuple(map(words.clean, sentences)), tables=shown)
            )  # fmt: skip
    if not groups:
        return Section(sentences=("Nothing was scored by eye, and nothing was measured by two people.",))
    return Section(groups=tuple(groups))


def _agreement(response: Response, tables: Tables) -> Iterator[str]:
    rows = {row["measure"]: row for row in numbers.of_response(tables["agreement"], response)}
    if rows:
        yield assessors.alpha_sentence(rows[assessors.ALPHA])
        yield assessors.correlation_sentence(rows["ICC(2,1)"], rows["ICC(2,k)"])


def _each(response: Response, tables: Tables) -> Iterator[str]:
    """Say one sentence of each assessor; first of all what one alone cannot tell."""
    rows = numbers.of_response(tables["each_assessor"], response)
    if len(rows) == 1:
        name = words.capital(rows[0]["assessor"] or "one person")
        yield (
            f"{name} scored alone: whether others would see the same, and whether {name} marks high or low, wide or "
            "narrow beside them, cannot be told; the answers are for these eyes."
        )
    yield from (row["sentence"] for row in rows)


def _pairs(response: Response, tables: Tables) -> Iterator[str]:
    """Say of every two assessors how far their marks lie apart."""
    for row in numbers.of_response(tables["assessors"], response):
        first, second = row["first"] or "the unnamed assessor", row["second"] or "the unnamed assessor"
        gap = row["mean_difference"]
        size = words.number(abs(gap), 2)
        unit = response.unit_words(abs(gap))
        way = response.less_more[bool(gap > 0)]
        lead = f"{second} read {size} {unit} {way} than {first} on average"
        if float(size) == 0:
            lead = f"{second} and {first} read the same on average"
        patches = words.count(row["patches"], "patch", "patches")
        if response.kind == "grade":
            rest = f"{per_cent(row['within_half_a_grade'])} of their marks lie within half a grade"
        elif response.kind == "yes_no":
            rest = f"{per_cent(row['same'])} of their answers are the same"
        else:
            largest = words.plain(float(f"{row['largest_difference']:.3g}"))
            rest = f"the largest difference is {largest} {response.unit}"
        yield f"{lead}, over {patches} that both have read; {rest.rstrip()} (tables/assessors.csv)."


def _correlations(response: Response, tables: Tables) -> Iterator[Table]:
    """Set out the six intraclass correlations, or nothing where they have no value."""
    rows = [
        row
        for row in numbers.of_response(tables["agreement"], response)
        if row["measure"] != assessors.ALPHA and row["value"] == row["value"]
    ]
    if rows:
        yield Table(
            caption=f"How far marks can be relied on: {response.words}",
            columns=("form", "for", "value", "95% interval"),
            numeric=(False, False, True, True),
            rows=tuple(
                (row["measure"], row["meaning"], words.number(row["value"], 2),
                 words.interval(row["lower"], row["upper"], 2))
                for row in rows
            ),
            notes=("Shrout and Fleiss (1979); ICC(2,1) and ICC(2,k) are the ones that matter here.",),
            source="tables/agreement.csv",
        )  # fmt: skip
