"""What is done at the benches, when, and for which lantern? A plan's steps before and after the machine."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.queries.parts import label_of
from planner.database.states import BenchKind


@dataclass(frozen=True, slots=True)
class BenchStepLine:
    """One step of a job at one place of a bench."""

    job_id: int
    label: str
    workpiece: str
    step: str  # BenchStep
    bench_id: int
    bench: str
    place: int  # 0 for the first of the bench's places
    places: int
    start_at: datetime
    end_at: datetime


@dataclass(frozen=True, slots=True)
class CarrierLine:
    """What is on a carrier plate, as far as somebody said."""

    carrier: str
    workpiece_id: int
    workpiece: str
    state: str  # of the piece
    clamp_number: int
    since_at: datetime
    by: str


def carriers(db: Session, workpiece_id: int | None = None) -> tuple[CarrierLine, ...]:
    """Return which piece was mounted last on each carrier plate; one that was taken off stays until the next.

    Parameters
    ----------
    db : Session
        An open session [-].
    workpiece_id : int, optional
        Only the plate on which this piece was mounted last [-].
    """
    step, piece = tables.PieceStep, tables.Workpiece
    newest = select(func.max(step.id)).where(step.carrier != "")
    newest = (
        newest.group_by(step.carrier)
        if workpiece_id is None
        else newest.where(step.workpiece_id == workpiece_id)
    )
    rows = db.execute(
        select(
            step.carrier,
            piece.id,
            piece.number,
            piece.state,
            step.clamp_number,
            step.happened_at,
            step.recorded_by,
        )
        .join(piece, piece.id == step.workpiece_id)
        .where(step.id.in_(newest))
        .order_by(step.carrier)
    )
    return tuple(CarrierLine(*row) for row in rows)


def bench_steps(
    db: Session, plan_id: int, from_at: datetime, until_at: datetime
) -> tuple[BenchStepLine, ...]:
    """Return what a plan has done at benches, by bench and time; each step at a place that is free then.

    Parameters
    ----------
    db : Session
        An open session [-].
    plan_id : int
        The plan [-].
    from_at, until_at : datetime
        What ends after the first and starts before the second [-].
    """
    row, bench = tables.BenchRow, tables.Bench
    found = db.execute(
        select(
            row.job_id,
            tables.Station.name.label("station"),
            tables.Workpiece.number,
            row.step,
            bench.id,
            bench.name,
            bench.places,
            row.start_at,
            row.end_at,
        )
        .join(bench, bench.id == row.bench_id)
        .join(tables.Job, tables.Job.id == row.job_id)
        .outerjoin(tables.Station, tables.Station.id == tables.Job.station_id)
        .outerjoin(tables.Workpiece, tables.Workpiece.id == tables.Job.workpiece_id)
        # carrier plates are held, not worked at
        .where(bench.kind == BenchKind.BENCH)
        .where(row.plan_id == plan_id, row.end_at > from_at, row.start_at < until_at)
        .order_by(bench.id, row.start_at, row.id)
    )
    free_from: dict[tuple[int, int], datetime] = {}
    out = []
    for one in found:
        place = next(
            (
                n
                for n in range(one.places)
                if (one.id, n) not in free_from or free_from[one.id, n] <= one.start_at
            ),
            one.places - 1,
        )
        free_from[one.id, place] = one.end_at
        out.append(
            BenchStepLine(
                job_id=one.job_id,
                label=label_of(one.job_id, one.station),
                workpiece=one.number or "",
                step=one.step,
                bench_id=one.id,
                bench=one.name,
                place=place,
                places=one.places,
                start_at=one.start_at,
                end_at=one.end_at,
            )
        )
    return tuple(out)
