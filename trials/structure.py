"""How a board is split decides how a factor may be judged: the one place where that is worked out.

A factor is judged against the pieces it is laid on: boards of the same treatment, lanes within boards,
strips within boards, or patches. Every kind of piece that carries a factor is a random term, and only
those; the smallest kind is the residual and is not named. When lanes and strips both carry factors
(the criss-cross or strip-plot layout), what they do together is judged against the patches.

Source: the strata of split-plot and strip-plot layouts, e.g. Cochran and Cox, Experimental Designs (2nd
edition, 1957), chapter 7; the mapping to boards, lanes, strips and patches is this project's.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations, product
from math import prod
from typing import TYPE_CHECKING

import numpy as np

from trials.plan import KINDS, Kind, Plan
from trials.telling_apart import Columns, rank, same_as, told_apart

if TYPE_CHECKING:
    import pandas as pd

FEW = 4
"""Fewer degrees of freedom than this show large differences only: common practice, no source."""

PLACES: tuple[Kind, ...] = ("lane", "strip")
"""The kinds of place that may be evened out: where a lane and where a strip lies on its board."""

COLUMNS: dict[str, tuple[str, ...]] = {
    "lot": ("lot",),
    "board": ("board",),
    "board:lane": ("board", "lane"),
    "board:strip": ("board", "strip"),
    "residual": ("patch",),
}
"""The columns of a layout that name the pieces of each term."""

_PIECE: dict[str, tuple[str, str]] = {
    "lot": ("lot", "lots"),
    "board": ("board", "boards"),
    "board:lane": ("lane", "lanes"),
    "board:strip": ("strip", "strips"),
    "residual": ("patch", "patches"),
}


@dataclass(frozen=True)
class Effect:
    """One term of the model, and what the layout has to judge it by.

    Attributes
    ----------
    factors : the factors it is about: one for a main effect, two for an interaction.
    judged_against : the random term of its pieces, or ``residual``.
    df : degrees of freedom it can be estimated with; 0 if it cannot be told from another term or from
        the pieces themselves.
    error_df : degrees of freedom of what it is judged against; 0 if there is nothing to judge it by.
    """

    factors: tuple[str, ...]
    judged_against: str
    df: int
    error_df: int

    @property
    def name(self) -> str:
        """The term as the models write it: ``carrier:seal_coat``."""
        return ":".join(self.factors)

    @property
    def can_be_judged(self) -> bool:
        """Whether the effect can be estimated and has an error to be judged against."""
        return self.df > 0 and self.error_df > 0


@dataclass(frozen=True)
class LeftOut:
    """An interaction the model does without, and the reason in words."""

    factors: tuple[str, ...]
    why: str


@dataclass(frozen=True)
class Structure:
    """What a layout can tell apart.

    Attributes
    ----------
    random : the random terms, the residual not named; a kind of piece of which only single patches were
        read is the patch, and is not among them.
    effects : the terms of the model, main effects first.
    left_out : pairs of factors whose interaction is not in the model.
    counts : how many treated pieces there are of each term, the residual included.
    error_dfs : for each of them the degrees of freedom left to judge by.
    places : the kinds of `PLACES` that are evened out and stand in the model.
    """

    random: tuple[str, ...]
    effects: tuple[Effect, ...]
    left_out: tuple[LeftOut, ...]
    counts: dict[str, int]
    error_dfs: dict[str, int]
    places: tuple[Kind, ...] = ()

    @property
    def fitted_random(self) -> list[str]:
        """The random terms a model can estimate: those with a degree of freedom left.

        Where none is left the treatments account for every difference between the pieces, so the term
        could not be told from them; what is laid on smaller pieces is not touched by leaving it out.
        """
        return [term for term in self.random if self.error_dfs[term] > 0]

    @cached_property
    def by_name(self) -> dict[str, Effect]:
        """The effects by the name the models write."""
        return {effect.name: effect for effect in self.effects}

    @property
    def fixed(self) -> str:
        """The model's fixed part as a formula: the effects that can be estimated, then the places."""
        return " + ".join([*(effect.name for effect in self.effects if effect.df > 0), *self.places]) or "1"

    @property
    def for_these_lots(self) -> tuple[str, list[str]]:
        """The fixed part and the random terms of a model with the lots as they are, not as a sample of all lots.

        With two or three lots the mean of all lots there could be is hardly known, and nobody asked for it; the
        differences between levels are the same either way where every lot holds every level.
        """
        rest = [term for term in self.fitted_random if term != "lot"]
        return " + ".join([self.fixed, *self.lots_as_they_are]), rest

    @property
    def lots_as_they_are(self) -> list[str]:
        """What stands for the lots in the fixed part of such a model; nothing where they make no difference."""
        return [term for term in self.fitted_random if term == "lot"]

    def interaction(self, first: str, second: str) -> Effect | None:
        """Return the interaction of two factors, if the model has it."""
        return next((effect for effect in self.effects if set(effect.factors) == {first, second}), None)


