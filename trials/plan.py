"""The plan: what a trial asks, of which boards and factors."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import MISSING, asdict, dataclass, field, fields, replace
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, cast

from trials.bench_choices import Bench
from trials.errors import Problem
from trials.scales import SCALES

if TYPE_CHECKING:
    from trials.costs import Costs
    from trials.piece import Piece

Kind = Literal["board", "lane", "strip", "patch"]
KINDS: tuple[Kind, ...] = ("board", "lane", "strip", "patch")
LAID_OUT = ("boards", "factors", "exclusions", "controls", "unusable", "model", "added")
"""The parts of a plan that the layout follows from."""
Grading = Literal["averages", "ordered", "rerandomised"]
GRADINGS: tuple[Grading, ...] = ("averages", "ordered", "rerandomised")
"""How grades are counted: as numbers, as ordered words, or by dealing the treatments afresh."""
INVENTED = "invented results"
"""What a plan's mark ends with, and the source of each result that was made up."""
STAGES = ("bare", "dyed", "sealed", "glazed", "topcoated", "aged")


@dataclass(frozen=True)
class Boards:
    """The stock: how many boards, from which lots, how large and how divided (lengths in mm)."""

    lots: tuple[int, ...]
    length_mm: float
    width_mm: float
    lanes: int
    strips: int
    margin_mm: float
    guard_mm: float
    label_end_mm: float

    @property
    def count(self) -> int:
        """How many boards there are in all."""
        return sum(self.lots)

    @property
    def patch_length_mm(self) -> float:
        """A patch's extent along the grain."""
        free = self.length_mm - self.label_end_mm - 2 * self.margin_mm - (self.strips - 1) * self.guard_mm
        return free / self.strips

    @property
    def patch_width_mm(self) -> float:
        """A patch's extent across the grain."""
        return (self.width_mm - 2 * self.margin_mm - (self.lanes - 1) * self.guard_mm) / self.lanes


@dataclass(frozen=True)
class Factor:
    """What is varied: its settings as written and, where all are quantities, their amounts in `unit`."""

    name: str
    levels: tuple[str, ...]
    laid_on: Kind
    amounts: tuple[float, ...] | None = None
    unit: str = ""

    @property
    def words(self) -> str:
        """The name as it is read: ``dye load``."""
        return self.name.replace("_", " ")


@dataclass(frozen=True)
class Exclusion:
    """A combination that is never made: the levels of each factor it names, and why."""

    levels: tuple[tuple[str, tuple[str, ...]], ...]
    why: str

    def forbids(self, treatment: Mapping[str, str]) -> bool:
        """Whether a treatment, complete or not, already is the forbidden combination."""
        return all(treatment.get(factor) in levels for factor, levels in self.levels)

    @property
    def words(self) -> str:
        """The combination as it is read: ``carrier oil with dye load 30 g/L``."""
        return " with ".join(f"{name.replace('_', ' ')} {' or '.join(levels)}" for name, levels in self.levels)


@dataclass(frozen=True)
class Control:
    """Patches that carry no factor level: `count` pieces of a kind on each board (or so many boards)."""

    name: str
    laid_on: Kind
    count: int


