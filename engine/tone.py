"""How thick must the wall stay to glow in a given tone? From signal to light to remaining wall.

Light through flesh falls off as T = exp(-k t) with the wall t (Swinehart, J. Chem. Educ. 39, 1962, 333, from
memory), k measured on the lot's own step wedge. The brightest tone gets the thinnest wall that is allowed,
the darkest the thickest that is left once the skin is off, and between them the light is linear in the
tone's luminance::

    luminance 1 ---- wall = thinnest        T = T(thinnest)
              |      T = T(thickest) + luminance (T(thinnest) - T(thickest)),   wall = -ln(T) / k
    luminance 0 ---- wall = thickest        T = T(thickest)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from engine.records import Bools, Floats, Rules, ToneField, _freeze

# IEC 61966-2-1:1999, clause 5.2: the two branches meet within 2.4e-9 of each other
_SLOPE, _OFFSET, _EXPONENT = 12.92, 0.055, 2.4
_SIGNAL_KNEE, _LIGHT_KNEE = 0.04045, 0.0031308
_LEAST_WALL_MM = 3.0  # common practice: below that a wall breaks through or wilts within the night


def decoded(signal: Floats) -> Floats:
    """Return the linear light of an sRGB signal.

    Parameters
    ----------
    signal : ndarray
        Encoded values, 0 to 1 [-].

    Returns
    -------
    ndarray
        Linear light, 0 to 1 [-].
    """
    value = np.asarray(signal, float)
    curved = ((np.maximum(value, _SIGNAL_KNEE) + _OFFSET) / (1 + _OFFSET)) ** _EXPONENT
    return np.where(value <= _SIGNAL_KNEE, value / _SLOPE, curved)


def encoded(light: Floats) -> Floats:
    """Return the sRGB signal of linear light.

    Parameters
    ----------
    light : ndarray
        Linear light, 0 to 1 [-].

    Returns
    -------
    ndarray
        Encoded values, 0 to 1 [-].
    """
    value = np.asarray(light, float)
    curved = (1 + _OFFSET) * np.maximum(value, _LIGHT_KNEE) ** (1 / _EXPONENT) - _OFFSET
    return np.where(value <= _LIGHT_KNEE, value * _SLOPE, curved)


def transmission(wall_mm: Floats, light_per_mm: float) -> Floats:
    """Return the share of light that comes through a wall.

    Parameters
    ----------
    wall_mm : ndarray
        Thickness [mm].
    light_per_mm : float
        k of exp(-k t) [1/mm].

    Returns
    -------
    ndarray
        Share of the light [-].
    """
    return np.exp(-light_per_mm * np.asarray(wall_mm, float))


@dataclass(frozen=True, slots=True, eq=False)
class RemainingWall:
    """What is left of the wall under each tone, and where it is less than the rules ask."""

    wall_mm: Floats  # (n,) remaining wall
    thin: Bools  # (n,) the wall is too thin for any tone: only the skin is taken off
    uncut: Bools  # (n,) of these, too thin even for that: nothing is cut

    def __post_init__(self) -> None:
        _freeze(
            self,
            wall_mm=(self.wall_mm, np.float64, (None,)),
            thin=(self.thin, np.bool_, (None,)),
            uncut=(self.uncut, np.bool_, (None,)),
        )


def wall_for(luminance: Floats, local_wall_mm: Floats, rules: Rules) -> RemainingWall:
    """Return the wall that must remain for given tones.

    Where the wall is thinner than the thinnest allowed and the skin together, only the skin is taken off,
    and not even that where less than 3 mm would remain.

    Parameters
    ----------
    luminance : ndarray (n,)
        Linear light wanted, 0 dark to 1 bright [-].
    local_wall_mm : ndarray (n,)
        Wall before the cut [mm].
    rules : Rules
        Thinnest and thickest wall, skin and the lot's k.
    """
    tone = np.clip(np.asarray(luminance, float), 0.0, 1.0)
    local = np.asarray(local_wall_mm, float)
    under_skin = local - rules.relief_skin_mm
    thinnest = rules.relief_min_wall_mm
    thickest = np.maximum(np.minimum(under_skin, rules.relief_max_wall_mm), thinnest)
    dark, bright = transmission(thickest, rules.light_per_mm), np.exp(-rules.light_per_mm * thinnest)
    wall = -np.log(dark + tone * (bright - dark)) / rules.light_per_mm
    thin = under_skin < thinnest
    uncut = thin & (under_skin < _LEAST_WALL_MM)
    # clipped, for the logarithm may miss an end by the last digit
    left = np.where(thin, under_skin, np.clip(wall, thinnest, thickest))
    return RemainingWall(wall_mm=np.where(uncut, local, left), thin=thin, uncut=uncut)


def tones_at(tones: ToneField | None, sheet: Floats) -> tuple[Floats, Bools]:
    """Return the luminance over each place of the sheet, and where there is one.

    Between pixels it is bilinear; pixels beside the mask do not count.

    Parameters
    ----------
    tones : ToneField or None
        The tone picture; without one there is no tone anywhere.
    sheet : ndarray (..., 2)
        Places on the sheet [mm].

    Returns
    -------
    tuple of ndarray (...)
        Linear luminance, 0 to 1 [-], and True where the relief is cut.
    """
    from scipy.ndimage import map_coordinates

    if tones is None:
        return np.zeros(sheet.shape[:-1]), np.zeros(sheet.shape[:-1], bool)
    height, width = tones.mask.shape
    # the middle of pixel (0, 0) lies half a pixel inside the picture's upper left corner
    row = height / 2 - sheet[..., 1] / tones.pixel_mm - 0.5
    column = sheet[..., 0] / tones.pixel_mm + width / 2 - 0.5
    weights = np.pad(tones.mask.astype(float), 1)
    light = np.pad(np.where(tones.mask, tones.luminance, 0.0), 1)
    at = [row + 1, column + 1]
    weight = map_coordinates(weights, at, order=1, mode="constant")
    inside = map_coordinates(weights, at, order=0, mode="constant") > 0.5
    found = map_coordinates(light, at, order=1, mode="constant") / np.where(weight > 0, weight, 1.0)
    return found, inside & (weight > 0)


def lightness(luminance: Floats) -> Floats:
    """Return how light a luminance seems, L* of ISO/CIE 11664-4:2019, 0 to 100.

    Parameters
    ----------
    luminance : ndarray
        Relative luminance, 0 to 1 [-].
    """
    y = np.asarray(luminance, float)
    knee, slope = 216 / 24389, 24389 / 27  # epsilon and kappa of the standard
    return np.where(y > knee, 116 * np.cbrt(np.maximum(y, knee)) - 16, slope * y)
