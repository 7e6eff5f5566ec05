"""Where do the edges of a design lie on the piece? Boundary points on sheet and skin, to be judged."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import shapely

from engine.chart import scale_at, to_sphere
from engine.frames import unit_of
from engine.records import (
    Chart,
    Cutter,
    Finding,
    Floats,
    Ints,
    KeepOut,
    Layers,
    Region,
    Rules,
    Severity,
    Surface,
    Treatment,
    Wall,
)
from engine.surface import points_at

_SPACING_MM = 1.0  # of boundary points on the sheet
_MOST_ALIKE = 8  # findings of one rule and severity that are listed one by one


@dataclass(frozen=True, eq=False)
class DesignOnSkin:
    """All boundary points of what is cut, on the sheet and on the skin, with what they belong to.

    Points follow each other along their rings; outer rings run counter-clockwise on the sheet, holes
    clockwise, so that the material is always to the right.
    """

    layers: Layers
    chart: Chart
    surface: Surface
    wall: Wall
    cutters: tuple[Cutter, ...]
    rules: Rules
    regions: tuple[Region, ...]  # all but keep; `n` points of `rings` rings
    sheet: Floats  # (n, 2)
    longitude: Floats  # (n,)
    latitude: Floats  # (n,)
    unit: Floats  # (n, 3)
    skin: Floats  # (n, 3)
    region: Ints  # (n,) index in `regions`
    ring: Ints  # (n,)
    following: Ints  # (n,) index of the next point of the ring
    previous: Ints  # (n,)
    starts: Ints  # (rings + 1,) first point of each ring
    ring_region: Ints  # (rings,)
    outer: Ints  # (rings,) 1 = outline, 0 = hole
    tones: Floats  # (k, 2) longitude and latitude of the tone picture's rim
    keep_outs: tuple[KeepOut, ...] = ()

    def named(self, region: int) -> str:
        """Return a region's name by its index [-]."""
        return self.regions[region].name

    def is_opening(self) -> list[bool]:
        """Return for each region whether it is cut through."""
        return [region.treatment == Treatment.OPENING for region in self.regions]

    def points_of(self, region: int) -> Ints:
        """Return the boundary points of a region by its index [-]."""
        return np.flatnonzero(self.region == region)


def mapped(
    layers: Layers,
    chart: Chart,
    surface: Surface,
    wall: Wall,
    cutters: tuple[Cutter, ...],
    rules: Rules,
    keep_outs: tuple[KeepOut, ...] = (),
) -> DesignOnSkin:
    """Return the boundary points of a design on the sheet and on the skin."""
    regions = tuple(r for r in layers.regions if r.treatment != Treatment.KEEP)
    polygons = shapely.orient_polygons(np.array([r.polygon for r in regions], object))
    rings, ring_region = shapely.get_rings(polygons, return_index=True)
    outer = np.diff(ring_region, prepend=-1) > 0
    sheet, ring = shapely.get_coordinates(shapely.segmentize(rings, _SPACING_MM), return_index=True)
    first = np.diff(ring, prepend=-1) > 0  # the first point of a ring comes again as its last
    sheet, ring = sheet[~first], ring[~first]
    starts = np.searchsorted(ring, np.arange(len(rings) + 1))
    following, previous = np.arange(len(ring)) + 1, np.arange(len(ring)) - 1
    following[starts[1:] - 1], previous[starts[:-1]] = starts[:-1], starts[1:] - 1
    rim = _tone_rim(layers)
    longitude, latitude = to_sphere(chart, np.concatenate([sheet, rim]))
    n = len(sheet)
    unit = unit_of(longitude[:n], latitude[:n])
    return DesignOnSkin(
        layers=layers,
        chart=chart,
        surface=surface,
        wall=wall,
        cutters=cutters,
        rules=rules,
        regions=regions,
        sheet=sheet,
        longitude=longitude[:n],
        latitude=latitude[:n],
        unit=unit,
        skin=points_at(surface, unit),
        region=ring_region[ring],
        ring=ring,
        following=following,
        previous=previous,
        starts=starts,
        ring_region=ring_region,
        outer=outer.astype(np.int64),
        tones=np.stack([longitude[n:], latitude[n:]], axis=1),
        keep_outs=keep_outs,
    )


def _tone_rim(layers: Layers) -> Floats:
    """Return the first and last cut pixel of each row and column of the tone picture, on the sheet."""
    if layers.tones is None or not layers.tones.mask.any():
        return np.zeros((0, 2))
    mask, pixel = layers.tones.mask, layers.tones.pixel_mm
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    rim_rows = np.concatenate([rows, rows, mask.argmax(axis=0)[columns]])
    rim_columns = np.concatenate(
        [mask.argmax(axis=1)[rows], mask.shape[1] - 1 - mask[:, ::-1].argmax(axis=1)[rows], columns]
    )
    rim_rows = np.concatenate([rim_rows, mask.shape[0] - 1 - mask[::-1].argmax(axis=0)[columns]])
    rim_columns = np.concatenate([rim_columns, columns])
    x = (rim_columns + 0.5 - mask.shape[1] / 2) * pixel
    y = (mask.shape[0] / 2 - rim_rows - 0.5) * pixel
    return np.stack([x, y], axis=1)


def finding(
    severity: Severity, rule: str, text: str, fix: str, *, at: Floats | None = None, **more: object
) -> Finding:
    """Build a finding; `at` is a longitude and latitude [rad]."""
    where: dict[str, object] = {}
    if at is not None:
        longitude = math.degrees(math.remainder(float(at[0]), 2 * math.pi))
        where = {"longitude_deg": round(longitude, 2), "latitude_deg": round(math.degrees(float(at[1])), 2)}
    return Finding(severity, rule, text, fix, **where, **more)  # type: ignore[arg-type]


def shortened(findings: list[Finding]) -> list[Finding]:
    """List the worst few of a rule one by one and count the rest."""
    kept: list[Finding] = []
    for severity in Severity:
        alike = [f for f in findings if f.severity == severity]
        kept += alike[:_MOST_ALIKE]
        more = len(alike) - _MOST_ALIKE
        if more > 0:
            last = alike[-1]
            text = f"{more} more of this kind, the mildest: {last.text}"
            kept.append(replace(last, text=text, place=f"{more} more"))
    return kept


def at_true_scale(design: DesignOnSkin, regions: list[int]) -> np.typing.NDArray[np.object_]:
    """Return regions of the sheet, by index [-], scaled to their size on the mean profile where they lie."""
    polygons = np.array([design.regions[k].polygon for k in regions], object)
    points, which = shapely.get_coordinates(polygons, return_index=True)
    at = [design.points_of(k) for k in regions]
    longitude, latitude = (
        np.array([np.mean(angle[mine]) for mine in at]) for angle in (design.longitude, design.latitude)
    )
    scale = scale_at(design.chart, longitude, latitude)
    scaled: np.typing.NDArray[np.object_] = shapely.set_coordinates(polygons, points * scale[which, None])
    return scaled
