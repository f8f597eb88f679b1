"""A TOML file as tables that know their lines and gather every fault instead of stopping at the first."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from trials import limits, units
from trials.errors import FIRST, Problem, UserError, nearest, spelt_like

Path_ = tuple[str | int, ...]

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""^\s*((?:[\w-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[\w-]+|"[^"]*"|'[^']*'))*)\s*=""")
_DECIMAL_COMMA = re.compile(r"^\s*([\w-]+)\s*=\s*([+-]?\d+),(\d+)\s*(?:#.*)?$")
_LAST_TEXT = re.compile(r"\"[^\"\n]{1,60}\"$")
_FIRST_TEXT = re.compile(r"\"[^\"\n]{1,60}\"")
_MISSING = object()


class Source:
    """The text of one TOML file, its values, the line of each key, and the faults found so far.

    Parameters
    ----------
    path : the file.
    quoted : whether a fault may quote a file that is not TOML; a plan from elsewhere may name any file.

    Raises
    ------
    UserError
        There is no such file, it is not text, holds more than `trials.limits` allows, or it is not TOML.
    """

    def __init__(self, path: Path, *, quoted: bool = True) -> None:
        self.name = path.name
        self.problems: list[Problem] = []
        try:
            text = text_of(path)
        except limits.NoFile:
            where = path.parent.resolve().name or "this folder"
            raise UserError(
                Problem(
                    f"the folder {where!r} holds no {path.name}",
                    "go to a trial folder or make one with 'splitboard new FOLDER'",
                )
            ) from None
        try:
            self.values: dict[str, Any] = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise UserError(_not_toml(self.name, text, str(error), quoted=quoted)) from None
        self.lines = locate(text)

    @property
    def root(self) -> Table:
        """The whole file as one table."""
        return Table(self, (), self.values)

    def line(self, path: Path_) -> int | None:
        """Return the line of a key, or of the nearest table around it."""
        if (*path, 0) in self.lines:  # a list of tables: its first
            return self.lines[*path, 0]
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path)

    def fault(self, path: Path_, what: str, cure: str) -> None:
        """Note a fault at a key."""
        self.problems.append(
            Problem(what, cure, file=self.name, line=self.line(path), column=str(path[-1]) if path else "")
        )

    def read_as(self, path: Path_, meant: str) -> None:
        """Know the lines of a misspelt key, and of what stands under it, by the key that was meant too."""
        at = len(path)
        for one, line in list(self.lines.items()):
            if one[:at] == path:
                self.lines[(*path[:-1], meant, *one[at:])] = line

    def finish(self) -> None:
        """Raise every fault noted, in the order of the lines.

        Raises
        ------
        UserError
            If there is any.
        """
        if self.problems:
            raise UserError(*sorted(dict.fromkeys(self.problems), key=lambda problem: problem.line or 0))


