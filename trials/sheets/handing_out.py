"""Which sheet is for whom, and what to do with it, in a few lines."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from pathlib import PurePath

from trials.plan import Plan
from trials.scoring import scores_file
from trials.sheets.scoring_form import file_stems

_MAY_BE_SEEN = re.compile(
    r"(scoring|blank-|measuring|boards(-full-scale)?\.|board-\d|cutting\.|labels(-test-print)?\.)"
)
_SERIES = re.compile(r"board-\d+\.svg")
_MOST_NAMED = 3
"""Assessors whose pages are named one by one."""
KEPT_APART = ("layout.csv", "datapackage.json")
"""The tables beside the plan that say what every code carries."""


def may_be_seen(name: str) -> bool:
    """Whether whoever scores may see a file of `sheets`, by its name."""
    return bool(_MAY_BE_SEEN.match(name))


def lines(place: PurePath, names: Sequence[str], plan: Plan) -> Iterator[str]:
    """Say which files are for the bench and which for whoever scores, and what to do with them.

    Parameters
    ----------
    place : the folder they are in.
    names : the files that were written.
    """
    bench = [name for name in names if not may_be_seen(name)]
    blind = [name for name in names if may_be_seen(name)]
    yield f"In {place}, for the bench; whoever scores must not see these, nor {' and '.join(KEPT_APART)}:"
    yield f"  {', '.join(_listed(bench))}"
    to_print = [name for name in bench if name.endswith(".pdf")]
    page = " Send bench.html to the phone at the bench." if "bench.html" in bench else ""
    yield f"  Print {_and(to_print)}.{page}"
    yield "For whoever scores, all of it blind:"
    yield f"  {', '.join(_listed(blind))}"
    yield "  Print boards.pdf: all boards small, and how each is set out."
    if "boards-full-scale.pdf" in blind:
        yield "  Print boards-full-scale.pdf at 100 % and check its 100 mm rule."
    if any(name.endswith(".html") for name in blind):
        yield f"  {_to_phones(plan)}"
    if "measuring.pdf" in blind:
        yield "  Print measuring.pdf for what an instrument reads."
    if any(name.endswith(".html") for name in names):
        yield (
            "A page goes to a phone in a mail to yourself or over a cable, and opens in its browser; the file that "
            "it saves comes back the same way."
        )
    if any(name.startswith("scoring") for name in names):
        yield (
            "You score what you made yourself? Let a day go by and somebody else keep the key; the page's own order "
            "and its second looks show how steady you were, and close asks what you could tell."
        )


def _to_phones(plan: Plan) -> str:
    who = dict(zip(plan.assessors, file_stems(plan.assessors), strict=True))
    if not who:
        return "Send scoring.html to the phone of whoever scores, or print scoring.pdf."
    if len(who) > _MOST_NAMED:
        return "Send each scoring-….html to its assessor's phone, or print the PDF of that name."
    pages = _and([f"{stem}.html to {name}'s phone" for name, stem in who.items()])
    return f"Send {pages} (saves {_and([scores_file(name) for name in who])}), or print the PDF of that name."


def _and(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _listed(names: Iterable[str]) -> list[str]:
    """Return names in order, a board's drawings as one series."""
    found = sorted(names)
    drawn = [name for name in found if _SERIES.fullmatch(name)]
    others = [name for name in found if name not in drawn]
    return [*others, *([f"{drawn[0]} to {drawn[-1]}"] if drawn else [])]
