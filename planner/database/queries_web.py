"""What else do the pages ask? A search among the jobs, and how the plan in force was found."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, String, Subquery, case, cast, func, or_, select
from sqlalchemy.orm import Session, aliased

from planner.database import tables
from planner.database.lines import ChartRow, JobLine, Lane, SeasonChart, Span
from planner.database.queries.parts import READY, label_of, thumbnail
from planner.database.states import JobState, PlanState, PreparationState, WorkpieceState, WorkState
from planner.errors import NotFound


@dataclass(frozen=True, slots=True)
class FoundJobs:
    """One page of the jobs that a search found, and how many it found."""

    total: int
    lines: tuple[JobLine, ...]


@dataclass(frozen=True, slots=True)
class PlanFacts:
    """How a plan was found, and what it leaves undone."""

    plan_id: int
    state: str
    start_at: datetime
    frozen_until_at: datetime | None
    planned_at: datetime
    planned_by: str
    published_at: datetime | None
    published_by: str
    seed: int
    seconds: float
    versions: dict[str, Any]
    tiers: dict[str, Any]
    undone: tuple[dict[str, Any], ...]


def plan_facts(db: Session, season_id: int) -> PlanFacts | None:
    """Return how the published plan, else the newest draft, was found; None where there is no plan.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    """
    plan = tables.Plan
    shown = plan.state.in_((PlanState.PUBLISHED, PlanState.DRAFT))
    published_first = case((plan.state == PlanState.PUBLISHED, 0), else_=1)
    row = db.execute(
        select(plan, plan.problem["frozen_until_min"].as_integer())
        .where(plan.season_id == season_id, shown)
        .order_by(published_first, plan.id.desc())
        .limit(1)
    ).first()
    if row is None:
        return None
    found, frozen_min = row
    return PlanFacts(
        plan_id=found.id,
        state=found.state,
        start_at=found.start_at,
        frozen_until_at=found.start_at + timedelta(minutes=frozen_min) if frozen_min else None,
        planned_at=found.recorded_at,
        planned_by=found.recorded_by,
        published_at=found.published_at,
        published_by=found.published_by or "",
        seed=found.seed,
        seconds=found.seconds,
        versions=found.versions,
        tiers=found.tiers,
        undone=tuple(found.undone),
    )


def spare_jobs(db: Session, season_id: int) -> dict[date, tuple[int, int]]:
    """Return of each night how many lanterns are for no station, and how many of these are cut.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    """
    job = tables.Job
    rows = db.execute(
        select(job.night, func.count(job.id), func.sum(case((job.state.in_(READY), 1), else_=0)))
        .where(job.season_id == season_id, job.station_id.is_(None), job.state != JobState.CANCELLED)
        .group_by(job.night)
    )
    return {night: (count, ready) for night, count, ready in rows}


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
    counted, chosen = select(func.count(job.id)), select(job.id)
    if words.strip():
        counted, chosen = _with_names(counted), _with_names(chosen)
    total = db.scalar(counted.where(*wanted)) or 0
    ids = db.scalars(
        chosen.where(*wanted).order_by(job.night, job.priority.desc(), job.id).limit(limit).offset(offset)
    ).all()
    rows = db.execute(
        _with_names(
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


def pictures_of(db: Session, job_ids: Iterable[int]) -> dict[int, str]:
    """Return the path of each job's lit picture, for some jobs; one statement a thousand of them.

    Parameters
    ----------
    db : Session
        An open session [-].
    job_ids : iterable of int
        The jobs [-].
    """
    run_time = tables.RunTime
    found: dict[int, str] = {}
    ids = list(dict.fromkeys(job_ids))
    for start in range(0, max(1, len(ids)), 1000):  # one at least: as many statements for few as for many
        newest = (
            select(run_time.job_id, func.max(run_time.preparation_id).label("preparation_id"))
            .where(run_time.job_id.in_(ids[start : start + 1000]))
            .group_by(run_time.job_id)
            .subquery()
        )
        rows = db.execute(
            select(newest.c.job_id, tables.Preparation.folder).join(
                tables.Preparation, tables.Preparation.id == newest.c.preparation_id
            )
        )
        found |= {job_id: thumbnail(folder) for job_id, folder in rows}
    return found


def _published_id(db: Session, season_id: int) -> int | None:
    """Return the number of the plan in force."""
    plan = tables.Plan
    return db.scalar(select(plan.id).where(plan.season_id == season_id, plan.state == PlanState.PUBLISHED))


def _with_names(statement: Any) -> Any:
    """Join what a job is called by: station, design and piece."""
    job = tables.Job
    return (
        statement.select_from(job)
        .outerjoin(tables.Station, tables.Station.id == job.station_id)
        .outerjoin(tables.DesignVersion, tables.DesignVersion.id == job.design_version_id)
        .outerjoin(tables.Design, tables.Design.id == tables.DesignVersion.design_id)
        .outerjoin(tables.Workpiece, tables.Workpiece.id == job.workpiece_id)
    )


def _stands_in(word: str) -> ColumnElement[bool]:
    job = tables.Job
    places = (
        tables.Station.name,
        tables.Station.area,
        tables.Design.name,
        tables.Workpiece.number,
        job.state,
        cast(job.id, String),
    )
    # autoescape: a % or _ that somebody types means itself
    return or_(*(place.icontains(word, autoescape=True) for place in places))


def _planned(
    db: Session, season_id: int, job_ids: Sequence[int]
) -> dict[int, tuple[str, datetime, datetime]]:
    """Return where the plan in force ends some jobs, and from when to when it has them."""
    row = tables.PlanRow
    steps = db.execute(
        select(row.job_id, tables.Machine.name, row.start_at, row.end_at)
        .join(tables.Machine, tables.Machine.id == row.machine_id)
        .where(row.plan_id == (_published_id(db, season_id) or 0), row.job_id.in_(job_ids))
        .order_by(row.job_id, row.step)
    )
    out: dict[int, tuple[str, datetime, datetime]] = {}
    for job_id, machine, start_at, end_at in steps:
        first = out[job_id][1] if job_id in out else start_at
        out[job_id] = (machine, first, end_at)
    return out


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


# --- people, tokens, changes ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PersonLine:
    """Somebody who may sign in."""

    person_id: int
    name: str
    role: str
    active: bool
    since_at: datetime
    invited_by: str


@dataclass(frozen=True, slots=True)
class TokenLine:
    """A controller's token; what it is stays with the controller."""

    token_id: int
    name: str
    machine: str
    made_at: datetime
    made_by: str
    voided_at: datetime | None


