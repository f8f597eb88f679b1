"""What a rehearsal takes to be true: what each level of a factor adds to a response, and around which value."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import scipy.linalg

from analysis.decide import TOO_CLOSE
from analysis.priors import Prior
from trials.csv_source import number
from trials.errors import Problem, UserError, nearest
from trials.plan import Factor, Plan, Question, Response

TYPICAL_LIGHTNESS = 45.0
"""L* of a dyed board where the plan sets no limits: working value, no source."""
_ROOM = 4.0
"""Standard deviations that a response is begun away from its one limit, so that hardly any reading meets it."""
_DIGITS = 12
"""Decimals kept of a shift, so that halves and thirds come out alike on every machine."""

_Want = tuple[str, str, float]


@dataclass(frozen=True)
class Truth:
    """What is true in a made-up trial.

    Attributes
    ----------
    shifts : by factor and response: what each level adds, in the response's unit; the shifts of a factor sum to 0.
    words : the same in sentences.
    """

    shifts: Mapping[tuple[str, str], Mapping[str, float]]
    words: tuple[str, ...]

    def difference(self, factor: str, response: str, first: str, second: str) -> float:
        """Return by how much a response truly differs between two levels, the second less the first."""
        levels = self.shifts.get((factor, response))
        return 0.0 if levels is None else round(levels[second] - levels[first], _DIGITS)

    def added(self, response: str, treatment: Mapping[str, object]) -> float:
        """Return what a patch's levels add to a response."""
        return sum(levels[str(treatment[factor])] for (factor, on), levels in self.shifts.items() if on == response)

    def span(self, response: str) -> float:
        """Return the largest difference between two levels of one factor."""
        spans = (
            max(levels.values()) - min(levels.values()) for (_, on), levels in self.shifts.items() if on == response
        )
        return max(spans, default=0.0)


def pair_of(plan: Plan, question: Question) -> tuple[str, str]:
    """Return the two levels a question's worth lies between: those it names, or the first and the last."""
    levels = plan.factor(question.factor).levels
    first, second = question.between or (levels[0], levels[-1])
    return first, second


# --- what is put in --------------------------------------------------------------------------------


def of_worths(plan: Plan) -> Truth:
    """Return the truth in which every question's difference is just what it is worth, and all else does nothing.

    Notes
    -----
    The second level of a named pair is the better one; where no pair is named the last level is, and levels
    between it and the first are spread evenly. Levels beside a named pair lie midway. Where several questions
    ask different pairs of one factor, the shifts are the least squares solution.
    """
    if not plan.questions:
        return Truth({}, ("The plan asks no question, so no factor was made to do anything.",))
    together: dict[tuple[str, str], list[Question]] = {}
    for question in plan.questions:
        together.setdefault((question.factor, question.response), []).append(question)
    shifts, words = {}, []
    for (factor_name, response_name), questions in together.items():
        factor, response = plan.factor(factor_name), plan.response(response_name)
        wanted = [(*pair_of(plan, one), one.worth * better(response)) for one in questions]
        evenly = any(not one.between for one in questions)
        shifts[factor_name, response_name] = solve(factor.levels, wanted, evenly=evenly)
        words.append(_shift_words(factor, response, wanted[0][0], shifts[factor_name, response_name]))
        words += _missed_words(factor, response, wanted, shifts[factor_name, response_name])
    return Truth(shifts, (*words, *_chosen_words(plan)))


def stated(plan: Plan, effects: Mapping[tuple[str, str], float]) -> Truth:
    """Return the truth in which stated effects hold and all else does nothing.

    Parameters
    ----------
    effects : by factor and response: the difference between the pair that the first question on them names, or
        between the first level and the last, the second less the first, in the response's unit; levels between
        are spread evenly. None of them means that no factor does anything.
    """
    shifts, words = {}, []
    for (factor_name, response_name), amount in effects.items():
        factor, response = plan.factor(factor_name), plan.response(response_name)
        asked = [one for one in plan.questions if (one.factor, one.response) == (factor_name, response_name)]
        question = asked[0] if asked else Question(factor_name, response_name, 0.0)
        first, second = pair_of(plan, question)
        shifts[factor_name, response_name] = solve(
            factor.levels, [(first, second, amount)], evenly=not question.between
        )
        words.append(_shift_words(factor, response, first, shifts[factor_name, response_name]))
    rest = "No other factor was made to do anything." if effects else "No factor was made to do anything."
    return Truth(shifts, (*words, rest))


