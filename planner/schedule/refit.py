"""How long did lanterns last here? The life model fitted again from night walks, those still sound counted.

A life is measured in shares of the default model's mean, day by day as warm as it was: `used`. Under the
model `used` is Weibull with mean `factor`; fitted are the shape, by which factor lives of each treatment and
lot are longer or shorter, and by how much the halving temperature is off. A lantern that was seen sound and
later seen done ended between the two walks; one still sound has lasted so long (censored likelihood of a
parametric life, Lawless 2003, chapter 6, from memory). Few lanterns move a factor little: ln factors have a
normal prior about 0 (spread 0.25 for groups, 0.15 for the warmth; common practice).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
GROUPS, WARMTH, ALL = 0.25, 0.15, 0.5
"""Prior spreads of ln factors: of one treatment or lot, of ten degrees, of everything."""
SHAPE, SHAPE_SPREAD = 3.5, 0.3
"""Prior of the Weibull shape: its middle, and the spread of its logarithm."""
_FEWEST = 4


@dataclass(frozen=True, slots=True)
class Stay:
    """One lantern on show: what it had used of a mean life when last seen sound, and when seen done.

    `used_until` is infinite while it is still sound. `warmer` is how much warmer than the reference it stood,
    on the average, in tens of degrees.
    """

    used_sound: float
    used_until: float
    warmer: float
    groups: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Refit:
    """What the walks say: factors on a mean life with 90 % bounds [-], by name; the Weibull shape [-]."""

    shape: float
    overall: tuple[float, float, float]
    warmth: tuple[float, float, float]
    """On a life for ten degrees more than the reference, beside the halving that is reckoned already."""
    groups: Mapping[str, tuple[float, float, float]]
    lanterns: int
    ended: int


def refit(stays: Sequence[Stay]) -> Refit | None:
    """Return the life model as the walks have it; None where fewer than four lanterns have ended.

    Parameters
    ----------
    stays : sequence of Stay
        Lanterns on show [-].
    """
    from scipy import optimize

    ended = sum(math.isfinite(stay.used_until) for stay in stays)
    if ended < _FEWEST:
        return None
    names = sorted({name for stay in stays for name in stay.groups})
    place = {name: 3 + n for n, name in enumerate(names)}
    rows = np.zeros((len(stays), 3 + len(names)))  # shape, all, warmth, groups
    rows[:, 1] = 1.0
    for n, stay in enumerate(stays):
        rows[n, 2] = stay.warmer
        for name in stay.groups:
            rows[n, place[name]] = 1.0
    sound = np.maximum(np.array([stay.used_sound for stay in stays]), 0.0)
    until = np.array([stay.used_until for stay in stays])
    middle = np.zeros(rows.shape[1])
    middle[0] = math.log(SHAPE)
    spread = np.array([SHAPE_SPREAD, ALL, WARMTH, *[GROUPS] * len(names)])

    def minus_log(p: Floats) -> float:
        shape = math.exp(p[0])
        scale = np.exp(rows[:, 1:] @ p[1:]) / math.gamma(1 + 1 / shape)
        with np.errstate(over="ignore"):
            first = (sound / scale) ** shape
            gone = -np.expm1(np.minimum(first - (until / scale) ** shape, -1e-12))
        likely = -first + np.where(np.isfinite(until), np.log(np.maximum(gone, 1e-300)), 0.0)
        return float(-likely.sum() + 0.5 * np.sum(((p - middle) / spread) ** 2))

    best = optimize.minimize(minus_log, middle, method="BFGS", options={"gtol": 1e-4})
    off = np.sqrt(np.maximum(np.diag(np.asarray(best.hess_inv)), 1e-8)) * 1.6448536

    def told(n: int) -> tuple[float, float, float]:
        return tuple(float(math.exp(best.x[n] + way * off[n])) for way in (0, -1, 1))  # type: ignore[return-value]

    return Refit(
        shape=math.exp(best.x[0]),
        overall=told(1),
        warmth=told(2),
        groups={name: told(n) for name, n in place.items()},
        lanterns=len(stays),
        ended=ended,
    )