@dataclass(frozen=True, slots=True)
class ChangeLine:
    """Who changed what, and whether it can be taken back."""

    change_id: int
    words: str
    at: datetime
    by: str
    can_undo: bool
    undone_at: datetime | None
    undone_by: str


def people(db: Session) -> tuple[PersonLine, ...]:
    """Return everybody by name."""
    rows = db.scalars(select(tables.Person).order_by(tables.Person.name))
    return tuple(
        PersonLine(row.id, row.name, row.role, row.active, row.recorded_at, row.recorded_by) for row in rows
    )


def machine_tokens(db: Session) -> tuple[TokenLine, ...]:
    """Return the tokens of machines, the newest first."""
    token = tables.MachineToken
    rows = db.execute(
        select(token, tables.Machine.name)
        .join(tables.Machine, tables.Machine.id == token.machine_id)
        .order_by(token.id.desc())
    )
    return tuple(
        TokenLine(row.id, row.name, machine, row.recorded_at, row.recorded_by, row.voided_at)
        for row, machine in rows
    )


def changes(db: Session, *, limit: int = 20, offset: int = 0) -> tuple[ChangeLine, ...]:
    """Return what was changed, the newest first; `limit` and `offset` [-]."""
    rows = db.scalars(select(tables.Change).order_by(tables.Change.id.desc()).limit(limit).offset(offset))
    return tuple(
        ChangeLine(
            change_id=row.id,
            words=row.words,
            at=row.recorded_at,
            by=row.recorded_by,
            can_undo=bool(row.undo) and row.undone_at is None,
            undone_at=row.undone_at,
            undone_by=row.undone_by or "",
        )
        for row in rows
    )


def change_count(db: Session) -> int:
    """Return how many changes are kept."""
    return db.scalar(select(func.count(tables.Change.id))) or 0


