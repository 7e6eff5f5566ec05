"""Who cuts what, where and when? A plan as lanes."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import literal, or_, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.lines import ChartRow, Lane, SeasonChart, Span
from planner.database.queries.parts import label_of, pictures_of
from planner.database.queries.plan import PlanFacts, plan_span
from planner.database.queries.season import dates_of, plan_to_show, season_of

_BEFORE_OPENING = timedelta(days=21)  # a chart without a plan begins here


def season_chart(db: Session, season_id: int, plan_id: int | None = None) -> SeasonChart:
    """Return a plan over time: machines as lanes with shifts, breakdowns and the jobs on them.

    Parameters
    ----------
    db : Session
        An open session [-].
    season_id : int
        The season [-].
    plan_id : int, optional
        A plan of the season; the published one, else the newest draft, when left out [-].
    """
    season = season_of(db, season_id)
    plan = plan_to_show(db, season_id, plan_id)
    start_at = plan.start_at if plan else season.dusk_at(season.opening_night) - _BEFORE_OPENING
    span = plan_span(db, plan.id) if plan else None
    if span is not None:  # steps that had begun before are carried over
        start_at = min(start_at, span.first_at)
    end_at = season.dusk_at(season.last_night) + timedelta(days=1)
    return SeasonChart(
        season_id=season.id,
        season=season.name,
        time_zone=season.time_zone,
        plan_id=plan.id if plan else None,
        plan_state=plan.state if plan else "",
        revision=plan.revision if plan else None,
        planned_at=plan.recorded_at if plan else None,
        planned_by=plan.recorded_by if plan else "",
        plan_start_at=plan.start_at if plan else None,
        tiers=plan.tiers if plan else {},
        undone=tuple(plan.undone) if plan else (),
        lanes=_lanes(db, season, plan.id if plan else 0, start_at, end_at),
        dusks=_dusks(season),
    )


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
    season = season_of(db, season_id)
    lanes = _lanes(db, season, facts.plan_id, from_at, until_at)
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
        dusks=_dusks(season),
    )


def _dusks(season: tables.Season) -> tuple[datetime, ...]:
    return tuple(season.dusk_at(night).astimezone(UTC) for night in dates_of(season))


def _lanes(
    db: Session, season: tables.Season, plan_id: int, from_at: datetime, until_at: datetime
) -> tuple[Lane, ...]:
    rows = _chart_rows(db, season, plan_id, from_at, until_at)
    spans: dict[str, dict[int, list[Span]]] = {}
    for name, table in (("shifts", tables.MachineShift), ("breakdowns", tables.Breakdown)):
        spans[name] = _spans(db, table, from_at, until_at)
    return tuple(
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


def _spans(db: Session, table: Any, from_at: datetime, until_at: datetime) -> dict[int, list[Span]]:
    out: dict[int, list[Span]] = {}
    reason = table.reason if table is tables.Breakdown else literal("")
    rows = db.execute(
        select(table.machine_id, table.start_at, table.end_at, reason)
        .where(table.start_at < until_at, or_(table.end_at.is_(None), table.end_at > from_at))
        .order_by(table.start_at)
    )
    for machine_id, start_at, end_at, why in rows:
        out.setdefault(machine_id, []).append(Span(start_at, end_at, why))
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
    due = {night: season.due_at(night).astimezone(UTC) for night in {one.night for one in found}}
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
            due_at=due[one.night],
            cutters=tuple(one.cutters),
        )
        out.setdefault(one.machine_id, []).append(line)
    return out
