"""The wall between readings: exact where one is certain, the mean far away, alike all round.

Expected values: the posterior mean of a Gaussian process, Rasmussen and Williams, *Gaussian Processes for
Machine Learning*, 2006, eq. 2.23 with the covariance of eq. 4.17 (Matern 5/2), solved by hand for two
readings.
"""

import numpy as np
import pytest

from engine.frames import unit_of
from engine.records import Wall
from engine.wall import wall_at, wall_deviation_at


def matern(chord, length=0.8):
    s = np.sqrt(5) * chord / length
    return (1 + s + s**2 / 3) * np.exp(-s)


def test_one_reading_is_the_wall_everywhere():
    """One number holds in every direction."""
    wall = Wall(np.zeros(1), np.zeros(1), np.array([19.5]))
    assert (wall_at(wall, np.array([[[1.0, 0, 0], [0, 0, -3.0]]])) == 19.5).all()
    assert wall_at(wall, np.ones((2, 4, 3))).shape == (2, 4)


def test_two_readings_by_hand():
    """Readings of 20 -+ 4 a quarter turn apart, gauge 0.7: solved on paper at both and at the back.

    With readings +-d, own variance v = d2 - sigma2 and correlation c between them the weights are
    +-d / (v (1 - c) + sigma2); so at a reading the wall is mean +- v (1 - c) d / (v (1 - c) + sigma2).
    """
    wall = Wall(np.array([0.0, np.pi / 2]), np.zeros(2), np.array([16.0, 24.0]))
    v, c = 4.0**2 - 0.7**2, matern(np.sqrt(2))
    weight = 4.0 / (v * (1 - c) + 0.7**2)
    back = unit_of(np.pi, 0.0)  # chord 2 from the first, sqrt 2 from the second
    found = wall_at(wall, np.array([[2.0, 0, 0], [0, 0.5, 0], back]))
    wanted = [
        20 - v * (1 - c) * weight,
        20 + v * (1 - c) * weight,
        20 + v * weight * (matern(np.sqrt(2)) - matern(2)),
    ]
    np.testing.assert_allclose(found, wanted, rtol=1e-12)


def test_half_way_between_two_readings_is_their_mean():
    """By symmetry, whatever the settings."""
    wall = Wall(np.array([-0.3, 0.3]), np.zeros(2), np.array([15.0, 25.0]))
    assert wall_at(wall, unit_of(0.0, 0.0)[None])[0] == pytest.approx(20.0, abs=1e-12)


def test_a_certain_gauge_is_believed():
    """Without gauge error the readings themselves come back."""
    lon, lat = np.array([0.0, 1.5, 3.0, -1.5, 0.5]), np.array([0.0, 0.4, -0.5, 0.2, 1.0])
    thickness = np.array([18.0, 22.0, 25.0, 16.0, 20.0])
    wall = Wall(lon, lat, thickness, sigma_mm=1e-6)
    np.testing.assert_allclose(wall_at(wall, unit_of(lon, lat)), thickness, atol=1e-6)


def test_equal_readings_make_an_even_wall():
    """Readings that agree leave no waves between them."""
    lon = np.linspace(-3, 3, 8)
    wall = Wall(lon, np.tile([0.4, -0.4], 4), np.full(8, 21.0))
    np.testing.assert_allclose(wall_at(wall, unit_of(np.linspace(-3, 3, 50), 0.1)), 21.0, atol=1e-9)


def test_the_front_mark_s_place_does_not_matter():
    """Readings turned about the axis give the same wall, turned."""
    lon, lat = np.array([0.0, 2.0, -2.5, 1.0]), np.array([0.1, -0.4, 0.6, 0.9])
    thickness = np.array([18.0, 22.0, 25.0, 16.0])
    asked = np.linspace(-3, 3, 20)
    here = wall_at(Wall(lon, lat, thickness), unit_of(asked, 0.3))
    turned = wall_at(Wall(lon + 1.1, lat, thickness), unit_of(asked + 1.1, 0.3))
    np.testing.assert_allclose(turned, here, atol=1e-10)


def test_how_well_the_wall_is_known():
    """At a reading about its gauge, far from all of them the wall's own spread; one reading: its gauge."""
    lon = np.radians(np.arange(0, 360, 45.0))
    wall = Wall(lon, np.zeros(8), 20 + 3 * np.cos(lon), sigma_mm=0.5)
    at, pole = wall_deviation_at(wall, unit_of(np.array([0.0, 0.0]), np.array([0.0, np.pi / 2])))
    spread = np.sqrt(4.5 - 0.25)  # variance of 3 cos is 4.5, less the gauge's
    assert 0.2 < at < 0.5
    assert at < pole < spread
    single = Wall(np.zeros(1), np.zeros(1), np.array([20.0]), sigma_mm=0.7)
    assert (wall_deviation_at(single, unit_of(lon, 0.2)) == 0.7).all()


def test_the_wall_s_deviation_is_the_plain_formula():
    """Rasmussen and Williams 2006, eq. 2.26, written out with the inverse."""
    rng = np.random.default_rng(1)
    lon, lat = rng.uniform(-3, 3, 12), rng.uniform(-1, 1, 12)
    wall = Wall(lon, lat, 20 + rng.standard_normal(12) * 2, sigma_mm=0.6)
    at, asked = unit_of(lon, lat), unit_of(rng.uniform(-3, 3, 7), rng.uniform(-1, 1, 7))

    def k(a, b):
        s = np.sqrt(5) * np.linalg.norm(a[:, None] - b[None], axis=2) / 0.8
        return (1 + s + s * s / 3) * np.exp(-s)

    v = np.var(wall.thickness_mm) - 0.36
    inverse = np.linalg.inv(v * k(at, at) + 0.36 * np.eye(12))
    cover = v * k(asked, at)
    wanted = np.sqrt(v - np.einsum("ij,jk,ik->i", cover, inverse, cover))
    np.testing.assert_allclose(wall_deviation_at(wall, asked), wanted, atol=1e-9)