def random_terms(plan: Plan) -> list[str]:
    """Return the random terms of a plan, the residual not named.

    ``lot`` comes in when there are several lots and one of them holds several boards; ``board`` once
    boards hold more than one patch; ``board:lane`` and ``board:strip`` when such pieces carry a factor
    and hold more than one patch each. Control lanes and strips carry no level and are not counted.
    """
    lanes, strips = treated_lanes(plan), treated_strips(plan)
    terms = []
    if len(plan.boards.lots) > 1 and max(plan.boards.lots) > 1:
        terms.append("lot")
    if lanes * strips > 1:
        terms.append("board")
    if plan.laid_on("lane") and lanes > 1 and strips > 1:
        terms.append("board:lane")
    if plan.laid_on("strip") and strips > 1 and lanes > 1:
        terms.append("board:strip")
    return terms


def treated_lanes(plan: Plan) -> int:
    """Return how many lanes of a board carry levels."""
    return plan.boards.lanes - plan.controls_on("lane")


def treated_strips(plan: Plan) -> int:
    """Return how many strips of a board carry levels."""
    return plan.boards.strips - plan.controls_on("strip")


def judged_against(plan: Plan, factors: Sequence[str], seen_as: Mapping[str, str] | None = None) -> str:
    """Return the random term (or ``residual``) that an effect of these factors is judged against.

    Parameters
    ----------
    seen_as : for each random term of the plan what its pieces are among the patches that were read, as
        `_pieces_seen` gives it; all of them are themselves where nothing went unread.
    """
    kinds = {plan.factor(name).laid_on for name in factors}
    if kinds == {"board"}:
        term = "board"
    elif kinds <= {"board", "lane"}:
        term = "board:lane"
    elif kinds <= {"board", "strip"}:
        term = "board:strip"
    else:
        return "residual"
    if seen_as is not None:
        return seen_as.get(term, "residual")
    return term if term in random_terms(plan) else "residual"


def _pieces_seen(plan: Plan, treated: pd.DataFrame) -> dict[str, str]:
    """Say what the pieces of each random term are among the patches that were read.

    A piece of which single patches were read is the patch; one of which there is one on each board is the
    board. Otherwise it is itself.
    """
    counts = {term: len(treated[list(COLUMNS[term])].drop_duplicates()) for term in random_terms(plan)}
    seen_as = {}
    for term, count in counts.items():
        if count == len(treated):
            seen_as[term] = "residual"
        elif term != "board" and count == counts.get("board"):
            seen_as[term] = "board"
        else:
            seen_as[term] = term
    return seen_as


def piece_words(term: str, number: int = 2) -> str:
    """Return what the pieces of a term are called, one or many."""
    return _PIECE[term][0 if number == 1 else 1]


