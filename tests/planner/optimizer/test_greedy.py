"""Is the first plan valid for any problem, and is what makes it better valid too?"""

from __future__ import annotations

import random

import numpy as np
import pytest

from planner.optimizer import read_problem, tier_values, verify
from planner.optimizer.exact import repair
from planner.optimizer.floor import Floor
from planner.optimizer.greedy import cost_of, greedy, is_done
from planner.optimizer.improve import improve
from planner.optimizer.keep import kept_board, moved_of
from planner.optimizer.master import by_open_times
from planner.optimizer.model import Effort
from planner.optimizer.problem import Plan


def any_problem(seed, jobs=14):
    """A problem with everything: benches, waits, people, pins, worn cutters, open times that touch."""
    rng = random.Random(seed)
    opened = [[0, 120], [120, 240], [400, 600], [800, 1000]]
    resources = [
        {
            "name": name,
            "open": rng.choice([opened, opened[1:], [[0, 1000]], None]),
            "attended": rng.choice([0, 0.33, 1]),
            "fixture": rng.choice(["L", "S", None]),
        }
        for name in ("A", "B", "C")
    ]
    cutters = [
        {"type": "6F", "life_left": [rng.choice([0.2, 0.9]), 0.3, 1.0, 1.0], "change_min": 4},
        {"type": "3F", "life_left": [0.6, 0.5], "change_min": 2},
        {"type": "2D", "change_min": 1},
    ]
    resources[0]["cutter"] = "6F"
    resources[1]["cutter"] = "2D"
    resources.append({"name": "bench", "kind": "bench", "capacity": rng.choice([1, 2]), "open": opened})
    sources = [_any_job(rng, j) for j in range(jobs)]
    source = {
        "tiers": rng.choice(
            [
                ["undone", "late", "stored_nights", "changeovers", "finish"],
                ["undone", "moved", "completion"],
                ["late", "undone", "changeovers", "moved", "stored_nights", "completion", "finish"],
            ]
        ),
        "resources": resources,
        "cutters": cutters,
        "fixture_change_min": rng.choice([0, 7]),
        "jobs": sources,
        "pins": [
            {
                "job": f"job {j}",
                "step": len(sources[j]["steps"]) - 1,
                "resource": sources[j]["steps"][-1]["options"][0]["resource"],
                "start_min": rng.randint(0, 900),
            }
            for j in rng.sample(range(jobs), rng.choice([0, 2]))
        ],
    }
    if rng.random() < 0.7:
        source["people"] = [{"open": [[0, 240], [400, 1000]], "count": rng.choice([1, 2, 3])}]
    return source


def _any_job(rng, j):
    steps = []
    for _ in range(rng.choice([1, 1, 2, 3])):
        if rng.random() < 0.3:
            steps.append({"options": [{"resource": "bench", "run_min": rng.randint(5, 20), "people": 1}]})
            continue
        fixture = rng.choice(["L", "S", None])
        kinds = rng.choice([["6F"], ["3F"], ["6F", "3F"], ["2D"], ["2D", "6F"], []])
        steps.append(
            {
                "options": [
                    {
                        "resource": name,
                        "load_min": rng.choice([0, 3]),
                        "run_min": rng.randint(5, 40),
                        "unload_min": rng.choice([0, 3]),
                        "fixture": fixture,
                        "wear": {kind: rng.choice([0.0, 0.05, 0.1]) for kind in kinds},
                    }
                    for name in rng.sample(["A", "B", "C"], rng.choice([1, 2, 3]))
                ]
            }
        )
    job = {
        "name": f"job {j}",
        "priority": rng.choice([0, 1, 3]),
        "steps": steps,
        "perish": rng.choice([0, 2]),
    }
    job["release_min"] = rng.choice([0, 50, 300])
    if rng.random() < 0.5:
        job["due_min"] = rng.randint(50, 900)
    if rng.random() < 0.5:
        job["deadline_min"] = rng.randint(200, 1000)
    if rng.random() < 0.5:
        job["use_min"] = rng.randint(1500, 4000)
    job["max_wait_min"] = [rng.choice([None, 0, 30, 200]) for _ in steps[1:]]
    return job


def plan_of(problem, board):
    undone = tuple(job.name for j, job in enumerate(problem.jobs) if not is_done(board, j))
    return Plan(board.rows(), undone)


