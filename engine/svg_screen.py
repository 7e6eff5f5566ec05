"""May this XML be read at all? Screened before anything else sees it.

No document type, no entities, a limited size, depth and number of elements, and `use` counted out before it
is followed. What has no outline of its own (text, pictures) or is not applied here (masks, symbols) is
refused in words rather than left out in silence.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from typing import Any
from xml.parsers import expat

from engine.errors import BadInput

MAX_BYTES = 8_000_000
MAX_ELEMENTS = 10_000  # after `use` is followed
MAX_DEPTH = 64
_MAX_PATH_CHARACTERS = 3_000_000  # after `use` is followed
_MAX_STYLE_CHARACTERS = 100_000
_MAX_RULE_CHARACTERS = 2000  # of one selector or one set of declarations
_MAX_ATTRIBUTES = 100

SVG = "{http://www.w3.org/2000/svg}"
_HREF = "{http://www.w3.org/1999/xlink}href"

_REFUSED = {
    "text": "text has no outline of its own, expected it turned to paths",
    "tspan": "text has no outline of its own, expected it turned to paths",
    "textPath": "text has no outline of its own, expected it turned to paths",
    "image": "a picture inside a drawing is not read, expected shapes only, or the picture as its own file",
    "foreignObject": "it holds what is no drawing, expected shapes only",
    "symbol": "symbols are not followed, expected groups",
    "switch": "alternatives are not chosen, expected one drawing",
}
# never drawn by themselves; the shapes inside them must not become regions
_DROPPED = {
    "mask", "marker", "pattern", "linearGradient", "radialGradient", "filter", "metadata", "script", "desc",
    "title", "view", "cursor", "font", "font-face", "animate", "animateMotion", "animateTransform", "set",
}  # fmt: skip


def screened(content: bytes, name: str) -> tuple[ET.Element, dict[str, ET.Element]]:
    """Return the document's root after everything hostile or unsupported was refused, and its clip paths.

    Parameters
    ----------
    content : bytes
        The file [-].
    name : str
        Shown in messages [-].
    """
    if len(content) > MAX_BYTES:
        raise BadInput(f"{name}: {len(content) / 1e6:.1f} MB, expected {MAX_BYTES / 1e6:g} MB at most")
    _scan(content, name)
    try:
        root = ET.fromstring(content)
    except ET.ParseError as error:  # names are looked at only here
        raise BadInput(f"{name}: no XML that can be read ({error}), expected an SVG drawing") from None
    if tag_of(root) != "svg":
        raise BadInput(f"{name}: the first element is {tag_of(root)[:40]}, expected svg")
    clips: dict[str, ET.Element] = {}
    _strip(root, name, clips)
    for each in (root, *clips.values()):
        _count_uses(each, root, name)
    return root, clips


def _scan(content: bytes, name: str) -> None:
    """Run through the document once without building anything, and refuse what could grow in reading."""
    parser = expat.ParserCreate()
    depth = elements = 0

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal depth, elements
        depth, elements = depth + 1, elements + 1
        if depth > MAX_DEPTH:
            raise BadInput(f"{where()}: groups nested over {MAX_DEPTH} deep, expected fewer levels")
        if len(attributes) > _MAX_ATTRIBUTES:
            raise BadInput(f"{where()}: {len(attributes)} attributes, expected {_MAX_ATTRIBUTES} at most")
        if elements > MAX_ELEMENTS:
            raise BadInput(f"{where()}: over {MAX_ELEMENTS} elements, expected a simpler drawing")

    def end(tag: str) -> None:
        nonlocal depth
        depth -= 1

    def refuse_declaration(*declared: Any) -> None:
        raise BadInput(f"{where()}: DOCTYPE or ENTITY, expected a drawing without (the line can be removed)")

    def where() -> str:
        return f"{name}, line {parser.CurrentLineNumber}"

    parser.StartElementHandler, parser.EndElementHandler = start, end
    parser.StartDoctypeDeclHandler = parser.EntityDeclHandler = refuse_declaration
    try:
        parser.Parse(content, True)
    except BadInput:
        raise
    except (expat.ExpatError, LookupError, ValueError) as error:
        reason = expat.ErrorString(error.code) if isinstance(error, expat.ExpatError) else "unknown encoding"
        raise BadInput(f"{where()}: cannot be read ({reason}), expected SVG") from None


def tag_of(element: ET.Element) -> str:
    """Return an element's name without the namespace of SVG."""
    return element.tag.removeprefix(SVG)


