"""What happens at a machine, as a person reports it? Start, pause, finish, scrap; and why not to start.

Nothing here moves a machine: a start is what somebody says they are about to do themselves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import delete, or_, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import (
    CutterState,
    JobState,
    PreparationState,
    RunOutcome,
    ScanState,
    WorkpieceState,
)
from planner.errors import Conflict, PlannerError, Refused
from planner.services.changes import note
from planner.services.common import amount_of, found, name_of, refuse_stale
from planner.services.preparing import inputs_of

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
# common practice, to be replaced by a venue's own: hours for which a scan holds
_SCAN_H = {ScanState.WHOLE: 24.0, ScanState.HOLLOW: 4.0}
_LASTING = ("gourd", "foam")  # dry produce does not shrink
_STARTABLE = (JobState.CHOSEN, JobState.PREPARED)


@dataclass(frozen=True, slots=True)
class Block:
    """One reason why a job must not be started here now, and what to do about it."""

    rule: str
    words: str
    remedy: str


def scan_holds_until(scan: tables.Scan, kind: str) -> datetime | None:
    """Return until when a scan can be trusted; None for produce that does not shrink.

    Parameters
    ----------
    scan : Scan
        The piece's active scan [-].
    kind : str
        One of `ProduceKind` [-].
    """
    if kind in _LASTING:
        return None
    return (scan.rechecked_at or scan.taken_at) + timedelta(hours=_SCAN_H[ScanState(scan.state)])


def blocks(
    db: Session, job_id: int, machine_id: int, *, now: datetime, tag: str | None = None
) -> tuple[Block, ...]:
    """Return all reasons why a job must not be started on a machine now; empty where none is known.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    job_id, machine_id : int
        Which job, where [-].
    now : datetime
        The instant [-].
    tag : str, optional
        The piece's number as read from its tag [-].
    """
    job, machine = found(db, tables.Job, job_id), found(db, tables.Machine, machine_id)
    out = [
        _state_block(job),
        *_piece_blocks(db, job, now, tag),
        *_machine_blocks(db, machine, job, now),
        *_program_blocks(db, job, machine),
    ]
    return tuple(block for block in out if block is not None)


def _state_block(job: tables.Job) -> Block | None:
    if job.state in _STARTABLE:
        return None
    words = {
        JobState.WANTED: ("no piece and design are chosen yet", "choose them on the job's page"),
        JobState.CUTTING: ("it is reported cutting already", "finish or stop that run first"),
    }.get(JobState(job.state), (f"it is {job.state}", "take the next job"))
    return Block("state", *words)


def _piece_blocks(db: Session, job: tables.Job, now: datetime, tag: str | None) -> list[Block | None]:
    piece = job.workpiece
    if piece is None:
        return []
    out: list[Block | None] = []
    if tag is not None and tag.strip() != piece.number:
        out.append(
            Block(
                "tag",
                f"the tag says {tag.strip()[:40] or 'nothing'}, this job is for piece {piece.number}",
                f"put this piece back and fetch {piece.number} from {piece.store_place or 'the store'}",
            )
        )
    if piece.state not in (WorkpieceState.WHOLE, WorkpieceState.HOLLOW):
        out.append(Block("piece", f"piece {piece.number} is {piece.state}", "choose another piece"))
    scan = db.scalar(select(tables.Scan).where(tables.Scan.workpiece_id == piece.id, tables.Scan.active))
    if scan is None:
        words = f"piece {piece.number} has no scan that counts"
        return [*out, Block("scan", words, "probe it in this clamping, then prepare the job anew")]
    until = scan_holds_until(scan, piece.lot.kind)
    if until is not None and until < now:
        hours = _SCAN_H[ScanState(scan.state)]
        age = (now - (scan.rechecked_at or scan.taken_at)).total_seconds() / 3600
        words = f"the scan is {age:.0f} h old; a {scan.state} piece is trusted for {hours:.0f} h"
        out.append(Block("scan age", words, "touch three of its points again; within 0.5 mm it counts anew"))
    last = db.scalar(
        select(tables.Run)
        .where(tables.Run.workpiece_id == piece.id, tables.Run.ended_at.is_not(None))
        .order_by(tables.Run.ended_at.desc(), tables.Run.id.desc())
        .limit(1)
    )
    seen_at = max(scan.taken_at, scan.rechecked_at or scan.taken_at)
    if last is not None and last.outcome == RunOutcome.UNKNOWN and seen_at <= (last.ended_at or seen_at):
        words = f"unknown - inspect: nobody knows how far the last run of piece {piece.number} came"
        out.append(Block("inspect", words, "look at it, then touch three of its points again"))
    if scan.clamp_number != piece.clamp_number:
        words = f"clamped anew since the scan (clamping {piece.clamp_number}, scan of {scan.clamp_number})"
        out.append(Block("clamp", words, "probe it again and prepare the job anew"))
    return out


def _machine_blocks(
    db: Session, machine: tables.Machine, job: tables.Job, now: datetime
) -> list[Block | None]:
    out: list[Block | None] = []
    mark = select(tables.ProofMark.id).where(
        tables.ProofMark.machine_id == machine.id, tables.ProofMark.void_reason.is_(None)
    )
    if db.scalar(mark.limit(1)) is None:
        words = f"{machine.name} has no proof mark that counts"
        out.append(Block("proof mark", words, "cut one on foam and look at it from outside: letter, dot, up"))
    down = tables.Breakdown
    broken = db.scalar(
        select(down)
        .where(
            down.machine_id == machine.id, down.start_at <= now, or_(down.end_at.is_(None), down.end_at > now)
        )
        .limit(1)
    )
    if broken is not None:
        words = f"{machine.name} is reported down by {broken.recorded_by}: {broken.reason}"
        out.append(Block("down", words, "a lead reports it up again once it is mended"))
    run = db.scalar(
        select(tables.Run).where(tables.Run.machine_id == machine.id, tables.Run.ended_at.is_(None))
    )
    if run is not None and run.job_id != job.id:
        words = f"job {run.job_id} is reported running on {machine.name}"
        out.append(Block("busy", words, "finish, stop or scrap that run first"))
    return out


def preparation_for(db: Session, job_id: int, machine_id: int) -> tables.Preparation | None:
    """Return the newest preparing of a job for a machine that gave a program."""
    prepared = tables.Preparation
    return db.scalar(
        select(prepared)
        .where(
            prepared.job_id == job_id,
            prepared.machine_id == machine_id,
            prepared.state == PreparationState.DONE,
        )
        .order_by(prepared.prepared_at.desc(), prepared.id.desc())
        .limit(1)
    )


def _program_blocks(db: Session, job: tables.Job, machine: tables.Machine) -> list[Block | None]:
    preparation = preparation_for(db, job.id, machine.id)
    if preparation is None:
        words = f"no program is written for {machine.name}"
        return [Block("program", words, f"a lead prepares the job for {machine.name} on its page")]
    out: list[Block | None] = []
    try:
        stale = inputs_of(db, job.id).digest(machine.name) != preparation.inputs_digest
    except PlannerError:
        stale = False  # what is missing is told by the other blocks
    if stale:
        words = "piece, design, machine or cutters changed since the program was written"
        out.append(Block("program", words, "prepare the job anew; do not use the old program"))
    fitted = _fitted(db, machine.id)
    for type_name, share in preparation.wear.items():
        best = max((c.life_left for c in fitted if c.type_name == type_name), default=None)
        if best is None:
            out.append(
                Block("cutter", f"no {type_name} is fitted on {machine.name}", "fit one and report it")
            )
        elif best < share:
            words = f"{type_name} has {best:.0%} of its life left, this job takes {share:.0%}"
            out.append(Block("cutter", words, "fit a fresher one and report it"))
    return out


def _fitted(db: Session, machine_id: int) -> Sequence[tables.Cutter]:
    cutter = tables.Cutter
    return db.scalars(
        select(cutter)
        .where(cutter.machine_id == machine_id, cutter.state == CutterState.FITTED)
        .order_by(cutter.life_left.desc(), cutter.id)
    ).all()


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
    run = tables.Run(
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
    run = _ended(db, run_id, RunOutcome.FINISHED, at)
    run.job.state = JobState.CUT
    run.workpiece.state = WorkpieceState.CUT
    _write_off(db, run, by, at)
    db.flush()
    return run


def stop(db: Session, run_id: int, *, by: str, at: datetime) -> tables.Run:
    """Keep that a run was broken off and the piece can be gone on with; a datum check comes first."""
    run = _ended(db, run_id, RunOutcome.STOPPED, at)
    run.job.state = JobState.PREPARED
    note(db, "stop", f"job {run.job_id} stopped; check the datum before going on", by=by, at=at)
    db.flush()
    return run


def lost_sight(db: Session, run_id: int, reason: str, *, by: str, at: datetime) -> tables.Run:
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
    """
    reason = name_of(reason, "reason", 200)
    run = _ended(db, run_id, RunOutcome.UNKNOWN, at)
    run.job.state = JobState.PREPARED
    words = f"job {run.job_id} on {run.machine.name}: unknown - inspect ({reason})"
    note(db, "unknown", words, by=by, at=at)
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
    reason = name_of(reason, "reason", 200)
    run = _open_run(db, run_id)
    run.scrap_reason = reason
    run = _ended(db, run_id, RunOutcome.SCRAPPED, at)
    run.workpiece.state = WorkpieceState.SCRAPPED
    release_piece(db, run.job)
    words = f"piece {run.workpiece.number} scrapped on {run.machine.name}: {reason}"
    note(db, "scrap", words, by=by, at=at)
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
    db.flush()
    return row


