"""What shape is the piece? A star-shaped skin by Gaussian-process regression of the touches.

The radius over directions is modelled as a constant plus a Gaussian process with a Matern 5/2 covariance of
the chord between directions (Rasmussen and Williams, *Gaussian Processes for Machine Learning*, 2006, eq.
4.17; marginal likelihood eq. 5.8; leave-one-out residuals eqs. 5.10-5.12). The fitted skin is kept as a grid
of radii and read by bicubic splines, so that everything downstream is fast.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from engine.errors import BadInput, CannotBeDone
from engine.frames import lonlat_of, normalised, unit_of
from engine.records import Finding, Floats, Ints, ProbeScan, Severity, Surface

_PAD = 12  # cells by which the grid is continued before the spline is fitted; edge effects die off by 1e-6
_STEP_DEG = 2.0
_COARSER_DEG = 2.5  # for the normals by which touches are compensated
_COARSE_DEG = 6.0  # for the deviation, which is smooth
_USUAL_NOISE_MM = 0.08  # of one touch of a home-built probe, common practice; a prior weak by a factor e
_QUARREL_MM = 2.5  # a piece with ribs of 8 mm touched sparsely shows 1.5, wild touches 3.5 and more
_SLOPE_STEP = 1e-3  # [rad] half the step of the central differences


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


def depth_below(surface: Surface, points: Floats, rounds: int = 4) -> Floats:
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
    foot = points
    depth = np.zeros(points.shape[:-1])
    for _ in range(rounds):
        unit = normalised(foot)
        normal = normals_at(surface, unit)
        depth = np.sum((radius_at(surface, unit)[..., None] * unit - points) * normal, axis=-1)
        foot = points + depth[..., None] * normal
    return depth


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

    The mapping centre is the middle of the spheroid about the seat's Z direction that fits the touches best.
    Touches are compensated by the tip's radius along the normal of the surface through the tip centres:
    at a touch both surfaces share that normal. Touches that disagree with all the others are left out and
    named by line.

    Parameters
    ----------
    scan : ProbeScan
        Tip centres in the seat frame.

    Raises
    ------
    CannotBeDone
        When the touches do not surround a middle, or too many disagree.
    """
    centres, lines, drift = _merge_retouches(scan)
    origin = spheroid_centre(centres)
    kept = np.ones(len(centres), bool)
    findings = list(_drift_findings(drift))
    for _ in range(4):
        process = _process(centres[kept] - origin)
        odd = _outliers(process)
        if not odd.any():
            break
        at = np.flatnonzero(kept)[odd]
        findings += [
            _outlier_finding(int(lines[i]), float(e)) for i, e in zip(at, process.left_out[odd], strict=True)
        ]
        kept[at] = False
        if kept.sum() < 0.9 * len(centres):
            raise CannotBeDone(
                f"{len(centres) - kept.sum()} of {len(centres)} touches disagree with the rest "
                f"(lines {', '.join(str(int(i)) for i in lines[~kept][:8])}...); probe the piece again",
                tuple(findings),
            )
        origin = spheroid_centre(centres[kept])
    _refuse_quarrel(process, tuple(findings))
    relative = centres[kept] - origin
    by_tips = surface_of(
        lambda unit: _predict(process, unit.reshape(-1, 3)).reshape(unit.shape[:-1]), _COARSER_DEG
    )
    contact = relative - scan.tip_radius_mm * normals_at(by_tips, relative)
    return _surface(_process(contact, like=process), origin), tuple(findings)


def _refuse_quarrel(process: _Process, findings: tuple[Finding, ...]) -> None:
    """Refuse touches of which each is badly foretold by all the others: no skin is that rough."""
    rms = float(np.sqrt(np.mean(process.left_out**2)))
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


def _merge_retouches(scan: ProbeScan) -> tuple[Floats, Ints, float]:
    """Return mean tip centres (n, 3), the first line of each place, and the largest drift of a re-touch."""
    _, first, place, count = np.unique(
        scan.touch_numbers, return_index=True, return_inverse=True, return_counts=True
    )
    total = np.zeros((len(first), 3))
    np.add.at(total, place, scan.centres_seat_mm)
    centres = total / count[:, None]
    spread = np.linalg.norm(scan.centres_seat_mm - scan.centres_seat_mm[first][place], axis=1)
    return centres, scan.lines[first], float(spread.max(initial=0.0))


def _drift_findings(drift_mm: float, allowed_mm: float = 0.5) -> list[Finding]:
    if drift_mm <= allowed_mm:
        return []
    return [
        Finding(
            Severity.REFUSE if drift_mm > 3 * allowed_mm else Severity.WARN,
            "re-touch drift",
            f"a re-touched place moved by {drift_mm:.2f} mm, at most {allowed_mm} mm allowed: "
            "something is loose",
            "check the clamp, the probe and the axes' couplings, then probe again",
            measured=drift_mm,
            allowed=allowed_mm,
            unit="mm",
        )
    ]


# --- the Gaussian process ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Process:
    """A fitted process: directions, weights and what is needed for its deviation."""

    unit: Floats  # (n, 3)
    radius: Floats  # (n,)
    mean: float
    length: float  # chord on the unit sphere [-]
    amplitude: float  # [mm]
    noise: float  # [mm]
    weights: Floats  # (n,)
    inverse: Floats  # (n, n) of the covariance
    left_out: Floats  # (n,) residual of each touch against all the others
    left_out_deviation: Floats  # (n,)


