"""Numbers and sentences as the report prints them.

Digits follow the interval: its half-width is shown with two, as in the sentences of `analysis.decide`.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterator, Sequence
from datetime import datetime

from analysis import decide, effects
from analysis.decide import (
    CANNOT_BE_TOLD,
    NOT_WORTH_IT,
    TOO_CLOSE,
    WORTH_IT,
    Comparison,
    Finding,
)
from analysis.responses import Analysis
from trials import structure
from trials.level import per_cent
from trials.plan import Factor, Plan, Response
from trials.structure import Effect, Structure

MINUS = "\N{MINUS SIGN}"
SPACE = "\N{NO-BREAK SPACE}"

VARIANCES = {
    "lot": "lot to lot",
    "board": "board to board",
    "board:lane": "lane to lane on a board",
    "board:strip": "strip to strip on a board",
    "residual": "patch to patch, all else being equal",
}
"""What each variance is, in plain words."""


def clean(text: str) -> str:
    """Return a text on one line that cannot disturb what stands around it.

    Control characters, and those that turn the direction of writing, are shown as such; words written from right to
    left are kept together, so that a number after them stays where it is (isolates of UAX 9).
    """
    line = _GAPS.sub(" ", text).strip(" ")
    line = "".join("\N{REPLACEMENT CHARACTER}" if _is_control(letter) else letter for letter in line)
    return _FROM_RIGHT.sub("\N{FIRST STRONG ISOLATE}\\g<0>\N{POP DIRECTIONAL ISOLATE}", line)


def _is_control(letter: str) -> bool:
    return unicodedata.category(letter) == "Cc" or unicodedata.bidirectional(letter) in _TURNS


_GAPS = re.compile(r"[ \t\r\n\v\f]+")
_TURNS = ("LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI")
_RIGHT = "[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc]+"
_FROM_RIGHT = re.compile(f"{_RIGHT}(?: {_RIGHT})*")


def said(sentences: Sequence[str]) -> tuple[str, ...]:
    """Return sentences as the page shows them: clean, and none twice."""
    return tuple(clean(one) for one in dict.fromkeys(sentences))


def width(text: str) -> int:
    """Return how many letters wide a text is; wide letters (UAX 11) count as two."""
    return sum(2 if unicodedata.east_asian_width(letter) in "WF" else 1 for letter in text)


def capital(text: str) -> str:
    """Return a text with its first letter large."""
    return text[:1].upper() + text[1:]


def listed(parts: list[str]) -> str:
    """Join words: ``a``, ``a and b``, ``a, b and c``."""
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


def count(number: int, one: str, many: str = "") -> str:
    """Return ``1 board`` or ``3 boards``."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def mark(plan: Plan) -> str:
    """Return what has to stand on every page and picture of a rehearsal or an example; of a trial nothing."""
    return capital(plan.mark)


def marked_title(plan: Plan) -> str:
    """Return a plan's title, which says of a rehearsal that it is one, whatever its file was made to say."""
    return clean(plan.marked_title)


# --- numbers ---------------------------------------------------------------------------------------


def number(value: float, decimals: int) -> str:
    """Return a number with so many decimals and a true minus; nought has no sign."""
    if math.isnan(value):
        return "not known"
    text = f"{abs(value):.{decimals}f}"
    return MINUS + text if value < 0 and float(text) != 0 else text


def plain(value: float) -> str:
    """Return a number as short as it goes, with a true minus."""
    return f"{value:.6g}".replace("-", MINUS)


def interval(lower: float, upper: float, decimals: int | None = None) -> str:
    """Return ``0.9 to 1.3``."""
    if math.isnan(lower):
        return "not known"
    shown = decide.decimals(lower, upper) if decimals is None else decimals
    return f"{number(lower, shown)} to {number(upper, shown)}"


def with_interval(value: float, lower: float, upper: float) -> str:
    """Return ``1.11 (0.88 to 1.34)``, or the value alone where its interval is not known."""
    shown = decide.decimals(lower, upper)
    bounds = f" ({interval(lower, upper, shown)})" if not math.isnan(lower) else ""
    return number(value, shown) + bounds


def amount_cells(value: float, lower: float, upper: float) -> list[str]:
    """Return an amount and its interval as two cells of a table."""
    shown = decide.decimals(lower, upper)
    return [number(value, shown), interval(lower, upper, shown)]


def p_value(p: float) -> str:
    """Return ``0.012``, or ``< 0.001``."""
    return "not known" if math.isnan(p) else effects.p_words(p).removeprefix("= ")


def p_phrase(p: float) -> str:
    """Return ``p = 0.012``, or ``p < 0.001``."""
    return f"p {effects.p_words(p)}".replace(" ", SPACE)


def degrees(df: float) -> str:
    """Return degrees of freedom: whole ones as such, others with one decimal."""
    return "not known" if math.isnan(df) else f"{df:.0f}" if abs(df - round(df)) < 0.005 else f"{df:.1f}"


def time_words(stamp: str) -> str:
    """Return a time as recorded (RFC 3339) to the minute: ``2026-03-14 15:09 UTC``; other text stays as it is."""
    try:
        moment = datetime.fromisoformat(stamp)
    except ValueError:
        return stamp
    zone = f"{moment:%z}"
    return f"{moment:%Y-%m-%d %H:%M}" + (" UTC" if zone == "+0000" else f" {zone}" if zone else "")


# --- responses -------------------------------------------------------------------------------------


