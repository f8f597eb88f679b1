"""The numbers behind the report as tables: every number on the page can be found in one of them, unrounded."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator, Mapping
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from analysis import assessors, one_out, preference
from analysis.decide import Decision, Finding
from analysis.frame import PatchTable, patch_table
from analysis.report import words
from analysis.responses import Analysis
from trials.errors import UserError
from trials.folder import Trial
from trials.plan import Plan, Response

FINDINGS = (
    "response", "factor", "asked", "worth", "verdict", "first", "second", "gain", "gain_lower", "gain_upper",
    "interval_level", "comparisons", "p", "p_holm", "sentence",
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
VARIANCES = ("response", "from", "variance", "standard_deviation", "pieces")
ASSESSORS = (
    "response", "first", "second", "patches", "mean_difference", "within_half_a_grade", "same", "largest_difference",
)  # fmt: skip
AGREEMENT = ("response", *assessors.AGREED)
EACH_ASSESSOR = ("response", *assessors.EACH, "sentence")
ONE_OUT = (
    "response", "without", "factor", "first", "second", "verdict", "verdict_without", "stays", "gain", "gain_lower",
    "gain_upper", "gain_without", "gain_lower_without", "gain_upper_without", "sentence",
)  # fmt: skip
PREFERENCES = (
    "preference", "factor", "picked", "over", "times", "comparisons", "unit", "units", "agreeing", "even", "share",
    "lower", "upper", "interval_level", "p", "p_holm", "fewest_agreeing",
)  # fmt: skip
STRENGTHS = ("preference", "level", "log_strength", "se", "lower", "upper", "share_picked")
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
    assessors (a row a pair of assessors), agreement, each_assessor, one_out (of what was scored by more than one),
    preferences and strengths (of paired comparisons), and controls. Amounts are in the response's own unit.
    """
    both = [*decision.findings, *decision.also_seen]
    read = read_tables(trial, decision)
    compared, _ = preference.outcomes(trial)
    return {
        "findings": _frame(FINDINGS, map(_finding, both)),
        "comparisons": _frame(COMPARISONS, (row for finding in both for row in _comparisons(finding))),
        "means": _frame(MEANS, (row for analysis in decision.analyses for row in _means(analysis))),
        "tests": _frame(TESTS, (row for analysis in decision.analyses for row in _tests(analysis))),
        "variances": _frame(VARIANCES, (row for analysis in decision.analyses for row in _variances(analysis))),
        "patch_values": _patch_values(trial, read),
        "assessors": _frame(ASSESSORS, (row for table in read for row in _assessors(table))),
        "agreement": _frame(AGREEMENT, (row for table in read for row in _agreement(trial, table))),
        "each_assessor": _frame(EACH_ASSESSOR, (row for table in read for row in _each_assessor(table))),
        "one_out": _frame(ONE_OUT, _one_out(trial, decision)),
        "preferences": _frame(PREFERENCES, (row for outcome in compared for row in _preferences(outcome))),
        "strengths": _frame(STRENGTHS, (row for outcome in compared for row in _strengths(outcome))),
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
        "p": finding.p, "p_holm": finding.p_all, "sentence": finding.sentence,
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
            yield shown | {"interval_level": analysis.level, "patches": int(size)}


def _tests(analysis: Analysis) -> Iterator[dict[str, Any]]:
    for row in analysis.tests.reset_index().to_dict("records"):
        yield {"response": analysis.response.name} | {str(key): value for key, value in row.items()}


def _variances(analysis: Analysis) -> Iterator[dict[str, Any]]:
    for term, variance in analysis.fit.variances.items():
        yield {
            "response": analysis.response.name, "from": words.VARIANCES[str(term)], "variance": variance,
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


def _agreement(trial: Trial, table: PatchTable) -> Iterator[dict[str, Any]]:
    """Say how far those who scored agree; instruments are not asked."""
    if table.response.kind == "measure":
        return
    boards = dict(zip(trial.patches["patch"], trial.patches["board"], strict=True))
    level: assessors.Level = "ordinal" if table.response.kind == "grade" else "nominal"
    found = assessors.agreed(assessors.first_looks(table.readings), level, boards)
    for row in found.to_dict("records"):
        yield {"response": table.response.name} | {str(key): value for key, value in row.items()}


def _each_assessor(table: PatchTable) -> Iterator[dict[str, Any]]:
    if table.response.kind == "measure":
        return
    for _, row in assessors.each(table.readings).iterrows():
        said = assessors.in_one_sentence(row, table.response)
        yield {"response": table.response.name} | {str(key): value for key, value in row.items()} | {"sentence": said}


def _one_out(trial: Trial, decision: Decision) -> Iterator[dict[str, Any]]:
    """Give each question decided again without one of its assessors; the sentence is about all of a response."""
    found = one_out.one_out(trial, decision)
    together: dict[tuple[str, str], list[one_out.WithoutOne]] = {}
    for one in found:
        together.setdefault((one.before.response, one.assessor), []).append(one)
    for (response, assessor), ones in together.items():
        sentence = one_out.sentence(trial.plan, ones)
        for one in ones:
            row: dict[str, Any] = {
                "response": response, "without": assessor, "factor": one.before.factor, "verdict": one.before.verdict,
                "verdict_without": one.after.verdict, "stays": one.stays, "sentence": sentence,
            }  # fmt: skip
            before, after = one.before.leading, one.same_pair
            if before is not None:
                row |= {"first": before.first, "second": before.second, "gain": before.gain}
                row |= {"gain_lower": before.gain_lower, "gain_upper": before.gain_upper}
            if after is not None:
                row |= {"gain_without": after.gain, "gain_lower_without": after.gain_lower}
                row |= {"gain_upper_without": after.gain_upper}
            yield row


def _preferences(found: preference.Outcome) -> Iterator[dict[str, Any]]:
    for one in found.choices:
        yield {
            "preference": found.preference.name, "factor": found.preference.factor, "picked": one.picked,
            "over": one.over, "times": one.times, "comparisons": one.comparisons, "unit": one.unit,
            "units": one.units, "agreeing": one.agreeing, "even": one.even, "share": one.share, "lower": one.lower,
            "upper": one.upper, "interval_level": one.level, "p": one.p, "p_holm": one.p_all,
            "fewest_agreeing": one.fewest,
        }  # fmt: skip


def _strengths(found: preference.Outcome) -> Iterator[dict[str, Any]]:
    if found.abilities is None:
        return
    for level, row in found.abilities.iterrows():
        yield {"preference": found.preference.name, "level": level} | {str(key): value for key, value in row.items()}


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
