"""Which runs of a ball cutter thin the wall to the wanted floor? Rows that never cut below it.

The wanted floor stands on a longitude and latitude grid, as a depth along the ray from the mapping centre.
On a ray u the ball touches the floor when no floor point f lies inside it; its centre is then at::

             u                 R(u) = max over f of  u.f + sqrt(b^2 - (|f|^2 - (u.f)^2))
             |
          .--o--.  centre      over all f whose distance from the ray is no more than b, with the skin as
         (   |   )  b          the floor beside the relief. So narrow valleys stay shallower than wanted,
     f ___`--+--'__f           and nothing is ever cut too deep.
             |
             mapping centre

The walls of a relief run along the rays, so the cutter is held along them too, as far as the machine can: a
ball cuts the same however it is held. Where it leans off the ray its shank stands aslant over the floor near
it; there the centre is raised until the shank stands clear.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise

import numpy as np
import shapely

from engine.axes import cutter_directions
from engine.chart import to_sheet, to_sphere
from engine.errors import CannotBeDone
from engine.frames import lonlat_of, near_longitude, normalised, unit_of
from engine.records import (
    Bools,
    Chart,
    CutPass,
    Cutter,
    CutterForm,
    Finding,
    Floats,
    Ints,
    Layers,
    Machine,
    Phase,
    Region,
    Rules,
    Severity,
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
_LEFT_BY_ROUGH_MM = 0.3  # common practice
_CHORD_MM = 0.018  # rows are thinned to this
_LINK_MM = 8.0  # a row whose end is farther from the last one's starts a new pass
_LINK_LIFT_MM = 0.3  # beside the relief a link runs this far above the skin
_NO_CUT_MM = 0.01
_RIM_MM = 0.08  # the skin beside a relief counts as this much higher: no ball may so much as graze it
_SHANK_RAD = np.radians(1.0)  # a lean below it moves the shank by less than the rim is wide
_DIRECTION_STRIDE = 8  # places along a row from one at which the machine is asked how it leans to the next
_SHANK_STRIDE = 2  # the floor's grid is read at every second place for the shank
_SHANK_ROUNDS = 3
_ROW_GAP = 0.25  # of the grid's step: nearer to a row none is put between
_GROOVE_MM = 0.1  # a groove that two neighbouring rows miss by more gets a row of its own
_STEEP_MM = 0.6  # centres farther apart than this get places between them, ...
_HALVINGS = 5  # ... down to 1/32 of the grid's step
_LEAST_WALL_MM = 3.0  # common practice, as in `engine.tone`
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


# --- the wanted floor ----------------------------------------------------------------------------------


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


# --- the ball on the floor -----------------------------------------------------------------------------


def scallop_mm(ball_radius_mm: float, stepover_mm: float) -> float:
    """Return the height of the ridge between two rows on a flat floor.

    h = r - sqrt(r^2 - s^2 / 4), by Pythagoras in the plane across the rows.

    Parameters
    ----------
    ball_radius_mm : float
        Radius r of the ball [mm].
    stepover_mm : float
        Distance s of the rows, at most the ball's diameter [mm].
    """
    return ball_radius_mm - float(np.sqrt(ball_radius_mm**2 - stepover_mm**2 / 4))


def stepover_for(ball_radius_mm: float, scallop_mm: float) -> float:
    """Return the distance of rows that leaves ridges of a given height on a flat floor.

    Parameters
    ----------
    ball_radius_mm : float
        Radius of the ball [mm].
    scallop_mm : float
        Height of the ridges, at most the ball's radius [mm].
    """
    return 2 * float(np.sqrt(ball_radius_mm**2 - (ball_radius_mm - scallop_mm) ** 2))


def ball_centres(directions: Floats, floor_radius_mm: Floats, ball_radius_mm: float) -> Floats:
    """Return for each ray of a grid how near the middle a ball's centre may come without cutting too deep.

    Parameters
    ----------
    directions : ndarray (h, w, 3)
        Rays of a grid of even steps in longitude and latitude, both increasing [-].
    floor_radius_mm : ndarray (h, w)
        Radius of the floor; the skin where nothing is cut [mm].
    ball_radius_mm : float
        Radius of the ball [mm].

    Returns
    -------
    ndarray (h, w)
        Smallest radius of the ball's centre on each ray [mm].
    """
    return _Bed(directions, floor_radius_mm, ball_radius_mm).centres_on_grid(directions)


class _Bed:
    """A floor and the reach of one ball on it, for any number of rays."""

    def __init__(self, directions: Floats, floor_radius_mm: Floats, ball_radius_mm: float) -> None:
        self.own, self.ball = floor_radius_mm, ball_radius_mm
        self.points = np.ascontiguousarray(directions * floor_radius_mm[..., None])
        reach = np.arcsin(min(1.0, ball_radius_mm / float(np.nanmin(floor_radius_mm))))
        self.half_rows = self._half(directions[:-1, 0], directions[1:, 0], reach).max(initial=1)
        self.half_columns = self._half(directions[:, :-1], directions[:, 1:], reach).reshape(
            len(directions), -1
        )
        self.half_columns = np.ascontiguousarray(self.half_columns.max(axis=1, initial=1))

    @staticmethod
    def _half(start: Floats, end: Floats, reach_rad: float) -> Ints:
        step = 2 * np.arcsin(np.clip(np.linalg.norm(end - start, axis=-1) / 2, 1e-9, 1.0))
        half: Ints = np.minimum(np.ceil(reach_rad / step) + 1, 1000).astype(np.int64)
        return half

    def centres_on_grid(self, directions: Floats) -> Floats:
        """Return the radius of the centre (h, w) on the grid's own rays (h, w, 3) [mm]."""
        rows, columns = np.indices(self.own.shape, dtype=float).reshape(2, -1)
        return self.centres(directions.reshape(-1, 3), rows, columns).reshape(self.own.shape)

    def centres(self, unit: Floats, rows: Floats, columns: Floats) -> Floats:
        """Return the radius of the centre (n,) on rays (n, 3) that lie at places (n,) of the grid [mm]."""
        from scipy.ndimage import map_coordinates

        own = map_coordinates(self.own, [rows, columns], order=1, mode="nearest")
        found: Floats = kernels()[0](
            np.ascontiguousarray(unit),
            rows.round().astype(np.int64),
            columns.round().astype(np.int64),
            own,
            self.points,
            int(self.half_rows),
            self.half_columns,
            float(self.ball),
        )
        return found


