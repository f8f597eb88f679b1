"""The forms: what each assessor scores in an order of their own, and what an instrument reads. Blind.

Pure: a plan and its patches in, what the page says out. A form and its blank table ask the looks that the phone page
asks (`trials.scoring`), second looks and pairs too.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trials.csv_text import neutral
from trials.design import scoring_order
from trials.errors import typed
from trials.plan import STAGES, Plan, Response
from trials.scoring import HOW_TO_LOOK, Sitting, scores_file, sittings

if TYPE_CHECKING:
    import pandas as pd

COLUMNS_UPRIGHT = 4
"""Responses an upright page has room for; more turn it."""
_LONGEST_FILE_NAME = 40

MEASURING = "measuring"
"""The stem of the form for what an instrument reads."""
SCORING_KIND, MEASURING_KIND = "Scoring form", "Measuring form"
ABOUT_THE_LIGHT = ("light: which lamp or window",)
ABOUT_THE_INSTRUMENT = ("instrument", "geometry, such as 45/0 or d/8", "aperture", "calibrated on")
HOW_TO_MEASURE = (
    "Measure only what is dry, in the order shown; calibrate the instrument first.",
    "Lay each board with its label end to your left and turn the instrument alike on every patch: along and across "
    "the grain the readings differ.",
    "Touch three places of a patch, lift the instrument between them, and write their mean. Keep off knots, glue and "
    "the patch's edges.",
    "Write what it shows, also where it surprises you; if you doubt it, measure again and say so in the note.",
)
"""Three touches: common practice, no source. Along and across the grain: Stokke, Pugel and Phelps, Forest Products
Journal, October 1995."""
_ENDS: dict[tuple[str, float | None, float | None], str] = {("L*", 0, 100): "0 is black, 100 white"}
"""What the ends of a scale mean, by unit, low and high: CIE 15, from memory. A difference of L* has no such ends."""


@dataclass(frozen=True)
class Column:
    """One response: its name as typed and as read, what to write, its grades in words, when it is read."""

    name: str
    words: str
    hint: str
    graded: bool
    anchors: tuple[tuple[str, str], ...]
    stages: tuple[str, ...]


@dataclass(frozen=True)
class Row:
    """One look: a patch's code, and the how-manieth look at it this is."""

    code: str
    repeat: int = 1


@dataclass(frozen=True)
class Pairs:
    """What is asked of two patches side by side, and of which: left and right."""

    ask: str
    sides: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Round:
    """All that is asked after one stage of the work."""

    stage: str
    rows: tuple[Row, ...]
    pairs: tuple[Pairs, ...] = ()


@dataclass(frozen=True)
class Form:
    """What one assessor's form, or that of an instrument, says.

    Attributes
    ----------
    kind : what it is headed with.
    stem : the name of its files without ending.
    rounds : what is asked, after each stage.
    stage_named : whether the stage is said: there are several, or the plan has such a step.
    about : what is written down once, of the light or of the instrument.
    how : what to mind.
    rest_after : looks between two rests; 0 for none.
    blank_name, filled_name : of the empty table, and of the one that is recorded.
    columns : the header of the blank table, as printed too.
    commands : how what was written is taken in: the table, and where there are pairs these.
    source : what the blank's rows say of where they come from: of a rehearsal, that they are invented.
    """

    kind: str
    assessor: str
    stem: str
    responses: tuple[Column, ...]
    rounds: tuple[Round, ...]
    stage_named: bool
    about: tuple[str, ...]
    how: tuple[str, ...]
    rest_after: int
    turned: bool
    blank_name: str
    filled_name: str
    columns: tuple[str, ...]
    commands: tuple[str, ...]
    source: str = ""

    @property
    def stages(self) -> tuple[str, ...]:
        """After which steps patches are looked at by themselves."""
        return tuple(one.stage for one in self.rounds if one.rows)

    @property
    def codes(self) -> tuple[str, ...]:
        """The patches, in the order of their first looks."""
        return tuple(dict.fromkeys(row.code for one in self.rounds for row in one.rows))

    @property
    def blank(self) -> bytes:
        """The form as an empty csv: UTF-8 with a mark, so that spreadsheets read it, and RFC 4180's line ends.

        A named assessor stands in every row, so that the file says by itself who scored.
        """
        out = io.StringIO(newline="")
        writer = csv.writer(out)
        writer.writerow(self.columns)
        for one in self.rounds:
            for row in one.rows:
                filled = {"patch": row.code, "repeat": str(row.repeat), "stage": one.stage, "assessor": self.assessor}
                filled["source"] = self.source
                writer.writerow([neutral(filled.get(name, "")) for name in self.columns])
        return b"\xef\xbb\xbf" + out.getvalue().encode("utf-8")


