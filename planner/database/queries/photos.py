"""Which pictures of lit lanterns were taken, and with which exposure?"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.queries.parts import label_of, with_names


@dataclass(frozen=True, slots=True)
class PhotoLine:
    """A picture that was taken at a lit check."""

    photo: str  # name of its file
    exposure: str
    job_id: int
    label: str
    design: str
    rating: int
    by: str
    at: datetime


def photos(db: Session, season_id: int, *, limit: int = 300) -> tuple[PhotoLine, ...]:
    """Return the pictures by exposure, design and time: alike stand together, the newest of each first.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    limit : int
        At most so many [-].
    """
    job, check = tables.Job, tables.LitCheck
    rows = db.execute(
        with_names(
            select(job.id, tables.Station.name, tables.Design.name, check.photo, check.exposure, check.rating,
                   check.recorded_by, check.recorded_at)
        )
        .join(check, check.job_id == job.id)
        .where(job.season_id == season_id, check.photo != "")
        .order_by(check.exposure, tables.Design.name, check.id.desc())
        .limit(limit)
    )  # fmt: skip
    return tuple(
        PhotoLine(photo, exposure, number, label_of(number, station), design or "", rating, by, at)
        for number, station, design, photo, exposure, rating, by, at in rows
    )