class Table:
    """One table of a `Source`; each reading method notes a fault and returns a stand-in when it finds one."""

    def __init__(self, source: Source, path: Path_, values: dict[str, Any]) -> None:
        self.source, self.path, self.values = source, path, values

    def __contains__(self, key: str) -> bool:
        return key in self.values

    def fault(self, key: str | None, what: str, cure: str) -> None:
        """Note a fault at one of the table's keys, or at the table itself."""
        self.source.fault(self.path if key is None else (*self.path, key), what, cure)

    def allow(self, known: Iterable[str]) -> None:
        """Note every key that is not known."""
        known = list(known)
        names = ".".join(part for part in self.path if isinstance(part, str))
        heading = f" in [{names}]" if names else ""
        unknown = [key for key in self.values if key not in known]
        for key in unknown[:FIRST]:
            self.fault(key, f"there is no key {key!r}{heading}", nearest(key, known))
            if (meant := spelt_like(key, known)) and meant not in self.values:
                self.values[meant] = self.values.pop(key)  # read on as meant, lest one slip echo in other faults
                self.source.read_as((*self.path, key), meant)
        if len(unknown) > FIRST:
            self.fault(None, f"{len(unknown) - FIRST:,} more keys are not known{heading}", "take them out")

    def table(self, key: str) -> Table:
        """Return the table under a key (an empty one where there is none)."""
        value = self.values.get(key, {})
        if not isinstance(value, dict):
            self.fault(key, f"{key!r} is not a table", f"write it as [{key}] on a line of its own")
            value = {}
        return Table(self.source, (*self.path, key), value)

    def tables(self, key: str) -> Iterator[Table]:
        """Go through the tables of a list ``[[key]]``."""
        value = self.values.get(key, [])
        if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
            self.fault(key, f"{key!r} is not a list of tables", f"head each with [[{key}]], two brackets a side")
            return
        if len(value) > limits.LISTED:
            self.fault(key, f"there are {len(value):,} tables [[{key}]]", f"leave at most {limits.LISTED}")
            return
        for at, item in enumerate(value):
            yield Table(self.source, (*self.path, key, at), item)

    def text(self, key: str, default: str | None = None) -> str:
        """Return a line of text; no default means it must be there."""
        value = self.values.get(key, _MISSING)
        if value is _MISSING:
            if default is None:
                self.fault(None, f"{key!r} is missing here", f'add {key} = "…"')
            return default or ""
        if not isinstance(value, str) or not value.strip():
            self.fault(key, f"{key} is {value!r}, not text", "write it between quotation marks")
            return default or ""
        if len(value) > limits.LETTERS:
            self.fault(key, f"{key} has {len(value):,} letters", f"write at most {limits.LETTERS:,}")
            return default or ""
        return value.strip()

    def choice(self, key: str, among: Iterable[str], default: str | None = None) -> str:
        """Return one word out of several."""
        among = list(among)
        value = self.text(key, default)
        if value and value not in among:
            self.fault(key, f"{key} is {value!r}, which is not one of {', '.join(among)}", nearest(value, among))
            return spelt_like(value, among) or default or among[0]
        return value or among[0]

    def count(self, key: str, default: int, least: int = 1, most: int = 10_000) -> int:
        """Return a whole number within limits."""
        value = self.values.get(key, default)
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            self.fault(key, f"{key} is {value!r}", f"write a whole number from {least} to {most}, without quotes")
            return default
        return value

    def number(self, key: str) -> float | None:
        """Return a finite number, or None where the key is missing or wrong (noted only when wrong)."""
        value = self.values.get(key, _MISSING)
        if value is _MISSING:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.fault(key, f"{key} is {value!r}, not a number", f"write it bare, such as {key} = 0.5")
            return None
        if not limits.is_sensible(value):
            self.fault(key, f"{key} is {value!r}", f"write 0 or a size from {limits.LEAST:g} to {limits.MOST:g}")
            return None
        return float(value)

    def flag(self, key: str, default: bool) -> bool:
        """Return true or false."""
        value = self.values.get(key, default)
        if not isinstance(value, bool):
            self.fault(key, f"{key} is {value!r}", "write true or false, without quotes")
            return default
        return value

    def length_mm(self, key: str, default: float, least: float, most: float) -> float:
        """Return a length in millimetres within limits."""
        if key not in self.values:
            return default
        try:
            amount = units.read(self.values[key], "length").amount
        except UserError as error:
            self.fault(key, f"{key}: {error.problems[0].what}", error.problems[0].cure)
            return default
        if not least <= amount <= most:
            text = self.values[key]
            self.fault(key, f"{key} is {text!r}", f"write a length from {least:g} mm to {most:g} mm")
            return default
        return amount

    def words(self, key: str, default: tuple[str, ...] | None = None) -> tuple[str, ...]:
        """Return a list of texts, none empty, none twice."""
        value = self.values.get(key, _MISSING)
        if value is _MISSING:
            if default is None:
                self.fault(None, f"{key!r} is missing here", f'add {key} = ["…", "…"]')
            return default or ()
        if not isinstance(value, list) or not all(isinstance(item, str) and item.strip() for item in value):
            cure = f'write it as {key} = ["…", "…"], each between quotation marks'
            if isinstance(value, list) and any(isinstance(item, int | float) for item in value):
                bare = next(item for item in value if isinstance(item, int | float))
                cure = f'write each between quotation marks, such as "{bare} min", "{bare} g/L" or "{bare} grit"'
            self.fault(key, f"{key} is {value!r}, not a list of texts", cure)
            return default or ()
        if len(value) > limits.LISTED:
            self.fault(key, f"{key} has {len(value):,} words", f"leave at most {limits.LISTED}")
            return default or ()
        words = tuple(item.strip() for item in value)
        for word in words:
            if len(word) > limits.LETTERS:
                self.fault(key, f"{word!r} in {key} is too long", f"write at most {limits.LETTERS:,} letters")
        for word in sorted({word for word in words if words.count(word) > 1}):
            self.fault(key, f"{word!r} stands in {key} {words.count(word)} times", "leave one and take out the rest")
        return tuple(dict.fromkeys(words))


