"""Along which line does the cutter run so that its edge follows the outline? True to the skin.

The sheet is not true to scale away from the middle of the design, and a cutter that leans cuts wider along
its lean. Both are in one tensor M at each point of the sheet: a small step v (sheet mm) has the length
sqrt(v M v) across the cutter's axis d,

    M = J^T (I - d d^T) J,      J = derivative of the skin point by the sheet.

A region is offset in a plane that is true at its middle (round joins, as a round cutter leaves them), and
every vertex is then moved to the wanted distance in its own M. Where the cutter does not enter, the pass runs
along the centre line (medial axis) of the region.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from shapely import LineString, MultiLineString, Polygon
from shapely.geometry.base import BaseGeometry

from engine.records import Floats, Ints

_GRID_MM = 4.0  # spacing of the tensor's grid; ribs are ten times longer
_SAMPLE_MM = 0.5  # spacing of samples on a boundary, in which the nearest place is looked for
_ROUNDS = 6
_CORNER_GAP = 0.05  # share of the radius by which a second edge may be farther than the nearest
_OTHER_WAY = 0.85  # cosine of the angle from which a second edge lies in another direction
_TIGHTEST = 0.75  # share of the radius below which no pass is run: it would cut far too wide
_NECK_OVERCUT_MM = (
    0.25  # where most of a region is reached from inside, a neck is cut only this much too wide
)


@dataclass(frozen=True, slots=True, eq=False)
class SkinMetric:
    """The tensor M on a grid over the sheet: cubic spline coefficients of its three parts (E, F, G)."""

    left_mm: float
    bottom_mm: float
    spacing_mm: float
    parts: Floats  # (3, rows, columns)


@dataclass(frozen=True, slots=True, eq=False)
class Offset:
    """Lines for the cutter's axis on the sheet, for one region."""

    contours: tuple[Floats, ...]  # each (n, 2), closed, first vertex not repeated
    centre_lines: tuple[Floats, ...]  # each (n, 2), open
    overcut_mm: float  # how far the centre lines cut beyond the region, 0 without any
    lost_mm2: float  # skin inside the region that the cutter's round leaves


def skin_metric(
    skin_and_axis: Callable[[Floats], tuple[Floats, Floats]], bounds: tuple[float, float, float, float]
) -> SkinMetric:
    """Return the tensor over the rectangle `bounds` of the sheet.

    Parameters
    ----------
    skin_and_axis : callable
        Gives for sheet points (n, 2) [mm] the skin points (n, 3) [mm] and cutter directions (n, 3) [-].
    bounds : tuple of float
        Left, bottom, right, top on the sheet [mm].
    """
    h = _GRID_MM
    left, bottom = bounds[0] - 3 * h, bounds[1] - 3 * h
    columns = int(np.ceil((bounds[2] + 3 * h - left) / h)) + 1
    rows = int(np.ceil((bounds[3] + 3 * h - bottom) / h)) + 1
    x, y = np.meshgrid(left + h * np.arange(columns), bottom + h * np.arange(rows))
    middle = np.stack([x, y], axis=-1).reshape(-1, 2)
    step = 0.25
    around = np.concatenate([middle + s for s in ([step, 0], [-step, 0], [0, step], [0, -step])])
    skin, _ = skin_and_axis(around)
    east, west, north, south = np.split(skin, 4)
    along_x, along_y = (east - west) / (2 * step), (north - south) / (2 * step)
    _, axis = skin_and_axis(middle)
    along_x = along_x - np.sum(along_x * axis, axis=1, keepdims=True) * axis
    along_y = along_y - np.sum(along_y * axis, axis=1, keepdims=True) * axis
    parts = np.stack(
        [np.sum(a * b, axis=1) for a, b in ((along_x, along_x), (along_x, along_y), (along_y, along_y))]
    )
    return metric_of(left, bottom, h, parts.reshape(3, rows, columns))


def metric_of(left_mm: float, bottom_mm: float, spacing_mm: float, parts: Floats) -> SkinMetric:
    """Return the tensor whose parts (3, rows, columns) [-] are known on a grid over the sheet [mm]."""
    from scipy.ndimage import spline_filter

    coefficients = np.stack([spline_filter(part, order=3, mode="mirror") for part in parts])
    return SkinMetric(left_mm, bottom_mm, spacing_mm, coefficients)


