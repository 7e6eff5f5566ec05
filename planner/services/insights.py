"""What do ratings go with: machine, design, how sure the wall was, how much of a cutter a run used?"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.services.review_facts import Facts, Ints, Runs

_FEWEST = 8
_CHANCE = 0.1
"""A correlation that chance alone would give more often than this is told as such; common practice."""


@dataclass(frozen=True, slots=True)
class Insight:
    """How ratings go with something: by group a mean, or along a number a slope, with how sure that is."""

    of: str
    groups: tuple[tuple[str, int, float], ...]
    """Name, lanterns, mean rating."""
    words: str


def insights(facts: Facts) -> tuple[Insight, ...]:
    """Return how ratings of a stretch of days go with machine, design, wall and what was used of cutters.

    Parameters
    ----------
    facts : Facts
        From `review.gather` [-].
    """
    runs = facts.table
    return (
        _by("machine", runs, runs.machine),
        _by("design", runs, runs.design),
        _along("wall uncertainty, mm", runs.wall_sigma_mm, runs.rating),
        _along("cutter life used by the run", runs.wear, runs.rating),
    )


def _by(of: str, runs: Runs, group: Ints) -> Insight:
    some = ~np.isnan(runs.rating)
    count = np.bincount(group[some], minlength=len(runs.names))
    total = np.bincount(group[some], weights=runs.rating[some], minlength=len(runs.names))
    told = tuple(
        sorted(
            (
                (runs.names[n] or "not known", int(count[n]), float(total[n] / count[n]))
                for n in np.flatnonzero(count)
            ),
            key=lambda one: one[2],
        )
    )
    if len(told) < 2:
        return Insight(of, told, f"ratings by {of}: nothing to compare yet")
    return Insight(of, told, f"lowest by {of}: {told[0][0]} with {told[0][2]:.1f} of {told[0][1]}")


def _along(of: str, values: NDArray[np.float64], ratings: NDArray[np.float64]) -> Insight:
    """Return the rank correlation (Spearman) of ratings with a number, and whether it may be chance."""
    some = ~np.isnan(values) & ~np.isnan(ratings)
    values, ratings = values[some], ratings[some]
    if len(values) < _FEWEST or np.ptp(values) == 0 or np.ptp(ratings) == 0:
        return Insight(of, (), f"ratings along {of}: too few lanterns that differ, or all alike")
    rho, chance = rank_correlation(values, ratings)
    way = "fall" if rho < 0 else "rise"
    sure = (
        f"once in {1 / max(chance, 1e-6):.0f} by chance alone" if chance < _CHANCE else "may well be chance"
    )
    return Insight(of, (), f"ratings {way} with {of} (rank correlation {rho:+.2f} of {len(values)}, {sure})")


def rank_correlation(one: NDArray[np.float64], other: NDArray[np.float64]) -> tuple[float, float]:
    """Return Spearman's rank correlation and how often chance alone gives one as large, both ways.

    The chance is that of Student's t with n - 2 degrees of freedom, t = r sqrt((n - 2) / (1 - r^2)), good
    from about ten on (Kendall and Stuart, from memory).

    Parameters
    ----------
    one, other : ndarray, (n,)
        Numbers, three at least, not all alike [-].
    """
    from scipy.special import stdtr

    r = float(np.corrcoef(_ranks(one), _ranks(other))[0, 1])
    free = len(one) - 2
    t = abs(r) * math.sqrt(free / max(1.0 - r * r, 1e-300))
    return r, 2.0 * float(stdtr(free, -t))


def _ranks(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the rank of each; those alike share the mean of theirs."""
    _, place, count = np.unique(values, return_inverse=True, return_counts=True)
    return np.asarray((np.cumsum(count) - (count - 1) / 2)[place])
