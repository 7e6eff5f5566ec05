"""What if a machine is down, a person more is there, the day is longer? A copy beside the live plan.

Nothing here changes a plan that people work by: a changed copy is solved, and its tiers stand beside the live
ones.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from planner.optimizer import solve, tier_values
from planner.optimizer.bound import lower_bounds
from planner.optimizer.problem import People, Plan, PlanProblem, ProblemError, Resource, Row, Span
from planner.optimizer.solve import first_plan
from planner.schedule.moved import MovedStep, moved_steps

FAR = 10**9


@dataclass(frozen=True, slots=True)
class Line:
    """One tier: in the live plan, in the copy's plan, and what the copy cannot go below."""

    tier: str
    live: int
    copy: int
    bound: int
    status: str


@dataclass(frozen=True, slots=True, eq=False)
class Compared:
    """A what-if copy beside the live plan."""

    lines: tuple[Line, ...]
    plan: Plan
    moved: tuple[MovedStep, ...]
    undone: tuple[str, ...]

    @property
    def met(self) -> bool:
        """Whether the copy's plan leaves nothing undone."""
        return not self.undone

    @property
    def verdict(self) -> str:
        """In words: everything ready, or not, and whether that is proven."""
        if self.met:
            return "all ready in time"
        least = next((line.bound for line in self.lines if line.tier == "undone"), 0)
        names = ", ".join(self.undone[:5]) + (" and more" if len(self.undone) > 5 else "")
        proof = f"proven: at least {least} by weight, whatever the plan" if least else "not proven"
        return f"{len(self.undone)} not ready ({proof}): {names}"


# --- changes ----------------------------------------------------------------------------------------


def without_machine(
    problem: PlanProblem, name: str, from_min: int = 0, to_min: int | None = None
) -> PlanProblem:
    """Return the problem with a machine down for a time, to the end when no end is given.

    Parameters
    ----------
    problem : PlanProblem
        As it is [-].
    name : str
        The machine's name [-].
    from_min, to_min : int
        When it is down [min].
    """
    names = [resource.name for resource in problem.resources]
    if name not in names:
        raise ProblemError(f"{name!r}: no such machine, expected one of {', '.join(names)}")
    end = FAR if to_min is None else to_min

    def down(resource: Resource) -> Resource:
        if resource.name != name:
            return resource
        spans = ((0, FAR),) if resource.open is None else resource.open
        pieces = [
            piece
            for span in spans
            for piece in ((span[0], min(span[1], from_min)), (max(span[0], end), span[1]))
        ]
        return replace(resource, open=tuple((a, b) for a, b in pieces if a < b))

    return replace(problem, resources=tuple(down(resource) for resource in problem.resources))


def with_people(problem: PlanProblem, more: int) -> PlanProblem:
    """Return the problem with so many people more who can do all work, or so many less.

    Groups that differ in their hours alone get them in every one, as shifts do. Of groups with skills of
    their own the largest lose people first.

    Parameters
    ----------
    problem : PlanProblem
        As it is [-].
    more : int
        People, negative for less [-].
    """
    if problem.people is None:
        return problem
    if len({group.skills for group in problem.people}) <= 1:
        groups = tuple(replace(group, count=max(0, group.count + more)) for group in problem.people)
    elif more >= 0:
        longest = max(problem.people, key=lambda group: _hours(group.open))
        groups = (*problem.people, People(("any",), longest.open, more))
    else:
        counts = [group.count for group in problem.people]
        for _ in range(min(-more, sum(counts))):
            counts[counts.index(max(counts))] -= 1
        groups = tuple(replace(g, count=count) for g, count in zip(problem.people, counts, strict=True))
    return replace(problem, people=groups)


def _hours(spans: tuple[Span, ...] | None) -> int:
    return FAR if spans is None else sum(b - a for a, b in spans)


def with_longer_days(
    problem: PlanProblem, minutes: int, kinds: Sequence[str] = ("machine", "bench")
) -> PlanProblem:
    """Return the problem with every open time longer at its end, as far as the next one; people stay too.

    Parameters
    ----------
    problem : PlanProblem
        As it is [-].
    minutes : int
        How much longer [min].
    kinds : sequence of str
        Of the resources that are open longer [-].
    """

    def longer(spans: tuple[Span, ...] | None) -> tuple[Span, ...] | None:
        if spans is None:
            return None
        nexts = [span[0] for span in spans[1:]] + [FAR]
        return tuple(
            (a, max(a + 1, min(b + minutes, after))) for (a, b), after in zip(spans, nexts, strict=True)
        )

    def stays(group: People) -> People:
        return replace(group, open=longer(group.open))

    return replace(
        problem,
        resources=tuple(replace(r, open=longer(r.open)) if r.kind in kinds else r for r in problem.resources),
        people=None if problem.people is None else tuple(stays(group) for group in problem.people),
    )


