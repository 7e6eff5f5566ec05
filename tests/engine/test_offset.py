"""The cutter's axis runs one radius inside the outline, in true millimetres; where it cannot, along the
middle.

Areas: inward A - P r + r2 sum cot(alpha/2) for convex shapes without a vanishing edge; the L's round exact
erosion 700 - 480 + 9 (5 - pi/4) = 257.931417 (a mitred corner would give 256). Centre lines: for a rectangle
the medial axis is its straight skeleton, a spine of a - b and four spurs of b / sqrt(2) (Aichholzer and
others 1995, J.UCS 1(12):752-761, DOI 10.3217/jucs-001-12-0752, from memory). Areas of plain shapes were also
computed with shapely 2.2.
"""

import numpy as np
import pytest
import shapely
from shapely import Polygon, box
from shapely.affinity import translate

from engine.chart import own_mercator, to_sphere
from engine.frames import unit_of
from engine.offset import centre_line, medial_axis, offset_region
from engine.records import Placement
from engine.skin_metric import SkinMetric, metric_at, metric_of, skin_metric
from engine.surface import surface_of


def metric(along_x=1.0, along_y=1.0):
    """A sheet that is true up to constant factors along its axes."""
    parts = np.ones((3, 60, 60)) * np.array([along_x**2, 0.0, along_y**2])[:, None, None]
    return SkinMetric(-100.0, -100.0, 4.0, parts)


def area(offset):
    return sum(Polygon(ring).area for ring in offset.contours)


def regular(corners, circumradius):
    turn = 2 * np.pi * np.arange(corners) / corners
    return Polygon(circumradius * np.stack([np.cos(turn), np.sin(turn)], axis=-1))


RECTANGLE = box(0, 0, 40, 30)
TRIANGLE = regular(3, 60 / np.sqrt(3))
HEXAGON = regular(6, 20)
L_SHAPE = box(0, 0, 40, 40) - box(10, 10, 40, 40)
SLOT = box(0, 0, 40, 6)


@pytest.mark.parametrize(
    ("shape", "radius", "inside"),
    [
        (RECTANGLE, 2, 936.0),
        (RECTANGLE, 5, 600.0),
        (TRIANGLE, 5, 788.749537),
        (HEXAGON, 4, 614.656110),
    ],
)
def test_convex_outlines_move_inward_by_the_radius(shape, radius, inside):
    """One contour whose area is A - P r + r2 sum cot(alpha/2), to the chord tolerance over its length."""
    offset = offset_region(shape, metric(), radius)
    assert len(offset.contours) == 1
    assert area(offset) == pytest.approx(inside, abs=0.02)


@pytest.mark.parametrize("shape", [RECTANGLE, HEXAGON, TRIANGLE, L_SHAPE])
def test_a_corner_is_no_neck(shape):
    """Into a corner there is nothing to reach: no centre line may lead there and cut beyond the outline."""
    offset = offset_region(shape, metric(), 3)
    assert offset.centre_lines == ()
    assert offset.overcut_mm == 0.0


def test_a_reflex_corner_is_rounded_and_not_mitred():
    """The L of 40 x 40 less 30 x 30 leaves 257.931 mm2 for a cutter of 6 mm; mitred it would be 256."""
    offset = offset_region(L_SHAPE, metric(), 3)
    assert area(offset) == pytest.approx(257.931417, abs=0.04)


@pytest.mark.parametrize("shape", [RECTANGLE, TRIANGLE, HEXAGON, L_SHAPE])
def test_the_cutter_never_leaves_the_region(shape):
    """Along the contour the edge is nowhere nearer than the radius, but for the chord tolerance."""
    for ring in offset_region(shape, metric(), 3).contours:
        closed = shapely.LinearRing(ring).segmentize(0.1)
        distances = shapely.distance(shapely.points(shapely.get_coordinates(closed)), shape.boundary)
        assert distances.min() > 3 - 0.011


def test_holes_are_followed_from_outside():
    """A hole's contour lies one radius around it: Steiner, A + P r + pi r2, for a hole of 10
    x 10 and r = 2.
    """
    framed = box(0, 0, 40, 30) - box(15, 10, 25, 20)
    offset = offset_region(framed, metric(), 2)
    areas = sorted(Polygon(ring).area for ring in offset.contours)
    assert areas == pytest.approx([100 + 80 + 4 * np.pi, 936.0], abs=0.1)


@pytest.mark.parametrize(
    ("shape", "radius", "outside"),
    [(RECTANGLE, 2, 1492.566371), (RECTANGLE, 5, 1978.539816), (TRIANGLE, 5, 2537.385543)],
)
def test_round_a_hole_the_contour_has_the_area_of_steiner(shape, radius, outside):
    """Outwards the area is A + P r + pi r2 and the way P + 2 pi r (Steiner; Schneider, *Convex Bodies*, 4.1,
    from memory), to the chord tolerance over the way.
    """
    x, y = shape.centroid.coords[0]
    framed = box(x - 60, y - 60, x + 60, y + 60) - shape
    rings = [Polygon(ring) for ring in offset_region(framed, metric(), radius).contours]
    around = min(rings, key=lambda ring: ring.area)
    assert around.area == pytest.approx(outside, abs=0.01 * around.length)
    assert around.length == pytest.approx(shape.length + 2 * np.pi * radius, rel=2e-3)