@dataclass(frozen=True)
class Response:
    """What is scored or measured, on which scale, which way it should go, and after which steps."""

    name: str
    kind: str
    grades: int
    half_grades: bool
    unit: str
    low: float | None
    high: float | None
    aim: str
    target: float | None
    stages: tuple[str, ...]
    anchors: tuple[str, ...]

    @property
    def words(self) -> str:
        """The name as it is read: ``figure clarity``."""
        return self.name.replace("_", " ")

    def unit_words(self, amount: float) -> str:
        """Return what an amount of it is counted in: ``grade``, ``grades``, ``L*``."""
        if self.kind == "grade":
            return "grade" if amount <= 1 else "grades"
        if self.kind == "yes_no":
            return "of all patches"
        return self.unit or ("unit" if amount == 1 else "units")

    @property
    def hint(self) -> str:
        """What to write for it: ``1 to 5, halves allowed``, ``yes or no``, ``0 to 100 L*``."""
        if self.kind == "yes_no":
            return "yes or no"
        if self.kind == "grade":
            return f"1 to {self.grades}" + (", halves allowed" if self.half_grades else "")
        limits = ""
        if self.low is not None and self.high is not None:
            limits = f"{self.low:g} to {self.high:g}"
        elif self.low is not None:
            limits = f"from {self.low:g}"
        elif self.high is not None:
            limits = f"up to {self.high:g}"
        return " ".join(part for part in (limits, self.unit) if part) or "a number"

    @property
    def less_more(self) -> tuple[str, str]:
        """What a smaller and a larger value are called: ``less clear`` and ``clearer``; on L*, 0 is black.

        Where the words of a scale are turned round, so is the direction; words of one's own run with the aim. What
        has no direction of its own is lower or higher, which says nothing without better or worse.
        """
        if self.is_of_laps and self.kind == "measure":  # a difference of two lightnesses: less of it is no darker
            return "less", "more"
        if self.unit == "L*":
            return "darker", "lighter"
        scale = SCALES.get(self.name) if self.kind == "grade" else None
        if scale is None:
            return "lower", "higher"
        turned = self.anchors == scale.anchors[::-1] or (
            self.anchors != scale.anchors and self.aim == scale.the_other_aim
        )
        return (scale.more, scale.less) if turned else (scale.less, scale.more)

    @property
    def says(self) -> str:
        """How a sentence about it begins: ``laps show`` more, ``darkness came out`` darker."""
        if self.is_of_laps and self.kind == "measure":
            return "laps show"
        return SCALES[self.name].says if self.kind == "grade" and self.name in SCALES else f"{self.words} came out"

    @property
    def least_most(self) -> tuple[str, str]:
        """The superlatives of `less_more`: ``least clear`` and ``clearest``."""
        less, more = (_SUPERLATIVES.get(word) or f"{word.removesuffix('er')}est" for word in self.less_more)
        return less, more

    def merit(self, *, more: bool) -> str:
        """Return whether more of it (or less) is ``better`` or ``worse``; nothing where a value is aimed at."""
        return "" if self.aim == "target" else "better" if more == (self.aim == "more") else "worse"

    def went(self, *, more: bool) -> str:
        """Return ``clearer``; ``higher, which is better`` where its words have no direction of their own."""
        word, merit = self.less_more[more], self.merit(more=more)
        return f"{word}, which is {merit}" if merit and word in ("lower", "higher") else word

    @property
    def aim_words(self) -> str:
        """Which way it should go: ``darker is better``, ``close to 38 L*``."""
        if self.aim == "target":
            return f"close to {self.target:g} {self.unit}".rstrip()
        return f"{self.less_more[self.aim == 'more']} is better"

    @property
    def is_worded(self) -> bool:
        """Whether its grades are in words, so that nobody is asked for a bare number."""
        return self.kind != "grade" or any(self.anchors)

    @property
    def is_of_laps(self) -> bool:
        """Whether it says how much a lap shows: its name begins with lap."""
        return self.name.startswith("lap")

    @property
    def stage(self) -> str:
        """The stage the questions are answered at: the last one read."""
        return self.stages[-1]


_SUPERLATIVES = {"less": "least", "more": "most", "less clear": "least clear"}


def response_of(values: Mapping[str, Any], usual: Response | None = None) -> Response:
    """Return a response from its record (`Plan.as_dict`); what an older record does not hold is as usual."""
    usual = usual or Response("", "grade", 5, False, "", None, None, "more", None, ("topcoated",), ())
    names = [one.name for one in fields(Response) if one.name in values]
    kept: dict[str, Any] = {name: values[name] for name in names}
    kept |= {name: tuple(value) for name, value in kept.items() if isinstance(value, list)}
    return replace(usual, **kept)


@dataclass(frozen=True)
class Preference:
    """A paired comparison: which of two patches that differ in one factor alone, asked in words, after which stage.

    ``pairs`` is how many pairs of patches an assessor compares for each two levels; 0 takes all there are.
    """

    name: str
    factor: str
    ask: str
    stage: str
    pairs: int = 0

    @property
    def words(self) -> str:
        """The name as it is read: ``clearer fleck``."""
        return self.name.replace("_", " ")


@dataclass(frozen=True)
class Scoring:
    """How it is scored.

    Attributes
    ----------
    repeats : the share of the patches that comes a second time, unannounced.
    rest_after : looks between two rests.
    """

    repeats: float = 0.2
    rest_after: int = 15


@dataclass(frozen=True)
class Question:
    """A comparison named before any wood is cut; `between` holds the pair of levels, or is empty for all."""

    factor: str
    response: str
    worth: float
    between: tuple[str, ...] = ()


