"""Is what sharing out over the days proves true, with changes, releases and too few people?"""

from __future__ import annotations

import itertools
import random

import pytest

from planner.optimizer import read_problem, tier_values, verify
from planner.optimizer.bound import lower_bounds
from planner.optimizer.days import share_days
from planner.optimizer.exact import solve_exactly
from planner.optimizer.floor import Floor
from planner.optimizer.greedy import cost_of, greedy
from planner.optimizer.model import Effort
from planner.optimizer.problem import Plan

pytestmark = pytest.mark.solver

TIERS = ["undone", "late", "stored_nights"]


def problem_of(seed):
    """Up to five jobs on two machines, two short days, two fixtures, two cutters, one person to load."""
    rng = random.Random(seed)
    opened = [[0, 40], [1440, 1480]]
    jobs = []
    for j in range(rng.choice([3, 4, 5])):
        kinds = rng.choice([["6F"], ["3F"], ["6F", "3F"]])
        fixture = rng.choice(["L", "S"])
        options = [
            {
                "resource": name,
                "load_min": 3,
                "run_min": rng.randint(2, 9),
                "unload_min": 2,
                "fixture": fixture,
                "wear": {kind: 0.01 for kind in kinds},
            }
            for name in rng.sample(["A", "B"], rng.choice([1, 2]))
        ]
        jobs.append(
            {
                "name": f"lantern {j}",
                "release_min": rng.choice([0, 0, 20, 1440, 1455]),
                "due_min": 1480,
                "deadline_min": 1480,
                "use_min": 1500,
                "perish": rng.choice([1, 2]),
                "steps": [{"options": options}],
            }
        )
    return {
        "tiers": TIERS,
        "resources": [
            {"name": "A", "open": opened, "attended": 0.33, "fixture": "L", "cutter": "6F"},
            {"name": "B", "open": opened, "attended": 0.33, "fixture": "S", "cutter": "3F"},
        ],
        "people": [{"open": opened, "count": 1}],
        "cutters": [
            {"type": "6F", "life_left": [1.0, 1.0, 1.0], "change_min": 2},
            {"type": "3F", "life_left": [1.0, 1.0, 1.0], "change_min": 2},
        ],
        "fixture_change_min": 5,
        "jobs": jobs,
    }


def best_of(source):
    """The least undone and nights of all ways without people: every place of every job, every order there.

    People left out can only make it less, so it is a lower end for any plan; with them the checker judges.
    """
    jobs = source["jobs"]
    choices = [[None, *((o, d) for o in job["steps"][0]["options"] for d in range(2))] for job in jobs]
    ways = []
    for chosen in itertools.product(*choices):
        undone = sum(place is None for place in chosen)
        nights = sum(
            job["perish"]
            for job, place in zip(jobs, chosen, strict=True)
            if place is not None and not place[1]
        )
        ways.append((undone, nights, chosen))
    for undone, nights, chosen in sorted(ways, key=lambda way: way[:2]):
        if all(machine_fits(source, resource, chosen) for resource in source["resources"]):
            return undone, 0, nights
    raise AssertionError("leaving all undone always fits")


def machine_fits(source, resource, chosen):
    """Whether some order of each day fits, the day after beginning with what the day before ended with."""
    states = {(resource["fixture"], resource["cutter"])}
    for day, (first, last) in enumerate(resource["open"]):
        here = [
            (source["jobs"][j]["release_min"], place[0])
            for j, place in enumerate(chosen)
            if place is not None and place[1] == day and place[0]["resource"] == resource["name"]
        ]
        after = set()
        for state in states:
            for order in itertools.permutations(here):
                end, now = first, state
                for release, option in order:
                    end, now = run_after(source, end, now, release, option)
                if end <= last:
                    after.add(now)
        states = after
    return bool(states)


def run_after(source, end, state, release, option):
    """When a job ends after another, and what is fitted then."""
    fixture, kind = state
    change = source["fixture_change_min"] * (option["fixture"] != fixture)
    for wanted in option["wear"]:
        change += 2 * (wanted != kind)
        kind = wanted
    whole = option["load_min"] + option["run_min"] + option["unload_min"]
    return max(end + change, release) + whole, (option["fixture"], kind)


@pytest.mark.parametrize("seed", range(12))
def test_no_more_is_proven_than_can_be(seed):
    """Bounds do not pass the best valid plan known, and reached bounds are not below trying everything."""
    source = problem_of(seed)
    problem = read_problem(source)
    floor = Floor(problem)
    shared = share_days(floor, greedy(floor), Effort(20.0, 1, seed, True), lambda: True)
    plan = Plan(shared.board.rows(), tuple(j.name for j in problem.jobs if j.name not in _done(shared.board)))
    assert verify(problem, plan) == []
    values = tuple(tier_values(problem, plan)[name] for name in TIERS)
    assert values == cost_of(shared.board)
    assert values >= best_of(source)
    proof = solve_exactly(floor, greedy(floor), Effort(20.0, 1, seed, True), lambda: True)
    best = cost_of(proof.board)
    assert tuple(proof.bounds[name] for name in TIERS) == best, "the model of everything, other code, ends"
    relaxed = lower_bounds(problem, dict(zip(TIERS, best, strict=True)), 20.0)
    assert all(relaxed[name] <= value for name, value in zip(TIERS, best, strict=True))
    for name, value, found in zip(TIERS, best, values, strict=True):
        assert shared.bounds.get(name, 0) <= value
        if found != value:
            break
    assert all(
        shared.bounds[name] <= value
        for name, value in zip(TIERS, values, strict=True)
        if name in shared.bounds
    )


def _done(board):
    return {row.job for row in board.rows()}


def test_machines_that_cannot_all_be_unloaded_at_closing_cost_a_night():
    """Two machines full to the minute, one person: both cannot be unloaded last, so a lantern is a day early.

    Without the wait one lantern of 30 min would fit each machine's 30 min of the second day.
    """
    opened = [[0, 30], [1440, 1470]]
    source = {
        "tiers": TIERS,
        "resources": [{"name": n, "open": opened, "attended": 0} for n in "AB"],
        "people": [{"open": opened, "count": 1}],
        "jobs": [
            {
                "name": n,
                "deadline_min": 1470,
                "use_min": 1500,
                "steps": [{"options": [{"resource": n, "load_min": 5, "run_min": 20, "unload_min": 5}]}],
            }
            for n in "AB"
        ],
    }
    floor = Floor(read_problem(source))
    shared = share_days(floor, greedy(floor), Effort(20.0, 1, 0, True), lambda: True)
    assert cost_of(shared.board) == (0, 0, 1)
    assert shared.bounds == {"undone": 0, "late": 0, "stored_nights": 1}
    values = {"undone": 0, "late": 0, "stored_nights": 2}
    assert lower_bounds(floor.problem, values, 20.0)["stored_nights"] == 1
    assert lower_bounds(floor.problem, values, 20.0, only=TIERS[:2]) == {"undone": 0, "late": 0}
    assert lower_bounds(floor.problem, values, 0.0, proven={"stored_nights": 1})["stored_nights"] == 1
