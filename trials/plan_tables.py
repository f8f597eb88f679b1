"""The tables of trial.toml that say what is varied, read and asked; each into its part of a `Plan`."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import cast

from trials import blind, scales, units
from trials.errors import UserError, nearest
from trials.plan import (
    KINDS,
    STAGES,
    Control,
    Exclusion,
    Factor,
    Kind,
    Preference,
    Question,
    Response,
    Scoring,
    Step,
)
from trials.toml_source import Table

_RESPONSE_KEYS = (
    "name", "kind", "grades", "half_grades", "unit", "low", "high", "aim", "stage", "stages", "anchors",
)  # fmt: skip
_PREFERENCE_KEYS = ("name", "kind", "factor", "ask", "stage", "pairs")

RESERVED = (
    "patch", "lot", "board", "lane", "strip", "board_order", "control", "response", "value", "assessor",
    "stage", "repeat", "taken_at", "method", "source", "note", "against", "supersedes", "reason", "residual",
    "readings", "mean", "se", "df", "t", "p", "lower", "upper", "difference", "first", "second", "contrast",
    "estimate", "slope", "squared_prediction", "load_in_g_per_l", "ln_of_load", "ln_of_load_squared", "darkness_in",
)  # fmt: skip
"""Names the trial's own tables and models use, which a factor cannot have."""


GRIT_WORDS = ("grit", "sand", "abrasive")
"""In the name of a factor whose levels are grits, which have no unit."""


def factors(root: Table) -> Iterator[Factor]:
    """Yield what is varied, from [[factor]]."""
    seen: set[str] = set()
    for table in root.tables("factor"):
        table.allow(("name", "levels", "laid_on"))
        name = table.text("name")
        if name and not name.isidentifier():
            table.fault("name", f"{name!r} is not one word", f"write it as {_one_word(name)!r}")
            name = _one_word(name)  # so that what is said of it elsewhere agrees
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
        if any(word in str(table.values.get("name", "")).casefold() for word in GRIT_WORDS):
            return None, ""  # a grit is a name of a paper, and no amount
        cure = f"write '{bare} min' or '{bare} g/L', or what is counted, such as '{bare} coats' or '{bare} grit'"
        table.fault("levels", f"level {bare!r} has no unit", cure)
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
    try:
        amounts = tuple(units.read(level, known[0]).amount for level in levels)
    except UserError as error:
        table.fault("levels", error.problems[0].what, error.problems[0].cure)
        return None, ""
    for at, amount in enumerate(amounts):
        if amount in amounts[:at]:
            first = levels[amounts.index(amount)]
            table.fault("levels", f"{first!r} and {levels[at]!r} are the same level", "leave one of them out")
    return amounts, units.BASES[known[0]]


def exclusions(root: Table, factors: tuple[Factor, ...]) -> Iterator[Exclusion]:
    """Yield the combinations that are never made, from [[exclude]]."""
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


def controls(root: Table) -> Iterator[Control]:
    """Yield the pieces that carry no level, from [[control]]."""
    seen: set[str] = set()
    for table in root.tables("control"):
        table.allow(("name", "laid_on", "count"))
        name = table.text("name")
        if name in seen:
            table.fault("name", f"there are two controls named {name!r}", "rename one, or raise its count")
        seen.add(name)
        yield Control(name, cast(Kind, table.choice("laid_on", KINDS, "strip")), table.count("count", 1, 1, 60))


def responses(root: Table, factors: tuple[Factor, ...]) -> Iterator[Response | Preference]:
    """Yield what is scored, measured or compared in pairs, from [[response]]."""
    seen: set[str] = set()
    taken = {*RESERVED, *(factor.name for factor in factors)}
    for table in root.tables("response"):
        kind = table.choice("kind", ("grade", "measure", "yes_no", "preference"), "grade")
        table.allow(_PREFERENCE_KEYS if kind == "preference" else _RESPONSE_KEYS)
        name = table.text("name")
        if name and not name.isidentifier():
            table.fault("name", f"{name!r} is not one word", f"write it as {_one_word(name)!r}")
            name = _one_word(name)
        elif name in taken:
            table.fault("name", f"{name!r} is a factor's name or a word the tables use", "choose another name")
        elif name in seen:
            table.fault("name", f"there are two responses named {name!r}", "rename one")
        seen.add(name)
        yield _preference(table, name, factors) if kind == "preference" else _response(table, name, kind)


