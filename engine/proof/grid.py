"""On which rays is the piece looked at, and what lies between them?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from engine.frames import lonlat_of, near_longitude, normalised, unit_of
from engine.records import (
    Bools,
    Floats,
    Ints,
    Surface,
    WantedCut,
)
from engine.surface import radius_at

if TYPE_CHECKING:
    pass

_MOST_NODES = 3_000_000
_HIGHEST_LATITUDE = math.radians(88.0)


@dataclass(frozen=True, slots=True, eq=False)
class Rays:
    """Rays at longitude x latitude; a full circle wraps and does not repeat its first column."""

    lon: Floats  # (w,)
    lat: Floats  # (h,)
    full: bool
    radius: Floats  # (h, w) skin

    @property
    def lon_step(self) -> float:
        """Step in longitude [rad]."""
        return float(self.lon[1] - self.lon[0])

    @property
    def lat_step(self) -> float:
        """Step in latitude [rad]."""
        return float(self.lat[1] - self.lat[0])

    @property
    def middle(self) -> float:
        """Longitude of the middle [rad]."""
        return float(self.lon[0] + self.lon[-1]) / 2

    def place(self, lon: Floats, lat: Floats) -> tuple[Floats, Floats]:
        """Return row and column, with fractions; columns lie about the grid's middle.

        Longitude and latitude [rad].
        """
        return (lat - self.lat[0]) / self.lat_step, (
            near_longitude(lon, self.middle) - self.lon[0]
        ) / self.lon_step

    def look(self, grid: Floats, lon: Floats, lat: Floats) -> Floats:
        """Return a field of the grid between its nodes (bilinear). Longitude and latitude [rad]."""
        row, column = self.place(lon, lat)
        i, down = self._between(row, len(self.lat), wraps=False)
        j, right = self._between(column, len(self.lon), wraps=self.full)
        after = (j + 1) % len(self.lon)
        upper = grid[i, j] * (1 - right) + grid[i, after] * right
        lower = grid[i + 1, j] * (1 - right) + grid[i + 1, after] * right
        found: Floats = upper * (1 - down) + lower * down
        return found

    @staticmethod
    def _between(place: Floats, count: int, wraps: bool) -> tuple[Ints, Floats]:
        """Return the node before each place and how far on it lies; beyond the rim the last one counts."""
        if wraps:
            before = np.floor(place).astype(np.int64)
            return before % count, place - before
        inside = np.clip(place, 0, count - 1)
        before = np.minimum(inside.astype(np.int64), count - 2)
        return before, inside - before

    def nearest(self, grid: Any, lon: Floats, lat: Floats) -> Any:
        """Return a field of the grid at the nearest node. Longitude and latitude [rad]."""
        row, column = self.place(lon, lat)
        i = np.clip(np.rint(row).astype(np.int64), 0, len(self.lat) - 1)
        j = np.rint(column).astype(np.int64)
        j = j % len(self.lon) if self.full else np.clip(j, 0, len(self.lon) - 1)
        return grid[i, j]


@dataclass(frozen=True, slots=True, eq=False)
class Grid(Rays):
    """Rays with what follows from their radii."""

    skin: Floats  # (h, w, 3)
    upright: Floats  # (h, w) cosine between ray and normal
    area: Floats  # (h, w) of skin [mm2]

    def normals(self) -> Floats:
        """Return the skin's normals at the nodes (h, w, 3)."""
        return normalised(np.cross(np.gradient(self.skin, axis=1), np.gradient(self.skin, axis=0)))


def _grid(
    surface: Surface, lon: Sequence[tuple[float, float]], lat: tuple[float, float], step: float
) -> Grid:
    """Lay a grid over arcs of longitude (from, to) and a band of latitude, about `step` mm at the skin."""
    low, high = max(lat[0], -_HIGHEST_LATITUDE), min(lat[1], _HIGHEST_LATITUDE)
    first, width = covering_arc(lon)
    band = unit_of(np.linspace(first, first + width, 24)[None, :], np.linspace(low, high, 9)[:, None])
    radius = float(radius_at(surface, band).mean())
    around = radius * math.cos((low + high) / 2)
    nodes = (high - low) * radius * width * around / step**2
    step *= max(1.0, math.sqrt(nodes / _MOST_NODES))
    rows = max(math.ceil((high - low) * radius / step), 2) + 1
    full = width >= 2 * math.pi
    columns = max(math.ceil(width * around / step), 2) + (not full)
    latitudes = np.linspace(low, high, rows)
    longitudes = first + width * np.arange(columns) / (columns if full else columns - 1)
    radii = radius_at(surface, unit_of(longitudes[None, :], latitudes[:, None]))
    return measured_grid(longitudes, latitudes, full, radii)


