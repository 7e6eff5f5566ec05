"""Do bench steps, people by skill, carriers and pieces that wait agree with trying every minute?"""

from __future__ import annotations

import random

import numpy as np
import pytest

from planner.optimizer import first_plan, read_problem, solve, verify, write_problem
from planner.optimizer.bound import lower_bounds

pytestmark = pytest.mark.solver

TIERS = ["undone", "late", "completion"]
LAST = 16
BATCHES, EACH = 8, 6
USES = ("bench", "A", "B", "table", "hollow", "mount", "people", "plates", "wait A", "wait B")


def problem_of(seed):
    """Up to three lanterns through hollowing, cutting on A or B, and finishing, in sixteen minutes."""
    rng = random.Random(7000 + seed)
    crew = {"hollow": rng.randint(0, 1), "both": 1, "mount": rng.randint(0, 1)}
    jobs = []
    for j in range(rng.choice([2, 3, 3])):
        attended = {"load_min": 1, "unload_min": rng.choice([0, 1]), "skill": rng.choice([None, "mount"])}
        cut = [
            {"resource": name, "run_min": rng.randint(1, 4), **attended}
            for name in rng.choice([("A",), ("A", "B"), ("B",)])
        ]
        job = {
            "name": f"lantern {j}",
            "priority": rng.choice([1, 1, 2]),
            "release_min": rng.choice([0, 0, 2]),
            "due_min": rng.randint(5, 14),
            "deadline_min": rng.randint(9, LAST),
            "waits_from": 0,
            "steps": [
                {
                    "name": "hollow",
                    "options": [
                        {"resource": "bench", "run_min": rng.randint(1, 3), "people": 1, "skill": "hollow"}
                    ],
                },
                {"name": "cut", "options": cut},
                {
                    "name": "finish",
                    "options": [
                        {
                            "resource": "table",
                            "run_min": rng.randint(1, 2),
                            "people": 1,
                            "skill": rng.choice([None, "mount"]),
                        }
                    ],
                },
            ],
        }
        if rng.random() < 0.7:
            job["holds"] = [{"resource": "plates", "from_step": 1, "to_step": 2}]
        if rng.random() < 0.5:
            job["within_min"] = [{"from_step": 0, "to_step": 2, "most_min": rng.randint(5, 8)}]
        if rng.random() < 0.5:
            job["max_wait_min"] = [rng.randint(0, 3), None]
        jobs.append(job)
    closed = rng.choice([4, 8])
    source = {
        "tiers": TIERS,
        "resources": [
            {"name": "A", "open": [[0, closed], [closed + 2, LAST]], "most_waiting": 1},
            {"name": "B", "open": [[0, LAST]], "most_waiting": rng.choice([1, 2])},
            {"name": "bench", "kind": "bench", "open": [[0, LAST]], "capacity": rng.choice([1, 2])},
            {"name": "table", "kind": "bench", "open": [[0, LAST]]},
            {"name": "plates", "kind": "carrier", "capacity": rng.choice([1, 2])},
        ],
        "people": [
            {"skill": "hollow", "open": [[0, LAST]], "count": crew["hollow"]},
            {"skill": ["hollow", "mount"], "open": [[0, LAST]], "count": crew["both"]},
            {"skill": "mount", "open": [[0, LAST]], "count": crew["mount"]},
        ],
        "jobs": jobs,
    }
    return without_none(source), crew


def without_none(source):
    """Options without a skill have no such key."""
    for job in source["jobs"]:
        for step in job["steps"]:
            for option in step["options"]:
                if option.get("skill", "") is None:
                    del option["skill"]
    return source


