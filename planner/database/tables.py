"""What is recorded? Every table of the planner; read it from the season down to the floor.

Instants are UTC, nights are local dates of the season's site, angles are degrees as on every screen and file.
A record of fact says when it was recorded and by whom; it is voided, not deleted.
"""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import (
    JSON,
    CheckConstraint,
    ForeignKey,
    Index,
    MetaData,
    String,
    Text,
    UniqueConstraint,
    text,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column, relationship

from planner.database.columns import Points, UtcDateTime
from planner.database.states import (
    CutterState,
    JobState,
    LotState,
    PlanState,
    PreparationState,
    WorkpieceState,
    WorkState,
)

_NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}

_NAME = String(120)
_WORD = String(20)  # a state or a kind
_DIGEST = String(64)


class Base(DeclarativeBase):
    """The tables' common ground: names of constraints, and how Python types are stored."""

    metadata = MetaData(naming_convention=_NAMES)
    type_annotation_map = {  # noqa: RUF012 - SQLAlchemy reads it as a plain class attribute
        datetime: UtcDateTime,
        dict[str, Any]: JSON,
        dict[str, float]: JSON,
        list[str]: JSON,
        list[int]: JSON,
        list[dict[str, Any]]: JSON,
    }

    id: Mapped[int] = mapped_column(primary_key=True)


class Recorded:
    """When a fact was recorded, and by whom."""

    recorded_at: Mapped[datetime]
    recorded_by: Mapped[str] = mapped_column(_NAME)


class Voidable:
    """When a fact stopped to count, who said so and why."""

    voided_at: Mapped[datetime | None] = mapped_column()
    voided_by: Mapped[str | None] = mapped_column(_NAME)
    void_reason: Mapped[str | None] = mapped_column(Text)

    def void(self, reason: str, by: str, at: datetime) -> None:
        """Let it count no longer; what was recorded stays."""
        self.void_reason, self.voided_by, self.voided_at = reason, by, at


class Corrected(Voidable):
    """A fact that is corrected by a new entry; the old one stays, but counts no longer.

    Questions of a session leave out what is void, see `planner.database.session`; with the execution option
    `with_void` they find it too.
    """

    replaces_id: Mapped[int | None]
    """The entry that this one corrects, in the same table."""


def _one_of(name: str, column: str, where: str) -> Index:
    """Return an index that lets a value stand only once among the rows that fulfil a condition."""
    return Index(name, column, unique=True, sqlite_where=text(where), postgresql_where=text(where))


# --- the season ----------------------------------------------------------------------------------------


class Season(Recorded, Base):
    """A run of nights at one site."""

    __tablename__ = "seasons"
    __table_args__ = (
        CheckConstraint("last_night >= opening_night", name="nights_in_order"),
        CheckConstraint("placed_before_dusk_min >= 0", name="placed_before_dusk"),
    )

    name: Mapped[str] = mapped_column(_NAME, unique=True)
    site: Mapped[str] = mapped_column(_NAME)
    time_zone: Mapped[str] = mapped_column(String(64))  # IANA name
    opening_night: Mapped[date]
    last_night: Mapped[date]
    dusk: Mapped[time]  # local
    placed_before_dusk_min: Mapped[int] = mapped_column(default=45)  # common practice

    stations: Mapped[list[Station]] = relationship(back_populates="season", order_by="Station.id")
    nights: Mapped[list[Night]] = relationship(back_populates="season", order_by="Night.night")

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.time_zone)

    def dusk_at(self, night: date) -> datetime:
        """Return the instant of dusk on a night, with the site's zone."""
        return datetime.combine(night, self.dusk, self.zone)

    def due_at(self, night: date) -> datetime:
        """Return the instant by which a lantern of that night must stand, with the site's zone."""
        return self.dusk_at(night) - timedelta(minutes=self.placed_before_dusk_min)


class Station(Base):
    """A place that is promised to be lit every night."""

    __tablename__ = "stations"
    __table_args__ = (
        UniqueConstraint("season_id", "name"),
        CheckConstraint("least_rating BETWEEN 1 AND 10", name="least_rating"),
    )

    season_id: Mapped[int] = mapped_column(ForeignKey("seasons.id"))
    name: Mapped[str] = mapped_column(_NAME)
    area: Mapped[str] = mapped_column(_NAME)
    size_class: Mapped[str] = mapped_column(_WORD)  # SizeClass
    kind: Mapped[str] = mapped_column(_WORD)  # LanternKind
    least_rating: Mapped[int]

    season: Mapped[Season] = relationship(back_populates="stations")
    choices: Mapped[list[StationDesign]] = relationship(
        order_by="StationDesign.rank", cascade="all, delete-orphan"
    )


