"""The lit look: the right way up, the right way round, brighter where thinner, encoded as sRGB says."""

import io

import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import gaussian_filter

from engine.chart import own_mercator
from engine.errors import BadInput
from engine.light import lit_likeness, lit_look, png_bytes, relief_likeness, thumbnail
from engine.records import Placement, Rules, ToneField, VirtualCut, Wall, WantedCut
from engine.surface import surface_of

R = 85.0
WALL = 20.0
SPHERE = surface_of(lambda unit: np.full(unit.shape[:-1], R), step_deg=3.0)
WALLS = Wall(np.zeros(1), np.zeros(1), np.array([WALL]))
MM = 1.0 / R  # angle of a millimetre at the equator


def a_cut(depth_of, lon0=0.0, half_mm=45.0, step_mm=0.5):
    """Return a cut whose depth is a function of millimetres to the east and north."""
    values = np.arange(-half_mm, half_mm + step_mm / 2, step_mm)
    east, north = np.meshgrid(values, values)
    depth = depth_of(east, north).astype(float)
    return VirtualCut(
        longitude_rad=lon0 + values * MM,
        latitude_rad=values * MM,
        depth_mm=depth,
        edge_mm=np.where(depth > 0, -1.0, 1.0),
        outline_median_mm=0,
        outline_p99_mm=0,
        outline_max_mm=0,
        outside_mm=0,
        outside_mm2=0,
        depth_median_mm=0,
        depth_max_mm=0,
        lost_mm2=0,
        travel_inside_mm=0,
        findings=(),
    )


def an_l(east, north):
    """Depth of an L through the wall: upright at the west, foot to the east at the bottom."""
    upright = (np.abs(east + 15) < 5) & (np.abs(north) < 25)
    foot = (np.abs(east) < 20) & (np.abs(north + 20) < 5)
    return np.where(upright | foot, WALL + 2.5, 0.0)


def brightness(image):
    return image.astype(float).mean(axis=2)


def at(image, east_mm, north_mm):
    """Return the brightness at a point; the sphere fills 86 parts of 100 of the picture."""
    picture = brightness(image)
    h, w = picture.shape
    pixel = 2 * R / 0.86 / min(h, w)
    x, y = R * np.sin(east_mm * MM), R * np.sin(north_mm * MM)
    return picture[round((h - 1) / 2 - y / pixel), round((w - 1) / 2 + x / pixel)]


@pytest.mark.parametrize("lon0", [0.0, 3.1, -2.0])
def test_picture_is_upright_and_not_mirrored(lon0):
    """Seen from outside, stem up, longitude grows to the right: the foot of an L points right, below."""
    image = lit_look(a_cut(an_l, lon0), SPHERE, WALLS, Rules())
    # the middle of the L's own bounding box is its front: (0, 0) in its millimetres
    for lit in ((-15, 20), (-15, 0), (-15, -20), (15, -20)):
        assert at(image, *lit) > 150
    for dark in ((15, 20), (15, 0), (0, 20), (-30, 0), (30, -20)):
        assert at(image, *dark) < 60