# --- the floor -----------------------------------------------------------------------------------------


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
        .where(row.plan_id == (_published_id(db, season_id) or 0))
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
        statement = statement.where(
            job.state.in_((JobState.WANTED, JobState.CHOSEN, JobState.PREPARED, JobState.CUTTING))
        )
    rows = db.execute(statement).all()
    pictures = pictures_of(db, (row.id for row in rows))
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
            due_at=season.due_at(found.night).astimezone(UTC),
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


def ratings(db: Session, job_id: int) -> tuple[RatingLine, ...]:
    """Return the ratings of a job, in the order in which they were given."""
    check = tables.LitCheck
    rows = db.scalars(select(check).where(check.job_id == job_id).order_by(check.id))
    return tuple(
        RatingLine(row.rating, tuple(row.faults), row.note, row.recorded_by, row.recorded_at) for row in rows
    )


def clamp_number(db: Session, workpiece_id: int) -> int:
    """Return how often a piece was clamped."""
    return db.scalar(select(tables.Workpiece.clamp_number).where(tables.Workpiece.id == workpiece_id)) or 0


# --- paper ---------------------------------------------------------------------------------------------


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
            station,
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
            station_id=row.Station.id,
            name=row.Station.name,
            area=row.Station.area,
            kind=row.Station.kind,
            least_rating=row.Station.least_rating,
            job_id=row.job_id,
            state=row.state or "",
            design=row.design or "",
            workpiece=row.number or "",
            night=row.night,
            rating=float(row.rating) if row.rating is not None else None,
            ratings=row.ratings or 0,
            thumbnail=pictures.get(row.job_id, ""),
        )
        for row in rows
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


# --- the venue -----------------------------------------------------------------------------------------

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
    spans = db.execute(
        select(run.started_at, run.ended_at).join(job, job.id == run.job_id).where(job.season_id == season_id)
    ).all()
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
        runs=len(spans),
        scrapped=waste[0],
        scrapped_kg=float(waste[1] or 0.0) * _KG_PER_MM3 * math.pi / 6,
        machine_h=sum((end - start).total_seconds() / 3600 for start, end in spans if end is not None),
    )


# --- results of long work ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class WorkResult:
    """What a long piece of work found, where it has no table of its own."""

    work_id: int
    state: str
    arguments: dict[str, Any]
    result: dict[str, Any]
    error: str
    ended_at: datetime | None


def newest_result(db: Session, kind: str, season_id: int | None = None) -> WorkResult | None:
    """Return the newest finished work of a kind, of a season where one is named; None where there is none.

    Parameters
    ----------
    db : Session
        An open session [-].
    kind : str
        What was done [-].
    season_id : int, optional
        Among the work's arguments [-].
    """
    work = tables.Work
    statement = select(work).where(work.kind == kind, work.state == WorkState.DONE)
    if season_id is not None:
        statement = statement.where(work.arguments["season_id"].as_integer() == season_id)
    row = db.scalar(statement.order_by(work.id.desc()).limit(1))
    return _result(row) if row else None


def work_result(db: Session, work_id: int) -> WorkResult:
    """Return how a piece of work stands and what it found."""
    row = db.get(tables.Work, work_id)
    if row is None:
        raise NotFound(f"there is no work {work_id}")
    return _result(row)


def _result(row: tables.Work) -> WorkResult:
    return WorkResult(row.id, row.state, row.arguments, row.result, row.error or "", row.ended_at)


# --- the coming night, the lead's morning --------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class NightFacts:
    """How the lanterns that are first wanted on a night stand; counted by the store, not row by row."""

    wanted: int
    ready: int
    in_time: int  # not cut yet, planned to end before they are due
    late: int  # not cut yet, planned to end later


