"""How far is the long work? Newest first, or one by its number."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.lines import WorkLine
from planner.errors import NotFound


def work_progress(db: Session, *, limit: int = 20) -> tuple[WorkLine, ...]:
    """Return the long work, the newest first.

    Parameters
    ----------
    db : Session
        An open session [-].
    limit : int
        How many [-].
    """
    rows = db.scalars(select(tables.Work).order_by(tables.Work.id.desc()).limit(limit))
    return tuple(_work_line(row) for row in rows)


def work(db: Session, work_id: int) -> WorkLine:
    """Return one piece of long work.

    Parameters
    ----------
    db : Session
        An open session [-].
    work_id : int
        Its number [-].
    """
    row = db.get(tables.Work, work_id, populate_existing=True)
    if row is None:
        raise NotFound(f"there is no work {work_id}")
    return _work_line(row)


def _work_line(row: tables.Work) -> WorkLine:
    return WorkLine(
        work_id=row.id,
        kind=row.kind,
        arguments=row.arguments,
        state=row.state,
        done=row.done,
        total=row.total,
        note=row.note,
        asked_at=row.recorded_at,
        asked_by=row.recorded_by,
        heartbeat_at=row.heartbeat_at,
        started_at=row.started_at,
        ended_at=row.ended_at,
        cancel_asked=row.cancel_asked,
        error=row.error,
    )