@dataclass(frozen=True)
class Unusable:
    """Patches that carry nothing, such as a knot: of one board, a lane or a strip of it (0 for all) or one patch."""

    board: int
    lane: int
    strip: int
    why: str

    def covers(self, lane: int, strip: int) -> bool:
        """Whether a patch of the board is among them."""
        return self.lane in (0, lane) and self.strip in (0, strip)


@dataclass(frozen=True)
class Model:
    """What the boards are chosen to estimate, where they do not hold the full set.

    Attributes
    ----------
    interactions : the pairs of factors whose interaction is wanted; None leaves it to the boards, () wants none.
    curvature : factors of amounts of which a straight line and its bend are enough.
    criterion : ``D`` for the effects as a whole, ``I`` for predictions.
    """

    interactions: tuple[tuple[str, str], ...] | None = None
    curvature: tuple[str, ...] = ()
    criterion: Literal["D", "I"] = "D"


@dataclass(frozen=True)
class Lap:
    """How a lap is made in each strip of a lap board: two lanes of a pad's width that overlap.

    Attributes
    ----------
    pad_mm, overlap_mm : the width of a lane, and of what the two share.
    dose_ml_m2 : what goes on.
    across : whether the lanes run across the grain instead of along it.
    """

    pad_mm: float
    overlap_mm: float
    dose_ml_m2: float
    across: bool = False


@dataclass(frozen=True)
class Spread:
    """How much pieces are expected to differ in a response: standard deviations by piece, in its own unit.

    ``pieces`` names lot, board, lane, strip, patch and reading, those that are known.
    """

    response: str
    pieces: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Step:
    """One step of the schedule: what is put on, the stage it ends, how long it dries, and the work it takes.

    Attributes
    ----------
    on : what is handled in one go, ``board``, ``lane`` or ``strip``.
    only : the levels of factors it is meant for, where it is not for every piece.
    hands : hands-on time for one piece, as written; empty where the plan does not say.
    dwell : the exact wait from the end of putting it on to its wiping, a time or the factor whose levels are times.
    wipe : hands-on time of what ends the dwell, for one piece.
    tolerance : how much longer than the dwell the wait may last.
    """

    name: str
    material: str
    stage: str
    dry: str
    note: str
    on: str = "board"
    only: tuple[tuple[str, tuple[str, ...]], ...] = ()
    hands: str = ""
    dwell: str = ""
    wipe: str = ""
    tolerance: str = "1 min"


