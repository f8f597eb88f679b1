"""How much boards, lanes, strips, patches and readings are likely to differ, before anything has been read.

Working values stand in until an earlier trial has been fitted; `Prior.source` says which of the two it was.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from analysis.responses import Analysis, analyse
from trials import folder as folders
from trials import structure
from trials.errors import Problem, UserError
from trials.folder import Trial
from trials.plan import Plan, Response
from trials.selection import RATIOS

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

FURTHEST = 100_000
"""How many times what patches and readings scatter by a piece may: the square of more is lost beside it in a sum."""
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
    pieces : what `variances` were made of, by piece, for `on`; empty where they were given as they are.
    """

    variances: pd.Series
    source: str
    reading: float = 0.0
    readings: int = 1
    pieces: Mapping[str, float] = field(default_factory=dict)

    def with_readings(self, readings: int) -> Prior:
        """Return the same for another number of readings averaged on each patch."""
        if readings < 1:
            raise ValueError(f"a patch has one reading or more, not {readings}")
        reading = self.reading * self.readings / readings
        changed = self.variances.copy()
        changed[RESIDUAL] += reading - self.reading
        return replace(self, variances=changed, reading=reading, readings=readings)

    def on(self, plan: Plan) -> Prior:
        """Return the same for a plan with other boards or lots; as it is where it was not made of pieces."""
        if not self.pieces:
            return self
        return replace(self, variances=_by_term(plan, self.pieces, self.reading))


def for_plan(
    plan: Plan, place: Path | None = None, results: Trial | None = None
) -> tuple[dict[str, Prior], tuple[str, ...]]:
    """Return variances for the responses of a plan, each from the best source there is, and why some have none.

    What the trial itself has found so far comes first, then what the plan's own [[spread]] says, then what an earlier
    trial (``like``) found, then working values.

    Parameters
    ----------
    place : the plan's folder, which ``like`` is reckoned from.
    results : the trial itself, if it has results.

    Raises
    ------
    UserError
        The earlier trial cannot be read, or what the plan says of a spread is not enough.
    """
    earlier = _earlier(plan, place)
    found, lacking = {}, []
    for response in plan.responses:
        from_itself = _from_itself(plan, place, response, results)
        if from_itself is not None:
            found[response.name] = from_itself
        elif _has_none(plan, response, earlier):
            lacking.append(str(_no_working_value(response)))
        else:
            found[response.name] = _for_response(plan, response, earlier)
    return found, tuple(lacking)


def foreseen(plan: Plan, place: Path | None, response: Response) -> pd.Series | None:
    """Return the variances that were foreseen of a response, or None where there are none."""
    try:
        found, _ = for_plan(plan, place)
    except UserError:  # the earlier trial it names cannot be read
        return None
    return found[response.name].variances if response.name in found else None


def so_far(plan: Plan, place: Path | None, found: Analysis) -> Prior:
    """Return what a trial itself has found of a response, each variance weighed with what was foreseen.

    What was fitted counts with its degrees of freedom, what was foreseen with `structure.FEW`, both relative to the
    residual: a variance fitted at nought on a few boards is hardly ever really nought.
    """
    fitted, before = found.fit.variances, foreseen(plan, place, found.response)
    before = pd.Series(RATIOS) if before is None else before
    own = _carried(plan, found.response, found)
    pieces = dict(own.pieces)
    for term in structure.random_terms(plan):
        likely = float(before[term] / before[RESIDUAL]) * float(own.variances[RESIDUAL])
        if term in fitted:
            df = found.told.error_dfs[term]
            pieces[term] = (df * pieces[term] + structure.FEW * likely) / (df + structure.FEW)
        elif term == "lot":
            pieces[term] = likely
    source = f"Fitted to what this trial has found so far of {found.response.words}."
    return replace(own, variances=_by_term(plan, pieces, own.reading), pieces=pieces, source=source)


def _from_itself(plan: Plan, place: Path | None, response: Response, trial: Trial | None) -> Prior | None:
    """Return the same if the trial has results of a response that can be fitted."""
    if trial is None or not any(row["response"] == response.name for row in trial.readings):
        return None
    try:
        return so_far(plan, place, _analysed(response, trial))
    except UserError:
        return None


