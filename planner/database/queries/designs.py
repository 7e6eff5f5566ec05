"""Which designs are there, and in which versions? Names, versions and how much they are used."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from planner.database import tables
from planner.database.lines import DesignLine, DesignVersionLine
from planner.database.states import JobState, PreparationState
from planner.errors import NotFound


def designs(db: Session) -> tuple[DesignLine, ...]:
    """Return all designs by name, each with its versions, the newest first.

    Parameters
    ----------
    db : Session
        An open session [-].
    """
    version, job, choice = tables.DesignVersion, tables.Job, tables.StationDesign
    versions: defaultdict[int, list[DesignVersionLine]] = defaultdict(list)
    for row in db.scalars(select(version).order_by(version.version.desc())):
        versions[row.design_id].append(_version_line(row))
    jobs = (
        select(version.design_id, func.count())
        .join(job, job.design_version_id == version.id)
        .where(job.state != JobState.CANCELLED)
        .group_by(version.design_id)
    )
    jobs_of = dict(db.execute(jobs).all())
    stations = select(choice.design_id, func.count()).group_by(choice.design_id)
    stations_of = dict(db.execute(stations).all())
    named = db.execute(select(tables.Design.id, tables.Design.name).order_by(tables.Design.name))
    return tuple(
        DesignLine(
            design_id=design_id,
            name=name,
            versions=tuple(versions[design_id]),
            jobs=jobs_of.get(design_id, 0),
            stations=stations_of.get(design_id, 0),
        )
        for design_id, name in named
    )


def artwork(db: Session, design_version_id: int) -> tuple[str, bytes]:
    """Return the name and the content of a version's artwork file.

    Parameters
    ----------
    db : Session
        An open session [-].
    design_version_id : int
        The version [-].
    """
    version = tables.DesignVersion
    row = db.execute(
        select(version.file_name, version.artwork).where(version.id == design_version_id)
    ).one_or_none()
    if row is None:
        raise NotFound(f"there is no design version {design_version_id}")
    return row.file_name, row.artwork


def _version_line(row: tables.DesignVersion) -> DesignVersionLine:
    return DesignVersionLine(
        design_version_id=row.id,
        version=row.version,
        file_name=row.file_name,
        digest=row.digest,
        treatment=row.treatment,
        width_mm=row.width_mm,
        height_mm=row.height_mm,
        approved_by=row.approved_by,
        approved_at=row.approved_at,
        findings=tuple(row.findings),
        added_at=row.recorded_at,
        added_by=row.recorded_by,
    )


def refused_designs(db: Session) -> dict[int, tuple[dict[str, Any], ...]]:
    """Return the findings against each design version that was tried on pieces and that no machine can cut.

    Parameters
    ----------
    db : Session
        An open session [-].
    """
    job, preparation, run_time = tables.Job, tables.Preparation, tables.RunTime
    other = aliased(job)
    can_be_cut = (
        select(run_time.id)
        .join(other, other.id == run_time.job_id)
        .where(other.design_version_id == job.design_version_id, run_time.eligible)
        .exists()
    )
    rows = db.execute(
        select(job.design_version_id, preparation.findings)
        .join(preparation, preparation.job_id == job.id)
        .where(
            job.design_version_id.is_not(None),
            preparation.state == PreparationState.REFUSED,
            ~can_be_cut,
        )
        .order_by(preparation.id)
    )
    return {version_id: tuple(findings) for version_id, findings in rows}  # the newest counts
