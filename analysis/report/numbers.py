"""The numbers behind the report as tables: every number on the page can be found in one of them, unrounded."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator, Mapping
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from analysis.decide import Decision, Finding
from analysis.frame import PatchTable, patch_table
from analysis.responses import LEVEL, Analysis
from trials.errors import UserError
from trials.folder import Trial
from trials.plan import Plan, Response

FINDINGS = (
    "response", "factor", "asked", "worth", "verdict", "first", "second", "gain", "gain_lower", "gain_upper",
    "interval_level", "comparisons", "sentence",
)  # fmt: skip
COMPARISONS = (
    "response", "factor", "asked", "first", "second", "difference", "lower", "upper", "interval_level", "gain",
    "gain_lower", "gain_upper", "se", "df", "p",
)  # fmt: skip
MEANS = (
    "response", "term", "first_factor", "first_level", "second_factor", "second_level", "mean", "se", "df", "lower",
    "upper", "interval_level", "patches",
)  # fmt: skip
TESTS = ("response", "effect", "judged_against", "f", "df_num", "df_den", "p", "method")
VARIANCES = ("response", "term", "variance", "standard_deviation", "pieces")
ASSESSORS = (
    "response", "first", "second", "patches", "mean_difference", "within_half_a_grade", "same", "largest_difference",
)  # fmt: skip
CONTROLS = ("response", "control", "patches", "mean", "lowest", "highest")

HALF_A_GRADE = 0.5 + 1e-9


def build(trial: Trial, decision: Decision) -> dict[str, pd.DataFrame]:
    """Return every table by the name of its file, each with the columns named above, whatever was found.

    Parameters
    ----------
    trial : as loaded.
    decision : what `decide.decide` made of it.

    Returns
    -------
    findings, comparisons, means, tests, variances, patch_values (a row a patch and response, unread ones too),
    assessors (a row a pair of assessors) and controls. Amounts are in the response's own unit.
    """
    both = [*decision.findings, *decision.also_seen]
    read = read_tables(trial, decision)
    return {
        "findings": _frame(FINDINGS, map(_finding, both)),
        "comparisons": _frame(COMPARISONS, (row for finding in both for row in _comparisons(finding))),
        "means": _frame(MEANS, (row for analysis in decision.analyses for row in _means(analysis))),
        "tests": _frame(TESTS, (row for analysis in decision.analyses for row in _tests(analysis))),
        "variances": _frame(VARIANCES, (row for analysis in decision.analyses for row in _variances(analysis))),
        "patch_values": _patch_values(trial, read),
        "assessors": _frame(ASSESSORS, (row for table in read for row in _assessors(table))),
        "controls": _frame(CONTROLS, (row for table in read for row in _controls(table))),
    }


def read_tables(trial: Trial, decision: Decision) -> list[PatchTable]:
    """Return what was read of each response, in the plan's order, whether or not it could be fitted."""
    fitted = {analysis.response.name: analysis.table for analysis in decision.analyses}
    found = []
    for response in trial.plan.responses:
        if response.name in fitted:
            found.append(fitted[response.name])
        else:
            with contextlib.suppress(UserError):  # nothing was read, which decision.unfitted says
                found.append(patch_table(trial, response))
    return found


def of_response(table: pd.DataFrame, response: Response, **wanted: str) -> list[dict[str, Any]]:
    """Return the rows of a table that are about one response, and about what else is named."""
    for column, value in ({"response": response.name} | wanted).items():
        table = table[table[column] == value]
    return [{str(key): value for key, value in row.items()} for row in table.to_dict("records")]


def patch_values(table: PatchTable) -> dict[int, float]:
    """Return the value of every patch that was read, controls included, by its code."""
    rows = pd.concat([table.treated, table.controls])
    return {int(code): float(value) for code, value in zip(rows["patch"], rows["value"], strict=True)}


def _frame(columns: tuple[str, ...], rows: Iterable[Mapping[str, Any]]) -> pd.DataFrame:
    return pd.DataFrame(list(rows), columns=list(columns))


