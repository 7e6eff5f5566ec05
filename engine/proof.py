"""Does the program that was written cut the design, as deep as asked and nowhere else? By reading it back.

The program's own numbers are run through the machine's chain as its file defines it, every move is sampled
as the machine moves (linearly in its axes), and the cutter's solid is stamped into a grid of rays from the
mapping centre. Nothing here comes from the code that wrote the program: only records, frames, the skin and
the wall are shared.

For each ray the grid keeps two figures::

          skin ____   edge < 0   ____ skin      edge:  distance of the skin point from the cutter's solid,
                   |            |                      its zero line is the outline of the cut
                   |   depth    |               depth: skin radius less the smallest radius at which
                   |____________|                      the ray is inside the cutter

What a round cutter cannot reach is not held against the program (it is reported as an area), but what it
cuts too much is: skin is judged against the design as drawn.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from engine.errors import BadInput
from engine.frames import lonlat_of, near_longitude, normalised, unit_of
from engine.records import (
    Bools,
    Cutter,
    CutterForm,
    Finding,
    Floats,
    Ints,
    Machine,
    ReadProgram,
    Rules,
    Severity,
    Surface,
    Treatment,
    VirtualCut,
    Wall,
    WantedCut,
)
from engine.surface import normals_at, radius_at
from engine.wall import wall_at

if TYPE_CHECKING:
    from shapely import Polygon

_TURN_DEG = 1.0  # longest turn of the rotary axes between two samples
_RAPID_MM = 2.0  # longest way of the tip between two samples of a rapid
_MOST_NODES = 3_000_000
_SAMPLE_STEPS = 1.25  # between two places a 3 mm cutter leaves a cusp of 0.02 mm
_MARGIN_STEPS = 2  # grid steps beyond the cutter's edge in which the distance to it is kept
_HIGHEST_LATITUDE = math.radians(88.0)
_SAME_AXIS_MM = 0.1  # a rapid plunge must run in ground cut along the same line, to this
_LEVEL_MM = 2.0  # layers of depth that are compared with each other
_NEAR_WAY_MM = 0.5
_SAME_WAY_MM = 0.01
_SAME_LEAN = 3e-3
_FOOT_SETTLED = 2e-4  # change of a foot's direction [-]: a fiftieth of a millimetre on the skin
_SYMMETRIC = 0.95  # correlation of a design with its mirror picture above which mirroring cannot be told
_MOST_STANCES = 200  # places a region at which the cutter's direction is kept
_NEAR_TARGETS = 12
_SQUARE = math.radians(1.0)  # a shank this little off the ray touches no wall that the ball does not
_UPRIGHT = math.radians(4.0)  # a lean below it changes widths by less than 0.25 %
_LEANS_MUCH = math.radians(22.0)  # below it the nearest target across is the nearest one, to 0.3 %
_MOST_LEAN = math.radians(50.0)
_BAND_MM = 0.5  # about the cutter's radius: there distances are taken exactly
_FLAT, _BALL, _CONE, _SPHERE = 0, 1, 2, 3


# --- the machine, straight from the definition in DEVELOPERS.md ----------------------------------------


def _turned(vectors: Floats, along: Floats, angle_rad: Floats) -> Floats:
    """Return vectors (n, 3) turned by angles (n,) about a unit direction through the origin (Rodrigues)."""
    c, s = np.cos(angle_rad)[:, None], np.sin(angle_rad)[:, None]
    found: Floats = vectors * c + np.cross(along, vectors) * s + along * (vectors @ along)[:, None] * (1 - c)
    return found


def tips_of(machine: Machine, axes: Floats) -> tuple[Floats, Floats]:
    """Return where the cutter stands in the seat frame for given values of the axes.

    Parameters
    ----------
    machine : Machine
        The axis chain.
    axes : ndarray (n, k)
        Values in the order of `machine.axes` [mm, deg].

    Returns
    -------
    tuple of ndarray (n, 3)
        Tips in the seat frame [mm] and unit directions from the tip into the holder [-].
    """
    n = len(axes)
    tip = np.broadcast_to(np.asarray(machine.cutter_tip_at_zero_mm, float), (n, 3))
    direction = np.broadcast_to(normalised(np.asarray(machine.cutter_axis, float)), (n, 3))
    columns = list(enumerate(machine.axes))
    cutter_side = [(i, axis, 1.0) for i, axis in reversed(columns) if axis.moves == "cutter"]
    work_side = [(i, axis, -1.0) for i, axis in columns if axis.moves == "work"]
    for i, axis, sign in cutter_side + work_side:
        along = normalised(np.asarray(axis.direction, float))
        if axis.kind == "linear":
            tip = tip + sign * axes[:, i, None] * along
        else:
            angle = sign * np.radians(axes[:, i])
            through = np.asarray(axis.through, float)
            tip = _turned(tip - through, along, angle) + through
            direction = _turned(direction, along, angle)
    return tip - np.asarray(machine.seat_mm, float), normalised(direction)


@dataclass(frozen=True, slots=True, eq=False)
class _Samples:
    """Places of the cutter along the moves, in order; `row` is the program row of the move's end."""

    tip: Floats  # (n, 3) work frame
    direction: Floats  # (n, 3)
    row: Ints  # (n,)

    def only(self, keep: Bools | Ints) -> _Samples:
        return _Samples(self.tip[keep], self.direction[keep], self.row[keep])


def _sampled(program: ReadProgram, machine: Machine, origin_mm: Floats, spacing_mm: float) -> _Samples:
    """Sample every move linearly in the axes, so finely that tips lie at most `spacing_mm` apart."""
    if len(program.axes) < 2:
        return _Samples(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0, np.int64))
    start, change = program.axes[:-1], np.diff(program.axes, axis=0)
    rotary = np.array([axis.kind == "rotary" for axis in machine.axes])
    turn = np.abs(change[:, rotary]).sum(axis=1)
    longest = np.where(program.rapid[1:], _RAPID_MM, spacing_mm)
    # first by turn, so that an arc is not taken for its chord; then by the way of the tip
    pieces = np.maximum(np.ceil(turn / _TURN_DEG), 1).astype(np.int64)
    move = np.repeat(np.arange(len(pieces)), pieces)
    piece = _count_up(pieces)
    begin, end = piece / pieces[move], (piece + 1) / pieces[move]
    from_tip, _ = tips_of(machine, start[move] + begin[:, None] * change[move])
    to_tip, _ = tips_of(machine, start[move] + end[:, None] * change[move])
    way = np.linalg.norm(to_tip - from_tip, axis=1)
    parts = np.maximum(np.ceil(way / longest[move] - 1e-9), 1).astype(np.int64)
    which = np.repeat(np.arange(len(parts)), parts)
    share = begin[which] + (end - begin)[which] * (_count_up(parts) + 1) / parts[which]
    tip, direction = tips_of(machine, start[move[which]] + share[:, None] * change[move[which]])
    return _Samples(tip - origin_mm, direction, move[which] + 1)


def _count_up(counts: Ints) -> Ints:
    """Return 0 .. c-1 for each count c, one after another."""
    found: Ints = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
    return found


