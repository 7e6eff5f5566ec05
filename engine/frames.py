"""Angles and directions: longitude and latitude to unit vectors and back."""

from __future__ import annotations

import numpy as np

from engine.records import Floats


def unit_of(longitude_rad: Floats | float, latitude_rad: Floats | float) -> Floats:
    """Return the direction of a longitude and latitude.

    Parameters
    ----------
    longitude_rad, latitude_rad : array_like
        Any shapes that broadcast [rad].

    Returns
    -------
    ndarray (..., 3)
        Unit vectors in the work frame [-].
    """
    lon, lat = np.broadcast_arrays(np.asarray(longitude_rad, float), np.asarray(latitude_rad, float))
    return np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)], axis=-1)


def lonlat_of(points: Floats) -> tuple[Floats, Floats]:
    """Return longitude in (-pi, pi] and latitude of points or directions.

    Parameters
    ----------
    points : ndarray (..., 3)
        Not at the origin [any length unit].

    Returns
    -------
    tuple of ndarray (...,)
        Longitude and latitude [rad].
    """
    x, y, z = points[..., 0], points[..., 1], points[..., 2]
    return np.arctan2(y, x), np.arctan2(z, np.hypot(x, y))


def normalised(vectors: Floats) -> Floats:
    """Return vectors of length 1 in the same directions.

    Parameters
    ----------
    vectors : ndarray (..., 3)
        None of them nought [any unit].
    """
    found: Floats = vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)
    return found


def near_longitude(longitude_rad: Floats, around_rad: float) -> Floats:
    """Return the same longitudes within half a turn of `around_rad` [rad]."""
    return around_rad + np.remainder(longitude_rad - around_rad + np.pi, 2 * np.pi) - np.pi