@cache
def kernels() -> tuple[Callable[..., Floats], Callable[..., Bools], Callable[..., Floats]]:
    """Compile the three functions below; numba is only loaded when a relief is cut."""
    from numba import njit, types

    f, i = types.float64, types.int64
    v, n, m = types.float64[::1], types.int64[::1], types.float64[:, ::1]
    touching = njit(v(m, n, n, v, types.float64[:, :, ::1], i, n, f), cache=True)(_touching)
    needed = njit(types.boolean[::1](m, n, f, f), cache=True)(_needed)
    cube = types.float64[:, :, ::1]
    cleared = njit(v(m, v, m, n, n, n, n, cube, f), cache=True)(_cleared)
    return touching, needed, cleared


def _touching(
    unit: Floats,
    rows: Ints,
    columns: Ints,
    own: Floats,
    points: Floats,
    half_rows: int,
    half_columns: Ints,
    ball: float,
) -> Floats:
    """Return where on each ray the ball first touches the floor."""
    found = own + ball
    height, width = points.shape[0], points.shape[1]
    for t in range(len(unit)):
        x, y, z = unit[t, 0], unit[t, 1], unit[t, 2]
        best = found[t]
        for r in range(max(0, rows[t] - half_rows), min(height, rows[t] + half_rows + 1)):
            away = (r - rows[t]) / half_rows
            half = int(half_columns[r] * np.sqrt(1.0 - away * away)) + 1
            for c in range(max(0, columns[t] - half), min(width, columns[t] + half + 1)):
                p, q, s = points[r, c, 0], points[r, c, 1], points[r, c, 2]
                along = x * p + y * q + z * s
                gap = best - along
                if gap < ball:  # not so where the place is empty (nan)
                    left = ball * ball - (p * p + q * q + s * s - along * along)
                    if left >= 0.0 and (gap <= 0.0 or left > gap * gap):
                        best = along + np.sqrt(left)
        found[t] = best
    return found


