"""How large is the piece? Volume, skin and weight of a fitted surface.

Over directions u the volume is the integral of r^3 / 3 and the skin that of r^2 / (n u), n being the normal:
Gauss's nodes over the height of u, even steps round it.
"""

from __future__ import annotations

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