def metric_at(metric: SkinMetric, points: Floats) -> Floats:
    """Return the tensor's parts (n, 3) = (E, F, G) at sheet points (n, 2) [mm2/mm2]."""
    from scipy.ndimage import map_coordinates

    at = np.stack([points[:, 1] - metric.bottom_mm, points[:, 0] - metric.left_mm]) / metric.spacing_mm
    return np.stack(
        [map_coordinates(part, at, order=3, mode="mirror", prefilter=False) for part in metric.parts], axis=1
    )


def mean_scale(metric: SkinMetric) -> float:
    """Return how many skin millimetres one sheet millimetre is, as a mean over places and directions [-]."""
    rows, columns = metric.parts.shape[1:]
    y, x = np.mgrid[0:rows, 0:columns].reshape(2, -1) * metric.spacing_mm
    e, f, g = metric_at(metric, np.stack([x + metric.left_mm, y + metric.bottom_mm], axis=1)).T
    return float(np.mean(np.maximum(e * g - f * f, 0.0) ** 0.25))


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
    true, back = _true_plane(polygon, metric)
    flat = shapely.transform(polygon, lambda p: p @ true.T)
    inside = flat.buffer(-radius_mm, quad_segs=_quad_segs(radius_mm, tolerance_mm))
    rings = [ring for part in _polygons(inside) for ring in (part.exterior, *part.interiors)]
    edge = _Edge.of(polygon, back * _SAMPLE_MM)
    contours = []
    for ring in rings:
        line = ring.simplify(tolerance_mm / 2).segmentize(spacing_mm)
        settled = _settle(shapely.get_coordinates(line)[:-1] @ np.linalg.inv(true).T, edge, metric, radius_mm)
        contours.append(settled)
    lines = _narrow_lines(flat, inside, radius_mm)
    overcut = max((radius_mm - clearance for _, clearance in lines), default=0.0)
    reached = inside.buffer(radius_mm)
    lost = flat.difference(reached).area
    from_true = np.linalg.inv(true).T
    centres = tuple(
        shapely.get_coordinates(line.simplify(tolerance_mm).segmentize(spacing_mm)) @ from_true
        for line, _ in lines
    )
    return Offset(tuple(contours), centres, overcut, lost)


def _true_plane(polygon: Polygon, metric: SkinMetric) -> tuple[Floats, float]:
    """Return the symmetric root of M at the region's middle (sheet -> true mm), and sheet mm per true mm."""
    middle = np.array(polygon.representative_point().coords if polygon.area == 0 else polygon.centroid.coords)
    e, f, g = metric_at(metric, middle)[0]
    root = np.sqrt(e * g - f * f)
    true = np.array([[e + root, f], [f, g + root]]) / np.sqrt(e + g + 2 * root)
    return true, float(1 / np.sqrt(root))


def _quad_segs(radius_mm: float, tolerance_mm: float) -> int:
    return max(8, 2 * int(np.ceil((np.pi / 4) / np.arccos(1 - min(tolerance_mm / radius_mm, 0.5)))))


def _polygons(shape: shapely.Geometry) -> list[Polygon]:
    return [part for part in shapely.get_parts(shape) if isinstance(part, Polygon) and not part.is_empty]


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


def _settle(line: Floats, edge: _Edge, metric: SkinMetric, radius_mm: float) -> Floats:
    """Move each vertex of a line (n, 2) to the wanted distance from the edge, in the tensor half way.

    A vertex that is as far from a second edge as from the nearest, as in the corner of a region, is moved to
    the wanted distance from both.
    """
    points = line
    corner: np.typing.NDArray[np.bool_] | None = None
    for _ in range(_ROUNDS):
        here = metric_at(metric, points)
        foot, aside = _two_nearest(points, edge, here)
        if corner is None:
            gap = np.sqrt(_square(points - aside, here)) - np.sqrt(_square(points - foot, here))
            corner = gap < _CORNER_GAP * radius_mm
        halfway = metric_at(metric, (points + foot) / 2)
        length = np.sqrt(np.maximum(_square(points - foot, halfway), 1e-12))
        moved = foot + (points - foot) * (radius_mm / length)[:, None]
        if corner.any():
            moved[corner] = _to_both(points[corner], foot[corner], aside[corner], metric, radius_mm)
        points = moved
    return points


