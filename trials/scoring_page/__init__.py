"""The scoring page: one HTML file for a phone, on which one assessor scores patch after patch by its code alone.

`page` is pure: a `Sitting` in, the page out; `write` puts it in place. The page needs no network and knows no
treatment; what is scored stays on the phone until the person hands it over as a csv file that ``splitboard record``
takes in.
"""

from __future__ import annotations

import re
from dataclasses import asdict
from pathlib import Path
from typing import Any

from trials import blind, phone_page
from trials import folder as folders
from trials.scoring.sitting import Round, Sitting

__all__ = ["page", "write"]

_SCRIPTS = ("kinds.js", "state.js", "table.js", "asking.js", "screens.js", "scoring.js")
"""The page's own parts of its one script; the last one starts it."""


def write(path: Path, sitting: Sitting) -> Path:
    """Write the page as one HTML file that needs nothing else.

    Parameters
    ----------
    path : of the file; its folder is made if need be.
    sitting : what one assessor scores.

    Returns
    -------
    The path. Equal inputs give equal bytes.

    Raises
    ------
    UserError
        The file cannot be written.
    ValueError
        The sitting does not hang together.
    """
    folders.write_text(path, page(sitting))
    return path


def page(sitting: Sitting) -> str:
    """Set the scoring page of one assessor out as one HTML page.

    Parameters
    ----------
    sitting : what one assessor scores.

    Raises
    ------
    ValueError
        Nothing is scored, a patch or a pair is looked at with nothing asked of it, or twice under one number.
    """
    _check(sitting)
    own = Path(__file__).parent / "templates"
    style, script = phone_page.part(own / "scoring.css"), phone_page.script(own, _SCRIPTS)
    return (
        phone_page.templates("trials.scoring_page")
        .get_template("scoring.html")
        .render(
            seen=blind.MAY_SEE, data=_data(sitting), mark=sitting.mark, style=style, script=script,
            policy=phone_page.policy(script, style),
        )
    )  # fmt: skip


def _check(sitting: Sitting) -> None:
    if not re.fullmatch(r"[A-Za-z0-9]+", sitting.sitting_id):
        raise ValueError(f"sitting_id {sitting.sitting_id!r} holds more than letters and digits")
    stages = [one.stage for one in sitting.rounds]
    if not stages or len(set(stages)) < len(stages):
        raise ValueError(f"a sitting has one round a stage and at least one, not {stages}")
    choices = {choice.name for choice in sitting.choices}
    for one in sitting.rounds:
        if not one.looks and not one.pairs:
            raise ValueError(f"the round {one.stage!r} is empty")
        if one.looks and not any(one.stage in scale.stages for scale in sitting.scales):
            raise ValueError(f"the round {one.stage!r} has looks, but no scale is read then")
        unknown = {pair.choice for pair in one.pairs} - choices
        if unknown:
            raise ValueError(f"pairs name {sorted(unknown)}, which is none of the choices {sorted(choices)}")
        if len(set(one.looks)) < len(one.looks) or len(set(one.pairs)) < len(one.pairs):
            raise ValueError(f"the round {one.stage!r} holds one look twice under the same repeat")


def _data(sitting: Sitting) -> dict[str, Any]:
    """Return the sitting as the script reads it: each round one list of items, single patches first."""
    values = asdict(sitting)
    values["rounds"] = [{"stage": one.stage, "items": _items(one)} for one in sitting.rounds]
    return values


def _items(one: Round) -> list[dict[str, str | int]]:
    """Return all that is shown in a round; `against` is 0 for a patch by itself."""
    looks: list[dict[str, str | int]] = [
        {"stage": one.stage, "choice": "", "patch": look.patch, "against": 0, "repeat": look.repeat}
        for look in one.looks
    ]
    return looks + [
        {"stage": one.stage, "choice": pair.choice, "patch": pair.left, "against": pair.right, "repeat": pair.repeat}
        for pair in one.pairs
    ]
