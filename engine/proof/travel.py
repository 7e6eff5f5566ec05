"""Is the picture the right way round, and does a rapid run through the piece?"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from engine.frames import lonlat_of
from engine.proof.depths import nearest_foot
from engine.proof.design import Design
from engine.proof.grid import Grid, covering_arc
from engine.proof.moves import Samples
from engine.records import (
    Bools,
    Floats,
    Surface,
)
from engine.surface import radius_at

if TYPE_CHECKING:
    pass

_SAME_AXIS_MM = 0.1  # a rapid plunge must run in ground cut along the same line, to this


def mirror_scores(grid: Grid, design: Design, depth: Floats) -> tuple[float, float, float] | None:
    """Return how well the cut agrees with the design, with its mirror picture, and the design with its own.

    Correlations of depth, weighted by area; None when nothing is wanted or nothing is cut.

    `depth` [mm].
    """
    asked, done = design.asked, np.minimum(depth, design.wall)
    columns = np.flatnonzero(asked.any(axis=0))
    if len(columns) == 0 or not done.any():
        return None
    if grid.full:  # the middle of the shortest arc that holds the design
        first, width = covering_arc([(float(a), float(a)) for a in grid.lon[columns]])
        twice = round((2 * first + width - 2 * grid.lon[0]) / grid.lon_step)
        back = (twice - np.arange(len(grid.lon))) % len(grid.lon)
        mirrored = asked[:, back]
    else:
        back = columns[0] + columns[-1] - np.arange(len(grid.lon))
        ok = (back >= 0) & (back < len(grid.lon))
        mirrored = np.where(ok, asked[:, np.where(ok, back, 0)], 0.0)
    return (
        _correlation(grid, done, asked),
        _correlation(grid, done, mirrored),
        _correlation(grid, asked, mirrored),
    )


def _correlation(grid: Grid, one: Floats, other: Floats) -> float:
    weight = grid.area / grid.area.sum()
    a, b = one - np.sum(weight * one), other - np.sum(weight * other)
    size = math.sqrt(float(np.sum(weight * a * a)) * float(np.sum(weight * b * b)))
    return float(np.sum(weight * a * b)) / size if size > 0 else 0.0


def travel_inside(
    surface: Surface, samples: Samples, rapid: Bools, cutting: Bools
) -> tuple[float, int, tuple[float, float]]:
    """Return the deepest point of a rapid below the skin [mm], its program row and its place [deg].

    A move along the cutter's own axis is allowed where the cutter has been before: outwards from where it
    stands, and inwards in ground that was cut along the same line.
    """
    size = np.linalg.norm(samples.tip, axis=1)
    below = np.zeros(len(size), bool)
    below[rapid] = size[rapid] < radius_at(surface, samples.tip[rapid]) - 1e-6
    worst, worst_row, place = 0.0, -1, (0.0, 0.0)
    for row in np.unique(samples.row[below]):
        own = np.arange(*np.searchsorted(samples.row, [row, row + 1]))
        if own[0] == 0 or _along_own_axis(samples, int(own[0]), int(own[-1]), cutting):
            continue
        at = own[below[own]]
        depth, _ = nearest_foot(surface, samples.tip[at])
        deepest = int(np.argmax(depth))
        if depth[deepest] > worst:
            lon, lat = lonlat_of(samples.tip[at[deepest]])
            worst, worst_row = float(depth[deepest]), int(row)
            place = math.degrees(float(lon)), math.degrees(float(lat))
    return worst, worst_row, place


def _along_own_axis(samples: Samples, first: int, last: int, cutting: Bools) -> bool:
    """Return whether the move of samples first .. last runs along the cutter's axis in ground that is cut."""
    start, end = samples.tip[first - 1], samples.tip[last]
    along = samples.direction[last]
    way = end - start
    if float(samples.direction[first - 1] @ along) < 1.0 - 1e-7:
        return False
    if float(np.linalg.norm(way - (way @ along) * along)) > _SAME_AXIS_MM / 2:
        return False
    if float(way @ along) >= 0.0:
        return True
    done = np.flatnonzero(cutting[:first])
    off = samples.tip[done] - end
    height = off @ along
    aside = np.linalg.norm(off - height[:, None] * along, axis=1)
    parallel = samples.direction[done] @ along > 1.0 - 1e-4
    return bool(np.any((aside <= _SAME_AXIS_MM) & (height <= 0.05) & parallel))
