"""Does trying everything agree with the optimizer, and is no bound ever above the best there is?"""

from __future__ import annotations

import random

import pytest

from planner.optimizer import read_problem, solve, verify
from planner.optimizer.bound import _pooled, _Relaxation, lower_bounds
from planner.optimizer.days import is_shareable, share_days
from planner.optimizer.floor import Floor
from planner.optimizer.greedy import cost_of, greedy
from planner.optimizer.model import Effort
from planner.optimizer.orders import is_able, settle

pytestmark = pytest.mark.solver

TIERS = ["undone", "late", "changeovers", "completion"]
BATCHES, EACH = 20, 10


def problem_of(seed):
    """Up to seven jobs of one step on up to three machines with fixtures, two open times, deadlines."""
    rng = random.Random(1000 + seed)
    names = ["A", "B", "C"][: rng.choice([1, 2, 2, 3, 3])]
    count = rng.choice([3, 4, 5, 6, 7]) if len(names) > 1 else rng.choice([3, 4, 5])
    closing = rng.choice([30, 50])
    jobs = []
    for j in range(count):
        able = rng.sample(names, rng.randint(1, len(names)))
        fixture = rng.choice(["L", "S", None])
        release = rng.choice([0, 0, 0, 15])
        job = {
            "name": f"lantern {j}",
            "priority": rng.choice([1, 1, 2, 3]),
            "release_min": release,
            "due_min": rng.randint(20, 110),
            "steps": [
                {
                    "options": [
                        {"resource": n, "run_min": rng.randint(4, 20), "fixture": fixture} for n in able
                    ]
                }
            ],
        }
        if rng.random() < 0.6:
            job["deadline_min"] = rng.randint(25, 130)
        jobs.append(job)
    return {
        "tiers": TIERS,
        "resources": [
            {"name": n, "open": [[0, closing], [70, 70 + closing]], "fixture": rng.choice(["L", "S"])}
            for n in names
        ],
        "fixture_change_min": rng.choice([0, 4, 8]),
        "jobs": jobs,
    }


def best_of(source):
    """The least cost of all ways: every order on every machine, every sharing out, every choice of undone.

    Costs add up over machines, so for each machine and each set of jobs the best order is enough. Each job
    starts as early as it can after the one before it: none of the tiers gets better by waiting.
    """
    jobs = source["jobs"]
    whole = (1 << len(jobs)) - 1
    undone = [
        sum(job["priority"] for j, job in enumerate(jobs) if not chosen >> j & 1)
        for chosen in range(whole + 1)
    ]
    served = {0: (0, 0, 0)}
    for resource in source["resources"]:
        alone = orders(source, resource)
        added = {}
        for chosen, cost in served.items():
            for more, extra in alone.items():
                if chosen & more:
                    continue
                total = tuple(a + b for a, b in zip(cost, extra, strict=True))
                if (chosen | more) not in added or total < added[chosen | more]:
                    added[chosen | more] = total
        served = added
    return min((undone[chosen], *cost) for chosen, cost in served.items())


def orders(source, resource):
    """For each set of jobs (as bits) that one machine can do, the least lateness, changes and completion."""
    best = {0: (0, 0, 0)}

    def go(done, end, fixture, cost):
        for j, job in enumerate(source["jobs"]):
            option = next((o for o in job["steps"][0]["options"] if o["resource"] == resource["name"]), None)
            if done >> j & 1 or option is None:
                continue
            wanted = option["fixture"] or fixture
            change = source["fixture_change_min"] if wanted != fixture else 0
            start = first_start(resource["open"], max(end, 0), change, job["release_min"], option["run_min"])
            if start is None or start + option["run_min"] > job.get("deadline_min", 10**6):
                continue
            ended = start + option["run_min"]
            late = max(0, ended - job["due_min"])
            total = (
                cost[0] + job["priority"] * late,
                cost[1] + 3 * (wanted != fixture),
                cost[2] + job["priority"] * ended,
            )
            now = done | 1 << j
            if now not in best or total < best[now]:
                best[now] = total
            go(now, ended, wanted, total)

    go(0, 0, resource["fixture"], (0, 0, 0))
    return best


def first_start(spans, end, change, release, run):
    """The first start after a row's end, with the change inside the same open time."""
    for first, last in spans:
        start = max(max(first, end) + change, release)
        if start + run <= last:
            return start
    return None


@pytest.mark.parametrize("batch", range(BATCHES))
def test_trying_everything_agrees(batch):
    """200 problems: every tier is the best there is, is proven so, and no bound lies above it."""
    for seed in range(EACH * batch, EACH * (batch + 1)):
        source = problem_of(seed)
        expected = best_of(source)
        problem = read_problem(source)
        plan = solve(problem, seconds=20, workers=1, seed=seed, repeatable=True)
        assert verify(problem, plan) == []
        assert tuple(plan.tiers[name].value for name in TIERS) == expected, seed
        assert all(tier.bound <= tier.value for tier in plan.tiers.values())
        assert {tier.status for tier in plan.tiers.values()} == {"proven best"}, seed
        floor = Floor(problem)
        settled = settle(floor, greedy(floor), Effort(20.0, 1, seed, True), lambda: True)
        assert is_able(floor) and cost_of(settled.board) >= expected, seed
        assert settled.bounds["undone"] <= expected[0], seed
        if cost_of(settled.board)[0] == expected[0]:
            assert settled.bounds.get("late", 0) <= expected[1], seed
        if all(job["steps"][0]["options"][0]["fixture"] for job in source["jobs"]):
            # with nothing left open between two jobs the model is exact
            assert cost_of(settled.board)[:2] == expected[:2], seed
            assert [settled.bounds[name] for name in TIERS[:2]] == list(expected[:2]), seed
        shared = share_days(floor, greedy(floor), Effort(20.0, 1, seed, True), lambda: True)
        assert is_shareable(floor) and cost_of(shared.board) >= expected, seed
        assert shared.bounds["undone"] <= expected[0], seed
        if cost_of(shared.board)[0] == expected[0]:
            assert shared.bounds.get("late", 0) <= expected[1], seed
        if expected[0] == 0:
            assert _pooled(_Relaxation(problem), tuple(TIERS), "late") <= expected[1], seed
        bounds = lower_bounds(problem, dict(zip(TIERS, expected, strict=True)), 5.0)
        assert all(bounds[name] <= value for name, value in zip(TIERS, expected, strict=True)), seed
