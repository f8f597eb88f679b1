"""Choose treatments for boards that do not hold the full set, and say which effects that mixes up.

Each board is given its board treatment and what its lanes, strips and patches carry, so that the plan's
model is estimated as well as possible: the best of several starts, each improved by exchanging whole boards
for other admissible ones or, where those are too many to list, one part of a board at a time.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import prod

import numpy as np

from trials.draw import Draw
from trials.errors import Problem, UserError
from trials.plan import Plan
from trials.selection.again import once_more
from trials.selection.aliases import Alias, alias_words, aliases
from trials.selection.criterion import Aim, Criterion, Lots
from trials.selection.fractions import board_fraction, two_level_fraction
from trials.selection.model import RATIOS, Model
from trials.selection.notes import alias_notes, bare_notes, fraction_notes, given_up_notes, purpose_note
from trials.selection.places import BoardPlace, ChosenBoard, Stand, Treatment, default_places, draw_controls, stands
from trials.selection.placing import placed, spread_over_lots
from trials.selection.search import TIE, Exchange, Found, Held, Progress, Search
from trials.selection.terms import default_terms, effect_words, factors_of, firm_terms, refused
from trials.structure import LeftOut, piece_words, random_terms

__all__ = [
    "RATIOS", "Alias", "BoardPlace", "ChosenBoard", "Selection", "alias_words", "aliases", "choose",
    "default_places", "default_terms", "two_level_fraction",
]  # fmt: skip

FEW_STARTS, MORE_STARTS = 8, 20
"""Starts in all while none can estimate the model: where an interaction can be given up, and where none can."""
MOST_POLISHES = 5
MOST_TREATMENTS = 100_000
WHY_LOST = "these boards cannot tell it from the other effects"


@dataclass(frozen=True)
class Selection:
    """The boards chosen, and how good they are.

    Attributes
    ----------
    boards : the treated boards, in the order of their places.
    criterion : ``D``, ``I`` or ``L``.
    value : for D the logarithm of the determinant of the information on the model's coefficients (more is
        better); for I the prediction variance averaged over all admissible treatments, for L the mean
        variance of the wanted differences in worths squared and a hundredth share of the former, both in
        residual variances (less is better).
    efficiencies : for each start, in order, its efficiency relative to the boards delivered, 0 to 1.
    terms : the terms of the model it was chosen for.
    given_up : interactions the model does without, with the reason.
    exchange : whether whole ``boards`` or ``parts`` of boards were exchanged.
    notes : what the finisher should know of it, in words.
    """

    boards: tuple[ChosenBoard, ...]
    criterion: Aim
    value: float
    efficiencies: tuple[float, ...]
    terms: tuple[str, ...]
    given_up: tuple[LeftOut, ...]
    exchange: Exchange
    notes: tuple[str, ...]


def choose(
    plan: Plan,
    draw_seed: int,
    terms: Sequence[str] | None = None,
    criterion: Aim | None = None,
    starts: int | None = None,
    *,
    progress: Progress | None = None,
    stop: Callable[[], bool] | None = None,
    boards: Sequence[BoardPlace] | None = None,
    already: Sequence[ChosenBoard] = (),
    wanted: Mapping[str, float] | None = None,
    ratios: Mapping[str, float] | None = None,
    lots: Lots = "random",
    exchange: Exchange | None = None,
) -> Selection:
    """Choose what each treated board, lane, strip and patch carries.

    Parameters
    ----------
    plan : a checked plan.
    draw_seed : any whole number; the same seed gives the same choice.
    terms : the model beside the mean: ``carrier`` (all its levels), ``carrier:seal_coat`` (an interaction),
        ``dwell^1`` and ``dwell^2`` (a straight line and curvature in the amounts). By default those of the
        plan's model, see `default_terms`.
    criterion : ``D`` for the coefficients as a whole, ``I`` for predictions, ``L`` for the differences
        `wanted`; by default the plan's.
    starts : how many starts, at least 1, see `search.STARTS`; more are made while none estimates the model.
    progress : called after each start with the starts done, their number and the best value so far.
    stop : asked before each board; once it says so the best found so far is kept.
    boards : the boards to be treated, in order; by default `default_places`.
    already : boards laid out before that count but stay as they are; only their lot and cells are read.
    wanted : with criterion L, for each factor asked about the difference worth knowing of.
    ratios : variances by random term, replacing those of `RATIOS`; 0 or more, the residual's above 0.
    lots : whether lots are a random term or fixed blocks.
    exchange : what is exchanged; by default decided by the number of admissible boards.

    Raises
    ------
    UserError
        The boards cannot estimate the model, a board has nothing left to treat, or there is no board.
    ValueError
        A term, criterion or number that has no meaning for this plan.
    """
    kind = criterion or plan.model.criterion
    _check_request(kind, starts, lots, wanted)
    draw, already = _own_draw(draw_seed), tuple(board for board in already if board.cells)
    places = tuple(boards) if boards is not None else default_places(plan, already)
    _check_size(plan, places)
    controls = draw_controls(plan, places, draw)
    standing = stands(plan, places, controls)
    fraction = board_fraction(plan, len(places)) if not already else []
    task = _Task(
        plan, standing, already, fraction, kind, wanted, ratios, lots, starts, exchange, draw, progress, stop
    )
    stated = (tuple(terms), list[LeftOut]()) if terms is not None else default_terms(plan, places, already, fraction)
    may_give_up = terms is None and plan.model.interactions is None
    search, found, given_up = _estimable(task, *stated, may_give_up)
    best = _polished(search, found)
    reached = search.value(best)
    chosen = placed(search.model.options, standing, best, controls, draw)
    return Selection(
        boards=chosen,
        criterion=kind,
        value=search.criterion.reported(reached),
        efficiencies=tuple(search.criterion.efficiency(value, reached) for value in found.values),
        terms=search.model.terms,
        given_up=tuple(given_up),
        exchange=search.exchange,
        notes=_notes(task, search, chosen, given_up),
    )


def _own_draw(seed: int) -> Draw:
    """Return a draw of its own, so that what else is drawn from the seed is not the same over again."""
    return Draw(int.from_bytes(hashlib.sha256(f"{seed}/selection".encode()).digest()[:8], "big"))


@dataclass(frozen=True)
class _Task:
    """What is to be searched, whatever the model."""

    plan: Plan
    stands: list[Stand]
    already: tuple[ChosenBoard, ...]
    fraction: list[Treatment]
    kind: Aim
    wanted: Mapping[str, float] | None
    ratios: Mapping[str, float] | None
    lots: Lots
    starts: int | None
    exchange: Exchange | None
    draw: Draw
    progress: Progress | None
    stop: Callable[[], bool] | None

    @property
    def count(self) -> int:
        """How many boards there are in all."""
        return len(self.stands) + len(self.already)

    def search(self, terms: tuple[str, ...], most: int) -> tuple[Search, Found]:
        """Search for boards that estimate these terms; no more than `most` starts are made while none does."""
        model = Model(self.plan, terms, self.ratios)
        lots_of = [stand.lot for stand in self.stands]
        criterion = Criterion(model, self.kind, lots_of, self.lots, self.already, self.wanted)
        _check_boards(criterion, self.count)
        first = [model.options.kinds[0].index(treatment) for treatment in self.fraction]
        search = Search(criterion, self.stands, self.draw, self.exchange, self.stop, first)
        if self.already:
            search.opening = once_more(search, self.already)
            criterion.no_worse_than(search.information(search.opening))
        return search, search.run(self.starts, most, self.progress)


def _estimable(
    task: _Task, terms: tuple[str, ...], given_up: list[LeftOut], may_give_up: bool
) -> tuple[Search, Found, list[LeftOut]]:
    """Search for boards that estimate the model, giving up interactions while they do not, if that is allowed."""
    while True:
        few = may_give_up and any(":" in term for term in terms)
        search, found = task.search(terms, FEW_STARTS if few else MORE_STARTS)
        if np.isfinite(found.value):
            return search, found, given_up
        if search.stopped:
            raise _stopped_too_early()
        lost = _lost_pairs(search, found)
        if not lost:
            raise _cannot(search.criterion, task.count)
        if not may_give_up:
            raise refused(task.plan, factors_of(lost[-1]), WHY_LOST)
        terms = tuple(term for term in terms if term != lost[-1])
        given_up = [*given_up, LeftOut(factors_of(lost[-1]), WHY_LOST)]


def _lost_pairs(search: Search, found: Found) -> list[str]:
    """Return the interactions that the boards found do not estimate."""
    model = search.model
    rows = [model.whitened(board.pattern) for board in found.boards]
    information = search.criterion.information(rows, search.lots_of)
    before = len(information) - model.size
    lost = []
    for term in model.terms:
        own = [before + at for at in model.columns_of(term)]
        rest = np.delete(np.delete(information, own, axis=0), own, axis=1)
        if ":" in term and _rank(information) - _rank(rest) < len(own):
            lost.append(term)
    return lost


def _rank(information: np.ndarray) -> int:
    values = np.linalg.eigvalsh(information)
    return int((values > 1e-9 * values[-1]).sum())


def _polished(search: Search, found: Found) -> list[Held]:
    """Spread the boards over the lots, and exchange again for as long as that gains anything."""
    best, value = found.boards, found.value
    for _ in range(MOST_POLISHES):
        best = spread_over_lots(search.criterion, search.stands, best)
        gained = search.value(best) > value + TIE or (not found.often and search.improve_pairs(best))
        if search.stopped or not gained:
            break
        value = search.improve(best)
    search.divide(best)
    return spread_over_lots(search.criterion, search.stands, best)


def _notes(
    task: _Task, search: Search, chosen: tuple[ChosenBoard, ...], given_up: Sequence[LeftOut]
) -> tuple[str, ...]:
    plan = task.plan
    notes = [
        purpose_note(plan, chosen, task.already, search.model.terms, task.wanted),
        *given_up_notes(plan, given_up),
        *([] if task.already else fraction_notes(plan, chosen)),
        *bare_notes(chosen, sum(int(stand.mask.sum()) for stand in task.stands)),
    ]
    if search.stopped:
        notes.append("The search was stopped early; a longer one may find better boards.")
    return (*notes, *alias_notes(plan, [*task.already, *chosen]))


# --- refusals --------------------------------------------------------------------------------------


def _check_request(kind: str, starts: int | None, lots: str, wanted: Mapping[str, float] | None) -> None:
    if (
        kind not in ("D", "I", "L")
        or (starts is not None and starts < 1)
        or lots not in ("random", "fixed")
        or (kind == "L") != bool(wanted)
    ):
        raise ValueError(
            f"criterion {kind!r} with {starts} starts, lots {lots!r} and wanted {wanted!r}: write 'D', 'I' or, with "
            "something wanted, 'L'; at least 1 start; lots 'random' or 'fixed'"
        )


def _check_size(plan: Plan, places: Sequence[BoardPlace]) -> None:
    """Refuse a plan without a board to treat or with more combinations than can be listed."""
    if not places:
        what = "no board is left to be treated"
        raise UserError(Problem(what, "add boards or take fewer control boards", file="trial.toml"))
    number = prod(len(factor.levels) for factor in plan.factors)
    if number > MOST_TREATMENTS:
        what = f"the factors have {number} combinations, more than the {MOST_TREATMENTS} that can be chosen from"
        raise UserError(Problem(what, "take fewer factors or levels", file="trial.toml"))


def _check_boards(criterion: Criterion, boards: int) -> None:
    """Refuse a model with more coefficients judged between boards than the boards can tell."""
    model = criterion.model
    firm = [owner for at, owner in enumerate(model.owners) if at not in model.likely_small]
    between_boards = firm.count("board") if "board" in random_terms(model.plan) else len(firm) - 1
    needed = 1 + between_boards + (len(criterion.lot_columns) if criterion.lots == "fixed" else 0)
    if boards < needed:
        raise UserError(
            Problem(
                f"{boards} treated {piece_words('board', boards)} cannot tell apart what is laid on boards: "
                f"the effects to be estimated take at least {needed}",
                f"lay out {needed} boards or more, take fewer levels, or lay a factor on lane or strip",
                file="trial.toml",
            )
        )


def _cannot(criterion: Criterion, boards: int) -> UserError:
    names = ", ".join(
        effect_words(criterion.model.plan, term.split(":")) for term in firm_terms(criterion.model.terms)
    )
    return UserError(
        Problem(
            f"{boards} {piece_words('board', boards)} divided like this cannot tell the effects apart: {names}",
            "lay out more boards, divide them further, or ask for fewer effects",
            file="trial.toml",
        )
    )


def _stopped_too_early() -> UserError:
    what = "the search was stopped before it found boards that estimate the effects"
    return UserError(Problem(what, "let it run longer or ask for fewer effects"))
