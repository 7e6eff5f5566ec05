"""What shape is the piece? A star-shaped skin by Gaussian-process regression of the touches.

How radii between touches are foretold stands in `engine.regression`. The fitted skin is kept as a grid of
radii and read by bicubic splines, so that everything downstream is fast.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from engine.errors import BadInput, CannotBeDone
from engine.frames import lonlat_of, normalised, unit_of
from engine.records import Bools, Finding, Floats, Ints, ProbeScan, Severity, Surface
from engine.regression import Regression, Scatter, deviation_in, radius_in, regress, slopes_in

_PAD = 12  # cells by which the grid is continued before the spline is fitted; edge effects die off by 1e-6
_STEP_DEG = 2.0
_COARSE_DEG = 6.0  # for the deviation, which is smooth
_QUARREL_MM = 2.5  # a piece with ribs of 8 mm touched sparsely shows 1.5, wild touches 3.5 and more
_DRIFT_MM = 0.5  # of a re-touched place, common practice
_SLOPE_STEP = 1e-3  # [rad] half the step of the central differences
_ONE_DIRECTION = 0.1  # chord of 5.7 deg: touches this near are in about one direction
_ABOVE_MM, _TOO_STEEP = 4.0, 3.0  # of two such touches one lies under the other: 72 deg steep and more
_BESIDE = 0.5  # chord; hidden touches this near each other belong to one overhang
_MASKED_RAD = 0.14  # 8 deg round each hidden touch, the spacing of touches

# --- reading a surface ---------------------------------------------------------------------------------


def radius_at(surface: Surface, directions: Floats) -> Floats:
    """Return the radius of the skin in given directions.

    Parameters
    ----------
    surface : Surface
        The fitted skin.
    directions : ndarray (..., 3)
        Directions in the work frame, not necessarily of length 1 [-].

    Returns
    -------
    ndarray (...,)
        Distance from the origin to the skin [mm].
    """
    from scipy.ndimage import map_coordinates

    lon, lat = lonlat_of(directions)
    rows, columns = surface.radius_mm.shape
    row = (lat + np.pi / 2) * (rows - 1) / np.pi + _PAD
    column = np.remainder(lon, 2 * np.pi) * columns / (2 * np.pi) + _PAD
    found = map_coordinates(
        surface.coefficients, [row.ravel(), column.ravel()], order=3, mode="nearest", prefilter=False
    )
    radius: Floats = found.reshape(lon.shape)
    return radius


def points_at(surface: Surface, directions: Floats) -> Floats:
    """Return the skin points (..., 3) in given directions (..., 3), in the work frame [mm]."""
    return radius_at(surface, directions)[..., None] * normalised(directions)


def normals_at(surface: Surface, directions: Floats) -> Floats:
    """Return the outward unit normals of the skin in given directions.

    For p = r(u) u the normal is along u - grad(r) / r, with grad the gradient on the unit sphere; it is
    taken by central differences in the tangent plane, so that the poles need no special case.

    Parameters
    ----------
    surface : Surface
        The fitted skin.
    directions : ndarray (..., 3)
        Directions in the work frame [-].

    Returns
    -------
    ndarray (..., 3)
        Unit normals in the work frame [-].
    """
    unit = normalised(directions)
    east, north = tangents(unit)
    h = _SLOPE_STEP
    probes = np.stack([unit + h * east, unit - h * east, unit + h * north, unit - h * north])
    r = radius_at(surface, probes)
    angle = 2 * np.arctan(h)
    slope_east = (r[0] - r[1]) / angle
    slope_north = (r[2] - r[3]) / angle
    middle = r.mean(axis=0)
    return normalised(
        unit - (slope_east[..., None] * east + slope_north[..., None] * north) / middle[..., None]
    )


def tangents(unit: Floats) -> tuple[Floats, Floats]:
    """Return unit tangents (east, north) [-] to the unit sphere at `unit` (..., 3); any pair at the poles."""
    away = np.where(np.abs(unit[..., 2:3]) < 0.999, [0.0, 0.0, 1.0], [1.0, 0.0, 0.0])
    east = normalised(np.cross(away, unit))
    return east, np.cross(unit, east)


def depth_below(surface: Surface, points: Floats, rounds: int = 12) -> Floats:
    """Return how deep points lie below the skin, as the distance to the nearest skin point.

    Parameters
    ----------
    surface : Surface
        The fitted skin.
    points : ndarray (..., 3)
        Points in the work frame, not at the origin [mm].
    rounds : int
        Rounds of the foot-point iteration; each moves the foot along the normal found last [-].

    Returns
    -------
    ndarray (...,)
        Depth [mm], negative outside.
    """
    unit = normalised(points)
    depth = np.zeros(points.shape[:-1])
    for _ in range(rounds):
        depth, onward = foot_below(surface, points, unit)
        unit = normalised(unit + onward)  # in a tight valley whole steps would leap from flank to flank
    return depth


def foot_below(surface: Surface, points: Floats, foot: Floats) -> tuple[Floats, Floats]:
    """Take one round of the foot-point iteration.

    Parameters
    ----------
    surface : Surface
        The fitted skin.
    points : ndarray (..., 3)
        Points in the work frame [mm].
    foot : ndarray (..., 3)
        Directions of the skin points found so far [-].

    Returns
    -------
    tuple of ndarray (...,), (..., 3)
        Depth below the skin along the normal there [mm], and the directions of the next skin points [-].
    """
    normal = normals_at(surface, foot)
    depth: Floats = np.sum((radius_at(surface, foot)[..., None] * foot - points) * normal, axis=-1)
    return depth, normalised(points + depth[..., None] * normal)


def deviation_at(surface: Surface, directions: Floats) -> Floats:
    """Return the posterior standard deviation [mm] of the radius in given directions (..., 3)."""
    from scipy.ndimage import map_coordinates

    lon, lat = lonlat_of(directions)
    rows, columns = surface.deviation_mm.shape
    row = (lat + np.pi / 2) * (rows - 1) / np.pi
    column = np.remainder(lon, 2 * np.pi) * columns / (2 * np.pi)
    wide = np.concatenate([surface.deviation_mm, surface.deviation_mm[:, :1]], axis=1)
    found: Floats = map_coordinates(wide, [row.ravel(), column.ravel()], order=1).reshape(lon.shape)
    return found


# --- making a surface ----------------------------------------------------------------------------------


def grid_directions(step_deg: float) -> Floats:
    """Return the directions (k, m, 3) of a longitude and latitude grid, poles included [-]."""
    rows = round(180 / step_deg) + 1
    columns = round(360 / step_deg)
    lat = np.linspace(-np.pi / 2, np.pi / 2, rows)
    lon = np.arange(columns) * 2 * np.pi / columns
    return unit_of(lon[None, :], lat[:, None])


def surface_of(radius: Callable[[Floats], Floats], step_deg: float = _STEP_DEG) -> Surface:
    """Return a surface of known shape, as for practice on a foam sphere.

    Parameters
    ----------
    radius : callable
        Gives the radius [mm] of directions (..., 3).
    step_deg : float
        Step of the grid [deg].
    """
    radii = np.asarray(radius(grid_directions(step_deg)), float)
    coarse = grid_directions(_COARSE_DEG).shape[:2]
    return Surface(
        origin_seat_mm=np.zeros(3),
        radius_mm=radii,
        deviation_mm=np.zeros(coarse),
        points_seat_mm=np.zeros((0, 3)),
        residuals_mm=np.zeros(0),
        noise_mm=0.0,
        rms_error_mm=0.0,
        coefficients=_coefficients(radii),
    )


def _coefficients(radius_mm: Floats) -> Floats:
    """Continue the grid round the back and over the poles, and return its cubic spline coefficients."""
    from scipy.ndimage import spline_filter

    half = radius_mm.shape[1] // 2
    over = np.roll(radius_mm, half, axis=1)  # beyond a pole the meridian goes on at longitude + pi
    tall = np.concatenate([over[_PAD:0:-1], radius_mm, over[-2 : -_PAD - 2 : -1]], axis=0)
    wide = np.concatenate([tall[:, -_PAD:], tall, tall[:, : _PAD + 1]], axis=1)
    found: Floats = spline_filter(wide, order=3, mode="mirror")
    return found


def fit_surface(scan: ProbeScan) -> tuple[Surface, tuple[Finding, ...]]:
    """Return the skin that fits the touches, and findings about the touches themselves.

    The mapping centre is the middle of the spheroid about the seat's Z direction that fits the touches best,
    or one near it from which no direction meets the skin twice. Touches are compensated by the tip's radius
    along the normal of the surface through the tip centres: that surface lies everywhere one tip radius off
    the skin, so both share their normals and once is enough. Touches that disagree with all the others are
    left out and named by line.

    Parameters
    ----------
    scan : ProbeScan
        Tip centres in the seat frame.

    Raises
    ------
    CannotBeDone
        When the touches do not surround a middle, or too many disagree.
    """
    fit, origin, findings, overhung = skin_of(scan)
    return _surface(fit, origin, overhung), findings


def skin_of(scan: ProbeScan) -> tuple[Regression, Floats, tuple[Finding, ...], Floats]:
    """Return the regression behind a skin, its origin, findings, and directions that meet it twice.

    Parameters
    ----------
    scan : ProbeScan
        Tip centres in the seat frame.

    Returns
    -------
    tuple of Regression, ndarray (3,), tuple of Finding, ndarray (k, 3)
        The radii of the skin about the origin [mm], the origin in the seat frame [mm], and unit directions
        of touches under an overhang [-].
    """
    places = _merged(scan)
    findings = list(_drift_findings(places))
    middle = spheroid_centre(places.centres)
    origin, kept, overhung = without_overhangs(places.centres, middle)
    if len(overhung) and np.array_equal(origin, middle):
        origin = spheroid_centre(places.centres[kept])
    findings += _overhang_findings(overhung, places.lines[~kept])
    for _ in range(4):
        fit = places.regressed(origin, kept)
        odd = _outliers(fit)
        if not odd.any():
            break
        at = np.flatnonzero(kept)[odd]
        findings += [
            _outlier_finding(int(places.lines[i]), float(e))
            for i, e in zip(at, fit.left_out[odd], strict=True)
        ]
        kept[at] = False
        _refuse_many(places, kept, findings)
        if not len(overhung):
            origin = spheroid_centre(places.centres[kept])
    _refuse_quarrel(fit, tuple(findings))
    if scan.tip_radius_mm == 0.0:
        return fit, origin, tuple(findings), overhung
    outside = places.centres[kept] - origin
    contact = outside - scan.tip_radius_mm * normals_of(fit, outside)
    length = np.linalg.norm(contact, axis=1)
    skin = regress(
        contact / length[:, None], length, places.counts[kept], places.scatter(origin), fit.settings
    )
    return skin, origin, tuple(findings), overhung


def normals_of(fit: Regression, points: Floats) -> Floats:
    """Return the outward unit normals [-] of a regression's surface in the directions of points (n, 3)."""
    unit = normalised(points)
    east, north = tangents(unit)
    slopes = slopes_in(fit, unit, east, north) / radius_in(fit, unit)
    return normalised(unit - slopes[0][:, None] * east - slopes[1][:, None] * north)


