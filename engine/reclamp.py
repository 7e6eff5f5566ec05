"""Does a piece that was taken off and clamped again still lie as it was probed? A rigid fit of a few touches.

The skin is known from its own touches; six to nine new ones tell where it lies now. What moves the known skin
onto them is a turn R and a shift t, found by least squares of the distances (Gauss and Newton, as in
`scipy.optimize.least_squares`), each touch compensated by its tip along the normal::

    seat now = R (seat then) + t,   distance_i = height of R^T (touch_i - t) over the known skin, less the tip

A smooth round piece says nothing about its turn, and one with ribs something wrong by a whole rib: so the fit
also tells how well each motion is known, and whether another turn fits as well.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from engine.errors import BadInput
from engine.frames import lonlat_of, unit_of
from engine.records import Floats, Placement, ProbeScan, Surface, _freeze
from engine.surface import _coefficients, depth_below, deviation_at, grid_directions, radius_at

FEWEST_TOUCHES = 6
_ACCEPT_MM, _RESCAN_MM = 0.6, 1.2  # common practice
_TURNS_DEG = (
    -12.0,
    -8.0,
    -4.0,
    4.0,
    8.0,
    12.0,
)  # other starts for the turn: a carrier plate holds within these
_USUAL_SHIFT_MM, _USUAL_TURN_RAD = 4.0, 0.1  # how far re-clamped pieces move, common practice; a weak prior
_LEAST_NOISE_MM = 0.1
_ANOTHER_DEG = 2.0
_KNOWN_PLACE_MM = 1.5  # of any spot between base and stem; common practice
_MOTIONS = 6


class Verdict(StrEnum):
    """What to do with a piece that was clamped again."""

    ACCEPT = "accept"
    REFIT = "refit"
    RESCAN = "rescan"


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """How a piece moved: seat now = turn (seat then) + shift."""

    turn: Floats  # (3, 3) rotation
    shift_mm: Floats  # (3,)

    def __post_init__(self) -> None:
        _freeze(self, turn=(self.turn, np.float64, (3, 3)), shift_mm=(self.shift_mm, np.float64, (3,)))

    def apply(self, points_seat_mm: Floats) -> Floats:
        """Return where points (n, 3) of the piece are now [mm]."""
        found: Floats = points_seat_mm @ self.turn.T + self.shift_mm
        return found

    @property
    def turned_deg(self) -> float:
        """How far the piece turned, about whatever axis [deg]."""
        return float(np.degrees(np.arccos(np.clip((np.trace(self.turn) - 1) / 2, -1, 1))))


@dataclass(frozen=True, slots=True, eq=False)
class Refit:
    """The outcome of touching a re-clamped piece."""

    verdict: Verdict
    why: str
    rms_as_placed_mm: float  # of the new touches against the skin where it was
    rms_fitted_mm: float  # after the rigid fit, by what six motions leave free: sqrt(sum / (n - 6))
    pose: Pose
    residuals_mm: Floats  # (n,) after the fit, positive outside
    place_known_mm: float  # standard deviation of where a spot lies, along the skin too, at its worst

    def __post_init__(self) -> None:
        _freeze(self, residuals_mm=(self.residuals_mm, np.float64, (None,)))


def refit(
    surface: Surface,
    touches: ProbeScan,
    *,
    accept_mm: float = _ACCEPT_MM,
    rescan_mm: float = _RESCAN_MM,
) -> Refit:
    """Fit a known skin to a few new touches and say what to do.

    Below `accept_mm` as placed the piece stays as it was; up to `rescan_mm` it gets its new pose, if the pose
    brings it below `accept_mm` and its turn is known; beyond it is probed afresh.

    Parameters
    ----------
    surface : Surface
        The skin as probed before.
    touches : ProbeScan
        New touches in the seat frame as it is now, six or more.
    accept_mm, rescan_mm : float
        Root mean square distances of the new touches [mm].
    """
    if len(touches.centres_seat_mm) < FEWEST_TOUCHES:
        raise BadInput(
            f"{len(touches.centres_seat_mm)} touches, expected {FEWEST_TOUCHES} or more all round the piece"
        )
    if not 0 < accept_mm <= rescan_mm:
        raise BadInput(
            f"limits {accept_mm:g} and {rescan_mm:g} mm: the first above 0 and not above the second"
        )
    as_placed = _rms(_distances(surface, touches, np.zeros(_MOTIONS)))
    open_ = accept_mm <= as_placed <= rescan_mm  # only then the fit decides
    fits = [_fitted(surface, touches, turn) for turn in (0.0, *(_TURNS_DEG if open_ else ()))]
    fits.sort(key=lambda f: f.cost)
    best = fits[0]
    rival = any(
        np.degrees(abs(other.motion[2] - best.motion[2])) > _ANOTHER_DEG
        and other.spread_mm < max(accept_mm, 1.3 * best.spread_mm)
        for other in fits[1:]
    )
    verdict, why = _judged(as_placed, best, rival, accept_mm, rescan_mm)
    pose = Pose(np.eye(3), np.zeros(3)) if verdict is Verdict.ACCEPT else best.pose(surface)
    return Refit(verdict, why, as_placed, best.spread_mm, pose, best.residuals, best.place_known_mm)


def _judged(as_placed: float, best: _Fit, rival: bool, accept: float, rescan: float) -> tuple[Verdict, str]:
    if as_placed < accept:
        return Verdict.ACCEPT, f"{as_placed:.2f} mm RMS where it was, below {accept:g} mm"
    if as_placed > rescan:
        return Verdict.RESCAN, f"{as_placed:.2f} mm RMS where it was, above {rescan:g} mm: probe it afresh"
    if best.spread_mm >= accept:
        text = f"{best.spread_mm:.2f} mm is left even in its best place: its shape changed, probe it afresh"
        return Verdict.RESCAN, text
    if rival:
        return Verdict.RESCAN, "another turn fits as well: touch a mark, or probe it afresh"
    if best.place_known_mm > _KNOWN_PLACE_MM:
        text = f"its turn is known to {best.place_known_mm:.1f} mm only: touch more, or probe it afresh"
        return Verdict.RESCAN, text
    return Verdict.REFIT, f"{as_placed:.2f} mm RMS where it was, {best.spread_mm:.2f} mm in its new place"


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    motion: Floats  # (6,) turn vector about the surface's origin [rad], shift [mm]
    residuals: Floats
    cost: float
    place_known_mm: float

    @property
    def spread_mm(self) -> float:
        """What the fit leaves, by the touches that six motions leave free."""
        free = max(len(self.residuals) - _MOTIONS, 1)
        return float(np.sqrt(self.residuals @ self.residuals / free))

    def pose(self, surface: Surface) -> Pose:
        from scipy.spatial.transform import Rotation

        turn = np.asarray(Rotation.from_rotvec(self.motion[:3]).as_matrix(), np.float64)
        origin = surface.origin_seat_mm
        return Pose(turn, origin + self.motion[3:] - turn @ origin)


def _fitted(surface: Surface, touches: ProbeScan, turn_deg: float) -> _Fit:
    from scipy.optimize import least_squares

    usual = np.array([_USUAL_TURN_RAD] * 3 + [_USUAL_SHIFT_MM] * 3)
    noise = max(surface.noise_mm, surface.rms_error_mm, _LEAST_NOISE_MM)

    def misfit(motion: Floats) -> Floats:
        return np.concatenate([_distances(surface, touches, motion) / noise, motion / usual])

    start = np.array([0.0, 0.0, np.radians(turn_deg), 0.0, 0.0, 0.0])
    found = least_squares(misfit, start, x_scale=usual, method="trf", max_nfev=15)
    slopes, motion = np.asarray(found.jac, float), np.asarray(found.x, float)
    return _Fit(
        motion,
        _distances(surface, touches, motion),
        float(found.cost),
        _place_known(surface, np.linalg.inv(slopes.T @ slopes)),
    )


def _place_known(surface: Surface, spread: Floats) -> float:
    """Return the largest deviation of a spot's place; it moves by turn x p + shift."""
    unit = unit_of(np.radians(np.arange(0, 360, 30.0))[:, None], np.radians([-40.0, 0.0, 40.0]))
    points = radius_at(surface, unit).reshape(-1, 1) * unit.reshape(-1, 3)
    x, y, z = points.T
    nought, one = np.zeros_like(x), np.ones_like(x)
    moves = np.array(
        [
            [nought, z, -y, one, nought, nought],
            [-z, nought, x, nought, one, nought],
            [y, -x, nought, nought, nought, one],
        ]
    )
    squares = np.einsum("ikn,kl,iln->n", moves, spread, moves)
    return float(np.sqrt(squares.max()))


