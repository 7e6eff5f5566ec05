"""Does the safe plan after a breakdown keep what can stay, and does a better one keep within its moves?"""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from planner.optimizer import first_plan, read_problem, solve, verify
from planner.optimizer.problem import MOVED_MIN
from planner.schedule.moved import is_moved, moved_steps

pytestmark = pytest.mark.solver
DAYS = [[0, 400], [1440, 1840], [2880, 3280]]
TIERS = ("undone", "late", "moved", "stored_nights", "changeovers", "finish")


def fleet(seed, jobs=50):
    """Lanterns of half an hour on three machines over three days, about two thirds full."""
    rng = random.Random(seed)
    names = ["Wren", "Heron", "Otter"]
    return read_problem(
        {
            "tiers": ["undone", "late", "stored_nights", "changeovers", "finish"],
            "fixture_change_min": 10,
            "resources": [{"name": name, "open": DAYS, "fixture": "L"} for name in names],
            "jobs": [
                {
                    "name": f"lantern {j}",
                    "due_min": 3280,
                    "deadline_min": 3280,
                    "use_min": 3325,
                    "steps": [
                        {
                            "options": [
                                {"resource": name, "run_min": run, "fixture": fixture}
                                for name in rng.sample(names, rng.choice([2, 3]))
                            ]
                        }
                    ],
                }
                for j in range(jobs)
                for run, fixture in [(rng.randint(20, 50), rng.choice("LLS"))]
            ],
        }
    )


def broken(problem, plan, name="Heron", from_min=1440, to_min=1840):
    """The problem after a breakdown, with its published plan and half an hour frozen."""

    def down(resource):
        if resource.name != name:
            return resource
        spans = [piece for a, b in resource.open for piece in ((a, min(b, from_min)), (max(a, to_min), b))]
        return replace(resource, open=tuple(span for span in spans if span[0] < span[1]))

    return replace(
        problem,
        resources=tuple(down(resource) for resource in problem.resources),
        published=plan.rows,
        frozen_until_min=from_min + 30,
        tiers=TIERS,
    )


@pytest.mark.parametrize("seed", range(4))
def test_the_safe_plan_keeps_what_can_stay(seed):
    """Only rows on the machine that is down have moved; frozen rows are the same to the minute.

    The fixture that the first row after it found may be gone: a change then pushes the last row out.
    """
    problem = fleet(seed)
    plan = solve(problem, seconds=0.5, workers=1, repeatable=True)
    after = broken(problem, plan)
    safe = first_plan(after)
    assert verify(after, safe) == []
    hit = {row.job for row in plan.rows if row.resource == "Heron" and 1440 <= row.start_min < 1840}
    moved = moved_steps(after, safe)
    assert hit and hit <= {step.job for step in moved}
    assert all(step.before.startswith("Heron") for step in moved) and len(moved) <= len(hit) + 1
    assert {step.why for step in moved if step.job in hit} == {"Heron is down or closed then"}
    stays = {row for row in plan.rows if row.start_min < 1470 and row.job not in hit}
    assert stays <= set(safe.rows)


@pytest.mark.parametrize("seed", range(2))
def test_a_better_plan_keeps_within_its_moves(seed):
    """With a tenth of the others allowed to move, no more than that do, and nothing gets worse."""
    problem = fleet(seed)
    plan = solve(problem, seconds=0.5, workers=1, repeatable=True)
    after = broken(problem, plan)
    safe = first_plan(after)
    better = solve(after, seconds=0.5, workers=1, repeatable=True, most_moved=0.1)
    assert verify(after, better) == []
    must = safe.tiers["moved"].value
    assert better.tiers["moved"].value <= must + (len(plan.rows) - must) // 10
    values = [[p.tiers[name].value for name in TIERS] for p in (better, safe)]
    assert values[0] <= values[1]


def test_without_a_change_nothing_moves():
    """The published plan again: the safe plan is the published one."""
    problem = fleet(1)
    plan = solve(problem, seconds=0.5, workers=1, repeatable=True)
    again = replace(problem, published=plan.rows, tiers=TIERS)
    assert set(first_plan(again).rows) == set(plan.rows)


def test_a_moved_row_has_its_reason():
    """Released later, pinned elsewhere, its place given away: each is said."""
    source = {
        "tiers": ["undone", "moved"],
        "resources": [{"name": "Wren", "open": [[0, 300]]}, {"name": "Otter", "open": [[0, 300]]}],
        "jobs": [
            {
                "name": name,
                "release_min": release,
                "steps": [{"options": [{"resource": m, "run_min": 40} for m in machines]}],
            }
            for name, release, machines in (
                ("late", 100, ["Wren"]),
                ("pinned", 0, ["Wren", "Otter"]),
                ("pushed", 0, ["Wren", "Otter"]),
                ("stays", 0, ["Otter"]),
            )
        ],
        "pins": [{"job": "pinned", "step": 0, "resource": "Wren", "start_min": 160}],
        "published": [
            {"job": "late", "step": 0, "resource": "Wren", "start_min": 0, "end_min": 40},
            {"job": "pinned", "step": 0, "resource": "Otter", "start_min": 100, "end_min": 140},
            {"job": "pushed", "step": 0, "resource": "Wren", "start_min": 150, "end_min": 190},
            {"job": "stays", "step": 0, "resource": "Otter", "start_min": 0, "end_min": 40},
        ],
    }
    problem = read_problem(source)
    plan = first_plan(problem)
    assert verify(problem, plan) == []
    why = {step.job: step.why for step in moved_steps(problem, plan)}
    assert why["late"] == "it is released later now"
    assert why["pinned"] == "pinned there by a person"
    assert "pushed" not in why or why["pushed"] == "its place goes to pinned"
    assert "stays" not in why


def test_half_an_hour_is_no_move():
    """A start up to 30 min away on the same resource does not count."""
    row = fleet(0, 1).jobs[0]
    rows = solve(fleet(0, 1), seconds=0.1, workers=1, repeatable=True).rows
    near = replace(rows[0], start_min=rows[0].start_min + MOVED_MIN)
    far = replace(rows[0], start_min=rows[0].start_min + MOVED_MIN + 1)
    assert row.name == rows[0].job
    assert not is_moved(rows[0], near) and is_moved(rows[0], far)