@dataclass(frozen=True, slots=True, eq=False)
class _Places:
    """Touched places: re-touches are merged, their scatter is kept."""

    centres: Floats  # (n, 3) mean tip centres, seat frame
    lines: Ints  # (n,) first line of each
    counts: Floats  # (n,) touches of each
    every: Floats  # (t, 3) all tip centres
    place: Ints  # (t,) place of each

    def scatter(self, origin: Floats) -> Scatter:
        """Return how re-touches lie about their means along the ray, which is the way the probe comes in."""
        many = self.counts > 1
        if not many.any():
            return Scatter()
        ray = normalised(self.centres - origin)[self.place]
        off = np.einsum("ij,ij->i", self.every - self.centres[self.place], ray)
        return Scatter(float(off @ off), int(np.sum(self.counts[many] - 1)))

    def moves(self) -> Floats:
        """Return the vector (m, 3) from the first to the last touch of each re-touched place."""
        order = np.argsort(self.place, kind="stable")
        ends = np.cumsum(self.counts).astype(np.int64)
        first, last = order[np.concatenate([[0], ends[:-1]])], order[ends - 1]
        found: Floats = (self.every[last] - self.every[first])[self.counts > 1]
        return found

    def regressed(self, origin: Floats, kept: Bools) -> Regression:
        """Return the regression of the kept places about an origin, its settings by likelihood."""
        relative = self.centres[kept] - origin
        length = np.linalg.norm(relative, axis=1)
        return regress(relative / length[:, None], length, self.counts[kept], self.scatter(origin))


