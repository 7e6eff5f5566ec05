"""What must be lit on one night, and what is missing?"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date

from sqlalchemy import Subquery, case, func, select
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
    job, ends = tables.Job, _ends(published_id(db, season_id) or 0, night)
    due_at = season.due_at(night).astimezone(UTC)
    open_ = job.state.not_in(READY)
    row = db.execute(
        select(
            func.count(job.id),
            func.sum(case((job.state.in_(READY), 1), else_=0)),
            func.sum(case((open_ & (ends.c.end_at <= due_at), 1), else_=0)),
            func.sum(case((open_ & (ends.c.end_at > due_at), 1), else_=0)),
        )
        .select_from(job)
        .outerjoin(ends, ends.c.job_id == job.id)
        .where(
            job.season_id == season_id,
            job.night == night,
            job.station_id.is_not(None),
            job.state != JobState.CANCELLED,
        )
    ).one()
    return NightFacts(*(count or 0 for count in row))


def _ends(plan_id: int, night: date) -> Subquery:
    """Return when a plan ends each job of a night: columns job_id, end_at."""
    row, job = tables.PlanRow, tables.Job
    return (
        select(row.job_id, func.max(row.end_at, type_=row.end_at.type).label("end_at"))
        .join(job, job.id == row.job_id)
        .where(row.plan_id == plan_id, job.night == night)
        .group_by(row.job_id)
        .subquery()
    )


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
