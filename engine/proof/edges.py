"""Does the cut's outline agree with the design, and is anything cut outside?"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from engine.frames import normalised
from engine.proof.design import Design, Regions
from engine.proof.errors import Errors
from engine.proof.grid import Grid, grown_mask
from engine.proof.outlines import Line, held_by, only_vertices
from engine.proof.reach import Reach
from engine.proof.stamp import Cut, beyond_cut
from engine.records import (
    Bools,
    Cutter,
    Floats,
)

_PARTS = 16  # of the way from the border to where the grid shows the cut's end


def outline_errors(
    grid: Grid, regions: Regions, reaches: Sequence[Reach], cut: Line, edge: Floats, kept: Bools
) -> Errors:
    """Compare the outline of the cut with the design, both ways.

    From the cut to the design: what lies outside counts in full, what lies inside counts as far as the cutter
    could have gone further. From the design to the cut: likewise, less the gap that the cutter's round
    leaves in a corner. `kept` (n,) says which vertices of the design can be seen at all.

    Distances [mm].
    """
    out, near = regions.line.distance(cut.point)
    holder = regions.holds(cut.lon, cut.lat)
    back, _ = cut.distance(regions.line.point)
    within = grid.look(edge, regions.line.lon, regions.line.lat) < 0
    for number, reach in enumerate(reaches):
        mine = holder == number
        out[mine] = reach.short(cut.point[mine], out[mine])
        mine = (regions.line.owner == number) & ~within
        back[mine] = np.maximum(back[mine] - reach.gap(regions.line.point[mine]), 0.0)
    owner = np.where(holder >= 0, holder, regions.line.owner[near])
    if len(cut) == 0:  # nothing is cut: as wrong as the design is large
        size = float(np.linalg.norm(np.ptp(regions.line.point, axis=0)))
        back = np.full(len(regions.line), size)
    return Errors(
        np.concatenate([out, back[kept]]),
        np.concatenate([cut.lon, regions.line.lon[kept]]),
        np.concatenate([cut.lat, regions.line.lat[kept]]),
        np.concatenate([owner, regions.line.owner[kept]]),
    )


def apart_from_others(regions: Regions, step: float) -> Bools:
    """Return which vertices of the outlines do not lie in or at another region, where they cannot be seen.

    `step` [mm].
    """
    from shapely import STRtree

    found = np.ones(len(regions.line), bool)
    pairs = STRtree(regions.polygons).query(regions.polygons, predicate="intersects")
    for one, other in pairs.T[pairs[0] != pairs[1]]:
        mine = np.flatnonzero(regions.line.owner == one)
        points, lon, lat = regions.line.point[mine], regions.line.lon[mine], regions.line.lat[mine]
        near, _ = only_vertices(regions.line, regions.line.owner == other).distance(points)
        inside = held_by([regions.polygons[other]], lon, lat) >= 0
        found[mine] &= (near > step) & ~inside
    return found


def uncut_regions(grid: Grid, regions: Regions, edge: Floats) -> list[int]:
    """Return the regions in which nothing at all is cut. `edge` [mm]."""
    from scipy.ndimage import minimum

    found = []
    numbers = np.arange(len(regions.polygons))
    least = np.atleast_1d(minimum(edge, regions.inside, numbers)) if len(numbers) else numbers
    held = np.bincount(regions.inside[regions.inside >= 0], minlength=len(numbers)) > 0
    for number, polygon in enumerate(regions.polygons):
        point = polygon.representative_point()
        middle = grid.look(edge, np.array([point.x]), np.array([point.y]))
        rim = grid.look(
            edge, *(values[regions.line.owner == number] for values in (regions.line.lon, regions.line.lat))
        )
        if not ((held[number] and least[number] < 0) or (middle < 0).any() or (rim < 0).any()):
            found.append(number)
    return found


def shave_outline(
    grid: Grid, design: Design, reaches: Sequence[Reach], every: Line, edge: Floats, step: float
) -> Errors:
    """Compare the outlines of shaves, where no opening or relief takes the skin beside them.

    `edge` and `step` [mm].
    """
    shaves, openings = design.shaves, design.openings
    relief = grid.nearest(design.relief_mask, shaves.line.lon, shaves.line.lat)
    to_opening, _ = openings.line.distance(shaves.line.point)
    kept = ~relief & (to_opening > step) & (openings.holds(shaves.line.lon, shaves.line.lat) < 0)
    own = shaves.holds(every.lon, every.lat) >= 0
    nearest_shave, _ = shaves.line.distance(every.point)
    nearest_opening, _ = openings.line.distance(every.point)
    own |= nearest_shave < nearest_opening
    own &= (openings.holds(every.lon, every.lat) < 0) & (nearest_opening > step)
    own &= ~grid.nearest(design.relief_mask, every.lon, every.lat)
    return outline_errors(grid, shaves, reaches, only_vertices(every, own), edge, kept)


def cut_outside(
    grid: Grid, design: Design, cut: Cut, cutters: Sequence[Cutter], line: Line, tolerance_mm: float
) -> tuple[float, float, tuple[float, float]]:
    """Return how far [mm] and how much [mm2] is cut outside every region, and where it is farthest [deg].

    The line on the grid may lie a step too far out. Where that matters, the cut's true end is looked for
    between it and the border.
    """
    allowed = design.allowed
    border = _border(grid, design)
    out = np.flatnonzero(_is_outside(grid, design, line.lon, line.lat))
    distance, nearest = border(line.point[out])
    step = grid.lat_step * float(grid.radius.mean())
    far = np.flatnonzero((distance > tolerance_mm) & (distance < tolerance_mm + 2 * step))
    distance[far] *= _true_share(cut, cutters, nearest[far], line.point[out[far]])
    rows, columns = np.nonzero((cut.edge < 0) & ~allowed)
    beyond = border(grid.skin[rows, columns])[0] > tolerance_mm
    area = float(grid.area[rows[beyond], columns[beyond]].sum())
    if len(out) == 0:
        return 0.0, area, (0.0, 0.0)
    worst = int(np.argmax(distance))
    at = math.degrees(line.lon[out[worst]]), math.degrees(line.lat[out[worst]])
    return float(distance[worst]), area, at


def _true_share(cut: Cut, cutters: Sequence[Cutter], inner: Floats, outer: Floats) -> Floats:
    """Return how far on the way from places `inner` to `outer` (n, 3) the skin is cut at all [-]."""
    share = np.linspace(0.0, 1.0, _PARTS + 1)
    size = [np.linalg.norm(one, axis=1)[:, None] for one in (inner, outer)]
    ways = inner[:, None, :] + share[:, None] * (outer - inner)[:, None, :]
    on_skin = normalised(ways) * (size[0] + share * (size[1] - size[0]))[..., None]
    beyond = beyond_cut(cut, cutters, list(on_skin), outer)
    # the last place on each way that is cut, and one part more: it may be cut as far as the next
    last = np.array([np.flatnonzero(one < 0).max(initial=-1) for one in beyond], float)
    found: Floats = np.minimum((last + 1) / _PARTS, 1.0)
    return found


def _is_outside(grid: Grid, design: Design, lon: Floats, lat: Floats) -> Bools:
    """Return which places lie in no region that may be cut."""
    from dataclasses import replace

    bare = replace(design, openings=_emptied(design.openings), shaves=_emptied(design.shaves))
    held = (design.openings.holds(lon, lat) >= 0) | (design.shaves.holds(lon, lat) >= 0)
    held |= grid.nearest(bare.allowed, lon, lat)
    found: Bools = ~held | (design.keeps.holds(lon, lat) >= 0)
    return found


def _emptied(regions: Regions) -> Regions:
    from dataclasses import replace

    return replace(regions, inside=np.full(regions.inside.shape, -1, np.int64))


def _border(grid: Grid, design: Design) -> Callable[[Floats], tuple[Floats, Floats]]:
    """Return a function that gives distance and place of the border of what may be cut, nearest to points."""
    from scipy.ndimage import binary_erosion
    from scipy.spatial import cKDTree

    relief = grown_mask(grid, design.relief_mask, *design.relief_step)
    rim = relief & ~binary_erosion(relief)
    nodes = grid.skin[rim]
    tree = cKDTree(nodes) if len(nodes) else None

    def nearest(points: Floats) -> tuple[Floats, Floats]:
        found, place = np.full(len(points), np.inf), points.copy()
        for line in (design.openings.line, design.shaves.line, design.keeps.line):
            distance, vertex = line.distance(points)
            nearer = distance < found
            found[nearer], place[nearer] = distance[nearer], line.point[vertex[nearer]]
        if tree is not None and len(points):
            gap, node = tree.query(points)
            nearer = np.asarray(gap) < found
            found[nearer], place[nearer] = np.asarray(gap)[nearer], nodes[np.asarray(node)[nearer]]
        size = float(np.linalg.norm(np.ptp(points, axis=0))) if len(points) else 0.0
        return np.where(np.isfinite(found), found, size), place  # without any region at all

    return nearest
