"""Do learned ratios draw together where little is known, and help on runs they have not seen?"""

from __future__ import annotations

import math

import numpy as np
import pytest

from planner.schedule.bias import DESIGNS, FLEET, held_out, learn_ratios
from planner.schedule.learned import MACHINES, OWN


def test_one_run_by_hand():
    """One run twice as long: the posterior mean of its log ratio is ln 2 x prior / (prior + own)."""
    found = learn_ratios(["Wren"], ["Fern"], [10], [20])
    prior = FLEET**2 + MACHINES**2 + DESIGNS**2
    assert math.log(found.ratio("Wren", "Fern")) == pytest.approx(math.log(2) * prior / (prior + OWN**2))
    # another machine and design share the fleet's part alone
    assert math.log(found.ratio("Heron", "Owl")) == pytest.approx(math.log(2) * FLEET**2 / (prior + OWN**2))
    assert found.deviation("Heron", "Owl") > found.deviation("Wren", "Fern") > OWN


@pytest.mark.parametrize("seed", range(3))
def test_error_of_the_second_half_is_halved(seed: int):
    """Machines that are really 1.15 to 1.45 slower than estimated, runs spread by 0.08."""
    rng = np.random.default_rng(seed)
    true = {"Heron": 1.15, "Wren": 1.3, "Kite": 1.45}
    runs = []
    for _ in range(120):
        machine, design = rng.choice(list(true)), rng.choice(["Fern", "Owl", "Moth"])
        estimated = rng.uniform(15, 60)
        real = estimated * true[machine] * math.exp(0.08 * rng.normal())
        runs.append((str(machine), str(design), estimated, real))
    found = held_out(*zip(*runs, strict=True))
    assert found is not None and found.runs == 60
    assert found.error_after_min < 0.5 * found.error_before_min
    assert found.score_after > found.score_before


def test_too_few_say_nothing():
    """Three runs are not halved."""
    assert held_out(["Wren"] * 3, ["Fern"] * 3, [10] * 3, [20] * 3) is None


def test_equations_are_those_of_single_runs():
    """Sums by machine and design give what one row a run gives, Henderson's equations."""
    rng = np.random.default_rng(4)
    machines, designs = rng.integers(0, 3, 40), rng.integers(0, 4, 40)
    logs = 0.3 * rng.standard_normal(40)
    rows = np.hstack([np.ones((40, 1)), np.eye(3)[machines], np.eye(4)[designs]])
    prior = np.diag(np.array([FLEET, *[MACHINES] * 3, *[DESIGNS] * 4]) ** -2.0)
    means = np.linalg.solve(rows.T @ rows / OWN**2 + prior, rows.T @ logs / OWN**2)
    found = learn_ratios(machines, designs, np.full(40, 10.0), 10.0 * np.exp(logs))
    np.testing.assert_allclose(found.means, means, rtol=1e-9, atol=1e-12)
