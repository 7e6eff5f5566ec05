"""What does a row of a plan stand for? Looked up for the checker alone, which shares nothing else."""

from __future__ import annotations

from collections import defaultdict

from planner.optimizer.problem import CutterType, Job, Option, Plan, PlanProblem, Resource, Row


def jobs_of(problem: PlanProblem) -> dict[str, Job]:
    """Return jobs by name."""
    return {job.name: job for job in problem.jobs}


def resources_of(problem: PlanProblem) -> dict[str, Resource]:
    """Return resources by name."""
    return {resource.name: resource for resource in problem.resources}


def cutter_types(problem: PlanProblem) -> dict[str, CutterType]:
    """Return types of cutters by name."""
    return {cutter.type: cutter for cutter in problem.cutters}


def option_of(problem: PlanProblem, row: Row) -> Option | None:
    """Return the option that a row uses, None where its step has no such option."""
    job = jobs_of(problem).get(row.job)
    if job is None or not 0 <= row.step < len(job.steps):
        return None
    for option in job.steps[row.step].options:
        if option.resource == row.resource:
            return option
    return None


def chosen(problem: PlanProblem, plan: Plan) -> list[tuple[Row, Option]]:
    """Return rows in time order with their options; options are looked up once for speed."""
    options = {
        (job.name, s, option.resource): option
        for job in problem.jobs
        for s, step in enumerate(job.steps)
        for option in step.options
    }
    return [(row, options[row.job, row.step, row.resource]) for row in sorted(plan.rows, key=_when)]


def _when(row: Row) -> tuple[int, int, str, int]:
    return row.start_min, row.end_min, row.job, row.step


def at(row: Row) -> str:
    """Return a row in words."""
    return f"{row.job}, step {row.step} on {row.resource} at {row.start_min}"


def by_resource(problem: PlanProblem, plan: Plan) -> dict[str, list[tuple[Row, Option]]]:
    """Return rows with their options by resource, in time order."""
    rows: dict[str, list[tuple[Row, Option]]] = defaultdict(list)
    for row, option in chosen(problem, plan):
        rows[row.resource].append((row, option))
    return rows


def held_rows(problem: PlanProblem) -> set[Row]:
    """Return the published rows of the frozen time that can still stay as they are."""
    if problem.frozen_until_min is None:
        return set()
    held: set[Row] = set()
    steps: set[tuple[str, int]] = set()
    for row in sorted(problem.published or (), key=lambda row: (row.job, row.step)):
        follows = row.step == 0 or (row.job, row.step - 1) in steps
        if follows and row.start_min < problem.frozen_until_min and _still_fits(problem, row):
            held.add(row)
            steps.add((row.job, row.step))
    return held


def _still_fits(problem: PlanProblem, row: Row) -> bool:
    option = option_of(problem, row)
    resource = resources_of(problem).get(row.resource)
    if option is None or resource is None or row.end_min - row.start_min != option.whole_min:
        return False
    if resource.open is None:
        return True
    return any(first <= row.start_min and row.end_min <= last for first, last in resource.open)


def place_of(row: Row) -> tuple[str, int, str, int]:
    """Return what makes two rows the same: job, step, resource, start [min]."""
    return row.job, row.step, row.resource, row.start_min
