"""What can be expected, in words for the bench."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pandas as pd

from analysis.outlook_page.outlook import Outlook, Size, is_known, worth_of
from analysis.precision import Expected
from analysis.precision.verdicts import TRUE_GAIN
from analysis.report import words
from trials.plan import Plan, Response


def subject(one: Expected) -> str:
    """Return what an answer is about: ``seal coat on figure clarity``."""
    return f"{effect(one.effect.split(':'))} on {_spaced(one.response)}"


def effect(factors: Sequence[str]) -> str:
    """Return an effect as it is read: ``carrier × seal coat``."""
    return " × ".join(map(_spaced, factors))


def _spaced(name: str) -> str:
    return words.clean(name.replace("_", " "))


def times(chance: float) -> str:
    """Return a chance as ``71 times in 100``."""
    if math.isnan(chance):
        return "we cannot say how often"
    if 0 < chance < 0.005:
        return "less than once in 100"
    if 0.995 <= chance < 1:
        return "more than 99 times in 100"
    number = round(100 * chance)
    return "never" if number == 0 else "1 time in 100" if number == 1 else f"{number} times in 100"


def per_hundred(chance: float) -> str:
    """Return a chance as the number of times in 100, short: ``71``, ``< 1``, ``> 99``."""
    if math.isnan(chance):
        return "not known"
    return "< 1" if 0 < chance < 0.005 else "> 99" if 0.995 <= chance < 1 else f"{100 * chance:.0f}"


def amount(value: float) -> str:
    """Return an amount with two significant digits: ``0.27``, ``13``."""
    if not math.isfinite(value):
        return "not known"
    exponent = int(f"{value:.1e}".partition("e")[2]) if value else 1
    return words.number(round(value, 1 - exponent), min(max(1 - exponent, 0), 6))


def several_pairs(one: Expected) -> bool:
    """Whether several pairs of levels are compared at once, so that what is said is of the least well known one."""
    return one.df > 1 and ":" not in one.effect and not (one.question and one.question.between)


def meaning(plan: Plan, one: Expected) -> str:
    """Say what an answer to a question means at the bench."""
    start = f"{words.capital(subject(one))}: "
    if not is_known(one):
        return start + (one.why_not or "this cannot be judged from this layout.")
    gain = f"{_counted(plan.response(one.response), TRUE_GAIN * worth_of(one))} (twice what you call worth having)"
    gains, none = _truths(plan, one, gain)
    return (
        f"{start}if {gains}, the answer will be 'worth it' {about(one, times(one.settles))}; if {none}, it will be "
        f"'not worth it' {about(one, times(one.says_none))}."
    )


def _truths(plan: Plan, one: Expected, gain: str) -> tuple[str, str]:
    """Return what is true where something is gained, and where nothing is."""
    levels = plan.factor(one.effect).levels
    if several_pairs(one) and one.effect in plan.model.curvature:
        first, last = words.clean(levels[0]), words.clean(levels[-1])
        return f"{last} truly gains {gain} over {first}, the rest along a line", "no level differs"
    if several_pairs(one):
        return f"one level truly gains {gain} over another, the rest midway", "no level differs"
    first, second = (one.question.between if one.question else ()) or (levels[0], levels[-1])
    over = f" over {words.clean(first)}" if len(levels) > 2 else ""
    return f"{words.clean(second)} truly gains {gain}{over}", "it gains nothing"


def settled(one: Expected) -> str:
    """Return how often a question is settled: ``71 times in 100``, or when a level gains and when none does."""
    text = times(one.settles)
    return f"{text} if a level gains, {times(one.says_none)} if none does" if several_pairs(one) else text


def settled_short(one: Expected) -> str:
    """Return the same as numbers of 100: ``71``, or ``71 / 24``."""
    text = per_hundred(one.settles)
    return f"{text} / {per_hundred(one.says_none)}" if several_pairs(one) else text


def besides(plan: Plan, one: Expected) -> str:
    """Say how well a difference of just the worth is seen, and how far the interval of an answer will reach."""
    if not is_known(one):
        return ""
    response = plan.response(one.response)
    pair = words.clean(one.contrast).replace(" - ", f" {words.MINUS} ")
    which = f" (for {pair}, the pair known least well)" if several_pairs(one) else ""
    half = f"{amount(one.half_width)} {response.unit_words(one.half_width)}"
    return (
        f"The interval will reach about {half} to either side{which}. Half of that gain, "
        f"{_counted(response, worth_of(one))}, will be told from chance {about(one, times(one.power))}."
    )


def _counted(response: Response, value: float) -> str:
    return f"{words.plain(value)} {response.unit_words(value)}"


def about(one: Expected, said: str) -> str:
    """Return what is said of a chance, with ``about`` before a number that is not exact."""
    return said if one.exact or not said[0].isdigit() else f"about {said}"


def summary(outlook: Outlook) -> str:
    """Say how many of the questions the layout can judge, and how often it settles them."""
    asked = outlook.questions
    if not asked:
        return (
            "The plan asks no question, so there is nothing to hold the intervals below against: name a question and "
            "what is worth having to see how often this layout would settle it."
        )
    known = [one for one in asked if is_known(one)]
    number = words.count(len(asked), "question")
    if not known:
        which = "The question" if len(asked) == 1 else f"None of the {number}"
        return f"{which} {'cannot' if len(asked) == 1 else 'can'} be judged from this layout."
    every = {1: "the question", 2: "both questions"}.get(len(asked), f"all {number}")
    judged = every if len(known) == len(asked) else f"{len(known)} of the {number}"
    both = [chance for one in known for chance in (one.settles, one.says_none)]
    chances = sorted(chance for chance in both if math.isfinite(chance))
    often = f"; it settles {'it' if len(known) == 1 else 'them'} {_range(chances)}" if chances else ""
    return (
        f"This layout can judge {judged}{often}. To settle a question is to find the whole interval on one side of "
        "what is worth having, when the truth is twice the worth, or nothing."
    )


def _range(chances: Sequence[float]) -> str:
    low, high = chances[0], chances[-1]
    if per_hundred(low) == per_hundred(high):
        return times(low)
    return f"{per_hundred(low)} to {per_hundred(high)} times in 100"


def settled_columns(one: Size) -> dict[str, str]:
    """Return the columns of `analysis.precision.size` that tell how often a question is settled, by heading."""
    return {"worth it": "settles", "not worth it": "says_none"} if one.several else {"settled": "chance"}


# --- under the pictures ----------------------------------------------------------------------------


def told_apart(answers: Sequence[Expected]) -> str:
    """Say of which questions no gain and twice the worth lie far enough apart."""
    known = [one for one in answers if is_known(one)]
    if not known:
        return "None of the questions can be judged, so no interval can be drawn."
    clear = [one for one in known if one.half_width < worth_of(one)]
    rest = [subject(one) for one in known if one.half_width >= worth_of(one)]
    every = "this question" if len(known) == 1 else "every question that can be judged"
    if not rest:
        return f"For {every} the expected intervals stay on their own sides of the worth."
    if not clear:
        return f"For {every} the expected intervals spill over the worth, drawn dotted."
    which = words.listed(rest) if len(rest) < 3 else f"{len(rest)} others"
    return (
        f"For {words.count(len(clear), 'question')} the expected intervals stay on their own sides of the worth; "
        f"for {which} they spill over it, drawn dotted."
    )


def boards_needed(sizes: Sequence[Size]) -> str:
    """Say how many boards each question needs."""
    parts = []
    for one in sizes:
        if one.enough is not None:
            parts.append(f"{words.clean(one.words)} needs {words.count(one.enough, 'board')}")
        elif len(one.known):
            parts.append(f"{words.clean(one.words)} needs more than {int(one.known['boards'].max())} boards")
        else:
            parts.append(f"{words.clean(one.words)} cannot be judged at any of these sizes")
    chances = list(dict.fromkeys(one.chance for one in sizes))
    wanted = times(chances[0]) if len(chances) == 1 else "as often as wanted"
    return f"To be settled {wanted}, {'; '.join(parts)}."


def has_simulated(table: pd.DataFrame) -> bool:
    """Whether some of a table's chances were found by simulation."""
    return "method" in table and bool((table["method"] == "simulated").any())


def readers_help(sizes: Sequence[Size]) -> str:
    """Say what more assessors bring each question, from one look of the fewest to endlessly many."""
    parts = []
    for one in sizes:
        assert one.readers is not None
        known = one.readers[one.readers["chance"].notna()]
        first, last = per_hundred(known["chance"].iloc[0]), per_hundred(known["chance"].iloc[-1])
        change = f"stays at {first}" if first == last else f"goes from {first} to {last}"
        parts.append(f"{words.clean(one.words)} {change} times in 100")
    return f"With more assessors, {'; '.join(parts)}."


def mixed_up_count(pairs: int, drawn: int, complete: int) -> str:
    """Say how many pairs of effects are mixed up, how many of them completely, and how many are drawn."""
    are = f"{words.count(pairs, 'pair')} of effects {'is' if pairs == 1 else 'are'} mixed up, "
    how = f"{'all' if complete == pairs else complete or 'none'} of them completely"
    if pairs == 1:
        how = "completely" if complete else "though not completely"
    rest = f"; the {drawn} among those mixed up most are drawn" if drawn < pairs else ""
    return f"{are}{how}{rest}."


NOTHING_MIXED_UP = "No two effects are mixed up in this layout."
