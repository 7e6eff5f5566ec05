"""For which nights are pieces still to be chosen, and which piece has each lantern of a night by now?"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import JobState

_OPEN = (JobState.WANTED, JobState.CHOSEN)


@dataclass(frozen=True, slots=True)
class WantedNight:
    """A night with lanterns that are not prepared yet, and how many of them have no piece."""

    night: date
    lanterns: int
    without: int


def wanted_nights(db: Session, season_id: int) -> tuple[WantedNight, ...]:
    """Return the nights for whose lanterns pieces can be suggested; `season_id` [-]."""
    job = tables.Job
    rows = db.execute(
        select(job.night, func.count(job.id), func.count(job.id) - func.count(job.workpiece_id))
        .where(job.season_id == season_id, job.state.in_(_OPEN))
        .group_by(job.night)
        .order_by(job.night)
    )
    return tuple(WantedNight(*row) for row in rows)


def pieces_by_job(db: Session, season_id: int, night: date) -> dict[int, str]:
    """Return the number of the piece that each lantern of a night has; an empty word where it has none."""
    job, piece = tables.Job, tables.Workpiece
    rows = db.execute(
        select(job.id, piece.number)
        .outerjoin(piece, piece.id == job.workpiece_id)
        .where(job.season_id == season_id, job.night == night, job.state != JobState.CANCELLED)
    )
    return {number: held or "" for number, held in rows}


def piece_numbered(db: Session, number: str) -> int | None:
    """Return the id of the piece with a tag's number; None where there is none."""
    piece = tables.Workpiece
    return db.scalar(select(piece.id).where(piece.number == number))
