"""What may be told while the scoring is open: words that name no level and no control.

Pure: a plan and texts in, texts out. A text rather goes once too often.
"""

from __future__ import annotations

import unicodedata

from trials.plan import Plan


def untold(plan: Plan, text: str) -> str:
    """Return the text, or nothing where it names a level or a control."""
    return "" if names_treatment(plan, text) else text


def names_treatment(plan: Plan, text: str) -> bool:
    """Whether a level or a control is named, in whatever case and however it is spaced."""
    names = [level for factor in plan.factors for level in factor.levels] + [one.name for one in plan.controls]
    return any(_letters(name) in _letters(text) for name in names)


def _letters(text: str) -> str:
    """Return a text's letters and digits as they compare; all of it where it has none."""
    folded = unicodedata.normalize("NFKC", text).casefold()
    return "".join(letter for letter in folded if letter.isalnum()) or folded
