"""How fast does light fall off in this lot's flesh, and how well is that known? A step wedge on the day.

A slice of the lot is cut to steps of known thickness and the light through each is read. With the law of
absorption I = I0 exp(-k t) (Swinehart, J. Chem. Educ. 39, 1962, 333, from memory) the logarithm of the
reading is a straight line over thickness, fitted by least squares; its scatter gives the deviation of k. How
many tones can then be told apart is decided by the wall's uncertainty and not by the flesh: range / (2 sigma)
+ 1.

No published value for squash or turnip flesh was found, and those of neighbours spread about thirty times:
two laws of light in turbid matter stand here to show what published coefficients would mean, not to replace
the wedge. Diffusion: slab with extrapolated boundary (Paasschens, de Jong, Beenakker, arXiv:0807.1623, for
when that boundary holds). Kubelka and Munk: Kubelka 1948, J. Opt. Soc. Am. 38, 448.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from engine.errors import BadInput
from engine.records import Floats, _freeze

_LEAST_PER_MM, _MOST_PER_MM = 0.02, 3.0


@dataclass(frozen=True, slots=True, eq=False)
class WedgeFit:
    """The fall of light in one lot's flesh."""

    light_per_mm: float  # k of exp(-k t)
    sigma_per_mm: float  # its standard deviation; nan of two steps only
    full_light: float  # I0, in the unit of the readings
    residuals: Floats  # (n,) of the logarithms

    def __post_init__(self) -> None:
        _freeze(self, residuals=(self.residuals, np.float64, (None,)))


def fit_wedge(thickness_mm: Floats, readings: Floats, dark: float = 0.0) -> WedgeFit:
    """Fit the law of absorption to the readings of a step wedge.

    Parameters
    ----------
    thickness_mm : array_like (n,)
        Of the steps, two different ones at least [mm].
    readings : array_like (n,)
        Light through each, in any linear unit [-].
    dark : float
        Reading with the light off, taken away first [the readings' unit, -].
    """
    t, light = np.asarray(thickness_mm, float), np.asarray(readings, float) - dark
    if t.ndim != 1 or t.shape != light.shape or len(t) < 2:
        raise BadInput(f"{t.size} thicknesses and {light.size} readings, expected two or more of each")
    if not (np.isfinite(t).all() and (t >= 0).all() and np.isfinite(light).all() and (light > 0).all()):
        raise BadInput("thicknesses from 0 mm and readings above the dark one were expected")
    off = t - t.mean()
    spread = float(off @ off)
    if spread < 1e-6:
        raise BadInput(f"all steps are {t.mean():g} mm thick, expected at least two thicknesses")
    logs = np.log(light)
    slope = float(off @ logs) / spread
    k = -slope
    if not _LEAST_PER_MM <= k <= _MOST_PER_MM:
        raise BadInput(
            f"light falls off by {k:.3f} per mm, expected {_LEAST_PER_MM:g} to {_MOST_PER_MM:g}: "
            "look at the readings"
        )
    rest = logs - logs.mean() - slope * off
    sigma = float(np.sqrt(rest @ rest / (len(t) - 2) / spread)) if len(t) > 2 else float("nan")
    return WedgeFit(k, sigma, float(np.exp(logs.mean() - slope * t.mean())), rest)


def tones_told_apart(range_mm: float, wall_sigma_mm: float) -> float:
    """Return how many tones can be told apart: range of the wall by twice its uncertainty, and one.

    Parameters
    ----------
    range_mm : float
        From the thinnest to the thickest wall of a relief [mm].
    wall_sigma_mm : float
        Standard deviation of the wall as it is known [mm].
    """
    if not (range_mm >= 0 and wall_sigma_mm > 0):
        raise BadInput(
            f"range {range_mm:g} and uncertainty {wall_sigma_mm:g} mm: expected 0 or more, above 0"
        )
    return range_mm / (2.0 * wall_sigma_mm) + 1.0


def diffusion_slab(
    absorbed_per_mm: float, scattered_per_mm: float, thickness_mm: float, mismatch: float = 1.0
) -> float:
    """Return the share of light through a slab in the diffusion approximation.

    With z0 = 1 / (ma + ms'), D = z0 / 3, ze = 2 A D and kappa = sqrt(3 ma (ma + ms')): T = sinh(kappa (z0 +
    ze)) cosh(kappa ze) / sinh(kappa (L + 2 ze)); without absorption (z0 + ze) / (L + 2 ze).

    Parameters
    ----------
    absorbed_per_mm : float
        Absorption coefficient [1/mm].
    scattered_per_mm : float
        Reduced scattering coefficient [1/mm].
    thickness_mm : float
        L, several times 1 / scattering for the approximation to hold [mm].
    mismatch : float
        A of the boundary, 1 without reflection [-].
    """
    z0 = 1.0 / (absorbed_per_mm + scattered_per_mm)
    ze = 2.0 * mismatch * z0 / 3.0
    kappa = effective_per_mm(absorbed_per_mm, scattered_per_mm)
    if kappa * thickness_mm < 1e-6:
        return (z0 + ze) / (thickness_mm + 2.0 * ze)
    through = np.sinh(kappa * (z0 + ze)) * np.cosh(kappa * ze) / np.sinh(kappa * (thickness_mm + 2.0 * ze))
    return float(through)


def effective_per_mm(absorbed_per_mm: float, scattered_per_mm: float) -> float:
    """Return the fall of light deep in turbid matter, sqrt(3 ma (ma + ms')) [1/mm]: k of a thick wall.

    Parameters
    ----------
    absorbed_per_mm, scattered_per_mm : float
        Absorption and reduced scattering [1/mm].
    """
    return float(np.sqrt(3.0 * absorbed_per_mm * (absorbed_per_mm + scattered_per_mm)))


def kubelka_munk(absorbed_per_mm: float, scattered_per_mm: float, thickness_mm: float) -> tuple[float, float]:
    """Return the share of diffuse light through a layer and back from it over black.

    With a = (S + K) / S and b = sqrt(a^2 - 1): T = b / (a sinh(b S X) + b cosh(b S X)), R0 = sinh(b S X) by
    the same; without absorption T = 1 / (1 + S X).

    Parameters
    ----------
    absorbed_per_mm, scattered_per_mm : float
        K and S [1/mm].
    thickness_mm : float
        X [mm].
    """
    a = (scattered_per_mm + absorbed_per_mm) / scattered_per_mm
    b = float(np.sqrt(max(a * a - 1.0, 0.0)))
    x = b * scattered_per_mm * thickness_mm
    if x < 1e-6:
        through = 1.0 / (1.0 + scattered_per_mm * thickness_mm)
        return through, 1.0 - through
    below = a * np.sinh(x) + b * np.cosh(x)
    return float(b / below), float(np.sinh(x) / below)


def back_from_thick(absorbed_by_scattered: float) -> float:
    """Return the share of light that comes back from a layer so thick that nothing gets through.

    Parameters
    ----------
    absorbed_by_scattered : float
        K / S [-].
    """
    a = 1.0 + absorbed_by_scattered
    return float(a - np.sqrt(a * a - 1.0))
