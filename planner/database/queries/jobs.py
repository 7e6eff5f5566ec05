"""Which jobs are there, and is this one right to cut? Lists, and one job with all that belongs to it."""

from __future__ import annotations

from datetime import UTC, date

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload

from planner.database import tables
from planner.database.lines import JobLine, JobPage, PlannedLine, PreparationLine, RunLine, RunTimeLine
from planner.database.queries.parts import label_of, pictures, thumbnail
from planner.database.queries.produce import piece_line
from planner.database.states import PlanState
from planner.errors import NotFound


def jobs(
    db: Session,
    season_id: int,
    *,
    state: str | None = None,
    night: date | None = None,
    limit: int = 200,
    offset: int = 0,
) -> tuple[JobLine, ...]:
    """Return the jobs of a season by night, the more important first, with their place in the published plan.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    state : str, optional
        Only those of a `JobState` [-].
    night : date, optional
        Only those first wanted on a night [-].
    limit, offset : int
        How many, after how many [-].
    """
    job, picture = tables.Job, pictures()
    season = db.get(tables.Season, season_id)
    if season is None:
        raise NotFound(f"there is no season {season_id}")
    wanted = [job.season_id == season_id]
    if state is not None:
        wanted.append(job.state == state)
    if night is not None:
        wanted.append(job.night == night)
    rows = db.execute(
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
        )
        .outerjoin(tables.Station, tables.Station.id == job.station_id)
        .outerjoin(tables.DesignVersion, tables.DesignVersion.id == job.design_version_id)
        .outerjoin(tables.Design, tables.Design.id == tables.DesignVersion.design_id)
        .outerjoin(tables.Workpiece, tables.Workpiece.id == job.workpiece_id)
        .outerjoin(picture, picture.c.job_id == job.id)
        .where(*wanted)
        .order_by(job.night, job.priority.desc(), job.id)
        .limit(limit)
        .offset(offset)
    ).all()
    planned = _planned(db, [row.id for row in rows])
    lines = []
    for row in rows:
        steps = planned.get(row.id, [])
        lines.append(
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
                machine=steps[-1].machine if steps else "",
                start_at=steps[0].start_at if steps else None,
                end_at=steps[-1].end_at if steps else None,
            )
        )
    return tuple(lines)


def job_page(db: Session, job_id: int) -> JobPage:
    """Return everything about one job: piece, design, packages, run times, plan and what happened.

    Parameters
    ----------
    db : Session
        An open session [-].
    job_id : int
        The job [-].
    """
    job = tables.Job
    found = db.scalar(
        select(job)
        .where(job.id == job_id)
        .options(
            joinedload(job.season, innerjoin=True),
            joinedload(job.station),
            joinedload(job.design_version).joinedload(tables.DesignVersion.design),
        )
    )
    if found is None:
        raise NotFound(f"there is no job {job_id}")
    season, station, version = found.season, found.station, found.design_version
    run_times = _run_times(db, job_id)
    preparations = _preparations(db, job_id)
    return JobPage(
        job_id=found.id,
        revision=found.revision,
        season_id=season.id,
        time_zone=season.time_zone,
        label=label_of(found.id, station.name if station else None),
        station_id=found.station_id,
        area=station.area if station else "",
        size_class=station.size_class if station else "",
        kind=station.kind if station else "",
        least_rating=station.least_rating if station else None,
        night=found.night,
        due_at=season.due_at(found.night).astimezone(UTC),
        priority=found.priority,
        state=found.state,
        design_id=version.design_id if version else None,
        design=version.design.name if version else "",
        design_version_id=found.design_version_id,
        design_version=version.version if version else None,
        design_width_mm=version.width_mm if version else None,
        longitude_deg=found.longitude_deg,
        latitude_deg=found.latitude_deg,
        turn_deg=found.turn_deg,
        mirror=found.mirror,
        width_mm=found.width_mm,
        cutter_types=tuple(found.cutter_types),
        overrides=found.overrides,
        thumbnail=next((thumbnail(line.folder) for line in preparations if line.current), ""),
        piece=piece_line(db, found.workpiece_id) if found.workpiece_id else None,
        preparations=preparations,
        run_times=run_times,
        planned=tuple(_planned(db, [job_id]).get(job_id, ())),
        runs=_runs(db, job_id),
    )


def _planned(db: Session, job_ids: list[int]) -> dict[int, list[PlannedLine]]:
    row, plan = tables.PlanRow, tables.Plan
    rows = db.execute(
        select(row, tables.Machine.name)
        .join(plan, plan.id == row.plan_id)
        .join(tables.Machine, tables.Machine.id == row.machine_id)
        .where(plan.state == PlanState.PUBLISHED, row.job_id.in_(job_ids))
        .order_by(row.start_at)
    )
    planned: dict[int, list[PlannedLine]] = {}
    for found, machine in rows:
        line = PlannedLine(
            found.step, found.machine_id, machine, found.start_at, found.end_at, tuple(found.cutters)
        )
        planned.setdefault(found.job_id, []).append(line)
    return planned


def _preparations(db: Session, job_id: int) -> tuple[PreparationLine, ...]:
    preparation, run_time = tables.Preparation, tables.RunTime
    rows = db.execute(
        select(preparation, tables.Machine.name, run_time.id)
        .join(tables.Machine, tables.Machine.id == preparation.machine_id)
        .outerjoin(run_time, run_time.preparation_id == preparation.id)
        .where(preparation.job_id == job_id)
        .order_by(preparation.id.desc())
    )
    return tuple(_preparation_line(row, machine, current is not None) for row, machine, current in rows)


def _preparation_line(row: tables.Preparation, machine: str, current: bool) -> PreparationLine:
    return PreparationLine(
        preparation_id=row.id,
        machine_id=row.machine_id,
        machine=machine,
        state=row.state,
        inputs_digest=row.inputs_digest,
        folder=row.folder,
        run_s=row.run_s,
        cutting_m=row.cutting_m,
        wear=row.wear,
        findings=tuple(row.findings),
        outline_median_mm=row.outline_median_mm,
        outline_p99_mm=row.outline_p99_mm,
        outline_max_mm=row.outline_max_mm,
        depth_median_mm=row.depth_median_mm,
        depth_max_mm=row.depth_max_mm,
        prepared_at=row.prepared_at,
        engine_version=row.engine_version,
        current=current,
    )


def _run_times(db: Session, job_id: int) -> tuple[RunTimeLine, ...]:
    run_time = tables.RunTime
    rows = db.execute(
        select(run_time, tables.Machine.name)
        .join(tables.Machine, tables.Machine.id == run_time.machine_id)
        .where(run_time.job_id == job_id)
        .order_by(tables.Machine.name)
    )
    return tuple(
        RunTimeLine(row.machine_id, machine, row.eligible, row.reason, row.run_min, row.wear)
        for row, machine in rows
    )


def _runs(db: Session, job_id: int) -> tuple[RunLine, ...]:
    run = tables.Run
    rows = db.execute(
        select(run, tables.Machine.name, tables.Workpiece.number)
        .join(tables.Machine, tables.Machine.id == run.machine_id)
        .join(tables.Workpiece, tables.Workpiece.id == run.workpiece_id)
        .where(run.job_id == job_id)
        .order_by(run.started_at, run.id)
    )
    return tuple(
        RunLine(
            run_id=row.id,
            machine_id=row.machine_id,
            machine=machine,
            workpiece=workpiece,
            started_at=row.started_at,
            ended_at=row.ended_at,
            outcome=row.outcome,
            scrap_reason=row.scrap_reason,
            by=row.recorded_by,
        )
        for row, machine, workpiece in rows
    )