def text_of(path: Path) -> str:
    """Return the text of a TOML file that may be parsed.

    Raises
    ------
    UserError
        It is no plain file, cannot be read, is not UTF-8 or holds more than `trials.limits` allows.
    """
    try:
        text = limits.contents(path, limits.PLAN_BYTES).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        what, cure = f"byte {error.start + 1} is not UTF-8 text", "save the file as UTF-8 in a plain text editor"
        raise UserError(Problem(what, cure, file=path.name)) from None
    limits.check_toml(text, path.name)
    return text


def locate(text: str) -> dict[Path_, int]:
    """Return the line of every table and key of a TOML text.

    It reads headers and the keys that begin a line, which is how people write plans; what is written
    inside an inline table or a list is found under the key that holds it.
    """
    lines: dict[Path_, int] = {}
    counts: dict[Path_, int] = {}
    table: Path_ = ()
    inside: str | None = None
    depth = 0
    for number, line in enumerate(text.splitlines(), start=1):
        if inside is None and depth == 0:
            header = _HEADER.match(line)
            key = _KEY.match(line)
            if header:
                table = _header_path(header.group(1) == "[[", _split_key(header.group(2)), counts)
                lines.setdefault(table, number)
                continue
            if key:
                lines.setdefault((*table, *_split_key(key.group(1))), number)
        inside, depth = _carry(line, inside, depth)
    return lines


def _header_path(is_list: bool, names: list[str], counts: dict[Path_, int]) -> Path_:
    """Return the path of a header, counting the tables of a list."""
    path: Path_ = ()
    for at, name in enumerate(names):
        path = (*path, name)
        if is_list and at == len(names) - 1:
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path


def _split_key(key: str) -> list[str]:
    return [part.strip().strip("\"'") for part in re.findall(r"\"[^\"]*\"|'[^']*'|[^.]+", key)]


def _carry(line: str, inside: str | None, depth: int) -> tuple[str | None, int]:
    """Follow strings and brackets over one line: what is still open at its end."""
    at = 0
    while at < len(line):
        if inside is not None:
            end = line.find(inside, at)
            if inside in ('"', '"""'):
                while end > 0 and (end - len(line[:end].rstrip("\\"))) % 2:
                    end = line.find(inside, end + 1)
            if end < 0:
                return (inside if len(inside) == 3 else None), depth
            at, inside = end + len(inside), None
        elif line[at] == "#":
            break
        elif line.startswith(('"""', "'''"), at):
            inside, at = line[at : at + 3], at + 3
        elif line[at] in "\"'":
            inside, at = line[at], at + 1
        else:
            depth += {"[": 1, "{": 1, "]": -1, "}": -1}.get(line[at], 0)
            at += 1
    return (inside if inside and len(inside) == 3 else None), max(depth, 0)


def _not_toml(name: str, text: str, message: str, *, quoted: bool) -> Problem:
    """Turn the parser's message into a sentence with its line."""
    if "\0" in text:
        return Problem("is not text", "name the plan, which is a TOML text file", file=name)
    match = re.search(r"\(at line (\d+), column (\d+)\)", message)
    line = int(match.group(1)) if match else len(text.splitlines())
    reason = re.sub(r"\s*\(at .*\)", "", message)
    shown = text.splitlines()[line - 1].strip()[:60] if 0 < line <= len(text.splitlines()) else ""
    column = int(match.group(2)) if match else 0
    if quoted and (slip := _slip(text.splitlines(), line, column)):
        return Problem(*slip, file=name, line=line)
    around = f" near {shown!r}" if shown and quoted else ""
    return Problem(
        f"is not TOML{around} ({reason[:1].lower()}{reason[1:]})",
        "text goes between quotation marks, one key = value a line",
        file=name,
        line=line,
    )


def _slip(lines: list[str], line: int, column: int) -> tuple[str, str] | None:
    """Return what is wrong and its cure for the two slips made most: a decimal comma, and a comma left out."""
    here = lines[line - 1] if 0 < line <= len(lines) else ""
    if found := _DECIMAL_COMMA.match(here):
        key, whole, part = found.groups()
        return f"{key} = {whole},{part} is no number here", f"write {whole}.{part} with a point, not a comma"
    before = "\n".join([*lines[max(0, line - 3) : line - 1], here[: column - 1]]).rstrip()
    after = here[column - 1 :].strip()
    if (one := _LAST_TEXT.search(before)) and (other := _FIRST_TEXT.match(after)):
        what = f"there is no comma between {one.group()} and {other.group()}"
        return what, f"write {one.group()}, {other.group()}"
    return None
