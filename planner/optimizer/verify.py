"""Can this plan really be carried out, and what does it cost? Judged from its rows alone.

Nothing here is shared with the code that makes plans, apart from the records.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator

from planner.optimizer.problem import (
    LIFE_UNITS,
    MOVED_MIN,
    NIGHT_MIN,
    PERSON,
    CutterType,
    Job,
    Option,
    Plan,
    PlanProblem,
    Resource,
    Row,
    called,
)
from planner.optimizer.verify_people import presence, unserved


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
        *_missing_people(problem, plan),
        *_wrong_order(problem, plan),
        *_too_long_between(problem, plan),
        *_too_many_held(problem, plan),
        *_too_many_waiting(problem, plan),
        *_wrong_sequence(problem, plan),
        *_unfinished(problem, plan),
        *_cutter_breaches(problem, plan),
        *_missing_change_time(problem, plan),
        *_moved_pins(problem, plan),
        *_frozen_breaches(problem, plan),
        *_wrong_tiers(problem, plan),
    ]


# --- what is looked up --------------------------------------------------------------------------


def _jobs(problem: PlanProblem) -> dict[str, Job]:
    return {job.name: job for job in problem.jobs}


def _resources(problem: PlanProblem) -> dict[str, Resource]:
    return {resource.name: resource for resource in problem.resources}


def _cutter_types(problem: PlanProblem) -> dict[str, CutterType]:
    return {cutter.type: cutter for cutter in problem.cutters}


def _option(problem: PlanProblem, row: Row) -> Option | None:
    job = _jobs(problem).get(row.job)
    if job is None or not 0 <= row.step < len(job.steps):
        return None
    for option in job.steps[row.step].options:
        if option.resource == row.resource:
            return option
    return None


def _chosen(problem: PlanProblem, plan: Plan) -> list[tuple[Row, Option]]:
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


def _of(row: Row) -> str:
    return f"{row.job}, step {row.step} on {row.resource} at {row.start_min}"


def _by_resource(problem: PlanProblem, plan: Plan) -> dict[str, list[tuple[Row, Option]]]:
    rows: dict[str, list[tuple[Row, Option]]] = defaultdict(list)
    for row, option in _chosen(problem, plan):
        rows[row.resource].append((row, option))
    return rows


def _held(problem: PlanProblem) -> set[Row]:
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
    option = _option(problem, row)
    resource = _resources(problem).get(row.resource)
    if option is None or resource is None or row.end_min - row.start_min != option.whole_min:
        return False
    if resource.open is None:
        return True
    return any(first <= row.start_min and row.end_min <= last for first, last in resource.open)


def _place(row: Row) -> tuple[str, int, str, int]:
    return row.job, row.step, row.resource, row.start_min


# --- the rules ----------------------------------------------------------------------------------


def _unknown_rows(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    jobs = _jobs(problem)
    seen: set[tuple[str, int]] = set()
    for row in plan.rows:
        if row.job not in jobs or not 0 <= row.step < len(jobs[row.job].steps):
            yield f"{_of(row)}: the problem has no such step"
        elif _option(problem, row) is None:
            yield f"{_of(row)}: the step may not use {row.resource}"
        if (row.job, row.step) in seen:
            yield f"{_of(row)}: the step stands twice in the plan"
        seen.add((row.job, row.step))
    for name in plan.undone:
        if name not in jobs:
            yield f"{name}: named undone, but the problem has no such job"


def _wrong_lengths(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    for row, option in _chosen(problem, plan):
        if row.end_min - row.start_min != option.whole_min:
            yield f"{_of(row)}: takes {row.end_min - row.start_min} min, must take {option.whole_min}"


def _closed_times(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    resources = _resources(problem)
    for row in plan.rows:
        spans = resources[row.resource].open
        if spans is not None and not any(a <= row.start_min and row.end_min <= b for a, b in spans):
            yield f"{_of(row)}: not inside one open time of {row.resource} until its end at {row.end_min}"


def _too_full(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    resources = _resources(problem)
    for name, rows in _by_resource(problem, plan).items():
        capacity = resources[name].capacity
        running: list[Row] = []
        for row, _ in rows:
            running = [other for other in running if other.end_min > row.start_min]
            if len(running) >= capacity:
                others = ", ".join(other.job for other in running)
                yield f"{_of(row)}: overlap, {name} has {capacity} and is busy with {others}"
            running.append(row)


def _missing_people(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    if problem.people is None:
        return
    there = presence(problem.people)
    needed, new = _needs(problem, plan)
    present = [0] * len(problem.people)
    need: Counter[str | None] = Counter()
    fresh = 0
    for minute in sorted({*there, *needed, *new}):
        for group, count in there.get(minute, ()):
            present[group] += count
        need.update(needed.get(minute, {}))
        fresh += new.get(minute, 0)
        # What already runs in the frozen time is a fact, even where a person has gone home since.
        if fresh <= 0:
            continue
        for skill, missing in unserved(problem.people, present, need):
            words = "" if skill is None else f" who can {skill}"
            yield f"people{words}: {missing / PERSON:g} missing at {minute}"
            return


def _needs(problem: PlanProblem, plan: Plan) -> tuple[dict[int, Counter[str | None]], Counter[int]]:
    """Return by minute how the need of each skill changes, and that of rows which are not frozen."""
    resources = _resources(problem)
    held = {_place(row) for row in _held(problem)}
    needed: dict[int, Counter[str | None]] = defaultdict(Counter)
    new: Counter[int] = Counter()
    for row, option in _chosen(problem, plan):
        run = resources[row.resource].attended if option.people is None else option.people
        run_start, run_end = row.start_min + option.load_min, row.end_min - option.unload_min
        for first, last, need in (
            (row.start_min, run_start, PERSON),
            (run_start, run_end, run),
            (run_end, row.end_min, PERSON),
        ):
            if first < last and need:
                needed[first][option.skill] += need
                needed[last][option.skill] -= need
                if _place(row) not in held:
                    new[first] += need
                    new[last] -= need
    return needed, new


# --- what lasts over several steps ----------------------------------------------------------------


def _too_many_held(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    rows = {(row.job, row.step): row for row in plan.rows}
    held = {_place(row) for row in _held(problem)}
    for resource in problem.resources:
        spans = []
        for job in problem.jobs:
            for hold in job.holds:
                there = [
                    rows[job.name, s]
                    for s in range(hold.from_step, hold.to_step + 1)
                    if (job.name, s) in rows
                ]
                if hold.resource == resource.name and there and there[0].step == hold.from_step:
                    is_new = not {_place(row) for row in there} <= held
                    spans.append((there[0].start_min, max(row.end_min for row in there), is_new, job.name))
        yield from _crowded(spans, resource.capacity, f"{resource.name}: more than {resource.capacity} held")


def _too_many_waiting(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    most = {r.name: r.most_waiting for r in problem.resources if r.most_waiting is not None}
    if not most:
        return
    rows = {(row.job, row.step): row for row in plan.rows}
    held = {_place(row) for row in _held(problem)}
    spans: dict[str, list[tuple[int, int, bool, str]]] = defaultdict(list)
    for job in problem.jobs:
        for s in range(1, len(job.steps)):
            row = rows.get((job.name, s))
            before = rows.get((job.name, _waits_after(job, s, set(most))))
            if row is None or before is None or row.resource not in most:
                continue
            is_new = not {_place(row), _place(before)} <= held
            spans[row.resource].append((before.end_min, row.start_min, is_new, job.name))
    for name, waiting in spans.items():
        yield from _crowded(waiting, most[name] or 0, f"{name}: more than {most[name]} waiting for it")


def _waits_after(job: Job, s: int, limited: set[str]) -> int:
    """Return the step with whose end the wait for a step begins."""
    begin = job.waits_from
    if begin is None or begin >= s:
        return s - 1
    between = job.steps[begin + 1 : s]
    return s - 1 if any(o.resource in limited for step in between for o in step.options) else begin


def _crowded(spans: list[tuple[int, int, bool, str]], most: int, words: str) -> Iterator[str]:
    """Yield the first minute at which more spans overlap than may; spans are (from, to, new, job)."""
    change: Counter[int] = Counter()
    fresh: Counter[int] = Counter()
    for first, last, is_new, _ in spans:
        if first < last:
            change.update({first: 1})
            change.update({last: -1})
            fresh.update({first: int(is_new)})
            fresh.update({last: -int(is_new)})
    count = new = 0
    for minute in sorted(change):
        count += change[minute]
        new += fresh[minute]
        if count > most and new > 0:
            names = ", ".join(name for first, last, _, name in spans if first <= minute < last)
            yield f"{words} at {minute}: {names}"
            return


def _too_long_between(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    rows = {(row.job, row.step): row for row in plan.rows}
    held = {_place(row) for row in _held(problem)}
    for job in problem.jobs:
        for limit in job.within_min:
            before, after = rows.get((job.name, limit.from_step)), rows.get((job.name, limit.to_step))
            if before is None or after is None or {_place(before), _place(after)} <= held:
                continue
            waited = after.start_min - before.end_min
            if waited > limit.most_min:
                yield (
                    f"{_of(after)}: {waited} min after the end of {called(job, limit.from_step)}, "
                    f"longest {limit.most_min}"
                )


def _wrong_order(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    rows = {(row.job, row.step): row for row in plan.rows}
    held = {_place(row) for row in _held(problem)}
    for job in problem.jobs:
        first = rows.get((job.name, 0))
        if first and first.start_min < job.release_min and _place(first) not in held:
            yield f"{_of(first)}: starts before its release at {job.release_min}"
        for s in range(len(job.steps) - 1):
            before, after = rows.get((job.name, s)), rows.get((job.name, s + 1))
            if after and not before:
                yield f"{_of(after)}: the step before it is not in the plan"
            if not before or not after or {_place(before), _place(after)} <= held:
                continue
            if after.start_min < before.end_min:
                yield f"{_of(after)}: order of steps, the one before it ends at {before.end_min}"
            longest = job.wait_after(s)
            if longest is not None and after.start_min - before.end_min > longest:
                yield f"{_of(after)}: waits {after.start_min - before.end_min} min, longest wait {longest}"


def _wrong_sequence(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    rows = {(row.job, row.step): row for row in plan.rows}
    held = {_place(row) for row in _held(problem)}
    steps = {job.name: len(job.steps) for job in problem.jobs}
    for job in problem.jobs:
        first = rows.get((job.name, 0))
        if first is None or _place(first) in held:
            continue
        for name in job.after:
            before = rows.get((name, steps[name] - 1))
            if before is None:
                yield f"{_of(first)}: follows on {name}, which is not in the plan"
            elif first.start_min < before.end_min:
                yield f"{_of(first)}: follows on {name}, which ends at {before.end_min}"


def _ended(problem: PlanProblem, plan: Plan) -> dict[str, int]:
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


def _unfinished(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    ended = _ended(problem, plan)
    for job in problem.jobs:
        if job.name not in ended and job.name not in plan.undone:
            yield f"{job.name}: not ended by its deadline {job.deadline_min}, but not named undone"
        if job.name in ended and job.name in plan.undone:
            yield f"{job.name}: named undone, but all its steps are in the plan"


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
                    if name not in _cutter_types(problem):
                        lives[name] = (name, None)
    return lives


def _fitted_at_start(problem: PlanProblem) -> dict[str, str]:
    """Return the cutter's name that each resource holds at the start."""
    types = _cutter_types(problem)
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


