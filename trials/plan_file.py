"""trial.toml read into a `Plan`, every fault of the file noted with its line."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import cast

from trials import scales, units
from trials.errors import UserError, nearest
from trials.plan import (
    KINDS,
    STAGES,
    Boards,
    Control,
    Exclusion,
    Factor,
    Kind,
    Plan,
    Question,
    Response,
    Step,
)
from trials.toml_source import Source, Table

MOST_PATCHES = 900
"""As many as there are three-digit codes."""
SMALLEST_PATCH_MM = 15.0
"""A patch must hold its code and leave a face to look at: common practice, no source."""

RESERVED = (
    "patch", "lot", "board", "lane", "strip", "board_order", "control", "response", "value", "assessor",
    "stage", "repeat", "taken_at", "method", "source", "note", "residual",
    "readings", "mean", "se", "df", "t", "p", "lower", "upper", "difference", "first", "second", "contrast",
    "estimate", "slope", "squared_prediction",
)  # fmt: skip
"""Names the trial's own tables and models use, which a factor cannot have."""


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
    root.allow(("trial", "boards", "factor", "exclude", "control", "response", "question", "step", "scoring"))
    heading, about_boards = root.table("trial"), root.table("boards")
    heading.allow(("title", "wood", "about"))
    factors = tuple(_factors(root))
    controls = tuple(_controls(root))
    boards, assumed = _boards(about_boards, factors)
    responses = tuple(_responses(root, factors))
    plan = Plan(
        title=heading.text("title", "Untitled trial"),
        wood=heading.text("wood", ""),
        about=heading.text("about", ""),
        boards=boards,
        factors=factors,
        exclusions=tuple(_exclusions(root, factors)),
        controls=controls,
        responses=responses,
        questions=tuple(_questions(root, factors, responses)),
        steps=tuple(_steps(root)),
        assessors=_assessors(root),
        assumed=assumed,
    )
    plan = _check_whole(plan, about_boards, root)
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


def _factors(root: Table) -> Iterator[Factor]:
    seen: set[str] = set()
    for table in root.tables("factor"):
        table.allow(("name", "levels", "laid_on"))
        name = table.text("name")
        if name and not name.isidentifier():
            table.fault("name", f"{name!r} is not one word", f"write it as {_one_word(name)!r}")
        elif name in RESERVED:
            table.fault("name", f"{name!r} is a word the trial's own tables use", "choose another name")
        elif name in seen:
            table.fault("name", f"there are two factors named {name!r}", "rename one")
        seen.add(name)
        levels = table.words("levels")
        if levels and len(levels) < 2:
            table.fault("levels", f"factor {name!r} has one level", "add a second one, or take the factor out")
        yield Factor(name, levels, cast(Kind, table.choice("laid_on", KINDS)), *_amounts(table, levels))


def _one_word(name: str) -> str:
    word = "".join(letter if letter.isalnum() else "_" for letter in name).strip("_")
    return word if word.isidentifier() else f"factor_{word}"


def _amounts(table: Table, levels: tuple[str, ...]) -> tuple[tuple[float, ...] | None, str]:
    """Return the levels as amounts and their unit, where all are quantities of one kind."""
    parts = [units.split(level) for level in levels]
    if not levels or any(part is None for part in parts):
        return None, ""
    try:
        kinds = [units.kind_of(part[1]) if part and part[1] else "" for part in parts]
    except UserError as error:
        table.fault("levels", error.problems[0].what, error.problems[0].cure)
        return None, ""
    if "" in kinds:
        bare = levels[kinds.index("")]
        table.fault(
            "levels", f"level {bare!r} has no unit", f"write it with one, such as '{bare} min' or '{bare} g/L'"
        )
        return None, ""
    known = [kind for kind in kinds if kind]
    if not known:
        return None, ""
    if len(known) < len(kinds):
        odd = next(level for level, kind in zip(levels, kinds, strict=True) if not kind)
        table.fault(
            "levels", f"the unit of level {odd!r} is not known", f"write it like {levels[kinds.index(known[0])]!r}"
        )
        return None, ""
    if len(set(known)) > 1:
        table.fault(
            "levels", f"the levels mix {' and '.join(sorted(set(known)))}", "give all of them the same kind of unit"
        )
        return None, ""
    amounts = tuple(units.read(level, known[0]).amount for level in levels)
    for at, amount in enumerate(amounts):
        if amount in amounts[:at]:
            first = levels[amounts.index(amount)]
            table.fault("levels", f"{first!r} and {levels[at]!r} are the same level", "leave one of them out")
    return amounts, units.BASES[known[0]]


