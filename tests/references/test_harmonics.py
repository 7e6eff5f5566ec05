"""Is a skin that is a known sum of spherical harmonics read as that sum?

Orthonormal harmonics with the sign of Condon and Shortley (DLMF 14.30, from memory), computed by scipy's
`sph_harm_y`; the first table holds scipy to figures of the closed forms, so that it may judge the rest.
"""

import numpy as np
import pytest
from scipy.special import sph_harm_y

from engine.frames import unit_of
from engine.surface import radius_at, surface_of

DEG = np.pi / 180
KNOWN = [
    (0, 0, 0, 0, 0.2820947918),
    (1, 0, 0, 0, 0.4886025119),
    (2, 0, 0, 0, 0.6307831305),
    (2, 0, 90, 0, -0.3153915653),
    (2, 2, 90, 0, 0.3862742020),
    (2, 1, 45, 0, -0.3862742020),
    (3, 0, 60, 0, -0.3265292910),
]


@pytest.mark.parametrize(("degree", "order", "theta", "phi", "value"), KNOWN)
def test_figures_of_the_harmonics(degree, order, theta, phi, value):
    """Degree, order, angle from the pole and longitude [deg]."""
    assert sph_harm_y(degree, order, theta * DEG, phi * DEG).real == pytest.approx(value, abs=1e-10)


def test_a_skin_of_harmonics_is_read_as_their_sum():
    """By Gauss's rule over the sphere each harmonic's share comes out of the skin's radii, to 1e-4 mm."""
    shares = {(0, 0): 100 / 0.2820947918, (2, 0): -6.0, (2, 2): 2.5, (3, 0): 1.5, (5, 4): 0.8}

    def radius(d):
        theta, phi = np.arccos(np.clip(d[..., 2], -1, 1)), np.arctan2(d[..., 1], d[..., 0])
        return sum(a * sph_harm_y(n, m, theta, phi).real for (n, m), a in shares.items())

    surface = surface_of(radius, 1.0)
    z, weight = np.polynomial.legendre.leggauss(24)
    phi = np.arange(48) * 2 * np.pi / 48
    found = radius_at(surface, unit_of(phi[None, :], np.arcsin(z)[:, None]))
    for (n, m), share in shares.items():
        harmonic = sph_harm_y(n, m, np.arccos(z)[:, None], phi[None, :]).real
        whole = np.sum(weight[:, None] * found * harmonic) * 2 * np.pi / 48
        # the real part of an order above nought has half the square sum
        assert whole / (1.0 if m == 0 else 0.5) == pytest.approx(share, abs=1e-4), (n, m)
