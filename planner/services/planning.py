"""Who cuts what, where and when? Facts out of the database, a plan by the optimizer, checked, and stored.

In four steps: a short session gathers the problem; no session is open while it is solved; the plan is checked
by the optimizer's independent verify; a short session stores it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from sqlalchemy import select, update
from sqlalchemy.orm import Session, selectinload, sessionmaker

from planner.database import tables
from planner.database.session import reading, unit_of_work
from planner.database.states import PlanState
from planner.errors import Conflict, PlannerError, Refused
from planner.services.benches import CUT
from planner.services.posing import barred as barred_of
from planner.services.posing import (
    bench_rows_of,
    carried_over,
    job_name,
    learned_ratios,
    open_jobs,
    problem_of,
    published_plan,
    published_rows,
    started_rows,
    whole_minute,
)

if TYPE_CHECKING:
    from planner.schedule.moved import MovedStep

__all__ = [
    "Move",
    "StoredPlan",
    "as_solved",
    "bench_rows_of",
    "go_on",
    "job_name",
    "learned_ratios",
    "moves_between",
    "plan_season",
    "problem_of",
    "published_plan",
    "rows_of",
    "safe_plan",
    "solve_checked",
    "started_rows",
    "store_plan",
    "stored_plan",
]
MOST_MOVED = 0.15
"""What a plan made anew may move for the better, as a share of the steps that could stay; common practice."""


@dataclass(frozen=True, slots=True)
class StoredPlan:
    """A plan as stored, with what a summary needs."""

    plan_id: int
    tiers: dict[str, Any]
    undone: tuple[str, ...]
    seconds: float
    rows: int
    finish_at: datetime | None
    moved: tuple[MovedStep, ...] = ()
    """What a plan made anew has moved, and why."""
    ready: dict[str, Any] | None = None
    """The chance that all are ready, where one was asked for, and the curve it was chosen from."""


def plan_season(
    factory: sessionmaker[Session],
    season_id: int,
    *,
    by: str,
    now: datetime,
    start: datetime | None = None,
    seconds: float = 20.0,
    workers: int = 2,
    seed: int = 0,
    people: int = 3,
    report: Callable[[int, int, str], None] = lambda done, total, note: None,
    stop: Callable[[], bool] = lambda: False,
    published: bool = False,
    most_moved: float | None = MOST_MOVED,
    ready: float | None = None,
) -> StoredPlan:
    """Plan all open jobs of a season and publish the plan.

    Parameters
    ----------
    factory : sessionmaker
        Of the database [-].
    season_id : int
        The season [-].
    by : str
        Who asked for it [-].
    now : datetime
        When it is asked for.
    start : datetime, optional
        Minute 0 of the plan, taken to the next whole minute; `now` if absent.
    seconds : float
        How long the optimizer may search [s].
    workers, seed : int
        Of the optimizer; one worker and one seed give one plan [-].
    people : int
        Hands at the machines during shifts [-].
    report, stop : callable
        Progress, and whether to end early with the best so far.
    published : bool
        Keep to the published plan: what starts within the frozen hour stays, and moves count. A safe plan is
        published at once, a better one when it is there.
    most_moved : float, optional
        Such a share of the steps that could stay may move for a better plan; None = as many as help [-].
    ready : float, optional
        The chance of all being ready that the plan is to meet before it saves stored nights [-].
    """
    start = whole_minute(start or now)
    with reading(factory) as db:
        problem = problem_of(db, season_id, start, people=people, keep=published, benches=True)
        names = _ids(db, season_id)
        begun = carried_over(db, season_id, start) if published else []
        barred = barred_of(open_jobs(db, season_id))
    stored = None
    if published:
        safe = _with_barred(safe_plan(problem), barred)
        with unit_of_work(factory) as db:
            stored = store_plan(db, season_id, problem, safe, names, start, begun=begun, by=by, at=now)
        report(0, max(1, round(seconds)), "a safe plan is published")
    plan = solve_checked(
        problem,
        seconds=seconds,
        workers=workers,
        seed=seed,
        report=report,
        stop=stop,
        most_moved=most_moved if published else None,
        ready=ready,
    )
    plan = _with_barred(plan, barred)
    if stored is None or _costs(plan["tiers"]) < _costs(stored.tiers):
        with unit_of_work(factory) as db:
            stored = store_plan(db, season_id, problem, plan, names, start, begun=begun, by=by, at=now)
    return stored


def go_on(
    factory: sessionmaker[Session],
    season_id: int,
    *,
    by: str,
    now: datetime,
    seconds: float = 20.0,
    workers: int = 2,
    seed: int = 0,
    report: Callable[[int, int, str], None] = lambda done, total, note: None,
    stop: Callable[[], bool] = lambda: False,
) -> StoredPlan:
    """Go on looking for a better plan where the search for the one in force ended or was stopped.

    Parameters
    ----------
    factory : sessionmaker
        Of the database [-].
    season_id : int
        The season [-].
    by : str
        Who asked for it [-].
    now : datetime
        When it is asked for.
    seconds : float
        How much longer the optimizer may search [s].
    workers, seed : int
        Of the optimizer [-].
    report, stop : callable
        Progress, and whether to end early with the best so far.

    Raises
    ------
    Conflict
        Jobs, shifts or cutters have changed since: that problem is no longer the season's, plan it anew.
    """
    with reading(factory) as db:
        before = published_plan(db, season_id)
        problem, start = before.problem, before.start_at
        names = _ids(db, season_id)
        stored = stored_plan(db, season_id)
        begin = as_solved(db, before)
        changed = [job["name"] for job in problem["jobs"] if job["name"] not in names["jobs"]]
        barred = barred_of(open_jobs(db, season_id))
    if now > start:
        raise Conflict("the plan in force has begun; plan again from now instead")
    if changed:
        raise Conflict(f"{changed[0]} is not to be cut any more; plan again instead")
    plan = solve_checked(
        problem, seconds=seconds, workers=workers, seed=seed + 1, report=report, stop=stop, begin=begin
    )
    plan = _with_barred(plan, barred)
    assert stored is not None
    if _costs(plan["tiers"]) < _costs(stored.tiers):
        with unit_of_work(factory) as db:
            stored = store_plan(db, season_id, problem, plan, names, start, by=by, at=now)
    return stored


def as_solved(db: Session, plan: tables.Plan) -> dict[str, Any]:
    """Return a stored plan in the public JSON form, by the steps of its own problem.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    plan : Plan
        With its rows and its problem [-].
    """
    steps = {job["name"]: [step.get("name", CUT) for step in job["steps"]] for job in plan.problem["jobs"]}
    rows = published_rows(db, plan, plan.start_at, steps)
    done = {(row["job"], row["step"]) for row in rows}
    undone = [name for name, own in steps.items() if not all((name, s) in done for s in range(len(own)))]
    return {"rows": rows, "undone": undone}


def _with_barred(plan: dict[str, Any], barred: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Add the jobs that no machine can cut: they are as undone as those for which no room was found."""
    for one in barred:
        plan["undone"].append(one["job"])
        plan.setdefault("why", {})[one["job"]] = one["why"]
        for figure in ("value", "bound"):
            plan["tiers"]["undone"][figure] += one["priority"]
    return plan


