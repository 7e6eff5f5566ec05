"""How deep are reliefs and shaves to be cut? Depths along the rays from the mapping centre, on a grid."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from engine.chart import to_sheet, to_sphere
from engine.errors import CannotBeDone
from engine.frames import unit_of
from engine.records import (
    Bools,
    Chart,
    Floats,
    Ints,
    Layers,
    Region,
    Rules,
    Surface,
    ToneField,
    Treatment,
    Wall,
    _freeze,
)
from engine.surface import normals_at, radius_at
from engine.tone import tones_at, wall_for
from engine.wall import wall_at

PIXEL_MM = 0.4
_RIM_MM = 0.08  # the skin beside a relief counts as this much higher: no ball may so much as graze it
_HIGHEST_RAD = np.radians(84.0)  # the chart ends there
_EVERY = 8  # the wall changes slowly: read at every 8th place of the grid and interpolated


@dataclass(frozen=True, slots=True, eq=False)
class ReliefFloor:
    """The wanted floor of relief and shaves on a grid of even steps in longitude and latitude."""

    longitude_rad: Floats  # (w,) increasing, continuous, may pass pi
    latitude_rad: Floats  # (h,) increasing
    depth_mm: Floats  # (h, w) along the ray from the mapping centre, nan where nothing is cut
    skin_mm: Floats  # (h, w) radius of the skin
    shave: Ints  # (h, w) number of the shave region, -1 elsewhere
    thin: Bools  # (h, w) the wall is too thin for any tone
    wall_mm: Floats  # (h, w) the wall before the cut, along the normal

    def __post_init__(self) -> None:
        _freeze(
            self,
            longitude_rad=(self.longitude_rad, np.float64, (None,)),
            latitude_rad=(self.latitude_rad, np.float64, (None,)),
            depth_mm=(self.depth_mm, np.float64, (None, None)),
            skin_mm=(self.skin_mm, np.float64, (None, None)),
            shave=(self.shave, np.int64, (None, None)),
            thin=(self.thin, np.bool_, (None, None)),
            wall_mm=(self.wall_mm, np.float64, (None, None)),
        )

    @property
    def radius_mm(self) -> Floats:
        """Radius of the floor (h, w) [mm]; the skin where nothing is cut."""
        return self.skin_mm - np.nan_to_num(self.depth_mm)

    @property
    def bed_mm(self) -> Floats:
        """Radius below which no cutter may come (h, w) [mm]: the floor, a hair above the skin beside it."""
        return self.skin_mm - np.where(np.isfinite(self.depth_mm), self.depth_mm, -_RIM_MM)

    def coarser(self) -> ReliefFloor:
        """Return every second place of the floor both ways."""
        return ReliefFloor(
            longitude_rad=self.longitude_rad[::2],
            latitude_rad=self.latitude_rad[::2],
            depth_mm=self.depth_mm[::2, ::2],
            skin_mm=self.skin_mm[::2, ::2],
            shave=self.shave[::2, ::2],
            thin=self.thin[::2, ::2],
            wall_mm=self.wall_mm[::2, ::2],
        )

    @property
    def tone_depth_mm(self) -> Floats:
        """Depth under the tone picture alone (h, w) [mm], nan elsewhere, shaves included."""
        return np.where(self.shave < 0, self.depth_mm, np.nan)

    @property
    def directions(self) -> Floats:
        """Unit vectors (h, w, 3) of the grid [-]."""
        return unit_of(self.longitude_rad[None, :], self.latitude_rad[:, None])


def wanted_floor(
    layers: Layers,
    chart: Chart,
    surface: Surface,
    wall: Wall,
    rules: Rules,
    pixel_mm: float = PIXEL_MM,
    margin_mm: float = 4.0,
) -> ReliefFloor:
    """Return how deep relief and shaves are to be cut.

    Parameters
    ----------
    layers, chart, surface, wall
        The design, where it lies, and the piece.
    rules : Rules
        Walls that must remain, the lot's light, depth of shaves.
    pixel_mm : float
        Step of the grid on the skin [mm].
    margin_mm : float
        How far the grid goes on beyond the design [mm].
    """
    lon, lat = _grid(layers, chart, pixel_mm, margin_mm)
    unit = unit_of(lon[None, :], lat[:, None])
    sheet = to_sheet(chart, *np.meshgrid(lon, lat))
    # a ball stops at the first place outside, which lies up to a step beyond the outline: share that evenly
    shave = _numbers(layers.of(Treatment.SHAVE), sheet, inwards_mm=pixel_mm / 2)
    luminance, toned = tones_at(layers.tones, sheet)
    kept = _numbers(layers.of(Treatment.KEEP), sheet) >= 0
    shave[kept] = -1
    toned &= ~kept & (shave < 0)
    upright = np.clip(np.sum(normals_at(surface, unit) * unit, axis=-1), 0.2, 1.0)
    local = _slowly(lambda places: wall_at(wall, places), lon, lat)
    depth = np.full(local.shape, np.nan)
    depth[shave >= 0] = rules.shave_depth_mm
    left = wall_for(luminance[toned], local[toned], rules)
    depth[toned] = np.where(left.uncut, np.nan, local[toned] - left.wall_mm)
    thin = np.zeros(local.shape, bool)
    thin[toned] = left.thin
    return ReliefFloor(
        longitude_rad=lon,
        latitude_rad=lat,
        depth_mm=depth / upright,
        skin_mm=radius_at(surface, unit),
        shave=shave,
        thin=thin,
        wall_mm=local,
    )


def _grid(layers: Layers, chart: Chart, pixel_mm: float, margin_mm: float) -> tuple[Floats, Floats]:
    """Return longitudes and latitudes of even steps over everything that is thinned."""
    rims = [_rim(region.polygon.bounds) for region in layers.of(Treatment.SHAVE)]
    if layers.tones is not None and layers.tones.mask.any():
        rims.append(_rim(_mask_bounds(layers.tones)))
    if not rims:
        raise CannotBeDone(f"{layers.name} has nothing to thin: no tone picture and no shave region")
    lon, lat = to_sphere(chart, np.concatenate(rims))
    parallel = np.interp(lat, chart.latitude_rad, chart.parallel_mm)
    radius = parallel / np.cos(lat)
    lat_margin, lon_margin = margin_mm / radius.min(), margin_mm / parallel.min()
    low, high = max(lat.min() - lat_margin, -_HIGHEST_RAD), min(lat.max() + lat_margin, _HIGHEST_RAD)
    west, east = lon.min() - lon_margin, lon.max() + lon_margin
    rows = int(np.ceil((high - low) * radius.max() / pixel_mm)) + 1
    columns = int(np.ceil((east - west) * parallel.max() / pixel_mm)) + 1
    return np.linspace(west, east, columns), np.linspace(low, high, rows)


def _rim(bounds: tuple[float, float, float, float]) -> Floats:
    """Return points round a rectangle on the sheet (n, 2) [mm]."""
    west, south, east, north = bounds
    share = np.linspace(0.0, 1.0, 40)
    x, y = west + (east - west) * share, south + (north - south) * share
    sides = [(x, np.full(40, south)), (x, np.full(40, north)), (np.full(40, west), y), (np.full(40, east), y)]
    return np.concatenate([np.stack(side, axis=1) for side in sides])


def _mask_bounds(tones: ToneField) -> tuple[float, float, float, float]:
    """Return the rectangle round the mask on the sheet [mm]."""
    rows, columns = np.flatnonzero(tones.mask.any(axis=1)), np.flatnonzero(tones.mask.any(axis=0))
    height, width = tones.mask.shape
    return (
        (columns[0] - width / 2) * tones.pixel_mm,
        (height / 2 - rows[-1] - 1) * tones.pixel_mm,
        (columns[-1] + 1 - width / 2) * tones.pixel_mm,
        (height / 2 - rows[0]) * tones.pixel_mm,
    )


def _numbers(regions: Sequence[Region], sheet: Floats, inwards_mm: float = 0.0) -> Ints:
    """Return the number of the region over each place of the sheet (h, w, 2), -1 outside all."""
    found = np.full(sheet.shape[:2], -1, np.int64)
    for number, region in enumerate(regions):
        inside = region.polygon.buffer(-inwards_mm) if inwards_mm else region.polygon
        shapely.prepare(inside)
        found[shapely.contains_xy(inside, sheet[..., 0], sheet[..., 1])] = number
    return found


def _slowly(field: Callable[[Floats], Floats], lon: Floats, lat: Floats) -> Floats:
    """Return a slowly changing field (h, w) of directions, read at few places and interpolated."""
    from scipy.ndimage import map_coordinates

    rows, columns = (np.linspace(0, n - 1, max(2, -(-n // _EVERY))) for n in (len(lat), len(lon)))
    few_lon, few_lat = np.interp(columns, np.arange(len(lon)), lon), np.interp(rows, np.arange(len(lat)), lat)
    coarse = field(unit_of(few_lon[None, :], few_lat[:, None]))
    at = np.meshgrid(
        np.linspace(0, len(few_lat) - 1, len(lat)), np.linspace(0, len(few_lon) - 1, len(lon)), indexing="ij"
    )
    found: Floats = map_coordinates(coarse, at, order=1, mode="nearest")
    return found