class StationDesign(Base):
    """A design that may hang at a station; one row is a fixed design, several are a choice, best first."""

    __tablename__ = "station_designs"
    __table_args__ = (UniqueConstraint("station_id", "design_id"),)

    station_id: Mapped[int] = mapped_column(ForeignKey("stations.id"))
    design_id: Mapped[int] = mapped_column(ForeignKey("designs.id"), index=True)
    rank: Mapped[int] = mapped_column(default=0)

    design: Mapped[Design] = relationship()


class Night(Base):
    """A night of the season and how warm it is said to be."""

    __tablename__ = "nights"
    __table_args__ = (
        UniqueConstraint("season_id", "night"),
        CheckConstraint("temperature_c BETWEEN -60 AND 60", name="temperature"),
    )

    season_id: Mapped[int] = mapped_column(ForeignKey("seasons.id"))
    night: Mapped[date]
    temperature_c: Mapped[float | None]

    season: Mapped[Season] = relationship(back_populates="nights")


# --- produce -------------------------------------------------------------------------------------------


class Lot(Recorded, Base):
    """Produce that came on one lorry."""

    __tablename__ = "lots"
    __table_args__ = (
        Index("ix_lots_received_on", "received_on"),
        CheckConstraint("quantity >= 0", name="quantity"),
    )

    name: Mapped[str] = mapped_column(_NAME, unique=True)
    variety: Mapped[str] = mapped_column(_NAME)
    kind: Mapped[str] = mapped_column(_WORD)  # ProduceKind
    quantity: Mapped[int]
    received_on: Mapped[date]
    state: Mapped[str] = mapped_column(_WORD, default=LotState.ACCEPTED)
    note: Mapped[str] = mapped_column(Text, default="")

    workpieces: Mapped[list[Workpiece]] = relationship(back_populates="lot", order_by="Workpiece.number")


class Workpiece(Recorded, Base):
    """One squash, turnip, gourd or foam blank, by the number on its tag."""

    __tablename__ = "workpieces"
    __table_args__ = (
        Index("ix_workpieces_lot_id_number", "lot_id", "number"),
        Index("ix_workpieces_lot_id_state", "lot_id", "state"),
        CheckConstraint("diameter_mm > 0 AND height_mm > 0", name="size"),
        CheckConstraint("ribs >= 0", name="ribs"),
        CheckConstraint("rib_mm >= 0", name="rib_height"),
        CheckConstraint("wall_default_mm > 0", name="wall_default"),
        CheckConstraint("clamp_number >= 0", name="clamp_number"),
    )

    lot_id: Mapped[int] = mapped_column(ForeignKey("lots.id"), index=True)
    number: Mapped[str] = mapped_column(String(40), unique=True)  # the tag
    diameter_mm: Mapped[float]
    height_mm: Mapped[float]
    ribs: Mapped[int] = mapped_column(default=0)
    rib_mm: Mapped[float | None]  # how high the ribs stand; NULL = not measured
    blemishes: Mapped[list[dict[str, Any]]] = mapped_column(default=list)  # longitude_deg, width_mm
    state: Mapped[str] = mapped_column(_WORD, default=WorkpieceState.WHOLE, index=True)
    store_place: Mapped[str] = mapped_column(_NAME, default="")
    wall_default_mm: Mapped[float | None]  # taken where no reading is
    hollowed_at: Mapped[datetime | None]
    clamp_number: Mapped[int] = mapped_column(default=0)  # grows with every clamping
    note: Mapped[str] = mapped_column(Text, default="")

    lot: Mapped[Lot] = relationship(back_populates="workpieces")
    wall_readings: Mapped[list[WallReading]] = relationship(
        back_populates="workpiece", order_by="WallReading.id"
    )
    scans: Mapped[list[Scan]] = relationship(back_populates="workpiece", order_by="Scan.id")


