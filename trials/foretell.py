"""What a plan will and will not be able to tell, in words, before any wood is cut."""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trials import bench, lap, scoring, structure, units
from trials.design import Layout
from trials.level import LEVEL, level_of
from trials.plan import Factor, Lap, Plan, Preference, Question
from trials.selection.aliases import same_as, same_words

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Forecast:
    """One question of the plan: whether the layout can answer it, and why."""

    question: Question
    can_be_told: bool
    words: str


@dataclass(frozen=True)
class Foretold:
    """What follows from the layout alone, without saying how much pieces differ.

    Attributes
    ----------
    title, boards : the trial, and its boards in a sentence.
    questions : each with whether it can be told.
    factors : what each is judged against.
    unseen : what this layout cannot tell.
    notes : what else to know.
    sound : whether there is something to read and every question can be told.
    """

    title: str
    boards: str
    questions: tuple[Forecast, ...]
    factors: tuple[str, ...]
    unseen: tuple[str, ...]
    notes: tuple[str, ...]
    sound: bool


def foretell(plan: Plan, layout: Layout) -> Foretold:
    """Work out what a plan's layout can tell.

    Parameters
    ----------
    plan : a checked plan.
    layout : a layout of it; any seed will do.
    """
    told = structure.of_layout(plan, layout.patches)
    treated = layout.patches[layout.patches["control"] == ""]
    questions = tuple(_forecast(plan, told, treated, question) for question in plan.questions)
    unseen = [structure.describe_left_out(plan, left_out) for left_out in told.left_out]
    unseen += [
        structure.cannot_be_judged(plan, effect, told.counts[effect.judged_against])
        for effect in told.effects
        if len(effect.factors) > 1 and not effect.can_be_judged
    ]
    unseen += [
        f"{factor.words} {level} is nowhere on the boards, so nothing is said of it."
        for factor in plan.factors
        for level in _nowhere(treated, factor)
    ]
    return Foretold(
        title=plan.marked_title,
        boards=_boards_words(plan, layout),
        questions=questions,
        factors=tuple(structure.describe(plan, told)),
        unseen=tuple(unseen),
        notes=tuple(_notes(plan, layout)),
        sound=bool(plan.responses or plan.preferences) and all(forecast.can_be_told for forecast in questions),
    )


def _boards_words(plan: Plan, layout: Layout) -> str:
    boards = plan.boards
    lots = f" from {len(boards.lots)} lots" if len(boards.lots) > 1 else ""
    divisions = ((boards.lanes, "lanes"), (boards.strips, "strips"))
    split = " and ".join(f"{number} {kind}" for number, kind in divisions if number > 1)
    length, width = (
        units.on_the_rule(one, inches=plan.inches) for one in (boards.patch_length_mm, boards.patch_width_mm)
    )
    size = f"{length} × {width} {'in' if plan.inches else 'mm'}"
    controls = int((layout.patches["control"] != "").sum())
    spare = f", {controls} of them controls" if controls else ""
    divided = f", each split into {split}" if split else ""
    count = f"{boards.count} boards" if boards.count > 1 else "1 board"
    return f"{count}{lots}{divided}: {len(layout.patches)} patches of {size}{spare}."


def _forecast(plan: Plan, told: structure.Structure, treated: pd.DataFrame, question: Question) -> Forecast:
    effect = told.by_name[question.factor]
    factor, response = plan.factor(question.factor), plan.response(question.response)
    worth = f"{question.worth:g} {response.unit_words(question.worth)}"
    asked = f"Does {factor.words} change {response.words} by {worth} or more?"
    if not effect.can_be_judged:
        pieces = told.counts[effect.judged_against]
        return Forecast(question, False, f"{asked} No: {structure.cannot_be_judged(plan, effect, pieces)}")
    lacking = [level for level in _nowhere(treated, factor) if level in (question.between or factor.levels)]
    if lacking:
        why = f"{factor.words} {' and '.join(lacking)} {'is' if len(lacking) == 1 else 'are'} nowhere on the boards"
        return Forecast(question, False, f"{asked} No: {why}; lay out more boards, or take the level out.")
    compared = structure.judged_pieces(plan, effect)
    within = "" if factor.laid_on == "board" else " on the same boards"
    words = f"{asked} It can be judged, by comparing {compared}{within} ({structure.df_words(effect.error_df)})"
    words += ": few, so only a large difference will show." if effect.error_df < structure.FEW else "."
    same = same_as(plan, told, treated, factor.name, question.between)
    if same is not None:
        words += f" {same_words(plan, response, same)}"
    return Forecast(question, True, words)