def _matern(cosine: Floats, length: float) -> Floats:
    """Return the Matern 5/2 correlation for the chord of directions with this cosine between them [-]."""
    s = np.sqrt(np.maximum(10.0 - 10.0 * cosine, 0.0)) / length  # sqrt(5) * chord / length
    found: Floats = (1.0 + s + s * s / 3.0) * np.exp(-s)
    return found


def _process(points: Floats, like: _Process | None = None) -> _Process:
    """Fit the process to points (n, 3) about the origin; `like` gives length and noise share to keep."""
    radius = np.linalg.norm(points, axis=1)
    unit = points / radius[:, None]
    if like is not None:
        return _with_settings(unit, radius, like.length, (like.noise / max(like.amplitude, 1e-12)) ** 2)
    length, share = _likeliest(unit, radius)
    return _with_settings(unit, radius, length, share)


def _likeliest(unit: Floats, radius: Floats) -> tuple[float, float]:
    """Return the correlation length [-] and noise share (noise/amplitude)^2 of greatest likelihood."""
    from scipy.linalg import LinAlgError, cho_factor, cho_solve
    from scipy.optimize import minimize

    cosine = unit @ unit.T
    n = len(radius)
    ones = np.ones(n)
    if np.std(radius) < 1e-7:  # a sphere to within rounding: nothing to learn
        return 0.5, 1e-3

    def misfit(x: Floats) -> float:
        length = float(np.exp(np.clip(x[0], np.log(0.08), np.log(4.0))))
        share = float(np.exp(np.clip(x[1], -18.0, 2.0)))
        try:
            factor = cho_factor(_matern(cosine, length) + share * np.eye(n), lower=True, overwrite_a=True)
        except LinAlgError:
            return 1e12
        solved = cho_solve(factor, np.stack([radius, ones], axis=1))
        mean = (ones @ solved[:, 0]) / (ones @ solved[:, 1])
        off = radius - mean
        square = float(off @ (solved[:, 0] - mean * solved[:, 1])) / n + 1e-12
        unusual = 0.5 * np.log(share * square / _USUAL_NOISE_MM**2)
        return float(0.5 * n * np.log(square) + np.log(np.diag(factor[0])).sum() + 0.5 * unusual**2)

    start = np.array([[-0.7, -7.0], [-0.2, -7.0], [-0.7, -5.5]])  # logs of length and share: a first triangle
    found = minimize(
        misfit,
        start[0],
        method="Nelder-Mead",
        options={"maxfev": 36, "xatol": 0.05, "fatol": 0.05, "initial_simplex": start},
    )
    length, share = np.clip(found.x, [np.log(0.08), -18.0], [np.log(4.0), 2.0])
    return float(np.exp(length)), float(np.exp(share))


def _with_settings(unit: Floats, radius: Floats, length: float, share: float) -> _Process:
    n = len(radius)
    covariance = _matern(unit @ unit.T, length) + share * np.eye(n)
    inverse = np.asarray(np.linalg.inv(covariance), np.float64)
    pull = inverse.sum(axis=1)
    mean = float(pull @ radius / pull.sum())
    weights = inverse @ (radius - mean)
    amplitude = float(np.sqrt(max(float((radius - mean) @ weights) / n, 0.0)))
    sharpness = np.diag(inverse)
    return _Process(
        unit=unit,
        radius=radius,
        mean=mean,
        length=length,
        amplitude=amplitude,
        noise=amplitude * float(np.sqrt(share)),
        weights=weights,
        inverse=inverse,
        left_out=weights / sharpness,
        left_out_deviation=amplitude / np.sqrt(sharpness),
    )


def _outliers(process: _Process) -> np.typing.NDArray[np.bool_]:
    """Return which touches disagree: by 6 deviations and 1 mm against all others, the worst of a group."""
    size = np.abs(process.left_out)
    odd = (size > 6 * process.left_out_deviation) & (size > 1.0)
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


def _surface(process: _Process, origin: Floats) -> Surface:
    """Return the process as a grid of radii with its deviation."""
    fine = grid_directions(_STEP_DEG)
    radii = _predict(process, fine.reshape(-1, 3)).reshape(fine.shape[:2])
    if radii.min() <= 1.0:
        raise BadInput(f"the fitted skin comes within {radii.min():.1f} mm of its middle; check the touches")
    coarse = grid_directions(_COARSE_DEG)
    cover = _matern(coarse.reshape(-1, 3) @ process.unit.T, process.length)
    explained = np.einsum("ij,jk,ik->i", cover, process.inverse, cover, optimize=True)
    deviation = process.amplitude * np.sqrt(np.clip(1.0 - explained, 0.0, None)).reshape(coarse.shape[:2])
    return Surface(
        origin_seat_mm=origin,
        radius_mm=radii,
        deviation_mm=deviation,
        points_seat_mm=process.unit * process.radius[:, None] + origin,
        residuals_mm=process.radius - _predict(process, process.unit),
        noise_mm=process.noise,
        rms_error_mm=float(np.sqrt(np.mean(process.left_out**2))),
        coefficients=_coefficients(radii),
    )


def _predict(process: _Process, unit: Floats, block: int = 4096) -> Floats:
    """Return the radius [mm] in unit directions (n, 3), a block at a time to spare memory."""
    parts = [
        _matern(unit[i : i + block] @ process.unit.T, process.length) @ process.weights
        for i in range(0, len(unit), block)
    ]
    return process.mean + np.concatenate(parts)