class WallReading(Recorded, Base):
    """How thick the wall is at one place; a later set of readings voids the earlier one."""

    __tablename__ = "wall_readings"
    __table_args__ = (
        CheckConstraint("wall_mm > 0", name="wall"),
        CheckConstraint("sigma_mm > 0", name="sigma"),
        CheckConstraint("latitude_deg BETWEEN -90 AND 90", name="latitude"),
    )

    workpiece_id: Mapped[int] = mapped_column(ForeignKey("workpieces.id"), index=True)
    longitude_deg: Mapped[float]
    latitude_deg: Mapped[float]
    wall_mm: Mapped[float]
    sigma_mm: Mapped[float]
    active: Mapped[bool] = mapped_column(default=True)

    workpiece: Mapped[Workpiece] = relationship(back_populates="wall_readings")


class Scan(Recorded, Voidable, Base):
    """One probing of a workpiece in one clamping; at most one of a workpiece is active."""

    __tablename__ = "scans"
    __table_args__ = (
        _one_of("uq_scans_active", "workpiece_id", "active"),
        CheckConstraint("tip_radius_mm >= 0", name="tip_radius"),
        CheckConstraint("active = (void_reason IS NULL)", name="void_has_reason"),
    )

    workpiece_id: Mapped[int] = mapped_column(ForeignKey("workpieces.id"), index=True)
    taken_at: Mapped[datetime]
    state: Mapped[str] = mapped_column(_WORD)  # ScanState: what the workpiece was then
    clamp_number: Mapped[int]
    tip_radius_mm: Mapped[float]
    points: Mapped[NDArray[np.float64]] = mapped_column(Points, deferred=True)  # tip centres, seat frame [mm]
    touches: Mapped[int]  # how many points
    file_name: Mapped[str] = mapped_column(_NAME, default="")
    digest: Mapped[str] = mapped_column(_DIGEST)  # sha256 of the probe file, as the engine writes it
    original: Mapped[str] = mapped_column(Text, deferred=True)  # the file's text as it came
    fit_rms_mm: Mapped[float | None]
    rechecked_at: Mapped[datetime | None]  # three places touched again agreed
    active: Mapped[bool] = mapped_column(default=True)

    workpiece: Mapped[Workpiece] = relationship(back_populates="scans")

    def void(self, reason: str, by: str, at: datetime) -> None:
        """Take the scan out of use; another one may then be active."""
        self.active = False
        super().void(reason, by, at)


# --- designs -------------------------------------------------------------------------------------------


class Design(Recorded, Base):
    """A picture by name; what is cut is one of its versions."""

    __tablename__ = "designs"

    name: Mapped[str] = mapped_column(_NAME, unique=True)

    versions: Mapped[list[DesignVersion]] = relationship(
        back_populates="design", order_by="DesignVersion.version"
    )


class DesignVersion(Recorded, Base):
    """One state of a design's artwork; never changed once stored."""

    __tablename__ = "design_versions"
    __table_args__ = (
        UniqueConstraint("design_id", "version"),
        CheckConstraint("version >= 1", name="version"),
        CheckConstraint("width_mm > 0 AND height_mm > 0", name="size"),
        CheckConstraint("(approved_by IS NULL) = (approved_at IS NULL)", name="approved"),
    )

    design_id: Mapped[int] = mapped_column(ForeignKey("designs.id"))
    version: Mapped[int]
    artwork: Mapped[bytes] = mapped_column(deferred=True)
    file_name: Mapped[str] = mapped_column(_NAME)
    digest: Mapped[str] = mapped_column(_DIGEST)  # sha256 of the artwork, as the engine writes it
    treatment: Mapped[str | None] = mapped_column(_WORD)  # Treatment; NULL = as the file says
    width_mm: Mapped[float]
    height_mm: Mapped[float]
    approved_by: Mapped[str | None] = mapped_column(_NAME)
    approved_at: Mapped[datetime | None]
    findings: Mapped[list[dict[str, Any]]] = mapped_column(default=list)

    design: Mapped[Design] = relationship(back_populates="versions")


# --- machines and cutters ------------------------------------------------------------------------------


