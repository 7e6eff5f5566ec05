"""How was the plan in force found, over which time, and what is pinned in it?"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import case, func, select
from sqlalchemy.orm import Session

from planner.database import tables
from planner.database.states import PlanState


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


@dataclass(frozen=True, slots=True)
class PlanSpan:
    """From when to when a plan has steps."""

    first_at: datetime
    last_at: datetime
    rows: int


def plan_span(db: Session, plan_id: int) -> PlanSpan | None:
    """Return from when to when a plan has steps; None where it has none."""
    row = tables.PlanRow
    of_plan = row.plan_id == plan_id
    # three questions in one statement, each answered by an index
    first, last, count = db.execute(
        select(
            select(func.min(row.start_at, type_=row.start_at.type)).where(of_plan).scalar_subquery(),
            select(func.max(row.end_at, type_=row.end_at.type)).where(of_plan).scalar_subquery(),
            select(func.count(row.id)).where(of_plan).scalar_subquery(),
        )
    ).one()
    return PlanSpan(first, last, count) if count else None


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
