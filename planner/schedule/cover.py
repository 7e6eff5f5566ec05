"""Will every station be lit every night, and if not, which night is the first dark one, and why?

Drawn seasons are played through, day by day: produce that has come in, machine and bench minutes that are
open before dusk. A lantern that cannot be made waits for the next day; its station is dark. Hours are enough
if, for every set of sorts, the machines that can carve any of them have the minutes (Hall's condition); this
knows no order and no set-ups, which the running share stands for, so it finds a night dark only where no plan
could help.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

Counts = NDArray[np.int64]
Floats = NDArray[np.float64]
MOST_SORTS = 8
"""More sorts than this are judged one by one and all together only."""


@dataclass(frozen=True, slots=True)
class Sort:
    """Lanterns that are made alike: machine minutes by machine, bench minutes, lots in the order of use."""

    name: str
    minutes: Mapping[str, float]
    bench_min: float = 0.0
    lots: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Stock:
    """Sound pieces of a lot and the first night for which they can be carved (0 = opening)."""

    lot: str
    pieces: int
    night: int = 0


@dataclass(frozen=True, slots=True)
class Losses:
    """What is lost on the way from the grower to the station; common practice, replaced by own records."""

    scrap: float = 0.08
    reject: float = 0.06
    store: float = 0.04

    @property
    def kept(self) -> float:
        """Share of what is ordered that becomes a lantern [-]."""
        return (1 - self.scrap) * (1 - self.reject) * (1 - self.store)


@dataclass(frozen=True, slots=True)
class Dark:
    """A night in which stations stay dark: in which share of the seasons, how many, and why."""

    night: int
    chance: float
    stations: float
    cause: str


@dataclass(frozen=True, slots=True, eq=False)
class Cover:
    """Arrays are (nights,) or (nights, seasons).

    `dark` counts stations without a lantern; `machine_min` and `bench_min` are needed on the day of each
    night, `open_min` are the machines' open minutes times the running share.
    """

    dark: Counts
    machine_min: Floats
    bench_min: Floats
    open_min: Floats
    bench_open_min: Floats
    causes: tuple[str, ...]

    def first_dark(self, chance: float = 0.1) -> Dark | None:
        """Return the first night that is dark in more than such a share of the seasons, None if none is.

        Parameters
        ----------
        chance : float
            From 0 to 1 [-].
        """
        for night, counts in enumerate(self.dark):
            share = float(np.mean(counts > 0))
            if share > chance:
                return Dark(night, share, float(counts[counts > 0].mean()), self.causes[night])
        return None


def to_order(lanterns: float, losses: Losses) -> int:
    """Return how many pieces to order so that so many become lanterns [-].

    Parameters
    ----------
    lanterns : float
        Stations and replacements [-].
    losses : Losses
        On the way [-].
    """
    return math.ceil(lanterns / losses.kept - 1e-9)


def play(
    wanted: Mapping[str, Counts],
    sorts: Sequence[Sort],
    stocks: Sequence[Stock],
    open_min: Mapping[str, Sequence[float]],
    bench_open_min: Sequence[float],
    *,
    losses: Losses | None = None,
    running: float = 0.75,
) -> Cover:
    """Return how the seasons go with this produce and these hours.

    Parameters
    ----------
    wanted : Mapping
        New lanterns of each sort for each night, (nights, seasons); the opening set counts to the first [-].
    sorts : sequence of Sort
        The most important first [-].
    stocks : sequence of Stock
        The one to use first comes first [-].
    open_min : Mapping
        Minutes of each machine on the day of each night; before the opening, those of all its days [min].
    bench_open_min : sequence of float
        Person-minutes at the benches on the day of each night [min].
    losses : Losses, optional
        A piece that is scrapped costs produce and hours too [-].
    running : float
        Share of the open minutes in which machines run; the rest is set-up and waiting [-].
    """
    losses = losses or Losses()
    nights, seasons = next(iter(wanted.values())).shape
    names = [sort.name for sort in sorts]
    stock = {one.lot: np.zeros(seasons) for one in stocks}
    waiting = {name: np.zeros(seasons) for name in names}
    dark = np.zeros((nights, seasons), dtype=np.int64)
    machine_min, bench_min = np.zeros((nights, seasons)), np.zeros((nights, seasons))
    causes: list[str] = []
    tries = 1 / (1 - losses.scrap)
    for night in range(nights):
        for one in stocks:
            if one.night == night:
                stock[one.lot] += one.pieces
        open_now = {machine: running * minutes[night] for machine, minutes in open_min.items()}
        short: dict[str, Floats] = {}
        made = {}
        for sort in sorts:
            asked = wanted[sort.name][night] + waiting[sort.name]
            if not sort.minutes:
                made[sort.name] = np.zeros(seasons)
                _add(short, "no machine for " + sort.name, asked)
                continue
            made[sort.name], lack = _with_produce(asked, sort, stock, tries)
            _add(short, "no sound piece left for " + sort.name, lack)
            machine_min[night] += asked * tries * min(sort.minutes.values(), default=0.0)
            bench_min[night] += asked * tries * sort.bench_min
        for cause, sort, lack in _without_hours(made, sorts, open_now, bench_open_min[night], tries):
            made[sort.name] = made[sort.name] - lack
            _give_back(sort, stock, lack * tries)
            _add(short, cause, lack)
        for sort in sorts:
            waiting[sort.name] = waiting[sort.name] + wanted[sort.name][night] - made[sort.name]
        total = np.ceil(np.sum([waiting[name] for name in names], axis=0) - 1e-6).astype(np.int64)
        dark[night] = np.maximum(total, 0)
        causes.append(max(short, key=lambda cause: float(short[cause].mean()), default=""))
    return Cover(
        dark,
        machine_min,
        bench_min,
        running * np.array([sum(m[night] for m in open_min.values()) for night in range(nights)]),
        np.asarray(bench_open_min, dtype=np.float64),
        tuple(causes),
    )


def _add(short: dict[str, Floats], cause: str, lack: Floats) -> None:
    if lack.any():
        short[cause] = short.get(cause, np.zeros_like(lack)) + lack


def _with_produce(asked: Floats, sort: Sort, stock: dict[str, Floats], tries: float) -> tuple[Floats, Floats]:
    """Return how many can be made from the lots, and how many cannot; the lots are used up."""
    left = asked * tries
    for lot in sort.lots:
        if lot in stock:
            taken = np.minimum(left, stock[lot])
            stock[lot] = stock[lot] - taken
            left = left - taken
    lack = left / tries
    return asked - lack, lack


def _give_back(sort: Sort, stock: dict[str, Floats], pieces: Floats) -> None:
    for lot in sort.lots:
        if lot in stock:
            stock[lot] = stock[lot] + pieces
            return


def _without_hours(
    made: Mapping[str, Floats],
    sorts: Sequence[Sort],
    open_now: Mapping[str, float],
    bench_open_min: float,
    tries: float,
) -> list[tuple[str, Sort, Floats]]:
    """Return cause, sort and number of lanterns for which machines or benches have no minutes."""
    out: list[tuple[str, Sort, Floats]] = []
    left = {name: np.asarray(count, dtype=np.float64) for name, count in made.items()}
    for group in _groups(sorts):
        machines = sorted({machine for sort in group for machine in sort.minutes})
        room = sum(open_now.get(machine, 0.0) for machine in machines)
        least = {sort.name: tries * min(sort.minutes.values(), default=0.0) for sort in group}
        over = sum((left[sort.name] * least[sort.name] for sort in group), np.zeros(1)) - room
        named = " and ".join(sort.name for sort in group) if len(group) < len(sorts) else "all sorts"
        cause = f"too few hours on {', '.join(machines) or 'any machine'} for {named}"
        out += _cut(cause, group, left, over, least)
    need = {sort.name: tries * sort.bench_min for sort in sorts}
    over = sum((left[sort.name] * need[sort.name] for sort in sorts), np.zeros(1)) - bench_open_min
    return out + _cut("too few hours at the benches", sorts, left, over, need)


def _cut(
    cause: str, group: Sequence[Sort], left: dict[str, Floats], over: Floats, minutes: Mapping[str, float]
) -> list[tuple[str, Sort, Floats]]:
    """Leave out lanterns, the least important sort first, until the minutes suffice."""
    out = []
    for sort in reversed(group):
        each = minutes[sort.name]
        if each > 0 and (over > 1e-9).any():
            lack = np.minimum(left[sort.name], np.maximum(over, 0.0) / each)
            left[sort.name] = left[sort.name] - lack
            over = over - lack * each
            if lack.any():
                out.append((cause, sort, lack))
    return out


def _groups(sorts: Sequence[Sort]) -> list[tuple[Sort, ...]]:
    sizes = range(1, len(sorts) + 1) if len(sorts) <= MOST_SORTS else (1, len(sorts))
    return [group for size in sizes for group in combinations(sorts, size)]
