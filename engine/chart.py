"""Where on the skin does a point of the flat design lie? Charts of the piece's own mean profile.

On any solid of revolution with meridian arc s and parallel radius rho(s), x = longitude, y = q = integral of
ds / rho is conformal (Snyder, *Map Projections: A Working Manual*, USGS Prof. Paper 1395, 1987, p. 15, eq.
3-7 for the spheroid; do Carmo, *Differential Geometry of Curves and Surfaces*, section 4-2, from memory). The
sheet is scaled so that its millimetres are true on the mean profile at the middle of the design::

      y (up, to the stem)
      |         longitude = longitude0 + x / rho0
      |         f(latitude) = f(latitude0) + y / rho0
      +---- x (right = longitude growing, seen from outside)

The cylindrical charts differ in f alone: q (the piece's own Mercator, the default), asinh(tan(latitude))
(that of a sphere), s / rho0 (equirectangular), integral of rho ds / rho0^2 (equal area). In all of them
verticals of the design run along meridians and horizontals along parallels, exactly, on any piece.

The azimuthal charts lay a sphere flat about the design's middle (Snyder eqs. 20-4, 21-2 to 21-4, 22-4, 24-2,
25-2): stereographic on the conformal sphere, whose latitude is the Gudermannian of q, so that it is conformal
on the profile; equal-area on the authalic sphere; equidistant and gnomonic on the sphere of directions.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum

import numpy as np

from engine.records import Chart, Floats, Placement, Surface

_BEYOND_DEG = 84.0  # the chart's table ends here; Mercator's y is infinite at the poles
_TABLE_DEG = 0.1
_STEPS_BACK = 4096
_BLOCK = 8192  # points at a time: what is worked on stays in the fast memory


class Projection(StrEnum):
    """How the sheet is laid on the piece."""

    OWN_MERCATOR = "own-mercator"
    MERCATOR = "mercator"
    EQUIRECTANGULAR = "equirectangular"
    EQUAL_AREA = "equal-area"
    STEREOGRAPHIC = "stereographic"
    EQUAL_AREA_ABOUT = "equal-area-about"
    EQUIDISTANT_ABOUT = "equidistant-about"
    GNOMONIC = "gnomonic"


CYLINDRICAL = (
    Projection.OWN_MERCATOR,
    Projection.MERCATOR,
    Projection.EQUIRECTANGULAR,
    Projection.EQUAL_AREA,
)


def own_mercator(surface: Surface, placement: Placement) -> Chart:
    """Return the Mercator chart of the surface's mean profile, true at the placement's latitude.

    Parameters
    ----------
    surface : Surface
        The fitted skin; its radius averaged over longitude is the profile.
    placement : Placement
        Where the middle of the design lies.
    """
    return chart_of(surface, placement)


def chart_of(
    surface: Surface, placement: Placement, projection: Projection = Projection.OWN_MERCATOR
) -> Chart:
    """Return a chart of the surface's mean profile, true at the middle of the design.

    Parameters
    ----------
    surface : Surface
        The fitted skin; its radius averaged over longitude is the profile.
    placement : Placement
        Where the middle of the design lies.
    projection : Projection
        How the sheet is laid on.
    """
    from scipy.interpolate import CubicSpline

    rows = np.linspace(-np.pi / 2, np.pi / 2, surface.radius_mm.shape[0])
    profile = CubicSpline(rows, surface.radius_mm.mean(axis=1), bc_type="clamped")
    lat = np.radians(np.arange(-_BEYOND_DEG, _BEYOND_DEG + _TABLE_DEG / 2, _TABLE_DEG))
    radius, slope = profile(lat), profile(lat, 1)
    q = isometric_latitude(lat, radius, slope)
    at = placement.latitude_rad
    middle_mm = float(profile(at))
    northing, sphere_mm = _northing(projection, profile, lat, q, at)
    return Chart(
        latitude_rad=lat,
        isometric=q,
        parallel_mm=radius * np.cos(lat),
        placement=placement,
        true_radius_mm=middle_mm * float(np.cos(at)),
        projection=str(projection),
        northing=northing,
        sphere_mm=sphere_mm,
        up=_pieces(lat, northing),
        back=_back(northing, lat),
    )


def _northing(
    projection: Projection, profile: Callable[..., Floats], lat: Floats, q: Floats, at: float
) -> tuple[Floats, float]:
    """Return what stands for latitude on a chart, and the radius of an azimuthal chart's sphere [mm]."""
    from scipy.interpolate import CubicSpline

    radius, slope = profile(lat), profile(lat, 1)
    middle_mm = float(profile(at))
    rho0 = middle_mm * float(np.cos(at))
    match projection:
        case Projection.OWN_MERCATOR:
            return q, 0.0
        case Projection.MERCATOR:
            return np.arcsinh(np.tan(lat)), 0.0
        case Projection.EQUIRECTANGULAR:
            arc = CubicSpline(lat, np.hypot(radius, slope)).antiderivative()
            return (arc(lat) - arc(0.0)) / rho0, 0.0
        case Projection.EQUAL_AREA:
            zone = CubicSpline(lat, radius * np.cos(lat) * np.hypot(radius, slope)).antiderivative()
            return (zone(lat) - zone(0.0)) / rho0**2, 0.0
        case Projection.STEREOGRAPHIC:  # the latitude of the conformal sphere is the Gudermannian of q
            conformal = np.arctan(np.sinh(q))
            return conformal, rho0 / float(np.cos(CubicSpline(lat, conformal)(at)))
        case Projection.EQUAL_AREA_ABOUT:
            whole = np.radians(np.arange(-90.0, 90.0 + _TABLE_DEG / 2, _TABLE_DEG))
            density = profile(whole) * np.cos(whole) * np.hypot(profile(whole), profile(whole, 1))
            zone = CubicSpline(whole, density).antiderivative()
            total = float(zone(np.pi / 2))
            return np.arcsin(2.0 * zone(lat) / total - 1.0), float(np.sqrt(total / 2.0))
    return lat.copy(), middle_mm