@pytest.mark.parametrize(("radius", "opened"), [(2, 1196.566371), (5, 1178.539816)])
def test_round_corners_that_stay_uncut_are_told(radius, opened):
    """Of 40 x 30 (4 - pi) r2 of skin stay in the corners, found with 16 chords for a quarter of a circle."""
    chords = radius**2 * (np.pi - 32 * np.sin(2 * np.pi / 64))  # what the chords leave of the circle
    lost = offset_region(RECTANGLE, metric(), radius).lost_mm2
    assert lost == pytest.approx(1200 - opened, abs=chords + 1e-3)
    assert 1200 - opened == pytest.approx((4 - np.pi) * radius**2, abs=1e-6)


def test_a_stretched_sheet_moves_the_contour_by_less():
    """Where 1 mm on the sheet is 1.25 mm on the skin across, a radius of 5 mm is 4 mm of sheet: 32 x 20 =
    640.
    """
    offset = offset_region(RECTANGLE, metric(along_x=1.25), 5)
    assert area(offset) == pytest.approx(640.0, abs=0.02)
    low, high = np.concatenate(offset.contours).min(axis=0), np.concatenate(offset.contours).max(axis=0)
    np.testing.assert_allclose([low, high], [[4, 5], [36, 25]], atol=1e-3)


def test_a_corner_keeps_the_radius_to_both_edges_where_the_scale_changes():
    """With 1 mm of sheet worth exp(-0.02 y) mm of skin a square's contour is 3 mm from every edge it faces.

    Up the sheet the true distance to y1 is the integral of exp(-0.02 y), (exp(-0.02 y) - exp(-0.02 y1)) /
    0.02; across it is the distance times the scale of that height (the geodesic is shorter by less than 0.01
    mm here).
    """
    height = -100 + 4.0 * np.arange(60)
    parts = np.zeros((3, 60, 60))
    parts[[0, 2]] = np.exp(-0.04 * height)[:, None]
    (ring,) = offset_region(box(-10, -10, 10, 10), metric_of(-100.0, -100.0, 4.0, parts), 3).contours
    x, y = ring.T
    side = (10 - np.abs(x)) * np.exp(-0.02 * y)
    top = (np.exp(-0.02 * y) - np.exp(-0.2)) / 0.02
    bottom = (np.exp(0.2) - np.exp(-0.02 * y)) / 0.02
    np.testing.assert_allclose(np.min([side, top, bottom], axis=0), 3, atol=0.02)
    for right in (True, False):
        for edge in (top, bottom):  # some vertex lies in each corner, 3 mm from both edges
            at_corner = np.maximum(np.abs(side - 3), np.abs(edge - 3))[(x > 0) == right]
            assert at_corner.min() < 0.05


def test_a_slot_narrower_than_the_cutter_is_cut_along_its_middle():
    """40 x 6 mm with r = 3.5: the spine from (3, 3) to (37, 3), 34 mm, cut 0.5 mm too wide a side."""
    offset = offset_region(SLOT, metric(), 3.5)
    assert not offset.contours
    assert len(offset.centre_lines) == 1
    line = offset.centre_lines[0]
    ends = line[[0, -1]][np.argsort(line[[0, -1], 0])]
    np.testing.assert_allclose(ends, [[3, 3], [37, 3]], atol=0.1)
    assert shapely.LineString(line).length == pytest.approx(34, abs=0.1)
    assert offset.overcut_mm == pytest.approx(0.5, abs=0.01)


def test_a_slot_is_measured_on_the_skin_and_not_on_the_sheet():
    """A slot drawn 6 mm high is 7.5 mm on a skin stretched by 1.25: a cutter of 7 mm enters it."""
    offset = offset_region(SLOT, metric(along_y=1.25), 3.5)
    assert len(offset.contours) == 1
    assert not offset.centre_lines
    # true 40 x 7.5 less 3.5 all round: 33 x 0.5 true, 33 x 0.4 on the sheet
    assert area(offset) == pytest.approx(33 * 0.4, abs=0.1)


def test_a_far_too_wide_cutter_gets_no_line_at_all():
    """At 3 mm clearance a radius of 4.1 mm is not run: beyond three quarters the overcut
    spoils the picture.
    """
    offset = offset_region(SLOT, metric(), 4.1)
    assert offset.contours == ()
    assert offset.centre_lines == ()


DUMBBELL = shapely.union_all([box(0, 0, 20, 20), box(19, 7, 41, 13), box(40, 0, 60, 20)])