class Machine(Recorded, Base):
    """A carving machine: its description as it was read, and what the planner must know of it."""

    __tablename__ = "machines"
    __table_args__ = (
        CheckConstraint("min_diameter_mm >= 0 AND max_diameter_mm > min_diameter_mm", name="diameters"),
        CheckConstraint("attended BETWEEN 0 AND 1", name="attended"),
        CheckConstraint("load_min >= 0 AND unload_min >= 0", name="load_and_unload"),
    )

    name: Mapped[str] = mapped_column(_NAME, unique=True)
    description: Mapped[str] = mapped_column(Text)  # the JSON text as given, see DEVELOPERS.md
    digest: Mapped[str] = mapped_column(_DIGEST)
    min_diameter_mm: Mapped[float] = mapped_column(default=0.0)
    max_diameter_mm: Mapped[float]
    max_height_mm: Mapped[float | None]  # longest workpiece along its axis
    kinds: Mapped[list[str]] = mapped_column(default=list)  # ProduceKind it takes; empty = all
    fixture_class: Mapped[str] = mapped_column(_WORD)  # the one it stands with when the plan begins
    fixtures: Mapped[list[str]] = mapped_column(default=list)  # all it can be given
    build: Mapped[str] = mapped_column(Text, default="")  # what it looks like, in words
    load_min: Mapped[float] = mapped_column(default=5.0)
    unload_min: Mapped[float] = mapped_column(default=6.0)
    attended: Mapped[float] = mapped_column(default=0.33)  # share of a run that needs a person
    active: Mapped[bool] = mapped_column(default=True)
    revision: Mapped[int] = mapped_column()

    __mapper_args__ = {"version_id_col": revision}  # noqa: RUF012 - read by SQLAlchemy as it stands

    shifts: Mapped[list[MachineShift]] = relationship(
        back_populates="machine", order_by="MachineShift.start_at"
    )
    breakdowns: Mapped[list[Breakdown]] = relationship(
        back_populates="machine", order_by="Breakdown.start_at"
    )
    proof_marks: Mapped[list[ProofMark]] = relationship(
        back_populates="machine", order_by="ProofMark.made_at"
    )
    cutters: Mapped[list[Cutter]] = relationship(back_populates="machine", order_by="Cutter.name")


class MachineShift(Recorded, Base):
    """When a machine is manned."""

    __tablename__ = "machine_shifts"
    __table_args__ = (
        UniqueConstraint("machine_id", "start_at"),
        CheckConstraint("end_at > start_at", name="end_after_start"),
    )

    machine_id: Mapped[int] = mapped_column(ForeignKey("machines.id"))
    start_at: Mapped[datetime]
    end_at: Mapped[datetime]

    machine: Mapped[Machine] = relationship(back_populates="shifts")


class Breakdown(Recorded, Base):
    """When a machine is down; without an end it is down until further notice."""

    __tablename__ = "breakdowns"
    __table_args__ = (CheckConstraint("end_at > start_at", name="end_after_start"),)

    machine_id: Mapped[int] = mapped_column(ForeignKey("machines.id"), index=True)
    start_at: Mapped[datetime]
    end_at: Mapped[datetime | None]
    reason: Mapped[str] = mapped_column(Text)

    machine: Mapped[Machine] = relationship(back_populates="breakdowns")


class ProofMark(Recorded, Voidable, Base):
    """The mark that shows a machine cuts the right way round; void after any change of its wiring."""

    __tablename__ = "proof_marks"
    __table_args__ = (CheckConstraint("(voided_at IS NULL) = (void_reason IS NULL)", name="void_has_reason"),)

    machine_id: Mapped[int] = mapped_column(ForeignKey("machines.id"), index=True)
    made_at: Mapped[datetime]
    made_by: Mapped[str] = mapped_column(_NAME)

    machine: Mapped[Machine] = relationship(back_populates="proof_marks")


class Cutter(Recorded, Base):
    """One cutter by its mark, e.g. 6F-01; equal cutters share a type."""

    __tablename__ = "cutters"
    __table_args__ = (CheckConstraint("life_left BETWEEN 0 AND 1", name="life_left"),)

    name: Mapped[str] = mapped_column(String(40), unique=True)
    type_name: Mapped[str] = mapped_column(_NAME, index=True)
    description: Mapped[dict[str, Any]]  # one entry of a cutters file
    life_left: Mapped[float] = mapped_column(default=1.0)
    state: Mapped[str] = mapped_column(_WORD, default=CutterState.STORED)
    machine_id: Mapped[int | None] = mapped_column(ForeignKey("machines.id"), index=True)

    machine: Mapped[Machine | None] = relationship(back_populates="cutters")