def _exclusions(root: Table, factors: tuple[Factor, ...]) -> Iterator[Exclusion]:
    by_name = {factor.name: factor for factor in factors}
    for table in root.tables("exclude"):
        table.allow((*by_name, "why"))
        named = []
        for name, value in table.values.items():
            if name not in by_name:
                continue
            levels = value if isinstance(value, list) else [value]
            if not levels:
                table.fault(name, f"this [[exclude]] names no level of {name}", "name one, or take the line out")
            for level in levels:
                if level not in by_name[name].levels:
                    table.fault(
                        name, f"{level!r} is not a level of {name}", nearest(str(level), by_name[name].levels)
                    )
            named.append((name, tuple(str(level) for level in levels)))
        if not named and not table.source.problems:
            table.fault(None, "this [[exclude]] names no factor", 'add lines such as carrier = "oil"')
        yield Exclusion(tuple(sorted(named)), table.text("why", ""))


def _controls(root: Table) -> Iterator[Control]:
    seen: set[str] = set()
    for table in root.tables("control"):
        table.allow(("name", "laid_on", "count"))
        name = table.text("name")
        if name in seen:
            table.fault("name", f"there are two controls named {name!r}", "rename one, or raise its count")
        seen.add(name)
        yield Control(name, cast(Kind, table.choice("laid_on", KINDS, "strip")), table.count("count", 1, 1, 60))


def _responses(root: Table, factors: tuple[Factor, ...]) -> Iterator[Response]:
    seen: set[str] = set()
    taken = {*RESERVED, *(factor.name for factor in factors)}
    for table in root.tables("response"):
        table.allow(
            ("name", "kind", "grades", "half_grades", "unit", "low", "high", "aim", "stage", "stages", "anchors")
        )
        name = table.text("name")
        if name and not name.isidentifier():
            table.fault("name", f"{name!r} is not one word", f"write it as {_one_word(name)!r}")
        elif name in taken:
            table.fault("name", f"{name!r} is a factor's name or a word the tables use", "choose another name")
        elif name in seen:
            table.fault("name", f"there are two responses named {name!r}", "rename one")
        seen.add(name)
        yield _response(table, name)


def _response(table: Table, name: str) -> Response:
    kind = table.choice("kind", ("grade", "measure", "yes_no", "preference"), "grade")
    if kind == "preference":
        table.fault(
            "kind", "preferences between pairs of patches are not taken in yet", "write 'grade' and score each"
        )
    grades = table.count("grades", 5, 2, 100) if kind == "grade" else 2
    anchors = table.words("anchors", scales.anchors(name, grades) if kind == "grade" else ())
    if anchors and len(anchors) != grades:
        table.fault("anchors", f"there are {len(anchors)} anchors for {grades} grades", "write one for each grade")
    if kind != "grade":
        for key in ("grades", "half_grades", "anchors"):
            if key in table:
                table.fault(key, f"{key} belongs to a response of kind 'grade', and this is {kind!r}", "take it out")
    low, high = table.number("low"), table.number("high")
    if kind != "measure":
        for key in ("low", "high", "unit"):
            if key in table:
                table.fault(
                    key, f"{key} belongs to a response of kind 'measure', and this is {kind!r}", "take it out"
                )
        low, high = (1.0, float(grades)) if kind == "grade" else (0.0, 1.0)
    elif low is not None and high is not None and low >= high:
        table.fault("low", f"low ({low:g}) is not below high ({high:g})", "swap or correct them")
    aim, target = _aim(table)
    return Response(
        name=name,
        kind=kind,
        grades=grades if kind == "grade" else 0,
        half_grades=table.flag("half_grades", default=False),
        unit=table.text("unit", "") if "unit" in table else "",
        low=low,
        high=high,
        aim=aim,
        target=target,
        stages=_stages(table),
        anchors=anchors,
    )


