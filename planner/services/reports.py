"""What did a controller report? Each report is kept once as it came, in any order, late or twice.

Where a report fits what is known, the run it speaks of is opened, paused or ended as a person would; where it
does not, it is kept and the answer says so. A report never starts or stops anything.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import JobState, ReportKind
from planner.errors import PlannerError, Refused
from planner.services import floor
from planner.services.common import instant_of, name_of, word_of

_MOST = 1000
_SKEW = timedelta(minutes=2)
_STARTABLE = (JobState.CHOSEN, JobState.PREPARED)


@dataclass(frozen=True, slots=True)
class Report:
    """One report as a controller sends it."""

    event: str  # the controller's own number of it
    kind: str
    happened_at: datetime
    job_id: int | None = None
    said: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """What was made of a report."""

    event: str
    kept: bool  # False: it was kept before
    answer: str


def take_reports(
    db: Session, token: tables.MachineToken, reports: Sequence[Report], *, at: datetime
) -> tuple[Answer, ...]:
    """Keep a controller's reports, all or none; those that were kept before are left as they are.

    Parameters
    ----------
    db : Session
        An open unit of work [-].
    token : MachineToken
        Which machine speaks [-].
    reports : sequence of Report
        1000 at most [-].
    at : datetime
        When they came [-].
    """
    if len(reports) > _MOST:
        raise Refused(f"{len(reports)} reports came at once, expected {_MOST} at most")
    for report in reports:
        word_of(ReportKind, report.kind, "kind")
        name_of(report.event, "event", 80)
        instant_of(report.happened_at, "time of the report")
    row = tables.MachineReport
    known = set(
        db.scalars(
            select(row.event).where(
                row.machine_id == token.machine_id, row.event.in_([r.event for r in reports])
            )
        )
    )
    by = f"{token.machine.name}, {token.name}"[:120]
    answers: dict[str, Answer] = {}
    for report in sorted(reports, key=lambda r: r.happened_at):
        if report.event in known:
            answers[report.event] = Answer(report.event, False, "was kept before")
            continue
        known.add(report.event)
        told = _made_of(db, token.machine_id, report, by, at)
        skew = report.happened_at - at
        if skew > _SKEW:
            told += f"; the controller's clock is {skew.total_seconds() / 60:.0f} min ahead"
        db.add(
            row(
                machine_id=token.machine_id,
                event=report.event,
                kind=report.kind,
                happened_at=report.happened_at,
                job_id=_known_job(db, report.job_id),
                said=dict(report.said or {}),
                answer=told,
                recorded_by=by,
                recorded_at=at,
            )
        )
        answers[report.event] = Answer(report.event, True, told)
    db.flush()
    return tuple(answers[report.event] for report in reports)


def _known_job(db: Session, job_id: int | None) -> int | None:
    return job_id if job_id is not None and db.get(tables.Job, job_id) is not None else None


def _made_of(db: Session, machine_id: int, report: Report, by: str, at: datetime) -> str:
    """Carry a report out where it fits, and return what was made of it, in words."""
    run = db.scalar(
        select(tables.Run).where(tables.Run.machine_id == machine_id, tables.Run.ended_at.is_(None))
    )
    try:
        match ReportKind(report.kind):
            case ReportKind.START:
                return _started(db, machine_id, run, report, by, at)
            case ReportKind.PAUSE if run is not None:
                words = str((report.said or {}).get("reason") or "reported by the controller")[:200]
                floor.pause(db, run.id, words, by=by, at=report.happened_at)
                return f"job {run.job_id} is paused"
            case ReportKind.RESUME if run is not None:
                floor.resume(db, run.id, at=report.happened_at)
                return f"job {run.job_id} goes on"
            case ReportKind.END if run is not None and report.happened_at >= run.started_at:
                return _ended(db, run, report, by)
            case ReportKind.FAULT | ReportKind.RUN_TIME:
                return "kept"
            case _:
                return "kept; no run that it fits is open"
    except PlannerError as refusal:
        return f"kept; {refusal}"


def _started(
    db: Session, machine_id: int, run: tables.Run | None, report: Report, by: str, at: datetime
) -> str:
    if run is not None:
        return f"kept; job {run.job_id} is reported running already"
    job = db.get(tables.Job, report.job_id) if report.job_id else None
    if job is None or job.workpiece_id is None or job.state not in _STARTABLE:
        return "kept; no job that can be running is named, so no run is opened"
    preparation = floor.preparation_for(db, job.id, machine_id)
    db.add(
        tables.Run(
            job_id=job.id,
            machine_id=machine_id,
            workpiece_id=job.workpiece_id,
            preparation_id=preparation.id if preparation else None,
            started_at=report.happened_at,
            recorded_by=by,
            recorded_at=at,
        )
    )
    job.state = JobState.CUTTING
    db.flush()
    return f"job {job.id} is reported running; its six checks were not ticked here"


def _ended(db: Session, run: tables.Run, report: Report, by: str) -> str:
    if (report.said or {}).get("outcome", "finished") == "finished":
        floor.finish(db, run.id, by=by, at=report.happened_at)
        return f"job {run.job_id} is cut"
    floor.stop(db, run.id, by=by, at=report.happened_at)
    return f"job {run.job_id} is stopped; inspect it and check the datum before going on"
