"""What if something were different? A copy of the problem, solved beside the live plan; nothing is stored."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from sqlalchemy.orm import Session, sessionmaker

from planner.database.session import reading
from planner.errors import Refused
from planner.services.planning import as_solved, problem_of, published_plan

if TYPE_CHECKING:
    from planner.optimizer.problem import PlanProblem, Row
    from planner.schedule.whatif import Compared, Outage


def live_problem(
    db: Session, season_id: int, at: datetime | None = None
) -> tuple[PlanProblem, tuple[Row, ...]]:
    """Return the problem of the published plan and its rows, or what is left of both from an instant on.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    season_id : int
        The season [-].
    at : datetime, optional
        Minute 0 of the copy; the plan's own start if absent.
    """
    from planner.optimizer import read_problem

    plan = published_plan(db, season_id)
    start = at or plan.start_at
    source: dict[str, Any] = problem_of(db, season_id, start, keep=True)
    if at is None:
        source["frozen_until_min"] = None
    read = read_problem(source)
    return read, read.published or ()


def read_file(source: dict[str, Any]) -> PlanProblem:
    """Return a problem in the public JSON form as a record, or refuse it in one line.

    Parameters
    ----------
    source : dict
        The JSON object [-].
    """
    from planner.optimizer import ProblemError, read_problem

    try:
        return read_problem(source)
    except ProblemError as error:
        raise Refused(str(error)) from error


def changed(
    problem: PlanProblem,
    *,
    down: Sequence[tuple[str, float | None]] = (),
    people: int = 0,
    longer_h: float = 0.0,
) -> PlanProblem:
    """Return a copy of a problem with machines down, people more or less, days longer.

    Parameters
    ----------
    problem : PlanProblem
        As it is [-].
    down : sequence of tuple
        Machine, and hours from the beginning; None = to the end [h].
    people : int
        More, or less when negative [-].
    longer_h : float
        Every day's work goes on so much longer [h].
    """
    from planner.optimizer import ProblemError
    from planner.schedule.whatif import with_longer_days, with_people, without_machine

    try:
        for name, hours in down:
            problem = without_machine(problem, name, 0, None if hours is None else round(60 * hours))
    except ProblemError as error:
        raise Refused(str(error)) from error
    if people:
        problem = with_people(problem, people)
    return with_longer_days(problem, round(60 * longer_h)) if longer_h else problem


def what_if(
    problem: PlanProblem,
    live: Sequence[Row],
    copy: PlanProblem,
    *,
    seconds: float = 5.0,
    stop: Callable[[], bool] = lambda: False,
) -> Compared:
    """Return a copy's plan beside the live one.

    Parameters
    ----------
    problem, copy : PlanProblem
        As it is, and with something changed [-].
    live : sequence of Row
        The live plan [-].
    seconds : float
        Time for the copy's plan [s].
    stop : Callable
        Whether to end early [-].
    """
    from planner.schedule.whatif import compare

    return compare(problem, live, copy, seconds=seconds, stop=stop)


@dataclass(frozen=True, slots=True)
class SlackLine:
    """One point of the curve: so much of each shift is planned, what that costs, how likely all are ready."""

    share: float
    stored_nights: int
    undone: int
    late: int
    chance: float


def slack_of(
    factory: sessionmaker[Session], season_id: int, *, seed: int = 0, seconds: float | None = 1.8
) -> tuple[SlackLine, ...]:
    """Return what slack would cost the plan in force: five points, for the lead to decide; nothing is stored.

    Parameters
    ----------
    factory : sessionmaker
        Of the database [-].
    season_id : int
        The season [-].
    seed : int
        Source of chance [-].
    seconds : float, optional
        For the whole curve; None = a number of rounds, the same curve each time [s].
    """
    from planner.optimizer import read_plan
    from planner.schedule.ready import Spread
    from planner.schedule.slack import slack_curve

    with reading(factory) as db:
        plan = published_plan(db, season_id)
        problem, solved = read_file(plan.problem), read_plan(as_solved(db, plan))
    curve = slack_curve(problem, solved, Spread(), seed=seed, seconds=seconds)
    return tuple(SlackLine(p.share, p.nights, p.undone, p.late, p.chance) for p in curve)


def how_many_down(problem: PlanProblem, most: int = 3) -> tuple[tuple[Outage, ...], ...]:
    """Return for 1, 2, ... machines down together what becomes of the plan, the worst first.

    Parameters
    ----------
    problem : PlanProblem
        As it is [-].
    most : int
        Machines down at once [-].
    """
    from planner.schedule.whatif import outages

    bare = replace(problem, published=None, frozen_until_min=None, tiers=("undone",))
    machines = sum(resource.kind == "machine" for resource in problem.resources)
    return tuple(outages(bare, count) for count in range(1, min(most, machines) + 1))


def why_in_file(
    source: dict[str, Any], plan: dict[str, Any] | None, name: str, *, seconds: float = 10.0
) -> str:
    """Return why a job of a problem in a file is undone or late, and the cheapest ways out, as text.

    Parameters
    ----------
    source, plan : dict
        Problem and plan in the public JSON form; without a plan the problem is solved first [-].
    name : str
        The job [-].
    seconds : float
        For solving [s].
    """
    from planner.optimizer import read_plan, solve

    problem = read_file(source)
    return _why(problem, solve(problem, seconds=seconds) if plan is None else read_plan(plan), name)


def why_in_plan(db: Session, season_id: int, name: str) -> str:
    """Return why a job of the published plan is undone or late, and the cheapest ways out, as text.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    season_id : int
        The season [-].
    name : str
        The job, as the plan calls it [-].
    """
    from planner.optimizer.problem import Plan

    plan = published_plan(db, season_id)
    for one in plan.undone:
        if one["job"] == name and name not in {job["name"] for job in plan.problem.get("jobs", ())}:
            return f"{name}: {one['why']}"  # no machine can cut it, so it was never in the problem
    problem, rows = live_problem(db, season_id)
    done = {row.job for row in rows}
    undone = tuple(job.name for job in problem.jobs if job.name not in done)
    return _why(replace(problem, published=None), Plan(rows, undone), name)


def _why(problem: PlanProblem, plan: Any, name: str) -> str:
    from planner.optimizer import ProblemError
    from planner.schedule.explain import explain

    try:
        return explain(problem, plan, name).words
    except ProblemError as error:
        raise Refused(str(error)) from error


def compared_lines(found: Compared) -> list[str]:
    """Return a comparison as lines of text.

    Parameters
    ----------
    found : Compared
        As `what_if` made it [-].
    """
    lines = [found.verdict, f"{'tier':<14} {'live':>8} {'copy':>8}   copy at least"]
    lines += [
        f"{one.tier:<14} {one.live:>8} {one.copy:>8}   {one.bound} ({one.status})" for one in found.lines
    ]
    lines.append(f"{len(found.moved)} steps would move:")
    return lines + [f"  {one.job}: {one.before} -> {one.after} ({one.why})" for one in found.moved]
