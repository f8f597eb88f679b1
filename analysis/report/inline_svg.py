"""A picture as an SVG element that can stand in a page beside others: real text, own ids, a title, no date."""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING
from xml.etree import ElementTree

from analysis.report import words
from analysis.report.figures import INK, theme

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_MARK_HEIGHT, _MARK_SIZE = 13.0, 9.0
"""Points: what the line of a mark adds to a picture, and its letters."""
_SVG, _XLINK = "{http://www.w3.org/2000/svg}", "{http://www.w3.org/1999/xlink}"
_URL = re.compile(r"url\(#([^)]+)\)")
_FONT = re.compile(r"font-family:[^;]*;?\s*")


def element(figure: Figure, name: str, title: str, description: str, mark: str = "") -> str:
    """Return a figure as an SVG element.

    Parameters
    ----------
    figure : drawn in `figures.theme`.
    name : letters, digits and hyphens, another one for each picture of a page; every id begins with it.
    title, description : what is read out in the picture's place.
    mark : what stands above the picture, a part of it wherever it is copied to.

    Notes
    -----
    The element has no XML head, no name spaces (HTML knows them) and no fonts of its own. Equal figures give equal
    text.
    """
    out = io.StringIO()
    with theme():
        figure.savefig(out, format="svg", metadata=dict.fromkeys(("Creator", "Date", "Format", "Type")))
    root = ElementTree.fromstring(out.getvalue())
    if mark:
        _add_mark(root, mark)
    _adapt(root, name)
    root.attrib |= {"role": "img", "aria-labelledby": f"{name}-title {name}-desc"}
    for at, (tag, text) in enumerate((("title", title), ("desc", description))):
        words_for_it = ElementTree.Element(tag, {"id": f"{name}-{tag}"})
        words_for_it.text = words.clean(text)
        root.insert(at, words_for_it)
    return ElementTree.tostring(root, encoding="unicode")


def _add_mark(root: ElementTree.Element, mark: str) -> None:
    """Make room above a picture, as a whole SVG file, and write the mark there."""
    left, top, width, height = map(float, root.attrib["viewBox"].split())
    root.attrib["viewBox"] = f"{left:g} {top - _MARK_HEIGHT:g} {width:g} {height + _MARK_HEIGHT:g}"
    style = f"font-size: {_MARK_SIZE:g}px; font-weight: 700; text-anchor: middle; fill: {INK}"
    place = {"x": f"{left + width / 2:g}", "y": f"{top - _MARK_HEIGHT + _MARK_SIZE:g}", "style": style}
    ElementTree.SubElement(root, f"{_SVG}text", place).text = mark


def _adapt(root: ElementTree.Element, name: str) -> None:
    """Make a whole SVG file fit to stand in a page: `name` goes before the ids that are used, the rest goes."""
    elements = list(root.iter())
    used = {value.removeprefix("#") for each in elements if (value := each.get(f"{_XLINK}href"))}
    used |= {found for each in elements for value in each.attrib.values() for found in _URL.findall(value)}
    for each in elements:
        each.tag = each.tag.removeprefix(_SVG)
        each.attrib = {
            key.removeprefix(_XLINK): _own(key, value, name)
            for key, value in each.attrib.items()
            if (key != "id" or value in used) and not value.startswith("rotate(-0 ")
        }
        if each.tag != "text":
            each.text = None
        each.tail = None
    width, height = (f"{float(value) * 4 / 3:.0f}" for value in root.attrib["viewBox"].split()[2:])
    root.attrib = {
        "class": "picture",
        "viewBox": root.attrib["viewBox"],
        "width": width,
        "height": height,
        "stroke-linejoin": "round",
        "stroke-linecap": "butt",
    }
    _thin_out(root)


def _own(key: str, value: str, name: str) -> str:
    """Return an attribute's value with the picture's name before the ids in it, and without fonts."""
    if key == "id":
        return f"{name}-{value}"
    if key == f"{_XLINK}href" and value.startswith("#"):
        return f"#{name}-{value[1:]}"
    if key == "style":
        value = _FONT.sub("", value)
    return _URL.sub(rf"url(#{name}-\1)", value)


def _thin_out(parent: ElementTree.Element) -> None:
    """Take out what draws nothing: descriptions of the file, its own style sheet, groups that group nothing."""
    children: list[ElementTree.Element] = []
    for child in parent:
        _thin_out(child)
        bare = child.tag in ("g", "defs") and not child.attrib
        if child.tag in ("metadata", "style") or (bare and not len(child)):
            continue
        children.extend(child if bare and child.tag == "g" else [child])
    parent[:] = children
