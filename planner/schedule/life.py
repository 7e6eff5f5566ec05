"""How long does a carved lantern last on show?

The default model: at a steady temperature T it lasts `L(T) = 6 d x 2^((15 - T) / 10)` on the average, because
respiration about halves with every 10 degrees less (Q10 = 2; NC State Extension, HIL-24-C). Under changing
temperatures every day uses `1 / L(T)` of a life. Multipliers are common practice. Lives spread like a Weibull
law of shape 3.5 (assumed). All of it is a setting, to be fitted again from the venue's own night walks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LifeModel:
    """The settings of the life model; multipliers are common practice."""

    days_at_reference: float = 6.0
    reference_c: float = 15.0
    halving_c: float = 10.0
    """So many degrees more halve a life."""
    shape: float = 3.5
    """Of the Weibull law; larger is less spread."""
    season: float = 1.0
    """A multiplier for every lantern of the season."""
    relief: float = 0.7
    wide_open: float = 0.8
    wide_open_share: float = 0.45
    """Above so large an open share a lantern counts as wide open."""
    candle: float = 0.7
    dipped: float = 1.0
    """Dip and mist: 1.0 to 1.2, the evidence contradicts itself."""
    frost_c: float = -1.5
    """Colder than this a lantern is dead when it thaws."""

    def __post_init__(self) -> None:
        for name in ("days_at_reference", "halving_c", "shape", "season", "relief", "wide_open", "candle"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise ValueError(f"{name} is {value}, expected a number above 0")


def days_of_life(model: LifeModel, temperature_c: ArrayLike) -> Floats:
    """Return the mean life at a steady temperature [d].

    Parameters
    ----------
    model : LifeModel
        The settings [-].
    temperature_c : array_like
        Of the air [degree Celsius].
    """
    warmer = np.asarray(temperature_c, dtype=np.float64) - model.reference_c
    days = model.days_at_reference * model.season * 2.0 ** (-warmer / model.halving_c)
    return np.where(np.asarray(temperature_c) < model.frost_c, 0.0, days)


def life_used(model: LifeModel, temperature_c: ArrayLike, days: ArrayLike = 1.0) -> Floats:
    """Return the share of a mean life that days at temperatures use [-]; infinite in frost.

    Parameters
    ----------
    model : LifeModel
        The settings [-].
    temperature_c : array_like
        Of the air [degree Celsius].
    days : array_like
        How long at each [d].
    """
    with np.errstate(divide="ignore"):
        return np.asarray(np.asarray(days, dtype=np.float64) / days_of_life(model, temperature_c))


def multiplier(
    model: LifeModel,
    *,
    relief: bool = False,
    open_share: float = 0.0,
    candle: bool = False,
    dip: bool = False,
) -> float:
    """Return by what a lantern's life differs from the average [-].

    Parameters
    ----------
    model : LifeModel
        The settings [-].
    relief : bool
        Thinned, not cut through [-].
    open_share : float
        Share of the skin that is open, 0 to 1 [-].
    candle : bool
        Lit by a flame, whose heat dries it [-].
    dip : bool
        Dipped and misted [-].
    """
    factor = model.relief if relief else 1.0
    factor *= model.wide_open if open_share > model.wide_open_share else 1.0
    factor *= model.candle if candle else 1.0
    return factor * (model.dipped if dip else 1.0)