def ways_of(source, job):
    """Every way to do a job: what it takes minute by minute, and what it costs as one number."""
    spans = {r["name"]: r.get("open", [[0, LAST]]) for r in source["resources"]}
    hollow, cut, finish = job["steps"]
    waits = job.get("max_wait_min", [None, None])
    ways = []
    for a in starts(spans, hollow["options"][0], job["release_min"]):
        a_end = a + hollow["options"][0]["run_min"]
        for option in cut["options"]:
            length = option["load_min"] + option["run_min"] + option["unload_min"]
            for b in starts(spans, option, a_end):
                if waits[0] is not None and b - a_end > waits[0]:
                    continue
                for c in starts(spans, finish["options"][0], b + length):
                    end = c + finish["options"][0]["run_min"]
                    limit = next((w["most_min"] for w in job.get("within_min", [])), 10**6)
                    if end > job["deadline_min"] or c - a_end > limit:
                        continue
                    late = job["priority"] * max(0, end - job["due_min"])
                    taken = usage(job, option, a, a_end, b, b + length, c, end)
                    ways.append((late * 10**4 + job["priority"] * end, taken))
    ways.append((job["priority"] * 10**8, np.zeros((len(USES), LAST), dtype=int)))
    return sorted(ways, key=lambda way: way[0])


def starts(spans, option, low):
    length = option.get("load_min", 0) + option["run_min"] + option.get("unload_min", 0)
    return [
        s for s in range(low, LAST) if any(a <= s and s + length <= b for a, b in spans[option["resource"]])
    ]


def usage(job, option, a, a_end, b, b_end, c, c_end):
    taken = np.zeros((len(USES), LAST), dtype=int)

    def take(name, first, last):
        taken[USES.index(name), first:last] += 1

    def work(skill, first, last):
        take("people", first, last)
        if skill is not None:
            take(skill, first, last)

    take("bench", a, a_end)
    work("hollow", a, a_end)
    take(option["resource"], b, b_end)
    work(option.get("skill"), b, b + option["load_min"])
    work(option.get("skill"), b_end - option["unload_min"], b_end)
    take(f"wait {option['resource']}", a_end, b)
    take("table", c, c_end)
    work(job["steps"][2]["options"][0].get("skill"), c, c_end)
    if job.get("holds"):
        take("plates", b, c_end)
    return taken


def best_of(source, crew):
    """The least cost over all ways of all jobs together; people by Hall's condition, written out by hand."""
    room = {r["name"]: r.get("capacity", 1) for r in source["resources"]}
    waiting = {f"wait {r['name']}": r["most_waiting"] for r in source["resources"] if "most_waiting" in r}
    people = {
        "hollow": crew["hollow"] + crew["both"],
        "mount": crew["mount"] + crew["both"],
        "people": sum(crew.values()),
    }
    most = np.array([(room | waiting | people)[name] for name in USES])[:, None]
    ways = [ways_of(source, job) for job in source["jobs"]]
    least = [group[0][0] for group in ways]
    last_costs = np.array([cost for cost, _ in ways[-1]])
    last_taken = np.array([taken for _, taken in ways[-1]])
    best = 10**12

    def go(at, cost, taken):
        nonlocal best
        if cost + sum(least[at:]) >= best:
            return
        if at == len(ways) - 1:
            fits = (last_taken + taken <= most).all(axis=(1, 2))
            best = min(best, cost + int(last_costs[fits.argmax()]))
            return
        for extra, more in ways[at]:
            if cost + extra + sum(least[at + 1 :]) >= best:
                return
            if (taken + more <= most).all():
                go(at + 1, cost + extra, taken + more)

    go(0, 0, np.zeros((len(USES), LAST), dtype=int))
    return best // 10**8, best % 10**8 // 10**4, best % 10**4


@pytest.mark.parametrize("batch", range(BATCHES))
def test_trying_every_minute_agrees(batch):
    """48 problems: every tier is the best there is and proven so, and no bound lies above it."""
    for seed in range(EACH * batch, EACH * (batch + 1)):
        source, crew = problem_of(seed)
        expected = best_of(source, crew)
        problem = read_problem(source)
        assert read_problem(write_problem(problem)) == problem
        plan = solve(problem, seconds=20, workers=1, seed=seed, repeatable=True)
        assert verify(problem, plan) == []
        assert tuple(plan.tiers[name].value for name in TIERS) == expected, seed
        assert {tier.status for tier in plan.tiers.values()} == {"proven best"}, seed
        bounds = lower_bounds(problem, dict(zip(TIERS, expected, strict=True)), 5.0)
        assert all(bounds[name] <= value for name, value in zip(TIERS, expected, strict=True)), seed
        assert verify(problem, first_plan(problem)) == []