def _costs(tiers: dict[str, Any]) -> list[int]:
    return [int(tier["value"]) for tier in tiers.values()]


def safe_plan(problem: dict[str, Any]) -> dict[str, Any]:
    """Return a valid plan at once that stays as near as may be to the published one, in the JSON form.

    Parameters
    ----------
    problem : dict
        In the public JSON form, with its published rows [-].
    """
    from planner.optimizer import first_plan, write_plan

    read = _read(problem)
    return _kept(read, first_plan(read), write_plan)


def _read(problem: dict[str, Any]) -> Any:
    from planner.optimizer import read_problem
    from planner.optimizer.problem import ProblemError

    try:
        return read_problem(problem)
    except ProblemError as error:
        raise Refused(str(error)) from error


def _kept(problem: Any, plan: Any, write: Callable[[Any], dict[str, Any]]) -> dict[str, Any]:
    """Return a plan as JSON, or refuse it when the checker finds a breach."""
    from planner.optimizer import verify

    breaches = verify(problem, plan)
    if breaches:
        raise PlannerError(f"the plan breaks a rule and is not kept: {breaches[0]} ({len(breaches)} in all)")
    return write(plan)


def solve_checked(
    problem: dict[str, Any],
    *,
    seconds: float,
    workers: int = 2,
    seed: int = 0,
    report: Callable[[int, int, str], None] = lambda done, total, note: None,
    stop: Callable[[], bool] = lambda: False,
    most_moved: float | None = None,
    ready: float | None = None,
    begin: dict[str, Any] | None = None,
) -> dict[str, Any]:
    """Solve a problem in the JSON form, and refuse to return a plan in which the checker finds a breach.

    With `ready` the plan first meets that chance of all being ready, then saves stored nights; the answer has
    a key `ready` then, with the chance and the curve it was chosen from. With `begin`, a plan of the same
    problem, the search goes on from there and never ends with a worse one.
    """
    from planner.optimizer import read_plan, solve, write_plan

    read = _read(problem)
    if ready is not None:
        return _safely(read, ready, seconds=seconds, workers=workers, seed=seed, report=report, stop=stop)
    plan = solve(
        read,
        seconds=seconds,
        workers=workers,
        seed=seed,
        report=report,
        stop=stop,
        most_moved=most_moved,
        begin=None if begin is None else read_plan(begin),
    )
    return _kept(read, plan, write_plan)


