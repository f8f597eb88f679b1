"""What colour instruments write: CIELAB values, or reflectance spectra, which `spectra` turns into them.

CIELAB is taken as it stands, for the illuminant and observer it was read with, and never converted to
others: adapting the white does not make good another lamp or observer.
"""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from trials import spectra
from trials.csv_source import PATCH_NAMES, Row, Table, column_name, cure_for_codes, number
from trials.errors import Problem, UserError, nearest
from trials.spectra import ILLUMINANTS

Key = TypeVar("Key", str, int)

AXES = ("L*", "a*", "b*")
LIMITS = {"L*": (-5.0, 110.0), "a*": (-150.0, 150.0), "b*": (-150.0, 150.0)}
"""What a reading of wood can be at most; beyond it something else was written (common practice, no source)."""
_KEPT = {
    "repeat": "repeat", "taken_at": "taken_at", "date": "taken_at", "note": "note", "notes": "note",
    "remark": "note", "stage": "stage", "assessor": "assessor", "rater": "assessor",
}  # fmt: skip
_QUALIFIER = r"(?:[\s_]*[\(\[](?P<inside>[^()\[\]]*)[\)\]]|[\s_]+(?P<outside>[0-9A-Z/°\s_]+))?"
_AXIS = re.compile(r"(?P<cie>cie[\s_]*(?:lab)?[\s_]*)?(?P<axis>[Lab])(?P<star>\s?\*)?" + _QUALIFIER, re.IGNORECASE)
_BAND = re.compile(
    r"(?:r|refl\.?|reflectance|spectral)?[\s_]*(?P<nm>[0-9]{3,4})(?:\.0+)?[\s_]*(?:nm|\[\s*nm\s*\]|\(\s*nm\s*\))?"
    r"[\s_]*(?:[\(\[]?\s*%\s*[\)\]]?)?",
    re.IGNORECASE,
)
_LAMP_WORD = r"(?:illuminant|illumination|light[ ]?source|lamp)"
_LAMPS = (
    re.compile(_LAMP_WORD + r"[ \t:;,=]*[\"']?(?:CIE )?(D[0-9]{2}|F[0-9]{1,2}|A|C)(?![A-Z0-9])", re.IGNORECASE),
    re.compile(
        r"(?:^|[;,:\t(\[/°])[ ]?(D[0-9]{2})(?=[ ]?(?:$|[;,\t)\]/]|(?:2|10)[ ]?°))", re.IGNORECASE | re.MULTILINE
    ),
)
"""A lamp after its word; one of daylight also where it stands alone between separators or before an observer."""
_EYES = (
    re.compile(r"observer(?:[ ]angle)?[ \t:;,=]*[\"']?(2|10)(?![0-9])", re.IGNORECASE),
    re.compile(r"(?<![0-9.:])(?<![0-9][,/])(2|10)[ ]?-?(?:°|deg(?:rees?)?\b)(?![ ]?[CF]\b)", re.IGNORECASE),
    re.compile(r"(?<![A-Z0-9])D[0-9]{2}[ /,;-]{1,2}(2|10)(?![0-9]|[ ]?mm)", re.IGNORECASE),
    re.compile(r"(?<![A-Z0-9])(?:F[0-9]{1,2}|A|C)/(2|10)(?![0-9]|[ ]?mm)", re.IGNORECASE),
)


@dataclass(frozen=True)
class Colours:
    """An instrument's file as a table of readings.

    Attributes
    ----------
    table : columns patch, those of L*, a* and b* there are, and of repeat, taken_at, note, stage and
        assessor those the file has; rows numbered as in the file.
    method : how the colours came about, for the readings' column of that name.
    aside : the file's columns left unread.
    """

    table: Table
    method: str
    aside: tuple[str, ...]


@dataclass(frozen=True)
class _Columns:
    """Which column of the file holds what; `bands` by wavelength in nm."""

    patch: str
    axes: dict[str, str]
    kept: dict[str, str]
    bands: dict[int, str]
    illuminant: str
    observer: str


