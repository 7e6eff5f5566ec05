"""What comes next on a machine, what runs there, and what was rated?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.queries.parts import label_of, pictures_of, published_id, with_names
from planner.database.states import JobState, PlanState
from planner.errors import NotFound

_OPEN = (JobState.WANTED, JobState.CHOSEN, JobState.PREPARED, JobState.CUTTING)


@dataclass(frozen=True, slots=True)
class FloorRow:
    """A job on a machine's list."""

    job_id: int
    label: str
    design: str
    workpiece: str
    store_place: str
    state: str
    night: date
    start_at: datetime
    end_at: datetime
    thumbnail: str
    machine_id: int
    machine: str
    cutters: tuple[str, ...]
    due_at: datetime

    @property
    def late_min(self) -> float:
        """How long after its due time it ends; 0 when in time [min]."""
        return max(0.0, (self.end_at - self.due_at).total_seconds() / 60)


@dataclass(frozen=True, slots=True)
class OpenRun:
    """A run that was reported started and not ended."""

    run_id: int
    job_id: int
    machine_id: int
    started_at: datetime
    by: str
    planned_s: float | None
    paused_at: datetime | None
    pause_reason: str
    paused_min: float  # of the pauses that are over


def planned_rows(
    db: Session,
    season_id: int,
    *,
    machine_id: int | None = None,
    from_at: datetime | None = None,
    until_at: datetime | None = None,
    starts_from_at: datetime | None = None,
    ends_after_at: datetime | None = None,
    night: date | None = None,
    open_only: bool = False,
    limit: int = 500,
    offset: int = 0,
) -> tuple[FloorRow, ...]:
    """Return rows of the published plan by time, on one machine or on all.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    machine_id : int, optional
        Only on this machine [-].
    from_at, until_at : datetime, optional
        Only what ends after the first and starts before the second [-].
    starts_from_at, ends_after_at : datetime, optional
        Only what starts then or later, and what ends later [-].
    night : date, optional
        Only lanterns of stations that are first wanted on this night [-].
    open_only : bool
        Only jobs that are not cut yet [-].
    limit, offset : int
        At most so many, after so many [-].
    """
    season = db.get(tables.Season, season_id)
    if season is None:
        raise NotFound(f"there is no season {season_id}")
    row, job = tables.PlanRow, tables.Job
    statement = (
        _rows_of_plan()
        .where(row.plan_id == (published_id(db, season_id) or 0))
        .order_by(row.start_at, row.machine_id)
        .limit(limit)
        .offset(offset)
    )
    if machine_id is not None:
        statement = statement.where(row.machine_id == machine_id)
    if from_at is not None:
        statement = statement.where(row.end_at > from_at)
    if until_at is not None:
        statement = statement.where(row.start_at < until_at)
    if starts_from_at is not None:
        statement = statement.where(row.start_at >= starts_from_at)
    if ends_after_at is not None:
        statement = statement.where(row.end_at > ends_after_at)
    if night is not None:
        statement = statement.where(job.night == night, job.station_id.is_not(None))
    if open_only:
        statement = statement.where(job.state.in_(_OPEN))
    return _floor_rows(db, season, db.execute(statement).all())


def next_rows(db: Session, season_id: int) -> dict[int, FloorRow]:
    """Return the first row of the plan in force on each machine whose job is not cut yet, by machine.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    """
    season = db.get(tables.Season, season_id)
    if season is None:
        raise NotFound(f"there is no season {season_id}")
    row, job, machine = tables.PlanRow, tables.Job, tables.Machine
    first = (
        select(row.id)
        .join(job, job.id == row.job_id)
        .where(
            row.plan_id == (published_id(db, season_id) or 0),
            row.machine_id == machine.id,
            job.state.in_(_OPEN),
        )
        .order_by(row.start_at)
        .limit(1)
        .correlate(machine)
        .scalar_subquery()
    )
    ids = [one for one in db.scalars(select(first).select_from(machine)) if one is not None]
    rows = db.execute(_rows_of_plan().where(row.id.in_(ids))).all()
    return {found.machine_id: found for found in _floor_rows(db, season, rows)}


def _rows_of_plan() -> Select[*tuple[Any, ...]]:
    """Return the statement of rows of plans with the names that a list needs."""
    row, job = tables.PlanRow, tables.Job
    return (
        select(
            row.start_at,
            row.end_at,
            row.cutters,
            row.machine_id,
            tables.Machine.name.label("machine"),
            job.id,
            job.night,
            job.state,
            tables.Station.name.label("station"),
            tables.Design.name.label("design"),
            tables.Workpiece.number,
            tables.Workpiece.store_place,
        )
        .join(job, job.id == row.job_id)
        .join(tables.Machine, tables.Machine.id == row.machine_id)
        .outerjoin(tables.Station, tables.Station.id == job.station_id)
        .outerjoin(tables.DesignVersion, tables.DesignVersion.id == job.design_version_id)
        .outerjoin(tables.Design, tables.Design.id == tables.DesignVersion.design_id)
        .outerjoin(tables.Workpiece, tables.Workpiece.id == job.workpiece_id)
    )