def solve(levels: Sequence[str], wanted: Sequence[_Want], *, evenly: bool) -> dict[str, float]:
    """Return shifts of the levels, summing to 0, that come as near as can be to differences wanted.

    Parameters
    ----------
    wanted : first level, second level, second less first.
    evenly : spread the levels that are not settled by it evenly; otherwise they lie midway.
    """
    count = len(levels)
    rows, amounts = np.zeros((len(wanted), count)), np.array([amount for _, _, amount in wanted])
    for row, (first, second, _) in zip(rows, wanted, strict=True):
        row[levels.index(first)] -= 1
        row[levels.index(second)] += 1
    found = np.linalg.lstsq(rows, amounts, rcond=None)[0]
    if evenly and count > 2:
        free, bends = scipy.linalg.null_space(rows), np.diff(np.eye(count), n=2, axis=0)
        found = found + free @ np.linalg.lstsq(bends @ free, -bends @ found, rcond=None)[0]
    found = found - found.mean()
    return {level: round(float(shift), _DIGITS) + 0.0 for level, shift in zip(levels, found, strict=True)}


def better(response: Response) -> int:
    """Return in which direction a response is better: 1 upwards, -1 downwards."""
    if response.aim == "target" and response.target is not None:
        return 1 if response.target >= _usual(response, 0.0) else -1
    return -1 if response.aim == "less" else 1


def centre(response: Response, truth: Truth, prior: Prior) -> float:
    """Return the value that a response varies around, within its limits.

    Where it has a target, every level's mean lies on one side of it, so that a difference is a gain of its size.
    """
    span = truth.span(response.name)
    value = _usual(response, _ROOM * float(np.sqrt(prior.variances.sum())) + span)
    if response.target is not None and abs(response.target - value) < span:
        value = response.target - better(response) * span
    low = -np.inf if response.low is None else response.low
    high = np.inf if response.high is None else response.high
    return float(min(max(value, low), high))


def _usual(response: Response, room: float) -> float:
    """Return the middle of a scale; L* as dyed wood has it; else a place with room to its one limit, or 0."""
    if response.low is not None and response.high is not None:
        return (response.low + response.high) / 2
    if response.unit == "L*":
        return TYPICAL_LIGHTNESS
    if response.low is not None:
        return response.low + room
    return 0.0 if response.high is None else response.high - room


# --- effects as they are typed ---------------------------------------------------------------------

_EFFECT = re.compile(r"\s*(.+?)\s+on\s+(.+?)\s*=\s*(.*?)\s*")


def parse(plan: Plan, texts: Sequence[str]) -> dict[tuple[str, str], float] | None:
    """Read effects as ``seal_coat on figure_clarity = 0.8``; several of a text stand between semicolons.

    Returns
    -------
    As `stated` takes them. No text at all gives None, which stands for what the questions are worth; the one
    word ``none`` gives no effects.

    Raises
    ------
    UserError
        With every fault: a text of another form, a factor or response that the plan does not have, an amount that
        is no number or more than the scale holds, an effect given twice.
    """
    parts = [part.strip() for text in texts for part in text.split(";") if part.strip()]
    if not parts:
        return None
    if [part.casefold() for part in parts] == ["none"]:
        return {}
    found: dict[tuple[str, str], float] = {}
    problems: list[Problem] = []
    for part in parts:
        effect = _one(plan, part, problems)
        if effect is None:
            continue
        key, amount = effect
        if key in found:
            problems.append(Problem(f"the effect of {key[0]} on {key[1]} is stated twice", "keep one of them"))
        found[key] = amount
    if problems:
        raise UserError(*problems)
    return found