# --- jobs and their preparing --------------------------------------------------------------------------


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
    state: Mapped[str] = mapped_column(_WORD, default=JobState.WANTED, index=True)
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
    state: Mapped[str] = mapped_column(_WORD, default=PreparationState.DONE)
    inputs_digest: Mapped[str] = mapped_column(_DIGEST)  # of all inputs: equal inputs, equal program
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


# --- plans ---------------------------------------------------------------------------------------------


class Plan(Recorded, Base):
    """Who cuts what, where and when; at most one of a season is published."""

    __tablename__ = "plans"
    __table_args__ = (_one_of("uq_plans_published", "season_id", "state = 'published'"),)

    season_id: Mapped[int] = mapped_column(ForeignKey("seasons.id"), index=True)
    state: Mapped[str] = mapped_column(_WORD, default=PlanState.DRAFT)
    start_at: Mapped[datetime]  # minute 0 of the problem
    seed: Mapped[int]
    seconds: Mapped[float]
    versions: Mapped[dict[str, Any]] = mapped_column(default=dict)  # of the libraries that made it
    problem: Mapped[dict[str, Any]] = mapped_column(default=dict, deferred=True)
    tiers: Mapped[dict[str, Any]] = mapped_column(default=dict)  # name: value, bound, status
    undone: Mapped[list[dict[str, Any]]] = mapped_column(default=list)  # job and why, in words
    published_at: Mapped[datetime | None]
    published_by: Mapped[str | None] = mapped_column(_NAME)
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


# --- benches, and who works at them --------------------------------------------------------------------


class Bench(Recorded, Base):
    """A bench with its places, or a set of carrier plates, which are held and not worked at."""

    __tablename__ = "benches"
    __table_args__ = (CheckConstraint("places >= 1", name="places"),)

    name: Mapped[str] = mapped_column(_NAME, unique=True)
    kind: Mapped[str] = mapped_column(_WORD)  # BenchKind
    steps: Mapped[list[str]] = mapped_column(default=list)  # BenchStep: what is done there
    places: Mapped[int] = mapped_column(default=1)
    minutes: Mapped[dict[str, float]] = mapped_column(default=dict)  # by step; others take the usual time
    active: Mapped[bool] = mapped_column(default=True)


class Hand(Recorded, Base):
    """Somebody who works at benches and machines, what they can do, and their hours."""

    __tablename__ = "hands"
    __table_args__ = (CheckConstraint("from_time < to_time", name="hours"),)

    name: Mapped[str] = mapped_column(_NAME, unique=True)
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
    step: Mapped[str] = mapped_column(_WORD)  # BenchStep
    bench_id: Mapped[int] = mapped_column(ForeignKey("benches.id"), index=True)
    start_at: Mapped[datetime]
    end_at: Mapped[datetime]

    job: Mapped[Job] = relationship()
    bench: Mapped[Bench] = relationship()


# --- the floor -----------------------------------------------------------------------------------------


class Run(Recorded, Corrected, Base):
    """What really happened at a machine, as it was reported; a machine has one open run at most."""

    __tablename__ = "runs"
    __table_args__ = (
        _one_of("uq_runs_open", "machine_id", "ended_at IS NULL AND voided_at IS NULL"),
        Index("ix_runs_ended_at", "ended_at"),
        CheckConstraint("ended_at >= started_at", name="end_after_start"),
        CheckConstraint("(ended_at IS NULL) = (outcome IS NULL)", name="ended_has_outcome"),
        CheckConstraint("outcome <> 'scrapped' OR scrap_reason IS NOT NULL", name="scrap_has_reason"),
    )

    job_id: Mapped[int] = mapped_column(ForeignKey("jobs.id"), index=True)
    machine_id: Mapped[int] = mapped_column(ForeignKey("machines.id"), index=True)
    workpiece_id: Mapped[int] = mapped_column(ForeignKey("workpieces.id"), index=True)
    preparation_id: Mapped[int | None] = mapped_column(ForeignKey("preparations.id"), index=True)
    started_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]
    outcome: Mapped[str | None] = mapped_column(_WORD)  # RunOutcome
    scrap_reason: Mapped[str | None] = mapped_column(Text)
    checks: Mapped[list[str]] = mapped_column(default=list)  # of the sheet, ticked before the start
    resume_from: Mapped[str] = mapped_column(_NAME, default="", server_default="")  # first pass not yet whole
    continues_id: Mapped[int | None] = mapped_column(ForeignKey("runs.id"))  # the run it goes on with

    job: Mapped[Job] = relationship()
    machine: Mapped[Machine] = relationship()
    workpiece: Mapped[Workpiece] = relationship()
    cutter_uses: Mapped[list[CutterUse]] = relationship(back_populates="run")
    pauses: Mapped[list[Pause]] = relationship(back_populates="run", order_by="Pause.start_at")


