"""How do a plan problem and a plan look as JSON objects? What does not limit is left out."""

from __future__ import annotations

from typing import Any

from planner.optimizer.problem import (
    LIFE_UNITS,
    PERSON,
    CutterType,
    Job,
    Option,
    People,
    Plan,
    PlanProblem,
    Resource,
    Row,
    Span,
    Step,
)


def write_plan(plan: Plan) -> dict[str, Any]:
    """Return a plan as an object for the `json` module.

    Parameters
    ----------
    plan : Plan
        The plan [-].
    """
    return {
        "rows": [_row_out(row) for row in plan.rows],
        "undone": list(plan.undone),
        "tiers": {
            name: {"value": tier.value, "bound": tier.bound, "status": tier.status}
            for name, tier in plan.tiers.items()
        },
        "seed": plan.seed,
        "seconds": plan.seconds,
        "versions": dict(plan.versions),
        "why": dict(plan.why),
    }


def write_problem(problem: PlanProblem) -> dict[str, Any]:
    """Return a problem as an object for the `json` module; what does not limit is left out.

    Parameters
    ----------
    problem : PlanProblem
        The problem [-].
    """
    whole: dict[str, Any] = {
        "start": problem.start,
        "tiers": list(problem.tiers),
        "resources": [_resource_out(resource) for resource in problem.resources],
        "people": None if problem.people is None else [_people_out(people) for people in problem.people],
        "cutters": [_cutter_out(cutter) for cutter in problem.cutters],
        "fixture_change_min": problem.fixture_change_min,
        "jobs": [_job_out(job) for job in problem.jobs],
        "pins": [
            {"job": pin.job, "step": pin.step, "resource": pin.resource, "start_min": pin.start_min}
            for pin in problem.pins
        ],
        "frozen_until_min": problem.frozen_until_min,
        "published": None if problem.published is None else [_row_out(row) for row in problem.published],
    }
    return _without_none(whole)


def _without_none(source: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in source.items() if value is not None}


def _spans_out(spans: tuple[Span, ...] | None) -> list[list[int]] | None:
    return None if spans is None else [list(span) for span in spans]


def _row_out(row: Row) -> dict[str, Any]:
    return {
        "job": row.job,
        "step": row.step,
        "resource": row.resource,
        "start_min": row.start_min,
        "end_min": row.end_min,
        "cutters": list(row.cutters),
    }


def _resource_out(resource: Resource) -> dict[str, Any]:
    return _without_none(
        {
            "name": resource.name,
            "kind": resource.kind,
            "capacity": resource.capacity,
            "open": _spans_out(resource.open),
            "attended": resource.attended / PERSON,
            "fixture": resource.fixture,
            "cutter": resource.cutter,
            "most_waiting": resource.most_waiting,
        }
    )


def _people_out(people: People) -> dict[str, Any]:
    skills = people.skills[0] if len(people.skills) == 1 else list(people.skills)
    return _without_none({"skill": skills, "open": _spans_out(people.open), "count": people.count})


def _cutter_out(cutter: CutterType) -> dict[str, Any]:
    lives = None if cutter.life_left is None else [life / LIFE_UNITS for life in cutter.life_left]
    return _without_none({"type": cutter.type, "life_left": lives, "change_min": cutter.change_min})


def _job_out(job: Job) -> dict[str, Any]:
    return _without_none(
        {
            "name": job.name,
            "priority": job.priority,
            "release_min": job.release_min,
            "due_min": job.due_min,
            "deadline_min": job.deadline_min,
            "use_min": job.use_min,
            "perish": job.perish,
            "max_wait_min": list(job.max_wait_min),
            "after": list(job.after) or None,
            "holds": [
                {"resource": hold.resource, "from_step": hold.from_step, "to_step": hold.to_step}
                for hold in job.holds
            ]
            or None,
            "within_min": [
                {"from_step": limit.from_step, "to_step": limit.to_step, "most_min": limit.most_min}
                for limit in job.within_min
            ]
            or None,
            "waits_from": job.waits_from,
            "steps": [_step_out(step) for step in job.steps],
        }
    )


def _step_out(step: Step) -> dict[str, Any]:
    return _without_none(
        {"name": step.name or None, "options": [_option_out(option) for option in step.options]}
    )


def _option_out(option: Option) -> dict[str, Any]:
    return _without_none(
        {
            "resource": option.resource,
            "load_min": option.load_min,
            "run_min": option.run_min,
            "unload_min": option.unload_min,
            "fixture": option.fixture,
            "wear": {name: share / LIFE_UNITS for name, share in option.wear},
            "people": None if option.people is None else option.people / PERSON,
            "skill": option.skill,
        }
    )
