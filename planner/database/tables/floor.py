"""Which tables say what really happened? Runs, reports, checks, walks, steps and cutter lines."""

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
    text,
)
from sqlalchemy.orm import Mapped, mapped_column, relationship

from planner.database.tables.common import NAME, WORD, Base, Corrected, Recorded, Voidable, one_of

if TYPE_CHECKING:
    from planner.database.tables.fleet import Cutter, Machine
    from planner.database.tables.jobs import Job
    from planner.database.tables.produce import Workpiece


class Run(Recorded, Corrected, Base):
    """What really happened at a machine, as it was reported; a machine has one open run at most."""

    __tablename__ = "runs"
    __table_args__ = (
        one_of("uq_runs_open", "machine_id", "ended_at IS NULL AND voided_at IS NULL"),
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
    outcome: Mapped[str | None] = mapped_column(WORD)  # RunOutcome
    scrap_reason: Mapped[str | None] = mapped_column(Text)
    checks: Mapped[list[str]] = mapped_column(default=list)  # of the sheet, ticked before the start
    resume_from: Mapped[str] = mapped_column(NAME, default="", server_default="")  # first pass not yet whole
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
        one_of("uq_pauses_open", "run_id", "end_at IS NULL AND voided_at IS NULL"),
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
    kind: Mapped[str] = mapped_column(WORD)
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
    kind: Mapped[str] = mapped_column(WORD)  # RunMarkKind
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
    photo: Mapped[str] = mapped_column(NAME, default="", server_default="")  # digest of the picture
    exposure: Mapped[str] = mapped_column(NAME, default="", server_default="")  # with which it was taken

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
    verdict: Mapped[str] = mapped_column(WORD)  # WalkVerdict
    rating: Mapped[int | None]
    sag: Mapped[float | None]  # share of its height that the stem has lost
    faults: Mapped[list[str]] = mapped_column(default=list)
    note: Mapped[str] = mapped_column(Text, default="")

    job: Mapped[Job] = relationship()


class PieceStep(Recorded, Corrected, Base):
    """One step of a piece's way through the shop: where, on which carrier, in which clamping."""

    __tablename__ = "piece_steps"

    workpiece_id: Mapped[int] = mapped_column(ForeignKey("workpieces.id"), index=True)
    step: Mapped[str] = mapped_column(WORD)  # PieceStepKind
    happened_at: Mapped[datetime]
    place: Mapped[str] = mapped_column(NAME, default="")
    carrier: Mapped[str] = mapped_column(WORD, default="")
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
    kind: Mapped[str] = mapped_column(WORD)  # CutterEntryKind
    happened_at: Mapped[datetime]
    machine_id: Mapped[int | None] = mapped_column(ForeignKey("machines.id"), index=True)
    stick_out_mm: Mapped[float | None]
    wear_mm: Mapped[float | None]  # flank wear that was measured
    look: Mapped[str] = mapped_column(NAME, default="")  # e.g. frayed skin
    life_left: Mapped[float | None]  # after this entry, where it sets it
    note: Mapped[str] = mapped_column(Text, default="")


class MachineCheck(Recorded, Corrected, Base):
    """A tick or a reading of a machine: cleaned, serviced, ring gauge, full turn back to its mark."""

    __tablename__ = "machine_checks"

    machine_id: Mapped[int] = mapped_column(ForeignKey("machines.id"), index=True)
    kind: Mapped[str] = mapped_column(WORD)  # MachineCheckKind
    made_at: Mapped[datetime]
    value: Mapped[float | None]
    passed: Mapped[bool] = mapped_column(default=True)
    note: Mapped[str] = mapped_column(Text, default="")


class LifeFit(Recorded, Voidable, Base):
    """How long lanterns last on show, as taken over from the walks; the newest that counts is in force."""

    __tablename__ = "life_fits"

    season_id: Mapped[int] = mapped_column(ForeignKey("seasons.id"), index=True)
    days_at_reference: Mapped[float]
    halving_c: Mapped[float]  # so many degrees more halve a life
    shape: Mapped[float]  # of the Weibull law
    relief: Mapped[float]  # by which a relief lasts longer
    lots: Mapped[dict[str, float]] = mapped_column(default=dict)  # factor by lot
    lanterns: Mapped[int]
    ended: Mapped[int]


class Absence(Recorded, Voidable, Base):
    """When somebody who is counted on is away."""

    __tablename__ = "absences"
    __table_args__ = (CheckConstraint("end_at > start_at", name="end_after_start"),)

    person: Mapped[str] = mapped_column(NAME)
    start_at: Mapped[datetime]
    end_at: Mapped[datetime]
    reason: Mapped[str] = mapped_column(Text, default="")


class HandOver(Recorded, Base):
    """What one shift leaves to the next; signed by both."""

    __tablename__ = "hand_overs"

    season_id: Mapped[int] = mapped_column(ForeignKey("seasons.id"), index=True)
    facts: Mapped[list[str]] = mapped_column(default=list)  # filled in by itself
    words: Mapped[str] = mapped_column(Text, default="")
    taken_by: Mapped[str | None] = mapped_column(NAME)
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