def _cleared(
    unit: Floats,
    radius: Floats,
    directions: Floats,
    rows: Ints,
    columns: Ints,
    half_rows: Ints,
    half_columns: Ints,
    points: Floats,
    ball: float,
) -> Floats:
    """Return the radii of the centres at which the shank, a cylinder from the centre outwards, stands clear.

    A place f is in the shank of a centre R u along d when its height s = (f - R u) . d is above 0 and its
    distance from the axis below b. As R grows it comes free where s = 0 or where the distance is b again.
    """
    found = radius.copy()
    height, width = points.shape[0], points.shape[1]
    for t in range(len(unit)):
        ux, uy, uz = unit[t, 0], unit[t, 1], unit[t, 2]
        dx, dy, dz = directions[t, 0], directions[t, 1], directions[t, 2]
        steep = ux * dx + uy * dy + uz * dz
        across = 1.0 - steep * steep
        if across < 1e-9 or steep < 0.2:
            continue
        for _ in range(_SHANK_ROUNDS):
            best = found[t]
            for r in range(max(0, rows[t] - half_rows[t]), min(height, rows[t] + half_rows[t] + 1)):
                first, last = columns[t] - half_columns[t], columns[t] + half_columns[t] + 1
                for c in range(max(0, first), min(width, last)):
                    px, py, pz = points[r, c, 0], points[r, c, 1], points[r, c, 2]
                    along = px * dx + py * dy + pz * dz
                    if not along > best * steep:  # below the ball's middle, or an empty place
                        continue
                    aside = px * ux + py * uy + pz * uz - along * steep
                    off = px * px + py * py + pz * pz - along * along - ball * ball
                    if best * best * across - 2.0 * best * aside + off >= 0.0:
                        continue
                    free = (aside + np.sqrt(max(aside * aside - across * off, 0.0))) / across
                    best = min(free, along / steep)
            if best <= found[t] + 1e-4:
                break
            found[t] = best
    return found


def _needed(points: Floats, starts: Ints, tolerance: float, longest: float) -> Bools:
    """Tell which points of lines must stay so that all lie within a tolerance of the chords."""
    keep = np.zeros(len(points), np.bool_)
    for line in range(len(starts) - 1):
        at, last = starts[line], starts[line + 1] - 1
        keep[at] = True
        while at < last:
            to = at + 1
            while to < last:
                dx = points[to + 1, 0] - points[at, 0]
                dy = points[to + 1, 1] - points[at, 1]
                dz = points[to + 1, 2] - points[at, 2]
                long2 = dx * dx + dy * dy + dz * dz
                fits = long2 <= longest * longest and long2 > 0.0
                for k in range(at + 1, to + 1):
                    if not fits:
                        break
                    px, py, pz = (
                        points[k, 0] - points[at, 0],
                        points[k, 1] - points[at, 1],
                        points[k, 2] - points[at, 2],
                    )
                    share = min(1.0, max(0.0, (px * dx + py * dy + pz * dz) / long2))
                    ox, oy, oz = px - share * dx, py - share * dy, pz - share * dz
                    fits = ox * ox + oy * oy + oz * oz <= tolerance * tolerance
                if not fits:
                    break
                to += 1
            keep[to] = True
            at = to
    return keep


# --- passes --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Sweep:
    """One floor to be swept by one cutter."""

    name: str
    region: str
    phase: Phase
    cutter: int
    radius_mm: Floats  # (h, w) the ball comes no lower than this
    active: Bools  # (h, w) where it is needed
    number: int  # sweeps of one name follow each other
    centres_mm: Floats | None = None  # (h, w) how low the ball's centre comes at last
    done: Bools | None = None  # (h, w) where this sweep comes down to that


def relief_passes(
    layers: Layers,
    chart: Chart,
    surface: Surface,
    wall: Wall,
    cutters: Sequence[Cutter],
    machine: Machine,
    rules: Rules,
    pixel_mm: float = PIXEL_MM,
) -> tuple[tuple[CutPass, ...], ReliefFloor, tuple[Finding, ...]]:
    """Return the passes that thin relief and shaves, the wanted floor, and findings about it.

    The largest ball roughs and leaves 0.3 mm, the smallest finishes; one alone does both in steps.

    Parameters
    ----------
    layers, chart, surface, wall
        The design, where it lies, and the piece.
    cutters : sequence of Cutter
        The cutters at hand; ball ends are used.
    machine : Machine
        Decides how the cutter leans.
    rules : Rules
        Walls that must remain, the lot's light, depth of shaves.
    pixel_mm : float
        Step of the floor's grid; a coarse one will do for an estimate of time [mm].

    Raises
    ------
    CannotBeDone
        When there is no ball cutter that reaches the floor.
    """
    balls = [i for i, c in enumerate(cutters) if c.form is CutterForm.BALL]
    margin = 1.0 + max((cutters[i].radius_mm for i in balls), default=0.0)
    floor = wanted_floor(layers, chart, surface, wall, rules, pixel_mm, margin)
    largest, smallest = _choose_balls(balls, cutters, floor)
    shaves = layers.of(Treatment.SHAVE)
    sweeps = _relief_sweeps(floor, chart, cutters, largest, smallest) + _shave_sweeps(
        floor, chart, cutters, smallest, shaves
    )
    passes: list[CutPass] = []
    before: tuple[int, ...] = ()
    for sweep in sweeps:
        first = sweep.number == 0
        made = _swept(sweep, floor, surface, cutters[sweep.cutter], machine, rules, () if first else before)
        before = tuple(range(len(passes), len(passes) + len(made)))
        passes += made
    findings = _thin_findings(floor, rules) + _shave_findings(floor, shaves, rules)
    return tuple(passes), floor, tuple(findings + _detail_findings(floor, cutters[smallest], rules))