# --- the grid of rays ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Grid:
    """Rays at longitude x latitude; a full circle wraps and does not repeat its first column."""

    lon: Floats  # (w,)
    lat: Floats  # (h,)
    full: bool
    radius: Floats  # (h, w) skin
    skin: Floats  # (h, w, 3)
    upright: Floats  # (h, w) cosine between ray and normal
    area: Floats  # (h, w) of skin [mm2]

    @property
    def lon_step(self) -> float:
        return float(self.lon[1] - self.lon[0])

    @property
    def lat_step(self) -> float:
        return float(self.lat[1] - self.lat[0])

    @property
    def middle(self) -> float:
        return float(self.lon[0] + self.lon[-1]) / 2

    def place(self, lon: Floats, lat: Floats) -> tuple[Floats, Floats]:
        """Return row and column, with fractions; columns lie about the grid's middle."""
        return (lat - self.lat[0]) / self.lat_step, (
            near_longitude(lon, self.middle) - self.lon[0]
        ) / self.lon_step

    def look(self, grid: Floats, lon: Floats, lat: Floats) -> Floats:
        """Return a field of the grid between its nodes (bilinear)."""
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

    def normals(self) -> Floats:
        """Return the skin's normals at the nodes (h, w, 3)."""
        return normalised(np.cross(np.gradient(self.skin, axis=1), np.gradient(self.skin, axis=0)))

    def nearest(self, grid: Any, lon: Floats, lat: Floats) -> Any:
        """Return a field of the grid at the nearest node."""
        row, column = self.place(lon, lat)
        i = np.clip(np.rint(row).astype(np.int64), 0, len(self.lat) - 1)
        j = np.rint(column).astype(np.int64)
        j = j % len(self.lon) if self.full else np.clip(j, 0, len(self.lon) - 1)
        return grid[i, j]


def _grid(
    surface: Surface, lon: Sequence[tuple[float, float]], lat: tuple[float, float], step: float
) -> _Grid:
    """Lay a grid over arcs of longitude (from, to) and a band of latitude, about `step` mm at the skin."""
    low, high = max(lat[0], -_HIGHEST_LATITUDE), min(lat[1], _HIGHEST_LATITUDE)
    first, width = _covering_arc(lon)
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
    return _measured(longitudes, latitudes, full, radii)


def _measured(lon: Floats, lat: Floats, full: bool, radii: Floats) -> _Grid:
    """Complete a grid with what follows from its radii."""
    unit = unit_of(lon[None, :], lat[:, None])
    wide = np.concatenate([radii[:, -1:], radii, radii[:, :1]], axis=1) if full else radii
    by_lon = np.gradient(wide, lon[1] - lon[0], axis=1)
    by_lon = by_lon[:, 1:-1] if full else by_lon
    by_lat = np.gradient(radii, lat[1] - lat[0], axis=0)
    cosine = np.cos(lat)[:, None]
    upright = radii / np.sqrt(radii**2 + by_lat**2 + (by_lon / cosine) ** 2)
    area = radii**2 * cosine * (lon[1] - lon[0]) * (lat[1] - lat[0]) / upright
    return _Grid(lon, lat, full, radii, radii[..., None] * unit, upright, area)


