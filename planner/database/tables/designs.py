"""Which tables keep the drawings? Designs, and their versions."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import (
    CheckConstraint,
    ForeignKey,
    UniqueConstraint,
)
from sqlalchemy.orm import Mapped, mapped_column, relationship

from planner.database.tables.common import DIGEST, NAME, WORD, Base, Recorded


class Design(Recorded, Base):
    """A picture by name; what is cut is one of its versions."""

    __tablename__ = "designs"

    name: Mapped[str] = mapped_column(NAME, unique=True)

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
    file_name: Mapped[str] = mapped_column(NAME)
    digest: Mapped[str] = mapped_column(DIGEST)  # sha256 of the artwork, as the engine writes it
    treatment: Mapped[str | None] = mapped_column(WORD)  # Treatment; NULL = as the file says
    width_mm: Mapped[float]
    height_mm: Mapped[float]
    approved_by: Mapped[str | None] = mapped_column(NAME)
    approved_at: Mapped[datetime | None]
    findings: Mapped[list[dict[str, Any]]] = mapped_column(default=list)

    design: Mapped[Design] = relationship(back_populates="versions")
