"""How is long work asked for, claimed, watched and ended? A lease in the database; no broker."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import and_, or_, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import WorkState
from planner.errors import Conflict
from planner.services.common import found, name_of

ORPHAN_S = 30.0  # a worker that was silent this long is taken for dead


def ask_for_work(db: Session, kind: str, arguments: dict[str, Any], *, by: str, at: datetime) -> tables.Work:
    """Ask for a long piece of work.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    kind : str
        What the worker shall do, e.g. `prepare` [-].
    arguments : dict
        What it needs, fit for JSON [-].
    by : str
        Who asks [-].
    at : datetime
        When, with a time zone [-].
    """
    work = tables.Work(kind=name_of(kind, "kind", 20), arguments=arguments, recorded_by=by, recorded_at=at)
    db.add(work)
    db.flush()
    return work


def ask_to_cancel(db: Session, work_id: int, *, at: datetime) -> tables.Work:
    """Ask for an end of the work; what waits is ended at once, what runs stops as soon as it can.

    Parameters
    ----------
    db : Session
        An open session [-].
    work_id : int
        The work [-].
    at : datetime
        When [-].
    """
    work = found(db, tables.Work, work_id)
    if work.state not in (WorkState.WAITING, WorkState.RUNNING):
        raise Conflict(f"work {work_id} is {work.state} already")
    work.cancel_asked = True
    if work.state == WorkState.WAITING:
        work.state, work.ended_at = WorkState.CANCELLED, at
    db.flush()
    return work


def claim_work(
    db: Session, worker: str, *, now: datetime, kinds: Sequence[str] | None = None
) -> tables.Work | None:
    """Take the oldest work that waits or whose worker fell silent; None when there is none.

    Parameters
    ----------
    db : Session
        An open unit of work, so that no two workers take the same [-].
    worker : str
        Who takes it [-].
    now : datetime
        The lease begins [-].
    kinds : sequence of str, optional
        What this worker can do; anything when left out [-].
    """
    work = tables.Work
    silent_since = now - timedelta(seconds=ORPHAN_S)
    free = or_(
        work.state == WorkState.WAITING,
        and_(work.state == WorkState.RUNNING, work.heartbeat_at < silent_since),
    )
    if kinds is not None:
        free = and_(free, work.kind.in_(kinds))
    # on SQLite the unit of work holds the write lock; PostgreSQL passes over what another worker is taking
    claimed = db.scalar(select(work).where(free).order_by(work.id).limit(1).with_for_update(skip_locked=True))
    if claimed is None:
        return None
    claimed.state, claimed.claimed_by = WorkState.RUNNING, worker
    claimed.started_at = claimed.heartbeat_at = now
    claimed.done = claimed.total = 0
    claimed.note = ""
    db.flush()
    return claimed


def save_progress(
    db: Session, work_id: int, worker: str, done: int, total: int, note: str, *, now: datetime
) -> bool:
    """Keep how far the work is and renew the lease; return whether it shall stop.

    Parameters
    ----------
    db : Session
        An open session [-].
    work_id : int
        The work [-].
    worker : str
        Who does it; True comes back when somebody else has taken it over [-].
    done, total : int
        How far it is [-].
    note : str
        What is being done, in words [-].
    now : datetime
        Time of this sign of life [-].
    """
    work = found(db, tables.Work, work_id)
    if work.state != WorkState.RUNNING or work.claimed_by != worker:
        return True
    work.done, work.total, work.note, work.heartbeat_at = done, total, note, now
    db.flush()
    return work.cancel_asked


def refuse_lost(db: Session, work_id: int, worker: str) -> None:
    """Raise `Conflict` where a worker does not hold the work any more; hold it until this unit of work ends.

    Parameters
    ----------
    db : Session
        An open unit of work that is about to keep what the work gave [-].
    work_id : int
        The work [-].
    worker : str
        Who did it [-].
    """
    row = tables.Work
    # on SQLite the unit of work holds the write lock; PostgreSQL keeps others from taking the row meanwhile
    holder = select(row.state, row.claimed_by).where(row.id == work_id).with_for_update()
    found_row = db.execute(holder).first()
    if found_row is None or tuple(found_row) != (WorkState.RUNNING, worker):
        raise Conflict(f"work {work_id} is not in the hands of {worker} any more; nothing of it was kept")


def end_work(
    db: Session, work_id: int, worker: str, state: str, *, now: datetime, error: str | None = None
) -> tables.Work:
    """Keep how the work ended.

    Parameters
    ----------
    db : Session
        An open session [-].
    work_id : int
        The work [-].
    worker : str
        Who did it [-].
    state : str
        `done`, `failed` or `cancelled` [-].
    now : datetime
        When it ended [-].
    error : str, optional
        Why it failed, in one line [-].
    """
    work = found(db, tables.Work, work_id)
    if work.state != WorkState.RUNNING or work.claimed_by != worker:
        raise Conflict(f"work {work_id} is {work.state} and not in the hands of {worker}")
    work.state, work.ended_at, work.error = WorkState(state), now, error
    db.flush()
    return work
