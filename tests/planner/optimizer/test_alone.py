"""Does trying sets of jobs agree with trying every order of them?"""

from __future__ import annotations

import itertools
import random

import pytest

from planner.optimizer.alone import Duty, clashing, fits_alone

SORTS = [("L", 0, 0), ("S", 1, 1), ("L", 0, 1), (None, None, None)]


def change(before, after):
    """Five minutes for a fixture, two for a cutter."""
    minutes = 5 * (None not in (before[0], after[0]) and before[0] != after[0])
    return minutes + 2 * (None not in (before[2], after[1]) and before[2] != after[1])


def fits_in_some_order(duties, fitted, first):
    """Every order, one after the other."""
    for order in itertools.permutations(duties):
        end, before = first, fitted
        for duty in order:
            end = max(end + change(before, duty.sort) + duty.inner_min, duty.low) + duty.whole_min
            before = duty.sort
            if end > duty.high:
                break
        else:
            return True
    return False


@pytest.mark.parametrize("seed", range(40))
def test_sets_of_jobs_agree_with_all_orders(seed):
    """The same answer as every order, and of a clash nothing can be left out."""
    rng = random.Random(seed)
    duties = [
        Duty(rng.choice(SORTS), rng.randint(3, 9), rng.choice([0, 0, 2]), rng.choice([0, 0, 12]), 40)
        for _ in range(rng.randint(1, 6))
    ]
    fits = fits_in_some_order(duties, SORTS[0], 0)
    assert fits_alone(duties, SORTS[0], 0, change) == fits
    clash = [duties[n] for n in clashing(duties, SORTS[0], 0, change)]
    assert bool(clash) != fits
    if clash:
        assert not fits_in_some_order(clash, SORTS[0], 0)
        assert all(fits_in_some_order([d for d in clash if d is not one], SORTS[0], 0) for one in clash), (
            "none of them may be left out"
        )
