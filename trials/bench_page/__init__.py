"""The bench page: one HTML file for a phone that says what to do next and keeps the times.

`page` is pure: a `BenchPlan` in, the page out; `write` puts it in place. The page needs no network; what is
tapped stays on the phone until the person saves or shares it as a csv file that ``splitboard record`` takes in.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict
from pathlib import Path
from typing import Any

from trials import blind, phone_page
from trials import folder as folders
from trials.bench_page.contract import WHOLE_BOARD, BenchPlan, BenchStep, BenchTask, TickLine
from trials.bench_page.order import from_plan

__all__ = ["WHOLE_BOARD", "BenchPlan", "BenchStep", "BenchTask", "TickLine", "from_plan", "page", "write"]

_SCRIPTS = ("kinds.js", "state.js", "signals.js", "cards.js", "lists.js", "bench.js")
"""The page's own parts of its one script; the last one starts it."""


def write(path: Path, bench: BenchPlan) -> Path:
    """Write the page as one HTML file that needs nothing else.

    Parameters
    ----------
    path : of the file, ``bench.html`` say; its folder is made if need be.
    bench : what there is to do.

    Returns
    -------
    The path. Equal inputs give equal bytes.

    Raises
    ------
    UserError
        The file cannot be written.
    """
    folders.write_text(path, page(bench))
    return path


def page(bench: BenchPlan) -> str:
    """Set the bench page out as one HTML page.

    Parameters
    ----------
    bench : what there is to do.
    """
    own = Path(__file__).parent / "templates"
    style, script = phone_page.part(own / "bench.css"), phone_page.script(own, _SCRIPTS)
    return (
        phone_page.templates("trials.bench_page")
        .get_template("bench.html")
        .render(
            title=bench.title, seen=blind.MUST_NOT_SEE, data=_data(bench), style=style, script=script,
            policy=phone_page.policy(script),
        )
    )  # fmt: skip


def _data(bench: BenchPlan) -> dict[str, Any]:
    """Return the plan as the script reads it; each task has a key that a page made anew gives it again."""
    values = asdict(bench)
    seen: Counter[str] = Counter()
    for task in values["tasks"]:
        key = f"{task['step']}/{task['board']}/{task['piece']}"
        seen[key] += 1
        task["key"] = key if seen[key] == 1 else f"{key}/{seen[key]}"
    return values
