"""Does a JSON object make sense as a plan problem or a plan? Read into records, or refused in one line.

A key that is not known is refused by name, so that a misspelt limit is never silently dropped.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from itertools import pairwise
from typing import Any, TypeVar

from planner.optimizer.problem import (
    LIFE_UNITS,
    PERSON,
    TIER_NAMES,
    USUAL_TIERS,
    CutterType,
    Hold,
    Job,
    Option,
    People,
    Pin,
    Plan,
    PlanProblem,
    ProblemError,
    Resource,
    Row,
    Span,
    Step,
    Tier,
    Within,
)

T = TypeVar("T")


def read_problem(source: Mapping[str, Any]) -> PlanProblem:
    """Return the problem that a JSON object describes, or refuse it with one clear line.

    Parameters
    ----------
    source : Mapping
        The object as the `json` module reads it [-].

    Raises
    ------
    ProblemError
        Names the place, the value and what was expected.
    """
    keys = "start tiers resources people cutters fixture_change_min jobs pins frozen_until_min published"
    top = _object(source, "problem", keys)
    problem = PlanProblem(
        jobs=_list(top, "jobs", "jobs", _job),
        resources=_list(top, "resources", "resources", _resource),
        start=_start(top.get("start")),
        tiers=_tiers(top.get("tiers")),
        people=_list(top, "people", "people", _people) or None,
        cutters=_list(top, "cutters", "cutters", _cutter),
        fixture_change_min=_whole(top, "fixture_change_min", "", default=0, least=0),
        pins=_list(top, "pins", "pins", _pin),
        frozen_until_min=_maybe_whole(top, "frozen_until_min", ""),
        published=_published(top.get("published")),
    )
    _check_names(problem)
    _check_states(problem)
    _check_references(problem)
    _check_order(problem)
    _check_ties(problem)
    return problem


def read_plan(source: Mapping[str, Any]) -> Plan:
    """Return the plan that a JSON object describes.

    Parameters
    ----------
    source : Mapping
        A plan as `write_plan` makes it [-].
    """
    top = _object(source, "plan", "rows undone tiers seed seconds versions why ready")
    tiers = {name: _tier(entry, f"tiers.{name}") for name, entry in _kept(top, "tiers").items()}
    seconds = top.get("seconds") or 0.0
    if isinstance(seconds, bool) or not isinstance(seconds, int | float) or not 0 <= seconds < 1e9:
        raise _refuse("seconds", seconds, "a number of seconds")
    return Plan(
        rows=_list(top, "rows", "rows", _row),
        undone=_list(top, "undone", "undone", _name),
        tiers=tiers,
        seed=_whole(top, "seed", "", default=0),
        seconds=float(seconds),
        versions=_kept(top, "versions"),
        why=_kept(top, "why"),
    )


def _kept(source: Mapping[str, Any], key: str) -> dict[str, Any]:
    """Return an object of a plan as it stands."""
    found = source.get(key) or {}
    if not isinstance(found, Mapping):
        raise _refuse(key, found, "an object")
    return dict(found)


def _name(entry: object, path: str) -> str:
    if not isinstance(entry, str) or not entry:
        raise _refuse(path, entry, "a text")
    return entry


def _refuse(path: str, value: object, expected: str) -> ProblemError:
    """Return the refusal as one line that any terminal can show, whatever was in the file."""
    told = repr(value)
    if len(told) > 80:
        told = f"a list of {len(value)}" if isinstance(value, list | tuple) else f"{told[:77]}..."
    line = f"{_cut(path, 160)}: {told}, expected {_cut(expected, 240)}"
    return ProblemError("".join(sign if sign.isprintable() else "?" for sign in line))


def _cut(text: str, longest: int) -> str:
    return text if len(text) <= longest else f"{text[: longest - 3]}..."


def _object(source: object, path: str, keys: str) -> Mapping[str, Any]:
    if not isinstance(source, Mapping):
        raise _refuse(path, source, "an object")
    known = keys.split()
    for key in source:
        if key not in known:
            raise _refuse(f"{path}.{key}", source[key], f"no such key; known are {', '.join(known)}")
    return source


def _list(source: Mapping[str, Any], key: str, path: str, read: Callable[[object, str], T]) -> tuple[T, ...]:
    entries = source.get(key)
    if entries is None:
        return ()
    if not isinstance(entries, list | tuple):
        raise _refuse(path, entries, "a list")
    return tuple(read(entry, f"{path}[{place}]") for place, entry in enumerate(entries))


def _is_whole(value: object) -> bool:
    return not isinstance(value, bool) and (
        isinstance(value, int) or (isinstance(value, float) and value.is_integer())
    )


def _as_whole(value: object, path: str, least: int | None = None) -> int:
    expected = "a whole number" + ("" if least is None else f", {least} or more")
    if not _is_whole(value) or (least is not None and int(value) < least):  # type: ignore[call-overload]
        raise _refuse(path, value, expected)
    return int(value)  # type: ignore[call-overload,no-any-return]


def _whole(
    source: Mapping[str, Any], key: str, path: str, *, default: int | None = None, least: int | None = None
) -> int:
    value = source.get(key)
    if value is None and default is not None:
        return default
    return _as_whole(value, _join(path, key), least)


def _maybe_whole(source: Mapping[str, Any], key: str, path: str) -> int | None:
    return None if source.get(key) is None else _whole(source, key, path)


def _join(path: str, key: str) -> str:
    return f"{path}.{key}" if path else key


def _text(source: Mapping[str, Any], key: str, path: str) -> str:
    value = source.get(key)
    if not isinstance(value, str) or not value:
        raise _refuse(_join(path, key), value, "a text")
    return value


def _maybe_text(source: Mapping[str, Any], key: str, path: str) -> str | None:
    return None if source.get(key) is None else _text(source, key, path)


def _share(value: object, path: str, unit: int, most: float | None) -> int:
    expected = "a number, 0 or more" if most is None else f"a number from 0 to {most:g}"
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _refuse(path, value, expected)
    if not 0 <= value <= (1e6 if most is None else most):
        raise _refuse(path, value, expected)
    return round(value * unit)


def _open(source: Mapping[str, Any], path: str) -> tuple[Span, ...] | None:
    if source.get("open") is None:
        return None
    spans = sorted(_list(source, "open", f"{path}.open", _span))
    for before, after in pairwise(spans):
        if after[0] < before[1]:
            raise _refuse(f"{path}.open", list(after), f"no overlap with {list(before)}")
    return tuple(spans)


def _span(entry: object, path: str) -> Span:
    if not isinstance(entry, list | tuple) or len(entry) != 2:
        raise _refuse(path, entry, "two minutes [from, to]")
    first, last = (_as_whole(minute, path) for minute in entry)
    if first >= last:
        raise _refuse(path, entry, "an end after its start")
    return first, last


def _resource(entry: object, path: str) -> Resource:
    source = _object(entry, path, "name kind capacity open attended fixture cutter most_waiting")
    kind = source.get("kind", "machine")
    if kind not in ("machine", "bench", "carrier"):
        raise _refuse(f"{path}.kind", kind, "machine, bench or carrier")
    if kind == "carrier" and source.get("open") is not None:
        raise _refuse(f"{path}.open", source["open"], "no open times: a carrier is held over night too")
    return Resource(
        name=_text(source, "name", path),
        kind=kind,
        capacity=_whole(source, "capacity", path, default=1, least=1),
        open=_open(source, path),
        attended=_share(source.get("attended") or 0, f"{path}.attended", PERSON, None),
        fixture=_maybe_text(source, "fixture", path),
        cutter=_maybe_text(source, "cutter", path),
        most_waiting=None
        if source.get("most_waiting") is None
        else _whole(source, "most_waiting", path, least=1),
    )


def _people(entry: object, path: str) -> People:
    source = _object(entry, path, "skill open count")
    return People(
        skills=_skills(source.get("skill"), f"{path}.skill"),
        open=_open(source, path),
        count=_whole(source, "count", path, default=1, least=0),
    )


def _skills(entry: object, path: str) -> tuple[str, ...]:
    names = [entry] if isinstance(entry, str) else entry
    if names is None:
        return ("any",)
    if not isinstance(names, list | tuple) or not names or not all(isinstance(n, str) and n for n in names):
        raise _refuse(path, entry, "a skill or a list of skills")
    return tuple(names)


def _cutter(entry: object, path: str) -> CutterType:
    source = _object(entry, path, "type life_left change_min")
    lives = _list(source, "life_left", f"{path}.life_left", lambda life, at: _share(life, at, LIFE_UNITS, 1))
    return CutterType(
        type=_text(source, "type", path),
        life_left=None if source.get("life_left") is None else lives,
        change_min=_whole(source, "change_min", path, default=0, least=0),
    )


def _job(entry: object, path: str) -> Job:
    source = _object(
        entry,
        path,
        "name priority release_min due_min deadline_min use_min perish max_wait_min steps after holds "
        "within_min waits_from",
    )
    steps = _list(source, "steps", f"{path}.steps", _step)
    if not steps:
        raise _refuse(f"{path}.steps", source.get("steps"), "at least one step")
    waits = _list(source, "max_wait_min", f"{path}.max_wait_min", _wait)
    if len(waits) > max(0, len(steps) - 1):
        raise _refuse(f"{path}.max_wait_min", list(waits), f"at most {len(steps) - 1}, one between two steps")
    return Job(
        name=_text(source, "name", path),
        steps=steps,
        priority=_whole(source, "priority", path, default=1, least=0),
        release_min=_whole(source, "release_min", path, default=0),
        due_min=_maybe_whole(source, "due_min", path),
        deadline_min=_maybe_whole(source, "deadline_min", path),
        use_min=_maybe_whole(source, "use_min", path),
        perish=_whole(source, "perish", path, default=1, least=0),
        max_wait_min=waits,
        after=_list(source, "after", f"{path}.after", lambda name, at: str(name)),
        holds=_list(source, "holds", f"{path}.holds", _hold),
        within_min=_list(source, "within_min", f"{path}.within_min", _within),
        waits_from=_maybe_whole(source, "waits_from", path),
    )


def _hold(entry: object, path: str) -> Hold:
    source = _object(entry, path, "resource from_step to_step")
    return Hold(
        resource=_text(source, "resource", path),
        from_step=_whole(source, "from_step", path, least=0),
        to_step=_whole(source, "to_step", path, least=0),
    )


def _within(entry: object, path: str) -> Within:
    source = _object(entry, path, "from_step to_step most_min")
    return Within(
        from_step=_whole(source, "from_step", path, least=0),
        to_step=_whole(source, "to_step", path, least=0),
        most_min=_whole(source, "most_min", path, least=0),
    )


def _wait(entry: object, path: str) -> int | None:
    return None if entry is None else _as_whole(entry, path, 0)


def _step(entry: object, path: str) -> Step:
    source = _object(entry, path, "options name")
    options = _list(source, "options", f"{path}.options", _option)
    if not options:
        raise _refuse(f"{path}.options", source.get("options"), "at least one option")
    names = [option.resource for option in options]
    for place, name in enumerate(names):
        if name in names[:place]:
            raise _refuse(f"{path}.options[{place}].resource", name, "each resource once in a step")
    return Step(options, _maybe_text(source, "name", path) or "")


def _option(entry: object, path: str) -> Option:
    source = _object(entry, path, "resource load_min run_min unload_min fixture wear people skill")
    people = source.get("people")
    option = Option(
        resource=_text(source, "resource", path),
        run_min=_whole(source, "run_min", path, least=0),
        load_min=_whole(source, "load_min", path, default=0, least=0),
        unload_min=_whole(source, "unload_min", path, default=0, least=0),
        fixture=_maybe_text(source, "fixture", path),
        wear=_wear(source.get("wear"), f"{path}.wear"),
        people=None if people is None else _share(people, f"{path}.people", PERSON, None),
        skill=_maybe_text(source, "skill", path),
    )
    if option.whole_min < 1:
        raise _refuse(f"{path}.run_min", option.run_min, "load, run and unload of 1 minute or more together")
    return option


def _wear(entry: object, path: str) -> tuple[tuple[str, int], ...]:
    if entry is None:
        return ()
    if not isinstance(entry, Mapping):
        raise _refuse(path, entry, 'an object such as {"6F": 0.012}')
    return tuple(
        (str(name), _share(share, f"{path}.{name}", LIFE_UNITS, None)) for name, share in entry.items()
    )


def _pin(entry: object, path: str) -> Pin:
    source = _object(entry, path, "job step resource start_min")
    return Pin(
        job=_text(source, "job", path),
        step=_whole(source, "step", path, least=0),
        resource=_text(source, "resource", path),
        start_min=_whole(source, "start_min", path),
    )


def _row(entry: object, path: str) -> Row:
    source = _object(entry, path, "job step resource start_min end_min cutters")
    return Row(
        job=_text(source, "job", path),
        step=_whole(source, "step", path, least=0),
        resource=_text(source, "resource", path),
        start_min=_whole(source, "start_min", path),
        end_min=_whole(source, "end_min", path),
        cutters=_list(source, "cutters", f"{path}.cutters", lambda name, at: str(name)),
    )


def _tier(entry: object, path: str) -> Tier:
    source = _object(entry, path, "value bound status")
    return Tier(_whole(source, "value", path), _whole(source, "bound", path), _text(source, "status", path))


def _published(entry: object) -> tuple[Row, ...] | None:
    if entry is None:
        return None
    if isinstance(entry, Mapping):
        return read_plan(entry).rows
    return _list({"published": entry}, "published", "published", _row)


def _tiers(entry: object) -> tuple[str, ...]:
    if entry is None:
        return USUAL_TIERS
    if not isinstance(entry, list | tuple):
        raise _refuse("tiers", entry, "a list")
    for place, name in enumerate(entry):
        if name not in TIER_NAMES:
            raise _refuse(f"tiers[{place}]", name, f"one of {', '.join(TIER_NAMES)}")
        if name in entry[:place]:
            raise _refuse(f"tiers[{place}]", name, "each tier once")
    return tuple(entry)


def _start(entry: object) -> str | None:
    if entry is None:
        return None
    try:
        datetime.fromisoformat(str(entry))
    except ValueError:
        raise _refuse("start", entry, "a time such as 2026-10-21T06:00:00+02:00") from None
    return str(entry)


def _check_names(problem: PlanProblem) -> None:
    if problem.jobs and not problem.resources:
        raise _refuse("resources", [], "at least one resource")
    for path, names in (
        ("resources[{}].name", [resource.name for resource in problem.resources]),
        ("cutters[{}].type", [cutter.type for cutter in problem.cutters]),
        ("jobs[{}].name", [job.name for job in problem.jobs]),
    ):
        seen: set[str] = set()
        for place, name in enumerate(names):
            if name in seen:
                raise _refuse(path.format(place), name, "a name that is not used twice")
            seen.add(name)


def _check_states(problem: PlanProblem) -> None:
    capacity = {resource.name: resource.capacity for resource in problem.resources}
    for j, job in enumerate(problem.jobs):
        for s, step in enumerate(job.steps):
            for o, option in enumerate(step.options):
                path = f"jobs[{j}].steps[{s}].options[{o}].resource"
                if option.resource not in capacity:
                    raise _refuse(path, option.resource, f"one of {', '.join(capacity)}")
                if capacity[option.resource] > 1 and (option.fixture or option.wear):
                    raise _refuse(
                        path, option.resource, "capacity 1 where a step needs a fixture or a cutter"
                    )
    count = {cutter.type: len(cutter.life_left) for cutter in problem.cutters if cutter.life_left is not None}
    for r, resource in enumerate(problem.resources):
        if resource.cutter in count:
            count[resource.cutter] -= 1
            if count[resource.cutter] < 0:
                raise _refuse(
                    f"resources[{r}].cutter", resource.cutter, "no more cutters fitted than life_left lists"
                )


def _check_order(problem: PlanProblem) -> None:
    """Refuse jobs that follow on unknown jobs, or on themselves by way of others."""
    after = {job.name: job.after for job in problem.jobs}
    for j, job in enumerate(problem.jobs):
        for a, name in enumerate(job.after):
            if name not in after:
                raise _refuse(f"jobs[{j}].after[{a}]", name, "the name of a job")
    left = dict(after)
    while left:
        free = [name for name, before in left.items() if not any(other in left for other in before)]
        if not free:
            raise _refuse("jobs", sorted(left), "no circle of jobs that follow on each other")
        for name in free:
            del left[name]


def _check_ties(problem: PlanProblem) -> None:
    """Refuse holds, limits and waits that name steps or carriers which are not there."""
    carriers = {resource.name for resource in problem.resources if resource.kind == "carrier"}
    for j, job in enumerate(problem.jobs):
        last = len(job.steps) - 1
        for h, hold in enumerate(job.holds):
            path = f"jobs[{j}].holds[{h}]"
            if hold.resource not in carriers:
                raise _refuse(f"{path}.resource", hold.resource, f"a carrier: {', '.join(sorted(carriers))}")
            if not hold.from_step <= hold.to_step <= last:
                raise _refuse(f"{path}.to_step", hold.to_step, f"a step from {hold.from_step} to {last}")
        for n, limit in enumerate(job.within_min):
            if not limit.from_step < limit.to_step <= last:
                path = f"jobs[{j}].within_min[{n}].to_step"
                raise _refuse(path, limit.to_step, f"a step from {limit.from_step + 1} to {last}")
        if job.waits_from is not None and not 0 <= job.waits_from <= last:
            raise _refuse(f"jobs[{j}].waits_from", job.waits_from, f"a step from 0 to {last}")
        for s, step in enumerate(job.steps):
            for o, option in enumerate(step.options):
                if option.resource in carriers:
                    path = f"jobs[{j}].steps[{s}].options[{o}].resource"
                    raise _refuse(path, option.resource, "a machine or a bench; carriers are held")


def _check_references(problem: PlanProblem) -> None:
    steps = {job.name: job.steps for job in problem.jobs}
    pinned: set[tuple[str, int]] = set()
    named: list[tuple[str, Pin | Row]] = [(f"pins[{p}]", pin) for p, pin in enumerate(problem.pins)]
    named += [(f"published[{p}]", row) for p, row in enumerate(problem.published or ())]
    for path, entry in named:
        if entry.job not in steps:
            raise _refuse(f"{path}.job", entry.job, "the name of a job")
        if entry.step >= len(steps[entry.job]):
            raise _refuse(f"{path}.step", entry.step, f"a step from 0 to {len(steps[entry.job]) - 1}")
        if isinstance(entry, Pin):
            names = [option.resource for option in steps[entry.job][entry.step].options]
            if entry.resource not in names:
                raise _refuse(f"{path}.resource", entry.resource, f"one of {', '.join(names)}")
            if (entry.job, entry.step) in pinned:
                raise _refuse(path, f"{entry.job}, step {entry.step}", "one pin for a step")
            pinned.add((entry.job, entry.step))
    places = [(row.job, row.step) for row in problem.published or ()]
    for p, place in enumerate(places):
        if place in places[:p]:
            raise _refuse(f"published[{p}]", f"{place[0]}, step {place[1]}", "one row for a step")
