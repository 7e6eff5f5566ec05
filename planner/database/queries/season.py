"""How does the season stand, and what runs where until when? Overview, stations, plans and the chart."""

from __future__ import annotations

from collections import Counter, defaultdict
from datetime import UTC, date, datetime, timedelta

from sqlalchemy import case, func, literal, or_, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.columns import UtcDateTime
from planner.database.lines import (
    NightLine,
    PlanLine,
    SeasonLine,
    SeasonOverview,
    StationLine,
)
from planner.database.queries.parts import READY
from planner.database.states import JobState, PlanState, WorkpieceState
from planner.errors import NotFound


def seasons(db: Session) -> tuple[SeasonLine, ...]:
    """Return all seasons, the newest first.

    Parameters
    ----------
    db : Session
        An open session [-].
    """
    rows = db.scalars(select(tables.Season).order_by(tables.Season.opening_night.desc(), tables.Season.id))
    return tuple(
        SeasonLine(row.id, row.name, row.site, row.time_zone, row.opening_night, row.last_night)
        for row in rows
    )


def nights_of(db: Session, season_id: int) -> tuple[tuple[date, float | None], ...]:
    """Return the nights of a season with how warm each is said to be [degree Celsius].

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    """
    night = tables.Night
    rows = db.execute(
        select(night.night, night.temperature_c).where(night.season_id == season_id).order_by(night.night)
    )
    return tuple((day, warm) for day, warm in rows)


def season_overview(db: Session, season_id: int, *, now: datetime, count_late: bool = True) -> SeasonOverview:
    """Return a season as a whole: stations, jobs by night and state, machines, pieces, the published plan.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    now : datetime
        Whether a machine is down is asked for this instant [-].
    count_late : bool
        Whether all nights' late jobs are counted, which reads the whole plan; else 0 [-].
    """
    season = season_of(db, season_id)
    plan = _published(db, season_id)
    counts = _jobs_by_night(db, season_id)
    by_state: Counter[str] = Counter()
    for night_counts in counts.values():
        by_state.update(night_counts)
    areas = _stations_by_area(db, season_id)
    machines, down = _machines_and_down(db, now)
    pieces = _pieces_by_state(db)
    return SeasonOverview(
        season_id=season.id,
        name=season.name,
        site=season.site,
        time_zone=season.time_zone,
        opening_night=season.opening_night,
        last_night=season.last_night,
        dusk=season.dusk,
        stations=sum(areas.values()),
        stations_by_area=areas,
        jobs_by_state=dict(by_state),
        late_jobs=_late_jobs(db, season, plan) if count_late else 0,
        undone=tuple(plan.undone) if plan else (),
        plan_id=plan.id if plan else None,
        planned_at=plan.recorded_at if plan else None,
        machines=machines,
        machines_down=down,
        whole_pieces=pieces[WorkpieceState.WHOLE],
        hollow_pieces=pieces[WorkpieceState.HOLLOW],
        nights=_nights(db, season, counts),
    )


def stations(db: Session, season_id: int) -> tuple[StationLine, ...]:
    """Return the stations of a season in the order they were added, with what may hang there.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    """
    station, choice, job = tables.Station, tables.StationDesign, tables.Job
    rows = db.scalars(select(station).where(station.season_id == season_id).order_by(station.id)).all()
    designs: defaultdict[int, list[str]] = defaultdict(list)
    choices = (
        select(choice.station_id, tables.Design.name)
        .join(station, station.id == choice.station_id)
        .join(tables.Design, tables.Design.id == choice.design_id)
        .where(station.season_id == season_id)
        .order_by(choice.rank, choice.id)
    )
    for station_id, design in db.execute(choices):
        designs[station_id].append(design)
    counted = (
        select(job.station_id, func.count(), func.sum(case((job.state.in_(READY), 1), else_=0)))
        .where(job.season_id == season_id, job.state != JobState.CANCELLED)
        .group_by(job.station_id)
    )
    jobs = {station_id: (count, ready) for station_id, count, ready in db.execute(counted)}
    return tuple(
        StationLine(
            row.id,
            row.name,
            row.area,
            row.size_class,
            row.kind,
            row.least_rating,
            tuple(designs[row.id]),
            *jobs.get(row.id, (0, 0)),
        )
        for row in rows
    )


def plans(db: Session, season_id: int) -> tuple[PlanLine, ...]:
    """Return the plans of a season, the newest first.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    """
    plan, row = tables.Plan, tables.PlanRow
    counted = select(row.plan_id, func.count().label("rows")).group_by(row.plan_id).subquery()
    found = db.execute(
        select(plan, func.coalesce(counted.c.rows, 0))
        .outerjoin(counted, counted.c.plan_id == plan.id)
        .where(plan.season_id == season_id)
        .order_by(plan.id.desc())
    )
    return tuple(
        PlanLine(
            plan_id=line.id,
            state=line.state,
            planned_at=line.recorded_at,
            planned_by=line.recorded_by,
            seconds=line.seconds,
            seed=line.seed,
            tiers=line.tiers,
            rows=rows,
            undone=len(line.undone),
        )
        for line, rows in found
    )


