"""Which bridges hold every island? The least of them: where the gap is narrowest, as wide as the rule asks.

An island is a hole in an opening: the material inside hangs on nothing. One below 15 mm gets one bridge, one
up to 40 mm two, a larger one three, not all on one side and one of them below, for it hangs (stencil custom,
common practice). Of all places round an island those are taken whose gaps are shortest in sum, at least 90
(two) or 60 deg (three) apart about the island's middle. A bridge is a strip of the sheet that is left uncut::

        +------------------+          a, b  nearest points of island and of what is held
        |     +----+  ||   |          w     max(floor, sqrt(0.75 F L / (t sigma))) on the skin, L = |ab|
        |     |    |a==b   |                so in sheet mm w / scale there
        |     +----+  ||   |
        +------------------+

Islands nearest to the edge come first; one that is held may hold the next.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from engine.chart import scale_at, to_sphere
from engine.design_on_skin import mapped
from engine.frames import unit_of
from engine.records import Chart, Floats, Layers, Region, Rules, Surface, Treatment, Wall
from engine.surface import points_at
from engine.wall import wall_at
from engine.webs import bridge_minimum_mm, find_webs

_SPACING_MM = 1.0  # of places that are tried round an island
_INTO_MM = 1.5  # how far a bridge reaches into the material on both sides
_SPARE = 1.02  # a bridge is made a little wider than it must be
_ROUNDS = 4  # of widening bridges whose slanting ends make them longer than their gap
_SPECK_MM2 = 0.5
_BELOW_DEG = 60.0  # a bridge this near straight down counts as below
_SMALL_MM, _MIDDLE_MM = 15.0, 40.0
_APART_DEG = {1: 0.0, 2: 90.0, 3: 60.0}
_FEW = 18  # candidates that are combined with each other


@dataclass(frozen=True, slots=True)
class Bridge:
    """A strip that is left uncut between an island and what holds it."""

    region: str
    x_mm: float  # its middle on the sheet
    y_mm: float
    length_mm: float  # on the skin
    width_mm: float


def with_bridges(
    layers: Layers, chart: Chart, surface: Surface, wall: Wall, rules: Rules
) -> tuple[Layers, tuple[Bridge, ...]]:
    """Return a design whose islands are held, and the bridges that were added.

    Parameters
    ----------
    layers : Layers
        The design on the sheet.
    chart : Chart
        Where it lies on the skin.
    surface : Surface
        The fitted skin.
    wall : Wall
        Wall readings.
    rules : Rules
        Load, strength and floor of bridges.
    """
    regions: list[Region] = []
    bridges: list[Bridge] = []
    for region in layers.regions:
        if region.treatment != Treatment.OPENING or not len(region.polygon.interiors):
            regions.append(region)
            continue
        spare = _SPARE
        for _ in range(_ROUNDS):
            parts, made = _parted(region, _Place(chart, surface, wall, rules, spare))
            short = _shortfall(replace(layers, regions=tuple(parts)), chart, surface, wall, rules)
            if short <= 1.0:
                break
            spare *= 1.01 * short
        regions += parts
        bridges += made
    return replace(layers, regions=tuple(regions)), tuple(bridges)


def _parted(region: Region, place: _Place) -> tuple[list[Region], list[Bridge]]:
    """Return what an opening becomes when bridges are left in it, and the bridges."""
    strips, made = _hold(region, place)
    cut = region.polygon.difference(shapely.union_all(strips))
    parts = [p for p in shapely.get_parts(cut) if isinstance(p, shapely.Polygon) and p.area > _SPECK_MM2]
    names = [region.name] if len(parts) == 1 else [f"{region.name}.{k}" for k in range(1, len(parts) + 1)]
    return [replace(region, name=name, polygon=p) for name, p in zip(names, parts, strict=True)], made


def _shortfall(layers: Layers, chart: Chart, surface: Surface, wall: Wall, rules: Rules) -> float:
    """Return by what factor the thinnest bridge is narrower than its own length asks, on the skin."""
    webs = find_webs(mapped(layers, chart, surface, wall, (), rules))
    needed = [
        bridge_minimum_mm(float(length), float(thick), rules)
        for length, thick in zip(webs.length_mm, webs.wall_mm, strict=True)
    ]
    return float(max(np.array(needed) / np.maximum(webs.width_mm, 0.1), default=0.0))


@dataclass(frozen=True, eq=False)
class _Place:
    """Where the design lies, for lengths on the skin."""

    chart: Chart
    surface: Surface
    wall: Wall
    rules: Rules
    spare: float

    def skin(self, sheet: Floats) -> Floats:
        return points_at(self.surface, unit_of(*to_sphere(self.chart, sheet)))

    def up(self, at: Floats) -> Floats:
        """Return the direction of the stem on the sheet."""
        there = self.skin(at + np.array([[0.0, 0.0], [0.5, 0.0], [0.0, 0.5]]))
        rise = (there[1:] - there[0])[:, 2]
        found: Floats = rise / max(float(np.linalg.norm(rise)), 1e-9)
        return found

    def width_mm(self, middle: Floats, length_mm: float) -> tuple[float, float]:
        """Return how wide a bridge must be, on the skin and on the sheet."""
        lon, lat = to_sphere(self.chart, middle[None])
        thick = float(wall_at(self.wall, unit_of(lon, lat))[0])
        wide = self.spare * bridge_minimum_mm(length_mm, thick, self.rules)
        return wide, wide / float(scale_at(self.chart, lon, lat)[0])


def _hold(region: Region, place: _Place) -> tuple[list[BaseGeometry], list[Bridge]]:
    """Return strips and bridges for all islands of an opening."""
    islands = [shapely.Polygon(ring) for ring in region.polygon.interiors]
    outside = region.polygon.exterior
    held: BaseGeometry = outside
    open_ = sorted(islands, key=lambda island: island.distance(outside))
    strips: list[BaseGeometry] = []
    bridges: list[Bridge] = []
    while open_:
        island = min(open_, key=lambda one: one.distance(held))
        open_.remove(island)
        for start, end in _chosen(island, held, region.polygon, place):
            strip, bridge = _strip(region.name, start, end, place)
            strips.append(strip)
            bridges.append(bridge)
        held = shapely.union(held, island.exterior)
    return strips, bridges


def _chosen(
    island: shapely.Polygon, held: BaseGeometry, opening: shapely.Polygon, place: _Place
) -> list[tuple[Floats, Floats]]:
    """Return the ends of an island's bridges: least length in sum, apart from each other, one below."""
    ring = shapely.get_coordinates(shapely.segmentize(island.exterior, _SPACING_MM))[:-1]
    ends = shapely.get_coordinates(shapely.shortest_line(shapely.points(ring), held)).reshape(-1, 2, 2)
    clear = shapely.covers(opening.buffer(1e-6), shapely.linestrings(ends))
    ends = ends[clear] if clear.any() else ends
    length = np.linalg.norm(np.diff(place.skin(ends), axis=1)[:, 0], axis=1)
    middle = np.array([island.centroid.x, island.centroid.y])
    away = ends[:, 0] - middle
    angle = np.degrees(np.arctan2(away[:, 1], away[:, 0]))
    up = place.up(middle)
    below = (
        np.abs(np.remainder(angle - np.degrees(np.arctan2(-up[1], -up[0])) + 180, 360) - 180) <= _BELOW_DEG
    )
    count = _wanted(_size_mm(ring, place))
    some = _candidates(length, angle, below)
    best = min(
        (pick for pick in combinations(some, count) if _well_placed(angle, below, pick, count)),
        key=lambda pick: float(length[list(pick)].sum()),
        default=tuple(some[:1]),
    )
    return [(ends[k, 0], ends[k, 1]) for k in best]