def _strip(element: ET.Element, name: str, clips: dict[str, ET.Element]) -> None:
    """Take out what is never drawn, clip paths aside; refuse what would be drawn and cannot be read."""
    _refuse_masks(element, name)
    for child in list(element):
        tag = tag_of(child)
        if tag in _REFUSED:
            raise BadInput(f"{name}: element {tag}{id_of(child)}: {_REFUSED[tag]}")
        if tag in _DROPPED or tag.startswith("{"):
            element.remove(child)
            continue
        _strip(child, name, clips)
        if tag == "clipPath":
            element.remove(child)
            clips[child.get("id", "")] = child


def _refuse_masks(element: ET.Element, name: str) -> None:
    """Masks are not applied, so a drawing that needs them would be cut wrong."""
    style = element.get("style", "")
    if tag_of(element) == "style":
        style = element.text = _plain_style(element.text or "", name)
    inside = re.search(r"(?<![\w-])mask\s*:\s*(?!none)", style)
    if inside or element.get("mask", "none").strip() not in ("none", ""):
        raise BadInput(
            f"{name}: mask on {tag_of(element)[:40]}{id_of(element)} is not applied, "
            "expected shapes that are cut to size"
        )


def _plain_style(style: str, name: str) -> str:
    """Return a style sheet without comments, short enough for a reader that goes back and forth in it."""
    while "/*" in style:
        before, _, rest = style.partition("/*")
        style = before + " " + rest.partition("*/")[2]
        if len(style) > _MAX_STYLE_CHARACTERS:
            break
    longest = max(len(part) for part in re.split(r"[{}]", style))
    if len(style) > _MAX_STYLE_CHARACTERS or longest > _MAX_RULE_CHARACTERS:
        raise BadInput(
            f"{name}: style of {len(style)} characters, expected {_MAX_STYLE_CHARACTERS} at most "
            f"and rules of {_MAX_RULE_CHARACTERS}"
        )
    return style


def id_of(element: ET.Element) -> str:
    """Return an element's id in quotes, with a space before it, or nothing."""
    named = element.get("id", "")
    return f' "{plain(named)}"' if named else ""


def plain(text: str) -> str:
    """Return a text of the drawing for a message: short, and without what does not print."""
    return "".join(c if c.isprintable() else "?" for c in text[:40])


def _count_uses(top: ET.Element, root: ET.Element, name: str) -> None:
    """Count elements and characters as if every `use` were written out; refuse circles.

    A transform counts once for every element below it, because it is read again for each.
    """
    by_id = {element.get("id"): element for element in root.iter() if element.get("id")}
    known: dict[ET.Element, tuple[int, int]] = {}
    open_now: set[ET.Element] = set()

    def size(element: ET.Element, depth: int) -> tuple[int, int]:
        if element in known:
            return known[element]
        if element in open_now or depth > 4 * MAX_DEPTH:
            raise BadInput(f"{name}: use{id_of(element)} leads back to itself, expected no circle")
        open_now.add(element)
        count, characters = 1, len(element.get("d", "")) + len(element.get("points", ""))
        inner = list(element)
        if tag_of(element) == "use":
            inner.append(used_by(element, by_id, name))
        for child in inner:
            more, longer = size(child, depth + 1)
            count, characters = count + more, characters + longer
        characters += count * len(element.get("transform", ""))
        open_now.discard(element)
        known[element] = count, characters
        return known[element]

    count, characters = size(top, 0)
    if count > MAX_ELEMENTS:
        raise BadInput(f"{name}: {count} elements once use is followed, expected {MAX_ELEMENTS} at most")
    if characters > _MAX_PATH_CHARACTERS:
        raise BadInput(
            f"{name}: paths and transforms of {characters} characters, "
            f"expected {_MAX_PATH_CHARACTERS} at most"
        )


def used_by(element: ET.Element, by_id: dict[str | None, ET.Element], name: str) -> ET.Element:
    """Return what a `use` shows; it must be a part of the same drawing.

    Parameters
    ----------
    element : Element
        The `use`.
    by_id : dict
        Parts of the drawing [-].
    name : str
        Shown in messages [-].
    """
    link = element.get("href", element.get(_HREF, ""))
    if not link.startswith("#") or link[1:] not in by_id:
        raise BadInput(f'{name}: use of "{plain(link)}", expected the # and id of a part of this drawing')
    return by_id[link[1:]]