def _safely(problem: Any, target: float, **options: Any) -> dict[str, Any]:
    from planner.optimizer import write_plan
    from planner.schedule.slack import plan_safely

    safe = plan_safely(problem, target, **options)
    curve = [
        {
            "share": point.share,
            "stored_nights": point.nights,
            "undone": point.undone,
            "late": point.late,
            "chance": point.chance,
        }
        for point in safe.curve
    ]
    said = {"target": target, "chance": safe.ready.chance, "met": safe.met, "share": safe.share}
    return _kept(problem, safe.plan, write_plan) | {"ready": said | {"curve": curve}}


def stored_plan(db: Session, season_id: int) -> StoredPlan | None:
    """Return the season's published plan as it was stored, None before the first.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    season_id : int
        The season [-].
    """
    plan = db.scalar(
        select(tables.Plan).where(
            tables.Plan.season_id == season_id, tables.Plan.state == PlanState.PUBLISHED
        )
    )
    if plan is None:
        return None
    finish = max((row.end_at for row in plan.rows), default=None)
    undone = tuple(one["job"] for one in plan.undone)
    return StoredPlan(plan.id, plan.tiers, undone, plan.seconds, len(plan.rows), finish)


def _ids(db: Session, season_id: int) -> dict[str, dict[str, int]]:
    machines = db.scalars(select(tables.Machine))
    return {
        "jobs": {job_name(job): job.id for job in open_jobs(db, season_id)},
        "machines": {m.name: m.id for m in machines},
        "benches": {b.name: b.id for b in db.scalars(select(tables.Bench))},
    }