def of_layout(plan: Plan, patches: pd.DataFrame, places: Collection[Kind] | None = None) -> Structure:
    """Work out what a layout can tell.

    Parameters
    ----------
    plan : the plan the layout follows.
    patches : one row a patch, as layout.csv; control patches are passed over.
    places : those of the structure of all that was laid out, where these are only the patches that were read: they
        stay in the model as far as these patches can tell them from the effects. If not given, these are all.

    Returns
    -------
    The random terms; the model's terms, which are every factor and every pair of factors that the
    layout can hold; and for each the degrees of freedom, counted as ranks of the layout's own columns.

    Notes
    -----
    A pair is left out when the plan names the interactions it wants and this is none of them; when one of its
    combinations is nowhere on the boards; when these boards cannot tell it from something else; and, those the
    questions are not about first, while fewer than `FEW` degrees of freedom (one, where the plan names its
    interactions) are left to judge by in its stratum.

    Places come last. Those of boards that were added later are those of the boards laid out first.
    """
    if places is None and plan.added:
        places = of_layout(*_first_occasion(plan, patches)).places
    treated = patches[patches["control"] == ""]
    columns = Columns(plan, treated)
    seen_as = _pieces_seen(plan, treated)
    random = [term for term, seen in seen_as.items() if seen == term]
    strata = [*random, "residual"]
    counts = {term: columns.number(COLUMNS[term]) for term in strata}
    order = list(combinations([factor.name for factor in plan.factors], 2))
    wanted = parting_first(plan, treated, pairs_by_weight(plan))
    left_out = [LeftOut(pair, "the plan does not ask for it") for pair in order if pair not in wanted]
    pairs, hidden = told_apart(
        plan, columns, wanted, stated=plan.model.interactions is not None,
        array=keeps_array(plan, columns.number(COLUMNS["board"])),
    )  # fmt: skip
    left_out += [LeftOut(pair, why) for pair, why in hidden.items()]
    terms: list[tuple[str, ...]] = [*((factor.name,) for factor in plan.factors), *pairs]
    stratum_of = {term: judged_against(plan, term, seen_as) for term in terms}
    fitted: list[Kind] = []

    def left(stratum: str) -> int:
        return _error_df(plan, columns, stratum, terms, seen_as, fitted)

    for pair in _giving_way(plan, pairs, stratum_of, left):
        stratum = stratum_of[pair]
        besides = sum(stratum_of[term] == stratum for term in terms) > 1
        left_out.append(LeftOut(pair, _too_few(stratum, besides=besides)))
        terms.remove(pair)
    terms.sort(key=lambda term: order.index((term[0], term[1])) if len(term) == 2 else -1)
    left_out.sort(key=lambda one: order.index((one.factors[0], one.factors[1])))
    for kind in _kinds_laid_on(plan) if places is None else places:
        stratum = _stratum_of_place(plan, kind, seen_as)
        before = left(stratum)
        fitted.append(kind)
        if places is None:
            stays = left(stratum) >= FEW and _is_even(columns, kind, terms, random)
        else:
            stays = columns.number((kind,)) > 1 and 0 < left(stratum) == before - columns.number((kind,)) + 1
        if not stays:
            fitted.remove(kind)
    error_dfs = {stratum: left(stratum) for stratum in strata}
    effects = tuple(_effect(plan, columns, term, terms, seen_as, error_dfs, fitted) for term in terms)
    return Structure(tuple(random), effects, tuple(left_out), counts, error_dfs, tuple(fitted))


def pairs_by_weight(plan: Plan) -> list[tuple[str, str]]:
    """Return the pairs of factors whose interaction is wanted, those the questions are about first.

    Where the plan names its interactions they are these, in its order.
    """
    if plan.model.interactions is not None:
        return list(plan.model.interactions)
    asked = {question.factor for question in plan.questions}
    pairs = list(combinations([factor.name for factor in plan.factors], 2))
    return sorted(pairs, key=lambda pair: -len(asked & set(pair)))


