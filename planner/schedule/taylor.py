"""How long do cutters last, by the venue's own change-outs? Taylor's law, with those still alive counted.

``v T^n = C`` with a spread: ``ln T = (ln C - ln v) / n + sigma z``, z standard normal. A cutter that was
changed because it was dull gives the density of its life, one still in use the chance of having lasted so
long (`censored`). Where nothing is censored the fit is the least-squares line through the logarithms.

Intervals come from the profile of the likelihood. Its limit is that of Student's t, or of F for the pair,
where nothing is censored; these are exact for a line. With lives that are not over the ratio of likelihoods
is too large on the average, by a factor that samples drawn from the fitted law tell: Bartlett's correction by
drawing again (Rocke 1989, Communications in Statistics 18:329-347, from memory; drawing the end of the look
under the condition of what was seen: Davison and Hinkley 1997, algorithm 3.1, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from planner.schedule.censored import Bools, Floats, climb

_LEAST_WORN = 4
_DRAWN = 400
"""Samples for the correction; its own error is then about 7 % of the limit, 4 % of a width."""


@dataclass(frozen=True, slots=True)
class _Seen:
    """What was seen, in logarithms, the top of its likelihood, and how far the pair may lie below it."""

    log_life: Floats
    log_speed: Floats
    ended: Bools
    least: float
    pair_limit: float

    def below(self, steep: float | None, log_c: float | None) -> float:
        """Return minus the log-likelihood's top where one or both of the constants are held."""
        return float(_held(self.log_life[None], self.log_speed[None], self.ended[None], steep, log_c)[0])


@dataclass(frozen=True, slots=True)
class TaylorFit:
    """Taylor's exponent [-] and constant [m/min], the spread of ln T [-], 90 % intervals of each alone."""

    exponent: float
    constant_m_per_min: float
    spread: float
    exponent_90: tuple[float, float]
    constant_90: tuple[float, float]
    worn: int
    alive: int
    _seen: _Seen | None = field(default=None, repr=False, compare=False)

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

    def holds(self, exponent: float, constant_m_per_min: float) -> bool:
        """Return whether a pair of constants lies in the 90 % region of the pair.

        The two are so closely tied (a steeper line has a larger constant) that the region is a thin slip of
        the rectangle of both intervals.

        Parameters
        ----------
        exponent : float
            Taylor's n, above 0 [-].
        constant_m_per_min : float
            Taylor's C, above 0 [m/min].
        """
        if self._seen is None:
            raise ValueError("this law was not fitted, so nothing is known of how far off it may be")
        return self._seen.below(1.0 / exponent, math.log(constant_m_per_min)) <= self._seen.pair_limit


def fit_taylor(
    minutes: ArrayLike, speed_m_per_min: ArrayLike, worn: Sequence[bool], seed: int = 0
) -> TaylorFit:
    """Return Taylor's law of cutters, those still alive counted as such.

    Parameters
    ----------
    minutes : array_like, (n,)
        Cut until the change, or until now [min].
    speed_m_per_min : array_like, (n,)
        Surface speeds; two different ones at least among the worn [m/min].
    worn : sequence of bool
        True = changed because it was dull; False = still alive, or lost by another cause [-].
    seed : int
        Of the samples that correct the intervals; one seed, one answer [-].
    """
    log_life, log_speed, ended = _checked(minutes, speed_m_per_min, worn)
    tops, places = climb(_columns(log_life[None], log_speed[None], None, None), ended[None])
    least, (theta, along, level) = float(tops[0]), (float(p) for p in places[0])
    steep, log_c = along / theta, -level / along
    if steep <= 0:
        raise ValueError("faster cutters lasted longer in these change-outs; they do not follow Taylor's law")
    cut_steep, cut_log_c, cut_pair = _limits(log_life, log_speed, ended, steep, log_c, 1.0 / theta, seed)
    seen = _Seen(log_life, log_speed, ended, least, least + 0.5 * cut_pair)
    steep_90 = _where_it_crosses(lambda x: seen.below(x, None), steep, least + 0.5 * cut_steep)
    log_c_90 = _where_it_crosses(lambda x: seen.below(None, x), log_c, least + 0.5 * cut_log_c)
    count = int(ended.sum())
    return TaylorFit(
        1.0 / steep,
        math.exp(log_c),
        1.0 / theta,
        (1.0 / steep_90[1], 1.0 / steep_90[0] if steep_90[0] > 0 else math.inf),
        (math.exp(log_c_90[0]), math.exp(min(log_c_90[1], 700.0))),
        count,
        len(ended) - count,
        seen,
    )