def _merged(scan: ProbeScan) -> _Places:
    _, first, place, count = np.unique(
        scan.touch_numbers, return_index=True, return_inverse=True, return_counts=True
    )
    place = place.reshape(-1)
    total = np.zeros((len(first), 3))
    np.add.at(total, place, scan.centres_seat_mm)
    return _Places(
        total / count[:, None], scan.lines[first], count.astype(np.float64), scan.centres_seat_mm, place
    )


def _refuse_many(places: _Places, kept: Bools, findings: list[Finding]) -> None:
    if kept.sum() >= 0.9 * len(kept):
        return
    lines = ", ".join(str(int(i)) for i in places.lines[~kept][:8])
    raise CannotBeDone(
        f"{len(kept) - kept.sum()} of {len(kept)} touches disagree with the rest (lines {lines}...); "
        "probe the piece again",
        tuple(findings),
    )


def _refuse_quarrel(fit: Regression, findings: tuple[Finding, ...]) -> None:
    """Refuse touches of which each is badly foretold by all the others: no skin is that rough."""
    rms = float(np.sqrt(np.mean(fit.left_out**2)))
    if rms <= _QUARREL_MM:
        return
    text = (
        f"the touches disagree with the rest by {rms:.1f} mm RMS, at most {_QUARREL_MM} mm allowed; "
        "check clamp and probe, then probe the piece again, more densely where it is ribbed"
    )
    refusal = Finding(
        Severity.REFUSE,
        "touches",
        text,
        "probe the piece again",
        measured=rms,
        allowed=_QUARREL_MM,
        unit="mm",
    )
    raise CannotBeDone(text, (*findings, refusal))


