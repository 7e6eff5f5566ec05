"""How long do cutters last, by the venue's own change-outs? Taylor's law, with those still alive counted.

``v T^n = C`` with a spread: ``ln T = (ln C - ln v) / n + sigma z``, z standard normal. A cutter that was
changed because it was dull gives the density of its life, one still in use the chance of having lasted so
long (right-censored maximum likelihood, Lawless 2003, chapter 6, from memory). Where nothing is censored the
fit is the least-squares line through the logarithms. Intervals come from the profile of the likelihood; its
limit is that of Student's t, which is exact for a line without censoring.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
_LEAST_WORN = 4


@dataclass(frozen=True, slots=True)
class TaylorFit:
    """Taylor's exponent [-] and constant [m/min], the spread of ln T [-], and 90 % intervals."""

    exponent: float
    constant_m_per_min: float
    spread: float
    exponent_90: tuple[float, float]
    constant_90: tuple[float, float]
    worn: int
    alive: int

    def life_min(self, speed_m_per_min: float, share: float = 0.5) -> float:
        """Return the life that a share of cutters does not reach at a speed [min].

        Parameters
        ----------
        speed_m_per_min : float
            Surface speed, above 0 [m/min].
        share : float
            0.5 = the median, 0.1 = nine in ten last longer [-].
        """
        from scipy.special import ndtri

        middle = (math.log(self.constant_m_per_min) - math.log(speed_m_per_min)) / self.exponent
        return math.exp(middle + self.spread * float(ndtri(share)))


def fit_taylor(minutes: ArrayLike, speed_m_per_min: ArrayLike, worn: Sequence[bool]) -> TaylorFit:
    """Return Taylor's law of cutters, those still alive counted as such.

    Parameters
    ----------
    minutes : array_like, (n,)
        Cut until the change, or until now [min].
    speed_m_per_min : array_like, (n,)
        Surface speeds; two different ones at least among the worn [m/min].
    worn : sequence of bool
        True = changed because it was dull; False = still alive, or lost by another cause [-].
    """
    log_life, log_speed, ended = _checked(minutes, speed_m_per_min, worn)
    one = np.ones_like(log_life)
    least, (theta, along, level) = _climb(np.column_stack([log_life, log_speed, one]), ended)
    steep, log_c = along / theta, -level / along
    if steep <= 0:
        raise ValueError("faster cutters lasted longer in these change-outs; they do not follow Taylor's law")
    count = int(ended.sum())
    limit = least + 0.5 * _cut(count)

    def steep_held(value: float) -> float:
        return _climb(np.column_stack([log_life + value * log_speed, one]), ended)[0]

    def log_c_held(value: float) -> float:
        return _climb(np.column_stack([log_life, log_speed - value]), ended)[0]

    steep_90 = _where_it_crosses(steep_held, steep, limit)
    log_c_90 = _where_it_crosses(log_c_held, log_c, limit)
    return TaylorFit(
        1.0 / steep,
        math.exp(log_c),
        1.0 / theta,
        (1.0 / steep_90[1], 1.0 / steep_90[0] if steep_90[0] > 0 else math.inf),
        (math.exp(log_c_90[0]), math.exp(min(log_c_90[1], 700.0))),
        count,
        len(ended) - count,
    )


def _checked(
    minutes: ArrayLike, speed: ArrayLike, worn: Sequence[bool]
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    life, fast, ended = np.asarray(minutes, float), np.asarray(speed, float), np.asarray(worn, bool)
    if not len(life) == len(fast) == len(ended):
        raise ValueError(
            f"{len(life)} lives, {len(fast)} speeds, {len(ended)} ends: expected as many of each"
        )
    if not (np.all(np.isfinite(life) & (life > 0)) and np.all(np.isfinite(fast) & (fast > 0))):
        raise ValueError("lives and speeds must be finite numbers above 0")
    if ended.sum() < _LEAST_WORN:
        raise ValueError(f"{ended.sum()} cutters were changed for wear, expected {_LEAST_WORN} at least")
    if np.ptp(np.log(fast[ended])) < 1e-6:
        raise ValueError("all worn cutters ran at one speed; an exponent needs two at least")
    return np.log(life), np.log(fast), ended


def _climb(columns: Floats, ended: NDArray[np.bool_]) -> tuple[float, Floats]:
    """Return the least minus log-likelihood and where it is, for z = columns @ p with p[0] = 1 / sigma.

    In this form the likelihood is concave (Olsen 1978, Econometrica 46:1211-1215, from memory), so Newton's
    way, with steps halved where they go too far, finds its one top.
    """
    from scipy.special import log_ndtr

    worn, alive = columns[ended], columns[~ended]

    def height(p: Floats) -> float:
        if p[0] <= 0:
            return math.inf
        z = worn @ p
        known = np.sum(0.5 * z**2 + 0.5 * math.log(2 * math.pi)) - len(worn) * math.log(p[0])
        return float(known - np.sum(log_ndtr(-(alive @ p))))

    at = _start(worn)
    now = height(at)
    for _ in range(200):
        z, beyond = worn @ at, alive @ at
        hazard = np.exp(-0.5 * beyond**2 - 0.5 * math.log(2 * math.pi) - log_ndtr(-beyond))
        slope = worn.T @ z + alive.T @ hazard
        slope[0] -= len(worn) / at[0]
        bend = worn.T @ worn + (alive.T * (hazard * (hazard - beyond))) @ alive
        bend[0, 0] += len(worn) / at[0] ** 2
        step = np.linalg.solve(bend, slope)
        if float(slope @ step) < 1e-12:
            break
        share = 1.0
        while share > 1e-10 and height(at - share * step) > now - 1e-4 * share * float(slope @ step):
            share *= 0.5
        at = at - share * step
        now = height(at)
    return now, at


def _start(worn: Floats) -> Floats:
    """Return the least-squares line of the worn ones in the same form."""
    rest = worn[:, 1:]
    line, *_ = np.linalg.lstsq(rest, worn[:, 0], rcond=None)
    spread = max(float(np.sqrt(np.mean((worn[:, 0] - rest @ line) ** 2))), 1e-3)
    return np.concatenate([[1.0], -line]) / spread


def _cut(worn: int) -> float:
    """Return by how much twice the log-likelihood may fall: n ln(1 + t^2 / (n - 2)), exact for a line."""
    from scipy.special import stdtrit

    t = float(stdtrit(worn - 2, 0.95))
    return worn * math.log1p(t**2 / (worn - 2))


def _where_it_crosses(profile: Callable[[float], float], best: float, limit: float) -> tuple[float, float]:
    from scipy.optimize import brentq

    def above(value: float) -> float:
        return profile(value) - limit

    ends = []
    for way in (-1.0, 1.0):
        step, edge = 0.05 * max(abs(best), 0.1), best
        for _ in range(40):
            edge = best + way * step
            if edge <= 1e-3 or above(edge) > 0:
                break
            step *= 1.6
        if edge <= 1e-3:  # on this side nothing is ruled out
            ends.append(0.0)
        else:
            ends.append(float(brentq(above, best, edge, xtol=1e-6)))
    return ends[0], ends[1]
