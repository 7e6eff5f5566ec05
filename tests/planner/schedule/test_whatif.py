"""Does the program say before it happens what a missing machine would cost?"""

from __future__ import annotations

import random
from itertools import combinations

import pytest

from planner.optimizer import ProblemError, read_problem, solve, tier_values, verify
from planner.schedule.whatif import compare, outages, with_longer_days, with_people, without_machine

MACHINES = ("Wren", "Heron", "Badger", "Otter", "Stoat")
CARVE_WINDOW = [[0, 660], [1440, 2100], [2880, 3540], [4320, 4680]]


def opening(jobs=120):
    """The demo opening's shape: 120 lanterns of about 40 min, five machines, three days and a morning.

    Every lantern may go to four of the machines, so that no single one is out of place without the rest.
    """
    rng = random.Random(3)
    lanterns = []
    for j in range(jobs):
        run = rng.randint(20, 38)
        able = rng.sample(MACHINES, 4)
        lanterns.append(
            {
                "name": f"lantern {j + 1}",
                "due_min": 4960,
                "deadline_min": 4960,
                "use_min": 5005,
                "steps": [
                    {
                        "options": [
                            {"resource": name, "load_min": 5, "run_min": run, "unload_min": 6}
                            for name in able
                        ]
                    }
                ],
            }
        )
    return read_problem(
        {
            "tiers": ["undone", "late", "stored_nights"],
            "resources": [{"name": name, "open": CARVE_WINDOW} for name in MACHINES],
            "jobs": lanterns,
        }
    )


def minutes_needed(problem):
    return sum(min(o.whole_min for o in job.steps[0].options) for job in problem.jobs)


def test_the_opening_is_met_with_two_machines_down_but_not_with_three():
    """Any two down: all ready. Any three down: not, and that is proven, not only not found.

    By hand: three machines have 3 x 2340 = 7020 min for some 4800 min of work, two have 4680.
    """
    problem = opening()
    assert 4680 < minutes_needed(problem) < 7020
    two = outages(problem, 2, repeatable=True)
    assert len(two) == 10
    assert all(outage.undone == 0 and outage.verdict.endswith("all ready in time") for outage in two)
    three = outages(problem, 3, repeatable=True, seconds=0.1)
    assert len(three) == 10
    for outage in three:
        # each lantern has a machine left, but the minutes of the two are not enough
        over = minutes_needed(problem) - 2 * 2340
        assert outage.undone >= outage.at_least >= over / 49 > 0
        assert "not all ready, proven" in outage.verdict


def test_a_copy_leaves_the_live_plan_alone():
    """Heron down for 26 h: the copy moves what must, the live rows and their tiers stay as they were."""
    problem = opening(40)
    live = solve(problem, seconds=0.2, workers=1, repeatable=True)
    rows = live.rows
    copy = without_machine(problem, "Heron", 2880, 2880 + 26 * 60)
    found = compare(problem, rows, copy, seconds=0.2, workers=1, repeatable=True)
    assert live.rows == rows
    lines = {line.tier: line for line in found.lines}
    assert lines["stored_nights"].live == tier_values(problem, live)["stored_nights"]
    assert lines["moved"].live == 0 and lines["moved"].copy == len(found.moved)
    assert found.met and found.verdict == "all ready in time"
    assert not [r for r in found.plan.rows if r.resource == "Heron" and 2880 < r.end_min <= 2880 + 26 * 60]
    hit = {row.job for row in rows if row.resource == "Heron" and 2880 < row.end_min <= 2880 + 26 * 60}
    assert {step.job for step in found.moved if step.why == "Heron is down or closed then"} == hit


def test_more_hours_and_more_people():
    """An hour more is an hour at the end of each open time, never into the next one; people are counted."""
    problem = read_problem(
        {
            "resources": [{"name": "Wren", "open": [[0, 60], [100, 160]]}],
            "people": [{"open": [[0, 60]], "count": 1}],
            "jobs": [],
        }
    )
    longer = with_longer_days(problem, 60)
    assert longer.resources[0].open == ((0, 100), (100, 220))
    assert longer.people[0].open == ((0, 120),)
    assert with_people(problem, 2).people[0].count == 3
    assert with_people(problem, -5).people[0].count == 0


def test_an_unknown_machine_is_refused():
    """A machine that is not there cannot be down."""
    with pytest.raises(ProblemError, match="Ferret"):
        without_machine(opening(1), "Ferret")


def test_outages_agree_with_trying_every_share():
    """Three jobs, two machines: the weight undone equals the best of all ways to share out what fits."""
    opened = [[0, 50]]
    problem = read_problem(
        {
            "tiers": ["undone"],
            "resources": [{"name": name, "open": opened} for name in ("A", "B")],
            "jobs": [
                {
                    "name": f"job {j}",
                    "priority": weight,
                    "steps": [{"options": [{"resource": name, "run_min": run} for name in ("A", "B")]}],
                }
                for j, (weight, run) in enumerate(((1, 20), (2, 30), (3, 25)))
            ],
        }
    )
    fits = [
        sum(job.priority for job in chosen)
        for count in range(4)
        for chosen in combinations(problem.jobs, count)
        if sum(job.steps[0].options[0].run_min for job in chosen) <= 50
    ]
    found = outages(problem, 1, repeatable=True, seconds=0.3)
    assert [outage.undone for outage in found] == [6 - max(fits)] * 2
    assert verify(problem, solve(problem, seconds=0.3, workers=1, repeatable=True)) == []


def test_one_person_more_among_people_of_several_skills():
    """One who can do all comes in; of two less, both are of the largest group."""
    source = {
        "resources": [{"name": "Heron"}],
        "people": [{"skill": "hollow", "count": 3}, {"skill": "mount", "count": 1}],
        "jobs": [{"name": "one", "steps": [{"options": [{"resource": "Heron", "run_min": 5}]}]}],
    }
    problem = read_problem(source)
    more = with_people(problem, 1).people
    assert more is not None and [(g.skills, g.count) for g in more] == [
        (("hollow",), 3), (("mount",), 1), (("any",), 1),
    ]  # fmt: skip
    less = with_people(problem, -2).people
    assert less is not None and [g.count for g in less] == [1, 1]