def spheroid_centre(points: Floats) -> Floats:
    """Return the middle of the spheroid about Z that fits points (n, 3) best, by linear least squares [mm].

    Solves x2 + y2 + k z2 - 2 cx x - 2 cy y - 2 k cz z = d; exact on a sphere or spheroid.
    """
    x, y, z = points.T
    terms = np.stack([z**2, x, y, z, np.ones_like(x)], axis=1)
    (k, gx, gy, gz, _), _, rank, _ = np.linalg.lstsq(terms, -(x**2 + y**2), rcond=None)
    if rank < 5 or not 0.15 < k < 8:  # touches on a narrow band: fall back to a sphere
        terms = np.stack([x, y, z, np.ones_like(x)], axis=1)
        (gx, gy, gz, _), _, rank, _ = np.linalg.lstsq(terms, -np.sum(points**2, axis=1), rcond=None)
        k = 1.0
        if rank < 4:
            raise CannotBeDone("the touches lie in one plane or on one line; touch the piece all round it")
    centre = np.array([-gx / 2, -gy / 2, -gz / (2 * k)])
    _check_surrounded(points - centre)
    return centre


def _check_surrounded(relative: Floats) -> None:
    """Refuse touches that do not lie round their middle: no design could be mapped."""
    lon, _ = lonlat_of(relative)
    gaps = np.diff(np.sort(np.concatenate([lon, [lon.min() + 2 * np.pi]])))
    widest = np.degrees(gaps.max())
    if widest > 100:
        raise CannotBeDone(
            f"the touches leave {widest:.0f} deg of the round untouched, at most 100 deg allowed; "
            "touch the piece all round it"
        )


