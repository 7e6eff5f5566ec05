"""Volume and skin of closed forms: spheroids, and superellipsoids by the beta function.

Spheroids: V = 4/3 pi a2 c; S = 2 pi a2 (1 + (1 - e2) / e atanh e) oblate, 2 pi a2 (1 + c / (a e) asin e)
prolate. Superellipsoids: Jaklic, Leonardis, Solina, *Segmentation and Recovery of Superquadrics*, 2000, eq.
2.60 (from memory); 324531.952 agrees with four million random points to 0.04 %.
"""

import numpy as np
import pytest

from engine.body import own_axis, skin_mm2, volume_mm3, weight_kg
from engine.errors import BadInput
from engine.surface import surface_of


def spheroid(equator, pole):
    return surface_of(
        lambda d: 1 / np.sqrt((1 - d[..., 2] ** 2) / equator**2 + d[..., 2] ** 2 / pole**2), 0.5
    )


def superellipsoid(a, b, c, e1, e2):
    """Radius from ((x/a)^(2/e2) + (y/b)^(2/e2))^(e2/e1) + (z/c)^(2/e1) = 1."""

    def radius(d):
        x, y, z = np.abs(np.moveaxis(d, -1, 0))
        f = ((x / a) ** (2 / e2) + (y / b) ** (2 / e2)) ** (e2 / e1) + (z / c) ** (2 / e1)
        return f ** (-e1 / 2)

    return surface_of(radius, 0.5)


@pytest.mark.parametrize(
    ("equator", "pole", "volume", "skin"),
    [(100, 80, 3351032.1638, 109287.02300), (80, 120, 3216990.8773, 108276.59625)],
    ids=["oblate", "prolate"],
)
def test_spheroids(equator, pole, volume, skin):
    """To a millionth: Gauss's rule is exact enough, the grid's splines hold the rest."""
    surface = spheroid(equator, pole)
    assert volume_mm3(surface) == pytest.approx(volume, rel=1e-6)
    assert skin_mm2(surface) == pytest.approx(skin, rel=2e-6)


@pytest.mark.parametrize(
    ("form", "volume", "share"),
    [
        ((50, 50, 50, 1, 1), 4.18879020 * 50**3, 1e-6),
        ((50, 50, 50, 0.5, 0.5), 6.48198735 * 50**3, 1e-3),  # edges are rounder than the rule sees
        ((50, 40, 30, 0.8, 0.6), 324531.952, 1e-4),
        ((50, 50, 50, 2, 2), 4 / 3 * 50**3, 3e-3),  # an octahedron has true edges
    ],
)
def test_superellipsoids(form, volume, share):
    """From a ball to an octahedron."""
    assert volume_mm3(superellipsoid(*form)) == pytest.approx(volume, rel=share)


def test_a_squash_weighs_what_the_trade_says():
    """28 cm across and 25 cm tall: 5.6 to 6.7 kg at 0.55 to 0.65 kg per litre (the trade's own figures)."""
    surface = spheroid(140, 125)
    assert weight_kg(surface, 0.55) == pytest.approx(5.6, abs=0.1)
    assert weight_kg(surface, 0.65) == pytest.approx(6.7, abs=0.1)
    with pytest.raises(BadInput, match=r"0\.05 to 2"):
        weight_kg(surface, 0)


@pytest.mark.parametrize(("lean_deg", "towards_deg"), [(0.0, 0.0), (6.0, 40.0), (11.0, -150.0)])
@pytest.mark.parametrize(("equator", "pole"), [(100, 78), (60, 95)])
def test_the_own_axis_of_a_leaning_spheroid(lean_deg, towards_deg, equator, pole):
    """Points of a spheroid that was leaned and shifted: its lean to 0.1 deg, its flatness to a thousandth."""
    i = np.arange(300) + 0.5
    z = -0.8 + 1.7 * i / 300
    lon = i * np.pi * (3 - np.sqrt(5))
    unit = np.stack([np.sqrt(1 - z**2) * np.cos(lon), np.sqrt(1 - z**2) * np.sin(lon), z], axis=1)
    skin = unit / np.sqrt((1 - z**2) / equator**2 + z**2 / pole**2)[:, None]
    t, w = np.radians(lean_deg), np.radians(towards_deg)
    about = np.array([-np.sin(w), np.cos(w), 0.0])  # turning about it takes +Z towards longitude w
    cross = np.cross(about, skin)
    leaned = skin * np.cos(t) + cross * np.sin(t) + (skin @ about)[:, None] * about * (1 - np.cos(t))
    found = own_axis(leaned + np.array([5.0, -3.0, 120.0]))
    assert found.lean_deg == pytest.approx(lean_deg, abs=0.1)
    assert found.flatness == pytest.approx(pole / equator, rel=1e-3)
    if lean_deg:
        assert found.towards_deg == pytest.approx(towards_deg, abs=0.5)
