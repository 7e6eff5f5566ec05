"""Which jobs hold these words, and where has the plan in force put them?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import ColumnElement, String, cast, func, or_, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.lines import JobLine
from planner.database.queries.parts import label_of, pictures_of, published_id, with_names
from planner.database.states import JobState
from planner.errors import NotFound


@dataclass(frozen=True, slots=True)
class FoundJobs:
    """One page of the jobs that a search found, and how many it found."""

    total: int
    lines: tuple[JobLine, ...]


def found_jobs(
    db: Session,
    season_id: int,
    *,
    words: str = "",
    state: str | None = None,
    limit: int = 50,
    offset: int = 0,
) -> FoundJobs:
    """Return the jobs in which every word stands: in station, area, design, piece, state or number.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    words : str
        What to look for, any case; empty finds all [-].
    state : str, optional
        Only those of a `JobState` [-].
    limit, offset : int
        How many, after how many [-].
    """
    season = db.get(tables.Season, season_id)
    if season is None:
        raise NotFound(f"there is no season {season_id}")
    job = tables.Job
    wanted = [job.season_id == season_id, *(_stands_in(word) for word in words.split())]
    if state is not None:
        wanted.append(job.state == state)
    total = db.scalar(select(func.count(job.id)).where(*wanted)) or 0
    ids = db.scalars(
        select(job.id)
        .where(*wanted)
        .order_by(job.night, job.priority.desc(), job.id)
        .limit(limit)
        .offset(offset)
    ).all()
    rows = db.execute(
        with_names(
            select(
                job.id,
                job.night,
                job.priority,
                job.state,
                tables.Station.name.label("station"),
                tables.Station.area,
                tables.Design.name.label("design"),
                tables.Workpiece.number.label("workpiece"),
            )
        )
        .where(job.id.in_(ids))
        .order_by(job.night, job.priority.desc(), job.id)
    ).all()
    return FoundJobs(total, _job_lines(season, rows, pictures_of(db, ids), _planned(db, season_id, ids)))


def _job_lines(
    season: tables.Season,
    rows: Sequence[Any],
    pictures: dict[int, str],
    planned: dict[int, tuple[str, datetime, datetime]],
) -> tuple[JobLine, ...]:
    nowhere = ("", None, None)
    return tuple(
        JobLine(
            job_id=row.id,
            label=label_of(row.id, row.station),
            area=row.area or "",
            night=row.night,
            due_at=season.due_at(row.night).astimezone(UTC),
            design=row.design or "",
            workpiece=row.workpiece or "",
            priority=row.priority,
            state=row.state,
            thumbnail=pictures.get(row.id, ""),
            machine=planned.get(row.id, nowhere)[0],
            start_at=planned.get(row.id, nowhere)[1],
            end_at=planned.get(row.id, nowhere)[2],
        )
        for row in rows
    )


def _stands_in(word: str) -> ColumnElement[bool]:
    """Return whether a word stands in a job's names; names are looked through once, not once a job."""
    job, station, design, version = tables.Job, tables.Station, tables.Design, tables.DesignVersion

    # autoescape: a % or _ that somebody types means itself
    def holds(place: Any) -> ColumnElement[bool]:
        found: ColumnElement[bool] = place.icontains(word, autoescape=True)
        return found

    states = [str(state) for state in JobState if word.lower() in state]
    designs = select(version.id).join(design, design.id == version.design_id).where(holds(design.name))
    return or_(
        job.station_id.in_(select(station.id).where(or_(holds(station.name), holds(station.area)))),
        job.design_version_id.in_(designs),
        job.workpiece_id.in_(select(tables.Workpiece.id).where(holds(tables.Workpiece.number))),
        job.state.in_(states),
        holds(cast(job.id, String)),
    )


def _planned(
    db: Session, season_id: int, job_ids: Sequence[int]
) -> dict[int, tuple[str, datetime, datetime]]:
    """Return where the plan in force ends some jobs, and from when to when it has them."""
    row = tables.PlanRow
    steps = db.execute(
        select(row.job_id, tables.Machine.name, row.start_at, row.end_at)
        .join(tables.Machine, tables.Machine.id == row.machine_id)
        .where(row.plan_id == (published_id(db, season_id) or 0), row.job_id.in_(job_ids))
        .order_by(row.job_id, row.step)
    )
    out: dict[int, tuple[str, datetime, datetime]] = {}
    for job_id, machine, start_at, end_at in steps:
        first = out[job_id][1] if job_id in out else start_at
        out[job_id] = (machine, first, end_at)
    return out
