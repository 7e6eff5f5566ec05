"""Where do lines and regions lie on the skin?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from engine.frames import near_longitude, unit_of
from engine.proof.grid import Grid, Rays
from engine.proof.moves import count_up
from engine.records import (
    Bools,
    Floats,
    Ints,
    Surface,
)
from engine.surface import radius_at

if TYPE_CHECKING:
    from shapely import Polygon


def near_middle(polygon: Polygon, middle: float) -> Polygon:
    """Return the polygon with its middle within half a turn of a longitude. The middle [rad]."""
    from shapely import affinity

    west, _, east, _ = polygon.bounds
    turns = round((middle - (west + east) / 2) / (2 * math.pi))
    moved: Polygon = affinity.translate(polygon, turns * 2 * math.pi)
    return moved


def filled_nodes(grid: Rays, polygon: Polygon) -> Bools:
    """Return which nodes lie inside a polygon, by counting crossings along each row."""
    rings = [polygon.exterior, *polygon.interiors]
    west, _, east, _ = polygon.bounds
    first = math.floor((west - grid.lon[0]) / grid.lon_step)
    width = math.ceil((east - grid.lon[0]) / grid.lon_step) - first + 2
    count = np.zeros((len(grid.lat), width + 1), np.int64)
    for ring in rings:
        lon, lat = np.asarray(ring.coords)[:, :2].T
        row = (lat - grid.lat[0]) / grid.lat_step
        low, high = np.minimum(row[:-1], row[1:]), np.maximum(row[:-1], row[1:])
        from_row, to_row = np.ceil(low).astype(np.int64), np.ceil(high).astype(np.int64)
        segment = np.repeat(np.arange(len(low)), to_row - from_row)
        at = from_row[segment] + count_up(to_row - from_row)
        share = (at - row[segment]) / (row[segment + 1] - row[segment])
        crossing = lon[segment] + share * (lon[segment + 1] - lon[segment])
        column = np.ceil((crossing - grid.lon[0]) / grid.lon_step).astype(np.int64) - first
        ok = (at >= 0) & (at < len(grid.lat))
        np.add.at(count, (at[ok], np.clip(column[ok], 0, width)), 1)
    inside = np.cumsum(count, axis=1)[:, :width] % 2 == 1
    found = np.zeros(grid.radius.shape, bool)
    columns = first + np.arange(width)
    if grid.full:
        for start in range(0, width, len(grid.lon)):  # a polygon may go round more than once
            part = slice(start, start + len(grid.lon))
            found[:, columns[part] % len(grid.lon)] |= inside[:, part]
    else:
        ok = (columns >= 0) & (columns < len(grid.lon))
        found[:, columns[ok]] = inside[:, ok]
    return found


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """Polylines on the skin as one cloud of vertices with their neighbours."""

    point: Floats  # (n, 3)
    lon: Floats  # (n,)
    lat: Floats  # (n,)
    before: Ints  # (n,) index of the neighbour; itself at an end
    after: Ints  # (n,)
    owner: Ints  # (n,) index of the region
    tree: Any = field(repr=False)

    def __len__(self) -> int:
        return len(self.point)

    def distance(self, points: Floats) -> tuple[Floats, Ints]:
        """Return distances (n,) to the nearest segment [mm] and the vertices nearest."""
        if len(self) == 0:
            return np.full(len(points), np.inf), np.zeros(len(points), np.int64)
        _, near = self.tree.query(points)
        near = np.asarray(near, np.int64)
        here = self.point[near]
        found = np.minimum(
            to_segment(points, here, self.point[self.before[near]]),
            to_segment(points, here, self.point[self.after[near]]),
        )
        return found, near


def to_segment(points: Floats, one: Floats, other: Floats) -> Floats:
    """Return the distance of each point to its own segment. All [mm]."""
    along = other - one
    size = np.maximum(np.sum(along**2, axis=1), 1e-18)
    share = np.clip(np.sum((points - one) * along, axis=1) / size, 0.0, 1.0)
    found: Floats = np.linalg.norm(points - one - share[:, None] * along, axis=1)
    return found


def line_on(surface: Surface, runs: Sequence[tuple[Floats, bool, int]]) -> Line:
    """Put runs of (longitude, latitude) on the skin; each says whether it is closed, and its owner.

    A closed run repeats its first vertex at the end.

    Runs [rad].
    """
    from scipy.spatial import cKDTree

    runs = [run for run in runs if len(run[0]) > 1]
    sizes = [len(run[0]) - run[1] for run in runs]
    flat = np.concatenate(
        [run[0][:size] for run, size in zip(runs, sizes, strict=True)] or [np.zeros((0, 2))]
    )
    before, after = np.arange(len(flat)) - 1, np.arange(len(flat)) + 1
    first = 0
    for (_, closed, _), size in zip(runs, sizes, strict=True):
        last = first + size - 1
        before[first], after[last] = (last, first) if closed else (first, last)
        first += size
    owner = np.repeat(np.array([run[2] for run in runs], np.int64), sizes)
    unit = unit_of(flat[:, 0], flat[:, 1])
    point = radius_at(surface, unit)[:, None] * unit if len(unit) else unit
    return Line(point, flat[:, 0], flat[:, 1], before, after, owner, cKDTree(point))


def rings_of(polygons: Sequence[Polygon], longest_rad: float) -> list[tuple[Floats, bool, int]]:
    """Return the rings of polygons as dense closed runs. The longest step [rad]."""
    from shapely import segmentize

    dense = [segmentize(polygon, longest_rad) for polygon in polygons]
    return [
        (np.asarray(ring.coords)[:, :2], True, owner)
        for owner, polygon in enumerate(dense)
        for ring in (polygon.exterior, *polygon.interiors)
    ]


def contours_of(grid: Rays, values: Floats, level: float = 0.0) -> list[tuple[Floats, bool, int]]:
    """Return the lines of a level as runs of longitude and latitude. Values and level [mm]."""
    from contourpy import contour_generator

    lon = grid.lon
    if grid.full:
        lon, values = np.append(lon, lon[0] + 2 * np.pi), np.concatenate([values, values[:, :1]], axis=1)
    lines: list[Floats] = contour_generator(x=lon, y=grid.lat, z=values).lines(level)  # type: ignore[assignment]
    return [(line, bool(len(line) > 2 and np.all(line[0] == line[-1])), -1) for line in lines]


def held_by(polygons: Sequence[Polygon], lon: Floats, lat: Floats) -> Ints:
    """Return the index of the first polygon that holds each place, -1 = none.

    Longitude and latitude [rad].
    """
    from shapely import contains_xy, prepare

    found = np.full(len(lon), -1, np.int64)
    for number, polygon in enumerate(polygons):
        prepare(polygon)
        west, south, east, north = polygon.bounds
        around = near_longitude(lon, (west + east) / 2)
        box = (around >= west) & (around <= east) & (lat >= south) & (lat <= north) & (found < 0)
        found[box] = np.where(contains_xy(polygon, around[box], lat[box]), number, -1)
    return found


def _labelled(grid: Grid, mask: Bools) -> tuple[Ints, int]:
    """Return connected parts of a mask, joined round the back when the grid is a full circle."""
    from scipy.ndimage import label

    labels, count = label(mask)
    parts = labels.astype(np.int64)
    if grid.full:
        for row in np.flatnonzero(mask[:, 0] & mask[:, -1]):
            one, other = parts[row, 0], parts[row, -1]
            if one != other:
                parts[parts == other] = one
    return parts, count


def loose_parts(grid: Grid, left: Bools, design: Bools) -> Bools:
    """Return the parts of what is left that lie inside the design altogether: slugs that fall out."""
    parts, count = _labelled(grid, left)
    held = np.zeros(count + 1, bool)
    held[np.unique(parts[left & ~design])] = True
    held[0] = True
    # what reaches the rim of the grid is held by the piece
    rim = [parts[0], parts[-1]] + ([] if grid.full else [parts[:, 0], parts[:, -1]])
    held[np.unique(np.concatenate(rim))] = True
    found: Bools = ~held[parts]
    return found


def only_vertices(line: Line, keep: Bools) -> Line:
    """Return some of the vertices of a line; a lost neighbour is replaced by the vertex itself."""
    from scipy.spatial import cKDTree

    number = np.where(keep, np.cumsum(keep) - 1, -1)
    here = np.flatnonzero(keep)
    before, after = number[line.before[here]], number[line.after[here]]
    own = np.arange(len(here))
    return Line(
        line.point[here],
        line.lon[here],
        line.lat[here],
        np.where(before < 0, own, before),
        np.where(after < 0, own, after),
        line.owner[here],
        cKDTree(line.point[here]),
    )
