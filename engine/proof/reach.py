"""What can a round cutter reach, standing as the program held it?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from engine.frames import lonlat_of, normalised, unit_of
from engine.proof.design import Regions
from engine.proof.grid import Grid, Rays
from engine.proof.moves import Samples
from engine.proof.outlines import contours_of, filled_nodes
from engine.proof.stamp import Cut
from engine.records import (
    Bools,
    Cutter,
    Floats,
    Ints,
)

if TYPE_CHECKING:
    from shapely import Polygon

_MOST_STANCES = 200  # places a region at which the cutter's direction is kept
_NEAR_TARGETS = 12
_UPRIGHT = math.radians(4.0)  # a lean below it changes widths by less than 0.25 %
_LEANS_MUCH = math.radians(22.0)  # below it the nearest target across is the nearest one, to 0.3 %
_MOST_LEAN = math.radians(50.0)
_MOST_STRETCH = 2.0
_BAND_MM = 0.5  # about the cutter's radius: there distances are taken exactly


@dataclass(frozen=True, slots=True, eq=False)
class _Stance:
    """How the cutter stands near places of the skin, as the program held it; upright where it never was."""

    tree: Any  # of places on the skin; None when no cutter came here
    direction: Floats  # (n, 3)
    lean_rad: float  # the most from the skin's normal

    def across(self, tree: Any, targets: Floats, points: Floats) -> Floats:
        """Return for each point the distance to the nearest of `targets`, square to the cutter [mm]."""
        if self._stands_upright(targets):
            return np.asarray(tree.query(points)[0], float)
        found: Floats = self._ways(tree, targets, points)[0].min(axis=1)
        return found

    def beyond(self, tree: Any, targets: Floats, points: Floats, radius: float) -> Floats:
        """Return how far points lie outside a round about the targets, inside it below 0 [mm] on the skin.

        A way that leads along the lean is longer on the skin than square to the cutter.
        """
        if self._stands_upright(targets):
            return np.asarray(tree.query(points)[0], float) - radius
        across, straight = self._ways(tree, targets, points)
        stretch = straight / np.maximum(across, 1e-9)
        found: Floats = ((across - radius) * np.clip(stretch, 1.0, _MOST_STRETCH)).min(axis=1)
        return found

    def _stands_upright(self, targets: Floats) -> bool:
        return self.lean_rad < _UPRIGHT or len(targets) < _NEAR_TARGETS

    def _ways(self, tree: Any, targets: Floats, points: Floats) -> tuple[Floats, Floats]:
        """Return the lengths (n, k) of ways to near targets, square to the cutter and straight [mm].

        Seen along a leaning cutter lengths along its lean are shorter; the nearest target may then be another
        one, so several are tried where it leans much: the nearest ones, and those nearest in its own view.
        """
        from scipy.spatial import cKDTree

        many = _NEAR_TARGETS if self.lean_rad > _LEANS_MUCH else 1
        near = tree.query(points, k=many)[1].reshape(len(points), many)
        if many > 1:
            mean = normalised(self.direction.mean(axis=0))
            seen = [one - (one @ mean)[:, None] * mean for one in (targets, points)]
            near = np.concatenate([near, cKDTree(seen[0]).query(seen[1], k=many)[1]], axis=1)
        _, own = self.tree.query(points)
        off = targets[near] - points[:, None, :]
        along = np.einsum("nkc,nc->nk", off, self.direction[own])
        square = np.sum(off * off, axis=2)
        return np.sqrt(np.maximum(square - along * along, 0.0)), np.sqrt(square)


@dataclass(frozen=True, slots=True, eq=False)
class Reach:
    """Where the middle of a round cutter may stand inside a region, and what it leaves in corners."""

    radius: float
    stance: _Stance
    middles: Floats  # (n, 3) on the skin; none when the cutter does not enter at all
    tree: Any
    lost_mm2: float

    def gap(self, points: Floats) -> Floats:
        """Return how far points lie outside all that the cutter can reach [mm]; 0 when it does not enter."""
        if self.tree is None:
            return np.zeros(len(points))
        return np.maximum(self.stance.beyond(self.tree, self.middles, points, self.radius), 0.0)

    def short(self, points: Floats, to_outline: Floats) -> Floats:
        """Return by how much points inside the region fall short of what the cutter could reach [mm]."""
        if self.tree is None:
            return to_outline
        by_round = -self.stance.beyond(self.tree, self.middles, points, self.radius)
        return np.where(to_outline >= self.radius, to_outline, np.clip(by_round, 0.0, to_outline))


def _stance(samples: Samples, exits: Floats, lean_rad: Floats, mine: Ints) -> _Stance:
    """Return how the cutter stood at some of the samples, thinned out: it turns slowly."""
    from scipy.spatial import cKDTree

    if len(mine) == 0:
        return _Stance(None, np.zeros((0, 3)), 0.0)
    mine = mine[:: max(1, len(mine) // _MOST_STANCES)]
    return _Stance(cKDTree(exits[mine]), samples.direction[mine], float(lean_rad[mine].max()))


def _reach(grid: Grid, polygon: Polygon, rim: Floats, radius: float, stance: _Stance) -> Reach:
    """Find where a cutter may stand in a region, at true scale on the skin, at half the grid's step.

    `rim` (n, 3) are points of the region's outline on the skin, so close that the nearest one will do.
    """
    from scipy.ndimage import distance_transform_edt
    from scipy.spatial import cKDTree

    fine = _window(grid, polygon, 2)
    inside = filled_nodes(fine, polygon)
    rows, columns = np.nonzero(inside)
    fine.radius[rows, columns] = grid.look(grid.radius, fine.lon[columns], fine.lat[rows])

    def skin(some: Bools) -> Floats:
        rows, columns = np.nonzero(some)
        return fine.radius[some][:, None] * unit_of(fine.lon[columns], fine.lat[rows])

    size = fine.radius[inside] if len(rows) else grid.radius[:1, 0]
    row_mm = fine.lat_step * float(size.mean())
    column_mm = fine.lon_step * float((size * np.cos(fine.lat[rows] if len(rows) else 0.0)).mean())
    roughly = distance_transform_edt(inside, sampling=(row_mm, column_mm))
    widest = radius / math.cos(min(stance.lean_rad, _MOST_LEAN))
    close = inside & (roughly > radius - _BAND_MM) & (roughly < widest + _BAND_MM)
    to_outline = np.where(roughly < radius, np.minimum(roughly, radius - _BAND_MM / 2), widest + _BAND_MM)
    to_outline[~inside] = 0.0
    to_outline[close] = stance.across(cKDTree(rim), rim, skin(close))
    runs = [run[0] for run in contours_of(fine, to_outline, radius)]
    if runs:
        flat = np.concatenate(runs)
        unit = unit_of(flat[:, 0], flat[:, 1])
        # the line is cut short at its own corners; the nodes just inside are not
        corner = skin((to_outline >= radius) & (to_outline < radius + row_mm))
        middles = np.concatenate([grid.look(grid.radius, flat[:, 0], flat[:, 1])[:, None] * unit, corner])
    else:  # a region just as wide as the cutter has no area of middles, but a line of them
        middles = skin(close & (to_outline > radius - 0.15))
    if len(middles) == 0:
        return Reach(radius, stance, middles, None, 0.0)
    tree = cKDTree(middles)
    centre = distance_transform_edt(~(inside & (to_outline >= radius)), sampling=(row_mm, column_mm))
    rest = inside & (centre > radius - _BAND_MM)
    beyond = stance.across(tree, middles, skin(rest)) - radius
    share = np.where(beyond < 0.25 * row_mm, 0.0, np.clip(beyond / row_mm + 0.5, 0.0, 1.0))
    return Reach(radius, stance, middles, tree, float(share @ _area(grid, fine, rest)))


def _window(grid: Grid, polygon: Polygon, times: int) -> Rays:
    """Return finer rays around one polygon, their radii still nought."""
    west, south, east, north = polygon.bounds
    lon_step, lat_step = grid.lon_step / times, grid.lat_step / times
    lon = west + np.float64(lon_step) * np.arange(-2.5, math.ceil((east - west) / lon_step) + 4)
    lat = south + np.float64(lat_step) * np.arange(-2.5, math.ceil((north - south) / lat_step) + 4)
    return Rays(lon, lat, False, np.zeros((len(lat), len(lon))))


def _area(grid: Grid, fine: Rays, some: Bools) -> Floats:
    """Return the skin's area about some of the finer nodes [mm2]."""
    rows, columns = np.nonzero(some)
    lon, lat = fine.lon[columns], fine.lat[rows]
    found: Floats = fine.radius[some] ** 2 * np.cos(lat) * fine.lon_step * fine.lat_step
    return found / grid.look(grid.upright, lon, lat)


def reaches_of(
    grid: Grid, cut: Cut, regions: Regions, cutters: Sequence[Cutter], chosen: Bools
) -> list[Reach]:
    """Return what the smallest cutter that works in each region can reach, standing as it stood there."""
    if not regions.names:
        return []
    lon, lat = lonlat_of(cut.exit)
    region = np.where(chosen, grid.nearest(regions.inside, lon, lat), -1)
    cosine = np.sum(cut.samples.direction * grid.nearest(grid.normals(), lon, lat), axis=1)
    lean_rad = np.arccos(np.clip(cosine, -1.0, 1.0))
    exits = cut.exit * grid.look(grid.radius, lon, lat)[:, None]
    found = []
    for number, polygon in enumerate(regions.polygons):
        mine = np.flatnonzero(region == number)
        used = np.unique(cut.cutter[mine])
        radius = min(cutters[i].radius_mm for i in (used if len(used) else range(len(cutters))))
        rim = regions.line.point[regions.line.owner == number]
        stance = _stance(cut.samples, exits, lean_rad, mine)
        found.append(_reach(grid, polygon, rim, radius, stance))
    return found
