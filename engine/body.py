"""How large is the piece, and how does it stand? Volume, skin, weight and own axis.

Over directions u the volume is the integral of r^3 / 3 and the skin that of r^2 / (n u), n being the normal:
Gauss's nodes over the height of u, even steps round it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from engine.errors import BadInput
from engine.frames import unit_of
from engine.records import Floats, Surface
from engine.surface import normals_at, radius_at

_HEIGHTS, _ROUND = 96, 192
_KG_PER_LITRE = 0.6  # of a whole squash with its hollow, 0.55 to 0.65; common practice


def volume_mm3(surface: Surface) -> float:
    """Return what the skin encloses [mm3]."""
    unit, weights = _nodes()
    return float(np.sum(radius_at(surface, unit) ** 3 / 3.0 * weights))


def skin_mm2(surface: Surface) -> float:
    """Return the area of the whole skin [mm2]."""
    unit, weights = _nodes()
    upright = np.sum(normals_at(surface, unit) * unit, axis=-1)
    return float(np.sum(radius_at(surface, unit) ** 2 / upright * weights))


def weight_kg(surface: Surface, kg_per_litre: float = _KG_PER_LITRE) -> float:
    """Return what a whole piece should weigh; one that lost 3 % of it since is probed afresh.

    Parameters
    ----------
    surface : Surface
        The fitted skin.
    kg_per_litre : float
        Of the whole piece with its hollow [kg/l].
    """
    if not 0.05 <= kg_per_litre <= 2.0:
        raise BadInput(f"{kg_per_litre:g} kg per litre: 0.05 to 2 were expected")
    return volume_mm3(surface) * 1e-6 * kg_per_litre


def _nodes() -> tuple[Floats, Floats]:
    """Return directions (k, m, 3) and their shares (k, 1) of the sphere, 4 pi in all."""
    heights, shares = np.polynomial.legendre.leggauss(_HEIGHTS)
    longitude = (np.arange(_ROUND) + 0.5) * 2 * np.pi / _ROUND
    unit = unit_of(longitude[None], np.arcsin(heights)[:, None])
    return unit, (shares * 2 * np.pi / _ROUND)[:, None]


@dataclass(frozen=True, slots=True)
class OwnAxis:
    """How the piece's own axis stands on the seat."""

    lean_deg: float  # away from the seat's Z
    towards_deg: float  # longitude towards which the stem leans
    flatness: float  # polar by equatorial radius; near 1 an axis means nothing


def own_axis(points_mm: Floats) -> OwnAxis:
    """Return the axis of the spheroid that fits points best, whichever way it leans.

    For each axis the spheroid about it is a linear least squares problem; the axis itself is searched. The
    mapping frame keeps the seat's directions all the same: a design follows the machine, not the stem.

    Parameters
    ----------
    points_mm : ndarray (n, 3)
        Points of the skin [mm].
    """
    from scipy.optimize import minimize

    def misfit(lean: Floats) -> float:
        return _spheroid(points_mm, lean)[1]

    starts = [np.zeros(2), *(0.15 * np.array([np.cos(a), np.sin(a)]) for a in np.arange(4) * np.pi / 2)]
    best = min(starts, key=misfit)
    simplex = best + 0.05 * np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    found = minimize(
        misfit,
        best,
        method="Nelder-Mead",
        options={"initial_simplex": simplex, "xatol": 1e-5, "fatol": 1e-15},
    )
    lean = np.asarray(found.x, float)
    return OwnAxis(
        lean_deg=float(np.degrees(np.hypot(*lean))),
        towards_deg=float(np.degrees(np.arctan2(lean[1], lean[0]))),
        flatness=_spheroid(points_mm, lean)[0],
    )


def _spheroid(points: Floats, lean: Floats) -> tuple[float, float]:
    """Return flatness and misfit of the spheroid about an axis that leans by a vector of x and y [rad]."""
    size = float(np.hypot(*lean))
    along = np.array([*(np.sin(size) * lean / size if size > 1e-12 else np.zeros(2)), np.cos(size)])
    height = points @ along
    away2 = np.sum(points**2, axis=1) - height**2
    # away2 + k h2 - 2 c . p = d about a centre c: linear in k, the centre's terms and d
    terms = np.column_stack([height**2, points, np.ones(len(points))])
    solved, _, _, _ = np.linalg.lstsq(terms, -away2, rcond=None)
    rest = away2 + terms @ solved
    return float(1.0 / np.sqrt(max(solved[0], 1e-6))), float(rest @ rest) / float(np.mean(away2)) ** 2