def _choose_balls(balls: list[int], cutters: Sequence[Cutter], floor: ReliefFloor) -> tuple[int, int]:
    """Return the largest and the smallest ball that reach the floor."""
    deepest = float(np.nan_to_num(floor.depth_mm).max())
    able = [i for i in balls if min(cutters[i].flute_length_mm, cutters[i].stick_out_mm) >= deepest]
    if able:
        able.sort(key=lambda i: cutters[i].diameter_mm)
        return able[-1], able[0]
    longest = max((min(cutters[i].flute_length_mm, cutters[i].stick_out_mm) for i in balls), default=0.0)
    text = (
        f"no ball cutter reaches the relief's floor: {deepest:.1f} mm of flute needed, "
        f"the longest has {longest:.1f} mm"
        if balls
        else "relief and shaves are cut with ball cutters, and there is none among the cutters"
    )
    finding = Finding(
        Severity.REFUSE,
        "relief cutter",
        text,
        "fit a ball cutter of 6 mm, and one of 3 mm for fine tones"
        if not balls
        else "fit a longer ball cutter",
        measured=longest,
        allowed=deepest,
        unit="mm",
    )
    raise CannotBeDone(text, (finding,))


def _relief_sweeps(
    floor: ReliefFloor, chart: Chart, cutters: Sequence[Cutter], largest: int, smallest: int
) -> list[_Sweep]:
    """Return the sweeps of the relief: roughing with the larger ball, finishing with the smaller."""
    cut = np.isfinite(floor.depth_mm) & (floor.shave < 0) & _once(floor, chart)
    if not cut.any():
        return []
    left = floor.skin_mm
    sweeps: list[_Sweep] = []
    if largest != smallest:
        above = np.minimum(floor.radius_mm + _LEFT_BY_ROUGH_MM, floor.skin_mm)
        rough = _Sweep(
            "relief rough",
            "relief",
            Phase.RELIEF_ROUGH,
            largest,
            np.where(cut, above, floor.bed_mm),
            cut,
            0,
        )
        ball = cutters[largest]
        centres = ball_centres(floor.directions, rough.radius_mm, ball.radius_mm)
        sweeps += _steps(rough, ball, left, centres)
        left = _left_behind(floor, np.where(cut, centres, np.nan), ball)
        ridge = scallop_mm(ball.radius_mm, min(ball.stepover_mm, ball.diameter_mm))
        left = np.minimum(left + ridge, floor.skin_mm)
    finish = _Sweep("relief finish", "relief", Phase.RELIEF_FINISH, smallest, floor.bed_mm, cut, 0)
    centres = ball_centres(floor.directions, floor.bed_mm, cutters[smallest].radius_mm)
    return sweeps + _steps(finish, cutters[smallest], left, centres)


def _left_behind(floor: ReliefFloor, centres_mm: Floats, ball: Cutter) -> Floats:
    """Return the radius of what a ball leaves (h, w) that goes to all centres that are not nan [mm]."""
    unit, b = floor.directions, ball.radius_mm
    bed = _Bed(unit, centres_mm, b)
    # the lowest point of all balls on a ray is the mirror image of the highest
    bed.points, bed.own = -bed.points, -floor.skin_mm - b
    return np.minimum(-bed.centres_on_grid(unit), floor.skin_mm)


