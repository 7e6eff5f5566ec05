"""Does a bridge or the edge of a relief lie in a rib valley? There the wall is thinnest and the skin folds.

A valley is a line of places where the radius is least round the piece, at least a millimetre deeper than the
ribs to both sides. One dent is none: a row of the skin must have four of them or more.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from engine.design_on_skin import DesignOnSkin, finding
from engine.frames import lonlat_of, unit_of
from engine.records import Finding, Floats, Ints, Severity, Surface, Treatment
from engine.webs import Webs

_DEEP_MM = 1.0
_FEWEST = 4
_HIGHEST_DEG = 70.0
_ALONG_MM = 15.0  # of an edge that lies in a valley; crossing one takes less


def valley_points(surface: Surface) -> Floats:
    """Return places (n, 3) on the bottoms of a piece's rib valleys, none where it has no ribs [mm].

    Parameters
    ----------
    surface : Surface
        The fitted skin.
    """
    rows, columns = surface.radius_mm.shape
    latitude = np.linspace(-np.pi / 2, np.pi / 2, rows)
    found = [np.zeros((0, 3))]
    for row in np.flatnonzero(np.abs(latitude) < np.radians(_HIGHEST_DEG)):
        around = surface.radius_mm[row]
        if np.ptp(around) < _DEEP_MM:
            continue
        own = _bottoms(around)
        if len(own) < _FEWEST:
            continue
        # the bottom between grid points, by the parabola through three of them
        left, middle, right = around[own - 1], around[own], around[(own + 1) % columns]
        bend = left - 2 * middle + right
        shift = np.where(bend > 0, 0.5 * (left - right) / np.where(bend > 0, bend, 1.0), 0.0)
        unit = unit_of(2 * np.pi * (own + shift) / columns, np.full(len(own), latitude[row]))
        found.append(middle[:, None] * unit)
    return np.concatenate(found)


def _bottoms(around: Floats) -> Ints:
    """Return where a row that closes on itself has its bottoms, the shallow ones joined to their neighbours.

    A bottom counts if both ridges beside it rise a millimetre over it; else it goes, the shallowest first,
    and the higher of its two ridges stays.
    """
    low = np.flatnonzero((around < np.roll(around, 1)) & (around <= np.roll(around, -1))).tolist()
    if not low:
        return np.zeros(0, np.int64)
    turned = np.roll(around, -low[0])
    edges = [*(k - low[0] for k in low), len(around)]
    ridges = [float(turned[a : b + 1].max()) for a, b in pairwise(edges)]  # after each bottom
    while len(low) > 1:
        rise = [min(ridges[k - 1], ridges[k]) - float(around[low[k]]) for k in range(len(low))]
        least = int(np.argmin(rise))
        if rise[least] >= _DEEP_MM:
            break
        ridges[least - 1] = max(ridges[least - 1], ridges[least])
        del low[least], ridges[least]
    return np.array(low, np.int64)


def rib_valleys(design: DesignOnSkin, webs: Webs) -> list[Finding]:
    """Warn of bridges whose middle, and of relief edges whose way, lies in a rib valley.

    Parameters
    ----------
    design : DesignOnSkin
        The design where it lies.
    webs : Webs
        The narrow places between its openings.
    """
    from scipy.spatial import cKDTree

    edges = _relief_edges(design)
    if not len(webs.one) and not edges:
        return []
    bottoms = valley_points(design.surface)
    if not len(bottoms):
        return []
    tree = cKDTree(bottoms)
    reach = design.rules.rib_valley_mm + _row_gap_mm(design.surface)
    found = []
    for one, other in zip(webs.one, webs.other, strict=True):
        middle = (design.skin[one] + design.skin[other]) / 2
        away = _aside_mm(middle[None], bottoms, tree, reach)[0]
        if away < design.rules.rib_valley_mm:
            names = {design.named(int(design.region[i])): None for i in (one, other)}
            place = " and ".join(names)
            found.append(_told(f"the material between {place}", place, middle, float(away), design))
    for name, points, spacing in edges:
        away = _aside_mm(points, bottoms, tree, reach)
        inside = np.flatnonzero(away < design.rules.rib_valley_mm)
        for group in _by_valley(points[inside]):
            if len(group) * spacing >= _ALONG_MM:
                at = inside[group]
                nearest = at[np.argmin(away[at])]
                length = len(group) * spacing
                what = f"{length:.0f} mm of the edge of {name}"
                found.append(_told(what, name, points[nearest], float(away[nearest]), design))
    return sorted(found, key=lambda f: f.measured or 0.0)


def _row_gap_mm(surface: Surface) -> float:
    return float(surface.radius_mm.max() * np.pi / (surface.radius_mm.shape[0] - 1))


def _aside_mm(points: Floats, bottoms: Floats, tree: object, reach: float) -> Floats:
    """Return how far points lie beside the valleys, which run along meridians: across the meridian only."""
    _, near = tree.query(points, distance_upper_bound=2 * reach)  # type: ignore[attr-defined]
    some = near < len(bottoms)
    away = np.full(len(points), np.inf)
    bottom = bottoms[near[some]]
    turn = lonlat_of(points[some])[0] - lonlat_of(bottom)[0]
    turn = np.remainder(turn + np.pi, 2 * np.pi) - np.pi
    away[some] = np.abs(turn) * np.hypot(points[some, 0], points[some, 1])
    return away


def _relief_edges(design: DesignOnSkin) -> list[tuple[str, Floats, float]]:
    """Return the edges of tones and drawn reliefs: name, places on the skin, and how far apart they are."""
    from engine.surface import points_at

    found = []
    if len(design.tones) and design.layers.tones is not None:
        rim = points_at(design.surface, unit_of(design.tones[:, 0], design.tones[:, 1]))
        found.append(("tones", rim, design.layers.tones.pixel_mm))
    for k, region in enumerate(design.regions):
        if region.treatment == Treatment.RELIEF and not len(design.tones):
            found.append((region.name, design.skin[design.points_of(k)], 1.0))
    return found


def _by_valley(points: Floats) -> list[np.typing.NDArray[np.int64]]:
    """Return places by the valley they lie in: those of one differ little in longitude."""
    if not len(points):
        return []
    longitude = lonlat_of(points)[0]
    order = np.argsort(longitude)
    gaps = np.flatnonzero(np.diff(longitude[order]) > np.radians(8.0)) + 1
    groups = np.split(order, gaps)
    if len(groups) > 1 and longitude[order[0]] + 2 * np.pi - longitude[order[-1]] < np.radians(8.0):
        groups = [np.concatenate([groups[0], groups[-1]]), *groups[1:-1]]
    return groups


def _told(what: str, place: str, at: Floats, away_mm: float, design: DesignOnSkin) -> Finding:
    return finding(
        Severity.WARN,
        "rib valley",
        f"{what} lies {away_mm:.1f} mm from the bottom of a rib valley, where the wall is thinnest",
        "turn the design round the piece by half a rib, or move it",
        at=np.array(lonlat_of(at)),
        place=place,
        measured=round(away_mm, 2),
        allowed=design.rules.rib_valley_mm,
        unit="mm",
    )
