"""Does the optimizer reach the published optimum of textbook schedules?"""

from __future__ import annotations

import pytest

from planner.optimizer import read_problem, solve, verify

pytestmark = pytest.mark.solver


def plain_jobs(minutes, resources, **per_job):
    """Jobs of one step on any of the resources; other fields come as lists in job order."""
    return [
        {
            "name": str(j + 1),
            **{key: values[j] for key, values in per_job.items()},
            "steps": [{"options": [{"resource": name, "run_min": run} for name in resources]}],
        }
        for j, run in enumerate(minutes)
    ]


def best(source):
    """The plan for a problem, checked by the independent checker."""
    problem = read_problem(source)
    plan = solve(problem, seconds=20, workers=1, repeatable=True)
    assert verify(problem, plan) == []
    return plan


def machines(count):
    return [{"name": f"machine {m + 1}"} for m in range(count)]


def on_one(jobs, tiers):
    return {"tiers": tiers, "resources": machines(1), "jobs": jobs}


@pytest.mark.parametrize("m", [2, 3, 4, 5])
def test_longest_first_is_not_good_enough(m):
    """The worst cases of longest-first: it ends at 4m-1, the optimum is 3m.

    Graham 1969, SIAM J. Appl. Math. 17:416-429; Pinedo, Scheduling, Example 5.1.2.
    """
    minutes = [2 * m - 1 - i // 2 for i in range(2 * (m - 1))] + [m, m, m]
    names = [resource["name"] for resource in machines(m)]
    plan = best({"tiers": ["finish"], "resources": machines(m), "jobs": plain_jobs(minutes, names)})
    assert sum(minutes) == 3 * m * m
    assert (plan.tiers["finish"].value, plan.tiers["finish"].status) == (3 * m, "proven best")


def test_graham_list_bound():
    """m(m-1) unit jobs and one of length m end at m, not at 2m-1.

    Graham 1966, Bell Syst. Tech. J. 45:1563-1581 (from memory).
    """
    m = 3
    names = [resource["name"] for resource in machines(m)]
    jobs = plain_jobs([1] * (m * (m - 1)) + [m], names)
    assert best({"tiers": ["finish"], "resources": machines(m), "jobs": jobs}).tiers["finish"].value == m


def test_fewest_late_jobs():
    """Moore-Hodgson: two jobs cannot be in time (Pinedo, Scheduling, Example 3.3.3)."""
    jobs = plain_jobs([7, 8, 4, 6, 6], ["machine 1"], deadline_min=[9, 17, 18, 19, 21])
    plan = best(on_one(jobs, ["undone"]))
    assert (plan.tiers["undone"].value, plan.tiers["undone"].status) == (2, "proven best")
    assert len(plan.undone) == 2
    assert set(plan.why) == set(plan.undone)


def test_total_tardiness():
    """The least total tardiness is 370 (Pinedo, Scheduling, Example 3.4.5); earliest due date gives 398."""
    jobs = plain_jobs([121, 79, 147, 83, 130], ["machine 1"], due_min=[260, 266, 266, 336, 337])
    plan = best(on_one(jobs, ["late"]))
    assert (plan.tiers["late"].value, plan.tiers["late"].status) == (370, "proven best")


def test_weighted_completion():
    """Smith's rule: 1942 without chains (Pinedo, Scheduling, Examples 3.1.4-3.1.5; Smith 1956)."""
    jobs = plain_jobs([3, 6, 6, 5, 4, 8, 10], ["machine 1"], priority=[6, 18, 12, 8, 8, 17, 18])
    plan = best(on_one(jobs, ["completion"]))
    assert (plan.tiers["completion"].value, plan.tiers["completion"].status) == (1942, "proven best")


def test_weighted_completion_with_chains():
    """Chains 1-2-3-4 and 5-6-7 of the same jobs: 1967, in the order 1, 2, 5, 6, 3, 7, 4.

    Pinedo, Scheduling, Example 3.1.5, by its rule of the chain with the largest weight for its time.
    """
    jobs = plain_jobs(
        [3, 6, 6, 5, 4, 8, 10],
        ["machine 1"],
        priority=[6, 18, 12, 8, 8, 17, 18],
        after=[[], ["1"], ["2"], ["3"], [], ["5"], ["6"]],
    )
    plan = best(on_one(jobs, ["completion"]))
    assert (plan.tiers["completion"].value, plan.tiers["completion"].status) == (1967, "proven best")
    assert [row.job for row in sorted(plan.rows, key=lambda r: r.start_min)] == list("1256374")


def test_two_machine_flow_shop():
    """Johnson 1954, Nav. Res. Logist. Q. 1:61-68: the five jobs end at 47."""
    first, second = [4, 4, 30, 6, 2], [5, 1, 4, 30, 3]
    jobs = [
        {
            "name": str(j + 1),
            "steps": [
                {"options": [{"resource": "machine 1", "run_min": a}]},
                {"options": [{"resource": "machine 2", "run_min": b}]},
            ],
        }
        for j, (a, b) in enumerate(zip(first, second, strict=True))
    ]
    plan = best({"tiers": ["finish"], "resources": machines(2), "jobs": jobs})
    assert (plan.tiers["finish"].value, plan.tiers["finish"].status) == (47, "proven best")


def test_without_breaks_twelve():
    """McNaughton 1959, Manag. Sci. 6:1-12: 35/3 with breaks, so 12 in whole minutes without."""
    names = [resource["name"] for resource in machines(3)]
    jobs = plain_jobs([8, 7, 6, 5, 4, 3, 2], names)
    plan = best({"tiers": ["finish"], "resources": machines(3), "jobs": jobs})
    assert (plan.tiers["finish"].value, plan.tiers["finish"].status) == (12, "proven best")


def test_longest_job_decides():
    """McNaughton 1959: 9, 4, 4, 2 on three machines end at 9, the longest job."""
    names = [resource["name"] for resource in machines(3)]
    plan = best({"tiers": ["finish"], "resources": machines(3), "jobs": plain_jobs([9, 4, 4, 2], names)})
    assert plan.tiers["finish"].value == 9