def _to_both(points: Floats, foot: Floats, aside: Floats, metric: SkinMetric, radius_mm: float) -> Floats:
    """Take one Newton step to the wanted distance from two places at once."""
    slopes, errors = [], []
    for place in (foot, aside):
        e, f, g = metric_at(metric, (points + place) / 2).T
        x, y = (points - place).T
        length = np.sqrt(np.maximum(e * x * x + 2 * f * x * y + g * y * y, 1e-12))
        slopes.append(np.stack([e * x + f * y, f * x + g * y], axis=1) / length[:, None])
        errors.append(radius_mm - length)
    step = np.linalg.solve(np.stack(slopes, axis=1), np.stack(errors, axis=1)[..., None])[..., 0]
    size = np.linalg.norm(step, axis=1, keepdims=True)
    moved: Floats = points + step * np.minimum(1.0, radius_mm / 2 / np.maximum(size, 1e-12))
    return moved


def _square(steps: Floats, tensor: Floats) -> Floats:
    """Return v M v for steps (..., 2) and tensors (..., 3)."""
    x, y = steps[..., 0], steps[..., 1]
    found: Floats = tensor[..., 0] * x * x + 2 * tensor[..., 1] * x * y + tensor[..., 2] * y * y
    return found


def _two_nearest(points: Floats, edge: _Edge, tensor: Floats) -> tuple[Floats, Floats]:
    """Return the nearest place (n, 2) on the edge, and the nearest one that lies in another direction.

    Distances are in the tensor (n, 3) of each point; where no other direction has an edge, the second place
    is far away.
    """
    away = edge.points[None, :, :] - points[:, None, :]
    square = _square(away, tensor[:, None, :])
    at = np.argmin(square, axis=1)
    rows = np.arange(len(points))
    toward = away[rows, at]
    along = np.einsum("nmk,nk->nm", away, toward)
    turned = along < _OTHER_WAY * np.linalg.norm(away, axis=2) * np.linalg.norm(toward, axis=1)[:, None]
    other = np.argmin(np.where(turned, square, np.inf), axis=1)
    aside = np.where(turned.any(axis=1)[:, None], _foot(points, edge, other, tensor), points + 1e6)
    return _foot(points, edge, at, tensor), aside


def _foot(points: Floats, edge: _Edge, at: Ints, tensor: Floats) -> Floats:
    """Return the nearest places on the two segments that meet in each chosen sample."""
    start = edge.points[at]
    feet = [_on_segment(points, start, edge.points[way[at]], tensor) for way in (edge.before, edge.after)]
    far = [_square(points - foot, tensor) for foot in feet]
    return np.where((far[0] < far[1])[:, None], feet[0], feet[1])


def _on_segment(points: Floats, start: Floats, end: Floats, tensor: Floats) -> Floats:
    along, to = end - start, points - start
    dot = (
        tensor[:, 0] * along[:, 0] * to[:, 0]
        + tensor[:, 1] * (along[:, 0] * to[:, 1] + along[:, 1] * to[:, 0])
        + tensor[:, 2] * along[:, 1] * to[:, 1]
    )
    share = np.clip(dot / np.maximum(_square(along, tensor), 1e-12), 0.0, 1.0)
    found: Floats = start + share[:, None] * along
    return found


# --- the centre line -----------------------------------------------------------------------------------


def _narrow_lines(flat: Polygon, inside: BaseGeometry, radius_mm: float) -> list[tuple[LineString, float]]:
    """Return centre lines where the cutter does not enter, each with its least clearance [mm]."""
    missed = flat.difference(inside.buffer(radius_mm * 1.01 + 0.02))
    if all(part.area < radius_mm**2 / 2 for part in _polygons(missed)):
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
    return lines


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