def _aim(table: Table) -> tuple[str, float | None]:
    written = table.values.get("aim", "more")
    if isinstance(written, int | float) and not isinstance(written, bool):
        return "target", table.number("aim")
    if written not in ("more", "less"):
        table.fault(
            "aim", f"aim is {written!r}", "write 'more', 'less', or the number to come close to, such as aim = 38"
        )
        return "more", None
    return str(written), None


def _stages(table: Table) -> tuple[str, ...]:
    if "stage" in table and "stages" in table:
        table.fault("stage", "both stage and stages are given", "keep one of them")
    stages = table.words("stages", ()) or (table.text("stage", "topcoated"),)
    key = "stages" if "stages" in table else "stage"
    for stage in stages:
        if stage not in STAGES:
            table.fault(key, f"{stage!r} is not a stage of the work", nearest(stage, STAGES))
    return tuple(sorted(stages, key=lambda stage: STAGES.index(stage) if stage in STAGES else 0))


def _questions(root: Table, factors: tuple[Factor, ...], responses: tuple[Response, ...]) -> Iterator[Question]:
    by_name = {factor.name: factor for factor in factors}
    known_responses = [response.name for response in responses]
    seen: set[tuple[str, ...]] = set()
    for table in root.tables("question"):
        table.allow(("factor", "response", "worth", "between"))
        factor, response = table.text("factor"), table.text("response")
        if factor and factor not in by_name:
            table.fault(
                "factor", f"the question is about {factor!r}, which is not a factor", nearest(factor, by_name)
            )
        if response and response not in known_responses:
            table.fault(
                "response",
                f"the question is about {response!r}, which is not a response",
                nearest(response, known_responses),
            )
        worth = table.number("worth")
        if worth is None and "worth" not in table:
            table.fault(
                None,
                "the question does not say how large a difference would be worth having",
                "add worth = 0.5 (in the response's own unit)",
            )
        elif worth is not None and worth <= 0:
            table.fault("worth", f"worth is {worth:g}", "write the smallest difference that would change what you do")
        between = table.words("between", ())
        if "between" in table and len(between) != 2:
            table.fault("between", f"between names {len(between)} levels", "name the two to compare, or leave it out")
        for level in between:
            if factor in by_name and level not in by_name[factor].levels:
                table.fault(
                    "between", f"{level!r} is not a level of {factor}", nearest(level, by_name[factor].levels)
                )
        if (factor, response, *sorted(between)) in seen:
            table.fault("factor", f"this question about {factor} and {response} is asked twice", "leave one out")
        seen.add((factor, response, *sorted(between)))
        yield Question(factor, response, worth or 0.0, between)


def _steps(root: Table) -> Iterator[Step]:
    for table in root.tables("step"):
        table.allow(("name", "material", "stage", "dry", "note"))
        stage = table.text("stage", "") if "stage" in table else ""
        if stage and stage not in STAGES:
            table.fault("stage", f"{stage!r} is not a stage of the work", nearest(stage, STAGES))
        dry = table.text("dry", "") if "dry" in table else ""
        if dry:
            try:
                units.read(dry, "time")
            except UserError as error:
                table.fault("dry", f"dry: {error.problems[0].what}", error.problems[0].cure)
        yield Step(table.text("name"), table.text("material", ""), stage, dry, table.text("note", ""))


def _assessors(root: Table) -> tuple[str, ...]:
    table = root.table("scoring")
    table.allow(("assessors",))
    return table.words("assessors", ())


# --- the plan as a whole ---------------------------------------------------------------------------


def _check_whole(plan: Plan, boards: Table, root: Table) -> Plan:
    """Check what only shows when every table is read: do the controls and the treatments fit."""
    if not plan.factors:
        root.fault(None if "factor" not in root else "factor", "the plan varies nothing", "add a [[factor]]")
        return plan
    if any(len(factor.levels) < 2 for factor in plan.factors):
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