def _preference(table: Table, name: str, factors: tuple[Factor, ...]) -> Preference:
    factor, ask = table.text("factor"), table.text("ask")
    names = [one.name for one in factors]
    if factor and factor not in names:
        table.fault("factor", f"{factor!r} is not a factor", nearest(factor, names))
    for told in factors:
        for level in told.levels:
            if blind.names(ask, level):
                what = f"the question names {level!r}, and who scores must not know what was done"
                table.fault("ask", what, 'ask for what is seen, such as "Which shows the fleck more clearly?"')
    stage = table.text("stage", "topcoated")
    if stage not in STAGES:
        table.fault("stage", f"{stage!r} is not a stage of the work", nearest(stage, STAGES))
    return Preference(name, factor, ask, stage, table.count("pairs", 0, 1, 500) if "pairs" in table else 0)


def _response(table: Table, name: str, kind: str) -> Response:
    grades = table.count("grades", 5, 2, 100) if kind == "grade" else 2
    anchors = table.words("anchors", scales.anchors(name, grades) if kind == "grade" else ())
    if kind == "grade" and len(anchors) == 3 < grades:
        anchors = scales.spread_out(anchors, grades)
    if anchors and len(anchors) != grades:
        cure = "write one for each grade, or three: for the lowest, the middle and the highest"
        table.fault("anchors", f"there are {len(anchors)} anchors for {grades} grades", cure)
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
    aim, target = _aim(table, scales.SCALES.get(name) if kind == "grade" else None, anchors)
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


def _aim(table: Table, scale: scales.Scale | None, anchors: tuple[str, ...]) -> tuple[str, float | None]:
    """Return the aim and the target; an aim that contradicts the words of its scale is a fault."""
    usual, cure = "", ""
    if scale and scale.aim and anchors == scale.anchors:
        usual = scale.aim
        cure = (
            f"; but where grades were scored by words that run the other way keep it and write {scale.the_other_way}"
        )
    elif scale and anchors == scale.anchors[::-1]:
        usual = scale.the_other_aim
    written = table.values.get("aim", usual or "more")
    if isinstance(written, int | float) and not isinstance(written, bool):
        return "target", table.number("aim")
    if written not in ("more", "less"):
        table.fault(
            "aim", f"aim is {written!r}", "write 'more', 'less', or the number to come close to, such as aim = 38"
        )
        return "more", None
    if usual not in ("", written):
        what = f"aim is {written!r}, but {len(anchors)} is {anchors[-1]!r} and 1 {anchors[0]!r}"
        table.fault("aim", what, f'write aim = "{usual}"{cure}')
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


def questions(
    root: Table,
    factors: tuple[Factor, ...],
    responses: tuple[Response, ...],
    preferences: tuple[Preference, ...] = (),
) -> Iterator[Question]:
    """Yield the comparisons named beforehand, from [[question]]."""
    compared = [preference.name for preference in preferences]
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
        if response in compared:
            table.fault(
                "response",
                f"{response!r} compares pairs of patches and is a question by itself",
                "take this [[question]] out, or ask it of a response that is graded or measured",
            )
        elif response and response not in known_responses:
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


STEP_PIECES = ("board", "lane", "strip")
"""What a step can handle in one go."""


def steps(root: Table) -> Iterator[Step]:
    """Yield the schedule, from [[step]]."""
    tables = list(root.tables("step"))
    named = any(key in table for table in tables for key in ("only", "dwell"))
    known = {factor.name: factor for factor in factors(root)} if named else {}  # faults are kept once
    for table in tables:
        table.allow(("name", "material", "stage", "dry", "note", "on", "only", "hands", "dwell", "wipe", "tolerance"))
        stage = table.text("stage", "") if "stage" in table else ""
        if stage and stage not in STAGES:
            table.fault("stage", f"{stage!r} is not a stage of the work", nearest(stage, STAGES))
        dwell = _dwell(table, known)
        if dwell and "wipe" not in table:
            table.fault("dwell", "the step has a dwell but not the work that ends it", 'add wipe = "2 min"')
        for key in ("wipe", "tolerance"):
            if key in table and "dwell" not in table:
                table.fault(key, f"{key} belongs to a step with a dwell", 'add dwell = "5 min", or take it out')
        if "dwell" in table and "hands" not in table:
            table.fault("dwell", "the step has a dwell but no hands-on time before it", 'add hands = "3 min"')
        yield Step(
            table.text("name"),
            table.text("material", ""),
            stage,
            _time(table, "dry"),
            table.text("note", ""),
            on=table.choice("on", STEP_PIECES, "board"),
            only=_only(table, known),
            hands=_time(table, "hands", above=True),
            dwell=dwell,
            wipe=_time(table, "wipe", above=True),
            tolerance=_time(table, "tolerance") or "1 min",
        )


