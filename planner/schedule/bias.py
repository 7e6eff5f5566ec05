"""Do learned ratios make estimates better? Learned from the first half of a history, judged on the second.

The logarithm of real over estimated time is the fleet's, plus the machine's, plus the design's, plus the
run's own. Machines and designs are drawn towards the fleet by how far such things usually differ (a linear
model with random effects, whose means solve Henderson's equations; Henderson 1975, Biometrics 31:423-447,
from memory). Before the first run the spreads stand alone; the score "before" is theirs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.schedule.learned import MACHINES, OWN

FLEET, DESIGNS = 0.5, 0.08
"""Spread of the whole fleet and of single designs about their estimates, in logarithms; common practice."""
_FEWEST = 4


@dataclass(frozen=True, slots=True)
class PastRun:
    """A finished run: where, what, and its estimated and real time [min]."""

    machine: str
    design: str
    estimated_min: float
    real_min: float


@dataclass(frozen=True, slots=True)
class Ratios:
    """What was learned: log ratios of the fleet, machines and designs, and how well they are known."""

    machines: dict[str, int]
    designs: dict[str, int]
    means: NDArray[np.float64]
    covariance: NDArray[np.float64]

    def _row(self, machine: str, design: str) -> NDArray[np.float64]:
        row = np.zeros(len(self.means))
        row[0] = 1.0
        for places, name in ((self.machines, machine), (self.designs, design)):
            if name in places:
                row[places[name]] = 1.0
        return row

    def ratio(self, machine: str, design: str) -> float:
        """Return real over estimated time of a run to come, its median [-]."""
        return math.exp(float(self._row(machine, design) @ self.means))

    def deviation(self, machine: str, design: str) -> float:
        """Return the spread of the logarithm of one such run [-]; what was never seen spreads wider."""
        row = self._row(machine, design)
        unseen = (machine not in self.machines) * MACHINES**2 + (design not in self.designs) * DESIGNS**2
        return math.sqrt(float(row @ self.covariance @ row) + unseen + OWN**2)


def learn_ratios(runs: Sequence[PastRun]) -> Ratios:
    """Return what runs say of fleet, machines and designs, drawn together where little is known.

    Parameters
    ----------
    runs : sequence of PastRun
        With times above 0 [-].
    """
    machines = {name: 1 + n for n, name in enumerate(sorted({run.machine for run in runs}))}
    first = 1 + len(machines)
    designs = {name: first + n for n, name in enumerate(sorted({run.design for run in runs}))}
    size = first + len(designs)
    rows = np.zeros((len(runs), size))
    rows[:, 0] = 1.0
    every = np.arange(len(runs))
    rows[every, [machines[run.machine] for run in runs]] = 1.0
    rows[every, [designs[run.design] for run in runs]] = 1.0
    logs = np.log([run.real_min / run.estimated_min for run in runs] or [])
    spreads = np.concatenate([[FLEET], np.full(len(machines), MACHINES), np.full(len(designs), DESIGNS)])
    covariance = np.asarray(np.linalg.inv(rows.T @ rows / OWN**2 + np.diag(spreads**-2.0)), np.float64)
    return Ratios(machines, designs, covariance @ (rows.T @ logs) / OWN**2, covariance)


@dataclass(frozen=True, slots=True)
class HeldOut:
    """Estimates of the second half of a history: mean absolute error [min] and mean log score [nat]."""

    runs: int
    error_before_min: float
    error_after_min: float
    score_before: float
    score_after: float


def held_out(runs: Sequence[PastRun]) -> HeldOut | None:
    """Return how good estimates of the second half were, raw and by what the first half taught.

    Parameters
    ----------
    runs : sequence of PastRun
        By time; None is returned where there are fewer than four with times above 0 [-].
    """
    known = [run for run in runs if run.estimated_min > 0 and run.real_min > 0]
    if len(known) < _FEWEST:
        return None
    half = len(known) // 2
    learned, later = learn_ratios(known[:half]), known[half:]
    nothing = learn_ratios([])  # before the first run: the spreads alone
    real = np.array([run.real_min for run in later])
    estimated = np.array([run.estimated_min for run in later])
    before, after = _told(nothing, later), _told(learned, later)
    return HeldOut(
        len(later),
        float(np.mean(np.abs(real - estimated))),
        float(np.mean(np.abs(real - estimated * after[0]))),
        _score(real, estimated, *before),
        _score(real, estimated, *after),
    )


def _told(ratios: Ratios, runs: Sequence[PastRun]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the ratio and the spread of each run; both are the same for all of one machine and design."""
    pairs = [(run.machine, run.design) for run in runs]
    known = {pair: (ratios.ratio(*pair), ratios.deviation(*pair)) for pair in set(pairs)}
    table = np.array([known[pair] for pair in pairs])
    return table[:, 0], table[:, 1]


def _score(
    real: NDArray[np.float64],
    estimated: NDArray[np.float64],
    ratio: NDArray[np.float64],
    spread: NDArray[np.float64],
) -> float:
    """Return the mean log density of real times under their estimates."""
    z = (np.log(real) - np.log(estimated * ratio)) / spread
    return float(np.mean(-0.5 * z**2 - np.log(spread * real * math.sqrt(2 * math.pi))))
