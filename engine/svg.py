"""Which shapes does an SVG hold? Walked in painting order: fills, strokes, clips and transforms.

The document is screened before anything else reads it (`engine.svg_screen`); what its shapes cover is worked
out in `engine.shapes`. A shape with a fill and a stroke is two shapes, the stroke over the fill. Clip paths
are read in the user space of what they clip. What cannot be followed is refused in words.
"""

from __future__ import annotations

import copy
import io
import math
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np

from engine.errors import BadInput
from engine.records import Floats, Treatment
from engine.shapes import Pen, Shape, outline_of
from engine.svg_screen import MAX_ELEMENTS, MAX_PIECES, SVG, plain, screened, tag_of, used_by

__all__ = ["Drawing", "Shape", "outline_of", "read_svg"]

_MM_PER_PX = 25.4 / 96.0  # CSS: 96 px to the inch
_MM_PER_UNIT = {
    "": _MM_PER_PX, "px": _MM_PER_PX, "mm": 1.0, "cm": 10.0, "q": 0.25, "in": 25.4, "pt": 25.4 / 72,
    "pc": 25.4 / 6,
}  # fmt: skip
_LENGTH = re.compile(r"\s*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)\s*([a-zA-Z]*)\s*")
_TREATMENT_ID = re.compile(r"(opening|relief|shave|keep)(?![a-z])", re.IGNORECASE)
_LETTERS = "letters"  # class, or beginning of the id, of what is part of a word
_CLIP = re.compile(r"url\(\s*[\"']?#([^)\"']+)[\"']?\s*\)")
_CAPS, _JOINS = ("butt", "round", "square"), ("miter", "round", "bevel")


@dataclass(frozen=True, eq=False)
class Drawing:
    """The shapes of an SVG in painting order, and how long its unit is, if it says so."""

    shapes: tuple[Shape, ...]
    mm_per_unit: float | None


@lru_cache(maxsize=16)  # one drawing goes onto many pieces
def read_svg(content: bytes, name: str) -> Drawing:
    """Return the filled shapes and strokes of an SVG document.

    Parameters
    ----------
    content : bytes
        The file [-].
    name : str
        Shown in messages [-].
    """
    root, clips = screened(content, name)
    scale_x, scale_y, mm_per_unit = _viewport(root, name)
    try:
        walk = _Walk(name, np.array([scale_x, -scale_y]), root, clips)
        found = tuple(walk.shapes(_parsed(root), _Inherited()))
    except BadInput:
        raise
    except Exception as error:  # the SVG library raises many kinds on malformed numbers and transforms
        kind = type(error).__name__
        raise BadInput(f"{name}: the drawing cannot be read ({kind}), expected a plain SVG") from None
    return Drawing(found, mm_per_unit)


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
        raise BadInput(f'{name}: {key} is "{plain(text)}", expected a length above 0 and below 100 m')
    return length


def _view_box(root: ET.Element, name: str) -> tuple[float, float] | None:
    text = root.get("viewBox")
    if text is None:
        return None
    words = text.replace(",", " ").split()
    numbers = [float(word) for word in words if _LENGTH.fullmatch(word) and word[-1] in "0123456789."]
    if len(words) != 4 or len(numbers) != 4 or not all(1e-6 < side < 1e9 for side in numbers[2:]):
        raise BadInput(f'{name}: viewBox is "{plain(text)}", expected four numbers, the last two above 0')
    return numbers[2], numbers[3]


# --- walking -------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Inherited:
    """What a group hands down to its parts."""

    treatment: Treatment | None = None
    fill: str | None = None
    clips: tuple[tuple[Shape, ...], ...] = ()
    letters: bool = False


def _parsed(root: ET.Element) -> Any:
    """Return the library's tree of elements with transforms and styles worked out."""
    import svgelements

    size = {key: float(root.attrib.pop(f"data-{key}", 1000.0)) for key in ("width", "height")}
    return svgelements.SVG.parse(io.BytesIO(ET.tostring(root)), reify=False, **size)