def _one(plan: Plan, text: str, problems: list[Problem]) -> tuple[tuple[str, str], float] | None:
    """Return one effect, or note its faults."""
    match = _EFFECT.fullmatch(text)
    if match is None:
        cure = "write it as 'seal_coat on figure_clarity = 0.8', or 'none' alone for no effect at all"
        problems.append(Problem(f"{text!r} does not say which factor moves which response by how much", cure))
        return None
    before = len(problems)
    names = [factor.name for factor in plan.factors], [response.name for response in plan.responses]
    kinds = ("factor", "response")
    said = [_named(match[at + 1], names[at], kinds[at], text, problems) for at in (0, 1)]
    amount = number(match[3])
    if amount is None or not np.isfinite(amount):
        problems.append(Problem(f"{match[3]!r} in {text!r} is not a number", "write an amount such as 0.8 or -2"))
    elif said[1]:
        problems += _too_large(plan.response(said[1]), amount, text)
    return None if len(problems) > before or amount is None else ((said[0], said[1]), amount)


def _named(word: str, known: Sequence[str], kind: str, text: str, problems: list[Problem]) -> str:
    """Return the name meant, or note that there is none."""
    wanted = "_".join(word.casefold().split())
    for name in known:
        if word == name or wanted == name.casefold():
            return name
    problems.append(Problem(f"{word!r} in {text!r} is not a {kind} of the plan", nearest(word, known)))
    return ""


def _too_large(response: Response, amount: float, text: str) -> Iterator[Problem]:
    if response.low is not None and response.high is not None and abs(amount) > response.high - response.low:
        scale = f"{response.words} goes from {response.low:g} to {response.high:g} only"
        yield Problem(f"{amount:g} in {text!r} is more than the scale holds: {scale}", "state a smaller amount")


# --- in words --------------------------------------------------------------------------------------


def amount_words(response: Response, amount: float) -> str:
    """Return an amount with its sign and unit: ``+0.5 grade``."""
    return f"{_signed(amount)} {response.unit_words(abs(amount))}"


def _signed(amount: float) -> str:
    return "0" if amount == 0 else f"{amount:+.4g}".replace("-", "\N{MINUS SIGN}")


def _shift_words(factor: Factor, response: Response, first: str, shifts: Mapping[str, float]) -> str:
    """Say what the other levels add against the first of the pair."""
    rest = [(level, round(shift - shifts[first], _DIGITS)) for level, shift in shifts.items() if level != first]
    said = ", ".join(f"{level} {amount_words(response, amount)}" for level, amount in rest)
    return f"Put in: {factor.words} on {response.words}: {said} against {first}."


def _missed_words(
    factor: Factor, response: Response, wanted: Sequence[_Want], shifts: Mapping[str, float]
) -> Iterator[str]:
    """Say which worths of one factor and response could not be had at once."""
    missed = [
        f"{second} instead of {first} {_signed(put_in)}, not {_signed(amount)}"
        for first, second, amount in wanted
        if abs((put_in := round(shifts[second] - shifts[first], _DIGITS)) - amount) > 1e-9
    ]
    if missed:
        on, nearest_ones = f"{factor.words} on {response.words}", "; ".join(missed)
        yield f"The worths asked of {on} cannot all hold at once, so the nearest were put in: {nearest_ones}."


def _chosen_words(plan: Plan) -> Iterator[str]:
    """Say what was chosen where the questions leave it open, and what to expect of effects just worth having."""
    open_ = dict.fromkeys(plan.factor(one.factor).words for one in plan.questions if not one.between)
    if open_:
        names = ", ".join(open_)
        yield f"You did not say which level of {names} should win, so the rehearsal lets the last-named win."
    yield (
        f"An effect of just what it is worth lies on the mark, where {TOO_CLOSE!r} is the usual answer; state a "
        "larger or a smaller one to see another."
    )