def _time(table: Table, key: str, *, above: bool = False) -> str:
    """Return a time as written, empty where there is none; it is 0 or more, or above 0."""
    written = table.text(key, "") if key in table else ""
    if not written:
        return ""
    try:
        amount = units.read(written, "time").amount
    except UserError as error:
        table.fault(key, f"{key}: {error.problems[0].what}", error.problems[0].cure)
        return ""
    if amount < 0 or (above and amount == 0):
        table.fault(key, f"{key} is {written!r}", f"write a time {'above 0' if above else 'of 0 or more'}")
    return written


def _dwell(table: Table, known: Mapping[str, Factor]) -> str:
    """Return the dwell, a time as written or the name of a factor whose levels are times."""
    written = table.text("dwell", "") if "dwell" in table else ""
    if not written or units.split(written) is not None:
        return _time(table, "dwell", above=True)
    times = [factor.name for factor in known.values() if factor.amounts and factor.unit == units.BASES["time"]]
    cure = f"{nearest(written, times)}, or a time such as '5 min'" if times else "write a time, such as '5 min'"
    if written not in known:
        table.fault("dwell", f"dwell is {written!r}, which is neither a time nor a factor", cure)
    elif written not in times:
        table.fault("dwell", f"the levels of {written!r} are not times, so it cannot be a dwell", cure)
    elif min(known[written].amounts or (1.0,)) <= 0:
        table.fault("dwell", f"a level of {written!r} is no time above 0", "take a factor whose levels all are")
    return written


def _only(table: Table, known: Mapping[str, Factor]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return the levels a step is meant for."""
    written = table.values.get("only", {})
    if not isinstance(written, dict) or ("only" in table and not written):
        cure = 'name a factor and its level, such as only = { seal_coat = "shellac" }'
        table.fault("only", f"only is {written!r}", cure)
        return ()
    found = []
    for name, value in written.items():
        if name not in known:
            table.fault("only", f"{name!r} in only is not a factor", nearest(name, known))
            continue
        levels = value if isinstance(value, list) else [value]
        if not levels:
            table.fault("only", f"only names no level of {name}", "name one, or take the factor out")
        for level in levels:
            if level not in known[name].levels:
                table.fault("only", f"{level!r} is not a level of {name}", nearest(str(level), known[name].levels))
        found.append((name, tuple(str(level) for level in levels)))
    return tuple(sorted(found))


MOST_REPEATS = 50.0
"""Per cent of the patches that can come a second time."""


def scoring(root: Table) -> tuple[tuple[str, ...], Scoring]:
    """Return who scores and how, from [scoring]."""
    table = root.table("scoring")
    table.allow(("assessors", "repeats", "rest_after"))
    usual = Scoring()
    return table.words("assessors", ()), Scoring(
        _repeats(table, usual.repeats), table.count("rest_after", usual.rest_after, 3, 200)
    )


def _repeats(table: Table, usual: float) -> float:
    if "repeats" not in table:
        return usual
    try:
        per_cent = units.read(table.values["repeats"], "share").amount
    except UserError as error:
        table.fault("repeats", f"repeats: {error.problems[0].what}", error.problems[0].cure)
        return usual
    if not 0 <= per_cent <= MOST_REPEATS:
        what = f"repeats is {table.values['repeats']!r}"
        table.fault("repeats", what, f"write the share of patches seen twice, from '0 %' to '{MOST_REPEATS:g} %'")
        return usual
    return per_cent / 100
