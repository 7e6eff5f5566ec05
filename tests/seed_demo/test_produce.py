"""Invented produce: touches that are really tangent, files that are read, sizes within their lots."""

import csv
import io
from dataclasses import replace

import numpy as np
import pytest

from engine.files import read_touches, read_wall
from engine.surface import fit_surface, radius_at
from seed_demo import produce
from seed_demo.produce import a_gourd, a_squash, a_swede, foam_sphere, grow, lots, probe_places, tip_centres


def test_ball_on_a_centred_sphere():
    """On a sphere of radius R the centre stops at R + r, whatever the direction (closed form)."""
    places = probe_places("foam", 0)
    centres = tip_centres(foam_sphere(280), places, 3.0)
    assert np.linalg.norm(centres, axis=1) == pytest.approx(143.0, abs=1e-6)


class OffSphere:
    """A sphere whose middle is off the point where the rays run to."""

    def __init__(self, middle, radius_mm):
        self.middle, self.radius_mm = np.asarray(middle, float), radius_mm

    def radius(self, directions):
        along = directions @ self.middle
        return along + np.sqrt(self.radius_mm**2 - self.middle @ self.middle + along**2)


def test_ball_on_a_slanted_sphere():
    """Off the middle the skin is slanted to the ray, and |t d - c| = R + r still holds (closed form)."""
    ball = OffSphere((20, -15, 30), 120)
    places = probe_places("squash", 10)
    centres = tip_centres(ball, places, 3.0)
    assert np.linalg.norm(centres - ball.middle, axis=1) == pytest.approx(123.0, abs=1e-3)


@pytest.mark.parametrize("make", [a_squash, a_swede, a_gourd])
def test_ball_touches_and_does_not_cut(make):
    """The nearest of many skin points about a touch is one tip radius away, to 0.01 mm."""
    piece = make(np.random.default_rng(4))
    places = probe_places(piece.kind, piece.ribs)[::9]
    centres = tip_centres(piece, places, 3.0)
    rng = np.random.default_rng(0)
    near = places[:, None] + rng.uniform(-0.05, 0.05, (len(places), 40000, 3))
    near /= np.linalg.norm(near, axis=-1, keepdims=True)
    skin = piece.radius(near)[..., None] * near
    nearest = np.linalg.norm(skin - centres[:, None], axis=-1).min(axis=1)
    assert np.all(nearest > 3.0 - 0.01)
    assert np.all(nearest < 3.0 + 0.02)  # 40 000 random points miss the very nearest by a little


def test_probe_file_is_read():
    """The reader takes the file: tip radius, places, the first three again at the end, probing inwards."""
    rng = np.random.default_rng(1)
    piece = a_squash(rng)
    places = probe_places("squash", piece.ribs)
    text = produce.virtual_probe(piece, rng, places, noise_mm=0.08)
    scan = read_touches(text, "probe.csv")
    assert scan.tip_radius_mm == 3.0
    assert len(scan.touch_numbers) == len(places) + 3
    assert scan.touch_numbers[-3:].tolist() == scan.touch_numbers[:3].tolist()
    rows = list(csv.DictReader(io.StringIO(text.split("\n", 1)[1])))
    inward = np.array([[float(row[c]) for c in "ijk"] for row in rows])
    assert np.all(np.sum(inward * (scan.centres_seat_mm - piece.seat_offset_mm), axis=1) < 0)


def test_noise_has_the_asked_deviation():
    """Touches scatter along their approach by the deviation asked for."""
    piece = foam_sphere(280)
    text = produce.virtual_probe(
        piece, np.random.default_rng(2), probe_places("foam", 0), noise_mm=0.08, retouch=0
    )
    off = np.linalg.norm(read_touches(text, "probe.csv").centres_seat_mm, axis=1) - 143.0
    assert np.std(off) == pytest.approx(0.08, rel=0.2)


def test_middle_is_off_the_seat():
    """A piece sits some millimetres off the seat, and its touches move with it."""
    piece = replace(foam_sphere(280), seat_offset_mm=(4.0, -3.0, 2.0))
    text = produce.virtual_probe(piece, np.random.default_rng(2), probe_places("foam", 0), noise_mm=0.0)
    centres = read_touches(text, "probe.csv").centres_seat_mm
    assert np.linalg.norm(centres - [4, -3, 2], axis=1) == pytest.approx(143.0, abs=1e-3)


