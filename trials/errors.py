"""The one kind of mistake a user can make: what is wrong, where, and what to do about it."""

from __future__ import annotations

import difflib
import re
import shlex
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from pathlib import PurePath

FIRST = 20
"""How many faults of one file are said: as many as a person reads before mending the first."""
ALIKE = 3
"""How many faults that say the same are said one by one; of more only the first, with their number."""
LONGEST = 1_000
"""How many letters of what is wrong, and of its cure, are said: a cell of a megabyte is named, not printed."""

_VALUE = re.compile(r"""'[^']*'|"[^"]*"|[^\W_]*\d\w*""")
"""What is quoted or has a digit in it."""


@dataclass(frozen=True)
class Problem:
    """One fault in what the user gave.

    Attributes
    ----------
    what : what is wrong, one sentence without its full stop, naming the value found.
    cure : what to do about it, an imperative without its full stop.
    file, line, column : where. ``line`` counts from 1 (a table's header is row 1); ``column`` is a
        column's name or a key's; each may be left out.
    """

    what: str
    cure: str = ""
    file: str = ""
    line: int | None = None
    column: str = ""

    def __post_init__(self) -> None:
        for part in ("what", "cure"):
            if len(text := getattr(self, part)) > LONGEST:
                object.__setattr__(self, part, f"{text[: LONGEST // 2]} … {text[-LONGEST // 2 :]}")

    @property
    def place(self) -> str:
        """Say where, e.g. ``trial.toml, line 14`` or ``scores.csv, row 3, column darkness``."""
        word = "line" if self.file.endswith(".toml") else "row"
        parts = [self.file, f"{word} {self.line}" if self.line is not None else ""]
        if word == "row" and self.column:
            parts.append(f"column {self.column}")
        return ", ".join(part for part in parts if part)

    def __str__(self) -> str:
        sentence = f"{self.place}: {self.what}" if self.place else self.what
        return f"{sentence}; {self.cure}." if self.cure else f"{sentence}."


class UserError(Exception):
    """One or more faults of the user's, each a clear sentence; the shell prints them and exits with 2.

    Parameters
    ----------
    *problems : a `Problem` each, or plain text for one without a place; of one file the `FIRST` are kept.
    """

    def __init__(self, *problems: Problem | str) -> None:
        each = (problem if isinstance(problem, Problem) else Problem(problem) for problem in problems)
        self.problems: tuple[Problem, ...] = tuple(first(each))
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def as_dicts(self) -> list[dict[str, object]]:
        """Return the faults as plain dictionaries, for ``--json``."""
        return [asdict(problem) for problem in self.problems]


def first(problems: Iterable[Problem]) -> Iterator[Problem]:
    """Yield the `FIRST` faults of each file, and how many more it has; of more than `ALIKE` alike only one.

    Alike are faults of one column or key whose sentences differ in numbers and in what they quote alone.
    """
    problems = list(problems)
    alike: dict[tuple[str, str, str], list[Problem]] = {}
    groups = [alike.setdefault((one.file, one.column, _VALUE.sub("", one.what)), []) for one in problems]
    for problem, group in zip(problems, groups, strict=True):
        group.append(problem)
    seen: Counter[str] = Counter()
    told: set[int] = set()
    for problem, group in zip(problems, groups, strict=True):
        many = len(group) > ALIKE
        if many and id(group) in told:
            continue
        told.add(id(group))
        seen[problem.file] += 1
        if seen[problem.file] <= FIRST:
            yield problem
            if many:
                yield _others(group)
    for file, count in seen.items():
        if count > FIRST:
            yield Problem(f"and {count - FIRST:,} more", "mend these first", file=file)


def _others(group: list[Problem]) -> Problem:
    """Return how many more there are like the first of a group, and from where to where."""
    lines = [one.line for one in group[1:] if one.line is not None]
    word = "lines" if group[0].file.endswith(".toml") else "rows"
    where = f", from {word[:-1]} {min(lines)} to {max(lines)}" if lines else ""
    return Problem(f"and {len(group) - 1:,} more like it{where}", file=group[0].file, column=group[0].column)


def typed(name: str | PurePath) -> str:
    """Return a name as it is typed at a prompt; double quotation marks suit every shell where they are enough."""
    text = name.as_posix() if isinstance(name, PurePath) else name
    if text.startswith("-"):  # which a command would take for an option
        text = f"./{text}"
    if re.fullmatch(r"[\w./][\w./:-]*", text):
        return text
    return f'"{text}"' if not re.search(r'["$`\\!%]', text) else shlex.quote(text)


def command(words: str, folder: PurePath, *files: str | PurePath) -> str:
    """Return a command as it is typed: ``splitboard plan --add 4 "My trial"``; the folder stood in is not named.

    Parameters
    ----------
    words : the command and its options.
    folder : the trial's.
    files : what stands between them, not quoted yet.
    """
    named = [*files] if folder == PurePath() else [*files, folder]
    return " ".join(["splitboard", words, *map(typed, named)])


def nearest(word: str, known: Iterable[object]) -> str:
    """Return ``write 'x'`` for the known word most like `word`, or the list of those there are.

    Written so that it can stand as (part of) a cure.
    """
    names = [str(name) for name in known]
    if close := spelt_like(word, names, 0.6):
        return f"write {close!r}"
    if not names:
        return "there is none to choose from"
    return "write one of " + ", ".join(names)


def spelt_like(word: str, known: Iterable[str], alike: float = 0.8) -> str:
    """Return the known word that is most likely meant by a misspelt one, or nothing; `alike` runs from 0 to 1."""
    lowered = {name.lower(): name for name in known}
    close = difflib.get_close_matches(word[:LONGEST].lower(), list(lowered), n=1, cutoff=alike)
    return lowered[close[0]] if close else ""
