"""Tones against published numbers of the standard and the law of absorption."""

import io

import numpy as np
import pytest
from PIL import Image

from engine.artwork import read_artwork
from engine.records import Rules
from engine.tone import decoded, encoded, lightness, transmission, wall_for

# sRGB after IEC 61966-2-1:1999, computed by colour-science 0.4.7; the branch changes from 10 to 11
DECODED = {
    0: 0.0,
    1: 0.000303527,
    10: 0.003035270,
    11: 0.003346536,
    64: 0.051269458,
    127: 0.212230757,
    128: 0.215860500,
    188: 0.502886458,
    192: 0.527115126,
    254: 0.991102097,
    255: 1.0,
}
ENCODED = {0.0031308: 0.040449936, 0.01: 0.099852823, 0.18: 0.461356130, 0.5: 0.735356983, 0.9: 0.954687172}


def test_signals_are_decoded_as_the_standard_says():
    """8-bit signals give the linear light of IEC 61966-2-1."""
    assert decoded(np.array(list(DECODED)) / 255) == pytest.approx(list(DECODED.values()), abs=1e-9)


def test_light_is_encoded_as_the_standard_says():
    """Linear light gives the signals of IEC 61966-2-1, and decoding undoes it."""
    light = np.array(list(ENCODED))
    assert encoded(light) == pytest.approx(list(ENCODED.values()), abs=1e-9)
    assert decoded(encoded(light)) == pytest.approx(light, abs=1e-8)


def test_light_falls_off_as_beer_and_lambert_say():
    """At 0.2 per mm, 2, 5, 10 and 15 mm let through 67.0, 36.8, 13.5 and 5.0 % (closed form)."""
    through = transmission(np.array([2.0, 5.0, 10.0, 15.0, np.log(2) / 0.2]), 0.2)
    assert through == pytest.approx([0.670320, 0.367879, 0.135335, 0.049787, 0.5], abs=1e-6)


def test_the_ends_are_the_thinnest_and_the_thickest_wall():
    """White leaves the thinnest wall; black the thickest, which is 16 mm or the wall without its skin."""
    rules = Rules(relief_min_wall_mm=5.0, relief_max_wall_mm=16.0, relief_skin_mm=1.5)
    assert wall_for(np.ones(2), np.array([12.0, 22.0]), rules).wall_mm == pytest.approx([5.0, 5.0], abs=1e-12)
    assert wall_for(np.zeros(2), np.array([12.0, 22.0]), rules).wall_mm == pytest.approx(
        [10.5, 16.0], abs=1e-12
    )


def test_light_is_linear_between_the_ends():
    """Half the luminance lets through the mean of the light of both ends."""
    rules = Rules(light_per_mm=0.25)
    left = wall_for(np.array([0.5]), np.array([30.0]), rules).wall_mm[0]
    assert np.exp(-0.25 * left) == pytest.approx((np.exp(-0.25 * 5) + np.exp(-0.25 * 16)) / 2, rel=1e-12)


def test_every_shade_has_its_own_wall():
    """254 shades and more: each brighter signal leaves a thinner wall."""
    wall = wall_for(decoded(np.arange(256) / 255), np.full(256, 20.0), Rules()).wall_mm
    assert np.all(np.diff(wall) < 0)
    assert len(np.unique(wall)) == 256
    assert wall.min() >= 5.0
    assert wall.max() <= 16.0


@pytest.mark.parametrize("seed", range(3))
def test_no_tone_breaks_the_limits(seed):
    """Whatever tone and wall: at least the skin is off, and never less than the thinnest wall remains."""
    rng = np.random.default_rng(seed)
    rules = Rules(light_per_mm=float(rng.uniform(0.1, 0.5)))
    local = rng.uniform(1.0, 30.0, 500)
    found = wall_for(rng.uniform(-0.1, 1.1, 500), local, rules)
    cut = ~found.thin
    assert np.array_equal(found.thin, local < 6.5)
    assert np.all(found.wall_mm[cut] >= 5.0)
    assert np.all(found.wall_mm[cut] <= local[cut] - 1.5 + 1e-12)


def test_a_thin_wall_loses_its_skin_only():
    """At 6 mm of wall only 1.5 mm of skin are taken; at 4.4 mm, where 2.9 mm would remain, nothing."""
    found = wall_for(np.array([1.0, 1.0, 1.0]), np.array([6.0, 4.5, 4.4]), Rules())
    assert found.wall_mm == pytest.approx([4.5, 3.0, 4.4])
    assert found.thin.tolist() == [True, True, True]
    assert found.uncut.tolist() == [False, False, True]


def test_254_shades_of_a_picture_have_their_own_depths():
    """Each grey between black and white of a stored picture leaves its own wall, thinner for lighter.

    From the file on: nothing is dithered or rounded together. The smallest step is larger than the 0.001 mm
    that a program's words hold, so a machine gets all of them.
    """
    shades = np.repeat(np.repeat(np.arange(256, dtype=np.uint8)[None], 4, axis=0), 4, axis=1)
    file = io.BytesIO()
    Image.fromarray(shades).save(file, "PNG")
    tones = read_artwork(file.getvalue(), "shades.png", width_mm=400.0).tones
    middles = tones.luminance[2, 2::4] if tones.luminance.shape[1] == 1024 else tones.luminance[0]
    assert len(middles) == 256
    wall = wall_for(middles, np.full(256, 22.0), Rules()).wall_mm
    steps = -np.diff(wall)
    assert (steps > 0.001).all()
    assert wall[0] == pytest.approx(16.0)
    assert wall[-1] == pytest.approx(5.0)


def test_lightness():
    """CIE L* of ISO/CIE 11664-4:2019, as computed by colour-science 0.4.7; its branch is at 216/24389."""
    known = {
        0.001: 0.9032963, 0.01: 8.9914424, 0.09: 35.9842951, 0.18: 49.4961076, 0.184187: 50.0000575,
        0.2: 51.8372115, 0.5: 76.0692610, 0.9: 95.9967686, 1.0: 100.0,
    }  # fmt: skip
    assert lightness(np.array(list(known))) == pytest.approx(list(known.values()), abs=1e-6)


def test_the_two_branches_of_the_signal_nearly_meet():
    """At 0.04045 the straight branch gives .00313080495 and the curved one .00313080729 (IEC 61966-2-1)."""
    assert float(decoded(np.array(0.04045))) == pytest.approx(0.00313080495, abs=1e-11)
    assert float(decoded(np.array(np.nextafter(0.04045, 1)))) == pytest.approx(0.00313080729, abs=1e-11)


def test_depths_for_given_light():
    """At 0.2 per mm: 90, 50, 10, 5 % of the light pass 0.526803, 3.465736, 11.512925, 14.978661 mm."""
    depth = np.array([0.526803, 3.465736, 11.512925, 14.978661])
    assert transmission(depth, 0.2) == pytest.approx([0.9, 0.5, 0.1, 0.05], abs=1e-6)