def night_facts(db: Session, season_id: int, night: date) -> NightFacts:
    """Return how the lanterns of stations that are first wanted on a night stand.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    night : date
        The night [-].
    """
    season = db.get(tables.Season, season_id)
    if season is None:
        raise NotFound(f"there is no season {season_id}")
    job, ends = tables.Job, _ends(_published_id(db, season_id) or 0, night)
    due_at = season.due_at(night).astimezone(UTC)
    open_ = job.state.not_in(READY)
    row = db.execute(
        select(
            func.count(job.id),
            func.sum(case((job.state.in_(READY), 1), else_=0)),
            func.sum(case((open_ & (ends.c.end_at <= due_at), 1), else_=0)),
            func.sum(case((open_ & (ends.c.end_at > due_at), 1), else_=0)),
        )
        .select_from(job)
        .outerjoin(ends, ends.c.job_id == job.id)
        .where(
            job.season_id == season_id,
            job.night == night,
            job.station_id.is_not(None),
            job.state != JobState.CANCELLED,
        )
    ).one()
    return NightFacts(*(count or 0 for count in row))


def _ends(plan_id: int, night: date) -> Subquery:
    """Return when a plan ends each job of a night: columns job_id, end_at."""
    row, job = tables.PlanRow, tables.Job
    return (
        select(row.job_id, func.max(row.end_at, type_=row.end_at.type).label("end_at"))
        .join(job, job.id == row.job_id)
        .where(row.plan_id == plan_id, job.night == night)
        .group_by(row.job_id)
        .subquery()
    )


def drafts(db: Session, season_id: int, *, limit: int = 6) -> tuple[tables.Plan, ...]:
    """Return the newest drafts with what they cost; their rows are not read. `limit` [-]."""
    plan = tables.Plan
    rows = db.scalars(
        select(plan)
        .where(plan.season_id == season_id, plan.state == PlanState.DRAFT)
        .order_by(plan.id.desc())
        .limit(limit)
    ).all()
    for row in rows:
        db.expunge(row)
    return tuple(rows)


def works_since(db: Session, kind: str, *, limit: int = 3) -> tuple[WorkResult, ...]:
    """Return the newest works of a kind, in whatever state; `limit` [-]."""
    work = tables.Work
    rows = db.scalars(select(work).where(work.kind == kind).order_by(work.id.desc()).limit(limit))
    return tuple(_result(row) for row in rows)


# --- the season chart, some days of it -----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PlanSpan:
    """From when to when a plan has steps."""

    first_at: datetime
    last_at: datetime
    rows: int


def plan_span(db: Session, plan_id: int) -> PlanSpan | None:
    """Return from when to when a plan has steps; None where it has none."""
    row = tables.PlanRow
    first, last, count = db.execute(
        select(
            func.min(row.start_at, type_=row.start_at.type),
            func.max(row.end_at, type_=row.end_at.type),
            func.count(row.id),
        ).where(row.plan_id == plan_id)
    ).one()
    return PlanSpan(first, last, count) if count else None


def chart_between(
    db: Session, season_id: int, facts: PlanFacts, from_at: datetime, until_at: datetime
) -> SeasonChart:
    """Return a plan over some days: machines as lanes with shifts, breakdowns and the jobs on them.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    facts : PlanFacts
        The plan [-].
    from_at, until_at : datetime
        What ends after the first and starts before the second is shown [-].
    """
    season = db.get(tables.Season, season_id)
    if season is None:
        raise NotFound(f"there is no season {season_id}")
    rows = _chart_rows(db, season, facts.plan_id, from_at, until_at)
    spans: dict[str, dict[int, list[Span]]] = {}
    for name, table in (("shifts", tables.MachineShift), ("breakdowns", tables.Breakdown)):
        spans[name] = _spans(db, table, from_at, until_at)
    lanes = tuple(
        Lane(
            machine_id=number,
            name=name,
            active=active,
            shifts=tuple(spans["shifts"].get(number, ())),
            breakdowns=tuple(spans["breakdowns"].get(number, ())),
            rows=tuple(rows.get(number, ())),
        )
        for number, name, active in db.execute(
            select(tables.Machine.id, tables.Machine.name, tables.Machine.active).order_by(
                tables.Machine.name
            )
        )
        if active or number in rows
    )
    count = (season.last_night - season.opening_night).days + 1
    nights = (season.opening_night + timedelta(days=n) for n in range(count))
    return SeasonChart(
        season_id=season.id,
        season=season.name,
        time_zone=season.time_zone,
        plan_id=facts.plan_id,
        plan_state=facts.state,
        revision=None,
        planned_at=facts.planned_at,
        planned_by=facts.planned_by,
        plan_start_at=facts.start_at,
        tiers=facts.tiers,
        undone=facts.undone,
        lanes=lanes,
        dusks=tuple(season.dusk_at(night).astimezone(UTC) for night in nights),
    )