def keeps_array(plan: Plan, boards: int) -> bool:
    """Whether so many boards are better used to tell the factors laid on them apart than for interactions.

    So it is where the plan leaves the interactions to the boards and fewer than half would find room.
    """
    dfs = [len(factor.levels) - 1 for factor in plan.laid_on("board")]
    free = boards - 1 - sum(dfs) - FEW
    return plan.model.interactions is None and 2 * free < sum(one * other for one, other in combinations(dfs, 2))


def parting_first(plan: Plan, treated: pd.DataFrame, pairs: Sequence[tuple[str, str]]) -> list[tuple[str, str]]:
    """Return interactions with those first that boards were added to part from what a question is about.

    They are those that the first boards could not tell from a factor asked about.
    """
    if not plan.added or plan.model.interactions is not None:
        return list(pairs)
    columns = Columns(plan, _first_occasion(plan, treated)[1])
    asked = {question.factor for question in plan.questions}
    same = {pair for name in asked for pair in same_as(plan, columns, name)}
    return sorted(pairs, key=lambda pair: pair not in same)


def _giving_way(
    plan: Plan,
    pairs: Sequence[tuple[str, str]],
    stratum_of: Mapping[tuple[str, ...], str],
    left: Callable[[str], int],
) -> Iterator[tuple[str, str]]:
    """Yield the interactions that leave too little to judge by in their stratum, the last wanted first.

    ``left`` tells how much that is; each pair must be out of the model before the next is asked for.
    """
    least = FEW if plan.model.interactions is None else 1
    for pair in reversed(pairs):
        if left(stratum_of[pair]) < least:
            yield pair


# --- places ----------------------------------------------------------------------------------------


def _kinds_laid_on(plan: Plan) -> list[Kind]:
    several = {"lane": plan.boards.lanes > 1, "strip": plan.boards.strips > 1}
    return [kind for kind in PLACES if plan.laid_on(kind) and several[kind]]


def _stratum_of_place(plan: Plan, kind: Kind, seen_as: Mapping[str, str] | None = None) -> str:
    return judged_against(plan, [plan.laid_on(kind)[0].name], seen_as)


def _first_occasion(plan: Plan, patches: pd.DataFrame) -> tuple[Plan, pd.DataFrame]:
    """Return the plan and the patches without the boards that were added later."""
    lots = plan.boards.lots[: -len(plan.added)] or plan.boards.lots
    first = patches["lot"].astype(int) <= len(lots)
    return replace(plan, boards=replace(plan.boards, lots=lots), added=()), patches[first]


def _is_even(columns: Columns, kind: Kind, terms: Sequence[tuple[str, ...]], random: Sequence[str]) -> bool:
    """Whether nothing that the model holds depends on a kind of place: every term, and all pieces but its own."""
    places = columns.pieces((kind,))
    apart = [columns.pieces(COLUMNS[term]) for term in random if kind not in COLUMNS[term]]
    shared = (places - places.mean(axis=0)).T @ np.hstack([*(columns.term(term) for term in terms), *apart])
    return bool(np.abs(shared).max() < 1e-6)


def to_be_evened(plan: Plan, told: Structure) -> dict[Kind, list[tuple[str, ...]]]:
    """Return the kinds of place that a draw has to even out if it can, each with the terms it must be even for.

    These are the terms that pieces of that kind carry; what larger or smaller pieces carry is even of itself.

    Parameters
    ----------
    told : what the boards can tell with their treatments in any places.
    """
    found = {}
    for kind in told.places if plan.added else _kinds_laid_on(plan):
        stratum = _stratum_of_place(plan, kind)
        taken = plan.boards.lanes - 1 if kind == "lane" else plan.boards.strips - 1
        if plan.added or told.error_dfs[stratum] - taken >= FEW:
            found[kind] = [term.factors for term in told.effects if _is_laid_on(plan, term.factors, kind)]
    return found


def _is_laid_on(plan: Plan, factors: Sequence[str], kind: Kind) -> bool:
    """Whether a term differs between pieces of one kind on a board and not between smaller ones."""
    kinds = {plan.factor(name).laid_on for name in factors}
    return kind in kinds and kinds <= {"board", kind}