def _finding(finding: Finding) -> dict[str, Any]:
    row: dict[str, Any] = {
        "response": finding.response, "factor": finding.factor, "asked": finding.asked, "worth": finding.worth,
        "verdict": finding.verdict, "interval_level": finding.level, "comparisons": len(finding.comparisons),
        "sentence": finding.sentence,
    }  # fmt: skip
    one = finding.leading
    if one is not None:
        row |= {
            "first": one.first, "second": one.second, "gain": one.gain, "gain_lower": one.gain_lower,
            "gain_upper": one.gain_upper,
        }  # fmt: skip
    return row


def _comparisons(finding: Finding) -> Iterator[dict[str, Any]]:
    for one in finding.comparisons:
        yield {
            "response": finding.response, "factor": finding.factor, "asked": finding.asked, "first": one.first,
            "second": one.second, "difference": one.difference, "lower": one.lower, "upper": one.upper,
            "interval_level": finding.level, "gain": one.gain, "gain_lower": one.gain_lower,
            "gain_upper": one.gain_upper, "se": one.se, "df": one.df, "p": one.p,
        }  # fmt: skip


def _means(analysis: Analysis) -> Iterator[dict[str, Any]]:
    """Give the mean of every level, then of every cell of the pairs in the model."""
    for effect in analysis.told.effects:
        if effect.df == 0:
            continue
        names = list(effect.factors)
        sizes = analysis.table.treated.groupby(names, observed=False).size()
        for row in analysis.means(effect.name).to_dict("records"):
            levels = tuple(str(row[name]) for name in names)
            shown: dict[str, Any] = {"response": analysis.response.name, "term": effect.name}
            for place, name, level in zip(("first", "second"), names, levels, strict=False):
                shown |= {f"{place}_factor": name, f"{place}_level": level}
            size = sizes.get(levels if len(names) > 1 else levels[0], 0)
            shown |= {key: row[key] for key in ("mean", "se", "df", "lower", "upper")}
            yield shown | {"interval_level": LEVEL, "patches": int(size)}


def _tests(analysis: Analysis) -> Iterator[dict[str, Any]]:
    for row in analysis.tests.reset_index().to_dict("records"):
        yield {"response": analysis.response.name} | {str(key): value for key, value in row.items()}


def _variances(analysis: Analysis) -> Iterator[dict[str, Any]]:
    for term, variance in analysis.fit.variances.items():
        yield {
            "response": analysis.response.name, "term": term, "variance": variance,
            "standard_deviation": float(np.sqrt(variance)), "pieces": analysis.told.counts[str(term)],
        }  # fmt: skip


def _patch_values(trial: Trial, read: list[PatchTable]) -> pd.DataFrame:
    """Return the layout with the value of each response, one row a patch and response."""
    parts = []
    for table in read:
        counts = table.readings.groupby("patch").size()
        parts.append(
            trial.patches.assign(
                response=table.response.name,
                value=trial.patches["patch"].map(patch_values(table)),
                readings=trial.patches["patch"].map(counts).fillna(0).astype(int),
            )
        )
    if not parts:
        return trial.patches.assign(response=None, value=np.nan, readings=0).iloc[:0]
    return pd.concat(parts, ignore_index=True)


def _assessors(table: PatchTable) -> Iterator[dict[str, Any]]:
    """Compare every two assessors on the patches that both have marked."""
    marks = table.readings.pivot_table(index="patch", columns="assessor", values="value", aggfunc="mean")
    for first, second in combinations(marks.columns, 2):
        gap = (marks[second] - marks[first]).dropna()
        if len(gap):
            yield {
                "response": table.response.name, "first": first, "second": second, "patches": len(gap),
                "mean_difference": float(gap.mean()),
                "within_half_a_grade": float((gap.abs() <= HALF_A_GRADE).mean()),
                "same": float((gap.abs() < 1e-9).mean()),
                "largest_difference": float(gap.abs().max()),
            }  # fmt: skip


def _controls(table: PatchTable) -> Iterator[dict[str, Any]]:
    for name, rows in table.controls.groupby("control", sort=True):
        values = rows["value"]
        yield {
            "response": table.response.name, "control": name, "patches": len(values),
            "mean": float(values.mean()), "lowest": float(values.min()), "highest": float(values.max()),
        }  # fmt: skip


def estimable(plan: Plan, analysis: Analysis) -> list[str]:
    """Return the names of the factors whose means can be given, in the plan's order."""
    return [factor.name for factor in plan.factors if analysis.told.by_name[factor.name].df > 0]
