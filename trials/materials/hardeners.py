"""Words that tell of a hardener, a catalyst or a second component: finishes that are not planned here.

What has such a word is never taken for a plain varnish, lacquer or film of the table; only an entry that has the word
itself names it.
"""

from __future__ import annotations

import re
from functools import lru_cache

from trials.errors import Problem
from trials.materials.words import plain

SOURCE = "this project's own rule"
CURE = (
    "leave it out of the trial, or, where a licensed shop puts it on, add an entry of that very name to the shop's "
    "own materials.toml"
)

_WORDS = re.compile(
    r"\b(?:"
    r"2 ?k(?! (?:grit|paper|abrasive|sand|mesh|pad))|2 ?pk"
    r"|(?:2|two|twin|dual|plural) ?(?:components?|pack|part)"
    r"|(?:2|zwei) ?komponent\w*|(?:2|twee) ?componenten\w*|tvåkomponent\w*|tokomponent\w*"
    r"|bi ?composante?s?|(?:2|deux) composante?s?"
    r"|bi ?component[ei]s?|(?:2|dos|due|dois) component[ei]s?|dwuskładnik\w*"
    r"|(?:pre ?|post ?)?catal[yi][sz]\w*|(?:pre|post) ?cat|\w*katalys\w*|gekataly\w*"
    r"|conversi[oó]n|acid (?:cur\w+|cat\w*|harden\w*)|säurehärt\w*|saeurehaert\w*"
    r"|moisture (?:cur|hard)\w*|feuchte?\w*härt\w*|swedish finish|melamine? (?:lac|varn|resin|harz)\w*"
    r"|\w*isocyanat\w*|\w*isocianat\w*|izocyjan\w*|hdi|tdi|mdi|ipdi"
    r"|[eé]pox\w*|epossi\w*|epoks\w*|polyurea|polyaspart\w*"
    r"|hardeners?|\w*härter|\w*haerter|durciss\w*|endureced\w*|indur(?:ente|enti|itore|itori)"
    r"|verharder\w*|härdare|hærder|utwardzacz\w*"
    r"|cross ?link\w*|vernetz\w*|r[ée]ticulant\w*|reticolant\w*|\w*aziridin\w*"
    r"|a[ck]tivat(?:or|ors|eur|eurs|ore|ori)|activador\w*|accelerators?|beschleuniger|acc[ée]l[ée]rateur\w*|mekp"
    r"|\w*formaldeh[yi]d\w*"
    r")\b"
)
_WITHOUT = (
    "no", "none", "non", "not", "without", "ohne", "kein", "keine", "sans", "sin", "senza", "zonder", "sem", "utan",
)  # fmt: skip
_FREE = ("free", "frei", "vrij")


@lru_cache(maxsize=4096)
def hardener_in(text: str) -> str:
    """Return the first words of a text that tell of a hardener, in plain words; nothing where it says without one."""
    words = plain(text)
    for hit in _WORDS.finditer(words):
        before, after = words[: hit.start()].split(), words[hit.end() :].split()
        left_out = bool(before) and before[-1] in _WITHOUT and not hit[0][0].isdigit()
        if not left_out and not (after and after[0] in _FREE) and not hit[0].endswith(_FREE):
            return hit[0]
    return ""


def refusal(text: str, cure: str = CURE) -> Problem:
    """Return the fault of a text that names a hardener, in one sentence."""
    what = (
        f"{text!r} tells of a hardener or catalyst ({hardener_in(text)}), and such work is not planned here: it "
        "takes its maker's sheet, supplied air, health checks and a licensed shop"
    )
    return Problem(what, cure)
