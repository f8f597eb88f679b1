"""Everything a trial answers beside its questions: worth and cost, lap window, loads, schedules, what to do next."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from analysis import follow_up, schedules, three_ways
from analysis.curves import of_trial, roles
from analysis.curves.columns import ALL
from analysis.curves.laps import MAY_NOT
from analysis.decide import Decision
from analysis.follow_up import FollowUp
from analysis.schedules import Confirmation, Priced, Ranking, Worth
from analysis.three_ways import Compared
from trials import brief as briefs
from trials.errors import UserError
from trials.folder import Trial
from trials.piece import RISK
from trials.plan import Plan, Response
from trials.prespecified import Changed, concerning, readings_of

EXPLORATORY = "Exploratory: the plan did not say this when the boards were laid out."
"""What is said of an answer that rests on what nobody said beforehand."""

HANDFUL = 4
"""How many boards are proposed: what fits between two coats of a working day (common sense, no source)."""


@dataclass(frozen=True)
class Laps:
    """How long an edge may wait, by every response that says how much a lap shows.

    Attributes
    ----------
    windows : one a response, graded ones first.
    against : the real piece held to the first window; None where the plan names no piece.
    agreement : whether grades and measurements put the carriers in the same order; empty where one is missing.
    """

    windows: tuple[of_trial.LapWindow, ...]
    against: of_trial.AgainstPiece | None
    agreement: str


@dataclass(frozen=True)
class Schedules:
    """Which schedule meets the brief.

    Attributes
    ----------
    ranking, priced, confirmation : None or empty where nothing can be told, or no costs are given.
    why_not : why no schedule can be ranked.
    """

    ranking: Ranking | None
    priced: Priced | None
    confirmation: tuple[Confirmation, ...]
    why_not: str = ""


@dataclass(frozen=True)
class Next:
    """The boards that would most likely settle what is open.

    Attributes
    ----------
    boards : laid out and not written; None where nothing is open, or nothing can be laid out.
    count, seed : what to hand to ``plan --add`` for just these.
    sentence : what they are for, or why there are none.
    """

    boards: FollowUp | None
    count: int
    seed: int
    sentence: str

    @property
    def words(self) -> str:
        """The command that lays out just these boards, without the folder."""
        return f"plan --add {self.count} --seed {self.seed}"

    def carried(self) -> list[tuple[int, dict[str, tuple[str, ...]]]]:
        """Return of each board its number and, by factor, the levels it carries, in the plan's order."""
        if self.boards is None:
            return []
        patches = self.boards.layout.patches
        found = []
        for board, rows in patches[patches["control"] == ""].groupby("board", sort=True):
            laid = {factor.name: set(rows[factor.name].astype(str)) for factor in self.boards.plan.factors}
            levels = {
                factor.name: tuple(level for level in factor.levels if level in laid[factor.name])
                for factor in self.boards.plan.factors
            }
            found.append((int(str(board)), levels))
        return found


@dataclass(frozen=True)
class Answers:
    """What a trial answers; None or empty for what its plan does not vary or ask.

    ``decision`` has its answers on grades counted as the plan said when the boards were laid out; ``ways_later`` is
    what it has said otherwise since. ``exploratory`` names those of worth, laps, dark, strength and schedules that
    rest on what the plan did not say when the boards were laid out.
    """

    decision: Decision
    worth: tuple[Worth, ...]
    laps: Laps | None
    dark: of_trial.DarkEnough | None
    strength: of_trial.Strength | None
    schedules: Schedules | None
    ways: tuple[Compared, ...]
    ways_later: tuple[Changed, ...]
    next: Next
    exploratory: tuple[str, ...]

    @property
    def way_words(self) -> tuple[str, ...]:
        """What is said where the plan has come to choose another way of counting grades."""
        return tuple(
            f"The plan says {one.now} since; the answers stay with {one.before}, chosen beforehand, and what the "
            "other ways say is exploratory."
            for one in self.ways_later
        )

    def later(self, name: str) -> tuple[str, ...]:
        """Return what is said of one of the exploratory answers; nothing of the others."""
        if name in self.exploratory:
            return (EXPLORATORY,)
        if name == "schedules" and "worth" in self.exploratory and self.schedules and self.schedules.priced:
            return ("What they cost is exploratory: the plan said other costs when the boards were laid out.",)
        return ()


