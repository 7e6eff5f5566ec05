"""Does slack buy chance for stored nights, and does the plan meet the chance first?"""

from __future__ import annotations

import numpy as np

from planner.optimizer import read_problem, solve, tier_values, verify
from planner.schedule.ready import Spread, chance_ready
from planner.schedule.slack import plan_safely, slack_curve, with_slack

SPREAD = Spread(own=0.1, common=0.0, scrap=0.0, breakdown=0.0)


def three_days(jobs=18, shift=300):
    """Lanterns of 42 min on two machines over three days; the last day alone holds not all of them."""
    opened = [[1440 * day, 1440 * day + shift] for day in range(3)]
    due = 2880 + shift
    names = ["Wren", "Heron"]
    return read_problem(
        {
            "tiers": ["undone", "late", "stored_nights"],
            "resources": [{"name": name, "open": opened} for name in names],
            "jobs": [
                {
                    "name": f"lantern {j}",
                    "due_min": due,
                    "deadline_min": due,
                    "use_min": due + 45,
                    "steps": [{"options": [{"resource": name, "run_min": 42} for name in names]}],
                }
                for j in range(jobs)
            ],
        }
    )


def test_slack_is_the_end_of_every_open_time():
    """80 % of a shift of 300 min leaves its last 60 free."""
    assert with_slack(three_days(), 0.8).resources[0].open == ((0, 240), (1440, 1680), (2880, 3120))


def test_the_curve_trades_nights_for_chance():
    """Every point is a valid plan with nothing undone; more slack, more nights, more chance."""
    problem = three_days()
    plan = solve(problem, seconds=0.2, workers=1, repeatable=True)
    curve = slack_curve(problem, plan, SPREAD, shares=(1.0, 0.9, 0.8, 0.7, 0.6))
    assert len(curve) == 5
    for point in curve:
        assert verify(problem, point.plan) == []
        assert point.undone == 0
        assert tier_values(problem, point.plan)["stored_nights"] == point.nights
    assert [p.nights for p in curve] == sorted(p.nights for p in curve)
    assert curve[-1].chance > curve[0].chance + 0.3


def test_the_chance_comes_before_the_nights():
    """A target of 95 % is met at the price of nights; without a target, nights are as few as can be."""
    problem = three_days()
    safe = plan_safely(problem, 0.95, spread=SPREAD, seconds=0.2, workers=1, repeatable=True)
    assert verify(problem, safe.plan) == []
    assert safe.met
    found = chance_ready(problem, safe.plan, SPREAD, np.random.default_rng(99), 4000)
    assert found.chance > 0.93
    loose = plan_safely(problem, 0.0, spread=SPREAD, seconds=0.2, workers=1, repeatable=True)
    # 7 runs of 42 min fit into a shift of 300 min: two machines hold 14 on the last day, 4 wait a night
    assert loose.plan.tiers["stored_nights"].value == 4
    assert safe.plan.tiers["stored_nights"].value > 4


def test_a_target_out_of_reach_is_said():
    """Where no slack is enough, the plan is the safest there is and says that the target is missed."""
    hopeless = Spread(own=0.0, common=0.0, scrap=0.9, breakdown=0.0)
    safe = plan_safely(three_days(), 0.9, spread=hopeless, seconds=0.1, workers=1, repeatable=True)
    assert not safe.met and safe.ready.chance < 0.9