@dataclass(frozen=True)
class _Viewing:
    """An illuminant and an observer; empty where not known."""

    illuminant: str = ""
    observer: str = ""


def is_colours(table: Table) -> bool:
    """Whether a table comes from a colour instrument: it has columns of CIELAB or of a reflectance spectrum."""
    names = [column_name(name) for name in table.header]
    if {"response", "value"} <= set(names):
        return False
    axes = {match[0]: match[1] for name in table.header if (match := _axis(name))}
    bands = {nm for name in table.header if (nm := _band(name))}
    return any(axes.values()) or set(AXES) <= set(axes) or len(bands) >= 8


def prepared(table: Table, illuminant: str = "", observer: str = "") -> Colours:
    """Turn an instrument's table into one of CIELAB readings.

    Parameters
    ----------
    table : an instrument's file, see `is_colours`.
    illuminant, observer : what the person says of it, such as D65 and 10; for spectra what to compute for.

    Raises
    ------
    UserError
        Columns are missing or mean the same, illuminant or observer is not known or is not the one the file
        states, bands are missing or at other steps than 10 nm, or a value cannot be (with row and column).
    """
    asked = _Viewing(_illuminant(illuminant), _observer(observer))
    columns = _columns(table)
    stated = _stated(table, columns)
    viewing = _Viewing(asked.illuminant or stated.illuminant, asked.observer or stated.observer)
    if columns.axes and not (columns.bands and (len(columns.axes) < len(AXES) or viewing != stated)):
        _check_as_stated(asked, stated, table.name)
        rows, method, used = _lab_rows(table, columns), f"colorimeter, {_words(viewing)}", list(columns.axes.values())
    elif columns.bands:
        read = spectra.lab_of_table(table, columns.bands, viewing.illuminant, viewing.observer)
        rows = _spectral_rows(table, columns, read.lab)
        method = f"spectrophotometer, {read.words}, {_words(viewing)}, to CIELAB by ASTM E308"
        used = list(read.columns)
    else:
        what = "there is no column L*, a* or b* and none of a reflectance spectrum such as 400 nm"
        raise UserError(Problem(what, "name the columns so in the header", file=table.name))
    rows, repeated = _numbered(rows, "repeat" in columns.kept)
    header = ("patch", *(axis for axis in AXES if any(axis in row.cells for row in rows)), *columns.kept, *repeated)
    known = {columns.patch, *used, *columns.kept.values(), columns.illuminant, columns.observer}
    aside = tuple(name for name in table.header if name not in known)
    return Colours(replace(table, header=header, rows=tuple(rows)), method, aside)


# --- the columns -----------------------------------------------------------------------------------


def _plain(name: str) -> str:
    """Return a column's name with the stars and spaces instruments write made alike."""
    stars = unicodedata.normalize("NFKC", name).replace("∗", "*").replace("⁎", "*")
    return re.sub(r"\*(?=\w)", "* ", stars).strip()


def _axis(name: str) -> tuple[str, bool, str] | None:
    """Return which axis a column holds, whether its spelling leaves no doubt, and what is said beside it."""
    found = _AXIS.fullmatch(_plain(name))
    if found is None:
        return None
    axis = next(axis for axis in AXES if axis[0].lower() == found["axis"].lower())
    sure = bool(found["star"] or found["cie"])
    beside = (found["inside"] or found["outside"] or "").strip()
    if beside and not sure and _beside(beside) == _Viewing():
        return None
    return axis, sure, beside


def _band(name: str) -> int | None:
    """Return the wavelength in nm of a column of a spectrum."""
    found = _BAND.fullmatch(_plain(name))
    return int(found["nm"]) if found and 300 <= int(found["nm"]) <= 1100 else None


