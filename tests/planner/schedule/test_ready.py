"""Is the chance that all are ready the one that can be worked out by hand?"""

from __future__ import annotations

from math import erf, log, sqrt

import numpy as np
import pytest

from planner.optimizer import read_plan, read_problem
from planner.schedule.ready import Spread, chance_ready

STEADY = Spread(own=0, common=0, scrap=0, breakdown=0)


def one_machine(runs, due, open_=None, starts=None):
    """Jobs one after the other on one machine, and the plan that does them at their starts."""
    problem = read_problem(
        {
            "resources": [{"name": "Wren", "open": open_ or [[0, 10_000]]}],
            "jobs": [
                {
                    "name": str(j),
                    "due_min": due,
                    "steps": [{"options": [{"resource": "Wren", "run_min": run}]}],
                }
                for j, run in enumerate(runs)
            ],
        }
    )
    at, rows = 0, []
    for j, run in enumerate(runs):
        at = starts[j] if starts else at
        rows.append({"job": str(j), "step": 0, "resource": "Wren", "start_min": at, "end_min": at + run})
        at += run
    return problem, read_plan({"rows": rows})


def chance(problem, plan, spread, count=20_000, **more):
    return chance_ready(problem, plan, spread, np.random.default_rng(0), count, **more)


@pytest.mark.parametrize(("due", "expected"), [(99, 0.0), (100, 1.0)])
def test_without_chance_it_is_the_plan(due, expected):
    """No spread: ready exactly when the plan is."""
    problem, plan = one_machine([60, 40], due)
    assert chance(problem, plan, STEADY, 10).chance == expected


@pytest.mark.parametrize("due", [90, 100, 125])
def test_one_run_follows_its_law(due):
    """One run of 100 min: the lognormal law's share below the due time (closed form)."""
    problem, plan = one_machine([100], due)
    expected = 0.5 * (1 + erf(log(due / 100) / 0.2 / sqrt(2)))
    found = chance(problem, plan, Spread(own=0.2, common=0, scrap=0, breakdown=0))
    assert found.chance == pytest.approx(expected, abs=4 * found.error + 1e-9)


def test_common_spread_goes_for_all_runs_of_a_machine():
    """Ten runs with a common factor alone: the sum is as one run, not as ten that even out."""
    problem, plan = one_machine([10] * 10, 110)
    expected = 0.5 * (1 + erf(log(1.1) / 0.15 / sqrt(2)))
    found = chance(problem, plan, Spread(own=0, common=0.15, scrap=0, breakdown=0))
    assert found.chance == pytest.approx(expected, abs=4 * found.error)


@pytest.mark.parametrize(
    ("spread", "expected"),
    [
        (Spread(own=0, common=0, scrap=0.1, breakdown=0), 0.9**3),
        (Spread(own=0, common=0, scrap=0, breakdown=0.2, repair_min=5), 0.8**3),
    ],
)
def test_scrap_and_breakdowns(spread, expected):
    """Three runs that just fit are ready only if none is scrapped or interrupted: (1 - p)^3."""
    problem, plan = one_machine([50] * 3, 150)
    found = chance(problem, plan, spread)
    assert found.chance == pytest.approx(expected, abs=4 * found.error)
    assert found.each["0"] > found.each["2"]


def test_what_does_not_fit_goes_to_the_next_day():
    """A run that would pass the shift's end starts the next morning, and is ready for the day after only."""
    spread = Spread(own=0, common=0, scrap=0, breakdown=0, ratio={"Wren": 1.5})
    problem, plan = one_machine([40, 40], 1500, [[0, 100], [1440, 1600]])
    assert chance(problem, plan, spread, 5).each == {"0": 1.0, "1": 1.0}
    problem, plan = one_machine([40, 40], 1499, [[0, 100], [1440, 1600]])
    assert chance(problem, plan, spread, 5).each == {"0": 1.0, "1": 0.0}


def test_an_early_start_helps_only_in_its_own_open_time():
    """Early starts pull a run forward as far as its machine is free in that shift."""
    problem, plan = one_machine([40, 40], 100, starts=[0, 60])
    late = Spread(own=0, common=0, scrap=0, breakdown=0, ratio={"Wren": 1.2})
    assert chance(problem, plan, late, 5, early=False).chance == 0
    assert chance(problem, plan, late, 5).chance == 1


def test_changes_take_their_time():
    """A second fixture needs its change even when everything runs early."""
    problem = read_problem(
        {
            "fixture_change_min": 10,
            "resources": [{"name": "Wren", "open": [[0, 500]], "fixture": "L"}],
            "jobs": [
                {
                    "name": name,
                    "due_min": due,
                    "steps": [{"options": [{"resource": "Wren", "run_min": 20, "fixture": name}]}],
                }
                for name, due in (("L", 20), ("S", 49))
            ],
        }
    )
    rows = [
        {"job": "L", "step": 0, "resource": "Wren", "start_min": 0, "end_min": 20},
        {"job": "S", "step": 0, "resource": "Wren", "start_min": 40, "end_min": 60},
    ]
    assert chance(problem, read_plan({"rows": rows}), STEADY, 3).each == {"L": 1.0, "S": 0.0}
