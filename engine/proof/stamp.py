"""What does the cutter's solid take off each ray?"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from engine.frames import lonlat_of, near_longitude, normalised
from engine.proof.grid import Grid
from engine.proof.moves import Samples
from engine.proof.outlines import to_segment
from engine.records import (
    Bools,
    Cutter,
    CutterForm,
    Floats,
    Ints,
)

if TYPE_CHECKING:
    pass

_MARGIN_STEPS = 2  # grid steps beyond the cutter's edge in which the distance to it is kept
_LEVEL_MM = 2.0  # layers of depth that are compared with each other
_NEAR_WAY_MM = 0.5
_SAME_WAY_MM = 0.01
_SAME_LEAN = 3e-3
_NEAR_SAMPLES_MM = 2.0
_FLAT, _BALL, _CONE, SPHERE = 0, 1, 2, 3


def _stamp(  # type: ignore[no-untyped-def]  # compiled with the explicit signature below
    tip, direction, deep, window, form, a, k,
    cos_lat, sin_lat, cos_lon, sin_lon, radius, wraps, entry, edge, edge_deep,
):  # fmt: skip
    """Take the cutter at every sample off the rays of its window; return how often ground stood above it.

    A point t u of a ray lies at height h = t w - p along the cutter and at distance rho from its axis, with
    w = u . d, p = P . d, rho^2 = t^2 - 2 t q + P.P - h^2, q = u . P.
    """
    columns = radius.shape[1]
    under = 0
    slope = 1.0 / math.sqrt(1.0 + k * k)
    for s in range(tip.shape[0]):
        px, py, pz = tip[s, 0], tip[s, 1], tip[s, 2]
        dx, dy, dz = direction[s, 0], direction[s, 1], direction[s, 2]
        p = px * dx + py * dy + pz * dz
        square = px * px + py * py + pz * pz
        for i in range(window[s, 0], window[s, 1]):
            for column in range(window[s, 2], window[s, 3]):
                j = column
                if wraps:
                    j = column % columns
                ux, uy, uz = cos_lat[i] * cos_lon[j], cos_lat[i] * sin_lon[j], sin_lat[i]
                w = ux * dx + uy * dy + uz * dz
                q = ux * px + uy * py + uz * pz
                t, out = math.inf, -math.inf
                if form == SPHERE:  # about the tip itself; used for the ground that a ball can reach
                    inside = q * q - square + a * a
                    if inside >= 0.0:
                        entry[i, j] = min(entry[i, j], q - math.sqrt(inside))
                    continue
                # distance of the skin point from the solid
                r = radius[i, j]
                h = r * w - p
                rho = math.sqrt(max(r * r - 2.0 * r * q + square - h * h, 0.0))
                e = max(rho - a, -h)
                start = 0.0  # height from which on the solid is the full cylinder
                if form == _BALL:
                    start = a
                    e = math.sqrt(rho * rho + (h - a) * (h - a)) - a if h < a else rho - a
                elif form == _CONE:
                    start = a / k
                    e = max(rho - a, (rho - h * k) * slope)
                edge[i, j] = min(edge[i, j], e)
                if deep[s]:
                    edge_deep[i, j] = min(edge_deep[i, j], e)
                if w <= 1e-9 or p >= entry[i, j] * w:
                    continue  # already cut as deep as the tip's plane
                # where the ray enters the cylinder from `start` on
                across = 1.0 - w * w
                b = q - w * p
                root = b * b - across * (square - p * p - a * a)
                if root >= 0.0:
                    low, high = -math.inf, math.inf
                    if across > 1e-14:
                        root = math.sqrt(root)
                        low, high = (b - root) / across, (b + root) / across
                    low = max(low, (p + start) / w)
                    if low <= high:
                        t, out = low, high
                # and its end
                if form == _BALL:
                    centre = q + a * w
                    inside = centre * centre - (square + 2.0 * a * p)
                    if inside >= 0.0:
                        t, out = min(t, centre - math.sqrt(inside)), max(out, centre + math.sqrt(inside))
                elif form == _CONE:
                    more = 1.0 + k * k
                    f, g, c = 1.0 - more * w * w, q - more * w * p, square - more * p * p
                    root = g * g - f * c
                    if root >= 0.0 and abs(f) > 1e-14:
                        root = math.sqrt(root)
                        # steeper than the cone: the ray enters at the larger root, else at the smaller
                        cone = (g - root) / f
                        height = cone * w - p
                        if 0.0 <= height <= start:
                            t = min(t, cone)
                            out = max(out, (g + root) / f) if f > 0.0 else max(out, cone)
                # what is hollowed under ground that still stands does not count
                if t < entry[i, j]:
                    if entry[i, j] <= out + 1e-9:
                        entry[i, j] = t
                    else:
                        under += 1
    return under


@cache
def stamper() -> Callable[..., int]:
    """Compile the stamp on first use; the result is kept on disk."""
    import numba as nb

    rows, flat = nb.float64[:, ::1], nb.float64[::1]
    signature = nb.int64(
        rows, rows, nb.boolean[::1], nb.int64[:, ::1], nb.int64, nb.float64, nb.float64,
        flat, flat, flat, flat, rows, nb.boolean, rows, rows, rows,
    )  # fmt: skip
    found: Callable[..., int] = nb.njit(signature, cache=True, error_model="numpy")(_stamp)
    return found


def windows_of(grid: Grid, centres: Sequence[Floats], reaches: Sequence[Floats]) -> Ints:
    """Return first and last row and column (n, 4) of the nodes within `reaches` of directions `centres`.

    A cap of angle e about latitude f spans f - e .. f + e and, east and west, asin(sin e / cos f); one that
    holds a pole spans every longitude.

    Directions [-], reaches [rad].
    """
    lon0 = near_longitude(lonlat_of(centres[0])[0], grid.middle)
    bounds = []
    for centre, reach in zip(centres, reaches, strict=True):
        lon, lat = lonlat_of(centre)
        lon = lon0 + np.remainder(lon - lon0 + np.pi, 2 * np.pi) - np.pi
        polar = np.abs(lat) + reach >= np.pi / 2 - 0.01
        ratio = np.sin(np.minimum(reach, 1.5)) / np.maximum(np.cos(lat), 1e-9)
        half = np.where(polar, np.pi, np.arcsin(np.clip(ratio, 0, 1)))
        bounds.append((lat - reach, lat + reach, lon - half, lon + half))
    south, north = np.min([b[0] for b in bounds], axis=0), np.max([b[1] for b in bounds], axis=0)
    west, east = np.min([b[2] for b in bounds], axis=0), np.max([b[3] for b in bounds], axis=0)
    window = np.stack(
        [
            np.floor((south - grid.lat[0]) / grid.lat_step),
            np.ceil((north - grid.lat[0]) / grid.lat_step) + 1,
            np.floor((west - grid.lon[0]) / grid.lon_step),
            np.ceil((east - grid.lon[0]) / grid.lon_step) + 1,
        ],
        axis=1,
    ).astype(np.int64)
    window[:, :2] = np.clip(window[:, :2], 0, len(grid.lat))
    if grid.full:
        window[:, 3] = np.minimum(window[:, 3], window[:, 2] + len(grid.lon))
    else:
        window[:, 2:] = np.clip(window[:, 2:], 0, len(grid.lon))
    return window


def run_stamp(
    grid: Grid,
    tip: Floats,
    direction: Floats,
    deep: Bools,
    window: Ints,
    form: int,
    radius: float,
    slope: float,
    entry: Floats,
    edge: Floats,
    edge_deep: Floats,
    sign: float = 1.0,
) -> int:
    """Call the compiled stamp and return its count; `sign` -1 looks along every ray the other way.

    Places and radii [mm], the rest [-].
    """
    args = (np.cos(grid.lat), np.sin(grid.lat), np.cos(grid.lon), np.sin(grid.lon))
    return stamper()(
        np.ascontiguousarray(tip), np.ascontiguousarray(direction), np.ascontiguousarray(deep), window,
        form, radius, slope, sign * args[0], sign * args[1], args[2], args[3],
        grid.radius, grid.full, entry, edge, edge_deep,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Cut:
    """What the feed moves take away, on the grid; and the samples that took it."""

    depth: Floats  # (h, w) along the ray, 0 where the skin is left
    edge: Floats  # (h, w) of every cut
    edge_deep: Floats  # (h, w) of the cuts that are meant to go through
    samples: Samples
    exit: Floats  # (n, 3) unit: where the cutter's axis leaves the skin
    depth_radial: Floats  # (n,) of the tip, along the ray
    deep: Bools  # (n,)
    cutter: Ints  # (n,)


def cut_by(grid: Grid, samples: Samples, cutter: Ints, cutters: Sequence[Cutter], floor: Floats) -> Cut:
    """Stamp all samples; a tip below `floor` (h, w) [mm along the ray] is meant to go through."""
    far = _MARGIN_STEPS * grid.lat_step * float(grid.radius.mean())
    lon, lat = lonlat_of(samples.tip)
    size = np.linalg.norm(samples.tip, axis=1)
    depth = grid.look(grid.radius, lon, lat) - size
    leaving = _exits(grid, samples)
    out_lon, out_lat = lonlat_of(leaving)
    deep = depth > grid.look(floor, out_lon, out_lat)
    entry = grid.radius.copy()
    edge, edge_deep = np.full(grid.radius.shape, far), np.full(grid.radius.shape, far)
    lean = np.maximum(np.sum(leaving * samples.direction, axis=1), 0.35)
    needed = ~_covered(samples, leaving * grid.look(grid.radius, out_lon, out_lat)[:, None], depth, cutter)
    changes = np.flatnonzero(np.diff(cutter)) + 1
    for first, last in pairwise([0, *changes.tolist(), len(cutter)]):
        mine = first + np.flatnonzero(needed[first:last])
        if len(mine) == 0:
            continue
        tool = cutters[cutter[first]]
        reach = tool.radius_mm + far
        at_tip = np.arcsin(np.clip(tool.radius_mm / np.maximum(size[mine], 1e-6), 0, 1))
        at_skin = reach / (grid.look(grid.radius, out_lon[mine], out_lat[mine]) * lean[mine])
        window = windows_of(grid, (leaving[mine], samples.tip[mine]), (at_skin, at_tip))
        form, slope = _form(tool)
        for _ in range(2):  # what a leaning cutter hollowed from the side may be open later
            under = run_stamp(
                grid, samples.tip[mine], samples.direction[mine], deep[mine], window,
                form, tool.radius_mm, slope, entry, edge, edge_deep,
            )  # fmt: skip
            if not under:
                break
    return Cut(grid.radius - entry, edge, edge_deep, samples, leaving, depth, deep, cutter)


def _covered(samples: Samples, exits: Floats, depth: Floats, cutter: Ints) -> Bools:
    """Return the samples whose solid lies within that of a deeper one on the same axis line.

    The levels of an opening run over each other. A place is left out when a deeper way of the same cutter,
    between two neighbouring samples of it, passes within a hundredth of a millimetre of where its axis leaves
    the skin, in the same direction: every end is contained in the same end moved down its own axis.
    """
    from scipy.spatial import cKDTree

    found = np.zeros(len(depth), bool)
    if len(depth) == 0:
        return found
    level: Ints = np.floor(depth / _LEVEL_MM).astype(np.int64)
    for number in np.unique(cutter):
        for here in np.unique(level[cutter == number])[:-1]:
            mine = np.flatnonzero((cutter == number) & (level == here))
            below = np.flatnonzero((cutter == number) & (level > here))
            gap, near = cKDTree(exits[below]).query(exits[mine], distance_upper_bound=_NEAR_WAY_MM)
            some = np.flatnonzero(np.isfinite(gap))
            own, deeper = mine[some], below[np.asarray(near, np.int64)[some]]
            sides: list[Ints] = [np.clip(deeper + step, 0, len(depth) - 1) for step in (-1, 1)]
            beside = np.min([to_segment(exits[own], exits[deeper], exits[side]) for side in sides], axis=0)
            ok = (beside < _SAME_WAY_MM) & (depth[deeper] > depth[own])
            for side in sides:  # the way next to it is as deep
                ok &= (cutter[side] == number) & (depth[side] > depth[own])
            ok &= np.abs(samples.direction[own] - samples.direction[deeper]).max(axis=1) < _SAME_LEAN
            found[own[ok]] = True
    return found


def beyond_cut(cut: Cut, cutters: Sequence[Cutter], points: Sequence[Floats], places: Floats) -> list[Floats]:
    """Return for groups of points how far each lies outside all that is cut near by; below 0 it is cut.

    Between the nodes of a grid this is exact where a straight line from node to node is not.

    Parameters
    ----------
    cut, cutters
        The samples, with the cutters that they belong to.
    points : sequence of ndarray (m, 3)
        Groups of points on the skin [mm].
    places : ndarray (n, 3)
        Middle of each group, on the skin; no point is farther from it than the grid's margin [mm].
    """
    from scipy.spatial import cKDTree

    samples, lean = cut.samples, np.maximum(np.sum(cut.exit * cut.samples.direction, axis=1), 0.35)
    out = cut.exit * (np.linalg.norm(samples.tip, axis=1) + cut.depth_radial)[:, None]
    radius = np.array([tool.radius_mm for tool in cutters])
    widest = float((radius[cut.cutter] / lean).max(initial=0.0)) + _NEAR_SAMPLES_MM
    near = cKDTree(out).query_ball_point(places, widest)
    return [
        _beyond(cut, cutters, np.asarray(own, np.int64), here) for here, own in zip(points, near, strict=True)
    ]


def _beyond(cut: Cut, cutters: Sequence[Cutter], own: Ints, points: Floats) -> Floats:
    """Return the distance of points (m, 3) from the nearest of the solids at some of the samples [mm]."""
    found = np.full(len(points), np.inf)
    for number in np.unique(cut.cutter[own]):
        mine = own[cut.cutter[own] == number]
        form, k = _form(cutters[number])
        a = cutters[number].radius_mm
        off = points[:, None, :] - cut.samples.tip[mine]
        h = np.einsum("mnc,nc->mn", off, cut.samples.direction[mine])
        rho = np.sqrt(np.maximum(np.sum(off * off, axis=2) - h * h, 0.0))
        if form == _BALL:
            gap = np.where(h < a, np.hypot(rho, h - a), rho) - a
        elif form == _CONE:
            gap = np.maximum(rho - a, (rho - h * k) / math.sqrt(1.0 + k * k))
        else:
            gap = np.maximum(rho - a, -h)
        found = np.minimum(found, gap.min(axis=1, initial=np.inf))
    return found


def _form(cutter: Cutter) -> tuple[int, float]:
    """Return the kernel's number for a cutter's end and the tangent of half its tip angle."""
    if cutter.form == CutterForm.BALL:
        return _BALL, 1.0
    if cutter.form in (CutterForm.CONE, CutterForm.DRILL) and cutter.tip_angle_deg < 179.0:
        return _CONE, math.tan(math.radians(cutter.tip_angle_deg) / 2)
    return _FLAT, 1.0


def _exits(grid: Grid, samples: Samples) -> Floats:
    """Return the directions in which the cutter's axis leaves the skin, for tips inside or just outside."""
    point = samples.tip
    for _ in range(4):
        unit = normalised(point)
        lon, lat = lonlat_of(unit)
        short = grid.look(grid.radius, lon, lat) - np.linalg.norm(point, axis=1)
        if np.abs(short).max(initial=0.0) < 0.01:
            break
        along = np.maximum(np.sum(unit * samples.direction, axis=1), 0.3)
        point = point + np.clip(short / along, -30.0, 60.0)[:, None] * samples.direction
    return normalised(point)
