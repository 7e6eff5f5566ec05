"""Which tables say what is wanted? Season, stations, nights."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from sqlalchemy import (
    CheckConstraint,
    ForeignKey,
    String,
    UniqueConstraint,
)
from sqlalchemy.orm import Mapped, mapped_column, relationship

from planner.database.tables.common import NAME, WORD, Base, Recorded

if TYPE_CHECKING:
    from planner.database.tables.designs import Design


class Season(Recorded, Base):
    """A run of nights at one site."""

    __tablename__ = "seasons"
    __table_args__ = (
        CheckConstraint("last_night >= opening_night", name="nights_in_order"),
        CheckConstraint("placed_before_dusk_min >= 0", name="placed_before_dusk"),
    )

    name: Mapped[str] = mapped_column(NAME, unique=True)
    site: Mapped[str] = mapped_column(NAME)
    time_zone: Mapped[str] = mapped_column(String(64))  # IANA name
    opening_night: Mapped[date]
    last_night: Mapped[date]
    dusk: Mapped[time]  # local
    placed_before_dusk_min: Mapped[int] = mapped_column(default=45)  # common practice
    prices: Mapped[dict[str, float]] = mapped_column(default=dict)  # see `planner.services.prices`
    currency: Mapped[str] = mapped_column(WORD, default="")  # as people write it, e.g. EUR

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
    name: Mapped[str] = mapped_column(NAME)
    area: Mapped[str] = mapped_column(NAME)
    size_class: Mapped[str] = mapped_column(WORD)  # SizeClass
    kind: Mapped[str] = mapped_column(WORD)  # LanternKind
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