def _has_none(plan: Plan, response: Response, earlier: Trial | None) -> bool:
    stated = any(one.response == response.name for one in plan.spreads)
    before = earlier is not None and any(one.name == response.name for one in earlier.plan.responses)
    return not stated and not before and _spread(response) is None


def _earlier(plan: Plan, place: Path | None) -> Trial | None:
    if not plan.like:
        return None
    path = (place or Path()) / plan.like
    if not path.is_dir():
        cure = "correct the path (it is reckoned from this folder), or take the line out"
        raise UserError(Problem(f"like names {plan.like!r}, which is no folder", cure, file="trial.toml"))
    trial = folders.load(path)
    if trial.plan.rehearsal or (trial.plan.example and not plan.mark):
        cure = "name a trial that was made, or take the line out"
        raise UserError(Problem(f"like names {plan.like!r}, whose results are invented", cure, file="trial.toml"))
    if not trial.readings:
        cure = "name a trial with results, or take the line out"
        raise UserError(Problem(f"the trial in {plan.like!r} has no results", cure, file="trial.toml"))
    return trial


def _for_response(plan: Plan, response: Response, earlier: Trial | None) -> Prior:
    stated = dict(next((one.pieces for one in plan.spreads if one.response == response.name), ()))
    if stated:
        return _stated(plan, response, stated)
    if earlier is not None and any(one.name == response.name for one in earlier.plan.responses):
        return carried_over(plan, response, earlier)
    found = working(plan, response)
    if earlier is not None:
        missing = f"The trial in {plan.like!r} has no {response.words}. "
        found = replace(found, source=missing + found.source)
    return found


_PIECES = ("board", "lane", "strip", "patch", "reading")


def _stated(plan: Plan, response: Response, stated: Mapping[str, float]) -> Prior:
    """Return the variances of the plan's own [[spread]]; what it does not name is a working value, or asked for."""
    lacking = [piece for piece in _PIECES if piece not in stated]
    spread = _spread(response)
    if lacking and spread is None:
        cure = f"add {' and '.join(f'{piece} = …' for piece in lacking)} (standard deviations)"
        what = f"the spread of {response.words} does not say how much {' or '.join(lacking)} differ"
        raise UserError(Problem(what, cure, file="trial.toml"))
    whole = {piece: stated.get(piece, getattr(spread, piece, 0.0)) for piece in _PIECES}
    pieces = {term: whole[name] ** 2 for term, name in _NAMES.items()}
    if "lot" in stated:
        pieces["lot"] = stated["lot"] ** 2
    if max(*whole.values(), *stated.values()) > FURTHEST * math.hypot(whole["patch"], whole["reading"]):
        what = f"the spread of {response.words} lies more than {FURTHEST:,} times apart"
        cure = "write larger standard deviations of patch and reading, or a smaller one of the others"
        raise UserError(Problem(what, cure, file="trial.toml"))
    said = ", ".join(f"{piece} {size:g}" for piece, size in stated.items())
    source = f"Standard deviations from the plan: {said}."
    if lacking:
        source += f" Those of {', '.join(lacking)} are working values, not measured."
    return _prior(plan, response, pieces, whole["reading"] ** 2, source)


def _spread(response: Response) -> Spread | None:
    """Return the working standard deviations for a response, in its own unit."""
    spread = SPREADS.get(response.unit if response.kind == "measure" else response.kind)
    if spread is None or response.kind != "grade" or response.grades < 2:
        return spread
    scale = (response.grades - 1) / 4
    return replace(spread, **{piece: getattr(spread, piece) * scale for piece in _PIECES})


def _prior(
    plan: Plan, response: Response, pieces: Mapping[str, float], reading: float, source: str, repeats: int = 1
) -> Prior:
    """Spread variances of pieces, and of one reading, over the terms of a plan."""
    readings = repeats * (max(len(plan.assessors), 1) if response.kind != "measure" else 1)
    share = reading / readings
    return Prior(_by_term(plan, pieces, share), source, share, readings, pieces)


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
    spread = _spread(response)
    if spread is None:
        raise UserError(_no_working_value(response))
    pieces = {term: getattr(spread, name) ** 2 for term, name in _NAMES.items()}
    source = f"Working values, not measured ({spread.words})."
    return _prior(plan, response, pieces, spread.reading**2, source, repeats)


