"""What carriers and coats are thinned with: how each burns, what the law's ceiling is, and which two mix."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from itertools import combinations, product
from pathlib import Path
from typing import Any, Literal

from trials.materials.words import plain

Verdict = Literal["yes", "no", "not known"]


@dataclass(frozen=True)
class Liquid:
    """One liquid of ``liquids.toml``.

    Attributes
    ----------
    name, also : how it is called, and what else it is called.
    flash, burns, ceiling : from which temperature and which share in air it burns, and the agency's limit for the
        mean of a working day, each as text and empty where nothing is known or there is none.
    note, source : what else to mind; who says all this and how that was read.
    """

    name: str
    source: str
    also: tuple[str, ...] = ()
    flash: str = ""
    burns: str = ""
    ceiling: str = ""
    note: str = ""


@dataclass(frozen=True)
class Mix:
    """Whether two liquids mix; `why` and `source` are empty where neither stands in the table."""

    first: str
    second: str
    verdict: Verdict
    why: str
    source: str


@cache
def liquids() -> tuple[Liquid, ...]:
    """Return every liquid of the table."""
    return tuple(Liquid(**one | {"also": tuple(one.get("also", ()))}) for one in _file()["liquid"])


def liquids_in(text: str) -> tuple[Liquid, ...]:
    """Return the liquids that a text names, by whole words, the longest name first."""
    rest = f" {plain(text)} "
    found = set()
    for spelling, liquid in _spelled():
        if f" {spelling} " in rest:
            rest = rest.replace(f" {spelling} ", " | ")
            found.add(liquid)
    return tuple(liquid for liquid in liquids() if liquid in found)


def mix(first: str, second: str) -> Mix:
    """Return whether two liquids mix, named in words; where a text names none or several it is not known."""
    one, other = liquids_in(first), liquids_in(second)
    if len(one) != 1 or len(other) != 1:
        return Mix(first, second, "not known", "", "")
    if one == other:
        return Mix(first, second, "yes", "they are the same", one[0].source)
    return Mix(first, second, *_known().get(frozenset((one[0].name, other[0].name)), ("not known", "", "")))


def doubtful(names: Iterable[str]) -> tuple[Mix, ...]:
    """Return, of all pairs of a blend, those that do not mix, then those of which nothing is known."""
    pairs = [mix(first, second) for first, second in combinations(names, 2)]
    return tuple(pair for verdict in ("no", "not known") for pair in pairs if pair.verdict == verdict)


@cache
def _known() -> dict[frozenset[str], tuple[Verdict, str, str]]:
    """Return what is known of each pair of liquids."""
    known: dict[frozenset[str], tuple[Verdict, str, str]] = {}
    for row in _file()["mix"]:
        pairs = product(row["these"], row["with"]) if "with" in row else combinations(row["these"], 2)
        known |= {frozenset(pair): (row["verdict"], row["why"], row["source"]) for pair in pairs}
    return known


@cache
def _spelled() -> tuple[tuple[str, Liquid], ...]:
    """Return every spelling in plain words with its liquid, the longest first."""
    spelled = [(plain(text), liquid) for liquid in liquids() for text in (liquid.name, *liquid.also)]
    return tuple(sorted(spelled, key=lambda pair: -len(pair[0])))


@cache
def _file() -> dict[str, Any]:
    with Path(__file__).with_name("liquids.toml").open("rb") as file:
        return tomllib.load(file)
