"""Side by side: what the paired comparisons showed."""

from __future__ import annotations

import pandas as pd

from analysis import preference
from analysis.report import words
from analysis.report.parts import Group, Section, Table
from trials.folder import Trial
from trials.level import level_of, per_cent

Tables = dict[str, pd.DataFrame]


def side_by_side(trial: Trial, tables: Tables) -> Section | None:
    """Say what was picked in each paired comparison of the plan, or return None where there is none.

    Parameters
    ----------
    trial : as loaded.
    tables : as `analysis.report.numbers.build` of it.
    """
    if not trial.plan.preferences:
        return None
    made, missing = preference.outcomes(trial)
    groups = []
    for found in made:
        said = (*preference.answer(trial.plan, found), *preference.beside(found))
        strengths = (_strengths(found.preference.name, found.preference.words, tables),) if _has(found) else ()
        heading = words.clean(words.capital(found.preference.words))
        groups.append(Group(heading, tuple(map(words.clean, said)), tables=strengths))
    shown = (_picked(trial, tables),) if made else ()
    return Section(tuple(words.clean(words.capital(why)) for why in missing), (), tuple(groups), shown)


def _has(found: preference.Outcome) -> bool:
    return found.abilities is not None


def _picked(trial: Trial, tables: Tables) -> Table:
    names = {one.name: one.words for one in trial.plan.preferences}
    rows = []
    for row in tables["preferences"].to_dict("records"):
        cells = (
            names[row["preference"]], f"{row['picked']} over {row['over']}", str(row["times"]),
            str(row["comparisons"]), str(row["agreeing"]), str(row["units"]), words.number(row["share"], 2),
            words.interval(row["lower"], row["upper"], 2), words.p_value(row["p_holm"]),
        )  # fmt: skip
        rows.append(tuple(map(words.clean, cells)))
    return Table(
        caption="What was picked",
        columns=("question", "picked", "times", "comparisons", "agreeing", "units", "share", "interval", "p"),
        numeric=(False, False, True, True, True, True, True, True, True),
        rows=tuple(rows),
        notes=(
            "A unit is a pair of the pieces that carry the factor. Two-sided, by sign flips over units; with several "
            "pairs of levels p is Holm's, and all intervals of a question hold together with "
            f"{per_cent(level_of(trial.plan))}.",
        ),
        source="tables/preferences.csv",
    )


def _strengths(name: str, said: str, tables: Tables) -> Table:
    table = tables["strengths"]
    rows = tuple(
        (
            words.clean(row["level"]), words.number(row["log_strength"], 2),
            words.interval(row["lower"], row["upper"], 2) if row["se"] == row["se"] else "set to 0",
            words.number(row["share_picked"], 2),
        )
        for row in table[table["preference"] == name].to_dict("records")
    )  # fmt: skip
    return Table(
        caption=f"How strongly each is picked: {words.clean(said)}",
        columns=("level", "log strength", "95% interval", "share picked"),
        numeric=(False, True, True, True),
        rows=rows,
        notes=(
            "Bradley and Terry (1952): the log odds that one is picked over another are the difference of their "
            "abilities. Each pair of pieces counts once, as if it were independent of the rest.",
        ),
        source="tables/strengths.csv",
    )
