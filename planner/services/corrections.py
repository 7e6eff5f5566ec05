"""How is a fact put right? By a new entry in its place: the old one stays, void, with who, when and why."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, TypeVar

from sqlalchemy import inspect, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import JobState, RunOutcome, WorkpieceState
from planner.errors import Conflict, Refused
from planner.services.changes import note
from planner.services.common import amount_of, found, instant_of, name_of, word_of

Fact = TypeVar("Fact", bound=tables.Corrected)
_OWN = ("id", "recorded_at", "recorded_by", "voided_at", "voided_by", "void_reason", "replaces_id")
_OF_A_RUN: tuple[Any, ...] = (tables.Pause, tables.CutterUse, tables.RunMark)


def put_right(db: Session, fact: Fact, reason: str, *, by: str, at: datetime, **changed: Any) -> Fact:
    """Return the entry that takes a fact's place; the fact stays and counts no longer.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    fact : Run, LitCheck, NightWalk, ...
        A row that counts [-].
    reason : str
        Why it was wrong, in words [-].
    by : str
        Who says so [-].
    at : datetime
        When [-].
    **changed
        Columns and their right values; all others are as they were [-].
    """
    if fact.voided_at is not None:
        raise Conflict(f"this was put right by {fact.voided_by} already; put the newer entry right")
    columns = [c.key for c in inspect(type(fact)).column_attrs if c.key not in _OWN]
    values: dict[str, Any] = {name: getattr(fact, name) for name in columns} | changed
    number: int = fact.id  # type: ignore[attr-defined]  # every table has one
    fact.void(name_of(reason, "reason", 400), by, at)
    db.flush()  # before the new one stands: of some facts only one may
    table: Any = type(fact)
    new: Fact = table(**values, replaces_id=number, recorded_by=by, recorded_at=at)
    db.add(new)
    db.flush()
    return new


def correct_run(
    db: Session,
    run_id: int,
    reason: str,
    *,
    by: str,
    at: datetime,
    started_at: datetime | None = None,
    ended_at: datetime | None = None,
    outcome: str | None = None,
    scrap_reason: str | None = None,
) -> tables.Run:
    """Put a run right; its pauses, marks and what it took of cutters go with it.

    Parameters
    ----------
    db : Session
        An open session [-].
    run_id : int
        The run as it counts now [-].
    reason : str
        Why it was wrong [-].
    by : str
        Who says so [-].
    at : datetime
        When [-].
    started_at, ended_at : datetime, optional
        The right times; None = as they were [-].
    outcome : str, optional
        `finished` instead of `stopped` or the other way, or `scrapped`, while its job has not gone on [-].
    scrap_reason : str, optional
        The right reason of a scrapped run [-].
    """
    run = found(db, tables.Run, run_id)
    start = instant_of(started_at, "start") if started_at else run.started_at
    end = instant_of(ended_at, "end") if ended_at else run.ended_at
    if end is not None and end < start:
        raise Refused(
            f"the run would end at {end.isoformat()}, expected after its start, {start.isoformat()}"
        )
    if ended_at is not None and run.ended_at is None:
        raise Conflict("this run is still open; report its end instead")
    pauses = [pause for pause in run.pauses if pause.voided_at is None]
    late = [pause for pause in pauses if pause.start_at < start or (end and pause.start_at > end)]
    if late:
        raise Refused(f"a pause from {late[0].start_at.isoformat()} would lie outside of the run")
    changed: dict[str, Any] = {"started_at": start, "ended_at": end}
    if outcome is not None and outcome != run.outcome:
        changed |= _other_outcome(db, run, outcome, scrap_reason)
    elif scrap_reason is not None:
        if run.outcome != RunOutcome.SCRAPPED:
            raise Conflict(f"the run is {run.outcome}; only a scrapped one has a scrap reason")
        changed["scrap_reason"] = name_of(scrap_reason, "scrap reason", 200)
    new = put_right(db, run, reason, by=by, at=at, **changed)
    for table in _OF_A_RUN:
        for row in db.scalars(select(table).where(table.run_id == run.id)).all():
            more = {}
            if isinstance(row, tables.Pause) and row.end_at is not None and end is not None:
                more["end_at"] = min(row.end_at, end)
            put_right(db, row, reason, by=by, at=at, run_id=new.id, **more)
    db.expire(run, ["pauses", "cutter_uses"])
    words = f"run of job {run.job_id} put right: {_told(run, new)} ({reason.strip()})"
    note(db, "correct", words, by=by, at=at, about=f"job {run.job_id}")
    return new


def _other_outcome(db: Session, run: tables.Run, outcome: str, scrap_reason: str | None) -> dict[str, Any]:
    """Return the columns of another outcome, with job and piece as that outcome leaves them."""
    word = word_of(RunOutcome, outcome, "outcome")
    job, piece = found(db, tables.Job, run.job_id), found(db, tables.Workpiece, run.workpiece_id)
    as_left = {RunOutcome.FINISHED: JobState.CUT, RunOutcome.STOPPED: JobState.PREPARED}
    before = None if run.outcome is None else as_left.get(RunOutcome(run.outcome))
    if before is None or job.state != before or job.workpiece_id != piece.id or word == RunOutcome.UNKNOWN:
        raise Conflict(
            f"job {job.id} has gone on since ({job.state}); its run can no longer be called {word}"
        )
    if word == RunOutcome.SCRAPPED:
        from planner.services.floor import release_piece

        piece.state = WorkpieceState.SCRAPPED
        release_piece(db, job)
        return {"outcome": word, "scrap_reason": name_of(scrap_reason or "", "scrap reason", 200)}
    job.state = as_left[word]
    piece.state = WorkpieceState.CUT if word == RunOutcome.FINISHED else _uncut(piece)
    return {"outcome": word}


def _uncut(piece: tables.Workpiece) -> WorkpieceState:
    return WorkpieceState.WHOLE if piece.hollowed_at is None else WorkpieceState.HOLLOW


def _told(before: tables.Run, after: tables.Run) -> str:
    """Return what is different, in words."""
    out = []
    for name, words in (("started_at", "start"), ("ended_at", "end"), ("outcome", "outcome"),
                        ("scrap_reason", "scrap reason")):  # fmt: skip
        old, new = getattr(before, name), getattr(after, name)
        if old != new:
            if isinstance(new, datetime):
                out.append(f"{words} {old:%Y-%m-%d %H:%M} -> {new:%Y-%m-%d %H:%M} UTC")
            else:
                out.append(f"{words} {old or 'none'} -> {new or 'none'}")
    return ", ".join(out) or "nothing but its pauses"


def correct_rating(
    db: Session, check_id: int, rating: int, reason: str, *, by: str, at: datetime
) -> tables.LitCheck:
    """Put a lit check right: the same person's rating, as it should have been.

    Parameters
    ----------
    db : Session
        An open session [-].
    check_id : int
        The check as it counts now [-].
    rating : int
        1 to 10 [-].
    reason : str
        Why it was wrong [-].
    by : str
        Who says so [-].
    at : datetime
        When [-].
    """
    check = found(db, tables.LitCheck, check_id)
    amount_of(rating, "rating", 1, 10, "")
    before, rater = check.rating, check.recorded_by
    new = put_right(db, check, reason, by=by, at=at, rating=rating)
    new.recorded_by = rater  # whose eyes it was; who put it right stands beside the void one
    db.flush()
    words = f"rating of job {check.job_id} by {rater} put right: {before} -> {rating} ({reason.strip()})"
    note(db, "correct", words, by=by, at=at, about=f"job {check.job_id}")
    return new


def earlier(db: Session, fact: Fact) -> Sequence[Fact]:
    """Return the entries that a fact took the place of, the newest first."""
    out: list[Fact] = []
    table: Any = type(fact)
    number = fact.replaces_id
    while number is not None:
        old = db.scalar(select(table).where(table.id == number).execution_options(with_void=True))
        if old is None:
            break
        out.append(old)
        number = old.replaces_id
    return out