def _drift_findings(places: _Places) -> list[Finding]:
    """Tell how far re-touched places moved: all alike is a slipped piece, one alone is one bad touch."""
    moves = places.moves()
    if not len(moves):
        return []
    sizes = np.linalg.norm(moves, axis=1)
    worst, together = float(sizes.max()), float(np.linalg.norm(moves.mean(axis=0)))
    if worst <= _DRIFT_MM:
        return []
    alike = len(moves) > 1 and together > 0.7 * worst
    why = "all of them alike: the piece or a coupling slipped" if alike else "something is loose"
    line = int(places.lines[places.counts > 1][sizes.argmax()])
    return [
        Finding(
            Severity.REFUSE if worst > 3 * _DRIFT_MM else Severity.WARN,
            "re-touch drift",
            f"line {line}: a re-touched place moved by {worst:.2f} mm, at most {_DRIFT_MM} mm allowed; {why}",
            "check the clamp, the probe and the axes' couplings, then probe again",
            measured=worst,
            allowed=_DRIFT_MM,
            unit="mm",
        )
    ]


def _outliers(fit: Regression) -> Bools:
    """Return which touches disagree: by 6 deviations and 1 mm against all others, the worst of a group."""
    size = np.abs(fit.left_out)
    odd = (size > 6 * fit.left_out_deviation) & (size > 1.0)
    if odd.any():  # a wild touch makes its neighbours look odd: take the worst ones only
        odd &= size >= 0.5 * size[odd].max()
    return odd


def _outlier_finding(line: int, error_mm: float) -> Finding:
    return Finding(
        Severity.WARN,
        "touch outlier",
        f"line {line}: this touch lies {error_mm:+.1f} mm off what its neighbours say; it was left out",
        "touch that place again",
        measured=abs(error_mm),
        allowed=1.0,
        unit="mm",
    )


# --- overhangs -----------------------------------------------------------------------------------------


def without_overhangs(centres: Floats, origin: Floats) -> tuple[Floats, Bools, Floats]:
    """Return a centre, which touches to keep, and the directions in which the skin is met twice.

    Two touches in nearly one direction but at clearly different radii lie one above the other: the skin
    overhangs, or one of them is wild. Several such pairs beside each other are an overhang. A centre near
    the given one is searched from which less than half are hidden. Of pairs that stay the outer one is kept,
    for a cutter from outside meets it first.

    Parameters
    ----------
    centres : ndarray (n, 3)
        Tip centres [mm].
    origin : ndarray (3,)
        Where the search starts [mm].

    Returns
    -------
    tuple of ndarray (3,), (n,), (k, 3)
        The centre [mm], kept touches, and unit directions of hidden ones [-].
    """
    kept = np.ones(len(centres), bool)
    hidden = _hidden(centres - origin)
    if not len(hidden):
        return origin, kept, np.zeros((0, 3))
    size = float(np.median(np.linalg.norm(centres - origin, axis=1)))
    steps = np.stack(np.meshgrid(*[np.linspace(-0.15, 0.15, 7)] * 3), axis=-1).reshape(-1, 3)
    best, fewest = origin, len(hidden) // 2  # the middle is left only where that shows much more
    for step in steps[np.argsort(np.linalg.norm(steps, axis=1), kind="stable")]:
        found = _hidden(centres - origin - size * step)
        if len(found) < fewest:
            best, fewest, hidden = origin + size * step, len(found), found
            if not fewest:
                break
    kept[hidden] = False
    return best, kept, normalised((centres - best)[hidden])


