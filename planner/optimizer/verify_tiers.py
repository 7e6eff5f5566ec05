"""What does a plan cost in every tier? Counted from its rows alone."""

from __future__ import annotations

from planner.optimizer.problem import MOVED_MIN, NIGHT_MIN, Job, Plan, PlanProblem
from planner.optimizer.verify_cutters import changeovers


def ended_jobs(problem: PlanProblem, plan: Plan) -> dict[str, int]:
    """Return the end [min] of each job that is done by its deadline."""
    rows = {(row.job, row.step): row for row in plan.rows}
    ends = {}
    for job in problem.jobs:
        places = [(job.name, s) for s in range(len(job.steps))]
        if not all(place in rows for place in places):
            continue
        end = rows[places[-1]].end_min
        if job.deadline_min is None or end <= job.deadline_min:
            ends[job.name] = end
    return ends


def tier_values(problem: PlanProblem, plan: Plan) -> dict[str, int]:
    """Return what a plan costs in every tier, counted from its rows.

    Parameters
    ----------
    problem : PlanProblem
        Weights and times [-].
    plan : Plan
        Its rows are counted [-].
    """
    ended = ended_jobs(problem, plan)
    return {
        "undone": sum(job.priority for job in problem.jobs if job.name not in ended),
        "late": sum(_late(job, ended[job.name]) for job in problem.jobs if job.name in ended),
        "stored_nights": sum(_nights(job, ended[job.name]) for job in problem.jobs if job.name in ended),
        "changeovers": changeovers(problem, plan),
        "completion": sum(job.priority * ended[job.name] for job in problem.jobs if job.name in ended),
        "moved": _moved(problem, plan),
        "finish": max((row.end_min for row in plan.rows), default=0),
    }


def _late(job: Job, end_min: int) -> int:
    return 0 if job.due_min is None else job.priority * max(0, end_min - job.due_min)


def _nights(job: Job, end_min: int) -> int:
    return 0 if job.use_min is None else job.perish * max(0, (job.use_min - end_min) // NIGHT_MIN)


def _moved(problem: PlanProblem, plan: Plan) -> int:
    rows = {(row.job, row.step): row for row in plan.rows}
    moved = 0
    for old in problem.published or ():
        new = rows.get((old.job, old.step))
        if new is None or new.resource != old.resource or abs(new.start_min - old.start_min) > MOVED_MIN:
            moved += 1
    return moved
