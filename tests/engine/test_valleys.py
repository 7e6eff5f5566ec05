"""Rib valleys: their bottoms by closed form, and what may not lie in them, on both sides of 3 mm."""

import numpy as np
import pytest
import shapely
from scipy.signal import find_peaks

from engine.chart import own_mercator
from engine.files import uniform_wall
from engine.records import Layers, Placement, Region, Rules, Severity, ToneField, Treatment
from engine.regions import judge_regions
from engine.surface import surface_of
from engine.valleys import _bottoms, valley_points

R, RIBS, HIGH = 140.0, 10, 4.0


def ribbed(high=HIGH):
    """Radius R + high cos(10 longitude) cos(latitude): bottoms at 18 deg and every 36 deg from there."""

    def radius(d):
        around = np.arctan2(d[..., 1], d[..., 0])
        return R + high / 2 * np.cos(RIBS * around) * np.sqrt(np.maximum(1 - d[..., 2] ** 2, 0.0))

    return surface_of(radius, 1.5)


PIECE = ribbed()
WAIST = R - HIGH / 2  # radius at a bottom, at the waist


def test_bottoms_lie_between_the_ribs():
    """Ten of them, at 18 deg + 36 k, to a twentieth of a degree, where they are a millimetre deep or more."""
    found = valley_points(PIECE)
    lon = np.degrees(np.arctan2(found[:, 1], found[:, 0]))
    np.testing.assert_allclose(np.remainder(lon, 36.0), 18.0, atol=0.05)
    assert len(np.unique(np.round(lon))) == RIBS
    lat = np.degrees(np.arcsin(found[:, 2] / np.linalg.norm(found, axis=1)))
    assert lat.min() < -60 and lat.max() > 60
    np.testing.assert_allclose(
        np.linalg.norm(found, axis=1), R - HIGH / 2 * np.cos(np.radians(lat)), atol=0.01
    )


@pytest.mark.parametrize("piece", [ribbed(0.0), ribbed(0.9)])
def test_a_smooth_piece_has_no_valleys(piece):
    """Nor do waves of less than a millimetre make any."""
    assert not len(valley_points(piece))


def test_one_dent_is_no_valley():
    """A thumb's dent of 5 mm has no ribs to its sides."""

    def radius(d):
        return R - 5 * np.exp(-((d[..., 1] / 0.08) ** 2) - (d[..., 2] / 0.3) ** 2) * (d[..., 0] > 0)

    assert not len(valley_points(surface_of(radius, 1.5)))


@pytest.mark.parametrize("seed", range(40))
def test_bottoms_are_those_of_scipy(seed):
    """Random rows that close on themselves: the same bottoms as scipy's peaks by prominence."""
    row = np.cumsum(np.random.default_rng(seed).normal(0, 0.4, 200))
    row -= np.linspace(0, row[-1], 200)
    peaks, _ = find_peaks(-np.tile(row, 3), prominence=1.0)
    assert _bottoms(row).tolist() == sorted(peaks[(peaks >= 200) & (peaks < 400)] - 200)


def judged(layers, longitude_deg):
    chart = own_mercator(PIECE, Placement(np.radians(longitude_deg)))
    found = judge_regions(layers, chart, PIECE, uniform_wall(20.0), (), Rules())
    return [f for f in found if f.rule == "rib valley"]


def two_openings():
    boxes = [shapely.box(-24, -15, -3.5, 15), shapely.box(3.5, -15, 24, 15)]
    regions = tuple(Region(f"opening {n}", Treatment.OPENING, b) for n, b in enumerate(boxes, 1))
    return Layers("t", regions, None, 48, 30, "0")


@pytest.mark.parametrize(("aside_mm", "told"), [(0.0, True), (2.7, True), (3.3, False), (20.0, False)])
@pytest.mark.parametrize("side", [-1, 1])
def test_no_bridge_in_a_valley(aside_mm, told, side):
    """A bridge 7 mm wide, its middle so far beside the bottom at 18 deg: 3 mm are to be kept."""
    found = judged(two_openings(), 18 + side * np.degrees(aside_mm / WAIST))
    assert bool(found) is told
    if told:
        (one,) = found
        assert one.severity is Severity.WARN
        assert "opening 1" in one.place and "opening 2" in one.place
        assert one.measured == pytest.approx(aside_mm, abs=0.25)
        assert (one.allowed, one.unit) == (3.0, "mm")
        assert abs(one.longitude_deg - 18) < 2 and "half a rib" in one.fix


def a_picture(width_mm):
    tones = ToneField(np.full((60, round(width_mm)), 0.5), np.ones((60, round(width_mm)), bool), 1.0)
    return Layers("t", (), tones, width_mm, 60.0, "0")


@pytest.mark.parametrize(("aside_mm", "told"), [(0.0, True), (2.5, True), (3.5, False)])
def test_no_edge_of_a_relief_along_a_valley(aside_mm, told):
    """A picture 60 mm wide and high with its left edge so far beside the bottom at 18 deg."""
    middle = 18 + np.degrees((aside_mm + 29.5) / WAIST)
    found = judged(a_picture(60.0), middle)
    assert bool(found) is told
    if told:
        assert found[0].place == "tones"
        length = float(found[0].text.split(" mm of the edge")[0])
        assert 60 <= length <= 60 + 2 * 3.5  # and what of its upper and lower edge is as near


def test_an_edge_that_crosses_a_valley_is_no_harm():
    """A picture over three valleys with its edges on ribs: its top and bottom cross them."""
    assert judged(a_picture(3 * 2 * np.pi * R / RIBS), 18.0) == []
