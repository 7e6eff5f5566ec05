"""Where do the lives of cutters stand on a sheet of logarithms? Numbers; the template draws.

::

    x = left + width * log(speed / lowest speed) / log(highest / lowest)
    y = top + height - height * log(life / shortest life) / log(longest / shortest)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from planner.services.ledger_life import Life, LifeModel

LEFT, TOP, WIDTH, HEIGHT = 70.0, 14.0, 550.0, 260.0


@dataclass(frozen=True, slots=True)
class Tick:
    """A mark on an axis."""

    at: float
    words: str


@dataclass(frozen=True, slots=True)
class Point:
    """A life on the sheet."""

    x: float
    y: float
    life: Life


@dataclass(frozen=True, slots=True)
class LifeChart:
    """A type's lives in one material, drawn: points, and the lines that 90 %, 50 % and 10 % reach."""

    model: LifeModel
    points: tuple[Point, ...]
    lines: tuple[str, ...]
    speeds: tuple[Tick, ...]
    minutes: tuple[Tick, ...]


def drawn(model: LifeModel) -> LifeChart:
    """Return where everything stands.

    Parameters
    ----------
    model : LifeModel
        Lives, and their law where there is one [-].
    """
    curve = model.curve()
    speeds = [life.speed_m_per_min for life in model.points] + [row[0] for row in curve]
    minutes = [life.minutes for life in model.points] + [value for row in curve for value in row[1:]]
    low_v, high_v = _range(speeds)
    low_t, high_t = _range(minutes)

    def x(speed: float) -> float:
        return LEFT + WIDTH * math.log(speed / low_v) / math.log(high_v / low_v)

    def y(life: float) -> float:
        return TOP + HEIGHT - HEIGHT * math.log(life / low_t) / math.log(high_t / low_t)

    return LifeChart(
        model,
        tuple(Point(x(life.speed_m_per_min), y(life.minutes), life) for life in model.points),
        tuple(" ".join(f"{x(row[0]):.1f},{y(row[n]):.1f}" for row in curve) for n in (1, 2, 3) if curve),
        tuple(Tick(x(value), f"{value:g}") for value in _round_ones(low_v, high_v)),
        tuple(Tick(y(value), f"{value:g}") for value in _round_ones(low_t, high_t)),
    )


def _range(values: Sequence[float]) -> tuple[float, float]:
    """Return a tenth below the least and a tenth above the largest, so that nothing lies on the edge."""
    return min(values) / 1.1, max(values) * 1.1


def _round_ones(low: float, high: float) -> list[float]:
    """Return 1, 2, 3, 5 and 7 of each ten between two limits; every other one where they are many."""
    tens = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    found = [step * 10.0**ten for ten in tens for step in (1, 1.5, 2, 3, 5, 7)]
    inside = [value for value in found if low <= value <= high]
    return inside if len(inside) <= 8 else inside[:: math.ceil(len(inside) / 8)]
