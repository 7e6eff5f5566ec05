"""What would a new plan move, why, and at what cost? Drafts beside the plan in force, until a lead takes one.

A pin is what a lead wants; a draft is what it leads to. Neither counts until the draft is taken.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import delete, or_, select, update
from sqlalchemy.orm import Session, sessionmaker

from planner.database import tables
from planner.database.session import reading, unit_of_work
from planner.database.states import JobState, PlanState
from planner.errors import Conflict, NotFound, Refused
from planner.services.benches import CUT
from planner.services.changes import note
from planner.services.common import found, instant_of
from planner.services.planning import rows_of, solve_checked
from planner.services.posing import carried_over, job_name, problem_of, published_plan, whole_minute
from planner.services.trouble import away_now

_HANDS = 3  # at the machines in a shift, common practice; counts only while no hand is recorded
_AFTER = "follows plan"  # among the versions of a draft: which plan it stands beside
_SAME = timedelta(minutes=30)  # a smaller shift is not told as a move
_WHY = "asked for because"
_BEFORE = "tiers of the plan in force"


@dataclass(frozen=True, slots=True)
class DraftTier:
    """One line of the cost: as it is, as it would be."""

    name: str
    before: int | None
    after: int


# --- pins ----------------------------------------------------------------------------------------------


def pin(
    db: Session, job_id: int, step: int, machine_id: int, start_at: datetime, *, by: str, at: datetime
) -> tables.Change:
    """Keep where a lead wants a step; the plan in force stays until a draft with it is taken.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    job_id, step : int
        Which step of which job [-].
    machine_id : int
        Where [-].
    start_at : datetime
        From when, the loading included [-].
    by : str
        Who wants it [-].
    at : datetime
        When it was said [-].
    """
    job, machine = found(db, tables.Job, job_id), found(db, tables.Machine, machine_id)
    if job.state not in (JobState.CHOSEN, JobState.PREPARED):
        raise Conflict(f"job {job_id} is {job.state}; only what is not cut yet can be moved")
    if instant_of(start_at, "start") < at:
        raise Refused("the start lies in the past; take a later one")
    time = next((t for t in job.run_times if t.machine_id == machine_id), None)
    if time is None or not time.eligible:
        why = time.reason if time is not None else "it has not been timed there"
        raise Refused(f"{machine.name} cannot take {_called(job)}: {why}")
    undo = _forget(db, job_id, step)
    db.add(
        tables.Pin(
            job_id=job_id,
            step=step,
            machine_id=machine_id,
            start_at=start_at,
            recorded_by=by,
            recorded_at=at,
        )
    )
    db.flush()
    local = start_at.astimezone(job.season.zone)
    words = f"{_called(job)} pinned to {machine.name}, {local:%a %H:%M}"
    return note(db, "pin", words, by=by, at=at, undo=undo)


def _called(job: tables.Job) -> str:
    return job.station.name if job.station else f"spare {job.id}"


def unpin(db: Session, job_id: int, step: int, *, by: str, at: datetime) -> tables.Change:
    """Let a step go where a new plan puts it."""
    undo = _forget(db, job_id, step)
    if "machine" not in undo:
        raise NotFound(f"job {job_id} has no pin")
    return note(db, "pin", f"job {job_id} is pinned no longer", by=by, at=at, undo=undo)


def _forget(db: Session, job_id: int, step: int) -> dict[str, Any]:
    """Take a step's pin away and return what brings it back."""
    row = db.scalar(select(tables.Pin).where(tables.Pin.job_id == job_id, tables.Pin.step == step))
    undo: dict[str, Any] = {"job": job_id, "step": step}
    if row is not None:
        undo |= {"machine": row.machine_id, "start": row.start_at.isoformat()}
        db.execute(delete(tables.Pin).where(tables.Pin.id == row.id))
    return undo


# --- drafts --------------------------------------------------------------------------------------------


