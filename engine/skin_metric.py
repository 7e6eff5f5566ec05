"""How long is a small step on the sheet, seen along the cutter? A tensor at each place of the sheet.

The sheet is not true to scale away from the middle of the design, and a cutter that leans cuts wider along
its lean. Both are in one tensor M at each point of the sheet: a small step v (sheet mm) has the length
sqrt(v M v) across the cutter's axis d,

    M = J^T (I - d d^T) J,      J = derivative of the skin point by the sheet.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from engine.records import Floats

_GRID_MM = 4.0  # spacing of the tensor's grid; ribs are ten times longer


@dataclass(frozen=True, slots=True, eq=False)
class SkinMetric:
    """The tensor M on a grid over the sheet: cubic spline coefficients of its three parts (E, F, G)."""

    left_mm: float
    bottom_mm: float
    spacing_mm: float
    parts: Floats  # (3, rows, columns)


def skin_metric(
    skin: Callable[[Floats], Floats],
    axis: Callable[[Floats, Floats], Floats],
    bounds: tuple[float, float, float, float],
) -> SkinMetric:
    """Return the tensor over the rectangle `bounds` of the sheet.

    Parameters
    ----------
    skin : callable
        Gives for sheet points (n, 2) [mm] the skin points (n, 3) [mm].
    axis : callable
        Gives for sheet points and their skin points the cutter's directions (n, 3) [-].
    bounds : tuple of float
        Left, bottom, right, top on the sheet [mm].
    """
    h = _GRID_MM
    left, bottom = bounds[0] - 3 * h, bounds[1] - 3 * h
    columns = int(np.ceil((bounds[2] + 3 * h - left) / h)) + 1
    rows = int(np.ceil((bounds[3] + 3 * h - bottom) / h)) + 1
    x, y = np.meshgrid(left + h * np.arange(columns), bottom + h * np.arange(rows))
    middle = np.stack([x, y], axis=-1).reshape(-1, 2)
    step = 0.25
    around = np.concatenate([middle + s for s in ([step, 0], [-step, 0], [0, step], [0, -step])])
    east, west, north, south = np.split(skin(around), 4)
    along_x, along_y = (east - west) / (2 * step), (north - south) / (2 * step)
    along = axis(middle, (east + west) / 2)
    along_x = along_x - np.sum(along_x * along, axis=1, keepdims=True) * along
    along_y = along_y - np.sum(along_y * along, axis=1, keepdims=True) * along
    parts = np.stack(
        [np.sum(a * b, axis=1) for a, b in ((along_x, along_x), (along_x, along_y), (along_y, along_y))]
    )
    return metric_of(left, bottom, h, parts.reshape(3, rows, columns))


def metric_of(left_mm: float, bottom_mm: float, spacing_mm: float, parts: Floats) -> SkinMetric:
    """Return the tensor whose parts (3, rows, columns) [-] are known on a grid over the sheet [mm]."""
    from scipy.ndimage import spline_filter

    coefficients = np.stack([spline_filter(part, order=3, mode="mirror") for part in parts])
    return SkinMetric(left_mm, bottom_mm, spacing_mm, coefficients)


def metric_at(metric: SkinMetric, points: Floats) -> Floats:
    """Return the tensor's parts (n, 3) = (E, F, G) at sheet points (n, 2) [mm2/mm2]."""
    from scipy.ndimage import map_coordinates

    at = np.stack([points[:, 1] - metric.bottom_mm, points[:, 0] - metric.left_mm]) / metric.spacing_mm
    return np.stack(
        [map_coordinates(part, at, order=3, mode="mirror", prefilter=False) for part in metric.parts], axis=1
    )


def mean_scale(metric: SkinMetric) -> float:
    """Return how many skin millimetres one sheet millimetre is, as a mean over places and directions [-]."""
    rows, columns = metric.parts.shape[1:]
    y, x = np.mgrid[0:rows, 0:columns].reshape(2, -1) * metric.spacing_mm
    e, f, g = metric_at(metric, np.stack([x + metric.left_mm, y + metric.bottom_mm], axis=1)).T
    return float(np.mean(np.maximum(e * g - f * f, 0.0) ** 0.25))