def answers(trial: Trial, decision: Decision) -> Answers:
    """Work out every answer of a trial.

    Parameters
    ----------
    trial, decision : as loaded, and what `analysis.decide.decide` made of it.

    Notes
    -----
    What cannot be told is a sentence in its place; nothing is raised for it. Chances and re-randomisations are drawn
    from fixed seeds, so that the same trial gives the same answers.
    """
    more, trial = trial, trial.as_asked
    plan, changed = trial.plan, decision.changed
    ways = three_ways.three_ways(trial, decision, leading=plan.grades)
    decision = three_ways.chosen(decision, ways, plan)
    laps = _laps(trial, decision)
    return Answers(
        decision=decision,
        worth=schedules.worth_it(decision, plan),
        laps=laps,
        dark=_dark_enough(trial),
        strength=_strength(trial),
        schedules=_schedules(trial, decision),
        ways=ways,
        ways_later=concerning(changed, ("analysis",)),
        next=_next(more, decision, laps),
        exploratory=tuple(_exploratory(plan, changed)),
    )


def _exploratory(plan: Plan, changed: Sequence[Changed]) -> Iterator[str]:
    """Name the answers that rest on what was changed, or that nothing in a plan can ask for."""
    laps = [one.name for one in plan.responses if one.is_of_laps]
    dark, brief = roles.darkness(plan), concerning(changed, ("brief",), ("record",))
    named = [one.name for one in plan.responses if any(line.split()[:1] == [one.name] for line in plan.brief)]
    if plan.piece is None or concerning(changed, ("piece",), ("lap",), ("record",)) or readings_of(changed, *laps):
        yield "laps"
    if brief or (dark is not None and readings_of(changed, dark.name)):
        yield "dark"
    if brief or readings_of(changed, *named):
        yield "schedules"
    if concerning(changed, ("costs",), ("record",)):
        yield "worth"
    yield "strength"  # no question can ask for it


# --- how long may the edge wait --------------------------------------------------------------------


def _laps(trial: Trial, decision: Decision) -> Laps | None:
    plan = trial.plan
    if roles.return_time(plan) is None and plan.piece is None:
        return None
    named = sorted((one for one in plan.responses if one.is_of_laps), key=lambda one: one.kind == "measure")
    risk = plan.piece.risk if plan.piece is not None else RISK
    windows = [of_trial.lap_window(trial, decision, risk, response=one.name) for one in named]
    windows = windows or [of_trial.lap_window(trial, decision, risk)]
    against = None
    if plan.piece is not None:
        piece = plan.piece
        against = windows[0].window_against(piece.return_s, piece.rate_m2_min, piece.helper_s)
    return Laps(tuple(windows), against, _order_agreement(windows))


def _order_agreement(windows: Sequence[of_trial.LapWindow]) -> str:
    """Say whether two ways of reading laps put the carriers in the same order."""
    told = [one for one in windows if sum(not math.isnan(wait.minutes) for wait in one.waits) > 1]
    if len(told) < 2:
        return ""
    orders = [
        [wait.carrier for wait in sorted(one.waits, key=lambda wait: -wait.minutes) if not math.isnan(wait.minutes)]
        for one in told[:2]
    ]
    names = [one.response.replace("_", " ") for one in told[:2]]
    if orders[0] == orders[1]:
        return f"By {names[0]} and by {names[1]} the edge may wait longest with {orders[0][0]}: they agree."
    return (
        f"They disagree: by {names[0]} the edge may wait longest with {orders[0][0]}, by {names[1]} with "
        f"{orders[1][0]}. The piece is looked at, so the first one counts; look again at how the second was read."
    )


# --- dark enough, and how strong -------------------------------------------------------------------


