"""Where on the skin does a point of the flat design lie? Mercator of the piece's own mean profile.

On any solid of revolution with meridian arc s and parallel radius rho(s), x = longitude, y = q = integral of
ds / rho is conformal (Snyder, *Map Projections: A Working Manual*, USGS Prof. Paper 1395, 1987, p. 15, eq.
3-7 for the spheroid; do Carmo, *Differential Geometry of Curves and Surfaces*, section 4-2, from memory).
The sheet is scaled so that its millimetres are true on the mean profile at the middle of the design::

      y (up, to the stem)
      |         longitude = longitude0 + x / rho0
      |         q(latitude) = q(latitude0) + y / rho0
      +---- x (right = longitude growing, seen from outside)
"""

from __future__ import annotations

import numpy as np

from engine.frames import near_longitude
from engine.records import Chart, Floats, Placement, Surface

_BEYOND_DEG = 84.0  # the chart's table ends here; Mercator's y is infinite at the poles
_TABLE_DEG = 0.1


def own_mercator(surface: Surface, placement: Placement) -> Chart:
    """Return the Mercator chart of the surface's mean profile, true at the placement's latitude.

    Parameters
    ----------
    surface : Surface
        The fitted skin; its radius averaged over longitude is the profile.
    placement : Placement
        Where the middle of the design lies.
    """
    from scipy.interpolate import CubicSpline

    rows = np.linspace(-np.pi / 2, np.pi / 2, surface.radius_mm.shape[0])
    profile = CubicSpline(rows, surface.radius_mm.mean(axis=1), bc_type="clamped")
    lat = np.radians(np.arange(-_BEYOND_DEG, _BEYOND_DEG + _TABLE_DEG / 2, _TABLE_DEG))
    q = isometric_latitude(lat, profile(lat), profile(lat, 1))
    rho = profile(lat) * np.cos(lat)
    true_radius = float(profile(placement.latitude_rad) * np.cos(placement.latitude_rad))
    return Chart(
        latitude_rad=lat, isometric=q, parallel_mm=rho, placement=placement, true_radius_mm=true_radius
    )


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
    from scipy.interpolate import CubicSpline

    place = chart.placement
    x = -sheet[..., 0] if place.mirror else sheet[..., 0]
    y = sheet[..., 1]
    c, s = np.cos(place.turn_rad), np.sin(place.turn_rad)
    lon = place.longitude_rad + (c * x - s * y) / chart.true_radius_mm
    q = _q_of(chart, place.latitude_rad) + (s * x + c * y) / chart.true_radius_mm
    lat = CubicSpline(chart.isometric, chart.latitude_rad)(
        np.clip(q, chart.isometric[0], chart.isometric[-1])
    )
    return lon, lat


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
    place = chart.placement
    across = (near_longitude(longitude_rad, place.longitude_rad) - place.longitude_rad) * chart.true_radius_mm
    up = (_q_of(chart, latitude_rad) - _q_of(chart, place.latitude_rad)) * chart.true_radius_mm
    c, s = np.cos(place.turn_rad), np.sin(place.turn_rad)
    x, y = c * across + s * up, -s * across + c * up
    return np.stack([-x if place.mirror else x, y], axis=-1)


def _q_of(chart: Chart, latitude_rad: Floats | float) -> Floats:
    from scipy.interpolate import CubicSpline

    inside = np.clip(latitude_rad, chart.latitude_rad[0], chart.latitude_rad[-1])
    found: Floats = CubicSpline(chart.latitude_rad, chart.isometric)(inside)
    return found