@dataclass(eq=False)
class _Walk:
    """Goes through a drawing in painting order."""

    name: str
    scale: Floats  # (2,) of x and y, y turned up
    root: ET.Element
    clips: dict[str, ET.Element]
    clipped: int = field(default=0)  # shapes of clips read so far
    clip_pieces: int = field(default=0)  # pieces of their lines

    def shapes(self, element: Any, above: _Inherited) -> Iterator[Shape]:
        """Yield the shapes of an element and its parts."""
        import svgelements

        own = element.values.get("attributes", {}) if hasattr(element, "values") else {}
        fill = own.get("fill", "inherit").strip()
        here = _Inherited(
            treatment=_own_treatment(own) or above.treatment,
            fill=above.fill if fill == "inherit" else fill,
            clips=above.clips + self._clip(own),
            letters=above.letters or _is_letters(own),
        )
        if isinstance(element, svgelements.Shape):
            for shape in self._drawn(element, here):
                yield replace(shape, clips=here.clips, letters=here.letters)
        elif isinstance(element, list):
            for part in element:
                yield from self.shapes(part, here)

    def _drawn(self, element: Any, here: _Inherited) -> Iterator[Shape]:
        """Yield the fill and the stroke of a visible shape, as far as it has them."""
        import svgelements

        values = element.values
        hidden = values.get("visibility", "visible") != "visible"
        if hidden or values.get("opacity", "1").strip() in ("0", "0%"):
            return
        own_id = values.get("attributes", {}).get("id", "")
        named = f'shape "{plain(own_id)}"' if own_id else f"a {values.get('tag', 'shape')}"
        placed = _Placed(element, self.name, named, self.scale)
        if not placed.lines:
            return
        fill = here.fill or "black"
        unfilled = fill.lower() in ("none", "transparent") or values.get("fill-opacity", "1").strip() == "0"
        said = f"{self.name}: {named}"
        if not unfilled and not isinstance(element, svgelements.SimpleLine):
            colour = None if here.fill is None else _colour(fill, here.treatment, self.name, named)
            yield Shape(here.treatment, placed.lines, values.get("fill-rule") == "evenodd", colour, said)
        pen = self._pen(element, placed, named)
        if pen is not None:
            colour = _colour(values.get("stroke", ""), here.treatment, self.name, named)
            yield Shape(here.treatment, placed.lines, False, colour, said, pen)

    def _pen(self, element: Any, placed: _Placed, named: str) -> Pen | None:
        """Return the pen of a stroke that is seen, None where there is none."""
        values, stroke = element.values, element.stroke
        unseen = stroke is None or stroke.value is None or not (element.stroke_width or 0) > 0
        if unseen or values.get("stroke-opacity", "1").strip() in ("0", "0%"):
            return None
        dashes = _dashes(values.get("stroke-dasharray", "none"), f"{self.name}: {named}")
        offset = _LENGTH.fullmatch(values.get("stroke-dashoffset", "0"))
        if offset is None or offset[2] not in ("", "px"):
            raise BadInput(
                f'{self.name}: {named} has a dash offset of "{plain(values["stroke-dashoffset"])}", '
                "expected a length in user units"
            )
        if "non-scaling" in values.get("vector-effect", ""):
            raise BadInput(f"{self.name}: {named} has a stroke that does not scale, expected a plain stroke")
        cap, join = values.get("stroke-linecap", "butt"), values.get("stroke-linejoin", "miter")
        limit = values.get("stroke-miterlimit", "4")
        if cap not in _CAPS or join not in _JOINS or not _LENGTH.fullmatch(limit):
            raise BadInput(
                f'{self.name}: {named} has a stroke with "{plain(cap)}", "{plain(join)}" and '
                f'"{plain(limit)}", expected cap, join and limit of a plain stroke'
            )
        return Pen(
            width=float(element.stroke_width),
            cap=cap,
            join=join,
            miter_limit=float(limit),
            lines=placed.own_lines,
            closed=placed.closed,
            turn=placed.turn * self.scale,
            shift=placed.shift * self.scale,
            dashes=dashes,
            dash_offset=float(offset[1]),
        )

    # --- clips ---

    def _clip(self, own: dict[str, str]) -> tuple[tuple[Shape, ...], ...]:
        """Return what an element is clipped to: the shapes of a clip path in the element's own space."""
        text = own.get("clip-path", "none").strip()
        if text in ("none", ""):
            return ()
        found = _CLIP.fullmatch(text)
        clip = self.clips.get(found[1]) if found else None
        if found is None or clip is None:
            raise BadInput(f'{self.name}: clip-path "{plain(text)}", expected url(#id) of a clip path here')
        if own.get("tag") == "use" and (own.get("x", "0") != "0" or own.get("y", "0") != "0"):
            raise BadInput(f"{self.name}: a clipped use with x or y is not followed, expected a transform")
        if clip.get("clipPathUnits", "userSpaceOnUse") != "userSpaceOnUse":
            raise BadInput(f'{self.name}: clip path "{plain(found[1])}" by boxes, expected userSpaceOnUse')
        if "clip-path" in clip.attrib or any("clip-path" in part.attrib for part in clip.iter()):
            raise BadInput(f'{self.name}: clip path "{plain(found[1])}" is clipped itself, expected it plain')
        return (self._clip_shapes(clip, own.get("transform", "")),)

    def _clip_shapes(self, clip: ET.Element, above: str) -> tuple[Shape, ...]:
        """Read a clip path as a drawing of its own: its shapes count by their outlines alone."""
        parts = copy.deepcopy(clip)
        page = ET.Element(f"{SVG}svg")
        shown = ET.SubElement(page, f"{SVG}defs")
        by_id = {e.get("id"): e for e in self.root.iter() if e.get("id")}
        wanted = [used_by(e, by_id, self.name) for e in parts.iter() if tag_of(e) == "use"]
        for one in wanted:
            shown.append(_bare(copy.deepcopy(one)))
        outer = ET.SubElement(page, f"{SVG}g", {"transform": f"{above} {clip.get('transform', '')}".strip()})
        outer.extend(_bare(part) for part in parts)
        inner = _Walk(self.name, self.scale, self.root, {})
        found = tuple(inner.shapes(_parsed(page), _Inherited()))
        self.clipped += len(found)
        self.clip_pieces += sum(len(line) for shape in found for line in shape.lines)
        if self.clipped > MAX_ELEMENTS or self.clip_pieces > MAX_PIECES:
            raise BadInput(
                f"{self.name}: over {MAX_ELEMENTS} shapes of clip paths, or {MAX_PIECES} pieces of their "
                "lines, expected a simpler drawing"
            )
        return found


