"""A region laid flat keeps its lengths, as far as a curved skin lets it.

On a sphere of radius R a circle of angle a has the circumference 2 pi R sin a and the area
2 pi R2 (1 - cos a) (Archimedes); no plane map keeps both (Gauss), the strain is of the order of
(half width / R)2 / 6.
"""

import numpy as np
import pytest
import shapely
from shapely import Point, Polygon, box

from engine.chart import own_mercator, to_sheet, to_sphere
from engine.flatten import lay_flat
from engine.frames import unit_of
from engine.offset import offset_region
from engine.records import Placement
from engine.skin_metric import metric_of, skin_metric
from engine.surface import surface_of

R = 150.0
LATITUDE = np.radians(25.0)
CHART = own_mercator(surface_of(lambda d: np.full(d.shape[:-1], R)), Placement(latitude_rad=np.radians(20)))


def on_sphere(bounds):
    """The metric of a sphere under a cutter that stands square to it."""
    return skin_metric(
        lambda sheet: R * unit_of(*to_sphere(CHART, sheet)), lambda _, points: points / R, bounds
    )


def cap(angle_rad, lon=0.0, lat=LATITUDE, corners=400):
    """A circle on the sphere, on the sheet."""
    middle = unit_of(np.array([lon]), np.array([lat]))[0]
    east = np.array([-np.sin(lon), np.cos(lon), 0.0])
    north = np.cross(middle, east)
    turn = np.linspace(0, 2 * np.pi, corners, endpoint=False)[:, None]
    ring = np.cos(angle_rad) * middle + np.sin(angle_rad) * (np.cos(turn) * east + np.sin(turn) * north)
    return Polygon(to_sheet(CHART, np.arctan2(ring[:, 1], ring[:, 0]), np.arcsin(ring[:, 2])))


def wavy(depth=0.16, period=42.0):
    """A sheet whose scale across swings as that of a deeply ribbed skin: E = 1 + depth sin2, F = 0, G = 1."""
    x = -100 + 2.0 * np.arange(150)
    parts = np.ones((3, 150, 150))
    parts[1] = 0.0
    parts[0] = (1 + depth * np.sin(np.pi * x / period) ** 2)[None, :]
    return metric_of(-100.0, -100.0, 2.0, parts)


def test_a_true_sheet_stays_as_it_is():
    """Where M is the identity the plane is the sheet, turned and shifted."""
    flat = lay_flat(
        box(0, 0, 40, 30), metric_of(-50.0, -50.0, 4.0, np.ones((3, 40, 40)) * [[[1]], [[0]], [[1]]])
    )
    assert flat.strain < 1e-6
    assert flat.polygon.area == pytest.approx(1200.0, abs=1e-6)
    assert flat.polygon.length == pytest.approx(140.0, abs=1e-6)


def test_ribs_across_the_sheet_are_laid_out_exactly():
    """Stretched along x alone a sheet is developable: x becomes the integral of sqrt(E), by quadrature."""
    flat = lay_flat(box(-45, 0, 45, 20), wavy())
    x = np.linspace(-45, 45, 20001)
    wide = np.trapezoid(np.sqrt(1 + 0.16 * np.sin(np.pi * x / 42.0) ** 2), x)
    assert flat.strain < 0.004
    assert flat.polygon.area == pytest.approx(20 * wide, rel=1e-3)


def test_a_narrow_arm_on_a_sphere_lies_flat():
    """A band 8 mm wide and 120 mm long along a meridian has next to no curvature to lose."""
    low, high = np.radians([0.0, 45.8])
    half = 4.0 / R
    lat = np.linspace(low, high, 60)
    west = to_sheet(CHART, -half / np.cos(lat), lat)
    east = to_sheet(CHART, half / np.cos(lat), lat)
    band = Polygon(np.concatenate([west, east[::-1]]))
    flat = lay_flat(band, on_sphere(band.bounds))
    assert flat.strain < 5e-4
    assert flat.polygon.area == pytest.approx(8.0 * R * (high - low), rel=1e-3)


@pytest.mark.parametrize("radius", [10.0, 25.0, 45.0])
def test_a_circle_on_a_sphere_is_offset_to_a_smaller_circle(radius):
    """The cutter's axis runs on the circle of the angle (rho - 3) / R, to 0.01 mm: the strain times 3 mm."""
    shape = cap(radius / R)
    (ring,) = offset_region(shape, on_sphere(shape.bounds), 3.0).contours
    unit = unit_of(*to_sphere(CHART, ring))
    away = R * np.arccos(unit @ unit_of(np.array([0.0]), np.array([LATITUDE]))[0])
    np.testing.assert_allclose(away, radius - 3.0, atol=0.01 + 3 * (radius / R) ** 2 / 6)


def test_the_map_goes_back():
    """From the sheet to the plane and back nothing moves."""
    shape = box(-45, 0, 45, 20)
    flat = lay_flat(shape, wavy())
    places = shapely.get_coordinates(shape.segmentize(3.0))
    np.testing.assert_allclose(flat.to_sheet(flat.to_plane(places)), places, atol=1e-6)


def test_holes_stay_holes():
    """A region with a hole is laid flat with it."""
    ring = Point(0, 5).buffer(20).difference(Point(3, 5).buffer(6))
    flat = lay_flat(ring, wavy())
    assert len(flat.polygon.interiors) == 1
    assert flat.polygon.is_valid
