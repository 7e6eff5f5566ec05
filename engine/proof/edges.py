"""Does the cut's outline agree with the design, and is anything cut outside?"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from engine.proof.design import Design, Regions
from engine.proof.errors import Errors
from engine.proof.grid import Grid, grown_mask
from engine.proof.outlines import Line, held_by, only_vertices
from engine.proof.reach import Reach
from engine.records import (
    Bools,
    Floats,
)

if TYPE_CHECKING:
    pass


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
    grid: Grid, design: Design, edge: Floats, line: Line, tolerance_mm: float
) -> tuple[float, float, tuple[float, float]]:
    """Return how far [mm] and how much [mm2] is cut outside every region, and where it is farthest [deg]."""
    allowed = design.allowed
    border = _border(grid, design)
    out = np.flatnonzero(_is_outside(grid, design, line.lon, line.lat))
    distance = border(line.point[out])
    rows, columns = np.nonzero((edge < 0) & ~allowed)
    beyond = border(grid.skin[rows, columns]) > tolerance_mm
    area = float(grid.area[rows[beyond], columns[beyond]].sum())
    if len(out) == 0:
        return 0.0, area, (0.0, 0.0)
    worst = int(np.argmax(distance))
    at = math.degrees(line.lon[out[worst]]), math.degrees(line.lat[out[worst]])
    return float(distance[worst]), area, at


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


def _border(grid: Grid, design: Design) -> Callable[[Floats], Floats]:
    """Return a function that gives the distance of skin points to the border of what may be cut."""
    from scipy.ndimage import binary_erosion
    from scipy.spatial import cKDTree

    relief = grown_mask(grid, design.relief_mask, *design.relief_step)
    rim = relief & ~binary_erosion(relief)
    tree = cKDTree(grid.skin[rim]) if rim.any() else None

    def distance(points: Floats) -> Floats:
        if len(points) == 0:
            return np.zeros(0)
        lines = (design.openings.line, design.shaves.line, design.keeps.line)
        found = np.min([line.distance(points)[0] for line in lines], axis=0)
        if tree is not None:
            found = np.minimum(found, np.asarray(tree.query(points)[0]))
        size = float(np.linalg.norm(np.ptp(points, axis=0)))  # without any region at all
        clear: Floats = np.where(np.isfinite(found), found, size)
        return clear

    return distance