def _hidden(relative: Floats) -> Ints:
    """Return which touches lie clearly under another in nearly their own direction, not alone."""
    from scipy.spatial import cKDTree

    radius = np.linalg.norm(relative, axis=1)
    unit = relative / radius[:, None]
    pairs = cKDTree(unit).query_pairs(_ONE_DIRECTION, output_type="ndarray")
    apart = radius[pairs[:, 0]] - radius[pairs[:, 1]]
    beside = radius[pairs].mean(axis=1) * np.linalg.norm(unit[pairs[:, 0]] - unit[pairs[:, 1]], axis=1)
    above = np.abs(apart) > np.maximum(_ABOVE_MM, _TOO_STEEP * beside)
    lower = np.where(apart < 0, pairs[:, 0], pairs[:, 1])[above]
    upper = np.where(apart < 0, pairs[:, 1], pairs[:, 0])[above]
    hidden = np.unique(lower)
    if len(hidden) < 2 or len(np.unique(upper)) < 2:  # a wild touch over or under honest ones
        return np.zeros(0, np.int64)
    near = np.asarray(cKDTree(unit[hidden]).query(unit[hidden], k=2)[0])[:, 1]
    return np.asarray(hidden[near < _BESIDE], np.int64)


def _overhang_findings(overhung: Floats, lines: Ints) -> list[Finding]:
    if not len(overhung):
        return []
    lon, lat = (float(a) for a in lonlat_of(overhung.mean(axis=0)))
    named = ", ".join(str(int(line)) for line in lines[:8])
    return [
        Finding(
            Severity.WARN,
            "overhang",
            f"the skin overhangs about longitude {np.degrees(lon):.0f}, latitude {np.degrees(lat):.0f} deg: "
            f"{len(overhung)} touches lie under others (lines {named}); nothing can be cut there",
            "place the design elsewhere, or clamp the piece so that this side can be left out",
            longitude_deg=round(float(np.degrees(lon)), 1),
            latitude_deg=round(float(np.degrees(lat)), 1),
            measured=float(len(overhung)),
            allowed=0.0,
            unit="touches",
        )
    ]


def masked_at(surface: Surface, directions: Floats) -> Bools:
    """Return in which directions (..., 3) [-] the skin overhangs, so that nothing may be cut there."""
    if not surface.masked.size:
        return np.zeros(directions.shape[:-1], bool)
    lon, lat = lonlat_of(directions)
    rows, columns = surface.masked.shape
    row = np.rint((lat + np.pi / 2) * (rows - 1) / np.pi).astype(np.int64)
    column = np.rint(np.remainder(lon, 2 * np.pi) * columns / (2 * np.pi)).astype(np.int64) % columns
    return np.asarray(surface.masked[row, column], bool)


def _surface(fit: Regression, origin: Floats, overhung: Floats) -> Surface:
    """Return the regression as a grid of radii with its deviation."""
    fine = grid_directions(_STEP_DEG)
    radii = radius_in(fit, fine.reshape(-1, 3)).reshape(fine.shape[:2])
    if radii.min() <= 1.0:
        raise BadInput(f"the fitted skin comes within {radii.min():.1f} mm of its middle; check the touches")
    coarse = grid_directions(_COARSE_DEG)
    deviation = deviation_in(fit, coarse.reshape(-1, 3)).reshape(coarse.shape[:2])
    masked = np.zeros((0, 0), bool)
    if len(overhung):
        masked = (coarse @ overhung.T).max(axis=-1) > np.cos(_MASKED_RAD)
    return Surface(
        origin_seat_mm=origin,
        radius_mm=radii,
        deviation_mm=deviation,
        points_seat_mm=fit.unit * fit.radius[:, None] + origin,
        residuals_mm=fit.radius - radius_in(fit, fit.unit),
        noise_mm=fit.noise,
        rms_error_mm=float(np.sqrt(np.mean(fit.left_out**2))),
        coefficients=_coefficients(radii),
        masked=masked,
    )
