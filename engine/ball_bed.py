"""How near may a ball cutter come to a floor without cutting below it, with its end or with its shank?

The wanted floor stands on a longitude and latitude grid, as a depth along the ray from the mapping centre.
On a ray u the ball touches the floor when no floor point f lies inside it; its centre is then at::

             u                 R(u) = max over f of  u.f + sqrt(b^2 - (|f|^2 - (u.f)^2))
             |
          .--o--.  centre      over all f whose distance from the ray is no more than b, with the skin as
         (   |   )  b          the floor beside the relief. So narrow valleys stay shallower than wanted,
     f ___`--+--'__f           and nothing is ever cut too deep.
             |
             mapping centre
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np

from engine.records import (
    Bools,
    Floats,
    Ints,
)

_SHANK_ROUNDS = 3
_UPRIGHT = np.sin(np.radians(1.0))  # a lean below it moves the shank by less than the rim is wide


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
    return Bed(directions, floor_radius_mm, ball_radius_mm).centres_on_grid(directions)


class Bed:
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


class Shank:
    """A floor, and how near one ball's centre may come to it when the cutter's shank leans over it."""

    def __init__(self, directions: Floats, floor_radius_mm: Floats, ball_radius_mm: float) -> None:
        self.ball, self.high = ball_radius_mm, float(np.nanmax(floor_radius_mm))
        self.points = np.ascontiguousarray(directions * floor_radius_mm[..., None])
        self.row_rad = _angle(directions[0, 0], directions[1, 0])
        self.column_rad = np.array([_angle(row[0], row[1]) for row in directions])

    def clear(self, unit: Floats, radius: Floats, taken: Floats, rows: Floats, columns: Floats) -> Floats:
        """Return the radii of centres (n,), raised where the shank would cut the floor beside them [mm].

        Rays (n, 3), radii of the centres (n,), directions of the cutter (n, 3) and places on the grid (n,).
        """
        upright = np.sum(taken * unit, axis=1)
        aslant = np.sqrt(np.maximum(1 - upright**2, 0.0))
        row, column = rows.round().astype(np.int64), columns.round().astype(np.int64)
        beside = self.ball + np.maximum(self.high - radius, 0.0) * aslant / np.maximum(upright, 0.2) + 1.0
        beside = np.where(aslant < _UPRIGHT, 0.0, beside)
        half_rows = np.ceil(beside / (radius * self.row_rad)).astype(np.int64)
        half_columns = np.ceil(beside / (radius * self.column_rad[row])).astype(np.int64)
        raised: Floats = kernels()[2](
            np.ascontiguousarray(unit), radius, np.ascontiguousarray(taken),
            row, column, half_rows, half_columns, self.points, self.ball,
        )  # fmt: skip
        return raised


def _angle(one: Floats, other: Floats) -> float:
    return 2 * float(np.arcsin(np.linalg.norm(other - one) / 2))


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
        if half_rows[t] == 0 or across < 1e-9 or steep < 0.2:
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
