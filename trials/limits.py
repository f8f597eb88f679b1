"""How much a file that is read may hold, looked at before anything is made of it; each number has its reason."""

from __future__ import annotations

import re
import stat
from pathlib import Path

from trials.errors import Problem, UserError

TABLE_BYTES = 50_000_000
"""Of a csv file or a workbook: the most that `CELLS` cells with a remark in each come to."""
ROWS = 100_000
"""Of a table: a hundred readings for each of the 900 patches that three-digit codes allow."""
COLUMNS = 2_000
"""Of a table: a spectrum from 300 to 1100 nm in half nanometres, and what stands beside it."""
ROW_LETTERS = 200_000
"""Of a row of a csv file: a spectrum at its full width takes 20,000."""
CELLS = 1_000_000
"""Of a table: a spectrum of each of 900 patches at 10 nm has 40,000, at 1 nm 400,000."""

PLAN_BYTES = 500_000
"""Of a plan or a materials file: ours have 3,000 to 60,000."""
PLAN_DEPTH = 8
"""How deep brackets may stand in one another in a plan: its own keys need 3."""
KEY_PARTS = 8
"""Of a dotted key or heading in a plan: its own have 2 at most."""
DIGITS = 40
"""Of a number in a plan: 17 tell any two apart."""
LISTED = 200
"""Of tables of one name, words in one list or keys in one table of a plan: nobody reads more."""
LETTERS = 1_000
"""Of one text in a plan: a paragraph."""

RECORD_BYTES = 20_000_000
"""Of datapackage.json: it holds the tables too, deflated, some ten bytes a reading."""
RECORD_MARKS = 200_000
"""Of brackets and commas in datapackage.json: ours have some 2,000, and 5 more a look at the results."""

LEAST, MOST = 1e-9, 1e12
"""Between which sizes a number that was written or measured lies, if it is not nought: what is reckoned from those
keeps its digits."""


class NoFile(UserError):
    """There is no such file."""


def folder(path: Path) -> Path:
    """Return the path of a folder that is there.

    Raises
    ------
    UserError
        It is not, or it is a file.
    """
    if path.is_file():
        raise UserError(Problem(f"{str(path)!r} is a file", "name the trial's folder"))
    if not path.is_dir():
        raise UserError(Problem(f"there is no folder {str(path)!r}", "make one with 'splitboard new FOLDER'"))
    return path


def contents(path: Path, most: int = TABLE_BYTES) -> bytes:
    """Return a file's bytes; what is no plain file (a pipe, a device) is not waited for.

    Raises
    ------
    UserError
        There is no such file (`NoFile`), it is no plain file, larger than `most` bytes, or cannot be read.
    """
    try:
        kind = path.stat().st_mode
        if stat.S_ISDIR(kind):
            raise UserError(Problem(f"{path.name} is a folder", "name the file inside it"))
        if not stat.S_ISREG(kind):
            raise UserError(Problem("is no plain file", "copy what it holds into one and name that", file=path.name))
        with path.open("rb") as file:
            data = file.read(most + 1)
    except (FileNotFoundError, NotADirectoryError):
        raise NoFile(Problem(f"there is no file {str(path)!r}", "check its name and folder")) from None
    except OSError as error:
        cure = "close it where it is open, or check its name and rights"
        raise UserError(Problem(f"cannot be read ({error.strerror or error})", cure, file=path.name)) from None
    if len(data) > most:
        size = f"{most / 1_000_000:g} MB"
        raise UserError(Problem(f"is larger than {size}", "check that it is the right file", file=path.name))
    return data


def is_sensible(value: float) -> bool:
    """Whether a number is nought or of a size that can be reckoned with, `LEAST` to `MOST`."""
    return value == 0 or LEAST <= abs(value) <= MOST


_TOML = re.compile(
    r'"""(?:[^\\]|\\.)*?(?:"""|\Z)'
    r"|'''.*?(?:'''|\Z)"
    r'|"(?:[^"\\\n]|\\.)*"?'
    r"|'[^'\n]*'?"
    r"|\#[^\n]*"
    r"|(?P<digits>\d[\d_]*)"
    r"|(?P<mark>[\[\]{}=.,\n])",
    re.DOTALL | re.VERBOSE,
)


def check_toml(text: str, name: str) -> None:
    """Refuse a TOML text that would take a parser long or much room, by a look at its marks alone.

    Raises
    ------
    UserError
        Brackets stand deeper than `PLAN_DEPTH`, a key has more than `KEY_PARTS` parts, or a number has more than
        `DIGITS` digits.
    """
    depth, parts, line, at = 0, 1, 1, 0
    for found in _TOML.finditer(text):
        line, at = line + text.count("\n", at, found.start()), found.start()
        what = cure = ""
        if found["digits"] and len(found["digits"]) > DIGITS:
            what, cure = f"a number has more than {DIGITS} digits", "round it"
        elif mark := found["mark"]:
            depth = max(depth + {"[": 1, "{": 1, "]": -1, "}": -1}.get(mark, 0), 0)
            parts = parts + 1 if mark == "." else 1
            if depth > PLAN_DEPTH:
                what, cure = f"brackets stand in one another more than {PLAN_DEPTH} deep", "take some out"
            elif parts > KEY_PARTS:
                what, cure = f"a key has more than {KEY_PARTS} parts", "leave out the points"
        if what:
            raise UserError(Problem(what, cure, file=name, line=line))


def check_table(text: str, name: str) -> None:
    """Refuse a csv text with too many rows, columns or cells, counted by the marks between them.

    Raises
    ------
    UserError
        More than `ROWS` lines, `ROW_LETTERS` letters or `COLUMNS` cells in a line, or `CELLS` cells.
    """
    rows = max(text.count("\n"), text.count("\r"))
    if rows > ROWS:
        raise too_large(f"{rows:,} rows, more than the {ROWS:,} that are read", name)
    if len(text) > ROW_LETTERS and (longest := max(map(len, re.split(r"[\r\n]", text)))) > ROW_LETTERS:
        raise too_large(f"a row of {longest:,} letters, more than the {ROW_LETTERS:,} that are read", name)
    cells = 0
    for separator in ",;\t":
        cells = max(cells, text.count(separator))
        if cells > COLUMNS:
            widest = max(line.count(separator) for line in re.split(r"[\r\n]", text)) + 1
            if widest > COLUMNS:
                raise too_large(f"a row of {widest:,} cells, more than the {COLUMNS:,} that are read", name)
    if cells > CELLS:
        raise too_large(f"{cells:,} cells, more than the {CELLS:,} that are read", name)


def too_large(what: str, name: str) -> UserError:
    """Return that a table holds too much: `what` says of what, after the word holds."""
    cure = "check that it is the right file, or part it in several"
    return UserError(Problem(f"the table holds {what}", cure, file=name))
