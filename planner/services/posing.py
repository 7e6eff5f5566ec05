"""What is the plan problem of a season? Jobs, machines, benches, people and cutters out of the database."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session, selectinload

from planner.database import tables
from planner.database.states import CutterState, JobState, PlanState, RunOutcome
from planner.errors import NotFound
from planner.services.benches import CUT, MOST_WAITING, Crew, crew_of
from planner.services.common import found
from planner.services.fleet import fixture_for

TIERS = ("undone", "late", "stored_nights", "changeovers", "finish")
CUTTER_CHANGE_MIN, FIXTURE_CHANGE_MIN = 4, 10  # common practice; a venue's own times replace them
FROZEN_MIN = 60
_OPEN = (JobState.WANTED, JobState.CHOSEN, JobState.PREPARED)
_IN_STOCK = (CutterState.STORED, CutterState.FITTED)
Passed = dict[int, tuple[tuple[str, ...], int]]
"""By job the steps at benches that a plan has begun, and when the last of them ends [min]."""


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
    jobs = [job for job in open_jobs(db, season_id) if job.id not in {row.job_id for row in begun}]
    crew = crew_of(db) if benches else Crew()
    passed = _passed_at_benches(db, season_id, start) if keep and not crew.is_empty else {}
    shifts = _open_intervals(db, machines, start)
    manned = _union(list(shifts.values()))
    ratios = learned_ratios(db)
    standing = _standing(db, machines, begun)
    for row in begun:  # what runs is left to run: its machine is free when it ends
        shifts[row.machine_id] = [
            piece
            for span in shifts[row.machine_id]
            for piece in _less(span, 0, max(0, minutes(start, row.end_at)))
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
                "fixture": standing[m.id],
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


def _standing(
    db: Session, machines: Sequence[tables.Machine], begun: Sequence[tables.PlanRow]
) -> dict[int, str]:
    """Return by machine the fixture that its latest run, or row of the plan that has begun, left on it."""
    standing = {machine.id: machine.fixture_class for machine in machines}
    by_id = {machine.id: machine for machine in machines}
    last_run = (
        select(tables.Run.machine_id, func.max(tables.Run.id).label("id"))
        .group_by(tables.Run.machine_id)
        .subquery()
    )
    runs = db.execute(
        select(tables.Run.machine_id, tables.Lot.kind)
        .join(last_run, last_run.c.id == tables.Run.id)
        .join(tables.Job, tables.Job.id == tables.Run.job_id)
        .join(tables.Workpiece, tables.Workpiece.id == tables.Job.workpiece_id)
        .join(tables.Lot, tables.Lot.id == tables.Workpiece.lot_id)
    )
    held = [(machine_id, kind) for machine_id, kind in runs]
    held += [
        (row.machine_id, row.job.workpiece.lot.kind)
        for row in sorted(begun, key=lambda row: row.start_at)
        if row.job.workpiece is not None
    ]
    for machine_id, kind in held:
        if machine_id in by_id:
            standing[machine_id] = fixture_for(by_id[machine_id], kind)
    return standing


def open_jobs(db: Session, season_id: int) -> list[tables.Job]:
    """Return the jobs that are to be cut and have a piece, with station, piece and run times."""
    jobs = db.scalars(
        select(tables.Job)
        .where(
            tables.Job.season_id == season_id, tables.Job.state.in_(_OPEN), tables.Job.station_id.is_not(None)
        )
        .options(
            selectinload(tables.Job.run_times),
            selectinload(tables.Job.station),
            selectinload(tables.Job.workpiece).selectinload(tables.Workpiece.lot),
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
            passed[row.job_id] = (*steps, row.step), max(until, minutes(start, row.end_at))
    return passed


def _cut_options(job: tables.Job, machines: Any, ratios: dict[int, float]) -> list[dict[str, Any]]:
    """Return a job's options at machines, in the problem's form."""
    by_id = {m.id: m for m in machines}
    assert job.workpiece is not None  # open jobs have one
    kind = job.workpiece.lot.kind
    return [
        {
            "resource": by_id[t.machine_id].name,
            "load_min": round(by_id[t.machine_id].load_min),
            "run_min": max(1, -int(-(t.run_min or 0) * ratios.get(t.machine_id, 1.0) // 1)),
            "unload_min": round(by_id[t.machine_id].unload_min),
            "fixture": fixture_for(by_id[t.machine_id], kind),
            "wear": {name: max(0.001, round(worn, 4)) for name, worn in t.wear.items()},
        }
        for t in _options(job)
        if t.machine_id in by_id
    ]


def _job(
    job: tables.Job, season: tables.Season, machines: Any, start: datetime, ratios: dict[int, float]
) -> dict[str, Any]:
    night = next_night(job.night, season, start)
    due = minutes(start, season.due_at(night))
    return {
        "name": job_name(job),
        "priority": job.priority,
        "release_min": 0,
        "due_min": due,
        "deadline_min": due,
        "use_min": minutes(start, season.dusk_at(night)),
        "perish": 1,
        "steps": [{"options": _cut_options(job, machines, ratios)}],
    }


def next_night(night: date, season: tables.Season, start: datetime) -> date:
    """Return the night that a lantern can still be ready for: its own, or the next one once that is missed.

    Parameters
    ----------
    night : date
        The first night it was wanted for [-].
    season : Season
        Whose nights they are; its last one is the latest [-].
    start : datetime
        When the plan begins [-].
    """
    today = start.astimezone(season.zone).date()
    ahead = today if season.due_at(today) > start else today + timedelta(days=1)
    return min(max(night, ahead), max(night, season.last_night))


def _options(job: tables.Job) -> list[tables.RunTime]:
    return [t for t in job.run_times if t.eligible]


def barred(jobs: Sequence[tables.Job]) -> list[dict[str, Any]]:
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
            [max(0, minutes(start, s.start_at)), minutes(start, s.end_at)]
            for s in shifts
            if s.machine_id == machine.id
        ]
        for down in downs:
            if down.machine_id == machine.id:
                end = minutes(start, down.end_at) if down.end_at else 10**9
                spans = [piece for span in spans for piece in _less(span, minutes(start, down.start_at), end)]
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


def minutes(start: datetime, instant: datetime) -> int:
    """Return the minutes from a start to an instant [min]."""
    return round((instant - start).total_seconds() / 60)


def whole_minute(instant: datetime) -> datetime:
    """Return the whole minute at or after an instant: plans begin there, so that their rows fit together.

    A problem counts in whole minutes. Rows carried over from the plan before would overlap by seconds
    with those of a plan that counts from a second in between.
    """
    begun = instant.replace(second=0, microsecond=0)
    return begun if begun == instant else begun + timedelta(minutes=1)


def started_rows(db: Session, season_id: int, at: datetime) -> list[tables.PlanRow]:
    """Return the rows of the published plan that have started before an instant."""
    return [row for row in published_plan(db, season_id).rows if row.start_at < at]


def carried_over(db: Session, season_id: int, start: datetime) -> list[dict[str, Any]]:
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
    steps = {job["name"]: [step.get("name", CUT) for step in job["steps"]] for job in jobs}
    return {"published": published_rows(db, published_plan(db, season_id), start, steps)}


def published_rows(
    db: Session, plan: tables.Plan, start: datetime, steps: dict[str, list[str]]
) -> list[dict[str, Any]]:
    """Return a plan's rows from an instant on, in the problem's form.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    plan : Plan
        With its rows [-].
    start : datetime
        Minute 0.
    steps : dict
        Names of the steps by job; rows of other jobs and steps are left out [-].
    """
    ahead: list[tuple[tables.PlanRow | tables.BenchRow, str, str, list[str]]] = [
        (row, CUT, row.machine.name, list(row.cutters)) for row in plan.rows
    ]
    ahead += [(row, row.step, row.bench.name, []) for row in bench_rows_of(db, plan.id)]
    return [
        {
            "job": job_name(row.job),
            "step": steps[job_name(row.job)].index(step),
            "resource": resource,
            "start_min": minutes(start, row.start_at),
            "end_min": minutes(start, row.end_at),
            "cutters": cutters,
        }
        for row, step, resource, cutters in ahead
        if row.start_at >= start and step in steps.get(job_name(row.job), ())
    ]


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