def test_a_slightly_narrow_neck_gets_both_contours_and_a_line():
    """Two chambers joined by a neck of 6 mm, r = 3.1: each chamber its contour, the neck its middle, 0.1
    over.
    """
    offset = offset_region(DUMBBELL, metric(), 3.1)
    assert len(offset.contours) == 2
    assert len(offset.centre_lines) == 1
    assert offset.overcut_mm == pytest.approx(0.1, abs=0.02)
    np.testing.assert_allclose(offset.centre_lines[0][:, 1], 10.0, atol=0.05)
    low, high = offset.centre_lines[0][:, 0].min(), offset.centre_lines[0][:, 0].max()
    assert low < 20.5
    assert high > 39.5


def test_a_much_too_narrow_neck_stays_standing():
    """With r = 3.5 the same neck would be cut 0.5 mm too wide a side: it is left, and told as lost skin."""
    offset = offset_region(DUMBBELL, metric(), 3.5)
    assert len(offset.contours) == 2
    assert offset.centre_lines == ()
    # 20 x 6 mm of neck, less the little a round cutter reaches into its mouths, and the chambers' corners
    assert 90 < offset.lost_mm2 < 130


@pytest.mark.parametrize(
    ("shape", "total", "inscribed"),
    [
        (RECTANGLE, 94.852814, 15.0),
        (SLOT, 50.970563, 3.0),
        (TRIANGLE, 103.923048, 17.320508),
    ],
)
def test_the_medial_axis_has_the_length_of_the_straight_skeleton(shape, total, inscribed):
    """a - b + 2 sqrt(2) b for rectangles, sqrt(3) times the side for the triangle; widest place = inscribed
    circle.
    """
    branches = medial_axis(shape, prune=False)
    length = sum(np.linalg.norm(np.diff(points, axis=0), axis=1).sum() for points, _ in branches)
    assert length == pytest.approx(total, rel=0.02)
    assert max(clearance.max() for _, clearance in branches) == pytest.approx(inscribed, abs=0.02)


def test_spurs_into_corners_are_pruned():
    """Of a 40 x 6 rectangle the spine of a - b = 34 mm is left."""
    assert centre_line(SLOT).length == pytest.approx(34.0, abs=0.2)


def test_a_ring_s_centre_line_is_closed_round_it():
    """A frame between circles of 20 and 26 mm has the circle of 23 mm as its centre line."""
    ring = shapely.Point(0, 0).buffer(26, quad_segs=64) - shapely.Point(0, 0).buffer(20, quad_segs=64)
    assert centre_line(ring).length == pytest.approx(2 * np.pi * 23, rel=0.01)


# --- the tensor ----------------------------------------------------------------------------------------

RADIUS, MIDDLE = 100.0, np.radians(20)


def sphere_metric(axis_of):
    chart = own_mercator(surface_of(lambda d: np.full(d.shape[:-1], RADIUS)), Placement(latitude_rad=MIDDLE))

    def skin(sheet):
        return RADIUS * unit_of(*to_sphere(chart, sheet))

    at = np.array([[-20.0, -25.0], [0.0, 0.0], [15.0, 30.0]])
    _, latitude = to_sphere(chart, at)
    return metric_at(
        skin_metric(skin, lambda _, points: axis_of(points / RADIUS), (-40, -40, 40, 40)), at
    ), latitude


def test_square_to_the_skin_the_tensor_is_mercator_s_scale():
    """On a sphere with the axis along the normal E = G = (cos lat / cos lat0)2 and F = 0 (Snyder eq. 7-3)."""
    parts, latitude = sphere_metric(lambda unit: unit)
    scale = np.cos(latitude) / np.cos(MIDDLE)
    np.testing.assert_allclose(parts, np.stack([scale**2, 0 * scale, scale**2], axis=-1), atol=2e-4)


def test_a_level_cutter_cuts_wider_up_and_down():
    """A level axis leans by the latitude: across it a step up the meridian is only cos(lat) as long."""

    def level(unit):
        flat = unit * [1.0, 1.0, 0.0]
        return flat / np.linalg.norm(flat, axis=1, keepdims=True)

    parts, latitude = sphere_metric(level)
    scale = np.cos(latitude) / np.cos(MIDDLE)
    wanted = np.stack([scale**2, 0 * scale, (scale * np.cos(latitude)) ** 2], axis=-1)
    np.testing.assert_allclose(parts, wanted, atol=2e-4)


def test_a_shape_s_place_on_the_sheet_does_not_matter():
    """Moved by (13, -7) the region's lines move with it and keep their area."""
    here = offset_region(L_SHAPE, metric(), 3)
    there = offset_region(translate(L_SHAPE, 13, -7), metric(), 3)
    assert area(there) == pytest.approx(area(here), abs=1e-6)
    moved = there.contours[0].min(axis=0) - here.contours[0].min(axis=0)
    np.testing.assert_allclose(moved, [13, -7], atol=1e-6)