def _spans(db: Session, table: Any, from_at: datetime, until_at: datetime) -> dict[int, list[Span]]:
    out: dict[int, list[Span]] = {}
    rows = db.scalars(
        select(table)
        .where(table.start_at < until_at, or_(table.end_at.is_(None), table.end_at > from_at))
        .order_by(table.start_at)
    )
    for row in rows:
        out.setdefault(row.machine_id, []).append(Span(row.start_at, row.end_at, getattr(row, "reason", "")))
    return out


def _chart_rows(
    db: Session, season: tables.Season, plan_id: int, from_at: datetime, until_at: datetime
) -> dict[int, list[ChartRow]]:
    row, job = tables.PlanRow, tables.Job
    found = db.execute(
        select(
            row.job_id,
            row.step,
            row.machine_id,
            row.start_at,
            row.end_at,
            row.cutters,
            job.night,
            job.state,
            job.priority,
            tables.Station.name.label("station"),
            tables.Design.name.label("design"),
            tables.Workpiece.number,
        )
        .join(job, job.id == row.job_id)
        .outerjoin(tables.Station, tables.Station.id == job.station_id)
        .outerjoin(tables.DesignVersion, tables.DesignVersion.id == job.design_version_id)
        .outerjoin(tables.Design, tables.Design.id == tables.DesignVersion.design_id)
        .outerjoin(tables.Workpiece, tables.Workpiece.id == job.workpiece_id)
        .where(row.plan_id == plan_id, row.end_at > from_at, row.start_at < until_at)
        .order_by(row.start_at)
    ).all()
    pictures = pictures_of(db, (one.job_id for one in found))
    out: dict[int, list[ChartRow]] = {}
    for one in found:
        line = ChartRow(
            job_id=one.job_id,
            step=one.step,
            label=label_of(one.job_id, one.station),
            night=one.night,
            design=one.design or "",
            workpiece=one.number or "",
            state=one.state,
            priority=one.priority,
            thumbnail=pictures.get(one.job_id, ""),
            start_at=one.start_at,
            end_at=one.end_at,
            due_at=season.due_at(one.night).astimezone(UTC),
            cutters=tuple(one.cutters),
        )
        out.setdefault(one.machine_id, []).append(line)
    return out


# --- pieces to try a design on -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ScannedPiece:
    """A piece with a scan that counts."""

    workpiece_id: int
    number: str
    kind: str
    variety: str
    diameter_mm: float
    ribs: int
    held: bool  # by a job


def scanned_pieces(db: Session, *, limit: int = 60) -> tuple[ScannedPiece, ...]:
    """Return pieces that can be cut and whose scan counts, those that no job holds first; `limit` [-]."""
    piece, scan, job = tables.Workpiece, tables.Scan, tables.Job
    held = (
        select(job.id).where(job.workpiece_id == piece.id, job.state != JobState.CANCELLED).exists()
    ).label("held")
    rows = db.execute(
        select(piece, tables.Lot.kind, tables.Lot.variety, held)
        .join(tables.Lot, tables.Lot.id == piece.lot_id)
        .join(scan, (scan.workpiece_id == piece.id) & scan.active)
        .where(piece.state.in_((WorkpieceState.WHOLE, WorkpieceState.HOLLOW)))
        .order_by(held, piece.number)
        .limit(limit)
    )
    return tuple(
        ScannedPiece(row.id, row.number, kind, variety, row.diameter_mm, row.ribs, bool(taken))
        for row, kind, variety, taken in rows
    )


@dataclass(frozen=True, slots=True)
class PinLine:
    """Where a lead wants a job to stay."""

    machine: str
    start_at: datetime
    by: str


def pin_of(db: Session, job_id: int) -> PinLine | None:
    """Return where a job is pinned; None where it is free to move."""
    row = db.execute(
        select(tables.Machine.name, tables.Pin.start_at, tables.Pin.recorded_by)
        .join(tables.Machine, tables.Machine.id == tables.Pin.machine_id)
        .where(tables.Pin.job_id == job_id)
        .limit(1)
    ).first()
    return PinLine(*row) if row else None
