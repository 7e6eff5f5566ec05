"""Why is a job undone or late? One sentence in words for each."""

from __future__ import annotations

from planner.optimizer.problem import (
    LIFE_UNITS,
    Job,
    Option,
    Plan,
    PlanProblem,
    Resource,
    Row,
    Span,
    called,
    clock,
)

FAR = 10**9


def why(problem: PlanProblem, plan: Plan) -> dict[str, str]:
    """Return for each undone or late job a sentence that says what stands in its way.

    Parameters
    ----------
    problem : PlanProblem
        The problem [-].
    plan : Plan
        Its rows and its undone jobs [-].
    """
    ends = {(row.job, row.step): row.end_min for row in plan.rows}
    said = {}
    for job in problem.jobs:
        end = ends.get((job.name, len(job.steps) - 1))
        if job.name in plan.undone:
            said[job.name] = _why_undone(problem, plan, job)
        elif job.due_min is not None and end is not None and end > job.due_min:
            said[job.name] = _why_late(problem, plan, job, end)
    return said


def _why_undone(problem: PlanProblem, plan: Plan, job: Job) -> str:
    return (
        _no_open_time(problem, job)
        or _no_life(problem, job)
        or _too_short(problem, job, job.deadline_min, "deadline")
        or _no_people(problem, job)
        or _too_far_apart(problem, job)
        or _pinned(problem, job)
        or _full(problem, plan, job, job.deadline_min, "deadline")
    )


def _why_late(problem: PlanProblem, plan: Plan, job: Job, end_min: int) -> str:
    late = f"{end_min - (job.due_min or 0)} min late: "
    reason = _too_short(problem, job, job.due_min, "due time")
    reason = reason or _pinned(problem, job) or _full(problem, plan, job, job.due_min, "due time")
    return late + reason


def _resource(problem: PlanProblem, name: str) -> Resource:
    return next(resource for resource in problem.resources if resource.name == name)


def _windows(problem: PlanProblem, option: Option) -> tuple[Span, ...]:
    opened = _resource(problem, option.resource).open
    return ((0, FAR),) if opened is None else opened


def _names(options: tuple[Option, ...]) -> str:
    return " or ".join(option.resource for option in options)


def _begin(problem: PlanProblem, job: Job) -> int:
    frozen = problem.frozen_until_min
    return job.release_min if frozen is None else max(job.release_min, frozen)


def _no_open_time(problem: PlanProblem, job: Job) -> str:
    begin, limit = _begin(problem, job), FAR if job.deadline_min is None else job.deadline_min
    for s, step in enumerate(job.steps):
        long_ever = [o for o in step.options if any(b - a >= o.whole_min for a, b in _windows(problem, o))]
        shortest = min(o.whole_min for o in step.options)
        if not long_ever:
            return f"{_names(step.options)} never open {shortest} min without a break for step {s}"
        in_time = [
            o
            for o in long_ever
            if any(min(b, limit) - max(a, begin) >= o.whole_min for a, b in _windows(problem, o))
        ]
        if not in_time and job.deadline_min is None:
            return (
                f"{_names(step.options)} not open {shortest} min for step {s} after {clock(problem, begin)}"
            )
        if not in_time and limit - begin >= shortest:
            return (
                f"{_names(step.options)} not open {shortest} min without a break for step {s} between "
                f"{clock(problem, begin)} and the deadline {clock(problem, limit)}"
            )
    return ""


def _no_life(problem: PlanProblem, job: Job) -> str:
    lives = {cutter.type: cutter.life_left for cutter in problem.cutters if cutter.life_left is not None}
    for s, step in enumerate(job.steps):
        lacking = []
        for option in step.options:
            for kind, share in option.wear:
                most = max(lives[kind], default=0) if kind in lives else FAR
                if share > most:
                    lacking.append((kind, share, most))
                    break
        if len(lacking) == len(step.options):
            kind, share, most = lacking[0]
            return (
                f"no {kind} cutter has the life that step {s} needs: {share / LIFE_UNITS:g} needed, "
                f"{most / LIFE_UNITS:g} is the most left"
            )
    return ""


def _first_end(problem: PlanProblem, job: Job) -> int | None:
    """Return the earliest end [min] if the job were alone, without changes; None where it never ends."""
    ready = _begin(problem, job)
    for step in job.steps:
        ends = [
            max(a, ready) + option.whole_min
            for option in step.options
            for a, b in _windows(problem, option)
            if max(a, ready) + option.whole_min <= b
        ]
        if not ends:
            return None
        ready = min(ends)
    return ready


def _too_short(problem: PlanProblem, job: Job, limit_min: int | None, limit: str) -> str:
    if limit_min is None:
        return ""
    end = _first_end(problem, job)
    if end is not None and end <= limit_min:
        return ""
    released = f"released {clock(problem, job.release_min)}"
    alone = "never ends even alone" if end is None else f"cannot end before {clock(problem, end)} even alone"
    return f"{released}, {alone}; its {limit} is {clock(problem, limit_min)}"


