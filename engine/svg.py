"""Which closed shapes does an SVG hold? Screened, walked, and turned to polygons by the fill rules.

The document is screened before anything else reads it: no document type, no entities, a limited size, depth
and number of elements, and `use` counted out before it is followed. What has no outline of its own (text,
pictures, strokes without fill) or is not applied here (clip paths, masks, symbols) is refused in words rather
than left out in silence.
"""

from __future__ import annotations

import io
import math
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any
from xml.parsers import expat

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from engine.errors import BadInput
from engine.records import Floats, Treatment

MAX_BYTES = 8_000_000
MAX_ELEMENTS = 10_000  # after `use` is followed
MAX_DEPTH = 64
_MAX_PATH_CHARACTERS = 3_000_000  # after `use` is followed
_MAX_VERTICES = 400_000
_MAX_CROSSINGS = 200_000  # pairs of line pieces whose boxes meet
_MAX_WINDINGS = 200_000_000  # faces times corners of one shape
_MAX_STYLE_CHARACTERS = 100_000
_MAX_RULE_CHARACTERS = 2000  # of one selector or one set of declarations
_MAX_ATTRIBUTES = 100

_SVG = "{http://www.w3.org/2000/svg}"
_MM_PER_PX = 25.4 / 96.0  # CSS: 96 px to the inch
_MM_PER_UNIT = {
    "": _MM_PER_PX, "px": _MM_PER_PX, "mm": 1.0, "cm": 10.0, "q": 0.25, "in": 25.4, "pt": 25.4 / 72,
    "pc": 25.4 / 6,
}  # fmt: skip
_LENGTH = re.compile(r"\s*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)\s*([a-zA-Z]*)\s*")

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
    "title", "view", "cursor", "font", "font-face", "clipPath", "animate", "animateMotion",
    "animateTransform", "set",
}  # fmt: skip
_TREATMENT_ID = re.compile(r"(opening|relief|shave|keep)(?![a-z])", re.IGNORECASE)


@dataclass(frozen=True, eq=False)
class Shape:
    """A filled shape: its closed lines as cubic pieces, how they fill, and what the drawing says of it."""

    treatment: Treatment | None  # None where the drawing says nothing
    lines: tuple[Floats, ...]  # each (m, 4, 2) control points; y up [the drawing's unit]
    even_odd: bool
    colour: tuple[int, int, int] | None  # sRGB 0..255 where the drawing gives a fill colour
    named: str  # for messages


@dataclass(frozen=True, eq=False)
class Drawing:
    """The filled shapes of an SVG in painting order, and how long its unit is, if it says so."""

    shapes: tuple[Shape, ...]
    mm_per_unit: float | None


def read_svg(content: bytes, name: str) -> Drawing:
    """Return the filled shapes of an SVG document.

    Parameters
    ----------
    content : bytes
        The file [-].
    name : str
        Shown in messages [-].
    """
    root = _screened(content, name)
    scale_x, scale_y, mm_per_unit = _viewport(root, name)
    try:
        found = tuple(_walk(_parsed(root), name, _Inherited(), np.array([scale_x, -scale_y])))
    except BadInput:
        raise
    except Exception as error:  # the SVG library raises many kinds on malformed numbers and transforms
        kind = type(error).__name__
        raise BadInput(f"{name}: the drawing cannot be read ({kind}), expected a plain SVG") from None
    return Drawing(found, mm_per_unit)


def outline_of(shape: Shape, tolerance: float) -> BaseGeometry:
    """Return the area a shape fills, with curves as chords.

    Parameters
    ----------
    shape : Shape
        A filled shape.
    tolerance : float
        Largest distance between a curve and its chords [the drawing's unit].
    """
    rings = [_flattened(line, tolerance, shape.named) for line in shape.lines]
    rings = [ring for ring in rings if len(ring) >= 3]
    if len(rings) == 1:
        simple = shapely.Polygon(rings[0])
        if simple.is_valid:
            return simple
    return _filled(rings, shape.even_odd, shape.named)


# --- screening -----------------------------------------------------------------------------------------


def _screened(content: bytes, name: str) -> ET.Element:
    """Return the document's root after everything hostile or unsupported was refused."""
    if len(content) > MAX_BYTES:
        raise BadInput(f"{name}: {len(content) / 1e6:.1f} MB, expected {MAX_BYTES / 1e6:g} MB at most")
    _scan(content, name)
    root = ET.fromstring(content)
    if _tag(root) != "svg":
        raise BadInput(f"{name}: the first element is {_tag(root)[:40]}, expected svg")
    _strip(root, name)
    _count_uses(root, name)
    return root


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


def _tag(element: ET.Element) -> str:
    return element.tag.removeprefix(_SVG)


