"""Why is a lantern undone or late, and what is the cheapest way out? A least set of clashing facts, in words.

All other rows of the plan stay where they are. The facts in the lantern's way are dropped one by one
(deletion filter); one without which it still has no place is no reason. What is left clashes, and without any
single one of it the lantern could be done.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from planner.optimizer import tier_values
from planner.optimizer.board import Board
from planner.optimizer.floor import Floor
from planner.optimizer.greedy import Taste, is_done, place_job
from planner.optimizer.keep import board_of_rows
from planner.optimizer.problem import (
    LIFE_UNITS,
    CutterType,
    Hold,
    Job,
    People,
    Plan,
    PlanProblem,
    ProblemError,
    Resource,
    Row,
    Within,
    called,
    clock,
)
from planner.schedule.whatif import with_people

LONGER_MIN = (15, 30, 60, 120, 240)
OTHERS_TRIED = 40
WAYS = 3
Change = Callable[[PlanProblem], PlanProblem]


@dataclass(frozen=True, slots=True)
class Way:
    """A way out in words, and what the tiers are with it."""

    words: str
    tiers: dict[str, int]


@dataclass(frozen=True, slots=True)
class Explanation:
    """The facts that clash, none of which can be left out, and the cheapest ways out, the cheapest first."""

    job: str
    facts: tuple[str, ...]
    ways: tuple[Way, ...]

    @property
    def words(self) -> str:
        """The explanation as text."""
        clash = "; ".join(self.facts) or "the plan could have done it: solve it longer"
        out = "".join(f"\n  way out: {way.words} ({_tier_words(way.tiers)})" for way in self.ways)
        return f"{self.job}: {clash}{out}"


@dataclass(frozen=True, slots=True, eq=False)
class _Fact:
    words: str
    drop: Change
    others: frozenset[str] = frozenset()
    """Rows of other jobs on these resources are the fact."""


def _tier_words(tiers: dict[str, int]) -> str:
    return ", ".join(f"{name.replace('_', ' ')} {value}" for name, value in tiers.items())


def explain(problem: PlanProblem, plan: Plan, name: str) -> Explanation:
    """Return why a job of a plan is undone or late, and the cheapest ways out.

    Parameters
    ----------
    problem : PlanProblem
        The problem [-].
    plan : Plan
        Its plan [-].
    name : str
        The job [-].

    Raises
    ------
    ProblemError
        There is no such job, or it is done in time.
    """
    job = next((job for job in problem.jobs if job.name == name), None)
    if job is None:
        raise ProblemError(f"{name!r}: the problem has no such job")
    end = max((row.end_min for row in plan.rows if row.job == name), default=None)
    if name not in plan.undone and (end is None or job.due_min is None or end <= job.due_min):
        raise ProblemError(f"{name!r}: it is done in time")
    asked = _asked(problem, job, late=name not in plan.undone)
    rest = tuple(row for row in plan.rows if row.job != name)
    return Explanation(name, _clash(asked, rest, name), _ways(problem, asked, rest, plan, name))


def _asked(problem: PlanProblem, job: Job, *, late: bool) -> PlanProblem:
    """Return the problem in which being late counts as not being done."""
    wanted = replace(job, deadline_min=job.due_min) if late else job
    return _with_job(problem, wanted)


def _with_job(problem: PlanProblem, job: Job) -> PlanProblem:
    return replace(problem, jobs=tuple(job if other.name == job.name else other for other in problem.jobs))


def _placed(problem: PlanProblem, rest: Sequence[Row], name: str) -> Board | None:
    """Return the plan with the job put in, all other rows where they are; None where it has no place."""
    floor = Floor(problem)
    j = next(n for n, job in enumerate(problem.jobs) if job.name == name)
    board = board_of_rows(floor, rest)
    for entry in list(board.entries.values()):
        board.keep(entry)
    for key, pin in floor.pins.items():
        if key[0] == j and not board.fix(pin):
            return None
    return board if place_job(board, j, Taste(early_end=True)) and is_done(board, j) else None


# --- the facts --------------------------------------------------------------------------------------


def _clash(problem: PlanProblem, rest: Sequence[Row], name: str) -> tuple[str, ...]:
    """Return a minimal set of facts without which the job would have a place (deletion filter)."""
    facts = list(_facts(problem, rest, name))
    if _fits(problem, rest, name, []):
        return ()
    kept = list(facts)
    for fact in facts:
        without = [other for other in facts if other not in kept or other is fact]
        if not _fits(problem, rest, name, without):
            kept.remove(fact)
    return tuple(fact.words for fact in kept)


def _fits(problem: PlanProblem, rest: Sequence[Row], name: str, dropped: Sequence[_Fact]) -> bool:
    for fact in dropped:
        problem = fact.drop(problem)
    gone = {resource for fact in dropped for resource in fact.others}
    left = [row for row in rest if row.resource not in gone]
    return _placed(problem, left, name) is not None


def _facts(problem: PlanProblem, rest: Sequence[Row], name: str) -> Iterator[_Fact]:
    """Yield the facts that can stand in the way; those that explain least are tried first."""
    job = next(job for job in problem.jobs if job.name == name)
    options = [option for step in job.steps for option in step.options]
    used = {option.resource for option in options}
    if problem.fixture_change_min and any(option.fixture for option in options):
        words = f"a change of fixture takes {problem.fixture_change_min} min"
        yield _Fact(words, lambda p: replace(p, fixture_change_min=0))
    if any(wait is not None for wait in job.max_wait_min):
        waits = ", ".join(f"{wait} min" for wait in job.max_wait_min if wait is not None)
        yield _Fact(
            f"it may wait {waits} between its steps at most",
            lambda p: _with_job(p, replace(_job(p, name), max_wait_min=())),
        )
    for limit in job.within_min:
        yield _Fact(
            f"{called(job, limit.to_step)} starts within {limit.most_min} min of the end of "
            f"{called(job, limit.from_step)}",
            lambda p, limit=limit: _with_job(p, _without_limit(_job(p, name), limit)),  # type: ignore[misc]
        )
    for hold in job.holds:
        count = next(r.capacity for r in problem.resources if r.name == hold.resource)
        yield _Fact(
            f"there are {count} {hold.resource}",
            lambda p, hold=hold: _with_job(p, _without_hold(_job(p, name), hold)),  # type: ignore[misc]
        )
    for resource in problem.resources:
        if resource.name in used and resource.most_waiting is not None:
            words = f"at most {resource.most_waiting} pieces wait for {resource.name}"
            yield _Fact(words, lambda p, r=resource: _changed(p, replace(r, most_waiting=None)))  # type: ignore[misc]
    if problem.frozen_until_min is not None:
        until = clock(problem, problem.frozen_until_min)
        yield _Fact(f"nothing new starts before {until}", lambda p: replace(p, frozen_until_min=None))
    if problem.people is not None:
        skills = sorted({option.skill for option in options if option.skill is not None})
        by_skill = bool(skills) and any("any" not in group.skills for group in problem.people)
        for skill in skills if by_skill else ():
            count = sum(g.count for g in problem.people if "any" in g.skills or skill in g.skills)
            yield _Fact(
                f"only {count} people can {skill}",
                lambda p, skill=skill: _with_job(p, _without_skill(_job(p, name), skill)),  # type: ignore[misc]
            )
        most = sum(group.count for group in problem.people)
        if all(group.open is not None for group in problem.people):
            most = _most_at_once(problem.people)
        more = _with_more_hands if by_skill else _without_people
        yield _Fact(f"only {most} people are there at once", more)
    for kind in sorted({kind for option in options for kind, _ in option.wear}):
        yield from _cutter_fact(problem, rest, kind)
    yield _Fact(
        f"it is released {clock(problem, job.release_min)}",
        lambda p: _with_job(p, replace(_job(p, name), release_min=-(10**6) if problem.start else 0)),
    )
    for pin in problem.pins:
        if pin.job == name:
            where = f"{pin.resource} at {clock(problem, pin.start_min)}"
            yield _Fact(
                f"its step {pin.step} is pinned to {where}",
                lambda p: replace(p, pins=tuple(other for other in p.pins if other.job != name)),
            )
    for resource in problem.resources:
        if resource.name in used and resource.open is not None:
            yield _open_fact(problem, resource)
    for resource in problem.resources:
        if resource.name not in used or not any(row.resource == resource.name for row in rest):
            continue
        if resource.kind == "bench":  # its rows stay, with the people and carriers that they take
            wide = replace(resource, capacity=resource.capacity + len(rest) + 1)
            yield _Fact(_taken_words(resource, rest), lambda p, r=wide: _changed(p, r))  # type: ignore[misc]
        else:
            yield _Fact(_taken_words(resource, rest), lambda p: p, frozenset({resource.name}))
    if job.deadline_min is not None:
        yield _Fact(
            f"it must be ready by {clock(problem, job.deadline_min)}",
            lambda p: _with_job(p, replace(_job(p, name), deadline_min=None)),
        )


def _without_people(problem: PlanProblem) -> PlanProblem:
    return replace(problem, people=None)


def _with_more_hands(problem: PlanProblem) -> PlanProblem:
    """Return the problem with as many people as one likes for work that asks for no skill."""
    return replace(problem, people=(*(problem.people or ()), People(("none",), None, 999)))


def _most_at_once(people: Sequence[People]) -> int:
    """Return how many people are there at once at most [-]."""
    begins = {first for group in people for first, _ in group.open or ()}
    return max(
        (
            sum(group.count for group in people if any(a <= at < b for a, b in group.open or ()))
            for at in begins
        ),
        default=0,
    )


def _changed(problem: PlanProblem, resource: Resource) -> PlanProblem:
    return replace(
        problem, resources=tuple(resource if r.name == resource.name else r for r in problem.resources)
    )


def _without_limit(job: Job, limit: Within) -> Job:
    return replace(job, within_min=tuple(one for one in job.within_min if one != limit))


def _without_hold(job: Job, hold: Hold) -> Job:
    return replace(job, holds=tuple(one for one in job.holds if one != hold))


def _without_skill(job: Job, skill: str) -> Job:
    """Return the job with steps that anybody can do where the skill was asked for."""
    steps = tuple(
        replace(
            step,
            options=tuple(replace(o, skill=None) if o.skill == skill else o for o in step.options),
        )
        for step in job.steps
    )
    return replace(job, steps=steps)


def _job(problem: PlanProblem, name: str) -> Job:
    return next(job for job in problem.jobs if job.name == name)


def _cutter_fact(problem: PlanProblem, rest: Sequence[Row], kind: str) -> Iterator[_Fact]:
    for cutter in problem.cutters:
        if cutter.type == kind and cutter.life_left is not None:
            lives = ", ".join(f"{life / LIFE_UNITS:g}" for life in cutter.life_left) or "none"

            def endless(p: PlanProblem, kind: str = kind) -> PlanProblem:
                cutters = tuple(replace(c, life_left=None) if c.type == kind else c for c in p.cutters)
                return replace(p, cutters=cutters)

            yield _Fact(f"the {kind} cutters have so much life left: {lives}", endless)


def _open_fact(problem: PlanProblem, resource: Resource) -> _Fact:
    spans = resource.open or ()
    words = f"{resource.name} is open "
    words += ", ".join(f"{clock(problem, a)} to {clock(problem, b)}" for a, b in spans[:6])
    words += " and so on" if len(spans) > 6 else ""
    words = words if spans else f"{resource.name} is never open"

    def always(p: PlanProblem) -> PlanProblem:
        return replace(
            p, resources=tuple(replace(r, open=None) if r.name == resource.name else r for r in p.resources)
        )

    return _Fact(words, always)


def _taken_words(resource: Resource, rest: Sequence[Row]) -> str:
    rows = [row for row in rest if row.resource == resource.name]
    minutes = sum(row.end_min - row.start_min for row in rows)
    return f"{resource.name} does {len(rows)} other steps of {minutes} min"


# --- ways out ---------------------------------------------------------------------------------------


def _ways(
    problem: PlanProblem, asked: PlanProblem, rest: Sequence[Row], plan: Plan, name: str
) -> tuple[Way, ...]:
    """Return the cheapest ways out, by the tiers in their order, the plan as it is not among them."""
    found: list[tuple[tuple[int, ...], int, Way]] = []
    now = tier_values(problem, plan)
    job = _job(asked, name)
    for words, change, rows in (
        *_longer(asked, rest, job),
        *_single_ways(asked, rest, job),
        *_left_out(asked, rest, job),
    ):
        copy = change(asked)
        board = _placed(copy, rows, name)
        if board is None:
            continue
        values = tier_values(replace(copy, published=problem.published), Plan(board.rows(), ()))
        tiers = {tier: values[tier] for tier in problem.tiers}
        cost = tuple(tiers.values())
        if cost < tuple(now[tier] for tier in problem.tiers):
            found.append((cost, len(found), Way(words(board), tiers)))
    return tuple(way for _, _, way in sorted(found, key=lambda entry: entry[:2])[:WAYS])


Offer = tuple[Callable[[Board], str], Change, Sequence[Row]]


def _single_ways(problem: PlanProblem, rest: Sequence[Row], job: Job) -> Iterator[Offer]:
    if any(pin.job == job.name for pin in problem.pins):
        yield (
            lambda board: "take its pin away",
            lambda p: replace(p, pins=tuple(pin for pin in p.pins if pin.job != job.name)),
            rest,
        )
    if problem.people is not None:
        yield lambda board: "one person more", lambda p: with_people(p, 1), rest
    for hold in job.holds:
        yield (
            lambda board, hold=hold: f"one more of the {hold.resource}",  # type: ignore[misc]
            lambda p, hold=hold: _one_carrier_more(p, hold.resource),  # type: ignore[misc]
            rest,
        )
    kinds = {kind for step in job.steps for option in step.options for kind, _ in option.wear}
    for kind in sorted(kinds):
        if any(cutter.type == kind and cutter.life_left is not None for cutter in problem.cutters):
            yield (
                lambda board, kind=kind: f"one new {kind} cutter more",  # type: ignore[misc]
                lambda p, kind=kind: _one_cutter_more(p, kind),  # type: ignore[misc]
                rest,
            )
    if job.release_min > 0:
        yield (
            lambda board: _earlier_words(problem, board, job),
            lambda p: _with_job(p, replace(job, release_min=0)),
            rest,
        )


def _earlier_words(problem: PlanProblem, board: Board, job: Job) -> str:
    start = board.entries[board.floor.jobs.index(next(j for j in board.floor.jobs if j.name == job.name)), 0]
    return f"have it ready for its first step by {clock(problem, start.start_min)}"


def _one_carrier_more(problem: PlanProblem, name: str) -> PlanProblem:
    carrier = next(r for r in problem.resources if r.name == name)
    return _changed(problem, replace(carrier, capacity=carrier.capacity + 1))


def _one_cutter_more(problem: PlanProblem, kind: str) -> PlanProblem:
    def more(cutter: CutterType) -> CutterType:
        if cutter.type != kind or cutter.life_left is None:
            return cutter
        return replace(cutter, life_left=(*cutter.life_left, LIFE_UNITS))

    return replace(problem, cutters=tuple(more(cutter) for cutter in problem.cutters))


def _longer(problem: PlanProblem, rest: Sequence[Row], job: Job) -> Iterator[Offer]:
    """Offer one resource, open longer at the end of one open time, by the least of some lengths."""
    used = {option.resource for step in job.steps for option in step.options}
    limit = job.deadline_min
    for resource in problem.resources:
        if resource.name not in used or resource.open is None:
            continue
        for w, (first, last) in enumerate(resource.open):
            if last < job.release_min or (limit is not None and first > limit):
                continue
            for minutes in LONGER_MIN:
                change = _longer_by(resource.name, w, minutes)
                if _placed(change(problem), rest, job.name) is not None:
                    words = (
                        f"{resource.name} open {minutes} min longer until {clock(problem, last + minutes)}"
                    )
                    yield lambda board, words=words: words, change, rest  # type: ignore[misc]
                    break


def _longer_by(name: str, w: int, minutes: int) -> Change:
    """Return the change that opens one resource longer, with the people that it takes."""

    def change(problem: PlanProblem) -> PlanProblem:
        def longer(resource: Resource) -> Resource:
            if resource.name != name or resource.open is None:
                return resource
            first, last = resource.open[w]
            limit = resource.open[w + 1][0] if w + 1 < len(resource.open) else last + minutes
            spans = (*resource.open[:w], (first, min(last + minutes, limit)), *resource.open[w + 1 :])
            return replace(resource, open=spans)

        last = next(r.open[w][1] for r in problem.resources if r.name == name and r.open is not None)
        people = problem.people
        if people is not None:
            extra = replace(people[0], open=((last, last + minutes),), count=1)
            people = (*people, extra)
        return replace(problem, resources=tuple(longer(r) for r in problem.resources), people=people)

    return change


def _left_out(problem: PlanProblem, rest: Sequence[Row], job: Job) -> Iterator[Offer]:
    """Offer to leave out one other job in its favour, those of the least priority first."""
    used = {option.resource for step in job.steps for option in step.options}
    there = {row.job for row in rest if row.resource in used}
    others = sorted(
        (other for other in problem.jobs if other.name in there and other.priority < job.priority),
        key=lambda other: (other.priority, other.name),
    )
    for other in others[:OTHERS_TRIED]:
        left = [row for row in rest if row.job != other.name]
        words = f"leave out {other.name} (priority {other.priority}) in its favour"
        yield lambda board, words=words: words, lambda p: p, left  # type: ignore[misc]