# --- comparing --------------------------------------------------------------------------------------


def compare(
    problem: PlanProblem,
    live: Sequence[Row],
    copy: PlanProblem,
    *,
    seconds: float = 5.0,
    workers: int = 2,
    seed: int = 0,
    stop: Callable[[], bool] = lambda: False,
    repeatable: bool = False,
) -> Compared:
    """Return a changed copy's plan beside the live one, which stays as it is.

    Parameters
    ----------
    problem : PlanProblem
        Of the live plan [-].
    live : sequence of Row
        The live plan [-].
    copy : PlanProblem
        The problem with something changed [-].
    seconds, workers, seed, stop, repeatable
        As in `solve`.
    """
    asked = replace(copy, published=tuple(live) or None, tiers=_tiers(copy))
    plan = solve(asked, seconds=seconds, workers=workers, seed=seed, stop=stop, repeatable=repeatable)
    before = tier_values(replace(problem, published=asked.published), Plan(_possible(problem, live), ()))
    lines = tuple(
        Line(name, before[name], tier.value, tier.bound, tier.status) for name, tier in plan.tiers.items()
    )
    return Compared(lines, plan, moved_steps(asked, plan), plan.undone)


def _possible(problem: PlanProblem, rows: Sequence[Row]) -> tuple[Row, ...]:
    """Return the rows whose resource may still do their step; facts may have changed since."""
    able = {
        (job.name, s, option.resource)
        for job in problem.jobs
        for s, step in enumerate(job.steps)
        for option in step.options
    }
    return tuple(row for row in rows if (row.job, row.step, row.resource) in able)


def _tiers(problem: PlanProblem) -> tuple[str, ...]:
    if "moved" in problem.tiers:
        return problem.tiers
    names = list(problem.tiers)
    after = max((names.index(name) + 1 for name in ("undone", "late") if name in names), default=0)
    return (*names[:after], "moved", *names[after:])


@dataclass(frozen=True, slots=True)
class Outage:
    """Machines that are down together: undone by weight in the plan that was found, and at least."""

    machines: tuple[str, ...]
    undone: int
    at_least: int

    @property
    def verdict(self) -> str:
        """In words."""
        names = " and ".join(self.machines)
        if self.undone == 0:
            return f"{names} down: all ready in time"
        if self.at_least > 0:
            return f"{names} down: not all ready, proven (at least {self.at_least} by weight)"
        return f"{names} down: {self.undone} by weight not ready in the plan found, not proven"


def outages(
    problem: PlanProblem,
    count: int,
    *,
    from_min: int = 0,
    to_min: int | None = None,
    seconds: float = 1.0,
    seed: int = 0,
    stop: Callable[[], bool] = lambda: False,
    repeatable: bool = False,
) -> tuple[Outage, ...]:
    """Return what becomes of the plan for every set of so many machines that may be down, the worst first.

    Parameters
    ----------
    problem : PlanProblem
        As it is, before anything has happened [-].
    count : int
        How many are down at once [-].
    from_min, to_min : int
        When [min].
    seconds : float
        For each set whose first plan leaves something undone [s].
    seed, stop, repeatable
        As in `solve`.
    """
    machines = [resource.name for resource in problem.resources if resource.kind == "machine"]
    found = []
    for names in combinations(machines, count):
        if stop():
            break
        copy = problem
        for name in names:
            copy = without_machine(copy, name, from_min, to_min)
        plan = first_plan(copy)
        undone = tier_values(copy, plan)["undone"]
        least = 0
        if undone:
            values = tier_values(copy, plan)
            least = lower_bounds(replace(copy, tiers=("undone",)), values, 60.0, fractions_only=True)[
                "undone"
            ]
        if undone and not least:
            plan = solve(
                replace(copy, tiers=("undone",)), seconds=seconds, workers=1, seed=seed, stop=stop,
                repeatable=repeatable,
            )  # fmt: skip
            undone = min(undone, plan.tiers["undone"].value)
        found.append(Outage(names, undone, least))
    return tuple(sorted(found, key=lambda outage: (-outage.undone, outage.machines)))
