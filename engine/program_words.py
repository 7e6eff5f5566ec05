"""What do writer and reader of programs agree on? Names of the head, decimals and limits of axis values."""

from __future__ import annotations

import numpy as np

from engine.records import Axis, Bools, Floats

HEADER_KEYS = ("job", "workpiece", "scan", "machine", "cutter", "written by")
"""What the first comments of a program name, in this order."""


def digits_of(axis: Axis) -> int:
    """Return how many decimals an axis's values have in a program: rotary 4, linear 3."""
    return 4 if axis.kind == "rotary" else 3


def outside_limits(axis: Axis, values: Floats) -> Bools:
    """Return which values [mm] or [deg] lie outside an axis's limits by more than rounding, or are none."""
    spare = 0.51 * 10.0 ** -digits_of(axis)
    low = -np.inf if axis.minimum is None else axis.minimum - spare
    high = np.inf if axis.maximum is None else axis.maximum + spare
    return np.asarray(~((values >= low) & (values <= high) & np.isfinite(values)), bool)


def range_words(axis: Axis) -> str:
    """Return an axis's limits in words."""
    if axis.minimum is None and axis.maximum is None:
        return "expected a number"
    low = "no limit" if axis.minimum is None else f"{axis.minimum:g}"
    high = "no limit" if axis.maximum is None else f"{axis.maximum:g}"
    return f"limits {low} to {high}"
