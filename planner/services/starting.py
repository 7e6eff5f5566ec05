"""Why must a job not be started on a machine now, and what is to be done about it?"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import or_, select
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
from planner.errors import PlannerError
from planner.services.common import found
from planner.services.preparing import inputs_of

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
        why = db.scalar(
            select(tables.Scan.void_reason)
            .where(tables.Scan.workpiece_id == piece.id, tables.Scan.void_reason.is_not(None))
            .order_by(tables.Scan.voided_at.desc(), tables.Scan.id.desc())
            .limit(1)
        )
        words = f"piece {piece.number} has no scan that counts" + (f": {why}" if why else "")
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
    elif last is not None and last.outcome == RunOutcome.STOPPED and seen_at <= (last.ended_at or seen_at):
        where = f" before {last.resume_from}" if last.resume_from else ""
        words = f"its last run was broken off{where}; is the piece still where it was?"
        out.append(Block("datum", words, "touch three of its points again, then go on from there"))
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
    return preparations_for(db, [job_id], machine_id).get(job_id)


def preparations_for(db: Session, job_ids: Collection[int], machine_id: int) -> dict[int, tables.Preparation]:
    """Return the newest preparing of each job for a machine that gave a program; others are left out.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    job_ids : collection of int
        The jobs [-].
    machine_id : int
        The machine [-].
    """
    prepared = tables.Preparation
    rows = db.scalars(
        select(prepared)
        .where(
            prepared.job_id.in_(job_ids),
            prepared.machine_id == machine_id,
            prepared.state == PreparationState.DONE,
        )
        .order_by(prepared.prepared_at, prepared.id)
    )
    return {one.job_id: one for one in rows}  # the last of each stays


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
    fitted = fitted_on(db, machine.id)
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


def fitted_on(db: Session, machine_id: int) -> Sequence[tables.Cutter]:
    """Return the cutters that are fitted on a machine, the freshest first.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    machine_id : int
        The machine [-].
    """
    cutter = tables.Cutter
    return db.scalars(
        select(cutter)
        .where(cutter.machine_id == machine_id, cutter.state == CutterState.FITTED)
        .order_by(cutter.life_left.desc(), cutter.id)
    ).all()
