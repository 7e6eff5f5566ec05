"""Which lanterns does a night still want? One for each station without, one for each that is dying."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import JobState
from planner.errors import Refused
from planner.services import jobs
from planner.services.changes import note
from planner.services.common import found
from planner.services.quality import replacements


@dataclass(frozen=True, slots=True)
class Want:
    """A lantern that is asked for by nobody yet: where, why, and after which earlier one."""

    station_id: int
    station: str
    why: str
    like_job_id: int | None
    design: str


def still_wanted(db: Session, season_id: int, night: date) -> tuple[Want, ...]:
    """Return the lanterns that a night wants and that no job is for.

    A station without any lantern wants one. So does one whose lantern the walk of the night before wants
    replaced, where no later lantern was asked for since.

    Parameters
    ----------
    db : Session
        An open session; it is only read [-].
    season_id : int
        The season [-].
    night : date
        One of its nights.
    """
    season = found(db, tables.Season, season_id)
    if not season.opening_night <= night <= season.last_night:
        raise Refused(f"night is {night}, expected {season.opening_night} to {season.last_night}")
    job = tables.Job
    newest: dict[int, int] = {}
    for job_id, station_id in db.execute(
        select(job.id, job.station_id)
        .where(job.season_id == season_id, job.station_id.is_not(None), job.state != JobState.CANCELLED)
        .order_by(job.id)
    ):
        newest[station_id or 0] = job_id
    dying = {one.job_id: one for one in replacements(db, season_id, night - timedelta(days=1))}
    designs = _first_designs(db, season_id)
    out = []
    for station in db.scalars(
        select(tables.Station).where(tables.Station.season_id == season_id).order_by(tables.Station.id)
    ):
        last = newest.get(station.id)
        if last is None:
            out.append(Want(station.id, station.name, "no lantern yet", None, designs.get(station.id, "")))
        elif last in dying:
            said = dying[last]
            why = f"the walk said {said.verdict}" + (f": {said.why}" if said.why else "")
            out.append(Want(station.id, station.name, why, last, designs.get(station.id, "")))
    return tuple(out)


def _first_designs(db: Session, season_id: int) -> dict[int, str]:
    rows = db.execute(
        select(tables.StationDesign.station_id, tables.Design.name)
        .join(tables.Design, tables.Design.id == tables.StationDesign.design_id)
        .join(tables.Station, tables.Station.id == tables.StationDesign.station_id)
        .where(tables.Station.season_id == season_id)
        .order_by(tables.StationDesign.rank.desc())
    )
    return {station: name for station, name in rows}


def ask_for(
    db: Session,
    season_id: int,
    night: date,
    *,
    by: str,
    at: datetime,
    station_ids: frozenset[int] | None = None,
) -> tuple[tables.Job, ...]:
    """Ask for the lanterns that a night still wants.

    Each is like the one before it at its station; the first of a station shows the first of its designs.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    season_id : int
        The season [-].
    night : date
        One of its nights.
    by : str
        Who asks [-].
    at : datetime
        When [-].
    station_ids : frozenset of int, optional
        For these stations only [-].
    """
    wants = [
        w for w in still_wanted(db, season_id, night) if station_ids is None or w.station_id in station_ids
    ]
    if not wants:
        raise Refused(f"the night of {night} wants no lantern that is not asked for already")
    before = {
        row.id: row
        for row in db.scalars(
            select(tables.Job).where(tables.Job.id.in_([w.like_job_id for w in wants if w.like_job_id]))
        )
    }
    versions = _newest_versions(db)
    out = []
    for want in wants:
        like = before.get(want.like_job_id or 0)
        out.append(
            jobs.create_job(
                db, season_id, night, station_id=want.station_id, by=by, at=at,
                design_version_id=like.design_version_id if like else versions.get(want.design),
                latitude_deg=like.latitude_deg if like else 0.0,
                width_mm=like.width_mm if like else None,
                cutter_types=like.cutter_types if like else (),
                priority=like.priority if like else 1,
            )
        )  # fmt: skip
    note(
        db, "wanted", f"{len(out)} lanterns asked for, for the night of {night}", by=by, at=at,
        undo={"jobs": [job.id for job in out]},
    )  # fmt: skip
    return tuple(out)


def _newest_versions(db: Session) -> dict[str, int]:
    rows = db.execute(
        select(tables.Design.name, tables.DesignVersion.id)
        .join(tables.DesignVersion, tables.DesignVersion.design_id == tables.Design.id)
        .order_by(tables.DesignVersion.version)
    )
    return {name: version for name, version in rows}  # the last one stays
