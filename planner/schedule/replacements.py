"""How many lanterns must be carved anew for each night? Many seasons, drawn by chance.

A lantern is replaced on the day before the first night that it would not survive; the new one is fresh that
evening. Whole seasons are drawn side by side: a row a season, a column a station. A life is drawn as one
exponential number E; it ends in the first night in which (used / mean)^shape passes E, which is the Weibull
law without a power for each lantern.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import gamma

import numpy as np
from numpy.typing import NDArray

from planner.schedule.life import LifeModel, life_used

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]
QUANTILES = (0.1, 0.5, 0.9)
AT_ONCE = 1000
"""So many seasons are drawn together: their arrays stay in the fast part of the memory."""


@dataclass(frozen=True, slots=True)
class Place:
    """A station as the forecast sees it: its sort, its lanterns' multiplier, what of the first is used [-].

    `sound` says that the first lantern was seen to be sound after that much of its life; one that is still to
    be carved, and will have used as much by the first night, has not been.
    """

    name: str
    sort: str = ""
    multiplier: float = 1.0
    used: float = 0.0
    sound: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Replacements:
    """What the drawn seasons say.

    `by_night` is (nights, seasons): lanterns to carve anew for each night. `by_station` is
    (nights, stations): their mean.
    """

    by_night: Counts
    by_station: Floats

    @property
    def total(self) -> Counts:
        """Lanterns to carve anew in each season, (seasons,)."""
        return np.asarray(self.by_night.sum(axis=0))

    def mean(self) -> Floats:
        """Return the mean for each night [-], (nights,)."""
        return np.asarray(self.by_night.mean(axis=1))

    def quantiles(self, shares: Sequence[float] = QUANTILES) -> Floats:
        """Return how many suffice in such shares of the seasons [-], (shares, nights).

        Parameters
        ----------
        shares : sequence of float
            From 0 to 1 [-].
        """
        return np.asarray(np.quantile(self.by_night, shares, axis=1, method="inverted_cdf"))


def draw_replacements(
    places: Sequence[Place],
    temperatures_c: Sequence[float],
    model: LifeModel,
    rng: np.random.Generator,
    seasons: int = 2000,
) -> Replacements:
    """Return the replacements of so many drawn seasons.

    Parameters
    ----------
    places : sequence of Place
        Every lantern that must be lit each night [-].
    temperatures_c : sequence of float
        Mean of each night and its day, the first night first [degree Celsius].
    model : LifeModel
        The settings of the life model [-].
    rng : numpy.random.Generator
        Source of chance [-].
    seasons : int
        How many seasons are drawn [-].
    """
    nights, count = len(temperatures_c), len(places)
    # a share used while it is frozen is infinite: every lantern there dies, whatever its law says
    used_by = np.minimum(np.cumsum(np.minimum(life_used(model, temperatures_c), 1e6)), 1e9)
    scale = np.array([place.multiplier for place in places]) / gamma(1 + 1 / model.shape)
    before = np.array([place.used for place in places])
    by_night = np.zeros((nights, seasons), dtype=np.int64)
    by_station = np.zeros((nights, count))
    if not count or not nights:
        return Replacements(by_night, by_station)
    # E * scale^shape against used^shape: the limits of fresh lanterns are then the same for all stations
    weight = (scale**model.shape).astype(np.float32)
    power = np.float32(model.shape)
    seen = np.array([place.used if place.sound else 0.0 for place in places])
    lived = (seen**model.shape).astype(np.float32)
    with np.errstate(over="ignore"):  # beyond the largest number is dead for certain
        first = (before + used_by[:, None]).astype(np.float32) ** power
        later = [
            (used_by[n + 1 :] - (used_by[n - 1] if n else 0.0)).astype(np.float32) ** power
            for n in range(nights)
        ]
    for begin in range(0, seasons, AT_ONCE):
        some = slice(begin, min(seasons, begin + AT_ONCE))
        left = rng.standard_exponential((some.stop - begin, count), dtype=np.float32) * weight + lived
        dies = _night_of_end(left, first)
        for night in range(nights):
            ended = dies == night
            by_night[night, some] = np.count_nonzero(ended, axis=1)
            by_station[night] += np.count_nonzero(ended, axis=0) / seasons
            where = np.flatnonzero(ended)
            if where.size and night < nights - 1:
                fresh = rng.standard_exponential(where.size, dtype=np.float32) * weight[where % count]
                dies.reshape(-1)[where] = _night_of_end(fresh, later[night], night + 1)
    return Replacements(by_night, by_station)


def _night_of_end(
    left: NDArray[np.float32], limits: NDArray[np.float32], first: int = 0
) -> NDArray[np.uint8]:
    """Return the first night whose limit passes what is left; the number after the last for none."""
    night = np.full(left.shape, first, dtype=np.uint8)
    for limit in limits:
        night += left > limit
    return night
