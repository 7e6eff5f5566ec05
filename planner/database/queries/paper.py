"""What do the printed lists hold: benches, stations, runs, hand-overs?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.queries.parts import label_of, pictures_of
from planner.database.states import JobState


@dataclass(frozen=True, slots=True)
class BenchFacts:
    """What bench and store must know of a job's piece."""

    lot: str
    variety: str
    kind: str
    received_on: date
    diameter_mm: float
    height_mm: float
    ribs: int
    state: str
    lantern: str  # through or relief
    clamp_number: int
    wall_default_mm: float | None


def bench_facts(db: Session, job_ids: Sequence[int]) -> dict[int, BenchFacts]:
    """Return what bench and store must know, by job; jobs without a piece are left out.

    Parameters
    ----------
    db : Session
        An open session [-].
    job_ids : sequence of int
        The jobs [-].
    """
    job, piece, lot = tables.Job, tables.Workpiece, tables.Lot
    rows = db.execute(
        select(job.id, piece, lot, tables.Station.kind)
        .join(piece, piece.id == job.workpiece_id)
        .join(lot, lot.id == piece.lot_id)
        .outerjoin(tables.Station, tables.Station.id == job.station_id)
        .where(job.id.in_(job_ids))
    )
    return {
        job_id: BenchFacts(
            lot=source.name,
            variety=source.variety,
            kind=source.kind,
            received_on=source.received_on,
            diameter_mm=found.diameter_mm,
            height_mm=found.height_mm,
            ribs=found.ribs,
            state=found.state,
            lantern=kind or "",
            clamp_number=found.clamp_number,
            wall_default_mm=found.wall_default_mm,
        )
        for job_id, found, source, kind in rows
    }


@dataclass(frozen=True, slots=True)
class StationRow:
    """A station with the lantern that stands there or will."""

    station_id: int
    name: str
    area: str
    kind: str
    least_rating: int
    job_id: int | None
    state: str
    design: str
    workpiece: str
    night: date | None
    rating: float | None
    ratings: int
    thumbnail: str


def station_rows(db: Session, season_id: int, night: date) -> tuple[StationRow, ...]:
    """Return every station with its newest lantern that is wanted by a night, by area and name.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    night : date
        Lanterns first wanted later are left out [-].
    """
    job, station, check = tables.Job, tables.Station, tables.LitCheck
    newest = (
        select(job.station_id, func.max(job.id).label("job_id"))
        .where(job.season_id == season_id, job.night <= night, job.state != JobState.CANCELLED)
        .group_by(job.station_id)
        .subquery()
    )
    rated = (
        select(check.job_id, func.avg(check.rating).label("rating"), func.count().label("ratings"))
        .group_by(check.job_id)
        .subquery()
    )
    rows = db.execute(
        select(
            station.id,
            station.name,
            station.area,
            station.kind,
            station.least_rating,
            job.id.label("job_id"),
            job.state,
            job.night,
            tables.Design.name.label("design"),
            tables.Workpiece.number,
            rated.c.rating,
            rated.c.ratings,
        )
        .outerjoin(newest, newest.c.station_id == station.id)
        .outerjoin(job, job.id == newest.c.job_id)
        .outerjoin(tables.DesignVersion, tables.DesignVersion.id == job.design_version_id)
        .outerjoin(tables.Design, tables.Design.id == tables.DesignVersion.design_id)
        .outerjoin(tables.Workpiece, tables.Workpiece.id == job.workpiece_id)
        .outerjoin(rated, rated.c.job_id == job.id)
        .where(station.season_id == season_id)
        .order_by(station.id)
    ).all()
    pictures = pictures_of(db, (row.job_id for row in rows if row.job_id))
    return tuple(
        StationRow(
            station_id=station_id,
            name=name,
            area=area,
            kind=kind,
            least_rating=least,
            job_id=job_id,
            state=state or "",
            design=design or "",
            workpiece=number or "",
            night=wanted,
            rating=float(rating) if rating is not None else None,
            ratings=ratings or 0,
            thumbnail=pictures.get(job_id, ""),
        )
        # in the order of the statement: a row's names are looked up one by one, and there are hundreds
        for (
            station_id,
            name,
            area,
            kind,
            least,
            job_id,
            state,
            wanted,
            design,
            number,
            rating,
            ratings,
        ) in rows
    )


@dataclass(frozen=True, slots=True)
class RunRow:
    """A run as it was reported, with names."""

    run_id: int
    job_id: int
    label: str
    machine: str
    workpiece: str
    design: str
    started_at: datetime
    ended_at: datetime | None
    outcome: str
    scrap_reason: str
    by: str
    planned_s: float | None


def runs_between(db: Session, from_at: datetime, until_at: datetime) -> tuple[RunRow, ...]:
    """Return the runs that were going on between two instants, by time [-]."""
    run, job = tables.Run, tables.Job
    rows = db.execute(
        select(
            run,
            tables.Machine.name.label("machine"),
            tables.Workpiece.number,
            tables.Station.name.label("station"),
            tables.Design.name.label("design"),
            tables.Preparation.run_s,
        )
        .join(job, job.id == run.job_id)
        .join(tables.Machine, tables.Machine.id == run.machine_id)
        .join(tables.Workpiece, tables.Workpiece.id == run.workpiece_id)
        .outerjoin(tables.Station, tables.Station.id == job.station_id)
        .outerjoin(tables.DesignVersion, tables.DesignVersion.id == job.design_version_id)
        .outerjoin(tables.Design, tables.Design.id == tables.DesignVersion.design_id)
        .outerjoin(tables.Preparation, tables.Preparation.id == run.preparation_id)
        .where(run.started_at < until_at, or_(run.ended_at.is_(None), run.ended_at >= from_at))
        .order_by(run.started_at, run.id)
        .limit(2000)
    )
    return tuple(
        RunRow(
            run_id=row.Run.id,
            job_id=row.Run.job_id,
            label=label_of(row.Run.job_id, row.station),
            machine=row.machine,
            workpiece=row.number,
            design=row.design or "",
            started_at=row.Run.started_at,
            ended_at=row.Run.ended_at,
            outcome=row.Run.outcome or "",
            scrap_reason=row.Run.scrap_reason or "",
            by=row.Run.recorded_by,
            planned_s=row.run_s,
        )
        for row in rows
    )


@dataclass(frozen=True, slots=True)
class HandOverLine:
    """A hand-over note as it was signed."""

    id: int
    facts: tuple[str, ...]
    words: str
    recorded_at: datetime
    recorded_by: str
    taken_by: str
    taken_at: datetime | None


def hand_overs(db: Session, season_id: int, *, limit: int = 10) -> tuple[HandOverLine, ...]:
    """Return the newest hand-over notes; `limit` [-]."""
    note = tables.HandOver
    rows = db.scalars(select(note).where(note.season_id == season_id).order_by(note.id.desc()).limit(limit))
    return tuple(
        HandOverLine(
            row.id,
            tuple(row.facts),
            row.words,
            row.recorded_at,
            row.recorded_by,
            row.taken_by or "",
            row.taken_at,
        )
        for row in rows
    )