def target_of(plan: Plan) -> tuple[Response, float] | None:
    """Return the darkness wanted: the brief's limit on that response, else the response's own target."""
    response = roles.darkness(plan)
    if response is None or roles.dye_load(plan) is None:
        return None
    conditions: tuple[briefs.Condition, ...] = ()
    if plan.brief:
        with contextlib.suppress(UserError):  # written for responses that are other ones since
            conditions = briefs.read(plan.responses, plan.brief).conditions
    for condition in conditions:
        ends = (condition.high, condition.low) if response.aim == "less" else (condition.low, condition.high)
        finite = [end for end in ends if math.isfinite(end)]
        if condition.response == response and finite:
            return response, finite[0]
    return (response, response.target) if response.target is not None else None


def _dark_enough(trial: Trial) -> of_trial.DarkEnough | None:
    wanted = target_of(trial.plan)
    return of_trial.dark_enough(trial, wanted[1], response=wanted[0].name) if wanted else None


def _strength(trial: Trial) -> of_trial.Strength | None:
    plan = trial.plan
    if roles.dye_load(plan) is None or roles.carrier(plan) is None or roles.darkness(plan) is None:
        return None
    return of_trial.strength(trial)


# --- which schedule, and what next -----------------------------------------------------------------


def _schedules(trial: Trial, decision: Decision) -> Schedules | None:
    plan = trial.plan
    if not plan.brief:
        return None
    try:
        ranking = schedules.rank(trial, decision, plan.brief)
    except UserError as error:
        why = f"Which schedule meets the brief cannot be told: {error.problems[0].what}."
        return Schedules(None, None, (), why)
    priced = schedules.by_cost(ranking, plan.priced, plan) if plan.priced is not None else None
    best = ranking.best
    foretold = _foretold(trial, decision, best) if best is not None else ()
    return Schedules(ranking, priced, foretold)


def _foretold(trial: Trial, decision: Decision, treatment: dict[str, str]) -> tuple[Confirmation, ...]:
    """Return what a confirmation board should read: one patch, and the mean of as many as a lane holds."""
    boards = trial.plan.boards
    patches = max(boards.strips - trial.plan.controls_on("strip"), 1)
    found: tuple[Confirmation, ...] = ()
    for one in decision.analyses:
        alone = replace(decision, analyses=(one,))
        with contextlib.suppress(UserError):  # a response of which this combination cannot be estimated
            for number in (1, patches) if patches > 1 else (1,):
                found += schedules.confirm(trial, alone, treatment, patches=number)
    return found


def open_waits(laps: Laps | None) -> tuple[str, ...]:
    """Return the carriers whose wait, by the response that counts, has no lower limit, or may not fit the piece."""
    if laps is None:
        return ()
    waits = laps.windows[0].waits
    undecided = {one.carrier for one in laps.against.answers if one.verdict == MAY_NOT} if laps.against else set()
    return tuple(one.carrier for one in waits if not 60 * one.lower >= 1 or one.carrier in undecided)


def _next(trial: Trial, decision: Decision, laps: Laps | None = None) -> Next:
    seed = trial.record.last_seed + 1
    if follow_up.is_settled(trial, decision) and (waits := open_waits(laps)):
        with_them = "" if waits == (ALL,) else f" with {' and '.join(waits)}"
        said = f"Still open: how long the edge may wait{with_them}."
        cure = "More lap boards would narrow it down; how many it takes is not known."
        return Next(None, 0, seed, f"{said} {cure}")
    if follow_up.is_settled(trial, decision):
        return Next(None, 0, seed, "Every question is settled; no more boards are needed for them.")
    beyond = follow_up.out_of_reach(decision)
    if beyond:
        said = f"Still open: {follow_up.about(beyond)}. More boards like these would hardly settle it."
        return Next(None, 0, seed, f"{said} None are proposed.")
    try:
        more = follow_up.lay_out_more(trial, decision, HANDFUL, seed, "")
    except UserError as error:
        return Next(None, 0, seed, f"No boards are proposed: {error.problems[0].what}.")
    return Next(more, HANDFUL, seed, more.words)
