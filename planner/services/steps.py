"""Where is a piece on its way, and what does a step make void? A line a step, and the rules of the trade."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import JobState, PieceStepKind, PreparationState
from planner.services.changes import note

SCAN, WALLS = "scan", "wall readings"
VOIDS: dict[PieceStepKind, tuple[tuple[str, ...], str]] = {
    # what a step makes void, and why; the programs that rest on it fall with it
    PieceStepKind.WASHED: ((SCAN,), "washed after the scan, so it was off its carrier"),
    PieceStepKind.HOLLOWED: ((SCAN, WALLS), "hollowed since"),
    PieceStepKind.THINNED: ((SCAN, WALLS), "thinned since, its wall is another one and it gives way"),
    PieceStepKind.MOUNTED: ((SCAN,), "clamped anew since"),
}
_OPEN = (JobState.CHOSEN, JobState.PREPARED)


def keep_step(
    db: Session,
    piece: tables.Workpiece,
    step: PieceStepKind,
    *,
    by: str,
    at: datetime,
    place: str = "",
    carrier: str = "",
) -> tables.PieceStep:
    """Keep a step of a piece, and make void what the rules say, each with its reason.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    piece : Workpiece
        In the state it has after the step [-].
    step : PieceStepKind
        Which [-].
    by : str
        Who reports it [-].
    at : datetime
        When [-].
    place : str
        Where it is now; empty = not said [-].
    carrier : str
        Number of its carrier plate; empty = as before [-].
    """
    what, why = VOIDS.get(step, ((), ""))
    fallen: list[str] = []
    if SCAN in what:
        fallen += _void_scan(db, piece, why, by, at)
    if WALLS in what:
        fallen += _void_walls(db, piece, why)
    if fallen:
        fallen += _programs(db, piece, why)
    if place:
        piece.store_place = place
    row = add_line(db, piece, step, by=by, at=at, carrier=carrier or carrier_of(db, piece.id), voided=fallen)
    db.flush()
    if fallen:
        words = f"piece {piece.number} {step}; void: {'; '.join(fallen)}"
        note(db, "void", words, by=by, at=at, about=f"piece {piece.number}")
    return row


def add_line(
    db: Session,
    piece: tables.Workpiece,
    step: PieceStepKind,
    *,
    by: str,
    at: datetime,
    carrier: str,
    voided: Sequence[str] = (),
) -> tables.PieceStep:
    """Add a step's line to a session, which is not flushed; for steps that make nothing void.

    Parameters
    ----------
    db : Session
        An open session [-].
    piece : Workpiece
        In the state and place it has after the step [-].
    step : PieceStepKind
        Which [-].
    by : str
        Who reports it [-].
    at : datetime
        When [-].
    carrier : str
        Number of its carrier plate; empty = not known [-].
    voided : sequence of str
        What it made void, in words [-].
    """
    row = tables.PieceStep(
        workpiece_id=piece.id,
        step=step,
        happened_at=at,
        place=piece.store_place,
        carrier=carrier,
        clamp_number=piece.clamp_number,
        voided=list(voided),
        recorded_by=by,
        recorded_at=at,
    )
    db.add(row)
    return row


def would_void(db: Session, piece: tables.Workpiece) -> dict[PieceStepKind, tuple[str, ...]]:
    """Return what each step would make void now; a step that voids nothing is left out.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    piece : Workpiece
        As it is now [-].
    """
    scan, wall = tables.Scan, tables.WallReading
    there = {
        SCAN: db.scalar(select(scan.id).where(scan.workpiece_id == piece.id, scan.active).limit(1)),
        WALLS: db.scalar(select(wall.id).where(wall.workpiece_id == piece.id, wall.active).limit(1)),
    }
    programs = tuple(f"program of job {job.id} for {name}" for job, name in _resting(db, piece))
    out = {}
    for step, (what, _) in VOIDS.items():
        fallen = tuple(word for word in what if there[word] is not None)
        if fallen:
            out[step] = fallen + tuple(dict.fromkeys(programs))
    return out


def _resting(db: Session, piece: tables.Workpiece) -> Sequence[tuple[tables.Job, str]]:
    """Return the open jobs whose programs rest on a piece as it is, each with its machine."""
    prepared, job = tables.Preparation, tables.Job
    rows = db.execute(
        select(job, tables.Machine.name)
        .join(prepared, prepared.job_id == job.id)
        .join(tables.Machine, tables.Machine.id == prepared.machine_id)
        .where(job.workpiece_id == piece.id, job.state.in_(_OPEN), prepared.state == PreparationState.DONE)
        .order_by(prepared.id)
    )
    return [(one, name) for one, name in rows]


def _void_scan(db: Session, piece: tables.Workpiece, why: str, by: str, at: datetime) -> list[str]:
    scan = db.scalar(select(tables.Scan).where(tables.Scan.workpiece_id == piece.id, tables.Scan.active))
    if scan is None:
        return []
    scan.void(f"{why} (scan of clamping {scan.clamp_number})", by, at)
    db.flush()
    return [f"scan of {scan.taken_at:%Y-%m-%d %H:%M} UTC, {why}"]


def _void_walls(db: Session, piece: tables.Workpiece, why: str) -> list[str]:
    wall = tables.WallReading
    counting = select(wall.id).where(wall.workpiece_id == piece.id, wall.active).limit(1)
    if db.scalar(counting) is None:
        return []
    db.execute(update(wall).where(wall.workpiece_id == piece.id).values(active=False))
    return [f"wall readings, {why}"]


def _programs(db: Session, piece: tables.Workpiece, why: str) -> list[str]:
    """Return the programs of open jobs that rested on what fell; the jobs are to be prepared anew."""
    rows = _resting(db, piece)
    for one, _ in rows:
        one.state = JobState.CHOSEN
    db.flush()
    return list(dict.fromkeys(f"program of job {one.id} for {name}, {why}" for one, name in rows))


def carrier_of(db: Session, workpiece_id: int) -> str:
    """Return the carrier plate a piece was last seen on, empty where none was said.

    Parameters
    ----------
    db : Session
        An open session [-].
    workpiece_id : int
        The piece [-].
    """
    return carriers_of(db, [workpiece_id]).get(workpiece_id, "")


def carriers_of(db: Session, workpiece_ids: Collection[int]) -> dict[int, str]:
    """Return the carrier plates that pieces were last seen on; a piece without a step is left out.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    workpiece_ids : collection of int
        The pieces [-].
    """
    step = tables.PieceStep
    rows = db.execute(
        select(step.workpiece_id, step.carrier).where(step.workpiece_id.in_(workpiece_ids)).order_by(step.id)
    )
    return {piece: carrier for piece, carrier in rows}  # the last line of each stays


def way_of(db: Session, workpiece_id: int) -> Sequence[tables.PieceStep]:
    """Return the steps of a piece, in the order in which they happened.

    Parameters
    ----------
    db : Session
        An open session [-].
    workpiece_id : int
        The piece [-].
    """
    step = tables.PieceStep
    return db.scalars(
        select(step).where(step.workpiece_id == workpiece_id).order_by(step.happened_at, step.id)
    ).all()