def draft_plan(
    factory: sessionmaker[Session],
    season_id: int,
    *,
    why: str,
    by: str,
    now: datetime,
    seconds: float = 4.0,
    down: Sequence[tuple[int, float]] = (),
    more_people: int = 0,
    longer_h: float = 0.0,
    report: Callable[[int, int, str], None] = lambda done, total, note: None,
    stop: Callable[[], bool] = lambda: False,
) -> int:
    """Plan anew beside the plan in force and return the draft's number; nothing is published.

    Parameters
    ----------
    factory : sessionmaker
        Of the database [-].
    season_id : int
        The season [-].
    why : str
        What it is asked for because of, in words [-].
    by : str
        Who asked [-].
    now : datetime
        The instant; the draft begins at the next whole minute.
    seconds : float
        How long the optimizer may search [s].
    down : sequence of (int, float)
        What if: machines taken to be down from now on, and for how many hours [h].
    more_people : int
        What if: so many hands more, or less when negative [-].
    longer_h : float
        What if: every day's work went on so much longer [h].
    report, stop : callable
        Progress, and whether to end early.
    """
    start = whole_minute(now)
    with reading(factory) as db:
        in_force = published_plan(db, season_id)
        before_id = in_force.id
        people = hands_at(db, now)
        problem = problem_of(db, season_id, start, people=people, keep=True, benches=True)
        names = [(found(db, tables.Machine, number).name, hours) for number, hours in down]
        if names or more_people or longer_h:
            problem = _with(problem, names, more_people, longer_h)
        problem |= _pins(db, problem, start)
        ids = _numbers(db, problem)
        begun = carried_over(db, season_id, start)
    plan = solve_checked(problem, seconds=seconds, workers=1, report=report, stop=stop)
    before = _tiers_in_force(problem)
    rows, bench_rows = rows_of(problem, plan, ids, start)
    with unit_of_work(factory) as db:
        draft = tables.Plan(
            season_id=season_id,
            state=PlanState.DRAFT,
            start_at=start,
            seed=plan["seed"],
            seconds=plan["seconds"],
            versions=plan["versions"] | {_AFTER: before_id, _WHY: why, _BEFORE: before},
            problem=problem,
            tiers=plan["tiers"],
            undone=[{"job": name, "why": plan.get("why", {}).get(name, "")} for name in plan["undone"]],
            recorded_by=by,
            recorded_at=now,
            rows=rows + [tables.PlanRow(**row) for row in begun if "machine_id" in row],
            bench_rows=bench_rows + [tables.BenchRow(**row) for row in begun if "bench_id" in row],
        )
        db.add(draft)
        db.flush()
        return draft.id


def hands_at(db: Session, now: datetime) -> int:
    """Return how many hands are there: those that are recorded, less those who are away; one at least.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    now : datetime
        The instant [-].
    """
    away = {row.person for row in away_now(db, now=now)}
    names = db.scalars(select(tables.Hand.name).where(tables.Hand.active)).all()
    there = sum(name not in away for name in names) if names else _HANDS - len(away)
    return max(1, there)


def _with(
    problem: dict[str, Any], down: Sequence[tuple[str, float]], people: int, longer_h: float
) -> dict[str, Any]:
    """Return a problem with something changed, as `planner.services.whatif` changes it."""
    from planner.optimizer import read_problem, write_problem
    from planner.services.whatif import changed

    return write_problem(changed(read_problem(problem), down=down, people=people, longer_h=longer_h))


def _pins(db: Session, problem: dict[str, Any], now: datetime) -> dict[str, Any]:
    """Return the pins that still lie ahead, in the problem's form."""
    cuts = {job["name"]: _cut_of(job) for job in problem["jobs"]}
    rows = [
        {
            "job": job_name(row.job),
            "step": cuts.get(job_name(row.job), row.step),
            "resource": row.machine.name,
            "start_min": round((row.start_at - now).total_seconds() / 60),
        }
        for row in db.scalars(select(tables.Pin).order_by(tables.Pin.id))
        if row.start_at >= now
    ]
    return {"pins": [row for row in rows if row["job"] in cuts]}