def _pieces(even: Floats, values: Floats) -> Floats:
    """Return the cubic pieces (4, n) between evenly spaced places, each on the unit interval."""
    from scipy.interpolate import CubicSpline

    step = (even[-1] - even[0]) / (len(even) - 1)
    found: Floats = CubicSpline(even, values).c * step ** np.array([[3], [2], [1], [0]])
    return found


def _back(northing: Floats, lat: Floats) -> Floats:
    """Return the cubic pieces (4, n) of latitude over even steps of the chart's northing."""
    from scipy.interpolate import CubicSpline

    even = np.linspace(northing[0], northing[-1], _STEPS_BACK + 1)
    return _pieces(even, CubicSpline(northing, lat)(even))


def isometric_latitude(latitude_rad: Floats, radius_mm: Floats, slope_mm: Floats) -> Floats:
    """Return q = integral of ds / rho along a profile, nought at latitude nought.

    Parameters
    ----------
    latitude_rad : ndarray (k,)
        Increasing geocentric latitudes that enclose nought [rad].
    radius_mm, slope_mm : ndarray (k,)
        Radius of the profile and its derivative by latitude [mm].

    Returns
    -------
    ndarray (k,)
        Isometric latitude [-]; asinh(tan(latitude)) on a sphere.
    """
    from scipy.interpolate import CubicSpline

    # the pole's singularity, 1 / cos, is integrated in closed form; the rest is smooth
    smooth = np.hypot(radius_mm, slope_mm) / radius_mm - 1.0
    rest = CubicSpline(latitude_rad, smooth / np.cos(latitude_rad)).antiderivative()
    found: Floats = np.arcsinh(np.tan(latitude_rad)) + rest(latitude_rad) - rest(0.0)
    return found


# --- from sheet to piece and back ------------------------------------------------------------------------


def to_sphere(chart: Chart, sheet: Floats) -> tuple[Floats, Floats]:
    """Return longitude and latitude of points of the design.

    Parameters
    ----------
    chart : Chart
        The chart.
    sheet : ndarray (..., 2)
        Points of the design, x right, y up, origin in its middle [mm].

    Returns
    -------
    tuple of ndarray (...,)
        Longitude (continuous, may pass pi) and latitude [rad].
    """
    sheet = np.asarray(sheet, np.float64)
    flat = sheet.reshape(-1, 2)
    lon, lat = np.empty(len(flat)), np.empty(len(flat))
    one = _cylinder_back if chart.projection in CYLINDRICAL else _azimuth_back
    for i in range(0, len(flat), _BLOCK):
        part = flat[i : i + _BLOCK]
        lon[i : i + _BLOCK], lat[i : i + _BLOCK] = one(
            chart, *_turned(chart.placement, part[:, 0], part[:, 1])
        )
    return lon.reshape(sheet.shape[:-1]), lat.reshape(sheet.shape[:-1])


