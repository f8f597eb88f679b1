"""Answer the questions: an estimate, its interval and a verdict in one plain sentence each."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from analysis.boards_apart import cause_words
from analysis.combinations import holm
from analysis.effects import p_words
from analysis.off_curve import off_words
from analysis.responses import Analysis, Unfitted, analyse_all
from trials import prespecified, structure
from trials.folder import Trial
from trials.level import LATER, all_of, each_of, level_of, per_cent
from trials.plan import Factor, Plan, Question, Response
from trials.prespecified import Changed, names, when_withdrawn
from trials.selection.aliases import Same, same_as, same_words

WORTH_IT = "worth it"
NOT_WORTH_IT = "not worth it"
TOO_CLOSE = "too close to call"
CANNOT_BE_TOLD = "cannot be told from this layout"

BY_NOW = "By the plan as it reads now (exploratory):"
"""What stands above the answers on responses as they have been changed since."""

NO_SCATTER = 1e-9
"""A standard error below this part of the difference is none at all: grades too coarse to show how pieces differ."""

MANY_TIMES = 8
"""More than so many times the boards there are, and asking for more boards is no advice: common sense, no source."""


@dataclass(frozen=True)
class Comparison:
    """One difference between two levels, in the response's unit and towards the aim.

    Attributes
    ----------
    first, second : the levels; what is said is said of `second` instead of `first`.
    difference, lower, upper : second minus first, with its interval.
    gain, gain_lower, gain_upper : the same towards the aim: positive is better.
    se, df, p : its standard error, degrees of freedom and p-value.
    """

    first: str
    second: str
    difference: float
    lower: float
    upper: float
    gain: float
    gain_lower: float
    gain_upper: float
    se: float
    df: float
    p: float

    def turned(self) -> Comparison:
        """Return the same said the other way round."""
        return replace(
            self, first=self.second, second=self.first, difference=-self.difference,
            lower=-self.upper, upper=-self.lower,
            gain=-self.gain, gain_lower=-self.gain_upper, gain_upper=-self.gain_lower,
        )  # fmt: skip


@dataclass(frozen=True)
class Finding:
    """An answered question, or something seen beside the questions.

    Attributes
    ----------
    factor, response : what it is about.
    asked : whether the question stood in the plan, just so, when the boards were laid out.
    worth : the smallest difference that matters, or None where none was named.
    verdict : one of the four verdicts, or nothing where no worth was named.
    sentence : the answer in plain words.
    leading : the comparison the verdict is about, or None where nothing can be told.
    comparisons : every comparison made for it.
    level : of each interval, raised above the trial's where several are taken at once.
    depends : sentences on factors this answer depends on.
    p, p_all : of no difference between the levels compared (between all levels, where all pairs are), and the same
        by Holm (1979) over the questions asked beforehand; NaN where nothing can be told or it was not asked.
    same : the interactions that the boards cannot tell from it.
    changed : what it rests on that was said otherwise when the boards were laid out, so that it is exploratory.
    withdrawn : that it was taken out since; an asked question is answered all the same.
    """

    factor: str
    response: str
    asked: bool
    worth: float | None
    verdict: str
    sentence: str
    leading: Comparison | None
    comparisons: tuple[Comparison, ...]
    level: float
    depends: tuple[str, ...] = ()
    p: float = math.nan
    p_all: float = math.nan
    same: Same | None = None
    changed: tuple[Changed, ...] = ()
    withdrawn: Changed | None = None

    @property
    def standing(self) -> str:
        """Why the answer is not simply that to a question asked beforehand, in words; empty where it is."""
        if not self.asked:
            return "This question was added or changed after the boards were laid out, so its answer is exploratory."
        if self.changed:
            return f"Exploratory, for it rests on what was changed since: {names(self.changed)}."
        return f"Asked beforehand and {when_withdrawn(self.withdrawn)}." if self.withdrawn else ""

    @property
    def together(self) -> float:
        """The level at which all intervals hold at once."""
        return all_of(self.level, len(self.comparisons))


@dataclass(frozen=True)
class Decision:
    """Everything a trial says.

    Attributes
    ----------
    findings : the answers to the questions asked beforehand, withdrawn ones too, on responses as they were then;
        after them the answers to questions that came later. In the order of `trials.folder.Trial.as_asked`.
    also_seen : what else the fits show; exploratory.
    analyses, unfitted : the fits behind it, and the responses that could not be fitted.
    changed : what the plan says otherwise than when the boards were laid out.
    by_now : what its questions come to on the responses that have been changed since; exploratory.
    """

    findings: tuple[Finding, ...]
    also_seen: tuple[Finding, ...]
    analyses: tuple[Analysis, ...]
    unfitted: tuple[Unfitted, ...]
    changed: tuple[Changed, ...] = ()
    by_now: tuple[Finding, ...] = ()


def decide(trial: Trial) -> Decision:
    """Fit every response and answer every question of a trial.

    Raises
    ------
    UserError
        Nothing at all can be fitted.
    """
    changed, now = trial.changed, trial
    trial = trial.as_asked
    fitted, unfitted = analyse_all(trial)
    before = prespecified.asked(trial.plan, trial.record.plan)
    findings = []
    for question in trial.plan.questions:
        found = replace(_answered(trial, question, fitted, unfitted), asked=question in before)
        findings.append(_resting_on(found, changed))
    return Decision(
        tuple(over_all_asked(findings)), tuple(_also_seen(trial.plan, fitted)), tuple(fitted), tuple(unfitted),
        changed, tuple(_by_now(now, findings, changed)),
    )  # fmt: skip


def _resting_on(finding: Finding, changed: Sequence[Changed]) -> Finding:
    """Return a finding with the changes that it rests on."""
    own = (*prespecified.concerning(changed, ("record",)), *prespecified.readings_of(changed, finding.response))
    about = prespecified.concerning(changed, ("question", finding.factor, finding.response))
    if not finding.asked:
        return replace(finding, changed=(*about, *own))
    gone = [one for one in about if one.is_withdrawal and one.before == finding.worth]
    return replace(finding, changed=own, withdrawn=gone[0] if gone else None)


def _by_now(trial: Trial, findings: Sequence[Finding], changed: Sequence[Changed]) -> Iterable[Finding]:
    """Give what the plan's questions come to on responses that are other ones now, where that is another answer."""
    before = {one.name: one for one in trial.as_asked.plan.responses}
    said = {one.sentence for one in findings}
    for response in trial.plan.responses:
        if before[response.name] == response:
            continue
        fitted, unfitted = analyse_all(replace(trial, plan=replace(trial.plan, responses=(response,))))
        for question in trial.plan.questions:
            if question.response == response.name:
                found = _answered(trial, question, fitted, unfitted)
                about = prespecified.concerning(changed, ("response", response.name))
                if found.sentence not in said:
                    yield replace(found, asked=False, changed=about)


