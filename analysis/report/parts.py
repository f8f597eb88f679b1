"""What the report's page is made of: ready strings, tables and pictures, so that a template only sets them out."""

from __future__ import annotations

from dataclasses import dataclass, field

from markupsafe import Markup

from analysis.report.board_drawings import Board


@dataclass(frozen=True)
class Table:
    """A table as shown.

    Attributes
    ----------
    columns : heads; the first column names its row.
    numeric : whether each column is set to the right.
    source : the file with the same numbers unrounded.
    """

    caption: str
    columns: tuple[str, ...]
    numeric: tuple[bool, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()
    source: str = ""


@dataclass(frozen=True)
class Picture:
    """A picture and the sentence beneath it."""

    svg: Markup
    caption: str
    source: str


@dataclass(frozen=True)
class Answer:
    """An answered question: the verdict as a badge with a mark beside it, the sentence, and what it depends on."""

    verdict: str
    style: str
    sign: str
    sentence: str
    mark: str
    depends: tuple[str, ...]
    link: str


@dataclass(frozen=True)
class Evidence:
    """What stands behind one finding."""

    name: str
    heading: str
    pictures: tuple[Picture, ...]
    table: Table | None
    sentences: tuple[str, ...] = ()


@dataclass(frozen=True)
class BoardSet:
    """Every board, drawn with the values of one response; `wide` boards scroll."""

    heading: str
    legend: str
    boards: tuple[Board, ...]
    wide: bool


@dataclass(frozen=True)
class Group:
    """A heading with what belongs beneath it."""

    heading: str
    sentences: tuple[str, ...] = ()
    pictures: tuple[Picture, ...] = ()
    tables: tuple[Table, ...] = ()


@dataclass(frozen=True)
class Section:
    """A section that is sentences, lists of facts and tables."""

    sentences: tuple[str, ...] = ()
    facts: tuple[tuple[str, str], ...] = ()
    groups: tuple[Group, ...] = ()
    tables: tuple[Table, ...] = ()


@dataclass(frozen=True)
class Part:
    """A section of the page with its heading and the name it is linked by."""

    name: str
    heading: str
    section: Section


@dataclass(frozen=True)
class Step:
    """A step of the schedule and what is said of it."""

    name: str
    words: str


@dataclass(frozen=True)
class Content:
    """The whole page.

    Attributes
    ----------
    title, wood, about : the plan's own words; `about` is where a plan says that its results are invented.
    answers, nothing_asked : the answers, or the sentence that stands in their place.
    changed : that the plan was changed since the boards were laid out; empty where it was not.
    together : which questions stand when all are taken together; empty where fewer than two were asked.
    in_short : the answers beside the questions, a sentence each with the name of the part it links to.
    answered : the parts behind these.
    asked : what was asked and what was scored.
    evidence : question by question.
    boards, board_words : every board for each response, and how to read the drawings.
    pairs : what two factors do together, response by response.
    also_seen : what was not asked beforehand.
    side_by_side : the paired comparisons; None where the plan has none.
    who : who scored, and how far they agree.
    trust, method, conditions : sections of words and tables.
    steps, repeat, cautions, general : how it was made, how to repeat it, and what to mind.
    footer : how the page was made.
    mark : what stands on every page of a rehearsal; empty of a trial.
    seen : who must not see the page, while the scoring is open; empty afterwards.
    """

    title: str
    wood: str
    about: str
    answers: tuple[Answer, ...]
    nothing_asked: str
    changed: str
    together: str
    in_short: tuple[tuple[str, str], ...]
    asked: Section
    evidence: tuple[Evidence, ...]
    answered: tuple[Part, ...]
    boards: tuple[BoardSet, ...]
    board_words: tuple[str, ...]
    controls: Table | None
    pairs: tuple[Group, ...]
    pair_words: tuple[str, ...]
    also_seen: tuple[Evidence, ...]
    also_words: tuple[str, ...]
    also_tables: tuple[Table, ...]
    side_by_side: Section | None
    who: Section
    trust: Section
    method: Section
    conditions: Section
    steps: tuple[Step, ...]
    repeat: Section
    cautions: tuple[tuple[str, str, str], ...]
    general: str
    footer: tuple[str, ...] = field(default=())
    mark: str = ""
    seen: str = ""
