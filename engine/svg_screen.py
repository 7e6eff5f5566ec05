"""May this XML be read at all? Screened before anything else sees it.

No document type, no entities, a limited size, depth and number of elements, and `use` counted out before it
is followed. What has no outline of its own (text, pictures) or is not applied here (masks) is refused in
words rather than left out in silence. Symbols are written out where they are used.
"""

from __future__ import annotations

import copy
import re
import xml.etree.ElementTree as ET
from typing import Any
from xml.parsers import expat

from engine.errors import BadInput

MAX_BYTES = 8_000_000
MAX_ELEMENTS = 10_000  # after `use` is followed
MAX_DEPTH = 64
_MAX_PATH_CHARACTERS = 3_000_000  # after `use` is followed
MAX_PIECES = 100_000  # straight and curved pieces of lines, after `use` is followed
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
    write_out_symbols(root, clips, name)
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
    known: dict[ET.Element, tuple[int, int, int]] = {}
    open_now: set[ET.Element] = set()

    def size(element: ET.Element, depth: int) -> tuple[int, int, int]:
        if element in known:
            return known[element]
        if element in open_now or depth > 4 * MAX_DEPTH:
            raise BadInput(f"{name}: use{id_of(element)} leads back to itself, expected no circle")
        open_now.add(element)
        count, characters = 1, len(element.get("d", "")) + len(element.get("points", ""))
        pieces = _pieces_of(element)
        inner = list(element)
        if tag_of(element) == "use":
            inner.append(used_by(element, by_id, name))
        for child in inner:
            more, longer, further = size(child, depth + 1)
            count, characters, pieces = count + more, characters + longer, pieces + further
        characters += count * len(element.get("transform", ""))
        open_now.discard(element)
        known[element] = count, characters, pieces
        return known[element]

    count, characters, pieces = size(top, 0)
    if count > MAX_ELEMENTS:
        raise BadInput(f"{name}: {count} elements once use is followed, expected {MAX_ELEMENTS} at most")
    if pieces > MAX_PIECES:
        raise BadInput(f"{name}: lines of {pieces} pieces, expected {MAX_PIECES} at most, a simpler drawing")
    if characters > _MAX_PATH_CHARACTERS:
        raise BadInput(
            f"{name}: paths and transforms of {characters} characters, "
            f"expected {_MAX_PATH_CHARACTERS} at most"
        )


_COMMAND = re.compile(r"([MmLlHhVvCcSsQqTtAaZz])([^MmLlHhVvCcSsQqTtAaZz]*)")
_COORDINATE = re.compile(r"[+-]?+(?:[0-9]++\.?+[0-9]*+|\.[0-9]++)(?:[eE][+-]?+[0-9]++)?+")
_PER_PIECE = {"m": 2, "l": 2, "t": 2, "h": 1, "v": 1, "s": 4, "q": 4, "c": 6, "a": 7, "z": 1}
_AS_PIECES = {"a": 8}  # an arc becomes several curves