def test_thinner_is_brighter():
    """Steps of remaining wall from 16 to 4 mm brighten one after another, an opening most of all."""
    left = np.array([16.0, 13.0, 10.0, 7.0, 4.0, 0.0])

    def steps(east, north):
        number = np.clip(((east + 36) // 12).astype(int), 0, 5)
        inside = (np.abs(north) < 10) & (np.abs(east) < 36)
        return np.where(inside, WALL - left[number] + (left[number] == 0), 0.0)

    image = lit_look(a_cut(steps), SPHERE, WALLS, Rules())
    seen = [at(image, -30 + 12 * i, 0) for i in range(6)]
    assert np.all(np.diff(seen) > 5)
    assert at(image, 0, 25) < seen[0]  # uncut skin is darker than the thickest step


def test_dark_skin_still_shows_its_shape():
    """Uncut skin is nearly black, but its rim stands out from the night behind it."""
    image = lit_look(a_cut(lambda east, north: np.zeros(east.shape)), SPHERE, WALLS, Rules())
    picture = brightness(image)
    assert picture.max() < 90
    row = picture[len(picture) // 2]
    inside = row[round(0.08 * len(row)) : round(0.12 * len(row))]
    assert inside.max() > 1.3 * row[:10].mean()


def test_opening_is_warm():
    """The lamp's light is more red than green than blue, and bright."""
    image = lit_look(a_cut(an_l), SPHERE, WALLS, Rules())
    red, green, blue = image[image.sum(axis=2) >= np.quantile(image.sum(axis=2), 0.99)].mean(axis=0)
    assert red > 240
    assert red > green > blue


@pytest.mark.parametrize("size", [(420, 420), (200, 301), (160, 90)])
def test_any_size(size):
    """The picture has the width and height asked for, and a piece that fits into it."""
    image = lit_look(a_cut(an_l), SPHERE, WALLS, Rules(), size_px=size)
    assert image.shape == (size[1], size[0], 3)
    assert image.dtype == np.uint8


def test_cut_on_all_sides_is_seen_from_its_fullest():
    """On a full circle, the side with the wide opening faces the viewer, across the seam as well."""
    lon = -np.pi + np.arange(1000) * 2 * np.pi / 1000
    lat = np.linspace(-0.4, 0.4, 161)
    away = np.abs(np.remainder(lon - np.pi + np.pi, 2 * np.pi) - np.pi)  # from longitude 180 deg
    depth = np.where((away < 0.25) | (np.abs(away - 2.0) < 0.02), 25.0, 0.0) * (np.abs(lat) < 0.2)[:, None]
    cut = a_cut(an_l)
    cut = VirtualCut(lon, lat, depth, -depth, *(getattr(cut, name) for name in cut.__slots__[4:]))
    image = lit_look(cut, SPHERE, WALLS, Rules())
    assert at(image, 0, 0) > 150
    assert at(image, 35, 0) < 60
    assert at(image, -35, 0) < 60


def test_png_comes_back():
    """The bytes are a PNG of the same pixels."""
    image = lit_look(a_cut(an_l), SPHERE, WALLS, Rules(), size_px=(80, 60))
    with Image.open(io.BytesIO(png_bytes(image))) as opened:
        assert opened.format == "PNG"
        np.testing.assert_array_equal(np.asarray(opened), image)


def test_thumbnail_averages():
    """Half the size is the mean of each four pixels."""
    image = np.zeros((40, 40, 3), np.uint8)
    image[::2] = 200
    np.testing.assert_allclose(thumbnail(image, (20, 20)), 100, atol=1)


# --- likeness ------------------------------------------------------------------------------------------


def a_relief(east, north):
    """Depth of a relief of waves and a bright spot, 60 mm square, between 6 and 15 mm."""
    wave = 10.5 + 2.5 * np.sin(east / 3.0) * np.cos(north / 4.0) + 2.0 * np.exp(-(east**2 + north**2) / 90)
    return np.where((np.abs(east) < 30) & (np.abs(north) < 30), wave, 0.0)


def wanted_of(depth_of):
    values = np.arange(-33, 33.1, 0.6)
    depth = depth_of(*np.meshgrid(values, values))
    return WantedCut((), (), (), values * MM, values * MM, np.where(depth > 0, depth, np.nan))


def test_a_perfect_cut_looks_as_wanted():
    """The same floor lit the same way: nearly 1, but for the coarser grid of what was wanted."""
    found = lit_likeness(a_cut(a_relief), wanted_of(a_relief), SPHERE, WALLS, Rules(), size_px=(260, 260))
    assert found > 0.995


def test_the_more_the_floor_is_smoothed_the_less_alike():
    """A cutter that rounds off more and more detail: the likeness falls, step by step."""
    told = []
    for blur in (0.0, 1.5, 4.0, 9.0):

        def smoothed(east, north, blur=blur):
            return np.where(a_relief(east, north) > 0, gaussian_filter(a_relief(east, north), blur), 0.0)

        told.append(
            lit_likeness(a_cut(smoothed), wanted_of(a_relief), SPHERE, WALLS, Rules(), size_px=(260, 260))
        )
    assert told == sorted(told, reverse=True)
    assert told[0] - told[-1] > 0.1


def test_a_mirrored_relief_is_not_alike():
    """The same waves the other way round look clearly different."""

    def turned_over(east, north):
        return a_relief(east + 4.0, -north + 3.0)

    found = lit_likeness(a_cut(turned_over), wanted_of(a_relief), SPHERE, WALLS, Rules(), size_px=(260, 260))
    assert found < 0.9


def test_without_a_relief_there_is_nothing_to_compare():
    """Refused in words."""
    with pytest.raises(BadInput, match="no relief"):
        lit_likeness(a_cut(an_l), WantedCut((), (), ()), SPHERE, WALLS, Rules())


def an_even_relief(east, north):
    """Depth that leaves the thinnest wall the rules allow, 60 mm square."""
    return np.where((np.abs(east) < 30) & (np.abs(north) < 30), WALL - Rules().relief_min_wall_mm, 0.0)


@pytest.mark.parametrize(("tone", "low", "high"), [(1.0, 0.97, 1.0), (0.0, 0.0, 0.1)])
def test_the_thinnest_wall_is_white_and_nothing_else(tone, low, high):
    """A cut that leaves the thinnest wall everywhere is like a white picture and not like a black one.

    From the definition: of two even pictures the similarity is (2 a b + C) / (a^2 + b^2 + C).
    """
    tones = ToneField(np.full((50, 50), tone), np.ones((50, 50), bool), 1.0)
    found = relief_likeness(
        a_cut(an_even_relief),
        wanted_of(an_even_relief),
        (tones, own_mercator(SPHERE, Placement())),
        SPHERE,
        WALLS,
        Rules(),
        size_px=(260, 260),
    )
    assert low <= found.wanted_tones <= high
    assert found.ideal_wall > 0.995