def test_surface_is_found_again():
    """Fitting the touches of a ribbed squash finds its true radius to a few tenths of a millimetre."""
    rng = np.random.default_rng(8)
    piece = a_squash(rng)
    scan = read_touches(produce.virtual_probe(piece, rng, probe_places("squash", piece.ribs)), "probe.csv")
    surface, findings = fit_surface(scan)
    assert not findings
    ask = rng.normal(size=(2000, 3))
    ask /= np.linalg.norm(ask, axis=1, keepdims=True)
    ask = ask[np.abs(ask[:, 2]) < np.sin(np.radians(42))]  # where designs lie and the probe went
    skin = radius_at(surface, ask)[:, None] * ask + surface.origin_seat_mm - piece.seat_offset_mm
    length = np.linalg.norm(skin, axis=1)
    off = length - piece.radius(skin / length[:, None])
    assert np.sqrt(np.mean(off**2)) < 0.35


@pytest.mark.parametrize("source", lots(), ids=lambda lot: lot.name)
def test_sizes_lie_within_the_lot(source):
    """Diameters follow the lot's mean and spread; nothing strays past two and a half deviations."""
    rng = np.random.default_rng(3)
    sizes = np.array([grow(rng, source).diameter_mm for _ in range(300)])
    assert np.all(np.abs(sizes - source.diameter_mm) <= 2.5 * source.diameter_spread_mm + 1e-9)
    assert np.mean(sizes) == pytest.approx(source.diameter_mm, abs=0.2 * source.diameter_spread_mm + 1e-9)
    assert np.std(sizes) == pytest.approx(source.diameter_spread_mm, rel=0.12, abs=1e-9)


@pytest.mark.parametrize("source", lots(), ids=lambda lot: lot.name)
def test_height_over_diameter_is_near_the_lot(source):
    """The piece as grown, dimples and all, is about as tall as its lot says."""
    rng = np.random.default_rng(6)
    shares = [(p := grow(rng, source)).height_mm / p.diameter_mm for _ in range(60)]
    assert np.mean(shares) == pytest.approx(source.height_share, abs=0.09)


@pytest.mark.parametrize(("kind", "ribs", "relief"), [
    ("squash", 10, False), ("squash", 12, False), ("squash", 8, True), ("squash", 10, True),
    ("squash", 0, False),
    ("turnip", 0, False), ("gourd", 0, False), ("foam", 0, False),
])  # fmt: skip
def test_probe_plan(kind, ribs, relief):
    """150 to 300 touches between latitudes -55 and 60 deg, three meridians a rib, six for a relief."""
    places = probe_places(kind, ribs, relief)
    assert 150 <= len(places) <= 300
    assert np.linalg.norm(places, axis=1) == pytest.approx(1.0)
    latitude = np.degrees(np.arcsin(places[:, 2]))
    assert latitude.min() == pytest.approx(-55) and latitude.max() == pytest.approx(60)
    row = places[np.abs(latitude + 55) < 1e-6]
    assert len(row) >= (6 if relief else 3) * ribs


def test_same_seed_same_piece():
    """Chance comes from the generator alone."""
    texts = []
    for _ in range(2):
        rng = np.random.default_rng(9)
        texts.append(produce.virtual_probe(a_gourd(rng), rng, probe_places("gourd", 0)))
    assert texts[0] == texts[1]


@pytest.mark.parametrize(("relief", "fewest", "most"), [(False, 8, 12), (True, 40, 40)])
def test_wall_file_is_read(relief, fewest, most):
    """A wall file holds eight to twelve readings, forty for a relief, about the true wall."""
    rng = np.random.default_rng(5)
    piece = produce.thinned(a_squash(rng), 16.0, rng)
    wall = read_wall(produce.wall_readings(piece, rng, relief), "wall.csv")
    assert fewest <= len(wall.thickness_mm) <= most
    assert np.mean(wall.thickness_mm) == pytest.approx(16.0, abs=2.0)
    assert np.all(wall.thickness_mm > 10)


def test_thinning_never_thickens():
    """A wall that is already thin stays as it is."""
    piece = replace(foam_sphere(), wall_mean_mm=12.0)
    assert produce.thinned(piece, 22.0, np.random.default_rng(0)).wall_mean_mm == 12.0
