"""Can this plan really be carried out, and what does it cost? Judged from its rows alone.

Nothing here is shared with the code that makes plans, apart from the records.
"""

from __future__ import annotations

from collections.abc import Iterator

from planner.optimizer.problem import Plan, PlanProblem, Row
from planner.optimizer.verify_cutters import cutter_breaches, missing_change_time
from planner.optimizer.verify_lasting import too_long_between, too_many_held, too_many_waiting
from planner.optimizer.verify_people import missing_people
from planner.optimizer.verify_rows import (
    at,
    by_resource,
    chosen,
    held_rows,
    jobs_of,
    option_of,
    place_of,
    resources_of,
)
from planner.optimizer.verify_tiers import ended_jobs, tier_values


def verify(problem: PlanProblem, plan: Plan) -> list[str]:
    """Return every breach of the problem's rules by the plan, in words; empty for a good plan.

    Parameters
    ----------
    problem : PlanProblem
        What the plan must keep to [-].
    plan : Plan
        The rows, the jobs named undone and the tiers' values [-].
    """
    unknown = list(_unknown_rows(problem, plan))
    if unknown:
        return unknown
    return [
        *_wrong_lengths(problem, plan),
        *_closed_times(problem, plan),
        *_too_full(problem, plan),
        *missing_people(problem, plan),
        *_wrong_order(problem, plan),
        *too_long_between(problem, plan),
        *too_many_held(problem, plan),
        *too_many_waiting(problem, plan),
        *_wrong_sequence(problem, plan),
        *_unfinished(problem, plan),
        *cutter_breaches(problem, plan),
        *missing_change_time(problem, plan),
        *_moved_pins(problem, plan),
        *_frozen_breaches(problem, plan),
        *_wrong_tiers(problem, plan),
    ]


# --- the rules ----------------------------------------------------------------------------------


def _unknown_rows(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    jobs = jobs_of(problem)
    seen: set[tuple[str, int]] = set()
    for row in plan.rows:
        if row.job not in jobs or not 0 <= row.step < len(jobs[row.job].steps):
            yield f"{at(row)}: the problem has no such step"
        elif option_of(problem, row) is None:
            yield f"{at(row)}: the step may not use {row.resource}"
        if (row.job, row.step) in seen:
            yield f"{at(row)}: the step stands twice in the plan"
        seen.add((row.job, row.step))
    for name in plan.undone:
        if name not in jobs:
            yield f"{name}: named undone, but the problem has no such job"


def _wrong_lengths(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    for row, option in chosen(problem, plan):
        if row.end_min - row.start_min != option.whole_min:
            yield f"{at(row)}: takes {row.end_min - row.start_min} min, must take {option.whole_min}"


def _closed_times(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    resources = resources_of(problem)
    for row in plan.rows:
        spans = resources[row.resource].open
        if spans is not None and not any(a <= row.start_min and row.end_min <= b for a, b in spans):
            yield f"{at(row)}: not inside one open time of {row.resource} until its end at {row.end_min}"


def _too_full(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    resources = resources_of(problem)
    for name, rows in by_resource(problem, plan).items():
        capacity = resources[name].capacity
        running: list[Row] = []
        for row, _ in rows:
            running = [other for other in running if other.end_min > row.start_min]
            if len(running) >= capacity:
                others = ", ".join(other.job for other in running)
                yield f"{at(row)}: overlap, {name} has {capacity} and is busy with {others}"
            running.append(row)


def _wrong_order(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    rows = {(row.job, row.step): row for row in plan.rows}
    held = {place_of(row) for row in held_rows(problem)}
    for job in problem.jobs:
        first = rows.get((job.name, 0))
        if first and first.start_min < job.release_min and place_of(first) not in held:
            yield f"{at(first)}: starts before its release at {job.release_min}"
        for s in range(len(job.steps) - 1):
            before, after = rows.get((job.name, s)), rows.get((job.name, s + 1))
            if after and not before:
                yield f"{at(after)}: the step before it is not in the plan"
            if not before or not after or {place_of(before), place_of(after)} <= held:
                continue
            if after.start_min < before.end_min:
                yield f"{at(after)}: order of steps, the one before it ends at {before.end_min}"
            longest = job.wait_after(s)
            if longest is not None and after.start_min - before.end_min > longest:
                yield f"{at(after)}: waits {after.start_min - before.end_min} min, longest wait {longest}"


def _wrong_sequence(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    rows = {(row.job, row.step): row for row in plan.rows}
    held = {place_of(row) for row in held_rows(problem)}
    steps = {job.name: len(job.steps) for job in problem.jobs}
    for job in problem.jobs:
        first = rows.get((job.name, 0))
        if first is None or place_of(first) in held:
            continue
        for name in job.after:
            before = rows.get((name, steps[name] - 1))
            if before is None:
                yield f"{at(first)}: follows on {name}, which is not in the plan"
            elif first.start_min < before.end_min:
                yield f"{at(first)}: follows on {name}, which ends at {before.end_min}"


def _unfinished(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    ended = ended_jobs(problem, plan)
    for job in problem.jobs:
        if job.name not in ended and job.name not in plan.undone:
            yield f"{job.name}: not ended by its deadline {job.deadline_min}, but not named undone"
        if job.name in ended and job.name in plan.undone:
            yield f"{job.name}: named undone, but all its steps are in the plan"


def _moved_pins(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    held = {(row.job, row.step) for row in held_rows(problem)}
    rows = {(row.job, row.step): row for row in plan.rows}
    for pin in problem.pins:
        row = rows.get((pin.job, pin.step))
        if row is None or (pin.job, pin.step) in held:
            continue
        if (row.resource, row.start_min) != (pin.resource, pin.start_min):
            yield f"{at(row)}: pinned to {pin.resource} at {pin.start_min}"


def _frozen_breaches(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    if problem.frozen_until_min is None:
        return
    held = {place_of(row) for row in held_rows(problem)}
    places = {place_of(row) for row in plan.rows}
    pinned = {(pin.job, pin.step, pin.resource, pin.start_min) for pin in problem.pins}
    for place in sorted(held - places):
        yield f"{place[0]}, step {place[1]}: frozen on {place[2]} at {place[3]}, but not there"
    for row in plan.rows:
        if row.start_min < problem.frozen_until_min and place_of(row) not in held | pinned:
            yield f"{at(row)}: starts new inside the frozen time until {problem.frozen_until_min}"


def _wrong_tiers(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    values = tier_values(problem, plan)
    for name, tier in plan.tiers.items():
        if tier.value != values[name]:
            yield f"tier {name}: {tier.value} said, {values[name]} counted"
        if tier.bound > values[name]:
            yield f"tier {name}: at least {tier.bound} said, {values[name]} counted"
