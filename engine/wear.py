"""How much of a cutter's life does a run use up.

Taylor's equation ``v T^n = C`` gives the life T [min] at a surface speed v [m/min]; lives used at different
speeds add up as fractions (Miner 1945). Exponent and constant are refitted from the venue's own change-outs.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from engine.errors import BadInput
from engine.records import Cutter, Floats, Life, RunEstimate


def surface_speed(diameter_mm: float, rpm: float) -> float:
    """Return the speed of the edge, pi d n / 1000.

    Parameters
    ----------
    diameter_mm : float
        The cutter's diameter [mm].
    rpm : float
        The spindle's speed [1/min].

    Returns
    -------
    float
        Surface speed [m/min].
    """
    return float(np.pi * diameter_mm * rpm / 1000.0)


def life_min(life: Life, speed_m_per_min: float) -> float:
    """Return how long a cutter lasts at a surface speed, T = (C / v)^(1 / n).

    Parameters
    ----------
    life : Life
        Taylor's exponent and constant [-], [m/min].
    speed_m_per_min : float
        Surface speed, above 0 [m/min].

    Returns
    -------
    float
        Minutes of cutting [min].
    """
    if not speed_m_per_min > 0.0:
        raise BadInput(f"surface speed {speed_m_per_min:g} m/min, expected more than 0")
    return float((life.constant_m_per_min / speed_m_per_min) ** (1.0 / life.exponent))


def miner_sum(minutes: Floats, lives_min: Floats) -> float:
    """Return the fraction of life used by cutting at several speeds, the sum of t / T.

    Parameters
    ----------
    minutes : array_like (n,)
        Time cut at each speed [min].
    lives_min : array_like (n,)
        Life at each speed [min].

    Returns
    -------
    float
        1 is a cutter at the end of its life [-].
    """
    return float(np.sum(np.asarray(minutes, float) / np.asarray(lives_min, float)))


def taylor_from_points(speeds_m_per_min: Floats, lives_min: Floats, material: str = "") -> Life:
    """Fit Taylor's exponent and constant to lives seen at two speeds or more.

    Two points are met exactly; more by least squares of log v over log T.

    Parameters
    ----------
    speeds_m_per_min : array_like (n,)
        Surface speeds, at least two different ones [m/min].
    lives_min : array_like (n,)
        Lives seen at them [min].
    material : str
        What was cut [-].

    Returns
    -------
    Life
        Exponent [-] and constant [m/min].
    """
    speeds, lives = np.asarray(speeds_m_per_min, float), np.asarray(lives_min, float)
    if speeds.shape != lives.shape or speeds.ndim != 1 or len(speeds) < 2:
        raise BadInput(f"{speeds.size} speeds and {lives.size} lives, expected two or more of each")
    if not ((speeds > 0.0) & np.isfinite(speeds) & (lives > 0.0) & np.isfinite(lives)).all():
        raise BadInput("speeds and lives of cutters must be above 0")
    log_speed, log_life = np.log(speeds), np.log(lives)
    spread = log_life - log_life.mean()
    if not spread @ spread > 1e-12:
        raise BadInput("lives of cutters are all equal, expected lives at two different speeds")
    exponent = -float(spread @ log_speed) / float(spread @ spread)
    if not exponent > 0.0:
        raise BadInput(
            f"exponent {exponent:.3f}: cutters would last longer at higher speed; look at the points"
        )
    return Life(material, exponent, float(np.exp(log_speed.mean() + exponent * log_life.mean())))


def speed_of_most_output(life: Life, change_min: float) -> float:
    """Return the surface speed at which most is cut in a day, cutter changes included [m/min].

    C / ((1 / n - 1) Tt)^n: Taylor's equation put into the time a piece takes, and that made least (Groover,
    *Fundamentals of Modern Manufacturing*, machining economics; from memory).

    Parameters
    ----------
    life : Life
        Exponent and constant.
    change_min : float
        One change of a cutter [min].
    """
    _check_above_nought("cutter change of", change_min, "min")
    return float(life.constant_m_per_min / ((1 / life.exponent - 1) * change_min) ** life.exponent)


def speed_of_least_cost(life: Life, change_min: float, cost_per_min: float, cost_per_cutter: float) -> float:
    """Return the surface speed at which a piece costs least, time and cutters together [m/min].

    C (n / (1 - n) Co / (Co Tt + Ct))^n, from the same source.

    Parameters
    ----------
    life : Life
        Exponent and constant.
    change_min : float
        One change of a cutter [min].
    cost_per_min : float
        Of machine and people [money/min].
    cost_per_cutter : float
        Of one cutter's edge [money].
    """
    _check_above_nought("cutter change of", change_min, "min")
    _check_above_nought("cost of", cost_per_min, "a minute")
    n = life.exponent
    share = n / (1 - n) * cost_per_min / (cost_per_min * change_min + cost_per_cutter)
    return float(life.constant_m_per_min * share**n)


def _check_above_nought(what: str, value: float, unit: str) -> None:
    if not value > 0:
        raise BadInput(f"{what} {value:g} {unit}: more than nought was expected")


EVEN_LAND_MM, WORST_LAND_MM = 0.3, 0.5
"""Width of the worn flank at which a milling cutter is worn out: mean of all teeth, and of any one place."""


def worn_out(even_land_mm: float, worst_land_mm: float) -> bool:
    """Tell whether a cutter is worn out by its flank wear: ISO 8688-2:1989 (numbers from memory).

    Parameters
    ----------
    even_land_mm : float
        Width of the wear land, averaged over all teeth [mm].
    worst_land_mm : float
        Its largest width on any tooth [mm].
    """
    return even_land_mm >= EVEN_LAND_MM or worst_land_mm >= WORST_LAND_MM


def wear_fractions(estimate: RunEstimate, cutters: Sequence[Cutter]) -> tuple[float, ...]:
    """Return the fraction of each cutter's life that a run uses up.

    Parameters
    ----------
    estimate : RunEstimate
        Cutting time by cutter [s].
    cutters : sequence of Cutter
        The job's cutters, in the order of the estimate [-].

    Returns
    -------
    tuple of float
        Minutes cut by life in minutes at the cutter's surface speed [-].
    """
    pairs = zip(estimate.cutting_s_by_cutter, cutters, strict=True)
    return tuple(
        seconds / 60.0 / life_min(cutter.life, surface_speed(cutter.diameter_mm, cutter.rpm))
        for seconds, cutter in pairs
    )
