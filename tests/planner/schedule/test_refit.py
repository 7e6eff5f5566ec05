"""Are the factors that made invented lives found again, within their own bounds?"""

from __future__ import annotations

import math

import numpy as np
import pytest

from planner.schedule.refit import Stay, refit


def _stays(seed: int, count: int, factor: float, lot_b: float) -> list[Stay]:
    """Return lanterns walked past every 0.12 of a life until 1.5; lot B lasts by a factor, all by another."""
    rng = np.random.default_rng(seed)
    out = []
    for n in range(count):
        lot = "lot A" if n % 2 else "lot B"
        mean = factor * (lot_b if lot == "lot B" else 1.0)
        life = mean * rng.weibull(3.5) / math.gamma(1 + 1 / 3.5)
        walks = np.arange(0.12, 1.5, 0.12)
        sound = max((w for w in walks if w < life), default=0.0)
        done = min((w for w in walks if w >= life), default=math.inf)
        out.append(Stay(float(sound), float(done), 0.0, (lot,)))
    return out


def test_factors_are_found_again() -> None:
    """True values that made the lives lie in the 90 % bounds in at least 8 of 10 draws, for 200 lanterns."""
    inside = 0
    for seed in range(10):
        found = refit(_stays(seed, 200, 0.9, 0.7))
        assert found is not None and found.lanterns == 200
        low, high = found.overall[1] * found.groups["lot B"][1], found.overall[2] * found.groups["lot B"][2]
        inside += low <= 0.63 <= high and found.shape == pytest.approx(3.5, rel=0.25)
    assert inside >= 8


def test_few_lanterns_move_little() -> None:
    """Lot and whole are pulled by the same lanterns, so their logarithms stand as the variances of what was
    believed of them, 0.25^2 to 0.5^2 (normal priors, one gradient); the bounds stay wide.
    """
    found = refit([Stay(0.4, 0.5, 0.0, ("lot A",))] * 4)
    assert found is not None
    middle, low, high = found.groups["lot A"]
    assert math.log(middle) / math.log(found.overall[0]) == pytest.approx(0.25, abs=0.01)
    assert high / low > 1.5


def test_nothing_ended_nothing_said() -> None:
    """Three ends are too few."""
    assert refit([Stay(0.4, math.inf, 0.0, ())] * 50 + [Stay(0.4, 0.5, 0.0, ())] * 3) is None


def test_those_still_sound_count() -> None:
    """With ten more that are sound at a whole life, lives are longer than by the ended ones alone."""
    ended = [Stay(0.5, 0.6, 0.0, ())] * 10
    alone, both = refit(ended), refit([*ended, *[Stay(1.0, math.inf, 0.0, ())] * 10])
    assert alone is not None and both is not None
    assert both.overall[0] > alone.overall[0]
