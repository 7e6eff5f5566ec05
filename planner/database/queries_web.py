"""What else do the pages ask? A search among the jobs, and how the plan in force was found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, Select, String, Subquery, case, cast, func, or_, select
from sqlalchemy.orm import Session, aliased

from planner.database import tables
from planner.database.lines import JobLine
from planner.database.queries.parts import label_of, pictures, thumbnail
from planner.database.states import PlanState, PreparationState
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
    job, picture, planned = tables.Job, pictures(), _planned(season_id)
    wanted = [job.season_id == season_id, *(_stands_in(word) for word in words.split())]
    if state is not None:
        wanted.append(job.state == state)
    total = db.scalar(_with_names(select(func.count(job.id))).where(*wanted)) or 0
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
                picture.c.folder,
                planned.c.machine,
                planned.c.start_at,
                planned.c.end_at,
            )
        )
        .outerjoin(picture, picture.c.job_id == job.id)
        .outerjoin(planned, planned.c.job_id == job.id)
        .where(*wanted)
        .order_by(job.night, job.priority.desc(), job.id)
        .limit(limit)
        .offset(offset)
    ).all()
    return FoundJobs(total, _job_lines(season, rows))


def _job_lines(season: tables.Season, rows: Sequence[Any]) -> tuple[JobLine, ...]:
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
            thumbnail=thumbnail(row.folder),
            machine=row.machine or "",
            start_at=row.start_at,
            end_at=row.end_at,
        )
        for row in rows
    )


def _with_names(statement: Select[Any]) -> Select[Any]:
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


def _planned(season_id: int) -> Subquery:
    """Return where the published plan puts each job: columns job_id, machine, start_at, end_at."""
    row, plan = tables.PlanRow, tables.Plan
    whole = (
        select(
            row.plan_id,
            row.job_id,
            func.min(row.start_at, type_=row.start_at.type).label("start_at"),
            func.max(row.end_at, type_=row.end_at.type).label("end_at"),
            func.max(row.step).label("step"),
        )
        .join(plan, plan.id == row.plan_id)
        .where(plan.state == PlanState.PUBLISHED, plan.season_id == season_id)
        .group_by(row.plan_id, row.job_id)
        .subquery()
    )
    last = (row.plan_id == whole.c.plan_id) & (row.job_id == whole.c.job_id) & (row.step == whole.c.step)
    return (
        select(whole.c.job_id, whole.c.start_at, whole.c.end_at, tables.Machine.name.label("machine"))
        .join(row, last)
        .join(tables.Machine, tables.Machine.id == row.machine_id)
        .subquery()
    )


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