def _no_people(problem: PlanProblem, job: Job) -> str:
    if problem.people is None:
        return ""
    for s, step in enumerate(job.steps):
        lacks = []
        for option in step.options:
            need, most = _most_people(problem, option), _most_there(problem, option.skill)
            if need > most:
                who = "people" if option.skill is None else f"people who can {option.skill}"
                lacks.append(f"{called(job, s)} needs {need / 100:g} {who} at once, {most / 100:g} are there")
        if len(lacks) == len(step.options):
            return lacks[0] + " at most"
    return ""


def _most_there(problem: PlanProblem, skill: str | None) -> int:
    return sum(
        group.count * 100
        for group in problem.people or ()
        if skill is None or "any" in group.skills or skill in group.skills
    )


def _too_far_apart(problem: PlanProblem, job: Job) -> str:
    """Say which limit between two steps is shorter than what must be done between them."""
    for limit in job.within_min:
        between = job.steps[limit.from_step + 1 : limit.to_step]
        least = sum(min(option.whole_min for option in step.options) for step in between)
        if least > limit.most_min:
            return (
                f"{called(job, limit.to_step)} must start within {limit.most_min} min of the end of "
                f"{called(job, limit.from_step)}, what lies between takes {least} min"
            )
    return ""


def _most_people(problem: PlanProblem, option: Option) -> int:
    run = _resource(problem, option.resource).attended if option.people is None else option.people
    return max(100 if option.load_min or option.unload_min else 0, run if option.run_min else 0)


def _pinned(problem: PlanProblem, job: Job) -> str:
    for pin in problem.pins:
        if pin.job == job.name:
            return f"its step {pin.step} is pinned to {pin.resource} at {clock(problem, pin.start_min)}"
    return ""


def _full(problem: PlanProblem, plan: Plan, job: Job, limit_min: int | None, limit: str) -> str:
    """Say which resources are full, or which cutters are used up, in the time the job has."""
    begin = _begin(problem, job)
    end = FAR if limit_min is None else limit_min
    if end == FAR:
        end = max([begin, *(row.end_min for row in plan.rows)])
    worn = _worn_out(problem, plan, job) or _crowded(problem, job)
    tightest = max(job.steps, key=lambda step: _share_taken(problem, plan, step.options, begin, end))
    taken, opened = _taken(problem, plan, tightest.options, begin, end)
    until = f"its {limit} {clock(problem, end)}" if limit_min is not None else clock(problem, end)
    busy = (
        f"{_names(tightest.options)} full: {taken} of {opened} open min taken by other jobs between "
        f"{clock(problem, begin)} and {until}, the rest too short with changes, people and waits"
    )
    return f"{worn}; {busy}" if worn else busy


def _crowded(problem: PlanProblem, job: Job) -> str:
    """Say what it shares over several steps: carriers, and places to wait for a machine."""
    capacity = {resource.name: resource.capacity for resource in problem.resources}
    said = [f"{capacity[hold.resource]} {hold.resource} for all" for hold in job.holds]
    used = {option.resource for step in job.steps for option in step.options}
    said += [
        f"at most {resource.most_waiting} waiting for {resource.name}"
        for resource in problem.resources
        if resource.name in used and resource.most_waiting is not None
    ]
    return ", ".join(said)


def _share_taken(
    problem: PlanProblem, plan: Plan, options: tuple[Option, ...], begin: int, end: int
) -> float:
    taken, opened = _taken(problem, plan, options, begin, end)
    return taken / opened if opened else 1.0


def _taken(
    problem: PlanProblem, plan: Plan, options: tuple[Option, ...], begin: int, end: int
) -> tuple[int, int]:
    names = {option.resource for option in options}
    opened = sum(
        max(0, min(b, end) - max(a, begin)) * _resource(problem, option.resource).capacity
        for option in options
        for a, b in _windows(problem, option)
    )
    taken = sum(_inside(row, begin, end) for row in plan.rows if row.resource in names)
    return taken, opened


def _inside(row: Row, begin: int, end: int) -> int:
    return max(0, min(row.end_min, end) - max(row.start_min, begin))


def _worn_out(problem: PlanProblem, plan: Plan, job: Job) -> str:
    """Say which type has no cutter left with enough life for the job, whatever machine it goes to."""
    options = {
        (other.name, s, option.resource): option
        for other in problem.jobs
        for s, step in enumerate(other.steps)
        for option in step.options
    }
    used: dict[str, int] = {}
    for row in plan.rows:
        wear = options[row.job, row.step, row.resource].wear
        for name, (_, share) in zip(row.cutters, wear, strict=False):
            used[name] = used.get(name, 0) + share
    left = {
        cutter.type: max(
            (life - used.get(f"{cutter.type}-{n}", 0) for n, life in enumerate(cutter.life_left, start=1)),
            default=0,
        )
        for cutter in problem.cutters
        if cutter.life_left is not None
    }
    for step in job.steps:
        short = [
            next((kind for kind, share in option.wear if share > left.get(kind, FAR)), None)
            for option in step.options
        ]
        if all(short):
            return f"the {short[0]} cutters that other jobs leave have too little life for it"
    return ""