def over_all_asked(findings: Sequence[Finding]) -> list[Finding]:
    """Return findings with p by Holm over those asked beforehand; one that cannot be told counts as p = 1."""
    before = [at for at, finding in enumerate(findings) if finding.asked]
    p = np.array([findings[at].p for at in before])
    known = ~np.isnan(p)
    found = list(findings)
    for at, adjusted, is_known in zip(before, holm(np.where(known, p, 1.0)), known, strict=True):
        if is_known:
            found[at] = replace(findings[at], p_all=float(adjusted))
    return found


def together_words(decision: Decision, plan: Plan) -> str:
    """Say which of several questions asked beforehand show a difference when all are taken together.

    Returns
    -------
    A sentence, empty where fewer than two questions were asked beforehand. It is about whether there is a
    difference at all; the verdicts are about whether it is worth having, each by its own interval.
    """
    asked = [one for one in decision.findings if one.asked]
    if len(asked) < 2:
        return ""
    clear: list[str] = []
    open_: list[str] = []
    for one in asked:
        about = f"{plan.factor(one.factor).words} on {plan.response(one.response).words}"
        since = ", withdrawn since" if one.withdrawn else ""
        if math.isnan(one.p_all):
            open_.append(f"{about} (cannot be told{since})")
        else:
            (clear if one.p_all < 1 - level_of(plan) else open_).append(f"{about} (p {p_words(one.p_all)}{since})")
    said = [f"clear of chance are {'; '.join(clear)}"] if clear else []
    said += [f"not clear of chance are {'; '.join(open_)}"] if open_ else []
    return f"Counting that {len(asked)} questions were asked (p by Holm), {'; '.join(said)}."


