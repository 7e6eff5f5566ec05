"""What happens at a machine, as a person reports it? Start, pause, finish, scrap; and why not to start.

Nothing here moves a machine: a start is what somebody says they are about to do themselves.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import (
    JobState,
    PieceStepKind,
    RunMarkKind,
    RunOutcome,
    WorkpieceState,
)
from planner.errors import Conflict, Refused
from planner.services.changes import note
from planner.services.common import amount_of, found, name_of, refuse_stale, word_of
from planner.services.starting import Block as Block
from planner.services.starting import blocks as blocks
from planner.services.starting import fitted_on
from planner.services.starting import preparation_for as preparation_for
from planner.services.starting import preparations_for as preparations_for
from planner.services.steps import add_line, carrier_of, keep_step

CHECKS = (  # the six of the job sheet, in its words
    "Piece number and carrier are those on this sheet",
    "Front mark faces front, stem the way shown; tug test done",
    "Clamp unchanged since the scan; three touches agree",
    "Proof mark of this machine is valid",
    "Cutter, stick-out and rpm are those on this sheet",
    "Guard shut, emergency stop tried, dry run watched",
)
SCRAP_REASONS = ("slipped", "broke through", "bridge broke", "rot", "wrong face", "stale scan", "other")
PAUSE_REASONS = ("slug to push", "cutter change", "wipe and look", "person called away", "odd noise", "other")
LIT_FAULTS = (
    "picture not named",
    "bridge broken",
    "blotch or pin-hole",
    "ragged skin",
    "too dim",
    "leaning or blemish",
)
DRIFT_MM = 0.7
"""Farther off than this a place touched again says that the piece has slipped; common practice."""


# --- what is reported ----------------------------------------------------------------------------------


def recheck_scan(db: Session, workpiece_id: int, largest_mm: float, *, by: str, at: datetime) -> tables.Scan:
    """Keep that three touches were taken again; within 0.5 mm the scan counts anew, beyond 1.5 mm it is void.

    Parameters
    ----------
    db : Session
        An open session [-].
    workpiece_id : int
        The piece [-].
    largest_mm : float
        The largest of the three distances [mm].
    by : str
        Who touched [-].
    at : datetime
        When [-].
    """
    amount_of(largest_mm, "largest distance", 0, 100, "mm")
    scan = db.scalar(select(tables.Scan).where(tables.Scan.workpiece_id == workpiece_id, tables.Scan.active))
    if scan is None:
        raise Conflict("this piece has no scan that counts; probe it")
    # limits by common practice: 0.5 mm drift, 1.5 mm for three points of another piece or clamping
    if largest_mm > 1.5:
        scan.void(f"three touches were up to {largest_mm:.1f} mm off", by, at)
    elif largest_mm > 0.5:
        raise Refused(
            f"the touches are up to {largest_mm:.1f} mm off, expected 0.5 mm at most; "
            "touch again, or probe the piece anew"
        )
    else:
        scan.rechecked_at = at
    note(db, "recheck", f"three touches within {largest_mm:.1f} mm on piece {workpiece_id}", by=by, at=at)
    db.flush()
    return scan


def start(
    db: Session,
    job_id: int,
    machine_id: int,
    *,
    tag: str,
    checks: Sequence[str],
    by: str,
    at: datetime,
    revision: int | None = None,
) -> tables.Run:
    """Keep that somebody starts a job now; refused while anything blocks it or a check is not ticked.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    job_id, machine_id : int
        Which job, where [-].
    tag : str
        The piece's number as read from its tag [-].
    checks : sequence of str
        Those of `CHECKS` that were ticked [-].
    by : str
        Who starts it, and stays with the machine [-].
    at : datetime
        When [-].
    revision : int, optional
        Of the job as the page showed it; another one is refused [-].
    """
    job = found(db, tables.Job, job_id)
    refuse_stale(job, revision)
    against = blocks(db, job_id, machine_id, now=at, tag=tag)
    if against:
        raise Refused("; ".join(f"{block.words}: {block.remedy}" for block in against))
    open_checks = [check for check in CHECKS if check not in checks]
    if open_checks:
        raise Refused(f"not ticked yet: {'; '.join(open_checks)}")
    preparation = preparation_for(db, job_id, machine_id)
    broken_off = _broken_off(db, job)
    run = tables.Run(
        continues_id=broken_off.id if broken_off else None,
        job_id=job_id,
        machine_id=machine_id,
        workpiece_id=job.workpiece_id,
        preparation_id=preparation.id if preparation else None,
        started_at=at,
        checks=list(checks),
        recorded_by=by,
        recorded_at=at,
    )
    job.state = JobState.CUTTING
    db.add(run)
    db.flush()
    return run


def _broken_off(db: Session, job: tables.Job) -> tables.Run | None:
    """Return the run that a new one of a job goes on with: the last one, where its piece is the same."""
    last = db.scalar(
        select(tables.Run)
        .where(tables.Run.job_id == job.id, tables.Run.workpiece_id == job.workpiece_id)
        .order_by(tables.Run.started_at.desc(), tables.Run.id.desc())
        .limit(1)
    )
    going_on = (RunOutcome.STOPPED, RunOutcome.UNKNOWN)
    return last if last is not None and last.outcome in going_on else None


def mark(
    db: Session,
    run_id: int,
    kind: str,
    words: str = "",
    *,
    by: str,
    at: datetime,
    value_mm: float | None = None,
) -> tables.RunMark:
    """Keep a fault of a run, or how far a place had drifted when it was touched again.

    Parameters
    ----------
    db : Session
        An open session [-].
    run_id : int
        The open run [-].
    kind : str
        One of `RunMarkKind` [-].
    words : str
        What the fault was; may be empty for a touch [-].
    by : str
        Who reports it [-].
    at : datetime
        When [-].
    value_mm : float, optional
        The drift of a re-touch [mm].
    """
    run = _open_run(db, run_id)
    word = word_of(RunMarkKind, kind, "mark")
    if word == RunMarkKind.RETOUCH:
        if value_mm is None:
            raise Refused("how far was the touch off? a number in mm was expected")
        amount_of(value_mm, "drift", 0, 100, "mm")
    else:
        words = name_of(words, "fault", 200)
    row = tables.RunMark(
        run_id=run.id, kind=word, happened_at=at, value_mm=value_mm, words=words.strip()[:200],
        recorded_by=by, recorded_at=at,
    )  # fmt: skip
    db.add(row)
    if value_mm is not None and value_mm > DRIFT_MM:
        told = f"job {run.job_id}: touched again {value_mm:.2f} mm off, {DRIFT_MM} mm at most; it has slipped"
        note(db, "drift", told, by=by, at=at, about=f"job {run.job_id}")
    db.flush()
    return row


def pause(db: Session, run_id: int, reason: str, *, by: str, at: datetime) -> tables.Pause:
    """Keep that a run stands still, and why."""
    run = _open_run(db, run_id)
    if _open_pause(db, run.id) is not None:
        raise Conflict(f"job {run.job_id} is paused already")
    row = tables.Pause(
        run_id=run.id, start_at=at, reason=name_of(reason, "reason", 200), recorded_by=by, recorded_at=at
    )
    db.add(row)
    db.flush()
    return row


def resume(db: Session, run_id: int, *, at: datetime) -> tables.Pause:
    """Keep that a paused run goes on."""
    run = _open_run(db, run_id)
    row = _open_pause(db, run.id)
    if row is None:
        raise Conflict(f"job {run.job_id} is not paused")
    row.end_at = max(at, row.start_at)
    db.flush()
    return row


def finish(db: Session, run_id: int, *, by: str, at: datetime) -> tables.Run:
    """Keep that a piece is cut; what the run took out of the fitted cutters is written off.

    Parameters
    ----------
    db : Session
        An open session [-].
    run_id : int
        The open run [-].
    by : str
        Who reports it [-].
    at : datetime
        When [-].
    """
    run = _open_run(db, run_id)
    finish_run(db, run, carrier_of(db, run.workpiece_id), by=by, at=at)
    db.flush()
    return run


def finish_run(db: Session, run: tables.Run, carrier: str, *, by: str, at: datetime) -> None:
    """End an open run as finished, see `finish`; nothing is flushed, so that many are written at once."""
    _end(db, run, RunOutcome.FINISHED, at)
    run.job.state = JobState.CUT
    run.workpiece.state = WorkpieceState.CUT
    _write_off(db, run, by, at)
    add_line(db, run.workpiece, PieceStepKind.CUT, by=by, at=run.ended_at or at, carrier=carrier)


def stop(db: Session, run_id: int, *, by: str, at: datetime, resume_from: str = "") -> tables.Run:
    """Keep that a run was broken off and the piece can be gone on with; a datum check comes first.

    Parameters
    ----------
    db : Session
        An open session [-].
    run_id : int
        The open run [-].
    by : str
        Who reports it [-].
    at : datetime
        When [-].
    resume_from : str
        The first pass that is not cut whole, as the sheet names it; empty = not known [-].
    """
    return stop_run(db, _open_run(db, run_id), resume_from, by=by, at=at)


def stop_run(db: Session, run: tables.Run, resume_from: str, *, by: str, at: datetime) -> tables.Run:
    """End an open run as broken off, see `stop`."""
    _end(db, run, RunOutcome.STOPPED, at)
    run.job.state = JobState.PREPARED
    run.resume_from = resume_from.strip()[:120]
    where = f" before {run.resume_from}" if run.resume_from else ""
    words = f"job {run.job_id} stopped{where}; check the datum before going on"
    note(db, "stop", words, by=by, at=at, about=f"job {run.job_id}")
    db.flush()
    return run


def lost_sight(
    db: Session, run_id: int, reason: str, *, by: str, at: datetime, resume_from: str = ""
) -> tables.Run:
    """Keep that nobody knows how far a run came: after power loss or an emergency stop; inspect it first.

    Parameters
    ----------
    db : Session
        An open session [-].
    run_id : int
        The open run [-].
    reason : str
        In words, e.g. power lost [-].
    by : str
        Who reports it [-].
    at : datetime
        When [-].
    resume_from : str
        The pass it was last seen in, as the sheet names it; empty = not known [-].
    """
    return lose_run(db, _open_run(db, run_id), reason, resume_from, by=by, at=at)


def lose_run(
    db: Session, run: tables.Run, reason: str, resume_from: str, *, by: str, at: datetime
) -> tables.Run:
    """End an open run of which nobody knows how far it came, see `lost_sight`."""
    reason = name_of(reason, "reason", 200)
    _end(db, run, RunOutcome.UNKNOWN, at)
    run.job.state = JobState.PREPARED
    run.resume_from = resume_from.strip()[:120]
    words = f"job {run.job_id} on {run.machine.name}: unknown - inspect ({reason})"
    note(db, "unknown", words, by=by, at=at, about=f"job {run.job_id}")
    db.flush()
    return run


def scrap(db: Session, run_id: int, reason: str, *, by: str, at: datetime) -> tables.Run:
    """Keep that a piece was lost in a run, and why; its job wants another piece.

    Parameters
    ----------
    db : Session
        An open session [-].
    run_id : int
        The open run [-].
    reason : str
        In words, one of `SCRAP_REASONS` where it fits [-].
    by : str
        Who reports it [-].
    at : datetime
        When [-].
    """
    return scrap_run(db, _open_run(db, run_id), reason, by=by, at=at)


def scrap_run(db: Session, run: tables.Run, reason: str, *, by: str, at: datetime) -> tables.Run:
    """End an open run whose piece is lost, see `scrap`."""
    reason = name_of(reason, "reason", 200)
    run.scrap_reason = reason
    _end(db, run, RunOutcome.SCRAPPED, at)
    run.workpiece.state = WorkpieceState.SCRAPPED
    release_piece(db, run.job)
    words = f"piece {run.workpiece.number} scrapped on {run.machine.name}: {reason}"
    note(db, "scrap", words, by=by, at=at, about=f"piece {run.workpiece.number}")
    db.flush()
    return run


def release_piece(db: Session, job: tables.Job) -> None:
    """Take a lost piece from its job: it is wanted again, and nothing timed for that piece counts."""
    job.workpiece_id, job.state = None, JobState.WANTED
    db.execute(delete(tables.RunTime).where(tables.RunTime.job_id == job.id))
    db.expire(job, ["workpiece", "run_times"])


def rate(
    db: Session, job_id: int, rating: int, faults: Sequence[str], words: str, *, by: str, at: datetime
) -> tables.LitCheck:
    """Keep how one person rates a lit lantern, 10 down to 1.

    Parameters
    ----------
    db : Session
        An open session [-].
    job_id : int
        A job that is cut [-].
    rating : int
        1 to 10 [-].
    faults : sequence of str
        Those of `LIT_FAULTS` that were seen [-].
    words : str
        A note, may be empty [-].
    by : str
        Who looked; each person rates once [-].
    at : datetime
        When [-].
    """
    job = found(db, tables.Job, job_id)
    if job.state not in (JobState.CUT, JobState.PLACED):
        raise Conflict(f"job {job_id} is {job.state}; only a cut lantern is lit and rated")
    amount_of(rating, "rating", 1, 10, "")
    known = [fault for fault in faults if fault in LIT_FAULTS]
    earlier = select(tables.LitCheck.id).where(
        tables.LitCheck.job_id == job_id, tables.LitCheck.recorded_by == by
    )
    if db.scalar(earlier) is not None:
        raise Conflict(f"{by} has rated job {job_id} already; the second rating is somebody else's")
    row = tables.LitCheck(
        job_id=job_id, rating=rating, faults=known, note=words.strip()[:400], recorded_by=by, recorded_at=at
    )
    db.add(row)
    if job.workpiece is not None:
        keep_step(db, job.workpiece, PieceStepKind.LIT_CHECKED, by=by, at=at)
    db.flush()
    return row


def place(db: Session, job_id: int, *, by: str, at: datetime) -> tables.Job:
    """Keep that a lantern stands at its station."""
    job = found(db, tables.Job, job_id)
    if job.state != JobState.CUT or job.workpiece is None:
        raise Conflict(f"job {job_id} is {job.state}; only a cut lantern is put in place")
    job.state, job.workpiece.state = JobState.PLACED, WorkpieceState.PLACED
    where = job.station.name if job.station else "its place"
    keep_step(db, job.workpiece, PieceStepKind.AT_STATION, by=by, at=at, place=where)
    note(db, "place", f"job {job_id} is in its place", by=by, at=at, about=f"job {job_id}")
    return job


def _open_run(db: Session, run_id: int) -> tables.Run:
    run = found(db, tables.Run, run_id)
    if run.ended_at is not None:
        raise Conflict(f"the run of job {run.job_id} is over already: {run.outcome}")
    return run


def _open_pause(db: Session, run_id: int) -> tables.Pause | None:
    return db.scalar(select(tables.Pause).where(tables.Pause.run_id == run_id, tables.Pause.end_at.is_(None)))


def _end(db: Session, run: tables.Run, outcome: RunOutcome, at: datetime) -> None:
    paused = _open_pause(db, run.id) if run.id is not None else None  # one not yet written has none
    if paused is not None:
        paused.end_at = max(at, paused.start_at)
    run.ended_at, run.outcome = max(at, run.started_at), outcome


def _write_off(db: Session, run: tables.Run, by: str, at: datetime) -> None:
    """Take the run's wear out of the freshest fitted cutter of each type, and keep it in the ledger.

    What it wears and how long it cuts stands with its program; without one, with what was timed for it.
    """
    preparation = db.get(tables.Preparation, run.preparation_id) if run.preparation_id else None
    timed = None
    if preparation is None:
        timed = next((one for one in run.job.run_times if one.machine_id == run.machine_id), None)
    wear = preparation.wear if preparation else timed.wear if timed else {}
    if not wear:
        return
    total = sum(wear.values()) or 1.0
    minutes = (preparation.run_s or 0.0) / 60 if preparation else (timed.run_min or 0.0) if timed else 0.0
    metres = (preparation.cutting_m or 0.0) if preparation else 0.0
    fitted = fitted_on(db, run.machine_id)
    for type_name, share in wear.items():
        cutter = next((c for c in fitted if c.type_name == type_name), None)
        if cutter is None:
            continue
        part = share / total  # metres and minutes by cutter stand in job.json; their sum is kept here
        db.add(
            tables.CutterUse(
                run=run,
                cutter_id=cutter.id,
                metres=metres * part,
                minutes=minutes * part,
                wear=share,
                recorded_by=by,
                recorded_at=at,
            )
        )
        cutter.life_left = max(0.0, cutter.life_left - share)
