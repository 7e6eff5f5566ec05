"""What does a plan problem look like in numbers? Resources, work, cutters and people by index."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from planner.optimizer.problem import MOVED_MIN, NIGHT_MIN, PERSON, Job, Option, PlanProblem, Row, Span

Minutes = NDArray[np.int64]
Key = tuple[int, int]
"""Job and step by index."""


@dataclass(frozen=True, slots=True, eq=False)
class Work:
    """An option in numbers; `parts` are (offset [min], length [min], people [1/100])."""

    key: Key
    resource: int
    whole_min: int
    parts: tuple[tuple[int, int, int], ...]
    fixture: str | None
    wear: tuple[tuple[int, int], ...]
    pools: tuple[int, ...] = (0,)
    """The pools of people that it draws on."""
    is_even: bool = False
    """Whether it needs the same people from its first minute to its last."""


@dataclass(frozen=True, slots=True)
class Pool:
    """People who together must do all work of some skills; `skills` is None for everybody and all work."""

    free: Minutes
    skills: frozenset[str] | None


@dataclass(frozen=True, slots=True)
class Single:
    """One cutter, or the endless store of a type that is never used up (`life` is None)."""

    name: str
    kind: int
    life: int | None
    change_min: int
    home: int | None


@dataclass(frozen=True, slots=True, eq=False)
class Fixed:
    """A row that stays: frozen, or pinned by a person."""

    work: Work
    start_min: int
    held: bool
    cutters: tuple[str, ...] = ()


class Floor:
    """The problem in numbers; it never changes while plans are made.

    Parameters
    ----------
    problem : PlanProblem
        As it was read [-].
    """

    def __init__(self, problem: PlanProblem) -> None:
        self.problem = problem
        self.jobs = problem.jobs
        self.resource_index = {resource.name: r for r, resource in enumerate(problem.resources)}
        self.kinds = _cutter_kinds(problem)
        self.singles = _singles(problem, self.kinds, self.resource_index)
        self.pool_skills = _pool_skills(problem)
        self.of_kind = [
            [c for c, single in enumerate(self.singles) if single.kind == k] for k in range(len(self.kinds))
        ]
        self.work = [
            [[self._work((j, s), option) for option in step.options] for s, step in enumerate(job.steps)]
            for j, job in enumerate(self.jobs)
        ]
        all_work = [work for steps in self.work for options in steps for work in options]
        self.stateful = [False] * len(problem.resources)
        for work in all_work:
            if work.fixture is not None or work.wear:
                self.stateful[work.resource] = True
        self.first_min, self.last_min = _range(problem)
        self.windows: list[tuple[Span, ...]] = [
            ((self._opening(resource.name), self.last_min),) if resource.open is None else resource.open
            for resource in problem.resources
        ]
        self.pools = [Pool(self._free(skills), skills) for skills in self.pool_skills]
        """First everybody; no pools where people do not limit."""
        self.people = self.pools[0].free if self.pools else None
        self.carriers = [r for r, one in enumerate(problem.resources) if one.kind == "carrier"]
        self.most_waiting = [resource.most_waiting for resource in problem.resources]
        self.limits = [_limits(job) for job in problem.jobs]
        """For each job its limits between steps: (earlier step, later step, longest [min])."""
        self.waits_after = [_waits_after(job, self.most_waiting, self.resource_index) for job in problem.jobs]
        self.waits = [
            ((j, s), (j, begin))
            for j, begins in enumerate(self.waits_after)
            for s, begin in enumerate(begins)
            if begin >= 0
        ]
        """Steps that may be waited for, each with the one at whose end the wait begins."""
        self.holds = {
            r: [
                (j, hold.from_step, hold.to_step)
                for j, job in enumerate(problem.jobs)
                for hold in job.holds
                if hold.resource == problem.resources[r].name
            ]
            for r in self.carriers
        }
        """For each carrier the jobs that hold it: (job, first step, last step)."""
        self.is_tied = any(job.holds or job.within_min for job in problem.jobs) or (
            any(most is not None for most in self.most_waiting)
        )
        """Whether anything lasts over several steps."""
        self.published = _published(problem)
        self.frozen_min = problem.frozen_until_min
        self.held = self._held()
        self.pins = self._pins()
        self.pinned_steps: dict[int, list[Key]] = {}
        for key in self.pins:
            self.pinned_steps.setdefault(key[0], []).append(key)
        self.shortest = [
            [min(work.whole_min for work in options) for options in steps] for steps in self.work
        ]
        self.most_moved: int | None = None
        """So many published steps may move; None = as many as help."""
        self.tiers = problem.tiers if "undone" in problem.tiers else ("undone", *problem.tiers)
        index = {job.name: j for j, job in enumerate(self.jobs)}
        self.before = [tuple(index[name] for name in job.after) for job in self.jobs]
        """For each job those that it follows on."""
        self.following: list[tuple[int, ...]] = [
            tuple(k for k, before in enumerate(self.before) if j in before) for j in range(len(self.jobs))
        ]
        self.is_chained = any(self.before)
        self.places: dict[int, Any] = {}
        """What `insert` has worked out for a job, kept because it never changes."""
        self.failed: set[tuple[object, ...]] = set()
        """Rows of an open time that no job more could be packed with."""
        self.change_max = problem.fixture_change_min + sum(single.change_min for single in self.singles)

    def earliest_start(self, job: int, step: int) -> int:
        """Return the earliest start [min] that release, frozen time and the steps before allow."""
        start = self.jobs[job].release_min
        if self.frozen_min is None:
            return start + sum(self.shortest[job][:step])
        if (job, 0) not in self.held and (job, 0) not in self.pins:
            start = max(start, self.frozen_min)
        return max(self.frozen_min, start + sum(self.shortest[job][:step]))

    def latest_end(self, job: int, step: int) -> int:
        """Return the latest end [min] that the deadline and the steps after it allow."""
        deadline = self.jobs[job].deadline_min
        last = self.last_min if deadline is None else min(deadline, self.last_min)
        return last - sum(self.shortest[job][step + 1 :])

    def cost_of_end(self, job: Job, end_min: int) -> dict[str, int]:
        """Return what an end costs in the tiers that look at one job alone."""
        late = 0 if job.due_min is None else job.priority * max(0, end_min - job.due_min)
        nights = 0 if job.use_min is None else job.perish * max(0, (job.use_min - end_min) // NIGHT_MIN)
        return {"late": late, "stored_nights": nights, "completion": job.priority * end_min}

    def is_moved(self, key: Key, resource: int, start_min: int) -> bool:
        """Return whether a start on a resource counts as moved against the published plan."""
        old = self.published.get(key)
        return old is not None and (
            self.resource_index.get(old.resource) != resource or abs(old.start_min - start_min) > MOVED_MIN
        )

    def option_on(self, key: Key, resource: str) -> Work | None:
        """Return the work of a step on a resource, None where the step may not use it."""
        for work in self.work[key[0]][key[1]]:
            if self.problem.resources[work.resource].name == resource:
                return work
        return None

    def window_of(self, work: Work, start_min: int) -> int | None:
        """Return which open time [-] of its resource holds the work from a start, None for none."""
        for w, (first, last) in enumerate(self.windows[work.resource]):
            if first <= start_min and start_min + work.whole_min <= last:
                return w
        return None

    def _work(self, key: Key, option: Option) -> Work:
        resource = self.resource_index[option.resource]
        attended = self.problem.resources[resource].attended if option.people is None else option.people
        spans = (
            (0, option.load_min, PERSON),
            (option.load_min, option.run_min, attended),
            (option.load_min + option.run_min, option.unload_min, PERSON),
        )
        parts = tuple(part for part in spans if part[1] > 0 and part[2] > 0)
        return Work(
            key=key,
            resource=resource,
            whole_min=option.whole_min,
            parts=parts,
            is_even=option.whole_min > 0 and [part[1] for part in parts] == [option.whole_min],
            fixture=option.fixture,
            wear=tuple((self.kinds.index(name), share) for name, share in option.wear),
            pools=tuple(
                p
                for p, skills in enumerate(self.pool_skills)
                if skills is None or (option.skill is not None and option.skill in skills)
            ),
        )

    def _opening(self, resource: str) -> int:
        """Return when a resource without opening hours opens [min]: at 0, or with the first row it has."""
        rows = [row.start_min for row in self.problem.published or () if row.resource == resource]
        return min([0, *rows, *(pin.start_min for pin in self.problem.pins if pin.resource == resource)])

    def _free(self, skills: frozenset[str] | None) -> Minutes:
        """Return for each minute the people [1/100] who can do at least one of some skills."""
        free = np.zeros(self.last_min - self.first_min + 1, dtype=np.int64)
        for group in self.problem.people or ():
            if skills is not None and "any" not in group.skills and not skills & set(group.skills):
                continue
            for first, last in ((self.first_min, self.last_min + 1),) if group.open is None else group.open:
                free[max(0, first - self.first_min) : max(0, last - self.first_min)] += group.count * PERSON
        return free

    def _held(self) -> dict[Key, Fixed]:
        held: dict[Key, Fixed] = {}
        if self.frozen_min is None:
            return held
        for key, row in sorted(self.published.items()):
            work = self.option_on(key, row.resource)
            follows = key[1] == 0 or (key[0], key[1] - 1) in held
            if row.start_min >= self.frozen_min or work is None or not follows:
                continue
            if (
                row.end_min - row.start_min == work.whole_min
                and self.window_of(work, row.start_min) is not None
            ):
                held[key] = Fixed(work, row.start_min, True, row.cutters)
        return held

    def _pins(self) -> dict[Key, Fixed]:
        job_index = {job.name: j for j, job in enumerate(self.jobs)}
        pins: dict[Key, Fixed] = {}
        for pin in self.problem.pins:
            key = (job_index[pin.job], pin.step)
            work = self.option_on(key, pin.resource)
            if work is not None and key not in self.held:
                pins[key] = Fixed(work, pin.start_min, False)
        return pins


def _pool_skills(problem: PlanProblem) -> list[frozenset[str] | None]:
    """Return sets of skills such that work can be shared out if and only if each set has people enough.

    After Hall 1935, J. London Math. Soc. 10:26-30: for every set of skills that is asked for, those who can
    do one of them. Of sets with the same people the largest is enough; first stands all work and everybody.
    """
    if problem.people is None:
        return []
    asked = sorted({o.skill for job in problem.jobs for step in job.steps for o in step.options if o.skill})
    able: dict[frozenset[int], frozenset[str]] = {}
    for count in range(1, len(asked) + 1):
        for names in combinations(asked, count):
            who = frozenset(
                g
                for g, group in enumerate(problem.people)
                if "any" in group.skills or set(names) & set(group.skills)
            )
            able[who] = frozenset(names)  # larger sets come later
    everybody = frozenset(range(len(problem.people)))
    return [None, *(names for who, names in able.items() if who != everybody)]


def _limits(job: Job) -> tuple[tuple[int, int, int], ...]:
    return tuple((limit.from_step, limit.to_step, limit.most_min) for limit in job.within_min)


def _waits_after(job: Job, most_waiting: list[int | None], index: dict[str, int]) -> tuple[int, ...]:
    """Return for each step the one with whose end its wait begins, -1 where nothing waits for it."""
    limited = [any(most_waiting[index[o.resource]] is not None for o in step.options) for step in job.steps]
    begins = []
    for s, is_limited in enumerate(limited):
        begin = s - 1
        if job.waits_from is not None and job.waits_from < s and not any(limited[job.waits_from + 1 : s]):
            begin = job.waits_from
        begins.append(begin if is_limited else -1)
    return tuple(begins)


def _published(problem: PlanProblem) -> dict[Key, Row]:
    job_index = {job.name: j for j, job in enumerate(problem.jobs)}
    return {(job_index[row.job], row.step): row for row in problem.published or ()}


def _cutter_kinds(problem: PlanProblem) -> list[str]:
    kinds = [cutter.type for cutter in problem.cutters]
    kinds += [resource.cutter for resource in problem.resources if resource.cutter]
    for job in problem.jobs:
        for step in job.steps:
            for option in step.options:
                kinds += [name for name, _ in option.wear]
    return list(dict.fromkeys(kinds))


def _singles(problem: PlanProblem, kinds: list[str], resource_index: dict[str, int]) -> list[Single]:
    types = {cutter.type: cutter for cutter in problem.cutters}
    holders: dict[str, list[int]] = {kind: [] for kind in kinds}
    for resource in problem.resources:
        if resource.cutter is not None:
            holders[resource.cutter].append(resource_index[resource.name])
    singles = []
    for k, kind in enumerate(kinds):
        cutter = types.get(kind)
        change_min = cutter.change_min if cutter else 0
        if cutter is None or cutter.life_left is None:
            singles.append(Single(kind, k, None, change_min, None))
            continue
        for number, life in enumerate(cutter.life_left):
            home = holders[kind][number] if number < len(holders[kind]) else None
            singles.append(Single(f"{kind}-{number + 1}", k, life, change_min, home))
    return singles


def _range(problem: PlanProblem) -> tuple[int, int]:
    """Return the first and the last minute that matter; without opening hours all the work fits."""
    spans = [span for resource in problem.resources for span in resource.open or ()]
    fixed = [row.start_min for row in problem.published or ()] + [pin.start_min for pin in problem.pins]
    first = min([0, *(span[0] for span in spans), *fixed])
    change = problem.fixture_change_min + sum(cutter.change_min for cutter in problem.cutters)
    longest = [max(option.whole_min for option in step.options) for job in problem.jobs for step in job.steps]
    begin = max(
        [
            0,
            problem.frozen_until_min or 0,
            *(job.release_min for job in problem.jobs),
            *fixed,
            *(span[1] for group in problem.people or () for span in group.open or ()),
        ]
    )
    if problem.resources and all(resource.open is not None for resource in problem.resources):
        return first, max([0, *(span[1] for span in spans)])
    waits = sum(wait or 0 for job in problem.jobs for wait in job.max_wait_min)
    return first, max([begin, *(span[1] for span in spans)]) + sum(longest) + change * len(
        longest
    ) + waits + 1