def _covering_arc(arcs: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Return start and width of the shortest arc over all arcs; a full circle when little would be left."""
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


# --- stamping the cutter's solid -----------------------------------------------------------------------


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
                if form == _SPHERE:  # about the tip itself; used for the ground that a ball can reach
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


def _windows(grid: _Grid, centres: Sequence[Floats], reaches: Sequence[Floats]) -> Ints:
    """Return first and last row and column (n, 4) of the nodes within `reaches` of directions `centres`.

    A cap of angle e about latitude f spans f - e .. f + e and, east and west, asin(sin e / cos f); one that
    holds a pole spans every longitude.
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


def _run_stamp(
    grid: _Grid,
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
    """Call the compiled stamp and return its count; `sign` -1 looks along every ray the other way."""
    args = (np.cos(grid.lat), np.sin(grid.lat), np.cos(grid.lon), np.sin(grid.lon))
    return stamper()(
        np.ascontiguousarray(tip), np.ascontiguousarray(direction), np.ascontiguousarray(deep), window,
        form, radius, slope, sign * args[0], sign * args[1], args[2], args[3],
        grid.radius, grid.full, entry, edge, edge_deep,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """What the feed moves take away, on the grid; and the samples that took it."""

    depth: Floats  # (h, w) along the ray, 0 where the skin is left
    edge: Floats  # (h, w) of every cut
    edge_deep: Floats  # (h, w) of the cuts that are meant to go through
    samples: _Samples
    exit: Floats  # (n, 3) unit: where the cutter's axis leaves the skin
    depth_radial: Floats  # (n,) of the tip, along the ray
    deep: Bools  # (n,)
    cutter: Ints  # (n,)


def _cut(grid: _Grid, samples: _Samples, cutter: Ints, cutters: Sequence[Cutter], floor: Floats) -> _Cut:
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
        window = _windows(grid, (leaving[mine], samples.tip[mine]), (at_skin, at_tip))
        form, slope = _form(tool)
        for _ in range(2):  # what a leaning cutter hollowed from the side may be open later
            under = _run_stamp(
                grid, samples.tip[mine], samples.direction[mine], deep[mine], window,
                form, tool.radius_mm, slope, entry, edge, edge_deep,
            )  # fmt: skip
            if not under:
                break
    return _Cut(grid.radius - entry, edge, edge_deep, samples, leaving, depth, deep, cutter)


def _covered(samples: _Samples, exits: Floats, depth: Floats, cutter: Ints) -> Bools:
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
            beside = np.min([_to_segment(exits[own], exits[deeper], exits[side]) for side in sides], axis=0)
            ok = (beside < _SAME_WAY_MM) & (depth[deeper] > depth[own])
            for side in sides:  # the way next to it is as deep
                ok &= (cutter[side] == number) & (depth[side] > depth[own])
            ok &= np.abs(samples.direction[own] - samples.direction[deeper]).max(axis=1) < _SAME_LEAN
            found[own[ok]] = True
    return found


def _form(cutter: Cutter) -> tuple[int, float]:
    """Return the kernel's number for a cutter's end and the tangent of half its tip angle."""
    if cutter.form == CutterForm.BALL:
        return _BALL, 1.0
    if cutter.form in (CutterForm.CONE, CutterForm.DRILL) and cutter.tip_angle_deg < 179.0:
        return _CONE, math.tan(math.radians(cutter.tip_angle_deg) / 2)
    return _FLAT, 1.0


def _exits(grid: _Grid, samples: _Samples) -> Floats:
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


# --- the design on the grid ----------------------------------------------------------------------------


def _near(polygon: Polygon, middle: float) -> Polygon:
    """Return the polygon with its middle within half a turn of a longitude."""
    from shapely import affinity

    west, _, east, _ = polygon.bounds
    turns = round((middle - (west + east) / 2) / (2 * math.pi))
    moved: Polygon = affinity.translate(polygon, turns * 2 * math.pi)
    return moved


def _filled(grid: _Grid, polygon: Polygon) -> Bools:
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
        at = from_row[segment] + _count_up(to_row - from_row)
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
class _Line:
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
            _to_segment(points, here, self.point[self.before[near]]),
            _to_segment(points, here, self.point[self.after[near]]),
        )
        return found, near


def _to_segment(points: Floats, one: Floats, other: Floats) -> Floats:
    """Return the distance of each point to its own segment."""
    along = other - one
    size = np.maximum(np.sum(along**2, axis=1), 1e-18)
    share = np.clip(np.sum((points - one) * along, axis=1) / size, 0.0, 1.0)
    found: Floats = np.linalg.norm(points - one - share[:, None] * along, axis=1)
    return found


def _line(surface: Surface, runs: Sequence[tuple[Floats, bool, int]]) -> _Line:
    """Put runs of (longitude, latitude) on the skin; each says whether it is closed, and its owner.

    A closed run repeats its first vertex at the end.
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
    return _Line(point, flat[:, 0], flat[:, 1], before, after, owner, cKDTree(point))


def _rings(polygons: Sequence[Polygon], longest_rad: float) -> list[tuple[Floats, bool, int]]:
    """Return the rings of polygons as dense closed runs."""
    from shapely import segmentize

    dense = [segmentize(polygon, longest_rad) for polygon in polygons]
    return [
        (np.asarray(ring.coords)[:, :2], True, owner)
        for owner, polygon in enumerate(dense)
        for ring in (polygon.exterior, *polygon.interiors)
    ]


def _contours(grid: _Grid, values: Floats, level: float = 0.0) -> list[tuple[Floats, bool, int]]:
    """Return the lines of a level as runs of longitude and latitude."""
    from contourpy import contour_generator

    lon = grid.lon
    if grid.full:
        lon, values = np.append(lon, lon[0] + 2 * np.pi), np.concatenate([values, values[:, :1]], axis=1)
    lines: list[Floats] = contour_generator(x=lon, y=grid.lat, z=values).lines(level)  # type: ignore[assignment]
    return [(line, bool(len(line) > 2 and np.all(line[0] == line[-1])), -1) for line in lines]


def _contains(polygons: Sequence[Polygon], lon: Floats, lat: Floats) -> Ints:
    """Return the index of the first polygon that holds each place, -1 = none."""
    from shapely import contains_xy, prepare

    found = np.full(len(lon), -1, np.int64)
    for number, polygon in enumerate(polygons):
        prepare(polygon)
        west, south, east, north = polygon.bounds
        around = near_longitude(lon, (west + east) / 2)
        box = (around >= west) & (around <= east) & (lat >= south) & (lat <= north) & (found < 0)
        found[box] = np.where(contains_xy(polygon, around[box], lat[box]), number, -1)
    return found


def _labelled(grid: _Grid, mask: Bools) -> tuple[Ints, int]:
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


def _loose(grid: _Grid, left: Bools, design: Bools) -> Bools:
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


# --- what a round cutter can reach ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Stance:
    """How the cutter stands near places of the skin, as the program held it; upright where it never was."""

    tree: Any  # of places on the skin; None when no cutter came here
    direction: Floats  # (n, 3)
    lean_rad: float  # the most from the skin's normal

    def across(self, tree: Any, targets: Floats, points: Floats) -> Floats:
        """Return for each point the distance to the nearest of `targets`, square to the cutter [mm].

        Seen along a leaning cutter lengths along its lean are shorter; the nearest target may then be another
        one, so several are tried where it leans much.
        """
        if self.lean_rad < _UPRIGHT or len(targets) < _NEAR_TARGETS:
            return np.asarray(tree.query(points)[0], float)
        many = _NEAR_TARGETS if self.lean_rad > _LEANS_MUCH else 1
        near = tree.query(points, k=many)[1].reshape(len(points), many)
        _, own = self.tree.query(points)
        off = targets[near] - points[:, None, :]
        along = np.einsum("nkc,nc->nk", off, self.direction[own])
        found: Floats = np.sqrt(np.maximum(np.sum(off * off, axis=2) - along * along, 0.0).min(axis=1))
        return found


@dataclass(frozen=True, slots=True, eq=False)
class _Reach:
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
        return np.maximum(self.stance.across(self.tree, self.middles, points) - self.radius, 0.0)

    def short(self, points: Floats, to_outline: Floats) -> Floats:
        """Return by how much points inside the region fall short of what the cutter could reach [mm]."""
        if self.tree is None:
            return to_outline
        by_round = self.radius - self.stance.across(self.tree, self.middles, points)
        return np.where(to_outline >= self.radius, to_outline, np.clip(by_round, 0.0, to_outline))


def _stance(samples: _Samples, exits: Floats, lean_rad: Floats, mine: Ints) -> _Stance:
    """Return how the cutter stood at some of the samples, thinned out: it turns slowly."""
    from scipy.spatial import cKDTree

    if len(mine) == 0:
        return _Stance(None, np.zeros((0, 3)), 0.0)
    mine = mine[:: max(1, len(mine) // _MOST_STANCES)]
    return _Stance(cKDTree(exits[mine]), samples.direction[mine], float(lean_rad[mine].max()))


def _reach(grid: _Grid, polygon: Polygon, rim: Floats, radius: float, stance: _Stance) -> _Reach:
    """Find where a cutter may stand in a region, at true scale on the skin, at half the grid's step.

    `rim` (n, 3) are points of the region's outline on the skin, so close that the nearest one will do.
    """
    from scipy.ndimage import distance_transform_edt
    from scipy.spatial import cKDTree

    fine = _window_grid(grid, polygon, 2)
    inside = _filled(fine, polygon)
    row_mm = fine.lat_step * float(fine.radius.mean())
    column_mm = fine.lon_step * float((fine.radius * np.cos(fine.lat)[:, None]).mean())
    roughly = distance_transform_edt(inside, sampling=(row_mm, column_mm))
    widest = radius / math.cos(min(stance.lean_rad, _MOST_LEAN))
    close = inside & (roughly > radius - _BAND_MM) & (roughly < widest + _BAND_MM)
    to_outline = np.where(roughly < radius, np.minimum(roughly, radius - _BAND_MM / 2), widest + _BAND_MM)
    to_outline[~inside] = 0.0
    to_outline[close] = stance.across(cKDTree(rim), rim, fine.skin[close])
    runs = [run[0] for run in _contours(fine, to_outline, radius)]
    if runs:
        flat = np.concatenate(runs)
        unit = unit_of(flat[:, 0], flat[:, 1])
        # the line is cut short at its own corners; the nodes just inside are not
        corner = fine.skin[(to_outline >= radius) & (to_outline < radius + row_mm)]
        middles = np.concatenate([grid.look(grid.radius, flat[:, 0], flat[:, 1])[:, None] * unit, corner])
    else:  # a region just as wide as the cutter has no area of middles, but a line of them
        middles = fine.skin[close & (to_outline > radius - 0.15)]
    if len(middles) == 0:
        return _Reach(radius, stance, middles, None, 0.0)
    tree = cKDTree(middles)
    centre = distance_transform_edt(~(inside & (to_outline >= radius)), sampling=(row_mm, column_mm))
    rest = inside & (centre > radius - _BAND_MM)
    beyond = stance.across(tree, middles, fine.skin[rest]) - radius
    share = np.where(beyond < 0.25 * row_mm, 0.0, np.clip(beyond / row_mm + 0.5, 0.0, 1.0))
    return _Reach(radius, stance, middles, tree, float(share @ fine.area[rest]))


def _window_grid(grid: _Grid, polygon: Polygon, times: int) -> _Grid:
    """Return a finer grid around one polygon, its skin read from the coarser one."""
    west, south, east, north = polygon.bounds
    lon_step, lat_step = grid.lon_step / times, grid.lat_step / times
    lon = west + np.float64(lon_step) * np.arange(-2.5, math.ceil((east - west) / lon_step) + 4)
    lat = south + np.float64(lat_step) * np.arange(-2.5, math.ceil((north - south) / lat_step) + 4)
    return _measured(lon, lat, False, grid.look(grid.radius, *np.meshgrid(lon, lat)))


# --- the design, gathered ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Regions:
    """Regions of one treatment, with their outlines on the skin."""

    names: tuple[str, ...]
    polygons: tuple[Polygon, ...]
    inside: Ints  # (h, w) index of the region, -1 outside all
    line: _Line

    def holds(self, lon: Floats, lat: Floats) -> Ints:
        return _contains(self.polygons, lon, lat)


def _regions(surface: Surface, grid: _Grid, wanted: WantedCut, treatment: Treatment) -> _Regions:
    chosen = [i for i, kind in enumerate(wanted.treatments) if kind == treatment]
    polygons = tuple(_near(wanted.outlines[i], grid.middle) for i in chosen)
    inside = np.full(grid.radius.shape, -1, np.int64)
    for number, polygon in enumerate(polygons):
        inside[_filled(grid, polygon)] = number
    line = _line(surface, _rings(polygons, grid.lat_step * 0.75))
    return _Regions(tuple(wanted.names[i] for i in chosen), polygons, inside, line)


@dataclass(frozen=True, slots=True, eq=False)
class _Design:
    """Everything wanted, on the grid."""

    grid: _Grid
    openings: _Regions
    shaves: _Regions
    keeps: _Regions
    relief: Floats  # (h, w) wanted depth along the ray [mm], 0 where none is wanted
    relief_mask: Bools  # (h, w)
    relief_step: tuple[int, int]  # rows and columns of the grid in one step of the wanted depth's own
    wall: Floats  # (h, w) along the ray
    asked: Floats  # (h, w) depth along the ray [mm], openings to the inner wall

    @property
    def allowed(self) -> Bools:
        """Where anything may be cut; the relief's rim is known to one step of its own grid only."""
        relief = _grown(self.grid, self.relief_mask, *self.relief_step)
        cut = (self.openings.inside >= 0) | (self.shaves.inside >= 0) | relief
        found: Bools = cut & (self.keeps.inside < 0)
        return found


def _design(surface: Surface, wall: Wall, grid: _Grid, wanted: WantedCut, rules: Rules) -> _Design:
    openings = _regions(surface, grid, wanted, Treatment.OPENING)
    shaves = _regions(surface, grid, wanted, Treatment.SHAVE)
    keeps = _regions(surface, grid, wanted, Treatment.KEEP)
    relief, mask, step = _relief_on(grid, wanted)
    thick = _wall_on(grid, wall) / grid.upright
    asked = np.where(shaves.inside >= 0, rules.shave_depth_mm / grid.upright, relief)
    asked = np.where(openings.inside >= 0, thick, asked)
    return _Design(grid, openings, shaves, keeps, relief, mask, step, thick, asked)


def _relief_on(grid: _Grid, wanted: WantedCut) -> tuple[Floats, Bools, tuple[int, int]]:
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


def _wall_on(grid: _Grid, wall: Wall, step_rad: float = math.radians(2.0)) -> Floats:
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


def _grown(grid: _Grid, mask: Bools, rows: int, columns: int) -> Bools:
    """Return a mask grown by nodes up and down and to the sides, round the back on a full circle."""
    from scipy.ndimage import maximum_filter

    if grid.full:
        mask = np.concatenate([mask[:, -columns:], mask, mask[:, :columns]], axis=1) if columns else mask
    found: Bools = maximum_filter(mask.view(np.uint8), (2 * rows + 1, 2 * columns + 1), mode="nearest") > 0
    return found[:, columns : found.shape[1] - columns] if grid.full else found


def _nodes(grid: _Grid, length_mm: float) -> tuple[int, int]:
    """Return how many rows and columns a length spans, rounded up, where the columns are closest."""
    size = float(grid.radius.min())
    narrow = size * float(np.cos(grid.lat).min()) * grid.lon_step
    return math.ceil(length_mm / (size * grid.lat_step)), math.ceil(length_mm / narrow)


def _through_floor(grid: _Grid, design: _Design, widest_mm: float) -> Floats:
    """Return the depth [mm along the ray] below which a tip can only mean an opening.

    Half-way between the deepest floor that is wanted near by and the wall; nought if only openings are.
    """
    from scipy.ndimage import maximum_filter

    shallow = np.where(design.openings.inside >= 0, design.relief, design.asked)
    if not shallow.any():
        return np.zeros(grid.radius.shape)
    rows, columns = _nodes(grid, widest_mm)
    near = maximum_filter(shallow, (2 * rows + 1, 2 * columns + 1), mode=("nearest", "wrap"))
    found: Floats = (near + design.wall) / 2
    return found


# --- the judgements ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Errors:
    """Errors of one kind at places on the skin, each with its region (-1 = none)."""

    size: Floats  # (n,) [mm]
    lon: Floats
    lat: Floats
    region: Ints

    def worst(self, region: int) -> tuple[float, float, float] | None:
        """Return the largest error of a region with its longitude and latitude [deg]."""
        mine = np.flatnonzero(self.region == region)
        if len(mine) == 0:
            return None
        at = mine[int(np.argmax(self.size[mine]))]
        return float(self.size[at]), math.degrees(self.lon[at]), math.degrees(self.lat[at])


_NO_ERRORS = _Errors(np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0, np.int64))


def _refuse(
    rule: str,
    text: str,
    fix: str,
    place: str = "",
    at: tuple[float, float] | None = None,
    measured: float | None = None,
    allowed: float | None = None,
    unit: str = "mm",
) -> Finding:
    """Return a finding that refuses the job; `at` is longitude and latitude in degrees."""
    lon, lat = at if at is not None else (None, None)
    if lon is not None:
        lon = (lon + 180.0) % 360.0 - 180.0
    return Finding(
        Severity.REFUSE,
        rule,
        text,
        fix,
        place,
        lon,
        lat,
        measured,
        allowed,
        unit if measured is not None else "",
    )


def _outline_errors(
    grid: _Grid, regions: _Regions, reaches: Sequence[_Reach], cut: _Line, edge: Floats, kept: Bools
) -> _Errors:
    """Compare the outline of the cut with the design, both ways.

    From the cut to the design: what lies outside counts in full, what lies inside counts as far as the cutter
    could have gone further. From the design to the cut: likewise, less the gap that the cutter's round
    leaves in a corner. `kept` (n,) says which vertices of the design can be seen at all.
    """
    out, near = regions.line.distance(cut.point)
    holder = regions.holds(cut.lon, cut.lat)
    back, _ = cut.distance(regions.line.point)
    within = grid.look(edge, regions.line.lon, regions.line.lat) < 0
    for number, reach in enumerate(reaches):
        mine = holder == number
        out[mine] = reach.short(cut.point[mine], out[mine])
        mine = (regions.line.owner == number) & ~within
        back[mine] = np.maximum(back[mine] - reach.gap(regions.line.point[mine]), 0.0)
    owner = np.where(holder >= 0, holder, regions.line.owner[near])
    if len(cut) == 0:  # nothing is cut: as wrong as the design is large
        size = float(np.linalg.norm(np.ptp(regions.line.point, axis=0)))
        back = np.full(len(regions.line), size)
    return _Errors(
        np.concatenate([out, back[kept]]),
        np.concatenate([cut.lon, regions.line.lon[kept]]),
        np.concatenate([cut.lat, regions.line.lat[kept]]),
        np.concatenate([owner, regions.line.owner[kept]]),
    )


def _only(line: _Line, keep: Bools) -> _Line:
    """Return some of the vertices of a line; a lost neighbour is replaced by the vertex itself."""
    from scipy.spatial import cKDTree

    number = np.where(keep, np.cumsum(keep) - 1, -1)
    here = np.flatnonzero(keep)
    before, after = number[line.before[here]], number[line.after[here]]
    own = np.arange(len(here))
    return _Line(
        line.point[here],
        line.lon[here],
        line.lat[here],
        np.where(before < 0, own, before),
        np.where(after < 0, own, after),
        line.owner[here],
        cKDTree(line.point[here]),
    )


def _apart(regions: _Regions, step: float) -> Bools:
    """Return which vertices of the outlines do not lie in or at another region, where they cannot be seen."""
    from shapely import STRtree

    found = np.ones(len(regions.line), bool)
    pairs = STRtree(regions.polygons).query(regions.polygons, predicate="intersects")
    for one, other in pairs.T[pairs[0] != pairs[1]]:
        mine = np.flatnonzero(regions.line.owner == one)
        points, lon, lat = regions.line.point[mine], regions.line.lon[mine], regions.line.lat[mine]
        near, _ = _only(regions.line, regions.line.owner == other).distance(points)
        inside = _contains([regions.polygons[other]], lon, lat) >= 0
        found[mine] &= (near > step) & ~inside
    return found


def _uncut(grid: _Grid, regions: _Regions, edge: Floats) -> list[int]:
    """Return the regions in which nothing at all is cut."""
    from scipy.ndimage import minimum

    found = []
    numbers = np.arange(len(regions.polygons))
    least = np.atleast_1d(minimum(edge, regions.inside, numbers)) if len(numbers) else numbers
    held = np.bincount(regions.inside[regions.inside >= 0], minlength=len(numbers)) > 0
    for number, polygon in enumerate(regions.polygons):
        point = polygon.representative_point()
        middle = grid.look(edge, np.array([point.x]), np.array([point.y]))
        rim = grid.look(
            edge, *(values[regions.line.owner == number] for values in (regions.line.lon, regions.line.lat))
        )
        if not ((held[number] and least[number] < 0) or (middle < 0).any() or (rim < 0).any()):
            found.append(number)
    return found


# depth of openings


def _foot(surface: Surface, points: Floats, start: Floats, rounds: int = 18) -> tuple[Floats, Floats]:
    """Return depth below the skin (n,) and the foot's direction (n, 3), going along normals from a start.

    Steps are halved: in the valley between two ribs, whose hollow is tighter than the depth, whole steps
    would leap from flank to flank for ever.
    """
    unit = start
    depth = np.zeros(len(points))
    for _ in range(rounds):
        normal = normals_at(surface, unit)
        depth = np.sum((radius_at(surface, unit)[:, None] * unit - points) * normal, axis=1)
        onward = normalised(points + depth[:, None] * normal)
        settled = bool(np.abs(onward - unit).max(initial=0.0) < _FOOT_SETTLED)
        unit = normalised(onward + unit)
        if settled:
            break
    return depth, unit


def _nearest_foot(surface: Surface, points: Floats) -> tuple[Floats, Floats]:
    """Return the true nearest distance to the skin, from a cloud of skin points all round."""
    from scipy.spatial import cKDTree

    lat = np.radians(np.arange(-88.5, 89.0, 1.5))
    unit = unit_of(np.radians(np.arange(0.0, 360.0, 1.5))[None, :], lat[:, None]).reshape(-1, 3)
    cloud = radius_at(surface, unit)[:, None] * unit
    _, near = cKDTree(cloud).query(points)
    return _foot(surface, points, unit[near])


def _deepest(grid: _Grid, cut: _Cut, region: Ints, step_down_mm: float) -> Ints:
    """Return the samples at the deepest level of their place, one for each small cell of the grid."""
    from scipy.ndimage import maximum_filter

    candidates = np.flatnonzero((region >= 0) & (cut.depth_radial > 0))
    lon, lat = lonlat_of(cut.exit[candidates])
    row, column = grid.place(lon, lat)
    i = np.clip(np.rint(row).astype(np.int64) // 2, 0, None)
    j = np.clip(np.rint(column).astype(np.int64) // 2, 0, None)
    if len(candidates) == 0:
        return candidates
    width = int(j.max()) + 1
    order = np.lexsort((cut.depth_radial[candidates], i * width + j))
    cell = (i * width + j)[order]
    last = order[np.append(cell[1:] != cell[:-1], True)]
    depth = np.zeros((int(i.max()) + 1, width))
    depth[i[last], j[last]] = cut.depth_radial[candidates[last]]
    # a cell that a path only clips may have missed the deepest level: its neighbours tell
    around = maximum_filter(depth, 3, mode="constant")
    clear = depth[i[last], j[last]] > around[i[last], j[last]] - max(0.4 * step_down_mm, 0.5)
    found: Ints = candidates[last[clear]]
    return found


def _opening_depths(
    surface: Surface,
    wall: Wall,
    grid: _Grid,
    cut: _Cut,
    design: _Design,
    cutters: Sequence[Cutter],
    rules: Rules,
) -> tuple[_Errors, _Errors]:
    """Return errors of the tip's depth, and the wall that remains under the tip, in openings.

    The wall is a thickness along the normal. Under a sharp rib the nearest skin may be another place than
    the one whose normal leads to the tip; the depth is right if it is right for either, but the wall
    must be cut through for the nearest.
    """
    lon, lat = lonlat_of(cut.exit)
    region = np.where(cut.deep, grid.nearest(design.openings.inside, lon, lat), -1)
    at = _deepest(grid, cut, region, min(tool.step_down_mm for tool in cutters))
    tip, leaving = cut.samples.tip[at], cut.exit[at]
    near_depth, near_foot = _nearest_foot(surface, tip)
    own_depth, own_foot = _foot(surface, tip, leaving)
    near_off = near_depth - wall_at(wall, near_foot)
    own_off = own_depth - wall_at(wall, own_foot)
    error = np.minimum(np.abs(near_off - rules.overshoot_mm), np.abs(own_off - rules.overshoot_mm))
    return (
        _Errors(error, lon[at], lat[at], region[at]),
        _Errors(-near_off, lon[at], lat[at], region[at]),
    )


# depth of shaves and reliefs


def _shave_depths(
    grid: _Grid, cut: _Cut, design: _Design, reaches: Sequence[_Reach], rules: Rules
) -> _Errors:
    """Return errors of the depth along the normal in shaved regions, where the cutter's round fits."""
    step = grid.lat_step * float(grid.radius.mean())
    plain = (design.openings.inside < 0) & ~design.relief_mask & (cut.edge_deep > step)
    rows, columns = np.nonzero((design.shaves.inside >= 0) & plain)
    if len(rows) == 0:
        return _NO_ERRORS
    region = design.shaves.inside[rows, columns]
    points = grid.skin[rows, columns]
    margin, _ = design.shaves.line.distance(points)
    fits = margin > step
    for number, reach in enumerate(reaches):
        mine = region == number
        fits[mine] &= (margin[mine] >= reach.radius) | (reach.gap(points[mine]) <= 0)
    depth = (cut.depth * grid.upright)[rows, columns]
    error = np.abs(depth - rules.shave_depth_mm)
    return _Errors(error[fits], grid.lon[columns[fits]], grid.lat[rows[fits]], region[fits])


def _reachable(grid: _Grid, wanted: Floats, mask: Bools, radius: float) -> Floats:
    """Return the depth that balls leave which nowhere cut below the wanted depth [mm along the ray].

    A ball comes to rest on the wanted floor where the sphere about some floor point last meets its ray; what
    all resting balls take away is then stamped. Both are the same stamp, the first looking outwards.
    """
    near = _grown(grid, mask, *_nodes(grid, radius))
    unit = grid.skin[near] / grid.radius[near][:, None]
    floor = (grid.radius - wanted)[near]
    rest = np.full(grid.radius.shape, np.inf)
    _stamp_balls(grid, unit * floor[:, None], unit, radius, rest, -1.0)
    middle = -rest[near]
    entry = np.full(grid.radius.shape, np.inf)
    _stamp_balls(grid, unit * middle[:, None], unit, radius, entry, 1.0)
    found: Floats = np.maximum(grid.radius - entry, 0.0)
    return found


def _stamp_balls(
    grid: _Grid, middle: Floats, unit: Floats, radius: float, entry: Floats, sign: float
) -> None:
    """Stamp balls about points on the rays `unit` into `entry`."""
    angle = np.arcsin(np.clip(radius / np.linalg.norm(middle, axis=1), 0, 1))
    window = _windows(grid, (unit,), (angle,))
    unused = np.zeros((1, 1))
    deep = np.zeros(len(middle), bool)
    _run_stamp(grid, middle, unit, deep, window, _SPHERE, radius, 1.0, entry, unused, unused, sign)


def _relief_depths(grid: _Grid, cut: _Cut, design: _Design, cutters: Sequence[Cutter]) -> _Errors:
    """Return errors of the relief: cut deeper than wanted, or shallower than a ball could reach.

    A step of the floor may lie one node, or half a step of the wanted depth's own grid, to the side. The
    height of the ridges between two neighbouring passes is allowed for, and so are the places beside a wall
    from which the shank of a leaning ball keeps it away. What is left standing on a steep wall is measured
    square to the wall.
    """
    from scipy.ndimage import maximum_filter, minimum_filter

    mask = design.relief_mask & (design.openings.inside < 0) & (design.shaves.inside < 0)
    step = grid.lat_step * float(grid.radius.mean())
    mask &= cut.edge_deep > 0.5 * step
    if not mask.any():
        return _NO_ERRORS
    tool = _finishing(grid, cut, design, cutters)
    reach = np.minimum(_reachable(grid, design.relief, design.relief_mask, tool.radius_mm), design.relief)
    rows, columns = (max(1, -(-count // 2)) for count in design.relief_step)
    near = (2 * rows + 1, 2 * columns + 1)
    gouge = cut.depth - maximum_filter(design.relief, near)
    kept_off = _kept_off(grid, cut, design, tool)
    inner = ~_grown(grid, ~mask, *_nodes(grid, tool.radius_mm + kept_off))
    beside = [2 * count + size for count, size in zip(_nodes(grid, kept_off), near, strict=True)]
    flat, flat_across = (minimum_filter(one, near) for one in _flatness(grid, reach))
    # rows a stepover apart lie farther apart along a slope across them: h = r - sqrt(r2 - (s / 2 cos)2)
    half = np.minimum(tool.stepover_mm / 2 / flat_across, tool.radius_mm)
    ridge = tool.radius_mm - np.sqrt(tool.radius_mm**2 - half**2)
    short = np.where(inner, (minimum_filter(reach, beside) - cut.depth) * flat - ridge, 0.0)
    error = np.maximum(np.maximum(gouge, short), 0.0)
    i, j = np.nonzero(mask)
    return _Errors(error[i, j], grid.lon[j], grid.lat[i], np.zeros(len(i), np.int64))


def _flatness(grid: _Grid, depth: Floats) -> tuple[Floats, Floats]:
    """Return the cosines of the slope of a floor (h, w), and of its slope across the rows alone."""
    down, across = np.gradient(depth)
    size = float(grid.radius.mean())
    down = down / (size * grid.lat_step)
    across = across / (size * np.cos(grid.lat)[:, None] * grid.lon_step)
    return 1 / np.sqrt(1 + down**2 + across**2), 1 / np.sqrt(1 + down**2)


def _kept_off(grid: _Grid, cut: _Cut, design: _Design, tool: Cutter) -> float:
    """Return how far the leaning shank of a ball stands over the ground beside the deepest floor [mm]."""
    lon, lat = lonlat_of(cut.exit)
    here = grid.nearest(design.relief_mask, lon, lat) & ~cut.deep & (cut.depth_radial > 0)
    if not here.any():
        return 0.0
    cosine = float(np.sum(cut.exit[here] * cut.samples.direction[here], axis=1).min())
    lean_rad = math.acos(min(max(cosine, 0.5), 1.0))
    drop = max(float(design.relief.max()) - tool.radius_mm, 0.0)
    return drop * math.tan(lean_rad) if lean_rad > _SQUARE else 0.0


def _finishing(grid: _Grid, cut: _Cut, design: _Design, cutters: Sequence[Cutter]) -> Cutter:
    """Return the smallest ball that works in the relief; the smallest cutter of all if none does."""
    lon, lat = lonlat_of(cut.exit)
    here = grid.nearest(design.relief_mask, lon, lat) & ~cut.deep & (cut.depth_radial > 0)
    used = [cutters[i] for i in np.unique(cut.cutter[here])] or list(cutters)
    balls = [tool for tool in used if tool.form == CutterForm.BALL]
    found: Cutter = min(balls or used, key=lambda tool: tool.radius_mm)
    return found


# everything outside


def _outside(
    grid: _Grid, design: _Design, edge: Floats, line: _Line, tolerance_mm: float
) -> tuple[float, float, tuple[float, float]]:
    """Return how far [mm] and how much [mm2] is cut outside every region, and where it is farthest [deg]."""
    allowed = design.allowed
    border = _border(grid, design)
    out = np.flatnonzero(_is_outside(grid, design, line.lon, line.lat))
    distance = border(line.point[out])
    rows, columns = np.nonzero((edge < 0) & ~allowed)
    beyond = border(grid.skin[rows, columns]) > tolerance_mm
    area = float(grid.area[rows[beyond], columns[beyond]].sum())
    if len(out) == 0:
        return 0.0, area, (0.0, 0.0)
    worst = int(np.argmax(distance))
    at = math.degrees(line.lon[out[worst]]), math.degrees(line.lat[out[worst]])
    return float(distance[worst]), area, at


def _is_outside(grid: _Grid, design: _Design, lon: Floats, lat: Floats) -> Bools:
    """Return which places lie in no region that may be cut."""
    from dataclasses import replace

    bare = replace(design, openings=_emptied(design.openings), shaves=_emptied(design.shaves))
    held = (design.openings.holds(lon, lat) >= 0) | (design.shaves.holds(lon, lat) >= 0)
    held |= grid.nearest(bare.allowed, lon, lat)
    found: Bools = ~held | (design.keeps.holds(lon, lat) >= 0)
    return found


def _emptied(regions: _Regions) -> _Regions:
    from dataclasses import replace

    return replace(regions, inside=np.full(regions.inside.shape, -1, np.int64))


def _border(grid: _Grid, design: _Design) -> Callable[[Floats], Floats]:
    """Return a function that gives the distance of skin points to the border of what may be cut."""
    from scipy.ndimage import binary_erosion
    from scipy.spatial import cKDTree

    relief = _grown(grid, design.relief_mask, *design.relief_step)
    rim = relief & ~binary_erosion(relief)
    tree = cKDTree(grid.skin[rim]) if rim.any() else None

    def distance(points: Floats) -> Floats:
        if len(points) == 0:
            return np.zeros(0)
        lines = (design.openings.line, design.shaves.line, design.keeps.line)
        found = np.min([line.distance(points)[0] for line in lines], axis=0)
        if tree is not None:
            found = np.minimum(found, np.asarray(tree.query(points)[0]))
        size = float(np.linalg.norm(np.ptp(points, axis=0)))  # without any region at all
        clear: Floats = np.where(np.isfinite(found), found, size)
        return clear

    return distance


# mirror and travel


def _mirror_scores(grid: _Grid, design: _Design, depth: Floats) -> tuple[float, float, float] | None:
    """Return how well the cut agrees with the design, with its mirror picture, and the design with its own.

    Correlations of depth, weighted by area; None when nothing is wanted or nothing is cut.
    """
    asked, done = design.asked, np.minimum(depth, design.wall)
    columns = np.flatnonzero(asked.any(axis=0))
    if len(columns) == 0 or not done.any():
        return None
    if grid.full:  # the middle of the shortest arc that holds the design
        first, width = _covering_arc([(float(a), float(a)) for a in grid.lon[columns]])
        twice = round((2 * first + width - 2 * grid.lon[0]) / grid.lon_step)
        back = (twice - np.arange(len(grid.lon))) % len(grid.lon)
        mirrored = asked[:, back]
    else:
        back = columns[0] + columns[-1] - np.arange(len(grid.lon))
        ok = (back >= 0) & (back < len(grid.lon))
        mirrored = np.where(ok, asked[:, np.where(ok, back, 0)], 0.0)
    return (
        _correlation(grid, done, asked),
        _correlation(grid, done, mirrored),
        _correlation(grid, asked, mirrored),
    )


def _correlation(grid: _Grid, one: Floats, other: Floats) -> float:
    weight = grid.area / grid.area.sum()
    a, b = one - np.sum(weight * one), other - np.sum(weight * other)
    size = math.sqrt(float(np.sum(weight * a * a)) * float(np.sum(weight * b * b)))
    return float(np.sum(weight * a * b)) / size if size > 0 else 0.0


def _travel_inside(
    surface: Surface, samples: _Samples, rapid: Bools, cutting: Bools
) -> tuple[float, int, tuple[float, float]]:
    """Return the deepest point of a rapid below the skin [mm], its program row and its place [deg].

    A move along the cutter's own axis is allowed where the cutter has been before: outwards from where it
    stands, and inwards in ground that was cut along the same line.
    """
    size = np.linalg.norm(samples.tip, axis=1)
    below = np.zeros(len(size), bool)
    below[rapid] = size[rapid] < radius_at(surface, samples.tip[rapid]) - 1e-6
    worst, worst_row, place = 0.0, -1, (0.0, 0.0)
    for row in np.unique(samples.row[below]):
        own = np.arange(*np.searchsorted(samples.row, [row, row + 1]))
        if own[0] == 0 or _along_own_axis(samples, int(own[0]), int(own[-1]), cutting):
            continue
        at = own[below[own]]
        depth, _ = _nearest_foot(surface, samples.tip[at])
        deepest = int(np.argmax(depth))
        if depth[deepest] > worst:
            lon, lat = lonlat_of(samples.tip[at[deepest]])
            worst, worst_row = float(depth[deepest]), int(row)
            place = math.degrees(float(lon)), math.degrees(float(lat))
    return worst, worst_row, place


def _along_own_axis(samples: _Samples, first: int, last: int, cutting: Bools) -> bool:
    """Return whether the move of samples first .. last runs along the cutter's axis in ground that is cut."""
    start, end = samples.tip[first - 1], samples.tip[last]
    along = samples.direction[last]
    way = end - start
    if float(samples.direction[first - 1] @ along) < 1.0 - 1e-7:
        return False
    if float(np.linalg.norm(way - (way @ along) * along)) > _SAME_AXIS_MM / 2:
        return False
    if float(way @ along) >= 0.0:
        return True
    done = np.flatnonzero(cutting[:first])
    off = samples.tip[done] - end
    height = off @ along
    aside = np.linalg.norm(off - height[:, None] * along, axis=1)
    parallel = samples.direction[done] @ along > 1.0 - 1e-4
    return bool(np.any((aside <= _SAME_AXIS_MM) & (height <= 0.05) & parallel))


# --- all of it -----------------------------------------------------------------------------------------


def virtual_cut(
    program: ReadProgram,
    machine: Machine,
    cutters: tuple[Cutter, ...],
    surface: Surface,
    wall: Wall,
    wanted: WantedCut,
    rules: Rules,
    *,
    spacing_mm: float = 0.4,
) -> VirtualCut:
    """Cut the piece with a program as read back, and judge what is left against the design.

    Parameters
    ----------
    program : ReadProgram
        The moves as read back from the program's text.
    machine : Machine
        The axis chain that will run them.
    cutters : tuple of Cutter
        The cutters; the program's cutters are found among them by name.
    surface : Surface
        The fitted skin.
    wall : Wall
        The wall's thickness.
    wanted : WantedCut
        The design as mapped on the skin.
    rules : Rules
        Overshoot, shave depth and the tolerances for outline and depth.
    spacing_mm : float
        Step of the grid on the skin; two places of the cutter lie at most 1.25 such steps apart [mm].

    Returns
    -------
    VirtualCut
        Grids, figures and findings. Slugs that are cut free all round are gone from the depth grid. Figures
        of outline and depth are nought where none was asked for.
    """
    tools = _tools(program, cutters)
    samples = _sampled(program, machine, surface.origin_seat_mm, _SAMPLE_STEPS * spacing_mm)
    tool = tools[program.cutter[samples.row]] if len(samples.row) else np.zeros(0, np.int64)
    rapid = program.rapid[samples.row]
    turning = program.spindle_rpm[samples.row] > 0
    cutting = ~rapid & turning & (tool >= 0)
    widest = max(cutter.radius_mm for cutter in cutters)
    below = radius_at(surface, samples.tip) - np.linalg.norm(samples.tip, axis=1)
    touching = cutting & (below > -(widest + 1.0))
    grid = _grid_for(surface, samples.tip[touching], wanted, widest + 5 * spacing_mm, spacing_mm)
    design = _design(surface, wall, grid, wanted, rules)
    floor = _through_floor(grid, design, widest + 1.0)
    cut = _cut(grid, samples.only(touching), tool[touching], cutters, floor)
    judged = _judge(surface, wall, grid, design, cut, cutters, rules)
    travel, row, place = _travel_inside(surface, samples, rapid, cutting)
    findings = list(judged.findings)
    if row >= 0:
        findings.append(_travel_finding(program, travel, row, place))
    idle = ~rapid & ~cutting & (below > 0.01)
    if idle.any():
        findings.append(_idle_finding(program, samples, below, idle))
    return VirtualCut(
        longitude_rad=grid.lon,
        latitude_rad=grid.lat,
        depth_mm=judged.depth,
        edge_mm=judged.edge,
        outline_median_mm=_at_share(judged.outline.size, 0.5),
        outline_p99_mm=_at_share(judged.outline.size, 0.99),
        outline_max_mm=_at_share(judged.outline.size, 1.0),
        outside_mm=judged.outside_mm,
        outside_mm2=judged.outside_mm2,
        depth_median_mm=_at_share(judged.depths.size, 0.5),
        depth_max_mm=_at_share(judged.depths.size, 1.0),
        lost_mm2=judged.lost_mm2,
        travel_inside_mm=travel,
        findings=tuple(findings),
    )


def _at_share(values: Floats, share: float) -> float:
    return float(np.quantile(values, share)) if len(values) else 0.0


def _tools(program: ReadProgram, cutters: tuple[Cutter, ...]) -> Ints:
    """Return for each of the program's cutters its index in `cutters`, and a last -1 for none fitted."""
    names = [cutter.name for cutter in cutters]
    for name in program.cutter_names:
        if name not in names:
            raise BadInput(f"the program asks for cutter '{name}', which is not among {', '.join(names)}")
    return np.array([*(names.index(name) for name in program.cutter_names), -1], np.int64)


def _grid_for(surface: Surface, tips: Floats, wanted: WantedCut, margin_mm: float, step_mm: float) -> _Grid:
    """Lay the grid over everything wanted and everything touched."""
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


@dataclass(frozen=True, slots=True, eq=False)
class _Judged:
    depth: Floats
    edge: Floats
    outline: _Errors
    depths: _Errors
    outside_mm: float
    outside_mm2: float
    lost_mm2: float
    findings: tuple[Finding, ...]


def _judge(
    surface: Surface,
    wall: Wall,
    grid: _Grid,
    design: _Design,
    cut: _Cut,
    cutters: Sequence[Cutter],
    rules: Rules,
) -> _Judged:
    """Compare the cut with the design in every way there is."""
    step = grid.lat_step * float(grid.radius.mean())
    openings, shaves = design.openings, design.shaves
    in_open = openings.inside >= 0
    filled = np.where(_loose(grid, cut.edge_deep >= 0, in_open), -step, cut.edge_deep)
    through = (cut.edge_deep < 0) & (cut.depth >= design.wall)
    fallen = _loose(grid, ~through, in_open)
    depth = np.where(fallen, np.maximum(cut.depth, design.wall + rules.overshoot_mm), cut.depth)
    edge = np.where(fallen, np.minimum(cut.edge, -step), cut.edge)

    open_reach = _reaches(grid, cut, openings, cutters, cut.deep)
    shave_reach = _reaches(grid, cut, shaves, cutters, ~cut.deep)
    every = _line(surface, _contours(grid, cut.edge))
    open_errors, shave_errors = _NO_ERRORS, _NO_ERRORS
    if openings.names:
        kept = _apart(openings, step)
        through_line = _line(surface, _contours(grid, filled))
        open_errors = _outline_errors(grid, openings, open_reach, through_line, filled, kept)
    if shaves.names:
        shave_errors = _shave_outline(grid, design, shave_reach, every, cut.edge, step)
    open_depths, remaining = _opening_depths(surface, wall, grid, cut, design, cutters, rules)
    shave_depths = _shave_depths(grid, cut, design, shave_reach, rules)
    relief_depths = _relief_depths(grid, cut, design, cutters)
    outside_mm, outside_mm2, outside_at = _outside(grid, design, cut.edge, every, rules.outline_tolerance_mm)

    no_opening, no_shave = _uncut(grid, openings, cut.edge_deep), _uncut(grid, shaves, cut.edge)
    missing = [openings.names[i] for i in no_opening] + [shaves.names[i] for i in no_shave]
    if design.relief_mask.any() and not (cut.edge[design.relief_mask] < 0).any():
        missing.append("relief")
    open_done = [(i, name) for i, name in enumerate(openings.names) if i not in no_opening]
    shave_done = [(i, name) for i, name in enumerate(shaves.names) if i not in no_shave]
    relief_done = [(0, "relief")] if "relief" not in missing else []
    findings = [
        *_mirror_findings(grid, design, cut.depth),
        *(_missing_finding(name) for name in missing),
        *_outline_findings(open_errors, open_done, rules),
        *_outline_findings(shave_errors, shave_done, rules),
        *_outside_findings(outside_mm, outside_mm2, outside_at, rules),
        *_remaining_findings(remaining, open_done),
        *_depth_findings(open_depths, open_done, rules),
        *_depth_findings(shave_depths, shave_done, rules),
        *_depth_findings(relief_depths, relief_done, rules),
    ]
    return _Judged(
        depth=depth,
        edge=edge,
        outline=_joined(open_errors, shave_errors),
        depths=_joined(open_depths, shave_depths, relief_depths),
        outside_mm=outside_mm,
        outside_mm2=outside_mm2,
        lost_mm2=sum(reach.lost_mm2 for reach in (*open_reach, *shave_reach)),
        findings=tuple(findings),
    )


def _joined(*errors: _Errors) -> _Errors:
    return _Errors(
        np.concatenate([e.size for e in errors]),
        np.concatenate([e.lon for e in errors]),
        np.concatenate([e.lat for e in errors]),
        np.concatenate([e.region for e in errors]),
    )


def _reaches(
    grid: _Grid, cut: _Cut, regions: _Regions, cutters: Sequence[Cutter], chosen: Bools
) -> list[_Reach]:
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


def _shave_outline(
    grid: _Grid, design: _Design, reaches: Sequence[_Reach], every: _Line, edge: Floats, step: float
) -> _Errors:
    """Compare the outlines of shaves, where no opening or relief takes the skin beside them."""
    shaves, openings = design.shaves, design.openings
    relief = grid.nearest(design.relief_mask, shaves.line.lon, shaves.line.lat)
    to_opening, _ = openings.line.distance(shaves.line.point)
    kept = ~relief & (to_opening > step) & (openings.holds(shaves.line.lon, shaves.line.lat) < 0)
    own = shaves.holds(every.lon, every.lat) >= 0
    nearest_shave, _ = shaves.line.distance(every.point)
    nearest_opening, _ = openings.line.distance(every.point)
    own |= nearest_shave < nearest_opening
    own &= (openings.holds(every.lon, every.lat) < 0) & (nearest_opening > step)
    own &= ~grid.nearest(design.relief_mask, every.lon, every.lat)
    return _outline_errors(grid, shaves, reaches, _only(every, own), edge, kept)


# --- findings in words ---------------------------------------------------------------------------------


def _mirror_findings(grid: _Grid, design: _Design, depth: Floats) -> list[Finding]:
    scores = _mirror_scores(grid, design, depth)
    if scores is None or scores[2] > _SYMMETRIC or scores[1] <= scores[0] + 0.02:
        return []
    return [
        _refuse(
            "mirrored",
            f"the program cuts the picture mirrored: it agrees {scores[1]:.2f} with the design turned over, "
            f"{scores[0]:.2f} with the design",
            "check the direction of the machine's rotary axis with the proof mark, and the mirror setting",
            measured=scores[1],
            allowed=scores[0],
            unit="-",
        )
    ]


def _missing_finding(name: str) -> Finding:
    return _refuse(
        "not cut", f"{name} is not cut at all", "prepare the job again; check the cutter's width", name
    )


def _outline_findings(errors: _Errors, regions: list[tuple[int, str]], rules: Rules) -> list[Finding]:
    found = []
    for number, name in regions:
        worst = errors.worst(number)
        if worst and worst[0] > rules.outline_tolerance_mm:
            text = (
                f"the cut outline of {name} is {worst[0]:.2f} mm off, allowed {rules.outline_tolerance_mm} mm"
            )
            fix = "use a thinner cutter, or widen the region"
            found.append(_refuse("outline", text, fix, name, worst[1:], worst[0], rules.outline_tolerance_mm))
    return found


def _outside_findings(far: float, area: float, at: tuple[float, float], rules: Rules) -> list[Finding]:
    if far <= rules.outline_tolerance_mm:
        return []
    limit = rules.outline_tolerance_mm
    text = f"the cut goes {far:.2f} mm outside every region ({area:.0f} mm2), allowed {limit} mm"
    fix = "use a thinner cutter, or prepare the job again"
    return [_refuse("cut outside", text, fix, "", at, far, limit)]


def _remaining_findings(remaining: _Errors, regions: list[tuple[int, str]]) -> list[Finding]:
    found = []
    for number, name in regions:
        worst = remaining.worst(number)
        if worst and worst[0] > 0:
            text = f"{name} is not cut through: {worst[0]:.2f} mm of wall is left under the cutter"
            fix = "gauge the wall there, check stick-out and depth"
            found.append(_refuse("not through", text, fix, name, worst[1:], worst[0], 0.0))
    return found


def _depth_findings(errors: _Errors, regions: list[tuple[int, str]], rules: Rules) -> list[Finding]:
    found = []
    for number, name in regions:
        worst = errors.worst(number)
        if worst and worst[0] > rules.depth_tolerance_mm:
            text = f"the depth of {name} is {worst[0]:.2f} mm off, allowed {rules.depth_tolerance_mm} mm"
            fix = "check the machine's limits there, or prepare the job again"
            found.append(_refuse("depth", text, fix, name, worst[1:], worst[0], rules.depth_tolerance_mm))
    return found


def _travel_finding(program: ReadProgram, depth: float, row: int, at: tuple[float, float]) -> Finding:
    text = f"line {program.lines[row]}: a rapid runs {depth:.2f} mm below the skin"
    return _refuse("rapid inside", text, "lift it to the clearance shell", "", at, depth, 0.0)


def _idle_finding(program: ReadProgram, samples: _Samples, below: Floats, idle: Bools) -> Finding:
    at = int(np.argmax(np.where(idle, below, -np.inf)))
    lon, lat = lonlat_of(samples.tip[at])
    text = (
        f"line {program.lines[samples.row[at]]}: a feed move runs {below[at]:.2f} mm below the skin "
        "with the spindle stopped or no cutter fitted"
    )
    place = math.degrees(float(lon)), math.degrees(float(lat))
    return _refuse("spindle stopped", text, "start the spindle before it", "", place, float(below[at]), 0.0)