def _strip(element: ET.Element, name: str) -> None:
    """Take out what is never drawn; refuse what would be drawn and cannot be read."""
    _refuse_clipping(element, name)
    for child in list(element):
        tag = _tag(child)
        if tag in _REFUSED:
            raise BadInput(f"{name}: element {tag}{_id_of(child)}: {_REFUSED[tag]}")
        if tag in _DROPPED or tag.startswith("{"):
            element.remove(child)
        else:
            _strip(child, name)


def _refuse_clipping(element: ET.Element, name: str) -> None:
    """Clip paths and masks are not applied here, so a drawing that needs them would be cut wrong."""
    style = element.get("style", "")
    if _tag(element) == "style":
        style = element.text = _plain_style(element.text or "", name)
    for key in ("clip-path", "mask"):
        inside = re.search(rf"(?<![\w-]){key}\s*:\s*(?!none)", style)
        if inside or element.get(key, "none").strip() not in ("none", ""):
            raise BadInput(
                f"{name}: {key} on {_tag(element)[:40]}{_id_of(element)} is not applied, "
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


def _id_of(element: ET.Element) -> str:
    named = element.get("id", "")
    return f' "{_plain(named)}"' if named else ""


def _plain(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text[:40])


def _count_uses(root: ET.Element, name: str) -> None:
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
            raise BadInput(f"{name}: use{_id_of(element)} leads back to itself, expected no circle")
        open_now.add(element)
        count, characters = 1, len(element.get("d", "")) + len(element.get("points", ""))
        inner = list(element)
        if _tag(element) == "use":
            inner.append(_used(element, by_id, name))
        for child in inner:
            more, longer = size(child, depth + 1)
            count, characters = count + more, characters + longer
        characters += count * len(element.get("transform", ""))
        open_now.discard(element)
        known[element] = count, characters
        return known[element]

    count, characters = size(root, 0)
    if count > MAX_ELEMENTS:
        raise BadInput(f"{name}: {count} elements once use is followed, expected {MAX_ELEMENTS} at most")
    if characters > _MAX_PATH_CHARACTERS:
        raise BadInput(
            f"{name}: paths and transforms of {characters} characters, "
            f"expected {_MAX_PATH_CHARACTERS} at most"
        )


def _used(element: ET.Element, by_id: dict[str | None, ET.Element], name: str) -> ET.Element:
    link = element.get("href", element.get("{http://www.w3.org/1999/xlink}href", ""))
    if not link.startswith("#") or link[1:] not in by_id:
        raise BadInput(f'{name}: use of "{_plain(link)}", expected the # and id of a part of this drawing')
    return by_id[link[1:]]


# --- size ----------------------------------------------------------------------------------------------


def _viewport(root: ET.Element, name: str) -> tuple[float, float, float | None]:
    """Take the size from the root: scale of x, scale of y, and mm per unit after that (None = not said)."""
    width, height = _length_mm(root, "width", name), _length_mm(root, "height", name)
    box = _view_box(root, name)
    stretch = root.get("preserveAspectRatio", "")
    for key in ("width", "height", "viewBox", "preserveAspectRatio", "x", "y"):
        root.attrib.pop(key, None)
    if box is None:
        known = width is not None or height is not None
        return 1.0, 1.0, _MM_PER_PX if known else None
    root.set("data-width", repr(box[0]))
    root.set("data-height", repr(box[1]))
    scales = [mm / units for mm, units in zip((width, height), box, strict=True) if mm is not None]
    if not scales:
        return 1.0, 1.0, None
    if len(scales) == 2 and stretch.strip().startswith("none"):
        return scales[0], scales[1], 1.0
    scale = max(scales) if "slice" in stretch else min(scales)
    return scale, scale, 1.0


def _length_mm(root: ET.Element, key: str, name: str) -> float | None:
    """Read width or height; None where it is missing or relative to a screen."""
    text = root.get(key)
    found = _LENGTH.fullmatch(text or "")
    if text is None or found is None or found[2].lower() not in _MM_PER_UNIT:
        return None
    length = float(found[1]) * _MM_PER_UNIT[found[2].lower()]
    if not 0.0 < length < 1e5:
        raise BadInput(f'{name}: {key} is "{_plain(text)}", expected a length above 0 and below 100 m')
    return length


def _view_box(root: ET.Element, name: str) -> tuple[float, float] | None:
    text = root.get("viewBox")
    if text is None:
        return None
    words = text.replace(",", " ").split()
    numbers = [float(word) for word in words if _LENGTH.fullmatch(word) and word[-1] in "0123456789."]
    if len(words) != 4 or len(numbers) != 4 or not all(1e-6 < side < 1e9 for side in numbers[2:]):
        raise BadInput(f'{name}: viewBox is "{_plain(text)}", expected four numbers, the last two above 0')
    return numbers[2], numbers[3]


# --- walking -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Inherited:
    """What a group hands down to its parts."""

    treatment: Treatment | None = None
    fill: str | None = None


def _parsed(root: ET.Element) -> Any:
    """Return the library's tree of elements with transforms and styles worked out."""
    import svgelements

    size = {key: float(root.attrib.pop(f"data-{key}", 1000.0)) for key in ("width", "height")}
    return svgelements.SVG.parse(io.BytesIO(ET.tostring(root)), reify=False, **size)


def _walk(element: Any, name: str, above: _Inherited, scale: Floats) -> Iterator[Shape]:
    """Yield the filled shapes of an element and its parts, in painting order."""
    import svgelements

    own = element.values.get("attributes", {}) if hasattr(element, "values") else {}
    fill = own.get("fill", "inherit").strip()
    here = _Inherited(
        treatment=_own_treatment(own) or above.treatment,
        fill=above.fill if fill == "inherit" else fill,
    )
    if isinstance(element, svgelements.Shape):
        shape = _shape(element, name, here, scale)
        if shape is not None:
            yield shape
    elif isinstance(element, list):
        for part in element:
            yield from _walk(part, name, here, scale)


def _own_treatment(attributes: dict[str, str]) -> Treatment | None:
    """Class goes before id; an id may carry more after the word, such as `opening-2`."""
    for word in attributes.get("class", "").split():
        if word.lower() in set(Treatment):
            return Treatment(word.lower())
    found = _TREATMENT_ID.match(attributes.get("id", ""))
    return Treatment(found[1].lower()) if found else None


def _shape(element: Any, name: str, here: _Inherited, scale: Floats) -> Shape | None:
    """Return a visible filled shape, or None for one that is not seen; refuse lines without fill."""
    import svgelements

    values = element.values
    if values.get("visibility", "visible") != "visible" or values.get("opacity", "1").strip() in ("0", "0%"):
        return None
    own_id = values.get("attributes", {}).get("id", "")
    named = f'shape "{_plain(own_id)}"' if own_id else f"a {values.get('tag', 'shape')}"
    fill = here.fill or "black"
    unfilled = fill.lower() in ("none", "transparent") or values.get("fill-opacity", "1").strip() == "0"
    if unfilled or isinstance(element, svgelements.SimpleLine):
        stroke = element.stroke
        if stroke is not None and stroke.value is not None and (element.stroke_width or 0) > 0:
            raise BadInput(f"{name}: {named} is a stroke without fill, expected strokes turned to paths")
        return None
    colour = None if here.fill is None else _colour(fill, here.treatment, name, named)
    lines = tuple(_pieces(element, name, named, scale))
    if not lines:
        return None
    return Shape(here.treatment, lines, values.get("fill-rule") == "evenodd", colour, f"{name}: {named}")


def _colour(fill: str, treatment: Treatment | None, name: str, named: str) -> tuple[int, int, int] | None:
    """Return a fill's colour; only a relief needs one that can be read."""
    import svgelements

    try:
        colour = svgelements.Color(fill)
        if colour.value is not None and not fill.startswith("url"):
            return colour.red, colour.green, colour.blue
    except (ValueError, TypeError, IndexError, AttributeError):
        pass
    if treatment == Treatment.RELIEF:
        raise BadInput(f'{name}: {named} of relief has fill "{_plain(fill)}", expected one plain colour')
    return None


def _pieces(element: Any, name: str, named: str, scale: Floats) -> Iterator[Floats]:
    """Yield each closed line of a shape as cubic pieces (m, 4, 2), in the drawing's unit with y up."""
    import svgelements

    path = svgelements.Path(element)
    path.approximate_arcs_with_cubics()  # before the transform, which would bend them wrongly
    m = path.transform
    turn = np.array([[m.a, m.b], [m.c, m.d]], float)
    shift = np.array([m.e, m.f], float)
    line: list[list[Any]] = []
    for segment in [*path, svgelements.Move((0.0, 0.0))]:
        if isinstance(segment, svgelements.Move):
            if line:
                with np.errstate(all="ignore"):  # endless coordinates are refused below
                    pieces = (np.array(line, float).reshape(-1, 4, 2) @ turn + shift) * scale
                if not np.all(np.abs(pieces) < 1e7):
                    raise BadInput(f"{name}: {named} has a coordinate that is endless, expected finite ones")
                yield pieces
            line = []
        elif segment.start is not None and segment.end is not None:
            line.append(_as_cubic(segment))


def _as_cubic(segment: Any) -> list[tuple[float, float]]:
    """Return the four control points of a line, a quadratic or a cubic piece."""
    import svgelements

    (ax, ay), (dx, dy) = segment.start, segment.end
    if isinstance(segment, svgelements.CubicBezier):
        return [(ax, ay), tuple(segment.control1), tuple(segment.control2), (dx, dy)]
    # a line is a quadratic with its control point in the middle
    qx, qy = (ax + dx) / 2, (ay + dy) / 2
    if isinstance(segment, svgelements.QuadraticBezier):
        qx, qy = segment.control
    one = ax + (qx - ax) * 2 / 3, ay + (qy - ay) * 2 / 3
    other = dx + (qx - dx) * 2 / 3, dy + (qy - dy) * 2 / 3
    return [(ax, ay), one, other, (dx, dy)]


# --- polygons ------------------------------------------------------------------------------------------


def _flattened(pieces: Floats, tolerance: float, named: str) -> Floats:
    """Return the points (n, 2) of a closed line whose chords keep within the tolerance of its curves.

    A piece that is cut into n equal parts of its parameter strays from its chords by at most
    max|B''| / (8 n^2), and a cubic's |B''| is at most 6 times its larger second difference
    (de Boor, *A Practical Guide to Splines*, chapter II, linear interpolation; from memory).
    """
    bend = np.linalg.norm(pieces[:, :-2] - 2 * pieces[:, 1:-1] + pieces[:, 2:], axis=2).max(axis=1)
    parts = np.maximum(np.ceil(np.sqrt(6.0 / 8.0 * bend / tolerance)), 1.0)
    if parts.sum() > _MAX_VERTICES:
        raise BadInput(f"{named} needs {parts.sum():.0f} chords, expected a simpler or smaller drawing")
    if parts.max() == 1.0:
        points = np.concatenate([pieces[:, 0], pieces[-1:, 3]])
        return _without_repeats(points)
    count = parts.astype(int)
    piece = np.repeat(np.arange(len(pieces)), count)
    step = np.arange(len(piece)) - np.repeat(np.cumsum(count) - count, count)
    t = (step / count[piece])[:, None]
    p = pieces[piece]
    u = 1 - t
    points = u**3 * p[:, 0] + 3 * u * u * t * p[:, 1] + 3 * u * t * t * p[:, 2] + t**3 * p[:, 3]
    return _without_repeats(np.concatenate([points, pieces[-1:, 3]]))


def _without_repeats(points: Floats) -> Floats:
    moved = np.any(points != np.roll(points, 1, axis=0), axis=1)
    found: Floats = points[moved]
    return found


def _filled(rings: list[Floats], even_odd: bool, named: str) -> BaseGeometry:
    """Return the area that closed lines fill: their faces whose winding number the rule counts as inside."""
    if not rings:
        return shapely.Polygon()
    _refuse_tangle(rings, named)
    noded = shapely.union_all([shapely.LinearRing(ring) for ring in rings])
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(noded)))
    if not len(faces):
        return shapely.Polygon()
    if len(faces) * sum(map(len, rings)) > _MAX_WINDINGS:
        raise BadInput(f"{named} crosses itself too often, expected plain closed shapes")
    winding = _winding(rings, shapely.get_coordinates(shapely.point_on_surface(faces)))
    inside = winding % 2 != 0 if even_odd else winding != 0
    return shapely.union_all(faces[inside])


