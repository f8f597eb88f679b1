"""The scoring form: the codes in each assessor's own order, and how to look. Blind.

Pure: a plan and its patches in, what the page says out.
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
from trials.scoring import HOW_TO_LOOK

if TYPE_CHECKING:
    import pandas as pd

COLUMNS_UPRIGHT = 4
"""Responses an upright page has room for; more turn it."""
_LONGEST_FILE_NAME = 40

MEASURING = "measuring"
"""The stem of the form for what an instrument reads."""


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
class Form:
    """What one assessor's form says.

    Attributes
    ----------
    stem : the name of its files without ending.
    source : what the blank's rows say of where they come from: of a rehearsal, that they are invented.
    """

    assessor: str
    stem: str
    responses: tuple[Column, ...]
    stages: tuple[str, ...]
    codes: tuple[str, ...]
    how_to_look: tuple[str, ...]
    rest_after: int
    turned: bool
    blank_name: str
    columns: tuple[str, ...]
    command: tuple[str, ...]
    source: str = ""

    @property
    def blank(self) -> bytes:
        """The form as an empty csv: UTF-8 with a mark, so that spreadsheets read it, and RFC 4180's line ends.

        A named assessor stands in every row, so that the file says by itself who scored.
        """
        filled = {"assessor": self.assessor, "source": self.source}
        names = [*self.columns[:-1], *(name for name, text in filled.items() if text), self.columns[-1]]
        out = io.StringIO(newline="")
        writer = csv.writer(out)
        writer.writerow(names)
        for code in self.codes:
            writer.writerow([neutral(({"patch": code} | filled).get(name, "")) for name in names])
        return b"\xef\xbb\xbf" + out.getvalue().encode("utf-8")


def build(plan: Plan, patches: pd.DataFrame, seed: int) -> tuple[Form, ...]:
    """Write one form for each assessor, and one for what is measured; or one without a name for all.

    Parameters
    ----------
    plan : the plan.
    patches : one row a patch, as layout.csv.
    seed : the layout's; with an assessor's name it gives the order of scoring.
    """
    scored = tuple(response for response in plan.responses if response.kind != "measure")
    measured = tuple(response for response in plan.responses if response.kind == "measure")
    if not plan.assessors or not scored:
        return (_form(plan, patches, seed, "", "scoring", plan.responses),)
    stems = file_stems(plan.assessors)
    forms = [
        _form(plan, patches, seed, assessor, stem, scored)
        for assessor, stem in zip(plan.assessors, stems, strict=True)
    ]
    if measured:
        forms.append(_form(plan, patches, seed, "", MEASURING, measured))
    return tuple(forms)


def _form(
    plan: Plan, patches: pd.DataFrame, seed: int, assessor: str, stem: str, responses: tuple[Response, ...]
) -> Form:
    command = ["splitboard", "record", "scores.csv"]
    if assessor:
        command += ["--assessor", typed(assessor)]
    return Form(
        assessor=assessor,
        stem=stem,
        responses=tuple(_column(response) for response in responses),
        stages=tuple(stage for stage in STAGES if any(stage in response.stages for response in responses)),
        codes=tuple(f"{code:03d}" for code in scoring_order(patches, seed, assessor)),
        how_to_look=HOW_TO_LOOK,
        rest_after=plan.scoring.rest_after,
        turned=len(responses) > COLUMNS_UPRIGHT,
        blank_name=f"{stem}.csv",
        columns=("patch", *(response.name for response in responses), "note"),
        command=tuple(command),
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
    return Column(
        name=response.name,
        words=response.words,
        hint=response.hint,
        graded=response.kind == "grade",
        anchors=tuple((str(at), words) for at, words in enumerate(response.anchors, start=1)),
        stages=response.stages,
    )
