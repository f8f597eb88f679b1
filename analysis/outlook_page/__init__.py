"""The page of what a layout will be able to tell, and of how many boards a question needs.

`page` is pure: a plan, its layout and an `Outlook` in, one HTML page out; `write` puts it in place. `lines` and
`curve_lines` are the same pictures for a terminal.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.outlook_page.content import content
from analysis.outlook_page.intervals import expected_figure
from analysis.outlook_page.mixed_up import mixed_up_figure
from analysis.outlook_page.outlook import Outlook, Size
from analysis.outlook_page.sizes import readers_figure, size_figure
from analysis.outlook_page.terminal import curve_lines, lines
from analysis.report import figures
from trials import blind, phone_page
from trials import folder as folders
from trials.design import Layout
from trials.plan import Plan

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = [
    "Outlook",
    "Size",
    "curve_lines",
    "expected_figure",
    "lines",
    "mixed_up_figure",
    "page",
    "readers_figure",
    "size_figure",
    "write",
]


def write(path: Path, plan: Plan, layout: Layout, outlook: Outlook) -> Path:
    """Write the page as one HTML file that needs nothing else.

    Parameters
    ----------
    path : of the file, ``foretold.html`` say; its folder is made if need be.
    plan, layout : what the outlook is of.
    outlook : what the page is told.

    Returns
    -------
    The path. Equal inputs give equal bytes.

    Raises
    ------
    UserError
        The file cannot be written.
    """
    folders.write_text(path, page(plan, layout, outlook))
    return path


def page(plan: Plan, layout: Layout, outlook: Outlook) -> str:
    """Set an outlook out as one HTML page.

    Parameters
    ----------
    plan, layout, outlook : as for `write`.
    """
    with figures.theme():
        shown = content(plan, layout, outlook)
    return (
        _templates()
        .get_template("outlook.html")
        .render(page=shown, seen=blind.MUST_NOT_SEE, policy=phone_page.policy())
    )


@cache
def _templates() -> Environment:
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=ChoiceLoader([PackageLoader("analysis.outlook_page"), PackageLoader("analysis.report")]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
