"""Do the cutters of a plan last, and serve one machine each? Is there time for changes, what do they cost?"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from planner.optimizer.problem import LIFE_UNITS, Option, Plan, PlanProblem, Row
from planner.optimizer.verify_rows import (
    at,
    by_resource,
    chosen,
    cutter_types,
    held_rows,
    place_of,
    resources_of,
)

Lives = dict[str, tuple[str, int | None]]


def _lives(problem: PlanProblem) -> Lives:
    """Return type and life of every cutter by name; a type without lives is one name and never used up."""
    lives: Lives = {}
    for cutter in problem.cutters:
        if cutter.life_left is None:
            lives[cutter.type] = (cutter.type, None)
        for number, life in enumerate(cutter.life_left or (), start=1):
            lives[f"{cutter.type}-{number}"] = (cutter.type, life)
    for job in problem.jobs:
        for step in job.steps:
            for option in step.options:
                for name, _ in option.wear:
                    if name not in cutter_types(problem):
                        lives[name] = (name, None)
    return lives


def _fitted_at_start(problem: PlanProblem) -> dict[str, str]:
    """Return the cutter's name that each resource holds at the start."""
    types = cutter_types(problem)
    given: Counter[str] = Counter()
    fitted = {}
    for resource in problem.resources:
        if resource.cutter is None:
            continue
        if resource.cutter in types and types[resource.cutter].life_left is not None:
            given[resource.cutter] += 1
            fitted[resource.name] = f"{resource.cutter}-{given[resource.cutter]}"
        else:
            fitted[resource.name] = resource.cutter
    return fitted


def cutter_breaches(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    """Yield cutters that are not what the work asks for, are worn out, or serve two machines."""
    lives = _lives(problem)
    worn: Counter[str] = Counter()
    where = {cutter: resource for resource, cutter in _fitted_at_start(problem).items()}
    for row, option in chosen(problem, plan):
        types = tuple(lives[name][0] if name in lives else "?" for name in row.cutters)
        wanted = tuple(name for name, _ in option.wear)
        if types != wanted:
            named, asked = ", ".join(row.cutters) or "none", ", ".join(wanted) or "none"
            yield f"{at(row)}: cutters {named}, must be {asked}"
            continue
        for name, (_, share) in zip(row.cutters, option.wear, strict=True):
            life = lives[name][1]
            if life is None:
                continue
            worn[name] += share
            if worn[name] > life:
                yield f"{at(row)}: cutter {name} passes life 0, {(worn[name] - life) / LIFE_UNITS:g} over"
            if where.setdefault(name, row.resource) != row.resource:
                yield f"{at(row)}: cutter {name} serves {where[name]}"


def _changes(
    problem: PlanProblem, name: str, rows: list[tuple[Row, Option]], lives: Lives
) -> Iterator[tuple[Row, int, int, int]]:
    """Yield each row of a resource with its change [min], cutter changes and fixture changes [-]."""
    types = cutter_types(problem)
    fixture = resources_of(problem)[name].fixture
    fitted = _fitted_at_start(problem).get(name)
    for row, option in rows:
        minutes = cutter_changes = fixture_changes = 0
        if option.fixture is not None and option.fixture != fixture:
            fixture = option.fixture
            fixture_changes = 1
            minutes += problem.fixture_change_min
        for cutter in row.cutters:
            if cutter != fitted:
                fitted = cutter
                cutter_changes += 1
                kind = lives[cutter][0] if cutter in lives else cutter
                minutes += types[kind].change_min if kind in types else 0
        yield row, minutes, cutter_changes, fixture_changes


def missing_change_time(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    """Yield rows before which there is no time to change fixture and cutters."""
    held = {place_of(row) for row in held_rows(problem)}
    lives = _lives(problem)
    for name, rows in by_resource(problem, plan).items():
        spans = resources_of(problem)[name].open or ()
        last_end: int | None = None
        for row, minutes, _, _ in _changes(problem, name, rows, lives):
            opened = [first for first, last in spans if first <= row.start_min <= last]
            since = [minute for minute in (last_end, max(opened, default=None)) if minute is not None]
            if not spans and last_end is None:
                since = [0]
            last_end = row.end_min
            if minutes and since and row.start_min - max(since) < minutes and place_of(row) not in held:
                yield (
                    f"{at(row)}: change time missing, {row.start_min - max(since)} min "
                    f"for a change of {minutes}"
                )


def changeovers(problem: PlanProblem, plan: Plan) -> int:
    """Return what all changes and the cutters taken out of the store cost [-]."""
    total = 0
    lives = _lives(problem)
    for name, rows in by_resource(problem, plan).items():
        for _, _, cutter_changes, fixture_changes in _changes(problem, name, rows, lives):
            total += cutter_changes + 3 * fixture_changes
    limited = {name for name, (_, life) in lives.items() if life is not None}
    used = {name for row in plan.rows for name in row.cutters} & limited
    return total + 2 * len(used - set(_fitted_at_start(problem).values()))