def _pieces_of(element: ET.Element) -> int:
    """Return of how many pieces the lines of an element consist, without building them."""
    pieces = sum(
        max(1, sum(1 for _ in _COORDINATE.finditer(said)) // _PER_PIECE[letter.lower()])
        * _AS_PIECES.get(letter.lower(), 1)
        for letter, said in _COMMAND.findall(element.get("d", ""))
    )
    return pieces + sum(1 for _ in _COORDINATE.finditer(element.get("points", ""))) // 2


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


# --- symbols -------------------------------------------------------------------------------------------


def write_out_symbols(root: ET.Element, clips: dict[str, ET.Element], name: str) -> None:
    """Put groups in place of every `use` of a symbol, scaled into its box and clipped to it.

    The box is the use's width and height, else the symbol's, else the whole drawing's; without a `viewBox` a
    symbol is neither scaled nor moved, and without a box it is not clipped (SVG 1.1, 5.5 and 7.8, from
    memory).

    Parameters
    ----------
    root : Element
        The screened drawing, whose `use` lead to no circle; it is changed.
    clips : dict
        Its clip paths by id; those of the symbols' boxes are added [-].
    name : str
        Shown in messages [-].
    """
    tops = (root, *clips.values())
    by_id = {e.get("id"): e for e in root.iter() if e.get("id")}
    whole = _box_of(root, name)
    for top in tops:
        _write_out(top, by_id, clips, whole, name)
    for top in tops:
        for parent in list(top.iter()):
            for child in [c for c in parent if tag_of(c) == "symbol"]:
                parent.remove(child)


def _write_out(
    element: ET.Element,
    by_id: dict[str | None, ET.Element],
    clips: dict[str, ET.Element],
    whole: tuple[float, float] | None,
    name: str,
) -> None:
    for place, child in enumerate(list(element)):
        if tag_of(child) == "symbol":
            continue
        if tag_of(child) == "use" and tag_of(used_by(child, by_id, name)) == "symbol":
            child = _shown(child, used_by(child, by_id, name), clips, whole, name)
            element[place] = child
        _write_out(child, by_id, clips, whole, name)


def _shown(
    use: ET.Element,
    symbol: ET.Element,
    clips: dict[str, ET.Element],
    whole: tuple[float, float] | None,
    name: str,
) -> ET.Element:
    """Return the group that stands for one use of a symbol."""
    kept = {k: v for k, v in use.attrib.items() if k not in ("x", "y", "width", "height", "href", _HREF)}
    outer = ET.Element(f"{SVG}g", kept)
    x, y = (_number_of(use, key, name) or 0.0 for key in ("x", "y"))
    wide, high = (
        next((v for v in (_number_of(e, key, name) for e in (use, symbol)) if v is not None), None)
        for key in ("width", "height")
    )
    if whole is not None:
        wide, high = wide if wide is not None else whole[0], high if high is not None else whole[1]
    own = {k: v for k, v in symbol.attrib.items() if k in ("class", "style", "fill", "stroke", "fill-rule")}
    words = (symbol.get("viewBox") or "").replace(",", " ").split()
    turn, box = f"translate({x!r} {y!r})", (0.0, 0.0, wide, high)
    if words:
        left, top, across, down = _view_box_of(words, symbol, name)
        wide, high = across if wide is None else wide, down if high is None else high
        sx, sy, dx, dy = _fitted(symbol.get("preserveAspectRatio", ""), wide, high, across, down)
        turn += f" translate({dx!r} {dy!r}) scale({sx!r} {sy!r}) translate({-left!r} {-top!r})"
        box = (left - dx / sx, top - dy / sy, wide / sx, high / sy)
    inner = ET.SubElement(outer, f"{SVG}g", {**own, "transform": turn})
    inner.extend(copy.deepcopy(child) for child in symbol)
    clipped = "visible" not in (symbol.get("overflow", ""), use.get("overflow", ""))
    if clipped and box[2] is not None and box[3] is not None:
        key = f"box of a symbol {len(clips)}"
        clips[key] = ET.Element(f"{SVG}clipPath", {"id": key})
        sides = dict(zip(("x", "y", "width", "height"), map(repr, box), strict=True))
        ET.SubElement(clips[key], f"{SVG}rect", sides)
        inner.set("clip-path", f"url(#{key})")
    return outer


def _fitted(
    aspect: str, wide: float, high: float, across: float, down: float
) -> tuple[float, float, float, float]:
    """Return scales and shifts that fit a view box into a box as `preserveAspectRatio` says."""
    sx, sy = wide / across, high / down
    if aspect.strip().startswith("none"):
        return sx, sy, 0.0, 0.0
    scale = max(sx, sy) if "slice" in aspect else min(sx, sy)
    share_x = 0.0 if "xMin" in aspect else 1.0 if "xMax" in aspect else 0.5
    share_y = 0.0 if "YMin" in aspect else 1.0 if "YMax" in aspect else 0.5
    return scale, scale, (wide - across * scale) * share_x, (high - down * scale) * share_y


_PLAIN_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")


def _number_of(element: ET.Element, key: str, name: str) -> float | None:
    """Return an attribute in user units, None where it is not there or asks for all there is."""
    text = element.get(key, "").strip().removesuffix("px")
    if text in ("", "auto", "100%"):
        return None
    if not _PLAIN_NUMBER.fullmatch(text) or abs(float(text)) > 1e9:
        raise BadInput(
            f'{name}: {key} of {tag_of(element)}{id_of(element)} is "{plain(text)}", '
            "expected a number in user units"
        )
    return float(text)


def _view_box_of(words: list[str], symbol: ET.Element, name: str) -> tuple[float, float, float, float]:
    numbers = [float(word) for word in words if _PLAIN_NUMBER.fullmatch(word)]
    if len(words) != 4 or len(numbers) != 4 or not all(1e-6 < side < 1e9 for side in numbers[2:]):
        raise BadInput(
            f'{name}: viewBox of symbol{id_of(symbol)} is "{plain(" ".join(words))}", '
            "expected four numbers, the last two above 0"
        )
    return numbers[0], numbers[1], numbers[2], numbers[3]


def _box_of(root: ET.Element, name: str) -> tuple[float, float] | None:
    """Return how large the whole drawing is in its user units, if it says so by a view box."""
    words = (root.get("viewBox") or "").replace(",", " ").split()
    numbers = [float(word) for word in words if _PLAIN_NUMBER.fullmatch(word)]
    return (numbers[2], numbers[3]) if len(words) == len(numbers) == 4 else None
