"""Which lantern is wanted, out of which piece, with which design, placed how? One job, one lantern."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import JobState, WorkpieceState
from planner.errors import Conflict, Refused
from planner.services.common import amount_of, found, refuse_stale

_OPEN = (JobState.WANTED, JobState.CHOSEN, JobState.PREPARED)  # may still be changed


def create_job(
    db: Session,
    season_id: int,
    night: date,
    *,
    by: str,
    at: datetime,
    station_id: int | None = None,
    design_version_id: int | None = None,
    workpiece_id: int | None = None,
    longitude_deg: float = 0.0,
    latitude_deg: float = 0.0,
    turn_deg: float = 0.0,
    mirror: bool = False,
    width_mm: float | None = None,
    cutter_types: Sequence[str] = (),
    priority: int = 1,
) -> tables.Job:
    """Ask for a lantern for a night.

    Parameters
    ----------
    db : Session
        An open session; it is flushed, not committed [-].
    season_id : int
        The season [-].
    night : date
        The first night it must be lit [-].
    by : str
        Who asks for it [-].
    at : datetime
        When, with a time zone [-].
    station_id : int, optional
        The station; without one it is a spare [-].
    design_version_id, workpiece_id : int, optional
        Where they are known already [-].
    longitude_deg, latitude_deg : float
        Where the middle of the design lies [deg].
    turn_deg : float
        Counter-clockwise seen from outside [deg].
    mirror : bool
        Turned over, to be read from inside [-].
    width_mm : float, optional
        Width on the skin; the design's own when left out [mm].
    cutter_types : sequence of str
        In the order of use [-].
    priority : int
        1 or more; a higher one goes first [-].
    """
    season = found(db, tables.Season, season_id)
    if not season.opening_night <= night <= season.last_night:
        raise Refused(f"night is {night}, expected {season.opening_night} to {season.last_night}")
    if station_id is not None and found(db, tables.Station, station_id).season_id != season_id:
        raise Refused(f"station {station_id} is not of season {season.name!r}")
    amount_of(priority, "priority", 1, 1000, "")
    job = tables.Job(
        season_id=season_id,
        station_id=station_id,
        night=night,
        priority=priority,
        **_placement(longitude_deg, latitude_deg, turn_deg, mirror, width_mm),
        cutter_types=_known_types(db, cutter_types),
        recorded_by=by,
        recorded_at=at,
    )
    if design_version_id is not None:
        job.design_version = found(db, tables.DesignVersion, design_version_id)
    if workpiece_id is not None:
        job.workpiece = _free_workpiece(db, workpiece_id, None)
    job.state = _state_of(job)
    db.add(job)
    db.flush()
    return job


def choose_workpiece(
    db: Session, job_id: int, workpiece_id: int | None, *, revision: int | None = None
) -> tables.Job:
    """Give a job its piece, another one, or none; what was prepared for another piece no longer counts.

    Parameters
    ----------
    db : Session
        An open session [-].
    job_id : int
        The job; not being cut yet [-].
    workpiece_id : int or None
        A whole or hollow piece that no other job holds [-].
    revision : int, optional
        What the page showed; another one is refused [-].
    """
    with _changing(db, job_id, revision) as job:
        job.workpiece = None if workpiece_id is None else _free_workpiece(db, workpiece_id, job.id)
    return job


def choose_design(
    db: Session, job_id: int, design_version_id: int | None, *, revision: int | None = None
) -> tables.Job:
    """Give a job its design, another one, or none.

    Parameters
    ----------
    db : Session
        An open session [-].
    job_id : int
        The job; not being cut yet [-].
    design_version_id : int or None
        A version of a design [-].
    revision : int, optional
        What the page showed; another one is refused [-].
    """
    version = None if design_version_id is None else found(db, tables.DesignVersion, design_version_id)
    with _changing(db, job_id, revision) as job:
        job.design_version = version
    return job


def place_design(
    db: Session,
    job_id: int,
    longitude_deg: float,
    latitude_deg: float,
    turn_deg: float,
    mirror: bool,
    width_mm: float | None,
    *,
    revision: int | None = None,
) -> tables.Job:
    """Put the design on the piece.

    Parameters
    ----------
    db : Session
        An open session [-].
    job_id : int
        The job; not being cut yet [-].
    longitude_deg, latitude_deg : float
        Where the middle of the design lies [deg].
    turn_deg : float
        Counter-clockwise seen from outside [deg].
    mirror : bool
        Turned over, to be read from inside [-].
    width_mm : float or None
        Width on the skin; None = the design's own [mm].
    revision : int, optional
        What the page showed; another one is refused [-].
    """
    placement = _placement(longitude_deg, latitude_deg, turn_deg, mirror, width_mm)
    with _changing(db, job_id, revision) as job:
        for name, value in placement.items():
            setattr(job, name, value)
    return job


def choose_cutters(
    db: Session, job_id: int, cutter_types: Sequence[str], *, revision: int | None = None
) -> tables.Job:
    """Say which types of cutter a job uses.

    Parameters
    ----------
    db : Session
        An open session [-].
    job_id : int
        The job; not being cut yet [-].
    cutter_types : sequence of str
        In the order of use; of each the stock has one at least [-].
    revision : int, optional
        What the page showed; another one is refused [-].
    """
    known = _known_types(db, cutter_types)
    with _changing(db, job_id, revision) as job:
        job.cutter_types = known
    return job


def set_priority(db: Session, job_id: int, priority: int, *, revision: int | None = None) -> tables.Job:
    """Say how much a job matters.

    Parameters
    ----------
    db : Session
        An open session [-].
    job_id : int
        The job; not being cut yet [-].
    priority : int
        1 or more; a higher one goes first [-].
    revision : int, optional
        What the page showed; another one is refused [-].
    """
    job = _changeable(db, job_id, revision)
    amount_of(priority, "priority", 1, 1000, "")
    job.priority = priority
    db.flush()
    return job


def cancel_job(db: Session, job_id: int, *, revision: int | None = None) -> tables.Job:
    """Give a job up before it is cut; its piece is free again.

    Parameters
    ----------
    db : Session
        An open session [-].
    job_id : int
        The job [-].
    revision : int, optional
        What the page showed; another one is refused [-].
    """
    with _changing(db, job_id, revision) as job:
        job.workpiece = None
    job.state = JobState.CANCELLED
    db.flush()
    return job


def _changeable(db: Session, job_id: int, revision: int | None) -> tables.Job:
    job = found(db, tables.Job, job_id)
    refuse_stale(job, revision)
    if job.state not in _OPEN:
        raise Conflict(f"job {job.id} is {job.state}; it can no longer be changed")
    return job


@contextmanager
def _changing(db: Session, job_id: int, revision: int | None) -> Iterator[tables.Job]:
    """Give a job to be changed; where it did change, drop the run times of what it was before.

    Its packages stay: they bear the digest of their inputs.
    """
    job = _changeable(db, job_id, revision)
    before = _inputs(job)
    yield job
    db.flush()
    if _inputs(job) != before:
        job.state = _state_of(job)
        db.execute(delete(tables.RunTime).where(tables.RunTime.job_id == job.id))
        db.flush()
        db.expire(job, ["run_times"])


def _inputs(job: tables.Job) -> tuple[object, ...]:
    """Return what a job's programs depend on, as far as it stands in the job."""
    place = (job.longitude_deg, job.latitude_deg, job.turn_deg, job.mirror, job.width_mm)
    return (job.workpiece_id, job.design_version_id, place, tuple(job.cutter_types))