def axis(response: Response) -> str:
    """Return what a scale of this response measures: ``darkness (L*)``."""
    if response.kind == "yes_no":
        return f"{response.words} (share of patches: yes)"
    return f"{response.words} ({counted_in(response)})" if counted_in(response) else response.words


def counted_in(response: Response) -> str:
    """Return the unit in a table's head: ``grades``, ``L*``, ``share``, or nothing."""
    return {"grade": "grades", "yes_no": "share"}.get(response.kind, response.unit)


def gain_axis(response: Response) -> str:
    """Return what a scale of gains measures."""
    unit = counted_in(response)
    if response.aim == "target":
        return f"closer to {response.target:g} {unit}".rstrip() + " (right is better)"
    way = response.less_more[response.aim == "more"]
    of = f"{unit} {way}" if unit else way
    return f"{response.words}: {of} (right is better)"


def scale_words(response: Response) -> str:
    """Return how a response is read: ``grades from 1 to 5 in halves``."""
    if response.kind == "grade":
        return f"grades from 1 to {response.grades}" + (" in halves" if response.half_grades else "")
    if response.kind == "yes_no":
        return "yes or no"
    return f"measured in {response.unit}" if response.unit else "measured"


# --- findings --------------------------------------------------------------------------------------


def towards_better(finding: Finding) -> list[Comparison]:
    """Return a finding's comparisons; where there are several, each turned so that what it says is a gain."""
    if len(finding.comparisons) == 1:
        return list(finding.comparisons)
    return [one.turned() if one.gain < 0 else one for one in finding.comparisons]


def gain_sentence(finding: Finding, factor: Factor, response: Response) -> str:
    """Say in one sentence where the interval of the leading comparison lies."""
    one = finding.leading
    assert one is not None
    shown = decide.decimals(one.gain_lower, one.gain_upper)
    where = {
        WORTH_IT: "the whole interval lies at or above",
        NOT_WORTH_IT: "the whole interval lies below",
        TOO_CLOSE: "the interval lies on both sides of",
    }.get(finding.verdict, "")
    beside = f"; {where} the {finding.worth:g} worth having" if where and finding.worth is not None else ""
    bounds = interval(one.gain_lower, one.gain_upper, shown)
    return (
        f"{capital(factor.words)} {one.second} instead of {one.first}: {decide.difference_words(response, one)}"
        f" ({per_cent(finding.together)} interval of the gain {bounds}{_all_pairs(finding)}){beside}."
    )


def _all_pairs(finding: Finding) -> str:
    number_ = len(finding.comparisons)
    return f", holding for all {number_} pairs at once" if number_ > 1 else ""


def level_note(finding: Finding) -> str:
    """Say what the intervals of several comparisons hold for."""
    number_ = len(finding.comparisons)
    each = per_cent(finding.level)
    return (
        f"With {number_} comparisons each interval is a {each} one, so that all hold together with "
        f"{per_cent(finding.together)} (Bonferroni)."
    )


VERDICT_MARKS = {
    WORTH_IT: ("worth", "●"),
    NOT_WORTH_IT: ("not-worth", "○"),
    TOO_CLOSE: ("close", "◐"),
    CANNOT_BE_TOLD: ("untold", "–"),
}
"""How each verdict's badge is drawn: a name for its style, and a sign that does without colour."""


# --- the model -------------------------------------------------------------------------------------


def effect_words(plan: Plan, effect: Effect) -> str:
    """Return an effect as it is read: ``carrier × seal coat``."""
    return " × ".join(plan.factor(name).words for name in effect.factors)


def model_words(plan: Plan, told: Structure) -> str:
    """Say what a response is taken to be made of."""
    kept = [effect for effect in told.effects if effect.df > 0]
    singles = [plan.factor(effect.factors[0]).words for effect in kept if len(effect.factors) == 1]
    pairs = [effect_words(plan, effect) for effect in kept if len(effect.factors) == 2]
    parts = [f"an overall mean, the effect of {listed(singles)}"] if singles else ["an overall mean"]
    if pairs:
        parts.append(f"what two factors do together ({', '.join(pairs)})")
    pieces = [structure.piece_words(term, 1) for term in told.fitted_random]
    parts.append(f"a chance difference of each {listed([*pieces, 'patch'])}")
    return f"A value is taken as the sum of {'; '.join(parts)}."


def pair_sentence(analysis: Analysis, effect: Effect) -> str:
    """Say whether the effect of one factor is seen to depend on the other."""
    plan, response = analysis.plan, analysis.response
    first, second = (plan.factor(name).words for name in effect.factors)
    if not effect.can_be_judged:
        why = structure.cannot_be_judged(plan, effect, analysis.told.counts[effect.judged_against])
        return f"{capital(response.words)}: whether {first} and {second} act on each other cannot be judged. {why}"
    row = analysis.tests.loc[effect.name]
    p = float(row["p"])
    test = (
        f"F{SPACE}={SPACE}{row['f']:.2f} on {degrees(row['df_num'])} and {degrees(row['df_den'])} degrees of freedom"
    )
    if p < 1 - analysis.level:
        return f"{capital(response.words)}: the effect of {first} depends on {second} ({test}, {p_phrase(p)})."
    return (
        f"{capital(response.words)}: no sign that the effect of {first} depends on {second} ({test}, {p_phrase(p)})."
    )


def own_notes(analysis: Analysis) -> Iterator[str]:
    """Give the notes of a fit, without those on pairs of factors left out (said elsewhere)."""
    elsewhere = {structure.describe_left_out(analysis.plan, left_out) for left_out in analysis.told.left_out}
    for note in analysis.notes:
        if note not in elsewhere:
            yield note