def _shave_sweeps(
    floor: ReliefFloor, chart: Chart, cutters: Sequence[Cutter], smallest: int, shaves: Sequence[Region]
) -> list[_Sweep]:
    """Return the sweeps of the shave regions, one region after the other."""
    sweeps: list[_Sweep] = []
    ball = cutters[smallest]
    for number, region in enumerate(shaves):
        cut = (floor.shave == number) & np.isfinite(floor.depth_mm) & _once(floor, chart)
        if cut.any():
            whole = _Sweep(f"{region.name} shave", region.name, Phase.SHAVE, smallest, floor.bed_mm, cut, 0)
            sweeps += _steps(whole, ball, floor.skin_mm, floor.bed_mm + ball.radius_mm)
    return sweeps


def _once(floor: ReliefFloor, chart: Chart) -> Bools:
    """Tell which columns lie within half a turn of the design's middle: a band all round is cut once."""
    return np.abs(floor.longitude_rad - chart.placement.longitude_rad)[None, :] <= np.pi


def _steps(whole: _Sweep, ball: Cutter, left_mm: Floats, centres_mm: Floats) -> list[_Sweep]:
    """Return sweeps from what is left (h, w) down to the floor, none deeper than the cutter's step down."""
    from scipy.ndimage import binary_dilation

    deep = np.where(whole.active, left_mm - (centres_mm - ball.radius_mm), 0.0)
    count = max(1, int(np.ceil(deep.max() / ball.step_down_mm - 0.01)))
    sweeps = []
    for number in range(count):
        last = number + 1 == count
        step = (
            whole.radius_mm
            if last
            else np.maximum(whole.radius_mm, left_mm - (number + 1) * ball.step_down_mm)
        )
        active = whole.active
        if number:  # only where more than the steps before is to come off, and a little round it
            around = max(1, round(ball.radius_mm / PIXEL_MM))
            active = active & binary_dilation(deep > number * ball.step_down_mm, iterations=around)
        here = np.ceil(np.maximum(deep, 1e-9) / ball.step_down_mm - 0.01).clip(1, count) == number + 1
        sweeps.append(
            replace(whole, radius_mm=step, active=active, number=number, centres_mm=centres_mm, done=here)
        )
    return sweeps


def _swept(
    sweep: _Sweep,
    floor: ReliefFloor,
    surface: Surface,
    cutter: Cutter,
    machine: Machine,
    rules: Rules,
    after: tuple[int, ...],
) -> list[CutPass]:
    """Return the passes of one sweep."""
    rows = _rows(sweep.active, floor, cutter.stepover_mm)
    lines = _chains(rows, floor) + _chains(_between(rows, sweep), floor)
    if not lines:
        return []
    unit, radius, ends = _on_floor(lines, sweep, floor, cutter.radius_mm)
    if len(ends) < 2:
        return []
    radius = _clear_of_shank(unit, radius, sweep, floor, surface, machine, cutter.radius_mm)
    centres = unit * radius[:, None]
    keep = kernels()[1](centres, ends, _CHORD_MM, rules.point_spacing_mm)
    ends = np.concatenate([[0], np.cumsum(keep)[ends[1:] - 1]])
    unit, centres = unit[keep], centres[keep]
    directions = cutter_directions(machine, centres + surface.origin_seat_mm, unit)
    tips = centres - cutter.radius_mm * directions
    skin = _axis_on_skin(surface, centres, directions)
    name = sweep.name + (f" step {sweep.number + 1}" if sweep.number else "")
    return [
        CutPass(
            name=f"{name} {k + 1}",
            region=sweep.region,
            phase=sweep.phase,
            cutter=sweep.cutter,
            closed=False,
            along_centre=False,
            skin_work_mm=skin[a:b],
            directions=directions[a:b],
            tips_work_mm=tips[None, a:b],
            feeds_mm_per_min=np.array([cutter.feed_mm_per_min]),
            after=after,
            reasons=("the step above it first",) * len(after),
        )
        for k, (a, b) in enumerate(pairwise(ends))
    ]