def measured_grid(lon: Floats, lat: Floats, full: bool, radii: Floats) -> Grid:
    """Complete a grid with what follows from its radii. Longitudes and latitudes [rad], radii [mm]."""
    unit = unit_of(lon[None, :], lat[:, None])
    wide = np.concatenate([radii[:, -1:], radii, radii[:, :1]], axis=1) if full else radii
    by_lon = np.gradient(wide, lon[1] - lon[0], axis=1)
    by_lon = by_lon[:, 1:-1] if full else by_lon
    by_lat = np.gradient(radii, lat[1] - lat[0], axis=0)
    cosine = np.cos(lat)[:, None]
    upright = radii / np.sqrt(radii**2 + by_lat**2 + (by_lon / cosine) ** 2)
    area = radii**2 * cosine * (lon[1] - lon[0]) * (lat[1] - lat[0]) / upright
    return Grid(lon, lat, full, radii, radii[..., None] * unit, upright, area)


def covering_arc(arcs: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Return start and width of the shortest arc over all arcs; a full circle when little would be left.

    All [rad].
    """
    taken = np.zeros(720, bool)
    for low, high in arcs:
        first = math.floor(math.degrees(low) * 2)
        last = math.floor(math.degrees(high) * 2)
        taken[np.arange(first, min(last, first + 719) + 1) % 720] = True
    if not taken.any():
        return 0.0, math.radians(10.0)
    free = np.concatenate([~taken, ~taken])
    edges = np.flatnonzero(np.diff(np.concatenate([[0], free.astype(np.int8), [0]])))
    starts, ends = edges[::2], edges[1::2]
    if len(starts) == 0:
        return -math.pi, 2 * math.pi
    longest = int(np.argmax(ends - starts))
    gap = min(int(ends[longest] - starts[longest]), 720)
    if gap < 30:
        return -math.pi, 2 * math.pi
    first_deg = (int(ends[longest]) % 720) / 2
    first_deg -= 360.0 * (first_deg + (720 - gap) / 4 > 180.0)  # keep the middle within half a turn of nought
    return math.radians(first_deg), math.radians((720 - gap) / 2)


def grid_for(surface: Surface, tips: Floats, wanted: WantedCut, margin_mm: float, step_mm: float) -> Grid:
    """Lay the grid over everything wanted and everything touched. Tips, margin and step [mm]."""
    lon, lat = lonlat_of(tips)
    halves = np.unique(np.floor(np.degrees(lon) * 2).astype(np.int64))
    arcs = [(math.radians(h / 2), math.radians((h + 0.99) / 2)) for h in halves]
    lats = [float(lat.min()), float(lat.max())] if len(lat) else []
    for polygon in wanted.outlines:
        west, south, east, north = polygon.bounds
        arcs.append((west, east))
        lats += [south, north]
    if wanted.relief_longitude_rad is not None and wanted.relief_latitude_rad is not None:
        arcs.append((float(wanted.relief_longitude_rad[0]), float(wanted.relief_longitude_rad[-1])))
        lats += [float(wanted.relief_latitude_rad[0]), float(wanted.relief_latitude_rad[-1])]
    band = (min(lats, default=-0.1), max(lats, default=0.1))
    margin = margin_mm / float(surface.radius_mm.min())
    around = margin / math.cos(min(max(abs(band[0]), abs(band[1])) + margin, math.radians(80.0)))
    return _grid(
        surface, [(a - around, b + around) for a, b in arcs], (band[0] - margin, band[1] + margin), step_mm
    )


def grown_mask(grid: Grid, mask: Bools, rows: int, columns: int) -> Bools:
    """Return a mask grown by nodes up and down and to the sides, round the back on a full circle.

    Rows and columns [-].
    """
    from scipy.ndimage import maximum_filter

    if grid.full:
        mask = np.concatenate([mask[:, -columns:], mask, mask[:, :columns]], axis=1) if columns else mask
    found: Bools = maximum_filter(mask.view(np.uint8), (2 * rows + 1, 2 * columns + 1), mode="nearest") > 0
    return found[:, columns : found.shape[1] - columns] if grid.full else found


def nodes_across(grid: Grid, length_mm: float) -> tuple[int, int]:
    """Return how many rows and columns a length spans, rounded up, where the columns are closest.

    The length [mm].
    """
    size = float(grid.radius.min())
    narrow = size * float(np.cos(grid.lat).min()) * grid.lon_step
    return math.ceil(length_mm / (size * grid.lat_step)), math.ceil(length_mm / narrow)
