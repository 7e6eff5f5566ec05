"""What is wanted, on the grid of rays?"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from engine.frames import lonlat_of, near_longitude, unit_of
from engine.proof.grid import Grid, grown_mask, nodes_across
from engine.proof.outlines import Line, filled_nodes, held_by, line_on, near_middle, rings_of
from engine.records import (
    Bools,
    Floats,
    Ints,
    Rules,
    Surface,
    Treatment,
    Wall,
    WantedCut,
)
from engine.wall import wall_at

if TYPE_CHECKING:
    from shapely import Polygon

_TAB_REACH_MM = 7.0  # from a tab's line to its farthest edge: half of the widest cutter and a little


@dataclass(frozen=True, slots=True, eq=False)
class Regions:
    """Regions of one treatment, with their outlines on the skin."""

    names: tuple[str, ...]
    polygons: tuple[Polygon, ...]
    inside: Ints  # (h, w) index of the region, -1 outside all
    line: Line

    def holds(self, lon: Floats, lat: Floats) -> Ints:
        """Return the index of the region that holds each place, -1 = none. Longitude and latitude [rad]."""
        return held_by(self.polygons, lon, lat)


def _regions(surface: Surface, grid: Grid, wanted: WantedCut, treatment: Treatment) -> Regions:
    chosen = [i for i, kind in enumerate(wanted.treatments) if kind == treatment]
    polygons = tuple(near_middle(wanted.outlines[i], grid.middle) for i in chosen)
    inside = np.full(grid.radius.shape, -1, np.int64)
    for number, polygon in enumerate(polygons):
        inside[filled_nodes(grid, polygon)] = number
    line = line_on(surface, rings_of(polygons, grid.lat_step * 0.75))
    return Regions(tuple(wanted.names[i] for i in chosen), polygons, inside, line)


@dataclass(frozen=True, slots=True, eq=False)
class Design:
    """Everything wanted, on the grid."""

    grid: Grid
    openings: Regions
    shaves: Regions
    keeps: Regions
    relief: Floats  # (h, w) wanted depth along the ray [mm], 0 where none is wanted
    relief_mask: Bools  # (h, w)
    relief_step: tuple[int, int]  # rows and columns of the grid in one step of the wanted depth's own
    wall: Floats  # (h, w) along the ray
    asked: Floats  # (h, w) depth along the ray [mm], openings to the inner wall
    tabs: Floats  # (n, 4) where wall is left standing to be cut by hand, as in `CutPass`
    at_tabs: Bools  # (h, w) where it is

    @property
    def allowed(self) -> Bools:
        """Where anything may be cut; the relief's rim is known to one step of its own grid only."""
        relief = grown_mask(self.grid, self.relief_mask, *self.relief_step)
        cut = (self.openings.inside >= 0) | (self.shaves.inside >= 0) | relief
        found: Bools = cut & (self.keeps.inside < 0)
        return found


def design_on(surface: Surface, wall: Wall, grid: Grid, wanted: WantedCut, rules: Rules) -> Design:
    """Return everything that is wanted, on the grid."""
    openings = _regions(surface, grid, wanted, Treatment.OPENING)
    shaves = _regions(surface, grid, wanted, Treatment.SHAVE)
    keeps = _regions(surface, grid, wanted, Treatment.KEEP)
    relief, mask, step = _relief_on(grid, wanted)
    thick = _wall_on(grid, wall) / grid.upright
    asked = np.where(shaves.inside >= 0, rules.shave_depth_mm / grid.upright, relief)
    asked = np.where(openings.inside >= 0, thick, asked)
    tabs = np.zeros((0, 4)) if wanted.tabs is None else np.asarray(wanted.tabs, float)
    return Design(
        grid, openings, shaves, keeps, relief, mask, step, thick, asked, tabs, _nodes_of(grid, tabs)
    )


def _nodes_of(grid: Grid, tabs: Floats) -> Bools:
    """Return the nodes near places of tabs, as far as a cutter's edge may stand from them."""
    found = np.zeros(grid.radius.shape, bool)
    if not len(tabs):
        return found
    row, column = (np.rint(place).astype(np.int64) for place in grid.place(*lonlat_of(tabs[:, :3])))
    row = np.clip(row, 0, len(grid.lat) - 1)
    column = column % len(grid.lon) if grid.full else np.clip(column, 0, len(grid.lon) - 1)
    found[row, column] = True
    return grown_mask(grid, found, *nodes_across(grid, _TAB_REACH_MM))


def _relief_on(grid: Grid, wanted: WantedCut) -> tuple[Floats, Bools, tuple[int, int]]:
    """Return the wanted depth on the proof's grid, where it is wanted, and its own step in nodes."""
    from scipy.ndimage import map_coordinates

    lon, lat, depth = wanted.relief_longitude_rad, wanted.relief_latitude_rad, wanted.relief_depth_mm
    none = np.zeros(grid.radius.shape)
    if lon is None or lat is None or depth is None:
        return none, none > 0, (0, 0)
    around = near_longitude(grid.lon, float(lon[0] + lon[-1]) / 2)
    column = np.interp(around, lon, np.arange(len(lon)), left=-2, right=len(lon) + 1)
    row = np.interp(grid.lat, lat, np.arange(len(lat)), left=-2, right=len(lat) + 1)
    places = np.meshgrid(row, column, indexing="ij")
    cut = np.isfinite(depth) & (np.nan_to_num(depth) > 0)
    mask = map_coordinates(cut.astype(float), places, order=0, mode="constant") > 0.5
    filled = map_coordinates(np.where(cut, depth, 0.0), places, order=1, mode="constant")
    rows = math.ceil(float(lat[1] - lat[0]) / grid.lat_step)
    columns = math.ceil(float(lon[1] - lon[0]) / grid.lon_step)
    return np.where(mask, filled, 0.0), mask, (rows, columns)


def _wall_on(grid: Grid, wall: Wall, step_rad: float = math.radians(2.0)) -> Floats:
    """Return the wall on the grid; it is smooth, so it is read every two degrees and interpolated."""
    from scipy.interpolate import RegularGridInterpolator

    lon = np.linspace(grid.lon[0], grid.lon[-1], math.ceil(float(np.ptp(grid.lon)) / step_rad) + 2)
    lat = np.linspace(grid.lat[0], grid.lat[-1], math.ceil(float(np.ptp(grid.lat)) / step_rad) + 2)
    coarse = wall_at(wall, unit_of(lon[None, :], lat[:, None]))
    if np.ptp(coarse) == 0.0:
        return np.full(grid.radius.shape, float(coarse.flat[0]))
    places = np.stack(np.meshgrid(grid.lat, grid.lon, indexing="ij"), axis=-1)
    found: Floats = RegularGridInterpolator((lat, lon), coarse)(places)
    return found


def through_floor(grid: Grid, design: Design, widest_mm: float) -> Floats:
    """Return the depth [mm along the ray] below which a tip can only mean an opening.

    Half-way between the deepest floor that is wanted near by and the wall; nought if only openings are.
    """
    from scipy.ndimage import maximum_filter

    shallow = np.where(design.openings.inside >= 0, design.relief, design.asked)
    if not shallow.any():
        return np.zeros(grid.radius.shape)
    rows, columns = nodes_across(grid, widest_mm)
    near = maximum_filter(shallow, (2 * rows + 1, 2 * columns + 1), mode=("nearest", "wrap"))
    found: Floats = (near + design.wall) / 2
    return found