def _state_of(job: tables.Job) -> JobState:
    return JobState.CHOSEN if job.workpiece and job.design_version else JobState.WANTED


def _free_workpiece(db: Session, workpiece_id: int, job_id: int | None) -> tables.Workpiece:
    """Return a piece that can be cut and that no other job holds."""
    workpiece = found(db, tables.Workpiece, workpiece_id)
    if workpiece.state not in (WorkpieceState.WHOLE, WorkpieceState.HOLLOW):
        raise Conflict(f"workpiece {workpiece.number} is {workpiece.state}; expected a whole or hollow one")
    held = select(tables.Job.id).where(
        tables.Job.workpiece_id == workpiece_id,
        tables.Job.id != (job_id or 0),
        tables.Job.state != JobState.CANCELLED,
    )
    holder = db.scalar(held)
    if holder is not None:
        raise Conflict(f"workpiece {workpiece.number} is held by job {holder}")
    return workpiece


def _known_types(db: Session, cutter_types: Sequence[str]) -> list[str]:
    known = set(db.scalars(select(tables.Cutter.type_name).where(tables.Cutter.type_name.in_(cutter_types))))
    for type_name in cutter_types:
        if type_name not in known:
            raise Refused(f"no cutter of type {type_name!r} is in stock")
    return list(cutter_types)


def _placement(
    longitude_deg: float, latitude_deg: float, turn_deg: float, mirror: bool, width_mm: float | None
) -> dict[str, float | bool | None]:
    return {
        "longitude_deg": amount_of(longitude_deg, "longitude", -360, 360, "deg"),
        "latitude_deg": amount_of(latitude_deg, "latitude", -90, 90, "deg"),
        "turn_deg": amount_of(turn_deg, "turn", -360, 360, "deg"),
        "mirror": mirror,
        "width_mm": None if width_mm is None else amount_of(width_mm, "width", 1, 5000, "mm"),
    }