# --- the parts -----------------------------------------------------------------------------------------


def season_of(db: Session, season_id: int) -> tables.Season:
    """Return the season of a number; `season_id` [-]."""
    season = db.get(tables.Season, season_id)
    if season is None:
        raise NotFound(f"there is no season {season_id}")
    return season


def dates_of(season: tables.Season) -> list[date]:
    """Return all nights of a season."""
    count = (season.last_night - season.opening_night).days + 1
    return [season.opening_night + timedelta(days=n) for n in range(count)]


def _published(db: Session, season_id: int) -> tables.Plan | None:
    plan = tables.Plan
    return db.scalar(select(plan).where(plan.season_id == season_id, plan.state == PlanState.PUBLISHED))


def plan_to_show(db: Session, season_id: int, plan_id: int | None) -> tables.Plan | None:
    """Return a plan by its number, else the published one, else the newest draft; numbers [-]."""
    plan = tables.Plan
    if plan_id is None:
        shown = plan.state.in_((PlanState.PUBLISHED, PlanState.DRAFT))
        published_first = case((plan.state == PlanState.PUBLISHED, 0), else_=1)
        return db.scalar(
            select(plan)
            .where(plan.season_id == season_id, shown)
            .order_by(published_first, plan.id.desc())
            .limit(1)
        )
    found = db.scalar(select(plan).where(plan.id == plan_id, plan.season_id == season_id))
    if found is None:
        raise NotFound(f"season {season_id} has no plan {plan_id}")
    return found


def _jobs_by_night(db: Session, season_id: int) -> dict[date, dict[str, int]]:
    job = tables.Job
    counted = (
        select(job.night, job.state, func.count())
        .where(job.season_id == season_id)
        .group_by(job.night, job.state)
    )
    counts: defaultdict[date, dict[str, int]] = defaultdict(dict)
    for night, state, count in db.execute(counted):
        counts[night][state] = count
    return counts


def _nights(db: Session, season: tables.Season, counts: dict[date, dict[str, int]]) -> tuple[NightLine, ...]:
    night = tables.Night
    rows = db.execute(
        select(night.night, night.temperature_c).where(night.season_id == season.id).order_by(night.night)
    )
    return tuple(
        NightLine(
            night=row.night,
            dusk_at=season.dusk_at(row.night).astimezone(UTC),
            due_at=season.due_at(row.night).astimezone(UTC),
            temperature_c=row.temperature_c,
            jobs=sum(n for state, n in counts.get(row.night, {}).items() if state != JobState.CANCELLED),
            ready=sum(counts.get(row.night, {}).get(state, 0) for state in READY),
        )
        for row in rows
    )


def _stations_by_area(db: Session, season_id: int) -> dict[str, int]:
    station = tables.Station
    counted = (
        select(station.area, func.count())
        .where(station.season_id == season_id)
        .group_by(station.area)
        .order_by(func.min(station.id))
    )
    return {area: count for area, count in db.execute(counted)}


def _pieces_by_state(db: Session) -> Counter[str]:
    piece = tables.Workpiece
    return Counter(dict(db.execute(select(piece.state, func.count()).group_by(piece.state)).all()))


def _machines_and_down(db: Session, now: datetime) -> tuple[int, int]:
    machine, down = tables.Machine, tables.Breakdown
    down_now = (
        select(down.id)
        .where(
            down.machine_id == machine.id,
            down.start_at <= now,
            or_(down.end_at.is_(None), down.end_at > now),
        )
        .exists()
    )
    counted = select(func.count(), func.sum(case((down_now, 1), else_=0))).where(machine.active)
    machines, machines_down = db.execute(counted).one()
    return machines, machines_down or 0


def _late_jobs(db: Session, season: tables.Season, plan: tables.Plan | None) -> int:
    if plan is None:
        return 0
    job, row = tables.Job, tables.PlanRow
    ends = (
        select(job.night, func.max(row.end_at, type_=row.end_at.type).label("end_at"))
        .join(job, job.id == row.job_id)
        .where(row.plan_id == plan.id)
        .group_by(row.job_id, job.night)
        .subquery()
    )
    due = {night: literal(season.due_at(night).astimezone(UTC), UtcDateTime()) for night in dates_of(season)}
    late = select(func.count()).select_from(ends).where(ends.c.end_at > case(due, value=ends.c.night))
    return db.scalar(late) or 0
