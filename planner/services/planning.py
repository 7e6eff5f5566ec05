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
from planner.database.states import CutterState, JobState, PlanState, RunOutcome
from planner.errors import NotFound, PlannerError, Refused
from planner.services.benches import CUT, MOST_WAITING, Crew, crew_of
from planner.services.common import found

if TYPE_CHECKING:
    from planner.schedule.moved import MovedStep

TIERS = ("undone", "late", "stored_nights", "changeovers", "finish")
CUTTER_CHANGE_MIN, FIXTURE_CHANGE_MIN = 4, 10  # common practice; a venue's own times replace them
FROZEN_MIN = 60
MOST_MOVED = 0.15
"""What a plan made anew may move for the better, as a share of the steps that could stay; common practice."""
_OPEN = (JobState.WANTED, JobState.CHOSEN, JobState.PREPARED)
_IN_STOCK = (CutterState.STORED, CutterState.FITTED)


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
        Minute 0 of the plan; `now` if absent.
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
    start = start or now
    with reading(factory) as db:
        problem = problem_of(db, season_id, start, people=people, keep=published, benches=True)
        names = _ids(db, season_id)
        begun = _carried_over(db, season_id, start) if published else []
        barred = _barred(_open_jobs(db, season_id))
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
) -> dict[str, Any]:
    """Solve a problem in the JSON form, and refuse to return a plan in which the checker finds a breach.

    With `ready` the plan first meets that chance of all being ready, then saves stored nights; the answer has
    a key `ready` then, with the chance and the curve it was chosen from.
    """
    from planner.optimizer import solve, write_plan

    read = _read(problem)
    if ready is not None:
        return _safely(read, ready, seconds=seconds, workers=workers, seed=seed, report=report, stop=stop)
    plan = solve(
        read, seconds=seconds, workers=workers, seed=seed, report=report, stop=stop, most_moved=most_moved
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


def job_name(job: tables.Job) -> str:
    """Return the name by which a plan knows a job: its station, else its number."""
    return f"{job.station.name} #{job.id}" if job.station else f"spare #{job.id}"


def problem_of(
    db: Session,
    season_id: int,
    start: datetime,
    *,
    people: int = 3,
    keep: bool = False,
    benches: bool = False,
) -> dict[str, Any]:
    """Return the plan problem of a season's open jobs, in the public JSON form.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    season_id : int
        The season [-].
    start : datetime
        Minute 0.
    people : int
        Hands at the machines during shifts [-].
    keep : bool
        Carry the published plan along: rows that started or start within the frozen hour are kept.
    benches : bool
        Plan what is done at benches too, with people by skill, where benches or hands are entered.
    """
    season = found(db, tables.Season, season_id)
    machines = db.scalars(
        select(tables.Machine).where(tables.Machine.active).order_by(tables.Machine.id)
    ).all()
    begun = started_rows(db, season_id, start) if keep else []
    jobs = [job for job in _open_jobs(db, season_id) if job.id not in {row.job_id for row in begun}]
    crew = crew_of(db) if benches else Crew()
    passed = _passed_at_benches(db, season_id, start) if keep and not crew.is_empty else {}
    shifts = _open_intervals(db, machines, start)
    manned = _union(list(shifts.values()))
    ratios = learned_ratios(db)
    for row in begun:  # what runs is left to run: its machine is free when it ends
        shifts[row.machine_id] = [
            piece
            for span in shifts[row.machine_id]
            for piece in _less(span, 0, max(0, _minutes(start, row.end_at)))
        ]
    problem: dict[str, Any] = {
        "start": start.astimezone(season.zone).isoformat(),
        "tiers": list(TIERS),
        "resources": [
            {
                "name": m.name,
                "kind": "machine",
                "capacity": 1,
                "open": shifts[m.id],
                "attended": m.attended,
                "fixture": m.fixture_class,
            }
            | ({"most_waiting": MOST_WAITING} if crew.benches else {})
            for m in machines
        ]
        + crew.resources(manned),
        "people": crew.people(start, season.zone, manned)
        or [{"skill": "any", "open": manned, "count": people}],
        "cutters": _cutters(db),
        "fixture_change_min": FIXTURE_CHANGE_MIN,
        "jobs": [
            _job(job, season, machines, start, ratios) | _at_benches(job, machines, ratios, crew, passed)
            for job in jobs
            if _options(job)
        ],
    }
    if keep:
        problem |= _published(db, season_id, start, problem["jobs"])
        problem["tiers"] = ["undone", "late", "moved", "stored_nights", "changeovers", "finish"]
        problem["frozen_until_min"] = FROZEN_MIN
    return problem


def _open_jobs(db: Session, season_id: int) -> list[tables.Job]:
    jobs = db.scalars(
        select(tables.Job)
        .where(
            tables.Job.season_id == season_id, tables.Job.state.in_(_OPEN), tables.Job.station_id.is_not(None)
        )
        .options(
            selectinload(tables.Job.run_times),
            selectinload(tables.Job.station),
            selectinload(tables.Job.workpiece),
        )
        .order_by(tables.Job.id)
    )
    return [job for job in jobs if job.workpiece is not None]


def learned_ratios(db: Session) -> dict[int, float]:
    """Return by machine what its finished runs took over what was estimated, drawn towards 1 [-].

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    """
    from planner.schedule.learned import learned_ratio

    rows = db.execute(
        select(tables.Run.machine_id, tables.Run.started_at, tables.Run.ended_at, tables.RunTime.run_min)
        .join(
            tables.RunTime,
            (tables.RunTime.job_id == tables.Run.job_id)
            & (tables.RunTime.machine_id == tables.Run.machine_id),
        )
        .where(tables.Run.outcome == RunOutcome.FINISHED, tables.Run.ended_at.is_not(None))
    )
    runs: dict[int, list[tuple[float, float]]] = {}
    for machine, started, ended, estimated in rows:
        if estimated and ended is not None:
            runs.setdefault(machine, []).append((estimated, (ended - started).total_seconds() / 60))
    return {
        machine: learned_ratio([pair[0] for pair in pairs], [pair[1] for pair in pairs]).ratio
        for machine, pairs in runs.items()
    }


Passed = dict[int, tuple[tuple[str, ...], int]]
"""By job the steps at benches that a plan has begun, and when the last of them ends [min]."""


def _at_benches(
    job: tables.Job, machines: Any, ratios: dict[int, float], crew: Crew, passed: Passed
) -> dict[str, Any]:
    """Return a job's steps with those at benches around the cut, and when it may go on."""
    if crew.is_empty:
        return {}
    steps, until = passed.get(job.id, ((), 0))
    return {"release_min": max(0, until)} | crew.around(job, _cut_options(job, machines, ratios), steps)


def _passed_at_benches(db: Session, season_id: int, start: datetime) -> Passed:
    passed: Passed = {}
    for row in bench_rows_of(db, published_plan(db, season_id).id):
        if row.start_at < start:
            steps, until = passed.get(row.job_id, ((), 0))
            passed[row.job_id] = (*steps, row.step), max(until, _minutes(start, row.end_at))
    return passed


def _cut_options(job: tables.Job, machines: Any, ratios: dict[int, float]) -> list[dict[str, Any]]:
    """Return a job's options at machines, in the problem's form."""
    by_id = {m.id: m for m in machines}
    return [
        {
            "resource": by_id[t.machine_id].name,
            "load_min": round(by_id[t.machine_id].load_min),
            "run_min": max(1, -int(-(t.run_min or 0) * ratios.get(t.machine_id, 1.0) // 1)),
            "unload_min": round(by_id[t.machine_id].unload_min),
            "fixture": by_id[t.machine_id].fixture_class,
            "wear": {name: max(0.001, round(worn, 4)) for name, worn in t.wear.items()},
        }
        for t in _options(job)
        if t.machine_id in by_id
    ]


def _job(
    job: tables.Job, season: tables.Season, machines: Any, start: datetime, ratios: dict[int, float]
) -> dict[str, Any]:
    due = _minutes(start, season.due_at(job.night))
    return {
        "name": job_name(job),
        "priority": job.priority,
        "release_min": 0,
        "due_min": due,
        "deadline_min": due,
        "use_min": _minutes(start, season.dusk_at(job.night)),
        "perish": 1,
        "steps": [{"options": _cut_options(job, machines, ratios)}],
    }


def _options(job: tables.Job) -> list[tables.RunTime]:
    return [t for t in job.run_times if t.eligible]


def _barred(jobs: Sequence[tables.Job]) -> list[dict[str, Any]]:
    """Return the jobs that no machine can cut, with the reasons of the machines that hold the piece."""
    out = []
    for job in jobs:
        if not _options(job):
            reasons = list(dict.fromkeys(t.reason for t in job.run_times)) or ["it has not been timed yet"]
            out.append({"job": job_name(job), "priority": job.priority, "why": "; ".join(reasons)})
    return out


def _cutters(db: Session) -> list[dict[str, Any]]:
    stock: dict[str, list[float]] = {}
    for cutter in db.scalars(
        select(tables.Cutter).where(tables.Cutter.state.in_(_IN_STOCK)).order_by(tables.Cutter.id)
    ):
        stock.setdefault(cutter.type_name, []).append(round(cutter.life_left, 3))
    return [
        {"type": name, "life_left": lives, "change_min": CUTTER_CHANGE_MIN} for name, lives in stock.items()
    ]


def _open_intervals(db: Session, machines: Any, start: datetime) -> dict[int, list[list[int]]]:
    """Return each machine's shifts from `start` on, less its breakdowns, in minutes."""
    shifts = db.scalars(select(tables.MachineShift).order_by(tables.MachineShift.start_at)).all()
    downs = db.scalars(select(tables.Breakdown)).all()
    out: dict[int, list[list[int]]] = {}
    for machine in machines:
        spans = [
            [max(0, _minutes(start, s.start_at)), _minutes(start, s.end_at)]
            for s in shifts
            if s.machine_id == machine.id
        ]
        for down in downs:
            if down.machine_id == machine.id:
                end = _minutes(start, down.end_at) if down.end_at else 10**9
                spans = [
                    piece for span in spans for piece in _less(span, _minutes(start, down.start_at), end)
                ]
        out[machine.id] = [span for span in spans if span[1] > span[0]]
    return out


def _less(span: list[int], start: int, end: int) -> list[list[int]]:
    return [p for p in ([span[0], min(span[1], start)], [max(span[0], end), span[1]]) if p[1] > p[0]]


def _union(lists: list[list[list[int]]]) -> list[list[int]]:
    spans = sorted(span for spans in lists for span in spans)
    out: list[list[int]] = []
    for start, end in spans:
        if out and start <= out[-1][1]:
            out[-1][1] = max(out[-1][1], end)
        else:
            out.append([start, end])
    return out


def _minutes(start: datetime, instant: datetime) -> int:
    return round((instant - start).total_seconds() / 60)


def started_rows(db: Session, season_id: int, at: datetime) -> list[tables.PlanRow]:
    """Return the rows of the published plan that have started before an instant."""
    return [row for row in published_plan(db, season_id).rows if row.start_at < at]


def _carried_over(db: Session, season_id: int, start: datetime) -> list[dict[str, Any]]:
    """Return the rows of the plan in force that stay whatever is planned: begun, or of jobs whose cut is."""
    plan = published_plan(db, season_id)
    begun = [row for row in plan.rows if row.start_at < start]
    cut = {row.job_id for row in begun}
    at_benches = [row for row in bench_rows_of(db, plan.id) if row.start_at < start or row.job_id in cut]
    at_machine = ("job_id", "step", "machine_id", "start_at", "end_at", "cutters")
    at_bench = ("job_id", "step", "bench_id", "start_at", "end_at")
    kept = [{name: getattr(row, name) for name in at_machine} for row in begun]
    return kept + [{name: getattr(row, name) for name in at_bench} for row in at_benches]


def _published(db: Session, season_id: int, start: datetime, jobs: list[dict[str, Any]]) -> dict[str, Any]:
    """Return the rows of the plan in force that lie ahead, by the steps of the jobs as they are now."""
    plan = published_plan(db, season_id)
    steps = {job["name"]: [step.get("name", CUT) for step in job["steps"]] for job in jobs}
    ahead: list[tuple[tables.PlanRow | tables.BenchRow, str, str, list[str]]] = [
        (row, CUT, row.machine.name, list(row.cutters)) for row in plan.rows
    ]
    ahead += [(row, row.step, row.bench.name, []) for row in bench_rows_of(db, plan.id)]
    rows = [
        {
            "job": job_name(row.job),
            "step": steps[job_name(row.job)].index(step),
            "resource": resource,
            "start_min": _minutes(start, row.start_at),
            "end_min": _minutes(start, row.end_at),
            "cutters": cutters,
        }
        for row, step, resource, cutters in ahead
        if row.start_at >= start and step in steps.get(job_name(row.job), ())
    ]
    return {"published": rows}


def published_plan(db: Session, season_id: int) -> tables.Plan:
    """Return the season's published plan."""
    plan = db.scalar(
        select(tables.Plan)
        .where(tables.Plan.season_id == season_id, tables.Plan.state == PlanState.PUBLISHED)
        .options(
            selectinload(tables.Plan.rows).selectinload(tables.PlanRow.job).selectinload(tables.Job.station),
            selectinload(tables.Plan.rows).selectinload(tables.PlanRow.machine),
        )
    )
    if plan is None:
        raise NotFound("the season has no published plan yet; plan it first")
    return plan


def bench_rows_of(db: Session, plan_id: int) -> Sequence[tables.BenchRow]:
    """Return what a plan has done at benches, in the order of time, with jobs and benches.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    plan_id : int
        The plan [-].
    """
    row = tables.BenchRow
    return db.scalars(
        select(row)
        .where(row.plan_id == plan_id)
        .options(selectinload(row.job).selectinload(tables.Job.station), selectinload(row.bench))
        .order_by(row.start_at, row.id)
    ).all()


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
        "jobs": {job_name(job): job.id for job in _open_jobs(db, season_id)},
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