def _no_working_value(response: Response) -> Problem:
    return Problem(
        f"there is no working value for how much {response.words} in {response.unit or 'its unit'} differs from "
        "board to board",
        f'say it in the plan: [[spread]] with response = "{response.name}" and board, lane, strip, patch and reading '
        'as standard deviations, or name an earlier trial: like = "../earlier-trial" in [trial]',
        file="trial.toml",
    )


_NAMES = {"board": "board", "board:lane": "lane", "board:strip": "strip", RESIDUAL: "patch"}


def _by_term(plan: Plan, pieces: Mapping[str, float], reading: float) -> pd.Series:
    """Give the plan's random terms their variances; what is no term of its own is part of them, see `_shifts`.

    Where no variance is given for lots, those between boards are shared out between lots and boards by `LOT_SHARE`.
    """
    terms = structure.random_terms(plan)
    board, lot = pieces["board"], pieces.get("lot")
    if "lot" in terms and lot is None:
        board, lot = (1 - LOT_SHARE) * board, LOT_SHARE * board
    elif "lot" not in terms and len(plan.boards.lots) > 1:
        board += lot or 0.0  # a lot is a single board
    whole = {"lot": lot or 0.0, **pieces, "board": board, RESIDUAL: pieces[RESIDUAL] + reading}
    shifts = _shifts(plan, whole)
    found = {term: max(whole[term] + shifts.get(term, 0.0), 0.0) for term in (*terms, RESIDUAL)}
    return pd.Series(found, name="variance", dtype=float)


def _shifts(plan: Plan, pieces: Mapping[str, float]) -> dict[str, float]:
    """Return how much the variance of each term of a plan changes for pieces that are no term of their own.

    Notes
    -----
    A lane or strip of which a board has one is the board; one that is a single patch is the patch, and so is a board.
    Strips that carry no level cross the lanes: what they differ by is the same for all lanes of a board, so that it
    is no part of what lanes differ by, but of what patches within lanes do, and of the board's mean; lanes likewise.
    These are the variances whose strata have the mean squares such pieces give them, on average over the residual.
    """
    terms = structure.random_terms(plan)
    numbers = {"board:lane": structure.treated_lanes(plan), "board:strip": structure.treated_strips(plan)}
    if "board" not in terms:  # a board is a single patch
        return {RESIDUAL: pieces["board"] + sum(pieces[term] for term in numbers)}
    patches = math.prod(numbers.values())
    found = dict.fromkeys((*terms, RESIDUAL), 0.0)
    for term, other in (("board:lane", "board:strip"), ("board:strip", "board:lane")):
        if term not in terms:
            crossed = other in terms
            within = (numbers[term] - 1) * numbers[other] * pieces[term]
            within /= patches - (numbers[other] if crossed else 1)
            found[RESIDUAL] += within
            if crossed:
                found[other] -= within / numbers[term]
            found["board"] += (numbers[other] * pieces[term] - (0.0 if crossed else within)) / patches
    return found


def carried_over(plan: Plan, response: Response, earlier: Trial) -> Prior:
    """Return for a plan the variances that an earlier trial found of a response of the same name."""
    return _carried(plan, response, _analysed(response, earlier))


def _analysed(response: Response, earlier: Trial) -> Analysis:
    """Fit a response of the same name and scale."""
    there = next(one for one in earlier.plan.responses if one.name == response.name)
    if (there.kind, there.unit, there.grades) != (response.kind, response.unit, response.grades):
        cure = "give it the same kind, unit and grades, or say its spread in a [[spread]]"
        what = f"{response.words} is not on the same scale here as in the trial {earlier.plan.title!r}"
        raise UserError(Problem(what, cure, file="trial.toml"))
    return analyse(earlier, there)


