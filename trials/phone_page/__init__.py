"""What pages for a phone have in common: one file without a network, a strict policy, a log that loses nothing.

The policy is that of every page, those to be read at a desk too.
The scripts beside this module are put into a page before its own: ``log.js`` keeps every tap, ``parts.js`` makes
elements, csv cells and files. A page gives `log.js` its own kinds of entries.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment

SCRIPTS = ("log.js", "parts.js")
"""The shared parts of a page's one script, which come first."""


def script(folder: Path, names: Sequence[str]) -> str:
    """Return a page's one script: what is shared, then its own parts.

    Parameters
    ----------
    folder : where the page's own parts lie.
    names : of the page's own parts, in order; the last one starts the page.
    """
    shared = Path(__file__).parent / "templates"
    return "\n".join([*(part(shared / name) for name in SCRIPTS), *(part(folder / name) for name in names)])


@cache
def part(path: Path) -> str:
    """Return the text of a script or a style sheet, the same on every system."""
    return path.read_text(encoding="utf-8").replace("\r\n", "\n").strip("\n")


def policy(script: str = "", style: str = "") -> str:
    """Return the content security policy of a page (W3C, CSP Level 3): nothing from outside, no script but its own.

    Parameters
    ----------
    script : the page's one script; without it none runs.
    style : the page's one style sheet; without it any style in the page counts, as drawings need it.
    """
    styles, scripts = (_by_hash(style) if style else "'unsafe-inline'"), (_by_hash(script) if script else "'none'")
    return (
        f"default-src 'none'; style-src {styles}; script-src {scripts}; img-src data:; base-uri 'none'; "
        "form-action 'none'"
    )


def _by_hash(text: str) -> str:
    """Return what a policy calls an inline script or style by (section 2.3.1)."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


@cache
def templates(package: str) -> Environment:
    """Return a package's templates; what is put into them stays words."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader(package),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
