"""Scales and sizes on the skin, by closed forms on a sphere and by measuring along a ribbed one."""

import xml.etree.ElementTree as ET

import numpy as np
import pytest

from engine.chart import Projection, chart_of
from engine.distortion import as_big_as_drawn, distortion_at, distortion_svg, size_on_skin
from engine.errors import BadInput
from engine.records import Placement
from engine.surface import surface_of

R = 100.0
SPHERE = surface_of(lambda d: np.full(d.shape[:-1], R))


def ribbed(depth_mm):
    return surface_of(
        lambda d: R + depth_mm * np.cos(10 * np.arctan2(d[..., 1], d[..., 0])) * (1 - d[..., 2] ** 2) ** 2.5,
        1.0,
    )


def test_mercator_shrinks_by_the_cosine():
    """Placed on the waist, what lies at latitude p comes out at cos(p) of its size, angles stay."""
    chart = chart_of(SPHERE, Placement())
    up = R * np.arcsinh(np.tan(np.radians([0, 20, 40, 60])))
    seen = distortion_at(SPHERE, chart, np.stack([np.zeros(4), up], axis=1))
    wanted = np.cos(np.radians([0, 20, 40, 60]))
    np.testing.assert_allclose(seen.along, wanted, atol=1e-4)
    np.testing.assert_allclose(seen.across, wanted, atol=1e-4)
    np.testing.assert_allclose(seen.area, wanted**2, atol=2e-4)
    assert np.degrees(seen.angle_rad).max() < 0.02


def test_ribs_show_in_the_scales():
    """On ribs of 4 mm a conformal chart is off by the flanks' slope: sqrt(1 + (10 h / R)2).

    On the steepest place of the flank, r = R and dr/dlongitude = 10 h: a horizontal step is longer by that.
    """
    surface = ribbed(4.0)
    chart = chart_of(surface, Placement())
    flank = np.radians(9.0)  # a quarter of a rib
    seen = distortion_at(surface, chart, np.array([[flank * chart.true_radius_mm, 0.0]]))
    assert seen.horizontal[0] == pytest.approx(np.hypot(1, 40 / R), rel=2e-3)
    assert seen.vertical[0] == pytest.approx(1.0, rel=2e-3)
    assert abs(np.degrees(seen.axis_rad[0])) < 1  # stretched along the horizontal
    ratio = np.hypot(1, 0.4)
    omega = 2 * np.degrees(np.arcsin((ratio - 1) / (ratio + 1)))  # Snyder eq. 4-9, re-arranged
    assert np.degrees(seen.angle_rad[0]) == pytest.approx(omega, abs=0.1)


def test_the_size_on_a_sphere():
    """A design of 120 x 100 mm on the waist is 120 mm wide along the skin (its chord would be less).

    Its height is that of Mercator backwards: R times gd(50 / R), twice.
    """
    found = size_on_skin(SPHERE, chart_of(SPHERE, Placement()), 120.0, 100.0)
    assert found.across_mm == pytest.approx(120.0, abs=1e-3)
    assert found.up_mm == pytest.approx(2 * R * np.arctan(np.sinh(0.5)), abs=1e-3)
    assert found.largest_scale == pytest.approx(1.0, abs=1e-3)
    assert found.smallest_scale == pytest.approx(1 / np.cosh(0.5), abs=1e-3)  # cos(gd(y)) = 1 / cosh(y)
    assert found.area_share == pytest.approx(np.tanh(0.5) / 0.5, abs=1e-3)  # mean of cosh(y)^-2
    assert found.angle_deg < 0.05


def test_equal_area_charts_keep_the_area():
    """Whatever the place: skin area is drawn area, while lengths are not kept."""
    for projection in (Projection.EQUAL_AREA, Projection.EQUAL_AREA_ABOUT):
        chart = chart_of(SPHERE, Placement(0.5, 0.5), projection)
        found = size_on_skin(SPHERE, chart, 90.0, 80.0)
        assert found.area_share == pytest.approx(1.0, abs=1e-3)
        assert found.largest_scale > 1.01


@pytest.mark.parametrize("by", ["width", "height", "area"])
def test_as_big_as_drawn(by):
    """The factor found makes the design come out at its drawn size, by width, height or area."""
    surface = ribbed(3.0)
    chart = chart_of(surface, Placement(0.2, 0.5))
    factor = as_big_as_drawn(surface, chart, 110.0, 90.0, by)
    found = size_on_skin(surface, chart, factor * 110.0, factor * 90.0)
    share = {
        "width": found.across_mm / 110.0,
        "height": found.up_mm / 90.0,
        "area": factor * np.sqrt(found.area_share),
    }
    assert share[by] == pytest.approx(1.0, abs=1e-3)
    assert factor != pytest.approx(1.0, abs=1e-3)


def test_a_design_that_cannot_be_as_big_as_drawn_is_refused():
    """Half a metre of height has no room on a ball of 200 mm."""
    with pytest.raises(BadInput, match="cannot come out as big as drawn"):
        as_big_as_drawn(SPHERE, chart_of(SPHERE, Placement()), 200.0, 500.0, "height")
    with pytest.raises(BadInput, match="width, height or area"):
        as_big_as_drawn(SPHERE, chart_of(SPHERE, Placement()), 200.0, 100.0, "depth")


def test_the_picture_has_its_ellipses():
    """Circles at the middle stay circles and are larger than those near the pole; the numbers stand below."""
    chart = chart_of(SPHERE, Placement(0.0, 0.3))
    root = ET.fromstring(distortion_svg(SPHERE, chart, 90.0, 130.0, "squash <1>"))
    ellipses = root.findall("{http://www.w3.org/2000/svg}ellipse")
    assert len(ellipses) == 9 * 6
    size = {round(float(e.get("cy"))): float(e.get("rx")) for e in ellipses}
    assert size[min(size)] < size[max(size)]
    for e in ellipses:
        assert float(e.get("rx")) == pytest.approx(float(e.get("ry")), rel=1e-2)
    texts = [t.text for t in root.findall("{http://www.w3.org/2000/svg}text")]
    assert texts[0] == "squash <1>"
    assert "angles off by up to" in texts[1]
