"""trial.toml read into a `Plan`, every fault of the file noted with its line."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

from trials import bench_choices, piece, plan_options, plan_tables, units
from trials.plan import GRADINGS, Boards, Factor, Grading, Plan, Preference, Response
from trials.toml_source import Source, Table

MOST_PATCHES = 900
"""As many as there are three-digit codes."""
MOST_COMBINATIONS = 100_000
TABLES = (
    "trial", "boards", "factor", "exclude", "control", "response", "question", "step", "scoring", "unusable",
    "model", "spread", "added", "lap", "bench", "costs", "brief", "piece", "analysis",
)  # fmt: skip
SMALLEST_PATCH_MM = 15.0
"""A patch must hold its code and leave a face to look at: common practice, no source."""


def read(path: Path) -> Plan:
    """Read and check a plan.

    Parameters
    ----------
    path : trial.toml, or the folder that holds it.

    Raises
    ------
    UserError
        With every fault of the file, each with its line, what is wrong and what to write instead.
    """
    if path.is_dir() or (not path.suffix and not path.exists()):
        path = path / "trial.toml"
    source = Source(path)
    root = source.root
    root.allow(TABLES)
    heading, about_boards = root.table("trial"), root.table("boards")
    heading.allow(("title", "wood", "about", "like", "rehearsal", "example"))
    factors = tuple(plan_tables.factors(root))
    controls = tuple(plan_tables.controls(root))
    boards, assumed = _boards(about_boards, factors)
    read_or_compared = tuple(plan_tables.responses(root, factors))
    responses = tuple(one for one in read_or_compared if isinstance(one, Response))
    preferences = tuple(one for one in read_or_compared if isinstance(one, Preference))
    assessors, scoring = plan_tables.scoring(root)
    plan = Plan(
        title=heading.text("title", "Untitled trial"),
        wood=heading.text("wood", ""),
        about=heading.text("about", ""),
        boards=boards,
        factors=factors,
        exclusions=tuple(plan_tables.exclusions(root, factors)),
        controls=controls,
        responses=responses,
        questions=tuple(plan_tables.questions(root, factors, responses, preferences)),
        steps=tuple(plan_tables.steps(root)),
        assessors=assessors,
        assumed=assumed,
        model=plan_options.model(root, factors),
        spreads=tuple(plan_options.spreads(root, responses)),
        like=heading.text("like", "") if "like" in heading else "",
        rehearsal=heading.flag("rehearsal", default=False),
        example=heading.flag("example", default=False),
        inches=units.in_inches(str(about_boards.values.get("length", ""))),
        preferences=preferences,
        scoring=scoring,
    )
    plan = _with_added(_check_whole(plan, about_boards, root), root)
    plan = replace(
        plan,
        unusable=tuple(plan_options.unusable(root, plan.boards)),
        lap=plan_options.lap(root, plan.boards, factors),
        bench=bench_choices.read(root.table("bench")) if "bench" in root else plan.bench,
        brief=plan_options.brief(root, responses),
        piece=piece.read(root.table("piece")) if "piece" in root else None,
        grades=_grades(root),
    )
    plan = replace(plan, costs=plan_options.costs(root, plan))
    source.finish()
    return plan


# --- the tables of trial.toml ----------------------------------------------------------------------


def _boards(table: Table, factors: tuple[Factor, ...]) -> tuple[Boards, tuple[str, ...]]:
    table.allow(("count", "lots", "replicates", "length", "width", "lanes", "strips", "margin", "guard", "label_end"))
    assumed = tuple(
        f"{key} is not given, so {value} is taken"
        for key, value in (("length", "600 mm"), ("width", "150 mm"))
        if key not in table
    )
    boards = Boards(
        lots=_lots(table),
        length_mm=table.length_mm("length", 600.0, 50, 6000),
        width_mm=table.length_mm("width", 150.0, 20, 2000),
        lanes=table.count("lanes", 1, 1, 24),
        strips=table.count("strips", 1, 1, 60),
        margin_mm=table.length_mm("margin", 5.0, 0, 100),
        guard_mm=table.length_mm("guard", 3.0, 0, 100),
        label_end_mm=table.length_mm("label_end", 20.0, 0, 200),
    )
    for key, extent, size in (
        ("strips", boards.patch_length_mm, boards.length_mm),
        ("lanes", boards.patch_width_mm, boards.width_mm),
    ):
        if extent < SMALLEST_PATCH_MM:
            number = getattr(boards, key)
            side = "length" if key == "strips" else "width"
            table.fault(
                key if key in table else side if side in table else None,
                f"{number} {key} do not fit on a {side} of {size:g} mm: each would be {max(extent, 0):.1f} mm, "
                f"and a patch needs {SMALLEST_PATCH_MM:g} mm",
                f"take fewer {key}, a larger {side}, or smaller margin, guard and label_end",
            )
    for factor in factors:
        number = {"lane": boards.lanes, "strip": boards.strips, "patch": boards.lanes * boards.strips}
        if number.get(factor.laid_on, 2) < 2:
            what = "one patch" if factor.laid_on == "patch" else f"one {factor.laid_on}"
            table.fault(
                f"{factor.laid_on}s" if factor.laid_on != "patch" else "lanes",
                f"factor {factor.name!r} is laid on {factor.laid_on}s, but a board has {what}",
                "divide the board further, or lay the factor on board",
            )
    return boards, assumed


def _lots(table: Table) -> tuple[int, ...]:
    """Return the number of boards of each lot, from count and lots."""
    written = table.values.get("lots", 1)
    if isinstance(written, list):
        if not written or not all(isinstance(n, int) and not isinstance(n, bool) and n > 0 for n in written):
            table.fault(
                "lots", f"lots is {written!r}", "write how many lots, or the boards of each, such as [4, 4, 4]"
            )
            return (1,)
        if "count" in table and table.values["count"] != sum(written):
            table.fault(
                "lots",
                f"the lots hold {sum(written)} boards, but count says {table.values['count']!r}",
                "make them agree, or leave count out",
            )
        return tuple(written)
    lots = table.count("lots", 1, 1, 500)
    if "count" not in table and "replicates" not in table:
        table.fault(
            None, "[boards] does not say how many boards there are", "add count = 12 (or as many as you have)"
        )
        return (1,) * lots
    count = table.count("count", lots, 1, 500) if "count" in table else 0
    if count and lots > count:
        table.fault("lots", f"{lots} lots cannot be made of {count} boards", "write at most one lot a board")
        return (1,) * lots
    return _shared_out(count, lots) if count else (0,) * lots


def _shared_out(count: int, lots: int) -> tuple[int, ...]:
    return tuple(count // lots + (at < count % lots) for at in range(lots))


def _grades(root: Table) -> Grading:
    table = root.table("analysis")
    table.allow(("grades",))
    written = table.choice("grades", GRADINGS, "averages")
    return next(one for one in GRADINGS if one == written)


# --- the plan as a whole ---------------------------------------------------------------------------


def _check_whole(plan: Plan, boards: Table, root: Table) -> Plan:
    """Check what only shows when every table is read: do the controls and the treatments fit."""
    if not plan.factors:
        root.fault(None if "factor" not in root else "factor", "the plan varies nothing", "add a [[factor]]")
        return plan
    if any(len(factor.levels) < 2 for factor in plan.factors):
        return plan
    combinations = math.prod(len(factor.levels) for factor in plan.factors)
    if combinations > MOST_COMBINATIONS:
        what = f"the factors have {combinations} combinations, more than the {MOST_COMBINATIONS} looked through"
        root.fault("factor", what, "take fewer factors or fewer levels")
        return plan
    treatments = plan.treatments(plan.factors)
    if not treatments:
        last = len(plan.exclusions) - 1
        what = f"the exclusions leave nothing to try (the last is {plan.exclusions[last].words})"
        root.source.fault(("exclude", last), what, "take one of them out")
        return plan
    for factor in plan.factors:
        for level in factor.levels:
            if all(treatment[factor.name] != level for treatment in treatments):
                root.source.fault(
                    ("exclude", len(plan.exclusions) - 1),
                    f"the exclusions leave nothing of {factor.words} {level!r}",
                    "take the level out of the factor, or take an exclusion out",
                )
    plan = _with_replicates(plan, boards)
    for kind, room in (("lane", plan.boards.lanes), ("strip", plan.boards.strips), ("board", plan.boards.count)):
        taken = plan.controls_on(kind)
        if taken and taken >= room:
            root.source.fault(
                ("control", 0), f"{taken} control {kind}s leave no {kind} of {room} for the factors", "take fewer"
            )
    patches = plan.boards.count * plan.boards.lanes * plan.boards.strips
    if patches > MOST_PATCHES:
        boards.fault(
            "count" if "count" in boards else None,
            f"{patches} patches are more than the {MOST_PATCHES} three-digit codes there are",
            "take fewer boards, lanes or strips",
        )
    return plan


def _with_replicates(plan: Plan, table: Table) -> Plan:
    """Work out the number of boards from replicates, or check it against count."""
    if "replicates" not in table:
        return plan
    replicates = table.count("replicates", 1, 1, 500)
    needed = len(plan.treatments(plan.laid_on("board"))) * replicates + plan.controls_on("board")
    if plan.boards.count and plan.boards.count != needed:
        table.fault(
            "replicates",
            f"{replicates} boards of each treatment take {needed} boards, but there are {plan.boards.count}",
            "leave count or replicates out",
        )
        return plan
    lots = len(plan.boards.lots)
    if lots > needed:
        table.fault("lots", f"{lots} lots cannot be made of {needed} boards", "write at most one lot a board")
        return plan
    return replace(plan, boards=replace(plan.boards, lots=_shared_out(needed, lots)))


def _with_added(plan: Plan, root: Table) -> Plan:
    """Add the boards of later occasions, each a lot of its own; 'splitboard plan --add' writes these tables."""
    added = []
    for table in root.tables("added"):
        table.allow(("boards", "on"))
        if "boards" not in table:
            table.fault(None, "this [[added]] does not say how many boards there are", "take it out again")
        added.append(table.count("boards", 1, 1, 500))
    if not added:
        return plan
    boards = replace(plan.boards, lots=(*plan.boards.lots, *added))
    if boards.count * boards.lanes * boards.strips > MOST_PATCHES:
        root.fault("added", f"the added boards make more than {MOST_PATCHES} patches", "take fewer")
    return replace(plan, boards=boards, added=tuple(added))