def store_plan(
    db: Session,
    season_id: int,
    problem: dict[str, Any],
    plan: dict[str, Any],
    ids: dict[str, dict[str, int]],
    start: datetime,
    *,
    begun: Sequence[dict[str, Any]] = (),
    by: str,
    at: datetime,
) -> StoredPlan:
    """Keep a checked plan and publish it in place of the one before.

    Parameters
    ----------
    db : Session
        An open unit of work [-].
    season_id : int
        The season [-].
    problem, plan : dict
        In the public JSON form; the plan has passed the checker.
    ids : dict
        Numbers of jobs, machines and benches by their names in the plan.
    start : datetime
        Minute 0.
    begun : sequence of dict
        Rows of the plan before that stay, of machines and of benches; they are carried over.
    by, at
        Who asked for it, and when.
    """
    db.execute(
        update(tables.Plan)
        .where(tables.Plan.season_id == season_id, tables.Plan.state == PlanState.PUBLISHED)
        .values(state=PlanState.REPLACED)
    )
    rows, bench_rows = rows_of(problem, plan, ids, start)
    rows += [tables.PlanRow(**row) for row in begun if "machine_id" in row]
    bench_rows += [tables.BenchRow(**row) for row in begun if "bench_id" in row]
    why = plan.get("why", {})
    stored = tables.Plan(
        season_id=season_id,
        state=PlanState.PUBLISHED,
        start_at=start,
        seed=plan["seed"],
        seconds=plan["seconds"],
        versions=plan["versions"],
        problem=problem,
        tiers=plan["tiers"],
        undone=[{"job": name, "why": why.get(name, "")} for name in plan["undone"]],
        published_at=at,
        published_by=by,
        recorded_at=at,
        recorded_by=by,
        rows=rows,
        bench_rows=bench_rows,
    )
    db.add(stored)
    db.flush()
    finish = max((row.end_at for row in rows), default=None)
    return StoredPlan(
        stored.id,
        plan["tiers"],
        tuple(plan["undone"]),
        plan["seconds"],
        len(rows),
        finish,
        _moved(problem, plan),
        plan.get("ready"),
    )


def rows_of(
    problem: dict[str, Any], plan: dict[str, Any], ids: dict[str, dict[str, int]], start: datetime
) -> tuple[list[tables.PlanRow], list[tables.BenchRow]]:
    """Return a plan's rows as they are stored: those at machines, and those at benches by the step's name.

    Parameters
    ----------
    problem, plan : dict
        In the public JSON form.
    ids : dict
        Numbers of jobs, machines and benches by their names in the plan.
    start : datetime
        Minute 0.
    """
    steps = {job["name"]: [step.get("name", "") for step in job["steps"]] for job in problem["jobs"]}
    at_machines, at_benches = [], []
    for row in plan["rows"]:
        when = {
            "job_id": ids["jobs"][row["job"]],
            "start_at": start + timedelta(minutes=row["start_min"]),
            "end_at": start + timedelta(minutes=row["end_min"]),
        }
        bench = ids.get("benches", {}).get(row["resource"])
        if bench is not None:
            at_benches.append(tables.BenchRow(step=steps[row["job"]][row["step"]], bench_id=bench, **when))
        else:
            machine = ids["machines"][row["resource"]]
            cutters = [str(c) for c in row["cutters"]]
            at_machines.append(tables.PlanRow(step=0, machine_id=machine, cutters=cutters, **when))
    return at_machines, at_benches


def _moved(problem: dict[str, Any], plan: dict[str, Any]) -> tuple[MovedStep, ...]:
    if not problem.get("published"):
        return ()
    from planner.optimizer import read_plan
    from planner.schedule.moved import moved_steps

    return moved_steps(_read(problem), read_plan(plan))


@dataclass(frozen=True, slots=True)
class Move:
    """One job that a re-plan moved, in words."""

    job: str
    before: str
    after: str


def moves_between(db: Session, before_id: int, after_id: int, zone: Any) -> tuple[Move, ...]:
    """Return what moved between two plans: another machine, or a start more than 30 minutes away."""

    def rows(plan_id: int) -> dict[str, tables.PlanRow]:
        found_rows = db.scalars(
            select(tables.PlanRow)
            .where(tables.PlanRow.plan_id == plan_id)
            .options(
                selectinload(tables.PlanRow.job).selectinload(tables.Job.station),
                selectinload(tables.PlanRow.machine),
            )
        )
        return {job_name(row.job): row for row in found_rows}

    def words(row: tables.PlanRow | None) -> str:
        return f"{row.machine.name} {row.start_at.astimezone(zone):%a %H:%M}" if row else "not planned"

    old, new = rows(before_id), rows(after_id)
    out = []
    for name in old:
        one, other = old[name], new.get(name)
        if (
            other
            and one.machine_id == other.machine_id
            and abs(one.start_at - other.start_at) <= timedelta(minutes=30)
        ):
            continue
        out.append(Move(name, words(one), words(other)))
    return tuple(out)
