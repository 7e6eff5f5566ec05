"""Structural similarity by its closed forms: Wang, Bovik, Sheikh, Simoncelli 2004 (from memory)."""

import numpy as np
import pytest

from engine.errors import BadInput
from engine.similarity import similarity, similarity_map


def texture(seed=0, size=64):
    return np.clip(0.5 + 0.15 * np.random.default_rng(seed).standard_normal((size, size)), 0, 1)


def test_the_same_picture_is_one():
    """And only the same picture is."""
    one = texture()
    assert similarity(one, one) == pytest.approx(1.0)
    assert similarity(one, texture(1)) < 0.1


def test_even_pictures_differ_by_their_light_alone():
    """Without structure what is left is (2 mx my + C1) / (mx2 + my2 + C1)."""
    found = similarity(np.full((20, 20), 0.3), np.full((20, 20), 0.6))
    c1 = 0.01**2
    assert found == pytest.approx((2 * 0.18 + c1) / (0.09 + 0.36 + c1), rel=1e-9)


def test_contrast_counts():
    """A texture at half its contrast: (s2 + C2) / (1.25 s2 + C2) times the light's part, at every pixel."""
    one = texture()
    whole = 0.5 + 0.5 * (one - 0.5)
    found = similarity_map(one, whole)
    m, s2 = window(one), window(one**2) - window(one) ** 2
    m2 = 0.5 + 0.5 * (m - 0.5)
    c1, c2 = 0.01**2, 0.03**2
    wanted = (2 * m * m2 + c1) / (m**2 + m2**2 + c1) * (s2 + c2) / (1.25 * s2 + c2)
    np.testing.assert_allclose(found[8:-8, 8:-8], wanted[8:-8, 8:-8], rtol=1e-9)


def window(values):
    """The Gaussian window of 11 x 11 pixels, deviation 1.5, written out."""
    x = np.arange(-5, 6)
    w = np.exp(-(x**2) / (2 * 1.5**2))
    w = np.outer(w, w) / w.sum() ** 2
    padded = np.pad(values, 5, mode="symmetric")
    found = np.zeros_like(values)
    for i in range(11):
        for j in range(11):
            found += w[i, j] * padded[i : i + values.shape[0], j : j + values.shape[1]]
    return found


def test_structure_counts():
    """The picture's negative about 0.5 has the same light and contrast, and the opposite structure."""
    one = texture()
    assert similarity(one, 1 - one) < -0.5


def test_its_range_scales():
    """Values of 0 to 255 with their range give the same figure."""
    one, other = texture(), texture(2)
    assert similarity(255 * one, 255 * other, full=255) == pytest.approx(similarity(one, other), rel=1e-9)


def test_only_some_pixels_may_count():
    """A spoilt corner does not count where it is left out."""
    one = texture()
    spoilt = one.copy()
    spoilt[:16, :16] = 0
    where = np.ones(one.shape, bool)
    where[:24, :24] = False
    assert similarity(one, spoilt, where=where) == pytest.approx(1.0, abs=1e-9)
    assert similarity(one, spoilt) < 0.97


@pytest.mark.parametrize("shapes", [((20, 20), (20, 21)), ((8, 20), (8, 20)), ((20,), (20,))])
def test_pictures_that_do_not_fit(shapes):
    """Other sizes, and pictures smaller than the window, are refused."""
    with pytest.raises(BadInput, match="expected two alike"):
        similarity(*(np.zeros(s) for s in shapes))