# --- whole sets ------------------------------------------------------------------------------------


def room(
    boards: Sequence[tuple[int, frozenset[tuple[int, int]]]], terms: Collection[str], *, lots_apart: bool
) -> dict[str, int]:
    """Return the degrees of freedom between the pieces of each stratum, treatments and error together.

    Parameters
    ----------
    boards : for each its lot, and the (lane, strip) of its treated patches.
    terms : the random terms, see `random_terms`.
    lots_apart : whether what differs between lots is set apart.
    """
    lots = len({lot for lot, _ in boards}) if lots_apart else 1
    found = {"lot": lots - 1, "board": len(boards) - lots, "board:lane": 0, "board:strip": 0, "residual": 0}
    if "board" not in terms:
        return found | {"residual": len(boards) - lots}
    for cells, number in Counter(cells for _, cells in boards).items():
        for stratum, df in _room_of_board(cells, terms).items():
            found[stratum] += number * df
    return found


def _room_of_board(cells: frozenset[tuple[int, int]], terms: Collection[str]) -> dict[str, int]:
    """Return the degrees of freedom within one board by stratum."""
    at = sorted(cells)
    pieces = [np.ones((len(at), 1))]
    within = {}
    for kind, stratum in enumerate(("board:lane", "board:strip")):
        if stratum in terms:
            within[stratum] = max(len({cell[kind] for cell in cells}) - 1, 0)
            pieces.append(np.array([[float(cell[kind] == other[kind]) for other in at] for cell in at]))
    return within | {"residual": len(at) - rank(pieces) if at else 0}


