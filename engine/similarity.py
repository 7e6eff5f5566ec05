"""How alike do two looks seem? Structural similarity, which weighs light, contrast and structure together.

Wang, Bovik, Sheikh, Simoncelli 2004, IEEE Trans. Image Process. 13:600-612, eqs. 13 and 15, with their
Gaussian window of 11 pixels, deviation 1.5, K1 = 0.01, K2 = 0.03 (from memory)::

    SSIM = (2 mx my + C1) (2 sxy + C2) / ((mx^2 + my^2 + C1) (sx^2 + sy^2 + C2)),   C = (K L)^2
"""

from __future__ import annotations

import numpy as np

from engine.errors import BadInput
from engine.records import Bools, Floats

_K1, _K2 = 0.01, 0.03
_SIGMA_PX, _REACH = 1.5, 5 / 1.5  # a window of 11 pixels


def similarity_map(one: Floats, other: Floats, full: float = 1.0) -> Floats:
    """Return the structural similarity about every pixel of two grey pictures.

    Parameters
    ----------
    one, other : ndarray (h, w)
        Grey pictures of the same size, at least 11 pixels each way [-].
    full : float
        The range of values, L [-].
    """
    from scipy.ndimage import gaussian_filter

    one, other = np.asarray(one, float), np.asarray(other, float)
    if one.shape != other.shape or one.ndim != 2 or min(one.shape) < 11:
        raise BadInput(f"pictures of {one.shape} and {other.shape}, expected two alike of 11 pixels and more")

    def mean(values: Floats) -> Floats:
        smoothed: Floats = gaussian_filter(values, _SIGMA_PX, truncate=_REACH)
        return smoothed

    c1, c2 = (_K1 * full) ** 2, (_K2 * full) ** 2
    mx, my = mean(one), mean(other)
    sxx, syy, sxy = mean(one * one) - mx * mx, mean(other * other) - my * my, mean(one * other) - mx * my
    found: Floats = (2 * mx * my + c1) * (2 * sxy + c2) / ((mx * mx + my * my + c1) * (sxx + syy + c2))
    return found


def similarity(one: Floats, other: Floats, full: float = 1.0, where: Bools | None = None) -> float:
    """Return the mean structural similarity of two grey pictures, 1 for the same picture.

    Parameters
    ----------
    one, other : ndarray (h, w)
        Grey pictures [-].
    full : float
        The range of values [-].
    where : ndarray (h, w), optional
        Pixels that count; without it all that the whole window reaches [-].
    """
    each = similarity_map(one, other, full)
    if where is None:
        return float(each[5:-5, 5:-5].mean())
    return float(each[where].mean())