def _bare(element: ET.Element) -> ET.Element:
    """Return a part of a clip path filled by its clip rule, without stroke and style."""
    for part in element.iter():
        rule = (
            part.get("clip-rule")
            or (re.findall(r"clip-rule\s*:\s*(\w+)", part.get("style", "")) or [None])[0]
        )
        for key in ("style", "class", "fill", "stroke", "fill-opacity", "opacity", "clip-path"):
            part.attrib.pop(key, None)
        part.attrib.pop("fill-rule", None)
        if rule:
            part.set("fill-rule", rule)
    return element


def _dashes(text: str, said: str) -> tuple[float, ...]:
    """Return lengths of dashes and gaps, an odd number of them twice over; none for a line that is whole."""
    words = text.replace(",", " ").split()
    if words in ([], ["none"]):
        return ()
    found = [_LENGTH.fullmatch(word) for word in words]
    lengths = [float(one[1]) for one in found if one is not None and one[2] in ("", "px")]
    if len(lengths) != len(words) or min(lengths) < 0:
        raise BadInput(f'{said} has dashes "{plain(text)}", expected lengths in user units, none below 0')
    if sum(lengths) == 0:
        return ()
    return tuple(lengths if len(lengths) % 2 == 0 else lengths * 2)


def _is_letters(attributes: dict[str, str]) -> bool:
    """Tell whether class or id says that a shape is part of a word."""
    words = attributes.get("class", "").lower().split()
    return _LETTERS in words or attributes.get("id", "").lower().startswith(_LETTERS)


def _own_treatment(attributes: dict[str, str]) -> Treatment | None:
    """Class goes before id; an id may carry more after the word, such as `opening-2`."""
    for word in attributes.get("class", "").split():
        if word.lower() in set(Treatment):
            return Treatment(word.lower())
    found = _TREATMENT_ID.match(attributes.get("id", ""))
    return Treatment(found[1].lower()) if found else None


def _colour(
    colour_text: str, treatment: Treatment | None, name: str, named: str
) -> tuple[int, int, int] | None:
    """Return a colour; only a relief needs one that can be read."""
    import svgelements

    try:
        colour = svgelements.Color(colour_text)
        if colour.value is not None and not colour_text.startswith("url"):
            return colour.red, colour.green, colour.blue
    except (ValueError, TypeError, IndexError, AttributeError):
        pass
    if treatment == Treatment.RELIEF:
        raise BadInput(
            f'{name}: {named} of relief has colour "{plain(colour_text)}", expected one plain colour'
        )
    return None


class _Placed:
    """The lines of a shape as cubic pieces, in its own units and in the drawing's with y up."""

    def __init__(self, element: Any, name: str, named: str, scale: Floats) -> None:
        import svgelements

        path = svgelements.Path(element)
        m = path.transform
        self.turn = np.array([[m.a, m.b], [m.c, m.d]], float)
        self.shift = np.array([m.e, m.f], float)
        own, closed = [], []
        line: list[list[Any]] = []
        shut = False
        for segment in [*_without_arcs(path), svgelements.Move((0.0, 0.0))]:
            if isinstance(segment, svgelements.Move):
                if line:
                    own.append(np.array(line, float).reshape(-1, 4, 2))
                    closed.append(shut)
                line, shut = [], False
            elif segment.start is not None and segment.end is not None:
                line.append(_as_cubic(segment))
                shut = isinstance(segment, svgelements.Close)
        with np.errstate(all="ignore"):  # endless coordinates are refused here
            placed = [(one @ self.turn + self.shift) * scale for one in own]
            if not all(np.all(np.abs(one) < 1e7) for one in placed):
                raise BadInput(f"{name}: {named} has a coordinate that is endless, expected finite ones")
        self.own_lines, self.closed, self.lines = tuple(own), tuple(closed), tuple(placed)


def _without_arcs(path: Any) -> Iterator[Any]:
    """Yield the segments of a path, cubic pieces of a tenth of a turn for each arc.

    Before the transform, which would bend them wrongly; the library's own way takes the square of their
    number in time.
    """
    import svgelements

    for segment in path:
        if isinstance(segment, svgelements.Arc):
            yield from segment.as_cubic_curves(math.ceil(abs(segment.sweep) / (math.tau / 10)))
        else:
            yield segment


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