def _refuse_tangle(rings: list[Floats], named: str) -> None:
    """Lines that cross each other a million times would fill the memory; a sample tells beforehand."""
    starts = np.concatenate(rings)
    ends = np.concatenate([np.roll(ring, -1, axis=0) for ring in rings])
    if len(starts) > _MAX_VERTICES:
        raise BadInput(f"{named} has {len(starts)} corners, expected a simpler drawing")
    low, high = np.minimum(starts, ends), np.maximum(starts, ends)
    sample = np.arange(0, len(starts), math.ceil(len(starts) / 200))
    meet = sum(int(np.count_nonzero(np.all((low <= high[k]) & (high >= low[k]), axis=1))) - 3 for k in sample)
    if meet / len(sample) * len(starts) / 2 > _MAX_CROSSINGS:
        raise BadInput(f"{named} crosses itself too often, expected plain closed shapes")


def _winding(rings: list[Floats], points: Floats) -> Floats:
    """Return how often closed lines go round each point (n, 2), counter-clockwise positive.

    Crossings of the ray to the right are counted, up +1 and down -1 (the half-open rule for corners).
    """
    found = np.zeros(len(points))
    px, py = points[:, 0, None], points[:, 1, None]
    for ring in rings:
        for block in np.array_split(np.arange(len(ring)), max(1, len(ring) * len(points) // 2_000_000)):
            a, b = ring[block], ring[(block + 1) % len(ring)]
            up = (a[:, 1] <= py) & (b[:, 1] > py)
            down = (a[:, 1] > py) & (b[:, 1] <= py)
            side = (b[:, 0] - a[:, 0]) * (py - a[:, 1]) - (px - a[:, 0]) * (b[:, 1] - a[:, 1])
            found += np.sum(up & (side > 0), axis=1) - np.sum(down & (side < 0), axis=1)
    return found
