"""The bench page: one HTML file for a phone that says what to do next and keeps the times.

`page` is pure: a `BenchPlan` in, the page out; `write` puts it in place. The page needs no network; what is
tapped stays on the phone until the person saves or shares it as a csv file that ``splitboard record`` takes in.
"""

from __future__ import annotations

import base64
import hashlib
from collections import Counter
from dataclasses import asdict
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trials import folder as folders
from trials.bench_page.contract import WHOLE_BOARD, BenchPlan, BenchStep, BenchTask, TickLine
from trials.bench_page.order import from_plan

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["WHOLE_BOARD", "BenchPlan", "BenchStep", "BenchTask", "TickLine", "from_plan", "page", "write"]

_SCRIPTS = ("log.js", "state.js", "signals.js", "cards.js", "lists.js", "bench.js")
"""Parts of the page's one script; the last one starts it."""


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
    style, script = _part("bench.css"), "\n".join(_part(name) for name in _SCRIPTS)
    return (
        _templates()
        .get_template("bench.html")
        .render(title=bench.title, data=_data(bench), style=style, script=script, script_hash=_hash(script))
    )


def _data(bench: BenchPlan) -> dict[str, Any]:
    """Return the plan as the script reads it; each task has a key that a page made anew gives it again."""
    values = asdict(bench)
    seen: Counter[str] = Counter()
    for task in values["tasks"]:
        key = f"{task['step']}/{task['board']}/{task['piece']}"
        seen[key] += 1
        task["key"] = key if seen[key] == 1 else f"{key}/{seen[key]}"
    return values


def _hash(script: str) -> str:
    """Return what a content security policy calls a script by (W3C, CSP Level 3, section 2.3.1)."""
    return "sha256-" + base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


@cache
def _part(name: str) -> str:
    text = (Path(__file__).parent / "templates" / name).read_text(encoding="utf-8")
    return text.replace("\r\n", "\n").strip("\n")


@cache
def _templates() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("trials.bench_page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
