"""Which lanterns does a night's walk pass, in walking order, and what was said of each?"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.queries.parts import pictures_of
from planner.database.states import JobState


@dataclass(frozen=True, slots=True)
class WalkRow:
    """A station, the lantern that stands there, and what the last walker of a night said of it."""

    station_id: int
    station: str
    area: str
    job_id: int | None  # None: nothing stands there
    workpiece: str
    design: str
    thumbnail: str
    walk_id: int | None  # None: not walked past yet
    verdict: str
    faults: tuple[str, ...]
    words: str
    seen_at: datetime | None
    by: str


def walk_rows(db: Session, season_id: int, night: date) -> tuple[WalkRow, ...]:
    """Return every station in walking order, with the newest lantern in its place.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    night : date
        Of the walk [-].
    """
    job, station, walk = tables.Job, tables.Station, tables.NightWalk
    standing = (
        select(job.station_id, func.max(job.id).label("job_id"))
        .where(job.season_id == season_id, job.state == JobState.PLACED, job.night <= night)
        .group_by(job.station_id)
        .subquery()
    )
    last = (
        select(walk.job_id, func.max(walk.id).label("walk_id"))
        .where(walk.night == night, walk.voided_at.is_(None))
        .group_by(walk.job_id)
        .subquery()
    )
    rows = db.execute(
        select(station.id, station.name, station.area, job.id, tables.Workpiece.number, tables.Design.name,
               walk.id, walk.verdict, walk.faults, walk.note, walk.seen_at, walk.recorded_by)
        .outerjoin(standing, standing.c.station_id == station.id)
        .outerjoin(job, job.id == standing.c.job_id)
        .outerjoin(tables.Workpiece, tables.Workpiece.id == job.workpiece_id)
        .outerjoin(tables.DesignVersion, tables.DesignVersion.id == job.design_version_id)
        .outerjoin(tables.Design, tables.Design.id == tables.DesignVersion.design_id)
        .outerjoin(last, last.c.job_id == job.id)
        .outerjoin(walk, walk.id == last.c.walk_id)
        .where(station.season_id == season_id)
        .order_by(station.id)
    ).all()  # fmt: skip
    pictures = pictures_of(db, (row[3] for row in rows if row[3]))
    return tuple(
        WalkRow(
            row[0], row[1], row[2], row[3], row[4] or "", row[5] or "", pictures.get(row[3], ""), row[6],
            row[7] or "", tuple(row[8] or ()), row[9] or "", row[10], row[11] or "",
        )
        for row in rows
    )  # fmt: skip
