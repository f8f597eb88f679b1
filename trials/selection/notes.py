"""What the finisher should know of the boards chosen, in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from trials.plan import Plan
from trials.selection.aliases import alias_words, aliases
from trials.selection.fractions import defining_words, is_orthogonal_array
from trials.selection.places import ChosenBoard
from trials.selection.terms import effect_words, firm_terms
from trials.structure import LeftOut, piece_words, treated_lanes, treated_strips

ROMAN = ("", "I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX", "X")


def purpose_note(
    plan: Plan,
    boards: Sequence[ChosenBoard],
    already: Sequence[ChosenBoard],
    terms: Sequence[str],
    wanted: Mapping[str, float] | None,
) -> str:
    """Say why treatments were chosen and what for."""
    if wanted:
        aim = "to settle best: " + ", ".join(plan.factor(name).words for name in wanted)
    else:
        aim = "to estimate best: " + ", ".join(effect_words(plan, term.split(":")) for term in firm_terms(terms))
    if already:
        number = len(boards)
        ones = "one more board was" if number == 1 else f"{number} more boards were"
        return f"The treatments of {ones} chosen, together with the boards already laid out, {aim}."
    why = _what_does_not_fit(plan, boards)
    return f"{why}, so treatments were chosen {aim}." if why else f"Treatments were chosen {aim}."


def _what_does_not_fit(plan: Plan, boards: Sequence[ChosenBoard]) -> str:
    sets = plan.treatments(plan.laid_on("board"))
    if len(boards) < len(sets):
        number = len(boards)
        hold = "board does" if number == 1 else "boards do"
        return f"The {number} {hold} not hold the {len(sets)} board treatments"
    for kind, room in (("lane", treated_lanes(plan)), ("strip", treated_strips(plan))):
        needed = max(len(plan.treatments(plan.laid_on(kind), given)) for given in sets)
        if room < needed:
            pieces, do = (kind, "does") if room == 1 else (f"{kind}s", "do")
            return f"The {room} {pieces} of a board {do} not hold the {needed} {kind} treatments"
    full = treated_lanes(plan) * treated_strips(plan)
    needed = max(len(plan.treatments(plan.laid_on("patch"), given)) for given in sets)
    piece, room = _piece_of_patches(plan)
    if room < needed:
        patches, do = ("patch", "does") if room == 1 else ("patches", "do")
        return f"The {room} {patches} of {piece} {do} not hold the {needed} patch treatments"
    if any(len(board.cells) < full for board in boards):
        return "Not every patch carries a treatment"
    return ""


def _piece_of_patches(plan: Plan) -> tuple[str, int]:
    """Return the piece that holds a full set of patch treatments, and how many patches it has for them."""
    lanes, strips, room = treated_lanes(plan), treated_strips(plan), treated_lanes(plan) * treated_strips(plan)
    lane_sets, strip_sets = (len(plan.treatments(plan.laid_on(kind))) for kind in ("lane", "strip"))
    if plan.laid_on("lane") and plan.laid_on("strip"):
        return "one lane and strip treatment of a board", room // (lane_sets * strip_sets)
    if plan.laid_on("lane"):
        return "a lane", strips
    if plan.laid_on("strip"):
        return "a strip", lanes
    return "a board", room - plan.controls_on("patch")


def given_up_notes(plan: Plan, given_up: Sequence[LeftOut]) -> list[str]:
    """Say which interactions the model does without: one sentence for each reason."""
    by_reason: dict[str, list[str]] = {}
    for one in given_up:
        by_reason.setdefault(one.why, []).append(effect_words(plan, one.factors))
    return [
        f"Given up: {', '.join(names)}, because {why.replace(' it ', ' them ') if len(names) > 1 else why}."
        for why, names in by_reason.items()
    ]


def fraction_notes(plan: Plan, boards: Sequence[ChosenBoard]) -> list[str]:
    """Say so if the board treatments are exactly a regular fraction or an orthogonal array."""
    factors, treatments = plan.laid_on("board"), [board.treatment for board in boards]
    words = defining_words(factors, treatments)
    if words:
        relation = "; ".join(effect_words(plan, word) for word in words)
        resolution = ROMAN[min(len(words[0]), len(ROMAN) - 1)]
        return [
            f"The board treatments are a regular fraction, one in {len(words) + 1} of the full set, of resolution "
            f"{resolution}; what it cannot see by itself (its defining relation) is {relation}."
        ]
    if is_orthogonal_array(factors, treatments):
        return [
            f"The board treatments are an orthogonal array of {len(boards)} runs: "
            "the levels of every two board factors meet equally often."
        ]
    return []


def bare_notes(boards: Sequence[ChosenBoard], carrying: int) -> list[str]:
    """Say how many patches are bare, given how many could carry a treatment."""
    bare = carrying - sum(len(board.cells) for board in boards)
    if not bare:
        return []
    are = "is" if bare == 1 else "are"
    return [
        f"{bare} {piece_words('residual', bare)} {are} left bare, because the plan forbids what would meet there."
    ]


def alias_notes(plan: Plan, boards: Sequence[ChosenBoard]) -> list[str]:
    """Say what all boards together mix up."""
    treatments = [cell for board in boards for cell in board.cells.values()]
    return list(alias_words(plan, aliases(plan, treatments), len(boards)))
