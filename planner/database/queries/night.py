"""What must be lit on one night, and what is missing?"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.queries.parts import READY, published_id
from planner.database.states import JobState
from planner.errors import NotFound


@dataclass(frozen=True, slots=True)
class NightFacts:
    """How the lanterns that are first wanted on a night stand; counted by the store, not row by row."""

    wanted: int
    ready: int
    in_time: int  # not cut yet, planned to end before they are due
    late: int  # not cut yet, planned to end later


def night_facts(db: Session, season_id: int, night: date) -> NightFacts:
    """Return how the lanterns of stations that are first wanted on a night stand.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    night : date
        The night [-].
    """
    season = db.get(tables.Season, season_id)
    if season is None:
        raise NotFound(f"there is no season {season_id}")
    job, row = tables.Job, tables.PlanRow
    plan_id = published_id(db, season_id) or 0
    ends = (
        select(job.state, func.max(row.end_at, type_=row.end_at.type).label("end_at"))
        .outerjoin(row, (row.job_id == job.id) & (row.plan_id == plan_id))
        .where(
            job.season_id == season_id,
            job.night == night,
            job.station_id.is_not(None),
            job.state != JobState.CANCELLED,
        )
        .group_by(job.id, job.state)
        .subquery()
    )
    due_at = season.due_at(night).astimezone(UTC)
    open_ = ends.c.state.not_in(READY)
    found = db.execute(
        select(
            func.count(),
            func.sum(case((ends.c.state.in_(READY), 1), else_=0)),
            func.sum(case((open_ & (ends.c.end_at <= due_at), 1), else_=0)),
            func.sum(case((open_ & (ends.c.end_at > due_at), 1), else_=0)),
        ).select_from(ends)
    ).one()
    return NightFacts(*(count or 0 for count in found))


def spare_jobs(db: Session, season_id: int) -> dict[date, tuple[int, int]]:
    """Return of each night how many lanterns are for no station, and how many of these are cut.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    """
    job = tables.Job
    rows = db.execute(
        select(job.night, func.count(job.id), func.sum(case((job.state.in_(READY), 1), else_=0)))
        .where(job.season_id == season_id, job.station_id.is_(None), job.state != JobState.CANCELLED)
        .group_by(job.night)
    )
    return {night: (count, ready) for night, count, ready in rows}
