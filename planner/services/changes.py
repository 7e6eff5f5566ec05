"""Who changed what, and how is it taken back? One note a change; an undo is a change of its own."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, time, timedelta
from typing import Any

from sqlalchemy import delete, select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import CutterState, JobState, PlanState, WorkpieceState
from planner.errors import Conflict
from planner.services import jobs
from planner.services.common import found


def note(
    db: Session,
    kind: str,
    words: str,
    *,
    by: str,
    at: datetime,
    undo: dict[str, Any] | None = None,
    about: str = "",
) -> tables.Change:
    """Keep in words what somebody changed, with what is needed to take it back.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    kind : str
        Key of `_UNDO`, or any other word where it cannot be taken back [-].
    words : str
        What was changed [-].
    by : str
        Who did it [-].
    at : datetime
        When [-].
    undo : dict, optional
        Numbers and earlier values, fit for JSON [-].
    about : str
        What it is about, as pages ask for it: `job 12`, `piece 0147`, `machine Wren`, `cutter 6F-01` [-].
    """
    change = tables.Change(
        kind=kind, words=words, about=about[:60], undo=undo or {}, recorded_by=by, recorded_at=at
    )
    db.add(change)
    db.flush()
    return change


def take_back(db: Session, change_id: int, *, by: str, at: datetime) -> tables.Change:
    """Take a change back, where what it led to is not cut yet.

    Parameters
    ----------
    db : Session
        An open session [-].
    change_id : int
        The change [-].
    by : str
        Who takes it back [-].
    at : datetime
        When [-].
    """
    change = found(db, tables.Change, change_id)
    if change.undone_at is not None:
        raise Conflict(f"this was taken back by {change.undone_by} already")
    if not change.undo or change.kind not in _UNDO:
        raise Conflict(f"this cannot be taken back: {change.words}")
    _UNDO[change.kind](db, change.undo, by, at)
    change.undone_by, change.undone_at = by, at
    note(db, "undo", f"taken back: {change.words}", by=by, at=at)
    return change


def _breakdown(db: Session, undo: dict[str, Any], by: str, at: datetime) -> None:
    row = found(db, tables.Breakdown, undo["breakdown"])
    row.end_at = max(at, row.start_at + timedelta(seconds=1))


def _cutter(db: Session, undo: dict[str, Any], by: str, at: datetime) -> None:
    cutter = found(db, tables.Cutter, undo["cutter"])
    if cutter.state not in (CutterState.DULL, CutterState.BROKEN, CutterState.RETIRED):
        raise Conflict(f"cutter {cutter.name} is {cutter.state} by now")
    cutter.state, cutter.machine_id = undo["state"], undo["machine"]


def _piece(db: Session, undo: dict[str, Any], by: str, at: datetime) -> None:
    piece = found(db, tables.Workpiece, undo["workpiece"])
    if piece.state != WorkpieceState.SCRAPPED:
        raise Conflict(f"piece {piece.number} is {piece.state} by now")
    piece.state = undo["state"]
    job = found(db, tables.Job, undo["job"]) if undo.get("job") else None
    if job is not None:
        if job.workpiece_id is not None or job.state not in (JobState.WANTED, JobState.CHOSEN):
            raise Conflict(f"job {job.id} has another piece by now; choose this one by hand")
        job.workpiece_id, job.state = piece.id, undo["job_state"]
        db.add_all(tables.RunTime(job_id=job.id, **values) for values in undo.get("run_times", ()))


def _absence(db: Session, undo: dict[str, Any], by: str, at: datetime) -> None:
    found(db, tables.Absence, undo["absence"]).void("taken back", by, at)


def _plan(db: Session, undo: dict[str, Any], by: str, at: datetime) -> None:
    plan = found(db, tables.Plan, undo["plan"])
    if plan.state != PlanState.PUBLISHED:
        raise Conflict(f"plan {plan.id} is {plan.state} by now; the plan in force is a later one")
    published_at = datetime.fromisoformat(undo["published"])
    cut_since = select(tables.Run.id).where(tables.Run.started_at >= published_at)
    if db.scalar(cut_since.limit(1)) is not None:
        raise Conflict("a run has started since; what is cut cannot be taken back, plan anew instead")
    plan.state = PlanState.REPLACED
    db.flush()  # one plan is in force at most: the store refuses two at once
    before = found(db, tables.Plan, undo["before"])
    before.state = PlanState.PUBLISHED


def _pin(db: Session, undo: dict[str, Any], by: str, at: datetime) -> None:
    db.execute(delete(tables.Pin).where(tables.Pin.job_id == undo["job"], tables.Pin.step == undo["step"]))
    if undo.get("machine"):
        start_at = datetime.fromisoformat(undo["start"])
        db.add(
            tables.Pin(
                job_id=undo["job"],
                step=undo["step"],
                machine_id=undo["machine"],
                start_at=start_at,
                recorded_by=by,
                recorded_at=at,
            )
        )


def _night(db: Session, undo: dict[str, Any], by: str, at: datetime) -> None:
    db.execute(
        update(tables.Night).where(tables.Night.id == undo["night"]).values(temperature_c=undo["temperature"])
    )


def _entered(db: Session, undo: dict[str, Any], by: str, at: datetime) -> None:
    """Take out what was entered, in an order that the store allows; refuse where more stands on it by now."""
    numbers: dict[str, list[int]] = {}
    for table, number in undo["rows"]:
        numbers.setdefault(table, []).append(number)
    try:
        with db.begin_nested():
            for table in reversed(tables.Base.metadata.sorted_tables):
                mine = numbers.get(table.name, [])
                for first in range(0, len(mine), 500):
                    db.execute(delete(table).where(table.c.id.in_(mine[first : first + 500])))
    except IntegrityError:
        raise Conflict("something stands on it by now; what is used cannot be taken back") from None
    db.expire_all()


def _wanted(db: Session, undo: dict[str, Any], by: str, at: datetime) -> None:
    for job_id in undo["jobs"]:
        jobs.cancel_job(db, job_id)


def _prices(db: Session, undo: dict[str, Any], by: str, at: datetime) -> None:
    season = found(db, tables.Season, undo["season"])
    season.prices, season.currency = undo["prices"], undo["currency"]


def _bench(db: Session, undo: dict[str, Any], by: str, at: datetime) -> None:
    bench = found(db, tables.Bench, undo["id"])
    if undo["values"] is None:  # it was entered
        used = select(tables.BenchRow.id).where(tables.BenchRow.bench_id == bench.id).limit(1)
        if db.scalar(used) is not None:
            raise Conflict(f"a plan uses {bench.name} by now; take it out of use instead")
        db.delete(bench)
        return
    for name, value in undo["values"].items():
        setattr(bench, name, value)


def _hand(db: Session, undo: dict[str, Any], by: str, at: datetime) -> None:
    hand = found(db, tables.Hand, undo["id"])
    if undo["values"] is None:
        db.delete(hand)
        return
    for name, value in undo["values"].items():
        is_time = name.endswith("_time") and value
        setattr(hand, name, time.fromisoformat(value) if is_time else value)


def _choose(db: Session, undo: dict[str, Any], by: str, at: datetime) -> None:
    job = found(db, tables.Job, undo["job"])
    if job.workpiece_id != undo["piece"]:
        raise Conflict(f"job {job.id} has another piece by now; a person's choice stays")
    jobs.choose_workpiece(db, job.id, None)
    if undo["design"] is None:
        jobs.choose_design(db, job.id, None)
    if job.longitude_deg != undo["longitude_deg"]:
        place = (undo["longitude_deg"], job.latitude_deg, job.turn_deg, job.mirror, job.width_mm)
        jobs.place_design(db, job.id, *place)


_UNDO: dict[str, Callable[[Session, dict[str, Any], str, datetime], None]] = {
    "breakdown": _breakdown,
    "cutter": _cutter,
    "piece": _piece,
    "absence": _absence,
    "plan": _plan,
    "pin": _pin,
    "night": _night,
    "entered": _entered,
    "wanted": _wanted,
    "prices": _prices,
    "bench": _bench,
    "hand": _hand,
    "choose": _choose,
}
