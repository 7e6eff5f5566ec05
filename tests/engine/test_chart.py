"""The chart is Mercator of the piece's own profile: true at the middle, conformal, stem up, right = longitude
growing.

Sources: Snyder, *Map Projections: A Working Manual*, USGS Prof. Paper 1395, 1987; the formulas of
DEVELOPERS.md on size and place of a design, written out for a sphere.
"""

import numpy as np
import pytest

from engine.chart import isometric_latitude, own_mercator, to_sheet, to_sphere
from engine.frames import unit_of
from engine.records import Placement
from engine.surface import surface_of

DEG = np.pi / 180


def sphere(radius_mm=100.0):
    return surface_of(lambda directions: np.full(directions.shape[:-1], radius_mm))


def spheroid_radius(directions, equator_mm, pole_mm):
    """Radius of a spheroid by direction: from x2/a2 + z2/b2 = 1."""
    x, y, z = np.moveaxis(directions, -1, 0)
    return 1 / np.sqrt((x**2 + y**2) / equator_mm**2 + z**2 / pole_mm**2)


def spheroid(equator_mm, pole_mm, step_deg=0.5):
    return surface_of(lambda d: spheroid_radius(d, equator_mm, pole_mm), step_deg)


def test_a_sphere_has_the_isometric_latitude_of_mercator():
    """q of a sphere is asinh(tan latitude), and not the central cylinder picture's tan.

    Figures: asinh(tan) and tan by the formula, Snyder eq. 7-2 against the central cylindrical of his p. 104
    (from memory).
    """
    latitude = np.radians(np.arange(-84, 84.05, 0.1))
    q = isometric_latitude(latitude, np.full_like(latitude, 100.0), np.zeros_like(latitude))
    for deg, mercator, central in [
        (10, 0.175425830, 0.176326981),
        (30, 0.549306144, 0.577350269),
        (45, 0.881373587, 1.0),
        (60, 1.316957897, 1.732050808),
        (70, 1.735415163, 2.747477419),
        (80, 2.436246054, 5.671281820),
    ]:
        found = q[np.argmin(np.abs(latitude - deg * DEG))]
        assert found == pytest.approx(mercator, abs=1e-9)
        assert abs(found - central) > 5e-4


def test_the_design_is_drawn_by_mercator_and_not_by_a_lamp_in_the_middle():
    """On a sphere y = R q, so 60 deg lies 131.696 mm up (R = 100), where a lamp's picture puts 173.205 mm."""
    chart = own_mercator(sphere(), Placement())
    up = to_sheet(chart, np.array([0.0]), np.array([60 * DEG]))[0, 1]
    assert up == pytest.approx(131.6957897, abs=1e-4)


def test_snyders_example_on_the_sphere():
    """Snyder p. 266: R = 1, middle -180 deg, 35 deg N 75 deg W at x 1.8325957, y 0.6528366,
    scale 1.2207746.
    """
    chart = own_mercator(sphere(1000.0), Placement(longitude_rad=-np.pi))
    lon, lat = np.array([-75 * DEG]), np.array([35 * DEG])
    x, y = to_sheet(chart, lon, lat)[0]
    assert x == pytest.approx(1832.5957, abs=1e-4)
    assert y == pytest.approx(652.8366, abs=1e-4)
    step = 1e-4
    east = to_sheet(chart, lon + step, lat) - to_sheet(chart, lon - step, lat)
    north = to_sheet(chart, lon, lat + step) - to_sheet(chart, lon, lat - step)
    assert east[0, 0] / (2 * step * 1000 * np.cos(lat[0])) == pytest.approx(1.2207746, abs=1e-6)
    assert north[0, 1] / (2 * step * 1000) == pytest.approx(1.2207746, abs=1e-6)


def test_snyders_example_backwards():
    """Snyder p. 266: x 1.8325957, y 0.6528366 lies at 35 deg N, 75 deg W."""
    chart = own_mercator(sphere(1000.0), Placement(longitude_rad=-np.pi))
    lon, lat = to_sphere(chart, np.array([[1832.5957, 652.8366]]))
    assert np.degrees(lon[0]) == pytest.approx(-75, abs=1e-5)
    assert np.degrees(lat[0]) == pytest.approx(35, abs=1e-5)


@pytest.mark.parametrize("middle_deg", [-40.0, 0.0, 25.0, 60.0])
def test_a_design_is_true_to_scale_at_its_middle(middle_deg):
    """On a sphere x = R cos(p) (longitude - longitude0), y = R cos(p) (q - q(p)): DEVELOPERS.md,
    "Frames and signs".
    """
    radius, lon0 = 90.0, 0.7
    chart = own_mercator(sphere(radius), Placement(lon0, middle_deg * DEG))
    lat = np.radians([middle_deg - 10, middle_deg, middle_deg + 10])
    lon = lon0 + np.array([-0.3, 0.0, 0.5])
    scale = radius * np.cos(middle_deg * DEG)
    q = np.log(np.tan(np.pi / 4 + lat / 2))
    q0 = np.log(np.tan(np.pi / 4 + middle_deg * DEG / 2))
    wanted = np.stack([scale * (lon - lon0), scale * (q - q0)], axis=-1)
    np.testing.assert_allclose(to_sheet(chart, lon, lat), wanted, atol=2e-4)


