"""What a paired comparison says, in plain sentences."""

from __future__ import annotations

from collections.abc import Iterator

from analysis.preference.outcome import Choice, Outcome
from analysis.report import words
from trials.level import per_cent
from trials.plan import Plan


def answer(plan: Plan, found: Outcome) -> Iterator[str]:
    """Say what was picked, and how sure that is, one sentence for every two levels."""
    factor = plan.factor(found.preference.factor)
    for at, one in enumerate(found.choices):
        lead = f"{found.preference.ask} " if at == 0 else ""
        where = f"on {one.agreeing} of {words.count(one.units, one.unit, one.unit_many)}"
        if one.even:
            where += f" and as often as not on {one.even}"
        yield (
            f"{lead}{words.capital(factor.words)} {one.picked} was picked over {one.over} in {one.times} of "
            f"{words.count(one.comparisons, 'comparison')}, {where} ({_chance(one)}; {_share(one)}): {_verdict(one)}."
        )


def _share(one: Choice) -> str:
    level = per_cent(one.level)
    return f"share {one.share:.2f}, {level} interval {one.lower:.2f} to {one.upper:.2f}"


def _chance(one: Choice) -> str:
    p = one.p
    if p < 0.001:
        return "chance alone would do as well in fewer than 1 of 1000 trials"
    if p > 2 / 3:
        return "chance alone would mostly do as well"
    return f"chance alone would do as well in 1 of {1 / p:.0f} trials"


def _verdict(one: Choice) -> str:
    if one.fewest is None:
        number = words.count(one.units, one.unit, one.unit_many)
        they = "it goes" if one.units == 1 else "they go"
        return f"{number} cannot settle it, whichever way {they}; it takes {one.needed} at least"
    if one.settled and one.lower <= 0.5:
        return "settled by the test, though the interval, which holds for all pairs at once, still holds one half"
    if one.settled:
        return "settled"
    if one.p <= one.at:
        return "not settled, for with several pairs of levels one of them looks clear by chance more easily"
    return "not settled"


def beside(found: Outcome) -> Iterator[str]:
    """Say what else there is to know: strength over all levels, sides, second looks, how it was counted."""
    if found.abilities is not None:
        ranked = found.abilities["share_picked"].sort_values(ascending=False)
        shares = ", ".join(f"{name} {per_cent(round(share, 2))}" for name, share in ranked.items())
        yield f"If all were shown together, they would be picked about so: {shares} (Bradley and Terry's worths)."
    elif found.no_abilities:
        yield f"No strengths over all levels are given: {found.no_abilities}."
    yield _sides(found)
    if not found.second_looks:
        yield "No pair was shown a second time with its sides swapped, so how steady the choices are cannot be told."
    for looks in found.second_looks:
        name = words.capital(looks.assessor or "the unnamed assessor")
        shown = words.count(looks.pairs, "pair")
        yield f"{name} picked the same patch again in {looks.same} of {shown} shown again with the sides swapped."
    yield _method(found)


def _sides(found: Outcome) -> str:
    bounds = f"95% interval of the share {found.left_lower:.2f} to {found.left_upper:.2f}"
    count = f"The left one was picked in {found.left} of {words.count(found.comparisons, 'comparison')} ({bounds})"
    if found.left_lower > 0.5 or found.left_upper < 0.5:
        side = "left" if found.left_lower > 0.5 else "right"
        return (
            f"{count}: the {side} was preferred as a side, which blurs the answer but, sides drawn, does not bend it."
        )
    return f"{count}: no sign that one side was preferred."


def _method(found: Outcome) -> str:
    one = found.choices[0]
    flips = (
        "every way of turning them round listed" if all(each.listed for each in found.choices) else "drawn at random"
    )
    needed = [each.fewest for each in found.choices if each.fewest is not None]
    fewest = (
        f" With one look at each, {needed[0]} of {one.units} would have to agree."
        if len(found.choices) == 1 and needed
        else ""
    )
    several = (
        " With several pairs of levels their p-values are taken together by Holm, and the intervals by Bonferroni."
        if len(found.choices) > 1
        else ""
    )
    return (
        f"Each {one.unit} counts once, however many looks it had, for looks at the same pieces hang together. The "
        f"test turns {one.unit_many} round ({flips}, two-sided); the interval is Clopper and Pearson's with mid-p "
        f"tails, of as many plain choices as the looks are worth.{fewest}{several} The answer is that of "
        f"{words.count(found.assessors, 'assessor')}; others may choose otherwise."
    )
