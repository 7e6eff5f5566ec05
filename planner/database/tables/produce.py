"""Which tables say what came in and how it was measured? Lots, pieces, walls, scans."""

from __future__ import annotations

from datetime import date, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import (
    CheckConstraint,
    ForeignKey,
    Index,
    String,
    Text,
)
from sqlalchemy.orm import Mapped, mapped_column, relationship

from planner.database.columns import Points
from planner.database.states import (
    LotState,
    WorkpieceState,
)
from planner.database.tables.common import DIGEST, NAME, WORD, Base, Recorded, Voidable, one_of


class Lot(Recorded, Base):
    """Produce that came on one lorry."""

    __tablename__ = "lots"
    __table_args__ = (
        Index("ix_lots_received_on", "received_on"),
        CheckConstraint("quantity >= 0", name="quantity"),
    )

    name: Mapped[str] = mapped_column(NAME, unique=True)
    variety: Mapped[str] = mapped_column(NAME)
    kind: Mapped[str] = mapped_column(WORD)  # ProduceKind
    quantity: Mapped[int]
    received_on: Mapped[date]
    state: Mapped[str] = mapped_column(WORD, default=LotState.ACCEPTED)
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
    state: Mapped[str] = mapped_column(WORD, default=WorkpieceState.WHOLE, index=True)
    store_place: Mapped[str] = mapped_column(NAME, default="")
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
        one_of("uq_scans_active", "workpiece_id", "active"),
        CheckConstraint("tip_radius_mm >= 0", name="tip_radius"),
        CheckConstraint("active = (void_reason IS NULL)", name="void_has_reason"),
    )

    workpiece_id: Mapped[int] = mapped_column(ForeignKey("workpieces.id"), index=True)
    taken_at: Mapped[datetime]
    state: Mapped[str] = mapped_column(WORD)  # ScanState: what the workpiece was then
    clamp_number: Mapped[int]
    tip_radius_mm: Mapped[float]
    points: Mapped[NDArray[np.float64]] = mapped_column(Points, deferred=True)  # tip centres, seat frame [mm]
    touches: Mapped[int]  # how many points
    file_name: Mapped[str] = mapped_column(NAME, default="")
    digest: Mapped[str] = mapped_column(DIGEST)  # sha256 of the probe file, as the engine writes it
    original: Mapped[str] = mapped_column(Text, deferred=True)  # the file's text as it came
    fit_rms_mm: Mapped[float | None]
    rechecked_at: Mapped[datetime | None]  # three places touched again agreed
    active: Mapped[bool] = mapped_column(default=True)

    workpiece: Mapped[Workpiece] = relationship(back_populates="scans")

    def void(self, reason: str, by: str, at: datetime) -> None:
        """Take the scan out of use; another one may then be active."""
        self.active = False
        super().void(reason, by, at)