def place(db: Session, job_id: int, *, by: str, at: datetime) -> tables.Job:
    """Keep that a lantern stands at its station."""
    job = found(db, tables.Job, job_id)
    if job.state != JobState.CUT or job.workpiece is None:
        raise Conflict(f"job {job_id} is {job.state}; only a cut lantern is put in place")
    job.state, job.workpiece.state = JobState.PLACED, WorkpieceState.PLACED
    note(db, "place", f"job {job_id} is in its place", by=by, at=at)
    db.flush()
    return job


def _open_run(db: Session, run_id: int) -> tables.Run:
    run = found(db, tables.Run, run_id)
    if run.ended_at is not None:
        raise Conflict(f"the run of job {run.job_id} is over already: {run.outcome}")
    return run


def _open_pause(db: Session, run_id: int) -> tables.Pause | None:
    return db.scalar(select(tables.Pause).where(tables.Pause.run_id == run_id, tables.Pause.end_at.is_(None)))


def _ended(db: Session, run_id: int, outcome: RunOutcome, at: datetime) -> tables.Run:
    run = _open_run(db, run_id)
    paused = _open_pause(db, run.id)
    if paused is not None:
        paused.end_at = max(at, paused.start_at)
    run.ended_at, run.outcome = max(at, run.started_at), outcome
    return run


def _write_off(db: Session, run: tables.Run, by: str, at: datetime) -> None:
    """Take the run's wear out of the freshest fitted cutter of each type, and keep it in the ledger."""
    preparation = db.get(tables.Preparation, run.preparation_id) if run.preparation_id else None
    if preparation is None or not preparation.wear:
        return
    total = sum(preparation.wear.values()) or 1.0
    minutes = (preparation.run_s or 0.0) / 60
    fitted = _fitted(db, run.machine_id)
    for type_name, share in preparation.wear.items():
        cutter = next((c for c in fitted if c.type_name == type_name), None)
        if cutter is None:
            continue
        part = share / total  # metres and minutes by cutter stand in job.json; their sum is kept here
        db.add(
            tables.CutterUse(
                run_id=run.id,
                cutter_id=cutter.id,
                metres=(preparation.cutting_m or 0.0) * part,
                minutes=minutes * part,
                wear=share,
                recorded_by=by,
                recorded_at=at,
            )
        )
        cutter.life_left = max(0.0, cutter.life_left - share)
