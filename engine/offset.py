"""Along which line does the cutter run so that its edge follows the outline? True to the skin.

A region is laid flat in the metric of the skin seen along the cutter's axis (`engine.flatten`), where a round
cutter is a circle. There it is offset inwards with round joins, and the lines are taken back to the sheet.
Where the cutter does not enter, the pass runs along the centre line (medial axis) of the region.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from shapely import LineString, MultiLineString, Polygon
from shapely.geometry.base import BaseGeometry

from engine.flatten import FlatRegion, lay_flat
from engine.records import Floats, Ints
from engine.skin_metric import SkinMetric

_TIGHTEST = 0.75  # share of the radius below which no pass is run: it would cut far too wide
_NECK_OVERCUT_MM = 0.25  # where most of a region is reached from inside, a neck is cut this much too wide
_SAME_MM = 0.04  # a neck that is this much too narrow counts as wide enough
_SHORT_MM = 0.3  # ... if more than this would be left of it


@dataclass(frozen=True, slots=True, eq=False)
class Offset:
    """Lines for the cutter's axis on the sheet, for one region."""

    contours: tuple[Floats, ...]  # each (n, 2), closed, first vertex not repeated
    centre_lines: tuple[Floats, ...]  # each (n, 2), open
    overcut_mm: float  # how far the centre lines cut beyond the region, 0 without any
    lost_mm2: float  # skin inside the region that the cutter's round leaves


def offset_region(
    polygon: Polygon,
    metric: SkinMetric,
    radius_mm: float,
    spacing_mm: float = 2.0,
    tolerance_mm: float = 0.01,
) -> Offset:
    """Return the lines along which a cutter's axis must run to cut a region's outline from inside.

    Parameters
    ----------
    polygon : Polygon
        The region with its holes, sheet [mm].
    metric : SkinMetric
        The tensor around it.
    radius_mm : float
        The cutter's radius [mm].
    spacing_mm, tolerance_mm : float
        Longest step along a line and chord tolerance of its arcs, on the skin [mm].
    """
    return offset_flat(lay_flat(polygon, metric), radius_mm, spacing_mm, tolerance_mm)


def offset_flat(
    region: FlatRegion, radius_mm: float, spacing_mm: float = 2.0, tolerance_mm: float = 0.01
) -> Offset:
    """Return the lines for a region that is laid flat already; the rest is as for `offset_region`.

    Parameters
    ----------
    region : FlatRegion
        The region, laid flat.
    radius_mm : float
        The cutter's radius [mm].
    spacing_mm, tolerance_mm : float
        Longest step along a line and chord tolerance of its arcs, on the skin [mm].
    """
    flat = region.polygon
    inside = flat.buffer(-radius_mm, quad_segs=_quad_segs(radius_mm, tolerance_mm))
    reached = inside.buffer(radius_mm)
    missed = flat.difference(reached)
    rings = [
        ring.simplify(tolerance_mm / 2).segmentize(spacing_mm)
        for part in _polygons(inside)
        for ring in (part.exterior, *part.interiors)
    ]
    lines = _narrow_lines(flat, inside, missed, radius_mm)
    centres = [line.simplify(tolerance_mm).segmentize(spacing_mm) for line, _ in lines]
    return Offset(
        tuple(region.to_sheet(shapely.get_coordinates(ring)[:-1]) for ring in rings),
        tuple(region.to_sheet(shapely.get_coordinates(line)) for line in centres),
        max((radius_mm - clearance for _, clearance in lines), default=0.0),
        missed.area,
    )


def _quad_segs(radius_mm: float, tolerance_mm: float) -> int:
    return max(8, 2 * int(np.ceil((np.pi / 4) / np.arccos(1 - min(tolerance_mm / radius_mm, 0.5)))))


def _polygons(shape: shapely.Geometry) -> list[Polygon]:
    return [part for part in shapely.get_parts(shape) if isinstance(part, Polygon) and not part.is_empty]


# --- the centre line -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Edge:
    """Samples of a region's boundary, each with the one before and the one after it on its ring."""

    points: Floats  # (m, 2)
    before: Ints  # (m,)
    after: Ints  # (m,)

    @classmethod
    def of(cls, polygon: Polygon, spacing_mm: float) -> _Edge:
        points, before, after, count = [], [], [], 0
        for ring in (polygon.exterior, *polygon.interiors):
            samples = shapely.get_coordinates(ring.segmentize(spacing_mm))[:-1]
            index = count + np.arange(len(samples))
            points.append(samples)
            before.append(np.roll(index, 1))
            after.append(np.roll(index, -1))
            count += len(samples)
        return cls(np.concatenate(points), np.concatenate(before), np.concatenate(after))


def _narrow_lines(
    flat: Polygon, inside: BaseGeometry, missed: BaseGeometry, radius_mm: float
) -> list[tuple[LineString, float]]:
    """Return centre lines where the cutter does not enter, each with its least clearance [mm]."""
    if all(part.area < radius_mm * _SHORT_MM for part in _polygons(missed)):
        return []
    lines = []
    least = radius_mm * _TIGHTEST if inside.is_empty else radius_mm - _NECK_OVERCUT_MM
    for line, clearance in medial_axis(flat, prune=True):
        tight = (clearance < radius_mm * 0.999) & (clearance >= least)
        for first, last in _runs(tight):
            if last - first < 1:
                continue
            part = LineString(line[first : last + 1])
            if part.length >= radius_mm or _joins_parts(line[[first, last]], inside, 0.6 * radius_mm):
                lines.append((part, float(clearance[first : last + 1].min())))
            else:  # wide enough but for a hair
                lines += _hardly_narrow(line[first : last + 1], clearance[first : last + 1], radius_mm)
    return lines


