"""What was said when the boards were laid out, held against what the plan says now.

The one comparison of the two: `check`, `decide`, the report and `publish` all show what `changed` finds, and what
rests on it is exploratory.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from trials.plan import LAID_OUT, Plan, Preference, Question, Response, response_of
from trials.plan_values import GIVEN, KEYS, Place, Values, by_place

LAYOUT = ("boards", "factor", "exclude", "control", "unusable", "model", "added")
"""The first parts of the places that the layout follows from."""
_ORDER = (*LAYOUT, "response", "question", "brief", "piece", "lap", "costs", "analysis", "spread")


@dataclass(frozen=True)
class Changed:
    """One thing that was said otherwise, or not at all, when the boards were laid out.

    Attributes
    ----------
    what : its place in the plan.
    before, now : its values, in `unit`; None where it was or is not there.
    laid_out_at : when `before` was put on record, RFC 3339.
    noticed_at : when the change was first noticed, RFC 3339; empty where that is not known or has not been until now.
    readings : how many readings were in then; None where it is not known.
    """

    what: Place
    before: Any
    now: Any
    unit: str = ""
    laid_out_at: str = ""
    noticed_at: str = ""
    readings: int | None = None

    @property
    def place(self) -> str:
        """The place with dots: ``response.darkness.aim``."""
        return ".".join(self.what)

    @property
    def is_withdrawal(self) -> bool:
        """Whether a question was taken out."""
        return self.what[0] == "question" and self.now is None


def changed(first: Mapping[str, Any], laid_out: Mapping[str, Any], plan: Plan) -> tuple[Changed, ...]:
    """Compare a plan with the record of it.

    Parameters
    ----------
    first : the plan as it was first laid out, as `Plan.as_dict`; what an older record lacks is not compared.
    laid_out : the same of the last occasion, which all that the layout follows from is compared with.
    plan : as it is now.

    Raises
    ------
    KeyError, TypeError, ValueError, AttributeError
        The record does not hold a plan.
    """
    was = by_place(dict(first) | {key: laid_out[key] for key in LAID_OUT if key in laid_out})
    found = [*_differing(was, by_place(plan.as_dict())), *_questions(plan, asked(plan, first))]
    return tuple(sorted(found, key=lambda one: _ORDER.index(one.what[0])))


def check(first: Mapping[str, Any]) -> None:
    """Make sure that a record holds a plan that can be asked.

    Raises
    ------
    KeyError, TypeError, ValueError, AttributeError
        It does not.
    """
    by_place(first)
    factors = [str(one["name"]) for one in first["factors"]]
    responses = [response_of(one).name for one in first.get("responses", ())]
    for one in first.get("preferences", ()):
        Preference(**one)
    for one in _questions_of(first):
        if one.factor not in factors or one.response not in responses:
            raise ValueError(f"a question about {one.factor!r} and {one.response!r}")


def readings_of(found: Iterable[Changed], *responses: str) -> tuple[Changed, ...]:
    """Return the changes of what a reading of these responses is, not of which way it should go."""
    return tuple(
        one
        for one in concerning(found, *(("response", name) for name in responses))
        if one.what[2:] != ("aim",) and (one.what[2:] or one.now is not None)
    )


def concerning(found: Iterable[Changed], *places: Place) -> tuple[Changed, ...]:
    """Return the changes at these places of a plan and below them."""
    return tuple(one for one in found if any(one.what[: len(place)] == place for place in places))


# --- the plan as it was asked ----------------------------------------------------------------------


def as_asked(plan: Plan, first: Mapping[str, Any]) -> Plan:
    """Return a plan with what was asked, and of which responses, put back as it was first laid out.

    Parameters
    ----------
    plan : as it is now.
    first : as it was, see `changed`.

    Returns
    -------
    The plan with the responses, paired comparisons, questions and way of counting grades of the record, withdrawn
    ones among them; after those questions and responses that came later, but no question on a response that is now
    another one.
    """
    before = asked(plan, first)
    responses = _put_back(plan.responses, [_response(one, plan) for one in first.get("responses", ())])
    preferences = _put_back(plan.preferences, [Preference(**one) for one in first.get("preferences", ())])
    same = {one.name for one in plan.responses if one in responses}
    later = [one for one in plan.questions if one.response in same and not is_among(plan, one, before)]
    return replace(
        plan, responses=responses, preferences=preferences, questions=(*before, *later),
        grades=first.get("grades", Plan.grades),
    )  # fmt: skip


def asked(plan: Plan, first: Mapping[str, Any]) -> tuple[Question, ...]:
    """Return the questions of the record; one that still stands, just so, as it is written now."""
    kept = _questions_of(first)
    return tuple(next((now for now in plan.questions if is_among(plan, now, [one])), one) for one in kept)


def _questions_of(first: Mapping[str, Any]) -> list[Question]:
    return [
        Question(str(one["factor"]), str(one["response"]), float(one["worth"]), tuple(one.get("between", ())))
        for one in first.get("questions", ())
    ]


def is_among(plan: Plan, question: Question, others: Iterable[Question]) -> bool:
    """Whether a question is one of others: the same levels, in either order, and the same worth."""
    return any(
        (question.factor, question.response) == (other.factor, other.response)
        and _levels_of(plan, question) == _levels_of(plan, other)
        and _alike(question.worth, other.worth)
        for other in others
    )


def _put_back(now: Sequence[Any], before: Sequence[Any]) -> tuple[Any, ...]:
    """Return what is there now, as it was where it was there before, and then what has been taken out."""
    was = {one.name: one for one in before}
    names = [one.name for one in now]
    return (*(was.get(one.name, one) for one in now), *(one for one in before if one.name not in names))


def _response(values: Mapping[str, Any], plan: Plan) -> Response:
    """Return a response of the record; what an older record does not hold is as it is now."""
    return response_of(values, next((one for one in plan.responses if one.name == values["name"]), None))


# --- what differs ----------------------------------------------------------------------------------


def _differing(before: Values, now: Values) -> Iterator[Changed]:
    """Give what differs: of a table that is new or gone the table alone, of keys an older record lacks none."""
    apart = before.keys() ^ now.keys()
    whole = {place for place in apart if (before.get(place) or now[place])[0] == GIVEN}
    both = before.keys() & now.keys()
    regraded = {place[:-1] for place in both if place[-1] == "grades" and before[place] != now[place]}
    for place in dict.fromkeys([*before, *now]):
        (was, unit), (value, unit_now) = before.get(place, (None, "")), now.get(place, (None, ""))
        is_lacking = place in apart and place[-1] in KEYS and place[:-1] in both
        follows = any(place != head and place[: len(head)] == head for head in whole)
        follows = follows or (place[2:3] == ("anchors",) and place[:2] in regraded)
        if not is_lacking and not follows and not _alike(was, value):
            yield Changed(place, was, value, unit_now or unit)


def _alike(before: Any, now: Any) -> bool:
    """Whether two values are one, but for what reading them from other units leaves."""
    if isinstance(before, int | float) and isinstance(now, int | float):
        return math.isclose(before, now, rel_tol=1e-9)
    if isinstance(before, list) and isinstance(now, list):
        return len(before) == len(now) and all(map(_alike, before, now))
    return bool(before == now)


def _questions(plan: Plan, before: Sequence[Question]) -> Iterator[Changed]:
    """Give the questions that were taken out, came later, or have another worth or pair of levels."""
    for about in dict.fromkeys((one.factor, one.response) for one in (*before, *plan.questions)):
        was, now = (
            {_levels_of(plan, one): one.worth for one in questions if (one.factor, one.response) == about}
            for questions in (before, plan.questions)
        )
        place = ("question", *about)
        own = place if len(was.keys() | now.keys()) == 1 else None
        gone, new = [one for one in was if one not in now], [one for one in now if one not in was]
        if len(gone) == len(new) == 1:  # one question with another pair
            before_now = [list(one) or "every pair" for one in (gone[0], new[0])]
            yield Changed((*place, "between"), before_now[0], before_now[1])
            was[new[0]], gone, new = was[gone[0]], [], []
        for pair in dict.fromkeys([*was, *now]):
            here = own or (place if not pair else (*place, " against ".join(pair)))
            if pair in gone or pair in new:
                yield Changed(here, was.get(pair), now.get(pair))
            elif pair in now and not _alike(was[pair], now[pair]):
                yield Changed((*here, "worth"), was[pair], now[pair])


def _levels_of(plan: Plan, question: Question) -> tuple[str, ...]:
    """Return the pair a question is about, empty for every pair; that of a factor of two levels is the one it has."""
    levels = next((one.levels for one in plan.factors if one.name == question.factor), ())
    pair = question.between or (levels if len(levels) == 2 else ())
    return tuple(sorted(pair))


# --- in words --------------------------------------------------------------------------------------


def words(one: Changed) -> str:
    """Say what was changed, from what to what, and when that was noticed."""
    place, (before, now) = " ".join(one.what).replace("_", " "), _shown(one)
    if one.is_withdrawal:
        return f"{place} (worth {before}): {when_withdrawn(one)}{_noticed(one)}"
    if one.before is None and one.what[0] == "question":
        return f"{place} (worth {now}): added after the boards were laid out{_noticed(one)}"
    if GIVEN in (one.before, one.now):
        happened = "added" if one.before is None else "taken out"
        return f"{place}: {happened} after the boards were laid out{_noticed(one)}"
    return f"{place}: {before} → {now}{_noticed(one)}"


def when_withdrawn(one: Changed) -> str:
    """Say that a question was taken out, and after what."""
    if one.readings is None:
        return "withdrawn since the boards were laid out"
    return "withdrawn after the results were in" if one.readings else "withdrawn after the boards were laid out"


def _noticed(one: Changed) -> str:
    if not one.noticed_at:
        return ""
    readings = "" if one.readings is None else f", with {one.readings or 'no'} reading{'s' * (one.readings != 1)} in"
    return f" (first noticed on {one.noticed_at[:10]}{readings})"


def _shown(one: Changed) -> tuple[str, str]:
    before, now = (_value(value) for value in (one.before, one.now))
    return before, f"{now} {one.unit}".strip() if one.now is not None else now


def _value(value: Any) -> str:
    if value is None or value == "":
        return "not given"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.10g}"
    return ", ".join(map(_value, value)) or "none" if isinstance(value, list) else str(value)


def names(found: Iterable[Changed]) -> str:
    """Return what was changed, without its values: ``figure clarity anchors, figure clarity grades``."""
    return ", ".join(dict.fromkeys(" ".join(one.what[1:3]).replace("_", " ") for one in found))


def heading(found: Sequence[Changed]) -> str:
    """Return what stands above a list of changes."""
    return f"Changed since the boards were laid out on {found[0].laid_out_at[:10]}; what rests on it is exploratory:"


def lines(found: Sequence[Changed]) -> list[str]:
    """Return all of it as plain text; nothing where nothing was changed."""
    return [heading(found), *(f"- {words(one)}" for one in found)] if found else []