@dataclass(frozen=True)
class Plan:
    """A checked plan. Everything else follows from it and a seed.

    ``like`` names the folder of an earlier trial to take spreads from; ``added`` holds how many boards each later
    occasion added, which are the last of the lots; ``rehearsal`` and ``example`` mark a plan whose results are
    invented.
    ``costs`` says what steps cost, ``brief`` in lines what a finish has to come to (`trials.brief.read`), ``piece``
    what the answers are for, ``grades`` which way of counting grades comes first; ``inches`` says by which rule the
    boards are set out, and is no part of the record.
    """

    title: str
    wood: str
    about: str
    boards: Boards
    factors: tuple[Factor, ...]
    exclusions: tuple[Exclusion, ...] = ()
    controls: tuple[Control, ...] = ()
    responses: tuple[Response, ...] = ()
    questions: tuple[Question, ...] = ()
    steps: tuple[Step, ...] = ()
    assessors: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()
    unusable: tuple[Unusable, ...] = ()
    model: Model = Model()
    spreads: tuple[Spread, ...] = ()
    like: str = ""
    added: tuple[int, ...] = ()
    rehearsal: bool = False
    example: bool = False
    lap: Lap | None = None
    bench: Bench = field(default_factory=Bench)
    preferences: tuple[Preference, ...] = ()
    scoring: Scoring = Scoring()
    costs: Costs | None = None
    brief: tuple[str, ...] = ()
    piece: Piece | None = None
    grades: Grading = "averages"
    inches: bool = False

    @property
    def priced(self) -> Costs | None:
        """The costs, where any step is priced: of nothing no sum is said."""
        return self.costs if self.costs is not None and self.costs.steps else None

    @property
    def mark(self) -> str:
        """What stands on every page, picture and row where results are invented; of a trial in earnest nothing."""
        kind = "rehearsal" if self.rehearsal else "example" if self.example else ""
        return f"{kind}, {INVENTED}" if kind else ""

    @property
    def marked_title(self) -> str:
        """The title, which says where results are invented that they are, whatever the plan was made to say."""
        if self.title.casefold().startswith(self.mark):
            return self.title
        return f"{self.mark.capitalize()}: {self.title}"

    def unworded(self) -> list[Problem]:
        """Return a fault for each graded response whose grades are in no words: nobody scores bare numbers alike."""
        return [
            Problem(
                f"{response.words} is graded 1 to {response.grades}, and no grade is in words",
                'write anchors = ["…", "…", "…"] under it: what the lowest, the middle and the highest look like',
                file="trial.toml",
            )
            for response in self.responses
            if not response.is_worded
        ]

    def factor(self, name: str) -> Factor:
        """Return the factor of that name."""
        return next(factor for factor in self.factors if factor.name == name)

    def response(self, name: str) -> Response:
        """Return the response of that name."""
        return next(response for response in self.responses if response.name == name)

    def laid_on(self, *kinds: str) -> tuple[Factor, ...]:
        """Return the factors laid on pieces of these kinds, in the plan's order."""
        return tuple(factor for factor in self.factors if factor.laid_on in kinds)

    def controls_on(self, kind: str) -> int:
        """Return how many pieces of a kind are controls (on each board; of all boards for ``board``)."""
        return sum(control.count for control in self.controls if control.laid_on == kind)

    def treatments(self, factors: tuple[Factor, ...], given: Mapping[str, str] | None = None) -> list[dict[str, str]]:
        """Return every combination of the factors' levels that can be made, in the plan's order.

        Parameters
        ----------
        factors : what is to be combined.
        given : levels already settled; a combination must go with them.

        Notes
        -----
        A combination counts only if the remaining factors can still be filled in.
        """
        settled = dict(given or {})
        names = [factor.name for factor in factors]
        found = []
        for levels in product(*(factor.levels for factor in factors)):
            treatment = settled | dict(zip(names, levels, strict=True))
            if self._can_be_completed(treatment):
                found.append(dict(zip(names, levels, strict=True)))
        return found

    def forbids(self, treatment: Mapping[str, str]) -> bool:
        """Whether some exclusion forbids this treatment."""
        return any(exclusion.forbids(treatment) for exclusion in self.exclusions)

    def _can_be_completed(self, treatment: dict[str, str]) -> bool:
        if self.forbids(treatment):
            return False
        concerned = {name for exclusion in self.exclusions for name, _ in exclusion.levels}
        rest = [factor for factor in self.factors if factor.name in concerned - treatment.keys()]
        return any(
            not self.forbids(treatment | dict(zip((f.name for f in rest), levels, strict=True)))
            for levels in product(*(factor.levels for factor in rest))
        )

    def as_dict(self) -> dict[str, Any]:
        """Return the plan as plain values, for the record kept beside the data.

        What was made possible after the first records were written is left out where it is not used, so that
        these records still agree with their plans.
        """
        values = _as_read(asdict(self))
        del values["inches"]
        unused = _as_read({"unusable": [], "model": asdict(Model()), "spreads": [], "like": "", "added": []})
        unused |= {"rehearsal": False, "example": False, "lap": None, "bench": _as_read(asdict(Bench()))}
        unused |= {"preferences": [], "scoring": asdict(Scoring())}
        unused |= {"costs": None, "brief": [], "piece": None, "grades": "averages"}
        work = _as_read({field.name: field.default for field in fields(Step) if field.default is not MISSING})
        values["steps"] = [_without(step, work) for step in values["steps"]]
        return _without(values, unused)

    def digest(self) -> str:
        """Return the SHA-256 of the whole plan as it is understood, whatever its spacing and comments."""
        return digest_of(self.as_dict())

    def layout_digest(self) -> str:
        """Return the SHA-256 of the part the layout follows from, `LAID_OUT`."""
        whole = self.as_dict()
        return digest_of({key: whole[key] for key in LAID_OUT if key in whole})


def _as_read(values: dict[str, Any]) -> dict[str, Any]:
    return cast(dict[str, Any], json.loads(json.dumps(values)))


def _without(values: dict[str, Any], unused: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values less those that are as they are when not used."""
    return {key: value for key, value in values.items() if key not in unused or value != unused[key]}


def digest_of(values: Any) -> str:
    """Return the SHA-256 of plain values, whatever the order of their keys."""
    text = json.dumps(values, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def read_plan(path: str | Path) -> Plan:
    """Read and check a plan.

    Parameters
    ----------
    path : trial.toml, or the folder that holds it.

    Raises
    ------
    UserError
        With every fault of the file, each with its line, what is wrong and what to write instead.
    """
    from trials import plan_file  # above this module: it reads a file into the types defined here

    return plan_file.read(Path(path))
