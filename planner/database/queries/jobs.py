"""Is this job right to cut? One job with all that belongs to it."""

from __future__ import annotations

from datetime import UTC

from sqlalchemy import select
from sqlalchemy.orm import Session, joinedload

from planner.database import tables
from planner.database.lines import JobPage, PlannedLine, PreparationLine, RunLine, RunTimeLine
from planner.database.queries.parts import label_of, thumbnail
from planner.database.queries.produce import piece_line
from planner.database.states import PlanState
from planner.errors import NotFound


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
        planned=_planned(db, job_id),
        runs=_runs(db, job_id),
    )


def _planned(db: Session, job_id: int) -> tuple[PlannedLine, ...]:
    row, plan = tables.PlanRow, tables.Plan
    rows = db.execute(
        select(row, tables.Machine.name)
        .join(plan, plan.id == row.plan_id)
        .join(tables.Machine, tables.Machine.id == row.machine_id)
        .where(plan.state == PlanState.PUBLISHED, row.job_id == job_id)
        .order_by(row.start_at)
    )
    return tuple(
        PlannedLine(found.step, found.machine_id, machine, found.start_at, found.end_at, tuple(found.cutters))
        for found, machine in rows
    )


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