def of_whole_sets(plan: Plan, base: Structure) -> Structure:
    """Work out what whole sets in every lot can tell, without laying them out.

    Parameters
    ----------
    plan : its lots hold whole sets of the board treatments, besides the control boards.
    base : what another number of sets in one lot can tell, balanced, with every interaction that is wanted.

    Notes
    -----
    What the effects take of a stratum is the same whatever the number of sets; what is left over is not. Places can
    be evened out where every cell of the terms that a kind of piece carries is on whole boards' numbers of them.
    """
    boards = plan.boards.count - plan.controls_on("board")
    before = base.counts.get("board", base.counts["residual"])
    apart = "lot" in random_terms(plan)
    random = (("lot",) if apart else ()) + base.random
    lots = [lot for lot, size in enumerate(plan.boards.lots) for _ in range(size)][-boards:]
    cells = frozenset(product(range(treated_lanes(plan)), range(treated_strips(plan))))
    errors = room([(lot, cells) for lot in lots], random, lots_apart=apart)
    errors["residual"] -= boards * plan.controls_on("patch")
    effects = {effect.factors: effect for effect in base.effects}
    for effect in base.effects:
        errors[effect.judged_against] -= effect.df
    pairs = [pair for pair in pairs_by_weight(plan) if pair in effects]
    stratum_of = {factors: effect.judged_against for factors, effect in effects.items()}
    for pair in _giving_way(plan, pairs, stratum_of, errors.__getitem__):
        errors[stratum_of[pair]] += effects.pop(pair).df
    counts = {term: count * boards // before for term, count in base.counts.items()}
    counts |= {"lot": len(plan.boards.lots)} if apart else {}
    told = Structure(random, tuple(effects.values()), (), counts, errors)
    levels = {factor.name: len(factor.levels) for factor in plan.factors}
    for kind, terms in to_be_evened(plan, told).items():
        if not plan.controls_on(kind) and not any(boards % prod(levels[name] for name in term) for term in terms):
            errors[_stratum_of_place(plan, kind)] -= (treated_lanes if kind == "lane" else treated_strips)(plan) - 1
            told = replace(told, places=(*told.places, kind))
    judged = tuple(replace(effect, error_df=errors[effect.judged_against]) for effect in effects.values())
    return replace(told, effects=judged, error_dfs={term: errors[term] for term in (*random, "residual")})


def of_readings(told: Structure, readings: pd.DataFrame) -> list[str]:
    """Return the random terms of a model of single readings: the pieces', and what reading them adds.

    Parameters
    ----------
    readings : one row a reading; columns patch and assessor.
    """
    more = ["patch"] if readings["patch"].duplicated().any() else []
    return [*told.fitted_random, *more, *(["assessor"] if readings["assessor"].nunique() > 1 else [])]


def of_lines(told: Structure, patches: pd.DataFrame, on_boards: Sequence[str]) -> list[str] | None:
    """Return the random terms of a model of straight lines; the lots are taken as they are.

    A line takes fewer degrees of freedom than its amounts as a factor, so that boards may be left to judge by where
    the factorial model has none.

    Parameters
    ----------
    patches : one row a treated patch; columns lot, board and those of `on_boards`.
    on_boards : what varies from board to board, numbers as amounts and words as groups.

    Returns
    -------
    None where there are no more boards than the lines need.
    """
    import pandas as pd

    found = told.for_these_lots[1]
    if "board" not in told.random or "board" in found:
        return found
    boards = patches.drop_duplicates("board")
    blocks = [np.ones((len(boards), 1)), pd.get_dummies(boards["lot"]).to_numpy(float)]
    for name in on_boards:
        amounts = pd.api.types.is_numeric_dtype(boards[name])
        blocks.append((boards[[name]] if amounts else pd.get_dummies(boards[name])).to_numpy(float))
    return ["board", *found] if len(boards) > rank(blocks) else None


def _too_few(stratum: str, *, besides: bool) -> str:
    also = " as well as the factors themselves" if besides else ""
    return f"there are too few {piece_words(stratum)} to judge it by{also}"


def _effect(
    plan: Plan,
    columns: Columns,
    term: tuple[str, ...],
    terms: list[tuple[str, ...]],
    seen_as: dict[str, str],
    error_dfs: Mapping[str, int],
    places: Sequence[Kind],
) -> Effect:
    stratum = judged_against(plan, term, seen_as)
    others = [
        columns.term(other)
        for other in terms
        if other != term and not set(other) > set(term) and judged_against(plan, other, seen_as) == stratum
    ]
    others += [columns.pieces((kind,)) for kind in places if _stratum_of_place(plan, kind, seen_as) == stratum]
    around = [columns.mean, *(columns.pieces(COLUMNS[outer]) for outer in _around(stratum, seen_as))]
    df = rank([*around, *others, columns.term(term)]) - rank([*around, *others])
    return Effect(term, stratum, df, error_dfs[stratum])


def _error_df(
    plan: Plan,
    columns: Columns,
    stratum: str,
    terms: list[tuple[str, ...]],
    seen_as: dict[str, str],
    places: Sequence[Kind],
) -> int:
    """Count what is left among the pieces of a stratum after the larger pieces, the treatments and the places."""
    around = [columns.pieces(COLUMNS[outer]) for outer in _around(stratum, seen_as)]
    own = [columns.term(term) for term in terms if judged_against(plan, term, seen_as) == stratum]
    own += [columns.pieces((kind,)) for kind in places if _stratum_of_place(plan, kind, seen_as) == stratum]
    return columns.number(COLUMNS[stratum]) - rank([*around, *own, columns.mean])


def _around(stratum: str, seen_as: dict[str, str]) -> list[str]:
    """Return the random terms whose pieces hold those of a stratum."""
    random = [term for term, seen in seen_as.items() if seen == term]
    if stratum == "residual":
        return random
    own = set(COLUMNS[stratum])
    return [term for term in random if term != stratum and (term == "lot" or set(COLUMNS[term]) < own)]


# --- in words --------------------------------------------------------------------------------------


def describe(plan: Plan, structure: Structure) -> list[str]:
    """Say for each factor what it is judged against and how many pieces there are; then what is done about places."""
    lines = []
    for factor in plan.factors:
        effect = structure.by_name[factor.name]
        pieces = structure.counts[effect.judged_against]
        words = judged_pieces(plan, effect)
        laid = _LAID[factor.laid_on]
        if effect.can_be_judged:
            lines.append(
                f"{factor.words} is laid on {laid}, so it is judged against {words}: "
                f"{pieces} of them, {df_words(effect.error_df)} to judge by."
            )
        elif effect.df == 0:
            lines.append(f"{factor.words} cannot be told apart from the {words} it is laid on.")
        else:
            lines.append(cannot_be_judged(plan, effect, pieces))
    return [*lines, *_describe_places(plan, structure)]


def _describe_places(plan: Plan, structure: Structure) -> Iterator[str]:
    """Say which places are evened out and taken off, and what is left to chance."""

    def laid(kind: Kind) -> str:
        return " and ".join(factor.words for factor in plan.laid_on(kind))

    for kind in structure.places:
        yield f"{laid(kind)} lies equally often on each {kind}, and what a {kind}'s place does is taken off."
    chance = [
        f"which {piece_words(term, 1)} of a board gets which {laid(kind)}"
        for kind, term in zip(KINDS[1:], ("board:lane", "board:strip", "residual"), strict=True)
        if plan.laid_on(kind) and kind not in structure.places
    ]
    if plan.laid_on("board"):
        chance.append("in which order boards are worked")
        if 0 < min(structure.by_name[factor.name].error_df for factor in plan.laid_on("board")) < FEW:
            yield (
                f"With so few boards what changes over the day cannot be told from {laid('board')}: "
                "work them under the same conditions."
            )
    if chance:
        yield f"Left to chance: {' and '.join(chance)}."


def judged_pieces(plan: Plan, effect: Effect) -> str:
    """Return what the pieces are called that an effect is judged against: lanes, also where a lane is one patch."""
    return judged_pieces_of(plan, effect.factors, effect.judged_against)


def judged_pieces_of(plan: Plan, factors: Sequence[str], against: str) -> str:
    """Return the same for an effect of these factors that is judged against a random term or the residual."""
    return piece_words(_pieces_of(plan, factors, against))


def _pieces_of(plan: Plan, factors: Sequence[str], against: str) -> str:
    """Return the term whose pieces these are called: where they are single patches, that of the factors' own kind."""
    kinds = {plan.factor(name).laid_on for name in factors}
    smaller = kinds - {"board"} or kinds
    if against == "residual" and len(smaller) == 1:
        return next(term for term in COLUMNS if _PIECE[term][0] in smaller)
    return against


def df_words(df: int) -> str:
    """Return ``1 degree of freedom``, ``3 degrees of freedom``."""
    return f"{df} degree{'' if df == 1 else 's'} of freedom"


def cannot_be_judged(plan: Plan, effect: Effect, pieces: int) -> str:
    """Say why an effect has nothing to be judged against, and what would give it something."""
    names = " and ".join(plan.factor(name).words for name in effect.factors)
    term = _pieces_of(plan, effect.factors, effect.judged_against)
    one = piece_words(term, 1)
    levels = len(plan.treatments(tuple(plan.factor(name) for name in effect.factors)))
    if term == "board" and pieces <= levels:
        return (
            f"{names}: one board for each setting, so {names} and board cannot be told apart; "
            "lay out at least two boards of each."
        )
    return (
        f"{names}: the {pieces} {piece_words(term)} leave nothing to judge it by, so its effect "
        f"and the differences from {one} to {one} cannot be told apart; lay out more boards."
    )


def describe_left_out(plan: Plan, left_out: LeftOut) -> str:
    """Say that two factors are taken to add up, and why that cannot be checked."""
    first, second = (plan.factor(name).words for name in left_out.factors)
    return f"Whether the effect of {first} depends on {second}: {left_out.why}, so the two are taken to add up."


_LAID: dict[Kind, str] = {
    "board": "whole boards",
    "lane": "lanes along the grain",
    "strip": "strips across the grain",
    "patch": "single patches",
}