def _cut_of(job: dict[str, Any]) -> int:
    """Return which of a job's steps is the one at a machine; bench steps may stand before it."""
    names = [step.get("name", CUT) for step in job["steps"]]
    return names.index(CUT) if CUT in names else 0


def _numbers(db: Session, problem: dict[str, Any]) -> dict[str, dict[str, int]]:
    """Return the numbers of jobs, machines and benches by their names in the problem."""
    return {
        "jobs": {job["name"]: int(job["name"].rsplit("#", 1)[1]) for job in problem["jobs"]},
        "machines": {m.name: m.id for m in db.scalars(select(tables.Machine))},
        "benches": {b.name: b.id for b in db.scalars(select(tables.Bench))},
    }


def _tiers_in_force(problem: dict[str, Any]) -> dict[str, int]:
    """Return what the plan in force costs by the same problem, as far as its rows still have a machine."""
    from planner.optimizer import read_problem
    from planner.optimizer.problem import Plan
    from planner.optimizer.verify_tiers import tier_values

    read = read_problem(problem)
    options = {
        (job.name, number, option.resource)
        for job in read.jobs
        for number, step in enumerate(job.steps)
        for option in step.options
    }
    rows = tuple(r for r in read.published or () if (r.job, r.step, r.resource) in options)
    values = tier_values(read, Plan(rows=rows, undone=()))
    return {name: values[name] for name in read.tiers if name in values}


def draft_tiers(plan: tables.Plan) -> tuple[DraftTier, ...]:
    """Return a draft's cost, tier by tier, beside that of the plan in force when it was made."""
    before = plan.versions.get(_BEFORE) or {}
    return tuple(DraftTier(name, before.get(name), tier["value"]) for name, tier in plan.tiers.items())


@dataclass(frozen=True, slots=True)
class Moved:
    """One job that a draft puts elsewhere, and why."""

    job_id: int
    job: str
    before: str
    after: str
    why: str


def moves(db: Session, draft: tables.Plan) -> tuple[Moved, ...]:
    """Return what a draft moves against the plan it stands beside, each with its reason, the earliest first.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    draft : Plan
        A draft, or a plan that was one [-].
    """
    before_id = draft.versions.get(_AFTER)
    if before_id is None:
        return ()
    old, new = _placed(db, before_id), _placed(db, draft.id)
    down = _down_words(db, draft)
    pinned = {row.job_id: row.recorded_by for row in db.scalars(select(tables.Pin))}
    undone = {entry["job"]: entry.get("why", "") for entry in draft.undone}
    zone = found(db, tables.Season, draft.season_id).zone

    def words(row: _Placed | None) -> str:
        return f"{row.machine} {row.start_at.astimezone(zone):%a %H:%M}" if row else "not planned"

    out = []
    for job_id in sorted({*old, *new}, key=lambda n: (old.get(n) or new[n]).start_at):
        one, other = old.get(job_id), new.get(job_id)
        stays = one and other and one.machine_id == other.machine_id
        if one and other and stays and abs(one.start_at - other.start_at) <= _SAME:
            continue
        name = (one or new[job_id]).job
        why = _why(one, other, new, down, pinned, undone.get(name, ""), draft.start_at)
        out.append(Moved(job_id, name.rsplit(" #", 1)[0], words(one), words(other), why))
    return tuple(out)


@dataclass(frozen=True, slots=True)
class _Placed:
    job: str
    job_id: int
    machine_id: int
    machine: str
    start_at: datetime
    end_at: datetime