def _answered(trial: Trial, question: Question, fitted: Sequence[Analysis], unfitted: Sequence[Unfitted]) -> Finding:
    plan = trial.plan
    for analysis in fitted:
        if analysis.response.name == question.response:
            found = answer(analysis, question)
            more = cause_words(trial, analysis, question.factor) if found.verdict == TOO_CLOSE else ""
            return replace(found, sentence=found.sentence + more)
    why = next(refused.why for refused in unfitted if refused.response.name == question.response)
    sentence = _untold(plan.factor(question.factor), plan.response(question.response), why)
    return Finding(
        question.factor, question.response, True, question.worth, CANNOT_BE_TOLD, sentence, None, (), level_of(plan)
    )


def _untold(factor: Factor, response: Response, why: str) -> str:
    return f"Whether {factor.words} changes {response.words} cannot be told: {why}"


# --- one question ----------------------------------------------------------------------------------


def answer(analysis: Analysis, question: Question) -> Finding:
    """Answer one question from the fit of its response.

    Parameters
    ----------
    analysis : the fit of the question's response.
    question : a question of the plan; with more than two levels and no pair named every pair is compared,
        with Bonferroni's intervals, and the verdict is about the widest.
    """
    response, factor = analysis.response, analysis.plan.factor(question.factor)
    made, level, why = _comparisons(analysis, factor, question.between)
    if why:
        sentence = _untold(factor, response, why)
        return Finding(factor.name, response.name, True, question.worth, CANNOT_BE_TOLD, sentence, None, (), level)
    return told(analysis, question, made, level)


def told(analysis: Analysis, question: Question, made: Sequence[Comparison], level: float, by: str = "") -> Finding:
    """Return the answer to a question, in words, from the comparisons made for it.

    Parameters
    ----------
    made : one or more; the verdict is about the widest.
    level : of their intervals.
    by : how grades were counted, said beside the interval where it is not as numbers.
    """
    factor = analysis.plan.factor(question.factor)
    leading = max(made, key=lambda one: abs(one.gain))
    if len(made) > 1 and leading.gain < 0:
        leading = leading.turned()
    verdict = judge(leading, question.worth)
    sentence = _sentence(analysis, factor, leading, question.worth, verdict, made, level, by)
    same = _same(analysis, factor, leading)
    off = off_words(analysis.plan, factor.name, analysis.off_curve.get(factor.name, 1.0))
    sentence += f" {off}" if off else ""
    return Finding(
        factor=factor.name,
        response=analysis.response.name,
        asked=True,
        worth=question.worth,
        verdict=verdict,
        sentence=sentence + _other_pairs(made, leading, question.worth) + _same_words(analysis, same),
        leading=leading,
        comparisons=tuple(made),
        level=level,
        depends=tuple(depends_on(analysis, factor, leading, question.worth)),
        p=leading.p if len(made) == 1 else float(analysis.tests.loc[factor.name, "p"]),
        same=same,
    )


def _same(analysis: Analysis, factor: Factor, leading: Comparison) -> Same | None:
    """Return the interactions that the patches read cannot tell from a difference."""
    between = (leading.first, leading.second)
    return same_as(analysis.plan, analysis.told, analysis.table.treated, factor.name, between)


def _same_words(analysis: Analysis, same: Same | None) -> str:
    return "" if same is None else f" {same_words(analysis.plan, analysis.response, same)}"


def _comparisons(
    analysis: Analysis, factor: Factor, between: Sequence[str] = ()
) -> tuple[list[Comparison], float, str]:
    """Return the comparisons of a factor, the level of their intervals, and why nothing can be told if so."""
    effect = analysis.told.by_name[factor.name]
    if not effect.can_be_judged:
        pieces = analysis.told.counts[effect.judged_against]
        return [], analysis.level, structure.cannot_be_judged(analysis.plan, effect, pieces)
    made, level = compare(analysis, factor, between)
    if not made:
        return [], level, "the levels to compare were not all read."
    if any(math.isnan(one.gain_lower) for one in made):
        return [], level, "the readings it is judged by show no scatter at all; take finer grades, or more boards."
    return made, level, ""


