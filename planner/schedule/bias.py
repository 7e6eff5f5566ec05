"""Do learned ratios make estimates better? Learned from the first half of a history, judged on the second.

The logarithm of real over estimated time is the fleet's, plus the machine's, plus the design's, plus the
run's own. Machines and designs are drawn towards the fleet by how far such things usually differ (a linear
model with random effects, whose means solve Henderson's equations; Henderson 1975, Biometrics 31:423-447,
from memory). Before the first run the spreads stand alone; the score "before" is theirs.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from planner.schedule.learned import MACHINES, OWN

FLEET, DESIGNS = 0.5, 0.08
"""Spread of the whole fleet and of single designs about their estimates, in logarithms; common practice."""
_FEWEST = 4


@dataclass(frozen=True, slots=True)
class Ratios:
    """What was learned: log ratios of the fleet, machines and designs, and how well they are known."""

    machines: Mapping[Any, int]
    designs: Mapping[Any, int]
    means: NDArray[np.float64]
    covariance: NDArray[np.float64]

    def _row(self, machine: Any, design: Any) -> NDArray[np.float64]:
        row = np.zeros(len(self.means))
        row[0] = 1.0
        for places, name in ((self.machines, machine), (self.designs, design)):
            if name in places:
                row[places[name]] = 1.0
        return row

    def ratio(self, machine: Any, design: Any) -> float:
        """Return real over estimated time of a run to come, its median [-]."""
        return math.exp(float(self._row(machine, design) @ self.means))

    def deviation(self, machine: Any, design: Any) -> float:
        """Return the spread of the logarithm of one such run [-]; what was never seen spreads wider."""
        row = self._row(machine, design)
        unseen = (machine not in self.machines) * MACHINES**2 + (design not in self.designs) * DESIGNS**2
        return math.sqrt(float(row @ self.covariance @ row) + unseen + OWN**2)


def learn_ratios(
    machines: ArrayLike, designs: ArrayLike, estimated_min: ArrayLike, real_min: ArrayLike
) -> Ratios:
    """Return what finished runs say of fleet, machines and designs, drawn together where little is known.

    Parameters
    ----------
    machines, designs : array_like, (n,)
        Of each run, as names or numbers [-].
    estimated_min, real_min : array_like, (n,)
        Of each run, above 0 [min].
    """
    logs = np.log(np.asarray(real_min, float) / np.asarray(estimated_min, float))
    machine, at_machine = np.unique(machines, return_inverse=True)
    design, at_design = np.unique(designs, return_inverse=True)
    shape = len(machine), len(design)
    cell = at_machine * max(shape[1], 1) + at_design
    # the runs of one machine and design stand in the equations by their number and sum alone
    count = np.bincount(cell, minlength=math.prod(shape)).reshape(shape).astype(float)
    total = np.bincount(cell, weights=logs, minlength=math.prod(shape)).reshape(shape)
    square = np.block(
        [
            [np.full((1, 1), count.sum()), count.sum(1)[None], count.sum(0)[None]],
            [count.sum(1)[:, None], np.diag(count.sum(1)), count],
            [count.sum(0)[:, None], count.T, np.diag(count.sum(0))],
        ]
    )
    pull = np.concatenate([[total.sum()], total.sum(1), total.sum(0)])
    spreads = np.concatenate([[FLEET], np.full(shape[0], MACHINES), np.full(shape[1], DESIGNS)])
    covariance = np.asarray(np.linalg.inv(square / OWN**2 + np.diag(spreads**-2.0)), np.float64)
    return Ratios(
        {name: 1 + n for n, name in enumerate(machine.tolist())},
        {name: 1 + shape[0] + n for n, name in enumerate(design.tolist())},
        covariance @ pull / OWN**2,
        covariance,
    )


@dataclass(frozen=True, slots=True)
class HeldOut:
    """Estimates of the second half of a history: mean absolute error [min] and mean log score [nat]."""

    runs: int
    error_before_min: float
    error_after_min: float
    score_before: float
    score_after: float


def held_out(
    machines: ArrayLike, designs: ArrayLike, estimated_min: ArrayLike, real_min: ArrayLike
) -> HeldOut | None:
    """Return how good estimates of the second half were, raw and by what the first half taught.

    Parameters
    ----------
    machines, designs : array_like, (n,)
        Of each finished run by time, as names or numbers [-].
    estimated_min, real_min : array_like, (n,)
        Of each run; None is returned where there are fewer than four with both above 0 [min].
    """
    known = (np.asarray(estimated_min, float) > 0) & (np.asarray(real_min, float) > 0)
    columns = [np.asarray(column)[known] for column in (machines, designs, estimated_min, real_min)]
    if known.sum() < _FEWEST:
        return None
    half = int(known.sum()) // 2
    learned = learn_ratios(*(column[:half] for column in columns))
    machine, design, estimated, real = (column[half:] for column in columns)
    nothing = learn_ratios([], [], [], [])  # before the first run: the spreads alone
    before, after = _told(nothing, machine, design), _told(learned, machine, design)
    return HeldOut(
        len(real),
        float(np.mean(np.abs(real - estimated))),
        float(np.mean(np.abs(real - estimated * after[0]))),
        _score(real, estimated, *before),
        _score(real, estimated, *after),
    )


def _told(
    ratios: Ratios, machines: NDArray[Any], designs: NDArray[Any]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the ratio and the spread of each run; both are the same for all of one machine and design."""
    machine, at_machine = np.unique(machines, return_inverse=True)
    design, at_design = np.unique(designs, return_inverse=True)
    pairs = [(one, other) for one in machine.tolist() for other in design.tolist()]
    table = np.array([(ratios.ratio(*pair), ratios.deviation(*pair)) for pair in pairs])
    of_run = table[at_machine * len(design) + at_design]
    return of_run[:, 0], of_run[:, 1]


def _score(
    real: NDArray[np.float64],
    estimated: NDArray[np.float64],
    ratio: NDArray[np.float64],
    spread: NDArray[np.float64],
) -> float:
    """Return the mean log density of real times under their estimates."""
    z = (np.log(real) - np.log(estimated * ratio)) / spread
    return float(np.mean(-0.5 * z**2 - np.log(spread * real * math.sqrt(2 * math.pi))))