def _columns(table: Table) -> _Columns:
    """Sort the file's columns; raise where two mean the same or none holds the codes."""
    axes: dict[str, str] = {}
    kept: dict[str, str] = {}
    bands: dict[int, str] = {}
    single = {"patch": "", "illuminant": "", "observer": ""}
    for name in table.header:
        word = column_name(name)
        word = "patch" if word in PATCH_NAMES else word
        axis, nm = _axis(name), _band(name)
        if word in single:
            _put_once(single, word, name, table.name)
        elif word in _KEPT:
            _put_once(kept, _KEPT[word], name, table.name)
        elif axis is not None:
            _put_once(axes, axis[0], name, table.name)
        elif nm is not None:
            _put_once(bands, nm, name, table.name)
    if not single["patch"]:
        what = "there is no column with the patches' codes"
        raise UserError(Problem(what, cure_for_codes(table), file=table.name))
    return _Columns(
        single["patch"], axes, kept, bands if len(bands) >= 8 else {}, single["illuminant"], single["observer"]
    )


def _put_once(found: dict[Key, str], key: Key, name: str, file: str) -> None:
    if found.get(key):
        what = f"columns {found[key]!r} and {name!r} mean the same"
        raise UserError(Problem(what, "take one out, or rename it", file=file))
    found[key] = name


# --- illuminant and observer -----------------------------------------------------------------------


def _illuminant(text: str) -> str:
    word = re.sub(r"^FL(?=\d)", "F", "".join(text.upper().split()).removeprefix("CIE"))
    if word and word not in ILLUMINANTS:
        raise UserError(Problem(f"there is no illuminant {text!r} here", nearest(word, ILLUMINANTS)))
    return word


def _observer(text: str) -> str:
    found = re.fullmatch(r"\s*(2|10)\s*(?:°|deg|degrees?)?\s*", text, re.IGNORECASE)
    if text.strip() and found is None:
        raise UserError(Problem(f"there is no observer {text!r}", "write 2 or 10, its field of view in degrees"))
    return found[1] if found else ""


def _viewing(texts: Iterable[str]) -> _Viewing:
    """Return the illuminant and the observer that texts name, each only where they name just one."""
    whole = "\n".join(texts).replace("CIE 1931", "2 °").replace("CIE 1964", "10 °")
    lamps = {found[1].upper() for pattern in _LAMPS for found in pattern.finditer(whole)}
    eyes = {found[1] for pattern in _EYES for found in pattern.finditer(whole)}
    lamp = lamps.pop() if len(lamps) == 1 else ""
    return _Viewing(lamp if lamp in ILLUMINANTS else "", eyes.pop() if len(eyes) == 1 else "")


def _beside(text: str) -> _Viewing:
    """Return the illuminant and the observer said beside an axis, as in ``L*(D65/10)``."""
    return _viewing([f"illuminant {text}", f"({text})"]) if text else _Viewing()


def _stated(table: Table, columns: _Columns) -> _Viewing:
    """Return what the file says of its CIELAB values: its columns first, then the names of them, then its top."""
    beside = [_beside(found[2]) for name in columns.axes.values() if (found := _axis(name))]
    if len(set(beside)) > 1:
        names = ", ".join(columns.axes.values())
        what = f"the columns {names} are not of one illuminant and observer"
        raise UserError(Problem(what, "keep those of one", file=table.name))
    named = next(iter(beside), _Viewing())
    top = _viewing(table.preamble)
    lamp = _same_in_all(table, columns.illuminant, "illuminant") or named.illuminant or top.illuminant
    return _Viewing(lamp, _same_in_all(table, columns.observer, "observer") or named.observer or top.observer)


def _same_in_all(table: Table, column: str, what: str) -> str:
    """Return the illuminant or observer a column names, the same in all its filled rows."""
    first = None
    for row in table.rows:
        text = row.cells[column] if column else ""
        if not text:
            continue
        try:
            value = _illuminant(text) if what == "illuminant" else _observer(text)
        except UserError as error:
            problem = error.problems[0]
            raise UserError(replace(problem, file=table.name, line=row.number, column=column)) from None
        if first is not None and value != first:
            fault = f"the {what} is {value}, in the rows above {first}"
            cure = "take readings of unlike kind in from files of their own"
            raise UserError(Problem(fault, cure, file=table.name, line=row.number, column=column))
        first = value
    return first or ""