def judge(comparison: Comparison, worth: float) -> str:
    """Return the verdict: the whole interval of the gain at or above the worth, below it, or across it."""
    if math.isnan(comparison.gain_lower):
        return CANNOT_BE_TOLD
    if comparison.gain_lower >= worth:
        return WORTH_IT
    return NOT_WORTH_IT if comparison.gain_upper < worth else TOO_CLOSE


def compare(analysis: Analysis, factor: Factor, between: Sequence[str] = ()) -> tuple[list[Comparison], float]:
    """Return the comparisons of a factor's levels and the level of their intervals.

    With several pairs at once each interval is widened (Bonferroni) so that all hold together with the trial's level.
    """
    levels = [
        str(level) for level in analysis.table.treated[factor.name].cat.remove_unused_categories().cat.categories
    ]
    pairs = len(levels) * (len(levels) - 1) // 2
    level = each_of(analysis.level, 1 if between else pairs)
    found = analysis.differences(factor.name, level=level)
    made = [comparison(analysis, factor, row, level) for row in found.to_dict("records")]
    if between:
        chosen = [one for one in made if {one.first, one.second} == set(between)]
        made = [one if one.first == between[0] else one.turned() for one in chosen]
    return made, level


def comparison(
    analysis: Analysis, factor: Factor, row: dict[str, float], level: float, means: pd.DataFrame | None = None
) -> Comparison:
    """Make a comparison of a row of differences.

    Parameters
    ----------
    row : first, second, difference (first minus second), lower, upper, se, df, p.
    means : of the levels, where they are not those of the whole trial.
    """
    lower, upper = _possible(analysis.response, row)
    difference, row = float(row["difference"]), row | {"lower": lower, "upper": upper}
    gain = (difference, lower, upper)
    if analysis.response.aim == "less":
        gain = (-difference, -upper, -lower)
    elif analysis.response.aim == "target":
        own = analysis.means(factor.name, level) if means is None else means
        gain = _towards_target(analysis.response, own.set_index(factor.name), row, level)
    return Comparison(
        str(row["second"]), str(row["first"]), difference, lower, upper, *gain,
        float(row["se"]), float(row["df"]), float(row["p"]),
    )  # fmt: skip


def _possible(response: Response, row: dict[str, float]) -> tuple[float, float]:
    """Return a difference's interval, cut at what the scale allows; not known where there is no scatter at all.

    Two values of a scale lie no further apart than its ends, so the cut loses nothing of the coverage.
    """
    if row["se"] <= NO_SCATTER * max(1.0, abs(row["difference"])):
        return math.nan, math.nan
    if response.low is None or response.high is None:
        return float(row["lower"]), float(row["upper"])
    span = response.high - response.low
    return max(float(row["lower"]), -span), min(float(row["upper"]), span)


def _towards_target(
    response: Response, means: pd.DataFrame, row: dict[str, float], level: float
) -> tuple[float, float, float]:
    """Return how much closer to the target the second level comes, with its interval.

    On one side of the target this is the difference itself, or its negative. Where the two means lie on
    either side the gain moves with their sum, whose error is taken from their own standard errors as if they
    were independent, the safe side for levels that share their boards.

    Parameters
    ----------
    means : of the levels compared, one row each, by level.
    """
    target = response.target or 0.0
    first, second = means.loc[str(row["second"])], means.loc[str(row["first"])]
    sides = np.sign([first["mean"] - target, second["mean"] - target])
    if sides[0] == sides[1]:
        gain, half = -sides[0] * row["difference"], (row["upper"] - row["lower"]) / 2
    else:
        gain = abs(first["mean"] - target) - abs(second["mean"] - target)
        half = stdtrit(min(first["df"], second["df"]), 0.5 + level / 2) * math.hypot(first["se"], second["se"])
    return float(gain), float(gain - half), float(gain + half)


# --- in words --------------------------------------------------------------------------------------


def _sentence(
    analysis: Analysis,
    factor: Factor,
    leading: Comparison,
    worth: float,
    verdict: str,
    made: Sequence[Comparison],
    level: float,
    by: str = "",
) -> str:
    """Say what came out, how sure it is, and what follows."""
    response = analysis.response
    came_out = difference_words(response, leading)
    interval = _with_level(response, leading, made, level) + (f", {by}" if by else "")
    first = f"{_capital(factor.words)} {leading.second} instead of {leading.first}: {came_out} ({interval})."
    you_said = f"You said {worth:g} {response.unit_words(worth)} is worth having: "
    return f"{first} {you_said}{_verdict_words(analysis, leading, worth, verdict, level)}."