def _checked(minutes: ArrayLike, speed: ArrayLike, worn: Sequence[bool]) -> tuple[Floats, Floats, Bools]:
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


def _columns(log_life: Floats, log_speed: Floats, steep: float | None, log_c: float | None) -> Floats:
    """Return the columns (b, n, p) of the law, with none, one or both of its constants held."""
    one = np.ones_like(log_life)
    if steep is None and log_c is None:
        return np.stack([log_life, log_speed, one], axis=-1)
    if log_c is None:
        return np.stack([log_life + (steep or 0.0) * log_speed, one], axis=-1)
    if steep is None:
        return np.stack([log_life, log_speed - log_c], axis=-1)
    return np.stack([log_life + steep * (log_speed - log_c)], axis=-1)


def _held(
    log_life: Floats, log_speed: Floats, ended: Bools, steep: float | None, log_c: float | None
) -> Floats:
    return climb(_columns(log_life, log_speed, steep, log_c), ended)[0]


def _limits(
    log_life: Floats, log_speed: Floats, ended: Bools, steep: float, log_c: float, spread: float, seed: int
) -> tuple[float, float, float]:
    """Return by how much twice the log-likelihood may fall: for 1 / n, for ln C, and for the pair."""
    from scipy.special import chdtri

    count = int(ended.sum())
    if ended.all():
        return _line_cut(count), _line_cut(count), _line_cut(count, 2)
    life, over = _drawn_again(log_life, log_speed, ended, steep, log_c, spread, seed)
    speed = np.broadcast_to(log_speed, life.shape)
    fit_for = (over.sum(axis=1) >= _LEAST_WORN) & (np.ptp(np.where(over, speed, speed[:, :1]), axis=1) > 1e-6)
    life, over, speed = life[fit_for], over[fit_for], speed[fit_for]
    top = _held(life, speed, over, None, None)
    out = []
    for held, degrees in (((steep, None), 1), ((None, log_c), 1), ((steep, log_c), 2)):
        ratio = 2.0 * (_held(life, speed, over, *held) - top)
        factor = float(np.mean(np.maximum(ratio, 0.0))) / degrees
        out.append(max(1.0, factor) * float(chdtri(degrees, 0.1)))
    return out[0], out[1], out[2]


def _drawn_again(
    log_life: Floats, log_speed: Floats, ended: Bools, steep: float, log_c: float, spread: float, seed: int
) -> tuple[Floats, Bools]:
    """Return lives as the fitted law would have given them, and which would be over: (samples, cutters).

    One still alive was looked at now. One that is worn would have been looked at later than it ended: when,
    is drawn from the looks at the others, in their place on the scale of the law.
    """
    rng = np.random.default_rng(seed)
    middle = steep * (log_c - log_speed)
    z = (log_life - middle) / spread
    looks = np.sort(z[~ended])
    first = np.searchsorted(looks, z)
    later = len(looks) - first
    pick = first + np.floor(rng.random((_DRAWN, len(z))) * np.maximum(later, 1)).astype(int)
    look = np.where(later > 0, looks[np.minimum(pick, len(looks) - 1)], np.inf)
    look = np.where(ended, look, z)
    drawn = rng.standard_normal((_DRAWN, len(z)))
    return np.asarray(middle + spread * np.minimum(drawn, look)), drawn <= look


def _line_cut(worn: int, constants: int = 1) -> float:
    """Return the limit without censoring: n ln(1 + k F / (n - 2)), exact for k constants of a line."""
    from scipy.special import fdtri

    most = float(fdtri(constants, worn - 2, 0.9))  # of one constant: Student's t squared
    return worn * math.log1p(constants * most / (worn - 2))


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
