"""How far is the long work? Newest first, or one by its number."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.lines import WorkLine
from planner.database.states import WorkState
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


@dataclass(frozen=True, slots=True)
class WorkResult:
    """What a long piece of work found, where it has no table of its own."""

    work_id: int
    state: str
    arguments: dict[str, Any]
    result: dict[str, Any]
    error: str
    ended_at: datetime | None


def newest_result(db: Session, kind: str, season_id: int | None = None) -> WorkResult | None:
    """Return the newest finished work of a kind, of a season where one is named; None where there is none.

    Parameters
    ----------
    db : Session
        An open session [-].
    kind : str
        What was done [-].
    season_id : int, optional
        Among the work's arguments [-].
    """
    work = tables.Work
    statement = select(work).where(work.kind == kind, work.state == WorkState.DONE)
    if season_id is not None:
        statement = statement.where(work.arguments["season_id"].as_integer() == season_id)
    row = db.scalar(statement.order_by(work.id.desc()).limit(1))
    return _result(row) if row else None


def work_result(db: Session, work_id: int) -> WorkResult:
    """Return how a piece of work stands and what it found."""
    row = db.get(tables.Work, work_id)
    if row is None:
        raise NotFound(f"there is no work {work_id}")
    return _result(row)


def works_since(db: Session, kind: str, *, limit: int = 3) -> tuple[WorkResult, ...]:
    """Return the newest works of a kind, in whatever state; `limit` [-]."""
    work = tables.Work
    rows = db.scalars(select(work).where(work.kind == kind).order_by(work.id.desc()).limit(limit))
    return tuple(_result(row) for row in rows)


def _result(row: tables.Work) -> WorkResult:
    return WorkResult(row.id, row.state, row.arguments, row.result, row.error or "", row.ended_at)
