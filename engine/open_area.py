"""How much of the piece is open? Areas on the mean profile: of piece, picture and every ring."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely

from engine.chart import to_sphere
from engine.design_on_skin import DesignOnSkin
from engine.records import Bools, Chart, Floats

_RING_MM, _RING_STEP_MM = 20.0, 5.0
_LOWEST_MM = 40.0


@dataclass(frozen=True, eq=False)
class Zones:
    """The mean profile's area and arc up to each latitude of the chart, per radian of longitude."""

    latitude: Floats  # (k,)
    area: Floats  # (k,) integral of rho ds [mm2/rad]
    arc: Floats  # (k,) integral of ds [mm]


def zones_of(chart: Chart) -> Zones:
    """Return the profile's areas and arcs; as ds = rho dq, area per radian is the integral of rho^2 dq."""
    step = np.diff(chart.isometric)
    rho = chart.parallel_mm
    area = np.concatenate([[0.0], np.cumsum(step * (rho[1:] ** 2 + rho[:-1] ** 2) / 2)])
    arc = np.concatenate([[0.0], np.cumsum(step * (rho[1:] + rho[:-1]) / 2)])
    return Zones(chart.latitude_rad, area, arc)


def areas_between(design: DesignOnSkin, zones: Zones, mine: Bools, low: Floats, high: Floats) -> Floats:
    """Return the area of regions within zones [mm2/rad], the integral of A d longitude along outlines."""
    here = np.flatnonzero(mine)
    area = np.interp(design.latitude, zones.latitude, zones.area)
    middle = (area[here] + area[design.following[here]]) / 2
    step = design.longitude[design.following[here]] - design.longitude[here]
    clamped = np.clip(middle, low[:, None], high[:, None])
    found: Floats = np.abs(clamped @ step)
    return found


def box_mm2(design: DesignOnSkin, zones: Zones, mine: Bools) -> float:
    """Return the area on the skin of the box about the openings on the sheet."""
    left, bottom = design.sheet[mine].min(axis=0)
    right, top = design.sheet[mine].max(axis=0)
    ring = shapely.get_coordinates(shapely.segmentize(shapely.box(left, bottom, right, top), 2.0))
    longitude, latitude = to_sphere(design.chart, ring)
    area = np.interp(latitude, zones.latitude, zones.area)
    return abs(float(np.sum((area[1:] + area[:-1]) / 2 * np.diff(longitude))))


def fullest_rings(
    design: DesignOnSkin, zones: Zones, mine: Bools
) -> list[tuple[str, float, float, float | None]]:
    """Return every ring of 20 mm, all round the piece, that is opener than its neighbours: the worst first.

    Rings are looked at every 5 mm; of those that overlap the fullest one stands for them.
    """
    lowest, highest = np.interp(
        [design.latitude[mine].min(), design.latitude[mine].max()], zones.latitude, zones.arc
    )
    starts = np.arange(lowest, max(highest - _RING_MM, lowest) + _RING_STEP_MM, _RING_STEP_MM)
    low, high = np.interp(starts, zones.arc, zones.area), np.interp(starts + _RING_MM, zones.arc, zones.area)
    share = areas_between(design, zones, mine, low, high) / (2 * math.pi * (high - low))
    found: list[tuple[str, float, float, float | None]] = []
    taken: list[float] = []
    for k in np.argsort(-share).tolist():
        if any(abs(starts[k] - other) < _RING_MM for other in taken):
            continue
        taken.append(float(starts[k]))
        latitude = float(np.interp(starts[k] + _RING_MM / 2, zones.arc, zones.latitude))
        where = f"of the ring at latitude {math.degrees(latitude):.0f} deg"
        found.append((where, float(share[k]), design.rules.open_share_ring, latitude))
    return found


def lowest_ring(design: DesignOnSkin, zones: Zones, mine: Bools) -> tuple[str, float, float, float | None]:
    """Return the open share of the lowest 40 mm of the piece, on which all the rest stands."""
    chart = design.chart
    height = chart.parallel_mm * np.tan(chart.latitude_rad)
    top = float(np.interp(height[0] + _LOWEST_MM, height, chart.latitude_rad))
    area = float(np.interp(top, zones.latitude, zones.area))
    cap = math.pi * float(chart.parallel_mm[0]) ** 2
    open_mm2 = areas_between(design, zones, mine, zones.area[:1], np.array([area]))[0]
    share = float(open_mm2) / (2 * math.pi * (area - float(zones.area[0])) + cap)
    return f"of the lowest {_LOWEST_MM:g} mm", share, design.rules.open_share_lowest, top