def _distances(surface: Surface, touches: ProbeScan, motion: Floats) -> Floats:
    """Return how far each touch lies outside the skin moved by a turn vector about its origin and a shift."""
    from scipy.spatial.transform import Rotation

    relative = touches.centres_seat_mm - surface.origin_seat_mm - motion[3:]
    before = Rotation.from_rotvec(motion[:3]).inv().apply(relative)
    return -depth_below(surface, before, rounds=3) - touches.tip_radius_mm


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2)))


# --- carrying the pose on ------------------------------------------------------------------------------


def moved_scan(scan: ProbeScan, pose: Pose) -> ProbeScan:
    """Return the touches of a piece as they would be where it lies now: prepared from, all follows.

    Parameters
    ----------
    scan : ProbeScan
        The touches as probed.
    pose : Pose
        How the piece moved.
    """
    return replace(scan, centres_seat_mm=pose.apply(scan.centres_seat_mm))


def moved_surface(surface: Surface, pose: Pose) -> Surface:
    """Return a known skin where it lies now; the work frame keeps the seat's directions, so it is resampled.

    Parameters
    ----------
    surface : Surface
        The skin as probed.
    pose : Pose
        How the piece moved.
    """
    fine = grid_directions(180.0 / (surface.radius_mm.shape[0] - 1)) @ pose.turn  # R^T u, row by row
    coarse = grid_directions(180.0 / (surface.deviation_mm.shape[0] - 1)) @ pose.turn
    radii = radius_at(surface, fine)
    return replace(
        surface,
        origin_seat_mm=pose.apply(surface.origin_seat_mm[None])[0],
        radius_mm=radii,
        deviation_mm=deviation_at(surface, coarse),
        points_seat_mm=pose.apply(surface.points_seat_mm),
        coefficients=_coefficients(radii),
    )


def moved_placement(placement: Placement, pose: Pose) -> Placement:
    """Return where a design lies in the seat's directions now, so that it stays where it was on the piece.

    Parameters
    ----------
    placement : Placement
        The design's place as planned.
    pose : Pose
        How the piece moved.
    """
    lon, lat = placement.longitude_rad, placement.latitude_rad
    out = pose.turn @ unit_of(lon, lat)
    north = np.array([-np.sin(lat) * np.cos(lon), -np.sin(lat) * np.sin(lon), np.cos(lat)])
    up = pose.turn @ north
    new_lon, new_lat = (float(a) for a in lonlat_of(out))
    east = np.array([-np.sin(new_lon), np.cos(new_lon), 0.0])
    more = float(np.arctan2(-(up @ east), up @ np.cross(out, east)))  # counter-clockwise seen from outside
    return replace(placement, longitude_rad=new_lon, latitude_rad=new_lat, turn_rad=placement.turn_rad + more)
