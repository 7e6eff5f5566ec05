"""The season's drawings: valid, wide enough for their cutters, apart on the skin, and read back as drawn."""

import io

import numpy as np
import pytest
import shapely
from PIL import Image
from shapely import affinity
from shapely.ops import nearest_points
from svgelements import SVG, Path

from seed_demo.drawings import design, designs, drawing, openings
from seed_demo.produce import lot

THROUGH = [d.name for d in designs() if d.treatment == "opening"]
SHOWN = [d.name for d in designs() if d.treatment == "opening" and d.areas]
RELIEFS = [d.name for d in designs() if d.treatment == "relief"]
# cutter radius and a twentieth of a millimetre, so that a slot is wider than its cutter
REACH_MM = {"6 mm flat": 3.05, "4 mm flat": 2.05, "3 mm flat": 1.55}
LOTS = {"Lime Walk": "L-201", "Gate": "L-203", "Root Row": "L-205", "Pergola": "L-206"}


class Spheroid:
    """Mercator of a spheroid by summing ds / rho along its meridian (Snyder 1987, p. 15, eq. 3-7)."""

    def __init__(self, equator_mm: float, pole_mm: float, latitude_deg: float) -> None:
        t = np.radians(np.linspace(0, 80, 8001))  # parametric latitude
        mid = (t[1:] + t[:-1]) / 2
        ds = np.hypot(equator_mm * np.sin(mid), pole_mm * np.cos(mid)) * np.diff(t)
        self.q = np.concatenate([[0.0], np.cumsum(ds / (equator_mm * np.cos(mid)))])
        self.rho = equator_mm * np.cos(t)
        self.lat = np.degrees(np.arctan2(pole_mm * np.sin(t), equator_mm * np.cos(t)))
        self.rho0 = float(np.interp(latitude_deg, self.lat, self.rho))
        self.q0 = float(np.interp(latitude_deg, self.lat, self.q))

    def scale(self, y_mm: float) -> float:
        return float(np.interp(abs(self.q0 + y_mm / self.rho0), self.q, self.rho)) / self.rho0


def usual_piece(name: str, area: str) -> Spheroid:
    source = lot(LOTS[area])
    equator = source.diameter_mm / 2
    return Spheroid(equator, equator * source.height_share, design(name).latitude_deg)


def cases():
    return [(name, area) for name in SHOWN for area in design(name).areas]


def thinnest_on_skin(shapes, piece: Spheroid, circumference_mm: float | None) -> float:
    turns = (0,) if circumference_mm is None else (-1, 0, 1)
    thinnest = np.inf
    for i, shape in enumerate(shapes):
        for turn in turns:
            moved = affinity.translate(shape, turn * (circumference_mm or 0), 0)
            for j, other in enumerate(shapes):
                if (i == j and turn == 0) or moved.distance(other) > 25:
                    continue
                a, b = nearest_points(moved, other)
                thinnest = min(thinnest, a.distance(b) * min(piece.scale(a.y), piece.scale(b.y)))
    return thinnest


@pytest.mark.parametrize("name", THROUGH)
def test_openings_are_valid_and_as_many_as_stated(name):
    """Every opening is one valid polygon; there are as many as the design says."""
    shapes = openings(name)
    assert len(shapes) == design(name).openings
    assert all(s.is_valid and s.geom_type == "Polygon" and s.area > 10 for s in shapes)


@pytest.mark.parametrize("name", SHOWN)
def test_no_islands(name):
    """A shown design drops no part: no opening has a hole."""
    assert all(len(s.interiors) == 0 for s in openings(name))


@pytest.mark.parametrize("name", SHOWN)
def test_cutter_enters_every_opening(name):
    """The cutter's middle goes all through an opening without leaving it, and 1.5 % at most stays uncut."""
    for cutter in design(name).cutters:
        reach = REACH_MM[cutter]
        for shape in openings(name):
            middle = shape.buffer(-reach, quad_segs=32)
            assert middle.geom_type == "Polygon" and not middle.is_empty
            assert shape.difference(middle.buffer(reach, quad_segs=32)).area < 0.015 * shape.area


@pytest.mark.parametrize(("name", "area"), cases())
def test_bridges_on_the_skin(name, area):
    """On a piece of the area's usual size no two openings are nearer than the design says."""
    piece = usual_piece(name, area)
    way_round = 2 * np.pi * piece.rho0 if design(name).all_round else None
    assert thinnest_on_skin(openings(name, way_round), piece, way_round) >= design(name).bridge_mm


