"""Does the chart agree with published and reference maps? Spheroids by closed form and by PROJ.

Closed forms: isometric latitude of the spheroid, Snyder, *Map Projections: A Working Manual*, USGS Prof.
Paper 1395, 1987, p. 15, eq. 3-7: psi = asinh(tan phi) - e atanh(e sin phi); for a prolate piece e is
imaginary and the last term becomes + eps atan(eps sin phi), eps2 = b2/a2 - 1. Both speak of GEODETIC latitude
phi (of the normal); the chart speaks of geocentric latitude theta (of the ray): tan theta = (b/a)2 tan phi.
"""

import numpy as np
import pyproj
import pytest

from engine.chart import isometric_latitude, own_mercator, to_sheet, to_sphere
from engine.records import Placement
from engine.surface import surface_of

# oblate: PROJ 9.5.1 through pyproj 3.7.2, y / a; prolate: the closed form above, checked by quadrature
OBLATE = [
    (15, 9.730858, 0.170907380, 1.022716937),
    (30, 20.279482, 0.363594382, 1.101514110),
    (45, 32.619243, 0.609645163, 1.280624848),
    (60, 47.946072, 0.971470370, 1.708800749),
    (75, 67.282372, 1.630513544, 3.148658457),
]
PROLATE = [(15, 0.579764251), (30, 1.119212431), (45, 1.629298159), (60, 2.177023803), (75, 2.948639338)]


def geocentric(geodetic_deg, equator, pole):
    return np.arctan((pole / equator) ** 2 * np.tan(np.radians(geodetic_deg)))


def profile(latitude_rad, equator, pole):
    """Radius of an ellipse by geocentric latitude, and its derivative."""
    c, s = np.cos(latitude_rad), np.sin(latitude_rad)
    radius = 1 / np.sqrt(c**2 / equator**2 + s**2 / pole**2)
    return radius, -(radius**3) * c * s * (1 / pole**2 - 1 / equator**2)


def q_at(latitude_rad, equator, pole):
    grid = np.unique(np.concatenate([np.radians(np.arange(-84, 84.05, 0.1)), [latitude_rad]]))
    # a knot very near a neighbour makes no worse spline; the neighbour is dropped all the same
    keep = (np.abs(grid - latitude_rad) > 1e-5) | (grid == latitude_rad)
    grid = grid[keep]
    q = isometric_latitude(grid, *profile(grid, equator, pole))
    return float(q[np.flatnonzero(grid == latitude_rad)[0]])


def surface_of_spheroid(equator, pole):
    return surface_of(
        lambda d: profile(np.arctan2(d[..., 2], np.hypot(d[..., 0], d[..., 1])), equator, pole)[0], 0.5
    )


@pytest.mark.parametrize(("geodetic", "ray", "q", "scale"), OBLATE)
def test_oblate_spheroid(geodetic, ray, q, scale):
    """a = 100, b = 80: q at geodetic latitudes is PROJ's Mercator y / a."""
    theta = geocentric(geodetic, 100, 80)
    assert np.degrees(theta) == pytest.approx(ray, abs=1e-6)
    assert q_at(theta, 100, 80) == pytest.approx(q, abs=1e-8)
    # the scale of the sheet against the skin is a / radius of the parallel
    assert 100 / (profile(theta, 100, 80)[0] * np.cos(theta)) == pytest.approx(scale, abs=5e-9)


@pytest.mark.parametrize(("geodetic", "q"), PROLATE)
def test_prolate_spheroid(geodetic, q):
    """Equator 80, pole 120: q by the closed form with an imaginary e."""
    epsilon = np.sqrt(120**2 / 80**2 - 1)
    phi = np.radians(geodetic)
    assert np.arcsinh(np.tan(phi)) + epsilon * np.arctan(epsilon * np.sin(phi)) == pytest.approx(q, abs=1e-8)
    assert q_at(geocentric(geodetic, 80, 120), 80, 120) == pytest.approx(q, abs=1e-7)


def test_the_ray_s_latitude_is_not_the_normal_s():
    """Taking PROJ's geodetic latitude for the ray's would be wrong by millimetres: the check
    above has teeth.
    """
    assert abs(q_at(np.radians(45), 100, 80) - 0.609645163) > 0.2


def test_every_placement_agrees_with_proj_on_a_spheroid():
    """On a 100 mm piece, flattened to 80, the chart is PROJ's ellipsoidal Mercator to 0.001
    mm up to 60 deg.
    """
    geodetic = np.linspace(-60, 60, 61)
    longitude = np.linspace(-170, 170, 61)
    x, y = pyproj.Proj(proj="merc", a=100, b=80)(longitude, geodetic)
    chart = own_mercator(surface_of_spheroid(100, 80), Placement())
    found = to_sheet(chart, np.radians(longitude), geocentric(geodetic, 100, 80))
    np.testing.assert_allclose(found, np.stack([x, y], axis=-1), atol=1e-3, rtol=0)


def test_a_true_parallel_agrees_with_proj():
    """A design placed at geodetic 30 deg N is PROJ's Mercator with lat_ts = 30, counted from that place."""
    proj = pyproj.Proj(proj="merc", a=100, b=80, lat_ts=30)
    middle = proj(0, 30)[1]
    chart = own_mercator(surface_of_spheroid(100, 80), Placement(latitude_rad=geocentric(30, 100, 80)))
    geodetic = np.linspace(-20, 60, 41)
    x, y = proj(np.full(41, 25.0), geodetic)
    found = to_sheet(chart, np.full(41, np.radians(25)), geocentric(geodetic, 100, 80))
    np.testing.assert_allclose(found, np.stack([x, np.array(y) - middle], axis=-1), atol=1e-3, rtol=0)


def test_back_from_the_sheet_agrees_with_proj():
    """PROJ's inverse gives the same place on the piece for the same point of the sheet."""
    proj = pyproj.Proj(proj="merc", a=100, b=80)
    sheet = np.stack([np.linspace(-150, 150, 31), np.linspace(-95, 95, 31)], axis=-1)
    lon, geodetic = proj(sheet[:, 0], sheet[:, 1], inverse=True)
    found_lon, found_lat = to_sphere(own_mercator(surface_of_spheroid(100, 80), Placement()), sheet)
    np.testing.assert_allclose(found_lon, np.radians(lon), atol=1e-9)
    np.testing.assert_allclose(found_lat, geocentric(np.array(geodetic), 100, 80), atol=1e-5)
