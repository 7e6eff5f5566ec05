"""Which tables say who does what, where and when? Plans, their rows, pins, benches and hands."""

from __future__ import annotations

from datetime import datetime, time
from typing import TYPE_CHECKING, Any

from sqlalchemy import (
    CheckConstraint,
    ForeignKey,
    Index,
    UniqueConstraint,
)
from sqlalchemy.orm import Mapped, mapped_column, relationship

from planner.database.states import (
    PlanState,
)
from planner.database.tables.common import NAME, WORD, Base, Recorded, one_of

if TYPE_CHECKING:
    from planner.database.tables.fleet import Machine
    from planner.database.tables.jobs import Job
    from planner.database.tables.seasons import Season


class Plan(Recorded, Base):
    """Who cuts what, where and when; at most one of a season is published."""

    __tablename__ = "plans"
    __table_args__ = (one_of("uq_plans_published", "season_id", "state = 'published'"),)

    season_id: Mapped[int] = mapped_column(ForeignKey("seasons.id"), index=True)
    state: Mapped[str] = mapped_column(WORD, default=PlanState.DRAFT)
    start_at: Mapped[datetime]  # minute 0 of the problem
    seed: Mapped[int]
    seconds: Mapped[float]
    versions: Mapped[dict[str, Any]] = mapped_column(default=dict)  # of the libraries that made it
    problem: Mapped[dict[str, Any]] = mapped_column(default=dict, deferred=True)
    tiers: Mapped[dict[str, Any]] = mapped_column(default=dict)  # name: value, bound, status
    undone: Mapped[list[dict[str, Any]]] = mapped_column(default=list)  # job and why, in words
    published_at: Mapped[datetime | None]
    published_by: Mapped[str | None] = mapped_column(NAME)
    revision: Mapped[int] = mapped_column()

    __mapper_args__ = {"version_id_col": revision}  # noqa: RUF012 - read by SQLAlchemy as it stands

    season: Mapped[Season] = relationship()
    rows: Mapped[list[PlanRow]] = relationship(
        back_populates="plan", order_by="PlanRow.start_at", cascade="all, delete-orphan"
    )
    bench_rows: Mapped[list[BenchRow]] = relationship(
        order_by="BenchRow.start_at", cascade="all, delete-orphan"
    )


class PlanRow(Base):
    """One step of a job in a plan, from the start of loading to the end of unloading."""

    __tablename__ = "plan_rows"
    __table_args__ = (
        UniqueConstraint("plan_id", "job_id", "step"),
        Index("ix_plan_rows_plan_id_start_at", "plan_id", "start_at"),
        Index("ix_plan_rows_plan_id_end_at", "plan_id", "end_at"),
        Index("ix_plan_rows_plan_id_machine_id", "plan_id", "machine_id", "start_at"),
        CheckConstraint("end_at > start_at", name="end_after_start"),
        CheckConstraint("step >= 0", name="step"),
    )

    plan_id: Mapped[int] = mapped_column(ForeignKey("plans.id"))
    job_id: Mapped[int] = mapped_column(ForeignKey("jobs.id"), index=True)
    step: Mapped[int] = mapped_column(default=0)
    machine_id: Mapped[int] = mapped_column(ForeignKey("machines.id"), index=True)
    start_at: Mapped[datetime]
    end_at: Mapped[datetime]
    cutters: Mapped[list[str]] = mapped_column(default=list)  # names of the cutters, in the order of use

    plan: Mapped[Plan] = relationship(back_populates="rows")
    job: Mapped[Job] = relationship()
    machine: Mapped[Machine] = relationship()


class Pin(Recorded, Base):
    """Where a lead wants a step to stay, whatever a new plan would do; taken away when it is let go."""

    __tablename__ = "pins"
    __table_args__ = (UniqueConstraint("job_id", "step"),)

    job_id: Mapped[int] = mapped_column(ForeignKey("jobs.id"))
    step: Mapped[int] = mapped_column(default=0)
    machine_id: Mapped[int] = mapped_column(ForeignKey("machines.id"), index=True)
    start_at: Mapped[datetime]

    job: Mapped[Job] = relationship()
    machine: Mapped[Machine] = relationship()


class Bench(Recorded, Base):
    """A bench with its places, or a set of carrier plates, which are held and not worked at."""

    __tablename__ = "benches"
    __table_args__ = (CheckConstraint("places >= 1", name="places"),)

    name: Mapped[str] = mapped_column(NAME, unique=True)
    kind: Mapped[str] = mapped_column(WORD)  # BenchKind
    steps: Mapped[list[str]] = mapped_column(default=list)  # BenchStep: what is done there
    places: Mapped[int] = mapped_column(default=1)
    minutes: Mapped[dict[str, float]] = mapped_column(default=dict)  # by step; others take the usual time
    active: Mapped[bool] = mapped_column(default=True)


class Hand(Recorded, Base):
    """Somebody who works at benches and machines, what they can do, and their hours."""

    __tablename__ = "hands"
    __table_args__ = (CheckConstraint("from_time < to_time", name="hours"),)

    name: Mapped[str] = mapped_column(NAME, unique=True)
    skills: Mapped[list[str]] = mapped_column(default=list)  # BenchStep, "machine", or "any"
    from_time: Mapped[time | None]  # local; NULL = as the machines are manned
    to_time: Mapped[time | None]
    active: Mapped[bool] = mapped_column(default=True)


class BenchRow(Base):
    """One step of a job at a bench, in a plan."""

    __tablename__ = "bench_rows"
    __table_args__ = (
        UniqueConstraint("plan_id", "job_id", "step"),
        CheckConstraint("end_at > start_at", name="end_after_start"),
    )

    plan_id: Mapped[int] = mapped_column(ForeignKey("plans.id"))
    job_id: Mapped[int] = mapped_column(ForeignKey("jobs.id"), index=True)
    step: Mapped[str] = mapped_column(WORD)  # BenchStep
    bench_id: Mapped[int] = mapped_column(ForeignKey("benches.id"), index=True)
    start_at: Mapped[datetime]
    end_at: Mapped[datetime]

    job: Mapped[Job] = relationship()
    bench: Mapped[Bench] = relationship()
