"""What do all tables have in common? How values are stored, and what every fact carries."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import (
    JSON,
    Index,
    MetaData,
    String,
    Text,
    text,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from planner.database.columns import UtcDateTime

_NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}

NAME = String(120)
WORD = String(20)  # a state or a kind
DIGEST = String(64)


class Base(DeclarativeBase):
    """The tables' common ground: names of constraints, and how Python types are stored."""

    metadata = MetaData(naming_convention=_NAMES)
    type_annotation_map = {  # noqa: RUF012 - SQLAlchemy reads it as a plain class attribute
        datetime: UtcDateTime,
        dict[str, Any]: JSON,
        dict[str, float]: JSON,
        dict[str, list[str]]: JSON,
        list[str]: JSON,
        list[int]: JSON,
        list[dict[str, Any]]: JSON,
    }

    id: Mapped[int] = mapped_column(primary_key=True)


class Recorded:
    """When a fact was recorded, and by whom."""

    recorded_at: Mapped[datetime]
    recorded_by: Mapped[str] = mapped_column(NAME)


class Voidable:
    """When a fact stopped to count, who said so and why."""

    voided_at: Mapped[datetime | None] = mapped_column()
    voided_by: Mapped[str | None] = mapped_column(NAME)
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


def one_of(name: str, column: str, where: str) -> Index:
    """Return an index that lets a value stand only once among the rows that fulfil a condition."""
    return Index(name, column, unique=True, sqlite_where=text(where), postgresql_where=text(where))
