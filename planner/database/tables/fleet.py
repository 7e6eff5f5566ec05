"""Which tables say what cuts? Machines, shifts, breakdowns, proof marks, cutters."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import (
    CheckConstraint,
    ForeignKey,
    String,
    Text,
    UniqueConstraint,
)
from sqlalchemy.orm import Mapped, mapped_column, relationship

from planner.database.states import (
    CutterState,
)
from planner.database.tables.common import DIGEST, NAME, WORD, Base, Recorded, Voidable


class Machine(Recorded, Base):
    """A carving machine: its description as it was read, and what the planner must know of it."""

    __tablename__ = "machines"
    __table_args__ = (
        CheckConstraint("min_diameter_mm >= 0 AND max_diameter_mm > min_diameter_mm", name="diameters"),
        CheckConstraint("attended BETWEEN 0 AND 1", name="attended"),
        CheckConstraint("load_min >= 0 AND unload_min >= 0", name="load_and_unload"),
    )

    name: Mapped[str] = mapped_column(NAME, unique=True)
    description: Mapped[str] = mapped_column(Text)  # the JSON text as given, see DEVELOPERS.md
    digest: Mapped[str] = mapped_column(DIGEST)
    min_diameter_mm: Mapped[float] = mapped_column(default=0.0)
    max_diameter_mm: Mapped[float]
    max_height_mm: Mapped[float | None]  # longest workpiece along its axis
    kinds: Mapped[list[str]] = mapped_column(default=list)  # ProduceKind it takes; empty = all
    fixture_class: Mapped[str] = mapped_column(WORD)  # the one it stands with when the plan begins
    fixtures: Mapped[list[str]] = mapped_column(default=list)  # all it can be given
    fixture_kinds: Mapped[dict[str, list[str]]] = mapped_column(
        default=dict
    )  # what a fixture holds; none = all
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
    made_by: Mapped[str] = mapped_column(NAME)

    machine: Mapped[Machine] = relationship(back_populates="proof_marks")


class Cutter(Recorded, Base):
    """One cutter by its mark, e.g. 6F-01; equal cutters share a type."""

    __tablename__ = "cutters"
    __table_args__ = (CheckConstraint("life_left BETWEEN 0 AND 1", name="life_left"),)

    name: Mapped[str] = mapped_column(String(40), unique=True)
    type_name: Mapped[str] = mapped_column(NAME, index=True)
    description: Mapped[dict[str, Any]]  # one entry of a cutters file
    life_left: Mapped[float] = mapped_column(default=1.0)
    state: Mapped[str] = mapped_column(WORD, default=CutterState.STORED)
    machine_id: Mapped[int | None] = mapped_column(ForeignKey("machines.id"), index=True)

    machine: Mapped[Machine | None] = relationship(back_populates="cutters")
