"""Each assessor's own order: a fresh random one, some patches unannounced a second time, the sides of pairs drawn.

Codes, an order of one's own, and more than one presentation of a sample: ISO 13299:2016; forced choice with the
sides changed about: ISO 5495:2005. That a fifth comes twice is a working value of this project's own, no source.
"""

from __future__ import annotations

import hashlib
import math
from typing import TYPE_CHECKING

from trials.design import scoring_order
from trials.draw import Draw
from trials.plan import STAGES, Plan, Preference, Response
from trials.scoring.pairs import pairs
from trials.scoring.sitting import Choice, Look, Pair, Round, Scale, Sitting

if TYPE_CHECKING:
    import pandas as pd

MOST_BETWEEN = 12
"""Looks that lie at least between the two looks at a patch, or a third of all where that is fewer: a working value of
this project's own, no source."""

HOW_TO_LOOK = (
    "Score only what is dry, in the order shown, one patch at a time, and do not look back at earlier ones.",
    "Lay each board with its label end to your left; a board turned round is another reading, because figure "
    "changes with the light.",
    "Keep to one steady light, daylight or a lamp like it, beside plain grey; give your eyes two minutes first.",
    "If you made the boards yourself, let a day go by, leave the key with somebody else, and go by the codes alone.",
    "Look from 2 m, then from 0.5 m, then along the surface in raking light.",
    "Score what you see, not what you expect; talk about it when all are done.",
)
"""Daylight for appraisal and neutral grey about the work: ASTM D1729, ISO 3668:2017; codes, an order of one's own and
silence until all are done: ISO 13299:2016; lightness along and across the grain differs: Stokke, Pugel and Phelps,
Forest Products Journal, October 1995. The distances are this project's own; two minutes are common practice, no
source."""


def sittings(plan: Plan, patches: pd.DataFrame, seed: int) -> tuple[Sitting, ...]:
    """Return what each assessor of the plan scores, or one sitting without a name where the plan names nobody.

    Parameters
    ----------
    plan : the plan; what instruments measure is left out.
    patches : one row a patch, as layout.csv.
    seed : the layout's; with an assessor's name it gives the order.

    Returns
    -------
    None where nothing is scored by eye.
    """
    scored = [response for response in plan.responses if response.kind != "measure"]
    if not scored and not plan.preferences:
        return ()
    return tuple(_sitting(plan, scored, patches, seed, assessor) for assessor in plan.assessors or ("",))


def _sitting(plan: Plan, scored: list[Response], patches: pd.DataFrame, seed: int, assessor: str) -> Sitting:
    asked = {stage for response in scored for stage in response.stages}
    compared = {preference.stage for preference in plan.preferences}
    rounds = []
    for stage in STAGES:
        if stage not in asked | compared:
            continue
        looks = _looks(plan, patches, seed, assessor, stage) if stage in asked else ()
        rounds.append(Round(stage, looks, _pairs(plan, patches, seed, assessor, stage)))
    return Sitting(
        assessor=assessor,
        sitting_id=_identity(plan, patches, seed, assessor),
        rounds=tuple(rounds),
        scales=tuple(_scale(response) for response in scored),
        choices=tuple(Choice(preference.name, preference.ask) for preference in plan.preferences),
        rest_after=plan.scoring.rest_after,
        how_to_look=HOW_TO_LOOK,
        mark=plan.mark,
    )


def _scale(response: Response) -> Scale:
    return Scale(
        response.name, response.words, response.kind, response.grades, response.half_grades, response.anchors,
        response.stages,
    )  # fmt: skip


def _identity(plan: Plan, patches: pd.DataFrame, seed: int, assessor: str) -> str:
    codes = " ".join(sorted(str(code) for code in patches["patch"]))
    asked = [response.name for response in plan.responses] + [preference.name for preference in plan.preferences]
    return hashlib.sha256(f"{codes}/{seed}/{assessor}/{asked}".encode()).hexdigest()[:16]


def _draw(*parts: object) -> Draw:
    text = "/".join(map(str, parts))
    return Draw(int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big"))


def _looks(plan: Plan, patches: pd.DataFrame, seed: int, assessor: str, stage: str) -> tuple[Look, ...]:
    """Return every patch once, in the order of the assessor's form, and some of them a second time, well apart."""
    codes = scoring_order(patches, seed, assessor)
    order = [Look(code) for code in codes]
    count = math.ceil(round(plan.scoring.repeats * len(codes), 9))
    apart = min(MOST_BETWEEN, len(codes) // 3)
    draw = _draw(seed, assessor, stage, "second looks")
    for code in draw.shuffled(codes[: len(codes) - apart])[:count]:
        least = order.index(Look(code)) + apart + 1
        order.insert(least + draw.below(len(order) - least + 1), Look(code, 2))
    return tuple(order)


def chosen_pairs(plan: Plan, preference: Preference, patches: pd.DataFrame, seed: int) -> list[tuple[int, int]]:
    """Return the pairs that are compared, the same for all assessors; see `trials.scoring.pairs.pairs`."""
    return pairs(plan, preference, patches, _draw(seed, preference.name, "pairs"))


def _pairs(plan: Plan, patches: pd.DataFrame, seed: int, assessor: str, stage: str) -> tuple[Pair, ...]:
    """Return the pairs of a stage in random order, sides shared out evenly between the levels, swapped on repeats."""
    found: list[Pair] = []
    for preference in plan.preferences:
        if preference.stage != stage:
            continue
        both = chosen_pairs(plan, preference, patches, seed)
        draw = _draw(seed, assessor, preference.name, "sides")
        swapped = draw.shuffled([at % 2 == 1 for at in range(len(both))])
        sides = [(two, one) if swap else (one, two) for (one, two), swap in zip(both, swapped, strict=True)]
        once = [Pair(preference.name, *side) for side in draw.shuffled(sides)]
        count = math.ceil(round(plan.scoring.repeats * len(once), 9))
        apart = len(once) // 3
        order = list(once)
        for pair in draw.shuffled(once[: len(once) - apart])[:count]:
            least = order.index(pair) + apart + 1
            again = Pair(pair.choice, pair.right, pair.left, 2)
            order.insert(least + draw.below(len(order) - least + 1), again)
        found += order
    return tuple(found)