@pytest.mark.parametrize("name", SHOWN)
def test_open_share_and_size(name):
    """The openings take at most 55 % of their box (the trade's rule), and the box is as large as stated."""
    stated, shapes = design(name), openings(name)
    left, low, right, high = shapely.union_all(shapes).bounds
    assert sum(s.area for s in shapes) <= 0.55 * (right - left) * (high - low)
    assert high - low == pytest.approx(stated.height_mm, abs=2)
    if stated.width_mm is not None:
        assert right - left == pytest.approx(stated.width_mm, abs=2)
    assert (left + right, low + high) == pytest.approx((0, 0), abs=1e-6)


@pytest.mark.parametrize("name", [n for n in SHOWN if design(n).all_round])
@pytest.mark.parametrize("share", [0.93, 1.07])
def test_bands_close_round_smaller_and_larger_pieces(name, share):
    """A band's box is narrower than the way round, and across the seam its openings stay apart."""
    usual = np.pi * lot("L-206" if design(name).kind == "gourd" else "L-201").diameter_mm
    way_round = share * usual
    shapes = openings(name, way_round)
    left, _, right, _ = shapely.union_all(shapes).bounds
    assert right - left < way_round - 2
    first, last = shapely.union_all(shapes), affinity.translate(shapely.union_all(shapes), way_round, 0)
    assert first.distance(last) >= 0.9 * design(name).bridge_mm


@pytest.mark.parametrize("name", THROUGH)
def test_svg_is_read_back_as_drawn(name):
    """An SVG reader finds the millimetres and, with y turned, the area and places of every opening."""
    shapes = openings(name)
    left, _, _, high = shapely.union_all(shapes).bounds
    svg = SVG.parse(io.StringIO(drawing(name)), ppi=25.4)  # one unit is one millimetre
    paths = [element for element in svg.elements() if isinstance(element, Path)]
    assert len(paths) == len(shapes)
    for path, shape in zip(paths, shapes, strict=True):
        rings = [np.array([(s.end.x, s.end.y) for s in sub]) for sub in path.as_subpaths()]
        area = sum(shapely.Polygon(r).area * (1 if i == 0 else -1) for i, r in enumerate(rings))
        assert area == pytest.approx(shape.area, abs=0.5)
        back = shapely.Polygon(np.stack([rings[0][:, 0] + left, high - rings[0][:, 1]], axis=1))
        assert back.centroid.distance(shapely.Polygon(shape.exterior).centroid) < 0.01


def test_bad_badge_is_bad():
    """Its ring drops an island, its thinnest bridge is 3 mm, and it is meant for latitude 68 deg."""
    shapes = openings("Bad Badge")
    gaps = [a.distance(b) for i, a in enumerate(shapes) for b in shapes[:i]]
    assert sum(len(s.interiors) for s in shapes) == 1
    assert min(gaps) == pytest.approx(3, abs=0.05)
    assert design("Bad Badge").latitude_deg == 68


@pytest.mark.parametrize("name", RELIEFS)
def test_relief_pictures(name):
    """A relief is a grey picture at half a millimetre, in evenly spaced tones, its corners transparent."""
    stated = design(name)
    with Image.open(io.BytesIO(drawing(name))) as picture:
        assert picture.mode == "LA"
        pixels = np.asarray(picture)
    assert pixels.shape[:2] == (round(stated.height_mm * 2), round(stated.width_mm * 2))
    grey, alpha = pixels[..., 0], pixels[..., 1]
    assert alpha[0, 0] == 0 and alpha[alpha.shape[0] // 2, alpha.shape[1] // 2] == 255
    steps = np.round(28 + 227 * np.arange(stated.tones) / (stated.tones - 1))
    shares = [np.mean(np.abs(grey[alpha == 255] - step) <= 5) for step in steps]
    assert min(shares) > 0.003  # every tone is there
    assert sum(shares) > 0.7  # the rest are the soft edges between them


def test_names_match_the_season():
    """Every design has its own name, and its artwork's file name has the right ending."""
    names = [d.name for d in designs()]
    assert len(set(names)) == len(names) == 15
    assert {d.file_name.rsplit(".", 1)[1] for d in designs()} == {"svg", "png"}