def _clear_of_shank(
    unit: Floats,
    radius: Floats,
    sweep: _Sweep,
    floor: ReliefFloor,
    surface: Surface,
    machine: Machine,
    ball_mm: float,
) -> Floats:
    """Return the radii of the centres (n,), raised where a leaning shank would cut the floor beside it."""
    few = np.append(np.arange(0, len(unit) - 1, _DIRECTION_STRIDE), len(unit) - 1)
    taken = cutter_directions(machine, (unit * radius[:, None])[few] + surface.origin_seat_mm, unit[few])
    every = np.arange(len(unit))
    off = np.stack([np.interp(every, few, part) for part in (taken - unit[few]).T], axis=1)
    directions = normalised(unit + off)  # the machine's deviation from the ray changes slowly
    aslant = np.sqrt(np.maximum(1 - np.sum(directions * unit, axis=1) ** 2, 0.0))
    if aslant.max() < np.sin(_SHANK_RAD):
        return radius
    bed = sweep.radius_mm[::_SHANK_STRIDE, ::_SHANK_STRIDE]
    points = np.ascontiguousarray(floor.directions[::_SHANK_STRIDE, ::_SHANK_STRIDE] * bed[..., None])
    step = (floor.latitude_rad[1] - floor.latitude_rad[0]) * _SHANK_STRIDE
    wide = (floor.longitude_rad[1] - floor.longitude_rad[0]) * _SHANK_STRIDE
    lon, lat = lonlat_of(unit)
    lon = near_longitude(lon, float(floor.longitude_rad[[0, -1]].mean()))
    rows = np.rint((lat - floor.latitude_rad[0]) / step).astype(np.int64)
    columns = np.rint((lon - floor.longitude_rad[0]) / wide).astype(np.int64)
    high = float(np.nanmax(sweep.radius_mm))
    beside = ball_mm + np.maximum(high - radius, 0.0) * aslant / np.sqrt(1 - aslant**2) + 1.0
    half_rows = np.ceil(beside / (radius * step)).astype(np.int64)
    half_columns = np.ceil(beside / (radius * np.cos(lat) * wide)).astype(np.int64)
    raised: Floats = kernels()[2](
        np.ascontiguousarray(unit), radius, np.ascontiguousarray(directions),
        rows, columns, half_rows, half_columns, points, ball_mm,
    )  # fmt: skip
    return raised


def _axis_on_skin(surface: Surface, centres: Floats, directions: Floats) -> Floats:
    """Return where the cutter's axis crosses the skin (n, 3) [mm]."""
    found = centres
    for _ in range(4):
        unit = normalised(found)
        steep = np.clip(np.sum(unit * directions, axis=1), 0.2, 1.0)
        found = (
            found + ((radius_at(surface, unit) - np.linalg.norm(found, axis=1)) / steep)[:, None] * directions
        )
    return found


# --- rows ----------------------------------------------------------------------------------------------

_Row = tuple[
    float, list[tuple[int, int]]
]  # place between the grid's rows, first and last columns of its runs


def _rows(active: Bools, floor: ReliefFloor, stepover_mm: float) -> list[_Row]:
    """Return rows no farther apart on the skin than the stepover, with the runs that are to be cut."""
    used = np.flatnonzero(active.any(axis=1))
    if len(used) == 0:
        return []
    slope = np.gradient(floor.skin_mm, floor.latitude_rad, axis=0)
    way = np.where(active, np.hypot(floor.skin_mm, slope), 0.0).max(axis=1)[used[0] : used[-1] + 1]
    way[way == 0.0] = way.max()  # rows in a gap of the mask
    step = floor.latitude_rad[1] - floor.latitude_rad[0]
    along = np.concatenate([[0.0], np.cumsum((way[:-1] + way[1:]) / 2 * step)])
    wanted = np.linspace(0.0, along[-1], int(np.ceil(along[-1] / stepover_mm)) + 1)
    places = used[0] + np.interp(wanted, along, np.arange(len(along)))
    return [(float(p), _runs(active[round(p)])) for p in places]


def _between(rows: list[_Row], sweep: _Sweep) -> list[_Row]:
    """Return short rows between the others, where a groove along them lets the ball sink deeper than both."""
    if sweep.centres_mm is None or sweep.done is None or sweep.phase is not Phase.RELIEF_FINISH:
        return []
    index = np.arange(len(sweep.centres_mm))
    found = []
    for (low, _), (high, _) in pairwise(rows):
        inner = index[(index > low + _ROW_GAP) & (index < high - _ROW_GAP)]
        if len(inner) == 0:
            continue
        sides = [_at_row(sweep.centres_mm, place) for place in (low, high)]
        deeper = np.minimum(*sides) - sweep.centres_mm[inner]
        best = deeper.argmax(axis=0)
        for k, row in enumerate(inner):
            need = (best == k) & (deeper[k] > _GROOVE_MM) & sweep.active[row] & sweep.done[row]
            runs = [(a, b) for a, b in _runs(need) if b > a]
            if runs:
                found.append((float(row), runs))
    return found