def _cutter_breaches(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    lives = _lives(problem)
    worn: Counter[str] = Counter()
    where = {cutter: resource for resource, cutter in _fitted_at_start(problem).items()}
    for row, option in _chosen(problem, plan):
        types = tuple(lives[name][0] if name in lives else "?" for name in row.cutters)
        wanted = tuple(name for name, _ in option.wear)
        if types != wanted:
            named, asked = ", ".join(row.cutters) or "none", ", ".join(wanted) or "none"
            yield f"{_of(row)}: cutters {named}, must be {asked}"
            continue
        for name, (_, share) in zip(row.cutters, option.wear, strict=True):
            life = lives[name][1]
            if life is None:
                continue
            worn[name] += share
            if worn[name] > life:
                yield f"{_of(row)}: cutter {name} passes life 0, {(worn[name] - life) / LIFE_UNITS:g} over"
            if where.setdefault(name, row.resource) != row.resource:
                yield f"{_of(row)}: cutter {name} serves {where[name]}"


def _changes(
    problem: PlanProblem, name: str, rows: list[tuple[Row, Option]], lives: Lives
) -> Iterator[tuple[Row, int, int, int]]:
    """Yield each row of a resource with its change [min], cutter changes and fixture changes [-]."""
    types = _cutter_types(problem)
    fixture = _resources(problem)[name].fixture
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


def _missing_change_time(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    held = {_place(row) for row in _held(problem)}
    lives = _lives(problem)
    for name, rows in _by_resource(problem, plan).items():
        spans = _resources(problem)[name].open or ()
        last_end: int | None = None
        for row, minutes, _, _ in _changes(problem, name, rows, lives):
            opened = [first for first, last in spans if first <= row.start_min <= last]
            since = [minute for minute in (last_end, max(opened, default=None)) if minute is not None]
            if not spans and last_end is None:
                since = [0]
            last_end = row.end_min
            if minutes and since and row.start_min - max(since) < minutes and _place(row) not in held:
                yield (
                    f"{_of(row)}: change time missing, {row.start_min - max(since)} min "
                    f"for a change of {minutes}"
                )


def _moved_pins(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    held = {(row.job, row.step) for row in _held(problem)}
    rows = {(row.job, row.step): row for row in plan.rows}
    for pin in problem.pins:
        row = rows.get((pin.job, pin.step))
        if row is None or (pin.job, pin.step) in held:
            continue
        if (row.resource, row.start_min) != (pin.resource, pin.start_min):
            yield f"{_of(row)}: pinned to {pin.resource} at {pin.start_min}"


def _frozen_breaches(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    if problem.frozen_until_min is None:
        return
    held = {_place(row) for row in _held(problem)}
    places = {_place(row) for row in plan.rows}
    pinned = {(pin.job, pin.step, pin.resource, pin.start_min) for pin in problem.pins}
    for place in sorted(held - places):
        yield f"{place[0]}, step {place[1]}: frozen on {place[2]} at {place[3]}, but not there"
    for row in plan.rows:
        if row.start_min < problem.frozen_until_min and _place(row) not in held | pinned:
            yield f"{_of(row)}: starts new inside the frozen time until {problem.frozen_until_min}"


def _wrong_tiers(problem: PlanProblem, plan: Plan) -> Iterator[str]:
    values = tier_values(problem, plan)
    for name, tier in plan.tiers.items():
        if tier.value != values[name]:
            yield f"tier {name}: {tier.value} said, {values[name]} counted"
        if tier.bound > values[name]:
            yield f"tier {name}: at least {tier.bound} said, {values[name]} counted"


# --- the tiers ----------------------------------------------------------------------------------


def tier_values(problem: PlanProblem, plan: Plan) -> dict[str, int]:
    """Return what a plan costs in every tier, counted from its rows.

    Parameters
    ----------
    problem : PlanProblem
        Weights and times [-].
    plan : Plan
        Its rows are counted [-].
    """
    ended = _ended(problem, plan)
    return {
        "undone": sum(job.priority for job in problem.jobs if job.name not in ended),
        "late": sum(_late(job, ended[job.name]) for job in problem.jobs if job.name in ended),
        "stored_nights": sum(_nights(job, ended[job.name]) for job in problem.jobs if job.name in ended),
        "changeovers": _changeovers(problem, plan),
        "completion": sum(job.priority * ended[job.name] for job in problem.jobs if job.name in ended),
        "moved": _moved(problem, plan),
        "finish": max((row.end_min for row in plan.rows), default=0),
    }


def _late(job: Job, end_min: int) -> int:
    return 0 if job.due_min is None else job.priority * max(0, end_min - job.due_min)


def _nights(job: Job, end_min: int) -> int:
    return 0 if job.use_min is None else job.perish * max(0, (job.use_min - end_min) // NIGHT_MIN)


def _changeovers(problem: PlanProblem, plan: Plan) -> int:
    total = 0
    lives = _lives(problem)
    for name, rows in _by_resource(problem, plan).items():
        for _, _, cutter_changes, fixture_changes in _changes(problem, name, rows, lives):
            total += cutter_changes + 3 * fixture_changes
    limited = {name for name, (_, life) in lives.items() if life is not None}
    used = {name for row in plan.rows for name in row.cutters} & limited
    return total + 2 * len(used - set(_fitted_at_start(problem).values()))


def _moved(problem: PlanProblem, plan: Plan) -> int:
    rows = {(row.job, row.step): row for row in plan.rows}
    moved = 0
    for old in problem.published or ():
        new = rows.get((old.job, old.step))
        if new is None or new.resource != old.resource or abs(new.start_min - old.start_min) > MOVED_MIN:
            moved += 1
    return moved