def to_sheet(chart: Chart, longitude_rad: Floats, latitude_rad: Floats) -> Floats:
    """Return the points of the design that lie at given longitudes and latitudes.

    Parameters
    ----------
    chart : Chart
        The chart.
    longitude_rad, latitude_rad : ndarray (...,)
        Longitude is taken within half a turn of the design's middle [rad].

    Returns
    -------
    ndarray (..., 2)
        x right, y up on the sheet [mm].
    """
    lon, lat = np.broadcast_arrays(np.asarray(longitude_rad, float), np.asarray(latitude_rad, float))
    shape, lon, lat = lon.shape, lon.ravel(), lat.ravel()
    found = np.empty((len(lon), 2))
    one = _cylinder if chart.projection in CYLINDRICAL else _azimuth
    for i in range(0, len(lon), _BLOCK):
        east = lon[i : i + _BLOCK] - chart.placement.longitude_rad
        turns = np.rint(east * (1.0 / (2.0 * np.pi)))
        turns *= 2.0 * np.pi
        east -= turns
        across, up = one(chart, east, lat[i : i + _BLOCK])
        _turned_back(chart.placement, across, up, found[i : i + _BLOCK])
    return found.reshape(*shape, 2)


def _turned(place: Placement, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Return how far right and up on the piece points of the sheet lie."""
    if place.mirror:
        x = -x
    if place.turn_rad == 0.0:
        return x, y
    c, s = np.cos(place.turn_rad), np.sin(place.turn_rad)
    return c * x - s * y, s * x + c * y


def _turned_back(place: Placement, across: Floats, up: Floats, found: Floats) -> None:
    """Write into `found` (n, 2) the points of the sheet that lie so far right and up on the piece."""
    if place.turn_rad == 0.0:
        found[:, 0], found[:, 1] = across, up
    else:
        c, s = np.cos(place.turn_rad), np.sin(place.turn_rad)
        found[:, 0], found[:, 1] = c * across + s * up, c * up - s * across
    if place.mirror:
        np.negative(found[:, 0], out=found[:, 0])


def _cylinder(chart: Chart, east: Floats, lat: Floats) -> tuple[Floats, Floats]:
    up = _northing_at(chart, lat)
    up -= _northing_at(chart, np.array([chart.placement.latitude_rad]))
    up *= chart.true_radius_mm
    east *= chart.true_radius_mm
    return east, up


def _cylinder_back(chart: Chart, across: Floats, up: Floats) -> tuple[Floats, Floats]:
    middle = _northing_at(chart, np.array([chart.placement.latitude_rad]))
    lat = _latitude_at(chart, up / chart.true_radius_mm + middle)
    return across / chart.true_radius_mm + chart.placement.longitude_rad, lat


def _azimuth(chart: Chart, east: Floats, lat: Floats) -> tuple[Floats, Floats]:
    """Lay the chart's sphere flat about the middle: Snyder eqs. 20-4 and 5-3."""
    phi, phi0 = _northing_at(chart, lat), _northing_at(chart, np.array([chart.placement.latitude_rad]))
    right = np.cos(phi) * np.sin(east)
    up = np.cos(phi0) * np.sin(phi) - np.sin(phi0) * np.cos(phi) * np.cos(east)
    cosine = np.sin(phi0) * np.sin(phi) + np.cos(phi0) * np.cos(phi) * np.cos(east)
    sine = np.hypot(right, up)
    angle = np.arctan2(sine, cosine)
    match chart.projection:
        case Projection.STEREOGRAPHIC:
            distance = 2.0 * np.tan(angle / 2.0)
        case Projection.EQUAL_AREA_ABOUT:
            distance = 2.0 * np.sin(angle / 2.0)
        case Projection.EQUIDISTANT_ABOUT:
            distance = angle
        case _:
            distance = np.where(cosine > 0.0, np.tan(angle), np.nan)  # the far half has no gnomonic picture
    k = chart.sphere_mm * np.divide(distance, sine, out=np.ones_like(sine), where=sine > 1e-12)
    return k * right, k * up


def _azimuth_back(chart: Chart, across: Floats, up: Floats) -> tuple[Floats, Floats]:
    """Snyder eqs. 20-14 and 20-15."""
    x, y = across / chart.sphere_mm, up / chart.sphere_mm
    distance = np.hypot(x, y)
    match chart.projection:
        case Projection.STEREOGRAPHIC:
            angle = 2.0 * np.arctan(distance / 2.0)
        case Projection.EQUAL_AREA_ABOUT:
            angle = 2.0 * np.arcsin(np.minimum(distance / 2.0, 1.0))
        case Projection.EQUIDISTANT_ABOUT:
            angle = distance
        case _:
            angle = np.arctan(distance)
    share = np.divide(np.sin(angle), distance, out=np.ones_like(distance), where=distance > 1e-12)
    phi0 = _northing_at(chart, np.array([chart.placement.latitude_rad]))
    sine = np.cos(angle) * np.sin(phi0) + y * share * np.cos(phi0)
    phi = np.arcsin(np.clip(sine, -1.0, 1.0))
    east = np.arctan2(x * share, np.cos(phi0) * np.cos(angle) - y * share * np.sin(phi0))
    seen = np.isfinite(distance)
    lat = np.where(seen, _latitude_at(chart, np.where(seen, phi, 0.0)), np.nan)
    return np.where(seen, chart.placement.longitude_rad + east, np.nan), lat


def _northing_at(chart: Chart, lat: Floats) -> Floats:
    low, high = float(chart.latitude_rad[0]), float(chart.latitude_rad[-1])
    return _piecewise(chart.up, low, high, lat)


def _latitude_at(chart: Chart, northing: Floats) -> Floats:
    return _piecewise(chart.back, float(chart.northing[0]), float(chart.northing[-1]), northing)


def _piecewise(pieces: Floats, low: float, high: float, at: Floats) -> Floats:
    """Evaluate cubic pieces (4, n), each on the unit interval, evenly between two ends and no further."""
    count = pieces.shape[1]
    inside = at - low
    inside *= count / (high - low)
    np.clip(inside, 0.0, count * (1.0 - 1e-15), out=inside)
    piece = inside.astype(np.intp)
    inside -= piece
    found: Floats = pieces[0].take(piece)
    for row in pieces[1:]:
        found *= inside
        found += row.take(piece)
    return found


def scale_at(chart: Chart, longitude_rad: Floats, latitude_rad: Floats) -> Floats:
    """Return how long a millimetre of the sheet is on the mean profile, by area: sqrt of skin by sheet [-].

    Parameters
    ----------
    chart : Chart
        The chart.
    longitude_rad, latitude_rad : ndarray (...,)
        Places on the piece [rad].
    """
    lon, lat = np.broadcast_arrays(np.asarray(longitude_rad, float), np.asarray(latitude_rad, float))
    parallel = np.interp(lat, chart.latitude_rad, chart.parallel_mm)
    if chart.projection == Projection.OWN_MERCATOR:
        return np.asarray(parallel / chart.true_radius_mm, np.float64)
    if chart.projection in (Projection.EQUAL_AREA, Projection.EQUAL_AREA_ABOUT):
        return np.ones(lat.shape)
    # skin area of a small step by that of its picture; ds = rho dq
    h = 1e-4
    east = (to_sheet(chart, lon + h, lat) - to_sheet(chart, lon - h, lat)) / (2 * h)
    north = (to_sheet(chart, lon, lat + h) - to_sheet(chart, lon, lat - h)) / (2 * h)
    q = np.interp(lat + h, chart.latitude_rad, chart.isometric)
    q = (q - np.interp(lat - h, chart.latitude_rad, chart.isometric)) / (2 * h)
    sheet = np.abs(east[..., 0] * north[..., 1] - east[..., 1] * north[..., 0])
    return np.asarray(np.sqrt(parallel**2 * q / sheet), np.float64)