def _with_level(response: Response, leading: Comparison, made: Sequence[Comparison], level: float) -> str:
    """Return ``95% interval 0.2 to 1.0 clearer, holding for all 3 pairs at once``."""
    pairs = len(made)
    said = f"{per_cent(all_of(level, pairs))} interval {interval_words(response, leading.lower, leading.upper)}"
    return f"{said}, holding for all {pairs} pairs at once" if pairs > 1 else said


def _other_pairs(made: Sequence[Comparison], leading: Comparison, worth: float) -> str:
    """Say the verdict on each pair that the sentence is not about."""
    rest = [
        one if one.gain >= 0 else one.turned()
        for one in made
        if {one.first, one.second} != {leading.first, leading.second}
    ]
    said = [f"{one.second} instead of {one.first} {judge(one, worth)}" for one in rest]
    return f" The other pairs: {'; '.join(said)}." if said else ""


def _verdict_words(analysis: Analysis, leading: Comparison, worth: float, verdict: str, level: float) -> str:
    if verdict == WORTH_IT:
        return f"{verdict}"
    if verdict == NOT_WORTH_IT:
        if leading.gain_upper < 0:
            return f"{verdict}, it is the worse of the two"
        return f"{verdict}"
    more = boards_to_settle(analysis, leading, worth, level)
    if more is None and abs(leading.gain - worth) > worth / 2:
        return f"{verdict}, {analysis.plan.boards.count} boards like these are far too few to tell"
    side = "worth it" if leading.gain >= worth else "not worth it"
    settle = (
        "it lies so close to that mark that more boards would hardly settle it"
        if more is None
        else f"about {more} more {structure.piece_words('board', more)} like these may settle it"
    )
    return f"{verdict}, leaning to {side}; {settle}"


def boards_to_settle(analysis: Analysis, leading: Comparison, worth: float, level: float) -> int | None:
    """Return about how many more boards would settle it, if the difference stayed where it is; None for too many.

    The half-width of an interval shrinks with the square root of the number of boards, its degrees of freedom are
    taken to grow with that number, and its level is that of a later look.
    """
    boards = analysis.plan.boards.count
    sets = max(len(analysis.plan.treatments(analysis.plan.laid_on("board"))), 1)
    more = np.arange(sets, max(MANY_TIMES * boards - boards, sets) + 1, sets)
    times = (boards + more) / boards
    later = 1 - (1 - level) * (1 - LATER) / (1 - analysis.level)
    wider = stdtrit(leading.df * times, 0.5 + later / 2) / stdtrit(leading.df, 0.5 + level / 2)
    half = (leading.gain_upper - leading.gain_lower) / 2
    enough = more[half * wider / np.sqrt(times) <= abs(leading.gain - worth)]
    return int(enough[0]) if len(enough) else None


def difference_words(response: Response, comparison: Comparison) -> str:
    """Return ``figure clarity came out 0.6 grade clearer, which is better``."""
    digits = decimals(comparison.lower, comparison.upper)
    size = f"{abs(comparison.difference):.{digits}f}"
    if float(size) == 0:
        return f"{response.words} came out the same"
    direction = response.less_more[bool(comparison.difference > 0)]
    unit = response.unit_words(float(size))
    merit = "better" if comparison.gain > 0 else "worse"
    return f"{response.says} {size} {unit} {direction}, which is {merit}"


def interval_words(response: Response, lower: float, upper: float) -> str:
    """Return ``0.2 to 1.0 clearer`` or ``0.4 darker to 2.0 lighter``."""
    if math.isnan(lower):
        return "not known"
    digits = decimals(lower, upper)
    low, high = f"{abs(lower):.{digits}f}", f"{abs(upper):.{digits}f}"
    down, up = response.less_more
    if lower >= 0:
        return f"{low} to {high} {up}"
    if upper <= 0:
        return f"{high} to {low} {down}"
    return f"{low} {down} to {high} {up}"


def decimals(lower: float, upper: float) -> int:
    """Return how many decimals show an interval's half-width with two digits."""
    half = (upper - lower) / 2
    if not half > 0:
        return 2
    return min(max(1 - math.floor(math.log10(half)), 0), 6)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