class Pause(Recorded, Corrected, Base):
    """A stretch in which a run stood still, and why."""

    __tablename__ = "pauses"
    __table_args__ = (
        _one_of("uq_pauses_open", "run_id", "end_at IS NULL AND voided_at IS NULL"),
        CheckConstraint("end_at >= start_at", name="end_after_start"),
    )

    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id"), index=True)
    start_at: Mapped[datetime]
    end_at: Mapped[datetime | None]
    reason: Mapped[str] = mapped_column(Text)

    run: Mapped[Run] = relationship(back_populates="pauses")


class MachineReport(Recorded, Base):
    """What a controller sent, as it came; a report that is sent again counts once."""

    __tablename__ = "machine_reports"
    __table_args__ = (
        UniqueConstraint("machine_id", "event"),
        Index("ix_machine_reports_machine_id_happened_at", "machine_id", "happened_at"),
        Index(
            "ix_machine_reports_waits",
            "machine_id",
            sqlite_where=text("waits"),
            postgresql_where=text("waits"),
        ),
    )

    machine_id: Mapped[int] = mapped_column(ForeignKey("machines.id"))
    event: Mapped[str] = mapped_column(String(80))  # the controller's own number of the report
    kind: Mapped[str] = mapped_column(_WORD)
    happened_at: Mapped[datetime] = mapped_column(index=True)
    job_id: Mapped[int | None] = mapped_column(ForeignKey("jobs.id"), index=True)
    said: Mapped[dict[str, Any]] = mapped_column(default=dict)
    answer: Mapped[str] = mapped_column(Text, default="")  # what was made of it
    waits: Mapped[bool] = mapped_column(default=False, server_default=text("false"))  # for one still missing


class RunMark(Recorded, Corrected, Base):
    """A fault in a run, or how far a place had drifted when it was touched again."""

    __tablename__ = "run_marks"
    __table_args__ = (CheckConstraint("value_mm >= 0", name="value"),)

    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id"), index=True)
    kind: Mapped[str] = mapped_column(_WORD)  # RunMarkKind
    happened_at: Mapped[datetime]
    value_mm: Mapped[float | None]
    words: Mapped[str] = mapped_column(Text, default="")


class LitCheck(Recorded, Corrected, Base):
    """How a lit lantern was rated by one person, 10 down to 1."""

    __tablename__ = "lit_checks"
    __table_args__ = (CheckConstraint("rating BETWEEN 1 AND 10", name="rating"),)

    job_id: Mapped[int] = mapped_column(ForeignKey("jobs.id"), index=True)
    rating: Mapped[int]
    faults: Mapped[list[str]] = mapped_column(default=list)
    note: Mapped[str] = mapped_column(Text, default="")
    photo: Mapped[str] = mapped_column(_NAME, default="", server_default="")  # digest of the picture
    exposure: Mapped[str] = mapped_column(_NAME, default="", server_default="")  # with which it was taken

    job: Mapped[Job] = relationship()


class NightWalk(Recorded, Corrected, Base):
    """What a walker saw of a lantern on a night: replace it tonight, tomorrow, or it is sound."""

    __tablename__ = "night_walks"
    __table_args__ = (
        CheckConstraint("rating BETWEEN 1 AND 10", name="rating"),
        CheckConstraint("sag BETWEEN 0 AND 1", name="sag"),
        Index("ix_night_walks_night", "night"),
    )

    job_id: Mapped[int] = mapped_column(ForeignKey("jobs.id"), index=True)
    night: Mapped[date]
    seen_at: Mapped[datetime]
    verdict: Mapped[str] = mapped_column(_WORD)  # WalkVerdict
    rating: Mapped[int | None]
    sag: Mapped[float | None]  # share of its height that the stem has lost
    faults: Mapped[list[str]] = mapped_column(default=list)
    note: Mapped[str] = mapped_column(Text, default="")

    job: Mapped[Job] = relationship()


