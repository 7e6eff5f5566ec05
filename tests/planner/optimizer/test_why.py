"""Does a job that is undone or late say what stands in its way?"""

from __future__ import annotations

import pytest

from planner.optimizer import read_problem, solve


def said(job, **other):
    """The sentence for one job on one machine that is open from 0 to 100 and from 200 to 300."""
    source = {
        "resources": [{"name": "Heron", "open": [[0, 100], [200, 300]]}],
        "jobs": [{"name": "one", **job}],
    }
    return solve(read_problem(source | other), seconds=3, workers=1, repeatable=True).why["one"]


def steps(run=50, **option):
    return [{"options": [{"resource": "Heron", "run_min": run, **option}]}]


@pytest.mark.parametrize(
    ("job", "other", "expected"),
    [
        ({"steps": steps(120)}, {}, "Heron never open 120 min without a break"),
        ({"steps": steps(), "release_min": 60, "deadline_min": 180}, {}, "not open 50 min without a break"),
        ({"steps": steps(), "release_min": 60, "deadline_min": 90}, {}, "cannot end before minute 250"),
        ({"steps": steps(wear={"6F": 0.5})}, {"cutters": [{"type": "6F", "life_left": [0.4]}]}, "0.5 needed"),
        ({"steps": steps(people=3)}, {"people": [{"count": 2}]}, "needs 3 people at once, 2 are there"),
        (
            {
                "steps": [
                    {
                        "name": "hollow",
                        "options": [{"resource": "Heron", "run_min": 5, "skill": "hollow", "people": 1}],
                    }
                ]
            },
            {"people": [{"skill": "mount", "count": 2}]},
            "hollow needs 1 people who can hollow at once, 0 are there",
        ),
        (
            {
                "steps": [*steps(), *steps(30), *steps()],
                "within_min": [{"from_step": 0, "to_step": 2, "most_min": 20}],
            },
            {},
            "step 2 must start within 20 min of the end of step 0, what lies between takes 30 min",
        ),
        ({"steps": steps(), "due_min": 40}, {}, "10 min late: released minute 0"),
        (
            {"steps": steps()},
            {"pins": [{"job": "one", "step": 0, "resource": "Heron", "start_min": 80}]},
            "step 0 is pinned to Heron at minute 80",
        ),
        (
            {"steps": steps(), "release_min": 60, "deadline_min": 90},
            {"start": "2026-10-21T06:00:00+02:00"},
            "cannot end before Wed 21 Oct 10:10 even alone; its deadline is Wed 21 Oct 07:30",
        ),
    ],
)
def test_the_reason_is_named(job, other, expected):
    """One fact stands in the way, and the sentence names it."""
    assert expected in said(job, **other)


def test_a_full_machine_and_used_up_cutters_are_named():
    """Two jobs, time and life for one: the other one's sentence names both."""
    jobs = [{"name": name, "deadline_min": 80, "steps": steps(wear={"6F": 0.3})} for name in ("one", "two")]
    source = {
        "resources": [{"name": "Heron", "open": [[0, 100]]}],
        "cutters": [{"type": "6F", "life_left": [0.4]}],
        "jobs": jobs,
    }
    plan = solve(read_problem(source), seconds=3, workers=1, repeatable=True)
    (undone,) = plan.undone
    assert "50 of 80 open min taken by other jobs" in plan.why[undone]
    assert "the 6F cutters that other jobs leave have too little life" in plan.why[undone]