def _hardly_narrow(line: Floats, clearance: Floats, radius_mm: float) -> list[tuple[LineString, float]]:
    """Return the parts of a line along which the cutter is only a hair too wide."""
    found = []
    for first, last in _runs(clearance >= radius_mm - _SAME_MM):
        if last > first:
            part = LineString(line[first : last + 1])
            if part.length >= _SHORT_MM:
                found.append((part, float(clearance[first : last + 1].min())))
    return found


def _joins_parts(ends: Floats, inside: shapely.Geometry, near_mm: float) -> bool:
    """Tell whether a line leads from one reached part of a region to another one."""
    parts = shapely.get_parts(inside)
    if len(parts) < 2:
        return False
    away = np.array([[part.distance(shapely.Point(end)) for part in parts] for end in ends])
    return bool((away.min(axis=1) < near_mm).all() and away[0].argmin() != away[1].argmin())


def _runs(flags: np.typing.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return first and last index of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def medial_axis(polygon: Polygon, *, prune: bool, sample_mm: float = 0.25) -> list[tuple[Floats, Floats]]:
    """Return the centre line of a polygon as branches with their clearance.

    The Voronoi diagram of samples on the boundary, less what leaves the polygon and what belongs to
    neighbouring samples. A branch that only leads into a corner (not longer than 1.6 times the clearance at
    its foot) is left out when `prune` is asked for; a cutter reaches nearly all of it from the foot.

    Parameters
    ----------
    polygon : Polygon
        In a plane that is true to scale [mm].
    prune : bool
        Leave out spurs into corners.
    sample_mm : float
        Spacing of the samples [mm].

    Returns
    -------
    list of tuple of ndarray (n, 2), (n,)
        Points of a branch and the clearance there [mm].
    """
    from scipy.spatial import Voronoi

    edge = _Edge.of(polygon, min(sample_mm, np.sqrt(polygon.area) / 20))
    diagram = Voronoi(edge.points)
    pairs, ridges = diagram.ridge_points, np.asarray(diagram.ridge_vertices)
    apart = (edge.after[pairs[:, 0]] != pairs[:, 1]) & (edge.before[pairs[:, 0]] != pairs[:, 1])
    finite = (ridges >= 0).all(axis=1)
    within = np.zeros(len(diagram.vertices) + 1, bool)
    shapely.prepare(polygon)
    within[:-1] = shapely.contains_xy(polygon, diagram.vertices)
    kept = apart & finite & within[ridges].all(axis=1)
    clearance = np.asarray(shapely.distance(shapely.points(diagram.vertices), polygon.boundary), float)
    branches = _branches(ridges[kept], diagram.vertices, clearance)
    if prune:
        branches = _pruned(branches, diagram.vertices, clearance)
    return [(diagram.vertices[b], clearance[b]) for b in branches]


def _branches(ridges: Ints, vertices: Floats, clearance: Floats) -> list[list[int]]:
    """Return chains of vertices between ends and junctions of the graph."""
    ways: dict[int, list[int]] = {}
    for a, b in ridges:
        ways.setdefault(int(a), []).append(int(b))
        ways.setdefault(int(b), []).append(int(a))
    nodes = [v for v, near in ways.items() if len(near) != 2]
    seen: set[tuple[int, int]] = set()
    chains = []
    for start in nodes or list(ways)[:1]:
        for step in ways[start]:
            if (start, step) in seen:
                continue
            chain = [start, step]
            while len(ways[chain[-1]]) == 2 and chain[-1] != start:
                one, other = ways[chain[-1]]
                chain.append(other if one == chain[-2] else one)
            seen.update([(chain[0], chain[1]), (chain[-1], chain[-2])])
            chains.append(chain)
    return chains


def _pruned(branches: list[list[int]], vertices: Floats, clearance: Floats) -> list[list[int]]:
    """Leave out branches with a free end that only lead into a corner, and join what is left."""

    def length(chain: list[int]) -> float:
        return float(np.linalg.norm(np.diff(vertices[chain], axis=0), axis=1).sum())

    degree: dict[int, int] = {}
    for chain in branches:
        for end in (chain[0], chain[-1]):
            degree[end] = degree.get(end, 0) + 1
    kept = []
    for chain in branches:
        free = [end for end in (chain[0], chain[-1]) if degree[end] == 1]
        foot = chain[0] if chain[-1] in free else chain[-1]
        if len(free) == 1 and length(chain) <= 1.6 * clearance[foot]:
            continue
        kept.append(chain)
    if len(kept) == len(branches):
        return kept
    edges = [(a, b) for chain in kept for a, b in pairwise(chain)]
    return _branches(np.array(edges, np.int64).reshape(-1, 2), vertices, clearance)


def centre_line(polygon: Polygon) -> MultiLineString:
    """Return the pruned centre line of a polygon, for pictures and tests [mm]."""
    return MultiLineString([points for points, _ in medial_axis(polygon, prune=True) if len(points) > 1])