class PieceStep(Recorded, Corrected, Base):
    """One step of a piece's way through the shop: where, on which carrier, in which clamping."""

    __tablename__ = "piece_steps"

    workpiece_id: Mapped[int] = mapped_column(ForeignKey("workpieces.id"), index=True)
    step: Mapped[str] = mapped_column(_WORD)  # PieceStepKind
    happened_at: Mapped[datetime]
    place: Mapped[str] = mapped_column(_NAME, default="")
    carrier: Mapped[str] = mapped_column(_WORD, default="")
    clamp_number: Mapped[int] = mapped_column(default=0)
    voided: Mapped[list[str]] = mapped_column(default=list)  # what of earlier facts it made void, in words


class LotSample(Recorded, Corrected, Base):
    """Pieces of a lot that were looked at one by one, and how many were bad."""

    __tablename__ = "lot_samples"
    __table_args__ = (
        CheckConstraint("pieces >= 1 AND bad >= 0 AND bad <= pieces", name="bad"),
        CheckConstraint("soft_rot >= 0 AND soft_rot <= bad", name="soft_rot"),
    )

    lot_id: Mapped[int] = mapped_column(ForeignKey("lots.id"), index=True)
    pieces: Mapped[int]
    bad: Mapped[int]
    soft_rot: Mapped[int]
    note: Mapped[str] = mapped_column(Text, default="")


class CutterEntry(Recorded, Corrected, Base):
    """One line of a cutter's ledger; what runs took stands in `CutterUse`."""

    __tablename__ = "cutter_entries"
    __table_args__ = (CheckConstraint("wear_mm >= 0 AND stick_out_mm > 0", name="amounts"),)

    cutter_id: Mapped[int] = mapped_column(ForeignKey("cutters.id"), index=True)
    kind: Mapped[str] = mapped_column(_WORD)  # CutterEntryKind
    happened_at: Mapped[datetime]
    machine_id: Mapped[int | None] = mapped_column(ForeignKey("machines.id"), index=True)
    stick_out_mm: Mapped[float | None]
    wear_mm: Mapped[float | None]  # flank wear that was measured
    look: Mapped[str] = mapped_column(_NAME, default="")  # e.g. frayed skin
    life_left: Mapped[float | None]  # after this entry, where it sets it
    note: Mapped[str] = mapped_column(Text, default="")


class MachineCheck(Recorded, Corrected, Base):
    """A tick or a reading of a machine: cleaned, serviced, ring gauge, full turn back to its mark."""

    __tablename__ = "machine_checks"

    machine_id: Mapped[int] = mapped_column(ForeignKey("machines.id"), index=True)
    kind: Mapped[str] = mapped_column(_WORD)  # MachineCheckKind
    made_at: Mapped[datetime]
    value: Mapped[float | None]
    passed: Mapped[bool] = mapped_column(default=True)
    note: Mapped[str] = mapped_column(Text, default="")


class Absence(Recorded, Voidable, Base):
    """When somebody who is counted on is away."""

    __tablename__ = "absences"
    __table_args__ = (CheckConstraint("end_at > start_at", name="end_after_start"),)

    person: Mapped[str] = mapped_column(_NAME)
    start_at: Mapped[datetime]
    end_at: Mapped[datetime]
    reason: Mapped[str] = mapped_column(Text, default="")


class HandOver(Recorded, Base):
    """What one shift leaves to the next; signed by both."""

    __tablename__ = "hand_overs"

    season_id: Mapped[int] = mapped_column(ForeignKey("seasons.id"), index=True)
    facts: Mapped[list[str]] = mapped_column(default=list)  # filled in by itself
    words: Mapped[str] = mapped_column(Text, default="")
    taken_by: Mapped[str | None] = mapped_column(_NAME)
    taken_at: Mapped[datetime | None]


