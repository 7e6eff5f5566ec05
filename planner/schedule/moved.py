"""What has a new plan moved, and why? One line in words for each step."""

from __future__ import annotations

from dataclasses import dataclass

from planner.optimizer.problem import MOVED_MIN, NIGHT_MIN, Job, Plan, PlanProblem, Row, clock


@dataclass(frozen=True, slots=True)
class MovedStep:
    """A published step that is somewhere else now, or nowhere."""

    job: str
    step: int
    before: str
    after: str
    why: str


def moved_steps(problem: PlanProblem, plan: Plan) -> tuple[MovedStep, ...]:
    """Return the published steps that a plan has moved, with the reason of each.

    Parameters
    ----------
    problem : PlanProblem
        Its published rows are what the plan is compared with [-].
    plan : Plan
        The new plan [-].
    """
    rows = {(row.job, row.step): row for row in plan.rows}
    jobs = {job.name: job for job in problem.jobs}
    found = []
    for old in sorted(problem.published or (), key=lambda row: (row.start_min, row.job)):
        new = rows.get((old.job, old.step))
        if new is not None and not is_moved(old, new):
            continue
        why = _why(problem, plan, jobs[old.job], old, new)
        after = "not planned" if new is None else _where(problem, new)
        found.append(MovedStep(old.job, old.step, _where(problem, old), after, why))
    return tuple(found)


def is_moved(old: Row, new: Row) -> bool:
    """Return whether a row counts as moved: another resource, or a start more than 30 min away.

    Parameters
    ----------
    old, new : Row
        The same step in two plans [-].
    """
    return old.resource != new.resource or abs(old.start_min - new.start_min) > MOVED_MIN


def _where(problem: PlanProblem, row: Row) -> str:
    return f"{row.resource}, {clock(problem, row.start_min)}"


def _why(problem: PlanProblem, plan: Plan, job: Job, old: Row, new: Row | None) -> str:
    return (
        _pinned(problem, old)
        or _closed(problem, old)
        or _not_able(job, old)
        or _step_before(problem, plan, old)
        or _taken(problem, plan, old)
        or _saves(job, old, new)
        or "a change before it, people or cutters stand in its way there"
    )


def _pinned(problem: PlanProblem, old: Row) -> str:
    for pin in problem.pins:
        if (pin.job, pin.step) == (old.job, old.step):
            return "pinned there by a person"
    return ""


def _closed(problem: PlanProblem, old: Row) -> str:
    opened = next((r.open for r in problem.resources if r.name == old.resource), ())
    if opened is None or any(a <= old.start_min and old.end_min <= b for a, b in opened):
        return ""
    return f"{old.resource} is down or closed then"


def _not_able(job: Job, old: Row) -> str:
    option = next((o for o in job.steps[old.step].options if o.resource == old.resource), None)
    if option is None:
        return f"{old.resource} may not do it any more"
    if old.start_min < job.release_min and old.step == 0:
        return "it is released later now"
    if option.whole_min != old.end_min - old.start_min:
        return f"it takes {option.whole_min} min now, not {old.end_min - old.start_min}"
    return ""


def _step_before(problem: PlanProblem, plan: Plan, old: Row) -> str:
    before = next((row for row in plan.rows if (row.job, row.step) == (old.job, old.step - 1)), None)
    if before is not None and before.end_min > old.start_min:
        return f"its step {before.step} ends at {clock(problem, before.end_min)} only"
    return ""


def _taken(problem: PlanProblem, plan: Plan, old: Row) -> str:
    capacity = next((r.capacity for r in problem.resources if r.name == old.resource), 1)
    inside = [
        row
        for row in plan.rows
        if row.resource == old.resource
        and row.start_min < old.end_min
        and row.end_min > old.start_min
        and row.job != old.job
    ]
    if len(inside) < capacity:
        return ""
    published = {(row.job, row.step): row for row in problem.published or ()}
    new_there = [
        row
        for row in inside
        if (row.job, row.step) not in published or is_moved(published[row.job, row.step], row)
    ]
    other = (new_there or inside)[0]
    was = published.get((other.job, other.step))
    if was is None or not new_there:
        return f"its place goes to {other.job}"
    return (
        f"its place goes to {other.job}, which cannot stay on {was.resource}"
        if _closed(problem, was)
        else f"its place goes to {other.job}"
    )


def _saves(job: Job, old: Row, new: Row | None) -> str:
    if new is None or job.use_min is None:
        return ""
    before = max(0, (job.use_min - old.end_min) // NIGHT_MIN)
    after = max(0, (job.use_min - new.end_min) // NIGHT_MIN)
    return f"stored {before - after} nights less" if after < before else ""
