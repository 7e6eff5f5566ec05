"""By what does a machine really differ from its estimates? The geometric mean of its ratios, drawn towards 1.

A few runs say little: the mean of the logarithms is weighted against a prior of no difference, as in a normal
model with known spreads (shrinkage; Efron and Morris 1975, J. Am. Stat. Assoc. 70:311-319, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

OWN, MACHINES = 0.12, 0.10
"""Spread of one run, and of whole machines, about their estimates, in logarithms; common practice."""


@dataclass(frozen=True, slots=True)
class Learned:
    """Real over estimated time [-], the deviation of its logarithm [-], from so many runs."""

    ratio: float = 1.0
    deviation: float = MACHINES
    runs: int = 0


def learned_ratio(
    estimated_min: Sequence[float], real_min: Sequence[float], own: float = OWN, machines: float = MACHINES
) -> Learned:
    """Return what a machine's runs say of its estimates.

    Parameters
    ----------
    estimated_min, real_min : sequence of float
        Of the same runs; those that are not above 0 are left out [min].
    own : float
        Spread of one run about its machine's ratio, in logarithms [-].
    machines : float
        Spread of machines about 1, in logarithms; large trusts the runs alone [-].
    """
    logs = [
        math.log(real / estimated)
        for estimated, real in zip(estimated_min, real_min, strict=True)
        if estimated > 0 and real > 0
    ]
    if not logs:
        return Learned(deviation=machines)
    precision = len(logs) / own**2 + 1 / machines**2
    mean = (sum(logs) / own**2) / precision
    return Learned(math.exp(mean), math.sqrt(1 / precision), len(logs))