def build(plan: Plan, patches: pd.DataFrame, seed: int) -> tuple[Form, ...]:
    """Write one form for each assessor, or one without a name for all, and one for what is measured.

    Parameters
    ----------
    plan : the plan.
    patches : one row a patch, as layout.csv.
    seed : the layout's; with an assessor's name it gives the order of scoring.
    """
    scored = tuple(response for response in plan.responses if response.kind != "measure")
    measured = tuple(response for response in plan.responses if response.kind == "measure")
    stems = file_stems(plan.assessors) or ("scoring",)
    sat = sittings(plan, patches, seed)
    forms = [_scoring(plan, sitting, stem, scored) for sitting, stem in zip(sat, stems, strict=False)]
    if measured:
        forms.append(_measuring(plan, scoring_order(patches, seed, ""), measured))
    return tuple(forms)


def _scoring(plan: Plan, sitting: Sitting, stem: str, responses: tuple[Response, ...]) -> Form:
    rounds = []
    for one in sitting.rounds:
        rows = tuple(Row(f"{look.patch:03d}", look.repeat) for look in one.looks)
        pairs = (
            Pairs(choice.ask, tuple((f"{pair.left:03d}", f"{pair.right:03d}") for pair in one.pairs
                                    if pair.choice == choice.name))
            for choice in sitting.choices
        )  # fmt: skip
        rounds.append(Round(one.stage, rows, tuple(some for some in pairs if some.sides)))
    filled = scores_file(sitting.assessor) if sitting.assessor else "scores.csv"
    by = f" --assessor {typed(sitting.assessor)}" if sitting.assessor else ""
    commands = [f"splitboard record {filled}"] if responses else []
    commands += [f"splitboard record --by-hand{by}"] if plan.preferences else []
    return _form(plan, responses, tuple(rounds), SCORING_KIND, sitting.assessor, stem, filled, tuple(commands))


def _measuring(plan: Plan, codes: Iterable[int], responses: tuple[Response, ...]) -> Form:
    rows = tuple(Row(f"{code:03d}") for code in codes)
    stages = [stage for stage in STAGES if any(stage in response.stages for response in responses)]
    commands = ('splitboard record measured.csv --method "INSTRUMENT, GEOMETRY, APERTURE, CALIBRATED"',)
    rounds = tuple(Round(stage, rows) for stage in stages)
    return _form(plan, responses, rounds, MEASURING_KIND, "", MEASURING, "measured.csv", commands)


def _form(
    plan: Plan, responses: tuple[Response, ...], rounds: tuple[Round, ...], kind: str, assessor: str, stem: str,
    filled_name: str, commands: tuple[str, ...],
) -> Form:  # fmt: skip
    measuring = kind == MEASURING_KIND
    several = len(rounds) > 1
    said = {
        "repeat": any(row.repeat > 1 for one in rounds for row in one.rows),
        "stage": several,
        "assessor": bool(assessor),
        "source": bool(plan.mark),
    }
    return Form(
        kind=kind,
        assessor=assessor,
        stem=stem,
        responses=tuple(_column(response) for response in responses),
        rounds=rounds,
        stage_named=several or any(step.stage == one.stage for step in plan.steps for one in rounds),
        about=ABOUT_THE_INSTRUMENT if measuring else ABOUT_THE_LIGHT,
        how=HOW_TO_MEASURE if measuring else HOW_TO_LOOK,
        rest_after=0 if measuring else plan.scoring.rest_after,
        turned=len(responses) > COLUMNS_UPRIGHT,
        blank_name=f"blank-{stem}.csv",
        filled_name=filled_name,
        columns=("patch", *(response.name for response in responses), *(at for at in said if said[at]), "note"),
        commands=commands,
        source=plan.mark,
    )


def file_stems(assessors: Iterable[str]) -> tuple[str, ...]:
    """Return a file name without ending for each assessor, safe on every system and told apart from the others."""
    taken = {MEASURING}
    stems = []
    for assessor in assessors:
        letters = unicodedata.normalize("NFC", assessor)
        word = re.sub(r"[^\w]+", "-", letters)[:_LONGEST_FILE_NAME].strip("-_") or "assessor"
        stem, number = f"scoring-{word}", 2
        while _folded(stem) in taken:
            stem, number = f"scoring-{word}-{number}", number + 1
        taken.add(_folded(stem))
        stems.append(stem)
    return tuple(stems)


def _folded(name: str) -> str:
    """Return a name as file systems that ignore case and composition compare it."""
    return unicodedata.normalize("NFKC", name).casefold()


def _column(response: Response) -> Column:
    ends = _ENDS.get((response.unit, response.low, response.high), "")
    return Column(
        name=response.name,
        words=response.words,
        hint=f"{response.hint}; {ends}" if ends else response.hint,
        graded=response.kind == "grade",
        anchors=tuple((str(at), words) for at, words in enumerate(response.anchors, start=1) if words),
        stages=response.stages,
    )
