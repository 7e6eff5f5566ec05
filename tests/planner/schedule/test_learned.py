"""Is the learned ratio the geometric mean of many runs, and near 1 for few?"""

from __future__ import annotations

import math

import pytest

from planner.schedule.learned import learned_ratio


def test_runs_alone_give_the_geometric_mean():
    """30, 40, 50 min that took 36, 44, 60: (1.2 x 1.1 x 1.2)^(1/3) = 1.1656954."""
    found = learned_ratio([30, 40, 50], [36, 44, 60], machines=1e6)
    assert found.ratio == pytest.approx(1.1656954, abs=1e-7)
    assert (found.runs, found.deviation) == (3, pytest.approx(0.12 / math.sqrt(3)))


def test_one_run_counts_little():
    """One run twice as long, with equal spreads of runs and machines: half of its logarithm, so sqrt(2)."""
    assert learned_ratio([10], [20], own=0.1, machines=0.1).ratio == pytest.approx(math.sqrt(2))


def test_nothing_learned():
    """No runs, or none that make sense: 1, with the spread of machines."""
    assert learned_ratio([], []).ratio == 1
    assert learned_ratio([10, 0], [0, 10]).runs == 0
