"""Which machines can be trusted now, and what is left of the cutters? As it was reported."""

from __future__ import annotations

from collections import defaultdict
from datetime import datetime

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.lines import CutterLine, MachineLine, Span


def machines(db: Session, *, now: datetime) -> tuple[MachineLine, ...]:
    """Return all machines by name, with what is known of them at an instant.

    Parameters
    ----------
    db : Session
        An open session [-].
    now : datetime
        The instant [-].
    """
    down = _down_at(db, now)
    shifts = _shift_at(db, now)
    marks = _proof_marks(db)
    running = _running(db)
    fitted = _fitted(db)
    rows = db.scalars(select(tables.Machine).order_by(tables.Machine.name))
    return tuple(
        MachineLine(
            machine_id=row.id,
            name=row.name,
            build=row.build,
            active=row.active,
            revision=row.revision,
            min_diameter_mm=row.min_diameter_mm,
            max_diameter_mm=row.max_diameter_mm,
            max_height_mm=row.max_height_mm,
            kinds=tuple(row.kinds),
            fixture_class=row.fixture_class,
            fixtures=tuple(row.fixtures),
            fixture_kinds=row.fixture_kinds,
            proof_marked_at=marks.get(row.id),
            down=down[row.id][0] if row.id in down else None,
            reported_by=down[row.id][1] if row.id in down else "",
            shift=shifts.get(row.id),
            running_job_id=running[row.id][0] if row.id in running else None,
            running_since=running[row.id][1] if row.id in running else None,
            cutters=tuple(fitted[row.id]),
        )
        for row in rows
    )


def cutters(db: Session) -> tuple[CutterLine, ...]:
    """Return all cutters by type and mark, with what they have cut as far as it was recorded.

    Parameters
    ----------
    db : Session
        An open session [-].
    """
    cutter, use = tables.Cutter, tables.CutterUse
    used = (
        select(
            use.cutter_id,
            func.sum(use.metres).label("metres"),
            func.sum(use.minutes).label("minutes"),
            func.count().label("runs"),
        )
        .group_by(use.cutter_id)
        .subquery()
    )
    rows = db.execute(
        select(cutter, tables.Machine.name.label("machine"), used.c.metres, used.c.minutes, used.c.runs)
        .outerjoin(tables.Machine, tables.Machine.id == cutter.machine_id)
        .outerjoin(used, used.c.cutter_id == cutter.id)
        .order_by(cutter.type_name, cutter.name)
    )
    return tuple(
        CutterLine(
            cutter_id=row.Cutter.id,
            name=row.Cutter.name,
            type_name=row.Cutter.type_name,
            description=row.Cutter.description,
            life_left=row.Cutter.life_left,
            state=row.Cutter.state,
            machine_id=row.Cutter.machine_id,
            machine=row.machine or "",
            metres=row.metres or 0.0,
            minutes=row.minutes or 0.0,
            runs=row.runs or 0,
        )
        for row in rows
    )


def _down_at(db: Session, now: datetime) -> dict[int, tuple[Span, str]]:
    down = tables.Breakdown
    rows = db.scalars(
        select(down)
        .where(down.start_at <= now, or_(down.end_at.is_(None), down.end_at > now))
        .order_by(down.start_at)
    )
    return {row.machine_id: (Span(row.start_at, row.end_at, row.reason), row.recorded_by) for row in rows}


def _shift_at(db: Session, now: datetime) -> dict[int, Span]:
    """Return each machine's first shift that is not over."""
    shift = tables.MachineShift
    first = (
        select(shift.machine_id, func.min(shift.start_at).label("start_at"))
        .where(shift.end_at > now)
        .group_by(shift.machine_id)
        .subquery()
    )
    rows = db.execute(
        select(shift.machine_id, shift.start_at, shift.end_at).join(
            first, (first.c.machine_id == shift.machine_id) & (first.c.start_at == shift.start_at)
        )
    )
    return {machine_id: Span(start_at, end_at) for machine_id, start_at, end_at in rows}


def _proof_marks(db: Session) -> dict[int, datetime]:
    mark = tables.ProofMark
    newest = (
        select(mark.machine_id, func.max(mark.made_at))
        .where(mark.void_reason.is_(None))
        .group_by(mark.machine_id)
    )
    return dict(db.execute(newest).all())


def _running(db: Session) -> dict[int, tuple[int, datetime]]:
    run = tables.Run
    rows = db.execute(select(run.machine_id, run.job_id, run.started_at).where(run.ended_at.is_(None)))
    return {machine_id: (job_id, started_at) for machine_id, job_id, started_at in rows}


def _fitted(db: Session) -> defaultdict[int, list[str]]:
    cutter = tables.Cutter
    names: defaultdict[int, list[str]] = defaultdict(list)
    rows = db.execute(
        select(cutter.machine_id, cutter.name).where(cutter.machine_id.is_not(None)).order_by(cutter.name)
    )
    for machine_id, name in rows:
        if machine_id is not None:
            names[machine_id].append(name)
    return names
