"""How much boards, lanes, strips, patches and readings are likely to differ, before anything has been read.

Working values stand in until an earlier trial has been fitted; `Prior.source` says which of the two it was.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import pandas as pd

from analysis.responses import analyse
from trials import structure
from trials.errors import Problem, UserError
from trials.folder import Trial
from trials.plan import Plan, Response

RESIDUAL = "residual"

LOT_SHARE = 1 - (1.2 / 2.5) ** 2
"""The part of the variance between boards that lies between lots: working value, from a between-board standard
deviation in L* of 2.5 over mixed boards and of 1.2 within one flitch."""


@dataclass(frozen=True)
class Spread:
    """Working standard deviations of one kind of response, in its own unit.

    Attributes
    ----------
    board : between boards of mixed stock.
    lane, strip : between lanes and between strips of a board, beside what their patches differ by.
    patch : between patches, readings averaged without end.
    reading : between one assessor's or instrument's readings of one patch.
    words : what it is for and where it comes from.
    """

    board: float
    lane: float
    strip: float
    patch: float
    reading: float
    words: str


_SHAPED = (
    "working value, shaped by Stokke, Pugel and Phelps 1995 (lightness of white oak: little within boards, normal "
    "between them) and Dzurenda 2018 (group standard deviations of 1.3 to 2.1 in L* for oak)"
)

# Within a board the standard deviation of L* is 1.0 in all: 0.3, 0.3, 0.7 and 0.574 squared come to 1.00.
SPREADS: dict[str, Spread] = {
    "L*": Spread(2.0, 0.3, 0.3, 0.7, 0.574, f"lightness of dyed wood: {_SHAPED}"),
    "a*": Spread(0.8, 0.12, 0.12, 0.28, 0.23, "redness of wood: working value, no source"),
    "b*": Spread(1.2, 0.18, 0.18, 0.42, 0.34, "yellowness of wood: working value, no source"),
    "grade": Spread(0.5, 0.15, 0.15, 0.35, 0.4, "grades on a five-step scale: working value, no source"),
    "yes_no": Spread(0.2, 0.1, 0.1, 0.44, 0.0, "shares of patches near one half: working value, no source"),
}
"""By unit or kind. For a yes or no the patch and all above it come to about 0.25, the variance of a coin."""

ASSESSOR = 0.6
"""Standard deviation between assessors' severities, in grades: working value, no source. It is the same in every
patch an assessor marks, so it leaves differences alone where every assessor marks every patch."""


@dataclass(frozen=True)
class Prior:
    """Variances to plan with.

    Attributes
    ----------
    variances : one value a random term of the layout, then the ``residual``: of the mean of a patch's readings.
    source : where they come from, a sentence.
    reading : the part of the residual that comes from the readings and shrinks as more are averaged.
    readings : how many readings a patch `reading` is for; assessors times repeats.
    """

    variances: pd.Series
    source: str
    reading: float = 0.0
    readings: int = 1

    def with_readings(self, readings: int) -> Prior:
        """Return the same for another number of readings averaged on each patch."""
        if readings < 1:
            raise ValueError(f"a patch has one reading or more, not {readings}")
        reading = self.reading * self.readings / readings
        changed = self.variances.copy()
        changed[RESIDUAL] += reading - self.reading
        return replace(self, variances=changed, reading=reading, readings=readings)


def working(plan: Plan, response: Response, repeats: int = 1) -> Prior:
    """Return working variances for one response of a plan, read by its assessors.

    Parameters
    ----------
    repeats : how often each assessor reads a patch.

    Raises
    ------
    UserError
        There is no working value for the response's unit.
    """
    key = response.unit if response.kind == "measure" else response.kind
    if key not in SPREADS:
        raise UserError(
            Problem(
                f"there is no working value for how much {response.words} in {response.unit or 'its unit'} "
                "differs from board to board",
                "plan from an earlier trial of it, or give the variances yourself",
            )
        )
    scale = (response.grades - 1) / 4 if response.kind == "grade" and response.grades > 1 else 1.0
    spread = SPREADS[key]
    readings = repeats * (max(len(plan.assessors), 1) if response.kind != "measure" else 1)
    reading = (spread.reading * scale) ** 2 / readings
    pieces = {term: (getattr(spread, name) * scale) ** 2 for term, name in _NAMES.items()}
    found = _by_term(plan, pieces, reading)
    return Prior(found, f"Working values, not measured ({spread.words}).", reading, readings)


_NAMES = {"board": "board", "board:lane": "lane", "board:strip": "strip", RESIDUAL: "patch"}


def _by_term(plan: Plan, pieces: Mapping[str, float], reading: float) -> pd.Series:
    """Give the plan's random terms their variances; a piece that is a single patch joins the residual."""
    terms = structure.random_terms(plan)
    found = {term: pieces[term] for term in terms if term != "lot"}
    if "lot" in terms:
        whole = pieces["board"]
        found = {"lot": LOT_SHARE * whole} | found
        if "board" in found:
            found["board"] = (1 - LOT_SHARE) * whole
    rest = pieces[RESIDUAL] + reading
    for term in ("board:lane", "board:strip"):
        rest += pieces[term] if term not in terms else 0.0
    if "board" not in terms:
        rest += pieces["board"] * ((1 - LOT_SHARE) if "lot" in terms else 1.0)
    return pd.Series(found | {RESIDUAL: rest}, name="variance", dtype=float)


def from_trial(trial: Trial, response: str) -> Prior:
    """Return the variances found in an earlier trial of a response.

    Raises
    ------
    UserError
        The trial has no such response, or it cannot be fitted.
    """
    named = {one.name: one for one in trial.plan.responses}
    if response not in named:
        raise UserError(Problem(f"the trial {trial.plan.title!r} has no response {response!r}", "name one it has"))
    found = analyse(trial, named[response]).fit.variances
    nought = [structure.piece_words(str(term)) for term in found.index[:-1] if found[term] == 0]
    caution = f" The variance of {' and '.join(nought)} was estimated at zero there." if nought else ""
    return Prior(found, f"Fitted in the trial {trial.plan.title!r}, {named[response].words}.{caution}")
