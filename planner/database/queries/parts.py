"""Which parts do several questions share? Fragments of statements, and small ones that many need."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import JobState, PlanState

READY = (JobState.CUT, JobState.PLACED)


def thumbnail(folder: str | None) -> str:
    """Return the path of the lit picture in a package, under the packages' folder; empty without one."""
    return f"{folder}/lit.png" if folder else ""


def label_of(job_id: int, station: str | None) -> str:
    """Return what people call a job: its station, or a spare by its number."""
    return station or f"Spare {job_id}"


def pictures_of(db: Session, job_ids: Iterable[int]) -> dict[int, str]:
    """Return the path of each job's lit picture, for some jobs; one statement a thousand of them.

    Parameters
    ----------
    db : Session
        An open session [-].
    job_ids : iterable of int
        The jobs [-].
    """
    run_time = tables.RunTime
    found: dict[int, str] = {}
    ids = list(dict.fromkeys(job_ids))
    for start in range(0, max(1, len(ids)), 1000):  # one at least: as many statements for few as for many
        newest = (
            select(run_time.job_id, func.max(run_time.preparation_id).label("preparation_id"))
            .where(run_time.job_id.in_(ids[start : start + 1000]))
            .group_by(run_time.job_id)
            .subquery()
        )
        rows = db.execute(
            select(newest.c.job_id, tables.Preparation.folder).join(
                tables.Preparation, tables.Preparation.id == newest.c.preparation_id
            )
        )
        found |= {job_id: thumbnail(folder) for job_id, folder in rows}
    return found


def published_id(db: Session, season_id: int) -> int | None:
    """Return the number of the plan in force."""
    plan = tables.Plan
    return db.scalar(select(plan.id).where(plan.season_id == season_id, plan.state == PlanState.PUBLISHED))


def with_names(statement: Any) -> Any:
    """Join what a job is called by: station, design and piece."""
    job = tables.Job
    return (
        statement.select_from(job)
        .outerjoin(tables.Station, tables.Station.id == job.station_id)
        .outerjoin(tables.DesignVersion, tables.DesignVersion.id == job.design_version_id)
        .outerjoin(tables.Design, tables.Design.id == tables.DesignVersion.design_id)
        .outerjoin(tables.Workpiece, tables.Workpiece.id == job.workpiece_id)
    )