def _floor_rows(db: Session, season: tables.Season, rows: Sequence[Any]) -> tuple[FloorRow, ...]:
    pictures = pictures_of(db, (row.id for row in rows))
    due = {night: season.due_at(night).astimezone(UTC) for night in {row.night for row in rows}}
    return tuple(
        FloorRow(
            job_id=found.id,
            label=label_of(found.id, found.station),
            design=found.design or "",
            workpiece=found.number or "",
            store_place=found.store_place or "",
            state=found.state,
            night=found.night,
            start_at=found.start_at,
            end_at=found.end_at,
            thumbnail=pictures.get(found.id, ""),
            machine_id=found.machine_id,
            machine=found.machine,
            cutters=tuple(found.cutters),
            due_at=due[found.night],
        )
        for found in rows
    )


def open_runs(db: Session) -> dict[int, OpenRun]:
    """Return the run that each machine is reported to be in, by machine."""
    run, paused = tables.Run, tables.Pause
    rows = db.execute(
        select(run, tables.Preparation.run_s)
        .outerjoin(tables.Preparation, tables.Preparation.id == run.preparation_id)
        .where(run.ended_at.is_(None))
    ).all()
    pauses = db.scalars(
        select(paused).join(run, run.id == paused.run_id).where(run.ended_at.is_(None)).order_by(paused.id)
    ).all()
    out = {}
    for row, run_s in rows:
        mine = [one for one in pauses if one.run_id == row.id]
        still = next((one for one in mine if one.end_at is None), None)
        out[row.machine_id] = OpenRun(
            run_id=row.id,
            job_id=row.job_id,
            machine_id=row.machine_id,
            started_at=row.started_at,
            by=row.recorded_by,
            planned_s=run_s,
            paused_at=still.start_at if still else None,
            pause_reason=still.reason if still else "",
            paused_min=sum((one.end_at - one.start_at).total_seconds() / 60 for one in mine if one.end_at),
        )
    return out


def machine_of_piece(db: Session, number: str) -> tuple[int, int] | None:
    """Return job and machine on which the published plan has the piece with a tag; None where it has not."""
    row, plan, job = tables.PlanRow, tables.Plan, tables.Job
    found = db.execute(
        select(job.id, row.machine_id)
        .join(row, row.job_id == job.id)
        .join(plan, plan.id == row.plan_id)
        .join(tables.Workpiece, tables.Workpiece.id == job.workpiece_id)
        .where(plan.state == PlanState.PUBLISHED, tables.Workpiece.number == number)
        .order_by(row.start_at)
        .limit(1)
    ).first()
    return (found[0], found[1]) if found else None


@dataclass(frozen=True, slots=True)
class RatingLine:
    """What somebody thought of a lit lantern."""

    rating: int
    faults: tuple[str, ...]
    words: str
    by: str
    at: datetime
    check_id: int
    photo: str = ""  # name of its picture's file
    exposure: str = ""


def ratings(db: Session, job_id: int) -> tuple[RatingLine, ...]:
    """Return the ratings of a job, in the order in which they were given."""
    check = tables.LitCheck
    rows = db.scalars(select(check).where(check.job_id == job_id).order_by(check.id))
    return tuple(
        RatingLine(
            row.rating,
            tuple(row.faults),
            row.note,
            row.recorded_by,
            row.recorded_at,
            row.id,
            row.photo,
            row.exposure,
        )
        for row in rows
    )


@dataclass(frozen=True, slots=True)
class CutLantern:
    """A lantern that is cut and not yet out, with its ratings in the order in which they were given."""

    job_id: int
    label: str
    design: str
    workpiece: str
    store_place: str
    least_rating: int | None
    ratings: tuple[int, ...]
    raters: tuple[str, ...]


def cut_lanterns(db: Session, season_id: int, *, limit: int = 500) -> tuple[CutLantern, ...]:
    """Return the lanterns that are cut and not yet in their place, the longest cut first.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    limit : int
        At most so many [-].
    """
    job, check, station, piece = tables.Job, tables.LitCheck, tables.Station, tables.Workpiece
    cut = (job.season_id == season_id) & (job.state == JobState.CUT)
    given: dict[int, list[tuple[int, str]]] = {}
    for job_id, rating, by in db.execute(
        select(check.job_id, check.rating, check.recorded_by)
        .join(job, job.id == check.job_id)
        .where(cut)
        .order_by(check.id)
    ):
        given.setdefault(job_id, []).append((rating, by))
    rows = db.execute(
        with_names(
            select(job.id, station.name, tables.Design.name, piece.number, piece.store_place,
                   station.least_rating)
        )
        .where(cut)
        .order_by(job.night, job.id)
        .limit(limit)
    )  # fmt: skip
    return tuple(
        CutLantern(
            job_id=row[0],
            label=label_of(row[0], row[1]),
            design=row[2] or "",
            workpiece=row[3] or "",
            store_place=row[4] or "",
            least_rating=row[5],
            ratings=tuple(rating for rating, _ in given.get(row[0], ())),
            raters=tuple(by for _, by in given.get(row[0], ())),
        )
        for row in rows
    )


def clamp_number(db: Session, workpiece_id: int) -> int:
    """Return how often a piece was clamped."""
    return db.scalar(select(tables.Workpiece.clamp_number).where(tables.Workpiece.id == workpiece_id)) or 0
