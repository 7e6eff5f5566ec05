"""What must hold whatever the figures: round trips, invariances and bounds of the way
from chart to travel.
"""

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from shapely import Polygon, box
from shapely.affinity import rotate

from engine.chart import own_mercator, to_sheet, to_sphere
from engine.frames import lonlat_of, near_longitude, normalised, unit_of
from engine.offset import offset_region
from engine.records import Placement, ProbeScan, Wall
from engine.skin_metric import SkinMetric
from engine.surface import depth_below, fit_surface, normals_at, radius_at, surface_of
from engine.travel import onto_shell
from engine.wall import wall_at

SPHEROID = surface_of(
    lambda d: 1 / np.sqrt((d[..., 0] ** 2 + d[..., 1] ** 2) / 100**2 + d[..., 2] ** 2 / 75**2)
)
IDENTITY = SkinMetric(-100.0, -100.0, 4.0, np.ones((3, 60, 60)) * np.array([1.0, 0, 1])[:, None, None])

degrees = st.floats(-180, 180)
placements = st.builds(
    Placement,
    longitude_rad=degrees.map(np.radians),
    latitude_rad=st.floats(-60, 60).map(np.radians),
    turn_rad=degrees.map(np.radians),
    mirror=st.booleans(),
)
units = st.tuples(degrees, st.floats(-89, 89)).map(lambda p: unit_of(np.radians(p[0]), np.radians(p[1])))
some = settings(max_examples=60, deadline=None)
few = settings(max_examples=8, deadline=None)


@some
@given(placements, st.floats(-60, 60), st.floats(-50, 50))
def test_sheet_to_skin_and_back(placement, x, y):
    """However the design is placed, turned or turned over, a point comes back to its place to 0.001 mm."""
    chart = own_mercator(SPHEROID, placement)
    lon, lat = to_sphere(chart, np.array([[x, y]]))
    assume(abs(np.degrees(lat[0])) < 80)
    np.testing.assert_allclose(to_sheet(chart, lon, lat), [[x, y]], atol=1e-3)


@some
@given(placements)
def test_the_design_s_middle_lies_where_it_was_placed(placement):
    """The sheet's origin is the placement, whatever turn and mirror."""
    lon, lat = to_sphere(own_mercator(SPHEROID, placement), np.zeros((1, 2)))
    np.testing.assert_allclose([lon[0], lat[0]], [placement.longitude_rad, placement.latitude_rad], atol=1e-7)


@some
@given(placements, st.floats(-40, 40), st.floats(-40, 40))
def test_turned_over_is_the_other_hand(placement, x, y):
    """Small steps right and up keep their sense seen from outside, and swap it when turned over."""
    chart = own_mercator(SPHEROID, placement)
    here, right, up = unit_of(*to_sphere(chart, np.array([[x, y], [x + 0.1, y], [x, y + 0.1]])))
    assume(abs(here[2]) < 0.97)
    hand = np.cross(right - here, up - here) @ here
    assert (hand < 0) == placement.mirror


@some
@given(placements, degrees)
def test_the_front_mark_s_place_does_not_matter(placement, more_deg):
    """A design placed further round lies further round by as much."""
    sheet = np.array([[10.0, 20.0], [-35.0, 5.0]])
    further = Placement(
        placement.longitude_rad + np.radians(more_deg),
        placement.latitude_rad,
        placement.turn_rad,
        placement.mirror,
    )
    lon, lat = to_sphere(own_mercator(SPHEROID, placement), sheet)
    lon_further, lat_further = to_sphere(own_mercator(SPHEROID, further), sheet)
    np.testing.assert_allclose(lon_further - lon, np.radians(more_deg), atol=1e-9)
    np.testing.assert_allclose(lat_further, lat, atol=1e-12)


@some
@given(units, st.floats(0.1, 500))
def test_directions_and_angles(unit, length):
    """Longitude and latitude of a direction give the direction back, whatever its length."""
    np.testing.assert_allclose(unit_of(*lonlat_of(length * unit)), unit, atol=1e-9)


@some
@given(st.floats(-20, 20), st.floats(-20, 20))
def test_a_longitude_is_taken_near(longitude, around):
    """Within half a turn of where it is wanted, and a whole number of turns from where it was."""
    near = float(near_longitude(np.array(longitude), around))
    assert abs(near - around) <= np.pi + 1e-9
    turns = (near - longitude) / (2 * np.pi)
    assert abs(turns - round(turns)) < 1e-9