# --- does it depend on something -------------------------------------------------------------------


def depends_on(analysis: Analysis, factor: Factor, leading: Comparison, worth: float | None = None) -> Iterable[str]:
    """Name the factors on which the effect of this one depends, with its effect at each of their levels.

    Parameters
    ----------
    leading : the two levels compared.
    worth : what is worth having, to say at which levels it is reached.

    Notes
    -----
    An interaction counts from a p below what the trial's level leaves; the intervals shown are of that level.
    """
    for effect in analysis.told.effects:
        if len(effect.factors) < 2 or factor.name not in effect.factors or not effect.can_be_judged:
            continue
        p = float(analysis.tests.loc[effect.name, "p"])
        if p < 1 - analysis.level:
            other = analysis.plan.factor(next(name for name in effect.factors if name != factor.name))
            yield _dependence(analysis, factor, other, p, leading, worth)


def _dependence(
    analysis: Analysis, factor: Factor, other: Factor, p: float, leading: Comparison, worth: float | None
) -> str:
    parts = []
    several = len(analysis.levels(factor.name)) > 2
    pair = f", {leading.second} instead of {leading.first}," if several else ""
    for level, one in within(analysis, factor, other, leading):
        digits = decimals(one.lower, one.upper)
        direction = analysis.response.less_more[bool(one.difference > 0)]
        interval = interval_words(analysis.response, one.lower, one.upper)
        verdict = f": {judge(one, worth)}" if worth is not None else ""
        size = f"{abs(one.difference):.{digits}f}"
        moved = f"{size} {direction}" if float(size) else "the same"
        parts.append(f"with {other.words} {level}{pair} {moved} ({interval}){verdict}")
    return (
        f"The effect of {factor.words} on {analysis.response.words} depends on {other.words} (p {p_words(p)}, "
        f"not asked beforehand): {'; '.join(parts)}."
    )


def within(
    analysis: Analysis, factor: Factor, other: Factor, leading: Comparison
) -> Iterable[tuple[str, Comparison]]:
    """Give the comparison of two levels of a factor within each level of another, each with its own interval."""
    found = analysis.differences(factor.name, by=other.name)
    names = (factor.name, other.name)
    effect = next(one for one in analysis.told.effects if set(one.factors) == set(names))
    means = analysis.means(effect.name) if analysis.response.aim == "target" else None
    for level, rows in found.groupby(other.name, observed=True, sort=False):
        for row in rows.to_dict("records"):
            if {str(row["first"]), str(row["second"])} == {leading.first, leading.second}:
                own = None if means is None else means[means[other.name].astype(str) == str(level)]
                one = comparison(analysis, factor, row, analysis.level, own)
                yield str(level), one if one.first == leading.first else one.turned()


# --- what else was seen ----------------------------------------------------------------------------


def _also_seen(plan: Plan, analyses: Sequence[Analysis]) -> Iterable[Finding]:
    """Return for every factor and response that no question is about what its levels did."""
    asked = {(question.factor, question.response) for question in plan.questions}
    for analysis in analyses:
        for factor in plan.factors:
            if (factor.name, analysis.response.name) not in asked:
                yield explore(analysis, factor)


def explore(analysis: Analysis, factor: Factor) -> Finding:
    """Say what a factor did to a response that no question is about."""
    response = analysis.response
    made, level, why = _comparisons(analysis, factor)
    if why:
        sentence = _untold(factor, response, why)
        return Finding(factor.name, response.name, False, None, CANNOT_BE_TOLD, sentence, None, (), level)
    leading = max(made, key=lambda one: abs(one.difference))
    if leading.gain < 0:
        leading = leading.turned()
    clear = leading.lower > 0 or leading.upper < 0
    closing = "clear of chance, but not asked beforehand" if clear else "it may be chance"
    sentence = (
        f"{_capital(factor.words)} {leading.second} instead of {leading.first}: "
        f"{difference_words(response, leading)} ({_with_level(response, leading, made, level)}); {closing}."
    )
    depends = tuple(depends_on(analysis, factor, leading))
    same = _same(analysis, factor, leading)
    sentence += _same_words(analysis, same)
    return Finding(
        factor.name, response.name, False, None, "", sentence, leading, tuple(made), level, depends, same=same
    )
