"""What does the venue ask: lit of promised, rating, cover, hours, waste?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import extract, func, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.queries.night import spare_jobs
from planner.database.queries.paper import StationRow, station_rows
from planner.database.queries.parts import READY
from planner.database.states import JobState, WorkpieceState
from planner.errors import NotFound

_KG_PER_MM3 = 0.6e-6  # whole squash with its hollow, calculated from published masses; starting value


@dataclass(frozen=True, slots=True)
class VenueFigures:
    """What a venue asks for, counted from the records."""

    promised: int  # stations
    ready: int  # stations whose lantern is cut or in place
    placed: int
    spares: int  # cut or in place, for no station
    replaced: int  # lanterns first wanted after the opening that are cut or in place
    rating: float | None
    rated: int
    low: int  # stations whose lantern is rated below what the station wants
    runs: int
    scrapped: int
    scrapped_kg: float
    machine_h: float


def venue_figures(db: Session, season_id: int, stations: Sequence[StationRow] | None = None) -> VenueFigures:
    """Return what a venue asks for, of one season.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    stations : sequence of StationRow, optional
        From `station_rows` of the last night, where they are at hand [-].
    """
    season = db.get(tables.Season, season_id)
    if season is None:
        raise NotFound(f"there is no season {season_id}")
    job, run, piece = tables.Job, tables.Run, tables.Workpiece
    rows = station_rows(db, season_id, season.last_night) if stations is None else stations
    spares = sum(ready for _, ready in spare_jobs(db, season_id).values())
    replaced = db.scalar(
        select(func.count(job.id)).where(
            job.season_id == season_id, job.night > season.opening_night, job.state.in_(READY)
        )
    )
    rated = db.execute(
        select(func.avg(tables.LitCheck.rating), func.count(tables.LitCheck.id))
        .join(job, job.id == tables.LitCheck.job_id)
        .where(job.season_id == season_id)
    ).one()
    # in whole seconds; a run without an end counts as one, but no hours yet
    ran_s = extract("epoch", run.ended_at) - extract("epoch", run.started_at)
    runs, machine_s = db.execute(
        select(func.count(run.id), func.sum(ran_s))
        .join(job, job.id == run.job_id)
        .where(job.season_id == season_id)
    ).one()
    waste = db.execute(
        select(func.count(piece.id), func.sum(piece.diameter_mm * piece.diameter_mm * piece.height_mm)).where(
            piece.state == WorkpieceState.SCRAPPED
        )
    ).one()
    return VenueFigures(
        promised=len(rows),
        ready=sum(row.state in READY for row in rows),
        placed=sum(row.state == JobState.PLACED for row in rows),
        spares=spares,
        replaced=replaced or 0,
        rating=float(rated[0]) if rated[0] is not None else None,
        rated=rated[1],
        low=sum(row.rating is not None and row.rating < row.least_rating for row in rows),
        runs=runs,
        scrapped=waste[0],
        scrapped_kg=float(waste[1] or 0.0) * _KG_PER_MM3 * math.pi / 6,
        machine_h=float(machine_s or 0.0) / 3600,
    )