@some
@given(units, st.floats(-15, 20))
def test_depth_along_the_normal(unit, depth):
    """A point moved in along the skin's normal lies that deep."""
    skin = radius_at(SPHEROID, unit) * unit
    point = skin - depth * normals_at(SPHEROID, unit[None])[0]
    np.testing.assert_allclose(depth_below(SPHEROID, point[None], rounds=6), [depth], atol=0.02)


@some
@given(units, units, st.floats(0, 80), st.floats(81, 300))
def test_a_retract_ends_on_the_shell(where, along, distance, shell):
    """From inside the shell, along any axis, the line ends on it, ahead and not behind."""
    tip = distance * where
    end = onto_shell(tip[None], along[None], shell)[0]
    np.testing.assert_allclose(np.linalg.norm(end), shell, rtol=1e-9)
    moved = end - tip
    np.testing.assert_allclose(moved, (moved @ along) * along, atol=1e-7)
    assert moved @ along > 0


@few
@given(st.floats(0, 360), st.floats(2, 4.5))
def test_a_turned_shape_has_the_turned_contour(turn_deg, radius):
    """On a true sheet the contour's area does not depend on how the shape lies: A - P r + 4 r2."""
    shape = rotate(box(-20, -15, 20, 15), turn_deg, origin=(0, 0))
    (ring,) = offset_region(shape, IDENTITY, radius).contours
    wanted = 40 * 30 - 140 * radius + 4 * radius**2
    np.testing.assert_allclose(Polygon(ring).area, wanted, atol=0.05)


@few
@given(st.floats(12, 40), st.floats(12, 40), st.floats(1, 4))
def test_the_cutter_stays_inside_and_reaches_the_edge(width, height, radius):
    """Round the contour the nearest edge is one radius away, no more, no less."""
    shape = box(0, 0, width, height)
    (ring,) = offset_region(shape, IDENTITY, radius).contours
    inset = np.stack([ring[:, 0], width - ring[:, 0], ring[:, 1], height - ring[:, 1]]).min(axis=0)
    np.testing.assert_allclose(inset, radius, atol=0.01)


@few
@given(st.integers(0, 2**32 - 1))
def test_the_order_of_touches_does_not_matter(seed):
    """The skin is that of the touches, in whichever order they were made, to 0.001 mm."""
    i = np.arange(60) + 0.5
    unit = unit_of(i * np.pi * (3 - np.sqrt(5)), np.arcsin(1 - 2 * i / 60))
    centres = (80 + 3 * unit[:, 2] ** 2 + 2 * unit[:, 0] * unit[:, 1])[:, None] * unit
    mixed = np.random.default_rng(seed).permutation(60)
    one, other = (
        fit_surface(ProbeScan(c, 1.0, np.arange(60), np.arange(60) + 2, "0"))[0]
        for c in (centres, centres[mixed])
    )
    np.testing.assert_allclose(other.radius_mm, one.radius_mm, atol=1e-3)


@few
@given(st.tuples(*[st.floats(-80, 80)] * 3))
def test_the_place_on_the_seat_does_not_matter(shift):
    """A piece clamped elsewhere has the same skin about its own middle."""
    i = np.arange(60) + 0.5
    unit = unit_of(i * np.pi * (3 - np.sqrt(5)), np.arcsin(1 - 2 * i / 60))
    centres = (80 + 3 * unit[:, 2] ** 2 + 2 * unit[:, 0] * unit[:, 1])[:, None] * unit
    one, other = (
        fit_surface(ProbeScan(c, 1.0, np.arange(60), np.arange(60) + 2, "0"))[0]
        for c in (centres, centres + shift)
    )
    np.testing.assert_allclose(other.origin_seat_mm - one.origin_seat_mm, shift, atol=1e-8)
    np.testing.assert_allclose(other.radius_mm, one.radius_mm, atol=1e-3)


@some
@given(st.lists(st.floats(12, 30), min_size=2, max_size=12), st.integers(0, 1000))
def test_the_wall_stays_near_its_readings(thickness, seed):
    """Between readings at least half a radian apart the wall is no more than their range beyond them."""
    n = len(thickness)
    lon = 2 * np.pi * np.arange(n) / n
    wall = Wall(lon, np.tile([0.25, -0.25], n)[:n], np.array(thickness))
    asked = normalised(np.random.default_rng(seed).standard_normal((200, 3)))
    spread = max(thickness) - min(thickness)
    found = wall_at(wall, asked)
    assert found.min() >= min(thickness) - spread - 1e-9
    assert found.max() <= max(thickness) + spread + 1e-9
