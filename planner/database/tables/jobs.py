"""Which tables say what is to be cut, and what became of preparing it? Jobs, programs, run times."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from sqlalchemy import (
    CheckConstraint,
    ForeignKey,
    Index,
    String,
    Text,
    UniqueConstraint,
)
from sqlalchemy.orm import Mapped, mapped_column, relationship

from planner.database.states import (
    JobState,
    PreparationState,
)
from planner.database.tables.common import DIGEST, WORD, Base, Recorded

if TYPE_CHECKING:
    from planner.database.tables.designs import DesignVersion
    from planner.database.tables.fleet import Machine
    from planner.database.tables.produce import Workpiece
    from planner.database.tables.seasons import Season, Station


class Job(Recorded, Base):
    """One lantern: a station's lit night, or a spare without a station."""

    __tablename__ = "jobs"
    __table_args__ = (
        # holds all that nights are counted by
        Index("ix_jobs_season_id_night_state", "season_id", "night", "state", "station_id"),
        CheckConstraint("priority >= 1", name="priority"),
        CheckConstraint("width_mm > 0", name="width"),
        CheckConstraint("latitude_deg BETWEEN -90 AND 90", name="latitude"),
    )

    season_id: Mapped[int] = mapped_column(ForeignKey("seasons.id"), index=True)
    station_id: Mapped[int | None] = mapped_column(ForeignKey("stations.id"), index=True)
    night: Mapped[date]  # the first night it must be lit
    workpiece_id: Mapped[int | None] = mapped_column(ForeignKey("workpieces.id"), index=True)
    design_version_id: Mapped[int | None] = mapped_column(ForeignKey("design_versions.id"), index=True)
    longitude_deg: Mapped[float] = mapped_column(default=0.0)  # the middle of the design
    latitude_deg: Mapped[float] = mapped_column(default=0.0)
    turn_deg: Mapped[float] = mapped_column(default=0.0)  # counter-clockwise seen from outside
    mirror: Mapped[bool] = mapped_column(default=False)
    width_mm: Mapped[float | None]  # NULL = the design's own
    cutter_types: Mapped[list[str]] = mapped_column(default=list)  # in the order of use
    overrides: Mapped[dict[str, Any]] = mapped_column(default=dict)  # cutter and feed values for this job
    priority: Mapped[int] = mapped_column(default=1)
    state: Mapped[str] = mapped_column(WORD, default=JobState.WANTED, index=True)
    revision: Mapped[int] = mapped_column()

    __mapper_args__ = {"version_id_col": revision}  # noqa: RUF012 - read by SQLAlchemy as it stands

    season: Mapped[Season] = relationship()
    station: Mapped[Station | None] = relationship()
    workpiece: Mapped[Workpiece | None] = relationship()
    design_version: Mapped[DesignVersion | None] = relationship()
    preparations: Mapped[list[Preparation]] = relationship(back_populates="job", order_by="Preparation.id")
    run_times: Mapped[list[RunTime]] = relationship(back_populates="job", cascade="all, delete-orphan")


class Preparation(Recorded, Base):
    """A job prepared for one machine: where its package lies, and what was found."""

    __tablename__ = "preparations"
    __table_args__ = (
        UniqueConstraint("job_id", "machine_id", "inputs_digest"),
        CheckConstraint("run_s >= 0 AND cutting_m >= 0", name="run"),
    )

    job_id: Mapped[int] = mapped_column(ForeignKey("jobs.id"))
    machine_id: Mapped[int] = mapped_column(ForeignKey("machines.id"), index=True)
    state: Mapped[str] = mapped_column(WORD, default=PreparationState.DONE)
    inputs_digest: Mapped[str] = mapped_column(DIGEST)  # of all inputs: equal inputs, equal program
    folder: Mapped[str] = mapped_column(Text, default="")  # of the job package, under the packages' folder
    run_s: Mapped[float | None]
    cutting_m: Mapped[float | None]
    wear: Mapped[dict[str, float]] = mapped_column(default=dict)  # share of life by cutter type
    findings: Mapped[list[dict[str, Any]]] = mapped_column(default=list)
    outline_median_mm: Mapped[float | None]
    outline_p99_mm: Mapped[float | None]
    outline_max_mm: Mapped[float | None]
    depth_median_mm: Mapped[float | None]
    depth_max_mm: Mapped[float | None]
    prepared_at: Mapped[datetime]
    engine_version: Mapped[str] = mapped_column(String(40))

    job: Mapped[Job] = relationship(back_populates="preparations")
    machine: Mapped[Machine] = relationship()


class RunTime(Base):
    """How long a job runs on a machine and what it wears, or why it cannot run there."""

    __tablename__ = "run_times"
    __table_args__ = (
        UniqueConstraint("job_id", "machine_id"),
        CheckConstraint("run_min >= 0", name="run"),
        CheckConstraint("NOT eligible OR run_min IS NOT NULL", name="eligible_has_time"),
        CheckConstraint("eligible OR reason <> ''", name="barred_has_reason"),
    )

    job_id: Mapped[int] = mapped_column(ForeignKey("jobs.id"))
    machine_id: Mapped[int] = mapped_column(ForeignKey("machines.id"), index=True)
    preparation_id: Mapped[int | None] = mapped_column(ForeignKey("preparations.id"), index=True)
    eligible: Mapped[bool]
    reason: Mapped[str] = mapped_column(Text, default="")
    run_min: Mapped[float | None]
    wear: Mapped[dict[str, float]] = mapped_column(default=dict)  # share of life by cutter type

    job: Mapped[Job] = relationship(back_populates="run_times")
    machine: Mapped[Machine] = relationship()
    preparation: Mapped[Preparation | None] = relationship()
