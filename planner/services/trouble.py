"""A machine is down, a cutter broke, a piece is lost, somebody is away: what is kept, in two taps?

Each is kept with what takes it back; what it means for the plan is asked for afterwards.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import CutterState, JobState, WorkpieceState
from planner.errors import Conflict
from planner.services import fleet
from planner.services.changes import note
from planner.services.common import amount_of, found, name_of
from planner.services.floor import release_piece


def machine_down(
    db: Session, machine_id: int, hours: float, reason: str, *, by: str, at: datetime
) -> tables.Change:
    """Keep that a machine is down from now on.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    machine_id : int
        The machine [-].
    hours : float
        For how long, as far as is known [h].
    reason : str
        In words [-].
    by : str
        Who reports it [-].
    at : datetime
        Since when [-].
    """
    amount_of(hours, "time down", 0.1, 24 * 60, "h")
    machine = found(db, tables.Machine, machine_id)
    row = fleet.report_breakdown(db, machine_id, at, reason, by=by, at=at, end_at=at + timedelta(hours=hours))
    words = f"{machine.name} is reported down for {hours:g} h: {row.reason}"
    return note(db, "breakdown", words, by=by, at=at, undo={"breakdown": row.id})


def machine_up(db: Session, machine_id: int, *, by: str, at: datetime) -> tables.Change:
    """Keep that a machine is reported up again."""
    machine = found(db, tables.Machine, machine_id)
    down = tables.Breakdown
    rows = db.scalars(select(down).where(down.machine_id == machine_id, down.start_at <= at)).all()
    still = [row for row in rows if row.end_at is None or row.end_at > at]
    if not still:
        raise Conflict(f"{machine.name} is not reported down")
    for row in still:
        row.end_at = max(at, row.start_at + timedelta(seconds=1))
    db.flush()
    return note(db, "up", f"{machine.name} is reported up again", by=by, at=at)


def cutter_broken(
    db: Session, cutter_id: int, state: str = CutterState.BROKEN, *, by: str, at: datetime
) -> tables.Change:
    """Keep that a cutter broke, or is dull.

    Parameters
    ----------
    db : Session
        An open session [-].
    cutter_id : int
        The cutter [-].
    state : str
        `broken`, `dull` or `retired` [-].
    by : str
        Who reports it [-].
    at : datetime
        When [-].
    """
    cutter = found(db, tables.Cutter, cutter_id)
    before = {"cutter": cutter.id, "state": cutter.state, "machine": cutter.machine_id}
    if cutter.state not in (CutterState.STORED, CutterState.FITTED):
        raise Conflict(f"cutter {cutter.name} is {cutter.state} already")
    fleet.take_out_cutter(db, cutter_id, state)
    return note(db, "cutter", f"cutter {cutter.name} is {state}", by=by, at=at, undo=before)


def piece_lost(db: Session, number: str, reason: str, *, by: str, at: datetime) -> tables.Change:
    """Keep that a piece is lost before it was cut: rotten, dropped, stolen; its job wants another one.

    Parameters
    ----------
    db : Session
        An open session [-].
    number : str
        On its tag [-].
    reason : str
        In words [-].
    by : str
        Who reports it [-].
    at : datetime
        When [-].
    """
    piece = db.scalar(select(tables.Workpiece).where(tables.Workpiece.number == number.strip()))
    if piece is None:
        raise Conflict(f"there is no piece with the tag {number.strip()[:40]!r}")
    if piece.state not in (WorkpieceState.WHOLE, WorkpieceState.HOLLOW):
        raise Conflict(f"piece {piece.number} is {piece.state}; it cannot be lost before it is cut")
    reason = name_of(reason, "reason", 200)
    job = db.scalar(
        select(tables.Job).where(tables.Job.workpiece_id == piece.id, tables.Job.state != JobState.CANCELLED)
    )
    undo: dict[str, object] = {"workpiece": piece.id, "state": piece.state}
    if job is not None:
        if job.state == JobState.CUTTING:
            raise Conflict(f"piece {piece.number} is being cut; report the run scrapped at its machine")
        times = [
            {
                "machine_id": t.machine_id,
                "preparation_id": t.preparation_id,
                "eligible": t.eligible,
                "reason": t.reason,
                "run_min": t.run_min,
                "wear": t.wear,
            }
            for t in job.run_times
        ]
        undo |= {"job": job.id, "job_state": str(job.state), "run_times": times}
        release_piece(db, job)
    piece.state = WorkpieceState.SCRAPPED
    db.flush()
    label = f", job {job.id} wants another one" if job else ""
    words = f"piece {piece.number} is lost ({reason}){label}"
    return note(db, "piece", words, by=by, at=at, undo=undo, about=f"piece {piece.number}")


def person_away(
    db: Session, person: str, hours: float, reason: str, *, by: str, at: datetime
) -> tables.Change:
    """Keep that somebody who is counted on is away from now on.

    Parameters
    ----------
    db : Session
        An open session [-].
    person : str
        Who [-].
    hours : float
        For how long [h].
    reason : str
        In words, may be empty [-].
    by : str
        Who reports it [-].
    at : datetime
        Since when [-].
    """
    amount_of(hours, "time away", 0.1, 24 * 60, "h")
    row = tables.Absence(
        person=name_of(person, "name", 60),
        start_at=at,
        end_at=at + timedelta(hours=hours),
        reason=reason.strip()[:200],
        recorded_by=by,
        recorded_at=at,
    )
    db.add(row)
    db.flush()
    return note(
        db, "absence", f"{row.person} is away for {hours:g} h", by=by, at=at, undo={"absence": row.id}
    )


def away_now(db: Session, *, now: datetime) -> tuple[tables.Absence, ...]:
    """Return who is away at an instant."""
    row = tables.Absence
    rows = db.scalars(
        select(row).where(row.start_at <= now, row.end_at > now, row.voided_at.is_(None)).order_by(row.id)
    )
    return tuple(rows)