def check(problem, floor, board):
    """No breach, and the cost that steers the search equals the cost the checker counts."""
    plan = plan_of(problem, board)
    assert verify(problem, plan) == []
    values = tier_values(problem, plan)
    assert cost_of(board) == tuple(values[name] for name in floor.tiers)


def again(source, problem, board, rng):
    """The same problem a while later: published, partly frozen, a machine closed earlier."""
    rows = [
        {
            "job": row.job,
            "step": row.step,
            "resource": row.resource,
            "start_min": row.start_min,
            "end_min": row.end_min,
            "cutters": list(row.cutters),
        }
        for row in board.rows()
    ]
    resources = [dict(resource) for resource in source["resources"]]
    resources[2]["open"] = [[0, 240], [800, 1000]]
    return source | {"published": rows, "frozen_until_min": rng.randint(0, 400), "resources": resources}


@pytest.mark.parametrize("seed", range(12))
def test_every_way_gives_a_valid_plan(seed):
    """First plan, quick rounds, sharing out over open times, exact repair: valid, and none costs more."""
    source = any_problem(seed)
    rng = random.Random(seed)
    board = None
    for published in (False, True):
        if published:
            source = again(source, problem, board, rng)  # noqa: F821 -- set in the first round
        problem = read_problem(source)
        floor = Floor(problem)
        board = greedy(floor)
        check(problem, floor, board)
        better = improve(board, np.random.default_rng(seed), lambda: True, 15)
        check(problem, floor, better)
        assert cost_of(better) <= cost_of(board)
        shared = by_open_times(floor, board, Effort(0.5, 1, seed, True), lambda: True)
        check(problem, floor, shared)
        assert cost_of(shared) <= cost_of(board)
        stuck = {key[0] for key, entry in board.entries.items() if entry.stuck}
        free = {j for j in range(len(problem.jobs)) if j not in stuck and rng.random() < 0.5}
        places = {(r, w) for r, windows in enumerate(floor.windows) for w in range(len(windows))}
        repaired = repair(floor, better, free, places, Effort(0.3, 1, seed, True))
        check(problem, floor, repaired)
        assert cost_of(repaired) <= cost_of(better)


def test_a_big_problem_has_a_first_plan_in_little_time():
    """150 jobs on six machines: about a second of work; ten times that is allowed for a busy computer."""
    rng = random.Random(1)
    opened = [[1440 * day, 1440 * day + 660] for day in range(5)]
    names = [f"machine {m}" for m in range(6)]
    jobs = [
        {
            "name": f"job {j}",
            "release_min": rng.choice([0, 1440, 2880]),
            "due_min": rng.randint(2000, 6420),
            "deadline_min": 6420,
            "use_min": 6500,
            "steps": [
                {
                    "options": [
                        {
                            "resource": name,
                            "load_min": 5,
                            "run_min": rng.randint(10, 40),
                            "unload_min": 6,
                            "fixture": rng.choice(["L", "S"]),
                            "wear": {rng.choice(["6F", "3F"]): 0.01},
                        }
                        for name in names
                    ]
                }
            ],
        }
        for j in range(150)
    ]
    source = {
        "resources": [{"name": name, "open": opened, "attended": 0.33} for name in names],
        "people": [{"open": opened, "count": 5}],
        "cutters": [{"type": kind, "life_left": [1.0] * 9, "change_min": 4} for kind in ("6F", "3F")],
        "fixture_change_min": 10,
        "jobs": jobs,
    }
    problem = read_problem(source)
    floor = Floor(problem)
    board = greedy(floor)
    check(problem, floor, board)
    assert cost_of(board)[0] == 0


@pytest.mark.parametrize("seed", range(20))
def test_what_keeps_to_the_published_plan_is_valid(seed):
    """Published rows, frozen time, pins and closed hours together: no breach, nor by rounds from there."""
    rng = random.Random(seed)
    first = read_problem(any_problem(seed))
    problem = read_problem(again(any_problem(seed), first, greedy(Floor(first)), rng))
    floor = Floor(problem)
    board = kept_board(floor)
    assert board is not None
    check(problem, floor, board)
    floor.most_moved = moved_of(board) + 2
    better = improve(board, np.random.default_rng(seed), lambda: True, 20)
    check(problem, floor, better)
    assert moved_of(better) <= floor.most_moved and cost_of(better) <= cost_of(board)