def _carried(plan: Plan, response: Response, found: Analysis) -> Prior:
    """Return for a plan the variances of a fit.

    Notes
    -----
    What differed between the readings of one patch is told from the patches where they were read more than once.
    A piece that the earlier trial did not tell apart was part of its boards (a lane of which a board had one) or of
    its residual; it gets its share of that in the proportion of the working values, and what else it did to the other
    variances (`_shifts`) is taken out of them. One whose own differences the treatments account for (the only board)
    is part of neither: it is to the residual as its working value is.
    """
    variances = {str(name): float(size) for name, size in found.fit.variances.items()}
    reading, readings = _between_readings(found)
    rest = max(variances[RESIDUAL] - reading / readings, 0.0)
    hosts = {"board": variances["board"], RESIDUAL: rest} if "board" in variances else {RESIDUAL: rest}
    numbers = {
        "board:lane": structure.treated_lanes(found.plan),
        "board:strip": structure.treated_strips(found.plan),
    }
    untold = [term for term in found.told.random if term in _NAMES and term not in variances]
    inside = {term: "board" if numbers.get(term) == 1 and "board" in hosts else RESIDUAL for term in _NAMES}
    inside |= {term: term for term in _NAMES if term in variances or term in untold}
    pieces = {term: variances[term] for term in _NAMES if inside[term] == term and term in variances.keys() - hosts}
    for host, size in hosts.items():
        shares = _shares(response, [term for term, where in inside.items() if where == host])
        pieces |= {term: size * share for term, share in shares.items()}
    for term in untold:
        shares = _shares(response, [term, RESIDUAL])
        pieces[term] = pieces[RESIDUAL] * shares[term] / shares[RESIDUAL]
    if "board" in (*hosts, *untold):
        own = structure.random_terms(found.plan)
        free = {term: pieces[term] for term in numbers if inside[term] == RESIDUAL and term not in own}
        shifts = _shifts(found.plan, dict.fromkeys(_NAMES, 0.0) | free)
        shifts[RESIDUAL] -= sum(free.values())  # which was taken out of it
        pieces = {term: max(size - shifts.get(term, 0.0), 0.0) for term, size in pieces.items()}
    pieces["lot"] = variances.get("lot", 0.0)
    source = _fitted_words(found)
    wanted = structure.random_terms(plan)
    for host, size in hosts.items():
        apart = [term for term, where in inside.items() if where == host != term and term in wanted]
        if apart and size > 0:
            names = " and ".join(structure.piece_words(term) for term in apart)
            source += f" It could not tell {names} from {structure.piece_words(host)}; "
            source += "they are shared out like the working values."
    if apart := [term for term in untold if term in wanted]:
        names = " and ".join(structure.piece_words(term) for term in apart)
        source += f" How much {names} differ it could not tell; that is taken in proportion to the working values."
    return _prior(plan, response, pieces, reading, source)


def _shares(response: Response, terms: list[str]) -> dict[str, float]:
    """Return how one variance is shared out over the terms it holds, by the working values, else evenly."""
    spread = _spread(response)
    sizes = {term: getattr(spread, _NAMES[term]) ** 2 if spread else 1.0 for term in terms}
    total = sum(sizes.values())
    return {term: size / total for term, size in sizes.items()}


def _between_readings(found: Analysis) -> tuple[float, int]:
    """Return the variance of one reading about its patch, and how many are averaged; 0 where none was repeated.

    Each assessor's severity is taken out first: it is the same in all patches.
    """
    each = found.table.readings
    treated = each[each["patch"].isin(found.table.treated["patch"])]
    readings = max(round(float(found.table.treated["readings"].mean())), 1)
    patches, people = pd.factorize(treated["patch"])[0], pd.factorize(treated["assessor"])[0]
    columns = np.hstack([np.eye(patches.max() + 1)[patches], np.eye(people.max() + 1)[people][:, 1:]])
    df = len(treated) - int(np.linalg.matrix_rank(columns))
    if df < 1:
        return 0.0, readings
    values = treated["value"].to_numpy()
    left = values - columns @ np.linalg.lstsq(columns, values, rcond=None)[0]
    return float(left @ left) / df, readings


def _fitted_words(found: Analysis) -> str:
    nought = [
        structure.piece_words(str(term)) for term in found.fit.variances.index[:-1] if found.fit.variances[term] == 0
    ]
    caution = f" The variance of {' and '.join(nought)} was estimated at zero there." if nought else ""
    return f"Fitted in the trial {found.plan.title!r}, {found.response.words}.{caution}"