class CutterUse(Recorded, Corrected, Base):
    """What a run took out of a cutter."""

    __tablename__ = "cutter_uses"
    __table_args__ = (
        UniqueConstraint("run_id", "cutter_id"),
        CheckConstraint("metres >= 0 AND minutes >= 0 AND wear >= 0", name="amounts"),
    )

    run_id: Mapped[int] = mapped_column(ForeignKey("runs.id"))
    cutter_id: Mapped[int] = mapped_column(ForeignKey("cutters.id"), index=True)
    metres: Mapped[float]
    minutes: Mapped[float]
    wear: Mapped[float]  # share of a life

    run: Mapped[Run] = relationship(back_populates="cutter_uses")
    cutter: Mapped[Cutter] = relationship()


# --- long work -----------------------------------------------------------------------------------------


class Work(Recorded, Base):
    """A long piece of work: asked for by a page, done by the worker, watched by both."""

    __tablename__ = "works"
    __table_args__ = (CheckConstraint("done >= 0 AND total >= 0", name="amounts"),)

    kind: Mapped[str] = mapped_column(_WORD)
    arguments: Mapped[dict[str, Any]] = mapped_column(default=dict)
    state: Mapped[str] = mapped_column(_WORD, default=WorkState.WAITING, index=True)
    done: Mapped[int] = mapped_column(default=0)
    total: Mapped[int] = mapped_column(default=0)
    note: Mapped[str] = mapped_column(Text, default="")
    claimed_by: Mapped[str | None] = mapped_column(_NAME)
    heartbeat_at: Mapped[datetime | None]
    cancel_asked: Mapped[bool] = mapped_column(default=False)
    started_at: Mapped[datetime | None]
    ended_at: Mapped[datetime | None]
    error: Mapped[str | None] = mapped_column(Text)
    result: Mapped[dict[str, Any]] = mapped_column(default=dict)  # for work whose answer has no table


# --- people, and what they changed ---------------------------------------------------------------------


class Person(Recorded, Base):
    """Somebody who signs in."""

    __tablename__ = "people"

    name: Mapped[str] = mapped_column(_NAME, unique=True)
    role: Mapped[str] = mapped_column(_WORD)  # Role
    password: Mapped[str] = mapped_column(String(300))  # salt and key, never the words
    active: Mapped[bool] = mapped_column(default=True)


class OneTimeLink(Recorded, Base):
    """An invitation that makes one person, once."""

    __tablename__ = "one_time_links"

    digest: Mapped[str] = mapped_column(_DIGEST, unique=True)  # of what stands in the address
    role: Mapped[str] = mapped_column(_WORD)
    ends_at: Mapped[datetime]
    used_at: Mapped[datetime | None]


class SignIn(Base):
    """One signing in at one device, until it ends."""

    __tablename__ = "sign_ins"

    person_id: Mapped[int] = mapped_column(ForeignKey("people.id"), index=True)
    digest: Mapped[str] = mapped_column(_DIGEST, unique=True)  # of what the device holds
    started_at: Mapped[datetime]
    ends_at: Mapped[datetime]

    person: Mapped[Person] = relationship()


class SignInTry(Base):
    """A password that was wrong; too many in a short time close the door for a while."""

    __tablename__ = "sign_in_tries"

    name: Mapped[str] = mapped_column(_NAME, index=True)
    address: Mapped[str] = mapped_column(String(64), index=True)
    tried_at: Mapped[datetime]


class MachineToken(Recorded, Voidable, Base):
    """What a controller shows when it reports; told once, kept as a digest."""

    __tablename__ = "machine_tokens"

    machine_id: Mapped[int] = mapped_column(ForeignKey("machines.id"), index=True)
    name: Mapped[str] = mapped_column(_NAME)
    digest: Mapped[str] = mapped_column(_DIGEST, unique=True)

    machine: Mapped[Machine] = relationship()


class Change(Recorded, Base):
    """Who changed what, in words, and how it is taken back; nothing in it is ever overwritten."""

    __tablename__ = "changes"

    kind: Mapped[str] = mapped_column(_WORD)
    words: Mapped[str] = mapped_column(Text)
    about: Mapped[str] = mapped_column(String(60), default="", server_default="", index=True)  # e.g. job 12
    undo: Mapped[dict[str, Any]] = mapped_column(default=dict)  # empty: cannot be taken back
    undone_at: Mapped[datetime | None]
    undone_by: Mapped[str | None] = mapped_column(_NAME)