def _differ(asked: _Viewing, stated: _Viewing) -> bool:
    pairs = ((asked.illuminant, stated.illuminant), (asked.observer, stated.observer))
    return any(one and other and one != other for one, other in pairs)


def _check_as_stated(asked: _Viewing, stated: _Viewing, name: str) -> None:
    """Refuse to call CIELAB values by another illuminant or observer than the file does."""
    if _differ(asked, stated):
        what = f"the file says its colours are for {_words(stated)}, the options say {_words(asked)}"
        cure = "leave the options out, or export the colours anew: they cannot be converted without the spectra"
        raise UserError(Problem(what, cure, file=name))


def _words(viewing: _Viewing) -> str:
    if viewing == _Viewing():
        return "illuminant and observer not stated"
    eye = f"{viewing.observer} degree observer" if viewing.observer else "observer not stated"
    return f"{viewing.illuminant or 'illuminant not stated'}, {eye}"


# --- the rows --------------------------------------------------------------------------------------


def _kept_cells(row: Row, columns: _Columns) -> dict[str, str]:
    return {"patch": row.cells[columns.patch]} | {ours: row.cells[name] for ours, name in columns.kept.items()}


def _lab_rows(table: Table, columns: _Columns) -> list[Row]:
    """Return the readings of a file of CIELAB values, as the file writes them."""
    problems, rows = [], []
    for row in table.rows:
        values = {axis: row.cells[columns.axes[axis]] for axis in AXES if axis in columns.axes}
        for axis, text in values.items():
            if text and (fault := _lab_fault(axis, text)):
                problems.append(Problem(*fault, file=table.name, line=row.number, column=columns.axes[axis]))
        rows.append(Row(row.number, _kept_cells(row, columns) | values))
    if problems:
        raise UserError(*problems)
    return rows


def _lab_fault(axis: str, text: str) -> tuple[str, str] | None:
    value, (low, high) = number(text), LIMITS[axis]
    if value is None:
        return f"{axis} is {text[:40]!r}, which is not a number", "correct it, or leave the cell empty"
    if not low <= value <= high:
        return f"{axis} is {text[:40]}, which no colour of wood has", f"write a value from {low:g} to {high:g}"
    return None


def _spectral_rows(table: Table, columns: _Columns, lab: Mapping[int, Sequence[float]]) -> list[Row]:
    """Return the readings of a file of spectra, whose CIELAB values stand in `lab` by row number."""
    problems, rows = [], []
    for row in table.rows:
        values = dict.fromkeys(AXES, "")
        if row.number in lab:
            values = {axis: _short(value) for axis, value in zip(AXES, lab[row.number], strict=True)}
        for axis, text in values.items():
            if text and (fault := _lab_fault(axis, text)):
                problems.append(Problem(*fault, file=table.name, line=row.number, column=axis))
        rows.append(Row(row.number, _kept_cells(row, columns) | values))
    if problems:
        raise UserError(*problems)
    return rows


def _short(value: float) -> str:
    """Return a value to a ten-thousandth, without a minus before nought."""
    return repr(round(float(value), 4) + 0.0)


def _numbered(rows: list[Row], has_repeats: bool) -> tuple[list[Row], tuple[str, ...]]:
    """Give an instrument's placements on one patch their numbers in the file's order, if there are several."""
    filled = [any(row.cells.get(axis) for axis in AXES) for row in rows]
    keys = [
        (row.cells["patch"].removesuffix(".0"), row.cells.get("stage", ""), row.cells.get("assessor", ""))
        for row in rows
    ]
    counts = Counter(key for key, holds in zip(keys, filled, strict=True) if holds)
    if has_repeats or max(counts.values(), default=0) < 2:
        return rows, ()
    seen: Counter[tuple[str, str, str]] = Counter()
    out = []
    for row, key, holds in zip(rows, keys, filled, strict=True):
        seen[key] += holds
        out.append(Row(row.number, row.cells | {"repeat": str(seen[key]) if holds else ""}))
    return out, ("repeat",)