def _nowhere(treated: pd.DataFrame, factor: Factor) -> list[str]:
    """Return the levels of a factor that no patch carries."""
    carried = set(treated[factor.name].astype(str))
    return [level for level in factor.levels if level not in carried]


def _notes(plan: Plan, layout: Layout) -> list[str]:
    notes = [*plan.assumed, *layout.notes]
    if plan.lap is not None:
        notes.append(_lap_words(plan, plan.lap))
    notes += [_compared(plan, preference, layout) for preference in plan.preferences]
    if not plan.responses and not plan.preferences:
        notes.append("No response is named, so there is nothing to score: add a [[response]].")
    elif plan.responses and not plan.questions:
        notes.append("No question is named, so whatever is found will count as exploratory: add a [[question]].")
    if any(response.kind == "grade" for response in plan.responses) and len(plan.assessors) < 2:
        notes.append("One assessor alone: a second one's scores would show how far the marks can be trusted.")
    notes.append("Interactions of three and more factors are taken as chance.")
    if why_not := bench.why_no_order(plan):
        notes.append(why_not)
    if plan.costs is not None and plan.priced is None:
        notes.append(
            "Prices are given and no [[costs.step]], so no cost will be said: add one for each step, with name, "
            "hands and liquid."
        )
    return notes


def fewest_pairs(comparisons: int, p: float = 1 - LEVEL) -> int:
    """Return the fewest pairs of pieces that can settle anything where so many pairs of levels are compared.

    With fewer, chance alone makes all agree, one way or the other, in more than a share p of trials: it is twice
    one half to their number, and the clearest of the comparisons has it multiplied by how many there are (Holm 1979,
    Scandinavian Journal of Statistics 6:65-70).
    """
    return next(number for number in itertools.count(1) if comparisons * 2.0 ** (1 - number) <= p)


def can_settle(pairs: Sequence[int], p: float = 1 - LEVEL) -> list[bool]:
    """Say of each pair of levels whether so many pairs of pieces could settle it, were all to agree everywhere."""
    order = sorted(range(len(pairs)), key=lambda at: -pairs[at])
    can = [False] * len(pairs)
    for rank, at in enumerate(order):
        if pairs[at] < fewest_pairs(len(pairs) - rank, p):
            break
        can[at] = True
    return can


def _compared(plan: Plan, preference: Preference, layout: Layout) -> str:
    """Say how many pairs are compared side by side, and whether they can settle anything."""
    factor = plan.factor(preference.factor)
    rows = {row["patch"]: row for row in layout.patches.to_dict("records")}
    pieces: dict[tuple[str, str], set[tuple[object, ...]]] = defaultdict(set)
    found = scoring.chosen_pairs(plan, preference, layout.patches, layout.seed)
    for first, second in found:
        levels = (str(rows[first][factor.name]), str(rows[second][factor.name]))
        pieces[levels].add(tuple(rows[first][name] for name in scoring.PIECE[factor.laid_on]))
    if not found:
        return f"{preference.words}: no two patches differ in {factor.words} alone, so nothing can be compared."
    fewest = min(map(len, pieces.values()))
    kinds = "patches" if factor.laid_on == "patch" else f"{factor.laid_on}s"
    each = " for each two levels" if len(pieces) > 1 else ""
    at = 1 - level_of(plan)
    can = can_settle([len(each) for each in pieces.values()], at)
    needed = fewest_pairs(len(can) - sum(can), at) if not all(can) else 0
    enough = f"; fewer than {needed} cannot settle {'all' if any(can) else 'it'}, even if all agree" if needed else ""
    return (
        f"{preference.words}: {len(found)} pairs of patches are compared side by side, on {fewest} pairs of "
        f"{kinds}{each}{enough}."
    )


def _lap_words(plan: Plan, made: Lap) -> str:
    factor = lap.return_factor(plan)
    assert factor is not None, "a plan with [lap] has a return time"
    cell = lap.cells(plan.boards, made)[0]
    wet, set_edge = lap.controls(factor)
    named = [f"{wet} is the wet control"] if wet else []
    named += [f"{set_edge} the set control" if wet else f"{set_edge} is the set control"] if set_edge else []
    lacking = [
        f"no wait is {words}, so there is no {kind} control"
        for level, words, kind in ((wet, "0 s", "wet"), (set_edge, "a day", "set"))
        if level is None
    ]
    return (
        f"Each lane of a cell gets {cell.dose_ml:.2f} mL; {made.overlap_mm:g} mm of lane B lie over lane A. "
        f"Of {factor.words} {' and '.join([*named, *lacking])}."
    )
