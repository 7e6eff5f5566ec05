"""Which parts do several questions share? Fragments of statements, none run here."""

from __future__ import annotations

from sqlalchemy import Subquery, func, select

from planner.database import tables
from planner.database.states import JobState

READY = (JobState.CUT, JobState.PLACED)


def pictures() -> Subquery:
    """Return the folder of each job's package that its run times stand on: columns job_id, folder."""
    newest = (
        select(tables.RunTime.job_id, func.max(tables.RunTime.preparation_id).label("preparation_id"))
        .group_by(tables.RunTime.job_id)
        .subquery()
    )
    return (
        select(newest.c.job_id, tables.Preparation.folder)
        .join(tables.Preparation, tables.Preparation.id == newest.c.preparation_id)
        .subquery()
    )


def thumbnail(folder: str | None) -> str:
    """Return the path of the lit picture in a package, under the packages' folder; empty without one."""
    return f"{folder}/lit.png" if folder else ""


def label_of(job_id: int, station: str | None) -> str:
    """Return what people call a job: its station, or a spare by its number."""
    return station or f"Spare {job_id}"