def _at_row(grid: Floats, place: float) -> Floats:
    """Return a grid's row between two of its rows."""
    below = min(int(place), len(grid) - 2)
    found: Floats = grid[below] + (place - below) * (grid[below + 1] - grid[below])
    return found


def _runs(flags: Bools) -> list[tuple[int, int]]:
    """Return first and last index of each stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _chains(rows: list[_Row], floor: ReliefFloor) -> list[Floats]:
    """Return lines (n, 3) of row, column and 1 on links, to and fro, joined where the next end is near."""
    dlon, dlat = (float(v[1] - v[0]) for v in (floor.longitude_rad, floor.latitude_rad))
    radius = float(np.median(floor.skin_mm))
    done: list[list[Floats]] = []
    growing: list[list[Floats]] = []
    for place, runs in rows:
        lat = np.interp(place, np.arange(len(floor.latitude_rad)), floor.latitude_rad)
        scale = np.array([radius * dlat, radius * dlon * np.cos(lat)])  # [mm] of a row and a column
        free, taken = list(growing), []
        for first, last in runs:
            line = np.arange(first, last + 1, dtype=float)
            best = _nearest_end(free, place, first, last, scale)
            if best is None:
                chain: list[Floats] = []
            else:
                chain, from_last = best
                free = [other for other in free if other is not chain]
                line = line[::-1] if from_last else line
                chain.append(_link(chain[-1][-1], place, float(line[0]), scale))
            chain.append(np.stack([np.full(len(line), place), line, np.zeros(len(line))], axis=1))
            taken.append(chain)
        done += free
        growing = taken
    return [np.concatenate(chain) for chain in done + growing]


def _nearest_end(
    chains: list[list[Floats]], place: float, first: int, last: int, scale: Floats
) -> tuple[list[Floats], bool] | None:
    """Return the chain whose end is nearest to either end of a run, and which one; None if none is near."""
    best, found = _LINK_MM, None
    for chain in chains:
        for column in (first, last):
            far = float(np.hypot(*((np.array([place, column]) - chain[-1][-1, :2]) * scale)))
            if far < best:
                best, found = far, (chain, column == last)
    return found


def _link(end: Floats, place: float, column: float, scale: Floats) -> Floats:
    """Return the points between the end of a row and the start of the next."""
    change = np.array([place, column]) - end[:2]
    count = int(np.ceil(float(np.hypot(*(change * scale))) / (2 * PIXEL_MM)))
    share = np.arange(1, count)[:, None] / max(count, 1)
    between = end[:2] + share * change
    return np.concatenate([between, np.ones((len(between), 1))], axis=1)


def _on_floor(
    lines: list[Floats], sweep: _Sweep, floor: ReliefFloor, ball_mm: float
) -> tuple[Floats, Floats, Ints]:
    """Return rays (n, 3), radii of ball centres (n,) and ends of the lines; idle starts and ends left out."""
    from scipy.ndimage import map_coordinates

    line = np.repeat(np.arange(len(lines)), [len(one) for one in lines])
    places, line, unit, radius = _refined(
        np.concatenate(lines), line, _Bed(floor.directions, sweep.radius_mm, ball_mm), floor
    )
    rows, columns = places[:, 0], places[:, 1]
    skin = map_coordinates(floor.skin_mm, [rows, columns], order=1, mode="nearest")
    cuts = radius - ball_mm < skin - _NO_CUT_MM
    beside = ~sweep.active[rows.round().astype(int), columns.round().astype(int)]
    radius = radius + np.where((places[:, 2] > 0) & beside, _LINK_LIFT_MM, 0.0)
    wanted = np.zeros(len(places), bool)
    for number in range(len(lines)):
        at = np.flatnonzero((line == number) & cuts)
        if len(at) > 1:
            wanted[at[0] : at[-1] + 1] = True
    counts = np.bincount(line[wanted], minlength=len(lines))
    return unit[wanted], radius[wanted], np.concatenate([[0], np.cumsum(counts[counts > 0])])


def _refined(
    places: Floats, line: Ints, bed: _Bed, floor: ReliefFloor
) -> tuple[Floats, Ints, Floats, Floats]:
    """Return places (n, 3), lines, rays and centres, with more places where the ball climbs a steep wall.

    On the straight way between two places it would else take the wall's upper edge away.
    """
    unit = _rays(places, floor)
    radius = bed.centres(unit, places[:, 0], places[:, 1])
    for _ in range(_HALVINGS):
        centres = unit * radius[:, None]
        steep = np.linalg.norm(np.diff(centres, axis=0), axis=1) > _STEEP_MM
        at = np.flatnonzero(steep & (line[1:] == line[:-1]))
        if len(at) == 0:
            break
        between = (places[at] + places[at + 1]) / 2
        new_unit = _rays(between, floor)
        new_radius = bed.centres(new_unit, between[:, 0], between[:, 1])
        places, line = np.insert(places, at + 1, between, axis=0), np.insert(line, at + 1, line[at])
        unit, radius = np.insert(unit, at + 1, new_unit, axis=0), np.insert(radius, at + 1, new_radius)
    return places, line, unit, radius


def _rays(places: Floats, floor: ReliefFloor) -> Floats:
    """Return the rays (n, 3) through places between rows and columns of the grid."""
    return unit_of(
        np.interp(places[:, 1], np.arange(len(floor.longitude_rad)), floor.longitude_rad),
        np.interp(places[:, 0], np.arange(len(floor.latitude_rad)), floor.latitude_rad),
    )


# --- findings ------------------------------------------------------------------------------------------


def _thin_findings(floor: ReliefFloor, rules: Rules) -> list[Finding]:
    """Tell where the wall under the relief is too thin for its tones."""
    if not floor.thin.any():
        return []
    need = rules.relief_min_wall_mm + rules.relief_skin_mm
    toned = floor.thin | (np.isfinite(floor.depth_mm) & (floor.shave < 0))
    share = float(floor.thin.sum() / toned.sum())
    row, column = np.unravel_index(np.argmin(np.where(floor.thin, floor.wall_mm, np.inf)), floor.thin.shape)
    thinnest = float(floor.wall_mm[row, column])
    bare = thinnest - rules.relief_skin_mm < _LEAST_WALL_MM
    what = "the skin comes off at most" if bare else "only the skin comes off"
    return [
        Finding(
            Severity.WARN,
            "relief wall",
            f"the wall is {thinnest:.1f} mm at its thinnest under the relief, {need:.1f} mm needed for "
            f"tones: on {share:.0%} of the relief {what}",
            "move the design to a thicker place, or take a piece with a thicker wall",
            place="relief",
            longitude_deg=float(np.degrees(floor.longitude_rad[column])),
            latitude_deg=float(np.degrees(floor.latitude_rad[row])),
            measured=thinnest,
            allowed=need,
            unit="mm",
        )
    ]


def _shave_findings(floor: ReliefFloor, shaves: Sequence[Region], rules: Rules) -> list[Finding]:
    """Tell which shaves leave too little wall."""
    findings = []
    for number, region in enumerate(shaves):
        under = np.where(floor.shave == number, floor.wall_mm, np.inf)
        left = float(under.min()) - rules.shave_depth_mm
        if left < _LEAST_WALL_MM:
            findings.append(
                Finding(
                    Severity.REFUSE,
                    "shave wall",
                    f"{region.name}: {left:.1f} mm of wall would remain, {_LEAST_WALL_MM:.0f} mm needed",
                    "shave less deep, or move the design to a thicker place",
                    place=region.name,
                    measured=left,
                    allowed=_LEAST_WALL_MM,
                    unit="mm",
                )
            )
    return findings


def _detail_findings(floor: ReliefFloor, ball: Cutter, rules: Rules) -> list[Finding]:
    """Tell how much of the relief, apart from its rim, the smallest ball does not reach."""
    from scipy.ndimage import distance_transform_edt

    cut = np.isfinite(floor.depth_mm)
    step = floor.latitude_rad[1] - floor.latitude_rad[0]
    inner = distance_transform_edt(cut) * step * float(np.median(floor.skin_mm)) > ball.diameter_mm
    if not inner.any():
        return []
    few = floor.coarser()  # a share needs no more
    reached = _left_behind(few, ball_centres(few.directions, few.radius_mm, ball.radius_mm), ball)
    short = float(np.mean((reached - few.radius_mm)[inner[::2, ::2]] > rules.depth_tolerance_mm))
    if short <= 0.05:
        return []
    return [
        Finding(
            Severity.NOTE,
            "relief detail",
            f"{short:.0%} of the relief is finer than {ball.name} reaches and stays darker than drawn",
            "take a smaller ball, or draw the tones softer",
            place="relief",
            measured=100 * short,
            allowed=5.0,
            unit="%",
        )
    ]