def test_right_is_longitude_growing_and_up_is_the_stem():
    """Seen from outside with the stem up, x to the right is longitude growing: DEVELOPERS.md, frames.

    The eye is asked, not the formula: with the camera outside, its right hand is forward x up.
    """
    chart = own_mercator(sphere(), Placement(longitude_rad=2.0, latitude_rad=0.2))
    middle, right, up = unit_of(*to_sphere(chart, np.array([[0.0, 0.0], [5.0, 0.0], [0.0, 5.0]])))
    eyes_right = np.cross(-middle, [0.0, 0.0, 1.0])
    assert (right - middle) @ eyes_right > 0
    assert (up - middle)[2] > 0


def test_verticals_run_along_meridians():
    """Points of one x have one longitude, whatever their y."""
    chart = own_mercator(spheroid(100, 80), Placement(longitude_rad=1.0, latitude_rad=-0.3))
    lon, lat = to_sphere(chart, np.stack([np.full(20, 17.0), np.linspace(-60, 60, 20)], axis=-1))
    np.testing.assert_allclose(lon, lon[0], atol=1e-12)
    assert (np.diff(lat) > 0).all()


def test_a_turn_is_counter_clockwise_seen_from_outside():
    """A quarter turn lays the design's right along the meridian, up; its up then points to the left."""
    chart = own_mercator(sphere(), Placement(turn_rad=np.pi / 2))
    lon, lat = to_sphere(chart, np.array([[10.0, 0.0], [0.0, 10.0]]))
    assert lon[0] == pytest.approx(0, abs=1e-12)
    assert lat[0] > 0.09
    assert lon[1] == pytest.approx(-0.1, abs=1e-9)  # 10 mm on a parallel of 100 mm
    assert lat[1] == pytest.approx(0, abs=1e-9)


def test_turning_over_swaps_left_and_right_only():
    """`mirror` sends the design's right to smaller longitude and leaves up as it is."""
    plain, over = (own_mercator(sphere(), Placement(0.5, 0.1, mirror=mirror)) for mirror in (False, True))
    lon, lat = to_sphere(plain, np.array([[12.0, 7.0]]))
    lon_over, lat_over = to_sphere(over, np.array([[12.0, 7.0]]))
    assert lon_over[0] - 0.5 == pytest.approx(-(lon[0] - 0.5), abs=1e-12)
    assert lat_over[0] == pytest.approx(lat[0], abs=1e-12)


def test_a_design_across_the_back_stays_in_one_piece():
    """Longitudes on both sides of the half turn behind lie side by side on the sheet."""
    chart = own_mercator(sphere(), Placement(longitude_rad=np.pi))
    x = to_sheet(chart, np.array([np.pi - 0.1, -np.pi + 0.1]), np.zeros(2))[:, 0]
    np.testing.assert_allclose(x, [-10.0, 10.0], atol=1e-9)


@pytest.mark.parametrize(("equator", "pole"), [(100.0, 80.0), (80.0, 120.0)])
def test_small_squares_stay_square_on_the_piece(equator, pole):
    """Conformal: both directions are stretched alike and stay at right angles (Snyder p. 20, h = k)."""
    chart = own_mercator(spheroid(equator, pole), Placement(latitude_rad=0.3))
    at = np.array([[-30.0, -50.0], [0.0, 0.0], [40.0, 45.0]])

    def skin(sheet):
        unit = unit_of(*to_sphere(chart, sheet))
        return spheroid_radius(unit, equator, pole)[:, None] * unit

    h = 0.05
    right, up = h * np.eye(2)
    along_x = (skin(at + right) - skin(at - right)) / (2 * h)
    along_y = (skin(at + up) - skin(at - up)) / (2 * h)
    long_x, long_y = np.linalg.norm(along_x, axis=1), np.linalg.norm(along_y, axis=1)
    np.testing.assert_allclose(long_x, long_y, rtol=2e-5)
    assert np.abs(np.sum(along_x * along_y, axis=1)).max() < 2e-5
    assert long_x[1] == pytest.approx(1.0, abs=2e-5)  # true at the middle


def test_ribs_are_averaged_away():
    """The chart follows the mean profile: a piece with ribs about a sphere has the sphere's chart."""
    ribbed = surface_of(lambda d: 100 + 3 * np.cos(10 * np.arctan2(d[..., 1], d[..., 0])))
    at = np.array([0.1, 0.4]), np.array([-0.5, 0.6])
    plain = to_sheet(own_mercator(sphere(), Placement()), *at)
    np.testing.assert_allclose(to_sheet(own_mercator(ribbed, Placement()), *at), plain, atol=1e-6)
