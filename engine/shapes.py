"""Which area does a drawn shape cover? Fill rules, strokes with their joins and ends, and clips.

Curves become chords within a tolerance. Fills follow the winding number (even-odd or non-zero). A stroke is
the path of a pen: flat strips along the smooth stretches, round, bevelled or mitred where they meet (a mitre
longer than its limit is bevelled), and caps at loose ends, all made in the shape's own units and then
transformed, so that an uneven scale makes a stroke uneven as it should.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
import shapely.errors
from shapely.geometry.base import BaseGeometry

from engine.errors import BadInput
from engine.records import Floats, Treatment

_MAX_VERTICES = 400_000
_MAX_CROSSINGS = 200_000  # pairs of line pieces whose boxes meet
_MAX_STRIPS = 8_000  # pieces and dashes of all strokes of a drawing
_MAX_WINDINGS = 200_000_000  # faces times corners of one shape
_CORNER_RAD = 1e-3  # two pieces that meet with less turn go on smoothly


@dataclass(frozen=True, eq=False)
class Pen:
    """How a stroke is drawn, in the shape's own units; `turn` and `shift` take them to the drawing's."""

    width: float
    cap: str  # butt, round or square
    join: str  # miter, round or bevel
    miter_limit: float
    lines: tuple[Floats, ...]  # each (m, 4, 2) control points in the shape's own units
    closed: tuple[bool, ...]
    turn: Floats  # (2, 2); a point p of its own goes to p @ turn + shift
    shift: Floats  # (2,)
    dashes: tuple[float, ...] = ()  # drawn, left out, drawn, ...; an even number of them
    dash_offset: float = 0.0  # how far into the dashes a line begins


@dataclass(frozen=True, eq=False)
class Shape:
    """A drawn shape: its lines as cubic pieces, how it covers, and what the drawing says of it."""

    treatment: Treatment | None  # None where the drawing says nothing
    lines: tuple[Floats, ...]  # each (m, 4, 2) control points; y up [the drawing's unit]
    even_odd: bool
    colour: tuple[int, int, int] | None  # sRGB 0..255 where the drawing gives a colour
    named: str  # for messages
    pen: Pen | None = None  # a stroke; without it the lines are filled
    clips: tuple[tuple[Shape, ...], ...] = ()  # seen only inside each of these
    letters: bool = False  # part of a word, as the drawing says


def outline_of(shape: Shape, tolerance: float) -> BaseGeometry:
    """Return the area a shape covers, with curves as chords.

    Parameters
    ----------
    shape : Shape
        A drawn shape.
    tolerance : float
        Largest distance between a curve and its chords [the drawing's unit].
    """
    try:
        with np.errstate(all="ignore"):
            return _seen(shape, tolerance)
    except _BEYOND as beyond:
        raise BadInput(
            f"{shape.named} is drawn in sizes beyond all reason, expected those of the drawing itself"
        ) from beyond


def refuse_too_many_strokes(shapes: Sequence[Shape], name: str) -> None:
    """Raise `BadInput` where strokes consist of more pieces and dashes than can be drawn in a sensible time.

    Parameters
    ----------
    shapes : sequence of Shape
        All of a drawing.
    name : str
        Shown in messages [-].
    """
    strips = 0.0
    with np.errstate(all="ignore"):
        for shape in shapes:
            if shape.pen is None:
                continue
            for line in shape.pen.lines:
                strips += len(line)
                if shape.pen.dashes and sum(shape.pen.dashes) > 0:
                    longest = float(np.linalg.norm(np.diff(line, axis=1), axis=2).sum())
                    strips += longest / sum(shape.pen.dashes) * len(shape.pen.dashes)  # a strip, two ends
    if not strips <= _MAX_STRIPS:  # also catches nan
        raise BadInput(
            f"{name}: strokes of {strips:.0f} pieces and dashes, expected {_MAX_STRIPS} at most; outlines as "
            "filled shapes may have more"
        )


# what numbers near the end of their range lead to, here and in the geometry library
_BEYOND = (shapely.errors.ShapelyError, ArithmeticError, ValueError, np.linalg.LinAlgError)


def _seen(shape: Shape, tolerance: float) -> BaseGeometry:
    area = _stroked(shape.pen, tolerance, shape.named) if shape.pen else _covered(shape, tolerance)
    for clip in shape.clips:
        area = area.intersection(shapely.union_all([outline_of(part, tolerance) for part in clip]))
    return area


def _covered(shape: Shape, tolerance: float) -> BaseGeometry:
    rings = [flattened(line, tolerance, shape.named) for line in shape.lines]
    rings = [ring for ring in rings if len(ring) >= 3]
    if len(rings) == 1:
        simple = shapely.Polygon(rings[0])
        if simple.is_valid:
            return simple
    return _filled(rings, shape.even_odd, shape.named)


# --- strokes -------------------------------------------------------------------------------------------


def _stroked(pen: Pen, tolerance: float, named: str) -> BaseGeometry:
    largest = float(np.linalg.svd(pen.turn, compute_uv=False)[0])
    if not largest > 0.0 or not pen.width > 0.0:
        return shapely.Polygon()
    fine = tolerance / largest
    parts: list[BaseGeometry] = []
    for line, closed in zip(pen.lines, pen.closed, strict=True):
        for piece, round_ in _dashed(pen, line, closed, fine, named) if pen.dashes else [(line, closed)]:
            parts += _pen_strips(pen, piece, round_, fine, named)
    own = shapely.union_all(parts)
    placed: BaseGeometry = shapely.transform(own, lambda points: points @ pen.turn + pen.shift)
    return shapely.make_valid(placed)


def _dashed(pen: Pen, line: Floats, closed: bool, fine: float, named: str) -> list[tuple[Floats, bool]]:
    """Return the drawn dashes of a line as straight pieces, each a line of its own with caps at its ends."""
    points = _opened(line, fine, named)
    if closed and np.any(points[0] != points[-1]):
        points = np.concatenate([points, points[:1]])
    step = np.linalg.norm(np.diff(points, axis=0), axis=1)
    way = np.concatenate([[0.0], np.cumsum(step)])
    whole = sum(pen.dashes)
    if not whole > 0 or way[-1] == 0.0:
        return [(line, closed)]
    if not way[-1] / whole * len(pen.dashes) <= 4 * _MAX_STRIPS:
        raise BadInput(f"{named} has {way[-1] / whole:.0f} dashes, expected longer ones")
    edges = np.concatenate([[0.0], np.cumsum(pen.dashes)])
    turns = np.arange(-1, int(way[-1] / whole) + 2) * whole - pen.dash_offset % whole
    starts = (turns[:, None] + edges[:-1:2]).ravel()
    ends = (turns[:, None] + edges[1::2]).ravel()
    dots = (starts == ends) & (starts >= 0) & (ends <= way[-1])
    starts, ends = np.maximum(starts, 0.0), np.minimum(ends, way[-1])
    seen = (ends > starts) | dots
    found = []
    for start, end in zip(starts[seen], ends[seen], strict=True):
        inner = way[(way > start) & (way < end)]
        at = np.concatenate([[start], inner, [end]])
        corners = np.stack([np.interp(at, way, points[:, k]) for k in (0, 1)], axis=1)
        a, b = corners[:-1], corners[1:]
        found.append((np.stack([a, a + (b - a) / 3, b - (b - a) / 3, b], axis=1), False))
    return found


def _pen_strips(pen: Pen, line: Floats, closed: bool, fine: float, named: str) -> list[BaseGeometry]:
    """Return the strips, joins and ends of one line, in the shape's own units."""
    long = np.any(np.abs(np.diff(line, axis=1)).max(axis=1) > 0, axis=1)
    radius = pen.width / 2
    if not long.any():
        return _dot(pen, line[0, 0], radius, fine)
    line = line[long]
    if closed and np.any(line[-1, 3] != line[0, 0]):
        first, last = line[0, 0], line[-1, 3]
        line = np.concatenate([line, [[last, last + (first - last) / 3, first - (first - last) / 3, first]]])
    begins, ends = _headings(line), -_headings(line[:, ::-1])
    following = np.roll(begins, -1, axis=0)
    turn = np.arctan2(
        ends[:, 0] * following[:, 1] - ends[:, 1] * following[:, 0], np.sum(ends * following, axis=1)
    )
    corner = np.abs(turn) > _CORNER_RAD
    if not closed:
        corner[-1] = True
    if not corner.any():  # a smooth ring
        ring = flattened(line, fine, named)
        return [shapely.buffer(shapely.LinearRing(ring), radius, quad_segs=_quarter(radius, fine))]
    order = np.roll(np.arange(len(line)), -(int(np.flatnonzero(corner)[-1]) + 1))
    stretches = np.split(order, np.flatnonzero(corner[order][:-1]) + 1)
    parts = [_strip(line[stretch], radius, fine, named) for stretch in stretches]
    for k in np.flatnonzero(corner):
        if closed or k < len(line) - 1:
            parts += _joined(pen, line[k, 3], ends[k], following[k], float(turn[k]), radius, fine)
    if not closed:
        parts += _capped(pen, line[0, 0], -begins[0], radius, fine)
        parts += _capped(pen, line[-1, 3], ends[-1], radius, fine)
    return parts


def _headings(line: Floats) -> Floats:
    """Return the unit heading (m, 2) at the beginning of each cubic piece: to its first other point."""
    away = line[:, 1:] - line[:, :1]
    moved = np.any(away != 0, axis=2)
    first = away[np.arange(len(line)), moved.argmax(axis=1)]
    size = np.linalg.norm(first, axis=1, keepdims=True)
    found: Floats = first / np.where(size > 0, size, 1.0)
    return found


def _quarter(radius: float, fine: float) -> int:
    """Return how many chords a quarter of a circle needs to stay within a distance of it."""
    share = min(max(fine / radius, 1e-7), 0.3)  # a pen of a kilometre draws nothing that is taken
    return max(2, math.ceil(math.pi / 4 / math.acos(1 - share)))


def _strip(stretch: Floats, radius: float, fine: float, named: str) -> BaseGeometry:
    points = _opened(stretch, fine, named)
    return shapely.buffer(
        shapely.LineString(points),
        radius,
        cap_style="flat",
        join_style="round",
        quad_segs=_quarter(radius, fine),
    )


def _joined(
    pen: Pen, at: Floats, before: Floats, after: Floats, turn: float, radius: float, fine: float
) -> list[BaseGeometry]:
    """Return what fills the outer side of a corner."""
    if pen.join == "round":
        return [shapely.buffer(shapely.Point(at), radius, quad_segs=_quarter(radius, fine))]
    side = -1.0 if turn > 0 else 1.0  # the outer side lies to the right of a turn to the left
    one = at + side * radius * np.array([-before[1], before[0]])
    other = at + side * radius * np.array([-after[1], after[0]])
    half = math.cos(turn / 2)
    if pen.join == "miter" and half > 1e-6 and 1.0 / half <= pen.miter_limit:
        tip = at + ((one + other) / 2 - at) / half**2
        return [shapely.make_valid(shapely.Polygon([at, one, tip, other]))]
    return [shapely.make_valid(shapely.Polygon([at, one, other]))]


def _capped(pen: Pen, at: Floats, outward: Floats, radius: float, fine: float) -> list[BaseGeometry]:
    if pen.cap == "round":
        return [shapely.buffer(shapely.Point(at), radius, quad_segs=_quarter(radius, fine))]
    if pen.cap == "square":
        side = np.array([-outward[1], outward[0]])
        corners = [at + radius * side, at + radius * (side + outward), at + radius * (outward - side)]
        return [shapely.Polygon([*corners, at - radius * side])]
    return []


def _dot(pen: Pen, at: Floats, radius: float, fine: float) -> list[BaseGeometry]:
    """Return what a line of no length leaves: a dot under a round pen, a square under a square one."""
    if pen.cap == "round":
        return [shapely.buffer(shapely.Point(at), radius, quad_segs=_quarter(radius, fine))]
    if pen.cap == "square":
        return [shapely.box(*(at - radius), *(at + radius))]
    return []


# --- fills ---------------------------------------------------------------------------------------------


def flattened(pieces: Floats, tolerance: float, named: str) -> Floats:
    """Return the points (n, 2) of a closed line whose chords keep within the tolerance of its curves.

    A piece that is cut into n equal parts of its parameter strays from its chords by at most
    max|B''| / (8 n^2), and a cubic's |B''| is at most 6 times its larger second difference
    (de Boor, *A Practical Guide to Splines*, chapter II, linear interpolation; from memory).

    Parameters
    ----------
    pieces : ndarray (m, 4, 2)
        Control points [the drawing's unit].
    tolerance : float
        Largest distance [the drawing's unit].
    named : str
        For messages [-].
    """
    return _without_repeats(_opened(pieces, tolerance, named))


def _opened(pieces: Floats, tolerance: float, named: str) -> Floats:
    """Return the points of a line from its beginning to its end."""
    bend = np.linalg.norm(pieces[:, :-2] - 2 * pieces[:, 1:-1] + pieces[:, 2:], axis=2).max(axis=1)
    parts = np.maximum(np.ceil(np.sqrt(6.0 / 8.0 * bend / tolerance)), 1.0)
    if not parts.sum() <= _MAX_VERTICES:  # also catches nan
        raise BadInput(f"{named} needs {parts.sum():.6g} chords, expected a simpler or smaller drawing")
    if parts.max() == 1.0:
        straight: Floats = np.concatenate([pieces[:, 0], pieces[-1:, 3]])
        return straight
    count = parts.astype(int)
    piece = np.repeat(np.arange(len(pieces)), count)
    step = np.arange(len(piece)) - np.repeat(np.cumsum(count) - count, count)
    t = (step / count[piece])[:, None]
    p = pieces[piece]
    u = 1 - t
    points = u**3 * p[:, 0] + 3 * u * u * t * p[:, 1] + 3 * u * t * t * p[:, 2] + t**3 * p[:, 3]
    return np.concatenate([points, pieces[-1:, 3]])


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