def _placed(db: Session, plan_id: int) -> dict[int, _Placed]:
    row, job = tables.PlanRow, tables.Job
    rows = db.execute(
        select(row, tables.Machine.name, tables.Station.name)
        .join(tables.Machine, tables.Machine.id == row.machine_id)
        .join(job, job.id == row.job_id)
        .outerjoin(tables.Station, tables.Station.id == job.station_id)
        .where(row.plan_id == plan_id)
        .order_by(row.step.desc())
    )
    return {
        r.job_id: _Placed(
            f"{station or 'spare'} #{r.job_id}", r.job_id, r.machine_id, machine, r.start_at, r.end_at
        )
        for r, machine, station in rows
    }


def _down_words(db: Session, draft: tables.Plan) -> dict[int, str]:
    """Return why a machine is down while the draft runs, as far as it is recorded, by machine."""
    row = tables.Breakdown
    still = or_(row.end_at.is_(None), row.end_at > draft.start_at)
    return {b.machine_id: b.reason for b in db.scalars(select(row).where(still).order_by(row.start_at))}


def _why(
    one: _Placed | None,
    other: _Placed | None,
    new: dict[int, _Placed],
    down: dict[int, str],
    pinned: dict[int, str],
    undone_why: str,
    start_at: datetime,
) -> str:
    job_id = (one or other or next(iter(new.values()))).job_id
    if job_id in pinned:
        return f"pinned by {pinned[job_id]}"
    if other is None:
        return undone_why or "no room before its night"
    if one is None:
        return "there is room for it now"
    if one.machine_id in down:
        return f"{one.machine} is reported down: {down[one.machine_id]}"
    if one.start_at < start_at:
        return "it should have started by now"
    taker = next(
        (
            p.job.rsplit(" #", 1)[0]
            for p in new.values()
            if p.job_id != job_id
            and p.machine_id == one.machine_id
            and p.start_at < one.end_at
            and p.end_at > one.start_at
        ),
        None,
    )
    return f"makes room for {taker}" if taker else "fewer changes, or a later start, on the way"


def why_asked(plan: tables.Plan) -> str:
    """Return what a draft was asked for because of; empty for a plan that is no draft."""
    return str(plan.versions.get(_WHY, ""))


def accept(db: Session, plan_id: int, *, by: str, at: datetime) -> tables.Change:
    """Put a draft in force, in place of the plan it stands beside.

    Parameters
    ----------
    db : Session
        An open unit of work [-].
    plan_id : int
        The draft [-].
    by : str
        Who takes it [-].
    at : datetime
        When [-].
    """
    draft = found(db, tables.Plan, plan_id)
    if draft.state != PlanState.DRAFT:
        raise Conflict(f"plan {plan_id} is {draft.state}; only a draft is taken")
    in_force = db.scalar(
        select(tables.Plan).where(
            tables.Plan.season_id == draft.season_id, tables.Plan.state == PlanState.PUBLISHED
        )
    )
    if in_force is None or in_force.id != draft.versions.get(_AFTER):
        other = f"plan {in_force.id} by {in_force.published_by}" if in_force else "no plan"
        raise Conflict(
            f"changed meanwhile: {other} is in force now, this draft stood beside another one; "
            "nothing was kept, ask for a new draft"
        )
    in_force.state = PlanState.REPLACED
    db.flush()  # one plan is in force at most: the store refuses two at once
    draft.state, draft.published_by, draft.published_at = PlanState.PUBLISHED, by, at
    db.flush()
    why = why_asked(draft)
    words = f"plan {draft.id} is in force" + (f": {why}" if why else "")
    undo = {"plan": draft.id, "before": in_force.id, "published": at.isoformat()}
    return note(db, "plan", words, by=by, at=at, undo=undo)


def drop(db: Session, plan_id: int) -> None:
    """Put a draft away."""
    draft = found(db, tables.Plan, plan_id)
    if draft.state != PlanState.DRAFT:
        raise Conflict(f"plan {plan_id} is {draft.state}; only a draft is put away")
    db.execute(update(tables.Plan).where(tables.Plan.id == plan_id).values(state=PlanState.REPLACED))
