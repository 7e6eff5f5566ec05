"""How is a flat shape drawn by code? Curves, ribbons, petals and rounding, in millimetres, y up."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from shapely import MultiPolygon, Point, Polygon, affinity, union_all
from shapely.geometry.base import BaseGeometry

Floats = NDArray[np.float64]

_SIMPLER_MM = 0.02


def smooth_curve(points: ArrayLike, closed: bool = False, steps: int = 12) -> Floats:
    """Return a Catmull-Rom curve through points (n, 2) [mm], `steps` samples a span [-]."""
    p = np.asarray(points, float)
    ring = np.vstack([p[-1], p, p[:2]]) if closed else np.vstack([2 * p[0] - p[1], p, 2 * p[-1] - p[-2]])
    t = (np.arange(steps) / steps)[:, None]
    spans = []
    for a, b, c, d in zip(ring, ring[1:], ring[2:], ring[3:], strict=False):
        spans.append(
            0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3)
        )
    return np.vstack(spans if closed else [*spans, p[-1:]])


def blob(points: ArrayLike) -> Polygon:
    """Return the smooth closed shape through points (n, 2) [mm]."""
    return only_polygon(Polygon(smooth_curve(points, closed=True)).buffer(0))


def ribbon(points: ArrayLike, widths: ArrayLike, smooth: bool = True) -> Polygon:
    """Return a line with round ends whose width changes along it.

    Parameters
    ----------
    points : array_like (n, 2)
        The middle line [mm].
    widths : array_like (m,)
        Widths spread evenly along the line [mm].
    smooth : bool
        Whether the line is a smooth curve through the points [-].
    """
    line = smooth_curve(points) if smooth else densified(points, 1.0)
    along = arc_lengths(line)
    given = np.atleast_1d(np.asarray(widths, float))
    width = (
        np.interp(along, np.linspace(0, along[-1], len(given)), given)
        if len(given) > 1
        else given[0] * np.ones(len(line))
    )
    discs = [Point(p).buffer(w / 2, quad_segs=12) for p, w in zip(line, width, strict=True)]
    return only_polygon(union_all([union_all(pair).convex_hull for pair in pairwise(discs)]))


def petal(length: float, width: float, bend: float = 0.0, tip: float = 0.55) -> Polygon:
    """Return a leaf-like shape from the origin along +x, `bend` sideways [mm], widest at the share `tip`."""
    t = np.linspace(0.0, 1.0, 40)
    skew = t ** (np.log(0.5) / np.log(tip))
    half = width / 2 * np.sin(np.pi * skew) ** 0.8
    middle = np.stack([length * t, bend * np.sin(np.pi * t / 2) ** 2], axis=1)
    across = np.gradient(middle, axis=0)
    normal = np.stack([-across[:, 1], across[:, 0]], axis=1) / np.linalg.norm(across, axis=1)[:, None]
    edge = np.vstack([middle + half[:, None] * normal, (middle - half[:, None] * normal)[::-1]])
    return only_polygon(Polygon(edge).buffer(0))


def placed(shape: Polygon, x: float, y: float, turn_deg: float = 0.0, scale: float = 1.0) -> Polygon:
    """Return a shape scaled and turned counter-clockwise about the origin [deg], then moved by x, y [mm]."""
    turned = affinity.rotate(affinity.scale(shape, scale, scale, origin=(0, 0)), turn_deg, origin=(0, 0))
    return only_polygon(affinity.translate(turned, x, y))


def rounded(shape: BaseGeometry, radius: float, fillet: float | None = None) -> Polygon:
    """Return the part of a shape that a round cutter of `radius` [mm] reaches, inner corners filleted."""
    fillet = radius / 2 if fillet is None else fillet
    soft = shape.buffer(fillet, quad_segs=16).buffer(-fillet - radius, quad_segs=16)
    return only_polygon(soft.buffer(radius, quad_segs=16).simplify(_SIMPLER_MM))


def rounded_parts(shape: BaseGeometry, radius: float, smallest_mm2: float = 0.0) -> list[Polygon]:
    """Return every part of a shape after rounding that is larger than `smallest_mm2` [mm2]."""
    soft = shape.buffer(-radius, quad_segs=16).buffer(radius, quad_segs=16).simplify(_SIMPLER_MM)
    return [part for part in polygons_of(soft) if part.area > smallest_mm2]


def polygons_of(shape: BaseGeometry) -> list[Polygon]:
    """Return the polygons of any geometry, left to right."""
    if isinstance(shape, Polygon):
        return [] if shape.is_empty else [shape]
    if isinstance(shape, MultiPolygon):
        return sorted(shape.geoms, key=lambda part: part.centroid.x)
    return []


def only_polygon(shape: BaseGeometry) -> Polygon:
    """Return the geometry as one polygon; the largest part where rounding left crumbs."""
    parts = polygons_of(shape)
    if not parts:
        raise ValueError("a shape vanished: it is narrower than the cutter that rounds it")
    return max(parts, key=lambda part: part.area)


def arc_lengths(line: Floats) -> Floats:
    """Return the length along a line (n, 2) up to each point [mm]."""
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])


def densified(points: ArrayLike, step: float) -> Floats:
    """Return a straight-sided line with points at most `step` apart [mm]."""
    line = np.asarray(points, float)
    along = arc_lengths(line)
    at = np.union1d(along, np.linspace(0, along[-1], max(2, int(along[-1] / step) + 1)))
    return np.stack([np.interp(at, along, line[:, 0]), np.interp(at, along, line[:, 1])], axis=1)


def piece_of(line: Floats, start: float, end: float) -> Floats:
    """Return the part of a line (n, 2) between two lengths along it [mm]."""
    along = arc_lengths(line)
    at = np.concatenate([[start], along[(along > start) & (along < end)], [end]])
    return np.stack([np.interp(at, along, line[:, 0]), np.interp(at, along, line[:, 1])], axis=1)


def centred(shapes: Iterable[Polygon]) -> tuple[Polygon, ...]:
    """Return the shapes with the middle of their common box at the origin."""
    parts = list(shapes)
    left, low, right, high = union_all(parts).bounds
    return tuple(affinity.translate(part, -(left + right) / 2, -(low + high) / 2) for part in parts)


def svg_text(shapes: Sequence[Polygon], title: str) -> str:
    """Return the openings as an SVG in millimetres, y down, every path closed."""
    left, low, right, high = union_all(list(shapes)).bounds
    width, height = right - left, high - low
    paths = "\n".join(f'    <path d="{_path(shape, left, high)}"/>' for shape in shapes)
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.3f}mm" height="{height:.3f}mm" '
        f'viewBox="0 0 {width:.3f} {height:.3f}">\n'
        f"  <title>{title}</title>\n"
        f'  <g id="opening" fill="#f5b041" fill-rule="evenodd">\n{paths}\n  </g>\n</svg>\n'
    )


def _path(shape: Polygon, left: float, high: float) -> str:
    return " ".join(
        "M" + " L".join(f"{x - left:.3f} {high - y:.3f}" for x, y in list(ring.coords)[:-1]) + " Z"
        for ring in (shape.exterior, *shape.interiors)
    )
