"""Made-up values of one response: a stated truth, and chance differences of pieces, assessors and readings.

Pure: everything follows from the layout, the truth, the variances and a seed. The draws use only the stream that
Python promises to keep (``random.Random.random``), turned into normal ones by the inverse of their distribution.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from statistics import NormalDist
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis import priors
from analysis.priors import ASSESSOR, RESIDUAL, Prior
from analysis.rehearse import truth as truths
from analysis.rehearse.truth import Truth
from trials import structure
from trials.plan import Plan, Response

if TYPE_CHECKING:
    from collections.abc import Hashable

_STANDARD = NormalDist()
_QUARTER = 0.25
_SURE = 0.02
"""No patch is surer of a yes or a no than this: working value, no source."""

Values = dict[tuple[str, str, int], str]
"""What is written on a form, by stage, assessor and code."""


def variances(plan: Plan, response: Response, truth: Truth, place: Path | None = None) -> tuple[Prior, str]:
    """Return how much pieces differ in a response, and a sentence that says where that comes from.

    It is what the plan says of it, else what the trial it is like found, else a working value. Where there is none of
    these a quarter is taken of the smallest worth of its questions, else of its largest effect, else of its scale, as
    one standard deviation in all; half of its variance lies between patches, the rest evenly between larger pieces.

    Parameters
    ----------
    place : the plan's folder.

    Raises
    ------
    UserError
        What the plan says of it, or the trial it is like, cannot be used.
    """
    known, _ = priors.for_plan(replace(plan, responses=(response,)), place)
    found = known.get(response.name)
    if found is None:
        return _a_quarter(plan, response, truth)
    return found, f"How much pieces differ in {response.words}: {found.source}"


def _a_quarter(plan: Plan, response: Response, truth: Truth) -> tuple[Prior, str]:
    """Return the variances that stand in where nothing is known, and the sentence that says so."""
    of, size = _measure_of(plan, response, truth)
    spread = _QUARTER * size
    terms = structure.random_terms(plan)
    larger = [term for term in terms if term != RESIDUAL]
    shares = {term: 0.5 / len(larger) for term in larger}
    shares[RESIDUAL] = 1 - sum(shares.values())
    found = pd.Series({term: share * spread**2 for term, share in shares.items()}, name="variance", dtype=float)
    unit = response.unit_words(spread)
    said = (
        f"There is no working value for how much {response.words} differs from piece to piece; a standard deviation "
        f"of {spread:.3g} {unit}, a quarter of {of}, was taken."
    )
    return Prior(found, said), said


def _measure_of(plan: Plan, response: Response, truth: Truth) -> tuple[str, float]:
    """Return what a spread is a quarter of, in words and in the response's unit."""
    worths = [question.worth for question in plan.questions if question.response == response.name]
    if worths:
        return "the worth stated", min(worths)
    if truth.span(response.name):
        return "the effect stated", truth.span(response.name)
    if response.low is not None and response.high is not None:
        return "its scale", response.high - response.low
    return "one unit of it", 1.0


def values(
    response: Response, patches: pd.DataFrame, truth: Truth, prior: Prior, assessors: Sequence[str], seed: int
) -> Values:
    """Make up every reading of a response.

    Parameters
    ----------
    patches : one row a patch, as layout.csv; controls are read too, and no factor acts on them.
    prior : variances by random term; a piece's own difference is the same at each stage.
    assessors : who reads; an instrument has no name.

    Notes
    -----
    Effects are there at the stage the questions are answered at, the last; before it the pieces alone differ.
    """
    normal = _normal(f"{seed}/{response.name}")
    scale = (response.grades - 1) / 4 if response.kind == "grade" else 0.0
    severity = {assessor: ASSESSOR * scale * normal() for assessor in assessors}
    middle = truths.centre(response, truth, prior)
    reading = prior.reading * prior.readings
    patch_part = max(float(prior.variances[RESIDUAL]) - prior.reading, 0.0)
    pieces: dict[tuple[Hashable, ...], float] = {}
    found: Values = {}
    for row in patches.to_dict("records"):
        wood = middle + _larger_pieces(prior.variances, row, pieces, normal)
        own = math.sqrt(patch_part) * normal()
        for stage in response.stages:
            acts = stage == response.stage and not row["control"]
            level = wood + (truth.added(response.name, row) if acts else 0.0)
            for assessor in assessors:
                chance = own + math.sqrt(reading) * normal()
                text = _written(response, level, severity[assessor], chance, patch_part + reading)
                found[stage, assessor, int(row["patch"])] = text
    return found


def _normal(name: str) -> Callable[[], float]:
    """Return a source of standard normal draws that depends on its name alone."""
    uniform = random.Random(name).random

    def draw() -> float:
        return _STANDARD.inv_cdf(max(uniform(), 1e-12))

    return draw


def _larger_pieces(
    spread: pd.Series, row: Mapping[Any, Any], pieces: dict[tuple[Hashable, ...], float],
    normal: Callable[[], float],
) -> float:  # fmt: skip
    """Return what a patch has from its lot, board, lane and strip, each drawn when it is first met."""
    total = 0.0
    for term, variance in spread.items():
        if term != RESIDUAL:
            key = (term, *(row[column] for column in structure.COLUMNS[str(term)]))
            if key not in pieces:
                pieces[key] = math.sqrt(variance) * normal()
            total += pieces[key]
    return total


def _written(response: Response, level: float, severity: float, chance: float, variance: float) -> str:
    """Return one reading as it is written on a form.

    A yes comes with the chance that the level is; `chance` decides it, so that those who read the same patch agree
    as far as patches differ more than readings do.
    """
    if response.kind == "yes_no":
        below = _STANDARD.cdf(chance / math.sqrt(variance)) if variance > 0 else 0.5
        return "yes" if below < min(max(level, _SURE), 1 - _SURE) else "no"
    step = 10.0 ** -_decimals(variance)
    if response.kind == "grade":
        step = 0.5 if response.half_grades else 1.0
    value = math.floor((level + severity + chance) / step + 0.5) * step
    low = -math.inf if response.low is None else response.low
    high = math.inf if response.high is None else response.high
    return f"{round(min(max(value, low), high), 9):.12g}"


def _decimals(variance: float) -> int:
    """Return how many decimals a measure is written with: one, or as many as show a third of its spread."""
    if variance <= 0:
        return 1
    return min(max(math.ceil(-math.log10(math.sqrt(variance) / 3)), 1), 6)
