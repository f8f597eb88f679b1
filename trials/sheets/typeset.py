"""Data set in type: a template of this package and plain values in, the bytes of a PDF out.

Whatever a person typed reaches Typst as data, never as source, so it prints as it stands. Nothing is
fetched; the fonts are those inside Typst, and the machine's own come in only for letters these lack.
"""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import typst

from trials import blind

TEMPLATES = Path(__file__).parent / "templates"
_EPOCH = 0
"""No sheet bears the time it was made: the same plan gives the same bytes."""
_LONGEST_WORD, _PIECE = 22, 11
"""Letters a word may have before it may be broken, so that it stays in its column, and where it breaks."""
_JOINERS = "\u200c\u200d"
_ZERO_WIDTH_SPACE = "\u200b"
_AFTER_SIGN = re.compile(r"(?<=[_/.,+)-])(?=.)")
_BEFORE_ACCENT = re.compile("\u200b(?=[\u0300-\u036f\u200c\u200d])")
VERBATIM = ("columns", "commands", "blank_name", "filled_name")
"""Keys whose text is meant to be typed as it stands: no place to break is put into it."""
BLIND = ("boards", "cutting", "full-scale", "labels", "scoring")
"""The templates of what whoever scores may see; whatever is made from another says that they must not."""
_PROBE = b'#set text(font: ("Libertinus Serif", "DejaVu Sans Mono"))\n#sys.inputs.letters'


@dataclass(frozen=True)
class Shapes:
    """Which letters only the machine's own fonts can show, and which nothing at hand can."""

    borrowed: frozenset[str]
    none: frozenset[str]


def find_shapes(values: Any) -> Shapes:
    """Look for every letter of some plain values in the fonts at hand.

    Parameters
    ----------
    values : what is to be printed, of one document or of several.
    """
    rare = {letter for letter in _letters(values) if not " " <= letter <= "~"}
    controls = {letter for letter in rare if unicodedata.category(letter)[0] == "C" and letter not in _JOINERS}
    outside = _missing(rare - controls - set(_JOINERS), system=False)
    nowhere = _missing(outside, system=True)
    return Shapes(frozenset(outside - nowhere), frozenset(controls | nowhere))


def pdf(template: str, values: Mapping[str, Any], shapes: Shapes | None = None) -> bytes:
    """Set one document.

    Parameters
    ----------
    template : name of a file in ``templates/`` without its ending.
    values : what the template asks for: text, numbers, truths, lists and dictionaries of these.
    shapes : from `find_shapes` for at least these values; found here where it is left out.

    Returns
    -------
    The PDF; the same values give the same bytes on a machine with the same fonts.

    Notes
    -----
    Characters that no font at hand can show, and control characters, are printed as their Unicode number,
    such as (U+1F600); the template is told so with ``values["numbered"]``, and who may see it with ``["seen"]``.
    """
    values = {**values, "seen": blind.MAY_SEE if template in BLIND else blind.MUST_NOT_SEE}
    shapes = shapes or find_shapes(values)
    letters = _letters(values)
    printable = _map_text(values, partial(_printable, missing=shapes.none))
    data = json.dumps({**printable, "numbered": bool(letters & shapes.none)}, ensure_ascii=False, allow_nan=False)
    return bytes(
        typst.compile(
            str(TEMPLATES / f"{template}.typ"),
            root=str(TEMPLATES),
            sys_inputs={"data": data},
            ignore_system_fonts=not letters & shapes.borrowed,
            format="pdf",
            timestamp=_EPOCH,
        )
    )


def one_line(text: str, longest: int) -> str:
    """Return text on one line, cut with an ellipsis after `longest` letters (East Asian wide ones count twice)."""
    text, width = " ".join(text.split()), 0
    for at, letter in enumerate(text):
        width += 2 if unicodedata.east_asian_width(letter) in "WF" else 1
        if width > longest:
            return text[: max(at - 1, 0)].rstrip() + "…"
    return text


# --- letters ---------------------------------------------------------------------------------------


def _map_text(value: Any, change: Callable[[str, str], str], key: str = "") -> Any:
    """Return plain values with every text changed; `change` is given the text and the key it stands under."""
    if isinstance(value, str):
        return change(value, key)
    if isinstance(value, Mapping):
        return {name: _map_text(item, change, name) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [_map_text(item, change, key) for item in value]
    return value


def _letters(values: Any) -> set[str]:
    """Return every character of every text, composed where Unicode can compose them."""
    found: set[str] = set()

    def gather(text: str, key: str) -> str:
        found.update(_composed(text))
        return text

    _map_text(values, gather)
    return found


def _composed(text: str) -> str:
    return " ".join(unicodedata.normalize("NFC", text).split())


def _printable(text: str, key: str, *, missing: frozenset[str]) -> str:
    """Return text as it can be printed: spaces evened out, what has no shape numbered, long words breakable."""
    shown = "".join(f"(U+{ord(letter):04X})" if letter in missing else letter for letter in _composed(text))
    return shown if key in VERBATIM else " ".join(map(_breakable, shown.split(" ")))


def _breakable(word: str) -> str:
    """Return a word that may be broken: after its signs, else after every so many letters."""
    if len(word) <= _LONGEST_WORD:
        return word
    pieces = [part[at : at + _PIECE] for part in _AFTER_SIGN.split(word) for at in range(0, len(part), _PIECE)]
    joined = _ZERO_WIDTH_SPACE.join(pieces)
    return _BEFORE_ACCENT.sub("", joined)


def _missing(letters: Iterable[str], *, system: bool) -> set[str]:
    """Return the letters no font can show, halving the lot until each is found."""
    letters = sorted(letters)
    if not letters or _can_show(letters, system=system):
        return set()
    if len(letters) == 1:
        return set(letters)
    half = len(letters) // 2
    return _missing(letters[:half], system=system) | _missing(letters[half:], system=system)


def _can_show(letters: list[str], *, system: bool) -> bool:
    """Whether Typst can set the letters in a document that may leave none out (PDF/A-2u, ISO 19005-2)."""
    text = " ".join(f"a{letter}" if unicodedata.combining(letter) else letter for letter in letters)
    try:
        typst.compile(
            _PROBE, sys_inputs={"letters": text}, ignore_system_fonts=not system, format="pdf",
            pdf_standards="a-2u", timestamp=_EPOCH,
        )  # fmt: skip
    except typst.TypstError:
        return False
    return True