def _size_mm(ring: Floats, place: _Place) -> float:
    points = place.skin(ring)[:: max(1, len(ring) // 60)]
    return float(np.linalg.norm(points[:, None] - points, axis=2).max())


def _wanted(size_mm: float) -> int:
    return 1 if size_mm < _SMALL_MM else 2 if size_mm <= _MIDDLE_MM else 3


def _candidates(length: Floats, angle: Floats, below: np.typing.NDArray[np.bool_]) -> list[int]:
    """Return the shortest gap of each sector about the island, and the shortest of those below."""
    sector = (np.remainder(angle, 360.0) // (360.0 / _FEW)).astype(int)
    found = {int(at[np.argmin(length[at])]) for k in range(_FEW) if len(at := np.flatnonzero(sector == k))}
    if below.any():
        found.add(int(np.flatnonzero(below)[np.argmin(length[below])]))
    return sorted(found, key=lambda k: float(length[k]))


def _well_placed(
    angle: Floats, below: np.typing.NDArray[np.bool_], pick: tuple[int, ...], count: int
) -> bool:
    """Tell whether bridges stand apart, and whether more than one has one below."""
    if count > 1 and below.any() and not below[list(pick)].any():
        return False
    around = np.sort(np.remainder(angle[list(pick)], 360.0))
    gaps = np.diff(np.append(around, around[0] + 360.0))
    return count == 1 or float(gaps.min()) >= _APART_DEG[count]


def _strip(region: str, start: Floats, end: Floats, place: _Place) -> tuple[BaseGeometry, Bridge]:
    middle = (start + end) / 2
    length = float(np.linalg.norm(np.diff(place.skin(np.stack([start, end])), axis=0)))
    width, drawn = place.width_mm(middle, length)
    along = end - start
    size = float(np.linalg.norm(along))
    heading = along / size if size > 1e-9 else np.array([0.0, -1.0])
    reach = _INTO_MM + drawn / 2  # into slanting edges too
    line = shapely.LineString([start - reach * heading, end + reach * heading])
    strip = shapely.buffer(line, drawn / 2, cap_style="flat")
    return strip, Bridge(region, float(middle[0]), float(middle[1]), length, math.floor(10 * width) / 10)
