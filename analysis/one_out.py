"""Whether an answer hangs on one assessor: each question decided again without each of those who scored."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from analysis import decide
from analysis.decide import CANNOT_BE_TOLD, Comparison, Decision, Finding
from analysis.responses import Analysis, analyse
from trials.errors import UserError
from trials.folder import Trial
from trials.level import level_of
from trials.plan import Plan, Question, Response


@dataclass(frozen=True)
class WithoutOne:
    """One answer as it was and as it is without an assessor.

    Attributes
    ----------
    assessor : whose readings were left out; may be empty, for readings without a name.
    before, after : the finding with everybody and without.
    same_pair : the comparison of `after` between the levels that `before` leads with, the same way round, or None.
    """

    assessor: str
    before: Finding
    after: Finding
    same_pair: Comparison | None

    @property
    def stays(self) -> bool:
        """Whether the verdict, and what it is about, are the same."""
        one, two = self.before.leading, self.after.leading
        about = (one is None and two is None) or (
            one is not None and two is not None and (one.first, one.second) == (two.first, two.second)
        )
        return about and self.before.verdict == self.after.verdict


def one_out(trial: Trial, decision: Decision) -> tuple[WithoutOne, ...]:
    """Decide every question anew without each assessor of its response in turn.

    Parameters
    ----------
    trial : as loaded.
    decision : what `decide.decide` made of it.

    Returns
    -------
    One for each response with two assessors or more, assessor and question, in the plan's order. A fit is made for
    each response and assessor. Responses that could not be fitted with everybody are passed over.
    """
    trial = trial.as_asked
    found: list[WithoutOne] = []
    for analysis in decision.analyses:
        response = analysis.response
        counted = trial.plan.grades == "averages"  # both sides of a comparison count grades as numbers
        asked = [
            (question, finding if counted else decide.answer(analysis, question))
            for question, finding in zip(trial.plan.questions, decision.findings, strict=True)
            if question.response == response.name
        ]
        names = sorted(set(analysis.table.readings["assessor"]))
        if len(names) > 1 and asked:
            found += [one for name in names for one in _without(trial, response, asked, name)]
    return tuple(found)


def _without(
    trial: Trial, response: Response, asked: Sequence[tuple[Question, Finding]], name: str
) -> Iterator[WithoutOne]:
    kept = [row for row in trial.readings if row["response"] == response.name and row["assessor"] != name]
    analysis: Analysis | None
    try:
        analysis, why = analyse(replace(trial, readings=tuple(kept)), response), ""
    except UserError as error:
        analysis, why = None, str(error)
    for question, before in asked:
        after = _untold(trial.plan, question, why) if analysis is None else decide.answer(analysis, question)
        yield WithoutOne(name, before, after, _same_pair(before.leading, after.comparisons))


def _untold(plan: Plan, question: Question, why: str) -> Finding:
    return Finding(
        question.factor, question.response, True, question.worth, CANNOT_BE_TOLD, why, None, (), level_of(plan)
    )  # fmt: skip


def _same_pair(leading: Comparison | None, made: Sequence[Comparison]) -> Comparison | None:
    if leading is None:
        return None
    for one in made:
        if (one.first, one.second) == (leading.first, leading.second):
            return one
        if (one.first, one.second) == (leading.second, leading.first):
            return one.turned()
    return None


# --- in words --------------------------------------------------------------------------------------


def sentence(plan: Plan, ones: Sequence[WithoutOne]) -> str:
    """Say in one sentence what happens to the answers on one response without one assessor.

    Parameters
    ----------
    ones : all of one response and assessor, at least one.
    """
    response = plan.response(ones[0].before.response)
    several = len(ones) > 1
    parts = [_part(plan, response, one, several=several) for one in ones]
    return f"Without {ones[0].assessor or 'the unnamed assessor'} {'; '.join(parts)}."


def _part(plan: Plan, response: Response, one: WithoutOne, *, several: bool) -> str:
    about = f"the answer on {plan.factor(one.before.factor).words}" if several else "the answer"
    if one.stays:
        return f"{about} stays: {one.before.verdict}{_amounts(response, one)}"
    if one.before.verdict != one.after.verdict:
        return f"{about} changes from {one.before.verdict} to {one.after.verdict}{_amounts(response, one)}"
    leading = one.after.leading
    if leading is None:
        return f"{about} stays: {one.before.verdict}"
    pair = f"{leading.second} instead of {leading.first}"
    return f"{about} stays {one.before.verdict}, but about {pair}{_amounts(response, one)}"


def _amounts(response: Response, one: WithoutOne) -> str:
    """Return ``, a gain of 0.70 instead of 0.62 grade``, both of the same two levels."""
    before, after = one.before.leading, one.same_pair
    if before is None or after is None:
        return ""
    digits = decide.decimals(before.gain_lower, before.gain_upper)
    was, now = (f"{round(gain.gain, digits) + 0.0:.{digits}f}".replace("-", "−") for gain in (before, after))
    levels = "" if one.stays else f" for {before.second} over {before.first}"
    return f", a gain of {now} instead of {was} {response.unit_words(abs(before.gain))}{levels}"
