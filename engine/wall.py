"""How thick is the wall here? Readings on the skin, interpolated.

Between readings the wall is the posterior mean of a Gaussian process (Matern 5/2 on the chord, length 0.8,
common practice for a wall that was scraped by hand) about the mean reading; one reading means the same wall
everywhere.
"""

from __future__ import annotations

import numpy as np

from engine.frames import normalised, unit_of
from engine.records import Floats, Wall

_LENGTH = 0.8  # chord on the unit sphere [-]


def wall_at(wall: Wall, directions: Floats) -> Floats:
    """Return the wall's thickness along the skin's normal in given directions.

    Parameters
    ----------
    wall : Wall
        One reading or more.
    directions : ndarray (..., 3)
        Directions in the work frame [-].

    Returns
    -------
    ndarray (...,)
        Thickness [mm].
    """
    mean = float(wall.thickness_mm.mean())
    if len(wall.thickness_mm) == 1:
        return np.full(directions.shape[:-1], mean)
    spread, covariance, at = _readings_of(wall)
    weights = np.linalg.solve(covariance, wall.thickness_mm - mean)
    found: Floats = mean + spread * _correlation(normalised(directions) @ at.T) @ weights
    return found


def wall_deviation_at(wall: Wall, directions: Floats) -> Floats:
    """Return how well the wall is known in given directions: gauge, and gaps between readings.

    Parameters
    ----------
    wall : Wall
        One reading or more.
    directions : ndarray (..., 3)
        Directions in the work frame [-].

    Returns
    -------
    ndarray (...,)
        Standard deviation; a single reading is worth its gauge's everywhere [mm].
    """
    if len(wall.thickness_mm) == 1:
        return np.full(directions.shape[:-1], wall.sigma_mm)
    spread, covariance, at = _readings_of(wall)
    cover = spread * _correlation(normalised(directions) @ at.T)
    explained = np.sum(
        cover * np.linalg.solve(covariance, cover.reshape(-1, len(at)).T).T.reshape(cover.shape), -1
    )
    found: Floats = np.sqrt(np.maximum(spread - explained, 0.0))
    return found


def _readings_of(wall: Wall) -> tuple[float, Floats, Floats]:
    """Return the wall's own variance [mm2], the covariance of its readings, and their directions."""
    off = wall.thickness_mm - wall.thickness_mm.mean()
    # of the wall itself, apart from the gauge
    spread = max(float(np.var(off)) - wall.sigma_mm**2, 0.25)
    at = unit_of(wall.longitude_rad, wall.latitude_rad)
    covariance: Floats = spread * _correlation(at @ at.T) + wall.sigma_mm**2 * np.eye(len(off))
    return spread, covariance, at


def _correlation(cosine: Floats) -> Floats:
    s = np.sqrt(np.maximum(10.0 - 10.0 * cosine, 0.0)) / _LENGTH
    found: Floats = (1.0 + s + s * s / 3.0) * np.exp(-s)
    return found
